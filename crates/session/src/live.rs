//! A session from a source, in real time. Other limits begin another session on the source as it is open.

use std::path::{Path, PathBuf};
use std::time::Duration;

use model::{Batch, Command, HandItem, HandOutcome, HandReading, Input, InputKind, SessionHeader, SessionTime, TICK};
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
/// A session gives way to the next where no frame is cut in two. On a line where that never is, it is cut after this.
const GIVE_WAY: Duration = Duration::from_secs(1);
/// Names that are tried for the next recording.
const MOST_RECORDINGS: u32 = 10_000;

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

    /// The text of a pack file to judge by from now on, asked for at each tick. This session then ends, with its verdict
    /// and its recording closed, and another one begins on the same open source.
    fn limits(&mut self) -> Option<String> {
        None
    }

    /// The session has ended, and the events that follow are those of the next one.
    fn next_session(&mut self) {}
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
    let (to, mut inputs) = mpsc::channel(QUEUE);
    let closing = CancellationToken::new();
    let running = start(options.source.clone(), clock, to, closing.clone())?;
    let keeper = match &options.record {
        Some(path) => Some(Keeper::start(path, &options.header)?),
        None => None,
    };
    for remark in running.remarks() {
        watcher.note(Note::Remark(remark));
    }
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
    let before = std::mem::take(&mut options.before);
    let mut part =
        Part { engine, keeper, record: options.record.clone(), before, began: SessionTime::ZERO, first: None };
    let end = loop {
        let clock = PartClock { clock, began: part.began };
        let asking = options.may_ask.then(|| Asker::new(&part.engine, &options.source)).flatten();
        let first = part.first.take();
        let mut session = Session {
            engine: part.engine,
            keeper: part.keeper,
            asking,
            watcher: &mut *watcher,
            record: part.record,
            recording_incomplete: None,
            opened: None,
            wanted: None,
        };
        session.begin(&part.before, first);
        let from = Outside {
            clock,
            end: options.length.map(|length| SessionTime::from_duration(length.saturating_sub(clock.before()))),
            stop,
            send: &send,
            first_record: options.record.as_deref(),
        };
        match runtime.block_on(session.run(&mut inputs, &from, &mut about_the_source)) {
            Some(next) => part = next,
            None => {
                let Session { engine, recording_incomplete, .. } = session;
                break LiveEnd { engine, recording_incomplete };
            }
        }
        watcher.next_session();
        // What was said about the source was said in the session before.
        if let Some(waiting) = running.waiting() {
            watcher.note(Note::Remark(&waiting.to_string()));
        }
    };
    // A source thread that panicked has sent Lost where it could; the session is over either way.
    drop(running.stop());
    Ok(end)
}

/// The clock of one of several sessions on a source: the source stamps by that of the first.
#[derive(Clone, Copy, Debug)]
struct PartClock {
    clock: SessionClock,
    /// When it began, by the first one's clock.
    began: SessionTime,
}

impl PartClock {
    fn now(&self) -> SessionTime {
        self.own(self.clock.now())
    }

    /// The time of this session for one of the source's stamps. What was read before it began counts as read then.
    fn own(&self, stamp: SessionTime) -> SessionTime {
        SessionTime::from_duration(stamp.since(self.began))
    }

    /// How long the sessions before lasted.
    fn before(&self) -> Duration {
        self.began.since(SessionTime::ZERO)
    }
}

/// What the next session begins with.
struct Part {
    engine: Engine,
    keeper: Option<Keeper>,
    record: Option<PathBuf>,
    before: Vec<Command>,
    /// By the clock of the first.
    began: SessionTime,
    first: Option<First>,
}

/// What it must hear before anything else: that the source is open already, and the bytes that were read and belong to no
/// frame of the session before.
struct First {
    opened: Option<String>,
    rest: Vec<u8>,
}

