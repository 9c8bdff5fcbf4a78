//! The parts of a message: how each is encoded, what it measures and what its values mean.

use model::{Channel, ColumnLayout, Conversion, Curve, Decimal, Dimension, Quantity, Scale, Unit};
use textfile::{At, Table, Value, closest_unit};

use crate::protocol::{Field, FieldSource, Frame, FromPart, Number, Shape, Times};
use crate::read::{check_name, suggest};
use crate::read_curves::read_curve;
use crate::read_frames::{check_range, read_type};
use crate::read_meanings::read_meaning;
use crate::read_messages::MessageDraft;
use crate::spec;

/// No pack has more places of one quantity than this.
const MOST_PLACES: i64 = 512;

const MOST_STATUS_WORDS: usize = 64;

/// Parts of one sum.
const MOST_SUMMANDS: usize = 64;

/// Values that mean "absent".
const MOST_MARKERS: usize = 64;

/// Bytes of a label of a text line.
const LONGEST_LABEL: usize = 64;

/// Reads one part of a message into the draft; `None` after a fault.
pub(crate) fn read_part(part: Table<'_>, text: bool, carried: &[&Frame], draft: &mut MessageDraft) -> Option<()> {
    let name = part.text("name");
    if let Some(name) = &name {
        check_name(part, name);
        if draft.message.fields.iter().any(|field| field.name == name.value) {
            let message = format!("a second part is called {:?}", name.value);
            part.fault_hint(&name.span, message, "give each part a name of its own");
        }
    }
    let derived = derived_source(part, text, draft)?;
    let mut number = match (&derived, part.text("type")) {
        (_, Some(word)) => {
            let number = read_type(part, &word)?;
            if number.is_text() != text && !carried.is_empty() {
                let hint = if text { "types of text lines are number and hex" } else { "write for example \"u16 le\"" };
                part.fault_hint(&word.span, "this type does not fit this kind of frame", hint);
                return None;
            }
            if number == Number::Word {
                part.fault_hint(&word.span, "a value can't be a word", "types of values are number and hex");
                return None;
            }
            number
        }
        // Bits of a word, or a sum, have as many bits as they need.
        (Some(_), None) if !part.has("type") => Number::Int { bytes: 8, signed: false, big: false },
        (None, None) if !part.has("type") => {
            part.fault_hint(
                &part.span(),
                format!("part {:?} needs a type", name.as_ref().map_or("", |name| name.value)),
                "write for example type = \"u16 le\"",
            );
            return None;
        }
        _ => return None,
    };
    for key in ["column", "label", "suffix", "decimals", "wraps_bits"] {
        if part.has(key) && !text && !carried.is_empty() {
            let hint = "drop the key: the parts follow each other as listed";
            part.fault_hint(&part.span_of(key), format!("{key:?} is for lines of text"), hint);
        }
    }
    if let Number::Digits { decimals } = &mut number {
        *decimals = match part.integer("decimals", 0..=9) {
            Some(given) => u8::try_from(given.value).ok()?,
            // What has no unit is a whole number.
            None => {
                if part.has("unit") {
                    3
                } else {
                    0
                }
            }
        };
    }
    let bits = read_bits(part, number, derived.as_ref(), &draft.message.fields)?;
    let times = read_times(part, draft)?;
    let start = read_from(part, text, draft)?;
    let places = read_places(part, times, start.part)?;
    let source = match derived {
        Some(source) => source,
        None if text => text_source(part, carried, places, start.first)?,
        None => FieldSource::Body,
    };
    if times != Times::Fixed(1)
        && !matches!(source, FieldSource::Body | FieldSource::Column(_) | FieldSource::Labels(_))
    {
        let hint = "make a part of its own for each";
        part.fault_hint(&part.span_of("times"), "bits of a word and sums stand there once", hint);
        return None;
    }
    let mut field = Field {
        name: name.as_ref().map_or("", |name| name.value).to_owned(),
        source,
        number,
        times,
        places,
        from: start.part,
        counted: false,
        optional: part.flag("optional").unwrap_or(false),
        bits,
        absent: Vec::new(),
        absent_texts: Vec::new(),
        equals: None,
        suffix: part.text("suffix").map(|suffix| suffix.value.as_bytes().to_vec()).unwrap_or_default(),
        first_column: None,
        unit: part.text("unit").and_then(|word| Unit::parse(word.value)).unwrap_or(Unit::NUMBER),
    };
    (field.absent, field.absent_texts) = read_absent(part, &field);
    if let Some(equals) = part.integer("equals", i64::MIN..=i64::MAX) {
        check_range(part, "equals", equals.value, field.range());
        if matches!(number, Number::Float { .. }) {
            let hint = "write a type of whole numbers, such as \"u32 le\", and the bits as its value";
            part.fault_hint(&part.span_of("equals"), "a float can't have a fixed value", hint);
        }
        if matches!(number, Number::Digits { decimals: 1.. }) {
            part.fault_hint(&part.span_of("equals"), "a fixed value has no decimals", "write decimals = 0");
        }
        field.equals = Some(equals.value.into());
    }
    let columns = read_channel(part, &field, start.first, places)?;
    field.first_column = (!columns.is_empty()).then_some(draft.columns.len());
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
    draft.message.fields.push(field);
    name.map(|_| ())
}

