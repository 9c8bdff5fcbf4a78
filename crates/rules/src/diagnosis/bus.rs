//! The rise and the fall of the load's side.

use std::time::Duration;

use model::SessionTime;

use super::{Claim, Facts, Known, base, farads, ohms, plus_minus};
use crate::cause::Cause;
use crate::estimates::Estimate;
use crate::estimates::bus::{Bus, BusSettings, Fall, LEAST_READINGS, NoFit, Rise, RiseFit, Shape, Speed};
use crate::finding::Confidence;
use crate::measured::{Figure, Measured};

// All of these are common practice, no source. Shares are of the pack voltage.

/// A bus below this share is as good as dead.
const DEAD: f64 = 0.1;
/// A bus above this share has come up.
const UP: f64 = 0.93;
/// From dead to up in less than this, and no resistor was in between: time constants of 0.2 s to 1 s are usual.
const TOO_FAST: Duration = Duration::from_millis(300);
/// From a tenth to 93 % takes so many time constants: ln(0.9 / 0.07).
const DEAD_TO_UP: f64 = 2.554;
/// A rise that takes this many times as long as resistor and capacitance make it is slow; one that takes this part of it, by
/// readings that bound it from above, is fast.
const SLOW: f64 = 3.0;
const FAST: f64 = 2.0;
/// A curve that explains less of a rise says nothing about its time constant.
const GOOD_FIT: f64 = 0.98;
/// A last step of this share that is larger than the ones before is the main contact, closing too early.
const JUMP: f64 = 0.05;
const LARGER: f64 = 1.5;
/// A bus that moves by less than this share stands still.
const STILL: f64 = 0.005;
/// So long from the first reading on: it was there before anything was closed.
const EARLY: Duration = Duration::from_millis(1500);
/// A bus that has turned back by this share and stands still for so long has stalled.
const TURNED: f64 = 0.05;
const STALLED: Duration = Duration::from_secs(3);
/// A bus that falls towards more than this share after the switch was opened is still fed; it takes so long to tell, and a
/// bend of so many volts.
const FED: f64 = 0.2;
const FED_AFTER: Duration = Duration::from_secs(40);
const BEND: f64 = 0.3;

/// A reading: when, and in volts.
type Reading = (SessionTime, f64);

#[derive(Clone, Debug)]
pub(super) struct BusEvidence {
    fit: Bus,
    /// The time constant that the pack file makes, in seconds, and in words.
    expected_rise: Option<(f64, String)>,
    first: Option<Reading>,
    newest: Option<Reading>,
    /// By how much the newest reading was above the one before.
    step: f64,
    dead: Option<Reading>,
    /// How long after the reading before it the newest one came.
    interval: Duration,
    /// Where it stands still, and since when.
    still: Option<Reading>,
    /// The highest since it was dead; it has not come up yet.
    peak: f64,
    up: bool,
    opened: Option<SessionTime>,
    fall: Thinned,
    /// How long it took from dead to up.
    too_fast: Option<(Reading, Reading)>,
    /// The readings before and after the main contact closed too early, and the pack voltage.
    too_early: Option<(Reading, Reading, f64)>,
    live_early: Option<(Reading, f64)>,
    /// Where the bus goes to after the switch was opened, as of a reading.
    welded: Option<(Reading, f64)>,
    pack: f64,
}

impl BusEvidence {
    pub(super) fn new(facts: &Facts) -> Self {
        let wiring = &facts.wiring;
        let settings = BusSettings {
            step: facts.bus_step,
            resistor: wiring.pre_charge_nanos.map(base),
            capacitance: wiring.bus_capacitance_nanos.map(base),
            bleed: wiring.bleed_nanos.map(base),
        };
        let fit = Bus::new(settings);
        Self {
            expected_rise: expected_rise(fit.settings()),
            fit,
            first: None,
            newest: None,
            step: 0.0,
            interval: Duration::ZERO,
            dead: None,
            still: None,
            peak: 0.0,
            up: false,
            opened: None,
            fall: Thinned::default(),
            too_fast: None,
            too_early: None,
            live_early: None,
            welded: None,
            pack: 0.0,
        }
    }

