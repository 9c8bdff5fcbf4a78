//! The screen of the line by its accessible names: a session that runs, recordings with and without damage, nothing at
//! all, and a protocol file that is mended on it.

mod common;

use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use common::{recorded, running};
use desktop::frames::{Frames, Want};
use desktop::sound::Players;
use desktop::start::{Kind, Wish};
use desktop::wording::Look;
use desktop::{Desktop, Files, Practice, Ready, colours};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use model::ByteRange;
use session::Snapshot;
use session::line_bytes::{Happened, Happening};
use session::snapshot::Facts;

struct Shown {
    snapshot: Option<Arc<Snapshot>>,
    files: Files,
    frames: Frames,
    want: Option<Want>,
}

fn show_in(size: [f32; 2], snapshot: Option<Snapshot>, files: Files) -> Harness<'static, Shown> {
    let mut frames = Frames::default();
    frames.go_to(ByteRange { start: 0, end: 0 });
    let snapshot = snapshot.map(Arc::new);
    let frames = if snapshot.is_some() && files == Files::default() { Frames::default() } else { frames };
    Harness::builder().with_size(size).build_ui_state(
        |ui, shown: &mut Shown| {
            colours::dress(ui.ctx());
            let snapshot = shown.snapshot.clone();
            let look = snapshot.as_deref().map(|snapshot| Look { snapshot, since: Duration::ZERO, finished: false });
            shown.want = shown.frames.ui(ui, look, &shown.files).or(shown.want.take());
        },
        Shown { snapshot, files, frames, want: None },
    )
}

fn recording(name: &str) -> Files {
    let path = packwake_tests::root().join("recordings").join(name);
    Files { recording: Some(path), ..Files::default() }
}

fn show_recording(name: &str) -> Harness<'static, Shown> {
    let mut harness = show_in([1280.0, 800.0], Some(recorded(name, None)), recording(name));
    until(&mut harness, "frames accepted");
    harness
}