/// A part that takes no bytes of its own: bits of a word, or the sum of parts. `None` after a fault.
fn derived_source(part: Table<'_>, text: bool, draft: &mut MessageDraft) -> Option<Option<FieldSource>> {
    let (of, sum_of) = (part.text("of"), part.texts("sum_of"));
    if text && (part.has("of") || part.has("sum_of")) {
        let key = if part.has("of") { "of" } else { "sum_of" };
        part.fault_hint(&part.span_of(key), format!("{key:?} is for frames of bytes"), "drop the key");
        return None;
    }
    match (of, sum_of) {
        (Some(of), None) => {
            let index = earlier_part(part, &of, draft)?;
            let word = draft.message.fields.get(index)?;
            if !matches!(word.number, Number::Int { .. }) || matches!(word.source, FieldSource::SumOf(_)) {
                let hint = "name a part with a type such as \"u16 le\"";
                part.fault_hint(&of.span, format!("part {:?} has no bits", of.value), hint);
                return None;
            }
            if !part.has("bits") {
                part.fault_hint(&of.span, "a part of a word needs its bits", "write for example bits = [4, 7]");
                return None;
            }
            Some(Some(FieldSource::Of(index)))
        }
        (None, Some(parts)) => {
            if parts.is_empty() || MOST_SUMMANDS < parts.len() {
                let message = format!("a sum has 1 to {MOST_SUMMANDS} parts");
                part.fault_hint(&part.span_of("sum_of"), message, "name the parts that are added");
                return None;
            }
            let mut indices = Vec::new();
            for name in &parts {
                let index = earlier_part(part, name, draft)?;
                if indices.contains(&index) {
                    part.fault_hint(&name.span, format!("{:?} is added twice", name.value), "list each part once");
                }
                indices.push(index);
            }
            Some(Some(FieldSource::SumOf(indices)))
        }
        (Some(of), Some(_)) => {
            part.fault_hint(&of.span, "a part is bits of a word or a sum, not both", "drop one of the two keys");
            None
        }
        (None, None) => (!part.has("of") && !part.has("sum_of")).then_some(None),
    }
}

/// The index of an earlier part of this message that stands there once as a whole number, and is counted on from now
/// on.
fn earlier_part(part: Table<'_>, name: &At<&str>, draft: &mut MessageDraft) -> Option<usize> {
    let fields = &mut draft.message.fields;
    let Some(index) = fields.iter().position(|field| field.name == name.value) else {
        part.fault_hint(
            &name.span,
            format!("no earlier part of this message is called {:?}", name.value),
            suggest("part", name.value, fields.iter().map(|field| field.name.as_str())),
        );
        return None;
    };
    let field = fields.get_mut(index)?;
    let broken = matches!(field.number, Number::Float { .. } | Number::Digits { decimals: 1.. });
    if field.times != Times::Fixed(1) || broken {
        part.fault_hint(
            &name.span,
            format!("part {:?} is no single whole number", name.value),
            match field.number {
                Number::Float { .. } => "name a part with a type such as \"u16 le\"",
                Number::Digits { decimals: 1.. } => "give that part decimals = 0",
                _ => "name a part that stands there once",
            },
        );
        return None;
    }
    field.counted = true;
    Some(index)
}

