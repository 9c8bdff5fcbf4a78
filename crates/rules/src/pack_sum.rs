//! The sum of the cells against a pack voltage from elsewhere.

use std::collections::VecDeque;
use std::time::Duration;

use model::SessionTime;

/// A pack voltage and a set of cells further apart than this are not compared.
const MOST_AGE: Duration = Duration::from_millis(500);
/// With which of the newest sets a reported voltage may agree if the BMS computes it.
const SETS: usize = 4;
/// Agreements or differences needed before anything is said.
const ENOUGH: u32 = 10;

/// Where the reported pack voltage seems to come from.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Origin {
    /// Too few comparisons.
    Unknown,
    /// It equals the sum of the cells within its own step: it is no evidence.
    Computed,
    /// It differs from the sum: it was measured on its own.
    Measured,
}

/// Compares the reported pack voltage with the sums of the newest sets of cells.
#[derive(Clone, Debug, Default)]
pub(crate) struct PackSum {
    sums: VecDeque<(SessionTime, i64)>,
    equal: u32,
    different: u32,
}

impl PackSum {
    /// A whole set of cells.
    pub(crate) fn set(&mut self, at: SessionTime, sum: i64) {
        if self.sums.len() == SETS {
            self.sums.pop_front();
        }
        self.sums.push_back((at, sum));
    }

    /// A reported pack voltage with the step of its number. Returns the gap to the newest sum as a share of it, in
    /// billionths of a percent; `None` without a set that is new enough.
    pub(crate) fn reported(&mut self, at: SessionTime, nanos: i64, step: i64, cells_step: i64) -> Option<i64> {
        self.sums.retain(|(then, _)| at.since(*then) <= MOST_AGE);
        let (_, newest) = self.sums.back().copied()?;
        // A computed sum is rounded or cut to the step of the pack voltage, from cells rounded to theirs.
        let tolerance = step.saturating_add(cells_step);
        let equal = self.sums.iter().any(|(_, sum)| nanos.saturating_sub(*sum).saturating_abs() <= tolerance);
        if equal {
            self.equal = self.equal.saturating_add(1);
        } else {
            self.different = self.different.saturating_add(1);
        }
        share(nanos.saturating_sub(newest), newest)
    }

    pub(crate) fn origin(&self) -> Origin {
        // One in twenty may differ by a frame lost in between.
        if self.equal.saturating_add(self.different) < ENOUGH {
            Origin::Unknown
        } else if self.different < ENOUGH || self.different < self.equal / 20 {
            Origin::Computed
        } else {
            Origin::Measured
        }
    }

    pub(crate) fn newest(&self) -> Option<(SessionTime, i64)> {
        self.sums.back().copied()
    }
}

/// `|gap| / whole` in billionths of a percent; `None` where the whole is not positive.
pub(crate) fn share(gap: i64, whole: i64) -> Option<i64> {
    if whole <= 0 {
        return None;
    }
    i64::try_from(i128::from(gap.unsigned_abs()) * 100 * 1_000_000_000 / i128::from(whole)).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    const STEP: i64 = 10_000_000;

    fn run(reported: impl Fn(u64, i64) -> i64) -> Origin {
        let mut pack_sum = PackSum::default();
        for index in 0..200_u64 {
            let at = SessionTime::from_millis(index * 50);
            let sum = 92_000_000_000 - i64::try_from(index).unwrap() * 3_000_000;
            pack_sum.set(at, sum);
            pack_sum.reported(at, reported(index, sum), STEP, 1_000_000);
        }
        pack_sum.origin()
    }

    #[test]
    fn a_rounded_sum_is_recognised() {
        assert_eq!(run(|_, sum| sum), Origin::Computed);
        assert_eq!(run(|_, sum| sum / STEP * STEP), Origin::Computed);
        assert_eq!(run(|_, sum| (sum + STEP / 2) / STEP * STEP), Origin::Computed);
        assert_eq!(run(|index, sum| if index % 40 == 0 { sum + 5 * STEP } else { sum }), Origin::Computed);
    }

    #[test]
    fn an_own_measurement_is_recognised() {
        assert_eq!(run(|_, sum| sum + sum / 1250), Origin::Measured);
        assert_eq!(run(|_, _| 93_000_000_000), Origin::Measured);
    }

    #[test]
    fn old_sets_are_not_compared() {
        let mut pack_sum = PackSum::default();
        assert_eq!(pack_sum.reported(SessionTime::ZERO, 1, 1, 1), None);
        pack_sum.set(SessionTime::ZERO, 100);
        assert_eq!(pack_sum.reported(SessionTime::from_millis(501), 100, 1, 1), None);
        assert_eq!(pack_sum.origin(), Origin::Unknown);
    }

    #[test]
    fn shares_are_percent() {
        assert_eq!(share(-500_000_000, 100_000_000_000), Some(500_000_000));
        assert_eq!(share(1, 0), None);
        assert_eq!(share(i64::MIN, 1), None);
    }
}
