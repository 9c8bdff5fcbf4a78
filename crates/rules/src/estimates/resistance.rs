//! The resistance of each cell from steps of the load.
//!
//! The lag counts from the last reading of the current before the step.

mod after;
mod baseline;
mod combined;
mod lone;

use std::time::Duration;

use model::SessionTime;

use super::noise::Noise;
use super::steps::{Edge, Level, Moved, StepDetector, StepFault, StepSettings};
use super::{Basis, Estimate, NANO, rounding_deviation};
use crate::statistics::Centre;

use after::{After, Point};
use baseline::Baseline;
use combined::Combined;
use lone::LoneReadings;

/// The current must stand still for so long before and after a step. Common practice, no source.
const PLATEAU: Duration = Duration::from_secs(2);
/// And there must be so many sets on either side. Common practice, no source.
const PLATEAU_SETS: u64 = 5;
/// Swings of the current, beyond its noise, may be this share of the step.
const MOST_SWING: f64 = 0.1;
/// So many sets may come between two readings of the current; more are not used.
const MOST_PENDING: usize = 32;
/// A current may be told so much later than the cells. Common practice, no source.
const CURRENT_LAG: Duration = Duration::from_millis(500);
/// A value at a lag is worked out when so much more time has passed, as a share of the lag.
const AFTER_LAG: f64 = 0.1;

/// How long after a step of the current the cells are looked at.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Lag {
    /// The first set after the step, within 1 s; [`StepResult::instant_lag`] says how late it was.
    Instant,
    /// 0.1 s; only at 20 sets a second or more.
    TenthSecond,
    /// 1 s.
    Second,
    /// 2 s.
    TwoSeconds,
    /// 5 s.
    FiveSeconds,
    /// 10 s.
    TenSeconds,
}

impl Lag {
    /// All of them, the shortest first.
    pub const ALL: [Self; 6] =
        [Self::Instant, Self::TenthSecond, Self::Second, Self::TwoSeconds, Self::FiveSeconds, Self::TenSeconds];

    /// In seconds; `None` for the first set, whatever its lag.
    pub fn seconds(self) -> Option<f64> {
        match self {
            Self::Instant => None,
            Self::TenthSecond => Some(0.1),
            Self::Second => Some(1.0),
            Self::TwoSeconds => Some(2.0),
            Self::FiveSeconds => Some(5.0),
            Self::TenSeconds => Some(10.0),
        }
    }
}

/// A resistance from one step at one lag, both ways.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct StepResistance {
    /// Against the voltage at the step as if it had stayed there, in ohms.
    pub held: Estimate,
    /// Against the voltage as it would have gone on without the step: a straight line through the readings before, in
    /// ohms. The uncertainty has that of the line.
    pub drift_corrected: Estimate,
}

/// The newest step that gave resistances.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct StepResult {
    /// Which step of the session, from 1, among those that gave resistances.
    pub number: u64,
    /// The last reading of the current before the step.
    pub at: SessionTime,
    /// The current before, in amperes.
    pub before: f64,
    /// The change, in amperes: positive for more discharge (load on, or less regeneration).
    pub change: f64,
    /// How late the first usable set after the step was, in seconds; `None` if it was later than 1 s.
    pub instant_lag: Option<f64>,
    /// The change is at least 20 q / R: enough to call a cell weak.
    pub telling: bool,
}

/// A cell's resistance combined over steps at one lag.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct CellResistance {
    /// Ohms, against the held voltage; weighted over steps. The count is of steps.
    pub held: Estimate,
    /// Ohms, against the voltage extrapolated from before the step. The count is of steps.
    pub drift_corrected: Estimate,
    /// Held resistance over that of the median cell of the same step and lag. The count is of steps. `None` where the
    /// median cell's is not positive.
    pub ratio: Option<Estimate>,
    /// How many of the steps are at least 20 q / R.
    pub telling_steps: u64,
    /// The robust score of the ratio among the cells (modified z); beyond 3.5 is often called an outlier. `None` of fewer
    /// than three cells.
    pub score: Option<f64>,
}

/// A cell's resistance above the median cell's, in two parts.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Parts {
    /// In the first set after a step, in ohms: contacts, links and leads, and the cell's own ohmic part.
    pub instant: Estimate,
    /// What comes on top until `late`, in ohms: only the cell's own.
    pub relaxation: Estimate,
    /// The lag up to which the second part counts.
    pub late: Lag,
}

