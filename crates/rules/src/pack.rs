//! The pack file: what this pack is and what it may do.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::Duration;

use model::{Amount, Dimension, Fault, HandItem, Level, closest};
use textfile::{At, Table};

use crate::check::Check;
use crate::chemistry::Chemistry;
use crate::limits::{KINDS, LimitKind, LimitName, LimitValues};
use crate::spec;
use crate::watch::amount;
use crate::wiring::Wiring;

/// A longer wait than this for a verdict, or between load and rest, is a slip of the pen.
const LONGEST_WAIT: Duration = Duration::from_secs(24 * 3600);

/// A verdict before this rests on next to nothing. Common practice, no source.
const SHORT_OBSERVATION: Duration = Duration::from_secs(5);
/// More than a tenth of the one-hour current is no rest. Common practice, no source.
const REST_SHARE: i64 = 10;
/// No BMS balances with more than a twentieth of the one-hour current. Common practice, no source.
const BALANCING_SHARE: i64 = 20;

/// A pack file that has been checked. Made only by [`Pack::parse`].
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Pack {
    text: Arc<str>,
    name: String,
    chemistry: Chemistry,
    cells: u16,
    parallel: u16,
    capacity_nanos: i64,
    temperatures: Vec<String>,
    resistance_nanos: i64,
    accuracy_nanos: i64,
    balancing_current_nanos: Option<i64>,
    rest_current_nanos: i64,
    rest_after: Duration,
    observe: Duration,
    waivers: BTreeMap<Check, String>,
    required_by_hand: BTreeSet<HandItem>,
    wiring: Wiring,
    /// Indexed as [`LimitName`].
    limits: [LimitValues; KINDS.len()],
}

impl Pack {
    /// Reads and checks the text of a pack file.
    ///
    /// The second value has every error and warning in the order of the text.
    /// The pack is there only if there is no error.
    pub fn parse(text: &str) -> (Option<Self>, Vec<Fault>) {
        let (pack, faults) = textfile::read(text, &spec::PACK, |root| read_pack(root, text));
        let sound = faults.iter().all(|fault| fault.level == Level::Warning);
        (pack.filter(|_| sound), faults)
    }

    /// The text that it was read from.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// The pack's name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The chemistry of its cells.
    pub fn chemistry(&self) -> Chemistry {
        self.chemistry
    }

    /// Cells in series.
    pub fn cells(&self) -> u16 {
        self.cells
    }

    /// Cells in parallel.
    pub fn parallel(&self) -> u16 {
        self.parallel
    }

    /// Billionths of an ampere-hour.
    pub fn capacity_nanos(&self) -> i64 {
        self.capacity_nanos
    }

    /// Where each temperature sensor sits; number 1 first.
    pub fn temperatures(&self) -> &[String] {
        &self.temperatures
    }

    /// Billionths of an ohm of one cell (of one parallel group).
    pub fn resistance_nanos(&self) -> i64 {
        self.resistance_nanos
    }

    /// How well the BMS reads a cell, in billionths of a volt.
    pub fn accuracy_nanos(&self) -> i64 {
        self.accuracy_nanos
    }

    /// The mean current by which the BMS balances a cell, in billionths of an ampere, where the file gives it.
    pub fn balancing_current_nanos(&self) -> Option<i64> {
        self.balancing_current_nanos
    }

    /// Up to this current the pack is at rest, in billionths of an ampere.
    pub fn rest_current_nanos(&self) -> i64 {
        self.rest_current_nanos
    }

    /// How long after a load it rests again.
    pub fn rest_after(&self) -> Duration {
        self.rest_after
    }

    /// The minimum observation time.
    pub fn observe(&self) -> Duration {
        self.observe
    }

    /// Required checks that this pack can't have, with the reason.
    pub fn waivers(&self) -> &BTreeMap<Check, String> {
        &self.waivers
    }

    /// Checks before power without which the answer is never go.
    pub fn required_by_hand(&self) -> &BTreeSet<HandItem> {
        &self.required_by_hand
    }

    /// The pre-charge resistor in billionths of an ohm, where the file gives it.
    pub fn pre_charge_nanos(&self) -> Option<i64> {
        self.wiring.pre_charge_nanos
    }

