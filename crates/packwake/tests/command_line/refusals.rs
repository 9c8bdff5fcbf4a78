//! Files and ports that can't be used: a message, a hint, and nothing on standard output.

use packwake_tests::wire::Wire;

use crate::{PROGRAM, check_refused, described_by, file, folder, refused, shipped};

const PROTOCOL: &str = "protocols/acorn-binary.toml";
const PACK: &str = "packs/acorn-24s-nmc.toml";

#[test]
fn an_unknown_fault_is_met_with_the_nearest_or_all() {
    refused(
        &["watch", "--practice", "open-sense-leed"],
        "unknown fault \"open-sense-leed\"",
        "did you mean open-sense-lead?",
    );
    refused(&["simulate", "rust"], "unknown fault \"rust\"", "hint: faults: low-cell, high-cell,");
}

#[test]
fn a_missing_protocol_or_pack_is_asked_for() {
    let [_, protocol, _, pack] = described_by(PROTOCOL, PACK);
    refused(
        &["watch", "--port", "x", "--pack", &pack],
        "--protocol is missing",
        "hint: watching needs --protocol FILE",
    );
    refused(&["watch", "-", "--protocol", &protocol], "--pack is missing", "hint: watching needs --protocol FILE");
    let readme = shipped("Cargo.toml");
    for task in [vec!["replay", &readme], vec!["export", &readme, "--csv", "-"]] {
        refused(&task, "is no recording; raw bytes need --protocol", "hint: a recording carries its protocol");
    }
    refused(&["replay", &readme, "--protocol", &protocol], "raw bytes need --pack", "hint: ");
}

#[test]
fn times_to_write_that_end_before_they_begin_are_refused() {
    for (from, to) in [("10s", "10s"), ("2min", "90s"), ("0s", "0s")] {
        refused(
            &["export", "x", "--csv", "-", "--from", from, "--to", to],
            "the times to write end before they begin",
            "hint: --from must be less than --to",
        );
    }
}

#[test]
fn files_that_are_not_there_or_no_files_are_refused() {
    let folder = folder("refusals").display().to_string();
    let missing = format!("{folder}/none");
    let [_, protocol, _, pack] = described_by(PROTOCOL, PACK);
    for (path, why, hint) in [
        (missing.as_str(), "No such file", "hint: check the name"),
        (&folder, "irectory", "hint: give a file in that folder"),
    ] {
        let about = format!("can't read {path}");
        for task in [
            vec!["check", path],
            vec!["replay", path],
            vec!["replay", path, "--protocol", &protocol, "--pack", &pack],
            vec!["export", path, "--csv", "-"],
            vec!["watch", "-", "--protocol", path, "--pack", &pack],
            vec!["watch", "-", "--protocol", &protocol, "--pack", path],
            vec!["simulate", "--protocol", path],
        ] {
            let ended = PROGRAM.run(&task);
            check_refused(&ended, &about, hint);
            assert!(ended.stderr.contains(why), "{}", ended.stderr);
        }
    }
    #[cfg(unix)]
    refused(&["check", "/dev/zero"], "larger than a protocol or pack file can be", "hint: ");
}

#[test]
fn every_fault_of_a_file_is_shown_with_its_line() {
    let folder = folder("faulty");
    let text = packwake_tests::text(PROTOCOL).replace("CRC-16/MODBUS", "CRC-16/MODBUSS").replace("u32 le", "u33 le");
    let faulty = file(&folder, "faulty.toml", text.as_bytes());
    let line = 1 + text.lines().position(|line| line.contains("MODBUSS")).unwrap();
    let [_, _, _, pack] = described_by(PROTOCOL, PACK);
    for task in [
        vec!["watch", "-", "--protocol", &faulty, "--pack", &pack],
        vec!["replay", &pack, "--protocol", &faulty, "--pack", &pack],
        vec!["simulate", "--protocol", &faulty],
    ] {
        let ended = PROGRAM.run(&task);
        check_refused(&ended, &format!("{faulty}:{line}:"), "hint");
        assert!(ended.stderr.contains("CRC-16/MODBUSS") && ended.stderr.contains("u33 le"), "{}", ended.stderr);
    }
    // `check` also prints its result: that the file can't be used.
    let ended = PROGRAM.run(["check", &faulty]);
    assert_eq!(ended.status, Some(2));
    assert!(ended.stdout.starts_with(&format!("{faulty}: can't be used, ")), "{}", ended.stdout);
    assert!(ended.stderr.contains(&format!("{faulty}:{line}:")), "{}", ended.stderr);

    let pack = file(&folder, "pack.toml", b"pack = \"x\"\nchemistry = \"NMC\"\ncells = 24\ncapacityy = \"44 Ah\"\n");
    let [_, protocol, _, _] = described_by(PROTOCOL, PACK);
    refused(&["watch", "-", "--protocol", &protocol, "--pack", &pack], &format!("{pack}:4:"), "capacity");
}

