//! What can be wrong with the practice pack, its BMS and its line.

use std::fmt;
use std::str::FromStr;

use model::{Channel, Quantity, SessionTime};

/// One thing that goes wrong.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Fault {
    /// What.
    pub kind: FaultKind,
    /// From when on. It lasts.
    pub at: SessionTime,
    /// Where, from 1: the cell, the sensor, or the cell below the sense lead. 0 takes a usual place; one beyond the pack
    /// takes the last.
    pub place: u16,
    /// How bad, 0 to 1. What is outside counts as the nearer end, what is no number as 1.
    pub severity: f64,
}

/// What can go wrong. What a severity means in numbers, and from which on it is beyond a warning limit, is in
/// [`Fault::warns_from`].
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum FaultKind {
    /// A cell holds less charge: 6 % of its capacity at severity 1.
    LowCell,
    /// A cell holds more charge: 6 % of its capacity at severity 1.
    HighCell,
    /// Both resistances of a cell are 1.6 (severity 0) to 3 times (severity 1) those of its kind.
    WeakCell,
    /// The link behind a cell, at a module's end, has up to twice a cell's whole resistance: it acts at once, without a
    /// tail.
    LinkResistance,
    /// A cell is drained past the current sensor, without heat: by 0.3 of its capacity an hour at severity 1.
    SelfDischarge,
    /// The lead between cells k and k + 1 is open and drawn down: k reads near 0, k + 1 near double up to 5 V.
    OpenSenseLead,
    /// The same lead floats: both read the average, and wander apart by up to 85 mV each.
    OpenSenseLeadMidpoint,
    /// The same lead is open, and the filter capacitors hold the last readings.
    OpenSenseLeadHeld,
    /// The same lead makes contact now and then.
    OpenSenseLeadIntermittent,
    /// The lead at an end is open: the first cell (place 1) or the last reads 0.6 V low, above severity 0.5 zero.
    OpenSenseLeadEnd,
    /// The leads above cells k and k + 1 are swapped: k reads both, k + 1 itself turned round, k + 2 itself and k + 1.
    /// Up to severity 0.5 what is turned round reads 0, above it is sent as it is, and in 16 bits without a sign starts
    /// again from above. A pack of fewer than three cells has no such leads.
    SwappedSenseLeads,
    /// A cell is being balanced at up to 0.2 A through sense leads of 0.2 ohm, 1.4 s in every 2.3 s: it reads up to 80 mV
    /// low, its neighbours up to 40 mV high. The charge taken is not counted.
    BalancingActive,
    /// The BMS reads its cells one after another, over up to five scans. No fault of the pack: a false spread.
    CellsReadInTurn,
    /// A temperature sensor is open: -40 degC; up to severity 0.5 it is reported as absent.
    SensorOpen,
    /// A temperature sensor is shorted: 125 degC to 127 degC.
    SensorShort,
    /// A temperature sensor reads 25.0 degC, whatever happens and whatever the severity.
    SensorStuck,
    /// The cells at a temperature sensor warm by up to 3 degC/min.
    HeatingAtRest,
    /// The reported pack voltage is too high, by 3 % at severity 1.
    PackSumOffset,
    /// Up to 20 mohm more in the main path, between the cells and the point where the pack voltage is measured.
    PackLeadResistance,
    /// Up to 20 mohm more in the main path, between that point and the bus.
    BusLeadResistance,
    /// The current has the wrong sign, whatever the severity.
    ReversedCurrent,
    /// The current reads too high, by a tenth of the one-hour current at severity 1.
    CurrentOffset,
    /// A pack in parallel, joined before the switch, has a voltage lower by up to 1 V: 60 mohm all around. It also gives
    /// its part of the load.
    Circulation,
    /// The cells read double, from severity 0.5 on a tenth: a slip of the scale in the protocol file.
    WrongCellScale,
    /// The protocol file reads one cell more than there are, from severity 0.5 on two: the last inputs read 0.
    TooManyCellsRead,
    /// The pack has one cell more than the protocol file reads, from severity 0.5 on two.
    TooFewCellsRead,
    /// The pre-charge resistor is a tenth (severity 0) of what it should be, down to nothing: the bus jumps.
    NoPreCharge,
    /// The pre-charge resistor is 2 (severity 0) to 10 times what it should be.
    SlowPreCharge,
    /// Something draws on the bus like a resistor: the pre-charge ends at 0.9 (severity 0) to 0.3 of the pack voltage, and
    /// the switch waits for it in vain.
    StuckPreCharge,
    /// The electronics on the bus draw 1.05 (severity 0) to 2 times the power that the resistor can carry: the bus turns
    /// back at 0.55 of the pack voltage, and the switch waits in vain.
    StalledPreCharge,
    /// The same, and the pre-charge is given up after 1.2 of its time constants and tried again after 3.6.
    PreChargeRetries,
    /// Something lies beside the switch: the bus is at 0.1 (severity 0) to 0.99 of the pack voltage before it closes, and
    /// after it opens.
    BusLiveEarly,
    /// The switch does not open for good: the bus stays at 0.5 (severity 0) to all of the pack voltage.
    WeldedContact,
    /// The BMS stops sending.
    SilentLine,
    /// The BMS sends its last frames again and again, counter and device time too.
    FrozenFrame,
    /// Bits are flipped on the line: one in 100 bytes at severity 1.
    FlippedBits,
    /// Bytes are lost on the line: one in 100 at severity 1.
    LostBytes,
    /// Bits are flipped on the line while the bus is up: one in 100 bytes at severity 1 and the pack voltage.
    InterferenceWithBus,
    /// Bits are flipped on the line under load: one in 100 bytes at severity 1 and the one-hour current or more.
    InterferenceWithCurrent,
    /// The port disappears.
    Unplug,
}

