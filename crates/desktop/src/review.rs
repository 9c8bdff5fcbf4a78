//! The screen for afterwards: what happened, when, and what the values did.

mod chart;
mod export;
mod moments;
mod playing;
mod table;

use std::collections::BTreeSet;
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use egui::{CentralPanel, Context, Frame, Key, Margin, Modifiers, Rect, RichText, ScrollArea, Ui, UiBuilder};
use model::{ByteRange, Channel, Quantity, SessionTime};
use session::review::{Loaded, Review as Reading};
use session::snapshot::{Moment, MomentKind, Phase, Recording};

use crate::colours::{Colours, Meaning};
use crate::pieces;
use crate::shell::Files;
use crate::wording::{Look, Said};

use chart::Charts;
use export::Export;
use moments::Moments;
use playing::Playing;

/// In less width the table goes below the plots.
const BESIDE: f32 = 780.0;
/// The shortest time that is shown.
const SHORTEST: u64 = 10_000_000;
/// A range with no more rows than this is read again row by row.
const CLOSE: u64 = 20_000;
/// What is read again around the cursor where the range itself is too long.
const AROUND: Duration = Duration::from_secs(20);

/// What the person asked for that is not this screen's to do.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Asked {
    /// To see these bytes of the recording.
    Bytes(ByteRange),
}

/// What the person chose to see, and the recording as far as it is read.
#[derive(Debug, Default)]
pub struct Review {
    reading: Option<Reading>,
    /// The recording was complete when it was opened.
    of_finished: bool,
    why_not: Option<String>,
    /// The text of the protocol that it is read by, if it is not its own.
    by_protocol: Option<String>,
    view: View,
    playing: Playing,
    charts: Charts,
    moments: Moments,
    /// The range of the last picture, for what is done by key.
    full: u64,
    export: Export,
    /// The session is judged by other texts than the recording's own.
    by_other_texts: bool,
    /// The program with its version, for a report.
    made_by: String,
}

/// What part is shown, and where the cursors stand.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
struct View {
    /// In nanoseconds of session time; all of it if `None`.
    range: Option<Range<u64>>,
    /// The place that is looked at; the end if `None`.
    cursor: Option<u64>,
    /// The place that it is compared with.
    second: Option<u64>,
    /// Channels that are drawn by themselves.
    alone: BTreeSet<Channel>,
    /// The person chose which.
    chosen: bool,
    /// The value whose frame is told.
    picked: Option<Channel>,
}

impl View {
    fn shown(&self, full: u64) -> Range<u64> {
        self.range.clone().unwrap_or(0..full.max(SHORTEST))
    }

    /// Shows this range, as far as there is one; the whole where it holds all.
    fn show(&mut self, range: Range<u64>, full: u64) {
        let full = full.max(SHORTEST);
        let length = range.end.saturating_sub(range.start).clamp(SHORTEST, full);
        let start = range.start.min(full - length);
        self.range = (length < full).then_some(start..start + length);
    }

    /// Makes the range shorter (`factor` below 1) or longer around a place.
    fn zoom(&mut self, factor: f64, around: u64, full: u64) {
        let shown = self.shown(full);
        #[expect(clippy::cast_precision_loss, reason = "places on a screen")]
        let (length, before) = ((shown.end - shown.start) as f64, around.saturating_sub(shown.start) as f64);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "positive and less than the whole")]
        let (length, before) = ((length * factor).max(0.0) as u64, (before * factor).max(0.0) as u64);
        let start = around.saturating_sub(before);
        self.show(start..start.saturating_add(length.max(SHORTEST)), full);
    }

    /// Moves the range so that a place is in it.
    fn reveal(&mut self, place: u64, full: u64) {
        let shown = self.shown(full);
        if !shown.contains(&place) {
            let half = (shown.end - shown.start) / 2;
            let start = place.saturating_sub(half);
            self.show(start..start + half * 2, full);
        }
    }
}

impl Review {
    /// For this program, with its version.
    pub fn new(made_by: &str) -> Self {
        Self { made_by: made_by.to_owned(), ..Self::default() }
    }

