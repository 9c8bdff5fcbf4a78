//! From the text of a protocol file to a checked [`Protocol`], with every fault in one run.

use std::time::Duration;

use model::{
    DataBits, Fault, FlowControl, KindLayout, Layout, Level, LineSettings, ModemLine, Parity, StopBits, closest,
};
use textfile::{At, Table};

use crate::protocol::{Frame, Protocol};
use crate::read_examples::read_example;
use crate::read_frames::read_frame;
use crate::read_messages::{MessageDraft, read_message};
use crate::spec;

/// How long after opening damaged bytes are no fault, where the file does not say. Our own choice.
const DEFAULT_SETTLE: Duration = Duration::from_millis(500);

impl Protocol {
    /// Reads and checks the text of a protocol file.
    ///
    /// The second value has every error and warning in the order of the text.
    /// The protocol is there only if there is no error.
    pub fn parse(text: &str) -> (Option<Self>, Vec<Fault>) {
        let (protocol, faults) = textfile::read(text, &spec::PROTOCOL, read_protocol);
        let sound = faults.iter().all(|fault| fault.level == Level::Warning);
        (protocol.filter(|_| sound), faults)
    }
}

fn read_protocol(root: Table<'_>) -> Option<Protocol> {
    let line = root.table("line", &spec::LINE);
    let settle = line.and_then(|line| line.duration("settle")).unwrap_or(DEFAULT_SETTLE);
    let line = line.and_then(read_line);

    let frame_tables = root.tables("frame", &spec::FRAME);
    let mut frames: Vec<Frame> = Vec::new();
    let mut complete = true;
    for table in &frame_tables {
        let Some(frame) = read_frame(*table) else {
            complete = false;
            continue;
        };
        if frames.iter().any(|earlier| earlier.name == frame.name) {
            table.fault(&table.span_of("name"), format!("a second frame is called {:?}", frame.name));
        }
        frames.push(frame);
    }
    if frame_tables.is_empty() && root.has("frame") {
        root.fault(&root.span_of("frame"), "there must be at least one [[frame]]");
    }

    let tables = root.tables("message", &spec::MESSAGE);
    if tables.is_empty() && root.has("message") {
        root.fault(&root.span_of("message"), "there must be at least one [[message]]");
    }
    let mut messages: Vec<MessageDraft> = Vec::new();
    for table in &tables {
        match read_message(*table, &frames, complete) {
            Some(message) => {
                if messages.iter().any(|earlier| earlier.message.name == message.message.name) {
                    table.fault(
                        &table.span_of("name"),
                        format!("a second message is called {:?}", message.message.name),
                    );
                }
                messages.push(message);
            }
            None => complete = false,
        }
    }
    for (index, draft) in messages.iter().enumerate() {
        for frame in &draft.message.frames {
            if let Some(frame) = frames.get_mut(*frame) {
                frame.messages.push(index);
            }
        }
    }
    tell_apart(root, &frames, &messages, &tables);

    let layout = Layout {
        protocol: root.text("protocol").map(|name| name.value.to_owned()).unwrap_or_default(),
        kinds: messages
            .iter()
            .map(|draft| KindLayout {
                name: draft.message.name.clone(),
                every: draft.every,
                verified: draft
                    .message
                    .frames
                    .iter()
                    .all(|frame| frames.get(*frame).is_some_and(|frame| frame.shape.has_check())),
                columns: draft.columns.clone(),
            })
            .collect(),
    };
    let mut protocol = Protocol {
        name: layout.protocol.clone(),
        summary: root.text("summary").map(|text| text.value.to_owned()).unwrap_or_default(),
        line,
        settle,
        frames,
        messages: messages.into_iter().map(|draft| draft.message).collect(),
        layout,
        examples: Vec::new(),
    };
    let examples = root.tables("example", &spec::EXAMPLE);
    if complete {
        protocol.examples = examples.into_iter().filter_map(|table| read_example(table, &protocol)).collect();
    }
    warn(root, &protocol);
    complete.then_some(protocol)
}