    /// What is built around the cells, as far as the file says.
    pub fn wiring(&self) -> &Wiring {
        &self.wiring
    }

    /// A limit; without a side where neither the chemistry nor the file gives one.
    pub fn limit(&self, name: LimitName) -> LimitValues {
        *self.limit_ref(name)
    }

    pub(crate) fn limit_ref(&self, name: LimitName) -> &LimitValues {
        const NONE: &LimitValues = &LimitValues::NONE;
        self.limits.get(name as usize).unwrap_or(NONE)
    }

    /// Where a limit comes from: what stands beside the default, or `pack file`.
    pub fn limit_source(&self, name: LimitName) -> &'static str {
        let defaults = self.chemistry().defaults(self.capacity_nanos());
        let default = defaults.iter().find(|default| default.name == name && default.values == self.limit(name));
        default.map_or("pack file", |default| default.source)
    }

    /// By how much a current, or a change of it, moves a cell, in billionths of a volt: its size times the resistance.
    pub(crate) fn drop_nanos(&self, current_nanos: i64) -> i64 {
        let (size, resistance) = (current_nanos.unsigned_abs(), self.resistance_nanos.unsigned_abs());
        // What any pack can have fits in 64 bits, and is divided without a call.
        match size.checked_mul(resistance) {
            Some(product) => i64::try_from(product / 1_000_000_000).unwrap_or(i64::MAX),
            None => i64::try_from(u128::from(size) * u128::from(resistance) / 1_000_000_000).unwrap_or(i64::MAX),
        }
    }

    /// The upper voltage of the pack at the critical cell limit, in billionths of a volt; `None` without that limit.
    pub fn highest_voltage_nanos(&self) -> Option<i64> {
        self.limit(LimitName::CellHigh).critical?.checked_mul(self.cells.into())
    }

    /// The deviation limit under a current, in billionths: the rest value plus 0.3 (warning) and 0.5 (critical) of
    /// current times resistance. Common practice, no source.
    pub fn deviation_load(&self, current_nanos: i64) -> LimitValues {
        let mut limit = self.limit(LimitName::DeviationLoad);
        let drop = self.drop_nanos(current_nanos);
        limit.warning = limit.warning.map(|warning| warning.saturating_add(drop / 10 * 3));
        limit.critical = limit.critical.map(|critical| critical.saturating_add(drop / 2));
        limit
    }
}

fn read_pack(root: Table<'_>, text: &str) -> Option<Pack> {
    let name = root.text("pack");
    let chemistry = root.choice("chemistry", &Chemistry::ALL);
    let cells = root.integer("cells", 1..=512);
    let parallel = root.integer("parallel", 1..=1000).map_or(1, |parallel| parallel.value);
    let capacity = positive(root, "capacity", Dimension::Charge);
    let temperatures = root.texts("temperatures");
    if temperatures.as_ref().is_some_and(|list| list.len() > 512) {
        root.fault(&root.span_of("temperatures"), "more than 512 sensors");
    }
    let resistance = positive(root, "resistance", Dimension::Resistance);
    let accuracy = positive(root, "accuracy", Dimension::Voltage).unwrap_or(5_000_000);
    let balancing_current = positive(root, "balancing_current", Dimension::Current);
    let rest_current = positive(root, "rest_current", Dimension::Current);
    let rest_after = wait(root, "rest_after", Duration::from_secs(30));
    let observe = wait(root, "observe", Duration::from_secs(15));
    if observe < SHORT_OBSERVATION {
        let hint = "sense leads float for seconds before they show, and BMS test themselves after seconds";
        root.warning(&root.span_of("observe"), "a verdict after so short a time is worth little", hint);
    }
    let waivers = read_waivers(root);
    let required_by_hand = read_prepare(root);
    let wiring = Wiring::read(root);
    let limits = match (chemistry.as_ref(), capacity) {
        (Some(chemistry), Some(capacity)) => read_limits(root, chemistry.value, capacity),
        // Still read, for its faults.
        _ => read_limits(root, Chemistry::Other, 0),
    };
    if let (Some(capacity), Some(rest)) = (capacity, rest_current)
        && capacity / REST_SHARE < rest
    {
        root.warning(
            &root.span_of("rest_current"),
            "more than a tenth of the one-hour current is no rest",
            "cells under load do not show what they show at rest",
        );
    }
    if let (Some(capacity), Some(balancing)) = (capacity, balancing_current)
        && capacity / BALANCING_SHARE < balancing
    {
        root.warning(
            &root.span_of("balancing_current"),
            "more than a twentieth of the one-hour current is no balancing",
            "it is the mean over time, of one cell: many a BMS has 50 mA to 200 mA",
        );
    }
    let capacity = capacity?;
    let chemistry = chemistry?.value;
    if chemistry == Chemistry::Other {
        for (kind, limit) in KINDS.iter().zip(&limits) {
            if limit.critical.is_none() {
                root.warning(
                    &root.span_of("chemistry"),
                    format!("no critical limit for {:?}", kind.key),
                    "an unknown chemistry has no defaults: without the limit the check has no data",
                );
            }
        }
    }
    Some(Pack {
        text: text.into(),
        name: name?.value.to_owned(),
        chemistry,
        cells: u16::try_from(cells?.value).ok()?,
        parallel: u16::try_from(parallel).ok()?,
        capacity_nanos: capacity,
        temperatures: temperatures?.iter().map(|place| place.value.to_owned()).collect(),
        // 60 mohm for one ampere-hour: common practice, no source.
        resistance_nanos: resistance.unwrap_or_else(|| {
            i64::try_from(60_000_000_i128 * 1_000_000_000 / i128::from(capacity.max(1))).unwrap_or(i64::MAX)
        }),
        accuracy_nanos: accuracy,
        balancing_current_nanos: balancing_current,
        rest_current_nanos: rest_current.unwrap_or(capacity / 100 * 3),
        rest_after,
        observe,
        waivers,
        required_by_hand,
        wiring,
        limits,
    })
}

