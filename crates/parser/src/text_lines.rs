//! Lines of text: where one lies, and what stands in it.

use model::{Raw, Reason};

use crate::binary::{Context, Found};
use crate::body::{Cell, count, shift};
use crate::look::keep_telling;
use crate::protocol::{Field, FieldSource, Frame, IdValue, Message, Number, TextFrame, Times};

/// A line taken apart.
pub(crate) struct Line<'b> {
    /// Between the start and the mark of the checksum.
    pub(crate) content: &'b [u8],
    /// The digits of the checksum; `None` where the frame has none.
    pub(crate) check: Option<&'b [u8]>,
}

pub(crate) fn find(context: Context<'_>, frame: &Frame, shape: &TextFrame, bytes: &[u8], line_begins: bool) -> Found {
    let seen = bytes.len().min(shape.start.len());
    if bytes.get(..seen) != shape.start.get(..seen) || (shape.start.is_empty() && !line_begins) {
        return Found::NoStart;
    }
    let end = match line_end(shape, bytes.get(..frame.longest).unwrap_or(bytes)) {
        LineEnd::At(end) => end,
        LineEnd::StartAt(length) => return Found::Refused { length, reason: Reason::Cut },
        LineEnd::None if bytes.len() < frame.longest => return Found::NeedMore(bytes.len() + 1),
        LineEnd::None => {
            let length = frame.longest;
            return Found::Refused { length, reason: Reason::SizeNotAllowed { size: length as u64 } };
        }
    };
    let length = end + 1;
    let line = bytes.get(..end).unwrap_or(&[]);
    let bad_check = || {
        let part = shape.check.as_ref().map_or(String::new(), |check| check.name.clone());
        Found::Refused { length, reason: Reason::BadText { part } }
    };
    let Some(line) = take_apart(shape, line) else { return bad_check() };
    if let (Some(check), Some(digits)) = (&shape.check, line.check) {
        let covered = covered(shape, bytes, line.content);
        let computed = check.checksum.compute(covered);
        let all_there = digits.len() == usize::from(check.checksum.bits().div_ceil(4));
        let Some(received) = hex(digits).filter(|_| all_there) else { return bad_check() };
        if received != computed {
            return Found::Refused { length, reason: Reason::CheckFailed { computed, received } };
        }
    }
    choose(context, frame, shape, line.content, length)
}

/// Goes through the messages of the frame that have the ids; the first that fits decides.
fn choose(context: Context<'_>, frame: &Frame, shape: &TextFrame, content: &[u8], length: usize) -> Found {
    let columns: Vec<&[u8]> = split(content, &shape.separator).collect();
    let mut refusal = None;
    let mut passed = None;
    for index in &frame.messages {
        let Some(message) = context.protocol.messages.get(*index) else { continue };
        let same_ids = shape.ids.iter().all(|id| match message.ids.iter().find(|(name, _)| *name == id.name) {
            Some((_, IdValue::Word(word))) => columns.get(id.column) == Some(&word.as_bytes()),
            Some((_, IdValue::Number(_))) => false,
            None => true,
        });
        if !same_ids {
            continue;
        }
        match values(message, shape, &columns) {
            Ok(_) if context.is_unpaired(message) => {
                passed.get_or_insert(Reason::Unpaired);
            }
            Ok(cells) => return Found::Sound { length, message: *index, cells },
            // A sound line with another fixed value is of a kind that the file does not list.
            Err(Reason::WrongConstant { .. }) if shape.check.is_some() => {
                passed.get_or_insert(Reason::UnknownMessage);
            }
            Err(reason) => keep_telling(&mut refusal, length, reason),
        }
    }
    match (passed, refusal) {
        (Some(reason), _) => Found::Passed { length, reason },
        (None, Some((length, reason))) => Found::Refused { length, reason },
        (None, None) => Found::Passed { length, reason: Reason::UnknownMessage },
    }
}

