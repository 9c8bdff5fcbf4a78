//! A session on a thread of its own, for a screen that must never wait.
//!
//! Snapshots come out (the latest wins), commands go in over a bounded queue that refuses when it is full.

use std::any::Any;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use model::{Batch, Command, Input, InputKind, SessionTime, TICK};
use tokio_util::sync::CancellationToken;

use crate::engine::{Engine, SessionEvent};
use crate::live::{Live, LiveError, Note, Watcher, live_watched};
use crate::opening;
use crate::snapshot::{Failure, Latest, Phase, Snapshot};
use crate::view::View;

/// Commands that may wait. When they are more, the next one is refused and the screen says so.
const COMMANDS: usize = 16;
/// A snapshot this often, and at once with what matters.
const EVERY: Duration = Duration::from_millis(100);

/// What a worker runs.
#[derive(Debug)]
pub enum Job {
    /// A session from a source.
    Live(Box<Live>),
    /// A session that was.
    Replay(Replay),
}

/// How a recording is shown again.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Replay {
    /// The recording.
    pub path: PathBuf,
    /// Whether it takes as long as it took; else as fast as possible.
    pub as_it_was: bool,
    /// Where to stop; the end if `None`.
    pub until: Option<SessionTime>,
    /// The text of a pack file to judge by instead of the recording's own.
    pub pack_text: Option<String>,
    /// The text of a protocol to decode it by, instead of its own.
    pub protocol_text: Option<String>,
}

/// A job, and what must live as long as it does.
pub struct Opened {
    /// What to run.
    pub job: Job,
    /// Dropped when the job is over: the practice pack's line.
    pub keep: Option<Box<dyn Any + Send>>,
}

/// Makes the job, on the worker's thread: it may read files and open things.
pub type Opener = Box<dyn FnOnce() -> Result<Opened, Failure> + Send>;

/// The command was not taken.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Refused {
    /// Too many wait already.
    #[error("too many commands wait; try again")]
    Full,
    /// The session is over.
    #[error("the session is over")]
    Over,
}

/// A session on a thread of its own. Dropping it ends the session and does not wait for that.
#[derive(Debug)]
pub struct Worker {
    latest: Arc<Latest>,
    commands: SyncSender<Command>,
    limits: SyncSender<String>,
    stop: CancellationToken,
    thread: Option<JoinHandle<()>>,
}

impl Worker {
    /// Starts a session. `before` is ended first and waited for, on the new thread; `wake` is called after each snapshot.
    ///
    /// # Errors
    /// The system gave no thread.
    pub fn start(before: Option<Self>, open: Opener, wake: Arc<dyn Fn() + Send + Sync>) -> std::io::Result<Self> {
        let latest = Arc::new(Latest::default());
        let (commands, inbox) = sync_channel(COMMANDS);
        let (limits, other_limits) = sync_channel(1);
        let stop = CancellationToken::new();
        let mut watching = Watching {
            view: View::new(false),
            latest: Arc::clone(&latest),
            inbox,
            other_limits,
            wake,
            published: None,
        };
        let stop_inside = stop.clone();
        let thread = std::thread::Builder::new().name("session".to_owned()).spawn(move || {
            if let Some(before) = before {
                before.close();
            }
            let result = open().and_then(|opened| {
                let result = watching.run(opened.job, &stop_inside);
                drop(opened.keep);
                result
            });
            if let Err(failure) = result {
                watching.view.failed(Phase::Failed(failure));
                let shown = watching.view.shown().clone();
                watching.latest.publish(shown);
            }
            (watching.wake)();
        })?;
        Ok(Self { latest, commands, limits, stop, thread: Some(thread) })
    }

    /// The newest snapshot, and how long ago it was made.
    pub fn latest(&self) -> (Arc<Snapshot>, Duration) {
        self.latest.take()
    }

    /// Hands over what the person did. Never waits.
    ///
    /// # Errors
    /// The queue is full, or the session is over.
    pub fn send(&self, command: Command) -> Result<(), Refused> {
        self.commands.try_send(command).map_err(|error| refused(&error))
    }

    /// Asks to judge by this pack text from now on: the session ends, its recording is closed, and the next one begins on
    /// the same open source. What comes of it the snapshots say ([`Snapshot::session`], or a remark why not). Never waits.
    ///
    /// # Errors
    /// The one before still waits, or the session is over.
    pub fn judge_by(&self, pack_text: String) -> Result<(), Refused> {
        self.limits.try_send(pack_text).map_err(|error| refused(&error))
    }

    /// Ends the session. Never waits.
    pub fn end(&self) {
        self.stop.cancel();
    }

    /// Where the snapshots are handed over, for somebody besides the screen: use [`Latest::peek`] there.
    pub fn handed_over(&self) -> Arc<Latest> {
        Arc::clone(&self.latest)
    }

    /// Whether the thread is over. If the newest snapshot does not say that the session is, it died by a fault of this
    /// program.
    pub fn is_finished(&self) -> bool {
        self.thread.as_ref().is_none_or(JoinHandle::is_finished)
    }

