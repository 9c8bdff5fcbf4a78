//! The rise of the bus voltage through a pre-charge resistor, and its fall after opening.

mod exponential;
mod samples;

use std::time::Duration;

use model::SessionTime;

use super::{Basis, Estimate, NANO, seconds_between};

use samples::Samples;

/// Below this the bus is off, in volts. Common practice, no source.
const OFF: f64 = 5.0;
/// A bus at this share of the pack voltage in the first reading was live before. Common practice, no source.
const LIVE: f64 = 0.8;
/// Complete is at least this share of the pack voltage, and flat. Common practice, no source.
const COMPLETE: f64 = 0.95;
/// Flat moves by no more than this share (or three steps of the reading) in [`FLAT_FOR`].
const FLAT: f64 = 0.005;
const FLAT_FOR: Duration = Duration::from_secs(1);
const FLAT_STEPS: f64 = 3.0;
/// A bus that is off and has stood above its lowest reading for so long has no lower level to start from.
const OFF_LEVEL_FOR: Duration = Duration::from_secs(5);
/// Below [`COMPLETE`] it must be flat for this share of the time since the beginning, too: a slow rise is not stuck.
const FLAT_SHARE: f64 = 0.5;
/// A fall by this share of the highest reading ends a rise.
const FELL: f64 = 0.1;
/// A rise is at least this share of the pack voltage.
const LEAST_RISE: f64 = 0.1;
/// So many rises that fell back are a sawtooth.
const SAWTOOTH: u32 = 2;
/// A fit needs so many readings within three time constants. Common practice, no source.
pub(crate) const LEAST_READINGS: usize = 5;
/// A time constant off by more than this factor is fast or slow. Common practice, no source.
const SPEED: f64 = 1.5;
/// First parts of a rise, as shares of where it stalled: the load may have come on anywhere above. And how much higher one
/// of them was heading, by how many of its uncertainties.
const EARLY: [f64; 3] = [0.4, 0.6, 0.8];
const HEADING: f64 = 1.1;
const HEADING_SIGMAS: f64 = 3.0;
/// A bus that has lost less than this share has not fallen.
const NOT_FALLEN: f64 = 0.1;
/// And one that is above its lowest reading since by this share has risen again.
const NOT_RISEN: f64 = 0.01;
/// Not falling in so many expected time constants: welded. Common practice, no source.
const WELDED_AFTER: f64 = 3.0;
/// Touch voltages: DC taken as not hazardous (UN R100, IEC 60950-1), and what counts as discharged here (common practice).
const SAFE: f64 = 60.0;

/// What is known beforehand; all optional. A number that is not positive counts as not known.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct BusSettings {
    /// The step of the bus voltage's readings, in billionths of a volt.
    pub step: i64,
    /// The pre-charge resistor, in ohms.
    pub resistor: Option<f64>,
    /// The capacitance of the bus, in farads.
    pub capacitance: Option<f64>,
    /// What discharges the bus once it is off, in ohms.
    pub bleed: Option<f64>,
}

impl BusSettings {
    /// The time constant that the rise should have, in seconds.
    pub fn expected_rise(&self) -> Option<f64> {
        Some(self.resistor? * self.capacitance?)
    }

    /// The time constant that the fall should have, in seconds.
    pub fn expected_fall(&self) -> Option<f64> {
        Some(self.bleed? * self.capacitance?)
    }
}

/// An exponential through the readings of a rise: `v = last - (last - first) exp(-(t - begin) / tau)`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct RiseFit {
    /// The time constant in seconds. The count is of readings.
    pub tau: Estimate,
    /// The voltage that it goes to.
    pub last: Estimate,
    /// When it began by the fit.
    pub begin: SessionTime,
    /// The standard deviation of the readings around the curve, in volts.
    pub residual: f64,
    /// The part of the variance that the curve explains, 0 to 1.
    pub explained: f64,
}

/// Why there is no fit.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum NoFit {
    /// No rise, or no fall, yet.
    NotYet,
    /// Too few readings in it: there is no pre-charge, or it is too fast to see.
    TooFew {
        /// Readings within three time constants, as far as that can be told.
        have: usize,
    },
    /// The readings do not follow an exponential towards a value.
    NoExponential,
}

