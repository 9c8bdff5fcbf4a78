//! Walks a file from record to record, and finds the next sound one after a damaged place.
//!
//! Nothing that the file says is believed before it is checked: a length must fit the file, the limits and the fields of
//! its record; a chunk, an attachment and the session's metadata must match their checksum.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::ops::Range;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use mcap::MAGIC;
use mcap::records::op;

use crate::damage::DamageReason;
use crate::fields::Fields;
use crate::{header, limits};

/// Opcode and length.
const HEAD: usize = 1 + 8;
/// What is read at once.
const WINDOW: usize = 64 << 10;
/// A chunk's opcode, length, times, unpacked size and checksum.
const BEFORE_COMPRESSION: usize = HEAD + 8 + 8 + 8 + 4;
/// What stands after these in each chunk that this program writes: the length and name of the compression.
const COMPRESSION: &[u8] = b"\x04\0\0\0zstd";
/// A chunk up to its data.
const CHUNK_HEAD: usize = BEFORE_COMPRESSION + COMPRESSION.len() + 8;
/// The opcode and length of the record that ends the data.
const DATA_END: &[u8] = &[op::DATA_END, 4, 0, 0, 0, 0, 0, 0, 0];

/// Where a recording is read from; shared by all that read it.
pub(crate) enum Source {
    File(Mutex<File>),
    Bytes(Vec<u8>),
}

impl Source {
    fn read_at(&self, at: u64, into: &mut [u8]) -> io::Result<usize> {
        match self {
            Self::File(file) => {
                let mut file = file.lock().unwrap_or_else(PoisonError::into_inner);
                file.seek(SeekFrom::Start(at))?;
                file.read(into)
            }
            Self::Bytes(bytes) => {
                let rest = usize::try_from(at).ok().and_then(|at| bytes.get(at..)).unwrap_or(&[]);
                let len = rest.len().min(into.len());
                into[..len].copy_from_slice(&rest[..len]);
                Ok(len)
            }
        }
    }
}

/// A sound record, or a place without one.
pub(crate) enum Found {
    Attachment {
        name: String,
        data: Vec<u8>,
    },
    Metadata {
        name: String,
        values: BTreeMap<String, String>,
    },
    /// Where in the memory the unpacked records of a chunk are, and where it stands in the file.
    Chunk {
        records: Range<usize>,
        bytes: Range<u64>,
    },
    Damage {
        bytes: Range<u64>,
        reason: DamageReason,
    },
}

pub(crate) struct Walker {
    window: Window,
    unpacker: Option<zstd::bulk::Decompressor<'static>>,
    /// The next record begins here.
    at: u64,
    len: u64,
    in_summary: bool,
    /// Bytes that may still be looked at in vain, so that a hostile file can't keep us busy.
    pub(crate) patience: u64,
    /// Says that nobody wants to know any more: a search is then given up.
    pub(crate) stop: Option<Arc<AtomicBool>>,
}

impl Walker {
    /// Walks the first `len` bytes; what is appended meanwhile is not seen.
    pub(crate) fn new(source: Arc<Source>, len: u64) -> Self {
        Self {
            window: Window { source, len, start: 0, bytes: Vec::new() },
            unpacker: zstd::bulk::Decompressor::new().ok(),
            at: 0,
            len,
            in_summary: false,
            patience: len.saturating_mul(64).saturating_add(256 << 20),
            stop: None,
        }
    }

    /// Goes on from here, where a record was seen to begin.
    pub(crate) fn go_to(&mut self, at: u64) {
        self.at = at;
        self.in_summary = false;
    }

    /// How far it is, in bytes.
    pub(crate) fn position(&self) -> u64 {
        self.at
    }

    /// `None` at the end of the file. The records of a chunk are put behind what is in `memory`.
    pub(crate) fn next(&mut self, memory: &mut Vec<u8>) -> Option<Found> {
        loop {
            if self.at == 0 {
                self.at = MAGIC.len() as u64;
                if self.window.fetch(0, MAGIC.len()).ok() != Some(MAGIC) {
                    let bytes = 0..self.at.min(self.len);
                    return Some(Found::Damage { bytes, reason: DamageReason::WrongStart });
                }
            }
            if self.len <= self.at {
                return None;
            }
            match self.record(memory) {
                Ok(Step::Over(end)) => self.at = end,
                Ok(Step::Found(found, end)) => {
                    self.at = end;
                    return Some(found);
                }
                Ok(Step::End(end)) => {
                    self.at = self.len;
                    if end < self.len {
                        return Some(Found::Damage { bytes: end..self.len, reason: DamageReason::AfterEnd });
                    }
                }
                Err(reason) => return Some(self.skip_damage(reason, memory)),
            }
        }
    }

