//! Reading a table against the list of its keys.

use std::cell::RefCell;
use std::ops::Range;

use model::{Amount, Decimal, Dimension, Fault, Unit, closest};
use toml::de::DeTable;

use crate::depth::too_deep;
use crate::value::{At, Value, convert_table};

/// What a table may hold.
#[derive(Debug)]
pub struct TableSpec {
    /// What the table is, in one sentence.
    pub doc: &'static str,
    /// Its keys. Empty: any key is allowed.
    pub keys: &'static [Key],
}

/// One key of a table.
#[derive(Debug)]
pub struct Key {
    /// As files write it.
    pub name: &'static str,
    /// What its value is.
    pub kind: Kind,
    /// Whether it must be there.
    pub required: bool,
    /// What it says, in one sentence.
    pub doc: &'static str,
}

impl Key {
    /// A key that must be there.
    pub const fn required(name: &'static str, kind: Kind, doc: &'static str) -> Self {
        Self { name, kind, required: true, doc }
    }

    /// A key that may be left out.
    pub const fn optional(name: &'static str, kind: Kind, doc: &'static str) -> Self {
        Self { name, kind, required: false, doc }
    }
}

/// What a value is.
#[derive(Debug)]
pub enum Kind {
    /// A string.
    Text,
    /// An integer.
    Integer,
    /// An integer, or a list of them.
    Integers,
    /// A number with its digits.
    Decimal,
    /// True or false.
    Flag,
    /// A string with a number and a unit of this dimension.
    Amount(Dimension),
    /// A string of hexadecimal bytes.
    Hex,
    /// One of these words.
    Choice(&'static [&'static str]),
    /// A list of texts.
    Texts,
    /// A table with these keys.
    Table(&'static TableSpec),
    /// A list of tables with these keys.
    Tables(&'static TableSpec),
    /// Several forms are possible; the doc says which.
    Any,
}

/// A table being read. Faults collect while it is read; nothing stops at the first.
#[derive(Clone, Copy)]
pub struct Table<'t> {
    text: &'t str,
    faults: &'t RefCell<Vec<Fault>>,
    entries: &'t [(At<String>, At<Value>)],
    spec: &'static TableSpec,
    start: usize,
    end: usize,
}

/// A file that a person wrote is not longer than this, in bytes; what is beyond it is not read.
pub(crate) const LONGEST_TEXT: usize = 1 << 20;

/// Errors listed in one run. Each costs a look through the text, and nobody reads more.
const MOST_ERRORS: usize = 200;

/// Reads `text` as a table of `spec` and returns what `build` made of it with every fault found, in the order of the text.
///
/// Where the text is no TOML at all, `build` still sees what could be read. Of a text of more than 1 MiB it sees nothing,
/// and that is the only fault; so too where brackets lie more than 16 deep in each other, or a key has more dots. After 200 faults the rest is left out, and the last one says so.
pub fn read<T>(text: &str, spec: &'static TableSpec, build: impl FnOnce(Table<'_>) -> T) -> (T, Vec<Fault>) {
    let first_line = text.find('\n').unwrap_or(text.len());
    let faults = RefCell::new(Vec::new());
    let refused = if LONGEST_TEXT < text.len() {
        Some(Fault::error(text, 0..first_line, "the file is longer than 1 MiB").hint("is this the right file?"))
    } else {
        too_deep(text).map(|(at, message, hint)| Fault::error(text, at..at + 1, message).hint(hint))
    };
    if let Some(fault) = refused {
        let built = build(Table { text: "", faults: &faults, entries: &[], spec, start: 0, end: 0 });
        return (built, vec![fault]);
    }
    let (root, errors) = DeTable::parse_recoverable(text);
    let entries = convert_table(root.get_ref());
    let built = {
        let table = Table { text, faults: &faults, entries: &entries, spec, start: 0, end: first_line };
        for error in errors {
            if table.is_full() {
                break;
            }
            table.fault(&error.span().unwrap_or(0..0), format!("not valid TOML: {}", error.message()));
        }
        table.check_keys();
        build(table)
    };
    let mut faults = faults.into_inner();
    let full = MOST_ERRORS <= faults.len();
    faults.sort_by_key(|fault| (fault.span.start, fault.span.end));
    faults.dedup();
    if full {
        let end = faults.last().map_or(0..0, |last| last.span.clone());
        faults.push(Fault::error(text, end, "there are more faults than are listed here"));
    }
    (built, faults)
}

impl<'t> Table<'t> {
    fn nested(self, entries: &'t [(At<String>, At<Value>)], span: &Range<usize>, spec: &'static TableSpec) -> Self {
        let table = Self { entries, spec, start: span.start, end: span.end, ..self };
        table.check_keys();
        table
    }

