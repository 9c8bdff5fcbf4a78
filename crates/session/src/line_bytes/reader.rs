//! A thread that reads and cuts what a screen asks for, so that no frame waits.
//!
//! The newest question counts: one that a newer one has overtaken is dropped. Figures on a whole recording are worked
//! out between the questions.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Condvar, Mutex, PoisonError};

use model::{ByteRange, Fault, SessionTime};
use parser::{Decoder, Protocol};
use recording::Recording;

use super::{Happened, LineShown, LineStatistics, STRETCH, Window, bytes_between, bytes_of, look_at};
use crate::opening::read_text;
use crate::worker::with_causes;

/// Inputs of a recording that are gone through before the next question is looked for.
const SLICE: usize = 2_000;
/// Figures are handed over after so many slices.
const HAND_OVER: usize = 32;

/// Where the bytes come from.
#[derive(Clone, PartialEq, Debug)]
pub enum Source {
    /// A session that runs, with the text of its protocol.
    Live(Arc<LineShown>, Arc<str>),
    /// A recording.
    File(PathBuf),
    /// None: only the text of a protocol file.
    Protocol(PathBuf),
}

/// Which part of a recording.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Place {
    /// Around this byte.
    Byte(u64),
    /// From this time on.
    Time(SessionTime),
}

/// What a screen asks for.
#[derive(Clone, PartialEq, Debug)]
pub struct Ask {
    /// Counted by the screen; the answer carries it.
    pub number: u64,
    /// Where the bytes come from.
    pub source: Source,
    /// Which part of them; for a session that runs it is the newest.
    pub place: Place,
    /// The text of a protocol to go by instead of the source's own.
    pub text: Option<Arc<str>>,
}

/// By which protocol the bytes were cut.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum By {
    /// By none: no text without errors was there.
    #[default]
    Nothing,
    /// By the text that was asked for.
    Asked,
    /// By the last one that had no errors.
    LastGood,
}

/// What there is to show.
#[derive(Clone, Debug, Default)]
pub struct Answer {
    /// Of the question.
    pub number: u64,
    /// The source's own protocol text; `None` if it can't be read.
    pub own_text: Option<Arc<str>>,
    /// Faults of the text that was asked for, or of the source's own.
    pub faults: Arc<Vec<Fault>>,
    /// By which protocol.
    pub by: By,
    /// The protocol.
    pub protocol: Option<Arc<Protocol>>,
    /// The bytes and what they are.
    pub window: Option<Arc<Window>>,
    /// The byte that was asked for.
    pub asked: u64,
    /// Figures, and whether they are those of everything there is.
    pub statistics: Option<(Arc<LineStatistics>, bool)>,
    /// Where a recording came from, as its header says.
    pub recorded_from: Option<String>,
    /// Why the source can't be read, and what to do.
    pub failed: Option<(String, Option<String>)>,
}

/// The thread. Dropping it ends it, without waiting.
#[derive(Debug)]
pub struct LineReader {
    shared: Arc<Shared>,
}

#[derive(Debug, Default)]
struct Shared {
    slot: Mutex<Slot>,
    asked: Condvar,
}

#[derive(Debug, Default)]
struct Slot {
    ask: Option<Ask>,
    answer: Option<Arc<Answer>>,
    closed: bool,
}

impl LineReader {
    /// Starts it; `wake` is called after each answer.
    ///
    /// # Errors
    /// The system gave no thread.
    pub fn start(wake: Arc<dyn Fn() + Send + Sync>) -> std::io::Result<Self> {
        let shared = Arc::new(Shared::default());
        let inside = Arc::clone(&shared);
        std::thread::Builder::new().name("line bytes".to_owned()).spawn(move || {
            let mut reading =
                Reading { shared: inside, wake, text: None, good: None, file: None, answer: Answer::default() };
            while reading.step() {}
        })?;
        Ok(Self { shared })
    }

    /// Asks; a question that was not begun is dropped. Never waits for an answer.
    pub fn ask(&self, ask: Ask) {
        self.shared.slot().ask = Some(ask);
        self.shared.asked.notify_one();
    }

    /// The newest answer.
    pub fn answer(&self) -> Option<Arc<Answer>> {
        self.shared.slot().answer.clone()
    }
}

impl Drop for LineReader {
    fn drop(&mut self) {
        self.shared.slot().closed = true;
        self.shared.asked.notify_one();
    }
}

