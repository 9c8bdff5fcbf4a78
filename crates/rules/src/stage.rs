//! Which stage of a power-up the data shows, from the current and the voltage on the load's side of the switch.

use std::fmt;
use std::time::Duration;

use model::{SessionTime, format_nanos};

use crate::bus::{Bus, BusState};
use crate::regime::{Regime, RegimeDetector};

/// A stage of a power-up.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, PartialOrd, Ord)]
pub enum Stage {
    /// Neither current nor bus voltage says anything (any more).
    Unknown,
    /// The BMS alone: the load's side of the switch is dead.
    BmsOnly,
    /// No current, and the line does not tell whether the load's side is live.
    Rest,
    /// The load's side is being charged.
    BusRise,
    /// The load's side is live, and nothing but the electronics draws.
    Idle,
    /// A current flows that tells something about the cells.
    Load,
    /// Such a current has stopped; cells are still settling.
    Recovery,
    /// The switch was opened; the load's side is still charged.
    SwitchOpened,
}

impl Stage {
    /// All of them, in the order of a power-up.
    pub const ALL: [Self; 8] = [
        Self::Unknown,
        Self::BmsOnly,
        Self::Rest,
        Self::BusRise,
        Self::Idle,
        Self::Load,
        Self::Recovery,
        Self::SwitchOpened,
    ];

    /// The word in files and output.
    pub fn name(self) -> &'static str {
        match self {
            Self::Unknown => "unknown",
            Self::BmsOnly => "BMS only",
            Self::BusRise => "bus rise",
            Self::Idle => "idle",
            Self::Load => "load",
            Self::Recovery => "recovery",
            Self::Rest => "rest",
            Self::SwitchOpened => "switch opened",
        }
    }
}

impl fmt::Display for Stage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// What the pack file says about currents.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Currents {
    /// Up to this the cells rest, in billionths of an ampere.
    pub(crate) rest: i64,
    /// The one-hour current, in billionths of an ampere.
    pub(crate) one_hour: i64,
    /// How long cells settle after a load.
    pub(crate) rest_after: Duration,
}

/// Finds the stage. It changes only with a reading or the passing of time, and says what shows it.
#[derive(Clone, Debug)]
pub(crate) struct StageDetector {
    regime: RegimeDetector,
    load: LoadDetector,
    bus: Bus,
    stage: Stage,
}

impl StageDetector {
    pub(crate) fn new(currents: Currents) -> Self {
        Self {
            regime: RegimeDetector::new(currents.rest, currents.rest_after),
            load: LoadDetector::new(currents),
            bus: Bus::default(),
            stage: Stage::Unknown,
        }
    }

    pub(crate) fn stage(&self) -> Stage {
        self.stage
    }

    /// Whether no current flows and the cells have settled: the limits for rest hold.
    pub(crate) fn cells_rest(&self) -> bool {
        self.regime.regime() == Regime::Rest
    }

    /// Whether the current says nothing, not even that there is none.
    pub(crate) fn current_is_unknown(&self) -> bool {
        self.regime.regime() == Regime::Unknown
    }

    /// Whether a current flows that tells something about the cells; `None` where the current is not known.
    pub(crate) fn load_is_on(&self) -> Option<bool> {
        (!self.current_is_unknown()).then_some(self.load.state == Load::On)
    }

    /// Whether the load's side is live; `None` while it changes, or where the line does not tell.
    pub(crate) fn bus_is_live(&self) -> Option<bool> {
        match self.bus.state() {
            BusState::Live => Some(true),
            BusState::Dead => Some(false),
            BusState::Unknown | BusState::Rising | BusState::Falling => None,
        }
    }

    /// Whether no load moves the cells, nor did one a while ago.
    pub(crate) fn is_quiet(&self) -> bool {
        let stage = matches!(self.stage, Stage::BmsOnly | Stage::Rest | Stage::BusRise | Stage::Idle);
        stage && self.load.state == Load::Off && !self.current_is_unknown()
    }

