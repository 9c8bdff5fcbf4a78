//! Help: for everything, and fit for a narrow terminal.

use crate::PROGRAM;

#[test]
fn help_of_every_command_fits_and_says_what_matters() {
    let commands =
        ["watch", "open", "replay", "export", "report", "compare", "frames", "identify", "check", "simulate", "ports"];
    let whole = PROGRAM.run(["--help"]);
    for command in commands {
        assert!(whole.stdout.contains(&format!("\n  {command} ")), "{command} is not in: {}", whole.stdout);
    }
    for caution in ["More than 60 V DC can kill", "it is no fuse", "Exit status: 0 go, 1 no-go"] {
        assert!(whole.stdout.contains(caution), "{caution:?} is not in: {}", whole.stdout);
    }
    let short = PROGRAM.run(["-h"]);
    assert!(short.stdout.contains("More than 60 V DC can kill"), "{}", short.stdout);
    for arguments in commands.map(|command| vec![command, "--help"]).into_iter().chain([vec!["--help"], vec!["-h"]]) {
        let help = PROGRAM.run(&arguments);
        assert_eq!((help.status, help.stderr.as_str()), (Some(0), ""), "{arguments:?}");
        assert!(help.stdout.contains("Usage: packwake"), "{}", help.stdout);
        for line in help.stdout.lines() {
            assert!(line.chars().count() <= 100, "{arguments:?}: {line}");
        }
    }
    let items = PROGRAM.run(["watch", "--help"]).stdout;
    for item in model::HandItem::all() {
        assert!(items.contains(&format!("\n  {} ", item.key())), "{} is not in: {items}", item.key());
    }
    assert!(!PROGRAM.run(["watch", "-h"]).stdout.contains("fire-plan"), "the short help stays short");
    let faults = PROGRAM.run(["simulate", "--help"]).stdout;
    for fault in simulator::Fault::all() {
        let line = faults.lines().find(|line| line.starts_with(&format!("  {fault} ")));
        assert!(line.is_some_and(|line| line.ends_with(fault.about())), "{fault} is not in: {faults}");
    }
}

#[test]
fn usage_that_is_wrong_is_refused_with_status_2() {
    crate::refused(&["wach"], "unrecognized subcommand 'wach'", "'watch'");
    crate::refused(&["watch", "--practice", "--for", "5x"], "unknown unit \"x\"", "write for example 60s");
    crate::refused(&["watch", "--practice", "--for", "0s"], "write a time", "60s");
    crate::refused(&["watch", "--practice", "--meter", "5A"], "write volts", "such as 92.41V");
    let hand = |found| ["watch", "--practice", "--hand", found];
    crate::refused(&hand("insulaton-plus=2Mohm"), "is called \"insulaton-plus\"", "did you mean insulation-plus?");
    crate::refused(&hand("insulation-plus=2V"), "that is a voltage", "such as 2.1 Mohm");
    crate::refused(&hand("insulation-plus=passed"), "only with what you read", "insulation-plus=2.1Mohm");
    crate::refused(&hand("fuse=good"), "\"good\" is no result", "fuse=passed or fuse=failed");
    crate::refused(&["watch", "--practice", "--port", "x"], "cannot be used with", "");
    crate::refused(&["watch"], "nothing to watch", "hint: give --port PATH");
    crate::refused(&["export", "x"], "--csv <OUT>", "");
    crate::refused(&["check"], "<FILE>", "");
    crate::refused(&["report", "x"], "--out <OUT>", "");
    crate::refused(&["compare", "x"], "<NEW>", "");
    crate::refused(&["compare", "x", "y", "--replace"], "--out <OUT>", "");
    crate::refused(&["compare", "x", "y", "--json", "-o", "z"], "cannot be used with", "");
    crate::refused(&["open", "nowhere.mcap"], "no file", "check the name");
    crate::refused(&["simulate", "--severity", "2"], "severity 2 is out of range", "hint: it goes from 0 to 1");
}

#[test]
#[cfg(target_os = "linux")]
fn without_a_display_the_desktop_points_at_the_terminal() {
    let ended = std::process::Command::new(env!("CARGO_BIN_EXE_packwake"))
        .env_remove("DISPLAY")
        .env_remove("WAYLAND_DISPLAY")
        .env_remove("WAYLAND_SOCKET")
        .output()
        .expect("it runs");
    let stderr = String::from_utf8_lossy(&ended.stderr);
    assert_eq!((ended.status.code(), ended.stdout.as_slice()), (Some(2), &[][..]), "{stderr}");
    assert_eq!(stderr.lines().count(), 2, "{stderr}");
    assert!(stderr.starts_with("error: no window can be opened: this session has no display\n"), "{stderr}");
    assert!(stderr.contains("`packwake watch --practice`"), "{stderr}");
}

#[test]
fn version_and_ports_go_to_standard_output() {
    let version = PROGRAM.run(["--version"]);
    assert_eq!((version.status, version.stdout), (Some(0), format!("packwake {}\n", env!("CARGO_PKG_VERSION"))));
    let ports = PROGRAM.run(["ports"]);
    assert_eq!(ports.status, Some(0), "{}", ports.stderr);
    // A machine may have none: then that is said, and a pseudo-terminal is never listed.
    assert_eq!(ports.stdout.is_empty(), ports.stderr.contains("no serial port is listed"), "{ports:?}");
    assert!(!ports.stdout.contains("/pts/"), "{}", ports.stdout);
}
