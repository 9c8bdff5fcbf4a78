//! What neighbouring cells do together: opposite to each other, or in the patterns of balancing and of swapped leads.

use std::time::Duration;

use model::SessionTime;

use super::{Basis, NANO};
use crate::statistics::{Running, deviation};

/// Sets that are kept, and how far apart they are at least: together half a minute.
const KEPT: usize = 128;
const SPACING: Duration = Duration::from_millis(250);
/// Fewer sets say nothing.
const LEAST_SETS: u64 = 16;
/// Residuals that go against each other correlate by less than this. Common practice, no source.
const OPPOSITE: f64 = -0.8;
/// The sum of the two is kept if it moves and lies off by no more than this share of either.
const KEPT_SUM: f64 = 0.4;
/// A smaller deviation than this leaves an open lead "possible" only, in volts. Common practice, no source.
const CLEAR: f64 = 0.05;
/// What moves by less than so many steps of the reading does not move.
const LEAST_STEPS: f64 = 3.0;
/// Neighbours of a balanced cell rise by half of what it falls, give or take this.
const BALANCING: (f64, f64) = (0.35, 0.65);

/// Two neighbours, `cell` and `cell + 1` (from 0).
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Pair {
    /// The first of the two.
    pub cell: usize,
    /// Mean residual of each from the median, in volts.
    pub offsets: (f64, f64),
    /// How far each wanders: the standard deviation of its residual, in volts.
    pub wanders: (f64, f64),
    /// The standard deviation of the sum of the two residuals, in volts: small if the sum is kept.
    pub sum_wander: f64,
    /// The largest half difference of the two residuals, in volts.
    pub amplitude: f64,
    /// The correlation of the two residuals; `None` if one moves by less than three steps of the reading.
    pub correlation: Option<f64>,
    /// The sets.
    pub basis: Basis,
}

/// Whether two neighbours go against each other.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Opposite {
    /// They do not.
    No,
    /// A little, or they only stand apart: constant differences of charge look the same.
    Possible,
    /// They move against each other by 50 mV or more.
    Clear,
}

impl Pair {
    /// How clearly the residuals are equal and opposite, and their sum is kept, as with an open lead between the two.
    pub fn opposite(&self) -> Opposite {
        let (first, second) = self.offsets;
        let reach = first.abs().max(second.abs());
        let moves = self.correlation.is_some_and(|correlation| correlation <= OPPOSITE)
            && self.sum_wander <= KEPT_SUM * self.wanders.0.max(self.wanders.1);
        let stands = first * second < 0.0 && (first + second).abs() <= KEPT_SUM * reach;
        if moves && CLEAR <= self.amplitude {
            Opposite::Clear
        } else if moves || (stands && CLEAR <= reach) {
            Opposite::Possible
        } else {
            Opposite::No
        }
    }
}

/// A cell and its neighbours while the cell is balanced now and then.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Balancing {
    /// The one that is balanced.
    pub cell: usize,
    /// How much it falls meanwhile, in volts (2 I R of the leads).
    pub fall: f64,
    /// How much its neighbours rise meanwhile, in volts (I R of the leads).
    pub rise: f64,
    /// The sets.
    pub basis: Basis,
}

/// Readings that two sense leads in the wrong order, or one that pulls, leave behind.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Misread {
    /// Double, nothing or negative, double around this cell (from 0): its two leads are swapped.
    Swapped {
        /// The cell whose leads they are.
        middle: usize,
    },
    /// This cell (from 0) reads nothing and a neighbour much more than the others.
    Pulled {
        /// The one that reads nothing.
        low: usize,
        /// The one that reads more.
        high: usize,
    },
}

/// Looks at neighbours over the newest half minute.
///
/// Give it residuals at a steady current only: under a changing load two neighbours whose resistances lie on either side of
/// the median go against each other, too.
#[derive(Clone, Debug)]
pub struct Neighbours {
    cells: usize,
    step: f64,
    /// A ring of sets: in volts, zero where a cell is absent, and whether it is there.
    times: Vec<SessionTime>,
    apart: Vec<f64>,
    present: Vec<bool>,
    next: usize,
    newest: Option<SessionTime>,
    /// The rows of the ring that were kept before the oldest, added up at the last look: nothing is written there until the
    /// ring begins again.
    begun: Option<SideBySide>,
    /// All of them, as of the last [`refresh`](Self::refresh).
    patterns: Option<Patterns>,
}

