//! How well the line brings its frames.

use std::collections::VecDeque;
use std::time::Duration;

use model::{KindLayout, Layout, Reason, Rejected, SessionTime};

/// The error ratio is looked at over this many seconds.
const WINDOW_SECONDS: u64 = 10;
/// Fewer frames and damages than this in the window say nothing.
const ENOUGH: u64 = 20;
/// Shares of damaged frames, in percent. Our own choice.
pub(crate) const WARNING_PERCENT: u64 = 1;
pub(crate) const CRITICAL_PERCENT: u64 = 10;
/// A counter that stands still over so many frames is frozen.
const FROZEN_FRAMES: u32 = 5;
/// A message without "every" is missed after this.
const DEFAULT_PATIENCE: Duration = Duration::from_secs(2);
/// A gap longer than this leaves a hole in the evidence for the rest of the session.
pub(crate) const LONG_GAP: Duration = Duration::from_secs(1);

/// What is known of one message kind.
#[derive(Clone, Debug)]
pub(crate) struct KindState {
    pub(crate) name: String,
    pub(crate) patience: Duration,
    pub(crate) last_at: Option<SessionTime>,
    pub(crate) frames: u64,
    /// Missing now.
    pub(crate) missing: bool,
    /// When it last came back after it was missing.
    pub(crate) back_at: Option<SessionTime>,
    counter: Option<i128>,
    device_time: Option<i128>,
    still: u32,
    /// Whether its counter or clock stands still.
    pub(crate) frozen: bool,
    /// Whether it has a counter or a clock at all.
    pub(crate) has_pulse: bool,
    /// Frames that the counter says were lost.
    pub(crate) lost: u64,
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
    pub(crate) first_reason: Option<Reason>,
    /// Second, good, damaged.
    window: VecDeque<(u64, u64, u64)>,
    pub(crate) settled_at: SessionTime,
    pub(crate) is_open: bool,
    pub(crate) lost_at: Option<SessionTime>,
    pub(crate) clock_step_at: Option<SessionTime>,
    pub(crate) line_errors: u64,
    /// Longest gap of any message after its first frame, and when it began.
    pub(crate) longest_gap: Option<(Duration, SessionTime)>,
    pub(crate) first_frame_at: Option<SessionTime>,
    /// Since the last opening no frame has come: what is skipped is no damage.
    before_first: bool,
}

impl Link {
    pub(crate) fn new(layout: &Layout) -> Self {
        Self {
            kinds: layout.kinds.iter().map(KindState::new).collect(),
            bytes: 0,
            good: 0,
            good_bytes: 0,
            damaged: 0,
            unknown_messages: 0,
            first_reason: None,
            window: VecDeque::new(),
            settled_at: SessionTime::ZERO,
            is_open: false,
            lost_at: None,
            clock_step_at: None,
            line_errors: 0,
            longest_gap: None,
            first_frame_at: None,
            before_first: true,
        }
    }

    pub(crate) fn opened(&mut self, at: SessionTime, settle: Duration) {
        self.is_open = true;
        self.settled_at = at + settle;
        self.before_first = true;
    }

    pub(crate) fn lost(&mut self, at: SessionTime) {
        self.is_open = false;
        self.lost_at.get_or_insert(at);
        for kind in &mut self.kinds {
            kind.still = 0;
        }
    }

    /// A sound frame. Returns the gap since the one before, if it was too long.
    pub(crate) fn frame(&mut self, at: SessionTime, kind: usize, bytes: u64) -> Option<Duration> {
        self.good += 1;
        self.good_bytes += bytes;
        self.before_first = false;
        self.first_frame_at.get_or_insert(at);
        self.count(at, 1, 0);
        let state = self.kinds.get_mut(kind)?;
        state.frames += 1;
        let gap = state.last_at.map_or(Duration::ZERO, |last| at.since(last));
        let from = state.last_at.replace(at).unwrap_or(at);
        if std::mem::take(&mut state.missing) {
            state.back_at = Some(at);
        }
        if gap <= state.patience {
            return None;
        }
        if self.longest_gap.is_none_or(|(longest, _)| longest < gap) {
            self.longest_gap = Some((gap, from));
        }
        Some(gap)
    }

