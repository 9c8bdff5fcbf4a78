//! Practice sessions in real time. They last up to 18 s each, so that whichever test comes first starts them all, and
//! each test waits for its own.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::path::PathBuf;
use std::sync::{LazyLock, Mutex, OnceLock, PoisonError};

use packwake_tests::program::{Ended, Program, Started};
use serde_json::{Value, json};

use crate::{PROGRAM, folder};

struct Session {
    running: Mutex<Option<Started>>,
    ended: OnceLock<Ended>,
}

static FOLDER: LazyLock<PathBuf> = LazyLock::new(|| folder("live"));
static SESSIONS: LazyLock<BTreeMap<&str, Session>> = LazyLock::new(|| {
    let record = recording().display().to_string();
    [
        ("sound", vec!["--for", "17s", "--json", "--record", &record]),
        ("sound, as text", vec!["--for", "17s"]),
        ("open-sense-lead", vec!["open-sense-lead", "--for", "8s", "--json"]),
        ("silent-line", vec!["silent-line", "--for", "18s", "--json"]),
        ("unplug", vec!["unplug", "--for", "18s", "--json"]),
        ("by hand", vec!["--for", "3s", "--json", "--hand", "insulation-plus=20kohm", "--hand", "fuse=passed"]),
    ]
    .into_iter()
    .map(|(name, arguments)| {
        let running = PROGRAM.start(["watch", "--practice"].into_iter().chain(arguments));
        (name, Session { running: Mutex::new(Some(running)), ended: OnceLock::new() })
    })
    .collect()
});

fn recording() -> PathBuf {
    FOLDER.join("sound.mcap")
}

fn session(name: &str) -> &'static Ended {
    let session = &SESSIONS[name];
    session.ended.get_or_init(|| {
        let running = session.running.lock().unwrap_or_else(PoisonError::into_inner).take();
        running.expect("it is waited for once").wait()
    })
}

#[test]
fn checks_before_power_are_inputs_of_the_session_and_decide() {
    let ended = session("by hand");
    assert_eq!(ended.status, Some(1));
    let events = ended.json();
    // Before anything else: the session has not begun to listen.
    assert_eq!((&events[1]["event"], &events[1]["at_s"]), (&json!("note"), &json!(0.0)));
    let failed = "20 kohm, below 51 kohm (102 V x 500 ohm/V)";
    assert_eq!(events[1]["text"], format!("before power: insulation, plus to frame with meter: failed: {failed}"));
    assert_eq!((&events[2]["event"], &events[2]["check"]), (&json!("alarm"), &json!("before power")));
    assert!(events.iter().any(|event| event["text"] == "before power: right fuse: passed"), "{events:?}");
    let verdict = ended.verdict();
    assert_eq!(verdict["outcome"], "no-go");
    let reason = format!("before power: insulation, plus to frame: {failed} (at 0.000 s)");
    assert_eq!(verdict["because"], json!([reason]));
    let untested = verdict["untested"].to_string();
    assert!(untested.contains("22 of 24 checks before power not done: props off, helper, fire plan and 19 more"));
}

fn because(verdict: &Value) -> String {
    verdict["because"].to_string()
}

#[test]
fn a_sound_pack_is_go_with_status_0_and_the_verdict_comes_last() {
    let ended = session("sound");
    assert_eq!(ended.status, Some(0), "{}", ended.last_line());
    assert_eq!(ended.stderr, "", "with JSON there is nothing to say in prose");
    let events = ended.json();
    assert_eq!(events[0]["event"], "session");
    assert_eq!(events[0]["practice"], true);
    for event in &events {
        let name = event["event"].as_str().unwrap();
        let known = ["session", "stage", "alarm", "finding", "link", "note", "recorder", "verdict"];
        assert!(known.contains(&name) && event["at_s"].is_number(), "{event}");
    }
    let times: Vec<f64> = events.iter().map(|event| event["at_s"].as_f64().unwrap()).collect();
    assert!(times.is_sorted(), "{times:?}");

    let verdict = ended.verdict();
    let keys: Vec<&str> = verdict.as_object().unwrap().keys().map(String::as_str).collect();
    let promised = ["event", "at_s", "outcome", "covers", "untested", "checks", "because"];
    assert_eq!(keys[..promised.len()], promised);
    assert_eq!(keys[promised.len()..], ["findings", "measured", "notes", "practice"]);
    let begin = r#"{"event":"verdict","at_s":17.000,"outcome":"go","covers":["BMS only","bus rise","idle","load"],"#;
    assert!(ended.last_line().starts_with(begin), "{}", ended.last_line());
    let covers = verdict["covers"].as_array().unwrap();
    let untested = verdict["untested"].as_array().unwrap();
    assert!(untested.iter().all(|stage| stage.is_string() && !covers.contains(stage)), "{untested:?}");
    assert_eq!(verdict["findings"], json!([]));
    assert_eq!(verdict["practice"], true);
    let checks = verdict["checks"].as_array().unwrap();
    assert!(15 < checks.len(), "{checks:?}");
    for check in checks {
        assert!(check["check"].is_string() && check["why"].is_string(), "{check}");
        assert_eq!(check["result"], "passed", "{check}");
    }
    assert_eq!(verdict["because"], json!(["every required check passed"]));
}

