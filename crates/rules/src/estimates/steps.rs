//! Steps of the load current: where they are, and whether the current stood still before and after.

use std::time::Duration;

use model::SessionTime;

use super::NANO;
use super::noise::Noise;
use crate::statistics::Running;

/// A step is at least this share of the one-hour current. Common practice, no source.
const LEAST_SHARE: f64 = 0.1;
/// And moves a cell by at least so many steps of its reading. Common practice, no source.
const LEAST_READING_STEPS: f64 = 10.0;
/// So many let a cell be called weak. Common practice, no source.
const TELLING_READING_STEPS: f64 = 20.0;
/// And is so many times the noise of the current. Common practice, no source.
const LEAST_NOISE: f64 = 5.0;
/// A change of a quarter of a step already ends a level.
const LEVEL_SHARE: f64 = 0.25;
/// So many steps of the current's reading do not end a level.
const LEVEL_READING_STEPS: f64 = 3.0;
/// A level may move by this share of the step that led to it.
const LEVEL_OF_CHANGE: f64 = 0.05;
/// The current must arrive within this time.
const LONGEST_MOVE: Duration = Duration::from_millis(500);
/// No longer than this may pass between the last reading before a step and the first after it.
const LONGEST_EDGE: Duration = Duration::from_secs(1);
/// A longer time without readings ends a level, unless they always come that slowly.
const LONGEST_GAP: Duration = Duration::from_secs(2);
/// So many times the last interval without a reading are a gap.
const GAP_INTERVALS: u32 = 5;
/// The noise is worked out again after so many readings.
const NOISE_EVERY: u32 = 16;

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

impl StepSettings {
    /// The current that moves a cell by so many steps of its reading, in amperes; 0 if the resistance is not known.
    fn current_of(&self, reading_steps: f64) -> f64 {
        if self.resistance <= 0 { 0.0 } else { reading_steps * self.cell_step as f64 / self.resistance as f64 }
    }

    /// The least change of the current that lets a cell be called weak, in amperes.
    pub fn telling_change(&self) -> f64 {
        self.current_of(TELLING_READING_STEPS)
    }
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

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::TooSmall => "too small for the step of the readings or the noise of the current",
            Self::ShortBefore => "the current stood still for less than 2 s before",
            Self::ShortAfter => "the current stood still for less than 2 s after",
            Self::Slow => "the current took more than 0.5 s to change",
            Self::Gap => "readings of the current are missing at the step",
            Self::Unsteady => "the current swung before or after",
            Self::NoCells => "fewer than five sets of cells before or after",
        }
    }
}

/// A time in which the current stood still.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Level {
    /// Its first reading.
    pub from: SessionTime,
    /// Its last reading so far.
    pub to: SessionTime,
    /// Its readings, in amperes.
    pub amperes: Running,
    tolerance: f64,
}

impl Level {
    fn new(at: SessionTime, amperes: f64, tolerance: f64) -> Self {
        let mut level = Self { from: at, to: at, amperes: Running::default(), tolerance };
        level.push(at, amperes);
        level
    }

    fn push(&mut self, at: SessionTime, amperes: f64) {
        self.to = at;
        self.amperes.push(amperes);
    }

    /// Its mean current, in amperes.
    pub fn mean(&self) -> f64 {
        self.amperes.mean().unwrap_or(0.0)
    }

    /// How long it has lasted.
    pub fn length(&self) -> Duration {
        self.to.since(self.from)
    }

    fn holds(&self, amperes: f64) -> bool {
        (amperes - self.mean()).abs() <= self.tolerance
    }
}

/// A change from one level to the next.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Edge {
    /// The level before.
    pub before: Level,
    /// The first reading of the new level, and its value in amperes.
    pub first: (SessionTime, f64),
    /// Why it is of no use, as far as the current tells so far.
    pub fault: Option<StepFault>,
}

impl Edge {
    /// The last reading before the step: lags count from here.
    pub fn origin(&self) -> SessionTime {
        self.before.to
    }

    /// The change to the first reading of the new level, in amperes.
    pub fn change(&self) -> f64 {
        self.first.1 - self.before.mean()
    }
}

/// What a reading of the current did.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Moved {
    /// A level begins without a step that led to it: the first reading, or one after a gap or a step of the clock.
    Restarted,
    /// The current stands still.
    Same,
    /// It has left its level, and has not settled on another one.
    Moving,
    /// A lone reading was off; the level goes on.
    Returned,
    /// The current stands on a new level.
    Arrived(Edge),
}

