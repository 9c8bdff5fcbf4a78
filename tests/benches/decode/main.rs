//! How fast frames are decoded, against decoders written by hand for that very frame.
//!
//! `cargo bench -p packwake-tests --bench decode` prints rates and ratios of one run. The contenders take turns at slices of
//! the stream, since other work on the machine disturbs long runs; the figure is the sum of each slice's best time.
//! Before that their results are asserted to be identical, value for value.
//!
//! With `-- shipped` behind it, only the shipped protocols are run, or those whose names follow; with `-- streams` only the
//! long streams, with `-- csv` only the text of a table.
//!
//! `cargo bench -p packwake-tests --bench decode -- once CONTENDER STREAM` decodes 4 MiB once, in functions that end in
//! `decode`: see docs/speed.md for how instructions are counted with it. With `samples` in place of `once` it does so for
//! ten seconds, for a profiler.

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
        ["samples", contender, stream] => samples(contender, stream),
        ["streams"] => all(),
        ["shipped", names @ ..] => shipped(names),
        ["csv"] => as_csv::all(),
        _ => {
            all();
            shipped(&[]);
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
            "nom" => pair.by_hand(&mut pair.rows(), &pair.stream, |rows| _ = black_box(rows)),
            _ => pair.ours(&mut pair.decoder(), &pair.stream, |batch| _ = black_box(batch)),
        }
        println!("{} frames", pair.assert_same());
        return;
    }
    let stream = if stream == "W2" { workload::damaged(bytes).0 } else { workload::sound(bytes).0 };
    let contender = CONTENDERS.iter().find(|(_, name)| *name == contender).expect("a contender").0;
    let mut frames = 0;
    Runner::new(contender).run(&stream, |table| frames += table.rows);
    println!("{frames} frames");
}

/// Decodes 4 MiB for about ten seconds, for a profiler.
fn samples(contender: &str, stream: &str) {
    let stream = if stream == "W2" { workload::damaged(4 << 20).0 } else { workload::sound(4 << 20).0 };
    let contender = CONTENDERS.iter().find(|(_, name)| *name == contender).expect("a contender").0;
    let mut runner = Runner::new(contender);
    let mut least = Duration::MAX;
    let mut sum = Duration::ZERO;
    while sum < Duration::from_secs(10) {
        let time = timed(|| runner.run(&stream, |table| _ = black_box(table)));
        least = least.min(time);
        sum += time;
    }
    println!("best {:.0} MB/s", stream.len() as f64 / 1e6 / least.as_secs_f64());
}

fn all() {
    println!("{:<6} {:<8} {:>9} {:>8} {:>9}", "stream", "who", "MB/s", "of hand", "frames");
    for (name, (stream, undamaged)) in [("W", workload::sound(BYTES)), ("W2", workload::damaged(BYTES))] {
        let outcomes = CONTENDERS.map(|(contender, _)| outcome(contender, &stream));
        assert!(outcomes.iter().all(|outcome| *outcome == outcomes[0]), "{outcomes:?}");
        assert_eq!(outcomes[0].0, undamaged, "{name}: every undamaged frame, and no other");
        let mut runners = CONTENDERS.map(|(contender, _)| Runner::new(contender));
        let best = best(&stream, |slice| {
            runners.each_mut().map(|runner| timed(|| runner.run(slice, |table| _ = black_box(table))))
        });
        for (best_time, (_, who)) in best.iter().zip(CONTENDERS) {
            let rate = stream.len() as f64 / 1e6 / best_time.as_secs_f64();
            let ratio = best_time.as_secs_f64() / best[0].as_secs_f64();
            println!("{name:<6} {who:<8} {rate:>9.0} {ratio:>8.2} {:>9}", outcomes[0].0);
        }
    }
}

/// Shipped protocols, ours against a twin by hand with parser combinators: those of these names, or all.
fn shipped(names: &[&str]) {
    println!("\n{:<14} {:>9} {:>9} {:>8} {:>9}", "protocol", "nom MB/s", "our MB/s", "of nom", "frames");
    for pair in twins::Pair::all(BYTES / 4) {
        if !names.is_empty() && !names.contains(&pair.name) {
            continue;
        }
        let frames = pair.assert_same();
        let (mut rows, mut decoder) = (pair.rows(), pair.decoder());
        let [nom, ours] = best(&pair.stream, |slice| {
            let by_hand = timed(|| pair.by_hand(&mut rows, slice, |rows| _ = black_box(rows)));
            let ours = timed(|| pair.ours(&mut decoder, slice, |batch| _ = black_box(batch)));
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
    Runner::new(contender).run(stream, |table| {
        frames += table.rows;
        table.digest(&mut digest);
    });
    (frames, digest)
}

/// A contender with what it makes once and keeps.
struct Runner {
    contender: Contender,
    ours: Option<Ours>,
    table: Box<Table>,
}

impl Runner {
    fn new(contender: Contender) -> Self {
        let ours = match contender {
            Contender::Ours(way) => Some(Ours::new(way)),
            Contender::Hand | Contender::Nom => None,
        };
        Self { contender, ours, table: Table::new() }
    }

    /// Decodes a stream piece by piece, to its end.
    fn run(&mut self, stream: &[u8], mut done: impl FnMut(&Table)) {
        let table = &mut self.table;
        if let Some(ours) = &mut self.ours {
            for piece in stream.chunks(PIECE) {
                ours.decode(piece, table);
                done(table);
            }
            ours.finish(table);
            done(table);
            return;
        }
        let decode = if self.contender == Contender::Hand { hand::decode } else { by_nom::decode };
        let mut at = 0;
        loop {
            let piece = &stream[at..stream.len().min(at + PIECE)];
            table.rows = 0;
            let settled = decode(piece, table);
            done(table);
            if settled == 0 {
                return;
            }
            at += settled;
        }
    }
}