    /// Draws the screen. `look`: the session that runs or is shown; `None` before one.
    pub fn ui(&mut self, ui: &mut Ui, look: Option<Look<'_>>, files: &Files) -> Option<Asked> {
        let colours = Colours::of(ui.visuals());
        let frame = Frame::new().fill(colours.ground).inner_margin(Margin::same(8));
        let path = files.recording.as_deref().filter(|_| look.is_some());
        let (Some(path), Some(look)) = (path, look) else {
            CentralPanel::default()
                .frame(frame.inner_margin(Margin::symmetric(28, 16)))
                .show(ui, |ui| nothing(ui, look));
            return None;
        };
        self.by_other_texts = look.snapshot.facts.as_ref().is_some_and(|facts| facts.otherwise.is_some());
        self.open(path, files, look, ui.ctx());
        CentralPanel::default().frame(frame).show(ui, |ui| self.opened(ui, look)).inner
    }

    /// Puts the cursor there and shows it.
    pub fn go_to(&mut self, at: SessionTime) {
        self.view.cursor = Some(at.nanos);
        self.view.reveal(at.nanos, self.full);
        self.playing.stop();
    }

    /// Puts the cursor there and the second one here.
    pub fn compare(&mut self, second: SessionTime, cursor: SessionTime) {
        self.view.second = Some(second.nanos);
        self.view.cursor = Some(cursor.nanos);
    }

    /// Shows this part.
    pub fn show(&mut self, range: Range<SessionTime>) {
        self.view.show(range.start.nanos..range.end.nanos, self.full);
    }

    /// Whether all of the recording is read.
    pub fn is_read(&self) -> bool {
        self.reading.as_ref().is_some_and(|reading| reading.latest().done)
    }

    /// Where the cursor stands.
    pub fn cursor(&self) -> Option<SessionTime> {
        self.view.cursor.map(SessionTime::from_nanos)
    }

    fn open(&mut self, path: &Path, files: &Files, look: Look<'_>, ctx: &Context) {
        let finished = files.is_recording
            || matches!(look.snapshot.recording, Recording::Finished)
            || look.snapshot.phase == Phase::Ended;
        let same = self.reading.as_ref().is_some_and(|reading| reading.path() == path);
        if same && (self.of_finished || !finished) {
            return;
        }
        // What was asked for before the first recording counts for it.
        if !same && self.reading.is_some() {
            self.view = View::default();
        }
        self.by_protocol.clone_from(&files.by_protocol);
        self.read(path, finished, ctx);
    }

    fn read(&mut self, path: &Path, finished: bool, ctx: &Context) {
        self.of_finished = finished;
        self.playing.stop();
        let ctx = ctx.clone();
        match Reading::open(path.to_owned(), self.by_protocol.clone(), Arc::new(move || ctx.request_repaint())) {
            Ok(reading) => (self.reading, self.why_not) = (Some(reading), None),
            Err(error) => self.why_not = Some(format!("the system gave no thread: {error}")),
        }
    }

    fn opened(&mut self, ui: &mut Ui, look: Look<'_>) -> Option<Asked> {
        let Some(reading) = &mut self.reading else {
            let text = self.why_not.clone().unwrap_or_default();
            pieces::said(ui, &Said { meaning: Meaning::Danger, sign: "x", text }, 16.0);
            return None;
        };
        let loaded = reading.latest();
        if let Some(failure) = &loaded.failure {
            let text = format!("The recording can't be shown: {}", failure.text);
            pieces::said(ui, &Said { meaning: Meaning::Danger, sign: "x", text }, 16.0);
            if let Some(hint) = &failure.hint {
                ui.label(format!("hint: {hint}"));
            }
            // One that is just being begun may have its head by now.
            let path = reading.path().to_owned();
            if !self.of_finished && ui.button("Read again").clicked() {
                self.read(&path, false, ui.ctx());
            }
            return None;
        }
        if reading.is_finished() && !loaded.done {
            let text = "Reading the recording stopped by a fault of this program".to_owned();
            pieces::said(ui, &Said { meaning: Meaning::Danger, sign: "x", text }, 16.0);
            return None;
        }
        self.full = loaded.end.max(loaded.tracks.as_ref().map_or(SessionTime::ZERO, |tracks| tracks.last_at())).nanos;
        self.choose_lines(look);
        let moments = Arc::clone(&look.snapshot.moments);
        self.keys(ui, &loaded, &moments);
        if let Some(cursor) = self.playing.moved(ui, self.view.cursor.unwrap_or(self.full), self.full) {
            self.view.cursor = Some(cursor);
            self.follow(cursor);
        }
        self.ask_for_rows(&loaded);
        if ui.available_width() < BESIDE {
            return self.below_each_other(ui, look, &loaded, &moments);
        }
        let width = (ui.available_width() * 0.31).clamp(372.0, 470.0);
        let whole = ui.available_rect_before_wrap();
        let (left, right) = whole.split_left_right_at_x(whole.right() - width);
        ui.painter().rect_filled(right, 0.0, Colours::of(ui.visuals()).sheet);
        let place = |ui: &mut Ui, rect: Rect, id: &str| {
            let mut place = ui.new_child(UiBuilder::new().id_salt(id).max_rect(rect));
            place.shrink_clip_rect(rect);
            place
        };
        let side = &mut place(ui, right.shrink(10.0), "at the cursor");
        let asked = self.side(side, look, &loaded, &moments);
        let left = &mut place(ui, left.with_max_x(left.right() - 8.0), "plots");
        self.controls(left, &loaded);
        let height = left.available_height();
        self.plots(left, &loaded, &moments, height);
        asked
    }

