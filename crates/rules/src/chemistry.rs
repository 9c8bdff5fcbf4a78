//! Default limits by chemistry, each with where it comes from.

use std::time::Duration;

use crate::estimates::open_circuit::Curve;
use crate::limits::{LimitName, LimitValues};

/// The chemistry of the cells.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Chemistry {
    /// Nickel manganese cobalt oxide; NCA has the same limits.
    Nmc,
    /// Cobalt oxide (most soft flight packs).
    Lco,
    /// Iron phosphate.
    Lfp,
    /// Anything else: there are no defaults, the pack file must give every limit.
    Other,
}

/// A default and where it comes from.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct DefaultLimit {
    /// The limit.
    pub name: LimitName,
    /// Its values.
    pub values: LimitValues,
    /// Where they come from.
    pub source: &'static str,
}

const PRACTICE: &str = "common practice, no source";
const IEC_62133: &str = "critical: upper limit charging voltage of IEC 62133-2, from memory; warning: common practice";

impl Chemistry {
    /// All of them with the name that files use.
    pub const ALL: [(&'static str, Self); 4] =
        [("NMC", Self::Nmc), ("LCO", Self::Lco), ("LFP", Self::Lfp), ("other", Self::Other)];

    /// The published curve of voltage at rest against charge that is nearest to such cells, if there is one.
    pub fn curve(self) -> Option<Curve> {
        match self {
            Self::Nmc => Some(Curve::Nmc),
            Self::Lco => Some(Curve::Lco),
            Self::Lfp => Some(Curve::Lfp),
            Self::Other => None,
        }
    }

    /// The name that files use.
    pub fn name(self) -> &'static str {
        Self::ALL.iter().find(|(_, chemistry)| *chemistry == self).map_or("", |(name, _)| name)
    }

    /// The open-circuit voltage is so flat over most of its charge that a small spread proves nothing.
    pub fn is_flat(self) -> bool {
        self == Self::Lfp
    }

    /// The default limits; none for [`Chemistry::Other`].
    ///
    /// `capacity_nanos`: capacity in billionths of an ampere-hour, for limits that go with it.
    pub fn defaults(self, capacity_nanos: i64) -> Vec<DefaultLimit> {
        if self == Self::Other {
            return Vec::new();
        }
        let lfp = self == Self::Lfp;
        let mv = |warning: i64, critical: i64| (warning * 1_000_000, critical * 1_000_000);
        let milli = |warning: i64, critical: i64| (warning * 1_000_000, critical * 1_000_000);
        // 0.5 % and 2 % of the one-hour current; up to 3 % counts as rest (see `Pack`).
        let rest_current = (capacity_nanos / 200, capacity_nanos / 50);
        let pick = |nmc: (i64, i64), other: (i64, i64)| if lfp { other } else { nmc };
        let cell_source = if lfp { PRACTICE } else { IEC_62133 };
        let instant = Duration::ZERO;
        let short = Duration::from_millis(500);
        let long = Duration::from_secs(1);
        let rows = [
            (LimitName::CellHigh, pick(mv(4200, 4250), mv(3600, 3650)), mv(5, 0).0, instant, cell_source),
            (LimitName::CellLowRest, pick(mv(3500, 3000), mv(3100, 2500)), mv(5, 0).0, instant, PRACTICE),
            (LimitName::CellLowLoad, pick(mv(3300, 3000), mv(2800, 2500)), mv(5, 0).0, instant, PRACTICE),
            (LimitName::SpreadRest, pick(mv(20, 50), mv(15, 40)), mv(3, 0).0, short, PRACTICE),
            (LimitName::SpreadLoad, pick(mv(80, 150), mv(100, 200)), mv(5, 0).0, short, PRACTICE),
            (LimitName::DeviationRest, pick(mv(10, 30), mv(10, 25)), mv(2, 0).0, short, PRACTICE),
            // Plus 0.3 and 0.5 of current times resistance: see `Pack::deviation_load`.
            (LimitName::DeviationLoad, pick(mv(10, 30), mv(10, 25)), mv(3, 0).0, short, PRACTICE),
            (LimitName::TemperatureHigh, milli(45_000, 60_000), milli(1_000, 0).0, instant, PRACTICE),
            (LimitName::TemperatureLow, milli(5_000, -10_000), milli(1_000, 0).0, instant, PRACTICE),
            (LimitName::TemperatureSpreadRest, milli(3_000, 8_000), milli(500, 0).0, long, PRACTICE),
            (LimitName::TemperatureSpreadLoad, milli(8_000, 15_000), milli(500, 0).0, long, PRACTICE),
            (LimitName::TemperatureRateRest, milli(300, 1_000), milli(50, 0).0, long, PRACTICE),
            (LimitName::TemperatureRateLoad, milli(2_000, 5_000), milli(200, 0).0, long, PRACTICE),
            (LimitName::PackSum, milli(500, 1_000), milli(50, 0).0, long, PRACTICE),
            (LimitName::CurrentRest, rest_current, rest_current.0 / 10, long, PRACTICE),
        ];
        rows.into_iter()
            .map(|(name, (warning, critical), deadband, on_delay, source)| DefaultLimit {
                name,
                values: LimitValues {
                    warning: Some(warning),
                    critical: Some(critical),
                    deadband,
                    on_delay,
                    off_delay: Duration::from_secs(1),
                },
                source,
            })
            .collect()
    }
}
