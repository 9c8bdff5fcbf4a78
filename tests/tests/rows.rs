//! The rows-only reading gives what the engine shows, however the bytes are cut and damaged.

use std::num::NonZero;
use std::path::PathBuf;

use model::{Batch, ByteRange, Input, InputKind, Item, Raw, Reason, SessionHeader, SessionTime};
use packwake_tests::{Dice, header, protocol, root, simulated};
use recording::Recording;
use report::CsvWriter;
use session::{Engine, RowReader};
use simulator::{Fault, FaultKind, Scene};

/// One entry of the rows, with all that is promised to be the same, and when it was known.
#[derive(Clone, PartialEq, Debug)]
struct Entry {
    what: What,
    bytes: ByteRange,
    known_at: SessionTime,
}

#[derive(Clone, PartialEq, Debug)]
enum What {
    Row { kind: u16, at: SessionTime, cells: Vec<(Option<Raw>, bool)> },
    Rejected(Reason),
}

fn entries(batch: &Batch, into: &mut Vec<Entry>) {
    for item in &batch.order {
        into.push(match *item {
            Item::Row { kind, row } => {
                let (rows, row) = (&batch.kinds[usize::from(kind)], row as usize);
                let cells = rows.columns.iter().map(|column| (column.raw(row), column.is_carried(row))).collect();
                let what = What::Row { kind, at: rows.at[row], cells };
                Entry { what, bytes: rows.bytes[row], known_at: rows.known_at[row] }
            }
            Item::Rejected(index) => {
                let rejected = &batch.rejected[index as usize];
                let what = What::Rejected(rejected.reason.clone());
                Entry { what, bytes: rejected.bytes, known_at: rejected.known_at }
            }
        });
    }
}

/// What the engine shows.
fn shown(header: &SessionHeader, inputs: &[Input]) -> Vec<Entry> {
    let mut engine = Engine::new(header.clone()).expect("the texts are sound");
    let mut all = Vec::new();
    session::replay(&mut engine, inputs.iter().cloned(), &mut |_, _| {}, &mut |batch| entries(batch, &mut all));
    all
}

/// What the reader gives; batches are taken when `take` says so.
fn read(mut reader: RowReader, inputs: &[Input], mut take: impl FnMut(&RowReader) -> bool) -> (Vec<Entry>, usize) {
    let (mut all, mut batch, mut batches) = (Vec::new(), Batch::default(), 0);
    let mut take_all = |reader: &mut RowReader| {
        while reader.take_into(&mut batch) {
            entries(&batch, &mut all);
            batches += 1;
        }
    };
    for input in inputs {
        reader.process(input);
        if take(&reader) {
            take_all(&mut reader);
        }
    }
    if !reader.ended() {
        reader.process(&Input::new(reader.now(), InputKind::End));
    }
    take_all(&mut reader);
    (all, batches)
}

/// The same entries; what was known at once says so in both, and nothing is said to be known before it came.
#[track_caller]
fn same(got: &[Entry], expected: &[Entry], about: &str) {
    for (index, (got, expected)) in got.iter().zip(expected).enumerate() {
        assert_eq!((&got.what, got.bytes), (&expected.what, expected.bytes), "{about}: entry {index}");
        if let What::Row { at, .. } = &got.what {
            assert!(*at <= got.known_at && got.known_at <= expected.known_at, "{about}: {got:?}, {expected:?}");
        }
    }
    assert_eq!(got.len(), expected.len(), "{about}: as many entries");
}

fn protocols() -> Vec<String> {
    let mut all: Vec<String> = std::fs::read_dir(root().join("protocols"))
        .expect("the folder is there")
        .map(|entry| format!("protocols/{}", entry.expect("it can be listed").file_name().to_string_lossy()))
        .collect();
    all.sort();
    all
}

/// Cuts bytes anew, loses and flips some, and puts other inputs between.
fn disturbed(inputs: &[Input], dice: &mut Dice) -> Vec<Input> {
    let mut out = Vec::new();
    let mut last = SessionTime::ZERO;
    for input in inputs {
        let InputKind::Bytes(bytes) = &input.kind else {
            out.push(input.clone());
            continue;
        };
        let mut bytes = bytes.clone();
        if dice.happens(0.03) {
            let at = dice.bits() as usize % bytes.len();
            bytes[at] ^= 1 << (dice.bits() % 8);
        }
        if dice.happens(0.02) {
            bytes.drain(..dice.bits() as usize % bytes.len());
        }
        if dice.happens(0.02) {
            bytes.extend((0..dice.bits() % 40).map(|_| dice.bits().to_le_bytes()[0]));
        }
        let mut rest = bytes.as_slice();
        while !rest.is_empty() {
            let length = if dice.happens(0.5) { rest.len() } else { 1 + dice.bits() as usize % rest.len() };
            let (piece, more) = rest.split_at(length);
            // A clock that goes back: the engine holds it.
            let back = if dice.happens(0.05) { 3_000_000 } else { 0 };
            let at = SessionTime::from_nanos(input.at.nanos.saturating_sub(back));
            let piece = piece.to_vec();
            out.push(Input::new(
                at,
                if dice.happens(0.01) { InputKind::Datagram(piece) } else { InputKind::Bytes(piece) },
            ));
            rest = more;
        }
        last = last.max(input.at);
        let between = match dice.bits() % 200 {
            0 => Some(InputKind::Lost { why: "unplugged".to_owned() }),
            1 => Some(InputKind::Opened { source: "again".to_owned() }),
            2 => Some(InputKind::Sent(vec![0x11, 0x03, 0x00, 0x6B, 0x00, 0x03, 0x76, 0x87])),
            3 => Some(InputKind::Quiet),
            _ => None,
        };
        out.extend(between.map(|kind| Input::new(last, kind)));
    }
    if dice.happens(0.3) {
        // A recording that was cut off.
        out.pop();
    }
    out
}

