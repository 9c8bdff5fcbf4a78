//! Numbers in bytes: from what stands there to a number as sent, and back.

use model::Raw;

use crate::protocol::Number;

/// Bytes of the widest number: 18 decimal digits.
const WIDEST: usize = 18;

/// Reads a number; bytes that are not there count as zero. `None` where the bytes are no such number at all.
pub(crate) fn read(number: Number, bytes: &[u8], at: usize) -> Option<Raw> {
    let width = number.width();
    let mut padded = [0_u8; WIDEST];
    let there = bytes.get(at..(at + width).min(bytes.len())).unwrap_or(&[]);
    let slice = if there.len() == width {
        there
    } else {
        for (to, from) in padded.iter_mut().zip(there) {
            *to = *from;
        }
        padded.get(..width).unwrap_or(&[])
    };
    let whole = |big: bool| {
        let add = |sum: u64, byte: &u8| sum << 8 | u64::from(*byte);
        if big { slice.iter().fold(0, add) } else { slice.iter().rev().fold(0, add) }
    };
    Some(match number {
        Number::Int { bytes, signed: true, big } => {
            let unused = 64 - 8 * u32::from(bytes.clamp(1, 8));
            Raw::Int(((whole(big) << unused).cast_signed() >> unused).into())
        }
        Number::Int { big, .. } => Raw::Int(whole(big).into()),
        Number::Float { bytes: 2, big } => {
            Raw::Float(half::f16::from_bits(u16::try_from(whole(big)).unwrap_or(0)).to_f64())
        }
        Number::Float { bytes: 4, big } => Raw::Float(f32::from_bits(u32::try_from(whole(big)).unwrap_or(0)).into()),
        Number::Float { big, .. } => Raw::Float(f64::from_bits(whole(big))),
        Number::Bcd { big, .. } => {
            let digits = |sum: Option<i128>, byte: &u8| {
                let (high, low) = (byte >> 4, byte & 15);
                (high < 10 && low < 10).then_some(sum? * 100 + i128::from(high) * 10 + i128::from(low))
            };
            Raw::Int(if big { slice.iter().fold(Some(0), digits) } else { slice.iter().rev().fold(Some(0), digits) }?)
        }
        Number::Characters { .. } => {
            let text = std::str::from_utf8(slice).ok()?.trim();
            let digits = text.strip_prefix(['-', '+']).unwrap_or(text);
            if digits.is_empty() || !digits.bytes().all(|byte| byte.is_ascii_digit()) {
                return None;
            }
            Raw::Int(text.parse().ok()?)
        }
        Number::HexCharacters { .. } => {
            let digit = |sum: Option<i128>, byte: &u8| Some(sum? << 4 | i128::from(char::from(*byte).to_digit(16)?));
            Raw::Int(slice.iter().fold(Some(0), digit)?)
        }
        Number::Digits { .. } | Number::HexDigits | Number::Word => return None,
    })
}

/// Writes a number; one that does not fit is written as the nearest that does. Nothing is written outside `frame`.
pub(crate) fn write(number: Number, value: Raw, frame: &mut [u8], at: usize) {
    let width = number.width();
    let (low, high) = number.range();
    let Some(place) = frame.get_mut(at..at + width) else { return };
    let int = match value {
        Raw::Int(value) => value.clamp(low, high),
        Raw::Float(_) => 0,
    };
    let mut put = |whole: u64, big: bool| {
        let bytes = whole.to_le_bytes();
        for (index, byte) in place.iter_mut().enumerate() {
            let from = if big { width - 1 - index } else { index };
            *byte = bytes.get(from).copied().unwrap_or(0);
        }
    };
    match number {
        Number::Int { big, .. } => put(low_bits(int), big),
        Number::Float { bytes, big } => {
            let value = match value {
                Raw::Float(value) => value,
                #[expect(clippy::cast_precision_loss, reason = "a marker or a fixed value in a float field")]
                Raw::Int(value) => value as f64,
            };
            let bits = match bytes {
                2 => u64::from(half::f16::from_f64(value).to_bits()),
                #[expect(clippy::cast_possible_truncation, reason = "that is what a 4-byte float field holds")]
                4 => u64::from((value as f32).to_bits()),
                _ => value.to_bits(),
            };
            put(bits, big);
        }
        Number::Bcd { bytes, big } => {
            let mut rest = int.unsigned_abs();
            let mut whole = 0_u64;
            for index in 0..u32::from(bytes) * 2 {
                whole |= u64::try_from(rest % 10).unwrap_or(0) << (4 * index);
                rest /= 10;
            }
            put(whole, big);
        }
        Number::Characters { .. } => {
            let text = if int < 0 {
                format!("-{:0w$}", int.unsigned_abs(), w = width.saturating_sub(1))
            } else {
                format!("{int:0width$}")
            };
            place.copy_from_slice(text.as_bytes().get(..width).unwrap_or(&vec![b'0'; width]));
        }
        Number::HexCharacters { .. } => {
            let text = format!("{int:0width$X}");
            place.copy_from_slice(text.as_bytes().get(..width).unwrap_or(&vec![b'0'; width]));
        }
        Number::Digits { .. } | Number::HexDigits | Number::Word => {}
    }
}

