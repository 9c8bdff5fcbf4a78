//! Checks before power: limits at their edges, corrections, what is required, and what was not done.

mod support;

use model::{Amount, Command, HandItem, HandOutcome, HandReading};
use rules::prepare::{amount, judge, limit};
use rules::{AlarmState, HandResult, Outcome, Pack, Severity};
use support::{Bench, PACK, pack};

/// 24 cells of at most 4.25 V are 102 V.
fn tall_pack(more: &str) -> Pack {
    pack(&format!("{}{more}", PACK.replace("cells = 4", "cells = 24")))
}

fn measured(item: HandItem, value: &str) -> HandReading {
    HandReading::measured(item, Amount::parse(value).expect("an amount"), "a meter")
}

fn entered(item: HandItem, value: &str) -> Command {
    Command::Reading(measured(item, value))
}

fn found(item: HandItem, outcome: HandOutcome) -> Command {
    Command::Reading(HandReading::found(item, outcome, "eyes"))
}

#[track_caller]
fn check(pack: &Pack, item: HandItem, value: &str, result: HandResult, why: &str) {
    let judged = judge(&measured(item, value), pack);
    assert_eq!((judged.result, judged.why.as_str()), (result, why), "{} {value}", item.key());
}

// 100 ohm/V and 500 ohm/V: UN Regulation No. 100, 5.1.3.1 and 5.1.3.2. At 102 V that is 10.2 kohm and 51 kohm.
#[test]
fn insulation_is_held_against_the_packs_highest_voltage() {
    use HandResult::{Failed, Passed, Warning};
    let pack = tall_pack("");
    for item in [HandItem::InsulationPlus, HandItem::InsulationMinus] {
        for (value, result, why) in [
            ("10199.999999 ohm", Failed, "10.199999999 kohm, below 10.2 kohm (102 V x 100 ohm/V, UN R100)"),
            ("10.2 kohm", Failed, "10.2 kohm, below 51 kohm (102 V x 500 ohm/V)"),
            ("50.9 kohm", Failed, "50.9 kohm, below 51 kohm (102 V x 500 ohm/V)"),
            ("51 kohm", Warning, "51 kohm, below 1 Mohm: a dry new build has more, find out why"),
            ("999 kohm", Warning, "999 kohm, below 1 Mohm: a dry new build has more, find out why"),
            ("1 Mohm", Passed, "1 Mohm, at least 51 kohm needed"),
            ("9 Gohm", Passed, "9000 Mohm, at least 51 kohm needed"),
            ("0 ohm", Failed, "0 ohm, below 10.2 kohm (102 V x 100 ohm/V, UN R100)"),
            ("-1 ohm", Failed, "-1 ohm, below 10.2 kohm (102 V x 100 ohm/V, UN R100)"),
        ] {
            check(&pack, item, value, result, why);
        }
        let words = limit(item, &pack).expect("it has one");
        assert_eq!(words, "at least 51 kohm: 102 V x 500 ohm/V; a dry new build has more than 1 Mohm");
    }
    // Without the limit that the voltage comes from, nobody can tell.
    let unknown = pack_of_unknown_chemistry();
    let judged = judge(&measured(HandItem::InsulationPlus, "2 Mohm"), &unknown);
    assert_eq!(judged.result, HandResult::NotDone, "{}", judged.why);
}

fn pack_of_unknown_chemistry() -> Pack {
    pack(&PACK.replace("\"NMC\"", "\"other\""))
}

