//! A recording opened to be looked at: its values as [`Tracks`], read on a thread of its own.
//!
//! Nothing is judged here: that is a replay's matter (see [`worker`](crate::worker)), and goes on beside this. The first
//! tracks are handed over long before the whole file is read. Where the session is too long for each row to be kept, a
//! part that is looked at closely is read again from the file.

use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use model::{Batch, Input, InputKind, Layout, SessionHeader, SessionTime};
use parser::Protocol;

use crate::opening;
use crate::rows::RowReader;
use crate::snapshot::Failure;
use crate::tracks::Tracks;

/// Tracks are handed over after this, and then each time after twice as long: a copy is made each time.
const FIRST: Duration = Duration::from_millis(45);
/// A place to begin reading again is kept for so many bytes of the stream.
const SPACING: u64 = 64 << 10;
/// And no more of them than this: then every second one is forgotten.
const PLACES: usize = 1 << 14;
/// Batches that may wait between reading and gathering.
const WAITING: usize = 4;
/// A part with more bytes than this is not read again at once: it is not looked at closely either.
const PART: u64 = 16 << 20;

/// What is known of a recording so far. Plain data.
#[derive(Clone, Debug, Default)]
pub struct Loaded {
    /// Counted from 1; 0 is before the first.
    pub number: u64,
    /// Bytes of the file that are read, and all of them.
    pub read: (u64, u64),
    /// All that can be read is read.
    pub done: bool,
    /// Why it can't be shown.
    pub failure: Option<Failure>,
    /// What is fixed for its session.
    pub header: Option<Arc<SessionHeader>>,
    /// What its line carries.
    pub layout: Option<Arc<Layout>>,
    /// The values of all of it that is read.
    pub tracks: Option<Arc<Tracks>>,
    /// The values of the part that was asked for last, each row by itself.
    pub part: Option<Part>,
    /// What is missing or damaged, in words.
    pub damage: Vec<String>,
    /// The time of the last input.
    pub end: SessionTime,
}

/// A part that was read again.
#[derive(Clone, Debug)]
pub struct Part {
    /// From when to when each row is there.
    pub range: Range<SessionTime>,
    /// Its values.
    pub tracks: Arc<Tracks>,
}

impl Loaded {
    /// The tracks to draw a range from: the part if it holds all of the range, else the whole.
    pub fn tracks_for(&self, range: &Range<SessionTime>) -> Option<&Arc<Tracks>> {
        let part = self.part.as_ref().filter(|part| part.range.start <= range.start && range.end <= part.range.end);
        part.map(|part| &part.tracks).or(self.tracks.as_ref())
    }
}

