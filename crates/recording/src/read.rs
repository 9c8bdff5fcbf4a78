//! Reads the inputs of a recording back, whatever state the file is in.

use std::fs::File;
use std::io::{self, Read};
use std::iter::FusedIterator;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use mcap::MAGIC;
use mcap::records::op;
use model::{Input, InputKind, SessionHeader};

use crate::damage::{Damage, DamageReason};
use crate::fields::Fields;
use crate::header::{self, HeaderFault};
use crate::walk::{Found, Source, Walker};
use crate::{limits, payload};

/// Tells a recording from any other file by its first bytes.
///
/// One damaged byte there does not hide a recording. What is no regular file is no recording, and is not read.
///
/// # Errors
/// What the system says when the file can't be looked at.
pub fn is_recording(path: &Path) -> io::Result<bool> {
    if !path.metadata()?.is_file() {
        return Ok(false);
    }
    let mut start = Vec::new();
    File::open(path)?.take(64).read_to_end(&mut start)?;
    Ok(starts_like_a_recording(&start))
}

fn starts_like_a_recording(start: &[u8]) -> bool {
    // After the magic bytes come the header record's opcode and length, then the length of the profile.
    let profile = start.get(MAGIC.len() + 1 + 8 + 4..).unwrap_or(&[]);
    start.starts_with(MAGIC) || profile.starts_with(header::PROFILE.as_bytes())
}

/// Why a file can't be opened as a recording. The system's own words are the source of the error.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum OpenError {
    /// There is no such file.
    #[error("no file {path:?}")]
    NotFound {
        /// The path that was tried.
        path: PathBuf,
    },
    /// The system does not let us read it.
    #[error("cannot read {path:?}")]
    Unreadable {
        /// Its path.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// It does not begin as a recording does.
    #[error("not a recording, {path:?}")]
    NotARecording {
        /// Its path.
        path: PathBuf,
    },
    /// It is a container of the right kind, but no session header can be read from it.
    #[error("no session header in the recording {path:?}")]
    NoHeader {
        /// Its path.
        path: PathBuf,
    },
    /// It was made by a later version.
    #[error("the recording has format {format:?}, this program reads format 1, {path:?}")]
    Newer {
        /// The format that the file names.
        format: String,
        /// Its path.
        path: PathBuf,
    },
}

impl OpenError {
    /// What to do about it, if there is something.
    pub fn hint(&self) -> Option<&'static str> {
        match self {
            Self::NotFound { .. } => Some("check the name"),
            Self::Unreadable { source, .. } => (source.kind() == io::ErrorKind::PermissionDenied)
                .then_some("ask the owner of the file for the right to read it"),
            Self::NotARecording { .. } => {
                Some("a file of raw bytes can be read if a protocol file and a pack file are named beside it")
            }
            Self::NoHeader { .. } => {
                Some("either another program made it, or it was cut or damaged before its first chunk")
            }
            Self::Newer { .. } => Some("read it with the version of the program that made it"),
        }
    }
}

/// A recording opened for reading. The file is never written to.
pub struct Recording {
    header: SessionHeader,
    source: Arc<Source>,
    len: u64,
}

impl Recording {
    /// Opens a file and reads its header. Damage behind the header is no error: see [`Inputs::damage`].
    ///
    /// Of a file that is still being written, what is there now is seen.
    ///
    /// # Errors
    /// See [`OpenError`].
    pub fn open(path: &Path) -> Result<Self, OpenError> {
        let failed = |source: io::Error| match source.kind() {
            io::ErrorKind::NotFound => OpenError::NotFound { path: path.to_owned() },
            _ => OpenError::Unreadable { path: path.to_owned(), source },
        };
        if !is_recording(path).map_err(failed)? {
            return Err(OpenError::NotARecording { path: path.to_owned() });
        }
        let file = File::open(path).map_err(failed)?;
        let len = file.metadata().map_err(failed)?.len();
        Self::from_source(path, Source::File(Mutex::new(file)), len)
    }

    /// The same for a file that is in memory; `name` is for messages only.
    ///
    /// # Errors
    /// See [`OpenError`].
    pub fn from_bytes(name: &Path, bytes: Vec<u8>) -> Result<Self, OpenError> {
        if !starts_like_a_recording(&bytes) {
            return Err(OpenError::NotARecording { path: name.to_owned() });
        }
        let len = bytes.len() as u64;
        Self::from_source(name, Source::Bytes(bytes), len)
    }

