//! A grid of sessions by which a diagnosis is scored: cause, severity, resolution, frame rate, noise and seed, and what is
//! true of each. In virtual time, without a line.
//!
//! ```
//! use packwake_tests::grid::Axes;
//! use simulator::FaultKind;
//!
//! let axes = Axes { severities: vec![0.5], rates: vec![10], ..Axes::usual(1) };
//! for case in axes.cases(&[&[FaultKind::WeakCell]]) {
//!     let (header, inputs, truths) = (case.header(), case.inputs(), case.truths());
//!     assert_eq!(truths[0].cause, "weak cell");
//! #   assert!(!inputs.is_empty() && !header.protocol_text.is_empty());
//! #   break;
//! }
//! ```

use std::sync::Arc;
use std::time::Duration;

use model::{Channel, Input, Layout, Quantity, SessionHeader, SessionTime};
use parser::Protocol;
use simulator::{Act, Curve, Fault, FaultKind, PackVoltageFrom, Scene};

use crate::adapter::by_protocol_through_adapter;
use crate::pairs::{ACORN, PAIRS, Pair};
use crate::{Dice, header_of};

/// One session: a power-up of a sound pack, with the faults put in. The same case is always the same session.
#[derive(Clone, PartialEq, Debug)]
pub struct Case {
    /// Pack and protocol.
    pub pair: Pair,
    /// What is wrong; none for a sound session.
    pub faults: Vec<Fault>,
    /// The resolution of the cells in millivolts.
    pub millivolts: u16,
    /// Frames of each message in a second.
    pub rate: u16,
    /// Noise of the cells, in volts rms.
    pub noise: f64,
    /// Of all else: how the sound pack is, where the faults are, chance.
    pub seed: u64,
}

/// What is true of a session: one of these for each fault.
#[derive(Clone, PartialEq, Debug)]
pub struct Known {
    /// What the simulator did.
    pub kind: FaultKind,
    /// What a diagnosis must call it.
    pub cause: &'static str,
    /// Where; empty for the pack as a whole.
    pub places: Vec<Channel>,
    /// How bad, 0 to 1.
    pub severity: f64,
    /// Beyond a warning limit: a diagnosis must find it (see `simulator::Fault::warns_from`).
    pub beyond_warning: bool,
    /// The line carries what shows it, and often enough. Where it does not, nothing can be asked.
    pub carried: bool,
}

/// The axes of a grid.
#[derive(Clone, PartialEq, Debug)]
pub struct Axes {
    /// Packs.
    pub pairs: Vec<Pair>,
    /// Severities.
    pub severities: Vec<f64>,
    /// Resolutions of the cells in millivolts.
    pub millivolts: Vec<u16>,
    /// Frames of each message in a second, up to 20.
    pub rates: Vec<u16>,
    /// Noise of the cells in volts rms.
    pub noises: Vec<f64>,
    /// How many seeds for each point.
    pub seeds: u64,
}

impl Axes {
    /// The big pack at four severities, 1 and 5 mV, 1 to 20 frames a second, three noises.
    pub fn usual(seeds: u64) -> Self {
        Self {
            pairs: vec![ACORN],
            severities: vec![0.1, 0.25, 0.5, 1.0],
            millivolts: vec![1, 5],
            rates: vec![1, 5, 20],
            noises: vec![0.1e-3, 0.3e-3, 0.8e-3],
            seeds,
        }
    }

    /// Every point of the grid for each set of faults: one fault, two at once, or none. No two have the same seed.
    pub fn cases<'a>(&'a self, sets: &'a [&'a [FaultKind]]) -> impl Iterator<Item = Case> + 'a {
        let points = sets.iter().flat_map(move |set| {
            // A sound pack has no severity.
            let severities = self.severities.iter().take(if set.is_empty() { 1 } else { usize::MAX });
            severities.flat_map(move |severity| self.points().map(move |point| (*set, *severity, point)))
        });
        (0..).zip(points).map(|(seed, (set, severity, (pair, millivolts, rate, noise)))| {
            Case { pair, faults: Vec::new(), millivolts, rate, noise, seed }.with(set, severity)
        })
    }

    fn points(&self) -> impl Iterator<Item = (Pair, u16, u16, f64)> {
        let pairs = self.pairs.iter().copied();
        let steps = pairs.flat_map(|pair| self.millivolts.iter().map(move |millivolts| (pair, *millivolts)));
        let rates = steps.flat_map(|(pair, millivolts)| self.rates.iter().map(move |rate| (pair, millivolts, *rate)));
        let noises = rates
            .flat_map(|(pair, millivolts, rate)| self.noises.iter().map(move |noise| (pair, millivolts, rate, *noise)));
        noises.flat_map(|point| (0..self.seeds).map(move |_| point))
    }
}

