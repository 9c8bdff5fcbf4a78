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
        let failed = Done::Read(path.clone(), Err("the system gave no thread".to_owned()));
        self.start(failed, ctx, move || {
            let text = session::opening::read_text(&path);
            Done::Read(path, text)
        });
    }

    pub(super) fn save(&mut self, path: PathBuf, text: String, over: Over, ctx: &Context) {
        let refused = NotSaved::Refused { why: "the system gave no thread".to_owned(), path: path.clone() };
        let failed = Done::Saved(path.clone(), text.clone(), Err(refused));
        self.start(failed, ctx, move || {
            let result = save(&path, &text, &over);
            Done::Saved(path, text, result)
        });
    }

    fn start(&mut self, failed: Done, ctx: &Context, work: impl FnOnce() -> Done + Send + 'static) {
        // What an earlier one comes to is of no interest any more.
        self.done = Arc::default();
        self.busy = true;
        let (to, ctx) = (Arc::clone(&self.done), ctx.clone());
        let spawned = std::thread::Builder::new().name("pack file".to_owned()).spawn(move || {
            let done = work();
            *to.lock().unwrap_or_else(PoisonError::into_inner) = Some(done);
            ctx.request_repaint();
        });
        if spawned.is_err() {
            *self.done.lock().unwrap_or_else(PoisonError::into_inner) = Some(failed);
        }
    }

    /// What came of it, once.
    pub(super) fn take(&mut self) -> Option<Done> {
        let done = self.done.lock().unwrap_or_else(PoisonError::into_inner).take()?;
        self.busy = false;
        Some(done)
    }
}
