//! The window: which screen is shown, the session's thread, keys, and the heartbeat.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use egui::{CentralPanel, Context, Frame, Key, Margin, Panel, Ui};
use model::{Command, HandReading};
use session::rules::{HandLine, Pack};
use session::snapshot::{Failure, Latest, Phase, Recording};
use session::worker::{Job, Opened, Opener, Replay};
use session::{Snapshot, Worker};

use crate::closing::Closing;
use crate::colours::{self, Colours, Meaning};
use crate::compare::Compare;
use crate::frames::{Frames, Want};
use crate::pace::Pace;
use crate::pack_limits::{PackScreen, PackWish};
use crate::prepare::{self, Book, PackFile, Prepare};
use crate::review::{self, Review};
use crate::sound::{Players, Sound};
use crate::start::{Mend, PracticeFault, Start, Wish};
use crate::switch_on::SwitchOn;
use crate::wording::{Look, Said};
use crate::{alarms, keys, pieces, top_line};

/// Old data must look old even when nothing comes.
const HEARTBEAT: Duration = Duration::from_millis(250);

/// Starts the practice pack with the fault of this name; records where a path is given. Called on the session's thread.
pub type StartPractice = Arc<dyn Fn(&str, Option<PathBuf>) -> Result<Opened, Failure> + Send + Sync>;

/// The practice pack, brought in from outside.
#[derive(Clone)]
pub struct Practice {
    /// What can be wrong with it; "none" first.
    pub faults: Vec<PracticeFault>,
    /// Starts it.
    pub start: StartPractice,
    /// What it is, for its limits before a session; `None` if its file can't be used.
    pub pack: Option<Arc<Pack>>,
}

/// What the desktop must know of the program and the machine.
#[derive(Clone)]
pub struct Ready {
    /// The practice pack.
    pub practice: Practice,
    /// The version of the program, for recordings.
    pub tool_version: String,
    /// The name of the machine, for recordings.
    pub host: String,
    /// What can make a sound on it.
    pub players: Players,
    /// What to watch at once; the start screen if `None`.
    pub first: Option<Wish>,
}

/// No window could be opened.
#[derive(Debug, thiserror::Error)]
pub enum NoWindow {
    /// There is no screen to open it on.
    #[error("no window can be opened: this session has no display")]
    NoDisplay,
    /// What draws could not be started, or failed.
    #[error("no window can be opened: {0}")]
    NotDrawn(String),
}

impl NoWindow {
    /// What to do instead.
    pub fn hint(&self) -> &'static str {
        match self {
            Self::NotDrawn(_) if !cfg!(feature = "wgpu") => {
                "where only OpenGL is missing, build with --features wgpu; `packwake watch --practice` shows the same in \
                 a terminal"
            }
            _ => "`packwake watch --practice` shows the same in a terminal",
        }
    }
}

/// Opens the window and returns when it is closed.
///
/// # Errors
/// There is no display, or it gives no window with OpenGL.
pub fn run(ready: Ready) -> Result<(), NoWindow> {
    let named = |name: &str| std::env::var_os(name).is_some_and(|value| !value.is_empty());
    if cfg!(target_os = "linux") && !named("DISPLAY") && !named("WAYLAND_DISPLAY") && !named("WAYLAND_SOCKET") {
        return Err(NoWindow::NoDisplay);
    }
    let viewport = egui::ViewportBuilder::default()
        .with_title("packwake")
        .with_app_id("packwake")
        .with_inner_size([1280.0, 800.0])
        .with_min_inner_size([640.0, 480.0]);
    let mut failed = Vec::new();
    for (name, renderer) in RENDERERS {
        let began = Arc::new(AtomicBool::new(false));
        let options = eframe::NativeOptions { viewport: viewport.clone(), renderer: *renderer, ..Default::default() };
        match eframe::run_native("packwake", options, creator(ready.clone(), Arc::clone(&began))) {
            Ok(()) => return Ok(()),
            // What happens to a window that was there is not mended by another.
            Err(error) if began.load(Ordering::Relaxed) => return Err(NoWindow::NotDrawn(why(&error))),
            Err(error) => failed.push(format!("{name}: {}", why(&error))),
        }
    }
    Err(NoWindow::NotDrawn(failed.join("; ")))
}

