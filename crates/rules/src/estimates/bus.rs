//! The rise of the bus voltage through a pre-charge resistor, and its fall after opening.

use model::SessionTime;

use super::{Basis, Estimate};

/// What is known beforehand; all optional.
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
    /// No reading of the bus yet.
    NoData,
    /// The bus is off.
    Off,
    /// The very first readings were near the pack voltage: live before closing, or the session began late.
    LiveFromStart,
    /// It rises.
    Rising,
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

/// Watches the bus voltage.
#[derive(Clone, Debug)]
pub struct Bus {}

impl Bus {
    /// With nothing seen.
    pub fn new(_settings: BusSettings) -> Self {
        Self {}
    }

    /// The pack voltage (or the sum of the cells), in billionths of a volt.
    pub fn pack(&mut self, _nanos: i64) {}

    /// A reading of the bus, in billionths of a volt.
    pub fn push(&mut self, _at: SessionTime, _nanos: i64) {}

    /// The switch was opened.
    pub fn opened(&mut self, _at: SessionTime) {}

    /// The newest rise. It is fitted here: ask a few times a second at most.
    pub fn rise(&self) -> Option<Rise> {
        None
    }

    /// The fall since the switch was opened.
    pub fn fall(&self) -> Fall {
        Fall::NoData
    }
}
