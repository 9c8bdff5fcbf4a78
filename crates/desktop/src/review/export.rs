//! The recording as a table: all of it, or the part that is shown, written on threads of their own.

use std::io::ErrorKind;
use std::num::NonZero;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use egui::{RichText, TextEdit, Ui};
use model::{Batch, Input, InputKind, SessionTime};
use session::RowReader;

use crate::colours::Meaning;
use crate::dialogs::{Dialogs, Field};
use crate::pieces;
use crate::wording::Said;

/// Rows that are handed on at once.
const MANY: usize = 2048;

/// What the person typed, and how far the writing is.
#[derive(Debug, Default)]
pub(super) struct Export {
    open: bool,
    path: String,
    /// Only what is shown.
    part: bool,
    /// The file is there already; it is written over when asked again.
    over: Option<PathBuf>,
    dialogs: Dialogs,
    state: Arc<Mutex<State>>,
}

#[derive(Clone, PartialEq, Eq, Debug, Default)]
enum State {
    #[default]
    Idle,
    Writing,
    Done(String),
    Failed(String),
}

impl Export {
    /// The button that opens the rest.
    pub(super) fn button(&mut self, ui: &mut Ui) {
        if ui.selectable_label(self.open, "Table as CSV…").clicked() {
            self.open = !self.open;
        }
    }

    /// The line with the file to write, once it was asked for. `shown`: in nanoseconds, `None` if all of it is.
    pub(super) fn ui(&mut self, ui: &mut Ui, recording: &Path, shown: Option<Range<u64>>) {
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
            if ui.add(field).labelled_by(label.id).changed() {
                self.over = None;
            }
            if ui.add_enabled(!self.dialogs.is_open(), egui::Button::new("Choose…")).clicked() {
                self.dialogs.ask(Field::Csv, ui.ctx());
            }
            let path = PathBuf::from(self.path.trim());
            let asks = self.over.as_ref() == Some(&path);
            let can = !self.path.trim().is_empty() && state != State::Writing;
            let text = if asks { "Write over it" } else { "Write the table" };
            if ui.add_enabled(can, egui::Button::new(text)).clicked() {
                if path.exists() && !asks {
                    self.over = Some(path);
                } else {
                    self.over = None;
                    let range = shown.filter(|_| self.part);
                    self.start(recording.to_owned(), path, range, ui.ctx());
                }
            }
            if self.over.is_some() {
                ui.label("a file of this name is there already");
            }
        });
        if let Some(said) = self.dialogs.said {
            ui.label(RichText::new(said).size(13.0));
        }
        match state {
            State::Idle => {}
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

    fn start(&mut self, recording: PathBuf, to: PathBuf, range: Option<Range<u64>>, ctx: &egui::Context) {
        // What an earlier table came to is not this one's.
        self.state = Arc::new(Mutex::new(State::Writing));
        let (state, ctx) = (Arc::clone(&self.state), ctx.clone());
        let work = move || {
            let range = range.map(|range| SessionTime::from_nanos(range.start)..SessionTime::from_nanos(range.end));
            let done = match write(&recording, &to, range) {
                Ok((rows, None)) => State::Done(format!("{rows} rows in {}", to.display())),
                Ok((rows, Some(damage))) => State::Failed(format!("{rows} rows in {}, but {damage}", to.display())),
                Err(why) => State::Failed(format!("can't write {}: {why}", to.display())),
            };
            *state.lock().unwrap_or_else(PoisonError::into_inner) = done;
            ctx.request_repaint();
        };
        if let Err(error) = std::thread::Builder::new().name("table".to_owned()).spawn(work) {
            self.state = Arc::new(Mutex::new(State::Failed(format!("the system gave no thread: {error}"))));
        }
    }
}

/// Writes what `packwake export` writes of the same recording and times, byte for byte. The file takes its name when it
/// is complete. Returns the rows, and what is missing in the recording.
fn write(from: &Path, to: &Path, range: Option<Range<SessionTime>>) -> Result<(u64, Option<String>), String> {
    let recording = session::opening::recording(from).map_err(|failure| failure.text)?;
    let protocol = session::opening::protocol_of(recording.header()).map_err(|failure| failure.text)?;
    let mut inputs = recording.inputs();
    let mut reader = RowReader::new(Arc::clone(&protocol));
    let mut complete = false;
    let next = |batch: &mut Batch| {
        while !reader.ended() && reader.waiting() < MANY {
            match inputs.next() {
                Some(input) => {
                    reader.process(&input);
                    complete |= reader.ended();
                }
                None => reader.process(&Input::new(reader.now(), InputKind::End)),
            }
        }
        reader.take_into(batch)
    };
    // The file that a link points to is replaced, not the link.
    let target = std::fs::canonicalize(to).unwrap_or_else(|_| to.to_owned());
    let folder = target.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut file = new_file_in(folder).map_err(|error| words(&error))?;
    let threads = std::thread::available_parallelism().unwrap_or(NonZero::<usize>::MIN);
    let rows = report::export(protocol.layout(), next, range, threads, &mut file).map_err(|error| error.to_string())?;
    file.as_file().sync_all().map_err(|error| words(&error))?;
    file.persist(&target).map_err(|error| words(&error.error))?;
    let damage = inputs.damage().first().map(|damage| format!("the recording is incomplete: {damage}"));
    let cut = (!complete).then(|| "the recording has no end".to_owned());
    Ok((rows, damage.or(cut)))
}

fn new_file_in(folder: &Path) -> std::io::Result<tempfile::NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        // As any new file: the system takes away what this person's mask forbids.
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    builder.tempfile_in(folder)
}

fn words(error: &std::io::Error) -> String {
    let hint = match error.kind() {
        ErrorKind::NotFound => "; make the folder first",
        ErrorKind::IsADirectory => "; give a file in that folder",
        ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => "; choose a folder that you may write to",
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => "; the disk is full: make room or choose another",
        _ => "",
    };
    format!("{error}{hint}")
}