    fn record(&mut self, memory: &mut Vec<u8>) -> Result<Step, DamageReason> {
        let start = self.at;
        let mut head = Fields(self.window.fetch(start, HEAD)?);
        let (Some(opcode), Some(len)) = (head.u8(), head.u64()) else { return Err(DamageReason::Cut) };
        if !is_known(opcode) {
            return Err(DamageReason::NotARecord);
        }
        let body_len = match usize::try_from(len) {
            Ok(len) if len <= limits::RECORD => len,
            _ => return Err(DamageReason::WrongLength),
        };
        let end = start + (HEAD + body_len) as u64;
        if self.len < end {
            return Err(DamageReason::Cut);
        }

        match opcode {
            op::CHUNK => {
                let records = self.unpack(start, body_len, memory)?;
                return Ok(Step::Found(Found::Chunk { records, bytes: start..end }, end));
            }
            op::FOOTER if self.in_summary => {
                let past = end + MAGIC.len() as u64;
                if body_len != 20 {
                    return Err(DamageReason::WrongLength);
                }
                if self.window.fetch(end, MAGIC.len())? != MAGIC {
                    return Err(if self.len < past { DamageReason::Cut } else { DamageReason::NotARecord });
                }
                return Ok(Step::End(past));
            }
            // They say nothing that is not said before. Nothing vouches for their length but what follows.
            op::SCHEMA
            | op::CHANNEL
            | op::CHUNK_INDEX
            | op::ATTACHMENT_INDEX
            | op::STATISTICS
            | op::METADATA_INDEX
            | op::SUMMARY_OFFSET
                if self.in_summary =>
            {
                return self.over_to(end);
            }
            _ if self.in_summary => return Err(DamageReason::NotARecord),
            _ => {}
        }
        let whole = self.window.fetch(start, HEAD + body_len)?;
        let body = whole.get(HEAD..).unwrap_or(&[]);
        if body.len() != body_len {
            return Err(DamageReason::Cut);
        }
        match opcode {
            op::ATTACHMENT => attachment(body).map(|found| Step::Found(found, end)),
            op::METADATA => metadata(body).map(|found| Step::Found(found, end)),
            op::HEADER if start == MAGIC.len() as u64 => {
                let mut fields = Fields(body);
                let texts = (fields.text(), fields.text());
                if texts.0.is_none() || texts.1.is_none() || !fields.is_empty() {
                    return Err(DamageReason::WrongContent("the header record"));
                }
                self.over_to(end)
            }
            // This program writes none, others may.
            op::MESSAGE_INDEX => {
                let mut fields = Fields(body);
                let entries = fields.u16().and_then(|_| fields.bytes()).filter(|entries| entries.len() % 16 == 0);
                if entries.is_none() || !fields.is_empty() {
                    return Err(DamageReason::WrongContent("an index"));
                }
                self.over_to(end)
            }
            op::DATA_END if body_len == 4 => {
                self.in_summary = true;
                Ok(Step::Over(end))
            }
            _ => Err(DamageReason::NotARecord),
        }
    }

    /// Steps over a record that has no checksum, if what follows looks like a record.
    fn over_to(&mut self, end: u64) -> Result<Step, DamageReason> {
        let mut next = Fields(self.window.fetch(end, HEAD)?);
        let (Some(opcode), Some(len)) = (next.u8(), next.u64()) else {
            return Ok(Step::Over(end)); // At the end, or cut: said there.
        };
        if is_known(opcode) && len <= limits::RECORD as u64 {
            Ok(Step::Over(end))
        } else {
            Err(DamageReason::WrongLength)
        }
    }

