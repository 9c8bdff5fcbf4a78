//! Amounts with units, exact to one part in 10⁹ of the base unit.

use std::fmt;

use nom::bytes::complete::take_while;
use nom::character::complete::{char, digit0, digit1, one_of, space0};
use nom::combinator::{map_opt, opt, recognize};
use nom::sequence::preceded;
use nom::{IResult, Parser};

/// What is measured, whatever the unit it is written in.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, PartialOrd, Ord)]
pub enum Dimension {
    /// Base unit volt.
    Voltage,
    /// Base unit ampere.
    Current,
    /// Base unit degree Celsius; a temperature *difference* has the same base unit without the offset.
    Temperature,
    /// Base unit degree Celsius per minute.
    TemperatureRate,
    /// Base unit second.
    Time,
    /// Base unit ampere-hour.
    Charge,
    /// Base unit ohm.
    Resistance,
    /// Base unit farad.
    Capacitance,
    /// Base unit metre.
    Length,
    /// Base unit square millimetre, as cross-sections of wire are given.
    Area,
    /// Base unit percent.
    Share,
    /// A bare number.
    Number,
}

impl Dimension {
    /// The plain name used in messages.
    pub fn name(self) -> &'static str {
        match self {
            Self::Voltage => "voltage",
            Self::Current => "current",
            Self::Temperature => "temperature",
            Self::TemperatureRate => "temperature rate",
            Self::Time => "time",
            Self::Charge => "charge",
            Self::Resistance => "resistance",
            Self::Capacitance => "capacitance",
            Self::Length => "length",
            Self::Area => "cross-section",
            Self::Share => "share",
            Self::Number => "plain number",
        }
    }

    /// The symbol of the base unit, as files write it.
    pub fn base_unit(self) -> &'static str {
        match self {
            Self::Voltage => "V",
            Self::Current => "A",
            Self::Temperature => "degC",
            Self::TemperatureRate => "degC/min",
            Self::Time => "s",
            Self::Charge => "Ah",
            Self::Resistance => "ohm",
            Self::Capacitance => "F",
            Self::Length => "m",
            Self::Area => "mm2",
            Self::Share => "%",
            Self::Number => "",
        }
    }

    /// An amount of this dimension that makes a good example in a message.
    pub fn example(self) -> &'static str {
        match self {
            Self::Voltage => "\"4.20 V\"",
            Self::Current => "\"2.5 A\"",
            Self::Temperature => "\"60 degC\"",
            Self::TemperatureRate => "\"2 degC/min\"",
            Self::Time => "\"100 ms\"",
            Self::Charge => "\"44 Ah\"",
            Self::Resistance => "\"1.5 mohm\"",
            Self::Capacitance => "\"8 mF\"",
            Self::Length => "\"1.2 m\"",
            Self::Area => "\"16 mm2\"",
            Self::Share => "\"0.5 %\"",
            Self::Number => "3",
        }
    }
}

/// A unit as files write it: a dimension, a factor and, for absolute temperatures, an offset.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Unit {
    /// What it measures.
    pub dimension: Dimension,
    /// Billionths of the base unit in one of this unit.
    pub nanos: i64,
    /// Billionths of the base unit to add: -273.15 degC for kelvin, else zero.
    pub offset_nanos: i64,
    /// As files write it.
    pub symbol: &'static str,
}

const fn unit(symbol: &'static str, dimension: Dimension, nanos: i64) -> Unit {
    Unit { dimension, nanos, offset_nanos: 0, symbol }
}

const UNITS: &[Unit] = &[
    unit("V", Dimension::Voltage, 1_000_000_000),
    unit("mV", Dimension::Voltage, 1_000_000),
    unit("uV", Dimension::Voltage, 1_000),
    unit("kV", Dimension::Voltage, 1_000_000_000_000),
    unit("A", Dimension::Current, 1_000_000_000),
    unit("mA", Dimension::Current, 1_000_000),
    unit("uA", Dimension::Current, 1_000),
    unit("degC", Dimension::Temperature, 1_000_000_000),
    unit("°C", Dimension::Temperature, 1_000_000_000),
    Unit { dimension: Dimension::Temperature, nanos: 1_000_000_000, offset_nanos: -273_150_000_000, symbol: "K" },
    unit("degC/min", Dimension::TemperatureRate, 1_000_000_000),
    unit("s", Dimension::Time, 1_000_000_000),
    unit("ms", Dimension::Time, 1_000_000),
    unit("us", Dimension::Time, 1_000),
    unit("min", Dimension::Time, 60_000_000_000),
    unit("h", Dimension::Time, 3_600_000_000_000),
    unit("Ah", Dimension::Charge, 1_000_000_000),
    unit("mAh", Dimension::Charge, 1_000_000),
    unit("ohm", Dimension::Resistance, 1_000_000_000),
    unit("mohm", Dimension::Resistance, 1_000_000),
    unit("uohm", Dimension::Resistance, 1_000),
    unit("kohm", Dimension::Resistance, 1_000_000_000_000),
    unit("Mohm", Dimension::Resistance, 1_000_000_000_000_000),
    unit("Gohm", Dimension::Resistance, 1_000_000_000_000_000_000),
    unit("F", Dimension::Capacitance, 1_000_000_000),
    unit("mF", Dimension::Capacitance, 1_000_000),
    unit("uF", Dimension::Capacitance, 1_000),
    unit("m", Dimension::Length, 1_000_000_000),
    unit("cm", Dimension::Length, 10_000_000),
    unit("mm", Dimension::Length, 1_000_000),
    unit("mm2", Dimension::Area, 1_000_000_000),
    unit("%", Dimension::Share, 1_000_000_000),
];

