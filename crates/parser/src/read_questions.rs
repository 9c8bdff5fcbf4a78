//! Which message asks for which, what is asked, and what tells messages apart.

use std::time::Duration;

use textfile::{Table, Value};

use crate::protocol::{Ask, AskTimes, Field, FieldSource, Frame, Message, Number, Protocol, Times};
use crate::read::suggest;
use crate::read_messages::MessageDraft;
use crate::spec;

/// Fixed values of a message that are held against those of others.
const MOST_FIXED: usize = 64;

/// Messages that may ask for one.
const MOST_QUESTIONS: usize = 64;

/// Which message asks for which; each names messages that are no answers themselves. False after a fault: then it is
/// not known which messages are questions.
pub(crate) fn pair_answers(tables: &[Table<'_>], messages: &mut [MessageDraft]) -> bool {
    let mut paired = true;
    for (index, table) in tables.iter().enumerate().take(messages.len()) {
        let Some(entry) = table.entry("answers") else { continue };
        let items = match &entry.value {
            Value::List(list) => list.as_slice(),
            _ => std::slice::from_ref(entry),
        };
        if items.is_empty() || MOST_QUESTIONS < items.len() {
            let hint = "name the message that asks for this one";
            table.fault_hint(&entry.span, format!("an answer has 1 to {MOST_QUESTIONS} questions"), hint);
            paired = false;
            continue;
        }
        for item in items {
            if table.is_full() {
                break;
            }
            // Until the last line of the round.
            let sound = std::mem::replace(&mut paired, false);
            let Value::Text(name) = &item.value else {
                let message = format!("\"answers\" is {}, expected a text in quotes", item.value.kind());
                table.fault_hint(&item.span, message, "name the message that asks for this one");
                continue;
            };
            let asked = messages.iter().position(|other| other.message.name == *name);
            if asked == Some(index) {
                table.fault_hint(&item.span, "a message can't answer itself", "name the question");
                continue;
            }
            let Some(asked) = asked else {
                let names = messages.iter().map(|other| other.message.name.as_str());
                let message = format!("no other message is called {name:?}");
                table.fault_hint(&item.span, message, suggest("message", name, names));
                continue;
            };
            if tables.get(asked).is_some_and(|table| table.has("answers")) {
                table.fault_hint(&item.span, format!("message {name:?} is an answer itself"), "name the question");
                continue;
            }
            if let Some(draft) = messages.get_mut(index) {
                draft.message.answers.push(asked);
            }
            if let Some(draft) = messages.get_mut(asked) {
                draft.message.is_question = true;
            }
            paired = sound;
        }
    }
    paired
}

pub(crate) fn read_ask(table: Table<'_>, protocol: &Protocol) -> Option<Ask> {
    let name = table.text("message")?;
    let names = protocol.messages.iter().map(|message| message.name.as_str());
    let Some(index) = protocol.messages.iter().position(|message| message.name == name.value) else {
        let message = format!("no message is called {:?}", name.value);
        table.fault_hint(&name.span, message, suggest("message", name.value, names));
        return None;
    };
    let message = protocol.messages.get(index)?;
    if !message.answers.is_empty() {
        table.fault_hint(&name.span, format!("message {:?} is an answer", name.value), "name the question");
    }
    let mut values = Vec::new();
    for (key, value) in table.table("values", &spec::FREE).map_or(&[][..], Table::entries) {
        if table.is_full() {
            break;
        }
        let Some(index) = message.fields.iter().position(|field| field.name == key.value) else {
            let names = message.fields.iter().map(|field| field.name.as_str());
            let text = format!("message {:?} has no part called {:?}", message.name, key.value);
            table.fault_hint(&key.span, text, suggest("part", &key.value, names));
            continue;
        };
        let Some(field) = message.fields.get(index) else { continue };
        if field.times != Times::Fixed(1) || matches!(field.source, FieldSource::SumOf(_)) {
            let text = format!("part {:?} is no single number that could be sent", key.value);
            table.fault_hint(&key.span, text, "give values to parts that stand there once");
            continue;
        }
        let range = field.range();
        match value.value {
            Value::Integer(number) if field.equals.is_some_and(|fixed| fixed != number.into()) => {
                let text = format!("part {:?} has a fixed value, and this is another", key.value);
                table.fault_hint(&value.span, text, "drop the value here");
            }
            Value::Integer(number) if (range.0..=range.1).contains(&i128::from(number)) => {
                values.push((index, number.into()));
            }
            _ => {
                let hint = format!("allowed is {} to {}", range.0, range.1);
                table.fault_hint(&value.span, "expected a whole number that fits", hint);
            }
        }
    }
    let every = table.duration("every")?;
    let wait = table.duration("wait").unwrap_or(Duration::from_millis(500));
    if every < Duration::from_millis(10) {
        let hint = "a line that is asked so often has no room for the answers";
        table.fault_hint(&table.span_of("every"), "a question is asked at most every 10 ms", hint);
    }
    if Duration::from_secs(2) < wait {
        let hint = "later than that an answer is not known to be one";
        table.fault_hint(&table.span_of("wait"), "an answer may take at most 2 s", hint);
    }
    Some(Ask { message: index, values, times: AskTimes { every, wait } })
}

/// Two messages of one frame must differ: in an id, in a fixed value, in their question, in what goes through the
/// checksum or, in binary frames that say how long they are, in their length.
pub(crate) fn tell_apart(root: Table<'_>, frames: &[Frame], drafts: &[MessageDraft], tables: &[Table<'_>]) {
    let told: Vec<_> = drafts.iter().map(|draft| Told::by(&draft.message)).collect();
    for (second, (b, told_b)) in drafts.iter().zip(&told).enumerate() {
        for (a, told_a) in drafts.iter().zip(&told).take(second) {
            if root.is_full() {
                return;
            }
            let (a, b) = (&a.message, &b.message);
            let same_ids = a.ids.iter().all(|(name, value)| {
                b.ids.iter().find(|(other, _)| other == name).is_none_or(|(_, other)| other == value)
            });
            if !same_ids || a.extra != b.extra || told_a.differs(told_b) {
                continue;
            }
            let shared = a.frames.iter().filter(|frame| b.frames.contains(frame));
            let mut shared = shared.filter_map(|frame| frames.get(*frame));
            if let Some((message, hint)) = shared.find_map(|frame| alike(frame, (a, told_a), (b, told_b))) {
                let span = tables.get(second).map_or_else(|| root.span(), |table| table.span_of("name"));
                root.fault_hint(&span, message, hint);
            }
        }
    }
}