    fn check_keys(self) {
        if self.spec.keys.is_empty() {
            return;
        }
        for (key, _) in self.entries {
            if self.is_full() {
                return;
            }
            if !self.spec.keys.iter().any(|known| known.name == key.value) {
                let names = self.spec.keys.iter().map(|known| known.name);
                let hint = match closest(&key.value, names.clone()) {
                    Some(name) => format!("did you mean {name:?}?"),
                    None => format!("{} has: {}", self.spec.doc, names.collect::<Vec<_>>().join(", ")),
                };
                self.fault_hint(&key.span, format!("unknown key {:?}", key.value), hint);
            }
        }
        for known in self.spec.keys.iter().filter(|known| known.required) {
            if self.entry(known.name).is_none() {
                self.fault_hint(
                    &self.span(),
                    format!("{} needs the key {:?}", self.spec.doc, known.name),
                    format!("{}: {}", known.name, known.doc),
                );
            }
        }
    }

    /// Whether so many faults were found that no more are kept: a loop whose every round may add one can end.
    pub fn is_full(self) -> bool {
        MOST_ERRORS <= self.faults.borrow().len()
    }

    fn add(self, span: &Range<usize>, message: String, change: impl FnOnce(Fault) -> Fault) {
        if !self.is_full() {
            self.faults.borrow_mut().push(change(Fault::error(self.text, span.clone(), message)));
        }
    }

    /// Adds an error at `span`.
    pub fn fault(self, span: &Range<usize>, message: impl Into<String>) {
        self.add(span, message.into(), |fault| fault);
    }

    /// Adds an error at `span` with a suggestion.
    pub fn fault_hint(self, span: &Range<usize>, message: impl Into<String>, hint: impl Into<String>) {
        self.add(span, message.into(), |fault| fault.hint(hint));
    }

    /// Adds a warning at `span` with a suggestion.
    pub fn warning(self, span: &Range<usize>, message: impl Into<String>, hint: impl Into<String>) {
        self.add(span, message.into(), |fault| fault.hint(hint).warning());
    }

    /// Where the table stands: its header, or all of a table in braces.
    pub fn span(self) -> Range<usize> {
        self.start..self.end
    }

    /// Where the value of a key stands, or the table where there is none.
    pub fn span_of(self, key: &str) -> Range<usize> {
        self.entry(key).map_or_else(|| self.span(), |value| value.span.clone())
    }

    /// Whether the key is there.
    pub fn has(self, key: &str) -> bool {
        self.entry(key).is_some()
    }

