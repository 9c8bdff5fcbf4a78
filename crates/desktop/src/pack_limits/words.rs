//! What limits and their values are called.

use std::time::Duration;

use model::{Dimension, format_nanos_exact};
use session::rules::pack_text::{Field, Part};
use session::rules::{LimitName, LimitValues, PackText};

/// The name of a limit.
pub(super) fn name(name: LimitName) -> &'static str {
    match name {
        LimitName::CellHigh => "Cell high",
        LimitName::CellLowRest => "Cell low at rest",
        LimitName::CellLowLoad => "Cell low under load",
        LimitName::SpreadRest => "Spread at rest",
        LimitName::SpreadLoad => "Spread under load",
        LimitName::DeviationRest => "Deviation at rest",
        LimitName::DeviationLoad => "Deviation under load",
        LimitName::TemperatureHigh => "Temperature high",
        LimitName::TemperatureLow => "Temperature low",
        LimitName::TemperatureSpreadRest => "Temperature spread at rest",
        LimitName::TemperatureSpreadLoad => "Temperature spread under load",
        LimitName::TemperatureRateRest => "Temperature rise at rest",
        LimitName::TemperatureRateLoad => "Temperature rise under load",
        LimitName::PackSum => "Pack sum",
        LimitName::CurrentRest => "Current at rest",
    }
}

/// What is held against it.
pub(super) fn about(name: LimitName) -> &'static str {
    match name {
        LimitName::CellHigh => "Each cell must stay below it.",
        LimitName::CellLowRest | LimitName::CellLowLoad => "Each cell must stay above it.",
        LimitName::SpreadRest | LimitName::SpreadLoad => "Highest less lowest cell of one set.",
        LimitName::DeviationRest => "Each cell from the median of the pack, on either side.",
        LimitName::DeviationLoad => {
            "Each cell from the median of the pack. To the warning side comes 0.3 of current times resistance, to the \
             critical side 0.5 of it."
        }
        LimitName::TemperatureHigh => "Each sensor must stay below it.",
        LimitName::TemperatureLow => "Each sensor must stay above it.",
        LimitName::TemperatureSpreadRest | LimitName::TemperatureSpreadLoad => "Warmest less coldest sensor.",
        LimitName::TemperatureRateRest | LimitName::TemperatureRateLoad => {
            "How fast each sensor rises, less what its steps leave open."
        }
        LimitName::PackSum => "The pack voltage that the BMS reports, or your meter's, off the sum of the cells.",
        LimitName::CurrentRest => "What flows while nothing can be drawn: the load's side is off.",
    }
}

/// In which stage it holds.
pub(super) fn stage(name: LimitName) -> &'static str {
    match name {
        LimitName::SpreadRest
        | LimitName::DeviationRest
        | LimitName::CellLowRest
        | LimitName::TemperatureSpreadRest
        | LimitName::TemperatureRateRest
        | LimitName::CurrentRest => "at rest",
        name if name.is_for_load() => "under load, and while the pack recovers",
        _ => "in every stage",
    }
}

/// The same for a narrow column.
pub(super) fn stage_in_short(name: LimitName) -> &'static str {
    if name.is_for_load() { "under load" } else { stage(name) }
}

/// What a part of a limit is called.
pub(super) fn part(part: Part) -> &'static str {
    match part {
        Part::Warning => "warning side",
        Part::Critical => "critical side",
        Part::Deadband => "deadband",
        Part::OnDelay => "on-delay",
        Part::OffDelay => "off-delay",
    }
}

/// What a part of a limit is for.
pub(super) fn part_about(part: Part) -> &'static str {
    match part {
        Part::Warning => "Beyond this it is worth a look.",
        Part::Critical => "Beyond this its check fails, for the rest of the session.",
        Part::Deadband => "How far a value must come back inside for the alarm to clear.",
        Part::OnDelay => "How long a value must stay beyond before the alarm.",
        Part::OffDelay => "How long a value must stay inside for the alarm to clear.",
    }
}

/// A value of a limit as a file would write it.
pub(super) fn value(values: &LimitValues, name: LimitName, part: Part) -> Option<String> {
    let amount = |nanos: i64| amount(name.dimension(), nanos);
    match part {
        Part::Warning => values.warning.map(amount),
        Part::Critical => values.critical.map(amount),
        Part::Deadband => Some(amount(values.deadband)),
        Part::OnDelay => Some(length(values.on_delay)),
        Part::OffDelay => Some(length(values.off_delay)),
    }
}