/// A word that names no fault.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("unknown fault {word:?}")]
pub struct UnknownFault {
    /// The word.
    pub word: String,
    /// The name that it is most like, if any is near.
    pub closest: Option<&'static str>,
}

struct Entry {
    kind: FaultKind,
    name: &'static str,
    /// The cause, in plain words; several kinds of fault may be one.
    cause: &'static str,
    about: &'static str,
    /// When it begins unless told otherwise: where it tells the most.
    usual_millis: u64,
}

const fn entry(
    kind: FaultKind,
    name: &'static str,
    usual_millis: u64,
    cause: &'static str,
    about: &'static str,
) -> Entry {
    Entry { kind, name, cause, about, usual_millis }
}

const ENTRIES: [Entry; 40] = [
    entry(FaultKind::LowCell, "low-cell", 0, "low cell", "a cell holds less charge than the others"),
    entry(FaultKind::HighCell, "high-cell", 0, "high cell", "a cell holds more charge than the others"),
    entry(FaultKind::WeakCell, "weak-cell", 0, "weak cell", "a cell has a higher resistance than the others"),
    entry(
        FaultKind::LinkResistance,
        "link-resistance",
        0,
        "link resistance",
        "the link behind a cell, at a module's end, has a resistance",
    ),
    entry(
        FaultKind::SelfDischarge,
        "self-discharge",
        0,
        "self-discharge",
        "a cell loses charge by itself: it drifts at rest",
    ),
    entry(
        FaultKind::OpenSenseLead,
        "open-sense-lead",
        3_000,
        "open sense lead",
        "a sense lead is open: one cell reads near 0, the next too high",
    ),
    entry(
        FaultKind::OpenSenseLeadMidpoint,
        "open-sense-lead-midpoint",
        3_000,
        "open sense lead",
        "an open sense lead floats: two cells read their average and wander",
    ),
    entry(
        FaultKind::OpenSenseLeadHeld,
        "open-sense-lead-held",
        3_000,
        "open sense lead",
        "an open sense lead keeps its last readings: only the self-test tells",
    ),
    entry(
        FaultKind::OpenSenseLeadIntermittent,
        "open-sense-lead-intermittent",
        3_000,
        "open sense lead",
        "a sense lead makes contact now and then",
    ),
    entry(
        FaultKind::OpenSenseLeadEnd,
        "open-sense-lead-end",
        3_000,
        "open sense lead",
        "the sense lead at an end of the pack is open",
    ),
    entry(
        FaultKind::SwappedSenseLeads,
        "swapped-sense-leads",
        0,
        "swapped sense leads",
        "two neighbouring sense leads are swapped: double, nothing, double",
    ),
    entry(
        FaultKind::BalancingActive,
        "balancing-active",
        3_000,
        "balancing active",
        "a cell is being balanced: it reads low, its neighbours high, at times",
    ),
    entry(
        FaultKind::CellsReadInTurn,
        "cells-read-in-turn",
        0,
        "cells read one after another",
        "cells are read one after another: a false spread, no fault",
    ),
    entry(FaultKind::SensorOpen, "sensor-open", 3_000, "temperature sensor open", "a temperature sensor is open"),
    entry(FaultKind::SensorShort, "sensor-short", 3_000, "temperature sensor short", "a temperature sensor is shorted"),
    entry(
        FaultKind::SensorStuck,
        "sensor-stuck",
        0,
        "temperature sensor stuck",
        "a temperature sensor always reads 25.0 degC",
    ),
    entry(
        FaultKind::HeatingAtRest,
        "heating-at-rest",
        0,
        "heating at rest",
        "the cells at one temperature sensor get warm with nothing drawn",
    ),
    entry(
        FaultKind::PackSumOffset,
        "pack-sum-offset",
        0,
        "pack sum offset",
        "the reported pack voltage is not the sum of the cells",
    ),
    entry(
        FaultKind::PackLeadResistance,
        "pack-lead-resistance",
        0,
        "connector resistance",
        "a connector between cells and pack voltage has a high resistance",
    ),
    entry(
        FaultKind::BusLeadResistance,
        "bus-lead-resistance",
        0,
        "connector resistance",
        "a connector between pack and bus has a high resistance",
    ),
    entry(FaultKind::ReversedCurrent, "reversed-current", 0, "reversed current sign", "the current has the wrong sign"),
    entry(FaultKind::CurrentOffset, "current-offset", 0, "current offset", "the current reads too high, at rest too"),
    entry(
        FaultKind::Circulation,
        "circulation",
        0,
        "circulation",
        "a pack in parallel draws current with nothing switched on",
    ),
    entry(
        FaultKind::WrongCellScale,
        "wrong-cell-scale",
        0,
        "wrong scale",
        "the protocol file scales the cells wrong: all read double, or a tenth",
    ),
    entry(
        FaultKind::TooManyCellsRead,
        "too-many-cells-read",
        0,
        "wrong cell count",
        "the protocol file reads more cells than the pack has",
    ),
    entry(
        FaultKind::TooFewCellsRead,
        "too-few-cells-read",
        0,
        "wrong cell count",
        "the pack has more cells than the protocol file reads",
    ),
    entry(
        FaultKind::NoPreCharge,
        "no-pre-charge",
        0,
        "no pre-charge",
        "the pre-charge resistor is bridged: the bus jumps",
    ),
    entry(
        FaultKind::SlowPreCharge,
        "slow-pre-charge",
        0,
        "slow pre-charge",
        "the pre-charge is too slow: the switch closes too early",
    ),
    entry(
        FaultKind::StuckPreCharge,
        "stuck-pre-charge",
        0,
        "stuck pre-charge",
        "something draws on the bus: the pre-charge never completes",
    ),
    entry(
        FaultKind::StalledPreCharge,
        "stalled-pre-charge",
        0,
        "stalled pre-charge",
        "electronics boot during the pre-charge and pull the bus back",
    ),
    entry(
        FaultKind::PreChargeRetries,
        "pre-charge-retries",
        0,
        "pre-charge retries",
        "the pre-charge is given up and tried again and again",
    ),
    entry(
        FaultKind::BusLiveEarly,
        "bus-live-early",
        0,
        "bus live before closing",
        "the bus has voltage before the switch is closed",
    ),
    entry(
        FaultKind::WeldedContact,
        "welded-contact",
        0,
        "welded contact",
        "the switch opens and the bus does not fall",
    ),
    entry(FaultKind::SilentLine, "silent-line", 16_000, "silent line", "the BMS stops sending"),
    entry(FaultKind::FrozenFrame, "frozen-frame", 13_000, "frozen BMS", "the BMS repeats its last frames"),
    entry(FaultKind::FlippedBits, "flipped-bits", 6_000, "damaged line", "bits are flipped on the line"),
    entry(FaultKind::LostBytes, "lost-bytes", 6_000, "damaged line", "bytes are lost on the line"),
    entry(
        FaultKind::InterferenceWithBus,
        "interference-with-bus",
        0,
        "interference",
        "bits are flipped on the line while the bus is up",
    ),
    entry(
        FaultKind::InterferenceWithCurrent,
        "interference-with-current",
        0,
        "interference",
        "bits are flipped on the line under load",
    ),
    entry(FaultKind::Unplug, "unplug", 16_000, "unplugged", "the port disappears"),
];