    /// A current reading in billionths of an ampere. Returns what shows the new stage, if it changed.
    pub(crate) fn current(&mut self, at: SessionTime, nanos: i64) -> Option<String> {
        self.regime.current(at, nanos);
        self.load.current(at, nanos);
        self.settle(|| format!("current {} A", format_nanos(nanos, 2)))
    }

    /// A bus voltage, and the pack's if it is known, in billionths of a volt.
    pub(crate) fn bus(&mut self, at: SessionTime, nanos: i64, pack: Option<i64>) -> Option<String> {
        let quiet = matches!(self.regime.regime(), Regime::Rest | Regime::Recovery);
        self.bus.reading(at, nanos, pack, quiet);
        let share = |pack: i64| format!(", {} % of the pack", i128::from(nanos) * 100 / i128::from(pack.max(1)));
        self.settle(|| format!("bus {} V{}", format_nanos(nanos, 1), pack.map(share).unwrap_or_default()))
    }

    /// Current readings have stopped for this long.
    pub(crate) fn no_current(&mut self, length: Duration) -> Option<String> {
        self.regime.no_current();
        self.load.no_current();
        self.settle(|| format!("no current reading for {} ms", length.as_millis()))
    }

    /// Bus readings have stopped for this long.
    pub(crate) fn no_bus(&mut self, length: Duration) -> Option<String> {
        self.bus.nothing();
        self.settle(|| format!("no bus voltage for {} ms", length.as_millis()))
    }

    /// Time has passed.
    pub(crate) fn tick(&mut self, at: SessionTime) -> Option<String> {
        let rested = self.regime.tick(at);
        let settled = self.load.tick(at);
        if !rested && !settled {
            return None;
        }
        let after = self.load.rest_after.as_secs();
        self.settle(|| format!("no load for {after} s"))
    }

    /// When time alone changes the stage.
    pub(crate) fn deadlines(&self) -> impl Iterator<Item = SessionTime> {
        [self.regime.deadline(), self.load.deadline()].into_iter().flatten()
    }

    /// How the load's side of the switch stands.
    pub(crate) fn bus_state(&self) -> BusState {
        self.bus.state()
    }

    fn settle(&mut self, why: impl FnOnce() -> String) -> Option<String> {
        let next = self.next();
        (std::mem::replace(&mut self.stage, next) != next).then(why)
    }

    fn next(&self) -> Stage {
        match (self.bus.state(), self.load.state) {
            // A current past an open switch is a load all the same.
            (_, Load::On) => match self.bus.state() {
                BusState::Rising => Stage::BusRise,
                _ => Stage::Load,
            },
            (BusState::Dead, _) => Stage::BmsOnly,
            (BusState::Rising, _) => Stage::BusRise,
            (BusState::Falling, _) => Stage::SwitchOpened,
            (_, Load::Settling(_)) => Stage::Recovery,
            (BusState::Live, _) => Stage::Idle,
            (BusState::Unknown, _) => match self.regime.regime() {
                Regime::Unknown => Stage::Unknown,
                Regime::Rest => Stage::Rest,
                Regime::Load => Stage::Idle,
                Regime::Recovery => Stage::Recovery,
            },
        }
    }
}

/// Finds a current that tells something about the cells.
#[derive(Clone, Debug)]
struct LoadDetector {
    on_above: i64,
    off_below: i64,
    rest_after: Duration,
    state: Load,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Load {
    Off,
    On,
    /// It has stopped then.
    Settling(SessionTime),
}

impl LoadDetector {
    /// On above 0.15 of the one-hour current, off below 0.1: a smaller one moves no cell by what can be told from noise.
    /// Common practice, no source. Never below what the pack file calls rest.
    fn new(currents: Currents) -> Self {
        let off_below = (currents.one_hour / 10).max(currents.rest);
        Self { on_above: off_below / 2 * 3, off_below, rest_after: currents.rest_after, state: Load::Off }
    }

    fn current(&mut self, at: SessionTime, nanos: i64) {
        let size = nanos.saturating_abs();
        if self.on_above < size {
            self.state = Load::On;
        } else if size < self.off_below && self.state == Load::On {
            self.state = Load::Settling(at);
        }
    }

