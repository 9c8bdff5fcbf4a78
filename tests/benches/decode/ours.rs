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

    /// Ends the stream.
    pub(crate) fn finish(&mut self, values: &mut Values) {
        self.decoder.finish(SessionTime::ZERO);
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
const ROWS: usize = 32;

fn spread_and_sum(columns: &[Column], values: &mut Values) {
    let mut cells = [&[][..]; CELLS];
    for (cell, column) in cells.iter_mut().zip(&columns[1..=CELLS]) {
        let Raws::U16(list) = column.values() else { unreachable!("not in this protocol") };
        *cell = list;
    }
    #[cfg(target_arch = "x86_64")]
    if is_x86_feature_detected!("avx2") {
        // SAFETY: the processor was asked for AVX2.
        #[expect(unsafe_code, reason = "the same code, compiled for AVX2, on a processor that was asked for it")]
        unsafe {
            spread_and_sum_wide(&cells, values);
        }
        return;
    }
    spread_and_sum_of(&cells, values);
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn spread_and_sum_wide(cells: &[&[u16]; CELLS], values: &mut Values) {
    spread_and_sum_of(cells, values);
}

#[inline(always)]
fn spread_and_sum_of(cells: &[&[u16]; CELLS], values: &mut Values) {
    let whole = values.rows / ROWS * ROWS;
    for from in (0..whole).step_by(ROWS) {
        let mut of = Spread::new();
        for cell in cells {
            of.add(cell[from..].first_chunk().expect("whole"));
        }
        of.write(from, ROWS, values);
    }
    if whole < values.rows {
        let mut of = Spread::new();
        for cell in cells {
            let mut raws = [0; ROWS];
            raws.iter_mut().zip(&cell[whole..]).for_each(|(to, raw)| *to = *raw);
            of.add(&raws);
        }
        of.write(whole, values.rows - whole, values);
    }
}

struct Spread {
    low: [u16; ROWS],
    high: [u16; ROWS],
    sum: [u32; ROWS],
}

impl Spread {
    #[inline(always)]
    fn new() -> Self {
        Self { low: [u16::MAX; ROWS], high: [0; ROWS], sum: [0; ROWS] }
    }

    #[inline(always)]
    #[expect(clippy::needless_range_loop, reason = "four lists side by side; zipped, it takes twice as long")]
    fn add(&mut self, raws: &[u16; ROWS]) {
        for row in 0..ROWS {
            self.low[row] = self.low[row].min(raws[row]);
            self.high[row] = self.high[row].max(raws[row]);
            self.sum[row] += u32::from(raws[row]);
        }
    }

    #[inline(always)]
    fn write(&self, from: usize, rows: usize, values: &mut Values) {
        let to = from..from + rows;
        for ((spread, low), high) in values.spread[to.clone()].iter_mut().zip(self.low).zip(self.high) {
            *spread = f64::from(high.wrapping_sub(low)) / 1000.0;
        }
        for (to, sum) in values.sum[to].iter_mut().zip(self.sum) {
            *to = f64::from(sum) / 1000.0;
        }
    }
}
