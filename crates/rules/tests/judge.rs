//! Rows in, event lines out: every limit in each stage, and what can make a verdict look better or worse than it is.

mod support;

use std::time::Duration;

use model::{Channel, Command, HandReading, LineErrorKind, Meaning, Quantity, Raw, SessionTime, Times};
use rules::{Check, Outcome, Stage};
use support::{
    Bench, PACK, Row, batch, cell, cells_kind, column, damage, flag, kind, layout, lead_test, lines, pack, pack_kind,
    sensor, setup, status, whole,
};

const NOTHING: [&str; 0] = [];

fn meter(millivolts: i64) -> Command {
    Command::Reading(HandReading::pack_voltage(millivolts * 1_000_000, "a meter"))
}

fn leads_by_hand(passed: bool) -> Command {
    Command::Reading(HandReading::sense_pins(passed, "a meter"))
}

// --- the whole verdict -----------------------------------------------------------------------------------------------

#[test]
fn a_sound_pack_at_rest_is_go_after_the_observation_and_not_before() {
    let mut bench = Bench::new();
    bench.run(14_990);
    assert_eq!(bench.outcome(), Outcome::CannotTell);
    assert_eq!(bench.verdict().because, ["watched for 14 s, a verdict needs 15 s"]);
    bench.run(15_010);
    let verdict = bench.verdict();
    assert_eq!(verdict.outcome, Outcome::Go, "{:?}", verdict.because);
    assert_eq!(verdict.covers, [Stage::BmsOnly]);
    assert_eq!(
        verdict.untested,
        [
            "bus rise",
            "idle",
            "load",
            "weak cells and connectors (they need a load of 20 A or more)",
            "the sign of the current (it takes three steps of the load)",
            "where each temperature sensor sits (warming each by hand proves it)",
            "24 of 24 checks before power not done: props off, helper, fire plan and 21 more"
        ]
    );
    let names: Vec<&str> = verdict.checks.iter().map(|check| check.check.name()).collect();
    let required =
        Check::ALL.iter().map(|(name, _)| *name).filter(|name| !["before power", "confirmed protocol"].contains(name));
    assert_eq!(names, required.collect::<Vec<_>>());
    assert!(bench.judge.alarms().is_empty());
}

#[test]
fn a_load_is_covered_and_a_small_one_proves_nothing_about_weak_cells() {
    let load = Stage::Load;
    for (amperes, stage, tells) in [
        (2_000, Stage::Idle, false),
        (5_990, Stage::Idle, false),
        (6_010, load, false),
        (19_990, load, false),
        (20_000, load, true),
        (-25_000, load, true),
    ] {
        let mut bench = Bench::new();
        bench.run(16_000);
        (bench.current, bench.bus) = (Some(amperes), Some(1600));
        bench.run(20_000);
        let verdict = bench.verdict();
        assert_eq!(verdict.covers, [Stage::BmsOnly, stage], "{amperes} mA");
        let untested = verdict.untested.iter().any(|line| line.starts_with("weak cells"));
        assert_eq!(untested, !tells, "{amperes} mA");
    }
}

#[test]
fn stages_are_told_in_their_order() {
    let mut bench = Bench::packed("rest_after = \"5 s\"\n");
    bench.run(1_000);
    bench.bus = Some(800);
    bench.run(1_500);
    (bench.current, bench.bus) = (Some(1_201), Some(1600));
    bench.run(3_000);
    bench.current = Some(20_000);
    bench.run(4_000);
    bench.current = Some(50);
    bench.run(10_000);
    bench.bus = Some(1_000);
    bench.run(11_000);
    bench.bus = None;
    bench.run(13_000);
    bench.current = None;
    bench.run(15_000);
    let expected = [
        "0.000 stage BMS only",
        "1.000 stage bus rise",
        "1.600 stage idle",
        "3.000 stage load",
        "4.000 stage recovery",
        "9.000 stage idle",
        "10.000 stage switch opened",
        "11.950 stage rest",
        "13.950 stage unknown",
    ];
    assert_eq!(bench.lines("stage"), expected);
}

// --- limits ----------------------------------------------------------------------------------------------------------

/// Holds a value for ten seconds and returns the alarm lines of one check.
fn hold(load: bool, check: &str, more: &str, set: impl Fn(&mut Bench)) -> Vec<String> {
    let mut bench = Bench::packed(more);
    bench.flutter = 0;
    if load {
        (bench.current, bench.bus) = (Some(20_000), Some(1600));
    }
    bench.run(1_000);
    bench.lines("");
    set(&mut bench);
    bench.run(11_000);
    bench.lines(&format!(" {check}: "))
}

type Set = fn(&mut Bench, i64);

/// `value` and one step beyond are held; the first raises nothing.
#[track_caller]
fn check_limit(load: bool, check: &str, value: i64, step: i64, set: Set, expected: &str) {
    let at_limit = hold(load, check, "", |bench| set(bench, value));
    let severity = if expected.contains("critical limit") { "critical" } else { "warning" };
    let raised = at_limit.iter().filter(|line| line.contains(&format!(" {severity} "))).collect::<Vec<_>>();
    assert_eq!(raised, Vec::<&String>::new(), "{value} is exactly at the limit, which is allowed");
    let beyond = hold(load, check, "", |bench| set(bench, value + step));
    assert_eq!(beyond, [expected], "{} is beyond", value + step);
}

#[test]
fn cell_limits_act_at_once() {
    let low: Set = |bench, mv| bench.cells[1] = Some(mv);
    for (load, value, step, expected) in [
        (false, 4200, 1, "1.000 raised warning cell high: cell 2 at 4.201 V, warning limit 4.200 V"),
        (true, 4200, 1, "1.000 raised warning cell high: cell 2 at 4.201 V, warning limit 4.200 V"),
        (false, 4250, 1, "1.000 raised critical cell high: cell 2 at 4.251 V, critical limit 4.250 V"),
        (true, 4250, 1, "1.000 raised critical cell high: cell 2 at 4.251 V, critical limit 4.250 V"),
    ] {
        check_limit(load, "cell high", value, step, low, expected);
    }
    for (load, value, step, expected) in [
        (false, 3500, -1, "1.000 raised warning cell low: cell 2 at 3.499 V, warning limit 3.500 V"),
        (true, 3300, -1, "1.000 raised warning cell low: cell 2 at 3.299 V, warning limit 3.300 V"),
        (false, 3000, -1, "1.000 raised critical cell low: cell 2 at 2.999 V, critical limit 3.000 V"),
        (true, 3000, -1, "1.000 raised critical cell low: cell 2 at 2.999 V, critical limit 3.000 V"),
    ] {
        check_limit(load, "cell low", value, step, low, expected);
    }
}

#[test]
fn spread_and_deviation_wait_half_a_second() {
    let spread: Set = |bench, mv| (bench.cells[1], bench.cells[2]) = (Some(4000 + mv), Some(4000));
    for (load, value, expected) in [
        (false, 20, "1.500 raised warning spread: between highest and lowest cell 21 mV, warning limit 20 mV"),
        (false, 50, "1.500 raised critical spread: between highest and lowest cell 51 mV, critical limit 50 mV"),
        (true, 80, "1.500 raised warning spread: between highest and lowest cell 81 mV, warning limit 80 mV"),
        (true, 150, "1.500 raised critical spread: between highest and lowest cell 151 mV, critical limit 150 mV"),
    ] {
        check_limit(load, "spread", value, 1, spread, expected);
    }
    // Three cells at the median. Under 20 A and 1 mohm the limits are 10 + 0.3 x 20 mV and 30 + 0.5 x 20 mV.
    let deviation: Set = |bench, mv| bench.cells[1] = Some(4000 - mv);
    for (load, value, expected) in [
        (false, 10, "1.500 raised warning deviation: cell 2 from the median by 11 mV, warning limit 10 mV"),
        (false, 30, "1.500 raised critical deviation: cell 2 from the median by 31 mV, critical limit 30 mV"),
        (true, 16, "1.500 raised warning deviation: cell 2 from the median by 17 mV, warning limit 16 mV"),
        (true, 40, "1.500 raised critical deviation: cell 2 from the median by 41 mV, critical limit 40 mV"),
    ] {
        check_limit(load, "deviation", value, 1, deviation, expected);
    }
}