/// Steps until this is on the screen: the bytes are read on a thread of their own.
fn until(harness: &mut Harness<'static, Shown>, part: &str) {
    for _ in 0..500 {
        harness.run_steps(2);
        let reading = harness.query_all_by_label_contains("so far: the rest is being read").next().is_some();
        if !reading && harness.query_all_by_label_contains(part).next().is_some() {
            harness.run_steps(2);
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("no {part:?} within five seconds: {}", all(harness));
}

fn has_part(harness: &Harness<'_, Shown>, part: &str) {
    assert!(harness.query_all_by_label_contains(part).next().is_some(), "no {part:?} on the screen: {}", all(harness));
}

fn has_not(harness: &Harness<'_, Shown>, part: &str) {
    assert!(harness.query_all_by_label_contains(part).next().is_none(), "{part:?} is on the screen: {}", all(harness));
}

fn all(harness: &Harness<'_, Shown>) -> String {
    let nodes = harness.query_all_by(|_| true);
    let words = nodes.filter_map(|node| {
        let node = node.accesskit_node();
        node.label().or_else(|| node.value())
    });
    words.collect::<Vec<_>>().join(" | ")
}

fn type_in(harness: &mut Harness<'static, Shown>, label: &str, text: &str) {
    let field = harness.get_by_role_and_label(egui::accesskit::Role::TextInput, label);
    field.focus();
    field.type_text(text);
    harness.run_steps(2);
}

#[test]
fn a_recording_without_damage_is_cut_into_its_messages() {
    let mut harness = show_recording("acorn-first-switch-on.mcap");
    has_part(&harness, "acorn-binary (24 cells, 6 temperatures, binary frames with length and CRC-16), from");
    has_part(&harness, "Only listened to: this protocol asks nothing.");
    has_part(&harness, " 0 rejected".trim());
    has_part(&harness, ", expected every 50 ms");
    has_part(&harness, "Rejected over time: nothing rejected in any 1.00 s");
    has_part(&harness, "cells: sound, its checksum is right");
    has_part(&harness, "bytes 0..");
    has_not(&harness, "no frame starts here");
    // Only what is no frame: nothing.
    harness.key_press(egui::Key::O);
    harness.run_steps(3);
    has_part(&harness, "Every byte here stands in a frame.");
}

#[test]
fn a_strip_opens_into_its_parts_and_its_place_can_be_copied() {
    let mut harness = show_recording("acorn-first-switch-on.mcap");
    type_in(&mut harness, "Go to (G)", "bytes 0..59");
    harness.key_press(egui::Key::Enter);
    harness.run_steps(3);
    has_part(&harness, "cell, value: cell 24: ");
    has_part(&harness, "check, checksum: the checksum is right");
    let cell = harness.query_all_by_label_contains("cell, value: cell 7: ").next().expect("a part");
    cell.click_accesskit();
    harness.run_steps(3);
    // AA 55, kind, size, count, uptime: cell 7 is the 12 bytes behind 9.
    has_part(&harness, "acorn-first-switch-on.mcap bytes 21..23");
    has_part(&harness, "value of message cells");
    has_part(&harness, "one step is 0.001 V");
    harness.get_by_label("Copy place (C)").click_accesskit();
    harness.run_steps(1);
    let copied = harness.output().platform_output.commands.iter().find_map(|command| match command {
        egui::OutputCommand::CopyText(text) => Some(text.clone()),
        _ => None,
    });
    assert_eq!(copied.as_deref(), Some("acorn-first-switch-on.mcap bytes 21..23"));
    // By keys alone: the next part, the next strip.
    harness.key_press(egui::Key::ArrowRight);
    harness.run_steps(3);
    has_part(&harness, "acorn-first-switch-on.mcap bytes 23..25");
    harness.key_press(egui::Key::ArrowDown);
    harness.run_steps(3);
    has_part(&harness, "pack, value: pack voltage: ");
}

#[test]
fn damage_has_strips_of_its_own_with_the_reason() {
    let mut harness = show_recording("field-damaged-data-line.mcap");
    has_part(&harness, "by their checksum");
    has_part(&harness, "Rejected over time: rejected in each ");
    // Where it was damaged the plot leads to.
    harness.key_press(egui::Key::O);
    let plot = harness.query_all_by_label_contains("Rejected over time").next().expect("the plot");
    plot.click_accesskit();
    harness.run_steps(2);
    until(&mut harness, "checksum computed");
    has_not(&harness, "sound, its checksum is right");
    // Where bits were turned round and none was lost, the checksum stands in the strip itself.
    let wrong = |harness: &Harness<'static, Shown>| {
        harness.query_all_by_label_contains("the checksum is wrong: these bytes give ").next().is_some()
    };
    let mut strips = 0;
    while !wrong(&harness) {
        strips += 1;
        assert!(strips < 40, "no checksum in a strip: {}", all(&harness));
        harness.key_press(egui::Key::ArrowDown);
        harness.run_steps(3);
    }
}

#[test]
fn a_place_far_away_and_a_time_are_gone_to() {
    let mut harness = show_recording("acorn-weak-cell.mcap");
    type_in(&mut harness, "Go to (G)", "20 s");
    harness.get_by_label("Go").click_accesskit();
    until(&mut harness, "20.0");
    harness.state_mut().frames.go_to(ByteRange { start: 60_000, end: 60_010 });
    until(&mut harness, "acorn-weak-cell.mcap bytes 5");
    type_in(&mut harness, "Go to (G)", " nowhere");
    harness.get_by_label("Go").click_accesskit();
    harness.run_steps(2);
    has_part(&harness, "write bytes such as 1234..1312, or a time such as 12.5 s");
}

#[test]
fn a_session_that_runs_shows_its_newest_bytes_and_holds_still_when_looked_at() {
    let snapshot = running("acorn-first-switch-on.mcap", 20_000);
    let bytes = snapshot.line.statistics.bytes;
    let mut harness = show_in([1280.0, 800.0], Some(snapshot), Files::default());
    until(&mut harness, "frames accepted");
    has_part(&harness, &format!("0 of {bytes} bytes in no frame"));
    let strip = harness.query_all_by_label_contains("sound, its checksum is right").last().expect("a strip");
    strip.click_accesskit();
    harness.run_steps(3);
    has_part(&harness, "held still");
    has_part(&harness, "this session: bytes ");
    harness.get_by_label("Follow the newest (H)").click_accesskit();
    harness.run_steps(3);
    has_not(&harness, "held still");
    // What is gone is not passed off as something else.
    let mut line = (*harness.state().snapshot.as_ref().expect("a session").line).clone();
    line.stretch.from += 100_000;
    let mut snapshot = (**harness.state().snapshot.as_ref().expect("a session")).clone();
    snapshot.line = Arc::new(line);
    harness.state_mut().snapshot = Some(Arc::new(snapshot));
    harness.state_mut().frames.go_to(ByteRange { start: 500, end: 510 });
    until(&mut harness, "those bytes are no longer held: a session that is recorded can go there");
}

#[test]
fn whether_anything_is_sent_is_said_with_how_to_allow_it() {
    let mut snapshot = running("acorn-first-switch-on.mcap", 5_000);
    let facts = snapshot.facts.as_deref().expect("it began").clone();
    let mut asking = |questions, may_ask| {
        let mut facts = Facts { ..facts.clone() };
        (facts.line.questions, facts.line.may_ask) = (questions, may_ask);
        snapshot.facts = Some(Arc::new(facts));
        let mut harness = show_in([1280.0, 800.0], Some(snapshot.clone()), Files::default());
        until(&mut harness, "frames accepted");
        harness
    };
    has_part(&asking(2, false), "the protocol has 2 questions, none is sent. \"may ask\" on Source allows it.");
    has_part(&asking(1, true), "Asked: 1 question of the protocol, as you allowed; 0 sent so far.");
}

#[test]
fn what_was_sent_and_errors_of_the_line_stand_between_the_frames() {
    let mut snapshot = running("acorn-first-switch-on.mcap", 2_000);
    let mut line = (*snapshot.line).clone();
    let stream = line.stretch.from + line.stretch.bytes.len() as u64;
    for what in [Happened::Sent([1, 0xAB].into()), Happened::Errors(model::LineErrorKind::Framing, 3)] {
        line.stretch.happenings.push(Happening { at: snapshot.at, stream, what });
    }
    snapshot.line = Arc::new(line);
    let mut harness = show_in([1280.0, 800.0], Some(snapshot), Files::default());
    until(&mut harness, "sent by this program: 01 AB");
    has_part(&harness, "the line reports missing stop bits: 3");
}

#[test]
fn nothing_to_show_says_what_to_do() {
    let mut harness = show_in([1280.0, 800.0], None, Files::default());
    harness.run_steps(3);
    has_part(&harness, "Choose a source or a recording on Source (S)");
    let path = PathBuf::from("nowhere/at-all.mcap");
    let mut harness = show_in([1280.0, 800.0], None, Files { recording: Some(path), ..Files::default() });
    until(&mut harness, "no file \"nowhere/at-all.mcap\"");
    has_part(&harness, "check the name");
    let protocol = Some(packwake_tests::root().join("protocols/acorn-binary.toml"));
    let mut harness = show_in([1280.0, 800.0], None, Files { protocol, ..Files::default() });
    until(&mut harness, "No byte has come: the session has not begun.");
}

/// Puts the cursor of the protocol text behind these words.
fn cursor_behind<State>(harness: &mut Harness<'static, State>, text: &str, words: &str) {
    use egui::text::{CCursor, CCursorRange};
    let at = text.find(words).map(|at| text[..at + words.len()].chars().count()).expect("it is in the text");
    let id = egui::Id::unique("protocol text");
    let mut state = egui::TextEdit::load_state(&harness.ctx, id).unwrap_or_default();
    state.cursor.set_char_range(Some(CCursorRange::one(CCursor::new(at))));
    state.store(&harness.ctx, id);
    harness.get_by_role_and_label(egui::accesskit::Role::MultilineTextInput, "Protocol text").focus();
    harness.run_steps(2);
}

#[test]
fn a_broken_protocol_file_is_mended_by_typing_saved_and_started() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("mine.toml");
    let sound = packwake_tests::text("protocols/acorn-binary.toml");
    let broken = sound.replacen("baud = 115200", "baud = 1152x", 1);
    std::fs::write(&path, &broken).expect("it is written");
    let mut harness = show_in([1280.0, 800.0], None, Files { protocol: Some(path.clone()), ..Files::default() });
    harness.state_mut().frames.open_protocol();
    until(&mut harness, "Nothing can be read by it.");
    has_part(&harness, "line 7, column ");
    // Its fault is one click away; then it is typed over.
    let fault = harness.query_all_by_label_contains("line 7, column ").next().expect("the fault");
    fault.click_accesskit();
    harness.run_steps(3);
    cursor_behind(&mut harness, &broken, "baud = 1152x");
    harness.key_press(egui::Key::Backspace);
    harness.run_steps(2);
    harness.get_by_role_and_label(egui::accesskit::Role::MultilineTextInput, "Protocol text").type_text("00");
    until(&mut harness, "No faults.");
    has_not(&harness, "line 7, column ");
    assert_eq!(std::fs::read_to_string(&path).expect("it is there"), broken, "not before it is saved");
    harness.get_by_label("Save").click_accesskit();
    until(&mut harness, "saved to ");
    assert_eq!(std::fs::read_to_string(&path).expect("it is there"), sound);
    for _ in 0..100 {
        harness.run_steps(2);
        std::thread::sleep(Duration::from_millis(5));
    }
    harness.get_by_label("Start watching with it").click_accesskit();
    harness.run_steps(2);
    assert_eq!(harness.state().want, Some(Want::Start));
}

