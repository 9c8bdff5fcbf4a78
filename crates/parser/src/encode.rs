//! From values to the bytes of a frame: for questions, for the simulator and for tests that go there and back.

use std::sync::Arc;

use model::{ColumnLayout, Conversion, Dimension, KindLayout, Meaning, Quantity, Raw};

use crate::numbers::{low_bits, write};
use crate::protocol::{
    BinaryFrame, Field, FieldSource, Frame, IdValue, Message, Number, Protocol, Shape, TextFrame, Times,
};

/// Makes frames by a checked [`Protocol`], as a device would.
#[derive(Clone, Debug)]
pub struct Encoder {
    protocol: Arc<Protocol>,
}

/// A number to send; `None` where there is none and the file has no marker for that.
type Sent = Option<Raw>;

/// Answers a column with billionths of the base unit, the number as sent, or nothing.
type Ask<'a> = dyn FnMut(&ColumnLayout) -> Option<i64> + 'a;

impl Encoder {
    /// An encoder for this protocol.
    pub fn new(protocol: Arc<Protocol>) -> Self {
        Self { protocol }
    }

    /// Appends one frame of message kind `kind` (an index into `layout().kinds`) to `out`, in the first of its frames;
    /// or as many as the kind needs to carry all its places, where each frame says which it carries.
    ///
    /// `value` is asked for each column in order. It gives billionths of the base unit for measured numbers, the number
    /// as sent for counters, flags and states, and `None` for an absent value, which is sent as the first "absent"
    /// marker, or as zero where the file has none. A value that does not fit is sent as the nearest one that does.
    /// Where the file leaves the number of repeats open, those up to the last with a value are sent.
    /// Parts without a channel are sent as their fixed value, else as zero. An unknown kind appends nothing.
    pub fn frame(&self, kind: usize, value: &mut Ask<'_>, out: &mut Vec<u8>) {
        let (Some(message), Some(layout)) = (self.protocol.messages.get(kind), self.protocol.layout.kinds.get(kind))
        else {
            return;
        };
        let Some(frame) = message.frames.first().and_then(|frame| self.protocol.frames.get(*frame)) else { return };
        let values: Vec<Option<i64>> = layout.columns.iter().map(value).collect();
        let mut per_frame = per_frame(message, frame);
        loop {
            let made = frames_of(message, frame, layout, &values, per_frame);
            let longest = made.iter().map(Vec::len).max().unwrap_or(0);
            // How long a line of text becomes is only known once it is written.
            if frame.longest < longest && 1 < per_frame && can_carry_fewer(message) {
                per_frame = (per_frame * frame.longest / longest).clamp(1, per_frame - 1);
                continue;
            }
            made.iter().for_each(|bytes| self.wrap(bytes, out));
            return;
        }
    }

    /// Appends the bytes of a question of the file (an index into `asks()`).
    pub fn ask(&self, index: usize, out: &mut Vec<u8>) {
        let Some(ask) = self.protocol.asks.get(index) else { return };
        let Some(message) = self.protocol.messages.get(ask.message) else { return };
        let Some(frame) = message.frames.first().and_then(|frame| self.protocol.frames.get(*frame)) else { return };
        let mut numbers: Vec<Vec<Sent>> = message
            .fields
            .iter()
            .enumerate()
            .map(|(index, field)| {
                let given = ask.values.iter().find(|(field, _)| *field == index).map(|(_, value)| *value);
                let times = if let Times::Fixed(times) = field.times { times } else { 0 };
                vec![Some(Raw::Int(given.or(field.equals).unwrap_or(0))); times]
            })
            .collect();
        join_bits(message, &mut numbers);
        self.wrap(&bytes_of(message, frame, &numbers), out);
    }

    fn wrap(&self, bytes: &[u8], out: &mut Vec<u8>) {
        match self.protocol.wrapping {
            Some(wrapping) => wrapping.wrap(bytes, out),
            None => out.extend_from_slice(bytes),
        }
    }
}

/// The frames that carry all places with a value, so many in each; one where no part has a start index.
fn frames_of(
    message: &Message,
    frame: &Frame,
    layout: &KindLayout,
    values: &[Option<i64>],
    per_frame: usize,
) -> Vec<Vec<u8>> {
    let frames = message.fields.iter().filter(|field| field.from.is_some()).map(|field| {
        let first = field.first_column.unwrap_or(0);
        let filled = values.iter().skip(first).take(field.places).rposition(Option::is_some).map_or(0, |at| at + 1);
        filled.div_ceil(per_frame.max(1))
    });
    let one = |index: usize| {
        let shift = last_shift(message, per_frame).map_or(index * per_frame, |last| last.min(index * per_frame));
        bytes_of(message, frame, &numbers(message, layout, values, shift, per_frame))
    };
    (0..frames.max().unwrap_or(1).max(1)).map(one).collect()
}

