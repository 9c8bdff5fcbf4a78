//! Finds frames in a stream of bytes and turns them into rows.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use model::{Batch, ByteRange, Column, Item, Reason, Rejected, Rows, SessionTime, Values};

use crate::ahead::{Ahead, Known};
use crate::binary::Context;
use crate::block::Scratch;
use crate::body::Cell;
use crate::crc_engine::{CheckLoop, Ready};
use crate::gather::{BLOCK, LANES};
use crate::line_plan::{self, LinePlan};
use crate::look::{Look, look};
use crate::plan::{Block, Plan, Taken};
use crate::protocol::{FieldSource, Number, Protocol, Shape};
use crate::unwrap::Wrapping;

/// A run of bytes in which no frame begins is reported at the latest after this many.
const LONGEST_SKIP: u64 = 4096;

/// An answer that comes later than this after its question is not known to be its answer. Our own choice.
const ANSWER_WAIT: Duration = Duration::from_secs(2);

/// How far back from a silence sound frames are looked for. It bounds what a silence can cost.
const LONGEST_LOOK_BEHIND: usize = 1024;

/// Where such a look found nothing, the next one waits for a new byte for every so many that wait: the cost is then
/// bounded for each byte, too.
const WAITING_FOR_EACH_NEW: u64 = 8;

/// Bytes searched at once, so that little waits when a whole file is pushed.
const PIECE: usize = 1 << 16;

/// At least so many new bytes are put behind those that wait; more if that was not enough.
const LEAST_BRIDGE: usize = 64;

/// How a [`Decoder`] goes about it. The results are the same.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Way {
    /// As fast as this processor can.
    #[default]
    Fastest,
    /// Without any instruction that not every processor has.
    Portable,
    /// Frame by frame and value by value, straight from the description: what the others are held against.
    General,
}

/// Turns bytes into batches by a checked [`Protocol`].
///
/// Push bytes with their time, then take batches until there is none. It cannot fail: what is no frame is reported as
/// rejected with the bytes and the reason. After a false start the search goes on one byte later, since a real frame
/// may begin inside.
///
/// Invariants: no I/O, no clock; bytes with the same times give the same rows, rejections, order and times, however
/// they are split. At most two of the longest frames, as they go on the line, and 4 KiB of bytes are kept between
/// pushes, and up to 64 KiB more where rows are [made later](Self::push_for_later) or bytes are
/// [searched later](Self::push_unhurried). The rows wait until they are taken: who pushes without end must take, too.
///
/// Cost: each byte that may begin a frame can cost a look at one frame of the longest length, and a silence such looks
/// at the last kibibyte, or at eight times the bytes that are new.
#[derive(Debug)]
pub struct Decoder {
    protocol: Arc<Protocol>,
    way: Way,
    plan: Arc<Plan>,
    lines: Option<Arc<LinePlan>>,
    /// Space for the values of a line.
    values: Vec<Option<i64>>,
    /// By candidate of the plan: frames that were found and whose columns are still to be read.
    blocks: Vec<Block>,
    /// What is known of frames further on in the stream that is being searched.
    ahead: Ahead,
    /// There may be such frames: their bytes must stay where they are.
    noted: bool,
    /// By message.
    filling: Vec<Filling>,
    scratch: Scratch,
    /// Bytes not settled yet; the first `head` of them are. While new bytes are searched where they lie, it is empty, and
    /// `head` and `base` are theirs.
    buffer: Vec<u8>,
    head: usize,
    /// Where in the stream `buffer[0]` stands.
    base: u64,
    /// How many bytes at the end of the buffer were pushed without hurry and not searched yet.
    unsearched: usize,
    /// Whether bytes were ever pushed without hurry: times are from then on those of the bytes, not of the search.
    unhurried: bool,
    /// For each read, one past its last byte in the stream, and its time.
    stamps: VecDeque<(u64, SessionTime)>,
    /// Where the bytes that are no frame began, if the last byte settled is one.
    skipped_from: Option<u64>,
    /// The byte in front of `buffer[0]`, for text lines that have no start.
    before: Option<u8>,
    /// Where in the stream the last look behind a silence ended.
    looked_behind: u64,
    /// Which first bytes can begin a frame.
    can_start: Box<[bool; 256]>,
    /// How many bytes from `head` on will tell what lies there; fewer will not.
    needed: usize,
    /// How many bytes from `head` on hold no end of a packet.
    endless: usize,
    /// A packet has become too long: nothing counts before its end.
    overlong: bool,
    now: SessionTime,
    /// Until when an answer to a question that is heard now may come.
    answer_until: SessionTime,
    /// The question that was heard last, and until when its answer may come.
    asked: Option<(usize, SessionTime)>,
    /// A run of so many bytes that are no frame may have been another question.
    lost_question: u64,
    batch: Batch,
}