#[test]
fn temperature_limits() {
    let one: Set = |bench, tenths| bench.sensors = vec![Some(tenths), Some(tenths)];
    let first: Set = |bench, tenths| bench.sensors = vec![Some(tenths), Some(if tenths < 0 { -100 } else { 400 })];
    for (value, step, set, expected) in [
        (450, 1, one, "temperature 1 (front) at 45.1 degC, warning limit 45.0 degC"),
        (600, 1, first, "temperature 1 (front) at 60.1 degC, critical limit 60.0 degC"),
    ] {
        let beyond = hold(false, "temperature high", "", |bench| set(bench, value + step));
        let severity = if value == 600 { "critical" } else { "warning" };
        assert_eq!(beyond[0], format!("1.000 raised {severity} temperature high: {expected}"));
        let at_limit = hold(false, "temperature high", "", |bench| set(bench, value));
        assert!(!at_limit.iter().any(|line| line.contains(&format!("raised {severity}"))), "{at_limit:?}");
    }
    for (value, severity, expected) in [
        (50, "warning", "temperature 1 (front) at 4.9 degC, warning limit 5.0 degC"),
        (-100, "critical", "temperature 1 (front) at -10.1 degC, critical limit -10.0 degC"),
    ] {
        let beyond = hold(false, "temperature low", "", |bench| first(bench, value - 1));
        assert_eq!(beyond[0], format!("1.000 raised {severity} temperature low: {expected}"));
        let at_limit = hold(false, "temperature low", "", |bench| first(bench, value));
        assert!(!at_limit.iter().any(|line| line.contains(&format!("raised {severity}"))), "{at_limit:?}");
    }
    let apart: Set = |bench, tenths| bench.sensors = vec![Some(250), Some(250 + tenths)];
    for (load, value, expected) in [
        (
            false,
            30,
            "2.000 raised warning temperature spread: between warmest and coldest 3.1 degC, warning limit 3.0 degC",
        ),
        (
            false,
            80,
            "2.000 raised critical temperature spread: between warmest and coldest 8.1 degC, critical limit 8.0 degC",
        ),
        (
            true,
            80,
            "2.000 raised warning temperature spread: between warmest and coldest 8.1 degC, warning limit 8.0 degC",
        ),
        (
            true,
            150,
            "2.000 raised critical temperature spread: between warmest and coldest 15.1 degC, critical limit 15.0 degC",
        ),
    ] {
        check_limit(load, "temperature spread", value, 1, apart, expected);
    }
}

/// Both sensors rise by so many hundredths of a degree a second for a minute; the lines about their rate.
fn rise(load: bool, hundredths: i64) -> Vec<String> {
    let mut kinds = vec![cells_kind(), pack_kind()];
    for place in [3, 4] {
        kinds[1].columns[place].scale = column("t", Channel::whole(Quantity::Current), "degC", "0.01", 16).scale;
    }
    let mut bench = Bench::of(PACK, kinds);
    bench.sensors = vec![Some(2500), Some(2500)];
    if load {
        (bench.current, bench.bus) = (Some(20_000), Some(1600));
    }
    for second in 1..=60 {
        bench.run(second * 1000);
        bench.sensors.iter_mut().flatten().for_each(|sensor| *sensor += hundredths);
    }
    bench.lines("temperature rate").into_iter().filter(|line| line.contains("(front)")).collect()
}

#[test]
fn temperature_rates() {
    // 0.6, 1.2, 2.4 and 6 degC a minute; the limits are 0.3 and 1 at rest, 2 and 5 under load.
    assert_eq!(rise(false, 0), NOTHING);
    let severities = |lines: &[String]| -> Vec<String> {
        lines.iter().map(|line| line.split(' ').nth(2).unwrap().to_owned()).collect()
    };
    assert_eq!(severities(&rise(false, 1)), ["warning"]);
    assert_eq!(severities(&rise(false, 2)).last().map(String::as_str), Some("critical"));
    assert_eq!(rise(true, 2), NOTHING);
    assert_eq!(severities(&rise(true, 4)), ["warning"]);
    assert_eq!(severities(&rise(true, 10)).last().map(String::as_str), Some("critical"));
    assert_eq!(rise(false, -10), NOTHING, "cooling is no alarm");
}

#[test]
fn pack_sum_and_current_at_rest_wait_a_second() {
    let pack: Set = |bench, tens| bench.pack = Some(tens);
    for (value, expected) in [
        (1608, "2.000 raised warning pack sum: pack voltage off the sum of the cells by 0.56 %, warning limit 0.50 %"),
        (
            1616,
            "2.000 raised critical pack sum: pack voltage off the sum of the cells by 1.06 %, critical limit 1.00 %",
        ),
    ] {
        check_limit(false, "pack sum", value, 1, pack, expected);
        check_limit(true, "pack sum", value, 1, pack, expected);
    }
    let current: Set = |bench, milliamperes| bench.current = Some(milliamperes);
    for (value, step, expected) in [
        (200, 1, "2.000 raised warning current at rest: current at rest 0.201 A, warning limit 0.200 A"),
        (-200, -10, "2.000 raised warning current at rest: current at rest 0.21 A, warning limit 0.20 A"),
        (800, 1, "2.000 raised critical current at rest: current at rest 0.801 A, critical limit 0.800 A"),
    ] {
        check_limit(false, "current at rest", value, step, current, expected);
    }
}

#[test]
fn a_current_at_rest_proves_nothing_while_the_loads_side_is_on_or_unknown() {
    let mut bench = Bench::new();
    (bench.current, bench.bus) = (Some(900), Some(1600));
    bench.run(16_000);
    assert_eq!(bench.lines("current at rest"), NOTHING);
    assert!(
        bench.result("current at rest").starts_with("no data: not seen at rest"),
        "{}",
        bench.result("current at rest")
    );

    let mut kinds = vec![cells_kind(), pack_kind()];
    kinds[1].columns.remove(1);
    // Where the line does not tell, an offset is what is there before anything has changed.
    let mut bench = Bench::of(PACK, kinds.clone());
    bench.current = Some(900);
    bench.run(16_000);
    let raised = "1.000 raised critical current at rest: current at rest 0.90 A, critical limit 0.80 A";
    assert_eq!(bench.lines("current at rest"), [raised]);
    let mut bench = Bench::of(PACK, kinds);
    bench.run(5_000);
    bench.current = Some(900);
    bench.run(16_000);
    assert_eq!(bench.lines("current at rest"), NOTHING, "something was switched on");
    assert_eq!(bench.result("current at rest"), "passed: 50 readings at rest");
}

#[test]
fn an_alarm_clears_inside_the_deadband_after_the_off_delay() {
    let mut bench = Bench::new();
    bench.run(1_000);
    bench.lines("");
    bench.cells[1] = Some(4201);
    bench.run(2_000);
    bench.cells[1] = Some(4196);
    bench.run(5_000);
    let raised = "1.000 raised warning cell high: cell 2 at 4.201 V, warning limit 4.200 V";
    assert_eq!(bench.lines("cell high"), [raised], "5 mV of deadband: 4.196 V is not far enough inside");
    bench.cells[1] = Some(4195);
    bench.run(5_500);
    bench.cells[1] = Some(4200);
    bench.run(5_600);
    bench.cells[1] = Some(4195);
    bench.run(7_000);
    let returned = "6.600 returned warning cell high: cell 2 at 4.201 V, warning limit 4.200 V";
    assert_eq!(bench.lines("cell high"), [returned], "a second inside without a break");
}

#[test]
fn a_single_set_beyond_a_limit_raises_nothing_on_a_slow_line() {
    let mut kinds = vec![cells_kind(), pack_kind()];
    kinds[0].every = Some(Duration::from_millis(1000));
    let mut bench = Bench::of(PACK, kinds);
    bench.run(3_500);
    bench.lines("");
    bench.cells[1] = Some(3900);
    bench.run(4_500);
    assert_eq!(bench.lines("spread"), NOTHING);
    bench.cells[1] = Some(4000);
    bench.run(8_500);
    assert_eq!(bench.lines("spread"), NOTHING, "mixed from two moments, for all we know");
    bench.cells[1] = Some(3900);
    bench.run(10_500);
    let raised = "10.000 raised critical spread: between highest and lowest cell 101 mV, critical limit 50 mV";
    assert_eq!(bench.lines("spread"), [raised]);
}

