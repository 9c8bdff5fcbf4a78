//! The reference: a decoder written by hand for exactly this frame, in plain Rust.

use crc::{CRC_16_MODBUS, Crc, Table};

use crate::table::Table as Values;
use crate::workload::{CELLS, FRAME, TEMPERATURES};

static MODBUS: Crc<u16, Table<16>> = Crc::<u16, Table<16>>::new(&CRC_16_MODBUS);

/// Decodes all whole frames and gives back how many bytes are settled.
#[inline(never)]
pub(crate) fn decode(bytes: &[u8], values: &mut Values) -> usize {
    let mut at = 0;
    while let Some(frame) = bytes.get(at..).and_then(|rest| rest.first_chunk::<FRAME>()) {
        if frame[0] != 0xAA || frame[1] != 0x55 || frame[2] != 1 || frame[3] != 72 {
            at += 1;
            continue;
        }
        if MODBUS.checksum(&frame[2..FRAME - 2]) != u16::from_le_bytes([frame[FRAME - 2], frame[FRAME - 1]]) {
            at += 1;
            continue;
        }
        row(frame, values);
        at += FRAME;
    }
    at
}

#[inline(always)]
fn row(frame: &[u8; FRAME], values: &mut Values) {
    let u16_at = |at: usize| u16::from_be_bytes([frame[at], frame[at + 1]]);
    let u32_at = |at: usize| [frame[at], frame[at + 1], frame[at + 2], frame[at + 3]];
    let row = values.rows;
    values.uptime[row] = f64::from(u32::from_le_bytes(u32_at(4))) / 1000.0;
    let (mut low, mut high, mut sum) = (u16::MAX, 0, 0);
    for cell in 0..CELLS {
        let raw = u16_at(8 + 2 * cell);
        low = low.min(raw);
        high = high.max(raw);
        sum += u32::from(raw);
        values.cell[cell][row] = f64::from(raw) / 1000.0;
    }
    for place in 0..TEMPERATURES {
        let raw = u16_at(8 + 2 * CELLS + 2 * place).cast_signed();
        values.temperature[place][row] = f64::from(raw) / 10.0;
    }
    values.current[row] = f64::from(i32::from_be_bytes(u32_at(68))) / 1000.0;
    values.pack[row] = f64::from(u16_at(72)) / 100.0;
    values.flags[row] = f64::from(u16::from_le_bytes([frame[74], frame[75]]));
    values.spread[row] = f64::from(high.wrapping_sub(low)) / 1000.0;
    values.sum[row] = f64::from(sum) / 1000.0;
    values.rows += 1;
}
