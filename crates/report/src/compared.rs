//! A comparison as text and as a page.

use crate::account::Account;
use crate::compare::{BEYOND, Comparison, Line, Told};
use crate::html::Html;
use crate::page::Holds::{Numbers, Text, Words};
use crate::page::{cautions, heading, list, page, table};
use crate::sheet::Since;
use crate::words::{headline, length, utc};

/// The comparison for people, a line each.
pub fn comparison_lines(comparison: &Comparison) -> Vec<String> {
    let mut lines: Vec<String> = comparison.notes.iter().map(|note| format!("  note      {note}")).collect();
    if !lines.is_empty() {
        lines.push(String::new());
    }
    let width = comparison.lines.iter().map(|line| line.what.chars().count()).max().unwrap_or(0).min(48);
    let of = |wanted: fn(&Told) -> bool| comparison.lines.iter().filter(move |line| wanted(&line.told));
    for line in of(|told| *told == Told::Changed) {
        let difference = line.difference();
        let by = if difference.is_empty() { String::new() } else { format!("  ({difference})") };
        let word = if line.large { "CHANGED" } else { "changed" };
        lines.push(format!("  {word}   {:<width$}  {} -> {}{by}", line.what, line.old, line.new));
        if !line.beside.is_empty() {
            lines.push(format!("            {:<width$}  {}", "", line.beside));
        }
    }
    for line in of(|told| matches!(told, Told::CannotTell(_))) {
        let Told::CannotTell(why) = &line.told else { continue };
        let both = if line.old.is_empty() { String::new() } else { format!("{} -> {}; ", line.old, line.new) };
        lines.push(format!("  unknown   {:<width$}  {both}{why}", line.what));
    }
    for line in of(|told| *told == Told::Same) {
        let difference = line.difference();
        let words = match (difference.is_empty(), line.old == line.new) {
            (false, _) => format!("{} -> {}  ({difference})", line.old, line.new),
            (true, true) => line.new.clone(),
            (true, false) => format!("{} -> {}", line.old, line.new),
        };
        lines.push(format!("  same      {:<width$}  {words}", line.what));
    }
    lines.push(String::new());
    lines.push(summary(comparison));
    lines
}

/// `2 changed, 1 of them by much, 5 can't be told, 80 are the same within what can be told`.
fn summary(comparison: &Comparison) -> String {
    let (changed, unknown, same) = comparison.counts();
    let is = if same == 1 { "is" } else { "are" };
    let large = comparison.lines.iter().filter(|line| line.large).count();
    let large = if changed == 0 { String::new() } else { format!(", {large} of them by much") };
    format!("{changed} changed{large}, {unknown} can't be told, {same} {is} the same within what can be told")
}

/// The comparison as a page in the style of the report.
///
/// `made_by`: the program that made it, with its version.
pub fn comparison_page(old: &Account, new: &Account, comparison: &Comparison, made_by: &str) -> String {
    let practice = old.practice || new.practice;
    let mark = if practice { "PRACTICE: " } else { "" };
    let name = new.pack.name();
    let (changed, ..) = comparison.counts();
    let title = format!("{mark}{name}: compared with last time");
    page(&title, &title, |html| {
        let class = if changed == 0 { "answer" } else { "answer unsure" };
        html.element("header", &[], |html| {
            html.element("div", &[("class", class)], |html| {
                html.line("p", "", &format!("{name}: what drifted between two sessions"));
                html.line("h1", "", &if changed == 1 { "1 change".to_owned() } else { format!("{changed} changes") });
                html.line("p", "first", &summary(comparison));
                if practice {
                    html.element("p", &[], |html| html.line("span", "practice", "PRACTICE: no real pack was judged"));
                }
            });
        });
        sessions(old, new, html);
        if !comparison.notes.is_empty() {
            html.element("div", &[("class", "box")], |html| {
                html.element("ul", &[], |html| comparison.notes.iter().for_each(|note| html.line("li", "", note)));
            });
        }
        changed_lines(practice, comparison, html);
        unknown_lines(practice, comparison, html);
        same_lines(practice, comparison, html);
        cautions(new, html);
        html.line("p", "soft", &format!("Made by {made_by} from the two recordings, by which it can be made again."));
    })
}