/// In short: the error itself lists every setting that was tried.
fn why(error: &eframe::Error) -> String {
    match error {
        eframe::Error::NoGlutinConfigs(_, error) => format!("it gives no surface to draw on ({error})"),
        other => other.to_string(),
    }
}

/// The name under which the colours are remembered.
const THEME: &str = "theme";

/// What can draw, in the order in which it is tried.
const RENDERERS: &[(&str, eframe::Renderer)] = &[
    ("OpenGL", eframe::Renderer::Glow),
    #[cfg(feature = "wgpu")]
    ("wgpu", eframe::Renderer::Wgpu),
];

fn creator(ready: Ready, began: Arc<AtomicBool>) -> eframe::AppCreator<'static> {
    Box::new(move |context| {
        began.store(true, Ordering::Relaxed);
        let ctx = context.egui_ctx.clone();
        let mut desktop = Desktop::new(&context.egui_ctx, ready);
        // An interrupt ends the program as closing its window does, with its recording closed.
        let interrupted = desktop.closing.interrupted();
        session::on_interrupt(move || {
            interrupted.store(true, Ordering::Relaxed);
            ctx.send_viewport_cmd(egui::ViewportCommand::Close);
        })?;
        if let Some(storage) = context.storage {
            desktop.start.recall(|name| storage.get_string(name));
            match storage.get_string(THEME).as_deref() {
                Some("dark") => context.egui_ctx.set_theme(egui::Theme::Dark),
                Some("light") => context.egui_ctx.set_theme(egui::Theme::Light),
                _ => {}
            }
        }
        Ok(Box::new(desktop))
    })
}

/// Which screen is shown below the top line, and before a session.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Showing {
    /// The values of a session; before one, the choice of its source.
    #[default]
    SwitchOn,
    /// The checks before power.
    Prepare,
    /// What happened, at any time of it.
    Review,
    /// What drifted against an earlier session.
    Compare,
    /// The limits of the pack.
    Pack,
    /// The bytes of the line and what they mean.
    Frames,
}

/// The files of what is watched or shown, as far as there are any.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Files {
    /// Where the session is recorded, or the recording that is shown.
    pub recording: Option<PathBuf>,
    /// The protocol file; `None` where the text came from elsewhere (a recording, the practice pack).
    pub protocol: Option<PathBuf>,
    /// The pack file, likewise.
    pub pack: Option<PathBuf>,
    /// It is a recording that is shown, and nothing is added to it.
    pub is_recording: bool,
    /// The text of a protocol by which it is read instead of its own.
    pub by_protocol: Option<String>,
}

impl Files {
    fn of(wish: &Wish) -> Self {
        match wish {
            Wish::Practice { record, .. } => Self { recording: record.clone(), ..Self::default() },
            Wish::Live { protocol, pack, record, .. } => {
                let (protocol, pack) = (Some(protocol.clone()), Some(pack.clone()));
                Self { recording: record.clone(), protocol, pack, ..Self::default() }
            }
            Wish::Replay(replay) => Self {
                recording: Some(replay.path.clone()),
                is_recording: true,
                by_protocol: replay.protocol_text.clone(),
                ..Self::default()
            },
        }
    }
}

/// The program with its window.
pub struct Desktop {
    ready: Ready,
    start: Start,
    screen: Screen,
    showing: Showing,
    /// What was entered before a session, and what earlier ones have used up.
    book: Book,
    prepare: Prepare,
    pack_file: PackFile,
    review: Review,
    compare: Compare,
    pack: PackScreen,
    frames: Frames,
    /// Of the session that runs or is shown.
    files: Files,
    /// Whose entries the running session took.
    pack_key: Option<String>,
    worker: Option<Worker>,
    /// Ended, and still closing its recording: the next session waits for it on its own thread.
    ending: Option<Worker>,
    /// The newest snapshot that this frame shows.
    shown: Arc<Snapshot>,
    since: Duration,
    /// Which of the sessions on the open source is shown.
    session: u32,
    marks: u32,
    /// The words for the next mark.
    mark_words: String,
    /// The person asked for a new session while one runs.
    asks_for_new: bool,
    /// A command that was not taken, and why.
    refused: Option<String>,
    /// The highest alarm that the person was called for.
    called_for: usize,
    sound: Sound,
    pace: Pace,
    /// The person asked for the keys.
    shows_keys: bool,
    closing: Closing,
    /// The colours of the last picture.
    dark: bool,
}

