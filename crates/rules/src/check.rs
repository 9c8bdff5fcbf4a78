//! The checks that a verdict is made of.

use std::fmt;

/// One question that must be answered before a verdict can be go.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, PartialOrd, Ord)]
pub enum Check {
    /// Frames come, are sound, and the link was not lost.
    Link,
    /// Frames carry a checksum, so that damage can be seen.
    Checksum,
    /// Every message comes as often as it should.
    MessagePeriods,
    /// Times were measured, not assumed.
    MeasuredTimes,
    /// Somebody has confirmed what the protocol file says. Required only where it calls itself a draft.
    ConfirmedProtocol,
    /// Counters and values move.
    LiveValues,
    /// Every cell of the pack has a value.
    AllCells,
    /// Every temperature sensor of the pack has a value.
    AllTemperatures,
    /// No value is beyond what its sensor can read on a sound pack.
    PossibleValues,
    /// Cells below their upper limit.
    CellHigh,
    /// Cells above their lower limit.
    CellLow,
    /// Highest less lowest cell.
    Spread,
    /// Each cell against the pack's median.
    Deviation,
    /// Temperatures below their upper limit.
    TemperatureHigh,
    /// Temperatures above their lower limit.
    TemperatureLow,
    /// Warmest less coldest sensor.
    TemperatureSpread,
    /// How fast temperatures rise.
    TemperatureRate,
    /// The sum of the cells against an independent pack voltage.
    PackSum,
    /// No current flows at rest.
    CurrentAtRest,
    /// The load's side of the switch comes up and goes down as it should. Required only where the line tells its voltage.
    Bus,
    /// The BMS itself reports no fault.
    Status,
    /// The sense leads are intact, by the BMS's own test or by a hand reading.
    SenseLeads,
    /// What was checked by hand before power: nothing failed, and what the pack file requires was done.
    BeforePower,
}

impl Check {
    /// All of them, in the order in which a verdict lists them, with the name that files and output use.
    pub const ALL: [(&'static str, Self); 23] = [
        ("link", Self::Link),
        ("checksum", Self::Checksum),
        ("message periods", Self::MessagePeriods),
        ("measured times", Self::MeasuredTimes),
        ("confirmed protocol", Self::ConfirmedProtocol),
        ("live values", Self::LiveValues),
        ("all cells", Self::AllCells),
        ("all temperatures", Self::AllTemperatures),
        ("possible values", Self::PossibleValues),
        ("cell high", Self::CellHigh),
        ("cell low", Self::CellLow),
        ("spread", Self::Spread),
        ("deviation", Self::Deviation),
        ("temperature high", Self::TemperatureHigh),
        ("temperature low", Self::TemperatureLow),
        ("temperature spread", Self::TemperatureSpread),
        ("temperature rate", Self::TemperatureRate),
        ("pack sum", Self::PackSum),
        ("current at rest", Self::CurrentAtRest),
        ("bus", Self::Bus),
        ("status", Self::Status),
        ("sense leads", Self::SenseLeads),
        ("before power", Self::BeforePower),
    ];

    /// The name that files and output use.
    pub fn name(self) -> &'static str {
        Self::ALL.iter().find(|(_, check)| *check == self).map_or("", |(name, _)| name)
    }

    /// Whether a pack file can waive it. Without the others there is nothing to judge.
    pub fn can_be_waived(self) -> bool {
        !matches!(
            self,
            Self::Link
                | Self::MeasuredTimes
                | Self::ConfirmedProtocol
                | Self::LiveValues
                | Self::AllCells
                | Self::CellHigh
                | Self::CellLow
                | Self::BeforePower
        )
    }

    /// The check with this name.
    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.iter().find(|(known, _)| *known == name).map(|(_, check)| *check)
    }
}

impl fmt::Display for Check {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}
