//! Cut, flipped, spliced and hostile files: what is sound comes back, what is lost is said, nothing panics.

mod common;

use std::path::Path;

use common::{Got, Noise, drain, drain_one, header, read, session, write};
use model::{Input, InputKind};
use proptest::prelude::*;
use recording::{DamageReason, Inputs, OpenError, Recording};

const EVERY: usize = 12;

fn open(bytes: Vec<u8>) -> Result<Got, OpenError> {
    let recording = Recording::from_bytes(Path::new("in memory"), bytes)?;
    assert_eq!(recording.header(), &header());
    Ok(drain(&recording))
}

/// The same without reading ahead.
fn open_asked(bytes: Vec<u8>) -> Result<Got, OpenError> {
    let recording = Recording::from_bytes(Path::new("in memory"), bytes)?;
    Ok(drain_one(recording.inputs(), Inputs::next))
}

#[test]
fn cut_at_every_byte_every_complete_chunk_returns() {
    let inputs = session(120);
    let written = write(&inputs, EVERY);
    let header_len = written.safe[0].0;
    let mut before = 0;
    for len in 0..=written.bytes.len() {
        let got = match open(written.bytes[..len].to_vec()) {
            Ok(got) => got,
            Err(_) if len < header_len => continue,
            Err(error) => panic!("cut at {len}: {error}"),
        };
        let safe = written.safe.iter().rfind(|(at, _)| *at <= len).map_or(0, |(_, count)| *count);
        assert_eq!(got.inputs, inputs[..safe], "cut at {len}");
        assert!(before <= got.inputs.len());
        before = got.inputs.len();
        assert_eq!(got.complete, safe == inputs.len());
        let clean = written.safe.iter().any(|(at, _)| *at == len);
        if got.complete {
            // In the summary, where nothing is left to lose.
            assert_eq!(got.lost(), Some(0), "cut at {len}");
        } else if !clean && header_len < len {
            let [damage] = &got.damage[..] else { panic!("cut at {len}: {:?}", got.damage) };
            assert_eq!((damage.bytes.end, damage.inputs_lost), (len as u64, None));
            assert_eq!(damage.reason, DamageReason::Cut, "cut at {len}");
        }
    }
    assert_eq!(before, inputs.len());
}

#[test]
fn a_flipped_bit_costs_its_own_chunk_and_no_more() {
    let inputs = session(96);
    let written = write(&inputs, EVERY);
    let mut costly = 0;
    for bit in 0..written.bytes.len() * 8 {
        let mut bytes = written.bytes.clone();
        bytes[bit / 8] ^= 1 << (bit % 8);
        // A thread for each bit would take most of a minute: nearly each byte gets one, at one of its bits.
        let got = if bit % 9 == 0 { open(bytes) } else { open_asked(bytes) };
        let got = got.unwrap_or_else(|error| panic!("bit {bit}: {error}"));

        let chunk = written.safe.partition_point(|(at, _)| *at <= bit / 8);
        let in_chunk = 0 < chunk && chunk < written.safe.len();
        if got.inputs == inputs {
            assert_eq!(got.lost().unwrap_or(0), 0, "bit {bit}");
            assert!(got.complete);
            continue;
        }
        costly += 1;
        assert!(in_chunk, "bit {bit} is in no chunk of inputs");
        let (start, end) = (written.safe[chunk - 1], written.safe[chunk]);
        let kept: Vec<Input> = [&inputs[..start.1], &inputs[end.1..]].concat();
        assert_eq!(got.inputs, kept, "bit {bit}: exactly the damaged chunk is lost");
        let [damage] = &got.damage[..] else { panic!("bit {bit}: {:?}", got.damage) };
        assert_eq!(damage.bytes, start.0 as u64..end.0 as u64, "bit {bit}");
        let last = end.1 == inputs.len();
        assert_eq!(damage.inputs_lost, (!last).then_some(EVERY as u64), "bit {bit}");
        assert_eq!(got.complete, !last);
    }
    assert!(written.bytes.len() < costly, "only {costly} flips were noticed");
}