#[test]
fn the_strips_follow_what_is_typed_and_the_recording_can_be_judged_by_it() {
    let name = "acorn-weak-cell.mcap";
    let mut harness = show_recording(name);
    harness.key_press(egui::Key::E);
    until(&mut harness, "No faults.");
    let text = harness
        .state()
        .snapshot
        .as_ref()
        .and_then(|snapshot| snapshot.facts.as_ref())
        .expect("facts")
        .line
        .text
        .clone();
    cursor_behind(&mut harness, &text, "id = { kind = 1");
    let editor = |harness: &Harness<'static, Shown>, typed: &str| {
        harness.get_by_role_and_label(egui::accesskit::Role::MultilineTextInput, "Protocol text").type_text(typed);
    };
    // No message has the id of the cells any more; its examples say so, too.
    editor(&harness, "7");
    until(&mut harness, "a sound frame, but no message kind has its id");
    has_part(&harness, "in its examples; what is shown follows this text.");
    // No text of a protocol at all: what was shown stays, and that is said.
    editor(&harness, "x");
    until(&mut harness, "What is shown follows the last text that had none.");
    has_part(&harness, "a sound frame, but no message kind has its id");
    for _ in 0..2 {
        harness.key_press(egui::Key::Backspace);
        harness.run_steps(2);
    }
    until(&mut harness, "No faults.");
    has_part(&harness, "cells: sound, its checksum is right");
    // A comment is a change that keeps it sound.
    cursor_behind(&mut harness, &text, "baud = 115200");
    editor(&harness, " # as labelled");
    until(&mut harness, "What is shown follows this text, not the session's.");
    harness.get_by_label("Use it for this recording").click_accesskit();
    harness.run_steps(2);
    let Some(Want::Show(Wish::Replay(replay))) = &harness.state().want else { panic!("{:?}", harness.state().want) };
    assert_eq!(Some(&replay.path), recording(name).recording.as_ref());
    let typed = text.replacen("baud = 115200", "baud = 115200 # as labelled", 1);
    assert_eq!(replay.protocol_text.as_deref(), Some(typed.as_str()));
}

