//! Writes a recording of an hour, or of so many hours: the practice pack on its line, 24 cells 20 times a second, a load
//! step every minute.
//!
//! `cargo run --release -p packwake-tests --example an_hour -- hour.mcap [HOURS]`, then measure
//! `packwake replay hour.mcap`.

use std::error::Error;
use std::path::PathBuf;

use model::{Input, SessionTime};
use packwake_tests::{header, simulated};
use recording::Writer;
use simulator::{Act, Scene, Step};

fn scene(seconds: u64) -> Scene {
    let mut scene = Scene::practice(1);
    scene.steps.retain(|step| step.at < SessionTime::from_millis(14_000));
    for minute in 0..seconds / 60 {
        let at = |second: u64| SessionTime::from_millis((minute * 60 + second) * 1_000);
        scene.steps.push(Step { at: at(14), act: Act::Load(40.0) });
        scene.steps.push(Step { at: at(20), act: Act::Load(2.0) });
    }
    scene
}

fn main() -> Result<(), Box<dyn Error>> {
    let path = std::env::args_os().nth(1).map(PathBuf::from).ok_or("give the file to write")?;
    let hours: u64 = std::env::args().nth(2).map_or(Ok(1), |hours| hours.parse())?;
    let seconds = hours * 3_600;
    let (protocol, pack) = ("protocols/acorn-binary.toml", "packs/acorn-24s-nmc.toml");
    let inputs = simulated(protocol, &scene(seconds), &[], SessionTime::from_millis(seconds * 1_000));
    let mut writer = Writer::create(&path, &header(protocol, pack))?;
    let mut flush_at = SessionTime::ZERO;
    for (input, number) in inputs.into_iter().zip(0..) {
        // Once a second, as a live session does.
        if flush_at <= input.at {
            writer.flush()?;
            flush_at = SessionTime::from_nanos(input.at.nanos + 1_000_000_000);
        }
        writer.append(&Input { number, ..input })?;
    }
    Ok(writer.finish()?)
}
