//! The load's side of the switch: a capacitor, its pre-charge and what discharges it.

use std::time::Duration;

/// What the bus is made of.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct BusSettings {
    /// All capacitors of the speed controllers together, in farad.
    pub farad: f64,
    /// The pre-charge resistor, in ohm.
    pub pre_charge_ohm: f64,
    /// What discharges the bus when nothing else does, in ohm; infinite for nothing.
    pub bleed_ohm: f64,
}

/// The time constant of the pre-charge is 0.5 s; the bleed is the worked example of common practice: 8 mF, 10 kohm.
impl Default for BusSettings {
    fn default() -> Self {
        Self { farad: 8e-3, pre_charge_ohm: 62.5, bleed_ohm: 10_000.0 }
    }
}

/// How the pack is joined to the bus.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Switch {
    /// Not at all.
    Open,
    /// Through the pre-charge resistor.
    PreCharge,
    /// Directly.
    Closed,
}

/// The bus with its voltage.
#[derive(Clone, Debug)]
pub struct Bus {
    settings: BusSettings,
    volts: f64,
}

impl Bus {
    /// An empty bus.
    pub fn new(settings: BusSettings) -> Self {
        Self { settings, volts: 0.0 }
    }

    /// Its voltage.
    pub fn volts(&self) -> f64 {
        self.volts
    }

    /// Moves time on by `step`, exactly for sources that stay as they are during it, and returns the mean current that
    /// the pack gave.
    ///
    /// The pack is a source of `source_volts` behind `source_ohm`. The load draws `load_amperes` and stops at 0 V.
    pub fn advance(
        &mut self,
        step: Duration,
        switch: Switch,
        source_volts: f64,
        source_ohm: f64,
        load_amperes: f64,
    ) -> f64 {
        let seconds = step.as_secs_f64();
        let farad = self.settings.farad.max(1e-9);
        let bleed = 1.0 / self.settings.bleed_ohm.max(1e-6);
        let source = match switch {
            Switch::Open => 0.0,
            Switch::PreCharge => 1.0 / (source_ohm + self.settings.pre_charge_ohm).max(1e-6),
            Switch::Closed => 1.0 / source_ohm.max(1e-6),
        };
        let joined = source + bleed;
        if joined <= 0.0 {
            self.volts = (self.volts - load_amperes * seconds / farad).max(0.0);
            return 0.0;
        }
        let settled = (source_volts * source - load_amperes) / joined;
        let constant = farad / joined;
        let left = (-seconds / constant).exp();
        let mean = settled + (self.volts - settled) * (constant / seconds) * (1.0 - left);
        self.volts = (settled + (self.volts - settled) * left).max(0.0);
        (source_volts - mean) * source
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const STEP: Duration = Duration::from_millis(10);

    #[test]
    fn pre_charge_follows_the_closed_form() {
        // Closed form 1 - exp(-t/tau); the worked example: 50.4 V, 100 ohm, 2000 uF, tau 0.2 s, peak 0.504 A.
        let settings = BusSettings { farad: 2e-3, pre_charge_ohm: 100.0, bleed_ohm: f64::INFINITY };
        for (taus, share) in [(1_u32, 0.632_121), (2, 0.864_665), (3, 0.950_213), (5, 0.993_262)] {
            let mut bus = Bus::new(settings);
            let mut joules = 0.0;
            for _ in 0..taus * 20 {
                let amperes = bus.advance(STEP, Switch::PreCharge, 50.4, 0.0, 0.0);
                joules += amperes * 50.4 * STEP.as_secs_f64();
            }
            assert!((bus.volts() / 50.4 - share).abs() < 1e-6, "{taus} tau: {}", bus.volts() / 50.4);
            // What the source gave is what the capacitor holds and what the resistor took: Q V = C V Vbus.
            assert!((joules - 2e-3 * bus.volts() * 50.4).abs() < 1e-9);
        }
        let first = Bus::new(settings).advance(Duration::from_micros(1), Switch::PreCharge, 50.4, 0.0, 0.0);
        assert!((first - 0.504).abs() < 1e-5, "{first}");
    }

    #[test]
    fn an_open_bus_takes_its_time() {
        // t = RC ln(V/Vend); 8 mF at 100 V through 10 kohm: 41 s to 60 V, 240 s to 5 V.
        for (end, seconds) in [(60.0, 40.866), (5.0, 239.659)] {
            let mut bus = Bus { settings: BusSettings::default(), volts: 100.0 };
            let mut steps = 0;
            while bus.volts() > end {
                let _ = bus.advance(STEP, Switch::Open, 100.0, 0.05, 0.0);
                steps += 1;
            }
            let took = f64::from(steps) * STEP.as_secs_f64();
            assert!((took - seconds).abs() <= 0.011, "{took}");
            assert!((seconds - 80.0 * (100.0_f64 / end).ln()).abs() < 1e-3);
        }
    }

    #[test]
    fn a_load_stops_at_zero_volts() {
        let mut bus = Bus { settings: BusSettings { bleed_ohm: f64::INFINITY, ..BusSettings::default() }, volts: 1.0 };
        for _ in 0..100 {
            assert_eq!(bus.advance(STEP, Switch::Open, 100.0, 0.05, 2.0).to_bits(), 0.0_f64.to_bits());
        }
        assert!(bus.volts().abs() < 1e-12);
    }
}
