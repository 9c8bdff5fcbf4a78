//! Other limits: what they would have raised on a recording, and a session that gives way to the next on the same line.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use model::{Amount, Command, Dimension, HandItem, HandOutcome, HandReading, Input, InputKind, Quantity, SessionTime};
use packwake_tests::{header, protocol, root, text};
use rules::pack_text::{Field, Part};
use rules::{Check, LimitName, Outcome, PackText};
use session::again::{Again, Change, Comparison, Question, Standing, judge_again};
use session::snapshot::{Phase, Recording as Kept, Snapshot};
use session::worker::{Job, Opened, Opener, Replay};
use session::{Live, Worker};
use simulator::{ByProtocol, ByteStream, PtyLine, Scene, Telegrams};
use transport::{SerialSource, Source};

const ACORN: &str = "packs/acorn-24s-nmc.toml";

/// A shipped pack with other limits.
fn other(pack: &str, edits: &[(LimitName, Part, &str)]) -> String {
    let edit = |text: PackText, (name, part, value): &(LimitName, Part, &str)| {
        text.set(&Field::limit(*name, *part), value).expect("it can be edited")
    };
    let edited = edits.iter().fold(PackText::new(text(pack)), edit);
    assert!(edited.pack().is_some(), "{:?}", edited.faults());
    edited.text().to_owned()
}

fn question(recording: &str, pack_text: String) -> Question {
    let recording = root().join("recordings").join(recording);
    Question { recording, pack_text, length: SessionTime::from_millis(60_000) }
}

fn compare(recording: &str, pack_text: String) -> Comparison {
    let question = question(recording, pack_text);
    judge_again(&question, &mut |_| true).expect("it can be judged").expect("nobody broke it off")
}

#[test]
fn a_lower_upper_limit_makes_a_sound_recording_no_go() {
    // The cells stand near 3.830 V: `acorn-first-switch-on.expected.toml`.
    let text =
        other(ACORN, &[(LimitName::CellHigh, Part::Warning, "3.7 V"), (LimitName::CellHigh, Part::Critical, "3.80 V")]);
    let compared = compare("acorn-first-switch-on.mcap", text);
    assert_eq!((compared.before.verdict.outcome, compared.after.verdict.outcome), (Outcome::Go, Outcome::NoGo));
    let changes = &compared.changes;
    let new: Vec<_> = changes
        .iter()
        .map(|change| match change {
            Change::New(alarm) => (alarm.check, alarm.place.map(|place| place.place)),
            other => panic!("only new alarms: {other:?}"),
        })
        .collect();
    let mut expected: Vec<_> = (1..=24).map(|cell| (Check::CellHigh, Some(cell))).collect();
    // The meter's 91.9 V is now more than a pack with such cells can have: 24 x 3.80 V = 91.2 V.
    expected.push((Check::BeforePower, None));
    assert_eq!(new, expected);
    let failed: Vec<_> =
        compared.after.verdict.checks.iter().filter(|check| check.result == rules::Result::Failed).collect();
    assert_eq!(failed.iter().map(|check| check.check).collect::<Vec<_>>(), [Check::CellHigh, Check::BeforePower]);
    assert!(!compared.incomplete);
    let (lowest, highest) = compared.before.held.of(LimitName::CellHigh).expect("cells were read");
    assert!((3_700_000_000..3_830_000_000).contains(&lowest) && (3_825_000_000..3_850_000_000).contains(&highest));
    assert_eq!(compared.before.held, compared.after.held);
}

#[test]
fn a_wider_limit_takes_an_alarm_away_and_the_cause_stays_found() {
    let wide = |name| [(name, Part::Warning, "300 mV"), (name, Part::Critical, "400 mV")];
    let text = other(ACORN, &[wide(LimitName::DeviationLoad), wide(LimitName::DeviationRest)].concat());
    let compared = compare("acorn-weak-cell.mcap", text);
    assert_eq!(compared.before.verdict.outcome, Outcome::NoGo);
    let gone: Vec<_> = compared
        .changes
        .into_iter()
        .filter_map(|change| match change {
            Change::Gone(alarm) => Some((alarm.check, alarm.place.map(|place| place.place))),
            Change::New(_) | Change::Changed { .. } => None,
        })
        .collect();
    assert!(gone.contains(&(Check::Deviation, Some(17))), "{gone:?}");
    // The hand-written expectation of that recording: 104 mV, give or take 7 mV, apart under 60 A, before the load goes on
    // working on the cells.
    let (_, furthest) = compared.after.held.of(LimitName::DeviationLoad).expect("there was a load");
    assert!((97_000_000..135_000_000).contains(&furthest), "{furthest}");
}