impl Desktop {
    /// The desktop in its first state.
    pub fn new(ctx: &Context, ready: Ready) -> Self {
        colours::dress(ctx);
        let repaint = ctx.clone();
        let sound = Sound::start(ready.players.clone(), Arc::new(move || repaint.request_repaint()));
        let mut desktop = Self {
            pace: Pace::new(ctx.clone()),
            sound,
            start: Start::new(),
            screen: Screen::default(),
            showing: Showing::default(),
            book: Book::default(),
            prepare: Prepare::default(),
            pack_file: PackFile::default(),
            review: Review::new(&ready.tool_version),
            compare: Compare::new(&ready.tool_version),
            pack: PackScreen::default(),
            frames: Frames::default(),
            files: Files::default(),
            pack_key: None,
            worker: None,
            ending: None,
            shown: Arc::default(),
            since: Duration::ZERO,
            session: 0,
            marks: 0,
            mark_words: String::new(),
            asks_for_new: false,
            refused: None,
            called_for: 0,
            shows_keys: false,
            closing: Closing::default(),
            dark: true,
            ready,
        };
        if let Some(first) = desktop.ready.first.take() {
            desktop.begin(ctx, first);
        }
        desktop
    }

    /// The snapshot that the last frame showed.
    pub fn shown(&self) -> &Snapshot {
        &self.shown
    }

    /// What the session hands over, for those who look besides the window; `None` on the start screen.
    pub fn handed_over(&self) -> Option<Arc<Latest>> {
        self.worker.as_ref().map(Worker::handed_over)
    }

    /// Fills in the start screen, as a person would.
    pub fn fill(&mut self, with: impl FnOnce(&mut Start)) {
        with(&mut self.start);
    }

    /// The screen of the pack.
    pub fn pack_screen(&mut self) -> &mut PackScreen {
        &mut self.pack
    }

    fn begin(&mut self, ctx: &Context, wish: Wish) {
        let key = pack_key(&wish);
        let files = Files::of(&wish);
        if let Wish::Replay(replay) = &wish {
            // Where it can't be opened, the form says of which file.
            self.start.kind = crate::start::Kind::Recording;
            self.start.recording = replay.path.display().to_string();
        }
        // A recording that is not played as it was is opened to be looked at.
        let review = matches!(&wish, Wish::Replay(replay) if !replay.as_it_was && replay.until.is_none());
        let before = key.as_ref().map_or_else(Vec::new, |key| self.book.before(key, time(ctx)));
        let open = self.opener(wish, before);
        let pace = self.pace.clone();
        let wake = Arc::new(move || pace.wake());
        let before = self.worker.take().or_else(|| self.ending.take());
        match Worker::start(before, open, wake) {
            Ok(worker) => {
                self.sound.listen(Some(worker.handed_over()));
                self.worker = Some(worker);
                self.pack_key = key;
                self.frames.begin(self.files.recording.as_deref(), files.recording.as_deref());
                self.files = files;
                self.review = Review::new(&self.ready.tool_version);
                self.showing = if review { Showing::Review } else { Showing::SwitchOn };
                self.start.failure = None;
                self.shown = Arc::default();
                self.since = Duration::ZERO;
                self.session = 0;
                self.marks = 0;
                self.called_for = 0;
                self.refused = None;
                self.asks_for_new = false;
            }
            Err(error) => {
                let text = format!("the system gave no thread: {error}");
                self.start.failure = Some(Failure { text, ..Failure::default() });
            }
        }
    }