/// What each cell does together with its neighbours.
#[derive(Clone, Debug, Default)]
struct Patterns {
    pairs: Vec<Option<Pair>>,
    balancing: Vec<Option<Balancing>>,
}

impl Neighbours {
    /// For so many cells, whose readings have this step in billionths of a volt.
    pub fn new(cells: usize, step: i64) -> Self {
        Self {
            cells,
            step: step as f64 * NANO,
            times: Vec::with_capacity(KEPT),
            apart: vec![0.0; cells * KEPT],
            present: vec![false; cells * KEPT],
            next: 0,
            newest: None,
            begun: None,
            patterns: None,
        }
    }

    /// The residuals of a set from its median, in billionths of a volt; `None` where a cell is absent. Of sets that come
    /// faster than four a second some are left out.
    pub fn set(&mut self, at: SessionTime, apart: &[Option<i64>]) {
        if let Some(newest) = self.newest {
            if at < newest {
                self.restart();
            } else if at.since(newest) < SPACING {
                return;
            }
        }
        self.newest = Some(at);
        self.patterns = None;
        if self.times.len() < KEPT {
            self.times.push(at);
        } else if let Some(time) = self.times.get_mut(self.next) {
            *time = at;
        }
        if self.begun.as_ref().is_some_and(|begun| self.next < begun.count as usize) {
            self.begun = None;
        }
        let width = self.cells.max(1);
        let row = self.apart.chunks_exact_mut(width).nth(self.next).unwrap_or_default();
        let present = self.present.chunks_exact_mut(width).nth(self.next).unwrap_or_default();
        for ((kept, present), new) in row.iter_mut().zip(present).zip(apart.iter().chain(std::iter::repeat(&None))) {
            (*kept, *present) = (new.map_or(0.0, |nanos| nanos as f64 * NANO), new.is_some());
        }
        self.next = (self.next + 1) % KEPT;
    }

    /// Forgets everything.
    pub fn restart(&mut self) {
        self.times.clear();
        (self.next, self.newest, self.begun, self.patterns) = (0, None, None, None);
    }

    /// Works out all pairs at once, if sets have come since the last time: much faster than one after another, with the
    /// same results. Not needed before [`pair`](Self::pair) and [`balancing`](Self::balancing).
    pub fn refresh(&mut self) {
        if self.patterns.is_none() {
            self.patterns = Some(self.all());
        }
    }

    fn all(&mut self) -> Patterns {
        let kept = self.cells * self.times.len();
        let whole = self.present.get(..kept).is_some_and(|present| present.iter().all(|present| *present));
        let cells = 0..self.cells;
        if !whole {
            self.begun = None;
            return Patterns {
                pairs: cells.clone().map(|cell| self.work_out_pair(cell)).collect(),
                balancing: cells.map(|cell| self.work_out_balancing(cell)).collect(),
            };
        }
        // What comes before the oldest is the same at the next look, and more: it is not added up again.
        let mut begun = self.begun.take().unwrap_or_else(|| SideBySide::new(self.cells));
        let oldest = if self.times.len() < KEPT { self.times.len() } else { self.next };
        let done = begun.count as usize;
        self.sets().take(oldest).skip(done).for_each(|set| begun.push(set));
        let mut side_by_side = begun.clone();
        self.sets().skip(begun.count as usize).for_each(|set| side_by_side.push(set));
        self.begun = Some(begun);
        Patterns {
            pairs: cells.clone().map(|cell| self.describe(cell, side_by_side.pair(cell)?)).collect(),
            balancing: cells
                .map(|cell| side_by_side.may_balance(cell, self).then(|| self.work_out_balancing(cell))?)
                .collect(),
        }
    }

    /// Two neighbours; `None` with fewer than 16 sets that have both, or without such cells.
    pub fn pair(&self, cell: usize) -> Option<Pair> {
        match &self.patterns {
            Some(patterns) => patterns.pairs.get(cell).copied().flatten(),
            None => self.work_out_pair(cell),
        }
    }

    fn work_out_pair(&self, cell: usize) -> Option<Pair> {
        let mut both = Moments::default();
        let mut sum = Running::default();
        let mut amplitude: f64 = 0.0;
        for (first, second) in self.of_two(cell, cell.checked_add(1)?) {
            both.push(first, second);
            sum.push(first + second);
            amplitude = amplitude.max((first - second).abs() / 2.0);
        }
        self.describe(cell, PairMoments { both, sum_wander: sum.deviation(), amplitude })
    }