pub(crate) fn positive(root: Table<'_>, key: &str, dimension: Dimension) -> Option<i64> {
    let amount = root.amount(key, dimension)?;
    if amount.value.nanos <= 0 {
        root.fault(&amount.span, format!("{key:?} must be more than zero"));
        return None;
    }
    Some(amount.value.nanos)
}

fn wait(root: Table<'_>, key: &str, default: Duration) -> Duration {
    let length = root.duration(key).unwrap_or(default);
    if length > LONGEST_WAIT {
        root.fault(&root.span_of(key), format!("{key:?} is longer than a day"));
    }
    length
}

fn read_waivers(root: Table<'_>) -> BTreeMap<Check, String> {
    let mut waivers = BTreeMap::new();
    let Some(table) = root.table("waivers", &spec::WAIVERS) else { return waivers };
    for (key, _) in table.entries() {
        let Some(check) = Check::parse(&key.value) else {
            let names = Check::ALL.iter().map(|(name, _)| *name);
            let hint = match closest(&key.value, names.clone()) {
                Some(name) => format!("did you mean {name:?}?"),
                None => format!("checks: {}", names.collect::<Vec<_>>().join(", ")),
            };
            table.fault_hint(&key.span, format!("no check is called {:?}", key.value), hint);
            continue;
        };
        let Some(reason) = table.text(&key.value) else { continue };
        if !check.can_be_waived() {
            let hint = match check {
                Check::BeforePower => "nothing is required that [prepare] does not list",
                Check::ConfirmedProtocol => "it is asked only of a protocol file that calls itself a draft",
                _ => "without it no verdict means anything",
            };
            table.fault_hint(&key.span, format!("{check} can't be waived"), hint);
        }
        if reason.value.trim().len() < 10 {
            table.fault_hint(
                &reason.span,
                "a waiver needs its reason",
                "say why this pack can't have the check and what was done instead; it is printed with the verdict",
            );
        }
        if check == Check::SenseLeads {
            table.warning(
                &key.span,
                format!("{check} is waived: nothing else finds that fault"),
                "a hand reading is better evidence than a waiver",
            );
        }
        waivers.insert(check, reason.value.to_owned());
    }
    waivers
}

