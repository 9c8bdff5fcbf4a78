//! How well the line brings its frames.

use std::collections::VecDeque;
use std::time::Duration;

use model::{ColumnLayout, Conversion, KindLayout, Layout, LineErrorKind, Quantity, Reason, Rejected, SessionTime};

use crate::counters::{Clock, Counter, SharedCounter};
use crate::latest::too_old_from;

/// The error ratio is looked at over this many seconds.
const WINDOW_SECONDS: u64 = 10;
/// Fewer frames and damages than this in the window say nothing.
const ENOUGH: u64 = 20;
/// Shares of damaged frames, in percent. Our own choice.
pub(crate) const WARNING_PERCENT: u64 = 1;
pub(crate) const CRITICAL_PERCENT: u64 = 10;

/// What the line itself can report.
const LINE_ERRORS: [(LineErrorKind, &str); 4] = [
    (LineErrorKind::Parity, "parity"),
    (LineErrorKind::Framing, "framing"),
    (LineErrorKind::Overrun, "overrun"),
    (LineErrorKind::Break, "break"),
];

/// As long as this nothing more is said of them.
const BETWEEN_LINE_ERRORS: Duration = Duration::from_secs(1);
/// A message without "every" is missed after this.
const DEFAULT_PATIENCE: Duration = Duration::from_secs(2);
/// A message that was missing must come regularly for so long before its alarm clears.
const STEADY: Duration = Duration::from_secs(2);
/// However long a protocol file lets a line settle: damage after this counts.
const LONGEST_SETTLE: Duration = Duration::from_secs(10);
/// A gap longer than this leaves a hole in the evidence for the rest of the session.
pub(crate) const LONG_GAP: Duration = Duration::from_secs(1);

/// What is known of one message kind.
#[derive(Clone, Debug)]
pub(crate) struct KindState {
    pub(crate) name: String,
    /// How often it should come.
    every: Option<Duration>,
    /// A gap longer than this is too long.
    pub(crate) patience: Duration,
    /// Whether it must keep coming.
    pub(crate) periodic: bool,
    first_at: Option<SessionTime>,
    pub(crate) last_at: Option<SessionTime>,
    pub(crate) frames: u64,
    /// Missing now.
    pub(crate) missing: bool,
    /// Since when it has come again, while its alarm holds.
    back_at: Option<SessionTime>,
    counter: Option<Counter>,
    clock: Option<Clock>,
}

/// What became of a message's period.
pub(crate) enum Period {
    /// It has not come for this long.
    Missing(Duration),
    /// It comes regularly again.
    Steady,
}

/// Frames, damages, gaps and counters of a line.
#[derive(Clone, Debug)]
pub(crate) struct Link {
    pub(crate) kinds: Vec<KindState>,
    pub(crate) bytes: u64,
    pub(crate) good: u64,
    good_bytes: u64,
    pub(crate) damaged: u64,
    pub(crate) unknown_messages: u64,
    /// Answers whose question was not seen, and frames whose checksum can't be checked.
    pub(crate) untrusted: u64,
    pub(crate) first_reason: Option<Reason>,
    /// Second, good, damaged.
    window: VecDeque<(u64, u64, u64)>,
    settled_at: SessionTime,
    pub(crate) lost_at: Option<SessionTime>,
    pub(crate) clock_step_at: Option<SessionTime>,
    /// What the line itself reported: before the first frame since the opening, and after it.
    pub(crate) early_line_errors: u64,
    pub(crate) line_errors: u64,
    /// Those of each kind that were not said yet, and when some were said last.
    unsaid: [u64; LINE_ERRORS.len()],
    said_at: Option<SessionTime>,
    /// The longest gap between two frames of a message, and when it began.
    longest_gap: Option<(Duration, SessionTime)>,
    shared: SharedCounter,
    /// Times were measured: a clock can be held against them.
    measured: bool,
    /// When a counter or a clock of the device first jumped, and of which message kind.
    pub(crate) restart: Option<(SessionTime, usize)>,
    pub(crate) first_frame_at: Option<SessionTime>,
    /// Since the last opening no frame has come: what is skipped is no damage.
    before_first: bool,
}