    pub(super) fn reading(&mut self, at: SessionTime, nanos: i64, pack: Option<i64>) {
        let Some(pack_nanos) = pack.filter(|pack| 0 < *pack) else { return };
        self.fit.pack(pack_nanos);
        self.fit.push(at, nanos);
        let (now, pack) = ((at, base(nanos)), base(pack_nanos));
        self.pack = pack;
        self.first.get_or_insert(now);
        self.stand_still(now);
        if now.1 < DEAD * pack {
            (self.dead, self.peak, self.up, self.opened) = (Some(now), 0.0, false, None);
        } else {
            self.look_at_the_rise(now);
            self.look_at_the_fall(now);
        }
        self.step = self.newest.map_or(0.0, |(_, then)| now.1 - then);
        self.interval = self.newest.map_or(Duration::ZERO, |(then, _)| at.since(then));
        self.newest = Some(now);
    }

    pub(super) fn opened(&mut self, at: SessionTime) {
        self.fit.opened(at);
        self.opened = Some(at);
        self.fall = Thinned::default();
    }

    fn stand_still(&mut self, now: Reading) {
        if self.still.is_none_or(|(_, then)| STILL * self.pack < (now.1 - then).abs()) {
            self.still = Some(now);
        }
    }

    fn still_for(&self, now: Reading) -> Duration {
        self.still.map_or(Duration::ZERO, |(since, _)| now.0.since(since))
    }

    fn look_at_the_rise(&mut self, now: Reading) {
        self.peak = self.peak.max(now.1);
        let Some(dead) = self.dead else {
            if self.first.is_some_and(|(first, _)| EARLY <= now.0.since(first)) {
                self.live_early.get_or_insert((now, now.1 / self.pack));
            }
            return;
        };
        if self.up || now.1 < UP * self.pack {
            return;
        }
        self.up = true;
        let before = self.newest.unwrap_or(dead);
        let jump = now.1 - before.1;
        // By rates: a reading may be missing in between.
        let (before_rate, rate) = (
            self.step.abs() / self.interval.as_secs_f64().max(1e-9),
            jump / now.0.since(before.0).as_secs_f64().max(1e-9),
        );
        if self.is_too_fast(now.0.since(dead.0)) {
            self.too_fast = Some((dead, now));
        } else if DEAD * self.pack <= before.1 && JUMP * self.pack < jump && LARGER * before_rate < rate {
            self.too_early = Some((before, now, self.pack));
        }
    }

    /// Whether a rise that took no longer than this had no resistor in between, or a part of it only. Where resistor and
    /// capacitance are known, these say how long it should take.
    fn is_too_fast(&self, at_most: Duration) -> bool {
        match self.fit.settings().expected_rise() {
            Some(tau) => at_most.as_secs_f64() < DEAD_TO_UP * tau / FAST,
            None => at_most <= TOO_FAST,
        }
    }

    fn look_at_the_fall(&mut self, now: Reading) {
        let Some(opened) = self.opened else { return };
        self.fall.push(now);
        if FED_AFTER <= now.0.since(opened)
            && let Some(end) = self.fall.goes_to().filter(|end| FED * self.pack < *end)
        {
            self.welded = Some((now, end));
        }
    }

    pub(super) fn look(&self, known: &Known, claims: &mut Vec<Claim>) {
        let Some(newest) = self.newest else { return };
        let mut claim = |cause, span, text: String| {
            claims.push(Claim::new(cause, Confidence::Likely, span, text).critical_if(true));
        };
        let percent = |share: f64| format!("{:.0} % of the pack", share * 100.0);
        if let Some((at, share)) = self.live_early.filter(|_| !known.bus_was_dead) {
            let text = format!("{:.1} V on the bus from the first reading on, {}", at.1, percent(share));
            claim(Cause::BusLiveEarly, (self.first.map_or(at.0, |(first, _)| first), at.0), text);
        }
        if let Some((dead, up)) = self.too_fast {
            let millis = up.0.since(dead.0).as_millis();
            let text = format!("the bus came from {:.1} V to {:.1} V within {millis} ms", dead.1, up.1);
            claim(Cause::NoPreCharge, (dead.0, up.0), text);
        }
        if let Some((before, after, pack)) = self.too_early {
            let text = format!(
                "the bus was at {:.1} V, {}, when it jumped to {:.1} V: the switch closed too early",
                before.1,
                percent(before.1 / pack),
                after.1
            );
            claim(Cause::SlowPreCharge, (before.0, after.0), text);
        }
        if let Some((at, end)) = self.welded {
            let text =
                format!("the switch was opened, and the bus, at {:.1} V now, goes to {end:.0} V and not to 0", at.1);
            claim(Cause::WeldedContact, (self.opened.unwrap_or(at.0), at.0), text);
        }
        if !self.up && self.opened.is_none() {
            self.look_at_what_never_came_up(newest, &mut claim);
        }
        self.look_at_the_time_constant(claims);
        self.look_for_one_that_stays(claims);
    }

