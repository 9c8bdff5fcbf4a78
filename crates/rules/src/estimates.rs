//! What the numbers mean: estimates with their uncertainty, from values that come one after another.
//!
//! Each module takes plain numbers with session times and gives an [`Estimate`], or says in words why there is none.
//! Inputs are billionths of the base unit, as everywhere in this crate; results are in base units (volt, ampere, ohm,
//! degree Celsius, second) unless a name says otherwise. Discharge current is positive.
//!
//! Invariants: no I/O, no clock; memory does not grow with the session; nothing is allocated per row once a module has
//! seen its first set; how calls are batched has no influence; no result is NaN or infinite. It does not say what is
//! wrong with a pack: that is for those who weigh the estimates.

pub mod bus;
pub mod copper;
pub mod distributions;
pub mod leads;
pub mod least_squares;
pub mod line_quality;
pub mod noise;
pub mod open_circuit;
pub mod pairs;
pub mod residuals;
pub mod resistance;
pub mod steps;
#[cfg(test)]
mod testing;
pub mod trend;

use std::time::Duration;

use model::SessionTime;

/// A value, how well it is known, and the data it rests on.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Estimate {
    /// The value, in a base unit unless its place says otherwise.
    pub value: f64,
    /// Its standard uncertainty (one standard deviation), in the unit of the value; never below what the step of the
    /// readings allows.
    pub uncertainty: f64,
    /// The data.
    pub basis: Basis,
}

impl Estimate {
    /// How many of its standard uncertainties the value is away from `other`; `None` if the uncertainty is zero.
    pub fn sigmas_from(&self, other: f64) -> Option<f64> {
        let sigmas = (self.value - other) / self.uncertainty;
        sigmas.is_finite().then_some(sigmas)
    }
}

/// The data that an estimate rests on.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Basis {
    /// The first reading.
    pub from: SessionTime,
    /// The last reading.
    pub to: SessionTime,
    /// How many readings, steps or levels; the place that gives the estimate says which.
    pub count: u64,
}

impl Basis {
    /// From the first reading to the last.
    pub fn length(&self) -> Duration {
        self.to.since(self.from)
    }
}

/// A billionth: what one unit of an input is in base units.
const NANO: f64 = 1e-9;

/// The standard deviation of a value rounded to steps of `step`: a uniform distribution has step / sqrt(12).
pub fn rounding_deviation(step: f64) -> f64 {
    step.abs() / 12.0_f64.sqrt()
}

/// Seconds from one time to another; negative if `to` is earlier.
fn seconds_between(from: SessionTime, to: SessionTime) -> f64 {
    to.since(from).as_secs_f64() - from.since(to).as_secs_f64()
}
