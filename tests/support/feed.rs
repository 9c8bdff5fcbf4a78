//! Bytes of a simulated line, handed over at their own pace.

use model::{InputKind, SessionTime};
use simulator::{Fault, Scene};

use crate::simulated;

/// The bytes of a simulated line with the times at which they would arrive.
pub fn simulated_bytes(
    protocol_file: &str,
    scene: &Scene,
    faults: &[Fault],
    length: SessionTime,
) -> Vec<(SessionTime, Vec<u8>)> {
    simulated(protocol_file, scene, faults, length)
        .into_iter()
        .filter_map(|input| match input.kind {
            InputKind::Bytes(bytes) => Some((input.at, bytes)),
            _ => None,
        })
        .collect()
}

/// Hands pieces over at their own times, counted from now, until one is refused.
#[expect(clippy::disallowed_methods, reason = "a line is as slow as it is")]
pub fn play(pieces: &[(SessionTime, Vec<u8>)], mut send: impl FnMut(&[u8]) -> bool) {
    let begun = std::time::Instant::now();
    for (at, bytes) in pieces {
        let now = SessionTime::from_duration(begun.elapsed());
        std::thread::sleep(at.since(now));
        if !send(bytes) {
            return;
        }
    }
}