    pub(crate) fn rejected(&mut self, rejected: &Rejected) {
        let damaged = match &rejected.reason {
            Reason::UnknownMessage => {
                self.unknown_messages += 1;
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
        let at = rejected.known_at;
        if at < self.settled_at || self.before_first || self.good == 0 {
            return;
        }
        self.damaged += damaged;
        self.count(at, 0, damaged);
    }

    fn count(&mut self, at: SessionTime, good: u64, damaged: u64) {
        let second = at.nanos / 1_000_000_000;
        match self.window.back_mut() {
            Some((last, g, d)) if *last == second => {
                *g += good;
                *d += damaged;
            }
            _ => self.window.push_back((second, good, damaged)),
        }
        while self.window.front().is_some_and(|(first, ..)| first + WINDOW_SECONDS < second) {
            self.window.pop_front();
        }
    }

    /// Damaged frames in hundredths of a percent over the last seconds; `None` where there were too few.
    pub(crate) fn recent_damage(&self) -> Option<u64> {
        let (good, damaged) = self.window.iter().fold((0, 0), |(g, d), (_, good, damaged)| (g + good, d + damaged));
        share(good, damaged)
    }

    /// The same over the whole session. Frames that only a counter misses count too: a byte that never arrived leaves
    /// no trace, and a frame that left one is not counted twice.
    pub(crate) fn damage(&self) -> Option<u64> {
        share(self.good, self.damaged.max(self.lost_frames()))
    }

    /// Frames that the counters say were lost.
    pub(crate) fn lost_frames(&self) -> u64 {
        self.kinds.iter().map(|kind| kind.lost).sum()
    }

    /// Whether every message has come regularly for a while.
    pub(crate) fn is_steady(&self, at: SessionTime, length: Duration) -> bool {
        self.kinds.iter().all(|kind| !kind.missing && kind.back_at.is_none_or(|back| length <= at.since(back)))
    }

    /// Takes a counter or a clock of a message kind. `bits`: where it starts again.
    pub(crate) fn pulse(&mut self, kind: usize, raw: i128, bits: u8, is_counter: bool) {
        let Some(state) = self.kinds.get_mut(kind) else { return };
        state.has_pulse = true;
        let modulus = 1_i128 << u32::from(bits.clamp(1, 64));
        let last = if is_counter { state.counter.replace(raw) } else { state.device_time.replace(raw) };
        let Some(last) = last else { return };
        let step = (raw - last).rem_euclid(modulus);
        if step == 0 {
            state.still += 1;
        } else {
            state.still = 0;
            // A large step is a restart, not a loss.
            if is_counter && step <= modulus / 2 {
                state.lost += u64::try_from(step - 1).unwrap_or(0);
            }
        }
        state.frozen = FROZEN_FRAMES <= state.still;
    }

    /// Messages that have gone missing by now, each once.
    pub(crate) fn newly_missing(&mut self, at: SessionTime) -> Vec<(usize, Duration)> {
        let mut missing = Vec::new();
        for (index, kind) in self.kinds.iter_mut().enumerate() {
            let Some(last) = kind.last_at else { continue };
            let age = at.since(last);
            if kind.patience < age && !kind.missing {
                kind.missing = true;
                missing.push((index, age));
            }
            if kind.patience < age && self.longest_gap.is_none_or(|(longest, _)| longest < age) {
                self.longest_gap = Some((age, last));
            }
        }
        missing
    }
}

impl KindState {
    fn new(layout: &KindLayout) -> Self {
        Self {
            name: layout.name.clone(),
            patience: layout
                .every
                .map_or(DEFAULT_PATIENCE, |every| (every * 3).max(every + Duration::from_millis(200))),
            last_at: None,
            frames: 0,
            missing: false,
            back_at: None,
            counter: None,
            device_time: None,
            still: 0,
            frozen: false,
            has_pulse: false,
            lost: 0,
        }
    }
}

fn share(good: u64, damaged: u64) -> Option<u64> {
    let all = good + damaged;
    (ENOUGH <= all).then(|| damaged * 10_000 / all)
}
