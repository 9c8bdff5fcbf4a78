//! What became of the bytes of a whole session, in bounded memory.

use std::time::Duration;

use model::{Batch, Input, InputKind, Item, Layout, Quantity, Raw, Reason, SessionTime};

/// Moments over the whole session, at most; their length doubles when they are full.
const MOMENTS: usize = 512;
/// The shortest moment, in nanoseconds.
const SHORTEST: u64 = 1_000_000_000;

/// Figures on the line since the session began.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct LineStatistics {
    /// Each message kind, in the order of the protocol file.
    pub kinds: Vec<KindStatistics>,
    /// Bytes that came.
    pub bytes: u64,
    /// Sound frames of a known kind.
    pub accepted: u64,
    /// What seemed to be a frame and was refused.
    pub refused: u64,
    /// Of these, those whose checksum was wrong.
    pub check_failed: u64,
    /// Sound frames of no known kind, answers without a question, and what can't be checked.
    pub passed_over: u64,
    /// Bytes that stand in no frame.
    pub no_frame_bytes: u64,
    /// Questions that this program sent.
    pub sent: u64,
    /// Errors that the line itself reported.
    pub line_errors: u64,
    /// How often the source was lost.
    pub lost: u64,
    /// The session in pieces of [`moment_length`](Self::moment_length), from its begin.
    pub moments: Vec<Moment>,
    moment_nanos: u64,
}

/// A piece of time.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Moment {
    /// Sound frames.
    pub accepted: u32,
    /// Frames with a wrong checksum.
    pub check_failed: u32,
    /// Everything else that was refused.
    pub refused: u32,
    /// Bytes that stand in no frame.
    pub no_frame_bytes: u32,
}

/// Figures on one message kind.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct KindStatistics {
    /// Its name.
    pub name: String,
    /// How often it is expected; `None` if the protocol file does not say.
    pub every: Option<Duration>,
    /// Sound frames.
    pub count: u64,
    /// The shortest and the longest time from one to the next. A loss of the line counts to none.
    pub intervals: Option<(Duration, Duration)>,
    /// How often its counter did not go up by one; `None` if it has no counter.
    pub jumps: Option<u64>,
    last_at: Option<SessionTime>,
    /// How many such times there were, and their sum in nanoseconds.
    steps: (u64, u64),
    /// The column of the counter and its bits.
    counter: Option<(usize, u8)>,
    last_count: Option<i128>,
}

impl KindStatistics {
    /// The mean of these times; `None` before the first of them.
    pub fn mean(&self) -> Option<Duration> {
        let (steps, nanos) = self.steps;
        nanos.checked_div(steps).map(Duration::from_nanos)
    }
}

impl LineStatistics {
    /// Nothing yet, for a line of this layout.
    pub fn new(layout: &Layout) -> Self {
        let kind = |kind: &model::KindLayout| {
            let is_counter = |column: &model::ColumnLayout| column.channel.quantity == Quantity::FrameCounter;
            let counter = kind.columns.iter().position(is_counter);
            let bits = counter.and_then(|column| kind.columns.get(column)).map_or(0, |column| column.bits);
            KindStatistics {
                name: kind.name.clone(),
                every: kind.every,
                count: 0,
                intervals: None,
                last_at: None,
                steps: (0, 0),
                jumps: counter.map(|_| 0),
                counter: counter.map(|column| (column, bits)),
                last_count: None,
            }
        };
        Self { kinds: layout.kinds.iter().map(kind).collect(), moment_nanos: SHORTEST, ..Self::default() }
    }

    /// How long each of the moments is.
    pub fn moment_length(&self) -> Duration {
        Duration::from_nanos(self.moment_nanos.max(1))
    }

