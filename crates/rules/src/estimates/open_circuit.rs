//! Charge from the voltage at rest, through published open-circuit curves.

use std::time::Duration;

/// A published curve of voltage at rest against charge.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Curve {
    /// NMC811 / graphite-silicon (Chen2020).
    Nmc,
    /// LFP / graphite (Prada2013).
    Lfp,
    /// LCO / graphite (Ai2020).
    Lco,
    /// NCA / graphite (Kim2011).
    Nca,
}

/// What voltages say about charge, as a share of the capacity (0 to 1).
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Told {
    /// The charge or the difference of charge.
    Share {
        /// The value.
        value: f64,
        /// Its standard uncertainty.
        uncertainty: f64,
    },
    /// The curve is flat here: the voltage does not tell. All of these fit.
    Flat {
        /// The least that fits.
        least: f64,
        /// The most that fits.
        most: f64,
    },
    /// A voltage is not on the curve.
    Outside,
}

impl Curve {
    /// Where it was published.
    pub fn source(self) -> &'static str {
        ""
    }

    /// The charge at a voltage at rest in volts, which is known with this standard uncertainty.
    pub fn charge(self, _volts: f64, _uncertainty: f64) -> Told {
        Told::Outside
    }

    /// How much more charge the first cell has than the second. The uncertainty is that of each voltage.
    pub fn difference(self, _first: f64, _second: f64, _uncertainty: f64) -> Told {
        Told::Outside
    }
}

/// How long balancing takes: a share of the capacity (in ampere-hours) at a balancing current in amperes. `None` where a
/// number is not positive or the time is longer than a year.
pub fn balancing_time(_share: f64, _capacity: f64, _current: f64) -> Option<Duration> {
    None
}
