//! The ways of a decoder say the same: of every shipped protocol, with damage, and over many blocks of frames.
//!
//! The property tests hold the ways against each other, too: see `support::decode`.

mod support;

use std::sync::Arc;

use model::{Batch, Item, SessionTime};
use parser::{Decoder, Encoder, Protocol, Way};
use proptest::prelude::*;
use support::{Push, SHIPPED, check_mixed, decode, protocol, write_batch};

/// So many frames of all kinds in turn, with values that a seed gives; kinds of the same number follow each other.
fn frames(protocol: &Arc<Protocol>, count: usize, seed: u64, together: usize) -> Vec<u8> {
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
            // Zeros and absent values too: of those a sender may leave out.
            (number % 9 != 0).then_some(if number % 5 == 0 { 0 } else { number * 10_000 })
        };
        encoder.frame(index / together % kinds, &mut value, &mut bytes);
    }
    bytes
}

/// Puts pieces of the stream itself where others stand: cut frames, and whole ones inside others.
fn repeat(bytes: &mut Vec<u8>, pieces: &[(prop::sample::Index, prop::sample::Index, usize)]) {
    for (from, to, length) in pieces {
        let from = from.index(bytes.len());
        let piece = bytes[from..bytes.len().min(from + length)].to_vec();
        let to = to.index(bytes.len());
        bytes.splice(to..to, piece);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(120) })]

    /// With flipped bits, bytes in between and reads of any length.
    #[test]
    fn shipped_protocols_with_damage(
        which in 0..SHIPPED.len(),
        (seed, together) in (any::<u64>(), 1..40_usize),
        flips in prop::collection::vec((any::<prop::sample::Index>(), 0..8_u32), 0..12),
        extra in prop::collection::vec((any::<prop::sample::Index>(), prop::collection::vec(any::<u8>(), 0..60)), 0..8),
        pieces in prop::collection::vec((any::<prop::sample::Index>(), any::<prop::sample::Index>(), 1..300_usize), 0..8),
        lengths in prop::collection::vec(1..3000_usize, 1..8),
    ) {
        let protocol = protocol(SHIPPED[which].1);
        let mut bytes = frames(&protocol, 300, seed, together);
        for (at, bit) in flips {
            let at = at.index(bytes.len());
            bytes[at] ^= 1 << bit;
        }
        for (at, noise) in extra {
            let at = at.index(bytes.len());
            bytes.splice(at..at, noise);
        }
        repeat(&mut bytes, &pieces);
        let mut rest = bytes.as_slice();
        let mut reads = Vec::new();
        for (index, length) in lengths.iter().cycle().enumerate() {
            if rest.is_empty() {
                break;
            }
            let (read, more) = rest.split_at(rest.len().min(*length));
            reads.push((SessionTime::from_nanos(index as u64 * 1000), read));
            rest = more;
        }
        prop_assert!(!decode(&protocol, reads, || false).is_empty());
    }

    /// Bytes pushed at once, for later and without hurry, in any turns, with a take here and there: more of them than are
    /// searched at once.
    #[test]
    fn kinds_of_pushes_mix(
        which in 0..SHIPPED.len(),
        (seed, together, count) in (any::<u64>(), 1..400_usize, prop_oneof![50..400_usize, 3000..5000_usize]),
        flips in prop::collection::vec((any::<prop::sample::Index>(), 0..8_u32), 0..40),
        extra in prop::collection::vec((any::<prop::sample::Index>(), prop::collection::vec(any::<u8>(), 0..600)), 0..12),
        pieces in prop::collection::vec((any::<prop::sample::Index>(), any::<prop::sample::Index>(), 1..900_usize), 0..12),
        // Now and then a silence, and a clock that goes back.
        lengths in prop::collection::vec(
            (
                prop_oneof![1 => Just(0), 3 => 1..80_usize, 3 => 1..3000_usize, 1 => 1..150_000_usize],
                prop_oneof![8 => 0..3_i64, 1 => Just(6_000_000), 1 => Just(-5)],
            ),
            1..12,
        ),
        turns in prop::collection::vec(
            prop_oneof![2 => Just(Push::Now), 3 => Just(Push::Later), 3 => Just(Push::Unhurried)],
            1..14,
        ),
        taken in prop::collection::vec(prop::bool::weighted(0.2), 1..20),
    ) {
        let protocol = protocol(SHIPPED[which].1);
        let mut bytes = frames(&protocol, count, seed, together);
        for (at, bit) in flips {
            let at = at.index(bytes.len());
            bytes[at] ^= 1 << bit;
        }
        for (at, noise) in extra {
            let at = at.index(bytes.len());
            bytes.splice(at..at, noise);
        }
        repeat(&mut bytes, &pieces);
        let (mut rest, mut at, mut reads) = (bytes.as_slice(), 10_i64, Vec::new());
        for (index, (length, later)) in lengths.iter().cycle().enumerate() {
            if rest.is_empty() {
                break;
            }
            // A list of nothing but empty reads would never end.
            let length = if index % 40 == 39 { 500 } else { *length };
            let (read, more) = rest.split_at(rest.len().min(length));
            at += later;
            reads.push((SessionTime::from_nanos(u64::try_from(at).unwrap_or(0)), read));
            rest = more;
        }
        check_mixed(&protocol, &reads, &turns, &taken);
    }
}

