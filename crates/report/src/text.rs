//! Numbers as text, digit by digit, at the end of a list of bytes.

use std::fmt;

/// How many fractions of a second, or of a unit, there are.
const NANOS: u64 = 1_000_000_000;

/// For each number below a thousand its three digits, and how many of them are left when zeros at the end are dropped.
static THREE: [[u8; 4]; 1000] = three_digits();

const fn three_digits() -> [[u8; 4]; 1000] {
    let mut table = [[0; 4]; 1000];
    let mut digits = [0_u8; 3];
    let mut number = 0;
    while number < table.len() {
        let kept = match digits {
            [0, 0, 0] => 0,
            [_, 0, 0] => 1,
            [_, _, 0] => 2,
            _ => 3,
        };
        table[number] = [b'0' + digits[0], b'0' + digits[1], b'0' + digits[2], kept];
        // The next number: 9 becomes 0 and carries.
        let mut place = 3;
        while 0 < place {
            place -= 1;
            digits[place] = (digits[place] + 1) % 10;
            if digits[place] != 0 {
                break;
            }
        }
        number += 1;
    }
    table
}

/// The entry of a number below a thousand.
#[inline]
fn three(number: u64) -> [u8; 4] {
    usize::try_from(number).ok().and_then(|number| THREE.get(number)).copied().unwrap_or_default()
}

/// Bytes with room behind their end, so that short texts can be stored as whole words.
#[derive(Debug, Default)]
pub(crate) struct Text {
    bytes: Vec<u8>,
    length: usize,
}

impl Text {
    /// What was written.
    pub(crate) fn written(&self) -> &[u8] {
        self.bytes.get(..self.length).unwrap_or_default()
    }

    /// Begins again in the same memory.
    pub(crate) fn clear(&mut self) {
        self.length = 0;
    }

    /// Writes the first `length` of these bytes; the others may be anything.
    #[inline]
    pub(crate) fn put<const N: usize>(&mut self, bytes: [u8; N], length: usize) {
        match self.bytes.get_mut(self.length..).and_then(|room| room.first_chunk_mut::<N>()) {
            Some(room) => *room = bytes,
            None => self.put_at_the_end(&bytes),
        }
        self.length += length;
    }

    #[cold]
    fn put_at_the_end(&mut self, bytes: &[u8]) {
        self.bytes.truncate(self.length);
        self.bytes.extend_from_slice(bytes);
        // Filled with zeros once for many rows.
        let room = self.bytes.len().max(4096);
        self.bytes.resize(self.bytes.len() + room, 0);
    }

    /// Writes one byte.
    #[inline]
    pub(crate) fn byte(&mut self, byte: u8) {
        self.put([byte], 1);
    }

    /// Writes a whole number.
    pub(crate) fn integer(&mut self, value: i64) {
        if value < 0 {
            self.byte(b'-');
        }
        self.whole(value.unsigned_abs());
    }

    /// Writes a whole number.
    pub(crate) fn whole(&mut self, value: u64) {
        if 1000 <= value {
            self.whole(value / 1000);
            let [hundreds, tens, ones, _] = three(value % 1000);
            self.put([hundreds, tens, ones], 3);
            return;
        }
        let [hundreds, tens, ones, _] = three(value);
        match value {
            0..10 => self.byte(ones),
            10..100 => self.put([tens, ones], 2),
            _ => self.put([hundreds, tens, ones], 3),
        }
    }

    /// Writes billionths exactly, with at least `decimals` decimals (0 to 9) and no more than needed.
    pub(crate) fn nanos(&mut self, nanos: i64, decimals: u8) {
        if nanos < 0 {
            self.byte(b'-');
        }
        self.size(nanos.unsigned_abs(), decimals);
    }

    /// The same without a sign.
    pub(crate) fn size(&mut self, nanos: u64, decimals: u8) {
        let (whole, rest) = (nanos / NANOS, nanos % NANOS);
        self.whole(whole);
        let [a, b, c] = [three(rest / 1_000_000), three(rest / 1000 % 1000), three(rest % 1000)];
        let needed = match (a, b, c) {
            ([.., kept], [.., 0], [.., 0]) => kept,
            (_, [.., kept], [.., 0]) => 3 + kept,
            (_, _, [.., kept]) => 6 + kept,
        };
        let kept = needed.max(decimals.min(9));
        if 0 < kept {
            self.put([b'.', a[0], a[1], a[2], b[0], b[1], b[2], c[0], c[1], c[2]], 1 + usize::from(kept));
        }
    }
}

impl fmt::Write for Text {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        // Far from the usual case: floats that were sent as floats and are no measured values.
        text.bytes().for_each(|byte| self.byte(byte));
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use model::{SessionTime, format_nanos_exact};

    fn text(write: impl FnOnce(&mut Text)) -> String {
        let mut text = Text::default();
        write(&mut text);
        String::from_utf8(text.written().to_vec()).expect("digits")
    }

    /// Numbers of every size, and those around each power of ten.
    fn numbers() -> Vec<u64> {
        let mut all = vec![0, u64::MAX, u64::MAX / 2, u64::MAX / 2 + 1];
        let mut dice = 0x1234_5678_9ABC_DEF1_u64;
        for round in 0..20_000 {
            dice = dice.wrapping_mul(0x5851_F42D_4C95_7F2D).wrapping_add(0x1405_7B7E_F767_814F);
            let number = dice >> (round % 64);
            all.extend([number, number - number % 10_u64.pow(round % 12)]);
        }
        all.extend((0..=19).map(|power| 10_u64.pow(power)).flat_map(|power| [power - 1, power, power + 1]));
        all
    }

    #[test]
    fn numbers_are_as_the_standard_library_writes_them() {
        for number in numbers() {
            assert_eq!(text(|text| text.whole(number)), number.to_string());
            let signed = number.cast_signed();
            assert_eq!(text(|text| text.integer(signed)), signed.to_string());
            for decimals in 0..=9 {
                let expected = format_nanos_exact(signed, decimals.into());
                assert_eq!(text(|text| text.nanos(signed, decimals)), expected, "{signed}, {decimals} decimals");
            }
            assert_eq!(text(|text| text.size(number, 3)), SessionTime::from_nanos(number).to_string());
        }
    }

    #[test]
    fn memory_is_used_again_without_what_was_in_it() {
        let mut text = Text::default();
        for number in 0..10_000 {
            text.whole(number);
        }
        assert_eq!(text.written().len(), 10 + 90 * 2 + 900 * 3 + 9000 * 4);
        text.clear();
        text.integer(-7);
        assert_eq!(text.written(), b"-7");
        text.clear();
        assert_eq!(text.written(), b"");
    }
}
