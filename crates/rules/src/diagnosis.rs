//! What is wrong, and where: weighs what the estimates say, a cause at a time, and lets one cause explain another's signs.
//!
//! Fed row by row by the judge; looked at once a second. A claim rests on the data alone, never on the time of the look.

mod bus;
mod cells;
mod current;
mod line;
mod path;
mod sensors;

use std::time::Duration;

use model::{Channel, Quantity, SessionTime};

use crate::alarms::Severity;
use crate::cause::Cause;
use crate::check::Check;
use crate::estimates::Estimate;
use crate::estimates::open_circuit::Curve;
use crate::estimates::steps::StepSettings;
use crate::figures::CellResistances;
use crate::finding::{Claim, Confidence};
use crate::measured::Measured;
use crate::rested::Rest;
use crate::stage::Stage;
use crate::wiring::Wiring;

use bus::BusEvidence;
use cells::CellEvidence;
use current::CurrentEvidence;
use line::LineEvidence;
use path::PathEvidence;
use sensors::SensorEvidence;

/// What is fixed for a session: the pack, and in which steps its values are read. In billionths of the base unit.
#[derive(Clone, Debug)]
pub(crate) struct Facts {
    pub(crate) cells: usize,
    pub(crate) sensors: usize,
    pub(crate) cell_step: i64,
    pub(crate) current_step: i64,
    pub(crate) bus_step: i64,
    pub(crate) pack_step: i64,
    pub(crate) temperature_step: i64,
    pub(crate) one_hour_current: i64,
    pub(crate) resistance: i64,
    pub(crate) scan: Duration,
    /// A cell that is further from the median at rest: worth a look, and critical.
    pub(crate) deviation: (i64, i64),
    /// The lowest and the highest voltage of a sound cell.
    pub(crate) possible_cell: (i64, i64),
    /// The pack voltage off the sum by so much of it, in billionths of a percent.
    pub(crate) pack_sum: i64,
    /// A current at rest that is worth a look.
    pub(crate) current_at_rest: i64,
    /// Up to this the pack is at rest.
    pub(crate) rest_current: i64,
    /// A rise of temperature at rest, in billionths of a degree a minute.
    pub(crate) rate_at_rest: i64,
    /// A temperature that is critical.
    pub(crate) temperature_high: Option<i64>,
    /// All cells come in one message: they are meant to be of one moment.
    pub(crate) cells_together: bool,
    /// How well the BMS reads a cell.
    pub(crate) accuracy: i64,
    /// What tells charge from voltage at rest, where the chemistry has a published curve.
    pub(crate) curve: Option<Curve>,
    /// The mean current by which the BMS balances a cell.
    pub(crate) balancing: Option<i64>,
    /// What is built around the cells.
    pub(crate) wiring: Wiring,
    /// The line carries a pack voltage.
    pub(crate) has_pack_voltage: bool,
}

impl Facts {
    fn step_settings(&self) -> StepSettings {
        StepSettings {
            one_hour_current: self.one_hour_current,
            resistance: self.resistance,
            cell_step: self.cell_step,
            current_step: self.current_step,
            scan: self.scan,
        }
    }
}

/// A whole set of cells, and what is known of its moment.
#[derive(Clone, Copy, Debug)]
pub(crate) struct CellSet<'c> {
    pub(crate) at: SessionTime,
    /// Each cell, in billionths of a volt.
    pub(crate) cells: &'c [Option<i64>],
    /// Their median, the lowest, the highest and the sum.
    pub(crate) median: i64,
    pub(crate) lowest: i64,
    pub(crate) highest: i64,
    pub(crate) sum: i64,
    /// No load moves the cells, and none did a while ago.
    pub(crate) quiet: bool,
    /// The same, and the limits for rest hold.
    pub(crate) rest: bool,
    /// The current has not jumped since the last set.
    pub(crate) steady: bool,
    /// The stage that the data shows.
    pub(crate) stage: Stage,
    /// A load was on at some time before.
    pub(crate) after_load: bool,
}

/// What the judge knows besides, at the time of a look.
#[derive(Clone, Debug, Default)]
pub(crate) struct Known {
    /// The BMS's own test of its sense leads failed, or a hand reading did.
    pub(crate) leads_failed: bool,
    /// Cells beyond those of the pack, on the line.
    pub(crate) extra_cells: Option<u16>,
    /// Cells (from 0) that stood still while the others moved.
    pub(crate) frozen_cells: Vec<usize>,
    /// Values or counters stand still that should move.
    pub(crate) frozen: bool,
    /// The load's side was dead at some time.
    pub(crate) bus_was_dead: bool,
    /// The source is gone.
    pub(crate) lost: bool,
    /// Nothing comes any more.
    pub(crate) silent: bool,
    /// Damaged frames over the whole session, in hundredths of a percent, beyond the warning limit.
    pub(crate) damage: Option<u64>,
}