    fn no_current(&mut self) {
        self.state = Load::Off;
    }

    fn tick(&mut self, at: SessionTime) -> bool {
        let settled = self.deadline().is_some_and(|settled| settled <= at);
        if settled {
            self.state = Load::Off;
        }
        settled
    }

    fn deadline(&self) -> Option<SessionTime> {
        match self.state {
            Load::Settling(since) => Some(since + self.rest_after),
            Load::Off | Load::On => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PACK: i64 = 100_000_000_000;

    /// Feeds pairs of current and bus voltage (A, V; `-` is no reading), half a second apart with ticks between, to a pack
    /// of 100 V and 20 Ah that rests up to 0.3 A and settles for 2 s. Returns the name of the stage after each, where it
    /// changed.
    fn run(readings: &[(&str, &str)]) -> Vec<String> {
        let (rest, one_hour, rest_after) = (300_000_000, 20_000_000_000, Duration::from_secs(2));
        let mut stages = StageDetector::new(Currents { rest, one_hour, rest_after });
        let mut seen = Vec::new();
        let nanos = |word: &str| word.parse::<f64>().ok().map(|value| (value * 1e9).round() as i64);
        for (step, (current, bus)) in (0..).zip(readings) {
            let at = SessionTime::from_millis(step * 500);
            let mut why = stages.tick(at);
            why = match nanos(bus) {
                Some(bus) => stages.bus(at, bus, Some(PACK)),
                None => stages.no_bus(Duration::from_secs(1)),
            }
            .or(why);
            why = match nanos(current) {
                Some(current) => stages.current(at, current),
                None => stages.no_current(Duration::from_secs(1)),
            }
            .or(why);
            let name = stages.stage().name();
            assert_eq!(why.is_some(), seen.last().map_or("unknown", |(_, last)| *last) != name, "{step}");
            if why.is_some() {
                seen.push((step, name));
            }
        }
        seen.into_iter().map(|(step, name)| format!("{step} {name}")).collect()
    }

    #[test]
    fn a_power_up_goes_through_its_stages() {
        let readings = [
            ("0", "0"),
            ("0", "0.1"),
            ("1", "30"), // 2: pre-charge
            ("0.5", "80"),
            ("0.1", "96"),
            ("0.1", "96.2"), // 5: at least 95 % and flat
            ("2", "99"),
            ("40", "97"), // 7: load
            ("40", "97"),
            ("1", "99"), // 9: recovery
            ("1", "99"),
            ("1", "99"),
            ("1", "99"),
            ("0", "99"), // 13: settled
            ("0", "95"), // 14: opened
            ("0", "30"),
            ("0", "4"), // 16
        ];
        let stages = run(&readings);
        let expected = [
            "0 BMS only",
            "2 bus rise",
            "5 idle",
            "7 load",
            "9 recovery",
            "13 idle",
            "14 switch opened",
            "16 BMS only",
        ];
        assert_eq!(stages, expected);
    }

    #[test]
    fn without_a_bus_voltage_the_current_tells_what_it_can() {
        let readings = ["0", "0.29", "1", "3.1", "2.5", "1.9", "0", "0", "0", "0", "0"].map(|current| (current, "-"));
        assert_eq!(run(&readings), ["0 rest", "2 idle", "3 load", "5 recovery", "10 rest"]);
    }

    #[test]
    fn without_a_current_the_bus_tells_what_it_can() {
        let readings = ["0", "50", "96", "96", "50", "1", "-"].map(|bus| ("-", bus));
        assert_eq!(
            run(&readings),
            ["0 BMS only", "1 bus rise", "3 idle", "4 switch opened", "5 BMS only", "6 unknown"]
        );
    }

    #[test]
    fn a_current_past_an_open_switch_is_a_load() {
        assert_eq!(run(&[("0", "0"), ("40", "0"), ("0", "0")]), ["0 BMS only", "1 load", "2 BMS only"]);
    }
}