#[test]
fn an_open_sense_lead_is_no_go_with_status_1_and_names_the_cells() {
    let ended = session("open-sense-lead");
    assert_eq!(ended.status, Some(1));
    let verdict = ended.verdict();
    assert_eq!(verdict["outcome"], "no-go");
    let because = because(&verdict);
    assert!(because.contains("cell 7") && because.contains("cell 8"), "{because}");
    let failed: Vec<&Value> =
        verdict["checks"].as_array().unwrap().iter().filter(|check| check["result"] == "failed").collect();
    assert!(failed.iter().any(|check| check["place"] == "cell 7"), "{failed:?}");
    let alarms = ended.json().into_iter().filter(|event| event["event"] == "alarm" && event["place"] == "cell 7");
    let first = alarms.map(|alarm| alarm["at_s"].as_f64().unwrap()).next().unwrap();
    // The lead opens at 3 s; frames come every 50 ms.
    assert!((3.0..4.0).contains(&first), "{first}");
}

#[test]
fn a_silent_line_cannot_be_told_with_status_3() {
    let ended = session("silent-line");
    assert_eq!(ended.status, Some(3));
    let verdict = ended.verdict();
    assert_eq!(verdict["outcome"], "cannot tell");
    assert!(because(&verdict).contains("does not come any more"), "{verdict}");
    // It was go before: silence took it back.
    let said: Vec<Value> = ended.json().into_iter().filter(|event| event["event"] == "verdict").collect();
    assert!(said.iter().any(|verdict| verdict["outcome"] == "go"), "{said:?}");
}

#[test]
fn an_unplugged_port_gives_status_4() {
    let ended = session("unplug");
    assert_eq!(ended.status, Some(4));
    assert!(because(&ended.verdict()).contains("the link was lost"), "{}", ended.last_line());
    let lost: Vec<Value> = ended.json().into_iter().filter(|event| event["change"] == "lost").collect();
    assert_eq!(lost.len(), 1);
    // It is said that it is looked for again.
    assert!(ended.stderr.contains("waiting for it to come back"), "{}", ended.stderr);
}

#[test]
fn text_has_results_on_standard_output_and_prose_on_standard_error() {
    let ended = session("sound, as text");
    assert_eq!(ended.status, Some(0));
    for expected in
        ["session  practice pack", "(practice: no real pack)", "\nGO for the next step", "  passed    cell high "]
    {
        assert!(ended.stdout.contains(expected), "{expected:?} is not in: {}", ended.stdout);
    }
    assert!(ended.stderr.contains("cells in mV from their median"), "{}", ended.stderr);
    assert!(
        !ended.stdout.contains("ms old") && !ended.stderr.contains("verdict"),
        "{}\n{}",
        ended.stdout,
        ended.stderr
    );
}