#[test]
fn no_verdict_is_go_while_a_critical_delay_runs() {
    let mut bench = Bench::packed("[limits.spread_rest]\non_delay = \"60 s\"\n");
    bench.run(2_000);
    bench.cells[1] = Some(3900);
    bench.run(20_000);
    assert_eq!(
        bench.result("spread"),
        "no data: just now between highest and lowest cell 100 mV, critical limit 50 mV"
    );
    bench.run(63_000);
    assert!(bench.result("spread").starts_with("failed"), "{}", bench.result("spread"));
}

#[test]
fn limits_below_what_the_readings_can_tell_have_no_data() {
    let mut kinds = vec![cells_kind(), pack_kind()];
    for column in &mut kinds[0].columns[2..] {
        column.scale = support::column("c", column.channel, "mV", "10", 16).scale;
    }
    let mut bench = Bench::of(PACK, kinds);
    bench.cells = vec![Some(400); 4];
    bench.run(16_000);
    assert_eq!(
        bench.result("deviation"),
        "no data: three steps of a reading and the accuracy of the BMS are 35 mV, the critical limit is 30 mV"
    );
    assert!(bench.result("spread").starts_with("passed"), "{}", bench.result("spread"));
}

// --- cells and sensors -----------------------------------------------------------------------------------------------

#[test]
fn absent_values_lower_the_verdict_and_do_not_chatter() {
    let mut bench = Bench::new();
    bench.run(16_000);
    assert_eq!(bench.outcome(), Outcome::Go);
    bench.lines("");
    bench.cells[2] = None;
    bench.run(16_100);
    assert_eq!(bench.result("all cells"), "no data: no value now of cell 3");
    // Every second row has no value.
    for step in 0..40 {
        bench.cells[2] = (step % 2 == 0).then_some(4000);
        bench.run(16_150 + step * 50);
    }
    bench.cells[2] = Some(4000);
    bench.run(20_000);
    assert_eq!(
        bench.lines("all cells"),
        [
            "16.000 raised warning all cells: cell 3 has no value",
            "19.100 returned warning all cells: cell 3 has no value"
        ]
    );
    assert_eq!(bench.result("all cells"), "no data: 22 of 400 sets of cells were not whole");
    bench.sensors[1] = None;
    bench.run(20_100);
    assert_eq!(bench.result("all temperatures"), "no data: no value now of temperature 2");
    assert_eq!(
        bench.lines("temperature"),
        ["20.000 raised warning all temperatures: temperature 2 (back) has no value"]
    );
}

#[test]
fn impossible_values_are_critical() {
    for (tenths, expected) in [
        (-399, "temperature 2 (back) reads -39.9 degC: the sensor or its wire is open"),
        (1201, "temperature 2 (back) reads 120.1 degC: the sensor or its wire is shorted"),
    ] {
        let mut bench = Bench::new();
        bench.run(1_000);
        bench.sensors[1] = Some(tenths);
        bench.run(2_000);
        let raised = format!("1.000 raised critical possible values: {expected}");
        assert_eq!(bench.lines("possible"), [raised]);
        assert_eq!(bench.lines("temperature high"), NOTHING, "said once");
        assert_eq!(bench.outcome(), Outcome::NoGo);
    }
    let mut bench = Bench::new();
    bench.cells[0] = Some(5_001);
    bench.run(1_000);
    let expected = "0.000 raised critical possible values: cell 1 reads 5.001 V: no sound cell has that voltage: look at \
                    its sense leads";
    assert_eq!(bench.lines("possible"), [expected]);
}

#[test]
fn a_place_that_the_pack_does_not_have_is_told() {
    let mut kinds = vec![cells_kind(), pack_kind()];
    kinds[0].columns.push(cell(5));
    let mut bench = Bench::of(PACK, kinds);
    bench.cells.push(Some(4000));
    bench.run(16_000);
    assert_eq!(
        bench.result("all cells"),
        "no data: likely wrong cell count: the line carries cell 5, the pack file has 4"
    );
    bench.cells[4] = Some(0);

    let mut kinds = vec![cells_kind(), pack_kind()];
    kinds[1].columns.push(sensor(3));
    let mut bench = Bench::of(PACK, kinds);
    bench.sensors.push(Some(900));
    bench.run(16_000);
    assert_eq!(bench.result("all temperatures"), "no data: the line carries temperature 3, the pack file names 2");

    let mut kinds = vec![cells_kind(), pack_kind()];
    kinds[0].columns.push(cell(5));
    kinds[1].columns.push(sensor(3));
    let mut bench = Bench::of(PACK, kinds);
    bench.cells.insert(4, Some(0));
    bench.sensors.push(Some(-400));
    bench.run(16_000);
    assert_eq!(bench.outcome(), Outcome::Go, "unused inputs read nothing: {:?}", bench.verdict().because);
}

#[test]
fn fewer_cells_on_the_line_than_in_the_pack_is_cannot_tell() {
    let mut bench = Bench::of(&PACK.replace("cells = 4", "cells = 12"), vec![cells_kind(), pack_kind()]);
    bench.run(16_000);
    assert_eq!(bench.result("all cells"), "no data: no value now of cells 5, 6, 7, 8, 9, 10 and 2 more");
}

#[test]
fn cells_spread_over_messages_make_sets_and_lost_messages_count() {
    let kinds = || {
        let parts = [[1, 2], [3, 4]].map(|places| kind("part", 50, places.into_iter().map(cell).collect()));
        let [one, two] = parts;
        vec![one, two, pack_kind()]
    };
    let mut bench = Bench::of(PACK, kinds());
    bench.run(16_000);
    assert_eq!(bench.outcome(), Outcome::Go, "{:?}", bench.verdict().because);
    for index in 0..8 {
        bench.lost = if index % 2 == 0 { vec![1] } else { Vec::new() };
        bench.run(16_050 + index * 50);
    }
    bench.run(20_000);
    assert!(bench.result("all cells").starts_with("passed"), "one set in a hundred: {}", bench.result("all cells"));
    for index in 0..8 {
        bench.lost = if index % 2 == 0 { vec![1] } else { Vec::new() };
        bench.run(20_050 + index * 50);
    }
    bench.run(20_500);
    assert_eq!(bench.result("all cells"), "no data: 8 of 410 sets of cells were not whole");
}

#[test]
fn a_jump_of_the_current_inside_a_set_is_no_fault() {
    // Cells 1 and 2 come 500 ms before cells 3 and 4; between them the current jumps by 160 A, which move a cell by 160 mV.
    let parts = [[1, 2], [3, 4]].map(|places| kind("part", 1000, places.into_iter().map(cell).collect()));
    let [one, two] = parts;
    let mut bench = Bench::of(PACK, vec![one, two, pack_kind()]);
    bench.silent = vec![0, 1];
    bench.bus = Some(1600);
    for half in 0..60 {
        bench.run(half * 500);
        let load = half % 2 == 1;
        bench.current = Some(if load { 180_000 } else { 20_000 });
        bench.cells = vec![Some(if load { 3820 } else { 3980 }); 4];
        bench.send(usize::try_from(half % 2).unwrap());
    }
    assert_eq!(bench.lines("spread"), NOTHING);
    assert_eq!(bench.lines("deviation"), NOTHING);
    assert!(!bench.verdict().covers.contains(&Stage::Load), "and they are no evidence");
}

#[test]
fn cells_that_are_read_one_after_another_do_not_compare_across_a_jump_of_the_current() {
    // The BMS reads its four cells over a second; for 900 ms after each jump cells 3 and 4 still show what was before.
    for scan in [None, Some(Duration::from_secs(1))] {
        let mut kinds = vec![cells_kind(), pack_kind()];
        for column in &mut kinds[0].columns {
            column.scan = scan;
        }
        let mut bench = Bench::of(PACK, kinds);
        bench.bus = Some(1600);
        for step in 0..200 {
            let load = step / 40 % 2 == 1;
            let late = step >= 40 && step % 40 < 9;
            bench.current = Some(if load { 180_000 } else { 20_000 });
            let volts = |load: bool| Some(if load { 3820 } else { 3980 });
            bench.cells = vec![volts(load), volts(load), volts(load != late), volts(load != late)];
            bench.run(step * 100);
        }
        let said = bench.lines("spread").len() + bench.lines("deviation").len();
        assert_eq!(said == 0, scan.is_some(), "{scan:?}: {said} lines");
    }
}

