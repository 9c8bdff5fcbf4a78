//! Every protocol that is shipped, with the bytes of a simulated power-up: what is found of each, and what is not.
//!
//! The simulator shares the parser's mistakes; `reference_streams.rs` has streams that were encoded elsewhere.

use std::sync::Arc;

use identify::{Capture, Layout, Length, Report, TextWhat, What, identify};
use model::SessionTime;
use parser::Protocol;
use simulator::{ByProtocol, Scene, byte_stream};

fn look(name: &str) -> Report {
    let path = format!("{}/../../protocols/{name}.toml", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).expect("a shipped file");
    let protocol = Arc::new(Protocol::parse(&text).0.expect("a sound file"));
    let scene = Scene::practice(7).fitted_to(protocol.layout());
    let mut capture = Capture::timed();
    for (at, bytes) in byte_stream(&scene, &[], ByProtocol::new(protocol), SessionTime::from_millis(60_000)) {
        capture.push(at, &bytes);
    }
    identify(&capture, None)
}

/// What was found, a line each.
fn told(report: &Report) -> String {
    let mut text = String::new();
    if let Some(layout) = &report.bytes {
        frames(&mut text, layout);
    }
    if let Some(layout) = &report.text {
        let check = layout.check.as_ref().map_or("none", |check| check.method.name);
        text.push_str(&format!("text {:?} {:?} check {check}\n", layout.start, layout.separator));
        for kind in &layout.kinds {
            text.push_str(kind.word.as_deref().unwrap_or("line"));
            for field in &kind.fields {
                let what = match &field.what {
                    TextWhat::Cells { from: Some(_), places, .. } => format!("cells by index up to {places}"),
                    TextWhat::Cells { .. } => format!("{} cells", field.times),
                    TextWhat::Pack { .. } => "pack".to_owned(),
                    TextWhat::Temperatures => format!("{} temperatures", field.times),
                    TextWhat::Counter { .. } => "counter".to_owned(),
                    TextWhat::Unknown | TextWhat::Hex => continue,
                };
                text.push_str(&format!(", {}: {what}", field.column));
            }
            text.push('\n');
        }
    }
    let share = report.trial.as_ref().map_or(0.0, |trial| trial.share() * 100.0);
    text.push_str(&format!("{:?} {share:.0} %", report.outcome));
    text
}

fn frames(text: &mut String, layout: &Layout) {
    let wrapping = layout.wrapping.map_or(String::new(), |wrapping| format!("{wrapping:?} "));
    let length = match &layout.length {
        Length::Fixed(length) => format!("length {length}"),
        Length::Size { at, plus, .. } => format!("size at {at} plus {plus}"),
        Length::ByKind { at, lengths } => {
            let mut lengths: Vec<usize> = lengths.iter().map(|(_, length)| *length).collect();
            lengths.dedup();
            format!("kind at {at} with {lengths:?}")
        }
        Length::Packet => "packets".to_owned(),
    };
    text.push_str(&format!("{wrapping}start {:02X?} {length} ids {:?}\n", layout.start, layout.ids));
    if let Some(fit) = &layout.check {
        let sure = if fit.is_sure() && fit.unique() { "sure" } else { "not sure" };
        let order = if fit.bytes == 1 {
            ""
        } else if fit.place.big {
            " be"
        } else {
            " le"
        };
        text.push_str(&format!("{sure}: {}{order} from {}\n", fit.place.method.name, fit.place.first));
    }
    for kind in &layout.kinds {
        let mut line = format!("{:02X?}", kind.id);
        for field in &kind.fields {
            let what = match &field.what {
                What::Cells { from, .. } if field.times == 1 => format!("cell {from}"),
                What::Cells { from, .. } => format!("cells {from}..{}", from + field.times - 1),
                What::Pack { volts } => format!("pack {volts}"),
                What::Bus { .. } => "bus".to_owned(),
                What::Temperatures { scale, unit, .. } => format!("{} temperatures {scale} {unit}", field.times),
                What::Current { discharge } => format!("current {}", if *discharge { "out" } else { "in" }),
                What::Clock { seconds } => format!("clock {seconds}"),
                What::Counter => "counter".to_owned(),
                _ => continue,
            };
            let doubt = if field.sureness == identify::Sureness::Guess { "?" } else { "" };
            line.push_str(&format!(", {} {}: {what}{doubt}", layout.header + field.at, field.form.name()));
        }
        if line.contains(", ") && line.contains(": ") {
            text.push_str(&line);
            text.push('\n');
        }
    }
}

#[track_caller]
fn check(name: &str, expected: &str) {
    let expected: Vec<&str> = expected.trim().lines().map(str::trim).collect();
    assert_eq!(told(&look(name)).lines().collect::<Vec<_>>(), expected, "{name}");
}

