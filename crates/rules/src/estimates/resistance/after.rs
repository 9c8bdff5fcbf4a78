//! The cells after a step, at the lags that resistance is given for.

use model::SessionTime;

use super::Lag;
use super::baseline::{Line, LineSums};
use crate::estimates::steps::{Edge, Level};
use crate::estimates::{NANO, seconds_between};

/// Readings up to this share of the lag away from it are used.
const WINDOW: f64 = 0.1;
/// Or up to so many times the distance between sets, where they come slowly, and never more than half the lag.
const WINDOW_INTERVALS: f64 = 0.6;
const WIDEST_WINDOW: f64 = 0.5;
/// A line through readings on one side of the lag only may be prolonged by this share of it.
const PROLONGED: f64 = 0.05;
/// Later than this the first set is not "instant".
const LATEST_INSTANT: f64 = 1.0;
/// From its first reading to its second a cell may go on by this share of the step.
const SETTLING: f64 = 0.2;
/// A lag of 0.1 s needs so many sets a second (20, less what clocks are apart). Common practice, no source.
const LEAST_RATE: f64 = 19.5;

/// What was seen after a step.
#[derive(Clone, Debug)]
pub(super) struct After {
    pub(super) edge: Edge,
    /// The level that it led to, so far.
    pub(super) level: Level,
    /// The line of each cell up to the step.
    pub(super) before: Vec<Option<Line>>,
    /// The first usable set, in volts, and how late it was.
    instant: Vec<Option<f64>>,
    /// Whose first reading no later one has confirmed yet, and how many they are.
    unconfirmed: Vec<bool>,
    to_confirm: usize,
    pub(super) instant_lag: Option<f64>,
    /// Per lag (without the instant) and cell.
    sums: Vec<LineSums>,
    currents: [LineSums; Lag::ALL.len()],
    pub(super) sets: u64,
    first_set: f64,
    last_set: f64,
}

/// A voltage some time after a step; the variance is in that of one reading.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Point {
    pub(super) volts: f64,
    pub(super) variance: f64,
    pub(super) readings: f64,
}

impl After {
    pub(super) fn new(cells: usize, edge: Edge, level: Level) -> Self {
        Self {
            edge,
            level,
            before: vec![None; cells],
            instant: vec![None; cells],
            unconfirmed: vec![false; cells],
            to_confirm: 0,
            instant_lag: None,
            sums: vec![LineSums::default(); cells * Lag::ALL.len()],
            currents: [LineSums::default(); Lag::ALL.len()],
            sets: 0,
            first_set: 0.0,
            last_set: 0.0,
        }
    }

    /// Begins again with another step, in the same memory.
    pub(super) fn restart(&mut self, edge: Edge, level: Level, line: impl Fn(usize) -> Option<Line>) {
        (self.edge, self.level) = (edge, level);
        for (cell, before) in self.before.iter_mut().enumerate() {
            *before = line(cell);
        }
        self.instant.fill(None);
        self.unconfirmed.fill(false);
        self.to_confirm = 0;
        self.instant_lag = None;
        self.sums.fill(LineSums::default());
        self.currents = [LineSums::default(); Lag::ALL.len()];
        (self.sets, self.first_set, self.last_set) = (0, 0.0, 0.0);
    }

    /// Seconds since the step.
    pub(super) fn lag_of(&self, at: SessionTime) -> f64 {
        seconds_between(self.edge.origin(), at)
    }

    pub(super) fn current(&mut self, at: SessionTime, amperes: f64) {
        let seconds = self.lag_of(at);
        for (sums, lag) in self.currents.iter_mut().zip(Lag::ALL) {
            if lag.seconds().is_some_and(|lag| (seconds - lag).abs() <= WIDEST_WINDOW * lag) {
                sums.push(seconds, amperes, 1.0);
            }
        }
    }

    /// A set; `lone` is by how much a lone wrong reading differs from its neighbours, in volts.
    pub(super) fn set(&mut self, at: SessionTime, cells: &[Option<i64>], lone: f64) {
        let seconds = self.lag_of(at);
        if self.sets == 0 {
            self.first_set = seconds;
            if seconds <= LATEST_INSTANT {
                self.instant_lag = Some(seconds);
                for ((volts, unconfirmed), cell) in self.instant.iter_mut().zip(&mut self.unconfirmed).zip(cells) {
                    *volts = cell.map(|nanos| nanos as f64 * NANO);
                    *unconfirmed = cell.is_some();
                    self.to_confirm += usize::from(*unconfirmed);
                }
            }
        } else if 0 < self.to_confirm {
            self.confirm_instant(cells, lone);
        }
        let interval = seconds - self.last_set;
        self.sets += 1;
        self.last_set = seconds;
        let width = self.before.len();
        for (lag, sums) in Lag::ALL.into_iter().zip(self.sums.chunks_exact_mut(width.max(1))) {
            let Some(lag) = lag.seconds() else { continue };
            let window = (WINDOW_INTERVALS * interval).clamp(WINDOW * lag, WIDEST_WINDOW * lag);
            if window < (seconds - lag).abs() {
                continue;
            }
            for (sums, cell) in sums.iter_mut().zip(cells) {
                if let Some(nanos) = cell {
                    sums.push(seconds, *nanos as f64 * NANO, 1.0);
                }
            }
        }
    }

    /// Gives up a first reading that the cell's second does not confirm.
    fn confirm_instant(&mut self, cells: &[Option<i64>], lone: f64) {
        let firsts = self.instant.iter_mut().zip(&mut self.unconfirmed);
        for (((first, unconfirmed), before), second) in firsts.zip(&self.before).zip(cells) {
            let (Some(volts), Some(nanos), true) = (*first, second, *unconfirmed) else { continue };
            *unconfirmed = false;
            self.to_confirm -= 1;
            let step = before.map_or(0.0, |line| line.at(0.0) - volts);
            let tolerance = lone.max(SETTLING * step.abs());
            *first = first.filter(|_| (*nanos as f64 * NANO - volts).abs() <= tolerance);
        }
    }

    /// The cell at a lag; `None` where readings do not reach it.
    pub(super) fn point(&self, cell: usize, lag: Lag) -> Option<Point> {
        let Some(seconds) = lag.seconds() else {
            let confirmed = self.unconfirmed.get(cell).is_some_and(|unconfirmed| !unconfirmed);
            let volts = self.instant.get(cell).copied().flatten().filter(|_| confirmed)?;
            return Some(Point { volts, variance: 1.0, readings: 1.0 });
        };
        if lag == Lag::TenthSecond && self.rate()? < LEAST_RATE {
            return None;
        }
        let sums = self.sums.get(lag as usize * self.before.len() + cell)?;
        let (earliest, latest) = sums.span();
        let reach = PROLONGED * seconds;
        if latest < seconds - reach || seconds + reach < earliest {
            return None;
        }
        let line = sums.line()?;
        Some(Point { volts: line.at(seconds), variance: line.variance_at(seconds), readings: sums.weight })
    }

    /// The current at a lag, in amperes.
    pub(super) fn current_at(&self, lag: Lag) -> f64 {
        match lag.seconds() {
            None => self.edge.first.1,
            Some(seconds) => self
                .currents
                .get(lag as usize)
                .filter(|sums| sums.span().0 <= seconds && seconds <= sums.span().1)
                .and_then(LineSums::line)
                .map_or(self.level.mean(), |line| line.at(seconds)),
        }
    }

    fn rate(&self) -> Option<f64> {
        let rate = self.sets.checked_sub(1)? as f64 / (self.last_set - self.first_set);
        rate.is_finite().then_some(rate)
    }
}