/// The lowest 64 bits in two's complement.
pub(crate) fn low_bits(value: i128) -> u64 {
    u64::try_from(value & i128::from(u64::MAX)).unwrap_or(0)
}

/// The bits of a word from `low` on, with the sign of the highest where the number has one.
pub(crate) fn bits_of(word: i128, (low, count): (u8, u8), signed: bool) -> i128 {
    let mask = (1_i128 << count.min(64)) - 1;
    let value = (word >> low.min(64)) & mask;
    if signed && count > 0 && value >> (count - 1) & 1 == 1 { value - (mask + 1) } else { value }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(number: Number, bytes: &[u8], value: Raw) {
        assert_eq!(read(number, bytes, 0), Some(value), "{number:?}");
        let mut back = vec![0; bytes.len()];
        write(number, value, &mut back, 0);
        assert_eq!(back, bytes, "{number:?}");
    }

    #[test]
    fn each_encoding_there_and_back() {
        check(Number::Int { bytes: 3, signed: true, big: false }, &[0xFE, 0xFF, 0xFF], Raw::Int(-2));
        check(Number::Int { bytes: 3, signed: false, big: true }, &[1, 2, 3], Raw::Int(0x01_02_03));
        check(Number::Int { bytes: 8, signed: false, big: true }, &[0xFF; 8], Raw::Int(u64::MAX.into()));
        check(Number::Bcd { bytes: 2, big: true }, &[0x38, 0x40], Raw::Int(3840));
        check(Number::Bcd { bytes: 2, big: false }, &[0x40, 0x38], Raw::Int(3840));
        check(Number::Characters { bytes: 5 }, b"03840", Raw::Int(3840));
        check(Number::Characters { bytes: 4 }, b"-012", Raw::Int(-12));
        check(Number::HexCharacters { bytes: 4 }, b"0F00", Raw::Int(3840));
        check(Number::Float { bytes: 4, big: false }, &1.5_f32.to_le_bytes(), Raw::Float(1.5));
    }

    #[test]
    fn half_floats_follow_the_values_of_a_reference_library() {
        // DSDL 1092.BatteryInfo (dronecan 1.0.27) uses float16; values by numpy float16.
        let half = Number::Float { bytes: 2, big: false };
        for (value, stored) in
            [(298.15, 298.25), (50.4, 50.40625), (58.8, 58.8125), (67.2, 67.1875), (3.8, 3.80078125), (4.2, 4.19921875)]
        {
            let mut bytes = [0; 2];
            write(half, Raw::Float(value), &mut bytes, 0);
            assert_eq!(read(half, &bytes, 0), Some(Raw::Float(stored)), "{value}");
        }
    }

    #[test]
    fn what_is_no_such_number_is_none() {
        assert_eq!(read(Number::Bcd { bytes: 1, big: true }, &[0x3A], 0), None);
        assert_eq!(read(Number::Characters { bytes: 3 }, b"1-2", 0), None);
        assert_eq!(read(Number::Characters { bytes: 3 }, b"   ", 0), None);
        assert_eq!(read(Number::HexCharacters { bytes: 2 }, b"G0", 0), None);
    }

    #[test]
    fn bits_have_their_own_sign() {
        assert_eq!(bits_of(0b1011_0000, (4, 4), false), 11);
        assert_eq!(bits_of(0b1011_0000, (4, 4), true), -5);
        assert_eq!(bits_of(-1, (0, 64), false), u64::MAX.into());
        assert_eq!(bits_of(0, (63, 1), true), 0);
    }
}
