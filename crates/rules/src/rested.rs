//! Where each cell stood at rest, over a whole session: what two sessions of one pack can be compared by.

use model::SessionTime;

use crate::estimates::{Basis, Estimate, rounding_deviation};
use crate::stage::Stage;

/// A billionth.
const NANO: f64 = 1e-9;
/// Fewer readings that differ say nothing of their scatter.
const ENOUGH: u64 = 10;

/// The cells at rest in one stage: how far each stands from the median cell.
///
/// A set counts while no current flows that moves the cells and they have settled. Before the first load and after it are
/// told apart: what is left of a load looks like a difference of charge.
#[derive(Clone, PartialEq, Debug)]
pub struct Rest {
    /// The stage.
    pub stage: Stage,
    /// Whether a load was on before.
    pub after_load: bool,
    /// The mean of the median cell, in volts; the count is of sets that differ from the one before.
    pub median: Estimate,
    /// Each cell of the pack, number 1 first: its mean distance from the median in volts. `None` where it was not read, or
    /// too seldom. The uncertainty is of scatter and rounding; an error that the BMS makes each time is not in it.
    pub apart: Vec<Option<Estimate>>,
}

#[derive(Clone, Debug)]
struct Group {
    stage: Stage,
    after_load: bool,
    from: SessionTime,
    to: SessionTime,
    /// Of the median, and of the cells: in billionths, and the squares of what is left of the first one, in volts.
    median: Sums,
    apart: Vec<Sums>,
}

/// Sums about the first value: squares of small numbers lose nothing.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    first: i64,
    last: f64,
    sum: i64,
    squares: f64,
    /// Squares of the differences from one value to the next.
    steps: f64,
    count: u64,
}

impl Sums {
    fn push(&mut self, nanos: i64) {
        if self.count == 0 {
            self.first = nanos;
        }
        let apart = nanos.saturating_sub(self.first);
        self.sum = self.sum.saturating_add(apart);
        let volts = apart as f64 * NANO;
        self.squares += volts * volts;
        self.steps += (volts - self.last) * (volts - self.last);
        self.last = volts;
        self.count += 1;
    }

    /// Mean and its uncertainty; `step`: of the readings, in volts.
    ///
    /// Values that wander are no readings of their own: their scatter over that from one to the next (von Neumann's ratio)
    /// says how many there are.
    fn estimate(&self, from: SessionTime, to: SessionTime, step: f64) -> Option<Estimate> {
        if self.count < ENOUGH {
            return None;
        }
        let count = self.count as f64;
        let mean = self.sum as f64 * NANO / count;
        let variance = ((self.squares - mean * mean * count) / (count - 1.0)).max(0.0);
        let white = self.steps / (count - 1.0) / 2.0;
        let wanders = if 0.0 < white { (variance / white).max(1.0) } else { 1.0 };
        let scatter = (variance * (wanders / count).min(1.0)).sqrt();
        // A distance has the rounding of two readings.
        let uncertainty = scatter.hypot(2.0_f64.sqrt() * rounding_left(step, variance - step * step / 6.0));
        let value = self.first as f64 * NANO + mean;
        Some(Estimate { value, uncertainty, basis: Basis { from, to, count: self.count } })
    }
}

/// The step in which a BMS really reads its cells: often coarser than the step of the numbers that it sends.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Grain {
    first: Option<i64>,
    /// What all differences are multiples of, in billionths; 0 while there was none.
    common: i64,
    sets: u32,
}

impl Grain {
    /// So many sets tell it.
    const ENOUGH: u32 = 4_000;

    /// Takes a set, in billionths of a volt. `step`: of the numbers as sent; finer than that it can't be.
    pub(crate) fn set(&mut self, cells: &[Option<i64>], step: i64) {
        if Self::ENOUGH <= self.sets || (self.common != 0 && self.common <= step) {
            return;
        }
        self.sets += 1;
        for cell in cells.iter().flatten() {
            let apart = cell.saturating_sub(*self.first.get_or_insert(*cell)).saturating_abs();
            if apart != 0 && (self.common == 0 || apart % self.common != 0) {
                self.common = greatest_common(self.common, apart);
            }
        }
    }