/// How far the rows of a message are.
#[derive(Clone, Copy, Debug, Default)]
struct Filling {
    /// The candidate whose block is being filled.
    candidate: usize,
    /// Rows in the batch and in blocks.
    rows: u32,
}

impl Decoder {
    /// A decoder at the start of a stream.
    pub fn new(protocol: Arc<Protocol>) -> Self {
        Self::by_way(protocol, Way::Fastest)
    }

    /// A decoder whose first byte stands at `offset` of a stream: byte ranges are counted from the stream's start.
    pub fn starting_at(protocol: Arc<Protocol>, offset: u64) -> Self {
        Self { base: offset, looked_behind: offset, ..Self::new(protocol) }
    }

    /// A decoder at the start of a stream that goes about it this way.
    pub fn by_way(protocol: Arc<Protocol>, way: Way) -> Self {
        let (plan, lines) = match way {
            Way::General => (Plan::nothing(), None),
            Way::Fastest | Way::Portable => (Plan::new(&protocol), LinePlan::new(&protocol)),
        };
        Self::by_plan(protocol, way, Arc::new(plan), lines.map(Arc::new))
    }

    fn by_plan(protocol: Arc<Protocol>, way: Way, plan: Arc<Plan>, lines: Option<Arc<LinePlan>>) -> Self {
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
            lost_question: protocol.shortest_question().div_ceil(2) as u64,
            blocks: plan.candidates.iter().map(|_| Block::new()).collect(),
            ahead: Ahead::default(),
            noted: false,
            filling: vec![Filling::default(); protocol.messages.len()],
            scratch: Scratch::new(),
            protocol,
            way,
            plan,
            lines,
            values: Vec::new(),
            buffer: Vec::new(),
            head: 0,
            base: 0,
            unsearched: 0,
            unhurried: false,
            stamps: VecDeque::new(),
            skipped_from: None,
            before: None,
            looked_behind: 0,
            can_start,
            needed: 0,
            endless: 0,
            overlong: false,
            now: SessionTime::ZERO,
            answer_until: SessionTime::ZERO + ANSWER_WAIT,
            asked: None,
            batch,
        }
    }

    /// The protocol that it decodes by.
    pub fn protocol(&self) -> &Arc<Protocol> {
        &self.protocol
    }

    /// Where in the stream the bytes that were pushed end.
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
        self.hear_silence(at);
        if self.noted {
            self.make_rows();
        }
        for piece in bytes.chunks(PIECE) {
            self.stamp(piece.len());
            self.take_in(piece);
            self.forget_settled();
        }
    }

    /// As [`push`](Self::push), but the rows are made of many pushes at once, at the latest when they are taken: cheaper
    /// where that is far apart. What is taken then is the same.
    pub fn push_for_later(&mut self, at: SessionTime, bytes: &[u8]) {
        if bytes.is_empty() {
            return;
        }
        self.hear_silence(at);
        for piece in bytes.chunks(PIECE) {
            self.append(piece);
            self.search_waiting();
            if !self.noted || PIECE <= self.head {
                self.make_rows();
            }
        }
    }

    /// As [`push`](Self::push), but waits with the search until there are 64 KiB to be searched, the stream ends, or bytes
    /// are pushed in another way: many small reads are then as fast as a few large ones.
    ///
    /// Rows, rejections and their order are those of `push`. From here on, however bytes are pushed, `known_at` of a row
    /// is its `at`, even where a false start held it back, and that of a rejection is the time of its last byte. Where
    /// the protocol looks at silences or at questions and answers, time matters and nothing waits: it is `push` itself.
    pub fn push_unhurried(&mut self, at: SessionTime, bytes: &[u8]) {
        if self.protocol.idle.is_some() || self.protocol.messages.iter().any(|message| message.is_question) {
            return self.push(at, bytes);
        }
        if bytes.is_empty() {
            return;
        }
        if self.noted {
            self.make_rows();
        }
        self.unhurried = true;
        self.advance(at);
        for piece in bytes.chunks(PIECE) {
            self.append(piece);
            self.unsearched += piece.len();
            if PIECE <= self.unsearched {
                self.search_waiting();
                self.make_rows();
            }
        }
    }

    /// Lets time go on. What was noted before became known before.
    fn advance(&mut self, at: SessionTime) {
        if at <= self.now {
            return;
        }
        if self.noted && !self.unhurried {
            for (rows, filling) in self.batch.kinds.iter_mut().zip(&self.filling) {
                rows.known_at.resize(usize::try_from(filling.rows).unwrap_or(usize::MAX), self.now);
            }
        }
        self.now = at;
        self.answer_until = at + ANSWER_WAIT;
    }

    /// Lets time go on to bytes that were read at `at`, and looks at what a silence in front of them tells.
    fn hear_silence(&mut self, at: SessionTime) {
        let silence = at.since(self.now);
        self.advance(at);
        if self.buffered() > 0 && self.protocol.idle.is_some_and(|idle| idle <= silence) {
            self.look_behind();
        }
    }

    /// Keeps the time of so many new bytes.
    fn stamp(&mut self, bytes: usize) {
        let end = self.received() + bytes as u64;
        match self.stamps.back_mut() {
            Some((last_end, last_at)) if *last_at == self.now => *last_end = end,
            _ => self.stamps.push_back((end, self.now)),
        }
    }

    fn append(&mut self, bytes: &[u8]) {
        self.stamp(bytes.len());
        self.buffer.extend_from_slice(bytes);
    }

    /// Searches what waits, whether or not it was searched before, and on behind it. Only what waits then is kept: the
    /// rest is searched where it lies. No frame may be noted.
    fn take_in(&mut self, mut piece: &[u8]) {
        let mut least = LEAST_BRIDGE;
        while 0 < self.buffered() && !piece.is_empty() {
            // What waits needs some of the new bytes, which are then looked at where they were before.
            let waited = self.buffer.len();
            let wanted = match self.protocol.wrapping {
                None => self.needed.saturating_sub(self.buffered()).max(least),
                Some(_) => piece.len(),
            };
            let (part, behind) = piece.split_at(wanted.min(piece.len()));
            self.buffer.extend_from_slice(part);
            self.search_waiting();
            self.read_waiting();
            match self.head.checked_sub(waited).and_then(|settled| piece.get(settled..)) {
                Some(rest) => {
                    self.forget_front();
                    self.buffer.clear();
                    piece = rest;
                }
                None => piece = behind,
            }
            least = least.saturating_mul(2);
        }
        if piece.is_empty() {
            return;
        }
        self.forget_front();
        self.search(piece, false);
        self.read_blocks(piece);
        let settled = std::mem::take(&mut self.head);
        self.before = before(piece, settled, self.before);
        self.base += settled as u64;
        self.buffer.extend_from_slice(piece.get(settled..).unwrap_or_default());
    }

    /// Searches the bytes that were kept. Frames may be noted then: the bytes must stay until their rows are made.
    fn search_waiting(&mut self) {
        self.unsearched = 0;
        self.search_buffer(false);
    }

    fn search_buffer(&mut self, over: bool) {
        let buffer = std::mem::take(&mut self.buffer);
        self.search(&buffer, over);
        self.buffer = buffer;
    }

    /// Makes rows of all frames that were noted among the bytes that were kept, which may go then.
    fn make_rows(&mut self) {
        self.read_waiting();
        self.forget_settled();
    }

    fn read_waiting(&mut self) {
        let buffer = std::mem::take(&mut self.buffer);
        self.read_blocks(&buffer);
        self.buffer = buffer;
    }

    /// Makes rows of all frames that were noted.
    fn read_blocks(&mut self, stream: &[u8]) {
        if std::mem::take(&mut self.noted) {
            let plan = Arc::clone(&self.plan);
            for candidate in 0..plan.candidates.len() {
                self.read_block(&plan, candidate, stream);
            }
        }
    }

    /// Ends the stream here: a frame that is not complete is given up, and bytes behind its first one are searched.
    ///
    /// Used at the end, where a connection was lost, and after each datagram. More bytes may follow.
    pub fn finish(&mut self, at: SessionTime) {
        if 0 < self.unsearched {
            self.search_waiting();
        }
        self.advance(at);
        self.search_buffer(true);
        self.report_skipped();
        self.make_rows();
        self.before = None;
    }

    /// The rows and rejections since the last call; `None` if there are none.
    pub fn take(&mut self) -> Option<Batch> {
        let mut batch = Batch::default();
        self.take_into(&mut batch).then_some(batch)
    }

    /// Puts the rows and rejections since the last call in place of what is in the batch; false if there are none.
    ///
    /// Who takes many batches gives back each time the one before, whose memory is then used again.
    pub fn take_into(&mut self, batch: &mut Batch) -> bool {
        batch.clear();
        if self.batch.order.is_empty() {
            return false;
        }
        self.make_rows();
        // One of another decoder is of no use.
        if !self.shape_is_that_of(batch) {
            *batch = empty_batch(&self.protocol);
        }
        std::mem::swap(batch, &mut self.batch);
        self.filling.iter_mut().for_each(|filling| filling.rows = 0);
        true
    }

    fn shape_is_that_of(&self, batch: &Batch) -> bool {
        let same = |(one, other): (&Column, &Column)| {
            std::mem::discriminant(one.values()) == std::mem::discriminant(other.values())
        };
        let alike = |(one, other): (&Rows, &Rows)| {
            one.columns.len() == other.columns.len() && one.columns.iter().zip(&other.columns).all(same)
        };
        self.batch.kinds.len() == batch.kinds.len() && self.batch.kinds.iter().zip(&batch.kinds).all(alike)
    }

    /// How many rows and rejections wait to be taken.
    pub fn waiting(&self) -> usize {
        self.batch.order.len()
    }

    /// Searches the bytes, which begin at `base` in the stream, from `head` on.
    fn search(&mut self, bytes: &[u8], over: bool) {
        let protocol = Arc::clone(&self.protocol);
        self.ahead.clear();
        match protocol.wrapping {
            None => self.search_stream(&protocol, bytes, over),
            Some(wrapping) => self.search_packets(&protocol, bytes, wrapping, over),
        }
    }

    fn search_stream(&mut self, protocol: &Protocol, stream: &[u8], over: bool) {
        let mut cut_reported = false;
        if self.needed <= stream.len() - self.head {
            self.search_by_plan(stream);
        }
        while let Some(first) = stream.get(self.head).copied() {
            if !self.can_start.get(usize::from(first)).copied().unwrap_or(true) {
                self.skip(1);
                continue;
            }
            let bytes = stream.get(self.head..).unwrap_or(&[]);
            let available = bytes.len();
            if available < self.needed && !over {
                return;
            }
            match look(self.context(protocol, false, over), bytes, before(stream, self.head, self.before)) {
                Look::Wait(bytes) => {
                    self.needed = bytes;
                    return;
                }
                Look::Row { length, message, cells, .. } => {
                    if let Some(filling) = self.filling.get(message).copied() {
                        let plan = Arc::clone(&self.plan);
                        self.read_block(&plan, filling.candidate, stream);
                    }
                    self.take_row(message, length, cells);
                }
                Look::Passed { length, reason } => self.pass_over(length, reason),
                Look::Nothing(refused) => {
                    if let Some((length, reason)) = refused {
                        // What the end of the stream cuts is said once, not for each place inside.
                        let at_end = over && reason == Reason::Cut && length == available;
                        if !(at_end && std::mem::replace(&mut cut_reported, true)) {
                            let start = self.base + self.head as u64;
                            self.reject(start, start + length as u64, reason);
                        }
                    }
                    self.skip(1);
                }
            }
            self.search_by_plan(stream);
        }
    }

    /// Takes what the plan can tell, from `head` on to the first place where it can't.
    fn search_by_plan(&mut self, stream: &[u8]) {
        if let Some(lines) = self.lines.clone() {
            return self.search_lines(&lines, stream);
        }
        let plan = Arc::clone(&self.plan);
        if plan.candidates.is_empty() {
            return;
        }
        let from = self.head;
        let fast = self.way == Way::Fastest;
        let ahead = fast && plan.looks_ahead;
        plan.run(fast, Taking { decoder: self, plan: &plan, stream, ahead });
        if from < self.head {
            self.settle(0);
        }
    }

    /// Takes what the plan of text lines can tell.
    fn search_lines(&mut self, plan: &LinePlan, stream: &[u8]) {
        loop {
            let bytes = stream.get(self.head..).unwrap_or_default();
            if let Some(line) = plan.take(bytes, &mut self.values) {
                let values = std::mem::take(&mut self.values);
                self.append_row(line.message, line.length, |rows| line_plan::append(rows, &values));
                self.values = values;
                continue;
            }
            let bytes = plan.skippable(bytes);
            if bytes == 0 {
                return;
            }
            self.skip_many(bytes);
        }
    }

    /// Skips bytes as if one by one.
    fn skip_many(&mut self, mut bytes: usize) {
        while 0 < bytes {
            let start = self.base + self.head as u64;
            let left = LONGEST_SKIP - (start - self.skipped_from.unwrap_or(start)).min(LONGEST_SKIP - 1);
            let step = usize::try_from(left).unwrap_or(bytes).min(bytes);
            self.skip(step);
            bytes -= step;
        }
    }

    /// Notes frames at `head` that the plan has taken; their columns are read later, with others.
    #[inline(always)]
    fn note(&mut self, plan: &Plan, taken: Taken, stream: &[u8]) {
        let Some(candidate) = plan.candidates.get(taken.candidate) else { return };
        let message = candidate.message;
        if self.skipped_from.is_some() {
            self.report_skipped();
        }
        let Some(filling) = self.filling.get_mut(message) else { return };
        let before = std::mem::replace(&mut filling.candidate, taken.candidate);
        let first = filling.rows;
        let rows = first.saturating_add(u32::try_from(taken.frames).unwrap_or(u32::MAX));
        filling.rows = rows;
        if before != taken.candidate {
            self.read_block(plan, before, stream);
        }
        let kind = u16::try_from(message).unwrap_or(u16::MAX);
        match taken.frames {
            1 => self.batch.order.push(Item::Row { kind, row: first }),
            _ => self.batch.order.extend((first..rows).map(|row| Item::Row { kind, row })),
        }
        self.noted = true;
        self.head += taken.length;
        if self.blocks.get(taken.candidate).is_some_and(|block| BLOCK <= block.count) {
            self.read_block(plan, taken.candidate, stream);
        }
        // As `heard` does it.
        if candidate.is_question {
            self.asked = Some((message, self.answer_until));
        } else if !candidate.answers.is_empty() {
            self.asked = None;
        }
    }

    /// Makes rows of the frames of one candidate that were noted.
    #[inline(never)]
    fn read_block(&mut self, plan: &Plan, index: usize, stream: &[u8]) {
        let (Some(candidate), Some(block)) = (plan.candidates.get(index), self.blocks.get_mut(index)) else { return };
        let Block { starts, count, lengths, bodies } = block;
        let rows = self.batch.kinds.get_mut(candidate.message);
        let (Some(rows), Some(used)) = (rows.filter(|_| 0 < *count), starts.get(..*count)) else { return };
        let fixed = candidate.length(candidate.body);
        let range = |start: &u32, length: usize| {
            let start = self.base + u64::from(*start);
            ByteRange { start, end: start + length as u64 }
        };
        let from = rows.bytes.len();
        match candidate.is_cut() {
            true => rows.bytes.extend(used.iter().zip(lengths.iter()).map(|(start, length)| range(start, *length))),
            false => rows.bytes.extend(used.iter().map(|start| range(start, fixed))),
        }
        let added = rows.bytes.get(from..).unwrap_or_default();
        let at = |range: Option<&ByteRange>| range.map_or(self.now, |range| time_at(&self.stamps, range.end, self.now));
        let (first, last) = (at(added.first()), at(added.last()));
        match first == last {
            true => rows.at.resize(from + *count, first),
            false => rows.at.extend(times_at(&self.stamps, added, self.now)),
        }
        match self.unhurried {
            true => rows.known_at.extend_from_slice(rows.at.get(from..).unwrap_or_default()),
            // Those that were noted before time went on have theirs: see `advance`.
            false => rows.known_at.resize(from + *count, self.now),
        }
        let bytes = if candidate.is_cut() {
            for (row, start) in starts.iter_mut().enumerate() {
                *start = u32::try_from(row.min(*count - 1) * candidate.body).unwrap_or(u32::MAX);
            }
            bodies.as_slice()
        } else {
            let last = starts.get(*count - 1).copied().unwrap_or(0);
            starts.iter_mut().skip(*count).take(LANES).for_each(|start| *start = last);
            stream
        };
        let starts = starts.get(..count.next_multiple_of(LANES)).unwrap_or_default();
        let fast = self.way == Way::Fastest;
        candidate.reading.append(bytes, (starts, *count), fast, &mut rows.columns, &mut self.scratch);
        block.clear();
    }

    /// The message that asked last, if its answer may still come.
    fn asked_now(&self) -> Option<usize> {
        asked_at(self.asked, self.now)
    }

    /// Packets end with a byte that stands nowhere else. One end byte behind another is filling and belongs to nothing.
    fn search_packets(&mut self, protocol: &Protocol, stream: &[u8], wrapping: Wrapping, over: bool) {
        let longest = wrapping.longest(protocol.longest_frame());
        let mut packet = Vec::new();
        loop {
            let line = stream.get(self.head..).unwrap_or(&[]);
            let line = line.get(..longest).unwrap_or(line);
            let end = line.iter().skip(self.endless).position(|byte| wrapping.ends(*byte));
            let Some(end) = end.map(|end| end + self.endless) else {
                let length = line.len();
                if length == longest {
                    if std::mem::replace(&mut self.overlong, true) {
                        self.skip(length);
                    } else {
                        self.refuse_packet(length, Reason::SizeNotAllowed { size: length as u64 });
                    }
                    continue;
                }
                self.endless = length;
                if over && 0 < length {
                    self.refuse_packet(length, Reason::Cut);
                }
                self.overlong &= !over;
                return;
            };
            let length = end + 1;
            let line = line.get(..length).unwrap_or(line);
            if std::mem::take(&mut self.overlong) {
                self.skip(length);
                continue;
            }
            if wrapping.unwrap(line, &mut packet).is_none() {
                self.refuse_packet(length, Reason::BadStuffing);
                continue;
            }
            if packet.is_empty() {
                self.settle(length);
                continue;
            }
            match look(self.context(protocol, true, true), &packet, None) {
                Look::Row { message, cells, .. } => self.take_row(message, length, cells),
                Look::Passed { reason, .. } => self.pass_over(length, reason),
                Look::Nothing(Some((_, reason))) => self.refuse_packet(length, reason),
                Look::Nothing(None) | Look::Wait(_) => self.refuse_packet(length, Reason::UnknownId),
            }
        }
    }

    fn context<'p>(&'p self, protocol: &'p Protocol, packet: bool, over: bool) -> Context<'p> {
        Context { protocol, packet, over, asked: self.asked_now(), can_start: &self.can_start, inside: false }
    }

    /// A silence hints at the end of a frame: where sound frames follow each other up to it, what waits in front of
    /// them is a false start and is given up. Where there are none, nothing changes.
    fn look_behind(&mut self) {
        let protocol = Arc::clone(&self.protocol);
        let new = self.received() - self.looked_behind;
        if protocol.wrapping.is_some() || new * WAITING_FOR_EACH_NEW < self.buffered() as u64 {
            return;
        }
        self.looked_behind = self.received();
        let end = self.buffer.len();
        let first = (self.head + 1).max(end.saturating_sub(LONGEST_LOOK_BEHIND));
        let context = self.context(&protocol, false, false);
        // From which places on sound frames follow each other up to the silence, itself included.
        let mut reaches = vec![false; (end + 1).saturating_sub(first)];
        if let Some(last) = reaches.last_mut() {
            *last = true;
        }
        let mut earliest = end;
        for at in (first..end).rev() {
            let bytes = self.buffer.get(at..).unwrap_or(&[]);
            if !context.may_start(bytes.first()) {
                continue;
            }
            let before = self.buffer.get(at - 1).copied();
            let Some(length) = look(context, bytes, before).proven() else { continue };
            if reaches.get(at + length - first).copied().unwrap_or(false) {
                if let Some(flag) = reaches.get_mut(at - first) {
                    *flag = true;
                }
                earliest = at;
            }
        }
        while earliest < end && self.head < earliest {
            self.skip(1);
            self.search_buffer(false);
        }
    }

    /// Makes a row of the frame at `head`.
    fn take_row(&mut self, message: usize, length: usize, cells: Vec<Cell>) {
        self.append_row(message, length, |rows| {
            for (column, cell) in rows.columns.iter_mut().zip(cells) {
                match cell {
                    Some(value) => column.push(value),
                    None => column.push_left_out(),
                }
            }
        });
    }

    fn append_row(&mut self, message: usize, length: usize, append: impl FnOnce(&mut Rows)) {
        let start = self.base + self.head as u64;
        let range = ByteRange { start, end: start + length as u64 };
        self.report_skipped();
        let at = self.time_of(range.end);
        if let Some(rows) = self.batch.kinds.get_mut(message) {
            append(rows);
            rows.at.push(at);
            rows.known_at.push(if self.unhurried { at } else { self.now });
            rows.bytes.push(range);
            let row = u32::try_from(rows.at.len() - 1).unwrap_or(u32::MAX);
            if let Some(filling) = self.filling.get_mut(message) {
                filling.rows = row.saturating_add(1);
            }
            self.batch.order.push(Item::Row { kind: u16::try_from(message).unwrap_or(u16::MAX), row });
        }
        self.settle(length);
        self.heard(message);
    }

    fn pass_over(&mut self, length: usize, reason: Reason) {
        let start = self.base + self.head as u64;
        self.report_skipped();
        self.reject(start, start + length as u64, reason);
        self.settle(length);
        // It may have been another question: the next answer may be its.
        self.asked = None;
    }

    fn refuse_packet(&mut self, length: usize, reason: Reason) {
        let start = self.base + self.head as u64;
        self.reject(start, start + length as u64, reason);
        self.skip(length);
    }

    /// A question opens the way for its answer, an answer closes it.
    fn heard(&mut self, message: usize) {
        let Some(heard) = self.protocol.messages.get(message) else { return };
        if heard.is_question {
            self.asked = Some((message, self.answer_until));
        } else if !heard.answers.is_empty() {
            self.asked = None;
        }
    }

    /// This program sent a question itself: its answer may follow.
    pub fn sent(&mut self, at: SessionTime, bytes: &[u8]) {
        self.advance(at);
        let mut own = Self::by_plan(Arc::clone(&self.protocol), self.way, Arc::clone(&self.plan), self.lines.clone());
        own.push(self.now, bytes);
        own.finish(self.now);
        if let Some(asked) = own.asked {
            self.asked = Some(asked);
        }
    }

    /// The time of the read that brought the byte in front of `end`.
    fn time_of(&self, end: u64) -> SessionTime {
        time_at(&self.stamps, end, self.now)
    }

    fn skip(&mut self, bytes: usize) {
        let start = self.base + self.head as u64;
        let from = *self.skipped_from.get_or_insert(start);
        self.settle(bytes);
        let run = start + bytes as u64 - from;
        if self.lost_question <= run {
            self.asked = None;
        }
        if LONGEST_SKIP <= run {
            self.report_skipped();
        }
    }

    fn settle(&mut self, bytes: usize) {
        self.head += bytes;
        self.needed = 0;
        self.endless = 0;
    }

    #[inline(never)]
    fn report_skipped(&mut self) {
        if let Some(from) = self.skipped_from.take() {
            let end = self.base + self.head as u64;
            self.reject(from, end, Reason::Skipped);
        }
    }

    fn reject(&mut self, start: u64, end: u64, reason: Reason) {
        let index = u32::try_from(self.batch.rejected.len()).unwrap_or(u32::MAX);
        let known_at = if self.unhurried { self.time_of(end) } else { self.now };
        self.batch.rejected.push(Rejected { known_at, bytes: ByteRange { start, end }, reason });
        self.batch.order.push(Item::Rejected(index));
    }

    /// Lets go of the bytes in front of `head`.
    fn forget_front(&mut self) {
        self.before = before(&self.buffer, self.head, self.before);
        self.buffer.drain(..self.head);
        self.base += self.head as u64;
        self.head = 0;
    }

    fn forget_settled(&mut self) {
        // Moving what is left to the front at every push would cost as much as decoding for small pieces.
        if self.head == self.buffer.len() || self.head >= 4096 {
            self.forget_front();
        }
        // The time of the last byte stays: a run of bytes that are no frame may end with it and not be reported yet.
        let settled = self.base + self.head as u64;
        while self.stamps.front().is_some_and(|(end, _)| *end < settled) {
            self.stamps.pop_front();
        }
    }
}

