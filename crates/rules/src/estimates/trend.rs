//! How fast values change: drift of cells at rest, heating, time to a limit.

use std::time::Duration;

use model::SessionTime;

use super::least_squares::{LeastSquares, SharedColumns, Solution};
use super::{Basis, Estimate, NANO, rounding_deviation, seconds_between};

/// Blocks that are kept.
const BLOCKS: usize = 64;
/// Fewer say nothing of the scatter.
const LEAST_BLOCKS: u64 = 8;
/// A line through a shorter time is none.
const LEAST_SECONDS: f64 = 5.0;
/// The first blocks of a window that grows.
const FIRST_BLOCK: Duration = Duration::from_secs(1);
/// A rise must be so many times its uncertainty to tell a time from it.
const RISING: f64 = 2.0;
const HOUR: f64 = 3600.0;

/// What to look back on.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Window {
    /// Everything since the last [`Trend::restart`].
    Everything,
    /// About so much of the newest.
    Newest(Duration),
}

/// Why there is no trend.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum NoTrend {
    /// There is no such channel.
    NoChannel,
    /// Too few readings, or over too short a time.
    TooShort {
        /// How long there were readings.
        have: Duration,
    },
}

/// Readings that came close together.
#[derive(Clone, Copy, Debug, Default)]
struct Block {
    from: SessionTime,
    sets: u32,
    /// The sum of the seconds since `from`.
    seconds: f64,
}

/// The sum and the number of the readings of a channel in a block.
#[derive(Clone, Copy, Debug, Default)]
struct Sum {
    nanos: i64,
    readings: u32,
}

impl Sum {
    fn add(&mut self, other: Self) {
        self.nanos = self.nanos.saturating_add(other.nanos);
        self.readings = self.readings.saturating_add(other.readings);
    }
}

/// Straight lines through the values of some channels, by means of blocks of time.
///
/// A growing window keeps its blocks by making them twice as long. For drift, give it the distances from the median.
#[derive(Clone, Debug)]
pub struct Trend {
    channels: usize,
    step: f64,
    window: Window,
    block: Duration,
    /// In the order of time.
    blocks: Vec<Block>,
    /// Per block and channel.
    sums: Vec<Sum>,
    newest: SessionTime,
    /// By channel, as of the last [`refresh`](Self::refresh); empty if values have come since.
    lines: Vec<Result<TrendLine, NoTrend>>,
}

impl Trend {
    /// For so many channels whose readings have this step, in billionths.
    pub fn new(channels: usize, step: i64, window: Window) -> Self {
        Self {
            channels,
            step: step as f64 * NANO,
            window,
            block: Self::first_block(window),
            blocks: Vec::with_capacity(BLOCKS),
            sums: Vec::with_capacity(BLOCKS * channels),
            newest: SessionTime::ZERO,
            lines: Vec::new(),
        }
    }

    fn first_block(window: Window) -> Duration {
        match window {
            Window::Everything => FIRST_BLOCK,
            Window::Newest(length) => (length / BLOCKS as u32).max(Duration::from_millis(1)),
        }
    }

    /// Forgets everything: call when what came before is of another kind, such as a load before a rest.
    pub fn restart(&mut self) {
        self.block = Self::first_block(self.window);
        self.blocks.clear();
        self.sums.clear();
        self.lines.clear();
    }

    /// A value of every channel, in billionths; `None` where it is absent. A step of the clock back forgets everything.
    pub fn set(&mut self, at: SessionTime, values: &[Option<i64>]) {
        if at < self.newest {
            self.restart();
        }
        self.newest = at;
        self.lines.clear();
        self.forget_old(at);
        if self.blocks.last().is_none_or(|block| self.block <= at.since(block.from)) {
            self.begin_block(at);
        }
        let Some(block) = self.blocks.last_mut() else { return };
        block.sets = block.sets.saturating_add(1);
        block.seconds += at.since(block.from).as_secs_f64();
        let row = self.sums.len().saturating_sub(self.channels);
        for (sum, value) in self.sums.iter_mut().skip(row).zip(values) {
            if let Some(nanos) = value {
                sum.add(Sum { nanos: *nanos, readings: 1 });
            }
        }
    }

    fn forget_old(&mut self, at: SessionTime) {
        let Window::Newest(length) = self.window else { return };
        while self.blocks.first().is_some_and(|block| length < at.since(block.from)) {
            self.forget_oldest();
        }
    }

    fn forget_oldest(&mut self) {
        self.blocks.remove(0);
        self.sums.drain(..self.channels.min(self.sums.len()));
    }