/// The lowest bit and the number of bits; `None` after a fault.
fn read_bits(
    part: Table<'_>,
    number: Number,
    derived: Option<&FieldSource>,
    fields: &[Field],
) -> Option<Option<(u8, u8)>> {
    if !part.has("bits") {
        return Some(None);
    }
    let width = match (number, derived) {
        (Number::Int { .. }, Some(FieldSource::Of(word))) => fields.get(*word)?.width_bits(),
        (Number::Int { bytes, .. }, None) => bytes * 8,
        (_, Some(FieldSource::SumOf(_))) => {
            part.fault_hint(&part.span_of("bits"), "a sum has no bits", "drop the key");
            return None;
        }
        _ => {
            let hint = "write for example type = \"u16 le\"";
            part.fault_hint(&part.span_of("bits"), "only a whole number has bits", hint);
            return None;
        }
    };
    let given = part.integers("bits")?;
    let (low, high) = (given.first(), given.last());
    match low.zip(high).filter(|_| given.len() <= 2) {
        Some((low, high)) if 0 <= *low && low <= high && *high < i64::from(width) && high - low < 63 => {
            Some(Some((u8::try_from(*low).ok()?, u8::try_from(high - low + 1).ok()?)))
        }
        _ => {
            let hint = format!("write one bit, or the lowest and the highest, counted from 0, up to {}", width - 1);
            part.fault_hint(&part.span_of("bits"), "these are no bits of the word", hint);
            None
        }
    }
}

fn read_times(part: Table<'_>, draft: &mut MessageDraft) -> Option<Times> {
    match part.entry("times") {
        None => Some(Times::Fixed(1)),
        Some(At { value: Value::Text(word), .. }) if word == "rest" => Some(Times::Rest),
        Some(At { value: Value::Text(word), span }) => {
            earlier_part(part, &At { value: word, span: span.clone() }, draft).map(Times::Part)
        }
        Some(_) => Some(Times::Fixed(usize::try_from(part.integer("times", 1..=1024)?.value).ok()?)),
    }
}

/// Where the places of a part begin.
struct StartPlace {
    first: i64,
    part: Option<FromPart>,
}

fn read_from(part: Table<'_>, text: bool, draft: &mut MessageDraft) -> Option<StartPlace> {
    let plus = part.integer("from_plus", -MOST_PLACES..=MOST_PLACES);
    let step = part.integer("from_step", 1..=MOST_PLACES);
    if let Some(At { value: Value::Text(word), span }) = part.entry("from") {
        if text && part.has("label") {
            let hint = "write the number of the first place";
            part.fault_hint(span, "labels say their places themselves", hint);
            return None;
        }
        let index = earlier_part(part, &At { value: word, span: span.clone() }, draft)?;
        let from = FromPart {
            part: index,
            step: step.map_or(1, |at| at.value),
            plus: plus.map_or(0, |at| at.value),
            first_place: 1,
        };
        return Some(StartPlace { first: 1, part: Some(from) });
    }
    for key in ["from_plus", "from_step"] {
        if part.has(key) {
            let hint = "write from = \"name of the part\", or drop the key";
            part.fault_hint(&part.span_of(key), format!("{key:?} goes with a start index in the frame"), hint);
        }
    }
    let first = if part.has("from") { part.integer("from", 1..=MOST_PLACES)?.value } else { 1 };
    Some(StartPlace { first, part: None })
}

