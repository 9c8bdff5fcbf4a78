//! What a value is: a quantity with a place.

use std::fmt;

use crate::quantity::Dimension;

/// The closed list of what a line can carry that this program understands.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, PartialOrd, Ord)]
pub enum Quantity {
    /// Voltage of one cell (of one parallel group).
    CellVoltage,
    /// Voltage of the whole pack as the BMS reports it.
    PackVoltage,
    /// Voltage on the load's side of the switch.
    BusVoltage,
    /// Pack current, discharge positive.
    Current,
    /// A temperature sensor.
    Temperature,
    /// State of charge.
    StateOfCharge,
    /// A word of status bits or an enumerated state.
    Status,
    /// Result of the BMS's own test of its sense leads.
    SenseLeadTest,
    /// Whether cells are being balanced.
    Balancing,
    /// A counter that goes up by one each frame.
    FrameCounter,
    /// The device's own clock.
    DeviceTime,
}

impl Quantity {
    /// All of them with the name that files use.
    pub const ALL: [(&'static str, Self); 11] = [
        ("cell voltage", Self::CellVoltage),
        ("pack voltage", Self::PackVoltage),
        ("bus voltage", Self::BusVoltage),
        ("current", Self::Current),
        ("temperature", Self::Temperature),
        ("state of charge", Self::StateOfCharge),
        ("status", Self::Status),
        ("sense lead test", Self::SenseLeadTest),
        ("balancing", Self::Balancing),
        ("frame counter", Self::FrameCounter),
        ("device time", Self::DeviceTime),
    ];

    /// The name that files use.
    pub fn name(self) -> &'static str {
        Self::ALL.iter().find(|(_, quantity)| *quantity == self).map_or("", |(name, _)| name)
    }

    /// What it measures.
    pub fn dimension(self) -> Dimension {
        match self {
            Self::CellVoltage | Self::PackVoltage | Self::BusVoltage => Dimension::Voltage,
            Self::Current => Dimension::Current,
            Self::Temperature => Dimension::Temperature,
            Self::StateOfCharge => Dimension::Share,
            Self::DeviceTime => Dimension::Time,
            Self::Status | Self::SenseLeadTest | Self::Balancing | Self::FrameCounter => Dimension::Number,
        }
    }

    /// Whether a pack has several of them, told apart by a place counted from 1.
    pub fn has_places(self) -> bool {
        matches!(self, Self::CellVoltage | Self::Temperature | Self::Status)
    }
}

/// A quantity with its place: cell voltage 7, temperature 2, pack current.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, PartialOrd, Ord)]
pub struct Channel {
    /// What is measured.
    pub quantity: Quantity,
    /// Which one, from 1; 0 where there is only one in a pack.
    pub place: u16,
}

impl Channel {
    /// A channel of a quantity that has places.
    pub fn at(quantity: Quantity, place: u16) -> Self {
        Self { quantity, place }
    }

    /// A channel of a quantity of the whole pack.
    pub fn whole(quantity: Quantity) -> Self {
        Self { quantity, place: 0 }
    }

    /// The name of its column in a CSV file, with the unit: `cell_01_v`, `temperature_02_c`, `current_a`.
    pub fn column_name(self) -> String {
        let unit = match self.quantity.dimension() {
            Dimension::Voltage => "_v",
            Dimension::Current => "_a",
            Dimension::Temperature => "_c",
            Dimension::Share => "_percent",
            Dimension::Time => "_s",
            _ => "",
        };
        let name = match self.quantity {
            Quantity::CellVoltage => "cell",
            other => other.name(),
        }
        .replace(' ', "_");
        if self.quantity.has_places() { format!("{name}_{:02}{unit}", self.place) } else { format!("{name}{unit}") }
    }
}

/// As a person says it: `cell 7`, `temperature 2`, `pack voltage`.
impl fmt::Display for Channel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.quantity {
            Quantity::CellVoltage => write!(f, "cell {}", self.place),
            quantity if quantity.has_places() => write!(f, "{} {}", quantity.name(), self.place),
            quantity => write!(f, "{}", quantity.name()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names() {
        assert_eq!(Channel::at(Quantity::CellVoltage, 1).column_name(), "cell_01_v");
        assert_eq!(Channel::at(Quantity::Temperature, 2).column_name(), "temperature_02_c");
        assert_eq!(Channel::whole(Quantity::Current).column_name(), "current_a");
        assert_eq!(Channel::whole(Quantity::StateOfCharge).column_name(), "state_of_charge_percent");
        assert_eq!(Channel::at(Quantity::CellVoltage, 12).to_string(), "cell 12");
        for (name, quantity) in Quantity::ALL {
            assert_eq!(quantity.name(), name);
        }
    }
}
