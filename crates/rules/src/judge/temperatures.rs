//! Temperatures, one by one, as sets and over time.

use model::{ByteRange, Channel};

use super::ahead::RunRow;
use super::plan::{Role, Step};
use super::{Column, Judge, TEMPERATURE_POSSIBLE, is_inside};
use crate::alarms::Key;
use crate::check::Check;
use crate::latest::Update;
use crate::limits::LimitName;
use crate::stage::Stage;
use crate::watch::Observed;

impl Judge {
    /// `slot`: the sensor's place, from 0, or beyond the pack's places for a column that carries a sensor again.
    pub(super) fn temperature(
        &mut self,
        channel: Channel,
        slot: usize,
        first: bool,
        nanos: Option<i64>,
        bytes: Option<ByteRange>,
    ) {
        let (at, part) = (self.now, if first { 0 } else { slot });
        let Some(mut column) = self.temperature_columns.get(slot).copied() else { return };
        if first && (nanos.is_none() || column.absent.raised) {
            let key = Key::new(Check::AllTemperatures, Some(channel));
            column.absent = self.presence(column.absent, key, nanos.is_some(), bytes);
        }
        if let Some(nanos) = nanos {
            column.impossible = self.possibility(column.impossible, channel, part, nanos, TEMPERATURE_POSSIBLE, bytes);
            if is_inside(nanos, TEMPERATURE_POSSIBLE) {
                self.held.see(LimitName::TemperatureHigh, nanos);
                self.held.see(LimitName::TemperatureLow, nanos);
                let high = self.pack.limit_ref(LimitName::TemperatureHigh);
                let low = self.pack.limit_ref(LimitName::TemperatureLow);
                let seen = Observed { at, place: Some(channel), part, value: nanos, limit: high, bytes };
                self.watches.temperature_high.observe(slot, &seen, &mut self.book, &mut self.events);
                let seen = Observed { limit: low, ..seen };
                self.watches.temperature_low.observe(slot, &seen, &mut self.book, &mut self.events);
                if first && self.rates.get_mut(slot).is_some_and(|window| window.push(at, nanos)) {
                    self.temperature_rate(channel, slot, bytes);
                }
            }
        }
        if let Some(kept) = self.temperature_columns.get_mut(slot) {
            *kept = column;
            self.temperatures_wrong |= column.is_wrong();
        }
        if first && let Update::Set { present, together } = self.temperatures.update(at, slot, nanos) {
            self.temperature_set(present, together, None, bytes);
        }
    }

    /// Neighbouring sensors at once, where each is there, possible and inside its limits and no delay runs: only the rates
    /// can say something then. False, and nothing has changed, where that is not so.
    pub(super) fn temperature_run(&mut self, of: RunRow<'_>, steps: &[Step], bytes: Option<ByteRange>) -> bool {
        let Some(first) = steps.first() else { return false };
        let Role::Temperature { slot, .. } = first.role else { return false };
        if self.temperatures_wrong {
            self.temperatures_wrong = self.temperature_columns.iter().any(Column::is_wrong);
            if self.temperatures_wrong {
                return false;
            }
        }
        let (lowest, highest) = (of.lowest, of.highest);
        let high = self.pack.limit_ref(LimitName::TemperatureHigh);
        let low = self.pack.limit_ref(LimitName::TemperatureLow);
        let usual = is_inside(lowest, TEMPERATURE_POSSIBLE)
            && is_inside(highest, TEMPERATURE_POSSIBLE)
            && self.watches.temperature_high.is_quiet_at(highest, high)
            && self.watches.temperature_low.is_quiet_at(lowest, low);
        if !usual {
            return false;
        }
        let Some(update) = self.temperatures.update_run(self.now, slot, of.values) else { return false };
        self.held.see_all(LimitName::TemperatureHigh, lowest, highest);
        self.held.see_all(LimitName::TemperatureLow, lowest, highest);
        self.temperatures.step = self.temperatures.step.max(first.resolution);
        let mut completed = false;
        for (window, value) in self.rates.iter_mut().skip(slot).zip(of.values) {
            completed |= window.push(self.now, *value);
        }
        if completed {
            for (step, slot) in steps.iter().zip(slot..) {
                self.temperature_rate(step.channel, slot, bytes);
            }
        }
        if let Update::Set { present, together } = update {
            let all = of.values.len() == self.pack.temperatures().len();
            self.temperature_set(present, together, all.then_some((lowest, highest)), bytes);
        }
        true
    }

    /// After a completed second.
    fn temperature_rate(&mut self, channel: Channel, index: usize, bytes: Option<ByteRange>) {
        let at = self.now;
        let Some(rate) = self.rates.get(index).and_then(|window| window.rate(self.temperatures.step)) else { return };
        let rest = self.stage.cells_rest();
        let name = if rest { LimitName::TemperatureRateRest } else { LimitName::TemperatureRateLoad };
        let limit = self.pack.limit_ref(name);
        if let Some(known) = self.rates_known.get_mut(index) {
            *known |= limit.critical.is_some_and(|critical| rate.uncertainty <= critical / 2);
        }
        let value = rate.nanos_per_minute.saturating_sub(rate.uncertainty);
        self.held.see(name, value);
        let seen = Observed { at, place: Some(channel), part: 0, value, limit, bytes };
        self.watches.temperature_rate.observe(index, &seen, &mut self.book, &mut self.events);
    }

    /// `extremes`: the coldest and the warmest, where they are known, and all are possible.
    fn temperature_set(
        &mut self,
        present: bool,
        together: bool,
        extremes: Option<(i64, i64)>,
        bytes: Option<ByteRange>,
    ) {
        let rest = self.stage.cells_rest();
        let sets = &mut self.temperature_sets;
        match self.stage.stage() {
            _ if !present || !together => sets.broken += 1,
            _ if rest => sets.rest += 1,
            Stage::BusRise | Stage::Idle | Stage::Load => sets.load += 1,
            _ => sets.other += 1,
        }
        if !together {
            return;
        }
        self.diagnose_temperatures();
        let values = || self.temperatures.values().map(|(_, nanos)| nanos);
        let possible = || values().filter(|nanos| is_inside(*nanos, TEMPERATURE_POSSIBLE));
        let Some((coldest, warmest)) = extremes.or_else(|| possible().min().zip(possible().max())) else { return };
        let name = if rest { LimitName::TemperatureSpreadRest } else { LimitName::TemperatureSpreadLoad };
        let (at, value) = (self.now, warmest.saturating_sub(coldest));
        self.held.see(name, value);
        let seen = Observed { at, place: None, part: 0, value, limit: self.pack.limit_ref(name), bytes };
        self.watches.temperature_spread.observe(0, &seen, &mut self.book, &mut self.events);
    }
}
