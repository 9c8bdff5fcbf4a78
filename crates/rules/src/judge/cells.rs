//! Cell voltages, one by one and as sets.

use model::{ByteRange, Channel, Dimension, Quantity, Rows, format_nanos};

use super::plan::{Role, Step};
use super::{
    AFTER_BALANCING, CELL_POSSIBLE, CellMove, Column, FROZEN_AFTER, FROZEN_CELLS, FROZEN_LEAST, FROZEN_STEPS, Judge,
    METER, Still, is_inside, values_of_run,
};
use crate::alarms::{Key, Severity};
use crate::check::Check;
use crate::latest::Update;
use crate::limits::{LimitName, LimitValues};
use crate::pack_sum::share;
use crate::stage::Stage;
use crate::statistics::median;
use crate::watch::{Observed, amount};

/// Nobody tells cells apart by less than this, in billionths of a volt.
const TELLING_STEP: i64 = 1_000_000;

impl Judge {
    /// `slot`: the place in the pack, from 0, or beyond its places for a column that carries a cell again.
    pub(super) fn cell(
        &mut self,
        channel: Channel,
        slot: usize,
        first: bool,
        nanos: Option<i64>,
        bytes: Option<ByteRange>,
    ) {
        let (at, part) = (self.now, if first { 0 } else { slot });
        let Some(mut column) = self.cell_columns.get(slot).copied() else { return };
        if first && (nanos.is_none() || column.absent.raised) {
            let key = Key::new(Check::AllCells, Some(channel));
            column.absent = self.presence(column.absent, key, nanos.is_some(), bytes);
        }
        if let Some(nanos) = nanos {
            column.impossible = self.possibility(column.impossible, channel, part, nanos, CELL_POSSIBLE, bytes);
            let rest = self.stage.cells_rest();
            let low = self.pack.limit_ref(if rest { LimitName::CellLowRest } else { LimitName::CellLowLoad });
            let high = self.pack.limit_ref(LimitName::CellHigh);
            let seen = Observed { at, place: Some(channel), part, value: nanos, limit: high, bytes };
            self.watches.cell_high.observe(slot, &seen, &mut self.book, &mut self.events);
            let seen = Observed { limit: low, ..seen };
            self.watches.cell_low.observe(slot, &seen, &mut self.book, &mut self.events);
        }
        if let Some(kept) = self.cell_columns.get_mut(slot) {
            *kept = column;
            self.cells_wrong |= column.is_wrong();
        }
        if first && let Update::Set { present, together } = self.cells.update(at, slot, nanos) {
            self.cell_set(present, together, bytes);
        }
    }

    /// Neighbouring cells at once, where each of them is there and possible: only what can change something is done, and in
    /// the order in which [`cell`](Self::cell) does it for one after another. False, and nothing has changed, where one of
    /// them needs more than that.
    pub(super) fn cell_run(&mut self, rows: &Rows, row: usize, steps: &[Step], bytes: Option<ByteRange>) -> bool {
        let mut values = std::mem::take(&mut self.run_scratch);
        let update = self.usual_run(rows, row, steps, &mut values, bytes);
        self.run_scratch = values;
        if let Some(Update::Set { present, together }) = update {
            self.cell_set(present, together, bytes);
        }
        update.is_some()
    }

    fn usual_run(
        &mut self,
        rows: &Rows,
        row: usize,
        steps: &[Step],
        values: &mut Vec<i64>,
        bytes: Option<ByteRange>,
    ) -> Option<Update> {
        let first = steps.first()?;
        let Role::Cell { slot, .. } = first.role else { return None };
        if self.cells_wrong {
            self.cells_wrong = self.cell_columns.iter().any(Column::is_wrong);
            if self.cells_wrong {
                return None;
            }
        }
        let (lowest, highest) = values_of_run(rows, row, steps, values)?;
        if !is_inside(lowest, CELL_POSSIBLE) || !is_inside(highest, CELL_POSSIBLE) {
            return None;
        }
        let update = self.cells.update_run(self.now, slot, values)?;
        self.cells.step = self.cells.step.max(first.resolution);
        let rest = self.stage.cells_rest();
        let low = self.pack.limit_ref(if rest { LimitName::CellLowRest } else { LimitName::CellLowLoad });
        let high = self.pack.limit_ref(LimitName::CellHigh);
        // A watch to which the furthest of them is nothing has nothing to do.
        let high = Some(high).filter(|high| !self.watches.cell_high.is_quiet_at(highest, high));
        let low = Some(low).filter(|low| !self.watches.cell_low.is_quiet_at(lowest, low));
        if high.is_some() || low.is_some() {
            for ((step, value), slot) in steps.iter().zip(values.iter()).zip(slot..) {
                let seen =
                    |limit| Observed { at: self.now, place: Some(step.channel), part: 0, value: *value, limit, bytes };
                if let Some(high) = high {
                    self.watches.cell_high.observe(slot, &seen(high), &mut self.book, &mut self.events);
                }
                if let Some(low) = low {
                    self.watches.cell_low.observe(slot, &seen(low), &mut self.book, &mut self.events);
                }
            }
        }
        Some(update)
    }

