//! A session from a source, in real time.

use std::path::PathBuf;
use std::time::Duration;

use model::{Batch, Command, Input, InputKind, SessionHeader, SessionTime, TICK};
use recording::WriteError;
use rules::EventKind;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use transport::{OpenError, SessionClock, Source, start};

use crate::engine::{Engine, SessionEvent, Unusable};
use crate::keeper::{Keeper, RecorderChange};

/// Inputs that may wait for the engine. When they are more, the source waits.
const QUEUE: usize = 1024;

/// What a live session needs.
#[derive(Clone, Debug)]
pub struct Live {
    /// Where the bytes come from.
    pub source: Source,
    /// What is fixed for the session; its UTC anchor is filled in here.
    pub header: SessionHeader,
    /// Where to record, if at all. The file must not exist.
    pub record: Option<PathBuf>,
    /// Ends the session at exactly this time.
    pub length: Option<Duration>,
    /// What the person entered before the start: readings taken by hand.
    pub before: Vec<Command>,
}

/// Something that is no event.
#[derive(Clone, Copy, Debug)]
pub enum Note<'a> {
    /// Time has passed: the engine as it is now.
    Tick(&'a Engine),
    /// Prose about the source: a setting that it did not take, a device that is looked for.
    Remark(&'a str),
}

/// How a live session ended.
#[derive(Debug)]
pub struct LiveEnd {
    /// The engine with its last state.
    pub engine: Engine,
    /// Why the recording is incomplete, if it is.
    pub recording_incomplete: Option<String>,
}

/// Why a live session could not begin.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LiveError {
    /// The protocol or the pack can't be used.
    #[error(transparent)]
    Unusable(#[from] Unusable),
    /// The source refused.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// The recording could not be created.
    #[error(transparent)]
    Record(#[from] WriteError),
    /// The system gave no timer or signal.
    #[error("the system refused what a live session needs")]
    System(#[source] std::io::Error),
}

impl LiveError {
    /// What to do about it, if there is something.
    pub fn hint(&self) -> Option<&str> {
        match self {
            Self::Open(error) => error.hint(),
            Self::Record(error) => error.hint(),
            Self::Unusable(_) | Self::System(_) => None,
        }
    }
}

/// Whoever watches a live session, on the thread that runs it. It must not wait for anything.
pub trait Watcher {
    /// Every event at once, with the engine as it is then.
    fn event(&mut self, event: &SessionEvent, engine: &Engine);

    /// Each tick of 50 ms, and remarks about the source that are no events.
    fn note(&mut self, note: Note<'_>);

    /// Every decoded batch, before the rules have judged it.
    fn batch(&mut self, _batch: &Batch) {}

    /// The next thing that the person did, asked for at each tick.
    fn command(&mut self) -> Option<Command> {
        None
    }
}

struct Closures<'c> {
    say: &'c mut dyn FnMut(&SessionEvent, &Engine),
    look: &'c mut dyn FnMut(Note<'_>),
}

impl Watcher for Closures<'_> {
    fn event(&mut self, event: &SessionEvent, engine: &Engine) {
        (self.say)(event, engine);
    }

    fn note(&mut self, note: Note<'_>) {
        (self.look)(note);
    }
}

/// Runs a session until its length is over, its source ends or `stop` is cancelled (an interrupt cancels it too).
///
/// `say` gets every event at once, with the engine as it is then; `look` gets each tick of 50 ms, and remarks about the
/// source that are no events.
///
/// # Errors
/// It could not begin; nothing was watched.
pub fn live(
    options: Live,
    stop: &CancellationToken,
    say: &mut dyn FnMut(&SessionEvent, &Engine),
    look: &mut dyn FnMut(Note<'_>),
) -> Result<LiveEnd, LiveError> {
    live_watched(options, stop, &mut Closures { say, look })
}

/// The same for a watcher that also wants the decoded values and says what the person does.
///
/// # Errors
/// It could not begin; nothing was watched.
pub fn live_watched(
    mut options: Live,
    stop: &CancellationToken,
    watcher: &mut dyn Watcher,
) -> Result<LiveEnd, LiveError> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(LiveError::System)?;
    let clock = SessionClock::start();
    options.header.started_utc_nanos = Some(clock.reading().session_began_utc_nanos());
    let engine = Engine::new(options.header.clone())?;
    // A source that refuses leaves no empty recording behind; what it sends meanwhile waits in the queue.
    let (to, inputs) = mpsc::channel(QUEUE);
    let closing = CancellationToken::new();
    let running = start(options.source.clone(), clock, to, closing.clone())?;
    let keeper = match &options.record {
        Some(path) => Some(Keeper::start(path, &options.header)?),
        None => None,
    };
    for remark in running.remarks() {
        watcher.note(Note::Remark(remark));
    }
    let mut session = Session { engine, keeper, watcher, record: options.record.clone(), recording_incomplete: None };
    session.begin(&options.before);
    let mut waiting = None;
    let mut about_the_source = || {
        let now_waiting = running.waiting();
        if now_waiting == waiting {
            return None;
        }
        waiting = now_waiting;
        waiting.as_ref().map(ToString::to_string)
    };
    runtime.block_on(session.run(inputs, clock, options.length, stop, &mut about_the_source));
    // A source thread that panicked has sent Lost where it could; the session is over either way.
    drop(running.stop());
    Ok(LiveEnd { engine: session.engine, recording_incomplete: session.recording_incomplete })
}

struct Session<'s> {
    engine: Engine,
    keeper: Option<Keeper>,
    watcher: &'s mut dyn Watcher,
    record: Option<PathBuf>,
    /// Known as soon as it is, at the latest when the recording is closed.
    recording_incomplete: Option<String>,
}

