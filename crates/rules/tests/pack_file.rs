//! What is wrong in a pack file is said with its place and what to do; and the default limits are those of the trade.

use std::fmt::Write;
use std::time::Duration;

use model::Level;
use proptest::prelude::*;
use rules::{Check, Chemistry, LimitName, LimitValues, Pack};

const SOUND: &str = r#"pack = "test"
chemistry = "NMC"
cells = 4
capacity = "40 Ah"
temperatures = ["front"]
"#;

/// The faults of a text as `line:column level "found": message (hint)`.
fn faults(text: &str) -> Vec<String> {
    let (pack, faults) = Pack::parse(text);
    let errors = faults.iter().filter(|fault| fault.level == Level::Error).count();
    assert_eq!(pack.is_some(), errors == 0, "a pack if and only if there is no error: {faults:?}");
    let line = |fault: model::Fault| {
        let level = if fault.level == Level::Error { "error" } else { "warning" };
        let hint = fault.hint.map_or(String::new(), |hint| format!(" ({hint})"));
        format!("{}:{} {level} {:?}: {}{hint}", fault.line, fault.column, fault.found, fault.message)
    };
    faults.into_iter().map(line).collect()
}

/// Adds lines to a sound file: they begin at line 6.
#[track_caller]
fn check(more: &str, expected: &[&str]) {
    assert_eq!(faults(&format!("{SOUND}{more}")), expected, "{more}");
}

/// Replaces one line of a sound file.
#[track_caller]
fn check_instead(line: &str, by: &str, expected: &[&str]) {
    assert!(SOUND.contains(line), "{line}");
    assert_eq!(faults(&SOUND.replace(line, by)), expected, "{by}");
}

#[test]
fn a_sound_file_has_no_fault() {
    check("", &[]);
    check("[limits.spread_rest]\ncritical = \"60 mV\"\n[waivers]\nchecksum = \"this BMS sends none\"\n", &[]);
}