impl Link {
    pub(crate) fn new(layout: &Layout, measured: bool) -> Self {
        Self {
            measured,
            kinds: layout.kinds.iter().map(KindState::new).collect(),
            bytes: 0,
            good: 0,
            good_bytes: 0,
            damaged: 0,
            unknown_messages: 0,
            untrusted: 0,
            first_reason: None,
            window: VecDeque::new(),
            settled_at: SessionTime::ZERO,
            lost_at: None,
            clock_step_at: None,
            early_line_errors: 0,
            line_errors: 0,
            unsaid: [0; LINE_ERRORS.len()],
            said_at: None,
            longest_gap: None,
            shared: SharedCounter::default(),
            restart: None,
            first_frame_at: None,
            before_first: true,
        }
    }

    pub(crate) fn opened(&mut self, at: SessionTime, settle: Duration) {
        self.settled_at = at + settle.min(LONGEST_SETTLE);
        self.before_first = true;
    }

    pub(crate) fn lost(&mut self, at: SessionTime) {
        self.lost_at.get_or_insert(at);
        self.shared.forget();
        for kind in &mut self.kinds {
            if let Some(counter) = &mut kind.counter {
                counter.forget();
            }
            if let Some(clock) = &mut kind.clock {
                clock.forget();
            }
        }
    }

    /// The line itself reported errors. Those of its opening are no fault, and a board that wakes up often sends one.
    ///
    /// What to say of it: at most once a second, since a line at another baud rate reports hundreds.
    pub(crate) fn errors(&mut self, at: SessionTime, kind: LineErrorKind, count: u32) -> Option<String> {
        let errors = match self.before_first || at < self.settled_at {
            true => &mut self.early_line_errors,
            false => &mut self.line_errors,
        };
        *errors = errors.saturating_add(count.into());
        for (unsaid, (known, _)) in self.unsaid.iter_mut().zip(LINE_ERRORS) {
            if known == kind {
                *unsaid = unsaid.saturating_add(count.into());
            }
        }
        if self.said_at.is_some_and(|said| at.since(said) < BETWEEN_LINE_ERRORS) {
            return None;
        }
        self.said_at = Some(at);
        let said = std::mem::take(&mut self.unsaid);
        let kinds: Vec<_> = said.iter().zip(LINE_ERRORS).filter(|(count, _)| 0 < **count).collect();
        let all = kinds.iter().fold(0_u64, |all, (count, _)| all.saturating_add(**count));
        let kinds: Vec<_> = kinds.iter().map(|(count, (_, name))| format!("{count} {name}")).collect();
        let noun = if all == 1 { "error" } else { "errors" };
        (0 < all).then(|| format!("{} {noun} on the line", kinds.join(", ")))
    }

    /// Whether the line itself reported as many errors as would be too much damage. Most of them damage a frame and
    /// count there, too; one that hits nothing is no worse.
    pub(crate) fn has_too_many_line_errors(&self) -> bool {
        WARNING_PERCENT * 100 < share(self.good, self.line_errors)
    }

    /// A sound frame. Returns the gap since the one before, if it was too long.
    pub(crate) fn frame(&mut self, at: SessionTime, kind: usize, bytes: u64) -> Option<Duration> {
        self.good += 1;
        self.good_bytes = self.good_bytes.saturating_add(bytes);
        self.before_first = false;
        self.first_frame_at.get_or_insert(at);
        self.count(at, 1, 0);
        let state = self.kinds.get_mut(kind)?;
        state.frames += 1;
        let gap = state.last_at.map_or(Duration::ZERO, |last| at.since(last));
        state.first_at.get_or_insert(at);
        let from = state.last_at.replace(at).unwrap_or(at);
        if std::mem::take(&mut state.missing) {
            state.back_at = Some(at);
        }
        if gap <= state.patience || !state.periodic {
            return None;
        }
        if self.longest_gap.is_none_or(|(longest, _)| longest < gap) {
            self.longest_gap = Some((gap, from));
        }
        Some(gap)
    }