enum LineEnd {
    /// Where LF stands.
    At(usize),
    /// Where a second start stands in front of any LF: the first line was cut short, the real one begins there.
    StartAt(usize),
    None,
}

fn line_end(shape: &TextFrame, bytes: &[u8]) -> LineEnd {
    let start = shape.start.as_slice();
    let first = start.first().copied().unwrap_or(b'\n');
    let mut from = 0;
    while let Some(at) = bytes.iter().skip(from).position(|byte| *byte == b'\n' || *byte == first) {
        let at = from + at;
        let rest = bytes.get(at..).unwrap_or(&[]);
        if rest.first() == Some(&b'\n') {
            return LineEnd::At(at);
        }
        if 0 < at && rest.starts_with(start) {
            return LineEnd::StartAt(at);
        }
        from = at + 1;
    }
    LineEnd::None
}

pub(crate) fn take_apart<'b>(shape: &TextFrame, line: &'b [u8]) -> Option<Line<'b>> {
    let line = line.strip_suffix(b"\r").unwrap_or(line);
    let content = line.get(shape.start.len()..)?;
    let Some(check) = &shape.check else { return Some(Line { content, check: None }) };
    let at = content.windows(check.mark.len().max(1)).rposition(|window| window == check.mark)?;
    Some(Line { content: content.get(..at)?, check: content.get(at + check.mark.len()..) })
}

/// The bytes that the checksum covers: from the start or behind it, to the mark or behind that.
fn covered<'b>(shape: &TextFrame, bytes: &'b [u8], content: &[u8]) -> &'b [u8] {
    let Some(check) = &shape.check else { return &[] };
    let from = if check.covers_start { 0 } else { shape.start.len() };
    let to = shape.start.len() + content.len() + if check.covers_mark { check.mark.len() } else { 0 };
    bytes.get(from..to).unwrap_or(&[])
}

pub(crate) fn split<'b>(content: &'b [u8], separator: &'b [u8]) -> impl Iterator<Item = &'b [u8]> {
    let mut rest = Some(content);
    std::iter::from_fn(move || {
        let current = rest?;
        match current.windows(separator.len().max(1)).position(|window| window == separator) {
            Some(at) => {
                rest = current.get(at + separator.len()..);
                current.get(..at)
            }
            None => {
                rest = None;
                Some(current)
            }
        }
    })
}

/// The values of a message's columns, in their order.
pub(crate) fn values(message: &Message, shape: &TextFrame, columns: &[&[u8]]) -> Result<Vec<Cell>, Reason> {
    let mut cells: Vec<Cell> = vec![None; message.column_count];
    let mut first: Vec<Option<Raw>> = Vec::with_capacity(message.fields.len());
    for field in &message.fields {
        let bad = || Reason::BadText { part: field.name.clone() };
        let bad_count = || Reason::BadCount { part: field.name.clone() };
        let times = match (field.times, &field.source) {
            (Times::Fixed(times), _) => times,
            (Times::Part(part), _) => count(&first, part, field).ok_or_else(bad_count)?,
            (Times::Rest, FieldSource::Column(from)) => columns.len().saturating_sub(*from),
            (Times::Rest, _) => field.places,
        };
        if field.places < times && field.first_column.is_some() {
            return Err(bad_count());
        }
        let shift = shift(field, times, &first)?;
        let mut first_value = None;
        for repeat in 0..times {
            let text = match &field.source {
                FieldSource::Column(from) => match columns.get(from + repeat) {
                    Some(text) => Some(*text),
                    // An optional end of the line that is not there.
                    None if field.optional => break,
                    None => return Err(bad()),
                },
                FieldSource::Labels(labels) => {
                    let label = labels.get(repeat).ok_or_else(bad)?;
                    match labelled(columns, label, &shape.label_mark) {
                        None if field.optional || field.times == Times::Rest => continue,
                        text => text,
                    }
                }
                FieldSource::Body | FieldSource::Of(_) | FieldSource::SumOf(_) => None,
            };
            let raw = match text {
                // Not even looked at: what has no channel can be anything, unless something counts on it.
                Some(_) if field.first_column.is_none() && field.equals.is_none() && !field.counted => None,
                Some(text) => read(field, text).ok_or_else(bad)?,
                None => None,
            };
            if repeat == 0 {
                first_value = raw;
            }
            if let Some(equals) = field.equals
                && raw.and_then(Raw::int) != Some(equals)
            {
                return Err(Reason::WrongConstant { part: field.name.clone() });
            }
            if let Some(column) = field.first_column
                && let Some(cell) = cells.get_mut(column + shift + repeat)
            {
                *cell = Some(raw);
            }
        }
        first.push(first_value);
    }
    Ok(cells)
}

