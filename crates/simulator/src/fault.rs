//! What can be wrong with the practice pack, its BMS and its line.

use std::fmt;
use std::str::FromStr;

use model::SessionTime;

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

/// What can go wrong.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum FaultKind {
    /// A cell holds less charge: 6 % of its capacity at severity 1.
    LowCell,
    /// Both resistances of a cell are 1.6 (severity 0) to 3 times (severity 1) those of its kind.
    WeakCell,
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
    /// A temperature sensor is open: -40 degC; up to severity 0.5 it is reported as absent.
    SensorOpen,
    /// A temperature sensor is shorted: 125 degC to 127 degC.
    SensorShort,
    /// The reported pack voltage is too high, by 3 % at severity 1.
    PackSumOffset,
    /// The BMS stops sending.
    SilentLine,
    /// The BMS sends its last frames again and again, counter and device time too.
    FrozenFrame,
    /// Bits are flipped on the line: one in 100 bytes at severity 1.
    FlippedBits,
    /// Bytes are lost on the line: one in 100 at severity 1.
    LostBytes,
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
    about: &'static str,
    /// When it begins unless told otherwise: where it tells the most.
    usual_millis: u64,
}

const fn entry(kind: FaultKind, name: &'static str, usual_millis: u64, about: &'static str) -> Entry {
    Entry { kind, name, about, usual_millis }
}

const ENTRIES: [Entry; 15] = [
    entry(FaultKind::LowCell, "low-cell", 0, "a cell holds less charge than the others"),
    entry(FaultKind::WeakCell, "weak-cell", 0, "a cell has a higher resistance than the others"),
    entry(
        FaultKind::OpenSenseLead,
        "open-sense-lead",
        3_000,
        "a sense lead is open: one cell reads near 0, the next too high",
    ),
    entry(
        FaultKind::OpenSenseLeadMidpoint,
        "open-sense-lead-midpoint",
        3_000,
        "an open sense lead floats: two cells read their average and wander",
    ),
    entry(
        FaultKind::OpenSenseLeadHeld,
        "open-sense-lead-held",
        3_000,
        "an open sense lead keeps its last readings: only the self-test tells",
    ),
    entry(
        FaultKind::OpenSenseLeadIntermittent,
        "open-sense-lead-intermittent",
        3_000,
        "a sense lead makes contact now and then",
    ),
    entry(FaultKind::OpenSenseLeadEnd, "open-sense-lead-end", 3_000, "the sense lead at an end of the pack is open"),
    entry(FaultKind::SensorOpen, "sensor-open", 3_000, "a temperature sensor is open"),
    entry(FaultKind::SensorShort, "sensor-short", 3_000, "a temperature sensor is shorted"),
    entry(FaultKind::PackSumOffset, "pack-sum-offset", 0, "the reported pack voltage is not the sum of the cells"),
    entry(FaultKind::SilentLine, "silent-line", 16_000, "the BMS stops sending"),
    entry(FaultKind::FrozenFrame, "frozen-frame", 13_000, "the BMS repeats its last frames"),
    entry(FaultKind::FlippedBits, "flipped-bits", 6_000, "bits are flipped on the line"),
    entry(FaultKind::LostBytes, "lost-bytes", 6_000, "bytes are lost on the line"),
    entry(FaultKind::Unplug, "unplug", 16_000, "the port disappears"),
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

    pub(crate) fn low_cell_share(&self) -> f64 {
        0.06 * self.share()
    }

    pub(crate) fn weak_cell_factor(&self) -> f64 {
        1.6 + 1.4 * self.share()
    }

    /// The share of bytes that the line damages.
    pub(crate) fn damage_share(&self) -> f64 {
        0.01 * self.share()
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
        assert_eq!(Fault::all().count(), 15);
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
