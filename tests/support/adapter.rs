//! Bytes as a USB adapter hands them over: collected for some milliseconds, at most 62 together, read with some delay.

use std::sync::Arc;
use std::time::Duration;

use model::{Input, InputKind, SessionTime};
use parser::Protocol;
use simulator::{ByProtocol, Fault, FrameMaker, Scene, Telegrams};

use crate::Dice;

/// The most bytes of one piece: a packet of 64 bytes with two of status (common practice, no source).
pub const MOST_BYTES: usize = 62;
/// The adapter hands over what it has after this long at the most.
const LATENCY: Duration = Duration::from_millis(16);
/// The host reads this much later at the most.
const HOST_DELAY: Duration = Duration::from_micros(1_500);

/// The inputs of a simulated session through an adapter: opened, bytes, an end at exactly `length`.
///
/// The seed decides only how the bytes are cut and delayed. What an adapter holds when it is unplugged is lost.
pub fn through_adapter(
    protocol_file: &str,
    scene: &Scene,
    faults: &[Fault],
    length: SessionTime,
    seed: u64,
) -> Vec<Input> {
    by_protocol_through_adapter(crate::protocol(protocol_file), scene, faults, length, seed)
}

/// The same for a protocol that is in no file.
pub fn by_protocol_through_adapter(
    protocol: Arc<Protocol>,
    scene: &Scene,
    faults: &[Fault],
    length: SessionTime,
    seed: u64,
) -> Vec<Input> {
    let maker = ByProtocol::new(protocol);
    let line = maker.line();
    let telegrams = Telegrams::new(scene, faults, maker).until(length);
    let gone = telegrams.unplugged_at();
    let last = gone.unwrap_or(length).min(length);

    let mut inputs = vec![Input::new(SessionTime::ZERO, InputKind::Opened { source: "a simulated line".to_owned() })];
    let mut dice = Dice::new(seed);
    let mut held: Vec<u8> = Vec::new();
    let mut due = SessionTime::ZERO;
    let mut read_at = SessionTime::ZERO;
    let mut hand_over = |at: SessionTime, held: &mut Vec<u8>, dice: &mut Dice| {
        // A later piece is never read before an earlier one.
        read_at = read_at.max(at + HOST_DELAY.mul_f64(dice.share()));
        let bytes = std::mem::take(held);
        if read_at < last && !bytes.is_empty() {
            inputs.push(Input::new(read_at, InputKind::Bytes(bytes)));
        }
    };
    for telegram in telegrams {
        for (index, byte) in (1..).zip(telegram.bytes) {
            let at = telegram.at + line.time_of(index);
            if !held.is_empty() && due <= at {
                hand_over(due, &mut held, &mut dice);
            }
            if held.is_empty() {
                due = at + LATENCY.mul_f64(dice.share());
            }
            held.push(byte);
            if held.len() == MOST_BYTES {
                hand_over(at, &mut held, &mut dice);
            }
        }
    }
    hand_over(due, &mut held, &mut dice);
    if let Some(at) = gone.filter(|at| *at < length) {
        inputs.push(Input::new(at, InputKind::Lost { why: "unplugged".to_owned() }));
    }
    inputs.push(Input::new(length, InputKind::End));
    inputs
}
