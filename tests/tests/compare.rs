//! Two sessions of one pack held against each other: what was changed is found, and nothing else.

use std::collections::BTreeMap;

use model::{Channel, Input, InputKind, Quantity, SessionTime};
use packwake_tests::pairs::{ACORN, FIELD, PAIRS, Pair, SAPLING, at_seconds};
use packwake_tests::sessions::healthy;
use packwake_tests::{account, header_of, root, text, through_adapter};
use recording::Recording;
use report::{About, Account, BEYOND, Comparison, Line, NoComparison, Told, compare};
use simulator::{Fault, FaultKind, Scene};

fn lines(comparison: &Comparison, told: fn(&Told) -> bool) -> Vec<String> {
    let lines = comparison.lines.iter().filter(|line| told(&line.told));
    lines.map(|line| format!("{}: {} -> {} ({})", line.what, line.old, line.new, line.difference())).collect()
}

fn changed(comparison: &Comparison) -> Vec<String> {
    lines(comparison, |told| *told == Told::Changed)
}

/// The same pack on another day: other noise, other chance, the same cells.
fn another_day(scene: &Scene, day: u64) -> Scene {
    let mut scene = scene.clone();
    scene.pack.seed = Some(scene.pack.seed.unwrap_or(scene.seed));
    scene.seed ^= day.wrapping_mul(0x9E37_79B9);
    scene
}

fn session(pair: &Pair, pack: &str, scene: &Scene, faults: &[Fault], length: SessionTime) -> Account {
    let header = header_of(text(pair.protocol), pack.to_owned());
    account(&header, through_adapter(pair.protocol, scene, faults, length, scene.seed))
}

#[test]
fn a_recording_against_itself_has_not_changed() {
    let mut count = 0;
    for entry in std::fs::read_dir(root().join("recordings")).expect("the folder is there") {
        let path = entry.expect("it can be listed").path();
        if path.extension().is_none_or(|end| end != "mcap") {
            continue;
        }
        let recording = Recording::open(&path).expect("it is sound");
        let told = account(recording.header(), recording.inputs());
        let comparison = compare(&told, &told).expect("of one pack");
        assert_eq!(changed(&comparison), [""; 0], "{}", path.display());
        let (_, unknown, same) = comparison.counts();
        assert!(20 < same && unknown < 14, "{}: {same} {unknown}", path.display());
        for line in &comparison.lines {
            let difference = line.numbers.and_then(|numbers| numbers.difference());
            assert!(difference.is_none_or(|difference| difference.abs() < 1e-12), "{line:?}");
        }
        count += 1;
    }
    assert_eq!(count, 6);
}

/// Fifty packs of every kind, each on two days, half of them a little less charged and warmer the second time.
///
/// With four standard uncertainties and some forty numbers in each, chance alone says "changed" in one comparison of two
/// hundred or fewer. `PACKWAKE_SESSIONS=1000` compares so many, of which up to one in a hundred may.
#[test]
fn sound_packs_have_not_changed() {
    let usual = 50;
    let many = std::env::var("PACKWAKE_SESSIONS").map_or(usual, |number| number.parse().expect("it is a number"));
    let (mut told, mut wrong, mut numbers, mut beyond_three) = (Vec::new(), 0, 0, 0);
    for seed in 0..many {
        let drawn = healthy(seed);
        let pack = drawn.pair.pack_text(&drawn.scene);
        let mut second = another_day(&drawn.scene, 1);
        if seed % 2 == 1 {
            second.pack.charge -= 0.01;
            second.pack.ambient_celsius += 2.0;
        }
        let first = session(&drawn.pair, &pack, &drawn.scene, &[], drawn.length);
        let second = session(&drawn.pair, &pack, &second, &[], drawn.length);
        let comparison = compare(&first, &second).expect("of one pack");
        let changed = changed(&comparison);
        wrong += u64::from(!changed.is_empty());
        told.extend(changed.into_iter().map(|line| format!("seed {seed}, {}: {line}", drawn.pair.name)));
        let reaches = comparison.lines.iter().filter_map(|line| {
            let numbers = line.numbers?;
            Some(numbers.difference()?.abs() / numbers.uncertainty?)
        });
        for reach in reaches {
            numbers += 1;
            beyond_three += u32::from(3.0 < reach);
        }
    }
    let told = told.join("\n");
    println!("{wrong} of {many} changed, {beyond_three} of {numbers} numbers beyond three uncertainties\n{told}");
    assert!(wrong <= many / 100, "{told}");
    assert!(30 * many < numbers, "{numbers} numbers are too few to say anything");
    // Of normal errors 0.27 % lie beyond three.
    assert!(f64::from(beyond_three) < 0.005 * numbers as f64, "{beyond_three} of {numbers}");
}