    fn below_each_other(&mut self, ui: &mut Ui, look: Look<'_>, loaded: &Loaded, moments: &[Moment]) -> Option<Asked> {
        let scroll = ScrollArea::vertical().id_salt("narrow review").auto_shrink(false);
        let draw = |ui: &mut Ui| {
            self.controls(ui, loaded);
            self.plots(ui, loaded, moments, chart::LEAST);
            ui.separator();
            let size = egui::vec2(ui.available_width(), 620.0);
            let layout = egui::Layout::top_down(egui::Align::LEFT);
            ui.allocate_ui_with_layout(size, layout, |ui| self.side(ui, look, loaded, moments)).inner
        };
        scroll.show(ui, draw).inner
    }

    /// What has an alarm or a finding is drawn by itself until the person chooses.
    fn choose_lines(&mut self, look: Look<'_>) {
        if self.view.chosen {
            return;
        }
        let alarms = look.snapshot.alarms.iter().filter_map(|alarm| alarm.place);
        let findings = crate::wording::findings(look).into_iter().flat_map(|finding| finding.places.iter().copied());
        let drawn = |channel: &Channel| {
            matches!(channel.quantity, Quantity::CellVoltage | Quantity::Temperature) && channel.place != 0
        };
        self.view.alone = findings.chain(alarms).filter(drawn).take(4).collect();
    }

    fn ask_for_rows(&mut self, loaded: &Loaded) {
        let (Some(reading), Some(tracks)) = (&mut self.reading, &loaded.tracks) else { return };
        let shown = self.view.shown(self.full);
        let share = u128::from(shown.end - shown.start) * u128::from(tracks.rows()) / u128::from(self.full.max(1));
        let range = if share < u128::from(CLOSE) {
            SessionTime::from_nanos(shown.start)..SessionTime::from_nanos(shown.end)
        } else if let Some(cursor) = self.view.cursor {
            let around = SessionTime::from_duration(AROUND).nanos;
            SessionTime::from_nanos(cursor.saturating_sub(around))
                ..SessionTime::from_nanos(cursor.saturating_add(around))
        } else {
            return;
        };
        reading.ask(range);
    }

    /// While it plays the range moves on with the cursor.
    fn follow(&mut self, cursor: u64) {
        let shown = self.view.shown(self.full);
        let length = shown.end - shown.start;
        if shown.start + length / 10 * 9 < cursor || cursor < shown.start {
            let start = cursor.saturating_sub(length / 5);
            self.view.show(start..start.saturating_add(length), self.full);
        }
    }

