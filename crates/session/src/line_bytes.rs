//! The bytes of the line as they came: the newest of a session that runs, any part of a recording, and figures on all
//! of it.
//!
//! What the bytes are is said by `parser::dissect`, with the same questions, datagrams and losses as the session had.

mod reader;
mod statistics;
mod tail;

use std::sync::Arc;

use model::{Batch, ByteRange, Input, InputKind, LineErrorKind, SessionTime};
use parser::Protocol;
use parser::dissect::{Dissection, Dissector};

pub use reader::{Answer, Ask, By, LineReader, Place, Source};
pub use statistics::{KindStatistics, LineStatistics, Moment};
pub(crate) use tail::Tail;

/// Bytes of a stretch that is shown at once.
pub const STRETCH: u64 = 64 * 1024;
/// What happened on the line in such a stretch, at most: a read is one.
const HAPPENINGS: usize = 4096;

/// Something that happened on the line.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Happening {
    /// When.
    pub at: SessionTime,
    /// How many bytes of the stream came before it.
    pub stream: u64,
    /// What.
    pub what: Happened,
}

/// What happened on the line.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Happened {
    /// So many bytes of the stream came.
    Read(u32),
    /// A datagram of so many bytes came.
    Datagram(u32),
    /// This program sent bytes.
    Sent(Box<[u8]>),
    /// The source was opened.
    Opened(Box<str>),
    /// The source was lost.
    Lost(Box<str>),
    /// The line reported errors.
    Errors(LineErrorKind, u32),
    /// The session ended.
    End,
}

impl Happened {
    /// Of an input; `None` for what is not of the line.
    fn of(kind: &InputKind) -> Option<Self> {
        let length = |bytes: &[u8]| u32::try_from(bytes.len()).unwrap_or(u32::MAX);
        Some(match kind {
            InputKind::Bytes(bytes) => Self::Read(length(bytes)),
            InputKind::Datagram(bytes) => Self::Datagram(length(bytes)),
            InputKind::Sent(bytes) => Self::Sent(bytes.as_slice().into()),
            InputKind::Opened { source } => Self::Opened(source.as_str().into()),
            InputKind::Lost { why } => Self::Lost(why.as_str().into()),
            InputKind::LineError { kind, count } => Self::Errors(*kind, *count),
            InputKind::End => Self::End,
            InputKind::ClockStep { .. } | InputKind::Command(_) | InputKind::Quiet => return None,
        })
    }

    /// The bytes of the stream that it brought.
    fn length(&self) -> u64 {
        match self {
            Self::Read(length) | Self::Datagram(length) => (*length).into(),
            _ => 0,
        }
    }
}

/// The newest bytes of a session, with what happened meanwhile.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Stretch {
    /// Where in the stream the first byte stands. A frame begins there, as far as that is known.
    pub from: u64,
    /// The bytes.
    pub bytes: Vec<u8>,
    /// What happened, oldest first; each read is one.
    pub happenings: Vec<Happening>,
}

/// What a screen needs of the line of a session that runs.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct LineShown {
    /// The newest bytes.
    pub stretch: Stretch,
    /// Figures on all of them.
    pub statistics: LineStatistics,
}

/// A part of a stream, cut into what it holds.
#[derive(Clone, Debug)]
pub struct Window {
    /// The bytes and what they are.
    pub dissection: Dissection,
    /// What happened besides reads, oldest first.
    pub happenings: Vec<Happening>,
}

impl Stretch {
    /// What the bytes are by this protocol.
    pub fn dissect(&self, protocol: &Arc<Protocol>) -> Window {
        let end = self.from + self.bytes.len() as u64;
        let mut dissector = Dissector::new(Arc::clone(protocol), ByteRange { start: self.from, end }, self.from);
        let mut happenings = Vec::new();
        let mut rest = self.bytes.as_slice();
        for happening in &self.happenings {
            let length = usize::try_from(happening.what.length()).unwrap_or(usize::MAX).min(rest.len());
            let (bytes, behind) = rest.split_at(length);
            rest = behind;
            step(&mut dissector, happening.at, &happening.what, bytes, &mut |_| {});
            keep(&mut happenings, happening.clone());
        }
        Window { dissection: dissector.dissection(), happenings }
    }
}

/// Cuts a part of what was recorded. Of what comes behind it no more is read than it needs.
///
/// It goes along from the first input, since what lies at a place can depend on all that came before.
pub fn look_at(
    protocol: &Arc<Protocol>,
    inputs: &mut dyn Iterator<Item = Input>,
    window: ByteRange,
    go_on: &mut dyn FnMut() -> bool,
) -> Option<Window> {
    let mut dissector = Dissector::new(Arc::clone(protocol), window, 0);
    let mut happenings = Vec::new();
    for (count, input) in inputs.enumerate() {
        if count % 1024 == 0 && !go_on() {
            return None;
        }
        let Some(what) = Happened::of(&input.kind) else { continue };
        let stream = dissector.received();
        step(&mut dissector, input.at, &what, bytes_of(&input.kind), &mut |_| {});
        if window.start <= stream && stream <= window.end {
            keep(&mut happenings, Happening { at: input.at, stream, what });
        }
        if dissector.is_done() {
            break;
        }
    }
    Some(Window { dissection: dissector.dissection(), happenings })
}

/// The bytes that were read from one time on, up to another.
pub fn bytes_between(inputs: &mut dyn Iterator<Item = Input>, from: SessionTime, to: SessionTime) -> ByteRange {
    let (mut start, mut end) = (None, 0);
    for input in inputs {
        if to <= input.at {
            break;
        }
        if from <= input.at {
            start.get_or_insert(end);
        }
        end += bytes_of(&input.kind).len() as u64;
    }
    ByteRange { start: start.unwrap_or(end), end }
}

fn bytes_of(kind: &InputKind) -> &[u8] {
    match kind {
        InputKind::Bytes(bytes) | InputKind::Datagram(bytes) => bytes,
        _ => &[],
    }
}

/// As the engine does it.
fn step(dissector: &mut Dissector, at: SessionTime, what: &Happened, bytes: &[u8], show: &mut dyn FnMut(&Batch)) {
    match what {
        Happened::Read(_) => dissector.push(at, bytes, show),
        Happened::Datagram(_) => {
            dissector.push(at, bytes, show);
            dissector.finish(at, show);
        }
        Happened::Sent(bytes) => dissector.sent(at, bytes),
        Happened::Lost(_) | Happened::End => dissector.finish(at, show),
        Happened::Opened(_) | Happened::Errors(..) => {}
    }
}

fn keep(happenings: &mut Vec<Happening>, happening: Happening) {
    if happening.what.length() == 0 && happenings.len() < HAPPENINGS {
        happenings.push(happening);
    }
}

#[cfg(test)]
mod tests;