    fn describe(&self, cell: usize, moments: PairMoments) -> Option<Pair> {
        let PairMoments { both, sum_wander, amplitude } = moments;
        let basis = self.basis(both.count)?;
        let least = LEAST_STEPS * self.step;
        let wanders = both.deviations();
        let moves = least <= wanders.0.min(wanders.1) && 0.0 < wanders.0.min(wanders.1);
        Some(Pair {
            cell,
            offsets: both.means,
            wanders,
            sum_wander: sum_wander?,
            amplitude,
            correlation: both.correlation().filter(|_| moves),
            basis,
        })
    }

    /// The pattern of balancing around a cell (from 0): it falls now and then, and each neighbour rises by half as much.
    /// `None` if it is not there.
    pub fn balancing(&self, cell: usize) -> Option<Balancing> {
        match &self.patterns {
            Some(patterns) => patterns.balancing.get(cell).copied().flatten(),
            None => self.work_out_balancing(cell),
        }
    }

    fn work_out_balancing(&self, cell: usize) -> Option<Balancing> {
        let neighbours = [cell.checked_sub(1), cell.checked_add(1).filter(|next| *next < self.cells)];
        let (mut fall, mut rise, mut count, mut basis) = (0.0, 0.0, 0.0, None);
        for neighbour in neighbours.into_iter().flatten() {
            let swing = self.swing(cell, neighbour)?;
            if !(BALANCING.0..=BALANCING.1).contains(&(swing.rise / swing.fall)) {
                return None;
            }
            fall += swing.fall;
            rise += swing.rise;
            count += 1.0;
            basis = Some(swing.basis);
        }
        Some(Balancing { cell, fall: fall / count, rise: rise / count, basis: basis? })
    }

    /// How far a cell is lower in its low half than in its high half, and how far a neighbour is higher meanwhile.
    fn swing(&self, cell: usize, neighbour: usize) -> Option<Balancing> {
        let (mut least, mut most) = (f64::INFINITY, f64::NEG_INFINITY);
        let mut both = Moments::default();
        for (volts, other) in self.of_two(cell, neighbour) {
            (least, most) = (least.min(volts), most.max(volts));
            both.push(volts, other);
        }
        let basis = self.basis(both.count)?;
        if !self.swings((least, most)) || OPPOSITE < both.correlation()? {
            return None;
        }
        let (mut low, mut high) = (Moments::default(), Moments::default());
        for (volts, other) in self.of_two(cell, neighbour) {
            let half = if volts < (least + most) / 2.0 { &mut low } else { &mut high };
            half.push(volts, other);
        }
        let (fall, rise) = (high.means.0 - low.means.0, low.means.1 - high.means.1);
        (0.0 < fall).then_some(Balancing { cell, fall, rise, basis })
    }

    /// Whether what lies between these moves.
    fn swings(&self, (least, most): (f64, f64)) -> bool {
        LEAST_STEPS * self.step <= most - least
    }

    /// The residuals of each set in the order of the ring, in volts.
    fn sets(&self) -> impl Iterator<Item = &[f64]> {
        self.apart.chunks_exact(self.cells.max(1)).take(self.times.len())
    }

    /// The residuals of two cells in the sets that have both, in volts.
    fn of_two(&self, first: usize, second: usize) -> impl Iterator<Item = (f64, f64)> {
        self.sets().zip(self.present.chunks_exact(self.cells.max(1))).filter_map(move |(set, present)| {
            let both = *present.get(first)? && *present.get(second)?;
            both.then_some((*set.get(first)?, *set.get(second)?))
        })
    }

    fn basis(&self, count: u64) -> Option<Basis> {
        let oldest = if self.times.len() < KEPT { 0 } else { self.next };
        let basis = Basis { from: *self.times.get(oldest)?, to: self.newest?, count };
        (LEAST_SETS <= count).then_some(basis)
    }
}

/// What the sets say of two neighbours.
#[derive(Clone, Copy, Debug)]
struct PairMoments {
    both: Moments,
    sum_wander: Option<f64>,
    amplitude: f64,
}

/// The moments of all cells and of all neighbours at once, from whole sets: number for number what [`Moments`] and
/// [`Running`] work out one after another, but side by side, as processors like it.
#[derive(Clone, Debug)]
struct SideBySide {
    count: u64,
    means: Vec<f64>,
    squares: Vec<f64>,
    /// Of the set: how far each cell is from its mean before the set and with it.
    before: Vec<f64>,
    after: Vec<f64>,
    least: Vec<f64>,
    most: Vec<f64>,
    /// By the first of two.
    products: Vec<f64>,
    sum_means: Vec<f64>,
    sum_squares: Vec<f64>,
    amplitudes: Vec<f64>,
}