impl Unit {
    /// The unit of a bare number.
    pub const NUMBER: Self = unit("", Dimension::Number, 1_000_000_000);

    /// The unit with this symbol.
    pub fn parse(symbol: &str) -> Option<Self> {
        UNITS.iter().copied().find(|unit| unit.symbol == symbol)
    }

    /// All symbols, for messages and suggestions.
    pub fn symbols() -> impl Iterator<Item = &'static str> {
        UNITS.iter().map(|unit| unit.symbol)
    }
}

/// A decimal number as written: `digits × 10^exponent`. Never a binary fraction.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Decimal {
    /// The digits as one integer, with the sign.
    pub digits: i64,
    /// The power of ten.
    pub exponent: i32,
}

impl Decimal {
    /// One.
    pub const ONE: Self = Self { digits: 1, exponent: 0 };
    /// Zero.
    pub const ZERO: Self = Self { digits: 0, exponent: 0 };

    /// Reads `12`, `-0.5`, `1e-3`, `+4.20`. `None` if it is no decimal number or has more than 18 digits.
    pub fn parse(text: &str) -> Option<Self> {
        match decimal(text) {
            Ok(("", number)) => Some(number),
            _ => None,
        }
    }

    /// `self × unit`, where the product is a whole number of `1/10^decimals`; `None` if it is not or does not fit.
    pub fn times_exact(self, factor: i64) -> Option<i64> {
        let mut value = i128::from(self.digits).checked_mul(i128::from(factor))?;
        if value == 0 {
            return Some(0);
        }
        for _ in 0..self.exponent.unsigned_abs().min(60) {
            if self.exponent > 0 {
                value = value.checked_mul(10)?;
            } else if value % 10 == 0 {
                value /= 10;
            } else {
                return None;
            }
        }
        i64::try_from(value).ok()
    }
}

fn decimal(text: &str) -> IResult<&str, Decimal> {
    let sign = || opt(one_of("+-"));
    let exponent = preceded(one_of("eE"), recognize((sign(), digit1)));
    let number = (sign(), digit0, opt(preceded(char('.'), digit0)), opt(exponent));
    map_opt(number, |(sign, whole, fraction, exponent): (Option<char>, &str, Option<&str>, Option<&str>)| {
        let fraction = fraction.unwrap_or("");
        if whole.is_empty() && fraction.is_empty() {
            return None;
        }
        let fraction = fraction.trim_end_matches('0');
        let digits = format!("{whole}{fraction}");
        let digits = if digits.is_empty() { 0 } else { digits.parse::<i64>().ok()? };
        let exponent = exponent.map_or(Some(0), |text| text.parse::<i32>().ok())?;
        let exponent = exponent.checked_sub(i32::try_from(fraction.len()).ok()?)?;
        let digits = if sign == Some('-') { -digits } else { digits };
        (-60..=60).contains(&exponent).then_some(Decimal { digits, exponent })
    })
    .parse(text)
}

/// An amount read from a file, such as `"4.20 V"`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Amount {
    /// What it measures.
    pub dimension: Dimension,
    /// Billionths of the base unit, exact.
    pub nanos: i64,
}

/// Why a text is no amount.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum AmountError {
    /// It does not start with a decimal number.
    NoNumber,
    /// The unit is not known.
    UnknownUnit(String),
    /// The number is finer than a billionth of the base unit, or too large.
    OutOfRange,
}

impl fmt::Display for AmountError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoNumber => write!(f, "no number at the start"),
            Self::UnknownUnit(unit) if unit.is_empty() => write!(f, "the unit is missing"),
            Self::UnknownUnit(unit) => write!(f, "unknown unit {unit:?}"),
            Self::OutOfRange => write!(f, "too large, or finer than a billionth of the base unit"),
        }
    }
}

impl std::error::Error for AmountError {}

impl Amount {
    /// Reads a number and its unit: `"4.20 V"`, `"15 mV"`, `"60 degC"`, `"-10degC"`.
    ///
    /// # Errors
    /// No number, a unit that is not known, or a value that is not a whole number of billionths of the base unit.
    pub fn parse(text: &str) -> Result<Self, AmountError> {
        let (rest, number) = preceded(space0, decimal).parse(text).map_err(|_| AmountError::NoNumber)?;
        let (_, symbol) = preceded(space0::<_, nom::error::Error<&str>>, take_while(|_| true))
            .parse(rest)
            .map_err(|_| AmountError::NoNumber)?;
        let symbol = symbol.trim_end();
        let unit = Unit::parse(symbol).ok_or_else(|| AmountError::UnknownUnit(symbol.to_owned()))?;
        let nanos = number
            .times_exact(unit.nanos)
            .and_then(|nanos| nanos.checked_add(unit.offset_nanos))
            .ok_or(AmountError::OutOfRange)?;
        Ok(Self { dimension: unit.dimension, nanos })
    }

