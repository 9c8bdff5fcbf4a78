//! `[[message]]`: what a frame's body says.

use std::time::Duration;

use model::{ColumnLayout, Conversion, Curve};
use textfile::{Table, Value};

use crate::protocol::{FieldSource, Frame, IdValue, Message, Shape, Times};
use crate::read::{check_name, suggest};
use crate::read_parts::read_part;
use crate::spec;

/// Parts of one message, and flags or states of one part: what a part says is kept once for each of its repeats.
const MOST_PARTS: usize = 1024;

/// Columns of all messages together: as many as any real pack needs, and a bound on what a hostile file can take up.
const MOST_COLUMNS: usize = 8192;

/// Bytes that go through the checksum besides those sent.
const MOST_EXTRA: usize = 64;

/// Points of the curves of all columns together: each column has its own copy.
const MOST_POINTS: usize = 1 << 18;

/// A message that is checked, and what the rules need to know of it.
pub(crate) struct MessageDraft {
    pub(crate) message: Message,
    pub(crate) every: Option<Duration>,
    pub(crate) columns: Vec<ColumnLayout>,
    /// Whether all its parts could be read.
    pub(crate) complete: bool,
}

impl MessageDraft {
    /// What is too much in these messages together, if anything is.
    pub(crate) fn too_much<'d>(drafts: impl Iterator<Item = &'d Self>) -> Option<(String, &'static str)> {
        let points = |column: &ColumnLayout| match &column.scale {
            Conversion::Curve(curve) => match &**curve {
                Curve::Table(points) => points.len(),
                Curve::Thermistor { .. } => 0,
            },
            Conversion::Linear(_) => 0,
        };
        let (mut columns, mut in_curves) = (0, 0);
        for draft in drafts {
            columns += draft.columns.len();
            in_curves += draft.columns.iter().map(points).sum::<usize>();
        }
        if MOST_COLUMNS < columns {
            let message = format!("more than {MOST_COLUMNS} values in all messages");
            return Some((message, "give a channel only to what is of use"));
        }
        let message = format!("more than {MOST_POINTS} points in the curves of all values");
        (MOST_POINTS < in_curves).then_some((message, "straight lines lie between the points: leave some out"))
    }
}