/// What the rise looks like.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Shape {
    /// The bus is off.
    Off,
    /// The very first readings were near the pack voltage: live before closing, or the session began late.
    LiveFromStart,
    /// It rises.
    Rising,
    /// It is flat; without a pack voltage nobody can tell whether that is all.
    Flat,
    /// At least 95 % of the pack voltage, and flat.
    Complete,
    /// Flat below 95 % of the pack voltage.
    Stuck,
    /// Rose towards a much higher value, then went flat below 95 %: a load that takes constant power.
    Stalled {
        /// What it takes, in watts; only with a known resistor.
        watts: Option<f64>,
    },
    /// Fell back again and again.
    Sawtooth {
        /// Rises that fell back.
        retries: u32,
    },
}

/// How fast the rise is against the expected time constant.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Speed {
    /// Resistor or capacitance is not known, or there is no fit.
    Unknown,
    /// Within a factor of 1.5 of what is expected.
    Expected,
    /// Faster.
    Fast,
    /// Slower.
    Slow,
}

/// A rise of the bus.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Rise {
    /// What it looks like.
    pub shape: Shape,
    /// The readings.
    pub basis: Basis,
    /// The newest reading, in volts.
    pub newest: f64,
    /// The newest reading as a share of the pack voltage; `None` without a pack voltage.
    pub share: Option<f64>,
    /// The exponential.
    pub fit: Result<RiseFit, NoFit>,
    /// Against what is expected.
    pub speed: Speed,
    /// The rise slowed down and went on again: something on the bus switched itself on.
    pub knee: bool,
    /// The capacitance of the bus, in farads: tau / R, with a known resistor.
    pub capacitance: Option<Estimate>,
    /// What the resistor had to take, in joules: C V^2 / 2, with a known or found capacitance.
    pub energy: Option<f64>,
}

/// What the bus does after the switch was opened.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Fall {
    /// It was not opened, or there is no reading since.
    NoData,
    /// It falls, or has fallen.
    Falling {
        /// The time constant in seconds.
        tau: Result<Estimate, NoFit>,
        /// Seconds from the newest reading until it is below 60 V; zero if it is.
        below_60: Option<f64>,
        /// Seconds from the newest reading until it is below 5 V; zero if it is.
        below_5: Option<f64>,
    },
    /// It has not fallen, and it is too early to say, or what discharges it is not known.
    NotFalling,
    /// It has not fallen in three times the expected time: the switch is welded or bypassed.
    Welded,
}

/// A rise, from the last reading before it.
#[derive(Clone, Debug)]
struct RiseData {
    /// The last reading with the bus off (or at the bottom of a fall); `None` if the session began later.
    base: Option<(SessionTime, f64)>,
    samples: Samples,
    peak: f64,
    flat_since: (SessionTime, f64),
    complete: bool,
}

impl RiseData {
    fn new(base: Option<(SessionTime, f64)>, at: SessionTime, volts: f64) -> Self {
        let mut samples = Samples::default();
        samples.push(at, volts);
        Self { base, samples, peak: volts, flat_since: (at, volts), complete: false }
    }

    fn begin(&self) -> SessionTime {
        self.base.or(self.samples.first()).map_or(SessionTime::ZERO, |(at, _)| at)
    }

    fn flat_for(&self, at: SessionTime) -> Duration {
        at.since(self.flat_since.0)
    }
}

/// Where the bus is.
#[derive(Clone, Debug)]
enum Phase {
    Nothing,
    Off {
        base: (SessionTime, f64),
    },
    Rising(RiseData),
    /// Fell back; the lowest reading since.
    Fell {
        bottom: (SessionTime, f64),
    },
}

/// A fall after the switch was opened.
#[derive(Clone, Debug)]
struct FallData {
    opened: SessionTime,
    samples: Samples,
    start: f64,
    bottom: f64,
}

/// Watches the bus voltage.
#[derive(Clone, Debug)]
pub struct Bus {
    settings: BusSettings,
    step: f64,
    pack: Option<f64>,
    phase: Phase,
    newest: Option<(SessionTime, f64)>,
    retries: u32,
    fall: Option<FallData>,
    /// The last rise that was whole.
    whole: Option<Rise>,
}

impl Bus {
    /// With nothing seen.
    pub fn new(settings: BusSettings) -> Self {
        let step = settings.step as f64 * NANO;
        let real = |value: Option<f64>| value.filter(|value| value.is_finite() && 0.0 < *value);
        let settings = BusSettings {
            resistor: real(settings.resistor),
            capacitance: real(settings.capacitance),
            bleed: real(settings.bleed),
            ..settings
        };
        Self { settings, step, pack: None, phase: Phase::Nothing, newest: None, retries: 0, fall: None, whole: None }
    }