/// An amount with its unit, exact; voltages that tell cells apart in millivolts.
pub(super) fn amount(dimension: Dimension, nanos: i64) -> String {
    match dimension {
        Dimension::Voltage if nanos.abs() < 1_000_000_000 => {
            format!("{} mV", format_nanos_exact(nanos.saturating_mul(1_000), 0))
        }
        Dimension::Voltage => format!("{} V", format_nanos_exact(nanos, 2)),
        other => format!("{} {}", format_nanos_exact(nanos, 0), other.base_unit()),
    }
}

/// The same, rounded to what a person reads of a measurement.
pub(super) fn measured(dimension: Dimension, nanos: i64) -> String {
    let (step, decimals) = match dimension {
        Dimension::Voltage if nanos.abs() < 1_000_000_000 => (100_000, 0),
        Dimension::Voltage => (1_000_000, 3),
        Dimension::Current | Dimension::Share => (10_000_000, 2),
        _ => (100_000_000, 1),
    };
    let half = if nanos < 0 { -step / 2 } else { step / 2 };
    let rounded = nanos.saturating_add(half) / step * step;
    match dimension {
        Dimension::Voltage if nanos.abs() < 1_000_000_000 => amount(dimension, rounded),
        other => format!("{} {}", model::format_nanos(rounded, decimals), other.base_unit()),
    }
}

/// A delay.
fn length(length: Duration) -> String {
    let nanos = i64::try_from(length.as_nanos()).unwrap_or(i64::MAX);
    format!("{} s", format_nanos_exact(nanos, 0))
}

/// What holds where the file says nothing; `None` where nothing does.
pub(super) fn default(text: &PackText, limit: LimitName, part: Part) -> Option<String> {
    text.default_limit(limit).and_then(|default| value(&default.values, limit, part))
}

/// Where the values of a limit come from, in short.
pub(super) fn source(text: &PackText, limit: LimitName) -> String {
    let given = Part::ALL.into_iter().filter(|part| text.value(&Field::limit(limit, *part)).is_some()).count();
    let chemistry = text.chemistry().map_or("", |chemistry| chemistry.name());
    match (given, text.default_limit(limit)) {
        (5, _) => "this file".to_owned(),
        (0, Some(default)) => format!("default for {chemistry}: {}", default.source),
        (_, Some(default)) => format!("this file, else the default for {chemistry}: {}", default.source),
        (0, None) => "no limit: its check has no data".to_owned(),
        (_, None) => "this file".to_owned(),
    }
}

/// The same for a narrow column.
pub(super) fn source_in_short(text: &PackText, limit: LimitName) -> String {
    let given = Part::ALL.into_iter().filter(|part| text.value(&Field::limit(limit, *part)).is_some()).count();
    let chemistry = text.chemistry().map_or("", |chemistry| chemistry.name());
    match (given, text.default_limit(limit)) {
        (0, Some(default)) => format!("{chemistry} default, {}", default.source),
        (0, None) => "no limit".to_owned(),
        (5, _) | (_, None) => "this file".to_owned(),
        (_, Some(_)) => format!("this file and {chemistry} default"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts_read_as_files_write_them() {
        for (dimension, nanos, exact, rounded) in [
            (Dimension::Voltage, 4_200_000_000, "4.20 V", "4.200 V"),
            (Dimension::Voltage, 15_000_000, "15 mV", "15 mV"),
            (Dimension::Voltage, 15_040_000, "15.04 mV", "15 mV"),
            (Dimension::Voltage, 0, "0 mV", "0 mV"),
            (Dimension::Temperature, -9_960_000_000, "-9.96 degC", "-10.0 degC"),
            (Dimension::TemperatureRate, 300_000_000, "0.3 degC/min", "0.3 degC/min"),
            (Dimension::Current, 220_000_000, "0.22 A", "0.22 A"),
            (Dimension::Share, 500_000_000, "0.5 %", "0.50 %"),
        ] {
            assert_eq!((amount(dimension, nanos).as_str(), measured(dimension, nanos).as_str()), (exact, rounded));
        }
    }
}
