//! The recording as a table: all of it, or the part that is shown, written on threads of their own.

use std::io::ErrorKind;
use std::num::NonZero;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use egui::{RichText, TextEdit, Ui};
use model::{Batch, SessionTime};
use session::RowReader;
use session::new_file::{self, NewFile};

use crate::colours::Meaning;
use crate::dialogs::{Dialogs, Field};
use crate::pieces;
use crate::wording::Said;

/// What a table is made of.
struct Wanted {
    recording: PathBuf,
    /// The text of the protocol that it is read by, if it is not its own.
    protocol: Option<String>,
    /// In nanoseconds; `None` for all of it.
    range: Option<Range<u64>>,
}

/// What the person typed, and how far the writing is.
#[derive(Debug, Default)]
pub(super) struct Export {
    open: bool,
    path: String,
    /// Only what is shown.
    part: bool,
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

/// Why there is no table.
#[derive(Clone, PartialEq, Eq, Debug)]
enum NotWritten {
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

impl Export {
    /// The button that opens the rest.
    pub(super) fn button(&mut self, ui: &mut Ui) {
        if ui.selectable_label(self.open, "Table as CSV…").clicked() {
            self.open = !self.open;
        }
    }

    /// The line with the file to write, once it was asked for. `shown`: in nanoseconds, `None` if all of it is.
    /// `protocol`: the text of the protocol that it is read by, if it is not its own.
    pub(super) fn ui(&mut self, ui: &mut Ui, recording: &Path, protocol: Option<&str>, shown: Option<Range<u64>>) {
        if !self.open {
            return;
        }
        if let Some((Field::Csv, path)) = self.dialogs.chosen() {
            self.path = path.display().to_string();
        }
        let state = self.state();
        ui.horizontal_wrapped(|ui| {
            ui.selectable_value(&mut self.part, false, "all of it");
            let part = ui.add_enabled(shown.is_some(), egui::Button::selectable(self.part, "what is shown"));
            if part.clicked() {
                self.part = true;
            }
            let label = ui.label("to");
            let field =
                TextEdit::singleline(&mut self.path).hint_text("a new file, such as acorn.csv").desired_width(260.0);
            ui.add(field).labelled_by(label.id);
            if ui.add_enabled(!self.dialogs.is_open(), egui::Button::new("Choose…")).clicked() {
                self.dialogs.ask(Field::Csv, ui.ctx());
            }
            let path = PathBuf::from(self.path.trim());
            let asks = state == State::There(path.clone());
            let can = !self.path.trim().is_empty() && state != State::Writing;
            let text = if asks { "Write over it" } else { "Write the table" };
            if ui.add_enabled(can, egui::Button::new(text)).clicked() {
                let range = shown.filter(|_| self.part);
                let from = Wanted { recording: recording.to_owned(), protocol: protocol.map(str::to_owned), range };
                self.start(from, path, asks, ui.ctx());
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
                ui.label("the table is being written");
            }
            State::Done(text) => {
                pieces::said(ui, &Said { meaning: Meaning::Safe, sign: "+", text }, 13.0);
            }
            State::Failed(text) => {
                pieces::said(ui, &Said { meaning: Meaning::Danger, sign: "x", text }, 13.0);
            }
        }
    }

    fn state(&self) -> State {
        self.state.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn start(&mut self, from: Wanted, to: PathBuf, over: bool, ctx: &egui::Context) {
        // What an earlier table came to is not this one's.
        self.state = Arc::new(Mutex::new(State::Writing));
        let ends = Ends { state: Arc::clone(&self.state), ctx: ctx.clone() };
        let work = move || {
            let done = match write(&from, &to, over) {
                Ok((rows, None)) => State::Done(format!("{rows} rows in {}", to.display())),
                Ok((rows, Some(damage))) => State::Failed(format!("{rows} rows in {}, but {damage}", to.display())),
                Err(NotWritten::There) => State::There(to),
                Err(NotWritten::Why(why)) => State::Failed(format!("can't write {}: {why}", to.display())),
            };
            ends.with(done);
        };
        if let Err(error) = std::thread::Builder::new().name("table".to_owned()).spawn(work) {
            self.state = Arc::new(Mutex::new(State::Failed(format!("the system gave no thread: {error}"))));
        }
    }
}

/// Writes what `packwake export` writes of the same recording and times, byte for byte. The file takes its name when it
/// is complete; a file that has it already is replaced only if `over`. Returns the rows, and what is missing in the
/// recording.
fn write(from: &Wanted, to: &Path, over: bool) -> Result<(u64, Option<String>), NotWritten> {
    let range =
        from.range.as_ref().map(|range| SessionTime::from_nanos(range.start)..SessionTime::from_nanos(range.end));
    let by_protocol = from.protocol.as_ref();
    let from = from.recording.as_path();
    // The file that a link points to is replaced, not the link.
    let target = std::fs::canonicalize(to).unwrap_or_else(|_| to.to_owned());
    if std::fs::canonicalize(from).is_ok_and(|from| from == target) {
        return Err("that is the recording itself; choose another name".to_owned().into());
    }
    if !over && std::fs::symlink_metadata(&target).is_ok() {
        return Err(NotWritten::There);
    }
    let recording = session::opening::recording(from).map_err(|failure| failure.text)?;
    let mut header = recording.header().clone();
    if let Some(text) = by_protocol {
        header.protocol_text.clone_from(text);
    }
    let protocol = session::opening::protocol_of(&header).map_err(|failure| failure.text)?;
    let mut inputs = recording.inputs_ahead();
    let mut reader = RowReader::new(Arc::clone(&protocol));
    let next = |batch: &mut Batch| reader.next_batch(&mut inputs, batch);
    let mut file = NewFile::at(&target).map_err(|error| words(&error))?;
    let threads = std::thread::available_parallelism().unwrap_or(NonZero::<usize>::MIN);
    let rows = report::export(protocol.layout(), next, range, threads, &mut file).map_err(|error| error.to_string())?;
    match file.keep(over) {
        Ok(()) => {}
        // It came while this one was written.
        Err(error) if error.kind() == ErrorKind::AlreadyExists => return Err(NotWritten::There),
        Err(error) => return Err(words(&error).into()),
    }
    let damage = inputs.damage().first().map(|damage| format!("the recording is incomplete: {damage}"));
    let cut = (!reader.is_complete()).then(|| "the recording has no end".to_owned());
    Ok((rows, damage.or(cut)))
}

fn words(error: &std::io::Error) -> String {
    new_file::hint(error).map_or_else(|| error.to_string(), |hint| format!("{error}; {hint}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_thread_that_ends_by_a_fault_says_so() {
        let state = Arc::new(Mutex::new(State::Writing));
        let ends = Ends { state: Arc::clone(&state), ctx: egui::Context::default() };
        let thread = std::thread::Builder::new().name("table".to_owned()).spawn(move || {
            let _ends = ends;
            panic!("on purpose, in a test");
        });
        assert!(thread.unwrap().join().is_err());
        assert_eq!(*state.lock().unwrap(), State::Failed("stopped by a fault of this program".to_owned()));
    }
}