/// Why there is no resistance.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum NoResistance {
    /// There is no such cell.
    NoCell,
    /// No step gave this cell a value at this lag; the faults say why steps were refused.
    NoStep,
}

/// What a step gave at a lag for a cell.
#[derive(Clone, Copy, Debug)]
struct Value {
    held: f64,
    corrected: f64,
    held_error: f64,
    corrected_error: f64,
    /// The part that the current adds to either; the same share for all cells.
    current_error: f64,
    readings: u64,
}

/// A cell at a lag, over all steps.
#[derive(Clone, Copy, Debug, Default)]
struct CellTotals {
    held: Combined,
    corrected: Combined,
    ratio: Combined,
    /// Above the median cell: at the instant all of it, at a later lag what has come on top since the instant.
    excess: Combined,
    telling_steps: u64,
}

/// Sets that wait for the next reading of the current: only if that shows no step are they of the level.
#[derive(Clone, Debug, Default)]
struct Pending {
    times: Vec<SessionTime>,
    cells: Vec<Option<i64>>,
}

/// Resistances of the cells of a pack from the steps of its load.
///
/// A set counts only when the next reading of the current has shown that the current stood still meanwhile. Regeneration
/// is a load of negative sign.
#[derive(Clone, Debug)]
pub struct Resistances {
    cells: usize,
    settings: StepSettings,
    detector: StepDetector,
    noise: Noise,
    baseline: Baseline,
    pending: Pending,
    lone: LoneReadings,
    /// The newest set of a level, as it came.
    last_set: Vec<Option<i64>>,
    /// When the cells moved without the current, if they did: the current may be told later.
    moved_after: Option<SessionTime>,
    /// The newest set in which no cell had moved.
    steady_until: SessionTime,
    after: Option<After>,
    /// The memory of the last step, for the next.
    spare: Option<After>,
    /// Lags of the open step that are worked out.
    done: usize,
    steps: u64,
    reversed: u64,
    newest: Option<StepResult>,
    /// Per lag and cell.
    values: Vec<Option<Value>>,
    totals: Vec<CellTotals>,
    /// Per lag: the centre of the cells' ratios, in billionths. They change only with a step.
    centres: [Option<Centre>; Lag::ALL.len()],
    refused: [u64; StepFault::ALL.len()],
    largest_too_small: Option<f64>,
    /// The noise of each cell, as of the last time that lags were worked out, in volts.
    deviations: Vec<f64>,
    scratch: Vec<f64>,
}

impl Resistances {
    /// For so many cells.
    pub fn new(cells: usize, settings: StepSettings) -> Self {
        Self {
            cells,
            settings,
            detector: StepDetector::new(settings),
            noise: Noise::new(cells, settings.cell_step),
            baseline: Baseline::new(cells),
            pending: Pending {
                times: Vec::with_capacity(MOST_PENDING),
                cells: Vec::with_capacity(MOST_PENDING * cells),
            },
            lone: LoneReadings::new(cells, settings.cell_step),
            last_set: Vec::with_capacity(cells),
            moved_after: None,
            steady_until: SessionTime::ZERO,
            after: None,
            spare: None,
            done: 0,
            steps: 0,
            reversed: 0,
            newest: None,
            values: vec![None; cells * Lag::ALL.len()],
            totals: vec![CellTotals::default(); cells * Lag::ALL.len()],
            centres: [None; Lag::ALL.len()],
            refused: [0; StepFault::ALL.len()],
            largest_too_small: None,
            deviations: Vec::with_capacity(cells),
            scratch: Vec::with_capacity(cells),
        }
    }

    /// A reading of the pack current, discharge positive, in billionths of an ampere. Of one moment, the current comes
    /// before the cells.
    pub fn current(&mut self, at: SessionTime, nanos: i64) {
        match self.detector.current(at, nanos) {
            Moved::Same => {
                if let (Some(after), Some(level)) = (&mut self.after, self.detector.level()) {
                    after.level = *level;
                    after.current(at, nanos as f64 * NANO);
                }
                self.take_pending();
            }
            Moved::Moving | Moved::Returned => self.pending.clear(),
            Moved::Restarted => self.begin_level(None),
            Moved::Arrived(edge) => self.begin_level(Some(edge)),
        }
    }

