//! What each column of a line means to the judge, worked out once.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use model::{Channel, Conversion, Flag, Layout, Meaning, Quantity, SessionTime, Times};

use super::FRESH;
use crate::latest::too_old_from;
use crate::link::Link;
use crate::pack::Pack;

/// What a column is to the judge.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Role {
    Bus,
    Current,
    /// A cell or a sensor of the pack. `first`: the column that counts where several carry the channel; the others are
    /// only held against the limits of a single value, in slots of their own behind those of the pack's places.
    Cell {
        slot: usize,
        first: bool,
    },
    Temperature {
        slot: usize,
        first: bool,
    },
    /// A place that the pack does not have.
    OutsideCell,
    OutsideTemperature,
    PackVoltage,
    FrameCounter,
    DeviceTime,
    /// Index into the words.
    Word(usize),
}

/// One column to look at.
#[derive(Clone, Debug)]
pub(super) struct Step {
    pub(super) column: usize,
    pub(super) role: Role,
    pub(super) channel: Channel,
    pub(super) scale: Conversion,
    /// The step between neighbouring numbers as sent, in billionths.
    pub(super) resolution: i64,
    pub(super) bits: u8,
    /// At the first of neighbouring cells or sensors with the same scale: how many they are. Else 0.
    pub(super) run: usize,
    /// Which of the line's runs it is the first of.
    pub(super) run_number: usize,
}

/// A status word, a test or another number with a meaning, and its newest value.
#[derive(Clone, Debug)]
pub(super) struct Word {
    pub(super) kind: usize,
    pub(super) column: usize,
    /// It says something about the status of the pack, or about its sense leads.
    pub(super) status: bool,
    pub(super) leads: bool,
    pub(super) balancing: bool,
    pub(super) patience: Duration,
    pub(super) newest: Option<(SessionTime, i128)>,
}

impl Word {
    /// Its value, if it is not too old.
    pub(super) fn fresh(&self, now: SessionTime) -> Option<i128> {
        self.newest.filter(|(at, _)| now.since(*at) <= self.patience).map(|(_, raw)| raw)
    }

    pub(super) fn deadline(&self) -> Option<SessionTime> {
        self.newest.map(|(at, _)| too_old_from(at, self.patience))
    }
}

/// The columns of every message kind in the order in which they are looked at, and what they carry.
#[derive(Clone, Debug)]
pub(super) struct Plan {
    pub(super) kinds: Vec<Vec<Step>>,
    pub(super) words: Vec<Word>,
    /// How old the value of each place of the pack may be.
    pub(super) cells: Vec<Duration>,
    pub(super) temperatures: Vec<Duration>,
    /// How many columns carry them, with those that carry a channel again.
    pub(super) cell_slots: usize,
    pub(super) temperature_slots: usize,
    pub(super) current: Duration,
    pub(super) bus: Duration,
    /// Over how long the cells are read one after another; zero where the file does not say.
    pub(super) scan: Duration,
    carried: BTreeSet<Quantity>,
}

impl Plan {
    pub(super) fn new(pack: &Pack, layout: &Layout, times: Times, link: &Link) -> Self {
        let (cells, sensors) = (usize::from(pack.cells()), pack.temperatures().len());
        let mut plan = Self {
            kinds: Vec::new(),
            words: Vec::new(),
            cells: vec![FRESH; cells],
            temperatures: vec![FRESH; sensors],
            cell_slots: cells,
            temperature_slots: sensors,
            current: FRESH,
            bus: FRESH,
            scan: Duration::ZERO,
            carried: BTreeSet::new(),
        };
        let (mut seen, mut runs) = (BTreeMap::new(), 0);
        for (kind, kind_layout) in layout.kinds.iter().enumerate() {
            // A value may be a second old, or older where its message comes more slowly.
            let patience = match (times, link.kinds.get(kind)) {
                (Times::Measured, Some(state)) => FRESH.max(state.patience),
                _ => Duration::MAX,
            };
            let mut steps = Vec::new();
            for (column, column_layout) in kind_layout.columns.iter().enumerate() {
                let channel = column_layout.channel;
                plan.carried.insert(channel.quantity);
                if channel.quantity == Quantity::CellVoltage {
                    plan.scan = plan.scan.max(column_layout.scan.unwrap_or_default());
                }
                let place = if channel.quantity.has_places() { channel.place } else { 0 };
                let first = *seen.entry((channel.quantity, place)).or_insert((kind, column)) == (kind, column);
                let Some(role) = plan.role(kind, column, channel, &column_layout.meaning, first, patience) else {
                    continue;
                };
                let (scale, bits) = (column_layout.scale.clone(), column_layout.bits);
                let resolution = scale.resolution();
                steps.push(Step { column, role, channel, scale, resolution, bits, run: 0, run_number: 0 });
            }
            // The stage acts from the row that declares it, and the bus says what a current means.
            steps.sort_by_key(|step| match step.role {
                Role::Bus => 0,
                Role::Current => 1,
                _ => 2,
            });
            find_runs(&mut steps, &mut runs);
            plan.kinds.push(steps);
        }
        plan
    }

