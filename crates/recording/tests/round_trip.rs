//! What is recorded comes back as it was.

mod common;

use std::path::Path;
use std::time::Duration;

use common::{Disk, drain, header, read, session, write};
use model::{
    Amount, Command, HandItem, HandOutcome, HandReading, Input, InputKind, LineErrorKind, SessionHeader, SessionTime,
    Times,
};
use proptest::prelude::*;
use recording::{Recording, Writer};

fn command() -> impl Strategy<Value = Command> {
    let length = (any::<u64>(), 0..1_000_000_000_u32).prop_map(|(seconds, nanos)| Duration::new(seconds, nanos));
    prop_oneof![
        any::<u32>().prop_map(|alarm| Command::Acknowledge { alarm }),
        (any::<u32>(), length).prop_map(|(alarm, length)| Command::Shelve { alarm, length }),
        any::<String>().prop_map(|text| Command::Mark { text }),
        reading().prop_map(Command::Reading),
    ]
}

/// A reading of any item, with or without a value that it can have.
fn reading() -> impl Strategy<Value = HandReading> {
    let item = (0..HandItem::COUNT).prop_map(|index| HandItem::all().nth(index).expect("it is one of them"));
    let outcome = prop_oneof![Just(HandOutcome::Passed), Just(HandOutcome::Failed), Just(HandOutcome::NotDone)];
    let words = (any::<String>(), prop_oneof![Just(String::new()), any::<String>()]);
    let value = prop::option::of((any::<prop::sample::Index>(), any::<i64>()));
    (item, outcome, value, words, prop_oneof![Just(0), any::<u32>()]).prop_map(
        |(item, outcome, value, (instrument, remark), age_seconds)| {
            let of = item.dimensions();
            let value = value.filter(|_| !of.is_empty());
            let value = value.map(|(index, nanos)| Amount { dimension: *index.get(of), nanos });
            HandReading { item, outcome, value, instrument, remark, age_seconds }
        },
    )
}

fn kind() -> impl Strategy<Value = InputKind> {
    let bytes = || prop::collection::vec(any::<u8>(), 0..300);
    let line_error = prop_oneof![
        Just(LineErrorKind::Parity),
        Just(LineErrorKind::Framing),
        Just(LineErrorKind::Overrun),
        Just(LineErrorKind::Break),
    ];
    prop_oneof![
        any::<String>().prop_map(|source| InputKind::Opened { source }),
        bytes().prop_map(InputKind::Bytes),
        bytes().prop_map(InputKind::Datagram),
        bytes().prop_map(InputKind::Sent),
        any::<String>().prop_map(|why| InputKind::Lost { why }),
        (line_error, any::<u32>()).prop_map(|(kind, count)| InputKind::LineError { kind, count }),
        any::<i64>().prop_map(|by_nanos| InputKind::ClockStep { by_nanos }),
        command().prop_map(InputKind::Command),
        Just(InputKind::Quiet),
    ]
}

fn any_header() -> impl Strategy<Value = SessionHeader> {
    let texts = (any::<String>(), any::<String>(), any::<String>(), any::<String>(), any::<String>());
    (texts, any::<bool>(), any::<bool>(), any::<Option<i64>>()).prop_map(
        |((protocol_text, pack_text, source, tool_version, host), practice, measured, started_utc_nanos)| {
            SessionHeader {
                protocol_text,
                pack_text,
                source,
                practice,
                times: if measured { Times::Measured } else { Times::Assumed },
                started_utc_nanos,
                tool_version,
                host,
            }
        },
    )
}