/// `complete`: every frame of the file could be read, so that an unknown name is really unknown.
pub(crate) fn read_message(table: Table<'_>, frames: &[Frame], complete: bool) -> Option<MessageDraft> {
    let name = table.text("name");
    if let Some(name) = &name {
        check_name(table, name);
    }
    let mut carriers = Vec::new();
    for frame in table.texts("frames").unwrap_or_default() {
        if table.is_full() {
            break;
        }
        match frames.iter().position(|known| known.name == frame.value) {
            Some(index) if carriers.contains(&index) => {
                table.fault_hint(&frame.span, "this frame is named twice", "name each frame once");
            }
            Some(index) => carriers.push(index),
            None if complete => table.fault_hint(
                &frame.span,
                format!("no frame is called {:?}", frame.value),
                suggest("frame", frame.value, frames.iter().map(|known| known.name.as_str())),
            ),
            None => {}
        }
    }
    if carriers.is_empty() && complete && table.has("frames") && table.texts("frames").is_some_and(|l| l.is_empty()) {
        let hint = "name the frame that carries it";
        table.fault_hint(&table.span_of("frames"), "a message needs at least one frame", hint);
    }
    let carried: Vec<&Frame> = carriers.iter().filter_map(|index| frames.get(*index)).collect();
    let text = carried.first().is_some_and(|frame| frame.shape.is_text());
    if carried.iter().any(|frame| frame.shape.is_text() != text) {
        let hint = "write one message for each of them";
        table.fault_hint(&table.span_of("frames"), "one message can't be both bytes and text", hint);
    }

    let ids = read_ids(table, &carried);
    let mut draft = MessageDraft {
        message: Message {
            name: name.map(|name| name.value.to_owned()).unwrap_or_default(),
            frames: carriers,
            ids,
            least: 0,
            most: 0,
            measurable: true,
            cut_zeros: table.flag("cut_zeros").unwrap_or(false),
            longer: table.flag("longer").unwrap_or(false),
            extra: table.hex("extra").map(|extra| extra.value).unwrap_or_default(),
            answers: Vec::new(),
            is_question: false,
            fields: Vec::new(),
            column_count: 0,
        },
        every: table.duration("every"),
        columns: Vec::new(),
        complete: true,
    };
    if draft.every.is_some_and(|every| every.is_zero()) {
        table.fault_hint(&table.span_of("every"), "\"every\" can't be zero", "write for example every = \"100 ms\"");
    }
    let parts = table.tables("parts", &spec::MESSAGE_PART);
    if MOST_PARTS < parts.len() {
        let hint = "parts of the same kind in a row are one part with \"times\"";
        table.fault_hint(&table.span_of("parts"), format!("a message has at most {MOST_PARTS} parts"), hint);
    }
    if text {
        for key in ["cut_zeros", "longer", "extra"] {
            if table.has(key) {
                let hint = "drop the key";
                table.fault_hint(&table.span_of(key), format!("{key:?} is for frames of bytes"), hint);
            }
        }
    }
    for part in parts.iter().take(MOST_PARTS) {
        if MessageDraft::too_much(std::iter::once(&draft)).is_some() {
            break;
        }
        draft.complete &= read_part(*part, text, &carried, &mut draft).is_some();
    }
    read_extra(table, &carried, &draft.message);
    measure(table, text, &carried, &mut draft.message);
    if draft.message.least > 65_000 {
        let hint = "no message is so long: look at \"times\"";
        table.fault_hint(&table.span_of("parts"), "the body is longer than 65000 bytes", hint);
        return Some(draft);
    }
    for frame in carried {
        if let Shape::Binary(binary) = &frame.shape {
            // Where zeros are cut, a frame without them must still fit.
            let body = if draft.message.cut_zeros { draft.message.most } else { draft.message.least };
            let length = binary.header + body + binary.trailer;
            if frame.longest < length {
                table.fault_hint(
                    &table.span_of("parts"),
                    format!("the frame would be {length} bytes long, {:?} allows {}", frame.name, frame.longest),
                    format!("write longest = {length} into the frame"),
                );
            }
            if let Some(size) = &binary.size {
                let most = size.part.number.range().1;
                let counted = body + size.plus;
                if most < i128::try_from(counted).unwrap_or(i128::MAX) {
                    table.fault_hint(
                        &table.span_of("parts"),
                        format!("a size of {counted} does not fit in part {:?}", size.part.name),
                        "look at the type of that part, and at \"times\" here",
                    );
                }
            }
        }
    }
    Some(draft)
}

/// What goes through the checksum besides the bytes needs a checksum, and is short.
fn read_extra(table: Table<'_>, carried: &[&Frame], message: &Message) {
    if MOST_EXTRA < message.extra.len() {
        let text = format!("at most {MOST_EXTRA} bytes go through the checksum besides those sent");
        table.fault_hint(&table.span_of("extra"), text, "it is one byte nearly always");
    }
    let unchecked = carried.iter().find(|frame| !frame.shape.has_check() && !frame.lists_check);
    if let Some(frame) = unchecked.filter(|_| !message.extra.is_empty()) {
        let text = format!("frame {:?} has no checksum for \"extra\" to go through", frame.name);
        table.fault_hint(&table.span_of("extra"), text, "give the frame a part with role = \"check\", or drop the key");
    }
}

