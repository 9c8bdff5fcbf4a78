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
    /// What lies beside the switch, in ohm; infinite for nothing.
    pub bypass_ohm: f64,
    /// What the speed controllers draw to stay awake.
    pub electronics: Electronics,
}

/// The time constant of the pre-charge is 0.5 s; the bleed is the worked example of common practice: 8 mF, 10 kohm.
impl Default for BusSettings {
    fn default() -> Self {
        Self {
            farad: 8e-3,
            pre_charge_ohm: 62.5,
            bleed_ohm: 10_000.0,
            bypass_ohm: f64::INFINITY,
            electronics: Electronics::default(),
        }
    }
}

/// What the speed controllers draw to stay awake, motors aside: constant power, as switching supplies do.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Electronics {
    /// In watts, from `full_volts` up. Below, the draw falls like that of a resistor.
    pub watts: f64,
    /// The bus voltage at which they boot: the knee of the bus rise.
    pub on_volts: f64,
    /// From which bus voltage up the power is constant.
    pub full_volts: f64,
    /// Below this bus voltage they fall asleep.
    pub off_volts: f64,
}

/// A small knee: common practice, no source.
impl Default for Electronics {
    fn default() -> Self {
        Self { watts: 1.0, on_volts: 30.0, full_volts: 24.0, off_volts: 20.0 }
    }
}

impl Electronics {
    /// Those that draw nothing.
    pub const NONE: Self = Self { watts: 0.0, on_volts: 0.0, full_volts: 0.0, off_volts: 0.0 };

    fn amperes(&self, volts: f64) -> f64 {
        let full = self.full_volts.max(1e-3);
        if full <= volts { self.watts / volts } else { self.watts * volts.max(0.0) / (full * full) }
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
    /// Whether the electronics have booted.
    awake: bool,
}

impl Bus {
    /// An empty bus.
    pub fn new(settings: BusSettings) -> Self {
        Self { settings, volts: 0.0, awake: false }
    }

    /// Its voltage.
    pub fn volts(&self) -> f64 {
        self.volts
    }

    pub(crate) fn settings(&self) -> &BusSettings {
        &self.settings
    }

    pub(crate) fn settings_mut(&mut self) -> &mut BusSettings {
        &mut self.settings
    }

    /// Charges it at once, as if it had been so for long.
    pub(crate) fn charge_to(&mut self, volts: f64) {
        self.volts = volts.max(0.0);
    }

    /// Moves time on by `step` and returns the mean current that the pack gave. It is exact for sources and draws that
    /// stay as they are during the step; that of the electronics is the one at its beginning.
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
        let load_amperes = load_amperes + self.electronics_amperes();
        let seconds = step.as_secs_f64();
        let farad = self.settings.farad.max(1e-9);
        let bleed = 1.0 / self.settings.bleed_ohm.max(1e-6);
        let source = self.source_siemens(switch, source_ohm);
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

    /// From the source's inside to the bus: the switch and what lies beside it, in series with the source.
    fn source_siemens(&self, switch: Switch, source_ohm: f64) -> f64 {
        let beside = 1.0 / self.settings.bypass_ohm.max(1e-6);
        let contact = match switch {
            Switch::Open => beside,
            Switch::PreCharge => beside + 1.0 / self.settings.pre_charge_ohm.max(1e-6),
            Switch::Closed => return 1.0 / source_ohm.max(1e-6),
        };
        if contact <= 0.0 { 0.0 } else { 1.0 / (source_ohm + 1.0 / contact).max(1e-6) }
    }

    /// What the electronics draw now; they boot and fall asleep by the bus voltage.
    fn electronics_amperes(&mut self) -> f64 {
        let electronics = &self.settings.electronics;
        self.awake = if self.awake { electronics.off_volts <= self.volts } else { electronics.on_volts <= self.volts };
        if self.awake { electronics.amperes(self.volts) } else { 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const STEP: Duration = Duration::from_millis(10);

    fn without_electronics() -> BusSettings {
        BusSettings { electronics: Electronics::NONE, ..BusSettings::default() }
    }

    #[test]
    fn pre_charge_follows_the_closed_form() {
        // Closed form 1 - exp(-t/tau); the worked example: 50.4 V, 100 ohm, 2000 uF, tau 0.2 s, peak 0.504 A.
        let settings =
            BusSettings { farad: 2e-3, pre_charge_ohm: 100.0, bleed_ohm: f64::INFINITY, ..without_electronics() };
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
            let mut bus = Bus { volts: 100.0, ..Bus::new(without_electronics()) };
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
        let settings = BusSettings { bleed_ohm: f64::INFINITY, ..without_electronics() };
        let mut bus = Bus { volts: 1.0, ..Bus::new(settings) };
        for _ in 0..100 {
            assert_eq!(bus.advance(STEP, Switch::Open, 100.0, 0.05, 2.0).to_bits(), 0.0_f64.to_bits());
        }
        assert!(bus.volts().abs() < 1e-12);
    }

    #[test]
    fn the_rise_has_a_knee_where_the_electronics_boot() {
        let electronics = Electronics { watts: 10.0, on_volts: 50.0, full_volts: 40.0, off_volts: 30.0 };
        let mut plain = Bus::new(without_electronics());
        let mut bus = Bus::new(BusSettings { electronics, ..BusSettings::default() });
        for _ in 0..1_000 {
            plain.advance(STEP, Switch::PreCharge, 92.0, 0.0, 0.0);
            bus.advance(STEP, Switch::PreCharge, 92.0, 0.0, 0.0);
            assert!((bus.volts() - plain.volts()).abs() < 1e-12 || 50.0 <= plain.volts());
        }
        // V (92 - V) / 62.5 = 10 W (the bleed aside): V = 46 + sqrt(46^2 - 625) = 84.65 V; the bleed takes 0.6 %.
        assert!((bus.volts() - 84.65).abs() < 0.8, "{}", bus.volts());
    }

    #[test]
    fn a_constant_power_above_a_quarter_stalls_the_rise() {
        // V^2 / 4R: 100 V over 100 ohm carry 25 W (the worked example of common practice), at 50 V.
        for (watts, stalls) in [(24.0, false), (26.0, true)] {
            let electronics = Electronics { watts, on_volts: 55.0, full_volts: 50.0, off_volts: 5.0 };
            let bleed_ohm = f64::INFINITY;
            let mut bus =
                Bus::new(BusSettings { pre_charge_ohm: 100.0, bleed_ohm, electronics, ..BusSettings::default() });
            for _ in 0..6_000 {
                bus.advance(STEP, Switch::PreCharge, 100.0, 0.0, 0.0);
            }
            assert_eq!(bus.volts() < 50.0, stalls, "{watts} W: {}", bus.volts());
        }
    }

    #[test]
    fn what_lies_beside_the_switch_divides_with_the_bleed() {
        let settings = BusSettings { bypass_ohm: 10_000.0, ..without_electronics() };
        let mut bus = Bus::new(settings);
        for _ in 0..60_000 {
            bus.advance(STEP, Switch::Open, 90.0, 0.0, 0.0);
        }
        // Two times 10 kohm: half, after 15 time constants of 40 s.
        assert!((bus.volts() - 45.0).abs() < 1e-4, "{}", bus.volts());
    }
}