/// The line about a cell.
#[track_caller]
fn line_of(comparison: &Comparison, about: About, cell: u16) -> &Line {
    let place = Some(Channel::at(Quantity::CellVoltage, cell));
    comparison.lines.iter().find(|line| line.about == about && line.place == place).expect("there is one")
}

/// Every change is about this cell, or about the pack as a whole.
#[track_caller]
fn only_about(comparison: &Comparison, cell: u16, whole: &[About]) {
    for line in comparison.lines.iter().filter(|line| line.told == Told::Changed) {
        let here = line.place == Some(Channel::at(Quantity::CellVoltage, cell));
        assert!(here || (line.place.is_none() && whole.contains(&line.about)), "{line:?}");
    }
}

#[test]
fn a_cell_that_became_weaker_is_found_at_its_place_by_its_amount() {
    for (pair, place, severity) in [(ACORN, 7, 0.0), (ACORN, 24, 0.6), (SAPLING, 3, 0.3), (FIELD, 11, 0.5)] {
        let scene = pair.scene(7);
        let pack = text(pair.pack);
        let fault = Fault { place, severity, at: SessionTime::ZERO, ..Fault::new(FaultKind::WeakCell) };
        // By definition of the fault: 1.6 to 3.0 times the resistance.
        let factor = 1.6 + 1.4 * severity;
        let old = session(&pair, &pack, &scene, &[], at_seconds(60.0));
        let new = session(&pair, &pack, &another_day(&scene, 3), &[fault], at_seconds(60.0));
        let comparison = compare(&old, &new).expect("of one pack");
        let line = line_of(&comparison, About::Resistance, place);
        assert!(line.told == Told::Changed && line.large, "{} {place}: {line:?}", pair.name);
        let numbers = line.numbers.expect("it has some");
        let (ratio, difference) = (numbers.old.expect("a value"), numbers.difference().expect("a difference"));
        let uncertainty = numbers.uncertainty.expect("it is known");
        let expected = ratio * (factor - 1.0);
        assert!(
            (difference - expected).abs() < BEYOND * uncertainty,
            "{} cell {place}: {difference} +/- {uncertainty}, expected {expected}",
            pair.name
        );
        assert!(uncertainty < 0.12, "{line:?}");
        // It stands above the lines about other things of its kind.
        let first = comparison.lines.iter().position(|line| line.about == About::Resistance).expect("there is one");
        assert_eq!(comparison.lines[first].place, line.place);
        only_about(&comparison, place, &[About::Verdict, About::Finding, About::Check]);
        // The other way round it is as much less.
        let back = compare(&new, &old).expect("of one pack");
        let back = line_of(&back, About::Resistance, place).numbers.and_then(|numbers| numbers.difference());
        assert!(back.is_some_and(|back| (back + difference).abs() < 1e-9), "{back:?}");
    }
}

