//! The body of a binary frame: how long it is, and what stands in it.

use model::{Raw, Reason};

use crate::numbers::{bits_of, read};
use crate::protocol::{Field, FieldSource, Message, Number, Times};

/// What a frame says of a column.
pub(crate) type Cell = Option<Option<Raw>>;

/// How far a walk through a body came.
pub(crate) enum Walked {
    /// More bytes will tell.
    NeedMore,
    /// So many bytes belong to it.
    Length(usize),
    /// It is none.
    Bad(Reason),
}

/// The length of a body that says itself how long it is, from the bytes there are.
pub(crate) fn measure(message: &Message, bytes: &[u8]) -> Walked {
    if message.least == message.most {
        return if bytes.len() < message.most { Walked::NeedMore } else { Walked::Length(message.most) };
    }
    let mut first = Vec::with_capacity(message.fields.len());
    let mut at = 0;
    for field in &message.fields {
        let width = field.number.width();
        let times = match (&field.source, field.times) {
            (FieldSource::Body, Times::Fixed(times)) => times,
            (FieldSource::Body, Times::Part(part)) => match count(&first, part, field) {
                Some(times) => times,
                None => return Walked::Bad(Reason::BadCount { part: field.name.clone() }),
            },
            (FieldSource::Body, Times::Rest) => return Walked::Bad(Reason::BadCount { part: field.name.clone() }),
            _ => 0,
        };
        if times > 0 && bytes.len() < at + width {
            return Walked::NeedMore;
        }
        first.push(value(field, bytes, at, &first));
        at += width * times;
    }
    if bytes.len() < at { Walked::NeedMore } else { Walked::Length(at) }
}

/// The values of a message's columns, in their order; `None` for those that this frame does not reach.
///
/// A sound frame can still be none: a fixed value is another, a count reaches too far, the length does not fit.
pub(crate) fn values(message: &Message, body: &[u8]) -> Result<Vec<Cell>, Reason> {
    let mut cells: Vec<Cell> = vec![None; message.column_count];
    let mut first: Vec<Option<Raw>> = Vec::with_capacity(message.fields.len());
    let mut at = 0;
    let mut over = false;
    for field in &message.fields {
        let width = field.number.width();
        let times = match (&field.source, field.times) {
            (FieldSource::Body, Times::Fixed(times)) => times,
            (FieldSource::Body, Times::Part(part)) => {
                count(&first, part, field).ok_or_else(|| Reason::BadCount { part: field.name.clone() })?
            }
            (FieldSource::Body, Times::Rest) => {
                let rest = body.len().saturating_sub(at);
                if rest % width.max(1) != 0 || field.places < rest / width.max(1) {
                    return Err(Reason::BadCount { part: field.name.clone() });
                }
                rest / width.max(1)
            }
            _ => 1,
        };
        if matches!(field.source, FieldSource::Body) && body.len() < at + width * times && !message.cut_zeros {
            if !field.optional && !over {
                return Err(Reason::SizeNotAllowed { size: body.len() as u64 });
            }
            over = true;
        }
        if over {
            first.push(None);
            continue;
        }
        first.push(value(field, body, at, &first));
        fill(field, body, at, times, &first, &mut cells)?;
        if matches!(field.source, FieldSource::Body) {
            at += width * times;
        }
    }
    if at < body.len() && !message.longer {
        return Err(Reason::SizeNotAllowed { size: body.len() as u64 });
    }
    Ok(cells)
}

/// Puts the repeats of a part into their columns and holds them against a fixed value.
fn fill(
    field: &Field,
    body: &[u8],
    at: usize,
    times: usize,
    first: &[Option<Raw>],
    cells: &mut [Cell],
) -> Result<(), Reason> {
    if field.first_column.is_none() && field.equals.is_none() {
        return Ok(());
    }
    let shift = match field.from {
        None => 0,
        Some(from) => {
            let start = first.get(from.part).copied().flatten().and_then(Raw::int);
            let start = start.and_then(|start| i64::try_from(start).ok());
            start
                .and_then(|start| start.checked_mul(from.step)?.checked_add(from.plus)?.checked_sub(from.first_place))
                .and_then(|shift| usize::try_from(shift).ok())
                .filter(|shift| shift.saturating_add(times) <= field.places)
                .ok_or_else(|| Reason::BadCount { part: field.name.clone() })?
        }
    };
    for repeat in 0..times {
        let raw = match repeat {
            0 => first.last().copied().flatten(),
            _ => value(field, body, at + repeat * field.number.width(), first),
        };
        if field.equals.is_some() && raw.and_then(Raw::int) != field.equals {
            return Err(Reason::WrongConstant { part: field.name.clone() });
        }
        if raw.is_none() && !matches!(field.source, FieldSource::SumOf(_)) {
            return Err(Reason::BadText { part: field.name.clone() });
        }
        if let Some(column) = field.first_column
            && let Some(cell) = cells.get_mut(column + shift + repeat)
        {
            *cell = Some(raw.and_then(|raw| present(field, raw)));
        }
    }
    Ok(())
}

/// The number of a part as it stands, whether or not it means "absent".
fn value(field: &Field, body: &[u8], at: usize, first: &[Option<Raw>]) -> Option<Raw> {
    let raw = match &field.source {
        FieldSource::Of(part) => first.get(*part).copied().flatten(),
        FieldSource::SumOf(parts) => {
            let mut sum = None;
            for part in parts {
                if let Some(Raw::Int(value)) = first.get(*part).copied().flatten()
                    && !field.absent.contains(&value)
                {
                    sum = Some(sum.unwrap_or(0) + value);
                }
            }
            return sum.map(Raw::Int);
        }
        FieldSource::Body | FieldSource::Column(_) | FieldSource::Labels(_) => read(field.number, body, at),
    };
    let signed = matches!(field.number, Number::Int { signed: true, .. });
    match (raw, field.bits) {
        (Some(Raw::Int(word)), Some(bits)) => Some(Raw::Int(bits_of(word, bits, signed))),
        _ => raw,
    }
}

/// How often a part stands there, as an earlier part says; `None` if that is more than the file allows.
fn count(first: &[Option<Raw>], part: usize, field: &Field) -> Option<usize> {
    let count = first.get(part).copied().flatten().and_then(Raw::int)?;
    usize::try_from(count).ok().filter(|count| *count <= field.places)
}

/// The number, unless it is one that means "absent".
fn present(field: &Field, raw: Raw) -> Option<Raw> {
    match raw {
        Raw::Int(value) if field.absent.contains(&value) && !matches!(field.source, FieldSource::SumOf(_)) => None,
        Raw::Float(value) => {
            let marked = field.absent.iter().any(|absent| {
                #[expect(
                    clippy::cast_precision_loss,
                    clippy::float_cmp,
                    reason = "a marker is the exact number as sent"
                )]
                let equal = value == *absent as f64;
                equal
            });
            (value.is_finite() && !marked).then_some(raw)
        }
        Raw::Int(_) => Some(raw),
    }
}
