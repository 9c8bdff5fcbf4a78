//! How fast frames are decoded and judged, against a decoder written by hand that judges nothing.
//!
//! `cargo bench -p packwake-tests --bench judge` prints rates and ratios of one run: contenders take turns at slices of the
//! stream, and the figure is the sum of each slice's best time.
//!
//! `cargo bench -p packwake-tests --bench judge -- once CONTENDER STREAM` runs 4 MiB once, for counting instructions.

#![allow(missing_docs, clippy::print_stdout, reason = "a bench prints and fails as a test does")]

#[path = "../decode/hand.rs"]
mod hand;
#[path = "../decode/table.rs"]
#[allow(dead_code, reason = "the values are not looked at here")]
mod table;
#[path = "../decode/workload.rs"]
#[allow(dead_code, reason = "the streams are of a pack here")]
mod workload;

use std::hint::black_box;
use std::sync::Arc;
use std::time::{Duration, Instant};

use crc::{CRC_16_MODBUS, Crc};
use model::{Batch, SessionTime, Times};
use parser::{Decoder, Protocol};
use rules::{Judge, Pack, Setup};
use workload::{CELLS, FRAME, TEMPERATURES};

/// Bytes of each stream: half an hour at 20 frames a second.
const BYTES: usize = 36_000 * FRAME;
/// Frames whose rows are taken at once.
const TOGETHER: usize = 420;
/// Frames that are timed at once: few, or other work on the machine always falls into it.
const SLICE: usize = 2 * TOGETHER;
const ROUNDS: usize = 7;
/// From frame to frame.
const EVERY_MS: u64 = 50;

const PACK: &str = r#"
pack = "a pack for measuring"
chemistry = "NMC"
cells = 24
capacity = "22 Ah"
temperatures = ["cells 1-4", "cells 5-8", "cells 9-12", "cells 13-16", "cells 17-20", "cells 21-24"]
"#;

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Contender {
    /// The decoder by hand.
    Hand,
    /// Our decoder, each frame at its time.
    Decode,
    /// Our decoder and the judge, with all frames at one moment: every value and set is held against its limits, and stages
    /// and alarms follow, but no second passes, so that there is no diagnosis and no verdict.
    Limits,
    /// Our decoder and the judge with everything, each frame at its time.
    Judge,
}

const CONTENDERS: [(Contender, &str); 4] = [
    (Contender::Hand, "hand"),
    (Contender::Decode, "decode"),
    (Contender::Limits, "limits"),
    (Contender::Judge, "judge"),
];

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|argument| argument != "--bench").collect();
    match arguments.iter().map(String::as_str).collect::<Vec<_>>().as_slice() {
        ["once", contender, stream] => {
            let contender = CONTENDERS.iter().find(|(_, name)| name == contender).expect("a contender").0;
            let stream = stream_of(4 << 20, *stream == "excursions");
            let mut state = State::new(contender);
            state.run(&stream);
            println!("{} frames", stream.len() / FRAME);
        }
        _ => all(),
    }
}

fn all() {
    println!("{:<12} {:<8} {:>9} {:>9} {:>8}", "stream", "who", "MB/s", "ns/frame", "of hand");
    for (name, excursions) in [("quiet", false), ("excursions", true)] {
        let stream = stream_of(BYTES, excursions);
        check(&stream, excursions);
        let best = best(&stream);
        for (time, (_, who)) in best.iter().zip(CONTENDERS) {
            let rate = stream.len() as f64 / 1e6 / time.as_secs_f64();
            let each = time.as_secs_f64() * 1e9 / (stream.len() / FRAME) as f64;
            let ratio = time.as_secs_f64() / best[0].as_secs_f64();
            println!("{name:<12} {who:<8} {rate:>9.0} {each:>9.0} {ratio:>8.2}");
        }
    }
}

/// What is measured does what it should: every frame is found, and what is beyond a limit is seen.
fn check(stream: &[u8], excursions: bool) {
    for contender in [Contender::Limits, Contender::Judge] {
        let mut state = State::new(contender);
        state.run(stream);
        let judge = state.judge.as_ref().expect("it judges");
        assert_eq!(judge.frame_counts(), ((stream.len() / FRAME) as u64, 0), "{contender:?}");
        // The last frame is one of those beyond, where there are any.
        let verdict = format!("{:?}", judge.verdict());
        assert_eq!(verdict.contains("cell 7 at 4.300 V"), excursions, "{contender:?}: {verdict}");
        assert_eq!(judge.alarms().is_empty(), !excursions, "{contender:?}: {:?}", judge.alarms());
    }
}

