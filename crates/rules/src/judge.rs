//! The judge: rows in, events out, and a verdict at any time.

use std::time::Duration;

use model::{
    Batch, ByteRange, Channel, ColumnLayout, Command, Dimension, Flag, Item, KindLayout, Layout, LineErrorKind,
    Meaning, Means, Quantity, ReadingKind, SessionTime, TICK, Times, format_nanos,
};

use crate::alarms::{Alarm, AlarmBook, Cause, Severity};
use crate::check::Check;
use crate::event::{Event, EventKind, LinkChange};
use crate::latest::{Places, Update};
use crate::limits::{LimitName, LimitValues};
use crate::link::{CRITICAL_PERCENT, LONG_GAP, Link, WARNING_PERCENT};
use crate::pack::Pack;
use crate::pack_sum::{Origin, PackSum, share};
use crate::rate::RateWindow;
use crate::stage::{Stage, StageDetector};
use crate::statistics::median;
use crate::verdict::{CheckResult, Outcome, Result, Verdict};
use crate::watch::{Observed, Watch, amount};

/// A value that is older than this is no evidence for now.
const FRESH: Duration = Duration::from_secs(1);
/// Fewer sets than this are no evidence.
const ENOUGH: u64 = 10;
/// A cell outside these volts, a sensor outside these degrees: the reading is not of a sound pack. Common practice.
const CELL_POSSIBLE: (i64, i64) = (-100_000_000, 5_000_000_000);
const TEMPERATURE_POSSIBLE: (i64, i64) = (-39_900_000_000, 120_000_000_000);
/// A pack voltage by meter is compared with sets up to this much later.
const METER_VALID: Duration = Duration::from_secs(60);
/// An input of the pack that is not used reads below this; above it the line carries more cells than the pack has.
const UNUSED_CELL: i64 = 500_000_000;

/// What a judge must know of a session besides the pack.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Setup {
    /// What the line carries.
    pub layout: Layout,
    /// How long after opening damaged bytes are no fault.
    pub settle: Duration,
    /// Where the times come from.
    pub times: Times,
}

/// How often something was seen at rest and otherwise.
#[derive(Clone, Copy, Debug, Default)]
struct Seen {
    rest: u64,
    load: u64,
    /// Times the newest differed from the one before.
    distinct: u64,
}

/// Judges a session row by row.
///
/// The order of calls is the order of the session: [`advance`](Self::advance) before anything that happens at a time,
/// which runs every tick up to it.
#[derive(Clone, Debug)]
pub struct Judge {
    pack: Pack,
    setup: Setup,
    now: SessionTime,
    next_tick: SessionTime,
    events: Vec<Event>,
    book: AlarmBook,
    link: Link,
    stage: StageDetector,
    cells: Places,
    temperatures: Places,
    rates: Vec<RateWindow>,
    pack_sum: PackSum,
    current: Option<(SessionTime, i64)>,
    bus: Option<(SessionTime, i64)>,
    pack_voltage: Option<(SessionTime, i64)>,
    meter: Option<(SessionTime, i64)>,
    meter_gap: Option<i64>,
    hand_leads: Option<bool>,
    /// The newest of each status word and test: kind, column, time, number as sent.
    words: Vec<Word>,
    watches: Watches,
    cell_sets: Seen,
    temperature_sets: Seen,
    current_at_rest: u64,
    pack_sum_sets: u64,
    last_set: Vec<i64>,
    last_set_at: Option<SessionTime>,
    extra_cells: Option<u16>,
    rate_conclusive: bool,
    last_verdict: Option<Verdict>,
    next_verdict: SessionTime,
    scratch: Vec<i64>,
}

/// The newest number of a status word.
#[derive(Clone, Debug)]
struct Word {
    kind: usize,
    column: usize,
    at: SessionTime,
    raw: i128,
}

/// The limits being held.
#[derive(Clone, Debug)]
struct Watches {
    cell_high: Watch,
    cell_low: Watch,
    spread: Watch,
    deviation: Watch,
    temperature_high: Watch,
    temperature_low: Watch,
    temperature_spread: Watch,
    temperature_rate: Watch,
    pack_sum: Watch,
    current: Watch,
}

impl Watches {
    fn new() -> Self {
        use Dimension::{Current, Share, Temperature, TemperatureRate, Voltage};
        Self {
            cell_high: Watch::new(Check::CellHigh, false, Voltage, "at"),
            cell_low: Watch::new(Check::CellLow, true, Voltage, "at"),
            spread: Watch::new(Check::Spread, false, Voltage, "between highest and lowest cell"),
            deviation: Watch::new(Check::Deviation, false, Voltage, "from the median by"),
            temperature_high: Watch::new(Check::TemperatureHigh, false, Temperature, "at"),
            temperature_low: Watch::new(Check::TemperatureLow, true, Temperature, "at"),
            temperature_spread: Watch::new(Check::TemperatureSpread, false, Temperature, "between warmest and coldest"),
            temperature_rate: Watch::new(Check::TemperatureRate, false, TemperatureRate, "rising by"),
            pack_sum: Watch::new(Check::PackSum, false, Share, "off the sum of the cells by"),
            current: Watch::new(Check::CurrentAtRest, false, Current, "at rest"),
        }
    }

