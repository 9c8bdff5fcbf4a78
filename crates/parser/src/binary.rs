//! Frames of bytes: where one lies, and what stands in it.

use model::{Raw, Reason};

use crate::protocol::{BinaryFrame, Field, FieldSource, Frame, IdValue, Message, Number, Protocol};

/// What a place in the stream holds, as far as one frame is concerned.
///
/// It depends only on the bytes from that place on: with more of them it never changes from anything but `NeedMore`.
pub(crate) enum Found {
    /// Such a frame does not begin here.
    NoStart,
    /// It may begin here; more bytes will tell.
    NeedMore,
    /// It seemed to begin here.
    Refused { length: usize, reason: Reason },
    /// It lies here; without a message its id is not known.
    Sound { length: usize, message: Option<usize> },
}

pub(crate) fn find(protocol: &Protocol, frame: &Frame, shape: &BinaryFrame, bytes: &[u8]) -> Found {
    let seen = bytes.len().min(shape.start.len());
    if bytes.get(..seen) != shape.start.get(..seen) {
        return Found::NoStart;
    }
    let Some(header) = bytes.get(..shape.header) else { return Found::NeedMore };
    // Without start bytes every place is tried: what does not fit there is then no sign of damage.
    let refused = |length: usize, reason: Reason| {
        if shape.start.is_empty() { Found::NoStart } else { Found::Refused { length, reason } }
    };
    for (part, value) in &shape.constants {
        let at = part.place.resolve(shape.header, 0);
        if at + part.number.width() <= shape.header && read(part.number, header, at).int() != Some(*value) {
            return refused(shape.header, Reason::WrongConstant { part: part.name.clone() });
        }
    }
    let claimed = match &shape.size {
        Some(size) => {
            let at = size.part.place.resolve(shape.header, 0);
            let value = read(size.part.number, header, at).int().unwrap_or(0);
            let body = value.checked_sub(size.plus as i128).and_then(|body| usize::try_from(body).ok());
            let most = frame.longest.saturating_sub(shape.header + shape.trailer);
            match body.filter(|body| *body <= most) {
                Some(body) => Some(body),
                None => {
                    let size = u64::try_from(value).unwrap_or(0);
                    return refused(shape.header, Reason::SizeNotAllowed { size });
                }
            }
        }
        None => None,
    };

    let mut known_id = false;
    let mut chosen = None;
    for index in &frame.messages {
        let Some(message) = protocol.messages.get(*index) else { continue };
        if !ids_match(shape, message, header) {
            continue;
        }
        known_id = true;
        if claimed.is_none_or(|claimed| claimed == message.body) {
            chosen = Some((*index, message.body));
            break;
        }
    }
    let (message, body) = match (chosen, claimed) {
        (Some((index, body)), _) => (Some(index), body),
        (None, Some(claimed)) if known_id => {
            let size = (claimed + shape.header + shape.trailer) as u64;
            return refused(shape.header, Reason::SizeNotAllowed { size });
        }
        // An id that no message has: such a frame is passed over as a whole, if its checksum says that it is one.
        (None, Some(claimed)) if shape.check.is_some() => (None, claimed),
        (None, _) => return refused(shape.header, Reason::UnknownId),
    };

    let length = shape.header + body + shape.trailer;
    let Some(whole) = bytes.get(..length) else { return Found::NeedMore };
    for (part, value) in &shape.constants {
        let at = part.place.resolve(shape.header, body);
        if read(part.number, whole, at).int() != Some(*value) {
            return refused(length, Reason::WrongConstant { part: part.name.clone() });
        }
    }
    if let Some(check) = &shape.check {
        let covered = check.first.resolve(shape.header, body)..check.end.resolve(shape.header, body);
        let computed = check.checksum.compute(whole.get(covered).unwrap_or(&[]));
        let at = check.part.place.resolve(shape.header, body);
        let received = read(check.part.number, whole, at).int().and_then(|value| u64::try_from(value).ok());
        if received != Some(computed) {
            return refused(length, Reason::CheckFailed { computed, received: received.unwrap_or(0) });
        }
    }
    Found::Sound { length, message }
}

fn ids_match(shape: &BinaryFrame, message: &Message, header: &[u8]) -> bool {
    shape.ids.iter().all(|part| {
        let Some((_, wanted)) = message.ids.iter().find(|(name, _)| *name == part.name) else { return true };
        let value = read(part.number, header, part.place.resolve(shape.header, 0)).int();
        match wanted {
            IdValue::Number(wanted) => value == Some(*wanted),
            IdValue::Word(_) => false,
        }
    })
}

/// The values of a message's columns, in their order.
pub(crate) fn values(message: &Message, shape: &BinaryFrame, frame: &[u8]) -> Result<Vec<Option<Raw>>, Reason> {
    let body = frame.get(shape.header..shape.header + message.body).unwrap_or(&[]);
    let mut values = Vec::with_capacity(message.column_count);
    for field in &message.fields {
        let FieldSource::Body(offset) = field.source else { continue };
        if field.first_column.is_none() && field.equals.is_none() {
            continue;
        }
        for repeat in 0..field.times {
            let raw = read(field.number, body, offset + repeat * field.number.width());
            if field.equals.is_some() && raw.int() != field.equals {
                return Err(Reason::WrongConstant { part: field.name.clone() });
            }
            if field.first_column.is_some() {
                values.push(present(field, raw));
            }
        }
    }
    Ok(values)
}

/// The number, unless it is one that means "absent".
fn present(field: &Field, raw: Raw) -> Option<Raw> {
    match raw {
        Raw::Int(value) if field.absent.contains(&value) => None,
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

/// Reads a number; bytes that are not there count as zero (the caller has checked the length).
fn read(number: Number, bytes: &[u8], at: usize) -> Raw {
    let width = number.width();
    let mut whole: u64 = 0;
    let slice = bytes.get(at..at + width).unwrap_or(&[]);
    let (big, signed) = match number {
        Number::Int { signed, big, .. } => (big, signed),
        Number::Float { big, .. } => (big, false),
        Number::Digits { .. } | Number::HexDigits | Number::Word => (false, false),
    };
    if big {
        for byte in slice {
            whole = whole << 8 | u64::from(*byte);
        }
    } else {
        for byte in slice.iter().rev() {
            whole = whole << 8 | u64::from(*byte);
        }
    }
    match number {
        Number::Float { bytes: 4, .. } => Raw::Float(f32::from_bits(u32::try_from(whole).unwrap_or(0)).into()),
        Number::Float { .. } => Raw::Float(f64::from_bits(whole)),
        _ if signed && width > 0 => {
            let unused = 64 - 8 * u32::try_from(width).unwrap_or(8);
            Raw::Int(((whole << unused).cast_signed() >> unused).into())
        }
        _ => Raw::Int(whole.into()),
    }
}
