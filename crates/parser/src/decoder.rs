//! Finds frames in a stream of bytes and turns them into rows.

use std::collections::VecDeque;
use std::sync::Arc;

use model::{Batch, ByteRange, Column, Item, Reason, Rejected, Rows, SessionTime, Values};

use crate::binary::{self, Found};
use crate::protocol::{Number, Protocol, Shape};
use crate::text_lines;

/// A run of bytes in which no frame begins is reported at the latest after this many.
const LONGEST_SKIP: u64 = 4096;

/// Bytes taken into the buffer at once, so that it stays small when a whole file is pushed.
const PIECE: usize = 1 << 16;

/// Turns bytes into batches by a checked [`Protocol`].
///
/// Push bytes with their time, then take batches until there is none. It cannot fail: what is no frame is reported as
/// rejected with the bytes and the reason. After a false start the search goes on one byte later, since a real frame may
/// begin inside.
///
/// Invariants: no I/O, no clock; bytes with the same times give the same rows, rejections, order and times, however
/// they are split. At most the longest frame and 4 KiB of bytes are kept between pushes. The rows wait until they are
/// taken: who pushes without end must take, too.
#[derive(Debug)]
pub struct Decoder {
    protocol: Arc<Protocol>,
    /// Bytes not settled yet; the first `head` of them are.
    buffer: Vec<u8>,
    head: usize,
    /// Where in the stream `buffer[0]` stands.
    base: u64,
    /// For each read, one past its last byte in the stream, and its time.
    stamps: VecDeque<(u64, SessionTime)>,
    /// Where the bytes that are no frame began, if the last byte settled is one.
    skipped_from: Option<u64>,
    /// The byte in front of `head`, for text lines that have no start.
    before: Option<u8>,
    /// Which first bytes can begin a frame.
    can_start: Box<[bool; 256]>,
    now: SessionTime,
    batch: Batch,
}

impl Decoder {
    /// A decoder at the start of a stream.
    pub fn new(protocol: Arc<Protocol>) -> Self {
        let mut can_start = Box::new([false; 256]);
        for frame in &protocol.frames {
            let start = match &frame.shape {
                Shape::Binary(binary) => binary.start.first(),
                Shape::Text(text) => text.start.first(),
            };
            match start {
                Some(first) => {
                    if let Some(flag) = can_start.get_mut(usize::from(*first)) {
                        *flag = true;
                    }
                }
                None => can_start.fill(true),
            }
        }
        let batch = empty_batch(&protocol);
        Self {
            protocol,
            buffer: Vec::new(),
            head: 0,
            base: 0,
            stamps: VecDeque::new(),
            skipped_from: None,
            before: None,
            can_start,
            now: SessionTime::ZERO,
            batch,
        }
    }

    /// The protocol that it decodes by.
    pub fn protocol(&self) -> &Arc<Protocol> {
        &self.protocol
    }

    /// How many bytes of the stream have been pushed.
    pub fn received(&self) -> u64 {
        self.base + self.buffer.len() as u64
    }

    /// How many of them are kept because a frame may begin there.
    pub fn buffered(&self) -> usize {
        self.buffer.len() - self.head
    }

    /// Takes bytes that were read at `at`. Times before an earlier push count as that push's.
    pub fn push(&mut self, at: SessionTime, bytes: &[u8]) {
        if bytes.is_empty() {
            return;
        }
        self.now = self.now.max(at);
        for piece in bytes.chunks(PIECE) {
            self.buffer.extend_from_slice(piece);
            let end = self.received();
            match self.stamps.back_mut() {
                Some((last_end, last_at)) if *last_at == self.now => *last_end = end,
                _ => self.stamps.push_back((end, self.now)),
            }
            self.search(false);
            self.forget_settled();
        }
    }

    /// Ends the stream here: a frame that is not complete is given up, and bytes behind its first one are searched.
    ///
    /// Used at the end, where a connection was lost, and after each datagram. More bytes may follow.
    pub fn finish(&mut self, at: SessionTime) {
        self.now = self.now.max(at);
        self.search(true);
        self.report_skipped();
        self.forget_settled();
        self.before = None;
    }

    /// The rows and rejections since the last call; `None` if there are none.
    pub fn take(&mut self) -> Option<Batch> {
        if self.batch.order.is_empty() {
            return None;
        }
        let empty = empty_batch(&self.protocol);
        Some(std::mem::replace(&mut self.batch, empty))
    }

    /// How many rows and rejections wait to be taken.
    pub fn waiting(&self) -> usize {
        self.batch.order.len()
    }

