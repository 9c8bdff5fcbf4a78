//! `identify --port`: a line of which nothing is known, on a real pseudo-terminal.
#![cfg(target_os = "linux")]

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use model::LineSettings;
use packwake_tests::program::Program;
use packwake_tests::uart::{self, telegrams};
use packwake_tests::wire::Wire;

const PROGRAM: Program = Program::new(env!("CARGO_BIN_EXE_packwake"));

/// Plays the telegrams at a rate of their own to whoever has the port open at whatever rate.
fn play(wire: &mut Wire, telegrams: &[Vec<u8>], sent: &LineSettings, over: &AtomicBool) {
    for telegram in telegrams.iter().cycle() {
        if over.load(Ordering::Relaxed) {
            return;
        }
        let at = LineSettings::new(wire.rate());
        if at.baud != 0 {
            wire.send(&uart::read(&[telegram], sent, &at).bytes);
        }
        std::thread::sleep(Duration::from_millis(4));
    }
}

/// The whole way: the program opens a port of which nobody knows anything, finds its rate, listens, records, drafts; the draft
/// decodes the recording, and with it the answer is never go.
#[test]
fn an_unknown_line_becomes_a_draft() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = |name: &str| folder.path().join(name).display().to_string();
    let (draft, record) = (path("draft.toml"), path("line.mcap"));
    let mut wire = Wire::new();
    let port = wire.path().display().to_string();
    let (telegrams, sent, over) = (telegrams("acorn-binary"), LineSettings::new(57_600), AtomicBool::new(false));
    let ended = std::thread::scope(|scope| {
        scope.spawn(|| play(&mut wire, &telegrams, &sent, &over));
        let ended = PROGRAM.run(["identify", "--port", &port, "--for", "5s", "--record", &record, "-o", &draft]);
        over.store(true, Ordering::Relaxed);
        ended
    });
    assert_eq!(ended.status, Some(0), "{}", ended.stderr);
    for words in ["sure:    the line runs at 57600 8N1", "nothing is sent", "checksum CRC-16/MODBUS", "cells 1 to 24"] {
        assert!(ended.stderr.contains(words), "{words:?} is not in: {}", ended.stderr);
    }
    let text = std::fs::read_to_string(&draft).expect("the draft");
    assert!(text.contains("\nbaud = 57600\n") && text.contains("\ndraft = true\n"), "{text}");
    let again = PROGRAM.run(["identify", &record]);
    assert_eq!(again.status, Some(0), "{}", again.stderr);
    let pack = packwake_tests::root().join("packs/acorn-24s-nmc.toml").display().to_string();
    let judged = PROGRAM.run(["replay", &record, "--protocol", &draft, "--pack", &pack, "--json"]);
    assert_ne!(judged.verdict()["outcome"], "go", "{}", judged.stderr);
    assert!(judged.stdout.contains("confirmed protocol"), "{}", judged.stderr);
    // By itself it can't be judged, and it is said what to give.
    for command in ["replay", "report"] {
        let alone =
            PROGRAM.run(&[command, &record, "-o", &path("page.html")][..if command == "report" { 4 } else { 2 }]);
        assert_eq!(alone.status, Some(2), "{}", alone.stderr);
        assert!(alone.stderr.contains("--protocol") && alone.stderr.contains("--pack"), "{}", alone.stderr);
    }
    let checked = PROGRAM.run(["check", &record, &draft]);
    assert_eq!(checked.status, Some(0), "{}", checked.stderr);
    assert!(checked.stdout.contains("no protocol and no pack"), "{}", checked.stdout);
    // What was recorded is written over by nothing.
    let twice = PROGRAM.run(["identify", "--port", &port, "--record", &record]);
    assert_eq!(twice.status, Some(2), "{}", twice.stderr);
    assert!(twice.stderr.contains("there is a file of this name already"), "{}", twice.stderr);
}

#[test]
fn a_silent_line_is_told() {
    let wire = Wire::new();
    let ended = PROGRAM.run(["identify", "--json", "--port", &wire.path().display().to_string()]);
    let expected = "{\"event\":\"identified\",\"outcome\":\"cannot tell\"}\n";
    assert_eq!((ended.status, ended.stdout.as_str()), (Some(3), expected), "{}", ended.stderr);
    assert!(ended.stderr.contains("nothing came in 8 s"), "{}", ended.stderr);
}