#[test]
fn the_same_limits_change_nothing() {
    for name in ["acorn-open-sense-lead.mcap", "field-damaged-data-line.mcap", "sapling-sensor-open.mcap"] {
        let recording = recording::Recording::open(&root().join("recordings").join(name)).expect("it opens");
        let compared = compare(name, recording.header().pack_text.clone());
        assert!(compared.changes.is_empty() && compared.before == compared.after, "{name}");
        let (new, gone) = compared.findings();
        assert!(new.is_empty() && gone.is_empty() && !compared.before.alarms.is_empty(), "{name}");
    }
}

#[test]
fn a_delay_moves_an_alarm() {
    // Both sides are the same but for the time; the alarm of cell 17 stands for seconds.
    let text = other(ACORN, &[(LimitName::DeviationLoad, Part::OnDelay, "2 s")]);
    let compared = compare("acorn-weak-cell.mcap", text);
    let moved = compared.changes.into_iter().find_map(|change| match change {
        Change::Changed { before, after } if before.place.is_some_and(|place| place.place == 17) => {
            Some((before, after))
        }
        _ => None,
    });
    let (before, after) = moved.expect("it is still raised, later");
    let later = after.first_at.since(before.first_at);
    // 0.5 s by default.
    assert_eq!(later, Duration::from_millis(1_500));
}

#[test]
fn the_newest_question_is_answered_and_the_others_are_not() {
    let wakes = Arc::new(AtomicU64::new(0));
    let counted = Arc::clone(&wakes);
    let wake: Arc<dyn Fn() + Send + Sync> = Arc::new(move || {
        counted.fetch_add(1, Ordering::Relaxed);
    });
    let mut again = Again::default();
    assert_eq!(again.standing(), Standing::Idle);
    for critical in ["5 V", "4.9 V", "3.80 V"] {
        let text = other(
            ACORN,
            &[(LimitName::CellHigh, Part::Warning, "3.7 V"), (LimitName::CellHigh, Part::Critical, critical)],
        );
        again.ask(question("acorn-first-switch-on.mcap", text), Arc::clone(&wake));
        assert!(matches!(again.standing(), Standing::Running(_)));
    }
    let done = wait("an answer", || match again.standing() {
        Standing::Done(comparison) => Some(comparison),
        _ => None,
    });
    assert_eq!(done.after.verdict.outcome, Outcome::NoGo);
    assert!(0 < wakes.load(Ordering::Relaxed));
    // A file that can't be read is said, not waited for.
    again.ask(question("nowhere.mcap", text(ACORN)), wake);
    let failed = wait("a refusal", || match again.standing() {
        Standing::Failed(failure) => Some(failure),
        _ => None,
    });
    assert!(failed.text.starts_with("no file") && failed.hint.is_some(), "{failed:?}");
    again.forget();
    assert_eq!(again.standing(), Standing::Idle);
}

#[test]
fn a_question_is_broken_off_when_nobody_wants_its_answer() {
    let mut looks = 0;
    let mut go_on = |_| {
        looks += 1;
        looks < 3
    };
    let question = question("acorn-first-switch-on.mcap", text(ACORN));
    assert_eq!(judge_again(&question, &mut go_on).expect("it opens"), None);
    assert_eq!(looks, 3);
}

#[test]
fn a_recording_is_shown_by_other_limits() {
    let path = root().join("recordings/acorn-first-switch-on.mcap");
    let pack_text =
        other(ACORN, &[(LimitName::CellHigh, Part::Warning, "3.7 V"), (LimitName::CellHigh, Part::Critical, "3.80 V")]);
    let replay = Replay { path, pack_text: Some(pack_text.clone()), ..Replay::default() };
    let open: Opener = Box::new(move || Ok(Opened { job: Job::Replay(replay), keep: None }));
    let worker = Worker::start(None, open, Arc::new(|| {})).expect("a thread");
    let ended = until(&worker, "the end", |snapshot| snapshot.phase == Phase::Ended);
    assert_eq!(ended.verdict.as_ref().map(|verdict| verdict.outcome), Some(Outcome::NoGo));
    assert_eq!(ended.facts.as_ref().map(|facts| facts.judged_by.text().to_owned()), Some(pack_text));
    assert!(ended.held.of(LimitName::CellHigh).is_some());
}

