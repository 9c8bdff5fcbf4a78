//! The text of the protocol, to be mended beside what it makes of the bytes.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use egui::text::{CCursor, CCursorRange, LayoutJob, TextFormat};
use egui::{Align2, Button, FontId, Id, RichText, ScrollArea, TextBuffer, TextEdit, Ui, pos2, vec2};
use model::{Fault, Level};
use session::line_bytes::{Answer, By, Source};
use session::pack_file::{self, NotSaved, Over};
use session::worker::Replay;

use crate::colours::{Colours, Meaning};
use crate::dialogs::{Dialogs, Field};
use crate::pieces;
use crate::shell::Files;
use crate::start::Wish;
use crate::wording::Said;

use super::Want;

/// Room for the numbers of the lines.
const GUTTER: f32 = 46.0;
/// The height of the list of faults, at most.
const FAULTS: f32 = 132.0;

/// What can be done with the text here.
pub(crate) struct Can {
    /// The recording that is shown.
    pub(crate) recording: Option<PathBuf>,
    /// A session waits to be started with this file.
    pub(crate) start: bool,
}

/// The text, and what was done to it.
#[derive(Debug, Default)]
pub(crate) struct Mend {
    /// Whether it is shown.
    pub(crate) open: bool,
    text: String,
    /// The source's own text.
    own: Option<Arc<str>>,
    /// What was typed, where it differs.
    edited: Option<Arc<str>>,
    /// Of what it is the text.
    of: Option<PathBuf>,
    /// What was typed for others.
    drafts: Vec<(PathBuf, String)>,
    /// Where it is saved.
    path: String,
    /// The file whose text is the source's own.
    own_file: Option<PathBuf>,
    /// What was saved last, and where.
    saved_last: Option<(PathBuf, String)>,
    dialogs: Dialogs,
    saved: Arc<Saved>,
    /// Put the cursor here, counted in characters.
    cursor: Option<usize>,
}

#[derive(Debug, Default)]
struct Saved {
    written: AtomicU64,
    state: Mutex<Saving>,
}

#[derive(Clone, Debug, Default)]
enum Saving {
    #[default]
    Idle,
    Busy,
    /// The file, and its text.
    Done(PathBuf, String),
    /// There is another text, which the person has to be asked about.
    Asks(PathBuf, String),
    Failed(String),
}

impl Saved {
    fn set(&self, state: Saving) {
        *self.state.lock().unwrap_or_else(PoisonError::into_inner) = state;
    }

