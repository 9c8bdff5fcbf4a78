//! Readings of a rise or a fall, however long, in bounded memory.

use model::SessionTime;

use crate::estimates::seconds_between;

/// Readings that are kept. The first are kept for good, where the most happens; of the rest every second one is dropped
/// when there are more.
const MOST: usize = 384;
const FIRST: usize = 256;
/// A rise is looked at in about so many pieces to see whether it speeds up.
const PIECES: usize = 24;
/// It speeds up if a piece is so many times as steep as the flattest before, and by so many steps of the reading.
const STEEPER: f64 = 1.5;
const STEEPER_STEPS: f64 = 6.0;
/// And by this share of all that it has risen.
const STEEPER_SHARE: f64 = 0.02;

/// A time and volts.
pub(super) type Sample = (SessionTime, f64);

/// Samples of a rise or fall.
#[derive(Clone, Debug)]
pub(super) struct Samples {
    kept: Vec<Sample>,
    /// Every how manyth is kept, and how many are to be left out before the next.
    stride: u64,
    skip: u64,
    seen: u64,
    last: Option<Sample>,
}

impl Default for Samples {
    fn default() -> Self {
        Self { kept: Vec::with_capacity(MOST), stride: 1, skip: 0, seen: 0, last: None }
    }
}

impl Samples {
    pub(super) fn push(&mut self, at: SessionTime, volts: f64) {
        self.seen += 1;
        self.last = Some((at, volts));
        if 0 < self.skip {
            self.skip -= 1;
            return;
        }
        if self.kept.len() == MOST {
            let mut index = 0;
            self.kept.retain(|_| {
                index += 1;
                index <= FIRST || index % 2 == 1
            });
            self.stride = self.stride.saturating_mul(2);
        }
        self.kept.push((at, volts));
        self.skip = self.stride - 1;
    }

    pub(super) fn kept(&self) -> &[Sample] {
        &self.kept
    }

    pub(super) fn first(&self) -> Option<Sample> {
        self.kept.first().copied()
    }

    pub(super) fn last(&self) -> Option<Sample> {
        self.last
    }

    pub(super) fn seen(&self) -> u64 {
        self.seen
    }

    /// The mean time between readings, in seconds.
    pub(super) fn interval(&self) -> Option<f64> {
        let seconds = seconds_between(self.first()?.0, self.last?.0);
        Some(seconds / self.seen.checked_sub(1).filter(|intervals| 0 < *intervals)? as f64)
    }

    /// Those before the first that reaches so many volts.
    pub(super) fn before_reaching(&self, volts: f64) -> &[Sample] {
        let end = self.kept.iter().position(|(_, reached)| volts <= *reached).unwrap_or(self.kept.len());
        self.kept.get(..end).unwrap_or_default()
    }
}

/// Where a rise that slowed down speeds up again: the first reading of the steeper piece. An exponential never does.
pub(super) fn speeds_up_at(samples: &[Sample], step: f64) -> Option<usize> {
    let rose = samples.iter().fold(0.0_f64, |most, (_, volts)| most.max(*volts)) - samples.first()?.1;
    let clear = (STEEPER_STEPS * step).max(STEEPER_SHARE * rose);
    let piece = samples.len().div_ceil(PIECES).max(1);
    let mut flattest = f64::INFINITY;
    for (index, start) in samples.iter().enumerate() {
        let Some(end) = samples.get(index + piece) else { break };
        let seconds = seconds_between(start.0, end.0);
        let slope = (end.1 - start.1) / seconds;
        if !slope.is_finite() {
            continue;
        }
        if STEEPER * flattest.max(0.0) < slope && clear < (slope - flattest.max(0.0)) * seconds {
            return Some(index + 1);
        }
        flattest = flattest.min(slope);
    }
    None
}