/// The search by the plan, from `head` on to the first place where it can't tell.
struct Taking<'d> {
    decoder: &'d mut Decoder,
    plan: &'d Plan,
    stream: &'d [u8],
    /// Whether frames further on are looked for.
    ahead: bool,
}

impl CheckLoop for Taking<'_> {
    #[inline(always)]
    fn run(self, check: impl Fn(&Ready, &[u8]) -> u64) {
        let Self { decoder, plan, stream, ahead: looks_ahead } = self;
        loop {
            let Decoder { head, blocks, now, asked, ahead, .. } = &mut *decoder;
            if looks_ahead && let Some(known) = ahead.take(plan, stream, *head, blocks) {
                match known {
                    Known::Frames(taken) => decoder.note(plan, taken, stream),
                    Known::Gap(bytes) => decoder.skip_many(bytes),
                }
                continue;
            }
            let asked = || asked_at(*asked, *now);
            if let Some(taken) = plan.take(stream, *head, asked, blocks, &check) {
                decoder.note(plan, taken, stream);
                continue;
            }
            let bytes = plan.skippable(stream.get(*head..).unwrap_or_default());
            if bytes == 0 {
                return;
            }
            decoder.skip_many(bytes);
        }
    }
}

/// The byte in front of place `at`; `first` is that in front of all.
fn before(bytes: &[u8], at: usize, first: Option<u8>) -> Option<u8> {
    at.checked_sub(1).map_or(first, |last| bytes.get(last).copied())
}

