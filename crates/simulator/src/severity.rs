//! What the severity of a fault means in numbers, and from which on it matters.

use crate::bms::PackVoltageFrom;
use crate::fault::{Fault, FaultKind};
use crate::scene::{Act, Scene};

/// Resistance of a sense lead, in ohm (`domain.md`'s example: 100 mA through 0.2 ohm).
pub(crate) const SENSE_LEAD_OHM: f64 = 0.2;

/// The amounts at a severity.
impl Fault {
    /// The share of its capacity by which a cell is low or high.
    pub(crate) fn charge_share(&self) -> f64 {
        0.06 * self.share()
    }

    pub(crate) fn weak_cell_factor(&self) -> f64 {
        1.6 + 1.4 * self.share()
    }

    /// The link's resistance as a share of a cell's whole one.
    pub(crate) fn link_share(&self) -> f64 {
        2.0 * self.share()
    }

    /// The share of its capacity that a cell loses in an hour.
    pub(crate) fn leak_share_per_hour(&self) -> f64 {
        0.3 * self.share()
    }

    pub(crate) fn balancing_amperes(&self) -> f64 {
        0.2 * self.share()
    }

    /// Over how many scans the cells are read.
    pub(crate) fn scans_in_turn(&self) -> f64 {
        5.0 * self.share()
    }

    pub(crate) fn celsius_per_minute(&self) -> f64 {
        3.0 * self.share()
    }

    /// The share by which the reported pack voltage is too high.
    pub(crate) fn pack_sum_share(&self) -> f64 {
        0.03 * self.share()
    }

    /// More resistance in the main path.
    pub(crate) fn lead_ohm(&self) -> f64 {
        0.02 * self.share()
    }

    /// What the current reads too high, as a share of the one-hour current.
    pub(crate) fn current_offset_share(&self) -> f64 {
        0.1 * self.share()
    }

    /// By how much a pack in parallel is lower.
    pub(crate) fn neighbour_volts_below(&self) -> f64 {
        self.share()
    }

    pub(crate) fn scale_factor(&self) -> f64 {
        if self.share() < 0.5 { 2.0 } else { 0.1 }
    }

    /// By how many cells the count is wrong.
    pub(crate) fn wrong_cells(&self) -> u16 {
        if self.share() < 0.5 { 1 } else { 2 }
    }

    /// What becomes of the pre-charge resistor.
    pub(crate) fn pre_charge_factor(&self) -> f64 {
        if self.kind == FaultKind::NoPreCharge { 0.1 * (1.0 - self.share()) } else { 2.0 + 8.0 * self.share() }
    }

    /// The share of the pack voltage at which the pre-charge ends.
    pub(crate) fn stuck_bus_share(&self) -> f64 {
        0.9 - 0.6 * self.share()
    }

    /// What the electronics draw, as a multiple of what the resistor can carry.
    pub(crate) fn stalling_factor(&self) -> f64 {
        1.05 + 0.95 * self.share()
    }

    /// The share of the pack voltage on the bus before the switch closes.
    pub(crate) fn live_bus_share(&self) -> f64 {
        0.1 + 0.89 * self.share()
    }

    /// The share of the pack voltage that stays on the bus after the switch opened.
    pub(crate) fn welded_bus_share(&self) -> f64 {
        0.5 + 0.5 * self.share()
    }

    /// The share of bytes that the line damages.
    pub(crate) fn damage_share(&self) -> f64 {
        0.01 * self.share()
    }

    /// Whether it is beyond a warning limit in this scene: see [`Fault::warns_from`].
    pub fn is_beyond_warning(&self, scene: &Scene) -> bool {
        self.warns_from(scene) < self.share() || self.warns_from(scene) <= 0.0
    }

