//! The first page of a report: what a person signs and keeps with the pack, short enough for one sheet of paper.
//!
//! Everything on it has an end, however long a session's lists are; what is cut says so, and stands whole behind it.

use std::borrow::Cow;

use model::{Channel, Dimension, HandItem, Quantity};
use rules::{Finding, HandLine, HandResult, Outcome};

use crate::account::Account;
use crate::compare::{Comparison, Line, Told};
use crate::html::Html;
use crate::page::list;
use crate::plots;
use crate::words::{counted, fixed, headline, length, utc};
use crate::written::{bare, missing, named, rest_shown, worst_at};

/// An earlier session of the same pack, and what became of it since.
#[derive(Clone, Copy, Debug)]
pub struct Since<'a> {
    /// The earlier one.
    pub old: &'a Account,
    /// It against the one of the report.
    pub comparison: &'a Comparison,
}

/// So long a line may be on the sheet, in letters.
const LINE: usize = 150;
const LONG_LINE: usize = 270;
const IN_COLUMN: usize = 80;
/// So many letters stand in a printed line: of the whole width, of its left column, of its right one.
const WIDE: usize = 100;
const LEFT: usize = 58;
const RIGHT: usize = 38;
/// So many printed lines have room on a sheet of A4 or letter paper.
const PAGE: usize = 61;
/// Of these the verdict, the plot, the title and the legend of the table, the line of last time and the signature take so
/// many, without what is written in them.
const FRAME: usize = 31;
/// So many cells stand in the table; of more only those that stand out.
const CELLS: usize = 48;
/// Of this height is the plot, in units of its picture.
const PLOT: f64 = 150.0;

pub(crate) fn write(account: &Account, since: Option<Since<'_>>, made_by: &str, html: &mut Html) {
    let mut lists = Lists::of(account, since);
    let rows = shown_cells(account).len().div_ceil(blocks(account));
    lists.fit(PAGE.saturating_sub(FRAME + rows));
    html.element("section", &[("class", "sheet")], |html| {
        answer(account, html);
        if !lists.missing.is_empty() {
            html.element("div", &[("class", "box")], |html| {
                html.line("p", "", "What this rests on is not whole, or not as it was recorded:");
                lists.missing.write(html);
            });
        }
        if !lists.reasons.is_empty() {
            html.line("h3", "", "Also because");
            lists.reasons.write(html);
        }
        if !lists.findings.is_empty() {
            html.line("h3", "", "Found");
            lists.findings.write(html);
        }
        html.element("div", &[("class", "pair")], |html| {
            html.element("div", &[], |html| {
                html.line("h3", "", "Not tested");
                if lists.untested.is_empty() {
                    html.line("p", "", "Nothing is listed. What was not tried stays unknown all the same.");
                } else {
                    lists.untested.write(html);
                }
            });
            html.element("div", &[], |html| {
                html.line("h3", "", "By hand");
                lists.readings.write(html);
                html.line("p", "soft", &lists.place);
            });
        });
        if let Some(plot) = account.plots.first() {
            plots::write(account, plot, PLOT, html);
        }
        cells(account, html);
        html.line("h3", "", "Since last time");
        match since {
            None => html.line("p", "soft", "Not compared with an earlier session."),
            Some(since) => html.line("p", "", &compared(since)),
        }
        lists.changes.write(html);
        signature(account, made_by, html);
    });
}

/// Lines of which the first ones are shown.
#[derive(Clone, Debug, Default)]
struct Lines {
    all: Vec<String>,
    shown: usize,
    /// Letters of a printed line.
    width: usize,
}

impl Lines {
    /// Each no longer than so many letters.
    fn new(all: impl IntoIterator<Item = String>, letters: usize, width: usize) -> Self {
        let all: Vec<String> = all.into_iter().map(|line| short(&line, letters).into_owned()).collect();
        Self { shown: all.len(), all, width }
    }

    fn is_empty(&self) -> bool {
        self.all.is_empty()
    }

    /// Printed lines that it takes, with the one that says how many are left.
    fn height(&self) -> usize {
        let height = |line: &String| line.chars().count().div_ceil(self.width).max(1);
        let shown: usize = self.all.iter().take(self.shown).map(height).sum();
        shown + usize::from(self.shown < self.all.len())
    }

    fn write(&self, html: &mut Html) {
        let mut lines: Vec<String> = self.all.iter().take(self.shown).cloned().collect();
        if self.shown < self.all.len() {
            let before = if self.shown == 0 { "" } else { "and " };
            lines.push(format!("{before}{} more, behind this page", self.all.len() - self.shown));
        }
        if !lines.is_empty() {
            list(&lines, html);
        }
    }
}

