//! What every contender fills: columns of f64 in base units.

use crate::workload::{CELLS, TEMPERATURES};

/// More rows than come of one piece of a stream. No power of two: columns that lie so far from each other fall on the same
/// lines of the cache, and who fills them row by row would be slowed by three times.
const MOST: usize = 1032;

type Column = [f64; MOST];

/// The rows of one piece. What is behind `rows` is left from earlier pieces.
pub(crate) struct Table {
    pub(crate) rows: usize,
    pub(crate) uptime: Column,
    pub(crate) cell: [Column; CELLS],
    pub(crate) temperature: [Column; TEMPERATURES],
    pub(crate) current: Column,
    pub(crate) pack: Column,
    pub(crate) flags: Column,
    pub(crate) spread: Column,
    pub(crate) sum: Column,
}

impl Table {
    pub(crate) fn new() -> Box<Self> {
        let empty = [0.0; MOST];
        Box::new(Self {
            rows: 0,
            uptime: empty,
            cell: [empty; CELLS],
            temperature: [empty; TEMPERATURES],
            current: empty,
            pack: empty,
            flags: empty,
            spread: empty,
            sum: empty,
        })
    }

    /// The columns that a frame carries, in its order.
    pub(crate) fn sent(&self) -> impl Iterator<Item = &Column> {
        let single = [&self.current, &self.pack, &self.flags];
        std::iter::once(&self.uptime).chain(&self.cell).chain(&self.temperature).chain(single)
    }

    fn columns(&self) -> impl Iterator<Item = &Column> {
        let single = [&self.current, &self.pack, &self.flags, &self.spread, &self.sum];
        std::iter::once(&self.uptime).chain(&self.cell).chain(&self.temperature).chain(single)
    }

    /// Adds the bits of every value, row by row, to a digest (FNV-1a over whole numbers).
    pub(crate) fn digest(&self, digest: &mut u64) {
        for row in 0..self.rows {
            for column in self.columns() {
                *digest = (*digest ^ column[row].to_bits()).wrapping_mul(0x0100_0000_01B3);
            }
        }
    }
}