    /// Bytes that gave no row.
    pub(crate) fn rejected(&mut self, at: SessionTime, rejected: &Rejected) {
        let damaged = match &rejected.reason {
            // Whole frames that are passed over: no damage, and nothing good either.
            Reason::UnknownMessage => {
                self.unknown_messages += 1;
                return;
            }
            reason @ (Reason::Unpaired | Reason::Unverified) => {
                self.untrusted += 1;
                self.first_reason.get_or_insert_with(|| reason.clone());
                return;
            }
            // Every other reason ends in a run of skipped bytes: only that is counted, or damage would count twice.
            Reason::Skipped => {
                let frame = self.good_bytes.checked_div(self.good).filter(|bytes| *bytes > 0).unwrap_or(u64::MAX);
                rejected.bytes.len().div_ceil(frame)
            }
            reason => {
                self.first_reason.get_or_insert_with(|| reason.clone());
                return;
            }
        };
        if at < self.settled_at || self.before_first || self.good == 0 {
            return;
        }
        self.damaged = self.damaged.saturating_add(damaged);
        self.count(at, 0, damaged);
    }

    fn count(&mut self, at: SessionTime, good: u64, damaged: u64) {
        let second = at.nanos / 1_000_000_000;
        match self.window.back_mut() {
            Some((last, g, d)) if *last == second => {
                *g += good;
                *d = d.saturating_add(damaged);
            }
            _ => self.window.push_back((second, good, damaged)),
        }
        while self.window.front().is_some_and(|(first, ..)| first + WINDOW_SECONDS < second) {
            self.window.pop_front();
        }
    }

    /// Damaged frames in hundredths of a percent over the last seconds; `None` where there were too few.
    pub(crate) fn recent_damage(&self) -> Option<u64> {
        let (good, damaged) = self.window.iter().fold((0_u64, 0_u64), |(all_good, all_damaged), (_, good, damaged)| {
            (all_good.saturating_add(*good), all_damaged.saturating_add(*damaged))
        });
        (ENOUGH <= good.saturating_add(damaged)).then(|| share(good, damaged))
    }

    /// The same over the whole session, however few. Frames that only a counter misses count too: a byte that never
    /// arrived leaves no trace, and a frame that left one is not counted twice.
    pub(crate) fn damage(&self) -> u64 {
        share(self.good, self.damaged.max(self.lost_frames()))
    }

    /// Frames that the counters say were lost: the fewest that explain the counts.
    pub(crate) fn lost_frames(&self) -> u64 {
        let counters = || self.kinds.iter().filter_map(|kind| Some((kind, kind.counter.as_ref()?)));
        let each = counters().fold(0_u64, |lost, (kind, counter)| lost.saturating_add(counter.lost(kind.is_on_time())));
        match self.shared.lost() {
            Some(shared) if 1 < counters().count() => each.min(shared),
            _ => each,
        }
    }

    /// Takes the frame counter of a message kind.
    pub(crate) fn count_frame(&mut self, at: SessionTime, kind: usize, raw: i128, bits: u8) {
        self.shared.push(raw, bits);
        let Some(state) = self.kinds.get_mut(kind) else { return };
        if state.counter.get_or_insert_default().push(raw, bits) {
            self.restart.get_or_insert((at, kind));
        }
    }

    /// Takes the device's clock in a message kind.
    pub(crate) fn device_time(&mut self, at: SessionTime, kind: usize, raw: i128, scale: &Conversion, bits: u8) {
        let Some(state) = self.kinds.get_mut(kind) else { return };
        if state.clock.get_or_insert_default().push(at, raw, bits, scale) && self.measured {
            self.restart.get_or_insert((at, kind));
        }
    }