impl FaultKind {
    /// The word that names it on the command line.
    pub fn name(self) -> &'static str {
        self.entry().map_or("", |entry| entry.name)
    }

    /// What it is, in one line.
    pub fn about(self) -> &'static str {
        self.entry().map_or("", |entry| entry.about)
    }

    /// The cause that a diagnosis must name, in plain words: one for all ways in which a sense lead can be open.
    pub fn cause(self) -> &'static str {
        self.entry().map_or("", |entry| entry.cause)
    }

    /// Whether it is something of the pack, the switch or the bus, and not of the BMS or the line.
    pub fn is_physical(self) -> bool {
        matches!(
            self,
            Self::LowCell
                | Self::HighCell
                | Self::WeakCell
                | Self::LinkResistance
                | Self::SelfDischarge
                | Self::HeatingAtRest
                | Self::PackLeadResistance
                | Self::BusLeadResistance
                | Self::Circulation
                | Self::TooManyCellsRead
                | Self::TooFewCellsRead
                | Self::NoPreCharge
                | Self::SlowPreCharge
                | Self::StuckPreCharge
                | Self::StalledPreCharge
                | Self::PreChargeRetries
                | Self::BusLiveEarly
                | Self::WeldedContact
        )
    }

    /// Whether a sense lead is open: the self-test of the BMS finds it.
    pub fn opens_a_sense_lead(self) -> bool {
        matches!(
            self,
            Self::OpenSenseLead
                | Self::OpenSenseLeadMidpoint
                | Self::OpenSenseLeadHeld
                | Self::OpenSenseLeadIntermittent
                | Self::OpenSenseLeadEnd
        )
    }

    fn entry(self) -> Option<&'static Entry> {
        ENTRIES.iter().find(|entry| entry.kind == self)
    }
}

