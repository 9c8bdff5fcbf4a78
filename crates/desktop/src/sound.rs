//! The alarm that can be heard: eyes are on the switch, not on the screen.
//!
//! A thread of its own looks at the newest snapshot, so an alarm sounds even where no window is drawn. It hands a tone to
//! the system's player, one at a time; where there is none it rings the terminal's bell; where there is none either, it
//! says so. A critical alarm sounds until it is acknowledged, a warning once. A recording that is shown again is silent.

use std::ffi::OsStr;
use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use session::Snapshot;
use session::rules::Severity;
use session::snapshot::{Latest, Link, Phase, needs_acknowledging};
use tempfile::NamedTempFile;

use crate::tone::Tone;
use crate::wording::OLD_AFTER;

/// The newest snapshot is looked at this often.
const EVERY: Duration = Duration::from_millis(100);
/// Between two soundings of a critical alarm.
const PAUSE: Duration = Duration::from_millis(500);
/// A player that takes longer for a tone of a second hangs.
const HANGS: Duration = Duration::from_secs(5);
/// A session that hands nothing over for this long is not watching any more.
const DIED: Duration = Duration::from_secs(3);

/// The players of the system, best first.
const KNOWN: &[&str] = if cfg!(target_os = "macos") {
    &["afplay"]
} else if cfg!(windows) {
    &["powershell.exe"]
} else {
    &["pw-play", "paplay", "aplay"]
};

/// What can make a sound on this machine.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Players {
    /// Programs, best first.
    programs: Vec<PathBuf>,
    bell: bool,
}

impl Players {
    /// Nothing: for tests, and for a machine without sound.
    pub fn none() -> Self {
        Self::default()
    }

    /// What there is on the search path, and the bell of the terminal that the program was started from.
    pub fn of_this_machine() -> Self {
        Self::on(std::env::var_os("PATH").as_deref(), std::io::stderr().is_terminal())
    }

    /// What there is on this search path; `bell`: a terminal listens to standard error.
    pub fn on(path: Option<&OsStr>, bell: bool) -> Self {
        let folders: Vec<PathBuf> = path.map(|path| std::env::split_paths(path).collect()).unwrap_or_default();
        let find = |name| folders.iter().map(|folder| folder.join(name)).find(|program| program.is_file());
        Self { programs: KNOWN.iter().filter_map(find).collect(), bell }
    }

    fn by(&self) -> By {
        match self.programs.first() {
            Some(program) => By::Program(name_of(program)),
            None if self.bell => By::Bell,
            None => By::Nothing,
        }
    }
}

fn name_of(program: &Path) -> String {
    program.file_stem().unwrap_or_default().to_string_lossy().into_owned()
}

/// What makes the sound.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub enum By {
    /// A player of the system.
    Program(String),
    /// The terminal's bell, which may be turned off where nobody can see it.
    Bell,
    /// Nothing can be heard.
    #[default]
    Nothing,
}

/// What a screen shows of the sound.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Status {
    /// What makes it.
    pub by: By,
    /// It has been heard by the system: a player took a tone and ended well.
    pub tried: bool,
    /// Why the last player that failed did.
    pub failed: Option<String>,
    /// What sounds now.
    pub sounding: Option<Tone>,
    /// The person silenced it; a new alarm sounds again.
    pub silenced: bool,
}

#[derive(Debug, Default)]
struct Orders {
    watched: Option<Arc<Latest>>,
    /// Counts sessions: what was heard and silenced holds for one.
    session: u64,
    silence: bool,
    test: bool,
    quit: bool,
}

#[derive(Debug, Default)]
struct Shared {
    orders: Mutex<Orders>,
    called: Condvar,
    status: Mutex<Status>,
}

impl Shared {
    fn order(&self, change: impl FnOnce(&mut Orders)) {
        change(&mut locked(&self.orders));
        self.called.notify_one();
    }
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // Flags and counts are whole whoever panicked.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The alarm that can be heard. Dropping it ends the sound and takes its files away.
#[derive(Debug)]
pub struct Sound {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

impl Sound {
    /// Starts its thread. `changed` is called when [`Sound::status`] says something new.
    pub fn start(players: Players, changed: Arc<dyn Fn() + Send + Sync>) -> Self {
        let shared = Arc::new(Shared::default());
        locked(&shared.status).by = players.by();
        let inside = Arc::clone(&shared);
        let run = move || Thread::new(players).run(&inside, &*changed);
        let spawned = std::thread::Builder::new().name("sound".to_owned()).spawn(run);
        if let Err(error) = &spawned {
            *locked(&shared.status) = Status { failed: Some(error.to_string()), ..Status::default() };
        }
        Self { shared, thread: spawned.ok() }
    }

