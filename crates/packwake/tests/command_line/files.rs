//! What needs no line: raw bytes, checks, standard output that is closed or full.

use model::SessionTime;
use simulator::Scene;

use crate::{PROGRAM, described_by, file, folder, shipped};

pub(crate) fn text_line_bytes(seconds: u64) -> Vec<u8> {
    let length = SessionTime::from_millis(seconds * 1_000);
    let pieces = packwake_tests::feed::simulated_bytes("protocols/acorn-text.toml", &Scene::practice(3), &[], length);
    pieces.into_iter().flat_map(|(_, bytes)| bytes).collect()
}

#[test]
fn raw_bytes_have_assumed_times_and_never_give_go() {
    let folder = folder("raw");
    let raw = file(&folder, "raw.bin", &text_line_bytes(30));
    let named = described_by("protocols/acorn-text.toml", "packs/sapling-14s-nmc.toml");
    let replay = || ["replay", &raw, "--json"].into_iter().chain(named.iter().map(String::as_str));
    let ended = PROGRAM.run(replay());
    assert_eq!(ended.status, Some(3), "{}", ended.stderr);
    let verdict = ended.verdict();
    assert_eq!(ended.json()[0]["times"], "assumed");
    let check = |name: &str| {
        verdict["checks"].as_array().unwrap().iter().find(|check| check["check"] == name).unwrap()["result"].clone()
    };
    assert_eq!(check("measured times"), "no data");
    assert_eq!(check("cell high"), "passed");
    // Half the rate takes twice the time.
    let slower = PROGRAM.run(replay().chain(["--baud", "28800"]));
    let end = |verdict: serde_json::Value| verdict["at_s"].as_f64().unwrap();
    let ratio = end(slower.verdict()) / end(verdict);
    assert!((1.999..2.001).contains(&ratio), "{ratio}");
}

#[test]
fn the_wrong_protocol_gives_cannot_tell_and_says_what_came() {
    let folder = folder("wrong protocol");
    let bytes = text_line_bytes(5);
    let raw = file(&folder, "raw.bin", &bytes);
    let named = described_by("protocols/acorn-binary.toml", "packs/acorn-24s-nmc.toml");
    let ended = PROGRAM.run(["replay", &raw, "--json"].into_iter().chain(named.iter().map(String::as_str)));
    assert_eq!(ended.status, Some(3));
    let because = ended.verdict()["because"][0].as_str().unwrap().to_owned();
    assert!(
        because.starts_with(&format!("{} bytes, no valid frame; no frame start was seen", bytes.len())),
        "{because}"
    );

    let piped = PROGRAM.run_with_input(["watch", "-"].into_iter().chain(named.iter().map(String::as_str)), &bytes);
    assert_eq!(piped.status, Some(3), "{}", piped.stderr);
    let expected = format!("{} bytes, no valid frame", bytes.len());
    assert!(piped.stdout.contains("CANNOT TELL") && piped.stdout.contains(&expected), "{}", piped.stdout);
}

#[test]
fn every_shipped_file_is_sound() {
    let mut arguments = vec!["check".to_owned()];
    for (folder, end) in [("protocols", "toml"), ("packs", "toml"), ("recordings", "mcap")] {
        let Ok(entries) = std::fs::read_dir(packwake_tests::root().join(folder)) else { continue };
        let paths = entries.map(|entry| entry.unwrap().path());
        let known = |path: &std::path::PathBuf| path.extension().is_some_and(|found| found == end);
        arguments.extend(paths.filter(known).map(|path| path.display().to_string()));
    }
    assert!(6 < arguments.len(), "{arguments:?}");
    let ended = PROGRAM.run(&arguments);
    assert_eq!((ended.status, ended.stderr.as_str()), (Some(0), ""), "{}", ended.stdout);
    for path in &arguments[1..] {
        let line = ended.stdout.lines().find(|line| line.starts_with(&format!("{path}: ")));
        assert!(line.is_some(), "{path} is not in: {}", ended.stdout);
    }
    assert!(ended.stdout.contains("more than 60 V DC can kill"), "{}", ended.stdout);
    assert!(ended.stdout.contains("under 60 V DC"), "{}", ended.stdout);
}

#[test]
fn a_check_goes_on_after_a_bad_file() {
    let pack = shipped("packs/field-16s-lfp.toml");
    let ended = PROGRAM.run(["check", "none.toml", &pack]);
    assert_eq!(ended.status, Some(2));
    assert!(ended.stderr.contains("can't read none.toml"), "{}", ended.stderr);
    assert!(ended.stdout.contains("pack \"Field 16S\", 16 cells LFP, 4 sensors"), "{}", ended.stdout);
}

#[test]
fn a_reader_that_goes_ends_everything_quietly() {
    let folder = folder("closed");
    let raw = file(&folder, "raw.bin", &text_line_bytes(60));
    let named = described_by("protocols/acorn-text.toml", "packs/sapling-14s-nmc.toml");
    let files = ["protocols", "packs"].map(shipped);
    for task in [vec!["export", &raw, "--csv", "-"], vec!["replay", &raw, "--json"], vec!["check", &files[0]]] {
        let named = named.iter().map(String::as_str).filter(|_| task[0] != "check");
        let ended = PROGRAM.run_closing_output(task.iter().copied().chain(named), 0);
        assert_ne!(ended.status, None, "{task:?} was ended by a signal");
        let expected = if task[0] == "check" { "hint: give a file in that folder\n" } else { "" };
        assert!(ended.stderr.ends_with(expected) && !ended.stderr.contains("panicked"), "{task:?}: {}", ended.stderr);
        assert_eq!(ended.stderr.is_empty(), expected.is_empty(), "{task:?}: {}", ended.stderr);
    }
}

#[cfg(unix)]
#[test]
fn an_existing_csv_is_replaced_and_a_device_is_written_to() {
    use std::os::unix::fs::{FileTypeExt, symlink};

    let folder = folder("csv");
    let raw = file(&folder, "raw.bin", &text_line_bytes(3));
    let named = described_by("protocols/acorn-text.toml", "packs/sapling-14s-nmc.toml");
    let export =
        |to: &str| PROGRAM.run(["export", &raw, "--csv", to].into_iter().chain(named.iter().map(String::as_str)));
    let old = file(&folder, "old.csv", b"old");
    let link = folder.join("link.csv");
    symlink(&old, &link).unwrap();
    assert_eq!(export(link.to_str().unwrap()).status, Some(0));
    assert!(link.is_symlink());
    assert!(std::fs::read_to_string(&old).unwrap().starts_with("time_s,"));
    let files = std::fs::read_dir(&folder).unwrap().count();
    assert_eq!(files, 3, "nothing else is left behind");

    let to_device = export("/dev/null");
    assert_eq!(to_device.status, Some(0), "{}", to_device.stderr);
    assert!(std::fs::metadata("/dev/null").unwrap().file_type().is_char_device());
    // A device that is always full.
    if std::path::Path::new("/dev/full").exists() {
        crate::check_refused(&export("/dev/full"), "No space left", "");
    }
}