    /// The pack voltage (or the sum of the cells), in billionths of a volt.
    pub fn pack(&mut self, nanos: i64) {
        self.pack = Some(nanos as f64 * NANO).filter(|volts| OFF < *volts);
    }

    /// A reading of the bus, in billionths of a volt. A step of the clock back forgets everything.
    pub fn push(&mut self, at: SessionTime, nanos: i64) {
        let volts = nanos as f64 * NANO;
        if self.newest.is_some_and(|(newest, _)| at < newest) {
            (self.phase, self.retries, self.fall) = (Phase::Nothing, 0, None);
        }
        self.newest = Some((at, volts));
        let bottom = self.follow_fall(at, volts);
        let phase = std::mem::replace(&mut self.phase, Phase::Nothing);
        self.phase = match phase {
            _ if volts < OFF => self.switched_off(phase, at, volts),
            Phase::Nothing => Phase::Rising(RiseData::new(None, at, volts)),
            Phase::Off { base } => Phase::Rising(RiseData::new(Some(base), at, volts)),
            Phase::Fell { bottom } if bottom.1 * (1.0 + FELL) < volts => {
                Phase::Rising(RiseData::new(Some(bottom), at, volts))
            }
            Phase::Fell { bottom } => Phase::Fell { bottom: if volts < bottom.1 { (at, volts) } else { bottom } },
            Phase::Rising(_) if bottom.is_some() => Phase::Rising(RiseData::new(bottom, at, volts)),
            Phase::Rising(rise) => self.go_on_rising(rise, at, volts),
        };
    }

    fn switched_off(&mut self, phase: Phase, at: SessionTime, volts: f64) -> Phase {
        match phase {
            // The first readings of a slow rise are below the limit, too: it begins at the level before them.
            Phase::Off { base } if base.1 + FLAT_STEPS * self.step < volts && at.since(base.0) < OFF_LEVEL_FOR => {
                return Phase::Off { base };
            }
            Phase::Rising(rise) => self.count_retry(&rise),
            _ => {}
        }
        Phase::Off { base: (at, volts) }
    }

    fn go_on_rising(&mut self, mut rise: RiseData, at: SessionTime, volts: f64) -> Phase {
        if volts < rise.peak * (1.0 - FELL) {
            self.count_retry(&rise);
            return Phase::Fell { bottom: (at, volts) };
        }
        rise.peak = rise.peak.max(volts);
        let tolerance = (FLAT * rise.peak).max(FLAT_STEPS * self.step);
        if tolerance < (volts - rise.flat_since.1).abs() {
            rise.flat_since = (at, volts);
        }
        if rise.complete {
            return Phase::Rising(rise);
        }
        rise.samples.push(at, volts);
        let whole = self.pack.is_some_and(|pack| COMPLETE * pack <= volts);
        if whole && FLAT_FOR <= rise.flat_for(at) {
            rise.complete = true;
            self.retries = 0;
            // One that was live from the first reading on was not seen to rise.
            if rise.base.is_some() {
                self.whole = Some(self.describe(Shape::Complete, (at, volts), Some(&rise), self.fit(&rise)));
            }
        }
        Phase::Rising(rise)
    }

    fn count_retry(&mut self, rise: &RiseData) {
        // Noise around the level that counts as off is no rise.
        let rose = rise.base.is_some_and(|(_, base)| self.pack.unwrap_or(0.0) * LEAST_RISE <= rise.peak - base);
        if !rise.complete && rose {
            self.retries = self.retries.saturating_add(1);
        }
    }

    /// Returns the bottom of a fall that has ended because the bus rises again.
    fn follow_fall(&mut self, at: SessionTime, volts: f64) -> Option<(SessionTime, f64)> {
        let fall = self.fall.as_mut()?;
        let bottom = fall.bottom;
        if FELL * fall.start < volts - bottom {
            self.fall = None;
            return Some((at, bottom));
        }
        fall.bottom = bottom.min(volts);
        if fall.opened <= at {
            fall.samples.push(at, volts);
        }
        None
    }

    /// The switch was opened.
    pub fn opened(&mut self, at: SessionTime) {
        let Some((_, volts)) = self.newest else { return };
        self.fall = Some(FallData { opened: at, samples: Samples::default(), start: volts, bottom: volts });
    }