impl fmt::Display for FaultKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

impl FromStr for FaultKind {
    type Err = UnknownFault;

    fn from_str(word: &str) -> Result<Self, UnknownFault> {
        ENTRIES.iter().find(|entry| entry.name == word).map(|entry| entry.kind).ok_or_else(|| {
            let closest = model::closest(word, ENTRIES.iter().map(|entry| entry.name));
            let closest = closest.and_then(|near| ENTRIES.iter().map(|entry| entry.name).find(|name| *name == near));
            UnknownFault { word: word.to_owned(), closest }
        })
    }
}

impl Fault {
    /// A fault at its usual time and place, as bad as can be.
    pub fn new(kind: FaultKind) -> Self {
        let at = SessionTime::from_millis(kind.entry().map_or(0, |entry| entry.usual_millis));
        Self { kind, at, place: 0, severity: 1.0 }
    }

    /// All of them, in the order in which help shows them.
    pub fn all() -> impl Iterator<Item = FaultKind> {
        ENTRIES.iter().map(|entry| entry.kind)
    }

    pub(crate) fn active(&self, at: SessionTime) -> bool {
        self.at <= at
    }

    /// The severity from 0 to 1.
    pub(crate) fn share(&self) -> f64 {
        if self.severity.is_nan() { 1.0 } else { self.severity.clamp(0.0, 1.0) }
    }

