//! The pack that the person chose, read before a session so that its limits can be shown.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};

use session::rules::Pack;

/// A pack, or why there is none.
pub type Read = Result<Arc<Pack>, String>;

/// Reads a pack file on a thread of its own, whenever another path is asked for.
#[derive(Clone, Debug, Default)]
pub struct PackFile {
    asked: Option<PathBuf>,
    read: Arc<Mutex<Option<(PathBuf, Read)>>>,
}

impl PackFile {
    /// The pack in this file; `None` while it is being read.
    pub fn at(&mut self, path: PathBuf, ctx: &egui::Context) -> Option<Read> {
        let read = self.read.lock().unwrap_or_else(PoisonError::into_inner).clone();
        if let Some((_, read)) = read.filter(|(of, _)| *of == path) {
            return Some(read);
        }
        if self.asked.as_ref() != Some(&path) {
            self.asked = Some(path.clone());
            self.ask(path, ctx.clone());
        }
        None
    }

    /// Forgets what was read: the file may have changed.
    pub fn forget(&mut self) {
        *self = Self::default();
    }

    fn ask(&self, path: PathBuf, ctx: egui::Context) {
        let read = Arc::clone(&self.read);
        let put = |read: &Mutex<Option<(PathBuf, Read)>>, path, pack| {
            *read.lock().unwrap_or_else(PoisonError::into_inner) = Some((path, pack));
        };
        let (to, of) = (Arc::clone(&read), path.clone());
        let spawned = std::thread::Builder::new().name("pack file".to_owned()).spawn(move || {
            let pack = session::opening::read_pack(&of).map(Arc::new);
            put(&to, of, pack);
            ctx.request_repaint();
        });
        if let Err(error) = spawned {
            put(&read, path, Err(error.to_string()));
        }
    }
}
