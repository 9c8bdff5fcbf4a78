//! The screen of the pack: which limits hold for it, and what would another one have raised?

mod disk;
mod draft;
mod facts;
mod preview;
mod table;
mod words;

use std::collections::BTreeMap;
use std::path::PathBuf;

use egui::{CentralPanel, Context, Frame, Key, Label, Margin, Modifiers, Panel, RichText, ScrollArea, TextEdit, Ui};
use model::Level;
use session::pack_file::{NotSaved, Over as Overwrite};
use session::snapshot::{Phase, Recording};

use crate::alarms;
use crate::colours::{Colours, Meaning};
use crate::dialogs::{Dialogs, Field as Ask};
use crate::pieces;
use crate::shell::Files;
use crate::wording::{Look, Said};

use disk::{Disk, Done};
use draft::Draft;
use facts::Facts;
use preview::{Over, Preview};
use table::{Table, fault_said};

/// Wider than this, what would have been raised stands beside the limits.
const BESIDE: f32 = 1080.0;
/// Faults that are listed above the fields.
const LISTED: usize = 6;

/// What the person asked for.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum PackWish {
    /// Judge the running session's line by this text from now on: a new session.
    JudgeBy(String),
    /// Show the recording judged by this text.
    ShowBy(String),
}

/// Whose text is edited.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
enum Of {
    File(PathBuf),
    Practice,
    Recording(PathBuf),
}

/// What the person typed and chose.
#[derive(Debug, Default)]
pub struct PackScreen {
    of: Option<Of>,
    draft: Option<Draft>,
    /// Why there is none.
    unread: Option<String>,
    /// Where it is saved; for a text out of a recording nowhere yet.
    path: Option<PathBuf>,
    disk: Disk,
    /// A save that has to be asked about.
    conflict: Option<NotSaved>,
    said: Option<Said>,
    table: Table,
    facts: Facts,
    preview: Preview,
    /// The whole text is edited, not its fields.
    as_text: bool,
    /// The path being typed for "Save as".
    save_as: Option<String>,
    /// The system's file dialog.
    pub dialogs: Dialogs,
    in_session: bool,
    /// Edits that were not saved when another pack came into view; they come back with theirs.
    kept: BTreeMap<Of, (Draft, Option<PathBuf>)>,
}

impl PackScreen {
    /// Draws the screen. `look`: the session that runs or is shown; `None` before one. `practice`: the text of the
    /// practice pack, where that is chosen before a session.
    pub fn ui(
        &mut self,
        ui: &mut Ui,
        look: Option<Look<'_>>,
        files: &Files,
        practice: Option<&str>,
    ) -> Option<PackWish> {
        self.take_over(ui, look, files, practice);
        self.take_done();
        self.keys(ui);
        let colours = Colours::of(ui.visuals());
        let over = over(look, files);
        if let Some(draft) = &self.draft {
            let in_force = in_force(look);
            let now = draft.now();
            let other = now.pack().is_some() && Some(now.text()) != in_force;
            self.preview.look(&over, (other && look.is_some()).then_some(now.text()), ui.ctx());
        }
        let frame = Frame::new().fill(colours.ground).inner_margin(Margin::symmetric(20, 10));
        let mut wish = None;
        let beside = BESIDE <= ui.available_width();
        if beside && self.draft.is_some() && look.is_some() {
            let width = (ui.available_width() * 0.28).clamp(320.0, 420.0);
            let side = Panel::right("what would have been raised").exact_size(width).resizable(false);
            let side = side.show_separator_line(false).frame(Frame::new().fill(colours.sheet).inner_margin(12));
            side.show(ui, |ui| self.preview_ui(ui, look, &over, true));
        }
        CentralPanel::default().frame(frame).show(ui, |ui| {
            wish = self.head(ui, look);
            if self.draft.is_none() {
                self.nothing(ui);
                return;
            }
            let area = ScrollArea::vertical().id_salt("limits").auto_shrink([false, false]);
            area.show(ui, |ui| {
                if !beside && look.is_some() {
                    Frame::new().fill(colours.sheet).inner_margin(10).show(ui, |ui| {
                        ui.set_width(ui.available_width());
                        self.preview_ui(ui, look, &over, false);
                    });
                    ui.add_space(8.0);
                }
                self.body(ui, look);
            });
        });
        wish
    }