fn bytes_of(message: &Message, frame: &Frame, numbers: &[Vec<Sent>]) -> Vec<u8> {
    let mut bytes = Vec::new();
    match &frame.shape {
        Shape::Binary(shape) => binary(message, shape, numbers, &mut bytes),
        Shape::Text(shape) => text(message, shape, numbers, &mut bytes),
    }
    bytes
}

/// Whether a frame of this message may carry fewer places than it could.
fn can_carry_fewer(message: &Message) -> bool {
    message.fields.iter().any(|field| field.from.is_some() && !matches!(field.times, Times::Fixed(_)))
}

/// How many repeats of a part with a start index one frame carries.
fn per_frame(message: &Message, frame: &Frame) -> usize {
    let field = message.fields.iter().find(|field| field.from.is_some());
    let Some(field) = field else { return 1 };
    let around = match &frame.shape {
        Shape::Binary(shape) => shape.header + shape.trailer,
        Shape::Text(_) => 0,
    };
    let room = frame.longest.saturating_sub(around + message.least);
    match field.times {
        Times::Fixed(times) => times,
        Times::Part(_) | Times::Rest => {
            (room / field.number.width().max(1)).min(field.places).min(most_counted(message, field)).max(1)
        }
    }
}

/// Where a frame with so many places must begin at the latest to stay inside them, where it can begin there.
fn last_shift(message: &Message, per_frame: usize) -> Option<usize> {
    let field = message.fields.iter().find(|field| field.from.is_some())?;
    let shift = field.places.checked_sub(per_frame).filter(|_| matches!(field.times, Times::Fixed(_)))?;
    let from = field.from?;
    let place = from.first_place.checked_add(i64::try_from(shift).ok()?)?.checked_sub(from.plus)?;
    (place.checked_rem(from.step) == Some(0)).then_some(shift)
}

/// How many repeats the part that counts this one can say.
fn most_counted(message: &Message, field: &Field) -> usize {
    let Times::Part(part) = field.times else { return usize::MAX };
    let most = message.fields.get(part).map_or(0, |count| count.range().1);
    usize::try_from(most).unwrap_or(usize::MAX)
}

/// The numbers of every part, from the place `shift` on where parts have a start index.
fn numbers(
    message: &Message,
    layout: &KindLayout,
    values: &[Option<i64>],
    shift: usize,
    per_frame: usize,
) -> Vec<Vec<Sent>> {
    let mut numbers: Vec<Vec<Sent>> = Vec::new();
    for field in &message.fields {
        let shift = if field.from.is_some() { shift } else { 0 };
        let value = |repeat: usize| {
            let index = field.first_column? + shift + repeat;
            (shift + repeat < field.places).then(|| values.get(index).copied().flatten()).flatten()
        };
        let most = if field.from.is_some() { per_frame } else { field.places };
        let filled = (0..most).rev().find(|repeat| value(*repeat).is_some()).map_or(0, |last| last + 1);
        let times = match field.times {
            Times::Fixed(times) => times,
            Times::Part(_) | Times::Rest => filled.min(most_counted(message, field)),
        };
        let sent = (0..times).map(|repeat| {
            let column = field.first_column.and_then(|first| layout.columns.get(first + shift + repeat));
            match column {
                Some(column) => number_of(field, column, value(repeat)),
                None if field.first_column.is_some() => marker(field),
                None => Some(Raw::Int(field.equals.unwrap_or(0))),
            }
        });
        numbers.push(sent.collect());
    }
    derive(message, &mut numbers, shift);
    numbers
}

/// Counts, start indices, totals over several parts and words of bits follow from the other parts.
fn derive(message: &Message, numbers: &mut [Vec<Sent>], shift: usize) {
    // The last first: a part of a sum or of bits can be a sum or bits itself.
    for (index, field) in message.fields.iter().enumerate().rev() {
        if let Times::Part(part) = field.times {
            let count = numbers.get(index).map_or(0, Vec::len);
            set(numbers, part, i128::try_from(count).unwrap_or(0));
        }
        if let Some(from) = field.from {
            let place = from.first_place.saturating_add(i64::try_from(shift).unwrap_or(i64::MAX));
            let start = place.saturating_sub(from.plus).checked_div(from.step).unwrap_or(0);
            set(numbers, from.part, start.into());
        }
        if let FieldSource::SumOf(parts) = &field.source {
            let total = int(numbers.get(index));
            let mut rest = total;
            for part in parts {
                let Some(other) = message.fields.get(*part) else { continue };
                let (low, high) = other.range();
                let most = if other.absent.contains(&high) { high - 1 } else { high };
                match (total, rest) {
                    (Some(_), Some(0)) if Some(part) != parts.first() => {
                        if let Some(marker) = other.absent.first() {
                            set(numbers, *part, *marker);
                        }
                    }
                    (Some(_), Some(left)) => {
                        let share = left.clamp(low, most);
                        set(numbers, *part, share);
                        rest = Some(left - share);
                    }
                    _ => {
                        if let Some(marker) = other.absent.first() {
                            set(numbers, *part, *marker);
                        }
                    }
                }
            }
        }
    }
    join_bits(message, numbers);
}

