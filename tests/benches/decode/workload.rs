//! The streams that are decoded: seeded, so that each run decodes the same bytes.

use crc::{CRC_16_MODBUS, Crc, Table};

/// Bytes of a frame of [`PROTOCOL`].
pub(crate) const FRAME: usize = 78;

/// How many cells a frame carries.
pub(crate) const CELLS: usize = 24;

/// How many temperatures a frame carries.
pub(crate) const TEMPERATURES: usize = 6;

/// The protocol file of the workloads.
pub(crate) const PROTOCOL: &str = r#"
protocol = "bench-24"

[[frame]]
name = "plain"
start = "AA 55"
parts = [
  { name = "kind", type = "u8", role = "id" },
  { name = "size", type = "u8", role = "size", counts = ["body"] },
  { name = "body", role = "body" },
  { name = "check", type = "u16 le", role = "check", crc = "CRC-16/MODBUS", first = "kind", last = "body" },
]

[[message]]
name = "all"
frames = ["plain"]
id = { kind = 1 }
every = "50 ms"
parts = [
  { name = "uptime", type = "u32 le", unit = "ms", channel = "device time" },
  { name = "cell", type = "u16 be", times = 24, unit = "mV", channel = "cell voltage" },
  { name = "temperature", type = "i16 be", times = 6, unit = "degC", scale = 0.1, channel = "temperature" },
  { name = "current", type = "i32 be", unit = "mA", channel = "current", positive = "discharge" },
  { name = "pack", type = "u16 be", unit = "V", scale = 0.01, channel = "pack voltage" },
  { name = "flags", type = "u16 le", channel = "status", flags = [{ bit = 0, text = "cell over-voltage", set = "fault" }] },
]
"#;

const MODBUS: Crc<u16, Table<16>> = Crc::<u16, Table<16>>::new(&CRC_16_MODBUS);

/// Frames one behind the other, and how many.
pub(crate) fn sound(bytes: usize) -> (Vec<u8>, usize) {
    stream(bytes, 0, 0)
}

/// The same with one flipped bit in a frame of a hundred, and 0 to 40 random bytes behind each fourth; and how many are
/// undamaged.
pub(crate) fn damaged(bytes: usize) -> (Vec<u8>, usize) {
    stream(bytes, 10, 250)
}

/// `flipped` and `followed` are frames of a thousand.
fn stream(bytes: usize, flipped: u64, followed: u64) -> (Vec<u8>, usize) {
    let mut dice = Dice(0x5EED);
    let mut out = Vec::with_capacity(bytes + 2 * FRAME);
    let (mut uptime, mut undamaged) = (0, 0);
    while out.len() < bytes {
        let begin = out.len();
        uptime += 50;
        frame(&mut dice, uptime, &mut out);
        if dice.below(1000) < flipped {
            let bit = usize::try_from(dice.below(8 * FRAME as u64)).unwrap_or(0);
            out[begin + bit / 8] ^= 1 << (bit % 8);
        } else {
            undamaged += 1;
        }
        if dice.below(1000) < followed {
            for _ in 0..dice.below(41) {
                out.push(dice.byte());
            }
        }
    }
    (out, undamaged)
}

fn frame(dice: &mut Dice, uptime: u32, out: &mut Vec<u8>) {
    let begin = out.len();
    out.extend([0xAA, 0x55, 1, 72]);
    out.extend(uptime.to_le_bytes());
    for _ in 0..CELLS {
        out.extend((3_800 + dice.word() % 100).to_be_bytes());
    }
    for _ in 0..TEMPERATURES {
        out.extend((230 + dice.word() % 40).to_be_bytes());
    }
    out.extend((40_000 + u32::from(dice.word())).to_be_bytes());
    out.extend((9_200 + dice.word() % 50).to_be_bytes());
    out.extend(0_u16.to_le_bytes());
    let check = MODBUS.checksum(&out[begin + 2..]);
    out.extend(check.to_le_bytes());
}

/// SplitMix64 (Steele, Lea, Flood, 2014; written from memory): any even spread of values would do.
pub(crate) struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ (mixed >> 31)
    }

    /// A number below `limit`.
    pub(crate) fn below(&mut self, limit: u64) -> u64 {
        self.next() % limit
    }

    /// Any byte.
    pub(crate) fn byte(&mut self) -> u8 {
        self.next().to_le_bytes()[7]
    }

    /// Any 16 bits.
    pub(crate) fn word(&mut self) -> u16 {
        let [.., low, high] = self.next().to_le_bytes();
        u16::from_le_bytes([low, high])
    }
}