#[test]
fn a_cell_that_lost_charge_is_found_at_its_place_by_its_amount() {
    let scene = ACORN.scene(11);
    let pack = text(ACORN.pack);
    let fault = Fault { place: 5, severity: 0.3, at: SessionTime::ZERO, ..Fault::new(FaultKind::LowCell) };
    let old = session(&ACORN, &pack, &scene, &[], at_seconds(40.0));
    let new = session(&ACORN, &pack, &another_day(&scene, 3), &[fault], at_seconds(40.0));
    let comparison = compare(&old, &new).expect("of one pack");
    let line = line_of(&comparison, About::Rest, 5);
    assert!(line.told == Told::Changed && line.large, "{line:?}");
    let numbers = line.numbers.expect("it has some");
    let (difference, uncertainty) = (numbers.difference().expect("both"), numbers.uncertainty.expect("it is known"));
    // By definition of the fault 6 % of the charge times the severity, on the piece of the curve from 60 % to 70 %: 8.29 mV for 1 %.
    let share = 6.0 * fault.severity;
    let low = scene.pack.charge * 100.0 - share;
    assert!(60.3 < low, "the cell stays on that piece: {low}");
    let expected = -share * (3_879.7 - 3_796.8) / 10.0;
    assert!(
        (difference - expected).abs() < BEYOND * uncertainty,
        "{difference} +/- {uncertainty}, expected {expected}"
    );
    only_about(&comparison, 5, &[About::Verdict, About::Finding, About::Check]);
}

/// The shipped recordings of one pack on two days: no alarm, and the one cell that lost charge is all that changed in it.
#[test]
fn only_a_comparison_shows_what_the_winter_took() {
    let told = |name: &str| {
        let recording = Recording::open(&root().join(format!("recordings/{name}.mcap"))).expect("it is sound");
        account(recording.header(), recording.inputs())
    };
    let (old, new) = (told("acorn-first-switch-on"), told("acorn-next-season"));
    assert!(new.alarms.is_empty() && new.findings.is_empty(), "{:?} {:?}", new.alarms, new.findings);
    let comparison = compare(&old, &new).expect("of one pack");
    let line = line_of(&comparison, About::Rest, 7);
    let numbers = line.numbers.expect("it has some");
    let (difference, uncertainty) = (numbers.difference().expect("both"), numbers.uncertainty.expect("it is known"));
    // As its expectation says: 1.08 % at 8.29 mV for 1 %.
    assert!((difference + 8.95).abs() < BEYOND * uncertainty && line.large, "{difference} +/- {uncertainty}");
    // The wiring was written into the pack file meanwhile.
    let changed: Vec<&str> =
        (comparison.lines.iter()).filter(|line| line.told == Told::Changed).map(|line| line.what.as_str()).collect();
    assert_eq!(changed, [line.what.as_str(), "pack file"]);
}

#[test]
fn unlike_is_not_compared() {
    let length = at_seconds(40.0);
    let scene = ACORN.scene(5);
    let pack = text(ACORN.pack);
    let told = session(&ACORN, &pack, &scene, &[], length);
    // Other cells.
    let others = session(&SAPLING, &text(SAPLING.pack), &SAPLING.scene(5), &[], length);
    assert_eq!(compare(&told, &others), Err(NoComparison::Cells(24, 14)));
    let of = |told: &Comparison, what: &str| -> Told {
        told.lines.iter().find(|line| line.what == what).unwrap_or_else(|| panic!("no line {what:?}")).told.clone()
    };
    // No load the second time: no resistances, no like heat; the rest is compared.
    let mut quiet = another_day(&scene, 2);
    quiet.steps.clear();
    let quiet = session(&ACORN, &pack, &quiet, &[], length);
    let comparison = compare(&told, &quiet).expect("of one pack");
    assert!(
        matches!(of(&comparison, "cell resistances"), Told::CannotTell(why) if why.contains("second session has none"))
    );
    assert!(
        matches!(of(&comparison, "by how much the sensors rose"), Told::CannotTell(why) if why.contains("not alike"))
    );
    assert_eq!(of(&comparison, "cell 4 from the median at rest"), Told::Same);
    // A colder pack says so beside its resistances.
    let mut cold = another_day(&scene, 4);
    cold.pack.ambient_celsius = 4.0;
    let cold = session(&ACORN, &pack, &cold, &[], length);
    let comparison = compare(&told, &cold).expect("of one pack");
    let beside = &comparison.lines.iter().find(|line| line.what == "median cell resistance").expect("a line").beside;
    assert!(beside.contains("21.0 degC and 4.0 degC") && beside.contains("colder"), "{beside}");
    // Another charge: in mV it is not alike; on this part of the curve the charge tells.
    let mut fuller = another_day(&scene, 5);
    fuller.pack.charge = 0.85;
    let fuller = session(&ACORN, &pack, &fuller, &[], length);
    let comparison = compare(&told, &fuller).expect("of one pack");
    assert!(comparison.lines.iter().all(|line| !line.what.ends_with("from the median at rest")));
    assert_eq!(of(&comparison, "cell 4: charge against the median cell"), Told::Same);
    // On the flat curve nothing tells.
    let (flat, mut fuller) = (FIELD.scene(5), another_day(&FIELD.scene(5), 5));
    fuller.pack.charge = 0.85;
    let [flat, fuller] = [flat, fuller].map(|scene| session(&FIELD, &text(FIELD.pack), &scene, &[], length));
    let comparison = compare(&flat, &fuller).expect("of one pack");
    assert!(matches!(of(&comparison, "cells at rest"), Told::CannotTell(why) if why.contains("does not tell")));
}

