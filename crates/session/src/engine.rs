//! The one pipeline: the same inputs give the same events, live and again.

use std::sync::Arc;

use model::{Batch, Fault, Input, InputKind, SessionHeader, SessionTime};
use parser::{Decoder, Protocol};
use rules::{Event, Judge, Pack, Setup};

use crate::keeper::RecorderChange;

/// Different questions that are said; more than a protocol file can list, and a limit for a recording made by others.
const MOST_QUESTIONS: usize = 128;
/// So many rows wait at most, where they may.
const MOST_WAITING: usize = 1024;

/// Something that a session says.
#[derive(Clone, PartialEq, Debug)]
pub enum SessionEvent {
    /// The session begins: what is fixed for all of it.
    Began(Arc<SessionHeader>),
    /// The rules said something.
    Rules(Event),
    /// The recorder said something. Outside the promise that a replay says the same.
    Recorder {
        /// When.
        at: SessionTime,
        /// What happened.
        change: RecorderChange,
        /// In words.
        text: String,
    },
}

/// The protocol or the pack text of a session can't be used.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Unusable {
    /// Faults of the protocol text.
    pub protocol: Vec<Fault>,
    /// Faults of the pack text.
    pub pack: Vec<Fault>,
}

impl std::fmt::Display for Unusable {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let (what, faults) = if self.protocol.is_empty() { ("pack", &self.pack) } else { ("protocol", &self.protocol) };
        match faults.first() {
            Some(first) => write!(f, "the {what} text can't be used: {first}"),
            None => write!(f, "the {what} text can't be used"),
        }
    }
}

impl std::error::Error for Unusable {}

/// Takes inputs and says events.
#[derive(Debug)]
pub struct Engine {
    header: Arc<SessionHeader>,
    decoder: Decoder,
    /// The memory of the batch that was judged last, for the next.
    batch: Batch,
    judge: Judge,
    now: SessionTime,
    /// The time of the last input whose rows wait.
    waiting_at: Option<SessionTime>,
    next_number: u64,
    ended: bool,
    /// Those that were said.
    questions: Vec<Vec<u8>>,
    events: Vec<SessionEvent>,
}

impl Engine {
    /// An engine for this header, at session time zero.
    ///
    /// # Errors
    /// The protocol or the pack text has an error.
    pub fn new(header: SessionHeader) -> Result<Self, Unusable> {
        let (protocol, protocol_faults) = Protocol::parse(&header.protocol_text);
        let (pack, pack_faults) = Pack::parse(&header.pack_text);
        let (Some(protocol), Some(pack)) = (protocol, pack) else {
            let errors = |faults: Vec<Fault>| faults.into_iter().filter(|f| f.level == model::Level::Error).collect();
            return Err(Unusable { protocol: errors(protocol_faults), pack: errors(pack_faults) });
        };
        let setup = Setup {
            layout: protocol.layout().clone(),
            settle: protocol.settle(),
            times: header.times,
            draft: protocol.is_draft(),
        };
        let header = Arc::new(header);
        Ok(Self {
            decoder: Decoder::new(Arc::new(protocol)),
            batch: Batch::default(),
            judge: Judge::new(pack, setup),
            now: SessionTime::ZERO,
            waiting_at: None,
            next_number: 0,
            ended: false,
            questions: Vec::new(),
            events: vec![SessionEvent::Began(Arc::clone(&header))],
            header,
        })
    }

    /// What is fixed for the session.
    pub fn header(&self) -> &Arc<SessionHeader> {
        &self.header
    }

    /// The rules' state: newest values, alarms, verdict.
    pub fn judge(&self) -> &Judge {
        &self.judge
    }

    /// The protocol of the session.
    pub fn protocol(&self) -> &Arc<Protocol> {
        self.decoder.protocol()
    }

    /// Whether every byte so far is decided: none is kept because a frame may begin there.
    pub fn between_frames(&self) -> bool {
        self.decoder.buffered() == 0
    }

