//! From integers as sent to billionths of the base unit, exactly, and back.

use crate::quantity::{Decimal, Unit};

/// A linear, correctly rounded map from a number as sent to billionths of the base unit.
///
/// `nanos = round_half_even(raw × num / den) + offset`. It is monotone, so a limit has one threshold in numbers as sent.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct Scale {
    num: i64,
    den: i64,
    offset: i64,
}

impl Scale {
    /// A number as sent that is already in `unit`.
    pub fn of_unit(unit: Unit) -> Self {
        Self { num: unit.nanos, den: 1, offset: unit.offset_nanos }
    }

    /// `value = raw × factor + offset`, in `unit`.
    ///
    /// `None` if the factor is zero or the result would not fit.
    pub fn new(unit: Unit, factor: Decimal, offset: Decimal) -> Option<Self> {
        if factor.digits == 0 {
            return None;
        }
        let mut num = i128::from(unit.nanos).checked_mul(i128::from(factor.digits))?;
        let mut den: i128 = 1;
        for _ in 0..factor.exponent.unsigned_abs() {
            if factor.exponent > 0 {
                num = num.checked_mul(10)?;
            } else if num % 10 == 0 {
                num /= 10;
            } else {
                den = den.checked_mul(10)?;
            }
        }
        let common = gcd(num.unsigned_abs(), den.unsigned_abs());
        let common = i128::try_from(common).ok()?;
        let offset = offset.times_exact(unit.nanos)?.checked_add(unit.offset_nanos)?;
        Some(Self { num: i64::try_from(num / common).ok()?, den: i64::try_from(den / common).ok()?, offset })
    }

    /// The same scale with the sign of the value turned round.
    pub fn negated(self) -> Option<Self> {
        Some(Self { num: self.num.checked_neg()?, den: self.den, offset: self.offset.checked_neg()? })
    }

    /// The value in billionths of the base unit; `None` if it does not fit in 64 bits.
    pub fn nanos(&self, raw: i128) -> Option<i64> {
        if self.den == 1
            && let Ok(raw) = i64::try_from(raw)
            && let Some(value) = raw.checked_mul(self.num)
        {
            return value.checked_add(self.offset);
        }
        let product = raw.checked_mul(i128::from(self.num))?;
        i64::try_from(round_half_even(product, i128::from(self.den))).ok()?.checked_add(self.offset)
    }

    /// As [`nanos`](Self::nanos), for numbers that fit in 64 bits.
    #[inline]
    pub fn nanos_of_integer(&self, raw: i64) -> Option<i64> {
        match raw.checked_mul(self.num) {
            Some(value) if self.den == 1 => value.checked_add(self.offset),
            _ => self.nanos(raw.into()),
        }
    }

    /// The same step from each number as sent to the next, in billionths, with its sign; `None` where values are rounded.
    pub fn whole_step(&self) -> Option<i64> {
        (self.den == 1).then_some(self.num)
    }

    /// The value of a number sent as a float, rounded to the nearest billionth; `None` if it is not finite or does not fit.
    pub fn nanos_of_float(&self, raw: f64) -> Option<i64> {
        #[expect(clippy::cast_precision_loss, reason = "a float field has no more than 53 bits anyway")]
        let value = raw * (self.num as f64) / (self.den as f64);
        if !value.is_finite() || value.abs() >= 9.2e18 {
            return None;
        }
        #[expect(clippy::cast_possible_truncation, reason = "checked against the range above")]
        let nanos = value.round_ties_even() as i64;
        nanos.checked_add(self.offset)
    }

    /// The number to send for a value: the nearest one.
    pub fn raw(&self, nanos: i64) -> i128 {
        let product = (i128::from(nanos) - i128::from(self.offset)) * i128::from(self.den);
        let (product, num) = if self.num < 0 { (-product, -i128::from(self.num)) } else { (product, self.num.into()) };
        round_half_even(product, num)
    }

    /// The number to send as a float for a value.
    #[expect(clippy::cast_precision_loss, reason = "the result is a float field")]
    pub fn raw_float(&self, nanos: i64) -> f64 {
        (nanos as f64 - self.offset as f64) * (self.den as f64) / (self.num as f64)
    }

