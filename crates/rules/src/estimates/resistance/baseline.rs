//! The cells before a step, as a straight line for each.

use std::time::Duration;

use model::SessionTime;

use crate::estimates::{NANO, seconds_between};

/// Sets this close together share a block.
const BLOCK: Duration = Duration::from_millis(250);
/// Blocks that are kept.
const BLOCKS: usize = 24;
/// The line goes through the blocks of so many seconds before the step.
const REACH: f64 = 5.0;
/// Or through so many, where sets come more slowly.
const LEAST_BLOCKS: usize = 5;

/// Sums of sets that came close together.
#[derive(Clone, Copy, Debug, Default)]
struct Block {
    from: SessionTime,
    sets: u32,
    /// The sum of the seconds since `from`.
    seconds: f64,
}

/// The newest sets of a level of the current, in blocks.
#[derive(Clone, Debug)]
pub(super) struct Baseline {
    cells: usize,
    sets: u64,
    blocks: Vec<Block>,
    /// Per block and cell; `None` where a set lacked it.
    sums: Vec<Option<i64>>,
    newest: usize,
}

impl Baseline {
    pub(super) fn new(cells: usize) -> Self {
        let (blocks, sums) = (Vec::with_capacity(BLOCKS), vec![None; cells * BLOCKS]);
        Self { cells, sets: 0, blocks, sums, newest: 0 }
    }

    pub(super) fn restart(&mut self) {
        (self.sets, self.newest) = (0, 0);
        self.blocks.clear();
    }

    /// Sets since the last restart.
    pub(super) fn sets(&self) -> u64 {
        self.sets
    }

    /// A set. The first of a level is left out: no other confirms it.
    pub(super) fn push(&mut self, at: SessionTime, cells: &[Option<i64>]) {
        self.sets += 1;
        if self.sets == 1 {
            return;
        }
        let new = self.blocks.get(self.newest).is_none_or(|block| at < block.from || BLOCK <= at.since(block.from));
        if new {
            self.begin_block(at);
        }
        let Some(block) = self.blocks.get_mut(self.newest) else { return };
        block.sets += 1;
        block.seconds += seconds_between(block.from, at);
        let begins = block.sets == 1;
        let row = self.sums.chunks_exact_mut(self.cells.max(1)).nth(self.newest).unwrap_or_default();
        if begins {
            row.fill(None);
            row.iter_mut().zip(cells).for_each(|(sum, cell)| *sum = *cell);
            return;
        }
        for (sum, cell) in row.iter_mut().zip(cells) {
            *sum = sum.zip(*cell).map(|(sum, cell)| sum.saturating_add(cell));
        }
        row.iter_mut().skip(cells.len()).for_each(|sum| *sum = None);
    }

    fn begin_block(&mut self, at: SessionTime) {
        let block = Block { from: at, ..Block::default() };
        if self.blocks.len() < BLOCKS {
            self.newest = self.blocks.len();
            self.blocks.push(block);
        } else {
            self.newest = (self.newest + 1) % BLOCKS;
            if let Some(oldest) = self.blocks.get_mut(self.newest) {
                *oldest = block;
            }
        }
    }

    /// The line of a cell up to a step at `origin`; `None` without a block that has it.
    pub(super) fn line(&self, cell: usize, origin: SessionTime) -> Option<Line> {
        let mut sums = LineSums::default();
        let newest_first =
            (0..self.blocks.len()).map(|back| (self.newest + self.blocks.len() - back) % self.blocks.len());
        for (rank, index) in newest_first.enumerate() {
            let (Some(block), Some(Some(sum))) = (self.blocks.get(index), self.sums.get(index * self.cells + cell))
            else {
                continue;
            };
            let sets = f64::from(block.sets);
            let seconds = seconds_between(origin, block.from) + block.seconds / sets;
            if seconds < -REACH && LEAST_BLOCKS <= rank {
                break;
            }
            sums.push(seconds, *sum as f64 * NANO / sets, sets);
        }
        sums.line()
    }
}

/// Weighted sums for a straight line of volts over seconds.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub(super) struct LineSums {
    pub(super) weight: f64,
    seconds: f64,
    volts: f64,
    /// Around the means (West's method), so that no digits are lost.
    seconds_squared: f64,
    products: f64,
    earliest: f64,
    latest: f64,
}

impl LineSums {
    /// A mean of `weight` readings.
    pub(super) fn push(&mut self, seconds: f64, volts: f64, weight: f64) {
        if self.weight <= 0.0 {
            (self.earliest, self.latest) = (seconds, seconds);
        }
        self.earliest = self.earliest.min(seconds);
        self.latest = self.latest.max(seconds);
        self.weight += weight;
        let off = seconds - self.seconds;
        self.seconds += off * weight / self.weight;
        self.volts += (volts - self.volts) * weight / self.weight;
        self.seconds_squared += weight * off * (seconds - self.seconds);
        self.products += weight * off * (volts - self.volts);
    }

    /// The earliest and the latest of the seconds.
    pub(super) fn span(&self) -> (f64, f64) {
        (self.earliest, self.latest)
    }

    /// The line; level if all are of the same moment. `None` of nothing.
    pub(super) fn line(&self) -> Option<Line> {
        if self.weight <= 0.0 {
            return None;
        }
        let spread = 1e-9 < self.seconds_squared;
        Some(Line {
            seconds: self.seconds,
            volts: self.volts,
            slope: if spread { self.products / self.seconds_squared } else { 0.0 },
            level_variance: 1.0 / self.weight,
            slope_variance: if spread { 1.0 / self.seconds_squared } else { 0.0 },
        })
    }
}

/// A straight line through readings of one cell; variances are in those of one reading.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Line {
    seconds: f64,
    volts: f64,
    slope: f64,
    level_variance: f64,
    slope_variance: f64,
}

impl Line {
    pub(super) fn at(&self, seconds: f64) -> f64 {
        self.volts + self.slope * (seconds - self.seconds)
    }

    pub(super) fn variance_at(&self, seconds: f64) -> f64 {
        self.level_variance + self.slope_variance * (seconds - self.seconds).powi(2)
    }
}