    /// The newest rise; `None` before the first reading. It is fitted here: ask a few times a second at most.
    pub fn rise(&self) -> Option<Rise> {
        let newest = self.newest?;
        let Phase::Rising(rise) = &self.phase else {
            let shape = if SAWTOOTH <= self.retries { Shape::Sawtooth { retries: self.retries } } else { Shape::Off };
            return Some(self.describe(shape, newest, None, Err(NoFit::NotYet)));
        };
        let fit = self.fit(rise);
        let shape = self.shape(rise, newest);
        let whole = shape != Shape::LiveFromStart;
        Some(self.describe(
            shape,
            newest,
            Some(rise),
            fit.and_then(|fit| if whole { Ok(fit) } else { Err(NoFit::NotYet) }),
        ))
    }

    /// The last rise that was whole, as of the reading that completed it: costs nothing to ask.
    pub fn whole_rise(&self) -> Option<&Rise> {
        self.whole.as_ref()
    }

    /// When the switch was opened and the newest reading since, in volts; `None` before that.
    pub fn since_opened(&self) -> Option<(SessionTime, SessionTime, f64)> {
        let fall = self.fall.as_ref()?;
        let (at, volts) = fall.samples.last()?;
        Some((fall.opened, at, volts))
    }

    /// What is known beforehand.
    pub fn settings(&self) -> &BusSettings {
        &self.settings
    }

    fn describe(
        &self,
        shape: Shape,
        newest: (SessionTime, f64),
        rise: Option<&RiseData>,
        fit: Result<RiseFit, NoFit>,
    ) -> Rise {
        let begin = rise.map_or(newest.0, RiseData::begin);
        let readings = rise.map_or(1, |rise| rise.samples.seen());
        let capacitance = fit.ok().zip(self.settings.resistor).map(|(fit, ohms)| Estimate {
            value: fit.tau.value / ohms,
            uncertainty: fit.tau.uncertainty / ohms,
            ..fit.tau
        });
        let farads = self.settings.capacitance.or(capacitance.map(|found| found.value));
        let rose = rise.map_or(0.0, |rise| rise.peak - rise.base.map_or(0.0, |(_, volts)| volts));
        Rise {
            shape,
            basis: Basis { from: begin, to: newest.0, count: readings },
            newest: newest.1,
            share: self.pack.map(|pack| newest.1 / pack),
            fit,
            speed: rise.map_or(Speed::Unknown, |rise| self.speed(rise, fit)),
            knee: rise.is_some_and(|rise| self.knee(rise)),
            capacitance,
            energy: farads.filter(|_| 0.0 < rose).map(|farads| farads * rose * rose / 2.0),
        }
    }

    fn shape(&self, rise: &RiseData, (at, volts): (SessionTime, f64)) -> Shape {
        let first = rise.samples.first().map_or(volts, |(_, volts)| volts);
        if rise.base.is_none() && self.pack.is_some_and(|pack| LIVE * pack <= first) {
            return Shape::LiveFromStart;
        }
        if rise.complete {
            return Shape::Complete;
        }
        if SAWTOOTH <= self.retries {
            return Shape::Sawtooth { retries: self.retries };
        }
        let flat_for = rise.flat_for(at);
        let waited = at.since(rise.begin()).mul_f64(FLAT_SHARE);
        match self.pack {
            None if FLAT_FOR.max(waited) <= flat_for => Shape::Flat,
            Some(pack) if FLAT_FOR.max(waited) <= flat_for && volts < COMPLETE * pack => self.stuck(rise, volts, pack),
            _ => Shape::Rising,
        }
    }

    /// Flat below the pack voltage: was it heading for more at first?
    fn stuck(&self, rise: &RiseData, volts: f64, pack: f64) -> Shape {
        let heading_higher = |share: f64| {
            let early = rise.samples.before_reaching(share * volts);
            exponential::rise(early, rise.base, self.step)
                .is_ok_and(|fit| HEADING * volts < fit.last.value - HEADING_SIGMAS * fit.last.uncertainty)
        };
        let stalled = EARLY.into_iter().any(heading_higher);
        if !stalled {
            return Shape::Stuck;
        }
        let watts = self.settings.resistor.map(|ohms| volts * (pack - volts) / ohms);
        Shape::Stalled { watts: watts.filter(|watts| watts.is_finite()) }
    }