/// What changed and what can't be told, inside a report.
pub(crate) fn since(practice: bool, since: Since<'_>, html: &mut Html) {
    let Since { old, comparison } = since;
    heading(practice, "Since last time", html);
    let began = old.started_utc_nanos.map_or("at a time that was not recorded".to_owned(), utc);
    let (name, hash) = (&old.file.name, old.file.sha256.as_deref().unwrap_or("not known"));
    html.line("p", "soft", &format!("Against {name}, begun {began}, SHA-256 {hash}."));
    html.line("p", "", &format!("{}.", summary(comparison)));
    if !comparison.notes.is_empty() {
        list(&comparison.notes, html);
    }
    changed_lines(practice, comparison, html);
    unknown_lines(practice, comparison, html);
}

fn sessions(old: &Account, new: &Account, html: &mut Html) {
    let row = |which: &str, account: &Account| {
        let began = account.started_utc_nanos.map_or("not recorded".to_owned(), utc);
        let hash = account.file.sha256.clone().unwrap_or_else(|| "not known".to_owned());
        let cells = vec![
            which.to_owned(),
            account.file.name.clone(),
            began,
            length(account.end),
            headline(account.verdict.outcome).to_owned(),
            account.verdict.because.first().cloned().unwrap_or_default(),
            hash,
        ];
        ("", cells)
    };
    let heads = [
        ("", Words),
        ("file", Text),
        ("began", Text),
        ("length", Words),
        ("verdict", Text),
        ("first reason", Text),
        ("SHA-256", Text),
    ];
    table(&heads, &[row("old", old), row("new", new)], html);
}

fn row(line: &Line) -> Vec<String> {
    vec![line.about.name().to_owned(), line.what.clone(), line.old.clone(), line.new.clone(), line.difference()]
}

fn changed_lines(practice: bool, comparison: &Comparison, html: &mut Html) {
    heading(practice, "Changed", html);
    let text = format!(
        "The difference is new less old. It counts as a change beyond {BEYOND:.0} of its standard uncertainties, so that chance \
         alone says so in fewer than one of a hundred comparisons. What the BMS reads wrong in the same way both times does not \
         show. Lines marked large matter by their size as well, by our own measure; the others are real and small."
    );
    html.line("p", "soft", &text);
    let changed = comparison.lines.iter().filter(|line| line.told == Told::Changed);
    let rows: Vec<_> = changed
        .map(|line| {
            let mut cells = row(line);
            cells.push(line.beside.clone());
            if let Some(about) = cells.first_mut().filter(|_| line.large) {
                about.push_str(", large");
            }
            (if line.large { "bad" } else { "look" }, cells)
        })
        .collect();
    if rows.is_empty() {
        html.line("p", "", "Nothing, within what can be told.");
        return;
    }
    let heads =
        [("about", Words), ("what", Text), ("old", Text), ("new", Text), ("difference", Numbers), ("beside it", Text)];
    table(&heads, &rows, html);
}

fn unknown_lines(practice: bool, comparison: &Comparison, html: &mut Html) {
    heading(practice, "Can't be told", html);
    let rows = comparison.lines.iter().filter_map(|line| {
        let Told::CannotTell(why) = &line.told else { return None };
        let mut cells = row(line);
        cells.push(why.clone());
        Some(("none", cells))
    });
    let rows: Vec<_> = rows.collect();
    let heads =
        [("about", Words), ("what", Text), ("old", Text), ("new", Text), ("difference", Numbers), ("why not", Text)];
    table(&heads, &rows, html);
}

fn same_lines(practice: bool, comparison: &Comparison, html: &mut Html) {
    heading(practice, "The same within what can be told", html);
    let same = comparison.lines.iter().filter(|line| line.told == Told::Same);
    let rows: Vec<_> = same.map(|line| ("", row(line))).collect();
    let heads = [("about", Words), ("what", Text), ("old", Text), ("new", Text), ("difference", Numbers)];
    table(&heads, &rows, html);
}