#[test]
fn a_recording_replays_to_the_same_lines_and_exports_a_row_for_each_frame() {
    let watched = session("sound");
    let file = recording().display().to_string();
    let replayed = PROGRAM.run(["replay", &file, "--json"]);
    assert_eq!(replayed.status, Some(0), "{}", replayed.stderr);
    assert_eq!(replayed.stderr, "");
    let without_recorder: Vec<&str> =
        watched.stdout.lines().filter(|line| !line.starts_with(r#"{"event":"recorder","#)).collect();
    assert_eq!(replayed.stdout.lines().collect::<Vec<_>>(), without_recorder);

    let as_text = PROGRAM.run(["replay", &file]);
    assert_eq!(as_text.status, Some(0));
    assert!(as_text.stdout.contains("GO for the next step"), "{}", as_text.stdout);

    let out = FOLDER.join("sound.csv").display().to_string();
    let exported = PROGRAM.run(["export", &file, "--csv", &out]);
    assert_eq!((exported.status, exported.stdout.as_str()), (Some(0), ""));
    let csv = std::fs::read_to_string(&out).unwrap();
    let piped = PROGRAM.run(["export", &file, "--csv", "-"]);
    assert_eq!((piped.status, piped.stdout.as_str()), (Some(0), csv.as_str()));
    assert!(csv.starts_with("time_s,frame_counter,device_time_s,cell_01_v,"), "{}", &csv[..80]);
    // The link's evidence counts the sound frames.
    let verdict = watched.verdict();
    let link = verdict["checks"][0]["why"].as_str().unwrap();
    let frames: usize = link.split(' ').next().unwrap().parse().unwrap();
    assert!(400 < frames, "{link}");
    assert_eq!(csv.lines().count(), 1 + frames, "{}", exported.stderr);
    assert!(exported.stderr.contains(&format!("{frames} rows in")), "{}", exported.stderr);

    // A part of it: the same lines, those from the first time on and before the second.
    let seconds = |line: &str| line.split(',').next().unwrap().parse::<f64>().unwrap();
    let part = PROGRAM.run(["export", &file, "--csv", "-", "--from", "2s", "--to", "4500ms"]);
    let lines: Vec<&str> = csv.lines().skip(1).filter(|line| (2.0..4.5).contains(&seconds(line))).collect();
    assert!(40 < lines.len() && lines.len() < frames, "{} lines", lines.len());
    assert_eq!(part.stdout.lines().skip(1).collect::<Vec<_>>(), lines);
    assert_eq!(part.stdout.lines().next(), csv.lines().next());

    let checked = PROGRAM.run(["check", &file]);
    assert_eq!(checked.status, Some(0));
    assert!(checked.stdout.contains("recording of practice pack, practice, "), "{}", checked.stdout);
}

#[test]
fn an_existing_recording_is_left_alone() {
    session("sound");
    let file = recording().display().to_string();
    let before = std::fs::read(&file).unwrap();
    crate::refused(
        &["watch", "--practice", "--for", "1s", "--record", &file],
        "there is a file of this name already",
        "hint: choose another name",
    );
    assert!(before == std::fs::read(&file).unwrap());
}

/// A disk that is full after a second or two: a limit that the shell sets, in blocks of 512 bytes.
#[cfg(unix)]
#[test]
fn a_recording_that_fails_is_told_once_and_watching_goes_on() {
    let folder = folder("full");
    let file = folder.join("full.mcap").display().to_string();
    let short = folder.join("short.mcap");
    let arguments = ["watch", "--practice", "--for", "300ms", "--record"].map(OsStr::new);
    PROGRAM.run(arguments.into_iter().chain([short.as_os_str()]));
    let blocks = std::fs::metadata(&short).unwrap().len() / 512 + 2;
    let script = format!("trap '' XFSZ; ulimit -f {blocks}; exec \"$@\"");
    let arguments = ["-c", &script, "sh", env!("CARGO_BIN_EXE_packwake"), "watch", "--practice", "--json"];
    let ended = Program::new("/bin/sh").run(arguments.into_iter().chain(["--for", "6s", "--record", &file]));
    assert_eq!(ended.status, Some(4), "{}", ended.stderr);
    let events = ended.json();
    let recorder: Vec<&Value> = events.iter().filter(|event| event["event"] == "recorder").collect();
    let changes: Vec<&Value> = recorder.iter().map(|event| &event["change"]).collect();
    assert_eq!(changes, ["started", "incomplete"]);
    let why = recorder[1]["text"].as_str().unwrap();
    assert!(why.starts_with("cannot write the recording: File too large"), "{why}");
    assert!(recorder[1]["at_s"].as_f64().unwrap() < 5.0, "it is told when it happens: {}", recorder[1]);
    assert!(ended.stderr.contains(why), "{}", ended.stderr);
    let verdict = ended.verdict();
    assert!(verdict["at_s"] == 6.0 && verdict["checks"][0]["result"] == "passed", "{verdict}");
    // What was written until then can be read.
    let replayed = PROGRAM.run(["replay", &file, "--json"]);
    assert_eq!(replayed.status, Some(4));
    assert!(replayed.stderr.contains("the recording is incomplete"), "{}", replayed.stderr);
    assert!(0.5 < replayed.verdict()["at_s"].as_f64().unwrap(), "{}", replayed.last_line());
}

/// An interrupt, as the keyboard sends it.
#[cfg(unix)]
#[test]
fn an_interrupt_gives_a_last_verdict_and_a_whole_recording() {
    use nix::sys::signal::{Signal, kill};
    use nix::unistd::Pid;

    let folder = folder("interrupt");
    let file = folder.join("interrupted.mcap").display().to_string();
    let running = PROGRAM.start(["watch", "--practice", "--json", "--record", &file]);
    running.line(0, |line| line.contains("first frame"));
    std::thread::sleep(std::time::Duration::from_millis(700));
    kill(Pid::from_raw(running.id().try_into().unwrap()), Signal::SIGINT).unwrap();
    let ended = running.wait();
    assert_eq!(ended.status, Some(3), "{}", ended.stderr);
    assert!(because(&ended.verdict()).contains("a verdict needs 15 s"), "{}", ended.last_line());
    let replayed = PROGRAM.run(["replay", &file, "--json"]);
    assert_eq!(replayed.status, Some(3));
    assert_eq!(replayed.last_line(), ended.last_line());
    assert_eq!(replayed.stderr, "", "a recording that was closed is not incomplete");
}

#[test]
fn a_reader_that_goes_ends_the_session_quietly() {
    let ended = PROGRAM.run_closing_output(["watch", "--practice", "--for", "30s"], 1);
    // The reader is gone at the verdict of the first second.
    assert_eq!(ended.status, Some(3), "{}", ended.stderr);
    assert!(!ended.stderr.contains("panicked") && !ended.stderr.contains("error"), "{}", ended.stderr);
}