    fn each(&mut self) -> [&mut Watch; 10] {
        [
            &mut self.cell_high,
            &mut self.cell_low,
            &mut self.spread,
            &mut self.deviation,
            &mut self.temperature_high,
            &mut self.temperature_low,
            &mut self.temperature_spread,
            &mut self.temperature_rate,
            &mut self.pack_sum,
            &mut self.current,
        ]
    }
}

impl Judge {
    /// A judge at session time zero.
    pub fn new(pack: Pack, setup: Setup) -> Self {
        let sensors = pack.temperatures().len();
        Self {
            link: Link::new(&setup.layout),
            stage: StageDetector::new(pack.rest_current_nanos(), pack.rest_after()),
            cells: Places::new(pack.cells().into()),
            temperatures: Places::new(sensors),
            rates: vec![RateWindow::default(); sensors],
            now: SessionTime::ZERO,
            next_tick: SessionTime::from_duration(TICK),
            next_verdict: SessionTime::from_millis(1000),
            events: Vec::new(),
            book: AlarmBook::default(),
            pack_sum: PackSum::default(),
            current: None,
            bus: None,
            pack_voltage: None,
            meter: None,
            meter_gap: None,
            hand_leads: None,
            words: Vec::new(),
            watches: Watches::new(),
            cell_sets: Seen::default(),
            temperature_sets: Seen::default(),
            current_at_rest: 0,
            pack_sum_sets: 0,
            last_set: Vec::new(),
            last_set_at: None,
            extra_cells: None,
            rate_conclusive: false,
            last_verdict: None,
            scratch: Vec::new(),
            pack,
            setup,
        }
    }

    /// The time that the judge has reached.
    pub fn now(&self) -> SessionTime {
        self.now
    }

    /// The stage that the data shows.
    pub fn stage(&self) -> Stage {
        self.stage.stage()
    }

    /// All alarms of the session so far.
    pub fn alarms(&self) -> &[Alarm] {
        self.book.alarms()
    }

    /// The pack that is judged.
    pub fn pack(&self) -> &Pack {
        &self.pack
    }

    /// The newest value of each cell, from place 1, in billionths of a volt.
    pub fn cells(&self) -> impl Iterator<Item = (u16, i64)> {
        self.cells.values().map(|(index, nanos)| (u16::try_from(index + 1).unwrap_or(u16::MAX), nanos))
    }

    /// The newest value of each sensor, from place 1, in billionths of a degree Celsius.
    pub fn temperatures(&self) -> impl Iterator<Item = (u16, i64)> {
        self.temperatures.values().map(|(index, nanos)| (u16::try_from(index + 1).unwrap_or(u16::MAX), nanos))
    }

    /// The newest pack current, discharge positive, in billionths of an ampere.
    pub fn current(&self) -> Option<i64> {
        self.current.map(|(_, nanos)| nanos)
    }

    /// The newest reported pack voltage in billionths of a volt.
    pub fn pack_voltage(&self) -> Option<i64> {
        self.pack_voltage.map(|(_, nanos)| nanos)
    }

    /// The newest voltage on the load's side of the switch in billionths of a volt.
    pub fn bus_voltage(&self) -> Option<i64> {
        self.bus.map(|(_, nanos)| nanos)
    }

    /// How old the newest sound frame is; `None` before the first.
    pub fn data_age(&self) -> Option<Duration> {
        let newest = self.link.kinds.iter().filter_map(|kind| kind.last_at).max()?;
        Some(self.now.since(newest))
    }

    /// Sound frames and damaged ones so far.
    pub fn frame_counts(&self) -> (u64, u64) {
        (self.link.good, self.link.damaged)
    }

    /// Whether the link was lost at any time.
    pub fn link_was_lost(&self) -> bool {
        self.link.lost_at.is_some()
    }

    /// The events since the last call, in their order.
    pub fn take_events(&mut self) -> Vec<Event> {
        std::mem::take(&mut self.events)
    }

    /// Lets time pass: runs every tick up to and including `to`, each at its own time.
    pub fn advance(&mut self, to: SessionTime) {
        while self.next_tick <= to {
            self.now = self.next_tick;
            self.next_tick = self.next_tick.next_tick();
            self.tick();
        }
        self.now = self.now.max(to);
    }

    /// The source is open.
    pub fn opened(&mut self, source: &str) {
        self.link.opened(self.now, self.setup.settle);
        self.cells.new_set();
        self.temperatures.new_set();
        self.say_link(LinkChange::Opened, format!("{source} is open"));
    }