// Common practice, no source.
#[test]
fn the_other_limits_at_their_edges() {
    use HandResult::{Failed, Passed, Warning};
    let pack = tall_pack("[wiring]\npre_charge = \"100 ohm\"\n");
    for (item, value, result, why) in [
        (HandItem::OpenSwitch, "1 Mohm", Passed, "1 Mohm, at least 1 Mohm needed"),
        (HandItem::OpenSwitch, "999.9 kohm", Failed, "999.9 kohm, at least 1 Mohm needed"),
        (HandItem::OpenSwitch, "1 V", Passed, "1 V, at most 1 V across 10 kohm allowed"),
        (HandItem::OpenSwitch, "1.001 V", Failed, "1.001 V, at most 1 V across 10 kohm allowed"),
        (HandItem::OpenSwitch, "-1.001 V", Failed, "-1.001 V, at most 1 V across 10 kohm allowed"),
        (HandItem::BusDischarged, "5 V", Passed, "5 V, at most 5 V allowed"),
        (HandItem::BusDischarged, "5.1 V", Failed, "5.1 V, at most 5 V allowed"),
        (HandItem::BusDischarged, "-87 V", Failed, "-87 V, at most 5 V allowed"),
        (HandItem::PreCharge, "90 ohm", Passed, "90 ohm, 100 ohm within 10 % needed"),
        (HandItem::PreCharge, "110 ohm", Passed, "110 ohm, 100 ohm within 10 % needed"),
        (HandItem::PreCharge, "89.9 ohm", Failed, "89.9 ohm, 100 ohm within 10 % needed"),
        (HandItem::PreCharge, "110.1 ohm", Failed, "110.1 ohm, 100 ohm within 10 % needed"),
        (HandItem::Temperatures, "3 degC", Passed, "3 degC, at most 3 degC allowed"),
        (HandItem::Temperatures, "3.1 degC", Failed, "3.1 degC, at most 3 degC allowed"),
        (HandItem::Soak, "6 h", Passed, "6 h"),
        (HandItem::Soak, "359 min", Warning, "5.983333333 h, temperatures even out in 6 h"),
        (HandItem::Ambient, "-10 degC", Passed, "-10 degC"),
        (HandItem::PackPolarity, "92.4 V", Passed, "92.4 V"),
        (HandItem::PackPolarity, "0 V", Failed, "0 V, not above 0 V: reversed, or no contact"),
        (HandItem::PackVoltage, "-92.4 V", Failed, "-92.4 V, not above 0 V: reversed, or no contact"),
        (HandItem::PackVoltage, "102 V", Passed, "102 V, to be held against the sum of the cells"),
        (HandItem::PackVoltage, "102.1 V", Failed, "102.1 V, above the pack's highest, 102 V"),
        (HandItem::BusShort, "47 kohm", Passed, "47 kohm"),
    ] {
        check(&pack, item, value, result, why);
    }
    let plain = tall_pack("");
    check(&plain, HandItem::PreCharge, "90 ohm", Passed, "90 ohm, the pack file gives no value to hold it against");
    assert_eq!(limit(HandItem::PreCharge, &plain), None);
    assert_eq!(limit(HandItem::PreCharge, &pack).as_deref(), Some("90 ohm to 110 ohm: 100 ohm within 10 %"));
}

#[test]
fn an_item_that_needs_a_value_is_not_done_without_it() {
    let with_resistor = tall_pack("[wiring]\npre_charge = \"100 ohm\"\n");
    for item in HandItem::all() {
        let judged = judge(&HandReading::found(item, HandOutcome::Passed, "eyes"), &with_resistor);
        let needs = item.needs_value() || item == HandItem::PreCharge;
        assert_eq!(judged.result == HandResult::NotDone, needs, "{}: {}", item.key(), judged.why);
        let failed = judge(&HandReading::found(item, HandOutcome::Failed, "eyes"), &with_resistor);
        assert_eq!(failed.result, HandResult::Failed, "{}", item.key());
        // Seconds are no value of any item but the soak time.
        let seconds = judge(&measured(item, "8 h"), &with_resistor);
        assert_eq!(seconds.result == HandResult::NotDone, needs && item != HandItem::Soak, "{}", item.key());
    }
    // What the person finds wrong is wrong, whatever the value says.
    let failed = HandReading { outcome: HandOutcome::Failed, ..measured(HandItem::InsulationPlus, "2 Mohm") };
    let judged = judge(&failed, &with_resistor);
    assert_eq!((judged.result, judged.why.as_str()), (HandResult::Failed, "2 Mohm, failed"));
    assert_eq!(amount(Amount::parse("1.5 mohm").unwrap()), "0.0015 ohm");
}

#[test]
fn a_failed_item_is_no_go_by_a_check_of_its_own() {
    let mut bench = Bench::new();
    bench.judge.command(&entered(HandItem::InsulationMinus, "5 kohm"));
    let text = "insulation, minus to frame: 5 kohm, below 8.5 kohm (17 V x 500 ohm/V)";
    assert_eq!(
        bench.lines(""),
        [
            format!("0.000 note before power: insulation, minus to frame with a meter: failed: {}", &text[28..]),
            format!("0.000 raised critical before power: {text}"),
        ]
    );
    bench.run(16_000);
    assert_eq!(bench.outcome(), Outcome::NoGo);
    assert_eq!(bench.verdict().because[0], format!("before power: {text} (at 0.000 s)"));
    let line = line(&bench, HandItem::InsulationMinus);
    assert!(line.latched && line.judged.result == HandResult::Failed);
}

fn line(bench: &Bench, item: HandItem) -> rules::HandLine {
    bench.judge.preparation().into_iter().find(|line| line.item == item).expect("every item is there")
}