    /// The severity above which the fault is beyond a warning limit in this scene, whatever its own severity: 0 where
    /// every severity is, infinite where none is.
    ///
    /// The limits are those of the trade (common practice, no source): a cell at rest 10 mV from the median, but never less
    /// than three steps of the readings and 5 mV; 1.3 times the median resistance, seen on a step of 20 readings' steps or
    /// more; 50 mV for an open sense lead that floats; 0.5 % for the pack sum, and for leads at the largest load; 0.5 % of
    /// the one-hour current at rest; 0.3 degC/min at rest; 60 mV/h of drift, the least that a minute at 1 mV shows, and
    /// two steps of the readings in 400 s; a
    /// bus at 95 % before the switch closes; one damaged frame of 60 bytes in a hundred, and for interference six, so
    /// that a test of significance has something to go by. It knows nothing of how long the session lasts.
    pub fn warns_from(&self, scene: &Scene) -> f64 {
        let pack = &scene.pack;
        let rest_volts = (3.0 * scene.bms.cell_step as f64 * 1e-9 + 5e-3).max(10e-3);
        let lead_volts_at = |ohm: f64| ohm * largest_load(scene);
        match self.kind {
            FaultKind::LowCell | FaultKind::HighCell => charge_severity(scene, self.kind, rest_volts),
            FaultKind::WeakCell => if_step_tells(scene, 0.0),
            FaultKind::LinkResistance => if_step_tells(scene, 0.15),
            FaultKind::SelfDischarge => {
                // From 5 % of charge: the slope of a curve in volts for all of it.
                let slope = 20.0 * (pack.curve.volts(pack.charge + 0.025) - pack.curve.volts(pack.charge - 0.025));
                // Two steps of the readings in 400 s.
                let told = (2.2 * scene.bms.cell_step as f64 * 1e-9 * 9.0).max(0.060);
                told / (0.3 * slope).max(1e-9)
            }
            // A reading of 3 V and more drawn down by that share; wandering by up to 85 mV; a kick of 0.4 V at the most.
            FaultKind::OpenSenseLead => 0.050 / 3.0,
            FaultKind::OpenSenseLeadMidpoint => 0.050 / 0.085,
            FaultKind::OpenSenseLeadIntermittent => 0.050 / 0.4,
            FaultKind::BalancingActive => rest_volts / (2.0 * 0.2 * SENSE_LEAD_OHM),
            FaultKind::CellsReadInTurn => f64::INFINITY,
            FaultKind::HeatingAtRest => 0.3 / 3.0,
            FaultKind::PackSumOffset => match scene.bms.pack_voltage {
                PackVoltageFrom::Channel { gain_error } => ((0.005 - gain_error) / 0.03).max(0.0),
                PackVoltageFrom::CellSum => 0.005 / 0.03,
            },
            FaultKind::PackLeadResistance | FaultKind::BusLeadResistance => {
                0.005 * f64::from(pack.series) * pack.curve.volts(pack.charge) / lead_volts_at(0.02).max(1e-9)
            }
            FaultKind::CurrentOffset => 0.005 / 0.1,
            // 1 V drives 1 V / 60 mohm.
            FaultKind::Circulation => 0.005 * pack.ampere_hours * 0.06,
            FaultKind::SlowPreCharge => slow_severity(scene),
            FaultKind::WeldedContact if !opens(scene) => f64::INFINITY,
            FaultKind::FlippedBits | FaultKind::LostBytes => 0.01 / 60.0 / 0.01,
            FaultKind::InterferenceWithBus | FaultKind::InterferenceWithCurrent => 0.06 / 60.0 / 0.01,
            FaultKind::OpenSenseLeadHeld
            | FaultKind::OpenSenseLeadEnd
            | FaultKind::SwappedSenseLeads
            | FaultKind::SensorOpen
            | FaultKind::SensorShort
            | FaultKind::SensorStuck
            | FaultKind::ReversedCurrent
            | FaultKind::WrongCellScale
            | FaultKind::TooManyCellsRead
            | FaultKind::TooFewCellsRead
            | FaultKind::NoPreCharge
            | FaultKind::StuckPreCharge
            | FaultKind::StalledPreCharge
            | FaultKind::PreChargeRetries
            | FaultKind::BusLiveEarly
            | FaultKind::WeldedContact
            | FaultKind::SilentLine
            | FaultKind::FrozenFrame
            | FaultKind::Unplug => 0.0,
        }
    }
}

/// From which severity on a charge difference makes so many volts; infinite on a curve that is too flat.
fn charge_severity(scene: &Scene, kind: FaultKind, volts: f64) -> f64 {
    let pack = &scene.pack;
    let apart = |severity: f64| {
        let share = Fault { severity, ..Fault::new(kind) }.charge_share();
        let charge = if kind == FaultKind::LowCell { pack.charge - share } else { pack.charge + share };
        (pack.curve.volts(charge) - pack.curve.volts(pack.charge)).abs()
    };
    let steps = (0_u8..=100).map(|percent| f64::from(percent) / 100.0);
    steps.into_iter().find(|severity| volts < apart(*severity)).unwrap_or(f64::INFINITY)
}

/// The severity, where the scene has a step of current on which a resistance can be judged.
fn if_step_tells(scene: &Scene, severity: f64) -> f64 {
    let ohm = scene.pack.ohm + scene.pack.slow_ohm;
    let needed = 20.0 * scene.bms.cell_step as f64 * 1e-9 / ohm.max(1e-9);
    if needed <= largest_step(scene) { severity } else { f64::INFINITY }
}

/// From which severity on the bus is below 95 % of the pack voltage when the switch closes.
fn slow_severity(scene: &Scene) -> f64 {
    let at = |wanted: Act| scene.steps.iter().find(|step| step.act == wanted).map(|step| step.at);
    let (Some(begun), Some(closed)) = (at(Act::PreCharge), at(Act::Close)) else { return f64::INFINITY };
    let constant = scene.bus.farad * scene.bus.pre_charge_ohm;
    // 1 - exp(-t / tau) is 0.95 at three time constants (ln 20).
    let factor = closed.since(begun).as_secs_f64() / (20.0_f64.ln() * constant).max(1e-9);
    ((factor - 2.0) / 8.0).max(0.0)
}

fn loads(scene: &Scene) -> impl Iterator<Item = f64> {
    scene.steps.iter().filter_map(|step| if let Act::Load(amperes) = step.act { Some(amperes) } else { None })
}

fn largest_load(scene: &Scene) -> f64 {
    loads(scene).fold(0.0, f64::max)
}

/// The largest step between one load and the next.
fn largest_step(scene: &Scene) -> f64 {
    loads(scene).zip(loads(scene).skip(1)).map(|(from, to)| (to - from).abs()).fold(0.0, f64::max)
}

fn opens(scene: &Scene) -> bool {
    scene.steps.iter().any(|step| step.act == Act::Open)
}