#[test]
fn what_is_no_text_and_what_is_neither_file_is_told() {
    let folder = folder("no text");
    let binary = file(&folder, "binary.toml", b"protocol = \"\xff\xfe\"\n");
    let [_, protocol, _, pack] = described_by(PROTOCOL, PACK);
    for task in [
        vec!["check", &binary],
        vec!["watch", "-", "--protocol", &binary, "--pack", &pack],
        vec!["watch", "-", "--protocol", &protocol, "--pack", &binary],
    ] {
        refused(&task, "is not text", "hint: protocol and pack files are TOML in UTF-8");
    }
    let other = file(&folder, "other.toml", b"x = 1\n");
    refused(&["check", &other], "is no protocol file, no pack file and no recording", "hint: a protocol file has");
    let empty = file(&folder, "empty.toml", b"");
    refused(&["check", &empty], "is no protocol file", "hint: ");
}

#[test]
fn ports_and_addresses_that_refuse_say_what_to_do() {
    let folder = folder("ports");
    let named = described_by(PROTOCOL, PACK);
    let watch = |from: [&str; 2]| {
        let record = folder.join("never.mcap");
        let record = record.display().to_string();
        let mut arguments = vec!["watch", from[0], from[1], "--record", &record];
        arguments.extend(named.iter().map(String::as_str));
        let ended = PROGRAM.run(arguments);
        assert!(!folder.join("never.mcap").exists(), "a source that refuses leaves no recording");
        ended
    };
    let missing = folder.join("none").display().to_string();
    check_refused(&watch(["--port", &missing]), "no such port", "hint: ");
    check_refused(&watch(["--port", &folder.display().to_string()]), "it is no device", "hint: ");
    // Port 1 of this machine is not used.
    let refusing = watch(["--tcp", "127.0.0.1:1"]);
    check_refused(&refusing, "can't open TCP connection to \"127.0.0.1:1\"", "hint: ");
    assert_eq!(refusing.stderr.matches("Connection refused").count(), 1, "{}", refusing.stderr);
    check_refused(&watch(["--tcp", "nowhere"]), "nowhere", "hint: ");
    check_refused(&watch(["--udp", "127.0.0.1:99999"]), "99999", "hint: ");
    let taken = std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
    let address = taken.local_addr().unwrap().to_string();
    check_refused(&watch(["--udp", &address]), &address, "hint: ");
}

#[test]
fn a_port_that_another_has_is_busy() {
    let wire = Wire::new();
    let port = wire.path().display().to_string();
    let named = described_by(PROTOCOL, PACK);
    let arguments = || ["watch", "--json", "--port", &port].into_iter().chain(named.iter().map(String::as_str));
    let first = PROGRAM.start(arguments().chain(["--for", "20s"]));
    first.line(0, |line| line.contains("opened"));
    check_refused(&PROGRAM.run(arguments()), "another program", "hint: ");
    drop(first);
}

#[test]
fn a_recording_or_a_csv_where_there_is_no_folder_is_refused() {
    let folder = folder("no folder");
    let nowhere = folder.join("none").join("x").display().to_string();
    refused(
        &["watch", "--practice", "--for", "1s", "--record", &nowhere],
        "cannot make the recording",
        "make the folder first",
    );
    let raw = file(&folder, "raw", b"\xaa\x55");
    let mut arguments = vec!["export", &raw, "--csv", &nowhere];
    let named = described_by(PROTOCOL, PACK);
    arguments.extend(named.iter().map(String::as_str));
    refused(&arguments, &format!("can't write {nowhere}"), "hint: make the folder first");
    let directory = folder.display().to_string();
    arguments[3] = &directory;
    refused(&arguments, "can't write ", "hint: give a file in that folder");
    // By another name for the same file, too.
    let itself = folder.join(".").join("raw").display().to_string();
    arguments[3] = &itself;
    refused(&arguments, "that is the recording itself", "hint: choose another name");
    assert_eq!(std::fs::read(&raw).unwrap(), b"\xaa\x55");
}
