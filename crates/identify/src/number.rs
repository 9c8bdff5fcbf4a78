//! Numbers as they may stand in a frame.

/// How a number is encoded.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Form {
    /// Whole bytes, not signed.
    Unsigned {
        /// How many.
        bytes: usize,
        /// Highest byte first.
        big: bool,
    },
    /// Whole bytes, two's complement.
    Signed {
        /// How many.
        bytes: usize,
        /// Highest byte first.
        big: bool,
    },
    /// IEEE 754, of 2 or 4 bytes.
    Float {
        /// How many.
        bytes: usize,
        /// Highest byte first.
        big: bool,
    },
}

impl Form {
    /// One byte, not signed.
    pub const BYTE: Self = Self::Unsigned { bytes: 1, big: false };

    /// Bytes that it takes.
    pub fn width(self) -> usize {
        match self {
            Self::Unsigned { bytes, .. } | Self::Signed { bytes, .. } | Self::Float { bytes, .. } => bytes,
        }
    }

    /// The type in a protocol file.
    pub fn name(self) -> String {
        let (letter, bytes, big) = match self {
            Self::Unsigned { bytes, big } => ("u", bytes, big),
            Self::Signed { bytes, big } => ("i", bytes, big),
            Self::Float { bytes, big } => ("f", bytes, big),
        };
        match bytes {
            1 => format!("{letter}8"),
            _ => format!("{letter}{} {}", bytes * 8, if big { "be" } else { "le" }),
        }
    }

    /// Whether it is a float.
    pub(crate) fn is_float(self) -> bool {
        matches!(self, Self::Float { .. })
    }

    /// The number at `at`; `None` where the bytes end before it does, and for a float that is no number.
    pub(crate) fn read(self, bytes: &[u8], at: usize) -> Option<f64> {
        let part = bytes.get(at..at + self.width())?;
        let (big, width) = match self {
            Self::Unsigned { bytes, big } | Self::Signed { bytes, big } | Self::Float { bytes, big } => (big, bytes),
        };
        let mut value: u64 = 0;
        for index in 0..width {
            let byte = if big { part.get(index) } else { part.get(width - 1 - index) };
            value = value << 8 | u64::from(*byte?);
        }
        match self {
            Self::Unsigned { .. } => Some(value as f64),
            Self::Signed { bytes, .. } => {
                let shift = 64 - 8 * u32::try_from(bytes).ok()?;
                Some(((value << shift).cast_signed() >> shift) as f64)
            }
            Self::Float { bytes: 4, .. } => {
                let value = f32::from_bits(u32::try_from(value).ok()?);
                value.is_finite().then_some(value.into())
            }
            Self::Float { .. } => half(u16::try_from(value).ok()?),
        }
    }
}

/// A half-precision float; `None` if it is no number.
fn half(bits: u16) -> Option<f64> {
    let sign = if bits >> 15 == 1 { -1.0 } else { 1.0 };
    let exponent = i32::from(bits >> 10 & 0x1F);
    let fraction = f64::from(bits & 0x3FF) / 1024.0;
    match exponent {
        31 => None,
        0 => Some(sign * fraction * 2_f64.powi(-14)),
        _ => Some(sign * (1.0 + fraction) * 2_f64.powi(exponent - 15)),
    }
}

/// Reads a whole number of at most 8 bytes.
pub(crate) fn whole(part: &[u8], big: bool) -> u64 {
    let join = |value: u64, byte: &u8| value << 8 | u64::from(*byte);
    if big { part.iter().fold(0, join) } else { part.iter().rev().fold(0, join) }
}

/// The middle of some numbers; 0 where there are none.
pub(crate) fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}

/// How two rows of numbers go together, from -1 to 1; 0 where one of them does not change.
pub(crate) fn correlation(one: &[f64], two: &[f64]) -> f64 {
    let count = one.len().min(two.len()) as f64;
    if count < 3.0 {
        return 0.0;
    }
    let mean = |values: &[f64]| values.iter().sum::<f64>() / count;
    let (a, b) = (mean(one), mean(two));
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (x, y) in one.iter().zip(two) {
        ab += (x - a) * (y - b);
        aa += (x - a) * (x - a);
        bb += (y - b) * (y - b);
    }
    if aa <= 0.0 || bb <= 0.0 { 0.0 } else { ab / (aa * bb).sqrt() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_as_the_standard_says() {
        assert_eq!(Form::Signed { bytes: 2, big: true }.read(&[0xFF, 0xE0], 0), Some(-32.0));
        assert_eq!(Form::Unsigned { bytes: 3, big: false }.read(&[1, 2, 3], 0), Some(197_121.0));
        // IEEE 754: 1.0 is 3C00 and 3F800000.
        assert_eq!(Form::Float { bytes: 2, big: true }.read(&[0x3C, 0], 0), Some(1.0));
        assert_eq!(Form::Float { bytes: 4, big: true }.read(&[0x3F, 0x80, 0, 0], 0), Some(1.0));
        assert_eq!(Form::Float { bytes: 2, big: true }.read(&[0x7E, 0], 0), None);
        assert_eq!(Form::BYTE.read(&[1], 1), None);
    }
}
