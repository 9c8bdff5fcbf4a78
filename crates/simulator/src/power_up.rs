//! Pack and bus in time: the scene played in fixed steps.

use std::time::Duration;

use model::SessionTime;

use crate::bus::{Bus, Electronics, Switch};
use crate::fault::{Fault, FaultKind};
use crate::pack::Pack;
use crate::scene::{Act, Scene, Step};

/// The fixed step of the physical model.
pub const STEP: Duration = Duration::from_millis(10);

/// A power-up that is under way.
#[derive(Clone, Debug)]
pub struct PowerUp {
    pack: Pack,
    bus: Bus,
    switch: Switch,
    load_amperes: f64,
    /// What is still to come, the next one last.
    steps: Vec<Step>,
    /// The physical faults that are still to come.
    faults: Vec<Fault>,
    gear: SwitchGear,
    neighbour: Option<Neighbour>,
    steps_done: u64,
}

/// What a fault makes of the switch and its pre-charge.
#[derive(Clone, Copy, Debug, Default)]
struct SwitchGear {
    /// It closes only when the bus is nearly at the pack's voltage. Motors do not turn before.
    waits: bool,
    /// It has been told to close and has not.
    waiting: bool,
    /// It gives up the pre-charge after a short time and tries again, counted from here.
    retries_from: Option<SessionTime>,
    /// What is left across its contact when it opens, in ohm.
    welded_ohm: Option<f64>,
}

/// A pack in parallel, joined before the switch: it has a charge of its own and no BMS on this line.
#[derive(Clone, Copy, Debug)]
struct Neighbour {
    volts: f64,
    ohm: f64,
}

/// A switch that waits closes from this share of the pack voltage.
const NEARLY: f64 = 0.95;
/// A pre-charge that is given up lasts so many of its time constants, and as long again twice passes to the next.
const TRIED_FOR: f64 = 1.2;
const TRIES_EVERY: f64 = 3.6;

impl PowerUp {
    /// The beginning of a scene. Faults of the BMS and the line are left to these.
    pub fn new(scene: &Scene, faults: &[Fault]) -> Self {
        let mut steps = scene.steps.clone();
        steps.sort_by_key(|step| step.at);
        steps.reverse();
        let mut power_up = Self {
            pack: Pack::new(scene.pack.clone(), scene.seed),
            bus: Bus::new(scene.bus),
            switch: Switch::Open,
            load_amperes: 0.0,
            steps,
            faults: faults.iter().filter(|fault| fault.kind.is_physical()).copied().collect(),
            gear: SwitchGear::default(),
            neighbour: None,
            steps_done: 0,
        };
        power_up.act();
        power_up
    }

    /// Moves on to the last whole step at or before `at`. Going back does nothing.
    pub fn advance_to(&mut self, at: SessionTime) {
        let until = at.nanos / SessionTime::from_duration(STEP).nanos;
        while self.steps_done < until {
            self.step();
            self.steps_done += 1;
            self.act();
        }
    }

    /// The cells.
    pub fn pack(&self) -> &Pack {
        &self.pack
    }

    /// The load's side of the switch.
    pub fn bus(&self) -> &Bus {
        &self.bus
    }

    /// How they are joined.
    pub fn switch(&self) -> Switch {
        match self.gear.retries_from {
            Some(from) if self.switch == Switch::PreCharge && self.between_tries(from) => Switch::Open,
            _ => self.switch,
        }
    }

    /// The time of this state.
    pub fn at(&self) -> SessionTime {
        SessionTime::from_nanos(self.steps_done.saturating_mul(SessionTime::from_duration(STEP).nanos))
    }

    fn step(&mut self) {
        let (own_volts, own_ohm) = (self.pack.source_volts(), self.pack.source_ohm());
        let (volts, ohm) = self.neighbour.map_or((own_volts, own_ohm), |other| other.beside(own_volts, own_ohm));
        let load = if self.gear.waiting { 0.0 } else { self.load_amperes };
        let drawn = self.bus.advance(STEP, self.switch(), volts, ohm + self.pack.bus_lead_ohm(), load);
        // Of what the bus draws, a pack in parallel gives its part; the rest, and what flows between them, is this one's.
        let own = match self.neighbour {
            Some(_) => (own_volts - (volts - drawn * ohm)) / own_ohm.max(1e-6),
            None => drawn,
        };
        self.pack.advance(own);
    }

    fn between_tries(&self, from: SessionTime) -> bool {
        let settings = self.bus.settings();
        let constant = (settings.farad * settings.pre_charge_ohm).max(0.01);
        let tries = self.at().since(from).as_secs_f64() / (TRIES_EVERY * constant);
        TRIED_FOR / TRIES_EVERY <= tries.fract()
    }

