//! Numbers as sent in base units, as the nearest `f64`, many at once.

use crate::scale::{Scale, gcd};

/// Whole numbers up to here are exact in an `f64`.
const EXACT_BITS: u32 = 53;

/// A scale from numbers as sent to base units as `f64`: the nearest one to the exact value.
///
/// Made once for a column and used for many rows.
#[derive(Clone, PartialEq, Debug)]
pub struct FloatScale {
    ratio: Ratio,
    /// For numbers of up to 8, 16 and 32 bits.
    methods: [Method; 3],
}

/// `(raw × factor + offset) / divisor`, with no common divisor and a positive divisor.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Ratio {
    factor: i128,
    offset: i128,
    divisor: i128,
}

impl FloatScale {
    /// The same scale in floats.
    pub fn new(scale: &Scale) -> Self {
        let (factor, offset, divisor) = scale.in_base_units();
        Self::of(factor, offset, divisor)
    }

    /// The divisor is positive.
    fn of(factor: i128, offset: i128, divisor: i128) -> Self {
        let common = gcd(gcd(factor.unsigned_abs(), offset.unsigned_abs()), divisor.unsigned_abs());
        let common = i128::try_from(common).unwrap_or(1);
        let ratio = Ratio { factor: factor / common, offset: offset / common, divisor: divisor / common };
        Self { ratio, methods: [8, 16, 32].map(|bits| ratio.method(bits)) }
    }

    /// Converts numbers of at most 32 bits.
    pub(crate) fn convert<T: Copy + Into<f64> + Into<i128>>(&self, list: &[T], out: &mut [f64]) {
        let [narrow, middle, wide] = &self.methods;
        let method = match size_of::<T>() {
            1 => narrow,
            2 => middle,
            _ => wide,
        };
        #[cfg(target_arch = "x86_64")]
        if is_x86_feature_detected!("avx2") && is_x86_feature_detected!("fma") {
            // SAFETY: the processor was asked for AVX2 and FMA.
            #[expect(unsafe_code, reason = "the same code, compiled for a processor that was asked for what it uses")]
            unsafe {
                self.ratio.convert_wide(list, method, out);
            }
            return;
        }
        self.ratio.convert_by::<false, T>(list, method, out);
    }

    /// The nearest `f64`, of two as near the even one.
    pub(crate) fn exact(&self, raw: i128) -> f64 {
        self.ratio.exact(raw)
    }

    /// A number that was sent as a float; zero where the result is not finite.
    pub(crate) fn float(&self, raw: f64) -> f64 {
        self.ratio.float(raw)
    }
}

impl Ratio {
    #[cfg(target_arch = "x86_64")]
    #[target_feature(enable = "avx2,fma")]
    fn convert_wide<T: Copy + Into<f64> + Into<i128>>(self, list: &[T], method: &Method, out: &mut [f64]) {
        self.convert_by::<true, T>(list, method, out);
    }

    /// `FUSED`: the processor multiplies and adds in one step, with one rounding. Both round as the quotient does.
    #[inline(always)]
    fn convert_by<const FUSED: bool, T: Copy + Into<f64> + Into<i128>>(
        self,
        list: &[T],
        method: &Method,
        out: &mut [f64],
    ) {
        let pairs = out.iter_mut().zip(list);
        let sum = |dividend: f64, high: f64, low: f64| match FUSED {
            true => dividend.mul_add(low, dividend * high),
            false => dividend * high + dividend * low,
        };
        match *method {
            Method::Reciprocal { factor, offset, high, low } => {
                // Most numbers are sent in a plain part of their unit.
                if factor.to_bits() == 1_f64.to_bits() && offset.to_bits() == 0 {
                    pairs.for_each(|(to, raw)| *to = sum((*raw).into(), high, low));
                } else {
                    pairs.for_each(|(to, raw)| {
                        *to = sum(Into::<f64>::into(*raw) * factor + offset, high, low);
                    });
                }
            }
            Method::Division { factor, offset, divisor } => {
                pairs.for_each(|(to, raw)| *to = (Into::<f64>::into(*raw) * factor + offset) / divisor);
            }
            Method::Exact => pairs.for_each(|(to, raw)| *to = self.exact((*raw).into())),
        }
    }

    /// The nearest `f64`, of two as near the even one.
    #[expect(clippy::cast_precision_loss, reason = "the one rounding that there is")]
    fn exact(self, raw: i128) -> f64 {
        // No scale and no number of 64 bits comes to the ends of this range.
        let dividend = raw.saturating_mul(self.factor).saturating_add(self.offset);
        let negative = dividend < 0;
        // So many bits that the quotient has more than a float; what is left of the division goes into its last bit.
        let shift = dividend.unsigned_abs().leading_zeros().saturating_sub(1).min(126);
        let (dividend, divisor) = (dividend.unsigned_abs() << shift, self.divisor.unsigned_abs());
        let quotient = (dividend / divisor) | u128::from(dividend % divisor != 0);
        let size = quotient as f64 / 2_f64.powi(shift.cast_signed());
        if negative { -size } else { size }
    }

    /// A number that was sent as a float; zero where the result is not finite.
    #[expect(clippy::cast_precision_loss, reason = "in floats from the start")]
    fn float(self, raw: f64) -> f64 {
        let value = (raw * self.factor as f64 + self.offset as f64) / self.divisor as f64;
        if value.is_finite() { value } else { 0.0 }
    }

