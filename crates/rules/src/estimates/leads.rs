//! The resistance of leads and connectors from a drop of voltage against current.

use std::time::Duration;

use model::SessionTime;

use super::distributions::student_limit;
use super::least_squares::{LeastSquares, Solution};
use super::{Basis, Estimate, NANO, rounding_deviation};

/// A line through fewer levels of the current says little. Common practice, no source.
pub(crate) const LEAST_LEVELS: usize = 5;
/// A level that was read less often does not count.
const LEAST_READINGS: u64 = 5;
/// Levels that are kept apart; where the current goes beyond them they become twice as wide.
const LEVELS: usize = 64;
/// The width of a level as a share of the one-hour current.
const LEVEL_WIDTH: f64 = 0.05;
/// Filters lag: a reading counts once the current has stood still for so long. Common practice, no source.
const SETTLED: Duration = Duration::from_secs(1);

/// An estimate with the interval that holds the true value in 95 of 100 cases.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Interval {
    /// The estimate.
    pub estimate: Estimate,
    /// The lower end of the 95 % confidence interval (Student's t).
    pub low: f64,
    /// The upper end.
    pub high: f64,
}

impl Interval {
    /// Whether a value lies inside.
    pub fn holds(&self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }
}

/// A drop along a conductor as `offset + resistance x current`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Drop {
    /// At no current, in volts: a difference of calibration. The count is of levels of the current.
    pub offset: Interval,
    /// In ohms. The count is of levels of the current.
    pub resistance: Interval,
    /// The standard deviation of the levels around the line, in volts.
    pub residual: f64,
    /// The lowest and the highest level of the current, in amperes.
    pub levels: (f64, f64),
}

/// Why there is no drop.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum NoDrop {
    /// Fewer than five levels of the current.
    TooFewLevels {
        /// Levels there are.
        have: usize,
    },
    /// The numbers leave no line.
    NoLine,
}

/// The means of the readings at one level of the current.
#[derive(Clone, Copy, Debug, Default)]
struct Mean {
    readings: u64,
    amperes: f64,
    volts: f64,
}

impl Mean {
    fn add(&mut self, other: &Self) {
        let readings = self.readings + other.readings;
        if readings == 0 {
            return;
        }
        let share = other.readings as f64 / readings as f64;
        self.amperes += (other.amperes - self.amperes) * share;
        self.volts += (other.volts - self.volts) * share;
        self.readings = readings;
    }
}

/// Works out a drop from readings at many levels of the current.
///
/// The line goes through the means of the levels, each with the same weight: a thousand readings of one level share
/// whatever is wrong there and are not a thousand proofs.
#[derive(Clone, Debug)]
pub struct DropRegression {
    step: f64,
    width: f64,
    means: [Mean; LEVELS],
    /// The newest reading, and since when the current has been where it is.
    newest: Option<SessionTime>,
    standing: Option<(SessionTime, f64)>,
    /// A reading that counts if the current still stands where it did at the next: of a message that tells voltages before
    /// its current, the first after a step has the new voltages beside the old current.
    pending: Option<(SessionTime, Mean)>,
    span: Option<(SessionTime, SessionTime)>,
}

impl DropRegression {
    /// `one_hour_current` (billionths of an ampere) sets how far apart levels of the current are; `step` is the step of
    /// the voltage reading, in billionths of a volt.
    pub fn new(one_hour_current: i64, step: i64) -> Self {
        let width = (LEVEL_WIDTH * one_hour_current as f64 * NANO).max(1e-3);
        let means = [Mean::default(); LEVELS];
        Self { step: step as f64 * NANO, width, means, newest: None, standing: None, pending: None, span: None }
    }

    /// A drop at a current (discharge positive), in billionths of an ampere and of a volt: the sum of the cells minus
    /// the reported pack voltage, or the pack voltage minus the bus voltage. It counts only when the current has stood
    /// still for a second, and does so at the next reading.
    pub fn push(&mut self, at: SessionTime, current: i64, drop: i64) {
        let (amperes, volts) = (current as f64 * NANO, drop as f64 * NANO);
        let gap = self.newest.replace(at).is_none_or(|newest| at < newest || SETTLED < at.since(newest));
        let moved = self.standing.is_none_or(|(_, stood)| self.width / 2.0 < (amperes - stood).abs());
        let before = self.pending.take();
        if gap || moved {
            self.standing = Some((at, amperes));
        } else if let Some((then, reading)) = before {
            self.count(then, &reading);
        }
        if self.standing.is_some_and(|(since, _)| SETTLED <= at.since(since)) {
            self.pending = Some((at, Mean { readings: 1, amperes, volts }));
        }
    }

    fn count(&mut self, at: SessionTime, reading: &Mean) {
        let place = self.place(reading.amperes);
        if let Some(mean) = self.means.get_mut(place) {
            mean.add(reading);
            let from = self.span.map_or(at, |(from, _)| from);
            self.span = Some((from, at));
        }
    }

    /// The level of a current; makes all levels wider until it has one.
    fn place(&mut self, amperes: f64) -> usize {
        let middle = LEVELS as f64 / 2.0;
        loop {
            let place = (amperes / self.width).floor() + middle;
            if (0.0..LEVELS as f64).contains(&place) {
                return place as usize;
            }
            self.widen();
        }
    }

    fn widen(&mut self) {
        let mut wider = [Mean::default(); LEVELS];
        for (place, mean) in self.means.iter().enumerate() {
            if let Some(both) = wider.get_mut((place + LEVELS / 2) / 2) {
                both.add(mean);
            }
        }
        self.means = wider;
        self.width *= 2.0;
    }

