//! The parts of one frame: where each stands, what was sent, and what that means.

use std::ops::Range;

use model::{ByteRange, Channel, ColumnLayout, Dimension, Meaning, Raw, Reason, Rejected};
use model::{format_nanos, format_nanos_exact};

use super::{Dissection, Span, What};
use crate::binary::{check, ids_match, int};
use crate::body::{count, present, shift, value, values};
use crate::protocol::{
    BinaryFrame, BinaryPart, Field, FieldSource, Frame, IdValue, Message, Place, Protocol, Shape, TextFrame, Times,
};
use crate::text_lines;

/// A part of a frame.
#[derive(Clone, PartialEq, Debug)]
pub struct Part {
    /// Its name in the protocol file, or a plain word where it has none. Repeats without a channel are numbered from 1.
    pub name: String,
    /// What it is for.
    pub role: Role,
    /// Its bytes in the stream, with the stuffing where there is some. Empty for a part that is computed from others.
    pub bytes: ByteRange,
    /// The lowest bit and the number of bits, where it is a part of a word.
    pub bits: Option<(u8, u8)>,
    /// What was sent.
    pub sent: Sent,
    /// What the number means, where it has a channel.
    pub meant: Option<Meant>,
    /// What there is to say of it, in words.
    pub words: String,
}

/// What a part is for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Role {
    /// The start of each frame.
    Start,
    /// Tells the message kinds apart.
    Id,
    /// Says how long the frame is.
    Size,
    /// Always the same.
    Fixed,
    /// A checksum, and whether it is right.
    Check {
        /// Whether it is.
        right: bool,
    },
    /// A value with a channel.
    Value,
    /// Nothing is done with it.
    Unused,
    /// The end of each frame.
    End,
}

impl Role {
    /// In a word.
    pub fn name(self) -> &'static str {
        match self {
            Self::Start => "start",
            Self::Id => "id",
            Self::Size => "size",
            Self::Fixed => "fixed value",
            Self::Check { .. } => "checksum",
            Self::Value => "value",
            Self::Unused => "not used",
            Self::End => "end",
        }
    }
}

/// What stands in a part.
#[derive(Clone, PartialEq, Debug)]
pub enum Sent {
    /// Bytes that are no number.
    Bytes,
    /// A number.
    Number(Raw),
    /// Text.
    Text(String),
}

/// What a number stands for.
#[derive(Clone, PartialEq, Debug)]
pub struct Meant {
    /// What is measured.
    pub channel: Channel,
    /// Which column of the message kind it fills.
    pub column: usize,
    /// In billionths of the base unit; `None` where the device says that it has none.
    pub nanos: Option<i64>,
    /// What one more in the number as sent changes, in billionths of the base unit; `None` where that is not the same
    /// everywhere.
    pub step: Option<i64>,
}

/// The message kind that a span that gave no row seemed to be.
pub(super) fn message_of(dissection: &Dissection, span: &Span) -> Option<usize> {
    let Unit { bytes, packet, .. } = Unit::of(dissection, span)?;
    let guess = guess(&dissection.protocol, &bytes, packet, reason_of(span)?)?;
    guess.message
}

pub(super) fn parts(dissection: &Dissection, span: &Span) -> Vec<Part> {
    let Some(unit) = Unit::of(dissection, span) else { return Vec::new() };
    let protocol = &*dissection.protocol;
    let found = match &span.what {
        What::Frame { kind } => sound(protocol, *kind, &unit.bytes, unit.packet),
        What::Passed(_) | What::NoFrame(_) => {
            reason_of(span).and_then(|reason| guess(protocol, &unit.bytes, unit.packet, reason))
        }
        What::Between | What::Unfinished => None,
    };
    let Some(found) = found else { return Vec::new() };
    let mut list = List { protocol, unit: &unit, parts: Vec::new() };
    match &found.frame.shape {
        Shape::Binary(shape) => list.binary(found.frame, shape, found.message),
        Shape::Text(shape) => list.text(shape, found.message),
    }
    let mut parts = list.parts;
    // What a sound frame covers that began inside is shown there.
    parts.retain(|part| part.bytes.end <= span.bytes.end);
    parts.sort_by_key(|part| (part.bytes.start, part.bits.is_some(), part.bits.map(|(low, _)| std::cmp::Reverse(low))));
    parts
}