/// The whole window.
fn window(first: Option<Wish>) -> Harness<'static, Option<Desktop>> {
    let ready = move || Ready {
        practice: Practice {
            faults: Vec::new(),
            pack: None,
            start: Arc::new(|_, _| Err(session::snapshot::Failure::default())),
        },
        tool_version: "a test".to_owned(),
        host: String::new(),
        players: Players::none(),
        first: first.clone(),
    };
    let mut harness = Harness::builder().with_size([1280.0, 800.0]).build_ui_state(
        move |ui, desktop: &mut Option<Desktop>| {
            let desktop = desktop.get_or_insert_with(|| Desktop::new(ui.ctx(), ready()));
            desktop.look(ui.ctx());
            desktop.ui(ui);
        },
        None,
    );
    harness.run_steps(2);
    harness
}

fn wait(harness: &mut Harness<'static, Option<Desktop>>, part: &str) {
    for _ in 0..500 {
        harness.run_steps(2);
        if harness.query_all_by_label_contains(part).next().is_some() {
            harness.run_steps(2);
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("no {part:?} within five seconds");
}

#[test]
fn what_cannot_begin_for_its_protocol_is_mended_without_leaving_the_program() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("mine.toml");
    let sound = packwake_tests::text("protocols/acorn-binary.toml");
    std::fs::write(&path, sound.replacen("type = \"u8\", role = \"id\"", "type = \"u9\", role = \"id\"", 1))
        .expect("written");
    let mut harness = window(None);
    harness.state_mut().as_mut().expect("it is open").fill(|start| {
        start.kind = Kind::Udp;
        start.udp = "127.0.0.1:0".to_owned();
        start.protocol = path.display().to_string();
        start.pack = packwake_tests::root().join("packs/acorn-24s-nmc.toml").display().to_string();
    });
    harness.run_steps(2);
    harness.get_by_label("Start watching (Enter)").click_accesskit();
    wait(&mut harness, "Could not start: the protocol file can't be used");
    harness.get_by_label("Mend it (L)").click_accesskit();
    wait(&mut harness, "unknown type \"u9\"");
    wait(&mut harness, "Mend it in the protocol text (E)");
    // As a person would: to the fault, and the number typed anew.
    harness.query_all_by_label_contains("unknown type \"u9\"").next().expect("the fault").click_accesskit();
    harness.run_steps(3);
    let id = egui::Id::unique("protocol text");
    let state = egui::TextEdit::load_state(&harness.ctx, id).expect("the cursor is there");
    let at = state.cursor.char_range().expect("somewhere").primary.index;
    let broken = std::fs::read_to_string(&path).expect("it is there");
    let rest: String = broken.chars().skip(usize::from(at)).take(4).collect();
    assert_eq!(rest, "\"u9\"", "a click leads to what is wrong");
    for _ in 0..2 {
        harness.key_press(egui::Key::ArrowRight);
        harness.run_steps(1);
    }
    harness.key_press(egui::Key::Delete);
    harness.run_steps(1);
    harness.get_by_role_and_label(egui::accesskit::Role::MultilineTextInput, "Protocol text").type_text("8");
    wait(&mut harness, "No faults.");
    harness.get_by_label("Save").click_accesskit();
    wait(&mut harness, "saved to ");
    assert_eq!(std::fs::read_to_string(&path).expect("it is there"), sound);
    for _ in 0..40 {
        harness.run_steps(1);
        std::thread::sleep(Duration::from_millis(5));
    }
    harness.get_by_label("Start watching with it").click_accesskit();
    // The session runs, and this screen stays.
    wait(&mut harness, "acorn-binary (24 cells");
    wait(&mut harness, "No byte has come yet.");
    harness.get_by_label("CANNOT TELL");
}

#[test]
fn a_recording_is_judged_by_the_mended_protocol() {
    let path = packwake_tests::root().join("recordings/acorn-weak-cell.mcap");
    let replay = session::worker::Replay { path: path.clone(), ..Default::default() };
    let mut harness = window(Some(Wish::Replay(replay)));
    wait(&mut harness, "NO-GO");
    harness.key_press(egui::Key::L);
    wait(&mut harness, "0 of 56240 bytes in no frame");
    harness.key_press(egui::Key::E);
    wait(&mut harness, "No faults.");
    let text = recording::Recording::open(&path).expect("it opens").header().protocol_text.clone();
    cursor_behind(&mut harness, &text, "id = { kind = 1");
    harness.get_by_role_and_label(egui::accesskit::Role::MultilineTextInput, "Protocol text").type_text("7");
    wait(&mut harness, "what is shown follows this text");
    harness.get_by_label("Use it for this recording").click_accesskit();
    // By that text there are no cells: nothing can be said of them.
    wait(&mut harness, "CANNOT TELL");
    assert!(harness.query_all_by_label("NO-GO").next().is_none());
    wait(&mut harness, "760 passed over or unverified");
}

#[test]
fn no_byte_of_a_recording_is_left_out_however_it_is_judged() {
    let figures = |until: Option<model::SessionTime>| {
        let snapshot = recorded("acorn-weak-cell.mcap", until);
        let line = &snapshot.line;
        let end = line.stretch.from + line.stretch.bytes.len() as u64;
        assert_eq!((line.statistics.bytes, line.statistics.no_frame_bytes), (end, 0));
        (end, line.statistics.accepted)
    };
    // As fast as possible, rows wait for each other; up to a time they do not.
    let fast = figures(None);
    assert_eq!(fast, figures(Some(model::SessionTime::from_millis(3_600_000))));
    assert_eq!(fast, (56_240, 1_140));
}

#[test]
fn a_place_in_one_recording_is_not_gone_to_in_another() {
    // More bytes than are shown at once: those of a shipped one, three times.
    let shipped = recording::Recording::open(&packwake_tests::root().join("recordings/acorn-weak-cell.mcap"));
    let shipped = shipped.expect("it opens");
    let folder = tempfile::tempdir().expect("a folder");
    let (first, second) = (folder.path().join("first.mcap"), folder.path().join("second.mcap"));
    let mut writer = recording::Writer::create(&first, shipped.header()).expect("it is made");
    for round in 0..3 {
        for input in shipped.inputs().filter(|input| matches!(input.kind, model::InputKind::Bytes(_))) {
            let at = input.at + Duration::from_secs(100 * round);
            writer.append(&model::Input { at, ..input }).expect("it is written");
        }
    }
    writer.finish().expect("it is closed");
    std::fs::copy(&first, &second).expect("it is copied");
    let replay = session::worker::Replay { path: first, ..Default::default() };
    let mut harness = window(Some(Wish::Replay(replay)));
    wait(&mut harness, "New session (N)");
    harness.key_press(egui::Key::L);
    wait(&mut harness, "of 168720 bytes in no frame");
    let at_its_begin = |harness: &Harness<'static, Option<Desktop>>| {
        harness.query_by_label("Earlier").is_some_and(|button| button.accesskit_node().is_disabled())
    };
    assert!(at_its_begin(&harness));
    let field = harness.get_by_role_and_label(egui::accesskit::Role::TextInput, "Go to (G)");
    field.focus();
    field.type_text("bytes 150000..150001");
    harness.run_steps(2);
    harness.get_by_label("Go").click_accesskit();
    wait(&mut harness, "first.mcap bytes 1");
    assert!(!at_its_begin(&harness));
    harness.key_press(egui::Key::N);
    harness.run_steps(2);
    harness.state_mut().as_mut().expect("it is open").fill(|start| {
        start.kind = Kind::Recording;
        start.recording = second.display().to_string();
    });
    harness.run_steps(2);
    harness.key_press(egui::Key::Enter);
    wait(&mut harness, "New session (N)");
    harness.key_press(egui::Key::L);
    wait(&mut harness, "of 168720 bytes in no frame");
    assert!(at_its_begin(&harness), "the other one is shown from its begin");
    assert!(harness.query_by_label("Copy place (C)").is_none(), "nothing of it was chosen");
}