    /// Spread, deviation and sum of a complete set.
    fn cell_set(&mut self, present: bool, together: bool, bytes: Option<ByteRange>) {
        let mut values = std::mem::take(&mut self.scratch);
        values.clear();
        match self.cells.whole() {
            Some(whole) => values.extend_from_slice(whole),
            None => values.extend(self.cells.values().map(|(_, nanos)| nanos)),
        }
        let whole = present && together;
        let median = self.median_of_set(&values);
        if let Some(median) = median.filter(|_| whole) {
            self.look_for_frozen_cells(&values, median, bytes);
            let sum = values.iter().fold(0_i64, |sum, nanos| sum.saturating_add(*nanos));
            self.pack_sum.set(self.now, sum);
            self.hold_against_meter(bytes);
        }
        // Cells of two sides of a jump of the current, or while some are being balanced, do not compare.
        let comparable = self.swing.unsteady == 0 && self.swing.blank_until <= self.now && !self.is_balanced();
        self.count_set(whole, comparable);
        if let Some(median) = median.filter(|_| whole) {
            self.diagnose_set(&values, median);
        }
        if together && comparable {
            if let Some(median) = median {
                self.compare_cells(&values, median, bytes);
            }
        } else {
            self.watches.spread.pause();
            self.watches.deviation.pause();
        }
        self.swing.unsteady = self.swing.unsteady.saturating_sub(1);
        self.swing.settled = self.current();
        self.scratch = values;
    }

    /// `None` of an empty set. A set that repeats the last, as many do on a line that is faster than the BMS, has its median.
    fn median_of_set(&mut self, values: &[i64]) -> Option<i64> {
        if !values.is_empty() && self.last_set == values {
            return Some(self.last_median);
        }
        self.median_scratch.clear();
        self.median_scratch.extend_from_slice(values);
        median(&mut self.median_scratch)
    }

    fn count_set(&mut self, whole: bool, comparable: bool) {
        let current = self.current().map_or(0, i64::saturating_abs);
        let telling = self.telling_load() <= current;
        let (rest, known) = (self.stage.cells_rest(), !self.stage.current_is_unknown());
        let stage = self.stage.stage();
        let sets = &mut self.cell_sets;
        if !whole {
            sets.broken += 1;
            return;
        }
        if let Some(count) = sets.stages.get_mut(stage as usize).filter(|_| comparable) {
            *count += 1;
        }
        match (comparable && known, rest, stage) {
            (true, true, _) => sets.rest += 1,
            (true, false, Stage::BusRise | Stage::Idle | Stage::Load) => {
                sets.load += 1;
                sets.telling += u64::from(telling);
            }
            _ => sets.other += 1,
        }
    }

    /// The load under which a weak cell can be told from a sound one: a tenth of the one-hour current, and twenty steps of
    /// a reading over the resistance. Common practice, no source.
    pub(super) fn telling_load(&self) -> i64 {
        let steps = i128::from(self.cells.step.max(TELLING_STEP)) * 20 * 1_000_000_000
            / i128::from(self.pack.resistance_nanos().max(1));
        i64::try_from(steps).unwrap_or(i64::MAX).max(self.pack.capacity_nanos() / 10)
    }

    fn is_balanced(&mut self) -> bool {
        if self.some_cell_is_balancing() {
            self.balanced_at = Some(self.now);
        }
        self.balanced_at.is_some_and(|at| self.now.since(at) < AFTER_BALANCING)
    }

    fn compare_cells(&mut self, values: &[i64], median: i64, bytes: Option<ByteRange>) {
        let at = self.now;
        let rest = self.stage.cells_rest();
        let (Some(highest), Some(lowest)) = (values.iter().max().copied(), values.iter().min().copied()) else {
            return;
        };
        let limit = self.pack.limit(if rest { LimitName::SpreadRest } else { LimitName::SpreadLoad });
        let limit = self.readable(limit);
        let seen = Observed { at, place: None, part: 0, value: highest.saturating_sub(lowest), limit: &limit, bytes };
        self.watches.spread.observe(0, &seen, &mut self.book, &mut self.events);
        let limit = if rest {
            self.pack.limit(LimitName::DeviationRest)
        } else {
            self.pack.deviation_load(self.current().unwrap_or(0))
        };
        let limit = self.readable(limit);
        let furthest = highest.saturating_sub(median).max(median.saturating_sub(lowest));
        if self.watches.deviation.is_quiet_at(furthest, &limit) {
            return;
        }
        for (index, nanos) in self.cells.values() {
            let place = Some(Channel::at(Quantity::CellVoltage, u16::try_from(index + 1).unwrap_or(u16::MAX)));
            let value = nanos.saturating_sub(median).saturating_abs();
            let seen = Observed { at, place, part: 0, value, limit: &limit, bytes };
            self.watches.deviation.observe(index, &seen, &mut self.book, &mut self.events);
        }
    }

