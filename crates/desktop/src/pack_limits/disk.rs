//! Reading and saving a pack file on threads of their own: no frame waits for a disk.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};

use egui::Context;
use session::pack_file::{NotSaved, Over, save};

/// What came of it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Done {
    /// The text of this file, or why it can't be read.
    Read(PathBuf, Result<String, String>),
    /// This text was saved there, or why not.
    Saved(PathBuf, String, Result<(), NotSaved>),
}

/// One thing at a time.
#[derive(Clone, Debug, Default)]
pub(super) struct Disk {
    done: Arc<Mutex<Option<Done>>>,
    busy: bool,
}

impl Disk {
    /// Whether something is being read or saved.
    pub(super) fn is_busy(&self) -> bool {
        self.busy
    }

    pub(super) fn read(&mut self, path: PathBuf, ctx: &Context) {
        let of = path.clone();
        let failed = move |why: &str| Done::Read(of.clone(), Err(why.to_owned()));
        self.start(failed, ctx, move || {
            let text = session::opening::read_text(&path);
            Done::Read(path, text)
        });
    }

    pub(super) fn save(&mut self, path: PathBuf, text: String, over: Over, ctx: &Context) {
        let of = (path.clone(), text.clone());
        let failed = move |why: &str| {
            let (path, text) = of.clone();
            let refused = NotSaved::Refused { why: why.to_owned(), path: path.clone() };
            Done::Saved(path, text, Err(refused))
        };
        self.start(failed, ctx, move || {
            let result = save(&path, &text, &over);
            Done::Saved(path, text, result)
        });
    }

    fn start(
        &mut self,
        failed: impl Fn(&str) -> Done + Clone + Send + 'static,
        ctx: &Context,
        work: impl FnOnce() -> Done + Send + 'static,
    ) {
        // What an earlier one comes to is of no interest any more.
        self.done = Arc::default();
        self.busy = true;
        let ends = Ends { done: Arc::clone(&self.done), ctx: ctx.clone(), failed: failed.clone() };
        let spawned = std::thread::Builder::new().name("pack file".to_owned()).spawn(move || {
            let done = work();
            *ends.done.lock().unwrap_or_else(PoisonError::into_inner) = Some(done);
        });
        if spawned.is_err() {
            *self.done.lock().unwrap_or_else(PoisonError::into_inner) = Some(failed("the system gave no thread"));
        }
    }

    /// What came of it, once.
    pub(super) fn take(&mut self) -> Option<Done> {
        let done = self.done.lock().unwrap_or_else(PoisonError::into_inner).take()?;
        self.busy = false;
        Some(done)
    }
}

/// However the thread ends, nobody waits for it.
struct Ends<F: Fn(&str) -> Done> {
    done: Arc<Mutex<Option<Done>>>,
    ctx: Context,
    failed: F,
}

impl<F: Fn(&str) -> Done> Drop for Ends<F> {
    fn drop(&mut self) {
        // Another one may have taken what was done already: only a fault leaves nothing.
        if std::thread::panicking() {
            let failed = (self.failed)("stopped by a fault of this program");
            *self.done.lock().unwrap_or_else(PoisonError::into_inner) = Some(failed);
        }
        self.ctx.request_repaint();
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    #[test]
    fn a_fault_while_it_is_read_is_said_and_the_next_can_begin() {
        let failed = |why: &str| Done::Read(PathBuf::from("cart.toml"), Err(why.to_owned()));
        let mut disk = Disk::default();
        disk.start(failed, &Context::default(), || panic!("on purpose, in a test"));
        let mut done = None;
        for _ in 0..2_000 {
            done = disk.take();
            if done.is_some() {
                break;
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        assert_eq!(done, Some(failed("stopped by a fault of this program")));
        assert!(!disk.is_busy());
    }
}