/// How long the body can be, and whether it says so itself.
fn measure(table: Table<'_>, text: bool, carried: &[&Frame], message: &mut Message) {
    let mut over = false;
    let mut open = message.cut_zeros || message.longer;
    for (index, field) in message.fields.iter().enumerate() {
        if !matches!(field.source, FieldSource::Body) {
            continue;
        }
        let width = field.number.width();
        over |= field.optional;
        open |= field.optional || field.times == Times::Rest;
        if over && !field.optional && !text {
            let span = table.span_of("parts");
            let hint = "mark all parts behind the first optional one";
            table.fault_hint(&span, format!("part {:?} stands behind an optional one", field.name), hint);
        }
        let last = message.fields.iter().skip(index + 1).all(|later| !matches!(later.source, FieldSource::Body));
        if field.times == Times::Rest && !last {
            let span = table.span_of("parts");
            let hint = "only the last part of the body can fill it";
            table.fault_hint(&span, format!("part {:?} fills the rest, and is not the last", field.name), hint);
        }
        if field.times == Times::Rest && message.cut_zeros {
            let span = table.span_of("parts");
            let hint = "say how often it stands there with a number or an earlier part";
            table.fault_hint(&span, format!("part {:?} fills the rest, of which zeros are cut", field.name), hint);
        }
        let (least, most) = match field.times {
            Times::Fixed(times) => (times, times),
            Times::Part(_) | Times::Rest => (0, field.places),
        };
        if !over {
            message.least += width * least;
        }
        message.most += width * most;
    }
    message.measurable = !open;
    if message.cut_zeros {
        message.least = message.least.min(1);
    }
    for frame in carried {
        if let Shape::Binary(binary) = &frame.shape
            && open
            && binary.size.is_none()
            && binary.end.is_empty()
            && !frame.packets
        {
            table.fault_hint(
                &table.span_of("parts"),
                format!("nothing says how long the body of this message is in frame {:?}", frame.name),
                "give the frame a part with role = \"size\", end bytes, or the line a stuffing",
            );
        }
    }
}

fn read_ids(table: Table<'_>, carried: &[&Frame]) -> Vec<(String, IdValue)> {
    let mut ids = Vec::new();
    let Some(free) = table.table("id", &spec::FREE) else { return ids };
    for (key, value) in free.entries() {
        if table.is_full() {
            break;
        }
        let mut known = false;
        for frame in carried {
            match &frame.shape {
                Shape::Binary(binary) => {
                    let Some(part) = binary.ids.iter().find(|part| part.name == key.value) else { continue };
                    known = true;
                    let Value::Integer(number) = value.value else {
                        table.fault_hint(&value.span, "the id is a whole number", "write for example 1 or 0x10");
                        continue;
                    };
                    let (low, high) = part.number.range();
                    if i128::from(number) < low || high < i128::from(number) {
                        table.fault_hint(
                            &value.span,
                            format!("{number} does not fit"),
                            format!("allowed is {low} to {high}"),
                        );
                    }
                    ids.push((key.value.clone(), IdValue::Number(number.into())));
                }
                Shape::Text(text) => {
                    if !text.ids.iter().any(|part| part.name == key.value) {
                        continue;
                    }
                    known = true;
                    match &value.value {
                        Value::Text(word) => ids.push((key.value.clone(), IdValue::Word(word.clone()))),
                        Value::Integer(number) => ids.push((key.value.clone(), IdValue::Word(number.to_string()))),
                        _ => table.fault_hint(&value.span, "the id of a text line is a text", "write it in quotes"),
                    }
                }
            }
        }
        if !known && !carried.is_empty() {
            let names: Vec<&str> = carried
                .iter()
                .flat_map(|frame| match &frame.shape {
                    Shape::Binary(binary) => binary.ids.iter().map(|part| part.name.as_str()).collect::<Vec<_>>(),
                    Shape::Text(text) => text.ids.iter().map(|part| part.name.as_str()).collect(),
                })
                .collect();
            table.fault_hint(
                &key.span,
                format!("the frame has no id part called {:?}", key.value),
                if names.is_empty() {
                    "give a part of the frame role = \"id\"".to_owned()
                } else {
                    suggest("id part", &key.value, names)
                },
            );
        }
    }
    ids.dedup();
    ids
}