    fn body(&mut self, ui: &mut Ui, look: Option<Look<'_>>) {
        let Some(draft) = &mut self.draft else { return };
        if self.as_text || !draft.now().has_fields() {
            text_ui(ui, draft);
            return;
        }
        let measured = look.map(|look| &look.snapshot.held);
        self.table.ui(ui, draft, measured);
        ui.add_space(14.0);
        self.facts.ui(ui, draft);
        ui.add_space(20.0);
    }

    fn preview_ui(&mut self, ui: &mut Ui, look: Option<Look<'_>>, over: &Over, scrolls: bool) {
        let Some(draft) = &self.draft else { return };
        let why = match (draft.now().pack(), &over.recording) {
            (None, _) => "Mend the faults first: a text with faults judges nothing.",
            (_, None) => {
                "This session is not recorded, so nothing can be judged again. The measured values beside each limit tell \
                 how far it is. Name a file to record to before the next session."
            }
            _ if Some(draft.now().text()) == in_force(look) => {
                "Change a limit, and what it would have raised on this recording shows here."
            }
            _ => "",
        };
        self.preview.ui(ui, over, why, scrolls);
    }

    /// Which text there is to edit.
    fn take_over(&mut self, ui: &Ui, look: Option<Look<'_>>, files: &Files, practice: Option<&str>) {
        let facts = look.and_then(|look| look.snapshot.facts.as_ref());
        let of = match (&files.pack, facts) {
            (Some(path), _) => Some(Of::File(path.clone())),
            (None, Some(facts)) if facts.replay => files.recording.clone().map(Of::Recording),
            (None, Some(_)) => Some(Of::Practice),
            (None, None) if look.is_some() => self.of.clone(),
            (None, None) => practice.map(|_| Of::Practice),
        };
        let text = facts.map(|facts| facts.judged_by.text()).or(practice);
        let began = look.is_some() && !self.in_session;
        self.in_session = look.is_some();
        if self.of != of {
            self.change_to(of, text, files, ui.ctx());
            return;
        }
        // What the session took from the file is what is edited, unless edits wait.
        if began
            && let Some(text) = text
            && self.draft.as_ref().is_none_or(|draft| !draft.is_changed() && draft.base().text() != text)
        {
            self.draft = Some(Draft::new(text.to_owned()));
            self.unread = None;
        }
    }

    fn change_to(&mut self, of: Option<Of>, text: Option<&str>, files: &Files, ctx: &Context) {
        let mut kept = std::mem::take(&mut self.kept);
        if let (Some(of), Some(draft)) = (self.of.take(), self.draft.take())
            && draft.is_changed()
        {
            kept.insert(of, (draft, self.path.take()));
        }
        let again = of.as_ref().and_then(|of| kept.remove(of));
        let dialogs = self.dialogs.clone();
        *self = Self { of, kept, in_session: self.in_session, dialogs, ..Self::default() };
        (self.draft, self.path) = match again {
            Some((draft, path)) => (Some(draft), path),
            None => (text.map(|text| Draft::new(text.to_owned())), files.pack.clone()),
        };
        if let (None, Some(path)) = (&self.draft, &files.pack) {
            self.disk.read(path.clone(), ctx);
        }
    }

    /// Whether edits wait that are in no file: a session that begins takes the file as it is saved.
    pub fn has_unsaved_edits(&self) -> bool {
        self.draft.as_ref().is_some_and(Draft::is_changed)
    }

    /// The screen comes into view. Before a session the file may have changed: it is read again, unless edits wait.
    pub fn opened(&mut self, in_session: bool) {
        let edits = self.draft.as_ref().is_some_and(Draft::is_changed);
        if !edits && !in_session && self.save_as.is_none() {
            self.of = None;
        }
    }

    fn take_done(&mut self) {
        if let Some((Ask::SavePack, path)) = self.dialogs.chosen() {
            self.save_as = Some(path.display().to_string());
        }
        match self.disk.take() {
            Some(Done::Read(path, text)) if self.path.as_ref() == Some(&path) => match text {
                Ok(text) => {
                    self.draft = Some(Draft::new(text));
                    self.unread = None;
                }
                Err(why) => self.unread = Some(why),
            },
            Some(Done::Saved(path, text, Ok(()))) => {
                self.say(Meaning::Safe, "+", format!("saved to {}", path.display()));
                if let Some(draft) = &mut self.draft {
                    draft.saved(&text);
                }
                self.path = Some(path);
                (self.conflict, self.save_as) = (None, None);
            }
            Some(Done::Saved(_, _, Err(error @ (NotSaved::Changed { .. } | NotSaved::Exists { .. })))) => {
                self.conflict = Some(error);
            }
            Some(Done::Saved(_, _, Err(error))) => {
                self.say(Meaning::Danger, "x", format!("not saved: {error}"));
            }
            Some(Done::Read(..)) | None => {}
        }
    }

