//! A stretch of bytes cut into what it holds: frames, and what is none with the reason.
//!
//! It is the [`Decoder`] that says what lies where: what is shown is what was judged. The parts of a frame are read for
//! the one that is looked at.

mod parts;

use std::sync::Arc;

use model::{Batch, ByteRange, Item, Reason, Rejected, SessionTime};

use crate::decoder::Decoder;
use crate::protocol::Protocol;
use crate::unwrap::Wrapping;

pub use parts::{Meant, Part, Role, Sent};

/// Bytes without a frame are one span up to so many.
const LONGEST_SPAN: u64 = 4096;

/// A stretch of the stream, cut into spans that follow each other.
#[derive(Clone, Debug)]
pub struct Dissection {
    protocol: Arc<Protocol>,
    from: u64,
    bytes: Vec<u8>,
    spans: Vec<Span>,
}

/// Bytes that belong together.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Span {
    /// Where they stand in the stream.
    pub bytes: ByteRange,
    /// When the last of them came.
    pub at: SessionTime,
    /// What they are.
    pub what: What,
}

/// What bytes are.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum What {
    /// A frame that gave a row of this message kind, an index into the layout's kinds.
    Frame {
        /// The message kind.
        kind: usize,
    },
    /// A frame that was passed over as a whole.
    Passed(Reason),
    /// No frame. What seemed to begin in it, and why that was none; empty where nothing did. What seemed to begin can
    /// reach further than these bytes: a sound frame may have begun inside.
    NoFrame(Vec<Rejected>),
    /// End bytes between two packets.
    Between,
    /// A frame may begin here: what follows has not come.
    Unfinished,
}

/// Cuts bytes that followed each other without a pause, and behind which more may come.
///
/// `at_stream` is where the first of them stands in the stream; a frame must begin there.
pub fn dissect(protocol: &Arc<Protocol>, bytes: &[u8], at_stream: u64) -> Dissection {
    let window = ByteRange { start: at_stream, end: at_stream + bytes.len() as u64 };
    let mut dissector = Dissector::new(Arc::clone(protocol), window, at_stream);
    dissector.push(SessionTime::ZERO, bytes, &mut |_| {});
    dissector.dissection()
}

/// Goes along a stream and cuts a window of it.
///
/// It needs as much memory as the window, however long the stream is.
#[derive(Debug)]
pub struct Dissector {
    decoder: Decoder,
    window: ByteRange,
    /// Frames at the edges of the window are kept whole.
    lead: u64,
    /// Where in the stream the decoder's first byte stands.
    base: u64,
    kept_from: u64,
    kept: Vec<u8>,
    /// One past the last byte of each read, and its time.
    stamps: Vec<(u64, SessionTime)>,
    /// Frames and what was passed over, in the order of the stream.
    whole: Vec<Span>,
    /// What seemed to begin and was none.
    tried: Vec<Rejected>,
    batch: Batch,
}

impl Dissector {
    /// At byte `from` of a stream, where a frame must begin; it keeps what lies in the window.
    pub fn new(protocol: Arc<Protocol>, window: ByteRange, from: u64) -> Self {
        let longest = protocol.longest_frame();
        let lead = protocol.wrapping.map_or(longest, |wrapping| wrapping.longest(longest)) as u64;
        Self {
            kept_from: window.start.saturating_sub(lead).max(from),
            decoder: Decoder::new(protocol),
            window,
            lead,
            base: from,
            kept: Vec::new(),
            stamps: Vec::new(),
            whole: Vec::new(),
            tried: Vec::new(),
            batch: Batch::default(),
        }
    }

    /// Takes bytes of the stream, and shows what they decode to, whether or not it lies in the window.
    pub fn push(&mut self, at: SessionTime, bytes: &[u8], show: &mut dyn FnMut(&Batch)) {
        self.keep(at, bytes);
        self.decoder.push(at, bytes);
        self.take(show);
    }

