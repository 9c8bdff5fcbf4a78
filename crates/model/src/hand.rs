//! What a person reads and checks by hand, before power and after: a closed list of items, and what was found.

use crate::quantity::{Amount, Dimension};

/// One thing to check by hand, in the order in which they are done.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, PartialOrd, Ord)]
pub enum HandItem {
    /// No propeller on any motor.
    PropsOff,
    /// Somebody else is there.
    Helper,
    /// A plan for a lithium fire.
    FirePlan,
    /// A way to disconnect within reach.
    Disconnect,
    /// The right fuse.
    Fuse,
    /// Insulated tools.
    Tools,
    /// The laptop does not join two grounds.
    Adapter,
    /// Connectors locked and pull-tested.
    Connectors,
    /// Torque marks.
    Torque,
    /// Power and data lines apart, nothing chafes.
    LinesApart,
    /// Polarity at the pack.
    PackPolarity,
    /// Polarity at every branch to a speed controller.
    BranchPolarity,
    /// Sense pins ascending.
    SensePins,
    /// Pack voltage by meter.
    PackVoltage,
    /// Insulation from plus to the frame.
    InsulationPlus,
    /// Insulation from minus to the frame.
    InsulationMinus,
    /// The open switch does not conduct.
    OpenSwitch,
    /// The bus holds no charge.
    BusDischarged,
    /// The bus is not shorted.
    BusShort,
    /// The pre-charge resistor.
    PreCharge,
    /// Temperature of the air.
    Ambient,
    /// How long the pack has lain there.
    Soak,
    /// Temperatures even.
    Temperatures,
    /// The first rise of the bus comes from a current-limited supply.
    LimitedSupply,
}

/// Where an item belongs in the work.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, PartialOrd, Ord)]
pub enum HandGroup {
    /// People and the place.
    Place,
    /// What eyes and hands tell of the wiring.
    Wiring,
    /// What a meter tells, the switch open.
    Meter,
    /// Temperatures, and the first rise.
    Last,
}

impl HandGroup {
    /// A heading.
    pub fn title(self) -> &'static str {
        match self {
            Self::Place => "You and the place",
            Self::Wiring => "Wiring, by eye and hand",
            Self::Meter => "By meter, the switch open",
            Self::Last => "Temperatures and the first rise",
        }
    }
}

struct About {
    item: HandItem,
    key: &'static str,
    name: &'static str,
    group: HandGroup,
    to_do: &'static str,
    protects_from: &'static str,
    measured: Measured,
}