    fn begin_block(&mut self, at: SessionTime) {
        if self.blocks.len() == BLOCKS {
            match self.window {
                Window::Everything => self.make_blocks_longer(),
                Window::Newest(_) => self.forget_oldest(),
            }
        }
        self.blocks.push(Block { from: at, ..Block::default() });
        self.sums.resize(self.blocks.len() * self.channels, Sum::default());
    }

    /// Makes one block of every two.
    fn make_blocks_longer(&mut self) {
        self.block = self.block.saturating_mul(2);
        let halves = BLOCKS / 2;
        for index in 0..halves {
            let (Some(first), Some(second)) = (self.blocks.get(index * 2), self.blocks.get(index * 2 + 1)) else {
                break;
            };
            let apart = second.from.since(first.from).as_secs_f64();
            let merged = Block {
                from: first.from,
                sets: first.sets.saturating_add(second.sets),
                seconds: first.seconds + second.seconds + apart * f64::from(second.sets),
            };
            if let Some(block) = self.blocks.get_mut(index) {
                *block = merged;
            }
            for channel in 0..self.channels {
                let of = |row: usize| self.sums.get(row * self.channels + channel).copied().unwrap_or_default();
                let mut sum = of(index * 2);
                sum.add(of(index * 2 + 1));
                if let Some(slot) = self.sums.get_mut(index * self.channels + channel) {
                    *slot = sum;
                }
            }
        }
        self.blocks.truncate(halves);
        self.sums.truncate(halves * self.channels);
    }

    /// The change of a channel (from 0) in base units per hour. The count is of readings.
    pub fn per_hour(&self, channel: usize) -> Result<Estimate, NoTrend> {
        Ok(self.line(channel)?.per_hour())
    }

    /// The value of a channel at its newest reading, on the line, in base units.
    pub fn now(&self, channel: usize) -> Result<Estimate, NoTrend> {
        Ok(self.line(channel)?.now())
    }

    /// The seconds until a rising channel gets to `limit` (base units) on the line.
    pub fn time_to(&self, channel: usize, limit: f64) -> Result<TimeTo, NoTrend> {
        let line = self.line(channel)?;
        let (rate, now) = (line.per_hour(), line.now());
        let left = limit - now.value;
        if left <= 0.0 {
            return Ok(TimeTo::Reached);
        }
        let seconds = left / rate.value * HOUR;
        let share = (rate.uncertainty / rate.value).hypot(now.uncertainty / left);
        let uncertainty = seconds * share;
        if rate.value <= RISING * rate.uncertainty || !seconds.is_finite() || !uncertainty.is_finite() {
            return Ok(TimeTo::NotRising);
        }
        Ok(TimeTo::In(Estimate { value: seconds, uncertainty, basis: now.basis }))
    }

    /// Works out the lines of all channels at once, if values have come since the last time: faster than one after
    /// another, with the same results. Not needed before anything is asked.
    pub fn refresh(&mut self) {
        if !self.lines.is_empty() {
            return;
        }
        self.lines = match self.all_lines() {
            Some(lines) => lines,
            None => (0..self.channels).map(|channel| self.work_out(channel)).collect(),
        };
    }

    /// The lines of all channels; `None` where they have not the same readings.
    fn all_lines(&self) -> Option<Vec<Result<TrendLine, NoTrend>>> {
        let mut fits = SharedColumns::<2>::new(self.channels);
        let mut readings = 0;
        let (mut from, mut to) = (f64::INFINITY, f64::NEG_INFINITY);
        for (block, sums) in self.blocks.iter().zip(self.sums.chunks_exact(self.channels.max(1))) {
            let each = sums.first()?.readings;
            if each == 0 || sums.iter().any(|sum| sum.readings != each) {
                return None;
            }
            let (hours, weight) = (self.hours(block), f64::from(each));
            fits.push([1.0, hours], sums.iter().map(|sum| sum.nanos as f64 * NANO / weight), weight);
            readings += u64::from(each);
            (from, to) = (from.min(hours), to.max(hours));
        }
        Some(fits.solve().map(|solution| self.describe(solution, (from, to), readings)).collect())
    }

    /// Hours of a block's mean before the newest reading: the line's value there is its first coefficient.
    fn hours(&self, block: &Block) -> f64 {
        (seconds_between(self.newest, block.from) + block.seconds / f64::from(block.sets)) / HOUR
    }

    fn line(&self, channel: usize) -> Result<TrendLine, NoTrend> {
        self.lines.get(channel).copied().unwrap_or_else(|| self.work_out(channel))
    }