/// The evidence of a session.
#[derive(Clone, Debug, Default)]
pub(crate) struct Diagnosis {
    line: LineEvidence,
    /// From the first whole set on: until then the steps of the readings are not known.
    values: Option<ValueEvidence>,
}

#[derive(Clone, Debug)]
struct ValueEvidence {
    facts: Facts,
    cells: CellEvidence,
    sensors: SensorEvidence,
    current: CurrentEvidence,
    path: PathEvidence,
    bus: BusEvidence,
}

impl Diagnosis {
    /// Whether the facts are still to come.
    pub(crate) fn waits_for_facts(&self) -> bool {
        self.values.is_none()
    }

    /// From now on values are evidence.
    pub(crate) fn begin(&mut self, facts: Facts) {
        self.values = Some(ValueEvidence {
            cells: CellEvidence::new(&facts),
            sensors: SensorEvidence::new(&facts),
            current: CurrentEvidence::new(&facts),
            path: PathEvidence::new(&facts),
            bus: BusEvidence::new(&facts),
            facts,
        });
    }

    /// A whole set of cells.
    pub(crate) fn set(&mut self, set: CellSet<'_>) {
        if let Some(values) = &mut self.values {
            values.cells.set(set, &values.facts);
            values.path.set(set);
        }
    }

    /// A current in billionths of an ampere; `off`: nothing can flow.
    pub(crate) fn current(&mut self, at: SessionTime, nanos: i64, off: bool) {
        if let Some(values) = &mut self.values {
            values.cells.current(at, nanos);
            values.current.current(at, nanos, off);
            values.path.current(nanos);
        }
    }

    /// The reported pack voltage in billionths of a volt; `rest`: the cells rest.
    pub(crate) fn pack_voltage(&mut self, at: SessionTime, nanos: i64, rest: bool) {
        if let Some(values) = &mut self.values {
            values.path.pack_voltage(at, nanos, rest);
        }
    }

    /// The load's side in billionths of a volt, the pack's voltage if it is known, and whether the switch is closed.
    pub(crate) fn bus(&mut self, at: SessionTime, nanos: i64, pack: Option<i64>, closed: bool) {
        if let Some(values) = &mut self.values {
            values.bus.reading(at, nanos, pack);
            if closed {
                values.path.bus(at, nanos);
            }
        }
    }

    /// The switch was opened.
    pub(crate) fn opened(&mut self, at: SessionTime) {
        if let Some(values) = &mut self.values {
            values.bus.opened(at);
        }
    }

    /// Each temperature sensor, in billionths of a degree; `None` where it is absent.
    pub(crate) fn temperatures(&mut self, at: SessionTime, sensors: &[Option<i64>], rest: bool) {
        if let Some(values) = &mut self.values {
            values.sensors.set(at, sensors, rest);
        }
    }

    /// A sound frame, or a piece of damage, and whether bus and load were on.
    pub(crate) fn frame(&mut self, at: SessionTime, sound: bool, bus_on: Option<bool>, load_on: Option<bool>) {
        self.line.frame(at, sound, bus_on, load_on);
    }

    /// Whether steps of the load have shown the right sign of the current.
    pub(crate) fn sign_is_proven(&self) -> bool {
        self.values.as_ref().is_some_and(|values| values.cells.sign_is_proven())
    }

    /// What was measured, and why the rest is missing; nothing before the first whole set of cells.
    pub(crate) fn measured(&self) -> Vec<Measured> {
        let mut measured = Vec::new();
        if let Some(values) = &self.values {
            values.bus.measured(&mut measured);
            values.path.measured(&values.facts, &mut measured);
            values.cells.measured(&mut measured);
            values.sensors.measured(&values.facts, &mut measured);
        }
        measured
    }

    /// Where the cells stood at rest.
    pub(crate) fn rests(&self) -> Vec<Rest> {
        self.values.as_ref().map_or_else(Vec::new, |values| values.cells.rests(&values.facts))
    }

    /// The step in which the cells are really read, in billionths of a volt; `None` before the first whole set.
    pub(crate) fn grain(&self) -> Option<i64> {
        self.values.as_ref().map(|values| values.cells.grain(&values.facts))
    }

    /// What steps of the load say of each cell, or why there is nothing.
    pub(crate) fn resistances(&self) -> Result<CellResistances, String> {
        match &self.values {
            Some(values) => values.cells.all_resistances(&values.facts),
            None => Err("no whole set of cells came".to_owned()),
        }
    }

