//! Cell voltages, one by one and as sets.

use std::time::Duration;

use model::{ByteRange, Channel, ColumnLayout, Dimension, Quantity, SessionTime, format_nanos};

use super::{CELL_POSSIBLE, FROZEN_AFTER, FROZEN_CELLS, Judge, METER_VALID, Still, UNUSED_CELL};
use crate::alarms::Severity;
use crate::check::Check;
use crate::latest::Update;
use crate::limits::{LimitName, LimitValues};
use crate::pack_sum::share;
use crate::stage::Stage;
use crate::statistics::median;
use crate::watch::{Observed, amount};

impl Judge {
    pub(super) fn cell(
        &mut self,
        at: SessionTime,
        column: &ColumnLayout,
        nanos: Option<i64>,
        bytes: Option<ByteRange>,
    ) {
        let channel = column.channel;
        let Some(index) = usize::from(channel.place).checked_sub(1) else { return };
        self.cells.step = self.cells.step.max(column.scale.resolution());
        let update = self.cells.update(at, index, nanos);
        if update == Update::Outside {
            if nanos.is_some_and(|nanos| UNUSED_CELL < nanos) {
                self.extra_cells = Some(self.extra_cells.unwrap_or(0).max(channel.place));
            }
            return;
        }
        self.present(Check::AllCells, channel, nanos, bytes);
        if let Some(nanos) = nanos {
            self.possible(channel, nanos, CELL_POSSIBLE, bytes);
            let low = if self.stage.stage() == Stage::Rest { LimitName::CellLowRest } else { LimitName::CellLowLoad };
            let seen = |limit| Observed { at, place: Some(channel), value: nanos, limit, bytes };
            let (high, low) = (self.pack.limit(LimitName::CellHigh), self.pack.limit(low));
            self.watches.cell_high.observe(index, seen(high), &mut self.book, &mut self.events);
            self.watches.cell_low.observe(index, seen(low), &mut self.book, &mut self.events);
        }
        if let Update::Set { whole } = update {
            self.cell_set(at, whole, bytes);
        }
    }

    /// Spread, deviation and sum of a complete set.
    pub(super) fn cell_set(&mut self, at: SessionTime, whole: bool, bytes: Option<ByteRange>) {
        let mut values = std::mem::take(&mut self.scratch);
        values.clear();
        values.extend(self.cells.values().map(|(_, nanos)| nanos));
        let rest = self.stage.stage() == Stage::Rest;
        if whole {
            if self.last_set != values {
                self.cell_sets.distinct += 1;
                self.last_set.clone_from(&values);
                self.still = Still { current: self.current(), current_moved_at: None };
                self.book.clear(at, Check::LiveValues, Some(FROZEN_CELLS), &mut self.events);
            } else {
                self.cells_stand_still(at, bytes);
            }
            if rest {
                self.cell_sets.rest += 1;
            } else if self.stage.stage() == Stage::Load {
                self.cell_sets.load += 1;
            }
            self.last_set_at = Some(at);
            let sum = values.iter().fold(0_i64, |sum, nanos| sum.saturating_add(*nanos));
            self.pack_sum.set(at, sum);
            self.hold_against_meter(at, bytes);
        } else {
            self.cell_sets.broken += 1;
        }
        if let (Some(highest), Some(lowest)) = (values.iter().max(), values.iter().min()) {
            let name = if rest { LimitName::SpreadRest } else { LimitName::SpreadLoad };
            let limit = self.readable(self.pack.limit(name));
            let spread = highest.saturating_sub(*lowest);
            let seen = Observed { at, place: None, value: spread, limit, bytes };
            self.watches.spread.observe(0, seen, &mut self.book, &mut self.events);
        }
        if let Some(median) = median(&mut values) {
            let limit = if rest {
                self.pack.limit(LimitName::DeviationRest)
            } else {
                self.pack.deviation_load(self.current.map_or(0, |(_, nanos)| nanos))
            };
            let limit = self.readable(limit);
            for (index, nanos) in self.cells.values() {
                let place = Channel::at(Quantity::CellVoltage, u16::try_from(index + 1).unwrap_or(u16::MAX));
                let value = nanos.saturating_sub(median).saturating_abs();
                let seen = Observed { at, place: Some(place), value, limit, bytes };
                self.watches.deviation.observe(index, seen, &mut self.book, &mut self.events);
            }
        }
        self.scratch = values;
    }

    /// No limit on differences is tighter than three steps plus the accuracy of the BMS: below that is noise.
    pub(super) fn readable(&self, mut limit: LimitValues) -> LimitValues {
        let floor = self.cells.step.saturating_mul(3).saturating_add(self.pack.accuracy_nanos());
        limit.warning = limit.warning.map(|warning| warning.max(floor));
        limit.critical = limit.critical.map(|critical| critical.max(floor));
        limit
    }

    pub(super) fn hold_against_meter(&mut self, at: SessionTime, bytes: Option<ByteRange>) {
        let (Some((read_at, reading)), Some((_, sum))) = (self.meter, self.pack_sum.newest()) else { return };
        if self.meter_gap.is_some() || self.stage.stage() != Stage::Rest || METER_VALID < at.since(read_at) {
            return;
        }
        let Some(gap) = share(reading.saturating_sub(sum), sum) else { return };
        self.meter_gap = Some(gap);
        let limit = LimitValues { on_delay: Duration::ZERO, ..self.pack.limit(LimitName::PackSum) };
        let place = Some(Channel::whole(Quantity::PackVoltage));
        let over = |side: Option<i64>| side.is_some_and(|side| side < gap);
        let severity = match (over(limit.critical), over(limit.warning)) {
            (true, _) => Severity::Critical,
            (false, true) => Severity::Warning,
            (false, false) => return,
        };
        let text = format!(
            "the meter's {} V is off the sum of the cells by {}",
            format_nanos(reading, 2),
            amount(Check::PackSum, Dimension::Share, gap)
        );
        self.raise(Check::PackSum, place, severity, text, bytes);
    }

    /// Cells that do not move although the current has changed enough to move them are not measured any more.
    pub(super) fn cells_stand_still(&mut self, at: SessionTime, bytes: Option<ByteRange>) {
        let (Some(then), Some(now)) = (self.still.current, self.current()) else { return };
        let change = i128::from(now.saturating_sub(then).unsigned_abs());
        let drop = change * i128::from(self.pack.resistance_nanos()) / 1_000_000_000;
        if drop < i128::from(self.cells.step) * 10 {
            self.still.current_moved_at = None;
            return;
        }
        let since = *self.still.current_moved_at.get_or_insert(at);
        if FROZEN_AFTER <= at.since(since) {
            let amperes = format_nanos(now.saturating_sub(then), 1);
            let text = format!("no cell has moved although the current changed by {amperes} A: the values are frozen");
            self.raise(Check::LiveValues, Some(FROZEN_CELLS), Severity::Critical, text, bytes);
        }
    }
}
