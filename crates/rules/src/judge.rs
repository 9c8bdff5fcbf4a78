//! The judge: rows in, events out, and a verdict at any time.

mod cells;
mod evidence;
mod temperatures;
mod words;

use std::time::Duration;

use model::{
    Batch, ByteRange, Channel, ColumnLayout, Command, Dimension, Item, Layout, LineErrorKind, Quantity, ReadingKind,
    SessionTime, TICK, Times, format_nanos,
};

use crate::alarms::{Alarm, AlarmBook, Cause, Severity};
use crate::check::Check;
use crate::event::{Event, EventKind, LinkChange};
use crate::latest::Places;
use crate::limits::LimitName;
use crate::link::{CRITICAL_PERCENT, LONG_GAP, Link, WARNING_PERCENT};
use crate::pack::Pack;
use crate::pack_sum::PackSum;
use crate::rate::RateWindow;
use crate::stage::{Stage, StageDetector};
use crate::verdict::Verdict;
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
/// A message alarm clears when every message has come regularly for so long.
const STEADY: Duration = Duration::from_secs(2);
/// Cells that do not move for so long, while the current has changed by enough to move them, are frozen.
const FROZEN_AFTER: Duration = Duration::from_secs(3);
/// Below this the load's side of the switch is off, in billionths of a volt. Common practice.
const BUS_OFF: i64 = 5_000_000_000;
/// An input of the pack that is not used reads below this; above it the line carries more cells than the pack has.
const UNUSED_CELL: i64 = 500_000_000;

/// The place of the alarm about cells that do not move.
const FROZEN_CELLS: Channel = Channel { quantity: Quantity::CellVoltage, place: 0 };

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
    /// Sets in which a value was absent or too old.
    broken: u64,
}

impl Seen {
    /// One set in a hundred may be broken.
    fn whole_enough(&self, what: &str) -> std::result::Result<(), String> {
        let sets = self.rest + self.load + self.broken;
        if self.broken * 100 > sets {
            return Err(format!("{} of {sets} sets of {what} were not whole", self.broken));
        }
        Ok(())
    }
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
    still: Still,
    rate_conclusive: bool,
    last_verdict: Option<Verdict>,
    next_verdict: SessionTime,
    scratch: Vec<i64>,
}

/// Cells that have not moved, and the current meanwhile.
#[derive(Clone, Copy, Debug, Default)]
struct Still {
    /// The current when a cell last moved.
    current: Option<i64>,
    /// Since when the current has been far enough from that.
    current_moved_at: Option<SessionTime>,
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
            still: Still::default(),
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
        let gap = self.link.frame(at, kind, bytes.map_or(0, ByteRange::len));
        if first {
            self.say_link(LinkChange::FirstFrame, "the first sound frame".to_owned());
        }
        if gap.is_some_and(|gap| LONG_GAP < gap) {
            self.cells.new_set();
            self.temperatures.new_set();
            for rate in &mut self.rates {
                rate.clear();
            }
            self.rate_conclusive = false;
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
        // An offset shows only while nothing can flow: with the load's side off, where the line tells that.
        let bus_off = self.bus.is_none_or(|(_, nanos)| nanos < BUS_OFF);
        if self.stage.stage() == Stage::Rest && bus_off {
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

    /// A place that should have a value and says "absent".
    fn present(&mut self, check: Check, channel: Channel, nanos: Option<i64>, bytes: Option<ByteRange>) {
        if nanos.is_some() {
            self.book.clear(self.now, check, Some(channel), &mut self.events);
        } else {
            let text = format!("{channel} has no value");
            self.raise(check, Some(channel), Severity::Warning, text, bytes);
        }
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
            if self.book.is_active(Check::MessagePeriods, None) && self.link.is_steady(at, STEADY) {
                self.book.clear(at, Check::MessagePeriods, None, &mut self.events);
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
            // Half the limit is the deadband.
            if share < WARNING_PERCENT * 50 {
                self.book.clear(self.now, Check::Link, None, &mut self.events);
            }
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
}
