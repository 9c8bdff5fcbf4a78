//! What a recording must lead to, as a person wrote it beside the recording.

use std::collections::BTreeMap;

/// The content of a `NAME.expected.toml`.
#[derive(Clone, PartialEq, Debug)]
pub struct Expectation {
    /// The verdict's outcome.
    pub outcome: String,
    /// The stages that it covers.
    pub covers: Vec<String>,
    /// The checks that fail: all of them, in any order.
    pub failed: Vec<FailedCheck>,
    /// The findings at the end: all of them that are more than possible, each with its place.
    pub found: Vec<FailedCheck>,
    /// Texts that the list of what is untested must have.
    pub untested: Vec<String>,
    /// Between which session times, in seconds, the first critical alarm must come; `None`: there must be none.
    pub first_critical_s: Option<(f64, f64)>,
    /// What a person should conclude.
    pub conclude: String,
    /// Why it must be so.
    pub why: String,
}

/// A failed check, or the cause of a finding, with its place.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct FailedCheck {
    /// The check's name.
    pub check: String,
    /// The places of which it must be one; empty where it has none.
    pub places: Vec<String>,
}

impl Expectation {
    /// Reads the text. A key that is missing, unknown or of the wrong kind is an error: an expectation with a slip must
    /// not become a weaker one.
    ///
    /// # Errors
    /// What is wrong, in words.
    pub fn parse(text: &str) -> Result<Self, String> {
        let mut values = Values(read(text)?);
        let expectation = Self {
            outcome: values.text("outcome")?,
            covers: values.list("covers")?,
            failed: values.list("failed")?.iter().map(|failed| FailedCheck::parse(failed)).collect(),
            found: values.list("found")?.iter().map(|found| FailedCheck::parse(found)).collect(),
            untested: values.list("untested")?,
            first_critical_s: values.range("first_critical_s")?,
            conclude: values.text("conclude")?,
            why: values.text("why")?,
        };
        if let Some(key) = values.0.keys().next() {
            return Err(format!("unknown key {key:?}"));
        }
        if expectation.failed.is_empty() != expectation.first_critical_s.is_none() {
            return Err("failed checks and the time of the first critical alarm go together".to_owned());
        }
        Ok(expectation)
    }
}

impl FailedCheck {
    /// `deviation at cell 9 or cell 10`, `link`.
    fn parse(text: &str) -> Self {
        let (check, places) = text.split_once(" at ").unwrap_or((text, ""));
        let places = places.split(" or ").filter(|place| !place.is_empty()).map(str::to_owned).collect();
        Self { check: check.to_owned(), places }
    }
}

#[derive(Debug)]
enum Value {
    Text(String),
    Texts(Vec<String>),
    Numbers(Vec<f64>),
}

struct Values(BTreeMap<String, Value>);

impl Values {
    fn text(&mut self, key: &str) -> Result<String, String> {
        match self.0.remove(key) {
            Some(Value::Text(text)) if !text.trim().is_empty() => Ok(text),
            other => Err(format!("{key:?} must be a text, not {other:?}")),
        }
    }

    fn list(&mut self, key: &str) -> Result<Vec<String>, String> {
        match self.0.remove(key) {
            Some(Value::Texts(list)) => Ok(list),
            other => Err(format!("{key:?} must be a list of texts, not {other:?}")),
        }
    }

    fn range(&mut self, key: &str) -> Result<Option<(f64, f64)>, String> {
        match self.0.remove(key) {
            None => Ok(None),
            Some(Value::Numbers(numbers)) => match numbers[..] {
                [earliest, latest] if earliest <= latest => Ok(Some((earliest, latest))),
                _ => Err(format!("{key:?} must be an earliest and a latest time")),
            },
            other => Err(format!("{key:?} must be two numbers, not {other:?}")),
        }
    }
}

/// The part of TOML that these files use: comments, texts on one line or between three quotes, lists on one line.
fn read(text: &str) -> Result<BTreeMap<String, Value>, String> {
    let mut values = BTreeMap::new();
    let mut lines = text.lines();
    while let Some(line) = lines.next() {
        let line = line.trim();
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        let (key, value) = line.split_once('=').ok_or_else(|| format!("no key in {line:?}"))?;
        let (key, value) = (key.trim().to_owned(), value.trim());
        let value = if let Some(first) = value.strip_prefix("\"\"\"") {
            let mut whole = vec![first.to_owned()];
            while !whole.last().is_some_and(|last| last.ends_with("\"\"\"")) {
                whole.push(lines.next().ok_or_else(|| format!("{key:?} has no end"))?.to_owned());
            }
            Value::Text(whole.join("\n").trim_end_matches('"').trim().to_owned())
        } else if let Some(list) = value.strip_prefix('[').and_then(|list| list.strip_suffix(']')) {
            read_list(list).ok_or_else(|| format!("{key:?} has a list that can't be read"))?
        } else {
            Value::Text(unquoted(value).ok_or_else(|| format!("{key:?} has a value that can't be read"))?)
        };
        if values.insert(key.clone(), value).is_some() {
            return Err(format!("{key:?} comes twice"));
        }
    }
    Ok(values)
}

fn read_list(list: &str) -> Option<Value> {
    let items = || list.split(',').map(str::trim).filter(|item| !item.is_empty());
    let texts: Option<Vec<String>> = items().map(unquoted).collect();
    let numbers = || items().map(|item| item.parse().ok()).collect::<Option<Vec<f64>>>();
    texts.map(Value::Texts).or_else(|| numbers().map(Value::Numbers))
}

fn unquoted(text: &str) -> Option<String> {
    let inner = text.strip_prefix('"')?.strip_suffix('"')?;
    (!inner.contains(['"', '\\'])).then(|| inner.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = r#"
        # A comment.
        outcome = "no-go"
        covers = ["rest", "load"]
        failed = ["deviation at cell 9 or cell 10", "link"]
        found = []
        untested = []
        first_critical_s = [14.5, 15.4]
        conclude = "It is the lead."
        why = """
        Because of
        this."""
    "#;

    #[test]
    fn a_whole_one_is_read() {
        let expectation = Expectation::parse(GOOD).unwrap();
        assert_eq!(expectation.covers, ["rest", "load"]);
        assert_eq!(expectation.failed[0].places, ["cell 9", "cell 10"]);
        assert_eq!((expectation.failed[1].check.as_str(), expectation.failed[1].places.len()), ("link", 0));
        assert_eq!(expectation.first_critical_s, Some((14.5, 15.4)));
        assert!(expectation.why.starts_with("Because of") && expectation.why.ends_with("this."));
    }

    #[test]
    fn a_slip_is_no_weaker_expectation() {
        for (from, to) in [
            ("failed =", "faild ="),
            ("[14.5, 15.4]", "[15.4, 14.5]"),
            ("first_critical_s", "first_critical"),
            ("[\"rest\", \"load\"]", "[rest, load]"),
            ("\"It is the lead.\"", "It is the lead."),
            ("untested = []", "untested = []\n outcome = \"go\""),
            ("this.\"\"\"", "this."),
        ] {
            assert!(GOOD.contains(from), "{from}");
            assert!(Expectation::parse(&GOOD.replace(from, to)).is_err(), "{from} -> {to}");
        }
        let no_failure = GOOD.replace("[\"deviation at cell 9 or cell 10\", \"link\"]", "[]");
        assert!(Expectation::parse(&no_failure).is_err());
    }
}
