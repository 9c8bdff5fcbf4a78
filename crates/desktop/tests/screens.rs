//! The screens by their accessible names, in the states in which a screen most easily lies.

mod common;

use std::sync::Arc;
use std::time::Duration;

use common::{Shown, recorded, running, show_in};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use model::{Command, Input, InputKind, SessionTime};
use session::Snapshot;
use session::snapshot::{Link, Phase, Recording};
use session::worker::{Job, Opened, Replay};
use session::{Engine, Worker};

fn show(snapshot: Snapshot, since: Duration) -> Harness<'static, Shown> {
    show_in([1280.0, 800.0], snapshot, since)
}

fn has(harness: &Harness<'_, Shown>, label: &str) {
    assert!(harness.query_all_by_label(label).next().is_some(), "no {label:?} on the screen: {}", all(harness));
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

#[test]
fn never_seen_is_no_value_and_no_verdict() {
    let mut snapshot = running("acorn-first-switch-on.mcap", 0);
    snapshot.link = Link::NothingYet;
    let harness = show(snapshot, Duration::ZERO);
    has(&harness, "CANNOT TELL");
    has(&harness, "no data yet");
    has(&harness, "Cell 7: never seen");
    has(&harness, "Bus: never seen");
    has(&harness, "Sum of cells: not known");
    has_part(&harness, "keep the switch open");
    has_not(&harness, "GO");
}

#[test]
fn a_sound_pack_is_go_with_its_values_and_practice_is_said() {
    let harness = show(running("acorn-first-switch-on.mcap", 30_000), Duration::from_millis(20));
    has(&harness, "GO");
    let height = harness.query_all_by_label("GO").map(|node| node.rect().height()).fold(0.0, f32::max);
    assert!(800.0 / 20.0 <= height, "the verdict is {height} points high");
    has(&harness, "PRACTICE: no real pack");
    has(&harness, "not recording");
    has(&harness, "elapsed 00:30");
    has_part(&harness, "Practice: ");
    has_not(&harness, "OLD");
    has_not(&harness, "never seen");
}

#[test]
fn old_data_takes_go_away_even_if_no_snapshot_comes_any_more() {
    let harness = show(running("acorn-first-switch-on.mcap", 30_000), Duration::from_millis(4_000));
    has(&harness, "CANNOT TELL");
    has_part(&harness, "no new data for 4.");
    has_part(&harness, "OLD: no data for 4.");
    has_part(&harness, "Cell 7: OLD, was ");
    has_part(&harness, "Current: OLD ");
    has(&harness, "Sum of cells: not known");
    has_part(&harness, "Nobody is watching the pack");
    has_not(&harness, "GO");
}

#[test]
fn a_session_that_died_says_that_nobody_watches() {
    let mut harness = show(running("acorn-first-switch-on.mcap", 30_000), Duration::ZERO);
    harness.state_mut().finished = true;
    harness.run_steps(2);
    has(&harness, "NOT WATCHING");
    has_not(&harness, "GO");
}

#[test]
fn a_lost_link_is_said_with_its_reason() {
    let engine = played(vec![InputKind::Lost { why: "the device was unplugged".to_owned() }]);
    let harness = show(engine, Duration::ZERO);
    has_part(&harness, "link lost: the device was unplugged");
    has_not(&harness, "GO");
}

#[test]
fn a_failed_recording_stays_on_the_top_line() {
    let mut snapshot = running("acorn-first-switch-on.mcap", 30_000);
    snapshot.recording = Recording::Incomplete("the disk is full".to_owned());
    let harness = show(snapshot, Duration::ZERO);
    has(&harness, "recording incomplete: the disk is full");
    // What was seen can't be looked at again, so it is no go; but it is no fault of the pack.
    has(&harness, "CANNOT TELL");
    has(&harness, "the recording is incomplete; but for that, every required check passed");
    has_part(&harness, "then start a new session");
    has_not(&harness, "GO");
}

#[test]
fn cannot_tell_says_what_is_missing() {
    let harness = show(running("acorn-first-switch-on.mcap", 5_000), Duration::ZERO);
    has(&harness, "CANNOT TELL");
    has_part(&harness, "Wait, and change nothing");
}

#[test]
fn no_go_names_the_place_and_acknowledging_is_only_asked_for() {
    let mut harness = show(running("acorn-weak-cell.mcap", 20_000), Duration::ZERO);
    has(&harness, "NO-GO");
    has_part(&harness, "Throttle to zero, then open the switch");
    has(&harness, "spread warning, came first");
    has(&harness, "deviation critical, newest");
    has_part(&harness, "Cell 17: ");
    let words = all(&harness);
    let cell = words.split(" | ").find(|words| words.starts_with("Cell 17: ")).expect("cell 17 is there").to_owned();
    assert!(cell.contains("critical"), "{cell}");
    harness.get_by_label("Acknowledge alarm 2: deviation").click();
    harness.run_steps(2);
    assert_eq!(harness.state().out, [Command::Acknowledge { alarm: 2 }]);
    has_part(&harness, "holds, not acknowledged");
}

#[test]
fn an_alarm_that_cleared_still_waits_to_be_acknowledged() {
    let snapshot = recorded("acorn-weak-cell.mcap", None);
    assert!(snapshot.alarms.iter().any(|alarm| !alarm.active), "the load went, and so did the deviation");
    let harness = show(snapshot, Duration::ZERO);
    has(&harness, "NO-GO");
    has_part(&harness, "cleared but latched, not acknowledged");
}

#[test]
fn a_recording_at_a_moment_shows_exactly_what_it_holds() {
    let at = SessionTime::from_millis(20_000);
    let harness = show(running("acorn-weak-cell.mcap", 20_000), Duration::ZERO);
    // Worked out on another way: the engine fed by hand.
    let recording = recording::Recording::open(&packwake_tests::root().join("recordings/acorn-weak-cell.mcap"));
    let recording = recording.expect("it opens");
    let mut engine = Engine::new(recording.header().clone()).expect("its texts are sound");
    for input in recording.inputs().take_while(|input| input.at <= at) {
        let input = engine.stamp(input);
        engine.process(&input);
    }
    let cells: Vec<i64> = engine.judge().cells().map(|(_, nanos)| nanos).collect();
    let mut sorted = cells.clone();
    let median = session::rules::statistics::median(&mut sorted).expect("there are cells");
    for (index, nanos) in cells.iter().enumerate() {
        let volts = model::format_nanos(*nanos, 3);
        let away = model::format_nanos((nanos - median) * 1000, 0);
        let sign = if nanos < &median { "" } else { "+" };
        has_part(&harness, &format!("Cell {}: {volts} V, {sign}{away} mV from the median", index + 1));
    }
    let sum = model::format_nanos(cells.iter().sum(), 2);
    has(&harness, &format!("Sum of cells: {sum} V"));
    let current = model::format_nanos(engine.judge().current().expect("a current"), 2);
    has(&harness, &format!("Current: {current} A"));
}

#[test]
fn a_warning_is_put_aside_for_a_time_and_a_critical_alarm_says_why_not() {
    let mut harness = show(running("acorn-weak-cell.mcap", 20_000), Duration::ZERO);
    has_part(&harness, "critical: it can't be put aside");
    assert!(harness.query_by_label("Put aside alarm 2: deviation").is_none(), "alarm 2 is critical");
    // By keys alone.
    for name in ["Put aside alarm 1: spread", "Put alarm 1 aside for 30 min: spread"] {
        harness.get_by_label(name).focus();
        harness.run_steps(2);
        harness.key_press(egui::Key::Enter);
        harness.run_steps(4);
    }
    assert_eq!(harness.state().out, [Command::Shelve { alarm: 1, length: Duration::from_secs(1800) }]);
}

#[test]
fn what_is_put_aside_stands_apart_with_the_time_left() {
    let shelve = Command::Shelve { alarm: 1, length: Duration::from_secs(600) };
    let snapshot = played_from("acorn-weak-cell.mcap", vec![InputKind::Command(shelve)]);
    let harness = show(snapshot, Duration::from_secs(5));
    has(&harness, "Put aside: 1");
    has_part(&harness, "alarm 1 at ");
    has_part(&harness, "put aside, comes back in 9 min 55 s");
    assert!(harness.query_by_label("Acknowledge alarm 1: spread").is_none(), "nothing waits for an answer");
}

/// The first 20 s of a sound session, and then these.
fn played(then: Vec<InputKind>) -> Snapshot {
    played_from("acorn-first-switch-on.mcap", then)
}

/// The first 20 s of a session, and then these.
fn played_from(name: &str, then: Vec<InputKind>) -> Snapshot {
    let path = packwake_tests::root().join("recordings").join(name);
    let recording = recording::Recording::open(&path).expect("it opens");
    let folder = tempfile::tempdir().expect("a folder");
    let made = folder.path().join("made.mcap");
    let mut writer = recording::Writer::create(&made, recording.header()).expect("it can be made");
    let end = SessionTime::from_millis(20_000);
    let mut inputs: Vec<Input> = recording.inputs().take_while(|input| input.at <= end).collect();
    inputs.extend(then.into_iter().map(|kind| Input::new(end, kind)));
    for (number, mut input) in (0..).zip(inputs) {
        input.number = number;
        writer.append(&input).expect("it is written");
    }
    writer.finish().expect("it is closed");
    let open = Box::new(move || {
        Ok(Opened { job: Job::Replay(Replay { path: made, as_it_was: false, ..Replay::default() }), keep: None })
    });
    let worker = Worker::start(None, open, Arc::new(|| {})).expect("a thread");
    while !worker.is_finished() {
        std::thread::sleep(Duration::from_millis(5));
    }
    let mut snapshot = (*worker.latest().0).clone();
    snapshot.phase = Phase::Running;
    snapshot
}

#[test]
fn each_stage_has_its_word_and_its_time_above_the_plots() {
    let harness = show(running("acorn-first-switch-on.mcap", 30_000), Duration::ZERO);
    for (at, stage) in recorded("acorn-first-switch-on.mcap", Some(SessionTime::from_millis(30_000))).stages.iter() {
        let from = model::format_nanos(i64::try_from(at.nanos).expect("seconds"), 1);
        has_part(&harness, &format!("Stage from {from} s to "));
        has_part(&harness, &format!(" s: {stage}"));
    }
    // All on one time axis, with the bus among them.
    for plot in ["cells", "pack and bus", "current", "temperatures"] {
        has_part(&harness, &format!("Plot of {plot}: "));
    }
    has_not(&harness, "no data");
}

#[test]
fn a_finding_stands_first_and_its_place_is_marked() {
    let mut harness = show(running("acorn-open-sense-lead.mcap", 16_000), Duration::ZERO);
    has(&harness, "NO-GO");
    has(&harness, "Open sense lead: cells 9 and 10");
    has(&harness, "possible");
    has_part(&harness, "cells 9 and 10 move against each other by up to ");
    has_part(&harness, "With the switch open, look at: unplug the sense connector and meter that pin");
    has(&harness, "Practice: Open the switch; then look at cells 9 and 10: open sense lead");
    let rect = |harness: &Harness<'_, Shown>, label: &str| {
        harness.query_all_by_label_contains(label).next().unwrap_or_else(|| panic!("no {label:?}")).rect()
    };
    // Above the alarms, and its mark reaches from the one cell to the other, no further.
    let [finding, alarms] = ["Open sense lead: cells 9", "Acknowledge all (A)"].map(|label| rect(&harness, label));
    assert!(finding.bottom() <= alarms.top());
    let mark = rect(&harness, "Mark: Open sense lead: cells 9 and 10");
    for (cell, inside) in [(8, false), (9, true), (10, true), (11, false)] {
        assert_eq!(mark.x_range().contains(rect(&harness, &format!("Cell {cell}: ")).center().x), inside, "{cell}");
        let marked = all(&harness).split(" | ").any(|words| {
            words.starts_with(&format!("Cell {cell}: ")) && words.ends_with(", finding: possible open sense lead")
        });
        assert_eq!(marked, inside, "{cell}");
    }
    let snapshot = Arc::clone(&harness.state().snapshot);
    let from = snapshot.verdict.as_ref().expect("judged").findings[0].since;
    let from = model::format_nanos(i64::try_from(from.nanos).expect("seconds"), 1);
    has(&harness, &format!("Mark on the time axis from {from} s: Open sense lead: cells 9 and 10"));
    // What speaks for it is there when it is asked for.
    has_not(&harness, "for: ");
    harness.get_by_label("finding 1: 2 for it, 0 against it").click();
    harness.run_steps(3);
    has_part(&harness, "for: ");
}

