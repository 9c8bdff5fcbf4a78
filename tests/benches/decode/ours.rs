//! Our decoder, by the text of a protocol file.

use std::sync::Arc;

use model::{Batch, Column, ColumnLayout, Conversion, SessionTime, Values as Raws};
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
    let protocol = Arc::clone(decoder.protocol());
    if let Some(batch) = decoder.take() {
        fill(&batch, &protocol.layout().kinds[0].columns, values);
    }
}

fn fill(batch: &Batch, layout: &[ColumnLayout], values: &mut Values) {
    let columns = &batch.kinds[0].columns;
    values.rows = batch.kinds[0].at.len();
    let convert = |column: usize, to: &mut [f64]| match &layout[column].scale {
        Conversion::Linear(scale) => columns[column].to_f64(scale, to),
        Conversion::Curve(_) => unreachable!("not in this protocol"),
    };
    convert(0, &mut values.uptime);
    for (index, cell) in values.cell.iter_mut().enumerate() {
        convert(1 + index, cell);
    }
    for (index, temperature) in values.temperature.iter_mut().enumerate() {
        convert(1 + CELLS + index, temperature);
    }
    let behind = 1 + CELLS + TEMPERATURES;
    convert(behind, &mut values.current);
    convert(behind + 1, &mut values.pack);
    convert(behind + 2, &mut values.flags);
    spread_and_sum(columns, values);
}

/// Rows whose spread and sum are worked out together.
const ROWS: usize = 16;

fn spread_and_sum(columns: &[Column], values: &mut Values) {
    let cells: Vec<&[u16]> = columns[1..=CELLS]
        .iter()
        .map(|column| match column.values() {
            Raws::U16(list) => list.as_slice(),
            _ => unreachable!("not in this protocol"),
        })
        .collect();
    for from in (0..values.rows).step_by(ROWS) {
        let (mut low, mut high, mut sum) = ([u16::MAX; ROWS], [0; ROWS], [0_u32; ROWS]);
        for cell in &cells {
            let mut raws = [0; ROWS];
            match cell[from..].first_chunk::<ROWS>() {
                Some(chunk) => raws = *chunk,
                None => raws.iter_mut().zip(&cell[from..]).for_each(|(to, raw)| *to = *raw),
            }
            for row in 0..ROWS {
                low[row] = low[row].min(raws[row]);
                high[row] = high[row].max(raws[row]);
                sum[row] += u32::from(raws[row]);
            }
        }
        let to = from..values.rows.min(from + ROWS);
        for (row, at) in to.enumerate() {
            values.spread[at] = f64::from(high[row].wrapping_sub(low[row])) / 1000.0;
            values.sum[at] = f64::from(sum[row]) / 1000.0;
        }
    }
}