    /// How each cell drifts against the median at rest, in volts an hour.
    pub(crate) fn drifts(&self) -> Vec<Option<Estimate>> {
        self.values.as_ref().map_or_else(Vec::new, |values| values.cells.drifts())
    }

    /// How fast each sensor rises at rest, in degrees a minute.
    pub(crate) fn rises(&self) -> Vec<Option<Estimate>> {
        self.values.as_ref().map_or_else(Vec::new, |values| values.sensors.rises())
    }

    /// What the evidence says now.
    pub(crate) fn look(&mut self, known: &Known) -> Vec<Claim> {
        let mut claims = Vec::new();
        self.line.look(known, &mut claims);
        if let Some(values) = &mut self.values {
            values.cells.refresh();
            values.sensors.refresh();
            let facts = &values.facts;
            values.cells.look(facts, known, &mut claims);
            values.sensors.look(facts, &mut claims);
            values.current.look(facts, &mut claims);
            values.path.look(facts, values.cells.median_volts(), &mut claims);
            values.bus.look(known, &mut claims);
        }
        explain(&mut claims);
        claims
    }
}

/// Takes out what another claim explains.
fn explain(claims: &mut Vec<Claim>) {
    let explained: Vec<bool> = claims.iter().map(|claim| claims.iter().any(|other| explains(other, claim))).collect();
    let mut explained = explained.into_iter();
    claims.retain(|_| !explained.next().unwrap_or(false));
}

/// Whether `cause` leaves the signs that `sign` was claimed by. One that is only possible explains nothing.
fn explains(cause: &Claim, sign: &Claim) -> bool {
    use Cause::{
        BalancingActive, BusLiveEarly, CellsReadInTurn, ConnectorResistance, DamagedLine, FrozenBms, HeatingAtRest,
        HighCell, Interference, LinkResistance, LowCell, OpenSenseLead, PackSumOffset, ReversedCurrent, SelfDischarge,
        SensorOpen, SensorShort, SensorStuck, SilentLine, SwappedSenseLeads, Unplugged, WeakCell, WeakCellOrLink,
        WeldedContact, WrongCellCount, WrongScale,
    };
    if cause.confidence == Confidence::Possible && Confidence::Possible < sign.confidence {
        return false;
    }
    // What is milder and less sure hides nothing that is worse.
    if cause.severity < sign.severity && cause.confidence < sign.confidence {
        return false;
    }
    let cells = matches!(
        sign.cause,
        LowCell | HighCell | WeakCell | LinkResistance | WeakCellOrLink | SelfDischarge | BalancingActive
    );
    match cause.cause {
        WrongScale => {
            cells
                || matches!(sign.cause, PackSumOffset | WrongCellCount | OpenSenseLead | ConnectorResistance)
                || sign.cause.check() == Check::Bus
        }
        ReversedCurrent => sign.cause == ConnectorResistance,
        SensorOpen | SensorShort => sign.cause == SensorStuck && near(cause, sign, 0),
        // It moves readings, and no resistance: a weak cell beside it stays one.
        BalancingActive => matches!(sign.cause, LowCell | HighCell | SelfDischarge) && near(cause, sign, 1),
        SwappedSenseLeads | OpenSenseLead if cells => cause.cause != sign.cause && near(cause, sign, 1),
        SwappedSenseLeads => match sign.cause {
            PackSumOffset | WrongCellCount | ConnectorResistance => true,
            OpenSenseLead => near(cause, sign, 1) || sign.places.is_empty(),
            _ => false,
        },
        OpenSenseLead => match sign.cause {
            PackSumOffset | ConnectorResistance => true,
            WrongCellCount => sign.places.is_empty(),
            // The same lead, claimed with its place and without.
            OpenSenseLead => sign.places.is_empty() && !cause.places.is_empty(),
            _ => false,
        },
        WrongCellCount => {
            sign.cause == PackSumOffset || (near(cause, sign, 1) && (cells || sign.cause == OpenSenseLead))
        }
        CellsReadInTurn => matches!(sign.cause, WeakCell | LinkResistance | WeakCellOrLink),
        WeakCell | LinkResistance | WeakCellOrLink => sign.cause == SelfDischarge && near(cause, sign, 0),
        SelfDischarge => matches!(sign.cause, LowCell) && near(cause, sign, 0),
        BusLiveEarly => sign.cause == WeldedContact,
        FrozenBms => matches!(sign.cause, SensorStuck | SilentLine),
        Interference => sign.cause == DamagedLine,
        Unplugged => sign.cause == SilentLine,
        HeatingAtRest => sign.cause == SensorStuck && near(cause, sign, 0),
        _ => false,
    }
}