    /// Does what is due.
    fn act(&mut self) {
        let now = self.at();
        while let Some(step) = self.steps.pop_if(|step| step.at <= now) {
            match step.act {
                Act::PreCharge => self.switch = Switch::PreCharge,
                Act::Close => self.close(),
                Act::Open => self.open(),
                Act::Load(amperes) => self.load_amperes = amperes,
            }
        }
        while let Some(due) = self.faults.iter().position(|fault| fault.active(now)) {
            let fault = self.faults.remove(due);
            self.begin(&fault);
        }
        if self.gear.waiting {
            self.close();
        }
        if self.gear.retries_from.is_some_and(|from| self.switch != Switch::PreCharge && from < now) {
            self.gear.retries_from = Some(now);
        }
    }

    fn close(&mut self) {
        self.gear.waiting = self.gear.waits && self.bus.volts() < NEARLY * self.pack.volts();
        if !self.gear.waiting {
            self.switch = Switch::Closed;
        }
    }

    fn open(&mut self) {
        self.gear.waiting = false;
        if let Some(ohm) = self.gear.welded_ohm.filter(|_| self.switch == Switch::Closed) {
            self.bus.settings_mut().bypass_ohm = ohm;
        }
        self.switch = Switch::Open;
    }

    /// A physical fault begins.
    fn begin(&mut self, fault: &Fault) {
        let (cell, sensor) = (fault.cell_place(self.pack.series()), fault.sensor_place(self.pack.sensors()));
        match fault.kind {
            FaultKind::LowCell => self.pack.take_charge(cell, fault.charge_share()),
            FaultKind::HighCell => self.pack.take_charge(cell, -fault.charge_share()),
            FaultKind::WeakCell => self.pack.weaken(cell, fault.weak_cell_factor()),
            FaultKind::LinkResistance => self.pack.add_link(cell, fault.link_share()),
            FaultKind::PackLeadResistance => self.pack.add_connector_ohm(fault.lead_ohm()),
            FaultKind::BusLeadResistance => self.pack.add_bus_lead_ohm(fault.lead_ohm()),
            FaultKind::SelfDischarge => self.pack.leak(cell, fault.leak_share_per_hour()),
            FaultKind::HeatingAtRest => self.pack.heat(sensor, fault.celsius_per_minute()),
            FaultKind::TooManyCellsRead => self.pack.leave_out_last(fault.wrong_cells()),
            FaultKind::TooFewCellsRead => self.pack.add_unread(fault.wrong_cells()),
            FaultKind::Circulation => self.join_neighbour(fault),
            FaultKind::WeldedContact => self.gear.welded_ohm = Some(self.bypass_ohm(fault.welded_bus_share())),
            FaultKind::BusLiveEarly => self.begin_bus_live(fault),
            _ => self.begin_pre_charge(fault),
        }
    }

    fn begin_pre_charge(&mut self, fault: &Fault) {
        let volts = self.pack.volts();
        let bus = self.bus.settings_mut();
        match fault.kind {
            FaultKind::NoPreCharge | FaultKind::SlowPreCharge => bus.pre_charge_ohm *= fault.pre_charge_factor(),
            FaultKind::StuckPreCharge => {
                // With the resistor it divides the voltage: what lies across the bus is R share / (1 - share).
                let share = fault.stuck_bus_share();
                let across = bus.pre_charge_ohm * share / (1.0 - share);
                bus.bleed_ohm = 1.0 / (1.0 / bus.bleed_ohm.max(1e-6) + 1.0 / across.max(1e-6));
                self.gear.waits = true;
            }
            FaultKind::StalledPreCharge | FaultKind::PreChargeRetries => {
                // V^2 / 4R is the most that the resistor carries, at half the voltage.
                let most = volts * volts / (4.0 * bus.pre_charge_ohm.max(1e-6));
                bus.electronics = Electronics {
                    watts: most * fault.stalling_factor(),
                    on_volts: 0.55 * volts,
                    full_volts: 0.5 * volts,
                    off_volts: 0.05 * volts,
                };
                self.gear.waits = true;
                if fault.kind == FaultKind::PreChargeRetries {
                    self.gear.retries_from = Some(self.at());
                }
            }
            _ => {}
        }
    }

    fn begin_bus_live(&mut self, fault: &Fault) {
        let share = fault.live_bus_share();
        self.bus.settings_mut().bypass_ohm = self.bypass_ohm(share);
        if self.steps_done == 0 {
            self.bus.charge_to(share * self.pack.volts());
        }
    }

    /// What must lie beside the open switch so that the bleed leaves this share of the pack voltage on the bus.
    fn bypass_ohm(&self, share: f64) -> f64 {
        self.bus.settings().bleed_ohm.min(1e9) * (1.0 / share.max(1e-6) - 1.0)
    }

    fn join_neighbour(&mut self, fault: &Fault) {
        let ohm = (LOOP_OHM - self.pack.source_ohm()).max(LOOP_OHM / 4.0);
        self.neighbour = Some(Neighbour { volts: self.pack.source_volts() - fault.neighbour_volts_below(), ohm });
    }
}

/// The resistance all around two packs in parallel (common practice, no source: 1 V drives 17 A).
const LOOP_OHM: f64 = 0.06;

