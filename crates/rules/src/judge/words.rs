//! Counters, clocks, status words and self-tests.

use model::{ByteRange, Channel, ColumnLayout, Flag, KindLayout, Meaning, Means, Quantity};

use super::{Judge, Word};
use crate::alarms::Severity;
use crate::check::Check;

impl Judge {
    /// A counter, a clock, a status word or a test.
    pub(super) fn word(
        &mut self,
        kind: usize,
        index: usize,
        column: &ColumnLayout,
        raw: i128,
        bytes: Option<ByteRange>,
    ) {
        match column.channel.quantity {
            Quantity::FrameCounter => self.link.pulse(kind, raw, column.bits, true),
            Quantity::DeviceTime => self.link.pulse(kind, raw, column.bits, false),
            _ => {
                let at = self.now;
                match self.words.iter_mut().find(|word| (word.kind, word.column) == (kind, index)) {
                    Some(word) if word.raw == raw => {
                        word.at = at;
                        return;
                    }
                    Some(word) => (word.at, word.raw) = (at, raw),
                    None => self.words.push(Word { kind, column: index, at, raw }),
                }
                self.word_changed(column, raw, bytes);
            }
        }
    }

    pub(super) fn word_changed(&mut self, column: &ColumnLayout, raw: i128, bytes: Option<ByteRange>) {
        let severity = |means: Means| match means {
            Means::Fault => Some(Severity::Critical),
            Means::Warning => Some(Severity::Warning),
            Means::Normal | Means::Unknown => None,
        };
        match &column.meaning {
            Meaning::Flags(flags) => {
                for flag in flags {
                    let set = is_set(raw, flag);
                    let (check, place) = flag_place(column, flag);
                    let text = format!("the BMS reports: {}", flag.text);
                    let means = if set { flag.set } else { flag.clear };
                    self.word_says(check, place, severity(means), text, bytes);
                }
            }
            Meaning::States { known, otherwise } => {
                let state = known.iter().find(|state| i128::from(state.value) == raw);
                let means = state.map_or(*otherwise, |state| state.means);
                let text = match (state, column.channel.quantity) {
                    (Some(state), Quantity::SenseLeadTest) => {
                        format!("the BMS's own test of its sense leads: {}", state.text)
                    }
                    (Some(state), _) => format!("the BMS reports: {}", state.text),
                    (None, _) => format!("the BMS reports the unknown state {raw}"),
                };
                self.word_says(word_check(column.channel.quantity), column.channel, severity(means), text, bytes);
            }
            Meaning::Number => {}
        }
    }

    pub(super) fn word_says(
        &mut self,
        check: Check,
        place: Channel,
        severity: Option<Severity>,
        text: String,
        bytes: Option<ByteRange>,
    ) {
        match severity {
            Some(severity) => self.raise(check, Some(place), severity, text, bytes),
            None => self.book.clear(self.now, check, Some(place), &mut self.events),
        }
    }

    pub(super) fn pulse_check(&mut self, kind: usize, layout: &KindLayout, bytes: Option<ByteRange>) {
        let Some(state) = self.link.kinds.get(kind) else { return };
        if !state.has_pulse {
            return;
        }
        let place = layout
            .columns
            .iter()
            .map(|column| column.channel)
            .find(|channel| matches!(channel.quantity, Quantity::FrameCounter | Quantity::DeviceTime));
        if state.frozen {
            let text = format!("message {:?} comes, but its counter stands still: the values are frozen", state.name);
            self.raise(Check::LiveValues, place, Severity::Critical, text, bytes);
        } else {
            self.book.clear(self.now, Check::LiveValues, place, &mut self.events);
        }
    }
}

pub(super) fn is_set(raw: i128, flag: &Flag) -> bool {
    raw >> u32::from(flag.bit.min(126)) & 1 == 1
}

fn word_check(quantity: Quantity) -> Check {
    if quantity == Quantity::SenseLeadTest { Check::SenseLeads } else { Check::Status }
}

/// The check that a flag belongs to, and a place that tells it from the other flags of its word.
fn flag_place(column: &ColumnLayout, flag: &Flag) -> (Check, Channel) {
    match flag.channel {
        Some(channel) => (word_check(channel.quantity), channel),
        // Bit 3 of word 2 is place 203: words and bits are few.
        None => {
            let place = column.channel.place.saturating_mul(100).saturating_add(flag.bit.into());
            (word_check(column.channel.quantity), Channel::at(Quantity::Status, place))
        }
    }
}