#[test]
fn keys() {
    check("cels = 3\n", &[r#"6:1 error "cels": unknown key "cels" (did you mean "cells"?)"#]);
    check(
        "[limits.spred_rest]\n",
        &[r#"6:9 error "spred_rest": unknown key "spred_rest" (did you mean "spread_rest"?)"#],
    );
    check(
        "[limits.spread_rest]\nmaximum = \"1 mV\"\n",
        &[
            r#"7:1 error "maximum": unknown key "maximum" (a limit has: warning, critical, deadband, on_delay, off_delay)"#,
        ],
    );
    for (line, key, says) in [
        ("pack = \"test\"\n", "pack", "the pack's name"),
        ("chemistry = \"NMC\"\n", "chemistry", "the chemistry of the cells"),
        ("cells = 4\n", "cells", "cells in series"),
        ("capacity = \"40 Ah\"\n", "capacity", "capacity of the pack"),
        (
            "temperatures = [\"front\"]\n",
            "temperatures",
            "where each temperature sensor sits, in the order of its number",
        ),
    ] {
        let first = SOUND.replace(line, "");
        let first = first.lines().next().unwrap();
        let expected = format!("1:1 error {first:?}: a pack file needs the key {key:?} ({key}: {says})");
        check_instead(line, "", &[&expected]);
    }
}

#[test]
fn values_of_the_whole_pack() {
    check_instead("\"NMC\"", "\"NCM\"", &[r#"2:13 error "\"NCM\"": chemistry can't be "NCM" (did you mean "NMC"?)"#]);
    check_instead(
        "\"NMC\"",
        "\"lead\"",
        &[r#"2:13 error "\"lead\"": chemistry can't be "lead" (chemistry is one of: NMC, LCO, LFP, other)"#],
    );
    for cells in ["0", "513", "-1", "9223372036854775807"] {
        let expected = format!("3:9 error {cells:?}: \"cells\" is out of range (allowed is 1 to 512)");
        check_instead("cells = 4", &format!("cells = {cells}"), &[&expected]);
    }
    check("parallel = 0\n", &[r#"6:12 error "0": "parallel" is out of range (allowed is 1 to 1000)"#]);
    for (key, value) in [
        ("balancing_current", "0 mA"),
        ("resistance", "0 mohm"),
        ("resistance", "-1 mohm"),
        ("accuracy", "0 mV"),
        ("rest_current", "-1 A"),
    ] {
        let quoted = format!("{value:?}");
        let expected = format!("6:{} error {quoted:?}: {key:?} must be more than zero", key.len() + 4);
        check(&format!("{key} = {quoted}\n"), &[&expected]);
    }
    check_instead("\"40 Ah\"", "\"0 Ah\"", &[r#"4:12 error "\"0 Ah\"": "capacity" must be more than zero"#]);
    check_instead(
        "\"40 Ah\"",
        "\"40 A\"",
        &[r#"4:12 error "\"40 A\"": this is a current, expected a charge (write for example "44 Ah")"#],
    );
    for key in ["rest_after", "observe"] {
        let column = key.len() + 4;
        let long = format!("6:{column} error \"\\\"25 h\\\"\": {key:?} is longer than a day");
        check(&format!("{key} = \"25 h\"\n"), &[&long]);
        check(&format!("{key} = \"24 h\"\n"), &[]);
    }
    check(
        "rest_after = \"-1 s\"\n",
        &[r#"6:14 error "\"-1 s\"": "rest_after" can't be negative (write a time of zero or more)"#],
    );
    check(
        "observe = \"4 s\"\n",
        &[
            "6:11 warning \"\\\"4 s\\\"\": a verdict after so short a time is worth little (sense leads float for seconds \
           before they show, and BMS test themselves after seconds)",
        ],
    );
    check("observe = \"5 s\"\n", &[]);
    check("rest_current = \"4 A\"\n", &[]);
    check(
        "rest_current = \"4.1 A\"\n",
        &[
            "6:16 warning \"\\\"4.1 A\\\"\": more than a tenth of the one-hour current is no rest (cells under load do not \
           show what they show at rest)",
        ],
    );
    let sensors = format!("[{}]", vec!["\"s\""; 513].join(", "));
    let found: String = sensors.chars().take(80).collect();
    let expected = format!("5:16 error {found:?}: more than 512 sensors");
    check_instead("[\"front\"]", &sensors, &[&expected]);
}

#[test]
fn waivers() {
    check(
        "[waivers]\nstatsu = \"it has no status word\"\n",
        &[r#"7:1 error "statsu": no check is called "statsu" (did you mean "status"?)"#],
    );
    let names: Vec<&str> = Check::ALL.iter().map(|(name, _)| *name).collect();
    let expected = format!("7:1 error \"banana\": no check is called \"banana\" (checks: {})", names.join(", "));
    check("[waivers]\nbanana = \"it has no status word\"\n", &[&expected]);
    for (reason, short) in [("123456789", true), ("          ", true), ("1234567890", false)] {
        let expected = format!(
            "7:10 error \"\\\"{reason}\\\"\": a waiver needs its reason (say why this pack can't have the check and what \
             was done instead; it is printed with the verdict)"
        );
        let expected: &[&str] = if short { &[&expected] } else { &[] };
        check(&format!("[waivers]\nstatus = \"{reason}\"\n"), expected);
    }
    check(
        "[waivers]\n\"sense leads\" = \"they are potted\"\n",
        &[
            "7:1 warning \"\\\"sense leads\\\"\": sense leads is waived: nothing else finds that fault (a hand reading is \
           better evidence than a waiver)",
        ],
    );
    let never = [
        "confirmed protocol",
        "link",
        "measured times",
        "live values",
        "all cells",
        "cell high",
        "cell low",
        "before power",
    ];
    for (name, check_of_name) in Check::ALL {
        assert_eq!(check_of_name.can_be_waived(), !never.contains(&name), "{name}");
    }
    for name in never {
        let why = match name {
            "before power" => "nothing is required that [prepare] does not list",
            "confirmed protocol" => "it is asked only of a protocol file that calls itself a draft",
            _ => "without it no verdict means anything",
        };
        let expected = format!("7:1 error {:?}: {name} can't be waived ({why})", format!("{name:?}"));
        check(&format!("[waivers]\n{name:?} = \"it has no such thing\"\n"), &[&expected]);
    }
    check(
        "[waivers]\nstatus = true\n",
        &[r#"7:10 error "true": "status" is true, expected a text in quotes (write for example status = "...")"#],
    );
}

#[test]
fn checks_before_power() {
    check(
        "[prepare]\nrequired = [\"fuse\", \"insulaton-plus\"]\n",
        &["7:21 error \"\\\"insulaton-plus\\\"\": no check before power is called \"insulaton-plus\" (did you mean \
           \"insulation-plus\"?)"],
    );
    check("[prepare]\nrequired = [\"fuse\", \"fuse\", \"sense-pins\"]\n[wiring]\npre_charge = \"100 ohm\"\n", &[]);
    let keys: Vec<&str> = model::HandItem::all().map(model::HandItem::key).collect();
    let expected = format!(
        "7:13 error \"\\\"banana\\\"\": no check before power is called \"banana\" (checks before power: {})",
        keys.join(", ")
    );
    check("[prepare]\nrequired = [\"banana\"]\n", &[&expected]);
    check(
        "[wiring]\npre_charge = \"0 ohm\"\n",
        &["7:14 error \"\\\"0 ohm\\\"\": \"pre_charge\" must be more than zero"],
    );
}

#[test]
fn wiring() {
    let sound = "[wiring]\npre_charge = \"100 ohm\"\nbus_capacitance = \"8 mF\"\nbleed = \"10 kohm\"\n";
    check(sound, &[]);
    let pack = Pack::parse(&format!("{SOUND}{sound}")).0.unwrap();
    let wiring = pack.wiring();
    assert_eq!(wiring.pre_charge_nanos, Some(100_000_000_000));
    assert_eq!(wiring.bus_capacitance_nanos, Some(8_000_000));
    assert_eq!(wiring.bleed_nanos, Some(10_000_000_000_000));
    check(
        "[wiring]\nbus_capacitance = \"8 mf\"\n",
        &["7:19 error \"\\\"8 mf\\\"\": not a capacitance: unknown unit \"mf\" (did you mean \"mF\"?)"],
    );
    check(
        "[wiring]\nbus_capacitance = \"8 mohm\"\n",
        &["7:19 error \"\\\"8 mohm\\\"\": this is a resistance, expected a capacitance (write for example \"8 mF\")"],
    );
    for key in ["bus_capacitance", "bleed"] {
        let unit = if key == "bleed" { "ohm" } else { "mF" };
        let column = key.len() + 4;
        let expected = format!("7:{column} error \"\\\"-1 {unit}\\\"\": {key:?} must be more than zero");
        check(&format!("[wiring]\n{key} = \"-1 {unit}\"\n"), &[&expected]);
    }
    check(
        "[wiring]\npre_charge = \"100 ohm\"\nbus_capacitance = \"8 F\"\n",
        &[
            "8:19 warning \"\\\"8 F\\\"\": with that resistor the pre-charge has a time constant of 800.000 s (0.2 s to 1 s are \
           usual: check both values and their units)",
        ],
    );
    check(
        "[wiring]\npre_charge = \"100 ohm\"\nbleed = \"1 kohm\"\n",
        &[
            "8:9 warning \"\\\"1 kohm\\\"\": through the pre-charge resistor the bus comes to 90 % of the pack with that (a bus \
           below 95 % never counts as up: check both values and their units)",
        ],
    );
    check("[wiring]\npre_charge = \"100 ohm\"\nbleed = \"1900 ohm\"\n", &[]);
}

#[test]
fn balancing() {
    let pack = Pack::parse(&format!("{SOUND}balancing_current = \"100 mA\"\n")).0.unwrap();
    assert_eq!(pack.balancing_current_nanos(), Some(100_000_000));
    check("balancing_current = \"2 A\"\n", &[]);
    check(
        "balancing_current = \"2.1 A\"\n",
        &[
            "6:21 warning \"\\\"2.1 A\\\"\": more than a twentieth of the one-hour current is no balancing (it is the mean over \
           time, of one cell: many a BMS has 50 mA to 200 mA)",
        ],
    );
}

#[test]
fn leads() {
    let table = "[wiring.bus_leads]\nlength = \"1.2 m\"\n";
    let leads = |more: &str| {
        let pack = Pack::parse(&format!("{SOUND}{table}{more}")).0.unwrap();
        pack.wiring().bus_leads.unwrap().expected_ohms(20.0).unwrap()
    };
    // 1/58 ohm mm2 / m (IEC 60028).
    let copper = 1.2 / 58.0 / 16.0;
    assert!((leads("copper = \"16 mm2\"\n") / copper - 1.0).abs() < 1e-9);
    let contacts = leads("copper = \"16 mm2\"\ncontacts = 4\ncontact = \"0.1 mohm\"\n");
    assert!((contacts - copper - 0.4e-3).abs() < 1e-12);
    // AWG 8 has 8.37 mm2 (ASTM B258, from memory).
    assert!((leads("gauge = 8\n") * 58.0 * 8.37 / 1.2 - 1.0).abs() < 1e-3);
    check(
        table,
        &[
            "6:1 error \"[wiring.bus_leads]\": leads need a cross-section (write for example copper = \"16 mm2\", or gauge = 6)",
        ],
    );
    check(
        &format!("{table}copper = \"16 mm2\"\ngauge = 6\n"),
        &[
            "9:9 error \"6\": both \"copper\" and \"gauge\" give the cross-section (keep the one that stands on the wire)",
        ],
    );
    check(&format!("{table}gauge = 41\n"), &["8:9 error \"41\": \"gauge\" is out of range (allowed is -3 to 40)"]);
    check(
        &format!("{table}copper = \"16 mm2\"\ncontacts = 4\n"),
        &[
            "9:12 error \"4\": contacts need the resistance of each (write for example contact = \"0.1 mohm\", from the maker's \
           data or measured when new)",
        ],
    );
    check(
        "[wiring.bus_leads]\nlength = \"0 m\"\ncopper = \"16 mm\"\n",
        &[
            "7:10 error \"\\\"0 m\\\"\": \"length\" must be more than zero",
            "8:10 error \"\\\"16 mm\\\"\": this is a length, expected a cross-section (write for example \"16 mm2\")",
        ],
    );
}

#[test]
fn limits() {
    check(
        "[limits.spread_rest]\ncritical = \"10 mV\"\n",
        &[
            "7:12 error \"\\\"10 mV\\\"\": the critical side of spread_rest must lie above the warning side (check both \
           values and their units)",
        ],
    );
    check(
        "[limits.cell_low_rest]\nwarning = \"2.9 V\"\n",
        &[
            "7:11 error \"\\\"2.9 V\\\"\": the critical side of cell_low_rest must lie below the warning side (check both \
           values and their units)",
        ],
    );
    check("[limits.spread_rest]\nwarning = \"30 mV\"\ncritical = \"30 mV\"\n", &[]);
    check(
        "[limits.spread_rest]\ncritical = \"60 degC\"\n",
        &["7:12 error \"\\\"60 degC\\\"\": this is a temperature, expected a voltage (write for example \"4.20 V\")"],
    );
    check(
        "[limits.spread_rest]\nwarning = \"-1 mV\"\n",
        &["7:11 error \"\\\"-1 mV\\\"\": spread_rest can't be negative (it limits the size of a difference; one of \
           temperatures is in degC)"],
    );
    // 5 K is -268.15 degC: no difference.
    check(
        "[limits.temperature_spread_rest]\ncritical = \"5 K\"\n",
        &[
            "7:12 error \"\\\"5 K\\\"\": temperature_spread_rest can't be negative (it limits the size of a difference; one \
           of temperatures is in degC)",
        ],
    );
    check(
        "[limits.temperature_high]\ndeadband = \"1 K\"\n",
        &["7:12 error \"\\\"1 K\\\"\": a deadband can't be negative (a difference of temperatures is in degC)"],
    );
    check("[limits.temperature_low]\nwarning = \"-5 degC\"\n", &[]);
    check(
        "[limits.spread_rest]\non_delay = \"601 s\"\n",
        &["7:12 error \"\\\"601 s\\\"\": an alarm can't wait longer than ten minutes"],
    );
    check("[limits.spread_rest]\non_delay = \"600 s\"\noff_delay = \"20 h\"\n", &[]);
    check(
        "[limits.cell_high]\non_delay = \"2 s\"\n",
        &[
            "7:12 warning \"\\\"2 s\\\"\": an absolute cell limit should not wait longer than a second (a cell beyond its \
           limit is damaged while the alarm waits)",
        ],
    );
    check("[limits.cell_high]\non_delay = \"1 s\"\n", &[]);
    check(
        "limits = 3\n",
        &[r#"6:10 error "3": "limits" is an integer, expected a table (write for example limits = { ... })"#],
    );
}

#[test]
fn a_limit_looser_than_the_chemistrys_is_noticed() {
    let looser = |key: &str, value: &str, default: &str| {
        let expected = format!(
            "7:12 warning \"\\\"{value}\\\"\": {key} is looser than the {default} of NMC (make sure that the maker of the \
             cells allows it)"
        );
        check(&format!("[limits.{key}]\ncritical = \"{value}\"\n"), &[&expected]);
    };
    looser("cell_high", "4.35 V", "4.250 V");
    looser("cell_low_rest", "2.8 V", "3.000 V");
    looser("cell_low_load", "2.5 V", "3.000 V");
    looser("temperature_high", "70 degC", "60.0 degC");
    check("[limits.cell_high]\ncritical = \"4.25 V\"\n", &[]);
    check("[limits.cell_high]\ncritical = \"4.22 V\"\n", &[]);
    check("[limits.spread_rest]\ncritical = \"90 mV\"\n", &[]);
}

#[test]
fn an_unknown_chemistry_must_bring_its_limits() {
    let text = SOUND.replace("NMC", "other");
    let seen = faults(&text);
    assert_eq!(seen.len(), LimitName::all().count());
    for (name, fault) in LimitName::all().zip(&seen) {
        let hint = "an unknown chemistry has no defaults: without the limit the check has no data";
        let expected = format!("2:13 warning \"\\\"other\\\"\": no critical limit for {:?} ({hint})", name.key());
        assert!(seen.contains(&expected), "{expected}: {fault}");
    }
    let given = LimitName::all().fold(String::new(), |mut text, name| {
        let amount = match name.dimension() {
            model::Dimension::Voltage => "3 V",
            model::Dimension::Temperature => "30 degC",
            model::Dimension::TemperatureRate => "3 degC/min",
            model::Dimension::Share => "1 %",
            _ => "1 A",
        };
        writeln!(text, "[limits.{}]\ncritical = {amount:?}", name.key()).unwrap();
        text
    });
    assert_eq!(faults(&format!("{text}{given}")), [""; 0]);
}

#[test]
fn every_fault_comes_in_one_run_in_the_order_of_the_text() {
    let text = "pack = 3\nchemistry = \"LFB\"\ncells = 0\ncapacity = \"-1 Ah\"\ncolour = \"red\"\n[limits.cell_high]\n\
                warning = \"4 v\"\ndeadband = \"-1 mV\"\n[waivers]\nlink = \"there is no link\"\n";
    let seen: Vec<String> =
        faults(text).iter().map(|fault| fault.split('"').next().unwrap().trim().to_owned()).collect();
    assert_eq!(
        seen,
        [
            "1:1 error",
            "1:8 error",
            "2:13 error",
            "3:9 error",
            "4:12 error",
            "5:1 error",
            "7:11 error",
            "8:12 error",
            "10:1 error"
        ]
    );
}

#[test]
fn hostile_files_are_refused_and_nothing_else() {
    let deep = format!("x = {}1{}", "[".repeat(5000), "]".repeat(5000));
    let long = format!("pack = \"{}\"", "a".repeat(200_000));
    let many = (0..2000).fold(String::new(), |mut text, key| {
        writeln!(text, "k{key} = 1").unwrap();
        text
    });
    for text in [
        "",
        "\0",
        "\u{feff}",
        "pack",
        "= = =",
        "[limits",
        "[[limits]]",
        "[limits]\n[limits]",
        "pack = '''",
        &deep,
        &long,
        &many,
    ] {
        let (pack, faults) = Pack::parse(text);
        assert!(pack.is_none() && !faults.is_empty(), "{:?}", text.get(..20));
    }
    // The largest and the smallest that can be written.
    for (amount, cells) in [("9223372036 Ah", 512), ("0.000000001 Ah", 1)] {
        let text = SOUND.replace("40 Ah", amount).replace("cells = 4", &format!("cells = {cells}"));
        let (pack, faults) = Pack::parse(&text);
        let pack = pack.unwrap_or_else(|| panic!("{faults:?}"));
        assert!(0 < pack.resistance_nanos() || amount.starts_with('9'), "{amount}");
        assert_eq!(pack.highest_voltage_nanos(), Some(4_250_000_000 * i64::from(cells)));
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_text_panics(cut in 0..400_usize, with in "[ -~\\n]{0,12}", at in 0..400_usize) {
        let text = format!("{SOUND}rest_after = \"5 s\"\n[limits.cell_high]\nwarning = \"4.1 V\"\non_delay = \"1 s\"\n\
                            [waivers]\nstatus = \"there is none\"\n");
        let mut changed = text.clone();
        changed.insert_str(at % (text.len() + 1), &with);
        faults(&changed);
        faults(changed.get(..cut).unwrap_or(&changed));
    }
}

/// Warning and critical side of a limit, as text.
fn sides(chemistry: Chemistry, name: LimitName) -> String {
    let limit =
        chemistry.defaults(40_000_000_000).into_iter().find(|default| default.name == name).expect("a default").values;
    let (factor, unit) = match name.dimension() {
        model::Dimension::Voltage => (1_000_000, "mV"),
        model::Dimension::Current => (1_000_000, "mA"),
        model::Dimension::Share => (10_000_000, "hundredths of a percent"),
        _ => (100_000_000, "tenths"),
    };
    let exact = |side: Option<i64>| {
        let side = side.expect("both sides");
        assert_eq!(side % factor, 0);
        side / factor
    };
    format!("{} / {} {unit}", exact(limit.warning), exact(limit.critical))
}

#[test]
fn the_defaults_are_those_of_the_trade() {
    // Common practice, no source, except where said.
    for (name, nmc, lfp) in [
        // NMC: upper limit charging voltage of IEC 62133-2, from memory.
        (LimitName::CellHigh, "4200 / 4250 mV", "3600 / 3650 mV"),
        (LimitName::CellLowRest, "3500 / 3000 mV", "3100 / 2500 mV"),
        (LimitName::CellLowLoad, "3300 / 3000 mV", "2800 / 2500 mV"),
        (LimitName::SpreadRest, "20 / 50 mV", "15 / 40 mV"),
        (LimitName::SpreadLoad, "80 / 150 mV", "100 / 200 mV"),
        (LimitName::DeviationRest, "10 / 30 mV", "10 / 25 mV"),
        // The value at rest; 0.3 and 0.5 of current times resistance come on top.
        (LimitName::DeviationLoad, "10 / 30 mV", "10 / 25 mV"),
        (LimitName::TemperatureHigh, "450 / 600 tenths", "450 / 600 tenths"),
        (LimitName::TemperatureLow, "50 / -100 tenths", "50 / -100 tenths"),
        (LimitName::TemperatureSpreadRest, "30 / 80 tenths", "30 / 80 tenths"),
        (LimitName::TemperatureSpreadLoad, "80 / 150 tenths", "80 / 150 tenths"),
        (LimitName::TemperatureRateRest, "3 / 10 tenths", "3 / 10 tenths"),
        (LimitName::TemperatureRateLoad, "20 / 50 tenths", "20 / 50 tenths"),
        (LimitName::PackSum, "50 / 100 hundredths of a percent", "50 / 100 hundredths of a percent"),
        // 0.5 and 2 % of the one-hour current of 40 Ah.
        (LimitName::CurrentRest, "200 / 800 mA", "200 / 800 mA"),
    ] {
        assert_eq!(sides(Chemistry::Nmc, name), nmc, "{}", name.key());
        assert_eq!(sides(Chemistry::Lco, name), nmc, "{}", name.key());
        assert_eq!(sides(Chemistry::Lfp, name), lfp, "{}", name.key());
    }
    assert!(Chemistry::Other.defaults(1).is_empty());
}

#[test]
fn every_default_is_named_with_its_source_and_can_be_overridden() {
    for (_, chemistry) in Chemistry::ALL.iter().filter(|(_, chemistry)| *chemistry != Chemistry::Other) {
        let defaults = chemistry.defaults(40_000_000_000);
        let names: Vec<LimitName> = defaults.iter().map(|default| default.name).collect();
        assert_eq!(names, LimitName::all().collect::<Vec<_>>());
        for default in &defaults {
            assert!(default.source.contains("common practice"), "{}", default.source);
            assert!(default.values.on_delay <= Duration::from_secs(1), "{}", default.name.key());
        }
    }
    let (pack, _) = Pack::parse(&format!(
        "{SOUND}[limits.spread_rest]\nwarning = \"7 mV\"\ncritical = \"9 mV\"\ndeadband = \"1 mV\"\non_delay = \"2 s\"\n\
         off_delay = \"3 s\"\n"
    ));
    let expected = LimitValues {
        warning: Some(7_000_000),
        critical: Some(9_000_000),
        deadband: 1_000_000,
        on_delay: Duration::from_secs(2),
        off_delay: Duration::from_secs(3),
    };
    let pack = pack.unwrap();
    assert_eq!(pack.limit(LimitName::SpreadRest), expected);
    assert_eq!(pack.limit(LimitName::SpreadLoad).critical, Some(150_000_000), "the others stay");
    assert_eq!(pack.resistance_nanos(), 1_500_000, "60 mohm for one ampere-hour: common practice, no source");
    assert_eq!((pack.observe(), pack.rest_after()), (Duration::from_secs(15), Duration::from_secs(30)));
    assert_eq!((pack.accuracy_nanos(), pack.rest_current_nanos()), (5_000_000, 1_200_000_000));
}