impl Neighbour {
    /// Both packs as one source: its voltage and its resistance.
    fn beside(self, volts: f64, ohm: f64) -> (f64, f64) {
        let both = self.ohm + ohm;
        ((self.volts * ohm + volts * self.ohm) / both.max(1e-9), self.ohm * ohm / both.max(1e-9))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(millis: u64, power_up: &mut PowerUp) -> (f64, f64, f64) {
        power_up.advance_to(SessionTime::from_millis(millis));
        (power_up.pack().volts(), power_up.bus().volts(), power_up.pack().amperes())
    }

    #[test]
    fn the_practice_scene_goes_through_its_stages() {
        // Without the knee, for the closed forms.
        let mut scene = Scene::practice(1);
        scene.bus.electronics = Electronics::NONE;
        let mut power_up = PowerUp::new(&scene, &[]);
        let (pack, bus, amperes) = at(5_990, &mut power_up);
        assert!((91.0..94.0).contains(&pack) && bus.abs() < 1e-9 && amperes.abs() < 1e-9);

        // Closed form 1 - exp(-t/tau): one and three time constants of 0.5 s; the bleed and the cells make 0.7 %.
        let (pack, bus, amperes) = at(6_500, &mut power_up);
        assert!((bus / pack - 0.632_121).abs() < 0.005, "{}", bus / pack);
        assert!((0.4..0.6).contains(&amperes), "{amperes}");
        let (pack, bus, _) = at(7_500, &mut power_up);
        assert!((bus / pack - 0.950_213).abs() < 0.008, "{}", bus / pack);

        let (pack, bus, _) = at(8_400, &mut power_up);
        assert!((pack - bus).abs() < 1e-3);
        let (_, _, amperes) = at(13_990, &mut power_up);
        assert!((amperes - 2.0).abs() < 0.02, "{amperes}");

        // The step: 38 A through 24 x 1.1 mohm and the connectors' 0.4 mohm.
        let before = power_up.pack().volts();
        let (after, _, amperes) = at(14_050, &mut power_up);
        assert!((amperes - 40.0).abs() < 0.05, "{amperes}");
        assert!((before - after - 38.0 * 0.0268).abs() < 0.03, "{}", before - after);

        let (_, _, amperes) = at(69_990, &mut power_up);
        assert!((0.0..0.1).contains(&amperes), "{amperes}");
        let (_, full, _) = at(70_000, &mut power_up);
        // t = RC ln(V/Vend): 80 s x ln 2 to half.
        let (_, half, amperes) = at(70_000 + 55_452, &mut power_up);
        assert!((half / full - 0.5).abs() < 1e-3, "{}", half / full);
        assert!(amperes.abs() < 1e-9);
        assert_eq!(power_up.switch(), Switch::Open);
    }

    #[test]
    fn a_low_cell_stands_off_at_rest_and_under_load_alike() {
        let mut good = PowerUp::new(&Scene::practice(1), &[]);
        let fault = Fault { at: SessionTime::from_millis(1_000), place: 7, ..Fault::new(FaultKind::LowCell) };
        let mut bad = PowerUp::new(&Scene::practice(1), &[fault]);
        let gap = |millis, good: &mut PowerUp, bad: &mut PowerUp| {
            at(millis, good);
            at(millis, bad);
            [7, 8].map(|place| good.pack().cell_volts(place) - bad.pack().cell_volts(place))
        };
        assert_eq!(gap(990, &mut good, &mut bad).map(f64::to_bits), [0, 0]);
        let [rest, neighbour] = gap(5_000, &mut good, &mut bad);
        assert!((0.040..0.060).contains(&rest) && neighbour.abs() < 1e-4, "{rest} {neighbour}");
        let [load, _] = gap(19_000, &mut good, &mut bad);
        assert!((load - rest).abs() < 0.002, "{load} {rest}");
    }

    #[test]
    fn a_weak_cell_shows_only_under_load_and_has_a_tail() {
        for (severity, factor) in [(0.0, 1.6), (1.0, 3.0)] {
            let fault = Fault { place: 7, severity, ..Fault::new(FaultKind::WeakCell) };
            let mut scene = Scene::practice(1);
            scene.pack.charge_spread = 0.0;
            scene.pack.ohm_spread = 0.0;
            let mut power_up = PowerUp::new(&scene, &[fault]);
            let mut gap = |millis| {
                at(millis, &mut power_up);
                power_up.pack().cell_volts(8) - power_up.pack().cell_volts(7)
            };
            // Only what the BMS itself draws.
            assert!(gap(5_000) < 1e-4);
            let (early, late, tail) = (gap(14_100), gap(19_900), gap(21_000));
            assert!((early - 40.0 * 1.1e-3 * (factor - 1.0)).abs() < 0.002, "{early}");
            assert!(late > early + 0.003, "{late} {early}");
            assert!(tail > 0.003, "{tail}");
        }
    }
}
