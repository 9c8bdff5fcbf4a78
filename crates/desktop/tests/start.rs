//! The whole desktop: the screen at the start, a real session on its thread, and keys.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use desktop::dialogs::{Dialogs, Field};
use desktop::sound::Players;
use desktop::start::{Kind, PracticeFault, Wish};
use desktop::{Desktop, Practice, Ready};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use session::snapshot::Phase;
use session::worker::{Job, Opened, Replay};

/// A desktop whose practice pack is a shipped recording, at its own pace.
fn ready(first: Option<Wish>) -> Ready {
    let names = [("none", "a sound pack"), ("weak-cell", "a cell has a higher resistance")];
    Ready {
        practice: Practice {
            faults: names
                .map(|(name, about)| PracticeFault { name: name.to_owned(), about: about.to_owned() })
                .to_vec(),
            pack: session::rules::Pack::parse(&packwake_tests::text("packs/acorn-24s-nmc.toml")).0.map(Arc::new),
            start: Arc::new(|fault, _| {
                let file = if fault == "none" { "acorn-first-switch-on.mcap" } else { "acorn-weak-cell.mcap" };
                let path = packwake_tests::root().join("recordings").join(file);
                Ok(Opened { job: Job::Replay(Replay { path, as_it_was: false, ..Replay::default() }), keep: None })
            }),
        },
        tool_version: "a test".to_owned(),
        host: String::new(),
        players: Players::none(),
        first,
    }
}

fn desktop(first: Option<Wish>) -> Harness<'static, Option<Desktop>> {
    Harness::builder().with_size([1280.0, 800.0]).build_ui_state(
        move |ui, desktop: &mut Option<Desktop>| {
            let desktop = desktop.get_or_insert_with(|| Desktop::new(ui.ctx(), ready(first.clone())));
            desktop.look(ui.ctx());
            desktop.ui(ui);
        },
        None,
    )
}

