//! Our decoder, by the text of a protocol file.

use std::sync::Arc;

use model::{Batch, SessionTime, Values as Raws};
use parser::{Decoder, Protocol};

use crate::table::Table as Values;
use crate::workload::{CELLS, PROTOCOL, TEMPERATURES};

/// A decoder for the workloads.
pub(crate) fn decoder() -> Decoder {
    let (protocol, faults) = Protocol::parse(PROTOCOL);
    assert_eq!(faults, []);
    Decoder::new(Arc::new(protocol.expect("no fault")))
}

/// Decodes a piece of the stream.
#[inline(never)]
pub(crate) fn decode(decoder: &mut Decoder, bytes: &[u8], values: &mut Values) {
    decoder.push(SessionTime::ZERO, bytes);
    if let Some(batch) = decoder.take() {
        fill(&batch, values);
    }
}

fn fill(batch: &Batch, values: &mut Values) {
    let columns = &batch.kinds[0].columns;
    values.rows = batch.kinds[0].at.len();
    let convert = |column: usize, to: &mut [f64], by: f64| {
        macro_rules! all {
            ($list:expr) => {
                for (to, from) in to.iter_mut().zip($list) {
                    *to = f64::from(*from) / by;
                }
            };
        }
        match columns[column].values() {
            Raws::U16(list) => all!(list),
            Raws::I16(list) => all!(list),
            Raws::U32(list) => all!(list),
            Raws::I32(list) => all!(list),
            _ => unreachable!("not in this protocol"),
        }
    };
    convert(0, &mut values.uptime, 1000.0);
    for (index, cell) in values.cell.iter_mut().enumerate() {
        convert(1 + index, cell, 1000.0);
    }
    for (index, temperature) in values.temperature.iter_mut().enumerate() {
        convert(1 + CELLS + index, temperature, 10.0);
    }
    let behind = 1 + CELLS + TEMPERATURES;
    convert(behind, &mut values.current, 1000.0);
    convert(behind + 1, &mut values.pack, 100.0);
    convert(behind + 2, &mut values.flags, 1.0);
    spread_and_sum(batch, values);
}

fn spread_and_sum(batch: &Batch, values: &mut Values) {
    let rows = values.rows;
    let (mut low, mut high, mut sum) = (vec![u16::MAX; rows], vec![0_u16; rows], vec![0_u32; rows]);
    for column in &batch.kinds[0].columns[1..=CELLS] {
        let Raws::U16(list) = column.values() else { unreachable!("not in this protocol") };
        for (((raw, low), high), sum) in list.iter().zip(&mut low).zip(&mut high).zip(&mut sum) {
            *low = (*low).min(*raw);
            *high = (*high).max(*raw);
            *sum += u32::from(*raw);
        }
    }
    for row in 0..rows {
        values.spread[row] = f64::from(high[row].wrapping_sub(low[row])) / 1000.0;
        values.sum[row] = f64::from(sum[row]) / 1000.0;
    }
}