    fn from_source(path: &Path, source: Source, len: u64) -> Result<Self, OpenError> {
        let source = Arc::new(source);
        let header = read_header(Walker::new(Arc::clone(&source), len)).map_err(|fault| match fault {
            HeaderFault::Newer(format) => OpenError::Newer { format, path: path.to_owned() },
            HeaderFault::Unreadable => OpenError::NoHeader { path: path.to_owned() },
        })?;
        Ok(Self { header, source, len })
    }

    /// What is fixed for the whole session.
    pub fn header(&self) -> &SessionHeader {
        &self.header
    }

    /// The inputs from the first one, read a chunk at a time.
    pub fn inputs(&self) -> Inputs {
        Inputs {
            walker: Walker::new(Arc::clone(&self.source), self.len),
            chunk: Chunk::default(),
            expected: Some(0),
            damage: Vec::new(),
            open_damage: false,
            complete: false,
        }
    }

    /// The inputs from a chunk on, which [`Inputs::chunk_at`] told before. Nothing is said to be lost in front of it.
    pub fn inputs_from(&self, chunk_at: u64) -> Inputs {
        let mut inputs = self.inputs();
        inputs.walker.go_to(chunk_at);
        inputs.expected = None;
        inputs
    }

    /// The length of the file in bytes when it was opened.
    pub fn len_bytes(&self) -> u64 {
        self.len
    }
}

impl std::fmt::Debug for Recording {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Recording").field("header", &self.header).field("len", &self.len).finish_non_exhaustive()
    }
}

/// Takes the attachments and the metadata, or else the copy in the first chunk.
fn read_header(mut walker: Walker) -> Result<SessionHeader, HeaderFault> {
    let (mut protocol, mut pack, mut values) = (None, None, None);
    let mut fault = HeaderFault::Unreadable;
    while let Some(found) = walker.next() {
        match found {
            Found::Attachment { name, data } if name == header::PROTOCOL => protocol = String::from_utf8(data).ok(),
            Found::Attachment { name, data } if name == header::PACK => pack = String::from_utf8(data).ok(),
            Found::Metadata { name, values: found } if name == header::METADATA => values = Some(found),
            Found::Attachment { .. } | Found::Metadata { .. } | Found::Damage { .. } => {}
            Found::Chunk { records, bytes } => {
                let mut chunk = Chunk::new(records, bytes);
                while let Some((channel, payload)) = chunk.next_message().ok().flatten() {
                    if channel == header::COPY_CHANNEL {
                        return header::from_copy(chunk.records.get(payload).unwrap_or(&[]));
                    }
                    if channel == header::INPUTS_CHANNEL {
                        return Err(fault); // The head is past.
                    }
                }
            }
        }
        if let (Some(protocol), Some(pack), Some(values)) = (&protocol, &pack, &values) {
            match header::from_parts(values, protocol.clone(), pack.clone()) {
                Err(HeaderFault::Unreadable) => {}
                Err(newer) => fault = newer,
                Ok(header) => return Ok(header),
            }
        }
    }
    Err(fault)
}

/// The inputs of a recording in file order. Never fails: what can't be read is in [`damage`](Self::damage).
///
/// Memory is bounded: a chunk at a time, at most 32 MiB packed and 32 MiB unpacked.
pub struct Inputs {
    walker: Walker,
    chunk: Chunk,
    /// The number that the next input should have; `None` if any will do.
    expected: Option<u64>,
    damage: Vec<Damage>,
    /// Whether no input came since the last damage.
    open_damage: bool,
    complete: bool,
}

impl Inputs {
    /// What was lost so far; final once the iterator has ended.
    pub fn damage(&self) -> &[Damage] {
        &self.damage
    }

    /// Whether the end of the session was seen. Without it the recording was cut, though nothing may be damaged.
    pub fn complete(&self) -> bool {
        self.complete
    }

    /// How many bytes of the file are done, of [`Recording::len_bytes`].
    pub fn position_bytes(&self) -> u64 {
        self.walker.position()
    }

    /// Where in the file the chunk of the last input begins.
    pub fn chunk_at(&self) -> u64 {
        self.chunk.bytes.start
    }

    /// Adds a bad place to the damage since the last input.
    fn damaged(&mut self, bytes: Range<u64>, reason: DamageReason) {
        let full = limits::DAMAGE <= self.damage.len();
        // After the end of the session nothing is left to lose.
        let known_loss = self.complete.then_some(0);
        match self.damage.last_mut() {
            Some(last) if self.open_damage || full => {
                last.bytes.end = last.bytes.end.max(bytes.end);
                if self.open_damage {
                    last.inputs_lost = known_loss;
                }
            }
            _ => self.damage.push(Damage { bytes, reason, inputs_lost: known_loss }),
        }
        self.open_damage = true;
    }