    /// Listens to this session from now on.
    pub fn listen(&self, to: Option<Arc<Latest>>) {
        self.shared.order(|orders| {
            orders.watched = to;
            orders.session += 1;
            orders.silence = false;
        });
    }

    /// Silences what sounds now. A new alarm sounds again.
    pub fn silence(&self) {
        self.shared.order(|orders| orders.silence = true);
    }

    /// Sounds the critical tone once, for the person to hear whether it can be heard.
    pub fn test(&self) {
        self.shared.order(|orders| orders.test = true);
    }

    /// What is shown of it. Never waits for a player.
    pub fn status(&self) -> Status {
        locked(&self.shared.status).clone()
    }
}

impl Drop for Sound {
    fn drop(&mut self) {
        self.shared.order(|orders| orders.quit = true);
        if let Some(thread) = self.thread.take() {
            // A thread that died has left nothing that sounds longer than its tone.
            drop(thread.join());
        }
    }
}

/// What of a session calls for a sound: this many alarms, the newest at this time, and whether nobody sees the pack.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
struct Heard {
    alarms: usize,
    newest_nanos: u64,
    blind: bool,
}

impl Heard {
    fn is_new_after(self, before: Self) -> bool {
        before.alarms < self.alarms || before.newest_nanos < self.newest_nanos || (self.blind && !before.blind)
    }
}

/// Decides what should sound, from what the snapshots say.
#[derive(Debug, Default)]
struct Ear {
    /// Which of the sessions on one source.
    session: u32,
    heard: Heard,
    silenced: bool,
}

impl Ear {
    /// What should sound for this snapshot of `since` ago: again and again where it is critical, once else.
    fn listen(&mut self, snapshot: &Snapshot, since: Duration, silence: bool) -> Option<Tone> {
        if snapshot.facts.as_ref().is_some_and(|facts| facts.replay) || matches!(snapshot.phase, Phase::Failed(_)) {
            return None;
        }
        if self.session != snapshot.session {
            // Its alarms are counted from one again.
            *self = Self { session: snapshot.session, ..Self::default() };
        }
        let running = matches!(snapshot.phase, Phase::Running);
        let died = running && DIED < since;
        let old = running && snapshot.age.is_some_and(|age| OLD_AFTER < age + since);
        let heard = Heard {
            alarms: snapshot.alarms.len(),
            newest_nanos: snapshot
                .alarms
                .iter()
                .map(|alarm| alarm.raised_at.max(alarm.worst_at).nanos)
                .max()
                .unwrap_or(0),
            blind: died || old || matches!(snapshot.link, Link::Lost(_)),
        };
        let new = heard.is_new_after(self.heard);
        self.heard = heard;
        if new {
            self.silenced = false;
        }
        // Nobody can acknowledge in a session that is over.
        let critical = died
            || (running
                && snapshot.alarms.iter().any(|alarm| alarm.worst == Severity::Critical && needs_acknowledging(alarm)));
        if !critical && !new {
            self.silenced = false;
        }
        self.silenced |= silence && critical;
        match (critical, new) {
            (true, _) if !self.silenced => Some(Tone::Critical),
            (false, true) => Some(Tone::Warning),
            _ => None,
        }
    }
}

/// What the thread has to do next.
struct Order {
    watched: Option<Arc<Latest>>,
    session: u64,
    silence: bool,
    test: bool,
}

impl Shared {
    /// Waits until there is something to do, at most until the next look is due. `None`: it is over.
    fn next(&self) -> Option<Order> {
        let idle = |orders: &mut Orders| !orders.quit && !orders.silence && !orders.test;
        let waited = self.called.wait_timeout_while(locked(&self.orders), EVERY, idle);
        let (mut orders, _) = waited.unwrap_or_else(PoisonError::into_inner);
        (!orders.quit).then(|| Order {
            watched: orders.watched.clone(),
            session: orders.session,
            silence: std::mem::take(&mut orders.silence),
            test: std::mem::take(&mut orders.test),
        })
    }
}

/// A player that runs.
struct Playing {
    child: Child,
    tone: Tone,
    began: Instant,
    /// It plays to its end, whatever becomes of the alarm.
    once: bool,
}

/// Makes the sound, on its thread.
struct Thread {
    players: Players,
    tried: bool,
    failed: Option<String>,
    ear: Ear,
    session: u64,
    /// What has to sound once, however long the player is busy.
    once: Option<Tone>,
    playing: Option<Playing>,
    ended: Option<Instant>,
    /// The tones as files: every player takes a path, not every one standard input.
    files: Vec<(Tone, NamedTempFile)>,
}

impl Thread {
    fn new(players: Players) -> Self {
        let (ear, files) = (Ear::default(), Vec::new());
        Self { players, tried: false, failed: None, ear, session: 0, once: None, playing: None, ended: None, files }
    }

