//! Runs the examples of a protocol file.

use std::sync::Arc;

use model::{Batch, Fault, Item, Raw, Reason, SessionTime, format_nanos_exact};

use crate::decoder::Decoder;
use crate::protocol::{Example, Expected, ExpectedNumber, ExpectedValue, Protocol, RejectedBecause};

/// Decodes every example of the file and returns a fault for each value that differs.
///
/// `text` is the text that the protocol was read from. An example decodes alone, in a stream of its own that begins with
/// what the file says to come before it.
pub fn check_examples(protocol: &Arc<Protocol>, text: &str) -> Vec<Fault> {
    let mut faults = Vec::new();
    for example in &protocol.examples {
        let mut decoder = Decoder::new(Arc::clone(protocol));
        if let Some((span, before)) = &example.after {
            decoder.push(SessionTime::ZERO, before);
            let rejected = decoder.take().and_then(|batch| batch.rejected.into_iter().next());
            let why = match rejected {
                Some(first) => format!("bytes {}: {}", first.bytes, first.reason),
                None if decoder.buffered() > 0 => "the last of them is not complete".to_owned(),
                None => String::new(),
            };
            if !why.is_empty() {
                faults.push(Fault::error(
                    text,
                    span.clone(),
                    format!("what comes before the example is no frame: {why}"),
                ));
                continue;
            }
        }
        decoder.push(SessionTime::ZERO, &example.bytes);
        decoder.finish(SessionTime::ZERO);
        let batch = decoder.take().unwrap_or_default();
        check_example(protocol, example, &batch, text, &mut faults);
    }
    faults
}

fn check_example(protocol: &Protocol, example: &Example, batch: &Batch, text: &str, faults: &mut Vec<Fault>) {
    let mut fault = |span: &std::ops::Range<usize>, message: String| {
        faults.push(Fault::error(text, span.clone(), message));
    };
    let rows: Vec<(usize, usize)> = batch
        .order
        .iter()
        .filter_map(|item| match item {
            Item::Row { kind, row } => Some((usize::from(*kind), *row as usize)),
            Item::Rejected(_) => None,
        })
        .collect();
    match &example.expected {
        Expected::Values { message, values } => {
            let name = protocol.messages.get(*message).map_or("", |message| message.name.as_str());
            let [(kind, row)] = rows.as_slice() else {
                let why = match batch.rejected.first() {
                    Some(first) => format!("bytes {}: {}", first.bytes, first.reason),
                    None => format!("{} frames instead of one", rows.len()),
                };
                fault(&example.span, format!("the example is no frame of message {name:?}: {why}"));
                return;
            };
            if kind != message {
                let other = protocol.messages.get(*kind).map_or("", |message| message.name.as_str());
                fault(&example.span, format!("the example decodes to message {other:?}, not {name:?}"));
                return;
            }
            if let Some(first) = batch.rejected.first() {
                fault(&example.span, format!("bytes {} of the example are no frame: {}", first.bytes, first.reason));
            }
            for expected in values {
                if let Some(message) = difference(protocol, *kind, batch, *row, expected) {
                    fault(&expected.span, message);
                }
            }
        }
        Expected::Rejected(because) => {
            if !rows.is_empty() {
                fault(&example.span, "the example is accepted, but must be rejected".to_owned());
            } else if !batch.rejected.iter().any(|rejected| matches(*because, &rejected.reason)) {
                let message = match batch.rejected.first() {
                    Some(first) => format!("the example is rejected for another reason: {}", first.reason),
                    None => "the example has no bytes that could be rejected".to_owned(),
                };
                fault(&example.span, message);
            }
        }
    }
}

fn matches(because: RejectedBecause, reason: &Reason) -> bool {
    match because {
        RejectedBecause::Check => matches!(reason, Reason::CheckFailed { .. }),
        RejectedBecause::Size => matches!(reason, Reason::SizeNotAllowed { .. } | Reason::Cut),
        RejectedBecause::Message => matches!(reason, Reason::UnknownMessage | Reason::UnknownId),
        RejectedBecause::Constant => matches!(reason, Reason::WrongConstant { .. }),
        RejectedBecause::Text => matches!(reason, Reason::BadText { .. }),
        RejectedBecause::Count => matches!(reason, Reason::BadCount { .. }),
        RejectedBecause::Stuffing => matches!(reason, Reason::BadStuffing),
        RejectedBecause::Unpaired => matches!(reason, Reason::Unpaired),
        RejectedBecause::Unverified => matches!(reason, Reason::Unverified),
        RejectedBecause::Skipped => matches!(reason, Reason::Skipped),
    }
}

fn difference(protocol: &Protocol, kind: usize, batch: &Batch, row: usize, expected: &ExpectedValue) -> Option<String> {
    let field = protocol.messages.get(kind)?.fields.get(expected.field)?;
    let index = field.first_column? + expected.repeat;
    let column = batch.kinds.get(kind)?.columns.get(index)?;
    let layout = protocol.layout.kinds.get(kind)?.columns.get(index)?;
    if column.is_carried(row) == (expected.value == ExpectedNumber::LeftOut) {
        let carried = if column.is_carried(row) { "is carried" } else { "is not carried" };
        return Some(format!("{} {carried} by this frame", layout.channel));
    }
    let (same, got) = match expected.value {
        ExpectedNumber::LeftOut => return None,
        ExpectedNumber::Absent => {
            (column.raw(row).is_none(), column.nanos(row, &layout.scale).map(|nanos| format_nanos_exact(nanos, 0)))
        }
        ExpectedNumber::Raw(raw) => {
            let got = column.raw(row).and_then(Raw::int);
            (got == Some(raw), got.map(|got| got.to_string()))
        }
        ExpectedNumber::Nanos(nanos) => {
            let got = column.nanos(row, &layout.scale);
            (got == Some(nanos), got.map(|got| format_nanos_exact(got, 0)))
        }
    };
    if same {
        return None;
    }
    let got = got.map_or("absent".to_owned(), |got| {
        let unit = layout.channel.quantity.dimension().base_unit();
        if matches!(expected.value, ExpectedNumber::Raw(_)) || unit.is_empty() { got } else { format!("{got} {unit}") }
    });
    Some(format!("{} decodes to {got}", layout.channel))
}
