//! Pack and bus in time: the scene played in fixed steps.

use std::time::Duration;

use model::SessionTime;

use crate::bus::{Bus, Switch};
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
    /// The faults of the cells that are still to come.
    faults: Vec<Fault>,
    steps_done: u64,
}

impl PowerUp {
    /// The beginning of a scene. Faults that are none of the cells' are left to the BMS and the line.
    pub fn new(scene: &Scene, faults: &[Fault]) -> Self {
        let mut steps = scene.steps.clone();
        steps.sort_by_key(|step| step.at);
        steps.reverse();
        let faults = faults.iter().filter(|fault| matches!(fault.kind, FaultKind::LowCell | FaultKind::WeakCell));
        let mut power_up = Self {
            pack: Pack::new(scene.pack.clone(), scene.seed),
            bus: Bus::new(scene.bus),
            switch: Switch::Open,
            load_amperes: 0.0,
            steps,
            faults: faults.copied().collect(),
            steps_done: 0,
        };
        power_up.act();
        power_up
    }

    /// Moves on to the last whole step at or before `at`. Going back does nothing.
    pub fn advance_to(&mut self, at: SessionTime) {
        let until = at.nanos / SessionTime::from_duration(STEP).nanos;
        while self.steps_done < until {
            let amperes = self.bus.advance(
                STEP,
                self.switch,
                self.pack.source_volts(),
                self.pack.source_ohm(),
                self.load_amperes,
            );
            self.pack.advance(amperes);
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
        self.switch
    }

    /// The time of this state.
    pub fn at(&self) -> SessionTime {
        SessionTime::from_nanos(self.steps_done.saturating_mul(SessionTime::from_duration(STEP).nanos))
    }

    /// Does what is due.
    fn act(&mut self) {
        let now = self.at();
        while let Some(step) = self.steps.pop_if(|step| step.at <= now) {
            match step.act {
                Act::PreCharge => self.switch = Switch::PreCharge,
                Act::Close => self.switch = Switch::Closed,
                Act::Open => self.switch = Switch::Open,
                Act::Load(amperes) => self.load_amperes = amperes,
            }
        }
        let pack = &mut self.pack;
        self.faults.retain(|fault| {
            if now < fault.at {
                return true;
            }
            let place = fault.cell_place(pack.series());
            match fault.kind {
                FaultKind::LowCell => pack.take_charge(place, fault.low_cell_share()),
                FaultKind::WeakCell => pack.weaken(place, fault.weak_cell_factor()),
                _ => {}
            }
            false
        });
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
        let mut power_up = PowerUp::new(&Scene::practice(1), &[]);
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

        let (_, _, amperes) = at(49_990, &mut power_up);
        assert!((0.0..0.1).contains(&amperes), "{amperes}");
        let (_, full, _) = at(50_000, &mut power_up);
        // t = RC ln(V/Vend): 80 s x ln 2 to half.
        let (_, half, amperes) = at(50_000 + 55_452, &mut power_up);
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
