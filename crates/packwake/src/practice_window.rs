//! Every practice fault through the window as a person sees it: the real practice pack on its own line, the real session
//! on its thread, the screen by its accessible names. All at once, in real time.

use std::thread;
use std::time::{Duration, Instant};

use desktop::Desktop;
use desktop::sound::Players;
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use simulator::Fault;

use crate::practice::{SOUND, ready};

/// What a practice pack shows, it shows in this time.
const LONGEST: Duration = Duration::from_secs(60);
/// A person looks at the screen about this often; forty windows on two cores can't be drawn more often.
const LOOK_EVERY: Duration = Duration::from_millis(1_000);

/// What must stand on the screen at the same time: the answer, and parts of other words.
type Expected = (&'static str, &'static [&'static str]);

/// The checks and places are those of `tests/tests/simulator_through_pipeline.rs`, where the arithmetic stands beside
/// them: faults take cell 7, the lead between 7 and 8, sensor 2, and the lead at the last cell. Causes stand in the
/// findings with their place.
fn expected(fault: &str) -> Expected {
    match fault {
        SOUND => ("GO", &["every required check passed"]),
        "low-cell" => ("NO-GO", &["deviation: failed", "cell 7 from the median", "Low cell: cell 7"]),
        "high-cell" => ("NO-GO", &["deviation: failed", "cell 7 from the median", "High cell: cell 7"]),
        "weak-cell" => ("NO-GO", &["deviation: failed", "cell 7 from the median", "Weak cell: cell 7"]),
        "link-resistance" => ("NO-GO", &["deviation: failed", "Link resistance: cell 7"]),
        "open-sense-lead" => (
            "NO-GO",
            &[
                "sense leads: failed",
                "cell high: failed",
                "cell low: failed",
                "cell 7 at",
                OPEN_LEAD,
                "Mark: Open sense",
            ],
        ),
        "open-sense-lead-midpoint" => ("NO-GO", &["sense leads: failed", "deviation: failed", OPEN_LEAD]),
        "open-sense-lead-held" | "open-sense-lead-intermittent" => {
            ("NO-GO", &["sense leads: failed", "the BMS's own test of its sense leads: failed", OPEN_LEAD])
        }
        "open-sense-lead-end" => ("NO-GO", &["sense leads: failed", "cell low: failed", "Open sense lead: cell 24"]),
        "swapped-sense-leads" => ("NO-GO", &["possible values: failed", "Swapped sense leads: cell"]),
        "sensor-open" => ("NO-GO", &["possible values: failed", "Temperature sensor open: temperature 2"]),
        "sensor-short" => ("NO-GO", &["possible values: failed", "Temperature sensor short: temperature 2"]),
        "sensor-stuck" => ("CANNOT TELL", &["Temperature sensor stuck: temperature 2"]),
        "heating-at-rest" => ("NO-GO", &["temperature rate: failed", "temperature 2 (cells 5-8) rising", "step back"]),
        "pack-sum-offset" => ("NO-GO", &["pack sum: failed", "Pack sum offset"]),
        "current-offset" => ("CANNOT TELL", &["current at rest: no data", "Current offset"]),
        "circulation" => ("CANNOT TELL", &["current at rest: no data", "Circulation"]),
        "reversed-current" => ("CANNOT TELL", &["Reversed current sign"]),
        "wrong-cell-scale" => ("NO-GO", &["cell low: failed", "pack sum: failed", "Wrong scale"]),
        "too-many-cells-read" => ("NO-GO", &["cell low: failed", "Wrong cell count: cells 23 and 24"]),
        "too-few-cells-read" => ("NO-GO", &["pack sum: failed", "Wrong cell count"]),
        "no-pre-charge" => ("CANNOT TELL", &["No pre-charge"]),
        "slow-pre-charge" => ("CANNOT TELL", &["Slow pre-charge"]),
        "stalled-pre-charge" => ("CANNOT TELL", &["Stalled pre-charge"]),
        "stuck-pre-charge" => ("CANNOT TELL", &["Stuck pre-charge"]),
        "pre-charge-retries" => ("CANNOT TELL", &["Pre-charge retries"]),
        "bus-live-early" => ("CANNOT TELL", &["Bus live before closing", "Take the bus as live"]),
        "silent-line" => (
            "CANNOT TELL",
            &["does not come any more", "OLD: no data for", "Nobody is watching the pack", "Silent line"],
        ),
        "unplug" => ("CANNOT TELL", &["link lost: ", "link: no data", "Nobody is watching the pack", "Unplugged"]),
        "frozen-frame" => ("NO-GO", &["live values: failed", "the values are frozen", "Frozen BMS"]),
        "flipped-bits" | "lost-bytes" => ("NO-GO", &["link: failed", "Damaged line", "of the data line"]),
        // The line has to be seen without and with it before the cause is more than a damaged line.
        "interference-with-bus" | "interference-with-current" => ("NO-GO", &["link: failed"]),
        // No faults of the pack: they are said, and take no go away.
        "balancing-active" => ("GO", &["every required check passed", "Balancing active: cell 7"]),
        "cells-read-in-turn" => ("GO", &["every required check passed", "Cells read one after another"]),
        // The resistance of a path needs several levels of the load: they come from 30 s on.
        "pack-lead-resistance" => ("NO-GO", &["pack sum: failed"]),
        "bus-lead-resistance" => ("CANNOT TELL", &["Connector resistance"]),
        // A drift needs minutes of rest (it is found in `tests/tests/diagnosis.rs`), and a bus that stays at the pack's
        // voltage looks as if the switch had not been opened. What shows is go for the next step.
        "self-discharge" | "welded-contact" => ("GO", &["every required check passed"]),
        other => panic!("what must {other} look like?"),
    }
}

const OPEN_LEAD: &str = "Open sense lead: cells 7 and 8";

/// What is missing on the screen.
fn missing(harness: &Harness<'_, Option<Desktop>>, (answer, words): Expected) -> Vec<String> {
    let mut missing = Vec::new();
    if harness.query_all_by_label(answer).next().is_none() {
        missing.push(answer.to_owned());
    }
    for part in ["PRACTICE: no real pack"].iter().chain(words) {
        if harness.query_all_by_label_contains(part).next().is_none() {
            missing.push((*part).to_owned());
        }
    }
    missing
}

/// The window on the practice pack with this fault.
fn window(fault: &str, players: Players) -> Harness<'static, Option<Desktop>> {
    let fault = fault.to_owned();
    Harness::builder().with_size([1280.0, 800.0]).build_ui_state(
        move |ui, desktop: &mut Option<Desktop>| {
            let desktop = desktop.get_or_insert_with(|| Desktop::new(ui.ctx(), ready(&fault, players.clone())));
            desktop.look(ui.ctx());
            desktop.ui(ui);
        },
        None,
    )
}

/// How long it took until the screen said what it must, or what was still missing then.
fn watch(fault: &str, expected: Expected) -> Result<Duration, Vec<String>> {
    let mut harness = window(fault, Players::none());
    #[expect(clippy::disallowed_methods, reason = "a person watches in real time")]
    let began = Instant::now();
    loop {
        harness.run_steps(1);
        let missing = missing(&harness, expected);
        if missing.is_empty() {
            return Ok(began.elapsed());
        }
        if LONGEST < began.elapsed() {
            return Err(missing);
        }
        thread::sleep(LOOK_EVERY);
    }
}

#[test]
fn every_practice_fault_is_told_on_the_screen_and_a_sound_pack_is_go() {
    let faults: Vec<&str> = std::iter::once(SOUND).chain(Fault::all().map(simulator::FaultKind::name)).collect();
    assert_eq!(faults.len(), 41, "a sound pack and forty faults");
    let watched: Vec<_> = faults.iter().map(|fault| (*fault, expected(fault))).collect();
    let told: Vec<_> = thread::scope(|scope| {
        let watching: Vec<_> =
            watched.iter().map(|(fault, expected)| (*fault, scope.spawn(|| watch(fault, *expected)))).collect();
        watching.into_iter().map(|(fault, thread)| (fault, thread.join().expect("it did not panic"))).collect()
    });
    for (fault, told) in &told {
        eprintln!("{fault}: {told:?}");
    }
    let wrong: Vec<_> = told.iter().filter(|(_, told)| told.is_err()).collect();
    assert!(wrong.is_empty(), "not on the screen: {wrong:?}");
    let go = told.iter().find_map(|(fault, told)| (*fault == SOUND).then_some(told.as_ref()).and_then(Result::ok));
    assert!(go.is_some_and(|took| *took < Duration::from_secs(30)), "go after {go:?}");
}

#[cfg(unix)]
#[test]
fn an_alarm_is_heard_silenced_and_acknowledged_with_keys() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().expect("a folder");
    let (player, log) = (folder.path().join("aplay"), folder.path().join("log"));
    std::fs::write(&player, format!("#!/bin/sh\necho played >> {}\nexec sleep 0.2\n", log.display())).expect("written");
    std::fs::set_permissions(&player, std::fs::Permissions::from_mode(0o755)).expect("it can be run");
    let played = || std::fs::read_to_string(&log).unwrap_or_default().lines().count();
    let mut harness = window("sensor-short", Players::on(Some(folder.path().as_os_str()), false));
    until(&mut harness, "the button that silences", |harness| harness.query_by_label("Silence (Q)").is_some());
    // The player is another process: it begins a moment later.
    until(&mut harness, "that it is played", |_| 0 < played());
    harness.key_press(egui::Key::Q);
    let silenced =
        |harness: &Harness<'_, Option<Desktop>>| harness.query_by_label("SILENCED until the next alarm").is_some();
    until(&mut harness, "that it is silenced", silenced);
    harness.key_press(egui::Key::A);
    until(&mut harness, "that sound is on again", |harness| !silenced(harness));
    let before = played();
    thread::sleep(Duration::from_millis(1_500));
    harness.run_steps(2);
    assert_eq!(played(), before, "acknowledged is silent");
}

#[cfg(unix)]
fn until(harness: &mut Harness<'_, Option<Desktop>>, what: &str, done: impl Fn(&Harness<'_, Option<Desktop>>) -> bool) {
    for _ in 0..200 {
        harness.run_steps(1);
        if done(harness) {
            return;
        }
        thread::sleep(Duration::from_millis(50));
    }
    panic!("not within ten seconds: {what}");
}