#[test]
fn what_is_not_alike_as_a_whole_is_said_first() {
    let scene = ACORN.scene(5);
    let inputs = || through_adapter(ACORN.protocol, &scene, &[], at_seconds(20.0), 1);
    let mut header = header_of(text(ACORN.protocol), text(ACORN.pack));
    header.started_utc_nanos = Some(1_700_000_000_000_000_000);
    let first = account(&header, inputs());
    let mut other = header.clone();
    other.started_utc_nanos = Some(1_600_000_000_000_000_000);
    other.practice = false;
    other.pack_text = other.pack_text.replacen("Acorn 24S", "Acorn rebuilt", 1)
        + "\n[limits]\ncell_high = { warning = \"4.15 V\" }\n";
    let cut: Vec<Input> = inputs().into_iter().filter(|input| input.kind != InputKind::End).collect();
    let second = account(&other, cut);
    let comparison = compare(&first, &second).expect("of one pack");
    for words in
        ["the first file is the newer one", "PRACTICE and the other is not", "other names", "no end", "other limits"]
    {
        assert!(comparison.notes.iter().any(|note| note.contains(words)), "{words}: {:?}", comparison.notes);
    }
    let limit = comparison.lines.iter().find(|line| line.what == "limit: cell high").expect("a line");
    assert!(limit.told == Told::Changed && limit.new.starts_with("4.150 V / 4.250 V"), "{limit:?}");
    let pack = comparison.lines.iter().find(|line| line.what == "pack file").expect("a line");
    assert!(pack.told == Told::Changed && pack.new.contains("another text"), "{pack:?}");
}

/// Each pair's own numbers at rest are those of its scene, so that a change of them means what it says.
#[test]
fn cells_at_rest_stand_where_the_scene_has_them() {
    for pair in PAIRS {
        let mut scene = pair.scene(21);
        scene.pack.charge_spread = 0.0;
        let told = session(&pair, &text(pair.pack), &scene, &[], at_seconds(30.0));
        let rest = told.figures.rests.iter().find(|rest| !rest.after_load).expect("it rests first");
        let volts = pair.curve.volts(pair.charge);
        let median = rest.median;
        assert!((median.value - volts).abs() < 4.0 * median.uncertainty, "{}: {median:?}, {volts}", pair.name);
        let apart: BTreeMap<usize, f64> = rest
            .apart
            .iter()
            .enumerate()
            .map(|(cell, apart)| (cell, apart.expect("it was read")))
            .map(|(cell, apart)| (cell, apart.value.abs() / apart.uncertainty))
            .collect();
        assert!(apart.values().all(|reach| *reach < 4.0), "{}: {apart:?}", pair.name);
    }
}
