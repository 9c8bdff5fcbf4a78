//! The script of a power-up: plain data, so that tests and seeds can vary it.

use model::{Layout, Quantity, SessionTime};

use crate::bms::BmsSettings;
use crate::bus::BusSettings;
use crate::pack::PackSettings;

/// A pack, its BMS, its bus and what is done with them.
#[derive(Clone, PartialEq, Debug)]
pub struct Scene {
    /// Of everything left to chance: how cells differ, noise, damage on the line.
    pub seed: u64,
    /// The cells.
    pub pack: PackSettings,
    /// The load's side of the switch.
    pub bus: BusSettings,
    /// What the BMS measures and how well.
    pub bms: BmsSettings,
    /// What is done, in any order: it is sorted by time, and what has the same time keeps its order.
    pub steps: Vec<Step>,
}

/// Something done at a time.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Step {
    /// When. It acts from the first step of the model (10 ms) that begins then or later.
    pub at: SessionTime,
    /// What.
    pub act: Act,
}

/// What can be done.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Act {
    /// The bus is joined through the pre-charge resistor.
    PreCharge,
    /// The bus is joined directly.
    Close,
    /// The bus is cut off.
    Open,
    /// The load on the bus draws this many ampere from now on.
    Load(f64),
}

impl Scene {
    /// The practice power-up: the BMS alone at rest, pre-charge at 6 s, closed at 8 s, idling from 8.5 s, a load step of
    /// 40 A from 14 s to 20 s, nothing drawn from 24 s; from 30 s more load steps, of 20 A to 75 A, each for three seconds;
    /// nothing drawn from 54 s, the switch opened at 70 s.
    pub fn practice(seed: u64) -> Self {
        let steps = [
            (6_000, Act::PreCharge),
            (8_000, Act::Close),
            (8_500, Act::Load(2.0)),
            (14_000, Act::Load(40.0)),
            (20_000, Act::Load(2.0)),
            (24_000, Act::Load(0.0)),
            (30_000, Act::Load(20.0)),
            (33_000, Act::Load(55.0)),
            (36_000, Act::Load(2.0)),
            (39_000, Act::Load(75.0)),
            (42_000, Act::Load(30.0)),
            (45_000, Act::Load(2.0)),
            (48_000, Act::Load(75.0)),
            (51_000, Act::Load(2.0)),
            (54_000, Act::Load(0.0)),
            (70_000, Act::Open),
        ];
        Self {
            seed,
            pack: PackSettings::default(),
            bus: BusSettings::default(),
            bms: BmsSettings::default(),
            steps: steps.map(|(millis, act)| Step { at: SessionTime::from_millis(millis), act }).to_vec(),
        }
    }

    /// The same with as many cells and temperature sensors as the line can carry; what it does not carry stays as it is.
    #[must_use]
    pub fn fitted_to(mut self, layout: &Layout) -> Self {
        let highest = |quantity: Quantity| {
            let columns = layout.kinds.iter().flat_map(|kind| &kind.columns);
            columns.filter(|column| column.channel.quantity == quantity).map(|column| column.channel.place).max()
        };
        if let Some(cells) = highest(Quantity::CellVoltage).filter(|cells| 0 < *cells) {
            self.pack.series = cells;
        }
        if let Some(sensors) = highest(Quantity::Temperature).filter(|sensors| 0 < *sensors) {
            self.pack.sensors = sensors;
        }
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing;

    #[test]
    fn a_scene_takes_its_size_from_the_line() {
        let scene = Scene::practice(1).fitted_to(&testing::layout(12, 3));
        assert_eq!((scene.pack.series, scene.pack.sensors), (12, 3));
        let scene = Scene::practice(1).fitted_to(&testing::layout(0, 0));
        assert_eq!((scene.pack.series, scene.pack.sensors), (24, 6));
    }
}
