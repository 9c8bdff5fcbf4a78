//! Checks before power: what a reading by hand means for this pack.

use std::collections::BTreeMap;

use model::{Amount, Dimension, HandItem, HandOutcome, HandReading, SessionTime, format_nanos_exact};

use crate::pack::Pack;

/// The least insulation of a DC bus, in ohm for each volt: UN Regulation No. 100, 5.1.3.1.
const INSULATION_LEAST: i64 = 100;
/// The least where DC and AC circuits are joined, as the motors' are, in ohm for each volt: UN Regulation No. 100, 5.1.3.2.
const INSULATION_SOUND: i64 = 500;
/// A dry new build has more than this, in billionths of an ohm. Common practice, no source.
const INSULATION_DRY: i64 = 1_000_000_000_000_000;
/// An open switch has at least this, in billionths of an ohm. Common practice, no source.
const SWITCH_OPEN: i64 = 1_000_000_000_000_000;
/// At most this stands behind an open switch across 10 kohm, in billionths of a volt. Common practice, no source.
const SWITCH_LEAK: i64 = 1_000_000_000;
/// At most this is a discharged bus, in billionths of a volt. Common practice, no source.
const BUS_DISCHARGED: i64 = 5_000_000_000;
/// The pre-charge resistor is right within one part in so many. Common practice, no source.
const RESISTOR_SHARE: i64 = 10;
/// Temperatures of a pack that has lain still differ by at most this, in billionths of a degree. Common practice, no source.
const TEMPERATURES_EVEN: i64 = 3_000_000_000;
/// After so long temperatures are even, in billionths of a second. Common practice, no source.
const SOAKED: i64 = 6 * 3_600_000_000_000;

/// How an item stands.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, PartialOrd, Ord)]
pub enum HandResult {
    /// Not done, or not in a way that tells anything.
    NotDone,
    /// Done, and nothing is wrong.
    Passed,
    /// Done; worth a look.
    Warning,
    /// Done, and wrong: no-go.
    Failed,
}

impl HandResult {
    /// The words in output.
    pub fn name(self) -> &'static str {
        match self {
            Self::NotDone => "not done",
            Self::Passed => "passed",
            Self::Warning => "look into it",
            Self::Failed => "failed",
        }
    }
}

/// What an entry means.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Judged {
    /// How the item stands.
    pub result: HandResult,
    /// The value against its limit, in words.
    pub why: String,
}

/// One item as it stands.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct HandLine {
    /// The item.
    pub item: HandItem,
    /// Whether the pack file lists it as required.
    pub required: bool,
    /// The limit for this pack in words; `None` where only the person decides.
    pub limit: Option<String>,
    /// The newest entry, and when it was entered.
    pub entry: Option<(SessionTime, HandReading)>,
    /// What it means.
    pub judged: Judged,
    /// An earlier failure that holds for the session, whatever was entered after it.
    pub latched: bool,
}

/// The newest entry of each item.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Prepared(BTreeMap<HandItem, (SessionTime, HandReading)>);

impl Prepared {
    /// Takes an entry; it replaces the one before.
    pub fn enter(&mut self, at: SessionTime, reading: HandReading) {
        self.0.insert(reading.item, (at, reading));
    }

    /// The newest entry of an item.
    pub fn entry(&self, item: HandItem) -> Option<&(SessionTime, HandReading)> {
        self.0.get(&item)
    }

    /// How an item stands.
    pub fn judged(&self, item: HandItem, pack: &Pack) -> Judged {
        match self.entry(item) {
            Some((_, reading)) => judge(reading, pack),
            None => not_done(),
        }
    }

    /// Every item as it stands, in the order in which they are done. `latched`: failures that hold for the session.
    pub fn lines(&self, pack: &Pack, latched: impl Fn(HandItem) -> bool) -> Vec<HandLine> {
        let line = |item| HandLine {
            item,
            required: pack.required_by_hand().contains(&item),
            limit: limit(item, pack),
            entry: self.entry(item).cloned(),
            judged: self.judged(item, pack),
            latched: latched(item),
        };
        HandItem::all().map(line).collect()
    }

    /// The first required item that tells nothing, and why; else how many are required.
    pub(crate) fn required(&self, pack: &Pack) -> std::result::Result<usize, String> {
        let required = pack.required_by_hand();
        let judged = |item: &HandItem| (*item, self.judged(*item, pack));
        let missing: Vec<_> =
            required.iter().map(judged).filter(|(_, judged)| judged.result == HandResult::NotDone).collect();
        match missing.as_slice() {
            [] => Ok(required.len()),
            [(item, judged)] => Err(format!("{}: {}", item.name(), judged.why)),
            [(item, judged), more @ ..] => Err(format!("{}: {}, and {} more", item.name(), judged.why, more.len())),
        }
    }