    /// A bus that has not fallen in three of the time constants that the pack file makes.
    fn look_for_one_that_stays(&self, claims: &mut Vec<Claim>) {
        let Some((opened, at, volts)) = self.fit.since_opened() else { return };
        if self.welded.is_some() || self.fit.fall() != Fall::Welded {
            return;
        }
        let seconds = at.since(opened).as_secs_f64();
        let text = format!("the switch was opened, and {seconds:.0} s later the bus is still at {volts:.1} V");
        let mut claim = Claim::new(Cause::WeldedContact, Confidence::Possible, (opened, at), text).critical_if(true);
        if let Some(expected) = self.fit.settings().expected_fall() {
            claim = claim.supported(format!("by the pack file it falls with a time constant of {expected:.0} s"));
        }
        claims.push(claim.opposed("a bleed that is not connected leaves it there as well"));
    }

    /// Measured against what resistor and capacitance make: evidence for and against what was claimed from the shape alone,
    /// and a claim of its own where the rise is several times slower, whenever the switch closed.
    fn look_at_the_time_constant(&self, claims: &mut Vec<Claim>) {
        let Some((expected, of)) = &self.expected_rise else { return };
        let whole = self.fit.whole_rise();
        let found =
            whole.and_then(|rise| Some((rise.speed, rise.fit.ok()?))).filter(|(_, fit)| GOOD_FIT <= fit.explained);
        let mut is_slow_already = false;
        for claim in claims.iter_mut() {
            match (claim.cause, found) {
                (Cause::NoPreCharge, _) => {
                    let took = DEAD_TO_UP * expected;
                    claim.supports.push(format!("it should take about {took:.2} s: {of}"));
                    claim.against.push("a capacitor that is not connected makes it faster as well".to_owned());
                }
                (Cause::SlowPreCharge, Some((speed, fit))) => {
                    is_slow_already = true;
                    let told = format!("{}; {of}", tau_words(&fit));
                    match speed {
                        Speed::Slow => claim.supports.push(told),
                        Speed::Expected | Speed::Fast => {
                            claim
                                .against
                                .push(format!("{told}: the rise is as it should be, and the switch waits too short"));
                        }
                        Speed::Unknown => {}
                    }
                }
                (Cause::SlowPreCharge, None) => is_slow_already = true,
                _ => {}
            }
        }
        if let Some((_, fit)) = found
            && !is_slow_already
            // A bus that was live before is no discharged capacitor: its creep tells nothing of the resistor.
            && self.dead.is_some()
            && SLOW * expected < fit.tau.value - 2.0 * fit.tau.uncertainty
        {
            let text = format!("{}, {:.1} times what it should be", tau_words(&fit), fit.tau.value / expected);
            let span = (fit.tau.basis.from, fit.tau.basis.to);
            let claim = Claim::new(Cause::SlowPreCharge, Confidence::Likely, span, text);
            claims.push(claim.supported(of).opposed("a load on the bus during the rise slows it as well"));
        }
    }

    /// What was measured of rise and fall.
    pub(super) fn measured(&self, measured: &mut Vec<Measured>) {
        const NAMES: [&str; 4] = ["bus time constant", "bus capacitance", "pre-charge energy", "bus discharge"];
        let why = match (self.newest, self.fit.whole_rise()) {
            (None, _) => "no bus voltage was read",
            (_, None) => "no whole rise of the bus was seen",
            (_, Some(rise)) => {
                let [tau, capacitance, energy, _] = NAMES;
                measured.push(Measured::new(tau, self.time_constant(rise)));
                measured.push(Measured::new(capacitance, self.capacitance(rise)));
                measured.push(Measured::new(energy, self.energy(rise)));
                ""
            }
        };
        if !why.is_empty() {
            measured.extend(NAMES.iter().take(3).map(|name| Measured::none(name, why)));
        }
        let [.., discharge] = NAMES;
        measured.push(Measured::new(discharge, self.discharge()));
    }

    fn fit_of(rise: &Rise) -> std::result::Result<RiseFit, String> {
        let fit = rise.fit.map_err(|why| why_no_fit(why, "rise"))?;
        if fit.explained < GOOD_FIT {
            return Err(format!("an exponential explains only {:.0} % of the rise", fit.explained * 100.0));
        }
        Ok(fit)
    }

