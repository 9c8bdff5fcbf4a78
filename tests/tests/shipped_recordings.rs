//! Every shipped recording, judged again, against what a person wrote beside it.

use std::collections::BTreeSet;
use std::path::PathBuf;

use model::{Input, SessionHeader};
use packwake_tests::expectation::Expectation;
use packwake_tests::{judge, root, shipped, text};
use recording::Recording;
use rules::{Confidence, Pack, Result, Verdict};
use serde_json::Value;

/// Names of the files in `recordings` with this ending, without it.
fn names(ending: &str) -> BTreeSet<String> {
    std::fs::read_dir(root().join("recordings"))
        .expect("the folder is there")
        .filter_map(|entry| entry.expect("it can be listed").file_name().into_string().ok())
        .filter_map(|name| name.strip_suffix(ending).map(str::to_owned))
        .collect()
}

fn path(name: &str) -> PathBuf {
    root().join(format!("recordings/{name}.mcap"))
}

/// Opens a recording, which must be whole and sound.
fn opened(name: &str) -> (SessionHeader, Vec<Input>) {
    let recording = Recording::open(&path(name)).unwrap_or_else(|error| panic!("{name}: {error}"));
    let mut inputs = recording.inputs();
    let all: Vec<Input> = inputs.by_ref().collect();
    assert_eq!(inputs.damage(), [], "{name}");
    assert!(inputs.complete(), "{name} has no end");
    (recording.header().clone(), all)
}

/// What came out, compared with the expectation: a list of differences.
fn differences(expected: &Expectation, lines: &[String], verdict: &Verdict) -> Vec<String> {
    let mut found = Vec::new();
    let mut compare = |what: &str, expected: String, got: String| {
        if expected != got {
            found.push(format!("{what}: expected {expected}, got {got}"));
        }
    };
    compare("outcome", expected.outcome.clone(), verdict.outcome.name().to_owned());
    let covers: Vec<&str> = verdict.covers.iter().map(|stage| stage.name()).collect();
    compare("covers", format!("{:?}", expected.covers), format!("{covers:?}"));

    let failed = || verdict.checks.iter().filter(|check| check.result == Result::Failed);
    let expected_checks: BTreeSet<&str> = expected.failed.iter().map(|failed| failed.check.as_str()).collect();
    let failed_checks: BTreeSet<&str> = failed().map(|check| check.check.name()).collect();
    compare("failed checks", format!("{expected_checks:?}"), format!("{failed_checks:?}"));
    for check in failed() {
        let place = check.place.map(|place| place.to_string());
        let wanted = expected.failed.iter().find(|failed| failed.check == check.check.name());
        let Some(wanted) = wanted else { continue };
        let right = match &place {
            Some(place) => wanted.places.contains(place),
            None => wanted.places.is_empty(),
        };
        if !right {
            compare(check.check.name(), format!("{:?}", wanted.places), format!("{place:?}"));
        }
    }
    let causes_of = || verdict.findings.iter().filter(|finding| Confidence::Possible < finding.confidence);
    let expected_causes: BTreeSet<&str> = expected.found.iter().map(|found| found.check.as_str()).collect();
    let causes: BTreeSet<&str> = causes_of().map(|finding| finding.cause.name()).collect();
    compare("findings", format!("{expected_causes:?}"), format!("{causes:?}"));
    for finding in causes_of() {
        let Some(wanted) = expected.found.iter().find(|wanted| wanted.check == finding.cause.name()) else { continue };
        let places: Vec<String> = finding.places.iter().map(ToString::to_string).collect();
        compare(finding.cause.name(), format!("{:?}", wanted.places), format!("{places:?}"));
    }
    for untested in &expected.untested {
        compare("untested", format!("{untested:?} among"), {
            let has = verdict.untested.contains(untested);
            if has { format!("{untested:?} among") } else { format!("{:?}", verdict.untested) }
        });
    }
    let first = first_critical_s(lines);
    let in_time = match (expected.first_critical_s, first) {
        (None, None) => true,
        (Some((earliest, latest)), Some(at)) => earliest <= at && at <= latest,
        _ => false,
    };
    if !in_time {
        compare("first critical alarm", format!("{:?} s", expected.first_critical_s), format!("{first:?} s"));
    }
    found
}