/// How many places the part can fill.
fn read_places(part: Table<'_>, times: Times, from: Option<FromPart>) -> Option<usize> {
    let given = part.integer("places", 1..=MOST_PLACES);
    match (times, from) {
        (Times::Fixed(times), None) => {
            if let Some(given) = given {
                part.fault_hint(&given.span, "\"places\" has no use with fixed places", "drop the key");
            }
            Some(times)
        }
        _ => match given {
            Some(given) => usize::try_from(given.value).ok(),
            None => {
                if !part.has("places") {
                    part.fault_hint(
                        &part.span(),
                        "how many places can this part fill",
                        "write for example places = 24",
                    );
                }
                None
            }
        },
    }
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

fn read_absent(part: Table<'_>, field: &Field) -> (Vec<i128>, Vec<String>) {
    let number = field.number;
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
                let (low, high) = field.range();
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
fn read_channel(part: Table<'_>, field: &Field, from: i64, times: usize) -> Option<Vec<ColumnLayout>> {
    let number = field.number;
    let Some(word) = part.text("channel") else {
        for key in ["unit", "scale", "offset", "from", "positive", "flags", "states", "otherwise", "curve", "scan"] {
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
    let scale = read_conversion(part, field, quantity)?;
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
    // A text number is kept as a signed one.
    let most_bits = if number == Number::HexDigits { 64 } else { 63 };
    let bits = match part.integer("wraps_bits", 1..=most_bits) {
        Some(bits) => u8::try_from(bits.value).ok()?,
        None if number.is_text() => u8::try_from(most_bits).ok()?,
        None => field.width_bits(),
    };
    let meaning = read_meaning(part, field, quantity)?;
    let scan = part.duration("scan");
    let first = u16::try_from(from).ok()?;
    let columns = (0..times)
        .filter_map(|repeat| {
            let repeat = u16::try_from(repeat).ok()?;
            let place = if quantity.has_places() { first + repeat } else { 0 };
            Some(ColumnLayout {
                part: field.name.clone(),
                repeat,
                channel: Channel::at(quantity, place),
                scale: scale.clone(),
                bits,
                meaning: meaning.clone(),
                scan,
            })
        })
        .collect();
    Some(columns)
}

/// A straight line, or a curve.
fn read_conversion(part: Table<'_>, field: &Field, quantity: Quantity) -> Option<Conversion> {
    if let Some(curve) = part.table("curve", &spec::CURVE) {
        if matches!(quantity.dimension(), Dimension::Number | Dimension::Time) {
            let message = format!("a {} has no curve", quantity.name());
            part.fault_hint(&part.span_of("curve"), message, "drop the key");
            return None;
        }
        for key in ["scale", "offset"] {
            if part.has(key) {
                let hint = "write both into the curve: its numbers are those as sent";
                part.fault_hint(&part.span_of(key), format!("a curve has no {key:?}"), hint);
            }
        }
        let unit = read_unit(part, quantity)?;
        let curve = read_curve(curve, unit)?;
        let reversed = read_direction(part, quantity)?;
        return Some(Conversion::Curve(Box::new(if reversed { negated(curve)? } else { curve })));
    }
    if part.has("curve") {
        return None;
    }
    read_scale(part, field.number, quantity).map(Conversion::Linear)
}

/// The same curve with the sign of its values turned round; a thermistor has none to turn.
fn negated(curve: Curve) -> Option<Curve> {
    match curve {
        Curve::Table(points) => {
            let turned = points.into_iter().map(|(raw, nanos)| Some((raw, nanos.checked_neg()?)));
            Curve::table(turned.collect::<Option<Vec<_>>>()?)
        }
        Curve::Thermistor { .. } => None,
    }
}

/// Whether the numbers as sent are positive for charging; `None` after a fault.
fn read_direction(part: Table<'_>, quantity: Quantity) -> Option<bool> {
    match (quantity, part.choice("positive", &[("discharge", false), ("charge", true)])) {
        (Quantity::Current, Some(charge)) => Some(charge.value),
        (Quantity::Current, None) => {
            if !part.has("positive") {
                part.fault_hint(
                    &part.span_of("channel"),
                    "a current must say which way is positive",
                    "write positive = \"discharge\" or positive = \"charge\"",
                );
            }
            None
        }
        (_, Some(at)) => {
            part.fault_hint(&at.span, "only a current has a direction", "drop the key");
            Some(false)
        }
        (_, None) => Some(false),
    }
}

fn read_unit(part: Table<'_>, quantity: Quantity) -> Option<Unit> {
    let dimension = quantity.dimension();
    Some(match part.text("unit") {
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
    })
}

fn read_scale(part: Table<'_>, number: Number, quantity: Quantity) -> Option<Scale> {
    let unit = read_unit(part, quantity)?;
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
    if read_direction(part, quantity)? {
        scale = scale.negated()?;
    }
    Some(scale)
}