#[test]
fn before_any_byte_came_a_mistake_is_corrected() {
    let mut bench = Bench::new();
    for value in ["5 kohm", "4 kohm", "5 Mohm"] {
        bench.judge.command(&entered(HandItem::InsulationPlus, value));
    }
    let alarms = bench.judge.alarms();
    assert_eq!(alarms.len(), 1, "one item has one alarm, however often it is entered");
    assert_eq!((alarms[0].state, alarms[0].active, alarms[0].worst), (AlarmState::Normal, false, Severity::Warning));
    bench.run(16_000);
    let verdict = bench.verdict();
    assert_eq!(verdict.outcome, Outcome::Go, "{:?}", verdict.because);
    assert_eq!(
        verdict.notes,
        ["warning: withdrawn, entered anew before any byte came: insulation, plus to frame: 4 kohm, below 8.5 kohm \
             (17 V x 500 ohm/V)"],
        "it does not vanish without a trace"
    );
    // What is raised later is the first alarm, not the mistake.
    bench.cells[1] = Some(4300);
    bench.run(17_000);
    let first: Vec<&str> = bench.judge.alarms().iter().filter(|a| a.first_out).map(|a| a.check.name()).collect();
    assert_eq!(first, ["cell high"]);
}

#[test]
fn a_failure_before_the_first_byte_that_nobody_corrects_holds() {
    let mut bench = Bench::new();
    bench.judge.command(&entered(HandItem::InsulationPlus, "5 kohm"));
    bench.judge.command(&entered(HandItem::InsulationPlus, "5 Mohm"));
    // Wrong again: it is a failure like any other, and the first.
    bench.judge.command(&entered(HandItem::InsulationPlus, "1 kohm"));
    bench.run(16_000);
    let alarm = &bench.judge.alarms()[0];
    assert!(alarm.first_out && alarm.active && alarm.worst == Severity::Critical);
    assert!(alarm.worst_text.contains("1 kohm"), "{}", alarm.worst_text);
    assert_eq!(bench.outcome(), Outcome::NoGo);
}

#[test]
fn after_the_first_byte_a_failure_holds_for_the_session() {
    for received in [true, false] {
        let mut bench = Bench::new();
        bench.judge.command(&found(HandItem::Connectors, HandOutcome::Passed));
        if received {
            bench.judge.received(1);
        } else {
            bench.run(1_000);
        }
        bench.judge.command(&found(HandItem::Connectors, HandOutcome::Failed));
        bench.judge.command(&found(HandItem::Connectors, HandOutcome::Passed));
        bench.run(20_000);
        assert_eq!(bench.outcome(), Outcome::NoGo);
        let line = line(&bench, HandItem::Connectors);
        assert!(line.latched && line.judged.result == HandResult::Passed, "the entry counts, the failure stays");
        assert_eq!(bench.judge.alarms()[0].state, AlarmState::LatchedUnacknowledged);
    }
}

#[test]
fn sense_pins_have_their_own_check_and_the_same_rule() {
    let pins = |outcome| Command::Reading(HandReading::found(HandItem::SensePins, outcome, "a meter"));
    let mut bench = Bench::new();
    bench.leads = Some(0);
    bench.judge.command(&pins(HandOutcome::Failed));
    bench.judge.command(&pins(HandOutcome::Passed));
    bench.run(16_000);
    assert_eq!(bench.result("sense leads"), "passed: metered pin by pin by hand");
    // Taken back: the evidence is gone.
    bench.judge.command(&pins(HandOutcome::NotDone));
    assert!(bench.result("sense leads").starts_with("no data"), "{}", bench.result("sense leads"));
    bench.judge.command(&pins(HandOutcome::Failed));
    bench.judge.command(&pins(HandOutcome::Passed));
    assert!(bench.result("sense leads").starts_with("failed"), "{}", bench.result("sense leads"));
    assert_eq!(bench.result("before power"), "", "it is no failure of the other check");
}

#[test]
fn a_meter_reading_is_no_younger_than_it_is() {
    for (age_seconds, result) in [(0, "passed"), (58, "passed"), (60, "no data"), (600, "no data")] {
        let mut bench = Bench::new();
        (bench.flutter, bench.pack) = (0, None);
        let reading = HandReading { age_seconds, ..HandReading::pack_voltage(16_000_000_000, "a meter") };
        bench.judge.command(&Command::Reading(reading));
        bench.run(16_000);
        assert!(bench.result("pack sum").starts_with(result), "{age_seconds} s: {}", bench.result("pack sum"));
    }
    let mut bench = Bench::new();
    let taken = HandReading { age_seconds: 720, ..HandReading::sense_pins(true, "a meter") };
    bench.judge.command(&Command::Reading(taken));
    let noted = bench.lines("note");
    assert!(noted[0].ends_with("sense leads metered pin by pin with a meter: right, taken 12 min before"), "{noted:?}");
    assert_eq!(bench.result("sense leads"), "passed: metered pin by pin by hand, taken 12 min before");
}

