//! The judge: rows in, events out, and a verdict at any time.

mod ahead;
mod cells;
mod clock;
mod evidence;
mod findings;
mod hand;
mod held;
mod moves;
mod plan;
mod temperatures;
mod words;

use std::time::Duration;

use model::{
    Batch, ByteRange, Channel, Command, Dimension, Item, Layout, LineErrorKind, Quantity, Rows, SessionTime, TICK,
    Times, Values, format_nanos,
};

use crate::alarms::{Alarm, AlarmBook, Cause, Key, Severity};
use crate::bus::DEAD_BELOW;
use crate::check::Check;
use crate::diagnosis::Diagnosis;
use crate::event::{Event, EventKind, LinkChange};
use crate::finding::{Finding, FindingBook};
use crate::latest::Places;
use crate::limits::LimitName;
use crate::link::{LONG_GAP, Link};
use crate::pack::Pack;
use crate::pack_sum::PackSum;
use crate::prepare::{HandLine, Prepared};
use crate::rate::RateWindow;
use crate::stage::{Currents, Stage, StageDetector};
use crate::verdict::Verdict;
use crate::watch::{Observed, Watch, amount};

use ahead::{Ahead, RunRow};
pub use held::Held;
use moves::Moves;
use plan::{Plan, Role, Step};

/// A value that is older than this is no evidence for now.
const FRESH: Duration = Duration::from_secs(1);
/// Fewer sets than this are no evidence.
const ENOUGH: u64 = 10;
/// A cell outside these volts, a sensor outside these degrees: the reading is not of a sound pack. Common practice; an
/// open sensor reads -40 degC or less, and in tenths of a kelvin that is -39.95 degC.
const CELL_POSSIBLE: (i64, i64) = (-100_000_000, 5_000_000_000);
const TEMPERATURE_POSSIBLE: (i64, i64) = (-39_900_000_000, 120_000_000_000);
/// A pack voltage by meter is compared with sets up to this much later.
const METER_VALID: Duration = Duration::from_secs(60);
/// An alarm about one reading clears when its place has read well for so long.
const STEADY: Duration = Duration::from_secs(1);
/// Cells that do not move for so long, while the current or the other cells have moved enough, are frozen.
const FROZEN_AFTER: Duration = Duration::from_secs(3);
/// A current that is told so much later belongs to what the cells show.
const CURRENT_LAG: Duration = Duration::from_millis(500);
/// So many steps of the reading are enough, and never less than these volts.
const FROZEN_STEPS: i64 = 10;
const FROZEN_LEAST: i64 = 10_000_000;
/// A BMS that adds up its cells rounds each of them by no less than this, in billionths of a volt.
const SUM_STEP: i64 = 500_000;
/// So many sets after a jump of the current are of different moments: the one that it fell into, and the next.
const UNSTEADY_SETS: u8 = 2;
/// Cells that were being balanced read wrong for so long.
const AFTER_BALANCING: Duration = Duration::from_secs(2);
/// An input of the pack that is not used reads below this; above it the line carries more cells than the pack has.
const UNUSED_CELL: i64 = 500_000_000;

/// The place of the alarm about cells that do not move.
const FROZEN_CELLS: Channel = Channel { quantity: Quantity::CellVoltage, place: 0 };
/// The part of a place's alarm that is about the meter.
const METER: usize = 1;

/// What a judge must know of a session besides the pack.
#[derive(Clone, PartialEq, Debug)]
pub struct Setup {
    /// What the line carries.
    pub layout: Layout,
    /// How long after opening damaged bytes are no fault.
    pub settle: Duration,
    /// Where the times come from.
    pub times: Times,
    /// The protocol file is a draft: nobody has held its values against a display or a meter.
    pub draft: bool,
}

/// How often something was seen at rest and otherwise.
#[derive(Clone, Copy, Debug, Default)]
struct Seen {
    /// While the cells rested, and while the limits for load held.
    rest: u64,
    load: u64,
    /// Per stage.
    stages: [u64; Stage::ALL.len()],
    /// Under a load that tells a weak cell from a sound one.
    telling: u64,
    /// In no stage, after a jump of the current or while cells were balanced: no evidence for any.
    other: u64,
    /// Times the newest differed from the one before.
    distinct: u64,
    /// Sets in which a value was absent or too old.
    broken: u64,
}