    /// Puts the records of a chunk behind what is in `memory`, and says where. After an error nothing was put there.
    fn unpack(&mut self, start: u64, body_len: usize, memory: &mut Vec<u8>) -> Result<Range<usize>, DamageReason> {
        let head = ChunkHead::parse(self.window.fetch(start, CHUNK_HEAD)?, body_len)?;
        let whole = self.window.fetch(start, HEAD + body_len)?;
        let data = whole.get(CHUNK_HEAD..HEAD + body_len).ok_or(DamageReason::Cut)?;
        let unpacker = self.unpacker.as_mut().ok_or(DamageReason::NotUnpackable)?;
        let from = memory.len();
        memory.resize(from + head.unpacked, 0);
        let records = memory.get_mut(from..).unwrap_or_default();
        let sound = match unpacker.decompress_to_buffer(data, records) {
            Err(_) => Err(DamageReason::NotUnpackable),
            Ok(len) if len != head.unpacked => Err(DamageReason::WrongLength),
            Ok(_) if crc32fast::hash(records) != head.checksum => Err(DamageReason::WrongChecksum),
            Ok(_) => Ok(from..from + head.unpacked),
        };
        if sound.is_err() {
            memory.truncate(from);
        }
        sound
    }

    /// Goes to the next sound chunk or to the end of the data, whichever comes first, or to the end of the file.
    fn skip_damage(&mut self, reason: DamageReason, memory: &mut Vec<u8>) -> Found {
        let start = self.at;
        let (end, reason) = match self.search(start + 1, memory) {
            // A length that goes past the end is a cut only if nothing sound follows.
            Ok(Some(end)) if reason == DamageReason::Cut => (end, DamageReason::WrongLength),
            Ok(Some(end)) => (end, reason),
            Ok(None) => (self.len, reason),
            Err(given_up) => (self.len, given_up),
        };
        self.at = end;
        Found::Damage { bytes: start..end, reason }
    }

    fn search(&mut self, from: u64, memory: &mut Vec<u8>) -> Result<Option<u64>, DamageReason> {
        let mut at = from;
        while at < self.len {
            if self.stop.as_ref().is_some_and(|stop| stop.load(Ordering::Relaxed)) {
                return Err(DamageReason::SearchGivenUp);
            }
            // What can't be read is stepped over.
            let window = self.window.fetch(at, WINDOW).unwrap_or(&[]);
            match (0..window.len()).find(|offset| looks_sound(window, *offset)) {
                Some(offset) => {
                    let candidate = at + offset as u64;
                    if self.is_sound(candidate, memory)? {
                        return Ok(Some(candidate));
                    }
                    at = candidate + 1;
                }
                // The last bytes come again, since a record may begin in them.
                None => at += (WINDOW - CHUNK_HEAD) as u64,
            }
        }
        Ok(None)
    }

    /// `memory` is as it was afterwards.
    fn is_sound(&mut self, candidate: u64, memory: &mut Vec<u8>) -> Result<bool, DamageReason> {
        let head = self.window.fetch(candidate, CHUNK_HEAD).unwrap_or(&[]);
        let mut cost = CHUNK_HEAD;
        let sound = if head.starts_with(DATA_END) {
            self.over_to(candidate + (HEAD + 4) as u64).is_ok()
        } else {
            let body_len = Fields(head.get(1..).unwrap_or(&[])).u64().and_then(|len| usize::try_from(len).ok());
            match body_len.and_then(|len| Some((len, ChunkHead::parse(head, len).ok()?))) {
                Some((len, head)) if candidate + (HEAD + len) as u64 <= self.len => {
                    // Read, perhaps in place of the window, and unpacked.
                    cost += 2 * len + head.unpacked;
                    let records = self.unpack(candidate, len, memory);
                    records.map(|records| memory.truncate(records.start)).is_ok()
                }
                _ => false,
            }
        };
        if !sound {
            self.patience = self.patience.checked_sub(cost as u64).ok_or(DamageReason::SearchGivenUp)?;
        }
        Ok(sound)
    }
}

enum Step {
    /// To the next record.
    Over(u64),
    Found(Found, u64),
    /// The recording ends here as it should.
    End(u64),
}

impl From<io::Error> for DamageReason {
    fn from(error: io::Error) -> Self {
        Self::Unreadable(error.to_string())
    }
}

fn is_known(opcode: u8) -> bool {
    (op::HEADER..=op::DATA_END).contains(&opcode)
}

fn looks_sound(window: &[u8], offset: usize) -> bool {
    let Some(rest) = window.get(offset..) else { return false };
    match rest.first() {
        Some(&op::CHUNK) => {
            rest.get(BEFORE_COMPRESSION..).is_some_and(|compression| compression.starts_with(COMPRESSION))
        }
        Some(&op::DATA_END) => rest.starts_with(DATA_END),
        _ => false,
    }
}

