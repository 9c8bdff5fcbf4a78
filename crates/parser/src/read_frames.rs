//! `[[frame]]`: how frames lie in the bytes.

use textfile::{At, Table};

use crate::protocol::{
    BinaryCheck, BinaryFrame, BinaryPart, Frame, Number, Place, Shape, SizePart, TextCheck, TextFrame, TextPart,
};
use crate::read::{check_name, suggest};
use crate::read_checksums::read_checksum;
use crate::spec;

/// A frame is never longer than this, whatever the file says.
const LONGEST: i64 = 65_536;

/// Parts that one frame may list.
const MOST_PARTS: usize = 64;

/// Parts of one frame that may be ids.
const MOST_IDS: usize = 8;

#[derive(Clone, Copy, PartialEq, Eq)]
enum Role {
    Id,
    Size,
    Body,
    Check,
    Other,
}

const ROLES: [(&str, Role); 5] =
    [("id", Role::Id), ("size", Role::Size), ("body", Role::Body), ("check", Role::Check), ("other", Role::Other)];

struct Draft<'t> {
    table: Table<'t>,
    name: String,
    role: Role,
    number: Option<Number>,
    /// Where it begins and one past its last byte.
    from: Place,
    to: Place,
}

/// `packets`: the line wraps packets, so that nothing else must show where a frame begins.
pub(crate) fn read_frame(table: Table<'_>, packets: bool) -> Option<Frame> {
    let name = table.text("name");
    if let Some(name) = &name {
        check_name(table, name);
    }
    let longest = table.integer("longest", 2..=LONGEST).map_or(1024, |at| at.value);
    let text = table.table("text", &spec::TEXT);
    if let (Some(_), true) = (text, table.has("start")) {
        table.fault_hint(
            &table.span_of("start"),
            "a frame of text has no start bytes",
            "write the start into text = { start = \"$\", ... }",
        );
    }
    if text.is_some() && (packets || table.has("end")) {
        let (span, what) =
            if packets { (table.span_of("text"), "stuffing") } else { (table.span_of("end"), "end bytes") };
        let hint = "a line of text ends with its line";
        table.fault_hint(&span, format!("a frame of text has no {what}"), hint);
        return None;
    }
    let mut drafts: Vec<Draft<'_>> = Vec::new();
    let parts = table.tables("parts", &spec::FRAME_PART);
    if MOST_PARTS < parts.len() {
        let hint = "the values stand in the parts of messages";
        table.fault_hint(&table.span_of("parts"), format!("a frame has at most {MOST_PARTS} parts"), hint);
        return None;
    }
    for part in parts {
        let Some(draft) = read_part(part, text.is_some()) else { continue };
        if drafts.iter().any(|earlier| earlier.name == draft.name) || draft.name == "start" {
            let hint = "each part has a name of its own; \"start\" is the start bytes";
            part.fault_hint(&part.span_of("name"), format!("the name {:?} is taken", draft.name), hint);
        }
        drafts.push(draft);
    }
    for role in [Role::Body, Role::Check, Role::Size] {
        let mut with_role = drafts.iter().filter(|draft| draft.role == role);
        let first = with_role.next();
        if let Some(second) = with_role.next() {
            second.table.fault_hint(
                &second.table.span_of("role"),
                "a frame has only one part of this role",
                "leave the role of the others out",
            );
        }
        if first.is_none() && role == Role::Body {
            table.fault_hint(
                &table.span_of("parts"),
                "no part has the role body",
                "add { name = \"body\", role = \"body\" } where the message lies",
            );
        }
    }
    if let Some(draft) = drafts.iter().filter(|draft| draft.role == Role::Id).nth(MOST_IDS) {
        let hint = "leave the role of the others out";
        draft.table.fault_hint(&draft.table.span_of("role"), format!("a frame has at most {MOST_IDS} ids"), hint);
        return None;
    }
    let shape = match text {
        Some(text) => read_text(text, &drafts).map(Shape::Text),
        None => read_binary(table, &mut drafts, packets).map(Shape::Binary),
    }?;
    let longest = usize::try_from(longest).ok()?;
    if let Shape::Binary(binary) = &shape
        && longest < binary.header + binary.trailer
    {
        table.fault_hint(
            &table.span_of("longest"),
            format!("the parts around the body alone are {} bytes long", binary.header + binary.trailer),
            "write a greater number as \"longest\"",
        );
    }
    let lists_check = drafts.iter().any(|draft| draft.role == Role::Check);
    Some(Frame { name: name?.value.to_owned(), longest, shape, messages: Vec::new(), lists_check, packets })
}