    fn work_out(&self, channel: usize) -> Result<TrendLine, NoTrend> {
        if self.channels <= channel {
            return Err(NoTrend::NoChannel);
        }
        let mut fit = LeastSquares::<2>::default();
        let mut readings = 0;
        let (mut from, mut to) = (f64::INFINITY, f64::NEG_INFINITY);
        for (block, sums) in self.blocks.iter().zip(self.sums.chunks_exact(self.channels)) {
            let Some(sum) = sums.get(channel).filter(|sum| 0 < sum.readings) else { continue };
            let hours = self.hours(block);
            let weight = f64::from(sum.readings);
            fit.push([1.0, hours], sum.nanos as f64 * NANO / weight, weight);
            readings += u64::from(sum.readings);
            (from, to) = (from.min(hours), to.max(hours));
        }
        self.describe(fit.solve(), (from, to), readings)
    }

    /// A fit over these hours, from so many readings.
    fn describe(
        &self,
        solution: Option<Solution<2>>,
        (from, to): (f64, f64),
        readings: u64,
    ) -> Result<TrendLine, NoTrend> {
        let have = Duration::try_from_secs_f64((to - from) * HOUR).unwrap_or_default();
        let solution = solution.filter(|solution| LEAST_BLOCKS <= solution.rows);
        let solution = solution.filter(|_| LEAST_SECONDS <= have.as_secs_f64()).ok_or(NoTrend::TooShort { have })?;
        let begin = self.blocks.first().map_or(self.newest, |block| block.from);
        let basis = Basis { from: begin, to: self.newest, count: readings };
        Ok(TrendLine { solution, basis, hours: to - from, rounding: rounding_deviation(self.step) })
    }
}

/// A line through one channel.
#[derive(Clone, Copy, Debug)]
struct TrendLine {
    solution: Solution<2>,
    basis: Basis,
    hours: f64,
    rounding: f64,
}

impl TrendLine {
    fn per_hour(&self) -> Estimate {
        // Readings that stand still hide a change of up to a step between both ends.
        let least = self.rounding * 2.0_f64.sqrt() / self.hours;
        Estimate {
            value: self.solution.coefficients[1],
            uncertainty: self.solution.error(1).max(least),
            basis: self.basis,
        }
    }

    fn now(&self) -> Estimate {
        Estimate {
            value: self.solution.coefficients[0],
            uncertainty: self.solution.error(0).max(self.rounding),
            basis: self.basis,
        }
    }
}

