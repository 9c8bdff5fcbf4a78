//! Whether the cells rest: which limits hold.

use std::time::Duration;

use model::SessionTime;

/// What the current does to the cells.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Regime {
    /// No current reading yet, or none any more, so nothing is known.
    Unknown,
    /// No current but the small one of the electronics; cells have settled.
    Rest,
    /// Current flows.
    Load,
    /// Current has stopped; cells are still settling.
    Recovery,
}

/// Finds the regime from the current alone.
///
/// A pack that shows no load from the first reading on is taken as rested: how long it rested before is not in the data.
/// After a time without readings it is not: there may have been a load.
#[derive(Clone, Debug)]
pub(crate) struct RegimeDetector {
    rest_current: i64,
    rest_after: Duration,
    regime: Regime,
    /// The first reading has come.
    begun: bool,
    /// Since when the current has been small, after a load.
    quiet_since: Option<SessionTime>,
}

impl RegimeDetector {
    pub(crate) fn new(rest_current: i64, rest_after: Duration) -> Self {
        Self { rest_current, rest_after, regime: Regime::Unknown, begun: false, quiet_since: None }
    }

    pub(crate) fn regime(&self) -> Regime {
        self.regime
    }

    /// A current reading in billionths of an ampere.
    pub(crate) fn current(&mut self, at: SessionTime, nanos: i64) {
        // Going back to quiet needs a third less than going to load, so that noise at the edge does not chatter.
        let quiet = nanos.saturating_abs() <= self.rest_current;
        let clearly_quiet = nanos.saturating_abs() <= self.rest_current / 3 * 2;
        let first = !std::mem::replace(&mut self.begun, true);
        let next = match self.regime {
            Regime::Unknown if quiet && first => Regime::Rest,
            Regime::Unknown if quiet => Regime::Recovery,
            Regime::Unknown | Regime::Rest | Regime::Recovery if !quiet => Regime::Load,
            Regime::Load if clearly_quiet => Regime::Recovery,
            _ => return,
        };
        self.quiet_since = (next == Regime::Recovery).then_some(at);
        self.regime = next;
    }

    /// Readings have stopped.
    pub(crate) fn no_current(&mut self) {
        self.quiet_since = None;
        self.regime = Regime::Unknown;
    }

    /// Time has passed. Returns whether the cells rest from now on.
    pub(crate) fn tick(&mut self, at: SessionTime) -> bool {
        let rested = self.deadline().is_some_and(|rested| rested <= at);
        if rested {
            self.quiet_since = None;
            self.regime = Regime::Rest;
        }
        rested
    }

    /// When time alone changes the regime.
    pub(crate) fn deadline(&self) -> Option<SessionTime> {
        self.quiet_since.filter(|_| self.regime == Regime::Recovery).map(|since| since + self.rest_after)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Feeds currents in milliamperes, a second apart with ticks between, to a pack at rest up to 300 mA that rests again
    /// after 5 s; `-` is no reading. Returns the stage after each: `?` unknown, `_` rest, `#` load, `~` recovery.
    fn run(currents: &str) -> String {
        let mut stages = RegimeDetector::new(300_000_000, Duration::from_secs(5));
        let mut seen = String::new();
        let mut last = SessionTime::ZERO;
        for (second, word) in (0..).zip(currents.split_whitespace()) {
            let at = SessionTime::from_millis(second * 1000);
            stages.tick(at);
            if let Ok(milliamperes) = word.parse::<i64>() {
                stages.current(at, milliamperes * 1_000_000);
                last = at;
            } else if Duration::from_secs(1) < at.since(last) {
                stages.no_current();
            }
            seen.push(match stages.regime() {
                Regime::Unknown => '?',
                Regime::Rest => '_',
                Regime::Load => '#',
                Regime::Recovery => '~',
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