/// Puts parts of bits into the words that they stand in.
fn join_bits(message: &Message, numbers: &mut [Vec<Sent>]) {
    for (index, field) in message.fields.iter().enumerate().rev() {
        let Some((low, count)) = field.bits else { continue };
        let shifted = |value: Sent| (value.and_then(Raw::int).unwrap_or(0) & ((1_i128 << count) - 1)) << low;
        if let FieldSource::Of(word) = field.source {
            let piece = shifted(numbers.get(index).and_then(|values| values.first()).copied().flatten());
            let rest = int(numbers.get(word)).unwrap_or(0);
            set(numbers, word, rest | piece);
        } else if let Some(values) = numbers.get_mut(index) {
            for value in values {
                *value = Some(Raw::Int(shifted(*value)));
            }
        }
    }
}

fn int(values: Option<&Vec<Sent>>) -> Option<i128> {
    values.and_then(|values| values.first()).copied().flatten().and_then(Raw::int)
}

fn set(numbers: &mut [Vec<Sent>], part: usize, value: i128) {
    if let Some(first) = numbers.get_mut(part).and_then(|values| values.first_mut()) {
        *first = Some(Raw::Int(value));
    }
}

fn marker(field: &Field) -> Sent {
    field.absent.first().map(|marker| Raw::Int(*marker))
}

fn number_of(field: &Field, column: &ColumnLayout, value: Option<i64>) -> Sent {
    if let Some(equals) = field.equals {
        return Some(Raw::Int(equals));
    }
    let Some(value) = value else {
        return marker(field).or_else(|| matches!(field.number, Number::Float { .. }).then_some(Raw::Float(f64::NAN)));
    };
    let counted = column.channel.quantity == Quantity::FrameCounter;
    let as_sent = column.meaning != Meaning::Number || counted;
    let (low, high) = if matches!(field.source, FieldSource::SumOf(_)) { (0, i64::MAX.into()) } else { field.range() };
    let float = matches!(field.number, Number::Float { .. });
    let clock = column.channel.quantity.dimension() == Dimension::Time && !float;
    let scaled = |value| column.scale.raw(value, (low, high)).unwrap_or(0);
    if counted || clock {
        // A counter and a clock start again at their width, as a device's do.
        let raw = match &column.scale {
            _ if counted => value.into(),
            Conversion::Linear(scale) => scale.raw(value),
            Conversion::Curve(_) => scaled(value),
        };
        return Some(Raw::Int(raw.rem_euclid(1_i128 << u32::from(column.bits.clamp(1, 64)))));
    }
    Some(match &column.scale {
        _ if as_sent => Raw::Int(i128::from(value).clamp(low, high)),
        Conversion::Linear(scale) if float => Raw::Float(scale.raw_float(value)),
        _ => Raw::Int(scaled(value)),
    })
}

fn binary(message: &Message, shape: &BinaryFrame, numbers: &[Vec<Sent>], out: &mut Vec<u8>) {
    let mut body = Vec::new();
    for (field, values) in message.fields.iter().zip(numbers) {
        if !matches!(field.source, FieldSource::Body) {
            continue;
        }
        for value in values {
            let at = body.len();
            body.resize(at + field.number.width(), 0);
            write_bits(field, *value, &mut body, at);
        }
    }
    if message.cut_zeros {
        while body.len() > 1 && body.last() == Some(&0) {
            body.pop();
        }
    }
    let length = body.len();
    let mut frame = vec![0_u8; shape.header + length + shape.trailer];
    for (to, from) in frame.iter_mut().zip(&shape.start) {
        *to = *from;
    }
    for (to, from) in frame.iter_mut().skip(shape.header).zip(&body) {
        *to = *from;
    }
    let end_at = frame.len().saturating_sub(shape.end.len());
    for (to, from) in frame.iter_mut().skip(end_at).zip(&shape.end) {
        *to = *from;
    }
    for part in &shape.ids {
        if let Some((_, IdValue::Number(value))) = message.ids.iter().find(|(name, _)| *name == part.name) {
            write(part.number, Raw::Int(*value), &mut frame, part.place.resolve(shape.header, length));
        }
    }
    for (part, value) in &shape.constants {
        write(part.number, Raw::Int(*value), &mut frame, part.place.resolve(shape.header, length));
    }
    if let Some(size) = &shape.size {
        let counted = i128::try_from(length + size.plus).unwrap_or(0);
        write(size.part.number, Raw::Int(counted), &mut frame, size.part.place.resolve(shape.header, length));
    }
    if let Some(check) = &shape.check {
        let covered = check.first.resolve(shape.header, length)..check.end.resolve(shape.header, length);
        let computed = check.checksum.compute_with_extra(frame.get(covered).unwrap_or(&[]), &message.extra);
        let at = check.part.place.resolve(shape.header, length);
        write(check.part.number, Raw::Int(computed.into()), &mut frame, at);
    }
    out.extend_from_slice(&frame);
}

