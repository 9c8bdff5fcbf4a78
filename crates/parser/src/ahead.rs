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

/// At most so many bytes are left out after looks in vain.
const LONGEST_PAUSE: usize = 1 << 14;

/// Frames of one candidate, each behind the one before.
#[derive(Debug, Default)]
pub(crate) struct Ahead {
    candidate: usize,
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
    /// How many bytes were last left out because a look was in vain.
    pause: usize,
}

/// Frames that follow each other.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Run {
    /// Which frames they are.
    pub(crate) first: usize,
    pub(crate) end: usize,
    /// From this place up to the first of them no frame begins.
    pub(crate) gap: usize,
}

/// What is known of a place.
pub(crate) enum Known {
    /// Sound frames lie there.
    Frames(Taken),
    /// No frame begins at so many bytes.
    Gap(usize),
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

    /// What is known of the place `at`: frames are put into the block of their candidate, as long as there is room.
    #[inline]
    pub(crate) fn take(&mut self, plan: &Plan, stream: &[u8], at: usize, blocks: &mut [Block]) -> Option<Known> {
        while self.starts.get(self.next).is_some_and(|start| (*start as usize) < at) {
            self.next += 1;
        }
        if self.starts.len() <= self.next {
            if at < self.not_before || stream.len() < at + WORTH {
                return None;
            }
            self.look(plan, stream, at);
        }
        let start = *self.starts.get(self.next)? as usize;
        while self.runs.get(self.run).is_some_and(|run| run.end <= self.next) {
            self.run += 1;
        }
        let run = self.runs.get(self.run)?;
        if start != at {
            // Elsewhere a frame that is not sound lies in front of it.
            let in_gap = run.first == self.next && run.gap <= at;
            return in_gap.then_some(Known::Gap(start - at));
        }
        let block = blocks.get_mut(self.candidate)?;
        let room = block.starts.get_mut(block.count..)?;
        let frames = self.sound_from(self.next, run.end.min(self.next + room.len()));
        let starts = self.starts.get(self.next..self.next + frames)?;
        for (to, start) in room.iter_mut().zip(starts) {
            *to = *start;
        }
        block.count += frames;
        self.next += frames;
        let length =
            frames * plan.candidates.get(self.candidate).map_or(0, |candidate| candidate.length(candidate.body));
        (0 < frames).then_some(Known::Frames(Taken { candidate: self.candidate, frames, length }))
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
        let Some((candidate, end)) = plan.look_ahead(stream, at, MOST, &mut self.starts, &mut self.runs) else {
            // No frame begins here, which tells nothing of what follows.
            self.not_before = at + 1;
            return;
        };
        if LEAST <= self.starts.len() {
            self.candidate = candidate;
            self.sound.extend(self.starts.chunks(GROUP).map(|starts| plan.sound(candidate, stream, starts)));
            self.not_before = end;
            self.pause = 0;
            return;
        }
        // Where messages take turns, each look would be in vain.
        self.forget();
        self.pause = (2 * self.pause).clamp(WORTH, LONGEST_PAUSE);
        self.not_before = at + self.pause;
    }
}
