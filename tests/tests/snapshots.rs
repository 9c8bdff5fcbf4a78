//! A session on its own thread, over a real line: what the screen is handed, and what it hands back.
#![cfg(unix)]

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use model::{Command, LineSettings, SessionTime};
use packwake_tests::{header, protocol};
use session::history::Piece;
use session::snapshot::{Link, Phase, Recording, Snapshot, needs_acknowledging};
use session::worker::{Job, Opened, Opener, Replay};
use session::{Live, Worker};
use simulator::{ByProtocol, ByteStream, Fault, FaultKind, PtyLine, Scene, Telegrams};
use transport::{SerialSource, Source};

const PROTOCOL: &str = "protocols/acorn-binary.toml";
const PACK: &str = "packs/acorn-24s-nmc.toml";

/// Waits until a snapshot is so.
fn until(worker: &Worker, what: &str, done: impl Fn(&Snapshot) -> bool) -> Arc<Snapshot> {
    for _ in 0..2000 {
        let (snapshot, _) = worker.latest();
        if done(&snapshot) {
            return snapshot;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("not within twenty seconds: {what}; {:?}", worker.latest().0.phase);
}

#[test]
fn a_live_session_is_watched_acknowledged_recorded_and_shown_again_alike() {
    let folder = tempfile::tempdir().expect("a folder");
    let record = folder.path().join("session.mcap");
    let fault = Fault { at: SessionTime::from_millis(1_000), ..Fault::new(FaultKind::SensorShort) };
    let protocol = protocol(PROTOCOL);
    let scene = Scene::practice(1).fitted_to(protocol.layout());
    let line = PtyLine::open().expect("a line");
    let running =
        line.start(ByteStream::new(Telegrams::new(&scene, &[fault], ByProtocol::new(protocol)))).expect("it starts");
    let settings = LineSettings::new(115_200);
    let source = Source::Serial(SerialSource { path: running.path().to_owned(), settings });
    let live = Live {
        source,
        header: header(PROTOCOL, PACK),
        record: Some(record.clone()),
        length: None,
        before: vec![],
        may_ask: false,
    };
    let open: Opener = Box::new(move || Ok(Opened { job: Job::Live(Box::new(live)), keep: Some(Box::new(running)) }));
    let wakes = Arc::new(AtomicU64::new(0));
    let count = Arc::clone(&wakes);
    let wake = Arc::new(move || {
        count.fetch_add(1, Ordering::Relaxed);
    });
    let worker = Worker::start(None, open, wake).expect("a thread");

    // A slow screen: it sees one snapshot in three, and still every extreme that there was.
    let mut seen: Vec<Option<Piece>> = vec![None; 24];
    let (mut numbers, mut new_alarms) = (Vec::new(), Vec::new());
    for _ in 0..8 {
        std::thread::sleep(Duration::from_millis(320));
        let (snapshot, _) = worker.latest();
        numbers.push(snapshot.number);
        new_alarms.extend(snapshot.unseen_alarms.iter().copied());
        for (seen, cell) in seen.iter_mut().zip(&snapshot.cells) {
            let join = |one: Piece, other: Piece| Piece {
                lowest: one.lowest.min(other.lowest),
                highest: one.highest.max(other.highest),
            };
            *seen = [*seen, cell.unseen].into_iter().flatten().reduce(join);
            assert_eq!(*seen, cell.so_far, "nothing between two pictures is lost");
        }
    }
    assert!(new_alarms.contains(&1), "an alarm that was raised meanwhile is told as new");
    assert!(numbers.windows(2).any(|pair| pair[0] + 1 < pair[1]), "some were skipped: {numbers:?}");

    let raised = until(&worker, "an alarm", |snapshot| !snapshot.alarms.is_empty());
    assert_eq!(raised.link, Link::Frames);
    assert!(matches!(raised.recording, Recording::On(_)), "{:?}", raised.recording);
    assert_eq!(raised.cells.len(), 24);
    assert!(raised.cells.iter().all(|cell| cell.latest.is_some() && cell.so_far.is_some()));
    assert!(raised.facts.as_ref().is_some_and(|facts| facts.practice && !facts.replay));
    worker.send(Command::Acknowledge { alarm: 1 }).expect("there is room");
    until(&worker, "the alarm is acknowledged", |snapshot| {
        snapshot.alarms.first().is_some_and(|alarm| !needs_acknowledging(alarm))
    });
    worker.end();
    let ended = until(&worker, "the end", |snapshot| snapshot.phase == Phase::Ended);
    assert_eq!(ended.recording, Recording::Finished);
    assert!(0 < wakes.load(Ordering::Relaxed));
    worker.close();

    // The same again, from the recording.
    let open: Opener = Box::new(move || {
        Ok(Opened {
            job: Job::Replay(Replay { path: record, as_it_was: false, until: None, ..Replay::default() }),
            keep: None,
        })
    });
    let again = Worker::start(None, open, Arc::new(|| {})).expect("a thread");
    let again = until(&again, "the end of the replay", |snapshot| snapshot.phase == Phase::Ended);
    assert!(again.facts.as_ref().is_some_and(|facts| facts.replay));
    assert_eq!((&again.alarms, &again.verdict, again.at), (&ended.alarms, &ended.verdict, ended.at));
    assert_eq!(again.history, ended.history, "every value came to the history live, too");
    let so_far = |snapshot: &Snapshot| snapshot.cells.iter().map(|cell| cell.so_far).collect::<Vec<_>>();
    assert_eq!(so_far(&again), so_far(&ended));
}
