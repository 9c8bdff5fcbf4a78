//! What can be wrong, and where to put the hands once the switch is open.

use std::fmt;

use crate::check::Check;

/// A cause that a diagnosis can name.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, PartialOrd, Ord)]
pub enum Cause {
    /// A sense lead makes no contact, for good or now and then.
    OpenSenseLead,
    /// Two neighbouring sense leads are in the wrong order.
    SwappedSenseLeads,
    /// The protocol file scales the cells wrong.
    WrongScale,
    /// The line carries more or fewer cells than the pack has.
    WrongCellCount,
    /// The BMS sends the same values again and again.
    FrozenBms,
    /// A cell holds less charge than the others.
    LowCell,
    /// A cell holds more charge than the others.
    HighCell,
    /// A cell has a higher resistance than the others.
    WeakCell,
    /// A link or contact beside a cell has a resistance.
    LinkResistance,
    /// A cell or a link beside it has a resistance; which of the two, the readings do not tell.
    WeakCellOrLink,
    /// A cell loses charge by itself.
    SelfDischarge,
    /// The BMS is balancing a cell.
    BalancingActive,
    /// The BMS reads its cells one after another.
    CellsReadInTurn,
    /// A temperature sensor or its wire is open.
    SensorOpen,
    /// A temperature sensor or its wire is shorted.
    SensorShort,
    /// A temperature sensor always reads the same.
    SensorStuck,
    /// A place warms with no current.
    HeatingAtRest,
    /// The reported pack voltage is not the sum of the cells.
    PackSumOffset,
    /// A connector or lead in the main path has a resistance.
    ConnectorResistance,
    /// The current has the wrong sign.
    ReversedCurrent,
    /// The current reads something where nothing flows.
    CurrentOffset,
    /// Current flows between packs in parallel.
    Circulation,
    /// One of the two; which, the readings do not tell.
    OffsetOrCirculation,
    /// The load's side came up without a pre-charge.
    NoPreCharge,
    /// The switch closed before the pre-charge was complete.
    SlowPreCharge,
    /// The pre-charge stops below the pack's voltage.
    StuckPreCharge,
    /// The pre-charge is held back by a load that takes constant power.
    StalledPreCharge,
    /// The pre-charge is given up and tried again.
    PreChargeRetries,
    /// The load's side has voltage before the switch is closed.
    BusLiveEarly,
    /// The load's side does not fall after the switch was opened.
    WeldedContact,
    /// Frames are damaged while the bus is live or a load is on.
    Interference,
    /// Frames are damaged, whatever the pack does.
    DamagedLine,
    /// The line is open and nothing comes any more.
    SilentLine,
    /// The port is gone.
    Unplugged,
}

struct Entry {
    cause: Cause,
    name: &'static str,
    check: Check,
    look_at: &'static str,
}

const fn entry(cause: Cause, name: &'static str, check: Check, look_at: &'static str) -> Entry {
    Entry { cause, name, check, look_at }
}