    /// Takes an input of the line.
    pub fn input(&mut self, input: &Input) {
        match &input.kind {
            InputKind::Bytes(bytes) | InputKind::Datagram(bytes) => self.bytes += bytes.len() as u64,
            InputKind::Sent(_) => self.sent += 1,
            InputKind::LineError { count, .. } => self.line_errors += u64::from(*count),
            InputKind::Lost { .. } => {
                self.lost += 1;
                // What came meanwhile is not known: no interval and no count goes over it.
                for kind in &mut self.kinds {
                    kind.last_count = None;
                    kind.last_at = None;
                }
            }
            _ => {}
        }
    }

    /// Takes what the bytes were decoded to.
    pub fn batch(&mut self, batch: &Batch) {
        for item in &batch.order {
            match item {
                Item::Row { kind, row } => self.row(batch, usize::from(*kind), *row as usize),
                Item::Rejected(index) => {
                    let Some(rejected) = batch.rejected.get(*index as usize) else { continue };
                    let at = rejected.known_at;
                    match rejected.reason {
                        Reason::Skipped => {
                            let bytes = rejected.bytes.len();
                            self.no_frame_bytes += bytes;
                            let bytes = u32::try_from(bytes).unwrap_or(u32::MAX);
                            self.moment(at, |moment| {
                                moment.no_frame_bytes = moment.no_frame_bytes.saturating_add(bytes);
                            });
                        }
                        Reason::UnknownMessage | Reason::Unpaired | Reason::Unverified => self.passed_over += 1,
                        Reason::CheckFailed { .. } => {
                            self.refused += 1;
                            self.check_failed += 1;
                            self.moment(at, |moment| moment.check_failed = moment.check_failed.saturating_add(1));
                        }
                        _ => {
                            self.refused += 1;
                            self.moment(at, |moment| moment.refused = moment.refused.saturating_add(1));
                        }
                    }
                }
            }
        }
    }

    fn row(&mut self, batch: &Batch, kind: usize, row: usize) {
        let Some(rows) = batch.kinds.get(kind) else { return };
        let (Some(at), Some(known)) = (rows.at.get(row).copied(), self.kinds.get_mut(kind)) else { return };
        self.accepted += 1;
        known.count += 1;
        if let Some(step) = known.last_at.replace(at).map(|last| at.since(last)) {
            let nanos = u64::try_from(step.as_nanos()).unwrap_or(u64::MAX);
            known.steps = (known.steps.0 + 1, known.steps.1.saturating_add(nanos));
            known.intervals =
                Some(known.intervals.map_or((step, step), |(least, most)| (least.min(step), most.max(step))));
        }
        if let Some((column, bits)) = known.counter
            && let Some(count) = rows.columns.get(column).and_then(|column| column.raw(row)).and_then(Raw::int)
        {
            let expected = known.last_count.map(|last| (last + 1) & ((1_i128 << bits.min(64)) - 1));
            if expected.is_some_and(|expected| expected != count) {
                known.jumps = known.jumps.map(|jumps| jumps + 1);
            }
            known.last_count = Some(count);
        }
        self.moment(at, |moment| moment.accepted = moment.accepted.saturating_add(1));
    }

    fn moment(&mut self, at: SessionTime, change: impl FnOnce(&mut Moment)) {
        self.moment_nanos = self.moment_nanos.max(SHORTEST);
        let index = loop {
            let index = usize::try_from(at.nanos / self.moment_nanos).unwrap_or(usize::MAX);
            if index < MOMENTS {
                break index;
            }
            self.halve();
        };
        if self.moments.len() <= index {
            self.moments.resize(index + 1, Moment::default());
        }
        if let Some(moment) = self.moments.get_mut(index) {
            change(moment);
        }
    }

    fn halve(&mut self) {
        self.moment_nanos = self.moment_nanos.saturating_mul(2);
        let joined = self.moments.chunks(2).map(|pair| {
            pair.iter().fold(Moment::default(), |sum, one| Moment {
                accepted: sum.accepted.saturating_add(one.accepted),
                check_failed: sum.check_failed.saturating_add(one.check_failed),
                refused: sum.refused.saturating_add(one.refused),
                no_frame_bytes: sum.no_frame_bytes.saturating_add(one.no_frame_bytes),
            })
        });
        self.moments = joined.collect();
    }
}
