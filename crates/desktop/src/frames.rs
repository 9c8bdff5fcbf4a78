//! The screen of the line: what came over it, and why is some of it no frame?
//!
//! Each frame is a strip of its bytes with its parts shaded; the chosen one opens into its parts with their names and
//! values. What is no frame has a strip of its own, with the reason in words. The protocol file can be mended beside
//! them, and the strips follow what is typed.

mod chosen;
mod figures;
mod goal;
mod mend;
mod strips;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use egui::{CentralPanel, Context, Frame, Key, Margin, Panel, RichText, Ui};
use model::ByteRange;
use session::line_bytes::{Answer, Ask, LineReader, LineShown, Place, Source};
use session::snapshot::LineFacts;

use crate::colours::{Colours, Meaning};
use crate::pieces;
use crate::shell::Files;
use crate::start::Wish;
use crate::wording::{Look, Said};

use goal::Goal;
use mend::Mend;
use strips::Strips;

/// From this width on the protocol text stands beside the strips, else below them.
const BESIDE: f32 = 900.0;

/// In a lower window the figures leave their room to the strips.
const LOW: f32 = 640.0;
/// In one that is lower still, what is said of the line does, too.
const HARDLY: f32 = 440.0;
/// Below this height of both, the protocol text takes the place of the strips.
const LEAST_FOR_BOTH: f32 = 380.0;

/// What the person asked for that is not done on this screen.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Want {
    /// To show something else.
    Show(Wish),
    /// To start what is chosen on the start screen.
    Start,
}

/// What the person chose to see.
#[derive(Debug, Default)]
pub struct Frames {
    reader: Option<LineReader>,
    /// Why there is no thread to read with.
    no_reader: Option<String>,
    /// Answers about a session that runs come with the next picture anyway.
    quiet: Arc<AtomicBool>,
    number: u64,
    /// The first question to the source of the moment.
    since: u64,
    /// The first one that knows of the place to go to.
    aimed: u64,
    asked: Option<Asked>,
    /// How many files were written when that was asked.
    written: u64,
    answer: Option<Arc<Answer>>,
    /// Of a session that runs: what is held still. `None` follows the newest.
    held: Option<Arc<LineShown>>,
    /// Of a session that runs: look into its recording, at bytes that are no longer held.
    in_recording: bool,
    place: Option<Place>,
    /// What was asked for is neither held any more nor recorded.
    gone: bool,
    goal: Goal,
    strips: Strips,
    mend: Mend,
}

/// What was asked for last: only another question is asked again.
#[derive(Clone, Debug)]
struct Asked {
    source: Source,
    place: Place,
    text: Option<Arc<str>>,
}

impl Asked {
    fn is(&self, other: &Self) -> bool {
        let same_source = match (&self.source, &other.source) {
            // By the pointer: what it holds is never changed.
            (Source::Live(one, _), Source::Live(other, _)) => Arc::ptr_eq(one, other),
            (one, other) => one == other,
        };
        same_source && self.place == other.place && self.text == other.text
    }
}

impl Frames {
    /// Goes to these bytes and chooses what stands there.
    pub fn go_to(&mut self, bytes: ByteRange) {
        self.goal_place(Place::Byte(bytes.start));
    }

    /// Another session begins, with this recording or none. What was held of the one before is not its own; a place in
    /// the same recording stays.
    pub fn begin(&mut self, before: Option<&Path>, now: Option<&Path>) {
        (self.held, self.in_recording, self.gone) = (None, false, false);
        (self.asked, self.answer) = (None, None);
        self.since = self.number + 1;
        if now.is_none() || before != now {
            (self.place, self.aimed) = (None, 0);
            self.strips.let_go();
            self.strips.forget();
        }
    }

    /// Whether the protocol text was edited and is in no file.
    pub fn has_unsaved_edits(&self) -> bool {
        self.mend.has_unsaved_edits()
    }

    /// Opens the protocol text, for a file that must be mended before anything can begin.
    pub fn open_protocol(&mut self) {
        self.mend.open = true;
    }

