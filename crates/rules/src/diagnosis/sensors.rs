//! Temperature sensors and what they show.

use model::SessionTime;

use super::{Claim, Facts, Tally, base, plus_minus, sensor, three_digits};
use crate::cause::Cause;
use crate::estimates::Estimate;
use crate::estimates::trend::{NoTrend, TimeTo, Trend, Window};
use crate::finding::Confidence;
use crate::measured::{Figure, Measured};

/// A sensor that reads outside these is open or shorted, in billionths of a degree. Common practice, no source.
const OPEN_BELOW: i64 = -39_900_000_000;
const SHORT_ABOVE: i64 = 120_000_000_000;
/// Sets in which a sensor is so, before it is more than chance.
const ENOUGH: u64 = 3;
/// A sensor that never moved while the others did so many times, in the median, is stuck.
const MOVES: u64 = 20;
/// Heating takes so long to see.
const HEATING_SECONDS: f64 = 60.0;
/// The limit itself has its uncertainty: this share of it is worth a finding.
const NEARLY: f64 = 0.85;
/// A limit that is further away than this, in seconds, is no matter of this session.
const FAR_OFF: f64 = 6.0 * 3600.0;
/// So many deviations are no chance, with some sensors to choose from.
const SIGMAS: f64 = 5.0;

#[derive(Clone, Copy, Debug, Default)]
struct Sensor {
    last: Option<i64>,
    /// How often it has changed.
    moves: u64,
    seen: Option<Tally>,
    open: Option<Tally>,
    absent: Option<Tally>,
    short: Option<Tally>,
}

#[derive(Clone, Debug)]
pub(super) struct SensorEvidence {
    sensors: Vec<Sensor>,
    /// At rest only.
    rise: Trend,
    rising: bool,
    step: i64,
    scratch: Vec<Option<i64>>,
}

impl SensorEvidence {
    pub(super) fn new(facts: &Facts) -> Self {
        Self {
            sensors: vec![Sensor::default(); facts.sensors],
            rise: Trend::new(facts.sensors, facts.temperature_step, Window::Everything),
            rising: false,
            step: facts.temperature_step,
            scratch: Vec::new(),
        }
    }

    pub(super) fn set(&mut self, at: SessionTime, values: &[Option<i64>], rest: bool) {
        for (sensor, value) in self.sensors.iter_mut().zip(values) {
            match *value {
                None => Tally::count(&mut sensor.absent, at),
                Some(value) if value <= OPEN_BELOW => Tally::count(&mut sensor.open, at),
                Some(value) if SHORT_ABOVE < value => Tally::count(&mut sensor.short, at),
                Some(value) => {
                    sensor.moves += u64::from(sensor.last.is_some_and(|last| last != value));
                    sensor.last = Some(value);
                    Tally::count(&mut sensor.seen, at);
                }
            }
        }
        if !rest {
            self.rising = false;
            return;
        }
        if !std::mem::replace(&mut self.rising, true) {
            self.rise.restart();
        }
        // A sensor that is open has no temperature.
        let possible = |value: i64| OPEN_BELOW < value && value <= SHORT_ABOVE;
        self.scratch.clear();
        self.scratch.extend(values.iter().map(|value| value.filter(|value| possible(*value))));
        self.rise.set(at, &self.scratch);
    }

    /// Works out at once what a look asks sensor by sensor.
    pub(super) fn refresh(&mut self) {
        self.rise.refresh();
    }

    pub(super) fn look(&self, facts: &Facts, claims: &mut Vec<Claim>) {
        for (index, state) in self.sensors.iter().enumerate() {
            self.look_at_wire(index, state, claims);
            self.look_for_a_stuck_one(index, state, claims);
            self.look_at_heating(index, facts, claims);
        }
    }

    fn look_at_wire(&self, index: usize, state: &Sensor, claims: &mut Vec<Claim>) {
        let enough = |tally: Option<Tally>| tally.filter(|tally| ENOUGH <= tally.count);
        // One that is absent while others are there: the BMS says so, or never had it.
        let others = self.sensors.iter().any(|other| other.seen.is_some());
        let absent = enough(state.absent).filter(|_| others);
        let (cause, tally, text) = if let Some(open) = enough(state.open) {
            (Cause::SensorOpen, open, "reads its lowest: the sensor or its wire is open")
        } else if let Some(absent) = absent {
            (Cause::SensorOpen, absent, "has no value while others have: it is open or not fitted")
        } else if let Some(short) = enough(state.short) {
            (Cause::SensorShort, short, "reads its highest: the sensor or its wire is shorted")
        } else {
            return;
        };
        let text = format!("temperature {} {text}", index + 1);
        let mut claim = Claim::new(cause, Confidence::Likely, (tally.from, tally.to), text).critical_if(true);
        claim.places = vec![sensor(index)];
        claims.push(claim.supported(format!("{} sets", tally.count)));
    }