/// All lists of the sheet.
#[derive(Clone, Debug, Default)]
struct Lists {
    missing: Lines,
    reasons: Lines,
    findings: Lines,
    untested: Lines,
    readings: Lines,
    /// The air, and how warm the pack was.
    place: String,
    changes: Lines,
}

impl Lists {
    fn of(account: &Account, since: Option<Since<'_>>) -> Self {
        let verdict = &account.verdict;
        let finding = |finding: &Finding| {
            let (name, confidence) = (named(finding), finding.confidence.name());
            format!("{name} ({confidence}). Look at, with the switch open: {}", finding.look_at())
        };
        let waivers = account.pack.waivers().iter().map(|(check, reason)| format!("waived: {check} ({reason})"));
        let untested = verdict.untested.iter().cloned().chain(waivers);
        let (readings, place) = by_hand(account);
        let changed = since.iter().flat_map(|since| &since.comparison.lines).filter(|line| line.told == Told::Changed);
        Self {
            missing: Lines::new(missing(account), LINE, WIDE),
            reasons: Lines::new(verdict.because.iter().skip(1).cloned(), LINE, WIDE),
            findings: Lines::new(verdict.findings.iter().map(finding), LONG_LINE, WIDE),
            untested: Lines::new(untested, IN_COLUMN, LEFT),
            readings: Lines::new(readings, IN_COLUMN, RIGHT),
            place,
            changes: Lines::new(changed.map(change), LINE, WIDE),
        }
    }

    /// Printed lines with their headings.
    fn height(&self) -> usize {
        let headed = |lines: &Lines, heading: usize| if lines.is_empty() { 0 } else { lines.height() + heading };
        let place = self.place.chars().count().div_ceil(RIGHT);
        let pair = self.untested.height().max(self.readings.height() + place) + 2;
        headed(&self.missing, 3) + headed(&self.reasons, 2) + headed(&self.findings, 2) + pair + self.changes.height()
    }

    /// Takes a line from the longest list until all have room.
    fn fit(&mut self, room: usize) {
        while room < self.height() {
            let place = self.place.chars().count().div_ceil(RIGHT);
            let longest = [
                (self.missing.height(), &mut self.missing),
                (self.reasons.height(), &mut self.reasons),
                // What was found is what a person acts on.
                (self.findings.height() / 2, &mut self.findings),
                (self.untested.height(), &mut self.untested),
                (self.readings.height() + place, &mut self.readings),
                (self.changes.height(), &mut self.changes),
            ];
            // The last line of a list goes when all others have gone.
            let longest = longest.into_iter().filter(|(_, lines)| 0 < lines.shown);
            let longest = longest.max_by_key(|(height, lines)| (1 < lines.shown, *height));
            let Some((_, lines)) = longest else { return };
            lines.shown -= 1;
            // That one is left takes a line as well.
            if lines.shown + 1 == lines.all.len() && 0 < lines.shown {
                lines.shown -= 1;
            }
        }
    }
}

/// The text, or its beginning with a mark that more follows.
fn short(text: &str, most: usize) -> Cow<'_, str> {
    match text.char_indices().nth(most) {
        None => Cow::Borrowed(text),
        Some((end, _)) => Cow::Owned(format!("{}\u{2026}", text.get(..end).unwrap_or(text).trim_end())),
    }
}

/// The first thing on the page: the verdict with its first reason.
fn answer(account: &Account, html: &mut Html) {
    let verdict = &account.verdict;
    let class = match verdict.outcome {
        Outcome::Go => "answer go",
        Outcome::NoGo => "answer no",
        Outcome::CannotTell => "answer unsure",
    };
    html.element("header", &[], |html| {
        let began = account.started_utc_nanos.map_or("at a time that was not recorded".to_owned(), utc);
        html.element("div", &[("class", class)], |html| {
            let name = short(account.pack.name(), IN_COLUMN);
            html.line("p", "", &format!("{name}, {began}, {}", length(account.end)));
            html.line("h1", "", headline(verdict.outcome));
            let (first, more) = match verdict.because.split_first() {
                Some((first, more)) => (first.as_str(), more.len()),
                None => ("", 0),
            };
            html.line("p", "first", &short(first, LINE));
            html.element("p", &[("class", "soft")], |html| {
                if 0 < more {
                    html.text(&format!("and {} below ", counted(more as u64, "more reason", "more reasons")));
                }
                if account.practice {
                    html.line("span", "practice", "PRACTICE: no real pack was judged");
                }
            });
        });
        let covers: Vec<&str> = verdict.covers.iter().map(|stage| stage.name()).collect();
        let covers = if covers.is_empty() { "nothing".to_owned() } else { covers.join(", ") };
        html.element("p", &[], |html| {
            html.line("b", "", "Covers: ");
            html.text(&covers);
            html.text(".");
        });
    });
}