fn read_part(part: Table<'_>, text: bool) -> Option<Draft<'_>> {
    let name = part.text("name");
    if let Some(name) = &name {
        check_name(part, name);
    }
    let role = part.choice("role", &ROLES).map_or(Role::Other, |role| role.value);
    let number = part.text("type").and_then(|word| read_type(part, &word));
    if role == Role::Body && part.has("type") {
        part.fault_hint(&part.span_of("type"), "the body has no type", "the messages say what it holds");
    }
    if role != Role::Body && !part.has("type") {
        part.fault_hint(
            &part.span(),
            format!("part {:?} needs a type", name.as_ref().map_or("", |name| name.value)),
            "write for example type = \"u16 le\"",
        );
        return None;
    }
    if let Some(number) = number
        && number.is_text() != text
        && role != Role::Body
    {
        let hint = if text { "types of text lines are text, number and hex" } else { "write for example \"u16 le\"" };
        part.fault_hint(&part.span_of("type"), "this type does not fit this kind of frame", hint);
        return None;
    }
    for (key, needed) in [
        ("counts", Role::Size),
        ("crc", Role::Check),
        ("sum", Role::Check),
        ("first", Role::Check),
        ("last", Role::Check),
    ] {
        if part.has(key) && role != needed {
            let role = ROLES.iter().find(|(_, role)| *role == needed).map_or("", |(name, _)| name);
            part.fault_hint(
                &part.span_of(key),
                format!("{key:?} is for a part with the role {role:?}"),
                format!("add role = {role:?}"),
            );
        }
    }
    if part.has("equals") && (text || role == Role::Body) {
        let what = if text { "a frame of text" } else { "the body" };
        part.fault_hint(
            &part.span_of("equals"),
            format!("{what} can't have \"equals\""),
            "write it into the part of a message",
        );
    }
    for (key, needed) in [("column", Role::Id), ("mark", Role::Check)] {
        if part.has(key) && text && role != needed {
            let role = ROLES.iter().find(|(_, role)| *role == needed).map_or("", |(name, _)| name);
            part.fault_hint(
                &part.span_of(key),
                format!("{key:?} is for a part with the role {role:?}"),
                "columns of values stand in the message's parts",
            );
        }
    }
    Some(Draft { table: part, name: name?.value.to_owned(), role, number, from: Place::Start(0), to: Place::Start(0) })
}

/// `"u16 le"`, `"i8"`, `"f32 be"`, `"number"`, `"hex"`, `"text"`.
pub(crate) fn read_type(table: Table<'_>, word: &At<&str>) -> Option<Number> {
    let mut words = word.value.split_whitespace();
    let (kind, order, rest) = (words.next().unwrap_or(""), words.next(), words.next());
    let text = match kind {
        "number" => Some(Number::Digits { decimals: 3 }),
        "hex" => Some(Number::HexDigits),
        "text" => Some(Number::Word),
        _ => None,
    };
    if let (Some(number), None) = (text, order) {
        return Some(number);
    }
    let big = match order {
        Some("be") => Some(true),
        Some("le") => Some(false),
        _ => None,
    };
    let (letter, bits) = kind.split_at_checked(1).unwrap_or(("", ""));
    let bytes = (1..=8).find(|bytes: &u8| (bytes * 8).to_string() == bits).unwrap_or(0);
    let number = match (letter, bytes) {
        ("u" | "i", 1..=8) => Some(Number::Int { bytes, signed: letter == "i", big: big.unwrap_or(false) }),
        ("f", 2 | 4 | 8) => Some(Number::Float { bytes, big: big.unwrap_or(false) }),
        _ => None,
    };
    // "bcd 4 be", "digits 5", "hex 4": so many digits.
    let digits = order.and_then(|word| word.parse::<u8>().ok());
    let number = match (kind, digits, rest) {
        ("bcd", Some(digits @ 2..=16), Some("be" | "le")) if digits.is_multiple_of(2) => {
            return Some(Number::Bcd { bytes: digits / 2, big: rest == Some("be") });
        }
        ("bcd", Some(2), None) => return Some(Number::Bcd { bytes: 1, big: true }),
        ("digits", Some(bytes @ 1..=18), None) => return Some(Number::Characters { bytes }),
        ("hex", Some(bytes @ 1..=16), None) => return Some(Number::HexCharacters { bytes }),
        _ => number,
    };
    let Some(number) = number else {
        table.fault_hint(
            &word.span,
            format!("unknown type {:?}", word.value),
            "types are u8 to u64 and i8 to i64 in whole bytes, f16, f32, f64 and \"bcd 4\" with le or be, \"digits 5\" and \
             \"hex 4\" for characters; in text lines number, hex, text",
        );
        return None;
    };
    if rest.is_some() || (order.is_some() && big.is_none()) {
        table.fault_hint(&word.span, format!("unknown type {:?}", word.value), "the byte order is le or be");
        return None;
    }
    if number.width() > 1 && order.is_none() {
        table.fault_hint(
            &word.span,
            format!("{:?} needs a byte order", word.value),
            format!("write \"{kind} le\" (lowest byte first) or \"{kind} be\""),
        );
        return None;
    }
    Some(number)
}

fn read_binary(table: Table<'_>, drafts: &mut [Draft<'_>], packets: bool) -> Option<BinaryFrame> {
    let start = table.hex("start");
    // Not where there is one that can't be read: that is said already.
    let startless = !table.has("start") || start.as_ref().is_some_and(|start| start.value.is_empty());
    let start = start.map(|at| at.value).unwrap_or_default();
    if start.len() > 16 {
        let hint = "write the others as parts with \"equals\"";
        table.fault_hint(&table.span_of("start"), "more than 16 start bytes", hint);
    }
    let mut at = start.len();
    let mut header = None;
    for draft in drafts.iter_mut() {
        if draft.table.has("column") || draft.table.has("mark") {
            draft.table.fault_hint(
                &draft.table.span_of(if draft.table.has("column") { "column" } else { "mark" }),
                "only lines of text have columns and marks",
                "add text = { separator = \",\" } to the frame, or drop the key",
            );
        }
        let width = draft.number.map_or(0, Number::width);
        let place = |at| if header.is_some() { Place::BodyEnd(at) } else { Place::Start(at) };
        draft.from = place(at);
        draft.to = place(at + width);
        at += width;
        if draft.role == Role::Body && header.is_none() {
            draft.to = Place::BodyEnd(0);
            header = Some(at);
            at = 0;
        }
    }
    let (header, trailer) = (header?, at);

    let end = table.hex("end").map(|at| at.value).unwrap_or_default();
    if end.len() > 16 {
        let hint = "write the others as parts with \"equals\"";
        table.fault_hint(&table.span_of("end"), "more than 16 end bytes", hint);
    }
    let trailer = trailer + end.len();
    let mut frame = BinaryFrame {
        start,
        header,
        trailer,
        end,
        ids: Vec::new(),
        size: None,
        constants: Vec::new(),
        check: None,
        others: Vec::new(),
    };
    for draft in drafts.iter() {
        let Some(number) = draft.number else { continue };
        let part = BinaryPart { name: draft.name.clone(), place: draft.from, number };
        let whole = !matches!(number, Number::Float { .. });
        if !whole && draft.role != Role::Other {
            let hint = "write for example \"u16 le\", or leave the role out";
            draft.table.fault_hint(&draft.table.span_of("type"), "this role needs a whole number", hint);
            continue;
        }
        if let Some(equals) = draft.table.integer("equals", i64::MIN..=i64::MAX) {
            check_fits(draft.table, "equals", equals.value, number);
            if !whole {
                let hint = "write a type of whole numbers, such as \"u32 le\", and the bits as its value";
                draft.table.fault_hint(&draft.table.span_of("equals"), "a float can't have a fixed value", hint);
            }
            frame.constants.push((part.clone(), equals.value.into()));
        } else if draft.role == Role::Other {
            frame.others.push(part.clone());
        }
        match draft.role {
            Role::Id | Role::Size if matches!(draft.from, Place::BodyEnd(_)) => draft.table.fault_hint(
                &draft.table.span_of("role"),
                "an id or size behind the body can't say where the body ends",
                "put it in front of the body, or leave its role out",
            ),
            Role::Id => frame.ids.push(part),
            Role::Size => {
                if let Some(plus) = read_counts(draft.table, drafts, &frame.start) {
                    frame.size = Some(SizePart { part, plus });
                }
            }
            Role::Check => frame.check = read_check(draft, drafts, number, part),
            Role::Body | Role::Other => {}
        }
    }
    let lists_check = drafts.iter().any(|draft| draft.role == Role::Check);
    if startless && !lists_check && frame.constants.is_empty() && !packets {
        table.fault_hint(
            &table.span(),
            "nothing shows where such a frame begins",
            "give it start bytes, a checksum or a part with a fixed value",
        );
    }
    if startless
        && !packets
        && frame.constants.is_empty()
        && frame.check.as_ref().is_some_and(|check| check.checksum.accepts_all_zero())
    {
        table.warning(
            &table.span(),
            "a row of zero bytes passes this checksum",
            "give the frame start bytes or a part with a fixed value",
        );
    }
    Some(frame)
}