    fn look_for_a_stuck_one(&self, index: usize, state: &Sensor, claims: &mut Vec<Claim>) {
        let Some(seen) = state.seen.filter(|_| state.moves == 0) else { return };
        let mut others: Vec<u64> = self
            .sensors
            .iter()
            .enumerate()
            .filter(|(other, _)| *other != index)
            .map(|(_, other)| other.moves)
            .collect();
        if others.len() < 2 {
            return;
        }
        others.sort_unstable();
        let median = others.get(others.len() / 2).copied().unwrap_or(0);
        // The quietest of the others has moved as well: this one stands alone.
        if median < MOVES || others.first().is_none_or(|least| *least < MOVES / 4) {
            return;
        }
        let value = state.last.map_or(0.0, base);
        let text = format!("temperature {} has read {value:.1} degC all the time", index + 1);
        let mut claim =
            Claim::new(Cause::SensorStuck, Confidence::Likely, (seen.from, seen.to), text).critical_if(true);
        claim.places = vec![sensor(index)];
        claims.push(claim.supported(format!("the others have changed {median} times")));
    }

    fn look_at_heating(&self, index: usize, facts: &Facts, claims: &mut Vec<Claim>) {
        let Ok(rise) = self.rise.per_hour(index) else { return };
        let mut others: Vec<f64> = (0..self.sensors.len())
            .filter(|other| *other != index)
            .filter_map(|other| Some(self.rise.per_hour(other).ok()?.value))
            .collect();
        others.sort_by(f64::total_cmp);
        // Against the others: the sun and the room warm them all.
        let usual = others.get(others.len() / 2).copied().unwrap_or(0.0);
        let (above, limit) = ((rise.value - usual) / 60.0, base(facts.rate_at_rest));
        let long = HEATING_SECONDS <= rise.basis.length().as_secs_f64();
        let sure = rise.sigmas_from(usual).is_some_and(|sigmas| SIGMAS < sigmas);
        // At least three steps of the readings.
        let risen = above * rise.basis.length().as_secs_f64() / 60.0;
        if !long || !sure || above < NEARLY * limit || risen < 3.0 * base(self.step) {
            return;
        }
        let mut text = format!(
            "temperature {} rises by {above:.2} +/- {:.2} degC a minute more than the others with no current, limit {limit:.2}",
            index + 1,
            rise.uncertainty / 60.0
        );
        if let Some(limit) = self.time_to_limit(index, facts) {
            text += &format!("; {limit}");
        }
        let span = (rise.basis.from, rise.basis.to);
        let mut claim = Claim::new(Cause::HeatingAtRest, Confidence::Likely, span, text).critical_if(true);
        claim.places = vec![sensor(index)];
        claims.push(claim.opposed("the sun, a balancing resistor, or heat from an earlier load"));
    }

    /// How fast each sensor rises at rest, in degrees a minute.
    pub(super) fn rises(&self) -> Vec<Option<Estimate>> {
        let a_minute =
            |rise: Estimate| Estimate { value: rise.value / 60.0, uncertainty: rise.uncertainty / 60.0, ..rise };
        (0..self.sensors.len()).map(|index| self.rise.per_hour(index).ok().map(a_minute)).collect()
    }

    /// How fast the place that warms most warms at rest.
    pub(super) fn measured(&self, facts: &Facts, measured: &mut Vec<Measured>) {
        let rises = (0..self.sensors.len()).filter_map(|index| Some((index, self.rise.per_hour(index).ok()?)));
        let greatest = rises.max_by(|(_, one), (_, other)| one.value.total_cmp(&other.value));
        let result = match (greatest, self.rise.per_hour(0)) {
            (Some((index, rise)), _) => {
                let value = plus_minus(rise.value / 60.0, rise.uncertainty / 60.0);
                let seconds = rise.basis.length().as_secs_f64();
                let mut text = format!("temperature {}: {value} degC a minute, over {seconds:.0} s", index + 1);
                if let Some(limit) = self.time_to_limit(index, facts) {
                    text += &format!("; {limit}");
                }
                Ok(Figure::of(&rise, 1.0 / 60.0, "degC/min", text).at(sensor(index)))
            }
            (None, Err(NoTrend::TooShort { have })) => {
                Err(format!("too short at rest: {:.0} s of readings", have.as_secs_f64()))
            }
            (None, _) => Err("no temperature was read at rest".to_owned()),
        };
        measured.push(Measured::new("greatest temperature rate at rest", result));
    }

    /// When a sensor (from 0) gets to its critical limit if it goes on rising as it does, in words; `None` where it does not
    /// rise by more than chance, or has no limit.
    fn time_to_limit(&self, index: usize, facts: &Facts) -> Option<String> {
        let limit = base(facts.temperature_high?);
        match self.rise.time_to(index, limit).ok()? {
            TimeTo::Reached => Some(format!("{} degC is reached", three_digits(limit))),
            TimeTo::In(time) if time.value <= FAR_OFF => {
                let minutes = plus_minus(time.value / 60.0, time.uncertainty / 60.0);
                Some(format!("it reaches {} degC in about {minutes} min at this rate", three_digits(limit)))
            }
            TimeTo::In(_) | TimeTo::NotRising => None,
        }
    }
}