impl Shared {
    fn slot(&self) -> std::sync::MutexGuard<'_, Slot> {
        // What is in it is whole whoever panicked.
        self.slot.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether somebody waits for something newer.
    fn is_overtaken(&self) -> bool {
        let slot = self.slot();
        slot.closed || slot.ask.is_some()
    }

    /// The next question: at once where there is one, else it is waited for. `Err` when nobody asks any more.
    fn next(&self, wait: bool) -> Result<Option<Ask>, ()> {
        let mut slot = self.slot();
        loop {
            if slot.closed {
                return Err(());
            }
            if slot.ask.is_some() || !wait {
                return Ok(slot.ask.take());
            }
            slot = self.asked.wait(slot).unwrap_or_else(PoisonError::into_inner);
        }
    }
}

struct Reading {
    shared: Arc<Shared>,
    wake: Arc<dyn Fn() + Send + Sync>,
    /// The text that was read last, and what came of it.
    text: Option<ReadText>,
    /// The last protocol without errors, and of which source it was.
    good: Option<(Option<PathBuf>, Arc<Protocol>)>,
    file: Option<File>,
    /// The last one.
    answer: Answer,
}

/// A text, and what came of it.
struct ReadText {
    text: Arc<str>,
    protocol: Option<Arc<Protocol>>,
    faults: Arc<Vec<Fault>>,
}

/// A recording that is looked at.
struct File {
    path: PathBuf,
    recording: Recording,
    own_text: Arc<str>,
    /// Figures, the protocol that they go by, and what is left to go through.
    figures: Option<(Arc<Protocol>, LineStatistics, Option<Rest>)>,
}

struct Rest {
    inputs: recording::Inputs,
    decoder: Decoder,
    slices: usize,
}

impl Reading {
    /// Returns whether to go on.
    fn step(&mut self) -> bool {
        let busy = self.file.as_ref().is_some_and(|file| matches!(file.figures, Some((_, _, Some(_)))));
        match self.shared.next(!busy) {
            Err(()) => return false,
            Ok(Some(ask)) => self.handle(&ask),
            Ok(None) => self.work(),
        }
        true
    }

    fn hand_over(&self) {
        self.shared.slot().answer = Some(Arc::new(self.answer.clone()));
        (self.wake)();
    }

    fn handle(&mut self, ask: &Ask) {
        let mut answer = Answer { number: ask.number, ..Answer::default() };
        let path = match &ask.source {
            Source::Live(..) => None,
            Source::File(path) | Source::Protocol(path) => Some(path.clone()),
        };
        let own = match &ask.source {
            Source::Live(_, text) => Ok(Arc::clone(text)),
            Source::Protocol(path) => read_text(path).map(Arc::from).map_err(|text| (text, None)),
            Source::File(path) => self.open(path),
        };
        if !matches!(ask.source, Source::File(_)) {
            self.file = None;
        }
        let own = match own {
            Ok(own) => Some(own),
            Err(failed) => {
                answer.failed = Some(failed);
                None
            }
        };
        answer.own_text.clone_from(&own);
        if let Some(text) = ask.text.clone().or(own.clone()) {
            let (protocol, faults) = self.parse(&text);
            answer.faults = faults;
            if let Some(protocol) = &protocol {
                self.good = Some((path.clone(), Arc::clone(protocol)));
                answer.by = By::Asked;
            } else {
                if self.good.as_ref().is_none_or(|(of, _)| *of != path) {
                    // The source's own may be sound.
                    let own = own.and_then(|own| Protocol::parse(&own).0);
                    self.good = own.map(|own| (path.clone(), Arc::new(own)));
                }
                answer.by = if self.good.is_some() { By::LastGood } else { By::Nothing };
            }
            answer.protocol = self.good.as_ref().map(|(_, protocol)| Arc::clone(protocol));
        }
        let protocol = answer.protocol.clone().filter(|_| answer.failed.is_none());
        match (&ask.source, protocol) {
            (Source::Live(line, _), protocol) => {
                answer.window = protocol.map(|protocol| Arc::new(line.stretch.dissect(&protocol)));
                answer.statistics = Some((Arc::new(line.statistics.clone()), true));
                answer.asked = line.stretch.from;
            }
            (Source::File(_), Some(protocol)) => {
                let Some(file) = &mut self.file else { return };
                answer.recorded_from = Some(file.recording.header().source.clone());
                let shared = Arc::clone(&self.shared);
                let Some((asked, window)) = file.window(&protocol, ask.place, &mut || !shared.is_overtaken()) else {
                    return;
                };
                (answer.asked, answer.window) = (asked, Some(Arc::new(window)));
                file.begin_figures(&protocol);
                answer.statistics = file.figures();
            }
            (Source::File(_) | Source::Protocol(_), _) => {}
        }
        self.answer = answer;
        self.hand_over();
    }