#[test]
fn a_sensor_of_a_finding_is_marked_in_its_row() {
    let harness = show(running("sapling-sensor-open.mcap", 20_000), Duration::ZERO);
    has(&harness, "Temperature sensor open: temperature 2");
    has(&harness, "2 cells 6-10: -40.0 °C, critical, finding: likely temperature sensor open");
    has_not(&harness, "1 cells 1-5: 21.0 °C, finding");
    has_part(&harness, "Throttle to zero, then open the switch; then look at temperature 2: temperature sensor open");
}

#[test]
fn a_sound_pack_has_no_findings_and_no_empty_place_for_them() {
    let harness = show(running("acorn-first-switch-on.mcap", 26_000), Duration::ZERO);
    has_not(&harness, "Mark");
    has_not(&harness, "finding");
    has_not(&harness, "With the switch open");
}

#[test]
fn a_bus_that_falls_after_opening_says_for_how_long() {
    let snapshot = running("acorn-weak-cell.mcap", 38_000);
    let sound = running("acorn-first-switch-on.mcap", 60_000);
    for snapshot in [snapshot, sound] {
        assert_eq!(snapshot.stage, Some(session::rules::Stage::SwitchOpened));
        let bus = model::format_nanos(snapshot.bus.latest.expect("a bus"), 0);
        let harness = show(snapshot, Duration::ZERO);
        has_part(&harness, &format!("Practice: Bus still at {bus} V: wait about "));
        has_part(&harness, ", then meter before touching");
    }
}