#[test]
fn bytes_after_the_end_change_nothing() {
    let inputs = session(48);
    let written = write(&inputs, EVERY);
    for tail in [vec![0; 4096], Noise(5).bytes(4096), written.bytes.clone()] {
        let got = read(&[&written.bytes[..], &tail].concat());
        assert_eq!(got.inputs, inputs);
        assert!(got.complete);
        let [damage] = &got.damage[..] else { panic!("{:?}", got.damage) };
        assert_eq!((&damage.reason, damage.inputs_lost), (&DamageReason::AfterEnd, Some(0)));

        // The same after a kill, where a file system filled up the last block.
        let (len, count) = written.safe[2];
        let got = read(&[&written.bytes[..len], &vec![0; 4096]].concat());
        assert_eq!(got.inputs, inputs[..count]);
        assert!(!got.complete);
        let [damage] = &got.damage[..] else { panic!("{:?}", got.damage) };
        assert_eq!((damage.bytes.clone(), damage.inputs_lost), (len as u64..len as u64 + 4096, None));
    }
}

#[test]
fn a_missing_chunk_is_seen_by_the_numbers() {
    let inputs = session(48);
    let written = write(&inputs, EVERY);
    let [_, (a, _), (b, _), ..] = written.safe[..] else { panic!("four chunks") };
    let got = read(&[&written.bytes[..a], &written.bytes[b..]].concat());
    assert_eq!(got.inputs, [&inputs[..12], &inputs[24..]].concat());
    let [damage] = &got.damage[..] else { panic!("{:?}", got.damage) };
    assert_eq!((&damage.reason, damage.inputs_lost), (&DamageReason::NumbersMissing, Some(12)));

    let got = read(&[&written.bytes[..b], &written.bytes[a..]].concat());
    assert_eq!(got.inputs.len(), 60);
    assert_eq!(got.damage.iter().map(|damage| &damage.reason).collect::<Vec<_>>(), [&DamageReason::NumbersGoBack]);
}

#[derive(Clone, Debug)]
enum Change {
    Remove(usize, usize),
    Insert(usize, Vec<u8>),
    Overwrite(usize, Vec<u8>),
    Repeat(usize, usize),
}

fn change() -> impl Strategy<Value = Change> {
    let place = || 0..10_000_usize;
    let junk = || prop_oneof![prop::collection::vec(any::<u8>(), 1..200), (1..3000_usize).prop_map(|len| vec![0; len])];
    prop_oneof![
        (place(), 1..2000_usize).prop_map(|(at, len)| Change::Remove(at, len)),
        (place(), junk()).prop_map(|(at, junk)| Change::Insert(at, junk)),
        (place(), junk()).prop_map(|(at, junk)| Change::Overwrite(at, junk)),
        (place(), 1..4000_usize).prop_map(|(at, len)| Change::Repeat(at, len)),
    ]
}

