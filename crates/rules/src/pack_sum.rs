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

    /// A reported pack voltage. Returns the gap to the newest sum as a share of it, in billionths of a percent; `None`
    /// without a set that is new enough.
    ///
    /// `tolerance`: by how much a computed sum can differ from the sum of the cells as sent. Only at rest does the gap say
    /// where the voltage comes from: under a changing load a computed sum that lags behind looks like a measured one.
    pub(crate) fn reported(&mut self, at: SessionTime, nanos: i64, tolerance: i64, at_rest: bool) -> Option<i64> {
        // Sets come in the order of time.
        while self.sums.front().is_some_and(|(then, _)| MOST_AGE < at.since(*then)) {
            self.sums.pop_front();
        }
        let (_, newest) = self.sums.back().copied()?;
        if at_rest {
            let equal = self.sums.iter().any(|(_, sum)| nanos.saturating_sub(*sum).saturating_abs() <= tolerance);
            let count = if equal { &mut self.equal } else { &mut self.different };
            *count = count.saturating_add(1);
        }
        share(nanos.saturating_sub(newest), newest)
    }

    pub(crate) fn origin(&self) -> Origin {
        // A computed sum differs where a frame was lost in between; a measured one agrees by chance. One in five is far
        // from both.
        let all = self.equal.saturating_add(self.different);
        if all < ENOUGH {
            Origin::Unknown
        } else if self.different < ENOUGH || self.different < all / 5 {
            Origin::Computed
        } else {
            Origin::Measured
        }
    }

    /// Comparisons at rest.
    pub(crate) fn comparisons(&self) -> u32 {
        self.equal.saturating_add(self.different)
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
    // Usual gaps fit in 64 bits, and are divided without a call.
    match gap.unsigned_abs().checked_mul(100 * 1_000_000_000) {
        Some(product) => i64::try_from(product / whole.unsigned_abs()).ok(),
        None => i64::try_from(i128::from(gap.unsigned_abs()) * 100 * 1_000_000_000 / i128::from(whole)).ok(),
    }
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
            pack_sum.reported(at, reported(index, sum), STEP + 24_000_000, true);
        }
        pack_sum.origin()
    }

    #[test]
    fn a_computed_sum_that_lags_under_load_is_no_measurement() {
        let mut pack_sum = PackSum::default();
        let mut old = 92_000_000_000;
        for index in 0..400_u64 {
            let at = SessionTime::from_millis(index * 50);
            let rest = index < 100;
            // Under load the sum swings by volts, and the BMS adds up once a second.
            let sum = 92_000_000_000 - if rest { 0 } else { i64::try_from(index % 7).unwrap() * 1_000_000_000 };
            old = if index % 20 == 0 { sum } else { old };
            pack_sum.set(at, sum);
            pack_sum.reported(at, old, STEP, rest);
        }
        assert_eq!(pack_sum.origin(), Origin::Computed);
        assert_eq!(pack_sum.comparisons(), 100);
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
        assert_eq!(run(|index, sum| if index % 2 == 0 { sum } else { sum + sum / 1250 }), Origin::Measured, "noisy");
    }

    #[test]
    fn old_sets_are_not_compared() {
        let mut pack_sum = PackSum::default();
        assert_eq!(pack_sum.reported(SessionTime::ZERO, 1, 1, true), None);
        pack_sum.set(SessionTime::ZERO, 100);
        assert_eq!(pack_sum.reported(SessionTime::from_millis(501), 100, 1, true), None);
        assert_eq!(pack_sum.origin(), Origin::Unknown);
    }

    #[test]
    fn shares_are_percent() {
        assert_eq!(share(-500_000_000, 100_000_000_000), Some(500_000_000));
        assert_eq!(share(1, 0), None);
        assert_eq!(share(i64::MIN, 1), None);
        for gap in [184_467_440, 184_467_441, i64::MAX / 100] {
            let exact = i128::from(gap) * 100_000_000_000 / 92_000_000_000;
            assert_eq!(share(gap, 92_000_000_000), i64::try_from(exact).ok(), "{gap}");
        }
    }
}
