//! What comes in: the only thing that a session is made of.

use std::time::Duration;

use crate::hand::HandReading;
use crate::time::SessionTime;

/// One thing that happened, stamped once.
///
/// A session is the list of its inputs: the same inputs give the same events.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Input {
    /// Counted by the engine, from 0. A source leaves it at 0.
    pub number: u64,
    /// When it happened. The engine never lets it go back.
    pub at: SessionTime,
    /// What happened.
    pub kind: InputKind,
}

impl Input {
    /// An input that the engine has not numbered yet.
    pub fn new(at: SessionTime, kind: InputKind) -> Self {
        Self { number: 0, at, kind }
    }
}

/// What happened.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum InputKind {
    /// The source is open (again).
    Opened {
        /// What was opened, as a person would name it.
        source: String,
    },
    /// Bytes of a stream. How a stream is cut into these has no meaning.
    Bytes(Vec<u8>),
    /// One datagram: frames do not go across its edges.
    Datagram(Vec<u8>),
    /// Bytes that this program sent (poll requests).
    Sent(Vec<u8>),
    /// The source is gone: unplugged, closed at the other end, failed. Quiet is not lost.
    Lost {
        /// Why, as the system says it.
        why: String,
    },
    /// The line itself reported errors.
    LineError {
        /// Which.
        kind: LineErrorKind,
        /// How many since the last report.
        count: u32,
    },
    /// The host's wall clock jumped against the session clock: suspended, or set.
    ClockStep {
        /// By how many nanoseconds, forward positive.
        by_nanos: i64,
    },
    /// What the person did.
    Command(Command),
    /// Nothing happened; time goes on. Never recorded.
    Quiet,
    /// The session is over; nothing follows.
    End,
}

/// Errors that a serial line reports.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, PartialOrd, Ord)]
pub enum LineErrorKind {
    /// A parity bit was wrong.
    Parity,
    /// A stop bit was missing.
    Framing,
    /// The host was too slow.
    Overrun,
    /// A break on the line.
    Break,
}

/// What the person did, as far as the rules must know it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Command {
    /// Acknowledges an alarm.
    Acknowledge {
        /// The alarm's number in this session.
        alarm: u32,
    },
    /// Puts an alarm aside for a time. Refused for a critical one.
    Shelve {
        /// The alarm's number in this session.
        alarm: u32,
        /// For how long.
        length: Duration,
    },
    /// Marks a moment.
    Mark {
        /// What the person wrote.
        text: String,
    },
    /// A reading or a check by hand: evidence.
    Reading(HandReading),
}

/// Where a session's times come from.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Times {
    /// Stamped when the bytes were read.
    Measured,
    /// Worked out from the line rate: no check on time can pass.
    Assumed,
}

/// What is fixed for a whole session and stands at the head of its recording.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SessionHeader {
    /// The text of the protocol file.
    pub protocol_text: String,
    /// The text of the pack file.
    pub pack_text: String,
    /// Where the bytes come from, as a person would name it.
    pub source: String,
    /// Whether this is the practice pack: marked everywhere.
    pub practice: bool,
    /// Where the times come from.
    pub times: Times,
    /// Wall time of session time zero, nanoseconds since 1970 UTC; `None` if not known.
    pub started_utc_nanos: Option<i64>,
    /// The version of the program that made the recording.
    pub tool_version: String,
    /// The machine that made the recording.
    pub host: String,
}