#[test]
fn what_was_held_of_a_session_goes_with_it() {
    let mut harness = show_in([1280.0, 800.0], Some(running("acorn-first-switch-on.mcap", 20_000)), Files::default());
    until(&mut harness, "frames accepted");
    let strip = harness.query_all_by_label_contains("sound, its checksum is right").last().expect("a strip");
    strip.click_accesskit();
    harness.run_steps(3);
    has_part(&harness, "held still");
    let next = running("sapling-sensor-open.mcap", 3_000);
    let bytes = next.line.statistics.bytes;
    harness.state_mut().snapshot = Some(Arc::new(next));
    harness.state_mut().frames.begin(None, None);
    until(&mut harness, &format!("of {bytes} bytes in no frame"));
    has_not(&harness, "held still");
    has_not(&harness, "Copy place (C)");
}

#[test]
fn a_recording_without_a_byte_is_not_waited_for() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("empty.mcap");
    let header = packwake_tests::header("protocols/acorn-binary.toml", "packs/acorn-24s-nmc.toml");
    recording::Writer::create(&path, &header).expect("it is made").finish().expect("it is closed");
    let mut harness = show_in([1280.0, 800.0], None, Files { recording: Some(path), ..Files::default() });
    until(&mut harness, "There is no byte in this recording");
    has_not(&harness, "Is the device on");
}

