//! A decoder written by hand with parser combinators for exactly this frame.

use crc::{CRC_16_MODBUS, Crc, Table};
use nom::bytes::complete::tag;
use nom::combinator::verify;
use nom::multi::fill;
use nom::number::complete::{be_i16, be_i32, be_u16, le_u16, le_u32, u8};
use nom::{IResult, Parser};

use crate::table::Table as Values;
use crate::workload::{CELLS, FRAME, TEMPERATURES};

static MODBUS: Crc<u16, Table<16>> = Crc::<u16, Table<16>>::new(&CRC_16_MODBUS);

struct Frame {
    uptime: u32,
    cell: [u16; CELLS],
    temperature: [i16; TEMPERATURES],
    current: i32,
    pack: u16,
    flags: u16,
}

/// Decodes all whole frames and gives back how many bytes are settled.
#[inline(never)]
pub(crate) fn decode(bytes: &[u8], values: &mut Values) -> usize {
    let mut at = 0;
    while let Some(rest) = bytes.get(at..).filter(|rest| FRAME <= rest.len()) {
        match frame(rest) {
            Ok((_, frame)) => {
                row(&frame, values);
                at += FRAME;
            }
            Err(_) => at += 1,
        }
    }
    at
}

fn frame(input: &[u8]) -> IResult<&[u8], Frame> {
    let (covered, _) = tag(&[0xAA, 0x55][..]).parse(input)?;
    let (rest, _) = (verify(u8, |kind| *kind == 1), verify(u8, |size| *size == 72)).parse(covered)?;
    let (rest, uptime) = le_u32(rest)?;
    let mut cell = [0; CELLS];
    let (rest, ()) = fill(be_u16, &mut cell).parse(rest)?;
    let mut temperature = [0; TEMPERATURES];
    let (rest, ()) = fill(be_i16, &mut temperature).parse(rest)?;
    let (rest, (current, pack, flags)) = (be_i32, be_u16, le_u16).parse(rest)?;
    let sound = covered.get(..FRAME - 4).map(|covered| MODBUS.checksum(covered));
    let (rest, _) = verify(le_u16, |check| Some(*check) == sound).parse(rest)?;
    Ok((rest, Frame { uptime, cell, temperature, current, pack, flags }))
}

fn row(frame: &Frame, values: &mut Values) {
    let row = values.rows;
    values.uptime[row] = f64::from(frame.uptime) / 1000.0;
    let (mut low, mut high, mut sum) = (u16::MAX, 0, 0);
    for (column, raw) in values.cell.iter_mut().zip(frame.cell) {
        low = low.min(raw);
        high = high.max(raw);
        sum += u32::from(raw);
        column[row] = f64::from(raw) / 1000.0;
    }
    for (column, raw) in values.temperature.iter_mut().zip(frame.temperature) {
        column[row] = f64::from(raw) / 10.0;
    }
    values.current[row] = f64::from(frame.current) / 1000.0;
    values.pack[row] = f64::from(frame.pack) / 100.0;
    values.flags[row] = f64::from(frame.flags);
    values.spread[row] = f64::from(high.wrapping_sub(low)) / 1000.0;
    values.sum[row] = f64::from(sum) / 1000.0;
    values.rows += 1;
}