#[test]
fn what_was_held_against_a_limit_is_every_value_that_was_decoded() {
    // Values by the way that the screen takes them, which knows no limits.
    let path = root().join("recordings/acorn-first-switch-on.mcap");
    let open: Opener =
        Box::new(move || Ok(Opened { job: Job::Replay(Replay { path, ..Replay::default() }), keep: None }));
    let worker = Worker::start(None, open, Arc::new(|| {})).expect("a thread");
    let ended = until(&worker, "the end", |snapshot| snapshot.phase == Phase::Ended);
    let range = |readings: &[session::snapshot::Reading]| {
        let pieces: Vec<_> = readings.iter().filter_map(|reading| reading.so_far).collect();
        Some((pieces.iter().map(|piece| piece.lowest).min()?, pieces.iter().map(|piece| piece.highest).max()?))
    };
    let measured = |name| ended.held.of(name);
    let cells = range(&ended.cells).expect("cells were read");
    assert_eq!(measured(LimitName::CellHigh), Some(cells));
    let (rest, load) = (measured(LimitName::CellLowRest), measured(LimitName::CellLowLoad));
    let (rest, load) = (rest.expect("it rested"), load.expect("there was a load"));
    assert_eq!((rest.0.min(load.0), rest.1.max(load.1)), cells);
    let temperatures = range(&ended.temperatures).expect("they were read");
    assert_eq!(measured(LimitName::TemperatureHigh), Some(temperatures));
    assert_eq!(measured(LimitName::TemperatureLow), Some(temperatures));
}