impl Seen {
    fn in_stage(&self, stage: Stage) -> u64 {
        self.stages.get(stage as usize).copied().unwrap_or(0)
    }

    fn whole(&self) -> u64 {
        self.rest + self.load + self.other
    }

    /// One set in a hundred may be broken or incomplete.
    fn whole_enough(&self, incomplete: u64, what: &str) -> std::result::Result<(), String> {
        let (bad, sets) = (self.broken + incomplete, self.whole() + self.broken + incomplete);
        if sets < bad * 100 {
            return Err(format!("{bad} of {sets} sets of {what} were not whole"));
        }
        Ok(())
    }
}

/// A reading that is wrong by itself: raised at once, gone when the place has read well for a while.
#[derive(Clone, Copy, Debug, Default)]
struct Standing {
    raised: bool,
    good_since: Option<SessionTime>,
}

impl Standing {
    /// Returns whether to raise the alarm.
    fn bad(&mut self) -> bool {
        self.good_since = None;
        !std::mem::replace(&mut self.raised, true)
    }

    /// Returns whether to clear the alarm.
    fn good(&mut self, at: SessionTime) -> bool {
        let gone = self.raised && STEADY <= at.since(*self.good_since.get_or_insert(at));
        if gone {
            *self = Self::default();
        }
        gone
    }
}

/// What is wrong with the readings of one column.
#[derive(Clone, Copy, Debug, Default)]
struct Column {
    absent: Standing,
    impossible: Standing,
}

impl Column {
    fn is_wrong(&self) -> bool {
        self.absent.raised || self.impossible.raised
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
    plan: Plan,
    now: SessionTime,
    /// `None` after the last tick that there is.
    next_tick: Option<SessionTime>,
    events: Vec<Event>,
    book: AlarmBook,
    link: Link,
    frozen_kinds: Vec<Standing>,
    stage: StageDetector,
    cells: Places,
    cell_columns: Vec<Column>,
    /// A reading of one of them is wrong by itself, or was a while ago.
    cells_wrong: bool,
    moves: Moves,
    temperatures: Places,
    temperature_columns: Vec<Column>,
    temperatures_wrong: bool,
    rates: Vec<RateWindow>,
    /// Whether the readings in them are of a pack at rest.
    was_rest: bool,
    /// Per sensor: it was watched long enough for the step of its readings to tell the rate.
    rates_known: Vec<bool>,
    pack_sum: PackSum,
    current: Option<(SessionTime, i64)>,
    swing: Swing,
    bus: Option<(SessionTime, i64)>,
    bus_was_dead: bool,
    pack_voltage: Option<(SessionTime, i64)>,
    prepared: Prepared,
    meter: Option<Meter>,
    meter_gap: Option<i64>,
    balanced_at: Option<SessionTime>,
    watches: Watches,
    held: Held,
    cell_sets: Seen,
    temperature_sets: Seen,
    current_at_rest: u64,
    /// The first current of the session, and whether a load was switched on since.
    first_current: Option<i64>,
    load_was_on: bool,
    /// The last whole set, and its median.
    last_set: Vec<i64>,
    last_median: i64,
    /// A place that the pack does not have, and that reads like a real one.
    extra_cells: Option<u16>,
    extra_temperatures: Option<u16>,
    still: Still,
    still_raised: bool,
    last_verdict: Option<Verdict>,
    diagnosis: Diagnosis,
    findings: FindingBook,
    /// The steps of the readings of current, bus and pack voltage.
    steps: Steps,
    ahead: Ahead,
    places_scratch: Vec<Option<i64>>,
    place_scratch: Vec<usize>,
    scratch: Vec<i64>,
    median_scratch: Vec<i64>,
    run_scratch: Vec<i64>,
}

/// A pack voltage by meter.
#[derive(Clone, Copy, Debug)]
struct Meter {
    nanos: i64,
    /// Sets up to then are compared with it.
    until: SessionTime,
}

/// How the current moves against the sets of cells.
#[derive(Clone, Copy, Debug, Default)]
struct Swing {
    /// The current at the end of the last set.
    settled: Option<i64>,
    /// Sets to come that a jump makes unfit for a comparison between cells.
    unsteady: u8,
    /// Until when sets are mixed from before and after the last jump, where cells are read one after another.
    blank_until: SessionTime,
}

/// The step between neighbouring numbers as sent, in billionths.
#[derive(Clone, Copy, Debug)]
struct Steps {
    current: i64,
    bus: i64,
    pack: i64,
}

impl Default for Steps {
    fn default() -> Self {
        Self { current: 1, bus: 1, pack: 1 }
    }
}

/// Cells that have not moved, and the current meanwhile.
#[derive(Clone, Copy, Debug, Default)]
struct Still {
    /// When a cell last moved.
    since: SessionTime,
    /// The current then, or what it came to soon after: it may be told later than the cells.
    current: Option<i64>,
    /// Since when the current has been far enough from that.
    current_moved_at: Option<SessionTime>,
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
    fn new(sensors: &[String]) -> Self {
        use Dimension::{Current, Share, Temperature, TemperatureRate, Voltage};
        Self {
            cell_high: Watch::new(Check::CellHigh, false, Voltage, "at"),
            cell_low: Watch::new(Check::CellLow, true, Voltage, "at"),
            spread: Watch::new(Check::Spread, false, Voltage, "between highest and lowest cell"),
            deviation: Watch::new(Check::Deviation, false, Voltage, "from the median by"),
            temperature_high: Watch::new(Check::TemperatureHigh, false, Temperature, "at").named(sensors),
            temperature_low: Watch::new(Check::TemperatureLow, true, Temperature, "at").named(sensors),
            temperature_spread: Watch::new(Check::TemperatureSpread, false, Temperature, "between warmest and coldest"),
            temperature_rate: Watch::new(Check::TemperatureRate, false, TemperatureRate, "rising by").named(sensors),
            pack_sum: Watch::new(Check::PackSum, false, Share, "off the sum of the cells by"),
            current: Watch::new(Check::CurrentAtRest, false, Current, "at rest"),
        }
    }

