//! What a screen needs of a session at one moment, as plain data, and how it is handed over.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use model::{ByteRange, Channel, Fault, LineSettings, SessionTime};
use rules::{Alarm, HandLine, Held, LimitValues, Measured, Outcome, Pack, Severity, Stage, Verdict};

use crate::history::{History, Piece};
use crate::line_bytes::LineShown;

/// Where a session is in its life.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub enum Phase {
    /// The source is being opened.
    #[default]
    Opening,
    /// Inputs are taken.
    Running,
    /// It is over, whole.
    Ended,
    /// It could not begin; nothing was watched.
    Failed(Failure),
}

/// Why a session could not begin.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Failure {
    /// What, with its causes.
    pub text: String,
    /// What to do about it, if there is something.
    pub hint: Option<String>,
    /// Errors of the protocol file.
    pub protocol: Vec<Fault>,
    /// Errors of the pack file.
    pub pack: Vec<Fault>,
}

/// What is fixed for a session.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Facts {
    /// Where the bytes come from, as a person would name it.
    pub source: String,
    /// No real pack is judged.
    pub practice: bool,
    /// It is a session that was: nothing can be acknowledged or marked in it.
    pub replay: bool,
    /// A recording is shown by other texts than its own: which, in words.
    pub otherwise: Option<&'static str>,
    /// The pack's name.
    pub pack: String,
    /// What it is judged by.
    pub judged_by: Arc<Pack>,
    /// The name of its chemistry.
    pub chemistry: &'static str,
    /// Where each temperature sensor sits; number 1 first.
    pub sensors: Vec<String>,
    /// How the line is described.
    pub line: LineFacts,
}

/// How the line is described, and what may be sent on it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct LineFacts {
    /// The protocol's name.
    pub protocol: String,
    /// What it is, in one line; may be empty.
    pub summary: String,
    /// The text of the protocol.
    pub text: Arc<str>,
    /// How a serial line is set, where the protocol says it.
    pub settings: Option<LineSettings>,
    /// How many questions the protocol lists.
    pub questions: usize,
    /// Whether the person allowed that they are sent.
    pub may_ask: bool,
}

/// What is known of the line to the BMS, besides the age of its data.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub enum Link {
    /// The source was never open.
    #[default]
    NotOpen,
    /// It is open; no sound frame came yet.
    NothingYet,
    /// Sound frames came. Whether they still do, the age says.
    Frames,
    /// The source is gone, and why.
    Lost(String),
}

/// What becomes of the bytes.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub enum Recording {
    /// Nobody asked for a recording.
    #[default]
    Off,
    /// Every input is written; the path.
    On(String),
    /// Something is missing from here on, and why.
    Incomplete(String),
    /// It was closed, whole.
    Finished,
}

/// The session before this one on the same open source, which ended when other limits were applied.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Earlier {
    /// Its answer at its end; `None` if it had none.
    pub outcome: Option<Outcome>,
    /// How long it was.
    pub length: SessionTime,
    /// Where it was recorded, if it was.
    pub recording: Option<String>,
    /// Why that recording is incomplete, if it is.
    pub incomplete: Option<String>,
}

/// How a value stands against its limits.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Standing {
    /// There is no value, or it is too old to say.
    #[default]
    Unknown,
    /// There is a value, and no alarm about it holds.
    Inside,
    /// A warning holds.
    Warning,
    /// A critical alarm holds.
    Critical,
}

/// One measured value.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Reading {
    /// The newest value in billionths of the base unit; `None` if there never was one, or the BMS now says that it has
    /// none.
    pub latest: Option<i64>,
    /// When a frame last said something about it.
    pub at: Option<SessionTime>,
    /// Lowest and highest of the session so far.
    pub so_far: Option<Piece>,
    /// Lowest and highest that no screen has seen yet: nothing between two frames is lost.
    pub unseen: Option<Piece>,
    /// The same for what came after the last snapshot.
    pub(crate) newer: Option<Piece>,
    /// How old it may become.
    pub patience: Duration,
    /// Against its limits.
    pub standing: Standing,
}

