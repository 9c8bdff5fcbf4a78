//! A fault in a text that a person wrote, with its place.

use std::fmt;
use std::ops::Range;

/// How bad a fault is.
#[derive(Clone, Copy, PartialEq, Eq, Debug, PartialOrd, Ord)]
pub enum Level {
    /// The file can't be used.
    Error,
    /// The file can be used, but probably does not mean what was meant.
    Warning,
}

/// One fault of a text file: where, what, and what to do.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Fault {
    /// How bad it is.
    pub level: Level,
    /// The bytes of the text that are wrong.
    pub span: Range<usize>,
    /// Counted from 1.
    pub line: usize,
    /// Counted from 1, in characters.
    pub column: usize,
    /// The offending text.
    pub found: String,
    /// What is wrong: a lower-case fragment without a final stop.
    pub message: String,
    /// What to write instead.
    pub hint: Option<String>,
}

impl Fault {
    /// An error at `span` of `text`.
    pub fn error(text: &str, span: Range<usize>, message: impl Into<String>) -> Self {
        let start = floor(text, span.start.min(text.len()));
        let end = floor(text, span.end.clamp(start, text.len()));
        let before = text.get(..start).unwrap_or("");
        let line = before.matches('\n').count() + 1;
        let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
        let found: String = text.get(start..end).unwrap_or("").lines().next().unwrap_or("").chars().take(80).collect();
        Self { level: Level::Error, span: start..end, line, column, found, message: message.into(), hint: None }
    }

    /// The same with a suggestion.
    #[must_use]
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }

    /// The same as a warning.
    #[must_use]
    pub fn warning(mut self) -> Self {
        self.level = Level::Warning;
        self
    }
}

fn floor(text: &str, mut at: usize) -> usize {
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}: {}", self.line, self.column, self.message)?;
        if let Some(hint) = &self.hint {
            write!(f, " (hint: {hint})")?;
        }
        Ok(())
    }
}

/// The word of `known` that is most like `word`, if any is near enough to be a slip.
pub fn closest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let lower = word.to_lowercase();
    known
        .into_iter()
        .map(|candidate| (distance(&lower, &candidate.to_lowercase()), candidate))
        .filter(|(steps, candidate)| *steps <= 1 + candidate.chars().count().max(lower.chars().count()) / 4)
        .min_by_key(|(steps, _)| *steps)
        .map(|(_, candidate)| candidate)
}

/// Edits (insert, delete, replace, swap of neighbours) from one word to the other; words are cut at 64 characters.
fn distance(a: &str, b: &str) -> usize {
    let a: Vec<char> = a.chars().take(64).collect();
    let b: Vec<char> = b.chars().take(64).collect();
    let mut rows: Vec<Vec<usize>> = vec![(0..=b.len()).collect()];
    for (i, from) in a.iter().enumerate() {
        let mut row = vec![i + 1];
        for (j, to) in b.iter().enumerate() {
            let replace = rows[i][j] + usize::from(from != to);
            let mut best = replace.min(rows[i][j + 1] + 1).min(row[j] + 1);
            if i > 0 && j > 0 && *from == b[j - 1] && a[i - 1] == *to {
                best = best.min(rows[i - 1][j - 1] + 1);
            }
            row.push(best);
        }
        rows.push(row);
    }
    rows.last().and_then(|row| row.last()).copied().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fault_names_its_place() {
        let text = "one\n  tßo = 3\n";
        let start = text.find("tßo").expect("there");
        let fault = Fault::error(text, start..start + 4, "unknown key").hint("did you mean \"two\"?");
        assert_eq!((fault.line, fault.column, fault.found.as_str()), (2, 3, "tßo"));
        assert_eq!(fault.to_string(), "2:3: unknown key (hint: did you mean \"two\"?)");
    }

    #[test]
    fn a_span_outside_the_text_does_not_panic() {
        let fault = Fault::error("ß", 1..900, "odd");
        assert_eq!((fault.line, fault.column), (1, 1));
    }

    #[test]
    fn suggestions_are_near() {
        assert_eq!(closest("chanel", ["channel", "check"]), Some("channel"));
        assert_eq!(closest("CRC-16/MODBUSS", ["CRC-16/MODBUS", "CRC-16/USB"]), Some("CRC-16/MODBUS"));
        assert_eq!(closest("banana", ["channel", "check"]), None);
    }
}
