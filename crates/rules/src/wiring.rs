//! What is built around the cells, as far as the pack file says.

use model::Dimension;
use textfile::Table;

use crate::estimates::copper;
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
    /// Between the cells and where the pack voltage is measured.
    pub pack_leads: Option<Leads>,
    /// From there to the bus.
    pub bus_leads: Option<Leads>,
}

/// Copper and contacts in series.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Leads {
    /// Length of the conductor, there and back, in billionths of a metre.
    pub length_nanos: i64,
    /// Its cross-section in billionths of a square millimetre.
    pub area_nanos: i64,
    /// Contacts in the way.
    pub contacts: u32,
    /// The resistance of each, in billionths of an ohm.
    pub contact_nanos: i64,
}

impl Leads {
    /// What they should have at this temperature in degC, in ohms; `None` where the numbers leave none.
    pub fn expected_ohms(&self, temperature: f64) -> Option<f64> {
        let base = |nanos: i64| nanos as f64 * 1e-9;
        let wiring = copper::Wiring {
            length: base(self.length_nanos),
            area: base(self.area_nanos),
            contacts: self.contacts,
            contact: base(self.contact_nanos),
        };
        wiring.expected(temperature)
    }

    fn read(root: Table<'_>, key: &str) -> Option<Self> {
        let table = root.table(key, &spec::LEADS)?;
        let length = positive(table, "length", Dimension::Length);
        let copper = positive(table, "copper", Dimension::Area);
        let gauge = table.integer("gauge", -3..=40);
        let area = match (copper, &gauge) {
            (Some(_), Some(gauge)) => {
                let hint = "keep the one that stands on the wire";
                table.fault_hint(&gauge.span, "both \"copper\" and \"gauge\" give the cross-section", hint);
                None
            }
            (Some(copper), None) => Some(copper),
            (None, Some(gauge)) => i32::try_from(gauge.value).ok().and_then(copper::gauge_area).map(nanos_of),
            (None, None) => {
                if !table.has("copper") && !table.has("gauge") {
                    let hint = "write for example copper = \"16 mm2\", or gauge = 6";
                    table.fault_hint(&table.span(), format!("{} need a cross-section", spec::LEADS.doc), hint);
                }
                None
            }
        };
        let contacts = table.integer("contacts", 0..=1000);
        let contact = positive(table, "contact", Dimension::Resistance);
        if let Some(contacts) = contacts.as_ref().filter(|contacts| 0 < contacts.value && !table.has("contact")) {
            let hint = "write for example contact = \"0.1 mohm\", from the maker's data or measured when new";
            table.fault_hint(&contacts.span, "contacts need the resistance of each", hint);
        }
        let contacts = contacts.map_or(Some(0), |contacts| u32::try_from(contacts.value).ok());
        Some(Self {
            length_nanos: length?,
            area_nanos: area?,
            contacts: contacts?,
            contact_nanos: contact.unwrap_or(0),
        })
    }
}

/// A number of base units in billionths.
fn nanos_of(base: f64) -> i64 {
    (base * 1e9).round() as i64
}

impl Wiring {
    pub(crate) fn read(root: Table<'_>) -> Self {
        let Some(table) = root.table("wiring", &spec::WIRING) else { return Self::default() };
        let wiring = Self {
            pre_charge_nanos: positive(table, "pre_charge", Dimension::Resistance),
            bus_capacitance_nanos: positive(table, "bus_capacitance", Dimension::Capacitance),
            bleed_nanos: positive(table, "bleed", Dimension::Resistance),
            pack_leads: Leads::read(table, "pack_leads"),
            bus_leads: Leads::read(table, "bus_leads"),
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
