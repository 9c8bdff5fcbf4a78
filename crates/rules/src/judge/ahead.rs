//! What the rows to come hold in a run of neighbouring columns, worked out for many rows at once.
//!
//! It knows nothing of the judge and changes nothing: for each row it is what looking at that row alone gives.

use std::ops::Range;

use model::{Conversion, Rows, Scale};

use super::plan::Step;

/// So many rows are worked out at once.
const ROWS: usize = 64;
/// Fewer are quicker row by row.
const LEAST: usize = 12;

/// A run of neighbouring columns in one row, each there. In billionths of the base unit.
#[derive(Clone, Copy, Debug)]
pub(super) struct RunRow<'a> {
    pub(super) values: &'a [i64],
    pub(super) lowest: i64,
    pub(super) highest: i64,
    /// What else is known, where the row was worked out with others.
    pub(super) known: Option<Known<'a>>,
}

/// What is known of a row that was worked out with others.
#[derive(Clone, Copy, Debug)]
pub(super) struct Known<'a> {
    pub(super) sum: i64,
    pub(super) median: i64,
    /// Which run, and which row of the batch.
    pub(super) place: (usize, usize),
    pub(super) ahead: &'a Ahead,
}

/// The runs of a line, each with the rows that were worked out last.
#[derive(Clone, Debug, Default)]
pub(super) struct Ahead {
    runs: Vec<Run>,
    /// Items of the batch that are still to come, this one included.
    pub(super) to_come: usize,
}

#[derive(Clone, Debug, Default)]
struct Run {
    /// Which rows of the batch were looked at, and whether all is known of them.
    rows: Range<usize>,
    done: bool,
    /// Row after row.
    values: Vec<i64>,
    found: Vec<Found>,
    /// Comparisons of two places after which the middle ones are in order.
    network: Vec<(usize, usize)>,
    /// Column after column, as sent, less one of them.
    columns: Vec<[i16; ROWS]>,
}

#[derive(Clone, Copy, Debug, Default)]
struct Found {
    lowest: i64,
    highest: i64,
    sum: i64,
    median: i64,
}

impl Ahead {
    /// Another batch has begun.
    pub(super) fn begin(&mut self) {
        self.runs.iter_mut().for_each(|run| run.rows = 0..0);
    }

    /// Whether a row of a run was looked at already.
    pub(super) fn has(&self, run: usize, row: usize) -> bool {
        self.runs.get(run).is_some_and(|run| run.rows.contains(&row))
    }

    /// A row that was worked out.
    pub(super) fn row(&self, number: usize, row: usize) -> Option<RunRow<'_>> {
        let run = self.runs.get(number).filter(|run| run.done && run.rows.contains(&row))?;
        let index = row - run.rows.start;
        let found = run.found.get(index)?;
        let width = run.columns.len();
        Some(RunRow {
            values: run.values.get(index * width..(index + 1) * width)?,
            lowest: found.lowest,
            highest: found.highest,
            known: Some(Known { sum: found.sum, median: found.median, place: (number, row), ahead: self }),
        })
    }

    /// Works out the rows from `row` on. Where that does not pay, or a value of one of them is not as usual, there is none.
    pub(super) fn work_out(&mut self, number: usize, rows: &Rows, row: usize, steps: &[Step]) {
        let left = rows.known_at.len().saturating_sub(row).min(self.to_come).min(ROWS);
        if left < LEAST {
            return;
        }
        if self.runs.len() <= number {
            self.runs.resize(number + 1, Run::default());
        }
        if let Some(run) = self.runs.get_mut(number) {
            run.done = run.work_out(rows, row..row + left, steps).is_some();
            run.rows = row..row + left;
        }
    }
}

impl Run {
    fn work_out(&mut self, rows: &Rows, range: Range<usize>, steps: &[Step]) -> Option<()> {
        let Conversion::Linear(scale) = &steps.first()?.scale else { return None };
        if self.columns.len() != steps.len() {
            self.columns = vec![[0; ROWS]; steps.len()];
            self.network = middle_network(steps.len());
        }
        let base = rows.columns.get(steps.first()?.column)?.integer(range.start)?;
        let near = Near::new(scale, base)?;
        for (step, column) in steps.iter().zip(&mut self.columns) {
            let out = column.get_mut(..range.len())?;
            if !rows.columns.get(step.column)?.copy_near(range.clone(), base, out) {
                return None;
            }
        }
        self.take_values(near, range.len());
        self.find(near, range.len());
        Some(())
    }

    /// From columns of numbers as sent to rows of values.
    fn take_values(&mut self, near: Near, rows: usize) {
        let width = self.columns.len();
        self.values.resize(ROWS * width, 0);
        for (row, values) in self.values.chunks_exact_mut(width).enumerate().take(rows.min(ROWS)) {
            for (to, column) in values.iter_mut().zip(&self.columns) {
                *to = near.value(column.get(row).copied().unwrap_or_default());
            }
        }
    }