    /// The longest gap between frames of a message that must keep coming, the one that lasts now included.
    pub(crate) fn longest_gap(&self, now: SessionTime) -> Option<(Duration, SessionTime)> {
        let overdue = self.kinds.iter().filter(|kind| kind.periodic).filter_map(|kind| {
            let last = kind.last_at?;
            let age = now.since(last);
            (kind.patience < age).then_some((age, last))
        });
        self.longest_gap.into_iter().chain(overdue).max_by_key(|(gap, from)| (*gap, std::cmp::Reverse(*from)))
    }

    /// Messages that have gone missing by now, and those that are back for good; each once.
    pub(crate) fn periods(&mut self, at: SessionTime, mut say: impl FnMut(usize, &str, Period)) {
        for (index, kind) in self.kinds.iter_mut().enumerate().filter(|(_, kind)| kind.periodic) {
            let Some(last) = kind.last_at else { continue };
            let age = at.since(last);
            if kind.patience < age && !kind.missing {
                (kind.missing, kind.back_at) = (true, None);
                say(index, &kind.name, Period::Missing(age));
            } else if kind.back_at.is_some_and(|back| back + STEADY <= at) {
                kind.back_at = None;
                say(index, &kind.name, Period::Steady);
            }
        }
    }

    /// When time alone changes something: a message goes missing, or has come back for good.
    pub(crate) fn deadlines(&self) -> impl Iterator<Item = SessionTime> {
        self.kinds.iter().filter(|kind| kind.periodic).flat_map(|kind| {
            let missing = kind.last_at.map(|last| too_old_from(last, kind.patience));
            [missing, kind.back_at.map(|back| back + STEADY)].into_iter().flatten()
        })
    }
}

impl KindState {
    fn new(layout: &KindLayout) -> Self {
        // A message that no check needs and that has no period may come once.
        let judged = |column: &ColumnLayout| {
            !matches!(
                column.channel.quantity,
                Quantity::StateOfCharge | Quantity::FrameCounter | Quantity::DeviceTime | Quantity::Balancing
            )
        };
        Self {
            name: layout.name.clone(),
            every: layout.every,
            patience: layout.every.map_or(DEFAULT_PATIENCE, |every| {
                every.saturating_mul(3).max(every.saturating_add(Duration::from_millis(200)))
            }),
            periodic: layout.every.is_some() || layout.columns.iter().any(judged),
            first_at: None,
            last_at: None,
            frames: 0,
            missing: false,
            back_at: None,
            counter: None,
            clock: None,
        }
    }

    /// Whether its counter or clock stands still; `None` if it has neither.
    pub(crate) fn frozen(&self) -> Option<bool> {
        let counter = self.counter.as_ref().map(Counter::is_frozen);
        let clock = self.clock.as_ref().map(Clock::is_frozen);
        (counter.is_some() || clock.is_some()).then(|| counter.unwrap_or(false) || clock.unwrap_or(false))
    }

    /// Whether it has come about as often as it should.
    fn is_on_time(&self) -> bool {
        let (Some(every), Some(first), Some(last)) = (self.every, self.first_at, self.last_at) else { return false };
        let gaps = u128::from(self.frames.saturating_sub(1));
        last.since(first).as_nanos() * 4 <= every.as_nanos().saturating_mul(gaps * 5)
    }
}

/// Hundredths of a percent.
fn share(good: u64, damaged: u64) -> u64 {
    let all = u128::from(good) + u128::from(damaged);
    u64::try_from((u128::from(damaged) * 10_000).checked_div(all).unwrap_or(0)).unwrap_or(u64::MAX)
}

#[cfg(test)]
mod tests {
    use model::ByteRange;

    use super::*;

    fn link(every_ms: Option<u64>) -> Link {
        let kind = KindLayout {
            name: "cells".to_owned(),
            every: every_ms.map(Duration::from_millis),
            verified: true,
            columns: Vec::new(),
        };
        let mut link = Link::new(&Layout { protocol: String::new(), kinds: vec![kind] }, true);
        link.opened(SessionTime::ZERO, Duration::ZERO);
        link
    }

