//! Arbitrary bytes for the decoder and arbitrary texts for the reader: no panic, no hang, the same answer however it is
//! cut.
//!
//! In `cargo test` each target runs for some thousand rounds; a fuzzing run of its own can take the same targets for
//! longer.

mod support;

use std::sync::Arc;

use bolero::{TypeGenerator, check};
use model::{Level, SessionTime};
use parser::{Decoder, Encoder, Protocol, check_examples};
use support::{SHIPPED, decode, most_kept, protocol, shipped};

/// A piece of a stream.
#[derive(Clone, Debug, TypeGenerator)]
enum Piece {
    /// Whatever comes.
    Noise(#[generator(bolero::generator::produce_with::<Vec<u8>>().len(0..40_usize))] Vec<u8>),
    /// Bytes that look like a beginning.
    Start(#[generator(0..28_usize)] usize),
    /// A good frame of some kind, with a value for all its columns, and the byte to change, if it is in the frame.
    Frame { kind: u8, value: i32, change: u8, by: u8 },
    /// Many of the same.
    Run { byte: u8, length: u8 },
}

const STARTS: [&[u8]; 28] = [
    b"\xAA",
    b"\xAA\x55",
    b"\xAA\x55\x01\x35",
    b"\xAA\x55\x02\x18",
    b"\xAA\x55\x09\xFF",
    b"\xC3",
    b"\xC3\x01\x01",
    b"\xC3\x01\x10",
    b"$",
    b"$CEL,",
    b"$PAK,,,,,*",
    b"*00\r\n",
    // MAVLink: known and unknown kinds, signed and not.
    b"\xFD\x24\x00\x00\x01\x01\x01\x93\x00\x00",
    b"\xFD\x01\x01\x00\x01\x01\x01\x93\x00\x00",
    b"\xFD\x1C\x00\x00\x01\x01\x01\x1E\x00\x00",
    b"\xFE\x09\x01\x01\x01\x00",
    b"\xFE\x1C\x01\x01\x01\x1E",
    // Modbus: questions, answers, a refusal, and the same as lines.
    b"\x01\x03\x00\x00\x00\x10\x44\x06",
    b"\x01\x03\x00\x6B\x00\x03\x74\x17",
    b"\x01\x03\x20",
    b"\x01\x03\x06\x02\x2B\x00\x00\x00\x64\x05\x7A",
    b"\x01\x83\x02\xC0\xF1",
    b":0103006B00038E\r\n",
    b":0103",
    b"\xC0",
    b"\xC0\x44\x04\xDB",
    b"$PBATC,9,",
    b"\xB5\x08",
];

fn stream(protocol: &Arc<Protocol>, pieces: &[Piece]) -> Vec<u8> {
    let encoder = Encoder::new(Arc::clone(protocol));
    let kinds = protocol.layout().kinds.len();
    let mut bytes = Vec::new();
    for piece in pieces {
        match piece {
            Piece::Noise(noise) => bytes.extend_from_slice(noise),
            Piece::Start(index) => bytes.extend_from_slice(STARTS[*index]),
            Piece::Frame { kind, value, change, by } => {
                let from = bytes.len();
                encoder.frame(usize::from(*kind) % kinds, &mut |_| Some(i64::from(*value) * 1_000_000), &mut bytes);
                if let Some(byte) = bytes.get_mut(from + usize::from(*change)) {
                    *byte ^= by;
                }
            }
            Piece::Run { byte, length } => bytes.extend(std::iter::repeat_n(*byte, usize::from(*length) * 8)),
        }
    }
    bytes
}

/// The same comes of a stream however its reads are cut; and nothing goes wrong.
fn any_stream(protocol: &Arc<Protocol>) {
    let pieces = bolero::generator::produce_with::<Vec<Piece>>().len(0..24_usize);
    let reads = bolero::generator::produce_with::<Vec<(u8, u8)>>().len(1..16_usize);
    let cuts = bolero::generator::produce_with::<Vec<u8>>().len(1..16_usize);
    check!().with_iterations(1500).with_generator((pieces, reads, cuts)).for_each(
        |(pieces, reads, cuts): &(Vec<Piece>, Vec<(u8, u8)>, Vec<u8>)| {
            let bytes = stream(protocol, pieces);
            let mut rest = bytes.as_slice();
            let (mut whole, mut finer) = (Vec::new(), Vec::new());
            let (mut reads, mut cuts) = (reads.iter().cycle(), cuts.iter().cycle());
            let mut at = 0;
            while let (Some((length, later)), false) = (reads.next(), rest.is_empty()) {
                let (read, more) = rest.split_at(usize::from(*length).clamp(1, rest.len()));
                rest = more;
                at += u64::from(*later % 8) * 1_000_000;
                let at = SessionTime::from_nanos(at);
                whole.push((at, read));
                let mut read = read;
                while let (Some(length), false) = (cuts.next(), read.is_empty()) {
                    let (piece, more) = read.split_at(usize::from(*length).clamp(1, read.len()));
                    read = more;
                    finer.push((at, piece));
                }
            }
            let mut turn = 0_u32;
            let in_pieces = decode(protocol, finer, || {
                turn += 1;
                turn.is_multiple_of(3)
            });
            assert_eq!(decode(protocol, whole, || false), in_pieces);
        },
    );
}

macro_rules! any_stream_of {
    ($($test:ident $name:literal,)*) => {
        $(#[test]
        fn $test() {
            any_stream(&shipped($name));
        })*

        #[test]
        fn every_shipped_protocol_is_fed() {
            let fed: Vec<&str> = vec![$($name),*];
            assert_eq!(SHIPPED.map(|(name, _)| name).to_vec(), fed);
        }
    };
}

any_stream_of! {
    any_stream_of_acorn_binary "acorn-binary",
    any_stream_of_acorn_split "acorn-split",
    any_stream_of_acorn_text "acorn-text",
    any_stream_of_dronecan_values "dronecan-values",
    any_stream_of_mavlink "mavlink",
    any_stream_of_mavlink_total "mavlink-total",
    any_stream_of_modbus_ascii "modbus-ascii",
    any_stream_of_modbus_rtu "modbus-rtu",
    any_stream_of_nmea_style "nmea-style",
    any_stream_of_smart_battery "smart-battery",
}

/// Those of the reference streams, for the stuffings that no shipped file has.
#[test]
fn any_stream_of_packets() {
    for text in [
        include_str!("../../../tests/reference/protocols/bin16s-cobs.toml"),
        include_str!("../../../tests/reference/protocols/bin16s-slip.toml"),
        include_str!("../../../tests/reference/protocols/bin16s-hdlc.toml"),
    ] {
        any_stream(&protocol(text));
    }
}

/// Reads a text; where it is a protocol, lets it decode and encode something.
fn use_text(text: &str) {
    let (protocol, faults) = Protocol::parse(text);
    let errors = faults.iter().filter(|fault| fault.level == Level::Error).count();
    assert_eq!(protocol.is_none(), 0 < errors, "{faults:?}");
    for fault in &faults {
        assert!(text.get(fault.span.clone()).is_some() && !fault.message.is_empty());
    }
    let Some(protocol) = protocol.map(Arc::new) else { return };
    check_examples(&protocol, text);
    let encoder = Encoder::new(Arc::clone(&protocol));
    let mut decoder = Decoder::new(Arc::clone(&protocol));
    let mut bytes = Vec::new();
    for kind in 0..protocol.layout().kinds.len() {
        encoder.frame(kind, &mut |_| Some(1_000_000_000), &mut bytes);
    }
    decoder.push(SessionTime::ZERO, &bytes);
    decoder.push(SessionTime::ZERO, text.as_bytes());
    assert!(decoder.buffered() <= most_kept(&protocol));
    decoder.finish(SessionTime::ZERO);
}

#[test]
fn any_text() {
    check!().with_iterations(20_000).with_type::<Vec<u8>>().for_each(|bytes: &Vec<u8>| {
        use_text(&String::from_utf8_lossy(bytes));
    });
}

/// What stands in for a piece of a sound file.
const WORDS: [&str; 52] = [
    "",
    "[",
    "]",
    "{",
    "}",
    "\"",
    "'",
    "=",
    ",",
    "#",
    "\n",
    ".",
    "-1",
    "0",
    "65536",
    "1e400",
    "true",
    "\"\"",
    "\"u8\"",
    "\"i64 be\"",
    "\"f32 le\"",
    "\"body\"",
    "\"check\"",
    "\"id\"",
    "\"size\"",
    "\"number\"",
    "name = ",
    "times = 1024",
    "[[frame]]\n",
    "[[message]]\n",
    "équilibrage",
    "\u{0}",
    "times = \"rest\", places = 512",
    "times = \"count\", places = 3",
    "of = \"flags\", bits = [0, 3]",
    "bits = [1, 62]",
    "sum_of = [\"pack\", \"current\"]",
    "from = \"count\", places = 9",
    "from_step = 512",
    "from_plus = -512",
    "optional = true",
    "cut_zeros = true\n",
    "longer = true\n",
    "extra = \"9A\"\n",
    "answers = \"cells\"\n",
    "curve = { points = [[0, 0], [9, 1]] }",
    "curve = { beta = 3950, r0 = \"10 kohm\" }",
    "\"f16 le\"",
    "\"bcd 4 be\"",
    "\"digits 5\"",
    "stuffing = \"hex\"\n",
    "end = \"0D\"\n",
];

/// A change of a text: where, how much goes, what comes.
#[derive(Clone, Debug, TypeGenerator)]
struct Change {
    at: u16,
    gone: u8,
    word: u8,
}

#[test]
fn sound_files_with_changes() {
    let changes = bolero::generator::produce_with::<Vec<Change>>().len(1..8_usize);
    check!().with_iterations(3000).with_generator((0..SHIPPED.len(), changes)).for_each(
        |(file, changes): &(usize, Vec<Change>)| {
            let mut text: Vec<char> = SHIPPED[*file].1.chars().collect();
            for change in changes {
                let from = usize::from(change.at) % (text.len() + 1);
                let to = (from + usize::from(change.gone) % 24).min(text.len());
                text.splice(from..to, WORDS[usize::from(change.word) % WORDS.len()].chars());
            }
            use_text(&text.into_iter().collect::<String>());
        },
    );
}