/// What was read by hand, what failed first; then the air and how warm the pack was.
fn by_hand(account: &Account) -> (Vec<String>, String) {
    let rank = |line: &HandLine| match line.judged.result {
        _ if line.latched => 0,
        HandResult::Failed => 0,
        HandResult::Warning => 1,
        HandResult::NotDone => 4,
        HandResult::Passed if line.entry.as_ref().is_some_and(|(_, reading)| reading.value.is_some()) => 2,
        HandResult::Passed => 3,
    };
    let mut entered: Vec<&HandLine> = account.hand.iter().filter(|line| line.entry.is_some() || line.latched).collect();
    entered.sort_by_key(|line| rank(line));
    let (air, others): (Vec<&HandLine>, Vec<&HandLine>) =
        entered.iter().partition(|line| matches!(line.item, HandItem::Ambient | HandItem::Soak));
    let mut lines: Vec<String> = others.into_iter().map(entry).collect();
    if lines.is_empty() {
        lines.push("no reading was entered".to_owned());
    }
    let done = account.hand.iter().filter(|line| line.judged.result != HandResult::NotDone).count();
    let mut facts: Vec<String> = vec![format!("{done} of {} checks before power done", account.hand.len())];
    match air.as_slice() {
        [] => facts.push("ambient and soak time not entered".to_owned()),
        air => facts.extend(air.iter().map(|line| entry(line))),
    }
    if let Some(celsius) = account.conditions.first_celsius {
        facts.push(format!("sensors at the beginning {} degC", fixed(celsius, 1)));
    }
    (lines, format!("{}.", facts.join("; ")))
}

/// `pack voltage 92.410 V, bench meter: passed`.
fn entry(line: &HandLine) -> String {
    let mut text = line.item.name().to_owned();
    if let Some((_, reading)) = &line.entry {
        if let Some(value) = reading.value {
            text += &format!(" {}", rules::prepare::amount(value));
        }
        if !reading.instrument.is_empty() {
            text += &format!(", {}", short(&reading.instrument, 24));
        }
    }
    let word = if line.latched { "failed" } else { line.judged.result.name() };
    format!("{text}: {word}")
}

/// Cells in blocks beside each other, in series order down each block.
fn cells(account: &Account, html: &mut Html) {
    let shown = shown_cells(account);
    let all = usize::from(account.pack.cells());
    let title = if shown.len() < all {
        format!("Cells: of {all} the {} with alarms or furthest from the median; all stand behind", shown.len())
    } else {
        "Cells".to_owned()
    };
    html.line("h3", "", &title);
    let rows = shown.len().div_ceil(blocks(account));
    html.element("div", &[("class", "wide")], |html| {
        html.element("table", &[("class", "cells")], |html| {
            html.element("thead", &[], |html| {
                html.element("tr", &[], |html| {
                    for _ in shown.chunks(rows.max(1)) {
                        for (class, head) in [("n k", "cell"), ("n", "rest V"), ("n", "lowest V"), ("n", "mohm")] {
                            html.line("th", class, head);
                        }
                    }
                });
            });
            html.element("tbody", &[], |html| {
                for row in 0..rows {
                    html.element("tr", &[], |html| {
                        for block in shown.chunks(rows.max(1)) {
                            match block.get(row) {
                                Some(place) => cell(account, *place, html),
                                None => (0..4).for_each(|_| html.line("td", "", "")),
                            }
                        }
                    });
                }
            });
        });
    });
    let mut text =
        "rest: with no load; lowest: of the whole session; ! critical alarm, ? warning or finding.".to_owned();
    if let Err(why) = &account.figures.resistances {
        text += &format!(" No resistances: {}.", short(why, IN_COLUMN));
    }
    html.line("p", "soft", &text);
}

/// How many blocks of cells stand beside each other.
fn blocks(account: &Account) -> usize {
    if account.pack.cells() <= 24 { 3 } else { 4 }
}