/// Whether a place of the one is a place of the other, or so many places beside it.
fn near(one: &Claim, other: &Claim, apart: u16) -> bool {
    let near = |a: &Channel, b: &Channel| a.quantity == b.quantity && a.place.abs_diff(b.place) <= apart;
    one.places.iter().any(|a| other.places.iter().any(|b| near(a, b)))
}

/// How often something was seen, and when.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
struct Tally {
    count: u64,
    from: SessionTime,
    to: SessionTime,
}

impl Tally {
    fn new(at: SessionTime) -> Self {
        Self { count: 1, from: at, to: at }
    }

    fn again(&mut self, at: SessionTime) {
        self.count += 1;
        self.to = at;
    }

    /// Counts one more in an optional tally.
    fn count(tally: &mut Option<Self>, at: SessionTime) {
        match tally {
            Some(tally) => tally.again(at),
            None => *tally = Some(Self::new(at)),
        }
    }
}

impl Claim {
    fn new(cause: Cause, confidence: Confidence, span: (SessionTime, SessionTime), text: String) -> Self {
        Self {
            cause,
            places: Vec::new(),
            confidence,
            severity: Severity::Warning,
            from: span.0,
            to: span.1,
            text,
            supports: Vec::new(),
            against: Vec::new(),
        }
    }

    fn critical_if(mut self, critical: bool) -> Self {
        if critical {
            self.severity = Severity::Critical;
        }
        self
    }

    fn at_cells(mut self, cells: impl IntoIterator<Item = usize>) -> Self {
        self.places = cells.into_iter().map(cell).collect();
        self
    }

    fn supported(mut self, by: impl Into<String>) -> Self {
        self.supports.push(by.into());
        self
    }

    fn opposed(mut self, by: impl Into<String>) -> Self {
        self.against.push(by.into());
        self
    }
}

/// The channel of a cell, counted from 0.
fn cell(index: usize) -> Channel {
    Channel::at(Quantity::CellVoltage, u16::try_from(index + 1).unwrap_or(u16::MAX))
}

/// The channel of a temperature sensor, counted from 0.
fn sensor(index: usize) -> Channel {
    Channel::at(Quantity::Temperature, u16::try_from(index + 1).unwrap_or(u16::MAX))
}

/// Billionths as a number of base units.
fn base(nanos: i64) -> f64 {
    nanos as f64 * 1e-9
}

/// Volts as millivolts in words.
fn millivolts(volts: f64) -> String {
    format!("{:.1} mV", volts * 1e3)
}

/// Ohms as milliohms in words.
fn milliohms(ohms: f64) -> String {
    format!("{:.2} mohm", ohms * 1e3)
}

/// Ohms from milliohms to kiloohms in words, with three digits.
fn ohms(ohms: f64) -> String {
    match ohms {
        _ if ohms < 0.1 => format!("{} mohm", three_digits(ohms * 1e3)),
        _ if ohms < 1000.0 => format!("{} ohm", three_digits(ohms)),
        _ => format!("{} kohm", three_digits(ohms * 1e-3)),
    }
}

/// Farads in words, with three digits.
fn farads(farads: f64) -> String {
    if farads < 1e-3 {
        format!("{} uF", three_digits(farads * 1e6))
    } else {
        format!("{} mF", three_digits(farads * 1e3))
    }
}

fn three_digits(value: f64) -> String {
    let decimals = match value.abs() {
        size if size < 10.0 => 2,
        size if size < 100.0 => 1,
        _ => 0,
    };
    let text = format!("{value:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// A value with its uncertainty in words; of the uncertainty two digits, and never more than four decimals.
pub(crate) fn plus_minus(value: f64, uncertainty: f64) -> String {
    let mut decimals = 0;
    let mut step = uncertainty;
    while step < 10.0 && decimals < 4 {
        (step, decimals) = (step * 10.0, decimals + 1);
    }
    format!("{value:.decimals$} +/- {uncertainty:.decimals$}")
}

/// A length of time in words, as well as one plans by it.
fn rough_time(time: Duration) -> String {
    match time.as_secs() {
        seconds if seconds < 120 => format!("{seconds} s"),
        seconds if seconds < 2 * 3600 => format!("{} min", (seconds + 30) / 60),
        seconds if seconds < 72 * 3600 => format!("{} h", (seconds + 1800) / 3600),
        seconds => format!("{} days", (seconds + 43_200) / 86_400),
    }
}