    /// Differences between cells below this are noise, in billionths of a volt: three steps plus the accuracy of the BMS.
    pub(super) fn noise_of_differences(&self) -> i64 {
        self.cells.step.saturating_mul(3).saturating_add(self.pack.accuracy_nanos())
    }

    /// No limit on differences is tighter than the noise. Where that lifts the critical side, the check has no data.
    fn readable(&self, mut limit: LimitValues) -> LimitValues {
        let floor = self.noise_of_differences();
        limit.warning = limit.warning.map(|warning| warning.max(floor));
        limit.critical = limit.critical.map(|critical| critical.max(floor));
        limit
    }

    fn hold_against_meter(&mut self, bytes: Option<ByteRange>) {
        let at = self.now;
        let (Some(meter), Some((_, sum))) = (self.meter, self.pack_sum.newest()) else { return };
        if self.meter_gap.is_some() || !self.stage.cells_rest() || meter.until < at {
            return;
        }
        let reading = meter.nanos;
        let key = Key::new(Check::PackSum, Some(Channel::whole(Quantity::PackVoltage))).part(METER);
        let Some(gap) = share(reading.saturating_sub(sum), sum) else { return };
        self.meter_gap = Some(gap);
        let limit = self.pack.limit_ref(LimitName::PackSum);
        let over = |side: Option<i64>| side.is_some_and(|side| side < gap);
        let severity = match (over(limit.critical), over(limit.warning)) {
            (true, _) => Severity::Critical,
            (false, true) => Severity::Warning,
            (false, false) => return self.book.clear(at, key, &mut self.events),
        };
        let text = format!(
            "the meter's {} V is off the sum of the cells, {} V, by {}",
            format_nanos(reading, 2),
            format_nanos(sum, 2),
            amount(Check::PackSum, Dimension::Share, gap)
        );
        self.raise(key, severity, text, bytes);
    }

    /// What must show in a cell's reading, in billionths of a volt.
    fn enough_to_move(&self) -> i64 {
        self.cells.step.saturating_mul(FROZEN_STEPS).max(FROZEN_LEAST)
    }

    fn look_for_frozen_cells(&mut self, values: &[i64], median: i64, bytes: Option<ByteRange>) {
        self.look_for_a_frozen_cell(values, median, bytes);
        if self.last_set != values {
            self.cell_sets.distinct += 1;
            self.last_set.clear();
            self.last_set.extend_from_slice(values);
            self.last_median = median;
            self.still = Still { since: self.now, ..Still::default() };
            if std::mem::take(&mut self.still_raised) {
                self.book.clear(self.now, Key::new(Check::LiveValues, Some(FROZEN_CELLS)), &mut self.events);
            }
        } else {
            self.all_cells_stand_still(bytes);
        }
    }

    /// A cell that stays where it is while the others move is not measured any more: its last value is held.
    fn look_for_a_frozen_cell(&mut self, values: &[i64], median: i64, bytes: Option<ByteRange>) {
        let at = self.now;
        let enough = self.enough_to_move();
        self.cell_moves.resize(values.len(), CellMove::default());
        for (index, value) in values.iter().enumerate() {
            let moved = self.last_set.get(index) != Some(value);
            let Some(cell) = self.cell_moves.get_mut(index) else { return };
            let key = || {
                let place = u16::try_from(index + 1).unwrap_or(u16::MAX);
                Key::new(Check::LiveValues, Some(Channel::at(Quantity::CellVoltage, place)))
            };
            if moved {
                if cell.frozen {
                    self.book.clear(at, key(), &mut self.events);
                }
                *cell = CellMove { median, ..CellMove::default() };
                continue;
            }
            let apart = median.saturating_sub(cell.median).saturating_abs();
            if apart < enough {
                cell.apart_since = None;
            } else if FROZEN_AFTER <= at.since(*cell.apart_since.get_or_insert(at)) && !cell.frozen {
                cell.frozen = true;
                let apart = amount(Check::Deviation, Dimension::Voltage, apart);
                let text = format!("cell {} has not moved while the others moved by {apart}: it is frozen", index + 1);
                self.raise(key(), Severity::Critical, text, bytes);
            }
        }
    }

    /// Cells that do not move although the current has changed enough to move them are not measured any more.
    fn all_cells_stand_still(&mut self, bytes: Option<ByteRange>) {
        let Some(now) = self.current() else { return };
        let change = now.saturating_sub(*self.still.current.get_or_insert(now));
        if self.pack.drop_nanos(change) < self.enough_to_move() {
            self.still.current_moved_at = None;
            return;
        }
        let since = *self.still.current_moved_at.get_or_insert(self.now);
        if FROZEN_AFTER <= self.now.since(since) && !self.still_raised {
            self.still_raised = true;
            let amperes = format_nanos(change, 1);
            let text = format!("no cell has moved although the current changed by {amperes} A: the values are frozen");
            self.raise(Key::new(Check::LiveValues, Some(FROZEN_CELLS)), Severity::Critical, text, bytes);
        }
    }
}
