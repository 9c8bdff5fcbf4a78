//! A dissection says what the decoder says, for every shipped protocol and whatever happens to the bytes.

mod support;

use std::sync::Arc;

use model::{ByteRange, Rejected, SessionTime};
use parser::dissect::{Dissection, Dissector, Role, What, dissect};
use parser::{Encoder, Protocol};
use proptest::prelude::*;
use support::dissected::check;
use support::{SHIPPED, protocol, shipped};

/// So many frames of all kinds in turn, with values that a seed gives.
fn frames(protocol: &Arc<Protocol>, count: usize, seed: u64) -> Vec<u8> {
    let encoder = Encoder::new(Arc::clone(protocol));
    let kinds = protocol.layout().kinds.len();
    let (mut bytes, mut dice) = (Vec::new(), seed | 1);
    let mut roll = || {
        dice = dice.wrapping_mul(0x5851_F42D_4C95_7F2D).wrapping_add(0x1405_7B7E_F767_814F);
        dice >> 33
    };
    for index in 0..count {
        let mut value = |_: &_| {
            let number = i64::try_from(roll()).expect("31 bits");
            (number % 9 != 0).then_some(if number % 5 == 0 { 0 } else { number * 10_000 })
        };
        encoder.frame(index % kinds, &mut value, &mut bytes);
    }
    bytes
}