    /// All entries, for tables whose keys are free.
    pub fn entries(self) -> &'t [(At<String>, At<Value>)] {
        self.entries
    }

    /// The value of a key as it stands.
    pub fn entry(self, key: &str) -> Option<&'t At<Value>> {
        debug_assert!(
            self.spec.keys.is_empty() || self.spec.keys.iter().any(|known| known.name == key),
            "the key {key:?} is read but not listed"
        );
        self.entries.iter().find(|(name, _)| name.value == key).map(|(_, value)| value)
    }

    fn wrong_kind(self, key: &str, value: &At<Value>, expected: &str, example: &str) {
        // Where the text is no TOML there is a value without a text, and a fault for it already.
        if value.span.is_empty() {
            return;
        }
        let message = format!("{key:?} is {}, expected {expected}", value.value.kind());
        self.fault_hint(&value.span, message, format!("write for example {key} = {example}"));
    }

    /// A string.
    pub fn text(self, key: &str) -> Option<At<&'t str>> {
        let value = self.entry(key)?;
        if let Value::Text(text) = &value.value {
            return Some(At { value: text, span: value.span.clone() });
        }
        self.wrong_kind(key, value, "a text in quotes", "\"...\"");
        None
    }

    /// A list of strings.
    pub fn texts(self, key: &str) -> Option<Vec<At<&'t str>>> {
        let value = self.entry(key)?;
        let Value::List(list) = &value.value else {
            self.wrong_kind(key, value, "a list of texts", "[\"...\", \"...\"]");
            return None;
        };
        let mut texts = Vec::new();
        for item in list {
            match &item.value {
                Value::Text(text) => texts.push(At { value: text.as_str(), span: item.span.clone() }),
                _ => self.wrong_kind(key, item, "a text in quotes", "[\"...\"]"),
            }
        }
        Some(texts)
    }

    /// An integer inside `range`.
    pub fn integer(self, key: &str, range: std::ops::RangeInclusive<i64>) -> Option<At<i64>> {
        let value = self.entry(key)?;
        let Value::Integer(number) = value.value else {
            self.wrong_kind(key, value, "a whole number", "1");
            return None;
        };
        if !range.contains(&number) {
            let allowed = format!("{} to {}", range.start(), range.end());
            self.fault_hint(&value.span, format!("{key:?} is out of range"), format!("allowed is {allowed}"));
            return None;
        }
        Some(At { value: number, span: value.span.clone() })
    }

    /// An integer or a list of integers.
    pub fn integers(self, key: &str) -> Option<Vec<i64>> {
        let value = self.entry(key)?;
        let items = match &value.value {
            Value::List(list) => list.as_slice(),
            _ => std::slice::from_ref(value),
        };
        let mut numbers = Vec::new();
        for item in items {
            match item.value {
                Value::Integer(number) => numbers.push(number),
                _ => self.wrong_kind(key, item, "a whole number or a list of them", "[0, 65535]"),
            }
        }
        Some(numbers)
    }

    /// A number with its digits.
    pub fn decimal(self, key: &str) -> Option<At<Decimal>> {
        let value = self.entry(key)?;
        let number = value.value.decimal();
        if number.is_none() {
            self.wrong_kind(key, value, "a number", "0.1");
        }
        number.map(|number| At { value: number, span: value.span.clone() })
    }

    /// True or false.
    pub fn flag(self, key: &str) -> Option<bool> {
        let value = self.entry(key)?;
        if let Value::Flag(flag) = value.value {
            return Some(flag);
        }
        self.wrong_kind(key, value, "true or false", "true");
        None
    }

    /// A text with a number and a unit of this dimension.
    pub fn amount(self, key: &str, dimension: Dimension) -> Option<At<Amount>> {
        let text = self.text_of_amount(key, dimension)?;
        self.parse_amount(&text, dimension).map(|amount| At { value: amount, span: text.span })
    }

    /// A length of time of zero or more.
    pub fn duration(self, key: &str) -> Option<std::time::Duration> {
        let amount = self.amount(key, Dimension::Time)?;
        let length = amount.value.duration();
        if length.is_none() {
            self.fault_hint(&amount.span, format!("{key:?} can't be negative"), "write a time of zero or more");
        }
        length
    }

    fn text_of_amount(self, key: &str, dimension: Dimension) -> Option<At<&'t str>> {
        let value = self.entry(key)?;
        match &value.value {
            Value::Text(text) => Some(At { value: text, span: value.span.clone() }),
            _ => {
                self.wrong_kind(key, value, "a text with its unit", dimension.example());
                None
            }
        }
    }

    /// Reads an amount and says what is wrong with it.
    pub fn parse_amount(self, text: &At<&str>, dimension: Dimension) -> Option<Amount> {
        match Amount::parse(text.value) {
            Ok(amount) if amount.dimension == dimension => Some(amount),
            Ok(amount) => {
                let message = format!("this is a {}, expected a {}", amount.dimension.name(), dimension.name());
                self.fault_hint(&text.span, message, format!("write for example {}", dimension.example()));
                None
            }
            Err(error) => {
                let hint = match &error {
                    model::AmountError::UnknownUnit(unit) => match closest_unit(unit, dimension) {
                        Some(near) => format!("did you mean {near:?}?"),
                        None => format!("write for example {}", dimension.example()),
                    },
                    _ => format!("write for example {}", dimension.example()),
                };
                self.fault_hint(&text.span, format!("not a {}: {error}", dimension.name()), hint);
                None
            }
        }
    }

    /// Bytes written in hexadecimal, with or without spaces: `"AA 55"`.
    pub fn hex(self, key: &str) -> Option<At<Vec<u8>>> {
        let text = self.text(key)?;
        match parse_hex(text.value) {
            Ok(bytes) => Some(At { value: bytes, span: text.span }),
            Err(message) => {
                self.fault_hint(&text.span, message, "write for example \"AA 55\"");
                None
            }
        }
    }

    /// One word of a list, or a fault that names the list.
    pub fn choice<T: Copy>(self, key: &str, words: &[(&str, T)]) -> Option<At<T>> {
        let text = self.text(key)?;
        self.pick(&text, key, words).map(|value| At { value, span: text.span })
    }

    /// Looks up a word that was read already.
    pub fn pick<T: Copy>(self, word: &At<&str>, what: &str, words: &[(&str, T)]) -> Option<T> {
        if let Some((_, value)) = words.iter().find(|(name, _)| *name == word.value) {
            return Some(*value);
        }
        let names = || words.iter().map(|(name, _)| *name);
        let hint = match closest(word.value, names()) {
            Some(name) => format!("did you mean {name:?}?"),
            None => format!("{what} is one of: {}", names().collect::<Vec<_>>().join(", ")),
        };
        self.fault_hint(&word.span, format!("{what} can't be {:?}", word.value), hint);
        None
    }

    /// A table.
    pub fn table(self, key: &str, spec: &'static TableSpec) -> Option<Table<'t>> {
        let value = self.entry(key)?;
        self.as_table(key, value, spec)
    }

    /// A value that must be a table.
    pub fn as_table(self, key: &str, value: &'t At<Value>, spec: &'static TableSpec) -> Option<Table<'t>> {
        if let Value::Table(entries) = &value.value {
            return Some(self.nested(entries, &value.span, spec));
        }
        self.wrong_kind(key, value, "a table", "{ ... }");
        None
    }

    /// A list of tables; empty where the key is not there.
    pub fn tables(self, key: &str, spec: &'static TableSpec) -> Vec<Table<'t>> {
        let Some(value) = self.entry(key) else { return Vec::new() };
        let Value::List(list) = &value.value else {
            self.wrong_kind(key, value, "a list of tables", "[{ ... }]");
            return Vec::new();
        };
        list.iter().filter_map(|item| self.as_table(key, item, spec)).collect()
    }
}