    #[expect(clippy::cast_precision_loss, reason = "all of these are exact: see the limits")]
    fn method(self, bits: u32) -> Method {
        let largest = (self.factor.unsigned_abs() << bits).saturating_add(self.offset.unsigned_abs());
        let size = u128::BITS - largest.leading_zeros();
        let divisor_bits = i128::BITS - self.divisor.leading_zeros();
        if EXACT_BITS < size.max(divisor_bits) || 64 < u128::BITS - self.factor.unsigned_abs().leading_zeros() {
            return Method::Exact;
        }
        let [factor, offset, divisor] = [self.factor, self.offset, self.divisor].map(|part| part as f64);
        if 50 < size + divisor_bits {
            return Method::Division { factor, offset, divisor };
        }
        // The reciprocal in two parts. The high one is so short that its product with any dividend is exact. The low one
        // has an error of half its last bit, and so has its product: together less than 2^(size - 104) of the quotient.
        // A quotient of whole numbers that is not exact in a float is further than 2^-54 / divisor of itself from where
        // the rounding turns, which is more: the sum rounds as the quotient does.
        let scale = EXACT_BITS - size + divisor_bits - 1;
        let (high, rest) = ((1_i128 << scale) / self.divisor, (1_i128 << scale) % self.divisor);
        let unit = 2_f64.powi(-scale.cast_signed());
        Method::Reciprocal { factor, offset, high: high as f64 * unit, low: rest as f64 / divisor * unit }
    }
}

/// How a column is converted.
#[derive(Clone, Copy, PartialEq, Debug)]
enum Method {
    /// `dividend × high + dividend × low`
    Reciprocal {
        factor: f64,
        offset: f64,
        high: f64,
        low: f64,
    },
    Division {
        factor: f64,
        offset: f64,
        divisor: f64,
    },
    /// In whole numbers, one by one.
    Exact,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The quotient as the nearest float: in a long division that shares nothing with the above.
    fn by_text(ratio: Ratio, raw: i128) -> f64 {
        // Eighty digits behind the point are far more than tell two neighbours apart; Rust reads decimals correctly rounded.
        let dividend = raw * ratio.factor + ratio.offset;
        let (mut text, mut rest) = (String::new(), dividend.unsigned_abs());
        let divisor = ratio.divisor.unsigned_abs();
        text.push_str(&format!("{}.", rest / divisor));
        for _ in 0..80 {
            rest = rest % divisor * 10;
            text.push_str(&(rest / divisor).to_string());
        }
        let size: f64 = text.parse().expect("a number");
        if dividend < 0 { -size } else { size }
    }

    #[test]
    fn every_number_of_16_bits_is_correctly_rounded() {
        let all: Vec<u16> = (0..=u16::MAX).collect();
        let mut out = vec![0.0; all.len()];
        for divisor in [1, 2, 3, 7, 10, 100, 1000, 1024, 10_000, 65_537, 1_000_000, 1_000_000_007] {
            for factor in [1, 3, 25, -1] {
                let scale = FloatScale::of(factor, 0, divisor);
                scale.convert(&all, &mut out);
                let mut plain = vec![0.0; all.len()];
                scale.ratio.convert_by::<false, u16>(&all, &scale.methods[1], &mut plain);
                #[expect(clippy::cast_precision_loss, reason = "few bits")]
                for ((raw, value), plain) in all.iter().zip(&out).zip(&plain) {
                    let wanted = f64::from(i32::from(*raw)) * factor as f64 / divisor as f64;
                    assert_eq!(value.to_bits(), (wanted + 0.0).to_bits(), "{raw} x {factor} / {divisor}");
                    assert_eq!(plain.to_bits(), value.to_bits(), "{raw} x {factor} / {divisor}, in three steps");
                }
            }
        }
    }

    #[test]
    fn wider_numbers_are_correctly_rounded_too() {
        let mut raws = vec![0_i32, 1, -1, i32::MAX, i32::MIN];
        let mut dice = 0x1234_5678_9ABC_DEF1_u64;
        for _ in 0..3000 {
            dice = dice.wrapping_mul(0x5851_F42D_4C95_7F2D).wrapping_add(0x1405_7B7E_F767_814F);
            raws.push(i32::try_from(dice >> 33).expect("31 bits") >> (dice % 31));
        }
        let mut out = vec![0.0; raws.len()];
        let ratios = [
            (1, 0, 1000),
            (1, -273_150, 1000),
            (5, 7, 3),
            (1, 0, 1_000_000_000),
            (12_345, 0, 99_991),
            (1 << 40, 1, 9_999_999_967),
        ];
        for (factor, offset, divisor) in ratios {
            let scale = FloatScale::of(factor, offset, divisor);
            scale.convert(&raws, &mut out);
            let mut plain = vec![0.0; raws.len()];
            scale.ratio.convert_by::<false, i32>(&raws, &scale.methods[2], &mut plain);
            for ((raw, value), plain) in raws.iter().zip(&out).zip(&plain) {
                assert_eq!(plain.to_bits(), value.to_bits(), "{raw} of {factor} {offset} {divisor}, in three steps");
                let wanted = by_text(scale.ratio, (*raw).into());
                assert_eq!(value.to_bits(), wanted.to_bits(), "{raw} of {factor} {offset} {divisor}");
                assert_eq!(
                    scale.exact((*raw).into()).to_bits(),
                    wanted.to_bits(),
                    "{raw} of {factor} {offset} {divisor}, exactly"
                );
            }
        }
        for raw in [i128::from(u64::MAX), i64::MIN.into(), (1 << 53) + 1, 1 << 62] {
            let scale = FloatScale::of(i64::MAX.into(), -3, 1_000_000_000);
            let wanted = by_text(scale.ratio, raw);
            assert_eq!(scale.exact(raw).to_bits(), wanted.to_bits(), "{raw}");
        }
    }
}