    fn fit(&self, rise: &RiseData) -> Result<RiseFit, NoFit> {
        let samples = rise.samples.kept();
        let end = samples::speeds_up_at(samples, self.step).unwrap_or(samples.len());
        exponential::rise(samples.get(..end).unwrap_or(samples), rise.base, self.step)
    }

    /// The rise sped up again well below the top: the jump when the switch closes past the resistor is none.
    fn knee(&self, rise: &RiseData) -> bool {
        let samples = rise.samples.kept();
        let top = self.pack.unwrap_or(rise.peak);
        samples::speeds_up_at(samples, self.step)
            .and_then(|index| samples.get(index.checked_sub(1)?))
            .is_some_and(|(_, volts)| *volts < LIVE * top)
    }

    fn speed(&self, rise: &RiseData, fit: Result<RiseFit, NoFit>) -> Speed {
        let Some(expected) = self.settings.expected_rise() else { return Speed::Unknown };
        match fit {
            Ok(fit) if SPEED * expected < fit.tau.value - 2.0 * fit.tau.uncertainty => Speed::Slow,
            Ok(fit) if fit.tau.value + 2.0 * fit.tau.uncertainty < expected / SPEED => Speed::Fast,
            Ok(_) => Speed::Expected,
            // At this rate of readings the expected rise would have shown.
            Err(NoFit::TooFew { .. }) if rise.complete => {
                let interval = rise.samples.interval().unwrap_or(f64::INFINITY);
                if LEAST_READINGS as f64 * interval <= 3.0 * expected { Speed::Fast } else { Speed::Unknown }
            }
            Err(_) => Speed::Unknown,
        }
    }