    pub(super) fn carries(&self, quantity: Quantity) -> bool {
        self.carried.contains(&quantity)
    }

    fn role(
        &mut self,
        kind: usize,
        column: usize,
        channel: Channel,
        meaning: &Meaning,
        first: bool,
        patience: Duration,
    ) -> Option<Role> {
        let place = usize::from(channel.place).checked_sub(1);
        Some(match channel.quantity {
            Quantity::CellVoltage => match place.map(|index| self.cells.get_mut(index)) {
                Some(Some(slot)) if first => {
                    *slot = patience;
                    Role::Cell { slot: place?, first }
                }
                Some(Some(_)) => Role::Cell { slot: next(&mut self.cell_slots), first },
                _ => Role::OutsideCell,
            },
            Quantity::Temperature => match place.map(|index| self.temperatures.get_mut(index)) {
                Some(Some(slot)) if first => {
                    *slot = patience;
                    Role::Temperature { slot: place?, first }
                }
                Some(Some(_)) => Role::Temperature { slot: next(&mut self.temperature_slots), first },
                _ => Role::OutsideTemperature,
            },
            // Of several columns with a quantity of the whole pack the first counts: two that differ would make the stage
            // go to and fro.
            Quantity::Current | Quantity::BusVoltage | Quantity::PackVoltage if !first => return None,
            Quantity::Current => {
                self.current = patience;
                Role::Current
            }
            Quantity::BusVoltage => {
                self.bus = patience;
                Role::Bus
            }
            Quantity::PackVoltage => Role::PackVoltage,
            // Arbitrary at first power, and never judged.
            Quantity::StateOfCharge => return None,
            Quantity::FrameCounter => Role::FrameCounter,
            Quantity::DeviceTime => Role::DeviceTime,
            Quantity::Status | Quantity::SenseLeadTest | Quantity::Balancing => {
                let says = |quantity| match meaning {
                    Meaning::Flags(flags) => flags.iter().any(|flag| flag_quantity(channel, flag) == quantity),
                    Meaning::States { .. } => channel.quantity == quantity,
                    // A number without a meaning says nothing.
                    Meaning::Number => false,
                };
                self.words.push(Word {
                    kind,
                    column,
                    status: says(Quantity::Status),
                    leads: says(Quantity::SenseLeadTest),
                    balancing: says(Quantity::Balancing) || channel.quantity == Quantity::Balancing,
                    patience,
                    newest: None,
                });
                Role::Word(self.words.len() - 1)
            }
        })
    }
}

/// Notes where cells or sensors of the pack stand one after another, as on nearly every line.
fn find_runs(steps: &mut [Step], runs: &mut usize) {
    let mut from = 0;
    while let Some(first) = steps.get(from) {
        let goes_on = |(count, step): &(usize, &Step)| match (first.role, step.role) {
            (Role::Cell { slot: start, first: true }, Role::Cell { slot, first: true })
            | (Role::Temperature { slot: start, first: true }, Role::Temperature { slot, first: true }) => {
                slot == start + count && step.scale == first.scale
            }
            _ => false,
        };
        let run = steps.iter().skip(from).enumerate().take_while(goes_on).count();
        if let Some(first) = steps.get_mut(from).filter(|_| 1 < run) {
            (first.run, first.run_number) = (run, *runs);
            *runs += 1;
        }
        from += run.max(1);
    }
}

/// What a flag is about: its own channel, or its word's.
pub(super) fn flag_quantity(word: Channel, flag: &Flag) -> Quantity {
    flag.channel.map_or(word.quantity, |channel| channel.quantity)
}

fn next(slots: &mut usize) -> usize {
    *slots += 1;
    *slots - 1
}
