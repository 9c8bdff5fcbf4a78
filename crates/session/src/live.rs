//! A session from a source, in real time.

use std::path::PathBuf;
use std::time::Duration;

use model::{Batch, Command, Input, InputKind, SessionHeader, SessionTime, TICK};
use recording::WriteError;
use rules::EventKind;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use transport::{OpenError, SendError, SessionClock, Source, start};

use crate::asking::{Asking, Question, can_be_answer, questions, rest_of};
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
    /// Whether the person allows that the questions of the protocol file are sent to the device. Without it nothing is
    /// ever sent.
    pub may_ask: bool,
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

    /// Every input, stamped, before it is decoded.
    fn input(&mut self, _input: &Input) {}

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
    let asking = options.may_ask.then(|| Asker::new(&engine, &options.source)).flatten();
    let record = options.record.clone();
    for remark in running.remarks() {
        watcher.note(Note::Remark(remark));
    }
    let mut session = Session { engine, keeper, asking, watcher, record, recording_incomplete: None };
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
    let send = |bytes: &[u8]| running.send(bytes);
    runtime.block_on(session.run(inputs, clock, options.length, stop, &send, &mut about_the_source));
    // A source thread that panicked has sent Lost where it could; the session is over either way.
    drop(running.stop());
    Ok(LiveEnd { engine: session.engine, recording_incomplete: session.recording_incomplete })
}

/// The questions of the protocol file, where the person allows that they are sent and the file lists any.
struct Asker {
    questions: Vec<Question>,
    schedule: Asking,
    /// Whether the last one could not be sent, and that was said.
    failing: bool,
}

impl Asker {
    fn new(engine: &Engine, source: &Source) -> Option<Self> {
        let questions = questions(engine.protocol());
        let line = match source {
            Source::Serial(serial) => Some(&serial.settings),
            Source::Tcp { .. } | Source::Udp { .. } | Source::StandardInput => None,
        };
        let schedule = Asking::new(questions.iter().map(|question| question.times), rest_of(line));
        (!questions.is_empty()).then_some(Self { questions, schedule, failing: false })
    }
}

/// Sends bytes to the source.
type SendBy<'s> = dyn Fn(&[u8]) -> Result<(), SendError> + 's;