    fn keys(&mut self, ui: &Ui, loaded: &Loaded, moments: &[Moment]) {
        if ui.ctx().text_edit_focused() {
            return;
        }
        let pressed = |key, modifiers: Modifiers| {
            ui.input(|input| input.key_pressed(key) && input.modifiers.matches_exact(modifiers))
        };
        let plain = |key| pressed(key, Modifiers::NONE);
        let full = self.full;
        let here = self.view.cursor.unwrap_or(full);
        for (key, back) in [(Key::ArrowLeft, true), (Key::ArrowRight, false)] {
            let step = if plain(key) {
                self.next_row(loaded, here, back)
            } else if pressed(key, Modifiers::SHIFT) {
                let shown = self.view.shown(full);
                let step = (shown.end - shown.start) / 20;
                Some(if back { here.saturating_sub(step) } else { here.saturating_add(step).min(full) })
            } else {
                None
            };
            if let Some(cursor) = step {
                self.go_to(SessionTime::from_nanos(cursor));
            }
        }
        for (key, back) in [(Key::Comma, true), (Key::Period, false)] {
            if plain(key) {
                self.jump(moments, back);
            }
        }
        if plain(Key::Home) {
            self.go_to(SessionTime::ZERO);
        }
        if plain(Key::End) {
            self.go_to(SessionTime::from_nanos(full));
        }
        if plain(Key::Plus) || pressed(Key::Plus, Modifiers::SHIFT) || plain(Key::Equals) {
            self.view.zoom(0.5, here, full);
        }
        if plain(Key::Minus) {
            self.view.zoom(2.0, here, full);
        }
        if plain(Key::Num0) {
            self.view.range = None;
        }
        if plain(Key::B) {
            self.view.second = Some(here);
        }
        if plain(Key::Escape) {
            self.view.second = None;
        }
        // With a button in focus the key is that button's.
        if plain(Key::Space) && ui.memory(|memory| memory.focused().is_none()) {
            self.playing.turn(&mut self.view.cursor, full);
        }
    }

    fn next_row(&self, loaded: &Loaded, here: u64, back: bool) -> Option<u64> {
        let time = SessionTime::from_nanos(here);
        let tracks = table::tracks_at(loaded, time)?;
        let rows = tracks.channels().into_iter().filter_map(|channel| tracks.next_row(channel, time, back));
        if back { rows.max() } else { rows.min() }.map(|at| at.nanos)
    }

    fn jump(&mut self, moments: &[Moment], back: bool) {
        let here = self.view.cursor.unwrap_or(if back { u64::MAX } else { 0 });
        if let Some(at) = self.moments.next(moments, here, back) {
            self.go_to(SessionTime::from_nanos(at));
        }
    }

    /// What is shown and how to move in it.
    fn controls(&mut self, ui: &mut Ui, loaded: &Loaded) {
        let full = self.full;
        let mut again = false;
        ui.horizontal_wrapped(|ui| {
            ui.set_min_height(pieces::ROW);
            ui.label("Show");
            let shown = self.view.shown(full);
            let length = shown.end - shown.start;
            if ui.selectable_label(self.view.range.is_none(), "all (0)").clicked() {
                self.view.range = None;
            }
            for (seconds, text) in [(3_600, "1 h"), (600, "10 min"), (60, "1 min"), (10, "10 s"), (1, "1 s")] {
                let nanos = seconds * 1_000_000_000;
                if full <= nanos {
                    // While the recording is read there come to be more: what follows stays what it is, and a click on it counts.
                    ui.skip_ahead_auto_ids(1);
                    continue;
                }
                if ui.selectable_label(self.view.range.is_some() && length == nanos, text).clicked() {
                    let middle = self.view.cursor.unwrap_or(full);
                    let start = middle.saturating_sub(nanos / 2);
                    self.view.show(start..start.saturating_add(nanos), full);
                }
            }
            ui.separator();
            self.playing.ui(ui, &mut self.view.cursor, full);
            ui.separator();
            self.export.buttons(ui);
            if !self.of_finished {
                ui.separator();
                again = ui.button("Read again: more has been recorded").clicked();
            }
        });
        if let (true, Some(path)) = (again, self.reading.as_ref().map(|reading| reading.path().to_owned())) {
            self.read(&path, false, ui.ctx());
            return;
        }
        if let Some(reading) = &self.reading {
            let of = export::Of {
                recording: reading.path(),
                protocol: self.by_protocol.as_deref(),
                by_other_texts: self.by_other_texts,
                made_by: &self.made_by,
            };
            self.export.ui(ui, of, self.view.range.clone());
        }
        if !loaded.done {
            let (read, all) = loaded.read;
            let text = format!("{} % of the recording is read; what is read is shown", read * 100 / all.max(1));
            ui.label(RichText::new(text).size(13.0));
        }
        for text in loaded.damage.iter().take(2) {
            pieces::said(ui, &Said { meaning: Meaning::Abnormal, sign: "!", text: text.clone() }, 13.0);
        }
    }

    fn plots(&mut self, ui: &mut Ui, loaded: &Loaded, moments: &[Moment], height: f32) {
        let full = self.full;
        let shown = self.view.shown(full);
        let given = chart::Given { loaded, moments, shown: &shown, view: &self.view, full };
        let wish = self.charts.ui(ui, &given, height);
        match wish {
            None => {}
            Some(chart::Wish::Cursor(at)) => {
                self.view.cursor = Some(at);
                self.playing.stop();
            }
            Some(chart::Wish::Second(at)) => self.view.second = Some(at),
            Some(chart::Wish::Show(range)) => self.view.show(range, full),
            Some(chart::Wish::Zoom { factor, around }) => self.view.zoom(factor, around, full),
        }
    }