/// The message that asked last, if its answer may still come.
fn asked_at(asked: Option<(usize, SessionTime)>, now: SessionTime) -> Option<usize> {
    asked.filter(|(_, until)| now <= *until).map(|(message, _)| message)
}

/// The time of the read that brought the byte in front of `end`.
fn time_at(stamps: &VecDeque<(u64, SessionTime)>, end: u64, now: SessionTime) -> SessionTime {
    let index = stamps.partition_point(|(stamp_end, _)| *stamp_end < end);
    stamps.get(index).map_or(now, |(_, at)| *at)
}

/// The same for the ends of many ranges, each behind the one before.
fn times_at<'r>(
    stamps: &'r VecDeque<(u64, SessionTime)>,
    ranges: &'r [ByteRange],
    now: SessionTime,
) -> impl Iterator<Item = SessionTime> + 'r {
    let first = ranges.first().map_or(0, |range| range.end);
    let mut index = stamps.partition_point(|(stamp_end, _)| *stamp_end < first);
    ranges.iter().map(move |range| {
        while stamps.get(index).is_some_and(|(stamp_end, _)| *stamp_end < range.end) {
            index += 1;
        }
        stamps.get(index).map_or(now, |(_, at)| *at)
    })
}

fn empty_batch(protocol: &Protocol) -> Batch {
    let kinds = protocol
        .messages
        .iter()
        .map(|message| {
            let mut columns = vec![Column::new(Values::U8(Vec::new())); message.column_count];
            for field in &message.fields {
                let Some(first) = field.first_column else { continue };
                for column in columns.iter_mut().skip(first).take(field.places) {
                    *column = Column::new(match (field.bits, field.number) {
                        (None, Number::Float { .. }) => Values::F64(Vec::new()),
                        (None, Number::HexDigits) => Values::for_integers(64, false),
                        (None, Number::Digits { .. } | Number::Word) => Values::for_integers(64, true),
                        _ => {
                            let (low, _) = field.range();
                            // A sum of parts can be wider than each.
                            let wide = matches!(field.source, FieldSource::SumOf(_));
                            Values::for_integers(if wide { 64 } else { field.storage_bits() }, low < 0 || wide)
                        }
                    });
                }
            }
            Rows { columns, ..Rows::default() }
        })
        .collect();
    Batch { kinds, ..Batch::default() }
}