/// Why a span gave no row: of what began first in it.
fn reason_of(span: &Span) -> Option<&Reason> {
    match &span.what {
        What::Passed(reason) => Some(reason),
        What::NoFrame(tried) => tried.first().map(|tried| &tried.reason),
        What::Frame { .. } | What::Between | What::Unfinished => None,
    }
}

/// The bytes that a frame is looked for in, and where each of them stands.
struct Unit {
    bytes: Vec<u8>,
    from: u64,
    /// For the bytes of a packet: where in the line they stand.
    places: Vec<Range<usize>>,
    packet: bool,
}

impl Unit {
    fn of(dissection: &Dissection, span: &Span) -> Option<Self> {
        if matches!(span.what, What::Between | What::Unfinished) {
            return None;
        }
        let range = match &span.what {
            What::NoFrame(tried) => tried.first().map(|Rejected { bytes, .. }| *bytes)?,
            _ => span.bytes,
        };
        let bytes = dissection.bytes(range);
        let from = range.start;
        let whole = bytes.len() as u64 == range.len();
        match dissection.protocol.wrapping.filter(|_| whole) {
            None => Some(Self { bytes: bytes.to_vec(), from, places: Vec::new(), packet: false }).filter(|_| whole),
            Some(wrapping) => {
                let mut packet = Vec::new();
                wrapping.unwrap(bytes, &mut packet)?;
                let places = wrapping.places(bytes);
                let known = places.len() == packet.len();
                known.then_some(Self { bytes: packet, from, places, packet: true })
            }
        }
    }

    /// A range of the bytes as one of the stream.
    fn place(&self, range: Range<usize>) -> ByteRange {
        let at = |at: usize| self.from + at as u64;
        if !self.packet {
            return ByteRange { start: at(range.start), end: at(range.end) };
        }
        let first = self.places.get(range.start).map_or(0, |place| place.start);
        let last = range.end.checked_sub(1).and_then(|last| self.places.get(last)).map_or(first, |place| place.end);
        ByteRange { start: at(first), end: at(last.max(first)) }
    }
}

/// Which frame bytes are, and which message, as far as that is known.
struct Known<'p> {
    frame: &'p Frame,
    message: Option<usize>,
}

/// The frame of a row. The first in file order that is sound, as for the decoder.
fn sound<'p>(protocol: &'p Protocol, kind: usize, bytes: &[u8], packet: bool) -> Option<Known<'p>> {
    let message = protocol.messages.get(kind)?;
    let frame = protocol.frames.iter().find(|frame| {
        let fits = match &frame.shape {
            Shape::Binary(shape) => fits(shape, message, bytes, packet),
            Shape::Text(shape) => fits_line(shape, message, bytes),
        };
        frame.messages.contains(&kind) && fits
    })?;
    Some(Known { frame, message: Some(kind) })
}

fn body_of(shape: &BinaryFrame, length: usize) -> Option<usize> {
    length.checked_sub(shape.header + shape.trailer)
}

fn fits(shape: &BinaryFrame, message: &Message, bytes: &[u8], packet: bool) -> bool {
    let Some(body) = body_of(shape, bytes.len()) else { return false };
    let claimed = shape.size.as_ref().filter(|_| !packet).is_none_or(|size| {
        let value = int(&size.part, bytes, size.part.place.resolve(shape.header, 0));
        value == Some((body + size.plus) as i128)
    });
    let inside = bytes.get(shape.header..shape.header + body).unwrap_or_default();
    bytes.starts_with(&shape.start)
        && claimed
        && ids_match(shape, message, bytes)
        && check(shape, bytes, body, &message.extra).is_ok()
        && values(message, inside).is_ok()
}