#[test]
fn each_shipped_protocol_without_damage() {
    for (name, text) in SHIPPED {
        let protocol = protocol(text);
        let bytes = frames(&protocol, 60, 5);
        for over in [false, true] {
            check(&protocol, &bytes, over);
        }
        let values = dissect(&protocol, &bytes, 0);
        let parts: Vec<_> = values.spans().iter().flat_map(|span| values.parts(span)).collect();
        assert!(parts.iter().any(|part| part.role == Role::Value), "{name}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(150) })]

    #[test]
    fn with_damage(
        which in 0..SHIPPED.len(),
        seed in any::<u64>(),
        over in any::<bool>(),
        flips in prop::collection::vec((any::<prop::sample::Index>(), 0..8_u32), 0..12),
        extra in prop::collection::vec((any::<prop::sample::Index>(), prop::collection::vec(any::<u8>(), 0..60)), 0..6),
        cut in any::<prop::sample::Index>(),
    ) {
        let protocol = protocol(SHIPPED[which].1);
        let mut bytes = frames(&protocol, 40, seed);
        for (at, bit) in flips {
            let at = at.index(bytes.len());
            bytes[at] ^= 1 << bit;
        }
        for (at, noise) in extra {
            let at = at.index(bytes.len());
            bytes.splice(at..at, noise);
        }
        bytes.truncate(bytes.len() - cut.index(40));
        check(&protocol, &bytes, over);
    }

    /// A window shows what the whole stream shows there, however the stream is read.
    #[test]
    fn a_window_is_a_part_of_the_whole(
        which in 0..SHIPPED.len(),
        seed in any::<u64>(),
        flips in prop::collection::vec((any::<prop::sample::Index>(), 0..8_u32), 0..12),
        (start, length) in (any::<prop::sample::Index>(), 1..2000_u64),
        read in 1..700_usize,
    ) {
        let protocol = protocol(SHIPPED[which].1);
        let mut bytes = frames(&protocol, 60, seed);
        for (at, bit) in flips {
            let at = at.index(bytes.len());
            bytes[at] ^= 1 << bit;
        }
        let start = start.index(bytes.len()) as u64;
        let window = ByteRange { start, end: start + length };
        let mut part = Dissector::new(Arc::clone(&protocol), window, 0);
        for piece in bytes.chunks(read) {
            part.push(SessionTime::ZERO, piece, &mut |_| {});
            if part.is_done() {
                break;
            }
        }
        let part = part.dissection();
        let whole = dissect(&protocol, &bytes, 0);
        let frames = |dissection: &Dissection| {
            let inside = |span: &&parser::dissect::Span| {
                window.start < span.bytes.end && span.bytes.start < window.end
                    && matches!(span.what, What::Frame { .. } | What::Passed(_))
            };
            let spans = dissection.spans().iter().filter(inside);
            spans.map(|span| (span.clone(), dissection.bytes(span.bytes).to_vec(), dissection.parts(span))).collect::<Vec<_>>()
        };
        prop_assert_eq!(frames(&part), frames(&whole));
        let damaged = |dissection: &Dissection| {
            let spans = dissection.spans().iter().filter_map(|span| match &span.what {
                What::NoFrame(tried) => Some(tried.clone()),
                _ => None,
            });
            let inside = |one: &Rejected| window.start <= one.bytes.start && one.bytes.start < window.end;
            spans.flatten().filter(inside).collect::<Vec<_>>()
        };
        prop_assert_eq!(damaged(&part), damaged(&whole));
    }
}

/// The bytes of the example at the head of `protocols/acorn-binary.toml`, made by `tests/reference/make_examples.py`,
/// which shares nothing with the program; one bit of the second frame is turned round.
#[test]
fn a_frame_is_told_part_by_part() {
    let protocol = shipped("acorn-binary");
    let hex = "AA 55 02 18 24 05 23 E3 00 00 A1 22 00 F5 00 FA 00 FF 7F FF 00 F0 FF E0 40 00 00 01 BC E3";
    let frame: Vec<u8> = hex.split(' ').map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect();
    let mut damaged = frame.clone();
    damaged[4] ^= 0x10;
    let bytes = [vec![0x11, 0x22], frame, damaged, vec![0xAA, 0x55]].concat();
    let dissection = dissect(&protocol, &bytes, 1000);
    let mut lines = Vec::new();
    for span in dissection.spans() {
        let what = match &span.what {
            What::Frame { .. } => "frame".to_owned(),
            What::NoFrame(tried) => format!("no frame, {tried:?}").chars().take(12).collect(),
            other => format!("{other:?}"),
        };
        lines.push(format!("{} {what} {}", span.bytes, dissection.message(span).unwrap_or("-")));
        for part in dissection.parts(span) {
            lines.push(format!(
                "  {} {} {:?} [{}] {}",
                part.bytes,
                part.name,
                part.role,
                part.sent.words(),
                part.words
            ));
        }
    }
    let expected = [
        "1000..1002 no frame, [] -",
        "1002..1032 frame pack",
        "  1002..1004 start Start [] a frame begins",
        "  1004..1005 kind Id [2] message pack",
        "  1005..1006 size Size [24] a body of 24 bytes",
        "  1006..1008 pack Value [9221] pack voltage: 92.21 V",
        "  1008..1010 bus Value [9187] bus voltage: 91.87 V",
        "  1010..1014 current Value [41250] current: 41.250 A",
        "  1014..1016 temperature Value [245] temperature 1: 24.5 °C",
        "  1016..1018 temperature Value [250] temperature 2: 25.0 °C",
        "  1018..1020 temperature Value [255] temperature 3: 25.5 °C",
        "  1020..1022 temperature Value [32767] temperature 4: absent",
        "  1022..1024 temperature Value [240] temperature 5: 24.0 °C",
        "  1024..1026 temperature Value [-32] temperature 6: -3.2 °C",
        "  1026..1027 charge Value [64] state of charge: 64 %",
        "  1027..1029 flags Value [0] status 1: no flag is set",
        "  1029..1030 lead_test Value [1] sense lead test: passed",
        "  1030..1032 check Check { right: true } [58300] the checksum is right",
    ];
    assert_eq!(&lines[..expected.len()], expected);
    let rest = &lines[expected.len()..];
    assert_eq!(rest[0], "1032..1062 no frame, [R pack");
    assert!(rest.iter().any(|line| line.contains("check Check { right: false }")), "{rest:#?}");
    assert_eq!(rest.last().map(String::as_str), Some("1062..1064 Unfinished -"));
}