    /// Whether the session is over.
    pub fn ended(&self) -> bool {
        self.ended
    }

    /// Numbers an input and keeps its time from going back. What is recorded is what this returns.
    ///
    /// Quiet takes no number: it is never recorded.
    pub fn stamp(&mut self, mut input: Input) -> Input {
        self.now = self.now.max(input.at);
        input.at = self.now;
        if input.kind != InputKind::Quiet {
            input.number = self.next_number;
            self.next_number += 1;
        }
        input
    }

    /// Takes a stamped input. After the end nothing is taken any more.
    pub fn process(&mut self, input: &Input) {
        self.process_with(input, &mut |_| {});
    }

    /// As [`process`](Self::process), and shows every decoded batch.
    pub fn process_with(&mut self, input: &Input, show: &mut dyn FnMut(&Batch)) {
        if self.ended {
            return;
        }
        if let Some(at) = self.waiting_at.take() {
            self.take_rows(show);
            self.judge.advance(at);
        }
        self.judge.advance(input.at);
        match &input.kind {
            InputKind::Opened { source } => self.judge.opened(source),
            InputKind::Bytes(bytes) => {
                self.judge.received(bytes.len() as u64);
                self.decoder.push(input.at, bytes);
                self.take_rows(show);
            }
            InputKind::Datagram(bytes) => {
                self.judge.received(bytes.len() as u64);
                self.decoder.push(input.at, bytes);
                self.decoder.finish(input.at);
                self.take_rows(show);
            }
            InputKind::Sent(bytes) => {
                self.decoder.sent(input.at, bytes);
                self.say_sent(bytes);
            }
            InputKind::Lost { why } => {
                self.decoder.finish(input.at);
                self.take_rows(show);
                self.judge.lost(why);
            }
            InputKind::LineError { kind, count } => self.judge.line_errors(*kind, *count),
            InputKind::ClockStep { by_nanos } => self.judge.clock_step(*by_nanos),
            InputKind::Command(command) => self.judge.command(command),
            InputKind::Quiet => {}
            InputKind::End => {
                self.decoder.finish(input.at);
                self.take_rows(show);
                self.judge.end();
                self.ended = true;
            }
        }
        self.events.extend(self.judge.take_events().into_iter().map(SessionEvent::Rules));
    }

    /// Takes stamped bytes whose rows can wait until the next input that can't: many rows at once are cheaper. What is
    /// said then is the same, and `judge` is behind until then. Returns whether they were taken.
    ///
    /// For inputs that are all there, as those of a recording: live nothing may wait.
    pub(crate) fn lets_wait(&mut self, input: &Input) -> bool {
        let InputKind::Bytes(bytes) = &input.kind else { return false };
        // Before the first sound frame a verdict tells how many bytes came.
        let (sound, _) = self.judge.frame_counts();
        if self.ended || sound == 0 || MOST_WAITING <= self.decoder.waiting() {
            return false;
        }
        self.judge.received(bytes.len() as u64);
        self.decoder.push_for_later(input.at, bytes);
        self.waiting_at = Some(input.at);
        true
    }

    /// Each question is said once: at twenty a second nobody could read anything else.
    fn say_sent(&mut self, bytes: &[u8]) {
        if self.questions.len() < MOST_QUESTIONS && !self.questions.iter().any(|known| known == bytes) {
            self.questions.push(bytes.to_vec());
            self.judge.sent(bytes);
        }
    }

    fn take_rows(&mut self, show: &mut dyn FnMut(&Batch)) {
        while self.decoder.take_into(&mut self.batch) {
            show(&self.batch);
            self.judge.batch(&self.batch);
        }
    }

    /// The events since the last call, in their order.
    pub fn take_events(&mut self) -> Vec<SessionEvent> {
        std::mem::take(&mut self.events)
    }
}
