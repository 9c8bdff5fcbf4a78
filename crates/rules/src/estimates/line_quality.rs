//! How sound the line is, and whether damage comes with the bus voltage or the current.

use std::time::Duration;

use model::SessionTime;

/// Whether damage comes with a condition (bus on, load on).
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Comparison {
    /// Sound and damaged frames with the condition.
    pub with: (u64, u64),
    /// Sound and damaged frames without it.
    pub without: (u64, u64),
    /// How likely at least so much damage with the condition is by chance (Fisher's exact test, one-sided).
    pub p_value: f64,
}

impl Comparison {
    /// More damage with the condition than chance explains: p below 0.01. Common practice, no source.
    pub fn is_significant(&self) -> bool {
        self.p_value < 0.01
    }
}

/// Why nothing can be compared: fewer than 300 frames on a side.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct TooFewFrames {
    /// Frames with the condition.
    pub with: u64,
    /// Frames without it.
    pub without: u64,
}

/// Counts frames, damage and gaps.
#[derive(Clone, Debug, Default)]
pub struct LineQuality {}

impl LineQuality {
    /// A sound frame, or a piece of damage; whether the bus was on and a load was on, `None` where that is not known.
    pub fn frame(&mut self, _at: SessionTime, _sound: bool, _bus_on: Option<bool>, _load_on: Option<bool>) {}

    /// Damaged of all, 0 to 1; `None` of no frames.
    pub fn error_ratio(&self) -> Option<f64> {
        None
    }

    /// Sound frames and damage.
    pub fn counts(&self) -> (u64, u64) {
        (0, 0)
    }

    /// Sound frames a second over the last ten seconds; `None` before there are two.
    pub fn rate(&self, _now: SessionTime) -> Option<f64> {
        None
    }

    /// The longest time between two sound frames, and when it began.
    pub fn longest_gap(&self) -> Option<(SessionTime, Duration)> {
        None
    }

    /// Whether damage comes with the bus voltage.
    pub fn follows_bus(&self) -> Result<Comparison, TooFewFrames> {
        Err(TooFewFrames { with: 0, without: 0 })
    }

    /// Whether damage comes with the load.
    pub fn follows_load(&self) -> Result<Comparison, TooFewFrames> {
        Err(TooFewFrames { with: 0, without: 0 })
    }
}