#[test]
fn nothing_is_painted_over_the_column_of_values() {
    for size in [[816.0, 500.0], [820.0, 700.0], [960.0, 600.0], [1280.0, 800.0]] {
        let harness = show_in(size, running("acorn-weak-cell.mcap", 20_000), Duration::ZERO);
        let values = harness.get_by_label("Reported pack").rect().left();
        let cells = (1..=24).map(|cell| format!("Cell {cell}: "));
        for label in cells.chain(["Plot of cells: ".to_owned(), "Plot of temperatures: ".to_owned()]) {
            let rect = harness.query_all_by_label_contains(&label).next().expect("it is there").rect();
            assert!(rect.right() <= values, "{size:?}: {label}{rect:?}, and values from {values}");
        }
    }
}

#[test]
fn a_small_window_has_one_title_for_the_alarms() {
    let harness = show_in([960.0, 600.0], running("acorn-weak-cell.mcap", 20_000), Duration::ZERO);
    has(&harness, "Alarms (2 wait)");
    assert_eq!(harness.query_all_by_label("Alarms").count(), 0);
}

#[test]
fn in_a_small_window_alarms_and_checks_can_be_read_and_pressed() {
    let size = [960.0, 600.0];
    let mut harness = show_in(size, running("acorn-weak-cell.mcap", 20_000), Duration::ZERO);
    let inside = |harness: &Harness<'_, Shown>, label: &str| {
        let found = harness.query_all_by_label_contains(label).next();
        let rect = found.unwrap_or_else(|| panic!("no {label:?}: {}", all(harness))).rect();
        assert!(rect.top() < rect.bottom() && rect.bottom() <= size[1] && rect.right() <= size[0], "{label}: {rect:?}");
    };
    for label in
        ["Acknowledge alarm 2: deviation", "cell 17 from the median by", "Acknowledge all (A)", "6 cells 21-24"]
    {
        inside(&harness, label);
    }
    harness.get_by_label("Acknowledge all (A)").click();
    harness.run_steps(2);
    assert_eq!(harness.state().out.len(), 2);
    harness.get_by_label("Checks").click();
    harness.run_steps(2);
    inside(&harness, "deviation: failed");
    harness.get_by_label("Events").click();
    harness.run_steps(2);
    inside(&harness, "alarm: critical raised: deviation");
    // The plots keep their place.
    for plot in ["cells", "pack and bus", "current", "temperatures"] {
        inside(&harness, &format!("Plot of {plot}: "));
    }
}