impl SideBySide {
    fn new(cells: usize) -> Self {
        let zero = || vec![0.0; cells];
        Self {
            count: 0,
            means: zero(),
            squares: zero(),
            before: zero(),
            after: zero(),
            least: vec![f64::INFINITY; cells],
            most: vec![f64::NEG_INFINITY; cells],
            products: zero(),
            sum_means: zero(),
            sum_squares: zero(),
            amplitudes: zero(),
        }
    }

    fn push(&mut self, set: &[f64]) {
        self.count += 1;
        let count = self.count as f64;
        let cells = self.means.iter_mut().zip(&mut self.squares).zip(self.before.iter_mut().zip(&mut self.after));
        for (value, ((mean, squares), (before, after))) in set.iter().zip(cells) {
            *before = value - *mean;
            *mean += *before / count;
            *after = value - *mean;
            *squares += *before * *after;
        }
        for (value, (least, most)) in set.iter().zip(self.least.iter_mut().zip(&mut self.most)) {
            // None of them is no number.
            *least = if *value < *least { *value } else { *least };
            *most = if *most < *value { *value } else { *most };
        }
        let afters = self.after.iter().skip(1);
        for (products, (before, after)) in self.products.iter_mut().zip(self.before.iter().zip(afters)) {
            *products += before * after;
        }
        let neighbours = || set.iter().zip(set.iter().skip(1));
        let sums = self.sum_means.iter_mut().zip(&mut self.sum_squares);
        for ((first, second), (mean, squares)) in neighbours().zip(sums) {
            let sum = first + second;
            let before = sum - *mean;
            *mean += before / count;
            *squares += before * (sum - *mean);
        }
        for ((first, second), amplitude) in neighbours().zip(&mut self.amplitudes) {
            let half = (first - second).abs() / 2.0;
            *amplitude = if *amplitude < half { half } else { *amplitude };
        }
    }

    /// A cell (from 0) and the next; `None` where there is no such pair.
    fn pair(&self, cell: usize) -> Option<PairMoments> {
        let next = cell + 1;
        let both = Moments {
            count: self.count,
            means: (*self.means.get(cell)?, *self.means.get(next)?),
            squares: (*self.squares.get(cell)?, *self.squares.get(next)?),
            products: *self.products.get(cell)?,
        };
        let sum_wander = deviation(self.count, *self.sum_squares.get(cell)?);
        Some(PairMoments { both, sum_wander, amplitude: *self.amplitudes.get(cell)? })
    }

    /// False where [`Neighbours::balancing`] of a cell (from 0) is surely `None`: it does not swing, or a neighbour does not
    /// go against it.
    fn may_balance(&self, cell: usize, neighbours: &Neighbours) -> bool {
        /// The two orders of a pair give the same correlation but for rounding, which is far smaller than this.
        const ROUNDING: f64 = 1e-6;
        let spans = self.least.get(cell).copied().zip(self.most.get(cell).copied());
        let opposite = |first: usize| {
            let correlation = self.pair(first).and_then(|pair| pair.both.correlation());
            correlation.is_some_and(|correlation| correlation <= OPPOSITE + ROUNDING)
        };
        spans.is_some_and(|span| neighbours.swings(span))
            && cell.checked_sub(1).is_none_or(opposite)
            && (cell + 1 == self.means.len() || opposite(cell))
    }
}

/// Means, variances and covariance of two values that come together.
#[derive(Clone, Copy, Debug, Default)]
struct Moments {
    count: u64,
    means: (f64, f64),
    squares: (f64, f64),
    products: f64,
}

impl Moments {
    fn push(&mut self, first: f64, second: f64) {
        self.count += 1;
        let off = (first - self.means.0, second - self.means.1);
        self.means.0 += off.0 / self.count as f64;
        self.means.1 += off.1 / self.count as f64;
        self.squares.0 += off.0 * (first - self.means.0);
        self.squares.1 += off.1 * (second - self.means.1);
        self.products += off.0 * (second - self.means.1);
    }

    fn deviations(&self) -> (f64, f64) {
        let freedom = self.count.saturating_sub(1).max(1) as f64;
        ((self.squares.0 / freedom).sqrt(), (self.squares.1 / freedom).sqrt())
    }

    fn correlation(&self) -> Option<f64> {
        let correlation = self.products / (self.squares.0 * self.squares.1).sqrt();
        correlation.is_finite().then_some(correlation.clamp(-1.0, 1.0))
    }
}