impl Reading {
    /// Whether the value is older than it may become at `now`. What was never seen is not old.
    pub fn is_old(&self, now: SessionTime) -> bool {
        self.at.is_some_and(|at| self.patience < now.since(at))
    }
}

/// The limits that hold in the stage of the moment.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Limits {
    /// A cell from the median, on either side.
    pub deviation: LimitValues,
    /// A cell, upper.
    pub cell_high: LimitValues,
    /// A cell, lower.
    pub cell_low: LimitValues,
    /// A temperature, upper.
    pub temperature_high: LimitValues,
    /// A temperature, lower.
    pub temperature_low: LimitValues,
}

/// One line of the event list.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct EventLine {
    /// Counted from 1; a gap shows that older ones fell out of the list.
    pub number: u64,
    /// When.
    pub at: SessionTime,
    /// One word: what kind.
    pub word: &'static str,
    /// In words.
    pub text: String,
}

/// Something that happened and that one may want to look at again.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Moment {
    /// When.
    pub at: SessionTime,
    /// What kind.
    pub kind: MomentKind,
    /// In words.
    pub text: String,
    /// Where, if at a place.
    pub places: Vec<Channel>,
    /// The frame that showed it, if it was one.
    pub bytes: Option<ByteRange>,
}

/// What kind of thing happened.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum MomentKind {
    /// The data shows another stage.
    Stage(Stage),
    /// An alarm was raised or became worse.
    Alarm {
        /// Its number.
        number: u32,
        /// How bad it was then.
        severity: Severity,
    },
    /// The condition of an alarm went.
    Returned {
        /// Its number.
        number: u32,
    },
    /// A cause was found, or is surer now.
    Finding {
        /// Its number.
        number: u32,
        /// How bad.
        severity: Severity,
    },
    /// The data does not show a cause any more.
    Withdrawn {
        /// Its number.
        number: u32,
    },
    /// The answer changed.
    Verdict(Outcome),
    /// The person marked it or entered something, or the link changed.
    Note,
}

/// A session at one moment. Plain data: whoever holds it can take any time.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Snapshot {
    /// Counted from 1; 0 is before the first.
    pub number: u64,
    /// Sessions on the same open source before this one: other limits end one and begin the next.
    pub session: u32,
    /// The one before this one.
    pub earlier: Option<Arc<Earlier>>,
    /// Where the session is in its life.
    pub phase: Phase,
    /// What is fixed; `None` before it began.
    pub facts: Option<Arc<Facts>>,
    /// The session time of this moment.
    pub at: SessionTime,
    /// The answer as it is now.
    pub verdict: Option<Arc<Verdict>>,
    /// The stage; `None` before the session began.
    pub stage: Option<Stage>,
    /// When each stage began, oldest first, at most 256.
    pub stages: Arc<Vec<(SessionTime, Stage)>>,
    /// The line to the BMS.
    pub link: Link,
    /// What the source says about itself: a setting not taken, a device that is looked for.
    pub remark: Option<String>,
    /// The age of the newest data at this moment; `None` before the first frame.
    pub age: Option<Duration>,
    /// Sound and damaged frames so far.
    pub frames: (u64, u64),
    /// What becomes of the bytes.
    pub recording: Recording,
    /// Each cell of the pack, number 1 first.
    pub cells: Vec<Reading>,
    /// The median of the cells that have a value that is not old, in billionths of a volt.
    pub median: Option<i64>,
    /// The sum of all cells; `None` unless each has a value that is not old.
    pub sum: Option<i64>,
    /// Each sensor, number 1 first.
    pub temperatures: Vec<Reading>,
    /// The pack voltage as reported.
    pub pack: Reading,
    /// The load's side of the switch.
    pub bus: Reading,
    /// The pack current, discharge positive.
    pub current: Reading,
    /// The pack voltage by meter that was entered last.
    pub meter: Option<i64>,
    /// Every check before power as it stands, in the order in which they are done; empty before the session began.
    pub preparation: Arc<Vec<HandLine>>,
    /// The limits of the stage; `None` before the session began.
    pub limits: Option<Limits>,
    /// What was held against each limit so far.
    pub held: Held,
    /// Every alarm of the session, in the order in which they were first raised.
    pub alarms: Arc<Vec<Alarm>>,
    /// Alarms that were raised or became worse and that no screen has seen yet.
    pub unseen_alarms: Vec<u32>,
    /// The newest events, oldest first, at most 200.
    pub events: Arc<Vec<EventLine>>,
    /// The values over time.
    pub history: Arc<History>,
    /// The bytes of the line.
    pub line: Arc<LineShown>,
    /// What happened and can be gone to, oldest first.
    pub moments: Arc<Vec<Moment>>,
    /// More happened than is listed in `moments`.
    pub more_moments: bool,
    /// Then: up to when all of them are listed. Answers and critical ones are listed for longer.
    pub all_moments_until: SessionTime,
    /// How much of a recording that is judged as fast as possible is done, in thousandths; `None` in any other session.
    pub judged: Option<u16>,
}

