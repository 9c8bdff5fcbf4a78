//! Killed at any moment, the program leaves a recording that opens and holds every input older than a second.
#![cfg(unix)]
#![expect(clippy::disallowed_methods, reason = "the moment of a kill is real time")]

use std::path::Path;
use std::time::{Duration, Instant};

use model::{InputKind, SessionTime};
use packwake_tests::feed::{play, simulated_bytes};
use packwake_tests::program::{Ended, Program};
use packwake_tests::wire::Wire;
use recording::Recording;
use simulator::{Fault, FaultKind, Scene};

const PROGRAM: Program = Program::new(env!("CARGO_BIN_EXE_packwake"));
const PROTOCOL: &str = "protocols/acorn-binary.toml";
const PACK: &str = "packs/acorn-24s-nmc.toml";
/// What may be missing: the newest second.
const MAY_BE_LOST: Duration = Duration::from_secs(1);

/// A run that was killed: what was sent when, and what it left.
struct Killed {
    sent: Vec<u8>,
    /// So many of them were sent a second or more before the kill.
    old: usize,
    recorded: Vec<u8>,
    file: String,
}

/// Starts it on a line that the test writes, and kills it `after` the line was opened.
fn kill_after(name: &str, after: Duration, faults: &[Fault]) -> Killed {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("kill");
    std::fs::create_dir_all(&folder).expect("the target folder can be written");
    let path = folder.join(name);
    // There is none at the first run.
    drop(std::fs::remove_file(&path));
    let file = path.display().to_string();
    let [protocol, pack] = [PROTOCOL, PACK].map(|path| packwake_tests::root().join(path).display().to_string());

    let mut wire = Wire::new();
    let port = wire.path().display().to_string();
    let running = PROGRAM.start([
        "watch",
        "--json",
        "--port",
        &port,
        "--protocol",
        &protocol,
        "--pack",
        &pack,
        "--record",
        &file,
    ]);
    // From here on the file has its head.
    running.line(0, |line| line.contains("\"recorder\"") && line.contains("started"));
    let length = SessionTime::from_duration(after + Duration::from_secs(1));
    let pieces = simulated_bytes(PROTOCOL, &Scene::practice(4), faults, length);
    let kill_at = Instant::now() + after;
    let mut sent: Vec<(Instant, Vec<u8>)> = Vec::new();
    play(&pieces, |bytes| {
        if kill_at <= Instant::now() {
            return false;
        }
        let taken = wire.send(bytes);
        sent.push((Instant::now(), bytes.to_vec()));
        taken
    });
    std::thread::sleep(kill_at.saturating_duration_since(Instant::now()));
    let killed_at = Instant::now();
    let ended = running.kill();
    assert_eq!(ended.status, None, "it was killed");

    let recording = Recording::open(&path).unwrap_or_else(|error| panic!("after {after:?}: {error}"));
    let mut inputs = recording.inputs();
    let recorded = inputs.by_ref().filter_map(|input| match input.kind {
        InputKind::Bytes(bytes) => Some(bytes),
        _ => None,
    });
    let recorded: Vec<u8> = recorded.flatten().collect();
    assert!(!inputs.complete(), "after {after:?}");
    let old = sent.iter().filter(|(at, _)| MAY_BE_LOST <= killed_at - *at).map(|(_, bytes)| bytes.len()).sum();
    Killed { sent: sent.into_iter().flat_map(|(_, bytes)| bytes).collect(), old, recorded, file }
}

fn replay(killed: &Killed) -> Ended {
    PROGRAM.run(["replay", &killed.file, "--json"])
}

#[test]
fn every_input_older_than_a_second_is_in_the_recording() {
    // Moments from 0 to 4.5 s, unlike each other; all at the same time.
    let moments: Vec<u64> = (0..12).map(|index| index * 375 + (index * 7919) % 373).collect();
    let killed: Vec<Killed> = std::thread::scope(|scope| {
        let runs: Vec<_> = moments
            .iter()
            .map(|millis| {
                scope.spawn(move || kill_after(&format!("{millis}.mcap"), Duration::from_millis(*millis), &[]))
            })
            .collect();
        runs.into_iter().map(|run| run.join().expect("each is killed")).collect()
    });
    for (killed, millis) in killed.iter().zip(&moments) {
        assert!(killed.sent.starts_with(&killed.recorded), "after {millis} ms: what is recorded is what was sent");
        let (recorded, old) = (killed.recorded.len(), killed.old);
        assert!(old <= recorded, "after {millis} ms: {recorded} bytes recorded, {old} are older than a second");
        let again = replay(killed);
        assert_eq!(again.status, Some(4), "after {millis} ms: {}", again.stderr);
        assert!(again.stderr.contains("the recording is incomplete"), "{}", again.stderr);
        assert_eq!(again.verdict()["outcome"], "cannot tell");
    }
    // The later ones had something to lose.
    let old: usize = killed.iter().map(|killed| killed.old).sum();
    assert!(12_000 < old, "{old} bytes were older than a second");
    let checked = PROGRAM.run(["check", &killed[5].file]);
    assert_eq!(checked.status, Some(0));
    assert!(checked.stdout.contains("no end: it was cut off, or the program was killed"), "{}", checked.stdout);
}

#[test]
fn an_alarm_is_on_the_disk_at_once_and_no_go_outranks_incomplete() {
    let at = SessionTime::from_millis(700);
    let lead = Fault { at, ..Fault::new(FaultKind::OpenSenseLead) };
    let killed = kill_after("alarm.mcap", Duration::from_millis(1_300), &[lead]);
    // The alarms of the first frames asked for a flush long before a second was over.
    assert!(killed.old < killed.recorded.len(), "{} {}", killed.old, killed.recorded.len());
    let again = replay(&killed);
    assert_eq!(again.status, Some(1), "{}", again.stderr);
    assert!(again.stderr.contains("the recording is incomplete"), "{}", again.stderr);
    assert!(again.verdict()["because"].to_string().contains("cell 7"), "{}", again.last_line());
}

#[test]
fn a_practice_recording_survives_too() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("kill");
    std::fs::create_dir_all(&folder).unwrap();
    let path = folder.join("practice.mcap");
    drop(std::fs::remove_file(&path));
    let file = path.display().to_string();
    let running = PROGRAM.start(["watch", "--practice", "--json", "--record", &file]);
    running.line(0, |line| line.starts_with("{\"event\":\"verdict\",\"at_s\":2.000,"));
    std::thread::sleep(MAY_BE_LOST + Duration::from_millis(100));
    let watched = running.kill();
    let again = PROGRAM.run(["replay", &file, "--json"]);
    assert_eq!(again.status, Some(4));
    // What it said of the time that is recorded, it says again: all but the last verdict, which ends it.
    let kept = |ended: &Ended| -> Vec<String> {
        let lines = ended.stdout.lines().filter(|line| !line.contains("\"event\":\"recorder\""));
        lines.map(str::to_owned).collect()
    };
    let (watched, again) = (kept(&watched), kept(&again));
    let common = again.len() - 1;
    assert!(4 < common, "{again:?}");
    assert_eq!(again[..common], watched[..common]);
}
