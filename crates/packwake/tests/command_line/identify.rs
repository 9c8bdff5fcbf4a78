//! `identify`: a draft from a recording and from raw bytes, and what it says where it can't tell.

use serde_json::Value;

use crate::{PROGRAM, file, folder, refused, shipped};

#[test]
fn a_recording_gives_a_draft_that_check_and_frames_take() {
    let folder = folder("identify");
    let recording = shipped("recordings/acorn-first-switch-on.mcap");
    let draft = folder.join("draft.toml").display().to_string();
    let ended = PROGRAM.run(["identify", &recording, "-o", &draft]);
    assert_eq!((ended.status, ended.stdout.as_str()), (Some(0), ""), "{}", ended.stderr);
    for words in [
        "sure:    checksum CRC-16/MODBUS, low byte first, over all from byte 2 to itself",
        "cells 1 to 24",
        "66600 (100.0 %) are in sound frames by the draft, 0 are not",
        "hint: hold every value against a display",
    ] {
        assert!(ended.stderr.contains(words), "{words:?} is not in: {}", ended.stderr);
    }
    let checked = PROGRAM.run(["check", &draft]);
    assert_eq!(checked.status, Some(0), "{}", checked.stderr);
    let frames = PROGRAM.run(["frames", &recording, "--protocol", &draft, "--bytes", "0..59"]);
    assert!(frames.stdout.contains("cell 7: "), "{}", frames.stdout);
    assert!(checked.stderr.contains("a draft that nobody has confirmed"), "{}", checked.stderr);
    // By its own protocol the answer is go.
    let judged = PROGRAM.run(["replay", &recording, "--protocol", &draft, "--json"]);
    let verdict: Value = judged.stdout.lines().last().and_then(|line| serde_json::from_str(line).ok()).expect("one");
    assert_ne!(verdict["outcome"], "go", "{verdict}");
    let asked = |check: &&Value| check["check"] == "confirmed protocol";
    let confirmed = verdict["checks"].as_array().and_then(|checks| checks.iter().find(asked));
    assert_eq!(confirmed.map(|check| &check["result"]), Some(&"no data".into()), "{verdict}");
    // A second draft takes the place of no file.
    refused(&["identify", &recording, "-o", &draft], "is there already", "choose another name");
}

#[test]
fn raw_bytes_give_a_draft_on_standard_output() {
    let bytes = shipped("docs/tutorial/meadow.bin");
    let ended = PROGRAM.run(["identify", &bytes, "--baud", "38400"]);
    assert_eq!(ended.status, Some(0), "{}", ended.stderr);
    assert!(ended.stdout.starts_with("# A DRAFT, made from bytes alone."), "{}", ended.stdout);
    assert!(ended.stdout.contains("\nbaud = 38400\n"), "{}", ended.stdout);
    assert!(!ended.stdout.contains("every ="), "raw bytes have no times: {}", ended.stdout);
    assert!(ended.stderr.contains("raw bytes have no times"), "{}", ended.stderr);
    let json = PROGRAM.run(["identify", &bytes, "--baud", "38400", "--json"]);
    let lines: Vec<Value> =
        json.stdout.lines().map(|line| serde_json::from_str(line).expect("an object a line")).collect();
    assert!(lines.len() > 5 && lines.iter().rev().skip(1).all(|line| line["event"] == "finding"), "{}", json.stdout);
    let last = lines.last().expect("a line");
    assert_eq!((&last["event"], &last["outcome"]), (&"identified".into(), &"drafted".into()));
    assert_eq!(last["line"], "38400 8N1");
    assert!(last["draft"].as_str().is_some_and(|draft| draft.contains("sum = \"sum 8\"")), "{last}");
}

#[test]
fn what_is_no_protocol_ends_with_status_3_and_says_what_to_try() {
    let folder = folder("identify nothing");
    let text = file(&folder, "prose.txt", &b"It rains, and the pack stays in its box.\n".repeat(50));
    let still = file(&folder, "still.bin", &[0xFF; 1000]);
    let empty = file(&folder, "empty.bin", b"");
    for (path, words) in [(&text, "this is text"), (&still, "all 1000 bytes are FF"), (&empty, "0 bytes are too few")] {
        let ended = PROGRAM.run(["identify", path]);
        assert_eq!((ended.status, ended.stdout.as_str()), (Some(3), ""), "{}", ended.stderr);
        for words in [words, "cannot tell: no draft was made", "hint: "] {
            assert!(ended.stderr.contains(words), "{words:?} is not in: {}", ended.stderr);
        }
    }
    refused(&["identify", "none.bin"], "can't read none.bin", "check the name");
}

/// A hundred megabytes are not read: the first four are looked at, within seconds.
#[test]
fn a_long_file_costs_no_more_than_a_short_one() {
    let folder = folder("identify long");
    let path = folder.join("long.bin");
    let out = std::fs::File::create(&path).expect("the target folder can be written");
    out.set_len(100 * 1024 * 1024).expect("a sparse file");
    let zeros = PROGRAM.run(["identify", &path.display().to_string()]);
    assert_eq!(zeros.status, Some(3), "{}", zeros.stderr);
    let telegrams = std::fs::read(shipped("docs/tutorial/meadow.bin")).expect("the file").repeat(1100);
    let long = file(&folder, "telegrams.bin", &telegrams);
    let ended = PROGRAM.run(["identify", &long]);
    assert_eq!(ended.status, Some(0), "{}", ended.stderr);
    assert!(ended.stderr.contains("only the first 4194304 bytes were looked at"), "{}", ended.stderr);
}