/// What a session has around it.
struct Outside<'s> {
    clock: PartClock,
    end: Option<SessionTime>,
    stop: &'s CancellationToken,
    send: &'s SendBy<'s>,
    /// Where the first session was recorded.
    first_record: Option<&'s Path>,
}

/// Limits that were asked for.
struct Wanted {
    pack_text: String,
    since: SessionTime,
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
    /// What is open now.
    opened: Option<String>,
    /// Limits by which the next session is to judge.
    wanted: Option<Wanted>,
}

impl Session<'_> {
    fn begin(&mut self, before: &[Command], first: Option<First>) {
        self.pass_on();
        if let Some(path) = &self.record {
            let text = path.display().to_string();
            self.say_recorder(RecorderChange::Started, text);
        }
        for command in before {
            self.take(Input::new(SessionTime::ZERO, InputKind::Command(command.clone())));
        }
        let Some(First { opened, rest }) = first else { return };
        if let Some(source) = opened {
            self.take(Input::new(SessionTime::ZERO, InputKind::Opened { source }));
        }
        if !rest.is_empty() {
            self.take(Input::new(SessionTime::ZERO, InputKind::Bytes(rest)));
        }
    }

    /// Until it is over; returns what the next session begins with, if one follows.
    async fn run(
        &mut self,
        inputs: &mut mpsc::Receiver<Input>,
        from: &Outside<'_>,
        about_the_source: &mut dyn FnMut() -> Option<String>,
    ) -> Option<Part> {
        let Outside { clock, end, stop, .. } = *from;
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
                input = inputs.recv() => {
                    let input = input.map(|input| Input { at: clock.own(input.at), ..input });
                    match input {
                        Some(input) if end.is_some_and(|end| end <= input.at) => self.end(end),
                        Some(input) if self.wanted.is_some() => {
                            if let Some(rest) = self.take_to_the_next_gap(input)
                                && let Some(next) = self.give_way(from, rest)
                            {
                                return Some(next);
                            }
                        }
                        Some(input) => self.take(input),
                        // Every sender is gone: the source has ended for good.
                        None => self.take(Input::new(clock.now(), InputKind::End)),
                    }
                }
                () = until(question, clock), if question.is_some() => {
                    let now = clock.now();
                    if end.is_some_and(|end| end <= now) {
                        self.end(end);
                    } else {
                        self.ask(now, from.send);
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
                        if let Some(next) = self.take_limits(now, from) {
                            return Some(next);
                        }
                    }
                }
            }
        }
        None
    }

    /// Whether other limits are wanted, and what the next session begins with where the line has a gap now.
    fn take_limits(&mut self, now: SessionTime, from: &Outside<'_>) -> Option<Part> {
        if let Some(pack_text) = self.watcher.limits() {
            self.wanted = Some(Wanted { pack_text, since: now });
        }
        let waited = now.since(self.wanted.as_ref()?.since);
        if !self.engine.between_frames() && waited < GIVE_WAY {
            return None;
        }
        self.give_way(from, Vec::new())
    }

    /// Takes bytes up to a place that no frame spans, and returns those behind it: they belong to the next session. So no
    /// frame is cut in two, and no byte is in two recordings. `None`: there is no such place, and all of it was taken.
    fn take_to_the_next_gap(&mut self, input: Input) -> Option<Vec<u8>> {
        let InputKind::Bytes(bytes) = &input.kind else {
            self.take(input);
            return None;
        };
        // How bytes are split has no meaning; only the decoder knows where a frame ends.
        for (taken, byte) in (1..).zip(bytes) {
            self.take(Input::new(input.at, InputKind::Bytes(vec![*byte])));
            if self.engine.between_frames() {
                return Some(bytes.get(taken..).unwrap_or_default().to_vec());
            }
        }
        None
    }

    /// Ends this session and makes the next one ready; or says why not, and goes on.
    fn give_way(&mut self, from: &Outside<'_>, rest: Vec<u8>) -> Option<Part> {
        let Wanted { pack_text, .. } = self.wanted.take()?;
        let began = from.clock.clock.now();
        match self.next_part(from, pack_text, began) {
            Ok((engine, keeper, record)) => {
                let before = carried(&self.engine.judge().preparation(), from.clock.own(began));
                self.take(Input::new(from.clock.own(began), InputKind::End));
                let first = Some(First { opened: self.opened.take(), rest });
                Some(Part { engine, keeper, record, before, began, first })
            }
            Err(why) => {
                self.watcher.note(Note::Remark(&format!("the other limits are not applied: {why}")));
                if !rest.is_empty() {
                    self.take(Input::new(from.clock.own(began), InputKind::Bytes(rest)));
                }
                None
            }
        }
    }

    /// Everything that can refuse, before anything ends.
    fn next_part(
        &self,
        from: &Outside<'_>,
        pack_text: String,
        began: SessionTime,
    ) -> Result<(Engine, Option<Keeper>, Option<PathBuf>), String> {
        let header = self.engine.header();
        let passed = i64::try_from(began.since(from.clock.began).as_nanos()).unwrap_or(i64::MAX);
        let header = SessionHeader {
            pack_text,
            started_utc_nanos: header.started_utc_nanos.map(|started| started.saturating_add(passed)),
            ..(**header).clone()
        };
        let engine = Engine::new(header.clone()).map_err(|unusable| unusable.to_string())?;
        let Some(first) = from.first_record else { return Ok((engine, None, None)) };
        let path = next_recording(first).ok_or("there is no free name for its recording")?;
        let keeper = Keeper::start(&path, &header).map_err(|error| {
            let hint = error.hint().map_or(String::new(), |hint| format!("; {hint}"));
            format!("{}{hint}", crate::worker::with_causes(&error))
        })?;
        Ok((engine, Some(keeper), Some(path)))
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
        match &input.kind {
            InputKind::Opened { source } => self.opened = Some(source.clone()),
            InputKind::Lost { .. } => self.opened = None,
            _ => {}
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

/// The name of the next recording on the same source: `name-2.mcap` beside `name.mcap`, the first that is free.
fn next_recording(first: &Path) -> Option<PathBuf> {
    let name = first.file_stem()?.to_string_lossy().into_owned();
    let kind = first.extension().map_or(String::new(), |kind| format!(".{}", kind.to_string_lossy()));
    let named = |number: u32| first.with_file_name(format!("{name}-{number}{kind}"));
    (2..MOST_RECORDINGS).map(named).find(|path| !path.exists())
}

/// What was entered by hand, as the next session is to hear it: each entry says how old it is. A failure that holds for
/// this session is handed on as one, whatever was entered after it.
fn carried(lines: &[rules::HandLine], now: SessionTime) -> Vec<Command> {
    let aged = |at: SessionTime, reading: &HandReading| {
        let passed = u32::try_from(now.since(at).as_secs()).unwrap_or(u32::MAX);
        HandReading { age_seconds: reading.age_seconds.saturating_add(passed), ..reading.clone() }
    };
    let failed = |item: HandItem| HandReading::found(item, HandOutcome::Failed, "");
    let readings = lines.iter().filter_map(|line| match &line.entry {
        _ if line.latched && line.judged.result != rules::HandResult::Failed => {
            Some(HandReading { remark: "it failed in the session before".to_owned(), ..failed(line.item) })
        }
        Some((at, reading)) if reading.outcome != HandOutcome::NotDone => Some(aged(*at, reading)),
        _ => None,
    });
    readings.map(Command::Reading).collect()
}

/// Waits for that time; without one, for nothing.
async fn until(at: Option<SessionTime>, clock: PartClock) {
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
        let mut session = Session {
            engine,
            keeper: None,
            asking,
            watcher,
            record: None,
            recording_incomplete: None,
            opened: None,
            wanted: None,
        };
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