fn apply(bytes: &mut Vec<u8>, change: Change) {
    match change {
        Change::Remove(at, len) => {
            let at = at.min(bytes.len());
            bytes.drain(at..(at + len).min(bytes.len()));
        }
        Change::Insert(at, junk) => {
            let at = at.min(bytes.len());
            bytes.splice(at..at, junk);
        }
        Change::Overwrite(at, junk) => bytes.iter_mut().skip(at).zip(junk).for_each(|(byte, junk)| *byte = junk),
        Change::Repeat(at, len) => {
            let at = at.min(bytes.len());
            let part = bytes[at..(at + len).min(bytes.len())].to_vec();
            bytes.splice(at..at, part);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn whatever_happens_to_a_file_nothing_is_invented(changes in prop::collection::vec(change(), 1..4)) {
        let inputs = session(96);
        let written = write(&inputs, EVERY);
        let mut bytes = written.bytes.clone();
        changes.into_iter().for_each(|change| apply(&mut bytes, change));
        if let Ok(recording) = Recording::from_bytes(Path::new("in memory"), bytes) {
            prop_assert_eq!(recording.header(), &header());
            let got = drain(&recording);
            for input in &got.inputs {
                prop_assert_eq!(inputs.get(input.number as usize), Some(input));
            }
            if got.inputs != inputs {
                prop_assert!(!got.damage.is_empty() || !got.complete);
            }
        }
    }

    #[test]
    fn garbage_is_no_recording(junk in prop::collection::vec(any::<u8>(), 0..3000)) {
        let open = |bytes: Vec<u8>| Recording::from_bytes(Path::new("in memory"), bytes);
        prop_assert!(open(junk.clone()).is_err());
        prop_assert!(open([mcap::MAGIC, &junk].concat()).is_err());
    }

    #[test]
    fn garbage_after_the_header_is_damage(junk in prop::collection::vec(any::<u8>(), 1..3000)) {
        let written = write(&session(12), 12);
        let got = read(&[&written.bytes[..written.safe[0].0], &junk].concat());
        prop_assert!(got.inputs.is_empty() && !got.complete);
        prop_assert_eq!(got.damage.len(), 1);
        prop_assert_eq!(got.lost(), None);
    }
}

/// A file as this program writes it, with something between the header and the inputs.
fn with_inserted(inserted: &[u8]) -> (Vec<Input>, Got) {
    let inputs = session(24);
    let written = write(&inputs, EVERY);
    let (head, tail) = written.bytes.split_at(written.safe[0].0);
    (inputs, read(&[head, inserted, tail].concat()))
}

fn record(opcode: u8, len: u64, body: &[u8]) -> Vec<u8> {
    [&[opcode][..], &len.to_le_bytes(), body].concat()
}

fn chunk_with(unpacked: u64, packed: u64, record_len: Option<u64>, crc: u32, data: &[u8]) -> Vec<u8> {
    let body =
        [&[0; 16][..], &unpacked.to_le_bytes(), &crc.to_le_bytes(), b"\x04\0\0\0zstd", &packed.to_le_bytes(), data]
            .concat();
    record(6, record_len.unwrap_or(body.len() as u64), &body)
}

fn chunk(records: &[u8]) -> Vec<u8> {
    let data = zstd::bulk::compress(records, 3).expect("packed");
    chunk_with(records.len() as u64, data.len() as u64, None, crc32fast::hash(records), &data)
}

fn message(channel: u16, payload: &[u8]) -> Vec<u8> {
    let body = [&channel.to_le_bytes()[..], &[0; 20], payload].concat();
    record(5, body.len() as u64, &body)
}

#[test]
fn huge_lengths_are_not_believed() {
    let bomb = zstd::bulk::compress(&vec![0; 200 << 20], 3).unwrap();
    let bomb_len = bomb.len() as u64;
    let limit = 32 << 20;
    for (what, inserted) in [
        ("endless record", record(6, u64::MAX, &[])),
        ("petabytes", record(6, 361 << 50, &[0; 100])),
        ("endless attachment", record(9, u64::MAX, &[0; 100])),
        ("endless index", record(7, 1 << 40, &[0; 100])),
        ("endless metadata text", record(12, 8, b"\xFF\xFF\xFF\xFF1234")),
        ("short attachment", record(9, 2, &[0; 2])),
        ("chunk that claims all", chunk_with(u64::MAX, u64::MAX, Some(u64::MAX), 0, &[])),
        ("unpacks to all", chunk_with(u64::MAX, 4, None, 0, &[0; 4])),
        ("packed to all", chunk_with(4, u64::MAX, None, 0, &[0; 4])),
        ("more than it says", chunk_with(limit, bomb_len, None, 0, &bomb)),
        ("more than allowed", chunk_with(200 << 20, bomb_len, None, 0, &bomb)),
        ("just above the limit", chunk_with(limit + 1, 4, None, 0, &[0; 4])),
        ("less than it says", chunk_with(1000, 4, None, 0, &zstd::bulk::compress(b"", 3).unwrap()[..4])),
    ] {
        let (inputs, got) = with_inserted(&inserted);
        assert_eq!(got.inputs, inputs, "{what}");
        assert!(got.complete);
        assert_eq!((got.damage.len(), got.lost()), (1, Some(0)), "{what}: {:?}", got.damage);
    }
}

#[test]
fn a_hostile_chunk_with_a_right_checksum_is_damage() {
    let input = |number: u64, kind: u8, len: u32, body: &[u8]| {
        [&number.to_le_bytes()[..], &[0; 8], &[kind], &len.to_le_bytes(), body].concat()
    };
    for (what, records, reason) in [
        ("record too long", record(5, u64::MAX, &[0; 50]), DamageReason::WrongContent("a record in a chunk")),
        ("no full record", vec![5, 1], DamageReason::WrongContent("a record in a chunk")),
        ("message too short", record(5, 3, &[1, 0, 0]), DamageReason::WrongContent("a record in a chunk")),
        ("empty message", message(1, &[]), DamageReason::WrongContent("a message")),
        ("later layout", message(1, &[2, 9, 9]), DamageReason::UnknownVersion(2)),
        ("half an input", message(1, &[1, 9, 9]), DamageReason::WrongContent("the length of an input")),
        (
            "endless input",
            message(1, &[&[1][..], &input(0, 1, u32::MAX, &[7; 9])].concat()),
            DamageReason::WrongContent("the length of an input"),
        ),
        ("later kind", message(1, &[&[1][..], &input(0, 200, 3, &[7; 3])].concat()), DamageReason::UnknownKind(200)),
        (
            "not text",
            message(1, &[&[1][..], &input(0, 0, 2, &[0xFF, 0xFE])].concat()),
            DamageReason::WrongContent("the text of an input"),
        ),
    ] {
        let (inputs, got) = with_inserted(&chunk(&records));
        assert_eq!(got.inputs, inputs, "{what}");
        let [damage] = &got.damage[..] else { panic!("{what}: {:?}", got.damage) };
        assert_eq!((&damage.reason, damage.inputs_lost), (&reason, Some(0)), "{what}");
    }
    // What is sound around a bad input still counts, and the bad one counts as lost.
    let payload = [&[1][..], &input(0, 1, 1, &[7]), &input(1, 200, 1, &[7]), &input(2, 8, 0, &[])].concat();
    let written = write(&session(12), 12);
    let got = read(&[&written.bytes[..written.safe[0].0], &chunk(&message(1, &payload))].concat());
    assert_eq!(got.inputs.iter().map(|input| input.number).collect::<Vec<_>>(), [0, 2]);
    assert_eq!(got.inputs[1].kind, InputKind::End);
    assert_eq!((got.damage.len(), got.lost()), (1, Some(1)));
}

/// Each place looks like a record, and none is. Without a bound this would take hours.
#[test]
fn a_file_full_of_false_starts_is_given_up_in_bounded_time() {
    let body_len = 4_u64 << 20;
    let head = &chunk_with(32 << 20, body_len - 44, Some(body_len), 1, &[])[..];
    let end = record(15, 4, &[0; 4]);
    let sound_but_empty = chunk(&[]);
    for tile in [head.to_vec(), end.clone(), [&end[..], &[15]].concat(), [&sound_but_empty[..], &[0]].concat()] {
        let inserted = tile.repeat((6 << 20) / tile.len());
        let (_, got) = with_inserted(&inserted);
        assert!(!got.damage.is_empty());
        assert!(got.damage.len() <= 1000);
    }
    // Each unpacks to the limit and then has the wrong checksum.
    let bomb = zstd::bulk::compress(&vec![0; 32 << 20], 3).expect("packed");
    let tile = chunk_with(32 << 20, bomb.len() as u64, None, 1, &bomb);
    let (_, got) = with_inserted(&tile.repeat(2000));
    assert_eq!(got.damage.iter().map(|damage| &damage.reason).collect::<Vec<_>>(), [&DamageReason::SearchGivenUp]);
    assert_eq!(got.lost(), None);
}

#[test]
fn a_later_format_is_named() {
    let written = write(&session(12), 12);
    let copy = br#"{"format":"2","protocol.toml":"","pack.toml":""}"#;
    let bytes = [&written.bytes[..50], &chunk(&message(2, copy))].concat();
    let error = open(bytes).expect_err("a later format");
    assert!(matches!(&error, OpenError::Newer { format, .. } if format == "2"), "{error}");
}
