//! Editing a pack file: one value changes, everything else stays byte for byte, and faults stand at their field.

use model::{Dimension, Level};
use proptest::prelude::*;
use rules::pack_text::{Field, Part, facts};
use rules::{Check, LimitName, Pack, PackText};

/// A pack of the nursery that its owner has written a lot about.
const NOTED: &str = r#"# The nursery's cart.
pack = "Cart 12S" # the green one
chemistry = "NMC"
  cells = 12       # in series

capacity = '30 Ah'
temperatures = ["front", "rear"] # under the seat
observe = "20 s"

# Metered in April.
[limits.temperature_high]
  warning  = "40 degC"   # it stands in the sun

[limits.spread_rest]
# Tight on purpose.
warning = "15 mV"
critical = "30 mV"
on_delay = "1 s"

[waivers]
"pack sum" = "its BMS reports no pack voltage of its own" # asked the maker

# The end.
"#;

fn text(text: &str) -> PackText {
    PackText::new(text.to_owned())
}

fn shipped(name: &str) -> String {
    let path = format!("{}/../../packs/{name}", env!("CARGO_MANIFEST_DIR"));
    std::fs::read_to_string(path).expect("a shipped pack")
}

/// A field and a value that it may have.
fn edit() -> impl Strategy<Value = (Field, String)> {
    let limits: Vec<LimitName> = LimitName::all().collect();
    let limit = (prop::sample::select(limits), prop::sample::select(Part::ALL.to_vec()), 0_u32..1000).prop_map(
        |(name, part, number)| {
            let unit = match (part, name.dimension()) {
                (Part::OnDelay | Part::OffDelay, _) => "ms",
                (_, Dimension::Voltage) => "mV",
                (_, dimension) => dimension.base_unit(),
            };
            (Field::limit(name, part), format!("{number} {unit}"))
        },
    );
    let waiver = prop::sample::select(Check::ALL.to_vec()).prop_map(|(_, check)| Field::waiver(check));
    let reason = "[ -~]{0,40}";
    let facts: Vec<Field> = facts().map(|fact| fact.field).collect();
    prop_oneof![
        4 => limit,
        1 => (waiver, reason),
        2 => (prop::sample::select(facts), prop_oneof!["[0-9]{1,4} [a-zA-Z]{1,4}", "[ -~]{1,20}", "[0-9]{1,3}"]),
    ]
}

/// The lines of a text without those that name this key or begin its table.
fn other_lines(text: &str, field: &Field) -> Vec<String> {
    let path = field.path();
    let own = |line: &str| {
        let line = line.trim_start();
        let header = line.starts_with('[') && path.iter().rev().skip(1).all(|name| line.contains(name));
        let (key, quoted) = (path.last().copied().unwrap_or_default(), format!("\"{}\"", path.last().unwrap_or(&"")));
        line.is_empty() || (header && path.len() > 1) || line.starts_with(key) || line.starts_with(&quoted)
    };
    text.lines().filter(|line| !own(line)).map(str::to_owned).collect()
}

fn base() -> impl Strategy<Value = String> {
    prop_oneof![
        Just(NOTED.to_owned()),
        Just(NOTED.replace('\n', "\r\n")),
        Just(NOTED.trim_end().to_owned()),
        Just(shipped("acorn-24s-nmc.toml")),
        Just(shipped("sapling-14s-nmc.toml")),
        Just(shipped("field-16s-lfp.toml")),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(2_000) })]

    #[test]
    fn a_change_and_its_way_back_give_the_same_text(base in base(), (field, value) in edit()) {
        let before = text(&base);
        prop_assume!(!value.trim().is_empty());
        // What stood in single quotes comes back in them, unless the new value could not stand there.
        prop_assume!(!value.contains('\''));
        let changed = before.set(&field, &value).expect("these files can be edited");
        prop_assert_eq!(changed.value(&field).map(str::trim), Some(value.trim()));
        prop_assert_eq!(other_lines(&base, &field), other_lines(changed.text(), &field));
        let back = changed.set(&field, before.value(&field).unwrap_or_default()).expect("and back");
        prop_assert_eq!(back.text(), &base);
    }

    #[test]
    fn many_edits_leave_every_other_value(base in base(), edits in prop::collection::vec((edit(), any::<bool>()), 1..12)) {
        let mut now = text(&base);
        for ((field, value), out) in edits {
            let others = |text: &PackText| -> Vec<Option<String>> {
                let limits = LimitName::all().flat_map(|name| Part::ALL.map(|part| Field::limit(name, part)));
                let all = limits.chain(facts().map(|fact| fact.field)).filter(|other| *other != field);
                all.map(|other| text.value(&other).map(str::to_owned)).collect()
            };
            let value = if out { "" } else { value.as_str() };
            let next = now.set(&field, value).expect("these files can be edited");
            prop_assert_eq!(others(&now), others(&next));
            prop_assert_eq!(next.value(&field).is_some(), !value.trim().is_empty());
            now = next;
        }
        // No comment was lost but those on lines that were taken out.
        for comment in ["# The nursery's cart.", "# Metered in April.", "# Tight on purpose.", "# The end."] {
            prop_assert_eq!(base.contains(comment), now.text().contains(comment), "{}", comment);
        }
    }

    #[test]
    fn nothing_panics_on_any_text(any in "[\\[\\]{}=.,'\"# \na-c0-9\r-]{0,60}", (field, value) in edit()) {
        let any = text(&any);
        if let Ok(edited) = any.set(&field, &value) {
            prop_assert!(edited.has_fields());
        }
    }
}