    /// The source is gone.
    pub fn lost(&mut self, why: &str) {
        self.link.lost(self.now);
        self.say_link(LinkChange::Lost, why.to_owned());
        self.look_again();
    }

    /// The host's clock jumped by this many nanoseconds.
    pub fn clock_step(&mut self, by_nanos: i64) {
        self.link.clock_step_at.get_or_insert(self.now);
        let text = format!("the host's clock jumped by {} s", format_nanos(by_nanos, 3));
        self.say_link(LinkChange::ClockStep, text);
        self.look_again();
    }

    /// The line itself reported errors.
    pub fn line_errors(&mut self, kind: LineErrorKind, count: u32) {
        self.link.line_errors += u64::from(count);
        let name = match kind {
            LineErrorKind::Parity => "parity",
            LineErrorKind::Framing => "framing",
            LineErrorKind::Overrun => "overrun",
            LineErrorKind::Break => "break",
        };
        self.say_link(LinkChange::LineErrors, format!("{count} {name} errors on the line"));
    }

    /// This program sent bytes.
    pub fn sent(&mut self, bytes: usize) {
        self.say_link(LinkChange::Sent, format!("sent {bytes} bytes"));
    }

    /// So many bytes were received.
    pub fn received(&mut self, bytes: u64) {
        self.link.bytes += bytes;
    }

    /// What the person did.
    pub fn command(&mut self, command: &Command) {
        let at = self.now;
        match command {
            Command::Acknowledge { alarm } => self.book.acknowledge(at, *alarm, &mut self.events),
            Command::Shelve { alarm, length } => self.book.shelve(at, *alarm, *length, &mut self.events),
            Command::Mark { text } => self.note(text.clone()),
            Command::Reading { kind, instrument } => self.reading(*kind, instrument),
        }
        self.look_again();
    }

    fn reading(&mut self, kind: ReadingKind, instrument: &str) {
        match kind {
            ReadingKind::PackVoltage { nanovolts } => {
                self.meter = Some((self.now, nanovolts));
                self.note(format!("pack voltage by {instrument}: {} V", format_nanos(nanovolts, 2)));
            }
            ReadingKind::SenseLeads { passed } => {
                self.hand_leads = Some(passed);
                let word = if passed { "right" } else { "not right" };
                self.note(format!("sense leads metered pin by pin with {instrument}: {word}"));
                if !passed {
                    let text = "sense leads are not right by a hand reading".to_owned();
                    self.raise(Check::SenseLeads, None, Severity::Critical, text, None);
                }
            }
        }
    }

    /// Takes decoded rows and rejections in their order, with the ticks between them.
    pub fn batch(&mut self, batch: &Batch) {
        for item in &batch.order {
            match *item {
                Item::Row { kind, row } => self.row(batch, usize::from(kind), row as usize),
                Item::Rejected(index) => {
                    let Some(rejected) = batch.rejected.get(index as usize) else { continue };
                    self.advance(rejected.known_at);
                    self.link.rejected(rejected);
                }
            }
        }
    }

    fn row(&mut self, batch: &Batch, kind: usize, row: usize) {
        let Some(rows) = batch.kinds.get(kind) else { return };
        let Some(known_at) = rows.known_at.get(row) else { return };
        self.advance(*known_at);
        let at = self.now;
        let bytes = rows.bytes.get(row).copied();
        let first = self.link.good == 0;
        let was_missing = self.link.kinds.get(kind).is_some_and(|kind| kind.missing);
        let gap = self.link.frame(at, kind, bytes.map_or(0, ByteRange::len));
        if first {
            self.say_link(LinkChange::FirstFrame, "the first sound frame".to_owned());
        }
        if was_missing {
            self.message_came_back(kind);
        }
        if gap.is_some_and(|gap| LONG_GAP < gap) {
            self.cells.new_set();
            self.temperatures.new_set();
            for rate in &mut self.rates {
                rate.clear();
            }
        }
        // The layout is put aside for the length of a row, so that it can be read while the judge changes.
        let layout = std::mem::take(&mut self.setup.layout.kinds);
        if let Some(layout) = layout.get(kind) {
            // The stage acts from the row that declares it: current first.
            for (index, column) in layout.columns.iter().enumerate() {
                if column.channel.quantity == Quantity::Current {
                    let value = rows.columns.get(index).and_then(|values| values.nanos(row, &column.scale));
                    self.current_reading(at, value, bytes);
                }
            }
            for (index, column) in layout.columns.iter().enumerate() {
                let Some(values) = rows.columns.get(index) else { continue };
                if column.channel.quantity.dimension() == Dimension::Number
                    || column.channel.quantity == Quantity::DeviceTime
                {
                    if let Some(raw) = values.raw(row).and_then(model::Raw::int) {
                        self.word(kind, index, column, raw, bytes);
                    }
                } else {
                    self.value(at, column, values.nanos(row, &column.scale), bytes);
                }
            }
            self.pulse_check(kind, layout, bytes);
        }
        self.setup.layout.kinds = layout;
    }

