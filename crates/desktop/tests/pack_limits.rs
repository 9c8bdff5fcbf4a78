//! The screen of the pack: what stands on it, what is typed, what would have been raised, what is saved, and what a new
//! session is judged by.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use desktop::dialogs::{Dialogs, Field as Ask};
use desktop::sound::Players;
use desktop::start::{Kind, PracticeFault, Wish};
use desktop::{Desktop, Practice, Ready};
use egui::accesskit::Role;
use egui::{Key, Modifiers};
use egui_kittest::kittest::{NodeT, Queryable};
use egui_kittest::{Harness, Node};
use session::rules::{LimitName, Outcome, Pack};
use session::snapshot::{Failure, Phase};
use session::worker::{Job, Opened, Replay};
use simulator::{ByProtocol, ByteStream, PtyLine, Scene, Telegrams};

const ACORN: &str = "packs/acorn-24s-nmc.toml";

type Window = Harness<'static, Option<Desktop>>;

fn acorn() -> Pack {
    Pack::parse(&packwake_tests::text(ACORN)).0.expect("a shipped pack is sound")
}

fn ready(first: Option<Wish>) -> Ready {
    Ready {
        practice: Practice {
            faults: vec![PracticeFault { name: "none".to_owned(), about: "a sound pack".to_owned() }],
            start: Arc::new(practice),
            pack: Some(Arc::new(acorn())),
        },
        tool_version: "a test".to_owned(),
        host: String::new(),
        players: Players::none(),
        first,
    }
}

/// The practice pack on a pseudo-terminal of its own.
fn practice(_: &str, record: Option<PathBuf>) -> Result<Opened, Failure> {
    let protocol = packwake_tests::protocol("protocols/acorn-binary.toml");
    let settings = protocol.line().expect("it says how its line is set");
    let scene = Scene::practice(1).fitted_to(protocol.layout());
    let line = PtyLine::open().expect("a line");
    let running =
        line.start(ByteStream::new(Telegrams::new(&scene, &[], ByProtocol::new(protocol)))).expect("it starts");
    let path = running.path().to_owned();
    let live = session::Live {
        source: transport::Source::Serial(transport::SerialSource { path, settings }),
        header: packwake_tests::header("protocols/acorn-binary.toml", ACORN),
        record,
        length: None,
        before: Vec::new(),
        may_ask: false,
    };
    Ok(Opened { job: Job::Live(Box::new(live)), keep: Some(Box::new(running)) })
}

fn window_of(size: [f32; 2], first: Option<Wish>) -> Window {
    let mut harness = Harness::builder().with_size(size).build_ui_state(
        move |ui, desktop: &mut Option<Desktop>| {
            let desktop = desktop.get_or_insert_with(|| Desktop::new(ui.ctx(), ready(first.clone())));
            desktop.look(ui.ctx());
            desktop.ui(ui);
        },
        None,
    );
    harness.run_steps(2);
    harness
}

fn window(first: Option<Wish>) -> Window {
    // High enough for the whole table.
    window_of([1480.0, 2200.0], first)
}

/// Before a session, with this pack file chosen.
fn on_file(path: &Path) -> Window {
    let mut harness = window(None);
    let chosen = path.display().to_string();
    fill(&mut harness, |start| {
        start.kind = Kind::Tcp;
        start.pack = chosen;
    });
    press(&mut harness, Key::K);
    wait(&mut harness, "Cell high: in every stage");
    harness
}

fn fill(harness: &mut Window, with: impl FnOnce(&mut desktop::start::Start)) {
    harness.state_mut().as_mut().expect("it is there").fill(with);
    harness.run_steps(2);
}

fn press(harness: &mut Window, key: Key) {
    harness.key_press(key);
    harness.run_steps(4);
}

fn press_with(harness: &mut Window, modifiers: Modifiers, key: Key) {
    harness.key_press_modifiers(modifiers, key);
    harness.run_steps(4);
}

