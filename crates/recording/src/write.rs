//! Appends inputs to a new file.

use std::collections::BTreeMap;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use mcap::records::{MessageHeader, Metadata};
use mcap::write::NoSeek;
use mcap::{Attachment, Compression, WriteOptions};
use model::{Input, SessionHeader, SessionTime};

use crate::payload::{self, TooLarge};
use crate::{header, limits};

/// Where a recording goes: a file, or in tests something that fails on purpose.
pub trait Sink: Write + Send {
    /// Returns when what was written is on the medium.
    ///
    /// # Errors
    /// Whatever the medium says; the writer then counts as failed.
    fn sync_data(&mut self) -> io::Result<()>;

    /// The same for what describes the file too (its length, its times).
    ///
    /// # Errors
    /// Whatever the medium says; the writer then counts as failed.
    fn sync_all(&mut self) -> io::Result<()>;
}

/// A file as a sink.
#[derive(Debug)]
pub struct FileSink(File);

impl Write for FileSink {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

impl Sink for FileSink {
    fn sync_data(&mut self) -> io::Result<()> {
        self.0.sync_data()
    }

    fn sync_all(&mut self) -> io::Result<()> {
        self.0.sync_all()
    }
}

/// Why something was not recorded. The system's own words are the source of the error.
#[derive(Clone, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WriteError {
    /// There is a file of this name; it was left alone.
    #[error("there is a file of this name already, {path:?}")]
    Exists {
        /// Its path.
        path: PathBuf,
    },
    /// The file could not be made.
    #[error("cannot make the recording {path:?}")]
    Create {
        /// Its path.
        path: PathBuf,
        /// What the system said.
        source: Arc<io::Error>,
    },
    /// Writing failed. Nothing more goes into this recording.
    #[error("cannot write the recording")]
    Write {
        /// What the system said.
        source: Arc<io::Error>,
    },
    /// The container refused something. Nothing more goes into this recording.
    #[error("cannot pack the recording ({why})")]
    Container {
        /// What it said.
        why: String,
    },
    /// One thing is larger than a reader would accept. It is missing in the recording, which goes on without it.
    #[error("{what} of {bytes} bytes is too large for a recording")]
    TooLarge {
        /// What is too large.
        what: &'static str,
        /// Its length in bytes.
        bytes: usize,
    },
}

impl WriteError {
    /// What to do about it, if there is something.
    pub fn hint(&self) -> Option<&'static str> {
        match self {
            Self::Exists { .. } => Some("choose another name; a recording is never overwritten"),
            Self::Create { source, .. } | Self::Write { source } => match source.kind() {
                io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
                    Some("the disk is full: make room or record to another disk")
                }
                io::ErrorKind::NotFound => Some("make the folder first"),
                io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
                    Some("record to a folder that you may write to")
                }
                _ => None,
            },
            Self::Container { .. } | Self::TooLarge { .. } => None,
        }
    }
}

impl From<TooLarge> for WriteError {
    fn from(TooLarge { what, bytes }: TooLarge) -> Self {
        Self::TooLarge { what, bytes }
    }
}

/// Writes one recording.
///
/// Inputs are gathered in memory: only after [`flush`](Self::flush) are they safe from a kill or a power cut.
/// The writer has no clock; when to flush is the caller's business.
/// After a failed write every call returns the first error, and nothing more reaches the sink.
///
/// It keeps about 150 bytes in memory for each flush, for the index at the end of the file.
pub struct Writer<S: Sink = FileSink> {
    /// `None` once finished.
    container: Option<mcap::Writer<NoSeek<Tap<S>>>>,
    tap: Tap<S>,
    pending: Pending,
    /// Messages written; wraps.
    messages: u32,
    /// Whether there is something that no sync has covered.
    unsynced: bool,
    failed: Option<WriteError>,
}

/// Inputs that wait for their container message.
#[derive(Default)]
struct Pending {
    payload: Vec<u8>,
    first: SessionTime,
}

impl Writer<FileSink> {
    /// Makes a new file and puts the header on the medium before it returns.
    ///
    /// # Errors
    /// [`WriteError::Exists`] if there is a file of this name; otherwise what went wrong. A file that could be made but
    /// not written is removed again.
    pub fn create(path: &Path, header: &SessionHeader) -> Result<Self, WriteError> {
        let failed = |source: io::Error| WriteError::Create { path: path.to_owned(), source: Arc::new(source) };
        header::check_lengths(header)?;
        let file =
            OpenOptions::new().write(true).create_new(true).open(path).map_err(|source| match source.kind() {
                io::ErrorKind::AlreadyExists => WriteError::Exists { path: path.to_owned() },
                _ => failed(source),
            })?;
        let writer =
            Self::on(FileSink(file), header).and_then(|writer| sync_folder(path).map(|()| writer).map_err(failed));
        if writer.is_err() {
            // Nothing is in it, and a second try must not stumble over it. If it can't be removed, it stays.
            fs::remove_file(path).ok();
        }
        writer
    }
}