#[test]
fn a_channel_carried_twice_is_held_against_its_limits_twice_and_counted_once() {
    let mut kinds = vec![cells_kind(), pack_kind()];
    kinds.push(kind("again", 50, vec![cell(2), sensor(1), whole("current", Quantity::Current, "mA", "1", 32)]));
    let mut bench = Bench::of(PACK, kinds.clone());
    bench.run(16_000);
    assert_eq!(bench.outcome(), Outcome::Go, "{:?}", bench.verdict().because);
    bench.lines("");
    let mut row = |numbers: [i64; 3]| {
        let numbers = numbers.iter().map(|number| Some(Raw::Int((*number).into()))).collect();
        let row = Row { kind: 2, at: SessionTime::from_millis(bench.now), numbers };
        bench.judge.batch(&batch(3, &[row]));
        bench.now += 50;
        bench.lines("")
    };
    assert_eq!(
        row([4201, 250, 90_000]),
        ["16.000 raised warning cell high: cell 2 at 4.201 V, warning limit 4.200 V"],
        "and no change of stage"
    );
    assert_eq!(
        row([4201, 601, 50]),
        ["16.050 raised critical temperature high: temperature 1 at 60.1 degC, critical limit 60.0 degC"]
    );
    bench.silent.push(2);
    bench.run(20_000);
    assert!(bench.result("temperature high").starts_with("failed"));
}

#[test]
fn cells_that_are_balanced_do_not_compare() {
    let mut bench = Bench::new();
    bench.run(1_000);
    bench.lines("");
    bench.status = Some(0b100);
    bench.run(1_200);
    bench.cells = vec![Some(3960), Some(4020), Some(4000), Some(4000)];
    bench.run(16_000);
    assert_eq!(bench.lines("deviation"), NOTHING);
    assert_eq!(bench.result("deviation"), "passed: 20 sets at rest, 0 under load");
    bench.status = Some(0);
    bench.run(20_000);
    assert_eq!(bench.lines("critical deviation").len(), 1, "they are off without balancing too");

    let mut bench = Bench::new();
    bench.status = Some(0b100);
    bench.run(16_000);
    assert_eq!(bench.result("spread"), "no data: not seen at rest without balancing");

    // The cells show it before the status does: a delay that runs by then begins again.
    let mut bench = Bench::new();
    bench.run(1_000);
    bench.cells = vec![Some(3960), Some(4020), Some(4000), Some(4000)];
    bench.run(1_300);
    bench.status = Some(0b100);
    bench.run(16_000);
    assert_eq!(bench.lines("critical"), NOTHING);
}

// --- what no longer moves --------------------------------------------------------------------------------------------

#[test]
fn a_counter_that_stands_still_is_critical() {
    let mut bench = Bench::new();
    bench.run(1_000);
    bench.lines("");
    bench.counting = false;
    bench.run(2_000);
    let text = "message \"cells\" comes, but its counter or clock stands still: the values are frozen";
    assert_eq!(bench.lines("live"), [format!("1.200 raised critical live values: {text}")]);
    bench.counting = true;
    bench.run(4_000);
    assert_eq!(bench.lines("live"), [format!("3.000 returned critical live values: {text}")]);
    assert_eq!(bench.outcome(), Outcome::NoGo, "latched");
}

#[test]
fn a_frozen_message_is_not_hidden_by_one_that_moves() {
    let mut kinds = vec![cells_kind(), pack_kind()];
    kinds[1].columns.push(whole("count", Quantity::FrameCounter, "", "1", 8));
    let mut bench = Bench::of(PACK, kinds);
    bench.run(1_000);
    bench.lines("");
    for step in 0..40 {
        bench.counts[0] = 7;
        bench.run(1_050 + step * 50);
    }
    let lines = bench.lines("live");
    assert_eq!(lines.len(), 1, "raised once, and not cleared by the other: {lines:?}");
    assert!(lines[0].contains("\"cells\""), "{lines:?}");
}

#[test]
fn a_clock_in_whole_seconds_is_sound() {
    let mut kinds = vec![cells_kind(), pack_kind()];
    kinds[0].columns.remove(0);
    kinds[0].columns[0] = whole("uptime", Quantity::DeviceTime, "s", "1", 32);
    let mut bench = Bench::of(PACK, kinds);
    // The bench sends milliseconds: turn them into whole seconds.
    for second in 0..20 {
        for step in 0..20 {
            bench.now = second * 1000 + step * 50;
            bench.uptime = i64::try_from(second).unwrap() - i64::try_from(bench.now).unwrap();
            bench.send(0);
            if step % 2 == 0 {
                bench.send(1);
            }
        }
    }
    bench.judge.advance(SessionTime::from_millis(20_000));
    assert_eq!(bench.lines("live"), NOTHING);
    assert!(bench.result("live values").starts_with("passed"), "{}", bench.result("live values"));
}

#[test]
fn cells_that_do_not_follow_the_current_are_frozen() {
    let mut bench = Bench::new();
    bench.flutter = 0;
    bench.run(1_000);
    bench.lines("");
    (bench.current, bench.bus) = (Some(30_000), Some(1600));
    bench.run(5_000);
    let expected = "4.050 raised critical live values: no cell has moved although the current changed by 30.0 A: the values \
                    are frozen";
    assert_eq!(bench.lines("live"), [expected]);
}

#[test]
fn cells_that_stand_still_at_a_new_level_are_sound() {
    // The cells show the load before the current does, and then their coarse steps hide the rest.
    let mut bench = Bench::new();
    bench.flutter = 0;
    bench.run(1_000);
    bench.lines("");
    (bench.cells, bench.pack) = (vec![Some(3970); 4], Some(1593));
    bench.run(1_200);
    (bench.current, bench.bus) = (Some(30_000), Some(1600));
    bench.run(20_000);
    assert_eq!(bench.lines("critical"), NOTHING);
}

#[test]
fn one_cell_that_stays_while_the_others_move_is_frozen() {
    let mut bench = Bench::new();
    bench.run(2_000);
    bench.lines("");
    (bench.current, bench.bus) = (Some(20_000), Some(1600));
    bench.cells = vec![Some(3985), Some(4000), Some(3985), Some(3985)];
    bench.run(8_000);
    let expected =
        "5.000 raised critical live values: cell 2 has not moved while the others moved by 15 mV: it is frozen";
    assert_eq!(bench.lines("critical"), [expected], "15 mV are inside the limit of deviation");
    assert_eq!(bench.outcome(), Outcome::NoGo);
}

#[test]
fn resting_values_that_never_change_are_cannot_tell_and_no_fault() {
    let mut bench = Bench::new();
    bench.flutter = 0;
    bench.run(30_000);
    assert!(bench.judge.alarms().is_empty());
    assert_eq!(bench.result("live values"), "no data: only 1 different sets of cells");
}

// --- messages, counters, link ----------------------------------------------------------------------------------------

#[test]
fn each_message_is_missed_by_its_name_and_go_is_withdrawn() {
    let mut bench = Bench::new();
    bench.run(16_000);
    bench.lines("");
    bench.silent = vec![0];
    bench.run(16_500);
    assert_eq!(bench.result("message periods"), "no data: message \"cells\" does not come any more");
    bench.silent = vec![0, 1];
    bench.run(18_000);
    assert_eq!(
        bench.lines(""),
        [
            "16.250 raised warning message periods: message \"cells\" has not come for 300 ms",
            "16.750 raised warning message periods: message \"pack\" has not come for 350 ms",
            "17.450 stage unknown",
            "18.000 finding found likely silent line "
        ]
    );
    assert_eq!(bench.result("all cells"), "no data: no value now of cells 1, 2, 3, 4");
    assert_eq!(bench.outcome(), Outcome::CannotTell);
    bench.silent = vec![1];
    bench.run(21_000);
    let back = "20.000 returned warning message periods: message \"cells\" has not come for 300 ms";
    assert_eq!(bench.lines("message"), [back], "steady for two seconds, and the other is still missing");
    bench.silent.clear();
    bench.run(40_000);
    assert_eq!(bench.result("message periods"), "no data: a gap of 4600 ms from 16.400 s");
}

