//! Charge from the voltage at rest, through published open-circuit curves.

mod curves;

use std::time::Duration;

/// The curves are fits of a model, not of the user's cells: they are not known better than this, in volts. Common
/// practice, no source.
const CURVE_ERROR: f64 = 0.002;
/// What fits within so many standard uncertainties is taken as possible.
const POSSIBLE: f64 = 2.0;
/// Where possible charges lie further apart than this, the voltage does not tell. Common practice, no source.
const WIDEST: f64 = 0.1;
/// Balancing that takes longer is no plan.
const LONGEST_BALANCING: f64 = 365.0 * 24.0 * 3600.0;

/// A published curve of voltage at rest against charge.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Curve {
    /// NMC811 / graphite-silicon (Chen2020).
    Nmc,
    /// LFP / graphite (Prada2013).
    Lfp,
    /// LCO / graphite (Ai2020).
    Lco,
    /// NCA / graphite (Kim2011).
    Nca,
}

/// What voltages say about charge, as a share of the capacity (0 to 1).
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Told {
    /// The charge or the difference of charge.
    Share {
        /// The value.
        value: f64,
        /// Its standard uncertainty.
        uncertainty: f64,
    },
    /// The curve is flat here: the voltage does not tell. All of these fit.
    Flat {
        /// The least that fits.
        least: f64,
        /// The most that fits.
        most: f64,
    },
    /// A voltage is not on the curve.
    Outside,
}

impl Curve {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Nmc, Self::Lfp, Self::Lco, Self::Nca];

    /// Where it was published.
    pub fn source(self) -> &'static str {
        match self {
            Self::Nmc => "Chen et al., J. Electrochem. Soc. 167 (2020) 080534, NMC811",
            Self::Lfp => "Prada et al., J. Electrochem. Soc. 160 (2013) A616, LFP",
            Self::Lco => "parameter set Ai2020 of PyBaMM 26.10.1.1, LCO",
            Self::Nca => "parameter set NCA_Kim2011 of PyBaMM 26.10.1.1, NCA",
        }
    }

    /// Volts at each percent of charge, rising.
    fn volts(self) -> &'static [f64; 101] {
        match self {
            Self::Nmc => &curves::CHEN2020,
            Self::Lfp => &curves::PRADA2013,
            Self::Lco => &curves::AI2020,
            Self::Nca => &curves::KIM2011,
        }
    }

    /// The voltage at rest at a charge (0 to 1), in volts; `None` outside.
    pub fn voltage(self, charge: f64) -> Option<f64> {
        let place = charge * 100.0;
        if !(0.0..=100.0).contains(&place) {
            return None;
        }
        let below = place.floor();
        let low = *self.volts().get(below as usize)?;
        let high = *self.volts().get(below as usize + 1).unwrap_or(&low);
        Some(low + (high - low) * (place - below))
    }

    /// The charge at a voltage; the ends of the curve for a voltage beyond them.
    fn charge_at(self, volts: f64) -> f64 {
        let table = self.volts();
        let above = table.partition_point(|point| *point < volts);
        let (Some(high), Some(low)) = (table.get(above), above.checked_sub(1).and_then(|below| table.get(below)))
        else {
            return if above == 0 { 0.0 } else { 1.0 };
        };
        ((above - 1) as f64 + (volts - low) / (high - low)) / 100.0
    }

    /// The least, the best and the most charge that fits a voltage; `None` off the curve.
    fn possible(self, volts: f64, uncertainty: f64) -> Option<(f64, f64, f64)> {
        let reach = POSSIBLE * uncertainty.hypot(CURVE_ERROR);
        let [first, .., last] = self.volts();
        if !(*first - reach <= volts && volts <= *last + reach) {
            return None;
        }
        Some((self.charge_at(volts - reach), self.charge_at(volts), self.charge_at(volts + reach)))
    }

    /// The charge at a voltage at rest in volts, which is known with this standard uncertainty.
    pub fn charge(self, volts: f64, uncertainty: f64) -> Told {
        let Some((least, value, most)) = self.possible(volts, uncertainty) else { return Told::Outside };
        if WIDEST < most - least {
            return Told::Flat { least, most };
        }
        Told::Share { value, uncertainty: (most - least) / (2.0 * POSSIBLE) }
    }

    /// How much more charge the first cell has than the second. The uncertainty is that of each voltage, in volts.
    pub fn difference(self, first: f64, second: f64, uncertainty: f64) -> Told {
        let possible = (self.possible(first, uncertainty), self.possible(second, uncertainty));
        let (Some(first), Some(second)) = possible else { return Told::Outside };
        if WIDEST < (first.2 - first.0).max(second.2 - second.0) {
            return Told::Flat { least: first.0 - second.2, most: first.2 - second.0 };
        }
        let deviation = (first.2 - first.0).hypot(second.2 - second.0) / (2.0 * POSSIBLE);
        Told::Share { value: first.1 - second.1, uncertainty: deviation }
    }
}

/// How long balancing takes: a share of the capacity (in ampere-hours) at a mean balancing current in amperes. `None` where
/// a number is not positive or the time is longer than a year.
pub fn balancing_time(share: f64, capacity: f64, current: f64) -> Option<Duration> {
    let seconds = share * capacity * 3600.0 / current;
    let sound = 0.0 < share && 0.0 < capacity && 0.0 < current && seconds <= LONGEST_BALANCING;
    Duration::try_from_secs_f64(seconds).ok().filter(|_| sound)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_curve_rises_and_gives_its_charge_back() {
        for curve in Curve::ALL {
            assert!(curve.volts().windows(2).all(|two| two[0] < two[1]), "{curve:?}");
            for percent in 0..=1000 {
                let charge = f64::from(percent) / 1000.0;
                let back = curve.charge_at(curve.voltage(charge).unwrap());
                assert!((back - charge).abs() < 1e-9, "{curve:?}: {charge} came back as {back}");
            }
        }
    }

    #[test]
    fn voltages_off_the_curve_say_nothing() {
        for volts in [f64::NAN, f64::INFINITY, -1.0, 0.0, 1.9, 5.0, 65.5] {
            assert_eq!(Curve::Lfp.charge(volts, 0.001), Told::Outside, "{volts}");
            assert_eq!(Curve::Nmc.difference(3.8, volts, 0.001), Told::Outside, "{volts}");
        }
        assert_eq!(Curve::Nmc.voltage(1.01), None);
        assert_eq!(Curve::Nmc.voltage(f64::NAN), None);
        assert!(matches!(Curve::Nmc.charge(3.8, f64::NAN), Told::Outside));
    }

    #[test]
    fn balancing_takes_its_time() {
        assert_eq!(balancing_time(0.05, 40.0, 0.1), Some(Duration::from_secs(72_000)));
        for (share, capacity, current) in [(0.0, 40.0, 0.1), (-0.1, 40.0, 0.1), (0.1, 40.0, 0.0), (0.1, 1e9, 1e-9)] {
            assert_eq!(balancing_time(share, capacity, current), None);
        }
        assert_eq!(balancing_time(f64::NAN, 1.0, 1.0), None);
    }
}