/// The unit of this dimension that is most like `word`, if any is near enough to be a slip.
pub fn closest_unit(word: &str, dimension: Dimension) -> Option<&'static str> {
    let near = |symbol: &&'static str| {
        let fits = Unit::parse(symbol).is_some_and(|unit| unit.dimension == dimension);
        // Each word of two letters is near to each of one.
        fits && (1 < symbol.chars().count() || symbol.eq_ignore_ascii_case(word))
    };
    closest(word, Unit::symbols().filter(near))
}

/// Bytes from hexadecimal text; spaces, commas and line ends between bytes are allowed.
fn parse_hex(text: &str) -> Result<Vec<u8>, String> {
    let mut bytes = Vec::new();
    for word in text.split(|c: char| c.is_whitespace() || c == ',').filter(|word| !word.is_empty()) {
        let word = word.strip_prefix("0x").unwrap_or(word);
        if let Some(odd) = word.chars().find(|c| !c.is_ascii_hexdigit()) {
            return Err(format!("{odd:?} is no hexadecimal digit"));
        }
        if !word.len().is_multiple_of(2) {
            return Err(format!("{word:?} has an odd number of hexadecimal digits"));
        }
        for pair in word.as_bytes().chunks(2) {
            let value = pair.iter().fold(0_u32, |sum, c| sum * 16 + char::from(*c).to_digit(16).unwrap_or(0));
            bytes.push(u8::try_from(value).unwrap_or(0));
        }
    }
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    static INNER: TableSpec =
        TableSpec { doc: "a wheel", keys: &[Key::required("size", Kind::Amount(Dimension::Voltage), "how big it is")] };
    static SPEC: TableSpec = TableSpec {
        doc: "a cart",
        keys: &[
            Key::required("name", Kind::Text, "what it is called"),
            Key::optional("load", Kind::Decimal, "how much"),
            Key::optional("start", Kind::Hex, "the first bytes"),
            Key::optional("wheels", Kind::Tables(&INNER), "its wheels"),
        ],
    };

    #[test]
    fn every_fault_is_found_in_one_run() {
        let text = "nam = 'x'\nload = 'much'\nstart = 'AA 5'\n[[wheels]]\nsize = '4.2 v'\n[[wheels]]\nsize = '3 A'\n";
        let ((), faults) = read(text, &SPEC, |cart| {
            assert!(cart.text("name").is_none());
            assert!(cart.decimal("load").is_none());
            assert!(cart.hex("start").is_none());
            for wheel in cart.tables("wheels", &INNER) {
                assert!(wheel.amount("size", Dimension::Voltage).is_none());
            }
        });
        let seen: Vec<_> = faults.iter().map(ToString::to_string).collect();
        assert_eq!(
            seen,
            [
                "1:1: unknown key \"nam\" (hint: did you mean \"name\"?)",
                "1:1: a cart needs the key \"name\" (hint: name: what it is called)",
                "2:8: \"load\" is a text, expected a number (hint: write for example load = 0.1)",
                "3:9: \"5\" has an odd number of hexadecimal digits (hint: write for example \"AA 55\")",
                "5:8: not a voltage: unknown unit \"v\" (hint: did you mean \"V\"?)",
                "7:8: this is a current, expected a voltage (hint: write for example \"4.20 V\")",
            ]
        );
    }

    #[test]
    fn broken_toml_is_a_fault_with_a_place() {
        let ((), faults) = read("name = 'x'\nload = = 3\n", &SPEC, |_| ());
        assert_eq!(faults.first().map(|fault| fault.line), Some(2), "{faults:?}");
        assert!(faults.iter().any(|fault| fault.message.starts_with("not valid TOML")));
    }

    #[test]
    fn digits_are_kept() {
        let (load, faults) = read("name = 'x'\nload = 0.1", &SPEC, |cart| cart.decimal("load").map(|at| at.value));
        assert_eq!((load, faults.len()), (Some(Decimal { digits: 1, exponent: -1 }), 0));
    }
}
