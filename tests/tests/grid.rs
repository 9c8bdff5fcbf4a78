//! The grid by which a diagnosis is scored is what it says: its truths, its rates, its sound sessions.

use std::collections::{BTreeMap, BTreeSet};

use model::{InputKind, Quantity};
use packwake_tests::grid::{Axes, Case};
use packwake_tests::judge;
use packwake_tests::pairs::{ACORN, FIELD, PAIRS};
use rules::{Outcome, Result};
use simulator::{Fault, FaultKind};

fn case(pair: packwake_tests::pairs::Pair, millivolts: u16, rate: u16) -> Case {
    Case { pair, faults: Vec::new(), millivolts, rate, noise: 0.3e-3, seed: 5 }
}

#[test]
fn a_grid_has_every_point_once() {
    let axes = Axes { rates: vec![1, 20], noises: vec![0.3e-3], ..Axes::usual(2) };
    let sets: [&[FaultKind]; 3] = [&[], &[FaultKind::WeakCell], &[FaultKind::LowCell, FaultKind::SensorOpen]];
    let cases: Vec<Case> = axes.cases(&sets).collect();
    // 2 resolutions x 2 rates x 2 seeds: 8; sound once, the others at four severities.
    assert_eq!(cases.len(), 8 + 2 * 4 * 8);
    assert_eq!(cases.iter().map(|case| case.seed).collect::<BTreeSet<_>>().len(), cases.len());
    let two = cases.last().unwrap();
    assert_eq!(
        two.truths().iter().map(|known| known.cause).collect::<Vec<_>>(),
        ["low cell", "temperature sensor open"]
    );
    assert!(cases[0].truths().is_empty());
    // The same case is the same session, another seed another.
    assert_eq!(two.inputs(), two.clone().inputs());
    assert_ne!(two.inputs(), Case { seed: two.seed + 1, ..two.clone() }.inputs());
}

#[test]
fn a_case_has_its_rate_and_its_resolution() {
    for pair in PAIRS {
        for (millivolts, rate) in [(1, 1), (5, 20)] {
            let case = case(pair, millivolts, rate);
            let header = case.header();
            let (protocol, faults) = parser::Protocol::parse(&header.protocol_text);
            let protocol = std::sync::Arc::new(protocol.expect("it is sound"));
            assert!(faults.is_empty(), "{faults:?}");
            let mut decoder = parser::Decoder::new(std::sync::Arc::clone(&protocol));
            let mut frames = vec![0_u32; protocol.layout().kinds.len()];
            for input in case.inputs() {
                let InputKind::Bytes(bytes) = &input.kind else { continue };
                decoder.push(input.at, bytes);
                while let Some(batch) = decoder.take() {
                    for (count, kind) in frames.iter_mut().zip(&batch.kinds) {
                        *count += u32::try_from(kind.at.len()).unwrap();
                    }
                    let kinds = batch.kinds.iter().zip(&protocol.layout().kinds);
                    for (rows, kind) in kinds {
                        for (column, values) in kind.columns.iter().zip(&rows.columns) {
                            let cell = column.channel.quantity == Quantity::CellVoltage;
                            for row in (0..rows.at.len()).filter(|_| cell) {
                                let nanos = values.raw(row).and_then(|raw| column.scale.nanos(raw.int()?));
                                let off = nanos.map_or(0, |nanos| nanos % (i64::from(millivolts) * 1_000_000));
                                assert_eq!(off, 0, "{} {}", pair.name, column.channel);
                            }
                        }
                    }
                }
            }
            // A minute of it, at one frame a second two; the first one at the very beginning, the last may be cut off.
            let expected = if rate == 1 { 120 } else { 60 * u32::from(rate) };
            assert!(
                frames.iter().all(|count| (expected - 1..=expected + 1).contains(count)),
                "{}: {frames:?}",
                pair.name
            );
        }
    }
}