/// Writes a number, or the whole word that a part of bits stands in.
fn write_bits(field: &Field, value: Sent, body: &mut [u8], at: usize) {
    // A zero in characters is no zero byte.
    match (field.number, field.bits, value.unwrap_or(Raw::Int(0))) {
        (Number::Int { bytes, big, .. }, Some(_), Raw::Int(word)) => {
            write(Number::Int { bytes, signed: false, big }, Raw::Int(low_bits(word).into()), body, at);
        }
        // A word whose bits are parts of their own is taken as it is.
        (Number::Int { bytes, big, signed: true }, None, Raw::Int(word)) if field.counted => {
            let word = low_bits(word) & (u64::MAX >> (64 - 8 * u32::from(bytes.clamp(1, 8))));
            write(Number::Int { bytes, signed: false, big }, Raw::Int(word.into()), body, at);
        }
        (number, _, value) => write(number, value, body, at),
    }
}

fn text(message: &Message, shape: &TextFrame, numbers: &[Vec<Sent>], out: &mut Vec<u8>) {
    let mut columns: Vec<Vec<u8>> = Vec::new();
    let mut put = |column: usize, text: Vec<u8>| {
        if columns.len() <= column {
            columns.resize(column + 1, Vec::new());
        }
        if let Some(place) = columns.get_mut(column) {
            *place = text;
        }
    };
    for id in &shape.ids {
        if let Some((_, IdValue::Word(word))) = message.ids.iter().find(|(name, _)| *name == id.name) {
            put(id.column, word.clone().into_bytes());
        }
    }
    let mut labelled = Vec::new();
    for (field, values) in message.fields.iter().zip(numbers) {
        for (repeat, value) in values.iter().enumerate() {
            let written = written(field, *value);
            match &field.source {
                FieldSource::Column(first) => put(first + repeat, written),
                FieldSource::Labels(labels) => {
                    let label = labels.get(repeat).map_or(&[][..], Vec::as_slice);
                    labelled.push([label, &shape.label_mark, &written].concat());
                }
                FieldSource::Body | FieldSource::Of(_) | FieldSource::SumOf(_) => {}
            }
        }
    }
    columns.extend(labelled);
    let from = out.len();
    out.extend_from_slice(&shape.start);
    out.extend_from_slice(&columns.join(shape.separator.as_slice()));
    if let Some(check) = &shape.check {
        let first = if check.covers_start { from } else { from + shape.start.len() };
        let before_mark = out.len();
        out.extend_from_slice(&check.mark);
        let end = if check.covers_mark { out.len() } else { before_mark };
        let computed = check.checksum.compute(out.get(first..end).unwrap_or(&[]));
        let digits = usize::from(check.checksum.bits().div_ceil(4));
        out.extend_from_slice(format!("{computed:0digits$X}").as_bytes());
    }
    out.extend_from_slice(b"\r\n");
}

fn written(field: &Field, value: Sent) -> Vec<u8> {
    let (low, high) = field.number.range();
    let value = match value {
        // A marker of a text line is a text.
        Some(Raw::Int(value)) => value.clamp(low, high),
        Some(Raw::Float(_)) | None => {
            return field.absent_texts.first().map_or(Vec::new(), |text| text.clone().into_bytes());
        }
    };
    let mut text = match field.number {
        Number::HexDigits => format!("{:X}", low_bits(value)),
        Number::Digits { decimals } => {
            let (sign, digits) = (if value < 0 { "-" } else { "" }, value.unsigned_abs());
            let step = 10_u128.pow(decimals.into());
            match decimals {
                0 => format!("{sign}{digits}"),
                _ => format!("{sign}{}.{:0width$}", digits / step, digits % step, width = usize::from(decimals)),
            }
        }
        _ => String::new(),
    }
    .into_bytes();
    text.extend_from_slice(&field.suffix);
    text
}