    /// The amount as a length of time; `None` unless it is a time of zero or more.
    pub fn duration(self) -> Option<std::time::Duration> {
        let nanos = u64::try_from(self.nanos).ok()?;
        (self.dimension == Dimension::Time).then(|| std::time::Duration::from_nanos(nanos))
    }
}

/// Prints billionths with a fixed number of decimals (0 to 9), rounded half away from zero.
pub fn format_nanos(nanos: i64, decimals: u32) -> String {
    let decimals = decimals.min(9);
    let step = 10_u64.pow(9 - decimals);
    let rounded = (nanos.unsigned_abs() + step / 2) / step;
    let (whole, rest) = (rounded / 10_u64.pow(decimals), rounded % 10_u64.pow(decimals));
    let sign = if nanos < 0 && rounded != 0 { "-" } else { "" };
    if decimals == 0 {
        format!("{sign}{whole}")
    } else {
        format!("{sign}{whole}.{rest:0width$}", width = decimals as usize)
    }
}

/// Prints billionths exactly, with at least `decimals` decimals and no more than needed.
pub fn format_nanos_exact(nanos: i64, decimals: u32) -> String {
    let full = format_nanos(nanos, 9);
    let Some((whole, fraction)) = full.split_once('.') else { return full };
    let kept = fraction.trim_end_matches('0').len().max(decimals.min(9) as usize);
    match fraction.get(..kept) {
        Some("") | None => whole.to_owned(),
        Some(fraction) => format!("{whole}.{fraction}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts_are_exact() {
        for (text, dimension, nanos) in [
            ("4.20 V", Dimension::Voltage, 4_200_000_000),
            ("4200 mV", Dimension::Voltage, 4_200_000_000),
            ("15mV", Dimension::Voltage, 15_000_000),
            ("-10 degC", Dimension::Temperature, -10_000_000_000),
            ("298.15 K", Dimension::Temperature, 25_000_000_000),
            ("1e-3 V", Dimension::Voltage, 1_000_000),
            ("1.5 mohm", Dimension::Resistance, 1_500_000),
            ("2.1 Mohm", Dimension::Resistance, 2_100_000_000_000_000),
            ("9 Gohm", Dimension::Resistance, 9_000_000_000_000_000_000),
            ("0.5 %", Dimension::Share, 500_000_000),
            ("8 mF", Dimension::Capacitance, 8_000_000),
            ("470 uF", Dimension::Capacitance, 470_000),
            ("120 cm", Dimension::Length, 1_200_000_000),
            ("16 mm2", Dimension::Area, 16_000_000_000),
            ("2 min", Dimension::Time, 120_000_000_000),
        ] {
            assert_eq!(Amount::parse(text), Ok(Amount { dimension, nanos }), "{text}");
        }
    }

    #[test]
    fn what_is_no_amount_says_why() {
        assert_eq!(Amount::parse("volts"), Err(AmountError::NoNumber));
        assert_eq!(Amount::parse("4.2"), Err(AmountError::UnknownUnit(String::new())));
        assert_eq!(Amount::parse("4.2 v"), Err(AmountError::UnknownUnit("v".into())));
        assert_eq!(Amount::parse("0.0000000001 V"), Err(AmountError::OutOfRange));
        assert_eq!(Amount::parse("10 Gohm"), Err(AmountError::OutOfRange));
        assert_eq!(Amount::parse("99999999999999 V"), Err(AmountError::OutOfRange));
        assert_eq!(Amount::parse("1e999999999999 V"), Err(AmountError::NoNumber));
    }

    #[test]
    fn decimals_keep_their_digits() {
        assert_eq!(Decimal::parse("0.1"), Some(Decimal { digits: 1, exponent: -1 }));
        assert_eq!(Decimal::parse("-12.50"), Some(Decimal { digits: -125, exponent: -1 }));
        assert_eq!(Decimal::parse("1e-3"), Some(Decimal { digits: 1, exponent: -3 }));
        assert_eq!(Decimal::parse(""), None);
        assert_eq!(Decimal::parse("1.2.3"), None);
        assert_eq!(Decimal::parse("99999999999999999999"), None);
    }

    #[test]
    fn printing_rounds_and_keeps_the_sign() {
        assert_eq!(format_nanos(3_836_499_999, 3), "3.836");
        assert_eq!(format_nanos(3_836_500_000, 3), "3.837");
        assert_eq!(format_nanos(-400_000, 3), "0.000");
        assert_eq!(format_nanos(-500_000, 3), "-0.001");
        assert_eq!(format_nanos(i64::MIN, 0), "-9223372037");
        assert_eq!(format_nanos_exact(4_200_000_000, 3), "4.200");
        assert_eq!(format_nanos_exact(4_200_000_001, 3), "4.200000001");
        assert_eq!(format_nanos_exact(25_000_000_000, 0), "25");
    }
}