/// Whether an item has a value, and of which kinds.
#[derive(Clone, Copy)]
enum Measured {
    No,
    /// A value can be given.
    May(&'static [Dimension]),
    /// Without a value it is not done.
    Must(&'static [Dimension]),
}

const VOLTS: &[Dimension] = &[Dimension::Voltage];
const OHMS: &[Dimension] = &[Dimension::Resistance];
const DEGREES: &[Dimension] = &[Dimension::Temperature];

const fn about(
    item: HandItem,
    key: &'static str,
    name: &'static str,
    group: HandGroup,
    measured: Measured,
    to_do: &'static str,
    protects_from: &'static str,
) -> About {
    About { item, key, name, group, to_do, protects_from, measured }
}

/// The table that everything about an item stands on. The work and its order: common practice, no source.
const ABOUT: [About; 24] = {
    use HandGroup::{Last, Meter, Place, Wiring};
    use HandItem as Item;
    use Measured::{May, Must, No};
    [
        about(
            Item::PropsOff,
            "props-off",
            "props off",
            Place,
            No,
            "Take every propeller off.",
            "a motor that starts by a fault cuts what is near",
        ),
        about(
            Item::Helper,
            "helper",
            "helper",
            Place,
            No,
            "Have somebody with you who knows how to disconnect, and whom to call.",
            "whoever is hurt by current can't help themselves",
        ),
        about(
            Item::FirePlan,
            "fire-plan",
            "fire plan",
            Place,
            No,
            "Say aloud what you do with a lithium fire: the way out, sand or water at hand, nothing that burns near.",
            "a cell in thermal runaway leaves no time to think",
        ),
        about(
            Item::Disconnect,
            "disconnect",
            "disconnect within reach",
            Place,
            No,
            "Put a way to disconnect where you stand, and one that works from afar.",
            "a switch that welds shut, and smoke that nobody may walk into",
        ),
        about(
            Item::Fuse,
            "fuse",
            "right fuse",
            Place,
            No,
            "Read the fuse: its current, and a DC rating above the pack's voltage.",
            "a fuse for a lower voltage goes on as an arc",
        ),
        about(
            Item::Tools,
            "tools",
            "insulated tools",
            Place,
            No,
            "Lay out insulated tools only; rings and watch off.",
            "a slipped spanner carries kiloamperes",
        ),
        about(
            Item::Adapter,
            "adapter",
            "isolated adapter",
            Place,
            No,
            "Use an isolated adapter rated above the pack's voltage, or run the laptop on its battery.",
            "a grounded laptop joins the circuit and can bypass the switch",
        ),
        about(
            Item::Connectors,
            "connectors",
            "connectors locked",
            Wiring,
            No,
            "Close every lock; pull each crimp with the force its maker names.",
            "a contact that opens under load burns",
        ),
        about(
            Item::Torque,
            "torque",
            "torque marks",
            Wiring,
            No,
            "Tighten to the maker's value and draw a line across nut and bolt.",
            "a loose busbar heats, and wrenches the cell's terminal",
        ),
        about(
            Item::LinesApart,
            "lines-apart",
            "lines apart",
            Wiring,
            No,
            "Lead power and data lines apart; look at every edge that could chafe through a jacket.",
            "interference on the data line, and a short to the frame after an hour of shaking",
        ),
        about(
            Item::PackPolarity,
            "pack-polarity",
            "polarity at the pack",
            Meter,
            May(VOLTS),
            "Meter the pack's plug: red lead on plus. The reading must be positive.",
            "reversed polarity destroys every controller in an instant",
        ),
        about(
            Item::BranchPolarity,
            "branch-polarity",
            "polarity at every branch",
            Meter,
            No,
            "Follow plus and minus with the meter to the plug of every speed controller.",
            "one branch the wrong way round is a dead short",
        ),
        about(
            Item::SensePins,
            "sense-pins",
            "sense pins ascending",
            Meter,
            No,
            "Meter the unplugged sense plug pin by pin, ascending: each step is one cell. Wiggle each lead.",
            "swapped leads destroy inputs before a byte comes; an open one can be invisible later",
        ),
        about(
            Item::PackVoltage,
            "pack-voltage",
            "pack voltage by meter",
            Meter,
            Must(VOLTS),
            "Meter the pack at its terminals, within the minute before you start watching.",
            "a BMS that adds up wrong: only a second instrument shows it",
        ),
        about(
            Item::InsulationPlus,
            "insulation-plus",
            "insulation, plus to frame",
            Meter,
            Must(OHMS),
            "Electronics unplugged: insulation tester from the pack's plus to the bare frame.",
            "the frame becomes live, and the second fault is a short",
        ),
        about(
            Item::InsulationMinus,
            "insulation-minus",
            "insulation, minus to frame",
            Meter,
            Must(OHMS),
            "The same from the pack's minus to the bare frame.",
            "the frame becomes live, and the second fault is a short",
        ),
        about(
            Item::OpenSwitch,
            "open-switch",
            "open switch",
            Meter,
            Must(&[Dimension::Resistance, Dimension::Voltage]),
            "With the bus discharged, ohms across the open switch; better: the volts behind it, across 10 kohm.",
            "a switch that is welded or leaks is no switch",
        ),
        about(
            Item::BusDischarged,
            "bus-discharged",
            "bus discharged",
            Meter,
            Must(VOLTS),
            "Meter the bus, the switch open.",
            "charge left in the capacitors bites, and hides a welded switch",
        ),
        about(
            Item::BusShort,
            "bus-short",
            "bus not shorted",
            Meter,
            May(OHMS),
            "Ohms across the bus: they must climb as the capacitors charge, not stay near zero.",
            "closing the switch onto a short",
        ),
        about(
            Item::PreCharge,
            "pre-charge",
            "pre-charge resistor",
            Meter,
            May(OHMS),
            "Meter the pre-charge resistor.",
            "an open one lets the contacts weld at the first closing",
        ),
        about(
            Item::Ambient,
            "ambient",
            "ambient temperature",
            Last,
            Must(DEGREES),
            "Read the temperature of the air beside the pack.",
            "cold cells sag like weak ones, and must not be charged below 0 degC",
        ),
        about(
            Item::Soak,
            "soak",
            "soak time",
            Last,
            Must(&[Dimension::Time]),
            "How long has the pack lain there, without load?",
            "heat left in the core passes for a fault, or hides one",
        ),
        about(
            Item::Temperatures,
            "temperatures",
            "temperatures even",
            Last,
            Must(DEGREES),
            "The largest difference between any two places of the pack, and to the air.",
            "a cell that heats at rest, a sensor that lies",
        ),
        about(
            Item::LimitedSupply,
            "limited-supply",
            "current-limited first rise",
            Last,
            No,
            "Raise the bus for the first time from a current-limited supply, not from the pack.",
            "a wiring fault meets amperes in place of kiloamperes",
        ),
    ]
};

impl HandItem {
    /// How many there are.
    pub const COUNT: usize = ABOUT.len();

    /// All of them, in the order in which they are done.
    pub fn all() -> impl ExactSizeIterator<Item = Self> + Clone {
        ABOUT.iter().map(|about| about.item)
    }

    fn about(self) -> &'static About {
        // The table has every item at its own place; a test holds it to that.
        ABOUT.get(self as usize).unwrap_or(&ABOUT[0])
    }

    /// The item with this key word.
    pub fn parse(key: &str) -> Option<Self> {
        ABOUT.iter().find(|about| about.key == key).map(|about| about.item)
    }

    /// The key word in files and on the command line.
    pub fn key(self) -> &'static str {
        self.about().key
    }