    fn say(&mut self, meaning: Meaning, sign: &'static str, text: String) {
        self.said = Some(Said { meaning, sign, text });
    }

    /// Before any field sees them: its own way back would know only its own letters.
    fn keys(&mut self, ui: &Ui) {
        let Some(draft) = &mut self.draft else { return };
        let pressed = |modifiers, key| ui.input_mut(|input| input.consume_key(modifiers, key));
        let again = Modifiers::COMMAND | Modifiers::SHIFT;
        if pressed(again, Key::Z) || pressed(Modifiers::COMMAND, Key::Y) {
            draft.redo();
        } else if pressed(Modifiers::COMMAND, Key::Z) {
            draft.undo();
        }
        if pressed(Modifiers::COMMAND, Key::S) {
            self.save(ui, None);
        }
    }

    /// Saves to its file, or asks for one.
    fn save(&mut self, ui: &Ui, over: Option<Overwrite>) {
        let Some(draft) = &self.draft else { return };
        // By keys, too: what is being saved would be taken for somebody else's text.
        if self.disk.is_busy() {
            return;
        }
        if draft.now().pack().is_none() {
            self.say(Meaning::Danger, "x", "not saved: mend the faults first".to_owned());
            return;
        }
        let Some(path) = self.path.clone() else {
            self.save_as.get_or_insert_default();
            return;
        };
        let over = over.unwrap_or_else(|| Overwrite::Known(draft.base().text().to_owned()));
        self.disk.save(path, draft.now().text().to_owned(), over, ui.ctx());
        self.said = None;
    }

    /// The question, the file, and what can be done with it.
    fn head(&mut self, ui: &mut Ui, look: Option<Look<'_>>) -> Option<PackWish> {
        let colours = Colours::of(ui.visuals());
        ui.horizontal_wrapped(|ui| {
            ui.label(RichText::new("Which limits hold").size(22.0));
            ui.label(RichText::new(self.whose()).size(15.0).color(colours.faint));
        });
        if let Some(earlier) = look.and_then(|look| look.snapshot.earlier.as_deref()) {
            pieces::said(ui, &crate::wording::earlier(earlier), 14.5);
        }
        self.draft.as_ref()?;
        let wish = self.buttons(ui, look);
        self.ask_for_a_path(ui);
        self.ask_about_the_conflict(ui);
        if let Some(said) = &self.said {
            pieces::said(ui, said, 14.5);
        }
        if let Some(draft) = &self.draft {
            faults_ui(ui, draft);
        }
        ui.add_space(4.0);
        wish
    }

    /// Whose limits they are, and where they are kept.
    fn whose(&self) -> String {
        // The first fact is its name: there even where something else is wrong.
        let name = session::rules::pack_text::facts().next().map(|fact| fact.field);
        let name = name.and_then(|field| self.draft.as_ref()?.now().value(&field).map(str::to_owned));
        let name = name.unwrap_or_else(|| "this pack".to_owned());
        match (&self.of, &self.path) {
            (_, Some(path)) => format!("for {name}, in {}", path.display()),
            (Some(Of::Recording(_)), None) => format!("for {name}, as the recording has them: in no file yet"),
            (Some(Of::Practice), None) => format!("for {name}, the practice pack: in no file yet"),
            _ => String::new(),
        }
    }