#[test]
fn another_file_is_written_over_only_when_asked() {
    let folder = tempfile::tempdir().expect("a folder");
    let (path, other) = (folder.path().join("mine.toml"), folder.path().join("theirs.toml"));
    let text = packwake_tests::text("protocols/acorn-binary.toml");
    std::fs::write(&path, &text).expect("written");
    std::fs::write(&other, "theirs").expect("written");
    let mut harness = show_in([1280.0, 800.0], None, Files { protocol: Some(path.clone()), ..Files::default() });
    harness.state_mut().frames.open_protocol();
    until(&mut harness, "No faults.");
    let field = |harness: &mut Harness<'static, Shown>, to: &std::path::Path| {
        harness.get_by_label("Save to").focus();
        harness.run_steps(2);
        harness.key_press_modifiers(egui::Modifiers::COMMAND, egui::Key::A);
        harness.run_steps(2);
        harness.get_by_label("Save to").type_text(&to.display().to_string());
        harness.run_steps(2);
    };
    let read = |path: &std::path::Path| std::fs::read_to_string(path).expect("it is there");
    field(&mut harness, &other);
    harness.get_by_label("Save").click_accesskit();
    until(&mut harness, "not saved: there is a file of this name already");
    assert_eq!(read(&other), "theirs");
    harness.get_by_label("Leave it").click_accesskit();
    harness.run_steps(2);
    has_not(&harness, "not saved: ");
    harness.get_by_label("Save").click_accesskit();
    until(&mut harness, "Write over it");
    harness.get_by_label("Write over it").click_accesskit();
    until(&mut harness, "saved to ");
    assert_eq!(read(&other), text);
    // A text with faults takes not even its own file's place unasked.
    field(&mut harness, &path);
    cursor_behind(&mut harness, &text, "baud = 115200");
    harness.get_by_role_and_label(egui::accesskit::Role::MultilineTextInput, "Protocol text").type_text("x");
    harness.run_steps(2);
    harness.get_by_label("Save").click_accesskit();
    until(&mut harness, "not saved: the text has 2 faults, and there is a file of this name already");
    assert_eq!(read(&path), text);
    harness.get_by_label("Write over it").click_accesskit();
    until(&mut harness, "saved to ");
    assert_eq!(read(&path), text.replacen("baud = 115200", "baud = 115200x", 1));
    // What another program wrote meanwhile stays, too. Until something is typed the file's text is followed, so the typing
    // comes first, and before it the text just saved has to be known as the file's.
    let deadline = Instant::now() + Duration::from_secs(5);
    while !harness.get_by_label("Drop the changes").accesskit_node().is_disabled() {
        assert!(Instant::now() < deadline, "what was saved is not known as the file's text within five seconds");
        std::thread::sleep(Duration::from_millis(10));
        harness.run_steps(2);
    }
    harness.get_by_role_and_label(egui::accesskit::Role::MultilineTextInput, "Protocol text").focus();
    harness.run_steps(2);
    harness.key_press(egui::Key::Backspace);
    harness.run_steps(2);
    std::fs::write(&path, "by another hand").expect("written");
    harness.get_by_label("Save").click_accesskit();
    until(&mut harness, "not saved: the file was changed meanwhile by another program");
    assert_eq!(read(&path), "by another hand");
}
