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
    sum: i64,
    squares: f64,
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
        self.count += 1;
    }

    /// Mean and its uncertainty; `step`: of the readings, in volts, that rounding cannot tell apart.
    fn estimate(&self, from: SessionTime, to: SessionTime, step: f64) -> Option<Estimate> {
        if self.count < ENOUGH {
            return None;
        }
        let count = self.count as f64;
        let mean = self.sum as f64 * NANO / count;
        let variance = ((self.squares - mean * mean * count) / (count - 1.0)).max(0.0);
        let uncertainty = (variance / count).sqrt().hypot(rounding_deviation(step));
        let value = self.first as f64 * NANO + mean;
        Some(Estimate { value, uncertainty, basis: Basis { from, to, count: self.count } })
    }
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
            // A distance has the rounding of two readings.
            let apart = |sums: &Sums| sums.estimate(group.from, group.to, step * 2.0_f64.sqrt());
            Some(Rest {
                stage: group.stage,
                after_load: group.after_load,
                median: group.median.estimate(group.from, group.to, step)?,
                apart: group.apart.iter().map(apart).collect(),
            })
        };
        self.groups.iter().filter_map(rest).collect()
    }
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
            // +2 mV and +4 mV in turn: mean 3 mV; each set differs from the one before.
            let apart = if index % 2 == 0 { 2_000_000 } else { 4_000_000 };
            rested.set(at(index * 100), (Stage::BmsOnly, false), 3_830_000_000, &[Some(apart), None]);
        }
        let rests = rested.rests(1_000_000);
        assert_eq!(rests.len(), 1);
        let apart = rests[0].apart[0].expect("enough");
        assert!((apart.value - 3e-3).abs() < 1e-12, "{apart:?}");
        // Deviation 1 mV x sqrt(20/19), of 20 readings: 0.2294 mV; rounding of two readings 1 mV / sqrt(6) = 0.4082 mV.
        let expected = 1e-3 * (1.0_f64 / 19.0 + 1.0 / 6.0).sqrt();
        assert!((apart.uncertainty - expected).abs() < 1e-9, "{apart:?} {expected}");
        assert_eq!((apart.basis.count, apart.basis.to), (20, at(1_900)));
        assert_eq!(rests[0].apart[1], None);
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