    fn all(&self) -> [&Watch; 10] {
        [
            &self.cell_high,
            &self.cell_low,
            &self.spread,
            &self.deviation,
            &self.temperature_high,
            &self.temperature_low,
            &self.temperature_spread,
            &self.temperature_rate,
            &self.pack_sum,
            &self.current,
        ]
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
        let link = Link::new(&setup.layout, setup.times == Times::Measured);
        let plan = Plan::new(&pack, &setup.layout, setup.times, &link);
        Self {
            stage: StageDetector::new(Currents {
                rest: pack.rest_current_nanos(),
                one_hour: pack.capacity_nanos(),
                rest_after: pack.rest_after(),
            }),
            cells: Places::new(plan.cells.iter().copied()),
            cell_columns: vec![Column::default(); plan.cell_slots],
            cells_wrong: false,
            temperatures_wrong: false,
            moves: Moves::default(),
            temperatures: Places::new(plan.temperatures.iter().copied()),
            temperature_columns: vec![Column::default(); plan.temperature_slots],
            rates: vec![RateWindow::default(); sensors],
            was_rest: false,
            rates_known: vec![false; sensors],
            frozen_kinds: vec![Standing::default(); setup.layout.kinds.len()],
            now: SessionTime::ZERO,
            next_tick: Some(SessionTime::from_duration(TICK)),
            events: Vec::new(),
            book: AlarmBook::default(),
            pack_sum: PackSum::default(),
            current: None,
            swing: Swing::default(),
            bus: None,
            bus_was_dead: false,
            pack_voltage: None,
            prepared: Prepared::default(),
            meter: None,
            meter_gap: None,
            balanced_at: None,
            watches: Watches::new(pack.temperatures()),
            held: Held::default(),
            cell_sets: Seen::default(),
            temperature_sets: Seen::default(),
            current_at_rest: 0,
            first_current: None,
            load_was_on: false,
            last_set: Vec::new(),
            last_median: 0,
            extra_cells: None,
            extra_temperatures: None,
            still: Still::default(),
            last_verdict: None,
            diagnosis: Diagnosis::default(),
            findings: FindingBook::default(),
            steps: Steps::default(),
            ahead: Ahead::default(),
            places_scratch: Vec::new(),
            place_scratch: Vec::new(),
            scratch: Vec::new(),
            median_scratch: Vec::new(),
            run_scratch: Vec::new(),
            still_raised: false,
            link,
            plan,
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

    /// Whether no current flows and the cells have settled: the limits for rest hold, not those for load.
    pub fn cells_rest(&self) -> bool {
        self.stage.cells_rest()
    }

    /// All alarms of the session so far.
    pub fn alarms(&self) -> &[Alarm] {
        self.book.alarms()
    }

    /// What was found so far, and what was withdrawn again.
    pub fn findings(&self) -> &[Finding] {
        self.findings.findings()
    }

    /// What was held against each limit so far.
    pub fn held(&self) -> Held {
        self.held
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

    /// The pack voltage by meter that was entered last, in billionths of a volt.
    pub fn meter(&self) -> Option<i64> {
        self.meter.map(|meter| meter.nanos)
    }

    /// Every check before power as it stands, in the order in which they are done.
    pub fn preparation(&self) -> Vec<HandLine> {
        self.prepared.lines(&self.pack, |item| self.has_failed_by_hand(item))
    }

    /// The newest voltage on the load's side of the switch in billionths of a volt.
    pub fn bus_voltage(&self) -> Option<i64> {
        self.bus.map(|(_, nanos)| nanos)
    }

    /// How old the data is: the age of the newest sound frame or, where a message does not come any more, of the last one
    /// of that message. `None` before the first frame.
    pub fn data_age(&self) -> Option<Duration> {
        let newest = self.link.kinds.iter().filter_map(|kind| kind.last_at).max()?;
        let overdue = self.link.kinds.iter().filter(|kind| kind.missing).filter_map(|kind| kind.last_at).min();
        Some(self.now.since(overdue.unwrap_or(newest)))
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
        if let Some(text) = self.link.errors(self.now, kind, count) {
            self.say_link(LinkChange::LineErrors, text);
        }
    }

    /// This program sent a question; to be called at the first of its kind only.
    pub fn sent(&mut self, bytes: &[u8]) {
        let shown: Vec<String> = bytes.iter().take(32).map(|byte| format!("{byte:02X}")).collect();
        let more = if shown.len() < bytes.len() { " ..." } else { "" };
        let count = bytes.len();
        let text = format!("asks {}{more} ({count} bytes, recorded each time, said once)", shown.join(" "));
        self.say_link(LinkChange::Sent, text);
    }

    /// So many bytes were received.
    pub fn received(&mut self, bytes: u64) {
        self.link.bytes = self.link.bytes.saturating_add(bytes);
    }

    /// What the person did.
    pub fn command(&mut self, command: &Command) {
        let at = self.now;
        match command {
            Command::Acknowledge { alarm } => self.book.acknowledge(at, *alarm, &mut self.events),
            Command::Shelve { alarm, length } => self.book.shelve(at, *alarm, *length, &mut self.events),
            Command::Mark { text } => self.note(text.clone()),
            Command::Reading(reading) => self.by_hand(reading),
        }
        self.look_again();
    }

    /// Takes decoded rows and rejections in their order, with the ticks between them.
    pub fn batch(&mut self, batch: &Batch) {
        // Put aside, so that it can be read while the judge changes.
        let mut ahead = std::mem::take(&mut self.ahead);
        ahead.begin();
        for (index, item) in batch.order.iter().enumerate() {
            match *item {
                Item::Row { kind, row } => {
                    ahead.to_come = batch.order.len() - index;
                    self.row(batch, usize::from(kind), row as usize, &mut ahead);
                }
                Item::Rejected(index) => {
                    let Some(rejected) = batch.rejected.get(index as usize) else { continue };
                    self.advance(rejected.known_at);
                    let before = self.link.damaged;
                    self.link.rejected(self.now, rejected);
                    self.count_damage(self.link.damaged - before);
                }
            }
        }
        self.moves.settle(&ahead);
        self.ahead = ahead;
    }

    fn row(&mut self, batch: &Batch, kind: usize, row: usize, ahead: &mut Ahead) {
        let (Some(rows), true) = (batch.kinds.get(kind), kind < self.plan.kinds.len()) else { return };
        let Some(known_at) = rows.known_at.get(row) else { return };
        self.advance(*known_at);
        let at = self.now;
        let bytes = rows.bytes.get(row).copied();
        let first = self.link.good == 0;
        let gap = self.link.frame(at, kind, bytes.map_or(0, ByteRange::len));
        self.count_sound_frame();
        if first {
            self.say_link(LinkChange::FirstFrame, "the first sound frame".to_owned());
        }
        if gap.is_some_and(|gap| LONG_GAP < gap) {
            self.after_a_gap();
        }
        // The steps are put aside for the length of a row, so that they can be read while the judge changes.
        let kinds = std::mem::take(&mut self.plan.kinds);
        let mut steps = kinds.get(kind).map_or(&[][..], Vec::as_slice);
        while let Some((step, rest)) = steps.split_first() {
            if 0 < step.run && self.run(rows, row, steps.get(..step.run).unwrap_or_default(), bytes, ahead) {
                steps = steps.get(step.run..).unwrap_or_default();
                continue;
            }
            steps = rest;
            let Some(values) = rows.columns.get(step.column).filter(|values| values.is_carried(row)) else { continue };
            match step.role {
                Role::FrameCounter | Role::DeviceTime | Role::Word(_) => {
                    if let Some(raw) = values.raw(row).and_then(model::Raw::int) {
                        self.number(kind, step, raw, bytes);
                    }
                }
                _ => {
                    if let Role::Cell { .. } = step.role {
                        self.moves.settle(ahead);
                    }
                    // What is sent as a float does not tell its step.
                    let is_float = matches!(values.values(), Values::F64(_));
                    let resolution = if is_float { 1 } else { step.resolution };
                    self.value(step, resolution, values.nanos(row, &step.scale), bytes);
                }
            }
        }
        self.plan.kinds = kinds;
        self.look_for_a_frozen_counter(kind, bytes);
    }

    /// Neighbouring cells or sensors at once. False, and nothing has changed, where they must be taken one after another.
    fn run(&mut self, rows: &Rows, row: usize, steps: &[Step], bytes: Option<ByteRange>, ahead: &mut Ahead) -> bool {
        let Some(first) = steps.first() else { return false };
        let number = first.run_number;
        if !ahead.has(number, row) {
            if self.moves.wait_in(number) {
                self.moves.settle(ahead);
            }
            ahead.work_out(number, rows, row, steps);
        }
        let mut values = std::mem::take(&mut self.run_scratch);
        let of = ahead.row(number, row).or_else(|| values_of_run(rows, row, steps, &mut values));
        let done = of.is_some_and(|of| match first.role {
            Role::Cell { .. } => {
                if of.known.is_none() {
                    self.moves.settle(ahead);
                }
                self.cell_run(of, steps, bytes)
            }
            Role::Temperature { .. } => self.temperature_run(of, steps, bytes),
            _ => false,
        });
        self.run_scratch = values;
        done
    }

    fn after_a_gap(&mut self) {
        self.cells.new_set();
        self.temperatures.new_set();
        self.rates.iter_mut().for_each(RateWindow::clear);
        self.rates_known.fill(false);
    }

    fn value(&mut self, step: &Step, resolution: i64, nanos: Option<i64>, bytes: Option<ByteRange>) {
        let channel = step.channel;
        match (step.role, nanos) {
            (Role::Cell { slot, first }, _) => {
                if first {
                    self.cells.step = self.cells.step.max(resolution);
                }
                self.cell(channel, slot, first, nanos, bytes);
            }
            (Role::Temperature { slot, first }, _) => {
                if first {
                    self.temperatures.step = self.temperatures.step.max(resolution);
                }
                self.temperature(channel, slot, first, nanos, bytes);
            }
            (Role::Current, Some(nanos)) => {
                self.steps.current = resolution;
                self.current_reading(nanos, bytes);
            }
            (Role::PackVoltage, Some(nanos)) => {
                self.steps.pack = resolution;
                self.pack_voltage_reading(channel, resolution, nanos, bytes);
            }
            (Role::Bus, Some(nanos)) => {
                self.steps.bus = resolution;
                self.bus_reading(nanos);
            }
            (Role::OutsideCell, Some(nanos)) if UNUSED_CELL < nanos => {
                self.extra_cells = self.extra_cells.max(Some(channel.place));
            }
            (Role::OutsideTemperature, Some(nanos)) if is_inside(nanos, TEMPERATURE_POSSIBLE) => {
                self.extra_temperatures = self.extra_temperatures.max(Some(channel.place));
            }
            _ => {}
        }
    }

    fn pack_voltage_reading(&mut self, channel: Channel, resolution: i64, nanos: i64, bytes: Option<ByteRange>) {
        let at = self.now;
        self.pack_voltage = Some((at, nanos));
        // A computed sum is rounded or cut to the step of the pack voltage, and each cell to its own.
        let cells = self.cells.step.max(SUM_STEP).saturating_mul(self.pack.cells().into());
        let tolerance = resolution.saturating_add(cells);
        let at_rest = self.stage.cells_rest();
        self.diagnosis.pack_voltage(at, nanos, at_rest);
        let Some(gap) = self.pack_sum.reported(at, nanos, tolerance, at_rest) else { return };
        self.held.see(LimitName::PackSum, gap);
        let limit = self.pack.limit_ref(LimitName::PackSum);
        let seen = Observed { at, place: Some(channel), part: 0, value: gap, limit, bytes };
        self.watches.pack_sum.observe(0, &seen, &mut self.book, &mut self.events);
    }

    fn bus_reading(&mut self, nanos: i64) {
        self.bus = Some((self.now, nanos));
        self.bus_was_dead |= nanos < DEAD_BELOW;
        let pack = self.pack_now();
        let change = self.stage.bus(self.now, nanos, pack);
        self.say_stage(change);
        let closed = self.stage.bus_is_live() == Some(true);
        self.diagnosis.bus(self.now, nanos, pack, closed);
    }

    /// The pack's voltage: the sum of its cells, else as it is reported.
    fn pack_now(&self) -> Option<i64> {
        self.pack_sum.newest().or(self.pack_voltage).map(|(_, nanos)| nanos)
    }

    fn current_reading(&mut self, nanos: i64, bytes: Option<ByteRange>) {
        let at = self.now;
        self.current = Some((at, nanos));
        if self.still.current.is_none() || at.since(self.still.since) <= CURRENT_LAG {
            self.still.current = Some(nanos);
        }
        if let Some(settled) = self.swing.settled
            && self.jump_that_matters() < self.pack.drop_nanos(nanos.saturating_sub(settled))
        {
            self.swing.unsteady = UNSTEADY_SETS;
            // A BMS that reads one cell after another has read some before the jump, some after it: two scans are blank.
            self.swing.blank_until = at + self.plan.scan * 2;
        }
        let change = self.stage.current(at, nanos);
        self.say_stage(change);
        // An offset shows only while nothing can flow: with the load's side off. Where the line does not tell that, an
        // offset is what is there before anything has changed: later a load may be drawing the current.
        let bus = self.bus.filter(|(then, _)| at.since(*then) <= self.plan.bus);
        let proven = self.plan.carries(Quantity::BusVoltage);
        let first = *self.first_current.get_or_insert(nanos);
        let changed = nanos.saturating_sub(first).saturating_abs();
        let loaded = !self.stage.cells_rest()
            || self.pack.limit(LimitName::CurrentRest).critical.is_some_and(|critical| critical / 2 < changed);
        self.load_was_on |= loaded;
        let off = if proven { bus.is_some_and(|(_, nanos)| nanos < DEAD_BELOW) } else { !self.load_was_on };
        self.diagnosis.current(at, nanos, off);
        if !self.stage.cells_rest() || !off {
            self.watches.current.leave(0, at, &mut self.book, &mut self.events);
            return;
        }
        self.current_at_rest += 1;
        let limit = self.pack.limit(LimitName::CurrentRest);
        let value = nanos.saturating_abs();
        self.held.see(LimitName::CurrentRest, value);
        let place = Some(Channel::whole(Quantity::Current));
        let seen = Observed { at, place, part: 0, value, limit: &limit, bytes };
        self.watches.current.observe(0, &seen, &mut self.book, &mut self.events);
    }

    /// By how much a jump of the current must move the cells before a set that is mixed from both sides of it can look like
    /// a fault: half of the limit between cells, in billionths of a volt.
    fn jump_that_matters(&self) -> i64 {
        let limit = self.pack.limit_ref(LimitName::DeviationLoad).critical;
        limit.map_or(0, |critical| critical / 2).max(self.noise_of_differences())
    }

    /// A place that should have a value and says "absent".
    fn presence(&mut self, standing: Standing, key: Key, is_there: bool, bytes: Option<ByteRange>) -> Standing {
        let mut standing = standing;
        if is_there {
            if standing.good(self.now) {
                self.book.clear(self.now, key, &mut self.events);
            }
        } else if standing.bad() {
            let channel = key.place.map_or(String::new(), |place| self.place_name(place));
            self.raise(key, Severity::Warning, format!("{channel} has no value"), bytes);
        }
        standing
    }

    /// Whether a sensor can read that on a sound pack.
    fn possibility(
        &mut self,
        standing: Standing,
        channel: Channel,
        part: usize,
        nanos: i64,
        range: (i64, i64),
        bytes: Option<ByteRange>,
    ) -> Standing {
        let mut standing = standing;
        let key = Key::new(Check::PossibleValues, Some(channel)).part(part);
        if is_inside(nanos, range) {
            if standing.good(self.now) {
                self.book.clear(self.now, key, &mut self.events);
            }
        } else if standing.bad() {
            let reading = amount(Check::PossibleValues, channel.quantity.dimension(), nanos);
            let why = match (channel.quantity, nanos <= range.0) {
                (Quantity::Temperature, true) => "the sensor or its wire is open",
                (Quantity::Temperature, false) => "the sensor or its wire is shorted",
                _ => "no sound cell has that voltage: look at its sense leads",
            };
            let text = format!("{} reads {reading}: {why}", self.place_name(channel));
            self.raise(key, Severity::Critical, text, bytes);
        }
        standing
    }

    /// `cell 7`, `temperature 2 (cells 5-8)`.
    fn place_name(&self, channel: Channel) -> String {
        let sensor = usize::from(channel.place).checked_sub(1).and_then(|index| self.pack.temperatures().get(index));
        match sensor.filter(|_| channel.quantity == Quantity::Temperature) {
            Some(name) => format!("{channel} ({name})"),
            None => channel.to_string(),
        }
    }

    fn raise(&mut self, key: Key, severity: Severity, text: String, bytes: Option<ByteRange>) {
        self.book.raise(self.now, Cause { key, severity, text, bytes }, &mut self.events);
    }

    /// After each step of the stage detector; `change` is what shows a new stage.
    fn say_stage(&mut self, change: Option<String>) {
        let rest = self.stage.cells_rest();
        // A rise under load is not held against the limit at rest.
        if rest != std::mem::replace(&mut self.was_rest, rest) {
            self.rates.iter_mut().for_each(RateWindow::clear);
        }
        if let Some(why) = change {
            let stage = self.stage.stage();
            if stage == Stage::SwitchOpened {
                self.diagnosis.opened(self.now);
            }
            self.events.push(Event { at: self.now, kind: EventKind::Stage { stage, why } });
        }
    }

    fn say_link(&mut self, change: LinkChange, text: String) {
        self.events.push(Event { at: self.now, kind: EventKind::Link { change, text } });
    }

    fn note(&mut self, text: String) {
        self.events.push(Event { at: self.now, kind: EventKind::Note { text } });
    }

    /// Says the verdict if it is another one than was said last.
    fn look_again(&mut self) {
        let answer = self.answer();
        if self.last_verdict.as_ref().is_none_or(|last| answer.differs_from(last)) {
            let verdict = self.verdict_of(answer);
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

/// The values of a run in a row; `None` where one is absent or was sent as a float.
fn values_of_run<'a>(rows: &Rows, row: usize, steps: &[Step], values: &'a mut Vec<i64>) -> Option<RunRow<'a>> {
    let scale = &steps.first()?.scale;
    values.clear();
    let (mut lowest, mut highest) = (i64::MAX, i64::MIN);
    for step in steps {
        let nanos = scale.nanos_of_integer(rows.columns.get(step.column)?.integer(row)?)?;
        (lowest, highest) = (lowest.min(nanos), highest.max(nanos));
        values.push(nanos);
    }
    Some(RunRow { values, lowest, highest, known: None })
}

fn is_inside(nanos: i64, range: (i64, i64)) -> bool {
    range.0 < nanos && nanos <= range.1
}