    /// In billionths of a volt, never finer than `step`.
    pub(crate) fn or(&self, step: i64) -> i64 {
        self.common.max(step)
    }
}

fn greatest_common(mut one: i64, mut other: i64) -> i64 {
    while other != 0 {
        (one, other) = (other, one % other);
    }
    one
}

/// What rounding to steps of `step` leaves of its deviation in a mean: noise of this variance moves the readings over the
/// steps and takes the rest away (the first term of the Fourier series of the rounding error under normal noise).
pub(crate) fn rounding_left(step: f64, variance: f64) -> f64 {
    let steps = variance.max(0.0) / (step * step);
    let share = (-2.0 * std::f64::consts::PI.powi(2) * steps).exp();
    if share.is_finite() { rounding_deviation(step) * share } else { 0.0 }
}

/// All groups of a session, in the order in which they began.
#[derive(Clone, Debug, Default)]
pub(crate) struct Rested {
    groups: Vec<Group>,
    last: Vec<Option<i64>>,
}

impl Rested {
    /// A set at rest: the distance of each cell from the median, in billionths of a volt. One that repeats the last is no
    /// reading of its own: frames often come more often than the BMS measures.
    pub(crate) fn set(
        &mut self,
        at: SessionTime,
        (stage, after_load): (Stage, bool),
        median: i64,
        apart: &[Option<i64>],
    ) {
        let same = |group: &Group| group.stage == stage && group.after_load == after_load;
        let place = match self.groups.iter().position(same) {
            Some(place) => place,
            None => {
                let apart = vec![Sums::default(); apart.len()];
                let median = Sums::default();
                self.groups.push(Group { stage, after_load, from: at, to: at, median, apart });
                self.groups.len() - 1
            }
        };
        let Some(group) = self.groups.get_mut(place) else { return };
        group.to = at;
        if self.last == apart {
            return;
        }
        self.last.clear();
        self.last.extend_from_slice(apart);
        group.median.push(median);
        for (sums, apart) in group.apart.iter_mut().zip(apart) {
            if let Some(apart) = apart {
                sums.push(*apart);
            }
        }
    }

    /// What there is enough of; `step`: of the cells' readings, in billionths of a volt.
    pub(crate) fn rests(&self, step: i64) -> Vec<Rest> {
        let step = step as f64 * NANO;
        let rest = |group: &Group| {
            let apart = |sums: &Sums| sums.estimate(group.from, group.to, step);
            let mut median = group.median.estimate(group.from, group.to, step)?;
            let mut all: Vec<Option<Estimate>> = group.apart.iter().map(apart).collect();
            // The median of a set stands on a step of the readings and hardly moves from it; that of the means does not.
            let shift = middle(all.iter().flatten().map(|apart| apart.value)).unwrap_or(0.0);
            median.value += shift;
            all.iter_mut().flatten().for_each(|apart| apart.value -= shift);
            Some(Rest { stage: group.stage, after_load: group.after_load, median, apart: all })
        };
        self.groups.iter().filter_map(rest).collect()
    }
}

