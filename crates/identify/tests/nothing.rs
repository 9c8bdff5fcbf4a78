//! Bytes of which nothing may be claimed, and bytes that are meant to hurt.

use std::time::{Duration, Instant};

use identify::{Capture, Outcome, Report, identify};

/// splitmix64 (constants from memory).
fn noise(seed: u64, count: usize) -> Vec<u8> {
    let mut state = seed;
    let mut bits = move || {
        state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mixed = (state ^ (state >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ (mixed >> 31)
    };
    (0..count).map(|_| bits() as u8).collect()
}

#[track_caller]
fn nothing(bytes: &[u8], words: &str) -> Report {
    let report = identify(&Capture::untimed(bytes), None);
    assert_eq!(report.outcome, Outcome::CannotTell, "{:?}", report.findings);
    assert!(report.draft.is_none() && report.bytes.is_none() && report.text.is_none(), "{:?}", report.findings);
    assert!(report.findings.iter().any(|finding| finding.text.contains(words)), "{words:?}: {:?}", report.findings);
    assert!(!report.hint.is_empty());
    report
}

#[test]
fn noise_is_never_a_protocol() {
    for seed in 0..50 {
        nothing(&noise(seed, 64 * 1024), "noise");
    }
    // Short noise, where chance has more room.
    for seed in 100..300 {
        let report = identify(&Capture::untimed(&noise(seed, 600)), None);
        assert_eq!(report.outcome, Outcome::CannotTell, "seed {seed}: {:?}", report.findings);
    }
}

#[test]
fn text_without_numbers_in_columns_is_no_telemetry() {
    nothing(&b"It rains, and the pack stays in its box.\n".repeat(50), "text");
    nothing(include_bytes!("../../../README.md"), "text");
    nothing(include_bytes!("../../../docs/protocol-language.md"), "text");
    nothing(include_bytes!("../../../crates/model/src/batch.rs"), "text");
}

#[test]
fn nothing_little_and_the_same_again() {
    nothing(&[], "too few");
    nothing(&[0x55], "too few");
    nothing(&[0xFF; 4096], "FF");
    nothing(&[0; 100], "00");
    // Two bytes in turn: a period, and nothing that is a frame.
    let report = identify(&Capture::untimed(&[0xAA, 0x55].repeat(4096)), None);
    assert_eq!(report.outcome, Outcome::CannotTell, "{:?}", report.findings);
    // One frame for ever says nothing either.
    let frame: Vec<u8> = noise(9, 40);
    let report = identify(&Capture::untimed(&frame.repeat(100)), None);
    assert_eq!(report.outcome, Outcome::CannotTell, "{:?}", report.findings);
}

#[test]
fn a_line_that_was_read_too_fast_is_guessed() {
    // Each bit twice: what a receiver at double the rate sees, cut into bytes.
    let slow = noise(7, 8192);
    let fast: Vec<u8> = slow
        .iter()
        .flat_map(|byte| {
            let doubled = (0..8).fold(0_u16, |sum, bit| sum | (u16::from(byte >> bit & 1) * 3) << (2 * bit));
            doubled.to_le_bytes()
        })
        .collect();
    nothing(&fast, "slower than the rate");
    // Stop bits that were missing say more.
    let mut capture = Capture::untimed(&noise(3, 4096));
    capture.framing_errors(200);
    let report = identify(&capture, None);
    assert!(report.findings.iter().any(|finding| finding.text.contains("rate of the line is wrong")));
}

#[test]
#[expect(clippy::disallowed_methods, reason = "the cost is what is tested")]
fn hostile_bytes_cost_little() {
    let pattern = |period: usize, count: usize| -> Vec<u8> { (0..count).map(|at| (at % period * 37) as u8).collect() };
    let mut spiked = vec![0_u8; 300_000];
    spiked.iter_mut().step_by(7).for_each(|byte| *byte = 0xAA);
    let long = Capture::MOST + 5;
    let cases = [
        pattern(2, long),
        pattern(13, long),
        pattern(255, long),
        pattern(1199, long),
        spiked,
        b"\n".repeat(300_000),
        b"1,2\n".repeat(long / 4),
        b"$,*00\n".repeat(60_000),
        [0xC0, 0xDB].repeat(150_000),
        [0x00, 0x01].repeat(150_000),
    ];
    for (index, bytes) in cases.iter().enumerate() {
        let begun = Instant::now();
        let report = identify(&Capture::untimed(bytes), None);
        let took = begun.elapsed();
        // A debug build on a busy machine; the command line's test has the limit for release.
        assert!(took < Duration::from_secs(20), "case {index}: {took:?}");
        if Capture::MOST < bytes.len() {
            assert!(report.findings[0].text.contains("only the first 4194304 bytes"), "{:?}", report.findings);
        }
    }
}
