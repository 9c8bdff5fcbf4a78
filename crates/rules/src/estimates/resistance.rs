//! The resistance of each cell from steps of the load.
//!
//! The lag counts from the last reading of the current before the step.

use model::SessionTime;

use super::Estimate;
use super::noise::Noise;
use super::steps::{StepFault, StepSettings};

/// How long after a step of the current the cells are looked at.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Lag {
    /// The first set after the step; [`StepResult::instant_lag`] says how late it was.
    Instant,
    /// 0.1 s; only at 20 sets a second or more.
    TenthSecond,
    /// 1 s.
    Second,
    /// 2 s.
    TwoSeconds,
    /// 5 s.
    FiveSeconds,
    /// 10 s.
    TenSeconds,
}

impl Lag {
    /// All of them, the shortest first.
    pub const ALL: [Self; 6] =
        [Self::Instant, Self::TenthSecond, Self::Second, Self::TwoSeconds, Self::FiveSeconds, Self::TenSeconds];
}

/// A resistance from one step at one lag, both ways.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct StepResistance {
    /// Against the voltage at the step as if it had stayed there, in ohms.
    pub held: Estimate,
    /// Against the voltage as it would have gone on without the step: a straight line through the readings before, in
    /// ohms. The uncertainty has that of the line.
    pub drift_corrected: Estimate,
}

/// The newest step that gave resistances.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct StepResult {
    /// Which step of the session, from 1, among those that gave resistances.
    pub number: u64,
    /// The last reading of the current before the step.
    pub at: SessionTime,
    /// The current before, in amperes.
    pub before: f64,
    /// The change, in amperes: positive for more discharge (load on, or less regeneration).
    pub change: f64,
    /// How late the first usable set after the step was, in seconds.
    pub instant_lag: f64,
    /// The change is at least 20 q / R: enough to call a cell weak.
    pub telling: bool,
}

/// A cell's resistance combined over steps at one lag.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct CellResistance {
    /// Ohms, against the held voltage; weighted over steps. The count is of steps.
    pub held: Estimate,
    /// Ohms, against the voltage extrapolated from before the step. The count is of steps.
    pub drift_corrected: Estimate,
    /// Held resistance over that of the median cell of the same step and lag. The count is of steps.
    pub ratio: Estimate,
    /// How many of the steps are at least 20 q / R.
    pub telling_steps: u64,
    /// The robust score of the ratio among the cells (modified z); beyond 3.5 is often called an outlier. `None` of fewer
    /// than three cells.
    pub score: Option<f64>,
}

/// A cell's resistance above the median cell's, in two parts.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Parts {
    /// In the first set after a step, in ohms: contacts, links and leads, and the cell's own ohmic part.
    pub instant: Estimate,
    /// What comes on top until `late`, in ohms: only the cell's own.
    pub relaxation: Estimate,
    /// The lag up to which the second part counts.
    pub late: Lag,
}

/// Why there is no resistance.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum NoResistance {
    /// There is no such cell.
    NoCell,
    /// No step gave this cell a value at this lag; the faults say why steps were refused.
    NoStep,
}

/// Resistances of the cells of a pack from the steps of its load.
#[derive(Clone, Debug)]
pub struct Resistances {
    noise: Noise,
}

impl Resistances {
    /// For so many cells.
    pub fn new(cells: usize, settings: StepSettings) -> Self {
        Self { noise: Noise::new(cells, settings.cell_step) }
    }

    /// A reading of the pack current, discharge positive, in billionths of an ampere. Of one moment, the current comes
    /// before the cells.
    pub fn current(&mut self, _at: SessionTime, _nanos: i64) {}

    /// A set of cells, in billionths of a volt; `None` where one is absent.
    pub fn set(&mut self, _at: SessionTime, _cells: &[Option<i64>]) {}

    /// The newest step that gave resistances.
    pub fn newest_step(&self) -> Option<StepResult> {
        None
    }

    /// What the newest step gave for a cell (from 0) at a lag.
    pub fn newest(&self, _cell: usize, _lag: Lag) -> Result<StepResistance, NoResistance> {
        Err(NoResistance::NoStep)
    }

    /// Steps that gave resistances.
    pub fn steps(&self) -> u64 {
        0
    }

    /// How many changes of the current were refused for this reason.
    pub fn refused(&self, _fault: StepFault) -> u64 {
        0
    }

    /// The change of the current that a step needs now, in amperes: 0.1 C, 10 q / R and 5 x the current's noise.
    pub fn least_change(&self) -> f64 {
        0.0
    }

    /// The largest change that was refused as too small, in amperes.
    pub fn largest_too_small(&self) -> Option<f64> {
        None
    }

    /// A cell's (from 0) resistance over all steps at a lag. Robust scores are worked out here: ask when a step ends, not
    /// per row.
    pub fn cell(&self, _cell: usize, _lag: Lag) -> Result<CellResistance, NoResistance> {
        Err(NoResistance::NoStep)
    }

    /// The median cell's held resistance at a lag, in ohms.
    pub fn median(&self, _lag: Lag) -> Result<f64, NoResistance> {
        Err(NoResistance::NoStep)
    }

    /// The two parts of what a cell (from 0) has above the median cell.
    pub fn parts(&self, _cell: usize) -> Result<Parts, NoResistance> {
        Err(NoResistance::NoStep)
    }

    /// The noise of the cells.
    pub fn noise(&self) -> &Noise {
        &self.noise
    }
}
