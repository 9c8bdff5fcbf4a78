//! Shared pieces of the end-to-end tests.

pub mod adapter;
mod dice;
pub mod expectation;
pub mod grid;
pub mod page;
pub mod pairs;
pub mod scoring;
pub mod sessions;
pub mod shipped;
pub mod truth;
pub mod uart;

pub mod feed;
pub mod program;
#[cfg(unix)]
pub mod wire;

use std::path::{Path, PathBuf};
use std::sync::Arc;

use model::{Input, InputKind, SessionHeader, SessionTime, Times};
use parser::Protocol;
use rules::Verdict;
use session::{Engine, SessionEvent, json_line};
use simulator::{ByProtocol, Fault, Scene, byte_stream};

pub use adapter::through_adapter;
pub use dice::Dice;

/// The root of the repository.
pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("tests lie in the repository").to_owned()
}

/// The text of a file of the repository.
pub fn text(path: &str) -> String {
    let path = root().join(path);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// A protocol of the repository; it must be sound.
pub fn protocol(path: &str) -> Arc<Protocol> {
    let (protocol, faults) = Protocol::parse(&text(path));
    Arc::new(protocol.unwrap_or_else(|| panic!("{path}: {faults:?}")))
}

/// A header for these files.
pub fn header(protocol: &str, pack: &str) -> SessionHeader {
    header_of(text(protocol), text(pack))
}

/// A header for these texts.
pub fn header_of(protocol_text: String, pack_text: String) -> SessionHeader {
    SessionHeader {
        protocol_text,
        pack_text,
        source: "a test".to_owned(),
        practice: true,
        times: Times::Measured,
        started_utc_nanos: None,
        tool_version: "a test".to_owned(),
        host: String::new(),
    }
}

/// The inputs of a simulated session: opened, bytes as they would arrive, an end at exactly `length`.
pub fn simulated(protocol_file: &str, scene: &Scene, faults: &[Fault], length: SessionTime) -> Vec<Input> {
    let protocol = protocol(protocol_file);
    let scene = scene.clone().fitted_to(protocol.layout());
    let maker = ByProtocol::new(protocol);
    let mut inputs = vec![Input::new(SessionTime::ZERO, InputKind::Opened { source: "a simulated line".to_owned() })];
    let stream = byte_stream(&scene, faults, maker, length);
    let unplugged =
        faults.iter().filter(|fault| fault.kind == simulator::FaultKind::Unplug).map(|fault| fault.at).min();
    inputs.extend(
        stream
            .into_iter()
            .filter(|(at, _)| *at < length && unplugged.is_none_or(|unplugged| *at <= unplugged))
            .map(|(at, bytes)| Input::new(at, InputKind::Bytes(bytes))),
    );
    if let Some(at) = unplugged {
        inputs.push(Input::new(at, InputKind::Lost { why: "unplugged".to_owned() }));
    }
    inputs.push(Input::new(length, InputKind::End));
    inputs
}

/// A session as a report tells it.
pub fn account(header: &SessionHeader, inputs: impl IntoIterator<Item = Input>) -> report::Account {
    let file = report::FileFacts { name: "a test".to_owned(), ..report::FileFacts::default() };
    session::account(header.clone(), file, inputs.into_iter()).expect("the texts are sound")
}

/// Runs inputs through the engine; the event lines and the last verdict.
pub fn judge(header: &SessionHeader, inputs: impl IntoIterator<Item = Input>) -> (Vec<String>, Verdict) {
    let mut engine = Engine::new(header.clone()).expect("the texts are sound");
    let mut lines = Vec::new();
    session::replay(
        &mut engine,
        inputs.into_iter(),
        &mut |event, _| {
            if !matches!(event, SessionEvent::Recorder { .. }) {
                lines.push(json_line(event, header.practice));
            }
        },
        &mut |_| {},
    );
    (lines, engine.judge().verdict())
}