struct Session<'s> {
    engine: Engine,
    keeper: Option<Keeper>,
    asking: Option<Asker>,
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
        send: &SendBy<'_>,
        about_the_source: &mut dyn FnMut() -> Option<String>,
    ) {
        let end = length.map(SessionTime::from_duration);
        let mut ticks = tokio::time::interval(TICK);
        ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
        let mut interrupt = std::pin::pin!(tokio::signal::ctrl_c());
        let mut interruptible = true;
        while !self.engine.ended() {
            let question = self.asking.as_ref().and_then(|asking| asking.schedule.next_at());
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
                () = until(question, clock), if question.is_some() => {
                    let now = clock.now();
                    if end.is_some_and(|end| end <= now) {
                        self.end(end);
                    } else {
                        self.ask(now, send);
                    }
                }
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

    /// Sends the question that is due. What went out of it becomes an input, even where it is only a part.
    ///
    /// Nothing waits in the queue here, as far as this thread can know: what comes out of it from now on was read after
    /// the question, but for a read that happens in this very moment.
    fn ask(&mut self, now: SessionTime, send: &SendBy<'_>) {
        let Some(asking) = &mut self.asking else { return };
        let Some(index) = asking.schedule.due(now) else { return };
        let Some(question) = asking.questions.get(index) else { return };
        let result = send(&question.bytes);
        let sent = match &result {
            Ok(()) => question.bytes.len(),
            Err(error) => error.sent(),
        };
        let bytes = question.bytes.get(..sent).unwrap_or_default().to_vec();
        match result {
            Ok(()) => {
                asking.schedule.asked(index, now);
                asking.failing = false;
            }
            Err(error) => {
                asking.schedule.failed(index, now);
                if !std::mem::replace(&mut asking.failing, true) {
                    let text = format!("a question could not be sent, and is tried again: {error}");
                    self.watcher.note(Note::Remark(&text));
                }
            }
        }
        if !bytes.is_empty() {
            self.take(Input::new(now, InputKind::Sent(bytes)));
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
        self.process(&input);
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

    fn process(&mut self, input: &Input) {
        let watcher = &mut *self.watcher;
        watcher.input(input);
        let Some(asking) = &mut self.asking else {
            self.engine.process_with(input, &mut |batch| watcher.batch(batch));
            return;
        };
        let mut answered = false;
        self.engine.process_with(input, &mut |batch| {
            answered |= can_be_answer(&asking.questions, batch);
            watcher.batch(batch);
        });
        match input.kind {
            InputKind::Opened { .. } => asking.schedule.opened(input.at),
            InputKind::Lost { .. } | InputKind::End => asking.schedule.lost(),
            _ if answered => asking.schedule.answered(input.at),
            _ => {}
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

/// Waits for that time; without one, for nothing.
async fn until(at: Option<SessionTime>, clock: SessionClock) {
    if let Some(at) = at {
        tokio::time::sleep(at.since(clock.now())).await;
    }
}

#[cfg(test)]
mod tests {
    use model::{LineSettings, Times};
    use transport::SerialSource;

    use super::*;

    const PROTOCOL: &str = r#"
        protocol = "asked"
        [[frame]]
        name = "plain"
        start = "5E ED"
        parts = [
          { name = "kind", type = "u8", role = "id" },
          { name = "body", role = "body" },
          { name = "check", type = "u8", role = "check", sum = "xor" },
        ]
        [[message]]
        name = "question"
        frames = ["plain"]
        id = { kind = 1 }
        parts = [{ name = "from", type = "u8" }]
        [[message]]
        name = "cells"
        frames = ["plain"]
        id = { kind = 2 }
        answers = "question"
        every = "100 ms"
        parts = [{ name = "cell", type = "u16 be", times = 2, unit = "mV", channel = "cell voltage" }]
        [[ask]]
        message = "question"
        every = "100 ms"
    "#;
    const PACK: &str = r#"
        pack = "two cells"
        chemistry = "NMC"
        cells = 2
        capacity = "10 Ah"
        temperatures = ["between them"]
    "#;

    #[test]
    fn a_question_that_fails_is_said_once_and_what_went_out_of_it_is_an_input() {
        let header = SessionHeader {
            protocol_text: PROTOCOL.to_owned(),
            pack_text: PACK.to_owned(),
            source: String::new(),
            practice: false,
            times: Times::Measured,
            started_utc_nanos: None,
            tool_version: String::new(),
            host: String::new(),
        };
        let engine = Engine::new(header).unwrap();
        let source = Source::Serial(SerialSource { path: PathBuf::from("none"), settings: LineSettings::new(115_200) });
        let asking = Asker::new(&engine, &source);
        let mut said = Vec::new();
        let mut say = |event: &SessionEvent, _: &Engine| {
            if let SessionEvent::Rules(rules::Event { kind: EventKind::Link { text, .. }, .. }) = event {
                said.push(text.clone());
            }
        };
        let (number_now, remarks) = (std::cell::Cell::new(0), std::cell::RefCell::new(Vec::new()));
        let mut look = |note: Note<'_>| {
            if let Note::Remark(text) = note {
                remarks.borrow_mut().push((number_now.get(), text.to_owned()));
            }
        };
        let mut watcher = Closures { say: &mut say, look: &mut look };
        let watcher = &mut watcher;
        let mut session = Session { engine, keeper: None, asking, watcher, record: None, recording_incomplete: None };
        session.take(Input::new(SessionTime::ZERO, InputKind::Opened { source: "a line".to_owned() }));

        let of = 5;
        // For each question: how many of its bytes go out. The third goes out whole; so does the last.
        let (jams, mut asked) = ([0, 2, 5, 0, 0, 5], Vec::new());
        for (number, sent) in (0..).zip(jams) {
            let now = SessionTime::from_millis(100 * number);
            number_now.set(number);
            // While an answer is waited for, nothing is due.
            session.take(Input::new(now, InputKind::Bytes(vec![0x5E, 0xED, 2, 15, 0, 15, 0, 2])));
            let calls = std::cell::Cell::new(0);
            let send = |bytes: &[u8]| {
                assert_eq!(bytes, [0x5E, 0xED, 1, 0, 1]);
                calls.set(calls.get() + 1);
                if sent < of { Err(SendError::Jammed { sent, of }) } else { Ok(()) }
            };
            for _ in 0..3 {
                session.ask(now + Duration::from_millis(2), &send);
            }
            asked.push(calls.get());
        }
        assert_eq!(asked, [1; 6], "once in each period, failed or not");
        let remark = |sent| {
            format!(
                "a question could not be sent, and is tried again: the line takes no more bytes: {sent} of 5 were sent"
            )
        };
        // Again only after one that could be sent.
        drop(session);
        assert_eq!(*remarks.borrow(), [(0, remark(0)), (3, remark(0))]);
        assert_eq!(said.iter().filter(|text| text.starts_with("asks 5E ED (2 bytes")).count(), 1, "{said:?}");
        assert_eq!(said.iter().filter(|text| text.starts_with("asks 5E ED 01 00")).count(), 1, "{said:?}");
    }
}