impl Session<'_> {
    fn begin(&mut self, before: &[Command]) {
        self.pass_on();
        if let Some(path) = &self.record {
            let text = path.display().to_string();
            self.say_recorder(RecorderChange::Started, text);
        }
        for command in before {
            self.take(Input::new(SessionTime::ZERO, InputKind::Command(command.clone())));
        }
    }

    async fn run(
        &mut self,
        mut inputs: mpsc::Receiver<Input>,
        clock: SessionClock,
        length: Option<Duration>,
        stop: &CancellationToken,
        about_the_source: &mut dyn FnMut() -> Option<String>,
    ) {
        let end = length.map(SessionTime::from_duration);
        let mut ticks = tokio::time::interval(TICK);
        ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
        let mut interrupt = std::pin::pin!(tokio::signal::ctrl_c());
        let mut interruptible = true;
        while !self.engine.ended() {
            tokio::select! {
                biased;
                () = stop.cancelled() => self.take(Input::new(clock.now(), InputKind::End)),
                result = &mut interrupt, if interruptible => {
                    // Without a handler for the signal, the session can still be ended from outside.
                    interruptible = result.is_ok();
                    if interruptible {
                        stop.cancel();
                    }
                }
                input = inputs.recv() => match input {
                    Some(input) if end.is_some_and(|end| end <= input.at) => self.end(end),
                    Some(input) => self.take(input),
                    // Every sender is gone: the source has ended for good.
                    None => self.take(Input::new(clock.now(), InputKind::End)),
                },
                _ = ticks.tick() => {
                    let now = clock.now();
                    if end.is_some_and(|end| end <= now) {
                        self.end(end);
                    } else {
                        self.take(Input::new(now, InputKind::Quiet));
                        self.take_commands(now);
                        if let Some(text) = about_the_source() {
                            self.watcher.note(Note::Remark(&text));
                        }
                        self.watcher.note(Note::Tick(&self.engine));
                    }
                }
            }
        }
    }

    fn end(&mut self, at: Option<SessionTime>) {
        if let Some(at) = at {
            self.take(Input::new(at, InputKind::End));
        }
    }

    fn take_commands(&mut self, now: SessionTime) {
        // A person does not do more than this in 50 ms; what is left waits for the next tick.
        for _ in 0..16 {
            let Some(command) = self.watcher.command() else { return };
            self.take(Input::new(now, InputKind::Command(command)));
        }
    }

    /// Stamp, record, decode: in this order.
    fn take(&mut self, input: Input) {
        let input = self.engine.stamp(input);
        if let Some(keeper) = &mut self.keeper
            && input.kind != InputKind::Quiet
        {
            keeper.keep(&input);
        }
        if input.kind == InputKind::End {
            // Before the verdict of the whole session, which is the last thing that is said.
            self.close_recording();
        }
        self.engine.process_with(&input, &mut |batch| self.watcher.batch(batch));
        let pressing = self.pass_on();
        if let Some(keeper) = &mut self.keeper {
            if pressing {
                keeper.flush_soon();
            }
            if let Some(why) = keeper.news() {
                self.recording_incomplete = Some(why.clone());
                self.say_recorder(RecorderChange::Incomplete, why);
            }
        }
    }

    /// Says what the engine has to say. Returns whether any of it should reach the disk at once.
    fn pass_on(&mut self) -> bool {
        let mut pressing = false;
        for event in self.engine.take_events() {
            pressing |= match &event {
                SessionEvent::Rules(event) => {
                    matches!(event.kind, EventKind::Alarm { .. } | EventKind::Link { .. } | EventKind::Note { .. })
                }
                SessionEvent::Began(_) | SessionEvent::Recorder { .. } => false,
            };
            self.watcher.event(&event, &self.engine);
        }
        pressing
    }

    fn say_recorder(&mut self, change: RecorderChange, text: String) {
        let at = self.engine.judge().now();
        self.watcher.event(&SessionEvent::Recorder { at, change, text }, &self.engine);
    }

    fn close_recording(&mut self) {
        let Some(keeper) = self.keeper.take() else { return };
        match keeper.finish() {
            // Said already, when it became so.
            Some(_) if self.recording_incomplete.is_some() => {}
            Some(why) => {
                self.recording_incomplete = Some(why.clone());
                self.say_recorder(RecorderChange::Incomplete, why);
            }
            None => self.say_recorder(RecorderChange::Finished, String::new()),
        }
    }
}
