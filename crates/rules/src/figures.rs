//! What a session says of each cell, each sensor and the line, as numbers for a report or a comparison.

use std::time::Duration;

use model::SessionTime;

use crate::estimates::Estimate;
use crate::estimates::resistance::{CellResistance, Lag, StepResult};
use crate::rested::Rest;

/// The numbers of a session as of a moment.
#[derive(Clone, PartialEq, Debug)]
pub struct Figures {
    /// The step in which the BMS really reads its cells, in billionths of a volt: never finer than the numbers that it sends.
    /// `None` before the first whole set.
    pub cell_grain: Option<i64>,
    /// Where the cells stood at rest, by stage, in the order in which each began. None where there was no rest.
    pub rests: Vec<Rest>,
    /// What steps of the load say of the cells; or in words why there is nothing.
    pub resistances: Result<CellResistances, String>,
    /// How each cell drifts against the median at rest, in volts an hour, number 1 first; `None` where that is not known.
    pub drifts: Vec<Option<Estimate>>,
    /// How fast each sensor rises at rest, in degrees a minute, number 1 first; `None` where that is not known.
    pub rises: Vec<Option<Estimate>>,
    /// The line.
    pub line: LineFigures,
}

/// What steps of the load say of each cell, at one lag after them.
#[derive(Clone, PartialEq, Debug)]
pub struct CellResistances {
    /// How long after a step.
    pub lag: Lag,
    /// How many steps.
    pub steps: u64,
    /// The newest of them.
    pub newest: StepResult,
    /// The resistance of the median cell, in ohms.
    pub median: f64,
    /// Each cell of the pack, number 1 first; `None` where no step told it.
    pub cells: Vec<Option<CellResistance>>,
}

/// How well the line brought its frames.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct LineFigures {
    /// Bytes that came.
    pub bytes: u64,
    /// Sound frames.
    pub sound: u64,
    /// Damaged ones: by runs of bytes that are no frame, or as the counters say, whichever is more.
    pub damaged: u64,
    /// Of these, as the frame counters say.
    pub lost_by_counter: u64,
    /// Sound frames that no message kind of the protocol file has.
    pub unknown: u64,
    /// Answers whose question was not seen, and frames whose checksum can't be checked.
    pub untrusted: u64,
    /// Errors that the line itself reported.
    pub line_errors: u64,
    /// The longest silence of a message that must keep coming, and when it began; `None` if none was longer than allowed.
    pub longest_silence: Option<(Duration, SessionTime)>,
    /// When the first sound frame came.
    pub first_frame_at: Option<SessionTime>,
    /// When the source was first lost.
    pub lost_at: Option<SessionTime>,
    /// When the host's clock first jumped.
    pub clock_step_at: Option<SessionTime>,
    /// When the device seems to have started again.
    pub restart_at: Option<SessionTime>,
    /// Sound frames of each message of the protocol file, with its name.
    pub messages: Vec<(String, u64)>,
}