/// What is wrong where nothing but their length can tell two messages apart in this frame.
fn alike(
    frame: &Frame,
    (a, told_a): (&Message, &Told<'_>),
    (b, told_b): (&Message, &Told<'_>),
) -> Option<(String, &'static str)> {
    let sized = !frame.shape.is_text() && (frame.shape.has_size() || frame.packets);
    let most = |message: &Message| if message.longer { usize::MAX } else { message.most };
    if sized && (most(b) < a.least || most(a) < b.least) {
        return None;
    }
    let covers = a.ids.iter().all(|id| b.ids.contains(id)) && (!sized || (a.least <= b.least && most(b) <= most(a)));
    let alike = || format!("messages {:?} and {:?} can't be told apart in frame {:?}", a.name, b.name, frame.name);
    match (told_a.is_special(), told_b.is_special()) {
        (false, false) => Some((alike(), "give them different values of an id part")),
        (true, true) if told_a == told_b => Some((alike(), "give them different fixed values or questions")),
        (false, true) if covers => Some((
            format!("message {:?} is never reached: {:?} takes its frames", b.name, a.name),
            "list the message with the fixed value or the question first",
        )),
        _ => None,
    }
}

/// What tells a message from others with the same ids: fixed values by their place, and its questions.
#[derive(PartialEq)]
struct Told<'m> {
    fixed: Vec<Fixed<'m>>,
    answers: &'m [usize],
}

#[derive(PartialEq)]
struct Fixed<'m> {
    place: Stands<'m>,
    number: Number,
    bits: Option<(u8, u8)>,
    value: i128,
}

/// Where a part stands: bytes of the body, a column, a label.
#[derive(Clone, PartialEq)]
enum Stands<'m> {
    At(usize),
    Label(&'m [Vec<u8>]),
    /// Behind parts whose length is not fixed: in that order.
    Somewhere(usize),
}

impl<'m> Told<'m> {
    fn by(message: &'m Message) -> Self {
        let mut fixed = Vec::new();
        let mut places: Vec<Stands<'m>> = Vec::new();
        let mut at = Some(0);
        for (index, field) in message.fields.iter().enumerate() {
            let place = match &field.source {
                FieldSource::Body => {
                    let place = at.map_or(Stands::Somewhere(index), Stands::At);
                    at = match field.times {
                        Times::Fixed(times) => at.map(|at| at + times * field.number.width()),
                        Times::Part(_) | Times::Rest => None,
                    };
                    place
                }
                FieldSource::Of(part) => places.get(*part).cloned().unwrap_or(Stands::Somewhere(index)),
                FieldSource::SumOf(_) => Stands::Somewhere(index),
                FieldSource::Column(column) => Stands::At(*column),
                FieldSource::Labels(labels) => Stands::Label(labels),
            };
            places.push(place.clone());
            if let Some(value) = field.equals.filter(|_| fixed.len() < MOST_FIXED) {
                fixed.push(Fixed { place, number: word(message, field).number, bits: field.bits, value });
            }
        }
        Self { fixed, answers: &message.answers }
    }

    fn is_special(&self) -> bool {
        !self.fixed.is_empty() || !self.answers.is_empty()
    }

    /// Whether no frame can be both.
    fn differs(&self, other: &Self) -> bool {
        let questions = !self.answers.is_empty() && !other.answers.is_empty();
        let apart = questions && self.answers.iter().all(|asked| !other.answers.contains(asked));
        apart
            || self.fixed.iter().any(|one| {
                other.fixed.iter().any(|two| {
                    one.place == two.place && one.number == two.number && one.bits == two.bits && one.value != two.value
                })
            })
    }
}

/// The part whose bytes hold this one.
fn word<'m>(message: &'m Message, mut field: &'m Field) -> &'m Field {
    while let FieldSource::Of(part) = field.source
        && let Some(of) = message.fields.get(part)
    {
        field = of;
    }
    field
}