/// Drawn apart from each other, so that a change of one changes nothing else.
const PLACES: u64 = 0x91AC_E500;
const SOUND: u64 = 0x5000_4D00;
const POINT: u64 = 0x9019_7000;

impl Case {
    /// A sound session anywhere in the grid.
    pub fn sound(seed: u64) -> Self {
        let mut dice = Dice::new(seed ^ POINT);
        Self {
            pair: dice.one_of(&PAIRS),
            faults: Vec::new(),
            millivolts: dice.one_of(&[1, 2, 5]),
            rate: dice.one_of(&[1, 2, 5, 10, 20]),
            noise: dice.between(0.05e-3, 0.8e-3),
            seed,
        }
    }

    /// The same with these faults, each at its usual time and at a place by the seed; two at once stay away from each
    /// other.
    #[must_use]
    pub fn with(mut self, kinds: &[FaultKind], severity: f64) -> Self {
        let protocol = self.protocol();
        let scene = self.pair.scene(self.seed).fitted_to(protocol.layout());
        let mut dice = Dice::new(self.seed ^ PLACES);
        let first = dice.bits();
        self.faults = (0_u64..)
            .zip(kinds)
            .map(|(index, kind)| {
                let places = u64::from(places_of(*kind, &scene));
                // The second one half the pack away.
                let place = 1 + (first % places + index * places / 2) % places;
                let mut fault = Fault { place: place as u16, severity, ..Fault::new(*kind) };
                // Damage that begins with the bus looks like interference, and rightly so.
                if matches!(kind, FaultKind::FlippedBits | FaultKind::LostBytes) {
                    fault.at = SessionTime::ZERO;
                }
                fault
            })
            .collect();
        self
    }

    /// The power-up: the practice plan with a pack, a bus and a BMS that differ by the seed and are sound.
    pub fn scene(&self) -> Scene {
        let mut scene = self.pair.scene(self.seed).fitted_to(self.protocol().layout());
        let mut dice = Dice::new(self.seed ^ SOUND);
        vary_pack(&mut dice, &self.pair, &mut scene);
        vary_bus(&mut dice, &mut scene);
        vary_bms(&mut dice, &self.pair, &mut scene);
        scene.bms.cell_step = i64::from(self.millivolts) * 1_000_000;
        scene.bms.cell_noise = self.noise;
        let stretch = self.stretch();
        for step in &mut scene.steps {
            step.at = SessionTime::from_nanos(step.at.nanos * stretch);
        }
        scene
    }

    /// How many times slower the plan is done, so that a slow line sees enough of it: five updates in each plateau of 3 s and
    /// ten in the 6 s at rest; for interference 300 frames in these.
    fn stretch(&self) -> u64 {
        let follows =
            |fault: &Fault| matches!(fault.kind, FaultKind::InterferenceWithBus | FaultKind::InterferenceWithCurrent);
        let messages = self.protocol().layout().kinds.len() as u64;
        let rate = u64::from(self.rate.max(1));
        let frames = if self.faults.iter().any(follows) { 300_u64.div_ceil(messages) } else { 0 };
        frames.max(12).div_ceil(6 * rate).max(1)
    }

    /// How long it must be watched: a minute at the usual pace; more where something comes after the opening, or comes
    /// slowly.
    pub fn length(&self) -> SessionTime {
        let seconds = self.faults.iter().map(|fault| match fault.kind {
            FaultKind::BusLiveEarly => 130,
            // What the electronics draw keeps the fall straight for the first minute.
            FaultKind::WeldedContact => 300,
            FaultKind::SelfDischarge | FaultKind::HeatingAtRest => 420,
            _ => 60,
        });
        SessionTime::from_millis(1_000 * seconds.max().unwrap_or(60) * self.stretch())
    }

