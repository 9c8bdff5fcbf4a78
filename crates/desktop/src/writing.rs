//! A file that the person names and that is written on a thread of its own; one that is there already is written over only
//! when asked again.

use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use egui::{RichText, TextEdit, Ui};
use session::new_file::{self, NewFile};

use crate::colours::Meaning;
use crate::dialogs::{Dialogs, Field};
use crate::pieces;
use crate::wording::Said;

/// How it is called on the screen.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Named {
    /// `the table`.
    pub(crate) what: &'static str,
    /// Stands in the field while it is empty.
    pub(crate) hint: &'static str,
    /// What the system's dialog is asked for.
    pub(crate) field: Field,
}

/// What the person typed, and how far the writing is.
#[derive(Debug, Default)]
pub(crate) struct Writing {
    path: String,
    dialogs: Dialogs,
    state: Arc<Mutex<State>>,
}

#[derive(Clone, PartialEq, Eq, Debug, Default)]
enum State {
    #[default]
    Idle,
    Writing,
    /// There is a file of this name already: it is written over when asked again.
    There(PathBuf),
    Done(String),
    Failed(String),
}

/// What was written.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) struct Written {
    /// In words, with the file.
    pub(crate) text: String,
    /// Nothing is missing in what it was made of.
    pub(crate) whole: bool,
}

/// Why it was not.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) enum NotWritten {
    /// There is such a file.
    There,
    /// In words.
    Why(String),
}

impl From<String> for NotWritten {
    fn from(why: String) -> Self {
        Self::Why(why)
    }
}

/// However the thread that writes ends, nobody waits for it.
struct Ends {
    state: Arc<Mutex<State>>,
    ctx: egui::Context,
}

impl Ends {
    fn with(&self, state: State) {
        *self.state.lock().unwrap_or_else(PoisonError::into_inner) = state;
    }
}

impl Drop for Ends {
    fn drop(&mut self) {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        if *state == State::Writing {
            *state = State::Failed("stopped by a fault of this program".to_owned());
        }
        drop(state);
        self.ctx.request_repaint();
    }
}

impl Writing {
    /// The field, its buttons and what came of it. Returns where to write, and whether over what is there, when the person
    /// asks for it. `before`: what else stands in the line.
    pub(crate) fn ui(&mut self, ui: &mut Ui, named: &Named, before: impl FnOnce(&mut Ui)) -> Option<(PathBuf, bool)> {
        if let Some((_, path)) = self.dialogs.chosen() {
            self.path = path.display().to_string();
        }
        let state = self.state();
        let mut wanted = None;
        ui.horizontal_wrapped(|ui| {
            before(ui);
            let label = ui.label("to");
            let field = TextEdit::singleline(&mut self.path).hint_text(named.hint).desired_width(260.0);
            ui.add(field).labelled_by(label.id);
            if ui.add_enabled(!self.dialogs.is_open(), egui::Button::new("Choose…")).clicked() {
                self.dialogs.ask(named.field, ui.ctx());
            }
            let path = PathBuf::from(self.path.trim());
            let asks = state == State::There(path.clone());
            let can = !self.path.trim().is_empty() && state != State::Writing;
            let text = if asks { "Write over it".to_owned() } else { format!("Write {}", named.what) };
            if ui.add_enabled(can, egui::Button::new(text)).clicked() {
                wanted = Some((path, asks));
            }
            if asks {
                ui.label("a file of this name is there already");
            }
        });
        if let Some(said) = self.dialogs.said {
            ui.label(RichText::new(said).size(13.0));
        }
        match state {
            State::Idle | State::There(_) => {}
            State::Writing => {
                ui.label(format!("{} is being written", named.what));
            }
            State::Done(text) => {
                pieces::said(ui, &Said { meaning: Meaning::Safe, sign: "+", text }, 13.0);
            }
            State::Failed(text) => {
                pieces::said(ui, &Said { meaning: Meaning::Danger, sign: "x", text }, 13.0);
            }
        }
        wanted
    }

    fn state(&self) -> State {
        self.state.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Writes on a thread of its own. `work` gets the path and whether it may write over what is there.
    pub(crate) fn start(
        &mut self,
        to: PathBuf,
        over: bool,
        ctx: &egui::Context,
        work: impl FnOnce(&Path, bool) -> Result<Written, NotWritten> + Send + 'static,
    ) {
        // What an earlier one came to is not this one's.
        self.state = Arc::new(Mutex::new(State::Writing));
        let ends = Ends { state: Arc::clone(&self.state), ctx: ctx.clone() };
        let work = move || {
            let done = match work(&to, over) {
                Ok(Written { text, whole: true }) => State::Done(text),
                Ok(Written { text, whole: false }) => State::Failed(text),
                Err(NotWritten::There) => State::There(to),
                Err(NotWritten::Why(why)) => State::Failed(format!("can't write {}: {why}", to.display())),
            };
            ends.with(done);
        };
        if let Err(error) = std::thread::Builder::new().name("writing".to_owned()).spawn(work) {
            self.state = Arc::new(Mutex::new(State::Failed(format!("the system gave no thread: {error}"))));
        }
    }
}

/// A file that takes its name when it is complete. One that has it already is replaced only if `over`; `sources`, which it
/// is made of, never are.
pub(crate) struct Target {
    path: PathBuf,
    over: bool,
}

impl Target {
    /// Refuses before anything is read.
    pub(crate) fn new(to: &Path, over: bool, sources: &[&Path]) -> Result<Self, NotWritten> {
        // The file that a link points to is replaced, not the link.
        let path = std::fs::canonicalize(to).unwrap_or_else(|_| to.to_owned());
        if sources.iter().any(|source| std::fs::canonicalize(source).is_ok_and(|source| source == path)) {
            return Err("that is the recording itself; choose another name".to_owned().into());
        }
        if !over && std::fs::symlink_metadata(&path).is_ok() {
            return Err(NotWritten::There);
        }
        Ok(Self { path, over })
    }

    /// Writes by this.
    pub(crate) fn write<T>(self, by: impl FnOnce(&mut NewFile) -> Result<T, NotWritten>) -> Result<T, NotWritten> {
        let mut file = NewFile::at(&self.path).map_err(|error| words(&error))?;
        let written = by(&mut file)?;
        match file.keep(self.over) {
            Ok(()) => Ok(written),
            // It came while this one was written.
            Err(error) if error.kind() == ErrorKind::AlreadyExists => Err(NotWritten::There),
            Err(error) => Err(words(&error).into()),
        }
    }

    /// Writes a page.
    pub(crate) fn write_page(self, page: &str) -> Result<(), NotWritten> {
        self.write(|file| file.write_all(page.as_bytes()).map_err(|error| words(&error).into()))
    }
}

fn words(error: &std::io::Error) -> String {
    new_file::hint(error).map_or_else(|| error.to_string(), |hint| format!("{error}; {hint}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_thread_that_ends_by_a_fault_says_so() {
        let mut writing = Writing::default();
        let ctx = egui::Context::default();
        writing.start(PathBuf::from("x"), false, &ctx, |_, _| panic!("on purpose, in a test"));
        for _ in 0..1_000 {
            if writing.state() != State::Writing {
                break;
            }
            std::thread::sleep(std::time::Duration::from_millis(5));
        }
        assert_eq!(writing.state(), State::Failed("stopped by a fault of this program".to_owned()));
    }
}
