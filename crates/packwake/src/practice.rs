//! The practice pack: the whole main job with nothing attached.

use std::path::{Path, PathBuf};
use std::str::FromStr;
use std::sync::Arc;

use anyhow::{Context, Result};
use desktop::sound::Players;
use desktop::start::{PracticeFault, Wish};
use desktop::{Practice, Ready};
use parser::Protocol;
use session::Live;
use session::snapshot::Failure;
use session::worker::{Job, Opened};
use simulator::{ByProtocol, ByteStream, Fault, FaultKind, PtyLine, Scene, Telegrams};

use crate::Status;
use crate::files::{host_name, tool_version};
use crate::output::Hinted;

/// The protocol of the practice pack, as shipped.
pub(crate) const PROTOCOL: &str = include_str!("../../../protocols/acorn-binary.toml");
/// The practice pack, as shipped.
pub(crate) const PACK: &str = include_str!("../../../packs/acorn-24s-nmc.toml");

/// Opens a line of its own and starts the practice pack on it; it begins to send when the line is opened.
pub(crate) fn start(faults: &[Fault], seed: u64) -> Result<simulator::Running> {
    let (protocol, _) = Protocol::parse(PROTOCOL);
    let protocol = protocol.context("the practice protocol can't be used")?;
    play(protocol, faults, seed, None)
}

/// Starts a scene that fits a protocol.
pub(crate) fn play(
    protocol: Protocol,
    faults: &[Fault],
    seed: u64,
    until: Option<model::SessionTime>,
) -> Result<simulator::Running> {
    let scene = Scene::practice(seed).fitted_to(protocol.layout());
    let mut telegrams = Telegrams::new(&scene, faults, ByProtocol::new(Arc::new(protocol)));
    if let Some(until) = until {
        telegrams = telegrams.until(until);
    }
    let line = PtyLine::open().context("the system gave no line for the practice pack")?;
    line.start(ByteStream::new(telegrams)).context("the practice pack could not start")
}

/// The fault with this name; none for "none".
pub(crate) fn fault(name: &str) -> Result<Option<FaultKind>> {
    if name == SOUND {
        return Ok(None);
    }
    FaultKind::from_str(name).map(Some).map_err(|unknown| {
        let hint = match unknown.closest {
            Some(near) => format!("did you mean {near}?"),
            None => {
                let names: Vec<_> = Fault::all().map(FaultKind::name).collect();
                format!("faults: {}", names.join(", "))
            }
        };
        Hinted::error(unknown.to_string(), hint)
    })
}

/// The path of the line.
pub(crate) fn path(running: &simulator::Running) -> PathBuf {
    running.path().to_owned()
}

/// Opens the desktop on the sound practice pack and returns when its window is closed.
pub(crate) fn desktop() -> Result<Status> {
    run(ready(SOUND, Players::of_this_machine()))
}

/// Opens the desktop on a recording, and returns when its window is closed.
pub(crate) fn open(file: &Path) -> Result<Status> {
    // What is no recording is said here, where it was asked for.
    let recording = recording::Recording::open(file)?;
    drop(recording);
    let replay = session::worker::Replay { path: file.to_owned(), ..Default::default() };
    run(Ready { first: Some(Wish::Replay(replay)), ..ready(SOUND, Players::of_this_machine()) })
}

fn run(ready: Ready) -> Result<Status> {
    desktop::run(ready).map_err(|error| {
        let hint = error.hint();
        Hinted::error(error.to_string(), hint)
    })?;
    Ok(Status::Go)
}

/// The word for no fault.
pub(crate) const SOUND: &str = "none";

/// What the desktop needs, with the practice pack and this fault at first.
pub(crate) fn ready(first: &str, players: Players) -> Ready {
    let sound = PracticeFault { name: SOUND.to_owned(), about: "a sound pack".to_owned() };
    let named = |kind: FaultKind| PracticeFault { name: kind.name().to_owned(), about: kind.about().to_owned() };
    let practice = Practice {
        faults: std::iter::once(sound).chain(Fault::all().map(named)).collect(),
        pack: rules::Pack::parse(PACK).0.map(Arc::new),
        start: Arc::new(|fault, record| {
            watched(fault, record).map_err(|error| Failure { text: format!("{error:#}"), ..Failure::default() })
        }),
    };
    let first = Some(Wish::Practice { fault: first.to_owned(), record: None });
    Ready { practice, tool_version: tool_version(), host: host_name(), players, first }
}

/// The practice pack with a fault, started, as a session.
fn watched(name: &str, record: Option<PathBuf>) -> Result<Opened> {
    let faults: Vec<Fault> = fault(name)?.map(Fault::new).into_iter().collect();
    let running = start(&faults, 1)?;
    let (source, header) = crate::watch::practice_source(&running, name)?;
    let live = Live { source, header, record, length: None, before: Vec::new(), may_ask: false };
    Ok(Opened { job: Job::Live(Box::new(live)), keep: Some(Box::new(running)) })
}