    /// The values at the cursor, and what happened.
    fn side(&mut self, ui: &mut Ui, look: Look<'_>, loaded: &Loaded, moments: &[Moment]) -> Option<Asked> {
        let cursor = self.view.cursor.unwrap_or(self.full);
        self.standing(ui, look, moments, cursor);
        let height = ui.available_height() * 0.56;
        let mut asked = None;
        let scroll = ScrollArea::vertical().id_salt("values at the cursor").max_height(height);
        scroll.auto_shrink([false, true]).show(ui, |ui| {
            table::ui(ui, look, loaded, &mut self.view, cursor);
        });
        if let (Some(channel), Some(reading)) = (self.view.picked, &self.reading) {
            asked = table::place(ui, loaded, channel, SessionTime::from_nanos(cursor), reading.path());
        }
        ui.separator();
        if let Some(at) = self.moments.ui(ui, moments, look.snapshot.more_moments, cursor, look.snapshot.judged) {
            self.go_to(SessionTime::from_nanos(at));
        }
        asked
    }

    /// The stage, the answer and the alarms as they were at the cursor.
    fn standing(&self, ui: &mut Ui, look: Look<'_>, moments: &[Moment], cursor: u64) {
        let text = format!("At {:.3} s", SessionTime::from_nanos(cursor));
        let label = ui.label(RichText::new(&text).size(17.0).strong());
        pieces::name(&label, format!("Cursor at {} s", SessionTime::from_nanos(cursor)));
        let judged_until = match look.snapshot.phase {
            Phase::Ended => SessionTime { nanos: u64::MAX },
            Phase::Running => look.snapshot.at,
            Phase::Opening | Phase::Failed(_) => SessionTime::ZERO,
        };
        if judged_until.nanos < cursor || look.snapshot.phase == Phase::Opening {
            ui.label("not judged yet");
            return;
        }
        let mut said = moments::standing_at(moments, cursor);
        if look.snapshot.more_moments && look.snapshot.all_moments_until.nanos <= cursor {
            // Every change of the answer is kept; which stage it was and which alarms held is not known any more.
            said.truncate(1);
            let text = "more happened than is listed here: stage and alarms of this time are not known".to_owned();
            said.push(Said { meaning: Meaning::Abnormal, sign: "?", text });
        }
        ui.horizontal_wrapped(|ui| {
            for said in said {
                pieces::said_whole(ui, &said, 14.0);
            }
        });
    }
}

/// There is nothing to look at: what to do.
fn nothing(ui: &mut Ui, look: Option<Look<'_>>) {
    ui.label(RichText::new("Nothing to look at yet").size(26.0));
    ui.add_space(8.0);
    let text = match look {
        None => {
            "Choose a recording on Source (S), or drop one on this window. It opens here with all its values; what \
             happened in it is a list to jump through."
        }
        Some(_) => {
            "This session is not recorded, so that nothing of it can be looked at again. For the next one, name a file \
             under \"Record to\" on Source: it is then shown here, even while it is being written."
        }
    };
    ui.add(egui::Label::new(RichText::new(text).size(16.0)).wrap());
}

/// What a moment means, for its colour and sign.
fn meaning(kind: MomentKind) -> (Meaning, &'static str) {
    use session::rules::{Outcome, Severity};
    match kind {
        MomentKind::Alarm { severity: Severity::Critical, .. }
        | MomentKind::Finding { severity: Severity::Critical, .. } => (Meaning::Danger, "x"),
        MomentKind::Alarm { .. } | MomentKind::Finding { .. } => (Meaning::Abnormal, "!"),
        MomentKind::Verdict(Outcome::Go) => (Meaning::Safe, "+"),
        MomentKind::Verdict(Outcome::NoGo) => (Meaning::Danger, "x"),
        MomentKind::Verdict(Outcome::CannotTell) => (Meaning::Abnormal, "?"),
        MomentKind::Stage(_) | MomentKind::Note => (Meaning::Action, ">"),
        MomentKind::Returned { .. } | MomentKind::Withdrawn { .. } => (Meaning::Unknown, "="),
    }
}