/// In the order of their declaration. What to look at is common practice, no source.
const ENTRIES: [Entry; 34] = [
    entry(
        Cause::OpenSenseLead,
        "open sense lead",
        Check::SenseLeads,
        "unplug the sense connector and meter that pin against its neighbours; wiggle lead, crimp and tap",
    ),
    entry(
        Cause::SwappedSenseLeads,
        "swapped sense leads",
        Check::SenseLeads,
        "unplug the sense connector before anything else: its inputs may be damaged; meter the pins, they must ascend",
    ),
    entry(
        Cause::WrongScale,
        "wrong scale",
        Check::PossibleValues,
        "nothing on the pack: hold one cell's value against a meter, then mend the scale in the protocol file",
    ),
    entry(
        Cause::WrongCellCount,
        "wrong cell count",
        Check::AllCells,
        "count the cells in series, then mend the count in the protocol or pack file",
    ),
    entry(Cause::FrozenBms, "frozen BMS", Check::LiveValues, "power the BMS off and on again, with the switch open"),
    entry(
        Cause::LowCell,
        "low cell",
        Check::Deviation,
        "meter the cell at its tabs: if it is low there as well, charge it alone or replace it",
    ),
    entry(
        Cause::HighCell,
        "high cell",
        Check::Deviation,
        "meter the cell at its tabs: if it is high there as well, let it be balanced before the next charge",
    ),
    entry(
        Cause::WeakCell,
        "weak cell",
        Check::Deviation,
        "meter the cell and its links under a small load: if the drop is in the cell, replace it",
    ),
    entry(
        Cause::LinkResistance,
        "link resistance",
        Check::Deviation,
        "the link, weld or screw beside that cell: torque, corrosion, a cracked weld",
    ),
    entry(
        Cause::WeakCellOrLink,
        "weak cell or link",
        Check::Deviation,
        "meter the drop across the cell's tabs, then across the link beside it, under a small load",
    ),
    entry(
        Cause::SelfDischarge,
        "self-discharge",
        Check::Deviation,
        "leave the pack outdoors and watch that cell for an hour: it may have an inner short",
    ),
    entry(
        Cause::BalancingActive,
        "balancing active",
        Check::Deviation,
        "nothing: let the balancing end, then judge again",
    ),
    entry(
        Cause::CellsReadInTurn,
        "cells read one after another",
        Check::Spread,
        "nothing on the pack: write the scan time into the protocol file, and compare cells only while the current is steady",
    ),
    entry(
        Cause::SensorOpen,
        "temperature sensor open",
        Check::PossibleValues,
        "the sensor's plug and wire; its cells are not watched until it reads",
    ),
    entry(
        Cause::SensorShort,
        "temperature sensor short",
        Check::PossibleValues,
        "the sensor's wire, where it is squeezed or its insulation is gone",
    ),
    entry(
        Cause::SensorStuck,
        "temperature sensor stuck",
        Check::AllTemperatures,
        "warm the sensor by hand: if nothing moves, the BMS shows a substitute value",
    ),
    entry(
        Cause::HeatingAtRest,
        "heating at rest",
        Check::TemperatureRate,
        "keep away, outdoors, and watch: a cell that warms by itself can catch fire; a balancing resistor or the sun can do it too",
    ),
    entry(
        Cause::PackSumOffset,
        "pack sum offset",
        Check::PackSum,
        "meter the pack: either the sum of the cells or the pack voltage of the BMS is wrong",
    ),
    entry(
        Cause::ConnectorResistance,
        "connector resistance",
        Check::PackSum,
        "plugs, lugs, switch and fuse in the main path: crimp, torque, discolouration; feel for warmth only when it is dead",
    ),
    entry(
        Cause::ReversedCurrent,
        "reversed current sign",
        Check::CurrentAtRest,
        "the current sensor's direction, or the sign in the protocol file",
    ),
    entry(
        Cause::CurrentOffset,
        "current offset",
        Check::CurrentAtRest,
        "the zero of the current sensor; then whether anything draws past the open switch",
    ),
    entry(
        Cause::Circulation,
        "circulation",
        Check::CurrentAtRest,
        "part the packs and meter each: before they are joined they may differ by 0.5 V at the most",
    ),
    entry(
        Cause::OffsetOrCirculation,
        "current offset or circulation",
        Check::CurrentAtRest,
        "the zero of the current sensor; with packs in parallel part them and meter each",
    ),
    entry(
        Cause::NoPreCharge,
        "no pre-charge",
        Check::Bus,
        "the pre-charge resistor and what switches it: bridged, or the main contact closes first",
    ),
    entry(
        Cause::SlowPreCharge,
        "slow pre-charge",
        Check::Bus,
        "the pre-charge resistor's value, and how long the switch waits before it closes",
    ),
    entry(
        Cause::StuckPreCharge,
        "stuck pre-charge",
        Check::Bus,
        "what draws on the bus: a shorted capacitor, a wrong branch, a load that is on; discharge, then measure ohms",
    ),
    entry(
        Cause::StalledPreCharge,
        "stalled pre-charge",
        Check::Bus,
        "what starts by itself on the bus during the pre-charge: hold the electronics off until the switch has closed",
    ),
    entry(
        Cause::PreChargeRetries,
        "pre-charge retries",
        Check::Bus,
        "why the pre-charge is given up; let the resistor cool for a minute between tries",
    ),
    entry(
        Cause::BusLiveEarly,
        "bus live before closing",
        Check::Bus,
        "take the bus as live: meter it, then look for a welded contact, a bypass (the laptop as well) or charge left over",
    ),
    entry(
        Cause::WeldedContact,
        "welded contact",
        Check::Bus,
        "take the bus as live: unplug the pack from afar, meter the bus, then the switch",
    ),
    entry(
        Cause::Interference,
        "interference",
        Check::Link,
        "part the data line from the power leads, look at shield and ground; the line itself is sound without power",
    ),
    entry(
        Cause::DamagedLine,
        "damaged line",
        Check::Link,
        "plugs, ground and line rate of the data line; another cable",
    ),
    entry(Cause::SilentLine, "silent line", Check::Link, "the BMS's supply and its plug; it may be asleep"),
    entry(Cause::Unplugged, "unplugged", Check::Link, "the adapter and its plug"),
];

impl Cause {
    /// All of them.
    pub fn all() -> impl Iterator<Item = Self> {
        ENTRIES.iter().map(|entry| entry.cause)
    }

    /// The name that files and output use.
    pub fn name(self) -> &'static str {
        self.entry().name
    }

    /// What it is a case of, where the data tells only later which of several causes it is.
    pub(crate) fn family(self) -> Self {
        match self {
            Self::WeakCell | Self::LinkResistance => Self::WeakCellOrLink,
            Self::CurrentOffset | Self::Circulation => Self::OffsetOrCirculation,
            other => other,
        }
    }

    /// The check that it is about.
    pub fn check(self) -> Check {
        self.entry().check
    }

    /// What to look at with the switch open.
    pub fn look_at(self) -> &'static str {
        self.entry().look_at
    }

    fn entry(self) -> &'static Entry {
        // Every cause stands in the list, in order: a test says so.
        ENTRIES.get(self as usize).unwrap_or(&ENTRIES[0])
    }
}

impl fmt::Display for Cause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_cause_has_its_entry() {
        for (index, entry) in ENTRIES.iter().enumerate() {
            assert_eq!(entry.cause as usize, index, "{}", entry.name);
        }
        let mut names: Vec<_> = ENTRIES.iter().map(|entry| entry.name).collect();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), ENTRIES.len());
    }
}
