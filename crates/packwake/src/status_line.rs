//! The newest values for people, as lines on standard error.

use model::format_nanos;
use rules::Judge;
use rules::statistics::median;

/// One line with what matters now.
pub(crate) fn summary(judge: &Judge) -> String {
    let cells: Vec<(u16, i64)> = judge.cells().collect();
    let at = judge.now();
    let mut parts = vec![format!("{:>5}.{} s", at.nanos / 1_000_000_000, at.nanos / 100_000_000 % 10)];
    let age = judge.data_age();
    match age {
        None => parts.push("no sound frame yet".to_owned()),
        Some(age) if age.as_millis() > 1000 => parts.push(format!("OLD: {} s", age.as_secs())),
        Some(age) => parts.push(format!("{:>3} ms old", age.as_millis())),
    }
    let lowest = cells.iter().min_by_key(|(_, nanos)| *nanos);
    let highest = cells.iter().max_by_key(|(_, nanos)| *nanos);
    if let (Some(low), Some(high)) = (lowest, highest) {
        parts.push(format!("low {} V ({})", format_nanos(low.1, 3), low.0));
        parts.push(format!("high {} V ({})", format_nanos(high.1, 3), high.0));
        parts.push(format!("spread {} mV", format_nanos(high.1.saturating_sub(low.1).saturating_mul(1000), 0)));
        let sum = cells.iter().fold(0_i64, |sum, (_, nanos)| sum.saturating_add(*nanos));
        parts.push(format!("sum {} V", format_nanos(sum, 2)));
    }
    if let Some(pack) = judge.pack_voltage() {
        parts.push(format!("pack {} V", format_nanos(pack, 2)));
    }
    if let Some(bus) = judge.bus_voltage() {
        parts.push(format!("bus {} V", format_nanos(bus, 1)));
    }
    if let Some(current) = judge.current() {
        parts.push(format!("{} A", format_nanos(current, 1)));
    }
    let warmest = judge.temperatures().map(|(_, nanos)| nanos).max();
    if let Some(warmest) = warmest {
        parts.push(format!("max {} degC", format_nanos(warmest, 1)));
    }
    let (good, damaged) = judge.frame_counts();
    parts.push(format!("{good} frames, {damaged} damaged"));
    parts.join("  ")
}

/// Every cell as its deviation from the median, in series order, twelve a line.
pub(crate) fn cells(judge: &Judge) -> Vec<String> {
    let cells: Vec<(u16, i64)> = judge.cells().collect();
    let mut values: Vec<i64> = cells.iter().map(|(_, nanos)| *nanos).collect();
    let Some(median) = median(&mut values) else { return Vec::new() };
    let mut lines = vec![format!("         cells in mV from their median {} V:", format_nanos(median, 3))];
    for row in cells.chunks(12) {
        let first = row.first().map_or(0, |(place, _)| *place);
        let values: Vec<String> = row
            .iter()
            .map(|(_, nanos)| {
                let millivolts = format_nanos(nanos.saturating_sub(median).saturating_mul(1000), 0);
                let sign = if nanos < &median { "" } else { "+" };
                format!("{:>6}", format!("{sign}{millivolts}"))
            })
            .collect();
        lines.push(format!("         {first:>3} {}", values.concat()));
    }
    lines
}