    /// The stream ends here, as at the end of a datagram or where the source is lost; more may follow.
    pub fn finish(&mut self, at: SessionTime, show: &mut dyn FnMut(&Batch)) {
        self.decoder.finish(at);
        self.take(show);
    }

    /// This program sent a question.
    pub fn sent(&mut self, at: SessionTime, bytes: &[u8]) {
        self.decoder.sent(at, bytes);
    }

    /// One past the last byte that was pushed.
    pub fn received(&self) -> u64 {
        self.base + self.decoder.received()
    }

    /// Whether everything in the window is known: nothing that follows changes it.
    pub fn is_done(&self) -> bool {
        let settled = self.received() - self.decoder.buffered() as u64;
        self.window.end <= settled
    }

    fn keep(&mut self, at: SessionTime, bytes: &[u8]) {
        let start = self.received();
        let end = start + bytes.len() as u64;
        let to = self.window.end.saturating_add(self.lead);
        let index = |place: u64| usize::try_from(place.clamp(start, end) - start).unwrap_or(usize::MAX);
        let kept = bytes.get(index(self.kept_from)..index(to)).unwrap_or_default();
        if kept.is_empty() {
            return;
        }
        self.kept.extend_from_slice(kept);
        match self.stamps.last_mut() {
            Some((last, stamp)) if *stamp == at => *last = end,
            _ => self.stamps.push((end, at)),
        }
    }

    fn take(&mut self, show: &mut dyn FnMut(&Batch)) {
        let mut batch = std::mem::take(&mut self.batch);
        while self.decoder.take_into(&mut batch) {
            show(&batch);
            for item in &batch.order {
                self.note(&batch, *item);
            }
        }
        self.batch = batch;
    }

    fn note(&mut self, batch: &Batch, item: Item) {
        let base = self.base;
        let moved = |bytes: ByteRange| ByteRange { start: base + bytes.start, end: base + bytes.end };
        let inside = |bytes: ByteRange| self.kept_from < bytes.end && bytes.start < self.window.end;
        match item {
            Item::Row { kind, row } => {
                let (kind, row) = (usize::from(kind), row as usize);
                let Some(rows) = batch.kinds.get(kind) else { return };
                let (Some(bytes), Some(at)) = (rows.bytes.get(row), rows.at.get(row)) else { return };
                let bytes = moved(*bytes);
                if inside(bytes) {
                    self.whole.push(Span { bytes, at: *at, what: What::Frame { kind } });
                }
            }
            Item::Rejected(index) => {
                let Some(rejected) = batch.rejected.get(index as usize) else { return };
                let bytes = moved(rejected.bytes);
                if !inside(bytes) {
                    return;
                }
                match rejected.reason {
                    Reason::UnknownMessage | Reason::Unpaired | Reason::Unverified => {
                        let at = self.time_of(bytes.end);
                        self.whole.push(Span { bytes, at, what: What::Passed(rejected.reason.clone()) });
                    }
                    // What lies between is that by itself.
                    Reason::Skipped => {}
                    _ => self.tried.push(Rejected { bytes, ..rejected.clone() }),
                }
            }
        }
    }

    /// The time of the read that brought the byte in front of `end`.
    fn time_of(&self, end: u64) -> SessionTime {
        let index = self.stamps.partition_point(|(stamp_end, _)| *stamp_end < end);
        self.stamps.get(index).or(self.stamps.last()).map_or(SessionTime::ZERO, |(_, at)| *at)
    }

    /// The window as far as it is known.
    pub fn dissection(&self) -> Dissection {
        let received = self.received();
        let settled = received - self.decoder.buffered() as u64;
        let kept_to = self.kept_from + self.kept.len() as u64;
        let end = settled.min(kept_to);
        let mut spans = Vec::new();
        let mut from = self.kept_from;
        let mut tried = self.tried.as_slice();
        for whole in &self.whole {
            self.cut_gap(from, whole.bytes.start.min(end), &mut tried, &mut spans);
            spans.push(whole.clone());
            from = from.max(whole.bytes.end);
        }
        self.cut_gap(from, end, &mut tried, &mut spans);
        if settled < received {
            let bytes = ByteRange { start: settled.max(from), end: received };
            spans.push(Span { bytes, at: self.time_of(received), what: What::Unfinished });
        }
        spans.retain(|span| self.window.start < span.bytes.end && span.bytes.start < self.window.end);
        Dissection {
            protocol: Arc::clone(self.decoder.protocol()),
            from: self.kept_from,
            bytes: self.kept.clone(),
            spans,
        }
    }