/// Without this a power cut may leave no file at all.
fn sync_folder(path: &Path) -> io::Result<()> {
    if !cfg!(unix) {
        return Ok(()); // Folders can't be opened there.
    }
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    match File::open(folder).and_then(|folder| folder.sync_all()) {
        // Some network file systems can't, and a folder may be closed to reading.
        Err(error)
            if matches!(
                error.kind(),
                io::ErrorKind::InvalidInput | io::ErrorKind::Unsupported | io::ErrorKind::PermissionDenied
            ) =>
        {
            Ok(())
        }
        result => result,
    }
}

impl<S: Sink> Writer<S> {
    /// Begins a recording on any sink and syncs the header.
    ///
    /// # Errors
    /// What the sink says, or [`WriteError::TooLarge`] for a text of the header: 1 MiB for the protocol and the pack,
    /// 64 KiB for the others.
    pub fn on(sink: S, header: &SessionHeader) -> Result<Self, WriteError> {
        header::check_lengths(header)?;
        let tap = Tap(Arc::new(Mutex::new(Shared { sink, buffer: Vec::new(), failed: None })));
        let options = WriteOptions::new()
            .profile(header::PROFILE)
            .library(concat!("packwake-recording/", env!("CARGO_PKG_VERSION")))
            .compression(Some(Compression::Zstd))
            .compression_threads(0)
            .chunk_size(Some(limits::CHUNK))
            .disable_seeking(true)
            // They have no checksum, cost bytes with every flush, and readers do without them.
            .emit_message_indexes(false);
        let container = mcap::Writer::with_options(NoSeek::new(tap.clone()), options).map_err(|e| tap.error(&e))?;
        let mut writer = Self {
            container: Some(container),
            tap,
            pending: Pending::default(),
            messages: 0,
            unsynced: true,
            failed: None,
        };
        writer.write_header(header)?;
        writer.flush()?;
        Ok(writer)
    }

    fn write_header(&mut self, header: &SessionHeader) -> Result<(), WriteError> {
        for (name, text) in [(header::PROTOCOL, &header.protocol_text), (header::PACK, &header.pack_text)] {
            let attachment = Attachment {
                log_time: 0,
                create_time: 0,
                name: name.into(),
                media_type: "application/toml".into(),
                data: text.as_bytes().into(),
            };
            self.with_container(|container| container.attach(&attachment))?;
        }
        let metadata = Metadata { name: header::METADATA.into(), metadata: header::to_metadata(header) };
        let copy = header::to_copy(header);
        self.with_container(|container| {
            container.write_metadata(&metadata)?;
            let inputs = (header::INPUTS_CHANNEL, header::INPUTS_TOPIC, "x-packwake-inputs");
            let session = (header::COPY_CHANNEL, header::COPY_TOPIC, "json");
            container.add_schema_with_id(1, "inputs", "x-text", include_bytes!("payload.md"))?;
            for ((id, topic, encoding), schema) in [(inputs, 1), (session, 0)] {
                container.add_channel_with_id(id, schema, topic, encoding, &BTreeMap::new())?;
            }
            let head = MessageHeader { channel_id: header::COPY_CHANNEL, sequence: 0, log_time: 0, publish_time: 0 };
            container.write_to_known_channel(&head, &copy)
        })
    }

    /// Adds an input; [`Quiet`](model::InputKind::Quiet) is ignored. The caller numbers what is recorded, from 0, without
    /// holes.
    ///
    /// Inputs within 50 ms and 64 KiB share a container message.
    ///
    /// # Errors
    /// The first failed write, for ever. [`WriteError::TooLarge`] for a text over 64 KiB or bytes over 16 MiB: that input
    /// is left out, and a reader sees its number missing.
    pub fn append(&mut self, input: &Input) -> Result<(), WriteError> {
        self.check()?;
        let Some(encoded) = payload::encode(input)? else { return Ok(()) };
        let fits = self.pending.payload.len() + encoded.len() <= limits::MESSAGE
            && self.pending.first <= input.at
            && input.at.since(self.pending.first) <= limits::MESSAGE_SPAN;
        if !fits {
            self.end_message()?;
        }
        if self.pending.payload.is_empty() {
            self.pending.payload.push(payload::VERSION);
            self.pending.first = input.at;
        }
        encoded.append_to(&mut self.pending.payload);
        self.unsynced = true;
        Ok(())
    }

    /// Ends the chunk and returns when everything so far is on the medium. Does nothing if nothing came since.
    ///
    /// # Errors
    /// The first failed write, for ever.
    pub fn flush(&mut self) -> Result<(), WriteError> {
        self.check()?;
        if !self.unsynced {
            return Ok(());
        }
        self.end_message()?;
        self.with_container(|container| container.flush())?;
        self.latched(|writer| writer.tap.lock().sync(false).map_err(write_error))?;
        self.unsynced = false;
        Ok(())
    }