    fn buttons(&mut self, ui: &mut Ui, look: Option<Look<'_>>) -> Option<PackWish> {
        let draft = self.draft.as_mut()?;
        let (changed, sound) = (draft.is_changed(), draft.now().pack().is_some());
        let other = look.is_some() && sound && Some(draft.now().text()) != in_force(look);
        let replay = look.and_then(|look| look.snapshot.facts.as_ref()).is_some_and(|facts| facts.replay);
        let can_act = look.is_some_and(alarms::can_act);
        let (mut save, mut save_as, mut wish) = (false, false, None);
        ui.horizontal_wrapped(|ui| {
            let button = |ui: &mut Ui, enabled, text| ui.add_enabled(enabled, egui::Button::new(text)).clicked();
            save = button(ui, changed && sound && !self.disk.is_busy(), "Save (Ctrl+S)");
            save_as = button(ui, sound && !self.disk.is_busy(), "Save as…");
            if button(ui, draft.can_undo(), "Undo (Ctrl+Z)") {
                draft.undo();
            }
            if button(ui, draft.can_redo(), "Redo (Ctrl+Shift+Z)") {
                draft.redo();
            }
            if draft.now().has_fields() {
                let text = if self.as_text { "Edit the fields" } else { "Edit the text" };
                if ui.button(text).clicked() {
                    self.as_text = !self.as_text;
                    draft.end_step();
                }
            }
            if changed {
                let said = Said { meaning: Meaning::Action, sign: "!", text: "not saved".to_owned() };
                pieces::said_whole(ui, &said, 14.0);
            }
        });
        if look.is_some() {
            ui.horizontal_wrapped(|ui| {
                let (text, enabled) = match replay {
                    true => ("Show the recording judged by these limits", other),
                    false => ("Judge by these limits from now on", other && can_act),
                };
                if ui.add_enabled(enabled, egui::Button::new(text)).clicked() {
                    let text = draft.now().text().to_owned();
                    draft.end_step();
                    wish = Some(if replay { PackWish::ShowBy(text) } else { PackWish::JudgeBy(text) });
                }
                let about = match (replay, other) {
                    (_, false) if sound => "The session is judged by these limits.",
                    (_, false) => "A text with faults judges nothing.",
                    (true, true) => "The recording stays as it is.",
                    (false, true) if !can_act => "No session runs.",
                    (false, true) => {
                        "Ends this session with its verdict, and begins a new one on the open line; it is recorded beside."
                    }
                };
                ui.label(RichText::new(about).size(13.5).color(Colours::of(ui.visuals()).faint));
            });
        }
        if save {
            self.save(ui, None);
        }
        if save_as && self.save_as.is_none() {
            self.save_as = Some(self.path.as_ref().map_or(String::new(), |path| path.display().to_string()));
        }
        wish
    }

    fn ask_for_a_path(&mut self, ui: &mut Ui) {
        let Some(mut typed) = self.save_as.take() else { return };
        let (mut save, mut keep) = (false, true);
        ui.horizontal_wrapped(|ui| {
            let label = ui.label("Save as");
            let width = (ui.available_width() - 330.0).clamp(160.0, 460.0);
            let field =
                TextEdit::singleline(&mut typed).desired_width(width).hint_text("a new file, such as my-pack.toml");
            let field = ui.add(field).labelled_by(label.id);
            let enter = field.lost_focus() && ui.input(|input| input.key_pressed(Key::Enter));
            let choose = ui.add_enabled(!self.dialogs.is_open(), egui::Button::new("Choose…"));
            choose.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, "Choose: save as"));
            if choose.clicked() {
                self.dialogs.ask(Ask::SavePack, ui.ctx());
            }
            let ready = !typed.trim().is_empty() && !self.disk.is_busy();
            save = ui.add_enabled(ready, egui::Button::new("Save there")).clicked() || (enter && ready);
            keep = !ui.button("Cancel").clicked();
        });
        if let Some(said) = self.dialogs.said {
            ui.label(RichText::new(said).size(13.5).weak());
        }
        if save && let Some(draft) = &self.draft {
            let path = PathBuf::from(typed.trim());
            // Its own file is no other one.
            let over = if self.path.as_ref() == Some(&path) {
                Overwrite::Known(draft.base().text().to_owned())
            } else {
                Overwrite::Nothing
            };
            self.disk.save(path, draft.now().text().to_owned(), over, ui.ctx());
        }
        self.save_as = keep.then_some(typed);
    }

    /// Somebody else's text is not written over unasked.
    fn ask_about_the_conflict(&mut self, ui: &mut Ui) {
        let Some(conflict) = self.conflict.clone() else { return };
        let (path, changed) = match &conflict {
            NotSaved::Changed { path } => (path.clone(), true),
            NotSaved::Exists { path } | NotSaved::Refused { path, .. } => (path.clone(), false),
        };
        let said = Said { meaning: Meaning::Abnormal, sign: "!", text: format!("Not saved: {conflict}") };
        let (mut overwrite, mut again, mut cancel) = (false, false, false);
        ui.horizontal_wrapped(|ui| {
            pieces::said_inline(ui, &said, 14.5);
            let idle = !self.disk.is_busy();
            let button = |ui: &mut Ui, text| ui.add_enabled(idle, egui::Button::new(text)).clicked();
            again = changed && button(ui, "Load it again, without these edits");
            overwrite = button(ui, "Overwrite it");
            cancel = ui.button("Leave both").clicked();
        });
        if let (true, Some(draft)) = (overwrite, &self.draft) {
            self.disk.save(path.clone(), draft.now().text().to_owned(), Overwrite::Anything, ui.ctx());
        }
        if again {
            self.path = Some(path.clone());
            self.disk.read(path, ui.ctx());
        }
        if overwrite || again || cancel {
            self.conflict = None;
        }
    }

    /// There is no text to edit.
    fn nothing(&self, ui: &mut Ui) {
        let (meaning, sign, text) = match (&self.unread, &self.of) {
            (Some(why), _) => (Meaning::Danger, "x", format!("the pack file can't be read: {why}")),
            (None, Some(Of::File(_))) => (Meaning::Unknown, "?", "the pack file is being read".to_owned()),
            (None, Some(_)) => (Meaning::Unknown, "?", "the session is being opened".to_owned()),
            (None, None) => (
                Meaning::Unknown,
                "?",
                "No pack is chosen: choose one with its source (S). A recording brings its own; it shows here once it is \
                 opened."
                    .to_owned(),
            ),
        };
        pieces::said(ui, &Said { meaning, sign, text }, 16.0);
    }
}