fn fits_line(shape: &TextFrame, message: &Message, bytes: &[u8]) -> bool {
    let Some(content) = content_of(shape, bytes) else { return false };
    let columns: Vec<&[u8]> = text_lines::split(content, &shape.separator).collect();
    line_ids_match(shape, message, &columns) && text_lines::values(message, shape, &columns).is_ok()
}

fn content_of<'b>(shape: &TextFrame, bytes: &'b [u8]) -> Option<&'b [u8]> {
    let line = bytes.strip_suffix(b"\n").unwrap_or(bytes);
    if !line.starts_with(&shape.start) {
        return None;
    }
    Some(text_lines::take_apart(shape, line)?.content)
}

fn line_ids_match(shape: &TextFrame, message: &Message, columns: &[&[u8]]) -> bool {
    shape.ids.iter().all(|id| match message.ids.iter().find(|(name, _)| *name == id.name) {
        Some((_, IdValue::Word(word))) => columns.get(id.column) == Some(&word.as_bytes()),
        Some((_, IdValue::Number(_))) => false,
        None => true,
    })
}

/// The frame and message that bytes seemed to be: with the checksum that the reason names, else the first whose start
/// they have and whose ids and length fit best.
fn guess<'p>(protocol: &'p Protocol, bytes: &[u8], packet: bool, reason: &Reason) -> Option<Known<'p>> {
    let mut best: Option<(u8, Known<'p>)> = None;
    for frame in &protocol.frames {
        let known = |message: Option<usize>| Known { frame, message };
        let mut offer = |score: u8, known: Known<'p>| {
            if best.as_ref().is_none_or(|(other, _)| *other < score) {
                best = Some((score, known));
            }
        };
        match &frame.shape {
            Shape::Binary(shape) => {
                if !bytes.starts_with(&shape.start) || (shape.start.is_empty() && !packet && bytes.len() < shape.header)
                {
                    continue;
                }
                offer(1, known(None));
                for index in &frame.messages {
                    let Some(message) = protocol.messages.get(*index) else { continue };
                    if !ids_match(shape, message, bytes) || *reason == Reason::UnknownMessage {
                        continue;
                    }
                    let body = body_of(shape, bytes.len());
                    let long_enough =
                        body.is_some_and(|body| message.least <= body && (body <= message.most || message.longer));
                    let same = body.is_some_and(|body| match (reason, check(shape, bytes, body, &message.extra)) {
                        (Reason::CheckFailed { .. }, Err(again)) => again == *reason,
                        (Reason::Unpaired, result) => result.is_ok(),
                        _ => false,
                    });
                    offer(2 + u8::from(long_enough) + 2 * u8::from(same), known(Some(*index)));
                }
            }
            Shape::Text(shape) => {
                if !bytes.starts_with(&shape.start) {
                    continue;
                }
                offer(1, known(None));
                let Some(content) = content_of(shape, bytes) else { continue };
                let columns: Vec<&[u8]> = text_lines::split(content, &shape.separator).collect();
                for index in &frame.messages {
                    let Some(message) = protocol.messages.get(*index) else { continue };
                    if line_ids_match(shape, message, &columns) && *reason != Reason::UnknownMessage {
                        let sound = text_lines::values(message, shape, &columns).is_ok();
                        offer(2 + u8::from(sound), known(Some(*index)));
                    }
                }
            }
        }
    }
    best.map(|(_, known)| known)
}

/// A float may say that it is none.
fn is_number(raw: &Raw) -> bool {
    !matches!(raw, Raw::Float(value) if !value.is_finite())
}

struct List<'u> {
    protocol: &'u Protocol,
    unit: &'u Unit,
    parts: Vec<Part>,
}