#[test]
fn a_meter_reading_that_is_taken_back_is_none() {
    let mut bench = Bench::new();
    bench.flutter = 0;
    bench.judge.command(&Command::Reading(HandReading::pack_voltage(16_000_000_000, "a meter")));
    bench.run(1_000);
    assert_eq!(bench.judge.meter(), Some(16_000_000_000));
    assert!(bench.result("pack sum").starts_with("passed: the meter agrees"), "{}", bench.result("pack sum"));
    bench.judge.command(&found(HandItem::PackVoltage, HandOutcome::NotDone));
    assert_eq!(bench.judge.meter(), None);
    assert!(!bench.result("pack sum").contains("meter agrees"), "{}", bench.result("pack sum"));
}

#[test]
fn what_the_pack_file_requires_is_no_data_until_it_is_done() {
    let mut bench = Bench::packed("[prepare]\nrequired = [\"fuse\", \"insulation-plus\", \"open-switch\"]\n");
    bench.run(16_000);
    assert_eq!(bench.outcome(), Outcome::CannotTell);
    assert_eq!(bench.result("before power"), "no data: right fuse: not done, and 2 more");
    bench.judge.command(&found(HandItem::Fuse, HandOutcome::Passed));
    // Passed without the value that tells it is not done.
    bench.judge.command(&found(HandItem::InsulationPlus, HandOutcome::Passed));
    assert_eq!(bench.result("before power"), "no data: insulation, plus to frame: its value is missing, and 1 more");
    bench.judge.command(&entered(HandItem::InsulationPlus, "20 kohm"));
    bench.judge.command(&entered(HandItem::OpenSwitch, "0.2 V"));
    assert_eq!(bench.result("before power"), "passed: 3 of 3 that the pack file requires were done");
    assert_eq!(bench.outcome(), Outcome::Go);
    let required = bench.judge.preparation().into_iter().filter(|line| line.required).count();
    assert_eq!(required, 3);
    // A warning is a note, and put aside it is no evidence.
    assert!(bench.verdict().notes.iter().any(|note| note.contains("20 kohm")), "{:?}", bench.verdict().notes);
    bench.judge.command(&Command::Shelve { alarm: 1, length: std::time::Duration::from_secs(600) });
    assert_eq!(bench.result("before power"), "no data: an alarm of this check is shelved");
    bench.judge.command(&found(HandItem::Fuse, HandOutcome::NotDone));
    assert_eq!(bench.outcome(), Outcome::CannotTell, "taken back");
}

#[test]
fn what_was_not_done_stands_in_one_line() {
    let mut bench = Bench::new();
    let line = |bench: &Bench| {
        let lines: Vec<String> =
            bench.verdict().untested.into_iter().filter(|line| line.contains("before power")).collect();
        assert!(lines.len() < 2, "{lines:?}");
        lines.first().cloned()
    };
    let all = "24 of 24 checks before power not done: props off, helper, fire plan and 21 more";
    assert_eq!(line(&bench).as_deref(), Some(all));
    let ohms_or = |item: HandItem| match item {
        HandItem::PackVoltage => "16 V",
        HandItem::InsulationPlus | HandItem::InsulationMinus | HandItem::OpenSwitch => "5 Mohm",
        HandItem::BusDischarged => "0.1 V",
        HandItem::Soak => "8 h",
        _ => "2 degC",
    };
    for item in HandItem::all().filter(|item| *item != HandItem::Torque && *item != HandItem::LimitedSupply) {
        let done = if item.needs_value() { entered(item, ohms_or(item)) } else { found(item, HandOutcome::Passed) };
        bench.judge.command(&done);
    }
    let two = "2 of 24 checks before power not done: torque marks, current-limited first rise";
    assert_eq!(line(&bench).as_deref(), Some(two));
    bench.judge.command(&found(HandItem::Torque, HandOutcome::Passed));
    bench.judge.command(&found(HandItem::LimitedSupply, HandOutcome::Failed));
    assert_eq!(line(&bench), None, "what failed was done");
    assert!(bench.judge.alarms().iter().any(|alarm| alarm.worst == Severity::Critical));
}
