//! Temperatures, one by one, as sets and over time.

use model::{ByteRange, Channel, ColumnLayout, SessionTime};

use super::{Judge, TEMPERATURE_POSSIBLE};
use crate::check::Check;
use crate::latest::Update;
use crate::limits::LimitName;
use crate::stage::Stage;
use crate::watch::Observed;

impl Judge {
    pub(super) fn temperature(
        &mut self,
        at: SessionTime,
        column: &ColumnLayout,
        nanos: Option<i64>,
        bytes: Option<ByteRange>,
    ) {
        let channel = column.channel;
        let Some(index) = usize::from(channel.place).checked_sub(1) else { return };
        let step = column.scale.resolution();
        self.temperatures.step = self.temperatures.step.max(step);
        let update = self.temperatures.update(at, index, nanos);
        if update == Update::Outside {
            return;
        }
        self.present(Check::AllTemperatures, channel, nanos, bytes);
        if let Some(nanos) = nanos {
            let possible = self.possible(channel, nanos, TEMPERATURE_POSSIBLE, bytes);
            let seen = |limit| Observed { at, place: Some(channel), value: nanos, limit, bytes };
            let high = self.pack.limit(LimitName::TemperatureHigh);
            let low = self.pack.limit(LimitName::TemperatureLow);
            if possible {
                self.watches.temperature_high.observe(index, seen(high), &mut self.book, &mut self.events);
                self.watches.temperature_low.observe(index, seen(low), &mut self.book, &mut self.events);
                self.temperature_rate(at, channel, index, nanos, step, bytes);
            }
        }
        if let Update::Set { whole } = update {
            self.temperature_set(at, whole, bytes);
        }
    }

    pub(super) fn temperature_rate(
        &mut self,
        at: SessionTime,
        channel: Channel,
        index: usize,
        nanos: i64,
        step: i64,
        bytes: Option<ByteRange>,
    ) {
        let Some(window) = self.rates.get_mut(index) else { return };
        if !window.push(at, nanos) {
            return;
        }
        let Some(rate) = window.rate(step) else { return };
        let rest = self.stage.stage() == Stage::Rest;
        let name = if rest { LimitName::TemperatureRateRest } else { LimitName::TemperatureRateLoad };
        let limit = self.pack.limit(name);
        let conclusive = limit.critical.is_some_and(|critical| rate.uncertainty <= critical / 2);
        // The first sensor speaks for all: they come together and have the same step.
        if index == 0 {
            self.rate_conclusive = conclusive;
        }
        let proven = rate.nanos_per_minute.saturating_sub(rate.uncertainty);
        let seen = Observed { at, place: Some(channel), value: proven, limit, bytes };
        self.watches.temperature_rate.observe(index, seen, &mut self.book, &mut self.events);
    }

    pub(super) fn temperature_set(&mut self, at: SessionTime, whole: bool, bytes: Option<ByteRange>) {
        let rest = self.stage.stage() == Stage::Rest;
        if whole {
            if rest {
                self.temperature_sets.rest += 1;
            } else {
                self.temperature_sets.load += 1;
            }
        } else {
            self.temperature_sets.broken += 1;
        }
        let possible = |nanos: &i64| TEMPERATURE_POSSIBLE.0 < *nanos && *nanos <= TEMPERATURE_POSSIBLE.1;
        let values = || self.temperatures.values().map(|(_, nanos)| nanos).filter(possible);
        let (Some(warmest), Some(coldest)) = (values().max(), values().min()) else { return };
        let name = if rest { LimitName::TemperatureSpreadRest } else { LimitName::TemperatureSpreadLoad };
        let value = warmest.saturating_sub(coldest);
        let seen = Observed { at, place: None, value, limit: self.pack.limit(name), bytes };
        self.watches.temperature_spread.observe(0, seen, &mut self.book, &mut self.events);
    }
}