fn read_prepare(root: Table<'_>) -> BTreeSet<HandItem> {
    let mut required = BTreeSet::new();
    let Some(table) = root.table("prepare", &spec::PREPARE) else { return required };
    for key in table.texts("required").unwrap_or_default() {
        match HandItem::parse(key.value) {
            Some(item) => {
                required.insert(item);
            }
            None => {
                let keys = HandItem::all().map(HandItem::key);
                let hint = match closest(key.value, keys.clone()) {
                    Some(key) => format!("did you mean {key:?}?"),
                    None => format!("checks before power: {}", keys.collect::<Vec<_>>().join(", ")),
                };
                table.fault_hint(&key.span, format!("no check before power is called {:?}", key.value), hint);
            }
        }
    }
    required
}

fn read_limits(root: Table<'_>, chemistry: Chemistry, capacity: i64) -> [LimitValues; KINDS.len()] {
    let mut limits = [LimitValues::NONE; KINDS.len()];
    for default in chemistry.defaults(capacity) {
        if let Some(limit) = limits.get_mut(default.name as usize) {
            *limit = default.values;
        }
    }
    let Some(table) = root.table("limits", &spec::LIMITS) else { return limits };
    for (kind, limit) in KINDS.iter().zip(&mut limits) {
        if let Some(given) = table.table(kind.key, &spec::LIMIT) {
            read_limit(given, kind, chemistry, limit);
        }
    }
    limits
}

fn read_limit(table: Table<'_>, kind: &LimitKind, chemistry: Chemistry, limit: &mut LimitValues) {
    if let Some(warning) = side(table, "warning", kind) {
        limit.warning = Some(warning.value.nanos);
    }
    if let Some(critical) = side(table, "critical", kind) {
        // An absolute limit that is looser than the chemistry's may be right, but it should not happen by a slip.
        let looser = |default: i64| {
            if kind.lower { critical.value.nanos < default } else { default < critical.value.nanos }
        };
        let absolute = matches!(kind.check, Check::CellHigh | Check::CellLow | Check::TemperatureHigh);
        if absolute && limit.critical.is_some_and(looser) {
            let default = limit.critical.map_or(String::new(), |default| amount(kind.check, kind.dimension, default));
            table.warning(
                &critical.span,
                format!("{} is looser than the {default} of {}", kind.key, chemistry.name()),
                "make sure that the maker of the cells allows it",
            );
        }
        limit.critical = Some(critical.value.nanos);
    }
    if let Some(deadband) = table.amount("deadband", kind.dimension) {
        limit.deadband = deadband.value.nanos;
        if deadband.value.nanos < 0 {
            table.fault_hint(&deadband.span, "a deadband can't be negative", "a difference of temperatures is in degC");
        }
    }
    if let Some(delay) = table.duration("on_delay") {
        limit.on_delay = delay;
        if delay > Duration::from_secs(600) {
            table.fault(&table.span_of("on_delay"), "an alarm can't wait longer than ten minutes");
        } else if delay > Duration::from_secs(1) && matches!(kind.check, Check::CellHigh | Check::CellLow) {
            table.warning(
                &table.span_of("on_delay"),
                "an absolute cell limit should not wait longer than a second",
                "a cell beyond its limit is damaged while the alarm waits",
            );
        }
    }
    if let Some(delay) = table.duration("off_delay") {
        limit.off_delay = delay;
    }
    if let (Some(warning), Some(critical)) = (limit.warning, limit.critical) {
        let crossed = if kind.lower { warning < critical } else { critical < warning };
        if crossed {
            let span = if table.has("warning") { table.span_of("warning") } else { table.span_of("critical") };
            let order = if kind.lower { "below" } else { "above" };
            table.fault_hint(
                &span,
                format!("the critical side of {} must lie {order} the warning side", kind.key),
                "check both values and their units",
            );
        }
    }
}

/// One side of a limit. A limit on a difference or a size can't be negative.
fn side(table: Table<'_>, key: &str, kind: &LimitKind) -> Option<At<Amount>> {
    let amount = table.amount(key, kind.dimension)?;
    let signed =
        matches!(kind.check, Check::CellHigh | Check::CellLow | Check::TemperatureHigh | Check::TemperatureLow);
    if !signed && amount.value.nanos < 0 {
        table.fault_hint(
            &amount.span,
            format!("{} can't be negative", kind.key),
            "it limits the size of a difference; one of temperatures is in degC",
        );
        return None;
    }
    Some(amount)
}
