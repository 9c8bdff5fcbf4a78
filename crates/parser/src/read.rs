//! From the text of a protocol file to a checked [`Protocol`], with every fault in one run.

use std::time::Duration;

use model::{
    DataBits, Fault, FlowControl, KindLayout, Layout, Level, LineSettings, ModemLine, Parity, Quantity, StopBits,
    closest,
};
use textfile::{At, Table, TableSpec, Value};

use crate::protocol::{Frame, Protocol};
use crate::read_examples::read_example;
use crate::read_frames::read_frame;
use crate::read_messages::{MessageDraft, read_message};
use crate::read_questions::{pair_answers, read_ask, tell_apart};
use crate::spec;
use crate::unwrap::Wrapping;

/// Frames, messages and examples that one file may have.
const MOST_FRAMES: usize = 64;
const MOST_MESSAGES: usize = 256;
const MOST_EXAMPLES: usize = 512;
const MOST_ASKS: usize = 64;

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
    let draft = root.flag("draft").unwrap_or(false);
    if draft {
        let hint = "hold its values against a display or a meter, then take this line out";
        root.warning(&root.span_of("draft"), "a draft that nobody has confirmed: with it the answer is never go", hint);
    }
    let line = root.table("line", &spec::LINE);
    let settle = line.and_then(|line| line.duration("settle")).unwrap_or(DEFAULT_SETTLE);
    let wrapping = line.and_then(read_wrapping);
    let idle = line.and_then(|line| line.duration("idle"));
    if let (Some(line), Some(idle)) = (line, idle)
        && idle < Duration::from_millis(1)
    {
        let hint = "adapters deliver bytes in blocks: shorter silences say nothing";
        line.fault_hint(&line.span_of("idle"), "an idle gap is at least 1 ms", hint);
    }
    if let (Some(line), Some(_), Some(_)) = (line, idle, wrapping) {
        let hint = "the stuffing says where a packet ends: drop the key";
        line.warning(&line.span_of("idle"), "\"idle\" has no use with a stuffing", hint);
    }
    let line = line.and_then(read_line);

    let frame_tables = tables_up_to(root, "frame", &spec::FRAME, MOST_FRAMES);
    let mut frames: Vec<Frame> = Vec::new();
    let mut complete = true;
    for table in &frame_tables {
        let Some(frame) = read_frame(*table, wrapping.is_some()) else {
            complete = false;
            continue;
        };
        if frames.iter().any(|earlier| earlier.name == frame.name) {
            let message = format!("a second frame is called {:?}", frame.name);
            table.fault_hint(&table.span_of("name"), message, "give each frame a name of its own");
        }
        frames.push(frame);
    }
    let tables = tables_up_to(root, "message", &spec::MESSAGE, MOST_MESSAGES);
    let mut messages: Vec<MessageDraft> = Vec::new();
    for table in &tables {
        match read_message(*table, &frames, complete) {
            Some(message) => {
                if messages.iter().any(|earlier| earlier.message.name == message.message.name) {
                    table.fault_hint(
                        &table.span_of("name"),
                        format!("a second message is called {:?}", message.message.name),
                        "give each message a name of its own",
                    );
                }
                messages.push(message);
                if let Some((message, hint)) = MessageDraft::too_much(messages.iter()) {
                    table.fault_hint(&table.span_of("parts"), message, hint);
                    complete = false;
                    break;
                }
            }
            None => complete = false,
        }
    }
    let paired = pair_answers(&tables, &mut messages);
    for (index, draft) in messages.iter().enumerate() {
        for frame in &draft.message.frames {
            if let Some(frame) = frames.get_mut(*frame) {
                frame.messages.push(index);
            }
        }
    }
    tell_apart(root, &frames, &messages, &tables);
    let all_found = complete && messages.iter().all(|draft| !draft.message.frames.is_empty());
    for (frame, table) in frames.iter().zip(&frame_tables) {
        if all_found && frame.messages.is_empty() {
            table.warning(
                &table.span_of("name"),
                format!("no message comes in frame {:?}", frame.name),
                "name it in the \"frames\" of a message, or leave it out",
            );
        }
    }

    let unread: Vec<bool> = messages.iter().map(|draft| !draft.complete).collect();
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
        draft,
        summary: root.text("summary").map(|text| text.value.to_owned()).unwrap_or_default(),
        line,
        settle,
        wrapping,
        idle,
        frames,
        messages: messages.into_iter().map(|draft| draft.message).collect(),
        layout,
        asks: Vec::new(),
        examples: Vec::new(),
    };
    let asks = if root.has("ask") { tables_up_to(root, "ask", &spec::ASK, MOST_ASKS) } else { Vec::new() };
    if complete {
        protocol.asks = asks.into_iter().filter_map(|table| read_ask(table, &protocol)).collect();
    }
    let examples = tables_up_to(root, "example", &spec::EXAMPLE, MOST_EXAMPLES);
    if complete {
        protocol.examples = examples.into_iter().filter_map(|table| read_example(table, &protocol, &unread)).collect();
    }
    warn(&tables, &protocol, &unread, paired);
    complete.then_some(protocol)
}

