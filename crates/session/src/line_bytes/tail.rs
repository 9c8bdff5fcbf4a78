//! The newest bytes of a session that runs, in bounded memory.

use std::collections::VecDeque;

use model::{Batch, Input, Item};
use parser::Protocol;

use super::{HAPPENINGS, Happened, Happening, STRETCH, Stretch, bytes_of};

/// Places where a cut is sound stand at least so many bytes apart.
const APART: u64 = 256;

/// Keeps the newest bytes.
#[derive(Debug, Default)]
pub(crate) struct Tail {
    from: u64,
    bytes: Vec<u8>,
    happenings: VecDeque<Happening>,
    /// Where a frame began that is no answer: what lies behind does not depend on what came before.
    sound: VecDeque<u64>,
}

impl Tail {
    /// Takes an input, before it is decoded.
    pub(crate) fn input(&mut self, input: &Input) {
        let Some(what) = Happened::of(&input.kind) else { return };
        let stream = self.received();
        if let Happened::Sent(_) = what {
            self.can_begin(stream);
        }
        let bytes = bytes_of(&input.kind);
        match (self.happenings.back_mut(), &what) {
            (Some(Happening { at, what: Happened::Read(length), .. }), Happened::Read(more)) if *at == input.at => {
                *length = length.saturating_add(*more);
            }
            _ => self.happenings.push_back(Happening { at: input.at, stream, what }),
        }
        self.bytes.extend_from_slice(bytes);
        // Twice as much waits, so that bytes are moved seldom.
        if 2 * STRETCH < self.bytes.len() as u64 {
            let at = self.bytes.len() - usize::try_from(STRETCH).unwrap_or(0);
            self.bytes.drain(..at);
            self.from += at as u64;
        }
        while 2 * HAPPENINGS < self.happenings.len()
            || self.happenings.front().is_some_and(|first| first.stream + first.what.length() < self.from)
        {
            self.happenings.pop_front();
        }
    }

    /// Takes what the bytes were decoded to.
    pub(crate) fn batch(&mut self, batch: &Batch, protocol: &Protocol) {
        for item in &batch.order {
            let Item::Row { kind, row } = item else { continue };
            let kind = usize::from(*kind);
            let bytes = batch.kinds.get(kind).and_then(|rows| rows.bytes.get(*row as usize));
            if let Some(bytes) = bytes.filter(|_| !protocol.is_answer(kind)) {
                self.can_begin(bytes.start);
            }
        }
    }

    fn can_begin(&mut self, at: u64) {
        if self.sound.back().is_none_or(|last| last + APART <= at) {
            self.sound.push_back(at);
        }
        while self.sound.front().is_some_and(|first| *first < self.from) {
            self.sound.pop_front();
        }
    }

    fn received(&self) -> u64 {
        self.from + self.bytes.len() as u64
    }

    /// The newest bytes, from where a frame begins if that is known.
    pub(crate) fn stretch(&self) -> Stretch {
        let first = self.happenings.len().saturating_sub(HAPPENINGS);
        let first = self.happenings.get(first).map_or(self.from, |first| first.stream);
        let least = self.received().saturating_sub(STRETCH).max(self.from).max(first);
        let sound = self.sound.iter().copied().find(|at| least <= *at);
        let from = if least == 0 { 0 } else { sound.unwrap_or(least) };
        let index = usize::try_from(from - self.from).unwrap_or(usize::MAX);
        let mut happenings = Vec::new();
        for happening in &self.happenings {
            let end = happening.stream + happening.what.length();
            let mut happening = happening.clone();
            // A read that the stretch begins in the middle of.
            if happening.stream < from && from < end {
                let left = u32::try_from(end - from).unwrap_or(u32::MAX);
                happening.stream = from;
                match &mut happening.what {
                    Happened::Read(length) | Happened::Datagram(length) => *length = left,
                    _ => {}
                }
            }
            if from <= happening.stream {
                happenings.push(happening);
            }
        }
        Stretch { from, bytes: self.bytes.get(index..).unwrap_or_default().to_vec(), happenings }
    }
}
