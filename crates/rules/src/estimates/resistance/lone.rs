//! Lone wrong readings.

use std::time::Duration;

use model::SessionTime;

use crate::estimates::NANO;

/// At a steady current a cell does not move by more than this from set to set, in billionths of a volt.
const LEAST: i64 = 10_000_000;
/// Or by so many steps of its reading.
const STEPS: i64 = 5;
/// Soon after a step by more: by this share of what the step moves it.
const SETTLING: f64 = 0.3;
const SETTLING_FOR: Duration = Duration::from_secs(5);

/// Takes out readings that jump away from the last one, unless the next confirms the jump.
#[derive(Clone, Debug)]
pub(super) struct LoneReadings {
    tolerance: u64,
    settling: (SessionTime, u64),
    last: Vec<Option<i64>>,
    suspect: Vec<bool>,
}

impl LoneReadings {
    pub(super) fn new(cells: usize, step: i64) -> Self {
        let tolerance = step.saturating_mul(STEPS).max(LEAST).unsigned_abs();
        Self { tolerance, settling: (SessionTime::ZERO, 0), last: vec![None; cells], suspect: vec![false; cells] }
    }

    /// At a new level of the current, by a step that should move the cells by so many volts, they are elsewhere.
    pub(super) fn restart(&mut self, at: SessionTime, volts: f64) {
        self.settling = (at + SETTLING_FOR, (SETTLING * volts.abs() / NANO) as u64);
        self.last.fill(None);
        self.suspect.fill(false);
    }

    /// A reading is out that the next may confirm.
    pub(super) fn any_suspect(&self) -> bool {
        self.suspect.contains(&true)
    }

    /// By how much a lone wrong reading differs from its neighbours, in volts.
    pub(super) fn tolerance(&self, at: SessionTime) -> f64 {
        self.tolerance_nanos(at) as f64 * NANO
    }

    fn tolerance_nanos(&self, at: SessionTime) -> u64 {
        let (until, settling) = self.settling;
        if at < until { self.tolerance.max(settling) } else { self.tolerance }
    }

    /// Returns whether at least half of the cells have moved for good: then it is a step that the current does not show yet.
    pub(super) fn take_out(&mut self, at: SessionTime, cells: &mut [Option<i64>]) -> bool {
        let tolerance = self.tolerance_nanos(at);
        // Nearly always no cell has jumped, and none did before.
        let stays = |(cell, last): (&Option<i64>, &Option<i64>)| match (cell, last) {
            (Some(cell), Some(last)) => cell.abs_diff(*last) <= tolerance,
            _ => false,
        };
        if cells.len() == self.last.len() && !self.any_suspect() && cells.iter().zip(&self.last).all(stays) {
            self.last.copy_from_slice(cells);
            return false;
        }
        let (mut moved, mut present) = (0, 0);
        for ((cell, last), suspect) in cells.iter_mut().zip(&mut self.last).zip(&mut self.suspect) {
            let Some(nanos) = *cell else { continue };
            present += 1;
            let jumps = last.is_some_and(|last| tolerance < nanos.abs_diff(last));
            if jumps && !*suspect {
                *suspect = true;
                *cell = None;
            } else {
                moved += usize::from(jumps);
                *suspect = false;
                *last = Some(nanos);
            }
        }
        0 < moved && present <= moved * 2
    }
}
