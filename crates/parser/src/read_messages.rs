//! `[[message]]`: what a frame's body says.

use std::time::Duration;

use model::{Channel, ColumnLayout, Decimal, Dimension, Flag, Meaning, Means, Quantity, Scale, State, Unit};
use textfile::{At, Table, Value, closest_unit};

use crate::protocol::{Field, FieldSource, Frame, IdValue, Message, Number, Shape};
use crate::read::{check_name, suggest};
use crate::read_frames::{check_fits, read_type};
use crate::spec;

/// No pack has more places of one quantity than this.
const MOST_PLACES: i64 = 512;

/// Parts of one message, and flags or states of one part: what a part says is kept once for each of its repeats.
const MOST_PARTS: usize = 1024;
const MOST_STATES: usize = 256;
const MOST_STATUS_WORDS: usize = 64;

/// Values that mean "absent".
const MOST_MARKERS: usize = 64;

/// Bytes of a label of a text line.
const LONGEST_LABEL: usize = 64;

/// A message that is checked, and what the rules need to know of it.
pub(crate) struct MessageDraft {
    pub(crate) message: Message,
    pub(crate) every: Option<Duration>,
    pub(crate) columns: Vec<ColumnLayout>,
    /// Whether all its parts could be read.
    pub(crate) complete: bool,
}