    fn value(&mut self, at: SessionTime, column: &ColumnLayout, nanos: Option<i64>, bytes: Option<ByteRange>) {
        let channel = column.channel;
        match channel.quantity {
            Quantity::CellVoltage => self.cell(at, column, nanos, bytes),
            Quantity::Temperature => self.temperature(at, column, nanos, bytes),
            Quantity::PackVoltage => {
                let Some(nanos) = nanos else { return };
                self.pack_voltage = Some((at, nanos));
                let step = column.scale.resolution();
                if let Some(gap) = self.pack_sum.reported(at, nanos, step, self.cells.step) {
                    self.pack_sum_sets += 1;
                    let limit = self.pack.limit(LimitName::PackSum);
                    let seen = Observed { at, place: Some(channel), value: gap, limit, bytes };
                    self.watches.pack_sum.observe(0, seen, &mut self.book, &mut self.events);
                }
            }
            Quantity::BusVoltage => {
                if let Some(nanos) = nanos {
                    self.bus = Some((at, nanos));
                }
            }
            // Current was taken first; a state of charge is arbitrary at first power and never judged.
            Quantity::Current
            | Quantity::StateOfCharge
            | Quantity::Status
            | Quantity::SenseLeadTest
            | Quantity::Balancing
            | Quantity::FrameCounter
            | Quantity::DeviceTime => {}
        }
    }

    fn current_reading(&mut self, at: SessionTime, nanos: Option<i64>, bytes: Option<ByteRange>) {
        let Some(nanos) = nanos else { return };
        self.current = Some((at, nanos));
        if let Some(why) = self.stage.current(at, nanos) {
            self.say_stage(why);
        }
        if self.stage.stage() == Stage::Rest {
            self.current_at_rest += 1;
            let seen = Observed {
                at,
                place: Some(Channel::whole(Quantity::Current)),
                value: nanos.saturating_abs(),
                limit: self.pack.limit(LimitName::CurrentRest),
                bytes,
            };
            self.watches.current.observe(0, seen, &mut self.book, &mut self.events);
        }
    }