    /// Ends the session and waits until the recording is closed.
    pub fn close(mut self) {
        self.end();
        if let Some(thread) = self.thread.take() {
            // A thread that died has nothing left to close.
            drop(thread.join());
        }
    }
}

fn refused<T>(error: &TrySendError<T>) -> Refused {
    match error {
        TrySendError::Full(_) => Refused::Full,
        TrySendError::Disconnected(_) => Refused::Over,
    }
}

impl Drop for Worker {
    fn drop(&mut self) {
        self.stop.cancel();
    }
}

struct Watching {
    view: View,
    latest: Arc<Latest>,
    inbox: Receiver<Command>,
    other_limits: Receiver<String>,
    wake: Arc<dyn Fn() + Send + Sync>,
    /// The session time of the last snapshot.
    published: Option<SessionTime>,
}

impl Watching {
    fn run(&mut self, job: Job, stop: &CancellationToken) -> Result<(), Failure> {
        match job {
            Job::Live(live) => {
                if live.may_ask {
                    self.view.may_ask();
                }
                let end = live_watched(*live, stop, self).map_err(|error| failure_of(&error))?;
                self.finish(&end.engine);
                Ok(())
            }
            Job::Replay(replay) => self.replay(&replay, stop),
        }
    }

    fn finish(&mut self, engine: &Engine) {
        self.view.ended();
        self.publish(engine);
    }

    fn publish(&mut self, engine: &Engine) {
        let snapshot = self.view.snapshot(engine, self.latest.was_taken());
        self.published = Some(snapshot.at);
        self.latest.publish(snapshot);
        (self.wake)();
    }

    fn publish_if_due(&mut self, engine: &Engine) {
        let now = engine.judge().now();
        if self.published.is_none_or(|published| EVERY <= now.since(published)) {
            self.publish(engine);
        }
    }

    fn replay(&mut self, replay: &Replay, stop: &CancellationToken) -> Result<(), Failure> {
        let recording = opening::recording(&replay.path)?;
        let mut header = recording.header().clone();
        if let Some(pack_text) = &replay.pack_text {
            header.pack_text.clone_from(pack_text);
        }
        if let Some(text) = &replay.protocol_text {
            header.protocol_text.clone_from(text);
        }
        let mut engine = Engine::new(header).map_err(|unusable| Failure {
            text: unusable.to_string(),
            protocol: unusable.protocol,
            pack: unusable.pack,
            ..Failure::default()
        })?;
        self.view = View::new(true);
        match (&replay.protocol_text, &replay.pack_text) {
            (Some(_), Some(_)) => self.view.otherwise("READ AND JUDGED BY OTHER TEXTS than its own"),
            (Some(_), None) => self.view.otherwise("READ BY ANOTHER PROTOCOL than its own"),
            (None, Some(_)) => self.view.otherwise("JUDGED BY OTHER LIMITS than its own"),
            (None, None) => {}
        }
        let mut inputs = recording.inputs_ahead();
        let mut last_at = SessionTime::ZERO;
        let mut told = None;
        let began = now();
        self.pass_on(&mut engine);
        while let Some(input) = inputs.next() {
            let until = replay.until.unwrap_or(SessionTime { nanos: u64::MAX });
            if until < input.at {
                self.feed(&mut engine, Input::new(until, InputKind::Quiet));
                self.finish(&engine);
                return Ok(());
            }
            if replay.as_it_was {
                self.wait_until(input.at, began, &mut engine, stop);
            }
            if stop.is_cancelled() {
                break;
            }
            last_at = input.at;
            if !replay.as_it_was && replay.until.is_none() {
                // Nobody looks before the end, so that rows may wait for each other.
                let stamped = engine.stamp(input);
                if engine.lets_wait(&stamped) {
                    self.view.input(&stamped);
                } else {
                    if stamped.kind == InputKind::End {
                        self.feed(&mut engine, Input::new(last_at, InputKind::Quiet));
                        self.view.pass_over();
                    }
                    self.take(&mut engine, &stamped);
                }
            } else {
                self.feed(&mut engine, input);
            }
            if replay.as_it_was {
                self.publish_if_due(&engine);
            } else if self.published.is_none_or(|passed| EVERY <= last_at.since(passed)) {
                self.view.pass_over();
                self.published = Some(last_at);
                if told.is_none_or(|told: Instant| EVERY <= told.elapsed()) {
                    told = Some(now());
                    let share = inputs.position_bytes().saturating_mul(1000) / recording.len_bytes().max(1);
                    let shown = self.view.judging(u16::try_from(share.min(1000)).unwrap_or(1000));
                    self.latest.publish(shown);
                    (self.wake)();
                }
            }
        }
        if !engine.ended() {
            self.feed(&mut engine, Input::new(last_at, InputKind::End));
        }
        if let Some(damage) = inputs.damage().first() {
            self.view.incomplete(&format!("the recording is incomplete: {damage}"));
        } else if !inputs.complete() && !stop.is_cancelled() {
            self.view.incomplete("the recording has no end: it was cut off, or the program was killed");
        }
        self.finish(&engine);
        Ok(())
    }