pub(crate) fn labelled<'b>(columns: &[&'b [u8]], label: &[u8], mark: &[u8]) -> Option<&'b [u8]> {
    columns.iter().find_map(|column| column.trim_ascii_start().strip_prefix(label)?.strip_prefix(mark))
}

/// The check value of a line with this content, and its number of digits; `None` where the frame has none.
pub(crate) fn check_value(shape: &TextFrame, bytes: &[u8], content: &[u8]) -> Option<(usize, u64)> {
    let check = shape.check.as_ref()?;
    let digits = usize::from(check.checksum.bits().div_ceil(4));
    Some((digits, check.checksum.compute(covered(shape, bytes, content))))
}

/// Where LF stands, if no second start stands in front of it. Eight bytes at a time.
pub(crate) fn line_end_of(bytes: &[u8], start: u8) -> Option<usize> {
    const LOWEST: u64 = u64::from_ne_bytes([0x01; 8]);
    const HIGHEST: u64 = u64::from_ne_bytes([0x80; 8]);
    let zeros = |word: u64| word.wrapping_sub(LOWEST) & !word & HIGHEST;
    let (words, rest) = bytes.as_chunks::<8>();
    let (end, begin) = (LOWEST.wrapping_mul(b'\n'.into()), LOWEST.wrapping_mul(start.into()));
    for (index, word) in words.iter().enumerate() {
        let word = u64::from_le_bytes(*word);
        // The lowest bit that is set here stands in the first byte that is one of the two.
        let found = zeros(word ^ end) | zeros(word ^ begin);
        if found != 0 {
            let at = 8 * index + found.trailing_zeros() as usize / 8;
            return (bytes.get(at) == Some(&b'\n')).then_some(at);
        }
    }
    let at = rest.iter().position(|byte| *byte == b'\n' || *byte == start)?;
    (rest.get(at) == Some(&b'\n')).then_some(8 * words.len() + at)
}

/// `Some(None)` is an absent value, `None` a text that is not as described.
pub(crate) fn read(field: &Field, text: &[u8]) -> Option<Option<Raw>> {
    let text = text.trim_ascii();
    if text.is_empty() || field.absent_texts.iter().any(|absent| absent.as_bytes() == text) {
        return Some(None);
    }
    let text = text.strip_suffix(field.suffix.as_slice())?.trim_ascii_end();
    let number: i128 = match field.number {
        Number::HexDigits => hex(text)?.into(),
        Number::Digits { decimals } => {
            let number = model::Decimal::parse(std::str::from_utf8(text).ok()?)?;
            number.times_exact(10_i64.pow(decimals.into()))?.into()
        }
        _ => return None,
    };
    Some(Some(Raw::Int(number)))
}

/// 1 to 16 hexadecimal digits.
pub(crate) fn hex(digits: &[u8]) -> Option<u64> {
    if digits.is_empty() || digits.len() > 16 {
        return None;
    }
    digits.iter().try_fold(0_u64, |sum, digit| Some(sum << 4 | u64::from(char::from(*digit).to_digit(16)?)))
}