    /// The name in output.
    pub fn name(self) -> &'static str {
        self.about().name
    }

    /// Where it belongs in the work.
    pub fn group(self) -> HandGroup {
        self.about().group
    }

    /// What to do, in a sentence.
    pub fn to_do(self) -> &'static str {
        self.about().to_do
    }

    /// What goes wrong without it.
    pub fn protects_from(self) -> &'static str {
        self.about().protects_from
    }

    /// What can be measured for it; empty where only eyes and hands tell.
    pub fn dimensions(self) -> &'static [Dimension] {
        match self.about().measured {
            Measured::No => &[],
            Measured::May(dimensions) | Measured::Must(dimensions) => dimensions,
        }
    }

    /// Whether it is done only with a value.
    pub fn needs_value(self) -> bool {
        matches!(self.about().measured, Measured::Must(_))
    }

    /// A value of it that makes a good example; empty where nothing is measured.
    pub fn example(self) -> &'static str {
        match (self, self.dimensions()) {
            (Self::InsulationPlus | Self::InsulationMinus | Self::OpenSwitch, _) => "2.1 Mohm",
            (Self::PackVoltage | Self::PackPolarity, _) => "92.41 V",
            (Self::Temperatures, _) => "1.5 degC",
            (_, [Dimension::Voltage, ..]) => "0.4 V",
            (_, [Dimension::Resistance, ..]) => "100 ohm",
            (_, [Dimension::Temperature, ..]) => "18 degC",
            (_, [Dimension::Time, ..]) => "8 h",
            _ => "",
        }
    }

    /// Reads a value of it as a person writes it, such as `2.1 Mohm`.
    ///
    /// # Errors
    /// In words, with an example: no amount, or one that is not measured here.
    pub fn parse_value(self, text: &str) -> Result<Amount, String> {
        let example = self.example();
        let Some(first) = self.dimensions().first() else {
            return Err(format!("nothing is measured for {}: it passed or it failed", self.name()));
        };
        let amount = Amount::parse(text.trim()).map_err(|error| format!("{error}; write for example {example}"))?;
        if !self.takes(amount.dimension) {
            let (found, wanted) = (amount.dimension.name(), first.name());
            return Err(format!("that is a {found}, {} needs a {wanted}, such as {example}", self.name()));
        }
        Ok(amount)
    }

    /// Whether a value of this dimension can belong to it.
    pub fn takes(self, dimension: Dimension) -> bool {
        self.dimensions().contains(&dimension)
    }
}