#[test]
fn a_field_says_what_the_file_says_or_nothing() {
    let noted = text(NOTED);
    let limit = |name, part| noted.value(&Field::limit(name, part));
    assert_eq!(limit(LimitName::TemperatureHigh, Part::Warning), Some("40 degC"));
    assert_eq!(limit(LimitName::TemperatureHigh, Part::Critical), None);
    let high = noted.default_limit(LimitName::TemperatureHigh).expect("NMC has one");
    assert_eq!((high.values.critical, high.source), (Some(60_000_000_000), "common practice, no source"));
    let fact = |key: &str| facts().find(|fact| fact.field.path() == [key]).expect("a fact").field;
    assert_eq!(noted.value(&fact("cells")), Some("12"));
    assert_eq!(noted.value(&fact("capacity")), Some("30 Ah"));
    assert_eq!(noted.value(&fact("temperatures")), Some("[\"front\", \"rear\"]"));
    assert_eq!(noted.value(&fact("resistance")), None);
    assert_eq!(noted.waived().into_iter().collect::<Vec<_>>(), [Check::PackSum]);
    assert_eq!(noted.pack().map(|pack| pack.text()), Some(NOTED));
}

#[test]
fn a_fault_stands_at_the_field_that_it_is_about() {
    let field = Field::limit(LimitName::CellHigh, Part::Critical);
    let changed = text(NOTED).set(&field, "4.25").expect("it can be changed");
    assert!(changed.pack().is_none());
    let faults: Vec<String> = changed.faults_of(&field).map(|fault| fault.message.clone()).collect();
    assert_eq!(faults, ["not a voltage: the unit is missing"]);
    // A warning is told, and the pack can be used.
    let looser = text(NOTED).set(&field, "4.30 V").expect("it can be changed");
    let levels: Vec<Level> = looser.faults_of(&field).map(|fault| fault.level).collect();
    assert_eq!((levels.as_slice(), looser.pack().is_some()), ([Level::Warning].as_slice(), true));
    // A check that can't be waived: the fault is about the key.
    let waiver = Field::waiver(Check::Link);
    let waived = text(NOTED).set(&waiver, "we never had a link at all").expect("it can be changed");
    assert_eq!(waived.faults_of(&waiver).count(), 1);
    // What belongs to no field is told all the same.
    let unknown = text(&NOTED.replace("observe", "obsrve"));
    let faults: Vec<_> = unknown.faults().iter().filter(|(field, _)| field.is_none()).collect();
    assert_eq!(faults.len(), 1, "{faults:?}");
}

#[test]
fn defaults_follow_chemistry_and_capacity_even_where_the_file_has_faults() {
    let high = |text: &PackText| text.default_limit(LimitName::CellHigh).and_then(|default| default.values.critical);
    let broken = NOTED.replace("cells = 12", "cells = 0");
    assert_eq!(high(&text(&broken)), Some(4_250_000_000));
    let lfp = text(&broken.replace("\"NMC\"", "\"LFP\""));
    assert_eq!((lfp.pack().is_none(), high(&lfp)), (true, Some(3_650_000_000)));
    assert_eq!(high(&text(&broken.replace("\"NMC\"", "\"other\""))), None);
    let rest = |text: &PackText| text.default_limit(LimitName::CurrentRest).map(|default| default.values.warning);
    // 0.5 % of 30 Ah in an hour.
    assert_eq!(rest(&text(NOTED)), Some(Some(150_000_000)));
    assert_eq!(rest(&text(&NOTED.replace("30 Ah", "thirty"))), None);
}

#[test]
fn a_text_that_is_no_toml_has_faults_and_no_fields() {
    let broken = text("pack = \"Cart\nchemistry = \"NMC\"\n");
    assert!(!broken.has_fields() && broken.pack().is_none() && !broken.faults().is_empty());
    assert_eq!(broken.value(&Field::limit(LimitName::CellHigh, Part::Warning)), None);
    assert!(broken.set(&Field::waiver(Check::PackSum), "a reason that is long enough").is_err());
}

#[test]
fn the_edited_text_judges_by_the_new_value() {
    let field = Field::limit(LimitName::CellHigh, Part::Warning);
    let limit = |text: &PackText| text.pack().and_then(|pack| pack.limit(LimitName::CellHigh).warning);
    let noted = text(NOTED);
    assert_eq!(limit(&noted), Some(4_200_000_000));
    let lower = noted.set(&field, "4.10 V").expect("it can be changed");
    assert_eq!(limit(&lower), Some(4_100_000_000));
    assert!(lower.text().ends_with("# The end.\n"), "{}", lower.text());
    assert_eq!(Pack::parse(lower.text()).0.as_ref(), lower.pack().map(|pack| &**pack));
}

#[test]
fn quotes_in_a_number_stay_what_was_typed() {
    let cells = facts().find(|fact| fact.field.path() == ["cells"]).expect("a fact").field;
    for typed in ["\"\"", "\"12\"", "\"1", "1\""] {
        let edited = text(NOTED).set(&cells, typed).expect("it can be edited");
        assert_eq!(edited.value(&cells), Some(typed), "{}", edited.text());
        assert!(edited.pack().is_none(), "{typed} is no number of cells");
    }
}
