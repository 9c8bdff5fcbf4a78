//! Arbitrary bytes for the decoder and arbitrary texts for the reader: no panic, no hang, the same answer however it is cut.
//!
//! In `cargo test` each target runs for some thousand rounds; a fuzzing run of its own can take the same targets for longer.

mod support;

use std::sync::Arc;

use bolero::{TypeGenerator, check};
use model::{Level, SessionTime};
use parser::{Decoder, Encoder, Protocol, check_examples};
use support::{SHIPPED, decode, decode_whole, protocol};

/// A piece of a stream.
#[derive(Clone, Debug, TypeGenerator)]
enum Piece {
    /// Whatever comes.
    Noise(#[generator(bolero::generator::produce_with::<Vec<u8>>().len(0..40_usize))] Vec<u8>),
    /// Bytes that look like a beginning.
    Start(#[generator(0..12_usize)] usize),
    /// A good frame of some kind, with a value for all its columns, and the byte to change, if it is in the frame.
    Frame { kind: u8, value: i32, change: u8, by: u8 },
    /// Many of the same.
    Run { byte: u8, length: u8 },
}

const STARTS: [&[u8]; 12] = [
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

fn any_stream(text: &str) {
    let protocol = protocol(text);
    let pieces = bolero::generator::produce_with::<Vec<Piece>>().len(0..24_usize);
    let cuts = bolero::generator::produce_with::<Vec<u8>>().len(1..16_usize);
    check!().with_iterations(2000).with_generator((pieces, cuts)).for_each(|(pieces, cuts): &(Vec<Piece>, Vec<u8>)| {
        let bytes = stream(&protocol, pieces);
        let whole = decode_whole(&protocol, &bytes);
        let mut sizes = cuts.iter().cycle();
        let mut rest = bytes.as_slice();
        let cut = std::iter::from_fn(|| {
            let size = usize::from(*sizes.next()?).clamp(1, rest.len().max(1));
            let (piece, more) = rest.split_at_checked(size)?;
            rest = more;
            Some((SessionTime::ZERO, piece))
        });
        let mut turn = 0_u32;
        let in_pieces = decode(&protocol, cut, || {
            turn += 1;
            turn.is_multiple_of(3)
        });
        assert_eq!(whole, in_pieces);
    });
}

#[test]
fn any_stream_of_the_binary_protocol() {
    any_stream(SHIPPED[0]);
}

#[test]
fn any_stream_of_the_split_protocol() {
    any_stream(SHIPPED[1]);
}

#[test]
fn any_stream_of_the_text_protocol() {
    any_stream(SHIPPED[2]);
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
    assert!(decoder.buffered() <= protocol.longest_frame());
    decoder.finish(SessionTime::ZERO);
}

#[test]
fn any_text() {
    check!().with_iterations(20_000).with_type::<Vec<u8>>().for_each(|bytes: &Vec<u8>| {
        use_text(&String::from_utf8_lossy(bytes));
    });
}

/// What stands in for a piece of a sound file.
const WORDS: [&str; 32] = [
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
    check!().with_iterations(3000).with_generator((0..3_usize, changes)).for_each(
        |(file, changes): &(usize, Vec<Change>)| {
            let mut text: Vec<char> = SHIPPED[*file].chars().collect();
            for change in changes {
                let from = usize::from(change.at) % (text.len() + 1);
                let to = (from + usize::from(change.gone) % 24).min(text.len());
                text.splice(from..to, WORDS[usize::from(change.word) % WORDS.len()].chars());
            }
            use_text(&text.into_iter().collect::<String>());
        },
    );
}
