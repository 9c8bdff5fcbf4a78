//! Readings and checks by hand on the command line: `ITEM=VALUE`, `ITEM=passed` or `ITEM=failed`.

use model::{HandItem, HandOutcome, HandReading, closest};

/// Reads one of them. The instrument is filled in later.
pub(crate) fn parse(text: &str) -> Result<HandReading, String> {
    let (key, found) = text.split_once('=').unwrap_or((text, ""));
    let item = HandItem::parse(key.trim()).ok_or_else(|| unknown(key.trim()))?;
    match found.trim() {
        "passed" if item.needs_value() => {
            Err(format!("{key} is done only with what you read: write {key}={}", example(item)))
        }
        "passed" => Ok(HandReading::found(item, HandOutcome::Passed, "")),
        "failed" => Ok(HandReading::found(item, HandOutcome::Failed, "")),
        "" => Err(format!("what was found? Write {key}={}", example(item))),
        word if item.dimensions().is_empty() || !word.contains(|letter: char| letter.is_ascii_digit()) => {
            let or_value = if item.dimensions().is_empty() { String::new() } else { format!(", or {}", example(item)) };
            Err(format!("{word:?} is no result: write {key}=passed or {key}=failed{or_value}"))
        }
        value => item.parse_value(value).map(|value| HandReading::measured(item, value, "")),
    }
}

/// What can stand after the item.
fn example(item: HandItem) -> String {
    let value = item.example().replace(' ', "");
    if value.is_empty() { "passed".to_owned() } else { value }
}

fn unknown(key: &str) -> String {
    let keys = HandItem::all().map(HandItem::key);
    match closest(key, keys.clone()) {
        Some(near) => format!("no check before power is called {key:?}; did you mean {near}?"),
        None => format!("no check before power is called {key:?}; they are {}", keys.collect::<Vec<_>>().join(", ")),
    }
}

/// Every item with its name, for help.
pub(crate) fn list() -> String {
    let width = HandItem::all().map(|item| item.key().len()).max().unwrap_or(0);
    let line = |item: HandItem| {
        let value = item.example().replace(' ', "");
        let value = if value.is_empty() { String::new() } else { format!(", such as {value}") };
        format!("\n  {:<width$} {}{value}", item.key(), item.name())
    };
    format!("Checks before power, for --hand:{}", HandItem::all().map(line).collect::<String>())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_item_can_be_entered_as_help_shows_it() {
        for item in HandItem::all() {
            let read = parse(&format!("{}={}", item.key(), example(item)));
            assert!(read.is_ok_and(|read| read.item == item && read.outcome == HandOutcome::Passed), "{}", item.key());
            let failed = parse(&format!("{}=failed", item.key()));
            assert!(failed.is_ok_and(|read| read.outcome == HandOutcome::Failed), "{}", item.key());
        }
    }

    #[test]
    fn what_is_wrong_is_said_with_what_to_write() {
        for (text, refusal) in [
            ("insulation-pluss=2Mohm", "did you mean insulation-plus?"),
            ("banana=passed", "they are props-off, helper"),
            ("fuse", "Write fuse=passed"),
            ("fuse=", "Write fuse=passed"),
            ("fuse=good", "\"good\" is no result: write fuse=passed or fuse=failed"),
            ("fuse=3A", "\"3A\" is no result: write fuse=passed or fuse=failed"),
            ("bus-short=fine", "write bus-short=passed or bus-short=failed, or 100ohm"),
            ("insulation-plus=passed", "write insulation-plus=2.1Mohm"),
            ("insulation-plus=2V", "that is a voltage, insulation, plus to frame needs a resistance, such as 2.1 Mohm"),
            ("insulation-plus=2", "the unit is missing; write for example 2.1 Mohm"),
        ] {
            let said = parse(text).expect_err(text);
            assert!(said.contains(refusal), "{text}: {said}");
        }
    }
}
