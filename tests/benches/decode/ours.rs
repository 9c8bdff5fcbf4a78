//! Our decoder, by the text of a protocol file.

use std::sync::Arc;

use model::{Batch, Column, ColumnLayout, Conversion, FloatScale, SessionTime, Values as Raws};
use parser::{Decoder, Protocol, Way};

use crate::table::Table as Values;
use crate::workload::{CELLS, PROTOCOL, TEMPERATURES};

/// A decoder for the workloads, and what is made once for it.
pub(crate) struct Ours {
    decoder: Decoder,
    scales: Vec<FloatScale>,
    batch: Batch,
}

impl Ours {
    pub(crate) fn new(way: Way) -> Self {
        let (protocol, faults) = Protocol::parse(PROTOCOL);
        assert_eq!(faults, []);
        let protocol = Arc::new(protocol.expect("no fault"));
        let scale = |column: &ColumnLayout| match &column.scale {
            Conversion::Linear(scale) => FloatScale::new(scale),
            Conversion::Curve(_) => unreachable!("not in this protocol"),
        };
        let scales = protocol.layout().kinds[0].columns.iter().map(scale).collect();
        Self { decoder: Decoder::by_way(protocol, way), scales, batch: Batch::default() }
    }

    /// Decodes a piece of the stream.
    #[inline(never)]
    pub(crate) fn decode(&mut self, bytes: &[u8], values: &mut Values) {
        self.decoder.push(SessionTime::ZERO, bytes);
        self.decoder.take_into(&mut self.batch);
        self.fill(values);
    }

    fn fill(&self, values: &mut Values) {
        let Some(rows) = self.batch.kinds.first() else { return };
        values.rows = rows.at.len();
        let convert = |column: usize, to: &mut [f64]| rows.columns[column].to_f64(&self.scales[column], to);
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
        spread_and_sum(&rows.columns, values);
    }
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