fn click(harness: &mut Window, label: &str) {
    harness.get_by_label(label).click();
    harness.run_steps(4);
}

fn has(harness: &Window, part: &str) -> bool {
    harness.query_all_by_label_contains(part).next().is_some()
}

#[track_caller]
fn wait(harness: &mut Window, part: &str) {
    for _ in 0..1000 {
        harness.run_steps(1);
        if has(harness, part) {
            harness.run_steps(2);
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    let nodes = harness.query_all_by(|_| true);
    let words: Vec<String> = nodes.filter_map(|node| node.accesskit_node().label()).collect();
    panic!("no {part:?} on the screen: {}", words.join(" | "));
}

#[track_caller]
fn wait_until(harness: &mut Window, what: &str, done: impl Fn(&Desktop) -> bool) {
    for _ in 0..2000 {
        harness.run_steps(1);
        if harness.state().as_ref().is_some_and(&done) {
            harness.run_steps(2);
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("not within twenty seconds: {what}");
}

/// The field of this name; the words beside it may be the same.
fn field<'h>(harness: &'h Window, label: &'h str) -> Node<'h> {
    harness.get_by(move |node| is_field(node.role()) && node.label().as_deref() == Some(label))
}

fn is_field(role: Role) -> bool {
    matches!(role, Role::TextInput | Role::MultilineTextInput)
}

/// Types over what stands in a field.
fn type_over(harness: &mut Window, label: &str, text: &str) {
    field(harness, label).focus();
    harness.run_steps(2);
    press_with(harness, Modifiers::COMMAND, Key::A);
    if text.is_empty() {
        press(harness, Key::Backspace);
    } else {
        field(harness, label).type_text(text);
        harness.run_steps(4);
    }
}

#[track_caller]
fn value_of(harness: &Window, label: &str) -> String {
    field(harness, label).accesskit_node().value().unwrap_or_default()
}

fn recording(name: &str) -> Wish {
    let path = packwake_tests::root().join("recordings").join(name);
    Wish::Replay(Replay { path, ..Replay::default() })
}

/// The screen over a shipped recording.
fn over(name: &str) -> Window {
    let mut harness = window(Some(recording(name)));
    wait_until(&mut harness, "the recording is read", |desktop| desktop.shown().phase == Phase::Ended);
    press(&mut harness, Key::K);
    harness
}

#[test]
fn every_limit_stands_there_with_its_source_and_what_was_measured() {
    let harness = over("acorn-first-switch-on.mcap");
    for (label, hint) in [
        ("Cell high, warning side", "default 4.20 V"),
        ("Cell high, critical side", "default 4.25 V"),
        ("Spread at rest, deadband", "default 3 mV"),
        ("Temperature low, critical side", "default -10 degC"),
        ("Temperature rise under load, on-delay", "default 1 s"),
        ("Pack sum, off-delay", "default 1 s"),
        // 0.5 % of 44 Ah in an hour.
        ("Current at rest, warning side", "default 0.22 A"),
    ] {
        assert_eq!(value_of(&harness, label), hint, "{label}");
    }
    let sides =
        harness.query_all_by_label_contains(" side").filter(|node| is_field(node.accesskit_node().role())).count();
    assert_eq!(sides, 2 * LimitName::all().count(), "each limit has both sides");
    assert!(has(
        &harness,
        "Cell low under load: under load, and while the pack recovers; default for NMC: common practice"
    ));
    assert!(has(
        &harness,
        "Cell high: in every stage; default for NMC: critical: upper limit charging voltage of IEC 62133-2"
    ));
    // The cells stand near 3.83 V; the warning side is at 4.20 V.
    assert!(has(&harness, "Cell high, measured 3."), "the measured range");
    assert!(has(&harness, " mV inside warning"));
    assert!(has(&harness, "Change a limit, and what it would have raised"));
}

#[test]
fn a_typed_limit_is_judged_again_over_the_recording() {
    let mut harness = over("acorn-first-switch-on.mcap");
    type_over(&mut harness, "Cell high, warning side", "3.70 V");
    assert!(has(&harness, "changed: warning side was the default, 4.20 V"));
    type_over(&mut harness, "Cell high, critical side", "3.80 V");
    wait(&mut harness, "alarms: 25 new, 0 gone, 0 changed");
    // The hand-written expectation of that recording is go.
    for part in ["GO", "NO-GO", "becomes"] {
        harness.get_all_by_label(part).next().expect(part);
    }
    assert!(has(&harness, "cell high: cell 1 at 3.8"), "place and text of an alarm");
    // And back: nothing is left of it.
    for _ in 0..2 {
        press_with(&mut harness, Modifiers::COMMAND, Key::Z);
    }
    assert_eq!(value_of(&harness, "Cell high, critical side"), "default 4.25 V");
    wait(&mut harness, "Change a limit, and what it would have raised");
    press_with(&mut harness, Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
    press_with(&mut harness, Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
    assert_eq!(value_of(&harness, "Cell high, critical side"), "3.80 V");
    // The recording judged by these limits on every screen.
    click(&mut harness, "Show the recording judged by these limits");
    wait_until(&mut harness, "the recording is read again", |desktop| {
        let verdict = desktop.shown().verdict.as_ref().map(|verdict| verdict.outcome);
        desktop.shown().phase == Phase::Ended && verdict == Some(Outcome::NoGo)
    });
    assert!(has(&harness, "The session is judged by these limits."));
    assert_eq!(value_of(&harness, "Cell high, critical side"), "3.80 V", "the edits are still there");
}

#[test]
fn a_wider_limit_shows_what_is_gone() {
    let mut harness = over("acorn-weak-cell.mcap");
    for side in ["warning", "critical"] {
        for stage in ["at rest", "under load"] {
            type_over(&mut harness, &format!("Deviation {stage}, {side} side"), "400 mV");
        }
    }
    wait(&mut harness, " gone, ");
    assert!(has(&harness, "deviation: cell 17 from the median by"));
}

#[test]
fn what_is_no_limit_is_said_at_its_field() {
    let mut harness = over("acorn-first-switch-on.mcap");
    type_over(&mut harness, "Cell high, critical side", "4.25");
    assert!(has(&harness, "critical side: not a voltage: the unit is missing; write for example \"4.20 V\""));
    assert!(has(&harness, "one fault: the file can't be used like this"));
    assert!(has(&harness, "Mend the faults first"));
    type_over(&mut harness, "Cell high, critical side", "4.1 V");
    assert!(has(&harness, "the critical side of cell_high must lie above the warning side"));
    type_over(&mut harness, "Cell high, critical side", "4.30 V");
    assert!(has(&harness, "critical side: cell_high is looser than the 4.250 V of NMC; make sure that the maker"));
    assert!(!has(&harness, "can't be used like this"), "a warning is no fault");
    type_over(&mut harness, "Cell high, critical side", "");
    assert_eq!(value_of(&harness, "Cell high, critical side"), "default 4.25 V");
    assert!(!has(&harness, "changed:") && !has(&harness, "not saved"), "nothing differs from the file any more");
}

#[test]
fn what_is_saved_is_there_after_a_restart_with_every_comment() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("cart.toml");
    let text = packwake_tests::text(ACORN).replace("cells = 24", "cells = 24 # counted twice");
    std::fs::write(&path, &text).expect("written");
    let mut harness = on_file(&path);
    type_over(&mut harness, "Cell high, warning side", "4.15 V");
    type_over(&mut harness, "capacity", "40 Ah");
    type_over(&mut harness, "Spread at rest, on-delay", "2 s");
    assert!(has(&harness, "changed: capacity was 44 Ah"));
    press_with(&mut harness, Modifiers::COMMAND, Key::S);
    wait(&mut harness, "saved to ");
    assert!(!has(&harness, "changed:"));
    let saved = std::fs::read_to_string(&path).expect("it is there");
    let expected = text.replace("44 Ah\"", "40 Ah\"")
        + "\n[limits.cell_high]\nwarning = \"4.15 V\"\n\n[limits.spread_rest]\non_delay = \"2 s\"\n";
    assert_eq!(saved, expected);
    drop(harness);
    // Again, by another run of the program.
    let mut harness = on_file(&path);
    assert_eq!(value_of(&harness, "Cell high, warning side"), "4.15 V");
    assert_eq!(value_of(&harness, "Spread at rest, on-delay"), "2 s");
    assert!(has(&harness, "Cell high: in every stage; this file, else the default for NMC"));
    // Back to the defaults: the file is as it was but for the capacity.
    click(
        &mut harness,
        "Cell high: in every stage; this file, else the default for NMC: critical: upper limit charging voltage of IEC 62133-2, from memory; warning: common practice",
    );
    click(&mut harness, "warning side, 4.20 V");
    type_over(&mut harness, "Spread at rest, on-delay", "");
    press_with(&mut harness, Modifiers::COMMAND, Key::S);
    wait(&mut harness, "saved to ");
    assert_eq!(std::fs::read_to_string(&path).expect("it is there"), text.replace("44 Ah\"", "40 Ah\""));
}

#[test]
fn a_file_that_changed_meanwhile_is_not_written_over_unasked() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("cart.toml");
    let text = packwake_tests::text(ACORN);
    std::fs::write(&path, &text).expect("written");
    let mut harness = on_file(&path);
    type_over(&mut harness, "Cell high, warning side", "4.15 V");
    let theirs = text.replace("3 mV", "4 mV");
    std::fs::write(&path, &theirs).expect("written");
    press_with(&mut harness, Modifiers::COMMAND, Key::S);
    wait(&mut harness, "Not saved: the file was changed meanwhile by another program");
    assert_eq!(std::fs::read_to_string(&path).expect("it is there"), theirs);
    click(&mut harness, "Load it again, without these edits");
    wait_until(&mut harness, "it is read", |_| true);
    for _ in 0..100 {
        if value_of(&harness, "accuracy") == "4 mV" {
            break;
        }
        harness.run_steps(1);
        std::thread::sleep(Duration::from_millis(10));
    }
    assert_eq!(
        (value_of(&harness, "accuracy"), value_of(&harness, "Cell high, warning side")),
        ("4 mV".to_owned(), "default 4.20 V".to_owned())
    );
    type_over(&mut harness, "Cell high, warning side", "4.10 V");
    std::fs::write(&path, &text).expect("written");
    click(&mut harness, "Save (Ctrl+S)");
    wait(&mut harness, "Not saved: the file was changed meanwhile");
    click(&mut harness, "Overwrite it");
    wait(&mut harness, "saved to ");
    let saved = std::fs::read_to_string(&path).expect("it is there");
    assert!(saved.contains("4 mV") && saved.ends_with("[limits.cell_high]\nwarning = \"4.10 V\"\n"), "{saved}");
}

/// The file is a pipe for a while: whoever reads it waits until this test writes.
#[cfg(unix)]
#[test]
fn a_second_save_waits_for_the_first() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("cart.toml");
    let text = packwake_tests::text(ACORN);
    std::fs::write(&path, &text).expect("written");
    let mut harness = on_file(&path);
    type_over(&mut harness, "Cell high, warning side", "4.15 V");
    std::fs::remove_file(&path).expect("it was there");
    let made = std::process::Command::new("mkfifo").arg(&path).status().expect("POSIX has it");
    assert!(made.success());
    press_with(&mut harness, Modifiers::COMMAND, Key::S);
    type_over(&mut harness, "Cell high, warning side", "4.10 V");
    press_with(&mut harness, Modifiers::COMMAND, Key::S);
    std::fs::write(&path, &text).expect("the first save reads it");
    wait(&mut harness, "saved to ");
    assert!(has(&harness, "not saved"), "the later edit is in no file yet");
    let saved = std::fs::read_to_string(&path).expect("it is there");
    assert!(saved.ends_with("[limits.cell_high]\nwarning = \"4.15 V\"\n"), "{saved}");
    press_with(&mut harness, Modifiers::COMMAND, Key::S);
    for _ in 0..500 {
        if !has(&harness, "not saved") {
            break;
        }
        harness.run_steps(1);
        std::thread::sleep(Duration::from_millis(10));
    }
    let saved = std::fs::read_to_string(&path).expect("it is there");
    assert!(saved.ends_with("warning = \"4.10 V\"\n"), "{saved}");
}

#[test]
fn a_text_out_of_a_recording_is_saved_to_a_new_file() {
    let folder = tempfile::tempdir().expect("a folder");
    let (there, new) = (folder.path().join("there.toml"), folder.path().join("new.toml"));
    std::fs::write(&there, "somebody's").expect("written");
    let mut harness = over("sapling-sensor-open.mcap");
    assert!(has(&harness, "for Sapling 14S, as the recording has them: in no file yet"));
    assert_eq!(value_of(&harness, "Temperature high, warning side"), "40 degC");
    type_over(&mut harness, "Temperature high, warning side", "35 degC");
    press_with(&mut harness, Modifiers::COMMAND, Key::S);
    type_over(&mut harness, "Save as", &there.display().to_string());
    click(&mut harness, "Save there");
    wait(&mut harness, "Not saved: there is a file of this name already");
    click(&mut harness, "Leave both");
    assert_eq!(std::fs::read_to_string(&there).expect("it is there"), "somebody's");
    type_over(&mut harness, "Save as", &new.display().to_string());
    press(&mut harness, Key::Enter);
    wait(&mut harness, "saved to ");
    let saved = std::fs::read_to_string(&new).expect("it is there");
    let pack = Pack::parse(&saved).0.expect("it is sound");
    assert_eq!(pack.limit(LimitName::TemperatureHigh).warning, Some(35_000_000_000));
    let recording = packwake_tests::root().join("recordings/sapling-sensor-open.mcap");
    let own = recording_text(&recording);
    assert_eq!(saved, own.replace("40 degC", "35 degC"), "every comment is still there");
}

fn recording_text(path: &Path) -> String {
    recording::Recording::open(path).expect("it opens").header().pack_text.clone()
}

#[test]
fn a_path_chosen_in_the_dialog_stands_on_the_line() {
    fn pick(field: Ask) -> Option<PathBuf> {
        (field == Ask::SavePack).then(|| PathBuf::from("chosen/there.toml"))
    }
    let mut harness = over("acorn-first-switch-on.mcap");
    harness.state_mut().as_mut().expect("it is there").pack_screen().dialogs = Dialogs::new(pick);
    click(&mut harness, "Save as…");
    click(&mut harness, "Choose: save as");
    for _ in 0..200 {
        harness.run_steps(1);
        if value_of(&harness, "Save as") == "chosen/there.toml" {
            break;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    assert_eq!(value_of(&harness, "Save as"), "chosen/there.toml");
    click(&mut harness, "Save there");
    wait(&mut harness, "not saved: there is no such folder");
}

#[test]
fn a_file_with_faults_is_mended_from_the_start_screen() {
    let folder = tempfile::tempdir().expect("a folder");
    let (protocol, pack) = (folder.path().join("line.toml"), folder.path().join("pack.toml"));
    std::fs::write(&protocol, packwake_tests::text("protocols/acorn-binary.toml")).expect("written");
    let sound = packwake_tests::text(ACORN);
    let broken = sound.replace("cells = 24", "cells = 24000").replace("\"3 mV\"", "\"3 mv\"");
    let broken = format!("colour = 3\n{broken}");
    std::fs::write(&pack, &broken).expect("written");
    let mut harness = window(None);
    let (protocol, chosen) = (protocol.display().to_string(), pack.display().to_string());
    fill(&mut harness, |start| {
        start.kind = Kind::Tcp;
        start.tcp = "127.0.0.1:9".to_owned();
        start.protocol = protocol;
        start.pack = chosen;
    });
    press(&mut harness, Key::Enter);
    wait(&mut harness, "Mend it (K)");
    click(&mut harness, "Mend it (K)");
    wait(&mut harness, "3 faults: the file can't be used like this");
    assert!(has(&harness, "cells: \"cells\" is out of range; allowed is 1 to 512"));
    assert!(has(&harness, "accuracy: not a voltage: unknown unit \"mv\"; did you mean \"mV\"?"));
    assert!(has(&harness, "line 1, column 1: unknown key \"colour\""), "what has no field is listed");
    type_over(&mut harness, "cells", "24");
    type_over(&mut harness, "accuracy", "3 mV");
    press_with(&mut harness, Modifiers::COMMAND, Key::S);
    wait(&mut harness, "not saved: mend the faults first");
    // What has no field is mended in the text.
    click(&mut harness, "Edit the text");
    type_over(&mut harness, "Text of the pack file", &sound);
    press_with(&mut harness, Modifiers::COMMAND, Key::S);
    wait(&mut harness, "saved to ");
    assert_eq!(std::fs::read_to_string(&pack).expect("it is there"), sound);
}

#[test]
fn a_text_that_is_no_toml_is_mended_as_text() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("pack.toml");
    let sound = packwake_tests::text(ACORN);
    std::fs::write(&path, sound.replace("chemistry = ", "chemistry = = ")).expect("written");
    let mut harness = window(None);
    let chosen = path.display().to_string();
    fill(&mut harness, |start| {
        start.kind = Kind::Serial;
        start.pack = chosen;
    });
    press(&mut harness, Key::K);
    wait(&mut harness, "The text is not valid TOML");
    assert!(has(&harness, "line 5, column"), "the fault has its place");
    type_over(&mut harness, "Text of the pack file", &sound);
    assert!(has(&harness, "Cell high: in every stage"), "the fields are back");
    // A file that can't be read at all.
    let chosen = folder.path().join("nowhere.toml").display().to_string();
    press(&mut harness, Key::Escape);
    press(&mut harness, Key::S);
    fill(&mut harness, |start| start.pack = chosen);
    press(&mut harness, Key::K);
    wait(&mut harness, "the pack file can't be read: ");
}

#[test]
fn a_check_is_waived_with_its_reason() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("pack.toml");
    let text =
        packwake_tests::text(ACORN) + "\n[waivers]\n\"pack sum\" = \"its BMS reports no pack voltage\" # asked\n";
    std::fs::write(&path, &text).expect("written");
    let mut harness = on_file(&path);
    assert_eq!(value_of(&harness, "waiver of pack sum"), "its BMS reports no pack voltage");
    type_over(&mut harness, "waiver of pack sum", "short");
    assert!(has(&harness, "waiver of pack sum: a waiver needs its reason; say why this pack can't have the check"));
    click(&mut harness, "Take back: pack sum");
    assert!(has(&harness, "changed: waiver of pack sum was its BMS reports no pack voltage"));
    press_with(&mut harness, Modifiers::COMMAND, Key::Z);
    press_with(&mut harness, Modifiers::COMMAND, Key::Z);
    assert_eq!(value_of(&harness, "waiver of pack sum"), "its BMS reports no pack voltage");
    assert!(!has(&harness, "changed:"));
}

#[test]
fn limits_are_applied_to_a_running_session_on_the_same_line() {
    let folder = tempfile::tempdir().expect("a folder");
    let record = folder.path().join("nursery.mcap");
    let mut harness = window(Some(Wish::Practice { fault: "none".to_owned(), record: Some(record.clone()) }));
    let seconds = |session: u32, nanos: u64| {
        move |desktop: &Desktop| {
            let shown = desktop.shown();
            shown.session == session && nanos <= shown.at.nanos && 0 < shown.frames.0
        }
    };
    wait_until(&mut harness, "two seconds", seconds(0, 2_000_000_000));
    press(&mut harness, Key::M);
    press(&mut harness, Key::L);
    wait(&mut harness, "sound, its checksum is right");
    press(&mut harness, Key::ArrowUp);
    wait(&mut harness, "held still");
    press(&mut harness, Key::K);
    assert!(has(&harness, "The session is judged by these limits."));
    type_over(&mut harness, "Cell high, warning side", "3.70 V");
    type_over(&mut harness, "Cell high, critical side", "3.75 V");
    // What it would have raised so far, while it is being recorded.
    wait(&mut harness, "over the recording up to 00:0");
    assert!(has(&harness, "NO-GO"));
    click(&mut harness, "Judge by these limits from now on");
    wait_until(&mut harness, "a new session", seconds(1, 1_000_000_000));
    assert!(has(&harness, "A new session began, judged by other limits. The one before ended after 00:0"));
    assert!(has(&harness, "nursery.mcap"));
    let shown = harness.state().as_ref().expect("it is there").shown();
    assert_eq!(shown.verdict.as_ref().map(|verdict| verdict.outcome), Some(Outcome::NoGo));
    let second = folder.path().join("nursery-2.mcap");
    assert_eq!(shown.recording, session::snapshot::Recording::On(second.display().to_string()));
    assert!(has(&harness, "The session is judged by these limits.") && has(&harness, "not saved"));
    // What was held of the session before is none of this one's bytes.
    press(&mut harness, Key::L);
    wait(&mut harness, "sound, its checksum is right");
    assert!(!has(&harness, "held still"));
    press(&mut harness, Key::N);
    press(&mut harness, Key::Y);
    drop(harness);
    for (path, limit) in [(record, 4_250_000_000), (second, 3_750_000_000)] {
        for _ in 0..500 {
            let recording = recording::Recording::open(&path).expect("it opens");
            let mut inputs = recording.inputs();
            if inputs.by_ref().count() > 0 && inputs.complete() {
                break;
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        let pack = Pack::parse(&recording_text(&path)).0.expect("it is sound");
        assert_eq!(pack.limit(LimitName::CellHigh).critical, Some(limit), "{path:?}");
    }
}

#[test]
fn the_practice_pack_and_no_pack_are_said_before_a_session() {
    let mut harness = window(None);
    press(&mut harness, Key::K);
    wait(&mut harness, "for Acorn 24S, the practice pack: in no file yet");
    assert!(!has(&harness, "measured so far") && !has(&harness, "What these limits would have raised"));
    type_over(&mut harness, "Cell high, warning side", "4.10 V");
    press(&mut harness, Key::Escape);
    press(&mut harness, Key::S);
    fill(&mut harness, |start| start.kind = Kind::Recording);
    press(&mut harness, Key::K);
    wait(&mut harness, "No pack is chosen");
    // Edits that wait come back with their pack.
    press(&mut harness, Key::S);
    fill(&mut harness, |start| start.kind = Kind::Practice);
    press(&mut harness, Key::K);
    assert_eq!(value_of(&harness, "Cell high, warning side"), "4.10 V");
}

#[test]
fn a_small_window_has_every_field() {
    let mut harness = window_of([640.0, 480.0], Some(recording("acorn-first-switch-on.mcap")));
    wait_until(&mut harness, "the recording is read", |desktop| desktop.shown().phase == Phase::Ended);
    press(&mut harness, Key::K);
    assert!(has(&harness, "What these limits would have raised"));
    assert!(harness.query_by_label("Cell high, deadband").is_none());
    harness.get_by_label("Cell high, warning side").focus();
    harness.run_steps(4);
    assert_eq!(value_of(&harness, "Cell high, deadband"), "default 5 mV", "the row that is open has the rest");
}