fn wait<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    for _ in 0..3000 {
        if let Some(seen) = look() {
            return seen;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("not within thirty seconds: {what}");
}

fn until(worker: &Worker, what: &str, done: impl Fn(&Snapshot) -> bool) -> Arc<Snapshot> {
    wait(what, || Some(worker.latest().0).filter(|snapshot| done(snapshot)))
}

/// A session on a pseudo-terminal whose limits are changed twice.
#[cfg(unix)]
fn changed_twice(folder: &Path, protocol_file: &str, pack: &str) -> (Vec<PathBuf>, Vec<u8>) {
    let protocol = protocol(protocol_file);
    let settings = protocol.line().expect("it says how its line is set");
    let scene = Scene::practice(3).fitted_to(protocol.layout());
    let stream = || ByteStream::new(Telegrams::new(&scene, &[], ByProtocol::new(Arc::clone(&protocol))));
    let pty = PtyLine::open().expect("the system has a pseudo-terminal left");
    let running = pty.start(stream()).expect("the line starts");
    let first = folder.join("nursery.mcap");
    // A recording that is there already is passed over.
    std::fs::write(folder.join("nursery-2.mcap"), "kept").expect("written");
    let taken = HandReading::found(HandItem::Fuse, HandOutcome::Passed, "");
    let ohms = Amount { dimension: Dimension::Resistance, nanos: 2_000_000_000_000_000 };
    let metered = HandReading::measured(HandItem::InsulationPlus, ohms, "insulation tester");
    let before = vec![
        Command::Reading(HandReading { age_seconds: 60, ..taken }),
        Command::Reading(HandReading { age_seconds: 90, ..metered }),
    ];
    let live = Live {
        source: Source::Serial(SerialSource { path: running.path().to_owned(), settings }),
        header: header(protocol_file, pack),
        record: Some(first.clone()),
        length: None,
        before,
        may_ask: false,
    };
    let open: Opener = Box::new(move || Ok(Opened { job: Job::Live(Box::new(live)), keep: Some(Box::new(running)) }));
    let worker = Worker::start(None, open, Arc::new(|| {})).expect("a thread");
    let seconds = |session: u32, millis: u64| {
        until(&worker, "some seconds of it", |snapshot| {
            snapshot.session == session && millis * 1_000_000 <= snapshot.at.nanos && snapshot.frames.0 > 0
        })
    };
    let of_first = seconds(0, 2_500);
    assert_eq!(of_first.earlier, None);
    worker.judge_by("pack = 3".to_owned()).expect("there is room");
    let refused = until(&worker, "the refusal", |snapshot| {
        snapshot.remark.as_ref().is_some_and(|remark| remark.starts_with("the other limits are not applied: "))
    });
    assert_eq!(refused.session, 0, "a text with faults ends nothing");
    let wide = other(pack, &[(LimitName::SpreadLoad, Part::Critical, "900 mV")]);
    worker.judge_by(wide.clone()).expect("there is room");
    let second = seconds(1, 2_000);
    let earlier = second.earlier.as_ref().expect("there was one");
    assert_eq!(earlier.recording.as_deref(), Some(first.to_string_lossy().as_ref()));
    assert!(earlier.outcome.is_some() && earlier.incomplete.is_none() && 2_500_000_000 <= earlier.length.nanos);
    assert!(second.number > of_first.number);
    assert_eq!(second.facts.as_ref().map(|facts| facts.judged_by.text().to_owned()), Some(wide));
    let third_name = folder.join("nursery-3.mcap");
    assert_eq!(second.recording, Kept::On(third_name.display().to_string()));
    // What was checked by hand goes with it, older by as long as the session was.
    let entry = |item| second.preparation.iter().find(|line| line.item == item)?.entry.clone();
    let (_, fuse) = entry(HandItem::Fuse).expect("it is carried over");
    let (_, metered) = entry(HandItem::InsulationPlus).expect("it is carried over");
    let passed = u32::try_from(earlier.length.nanos / 1_000_000_000).expect("seconds");
    assert_eq!((fuse.age_seconds, metered.age_seconds), (60 + passed, 90 + passed));
    assert_eq!(metered.value, Some(ohms));
    worker.judge_by(text(pack)).expect("there is room");
    seconds(2, 1_500);
    worker.end();
    until(&worker, "the end", |snapshot| snapshot.phase == Phase::Ended);
    worker.close();
    assert_eq!(std::fs::read_to_string(folder.join("nursery-2.mcap")).expect("it is there"), "kept");
    let files = ["nursery.mcap", "nursery-3.mcap", "nursery-4.mcap"].map(|name| folder.join(name)).to_vec();
    let sent = stream().take_while(|piece| piece.at.nanos < 60_000_000_000).flat_map(|piece| piece.bytes).collect();
    (files, sent)
}

/// The inputs of a recording that must be whole.
fn whole(path: &Path) -> (model::SessionHeader, Vec<Input>) {
    let recording = recording::Recording::open(path).expect("it opens");
    let mut inputs = recording.inputs();
    let all: Vec<Input> = inputs.by_ref().collect();
    assert!(inputs.complete() && inputs.damage().is_empty(), "{path:?}");
    (recording.header().clone(), all)
}

#[cfg(unix)]
#[test]
fn no_byte_is_lost_or_doubled_when_a_session_gives_way_to_the_next() {
    let lines = [
        ("protocols/acorn-binary.toml", ACORN),
        ("protocols/acorn-text.toml", "packs/sapling-14s-nmc.toml"),
        ("protocols/acorn-split.toml", "packs/field-16s-lfp.toml"),
    ];
    let folders = lines.map(|_| tempfile::tempdir().expect("a folder"));
    std::thread::scope(|scope| {
        for ((protocol_file, pack), folder) in lines.into_iter().zip(&folders) {
            scope.spawn(move || {
                let (files, sent) = changed_twice(folder.path(), protocol_file, pack);
                check_switch(protocol_file, &files, &sent);
            });
        }
    });
}

#[cfg(unix)]
fn check_switch(protocol_file: &str, files: &[PathBuf], sent: &[u8]) {
    let (mut bytes, mut counters, mut rows, mut rejected) = (Vec::new(), Vec::new(), 0, 0);
    for (number, file) in files.iter().enumerate() {
        let (header, inputs) = whole(file);
        assert!(inputs.iter().zip(0..).all(|(input, number)| input.number == number), "{file:?}");
        let opened = inputs.iter().filter(|input| matches!(input.kind, InputKind::Opened { .. })).count();
        assert_eq!(opened, 1, "{file:?}: the source is open once, and stays open");
        assert!(inputs.iter().all(|input| !matches!(input.kind, InputKind::Lost { .. })));
        let began = header.started_utc_nanos.expect("the wall clock is known");
        let end = inputs.last().expect("it ends").at;
        // Each begins where the one before ended.
        if let Some(next) = files.get(number + 1) {
            let (next, _) = whole(next);
            let gap = next.started_utc_nanos.expect("it is known") - began;
            assert!((gap - i64::try_from(end.nanos).expect("seconds")).abs() < 1_000_000, "{gap} {end:?}");
        }
        let mut engine = session::Engine::new(header).expect("its texts are sound");
        for input in inputs {
            if let InputKind::Bytes(more) = &input.kind {
                bytes.extend_from_slice(more);
            }
            let layout = Arc::clone(engine.protocol());
            // The person ends the last one, in the middle of a frame perhaps.
            let ended_by_hand = number + 1 == files.len() && input.kind == InputKind::End;
            engine.process_with(&input, &mut |batch| {
                for item in &batch.order {
                    let model::Item::Row { kind, row } = item else {
                        rejected += u32::from(!ended_by_hand);
                        continue;
                    };
                    rows += 1;
                    let kind = usize::from(*kind);
                    let columns = &layout.layout().kinds[kind].columns;
                    let counter = columns.iter().position(|column| column.channel.quantity == Quantity::FrameCounter);
                    if let Some(at) = counter {
                        let column = &batch.kinds[kind].columns[at];
                        counters
                            .extend(column.nanos(*row as usize, &columns[at].scale).map(|nanos| nanos / 1_000_000_000));
                    }
                }
            });
        }
    }
    assert!(50 < rows, "{protocol_file}: {rows} frames");
    assert!(sent.starts_with(&bytes), "{protocol_file}: the recordings together are what was sent, byte for byte");
    assert_eq!(rejected, 0, "{protocol_file}: no frame was cut in two");
    for pair in counters.windows(2) {
        assert_eq!((pair[0] + 1) % 256, pair[1] % 256, "{protocol_file}: every frame is there once");
    }
    if protocol_file != "protocols/acorn-split.toml" {
        assert!(50 < counters.len(), "{protocol_file}");
    }
}