fn shown_cells(account: &Account) -> Vec<u16> {
    let all: Vec<u16> = (1..=account.pack.cells()).collect();
    if all.len() <= CELLS {
        return all;
    }
    let rest = rest_shown(account);
    let apart = |place: &u16| {
        let apart = rest.and_then(|rest| rest.apart.get(usize::from(*place) - 1)?.as_ref());
        apart.map_or(0.0, |apart| apart.value.abs())
    };
    let marked = |place: &u16| !worst_at(account, Channel::at(Quantity::CellVoltage, *place)).is_empty();
    let mut ranked = all;
    ranked.sort_by(|a, b| marked(b).cmp(&marked(a)).then(apart(b).total_cmp(&apart(a))));
    ranked.truncate(CELLS);
    ranked.sort_unstable();
    ranked
}

fn cell(account: &Account, place: u16, html: &mut Html) {
    let channel = Channel::at(Quantity::CellVoltage, place);
    let index = usize::from(place) - 1;
    let (class, mark) = match worst_at(account, channel) {
        "bad" => ("n k bad", "! "),
        "look" => ("n k look", "? "),
        _ => ("n k", ""),
    };
    let none = || "\u{2013}".to_owned();
    let rest = rest_shown(account).and_then(|rest| Some(rest.median.value + rest.apart.get(index)?.as_ref()?.value));
    let lowest = account.extreme(channel).map(|span| bare(Dimension::Voltage, span.lowest));
    let resistance = account.figures.resistances.as_ref().ok();
    let resistance = resistance.and_then(|known| known.cells.get(index)?.as_ref());
    html.element("td", &[("class", class)], |html| html.line("b", "", &format!("{mark}{place}")));
    html.line("td", "n", &rest.map_or_else(none, |volts| fixed(volts, 3)));
    html.line("td", "n", &lowest.unwrap_or_else(none));
    html.line("td", "n", &resistance.map_or_else(none, |resistance| fixed(resistance.held.value * 1e3, 2)));
}

/// `Against last.mcap (2026-11-26 06:01:49 UTC, go): 2 changed, ...`.
fn compared(since: Since<'_>) -> String {
    let Since { old, comparison } = since;
    let began = old.started_utc_nanos.map_or("at a time that was not recorded".to_owned(), utc);
    let (changed, unknown, same) = comparison.counts();
    format!(
        "Against {} ({began}, {}): {changed} changed, {unknown} can't be told, {same} the same within what can be told.",
        short(&old.file.name, 48),
        old.verdict.outcome.name()
    )
}

fn change(line: &Line) -> String {
    let difference = line.difference();
    let by = if difference.is_empty() { String::new() } else { format!(" ({difference})") };
    let large = if line.large { ", large" } else { "" };
    format!("{}: {} -> {}{by}{large}", line.what, line.old, line.new)
}

fn signature(account: &Account, made_by: &str, html: &mut Html) {
    html.element("div", &[("class", "sign")], |html| {
        let words = if account.practice { ["practice", "practice"] } else { ["date, name", "signature"] };
        words.iter().for_each(|word| html.line("p", "soft", word));
    });
    let hash = account.file.sha256.as_deref().map_or("not known", |hash| hash.get(..16).unwrap_or(hash));
    let file = short(&account.file.name, 48);
    let text = format!(
        "{file}, SHA-256 {hash}\u{2026}, by {}. This advises and protects nothing; local codes and qualified practice come \
         first.",
        short(made_by, 24)
    );
    html.line("p", "soft small", &text);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_cut_says_so() {
        assert_eq!(short("open lead", 9), "open lead");
        assert_eq!(short("open lead of cell 7", 10), "open lead\u{2026}");
        assert_eq!(short("\u{e4}\u{f6}\u{fc}x", 2), "\u{e4}\u{f6}\u{2026}");
    }

    #[test]
    fn lists_shrink_to_the_room() {
        let lines = |count: usize, width| Lines::new((1..=count).map(|number| format!("line {number}")), 80, width);
        let mut lists =
            Lists { reasons: lines(30, 100), untested: lines(9, 100), changes: lines(3, 100), ..Lists::default() };
        for room in [60, 40, 25, 15] {
            lists.fit(room);
            assert!(lists.height() <= room, "{room} {lists:?}");
        }
        // The longest gave most.
        assert!(lists.changes.shown == 3 && lists.reasons.shown < 8 && 2 < lists.untested.shown, "{lists:?}");
        let mut html = Html::default();
        lists.reasons.write(&mut html);
        let left = format!("and {} more, behind this page", 30 - lists.reasons.shown);
        assert!(html.finish().contains(&left), "{left}");
        // Where there is one more it is shown: to say so would take its line.
        let mut two = Lists { reasons: lines(4, 100), ..Lists::default() };
        two.fit(two.height() - 1);
        assert_eq!((two.reasons.shown, two.reasons.height()), (2, 3));
        // A line that does not fit in one takes two.
        assert_eq!(lines(2, 4).height(), 4);
    }
}