    /// The cell that it concerns.
    pub(crate) fn cell_place(&self, cells: u16) -> u16 {
        let usual = if self.place == 0 { 7 } else { self.place };
        usual.min(cells)
    }

    /// The cell below the sense lead that it concerns; `None` in a pack of one cell, which has no inner lead.
    pub(crate) fn lead_place(&self, cells: u16) -> Option<u16> {
        cells.checked_sub(1).filter(|inner| 0 < *inner).map(|inner| self.cell_place(inner))
    }

    /// The end cell that it concerns.
    pub(crate) fn end_place(&self, cells: u16) -> u16 {
        if self.place == 1 { 1 } else { cells }
    }

    /// The temperature sensor that it concerns.
    pub(crate) fn sensor_place(&self, sensors: u16) -> u16 {
        let usual = if self.place == 0 { 2 } else { self.place };
        usual.min(sensors)
    }

    /// The middle one of the three cells that swapped sense leads concern; `None` in a pack of fewer.
    pub(crate) fn swapped_place(&self, cells: u16) -> Option<u16> {
        cells.checked_sub(2).filter(|inner| 0 < *inner).map(|inner| self.cell_place(inner) + 1)
    }

    /// Where it is: the channels whose readings it changes; none where it concerns the pack as a whole.
    pub fn channels(&self, cells: u16, sensors: u16) -> Vec<Channel> {
        let cells_from = |first: u16, last: u16| -> Vec<Channel> {
            (first..=last).map(|place| Channel::at(Quantity::CellVoltage, place)).collect()
        };
        match self.kind {
            FaultKind::LowCell
            | FaultKind::HighCell
            | FaultKind::WeakCell
            | FaultKind::LinkResistance
            | FaultKind::SelfDischarge
            | FaultKind::BalancingActive => cells_from(self.cell_place(cells), self.cell_place(cells)),
            FaultKind::OpenSenseLeadEnd => cells_from(self.end_place(cells), self.end_place(cells)),
            kind if kind.opens_a_sense_lead() => {
                self.lead_place(cells).map_or_else(Vec::new, |below| cells_from(below, below + 1))
            }
            FaultKind::SwappedSenseLeads => {
                self.swapped_place(cells).map_or_else(Vec::new, |middle| cells_from(middle - 1, middle + 1))
            }
            FaultKind::TooManyCellsRead => cells_from(cells.saturating_sub(self.wrong_cells()).max(1) + 1, cells),
            FaultKind::SensorOpen | FaultKind::SensorShort | FaultKind::SensorStuck | FaultKind::HeatingAtRest => {
                vec![Channel::at(Quantity::Temperature, self.sensor_place(sensors))]
            }
            _ => Vec::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_name_is_read_back() {
        for kind in Fault::all() {
            assert_eq!(kind.to_string().parse(), Ok(kind));
            assert!(kind.name().bytes().all(|byte| byte.is_ascii_lowercase() || byte == b'-'), "{kind}");
            assert!(!kind.about().is_empty());
        }
        assert_eq!(Fault::all().count(), 40);
    }

    #[test]
    fn a_slip_is_met_with_a_suggestion() {
        let error = "low-cel".parse::<FaultKind>().unwrap_err();
        assert_eq!(error.closest, Some("low-cell"));
        assert_eq!(error.to_string(), "unknown fault \"low-cel\"");
        assert_eq!("".parse::<FaultKind>().unwrap_err().closest, None);
    }

    #[test]
    fn places_stay_inside_the_pack() {
        let fault = Fault { place: 99, ..Fault::new(FaultKind::OpenSenseLead) };
        assert_eq!(fault.cell_place(24), 24);
        assert_eq!(fault.lead_place(24), Some(23));
        assert_eq!(fault.lead_place(1), None);
        assert_eq!(Fault::new(FaultKind::OpenSenseLead).lead_place(24), Some(7));
        assert_eq!(Fault { severity: f64::NAN, ..fault }.share().to_bits(), 1.0_f64.to_bits());
    }
}
