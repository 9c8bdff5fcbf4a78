//! Every fault of the simulator through every protocol, in virtual time: the right outcome, the right check, the right
//! place.
//!
//! What must come out follows from the fault's definition; the arithmetic stands beside it. The simulator encodes from
//! the description that the decoder reads: this tests the way from pack to verdict, not the description.

use model::{Input, SessionTime};
use packwake_tests::pairs::{ACORN, FIELD, PAIRS, Pair, SAPLING};
use packwake_tests::{header, judge, simulated, through_adapter};
use rules::{Outcome, Result, Verdict};
use simulator::{Fault, FaultKind};

/// What a fault must lead to.
struct Expected {
    outcome: Outcome,
    /// Checks that must fail, each with the place, or with two of which it must be one.
    must: &'static [(&'static str, &'static [&'static str])],
    /// Checks that may fail too.
    may: &'static [&'static str],
    /// Checks that must have no data.
    no_data: &'static [&'static str],
}

const NOTHING: Expected = Expected { outcome: Outcome::NoGo, must: &[], may: &[], no_data: &[] };

const GO: Expected = Expected { outcome: Outcome::Go, ..NOTHING };

const LEAD: (&str, &[&str]) = ("sense leads", &["sense lead test"]);

/// Checks that a wrong number can fail.
const ANY_VALUE: &[&str] = &[
    "live values",
    "possible values",
    "cell high",
    "cell low",
    "spread",
    "deviation",
    "temperature high",
    "temperature low",
    "temperature spread",
    "temperature rate",
    "pack sum",
    "current at rest",
    "status",
    "sense leads",
];

/// No check fails, but these have not passed.
const fn doubtful(no_data: &'static [&'static str]) -> Expected {
    Expected { outcome: Outcome::CannotTell, no_data, ..NOTHING }
}

