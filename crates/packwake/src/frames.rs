//! `frames`: what came over the line, byte by byte, with the reason where it is no frame.

use std::fmt::Write;
use std::sync::Arc;

use anyhow::Result;
use model::{ByteRange, Input, LineErrorKind, SessionTime, Times, format_nanos};
use parser::Protocol;
use parser::dissect::{Dissection, Span, What};
use session::line_bytes::{Happened, Happening, bytes_between, look_at};

use crate::Status;
use crate::args::Frames;
use crate::files;
use crate::output::{Hinted, Prose, Results};

/// Bytes that are shown where nothing was said.
const USUAL: u64 = 64 * 1024;
/// Bytes that can be shown at once: they are held in memory.
const MOST: u64 = 16 * 1024 * 1024;
/// Bytes of a line of output.
const LINE: usize = 16;

pub(crate) fn run(task: &Frames, prose: &mut Prose) -> Result<Status> {
    let line = files::open_line(&task.file, task.protocol.as_deref(), task.baud, prose)?;
    let (protocol, _) = Protocol::parse(&line.protocol_text);
    let protocol = Arc::new(protocol.ok_or_else(|| {
        Hinted::error(
            format!("the protocol in {} has errors", task.file.display()),
            "give a mended one with --protocol FILE; `packwake check` shows the faults",
        )
    })?);
    if line.times == Times::Assumed {
        prose.say("raw bytes: their times are worked out from the line rate");
    }
    let mut inputs = line.inputs;
    // A time is looked for in a pass of its own.
    let again = match task.from {
        Some(_) => Some(files::open_line(&task.file, task.protocol.as_deref(), task.baud, prose)?.inputs),
        None => None,
    };
    let window = window(task, again)?;
    let mut counted = 0;
    let mut counting = std::iter::from_fn(|| inputs.next()).inspect(|input: &Input| {
        if let model::InputKind::Bytes(bytes) | model::InputKind::Datagram(bytes) = &input.kind {
            counted += bytes.len() as u64;
        }
    });
    let Some(found) = look_at(&protocol, &mut counting, window, &mut || true) else { return Ok(Status::Unusable) };
    let more = counting.next().is_some();
    let mut results = Results::new();
    let mut happenings = found.happenings.iter().peekable();
    for span in found.dissection.spans() {
        while let Some(one) = happenings.next_if(|one| one.stream <= span.bytes.start) {
            tell_happening(&mut results, one);
        }
        tell(&mut results, &found.dissection, span, task.brief);
        if results.closed() {
            return Ok(Status::Go);
        }
    }
    for one in happenings {
        tell_happening(&mut results, one);
    }
    if found.dissection.spans().is_empty() {
        prose.say(&format!("no byte lies there: the stream has {counted} bytes"));
        prose.hint("leave --bytes and --from away to see its begin");
    } else if task.bytes.is_none() && task.from.is_none() && more && USUAL <= counted {
        prose.say(&format!("only bytes {window} are shown"));
        prose.hint("give others with --bytes 65536..131072, or a time with --from 10s --for 2s");
    }
    Ok(Status::Go)
}

/// The bytes that were asked for.
fn window(task: &Frames, inputs: Option<files::Inputs>) -> Result<ByteRange> {
    let window = match (task.bytes, task.from.zip(inputs)) {
        (Some(bytes), _) => bytes,
        (None, Some((from, mut inputs))) => {
            let from = SessionTime::from_duration(from);
            bytes_between(&mut inputs, from, from + task.length)
        }
        (None, None) => ByteRange { start: 0, end: USUAL },
    };
    if MOST < window.len() {
        return Err(Hinted::error(
            format!("{} bytes are too many at once", window.len()),
            format!("ask for at most {MOST}, or use --for with a shorter time"),
        ));
    }
    Ok(window)
}

fn seconds(at: SessionTime) -> String {
    format!("{:>10} s", format_nanos(i64::try_from(at.nanos).unwrap_or(i64::MAX), 3))
}

fn tell_happening(results: &mut Results, one: &Happening) {
    let text = match &one.what {
        Happened::Sent(bytes) => format!("sent       {}", hex(bytes)),
        Happened::Opened(source) => format!("opened     {source}"),
        Happened::Lost(why) => format!("lost       {why}"),
        Happened::Errors(kind, count) => {
            let what = match kind {
                LineErrorKind::Parity => "wrong parity bits",
                LineErrorKind::Framing => "missing stop bits",
                LineErrorKind::Overrun => "bytes lost since this machine was too slow",
                LineErrorKind::Break => "breaks on the line",
            };
            format!("line error {what}: {count}")
        }
        Happened::End => "end".to_owned(),
        Happened::Read(_) | Happened::Datagram(_) => return,
    };
    results.line(&format!("{}  {text}", seconds(one.at)));
}

fn tell(results: &mut Results, dissection: &Dissection, span: &Span, brief: bool) {
    let name = dissection.message(span).unwrap_or("");
    let what = match &span.what {
        What::Frame { kind } => {
            let verified = dissection.protocol().layout().kinds.get(*kind).is_some_and(|kind| kind.verified);
            format!("frame      {name}{}", if verified { "" } else { ", not verified: it has no checksum" })
        }
        What::Passed(reason) => format!("passed     {reason}"),
        What::NoFrame(tried) => {
            let mut text = "no frame   ".to_owned();
            if !name.is_empty() {
                text.push_str(&format!("{name}: "));
            }
            match tried.split_first() {
                None => text.push_str("no frame starts here"),
                Some((first, [])) => text.push_str(&first.reason.to_string()),
                Some((first, more)) => {
                    text.push_str(&format!("{}; and {} more begin inside", first.reason, more.len()))
                }
            }
            text
        }
        What::Between => "filling    end bytes between two packets".to_owned(),
        What::Unfinished => "unfinished what follows has not come".to_owned(),
    };
    results.line(&format!("{}  bytes {}  {what}", seconds(span.at), span.bytes));
    if brief {
        return;
    }
    let parts = dissection.parts(span);
    for part in &parts {
        let mut text = format!("                {:<15}", part.bytes.to_string());
        let bytes = dissection.bytes(part.bytes);
        let _infallible = write!(text, " {}", hex(bytes.get(..LINE).unwrap_or(bytes)));
        if LINE < bytes.len() {
            text.push_str(" ...");
        }
        let _infallible = write!(text, "  {}", part.name);
        if let Some((low, count)) = part.bits {
            let _infallible = match count {
                1 => write!(text, ", bit {low}"),
                _ => write!(text, ", bits {low} to {}", low.saturating_add(count.saturating_sub(1))),
            };
        }
        let sent = part.sent.words();
        if !sent.is_empty() {
            let _infallible = write!(text, " = {sent}");
        }
        if !part.words.is_empty() {
            let _infallible = write!(text, "  ({})", part.words);
        }
        results.line(&text);
    }
    if parts.is_empty() {
        let mut at = span.bytes.start;
        for bytes in dissection.bytes(span.bytes).chunks(LINE) {
            let end = at + bytes.len() as u64;
            results.line(&format!("                {:<15} {}", ByteRange { start: at, end }.to_string(), hex(bytes)));
            at = end;
        }
    }
}

fn hex(bytes: &[u8]) -> String {
    let bytes: Vec<String> = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
    bytes.join(" ")
}