/// The sum of the widths of the counted parts other than the body.
fn read_counts(table: Table<'_>, drafts: &[Draft<'_>], start: &[u8]) -> Option<usize> {
    let Some(counts) = table.texts("counts") else {
        if !table.has("counts") {
            table.fault_hint(
                &table.span(),
                "a size needs the key \"counts\"",
                "list the parts that it counts, such as counts = [\"body\"]",
            );
        }
        return None;
    };
    let mut plus = 0;
    let mut body = false;
    for (index, counted) in counts.iter().enumerate() {
        if table.is_full() {
            break;
        }
        if counts.iter().take(index).any(|earlier| earlier.value == counted.value) {
            table.fault_hint(&counted.span, format!("{:?} is counted twice", counted.value), "list each part once");
        }
        if counted.value == "start" {
            plus += start.len();
            continue;
        }
        match drafts.iter().find(|draft| draft.name == counted.value) {
            Some(draft) if draft.role == Role::Body => body = true,
            Some(draft) => plus += draft.number.map_or(0, Number::width),
            None => unknown_part(table, counted, drafts),
        }
    }
    if !body {
        table.fault_hint(
            &table.span_of("counts"),
            "the size must count the body",
            "where the length is fixed, leave the role out",
        );
    }
    Some(plus)
}