/// The session time of the first critical alarm.
fn first_critical_s(lines: &[String]) -> Option<f64> {
    let events = lines.iter().map(|line| serde_json::from_str::<Value>(line).expect("a line is JSON"));
    events
        .filter(|event| event["event"] == "alarm" && event["severity"] == "critical")
        .map(|event| event["at_s"].as_f64().expect("it has a time"))
        .next()
}

fn expectation(name: &str) -> Expectation {
    let file = format!("recordings/{name}.expected.toml");
    Expectation::parse(&text(&file)).unwrap_or_else(|error| panic!("{file}: {error}"))
}

#[test]
fn each_meets_its_expectation() {
    let mut wrong = Vec::new();
    let names = names(".mcap");
    assert!(!names.is_empty(), "no recording is there");
    for name in names {
        let (header, inputs) = opened(&name);
        let (lines, verdict) = judge(&header, inputs);
        let differences = differences(&expectation(&name), &lines, &verdict);
        wrong.extend(differences.iter().map(|difference| format!("{name}: {difference}")));
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Each expectation is held against each other recording: none may be met by chance.
#[test]
fn no_expectation_is_met_by_another_recording() {
    let names = names(".mcap");
    let judged: Vec<_> = names.iter().map(|name| opened(name)).map(|(header, inputs)| judge(&header, inputs)).collect();
    for expected in &names {
        for (name, (lines, verdict)) in names.iter().zip(&judged).filter(|(name, _)| *name != expected) {
            let found = differences(&expectation(expected), lines, verdict);
            assert!(!found.is_empty(), "{name} meets the expectation of {expected}");
        }
    }
}

#[test]
fn each_is_small_practice_and_whole() {
    let recordings = names(".mcap");
    assert_eq!(recordings, names(".expected.toml"), "a recording without an expectation, or the reverse");
    let recipes: BTreeSet<String> = shipped::recipes().iter().map(|recipe| recipe.name.to_owned()).collect();
    assert!(recipes.is_subset(&recordings), "not all were made: {recipes:?}");
    for name in &recordings {
        let (header, inputs) = opened(name);
        let size = std::fs::metadata(path(name)).expect("it is there").len();
        assert!(size < 150_000, "{name} has {size} bytes");
        assert!(header.practice && header.source.starts_with("recorded practice: "), "{name}: {}", header.source);
        assert!(header.host.is_empty() && header.started_utc_nanos.is_none(), "{name}");
        let last = inputs.last().expect("it has inputs").at;
        assert!((30..=60).contains(&(last.nanos / 1_000_000_000)), "{name} ends at {last} s");
        // What `check` asks of a recording: its texts can be used.
        let (protocol, faults) = parser::Protocol::parse(&header.protocol_text);
        assert!(protocol.is_some() && faults.is_empty(), "{name}: {faults:?}");
        let (pack, faults) = Pack::parse(&header.pack_text);
        assert!(pack.is_some() && faults.is_empty(), "{name}: {faults:?}");
    }
}

/// The maker is deterministic, and its pieces are those of an adapter.
#[test]
fn making_them_again_gives_the_same_inputs() {
    for recipe in shipped::recipes() {
        let inputs = recipe.inputs();
        assert_eq!(inputs, recipe.inputs(), "{}", recipe.name);
        let sizes: Vec<usize> = inputs
            .iter()
            .filter_map(|input| match &input.kind {
                model::InputKind::Bytes(bytes) => Some(bytes.len()),
                _ => None,
            })
            .collect();
        assert!(sizes.iter().all(|size| (1..=packwake_tests::adapter::MOST_BYTES).contains(size)), "{}", recipe.name);
        let different: BTreeSet<usize> = sizes.iter().copied().collect();
        assert!(10 < different.len(), "{}: pieces of {different:?} bytes", recipe.name);
        assert!(inputs.windows(2).all(|pair| pair[0].at <= pair[1].at), "{}", recipe.name);
    }
}
