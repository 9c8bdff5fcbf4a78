//! The values of a TOML text with their places.

use std::ops::Range;

use model::Decimal;
use toml::de::{DeTable, DeValue};

/// A value and where it stands.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct At<T> {
    /// What was read.
    pub value: T,
    /// The bytes of the text that it was read from.
    pub span: Range<usize>,
}

impl<T> At<T> {
    /// The same place with another value.
    pub fn map<U>(self, change: impl FnOnce(T) -> U) -> At<U> {
        At { value: change(self.value), span: self.span }
    }
}

/// A TOML value.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Value {
    /// A string.
    Text(String),
    /// An integer; hexadecimal, octal and binary ones too.
    Integer(i64),
    /// A number with a decimal point or an exponent, its digits kept.
    Decimal(Decimal),
    /// True or false.
    Flag(bool),
    /// An array.
    List(Vec<At<Value>>),
    /// A table, in the order of the text.
    Table(Vec<(At<String>, At<Value>)>),
    /// A date or time, an infinite or too large number: nothing that these files use.
    Other(&'static str),
}

impl Value {
    /// What it is, for messages.
    pub fn kind(&self) -> &'static str {
        match self {
            Self::Text(_) => "a text",
            Self::Integer(_) => "an integer",
            Self::Decimal(_) => "a decimal number",
            Self::Flag(true) => "true",
            Self::Flag(false) => "false",
            Self::List(_) => "a list",
            Self::Table(_) => "a table",
            Self::Other(kind) => kind,
        }
    }

    /// The number, if it is one.
    pub fn decimal(&self) -> Option<Decimal> {
        match self {
            Self::Integer(value) => Some(Decimal { digits: *value, exponent: 0 }),
            Self::Decimal(value) => Some(*value),
            _ => None,
        }
    }
}

pub(crate) fn convert_table(table: &DeTable<'_>) -> Vec<(At<String>, At<Value>)> {
    let mut entries: Vec<_> = table
        .iter()
        .map(|(key, value)| (At { value: key.get_ref().to_string(), span: key.span() }, convert(value)))
        .collect();
    entries.sort_by_key(|(key, _)| key.span.start);
    entries
}

fn convert(value: &toml::Spanned<DeValue<'_>>) -> At<Value> {
    let converted = match value.get_ref() {
        DeValue::String(text) => Value::Text(text.to_string()),
        DeValue::Integer(number) => i64::from_str_radix(number.as_str(), number.radix())
            .map_or(Value::Other("a number that does not fit in 64 bits"), Value::Integer),
        DeValue::Float(number) => {
            Decimal::parse(number.as_str()).map_or(Value::Other("a number that is not a plain decimal"), Value::Decimal)
        }
        DeValue::Boolean(flag) => Value::Flag(*flag),
        DeValue::Datetime(_) => Value::Other("a date or time"),
        DeValue::Array(list) => Value::List(list.iter().map(convert).collect()),
        DeValue::Table(table) => Value::Table(convert_table(table)),
    };
    At { value: converted, span: value.span() }
}