#[test]
fn cells_must_stay_fresh_where_another_message_is_slow() {
    let mut kinds = vec![cells_kind(), pack_kind(), kind("slow", 20_000, vec![status(2)])];
    kinds[2].verified = true;
    let text = format!("{PACK}[waivers]\n\"message periods\" = \"the bench test stops messages\"\n");
    let mut bench = Bench::of(&text, kinds);
    bench.run(21_000);
    assert_eq!(bench.outcome(), Outcome::Go, "{:?}", bench.verdict().because);
    bench.silent = vec![0];
    bench.run(22_100);
    assert_eq!(bench.result("all cells"), "no data: no value now of cells 1, 2, 3, 4");
}

#[test]
fn the_age_of_the_data_is_that_of_the_message_that_stopped() {
    let mut bench = Bench::new();
    assert_eq!(bench.judge.data_age(), None);
    bench.run(2_000);
    assert_eq!(bench.judge.data_age(), Some(Duration::from_millis(50)));
    bench.silent = vec![0];
    bench.run(5_000);
    assert_eq!(bench.judge.data_age(), Some(Duration::from_millis(3050)));
}

#[test]
fn lost_frames_are_counted_whatever_the_counter_counts() {
    let counted = || {
        let mut kinds = vec![cells_kind(), pack_kind()];
        kinds[1].columns.push(whole("count", Quantity::FrameCounter, "", "1", 8));
        kinds
    };
    let periods = |bench: &Bench| bench.result("message periods");
    let lost = |count| format!("passed: every message came in time; by their counters {count} frames were lost");
    // Each kind for itself.
    let mut bench = Bench::of(PACK, counted());
    bench.run(16_000);
    assert_eq!(periods(&bench), lost(0));
    bench.lost = vec![0];
    bench.run(16_100);
    bench.lost.clear();
    bench.run(17_000);
    assert_eq!(periods(&bench), lost(2));
    // One counter for both: cells 1 2, 1 2, ... and pack 3, 3, ...
    let mut bench = Bench::of(PACK, counted());
    bench.counting = false;
    let mut shared = 0;
    for step in 0..320 {
        bench.now = step * 50;
        for kind in if step % 2 == 0 { &[0, 1][..] } else { &[0] } {
            shared += 1;
            bench.counts = vec![shared; 2];
            // One frame in the middle is lost.
            if step != 200 || *kind == 1 {
                bench.send(*kind);
            }
        }
    }
    bench.quiet(16_001);
    assert_eq!(periods(&bench), lost(1));
    assert_eq!(bench.outcome(), Outcome::Go, "{:?}", bench.verdict().because);
}

#[test]
fn frames_that_only_the_counter_misses_count_as_damage() {
    let mut bench = Bench::new();
    bench.run(16_000);
    for step in 0..8 {
        bench.lost = if step % 2 == 0 { vec![0] } else { Vec::new() };
        bench.run(16_050 + step * 50);
    }
    assert_eq!(bench.result("link"), "passed: 488 sound frames, 0 damaged");
    for step in 0..8 {
        bench.lost = if step % 2 == 0 { vec![0] } else { Vec::new() };
        bench.run(16_450 + step * 50);
    }
    assert_eq!(
        bench.result("link"),
        "no data: 0 frames are damaged and 8 are missing by their counters, 496 are sound"
    );
}

#[test]
fn a_restart_of_the_bms_is_not_overlooked() {
    let mut bench = Bench::new();
    bench.run(16_000);
    assert_eq!(bench.outcome(), Outcome::Go);
    bench.uptime = -16_000;
    bench.run(17_000);
    assert_eq!(
        bench.result("live values"),
        "no data: the counter or clock of message \"cells\" jumped at 16.000 s: the BMS restarted, or its clock was set"
    );
    assert!(bench.judge.alarms().is_empty(), "no proof of a fault: {:?}", bench.judge.alarms());
}

#[test]
fn damage_warns_then_fails_and_few_frames_are_no_excuse() {
    let mut bench = Bench::new();
    bench.run(5_000);
    for _ in 0..3 {
        bench.judge.batch(&damage(2, SessionTime::from_millis(bench.now), 20));
    }
    bench.run(6_010);
    let lines = bench.lines("link");
    assert_eq!(
        lines.last().map(String::as_str),
        Some("6.000 raised warning link: 1.6 % of the frames of the last seconds are damaged"),
        "{lines:?}"
    );
    for _ in 0..30 {
        bench.judge.batch(&damage(2, SessionTime::from_millis(bench.now), 20));
    }
    bench.run(7_010);
    let worse = "7.000 worse critical link: 13.6 % of the frames of the last seconds are damaged";
    assert_eq!(bench.lines("link"), [worse]);
    assert_eq!(bench.outcome(), Outcome::NoGo);

    let mut kinds = vec![cells_kind(), pack_kind()];
    kinds.iter_mut().for_each(|kind| kind.every = Some(Duration::from_millis(2000)));
    let mut bench = Bench::of(PACK, kinds);
    bench.run(16_000);
    bench.judge.batch(&damage(2, SessionTime::from_millis(bench.now), 20));
    assert_eq!(bench.result("link"), "no data: 1 frames are damaged and 0 are missing by their counters, 16 are sound");
}

#[test]
fn a_lost_line_and_a_clock_step_stay_for_the_session() {
    let mut bench = Bench::new();
    bench.run(16_000);
    bench.lines("");
    bench.judge.lost("unplugged");
    assert_eq!(lines(&mut bench.judge), ["16.000 link lost: unplugged", "16.000 verdict cannot tell"]);
    bench.judge.opened("again");
    bench.run(40_000);
    assert_eq!(bench.result("link"), "no data: the link was lost at 16.000 s");
    assert!(bench.judge.link_was_lost());

    let mut bench = Bench::new();
    bench.run(16_000);
    bench.judge.clock_step(-90_000_000_000);
    assert_eq!(bench.result("link"), "no data: the host slept or its clock was set at 16.000 s");
}

#[test]
fn errors_of_the_line_are_said_once_a_second_and_too_many_are_no_evidence() {
    let mut bench = Bench::new();
    bench.run(16_000);
    bench.lines("");
    bench.judge.line_errors(LineErrorKind::Framing, 1);
    bench.judge.line_errors(LineErrorKind::Framing, 1);
    bench.judge.line_errors(LineErrorKind::Break, 1);
    assert_eq!(lines(&mut bench.judge), ["16.000 link line errors: 1 framing error on the line"]);
    let result = bench.result("link");
    assert!(result.starts_with("passed") && result.contains(", 3 errors of the line itself"), "{result}");
    bench.run(17_000);
    bench.lines("");
    bench.judge.line_errors(LineErrorKind::Parity, 2000);
    let said = "17.000 link line errors: 2000 parity, 1 framing, 1 break errors on the line";
    assert!(lines(&mut bench.judge).contains(&said.to_owned()));
    let result = bench.result("link");
    assert!(result.starts_with("no data: the line itself reported 2003 errors beside"), "{result}");
}

#[test]
fn a_line_that_reports_errors_and_gives_no_frame_points_to_its_settings() {
    let mut bench = Bench::new();
    bench.judge.opened("port");
    bench.quiet(20_000);
    bench.judge.received(412);
    bench.judge.line_errors(LineErrorKind::Framing, 400);
    bench.judge.batch(&damage(2, SessionTime::from_millis(20_000), 412));
    let expected = "412 bytes, no valid frame; no frame start was seen: look at baud rate and protocol; \
                    the line itself reported 400 errors: most often the baud rate or the parity is another";
    assert_eq!(bench.verdict().because[0], expected);
}

#[test]
fn nothing_and_rubbish_are_told_apart() {
    let mut bench = Bench::new();
    bench.quiet(20_000);
    assert_eq!(bench.verdict().because[0], "no byte came: is the BMS awake, and are its lines the right way round?");
    bench.judge.received(412);
    bench.judge.batch(&damage(2, SessionTime::from_millis(20_000), 412));
    let expected = "412 bytes, no valid frame; no frame start was seen: look at baud rate and protocol";
    assert_eq!(bench.verdict().because[0], expected);
    assert_eq!(bench.outcome(), Outcome::CannotTell);
}

#[test]
fn assumed_times_are_never_go() {
    let setup = rules::Setup { times: Times::Assumed, ..setup(layout(vec![cells_kind(), pack_kind()])) };
    let mut bench = Bench::with(PACK, setup);
    bench.run(30_000);
    let no_data: Vec<String> =
        bench.verdict().because.iter().map(|why| why.split(':').next().unwrap().to_owned()).collect();
    assert_eq!(no_data, ["message periods", "measured times", "temperature rate"]);
    assert!(bench.judge.alarms().is_empty(), "{:?}", bench.judge.alarms());
    bench.quiet(60_000);
    assert_eq!(bench.lines("message"), NOTHING, "a silence has no meaning then");
}