    /// Cuts what lies between two frames at what seemed to begin there.
    fn cut_gap(&self, from: u64, to: u64, tried: &mut &[Rejected], spans: &mut Vec<Span>) {
        let mut at = from;
        // Up to where what seemed to begin reaches.
        let mut reach = from;
        let mut here: Vec<Rejected> = Vec::new();
        while let Some((next, rest)) = tried.split_first().filter(|(next, _)| next.bytes.start < to) {
            *tried = rest;
            // It began in front of what is kept.
            if next.bytes.start < from {
                continue;
            }
            if reach <= next.bytes.start {
                self.no_frame(at, reach, std::mem::take(&mut here), spans);
                self.no_frame(reach, next.bytes.start, Vec::new(), spans);
                at = next.bytes.start;
            }
            reach = reach.max(next.bytes.end.min(to));
            here.push(next.clone());
        }
        self.no_frame(at, reach, here, spans);
        self.no_frame(reach, to, Vec::new(), spans);
    }

    fn no_frame(&self, start: u64, end: u64, tried: Vec<Rejected>, spans: &mut Vec<Span>) {
        let mut push = |bytes: ByteRange, what: What| {
            if !bytes.is_empty() {
                spans.push(Span { bytes, at: self.time_of(bytes.end), what });
            }
        };
        if !tried.is_empty() {
            push(ByteRange { start, end }, What::NoFrame(tried));
            return;
        }
        let mut from = start;
        while from < end {
            let to = end.min(from.saturating_add(LONGEST_SPAN));
            let bytes = ByteRange { start: from, end: to };
            let wrapping = self.decoder.protocol().wrapping;
            let filling =
                wrapping.is_some_and(|wrapping| wrapping.is_filling(slice(&self.kept, self.kept_from, bytes)));
            push(bytes, if filling { What::Between } else { What::NoFrame(Vec::new()) });
            from = to;
        }
    }
}

impl Dissection {
    /// The protocol that it was cut by.
    pub fn protocol(&self) -> &Arc<Protocol> {
        &self.protocol
    }

    /// Whether what goes over the line is text that can be read.
    pub fn is_text(&self) -> bool {
        let text = self.protocol.frames.iter().all(|frame| frame.shape.is_text());
        text || matches!(self.protocol.wrapping, Some(Wrapping::Hex { .. }))
    }

    /// What lies in the window, in the order of the stream. The first and the last may reach beyond it.
    pub fn spans(&self) -> &[Span] {
        &self.spans
    }

    /// The bytes of a range; fewer where they were not kept.
    pub fn bytes(&self, range: ByteRange) -> &[u8] {
        slice(&self.bytes, self.from, range)
    }

    /// The name of the message kind of a span, or of the one that it seemed to be.
    pub fn message(&self, span: &Span) -> Option<&str> {
        let kind = match &span.what {
            What::Frame { kind } => Some(*kind),
            _ => parts::message_of(self, span),
        };
        Some(self.protocol.messages.get(kind?)?.name.as_str())
    }

    /// The parts of a span in the order in which they stand there; of what is no frame, those of what seemed to begin.
    /// Empty where nothing is known of the bytes.
    pub fn parts(&self, span: &Span) -> Vec<Part> {
        parts::parts(self, span)
    }
}

fn slice(bytes: &[u8], from: u64, range: ByteRange) -> &[u8] {
    let index = |place: u64| usize::try_from(place.saturating_sub(from)).unwrap_or(usize::MAX).min(bytes.len());
    bytes.get(index(range.start)..index(range.end)).unwrap_or_default()
}