/// At its usual time and place (cell 7, the lead between 7 and 8, sensor 2, the lead at the last cell), at severity 1.
fn expected(kind: FaultKind, pair: &Pair) -> Expected {
    let flat = *pair == FIELD;
    match kind {
        // 6 % of charge are 6 x 8 mV = 48 mV on NMC at 64 % (limit 30 mV, spread 50 mV), 2 mV on the plateau of LFP.
        FaultKind::LowCell if flat => GO,
        FaultKind::LowCell => Expected { must: &[("deviation", &["cell 7"])], may: &["spread"], ..NOTHING },
        // Three times the resistance at 0.91 C: 2 x 40 mV and more at once, limit 25 mV + 0.5 x 55 mV at the least.
        FaultKind::WeakCell => Expected { must: &[("deviation", &["cell 7"])], may: &["spread"], ..NOTHING },
        // Cell 7 near 0 V, cell 8 up to 5 V: each is beyond every limit.
        FaultKind::OpenSenseLead => Expected {
            must: &[
                LEAD,
                ("cell low", &["cell 7"]),
                ("cell high", &["cell 8"]),
                ("spread", &[]),
                ("deviation", &["cell 7", "cell 8"]),
            ],
            may: &["pack sum", "live values"],
            ..NOTHING
        },
        // 60 mV and 25 mV of wander: the peaks pass 30 mV + 0.5 x I x R for longer than half a second.
        FaultKind::OpenSenseLeadMidpoint => {
            Expected { must: &[LEAD, ("deviation", &["cell 7", "cell 8"])], may: &["spread"], ..NOTHING }
        }
        // The readings stay as they were: only the self-test knows at rest. Under load they stand off by the sag of the
        // others, and stand still.
        FaultKind::OpenSenseLeadHeld => {
            Expected { must: &[LEAD], may: &["deviation", "spread", "live values"], ..NOTHING }
        }
        FaultKind::OpenSenseLeadIntermittent => {
            Expected { must: &[LEAD], may: &["deviation", "spread", "cell high", "cell low"], ..NOTHING }
        }
        // 0 V is "absent" in the field pack's protocol, a dead cell in the others.
        FaultKind::OpenSenseLeadEnd if flat => Expected { must: &[LEAD], no_data: &["all cells"], ..NOTHING },
        FaultKind::OpenSenseLeadEnd if *pair == ACORN => Expected {
            must: &[LEAD, ("cell low", &["cell 24"]), ("deviation", &["cell 24"]), ("spread", &[])],
            may: &["pack sum", "live values"],
            ..NOTHING
        },
        FaultKind::OpenSenseLeadEnd => Expected {
            must: &[LEAD, ("cell low", &["cell 14"]), ("deviation", &["cell 14"]), ("spread", &[])],
            may: &["pack sum", "live values"],
            ..NOTHING
        },
        // -40 degC and 127 degC: no temperature of a pack in a room, so nothing else may be made of it.
        FaultKind::SensorOpen | FaultKind::SensorShort => {
            Expected { must: &[("possible values", &["temperature 2"])], ..NOTHING }
        }
        // 3 % and a limit of 1 %.
        FaultKind::PackSumOffset => Expected { must: &[("pack sum", &["pack voltage"])], ..NOTHING },
        FaultKind::SilentLine => Expected {
            outcome: Outcome::CannotTell,
            no_data: &["message periods", "all cells", "all temperatures", "status", "sense leads"],
            ..NOTHING
        },
        FaultKind::Unplug => {
            Expected { outcome: Outcome::CannotTell, no_data: &["link", "all cells", "all temperatures"], ..NOTHING }
        }
        FaultKind::FrozenFrame if flat => Expected { must: &[("live values", &["device time"])], ..NOTHING },
        FaultKind::FrozenFrame => Expected { must: &[("live values", &["frame counter"])], ..NOTHING },
        // Of frames of 17 to 90 bytes at least 1 - 0.99^17 = 16 % are damaged; critical above 10 %. In an XOR two flips of
        // the same bit cancel, and so do two lost characters that are alike: about one text line in 50 comes with a
        // wrong number that nothing shows.
        FaultKind::FlippedBits | FaultKind::LostBytes if *pair == SAPLING => {
            Expected { must: &[("link", &[])], may: ANY_VALUE, ..NOTHING }
        }
        FaultKind::FlippedBits | FaultKind::LostBytes => Expected { must: &[("link", &[])], ..NOTHING },
        // The same bits, but only while the bus is up or current flows.
        FaultKind::InterferenceWithBus | FaultKind::InterferenceWithCurrent => expected(FaultKind::FlippedBits, pair),
        // 6 % upwards are 50 mV on NMC as well, and the spread is at its limit; 3 mV on the plateau.
        FaultKind::HighCell => expected(FaultKind::LowCell, pair),
        // Twice a whole resistance at once: 80 mV at 40 A.
        FaultKind::LinkResistance => expected(FaultKind::WeakCell, pair),
        // Cell 7 reads 7.66 V, cell 9 too; cell 8 less than nothing, or 61.7 V where 16 bits have no sign.
        FaultKind::SwappedSenseLeads => Expected {
            must: &[
                ("possible values", &["cell 7"]),
                ("cell high", &["cell 7"]),
                ("spread", &[]),
                ("deviation", &["cell 7"]),
            ],
            may: &["cell low", "pack sum"],
            ..NOTHING
        },
        // A tenth: 0.383 V in every cell, and the pack voltage ten times their sum.
        FaultKind::WrongCellScale => {
            Expected { must: &[("cell low", &["cell 1"]), ("pack sum", &["pack voltage"])], ..NOTHING }
        }
        // The last two inputs read 0 V, which is "absent" in the field pack's protocol when it is exactly that.
        FaultKind::TooManyCellsRead => Expected {
            must: match *pair {
                ACORN => &[("cell low", &["cell 23"]), ("deviation", &["cell 23"])],
                SAPLING => &[("cell low", &["cell 13"]), ("deviation", &["cell 13"])],
                _ => &[("cell low", &["cell 15", "cell 16"]), ("deviation", &["cell 15", "cell 16"])],
            },
            may: &["spread", "live values", "pack sum"],
            no_data: if flat { &["all cells"] } else { &[] },
            ..NOTHING
        },
        // Two more of 24, 14 and 16 cells: 8.3 %, 14.3 % and 12.5 %, limit 1 %.
        FaultKind::TooFewCellsRead => Expected { must: &[("pack sum", &["pack voltage"])], ..NOTHING },
        // 20 mohm: 0.8 V of 91 V at 40 A, less the gain of 0.08 % no more than 0.8 %; 1.5 V at 75 A. The smaller packs
        // have as much at their 37 A and 85 A of 53 V.
        FaultKind::PackLeadResistance => Expected { must: &[("pack sum", &["pack voltage"])], ..NOTHING },
        // 80 mV down and 40 mV up. Acorn's BMS says that it balances; the others' protocols have no bit for it.
        FaultKind::BalancingActive if *pair == ACORN => GO,
        FaultKind::BalancingActive => {
            Expected { must: &[("deviation", &["cell 6", "cell 7", "cell 8"])], may: &["spread"], ..NOTHING }
        }
        // 3 degC/min, limit 1 at rest. The field pack's line has no bus voltage by which rest is known that early, and
        // under load the limit is 5.
        FaultKind::HeatingAtRest if flat => GO,
        FaultKind::HeatingAtRest => Expected { must: &[("temperature rate", &["temperature 2"])], ..NOTHING },
        // A tenth of the one-hour current, and 16.7 A: that is no rest, so nothing is known of it.
        FaultKind::CurrentOffset | FaultKind::Circulation => Expected {
            outcome: Outcome::CannotTell,
            no_data: &["spread", "deviation", "pack sum", "current at rest"],
            ..NOTHING
        },
        // 75 mA lie beside Acorn's switch; what its bus voltage says while it is open is no rest.
        FaultKind::BusLiveEarly if *pair == ACORN => doubtful(&["bus", "current at rest"]),
        // No limit is broken: a finding throws doubt on the check, where the line carries what shows it.
        FaultKind::SensorStuck => doubtful(&["all temperatures"]),
        FaultKind::ReversedCurrent => doubtful(&["current at rest"]),
        FaultKind::BusLeadResistance if *pair == ACORN => doubtful(&["pack sum"]),
        FaultKind::NoPreCharge
        | FaultKind::SlowPreCharge
        | FaultKind::StuckPreCharge
        | FaultKind::StalledPreCharge
        | FaultKind::PreChargeRetries
            if *pair == ACORN =>
        {
            doubtful(&["bus"])
        }
        // The others carry no bus voltage.
        FaultKind::BusLeadResistance
        | FaultKind::NoPreCharge
        | FaultKind::SlowPreCharge
        | FaultKind::StuckPreCharge
        | FaultKind::StalledPreCharge
        | FaultKind::PreChargeRetries
        | FaultKind::BusLiveEarly => GO,
        // A drift takes a minute of rest, and the switch is still closed at the end.
        FaultKind::SelfDischarge | FaultKind::WeldedContact => GO,
        // No fault of the pack: a spread for a quarter of a second, inside the delays.
        FaultKind::CellsReadInTurn => GO,
    }
}

