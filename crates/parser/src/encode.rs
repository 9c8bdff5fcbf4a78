//! From values to the bytes of a frame: for the simulator and for tests that go there and back.

use std::sync::Arc;

use model::{ColumnLayout, Dimension, Meaning, Quantity};

use crate::protocol::{BinaryFrame, Field, FieldSource, IdValue, Message, Number, Protocol, Shape, TextFrame};

/// Makes frames by a checked [`Protocol`], as a device would.
#[derive(Clone, Debug)]
pub struct Encoder {
    protocol: Arc<Protocol>,
}

/// A number to send.
#[derive(Clone, Copy)]
enum Sent {
    Int(i128),
    Float(f64),
    Absent,
}

impl Encoder {
    /// An encoder for this protocol.
    pub fn new(protocol: Arc<Protocol>) -> Self {
        Self { protocol }
    }

    /// Appends one frame of message kind `kind` (an index into `layout().kinds`) to `out`, in the first of its frames.
    ///
    /// `value` is asked for each column in order. It gives billionths of the base unit for measured numbers, the number
    /// as sent for counters, flags and states, and `None` for an absent value, which is sent as the first "absent"
    /// marker, or as zero where the file has none. A value that does not fit is sent as the nearest one that does.
    /// Parts without a channel are sent as their fixed value, else as zero. An unknown kind appends nothing.
    pub fn frame(&self, kind: usize, value: &mut dyn FnMut(&ColumnLayout) -> Option<i64>, out: &mut Vec<u8>) {
        let Some(message) = self.protocol.messages.get(kind) else { return };
        let Some(frame) = message.frames.first().and_then(|frame| self.protocol.frames.get(*frame)) else { return };
        let Some(layout) = self.protocol.layout.kinds.get(kind) else { return };
        let mut numbers: Vec<Vec<Sent>> = Vec::new();
        for field in &message.fields {
            let column = |repeat: usize| layout.columns.get(field.first_column? + repeat);
            let sent = (0..field.times).map(|repeat| match column(repeat) {
                Some(column) => number_of(field, column, value(column)),
                None => Sent::Int(field.equals.unwrap_or(0)),
            });
            numbers.push(sent.collect());
        }
        match &frame.shape {
            Shape::Binary(shape) => binary(message, shape, &numbers, out),
            Shape::Text(shape) => text(message, shape, &numbers, out),
        }
    }
}

fn number_of(field: &Field, column: &ColumnLayout, value: Option<i64>) -> Sent {
    if let Some(equals) = field.equals {
        return Sent::Int(equals);
    }
    let Some(value) = value else {
        return field.absent.first().map_or(Sent::Absent, |marker| Sent::Int(*marker));
    };
    let counted = column.channel.quantity == Quantity::FrameCounter;
    let as_sent = column.meaning != Meaning::Number || counted;
    let clock = column.channel.quantity.dimension() == Dimension::Time && !matches!(field.number, Number::Float { .. });
    if counted || clock {
        // A counter and a clock start again at their width, as a device's do.
        let raw = if counted { i128::from(value) } else { column.scale.raw(value) };
        return Sent::Int(raw.rem_euclid(1_i128 << u32::from(column.bits.clamp(1, 64))));
    }
    match field.number {
        Number::Float { .. } if !as_sent => Sent::Float(column.scale.raw_float(value)),
        _ if as_sent => Sent::Int(value.into()),
        _ => Sent::Int(column.scale.raw(value)),
    }
}

fn binary(message: &Message, shape: &BinaryFrame, numbers: &[Vec<Sent>], out: &mut Vec<u8>) {
    let mut frame = vec![0_u8; shape.header + message.body + shape.trailer];
    for (to, from) in frame.iter_mut().zip(&shape.start) {
        *to = *from;
    }
    for part in &shape.ids {
        if let Some((_, IdValue::Number(value))) = message.ids.iter().find(|(name, _)| *name == part.name) {
            write(part.number, Sent::Int(*value), &mut frame, part.place.resolve(shape.header, message.body));
        }
    }
    for (part, value) in &shape.constants {
        write(part.number, Sent::Int(*value), &mut frame, part.place.resolve(shape.header, message.body));
    }
    if let Some(size) = &shape.size {
        let counted = i128::try_from(message.body + size.plus).unwrap_or(0);
        write(size.part.number, Sent::Int(counted), &mut frame, size.part.place.resolve(shape.header, message.body));
    }
    for (field, values) in message.fields.iter().zip(numbers) {
        let FieldSource::Body(offset) = field.source else { continue };
        for (repeat, value) in values.iter().enumerate() {
            write(field.number, *value, &mut frame, shape.header + offset + repeat * field.number.width());
        }
    }
    if let Some(check) = &shape.check {
        let covered = check.first.resolve(shape.header, message.body)..check.end.resolve(shape.header, message.body);
        let computed = check.checksum.compute(frame.get(covered).unwrap_or(&[]));
        let at = check.part.place.resolve(shape.header, message.body);
        write(check.part.number, Sent::Int(computed.into()), &mut frame, at);
    }
    out.extend_from_slice(&frame);
}

fn write(number: Number, value: Sent, frame: &mut [u8], at: usize) {
    let width = number.width();
    let (low, high) = number.range();
    let (whole, big) = match (number, value) {
        (Number::Float { bytes, big }, value) => {
            let value = match value {
                Sent::Float(value) => value,
                #[expect(clippy::cast_precision_loss, reason = "a marker or a fixed value in a float field")]
                Sent::Int(value) => value as f64,
                Sent::Absent => f64::NAN,
            };
            #[expect(clippy::cast_possible_truncation, reason = "that is what a 4-byte float field holds")]
            let bits = if bytes == 4 { u64::from((value as f32).to_bits()) } else { value.to_bits() };
            (bits, big)
        }
        (Number::Int { big, .. }, Sent::Int(value)) => (low_bits(value.clamp(low, high)), big),
        (Number::Int { big, .. }, Sent::Float(_) | Sent::Absent) => (0, big),
        (Number::Digits { .. } | Number::HexDigits | Number::Word, _) => return,
    };
    let bytes = whole.to_le_bytes();
    let Some(place) = frame.get_mut(at..at + width) else { return };
    for (index, byte) in place.iter_mut().enumerate() {
        let from = if big { width - 1 - index } else { index };
        *byte = bytes.get(from).copied().unwrap_or(0);
    }
}

fn low_bits(value: i128) -> u64 {
    u64::try_from(value & i128::from(u64::MAX)).unwrap_or(0)
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
                FieldSource::Body(_) => {}
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
    let value = match value {
        Sent::Int(value) => value,
        Sent::Float(_) | Sent::Absent => {
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
        Number::Int { .. } | Number::Float { .. } | Number::Word => String::new(),
    }
    .into_bytes();
    text.extend_from_slice(&field.suffix);
    text
}