    fn state(&self) -> Saving {
        self.state.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

/// However the thread that saves ends, nobody waits for it.
struct Ends {
    saved: Arc<Saved>,
    ctx: egui::Context,
}

impl Drop for Ends {
    fn drop(&mut self) {
        if matches!(self.saved.state(), Saving::Busy) {
            self.saved.set(Saving::Failed("stopped by a fault of this program".to_owned()));
        }
        self.ctx.request_repaint();
    }
}

impl Mend {
    /// What was typed, where it differs from the source's own text.
    pub(crate) fn edited(&self) -> Option<Arc<str>> {
        self.edited.clone()
    }

    /// Whether what was typed is in no file.
    pub(crate) fn has_unsaved_edits(&self) -> bool {
        let saved = |text: &str| self.saved_last.as_ref().is_some_and(|(_, saved)| saved == text);
        self.edited.as_ref().is_some_and(|edited| !saved(edited)) || !self.drafts.is_empty()
    }

    /// How often a file was written.
    pub(crate) fn written(&self) -> u64 {
        self.saved.written.load(Ordering::Relaxed)
    }

    /// Whose text it is. Returns whether that is another than before.
    pub(crate) fn source(&mut self, source: &Source, files: &Files) -> bool {
        let of = match source {
            Source::File(path) | Source::Protocol(path) => path.clone(),
            Source::Live(..) => files.protocol.clone().unwrap_or_else(|| PathBuf::from("this session")),
        };
        if self.of.as_ref() == Some(&of) {
            return false;
        }
        if let (Some(before), Some(edited)) = (self.of.take(), self.edited.take()) {
            self.drafts.retain(|(path, _)| *path != before);
            self.drafts.push((before, edited.to_string()));
        }
        self.own = None;
        self.text = String::new();
        if let Some(at) = self.drafts.iter().position(|(path, _)| *path == of) {
            self.text = self.drafts.swap_remove(at).1;
            self.edited = Some(Arc::from(self.text.as_str()));
        }
        let own_file = match source {
            Source::File(_) => None,
            Source::Live(..) | Source::Protocol(_) => files.protocol.clone(),
        };
        self.path = own_file.as_ref().map_or_else(String::new, |path| path.display().to_string());
        self.own_file = own_file;
        self.of = Some(of);
        // One that is still written is finished; what it came to is of no interest here.
        let written = AtomicU64::new(self.written());
        self.saved = Arc::new(Saved { written, ..Saved::default() });
        self.saved_last = None;
        true
    }

    /// The source's own text came.
    pub(crate) fn take(&mut self, answer: &Answer) {
        let Some(own) = &answer.own_text else { return };
        let same = self.own.as_ref() == Some(own);
        if self.edited.is_none() && !same {
            self.text = own.to_string();
        }
        self.own = Some(Arc::clone(own));
        self.compare();
    }

    fn compare(&mut self) {
        let differs = self.own.as_deref() != Some(self.text.as_str());
        if !differs {
            self.edited = None;
        } else if self.edited.as_deref() != Some(self.text.as_str()) {
            self.edited = Some(Arc::from(self.text.as_str()));
        }
    }

    /// Draws it.
    pub(crate) fn ui(&mut self, ui: &mut Ui, answer: Option<&Answer>, can: &Can) -> Option<Want> {
        let colours = Colours::of(ui.visuals());
        let faults: &[Fault] = answer.map_or(&[], |answer| &answer.faults);
        let errors = faults.iter().filter(|fault| fault.level == Level::Error).count();
        ui.horizontal_wrapped(|ui| {
            ui.label(RichText::new("Protocol text").size(18.0));
            let of = self.of.as_ref().map_or_else(String::new, |of| of.display().to_string());
            ui.label(RichText::new(of).size(13.0).color(colours.faint));
        });
        if let Some(answer) = answer {
            pieces::said(ui, &standing(answer, errors, self.edited.is_some()), 14.0);
        }
        // Wrong examples keep nobody from looking.
        let usable = answer.is_some_and(|answer| answer.by == By::Asked);
        let mut want = None;
        ui.horizontal_wrapped(|ui| {
            if let Some(recording) = &can.recording {
                let ready = usable && self.edited.is_some();
                if ui.add_enabled(ready, Button::new("Use it for this recording")).clicked() {
                    want = Some(Want::Show(Wish::Replay(Replay {
                        path: recording.clone(),
                        protocol_text: Some(self.text.clone()),
                        ..Replay::default()
                    })));
                }
            }
            if can.start {
                let ready = usable && self.edited.is_none();
                if ui.add_enabled(ready, Button::new("Start watching with it")).clicked() {
                    want = Some(Want::Start);
                }
            }
            let drop = ui.add_enabled(self.edited.is_some(), Button::new("Drop the changes"));
            if drop.on_hover_text("Ctrl+Z in the text brings them back").clicked() {
                if let Some(own) = &self.own {
                    self.text = own.to_string();
                }
                self.compare();
            }
        });
        self.save_ui(ui);
        let room = ui.available_height();
        let list = if faults.is_empty() { 0.0 } else { FAULTS.min(room * 0.4) };
        self.editor(ui, faults, (room - list - 12.0).max(60.0));
        if !faults.is_empty() {
            ui.separator();
            self.faults(ui, faults);
        }
        want
    }

    /// Where it is written, and what came of it.
    fn save_ui(&mut self, ui: &mut Ui) {
        if let Some((Field::SaveProtocol, path)) = self.dialogs.chosen() {
            self.path = path.display().to_string();
        }
        let state = self.saved.state();
        if let Saving::Done(path, text) = &state
            && self.saved_last.as_ref().is_none_or(|last| (&last.0, &last.1) != (path, text))
        {
            self.saved_last = Some((path.clone(), text.clone()));
        }
        ui.horizontal(|ui| {
            let label = ui.label("Save to");
            let width = (ui.available_width() - 160.0).max(80.0);
            let edit = TextEdit::singleline(&mut self.path).id(Id::unique("where the protocol is saved"));
            ui.add(edit.hint_text("a file").desired_width(width)).labelled_by(label.id);
            if ui.add_enabled(!self.dialogs.is_open(), Button::new("Choose…")).clicked() {
                self.dialogs.ask(Field::SaveProtocol, ui.ctx());
            }
            let ready = !self.path.trim().is_empty() && !self.text.is_empty() && !matches!(state, Saving::Busy);
            if ui.add_enabled(ready, Button::new("Save")).clicked() {
                self.save(None, ui.ctx());
            }
        });
        let said = match state {
            Saving::Idle => return,
            Saving::Busy => Said { meaning: Meaning::Unknown, sign: "=", text: "it is being saved".to_owned() },
            Saving::Done(path, _) => {
                Said { meaning: Meaning::Unknown, sign: "=", text: format!("saved to {}", path.display()) }
            }
            Saving::Failed(why) => Said { meaning: Meaning::Danger, sign: "x", text: format!("not saved: {why}") },
            Saving::Asks(path, why) => {
                let said = Said { meaning: Meaning::Abnormal, sign: "!", text: format!("not saved: {why}") };
                pieces::said(ui, &said, 13.5);
                ui.horizontal_wrapped(|ui| {
                    // Another path was typed meanwhile: nobody asked about that one.
                    let same = path == Path::new(self.path.trim());
                    if ui.add_enabled(same, Button::new("Write over it")).clicked() {
                        self.save(Some(Over::Anything), ui.ctx());
                    }
                    if ui.button("Leave it").clicked() {
                        self.saved.set(Saving::Idle);
                    }
                });
                return;
            }
        };
        pieces::said(ui, &said, 13.5);
    }

    /// Writes it on a thread of its own. `over`: what the person was asked about.
    fn save(&mut self, over: Option<Over>, ctx: &egui::Context) {
        let path = PathBuf::from(self.path.trim());
        let asked = over.is_some();
        let over = over.unwrap_or_else(|| self.over(&path));
        // What an earlier one comes to is of no interest any more; how many there were is.
        let written = AtomicU64::new(self.written());
        self.saved = Arc::new(Saved { written, state: Mutex::new(Saving::Busy) });
        let (text, saved) = (self.text.clone(), Arc::clone(&self.saved));
        let ends = Ends { saved: Arc::clone(&self.saved), ctx: ctx.clone() };
        let spawned = std::thread::Builder::new().name("protocol file".to_owned()).spawn(move || {
            let saved = &ends.saved;
            let errors = session::opening::protocol_errors(&text);
            // A text with faults takes the place of no file unasked.
            let over = if 0 < errors && !asked { Over::Nothing } else { over };
            match pack_file::save(&path, &text, &over) {
                Ok(()) => {
                    saved.written.fetch_add(1, Ordering::Relaxed);
                    saved.set(Saving::Done(path, text));
                }
                Err(NotSaved::Exists { .. }) if 0 < errors => {
                    let faults = if errors == 1 { "a fault".to_owned() } else { format!("{errors} faults") };
                    let why = format!("the text has {faults}, and there is a file of this name already");
                    saved.set(Saving::Asks(path, why));
                }
                Err(error @ (NotSaved::Exists { .. } | NotSaved::Changed { .. })) => {
                    saved.set(Saving::Asks(path, error.to_string()));
                }
                Err(error @ NotSaved::Refused { .. }) => saved.set(Saving::Failed(error.to_string())),
            }
        });
        if let Err(error) = spawned {
            saved.set(Saving::Failed(format!("the system gave no thread: {error}")));
        }
    }

    /// What may lie at this path, as far as the person knows.
    fn over(&self, path: &Path) -> Over {
        match (&self.saved_last, &self.own) {
            (Some((last, text)), _) if last == path => Over::Known(text.clone()),
            (_, Some(own)) if self.own_file.as_deref() == Some(path) => Over::Known(own.to_string()),
            _ => Over::Nothing,
        }
    }

    fn editor(&mut self, ui: &mut Ui, faults: &[Fault], height: f32) {
        let colours = Colours::of(ui.visuals());
        let id = Id::unique("protocol text");
        let mut aim = None;
        if let Some(at) = self.cursor.take() {
            let mut state = TextEdit::load_state(ui.ctx(), id).unwrap_or_default();
            state.cursor.set_char_range(Some(CCursorRange::one(CCursor::new(at))));
            state.store(ui.ctx(), id);
            ui.ctx().memory_mut(|memory| memory.request_focus(id));
            aim = Some(at);
        }
        let font = FontId::monospace(13.0);
        let mut layouter = |ui: &Ui, text: &dyn TextBuffer, _width: f32| {
            ui.painter().layout_job(coloured(text.as_str(), &font, &colours))
        };
        let area = ScrollArea::both().id_salt("protocol text").auto_shrink(false).max_height(height);
        let changed = area.show(ui, |ui| {
            ui.horizontal_top(|ui| {
                ui.spacing_mut().item_spacing.x = 0.0;
                let (gutter, _) = ui.allocate_exact_size(vec2(GUTTER, 0.0), egui::Sense::hover());
                let edit = TextEdit::multiline(&mut self.text).id(id).code_editor().layouter(&mut layouter);
                let output = edit.desired_width(f32::INFINITY).desired_rows(12).show(ui);
                output
                    .response
                    .widget_info(|| egui::WidgetInfo::labeled(egui::Role::MultilineTextInput, true, "Protocol text"));
                let clip = ui.clip_rect();
                for (line, row) in (1_usize..).zip(&output.galley.rows) {
                    let top = output.galley_pos.y + row.pos.y;
                    let bottom = top + row.row.size.y;
                    if bottom < clip.top() || clip.bottom() < top {
                        continue;
                    }
                    let fault = faults.iter().filter(|fault| fault.line == line).map(|fault| fault.level).min();
                    let at = pos2(gutter.left(), (top + bottom) / 2.0);
                    let mut ink = colours.faint;
                    if let Some(level) = fault {
                        let (meaning, sign) = of_level(level);
                        ink = colours.of_meaning(meaning);
                        let whole = egui::Rect::from_min_max(pos2(gutter.left(), top), pos2(clip.right(), bottom));
                        ui.painter().rect_filled(whole, 0.0, colours.wash(meaning));
                        pieces::paint_sign(ui.painter(), at + vec2(6.0, 0.0), 4.5, sign, ink, colours.sheet);
                    }
                    let at = at + vec2(GUTTER - 8.0, 0.0);
                    ui.painter().text(at, Align2::RIGHT_CENTER, line, FontId::monospace(12.0), ink);
                }
                if let Some(at) = aim {
                    let place = output.galley.pos_from_cursor(CCursor::new(at));
                    let place = place.translate(output.galley_pos.to_vec2());
                    let none = egui::style::ScrollAnimation::none();
                    ui.scroll_to_rect_animation(place.expand(30.0), Some(egui::Align::Center), none);
                }
                output.response.changed()
            })
            .inner
        });
        if changed.inner {
            self.compare();
        }
    }

    /// Each fault with its place; a click goes there.
    fn faults(&mut self, ui: &mut Ui, faults: &[Fault]) {
        let colours = Colours::of(ui.visuals());
        ScrollArea::vertical().id_salt("faults").auto_shrink([false, true]).show(ui, |ui| {
            for fault in faults {
                let hint = fault.hint.as_ref().map_or_else(String::new, |hint| format!("; {hint}"));
                let text = format!("line {}, column {}: {}{hint}", fault.line, fault.column, fault.message);
                let (meaning, sign) = of_level(fault.level);
                ui.horizontal(|ui| {
                    let (rect, _) = ui.allocate_exact_size(vec2(12.0, 18.0), egui::Sense::hover());
                    let colour = colours.of_meaning(meaning);
                    pieces::paint_sign(ui.painter(), rect.center(), 4.5, sign, colour, colours.sheet);
                    let label = RichText::new(text).size(13.5).color(colour);
                    if ui.add(Button::new(label).frame(false).wrap()).clicked() {
                        let before = self.text.get(..fault.span.start.min(self.text.len())).unwrap_or_default();
                        self.cursor = Some(before.chars().count());
                    }
                });
            }
        });
    }
}

fn of_level(level: Level) -> (Meaning, &'static str) {
    match level {
        Level::Error => (Meaning::Danger, "x"),
        Level::Warning => (Meaning::Abnormal, "!"),
    }
}

/// What the bytes are read by, and what is wrong with the text.
fn standing(answer: &Answer, errors: usize, edited: bool) -> Said {
    let count = match errors {
        1 => "1 fault".to_owned(),
        many => format!("{many} faults"),
    };
    let (meaning, sign, text) = match (answer.by, errors) {
        (By::Asked, 0) if edited => {
            (Meaning::Unknown, "=", "No faults. What is shown follows this text, not the session's.".to_owned())
        }
        (By::Asked, 0) => (Meaning::Unknown, "=", "No faults.".to_owned()),
        (By::Asked, _) => {
            (Meaning::Abnormal, "!", format!("{count} in its examples; what is shown follows this text."))
        }
        (By::LastGood, _) => {
            (Meaning::Danger, "x", format!("{count}. What is shown follows the last text that had none."))
        }
        (By::Nothing, _) if answer.own_text.is_none() => (Meaning::Unknown, "?", "There is no text yet.".to_owned()),
        (By::Nothing, _) => (Meaning::Danger, "x", format!("{count}. Nothing can be read by it.")),
    };
    Said { meaning, sign, text }
}

/// Comments stand back.
fn coloured(text: &str, font: &FontId, colours: &Colours) -> LayoutJob {
    let mut job = LayoutJob::default();
    job.wrap.max_width = f32::INFINITY;
    for line in text.split_inclusive('\n') {
        let colour = if line.trim_start().starts_with('#') { colours.faint } else { colours.ink };
        job.append(line, 0.0, TextFormat::simple(font.clone(), colour));
    }
    // A line behind the last newline has its place, too.
    if text.is_empty() || text.ends_with('\n') {
        job.append("", 0.0, TextFormat::simple(font.clone(), colours.ink));
    }
    job
}
