//! The body of a binary frame: how long it is, and what stands in it.

use model::{Raw, Reason};

use crate::numbers::{bits_of, read};
use crate::protocol::{Field, FieldSource, Message, Number, Times};

/// What a frame says of a column.
pub(crate) type Cell = Option<Option<Raw>>;

/// How far a walk through a body came.
pub(crate) enum Walked {
    /// As many bytes will tell, no fewer.
    NeedMore(usize),
    /// So many bytes belong to it.
    Length(usize),
    /// It is none.
    Bad(Reason),
}

/// The length of a body that says itself how long it is, from the bytes there are; at most `most`.
pub(crate) fn measure(message: &Message, bytes: &[u8], most: usize) -> Walked {
    let too_long = |size: usize| Walked::Bad(Reason::SizeNotAllowed { size: size as u64 });
    if message.least == message.most {
        return match message.most {
            size if most < size => too_long(size),
            size if bytes.len() < size => Walked::NeedMore(size),
            size => Walked::Length(size),
        };
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
        let end = at + width * times;
        if most < end {
            return too_long(end);
        }
        if times > 0 && bytes.len() < at + width {
            return Walked::NeedMore(at + width);
        }
        first.push(value(message, field, bytes, at, &first));
        at = end;
    }
    if bytes.len() < at { Walked::NeedMore(at) } else { Walked::Length(at) }
}

/// The values of a message's columns, in their order; `None` for those that this frame does not reach.
///
/// A sound frame can still be none: a fixed value is another, a count reaches too far, the length does not fit.
pub(crate) fn values(message: &Message, body: &[u8]) -> Result<Vec<Cell>, Reason> {
    let bad_size = || Reason::SizeNotAllowed { size: body.len() as u64 };
    let mut cells: Vec<Cell> = vec![None; message.column_count];
    let mut first: Vec<Option<Raw>> = Vec::with_capacity(message.fields.len());
    // Whether the frame reaches each part.
    let mut reached: Vec<bool> = Vec::with_capacity(message.fields.len());
    let mut at = 0;
    let mut over = false;
    for field in &message.fields {
        let width = field.number.width();
        let bad_count = || Reason::BadCount { part: field.name.clone() };
        let stands_in_body = matches!(field.source, FieldSource::Body);
        let here = |part: &usize| reached.get(*part).copied().unwrap_or(false);
        let times = match (&field.source, field.times) {
            (FieldSource::Body, _) if over => None,
            (FieldSource::Body, Times::Fixed(times)) => Some(times),
            // Nothing says how many follow where the body ends in front of the count.
            (FieldSource::Body, Times::Part(part)) if !here(&part) => None,
            (FieldSource::Body, Times::Part(part)) => Some(count(&first, part, field).ok_or_else(bad_count)?),
            (FieldSource::Body, Times::Rest) => {
                let (rest, width) = (body.len().saturating_sub(at), width.max(1));
                if rest % width != 0 || field.places < rest / width {
                    return Err(bad_count());
                }
                Some(rest / width)
            }
            (FieldSource::Of(part), _) => here(part).then_some(1),
            (FieldSource::SumOf(parts), _) => parts.iter().all(here).then_some(1),
            (FieldSource::Column(_) | FieldSource::Labels(_), _) => None,
        };
        let ends = at + width * times.unwrap_or(0);
        if stands_in_body && !over && (times.is_none() || (body.len() < ends && !message.cut_zeros)) {
            if !field.optional {
                return Err(bad_size());
            }
            over = true;
        }
        let Some(times) = times.filter(|_| !(stands_in_body && over)) else {
            first.push(None);
            reached.push(false);
            continue;
        };
        first.push(value(message, field, body, at, &first));
        reached.push(true);
        fill(message, field, body, at, times, &first, &mut cells)?;
        if stands_in_body {
            at = ends;
        }
    }
    if at < body.len() && !message.longer {
        return Err(bad_size());
    }
    Ok(cells)
}

/// Puts the repeats of a part into their columns and holds them against a fixed value.
fn fill(
    message: &Message,
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
    let shift = shift(field, times, first)?;
    for repeat in 0..times {
        let raw = match repeat {
            0 => first.last().copied().flatten(),
            _ => value(message, field, body, at + repeat * field.number.width(), first),
        };
        if field.equals.is_some() && raw.and_then(Raw::int) != field.equals {
            return Err(Reason::WrongConstant { part: field.name.clone() });
        }
        // Bits and sums of what is absent are absent; bytes that are no such number are damage that no checksum saw.
        if raw.is_none() && matches!(field.source, FieldSource::Body) {
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

/// Behind how many columns of the part its first repeat stands, where the frame says it.
pub(crate) fn shift(field: &Field, times: usize, first: &[Option<Raw>]) -> Result<usize, Reason> {
    let Some(from) = field.from else { return Ok(0) };
    let start = first.get(from.part).copied().flatten().and_then(Raw::int);
    let start = start.and_then(|start| i64::try_from(start).ok());
    start
        .and_then(|start| start.checked_mul(from.step)?.checked_add(from.plus)?.checked_sub(from.first_place))
        .and_then(|shift| usize::try_from(shift).ok())
        .filter(|shift| shift.saturating_add(times) <= field.places)
        .ok_or_else(|| Reason::BadCount { part: field.name.clone() })
}

/// The number of a part as it stands, whether or not it means "absent".
pub(crate) fn value(message: &Message, field: &Field, body: &[u8], at: usize, first: &[Option<Raw>]) -> Option<Raw> {
    let raw = match &field.source {
        FieldSource::Of(part) => there(message, *part, first).map(Raw::Int),
        FieldSource::SumOf(parts) => {
            // An absent part adds nothing; where all are, so is the sum.
            let there = parts.iter().filter_map(|part| there(message, *part, first));
            let sum = there.map(Some).reduce(|sum, value| sum?.checked_add(value?)).flatten();
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

/// The number of an earlier part, unless it is one that means "absent".
fn there(message: &Message, part: usize, first: &[Option<Raw>]) -> Option<i128> {
    let value = first.get(part).copied().flatten()?.int()?;
    (!message.fields.get(part)?.absent.contains(&value)).then_some(value)
}

/// How often a part stands there, as an earlier part says; `None` if that is more than the file allows.
pub(crate) fn count(first: &[Option<Raw>], part: usize, field: &Field) -> Option<usize> {
    let count = first.get(part).copied().flatten().and_then(Raw::int)?;
    usize::try_from(count).ok().filter(|count| *count <= field.places)
}

/// The number, unless it is one that means "absent".
pub(crate) fn present(field: &Field, raw: Raw) -> Option<Raw> {
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
