//! The resistance of leads and connectors from a drop of voltage against current.

use model::SessionTime;

use super::Estimate;

/// An estimate with the interval that holds the true value in 95 of 100 cases.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Interval {
    /// The estimate.
    pub estimate: Estimate,
    /// The lower end of the 95 % confidence interval.
    pub low: f64,
    /// The upper end.
    pub high: f64,
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

/// Works out a drop from readings at many levels of the current.
#[derive(Clone, Debug)]
pub struct DropRegression {}

impl DropRegression {
    /// `one_hour_current` (billionths of an ampere) sets how far apart levels of the current are; `step` is the step of
    /// the voltage reading, in billionths of a volt.
    pub fn new(_one_hour_current: i64, _step: i64) -> Self {
        Self {}
    }

    /// A drop at a current (discharge positive), in billionths of a volt and of an ampere: the sum of the cells minus
    /// the reported pack voltage, or the pack voltage minus the bus voltage. Taken only while the current stands still.
    pub fn push(&mut self, _at: SessionTime, _current: i64, _drop: i64) {}

    /// The line through the levels.
    pub fn estimate(&self) -> Result<Drop, NoDrop> {
        Err(NoDrop::TooFewLevels { have: 0 })
    }
}
