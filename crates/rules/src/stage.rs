//! Which stage of a power-up the data shows.

use std::fmt;
use std::time::Duration;

use model::{SessionTime, format_nanos};

/// A stage of a power-up.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, PartialOrd, Ord)]
pub enum Stage {
    /// No current reading yet, so nothing is known.
    Unknown,
    /// No current but the small one of the electronics; cells have settled.
    Rest,
    /// Current flows.
    Load,
    /// Current has stopped; cells are still settling.
    Recovery,
}

impl Stage {
    /// The word in files and output.
    pub fn name(self) -> &'static str {
        match self {
            Self::Unknown => "unknown",
            Self::Rest => "rest",
            Self::Load => "load",
            Self::Recovery => "recovery",
        }
    }
}

impl fmt::Display for Stage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// Finds the stage from the current alone.
///
/// A pack that shows no load from the first reading on is taken as rested: how long it rested before is not in the data.
#[derive(Clone, Debug)]
pub(crate) struct StageDetector {
    rest_current: i64,
    rest_after: Duration,
    stage: Stage,
    /// Since when the current has been small, after a load.
    quiet_since: Option<SessionTime>,
}

impl StageDetector {
    pub(crate) fn new(rest_current: i64, rest_after: Duration) -> Self {
        Self { rest_current, rest_after, stage: Stage::Unknown, quiet_since: None }
    }

    pub(crate) fn stage(&self) -> Stage {
        self.stage
    }

    /// A current reading in billionths of an ampere. Returns what shows the new stage, if it changed.
    pub(crate) fn current(&mut self, at: SessionTime, nanos: i64) -> Option<String> {
        let amperes = || format_nanos(nanos, 2);
        // Going back to quiet needs a third less than going to load, so that noise at the edge does not chatter.
        let quiet = nanos.saturating_abs() <= self.rest_current;
        let clearly_quiet = nanos.saturating_abs() <= self.rest_current / 3 * 2;
        match self.stage {
            Stage::Unknown if quiet => self.enter(Stage::Rest, format!("current {} A", amperes())),
            Stage::Unknown | Stage::Rest | Stage::Recovery if !quiet => {
                self.quiet_since = None;
                self.enter(Stage::Load, format!("current {} A", amperes()))
            }
            Stage::Load if clearly_quiet => {
                self.quiet_since = Some(at);
                self.enter(Stage::Recovery, format!("current {} A", amperes()))
            }
            _ => None,
        }
    }

    /// Time has passed. Returns what shows the new stage, if it changed.
    pub(crate) fn tick(&mut self, at: SessionTime) -> Option<String> {
        let since = self.quiet_since.filter(|_| self.stage == Stage::Recovery)?;
        if at.since(since) < self.rest_after {
            return None;
        }
        self.quiet_since = None;
        self.enter(Stage::Rest, format!("no load for {} s", self.rest_after.as_secs()))
    }

    fn enter(&mut self, stage: Stage, why: String) -> Option<String> {
        self.stage = stage;
        Some(why)
    }
}