/// The median of finite numbers; `None` of none.
fn middle(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_unstable_by(f64::total_cmp);
    let (low, high) = (values.get(values.len().checked_sub(1)? / 2)?, values.get(values.len() / 2)?);
    Some(low + (high - low) / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(millis: u64) -> SessionTime {
        SessionTime::from_millis(millis)
    }

    #[test]
    fn means_and_their_uncertainty_by_hand() {
        let mut rested = Rested::default();
        for index in 0..20_u64 {
            // +2 mV and +4 mV in turn: mean 3 mV; each set differs from the one before, and nothing wanders.
            let apart = if index % 2 == 0 { 2_000_000 } else { 4_000_000 };
            let cells = [Some(apart), None, Some(0), Some(-apart)];
            rested.set(at(index * 100), (Stage::BmsOnly, false), 3_830_000_000, &cells);
        }
        let rests = rested.rests(1_000_000);
        assert_eq!(rests.len(), 1);
        let apart = rests[0].apart[0].expect("enough");
        assert!((apart.value - 3e-3).abs() < 1e-12, "{apart:?}");
        // Deviation 1 mV x sqrt(20/19), of 20 readings: 0.2294 mV. It is a whole step wide: of the rounding of two readings,
        // 1 mV / sqrt(6), exp(-2 pi^2 (20/19 - 1/6)) is left, which is nothing.
        let expected = 1e-3 / 19.0_f64.sqrt();
        assert!((apart.uncertainty - expected).abs() < 1e-9, "{apart:?} {expected}");
        // In steps of 10 mV it could be anywhere: 10 mV / sqrt(6) = 4.08 mV.
        let coarse = rested.rests(10_000_000)[0].apart[0].expect("enough").uncertainty;
        assert!((coarse - 10e-3 / 6.0_f64.sqrt()).abs() < 1e-5, "{coarse}");
        assert_eq!((apart.basis.count, apart.basis.to), (20, at(1_900)));
        assert_eq!(rests[0].apart[1], None);
        assert!(rests[0].apart[2].is_some_and(|apart| apart.value.abs() < 1e-12));
    }

    #[test]
    fn the_grain_is_what_all_readings_are_steps_of() {
        let mut grain = Grain::default();
        assert_eq!(grain.or(1_000_000), 1_000_000);
        grain.set(&[Some(3_805_000_000), None, Some(3_815_000_000)], 1_000_000);
        assert_eq!(grain.or(1_000_000), 10_000_000);
        grain.set(&[Some(3_800_000_000), None, Some(3_815_000_000)], 1_000_000);
        assert_eq!(grain.or(1_000_000), 5_000_000);
        grain.set(&[Some(3_801_000_000)], 1_000_000);
        assert_eq!(grain.or(1_000_000), 1_000_000);
        grain.set(&[Some(3_801_500_000)], 1_000_000);
        assert_eq!(grain.or(1_000_000), 1_000_000, "that was known already");
    }

    #[test]
    fn the_median_is_that_of_the_means() {
        let mut rested = Rested::default();
        for index in 0..20_i64 {
            // In each set the median stands on a step; the cells are 0.5 mV further up in the mean.
            let apart = index % 2 * 1_000_000;
            rested.set(at(0), (Stage::Rest, false), 3_000_000_000, &[Some(apart), Some(apart), Some(apart)]);
        }
        let rest = &rested.rests(1_000_000)[0];
        assert!((rest.median.value - 3.0005).abs() < 1e-9, "{rest:?}");
        assert!(rest.apart.iter().flatten().all(|apart| apart.value.abs() < 1e-9), "{rest:?}");
    }

    #[test]
    fn what_wanders_is_known_less_well() {
        let of = |apart: &dyn Fn(i64) -> i64| {
            let mut rested = Rested::default();
            for index in 0..100_i64 {
                rested.set(at(index.unsigned_abs()), (Stage::Rest, false), 0, &[Some(apart(index))]);
            }
            rested.rests(1)[0].apart[0].expect("enough").uncertainty
        };
        // The same values, once in turn and once as a ramp: of that nearly the whole scatter is left.
        let (in_turn, ramp) = (of(&|index| index % 2 * 99_000_000), of(&|index| index * 1_000_000));
        assert!((in_turn - 49.5e-3 / 99.0_f64.sqrt()).abs() < 1e-4, "{in_turn}");
        assert!((ramp - 29.0e-3).abs() < 1e-3, "{ramp}");
    }

    #[test]
    fn what_repeats_is_no_reading_and_a_load_parts_the_groups() {
        let mut rested = Rested::default();
        for index in 0..200_u64 {
            rested.set(at(index), (Stage::Rest, false), 3_000_000_000, &[Some(7_000_000)]);
        }
        assert_eq!(rested.rests(1), [], "one reading, however often it was sent");
        for index in 0..30_i64 {
            let after_load = 15 <= index;
            rested.set(at(300), (Stage::Rest, after_load), 3_000_000_000, &[Some(index * 1_000_000)]);
        }
        let rests = rested.rests(1);
        assert_eq!(rests.iter().map(|rest| rest.after_load).collect::<Vec<_>>(), [false, true]);
        assert_eq!(rests[1].median.basis.count, 15);
    }
}
