//! Streams that were encoded elsewhere (`tests/reference/README.md` names the source of each): what is found of them.

use identify::{Capture, Kind, Layout, Length, Outcome, Report, What, identify};
use parser::Wrapping;

macro_rules! stream {
    ($name:literal) => {
        include_bytes!(concat!("../../../tests/reference/streams/", $name))
    };
}

fn look(bytes: &[u8]) -> Report {
    identify(&Capture::untimed(bytes), None)
}

fn layout(report: &Report) -> &Layout {
    report.bytes.as_ref().expect("frames of bytes")
}

/// Name, first byte covered, bytes behind it, high byte first; and whether it is called sure.
fn check(layout: &Layout) -> (&str, usize, usize, bool, bool) {
    let fit = layout.check.as_ref().expect("a checksum");
    let place = &fit.place;
    (place.method.name, place.first, place.behind, place.big, fit.is_sure() && fit.unique())
}

/// Where the cells begin in the frame, how many they are, and their type.
fn cells(layout: &Layout, kind: &Kind) -> Option<(usize, usize, String)> {
    let field = kind.fields.iter().find(|field| matches!(field.what, What::Cells { .. }))?;
    Some((layout.header + field.at, field.times, field.form.name()))
}

#[track_caller]
fn drafted(report: &Report) {
    assert_eq!(report.outcome, Outcome::Drafted);
    let trial = report.trial.as_ref().expect("it was tried");
    assert!(0.99 < trial.share(), "{trial:?}");
    let text = report.draft.as_ref().expect("a draft");
    let (protocol, faults) = parser::Protocol::parse(text);
    assert!(faults.iter().all(|fault| fault.level != model::Level::Error), "{text}\n{faults:#?}");
    // With which no verdict is go: what nobody has confirmed must not clear a pack.
    assert!(protocol.as_ref().is_some_and(|protocol| protocol.is_draft()), "{text}");
    let protocol = std::sync::Arc::new(protocol.expect("no errors"));
    assert_eq!(parser::check_examples(&protocol, text), []);
    assert!(0 < protocol.example_count(), "{text}");
}

/// The layout of the records is in words in `bin16s.json`: sequence, device time, 16 cells, ... little-endian, the cells
/// 6 bytes behind the header.
#[test]
fn records_in_four_framings() {
    let sync = look(stream!("bin16s_sync.bin"));
    drafted(&sync);
    let found = layout(&sync);
    assert_eq!((found.wrapping, found.start.as_slice()), (None, &[0xA5, 0x5A][..]));
    assert_eq!(found.length, Length::Fixed(49));
    assert_eq!(check(found), ("CRC-16/MODBUS", 2, 0, false, true));
    assert_eq!(cells(found, &found.kinds[0]), Some((9, 16, "u16 le".to_owned())));

    let wrapped = [
        (&stream!("bin16s_cobs.bin")[..], Wrapping::Cobs, ("CRC-16/MODBUS", 0, 0, false, true)),
        (&stream!("bin16s_slip.bin")[..], Wrapping::Slip, ("CRC-16/IBM-3740", 0, 0, true, true)),
        // The check of HDLC-like framing (RFC 1662) is called CRC-16/IBM-SDLC in the catalogue.
        (&stream!("bin16s_hdlc.bin")[..], Wrapping::Hdlc, ("CRC-16/IBM-SDLC", 0, 0, false, true)),
    ];
    for (bytes, wrapping, expected) in wrapped {
        let report = look(bytes);
        drafted(&report);
        let found = layout(&report);
        assert_eq!(found.wrapping, Some(wrapping));
        assert_eq!(check(found), expected);
        assert_eq!(found.kinds.len(), 1);
        assert_eq!(cells(found, &found.kinds[0]), Some((6, 16, "u16 le".to_owned())));
        let pack = found.kinds[0].fields.iter().find(|field| matches!(field.what, What::Pack { .. }));
        assert_eq!(pack.map(|field| (field.at, &field.what)), Some((42, &What::Pack { volts: "0.01" })));
    }
}