/// What the person found.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, PartialOrd, Ord)]
pub enum HandOutcome {
    /// Not done, or an entry that is taken back.
    NotDone,
    /// The person found nothing wrong. A value is still held against its limit.
    Passed,
    /// The person found something wrong, whatever the value says.
    Failed,
}

impl HandOutcome {
    /// The words in files and output.
    pub fn name(self) -> &'static str {
        match self {
            Self::NotDone => "not done",
            Self::Passed => "passed",
            Self::Failed => "failed",
        }
    }

    /// The outcome with this name.
    pub fn parse(name: &str) -> Option<Self> {
        [Self::NotDone, Self::Passed, Self::Failed].into_iter().find(|outcome| outcome.name() == name)
    }
}

/// A reading or check by hand, as it was entered. The newest of an item counts.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct HandReading {
    /// Of what.
    pub item: HandItem,
    /// What the person found.
    pub outcome: HandOutcome,
    /// What was measured, in one of the item's dimensions.
    pub value: Option<Amount>,
    /// The instrument, in the person's words.
    pub instrument: String,
    /// What the person adds; may be empty.
    pub remark: String,
    /// How long before it was entered it was taken, in whole seconds: 0 for at once.
    pub age_seconds: u32,
}

impl HandReading {
    /// An item that was looked at, without a value.
    pub fn found(item: HandItem, outcome: HandOutcome, instrument: impl Into<String>) -> Self {
        Self { item, outcome, value: None, instrument: instrument.into(), remark: String::new(), age_seconds: 0 }
    }

    /// A value that was read; its limit decides.
    pub fn measured(item: HandItem, value: Amount, instrument: impl Into<String>) -> Self {
        Self { value: Some(value), ..Self::found(item, HandOutcome::Passed, instrument) }
    }

    /// The pack voltage by meter, in billionths of a volt.
    pub fn pack_voltage(nanovolts: i64, instrument: impl Into<String>) -> Self {
        let value = Amount { dimension: Dimension::Voltage, nanos: nanovolts };
        Self::measured(HandItem::PackVoltage, value, instrument)
    }

    /// Whether every sense pin, metered in ascending order and wiggled, was right.
    pub fn sense_pins(passed: bool, instrument: impl Into<String>) -> Self {
        let outcome = if passed { HandOutcome::Passed } else { HandOutcome::Failed };
        Self::found(HandItem::SensePins, outcome, instrument)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_item_stands_at_its_own_place_with_a_key_of_its_own() {
        for (index, item) in HandItem::all().enumerate() {
            assert_eq!(item as usize, index, "{item:?}");
            assert_eq!(HandItem::parse(item.key()), Some(item));
            assert!(item.key().bytes().all(|byte| byte == b'-' || byte.is_ascii_lowercase()), "{}", item.key());
            assert!(item.to_do().ends_with(['.', '?']), "{}: a sentence", item.key());
            let measured = !item.dimensions().is_empty();
            assert!(measured || !item.needs_value(), "{}", item.key());
            assert_eq!(item.parse_value(item.example()).is_ok(), measured, "{}: its example is read", item.key());
        }
        assert_eq!(HandItem::LimitedSupply as usize + 1, HandItem::COUNT);
        let groups: Vec<HandGroup> = HandItem::all().map(HandItem::group).collect();
        assert!(groups.is_sorted(), "the items of a group stand together");
        assert_eq!(HandItem::parse("sense leads"), None);
    }

    #[test]
    fn a_value_is_read_with_its_unit_or_refused_in_words() {
        let item = HandItem::OpenSwitch;
        assert_eq!(item.parse_value(" 0.2V "), Ok(Amount { dimension: Dimension::Voltage, nanos: 200_000_000 }));
        for (item, text, refusal) in [
            (item, "3", "the unit is missing; write for example 2.1 Mohm"),
            (item, "3 h", "that is a time, open switch needs a resistance, such as 2.1 Mohm"),
            (item, "10 Gohm", "too large, or finer than a billionth of the base unit; write for example 2.1 Mohm"),
            (HandItem::Fuse, "3 A", "nothing is measured for right fuse: it passed or it failed"),
        ] {
            assert_eq!(item.parse_value(text), Err(refusal.to_owned()));
        }
    }
}