    fn feed(&mut self, engine: &mut Engine, input: Input) {
        let input = engine.stamp(input);
        self.take(engine, &input);
    }

    fn take(&mut self, engine: &mut Engine, stamped: &Input) {
        self.view.input(stamped);
        engine.process_with(stamped, &mut |batch| self.view.batch(batch));
        self.pass_on(engine);
    }

    fn pass_on(&mut self, engine: &mut Engine) {
        for event in engine.take_events() {
            self.view.event(&event, engine);
        }
    }

    /// Lets time go on as it did, up to the next input.
    fn wait_until(&mut self, due: SessionTime, began: Instant, engine: &mut Engine, stop: &CancellationToken) {
        while !stop.is_cancelled() {
            let at = SessionTime::from_duration(began.elapsed());
            if due <= at {
                return;
            }
            self.feed(engine, Input::new(at, InputKind::Quiet));
            self.publish_if_due(engine);
            // Nobody can add to a session that was: commands are only taken out of the way.
            let step = due.since(at).min(TICK);
            if let Err(RecvTimeoutError::Disconnected) = self.inbox.recv_timeout(step) {
                std::thread::sleep(step);
            }
        }
    }
}

impl Watcher for Watching {
    fn event(&mut self, event: &SessionEvent, engine: &Engine) {
        if self.view.event(event, engine) {
            self.publish(engine);
        }
    }

    fn note(&mut self, note: Note<'_>) {
        match note {
            Note::Tick(engine) => self.publish_if_due(engine),
            Note::Remark(text) => self.view.remark(text),
        }
    }

    fn input(&mut self, input: &Input) {
        self.view.input(input);
    }

    fn batch(&mut self, batch: &Batch) {
        self.view.batch(batch);
    }

    fn command(&mut self) -> Option<Command> {
        self.inbox.try_recv().ok()
    }

    fn limits(&mut self) -> Option<String> {
        self.other_limits.try_recv().ok()
    }

    fn next_session(&mut self) {
        self.view.next();
        self.published = None;
    }
}

#[expect(clippy::disallowed_methods, reason = "a recording is shown at the pace of this machine's clock")]
fn now() -> Instant {
    Instant::now()
}

fn failure_of(error: &LiveError) -> Failure {
    let (protocol, pack) = match error {
        LiveError::Unusable(unusable) => (unusable.protocol.clone(), unusable.pack.clone()),
        _ => Default::default(),
    };
    Failure { text: with_causes(error), hint: error.hint().map(str::to_owned), protocol, pack }
}

/// The error and its causes; what one has told already is not told again.
pub(crate) fn with_causes(error: &dyn std::error::Error) -> String {
    let mut told = error.to_string();
    let mut cause = error.source();
    while let Some(error) = cause {
        let text = error.to_string();
        if !told.contains(&text) {
            told = format!("{told}: {text}");
        }
        cause = error.source();
    }
    told
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::snapshot::{Link, Standing};
    use model::{SessionHeader, Times};

    #[test]
    fn a_session_that_cannot_begin_says_why_and_takes_nothing() {
        let header = SessionHeader {
            protocol_text: "protocoll = 1".to_owned(),
            pack_text: String::new(),
            source: String::new(),
            practice: false,
            times: Times::Measured,
            started_utc_nanos: None,
            tool_version: String::new(),
            host: String::new(),
        };
        let source = transport::Source::Udp { bind: "127.0.0.1:0".to_owned() };
        let live = Live { source, header, record: None, length: None, before: Vec::new(), may_ask: false };
        let open: Opener = Box::new(move || Ok(Opened { job: Job::Live(Box::new(live)), keep: None }));
        let worker = Worker::start(None, open, Arc::new(|| {})).expect("a thread");
        while !worker.is_finished() {
            std::thread::sleep(Duration::from_millis(2));
        }
        let (snapshot, _) = worker.latest();
        let Phase::Failed(failure) = &snapshot.phase else { panic!("{:?}", snapshot.phase) };
        assert!(!failure.protocol.is_empty() && !failure.pack.is_empty(), "{failure:?}");
        assert_eq!((&snapshot.link, snapshot.cells.len()), (&Link::NotOpen, 0));
        assert!(snapshot.verdict.is_none());
        assert_eq!(worker.send(Command::Mark { text: String::new() }), Err(Refused::Over));
        assert_eq!(Standing::default(), Standing::Unknown);
    }

    #[test]
    fn a_full_queue_refuses_and_does_not_wait() {
        let (hold, held) = sync_channel::<()>(0);
        let open: Opener = Box::new(move || {
            assert!(held.recv().is_err(), "nothing is sent; it is only let go");
            Err(Failure::default())
        });
        let worker = Worker::start(None, open, Arc::new(|| {})).expect("a thread");
        let mark = || Command::Mark { text: "a mark".to_owned() };
        for _ in 0..COMMANDS {
            assert_eq!(worker.send(mark()), Ok(()));
        }
        assert_eq!(worker.send(mark()), Err(Refused::Full));
        drop(hold);
        worker.close();
    }
}