/// The tables of a list that must not be empty or too long.
fn tables_up_to<'t>(root: Table<'t>, key: &str, spec: &'static TableSpec, most: usize) -> Vec<Table<'t>> {
    match root.entry(key) {
        Some(At { value: Value::List(list), span }) if most < list.len() => {
            let message = format!("there are {} [[{key}]], at most {most} are allowed", list.len());
            root.fault_hint(span, message, "describe only what is of use");
            Vec::new()
        }
        Some(At { value: Value::List(list), span }) if list.is_empty() => {
            let hint = format!("add a table: [[{key}]] and its keys below");
            root.fault_hint(span, format!("there must be at least one [[{key}]]"), hint);
            Vec::new()
        }
        _ => root.tables(key, spec),
    }
}

fn warn(tables: &[Table<'_>], protocol: &Protocol, unread: &[bool], paired: bool) {
    for (index, (kind, table)) in protocol.layout.kinds.iter().zip(tables).enumerate() {
        let Some(message) = protocol.messages.get(index) else { continue };
        // What is not known to be none counts as one here.
        let is_question = message.is_question || (!paired && kind.columns.is_empty());
        let read = !unread.get(index).copied().unwrap_or(true);
        if read && kind.columns.is_empty() && !message.fields.is_empty() && !is_question {
            table.warning(
                &table.span_of("parts"),
                "no part of this message has a channel",
                "add channel = \"cell voltage\" or another one, or the message only shows that the line is alive",
            );
        }
        // Questions and words of status may come when they like.
        let measures = kind.columns.iter().any(|column| column.channel.quantity != Quantity::Status);
        let regular = !is_question && (measures || kind.columns.is_empty());
        if regular && !table.has("every") {
            table.warning(
                &table.span_of("name"),
                format!("message {:?} has no \"every\"", kind.name),
                "say how often it is expected, or a missing one is found late",
            );
        }
        if !kind.verified && !lists_check(protocol, index) {
            table.warning(
                &table.span_of("name"),
                format!("message {:?} comes in frames without a checksum", kind.name),
                "damage can't be seen: the pack file must waive \"checksum\" before a verdict can be go",
            );
        }
    }
}

fn lists_check(protocol: &Protocol, message: usize) -> bool {
    protocol.frames.iter().filter(|frame| frame.messages.contains(&message)).all(|frame| frame.lists_check)
}

fn read_wrapping(line: Table<'_>) -> Option<Wrapping> {
    let start = match line.text("hex_start") {
        None => b':',
        Some(word) => match word.value.as_bytes() {
            [start] if start.is_ascii_graphic() && !start.is_ascii_hexdigit() => *start,
            _ => {
                let hint = "write for example hex_start = \":\"";
                line.fault_hint(&word.span, "this can't stand in front of hexadecimal digits", hint);
                b':'
            }
        },
    };
    let kinds = [
        ("slip", Wrapping::Slip),
        ("hdlc", Wrapping::Hdlc),
        ("cobs", Wrapping::Cobs),
        ("hex", Wrapping::Hex { start }),
    ];
    let chosen = line.choice("stuffing", &kinds).map(|at| at.value);
    if line.has("hex_start") && !matches!(chosen, Some(Wrapping::Hex { .. })) {
        let hint = "add stuffing = \"hex\", or drop the key";
        line.fault_hint(&line.span_of("hex_start"), "\"hex_start\" goes with lines of hexadecimal", hint);
    }
    chosen
}

fn read_line(table: Table<'_>) -> Option<LineSettings> {
    let settings = ["data_bits", "parity", "stop_bits", "flow", "dtr", "rts"];
    if let Some(key) = settings.into_iter().find(|key| table.has(key) && !table.has("baud")) {
        let hint = "write for example baud = 115200";
        table.fault_hint(&table.span_of(key), format!("{key:?} without \"baud\" sets no line"), hint);
    }
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
            if names.is_empty() { format!("there is no {what} yet") } else { format!("{what}s: {}", names.join(", ")) }
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