#[test]
fn frames_with_a_length_and_a_crc() {
    check(
        "acorn-binary",
        "start [AA, 55] size at 3 plus 6 ids [2]
         sure: CRC-16/MODBUS le from 2
         [01], 4 u8: counter, 5 u32 le: clock 0.001, 9 u16 be: cells 1..24
         [02], 4 u16 be: pack 0.01, 6 u16 be: bus, 8 i32 be: current out, 12 i16 be: 6 temperatures 0.1 degC
         Drafted 100 %",
    );
}

/// The first byte of the identifier is the same in all messages, so it is taken as a second start byte.
#[test]
fn fixed_lengths_by_kind() {
    check(
        "acorn-split",
        "start [C3, 01] kind at 2 with [17, 20] ids [2]
         sure: fletcher 16 be from 0
         [01], 3 u16 le: cells 1..6
         [02], 3 u16 le: cells 7..12
         [03], 3 u16 le: cells 13..16, 11 u32 le: clock 0.01
         [10], 3 u16 le: pack 0.002, 5 f32 le: current in, 9 u16 le: 4 temperatures 0.1 K
         Drafted 100 %",
    );
}

#[test]
fn lines_of_text() {
    check(
        "acorn-text",
        "text Some('$') ',' check xor
         CEL, 2: counter, 3: 14 cells
         PAK, 2: pack, 4: 3 temperatures
         Drafted 100 %",
    );
    // The pack voltage is not looked for where the cells come in several lines.
    check(
        "nmea-style",
        "text Some('$') ',' check xor
         PBATC, 3: cells by index up to 33
         PBATP, 6: 8 temperatures
         Drafted 100 %",
    );
}

/// Temperature and current as half-precision floats are not found.
#[test]
fn floats_in_slip_packets() {
    check(
        "dronecan-values",
        "Slip start [] packets ids [0]
         sure: CRC-16/IBM-3740 le from 0
         [2C], 4 f16 le: cells 1..72
         [44], 4 f16 le: pack 1
         Drafted 100 %",
    );
}

/// Frames, checksum and the bytes that are not sent are found; of the values those that cells point at. Cells 11 to 14
/// stand in an extension: they give two guesses, which have no channel in the draft, and both are wrong.
#[test]
fn checksums_with_a_byte_that_is_not_sent() {
    check(
        "mavlink-total",
        "start [FD] size at 1 plus 12 ids [7]
         sure: CRC-16/MCRF4XX le from 1
         Drafted 100 %",
    );
    check(
        "mavlink",
        "start [FD] size at 1 plus 12 ids [7]
         sure: CRC-16/MCRF4XX le from 1
         [93], 20 u16 le: cells 1..10, 40 i16 le: current out, 53 u16 le: pack 0.01?, 55 i16 le: 2 temperatures 0.01 degC?
         Drafted 100 %",
    );
}

/// The first byte is always 1, and so the two's complement of all is the ones' complement of the rest: both are named.
/// Questions and answers are not paired.
#[test]
fn questions_and_answers_in_hexadecimal() {
    check(
        "modbus-ascii",
        "Hex { start: 58 } start [] packets ids [2]
         not sure: twos complement from 0
         [06], 3 u16 be: pack 0.1, 5 i16 be: current out
         [20], 3 u16 be: cells 1..16
         Drafted 100 %",
    );
}

/// Ten refusals a second have another second byte than questions and answers, and stand between them: two shapes of
/// frame without a start, which is more than is looked for. Half of the bytes are explained, and so it can't tell.
#[test]
fn shapes_that_are_mixed_are_not_understood() {
    check(
        "modbus-rtu",
        "start [01, 03] kind at 3 with [8, 11, 37] ids [2, 3]
         sure: CRC-16/MODBUS le from 0
         [06, 02], 5 i16 be: current out
         [20, 0E], 4 u16 le: cells 1..15
         CannotTell 50 %",
    );
}

/// The board numbers its cells downwards from 3F; which is which can't be seen, and the draft says so.
#[test]
fn a_value_a_frame() {
    check(
        "smart-battery",
        "start [B5] length 5 ids [1]
         sure: CRC-8/SMBUS from 1
         [09], 2 u16 le: pack 0.001
         [3C], 2 u16 le: cell 1
         [3D], 2 u16 le: cell 2
         [3E], 2 u16 le: cell 3
         [3F], 2 u16 le: cell 4
         Drafted 100 %",
    );
}

#[test]
fn no_shipped_protocol_is_left_out() {
    let files = std::fs::read_dir(format!("{}/../../protocols", env!("CARGO_MANIFEST_DIR"))).expect("the folder");
    let count = files
        .filter(|file| file.as_ref().is_ok_and(|file| file.path().extension().is_some_and(|end| end == "toml")))
        .count();
    assert_eq!(count, 10, "a protocol came or went: say above what is found of it");
}