/// When a limit will be reached.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum TimeTo {
    /// It is reached.
    Reached,
    /// In so many seconds.
    In(Estimate),
    /// It does not rise by more than twice the uncertainty: no time can be told.
    NotRising,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimates::testing::Random;

    const MILLI: i64 = 1_000_000;

    fn feed(trend: &mut Trend, seconds: u64, value: impl Fn(f64) -> Option<i64>) {
        for tenth in 0..seconds * 10 {
            trend.set(SessionTime::from_millis(tenth * 100), &[value(tenth as f64 / 10.0)]);
        }
    }

    #[test]
    fn a_drift_is_found_over_any_length() {
        for seconds in [10, 60, 64, 65, 600, 3600] {
            let mut trend = Trend::new(1, 1, Window::Everything);
            feed(&mut trend, seconds, |second| Some((3.8e9 - second / 3600.0 * 20e6) as i64));
            let found = trend.per_hour(0).unwrap();
            assert!((found.value + 0.02).abs() < 1e-6 + found.uncertainty, "{seconds} s: {found:?}");
            assert!(trend.blocks.len() <= BLOCKS);
            assert_eq!(found.basis.count, seconds * 10);
        }
    }

    #[test]
    fn all_at_once_are_bit_for_bit_as_one_after_another() {
        let mut random = Random::new(5);
        for (window, holes) in
            [(Window::Everything, 0), (Window::Newest(Duration::from_secs(20)), 0), (Window::Everything, 9)]
        {
            let mut trend = Trend::new(7, MILLI, window);
            for tenth in 0..3_000_u64 {
                let value = |channel: u64| {
                    let absent = holes != 0 && (tenth + channel).is_multiple_of(holes);
                    (!absent).then(|| (random.normal() * 1e6) as i64 + (channel * tenth) as i64 * 100)
                };
                let values: Vec<_> = (0..7).map(value).collect();
                trend.set(SessionTime::from_millis(tenth * 100), &values);
                if tenth == 1_000 {
                    trend.restart();
                }
                if tenth % 37 == 0 {
                    let mut at_once = trend.clone();
                    at_once.refresh();
                    assert_eq!(at_once.lines.len(), 7);
                    for channel in 0..8 {
                        let of = |trend: &Trend| format!("{:?} {:?}", trend.per_hour(channel), trend.now(channel));
                        assert_eq!(of(&trend), of(&at_once), "{channel} at {tenth}");
                    }
                }
            }
            assert!(trend.per_hour(6).is_ok());
        }
    }

    /// From the trade's facts: 60 s at 1 mV can't see drifts below 25 to 60 mV/h.
    #[test]
    fn a_minute_of_still_readings_says_how_little_it_can_see() {
        let mut trend = Trend::new(1, MILLI, Window::Everything);
        feed(&mut trend, 60, |_| Some(3_800 * MILLI));
        let found = trend.per_hour(0).unwrap();
        assert!(found.value.abs() < 1e-9);
        assert!((0.020..0.030).contains(&found.uncertainty), "{found:?}");
    }

    #[test]
    fn the_uncertainty_is_that_of_repeated_runs() {
        let mut random = Random::new(9);
        let (mut squares, mut told) = (0.0, 0.0);
        for _ in 0..100 {
            let mut trend = Trend::new(1, 1, Window::Everything);
            for tenth in 0..1200 {
                trend.set(SessionTime::from_millis(tenth * 100), &[Some((random.normal() * 1e6) as i64)]);
            }
            let found = trend.per_hour(0).unwrap();
            squares += found.value * found.value / 100.0;
            told += found.uncertainty / 100.0;
        }
        let ratio = told / squares.sqrt();
        assert!((0.8..1.25).contains(&ratio), "{ratio}");
    }

    #[test]
    fn only_the_newest_count_where_asked() {
        let mut trend = Trend::new(1, 1, Window::Newest(Duration::from_secs(60)));
        feed(&mut trend, 300, |second| Some(if second < 200.0 { 0 } else { ((second - 200.0) * 1e6) as i64 }));
        let found = trend.per_hour(0).unwrap();
        assert!((found.value - 3.6).abs() < 1e-6, "{found:?}");
        assert!(found.basis.length() <= Duration::from_secs(61));
        let TimeTo::In(time) = trend.time_to(0, 0.2).unwrap() else { panic!("it rises") };
        assert!((time.value - 100.1).abs() < 0.1, "{time:?}");
        assert_eq!(trend.time_to(0, 0.05), Ok(TimeTo::Reached));
        feed(&mut trend, 100, |_| Some(0));
        assert_eq!(trend.time_to(0, 0.2), Ok(TimeTo::NotRising));
    }

    #[test]
    fn too_little_is_no_trend() {
        let mut trend = Trend::new(1, 1, Window::Everything);
        assert_eq!(trend.per_hour(1), Err(NoTrend::NoChannel));
        assert_eq!(trend.per_hour(0), Err(NoTrend::TooShort { have: Duration::ZERO }));
        feed(&mut trend, 100, |_| None);
        assert_eq!(trend.per_hour(0), Err(NoTrend::TooShort { have: Duration::ZERO }));
        trend.restart();
        feed(&mut trend, 4, Some(1).map(|one| move |_: f64| Some(one)).unwrap());
        assert!(matches!(trend.per_hour(0), Err(NoTrend::TooShort { .. })));
    }

    #[test]
    fn gaps_missing_values_and_steps_of_the_clock() {
        let mut trend = Trend::new(2, 1, Window::Everything);
        let line = |millis: u64| Some(millis as i64 * 10);
        for tenth in (0..200_u64).chain(4000..4200) {
            let missing = tenth % 3 == 0;
            trend.set(
                SessionTime::from_millis(tenth * 100),
                &[line(tenth * 100), line(tenth * 100).filter(|_| !missing)],
            );
        }
        for channel in 0..2 {
            let found = trend.per_hour(channel).unwrap();
            assert!((found.value - 10e-6 * 3600.0).abs() < 1e-5 + found.uncertainty, "{found:?}");
        }
        trend.set(SessionTime::ZERO, &[Some(0), Some(0)]);
        assert!(matches!(trend.per_hour(0), Err(NoTrend::TooShort { .. })), "the clock went back");
        for second in 0..40 {
            let extreme = if second % 2 == 0 { i64::MAX } else { i64::MIN };
            trend.set(SessionTime::from_millis(second * 1000), &[Some(extreme), None]);
        }
        assert!(trend.per_hour(0).is_ok_and(|found| found.value.is_finite() && found.uncertainty.is_finite()));
    }
}