#[test]
fn with_a_draft_of_a_protocol_nothing_is_go() {
    let mut sound = Bench::new();
    sound.run(30_000);
    assert_eq!(sound.outcome(), Outcome::Go);
    assert_eq!(sound.result("confirmed protocol"), "", "not asked of another file");

    let setup = rules::Setup { draft: true, ..setup(layout(vec![cells_kind(), pack_kind()])) };
    let mut bench = Bench::with(PACK, setup);
    bench.run(30_000);
    assert_eq!(bench.outcome(), Outcome::CannotTell);
    let why =
        "the protocol file is a draft: hold its values against a display or a meter, then take \"draft\" out of it";
    assert_eq!(bench.result("confirmed protocol"), format!("no data: {why}"));
    assert_eq!(bench.verdict().because, [format!("confirmed protocol: {why}")]);
}

#[test]
fn a_message_without_a_checksum_must_be_waived() {
    let mut kinds = vec![cells_kind(), pack_kind()];
    kinds[1].verified = false;
    let mut bench = Bench::of(PACK, kinds.clone());
    bench.run(16_000);
    assert_eq!(bench.result("checksum"), "no data: the line has messages without a checksum: damage can't be seen");
    let mut bench = Bench::of(&format!("{PACK}[waivers]\nchecksum = \"this BMS has none\"\n"), kinds);
    bench.run(16_000);
    let verdict = bench.verdict();
    assert_eq!((verdict.outcome, verdict.notes), (Outcome::Go, vec!["waived: checksum: this BMS has none".to_owned()]));
}

#[test]
fn a_message_that_no_check_needs_may_come_once() {
    let mut kinds = vec![cells_kind(), pack_kind(), kind("hello", 100, vec![])];
    kinds[2].every = None;
    let mut bench = Bench::of(PACK, kinds);
    bench.send(2);
    bench.silent = vec![2];
    bench.run(16_000);
    assert_eq!(bench.outcome(), Outcome::Go, "{:?}", bench.verdict().because);
}

#[test]
fn a_message_that_never_came_is_missed() {
    let mut bench = Bench::of(PACK, vec![cells_kind(), pack_kind(), kind("more", 100, vec![status(2)])]);
    bench.silent = vec![2];
    bench.run(16_000);
    assert_eq!(bench.result("message periods"), "no data: message \"more\" never came");
    assert_eq!(bench.result("status"), "no data: no status of message \"more\" yet");
}

// --- current -----------------------------------------------------------------------------------------------------------

#[test]
fn without_a_current_nobody_can_tell() {
    let mut bench = Bench::new();
    bench.current = None;
    bench.run(20_000);
    assert_eq!(bench.verdict().covers, [Stage::BmsOnly], "the bus alone tells that");
    assert_eq!(bench.outcome(), Outcome::CannotTell);
    let mut bench = Bench::new();
    (bench.current, bench.bus) = (None, None);
    bench.run(20_000);
    assert_eq!(bench.verdict().covers, []);
    let mut bench = Bench::new();
    bench.bus = None;
    bench.run(16_000);
    bench.current = None;
    bench.run(18_000);
    assert_eq!(bench.lines("stage"), ["0.000 stage rest", "16.950 stage unknown"]);
    bench.current = Some(50);
    bench.run(19_000);
    assert_eq!(bench.lines("stage"), ["18.000 stage recovery"], "there may have been a load");
}

// --- pack sum ------------------------------------------------------------------------------------------------------------

#[test]
fn a_computed_sum_is_no_evidence_and_a_meter_is() {
    let mut bench = Bench::new();
    bench.pack = Some(1600);
    bench.run(16_000);
    assert_eq!(
        bench.result("pack sum"),
        "no data: the reported pack voltage is the computed sum of the cells: it is no evidence, take a reading by meter"
    );
    bench.judge.command(&meter(16_010));
    assert!(bench.result("pack sum").contains("not compared yet"), "{}", bench.result("pack sum"));
    bench.run(17_000);
    assert_eq!(bench.result("pack sum"), "passed: the meter agrees within 0.06 %");
    assert_eq!(bench.outcome(), Outcome::Go);
    bench.judge.command(&meter(16_400));
    bench.run(18_000);
    assert_eq!(
        bench.result("pack sum"),
        "failed: the meter's 16.40 V is off the sum of the cells, 16.00 V, by 2.49 % (at 17.000 s)",
        "a second reading counts too"
    );
    bench.judge.command(&meter(16_010));
    bench.run(20_000);
    assert_eq!(bench.outcome(), Outcome::NoGo, "latched");
}

#[test]
fn a_meter_reading_at_its_limits_and_the_wrong_way_round() {
    for (millivolts, result) in [
        (16_080, "passed"),
        (16_160, "passed"),
        (16_170, "failed"),
        (15_830, "failed"),
        (-16_000, "failed"),
        (0, "failed"),
    ] {
        let mut bench = Bench::new();
        bench.flutter = 0;
        bench.run(1_000);
        bench.judge.command(&meter(millivolts));
        bench.run(2_000);
        assert!(bench.result("pack sum").starts_with(result), "{millivolts}: {}", bench.result("pack sum"));
    }
    let mut bench = Bench::new();
    (bench.pack, bench.current, bench.bus) = (Some(1600), Some(20_000), Some(1600));
    bench.run(1_000);
    bench.judge.command(&meter(16_000));
    for (until, why) in [(60_000, "not compared yet"), (70_000, "too old to be compared")] {
        bench.run(until);
        assert!(bench.result("pack sum").contains(why), "under load: {}", bench.result("pack sum"));
    }
}

#[test]
fn a_computed_sum_of_cut_values_is_recognised() {
    // A BMS adds up what it measures in tenths of a millivolt and sends whole ones: up to 4 mV of the sum are cut off.
    let mut bench = Bench::new();
    let mut kinds = bench.layout.kinds.clone();
    kinds[1].columns[0] = whole("pack", Quantity::PackVoltage, "mV", "1", 16);
    bench = Bench::of(PACK, kinds);
    bench.pack = Some(16_003);
    bench.flutter = 0;
    bench.run(16_000);
    assert!(bench.result("pack sum").contains("computed sum"), "{}", bench.result("pack sum"));
}

// --- status and sense leads ----------------------------------------------------------------------------------------------

#[test]
fn bits_and_states_raise_and_clear_their_own_alarms() {
    let mut bench = Bench::new();
    bench.run(1_000);
    bench.lines("");
    bench.status = Some(0b11);
    bench.run(2_000);
    assert_eq!(
        bench.lines("status"),
        [
            "1.000 raised critical status: the BMS reports: cell fault",
            "1.000 raised warning status: the BMS reports: charge low"
        ]
    );
    bench.status = Some(0b10);
    bench.run(3_000);
    assert_eq!(bench.lines("status"), ["2.000 returned critical status: the BMS reports: cell fault"]);
    assert!(bench.result("status").starts_with("failed: the BMS reports: cell fault"));
    for (value, expected) in [
        (2, vec!["raised critical sense leads: the BMS's own test of its sense leads: failed"]),
        (
            3,
            vec![
                "returned critical sense leads: the BMS's own test of its sense leads: failed",
                "raised critical sense leads: the BMS's own test of its sense leads: failed twice",
            ],
        ),
        (1, vec!["returned critical sense leads: the BMS's own test of its sense leads: failed twice"]),
    ] {
        bench.leads = Some(value);
        let until = bench.now + 500;
        bench.run(until);
        let seen: Vec<String> = bench.lines("sense").iter().map(|line| line[6..].to_owned()).collect();
        assert_eq!(seen, expected);
    }
}

#[test]
fn two_words_of_one_place_do_not_clear_each_other() {
    let kinds = vec![cells_kind(), pack_kind(), kind("more", 100, vec![status(1)])];
    let mut bench = Bench::of(PACK, kinds);
    bench.run(1_000);
    bench.lines("");
    let word = |bench: &mut Bench, kind: usize, value: i128| {
        let mut numbers = vec![None; if kind == 2 { 0 } else { 5 }];
        numbers.push(Some(Raw::Int(value)));
        let row = Row { kind, at: SessionTime::from_millis(bench.now), numbers };
        bench.judge.batch(&batch(3, &[row]));
        bench.lines("status").len()
    };
    assert_eq!(word(&mut bench, 1, 0b10), 1, "raised");
    assert_eq!(word(&mut bench, 2, 0b1000), 0, "another word changes");
    assert_eq!(word(&mut bench, 2, 0), 0);
    assert!(bench.judge.alarms().iter().all(|alarm| alarm.active));
}