impl List<'_> {
    fn push(&mut self, name: &str, role: Role, range: Range<usize>, sent: Sent, words: String) {
        if range.end <= self.unit.bytes.len() && !range.is_empty() {
            let bytes = self.unit.place(range);
            self.parts.push(Part { name: name.to_owned(), role, bytes, bits: None, sent, meant: None, words });
        }
    }

    /// A number of the frame itself.
    fn framed(&mut self, part: &BinaryPart, at: usize, role: Role, words: String) {
        let read = crate::numbers::read(part.number, &self.unit.bytes, at);
        let sent = read.filter(is_number).map_or(Sent::Bytes, Sent::Number);
        self.push(&part.name, role, at..at + part.number.width(), sent, words);
    }

    fn binary(&mut self, frame: &Frame, shape: &BinaryFrame, message: Option<usize>) {
        let bytes = &self.unit.bytes;
        let length = bytes.len();
        let message = message.and_then(|index| self.protocol.messages.get(index));
        // Where the length is not known, what stands behind the body is not either.
        let body = body_of(shape, length);
        let behind = |place: Place| match (place, body) {
            (Place::BodyEnd(_), None) => length,
            (place, body) => place.resolve(shape.header, body.unwrap_or(0)),
        };
        self.push("start", Role::Start, 0..shape.start.len(), Sent::Bytes, "a frame begins".to_owned());
        for id in &shape.ids {
            let words = match message {
                Some(message) => format!("message {}", message.name),
                None => "no message kind has this id".to_owned(),
            };
            self.framed(id, behind(id.place), Role::Id, words);
        }
        if let Some(size) = &shape.size {
            let at = behind(size.part.place);
            let claimed = int(&size.part, bytes, at).map(|value| value - size.plus as i128);
            let words = claimed.map_or_else(String::new, |claimed| format!("a body of {claimed} bytes"));
            self.framed(&size.part, at, Role::Size, words);
        }
        for (part, wanted) in &shape.constants {
            let at = behind(part.place);
            let right = int(part, bytes, at) == Some(*wanted);
            let words = if right { format!("always {wanted}") } else { format!("should be {wanted}") };
            self.framed(part, at, Role::Fixed, words);
        }
        for part in &shape.others {
            self.framed(part, behind(part.place), Role::Unused, String::new());
        }
        if let (Some(check), Some(body)) = (&shape.check, body) {
            let covered = check.first.resolve(shape.header, body)..check.end.resolve(shape.header, body);
            let extra = message.map_or(&[][..], |message| &message.extra);
            let covered = bytes.get(covered).unwrap_or_default();
            let computed = check.checksum.compute_with_extra(covered, extra);
            let at = check.part.place.resolve(shape.header, body);
            let received = int(&check.part, bytes, at).and_then(|value| u64::try_from(value).ok());
            let seeded = frame.messages.iter().filter_map(|index| self.protocol.messages.get(*index));
            let needs_message = message.is_none() && seeded.into_iter().any(|message| !message.extra.is_empty());
            let digits = 2 * check.part.number.width();
            let right = received == Some(computed) && !needs_message;
            let words = match (right, needs_message) {
                (true, _) => "the checksum is right".to_owned(),
                (false, true) => "it can't be checked without knowing the message kind".to_owned(),
                (false, false) => {
                    format!(
                        "the checksum is wrong: these bytes give {computed:0digits$X}, received {:0digits$X}",
                        received.unwrap_or(0)
                    )
                }
            };
            self.framed(&check.part, at, Role::Check { right }, words);
        }
        if let Some(from) = length.checked_sub(shape.end.len()).filter(|_| body.is_some()) {
            let right = bytes.ends_with(&shape.end);
            let words = if right { "a frame ends" } else { "a frame should end here" };
            self.push("end", Role::End, from..length, Sent::Bytes, words.to_owned());
        }
        let Some(body) = body else { return };
        match message {
            Some(message) => self.body(message, shape.header, body),
            None => {
                self.push("body", Role::Unused, shape.header..shape.header + body, Sent::Bytes, "not read".to_owned());
            }
        }
    }

    /// The parts of a body as far as they go: as `body::values` walks, but past faults.
    fn body(&mut self, message: &Message, from: usize, length: usize) {
        let bytes = self.unit.bytes.clone();
        let body = bytes.get(from..from + length).unwrap_or_default();
        let mut first: Vec<Option<Raw>> = Vec::with_capacity(message.fields.len());
        let mut reached: Vec<bool> = Vec::with_capacity(message.fields.len());
        // Where each part stands, for parts of its bits.
        let mut stands: Vec<Range<usize>> = Vec::with_capacity(message.fields.len());
        let (mut at, mut over) = (0, false);
        for field in &message.fields {
            let width = field.number.width();
            let in_body = matches!(field.source, FieldSource::Body);
            let here = |part: &usize| reached.get(*part).copied().unwrap_or(false);
            let times = match (&field.source, field.times) {
                (FieldSource::Body, _) if over => None,
                (FieldSource::Body, Times::Fixed(times)) => Some(times),
                (FieldSource::Body, Times::Part(part)) => here(&part).then(|| count(&first, part, field)).flatten(),
                (FieldSource::Body, Times::Rest) => {
                    Some((body.len().saturating_sub(at) / width.max(1)).min(field.places))
                }
                (FieldSource::Of(part), _) => here(part).then_some(1),
                (FieldSource::SumOf(parts), _) => parts.iter().all(here).then_some(1),
                (FieldSource::Column(_) | FieldSource::Labels(_), _) => None,
            };
            let ends = at + width * times.unwrap_or(0);
            over |= in_body && (times.is_none() || (body.len() < ends && !message.cut_zeros));
            let Some(times) = times.filter(|_| !(in_body && over)) else {
                first.push(None);
                reached.push(false);
                stands.push(0..0);
                continue;
            };
            first.push(value(message, field, body, at, &first));
            reached.push(true);
            let whole = match &field.source {
                FieldSource::Of(part) => stands.get(*part).cloned().unwrap_or(0..0),
                // Zeros that the sender left out stand nowhere.
                FieldSource::Body => at.min(body.len())..(at + width).min(body.len()),
                _ => 0..0,
            };
            let shift = shift(field, times, &first).ok();
            for repeat in 0..times {
                let (raw, range) = match repeat {
                    0 => (first.last().copied().flatten(), whole.clone()),
                    _ => {
                        let start = at + repeat * width;
                        let range = start.min(body.len())..(start + width).min(body.len());
                        (value(message, field, body, start, &first), range)
                    }
                };
                let column = field.first_column.zip(shift).map(|(column, shift)| column + shift + repeat);
                self.field(message, field, (repeat, times), raw, from + range.start..from + range.end, column);
            }
            stands.push(whole);
            if in_body {
                at = ends;
            }
        }
        if at < body.len() {
            let words = if message.longer { "behind the last part" } else { "more than the message has" };
            self.push("rest", Role::Unused, from + at..from + length, Sent::Bytes, words.to_owned());
        }
    }

    /// One repeat of a field.
    fn field(
        &mut self,
        message: &Message,
        field: &Field,
        (repeat, times): (usize, usize),
        raw: Option<Raw>,
        range: Range<usize>,
        column: Option<usize>,
    ) {
        let there = raw.and_then(|raw| present(field, raw));
        let layout = column.and_then(|column| self.layout(message, column));
        let (role, meant, words) = match (field.equals, layout, column) {
            (Some(wanted), _, _) if raw.and_then(Raw::int) != Some(wanted) => {
                (Role::Fixed, None, format!("should be {wanted}"))
            }
            (_, Some(layout), Some(column)) => {
                let (meant, words) = meant(layout, column, there);
                (Role::Value, Some(meant), words)
            }
            (Some(wanted), _, _) => (Role::Fixed, None, format!("always {wanted}")),
            _ if field.counted => (Role::Size, None, "others count on it".to_owned()),
            _ => (Role::Unused, None, String::new()),
        };
        let sent = raw.filter(is_number).map_or(Sent::Bytes, Sent::Number);
        // The channel says which one it is: its place need not be the number of the repeat.
        let name = match meant {
            None if 1 < times => format!("{} {}", field.name, repeat + 1),
            _ => field.name.clone(),
        };
        let bytes = self.unit.place(range);
        self.parts.push(Part { name, role, bytes, bits: field.bits, sent, meant, words });
    }

    fn layout(&self, message: &Message, column: usize) -> Option<&ColumnLayout> {
        let kind = self.protocol.messages.iter().position(|other| std::ptr::eq(other, message))?;
        self.protocol.layout.kinds.get(kind)?.columns.get(column)
    }

    fn text(&mut self, shape: &TextFrame, message: Option<usize>) {
        let unit = self.unit;
        let bytes = unit.bytes.as_slice();
        let line = bytes.strip_suffix(b"\n").unwrap_or(bytes);
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        self.push("start", Role::Start, 0..shape.start.len(), Sent::Bytes, "a line begins".to_owned());
        self.push("end", Role::End, line.len()..bytes.len(), Sent::Bytes, "the line ends".to_owned());
        let Some(content) = content_of(shape, bytes) else { return };
        let from = shape.start.len();
        let text = |bytes: &[u8]| Sent::Text(String::from_utf8_lossy(bytes).into_owned());
        if let Some(check) = &shape.check {
            let at = from + content.len() + check.mark.len();
            let digits = line.get(at..).unwrap_or_default();
            let computed = text_lines::check_value(shape, bytes, content);
            let received = text_lines::hex(digits);
            let right = computed.is_some_and(|(count, value)| digits.len() == count && received == Some(value));
            let words = match (right, computed) {
                (true, _) => "the checksum is right".to_owned(),
                (false, Some((count, value))) => format!("the checksum is wrong: this line gives {value:0count$X}"),
                (false, None) => String::new(),
            };
            self.push(&check.name, Role::Check { right }, at..line.len(), text(digits), words);
        }
        let columns: Vec<&[u8]> = text_lines::split(content, &shape.separator).collect();
        let mut places = Vec::with_capacity(columns.len());
        let mut at = from;
        for column in &columns {
            places.push(at..at + column.len());
            at += column.len() + shape.separator.len();
        }
        let message = message.and_then(|index| self.protocol.messages.get(index));
        let mut named = vec![false; columns.len()];
        for id in &shape.ids {
            let (Some(place), Some(column)) = (places.get(id.column), columns.get(id.column)) else { continue };
            let words =
                message.map_or("no message kind has this id".to_owned(), |found| format!("message {}", found.name));
            self.push(&id.name, Role::Id, place.clone(), text(column), words);
            if let Some(flag) = named.get_mut(id.column) {
                *flag = true;
            }
        }
        if let Some(message) = message {
            self.columns(message, shape, &columns, &places, &mut named);
        }
        for (index, (column, place)) in columns.iter().zip(&places).enumerate() {
            if !named.get(index).copied().unwrap_or(false) {
                let name = format!("column {}", index + 1);
                self.push(&name, Role::Unused, place.clone(), text(column), String::new());
            }
        }
    }

    fn columns(
        &mut self,
        message: &Message,
        shape: &TextFrame,
        columns: &[&[u8]],
        places: &[Range<usize>],
        named: &mut [bool],
    ) {
        let mut first: Vec<Option<Raw>> = Vec::with_capacity(message.fields.len());
        for field in &message.fields {
            let times = match (field.times, &field.source) {
                (Times::Fixed(times), _) => times,
                (Times::Part(part), _) => count(&first, part, field).unwrap_or(0),
                (Times::Rest, FieldSource::Column(from)) => columns.len().saturating_sub(*from),
                (Times::Rest, _) => field.places,
            };
            let shift = shift(field, times, &first).ok();
            let mut first_value = None;
            for repeat in 0..times {
                let index = match &field.source {
                    FieldSource::Column(from) => Some(from + repeat),
                    FieldSource::Labels(labels) => labels.get(repeat).and_then(|label| {
                        columns
                            .iter()
                            .position(|column| text_lines::labelled(&[column], label, &shape.label_mark).is_some())
                    }),
                    FieldSource::Body | FieldSource::Of(_) | FieldSource::SumOf(_) => None,
                };
                let Some(index) = index else { continue };
                let (Some(column), Some(place)) = (columns.get(index), places.get(index)) else { continue };
                let text = match &field.source {
                    FieldSource::Labels(labels) => labels
                        .get(repeat)
                        .and_then(|label| text_lines::labelled(&[column], label, &shape.label_mark))
                        .unwrap_or(column),
                    _ => column,
                };
                let read = text_lines::read(field, text);
                let raw = read.flatten();
                if repeat == 0 {
                    first_value = raw;
                }
                if let Some(flag) = named.get_mut(index) {
                    *flag = true;
                }
                let to = field.first_column.zip(shift).map(|(column, shift)| column + shift + repeat);
                self.field(message, field, (repeat, times), raw, place.clone(), to);
                if let Some(part) = self.parts.last_mut() {
                    part.sent = Sent::Text(String::from_utf8_lossy(text).into_owned());
                    if read.is_none() && part.role == Role::Value {
                        part.words = "this text is not as described".to_owned();
                        part.meant = None;
                    }
                }
            }
            first.push(first_value);
        }
    }
}

