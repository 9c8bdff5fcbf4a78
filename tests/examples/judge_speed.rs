//! How fast sessions are judged again, and whether they say the same as before.
//!
//! `cargo run --release -p packwake-tests --example judge_speed -- replay FILE.mcap [TIMES]` replays a recording without
//! printing it, and says how long each time took and how much memory was the most.
//!
//! `... -- lines SEEDS` judges sessions by seed and prints a number for each, worked out from everything that it said: two
//! builds that print the same lines judge the same.

use std::error::Error;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::Path;

use model::{Input, InputKind, SessionHeader, SessionTime};
use packwake_tests::grid::Case;
use packwake_tests::sessions::{Drawn, faulty, healthy};
use packwake_tests::{header, simulated};
use recording::Recording;
use session::{Engine, SessionEvent, json_line, text_line, verdict_lines};
use simulator::{Fault, Scene};

/// The state is looked at this often besides, in inputs.
const LOOK_EVERY: usize = 97;

fn main() -> Result<(), Box<dyn Error>> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    match words.iter().map(String::as_str).collect::<Vec<_>>().as_slice() {
        ["replay", file] => replay(Path::new(file), 3),
        ["replay", file, times] => replay(Path::new(file), times.parse()?),
        ["lines", seeds] => lines(seeds.parse()?),
        _ => Err("give \"replay FILE [TIMES]\" or \"lines SEEDS\"".into()),
    }
}

#[expect(clippy::disallowed_methods, clippy::print_stdout, reason = "it measures")]
fn replay(file: &Path, times: u32) -> Result<(), Box<dyn Error>> {
    for _ in 0..times {
        let begun = std::time::Instant::now();
        let recording = Recording::open(file)?;
        let header = recording.header().clone();
        let mut engine = Engine::new(header)?;
        let mut events = 0_u64;
        session::replay(&mut engine, recording.inputs(), &mut |_, _| events += 1, &mut |_| {});
        let (frames, _) = engine.judge().frame_counts();
        println!("{:.3} s, {frames} frames, {events} events", begun.elapsed().as_secs_f64());
    }
    if let Ok(status) = std::fs::read_to_string("/proc/self/status")
        && let Some(line) = status.lines().find(|line| line.starts_with("VmHWM"))
    {
        println!("{line}");
    }
    Ok(())
}

/// Everything that a session says, and what it would say in between, in one number.
fn number_of(header: &SessionHeader, inputs: &[Input]) -> u64 {
    let mut engine = Engine::new(header.clone()).expect("the texts are sound");
    let (mut hasher, mut said) = (DefaultHasher::new(), Vec::new());
    for (count, input) in inputs.iter().enumerate() {
        let input = engine.stamp(input.clone());
        engine.process(&input);
        for event in engine.take_events() {
            if !matches!(event, SessionEvent::Recorder { .. }) {
                let line = json_line(&event, true);
                line.hash(&mut hasher);
                said.push(line);
                text_line(&event, true).hash(&mut hasher);
            }
        }
        if count % LOOK_EVERY == 0 {
            let judge = engine.judge();
            format!("{:?}", judge.verdict()).hash(&mut hasher);
            judge.cells().for_each(|cell| cell.hash(&mut hasher));
            judge.temperatures().for_each(|sensor| sensor.hash(&mut hasher));
            (judge.current(), judge.pack_voltage(), judge.bus_voltage(), judge.data_age()).hash(&mut hasher);
            format!("{:?} {:?}", judge.alarms(), judge.findings()).hash(&mut hasher);
        }
    }
    verdict_lines(&engine.judge().verdict(), true).hash(&mut hasher);
    // Many rows at once say the same.
    let mut again = Engine::new(header.clone()).expect("the texts are sound");
    let mut replayed = Vec::new();
    session::replay(
        &mut again,
        inputs.iter().cloned(),
        &mut |event, _| replayed.push(json_line(event, true)),
        &mut |_| {},
    );
    assert!(replayed == said, "a replay says something else");
    assert_eq!(again.judge().verdict(), engine.judge().verdict());
    hasher.finish()
}

/// The bytes of neighbouring inputs in one, as a slow reader gets them: with the time of the last.
fn in_pieces(inputs: &[Input], every: u64) -> Vec<Input> {
    let mut out: Vec<Input> = Vec::new();
    for input in inputs {
        match (out.last_mut(), &input.kind) {
            (Some(Input { at, kind: InputKind::Bytes(last), .. }), InputKind::Bytes(bytes))
                if at.nanos / every == input.at.nanos / every =>
            {
                last.extend_from_slice(bytes);
                *at = input.at;
            }
            _ => out.push(input.clone()),
        }
    }
    out
}

#[expect(clippy::print_stdout, reason = "it is what it is for")]
fn lines(seeds: u64) -> Result<(), Box<dyn Error>> {
    let say = |name: String, header: &SessionHeader, inputs: &[Input]| {
        println!("{name} {:016x}", number_of(header, inputs));
        for every in [20_000_000, 400_000_000, 7_000_000_000] {
            println!("{name} {every} {:016x}", number_of(header, &in_pieces(inputs, every)));
        }
    };
    let drawn = |drawn: Drawn, name: &str| {
        let header = header(drawn.pair.protocol, drawn.pair.pack);
        say(format!("{name} {}", drawn.seed), &header, &drawn.inputs());
    };
    for seed in 0..seeds {
        drawn(healthy(seed), "sound");
        drawn(faulty(seed), "faulty");
        drawn(faulty(seed + 100_000), "faulty");
        let case = Case::sound(seed);
        say(format!("case {seed}"), &case.header(), &case.inputs());
    }
    let kinds: Vec<_> = Fault::all().collect();
    for (index, kind) in kinds.iter().enumerate() {
        for severity in [0.3, 1.0] {
            let case = Case::sound(1_000 + index as u64).with(&[*kind], severity);
            say(format!("{} {severity}", kind.name()), &case.header(), &case.inputs());
        }
        let (protocol, pack) = ("protocols/acorn-binary.toml", "packs/acorn-24s-nmc.toml");
        let fault = Fault::new(*kind);
        let inputs = simulated(protocol, &Scene::practice(7), &[fault], SessionTime::from_millis(60_000));
        say(format!("{} alone", kind.name()), &header(protocol, pack), &inputs);
    }
    Ok(())
}
