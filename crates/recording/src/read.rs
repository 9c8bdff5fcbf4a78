//! Reads the inputs of a recording back, whatever state the file is in.

use std::fs::File;
use std::io::{self, Read};
use std::iter::FusedIterator;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use mcap::MAGIC;
use mcap::records::op;
use model::{Input, InputKind, SessionHeader, SessionTime};

use crate::ahead::{Group, Groups};
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
        Inputs::new(Groups::Asked(Box::new(self.walker())))
    }

    /// The same inputs, with the same damage, from a thread that unpacks chunks ahead of who takes them: for all of a long
    /// file, where taking them is work, too. Dropping them ends the thread. Without a thread to be had they are
    /// [`inputs`](Self::inputs).
    pub fn inputs_ahead(&self) -> Inputs {
        Groups::ahead(self.walker()).map_or_else(|_| self.inputs(), Inputs::new)
    }

    /// The inputs from a chunk on, which [`Inputs::chunk_at`] told before. Nothing is said to be lost in front of it.
    pub fn inputs_from(&self, chunk_at: u64) -> Inputs {
        let mut walker = self.walker();
        walker.go_to(chunk_at);
        Inputs { expected: None, ..Inputs::new(Groups::Asked(Box::new(walker))) }
    }

    fn walker(&self) -> Walker {
        Walker::new(Arc::clone(&self.source), self.len)
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
    let mut memory = Vec::new();
    while let Some(found) = walker.next(&mut memory) {
        match found {
            Found::Attachment { name, data } if name == header::PROTOCOL => protocol = String::from_utf8(data).ok(),
            Found::Attachment { name, data } if name == header::PACK => pack = String::from_utf8(data).ok(),
            Found::Metadata { name, values: found } if name == header::METADATA => values = Some(found),
            Found::Attachment { .. } | Found::Metadata { .. } | Found::Damage { .. } => {}
            Found::Chunk { records, bytes } => {
                let mut chunk = Chunk::new(records, bytes);
                while let Some((channel, payload)) = chunk.next_message(&memory).ok().flatten() {
                    if channel == header::COPY_CHANNEL {
                        return header::from_copy(memory.get(payload).unwrap_or(&[]));
                    }
                    if channel == header::INPUTS_CHANNEL {
                        return Err(fault); // The head is past.
                    }
                }
                memory.clear();
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
/// Memory is bounded: a chunk at a time, at most 32 MiB packed and 32 MiB unpacked; [ahead](Recording::inputs_ahead) of who
/// takes them, some 256 KiB and a chunk at a time, and three times so much.
pub struct Inputs {
    groups: Groups,
    group: Group,
    /// Bytes of the file that are done.
    position: u64,
    chunk: Chunk,
    /// The number that the next input should have; `None` if any will do.
    expected: Option<u64>,
    damage: Vec<Damage>,
    /// Whether no input came since the last damage.
    open_damage: bool,
    complete: bool,
}

impl Inputs {
    fn new(groups: Groups) -> Self {
        Self {
            groups,
            group: Group::default(),
            position: 0,
            chunk: Chunk::default(),
            expected: Some(0),
            damage: Vec::new(),
            open_damage: false,
            complete: false,
        }
    }

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
        self.position
    }

    /// Where in the file the chunk of the last input begins.
    pub fn chunk_at(&self) -> u64 {
        self.chunk.bytes.start
    }

    /// Puts the next input in place of this one, whose memory is used again; false at the end, where it means nothing.
    pub fn next_into(&mut self, input: &mut Input) -> bool {
        loop {
            match self.chunk.next_input(&self.group.memory, input) {
                Some(Ok(())) => {
                    self.check_number(input.number);
                    self.complete |= input.kind == InputKind::End;
                    return true;
                }
                Some(Err(reason)) => self.damaged(self.chunk.bytes.clone(), reason),
                None => match self.next_found() {
                    Some(Found::Chunk { records, bytes }) => self.chunk = Chunk::new(records, bytes),
                    Some(Found::Damage { bytes, reason }) => self.damaged(bytes, reason),
                    Some(Found::Attachment { .. } | Found::Metadata { .. }) => {}
                    None => return false,
                },
            }
        }
    }

    fn next_found(&mut self) -> Option<Found> {
        loop {
            if let Some((found, position)) = self.group.found.pop_front() {
                self.position = position;
                return Some(found);
            }
            if let Some(end) = self.group.over {
                self.position = self.position.max(end);
                return None;
            }
            self.groups.next_into(&mut self.group);
        }
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
        let mut input = Input::new(SessionTime::ZERO, InputKind::Bytes(Vec::new()));
        self.next_into(&mut input).then_some(input)
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
    /// Its place in the file.
    bytes: Range<u64>,
    /// Where in the memory the records are that are still to be read.
    at: Range<usize>,
    /// The rest of the message that is being read.
    payload: Range<usize>,
}

impl Chunk {
    fn new(records: Range<usize>, bytes: Range<u64>) -> Self {
        Self { at: records, bytes, payload: 0..0 }
    }

    fn next_input(&mut self, memory: &[u8], input: &mut Input) -> Option<Result<(), DamageReason>> {
        loop {
            if !self.payload.is_empty() {
                let mut fields = Fields(memory.get(self.payload.clone()).unwrap_or(&[]));
                let decoded = payload::decode(&mut fields, input);
                self.payload.start = self.payload.end - fields.0.len();
                return Some(decoded);
            }
            match self.next_message(memory) {
                Ok(None) => return None,
                Ok(Some((header::INPUTS_CHANNEL, payload))) => {
                    match memory.get(payload.clone()).and_then(<[u8]>::first) {
                        Some(&payload::VERSION) => self.payload = payload.start + 1..payload.end,
                        Some(&version) => return Some(Err(DamageReason::UnknownVersion(version))),
                        None => return Some(Err(DamageReason::WrongContent("a message"))),
                    }
                }
                Ok(Some(_)) => {}
                Err(reason) => return Some(Err(reason)),
            }
        }
    }

    /// The channel of the next message, and where its payload lies.
    fn next_message(&mut self, memory: &[u8]) -> Result<Option<(u16, Range<usize>)>, DamageReason> {
        const WRONG: DamageReason = DamageReason::WrongContent("a record in a chunk");
        while !self.at.is_empty() {
            let mut fields = Fields(memory.get(self.at.clone()).unwrap_or(&[]));
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