/// Steps until this is so; the session runs on its own thread meanwhile.
fn until(harness: &mut Harness<'static, Option<Desktop>>, what: &str, done: impl Fn(&Desktop) -> bool) {
    for _ in 0..500 {
        harness.run_steps(1);
        if harness.state().as_ref().is_some_and(&done) {
            harness.run_steps(2);
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("not within five seconds: {what}");
}

#[test]
fn the_practice_pack_starts_with_one_key() {
    let mut harness = desktop(None);
    harness.run_steps(2);
    harness.get_by_label("Practice pack");
    harness.key_press(egui::Key::Enter);
    until(&mut harness, "the session is over", |desktop| desktop.shown().phase == Phase::Ended);
    harness.get_by_label("GO");
    // And back: the session is over, so nothing needs to be asked.
    harness.key_press(egui::Key::N);
    harness.run_steps(3);
    harness.get_by_label("What do you want to watch?");
}

#[test]
fn a_missing_recording_is_told_on_the_start_screen() {
    let path = PathBuf::from("nowhere/at-all.mcap");
    let mut harness = desktop(Some(Wish::Replay(Replay { path, as_it_was: false, ..Replay::default() })));
    for _ in 0..500 {
        harness.run_steps(1);
        if harness.query_by_label_contains("Could not start: ").is_some() {
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("the failure is not on the screen");
}

#[test]
fn faults_of_the_files_are_shown_with_their_place() {
    let folder = tempfile::tempdir().expect("a folder");
    let (protocol, pack) = (folder.path().join("line.toml"), folder.path().join("pack.toml"));
    std::fs::write(&protocol, packwake_tests::text("protocols/acorn-binary.toml")).expect("written");
    let broken = packwake_tests::text("packs/acorn-24s-nmc.toml").replace("cells = 24", "cells = 24000");
    std::fs::write(&pack, broken).expect("written");
    let mut harness = desktop(None);
    harness.run_steps(1);
    let start = harness.state_mut().as_mut().expect("it is there");
    start.fill(|start| {
        start.kind = Kind::Tcp;
        start.tcp = "127.0.0.1:9".to_owned();
        start.protocol = protocol.display().to_string();
        start.pack = pack.display().to_string();
    });
    harness.run_steps(2);
    harness.key_press(egui::Key::Enter);
    for _ in 0..500 {
        harness.run_steps(1);
        if harness.query_by_label_contains("pack file, line 6, column").is_some() {
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("the fault is not on the screen");
}

#[test]
fn a_chosen_path_stands_on_its_line_and_no_frame_waits_for_the_dialog() {
    // The dialog takes its time, then the person chooses; the second time nothing is chosen.
    fn pick(field: Field) -> Option<PathBuf> {
        std::thread::sleep(Duration::from_millis(300));
        (field == Field::Pack).then(|| PathBuf::from("chosen/pack.toml"))
    }
    let mut harness = desktop(None);
    harness.run_steps(1);
    let fill = |start: &mut desktop::start::Start| {
        start.kind = Kind::Tcp;
        start.dialogs = Dialogs::new(pick);
    };
    harness.state_mut().as_mut().expect("it is there").fill(fill);
    harness.run_steps(2);
    for (button, told) in [("Choose: pack file", "chosen/pack.toml"), ("Choose: protocol file", "no file was chosen")] {
        harness.get_by_label(button).click();
        #[expect(clippy::disallowed_methods, reason = "it is this machine's time that is measured")]
        let began = std::time::Instant::now();
        harness.run_steps(2);
        assert!(began.elapsed() < Duration::from_millis(250), "{:?}", began.elapsed());
        let there = |harness: &Harness<'static, Option<Desktop>>| {
            harness.query_all_by_value(told).next().is_some()
                || harness.query_all_by_label_contains(told).next().is_some()
        };
        for _ in 0..200 {
            harness.run_steps(1);
            if there(&harness) {
                break;
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        assert!(there(&harness), "{told}");
    }
}

#[test]
fn what_was_typed_is_there_again_the_next_time() {
    let mut start = desktop::start::Start::new();
    start.kind = Kind::Serial;
    start.port = "/dev/ttyUSB7".to_owned();
    start.baud = "57600".to_owned();
    start.protocol = "line.toml".to_owned();
    start.pack = "pack.toml".to_owned();
    start.record = "first.mcap".to_owned();
    start.may_ask = true;
    let mut stored = std::collections::BTreeMap::new();
    start.remember(|name, text| {
        stored.insert(name.to_owned(), text);
    });
    let mut again = desktop::start::Start::new();
    again.recall(|name| stored.get(name).cloned());
    assert_eq!((again.kind, again.port.as_str(), again.baud.as_str()), (Kind::Serial, "/dev/ttyUSB7", "57600"));
    // A new file each time, and a permission for each session.
    assert_eq!((again.record.as_str(), again.may_ask), ("", false));
    assert!(matches!(again.wish(), Ok(Wish::Live { baud: Some(57_600), may_ask: false, record: None, .. })));
    again.recall(|name| (name == "kind").then(|| "of another version".to_owned()));
    assert_eq!(again.kind, Kind::Serial);
    again.baud = "fast".to_owned();
    assert_eq!(again.wish().err(), Some("the line rate is a number, such as 115200"));
}

#[test]
fn the_keys_of_a_screen_are_shown_on_a_question_mark() {
    let mut harness = desktop(None);
    harness.run_steps(2);
    for (key, told) in [
        (egui::Key::R, "play or stop"),
        (egui::Key::K, "save to the pack file"),
        (egui::Key::P, "not done: take it back"),
    ] {
        harness.key_press(key);
        harness.run_steps(2);
        harness.key_press(egui::Key::Questionmark);
        harness.run_steps(3);
        harness.get_by_label(told);
        harness.key_press(egui::Key::Escape);
        harness.run_steps(3);
        assert!(harness.query_by_label(told).is_none(), "{told}");
    }
}

#[test]
fn who_has_no_protocol_file_is_told_how_to_get_one() {
    let mut harness = desktop(None);
    harness.run_steps(1);
    for (kind, typed, told) in [
        (Kind::Serial, "", "packwake identify --port PORT -o draft.toml"),
        (Kind::Serial, "/dev/ttyUSB3", "packwake identify --port /dev/ttyUSB3 -o draft.toml"),
        (Kind::Udp, "0.0.0.0:14550", "packwake identify --udp 0.0.0.0:14550 -o draft.toml"),
    ] {
        harness.state_mut().as_mut().expect("it is there").fill(|start| {
            start.kind = kind;
            start.protocol.clear();
            typed.clone_into(if kind == Kind::Udp { &mut start.udp } else { &mut start.port });
        });
        harness.run_steps(2);
        assert!(harness.query_by_label_contains(told).is_some(), "{told} is not on the screen");
    }
    harness.state_mut().as_mut().expect("it is there").fill(|start| "line.toml".clone_into(&mut start.protocol));
    harness.run_steps(2);
    assert!(harness.query_by_label_contains("packwake identify").is_none(), "there is one already");
}