#[test]
fn status_needs_every_word_and_one_that_says_something() {
    let mut bench = Bench::new();
    bench.run(16_000);
    assert_eq!(bench.result("status"), "passed: the BMS reports no fault");
    bench.status = Some(0b1000);
    bench.run(16_200);
    assert_eq!(bench.result("status"), "no data: it says \"starting\"");
    bench.status = None;
    bench.run(18_000);
    assert_eq!(bench.result("status"), "no data: no status of message \"pack\" now");

    let mut bench = Bench::new();
    bench.status = None;
    bench.run(16_000);
    assert_eq!(bench.result("status"), "no data: no status of message \"pack\" yet");

    let mut kinds = vec![cells_kind(), pack_kind()];
    kinds[1].columns[5].meaning = Meaning::Number;
    let mut bench = Bench::of(PACK, kinds);
    bench.run(16_000);
    assert_eq!(bench.result("status"), "no data: the protocol file does not say what the status means");

    let mut kinds = vec![cells_kind(), pack_kind()];
    kinds[1].columns.remove(5);
    let mut bench = Bench::of(PACK, kinds);
    bench.run(16_000);
    assert_eq!(bench.result("status"), "no data: the line carries no status");
}

#[test]
fn sense_leads_pass_by_a_test_or_by_hand_and_by_nothing_else() {
    for (leads, expected) in [
        (Some(1), "passed: the BMS's own test passed"),
        (Some(0), "no data: the BMS's own test has not passed (it says \"not run\"): or meter the pins by hand"),
        (Some(9), "no data: the BMS's own test has not passed (it says \"state 9\"): or meter the pins by hand"),
        (
            None,
            "no data: the BMS's own test has not passed (no sense lead test of message \"pack\" yet): or meter the pins by \
             hand",
        ),
    ] {
        let mut bench = Bench::new();
        bench.leads = leads;
        bench.run(16_000);
        assert_eq!(bench.result("sense leads"), expected);
        bench.judge.command(&leads_by_hand(true));
        assert_eq!(bench.outcome(), Outcome::Go, "{:?}", bench.verdict().because);
        bench.judge.command(&leads_by_hand(false));
        assert_eq!(bench.outcome(), Outcome::NoGo);
        bench.judge.command(&leads_by_hand(true));
        assert_eq!(bench.outcome(), Outcome::NoGo, "latched");
    }
    let mut kinds = vec![cells_kind(), pack_kind()];
    kinds[1].columns.pop();
    let mut bench = Bench::of(PACK, kinds);
    bench.run(16_000);
    assert_eq!(
        bench.result("sense leads"),
        "no data: the BMS has no test of its own: meter the pins by hand (an open lead can be invisible)"
    );
}

#[test]
fn every_part_of_a_sense_lead_test_must_pass() {
    let mut kinds = vec![cells_kind(), pack_kind()];
    let mut low = flag(0, "leads 1 to 2 fault", model::Means::Fault, model::Means::Normal);
    let mut high = flag(1, "leads 3 to 4 tested", model::Means::Normal, model::Means::Unknown);
    low.channel = Some(Channel::whole(Quantity::SenseLeadTest));
    high.channel = low.channel;
    kinds[1].columns[6] = lead_test();
    kinds[1].columns[6].meaning = Meaning::Flags(vec![low, high]);
    let mut bench = Bench::of(PACK, kinds);
    bench.leads = Some(0b00);
    bench.run(16_000);
    assert!(bench.result("sense leads").starts_with("no data"), "{}", bench.result("sense leads"));
    bench.leads = Some(0b10);
    bench.run(17_000);
    assert!(bench.result("sense leads").starts_with("passed"), "{}", bench.result("sense leads"));
    bench.leads = Some(0b11);
    bench.run(18_000);
    assert!(bench.result("sense leads").starts_with("failed"), "{}", bench.result("sense leads"));
}

// --- waivers, shelving, the rest -------------------------------------------------------------------------------------

#[test]
fn a_waiver_is_printed_and_hides_no_alarm() {
    let text = format!("{PACK}[waivers]\nstatus = \"its status word is broken\"\n");
    let mut bench = Bench::of(&text, vec![cells_kind(), pack_kind()]);
    bench.status = None;
    bench.run(16_000);
    assert_eq!(bench.result("status"), "waived: its status word is broken");
    assert_eq!(bench.outcome(), Outcome::Go);
    bench.status = Some(1);
    bench.run(17_000);
    assert_eq!(bench.outcome(), Outcome::NoGo, "a fault is a fault");
}

#[test]
fn a_shelved_warning_leaves_its_check_without_data() {
    let mut bench = Bench::new();
    bench.cells[1] = Some(4012);
    bench.run(16_000);
    assert_eq!(bench.outcome(), Outcome::Go, "a warning is a note: {:?}", bench.verdict().because);
    assert!(bench.verdict().notes[0].starts_with("warning: cell 2 from the median by"), "{:?}", bench.verdict().notes);
    let number = bench.judge.alarms()[0].number;
    bench.judge.command(&Command::Shelve { alarm: number, length: Duration::from_secs(5) });
    assert_eq!(bench.result("deviation"), "no data: an alarm of this check is shelved");
    assert_eq!(bench.outcome(), Outcome::CannotTell);
    bench.run(22_000);
    assert_eq!(bench.outcome(), Outcome::Go);
    bench.cells[1] = Some(4040);
    bench.run(23_000);
    bench.judge.command(&Command::Shelve { alarm: number, length: Duration::from_secs(5) });
    assert_eq!(bench.outcome(), Outcome::NoGo, "a critical one can't be shelved");
}

#[test]
fn no_go_latches_and_its_first_reason_is_what_came_first() {
    let mut bench = Bench::new();
    bench.run(2_000);
    bench.sensors[0] = Some(700);
    bench.run(3_000);
    bench.cells[1] = Some(2900);
    bench.run(4_000);
    (bench.sensors[0], bench.cells[1]) = (Some(250), Some(4000));
    bench.run(30_000);
    let verdict = bench.verdict();
    assert_eq!(verdict.outcome, Outcome::NoGo);
    assert_eq!(
        verdict.because[0],
        "temperature high: temperature 1 (front) at 70.0 degC, critical limit 60.0 degC (at 2.000 s)"
    );
    let failed = verdict.checks.iter().find(|check| check.check == Check::CellLow).unwrap();
    assert_eq!(failed.place, Some(Channel::at(Quantity::CellVoltage, 2)));
}

#[test]
fn a_flat_curve_is_said() {
    let text = PACK.replace("NMC", "LFP");
    let mut bench = Bench::of(&text, vec![cells_kind(), pack_kind()]);
    (bench.cells, bench.pack) = (vec![Some(3300); 4], Some(1325));
    bench.run(16_000);
    let verdict = bench.verdict();
    assert_eq!(verdict.outcome, Outcome::Go, "{:?}", verdict.because);
    assert!(verdict.untested.iter().any(|line| line == "charge differences between cells (the voltage curve is flat)"));
}

#[test]
fn a_chemistry_without_limits_has_no_data() {
    let mut bench = Bench::of(&PACK.replace("NMC", "other"), vec![cells_kind(), pack_kind()]);
    bench.run(16_000);
    assert_eq!(bench.result("cell high"), "no data: the pack file has no critical limit \"cell_high\"");
    let limits = "[limits]\ncell_low_rest = { critical = \"3 V\" }\n";
    let text = format!("{}{limits}", PACK.replace("NMC", "other"));
    let mut bench = Bench::of(&text, vec![cells_kind(), pack_kind()]);
    bench.run(16_000);
    assert!(bench.result("cell low").starts_with("passed"), "{}", bench.result("cell low"));
    bench.current = Some(20_000);
    bench.run(17_000);
    assert_eq!(bench.result("cell low"), "no data: the pack file has no critical limit \"cell_low_load\"");
}