    /// One short line about what was not done; `None` if all was.
    pub(crate) fn untested(&self, pack: &Pack) -> Option<String> {
        let missing = |item: &HandItem| self.judged(*item, pack).result == HandResult::NotDone;
        let names: Vec<&str> = HandItem::all().filter(missing).map(HandItem::name).collect();
        let named = |shown: &[&str]| {
            let more = names.len() - shown.len();
            let tail = if more == 0 { String::new() } else { format!(" and {more} more") };
            let (count, all) = (names.len(), HandItem::COUNT);
            format!("{count} of {all} checks before power not done: {}{tail}", shown.join(", "))
        };
        match names.as_slice() {
            [] => None,
            [one, two, three, _, _, ..] => Some(named(&[one, two, three])),
            few => Some(named(few)),
        }
    }
}

fn not_done() -> Judged {
    Judged { result: HandResult::NotDone, why: "not done".to_owned() }
}

/// What an entry means for this pack: the worse of what the person found and what its value says.
///
/// A value exactly at its limit is allowed. An item that needs a value and has none is not done, whatever the person says.
pub fn judge(reading: &HandReading, pack: &Pack) -> Judged {
    let item = reading.item;
    let value = reading.value.filter(|value| item.takes(value.dimension));
    match reading.outcome {
        HandOutcome::NotDone => not_done(),
        HandOutcome::Failed => {
            let why = value.map_or_else(|| "failed".to_owned(), |value| format!("{}, failed", amount(value)));
            Judged { result: HandResult::Failed, why }
        }
        HandOutcome::Passed => match value {
            Some(value) => {
                let (result, why) = against_limit(item, value, pack);
                let why = if why.is_empty() { amount(value) } else { format!("{}, {why}", amount(value)) };
                Judged { result, why }
            }
            None if needs_value(item, pack) => {
                Judged { result: HandResult::NotDone, why: "its value is missing".to_owned() }
            }
            None => Judged { result: HandResult::Passed, why: "passed".to_owned() },
        },
    }
}

/// Whether the item is done only with a value: always, or because the pack file has something to hold it against.
pub fn needs_value(item: HandItem, pack: &Pack) -> bool {
    item.needs_value() || (item == HandItem::PreCharge && pack.pre_charge_nanos().is_some())
}

/// The limit of an item for this pack, in words; `None` where only the person decides.
pub fn limit(item: HandItem, pack: &Pack) -> Option<String> {
    let words = match item {
        HandItem::PackPolarity => "above 0 V".to_owned(),
        HandItem::PackVoltage => {
            let within = "within the pack-sum limit of the sum of the cells, once they come";
            match pack.highest_voltage_nanos() {
                Some(highest) => format!("at most {}, and {within}", volts(highest)),
                None => format!("above 0 V, and {within}"),
            }
        }
        HandItem::InsulationPlus | HandItem::InsulationMinus => match pack.highest_voltage_nanos() {
            Some(highest) => format!(
                "at least {}: {} x {INSULATION_SOUND} ohm/V; a dry new build has more than {}",
                ohms(highest.saturating_mul(INSULATION_SOUND)),
                volts(highest),
                ohms(INSULATION_DRY)
            ),
            None => "not known: the pack file has no critical limit \"cell_high\"".to_owned(),
        },
        HandItem::OpenSwitch => {
            format!("at least {}, or at most {} across 10 kohm", ohms(SWITCH_OPEN), volts(SWITCH_LEAK))
        }
        HandItem::BusDischarged => format!("at most {}", volts(BUS_DISCHARGED)),
        HandItem::PreCharge => {
            let nominal = pack.pre_charge_nanos()?;
            let part = nominal / RESISTOR_SHARE;
            format!("{} to {}: {} within 10 %", ohms(nominal - part), ohms(nominal.saturating_add(part)), ohms(nominal))
        }
        HandItem::Soak => "6 h or more".to_owned(),
        HandItem::Temperatures => format!("at most {}", amount(degrees(TEMPERATURES_EVEN))),
        _ => return None,
    };
    Some(words)
}

