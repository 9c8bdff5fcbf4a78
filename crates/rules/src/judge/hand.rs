//! What the person read and checked by hand.

use std::time::Duration;

use model::{HandItem, HandOutcome, HandReading, format_nanos};

use super::{Judge, METER_VALID, Meter};
use crate::alarms::{Key, Severity};
use crate::check::Check;
use crate::prepare::{self, HandResult, Judged};

impl Judge {
    /// Takes an entry; the newest of an item counts.
    ///
    /// What the entry before it raised is withdrawn while no byte came: nothing was judged yet, and a slip of the finger
    /// need not end a session that has not begun. After that a failure holds for the session.
    pub(super) fn by_hand(&mut self, reading: &HandReading) {
        let judged = prepare::judge(reading, &self.pack);
        self.note(said(reading, &judged));
        if reading.item == HandItem::PackVoltage {
            self.metered(reading);
        }
        let key = key_of(reading.item);
        if self.link.bytes == 0 && self.link.good == 0 {
            self.book.withdraw(self.now, key, &mut self.events);
        } else {
            self.book.clear(self.now, key, &mut self.events);
        }
        let severity = match judged.result {
            HandResult::Failed => Some(Severity::Critical),
            HandResult::Warning => Some(Severity::Warning),
            HandResult::NotDone | HandResult::Passed => None,
        };
        if let Some(severity) = severity {
            let text = match reading.item {
                HandItem::SensePins => "sense leads are not right by a hand reading".to_owned(),
                item => format!("{}: {}{}", item.name(), judged.why, remark(reading)),
            };
            self.raise(key, severity, text, None);
        }
        self.prepared.enter(self.now, reading.clone());
    }

    fn metered(&mut self, reading: &HandReading) {
        let left = METER_VALID.saturating_sub(Duration::from_secs(reading.age_seconds.into()));
        let value = reading.value.filter(|_| reading.outcome != HandOutcome::NotDone);
        self.meter = value.map(|value| Meter { nanos: value.nanos, until: self.now + left });
        self.meter_gap = None;
    }

    /// Whether an item failed in a way that holds for the session.
    pub(super) fn has_failed_by_hand(&self, item: HandItem) -> bool {
        self.book.find(key_of(item)).is_some_and(|alarm| alarm.worst == Severity::Critical)
    }

    /// When and with what the sense pins were metered and found right; `None` if they were not.
    pub(super) fn sense_pins_passed(&self) -> Option<&HandReading> {
        let (_, reading) = self.prepared.entry(HandItem::SensePins)?;
        (reading.outcome == HandOutcome::Passed).then_some(reading)
    }
}

/// The alarm of an item. The sense pins have a check of their own.
fn key_of(item: HandItem) -> Key {
    match item {
        HandItem::SensePins => Key::new(Check::SenseLeads, None),
        item => Key::new(Check::BeforePower, None).part(item as usize),
    }
}

/// The event line of an entry.
fn said(reading: &HandReading, judged: &Judged) -> String {
    let HandReading { item, outcome, value, instrument, .. } = reading;
    let more = format!("{}{}", taken(reading), remark(reading));
    match (item, outcome, value) {
        (HandItem::PackVoltage, HandOutcome::Passed, Some(value)) => {
            format!("pack voltage by {instrument}: {} V{more}", format_nanos(value.nanos, 2))
        }
        (HandItem::SensePins, HandOutcome::Passed | HandOutcome::Failed, _) => {
            let word = if *outcome == HandOutcome::Passed { "right" } else { "not right" };
            format!("sense leads metered pin by pin with {instrument}: {word}{more}")
        }
        (item, HandOutcome::NotDone, _) => format!("before power: {}: taken back, not done{more}", item.name()),
        (item, ..) => {
            let with = match (value, instrument.trim()) {
                (Some(_), instrument) if !instrument.is_empty() => format!(" with {instrument}"),
                _ => String::new(),
            };
            // The reason of a plain result is the result.
            let result = judged.result.name();
            let why = if judged.why == result { String::new() } else { format!(": {}", judged.why) };
            format!("before power: {}{with}: {result}{why}{more}", item.name())
        }
    }
}

fn remark(reading: &HandReading) -> String {
    let remark = reading.remark.trim();
    if remark.is_empty() { String::new() } else { format!("; {remark}") }
}

/// `, taken 12 min before`; nothing for what was taken at once.
pub(super) fn taken(reading: &HandReading) -> String {
    match reading.age_seconds {
        0..60 => String::new(),
        seconds @ 60..7200 => format!(", taken {} min before", seconds / 60),
        seconds => format!(", taken {} h before", seconds / 3600),
    }
}
