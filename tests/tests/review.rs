//! A recording that is opened to be looked at has the values that a replay shows, whole and in any part.

use std::ops::Range;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use model::{Channel, Input, Quantity, SessionTime};
use packwake_tests::{header, root, simulated};
use recording::{Recording, Writer};
use session::review::{Loaded, Review};
use session::{Engine, replay};
use simulator::{Act, Scene, Step};

fn wait(review: &Review, until: impl Fn(&Loaded) -> bool) -> Arc<Loaded> {
    for _ in 0..6_000 {
        let loaded = review.latest();
        if until(&loaded) {
            return loaded;
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    panic!("not within half a minute: {:?}", review.latest());
}

fn open(path: &Path) -> (Review, Arc<Loaded>) {
    let review = Review::open(path.to_owned(), None, Arc::new(|| {})).expect("a thread");
    let loaded = wait(&review, |loaded| loaded.done);
    (review, loaded)
}

/// What a replay shows of a channel: each time with its value, or `None` where it is absent.
fn rows(path: &Path, channel: Channel) -> Vec<(SessionTime, Option<i64>)> {
    let recording = Recording::open(path).expect("a recording");
    let mut engine = Engine::new(recording.header().clone()).expect("usable");
    let layout = engine.protocol().layout().clone();
    let mut rows = Vec::new();
    replay(&mut engine, recording.inputs(), &mut |_, _| {}, &mut |batch| {
        for (rows_of, kind) in batch.kinds.iter().zip(&layout.kinds) {
            for (column, about) in rows_of.columns.iter().zip(&kind.columns) {
                if about.channel == channel {
                    let values = rows_of.at.iter().enumerate();
                    rows.extend(values.map(|(row, at)| (*at, column.nanos(row, &about.scale))));
                }
            }
        }
    });
    rows
}

fn holds(loaded: &Loaded, rows: &[(SessionTime, Option<i64>)], channel: Channel, range: Range<SessionTime>) {
    let tracks = loaded.tracks_for(&range).expect("tracks");
    for (at, value) in rows.iter().filter(|(at, _)| range.contains(at)) {
        let Some(value) = value else { continue };
        let known = tracks.at(channel, *at).unwrap_or_else(|| panic!("{channel} at {at} is not known"));
        assert_eq!((known.at, known.rows, known.piece.lowest, known.piece.highest), (*at, 1, *value, *value), "{at}");
        assert!(!known.bytes.is_empty());
    }
    for width in [1, 7, 700] {
        let bars = &tracks.bars(&[channel], range.clone(), width)[0];
        for (at, value) in rows.iter().filter(|(at, _)| range.contains(at)) {
            let Some(value) = value else { continue };
            let bar = bars.iter().find(|bar| bar.from <= *at && *at <= bar.to);
            let inside = bar.is_some_and(|bar| bar.piece.lowest <= *value && *value <= bar.piece.highest);
            assert!(inside, "{channel} at {at}: {value} is drawn away");
        }
    }
}

#[test]
fn every_shipped_recording_shows_what_a_replay_shows() {
    let mut seen = 0;
    for entry in std::fs::read_dir(root().join("recordings")).expect("the folder") {
        let path = entry.expect("an entry").path();
        if path.extension().is_none_or(|ext| ext != "mcap") {
            continue;
        }
        let (_review, loaded) = open(&path);
        assert!(loaded.failure.is_none() && loaded.damage.is_empty(), "{}: {:?}", path.display(), loaded.damage);
        let tracks = loaded.tracks.as_ref().expect("tracks");
        assert!(tracks.is_exact());
        for channel in tracks.channels() {
            let rows = rows(&path, channel);
            assert!(!rows.is_empty(), "{}: {channel}", path.display());
            // One message told twice at the same time counts by its last row.
            let mut last = rows.clone();
            last.dedup_by(|next, kept| {
                let same = next.0 == kept.0;
                if same {
                    *kept = *next;
                }
                same
            });
            holds(&loaded, &last, channel, SessionTime::ZERO..tracks.last_at() + Duration::from_nanos(1));
        }
        seen += 1;
    }
    assert!(5 <= seen, "{seen}");
}

#[test]
fn a_part_of_a_long_recording_is_read_again_row_by_row() {
    const SECONDS: u64 = 5_400;
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("long.mcap");
    let (protocol, pack) = ("protocols/acorn-binary.toml", "packs/acorn-24s-nmc.toml");
    let mut scene = Scene::practice(3);
    scene.steps.retain(|step| step.at < SessionTime::from_millis(14_000));
    for minute in 0..SECONDS / 60 {
        scene.steps.push(Step { at: SessionTime::from_millis(minute * 60_000 + 20_000), act: Act::Load(40.0) });
        scene.steps.push(Step { at: SessionTime::from_millis(minute * 60_000 + 30_000), act: Act::Load(2.0) });
    }
    let mut writer = Writer::create(&path, &header(protocol, pack)).expect("a new file");
    let inputs = simulated(protocol, &scene, &[], SessionTime::from_millis(SECONDS * 1_000));
    for (number, input) in (0..).zip(inputs) {
        if number % 4_000 == 0 {
            writer.flush().expect("it is written");
        }
        writer.append(&Input { number, ..input }).expect("it is written");
    }
    writer.finish().expect("it is written");

    let (mut review, loaded) = open(&path);
    let tracks = loaded.tracks.as_ref().expect("tracks");
    assert!(!tracks.is_exact(), "{} rows", tracks.rows());
    let channel = Channel::at(Quantity::CellVoltage, 7);
    let rows = rows(&path, channel);
    // The whole keeps the lowest and the highest of all.
    let whole = SessionTime::ZERO..tracks.last_at() + Duration::from_nanos(1);
    let bars = &tracks.bars(&[channel], whole.clone(), 700)[0];
    let values = || rows.iter().filter_map(|(_, value)| *value);
    assert_eq!(bars.iter().map(|bar| bar.piece.lowest).min(), values().min());
    assert_eq!(bars.iter().map(|bar| bar.piece.highest).max(), values().max());
    for (from, to) in [(0, 4_000), (3_599_000, 3_605_000), (5_390_000, 5_399_500)] {
        let range = SessionTime::from_millis(from)..SessionTime::from_millis(to);
        review.ask(range.clone());
        let covers = |loaded: &Loaded| {
            loaded.part.as_ref().is_some_and(|part| part.range.start <= range.start && range.end <= part.range.end)
        };
        let loaded = wait(&review, covers);
        assert!(loaded.tracks_for(&range).is_some_and(|tracks| tracks.is_exact()));
        holds(&loaded, &rows, channel, range.clone());
        // The frame of a value lies where the whole stream has it.
        let part = loaded.tracks_for(&range).expect("the part");
        let middle = SessionTime::from_millis((from + to) / 2);
        let (known, joined) = (part.at(channel, middle).expect("a row"), tracks.at(channel, middle).expect("a block"));
        assert!(joined.bytes.start <= known.bytes.start && known.bytes.end <= joined.bytes.end, "{known:?} {joined:?}");
    }
}

#[test]
fn what_can_not_be_shown_says_why() {
    let folder = tempfile::tempdir().expect("a folder");
    let (_review, loaded) = open(&folder.path().join("nowhere.mcap"));
    assert!(loaded.failure.as_ref().is_some_and(|failure| failure.text.contains("no file")), "{loaded:?}");

    let whole = std::fs::read(root().join("recordings/acorn-weak-cell.mcap")).expect("it is there");
    let cut = folder.path().join("cut.mcap");
    std::fs::write(&cut, &whole[..whole.len() / 2]).expect("written");
    let (_review, loaded) = open(&cut);
    assert!(loaded.failure.is_none() && !loaded.damage.is_empty(), "{:?}", loaded.damage);
    assert!(loaded.tracks.as_ref().is_some_and(|tracks| 100 < tracks.rows()));
}
