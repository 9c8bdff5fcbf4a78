//! Steps of the load current: where they are, and whether the current stood still before and after.

use std::time::Duration;

/// What decides whether a change of the current is a step that resistance can be worked out from.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct StepSettings {
    /// The one-hour current of the pack (capacity / 1 h), in billionths of an ampere.
    pub one_hour_current: i64,
    /// The resistance that a cell should have, in billionths of an ohm.
    pub resistance: i64,
    /// The step of a cell's readings, in billionths of a volt.
    pub cell_step: i64,
    /// The step of the current's readings, in billionths of an ampere.
    pub current_step: i64,
    /// How long the BMS takes to read all cells one after another; zero if it reads them at once or does not say.
    pub scan: Duration,
}

/// Why a change of the current gives no resistance.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum StepFault {
    /// The change is smaller than [`StepSettings`] and the noise of the current ask for.
    TooSmall,
    /// The current did not stand still long enough before.
    ShortBefore,
    /// The current did not stand still long enough after.
    ShortAfter,
    /// The current went over to its new value too slowly.
    Slow,
    /// Readings are missing at the step.
    Gap,
    /// The current swung by too much of the step before or after it.
    Unsteady,
    /// There were too few sets of cells before or after it.
    NoCells,
}

impl StepFault {
    /// All of them.
    pub const ALL: [Self; 7] =
        [Self::TooSmall, Self::ShortBefore, Self::ShortAfter, Self::Slow, Self::Gap, Self::Unsteady, Self::NoCells];
}