/// The text that the session is judged by.
fn in_force<'s>(look: Option<Look<'s>>) -> Option<&'s str> {
    let facts = look?.snapshot.facts.as_ref()?;
    Some(facts.judged_by.text())
}

/// What there is to judge again.
fn over(look: Option<Look<'_>>, files: &Files) -> Over {
    let Some(look) = look else { return Over { recording: None, length: Default::default(), growing: false } };
    let snapshot = look.snapshot;
    let replay = snapshot.facts.as_ref().is_some_and(|facts| facts.replay);
    let recorded = replay || !matches!(snapshot.recording, Recording::Off);
    let recording = files.recording.clone().filter(|_| recorded);
    Over { recording, length: snapshot.at, growing: !replay && snapshot.phase == Phase::Running }
}

/// What is wrong with the text: what belongs to no field, and a count of the rest.
fn faults_ui(ui: &mut Ui, draft: &Draft) {
    let text = draft.now();
    let errors = text.faults().iter().filter(|(_, fault)| fault.level == Level::Error).count();
    if 0 < errors {
        let text = match errors {
            1 => "one fault: the file can't be used like this".to_owned(),
            errors => format!("{errors} faults: the file can't be used like this"),
        };
        pieces::said(ui, &Said { meaning: Meaning::Danger, sign: "x", text }, 15.0);
    }
    let of_none = text.faults().iter().filter(|(field, _)| field.is_none());
    let count = of_none.clone().count();
    for (_, fault) in of_none.take(LISTED) {
        let place = format!("line {}, column {}", fault.line, fault.column);
        pieces::said(ui, &fault_said(fault, &place), 14.0);
    }
    if LISTED < count {
        ui.label(format!("and {} more", count - LISTED));
    }
}

/// The text itself, for what has no field.
fn text_ui(ui: &mut Ui, draft: &mut Draft) {
    let colours = Colours::of(ui.visuals());
    if !draft.now().has_fields() {
        let about = "The text is not valid TOML, so its fields can't be told apart. Mend it here; then they are back.";
        ui.add(Label::new(RichText::new(about).size(14.5)).wrap());
    }
    for (_, fault) in draft.now().faults().iter().filter(|(field, _)| field.is_some()).take(LISTED) {
        let place = format!("line {}, column {}", fault.line, fault.column);
        pieces::said(ui, &fault_said(fault, &place), 14.0);
    }
    let mut text = draft.now().text().to_owned();
    let lines = text.lines().count().max(12);
    ui.horizontal_top(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        let numbers: Vec<String> = (1..=lines).map(|number| format!("{number:>4}")).collect();
        let font = egui::FontId::monospace(14.0);
        ui.add_space(2.0);
        ui.vertical(|ui| {
            ui.add_space(3.0);
            ui.label(RichText::new(numbers.join("\n")).font(font.clone()).color(colours.faint));
        });
        let edit = TextEdit::multiline(&mut text)
            .font(font)
            .desired_width(f32::INFINITY)
            .desired_rows(lines)
            .background_color(colours.sheet)
            .margin(Margin::symmetric(6, 3));
        let response = ui.add(edit);
        response.widget_info(|| {
            let mut info = egui::WidgetInfo::text_edit(true, "", draft.now().text(), "");
            info.label = Some("Text of the pack file".to_owned());
            info
        });
        if response.changed() {
            draft.set_text(std::mem::take(&mut text));
        }
        if response.lost_focus() {
            draft.end_step();
        }
    });
}