    /// Draws the screen. `look`: the session that runs or is shown; `None` before one. Returns what is to be done
    /// elsewhere.
    pub fn ui(&mut self, ui: &mut Ui, look: Option<Look<'_>>, files: &Files) -> Option<Want> {
        self.ask(ui.ctx(), look, files);
        self.keys(ui);
        let colours = Colours::of(ui.visuals());
        let frame = Frame::new().fill(colours.ground).inner_margin(Margin::symmetric(12, 8));
        Panel::top("line and figures")
            .frame(frame)
            .show_separator_line(false)
            .show(ui, |ui| self.head(ui, look, files));
        let mut want = None;
        if self.mend.open {
            let sheet = Frame::new().fill(colours.sheet).inner_margin(Margin::same(10));
            let whole = ui.available_size();
            let can = self.can(look, files);
            let mut draw = |ui: &mut Ui| want = self.mend.ui(ui, self.answer.as_deref(), &can);
            if BESIDE <= whole.x {
                let width = (whole.x * 0.44).clamp(400.0, 720.0);
                Panel::right("protocol text").exact_size(width).resizable(false).frame(sheet).show(ui, &mut draw);
            } else if whole.y < LEAST_FOR_BOTH {
                // There is room for one of them.
                CentralPanel::default().frame(sheet).show(ui, &mut draw);
                return want;
            } else {
                let height = (whole.y * 0.55).max(120.0);
                Panel::bottom("protocol text").exact_size(height).resizable(false).frame(sheet).show(ui, &mut draw);
            }
        }
        let window = self.answer.as_ref().and_then(|answer| answer.window.clone());
        if let Some(window) = &window {
            let sheet = Frame::new().fill(colours.sheet).inner_margin(Margin::symmetric(12, 8));
            // The opened strip says of the frame what there is to say.
            let hardly = ui.ctx().content_rect().height() < HARDLY;
            let chosen = self.strips.chosen_part(window).filter(|chosen| !hardly || chosen.part.is_some());
            if let Some(chosen) = chosen {
                let of = self.name(files);
                Panel::bottom("chosen part").frame(sheet).show(ui, |ui| chosen::ui(ui, &chosen, &of));
            }
        }
        let frame = Frame::new().fill(colours.ground).inner_margin(Margin::symmetric(8, 4));
        CentralPanel::default().frame(frame).show(ui, |ui| match &window {
            Some(window) => {
                let follow = matches!(look, Some(look) if is_live(look)) && self.held.is_none() && !self.in_recording;
                let answer =
                    self.answer.as_ref().map_or((0, false), |answer| (answer.asked, self.aimed <= answer.number));
                let empty = self.no_byte(look);
                if self.strips.ui(ui, window, follow, answer, empty) && follow {
                    // What is looked at stands still.
                    self.held = look.map(|look| Arc::clone(&look.snapshot.line));
                }
            }
            None => self.nothing(ui, look, files),
        });
        want
    }

    /// Asks for what the screen shows, where that is not what was asked for last.
    fn ask(&mut self, ctx: &Context, look: Option<Look<'_>>, files: &Files) {
        if self.reader.is_none() && self.no_reader.is_none() {
            let (ctx, quiet) = (ctx.clone(), Arc::clone(&self.quiet));
            let wake = move || {
                if !quiet.load(Ordering::Relaxed) {
                    ctx.request_repaint();
                }
            };
            match LineReader::start(Arc::new(wake)) {
                Ok(reader) => self.reader = Some(reader),
                Err(error) => self.no_reader = Some(format!("the system gave no thread: {error}")),
            }
        }
        // What was asked of another source has nothing to say here.
        let answer = self.reader.as_ref().and_then(LineReader::answer).filter(|answer| self.since <= answer.number);
        if let Some(answer) = answer.filter(|_| self.asked.is_some()) {
            self.mend.take(&answer);
            self.answer = Some(answer);
        }
        let Some(source) = self.source(look, files) else {
            (self.asked, self.answer) = (None, None);
            return;
        };
        self.quiet.store(matches!(source, Source::Live(..)) && self.held.is_none(), Ordering::Relaxed);
        if self.mend.source(&source, files) {
            (self.asked, self.answer) = (None, None);
            self.since = self.number + 1;
            self.strips.forget();
        }
        let place = self.place.unwrap_or(Place::Byte(0));
        let asked = Asked { source, place, text: self.mend.edited() };
        let written = self.mend.written();
        if self.asked.as_ref().is_some_and(|last| last.is(&asked)) && self.written == written {
            return;
        }
        self.written = written;
        self.number += 1;
        let Asked { source, place, text } = asked.clone();
        if let Some(reader) = &self.reader {
            reader.ask(Ask { number: self.number, source, place, text });
        }
        self.asked = Some(asked);
    }