    fn run(mut self, shared: &Shared, changed: &dyn Fn()) {
        while let Some(order) = shared.next() {
            self.step(order);
            let status = self.status();
            let before = std::mem::replace(&mut *locked(&shared.status), status.clone());
            if before != status {
                changed();
            }
        }
        self.stop();
    }

    fn step(&mut self, order: Order) {
        if self.session != order.session {
            (self.session, self.ear, self.once) = (order.session, Ear::default(), None);
        }
        let wanted = order.watched.and_then(|latest| {
            let (snapshot, since) = latest.peek();
            self.ear.listen(&snapshot, since, order.silence)
        });
        self.reap();
        let again = wanted == Some(Tone::Critical);
        let repeating = self.playing.as_ref().is_some_and(|playing| !playing.once);
        if order.silence || (repeating && !again) {
            self.stop();
            self.once = None;
        }
        self.once = self.once.max(wanted.filter(|_| !again)).max(order.test.then_some(Tone::Critical));
        if self.playing.is_some() || self.ended.is_some_and(|ended| ended.elapsed() < PAUSE) {
            return;
        }
        if let Some(tone) = self.once.take() {
            self.play(tone, true);
        } else if again {
            self.play(Tone::Critical, false);
        }
    }

    fn status(&self) -> Status {
        Status {
            by: self.players.by(),
            tried: self.tried,
            failed: self.failed.clone(),
            sounding: self.playing.as_ref().map(|playing| playing.tone),
            silenced: self.ear.silenced,
        }
    }

    fn play(&mut self, tone: Tone, once: bool) {
        let Some(program) = self.players.programs.first().cloned() else {
            self.ring();
            return;
        };
        let spawned = self.file(tone).and_then(|path| command(&program, &path).spawn());
        match spawned {
            Ok(child) => self.playing = Some(Playing { child, tone, began: now(), once }),
            Err(error) => self.give_up(&error.to_string(), tone, once),
        }
    }

    fn ring(&mut self) {
        if self.players.bell {
            // A terminal that is gone takes its bell with it.
            self.players.bell = std::io::stderr().write_all(b"\x07").is_ok();
            self.ended = Some(now());
        }
    }

    /// The player can't be used: the next one takes its place, at once.
    fn give_up(&mut self, why: &str, tone: Tone, once: bool) {
        if !self.players.programs.is_empty() {
            let program = self.players.programs.remove(0);
            self.failed = Some(format!("{}: {why}", name_of(&program)));
        }
        self.tried = false;
        self.play(tone, once);
    }

    /// Takes notice of a player that has ended, or never will.
    fn reap(&mut self) {
        let Some(playing) = &mut self.playing else { return };
        let why = match playing.child.try_wait() {
            Ok(None) if playing.began.elapsed() < HANGS => return,
            Ok(None) => Some("it does not end".to_owned()),
            Ok(Some(status)) if status.success() => None,
            Ok(Some(status)) => Some(status.to_string()),
            Err(error) => Some(error.to_string()),
        };
        let (tone, once) = (playing.tone, playing.once);
        self.stop();
        match why {
            Some(why) => self.give_up(&why, tone, once),
            None => self.tried = true,
        }
    }

    fn stop(&mut self) {
        if let Some(mut playing) = self.playing.take() {
            // Either fails only where it has ended already.
            drop(playing.child.kill());
            drop(playing.child.wait());
            self.ended = Some(now());
        }
    }

    /// The tone as a file, written when it is first needed, gone with this thread.
    fn file(&mut self, tone: Tone) -> std::io::Result<PathBuf> {
        if let Some((_, file)) = self.files.iter().find(|(known, _)| *known == tone) {
            return Ok(file.path().to_owned());
        }
        let mut file = tempfile::Builder::new().prefix("packwake-").suffix(".wav").tempfile()?;
        file.write_all(&tone.wav())?;
        let path = file.path().to_owned();
        self.files.push((tone, file));
        Ok(path)
    }
}

fn command(program: &Path, tone: &Path) -> Command {
    let mut command = Command::new(program);
    if name_of(program) == "powershell" {
        let path = tone.display().to_string().replace('\'', "''");
        command.args(["-NoProfile", "-NonInteractive", "-Command"]);
        command.arg(format!("(New-Object Media.SoundPlayer '{path}').PlaySync()"));
    } else {
        command.arg(tone);
    }
    command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    command
}

#[expect(clippy::disallowed_methods, reason = "how long a player of the system takes is no session time")]
fn now() -> Instant {
    Instant::now()
}