    fn skipped(bytes: u64) -> Rejected {
        Rejected { known_at: SessionTime::ZERO, bytes: ByteRange { start: 0, end: bytes }, reason: Reason::Skipped }
    }

    #[test]
    fn the_window_is_bounded_whatever_the_times_are() {
        let mut link = link(None);
        for second in 0..100_000 {
            link.frame(SessionTime::from_millis(second * 1000), 0, 10);
            link.rejected(SessionTime::from_millis(second * 1000), &skipped(u64::MAX));
        }
        assert!(link.window.len() <= 11, "{}", link.window.len());
        assert_eq!(link.damage(), 9_999, "saturated, not overflown");
    }

    #[test]
    fn few_frames_can_be_damaged_too() {
        let mut link = link(None);
        for frame in 0..15 {
            link.frame(SessionTime::from_millis(frame * 1000), 0, 10);
        }
        link.rejected(SessionTime::from_millis(15_000), &skipped(10));
        assert_eq!(link.recent_damage(), None, "too few for an alarm");
        assert_eq!(link.damage(), 625, "one in sixteen");
    }

    #[test]
    fn settling_has_an_end() {
        let mut link = link(None);
        link.opened(SessionTime::ZERO, Duration::MAX);
        link.frame(SessionTime::ZERO, 0, 10);
        link.rejected(SessionTime::from_millis(9_999), &skipped(10));
        let _ = link.errors(SessionTime::from_millis(9_999), LineErrorKind::Framing, 3);
        assert_eq!((link.damaged, link.early_line_errors, link.line_errors), (0, 3, 0));
        link.rejected(SessionTime::from_millis(10_000), &skipped(10));
        let _ = link.errors(SessionTime::from_millis(10_000), LineErrorKind::Framing, 3);
        assert_eq!((link.damaged, link.early_line_errors, link.line_errors), (1, 3, 3));
    }

    #[test]
    fn errors_of_the_line_are_measured_against_the_frames() {
        let mut link = link(None);
        let _ = link.errors(SessionTime::from_millis(5), LineErrorKind::Framing, u32::MAX);
        assert!(!link.has_too_many_line_errors(), "nothing was heard yet");
        for frame in 0..297 {
            link.frame(SessionTime::from_millis(frame * 100), 0, 10);
        }
        let _ = link.errors(SessionTime::from_millis(30_000), LineErrorKind::Framing, 3);
        assert!(!link.has_too_many_line_errors(), "three with 297 are one in a hundred");
        let _ = link.errors(SessionTime::from_millis(30_000), LineErrorKind::Framing, 1);
        assert!(link.has_too_many_line_errors());
        let _ = link.errors(SessionTime::from_millis(30_000), LineErrorKind::Framing, u32::MAX);
        assert!(link.has_too_many_line_errors());
    }

    #[test]
    fn a_period_of_any_length_does_not_overflow() {
        let kind = KindLayout { name: String::new(), every: Some(Duration::MAX), verified: true, columns: Vec::new() };
        let mut link = Link::new(&Layout { protocol: String::new(), kinds: vec![kind] }, true);
        link.frame(SessionTime::ZERO, 0, u64::MAX);
        link.frame(SessionTime::from_nanos(u64::MAX), 0, u64::MAX);
        link.periods(SessionTime::from_nanos(u64::MAX), |_, name, _| panic!("{name:?} can't be missed"));
        assert!(link.deadlines().all(|at| at.nanos == u64::MAX));
    }

    #[test]
    fn a_gap_that_lasts_counts_as_one() {
        let mut link = link(Some(100));
        assert_eq!(link.longest_gap(SessionTime::from_millis(9000)), None);
        link.frame(SessionTime::from_millis(1000), 0, 10);
        assert_eq!(link.longest_gap(SessionTime::from_millis(1300)), None);
        let gap = (Duration::from_millis(301), SessionTime::from_millis(1000));
        assert_eq!(link.longest_gap(SessionTime::from_millis(1301)), Some(gap));
    }
}
