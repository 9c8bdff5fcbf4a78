//! What neighbouring cells do together: opposite to each other, or in the patterns of balancing and of swapped leads.

use super::Basis;
use model::SessionTime;

/// Two neighbours, `cell` and `cell + 1` (from 0).
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Pair {
    /// The first of the two.
    pub cell: usize,
    /// Mean residual of each from the median, in volts.
    pub offsets: (f64, f64),
    /// How far each wanders: the standard deviation of its residual, in volts.
    pub wanders: (f64, f64),
    /// The standard deviation of the sum of the two residuals, in volts: small if the sum is kept.
    pub sum_wander: f64,
    /// The correlation of the two residuals; `None` if one does not move.
    pub correlation: Option<f64>,
    /// The sets.
    pub basis: Basis,
}

impl Pair {
    /// Opposite residuals whose sum is kept: an open lead between the two is possible.
    pub fn is_opposite(&self) -> bool {
        false
    }
}

/// Three neighbours, `middle - 1` to `middle + 1` (from 0).
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Triple {
    /// The one in the middle.
    pub middle: usize,
    /// How much the middle falls while it is being balanced, in volts (2 I R of the lead).
    pub fall: f64,
    /// How much the neighbours rise meanwhile, in volts (I R of the lead).
    pub rise: f64,
    /// The sets.
    pub basis: Basis,
}

/// Readings that two sense leads in the wrong order, or one that pulls, leave behind.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Misread {
    /// Double, nothing or negative, double around this cell (from 0): its two leads are swapped.
    Swapped {
        /// The cell whose leads they are.
        middle: usize,
    },
    /// This cell (from 0) reads nothing and a neighbour about double.
    Pulled {
        /// The one that reads nothing.
        low: usize,
        /// The one that reads double.
        high: usize,
    },
}

/// Looks at neighbours over the newest sets.
#[derive(Clone, Debug)]
pub struct Neighbours {}

impl Neighbours {
    /// For so many cells, whose readings have this step in billionths of a volt.
    pub fn new(_cells: usize, _step: i64) -> Self {
        Self {}
    }

    /// The residuals of a set from its median, in billionths of a volt; `None` where a cell is absent.
    pub fn set(&mut self, _at: SessionTime, _apart: &[Option<i64>]) {}

    /// Forgets everything.
    pub fn restart(&mut self) {}

    /// Two neighbours; `None` with too few sets.
    pub fn pair(&self, _cell: usize) -> Option<Pair> {
        None
    }

    /// The pattern of balancing around a cell; `None` if it is not there.
    pub fn balancing(&self, _middle: usize) -> Option<Triple> {
        None
    }
}

/// Looks for misread cells in one set, in billionths of a volt.
pub fn misread(_cells: &[Option<i64>]) -> Option<Misread> {
    None
}
