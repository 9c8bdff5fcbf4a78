//! `compare`: two recordings of the same pack.

use ::report::{Account, Comparison, Line, Told};
use anyhow::Result;
use serde_json::{Value, json};

use crate::Status;
use crate::args::{Compare, PageFile};
use crate::files;
use crate::output::{Prose, Results};
use crate::report::{compared, recorded, status};

/// The version of the JSON lines. It goes up when a name changes or goes.
const VERSION: u32 = 1;

pub(crate) fn run(task: &Compare, prose: &mut Prose) -> Result<Status> {
    let page = task.out.clone().map(|out| PageFile { out, replace: task.replace });
    let page = page.map(|page| crate::page_file::PageFile::new(&page, &[&task.old, &task.new])).transpose()?;
    let (old, new) = (recorded(&task.old, prose)?, recorded(&task.new, prose)?);
    let comparison = compared(&old, &new)?;
    if let Some(page) = page {
        let text = ::report::comparison_page(&old, &new, &comparison, &files::tool_version());
        if let Some(path) = page.write(&text)? {
            let (changed, ..) = comparison.counts();
            prose.say(&format!("{changed} changed: comparison in {}", path.display()));
        }
        return Ok(status(&[&old, &new]));
    }
    let mut results = Results::new();
    if task.print.json {
        for line in json_lines(&old, &new, &comparison) {
            results.line(&line.to_string());
        }
    } else {
        for (which, account) in [("old", &old), ("new", &new)] {
            let began = account.started_utc_nanos.map_or("began at a time that was not recorded".to_owned(), |nanos| {
                format!("began at {}", ::report::utc(nanos))
            });
            let outcome = account.verdict.outcome.name();
            results.line(&format!("  {which:<8}  {}: {}, {began}, {outcome}", account.file.name, account.pack.name()));
        }
        results.line("");
        for line in ::report::comparison_lines(&comparison) {
            results.line(&line);
        }
    }
    Ok(status(&[&old, &new]))
}

/// The two sessions, then a line for each thing, then how many of each kind.
fn json_lines(old: &Account, new: &Account, comparison: &Comparison) -> Vec<Value> {
    let session = |account: &Account| {
        json!({
            "file": account.file.name,
            "sha256": account.file.sha256,
            "pack": account.pack.name(),
            "practice": account.practice,
            "started_utc_ns": account.started_utc_nanos,
            "outcome": account.verdict.outcome.name(),
            "incomplete": account.is_incomplete(),
        })
    };
    let (old, new) = (session(old), session(new));
    let mut lines =
        vec![json!({ "event": "comparison", "version": VERSION, "old": old, "new": new, "notes": comparison.notes })];
    lines.extend(comparison.lines.iter().map(json_line));
    let (changed, unknown, same) = comparison.counts();
    lines.push(json!({ "event": "compared", "changed": changed, "cannot_tell": unknown, "same": same }));
    lines
}

fn json_line(line: &Line) -> Value {
    let told = match line.told {
        Told::Changed => "changed",
        Told::Same => "same",
        Told::CannotTell(_) => "cannot tell",
    };
    let mut value = json!({
        "event": "difference",
        "about": line.about.name(),
        "what": line.what,
        "told": told,
        "large": line.large,
        "old_text": line.old,
        "new_text": line.new,
    });
    let Some(fields) = value.as_object_mut() else { return value };
    if let Some(place) = line.place {
        fields.insert("place".to_owned(), place.to_string().into());
    }
    if let Some(numbers) = line.numbers {
        let numbers = [
            ("old", numbers.old),
            ("new", numbers.new),
            ("difference", numbers.difference()),
            ("uncertainty", numbers.uncertainty),
        ];
        let known = numbers.into_iter().filter_map(|(name, number)| Some((name, number?)));
        fields.extend(known.map(|(name, number)| (name.to_owned(), number.into())));
        fields.insert("unit".to_owned(), line.unit.into());
    }
    if let Told::CannotTell(why) = &line.told {
        fields.insert("why".to_owned(), why.as_str().into());
    }
    if !line.beside.is_empty() {
        fields.insert("beside".to_owned(), line.beside.as_str().into());
    }
    value
}