    /// A set of cells, in billionths of a volt; `None` where one is absent. One that comes after more than 32 others
    /// without a reading of the current is not used.
    pub fn set(&mut self, at: SessionTime, cells: &[Option<i64>]) {
        self.noise.set(at, cells);
        self.pending.push(at, cells, self.cells);
    }

    fn begin_level(&mut self, edge: Option<Edge>) {
        self.close_step();
        if let Some(edge) = edge {
            self.open_step(edge);
        }
        self.baseline.restart();
        let (from, change) = edge.map_or((SessionTime::ZERO, 0.0), |edge| (edge.first.0, edge.change()));
        self.lone.restart(from, change * self.settings.resistance as f64 * NANO);
        self.moved_after = None;
        if edge.is_some() {
            self.take_pending();
        } else {
            self.pending.clear();
        }
    }

    fn open_step(&mut self, mut edge: Edge) {
        // The step was when the cells moved.
        edge.before.to = self.moved_after.map_or(edge.before.to, |moved| moved.min(edge.before.to));
        let fault = edge.fault.or_else(|| {
            if edge.before.length() < PLATEAU {
                Some(StepFault::ShortBefore)
            } else if self.baseline.sets() < PLATEAU_SETS {
                Some(StepFault::NoCells)
            } else {
                self.swings_too_much(&edge.before, edge.change()).then_some(StepFault::Unsteady)
            }
        });
        if let Some(fault) = fault {
            return self.refuse(fault, edge.change());
        }
        let Some(level) = self.detector.level().copied() else { return };
        let mut after = self.spare.take().unwrap_or_else(|| After::new(self.cells, edge, level));
        after.restart(edge, level, |cell| self.baseline.line(cell, edge.origin()));
        self.done = 0;
        self.after = Some(after);
    }

    fn swings_too_much(&self, level: &Level, change: f64) -> bool {
        let noise = self.detector.deviation();
        let swing = level.amperes.deviation().unwrap_or(0.0);
        (MOST_SWING * change).powi(2) < swing * swing - noise * noise
    }

    fn refuse(&mut self, fault: StepFault, change: f64) {
        if let Some(count) = self.refused.get_mut(fault as usize) {
            *count += 1;
        }
        if fault == StepFault::TooSmall {
            self.largest_too_small = Some(self.largest_too_small.unwrap_or(0.0).max(change.abs()));
        }
    }

    fn take_pending(&mut self) {
        let mut pending = std::mem::take(&mut self.pending);
        for (at, cells) in pending.sets(self.cells) {
            self.take_set(at, cells);
        }
        pending.clear();
        self.pending = pending;
        self.work_out_due_lags();
    }

    /// A set that is known to belong to the level.
    fn take_set(&mut self, at: SessionTime, cells: &mut [Option<i64>]) {
        // Frames often come more often than the BMS measures: a repeated set is still from before the step.
        if self.after.as_ref().is_some_and(|after| after.sets == 0) && self.last_set == cells {
            return;
        }
        self.last_set.clear();
        self.last_set.extend_from_slice(cells);
        let moved = self.lone.take_out(at, cells);
        self.take_baseline(at, cells, moved);
        let blank = self.settings.scan.as_secs_f64() * 2.0;
        if let Some(after) = self.after.as_mut().filter(|after| blank <= after.lag_of(at)) {
            after.set(at, cells, self.lone.tolerance(at));
        }
    }

    /// Where the cells have moved and the current has not, the line before the step ends: if the current does not follow,
    /// a new one begins.
    fn take_baseline(&mut self, at: SessionTime, cells: &[Option<i64>], moved: bool) {
        if moved {
            self.moved_after.get_or_insert(self.steady_until);
        }
        match self.moved_after {
            Some(since) if at.since(since) <= CURRENT_LAG => return,
            Some(_) => {
                self.moved_after = None;
                self.baseline.restart();
            }
            None => {}
        }
        self.baseline.push(at, cells);
        if !self.lone.any_suspect() {
            self.steady_until = at;
        }
    }