fn unknown_part(table: Table<'_>, name: &At<&str>, drafts: &[Draft<'_>]) {
    let known = drafts.iter().map(|draft| draft.name.as_str());
    table.fault_hint(
        &name.span,
        format!("no part of this frame is called {:?}", name.value),
        suggest("part", name.value, known),
    );
}

fn read_check(draft: &Draft<'_>, drafts: &[Draft<'_>], number: Number, part: BinaryPart) -> Option<BinaryCheck> {
    let table = draft.table;
    let checksum = read_checksum(table)?;
    let (bits, what) = match number {
        Number::Int { bytes, .. } => (bytes * 8, format!("u{} le\" or be", checksum.bits().div_ceil(8) * 8)),
        Number::HexCharacters { bytes } => (bytes * 4, format!("hex {}\"", checksum.bits().div_ceil(4))),
        _ => {
            let hint = "write for example \"u16 le\", or \"hex 4\" for hexadecimal characters";
            table.fault_hint(&table.span_of("type"), "a checksum has no decimal digits", hint);
            return None;
        }
    };
    let step = if matches!(number, Number::Int { .. }) { 8 } else { 4 };
    if checksum.bits().div_ceil(step) * step != bits {
        table.fault_hint(
            &table.span_of("type"),
            format!("this checksum has {} bits, the part has {bits}", checksum.bits()),
            format!("write type = \"{what}"),
        );
    }
    if matches!(number, Number::Int { signed: true, .. }) {
        table.fault_hint(&table.span_of("type"), "a checksum has no sign", "write u instead of i");
    }
    let position = drafts.iter().position(|other| other.name == draft.name)?;
    let find = |key: &str, default: Option<&Draft<'_>>, end: bool| -> Option<(usize, Place)> {
        let chosen = match table.text(key) {
            Some(name) if name.value == "start" && !end => return Some((0, Place::Start(0))),
            Some(name) => match drafts.iter().position(|other| other.name == name.value) {
                Some(index) => index,
                None => {
                    unknown_part(table, &name, drafts);
                    return None;
                }
            },
            None => match drafts.iter().position(|other| default.is_some_and(|default| default.name == other.name)) {
                Some(index) => index,
                None => {
                    table.fault_hint(
                        &table.span(),
                        "there is no part in front of the checksum",
                        "say with \"first\" and \"last\" which parts it covers",
                    );
                    return None;
                }
            },
        };
        let other = drafts.get(chosen)?;
        Some((chosen, if end { other.to } else { other.from }))
    };
    let before = position.checked_sub(1).and_then(|index| drafts.get(index));
    let (first, from) = find("first", drafts.first(), false)?;
    let (last, end) = find("last", before, true)?;
    if last < first && first != position && last != position {
        table.fault_hint(
            &table.span_of("last"),
            "the last part that it covers comes before the first",
            "name them in the order of the bytes",
        );
        return None;
    }
    if first == position || (first..=last).contains(&position) {
        table.fault_hint(
            &table.span_of(if position == first { "first" } else { "last" }),
            "the checksum can't cover itself",
            "say with \"first\" and \"last\" which parts it covers: all in front of it, or all behind it",
        );
        return None;
    }
    Some(BinaryCheck { part, checksum, first: from, end })
}

