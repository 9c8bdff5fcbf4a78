//! The limits of a pack, each with a warning and a critical side.

use std::time::Duration;

use model::Dimension;

use crate::check::Check;

/// Every limit that a pack file can set.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, PartialOrd, Ord)]
#[allow(missing_docs, reason = "each is named and explained in ALL")]
pub enum LimitName {
    CellHigh,
    CellLowRest,
    CellLowLoad,
    SpreadRest,
    SpreadLoad,
    DeviationRest,
    DeviationLoad,
    TemperatureHigh,
    TemperatureLow,
    TemperatureSpreadRest,
    TemperatureSpreadLoad,
    TemperatureRateRest,
    TemperatureRateLoad,
    PackSum,
    CurrentRest,
}

/// What a limit is: its key in the pack file, its check, its dimension, whether it is a lower one, what it says.
pub(crate) struct LimitKind {
    pub(crate) name: LimitName,
    pub(crate) key: &'static str,
    pub(crate) check: Check,
    pub(crate) dimension: Dimension,
    pub(crate) lower: bool,
}

const fn kind(name: LimitName, key: &'static str, check: Check, dimension: Dimension) -> LimitKind {
    LimitKind { name, key, check, dimension, lower: false }
}

const fn low(name: LimitName, key: &'static str, check: Check, dimension: Dimension) -> LimitKind {
    LimitKind { name, key, check, dimension, lower: true }
}

pub(crate) const KINDS: [LimitKind; 15] = [
    kind(LimitName::CellHigh, "cell_high", Check::CellHigh, Dimension::Voltage),
    low(LimitName::CellLowRest, "cell_low_rest", Check::CellLow, Dimension::Voltage),
    low(LimitName::CellLowLoad, "cell_low_load", Check::CellLow, Dimension::Voltage),
    kind(LimitName::SpreadRest, "spread_rest", Check::Spread, Dimension::Voltage),
    kind(LimitName::SpreadLoad, "spread_load", Check::Spread, Dimension::Voltage),
    kind(LimitName::DeviationRest, "deviation_rest", Check::Deviation, Dimension::Voltage),
    kind(LimitName::DeviationLoad, "deviation_load", Check::Deviation, Dimension::Voltage),
    kind(LimitName::TemperatureHigh, "temperature_high", Check::TemperatureHigh, Dimension::Temperature),
    low(LimitName::TemperatureLow, "temperature_low", Check::TemperatureLow, Dimension::Temperature),
    kind(LimitName::TemperatureSpreadRest, "temperature_spread_rest", Check::TemperatureSpread, Dimension::Temperature),
    kind(LimitName::TemperatureSpreadLoad, "temperature_spread_load", Check::TemperatureSpread, Dimension::Temperature),
    kind(LimitName::TemperatureRateRest, "temperature_rate_rest", Check::TemperatureRate, Dimension::TemperatureRate),
    kind(LimitName::TemperatureRateLoad, "temperature_rate_load", Check::TemperatureRate, Dimension::TemperatureRate),
    kind(LimitName::PackSum, "pack_sum", Check::PackSum, Dimension::Share),
    kind(LimitName::CurrentRest, "current_rest", Check::CurrentAtRest, Dimension::Current),
];

impl LimitName {
    /// All of them, in the order of the pack file's reference.
    pub fn all() -> impl Iterator<Item = Self> {
        KINDS.iter().map(|kind| kind.name)
    }

    pub(crate) fn kind(self) -> &'static LimitKind {
        // Every name stands in KINDS: a test says so.
        KINDS.iter().find(|kind| kind.name == self).unwrap_or(&KINDS[0])
    }

    /// Its key in the pack file.
    pub fn key(self) -> &'static str {
        self.kind().key
    }

    /// The check that it belongs to.
    pub fn check(self) -> Check {
        self.kind().check
    }

    /// The dimension of its values.
    pub fn dimension(self) -> Dimension {
        self.kind().dimension
    }

    /// Whether it holds only while current flows or the pack recovers from that.
    pub fn is_for_load(self) -> bool {
        matches!(
            self,
            Self::CellLowLoad
                | Self::SpreadLoad
                | Self::DeviationLoad
                | Self::TemperatureSpreadLoad
                | Self::TemperatureRateLoad
        )
    }

    /// Whether values must stay above it.
    pub fn is_lower(self) -> bool {
        self.kind().lower
    }
}

/// One limit: values in billionths of the base unit of its dimension.
///
/// A value exactly at a limit is allowed. A limit with neither side never raises an alarm, and its check has no data.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct LimitValues {
    /// Beyond this: worth a look.
    pub warning: Option<i64>,
    /// Beyond this: the check fails.
    pub critical: Option<i64>,
    /// How far a value must come back inside for the alarm to clear.
    pub deadband: i64,
    /// How long a value must stay beyond before the alarm. Unless it is zero, it takes a second value beyond.
    pub on_delay: Duration,
    /// How long a value must stay inside for the alarm to clear.
    pub off_delay: Duration,
}

impl LimitValues {
    /// A limit with neither side.
    pub(crate) const NONE: Self =
        Self { warning: None, critical: None, deadband: 0, on_delay: Duration::ZERO, off_delay: Duration::ZERO };
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_name_has_its_kind_and_key() {
        for (index, kind) in KINDS.iter().enumerate() {
            assert_eq!(kind.name.key(), kind.key);
            assert_eq!(kind.name as usize, index, "a pack keeps them in this order");
        }
        let mut keys: Vec<_> = KINDS.iter().map(|kind| kind.key).collect();
        keys.sort_unstable();
        keys.dedup();
        assert_eq!(keys.len(), KINDS.len());
    }
}