    /// The text of the protocol in a recording.
    fn open(&mut self, path: &Path) -> Result<Arc<str>, (String, Option<String>)> {
        // A recording that is still written has more by now.
        let length = std::fs::metadata(path).map(|file| file.len()).ok();
        let same = |file: &File| file.path == path && length == Some(file.recording.len_bytes());
        if !self.file.as_ref().is_some_and(same) {
            self.file = None;
            let recording =
                Recording::open(path).map_err(|error| (with_causes(&error), error.hint().map(str::to_owned)))?;
            let own_text = Arc::from(recording.header().protocol_text.as_str());
            self.file = Some(File { path: path.to_owned(), recording, own_text, figures: None });
        }
        self.file.as_ref().map(|file| Arc::clone(&file.own_text)).ok_or_else(|| (String::new(), None))
    }

    fn parse(&mut self, text: &Arc<str>) -> (Option<Arc<Protocol>>, Arc<Vec<Fault>>) {
        if let Some(read) = self.text.as_ref().filter(|read| read.text == *text) {
            return (read.protocol.clone(), Arc::clone(&read.faults));
        }
        let (protocol, mut faults) = Protocol::parse(text);
        let protocol = protocol.map(Arc::new);
        if let Some(protocol) = &protocol {
            faults.extend(parser::check_examples(protocol, text));
        }
        let faults = Arc::new(faults);
        self.text = Some(ReadText { text: Arc::clone(text), protocol: protocol.clone(), faults: Arc::clone(&faults) });
        (protocol, faults)
    }

    /// Goes on with the figures of a recording.
    fn work(&mut self) {
        let Some(file) = &mut self.file else { return };
        if file.work() {
            self.answer.statistics = file.figures();
            self.hand_over();
        }
    }
}

impl File {
    /// The part around a place, and the byte that was asked for; `None` if it was overtaken.
    fn window(&self, protocol: &Arc<Protocol>, place: Place, go_on: &mut dyn FnMut() -> bool) -> Option<(u64, Window)> {
        let asked = match place {
            Place::Byte(byte) => byte,
            Place::Time(at) => bytes_between(&mut self.recording.inputs(), at, at).start,
        };
        // Most of it behind the place.
        let start = asked.saturating_sub(STRETCH / 4);
        let window = ByteRange { start, end: start.saturating_add(STRETCH) };
        Some((asked, look_at(protocol, &mut self.recording.inputs(), window, go_on)?))
    }

    fn begin_figures(&mut self, protocol: &Arc<Protocol>) {
        if self.figures.as_ref().is_some_and(|(by, _, _)| Arc::ptr_eq(by, protocol)) {
            return;
        }
        let decoder = Decoder::new(Arc::clone(protocol));
        let rest = Rest { inputs: self.recording.inputs_ahead(), decoder, slices: 0 };
        self.figures = Some((Arc::clone(protocol), LineStatistics::new(protocol.layout()), Some(rest)));
    }

    fn figures(&self) -> Option<(Arc<LineStatistics>, bool)> {
        self.figures.as_ref().map(|(_, figures, rest)| (Arc::new(figures.clone()), rest.is_none()))
    }

    /// One slice. Returns whether there is something to hand over.
    fn work(&mut self) -> bool {
        let Some((_, figures, left)) = &mut self.figures else { return false };
        let Some(rest) = left else { return false };
        for _ in 0..SLICE {
            let Some(input) = rest.inputs.next() else {
                *left = None;
                return true;
            };
            figures.input(&input);
            let at = input.at;
            match Happened::of(&input.kind) {
                Some(Happened::Read(_)) => rest.decoder.push(at, bytes_of(&input.kind)),
                Some(Happened::Datagram(_)) => {
                    rest.decoder.push(at, bytes_of(&input.kind));
                    rest.decoder.finish(at);
                }
                Some(Happened::Sent(bytes)) => rest.decoder.sent(at, &bytes),
                Some(Happened::Lost(_) | Happened::End) => rest.decoder.finish(at),
                Some(Happened::Opened(_) | Happened::Errors(..)) | None => {}
            }
            while let Some(batch) = rest.decoder.take() {
                figures.batch(&batch);
            }
        }
        rest.slices += 1;
        rest.slices.is_multiple_of(HAND_OVER)
    }
}