    /// Works out the lags that lie far enough back, once the level has lasted long enough.
    fn work_out_due_lags(&mut self) {
        let Some(after) = &self.after else { return };
        let stood = PLATEAU <= after.level.length() && PLATEAU_SETS <= after.sets;
        let seconds = after.lag_of(after.level.to) / (1.0 + AFTER_LAG);
        if !stood || self.due_lag(seconds).is_none() {
            return;
        }
        let Some(after) = self.after.take() else { return };
        let of_use = self.work_out_up_to(&after, seconds);
        let place = if of_use { &mut self.after } else { &mut self.spare };
        *place = Some(after);
    }

    /// The level has ended: works out what is left, or says why there is nothing.
    fn close_step(&mut self) {
        let Some(after) = self.after.take() else { return };
        if after.level.length() < PLATEAU {
            self.refuse(StepFault::ShortAfter, after.edge.change());
        } else if after.sets < PLATEAU_SETS {
            self.refuse(StepFault::NoCells, after.edge.change());
        } else {
            self.work_out_up_to(&after, after.lag_of(after.level.to));
        }
        self.spare = Some(after);
    }

    /// Works out the lags up to so many seconds that are not done yet. Returns whether the step is of use.
    fn work_out_up_to(&mut self, after: &After, seconds: f64) -> bool {
        if self.due_lag(seconds).is_some() {
            self.deviations.clear();
            self.deviations.extend((0..self.cells).map(|cell| self.noise.or_rounding(cell)));
        }
        while let Some(lag) = self.due_lag(seconds) {
            if self.done == 0 {
                if self.swings_too_much(&after.level, after.edge.change()) {
                    self.refuse(StepFault::Unsteady, after.edge.change());
                    return false;
                }
                self.begin_result(after);
            }
            self.done += 1;
            self.work_out(after, lag);
        }
        true
    }

    /// The first lag that is not done yet, if it is no more than so many seconds.
    fn due_lag(&self, seconds: f64) -> Option<Lag> {
        Lag::ALL.get(self.done).copied().filter(|lag| lag.seconds().unwrap_or(0.0) <= seconds)
    }

    fn begin_result(&mut self, after: &After) {
        self.steps += 1;
        self.values.fill(None);
        let change = after.level.mean() - after.edge.before.mean();
        self.newest = Some(StepResult {
            number: self.steps,
            at: after.edge.origin(),
            before: after.edge.before.mean(),
            change,
            instant_lag: after.instant_lag,
            telling: self.settings.telling_change() <= change.abs(),
        });
    }

    fn work_out(&mut self, after: &After, lag: Lag) {
        for cell in 0..self.cells {
            let value = after.point(cell, lag).and_then(|point| self.value(after, cell, lag, point));
            if let Some(slot) = self.values.get_mut(lag as usize * self.cells + cell) {
                *slot = value;
            }
        }
        let Some(median) = self.median_of(lag, |value| value.held) else { return };
        if lag == Lag::Instant {
            let error = self.median_of(lag, |value| value.held_error).unwrap_or(0.0);
            self.reversed += u64::from(median < -3.0 * error);
        }
        self.add_to_totals(after.edge.origin(), lag, median);
    }

    /// What a step gives for a cell; `None` if it has no line before the step.
    fn value(&self, after: &After, cell: usize, lag: Lag, point: Point) -> Option<Value> {
        let line = after.before.get(cell).copied().flatten()?;
        let seconds = lag.seconds().or(after.instant_lag)?;
        let change = after.current_at(lag) - after.edge.before.mean();
        let deviation = *self.deviations.get(cell)?;
        let floor = rounding_deviation(self.settings.cell_step as f64 * NANO);
        let error = |before: f64| (deviation * (before + point.variance).sqrt()).max(floor) / change.abs();
        let held = (line.at(0.0) - point.volts) / change;
        let readings = |level: &Level| 1.0 / level.amperes.count().max(1) as f64;
        let share = if lag == Lag::Instant { 1.0 } else { readings(&after.level) } + readings(&after.edge.before);
        let value = Value {
            held,
            corrected: (line.at(seconds) - point.volts) / change,
            held_error: error(line.variance_at(0.0)),
            corrected_error: error(line.variance_at(seconds)),
            current_error: (held * self.detector.deviation() * share.sqrt() / change).abs(),
            readings: point.readings as u64,
        };
        [value.held, value.corrected, value.held_error, value.corrected_error, value.current_error]
            .iter()
            .all(|number| number.is_finite())
            .then_some(value)
    }