#[test]
fn coarse_temperatures_say_that_they_are_too_coarse() {
    let mut kinds = vec![cells_kind(), pack_kind()];
    for place in [3, 4] {
        kinds[1].columns[place].scale = column("t", Channel::whole(Quantity::Current), "degC", "1", 16).scale;
    }
    let mut bench = Bench::of(PACK, kinds);
    bench.sensors = vec![Some(25), Some(25)];
    bench.run(70_000);
    assert_eq!(
        bench.result("temperature rate"),
        "no data: readings in steps of 1.0 degC can't tell a rate of 1.0 degC/min within a minute: a higher limit or a \
         waiver must say so"
    );
}

#[test]
fn a_rise_under_load_is_not_held_against_the_limit_at_rest() {
    let mut bench = Bench::packed("rest_after = \"5 s\"\n");
    (bench.current, bench.bus) = (Some(20_000), Some(1600));
    for second in 1..=40 {
        bench.run(second * 1000);
        // 1.8 degC a minute: allowed under load, critical at rest.
        if second % 10 == 0 {
            bench.sensors.iter_mut().flatten().for_each(|sensor| *sensor += 3);
        }
    }
    bench.current = Some(50);
    bench.run(80_000);
    assert!(bench.judge.cells_rest());
    assert_eq!(bench.lines("temperature rate"), NOTHING);
}

#[test]
fn floats_tell_no_step() {
    // Volts as floats: the step of the unit is no step of the readings.
    let columns =
        (1..=4).map(|place| column("cell", Channel::at(Quantity::CellVoltage, place), "V", "1", 32)).collect();
    let kinds = vec![kind("cells", 50, columns), pack_kind()];
    let mut bench = Bench::of(PACK, kinds);
    for step in 0..320_u32 {
        bench.now = u64::from(step) * 50;
        let low = if step < 100 { 4.0 } else { 3.9 };
        let numbers = [4.0, low, 4.0, 4.0 + f64::from(step % 2) / 1000.0].map(|volts| Some(Raw::Float(volts))).to_vec();
        bench.judge.batch(&batch(2, &[Row { kind: 0, at: SessionTime::from_millis(bench.now), numbers }]));
        if step % 2 == 0 {
            bench.send(1);
        }
    }
    assert_eq!(
        bench.lines("critical spread"),
        ["5.500 raised critical spread: between highest and lowest cell 101 mV, critical limit 50 mV"]
    );
}

// --- time ----------------------------------------------------------------------------------------------------------------

#[test]
fn silences_of_any_length_take_no_time() {
    let year = Duration::from_secs(365 * 24 * 3600);
    for to in [
        SessionTime::from_duration(year * 10),
        SessionTime::from_nanos(u64::MAX - 1),
        SessionTime::from_nanos(u64::MAX),
    ] {
        let mut bench = Bench::new();
        bench.cells[1] = Some(3990);
        bench.run(16_000);
        let number = bench.judge.alarms().first().map_or(0, |alarm| alarm.number);
        bench.judge.command(&Command::Shelve { alarm: number, length: year });
        bench.lines("");
        bench.judge.advance(to);
        assert_eq!(bench.judge.now(), to);
        let lines = bench.lines("");
        assert_eq!(lines.len(), 4, "two messages, the stage and what it means: {lines:?}");
        assert_eq!(bench.outcome(), Outcome::CannotTell);
        bench.judge.advance(to);
        bench.judge.advance(SessionTime::ZERO);
        assert_eq!(bench.judge.now(), to, "time does not go back");
        let row = Row { kind: 0, at: to, numbers: vec![Some(Raw::Int(1)); 6] };
        bench.judge.batch(&batch(2, &[row]));
        bench.judge.end();
    }
}

#[test]
fn go_comes_in_a_silence_that_the_line_allows() {
    let mut kinds = vec![cells_kind(), pack_kind()];
    kinds.iter_mut().for_each(|kind| kind.every = Some(Duration::from_millis(4000)));
    let text = PACK.replace("capacity", "observe = \"55 s\"\ncapacity");
    let go = |step: u64| {
        let mut bench = Bench::of(&text, kinds.clone());
        bench.run(48_010);
        bench.lines("");
        for to in (bench.now..60_000).step_by(usize::try_from(step).unwrap()).chain([60_000]) {
            bench.quiet(to);
        }
        bench.lines(" verdict ")
    };
    assert_eq!(go(20_000), ["55.000 verdict go"]);
    assert_eq!(go(50), ["55.000 verdict go"]);
}

#[test]
fn values_become_too_old_in_a_silence_each_at_its_time() {
    let mut kinds = vec![cells_kind(), pack_kind()];
    let word = kinds[1].columns.remove(5);
    let current = kinds[1].columns.remove(2);
    kinds.push(kind("slow", 4000, vec![current, word]));
    let run = |step: usize| {
        let mut bench = Bench::of(PACK, kinds.clone());
        bench.run(16_000);
        // The message comes until 20 s, the current in it until 12 s, the status until 16 s; each may be 12 s old.
        bench.current = None;
        bench.run(20_000);
        bench.status = None;
        bench.run(20_010);
        bench.lines("");
        for to in (20_010..50_000).step_by(step).chain([50_000]) {
            bench.quiet(to);
        }
        lines(&mut bench.judge)
    };
    let by_tick = run(50);
    let stage = "24.050 stage unknown".to_owned();
    assert!(by_tick.contains(&stage) && by_tick.iter().any(|line| line.starts_with("29.000 verdict")), "{by_tick:?}");
    assert_eq!(run(30_000), by_tick);
}

#[test]
fn a_shelf_ends_in_the_middle_of_a_silence() {
    let mut bench = Bench::new();
    bench.cells[1] = Some(4012);
    bench.run(2_000);
    bench.lines("");
    bench.judge.command(&Command::Shelve { alarm: 1, length: Duration::from_secs(3600) });
    bench.quiet(10_000_000);
    let lines = bench.lines("deviation");
    assert_eq!(lines.len(), 2, "{lines:?}");
    assert!(lines[1].starts_with("3602.000 unshelved warning deviation"), "{lines:?}");
}

#[test]
fn hostile_layouts_and_rows_change_nothing_and_do_not_panic() {
    let odd = vec![
        cell(0),
        cell(u16::MAX),
        column("cell", Channel::at(Quantity::CellVoltage, 3), "kV", "1e6", 64),
        sensor(0),
        sensor(u16::MAX),
        status(u16::MAX),
        status(0),
        column("current", Channel::at(Quantity::Current, 9), "A", "1e9", 64),
        column("count", Channel::whole(Quantity::FrameCounter), "", "1", 0),
        column("time", Channel::whole(Quantity::DeviceTime), "s", "1e9", 255),
    ];
    let mut kinds = vec![cells_kind(), pack_kind(), kind("odd", 0, odd), kind("empty", u64::MAX / 2, vec![])];
    kinds[3].every = Some(Duration::MAX);
    let mut bench = Bench::of(PACK, kinds);
    for (index, number) in [i64::MIN, i64::MAX, 0, -1, 1, i64::MIN, i64::MAX].into_iter().enumerate() {
        for kind in 0..7 {
            let at = SessionTime::from_millis(index as u64 * 100);
            let row = Row { kind, at, numbers: vec![Some(Raw::Int(number.into())); 12] };
            bench.judge.batch(&batch(7, &[row]));
        }
        bench.judge.batch(&damage(7, SessionTime::ZERO, u64::MAX));
        bench.judge.received(u64::MAX);
        bench.judge.command(&Command::Reading(HandReading::pack_voltage(number, "")));
        bench.judge.clock_step(number);
    }
    bench.judge.advance(SessionTime::from_nanos(u64::MAX));
    assert_eq!(bench.outcome(), Outcome::NoGo);
    assert_ne!(bench.judge.frame_counts().0, 0);

    // Nothing at all.
    for cells in [1, 512] {
        let text = PACK.replace("cells = 4", &format!("cells = {cells}")).replace("\"front\", \"back\"", "");
        let mut judge = rules::Judge::new(pack(&text), setup(layout(vec![])));
        judge.batch(&batch(1, &[Row { kind: 0, at: SessionTime::from_millis(5), numbers: vec![] }]));
        judge.advance(SessionTime::from_millis(60_000));
        assert_eq!(judge.verdict().outcome, Outcome::CannotTell);
        assert_eq!(judge.frame_counts(), (0, 0), "a row of no message kind is no frame");
    }
}