/// MAVLink puts a byte through the checksum that is not sent and differs from message to message. Those bytes are in
/// `protocols/mavlink.toml` with their source: HEARTBEAT 32, SYS_STATUS 7C, BATTERY_STATUS 9A.
#[test]
fn a_minute_of_mavlink() {
    let report = look(stream!("mavlink_12s_10hz_60s.bin"));
    drafted(&report);
    let found = layout(&report);
    assert_eq!(found.start, [0xFD]);
    assert_eq!(found.length, Length::Size { at: 1, bytes: 1, big: false, plus: 12 });
    assert_eq!(check(found), ("CRC-16/MCRF4XX", 1, 0, false, true));
    assert_eq!(found.ids, [7]);
    // The sequence number stands in front of the ids.
    assert_eq!((found.counter, found.header), (Some(4), 10));
    let kinds: Vec<(&[u8], Option<u8>, usize)> =
        found.kinds.iter().map(|kind| (kind.id.as_slice(), kind.extra, kind.frames)).collect();
    assert_eq!(kinds, [(&[0][..], Some(0x32), 60), (&[1], Some(0x7C), 600), (&[147], Some(0x9A), 600)]);
    // Ten cells; the other two stand in an extension behind other parts and are not found.
    assert_eq!(cells(found, &found.kinds[2]), Some((20, 10, "u16 le".to_owned())));
}

/// The same three answers again and again: too few different frames for a claim, and that is said.
#[test]
fn modbus_answers_that_hardly_change() {
    let report = look(stream!("modbus_rtu_fc03_16cells.bin"));
    drafted(&report);
    let found = layout(&report);
    assert_eq!((found.start.as_slice(), &found.length), (&[1, 3][..], &Length::Fixed(37)));
    assert_eq!(check(found), ("CRC-16/MODBUS", 0, 0, false, false), "not called sure");
    assert_eq!(cells(found, &found.kinds[0]), Some((3, 16, "u16 be".to_owned())));

    // With the questions there are four different frames of two lengths: enough.
    let report = look(stream!("modbus_rtu_request_response.bin"));
    drafted(&report);
    let found = layout(&report);
    assert_eq!(found.length, Length::ByKind { at: 2, lengths: vec![(0, 8), (32, 37)] });
    assert_eq!(check(found), ("CRC-16/MODBUS", 0, 0, false, true));
    assert_eq!(cells(found, &found.kinds[1]), Some((3, 16, "u16 be".to_owned())));

    // One byte of checksum in three frames proves nothing.
    let report = look(stream!("modbus_ascii_fc03_16cells.txt"));
    let found = layout(&report);
    assert_eq!(found.wrapping, Some(Wrapping::Hex { start: b':' }));
    assert!(found.check.is_none());
    let weak = found.weak_check.as_ref().expect("told as luck");
    assert!(weak.place.method.name == "twos complement" && weak.luck_bits < 20.0, "{weak:?}");
    assert_eq!(cells(found, &found.kinds[0]), Some((3, 16, "u16 be".to_owned())));
    assert!(!report.trial.as_ref().expect("it was tried").verified);
}

/// The bytes beside the tutorial, with the data sheet that stands there.
#[test]
fn the_board_of_the_tutorial() {
    let report = look(include_bytes!("../../../docs/tutorial/meadow.bin"));
    drafted(&report);
    let found = layout(&report);
    assert_eq!(found.start, [0x7A]);
    assert_eq!(found.length, Length::Size { at: 2, bytes: 1, big: false, plus: 4 });
    assert_eq!(check(found), ("sum 8", 1, 0, false, true));
    assert_eq!(cells(found, &found.kinds[0]), Some((3, 8, "u16 be".to_owned())));
    let pack = &found.kinds[1].fields;
    let names: Vec<(usize, String)> = pack.iter().map(|field| (field.at, field.form.name())).collect();
    assert_eq!((names[0].clone(), names[1].clone()), ((0, "i16 be".to_owned()), (2, "u16 be".to_owned())));
    assert_eq!(pack[0].what, What::Current { discharge: false });
    assert_eq!(pack[1].what, What::Pack { volts: "0.01" });
}