/// Looks for misread cells in one set, in billionths of a volt; `median` is that of the set.
///
/// Voltages that a BMS sends without a sign come out as 65 V instead of below zero; both count.
pub fn misread(cells: &[Option<i64>], median: i64) -> Option<Misread> {
    if median <= 0 {
        return None;
    }
    let median = median as f64;
    let ratio = |index: usize| cells.get(index).copied().flatten().map(|nanos| nanos as f64 / median);
    let double = |index: usize| ratio(index).is_some_and(|ratio| (1.6..2.4).contains(&ratio));
    let nothing = |index: usize| ratio(index).is_some_and(|ratio| !(0.3..10.0).contains(&ratio));
    let more = |index: usize| ratio(index).is_some_and(|ratio| (1.2..2.4).contains(&ratio));
    let low = (0..cells.len()).find(|index| nothing(*index))?;
    let before = low.checked_sub(1);
    if before.is_some_and(double) && double(low + 1) {
        return Some(Misread::Swapped { middle: low });
    }
    let high = [Some(low + 1), before].into_iter().flatten().find(|index| more(*index))?;
    Some(Misread::Pulled { low, high })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimates::testing::Random;

    /// A minute of twelve cells with 0.3 mV of noise, and what `change` adds to them, in volts.
    fn run(step: i64, change: impl Fn(f64, &mut [f64; 12])) -> Neighbours {
        let mut random = Random::new(2);
        let mut neighbours = Neighbours::new(12, step);
        let mut residuals = crate::estimates::residuals::Residuals::default();
        for tenth in 0..600 {
            let mut cells = [3.8; 12].map(|volts| volts + 0.3e-3 * random.normal());
            change(f64::from(tenth) / 10.0, &mut cells);
            residuals.set(&cells.map(|volts| Some((volts * 1e9 / step as f64).round() as i64 * step)));
            neighbours.set(SessionTime::from_millis(tenth as u64 * 100), residuals.apart());
        }
        neighbours
    }

    fn opposites(neighbours: &Neighbours) -> Vec<Opposite> {
        (0..11).map(|cell| neighbours.pair(cell).unwrap().opposite()).collect()
    }

    #[test]
    fn all_at_once_are_bit_for_bit_as_one_after_another() {
        let mut random = Random::new(4);
        for (cells, holes) in [(0, 0), (1, 0), (2, 0), (12, 0), (24, 0), (24, 7)] {
            let mut neighbours = Neighbours::new(cells, 1_000_000);
            let mut looked_at = neighbours.clone();
            let (mut found, mut balanced) = (0, 0);
            for quarter in 0..400_u64 {
                let load = if quarter % 40 < 20 { -40e6 } else { 0.0 };
                let set: Vec<Option<i64>> = (0..cells)
                    .map(|cell| {
                        let share = [0.5, -1.0, 0.5, 0.0, 0.0][cell % 5];
                        let absent = holes != 0 && (quarter as usize + cell).is_multiple_of(holes) && cell % 3 == 0;
                        (!absent).then_some((random.normal() * 1e6 - share * load) as i64)
                    })
                    .collect();
                if quarter == 200 {
                    neighbours.restart();
                    looked_at.restart();
                }
                neighbours.set(SessionTime::from_millis(quarter * 250), &set);
                // One that is looked at now and then goes on where the last look has ended.
                looked_at.set(SessionTime::from_millis(quarter * 250), &set);
                if quarter % 7 < 3 {
                    looked_at.refresh();
                }
                let mut at_once = neighbours.clone();
                at_once.refresh();
                for cell in 0..cells + 2 {
                    // As text, every float to its last bit.
                    let (one, other, now_and_then) = (neighbours.pair(cell), at_once.pair(cell), looked_at.pair(cell));
                    assert_eq!(format!("{one:?}"), format!("{other:?}"), "{cell} of {cells} at {quarter}");
                    assert_eq!(format!("{one:?}"), format!("{now_and_then:?}"), "{cell} of {cells} at {quarter}");
                    found += u32::from(one.is_some());
                    let (one, other, now_and_then) =
                        (neighbours.balancing(cell), at_once.balancing(cell), looked_at.balancing(cell));
                    assert_eq!(format!("{one:?}"), format!("{other:?}"), "{cell} of {cells} at {quarter}");
                    assert_eq!(format!("{one:?}"), format!("{now_and_then:?}"), "{cell} of {cells} at {quarter}");
                    balanced += u32::from(one.is_some());
                }
            }
            assert_eq!((1 < cells, 1 < cells), (0 < found, 0 < balanced), "{cells}");
        }
    }

    #[test]
    fn an_open_lead_shows_between_its_cells_only() {
        for step in [1_000_000, 5_000_000] {
            let open = run(step, |second, cells| {
                let wander = 0.08 * (second / 5.0).sin();
                cells[4] += wander;
                cells[5] -= wander;
            });
            let mut expected = vec![Opposite::No; 11];
            expected[4] = Opposite::Clear;
            assert_eq!(opposites(&open), expected, "step {step}");
            let pair = open.pair(4).unwrap();
            assert!(pair.correlation.unwrap() < -0.95 && (pair.amplitude - 0.08).abs() < 0.005, "{pair:?}");
            assert!((0..12).all(|cell| open.balancing(cell).is_none()), "it is no balancing");
        }
    }

    #[test]
    fn constant_differences_are_possible_at_most() {
        let charge = run(1_000_000, |_, cells| {
            cells[2] += 0.06;
            cells[3] -= 0.06;
            cells[8] += 0.02;
            cells[9] -= 0.02;
        });
        let mut expected = vec![Opposite::No; 11];
        expected[2] = Opposite::Possible;
        assert_eq!(opposites(&charge), expected);
    }

    /// 100 mA through leads of 0.2 ohm: -40 and +20 mV.
    #[test]
    fn balancing_is_told_from_an_open_lead() {
        for cell in [0, 6, 11] {
            let balanced = run(1_000_000, |second, cells| {
                if second % 10.0 < 5.0 {
                    cells[cell] -= 0.04;
                    if let Some(before) = cell.checked_sub(1) {
                        cells[before] += 0.02;
                    }
                    if let Some(after) = cells.get_mut(cell + 1) {
                        *after += 0.02;
                    }
                }
            });
            for other in 0..12 {
                assert_eq!(balanced.balancing(other).is_some(), other == cell, "cell {other}, balanced {cell}");
            }
            let found = balanced.balancing(cell).unwrap();
            assert!((found.fall - 0.04).abs() < 1e-3 && (found.rise - 0.02).abs() < 1e-3, "{found:?}");
            assert!(opposites(&balanced).iter().all(|opposite| *opposite == Opposite::No));
        }
    }

    #[test]
    fn misread_cells_are_placed() {
        let mv = |values: &[i64]| values.iter().map(|mv| Some(mv * 1_000_000)).collect::<Vec<_>>();
        for (values, expected) in [
            (vec![3800, 3800, 3800, 3800, 3800, 3800], None),
            (vec![3800, 7600, -3800, 7600, 3800, 3800, 3800], Some(Misread::Swapped { middle: 2 })),
            (vec![3800, 7600, 0, 7600, 3800, 3800, 3800], Some(Misread::Swapped { middle: 2 })),
            (vec![3800, 7600, 61_736, 7600, 3800, 3800, 3800], Some(Misread::Swapped { middle: 2 })),
            (vec![3800, 3800, 10, 7590, 3800, 3800], Some(Misread::Pulled { low: 2, high: 3 })),
            (vec![3800, 5000, 10, 3800, 3800, 3800], Some(Misread::Pulled { low: 2, high: 1 })),
            (vec![0, 3800, 3800, 3800], None),
            (vec![0, 0, 0], None),
            (vec![3800], None),
            (vec![], None),
        ] {
            let mut residuals = crate::estimates::residuals::Residuals::default();
            residuals.set(&mv(&values));
            let found = misread(&mv(&values), residuals.median().unwrap_or(0));
            assert_eq!(found, expected, "{values:?}");
        }
        assert_eq!(misread(&[None, None], 3_800_000_000), None);
    }

    #[test]
    fn too_little_is_no_pair() {
        let mut neighbours = Neighbours::new(3, 1_000_000);
        assert_eq!(neighbours.pair(0), None);
        for index in 0..200 {
            neighbours.set(SessionTime::from_millis(index * 1000), &[Some(index as i64), None, Some(0)]);
        }
        assert!(neighbours.pair(0).is_none() && neighbours.pair(2).is_none() && neighbours.pair(usize::MAX).is_none());
        assert_eq!(neighbours.balancing(usize::MAX), None);
        let mut one = Neighbours::new(1, 1);
        for index in 0..200 {
            one.set(SessionTime::from_millis(index * 1000), &[Some(0)]);
        }
        assert!(one.pair(0).is_none() && one.balancing(0).is_none());
    }
}
