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
    /// The candidate of each.
    candidates: Vec<u16>,
    /// Whether it is sound.
    sound: Vec<bool>,
    /// The first one that was not passed yet.
    next: usize,
    /// No look is worth it in front of this place.
    not_before: usize,
    /// Of one candidate, to be checked together.
    group: Vec<(u32, usize)>,
}

impl Ahead {
    /// Forgets all of it: another stream follows.
    pub(crate) fn clear(&mut self) {
        self.not_before = 0;
        self.forget();
    }

    fn forget(&mut self) {
        self.starts.clear();
        self.candidates.clear();
        self.sound.clear();
        self.next = 0;
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
        let candidate = *self.candidates.get(self.next)?;
        let index = usize::from(candidate);
        let length = plan.candidates.get(index).map(|candidate| candidate.length(candidate.body))?;
        let block = blocks.get_mut(index)?;
        let room = block.starts.get_mut(block.count..)?;
        let mut next = at;
        let rest = self.starts.get(self.next..)?.iter().zip(self.candidates.get(self.next..)?);
        let mut frames = 0;
        for (to, ((start, its), sound)) in room.iter_mut().zip(rest.zip(self.sound.get(self.next..)?)) {
            if *start as usize != next || *its != candidate || !*sound {
                break;
            }
            *to = *start;
            next += length;
            frames += 1;
        }
        block.count += frames;
        self.next += frames;
        (0 < frames).then_some(Taken { candidate: index, frames, length: next - at })
    }

    #[inline(never)]
    fn look(&mut self, plan: &Plan, stream: &[u8], at: usize) {
        self.forget();
        self.not_before = plan.look_ahead(stream, at, MOST, &mut self.starts, &mut self.candidates).max(at + 1);
        if self.starts.len() < LEAST {
            return self.forget();
        }
        self.sound.resize(self.starts.len(), false);
        let Some(first) = self.candidates.first().copied() else { return };
        if self.candidates.iter().all(|candidate| *candidate == first) {
            for (starts, sound) in self.starts.chunks(GROUP).zip(self.sound.chunks_mut(GROUP)) {
                let found = plan.sound(first.into(), stream, starts);
                for (bit, sound) in sound.iter_mut().enumerate() {
                    *sound = found >> bit & 1 == 1;
                }
            }
            return;
        }
        for candidate in 0..plan.candidates.len() {
            let all = self.starts.iter().zip(&self.candidates).enumerate();
            let its = all.filter(|(_, (_, its))| usize::from(**its) == candidate);
            self.group.clear();
            self.group.extend(its.map(|(index, (start, _))| (*start, index)));
            for group in self.group.chunks(GROUP) {
                let mut starts = [0; GROUP];
                for (to, (start, _)) in starts.iter_mut().zip(group) {
                    *to = *start;
                }
                let found = plan.sound(candidate, stream, starts.get(..group.len()).unwrap_or_default());
                for (bit, (_, index)) in group.iter().enumerate() {
                    if let Some(sound) = self.sound.get_mut(*index) {
                        *sound = found >> bit & 1 == 1;
                    }
                }
            }
        }
    }
}
