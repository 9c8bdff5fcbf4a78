//! `frames`: the bytes of a recording and of a raw file, part by part.

use crate::{PROGRAM, check_refused, file, folder, refused, shipped};

#[test]
fn a_copied_place_is_told_part_by_part() {
    let recording = shipped("recordings/acorn-first-switch-on.mcap");
    let ended = PROGRAM.run(["frames", &recording, "--bytes", "0..59"]);
    assert_eq!((ended.status, ended.stderr.as_str()), (Some(0), ""));
    let lines: Vec<&str> = ended.stdout.lines().collect();
    assert!(lines[0].contains(" s  opened     "), "{}", lines[0]);
    assert!(lines[1].ends_with(" s  bytes 0..59  frame      cells"), "{}", lines[1]);
    // The parts of `protocols/acorn-binary.toml`, by hand: two start bytes, kind, size, count, uptime, 24 cells, check.
    assert!(lines[2].starts_with("                0..2            AA 55  start"), "{}", lines[2]);
    let cell = lines.iter().find(|line| line.contains("cell 7: ")).expect("the cell");
    assert!(cell.trim_start().starts_with("21..23 ") && cell.ends_with(" V)"), "{cell}");
    assert_eq!(lines.iter().filter(|line| line.contains("  cell ")).count(), 24);
    assert!(lines.last().is_some_and(|line| line.contains("57..59") && line.ends_with("(the checksum is right)")));
    // And nothing of its neighbours.
    assert_eq!(lines.iter().filter(|line| line.contains("  bytes ")).count(), 1);
}

#[test]
fn a_time_leads_to_the_damage_and_its_reason() {
    let recording = shipped("recordings/field-damaged-data-line.mcap");
    let ended = PROGRAM.run(["frames", &recording, "--from", "10s", "--for", "20s", "--brief"]);
    assert_eq!((ended.status, ended.stderr.as_str()), (Some(0), ""));
    let times = ended.stdout.lines().map(|line| line.trim_start().split(' ').next().expect("a time").parse::<f64>());
    // The first frame may have begun before, and the last byte of the last may have come just after.
    assert!(times.map(|time| time.expect("seconds")).all(|time| (9.9..30.2).contains(&time)), "{}", ended.stdout);
    for words in ["frame      cells_1_to_6", "no frame   ", "checksum computed "] {
        assert!(ended.stdout.contains(words), "{words:?} is not in: {}", ended.stdout);
    }
    // The parts of a damaged frame stand there, too.
    let whole = PROGRAM.run(["frames", &recording, "--from", "10s", "--for", "20s"]);
    assert!(whole.stdout.contains("(the checksum is wrong: these bytes give "), "{}", whole.stdout);
}

#[test]
fn raw_bytes_need_a_protocol_and_a_part_is_said_to_be_one() {
    let folder = folder("frames");
    let bytes = b"hello".repeat(20_000);
    let raw = file(&folder, "raw.bin", &bytes);
    let protocol = shipped("protocols/acorn-binary.toml");
    let ended = PROGRAM.run(["frames", &raw, "--protocol", &protocol, "--brief"]);
    assert_eq!(ended.status, Some(0));
    assert!(ended.stdout.contains("no frame   no frame starts here"), "{}", ended.stdout);
    assert!(ended.stderr.contains("only bytes 0..65536 are shown"), "{}", ended.stderr);
    assert!(ended.stderr.contains("times are worked out from the line rate"), "{}", ended.stderr);
    let behind = PROGRAM.run(["frames", &raw, "--protocol", &protocol, "--bytes", "200000..200010"]);
    assert_eq!((behind.status, behind.stdout.as_str()), (Some(0), ""));
    assert!(behind.stderr.contains("no byte lies there: the stream has 100000 bytes"), "{}", behind.stderr);
    refused(&["frames", &raw], "is no recording; raw bytes need --protocol", "hint: a recording carries its protocol");
}

#[test]
fn what_cannot_be_shown_is_refused() {
    let recording = shipped("recordings/acorn-weak-cell.mcap");
    refused(&["frames", &recording, "--bytes", "9..3"], "write a range such as 1234..1312", "");
    refused(
        &["frames", &recording, "--bytes", "0..900000000"],
        "900000000 bytes are too many",
        "hint: ask for at most",
    );
    refused(&["frames", &recording, "--for", "2s"], "--from", "");
    refused(&["frames", "none.mcap"], "can't read none.mcap", "hint: check the name");
    let folder = folder("frames broken");
    let broken = file(&folder, "broken.toml", b"protocol = 1");
    check_refused(&PROGRAM.run(["frames", &recording, "--protocol", &broken]), "broken.toml", "");
}