fn read_text(text: Table<'_>, drafts: &[Draft<'_>]) -> Option<TextFrame> {
    let bytes = |key: &str| text.text(key).map(|at| at.value.as_bytes().to_vec()).unwrap_or_default();
    let separator = text.text("separator")?;
    if separator.value.is_empty() || separator.value.contains(['\r', '\n']) {
        text.fault_hint(&separator.span, "this can't separate columns", "write for example separator = \",\"");
        return None;
    }
    for key in ["start", "label_mark"] {
        let odd = text.text(key).filter(|at| at.value.contains(['\r', '\n']));
        if let Some(odd) = odd {
            let hint = "a line ends with LF; CR in front of it is passed over";
            text.fault_hint(&odd.span, format!("{key:?} can't contain the end of a line"), hint);
        }
    }
    let mut frame = TextFrame {
        start: bytes("start"),
        separator: separator.value.as_bytes().to_vec(),
        label_mark: bytes("label_mark"),
        check: None,
        ids: Vec::new(),
    };
    for draft in drafts {
        let table = draft.table;
        match draft.role {
            Role::Id => match table.integer("column", 1..=1000) {
                Some(column) => frame.ids.push(TextPart {
                    name: draft.name.clone(),
                    column: usize::try_from(column.value).ok()?.checked_sub(1)?,
                }),
                None if !table.has("column") => {
                    table.fault_hint(&table.span(), "an id of a text line needs a column", "columns count from 1");
                }
                None => {}
            },
            Role::Check => {
                let checksum = read_checksum(table);
                let mark = table.text("mark");
                if mark.is_none() && !table.has("mark") {
                    table.fault_hint(
                        &table.span(),
                        "the checksum of a text line needs a mark in front of it",
                        "write for example mark = \"*\"",
                    );
                }
                if draft.number != Some(Number::HexDigits) {
                    table.fault_hint(
                        &table.span_of("type"),
                        "the checksum of a text line is in hexadecimal",
                        "write type = \"hex\"",
                    );
                }
                let covers_start = match table.text("first") {
                    Some(first) if first.value == "start" => true,
                    Some(first) if drafts.iter().any(|draft| draft.name == first.value) => false,
                    Some(first) => {
                        unknown_part(table, &first, drafts);
                        false
                    }
                    None => false,
                };
                let covers_mark = match table.text("last") {
                    Some(last) if last.value == "mark" => true,
                    Some(last) if drafts.iter().any(|draft| draft.name == last.value) => false,
                    Some(last) => {
                        unknown_part(table, &last, drafts);
                        false
                    }
                    None => false,
                };
                if let (Some(checksum), Some(mark)) = (checksum, mark) {
                    if mark.value.is_empty() || mark.value.contains(['\r', '\n']) {
                        table.fault_hint(&mark.span, "this can't mark a checksum", "write for example mark = \"*\"");
                    }
                    frame.check = Some(TextCheck {
                        name: draft.name.clone(),
                        checksum,
                        mark: mark.value.as_bytes().to_vec(),
                        covers_start,
                        covers_mark,
                    });
                }
            }
            Role::Size => table.fault_hint(
                &table.span_of("role"),
                "a line of text has no size",
                "leave the role out: the frame ends with the line",
            ),
            Role::Body | Role::Other => {}
        }
    }
    inner_marks(text, &frame);
    Some(frame)
}