    /// Extremes, sums and medians; afterwards the columns are not as they came.
    fn find(&mut self, near: Near, rows: usize) {
        let (mut lowest, mut highest, mut sum) = ([i16::MAX; ROWS], [i16::MIN; ROWS], [0_i32; ROWS]);
        for column in &self.columns {
            for ((lowest, highest), sent) in lowest.iter_mut().zip(&mut highest).zip(column) {
                (*lowest, *highest) = ((*lowest).min(*sent), (*highest).max(*sent));
            }
            for (sum, sent) in sum.iter_mut().zip(column) {
                *sum += i32::from(*sent);
            }
        }
        for (one, other) in &self.network {
            let Ok([one, other]) = self.columns.get_disjoint_mut([*one, *other]) else { continue };
            for (one, other) in one.iter_mut().zip(other) {
                (*one, *other) = ((*one).min(*other), (*one).max(*other));
            }
        }
        let width = self.columns.len();
        let middle = |place: usize| self.columns.get(place).copied().unwrap_or([0; ROWS]);
        let (upper, lower) = (middle(width / 2), middle(width.saturating_sub(1) / 2));
        let count = i64::try_from(width).unwrap_or(i64::MAX);
        self.found.clear();
        let each = lowest.iter().zip(&highest).zip(&sum).zip(lower.iter().zip(&upper)).take(rows);
        self.found.extend(each.map(|(((lowest, highest), sum), (lower, upper))| {
            // A scale can turn high numbers into low values.
            let (one, other) = (near.value(*lowest), near.value(*highest));
            Found {
                lowest: one.min(other),
                highest: one.max(other),
                sum: near.zero * count + near.step * i64::from(*sum),
                median: midpoint(near.value(*lower), near.value(*upper)),
            }
        }));
    }
}

/// Values near one number as sent.
#[derive(Clone, Copy)]
struct Near {
    zero: i64,
    step: i64,
}

impl Near {
    /// `None` unless every number that 16 bits reach from `base` has a value, and sums of as many as there can be fit.
    fn new(scale: &Scale, base: i64) -> Option<Self> {
        const MOST: i64 = i64::MAX >> 20;
        let step = scale.whole_step()?;
        let value = |sent: i64| scale.nanos_of_integer(base.checked_add(sent)?).filter(|nanos| nanos.abs() < MOST);
        let (_, _) = (value(i16::MIN.into())?, value(i16::MAX.into())?);
        Some(Self { zero: value(0)?, step })
    }

    fn value(self, sent: i16) -> i64 {
        self.zero + self.step * i64::from(sent)
    }
}

/// As [`crate::statistics::median`] does it, for values that are far from the ends of the range.
fn midpoint(one: i64, other: i64) -> i64 {
    let sum = one + other;
    (sum + sum.signum()) / 2
}

/// Comparisons of two places, after which the one or two middle places hold what they hold in order: a merge by odd and
/// even places (Batcher, 1968), less what the middle does not hang on.
fn middle_network(width: usize) -> Vec<(usize, usize)> {
    let mut all = Vec::new();
    let mut sorted = 1;
    while sorted < width {
        let mut apart = sorted;
        while 0 < apart {
            for from in (apart % sorted..width.saturating_sub(apart)).step_by(2 * apart) {
                for one in from..(from + apart).min(width - apart) {
                    if one / (2 * sorted) == (one + apart) / (2 * sorted) {
                        all.push((one, one + apart));
                    }
                }
            }
            apart /= 2;
        }
        sorted *= 2;
    }
    let mut needed = vec![false; width];
    for middle in [width / 2, width.saturating_sub(1) / 2] {
        if let Some(needed) = needed.get_mut(middle) {
            *needed = true;
        }
    }
    let mut network = Vec::new();
    for (one, other) in all.into_iter().rev() {
        let Ok([a, b]) = needed.get_disjoint_mut([one, other]) else { continue };
        if *a || *b {
            (*a, *b) = (true, true);
            network.push((one, other));
        }
    }
    network.reverse();
    network
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::median;

    #[test]
    fn the_middle_is_that_of_the_values_in_order() {
        let mut state = 0x5EED_0011_u64;
        for width in 1..70_usize {
            let network = middle_network(width);
            for round in 0..200_u64 {
                let mut values: Vec<i64> = (0..width)
                    .map(|_| {
                        state ^= state << 13;
                        state ^= state >> 7;
                        state ^= state << 17;
                        (state % (round % 7 * 50 + 2)) as i64 - 3
                    })
                    .collect();
                let expected = median(&mut values.clone()).expect("there are values");
                for (one, other) in &network {
                    let (low, high) = (values[*one].min(values[*other]), values[*one].max(values[*other]));
                    (values[*one], values[*other]) = (low, high);
                }
                let found = midpoint(values[(width - 1) / 2], values[width / 2]);
                assert_eq!(found, expected, "{width}: {values:?}");
            }
        }
    }

    // A network of comparisons that sorts every row of zeros and ones sorts every row (Knuth, The Art of Computer
    // Programming, volume 3, 5.3.4).
    #[test]
    fn every_row_of_zeros_and_ones() {
        for width in 2..17_usize {
            let network = middle_network(width);
            for row in 0..1_u32 << width {
                let mut bits = row;
                for (one, other) in &network {
                    let swap = (bits >> one) & 1 & !(bits >> other);
                    bits ^= swap << one | swap << other;
                }
                for middle in [width / 2, (width - 1) / 2] {
                    let zeros = width - row.count_ones() as usize;
                    assert_eq!(bits >> middle & 1 == 1, zeros <= middle, "{width} {row:b}");
                }
            }
        }
    }
}
