//! The system's own file dialog, on a thread of its own: no frame waits for it, and a typed path works without it.

use std::path::PathBuf;
use std::sync::mpsc::{Receiver, TryRecvError, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};

use egui::Context;

/// What a path is asked for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Field {
    /// A recording to show.
    Recording,
    /// A protocol file.
    Protocol,
    /// A pack file.
    Pack,
    /// A new file to record to.
    Record,
    /// A file to save a pack's limits to.
    SavePack,
    /// Where to write a protocol file.
    SaveProtocol,
    /// A new file for a table.
    Csv,
    /// A new file for a page.
    Page,
    /// An earlier recording to compare with.
    Earlier,
}

/// Asks the person; `None` if nothing was chosen or there is no dialog. Blocks.
pub type Pick = fn(Field) -> Option<PathBuf>;

/// One dialog at a time.
#[derive(Clone, Debug)]
pub struct Dialogs {
    pick: Pick,
    open: Option<(Field, Answer)>,
    /// What the last dialog came to, if there is something to say.
    pub said: Option<&'static str>,
}

type Answer = Arc<Mutex<Receiver<Option<PathBuf>>>>;

impl Default for Dialogs {
    fn default() -> Self {
        Self::new(of_the_system)
    }
}

impl Dialogs {
    /// With this way to ask.
    pub fn new(pick: Pick) -> Self {
        Self { pick, open: None, said: None }
    }

    /// Whether a dialog is open.
    pub fn is_open(&self) -> bool {
        self.open.is_some()
    }

    /// Opens the dialog for a field. Does not wait.
    pub fn ask(&mut self, field: Field, ctx: &Context) {
        let (send, answer) = sync_channel(1);
        let (pick, ctx) = (self.pick, ctx.clone());
        let spawned = std::thread::Builder::new().name("file dialog".to_owned()).spawn(move || {
            let path = pick(field);
            // Nobody takes an answer for a screen that is gone.
            drop(send.send(path));
            ctx.request_repaint();
        });
        self.said = None;
        match spawned {
            Ok(_) => self.open = Some((field, Arc::new(Mutex::new(answer)))),
            Err(_) => self.said = Some("the system gave no thread for a file dialog: type the path"),
        }
    }

    /// What was chosen, once.
    pub fn chosen(&mut self) -> Option<(Field, PathBuf)> {
        let (field, answer) = self.open.as_ref()?;
        let field = *field;
        let answer = answer.lock().unwrap_or_else(PoisonError::into_inner).try_recv();
        let path = match answer {
            Err(TryRecvError::Empty) => return None,
            Ok(path) => path,
            Err(TryRecvError::Disconnected) => None,
        };
        self.open = None;
        if path.is_none() {
            self.said =
                Some("no file was chosen; where no dialog opens, type the path or drop the file on this window");
        }
        Some((field, path?))
    }
}

fn of_the_system(field: Field) -> Option<PathBuf> {
    let dialog = rfd::FileDialog::new();
    match field {
        Field::Recording => dialog.set_title("Recording").add_filter("recordings", &["mcap"]).pick_file(),
        Field::Protocol => dialog.set_title("Protocol file").add_filter("protocol files", &["toml"]).pick_file(),
        Field::Pack => dialog.set_title("Pack file").add_filter("pack files", &["toml"]).pick_file(),
        Field::SavePack => dialog.set_title("Save as").add_filter("pack files", &["toml"]).save_file(),
        Field::SaveProtocol => {
            dialog.set_title("Save the protocol file").add_filter("protocol files", &["toml"]).save_file()
        }
        Field::Earlier => dialog.set_title("Earlier recording").add_filter("recordings", &["mcap"]).pick_file(),
        Field::Page => dialog.set_title("Page").add_filter("pages", &["html"]).save_file(),
        Field::Csv => dialog.set_title("Table").add_filter("tables", &["csv"]).save_file(),
        Field::Record => dialog.set_title("Record to").add_filter("recordings", &["mcap"]).save_file(),
    }
}
