//! What the writer does with files, with disks that fail, and when it is not finished.

mod common;

use std::fs;

use common::{Disk, drain, header, read, record_to, session, write};
use model::{Input, InputKind, SessionTime};
use recording::{OpenError, Recording, WriteError, Writer, is_recording};

#[test]
fn an_existing_file_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("yesterday.mcap");
    fs::write(&path, "precious").unwrap();
    let error = Writer::create(&path, &header()).unwrap_err();
    assert!(matches!(error, WriteError::Exists { .. }), "{error}");
    assert!(error.hint().is_some());
    assert_eq!(fs::read(&path).unwrap(), b"precious");
}

#[test]
fn a_folder_that_is_not_there_is_an_error_with_a_hint() {
    let folder = tempfile::tempdir().unwrap();
    let error = Writer::create(&folder.path().join("no/such.mcap"), &header()).unwrap_err();
    assert!(matches!(error, WriteError::Create { .. }), "{error}");
    assert_eq!(error.hint(), Some("make the folder first"));
}

#[test]
fn a_header_that_no_reader_takes_leaves_no_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.mcap");
    let mut large = header();
    large.protocol_text = "x".repeat((1 << 20) + 1);
    assert!(matches!(Writer::create(&path, &large), Err(WriteError::TooLarge { what: "protocol text", .. })));
    assert!(!path.exists());

    // The largest one, in characters that take most room in the copy.
    large.protocol_text = "\u{1}".repeat(1 << 20);
    large.pack_text = "\u{1}".repeat(1 << 20);
    Writer::create(&path, &large).unwrap();
    let mut bytes = fs::read(&path).unwrap();
    assert_eq!(Recording::open(&path).unwrap().header(), &large);
    bytes[200] ^= 1;
    fs::write(&path, bytes).unwrap();
    assert_eq!(Recording::open(&path).unwrap().header(), &large);
}

#[test]
fn a_killed_recorder_leaves_everything_up_to_the_last_flush() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("killed.mcap");
    let inputs = session(100);
    let mut writer = Writer::create(&path, &header()).unwrap();

    // Before the first input: the file explains itself already.
    let recording = Recording::open(&path).unwrap();
    assert_eq!(recording.header(), &header());
    let got = drain(&recording);
    assert!(got.inputs.is_empty() && got.damage.is_empty() && !got.complete);

    inputs[..70].iter().for_each(|input| writer.append(input).unwrap());
    writer.flush().unwrap();
    inputs[70..90].iter().for_each(|input| writer.append(input).unwrap());
    std::mem::forget(writer); // As after a kill: no drop.

    let got = drain(&Recording::open(&path).unwrap());
    assert_eq!(got.inputs, inputs[..70]);
    assert_eq!(got.damage, []);
    assert!(!got.complete, "the end was not recorded");
}

#[test]
fn a_dropped_writer_puts_down_what_it_holds() {
    let disk = Disk::default();
    let inputs = session(10);
    let mut writer = Writer::on(disk.clone(), &header()).unwrap();
    inputs.iter().for_each(|input| writer.append(input).unwrap());
    drop(writer);
    assert_eq!(read(&disk.bytes()).inputs, inputs);
}

#[test]
fn a_full_disk_is_an_error_for_ever_and_never_a_panic() {
    let inputs = session(120);
    let good = write(&inputs, 12);
    let header_len = good.safe[0].0;
    for room in 0..good.bytes.len() {
        let disk = Disk::with_room(room);
        let (writer, result) = record_to(&disk, &inputs, 12);
        let first = result.expect_err("there is no room").to_string();
        assert_eq!(writer.is_some(), header_len <= room && room < good.safe[10].0, "room {room}");
        if let Some(mut writer) = writer {
            let again: Vec<WriteError> =
                [writer.append(&inputs[0]), writer.flush(), writer.append(&inputs[1]), writer.finish()]
                    .into_iter()
                    .map(Result::unwrap_err)
                    .collect();
            for error in again {
                assert_eq!(error.to_string(), first);
                assert!(error.hint().is_some_and(|hint| hint.contains("full")), "{error:?}");
            }
        }
        assert_eq!(disk.calls_after_failure(), 0, "room {room}: after a failure nothing reaches the disk");
        assert_eq!(disk.bytes(), good.bytes[..room]);
        if header_len <= room {
            let safe = good.safe.iter().rfind(|(len, _)| *len <= room).unwrap().1;
            assert_eq!(read(&disk.bytes()).inputs, inputs[..safe], "room {room}");
        }
    }
}

#[test]
fn a_failed_sync_is_an_error_for_ever() {
    let inputs = session(48);
    for syncs in 0..6 {
        let disk = Disk::with_syncs(syncs);
        let (writer, result) = record_to(&disk, &inputs, 12);
        assert!(matches!(result, Err(WriteError::Write { .. })), "{syncs} syncs: {result:?}");
        if let Some(mut writer) = writer {
            assert!(writer.append(&inputs[0]).is_err() && writer.flush().is_err() && writer.finish().is_err());
        }
        assert_eq!(disk.calls_after_failure(), 0);
    }
    assert!(record_to(&Disk::with_syncs(6), &inputs, 12).1.is_ok());
}

#[test]
fn one_input_that_is_too_large_is_missed_and_the_recording_goes_on() {
    let disk = Disk::default();
    let mut writer = Writer::on(disk.clone(), &header()).unwrap();
    let input = |number, kind| Input { number, at: SessionTime::ZERO, kind };
    let largest = input(0, InputKind::Bytes(vec![7; 16 << 20]));
    writer.append(&largest).unwrap();
    let error = writer.append(&input(1, InputKind::Bytes(vec![7; (16 << 20) + 1]))).unwrap_err();
    assert!(matches!(error, WriteError::TooLarge { .. }), "{error}");
    writer.append(&input(2, InputKind::End)).unwrap();
    writer.finish().unwrap();
    let got = read(&disk.bytes());
    assert_eq!(got.inputs, [largest, input(2, InputKind::End)]);
    assert_eq!((got.damage.len(), got.lost()), (1, Some(1)));
}

#[test]
fn an_idle_flush_writes_nothing() {
    let disk = Disk::default();
    let mut writer = Writer::on(disk.clone(), &header()).unwrap();
    let before = disk.bytes().len();
    writer.append(&Input::new(SessionTime::from_millis(50), InputKind::Quiet)).unwrap();
    writer.flush().unwrap();
    writer.flush().unwrap();
    assert_eq!(disk.bytes().len(), before);
}

#[test]
fn other_files_are_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("raw.bin");
    for content in [&b""[..], b"\x89MCAP", b"\xAA\x03\x10\x68", b"name = \"seed line\""] {
        fs::write(&path, content).unwrap();
        assert!(!is_recording(&path).unwrap());
        let error = Recording::open(&path).unwrap_err();
        assert!(matches!(error, OpenError::NotARecording { .. }), "{error}");
        assert_eq!(fs::read(&path).unwrap(), content);
    }
    assert!(!is_recording(folder.path()).unwrap());
    assert!(is_recording(&folder.path().join("none")).is_err());
    assert!(matches!(Recording::open(&folder.path().join("none")), Err(OpenError::NotFound { .. })));

    let mut other = std::io::Cursor::new(Vec::new());
    mcap::Writer::new(&mut other).unwrap().finish().unwrap();
    fs::write(&path, other.into_inner()).unwrap();
    assert!(is_recording(&path).unwrap());
    let error = Recording::open(&path).unwrap_err();
    assert!(matches!(error, OpenError::NoHeader { .. }) && error.hint().is_some(), "{error}");
}
