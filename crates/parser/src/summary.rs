//! What a message holds, part by part, for people.

use std::ops::Range;

use crate::protocol::{Field, FieldSource, Number, Protocol, Times};

/// One part of a message as a person reads it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct PartSummary {
    /// Its name in the protocol file.
    pub name: String,
    /// How it is encoded, in the words of the file.
    pub encoding: String,
    /// Its columns among `KindLayout::columns`; empty where the part is passed over.
    pub columns: Range<usize>,
    /// Whether it is a number sent as a float, whose step is not known.
    pub is_float: bool,
}

impl Protocol {
    /// The parts of a message kind (an index into `layout().kinds`), in file order; empty for an unknown kind.
    pub fn parts(&self, kind: usize) -> Vec<PartSummary> {
        self.messages.get(kind).map_or_else(Vec::new, |message| {
            message.fields.iter().map(|field| summary(field, &message.fields)).collect()
        })
    }
}

fn summary(field: &Field, all: &[Field]) -> PartSummary {
    let name_of = |index: usize| all.get(index).map_or("", |field| field.name.as_str());
    let mut encoding = match &field.source {
        FieldSource::SumOf(parts) => {
            format!("sum of {}", parts.iter().map(|part| name_of(*part)).collect::<Vec<_>>().join(" and "))
        }
        FieldSource::Of(part) => format!("of {}", name_of(*part)),
        FieldSource::Body | FieldSource::Column(_) | FieldSource::Labels(_) => number(field.number),
    };
    if let Some((low, count)) = field.bits {
        encoding.push_str(&format!(", bits {low} to {}", low + count.saturating_sub(1)));
    }
    match field.times {
        Times::Fixed(1) => {}
        Times::Fixed(times) => encoding.push_str(&format!(", {times} times")),
        Times::Part(part) => encoding.push_str(&format!(", as many as {} says", name_of(part))),
        Times::Rest => encoding.push_str(", to the end"),
    }
    if let Some(equals) = field.equals {
        encoding.push_str(&format!(", always {equals}"));
    }
    if field.optional {
        encoding.push_str(", optional");
    }
    let first = field.first_column.unwrap_or(0);
    PartSummary {
        name: field.name.clone(),
        encoding,
        columns: first..first + if field.first_column.is_some() { field.places } else { 0 },
        is_float: matches!(field.number, Number::Float { .. }),
    }
}

fn number(number: Number) -> String {
    let order = |big: bool| if big { " be" } else { " le" };
    match number {
        Number::Int { bytes, signed, big } => {
            let order = if bytes == 1 { "" } else { order(big) };
            format!("{}{}{order}", if signed { "i" } else { "u" }, u32::from(bytes) * 8)
        }
        Number::Float { bytes, big } => format!("f{}{}", u32::from(bytes) * 8, order(big)),
        Number::Bcd { bytes, big } => format!("bcd {}{}", u32::from(bytes) * 2, order(big)),
        Number::Characters { bytes } => format!("digits {bytes}"),
        Number::HexCharacters { bytes } => format!("hex {bytes}"),
        Number::Digits { .. } => "number".to_owned(),
        Number::HexDigits => "hex".to_owned(),
        Number::Word => "text".to_owned(),
    }
}
