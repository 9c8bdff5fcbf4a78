//! Chunks on their way to a reader: unpacked when it asks, or ahead of it on a thread of its own.

use std::collections::VecDeque;
use std::io;
use std::panic::resume_unwind;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::{Builder, JoinHandle};

use crate::walk::{Found, Walker};

/// A group that was unpacked ahead has so many bytes, or the one chunk more that went past it. Handing over each chunk of
/// a kilobyte by itself would take as long as unpacking it.
const GROUP: usize = 256 << 10;
/// And no more places than this, so that a file full of damage can't make one grow.
const PLACES: usize = 1024;
/// Groups that may wait for the reader; then the thread waits.
const WAITING: usize = 1;
/// Memory that one chunk of another writer made larger than this is given back.
const KEPT: usize = 2 * GROUP;

/// What was found, one after the other, and the memory for it.
#[derive(Default)]
pub(crate) struct Group {
    /// The records of all its chunks.
    pub(crate) memory: Vec<u8>,
    /// Each with the place in the file behind it.
    pub(crate) found: VecDeque<(Found, u64)>,
    /// Nothing follows; the file was read up to here.
    pub(crate) over: Option<u64>,
}

impl Group {
    fn clear(&mut self) {
        self.found.clear();
        self.memory.clear();
        if KEPT < self.memory.capacity() {
            self.memory = Vec::new();
        }
    }

    /// Puts what the walker finds next in place of what is here: so many bytes of chunks, or the first thing found.
    fn fill(&mut self, walker: &mut Walker, bytes: usize) {
        self.clear();
        loop {
            match walker.next(&mut self.memory) {
                Some(Found::Attachment { .. } | Found::Metadata { .. }) => {}
                Some(found) => self.found.push_back((found, walker.position())),
                None => {
                    self.over = Some(walker.position());
                    return;
                }
            }
            if bytes <= self.memory.len() && !self.found.is_empty() || PLACES <= self.found.len() {
                return;
            }
        }
    }
}

/// Where groups come from.
pub(crate) enum Groups {
    /// One thing at a time, when it is asked for.
    Asked(Box<Walker>),
    Ahead(Ahead),
}

impl Groups {
    /// Starts the thread. Dropping this ends it, and does not wait for that.
    ///
    /// # Errors
    /// The system gave no thread.
    pub(crate) fn ahead(mut walker: Walker) -> io::Result<Self> {
        let stop = Arc::new(AtomicBool::new(false));
        walker.stop = Some(Arc::clone(&stop));
        let (send, groups) = sync_channel::<Group>(WAITING);
        let (give_back, used) = sync_channel::<Group>(WAITING + 2);
        let thread = Builder::new().name("unpacking".to_owned()).spawn(move || {
            loop {
                let mut group = used.try_recv().unwrap_or_default();
                group.fill(&mut walker, GROUP);
                let over = group.over.is_some();
                // Where nobody takes it any more, the reader is gone.
                if send.send(group).is_err() || over {
                    return;
                }
            }
        })?;
        Ok(Self::Ahead(Ahead { groups, give_back, stop, thread: Some(thread) }))
    }

    /// Puts the next group in place of this one. There is always one until one was the last.
    pub(crate) fn next_into(&mut self, group: &mut Group) {
        match self {
            Self::Asked(walker) => group.fill(walker, 0),
            Self::Ahead(ahead) => ahead.next_into(group),
        }
    }
}

pub(crate) struct Ahead {
    groups: Receiver<Group>,
    give_back: SyncSender<Group>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Ahead {
    fn next_into(&mut self, group: &mut Group) {
        match self.groups.recv() {
            Ok(next) => {
                let mut done = std::mem::replace(group, next);
                done.clear();
                // Memory that is not wanted back is dropped.
                drop(self.give_back.try_send(done));
            }
            Err(_) => {
                // It sends its last group before it ends: it died by a fault, which is the reader's as if it had read itself.
                if let Some(Err(fault)) = self.thread.take().map(JoinHandle::join) {
                    resume_unwind(fault);
                }
                group.clear();
                group.over = Some(0);
            }
        }
    }
}

impl Drop for Ahead {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
    }
}

#[cfg(test)]
#[expect(clippy::disallowed_methods, reason = "how long a thread lives is no session time")]
mod tests {
    use super::*;
    use crate::walk::Source;
    use std::time::{Duration, Instant};

    /// A chunk that unpacks to the limit and then has the wrong checksum, so many times.
    fn bombs(count: usize) -> Vec<u8> {
        let bomb = zstd::bulk::compress(&vec![0; 32 << 20], 3).expect("packed");
        let mut chunk = vec![mcap::records::op::CHUNK];
        chunk.extend_from_slice(&(44 + bomb.len() as u64).to_le_bytes());
        chunk.extend_from_slice(&[0; 16]);
        chunk.extend_from_slice(&(32_u64 << 20).to_le_bytes());
        chunk.extend_from_slice(&[1, 0, 0, 0, 4, 0, 0, 0]);
        chunk.extend_from_slice(b"zstd");
        chunk.extend_from_slice(&(bomb.len() as u64).to_le_bytes());
        chunk.extend_from_slice(&bomb);
        [mcap::MAGIC, &chunk.repeat(count)].concat()
    }

    #[test]
    fn who_goes_away_ends_the_longest_search() {
        let bytes = bombs(2_000);
        let len = bytes.len() as u64;
        let source = Arc::new(Source::Bytes(bytes));
        let mut walker = Walker::new(Arc::clone(&source), len);
        walker.patience = u64::MAX;
        let groups = Groups::ahead(walker).expect("a thread");
        std::thread::sleep(Duration::from_millis(100));
        let Groups::Ahead(ahead) = &groups else { panic!("it is ahead") };
        assert!(ahead.groups.try_recv().is_err(), "it searches and has nothing to give yet");
        let began = Instant::now();
        drop(groups);
        while 1 < Arc::strong_count(&source) {
            assert!(began.elapsed() < Duration::from_secs(2), "it goes on though nobody wants to know");
            std::thread::sleep(Duration::from_millis(1));
        }
    }

    #[test]
    fn a_fault_of_the_thread_is_not_taken_for_the_end() {
        let (send, groups) = sync_channel::<Group>(1);
        let (give_back, _used) = sync_channel(1);
        let thread = Builder::new().spawn(move || {
            let _ends_with_it = send;
            panic!("on purpose, in a test");
        });
        let thread = Some(thread.expect("a thread"));
        let mut ahead = Ahead { groups, give_back, stop: Arc::default(), thread };
        let taken = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| ahead.next_into(&mut Group::default())));
        assert!(taken.is_err());
    }
}