    /// Compares an input's number with the one before it.
    fn check_number(&mut self, number: u64) {
        let lost = number.checked_sub(self.expected.unwrap_or(number));
        if lost != Some(0) {
            let start = self.chunk.bytes.start;
            let reason = if lost.is_some() { DamageReason::NumbersMissing } else { DamageReason::NumbersGoBack };
            self.damaged(start..start, reason);
        }
        if std::mem::take(&mut self.open_damage)
            && let Some(last) = self.damage.last_mut()
        {
            let before = last.inputs_lost.unwrap_or(0);
            last.inputs_lost = Some(before.saturating_add(lost.unwrap_or(0)));
        }
        self.expected = Some(number.saturating_add(1));
    }
}

impl Iterator for Inputs {
    type Item = Input;

    fn next(&mut self) -> Option<Input> {
        loop {
            match self.chunk.next_input() {
                Some(Ok(input)) => {
                    self.check_number(input.number);
                    self.complete |= input.kind == InputKind::End;
                    return Some(input);
                }
                Some(Err(reason)) => self.damaged(self.chunk.bytes.clone(), reason),
                None => {
                    self.chunk = Chunk::default(); // Gives its memory back before the next one is read.
                    match self.walker.next()? {
                        Found::Chunk { records, bytes } => self.chunk = Chunk::new(records, bytes),
                        Found::Damage { bytes, reason } => self.damaged(bytes, reason),
                        Found::Attachment { .. } | Found::Metadata { .. } => {}
                    }
                }
            }
        }
    }
}

impl FusedIterator for Inputs {}

impl std::fmt::Debug for Inputs {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Inputs").field("damage", &self.damage).field("complete", &self.complete).finish_non_exhaustive()
    }
}

/// An unpacked chunk and how far it is read.
#[derive(Default)]
struct Chunk {
    records: Vec<u8>,
    /// Its place in the file.
    bytes: Range<u64>,
    /// The records that are still to be read.
    at: Range<usize>,
    /// The rest of the message that is being read.
    payload: Range<usize>,
}

impl Chunk {
    fn new(records: Vec<u8>, bytes: Range<u64>) -> Self {
        Self { at: 0..records.len(), records, bytes, payload: 0..0 }
    }

    fn next_input(&mut self) -> Option<Result<Input, DamageReason>> {
        loop {
            if !self.payload.is_empty() {
                let mut fields = Fields(self.records.get(self.payload.clone()).unwrap_or(&[]));
                let input = payload::decode(&mut fields);
                self.payload.start = self.payload.end - fields.0.len();
                return Some(input);
            }
            match self.next_message() {
                Ok(None) => return None,
                Ok(Some((header::INPUTS_CHANNEL, payload))) => match self.records.get(payload.start) {
                    Some(&payload::VERSION) => self.payload = payload.start + 1..payload.end,
                    Some(&version) => return Some(Err(DamageReason::UnknownVersion(version))),
                    None => return Some(Err(DamageReason::WrongContent("a message"))),
                },
                Ok(Some(_)) => {}
                Err(reason) => return Some(Err(reason)),
            }
        }
    }

    /// The channel of the next message, and where its payload lies.
    fn next_message(&mut self) -> Result<Option<(u16, Range<usize>)>, DamageReason> {
        const WRONG: DamageReason = DamageReason::WrongContent("a record in a chunk");
        while !self.at.is_empty() {
            let mut fields = Fields(self.records.get(self.at.clone()).unwrap_or(&[]));
            let record = (fields.u8(), fields.u64().and_then(|len| fields.take(usize::try_from(len).ok()?)));
            let end = self.at.end - fields.0.len();
            self.at.start = end;
            let (Some(opcode), Some(body)) = record else {
                self.at.start = self.at.end;
                return Err(WRONG);
            };
            if opcode == op::MESSAGE {
                let mut fields = Fields(body);
                let channel = fields.u16();
                // Sequence and two times: the inputs carry their own.
                let rest = fields.take(4 + 8 + 8);
                return match (channel, rest) {
                    (Some(channel), Some(_)) => Ok(Some((channel, end - fields.0.len()..end))),
                    _ => Err(WRONG),
                };
            }
        }
        Ok(None)
    }
}
