//! The tables and keys of a pack file.

use model::Dimension;
use textfile::{Key, Kind, TableSpec};

/// The whole file.
pub static PACK: TableSpec = TableSpec {
    doc: "a pack file",
    keys: &[
        Key::required("pack", Kind::Text, "the pack's name"),
        Key::optional("summary", Kind::Text, "what it is, in one line"),
        Key::required("chemistry", Kind::Choice(&["NMC", "LCO", "LFP", "other"]), "the chemistry of the cells"),
        Key::required("cells", Kind::Integer, "cells in series"),
        Key::optional("parallel", Kind::Integer, "cells in parallel; 1 if left out"),
        Key::required("capacity", Kind::Amount(Dimension::Charge), "capacity of the pack"),
        Key::required("temperatures", Kind::Texts, "where each temperature sensor sits, in the order of its number"),
        Key::optional("resistance", Kind::Amount(Dimension::Resistance), "of one cell (of one parallel group)"),
        Key::optional("accuracy", Kind::Amount(Dimension::Voltage), "how well the BMS reads a cell; 5 mV if left out"),
        Key::optional(
            "balancing_current",
            Kind::Amount(Dimension::Current),
            "mean current by which the BMS balances a cell; for how long that takes",
        ),
        Key::optional("rest_current", Kind::Amount(Dimension::Current), "up to this the pack is at rest; 3 % of 1 C"),
        Key::optional("rest_after", Kind::Amount(Dimension::Time), "how long after a load it rests again; 30 s"),
        Key::optional("observe", Kind::Amount(Dimension::Time), "no verdict before this; 15 s if left out"),
        Key::optional("waivers", Kind::Table(&WAIVERS), "required checks that this pack can't have, with the reason"),
        Key::optional("wiring", Kind::Table(&WIRING), "what is built around the cells"),
        Key::optional("prepare", Kind::Table(&PREPARE), "what must be checked by hand before power"),
        Key::optional("limits", Kind::Table(&LIMITS), "limits that differ from the chemistry's"),
    ],
};

/// `[wiring]`
pub static WIRING: TableSpec = TableSpec {
    doc: "[wiring]",
    keys: &[
        Key::optional(
            "pre_charge",
            Kind::Amount(Dimension::Resistance),
            "the pre-charge resistor; a reading by hand is held against it, and the rise of the bus",
        ),
        Key::optional(
            "bus_capacitance",
            Kind::Amount(Dimension::Capacitance),
            "all capacitors on the load's side of the switch together",
        ),
        Key::optional(
            "bleed",
            Kind::Amount(Dimension::Resistance),
            "what discharges the load's side once the switch is open",
        ),
        Key::optional(
            "pack_leads",
            Kind::Table(&LEADS),
            "leads and contacts between the cells and where the pack voltage is measured",
        ),
        Key::optional("bus_leads", Kind::Table(&LEADS), "leads and contacts from there to the bus"),
    ],
};

/// `[wiring.pack_leads]` and `[wiring.bus_leads]`
pub static LEADS: TableSpec = TableSpec {
    doc: "leads",
    keys: &[
        Key::required("length", Kind::Amount(Dimension::Length), "of the copper conductor, there and back"),
        Key::optional("copper", Kind::Amount(Dimension::Area), "its cross-section"),
        Key::optional("gauge", Kind::Integer, "or its American wire gauge: 0 is 1/0, -3 is 4/0"),
        Key::optional(
            "contacts",
            Kind::Integer,
            "contacts in the way, two for each connector of both conductors; none if left out",
        ),
        Key::optional("contact", Kind::Amount(Dimension::Resistance), "the resistance of each contact"),
    ],
};

/// `[prepare]`
pub static PREPARE: TableSpec = TableSpec {
    doc: "[prepare]",
    keys: &[Key::optional(
        "required",
        Kind::Texts,
        "checks before power without which the answer is never go; none if left out",
    )],
};

/// `[waivers]`: keys are names of checks, values are reasons.
pub static WAIVERS: TableSpec = TableSpec { doc: "[waivers]", keys: &[] };

const LIMIT_DOC: &str = "warning, critical, deadband and delays";

/// `[limits]`
pub static LIMITS: TableSpec = TableSpec {
    doc: "[limits]",
    keys: &[
        Key::optional("cell_high", Kind::Table(&LIMIT), LIMIT_DOC),
        Key::optional("cell_low_rest", Kind::Table(&LIMIT), LIMIT_DOC),
        Key::optional("cell_low_load", Kind::Table(&LIMIT), LIMIT_DOC),
        Key::optional("spread_rest", Kind::Table(&LIMIT), LIMIT_DOC),
        Key::optional("spread_load", Kind::Table(&LIMIT), LIMIT_DOC),
        Key::optional("deviation_rest", Kind::Table(&LIMIT), LIMIT_DOC),
        Key::optional("deviation_load", Kind::Table(&LIMIT), LIMIT_DOC),
        Key::optional("temperature_high", Kind::Table(&LIMIT), LIMIT_DOC),
        Key::optional("temperature_low", Kind::Table(&LIMIT), LIMIT_DOC),
        Key::optional("temperature_spread_rest", Kind::Table(&LIMIT), LIMIT_DOC),
        Key::optional("temperature_spread_load", Kind::Table(&LIMIT), LIMIT_DOC),
        Key::optional("temperature_rate_rest", Kind::Table(&LIMIT), LIMIT_DOC),
        Key::optional("temperature_rate_load", Kind::Table(&LIMIT), LIMIT_DOC),
        Key::optional("pack_sum", Kind::Table(&LIMIT), LIMIT_DOC),
        Key::optional("current_rest", Kind::Table(&LIMIT), LIMIT_DOC),
    ],
};

/// One limit. Its amounts have the unit of what it limits.
pub static LIMIT: TableSpec = TableSpec {
    doc: "a limit",
    keys: &[
        Key::optional("warning", Kind::Any, "beyond this: worth a look"),
        Key::optional("critical", Kind::Any, "beyond this: the check fails"),
        Key::optional("deadband", Kind::Any, "how far a value must come back inside"),
        Key::optional("on_delay", Kind::Amount(Dimension::Time), "how long beyond before the alarm"),
        Key::optional("off_delay", Kind::Amount(Dimension::Time), "how long inside before it clears"),
    ],
};
