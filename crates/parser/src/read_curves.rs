//! `curve = { ... }`: thermistors and tables.

use std::ops::RangeInclusive;

use model::{Curve, Decimal, Dimension, Sensing, Thermistor, Unit};
use textfile::{At, Table, Value};

use crate::spec;

/// Points of one table.
const MOST_POINTS: usize = 512;

/// Kelvin at 0 degC.
const ZERO_CELSIUS: f64 = 273.15;

/// Degrees Celsius at 0 kelvin.
const ABSOLUTE_ZERO: f64 = -ZERO_CELSIUS;

pub(crate) fn read_curve(curve: Table<'_>, unit: Unit) -> Option<Curve> {
    if curve.has("points") {
        for key in ["beta", "r0", "t0", "steinhart_hart", "ohms", "divider"] {
            if curve.has(key) {
                let hint = "drop one of the two keys";
                curve.fault_hint(&curve.span_of(key), "a curve is a table of points or a thermistor, not both", hint);
                return None;
            }
        }
        return read_points(curve, unit);
    }
    if unit.dimension != Dimension::Temperature || unit.offset_nanos != 0 {
        let hint = "write unit = \"degC\"";
        curve.fault_hint(&curve.span(), "a thermistor gives a temperature in degrees Celsius", hint);
        return None;
    }
    let law = if curve.has("steinhart_hart") {
        match numbers(curve, "steinhart_hart")?.as_slice() {
            [a, b, c] => Thermistor::SteinhartHart { a: *a, b: *b, c: *c },
            _ => {
                let hint = "write steinhart_hart = [a, b, c]";
                curve.fault_hint(&curve.span_of("steinhart_hart"), "the equation has three coefficients", hint);
                return None;
            }
        }
    } else {
        let beta = curve.decimal("beta");
        if beta.is_none() && !curve.has("beta") {
            let hint = "write beta and r0, or steinhart_hart = [a, b, c], or points = [[number, value], ...]";
            curve.fault_hint(&curve.span(), "this says no curve", hint);
            return None;
        }
        let beta = in_range(curve, "beta", beta?, 100.0..=20_000.0, "beta is 100 to 20000 kelvin")?;
        if !curve.has("r0") {
            let hint = "write for example r0 = \"10 kohm\"";
            curve.fault_hint(&curve.span(), "beta needs the resistance at 25 degC", hint);
        }
        let r0 = ohms(curve, "r0")?;
        let t0 = match curve.amount("t0", Dimension::Temperature) {
            Some(at) if !(-100.0..=300.0).contains(&whole(at.value.nanos)) => {
                let hint = "it is nearly always 25 degC";
                curve.fault_hint(&at.span, "the reference is -100 to 300 degC", hint);
                return None;
            }
            Some(at) => whole(at.value.nanos),
            None if curve.has("t0") => return None,
            None => 25.0,
        };
        Thermistor::Beta { beta, r0, t0: t0 + ZERO_CELSIUS }
    };
    let sensing = match (curve.table("divider", &spec::DIVIDER), curve.has("ohms")) {
        (Some(divider), false) => {
            let full = divider.decimal("full")?;
            let full =
                in_range(divider, "full", full, 1e-9..=1e19, "the number at the full voltage is more than zero")?;
            let ends = [("ground", true), ("supply", false)];
            Sensing::Divider {
                fixed_ohms: ohms(divider, "fixed")?,
                full,
                sensor_at_ground: divider.choice("sensor", &ends).is_none_or(|at| at.value),
            }
        }
        (Some(divider), true) => {
            let hint = "drop one of the two keys";
            curve.fault_hint(&divider.span(), "the number is ohms or the voltage of a divider, not both", hint);
            return None;
        }
        (None, true) => {
            let ohms = curve.decimal("ohms")?;
            let per_count = in_range(curve, "ohms", ohms, 1e-9..=1e9, "ohms for one are more than zero")?;
            Sensing::Ohms { per_count }
        }
        (None, false) if curve.has("divider") => return None,
        (None, false) => Sensing::Ohms { per_count: 1.0 },
    };
    let curve_value = Curve::Thermistor { law, sensing };
    // One number in the middle must have a temperature, or the figures make no sense together.
    let sample = match sensing {
        Sensing::Divider { full, .. } => full / 2.0,
        Sensing::Ohms { per_count } => 10_000.0 / per_count,
    };
    if curve_value.nanos(sample).is_none_or(|nanos| whole(nanos) <= ABSOLUTE_ZERO + 1.0) {
        let hint = "look at the signs and units of its figures";
        curve.fault_hint(&curve.span(), "this thermistor has no temperature in the middle of its range", hint);
        return None;
    }
    Some(curve_value)
}

fn read_points(curve: Table<'_>, unit: Unit) -> Option<Curve> {
    let entry = curve.entry("points")?;
    let hint = "write points = [[0, -40], [512, 25], [1023, 120]]: number as sent, value in the unit";
    let Value::List(list) = &entry.value else {
        curve.fault_hint(&entry.span, "points are a list of pairs", hint);
        return None;
    };
    if MOST_POINTS < list.len() {
        curve.fault_hint(&entry.span, format!("a table has at most {MOST_POINTS} points"), "leave some out");
        return None;
    }
    let mut points = Vec::new();
    for item in list {
        let pair = match &item.value {
            Value::List(pair) => match pair.as_slice() {
                [raw, value] => raw.value.decimal().zip(value.value.decimal()),
                _ => None,
            },
            _ => None,
        };
        let nanos = pair.and_then(|(raw, value)| {
            Some((float(raw), value.times_exact(unit.nanos)?.checked_add(unit.offset_nanos)?))
        });
        match nanos {
            Some(point) => points.push(point),
            None => {
                curve.fault_hint(&item.span, "a point is a number as sent and a value", hint);
                return None;
            }
        }
    }
    let table = Curve::table(points);
    if table.is_none() {
        let hint = "write two points or more, the numbers as sent rising";
        curve.fault_hint(&entry.span, "these points make no curve", hint);
    }
    table
}

fn in_range(
    table: Table<'_>,
    key: &str,
    number: At<Decimal>,
    range: RangeInclusive<f64>,
    message: &str,
) -> Option<f64> {
    let value = float(number.value);
    if !range.contains(&value) {
        table.fault_hint(&table.span_of(key), message, "look at its sign and unit");
        return None;
    }
    Some(value)
}

fn numbers(table: Table<'_>, key: &str) -> Option<Vec<f64>> {
    let At { value: Value::List(list), .. } = table.entry(key)? else { return Some(Vec::new()) };
    Some(list.iter().map(|item| item.value.decimal().map(float)).collect::<Option<Vec<_>>>().unwrap_or_default())
}

fn ohms(table: Table<'_>, key: &str) -> Option<f64> {
    let amount = table.amount(key, Dimension::Resistance)?;
    if amount.value.nanos <= 0 {
        table.fault_hint(&amount.span, "a resistance is more than zero", "write for example \"10 kohm\"");
        return None;
    }
    Some(whole(amount.value.nanos))
}

#[expect(clippy::cast_precision_loss, reason = "a curve is binary floating point")]
fn whole(nanos: i64) -> f64 {
    nanos as f64 / 1e9
}

/// A curve is binary floating point: its figures are the nearest doubles.
fn float(decimal: Decimal) -> f64 {
    format!("{}e{}", decimal.digits, decimal.exponent).parse().unwrap_or(f64::NAN)
}