    fn opener(&self, wish: Wish, before: Vec<Command>) -> Opener {
        let (tool_version, host) = (self.ready.tool_version.clone(), self.ready.host.clone());
        match wish {
            Wish::Practice { fault, record } => {
                let start = Arc::clone(&self.ready.practice.start);
                Box::new(move || {
                    let mut opened = start(&fault, record)?;
                    if let Job::Live(live) = &mut opened.job {
                        live.before = before;
                    }
                    Ok(opened)
                })
            }
            Wish::Live { from, protocol, pack, record, baud, may_ask } => Box::new(move || {
                let choice = session::opening::Choice {
                    from,
                    protocol,
                    pack,
                    record,
                    baud,
                    may_ask,
                    before,
                    tool_version,
                    host,
                };
                let live = session::opening::prepare(choice)?;
                Ok(Opened { job: Job::Live(Box::new(live)), keep: None })
            }),
            Wish::Replay(replay) => Box::new(move || Ok(Opened { job: Job::Replay(replay), keep: None })),
        }
    }

    /// Takes what is new and does what does not belong to drawing; runs while the window is hidden, too.
    pub fn look(&mut self, ctx: &Context) {
        self.pace.drawing();
        let Some(worker) = &self.worker else { return };
        (self.shown, self.since) = worker.latest();
        if let Phase::Failed(failure) = &self.shown.phase {
            self.start.failure = Some(failure.clone());
            self.worker = None;
            self.showing = Showing::SwitchOn;
            return;
        }
        let before = self.files.recording.clone();
        let other = self.session != self.shown.session;
        if other {
            // Other limits: the line is the same, all that was counted begins anew.
            (self.session, self.marks, self.called_for) = (self.shown.session, 0, 0);
        }
        if let (Recording::On(path), true) = (&self.shown.recording, 0 < self.session) {
            self.files.recording = Some(PathBuf::from(path));
        }
        if other || before != self.files.recording {
            self.frames.begin(before.as_deref(), self.files.recording.as_deref());
        }
        let raised = self.shown.alarms.len();
        if self.called_for < raised {
            self.called_for = raised;
            // Who looks at the window already needs no call; and each call draws it once more.
            if !ctx.input(|input| input.focused) {
                let attention = egui::UserAttentionType::Critical;
                ctx.send_viewport_cmd(egui::ViewportCommand::RequestUserAttention(attention));
            }
        }
        ctx.request_repaint_after(HEARTBEAT);
    }

    /// Draws the window.
    pub fn ui(&mut self, ui: &mut Ui) {
        keys::ui(ui.ctx(), self.showing, &mut self.shows_keys);
        self.closing.ui(ui.ctx(), &self.losses());
        self.dark = ui.visuals().dark_mode;
        self.take_dropped(ui);
        if self.worker.is_none() {
            self.before_a_session(ui);
            return;
        }
        let finished = self.worker.as_ref().is_some_and(Worker::is_finished);
        let shown = Arc::clone(&self.shown);
        let look = Look { snapshot: &shown, since: self.since, finished };
        let mut out = Vec::new();
        let new = self.bar(ui, look, &mut out);
        match self.showing {
            Showing::SwitchOn => self.screen.ui(ui, look, &mut out),
            Showing::Prepare => {
                top(ui, look);
                out.extend(self.prepare_in_session(ui, look).map(Command::Reading));
            }
            Showing::Review => {
                top(ui, look);
                // Showing the bytes is the other screen's.
                if let Some(review::Asked::Bytes(bytes)) = self.review.ui(ui, Some(look), &self.files) {
                    self.frames.go_to(bytes);
                    self.showing = Showing::Frames;
                }
            }
            Showing::Compare => {
                top(ui, look);
                self.compare.ui(ui, Some(look), &self.files);
            }
            Showing::Pack => {
                top(ui, look);
                let wish = self.pack.ui(ui, Some(look), &self.files, None);
                if let Some(wish) = wish {
                    self.judge_by(ui.ctx(), wish);
                }
            }
            Showing::Frames => {
                top(ui, look);
                if let Some(want) = self.frames.ui(ui, Some(look), &self.files) {
                    self.wanted(&ui.ctx().clone(), want);
                }
            }
        }
        self.send(out);
        if new {
            self.leave(time(ui.ctx()));
        }
    }

