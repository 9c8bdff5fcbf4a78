//! When each cell last moved, and where the others were then.

use std::ops::Range;

use model::SessionTime;

use super::ahead::Ahead;

/// What a cell has done since it last moved.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct CellMove {
    /// The median when it last moved.
    pub(super) median: i64,
    /// Since when the median has been far enough from that.
    pub(super) apart_since: Option<SessionTime>,
    pub(super) frozen: bool,
}

/// What each cell has done since it last moved.
///
/// As long as the medians of all sets since then lie close together, no cell can stand still while the others move: such
/// sets are put off, and taken together later.
#[derive(Clone, Debug)]
pub(super) struct Moves {
    pub(super) cells: Vec<CellMove>,
    /// No cell is frozen or stands still while the others move.
    calm: bool,
    /// The lowest and the highest of the medians, with those that were put off.
    range: (i64, i64),
    /// Sets that were put off: these rows of a run.
    run: usize,
    rows: Range<usize>,
    /// The set before them.
    before: Vec<i64>,
}

impl Default for Moves {
    fn default() -> Self {
        Self { cells: Vec::new(), calm: false, range: (0, 0), run: 0, rows: 0..0, before: Vec::new() }
    }
}

impl Moves {
    /// Whether sets wait in the rows of this run.
    pub(super) fn wait_in(&self, run: usize) -> bool {
        self.run == run && !self.rows.is_empty()
    }

    /// Puts a set off that comes next after `last`. False, and nothing has changed, where it can't be.
    ///
    /// `enough`: by how much the median must move before a cell that does not is looked at.
    pub(super) fn put_off(&mut self, (run, row): (usize, usize), median: i64, enough: i64, last: &[i64]) -> bool {
        let range = (self.range.0.min(median), self.range.1.max(median));
        if !self.calm || enough <= range.1.saturating_sub(range.0) {
            return false;
        }
        if self.rows.is_empty() {
            if last.len() != self.cells.len() {
                return false;
            }
            self.before.clear();
            self.before.extend_from_slice(last);
            (self.run, self.rows) = (run, row..row);
        }
        if self.run != run || self.rows.end != row {
            return false;
        }
        self.rows.end += 1;
        self.range = range;
        true
    }

    /// Takes what was put off.
    pub(super) fn settle(&mut self, ahead: &Ahead) {
        let rows = std::mem::replace(&mut self.rows, 0..0);
        if rows.is_empty() {
            return;
        }
        for (index, cell) in self.cells.iter_mut().enumerate() {
            let value = |row| ahead.row(self.run, row).and_then(|row| row.values.get(index));
            // Nearly always it moved in one of the last rows.
            for row in rows.clone().rev() {
                let before = if row == rows.start { self.before.get(index) } else { value(row - 1) };
                if value(row) != before {
                    let median = ahead.row(self.run, row).and_then(|row| row.known).map(|known| known.median);
                    cell.median = median.unwrap_or(cell.median);
                    break;
                }
            }
        }
        self.look_over();
    }

    /// After `cells` was changed.
    pub(super) fn look_over(&mut self) {
        self.calm = self.cells.iter().all(|cell| !cell.frozen && cell.apart_since.is_none());
        self.range = self
            .cells
            .iter()
            .fold((i64::MAX, i64::MIN), |(lowest, highest), cell| (lowest.min(cell.median), highest.max(cell.median)));
    }
}