const LENGTH: SessionTime = SessionTime::from_millis(45_000);

/// What is wrong with a verdict.
fn wrong(verdict: &Verdict, expected: &Expected) -> Vec<String> {
    let mut wrong = Vec::new();
    if verdict.outcome != expected.outcome {
        wrong.push(format!("{} and not {}: {:?}", verdict.outcome.name(), expected.outcome.name(), verdict.because));
    }
    let result = |name: &str| verdict.checks.iter().find(|check| check.check.name() == name);
    for (name, places) in expected.must {
        let Some(check) = result(name).filter(|check| check.result == Result::Failed) else {
            wrong.push(format!("{name} did not fail"));
            continue;
        };
        let place = check.place.map(|place| place.to_string());
        let right = place.as_ref().map_or(places.is_empty(), |place| places.contains(&place.as_str()));
        if !right {
            wrong.push(format!("{name} at {place:?} and not {places:?}"));
        }
    }
    for name in expected.no_data {
        if result(name).is_none_or(|check| check.result != Result::NoData) {
            wrong.push(format!("{name} has data"));
        }
    }
    for check in verdict.checks.iter().filter(|check| check.result == Result::Failed) {
        let name = check.check.name();
        if !expected.must.iter().any(|(must, _)| *must == name) && !expected.may.contains(&name) {
            wrong.push(format!("{name} failed too: {}", check.why));
        }
    }
    wrong
}