/// Far more frames than a block holds, in one push: every frame gives its row, in order, by each way.
#[test]
fn blocks_lose_nothing_where_they_meet() {
    for (name, text) in SHIPPED {
        let protocol = protocol(text);
        let bytes = frames(&protocol, 3000, 7, 700);
        let lines = decode(&protocol, [(SessionTime::ZERO, bytes.as_slice())], || false);
        assert!(2000 < lines.len(), "{name}: {} rows and rejections", lines.len());
    }
}

/// A batch that is given back changes nothing, whosever it was.
#[test]
fn batches_are_used_again() {
    let mut reused = Batch::default();
    for (_, text) in SHIPPED {
        let protocol = protocol(text);
        let bytes = frames(&protocol, 400, 3, 1);
        let (mut one, mut other) = (Decoder::new(Arc::clone(&protocol)), Decoder::new(Arc::clone(&protocol)));
        let (mut taken, mut given_back) = (Vec::new(), Vec::new());
        for piece in bytes.chunks(1500) {
            one.push(SessionTime::ZERO, piece);
            other.push(SessionTime::ZERO, piece);
            if let Some(batch) = one.take() {
                write_batch(&batch, &mut taken);
            }
            if other.take_into(&mut reused) {
                write_batch(&reused, &mut given_back);
            } else {
                assert!(reused.order.is_empty());
            }
        }
        assert_eq!(taken, given_back);
    }
}

/// Where two frames share a start and the first is not ruled out by its bytes, the first that is sound counts.
#[test]
fn the_first_sound_frame_in_file_order_counts() {
    let message = |name: &str, frame: &str, part: &str| {
        format!(
            "[[message]]\nname = {name:?}\nframes = [{frame:?}]\nevery = \"1 s\"\nparts = [{{ name = \"p\", type = {part:?}, channel = \"frame counter\" }}]\n"
        )
    };
    let frame = |name: &str, check: &str| {
        format!(
            "[[frame]]\nname = {name:?}\nstart = \"A5 5A 01\"\nparts = [{{ name = \"body\", role = \"body\" }}, {{ name = \"check\", type = \"u16 le\", role = \"check\", {check} }}]\n"
        )
    };
    let text = format!(
        "protocol = \"two\"\n{}{}{}{}",
        frame("long", "crc = \"CRC-16/MODBUS\""),
        frame("short", "crc = \"CRC-16/XMODEM\""),
        message("wide", "long", "u64 le"),
        message("narrow", "short", "u32 le"),
    );
    let protocol = protocol(&text);
    let bytes = frames(&protocol, 600, 11, 3);
    let mut decoder = Decoder::by_way(Arc::clone(&protocol), Way::Fastest);
    decoder.push(SessionTime::ZERO, &bytes);
    decoder.finish(SessionTime::ZERO);
    let batch = decoder.take().expect("rows");
    let kinds = |wanted: u16| {
        batch.order.iter().filter(|item| matches!(item, Item::Row { kind, .. } if *kind == wanted)).count()
    };
    assert_eq!((kinds(0) + kinds(1), batch.rejected.len()), (600, 0));
    decode(&protocol, [(SessionTime::ZERO, bytes.as_slice())], || false);
}