impl Snapshot {
    /// Alarms that nobody has acknowledged, the newest first.
    pub fn unacknowledged(&self) -> impl Iterator<Item = &Alarm> {
        let mut waiting: Vec<&Alarm> = self.alarms.iter().filter(|alarm| needs_acknowledging(alarm)).collect();
        waiting.sort_by_key(|alarm| std::cmp::Reverse((alarm.raised_at, alarm.number)));
        waiting.into_iter()
    }

    /// What was measured so far, whether or not something is wrong; nothing before the first verdict.
    pub fn measured(&self) -> &[Measured] {
        self.verdict.as_ref().map_or(&[], |verdict| verdict.measured.as_slice())
    }

    /// Whether a critical condition holds now.
    pub fn critical_now(&self) -> bool {
        self.alarms.iter().any(|alarm| alarm.active && alarm.severity == Severity::Critical)
    }
}

/// Whether the person has yet to say that they have seen it.
pub fn needs_acknowledging(alarm: &Alarm) -> bool {
    use rules::AlarmState::{LatchedUnacknowledged, ReturnedUnacknowledged, Unacknowledged};
    matches!(alarm.state, Unacknowledged | ReturnedUnacknowledged | LatchedUnacknowledged)
}

/// The newest snapshot. The lock is held for the swap of a pointer.
#[derive(Debug)]
pub struct Latest(Mutex<Slot>);

#[derive(Debug)]
struct Slot {
    snapshot: Arc<Snapshot>,
    published: Instant,
    taken: bool,
}

impl Default for Latest {
    fn default() -> Self {
        Self(Mutex::new(Slot { snapshot: Arc::default(), published: now(), taken: true }))
    }
}

#[expect(clippy::disallowed_methods, reason = "how long ago a snapshot was handed over is no session time")]
fn now() -> Instant {
    Instant::now()
}

impl Latest {
    /// Hands a snapshot over; one that nobody took is dropped.
    pub fn publish(&self, snapshot: Snapshot) {
        let new = Slot { snapshot: Arc::new(snapshot), published: now(), taken: false };
        let old = std::mem::replace(&mut *self.slot(), new);
        // Outside the lock: it may be the last holder of a whole history.
        drop(old);
    }

    /// The newest snapshot, and how long ago it was handed over: data is that much older than it says.
    pub fn take(&self) -> (Arc<Snapshot>, Duration) {
        let mut slot = self.slot();
        slot.taken = true;
        (Arc::clone(&slot.snapshot), slot.published.elapsed())
    }

    /// The same, for somebody who is no screen: what it holds does not count as seen.
    pub fn peek(&self) -> (Arc<Snapshot>, Duration) {
        let slot = self.slot();
        (Arc::clone(&slot.snapshot), slot.published.elapsed())
    }

    /// Whether somebody took the newest one.
    pub fn was_taken(&self) -> bool {
        self.slot().taken
    }

    fn slot(&self) -> std::sync::MutexGuard<'_, Slot> {
        // A pointer is whole whoever panicked.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