    fn source(&mut self, look: Option<Look<'_>>, files: &Files) -> Option<Source> {
        let Some(look) = look else {
            (self.held, self.in_recording) = (None, false);
            return match (&files.protocol, &files.recording) {
                (Some(protocol), _) => Some(Source::Protocol(protocol.clone())),
                (None, recording) => recording.clone().map(Source::File),
            };
        };
        let facts = look.snapshot.facts.as_ref()?;
        if !is_live(look) {
            (self.held, self.in_recording) = (None, false);
            // The practice pack of a test has no file: then the newest bytes are shown.
            if let Some(path) = files.recording.clone().filter(|_| facts.replay) {
                return Some(Source::File(path));
            }
        }
        let newest = &look.snapshot.line;
        if let Some(Place::Byte(byte)) = self.place.filter(|_| !self.in_recording) {
            let held = self.held.as_ref().unwrap_or(newest);
            if byte < held.stretch.from && files.recording.is_some() {
                self.in_recording = true;
            } else {
                self.gone = byte < held.stretch.from;
                self.held.get_or_insert_with(|| Arc::clone(newest));
                self.place = None;
            }
        }
        if self.in_recording
            && let Some(path) = files.recording.clone()
        {
            return Some(Source::File(path));
        }
        let line = self.held.as_ref().unwrap_or(newest);
        Some(Source::Live(Arc::clone(line), Arc::clone(&facts.line.text)))
    }

    fn follow(&mut self) {
        (self.held, self.in_recording, self.place, self.gone) = (None, false, None, false);
        self.strips.let_go();
    }

    fn keys(&mut self, ui: &Ui) {
        if ui.ctx().text_edit_focused() {
            return;
        }
        let pressed = |key| ui.input(|input| input.key_pressed(key) && input.modifiers.is_none());
        if pressed(Key::E) {
            self.mend.open ^= true;
        }
        if pressed(Key::O) {
            self.strips.only_trouble ^= true;
        }
        if pressed(Key::H) {
            self.follow();
        }
        if pressed(Key::G) {
            self.goal.focus();
        }
        let way = [(Key::ArrowDown, 1), (Key::ArrowUp, -1), (Key::PageDown, 20), (Key::PageUp, -20)];
        for (key, rows) in way {
            if pressed(key) {
                self.strips.step(rows);
            }
        }
        for (key, parts) in [(Key::ArrowRight, 1), (Key::ArrowLeft, -1)] {
            if pressed(key) {
                self.strips.step_part(parts);
            }
        }
    }