    fn cell(&mut self, at: SessionTime, column: &ColumnLayout, nanos: Option<i64>, bytes: Option<ByteRange>) {
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
    fn cell_set(&mut self, at: SessionTime, whole: bool, bytes: Option<ByteRange>) {
        let mut values = std::mem::take(&mut self.scratch);
        values.clear();
        values.extend(self.cells.values().map(|(_, nanos)| nanos));
        let rest = self.stage.stage() == Stage::Rest;
        if whole {
            if self.last_set != values {
                self.cell_sets.distinct += 1;
                self.last_set.clone_from(&values);
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
    fn readable(&self, mut limit: LimitValues) -> LimitValues {
        let floor = self.cells.step.saturating_mul(3).saturating_add(self.pack.accuracy_nanos());
        limit.warning = limit.warning.map(|warning| warning.max(floor));
        limit.critical = limit.critical.map(|critical| critical.max(floor));
        limit
    }

    fn hold_against_meter(&mut self, at: SessionTime, bytes: Option<ByteRange>) {
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

    fn temperature(&mut self, at: SessionTime, column: &ColumnLayout, nanos: Option<i64>, bytes: Option<ByteRange>) {
        let channel = column.channel;
        let Some(index) = usize::from(channel.place).checked_sub(1) else { return };
        let step = column.scale.resolution();
        self.temperatures.step = self.temperatures.step.max(step);
        let update = self.temperatures.update(at, index, nanos);
        if update == Update::Outside {
            return;
        }
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

    fn temperature_rate(
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

    fn temperature_set(&mut self, at: SessionTime, whole: bool, bytes: Option<ByteRange>) {
        let rest = self.stage.stage() == Stage::Rest;
        if whole {
            if rest {
                self.temperature_sets.rest += 1;
            } else {
                self.temperature_sets.load += 1;
            }
        }
        let possible = |nanos: &i64| TEMPERATURE_POSSIBLE.0 < *nanos && *nanos <= TEMPERATURE_POSSIBLE.1;
        let values = || self.temperatures.values().map(|(_, nanos)| nanos).filter(possible);
        let (Some(warmest), Some(coldest)) = (values().max(), values().min()) else { return };
        let name = if rest { LimitName::TemperatureSpreadRest } else { LimitName::TemperatureSpreadLoad };
        let value = warmest.saturating_sub(coldest);
        let seen = Observed { at, place: None, value, limit: self.pack.limit(name), bytes };
        self.watches.temperature_spread.observe(0, seen, &mut self.book, &mut self.events);
    }

    /// Whether a sensor can read that on a sound pack.
    fn possible(&mut self, channel: Channel, nanos: i64, range: (i64, i64), bytes: Option<ByteRange>) -> bool {
        let possible = range.0 < nanos && nanos <= range.1;
        if possible {
            self.book.clear(self.now, Check::PossibleValues, Some(channel), &mut self.events);
        } else {
            let reading = amount(Check::PossibleValues, channel.quantity.dimension(), nanos);
            let why = match (channel.quantity, nanos <= range.0) {
                (Quantity::Temperature, true) => "the sensor is open",
                (Quantity::Temperature, false) => "the sensor is shorted",
                _ => "no sound cell has that voltage: look at its sense leads",
            };
            let text = format!("{channel} reads {reading}: {why}");
            self.raise(Check::PossibleValues, Some(channel), Severity::Critical, text, bytes);
        }
        possible
    }

    /// A counter, a clock, a status word or a test.
    fn word(&mut self, kind: usize, index: usize, column: &ColumnLayout, raw: i128, bytes: Option<ByteRange>) {
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

    fn word_changed(&mut self, column: &ColumnLayout, raw: i128, bytes: Option<ByteRange>) {
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

    fn word_says(
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

    fn pulse_check(&mut self, kind: usize, layout: &KindLayout, bytes: Option<ByteRange>) {
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

    fn message_came_back(&mut self, kind: usize) {
        if !self.link.kinds.iter().any(|kind| kind.missing) {
            self.book.clear(self.now, Check::MessagePeriods, None, &mut self.events);
        }
        if let Some(kind) = self.link.kinds.get(kind) {
            let text = format!("message {:?} comes again", kind.name);
            self.note(text);
        }
    }

    fn tick(&mut self) {
        let at = self.now;
        for watch in self.watches.each() {
            watch.tick(at, &mut self.book, &mut self.events);
        }
        self.book.tick(at, &mut self.events);
        if let Some(why) = self.stage.tick(at) {
            self.say_stage(why);
        }
        if self.setup.times == Times::Measured {
            for (kind, age) in self.link.newly_missing(at) {
                let name = self.link.kinds.get(kind).map_or("", |kind| kind.name.as_str());
                let text = format!("message {name:?} has not come for {} ms", age.as_millis());
                self.raise(Check::MessagePeriods, None, Severity::Warning, text, None);
            }
        }
        if self.next_verdict <= at {
            self.next_verdict = at + Duration::from_secs(1);
            self.link_damage();
            self.look_again();
        }
    }

    fn link_damage(&mut self) {
        let Some(share) = self.link.recent_damage() else { return };
        let percent = format_nanos(i64::try_from(share).unwrap_or(i64::MAX).saturating_mul(10_000_000), 1);
        let severity = if CRITICAL_PERCENT * 100 < share {
            Severity::Critical
        } else if WARNING_PERCENT * 100 < share {
            Severity::Warning
        } else {
            self.book.clear(self.now, Check::Link, None, &mut self.events);
            return;
        };
        let text = format!("{percent} % of the frames of the last seconds are damaged");
        self.raise(Check::Link, None, severity, text, None);
    }

    fn raise(
        &mut self,
        check: Check,
        place: Option<Channel>,
        severity: Severity,
        text: String,
        bytes: Option<ByteRange>,
    ) {
        self.book.raise(self.now, Cause { check, place, severity, text, bytes }, &mut self.events);
    }

    fn say_stage(&mut self, why: String) {
        let stage = self.stage.stage();
        self.events.push(Event { at: self.now, kind: EventKind::Stage { stage, why } });
    }

    fn say_link(&mut self, change: LinkChange, text: String) {
        self.events.push(Event { at: self.now, kind: EventKind::Link { change, text } });
    }

    fn note(&mut self, text: String) {
        self.events.push(Event { at: self.now, kind: EventKind::Note { text } });
    }

    /// Says the verdict if it is another one than was said last.
    fn look_again(&mut self) {
        let verdict = self.verdict();
        if self.last_verdict.as_ref().is_none_or(|last| last.differs(&verdict)) {
            self.last_verdict = Some(verdict.clone());
            self.events.push(Event { at: self.now, kind: EventKind::Verdict(Box::new(verdict)) });
        }
    }

    /// The session is over: the last verdict is said, changed or not.
    pub fn end(&mut self) {
        let verdict = self.verdict();
        self.events.push(Event { at: self.now, kind: EventKind::Verdict(Box::new(verdict)) });
    }

    /// The verdict as of now.
    pub fn verdict(&self) -> Verdict {
        let checks: Vec<CheckResult> = Check::ALL.iter().map(|(_, check)| self.check(*check)).collect();
        let observed = self.link.first_frame_at.map_or(Duration::ZERO, |first| self.now.since(first));
        let too_short = observed < self.pack.observe();
        let any = |result: Result| checks.iter().any(|check| check.result == result);
        let outcome = if any(Result::Failed) {
            Outcome::NoGo
        } else if any(Result::NoData) || too_short {
            Outcome::CannotTell
        } else {
            Outcome::Go
        };
        let mut because = Vec::new();
        let with = |result: Result| checks.iter().filter(move |check| check.result == result);
        match outcome {
            Outcome::NoGo => {
                because.extend(with(Result::Failed).map(|check| format!("{}: {}", check.check, check.why)))
            }
            Outcome::CannotTell => {
                if self.link.good == 0 {
                    because.push(self.no_frame());
                } else if too_short {
                    because.push(format!(
                        "watched for {} s, a verdict needs {} s",
                        observed.as_secs(),
                        self.pack.observe().as_secs()
                    ));
                }
                because.extend(with(Result::NoData).map(|check| format!("{}: {}", check.check, check.why)));
            }
            Outcome::Go => because.push("every required check passed".to_owned()),
        }
        let mut notes: Vec<String> = self
            .book
            .alarms()
            .iter()
            .filter(|alarm| alarm.worst == Severity::Warning)
            .map(|alarm| format!("warning: {}", alarm.worst_text))
            .collect();
        notes.extend(with(Result::Waived).map(|check| format!("waived: {}: {}", check.check, check.why)));
        if self.book.alarms().first().is_some_and(|first| first.worst == Severity::Critical)
            && let Some(first) = self.book.alarms().first()
        {
            notes.insert(0, format!("came first, at {} s: {}", first.raised_at, first.worst_text));
        }
        let covers = self.covers();
        Verdict { at: self.now, outcome, untested: self.untested(&covers), covers, checks, because, notes }
    }

    fn no_frame(&self) -> String {
        let bytes = self.link.bytes;
        if bytes == 0 {
            return "no byte came: is the BMS awake, and are its lines the right way round?".to_owned();
        }
        let seen = match &self.link.first_reason {
            Some(reason) => format!("frame starts were seen, the first was refused: {reason}"),
            None => "no frame start was seen: look at baud rate and protocol".to_owned(),
        };
        format!("{bytes} bytes, no valid frame; {seen}")
    }

    fn covers(&self) -> Vec<Stage> {
        let mut covers = Vec::new();
        if ENOUGH <= self.cell_sets.rest {
            covers.push(Stage::Rest);
        }
        if ENOUGH <= self.cell_sets.load {
            covers.push(Stage::Load);
        }
        covers
    }

    fn untested(&self, covers: &[Stage]) -> Vec<String> {
        let mut untested: Vec<String> = [Stage::Rest, Stage::Load]
            .iter()
            .filter(|stage| !covers.contains(stage))
            .map(|stage| stage.name().to_owned())
            .collect();
        if !covers.contains(&Stage::Load) {
            untested.push("weak cells, connectors and the sign of the current (they need a load)".to_owned());
        }
        if self.pack.chemistry().is_flat() {
            untested.push("charge differences between cells (the voltage curve is flat)".to_owned());
        }
        untested
    }

    fn check(&self, check: Check) -> CheckResult {
        if let Some(alarm) = self.book.failed(check).next() {
            let more = self.book.failed(check).count() - 1;
            let why = if more == 0 {
                format!("{} (at {} s)", alarm.worst_text, alarm.raised_at)
            } else {
                format!("{} (at {} s), and {more} more", alarm.worst_text, alarm.raised_at)
            };
            return CheckResult { check, result: Result::Failed, place: alarm.place, why };
        }
        let (result, why) = match (self.pack.waivers().get(&check), self.evidence(check)) {
            (Some(reason), _) => (Result::Waived, reason.clone()),
            (None, Ok(_)) if self.book.is_shelved(check) => {
                (Result::NoData, "an alarm of this check is shelved".to_owned())
            }
            (None, Ok(why)) => (Result::Passed, why),
            (None, Err(why)) => (Result::NoData, why),
        };
        CheckResult { check, result, place: None, why }
    }

    /// The evidence that a check holds, or what is missing.
    fn evidence(&self, check: Check) -> std::result::Result<String, String> {
        let layout = &self.setup.layout;
        match check {
            Check::Link => self.link_evidence(),
            Check::Checksum => {
                if layout.kinds.iter().all(|kind| kind.verified) {
                    Ok("every message carries a checksum".to_owned())
                } else {
                    Err("the line has messages without a checksum: damage can't be seen".to_owned())
                }
            }
            Check::MessagePeriods => self.period_evidence(),
            Check::MeasuredTimes => match self.setup.times {
                Times::Measured => Ok("times were measured".to_owned()),
                Times::Assumed => Err("times are assumed from the line rate".to_owned()),
            },
            Check::LiveValues => self.live_evidence(),
            Check::AllCells => self.cells_evidence(),
            Check::AllTemperatures => self.temperatures_evidence(),
            Check::PossibleValues | Check::CellHigh | Check::CellLow => {
                self.cells_evidence()?;
                let name = match check {
                    Check::CellHigh => Some(LimitName::CellHigh),
                    Check::CellLow => Some(LimitName::CellLowRest),
                    _ => None,
                };
                self.has_limit(name)?;
                Ok(format!("{} sets of {} cells", self.cell_sets.rest + self.cell_sets.load, self.pack.cells()))
            }
            Check::Spread | Check::Deviation => {
                self.cells_evidence()?;
                let name = if check == Check::Spread { LimitName::SpreadRest } else { LimitName::DeviationRest };
                self.has_limit(Some(name))?;
                if self.cell_sets.rest < ENOUGH {
                    return Err("not seen at rest".to_owned());
                }
                Ok(format!("{} sets at rest, {} under load", self.cell_sets.rest, self.cell_sets.load))
            }
            Check::TemperatureHigh | Check::TemperatureLow | Check::TemperatureSpread => {
                self.temperatures_evidence()?;
                let name = match check {
                    Check::TemperatureHigh => LimitName::TemperatureHigh,
                    Check::TemperatureLow => LimitName::TemperatureLow,
                    _ => LimitName::TemperatureSpreadRest,
                };
                self.has_limit(Some(name))?;
                Ok(format!("{} sets of temperatures", self.temperature_sets.rest + self.temperature_sets.load))
            }
            Check::TemperatureRate => {
                self.temperatures_evidence()?;
                self.has_limit(Some(LimitName::TemperatureRateRest))?;
                if self.setup.times == Times::Assumed {
                    return Err("times are assumed from the line rate".to_owned());
                }
                if !self.rate_conclusive {
                    return Err("watched too short for the step of the readings".to_owned());
                }
                Ok("the step of the readings over the time watched is fine enough".to_owned())
            }
            Check::PackSum => self.pack_sum_evidence(),
            Check::CurrentAtRest => {
                self.has_limit(Some(LimitName::CurrentRest))?;
                if !self.carries(Quantity::Current) {
                    return Err("the line carries no current".to_owned());
                }
                if self.current_at_rest < ENOUGH {
                    return Err(format!(
                        "not seen at rest (up to {} A)",
                        format_nanos(self.pack.rest_current_nanos(), 2)
                    ));
                }
                Ok(format!("{} readings at rest", self.current_at_rest))
            }
            Check::Status => {
                if !self.carries(Quantity::Status) {
                    return Err("the line carries no status".to_owned());
                }
                self.fresh_word(Quantity::Status, "status")?;
                Ok("the BMS reports no fault".to_owned())
            }
            Check::SenseLeads => self.sense_lead_evidence(),
        }
    }

    fn has_limit(&self, name: Option<LimitName>) -> std::result::Result<(), String> {
        match name {
            Some(name) if self.pack.limit(name).critical.is_none() => {
                Err(format!("the pack file has no critical limit {:?}", name.key()))
            }
            _ => Ok(()),
        }
    }

    fn carries(&self, quantity: Quantity) -> bool {
        self.setup.layout.kinds.iter().flat_map(|kind| &kind.columns).any(|column| column.channel.quantity == quantity)
    }

    fn link_evidence(&self) -> std::result::Result<String, String> {
        if self.link.good == 0 {
            return Err(self.no_frame());
        }
        if let Some(at) = self.link.lost_at {
            return Err(format!("the link was lost at {at} s"));
        }
        if let Some(at) = self.link.clock_step_at {
            return Err(format!("the host slept or its clock was set at {at} s"));
        }
        if self.link.line_errors > 0 {
            return Err(format!("the line reported {} errors", self.link.line_errors));
        }
        if self.link.good < ENOUGH {
            return Err(format!("only {} frames", self.link.good));
        }
        if self.link.damage().is_some_and(|share| WARNING_PERCENT * 100 < share) {
            return Err(format!("{} of {} frames are damaged", self.link.damaged, self.link.good + self.link.damaged));
        }
        Ok(format!("{} sound frames, {} damaged", self.link.good, self.link.damaged))
    }

    fn period_evidence(&self) -> std::result::Result<String, String> {
        if self.setup.times == Times::Assumed {
            return Err("times are assumed from the line rate".to_owned());
        }
        for kind in &self.link.kinds {
            if kind.frames == 0 {
                return Err(format!("message {:?} never came", kind.name));
            }
            if kind.missing {
                return Err(format!("message {:?} does not come any more", kind.name));
            }
        }
        if let Some((gap, from)) = self.link.longest_gap.filter(|(gap, _)| LONG_GAP < *gap) {
            return Err(format!("a gap of {} ms from {from} s", gap.as_millis()));
        }
        let lost: u64 = self.link.kinds.iter().map(|kind| kind.lost).sum();
        Ok(format!("every message came in time; by their counters {lost} frames were lost"))
    }

    fn live_evidence(&self) -> std::result::Result<String, String> {
        if self.cell_sets.distinct < ENOUGH {
            return Err(format!("only {} different sets of cells", self.cell_sets.distinct));
        }
        let pulses = self.link.kinds.iter().filter(|kind| kind.has_pulse).count();
        Ok(format!("{} different sets of cells, {pulses} counters or clocks move", self.cell_sets.distinct))
    }

    fn cells_evidence(&self) -> std::result::Result<String, String> {
        if let Some(place) = self.extra_cells {
            return Err(format!("the line carries cell {place}, the pack has {}", self.pack.cells()));
        }
        let missing = self.cells.missing(self.now, self.patience());
        if !missing.is_empty() {
            return Err(format!("no value now of {}", places("cell", &missing)));
        }
        let sets = self.cell_sets.rest + self.cell_sets.load;
        if self.last_set_at.is_none() || (sets < ENOUGH && self.cell_sets.distinct < ENOUGH) {
            return Err("too few complete sets of cells".to_owned());
        }
        Ok(format!("all {} cells", self.pack.cells()))
    }

    fn temperatures_evidence(&self) -> std::result::Result<String, String> {
        if self.pack.temperatures().is_empty() {
            return Err("the pack file names no temperature sensor".to_owned());
        }
        let missing = self.temperatures.missing(self.now, self.patience());
        if !missing.is_empty() {
            return Err(format!("no value now of {}", places("temperature", &missing)));
        }
        if self.temperature_sets.rest + self.temperature_sets.load < ENOUGH {
            return Err("too few complete sets of temperatures".to_owned());
        }
        Ok(format!("all {} temperatures", self.pack.temperatures().len()))
    }

    /// How old a value may be: a second, or longer where the line is slower.
    fn patience(&self) -> Duration {
        if self.setup.times == Times::Assumed {
            return Duration::MAX;
        }
        self.link.kinds.iter().map(|kind| kind.patience).fold(FRESH, Duration::max)
    }

    fn pack_sum_evidence(&self) -> std::result::Result<String, String> {
        self.has_limit(Some(LimitName::PackSum))?;
        if let Some(gap) = self.meter_gap {
            return Ok(format!("the meter agrees within {}", amount(Check::PackSum, Dimension::Share, gap)));
        }
        if !self.carries(Quantity::PackVoltage) {
            return Err("the line carries no pack voltage, and there is no reading by meter".to_owned());
        }
        match self.pack_sum.origin() {
            Origin::Unknown => Err("too few pack voltages".to_owned()),
            Origin::Computed => Err(
                "the reported pack voltage is the computed sum of the cells: it is no evidence, take a reading by meter"
                    .to_owned(),
            ),
            Origin::Measured => Ok(format!("{} comparisons", self.pack_sum_sets)),
        }
    }

    fn fresh_word(&self, quantity: Quantity, what: &str) -> std::result::Result<i128, String> {
        let word = self.words.iter().rev().find(|word| {
            self.setup
                .layout
                .kinds
                .get(word.kind)
                .and_then(|kind| kind.columns.get(word.column))
                .is_some_and(|column| column.channel.quantity == quantity)
        });
        match word {
            Some(word) if self.now.since(word.at) <= self.patience() => Ok(word.raw),
            Some(_) => Err(format!("no {what} now")),
            None => Err(format!("no {what} yet")),
        }
    }

    fn sense_lead_evidence(&self) -> std::result::Result<String, String> {
        if self.hand_leads == Some(true) {
            return Ok("metered pin by pin by hand".to_owned());
        }
        let mut seen = false;
        for word in &self.words {
            let column = self.setup.layout.kinds.get(word.kind).and_then(|kind| kind.columns.get(word.column));
            let Some(column) = column else { continue };
            let means = match &column.meaning {
                Meaning::Flags(flags) => flags
                    .iter()
                    .find(|flag| flag.channel.is_some_and(|channel| channel.quantity == Quantity::SenseLeadTest))
                    .map(|flag| if is_set(word.raw, flag) { flag.set } else { flag.clear }),
                Meaning::States { known, otherwise } if column.channel.quantity == Quantity::SenseLeadTest => Some(
                    known
                        .iter()
                        .find(|state| i128::from(state.value) == word.raw)
                        .map_or(*otherwise, |state| state.means),
                ),
                _ => None,
            };
            let Some(means) = means else { continue };
            seen = true;
            if means == Means::Normal && self.now.since(word.at) <= self.patience() {
                return Ok("the BMS's own test passed".to_owned());
            }
        }
        if seen {
            Err("the BMS's own test has not passed".to_owned())
        } else {
            Err("the BMS has no test of its own: meter the pins by hand (an open lead can be invisible)".to_owned())
        }
    }
}

fn is_set(raw: i128, flag: &Flag) -> bool {
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

/// `cells 3, 4 and 9`, or the first few of many.
fn places(what: &str, list: &[usize]) -> String {
    match list {
        [one] => format!("{what} {one}"),
        _ => {
            let shown: Vec<String> = list.iter().take(6).map(ToString::to_string).collect();
            let more = list.len().saturating_sub(6);
            let tail = if more > 0 { format!(" and {more} more") } else { String::new() };
            format!("{what}s {}{tail}", shown.join(", "))
        }
    }
}