    /// Writes the summary and returns when the whole file is on the medium.
    ///
    /// # Errors
    /// The first failed write. What was flushed before can still be read.
    pub fn finish(mut self) -> Result<(), WriteError> {
        self.check()?;
        self.end_message()?;
        self.with_container(|container| container.finish().map(|_| ()))?;
        self.container = None;
        self.latched(|writer| writer.tap.lock().sync(true).map_err(write_error))
    }

    fn end_message(&mut self) -> Result<(), WriteError> {
        if self.pending.payload.is_empty() {
            return Ok(());
        }
        let Pending { payload, first } = std::mem::take(&mut self.pending);
        self.messages = self.messages.wrapping_add(1);
        let head = MessageHeader {
            channel_id: header::INPUTS_CHANNEL,
            sequence: self.messages,
            log_time: first.nanos,
            publish_time: first.nanos,
        };
        self.with_container(|container| container.write_to_known_channel(&head, &payload))
    }

    fn check(&self) -> Result<(), WriteError> {
        self.failed.clone().map_or(Ok(()), Err)
    }

    fn with_container(
        &mut self,
        work: impl FnOnce(&mut mcap::Writer<NoSeek<Tap<S>>>) -> mcap::McapResult<()>,
    ) -> Result<(), WriteError> {
        self.latched(|writer| {
            let Some(container) = &mut writer.container else {
                return Err(WriteError::Container { why: "the recording is finished".into() });
            };
            work(container).map_err(|error| writer.tap.error(&error))
        })
    }

    /// Keeps the first error.
    fn latched(&mut self, work: impl FnOnce(&mut Self) -> Result<(), WriteError>) -> Result<(), WriteError> {
        self.check()?;
        let result = work(self);
        if let Err(error) = &result {
            self.failed = Some(error.clone());
        }
        result
    }
}

/// A writer that is dropped before [`finish`](Writer::finish) puts what it holds into the file, as far as that works.
impl<S: Sink> Drop for Writer<S> {
    fn drop(&mut self) {
        if self.container.is_some() {
            // Nobody is left to tell; whoever wants to know calls `finish`.
            self.end_message().ok();
        }
    }
}

impl<S: Sink> std::fmt::Debug for Writer<S> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Writer").field("messages", &self.messages).field("failed", &self.failed).finish_non_exhaustive()
    }
}

fn write_error(source: Arc<io::Error>) -> WriteError {
    WriteError::Write { source }
}

/// The container's end of the sink. The container hides what it writes to, and the sink must still be synced.
struct Tap<S>(Arc<Mutex<Shared<S>>>);

struct Shared<S> {
    sink: S,
    buffer: Vec<u8>,
    /// The first failure. After it nothing reaches the sink: a half-written record must stay the last one.
    failed: Option<Arc<io::Error>>,
}

/// Small writes are gathered up to this many bytes.
const BUFFER: usize = 64 << 10;

impl<S> Clone for Tap<S> {
    fn clone(&self) -> Self {
        Self(Arc::clone(&self.0))
    }
}

impl<S: Sink> Tap<S> {
    fn lock(&self) -> MutexGuard<'_, Shared<S>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The sink's failure if there was one, else what the container said.
    fn error(&self, error: &mcap::McapError) -> WriteError {
        match &self.lock().failed {
            Some(source) => write_error(Arc::clone(source)),
            None => WriteError::Container { why: error.to_string() },
        }
    }
}

impl<S: Sink> Shared<S> {
    fn attempt(&mut self, work: impl FnOnce(&mut Self) -> io::Result<()>) -> Result<(), Arc<io::Error>> {
        if let Some(failed) = &self.failed {
            return Err(Arc::clone(failed));
        }
        work(self).map_err(|error| Arc::clone(self.failed.insert(Arc::new(error))))
    }

    fn empty_buffer(&mut self) -> io::Result<()> {
        self.sink.write_all(&self.buffer)?;
        self.buffer.clear();
        Ok(())
    }

    fn sync(&mut self, all: bool) -> Result<(), Arc<io::Error>> {
        self.attempt(|shared| {
            shared.empty_buffer()?;
            shared.sink.flush()?;
            if all { shared.sink.sync_all() } else { shared.sink.sync_data() }
        })
    }
}

impl<S: Sink> Write for Tap<S> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let work = |shared: &mut Shared<S>| {
            if BUFFER < shared.buffer.len() + bytes.len() {
                shared.empty_buffer()?;
            }
            if BUFFER < bytes.len() {
                return shared.sink.write_all(bytes);
            }
            shared.buffer.extend_from_slice(bytes);
            Ok(())
        };
        self.lock().attempt(work).map_err(|error| io::Error::new(error.kind(), error))?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        let work = |shared: &mut Shared<S>| {
            shared.empty_buffer()?;
            shared.sink.flush()
        };
        self.lock().attempt(work).map_err(|error| io::Error::new(error.kind(), error))
    }
}