    /// The fall since the switch was opened. It is fitted here.
    pub fn fall(&self) -> Fall {
        let Some(fall) = &self.fall else { return Fall::NoData };
        let Some((at, volts)) = fall.samples.last() else { return Fall::NoData };
        if volts <= (1.0 - NOT_FALLEN) * fall.start || volts < OFF {
            let tau = exponential::fall(fall.samples.kept(), self.step);
            let until =
                |limit: f64| if volts < limit { Some(0.0) } else { Some(tau.ok()?.value * (volts / limit).ln()) };
            return Fall::Falling { tau, below_60: until(SAFE), below_5: until(OFF) };
        }
        let found = self.whole.and_then(|rise| rise.capacitance).map(|farads| farads.value);
        let farads = self.settings.capacitance.or(found);
        let expected = self.settings.bleed.zip(farads).map(|(ohms, farads)| ohms * farads);
        match expected {
            // One that has come up again was closed again.
            Some(tau)
                if 0.0 < tau
                    && WELDED_AFTER * tau <= seconds_between(fall.opened, at)
                    && volts <= fall.bottom * (1.0 + NOT_RISEN) =>
            {
                Fall::Welded
            }
            _ => Fall::NotFalling,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimates::testing::Random;

    const PACK: f64 = 100.0;
    /// 100 ohm and 8 mF: 0.8 s.
    const KNOWN: BusSettings =
        BusSettings { step: 10_000_000, resistor: Some(100.0), capacitance: Some(8e-3), bleed: Some(10_000.0) };

    /// Feeds volts as a function of seconds, so many readings a second.
    fn feed(bus: &mut Bus, seconds: std::ops::Range<f64>, rate: f64, volts: impl Fn(f64) -> f64) {
        let mut index = (seconds.start * rate).ceil();
        while index / rate < seconds.end {
            let volts = volts(index / rate);
            let step = KNOWN.step as f64 / 1e9;
            bus.push(
                SessionTime::from_nanos((index / rate * 1e9) as u64),
                ((volts / step).round() * step * 1e9) as i64,
            );
            index += 1.0;
        }
    }

    fn new(settings: BusSettings) -> Bus {
        let mut bus = Bus::new(settings);
        bus.pack((PACK * 1e9) as i64);
        bus
    }

    /// Off for two seconds, then an exponential.
    fn rise(tau: f64, to: f64) -> impl Fn(f64) -> f64 {
        move |second| if second < 2.0 { 0.0 } else { to * (1.0 - (-(second - 2.0) / tau).exp()) }
    }

    #[test]
    fn an_exponential_gives_its_numbers_back() {
        for (tau, speed) in [(0.8, Speed::Expected), (0.3, Speed::Fast), (2.5, Speed::Slow)] {
            let mut bus = new(KNOWN);
            feed(&mut bus, 0.0..20.0, 20.0, rise(tau, PACK));
            let found = bus.rise().unwrap();
            let fit = found.fit.unwrap();
            assert!((fit.tau.value / tau - 1.0).abs() < 2e-3, "{fit:?}");
            assert!((fit.tau.value - tau).abs() < 4.0 * fit.tau.uncertainty, "{fit:?}");
            assert!((fit.last.value - PACK).abs() < 0.02 && fit.residual < 0.01 && 0.9999 < fit.explained);
            assert!((seconds_between(SessionTime::from_millis(2000), fit.begin)).abs() < 0.01, "{:?}", fit.begin);
            assert_eq!((found.shape, found.speed, found.knee), (Shape::Complete, speed, false));
            assert!((found.capacitance.unwrap().value / (tau / 100.0) - 1.0).abs() < 2e-3);
            assert!((found.energy.unwrap() - 40.0).abs() < 0.1, "8 mF at 100 V");
        }
    }

    /// 50.4 V, 100 ohm, 2000 uF: tau 0.2 s, 2.54016 J in the resistor (closed form).
    #[test]
    fn a_worked_precharge() {
        let settings = BusSettings { capacitance: Some(2e-3), ..KNOWN };
        let mut bus = Bus::new(settings);
        bus.pack(50_400_000_000);
        feed(&mut bus, 0.0..5.0, 50.0, rise(0.2, 50.4));
        let found = bus.rise().unwrap();
        assert!((found.fit.unwrap().tau.value - 0.2).abs() < 1e-3);
        assert!((found.energy.unwrap() - 2.54016).abs() < 5e-3);
    }

    #[test]
    fn noise_widens_the_uncertainty_honestly() {
        let mut random = Random::new(4);
        let (mut squares, mut told) = (0.0, 0.0);
        for _ in 0..40 {
            let mut bus = new(KNOWN);
            let noise: Vec<f64> = (0..400).map(|_| 0.3 * random.normal()).collect();
            feed(&mut bus, 0.0..8.0, 20.0, |second| {
                rise(0.8, PACK)(second) + if 2.0 < second { noise[(second * 20.0) as usize] } else { 0.0 }
            });
            let fit = bus.rise().unwrap().fit.unwrap();
            squares += (fit.tau.value - 0.8).powi(2) / 40.0;
            told += fit.tau.uncertainty / 40.0;
        }
        let ratio = told / squares.sqrt();
        assert!((0.6..1.6).contains(&ratio), "{ratio}");
    }

    #[test]
    fn too_few_readings_say_so() {
        let mut bus = new(KNOWN);
        feed(&mut bus, 0.0..10.0, 20.0, |second| if second < 2.0 { 0.0 } else { PACK });
        let found = bus.rise().unwrap();
        assert!(matches!(found.fit, Err(NoFit::TooFew { .. } | NoFit::NoExponential)), "{:?}", found.fit);
        assert_eq!(found.shape, Shape::Complete);
        let mut slow = new(KNOWN);
        feed(&mut slow, 0.0..10.0, 1.0, rise(0.8, PACK));
        let found = slow.rise().unwrap();
        assert!(matches!(found.fit, Err(NoFit::TooFew { .. })), "{:?}", found.fit);
        assert_eq!(found.speed, Speed::Unknown, "at one reading a second it can't be seen");
    }

    #[test]
    fn no_pre_charge_is_fast() {
        let mut bus = new(KNOWN);
        feed(&mut bus, 0.0..10.0, 20.0, |second| if second < 2.0 { 0.0 } else { PACK });
        assert_eq!(bus.rise().unwrap().speed, Speed::Fast);
    }

    #[test]
    fn shapes() {
        let mut stuck = new(KNOWN);
        feed(&mut stuck, 0.0..20.0, 20.0, rise(0.8, 60.0));
        assert_eq!(stuck.rise().unwrap().shape, Shape::Stuck);
        let mut live = new(KNOWN);
        feed(&mut live, 0.0..5.0, 20.0, |_| 99.0);
        assert_eq!(live.rise().unwrap().shape, Shape::LiveFromStart);
        let mut off = new(KNOWN);
        assert_eq!(off.rise(), None);
        feed(&mut off, 0.0..5.0, 20.0, |_| 0.3);
        assert_eq!((off.rise().unwrap().shape, off.rise().unwrap().fit), (Shape::Off, Err(NoFit::NotYet)));
        let mut rising = new(KNOWN);
        feed(&mut rising, 0.0..3.0, 20.0, rise(5.0, PACK));
        assert_eq!(rising.rise().unwrap().shape, Shape::Rising);
        feed(&mut rising, 3.0..12.0, 20.0, rise(5.0, PACK));
        assert_eq!(rising.rise().unwrap().shape, Shape::Rising, "slow is not stuck");
        let mut unknown = Bus::new(BusSettings::default());
        feed(&mut unknown, 0.0..20.0, 20.0, rise(0.8, PACK));
        let found = unknown.rise().unwrap();
        assert_eq!((found.shape, found.share, found.speed), (Shape::Flat, None, Speed::Unknown));
        assert_eq!((found.capacitance, found.energy), (None, None));
    }

    /// dv/dt = ((V - v) / R - P / v) / C, with the load on from 40 V.
    fn with_load(watts: f64) -> Vec<f64> {
        let (mut volts, mut list) = (0.0_f64, Vec::new());
        for step in 0..60_000 {
            let second = f64::from(step) / 1000.0;
            list.push(volts);
            if 2.0 <= second {
                let load = if 40.0 < volts { watts / volts } else { 0.0 };
                volts += ((PACK - volts) / 100.0 - load) / 8e-3 / 1000.0;
            }
        }
        list
    }

    #[test]
    fn a_load_of_constant_power_stalls_the_rise() {
        // V^2 / (4 R) is 25 W: below that it comes to rest where v (V - v) / R is what the load takes.
        let volts = with_load(22.0);
        let mut bus = new(KNOWN);
        feed(&mut bus, 0.0..60.0, 20.0, |second| volts[(second * 1000.0) as usize]);
        let found = bus.rise().unwrap();
        let Shape::Stalled { watts: Some(watts) } = found.shape else { panic!("{found:?}") };
        assert!((watts - 22.0).abs() < 0.1, "{watts}");
        assert!((found.newest - 67.32).abs() < 0.1, "{found:?}");
    }

    #[test]
    fn a_jump_at_the_end_is_no_knee_and_does_not_bend_the_fit() {
        let mut bus = new(KNOWN);
        feed(&mut bus, 0.0..12.0, 20.0, |second| if second < 4.4 { rise(0.8, PACK)(second) } else { PACK });
        let found = bus.rise().unwrap();
        assert!((found.fit.unwrap().tau.value - 0.8).abs() < 0.01, "{found:?}");
        assert_eq!((found.shape, found.knee), (Shape::Complete, false));
        let mut knee = new(KNOWN);
        feed(&mut knee, 0.0..20.0, 20.0, |second| {
            let held = (second - 3.0).clamp(0.0, 1.5);
            rise(0.8, PACK)(second - held)
        });
        let found = knee.rise().unwrap();
        assert_eq!((found.shape, found.knee), (Shape::Complete, true));
    }

    #[test]
    fn retries_are_a_sawtooth() {
        let mut bus = new(KNOWN);
        let wave = |second: f64| {
            let phase = second % 6.0;
            if phase < 2.0 { 60.0 * (1.0 - (-phase / 0.8).exp()) } else { 55.0 * (-(phase - 2.0) / 0.9).exp() }
        };
        feed(&mut bus, 0.0..5.9, 20.0, wave);
        assert_eq!(bus.rise().unwrap().shape, Shape::Off, "one rise that fell back is no sawtooth");
        feed(&mut bus, 5.9..30.0, 20.0, wave);
        assert!(matches!(bus.rise().unwrap().shape, Shape::Sawtooth { retries: 3..=5 }), "{:?}", bus.rise());
    }

    /// 8 mF and 10 kohm from 100 V: below 60 V after 41 s, below 5 V after 240 s (t = R C ln(V / end)).
    #[test]
    fn a_fall_tells_when_it_is_safe() {
        let mut bus = new(KNOWN);
        feed(&mut bus, 0.0..10.0, 20.0, rise(0.8, PACK));
        assert_eq!(bus.fall(), Fall::NoData);
        bus.opened(SessionTime::from_millis(10_000));
        assert_eq!(bus.fall(), Fall::NoData);
        let fall = |second: f64| PACK * (-(second - 10.0) / 80.0).exp();
        feed(&mut bus, 10.0..30.0, 20.0, fall);
        let Fall::Falling { tau: Ok(tau), below_60: Some(below_60), below_5: Some(below_5) } = bus.fall() else {
            panic!("{:?}", bus.fall());
        };
        assert!(
            (tau.value - 80.0).abs() < 0.1 && (tau.value - 80.0).abs() < 4.0 * tau.uncertainty.max(1e-3),
            "{tau:?}"
        );
        assert!((below_60 + 20.0 - 40.87).abs() < 0.2, "{below_60}");
        assert!((below_5 + 20.0 - 239.66).abs() < 0.5, "{below_5}");
        feed(&mut bus, 30.0..60.0, 20.0, fall);
        assert!(matches!(bus.fall(), Fall::Falling { below_60: Some(left), .. } if left.abs() < 1e-9));
        feed(&mut bus, 60.0..400.0, 20.0, fall);
        assert!(matches!(bus.fall(), Fall::Falling { below_5: Some(left), .. } if left.abs() < 1e-9));
    }

    #[test]
    fn a_bus_that_stays_up_is_welded_only_with_a_known_bleed() {
        for (bleed, expected) in [(Some(500.0), Fall::Welded), (None, Fall::NotFalling), (Some(1e6), Fall::NotFalling)]
        {
            let mut bus = new(BusSettings { bleed, ..KNOWN });
            feed(&mut bus, 0.0..10.0, 20.0, rise(0.8, PACK));
            bus.opened(SessionTime::from_millis(10_000));
            feed(&mut bus, 10.0..15.0, 20.0, |_| PACK);
            assert_eq!(bus.fall(), Fall::NotFalling, "too early");
            feed(&mut bus, 15.0..30.0, 20.0, |_| PACK);
            assert_eq!(bus.fall(), expected);
        }
    }

    #[test]
    fn a_bus_that_was_closed_again_is_not_welded() {
        let mut bus = new(BusSettings { bleed: Some(500.0), ..KNOWN });
        feed(&mut bus, 0.0..10.0, 20.0, rise(0.8, PACK));
        bus.opened(SessionTime::from_millis(10_000));
        feed(&mut bus, 10.0..10.2, 20.0, |_| 0.96 * PACK);
        feed(&mut bus, 10.2..60.0, 20.0, |_| PACK);
        assert_eq!(bus.fall(), Fall::NotFalling);
    }

    #[test]
    fn a_whole_rise_is_kept_after_the_fall() {
        let mut bus = new(KNOWN);
        assert_eq!(bus.whole_rise(), None);
        feed(&mut bus, 0.0..10.0, 20.0, rise(0.8, PACK));
        let tau = bus.whole_rise().unwrap().fit.unwrap().tau;
        bus.opened(SessionTime::from_millis(10_000));
        feed(&mut bus, 10.0..400.0, 20.0, |second| PACK * (-(second - 10.0) / 80.0).exp());
        assert_eq!(bus.whole_rise().unwrap().fit.unwrap().tau, tau);
        let (opened, at, volts) = bus.since_opened().unwrap();
        assert_eq!((opened, at), (SessionTime::from_millis(10_000), SessionTime::from_millis(399_950)));
        assert!(volts < 1.0, "{volts}");
        let mut live = new(KNOWN);
        feed(&mut live, 0.0..5.0, 20.0, |_| 99.0);
        assert_eq!(live.whole_rise(), None, "it was not seen to rise");
    }

    #[test]
    fn extremes_and_steps_of_the_clock_leave_no_nan() {
        let mut bus =
            Bus::new(BusSettings { step: i64::MAX, resistor: Some(0.0), capacitance: Some(0.0), bleed: Some(0.0) });
        for index in 0..2000_u64 {
            let nanos = if index % 3 == 0 { i64::MAX } else { i64::MIN / (index as i64 + 1) };
            bus.pack(nanos);
            bus.push(SessionTime::from_nanos(index * 1_000_000 % 700_000_000), nanos);
            if index % 50 == 0 {
                bus.opened(SessionTime::from_nanos(index));
            }
            for found in [bus.rise()].into_iter().flatten() {
                assert!(found.newest.is_finite() && found.share.is_none_or(f64::is_finite));
                assert!(found.energy.is_none_or(f64::is_finite), "{found:?}");
                assert!(found.capacitance.is_none_or(|farads| farads.value.is_finite()), "{found:?}");
            }
            bus.fall();
        }
    }
}
