//! The practice pack: the whole main job with nothing attached.

use std::path::PathBuf;
use std::str::FromStr;
use std::sync::Arc;

use anyhow::{Context, Result};
use parser::Protocol;
use simulator::{ByProtocol, ByteStream, Fault, FaultKind, PtyLine, Scene, Telegrams};

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
    if name == "none" {
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