#[test]
fn every_shipped_recording_gives_the_same_rows() {
    let mut seen = 0;
    for entry in std::fs::read_dir(root().join("recordings")).expect("the folder is there") {
        let path: PathBuf = entry.expect("it can be listed").path();
        if path.extension().is_none_or(|ending| ending != "mcap") {
            continue;
        }
        let recording = Recording::open(&path).expect("it opens");
        let inputs: Vec<Input> = recording.inputs().collect();
        let expected = shown(recording.header(), &inputs);
        let reader = || {
            let (protocol, _) = parser::Protocol::parse(&recording.header().protocol_text);
            RowReader::new(std::sync::Arc::new(protocol.expect("it is sound")))
        };
        let about = path.display().to_string();
        let (got, _) = read(reader(), &inputs, |_| true);
        same(&got, &expected, &about);
        let (got, batches) = read(reader(), &inputs, |reader| 2_000 <= reader.waiting());
        same(&got, &expected, &about);
        assert!(batches <= 1 + expected.len() / 2_000, "{batches} batches");
        // Undamaged streams leave nothing to doubt: even the times when it was known are the engine's.
        let rows = |entries: &[Entry]| -> Vec<Entry> {
            entries.iter().filter(|entry| matches!(entry.what, What::Row { .. })).cloned().collect()
        };
        if !about.contains("damaged") {
            assert_eq!(rows(&got), rows(&expected), "{about}");
        }
        assert!(100 < rows(&got).len(), "{about}: {} rows", rows(&got).len());
        seen += 1;
    }
    assert!(5 <= seen, "{seen} recordings");
}

#[test]
fn disturbed_sessions_of_every_protocol_give_the_same_rows() {
    for (index, file) in protocols().iter().enumerate() {
        let header = header(file, "packs/acorn-24s-nmc.toml");
        let (mut rows, mut rejected) = (0, 0);
        for seed in 0..8_u64 {
            let mut dice = Dice::new(seed * 100 + index as u64);
            let faults = if seed % 2 == 0 { vec![] } else { vec![Fault::new(FaultKind::FlippedBits)] };
            let length = SessionTime::from_millis(3_000 + 4_000 * seed);
            let clean = simulated(file, &Scene::practice(seed), &faults, length);
            let inputs = if seed == 0 { clean } else { disturbed(&clean, &mut dice) };
            let expected = shown(&header, &inputs);
            let often = 1 + dice.bits() % 50;
            let (got, _) = read(RowReader::new(protocol(file)), &inputs, |_| dice.bits().is_multiple_of(often));
            same(&got, &expected, &format!("{file}, seed {seed}"));
            let is_row = |entry: &&Entry| matches!(entry.what, What::Row { .. });
            rows += got.iter().filter(is_row).count();
            rejected += got.iter().filter(|entry| !is_row(entry)).count();
        }
        // What was compared has something in it.
        assert!(100 < rows && 20 < rejected, "{file}: {rows} rows, {rejected} rejections");
    }
}

#[test]
fn a_reader_that_begins_later_counts_from_the_start_of_the_stream() {
    let file = "protocols/acorn-binary.toml";
    let inputs = simulated(file, &Scene::practice(3), &[], SessionTime::from_millis(20_000));
    let offset = 5_000_000_000;
    let (from_start, _) = read(RowReader::new(protocol(file)), &inputs, |_| true);
    let (later, _) = read(RowReader::starting_at(protocol(file), offset), &inputs, |_| true);
    let moved: Vec<Entry> = from_start
        .into_iter()
        .map(|entry| Entry {
            bytes: ByteRange { start: entry.bytes.start + offset, end: entry.bytes.end + offset },
            ..entry
        })
        .collect();
    assert!(100 < moved.len());
    assert_eq!(later, moved);
}

#[test]
fn a_table_on_any_number_of_threads_is_that_of_the_engine() {
    for (index, file) in protocols().iter().enumerate() {
        let header = header(file, "packs/acorn-24s-nmc.toml");
        let mut dice = Dice::new(index as u64);
        let clean = simulated(file, &Scene::practice(9), &[], SessionTime::from_millis(60_000));
        let inputs = disturbed(&clean, &mut dice);
        let mut engine = Engine::new(header).expect("the texts are sound");
        let mut csv = CsvWriter::new(engine.protocol().layout(), Vec::new()).expect("memory");
        let mut show = |batch: &Batch| csv.batch(batch).expect("memory");
        session::replay(&mut engine, inputs.iter().cloned(), &mut |_, _| {}, &mut show);
        let (expected_rows, expected) = (csv.rows(), csv.finish().expect("memory"));
        assert!(50 < expected_rows, "{file}: {expected_rows} rows");
        for threads in 1..=5 {
            let protocol = protocol(file);
            let mut reader = RowReader::new(std::sync::Arc::clone(&protocol));
            let mut rest = inputs.iter();
            let many = 1 + dice.bits() % 40;
            let next = |batch: &mut Batch| {
                while !reader.ended() && (reader.waiting() as u64) < many {
                    let end = Input::new(reader.now(), InputKind::End);
                    reader.process(rest.next().unwrap_or(&end));
                }
                reader.take_into(batch)
            };
            let mut out = Vec::new();
            let threads = NonZero::new(threads).expect("one or more");
            let rows = report::export(protocol.layout(), next, None, threads, &mut out).expect("memory");
            assert!(out == expected, "{file} on {threads} threads");
            assert_eq!(rows, expected_rows);
        }
    }
}