fn verdict(pair: &Pair, inputs: Vec<Input>) -> Verdict {
    judge(&header(pair.protocol, pair.pack), inputs).1
}

#[test]
fn every_fault_is_found_through_every_protocol() {
    let mut all_wrong = Vec::new();
    for kind in Fault::all() {
        for pair in &PAIRS {
            let (scene, faults) = (pair.scene(7), [Fault::new(kind)]);
            let expected = expected(kind, pair);
            for (how, inputs) in [
                ("in even pieces", simulated(pair.protocol, &scene, &faults, LENGTH)),
                ("through an adapter", through_adapter(pair.protocol, &scene, &faults, LENGTH, 7)),
            ] {
                let wrong = wrong(&verdict(pair, inputs), &expected);
                all_wrong.extend(wrong.iter().map(|wrong| format!("{kind}, {} {how}: {wrong}", pair.name)));
            }
        }
    }
    assert!(all_wrong.is_empty(), "{}", all_wrong.join("\n"));
}

#[test]
fn a_sound_pack_is_go_through_every_protocol() {
    for pair in &PAIRS {
        let verdict = verdict(pair, simulated(pair.protocol, &pair.scene(7), &[], LENGTH));
        assert_eq!(wrong(&verdict, &GO), [""; 0], "{}", pair.name);
        let covers: Vec<&str> = verdict.covers.iter().map(|stage| stage.name()).collect();
        assert!(covers.contains(&"load"), "{}: {covers:?}", pair.name);
        assert!(covers.contains(&"BMS only") || covers.contains(&"rest"), "{}: {covers:?}", pair.name);
    }
}

/// A low cell that the flat curve hides must not be called sound: the verdict says what it can't know.
#[test]
fn what_a_flat_curve_hides_is_named_as_untested() {
    const CHARGE: &str = "charge differences between cells (the voltage curve is flat)";
    let low = Fault::new(FaultKind::LowCell);
    for (pair, faults) in [(FIELD, vec![]), (FIELD, vec![low]), (ACORN, vec![]), (SAPLING, vec![])] {
        let verdict = verdict(&pair, simulated(pair.protocol, &pair.scene(7), &faults, LENGTH));
        let named = verdict.untested.iter().any(|untested| untested == CHARGE);
        assert_eq!(named, pair == FIELD, "{}: {:?}", pair.name, verdict.untested);
    }
}

/// The scene is that of its pack file: a slip there would make every expectation above mean another pack.
#[test]
fn the_scenes_are_those_of_their_pack_files() {
    for pair in &PAIRS {
        let (pack, _) = rules::Pack::parse(&packwake_tests::text(pair.pack));
        let pack = pack.expect("it is sound");
        let scene = pair.scene(7);
        assert_eq!(scene.pack.series, pack.cells(), "{}", pair.name);
        assert_eq!(usize::from(scene.pack.sensors), pack.temperatures().len(), "{}", pair.name);
        assert!((scene.pack.ampere_hours * 1e9 - pack.capacity_nanos() as f64).abs() < 1.0, "{}", pair.name);
        let ohm = scene.pack.ohm + scene.pack.slow_ohm;
        assert!((ohm * 1e9 - pack.resistance_nanos() as f64).abs() < 1.0, "{}: {ohm}", pair.name);
        let flat = scene.pack.curve == simulator::Curve::Lfp;
        assert_eq!(flat, pack.chemistry() == rules::Chemistry::Lfp, "{}", pair.name);
    }
}