    /// Adds a lag of the newest step to what the cells have over all steps. The median cell is that of this step and lag.
    fn add_to_totals(&mut self, at: SessionTime, lag: Lag, median: f64) {
        let telling = self.newest.is_some_and(|step| step.telling);
        let tail = |value: &Value, instant: &Value| value.held - instant.held;
        let median_tail = self.median_tail(lag, tail);
        let row = lag as usize * self.cells;
        for cell in 0..self.cells {
            let Some(value) = self.values.get(row + cell).copied().flatten() else { continue };
            let instant = self.values.get(cell).copied().flatten();
            let Some(totals) = self.totals.get_mut(row + cell) else { continue };
            totals.held.push(at, value.held, value.held_error.hypot(value.current_error));
            totals.corrected.push(at, value.corrected, value.corrected_error.hypot(value.current_error));
            if 0.0 < median {
                totals.ratio.push(at, value.held / median, value.held_error / median);
            }
            totals.telling_steps += u64::from(telling);
            if lag == Lag::Instant {
                totals.excess.push(at, value.held - median, value.held_error);
            } else if let (Some(instant), Some(median_tail)) = (instant, median_tail) {
                let error = value.held_error.hypot(instant.held_error);
                totals.excess.push(at, tail(&value, &instant) - median_tail, error);
            }
        }
        if let Some(row) = self.totals.chunks_exact(self.cells.max(1)).nth(lag as usize)
            && let Some(centre) = self.centres.get_mut(lag as usize)
        {
            *centre = centre_of(row);
        }
    }

    /// The median over the cells of something that the newest step gave at a lag.
    fn median_of(&mut self, lag: Lag, what: impl Fn(&Value) -> f64) -> Option<f64> {
        let row = self.values.chunks_exact(self.cells.max(1)).nth(lag as usize)?;
        self.scratch.clear();
        self.scratch.extend(row.iter().flatten().map(what));
        middle(&mut self.scratch)
    }

    /// The median over the cells of what has come on top since the instant.
    fn median_tail(&mut self, lag: Lag, tail: impl Fn(&Value, &Value) -> f64) -> Option<f64> {
        let mut rows = self.values.chunks_exact(self.cells.max(1));
        let instants = rows.next()?;
        let row = rows.nth((lag as usize).checked_sub(1)?)?;
        self.scratch.clear();
        let both = row.iter().zip(instants).filter_map(|(value, instant)| value.as_ref().zip(instant.as_ref()));
        self.scratch.extend(both.map(|(value, instant)| tail(value, instant)));
        middle(&mut self.scratch)
    }

    /// The newest step that gave resistances.
    pub fn newest_step(&self) -> Option<StepResult> {
        self.newest
    }

    /// What the newest step gave for a cell (from 0) at a lag. The count is of sets.
    pub fn newest(&self, cell: usize, lag: Lag) -> Result<StepResistance, NoResistance> {
        let place = self.place(cell, lag)?;
        let value = self.values.get(place).copied().flatten().ok_or(NoResistance::NoStep)?;
        let step = self.newest.ok_or(NoResistance::NoStep)?;
        let late = lag.seconds().or(step.instant_lag).unwrap_or(0.0);
        let to = step.at + Duration::try_from_secs_f64(late).unwrap_or_default();
        let basis = Basis { from: step.at, to, count: value.readings };
        let estimate =
            |ohms: f64, error: f64| Estimate { value: ohms, uncertainty: error.hypot(value.current_error), basis };
        Ok(StepResistance {
            held: estimate(value.held, value.held_error),
            drift_corrected: estimate(value.corrected, value.corrected_error),
        })
    }

    /// Steps that gave resistances.
    pub fn steps(&self) -> u64 {
        self.steps
    }

    /// How many of them moved the median cell the wrong way: voltage up with more discharge. On three or more the sign of
    /// the current is reversed.
    pub fn reversed_steps(&self) -> u64 {
        self.reversed
    }

    /// How many changes of the current were refused for this reason.
    pub fn refused(&self, fault: StepFault) -> u64 {
        self.refused.get(fault as usize).copied().unwrap_or(0)
    }

    /// The change of the current that a step needs now, in amperes: 0.1 C, 10 q / R and 5 x the current's noise.
    pub fn least_change(&self) -> f64 {
        self.detector.least_change()
    }