    fn before_a_session(&mut self, ui: &mut Ui) {
        Panel::bottom("keys").show(ui, |ui| {
            ui.horizontal_wrapped(|ui| {
                self.switch(ui, "Source (S)");
                light_or_dark(ui);
            });
        });
        let files = || {
            let files = self.start.wish().map_or_else(|_| Files::default(), |wish| Files::of(&wish));
            Files { pack: self.start.pack_file(), ..files }
        };
        match self.showing {
            Showing::SwitchOn => {}
            Showing::Prepare => {
                let colours = Colours::of(ui.visuals());
                let frame = Frame::new().fill(colours.ground).inner_margin(Margin::symmetric(28, 16));
                CentralPanel::default().frame(frame).show(ui, |ui| self.prepare_before(ui));
                return;
            }
            Showing::Pack => {
                let practice = self.ready.practice.pack.as_ref();
                let practice = practice.filter(|_| self.start.kind == crate::start::Kind::Practice);
                // Nothing runs that could be judged otherwise.
                let _none = self.pack.ui(ui, None, &files(), practice.map(|pack| pack.text()));
                return;
            }
            Showing::Review => {
                self.review.ui(ui, None, &files());
                return;
            }
            Showing::Compare => {
                self.compare.ui(ui, None, &files());
                return;
            }
            Showing::Frames => {
                let files = match self.start.wish() {
                    // It is written to once it runs: there is nothing to read yet.
                    Ok(Wish::Practice { .. }) | Err(_) => Files::default(),
                    Ok(wish @ Wish::Live { .. }) => Files { recording: None, ..Files::of(&wish) },
                    Ok(wish @ Wish::Replay(_)) => Files::of(&wish),
                };
                if let Some(want) = self.frames.ui(ui, None, &files) {
                    self.wanted(&ui.ctx().clone(), want);
                }
                return;
            }
        }
        // A file may be mended before it is looked at again.
        self.pack_file.forget();
        let wish = self.start.show(ui, &self.ready.practice.faults, &self.sound);
        if let Some(mend) = self.start.mend.take() {
            match mend {
                Mend::Protocol => {
                    self.showing = Showing::Frames;
                    self.frames.open_protocol();
                }
                Mend::Pack => {
                    self.showing = Showing::Pack;
                    self.pack.opened(false);
                }
            }
        }
        if let Some(wish) = wish {
            self.begin(&ui.ctx().clone(), wish);
        }
    }

    /// Other limits, from the screen of the pack.
    fn judge_by(&mut self, ctx: &Context, wish: PackWish) {
        match wish {
            PackWish::JudgeBy(text) => {
                let sent = self.worker.as_ref().map(|worker| worker.judge_by(text));
                self.refused = sent.and_then(Result::err).map(|refused| format!("not done: {refused}"));
            }
            PackWish::ShowBy(text) => {
                let Some(path) = self.files.recording.clone() else { return };
                let replay = Replay { path, pack_text: Some(text), ..Replay::default() };
                self.begin(ctx, Wish::Replay(replay));
                self.showing = Showing::Pack;
            }
        }
    }

    /// Does what was asked for on the screen of the line, and stays there.
    fn wanted(&mut self, ctx: &Context, want: Want) {
        let wish = match want {
            Want::Show(wish) => Some(wish),
            Want::Start => self.start.wish().ok(),
        };
        if let Some(wish) = wish {
            self.begin(ctx, wish);
            self.showing = Showing::Frames;
        }
    }