    fn search(&mut self, over: bool) {
        let protocol = Arc::clone(&self.protocol);
        let mut cut_reported = false;
        'place: while let Some(first) = self.buffer.get(self.head).copied() {
            if !self.can_start.get(usize::from(first)).copied().unwrap_or(true) {
                self.skip(1);
                continue;
            }
            let mut reason = None;
            let mut unknown = None;
            for (index, frame) in protocol.frames.iter().enumerate() {
                let bytes = self.buffer.get(self.head..).unwrap_or(&[]);
                let line_begins = matches!(self.before, None | Some(b'\n'));
                let found = match &frame.shape {
                    Shape::Binary(shape) => binary::find(&protocol, frame, shape, bytes),
                    Shape::Text(shape) => text_lines::find(&protocol, frame, shape, bytes, line_begins),
                };
                match found {
                    Found::NoStart => {}
                    Found::NeedMore if over => {
                        if !cut_reported {
                            reason = reason.or(Some((bytes.len(), Reason::Cut)));
                            cut_reported = true;
                        }
                    }
                    // The first frame in file order that is not ruled out decides: else the result would depend on how
                    // the bytes are split.
                    Found::NeedMore => break 'place,
                    Found::Refused { length, reason: why } => reason = reason.or(Some((length, why))),
                    // Another frame may have the id.
                    Found::Sound { length, message: None } => unknown = unknown.or(Some(length)),
                    Found::Sound { length, message: Some(message) } => {
                        if let Err(why) = self.take_row(&protocol, index, message, length) {
                            reason = reason.or(Some((length, why)));
                            continue;
                        }
                        self.settle(length);
                        continue 'place;
                    }
                }
            }
            let start = self.base + self.head as u64;
            if let Some(length) = unknown {
                self.report_skipped();
                self.reject(start, start + length as u64, Reason::UnknownMessage);
                self.settle(length);
                continue;
            }
            if let Some((length, reason)) = reason {
                self.reject(start, start + length as u64, reason);
            }
            self.skip(1);
        }
    }

    /// Decodes the frame at `head` into a row, or says why it is none.
    fn take_row(&mut self, protocol: &Protocol, frame: usize, message: usize, length: usize) -> Result<(), Reason> {
        let bytes = self.buffer.get(self.head..self.head + length).unwrap_or(&[]);
        let (Some(frame), Some(kind)) = (protocol.frames.get(frame), protocol.messages.get(message)) else {
            return Err(Reason::UnknownMessage);
        };
        let values = match &frame.shape {
            Shape::Binary(shape) => binary::values(kind, shape, bytes)?,
            Shape::Text(shape) => text_lines::values(kind, shape, bytes)?,
        };
        let start = self.base + self.head as u64;
        let range = ByteRange { start, end: start + length as u64 };
        self.report_skipped();
        let at = self.time_of(range.end);
        let Some(rows) = self.batch.kinds.get_mut(message) else { return Err(Reason::UnknownMessage) };
        for (column, value) in rows.columns.iter_mut().zip(values) {
            column.push(value);
        }
        rows.at.push(at);
        rows.known_at.push(self.now);
        rows.bytes.push(range);
        let row = u32::try_from(rows.at.len() - 1).unwrap_or(u32::MAX);
        self.batch.order.push(Item::Row { kind: u16::try_from(message).unwrap_or(u16::MAX), row });
        Ok(())
    }

    /// The time of the read that brought the byte in front of `end`.
    fn time_of(&self, end: u64) -> SessionTime {
        let index = self.stamps.partition_point(|(stamp_end, _)| *stamp_end < end);
        self.stamps.get(index).map_or(self.now, |(_, at)| *at)
    }

    fn skip(&mut self, bytes: usize) {
        let start = self.base + self.head as u64;
        let from = *self.skipped_from.get_or_insert(start);
        self.settle(bytes);
        if start + bytes as u64 - from >= LONGEST_SKIP {
            self.report_skipped();
        }
    }

    fn settle(&mut self, bytes: usize) {
        self.head += bytes;
        self.before = self.head.checked_sub(1).and_then(|last| self.buffer.get(last)).copied();
    }

    fn report_skipped(&mut self) {
        if let Some(from) = self.skipped_from.take() {
            let end = self.base + self.head as u64;
            self.reject(from, end, Reason::Skipped);
        }
    }

    fn reject(&mut self, start: u64, end: u64, reason: Reason) {
        let index = u32::try_from(self.batch.rejected.len()).unwrap_or(u32::MAX);
        self.batch.rejected.push(Rejected { known_at: self.now, bytes: ByteRange { start, end }, reason });
        self.batch.order.push(Item::Rejected(index));
    }

    fn forget_settled(&mut self) {
        // Moving what is left to the front at every push would cost as much as decoding for small pieces.
        if self.head == self.buffer.len() || self.head >= 4096 {
            self.buffer.drain(..self.head);
            self.base += self.head as u64;
            self.head = 0;
        }
        let settled = self.base + self.head as u64;
        while self.stamps.front().is_some_and(|(end, _)| *end <= settled) {
            self.stamps.pop_front();
        }
    }
}

fn empty_batch(protocol: &Protocol) -> Batch {
    let kinds = protocol
        .messages
        .iter()
        .map(|message| {
            let mut columns = vec![Column::new(Values::U8(Vec::new())); message.column_count];
            for field in &message.fields {
                let Some(first) = field.first_column else { continue };
                for column in columns.iter_mut().skip(first).take(field.times) {
                    *column = Column::new(match field.number {
                        Number::Int { bytes, signed, .. } => Values::for_integers(bytes * 8, signed),
                        Number::Float { .. } => Values::F64(Vec::new()),
                        Number::HexDigits => Values::for_integers(64, false),
                        Number::Digits { .. } | Number::Word => Values::for_integers(64, true),
                    });
                }
            }
            Rows { columns, ..Rows::default() }
        })
        .collect();
    Batch { kinds, ..Batch::default() }
}
