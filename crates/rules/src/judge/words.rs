//! Counters, clocks, status words and self-tests.

use model::{ByteRange, Channel, ColumnLayout, Flag, Meaning, Means, Quantity};

use super::Judge;
use super::plan::{Role, Step, Word, flag_quantity};
use crate::alarms::{Key, Severity};
use crate::check::Check;

/// One thing that a word says now, and the alarm that belongs to it.
struct Saying {
    key: Key,
    means: Means,
    text: String,
}

impl Judge {
    /// A counter, a clock, a status word or a test.
    pub(super) fn number(&mut self, kind: usize, step: &Step, raw: i128, bytes: Option<ByteRange>) {
        let at = self.now;
        match step.role {
            Role::FrameCounter => self.link.count_frame(at, kind, raw, step.bits),
            Role::DeviceTime => self.link.device_time(at, kind, raw, &step.scale, step.bits),
            Role::Word(index) => {
                let Some(word) = self.plan.words.get_mut(index) else { return };
                let before = word.newest.replace((at, raw)).map(|(_, raw)| raw);
                if before != Some(raw) {
                    self.word_changed(index, before, raw, bytes);
                }
            }
            _ => {}
        }
    }

    fn column(&self, kind: usize, column: usize) -> Option<&ColumnLayout> {
        self.setup.layout.kinds.get(kind)?.columns.get(column)
    }

    fn word_changed(&mut self, index: usize, before: Option<i128>, raw: i128, bytes: Option<ByteRange>) {
        let said = before.map_or(Vec::new(), |before| self.sayings(index, before));
        let says = self.sayings(index, raw);
        let severity = |saying: &Saying| match saying.means {
            Means::Fault => Some(Severity::Critical),
            Means::Warning => Some(Severity::Warning),
            Means::Normal | Means::Unknown => None,
        };
        // What is not said any more goes first: another state of the same word is another alarm.
        let still = |key: Key| says.iter().any(|saying| saying.key == key && severity(saying).is_some());
        for old in said.iter().filter(|old| severity(old).is_some() && !still(old.key)) {
            self.book.clear(self.now, old.key, &mut self.events);
        }
        for saying in says {
            if let Some(severity) = severity(&saying) {
                self.raise(saying.key, severity, saying.text, bytes);
            }
        }
    }

    /// What a word with this value says: each of its flags, or its state.
    fn sayings(&self, index: usize, raw: i128) -> Vec<Saying> {
        let word = self.plan.words.get(index);
        let Some(column) = word.and_then(|word| self.column(word.kind, word.column)) else { return Vec::new() };
        // Words are told apart, and within them flags and states: no more than the layout has.
        let part = |of_word: usize| index << 20 | of_word.min((1 << 20) - 1);
        match &column.meaning {
            Meaning::Flags(flags) => {
                let saying = |(number, flag): (usize, &Flag)| Saying {
                    key: word_key(flag_quantity(column.channel, flag), flag.channel.unwrap_or(column.channel))
                        .part(part(number)),
                    means: flag_means(raw, flag),
                    text: format!("the BMS reports: {}", flag.text),
                };
                flags.iter().enumerate().map(saying).collect()
            }
            Meaning::States { known, otherwise } => {
                let found = known.iter().enumerate().find(|(_, state)| i128::from(state.value) == raw);
                let text = match (found, column.channel.quantity) {
                    (Some((_, state)), Quantity::SenseLeadTest) => {
                        format!("the BMS's own test of its sense leads: {}", state.text)
                    }
                    (Some((_, state)), _) => format!("the BMS reports: {}", state.text),
                    (None, _) => format!("the BMS reports the unknown state {raw} as {:?}", column.part),
                };
                let number = found.map_or(known.len(), |(number, _)| number);
                let key = word_key(column.channel.quantity, column.channel).part(part(number));
                vec![Saying { key, means: found.map_or(*otherwise, |(_, state)| state.means), text }]
            }
            Meaning::Number => Vec::new(),
        }
    }

    /// What a word with this value means for one quantity: one entry for each of its flags about it, or for its state.
    pub(super) fn means(&self, word: &Word, raw: i128, quantity: Quantity) -> Vec<(Means, String)> {
        let Some(column) = self.column(word.kind, word.column) else { return Vec::new() };
        match &column.meaning {
            Meaning::Flags(flags) => flags
                .iter()
                .filter(|flag| flag_quantity(column.channel, flag) == quantity)
                .map(|flag| (flag_means(raw, flag), flag.text.clone()))
                .collect(),
            Meaning::States { known, otherwise } if column.channel.quantity == quantity => {
                let state = known.iter().find(|state| i128::from(state.value) == raw);
                vec![state.map_or((*otherwise, format!("state {raw}")), |state| (state.means, state.text.clone()))]
            }
            Meaning::States { .. } | Meaning::Number => Vec::new(),
        }
    }

    /// Whether the BMS says now that it balances cells.
    pub(super) fn some_cell_is_balancing(&self) -> bool {
        self.plan.words.iter().filter(|word| word.balancing).any(|word| {
            let (Some(raw), Some(column)) = (word.fresh(self.now), self.column(word.kind, word.column)) else {
                return false;
            };
            match &column.meaning {
                Meaning::Flags(flags) => flags
                    .iter()
                    .any(|flag| flag_quantity(column.channel, flag) == Quantity::Balancing && is_set(raw, flag)),
                Meaning::Number | Meaning::States { .. } => raw != 0,
            }
        })
    }

    pub(super) fn look_for_a_frozen_counter(&mut self, kind: usize, bytes: Option<ByteRange>) {
        let Some(state) = self.link.kinds.get(kind) else { return };
        let (Some(frozen), Some(mut standing)) = (state.frozen(), self.frozen_kinds.get(kind).copied()) else { return };
        if !frozen && !standing.raised {
            return;
        }
        let columns = self.setup.layout.kinds.get(kind).map_or(&[][..], |layout| &layout.columns);
        let counts = columns.iter().any(|column| column.channel.quantity == Quantity::FrameCounter);
        let pulse = if counts { Quantity::FrameCounter } else { Quantity::DeviceTime };
        let key = Key::new(Check::LiveValues, Some(Channel::whole(pulse))).part(kind);
        if !frozen {
            if standing.good(self.now) {
                self.book.clear(self.now, key, &mut self.events);
            }
        } else if standing.bad() {
            let name = &state.name;
            let text = format!("message {name:?} comes, but its counter or clock stands still: the values are frozen");
            self.raise(key, Severity::Critical, text, bytes);
        }
        if let Some(kept) = self.frozen_kinds.get_mut(kind) {
            *kept = standing;
        }
    }
}

fn is_set(raw: i128, flag: &Flag) -> bool {
    raw >> u32::from(flag.bit.min(126)) & 1 == 1
}

fn flag_means(raw: i128, flag: &Flag) -> Means {
    if is_set(raw, flag) { flag.set } else { flag.clear }
}

/// The alarm that belongs to what a word says about a quantity.
fn word_key(quantity: Quantity, place: Channel) -> Key {
    let check = if quantity == Quantity::SenseLeadTest { Check::SenseLeads } else { Check::Status };
    Key::new(check, Some(place))
}
