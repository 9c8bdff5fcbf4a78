//! The diagnosis against sessions whose truth is known: each fault with its place, two at once, none in a sound pack.
//!
//! A small part of the grid; the whole of it is `cargo run --release -p packwake-tests --example diagnosis_table`.

use model::SessionTime;
use packwake_tests::grid::{Axes, Case};
use packwake_tests::pairs::ACORN;
use packwake_tests::scoring::Score;
use packwake_tests::{header_of, judge, simulated, text};
use rules::Confidence;
use simulator::{Fault, FaultKind};

fn case(millivolts: u16, rate: u16, seed: u64) -> Case {
    Case { pair: ACORN, faults: Vec::new(), millivolts, rate, noise: 0.3e-3, seed }
}

/// What was not found, or claimed wrongly.
fn wrong(case: &Case) -> Vec<String> {
    let score = Score::of(case);
    let likely = |finding: &rules::Finding| Confidence::Possible < finding.confidence;
    let missed = score
        .truths
        .iter()
        .filter(|(known, finding)| known.beyond_warning && known.carried && !finding.as_ref().is_some_and(likely));
    let mut wrong: Vec<String> =
        missed.map(|(known, _)| format!("{} is missed in {:?}", known.cause, case.faults)).collect();
    let claimed = score.wrong.iter().filter(|finding| likely(finding));
    wrong.extend(claimed.map(|finding| format!("{} is claimed in {:?}: {}", finding.cause, case.faults, finding.text)));
    wrong
}

#[test]
fn each_fault_is_named_with_its_place_and_nothing_else_is() {
    let wrong: Vec<String> = Fault::all().flat_map(|kind| wrong(&case(1, 20, 11).with(&[kind], 0.75))).collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn two_faults_at_once_are_both_found() {
    use FaultKind::{
        BalancingActive, BusLeadResistance, CurrentOffset, HighCell, InterferenceWithCurrent, LowCell, NoPreCharge,
        OpenSenseLead, PackSumOffset, SensorOpen, SensorShort, StuckPreCharge, SwappedSenseLeads, WeakCell,
    };
    let pairs = [
        [WeakCell, LowCell],
        [WeakCell, SensorOpen],
        [LowCell, HighCell],
        [OpenSenseLead, WeakCell],
        [OpenSenseLead, SensorShort],
        [SwappedSenseLeads, CurrentOffset],
        [NoPreCharge, WeakCell],
        [StuckPreCharge, LowCell],
        [InterferenceWithCurrent, LowCell],
        [PackSumOffset, SensorOpen],
        [BusLeadResistance, WeakCell],
        [BalancingActive, WeakCell],
    ];
    let wrong: Vec<String> = pairs.iter().flat_map(|pair| wrong(&case(1, 20, 12).with(pair, 0.75))).collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn sound_sessions_have_no_finding() {
    for seed in 0..100 {
        let score = Score::of(&Case::sound(seed));
        assert!(score.wrong.is_empty(), "seed {seed}: {:?}", score.wrong);
    }
}

/// Long after the switch was opened, too: whatever discharges the bus.
#[test]
fn a_sound_pack_that_is_watched_to_the_end_has_no_finding() {
    for seed in 0..24 {
        let case = Case::sound(seed);
        let inputs = simulated(case.pair.protocol, &case.scene(), &[], SessionTime::from_millis(360_000));
        let header = header_of(text(case.pair.protocol), case.pair.pack_text(&case.scene()));
        let (_, verdict) = judge(&header, inputs);
        assert!(verdict.findings.is_empty(), "seed {seed}: {:?}", verdict.findings);
    }
}

/// Of a coarse and slow line, too: at least 95 in 100, at most one in 100 wrong, over a few faults that differ.
#[test]
fn a_part_of_the_grid_is_found() {
    let axes = Axes { severities: vec![0.5, 1.0], rates: vec![1, 5], ..Axes::usual(1) };
    let sets: [&[FaultKind]; 4] =
        [&[FaultKind::WeakCell], &[FaultKind::OpenSenseLead], &[FaultKind::HighCell], &[FaultKind::WrongCellScale]];
    let cases: Vec<Case> = axes.cases(&sets).collect();
    let (mut asked, mut found, mut claimed) = (0, 0, 0);
    for case in &cases {
        let score = Score::of(case);
        claimed += usize::from(score.claims_wrongly());
        for (_, finding) in score.truths.iter().filter(|(known, _)| known.beyond_warning && known.carried) {
            asked += 1;
            found += usize::from(finding.as_ref().is_some_and(|finding| Confidence::Possible < finding.confidence));
        }
    }
    assert!(60 < asked, "{asked}");
    assert!(95 * asked <= 100 * found, "{found} of {asked}");
    assert!(100 * claimed <= cases.len(), "{claimed} of {}", cases.len());
}