    /// The line in words, the figures, and where to go.
    fn head(&mut self, ui: &mut Ui, look: Option<Look<'_>>, files: &Files) {
        let colours = Colours::of(ui.visuals());
        let height = ui.ctx().content_rect().height();
        let room = HARDLY <= height;
        if room {
            ui.horizontal_wrapped(|ui| {
                ui.label(RichText::new("What came over the line").size(20.0));
                if let Some(text) = self.line_in_words(look, files) {
                    ui.label(RichText::new(text).size(14.0).color(colours.faint));
                }
            });
        }
        if let Some(facts) = look.and_then(|look| look.snapshot.facts.as_ref()).filter(|_| room) {
            let sent = look.map_or(0, |look| look.snapshot.line.statistics.sent);
            pieces::said(ui, &asking(&facts.line, facts.replay, sent), 13.5);
        }
        let statistics = self.answer.as_ref().and_then(|answer| answer.statistics.clone());
        let low = height < LOW;
        if let Some((statistics, complete)) = statistics
            && let Some(at) = figures::ui(ui, &statistics, complete, low)
        {
            self.goal_place(Place::Time(at));
        }
        ui.horizontal_wrapped(|ui| {
            for (only, text) in [(false, "All"), (true, "Only what is no frame (O)")] {
                if ui.selectable_label(self.strips.only_trouble == only, text).clicked() {
                    self.strips.only_trouble = only;
                }
            }
            ui.separator();
            if let Some(place) = self.goal.ui(ui) {
                self.goal_place(place);
            }
            let file = matches!(self.asked, Some(Asked { source: Source::File(_), .. }));
            if file && let Some((earlier, later)) = self.strips.neighbours() {
                if ui.add_enabled(0 < earlier, egui::Button::new("Earlier")).clicked() {
                    self.goal_place(Place::Byte(earlier));
                }
                if ui.button("Later").clicked() {
                    self.goal_place(Place::Byte(later));
                }
            }
            if look.is_some_and(is_live) {
                let follows = self.held.is_none() && !self.in_recording;
                if ui.selectable_label(follows, "Follow the newest (H)").clicked() {
                    self.follow();
                }
                if !follows {
                    ui.label(RichText::new("held still").size(14.0).color(colours.faint));
                }
            }
            if self.gone {
                let text = "those bytes are no longer held: a session that is recorded can go there".to_owned();
                pieces::said_whole(ui, &Said { meaning: Meaning::Abnormal, sign: "!", text }, 14.0);
            }
            ui.separator();
            if ui.selectable_label(self.mend.open, "Protocol text (E)").clicked() {
                self.mend.open ^= true;
            }
        });
    }

    fn goal_place(&mut self, place: Place) {
        match place {
            Place::Byte(byte) => self.strips.go_to(byte),
            Place::Time(at) => self.strips.go_to_time(at),
        }
        self.place = Some(place);
        self.gone = false;
        self.aimed = self.number + 1;
        match &self.asked {
            // Of the newest bytes the time is looked for in what is there.
            Some(Asked { source: Source::Live(line, _), .. }) if matches!(place, Place::Time(_)) => {
                self.held = Some(Arc::clone(line));
                (self.place, self.aimed) = (None, 0);
            }
            // Asked again even where it is the same place: the strips may be elsewhere.
            _ => self.asked = None,
        }
    }

    fn line_in_words(&self, look: Option<Look<'_>>, files: &Files) -> Option<String> {
        if let Some(facts) = look.and_then(|look| look.snapshot.facts.as_ref()) {
            let line = &facts.line;
            let mut text = line.protocol.clone();
            if !line.summary.is_empty() {
                text.push_str(&format!(" ({})", line.summary));
            }
            text.push_str(&format!(", from {}", facts.source));
            if let Some(settings) = line.settings.filter(|settings| !facts.source.contains(&settings.to_string())) {
                text.push_str(&format!(", {settings}"));
            }
            return Some(text);
        }
        let answer = self.answer.as_ref()?;
        let name = answer.protocol.as_ref().map_or("no protocol yet", |protocol| protocol.name());
        match &answer.recorded_from {
            Some(source) => Some(format!("{name}, from {source}")),
            None => Some(format!("{name}, {}", self.name(files))),
        }
    }

