//! Review by its accessible names: values at the cursor, jumps, cursors and their differences, on the shipped recordings.

mod common;

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use common::recorded;
use desktop::review::Review;
use desktop::wording::Look;
use desktop::{Files, colours};
use egui::{Key, Modifiers};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use model::SessionTime;
use session::Snapshot;

struct Shown {
    snapshot: Arc<Snapshot>,
    files: Files,
    review: Review,
}

fn path(name: &str) -> PathBuf {
    packwake_tests::root().join("recordings").join(name)
}

fn show(size: [f32; 2], name: &str) -> Harness<'static, Shown> {
    let files = Files { recording: Some(path(name)), ..Files::default() };
    let shown = Shown { snapshot: Arc::new(recorded(name, None)), files, review: Review::default() };
    let mut harness = Harness::builder().with_size(size).build_ui_state(
        |ui, shown: &mut Shown| {
            colours::dress(ui.ctx());
            let look = Look { snapshot: &shown.snapshot, since: Duration::ZERO, finished: true };
            shown.review.ui(ui, Some(look), &shown.files);
        },
        shown,
    );
    for _ in 0..400 {
        harness.run_steps(2);
        if harness.query_all_by_label_contains("Plot of cells").next().is_some() && !has(&harness, "is read;") {
            break;
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    harness.run_steps(2);
    harness
}

fn has(harness: &Harness<'_, Shown>, part: &str) -> bool {
    harness.query_all_by_label_contains(part).next().is_some()
}

fn wants(harness: &Harness<'_, Shown>, part: &str) {
    let all = || {
        let nodes = harness.query_all_by(|_| true);
        nodes.filter_map(|node| node.accesskit_node().label()).collect::<Vec<_>>().join(" | ")
    };
    assert!(has(harness, part), "no {part:?} on the screen: {}", all());
}

fn press(harness: &mut Harness<'_, Shown>, key: Key) {
    harness.key_press(key);
    harness.run_steps(2);
}

#[test]
fn a_weak_cell_is_gone_to_and_its_resistance_is_read_between_the_cursors() {
    let mut harness = show([1280.0, 800.0], "acorn-weak-cell.mcap");
    wants(&harness, "Go to 16.");
    wants(&harness, "weak cell, cell 17");
    wants(&harness, "cell 17 drawn by itself");
    // In front of the load step at 16 s; the second cursor stays there.
    harness.state_mut().review.go_to(SessionTime::from_millis(15_900));
    harness.run_steps(2);
    press(&mut harness, Key::B);
    wants(&harness, "Compared from 15.900 s: 0.000 s");
    harness.state_mut().review.go_to(SessionTime::from_millis(16_300));
    harness.run_steps(2);
    wants(&harness, "Compared from 15.900 s: 0.400 s");
    wants(&harness, "cell 17 resistance");
    // As its expectation says: 2.58 times the 1.1 mohm that act at once, give or take 4 % and the steps of readings.
    let label = |part: &str| {
        let mut nodes = harness.query_all_by_label_contains(part);
        let node = nodes.next().map(|node| node.accesskit_node());
        node.and_then(|node| node.label().or_else(|| node.value())).unwrap_or_default()
    };
    let ohms = |cell: u16| -> f64 {
        let label = label(&format!("cell {cell} resistance"));
        label.split_whitespace().rev().nth(1).and_then(|number| number.parse().ok()).expect("a number")
    };
    let (weak, sound) = (ohms(17), ohms(16));
    assert!((weak - 2.58 * 1.1).abs() < 0.25, "{weak}");
    assert!((sound - 1.1).abs() < 0.15, "{sound}");
    press(&mut harness, Key::Escape);
    assert!(!has(&harness, "Compared"));
}

#[test]
fn each_jump_lands_on_what_happened() {
    for (name, what, seconds) in [
        ("acorn-open-sense-lead.mcap", "open sense lead", 14.0..25.0),
        ("acorn-weak-cell.mcap", "weak cell", 16.0..30.0),
        ("field-damaged-data-line.mcap", "interference", 20.0..40.0),
        ("sapling-sensor-open.mcap", "sensor open", 0.0..60.0),
    ] {
        let mut harness = show([1280.0, 800.0], name);
        wants(&harness, "answer then: no-go");
        press(&mut harness, Key::Home);
        wants(&harness, "Cursor at 0.000 s");
        wants(&harness, "answer then: cannot tell");
        let found = harness.state().snapshot.moments.iter().find(|moment| {
            matches!(moment.kind, session::snapshot::MomentKind::Finding { .. }) && moment.text.contains(what)
        });
        let found = found.unwrap_or_else(|| panic!("{name}: {what} is not among the moments")).at;
        assert!(seconds.contains(&(found.nanos as f64 / 1e9)), "{name}: {found}");
        let mut jumps = 0;
        while harness.state().review.cursor().is_none_or(|cursor| cursor < found) {
            press(&mut harness, Key::Period);
            jumps += 1;
            assert!(jumps < 60, "{name}: it is never reached");
        }
        assert_eq!(harness.state().review.cursor(), Some(found), "{name}");
        wants(&harness, &format!("Cursor at {found} s"));
        press(&mut harness, Key::Comma);
        assert!(harness.state().review.cursor() < Some(found));
    }
}

#[test]
fn the_table_has_the_values_of_the_command_lines_rows() {
    let name = "acorn-first-switch-on.mcap";
    let mut harness = show([1280.0, 800.0], name);
    harness.state_mut().review.go_to(SessionTime::from_millis(12_345));
    harness.run_steps(2);
    let recording = recording::Recording::open(&path(name)).expect("a recording");
    let mut engine = session::Engine::new(recording.header().clone()).expect("usable");
    let layout = engine.protocol().layout().clone();
    let mut expected = std::collections::BTreeMap::new();
    session::replay(&mut engine, recording.inputs(), &mut |_, _| {}, &mut |batch| {
        for (rows, kind) in batch.kinds.iter().zip(&layout.kinds) {
            for (row, at) in rows.at.iter().enumerate().filter(|(_, at)| **at <= SessionTime::from_millis(12_345)) {
                for (column, about) in rows.columns.iter().zip(&kind.columns) {
                    if let Some(nanos) = column.nanos(row, &about.scale) {
                        expected.insert(about.channel, (*at, nanos));
                    }
                }
            }
        }
    });
    let cells: Vec<_> =
        expected.iter().filter(|(channel, _)| channel.quantity == model::Quantity::CellVoltage).collect();
    assert_eq!(cells.len(), 24);
    for (channel, (_, nanos)) in cells {
        wants(&harness, &format!("{channel} at the cursor: {} V", model::format_nanos(*nanos, 3)));
    }
    // One row back is an earlier one, and on again the same.
    press(&mut harness, Key::ArrowLeft);
    let back = harness.state().review.cursor().expect("it stands somewhere");
    assert!(back < SessionTime::from_millis(12_345));
    press(&mut harness, Key::ArrowRight);
    assert!(back < harness.state().review.cursor().expect("it stands somewhere"));
}

#[test]
fn a_picked_value_tells_its_frame() {
    let mut harness = show([1280.0, 800.0], "acorn-first-switch-on.mcap");
    harness.state_mut().review.go_to(SessionTime::from_millis(10_000));
    harness.run_steps(2);
    let label = {
        let node = harness.query_all_by_label_contains("cell 3 at the cursor").next().expect("it is there");
        node.click_accesskit();
        node.accesskit_node().label().unwrap_or_default()
    };
    assert!(label.contains(" V"), "{label}");
    harness.run_steps(2);
    wants(&harness, "acorn-first-switch-on.mcap bytes ");
    wants(&harness, "Show its bytes");
}

#[test]
fn zoom_and_keys_keep_inside_the_session() {
    let mut harness = show([1280.0, 800.0], "acorn-first-switch-on.mcap");
    harness.state_mut().review.go_to(SessionTime::from_millis(5_000));
    for _ in 0..40 {
        press(&mut harness, Key::Plus);
    }
    wants(&harness, "Plot of cells");
    for _ in 0..50 {
        press(&mut harness, Key::Minus);
    }
    wants(&harness, "Plot of current");
    harness.key_press_modifiers(Modifiers::SHIFT, Key::ArrowLeft);
    harness.run_steps(2);
    assert!(harness.state().review.cursor() < Some(SessionTime::from_millis(5_000)));
    press(&mut harness, Key::End);
    press(&mut harness, Key::Space);
    wants(&harness, "Stop (Space)");
    press(&mut harness, Key::Space);
    wants(&harness, "Play (Space)");
}

#[test]
fn the_table_is_the_command_lines_byte_for_byte() {
    let name = "acorn-open-sense-lead.mcap";
    let folder = tempfile::tempdir().expect("a folder");
    let mut harness = show([1280.0, 800.0], name);
    for (part, from, to) in [(false, 0, u64::MAX), (true, 13_000_000_000, 15_000_000_000)] {
        let out = folder.path().join(format!("{part}.csv"));
        if part {
            harness.state_mut().review.show(SessionTime::from_nanos(from)..SessionTime::from_nanos(to));
            harness.run_steps(2);
        } else {
            harness.get_by_label("Table as CSV…").click_accesskit();
            harness.run_steps(2);
        }
        harness.get_by_label(if part { "what is shown" } else { "all of it" }).click_accesskit();
        harness.run_steps(2);
        let field = harness.get_by_label("to");
        field.focus();
        harness.run_steps(2);
        for _ in 0..if part { 400 } else { 0 } {
            harness.key_press(Key::Backspace);
        }
        harness.run_steps(2);
        harness.get_by_label("to").type_text(&out.display().to_string());
        harness.run_steps(2);
        harness.get_by_label("Write the table").click_accesskit();
        for _ in 0..500 {
            harness.run_steps(2);
            if has(&harness, "rows in ") && out.exists() {
                break;
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        // The rows of the engine, through the writer that takes one batch after another: what the command line is held
        // against, too.
        let recording = recording::Recording::open(&path(name)).expect("a recording");
        let mut engine = session::Engine::new(recording.header().clone()).expect("usable");
        let mut csv = report::CsvWriter::new(engine.protocol().layout(), Vec::new()).expect("memory");
        session::replay(&mut engine, recording.inputs(), &mut |_, _| {}, &mut |batch| {
            let times = SessionTime::from_nanos(from)..SessionTime::from_nanos(to);
            csv.batch_within(batch, Some(&times)).expect("memory");
        });
        let expected = csv.finish().expect("memory");
        assert!(2000 < expected.len());
        assert!(std::fs::read(&out).expect("it was written") == expected, "{part}");
    }
}

#[test]
fn what_is_not_judged_yet_has_no_answer() {
    let mut harness = show([1280.0, 800.0], "acorn-weak-cell.mcap");
    let mut early = recorded("acorn-weak-cell.mcap", Some(SessionTime::from_millis(10_000)));
    early.phase = session::snapshot::Phase::Running;
    harness.state_mut().snapshot = Arc::new(early);
    harness.state_mut().review.go_to(SessionTime::from_millis(9_000));
    harness.run_steps(2);
    wants(&harness, "answer then: ");
    wants(&harness, "stage idle");
    // Where not all that happened is listed, neither the stage nor that there was no alarm is told.
    let listed = Arc::clone(&harness.state().snapshot);
    let mut more = (*listed).clone();
    more.more_moments = true;
    more.all_moments_until = SessionTime::from_millis(8_500);
    harness.state_mut().snapshot = Arc::new(more);
    harness.run_steps(2);
    wants(&harness, "answer then: ");
    wants(&harness, "stage and alarms of this time are not known");
    assert!(!has(&harness, "stage idle") && !has(&harness, "no alarm"));
    harness.state_mut().snapshot = listed;
    press(&mut harness, Key::End);
    wants(&harness, "not judged yet");
    assert!(!has(&harness, "answer then: "));
}

#[test]
fn an_old_value_is_called_old_and_compared_with_nothing() {
    // The sensor is read on, and everything else stops: the last frame is cut off.
    let name = "acorn-first-switch-on.mcap";
    let mut harness = show([1280.0, 800.0], name);
    let end = SessionTime::from_millis(20_000);
    harness.state_mut().review.go_to(end);
    harness.run_steps(2);
    assert!(!has(&harness, "s old"));
    // Behind the end of the session nothing is new.
    harness.state_mut().review.compare(end, SessionTime::from_millis(3_600_000));
    harness.run_steps(2);
    wants(&harness, "s old");
    wants(&harness, "is not known at both, or is old");
    assert!(!has(&harness, "cell 3 differs by"));
}

#[test]
fn a_table_takes_the_place_of_no_recording_and_of_another_file_only_when_asked() {
    let name = "acorn-open-sense-lead.mcap";
    let folder = tempfile::tempdir().expect("a folder");
    let recording = folder.path().join(name);
    std::fs::copy(path(name), &recording).expect("it is copied");
    let mut harness = show([1280.0, 800.0], name);
    harness.state_mut().files.recording = Some(recording.clone());
    harness.run_steps(4);
    for _ in 0..400 {
        if harness.state().review.is_read() {
            break;
        }
        std::thread::sleep(Duration::from_millis(5));
        harness.run_steps(2);
    }
    harness.get_by_label("Table as CSV…").click_accesskit();
    harness.run_steps(2);
    let mut write = |to: &std::path::Path, button: &str, said: &str| {
        harness.get_by_label("to").focus();
        harness.run_steps(2);
        harness.key_press_modifiers(egui::Modifiers::COMMAND, Key::A);
        harness.run_steps(2);
        harness.get_by_label("to").type_text(&to.display().to_string());
        harness.run_steps(2);
        harness.get_by_label(button).click_accesskit();
        for _ in 0..500 {
            harness.run_steps(2);
            if has(&harness, said) {
                return;
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        wants(&harness, said);
    };
    // By another name for the same file, too.
    write(&folder.path().join(".").join(name), "Write the table", "that is the recording itself; choose another name");
    let same = std::fs::read(&recording).expect("it is there") == std::fs::read(path(name)).expect("it is there");
    assert!(same, "the recording is as it was");
    let other = folder.path().join("other.csv");
    std::fs::write(&other, "theirs").expect("written");
    write(&other, "Write the table", "a file of this name is there already");
    assert_eq!(std::fs::read_to_string(&other).expect("it is there"), "theirs");
    write(&other, "Write over it", "rows in ");
    assert!(std::fs::read_to_string(&other).expect("it is there").starts_with("time_s,"));
}

#[test]
fn a_narrow_window_has_all_of_it_by_scrolling() {
    let harness = show([640.0, 900.0], "acorn-weak-cell.mcap");
    wants(&harness, "Plot of temperatures");
    wants(&harness, "Cursor at ");
}