/// For each contender the sum of the best times of all slices.
fn best(stream: &[u8]) -> [Duration; CONTENDERS.len()] {
    let mut states = CONTENDERS.map(|(contender, _)| State::new(contender));
    let mut sum = [Duration::ZERO; CONTENDERS.len()];
    for slice in stream.chunks(SLICE * FRAME) {
        let mut least = [Duration::MAX; CONTENDERS.len()];
        let mut after = Vec::new();
        for _ in 0..ROUNDS {
            after = states.iter().map(State::again).collect();
            for (state, least) in after.iter_mut().zip(&mut least) {
                *least = (*least).min(timed(|| state.run(slice)));
            }
        }
        for ((state, after), (sum, least)) in states.iter_mut().zip(after).zip(sum.iter_mut().zip(least)) {
            *state = after;
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

/// A contender somewhere in the stream.
struct State {
    contender: Contender,
    protocol: Arc<Protocol>,
    decoder: Decoder,
    batch: Batch,
    judge: Option<Judge>,
    table: Box<table::Table>,
    frames: u64,
}

impl State {
    fn new(contender: Contender) -> Self {
        let (protocol, faults) = Protocol::parse(workload::PROTOCOL);
        assert_eq!(faults, []);
        let protocol = Arc::new(protocol.expect("no fault"));
        let pack = Pack::parse(PACK).0.expect("no fault");
        let setup = Setup {
            layout: protocol.layout().clone(),
            settle: protocol.settle(),
            times: Times::Measured,
            draft: false,
        };
        let judges = matches!(contender, Contender::Limits | Contender::Judge);
        Self {
            contender,
            decoder: Decoder::new(Arc::clone(&protocol)),
            protocol,
            batch: Batch::default(),
            judge: judges.then(|| Judge::new(pack, setup)),
            table: table::Table::new(),
            frames: 0,
        }
    }

    /// The same at the same place: slices end with a frame, so that the decoder keeps nothing.
    fn again(&self) -> Self {
        Self {
            contender: self.contender,
            protocol: Arc::clone(&self.protocol),
            decoder: Decoder::new(Arc::clone(&self.protocol)),
            batch: Batch::default(),
            judge: self.judge.clone(),
            table: table::Table::new(),
            frames: self.frames,
        }
    }

    fn run(&mut self, stream: &[u8]) {
        for piece in stream.chunks(TOGETHER * FRAME) {
            match self.contender {
                Contender::Hand => {
                    self.table.rows = 0;
                    hand::decode(piece, &mut self.table);
                    black_box(&self.table);
                    continue;
                }
                Contender::Limits => self.decoder.push(SessionTime::ZERO, piece),
                Contender::Decode | Contender::Judge => {
                    for frame in piece.chunks(FRAME) {
                        self.frames += 1;
                        self.decoder.push_for_later(SessionTime::from_millis(self.frames * EVERY_MS), frame);
                    }
                }
            }
            self.decoder.take_into(&mut self.batch);
            match &mut self.judge {
                Some(judge) => {
                    judge.batch(&self.batch);
                    black_box(judge.take_events());
                }
                None => _ = black_box(&self.batch),
            }
        }
    }
}

/// Frames of a sound pack at rest, with a load in ten seconds of each minute; with `excursions` cell 7 reads 4.3 V in
/// every second frame.
fn stream_of(bytes: usize, excursions: bool) -> Vec<u8> {
    let modbus = Crc::<u16>::new(&CRC_16_MODBUS);
    let mut out = Vec::with_capacity(bytes + FRAME);
    // xorshift
    let mut state = 0x5EED_u64;
    let mut noise = move |width: u64| {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        u16::try_from((state >> 33) % width).expect("it is small")
    };
    for index in 0..u32::try_from(bytes / FRAME).expect("it is small") {
        let begin = out.len();
        let load = (600..800).contains(&(index % 1_200));
        out.extend([0xAA, 0x55, 1, 72]);
        out.extend((index * 50).to_le_bytes());
        let mut sum = 0;
        for cell in 0..CELLS {
            let volts = 3_841 + noise(3) - if load { 40 } else { 0 };
            let volts = if excursions && cell == 6 && index % 2 == 1 { 4_300 } else { volts };
            sum += u32::from(volts);
            out.extend(volts.to_be_bytes());
        }
        for _ in 0..TEMPERATURES {
            out.extend((245 + noise(2)).to_be_bytes());
        }
        let amperes: u32 = if load { 20_000 } else { 0 };
        out.extend((amperes + u32::from(noise(30))).to_be_bytes());
        out.extend(u16::try_from(sum / 10).expect("100 V").to_be_bytes());
        out.extend(0_u16.to_le_bytes());
        let check = modbus.checksum(&out[begin + 2..]);
        out.extend(check.to_le_bytes());
    }
    out
}