const MEANS: [(&str, Means); 4] =
    [("normal", Means::Normal), ("warning", Means::Warning), ("fault", Means::Fault), ("unknown", Means::Unknown)];

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
            body: 0,
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
    for part in parts.iter().take(MOST_PARTS) {
        draft.complete &= read_part(*part, text, &carried, &mut draft).is_some();
    }
    if draft.message.body > 65_000 {
        let hint = "no message is so long: look at \"times\"";
        table.fault_hint(&table.span_of("parts"), "the body is longer than 65000 bytes", hint);
        return Some(draft);
    }
    if draft.complete && draft.columns.is_empty() && !parts.is_empty() {
        table.warning(
            &table.span_of("parts"),
            "no part of this message has a channel",
            "add channel = \"cell voltage\" or another one, or the message only shows that the line is alive",
        );
    }
    for frame in carried {
        if let Shape::Binary(binary) = &frame.shape {
            let length = binary.header + draft.message.body + binary.trailer;
            if frame.longest < length {
                table.fault_hint(
                    &table.span_of("parts"),
                    format!("the frame would be {length} bytes long, {:?} allows {}", frame.name, frame.longest),
                    format!("write longest = {length} into the frame"),
                );
            }
            if let Some(size) = &binary.size {
                let most = size.part.number.range().1;
                let counted = draft.message.body + size.plus;
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

fn read_part(part: Table<'_>, text: bool, carried: &[&Frame], draft: &mut MessageDraft) -> Option<()> {
    let name = part.text("name");
    if let Some(name) = &name {
        check_name(part, name);
        if draft.message.fields.iter().any(|field| field.name == name.value) {
            let message = format!("a second part is called {:?}", name.value);
            part.fault_hint(&name.span, message, "give each part a name of its own");
        }
    }
    let times = part.integer("times", 1..=1024).map_or(1, |times| times.value);
    let times = usize::try_from(times).ok()?;
    let word = part.text("type")?;
    let mut number = read_type(part, &word)?;
    if number.is_text() != text && !carried.is_empty() {
        let hint = if text { "types of text lines are number and hex" } else { "write for example \"u16 le\"" };
        part.fault_hint(&word.span, "this type does not fit this kind of frame", hint);
        return None;
    }
    if number == Number::Word {
        part.fault_hint(&word.span, "a value can't be a word", "types of values are number and hex");
        return None;
    }
    for key in ["column", "label", "suffix", "decimals", "wraps_bits"] {
        if part.has(key) && !text && !carried.is_empty() {
            let hint = "drop the key: the parts follow each other as listed";
            part.fault_hint(&part.span_of(key), format!("{key:?} is for lines of text"), hint);
        }
    }
    if let Number::Digits { decimals } = &mut number
        && let Some(given) = part.integer("decimals", 0..=9)
    {
        *decimals = u8::try_from(given.value).ok()?;
    }
    let from = part.integer("from", 1..=MOST_PLACES).map_or(1, |from| from.value);
    let source = if text { text_source(part, carried, times, from)? } else { FieldSource::Body(draft.message.body) };
    draft.message.body += number.width() * times;
    let (absent, absent_texts) = read_absent(part, number);
    let equals = part.integer("equals", i64::MIN..=i64::MAX).map(|equals| equals.value);
    if let Some(equals) = equals {
        check_fits(part, "equals", equals, number);
        if matches!(number, Number::Float { .. }) {
            let hint = "write a type of whole numbers, such as \"u32 le\", and the bits as its value";
            part.fault_hint(&part.span_of("equals"), "a float can't have a fixed value", hint);
        }
    }
    let columns = read_channel(part, number, times, from, &name)?;
    let first_column = (!columns.is_empty()).then_some(draft.columns.len());
    let carried_twice = columns.iter().find_map(|column| {
        let earlier = draft.columns.iter().find(|earlier| earlier.channel == column.channel)?;
        Some(format!("{} is already carried by part {:?}", column.channel, earlier.part))
    });
    if let Some(message) = carried_twice {
        let quantity = columns.first().map(|column| column.channel.quantity);
        let hint = if quantity.is_some_and(Quantity::has_places) {
            "say with \"from\" where its places begin"
        } else {
            "a message carries it once: drop the channel of one of the parts"
        };
        part.fault_hint(&part.span_of("channel"), message, hint);
        return None;
    }
    draft.columns.extend(columns);
    draft.message.column_count = draft.columns.len();
    draft.message.fields.push(Field {
        name: name?.value.to_owned(),
        source,
        number,
        times,
        absent,
        absent_texts,
        equals: equals.map(i128::from),
        suffix: part.text("suffix").map(|suffix| suffix.value.as_bytes().to_vec()).unwrap_or_default(),
        first_column,
        unit: part.text("unit").and_then(|word| Unit::parse(word.value)).unwrap_or(Unit::NUMBER),
    });
    Some(())
}

fn text_source(part: Table<'_>, carried: &[&Frame], times: usize, from: i64) -> Option<FieldSource> {
    match (part.integer("column", 1..=1000), part.text("label")) {
        (Some(column), None) => Some(FieldSource::Column(usize::try_from(column.value).ok()?.checked_sub(1)?)),
        (None, Some(label)) => {
            if LONGEST_LABEL < label.value.len() {
                let message = format!("a label is at most {LONGEST_LABEL} bytes long");
                part.fault_hint(&label.span, message, "a value without a label has a column");
                return None;
            }
            let marked = carried.iter().all(|frame| match &frame.shape {
                Shape::Text(text) => !text.label_mark.is_empty(),
                Shape::Binary(_) => false,
            });
            if !marked {
                part.fault_hint(
                    &label.span,
                    "the frame does not say what stands between label and value",
                    "write text = { label_mark = \"=\", ... } in the frame",
                );
            }
            if times > 1 && !label.value.contains('#') {
                part.fault_hint(&label.span, "repeats need labels that differ", "write # where the number stands");
            }
            let places = from..from + i64::try_from(times).ok()?;
            let labels = places.map(|place| label.value.replace('#', &place.to_string()).into_bytes()).collect();
            Some(FieldSource::Labels(labels))
        }
        (Some(_), Some(label)) => {
            part.fault_hint(&label.span, "a part has a column or a label, not both", "drop one of the two keys");
            None
        }
        (None, None) => {
            if !part.has("column") && !part.has("label") {
                part.fault_hint(
                    &part.span(),
                    "a part of a text line needs a column or a label",
                    "write for example column = 2",
                );
            }
            None
        }
    }
}

fn read_absent(part: Table<'_>, number: Number) -> (Vec<i128>, Vec<String>) {
    let (mut numbers, mut texts) = (Vec::new(), Vec::new());
    let Some(entry) = part.entry("absent") else { return (numbers, texts) };
    let items = match &entry.value {
        Value::List(list) => list.as_slice(),
        _ => std::slice::from_ref(entry),
    };
    if MOST_MARKERS < items.len() {
        let message = format!("a part has at most {MOST_MARKERS} values that mean \"absent\"");
        part.fault_hint(&entry.span, message, "leave some out");
        return (numbers, texts);
    }
    for item in items {
        match &item.value {
            Value::Integer(value) if !number.is_text() => {
                let (low, high) = number.range();
                if i128::from(*value) < low || high < i128::from(*value) {
                    part.fault_hint(&item.span, format!("{value} does not fit"), format!("allowed is {low} to {high}"));
                }
                numbers.push((*value).into());
            }
            Value::Text(text) if number.is_text() => texts.push(text.clone()),
            _ if number.is_text() => part.fault_hint(&item.span, "absent in a text line is a text", "write \"---\""),
            other => part.fault_hint(
                &item.span,
                format!("absent is {}, expected the whole number as sent", other.kind()),
                "write for example absent = 0xFFFF",
            ),
        }
    }
    (numbers, texts)
}

const PLACES: &str = "cell voltage, temperature and status have places";

/// The columns of the part: none where it has no channel; `None` after a fault.
fn read_channel(
    part: Table<'_>,
    number: Number,
    times: usize,
    from: i64,
    name: &Option<At<&str>>,
) -> Option<Vec<ColumnLayout>> {
    let Some(word) = part.text("channel") else {
        for key in ["unit", "scale", "offset", "from", "positive", "flags", "states", "otherwise"] {
            if part.has(key) && key != "unit" && key != "from" {
                part.warning(
                    &part.span_of(key),
                    format!("{key:?} has no use without a channel"),
                    "add a channel, or drop the key",
                );
            }
        }
        return Some(Vec::new());
    };
    let quantity = part.pick(&word, "channel", &Quantity::ALL)?;
    let scale = read_scale(part, number, quantity)?;
    if !quantity.has_places() && times > 1 {
        part.fault_hint(&part.span_of("times"), format!("a pack has only one {}", quantity.name()), PLACES);
        return None;
    }
    if quantity.has_places() && from + i64::try_from(times).ok()? - 1 > MOST_PLACES {
        let hint = "look at \"from\" and \"times\"";
        part.fault_hint(&part.span_of("times"), format!("places go to {MOST_PLACES}"), hint);
        return None;
    }
    let worded = part.has("flags") || part.has("states");
    if worded && MOST_STATUS_WORDS < times {
        let message = format!("flags or states stand at most {MOST_STATUS_WORDS} times in a row");
        part.fault_hint(&part.span_of("times"), message, "make several parts of it");
        return None;
    }
    if !quantity.has_places() && part.has("from") {
        part.fault_hint(&part.span_of("from"), format!("a pack has only one {}", quantity.name()), PLACES);
    }
    let bits = match part.integer("wraps_bits", 1..=64) {
        Some(bits) => u8::try_from(bits.value).ok()?,
        None if number.is_text() => 64,
        None => u8::try_from(number.width() * 8).ok()?,
    };
    let meaning = read_meaning(part, number, quantity)?;
    let first = u16::try_from(from).ok()?;
    let columns = (0..times)
        .filter_map(|repeat| {
            let repeat = u16::try_from(repeat).ok()?;
            let place = if quantity.has_places() { first + repeat } else { 0 };
            Some(ColumnLayout {
                part: name.as_ref().map_or("", |name| name.value).to_owned(),
                repeat,
                channel: Channel::at(quantity, place),
                scale,
                bits,
                meaning: meaning.clone(),
            })
        })
        .collect();
    Some(columns)
}

fn read_scale(part: Table<'_>, number: Number, quantity: Quantity) -> Option<Scale> {
    let dimension = quantity.dimension();
    let unit = match part.text("unit") {
        Some(word) => match Unit::parse(word.value) {
            Some(unit) if unit.dimension == dimension => unit,
            Some(unit) => {
                part.fault_hint(
                    &word.span,
                    format!("{} is a {}, not a {}", quantity.name(), dimension.name(), unit.dimension.name()),
                    if dimension == Dimension::Number {
                        "drop the unit".to_owned()
                    } else {
                        format!("write for example {:?}", dimension.base_unit())
                    },
                );
                return None;
            }
            None => {
                let of_dimension = Unit::symbols()
                    .filter(|symbol| Unit::parse(symbol).is_some_and(|unit| unit.dimension == dimension));
                let hint = match closest_unit(word.value, dimension) {
                    Some(near) => format!("did you mean {near:?}?"),
                    None if dimension == Dimension::Number => "drop the unit".to_owned(),
                    None => {
                        format!("units of a {} are {}", dimension.name(), of_dimension.collect::<Vec<_>>().join(", "))
                    }
                };
                part.fault_hint(&word.span, format!("unknown unit {:?}", word.value), hint);
                return None;
            }
        },
        None if dimension == Dimension::Number => Unit::NUMBER,
        None => {
            if !part.has("unit") {
                part.fault_hint(
                    &part.span_of("channel"),
                    format!("a {} needs a unit", quantity.name()),
                    format!("write for example unit = {:?}", dimension.base_unit()),
                );
            }
            return None;
        }
    };
    let mut factor = part.decimal("scale").map_or(Decimal::ONE, |at| at.value);
    let offset = part.decimal("offset").map_or(Decimal::ZERO, |at| at.value);
    if let Number::Digits { decimals } = number {
        factor.exponent -= i32::from(decimals);
    }
    let Some(mut scale) = Scale::new(unit, factor, offset) else {
        let key = if part.has("scale") { "scale" } else { "offset" };
        part.fault_hint(
            &part.span_of(key),
            "this scale can't be used",
            "it must not be zero, and its values must fit between a billionth and nine billion of the base unit",
        );
        return None;
    };
    match (quantity, part.choice("positive", &[("discharge", false), ("charge", true)])) {
        (Quantity::Current, Some(At { value: true, .. })) => scale = scale.negated()?,
        (Quantity::Current, Some(_)) => {}
        (Quantity::Current, None) => {
            if !part.has("positive") {
                part.fault_hint(
                    &part.span_of("channel"),
                    "a current must say which way is positive",
                    "write positive = \"discharge\" or positive = \"charge\"",
                );
            }
            return None;
        }
        (_, Some(at)) => part.fault_hint(&at.span, "only a current has a direction", "drop the key"),
        (_, None) => {}
    }
    Some(scale)
}

fn read_meaning(part: Table<'_>, number: Number, quantity: Quantity) -> Option<Meaning> {
    let flags = part.tables("flags", &spec::FLAG);
    let states = part.tables("states", &spec::STATE);
    if MOST_STATES < flags.len().max(states.len()) {
        let key = if flags.is_empty() { "states" } else { "flags" };
        let hint = "\"otherwise\" says what the others mean";
        part.fault_hint(&part.span_of(key), format!("a part has at most {MOST_STATES} {key}"), hint);
        return None;
    }
    let worded = matches!(quantity, Quantity::Status | Quantity::SenseLeadTest | Quantity::Balancing);
    if matches!(number, Number::Float { .. }) && quantity.dimension() == Dimension::Number {
        let hint = "write for example type = \"u16 le\"";
        part.fault_hint(&part.span_of("type"), format!("a {} is a whole number", quantity.name()), hint);
        return None;
    }
    match (flags.is_empty(), states.is_empty()) {
        (false, false) => {
            part.fault_hint(
                &part.span_of("states"),
                "a part has flags or states, not both",
                "drop one of the two keys",
            );
            None
        }
        (true, true) if !worded => Some(Meaning::Number),
        (true, true) => {
            part.fault_hint(
                &part.span_of("channel"),
                format!("a {} must say what its values mean", quantity.name()),
                "write states = [{ value = 0, text = \"off\" }, ...] or flags = [{ bit = 0, text = \"...\" }, ...]",
            );
            None
        }
        _ if !worded => {
            let key = if flags.is_empty() { "states" } else { "flags" };
            let hint = "status, sense lead test and balancing have them";
            part.fault_hint(&part.span_of(key), format!("a {} has no {key}", quantity.name()), hint);
            None
        }
        (false, true) => {
            let width = if number.is_text() { 64 } else { number.width() * 8 };
            let most = i64::try_from(width).ok()? - 1;
            let mut list: Vec<Flag> = Vec::new();
            for flag in flags {
                let Some(bit) = flag.integer("bit", 0..=most) else { continue };
                let bit = At { value: u8::try_from(bit.value).ok()?, span: bit.span };
                if list.iter().any(|earlier| earlier.bit == bit.value) {
                    let hint = "bits count from 0, the least significant";
                    flag.fault_hint(&bit.span, format!("bit {} is listed twice", bit.value), hint);
                }
                let channel = flag.text("channel").and_then(|word| {
                    let bits = [
                        (Quantity::SenseLeadTest.name(), Quantity::SenseLeadTest),
                        (Quantity::Balancing.name(), Quantity::Balancing),
                    ];
                    flag.pick(&word, "the channel of a flag", &bits)
                });
                list.push(Flag {
                    bit: bit.value,
                    text: flag.text("text").map(|text| text.value.to_owned()).unwrap_or_default(),
                    set: flag.choice("set", &MEANS).map_or(Means::Warning, |at| at.value),
                    clear: flag.choice("clear", &MEANS).map_or(Means::Normal, |at| at.value),
                    channel: channel.map(Channel::whole),
                });
            }
            Some(Meaning::Flags(list))
        }
        (true, false) => {
            let mut known: Vec<State> = Vec::new();
            for state in states {
                let Some(value) = state.integer("value", i64::MIN..=i64::MAX) else { continue };
                check_fits(state, "value", value.value, number);
                if known.iter().any(|earlier| earlier.value == value.value) {
                    let message = format!("the value {} is listed twice", value.value);
                    state.fault_hint(&value.span, message, "list each value once");
                }
                known.push(State {
                    value: value.value,
                    text: state.text("text").map(|text| text.value.to_owned()).unwrap_or_default(),
                    means: state.choice("means", &MEANS).map_or(Means::Normal, |at| at.value),
                });
            }
            let otherwise = part.choice("otherwise", &MEANS).map_or(Means::Warning, |at| at.value);
            Some(Meaning::States { known, otherwise })
        }
    }
}