/// A recording that is being read, or was. Dropping it ends the reading and does not wait for that.
#[derive(Debug)]
pub struct Review {
    path: PathBuf,
    latest: Arc<Mutex<Arc<Loaded>>>,
    asks: SyncSender<Range<SessionTime>>,
    /// What was asked for last, and the number of what was known then.
    asked: Option<(Range<SessionTime>, u64)>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Review {
    /// Begins to read; `wake` is called after each hand-over. `protocol_text`: read it by this instead of its own.
    ///
    /// # Errors
    /// The system gave no thread.
    pub fn open(
        path: PathBuf,
        protocol_text: Option<String>,
        wake: Arc<dyn Fn() + Send + Sync>,
    ) -> std::io::Result<Self> {
        let latest = Arc::new(Mutex::new(Arc::new(Loaded::default())));
        let stop = Arc::new(AtomicBool::new(false));
        let (asks, asked) = sync_channel(1);
        let mut reading = Reading {
            loaded: Loaded::default(),
            latest: Arc::clone(&latest),
            stop: Arc::clone(&stop),
            places: Places::default(),
            wake,
        };
        let inside = path.clone();
        let thread = std::thread::Builder::new().name("review".to_owned()).spawn(move || {
            if let Err(failure) = reading.run(&inside, protocol_text, &asked) {
                reading.loaded.failure = Some(failure);
                reading.loaded.done = true;
                reading.hand_over();
            }
        })?;
        Ok(Self { path, latest, asks, asked: None, stop, thread: Some(thread) })
    }

    /// The recording.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// What is known so far.
    pub fn latest(&self) -> Arc<Loaded> {
        Arc::clone(&self.latest.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Asks for each row of a range, if its rows are joined and it is short enough. Never waits; asking again while an
    /// answer is on its way does nothing.
    pub fn ask(&mut self, range: Range<SessionTime>) {
        let loaded = self.latest();
        let Some(tracks) = loaded.tracks.as_ref().filter(|tracks| !tracks.is_exact() && loaded.done) else { return };
        let held = |known: &Range<SessionTime>| known.start <= range.start && range.end <= known.end;
        if loaded.part.as_ref().is_some_and(|part| held(&part.range) && part.tracks.is_exact()) {
            return;
        }
        // A margin on both sides, so that a small move needs no new reading.
        let margin = range.end.since(range.start);
        let from = SessionTime::from_nanos(range.start.nanos.saturating_sub(SessionTime::from_duration(margin).nanos));
        let wider = from..(range.end + margin).min(tracks.last_at() + Duration::from_nanos(1));
        // An answer is on its way, or it was not each row by itself: then only for less is asked again.
        if let Some((asked, number)) = self.asked.as_ref().filter(|(asked, _)| held(asked)) {
            let less = wider.end.since(wider.start) < asked.end.since(asked.start) / 2;
            if *number == loaded.number || !less {
                return;
            }
        }
        match self.asks.try_send(wider.clone()) {
            Ok(()) => self.asked = Some((wider, loaded.number)),
            // Asked again with the next picture.
            Err(TrySendError::Full(_) | TrySendError::Disconnected(_)) => {}
        }
    }

    /// Whether the reading thread is over. If what it handed over last is not done, it died by a fault of this program.
    pub fn is_finished(&self) -> bool {
        self.thread.as_ref().is_none_or(JoinHandle::is_finished)
    }
}

impl Drop for Review {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
    }
}

/// Where reading can begin again.
#[derive(Clone, Copy, Debug)]
struct Place {
    /// The chunk in the file.
    chunk_at: u64,
    /// Where in the stream the first byte of the chunk stands.
    stream_at: u64,
    /// The time of the first input of the chunk.
    at: SessionTime,
}

#[derive(Debug)]
struct Places {
    list: Vec<Place>,
    spacing: u64,
}

impl Default for Places {
    fn default() -> Self {
        Self { list: Vec::new(), spacing: SPACING }
    }
}

impl Places {
    fn note(&mut self, place: Place) {
        if self.list.last().is_some_and(|last| {
            place.chunk_at == last.chunk_at || place.stream_at.saturating_sub(last.stream_at) < self.spacing
        }) {
            return;
        }
        self.list.push(place);
        if PLACES <= self.list.len() {
            self.spacing = self.spacing.saturating_mul(2);
            let mut index = 0;
            self.list.retain(|_| {
                index += 1;
                index % 2 == 1
            });
        }
    }

    /// The place to begin for a time: one further ahead than needed, so that a frame that began before is whole and a
    /// search that begins amid one has long found its way.
    fn before(&self, time: SessionTime) -> Option<Place> {
        let behind = self.list.partition_point(|place| place.at < time);
        self.list.get(behind.saturating_sub(2)).copied()
    }
}

struct Reading {
    loaded: Loaded,
    latest: Arc<Mutex<Arc<Loaded>>>,
    stop: Arc<AtomicBool>,
    places: Places,
    wake: Arc<dyn Fn() + Send + Sync>,
}

impl Reading {
    fn run(
        &mut self,
        path: &Path,
        protocol_text: Option<String>,
        asked: &Receiver<Range<SessionTime>>,
    ) -> Result<(), Failure> {
        let recording = opening::recording(path)?;
        let mut header = recording.header().clone();
        if let Some(text) = protocol_text {
            header.protocol_text = text;
        }
        let protocol = opening::protocol_of(&header)?;
        self.loaded.header = Some(Arc::new(header));
        self.loaded.layout = Some(Arc::new(protocol.layout().clone()));
        self.loaded.read.1 = recording.len_bytes();
        let tracks = self.read_all(&recording, &protocol)?;
        self.loaded.tracks = Some(Arc::new(tracks));
        self.loaded.done = true;
        self.hand_over();
        while let Ok(range) = asked.recv() {
            if self.stop.load(Ordering::Relaxed) {
                break;
            }
            self.loaded.part = self.read_part(&recording, &protocol, range);
            self.hand_over();
        }
        Ok(())
    }

    fn hand_over(&mut self) {
        self.loaded.number += 1;
        let new = Arc::new(self.loaded.clone());
        let old = std::mem::replace(&mut *self.latest.lock().unwrap_or_else(PoisonError::into_inner), new);
        // Outside the lock: it may be the last holder of all tracks.
        drop(old);
        (self.wake)();
    }

    /// Unpacks on one thread, decodes on another and gathers on this one.
    fn read_all(&mut self, recording: &recording::Recording, protocol: &Arc<Protocol>) -> Result<Tracks, Failure> {
        let mut tracks = Tracks::new(protocol.layout());
        let (began, mut next) = (now(), FIRST);
        let stop = Arc::clone(&self.stop);
        let (send, decoded) = sync_channel::<Decoded>(WAITING);
        let (give_back, used) = sync_channel::<Batch>(WAITING + 2);
        let read = std::thread::scope(|scope| {
            let reader = std::thread::Builder::new().name("review reader".to_owned());
            let stop = &*stop;
            // Its end of the queue is dropped with it: that is the end.
            let reader = reader.spawn_scoped(scope, move || read_rows(recording, protocol, stop, &send, &used))?;
            while let Ok(Decoded { batch, read, end }) = decoded.recv() {
                tracks.push(&batch);
                // Memory that is not wanted back is dropped.
                drop(give_back.try_send(batch));
                (self.loaded.read.0, self.loaded.end) = (read, end);
                if next <= began.elapsed() {
                    next *= 2;
                    self.loaded.tracks = Some(Arc::new(tracks.clone()));
                    self.hand_over();
                }
            }
            reader.join().map_err(|_| std::io::Error::other("the reading thread died by a fault of this program"))
        });
        let read = read.map_err(|error| Failure { text: error.to_string(), ..Failure::default() })?;
        self.places = read.places;
        self.loaded.damage = read.damage;
        self.loaded.end = read.end;
        self.loaded.read.0 = self.loaded.read.1;
        Ok(tracks)
    }

    fn read_part(
        &self,
        recording: &recording::Recording,
        protocol: &Arc<Protocol>,
        range: Range<SessionTime>,
    ) -> Option<Part> {
        let place = self.places.before(range.start)?;
        let mut reader = RowReader::starting_at(Arc::clone(protocol), place.stream_at);
        let mut tracks = Tracks::new(protocol.layout());
        let mut batch = Batch::default();
        let mut bytes = 0;
        for input in recording.inputs_from(place.chunk_at) {
            let past = range.end <= input.at;
            bytes += bytes_of(&input);
            if PART < bytes || self.stop.load(Ordering::Relaxed) {
                return None;
            }
            reader.process(&input);
            if reader.take_into(&mut batch) {
                tracks.push(&batch);
            }
            if past && range.end <= tracks.last_at() {
                break;
            }
        }
        reader.process(&Input::new(reader.now(), InputKind::End));
        if reader.take_into(&mut batch) {
            tracks.push(&batch);
        }
        Some(Part { range, tracks: Arc::new(tracks) })
    }
}

/// Rows on their way from the reader.
struct Decoded {
    batch: Batch,
    /// Bytes of the file that were read.
    read: u64,
    /// The time of the last input.
    end: SessionTime,
}

/// What reading all of it came to.
struct Read {
    places: Places,
    damage: Vec<String>,
    end: SessionTime,
}

fn read_rows(
    recording: &recording::Recording,
    protocol: &Arc<Protocol>,
    stop: &AtomicBool,
    send: &SyncSender<Decoded>,
    used: &Receiver<Batch>,
) -> Read {
    let mut inputs = recording.inputs_ahead();
    let mut input = Input::new(SessionTime::ZERO, InputKind::Quiet);
    let mut reader = RowReader::new(Arc::clone(protocol));
    let (mut places, mut end) = (Places::default(), SessionTime::ZERO);
    let (mut stream_at, mut chunk_at) = (0, None);
    let give = |reader: &mut RowReader, end, read| {
        let mut batch = used.try_recv().unwrap_or_default();
        // Where nobody takes it any more, the screen is gone.
        !reader.take_into(&mut batch) || send.send(Decoded { batch, read, end }).is_ok()
    };
    while inputs.next_into(&mut input) {
        if chunk_at != Some(inputs.chunk_at()) {
            if stop.load(Ordering::Relaxed) {
                break;
            }
            chunk_at = Some(inputs.chunk_at());
            places.note(Place { chunk_at: inputs.chunk_at(), stream_at, at: input.at });
        }
        stream_at += bytes_of(&input);
        end = end.max(input.at);
        reader.process(&input);
        if 0 < reader.waiting() && !give(&mut reader, end, inputs.position_bytes()) {
            break;
        }
    }
    // One that was cut off has no end of its own.
    reader.process(&Input::new(reader.now(), InputKind::End));
    give(&mut reader, end, inputs.position_bytes());
    let mut damage: Vec<String> =
        inputs.damage().iter().map(|damage| format!("the recording is incomplete: {damage}")).collect();
    if damage.is_empty() && !inputs.complete() {
        let text = "the recording has no end: it was cut off, or the program was killed, or it is still being made";
        damage.push(text.to_owned());
    }
    Read { places, damage, end }
}

/// How many bytes an input adds to the stream.
fn bytes_of(input: &Input) -> u64 {
    match &input.kind {
        InputKind::Bytes(bytes) | InputKind::Datagram(bytes) => bytes.len() as u64,
        _ => 0,
    }
}

#[expect(clippy::disallowed_methods, reason = "how long reading takes is no session time")]
fn now() -> Instant {
    Instant::now()
}