/// Where the current is between levels.
#[derive(Clone, Copy, Debug)]
struct Move {
    from: Level,
    first: SessionTime,
    last: (SessionTime, f64),
    readings: u32,
}

/// Finds the levels of a current and the steps between them.
#[derive(Clone, Debug)]
pub struct StepDetector {
    settings: StepSettings,
    noise: Noise,
    deviation: f64,
    until_noise: u32,
    level: Option<Level>,
    moving: Option<Move>,
    last_reading: Option<SessionTime>,
    longest_gap: Duration,
}

impl StepDetector {
    /// With nothing seen.
    pub fn new(settings: StepSettings) -> Self {
        let noise = Noise::new(1, settings.current_step);
        Self {
            settings,
            deviation: noise.or_rounding(0),
            noise,
            until_noise: 0,
            level: None,
            moving: None,
            last_reading: None,
            longest_gap: LONGEST_GAP,
        }
    }

    /// A reading of the current, discharge positive, in billionths of an ampere.
    pub fn current(&mut self, at: SessionTime, nanos: i64) -> Moved {
        self.take_noise(at, nanos);
        let longest_gap = self.longest_gap;
        let interval = at.since(self.last_reading.replace(at).unwrap_or(at));
        self.longest_gap = LONGEST_GAP.max(interval.saturating_mul(GAP_INTERVALS));
        let amperes = nanos as f64 * NANO;
        match (self.moving, self.level) {
            (Some(moving), _) => self.go_on_moving(moving, at, amperes),
            (None, Some(level)) if level.to <= at && at.since(level.to) <= longest_gap => {
                self.go_on(level, at, amperes)
            }
            // A gap, with a change in it: when it changed is not known.
            (None, Some(level)) if level.to <= at && !level.holds(amperes) => {
                let edge = Edge { before: level, first: (at, amperes), fault: Some(StepFault::Gap) };
                self.restart(at, amperes);
                Moved::Arrived(edge)
            }
            _ => self.restart(at, amperes),
        }
    }

    fn restart(&mut self, at: SessionTime, amperes: f64) -> Moved {
        self.moving = None;
        self.level = Some(Level::new(at, amperes, self.tolerance()));
        Moved::Restarted
    }

    fn go_on(&mut self, mut level: Level, at: SessionTime, amperes: f64) -> Moved {
        if level.holds(amperes) {
            level.push(at, amperes);
            self.level = Some(level);
            return Moved::Same;
        }
        self.moving = Some(Move { from: level, first: at, last: (at, amperes), readings: 1 });
        Moved::Moving
    }

    fn go_on_moving(&mut self, moving: Move, at: SessionTime, amperes: f64) -> Moved {
        let Move { mut from, first, last, readings } = moving;
        if at < last.0 || LONGEST_GAP < at.since(last.0) {
            return self.restart(at, amperes);
        }
        if from.holds(amperes) {
            if 1 < readings {
                return self.restart(at, amperes);
            }
            from.push(at, amperes);
            self.moving = None;
            self.level = Some(from);
            return Moved::Returned;
        }
        let tolerance = self.tolerance().max(LEVEL_OF_CHANGE * (last.1 - from.mean()).abs());
        if tolerance < (amperes - last.1).abs() {
            self.moving = Some(Move { from, first, last: (at, amperes), readings: readings.saturating_add(1) });
            return Moved::Moving;
        }
        let mut level = Level::new(last.0, last.1, tolerance);
        level.push(at, amperes);
        self.moving = None;
        self.level = Some(level);
        Moved::Arrived(self.edge(from, first, last))
    }

    fn edge(&self, before: Level, left: SessionTime, first: (SessionTime, f64)) -> Edge {
        let mut edge = Edge { before, first, fault: None };
        edge.fault = if edge.change().abs() < self.least_change() {
            Some(StepFault::TooSmall)
        } else if LONGEST_EDGE < left.since(before.to) {
            Some(StepFault::Gap)
        } else if LONGEST_MOVE < first.0.since(left) {
            Some(StepFault::Slow)
        } else {
            None
        };
        edge
    }

    fn take_noise(&mut self, at: SessionTime, nanos: i64) {
        self.noise.set(at, &[Some(nanos)]);
        if self.until_noise == 0 {
            self.until_noise = NOISE_EVERY;
            self.deviation = self.noise.or_rounding(0);
        }
        self.until_noise -= 1;
    }

