//! The three packs of the scenario, each with the protocol that its BMS speaks and the physics that its file states.

use model::SessionTime;
use simulator::{Act, Curve, Scene, Step};

use crate::Dice;

/// A pack, its protocol, and what its cells are.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Pair {
    /// A short name: that of the aircraft or station.
    pub name: &'static str,
    /// The protocol file.
    pub protocol: &'static str,
    /// The pack file.
    pub pack: &'static str,
    /// The cells' curve.
    pub curve: Curve,
    /// Capacity of a group in ampere-hours, as the pack file says.
    pub ampere_hours: f64,
    /// Resistance of a group in ohm, as the pack file says: the part that acts at once and the slow one together.
    pub ohm: f64,
    /// A usual share of charge.
    pub charge: f64,
    /// From the median by more than this at rest is critical, in volts (`domain.md`, default limits).
    pub critical_deviation: f64,
}

/// The big hexacopter.
pub const ACORN: Pair = Pair {
    name: "acorn",
    protocol: "protocols/acorn-binary.toml",
    pack: "packs/acorn-24s-nmc.toml",
    curve: Curve::Nmc,
    ampere_hours: 44.0,
    ohm: 1.5e-3,
    charge: 0.64,
    critical_deviation: 0.030,
};

/// The trainer.
pub const SAPLING: Pair = Pair {
    name: "sapling",
    protocol: "protocols/acorn-text.toml",
    pack: "packs/sapling-14s-nmc.toml",
    curve: Curve::Nmc,
    ampere_hours: 22.0,
    ohm: 3e-3,
    charge: 0.64,
    critical_deviation: 0.030,
};

/// The ground station.
pub const FIELD: Pair = Pair {
    name: "field",
    protocol: "protocols/acorn-split.toml",
    pack: "packs/field-16s-lfp.toml",
    curve: Curve::Lfp,
    ampere_hours: 50.0,
    ohm: 1.2e-3,
    charge: 0.55,
    critical_deviation: 0.025,
};

/// All of them.
pub const PAIRS: [Pair; 3] = [ACORN, SAPLING, FIELD];

impl Pair {
    /// The practice power-up with this pack: the same times, the currents in proportion to the capacity.
    pub fn scene(&self, seed: u64) -> Scene {
        let mut scene = Scene::practice(seed).fitted_to(crate::protocol(self.protocol).layout());
        let share = self.ampere_hours / scene.pack.ampere_hours;
        scene.pack.curve = self.curve;
        scene.pack.ampere_hours = self.ampere_hours;
        scene.pack.charge = self.charge;
        scene.pack.joule_per_kelvin *= share;
        // As in the practice pack, a little over a quarter of the resistance comes up slowly.
        scene.pack.slow_ohm *= self.ohm / (scene.pack.ohm + scene.pack.slow_ohm);
        scene.pack.ohm = self.ohm - scene.pack.slow_ohm;
        for step in &mut scene.steps {
            if let Act::Load(amperes) = &mut step.act {
                *amperes *= share;
            }
        }
        scene
    }

    /// The text of the pack file, with what it says of the wiring made true of this scene: the values are those that a
    /// builder reads off the parts, up to a tenth off by the scene's seed.
    pub fn pack_text(&self, scene: &Scene) -> String {
        let mut dice = Dice::new(scene.seed ^ PARTS);
        let mut part = |value: f64| value * dice.between(0.9, 1.1);
        let values = [
            ("pre_charge", format!("{:.1} ohm", part(scene.bus.pre_charge_ohm))),
            ("bus_capacitance", format!("{:.0} uF", part(scene.bus.farad * 1e6))),
            ("bleed", format!("{:.0} ohm", part(scene.bus.bleed_ohm))),
        ];
        // The leads of the scene as copper alone, of 16 mm2 with 1/58 ohm mm2/m.
        let mut copper = |ohm: f64| format!("{:.0} mm", part(ohm) * 16.0 * 58.0 * 1e3);
        let lengths = [copper(scene.pack.connector_ohm), copper(scene.pack.bus_lead_ohm)];
        let mut lengths = lengths.into_iter();
        let with_value = |line: &str| {
            if line.starts_with("contact") {
                return String::new();
            }
            if line.starts_with("length = ") {
                // The pack's leads stand before those of the bus.
                return format!("length = \"{}\"\n", lengths.next().expect("two leads"));
            }
            let of = |key: &str| line.strip_prefix(key).is_some_and(|rest| rest.starts_with(" = "));
            match values.iter().find(|(key, _)| of(key)) {
                Some((key, value)) => format!("{key} = \"{value}\"\n"),
                None => format!("{line}\n"),
            }
        };
        crate::text(self.pack).lines().map(with_value).collect()
    }
}

/// Drawn apart from all else of a scene.
const PARTS: u64 = 0x9A27_5000;

/// A script from seconds and acts.
pub fn script(acts: &[(f64, Act)]) -> Vec<Step> {
    let step = |(seconds, act): &(f64, Act)| Step { at: at_seconds(*seconds), act: *act };
    acts.iter().map(step).collect()
}

/// A session time from seconds.
pub fn at_seconds(seconds: f64) -> SessionTime {
    SessionTime::from_nanos((seconds * 1e9) as u64)
}