    fn time_constant(&self, rise: &Rise) -> std::result::Result<Figure, String> {
        let tau = Self::fit_of(rise)?.tau;
        let mut text = format!("{} s, {} readings", plus_minus(tau.value, tau.uncertainty), tau.basis.count);
        if let Some((_, of)) = &self.expected_rise {
            let word = match rise.speed {
                Speed::Fast => ": faster than that",
                Speed::Slow => ": slower than that",
                Speed::Expected | Speed::Unknown => "",
            };
            text += &format!("; {of}{word}");
        }
        Ok(Figure::of(&tau, 1.0, "s", text))
    }

    fn capacitance(&self, rise: &Rise) -> std::result::Result<Figure, String> {
        Self::fit_of(rise)?;
        let settings = self.fit.settings();
        let (Some(found), Some(resistor)) = (rise.capacitance, settings.resistor) else {
            return Err("the pack file gives no pre-charge resistor".to_owned());
        };
        let value = plus_minus(found.value * 1e3, found.uncertainty * 1e3);
        let mut text = format!("{value} mF if the resistor has {}", ohms(resistor));
        if let Some(given) = settings.capacitance {
            text += &format!("; {} in the pack file", farads(given));
        }
        Ok(Figure::of(&found, 1.0, "F", text))
    }

    fn energy(&self, rise: &Rise) -> std::result::Result<Figure, String> {
        let no_capacitance = "neither the pack file nor the rise tells the capacitance";
        let joules = rise.energy.ok_or_else(|| no_capacitance.to_owned())?;
        let of = match self.fit.settings().capacitance {
            Some(given) => format!("{} of the pack file", farads(given)),
            None => "the capacitance of the rise".to_owned(),
        };
        let estimate = Estimate { value: joules, uncertainty: 0.0, basis: rise.basis };
        let text = format!("{joules:.1} J went into the resistor, by {of}");
        Ok(Figure::of(&estimate, 1.0, "J", text).of_unknown_uncertainty())
    }

    fn discharge(&self) -> std::result::Result<Figure, String> {
        let Some((opened, at, volts)) = self.fit.since_opened() else {
            return Err("the switch was not seen to open".to_owned());
        };
        let (tau, below_60) = match self.fit.fall() {
            Fall::NoData => return Err("no bus voltage was read since the switch was opened".to_owned()),
            Fall::NotFalling | Fall::Welded => {
                let seconds = at.since(opened).as_secs_f64();
                return Err(format!("{seconds:.0} s after the opening the bus is still at {volts:.1} V"));
            }
            Fall::Falling { tau, below_60, .. } => (tau.map_err(|why| why_no_fit(why, "fall"))?, below_60),
        };
        let mut text = format!("time constant {} s", plus_minus(tau.value, tau.uncertainty));
        let settings = self.fit.settings();
        if let (Some(expected), Some(bleed)) = (settings.expected_fall(), settings.bleed) {
            text += &format!(" ({expected:.0} s by {} and the capacitance of the pack file)", ohms(bleed));
        }
        match below_60.filter(|seconds| 0.0 < *seconds) {
            Some(left) => {
                let since = left + at.since(opened).as_secs_f64();
                text += &format!("; by this fit it reads below 60 V about {since:.0} s after the opening");
            }
            None => text += &format!("; it read {volts:.1} V at {:.0} s", at.nanos as f64 * 1e-9),
        }
        // Nothing here says that it is safe: a reading can be wrong, and other capacitors may not be on this bus.
        text += "; measure before you touch";
        Ok(Figure::of(&tau, 1.0, "s", text))
    }

    /// Whether readings come often enough to see a rise that turns back.
    fn fit_is_dense(&self) -> bool {
        self.interval <= TOO_FAST
    }