struct ChunkHead {
    unpacked: usize,
    checksum: u32,
}

impl ChunkHead {
    /// Takes only a chunk as this program writes it: zstd, and lengths that agree with each other and the limits.
    fn parse(head: &[u8], body_len: usize) -> Result<Self, DamageReason> {
        let mut fields = Fields(head);
        let mut parse = || {
            fields.take(HEAD + 16)?;
            Some((fields.u64()?, fields.u32()?, fields.bytes()?, fields.u64()?))
        };
        let (unpacked, checksum, compression, packed) = parse().ok_or(DamageReason::WrongContent("a chunk"))?;
        if compression != b"zstd" {
            return Err(DamageReason::WrongContent("the compression of a chunk"));
        }
        let data_len = body_len.checked_sub(CHUNK_HEAD - HEAD).map(|len| len as u64);
        let unpacked = usize::try_from(unpacked).ok().filter(|unpacked| *unpacked <= limits::RECORD);
        match unpacked {
            Some(unpacked) if data_len == Some(packed) && body_len <= limits::RECORD => Ok(Self { unpacked, checksum }),
            _ => Err(DamageReason::WrongLength),
        }
    }
}

fn attachment(body: &[u8]) -> Result<Found, DamageReason> {
    let (content, crc) = body.split_last_chunk::<4>().ok_or(DamageReason::WrongLength)?;
    if crc32fast::hash(content) != u32::from_le_bytes(*crc) {
        return Err(DamageReason::WrongChecksum);
    }
    let mut fields = Fields(content);
    let mut parse = || {
        fields.take(16)?;
        let name = fields.text()?.to_owned();
        fields.text()?;
        let len = usize::try_from(fields.u64()?).ok()?;
        let data = fields.take(len)?.to_vec();
        Some(Found::Attachment { name, data })
    };
    parse().ok_or(DamageReason::WrongContent("an attachment"))
}

fn metadata(body: &[u8]) -> Result<Found, DamageReason> {
    let mut fields = Fields(body);
    let mut parse = || {
        let name = fields.text()?.to_owned();
        let mut map = Fields(fields.bytes()?);
        let mut values = BTreeMap::new();
        while !map.is_empty() {
            values.insert(map.text()?.to_owned(), map.text()?.to_owned());
        }
        fields.is_empty().then_some((name, values))
    };
    let (name, values) = parse().ok_or(DamageReason::WrongContent("metadata"))?;
    if name == header::METADATA && !header::is_sound(&values) {
        return Err(DamageReason::WrongChecksum);
    }
    Ok(Found::Metadata { name, values })
}

/// A part of the file in memory.
struct Window {
    source: Arc<Source>,
    len: u64,
    start: u64,
    bytes: Vec<u8>,
}

impl Window {
    /// `len` bytes from `at`; fewer at the end of the file.
    fn fetch(&mut self, at: u64, len: usize) -> io::Result<&[u8]> {
        let rest = usize::try_from(self.len.saturating_sub(at)).unwrap_or(usize::MAX);
        let len = len.min(rest);
        let offset = at.checked_sub(self.start).and_then(|offset| usize::try_from(offset).ok());
        let held = offset.and_then(|offset| Some(offset..offset.checked_add(len)?));
        let range = match held.filter(|range| range.end <= self.bytes.len()) {
            Some(range) => range,
            None => {
                // A bad place further on must not hide the wanted bytes.
                if self.fill(at, len.max(WINDOW).min(rest)).is_err() {
                    self.fill(at, len)?;
                }
                0..len.min(self.bytes.len())
            }
        };
        Ok(self.bytes.get(range).unwrap_or(&[]))
    }

    fn fill(&mut self, at: u64, len: usize) -> io::Result<()> {
        self.start = at;
        self.bytes.clear();
        self.bytes.resize(len, 0);
        let mut filled = 0;
        while filled < len {
            match self.source.read_at(at + filled as u64, self.bytes.get_mut(filled..).unwrap_or(&mut [])) {
                Ok(0) => break,
                Ok(more) => filled += more,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => {
                    self.bytes.clear();
                    return Err(error);
                }
            }
        }
        self.bytes.truncate(filled);
        Ok(())
    }
}