    /// The line through the levels.
    pub fn estimate(&self) -> Result<Drop, NoDrop> {
        let mut fit = LeastSquares::<2>::default();
        let mut levels = (f64::INFINITY, f64::NEG_INFINITY);
        for mean in self.means.iter().filter(|mean| LEAST_READINGS <= mean.readings) {
            fit.push([1.0, mean.amperes], mean.volts, 1.0);
            levels = (levels.0.min(mean.amperes), levels.1.max(mean.amperes));
        }
        let have = fit.rows() as usize;
        if have < LEAST_LEVELS {
            return Err(NoDrop::TooFewLevels { have });
        }
        let solution = fit.solve().ok_or(NoDrop::NoLine)?;
        let interval = |coefficient| self.interval(&solution, coefficient).ok_or(NoDrop::NoLine);
        let (offset, resistance) = (interval(0)?, interval(1)?);
        Ok(Drop { offset, resistance, residual: solution.residual_deviation, levels })
    }

    fn interval(&self, solution: &Solution<2>, coefficient: usize) -> Option<Interval> {
        let deviation = solution.residual_deviation.max(rounding_deviation(self.step));
        let uncertainty = solution.unit_error(coefficient) * deviation;
        let half = student_limit(0.05, solution.rows.checked_sub(2)? as f64)? * uncertainty;
        let value = *solution.coefficients.get(coefficient)?;
        let (from, to) = self.span?;
        let estimate = Estimate { value, uncertainty, basis: Basis { from, to, count: solution.rows } };
        half.is_finite().then_some(Interval { estimate, low: value - half, high: value + half })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimates::testing::Random;

    /// 3 s of ten readings at each current; the drop of a lead of 2 mohm with an offset of 40 mV and some noise.
    fn run(currents: &[f64], noise: f64) -> DropRegression {
        let mut drop = DropRegression::new(40_000_000_000, 10_000_000);
        let mut random = Random::new(5);
        for (tenth, current) in (0..).zip(currents.iter().flat_map(|current| [*current; 30])) {
            let volts = 0.04 + 0.002 * current + noise * random.normal();
            drop.push(SessionTime::from_millis(tenth * 100), (current * 1e9) as i64, (volts * 1e9) as i64);
        }
        drop
    }

    #[test]
    fn the_first_reading_after_a_step_may_have_the_old_current() {
        let mut drop = DropRegression::new(40_000_000_000, 1);
        let currents = [0.0, 10.0, 20.0, 40.0, 60.0, 80.0, 0.0];
        let each = currents.iter().flat_map(|current| [*current; 30]);
        let mut told = 0.0;
        for (tenth, current) in (0..).zip(each) {
            let sag = 0.036 * (current - told);
            let volts = 0.04 + 0.002 * current + sag;
            drop.push(SessionTime::from_millis(tenth * 100), (told * 1e9) as i64, (volts * 1e9) as i64);
            told = current;
        }
        let found = drop.estimate().unwrap();
        assert!((found.resistance.estimate.value - 0.002).abs() < 1e-9, "{found:?}");
    }

    #[test]
    fn offset_and_resistance_are_told_apart() {
        let found = run(&[0.0, 20.0, 40.0, 60.0, 80.0, -10.0, 300.0], 0.0).estimate().unwrap();
        assert!((found.resistance.estimate.value - 0.002).abs() < 1e-9, "{found:?}");
        assert!((found.offset.estimate.value - 0.04).abs() < 1e-7);
        assert!(found.resistance.holds(0.002) && !found.resistance.holds(0.003));
        assert_eq!(found.resistance.estimate.basis.count, 7);
        assert_eq!((found.levels.0.round(), found.levels.1.round()), (-10.0, 300.0));
    }

    #[test]
    fn the_interval_holds_the_truth_about_as_often_as_it_says() {
        let mut random = Random::new(11);
        let mut held = 0;
        for _ in 0..400 {
            let mut drop = DropRegression::new(40_000_000_000, 1);
            let mut tenth = 0;
            for level in 0..6 {
                // The error of a level is common to all of its readings.
                let error = 0.01 * random.normal();
                for _ in 0..30 {
                    let current = f64::from(level) * 20.0;
                    let volts = 0.002 * current + error;
                    drop.push(SessionTime::from_millis(tenth * 100), (current * 1e9) as i64, (volts * 1e9) as i64);
                    tenth += 1;
                }
            }
            held += i32::from(drop.estimate().unwrap().resistance.holds(0.002));
        }
        assert!((365..=395).contains(&held), "{held} of 400");
    }

    #[test]
    fn too_few_levels_are_no_line() {
        assert_eq!(run(&[], 0.0).estimate(), Err(NoDrop::TooFewLevels { have: 0 }));
        assert_eq!(run(&[0.0, 20.0, 40.0, 60.0], 0.0).estimate(), Err(NoDrop::TooFewLevels { have: 4 }));
        let restless: Vec<f64> = (0..900).map(|tenth| f64::from(tenth % 9) * 10.0).collect();
        let mut drop = DropRegression::new(40_000_000_000, 10_000_000);
        for (tenth, current) in (0..).zip(restless) {
            drop.push(SessionTime::from_millis(tenth * 100), (current * 1e9) as i64, 0);
        }
        assert_eq!(drop.estimate(), Err(NoDrop::TooFewLevels { have: 0 }), "the current never stands still");
    }

    #[test]
    fn extremes_leave_something_finite_or_nothing() {
        let mut drop = DropRegression::new(0, i64::MAX);
        for second in 0..2000_u64 {
            let level = (second / 100) as i64 - 10;
            drop.push(SessionTime::from_millis(second * 100), level * (i64::MAX / 20), i64::MAX / (level + 20));
        }
        if let Ok(found) = drop.estimate() {
            assert!(found.resistance.low.is_finite() && found.offset.high.is_finite());
        }
    }
}