    /// What closing the window would end or lose.
    fn losses(&self) -> Vec<&'static str> {
        let watches = self.pack_key.is_some() && self.worker.as_ref().is_some_and(|worker| !worker.is_finished());
        let session = match self.shown.recording {
            Recording::On(_) | Recording::Finished => {
                "A session is running: nobody watches the pack then. What is recorded so far is kept."
            }
            Recording::Incomplete(_) => {
                "A session is running: nobody watches the pack then, and its recording is incomplete."
            }
            Recording::Off => "A session is running: nobody watches the pack then, and nothing of it is recorded.",
        };
        let all = [
            (watches, session),
            (self.pack.has_unsaved_edits(), "Edits of the pack are not saved."),
            (self.frames.has_unsaved_edits(), "Edits of the protocol text are not saved."),
        ];
        all.into_iter().filter_map(|(is_so, text)| is_so.then_some(text)).collect()
    }

    /// The screens to choose from, as keys and buttons.
    fn switch(&mut self, ui: &mut Ui, first: &str) {
        let typing = ui.ctx().text_edit_focused();
        let key = |key| !typing && ui.input(|input| input.key_pressed(key) && input.modifiers.is_none());
        let keys = [key(Key::P), key(Key::S), key(Key::R), key(Key::V), key(Key::K), key(Key::L)];
        let screens = [
            (Showing::Prepare, "Prepare (P)"),
            (Showing::SwitchOn, first),
            (Showing::Review, "Review (R)"),
            (Showing::Compare, "Compare (V)"),
            (Showing::Pack, "Pack (K)"),
            (Showing::Frames, "Frames (L)"),
        ];
        for ((showing, name), key) in screens.into_iter().zip(keys) {
            if ui.selectable_label(self.showing == showing, name).clicked() || key {
                self.showing = showing;
                match showing {
                    Showing::Prepare => self.prepare.opened(),
                    Showing::Pack => self.pack.opened(self.worker.is_some()),
                    // What could not begin for faults of the protocol is mended there.
                    Showing::Frames if self.start.can_mend() => self.frames.open_protocol(),
                    Showing::SwitchOn | Showing::Review | Showing::Compare | Showing::Frames => {}
                }
            }
        }
        if self.pack.has_unsaved_edits() && self.showing != Showing::Pack {
            let text = "edits of the pack are not saved".to_owned();
            pieces::said_inline(ui, &Said { meaning: Meaning::Action, sign: "!", text }, 14.0);
        }
        ui.separator();
    }

    /// The checks before power for the pack that is chosen on the start screen.
    fn prepare_before(&mut self, ui: &mut Ui) {
        let wish = self.start.wish();
        let pack = match &wish {
            Ok(Wish::Practice { .. }) => {
                self.ready.practice.pack.clone().ok_or("the practice pack can't be used".to_owned())
            }
            Ok(Wish::Live { pack, .. }) => match self.pack_file.at(pack.clone(), ui.ctx()) {
                Some(pack) => pack.map_err(|why| format!("the pack file can't be used: {why}")),
                None => Err("the pack file is being read".to_owned()),
            },
            Ok(Wish::Replay(_)) => Err("a recording brings its own entries: they show here once it plays".to_owned()),
            Err(missing) => Err(format!("the limits hang on the pack: choose the source first ({missing})")),
        };
        let key = wish.ok().as_ref().and_then(pack_key);
        let (pack, key) = match (pack, key) {
            (Ok(pack), Some(key)) => (pack, key),
            (Err(why), _) => return prepare::without_pack(ui, &why),
            (Ok(_), None) => return prepare::without_pack(ui, "no pack is chosen"),
        };
        let now = time(ui.ctx());
        let lines = self.book.lines(&key, &pack, now);
        let age =
            |line: &HandLine| line.entry.as_ref().map(|(_, reading)| Duration::from_secs(reading.age_seconds.into()));
        let book = &self.book;
        let earlier = |item| book.earlier(&key, item).map(|earlier| (earlier.was.clone(), earlier.age(now)));
        let shown = prepare::Shown {
            lines: &lines,
            pack: Some(&pack),
            age: &age,
            earlier: &earlier,
            closed: None,
            session: false,
        };
        if let Some(reading) = self.prepare.ui(ui, &shown) {
            self.book.enter(&key, reading, now);
        }
        // Ages go on.
        ui.ctx().request_repaint_after(Duration::from_secs(10));
    }

    /// The same while a session runs: what is entered is a command.
    fn prepare_in_session(&mut self, ui: &mut Ui, look: Look<'_>) -> Option<HandReading> {
        let colours = Colours::of(ui.visuals());
        let snapshot = look.snapshot;
        let facts = snapshot.facts.as_ref();
        let now = look.now();
        let age = |line: &HandLine| {
            let (at, reading) = line.entry.as_ref()?;
            Some(now.since(*at).saturating_add(Duration::from_secs(reading.age_seconds.into())))
        };
        let (book, key, clock) = (&self.book, &self.pack_key, time(ui.ctx()));
        let earlier = |item| {
            let earlier = book.earlier(key.as_ref()?, item)?;
            Some((earlier.was.clone(), earlier.age(clock)))
        };
        let closed = match facts {
            Some(facts) if facts.replay => Some("this is a recording: nothing can be entered any more"),
            _ if alarms::can_act(look) => None,
            _ => Some("no session runs: nothing can be entered"),
        };
        let shown = prepare::Shown {
            lines: &snapshot.preparation,
            pack: facts.map(|facts| &*facts.judged_by),
            age: &age,
            earlier: &earlier,
            closed,
            session: true,
        };
        let frame = Frame::new().fill(colours.ground).inner_margin(Margin::symmetric(28, 16));
        CentralPanel::default().frame(frame).show(ui, |ui| self.prepare.ui(ui, &shown)).inner
    }

    /// Keys and their buttons. Returns whether the person wants another session.
    fn bar(&mut self, ui: &mut Ui, look: Look<'_>, out: &mut Vec<Command>) -> bool {
        let typing = ui.ctx().text_edit_focused();
        let key = |key| !typing && ui.input(|input| input.key_pressed(key) && input.modifiers.is_none());
        let can_act = alarms::can_act(look);
        let over = look.finished || look.snapshot.phase == Phase::Ended;
        let mut mark = can_act && key(Key::M);
        let mut new = key(Key::N);
        let (mut yes, mut no) = (self.asks_for_new && key(Key::Y), self.asks_for_new && key(Key::Escape));
        // The answer to the question is no entry on the screen below.
        for (key, answered) in [(Key::Y, yes), (Key::Escape, no)] {
            if answered {
                ui.input_mut(|input| input.consume_key(egui::Modifiers::NONE, key));
            }
        }
        if can_act && key(Key::A) {
            alarms::acknowledge_all(look, out);
        }
        let mut silence = key(Key::Q);
        let status = self.sound.status();
        let refused = self.refused.clone();
        let asks = self.asks_for_new;
        let mut words = std::mem::take(&mut self.mark_words);
        Panel::bottom("keys").show(ui, |ui| {
            ui.horizontal_wrapped(|ui| {
                self.switch(ui, "Switch-on (S)");
                mark |= ui.add_enabled(can_act, egui::Button::new("Mark (M)")).clicked();
                if can_act && self.showing == Showing::SwitchOn {
                    let field = egui::TextEdit::singleline(&mut words).hint_text("its words").desired_width(90.0);
                    let field = ui.add(field);
                    pieces::name_field(&field, "Words for the mark", &words);
                    mark |= field.lost_focus() && ui.input(|input| input.key_pressed(Key::Enter));
                }
                new |= ui.button(if over { "New session (N)" } else { "New session… (N)" }).clicked();
                if asks {
                    ui.label("End this session?");
                    yes |= ui.button("End it (Y)").clicked();
                    no |= ui.button("Go on watching (Esc)").clicked();
                }
                if let Some(refused) = refused {
                    pieces::said_inline(ui, &Said { meaning: Meaning::Abnormal, sign: "!", text: refused }, 14.0);
                }
                light_or_dark(ui);
                self.shows_keys |= ui.button("Keys (?)").clicked();
                if status.sounding.is_some() {
                    silence |= ui.button("Silence (Q)").clicked();
                }
                pieces::sound(ui, &self.sound);
                let source = look.snapshot.facts.as_ref().map_or("", |facts| facts.source.as_str());
                let pack = look.snapshot.facts.as_ref().map_or("", |facts| facts.pack.as_str());
                let (sound, damaged) = look.snapshot.frames;
                ui.label(format!("{pack}  {source}  {sound} sound frames, {damaged} damaged"));
            });
        });
        if silence {
            self.sound.silence();
        }
        if mark {
            self.marks += 1;
            let number = format!("mark {}", self.marks);
            let text = if words.trim().is_empty() { number } else { format!("{number}: {}", words.trim()) };
            out.push(Command::Mark { text });
            words.clear();
        }
        self.mark_words = words;
        self.asks_for_new = (asks || (new && !over)) && !no && !yes;
        yes || (new && over)
    }

    fn send(&mut self, out: Vec<Command>) {
        let Some(worker) = &self.worker else { return };
        for command in out {
            self.refused = worker.send(command).err().map(|refused| format!("not done: {refused}"));
        }
    }

    /// Ends the session and goes back to the start.
    fn leave(&mut self, now: f64) {
        self.sound.listen(None);
        if let Some(key) = self.pack_key.take() {
            self.book.used(&key, &self.shown.preparation, self.shown.at, now);
        }
        self.showing = Showing::SwitchOn;
        if let Some(worker) = self.worker.take() {
            worker.end();
            self.ending = Some(worker);
        }
        self.shown = Arc::default();
    }

    /// A file that was dropped on the window is a recording to show.
    fn take_dropped(&mut self, ui: &Ui) {
        let path = ui.input(|input| input.raw.dropped_files.first().map(|file| file.path().to_path_buf()));
        let Some(path) = path else { return };
        self.start.kind = crate::start::Kind::Recording;
        self.start.recording = path.display().to_string();
        if self.worker.is_none()
            && let Ok(wish) = self.start.wish()
        {
            self.begin(&ui.ctx().clone(), wish);
            return;
        }
        // A session that runs is not thrown away by a slip of the mouse.
        self.asks_for_new = self.worker.is_some();
    }
}

