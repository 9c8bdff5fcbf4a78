//! The recorder: a thread of its own, so that nobody waits for the disk.

use std::path::Path;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;
use std::time::Duration;

use model::{Input, SessionHeader};
use recording::{WriteError, Writer};

/// Inputs that may wait for the disk. When they are more, the recording is incomplete from there on, and says so.
const QUEUE: usize = 4096;
/// An input waits at most this long for its flush, so that a kill loses less than a second.
const FLUSH_AFTER: Duration = Duration::from_millis(800);
/// Alarms, losses and marks are flushed at once, but not oftener than this.
const FLUSH_GAP: Duration = Duration::from_millis(100);

/// What happened to the recording.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum RecorderChange {
    /// It began.
    Started,
    /// Something is missing from here on. Watching goes on.
    Incomplete,
    /// It was closed, whole.
    Finished,
}

impl RecorderChange {
    /// The word in an event line.
    pub fn name(self) -> &'static str {
        match self {
            Self::Started => "started",
            Self::Incomplete => "incomplete",
            Self::Finished => "finished",
        }
    }
}

enum Order {
    Keep(Input),
    FlushNow,
    Finish,
}

/// Writes inputs to a recording on a thread of its own.
#[derive(Debug)]
pub struct Keeper {
    orders: SyncSender<Order>,
    faults: Receiver<String>,
    thread: Option<JoinHandle<bool>>,
    /// Why the recording is incomplete, once it is.
    incomplete: Option<String>,
    said: bool,
}

impl Keeper {
    /// Creates the file with its header and starts the thread.
    ///
    /// # Errors
    /// The file exists, can't be created or written.
    pub fn start(path: &Path, header: &SessionHeader) -> Result<Self, WriteError> {
        Ok(Self::with(Writer::create(path, header)?))
    }

    /// The same with a writer that is open already, on anything that can be written.
    pub fn with<S: recording::Sink + 'static>(writer: Writer<S>) -> Self {
        let (orders, inbox) = sync_channel(QUEUE);
        let (say, faults) = sync_channel(8);
        let thread = std::thread::Builder::new().name("recorder".to_owned()).spawn(move || run(writer, &inbox, &say));
        let incomplete = thread.as_ref().err().map(|error| format!("no thread for the recorder: {error}"));
        Self { orders, faults, thread: thread.ok(), incomplete, said: false }
    }

    /// Hands an input over. Never waits.
    pub fn keep(&mut self, input: &Input) {
        if self.incomplete.is_some() {
            return;
        }
        match self.orders.try_send(Order::Keep(input.clone())) {
            Ok(()) => {}
            Err(TrySendError::Full(_)) => self.incomplete = Some("the disk is too slow".to_owned()),
            Err(TrySendError::Disconnected(_)) => self.incomplete = Some("the recorder has stopped".to_owned()),
        }
    }

    /// Asks for a flush at once: an alarm, a loss or a mark.
    pub fn flush_soon(&self) {
        // Full: the thread is behind and flushes anyway.
        drop(self.orders.try_send(Order::FlushNow));
    }

    /// Why the recording is incomplete: said once, when it becomes so.
    pub fn news(&mut self) -> Option<String> {
        if let Ok(fault) = self.faults.try_recv() {
            self.incomplete.get_or_insert(fault);
        }
        if self.said {
            return None;
        }
        self.said = self.incomplete.is_some();
        self.incomplete.clone()
    }

    /// Closes the recording and waits for the disk. Returns why it is incomplete, if it is.
    pub fn finish(mut self) -> Option<String> {
        // The queue may be full for a moment: here waiting is right, the session is over.
        let sent = self.orders.send(Order::Finish).is_ok();
        let whole = self.thread.take().is_some_and(|thread| thread.join().unwrap_or(false));
        if let Ok(fault) = self.faults.try_recv() {
            self.incomplete.get_or_insert(fault);
        }
        if !(sent && whole) {
            self.incomplete.get_or_insert("the recorder has stopped".to_owned());
        }
        self.incomplete
    }
}

/// What failed, what the system says, and what to do.
fn told(error: &WriteError) -> String {
    let mut text = error.to_string();
    if let Some(cause) = std::error::Error::source(error) {
        text = format!("{text}: {cause}");
    }
    match error.hint() {
        Some(hint) => format!("{text}; {hint}"),
        None => text,
    }
}

/// The thread: returns whether everything was written.
#[expect(clippy::disallowed_methods, reason = "when to flush has nothing to do with session time")]
fn run<S: recording::Sink>(mut writer: Writer<S>, inbox: &Receiver<Order>, say: &SyncSender<String>) -> bool {
    use std::time::Instant;
    let mut failed = false;
    let fail = |result: Result<(), WriteError>, failed: &mut bool| {
        if let Err(error) = result
            && !std::mem::replace(failed, true)
        {
            drop(say.try_send(told(&error)));
        }
    };
    let mut waiting_since: Option<Instant> = None;
    let mut asked = false;
    let mut flushed = Instant::now();
    loop {
        let wait = match waiting_since {
            Some(_) if asked => FLUSH_GAP.saturating_sub(flushed.elapsed()),
            Some(since) => FLUSH_AFTER.saturating_sub(since.elapsed()),
            None => Duration::from_secs(3600),
        };
        let order = if wait.is_zero() { Err(RecvTimeoutError::Timeout) } else { inbox.recv_timeout(wait) };
        match order {
            Ok(Order::Keep(input)) => {
                fail(writer.append(&input), &mut failed);
                waiting_since.get_or_insert_with(Instant::now);
            }
            Ok(Order::FlushNow) => asked = true,
            Err(RecvTimeoutError::Timeout) => {
                if waiting_since.take().is_some() {
                    fail(writer.flush(), &mut failed);
                    flushed = Instant::now();
                }
                asked = false;
            }
            Ok(Order::Finish) | Err(RecvTimeoutError::Disconnected) => {
                fail(writer.finish(), &mut failed);
                return !failed;
            }
        }
    }
}
