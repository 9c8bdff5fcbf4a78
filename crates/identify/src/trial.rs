//! A draft tried on the bytes, by the decoder that will read them later.

use std::sync::Arc;

use model::{Batch, Level, Reason};
use parser::{Decoder, Protocol, Wrapping};

use crate::capture::Capture;

/// What came of trying a draft on all bytes.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Trial {
    /// All bytes.
    pub bytes: u64,
    /// Those in frames that were sound.
    pub sound_bytes: u64,
    /// Ends of packets and lines with nothing in front of them: no frame is expected there.
    pub filling: u64,
    /// Those in frames that were passed over: sound, but of a kind that the draft does not have.
    pub passed_bytes: u64,
    /// Sound frames of each message, as the draft lists them.
    pub frames: Vec<u64>,
    /// Frames whose checksum was wrong.
    pub check_failed: u64,
    /// Whether the frames are checked by a checksum at all.
    pub verified: bool,
}

impl Trial {
    /// Of all bytes but those between packets, those in sound frames.
    pub fn share(&self) -> f64 {
        let asked = self.bytes.saturating_sub(self.filling);
        if asked == 0 { 0.0 } else { self.sound_bytes.min(asked) as f64 / asked as f64 }
    }

    /// Bytes that are neither in sound frames nor between packets.
    pub fn unexplained(&self) -> u64 {
        self.bytes.saturating_sub(self.filling).saturating_sub(self.sound_bytes)
    }
}

/// Reads the text as a protocol file and decodes all bytes by it. `None` if it has a fault of any kind.
pub(crate) fn attempt(text: &str, capture: &Capture, wrapping: Option<Wrapping>) -> Option<Trial> {
    let (protocol, faults) = Protocol::parse(text);
    if faults.iter().any(|fault| fault.level == Level::Error) {
        return None;
    }
    let protocol = Arc::new(protocol?);
    let kinds = &protocol.layout().kinds;
    let mut trial = Trial {
        bytes: capture.bytes().len() as u64,
        filling: wrapping.map_or(0, |wrapping| filling(capture.bytes(), wrapping)),
        frames: vec![0; kinds.len()],
        verified: !kinds.is_empty() && kinds.iter().all(|kind| kind.verified),
        ..Trial::default()
    };
    let mut decoder = Decoder::new(Arc::clone(&protocol));
    let mut batch = Batch::default();
    for (at, bytes) in capture.reads() {
        decoder.push(at, bytes);
        while decoder.take_into(&mut batch) {
            trial.count(&batch);
        }
    }
    decoder.finish(capture.time_of(capture.bytes().len().saturating_sub(1)));
    while decoder.take_into(&mut batch) {
        trial.count(&batch);
    }
    Some(trial)
}

fn filling(bytes: &[u8], wrapping: Wrapping) -> u64 {
    let begin = u64::from(bytes.first().is_some_and(|first| wrapping.ends(*first)));
    let pairs = bytes.windows(2).filter(|pair| pair.iter().all(|byte| wrapping.ends(*byte)));
    begin + pairs.count() as u64
}

impl Trial {
    fn count(&mut self, batch: &Batch) {
        for (rows, frames) in batch.kinds.iter().zip(&mut self.frames) {
            *frames += rows.bytes.len() as u64;
            self.sound_bytes += rows.bytes.iter().map(|range| range.len()).sum::<u64>();
        }
        for rejected in &batch.rejected {
            match rejected.reason {
                Reason::CheckFailed { .. } => self.check_failed += 1,
                Reason::UnknownMessage => self.passed_bytes += rejected.bytes.len(),
                _ => {}
            }
        }
    }
}
