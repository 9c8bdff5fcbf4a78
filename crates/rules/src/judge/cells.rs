//! Cell voltages, one by one and as sets.

use model::{ByteRange, Channel, Dimension, Quantity, format_nanos};

use super::ahead::{Known, RunRow};
use super::moves::CellMove;
use super::plan::{Role, Step};
use super::{
    AFTER_BALANCING, CELL_POSSIBLE, Column, FROZEN_AFTER, FROZEN_CELLS, FROZEN_LEAST, FROZEN_STEPS, Judge, METER,
    Still, is_inside,
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
            let low = if rest { LimitName::CellLowRest } else { LimitName::CellLowLoad };
            self.held.see(LimitName::CellHigh, nanos);
            self.held.see(low, nanos);
            let low = self.pack.limit_ref(low);
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
            self.cell_set(present, together, None, bytes);
        }
    }

    /// Neighbouring cells at once, where each of them is there and possible: only what can change something is done, and in
    /// the order in which [`cell`](Self::cell) does it for one after another. False, and nothing has changed, where one of
    /// them needs more than that.
    pub(super) fn cell_run(&mut self, of: RunRow<'_>, steps: &[Step], bytes: Option<ByteRange>) -> bool {
        let Some(first) = steps.first() else { return false };
        let Role::Cell { slot, .. } = first.role else { return false };
        if self.cells_wrong {
            self.cells_wrong = self.cell_columns.iter().any(Column::is_wrong);
            if self.cells_wrong {
                return false;
            }
        }
        let (lowest, highest) = (of.lowest, of.highest);
        if !is_inside(lowest, CELL_POSSIBLE) || !is_inside(highest, CELL_POSSIBLE) {
            return false;
        }
        let Some(update) = self.cells.update_run(self.now, slot, of.values) else { return false };
        self.cells.step = self.cells.step.max(first.resolution);
        let rest = self.stage.cells_rest();
        let low = if rest { LimitName::CellLowRest } else { LimitName::CellLowLoad };
        self.held.see_all(LimitName::CellHigh, lowest, highest);
        self.held.see_all(low, lowest, highest);
        let low = self.pack.limit_ref(low);
        let high = self.pack.limit_ref(LimitName::CellHigh);
        // A watch to which the furthest of them is nothing has nothing to do.
        let high = Some(high).filter(|high| !self.watches.cell_high.is_quiet_at(highest, high));
        let low = Some(low).filter(|low| !self.watches.cell_low.is_quiet_at(lowest, low));
        let mut places = std::mem::take(&mut self.place_scratch);
        places.clear();
        if let Some(high) = high {
            self.watches.cell_high.add_those_that_matter(slot, of.values.iter().copied(), high, &mut places);
        }
        if let Some(low) = low {
            self.watches.cell_low.add_those_that_matter(slot, of.values.iter().copied(), low, &mut places);
        }
        for place in &places {
            let Some((step, value)) = steps.get(place - slot).zip(of.values.get(place - slot)) else { continue };
            let seen =
                |limit| Observed { at: self.now, place: Some(step.channel), part: 0, value: *value, limit, bytes };
            if let Some(high) = high {
                self.watches.cell_high.observe(*place, &seen(high), &mut self.book, &mut self.events);
            }
            if let Some(low) = low {
                self.watches.cell_low.observe(*place, &seen(low), &mut self.book, &mut self.events);
            }
        }
        self.place_scratch = places;
        if let Update::Set { present, together } = update {
            let all = of.values.len() == usize::from(self.pack.cells());
            self.cell_set(present, together, all.then_some(of), bytes);
        }
        true
    }

    /// Spread, deviation and sum of a complete set; `of`: where the run that made it complete is all of it.
    fn cell_set(&mut self, present: bool, together: bool, of: Option<RunRow<'_>>, bytes: Option<ByteRange>) {
        let mut values = std::mem::take(&mut self.scratch);
        let set = match of {
            Some(of) => Some(of),
            None => {
                values.clear();
                match self.cells.whole() {
                    Some(whole) => values.extend_from_slice(whole),
                    None => values.extend(self.cells.values().map(|(_, nanos)| nanos)),
                }
                let extremes = values.iter().min().copied().zip(values.iter().max().copied());
                extremes.map(|(lowest, highest)| RunRow { values: &values, lowest, highest, known: None })
            }
        };
        let comparable = match set {
            Some(set) => self.values_of_set(set, present && together, together, bytes),
            None => {
                let comparable = self.is_comparable();
                self.count_set(false, comparable);
                comparable
            }
        };
        if !together || !comparable {
            self.watches.spread.pause();
            self.watches.deviation.pause();
        }
        self.swing.unsteady = self.swing.unsteady.saturating_sub(1);
        self.swing.settled = self.current();
        self.scratch = values;
    }

    /// Returns whether cells can be compared with each other now.
    fn values_of_set(&mut self, set: RunRow<'_>, whole: bool, together: bool, bytes: Option<ByteRange>) -> bool {
        let median = match set.known {
            Some(known) => known.median,
            None => self.median_of_set(set.values),
        };
        let sum = match set.known {
            Some(known) => known.sum,
            None => set.values.iter().fold(0_i64, |sum, nanos| sum.saturating_add(*nanos)),
        };
        if whole {
            self.look_for_frozen_cells(set, median, bytes);
            self.pack_sum.set(self.now, sum);
            self.hold_against_meter(bytes);
        }
        let comparable = self.is_comparable();
        self.count_set(whole, comparable);
        if whole {
            self.diagnose_set(set, median, sum);
        }
        if together && comparable {
            self.compare_cells(set, median, bytes);
        }
        comparable
    }

    /// Cells of two sides of a jump of the current, or while some are being balanced, do not compare.
    fn is_comparable(&mut self) -> bool {
        self.swing.unsteady == 0 && self.swing.blank_until <= self.now && !self.is_balanced()
    }

    /// A set that repeats the last, as many do on a line that is faster than the BMS, has its median.
    fn median_of_set(&mut self, values: &[i64]) -> i64 {
        if self.last_set == values {
            return self.last_median;
        }
        self.median_scratch.clear();
        self.median_scratch.extend_from_slice(values);
        median(&mut self.median_scratch).unwrap_or(0)
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
        let (step, resistance) = (self.cells.step.max(TELLING_STEP), self.pack.resistance_nanos().max(1));
        let steps = match step.checked_mul(20 * 1_000_000_000) {
            Some(product) => product / resistance,
            None => i64::try_from(i128::from(step) * 20 * 1_000_000_000 / i128::from(resistance)).unwrap_or(i64::MAX),
        };
        steps.max(self.pack.capacity_nanos() / 10)
    }

    fn is_balanced(&mut self) -> bool {
        if self.some_cell_is_balancing() {
            self.balanced_at = Some(self.now);
        }
        self.balanced_at.is_some_and(|at| self.now.since(at) < AFTER_BALANCING)
    }

    fn compare_cells(&mut self, set: RunRow<'_>, median: i64, bytes: Option<ByteRange>) {
        let at = self.now;
        let rest = self.stage.cells_rest();
        let (lowest, highest, floor) = (set.lowest, set.highest, self.noise_of_differences());
        let name = if rest { LimitName::SpreadRest } else { LimitName::SpreadLoad };
        let value = highest.saturating_sub(lowest);
        self.held.see(name, value);
        if !self.watches.spread.is_quiet_above(floor, value, self.pack.limit_ref(name)) {
            let limit = self.readable(self.pack.limit(name));
            let seen = Observed { at, place: None, part: 0, value, limit: &limit, bytes };
            self.watches.spread.observe(0, &seen, &mut self.book, &mut self.events);
        }
        let name = if rest { LimitName::DeviationRest } else { LimitName::DeviationLoad };
        let furthest = highest.saturating_sub(median).max(median.saturating_sub(lowest));
        self.held.see(name, furthest);
        // A current only makes the limit wider.
        if self.watches.deviation.is_quiet_above(floor, furthest, self.pack.limit_ref(name)) {
            return;
        }
        let limit = if rest { self.pack.limit(name) } else { self.pack.deviation_load(self.current().unwrap_or(0)) };
        let limit = self.readable(limit);
        if self.watches.deviation.is_quiet_at(furthest, &limit) {
            return;
        }
        let mut places = std::mem::take(&mut self.place_scratch);
        places.clear();
        let apart = |nanos: i64| nanos.saturating_sub(median).saturating_abs();
        if set.values.len() == usize::from(self.pack.cells()) {
            let values = set.values.iter().map(|nanos| apart(*nanos));
            self.watches.deviation.add_those_that_matter(0, values, &limit, &mut places);
        } else {
            places.extend(self.cells.values().map(|(index, _)| index));
        }
        for index in &places {
            let Some(nanos) = self.cells.value(*index) else { continue };
            let place = Some(Channel::at(Quantity::CellVoltage, u16::try_from(index + 1).unwrap_or(u16::MAX)));
            let seen = Observed { at, place, part: 0, value: apart(nanos), limit: &limit, bytes };
            self.watches.deviation.observe(*index, &seen, &mut self.book, &mut self.events);
        }
        self.place_scratch = places;
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

    fn look_for_frozen_cells(&mut self, set: RunRow<'_>, median: i64, bytes: Option<ByteRange>) {
        let values = set.values;
        if !set.known.is_some_and(|known| self.put_off(known)) {
            self.look_for_a_frozen_cell(values, median, bytes);
        }
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

    /// Whether a set can be looked at later, together with others. Where not, what was put off before is looked at now.
    fn put_off(&mut self, known: Known<'_>) -> bool {
        let enough = self.enough_to_move();
        let mut put_off = || self.moves.put_off(known.place, known.median, enough, &self.last_set);
        if put_off() {
            return true;
        }
        self.moves.settle(known.ahead);
        self.moves.put_off(known.place, known.median, enough, &self.last_set)
    }

    /// A cell that stays where it is while the others move is not measured any more: its last value is held.
    fn look_for_a_frozen_cell(&mut self, values: &[i64], median: i64, bytes: Option<ByteRange>) {
        let at = self.now;
        let enough = self.enough_to_move();
        self.moves.cells.resize(values.len(), CellMove::default());
        for (index, value) in values.iter().enumerate() {
            let moved = self.last_set.get(index) != Some(value);
            let Some(cell) = self.moves.cells.get_mut(index) else { return };
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
        self.moves.look_over();
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