fn warn(root: Table<'_>, protocol: &Protocol) {
    for kind in &protocol.layout.kinds {
        if kind.every.is_none() {
            root.warning(
                &root.span(),
                format!("message {:?} has no \"every\"", kind.name),
                "say how often it is expected, or a missing one is found late",
            );
        }
        if !kind.verified {
            root.warning(
                &root.span(),
                format!("message {:?} comes in frames without a checksum", kind.name),
                "damage can't be seen: the pack file must waive \"checksum\" before a verdict can be go",
            );
        }
    }
}

/// Two messages of one frame must differ in an id or, in binary frames, in their length.
fn tell_apart(root: Table<'_>, frames: &[Frame], drafts: &[MessageDraft], tables: &[Table<'_>]) {
    for frame in frames {
        for (position, second) in frame.messages.iter().enumerate() {
            for first in frame.messages.iter().take(position) {
                let (Some(a), Some(b)) = (drafts.get(*first), drafts.get(*second)) else { continue };
                let (a, b) = (&a.message, &b.message);
                let same_ids = a.ids.iter().all(|(name, value)| {
                    b.ids.iter().find(|(other, _)| other == name).is_none_or(|(_, other)| other == value)
                });
                let same_size = frame.shape.is_text() || a.body == b.body || !frame.shape.has_size();
                if same_ids && same_size {
                    let span = tables.get(*second).map_or_else(|| root.span(), |table| table.span_of("name"));
                    root.fault_hint(
                        &span,
                        format!("messages {:?} and {:?} can't be told apart in frame {:?}", a.name, b.name, frame.name),
                        "give them different values of an id part",
                    );
                }
            }
        }
    }
}

fn read_line(table: Table<'_>) -> Option<LineSettings> {
    let baud = table.integer("baud", 50..=20_000_000)?;
    let mut line = LineSettings::new(u32::try_from(baud.value).ok()?);
    if let Some(bits) = table.integer("data_bits", 7..=8) {
        line.data_bits = if bits.value == 7 { DataBits::Seven } else { DataBits::Eight };
    }
    if let Some(bits) = table.integer("stop_bits", 1..=2) {
        line.stop_bits = if bits.value == 2 { StopBits::Two } else { StopBits::One };
    }
    let parities = [("none", Parity::None), ("odd", Parity::Odd), ("even", Parity::Even)];
    if let Some(parity) = table.choice("parity", &parities) {
        line.parity = parity.value;
    }
    let flows = [("none", FlowControl::None), ("hardware", FlowControl::Hardware), ("software", FlowControl::Software)];
    if let Some(flow) = table.choice("flow", &flows) {
        line.flow = flow.value;
    }
    let modem = [("leave", ModemLine::Leave), ("low", ModemLine::Low), ("high", ModemLine::High)];
    if let Some(dtr) = table.choice("dtr", &modem) {
        line.dtr = dtr.value;
    }
    if let Some(rts) = table.choice("rts", &modem) {
        line.rts = rts.value;
    }
    Some(line)
}

/// A suggestion for a name that is not known.
pub(crate) fn suggest<'a>(what: &str, word: &str, known: impl IntoIterator<Item = &'a str> + Clone) -> String {
    match closest(word, known.clone()) {
        Some(name) => format!("did you mean {name:?}?"),
        None => {
            let names: Vec<_> = known.into_iter().collect();
            if names.is_empty() { format!("there is no {what}") } else { format!("{what}s: {}", names.join(", ")) }
        }
    }
}

/// A name of a part: letters, digits, `_`, starting with a letter, at most 40 long.
pub(crate) fn check_name(table: Table<'_>, name: &At<&str>) {
    let good = name.value.len() <= 40
        && name.value.starts_with(|c: char| c.is_ascii_alphabetic())
        && name.value.chars().all(|c| c.is_ascii_alphanumeric() || c == '_' || c == '-');
    if !good {
        table.fault_hint(
            &name.span,
            format!("{:?} can't be a name", name.value),
            "names have letters, digits, - and _, start with a letter and are at most 40 long",
        );
    }
}
