//! Sessions by seed: sound ones of every kind that a builder meets, and the same with a fault.

use std::time::Duration;

use model::{Input, SessionTime};
use simulator::{Act, Counting, Fault, FaultKind, PackVoltageFrom, Scene};

use crate::pairs::{PAIRS, Pair, at_seconds, script};
use crate::{Dice, through_adapter};

/// A session before it is simulated.
#[derive(Clone, Debug)]
pub struct Drawn {
    /// Its seed.
    pub seed: u64,
    /// Pack and protocol.
    pub pair: Pair,
    /// The power-up.
    pub scene: Scene,
    /// What is wrong, if anything.
    pub fault: Option<Fault>,
    /// How long it is.
    pub length: SessionTime,
}

/// A session with nothing wrong.
pub fn healthy(seed: u64) -> Drawn {
    draw(&mut Dice::new(seed), seed)
}

/// A session with one fault of any kind, place, start and severity. It may be too slight or too late to be seen: see
/// [`crate::truth`].
pub fn faulty(seed: u64) -> Drawn {
    // Another stream of chance than that of the sound session with this seed.
    let mut dice = Dice::new(seed ^ 0x5EED_FA17);
    let drawn = draw(&mut dice, seed);
    let kinds: Vec<FaultKind> = Fault::all().collect();
    let kind = dice.one_of(&kinds);
    let length = drawn.length.nanos as f64 / 1e9;
    let at = match kind {
        // A cell is as it is from the beginning, mostly.
        FaultKind::LowCell
        | FaultKind::HighCell
        | FaultKind::WeakCell
        | FaultKind::LinkResistance
        | FaultKind::PackSumOffset
            if dice.happens(0.7) =>
        {
            0.0
        }
        _ => dice.between(0.0, length - 1.0),
    };
    let places = match kind {
        FaultKind::SensorOpen | FaultKind::SensorShort | FaultKind::SensorStuck | FaultKind::HeatingAtRest => {
            drawn.scene.pack.sensors
        }
        FaultKind::OpenSenseLeadEnd => 2,
        FaultKind::LowCell | FaultKind::HighCell | FaultKind::WeakCell | FaultKind::LinkResistance => {
            drawn.scene.pack.series
        }
        _ => drawn.scene.pack.series - 1,
    };
    let place = 1 + (dice.bits() % u64::from(places)) as u16;
    // Mostly so bad that it is beyond a limit; the truth is worked out from what came of it.
    let slightest = match kind {
        FaultKind::LowCell | FaultKind::HighCell => 0.4,
        FaultKind::WeakCell | FaultKind::PackSumOffset => 0.2,
        _ => 0.05,
    };
    let fault = Fault { kind, at: at_seconds(at), place, severity: dice.between(slightest, 1.0) };
    Drawn { fault: Some(fault), ..drawn }
}

fn draw(dice: &mut Dice, seed: u64) -> Drawn {
    let pair = dice.one_of(&PAIRS);
    let length = dice.between(30.0, 70.0);
    let mut scene = pair.scene(seed);
    draw_pack(dice, &pair, &mut scene);
    draw_bms(dice, &pair, &mut scene);
    scene.steps = script(&draw_script(dice, &pair, &mut scene, length));
    Drawn { seed, pair, scene, fault: None, length: at_seconds(length) }
}

fn draw_pack(dice: &mut Dice, pair: &Pair, scene: &mut Scene) {
    let pack = &mut scene.pack;
    let steep = pair.curve == simulator::Curve::Nmc;
    // NMC: up to 1.1 % of charge times 10.6 mV a percent is 12 mV from the middle: from well balanced to worth a look.
    // On LFP's plateau and its steps 1.5 % are 7 mV at the most.
    pack.charge = if steep { dice.between(0.35, 0.90) } else { dice.between(0.33, 0.85) };
    pack.charge_spread = if steep { dice.between(0.0005, 0.011) } else { dice.between(0.001, 0.015) };
    pack.ohm_spread = dice.between(0.01, 0.12);
    pack.slow_seconds = dice.between(3.0, 30.0);
    pack.connector_ohm = dice.between(0.1e-3, 3e-3);
    pack.ambient_celsius = dice.between(8.0, 33.0);
    pack.own_amperes = dice.between(0.005, 0.05);
}