impl eframe::App for Desktop {
    fn logic(&mut self, ctx: &Context, _frame: &mut eframe::Frame) {
        self.look(ctx);
    }

    fn ui(&mut self, ui: &mut Ui, _frame: &mut eframe::Frame) {
        Desktop::ui(self, ui);
    }

    /// Window and typed files are remembered for the next start; what is in them is not.
    fn save(&mut self, storage: &mut dyn eframe::Storage) {
        self.start.remember(|name, text| storage.set_string(name, text));
        storage.set_string(THEME, if self.dark { "dark" } else { "light" }.to_owned());
    }

    fn persist_egui_memory(&self) -> bool {
        false
    }

    fn on_exit(&mut self, _gl: Option<&eframe::glow::Context>) {
        for worker in [self.worker.take(), self.ending.take()].into_iter().flatten() {
            worker.close();
        }
    }
}

/// A session on the screen: the line that is always there, and the screen below it.
#[derive(Clone, Debug, Default)]
pub struct Screen {
    switch_on: SwitchOn,
}

impl Screen {
    /// Draws; reports what the person asked for and changes nothing else.
    pub fn ui(&mut self, ui: &mut Ui, look: Look<'_>, out: &mut Vec<Command>) {
        let colours = Colours::of(ui.visuals());
        top(ui, look);
        let frame = Frame::new().fill(colours.ground).inner_margin(Margin::same(8));
        CentralPanel::default().frame(frame).show(ui, |ui| self.switch_on.ui(ui, look, out));
    }
}

/// The line that is always there.
pub fn top(ui: &mut Ui, look: Look<'_>) {
    let colours = Colours::of(ui.visuals());
    let frame = Frame::new().fill(colours.ground).inner_margin(Margin::symmetric(10, 8));
    Panel::top("top line").frame(frame).show(ui, |ui| top_line::ui(ui, look));
}

/// Turns the colours round, by key or button.
fn light_or_dark(ui: &mut Ui) {
    let typing = ui.ctx().text_edit_focused();
    let key = !typing && ui.input(|input| input.key_pressed(Key::T) && input.modifiers.is_none());
    if ui.button("Light, dark (T)").clicked() || key {
        let dark = ui.visuals().dark_mode;
        ui.ctx().set_theme(if dark { egui::Theme::Light } else { egui::Theme::Dark });
    }
}

/// Whose entries belong to what is watched; `None` for a recording, which has its own.
fn pack_key(wish: &Wish) -> Option<String> {
    match wish {
        Wish::Practice { .. } => Some("practice".to_owned()),
        Wish::Live { pack, .. } => Some(pack.display().to_string()),
        Wish::Replay(_) => None,
    }
}

/// The window's own clock, in seconds.
fn time(ctx: &Context) -> f64 {
    ctx.input(|input| input.time)
}