    fn tolerance(&self) -> f64 {
        let reading = LEVEL_READING_STEPS * self.settings.current_step as f64 * NANO;
        (LEVEL_SHARE * self.least_change()).max(LEAST_NOISE * self.deviation).max(reading)
    }

    /// The change of the current that a step needs now, in amperes: 0.1 C, 10 q / R and 5 x the current's noise.
    pub fn least_change(&self) -> f64 {
        let share = LEAST_SHARE * self.settings.one_hour_current as f64 * NANO;
        share.max(self.settings.current_of(LEAST_READING_STEPS)).max(LEAST_NOISE * self.deviation)
    }

    /// The standard deviation of a reading of the current, in amperes.
    pub fn deviation(&self) -> f64 {
        self.deviation
    }

    /// The level on which the current stands; `None` while it moves and before the first reading.
    pub fn level(&self) -> Option<&Level> {
        self.level.as_ref().filter(|_| self.moving.is_none())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A pack of 40 Ah with cells of 1 mohm read in millivolts: a step is at least 10 A.
    const SETTINGS: StepSettings = StepSettings {
        one_hour_current: 40_000_000_000,
        resistance: 1_000_000,
        cell_step: 1_000_000,
        current_step: 10_000_000,
        scan: Duration::ZERO,
    };

    /// Feeds amperes at these tenths of a second; returns `^` restarted, `_` same, `/` moving, `<` returned, `#` arrived
    /// and sound, or the fault.
    fn run(readings: impl IntoIterator<Item = (u64, f64)>) -> String {
        let mut detector = StepDetector::new(SETTINGS);
        let mut seen = String::new();
        for (tenth, amperes) in readings {
            match detector.current(SessionTime::from_millis(tenth * 100), (amperes * 1e9) as i64) {
                Moved::Restarted => seen.push('^'),
                Moved::Same => seen.push('_'),
                Moved::Moving => seen.push('/'),
                Moved::Returned => seen.push('<'),
                Moved::Arrived(Edge { fault: None, .. }) => seen.push('#'),
                Moved::Arrived(Edge { fault: Some(fault), .. }) => seen.push_str(&format!("{fault:?}")),
            }
        }
        seen
    }

    fn at_once(amperes: &[f64]) -> String {
        run((0..).zip(amperes.iter().copied()))
    }

    #[test]
    fn steps_up_and_down_are_found() {
        assert_eq!(at_once(&[0.0, 0.0, 0.0, 20.0, 20.1, 20.0, 0.0, 0.0, -15.0, -15.0]), "^__/#_/#/#");
        assert_eq!(at_once(&[0.0, 0.0, 8.0, 20.0, 20.0]), "^_//#", "through one value in between");
    }

    #[test]
    fn what_is_no_step_is_named() {
        assert_eq!(at_once(&[0.0, 0.0, 9.0, 9.0]), "^_/TooSmall");
        assert_eq!(at_once(&[0.0, 0.0, 50.0, 0.0, 0.0]), "^_/<_", "a lone reading");
        let ramp: Vec<f64> = (0..10).map(|tenth| f64::from(tenth) * 8.0).chain([72.0, 72.0]).collect();
        assert_eq!(at_once(&ramp), "^/////////Slow_");
        assert_eq!(run([(0, 0.0), (1, 0.0), (13, 20.0), (14, 20.0)]), "^_/Gap");
        assert_eq!(run([(0, 0.0), (1, 0.0), (40, 20.0), (41, 20.0)]), "^_Gap_");
        assert_eq!(run([(10, 0.0), (11, 0.0), (3, 20.0), (4, 20.0)]), "^_^_", "the clock went back");
        assert_eq!(run([(0, 0.0), (1, 20.0), (60, 0.0), (61, 0.0)]), "^/^_", "a gap while it moves");
    }

    #[test]
    fn slow_readings_are_no_gap() {
        assert_eq!(run([(0, 0.0), (10, 0.0), (20, 0.0), (60, 0.0), (65, 20.0), (70, 20.0)]), "^___/#");
    }

    #[test]
    fn noise_asks_for_larger_steps() {
        let mut random = crate::estimates::testing::Random::new(1);
        let mut detector = StepDetector::new(SETTINGS);
        for tenth in 0..200 {
            detector.current(SessionTime::from_millis(tenth * 100), (random.normal() * 4e9) as i64);
        }
        assert!((15.0..25.0).contains(&detector.least_change()), "{}", detector.least_change());
    }
}