    /// The head of the session: the pair's files, the protocol's with this frame rate, the pack's with this wiring.
    pub fn header(&self) -> SessionHeader {
        header_of(self.protocol_text(), self.pair.pack_text(&self.scene()))
    }

    /// The inputs as an adapter hands them over.
    pub fn inputs(&self) -> Vec<Input> {
        by_protocol_through_adapter(self.protocol(), &self.scene(), &self.faults, self.length(), self.seed)
    }

    /// What is true of it.
    pub fn truths(&self) -> Vec<Known> {
        let (scene, protocol) = (self.scene(), self.protocol());
        let known = |fault: &Fault| Known {
            kind: fault.kind,
            cause: fault.kind.cause(),
            places: fault.channels(scene.pack.series, scene.pack.sensors),
            severity: fault.severity,
            beyond_warning: fault.is_beyond_warning(&scene),
            carried: needs(fault.kind).is_none_or(|quantity| carries(protocol.layout(), quantity))
                && needed_rate(fault.kind, &scene) <= f64::from(self.rate)
                && can_show(fault, &scene),
        };
        self.faults.iter().map(known).collect()
    }

    fn protocol_text(&self) -> String {
        let every = format!("every = \"{} ms\"", 1_000 / self.rate.clamp(1, 1_000));
        let text = crate::text(self.pair.protocol);
        let lines = text.lines().map(|line| if line.starts_with("every = ") { every.as_str() } else { line });
        lines.flat_map(|line| [line, "\n"]).collect()
    }

    fn protocol(&self) -> Arc<Protocol> {
        let (protocol, faults) = Protocol::parse(&self.protocol_text());
        Arc::new(protocol.unwrap_or_else(|| panic!("{}: {faults:?}", self.pair.protocol)))
    }
}

/// How many places a fault can have.
fn places_of(kind: FaultKind, scene: &Scene) -> u16 {
    match kind {
        FaultKind::SensorOpen | FaultKind::SensorShort | FaultKind::SensorStuck | FaultKind::HeatingAtRest => {
            scene.pack.sensors
        }
        FaultKind::OpenSenseLeadEnd => 2,
        FaultKind::SwappedSenseLeads => scene.pack.series - 2,
        // A balanced cell at the end has one neighbour only, and so have the cells beside an end's lead.
        FaultKind::LowCell | FaultKind::HighCell | FaultKind::WeakCell | FaultKind::LinkResistance => scene.pack.series,
        _ => scene.pack.series - 1,
    }
}

/// Without which quantity on the line a fault can't be told, where there is one.
fn needs(kind: FaultKind) -> Option<Quantity> {
    match kind {
        FaultKind::BusLeadResistance
        | FaultKind::NoPreCharge
        | FaultKind::SlowPreCharge
        | FaultKind::StuckPreCharge
        | FaultKind::StalledPreCharge
        | FaultKind::PreChargeRetries
        | FaultKind::BusLiveEarly
        | FaultKind::WeldedContact => Some(Quantity::BusVoltage),
        FaultKind::OpenSenseLeadHeld => Some(Quantity::SenseLeadTest),
        _ => None,
    }
}

/// Whether the readings can show it at all.
fn can_show(fault: &Fault, scene: &Scene) -> bool {
    let bms = &scene.bms;
    match fault.kind {
        // Coarse readings of temperature stand still on a sound pack as well.
        FaultKind::SensorStuck => (bms.temperature_step as f64) * 1e-9 < 4.0 * bms.temperature_noise,
        // Where the BMS has not tested its leads, only a load that moves the other cells shows it.
        FaultKind::OpenSenseLeadHeld => bms.lead_test_after < Duration::from_secs(60),
        // At the pack voltage it is as if the switch had not been opened.
        FaultKind::WeldedContact => fault.severity < 0.9,
        // A fall by a tenth must be more than the steps of the current.
        FaultKind::Circulation => bms.current_step as f64 * 1e-9 < 0.02 * fault.severity / 0.06,
        _ => true,
    }
}