    /// What to say where there is no byte.
    fn no_byte(&self, look: Option<Look<'_>>) -> &'static str {
        let file = matches!(self.asked, Some(Asked { source: Source::File(_), .. }));
        if !file && look.is_some_and(is_live) {
            return "No byte has come yet. Is the device on, are its wires the right way round, and does it speak without \
                    being asked?";
        }
        match self.answer.as_ref().and_then(|answer| answer.statistics.as_ref()) {
            Some((_, true)) => {
                "There is no byte in this recording: nothing came over the line, or what came is missing in the file."
            }
            _ => "The recording is being read.",
        }
    }

    /// The name of what the bytes are from, for a place that is copied.
    fn name(&self, files: &Files) -> String {
        let name = |path: &Path| path.file_name().map(|name| name.to_string_lossy().into_owned());
        let path: Option<PathBuf> = match self.asked.as_ref().map(|asked| &asked.source) {
            Some(Source::File(path) | Source::Protocol(path)) => Some(path.clone()),
            _ => files.recording.clone(),
        };
        path.as_deref().and_then(name).unwrap_or_else(|| "this session:".to_owned())
    }

    fn can(&self, look: Option<Look<'_>>, files: &Files) -> mend::Can {
        let recording = match self.asked.as_ref().map(|asked| &asked.source) {
            Some(Source::File(path)) if look.is_none_or(|look| !is_live(look)) => Some(path.clone()),
            _ => None,
        };
        mend::Can { recording, start: look.is_none() && files.protocol.is_some() }
    }

    /// What to do where there is nothing to show.
    fn nothing(&self, ui: &mut Ui, look: Option<Look<'_>>, files: &Files) {
        ui.add_space(14.0);
        let mut say = |meaning, sign, text: &str| {
            pieces::said(ui, &Said { meaning, sign, text: text.to_owned() }, 16.0);
        };
        if let Some(why) = &self.no_reader {
            return say(Meaning::Danger, "x", why);
        }
        if let Some((why, hint)) = self.answer.as_ref().and_then(|answer| answer.failed.as_ref()) {
            say(Meaning::Danger, "x", why);
            if let Some(hint) = hint {
                say(Meaning::Unknown, "=", hint);
            }
            return;
        }
        let faults = self.answer.as_ref().map_or(0, |answer| answer.faults.len());
        match (look, &files.protocol, &files.recording) {
            _ if 0 < faults => {
                say(Meaning::Danger, "x", "The protocol text has faults: nothing can be read by it.");
                say(Meaning::Unknown, "=", "Mend it in the protocol text (E); each fault stands there with its line.");
            }
            (None, Some(_), _) => {
                say(Meaning::Unknown, "=", "No byte has come: the session has not begun.");
                say(
                    Meaning::Unknown,
                    "=",
                    "The protocol text (E) can be looked at and mended now; start on Source (S).",
                );
            }
            (None, None, None) => {
                say(Meaning::Unknown, "=", "Nothing is chosen whose bytes could be shown.");
                say(Meaning::Unknown, "=", "Choose a source or a recording on Source (S), then come back.");
            }
            (_, _, Some(_)) => say(Meaning::Unknown, "=", "The recording is being read."),
            (Some(_), _, None) => say(Meaning::Unknown, "=", "The first bytes are being waited for."),
        }
    }
}

/// Whether a session runs, or did and can't be read again from a file.
fn is_live(look: Look<'_>) -> bool {
    look.snapshot.facts.as_ref().is_some_and(|facts| !facts.replay)
}

/// Whether anything is sent to the device, and how to allow it.
fn asking(line: &LineFacts, replay: bool, sent: u64) -> Said {
    let said = |meaning, sign, text: String| Said { meaning, sign, text };
    let count = match line.questions {
        1 => "1 question".to_owned(),
        many => format!("{many} questions"),
    };
    match (line.questions, line.may_ask) {
        (0, _) => said(Meaning::Unknown, "=", "Only listened to: this protocol asks nothing.".to_owned()),
        _ if replay => {
            said(Meaning::Unknown, "=", format!("A recording: nothing is sent. {sent} questions were sent then."))
        }
        (_, true) => {
            said(Meaning::Action, ">", format!("Asked: {count} of the protocol, as you allowed; {sent} sent so far."))
        }
        (_, false) => said(
            Meaning::Unknown,
            "=",
            format!("Only listened to: the protocol has {count}, none is sent. \"may ask\" on Source allows it."),
        ),
    }
}
