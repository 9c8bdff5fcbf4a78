//! How fast frames are decoded, against decoders written by hand for that very frame.
//!
//! `cargo bench -p packwake-tests --bench decode` prints rates and ratios of one run. The contenders take turns at slices of
//! the stream, since other work on the machine disturbs long runs; the figure is the sum of each slice's best time.
//! Before that their results are asserted to be identical, value for value.
//!
//! `cargo bench -p packwake-tests --bench decode -- once CONTENDER STREAM` decodes 4 MiB once, in functions that end in
//! `decode`: see docs/speed.md for how instructions are counted with it.

#![allow(missing_docs, clippy::print_stdout, clippy::unwrap_used, reason = "a bench prints and fails as a test does")]

mod as_csv;
mod by_nom;
mod hand;
mod ours;
mod table;
mod twins;
mod workload;

use std::hint::black_box;
use std::time::{Duration, Instant};

use ours::Ours;
use parser::Way;
use table::Table;

/// Bytes of each stream.
const BYTES: usize = 64 << 20;

/// Bytes that a decoder is given at once.
const PIECE: usize = 1 << 15;

/// Bytes that are timed at once.
const SLICE: usize = 2 << 20;

const ROUNDS: usize = 9;

/// Who decodes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Contender {
    Hand,
    Nom,
    Ours(Way),
}

const CONTENDERS: [(Contender, &str); 5] = [
    (Contender::Hand, "hand"),
    (Contender::Nom, "nom"),
    (Contender::Ours(Way::Fastest), "ours"),
    (Contender::Ours(Way::Portable), "portable"),
    (Contender::Ours(Way::General), "general"),
];

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|argument| argument != "--bench").collect();
    match arguments.iter().map(String::as_str).collect::<Vec<_>>().as_slice() {
        ["once", contender, stream] => once(contender, stream),
        ["csv"] => as_csv::all(),
        _ => {
            all();
            shipped();
            as_csv::all();
        }
    }
}

fn once(contender: &str, stream: &str) {
    let bytes = 4 << 20;
    if stream == "csv" {
        println!("{} frames", as_csv::once(contender, bytes));
        return;
    }
    if let Some(pair) = twins::Pair::all(bytes).iter().find(|pair| pair.name == stream) {
        match contender {
            "nom" => pair.by_hand(&pair.stream, |rows| _ = black_box(rows)),
            _ => pair.ours(&pair.stream, |batch| _ = black_box(batch)),
        }
        println!("{} frames", pair.assert_same());
        return;
    }
    let stream = if stream == "W2" { workload::damaged(bytes).0 } else { workload::sound(bytes).0 };
    let contender = CONTENDERS.iter().find(|(_, name)| *name == contender).expect("a contender").0;
    let mut frames = 0;
    run(contender, &stream, |table| frames += table.rows);
    println!("{frames} frames");
}

fn all() {
    println!("{:<6} {:<8} {:>9} {:>8} {:>9}", "stream", "who", "MB/s", "of hand", "frames");
    for (name, (stream, undamaged)) in [("W", workload::sound(BYTES)), ("W2", workload::damaged(BYTES))] {
        let outcomes = CONTENDERS.map(|(contender, _)| outcome(contender, &stream));
        assert!(outcomes.iter().all(|outcome| *outcome == outcomes[0]), "{outcomes:?}");
        assert_eq!(outcomes[0].0, undamaged, "{name}: every undamaged frame, and no other");
        let best = best(&stream, |slice| CONTENDERS.map(|(contender, _)| time(contender, slice)));
        for (best_time, (_, who)) in best.iter().zip(CONTENDERS) {
            let rate = stream.len() as f64 / 1e6 / best_time.as_secs_f64();
            let ratio = best_time.as_secs_f64() / best[0].as_secs_f64();
            println!("{name:<6} {who:<8} {rate:>9.0} {ratio:>8.2} {:>9}", outcomes[0].0);
        }
    }
}

/// Shipped protocols, ours against a twin by hand with parser combinators.
fn shipped() {
    println!("\n{:<14} {:>9} {:>9} {:>8} {:>9}", "protocol", "nom MB/s", "our MB/s", "of nom", "frames");
    for pair in twins::Pair::all(BYTES / 4) {
        let frames = pair.assert_same();
        let [nom, ours] = best(&pair.stream, |slice| {
            let by_hand = timed(|| pair.by_hand(slice, |rows| _ = black_box(rows)));
            let ours = timed(|| pair.ours(slice, |batch| _ = black_box(batch)));
            [by_hand, ours]
        });
        let rate = |time: Duration| pair.stream.len() as f64 / 1e6 / time.as_secs_f64();
        let ratio = ours.as_secs_f64() / nom.as_secs_f64();
        println!("{:<14} {:>9.0} {:>9.0} {ratio:>8.2} {frames:>9}", pair.name, rate(nom), rate(ours));
    }
}

/// For each contender the sum of the best times of all slices.
fn best<const N: usize>(stream: &[u8], mut once: impl FnMut(&[u8]) -> [Duration; N]) -> [Duration; N] {
    let mut sum = [Duration::ZERO; N];
    for slice in stream.chunks(SLICE) {
        let mut least = [Duration::MAX; N];
        for _ in 0..ROUNDS {
            for (least, time) in least.iter_mut().zip(once(slice)) {
                *least = (*least).min(time);
            }
        }
        for (sum, least) in sum.iter_mut().zip(least) {
            *sum += least;
        }
    }
    sum
}

#[expect(clippy::disallowed_methods, reason = "how long it takes is what this is about")]
fn timed(work: impl FnOnce()) -> Duration {
    let begun = Instant::now();
    work();
    begun.elapsed()
}

/// The number of frames and a digest of all values.
fn outcome(contender: Contender, stream: &[u8]) -> (usize, u64) {
    let (mut frames, mut digest) = (0, 0);
    run(contender, stream, |table| {
        frames += table.rows;
        table.digest(&mut digest);
    });
    (frames, digest)
}

fn time(contender: Contender, stream: &[u8]) -> Duration {
    timed(|| run(contender, stream, |table| _ = black_box(table)))
}

/// Decodes a stream piece by piece.
fn run(contender: Contender, stream: &[u8], mut done: impl FnMut(&Table)) {
    let mut table = Table::new();
    if let Contender::Ours(way) = contender {
        let mut ours = Ours::new(way);
        for piece in stream.chunks(PIECE) {
            ours.decode(piece, &mut table);
            done(&table);
        }
        return;
    }
    let decode = if contender == Contender::Hand { hand::decode } else { by_nom::decode };
    let mut at = 0;
    loop {
        let piece = &stream[at..stream.len().min(at + PIECE)];
        table.rows = 0;
        let settled = decode(piece, &mut table);
        done(&table);
        if settled == 0 {
            return;
        }
        at += settled;
    }
}