/// Faults where a mark of the line would be taken for another one.
fn inner_marks(text: Table<'_>, frame: &TextFrame) {
    let contains = |outer: &[u8], inner: &[u8]| !inner.is_empty() && outer.windows(inner.len()).any(|at| at == inner);
    let no_start = "leave the start out: a line then starts behind the end of the last one";
    for (key, mark) in [("separator", &frame.separator), ("label_mark", &frame.label_mark)] {
        if contains(mark, &frame.start) {
            let message = format!("this {key:?} would be taken for the start of the next line");
            text.fault_hint(&text.span_of(key), message, no_start);
        }
    }
    if frame.check.as_ref().is_some_and(|check| contains(&check.mark, &frame.start)) {
        let message = "the mark of the checksum would be taken for the start of the next line";
        text.fault_hint(&text.span_of("start"), message, no_start);
    }
    if contains(&frame.label_mark, &frame.separator) {
        text.fault_hint(
            &text.span_of("label_mark"),
            "this \"label_mark\" would be taken for a separator",
            "where label and value stand in columns of their own, give the value's part its column",
        );
    }
}

pub(crate) fn check_fits(table: Table<'_>, key: &str, value: i64, number: Number) {
    check_range(table, key, value, number.range());
}

pub(crate) fn check_range(table: Table<'_>, key: &str, value: i64, (low, high): (i128, i128)) {
    if i128::from(value) < low || high < i128::from(value) {
        table.fault_hint(&table.span_of(key), format!("{value} does not fit"), format!("allowed is {low} to {high}"));
    }
}

impl Shape {
    pub(crate) fn has_check(&self) -> bool {
        match self {
            Self::Binary(frame) => frame.check.is_some(),
            Self::Text(frame) => frame.check.is_some(),
        }
    }

    pub(crate) fn has_size(&self) -> bool {
        matches!(self, Self::Binary(BinaryFrame { size: Some(_), .. }))
    }

    /// Bytes that can begin anywhere.
    pub(crate) fn is_startless(&self) -> bool {
        matches!(self, Self::Binary(frame) if frame.start.is_empty())
    }

    pub(crate) fn is_text(&self) -> bool {
        matches!(self, Self::Text(_))
    }
}