proptest! {
    #[test]
    fn every_input_comes_back(
        header in any_header(),
        steps in prop::collection::vec((kind(), prop_oneof![0..60_000_000_u64, any::<u64>()], 0..8_u8), 0..80),
    ) {
        let disk = Disk::default();
        let mut writer = Writer::on(disk.clone(), &header).expect("a recording");
        let mut recorded = Vec::new();
        let mut at = 0_u64;
        for (kind, step, flush) in steps {
            at = at.saturating_add(step);
            let number = recorded.len() as u64;
            let input = Input { number, at: SessionTime::from_nanos(at), kind };
            writer.append(&input).expect("room");
            if input.kind != InputKind::Quiet {
                recorded.push(input);
            }
            if flush == 0 {
                writer.flush().expect("room");
            }
        }
        let end = Input { number: recorded.len() as u64, at: SessionTime::from_nanos(at), kind: InputKind::End };
        writer.append(&end).expect("room");
        recorded.push(end);
        writer.finish().expect("room");

        let recording = Recording::from_bytes(Path::new("in memory"), disk.bytes()).expect("a recording");
        prop_assert_eq!(recording.header(), &header);
        let got = drain(&recording);
        prop_assert_eq!(got.inputs, recorded);
        prop_assert_eq!(got.damage, vec![]);
        prop_assert!(got.complete);
    }
}

#[test]
fn several_readers_of_one_file_do_not_disturb_each_other() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("first-power-up.mcap");
    let inputs = session(3000);
    let mut writer = Writer::create(&path, &header()).unwrap();
    inputs.iter().for_each(|input| writer.append(input).unwrap());
    writer.finish().unwrap();

    let recording = Recording::open(&path).unwrap();
    let (mut a, mut b) = (recording.inputs(), recording.inputs_ahead());
    for input in &inputs {
        assert_eq!(a.next().as_ref(), Some(input));
        assert_eq!(b.next().as_ref(), Some(input));
        assert!(a.position_bytes() <= recording.len_bytes());
    }
    assert!(a.next().is_none() && b.next().is_none());
    assert_eq!(a.position_bytes(), recording.len_bytes());
}

/// The `mcap` crate's own reader, which checks what <https://mcap.dev/spec> demands, sees a sound file.
#[test]
fn another_reader_of_the_container_understands_it() {
    let inputs = session(100);
    let written = write(&inputs, 20);
    let mut payload_bytes = 0;
    let mut messages = 0;
    for message in mcap::MessageStream::new(&written.bytes).unwrap() {
        let message = message.unwrap();
        if message.channel.topic == "session" {
            let value: serde_json::Value = serde_json::from_slice(&message.data).unwrap();
            assert_eq!(value["pack.toml"], header().pack_text);
            continue;
        }
        assert_eq!(message.channel.topic, "inputs");
        let schema = message.channel.schema.as_ref().unwrap();
        assert!(std::str::from_utf8(&schema.data).unwrap().contains("number: from 0"));
        payload_bytes += message.data.len();
        messages += 1;
    }
    // 50 ms apart: two inputs share a message, the third is 100 ms after the first.
    assert_eq!(messages, 50);
    assert!(100 * 21 < payload_bytes);

    let summary = mcap::Summary::read(&written.bytes).unwrap().unwrap();
    assert_eq!(summary.chunk_indexes.len(), 6);
    let names: Vec<&str> = summary.attachment_indexes.iter().map(|index| index.name.as_str()).collect();
    assert_eq!(names, ["protocol.toml", "pack.toml"]);
    assert_eq!(summary.metadata_indexes.len(), 1);
}

#[test]
fn a_rewritten_container_with_indexes_is_read_too() {
    let inputs = session(60);
    let written = write(&inputs, 20);
    let mut copy = std::io::Cursor::new(Vec::new());
    // With message indexes, attachments and metadata at the end, another chunk size.
    let mut other = mcap::WriteOptions::new().chunk_size(Some(500)).create(&mut copy).unwrap();
    for message in mcap::MessageStream::new(&written.bytes).unwrap() {
        other.write(&message.unwrap()).unwrap();
    }
    other.finish().unwrap();
    drop(other);
    let got = read(&copy.into_inner());
    assert_eq!(got.inputs, inputs);
    assert_eq!(got.damage, []);
    assert!(got.complete);
}

#[test]
fn it_can_be_handed_to_another_thread() {
    fn check<T: Send>() {}
    check::<Writer>();
    check::<Recording>();
    check::<recording::Inputs>();
}