fn draw_bms(dice: &mut Dice, pair: &Pair, scene: &mut Scene) {
    let bms = &mut scene.bms;
    bms.scan = Duration::from_millis(dice.one_of(&[50, 50, 100, 250]));
    // The line carries 1 mV; many a BMS resolves less.
    bms.cell_step = dice.one_of(&[1_000_000, 1_000_000, 2_000_000, 5_000_000]);
    bms.cell_noise = dice.between(0.05e-3, 0.8e-3);
    // A channel that agrees better than the steps of the cells add up to can't be told from a computed sum.
    let gain_error = dice.between(0.6e-3, 3e-3) * dice.one_of(&[-1.0, 1.0]);
    bms.pack_voltage =
        if dice.happens(0.1) { PackVoltageFrom::CellSum } else { PackVoltageFrom::Channel { gain_error } };
    bms.pack_noise = dice.between(2e-3, 20e-3);
    bms.bus_gain_error = dice.between(-3e-3, 3e-3);
    bms.current_step = dice.one_of(&[10_000_000, 10_000_000, 100_000_000]);
    bms.current_noise = dice.between(0.005, 0.05);
    // An offset of half a percent of the one-hour current is worth a look, more is not sound.
    bms.current_offset = pair.ampere_hours * dice.between(-0.005, 0.005);
    bms.temperature_step = dice.one_of(&[100_000_000, 100_000_000, 500_000_000, 1_000_000_000]);
    bms.temperature_noise = dice.between(0.01, 0.08);
    bms.counting = if dice.happens(0.1) { Counting::AllKinds } else { Counting::EachKind };
    bms.lead_test_from = Duration::from_millis(dice.one_of(&[500, 1_500, 6_000]));
    bms.lead_test_after = Duration::from_millis(dice.one_of(&[300, 1_200, 4_000]));
    bms.clock_fast_ppm = dice.between(-80.0, 80.0) as i32;
    // Some devices' clocks of 32 bits in milliseconds start again during the session.
    let before = if dice.happens(0.1) { f64::from(u32::MAX) / 1e3 - 20.0 } else { dice.between(0.5, 3_000.0) };
    bms.ran_before = Duration::from_secs_f64(before);
}

/// The BMS alone, pre-charge, closed, idle, one to three load steps, and what comes after, as far as the time goes.
fn draw_script(dice: &mut Dice, pair: &Pair, scene: &mut Scene, length: f64) -> Vec<(f64, Act)> {
    scene.bus.farad = dice.between(2e-3, 12e-3);
    scene.bus.pre_charge_ohm = dice.between(40.0, 100.0);
    let constant = scene.bus.farad * scene.bus.pre_charge_ohm;
    let rest = dice.between(4.0, 9.0);
    let closed = rest + constant * dice.between(4.0, 6.0);
    let mut acts = vec![(rest, Act::PreCharge), (closed, Act::Close)];
    // Speed controllers that are on and do not turn.
    let idle = pair.ampere_hours * dice.between(0.005, 0.08);
    let mut at = closed + dice.between(0.3, 1.0);
    acts.push((at, Act::Load(idle)));
    at += dice.between(2.0, 6.0);
    for _ in 0..1 + dice.bits() % 3 {
        let amperes = pair.ampere_hours * dice.between(0.2, 2.0);
        acts.push((at, Act::Load(amperes)));
        at += dice.between(1.0, 8.0);
        acts.push((at, Act::Load(idle)));
        at += dice.between(1.0, 5.0);
    }
    acts.push((at, Act::Load(0.0)));
    if dice.happens(0.5) {
        acts.push((at + dice.between(1.0, 10.0), Act::Open));
    }
    acts.retain(|(at, _)| *at < length);
    acts
}

impl Drawn {
    /// The session as an adapter hands it over.
    pub fn inputs(&self) -> Vec<Input> {
        through_adapter(self.pair.protocol, &self.scene, self.fault.as_slice(), self.length, self.seed)
    }
}