/// How many frames a second the bus rise needs: five in three time constants of a sound one, or, where it is slow, until
/// the switch closes.
fn needed_rate(kind: FaultKind, scene: &Scene) -> f64 {
    let constant = scene.bus.farad * scene.bus.pre_charge_ohm;
    let at = |act: Act| scene.steps.iter().find(|step| step.act == act).map_or(0.0, |step| step.at.nanos as f64 / 1e9);
    match kind {
        FaultKind::NoPreCharge | FaultKind::StalledPreCharge | FaultKind::PreChargeRetries => 5.0 / (3.0 * constant),
        // Whether it is stuck or has turned back shows only between the readings of a rise.
        FaultKind::StuckPreCharge => 4.0,
        // Five readings of a level that lasts three seconds, one of which it takes to settle.
        FaultKind::PackLeadResistance | FaultKind::BusLeadResistance | FaultKind::ReversedCurrent => 2.5,
        FaultKind::SlowPreCharge => 5.0 / (at(Act::Close) - at(Act::PreCharge)),
        _ => 0.0,
    }
}

fn carries(layout: &Layout, quantity: Quantity) -> bool {
    let flag = |meaning: &model::Meaning| match meaning {
        model::Meaning::Flags(flags) => {
            flags.iter().any(|flag| flag.channel.is_some_and(|channel| channel.quantity == quantity))
        }
        _ => false,
    };
    let mut columns = layout.kinds.iter().flat_map(|kind| &kind.columns);
    columns.any(|column| column.channel.quantity == quantity || flag(&column.meaning))
}

/// Cells that are well inside every warning limit: up to 5.5 mV from the middle at rest, resistances within 9 %.
fn vary_pack(dice: &mut Dice, pair: &Pair, scene: &mut Scene) {
    let pack = &mut scene.pack;
    let steep = pair.curve == Curve::Nmc;
    // NMC rises by 10.6 mV a percent at the most; LFP's steps below 40 % and at 75 % are as steep, its plateau is not.
    pack.charge = if steep { dice.between(0.40, 0.88) } else { dice.between(0.45, 0.65) };
    pack.charge_spread = dice.between(0.0005, 0.005);
    pack.ohm_spread = dice.between(0.01, 0.09);
    pack.slow_seconds = dice.between(3.0, 30.0);
    pack.connector_ohm = dice.between(0.1e-3, 1e-3);
    pack.bus_lead_ohm = dice.between(0.1e-3, 0.8e-3);
    pack.ambient_celsius = dice.between(12.0, 31.0);
    pack.own_amperes = dice.between(0.005, 0.05);
}

/// A pre-charge that is complete in the two seconds that the plan gives it, with a knee or without.
fn vary_bus(dice: &mut Dice, scene: &mut Scene) {
    let volts = f64::from(scene.pack.series) * scene.pack.curve.volts(scene.pack.charge);
    let bus = &mut scene.bus;
    bus.farad = dice.between(4e-3, 12e-3);
    bus.pre_charge_ohm = dice.between(0.25, 0.45) / bus.farad;
    // One percent of V^2 / R lowers the end of the rise by one percent.
    bus.electronics.watts = dice.between(0.0, 0.01) * volts * volts / bus.pre_charge_ohm;
}

fn vary_bms(dice: &mut Dice, pair: &Pair, scene: &mut Scene) {
    let bms = &mut scene.bms;
    // A channel that agrees better than the steps of the cells add up to can't be told from a computed sum.
    let gain_error = dice.between(0.6e-3, 3e-3) * dice.one_of(&[-1.0, 1.0]);
    bms.pack_voltage = PackVoltageFrom::Channel { gain_error };
    bms.pack_noise = dice.between(2e-3, 15e-3);
    bms.bus_gain_error = dice.between(-3e-3, 3e-3);
    bms.current_step = dice.one_of(&[10_000_000, 100_000_000]);
    bms.current_noise = dice.between(0.005, 0.05);
    bms.current_offset = pair.ampere_hours * dice.between(-0.003, 0.003);
    bms.temperature_step = dice.one_of(&[100_000_000, 500_000_000, 1_000_000_000]);
    bms.temperature_noise = dice.between(0.01, 0.08);
    bms.clock_fast_ppm = dice.between(-80.0, 80.0) as i32;
    // In half of the sessions the BMS does not test its leads in time: the values alone must tell.
    if dice.happens(0.5) {
        bms.lead_test_after = Duration::from_secs(3_600);
    }
}