/// The shapes of a picture.
fn shapes(harness: &Harness<'_, Shown>) -> Vec<egui::Shape> {
    harness.output().shapes.iter().map(|clipped| clipped.shape.clone()).collect()
}

/// The vertical lines at the place of a cell: their lower and upper ends.
fn sticks(harness: &Harness<'_, Shown>, cell: &str) -> Vec<(f32, f32)> {
    let x = harness.query_all_by_label_contains(cell).next().expect("it is there").rect().center().x;
    let stick = |shape: egui::Shape| match shape {
        egui::Shape::LineSegment { points: [one, other], .. } => {
            let here = (one.x - x).abs() < 1.0 && (other.x - x).abs() < 1.0;
            here.then_some((one.y.min(other.y), one.y.max(other.y)))
        }
        _ => None,
    };
    shapes(harness).into_iter().filter_map(stick).collect()
}

#[test]
fn ten_millivolts_are_at_least_twelve_points_at_the_usual_scale() {
    let mut snapshot = running("acorn-first-switch-on.mcap", 10_000);
    let median = snapshot.median.expect("there are cells");
    snapshot.cells[6].latest = Some(median + 10_000_000);
    snapshot.cells[6].unseen = None;
    let harness = show(snapshot, Duration::ZERO);
    has_part(&harness, "+10 mV from the median");
    let length = sticks(&harness, "Cell 7: ").into_iter().map(|(top, bottom)| bottom - top).fold(0.0, f32::max);
    assert!(12.0 <= length, "{length} points");
}