#[test]
fn what_the_line_does_not_carry_is_not_asked_for() {
    let of = |pair, kind| case(pair, 1, 10).with(&[kind], 1.0).truths().remove(0);
    assert!(of(ACORN, FaultKind::NoPreCharge).carried);
    assert!(!of(FIELD, FaultKind::NoPreCharge).carried);
    // Where the BMS tests its leads in time, and only there.
    let tested = (0..8).map(|seed| Case { seed, ..case(FIELD, 1, 10) });
    let tested = tested.map(|case| {
        let in_time = case.scene().bms.lead_test_after < std::time::Duration::from_secs(60);
        (in_time, case.with(&[FaultKind::OpenSenseLeadHeld], 1.0).truths()[0].carried)
    });
    let tested: Vec<(bool, bool)> = tested.collect();
    assert!(tested.iter().all(|(in_time, carried)| in_time == carried), "{tested:?}");
    assert!(tested.contains(&(true, true)) && tested.contains(&(false, false)), "{tested:?}");
    // A flat curve hides a low cell, and a step of 37 A is too small for a weak cell at 5 mV of a bigger one: Field's 1.2
    // mohm need 83 A, and its plan has 85 A less 2 A.
    assert!(!of(FIELD, FaultKind::LowCell).beyond_warning);
    assert!(of(ACORN, FaultKind::LowCell).beyond_warning);
    let five = Case { millivolts: 5, ..case(ACORN, 1, 10) };
    assert!(five.clone().with(&[FaultKind::WeakCell], 0.0).truths()[0].beyond_warning);
    assert!(!five.with(&[FaultKind::HighCell], 0.1).truths()[0].beyond_warning);
}

#[test]
fn places_are_spread_and_two_faults_are_apart() {
    let mut seen = BTreeSet::new();
    for seed in 0..200 {
        let case = Case { seed, ..case(ACORN, 1, 10) }.with(&[FaultKind::WeakCell, FaultKind::LowCell], 0.5);
        let places: Vec<u16> = case.truths().iter().map(|known| known.places[0].place).collect();
        seen.insert(places[0]);
        assert!(10 <= places[0].abs_diff(places[1]), "{places:?}");
    }
    assert!(20 < seen.len(), "{seen:?}");
}

/// A slow line is given the time that it needs.
#[test]
fn the_plan_is_stretched_for_a_slow_line() {
    let minutes = |case: &Case| case.length().nanos as f64 / 60e9;
    let first = |case: &Case| case.scene().steps[0].at.nanos / 1_000_000;
    for (rate, stretch) in [(20, 1), (2, 1), (1, 2)] {
        let case = case(ACORN, 1, rate);
        assert_eq!(first(&case), 6_000 * stretch);
        assert!((minutes(&case) - stretch as f64).abs() < 1e-9);
    }
    // Two messages, 150 frames of each in the time at rest: 6 s x 20 are 120, so twice that; at 5 a second five times.
    for (rate, stretch) in [(20, 2), (5, 5)] {
        let case = case(ACORN, 1, rate).with(&[FaultKind::InterferenceWithBus], 1.0);
        assert_eq!(first(&case), 6_000 * stretch, "{rate}");
    }
    // 0.25 s to 0.45 s: three of them see five frames at 3.7 to 6.7 a second.
    let jump = |rate| case(ACORN, 1, rate).with(&[FaultKind::NoPreCharge], 1.0).truths().remove(0).carried;
    assert!(jump(10) && !jump(2));
}

/// A sound session of the grid is never refused.
#[test]
fn no_sound_case_is_refused() {
    let mut cannot_tell: BTreeMap<(u16, String), u32> = BTreeMap::new();
    let mut go = 0;
    let cases = 150;
    for seed in 0..cases {
        let case = Case::sound(seed);
        let verdict = judge(&case.header(), case.inputs()).1;
        let open: Vec<&str> = verdict
            .checks
            .iter()
            .filter(|check| matches!(check.result, Result::Failed | Result::NoData))
            .map(|check| check.check.name())
            .collect();
        match verdict.outcome {
            Outcome::Go => go += 1,
            Outcome::CannotTell => *cannot_tell.entry((case.rate, open.join(", "))).or_default() += 1,
            Outcome::NoGo => panic!("{case:?}: {:?}", verdict.because),
        }
    }
    println!("{cases} sound sessions: {go} go; cannot tell (frames/s, checks): {cannot_tell:?}");
    assert!(cases as u32 * 9 / 10 <= go, "{go}: {cannot_tell:?}");
}

/// Every fault through the grid at its worst, at both ends of the rates: an answer, and never go with a value that no
/// pack has.
#[test]
fn every_fault_is_a_case() {
    for kind in Fault::all() {
        for (millivolts, rate) in [(1, 20), (5, 1)] {
            let case = case(ACORN, millivolts, rate).with(&[kind], 1.0);
            let (lines, verdict) = judge(&case.header(), case.inputs());
            assert!(!lines.is_empty());
            let impossible = [
                FaultKind::SwappedSenseLeads,
                FaultKind::WrongCellScale,
                FaultKind::TooManyCellsRead,
                FaultKind::TooFewCellsRead,
                FaultKind::OpenSenseLead,
            ];
            assert!(!impossible.contains(&kind) || verdict.outcome == Outcome::NoGo, "{kind} at {rate}/s");
        }
    }
}