    /// The largest change that was refused as too small, in amperes.
    pub fn largest_too_small(&self) -> Option<f64> {
        self.largest_too_small
    }

    /// A cell's (from 0) resistance over all steps at a lag.
    pub fn cell(&self, cell: usize, lag: Lag) -> Result<CellResistance, NoResistance> {
        let place = self.place(cell, lag)?;
        let totals = self.totals.get(place).ok_or(NoResistance::NoCell)?;
        let ratio = totals.ratio.estimate();
        Ok(CellResistance {
            held: totals.held.estimate().ok_or(NoResistance::NoStep)?,
            drift_corrected: totals.corrected.estimate().ok_or(NoResistance::NoStep)?,
            ratio,
            telling_steps: totals.telling_steps,
            score: ratio.and_then(|ratio| self.score(lag, &ratio)),
        })
    }

    fn score(&self, lag: Lag, of: &Estimate) -> Option<f64> {
        let centre = self.centres.get(lag as usize).copied().flatten()?;
        centre.modified_z(billionths(of.value), billionths(of.uncertainty))
    }

    /// The median over the cells of the held resistance at a lag, in ohms.
    pub fn median(&self, lag: Lag) -> Result<f64, NoResistance> {
        let row = self.totals.chunks_exact(self.cells.max(1)).nth(lag as usize).unwrap_or_default();
        let mut ohms: Vec<f64> =
            row.iter().filter_map(|totals| totals.held.estimate()).map(|held| held.value).collect();
        middle(&mut ohms).ok_or(NoResistance::NoStep)
    }

    /// The two parts of what a cell (from 0) has above the median cell, the second up to the longest lag that there is.
    pub fn parts(&self, cell: usize) -> Result<Parts, NoResistance> {
        let excess = |lag| self.totals.get(self.place(cell, lag).ok()?)?.excess.estimate();
        self.place(cell, Lag::Instant)?;
        let instant = excess(Lag::Instant).ok_or(NoResistance::NoStep)?;
        let (late, relaxation) =
            Lag::ALL.into_iter().skip(1).rev().find_map(|lag| Some((lag, excess(lag)?))).ok_or(NoResistance::NoStep)?;
        Ok(Parts { instant, relaxation, late })
    }

    fn place(&self, cell: usize, lag: Lag) -> Result<usize, NoResistance> {
        if cell < self.cells { Ok(lag as usize * self.cells + cell) } else { Err(NoResistance::NoCell) }
    }

    /// The noise of the cells.
    pub fn noise(&self) -> &Noise {
        &self.noise
    }

    /// The level on which the current stands, and how long; `None` while it moves.
    pub fn level(&self) -> Option<&Level> {
        self.detector.level()
    }
}

impl Pending {
    fn push(&mut self, at: SessionTime, cells: &[Option<i64>], width: usize) {
        if self.times.len() == MOST_PENDING {
            return;
        }
        self.times.push(at);
        match cells.get(..width) {
            Some(cells) => self.cells.extend_from_slice(cells),
            None => self.cells.extend(cells.iter().copied().chain(std::iter::repeat(None)).take(width)),
        }
    }

    fn clear(&mut self) {
        self.times.clear();
        self.cells.clear();
    }

    fn sets(&mut self, width: usize) -> impl Iterator<Item = (SessionTime, &mut [Option<i64>])> {
        self.times.iter().copied().zip(self.cells.chunks_exact_mut(width.max(1)))
    }
}

/// The centre of the ratios of these cells, in billionths; `None` of fewer than three.
fn centre_of(row: &[CellTotals]) -> Option<Centre> {
    let ratios = row.iter().filter_map(|totals| totals.ratio.estimate());
    let ratios: Vec<i64> = ratios.map(|ratio| billionths(ratio.value)).collect();
    if ratios.len() < 3 { None } else { Centre::of(&ratios, &mut Vec::new()) }
}

fn billionths(ratio: f64) -> i64 {
    (ratio / NANO) as i64
}

/// The median of finite numbers; `None` of none.
fn middle(values: &mut [f64]) -> Option<f64> {
    values.sort_unstable_by(f64::total_cmp);
    let (low, high) = (values.get(values.len().checked_sub(1)? / 2)?, values.get(values.len() / 2)?);
    Some(low + (high - low) / 2.0)
}
