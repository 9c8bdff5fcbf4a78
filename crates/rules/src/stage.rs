//! Which stage of a power-up the data shows.

use std::fmt;
use std::time::Duration;

use model::{SessionTime, format_nanos};

/// A stage of a power-up.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, PartialOrd, Ord)]
pub enum Stage {
    /// No current reading yet, or none any more, so nothing is known.
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
/// After a time without readings it is not: there may have been a load.
#[derive(Clone, Debug)]
pub(crate) struct StageDetector {
    rest_current: i64,
    rest_after: Duration,
    stage: Stage,
    /// The first reading has come.
    begun: bool,
    /// Since when the current has been small, after a load.
    quiet_since: Option<SessionTime>,
}

impl StageDetector {
    pub(crate) fn new(rest_current: i64, rest_after: Duration) -> Self {
        Self { rest_current, rest_after, stage: Stage::Unknown, begun: false, quiet_since: None }
    }

    pub(crate) fn stage(&self) -> Stage {
        self.stage
    }

    /// A current reading in billionths of an ampere. Returns what shows the new stage, if it changed.
    pub(crate) fn current(&mut self, at: SessionTime, nanos: i64) -> Option<String> {
        // Going back to quiet needs a third less than going to load, so that noise at the edge does not chatter.
        let quiet = nanos.saturating_abs() <= self.rest_current;
        let clearly_quiet = nanos.saturating_abs() <= self.rest_current / 3 * 2;
        let first = !std::mem::replace(&mut self.begun, true);
        let next = match self.stage {
            Stage::Unknown if quiet && first => Stage::Rest,
            Stage::Unknown if quiet => Stage::Recovery,
            Stage::Unknown | Stage::Rest | Stage::Recovery if !quiet => Stage::Load,
            Stage::Load if clearly_quiet => Stage::Recovery,
            _ => return None,
        };
        self.quiet_since = (next == Stage::Recovery).then_some(at);
        self.enter(next, format!("current {} A", format_nanos(nanos, 2)))
    }

    /// Readings have stopped for this long. Returns what shows the new stage, if it changed.
    pub(crate) fn no_current(&mut self, length: Duration) -> Option<String> {
        if self.stage == Stage::Unknown {
            return None;
        }
        self.quiet_since = None;
        self.enter(Stage::Unknown, format!("no current reading for {} ms", length.as_millis()))
    }

    /// Time has passed. Returns what shows the new stage, if it changed.
    pub(crate) fn tick(&mut self, at: SessionTime) -> Option<String> {
        if self.deadline().is_none_or(|rested| at < rested) {
            return None;
        }
        self.quiet_since = None;
        self.enter(Stage::Rest, format!("no load for {} s", self.rest_after.as_secs()))
    }

    /// When time alone changes the stage.
    pub(crate) fn deadline(&self) -> Option<SessionTime> {
        self.quiet_since.filter(|_| self.stage == Stage::Recovery).map(|since| since + self.rest_after)
    }

    fn enter(&mut self, stage: Stage, why: String) -> Option<String> {
        self.stage = stage;
        Some(why)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Feeds currents in milliamperes, a second apart with ticks between, to a pack at rest up to 300 mA that rests again
    /// after 5 s; `-` is no reading. Returns the stage after each: `?` unknown, `_` rest, `#` load, `~` recovery.
    fn run(currents: &str) -> String {
        let mut stages = StageDetector::new(300_000_000, Duration::from_secs(5));
        let mut seen = String::new();
        let mut last = SessionTime::ZERO;
        for (second, word) in (0..).zip(currents.split_whitespace()) {
            let at = SessionTime::from_millis(second * 1000);
            stages.tick(at);
            if let Ok(milliamperes) = word.parse::<i64>() {
                stages.current(at, milliamperes * 1_000_000);
                last = at;
            } else if Duration::from_secs(1) < at.since(last) {
                stages.no_current(at.since(last));
            }
            seen.push(match stages.stage() {
                Stage::Unknown => '?',
                Stage::Rest => '_',
                Stage::Load => '#',
                Stage::Recovery => '~',
            });
        }
        seen
    }

    #[test]
    fn stages_follow_the_current() {
        assert_eq!(run("0 300 -300 301 300 201 200 0 0 0 0 0 0"), "___###~~~~~__");
        assert_eq!(run("500 0 0 0 0 0 0"), "#~~~~~_");
        assert_eq!(run("- 0 -"), "?__", "no reading yet");
        assert_eq!(run("0 - - 0 0"), "__?~~", "after a time without readings it recovers first");
    }

    #[test]
    fn noise_at_the_edge_does_not_chatter() {
        assert_eq!(run("0 310 290 310 290 310 290"), "_######");
    }
}