    fn look_at_what_never_came_up(
        &self,
        newest: Reading,
        claim: &mut impl FnMut(Cause, (SessionTime, SessionTime), String),
    ) {
        let Some(rise) = self.fit.rise().filter(|_| self.dead.is_some()) else { return };
        let span = (self.dead.map_or(newest.0, |(at, _)| at), newest.0);
        let turned = TURNED * self.pack < self.peak - newest.1 && DEAD * self.pack < newest.1;
        if turned && STALLED <= self.still_for(newest) {
            let text = format!("the bus turned back from {:.1} V and stays at {:.1} V", self.peak, newest.1);
            return claim(Cause::StalledPreCharge, span, text);
        }
        match rise.shape {
            // Without readings in between, a rise that turned back looks the same.
            Shape::Stuck if !self.fit_is_dense() => {}
            Shape::Stuck => {
                let share = newest.1 / self.pack * 100.0;
                claim(
                    Cause::StuckPreCharge,
                    span,
                    format!("the bus stays at {:.1} V, {share:.0} % of the pack", newest.1),
                );
            }
            Shape::Stalled { watts } => {
                let takes = watts.map_or(String::new(), |watts| format!(": something takes {watts:.0} W"));
                let text = format!("the bus was heading for the pack voltage and stays at {:.1} V{takes}", newest.1);
                claim(Cause::StalledPreCharge, span, text);
            }
            Shape::Sawtooth { retries } => {
                claim(Cause::PreChargeRetries, span, format!("the bus rose and fell back {retries} times"));
            }
            Shape::Off | Shape::LiveFromStart | Shape::Rising | Shape::Flat | Shape::Complete => {}
        }
    }
}

fn why_no_fit(why: NoFit, what: &str) -> String {
    match why {
        NoFit::NotYet => format!("no {what} was seen"),
        NoFit::TooFew { have } => {
            format!("too few readings in the {what}: {have} in three time constants, {LEAST_READINGS} needed")
        }
        NoFit::NoExponential => format!("the {what} follows no exponential"),
    }
}

fn expected_rise(settings: &BusSettings) -> Option<(f64, String)> {
    let expected = settings.expected_rise()?;
    let of = format!(
        "{} and {} make a time constant of {expected:.2} s",
        ohms(settings.resistor?),
        farads(settings.capacitance?)
    );
    Some((expected, of))
}

fn tau_words(fit: &RiseFit) -> String {
    format!("the bus rose with a time constant of {} s", plus_minus(fit.tau.value, fit.tau.uncertainty))
}

/// Readings of a fall, thinned out so that they are never more than a few, and about evenly spread in time.
#[derive(Clone, Debug, Default)]
struct Thinned {
    readings: Vec<Reading>,
    spacing: Duration,
}

impl Thinned {
    const MOST: usize = 64;

    fn push(&mut self, now: Reading) {
        if self.readings.last().is_some_and(|(last, _)| now.0.since(*last) < self.spacing) {
            return;
        }
        if self.readings.len() == Self::MOST {
            let mut keep = false;
            self.readings.retain(|_| {
                keep = !keep;
                keep
            });
            self.spacing = (self.spacing * 2).max(Duration::from_millis(100));
        }
        self.readings.push(now);
    }

    /// The voltage that an exponential through the beginning, the middle and the end goes to: three points at equal
    /// distances `a, b, c` give `(a c - b^2) / (a + c - 2 b)` (Aitken's delta-squared process). `None` while it is as good
    /// as a straight line.
    fn goes_to(&self) -> Option<f64> {
        let (first, last) = (self.readings.first()?, self.readings.last()?);
        let middle = first.0 + last.0.since(first.0) / 2;
        let after = self.readings.iter().position(|(at, _)| middle <= *at).filter(|index| 0 < *index)?;
        let (before, after) = (self.readings.get(after - 1)?, self.readings.get(after)?);
        let share = middle.since(before.0).as_secs_f64() / after.0.since(before.0).as_secs_f64().max(1e-9);
        let (a, b, c) = (first.1, before.1 + (after.1 - before.1) * share, last.1);
        let bend = a + c - 2.0 * b;
        (BEND < bend).then(|| (a * c - b * b) / bend)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fall_is_told_from_one_that_is_still_fed() {
        // RC = 80 s, the worked example of common practice (8 mF, 10 kohm), from 100 V to an end.
        for (end, seconds) in [(0.0, 60.0), (0.0, 600.0), (55.0, 60.0), (80.0, 120.0)] {
            let mut fall = Thinned::default();
            for step in 0..(seconds * 10.0) as u64 {
                let at = SessionTime::from_millis(step * 100);
                let volts = end + (100.0 - end) * (-(step as f64) / 800.0).exp();
                fall.push((at, volts));
            }
            let goes_to = fall.goes_to().expect("it bends");
            assert!((goes_to - end).abs() < 1.0, "{end}: {goes_to}");
            assert!(fall.readings.len() <= Thinned::MOST);
        }
        let mut line = Thinned::default();
        for step in 0..600 {
            line.push((SessionTime::from_millis(step * 100), 100.0 - step as f64 / 100.0));
        }
        assert_eq!(line.goes_to(), None);
    }
}