    /// Factor, offset and positive divisor: `(raw × factor + offset) / divisor` is the value in base units.
    pub(crate) fn in_base_units(&self) -> (i128, i128, i128) {
        let [num, den, offset] = [self.num, self.den, self.offset].map(i128::from);
        (num, offset * den, den * NANOS)
    }

    /// The step between two neighbouring numbers as sent, in billionths, at least 1.
    pub fn resolution(&self) -> i64 {
        (self.num / self.den).abs().max(1)
    }
}

/// Billionths in one.
const NANOS: i128 = 1_000_000_000;

pub(crate) fn gcd(a: u128, b: u128) -> u128 {
    if b == 0 { a.max(1) } else { gcd(b, a % b) }
}

/// `value / by`, to the nearest integer, ties to the even one; `by` is positive.
fn round_half_even(value: i128, by: i128) -> i128 {
    let (whole, rest) = (value.div_euclid(by), value.rem_euclid(by));
    match (rest * 2).cmp(&by) {
        std::cmp::Ordering::Less => whole,
        std::cmp::Ordering::Greater => whole + 1,
        std::cmp::Ordering::Equal => whole + (whole & 1),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Amount;

    fn scale(unit: &str, factor: &str, offset: &str) -> Scale {
        let parse = |text| Decimal::parse(text).expect("a decimal");
        Scale::new(Unit::parse(unit).expect("a unit"), parse(factor), parse(offset)).expect("a scale")
    }

    #[test]
    fn every_millivolt_equals_its_text() {
        let mv = scale("mV", "1", "0");
        for sent in 0..=65_535_i32 {
            let text = format!("{}.{:03} V", sent / 1000, sent % 1000);
            assert_eq!(mv.nanos(sent.into()), Amount::parse(&text).map(|a| a.nanos).ok(), "{text}");
        }
    }

    #[test]
    fn tenths_of_kelvin_follow_the_published_table() {
        // Smart Battery Data Specification 1.1 (1998), command 08h: unit 0.1 K.
        let sbs = scale("K", "0.1", "0");
        for (sent, text) in [
            (2731, "-0.05 degC"),
            (2732, "0.05 degC"),
            (2981, "24.95 degC"),
            (2982, "25.05 degC"),
            (3131, "39.95 degC"),
            (3331, "59.95 degC"),
        ] {
            assert_eq!(sbs.nanos(sent), Some(Amount::parse(text).expect("an amount").nanos), "{sent}");
        }
    }

    #[test]
    fn a_third_is_rounded_once() {
        let third = Scale { num: 1_000_000_000, den: 3, offset: 0 };
        assert_eq!(third.nanos(1), Some(333_333_333));
        assert_eq!(third.nanos(2), Some(666_666_667));
        assert_eq!(third.nanos(-2), Some(-666_666_667));
        assert_eq!(third.raw(666_666_667), 2);
    }

    #[test]
    fn there_and_back() {
        let scale = scale("A", "-0.01", "-30");
        for sent in [-32768_i128, -1, 0, 1, 32767] {
            assert_eq!(scale.raw(scale.nanos(sent).expect("in range")), sent);
        }
    }

    #[test]
    fn numbers_of_64_bits_are_as_all_others() {
        let scales =
            [scale("mV", "1", "0"), scale("K", "0.1", "0"), scale("A", "-0.01", "-30"), scale("V", "1e9", "7")];
        for scale in scales.into_iter().chain([Scale { num: 1_000_000_000, den: 3, offset: 5 }]) {
            for raw in [0, 1, -1, 4200, -32_768, 1 << 40, i64::MIN, i64::MAX, i64::MAX / 1_000_000_000] {
                assert_eq!(scale.nanos_of_integer(raw), scale.nanos(raw.into()), "{scale:?} {raw}");
            }
        }
    }

    #[test]
    fn what_does_not_fit_is_none() {
        let volts = scale("V", "1", "0");
        assert_eq!(volts.nanos(i128::from(u64::MAX)), None);
        assert_eq!(volts.nanos(i128::MAX), None);
        assert_eq!(volts.nanos_of_float(f64::NAN), None);
        assert_eq!(volts.nanos_of_float(1e30), None);
        assert!(Scale::new(Unit::NUMBER, Decimal::ZERO, Decimal::ZERO).is_none());
    }
}