#[test]
fn what_came_and_went_between_two_pictures_is_drawn() {
    let mut snapshot = running("acorn-first-switch-on.mcap", 10_000);
    let median = snapshot.median.expect("there are cells");
    snapshot.cells[6].latest = Some(median);
    let piece = |millivolts: i64| session::history::Piece { lowest: median - millivolts * 1_000_000, highest: median };
    snapshot.cells[6].unseen = Some(piece(0));
    let quiet = show(snapshot.clone(), Duration::ZERO);
    let length = |harness: &Harness<'_, Shown>| {
        sticks(harness, "Cell 7: ").into_iter().map(|(top, bottom)| bottom - top).fold(0.0, f32::max)
    };
    assert!(length(&quiet) < 2.0);
    // A dip of 40 mV that is over: nothing else tells of it.
    snapshot.cells[6].unseen = Some(piece(40));
    let dipped = show(snapshot, Duration::ZERO);
    assert!(48.0 <= length(&dipped), "{}", length(&dipped));
}

#[test]
fn the_gallery_has_every_state() {
    let mut harness = Harness::builder().with_size([1280.0, 900.0]).build_ui(|ui| {
        desktop::colours::dress(ui.ctx());
        desktop::gallery::ui(ui);
    });
    harness.run_steps(2);
    for label in [
        "GO",
        "CANNOT TELL",
        "NO-GO",
        "NOT WATCHING",
        "link lost: the device was unplugged, data 0.9 s old",
        "recording incomplete: the disk is full",
        "SILENCED until the next alarm",
        "NO SOUND: keep an eye on the screen",
        "cleared but latched, not acknowledged",
        "put aside",
        "possible",
        "likely",
        "proven",
        "Cell 11: never seen",
        "Cell 10: the BMS says it has no value",
        "Cell 8: 2.950 V, -900 mV from the median, critical, so far 2.946 to 2.953 V",
        "sensor 2: 47.0 °C, warning",
    ] {
        assert!(harness.query_all_by_label(label).next().is_some(), "no {label:?} in the gallery");
    }
}

/// The end of a recording that is shown by these.
fn shown_by(replay: Replay) -> Snapshot {
    let open = Box::new(move || Ok(Opened { job: Job::Replay(replay), keep: None }));
    let worker = Worker::start(None, open, Arc::new(|| {})).expect("a thread");
    while !worker.is_finished() {
        std::thread::sleep(Duration::from_millis(5));
    }
    (*worker.latest().0).clone()
}

#[test]
fn a_recording_by_other_limits_says_so_and_one_that_is_cut_is_no_go() {
    let sound = packwake_tests::root().join("recordings/acorn-first-switch-on.mcap");
    let pack_text = packwake_tests::text("packs/acorn-24s-nmc.toml");
    let snapshot = shown_by(Replay { path: sound.clone(), pack_text: Some(pack_text), ..Replay::default() });
    has(&show(snapshot, Duration::ZERO), "JUDGED BY OTHER LIMITS than its own");
    let harness = show(shown_by(Replay { path: sound.clone(), ..Replay::default() }), Duration::ZERO);
    has(&harness, "GO");
    has_not(&harness, "OTHER LIMITS");

    let folder = tempfile::tempdir().expect("a folder");
    let cut = folder.path().join("cut.mcap");
    let bytes = std::fs::read(&sound).expect("it is there");
    std::fs::write(&cut, &bytes[..bytes.len() * 9 / 10]).expect("written");
    let harness = show(shown_by(Replay { path: cut, ..Replay::default() }), Duration::ZERO);
    has(&harness, "CANNOT TELL");
    has_part(&harness, "incomplete");
}