/// What a number stands for, and that in words: "cell 7: 3.912 V".
fn meant(layout: &ColumnLayout, column: usize, raw: Option<Raw>) -> (Meant, String) {
    let nanos = raw.and_then(|raw| match raw {
        Raw::Int(raw) => layout.scale.nanos(raw),
        Raw::Float(raw) => layout.scale.nanos_of_float(raw),
    });
    let is_float = matches!(raw, Some(Raw::Float(_)));
    let step =
        (layout.scale.is_exact() && !is_float && layout.meaning == Meaning::Number).then(|| layout.scale.resolution());
    let value = match (&layout.meaning, raw, nanos) {
        (_, None, _) => "absent".to_owned(),
        (Meaning::Flags(flags), Some(Raw::Int(word)), _) => {
            let set: Vec<&str> =
                flags.iter().filter(|flag| word >> flag.bit & 1 == 1).map(|flag| flag.text.as_str()).collect();
            if set.is_empty() { "no flag is set".to_owned() } else { set.join(", ") }
        }
        (Meaning::States { known, .. }, Some(Raw::Int(value)), _) => {
            let state = known.iter().find(|state| i128::from(state.value) == value);
            state.map_or_else(|| format!("{value}, a state that the file does not list"), |state| state.text.clone())
        }
        (_, _, None) => "a number that stands for no value".to_owned(),
        (_, _, Some(nanos)) => {
            let number = step.map_or_else(|| format_nanos(nanos, 4), |step| format_nanos_exact(nanos, decimals(step)));
            match layout.channel.quantity.dimension() {
                Dimension::Temperature => format!("{number} °C"),
                other if other.base_unit().is_empty() => number,
                other => format!("{number} {}", other.base_unit()),
            }
        }
    };
    let words = format!("{}: {value}", layout.channel);
    (Meant { channel: layout.channel, column, nanos, step }, words)
}

/// The decimals that a step needs, so that neighbours have as many.
fn decimals(step: i64) -> u32 {
    (0..9).find(|decimals| step % 10_i64.pow(9 - decimals) == 0).unwrap_or(9)
}

impl Sent {
    /// In words: the number, the text, or nothing for bytes that are neither.
    pub fn words(&self) -> String {
        match self {
            Self::Bytes => String::new(),
            Self::Number(Raw::Int(value)) => value.to_string(),
            Self::Number(Raw::Float(value)) => value.to_string(),
            Self::Text(text) => text.clone(),
        }
    }
}
