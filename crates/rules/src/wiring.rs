//! What is built around the cells, as far as the pack file says.

use model::Dimension;
use textfile::Table;

use crate::pack::positive;
use crate::spec;

/// A bus that comes to less than this share of the pack through the pre-charge resistor never counts as up, in percent.
const UP_PERCENT: i64 = 95;
/// Time constants of a pre-charge outside these are a slip of the pen, in seconds. Common practice, no source.
const SOUND_TIME: std::ops::RangeInclusive<f64> = 0.005..=30.0;

/// What is built around the cells. In billionths of the base unit; `None` where the file does not say.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Wiring {
    /// The pre-charge resistor, in billionths of an ohm.
    pub pre_charge_nanos: Option<i64>,
    /// All capacitors on the load's side of the switch together, in billionths of a farad.
    pub bus_capacitance_nanos: Option<i64>,
    /// What discharges the load's side once the switch is open, in billionths of an ohm.
    pub bleed_nanos: Option<i64>,
}

impl Wiring {
    pub(crate) fn read(root: Table<'_>) -> Self {
        let Some(table) = root.table("wiring", &spec::WIRING) else { return Self::default() };
        let wiring = Self {
            pre_charge_nanos: positive(table, "pre_charge", Dimension::Resistance),
            bus_capacitance_nanos: positive(table, "bus_capacitance", Dimension::Capacitance),
            bleed_nanos: positive(table, "bleed", Dimension::Resistance),
        };
        wiring.doubt(table);
        wiring
    }

    /// Values that are possible one by one, and not together.
    fn doubt(&self, table: Table<'_>) {
        let base = |nanos: Option<i64>| nanos.map(|nanos| nanos as f64 * 1e-9);
        let (resistor, farads) = (base(self.pre_charge_nanos), base(self.bus_capacitance_nanos));
        if let Some(seconds) = resistor.zip(farads).map(|(ohms, farads)| ohms * farads)
            && !SOUND_TIME.contains(&seconds)
        {
            table.warning(
                &table.span_of("bus_capacitance"),
                format!("with that resistor the pre-charge has a time constant of {seconds:.3} s"),
                "0.2 s to 1 s are usual: check both values and their units",
            );
        }
        if let (Some(resistor), Some(bleed)) = (self.pre_charge_nanos, self.bleed_nanos) {
            let share = i128::from(bleed) * 100 / (i128::from(bleed) + i128::from(resistor));
            if share < i128::from(UP_PERCENT) {
                table.warning(
                    &table.span_of("bleed"),
                    format!("through the pre-charge resistor the bus comes to {share} % of the pack with that"),
                    format!("a bus below {UP_PERCENT} % never counts as up: check both values and their units"),
                );
            }
        }
    }
}