/// The result of a value, and its limit in words; empty where there is none.
fn against_limit(item: HandItem, value: Amount, pack: &Pack) -> (HandResult, String) {
    use HandResult::{Failed, NotDone, Passed, Warning};
    let nanos = value.nanos;
    let by = |good: bool, limit: String| (if good { Passed } else { Failed }, limit);
    match item {
        HandItem::PackPolarity | HandItem::PackVoltage if nanos <= 0 => {
            (Failed, "not above 0 V: reversed, or no contact".to_owned())
        }
        HandItem::PackVoltage => match pack.highest_voltage_nanos() {
            Some(highest) if highest < nanos => (Failed, format!("above the pack's highest, {}", volts(highest))),
            _ => (Passed, "to be held against the sum of the cells".to_owned()),
        },
        HandItem::InsulationPlus | HandItem::InsulationMinus => {
            let Some(highest) = pack.highest_voltage_nanos() else {
                return (
                    NotDone,
                    "nothing to hold it against: the pack file has no critical limit \"cell_high\"".to_owned(),
                );
            };
            let least = |each: i64| (highest.saturating_mul(each), each);
            let below = |(limit, each): (i64, i64), of: &str| {
                let text = format!("below {} ({} x {each} ohm/V{of})", ohms(limit), volts(highest));
                (Failed, text)
            };
            let (no_go, sound) = (least(INSULATION_LEAST), least(INSULATION_SOUND));
            if nanos < no_go.0 {
                below(no_go, ", UN R100")
            } else if nanos < sound.0 {
                below(sound, "")
            } else if nanos < INSULATION_DRY {
                (Warning, format!("below {}: a dry new build has more, find out why", ohms(INSULATION_DRY)))
            } else {
                (Passed, format!("at least {} needed", ohms(sound.0)))
            }
        }
        HandItem::OpenSwitch if value.dimension == Dimension::Voltage => {
            by(size(nanos) <= SWITCH_LEAK, format!("at most {} across 10 kohm allowed", volts(SWITCH_LEAK)))
        }
        HandItem::OpenSwitch => by(SWITCH_OPEN <= nanos, format!("at least {} needed", ohms(SWITCH_OPEN))),
        HandItem::BusDischarged => {
            by(size(nanos) <= BUS_DISCHARGED, format!("at most {} allowed", volts(BUS_DISCHARGED)))
        }
        HandItem::PreCharge => match pack.pre_charge_nanos() {
            Some(nominal) => {
                let off = size(nanos.saturating_sub(nominal));
                by(off <= nominal / RESISTOR_SHARE, format!("{} within 10 % needed", ohms(nominal)))
            }
            None => (Passed, "the pack file gives no value to hold it against".to_owned()),
        },
        HandItem::Soak if nanos < SOAKED => (Warning, "temperatures even out in 6 h".to_owned()),
        HandItem::Temperatures => {
            by(size(nanos) <= TEMPERATURES_EVEN, format!("at most {} allowed", amount(degrees(TEMPERATURES_EVEN))))
        }
        _ => (Passed, String::new()),
    }
}

/// A leak or a difference has a size; its sign is that of the meter's leads.
fn size(nanos: i64) -> i64 {
    nanos.saturating_abs()
}

fn degrees(nanos: i64) -> Amount {
    Amount { dimension: Dimension::Temperature, nanos }
}

fn volts(nanos: i64) -> String {
    amount(Amount { dimension: Dimension::Voltage, nanos })
}

fn ohms(nanos: i64) -> String {
    amount(Amount { dimension: Dimension::Resistance, nanos })
}

/// A value as a person writes it, exact: a value beside its limit must not look equal to it.
pub fn amount(Amount { dimension, nanos }: Amount) -> String {
    const HOUR: i64 = 3_600_000_000_000;
    let size = nanos.unsigned_abs();
    let (nanos, unit) = match dimension {
        Dimension::Resistance if 1_000_000_000_000_000 <= size => (nanos / 1_000_000, "Mohm"),
        Dimension::Resistance if 1_000_000_000_000 <= size => (nanos / 1_000, "kohm"),
        Dimension::Time if HOUR.unsigned_abs() <= size => (hours(nanos), "h"),
        _ => (nanos, dimension.base_unit()),
    };
    format!("{} {unit}", format_nanos_exact(nanos, 0)).trim_end().to_owned()
}

/// Billionths of an hour.
fn hours(nanos: i64) -> i64 {
    i64::try_from(i128::from(nanos) / 3_600).unwrap_or(i64::MAX)
}
