//! Frames that lie further on in the stream, found by their first bytes and checked many at once.
//!
//! What is kept is a fact about a place, whatever becomes of the bytes in front of it: there a frame of this candidate
//! lies, and it is sound or not. The search still goes through the stream place by place and in order; it only finds
//! the answer ready.

use crate::plan::{Block, Plan, Taken};
use crate::side_by_side::GROUP;

/// Frames that are looked for at once.
const MOST: usize = 512;

/// Fewer are faster checked one by one.
const LEAST: usize = 8;

/// Bytes of a stream in which it is worth a look.
const WORTH: usize = 512;

/// The frames, each behind the one before.
#[derive(Debug, Default)]
pub(crate) struct Ahead {
    starts: Vec<u32>,
    /// Those that follow each other without a gap.
    runs: Vec<Run>,
    /// Whether each is sound: 32 of them a word, the first in the lowest bit.
    sound: Vec<u32>,
    /// The first frame that was not passed yet, and the first run that is not passed.
    next: usize,
    run: usize,
    /// No look is worth it in front of this place.
    not_before: usize,
    /// Frames of one candidate, to be checked together, and which of all they are.
    group: Vec<(u32, usize)>,
}

/// Frames of one candidate that follow each other.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Run {
    pub(crate) candidate: usize,
    /// Which frame is the first one behind it.
    pub(crate) end: usize,
}

impl Ahead {
    /// Forgets all of it: another stream follows.
    pub(crate) fn clear(&mut self) {
        self.not_before = 0;
        self.forget();
    }

    fn forget(&mut self) {
        self.starts.clear();
        self.runs.clear();
        self.sound.clear();
        (self.next, self.run) = (0, 0);
    }

    /// Sound frames of one candidate that follow each other from `at` on; they are put into its block, as long as there is
    /// room. `None` where nothing is known.
    #[inline]
    pub(crate) fn take(&mut self, plan: &Plan, stream: &[u8], at: usize, blocks: &mut [Block]) -> Option<Taken> {
        while self.starts.get(self.next).is_some_and(|start| (*start as usize) < at) {
            self.next += 1;
        }
        if self.starts.len() <= self.next {
            if at < self.not_before || stream.len() < at + WORTH {
                return None;
            }
            self.look(plan, stream, at);
        }
        if *self.starts.get(self.next)? as usize != at {
            return None;
        }
        while self.runs.get(self.run).is_some_and(|run| run.end <= self.next) {
            self.run += 1;
        }
        let run = self.runs.get(self.run)?;
        let block = blocks.get_mut(run.candidate)?;
        let room = block.starts.get_mut(block.count..)?;
        let frames = self.sound_from(self.next, run.end.min(self.next + room.len()));
        let starts = self.starts.get(self.next..self.next + frames)?;
        room.get_mut(..frames)?.copy_from_slice(starts);
        block.count += frames;
        self.next += frames;
        let length =
            frames * plan.candidates.get(run.candidate).map_or(0, |candidate| candidate.length(candidate.body));
        (0 < frames).then_some(Taken { candidate: run.candidate, frames, length })
    }

    /// How many frames from `from` on are sound, one behind the other.
    #[inline]
    fn sound_from(&self, from: usize, end: usize) -> usize {
        let mut at = from;
        while at < end {
            let word = self.sound.get(at / GROUP).copied().unwrap_or(0);
            let sound = (word >> (at % GROUP)).trailing_ones() as usize;
            at += sound;
            // Those shifted in are not sound, and none is where the word ended before.
            if !at.is_multiple_of(GROUP) || sound == 0 {
                break;
            }
        }
        at.min(end) - from
    }

    #[inline(never)]
    fn look(&mut self, plan: &Plan, stream: &[u8], at: usize) {
        self.forget();
        self.not_before = plan.look_ahead(stream, at, MOST, &mut self.starts, &mut self.runs).max(at + 1);
        if self.starts.len() < LEAST {
            return self.forget();
        }
        let Some(first) = self.runs.first().map(|run| run.candidate) else { return };
        if self.runs.iter().all(|run| run.candidate == first) {
            self.sound.extend(self.starts.chunks(GROUP).map(|starts| plan.sound(first, stream, starts)));
            return;
        }
        self.sound.resize(self.starts.len().div_ceil(GROUP), 0);
        for candidate in 0..plan.candidates.len() {
            self.group.clear();
            let mut begin = 0;
            for run in &self.runs {
                if run.candidate == candidate {
                    let starts = self.starts.get(begin..run.end).unwrap_or_default();
                    self.group.extend(starts.iter().copied().zip(begin..));
                }
                begin = run.end;
            }
            for group in self.group.chunks(GROUP) {
                let mut starts = [0; GROUP];
                for (to, (start, _)) in starts.iter_mut().zip(group) {
                    *to = *start;
                }
                let found = plan.sound(candidate, stream, starts.get(..group.len()).unwrap_or_default());
                for (bit, (_, index)) in group.iter().enumerate() {
                    if let Some(word) = self.sound.get_mut(index / GROUP) {
                        *word |= (found >> bit & 1) << (index % GROUP);
                    }
                }
            }
        }
    }
}
