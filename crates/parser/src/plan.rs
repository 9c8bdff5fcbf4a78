//! The compiled plan: which frames can be taken at a glance, and how.
//!
//! Most protocols send messages of a fixed form. For each of them the plan holds what tells it (start, ids, size, fixed
//! values) as a mask over the first bytes, where its checksum stands, and how its columns are read. Where such a frame
//! lies, whole and sound, it is taken; every other place is left to the general search (`look`), which decides what it
//! is. The plan must never take what the general search would not: a message is in it only where a look at the bytes
//! shows that every frame and message listed before it is ruled out.

use std::ops::Range;

use crate::block::{Reading, high_first};
use crate::checksum::Checksum;
use crate::crc_engine::CheckLoop;
use crate::gather::BLOCK;
use crate::numbers::{read, write};
use crate::protocol::{
    BinaryFrame, BinaryPart, FieldSource, Frame, IdValue, Message, Number, Place, Protocol, Shape, Times,
};

/// Bytes of the mask.
const HEAD: usize = 8;

/// What the general search need not be asked about.
#[derive(Debug)]
pub(crate) struct Plan {
    /// In the order in which they are tried.
    pub(crate) candidates: Vec<Candidate>,
    skipping: Skipping,
}

/// A message in one of its frames.
#[derive(Debug)]
pub(crate) struct Candidate {
    /// Index of the message.
    pub(crate) message: usize,
    /// Index of the frame.
    frame: usize,
    /// Bytes in front of the body.
    pub(crate) header: usize,
    /// Bytes of the body with all its parts.
    pub(crate) body: usize,
    /// Bytes behind it.
    trailer: usize,
    /// Fewer bytes from its start on do not tell that what is listed before it is ruled out.
    needs: usize,
    head: Head,
    /// Whether it needs no look at another candidate before it, and no question.
    alone: bool,
    /// Fixed bytes that the head does not hold.
    fixed: Vec<(Spot, u8)>,
    check: Option<Check>,
    /// Where zeros at the end are left out: the size that is sent.
    cut: Option<Cut>,
    /// The messages that ask for it.
    answers: Vec<usize>,
    /// How its columns are read, from the first byte of the frame on; from the body on where zeros are left out.
    pub(crate) reading: Reading,
}

/// Frames of one candidate whose columns are still to be read.
#[derive(Debug)]
pub(crate) struct Block {
    /// Where each begins in the buffer; only the first `count` are in use.
    pub(crate) starts: [u32; BLOCK],
    pub(crate) count: usize,
    /// How long each is and what stands in its body, completed with zeros: only where zeros are left out.
    pub(crate) lengths: Vec<usize>,
    pub(crate) bodies: Vec<u8>,
}

/// Frames that follow each other.
#[derive(Clone, Copy)]
pub(crate) struct Taken {
    /// Index of the candidate.
    pub(crate) candidate: usize,
    pub(crate) frames: usize,
    /// Their bytes.
    pub(crate) length: usize,
}

/// The first bytes as one number, and which of its bits are fixed.
#[derive(Clone, Copy, Debug, Default)]
struct Head {
    mask: u64,
    value: u64,
}

/// `bytes`, and the length of the body if it stands behind that.
#[derive(Clone, Copy, Debug)]
struct Spot {
    bytes: usize,
    behind_body: bool,
}

#[derive(Debug)]
struct Check {
    checksum: Checksum,
    extra: Vec<u8>,
    first: Spot,
    end: Spot,
    at: Spot,
    width: usize,
    big: bool,
}

#[derive(Debug)]
struct Cut {
    size: BinaryPart,
    plus: usize,
    least: usize,
}

/// How places at which no frame begins are passed over.
#[derive(Debug)]
enum Skipping {
    /// Every place must be looked at.
    None,
    /// To this byte.
    One(u8),
    /// To these two bytes.
    Two(u8, u8),
}

impl Plan {
    /// A plan that leaves all to the general search.
    pub(crate) fn nothing() -> Self {
        Self { candidates: Vec::new(), skipping: Skipping::None }
    }

    pub(crate) fn new(protocol: &Protocol) -> Self {
        let mut plan = Self { candidates: Vec::new(), skipping: skipping(protocol) };
        if protocol.wrapping.is_some() {
            return Self::nothing();
        }
        for (index, frame) in protocol.frames.iter().enumerate() {
            let Shape::Binary(shape) = &frame.shape else { continue };
            for (nth, message_index) in frame.messages.iter().enumerate() {
                let candidate = protocol.messages.get(*message_index).and_then(|message| {
                    let mut candidate = candidate(frame, shape, message)?;
                    (candidate.frame, candidate.message) = (index, *message_index);
                    candidate.needs = plan.needs(protocol, &candidate, nth)?;
                    candidate.alone = candidate.answers.is_empty()
                        && !message.is_question
                        && plan.candidates.iter().all(|before| before.head.excludes(candidate.head));
                    Some(candidate)
                });
                plan.candidates.extend(candidate);
            }
        }
        plan
    }

    /// The frames that lie at `at`, if the plan can tell; they are put into the block of their candidate, as long as there
    /// is room.
    #[inline]
    pub(crate) fn take(
        &self,
        buffer: &[u8],
        at: usize,
        asked: Option<usize>,
        fast: bool,
        blocks: &mut [Block],
    ) -> Option<Taken> {
        let bytes = buffer.get(at..)?;
        let head = u64::from_le_bytes(*bytes.first_chunk::<HEAD>()?);
        for ((index, candidate), block) in self.candidates.iter().enumerate().zip(blocks) {
            if !candidate.head.fits(head) {
                continue;
            }
            if bytes.len() < candidate.needs {
                return None;
            }
            let frames = candidate.run(buffer, at, fast, block);
            if frames == 0 {
                continue;
            }
            let paired = candidate.answers.is_empty() || asked.is_some_and(|asked| candidate.answers.contains(&asked));
            if !paired {
                block.forget_last(candidate.body);
                return None;
            }
            let length = match block.lengths.last() {
                Some(length) => *length,
                None => frames * candidate.length(candidate.body),
            };
            return Some(Taken { candidate: index, frames, length });
        }
        None
    }

    /// At how many bytes from the first on no frame begins.
    pub(crate) fn skippable(&self, bytes: &[u8]) -> usize {
        match self.skipping {
            Skipping::None => 0,
            Skipping::One(first) => find_byte(bytes, first),
            Skipping::Two(first, second) => {
                let mut at = 0;
                loop {
                    at += find_byte(bytes.get(at..).unwrap_or_default(), first);
                    match bytes.get(at + 1) {
                        Some(byte) if *byte != second => at += 1,
                        _ => return at.min(bytes.len()),
                    }
                }
            }
        }
    }

    /// How many bytes tell that what is listed before a candidate is ruled out wherever it is found; `None` where they do
    /// not tell.
    fn needs(&self, protocol: &Protocol, candidate: &Candidate, nth: usize) -> Option<usize> {
        let mut needs = candidate.header + candidate.trailer + if candidate.cut.is_some() { 0 } else { candidate.body };
        // A message that is in the plan itself was tried before; one byte less, and nobody knows.
        let mut tried = |frame: usize, message: usize| {
            let same = |other: &&Candidate| (other.frame, other.message) == (frame, message) && other.cut.is_none();
            let before = self.candidates.iter().find(same)?;
            needs = needs.max(before.needs);
            Some(())
        };
        let mut rule_out = |shape: &BinaryFrame, frame: usize, messages: &[usize]| {
            messages.iter().try_for_each(|message| {
                let ids = id_bytes(shape, protocol.messages.get(*message)?);
                let other = ids.map_or(Some(Head::default()), |ids| head_of(&[], &ids))?;
                if other.excludes(candidate.head) { Some(()) } else { tried(frame, *message) }
            })
        };
        for (index, frame) in protocol.frames.iter().enumerate().take(candidate.frame) {
            match &frame.shape {
                Shape::Text(text) if head_of(&text.start, &[]).is_some_and(|head| head.excludes(candidate.head)) => {}
                Shape::Text(_) => return None,
                Shape::Binary(shape) => {
                    if head_of(&shape.start, &header_bytes(shape)?)?.excludes(candidate.head) {
                        continue;
                    }
                    if shape.size.is_some() && shape.check.is_some() {
                        return None;
                    }
                    rule_out(shape, index, &frame.messages)?;
                }
            }
        }
        let frame = protocol.frames.get(candidate.frame)?;
        let Shape::Binary(shape) = &frame.shape else { return None };
        rule_out(shape, candidate.frame, frame.messages.get(..nth)?)?;
        Some(needs)
    }
}

impl Candidate {
    pub(crate) fn is_cut(&self) -> bool {
        self.cut.is_some()
    }

    /// `None` where the size says that it is another message.
    #[inline]
    fn body_length(&self, bytes: &[u8]) -> Option<usize> {
        let Some(cut) = &self.cut else { return Some(self.body) };
        let size = read(cut.size.number, bytes, cut.size.place.resolve(self.header, 0))?.int()?;
        let body = usize::try_from(size).ok()?.checked_sub(cut.plus)?;
        (cut.least <= body && body <= self.body).then_some(body)
    }

    /// Bytes of a frame with a body of so many.
    pub(crate) fn length(&self, body: usize) -> usize {
        self.header + body + self.trailer
    }

    /// Puts the frames that follow each other from `at` on into the block, and gives their number: at most one where others
    /// must be tried at each place, or where the length is not always the same.
    fn run(&self, buffer: &[u8], at: usize, fast: bool, block: &mut Block) -> usize {
        if self.cut.is_some() {
            return usize::from(self.take_cut(buffer, at, fast, block).is_some());
        }
        let frames = Rounds::new(self, self.body, buffer, at, block).map_or(0, |rounds| self.go(fast, rounds));
        block.count += frames;
        frames
    }

    fn go(&self, fast: bool, rounds: Rounds<'_>) -> usize {
        match &self.check {
            Some(check) => check.checksum.run(fast, &check.extra, rounds),
            None => rounds.run(|_| 0),
        }
    }

    /// One frame whose zeros at the end can be left out.
    fn take_cut(&self, buffer: &[u8], at: usize, fast: bool, block: &mut Block) -> Option<()> {
        let body = self.body_length(buffer.get(at..)?)?;
        let whole = buffer.get(at..at + self.length(body))?;
        if self.go(fast, Rounds::new(self, body, buffer, at, block)?) == 0 {
            return None;
        }
        block.count += 1;
        block.lengths.push(whole.len());
        block.bodies.extend_from_slice(whole.get(self.header..self.header + body).unwrap_or_default());
        block.bodies.resize(block.count * self.body, 0);
        Some(())
    }
}

/// Frames of one candidate and one length that follow each other.
struct Rounds<'r> {
    candidate: &'r Candidate,
    buffer: &'r [u8],
    at: usize,
    starts: &'r mut [u32],
    body: usize,
    length: usize,
    /// What the checksum covers.
    covered: Range<usize>,
    /// Where the last eight bytes up to the end of the checksum begin, and how it stands in them.
    received: usize,
    shift: u32,
    big: bool,
}

impl<'r> Rounds<'r> {
    /// `None` where the checksum stands outside the frame.
    fn new(candidate: &'r Candidate, body: usize, buffer: &'r [u8], at: usize, block: &'r mut Block) -> Option<Self> {
        let length = candidate.length(body);
        let room = block.starts.get_mut(block.count..)?;
        let most = if candidate.alone && candidate.cut.is_none() { room.len() } else { 1 };
        let starts = room.get_mut(..most)?;
        u32::try_from(buffer.len()).ok()?;
        let (mut covered, mut end, mut width, mut big) = (0..0, HEAD, HEAD, false);
        if let Some(check) = &candidate.check {
            covered = check.first.resolve(body)..check.end.resolve(body);
            (end, width, big) = (check.at.resolve(body) + check.width, check.width, check.big);
        }
        let inside = covered.start <= covered.end && covered.end.max(end) <= length && (1..=HEAD).contains(&width);
        let received = end.checked_sub(HEAD).filter(|_| inside)?;
        let shift = 8 * u32::try_from(HEAD - width).ok()?;
        Some(Self { candidate, buffer, at, starts, body, length, covered, received, shift, big })
    }

    #[inline(always)]
    fn lies_at(&self, at: usize, check: impl Fn(&[u8]) -> u64) -> bool {
        let Some(whole) = self.buffer.get(at..).and_then(|rest| rest.get(..self.length)) else { return false };
        let Some(head) = whole.first_chunk() else { return false };
        if !self.candidate.head.fits(u64::from_le_bytes(*head)) {
            return false;
        }
        let body_end = self.candidate.header + self.body;
        // What the sender left out is zero.
        let fixed = |(spot, byte): &(Spot, u8)| match spot.behind_body || spot.bytes < body_end {
            true => whole.get(spot.resolve(self.body)) == Some(byte),
            false => *byte == 0,
        };
        if !self.candidate.fixed.iter().all(fixed) {
            return false;
        }
        if self.candidate.check.is_none() {
            return true;
        }
        let covered = whole.get(self.covered.clone()).unwrap_or_default();
        let Some(last) = whole.get(self.received..).and_then(|rest| rest.first_chunk()) else { return false };
        let received = match self.big {
            true => u64::from_be_bytes(*last) << self.shift >> self.shift,
            false => u64::from_le_bytes(*last) >> self.shift,
        };
        received == check(covered)
    }
}

impl CheckLoop for Rounds<'_> {
    fn length(&self) -> usize {
        self.covered.len()
    }

    #[inline(always)]
    #[expect(clippy::cast_possible_truncation, reason = "the buffer has fewer bytes: see where this is made")]
    fn run(mut self, check: impl Fn(&[u8]) -> u64) -> usize {
        let least = self.candidate.needs.max(self.length).max(HEAD);
        let Some(last) = self.buffer.len().checked_sub(least) else { return 0 };
        let starts = std::mem::take(&mut self.starts);
        let mut at = self.at;
        for (frames, start) in starts.iter_mut().enumerate() {
            if last < at || !self.lies_at(at, &check) {
                return frames;
            }
            *start = at as u32;
            at += self.length;
        }
        starts.len()
    }
}

impl Block {
    pub(crate) fn new() -> Self {
        Self { starts: [0; BLOCK], count: 0, lengths: Vec::new(), bodies: Vec::new() }
    }

    /// Takes the last frame out again; bodies are of this length.
    fn forget_last(&mut self, body: usize) {
        self.count = self.count.saturating_sub(1);
        self.lengths.pop();
        self.bodies.truncate(self.lengths.len() * body);
    }

    /// Empties it and keeps the memory.
    pub(crate) fn clear(&mut self) {
        self.count = 0;
        self.lengths.clear();
        self.bodies.clear();
    }
}

impl Spot {
    fn new(place: Place, header: usize) -> Self {
        match place {
            Place::Start(bytes) => Self { bytes, behind_body: false },
            Place::BodyEnd(bytes) => Self { bytes: header + bytes, behind_body: true },
        }
    }

    #[inline]
    fn resolve(self, body: usize) -> usize {
        self.bytes + if self.behind_body { body } else { 0 }
    }
}

impl Head {
    fn add(&mut self, at: usize, byte: u8) -> Option<()> {
        let (mask, value) = (0xFF_u64 << (8 * at), u64::from(byte) << (8 * at));
        // Two parts that want different bytes at one place: no such frame exists.
        if (self.value ^ value) & mask & self.mask != 0 {
            return None;
        }
        self.mask |= mask;
        self.value |= value;
        Some(())
    }

    #[inline]
    fn fits(self, bytes: u64) -> bool {
        bytes & self.mask == self.value
    }

    /// Whether no bytes fit both.
    fn excludes(self, other: Self) -> bool {
        (self.value ^ other.value) & self.mask & other.mask != 0
    }
}

/// Places and what stands there.
type Bytes = Vec<(Place, u8)>;

/// All that is known of a frame that carries this message; `None` where more than a mask, a length and a checksum is
/// needed to tell it.
fn candidate(frame: &Frame, shape: &BinaryFrame, message: &Message) -> Option<Candidate> {
    let header = shape.header;
    let body = full_body(message)?;
    let around = header + shape.trailer;
    let fits = message.least <= body && body <= message.most && around + body <= frame.longest;
    if !fits || around + body < HEAD {
        return None;
    }
    let mut bytes: Bytes = shape.start.iter().enumerate().map(|(at, byte)| (Place::Start(at), *byte)).collect();
    for (part, value) in &shape.constants {
        bytes.extend(bytes_of(part.number, part.place, *value)?);
    }
    bytes.extend(id_bytes(shape, message)?);
    let end = shape.trailer.checked_sub(shape.end.len())?;
    bytes.extend(shape.end.iter().enumerate().map(|(at, byte)| (Place::BodyEnd(end + at), *byte)));
    let cut = match (&shape.size, message.cut_zeros) {
        (Some(size), true) => Some(Cut { size: size.part.clone(), plus: size.plus, least: message.least }),
        (Some(size), false) => {
            let value = i128::try_from(body + size.plus).ok()?;
            bytes.extend(bytes_of(size.part.number, size.part.place, value)?);
            None
        }
        (None, false) if message.measurable && message.least == message.most => None,
        (None, _) => return None,
    };
    let constant = constant_bytes(message, header)?;
    bytes.extend(constant);
    let (mut head, mut fixed) = (Head::default(), Vec::new());
    for (place, byte) in bytes {
        match place {
            Place::Start(at) if at < HEAD && at < header + if cut.is_some() { 0 } else { body } => {
                head.add(at, byte)?
            }
            _ => fixed.push((Spot::new(place, header), byte)),
        }
    }
    let check = match &shape.check {
        None => None,
        Some(check) => {
            let Number::Int { bytes, signed: false, big } = check.part.number else { return None };
            Some(Check {
                checksum: check.checksum.clone(),
                extra: message.extra.clone(),
                first: Spot::new(check.first, header),
                end: Spot::new(check.end, header),
                at: Spot::new(check.part.place, header),
                width: bytes.into(),
                big,
            })
        }
    };
    let reading = match cut {
        Some(_) => Reading::new(message, 0, body)?,
        None => Reading::new(message, header, around + body)?,
    };
    let answers = message.answers.clone();
    let trailer = shape.trailer;
    Some(Candidate {
        message: 0,
        frame: 0,
        header,
        body,
        trailer,
        needs: 0,
        head,
        alone: false,
        fixed,
        check,
        cut,
        answers,
        reading,
    })
}

/// The length of a body with all its parts; `None` where it depends on the frame.
fn full_body(message: &Message) -> Option<usize> {
    message.fields.iter().try_fold(0, |sum, field| match (&field.source, field.times) {
        (FieldSource::Body, Times::Fixed(times)) => Some(sum + field.number.width() * times),
        (FieldSource::Of(_), _) => Some(sum),
        _ => None,
    })
}

/// The bytes of body parts that must have a fixed value.
fn constant_bytes(message: &Message, header: usize) -> Option<Bytes> {
    let (mut bytes, mut at) = (Vec::new(), header);
    for field in &message.fields {
        let times = match (&field.source, field.times) {
            (FieldSource::Body, Times::Fixed(times)) => times,
            _ if field.equals.is_some() => return None,
            _ => continue,
        };
        high_first(field.number)?;
        if let Some(value) = field.equals {
            if field.bits.is_some() {
                return None;
            }
            for repeat in 0..times {
                bytes.extend(bytes_of(field.number, Place::Start(at + repeat * field.number.width()), value)?);
            }
        }
        at += field.number.width() * times;
    }
    Some(bytes)
}

/// The bytes of the ids that tell this message.
fn id_bytes(shape: &BinaryFrame, message: &Message) -> Option<Bytes> {
    let mut bytes = Vec::new();
    for part in &shape.ids {
        match message.ids.iter().find(|(name, _)| *name == part.name) {
            None => {}
            Some((_, IdValue::Number(value))) => bytes.extend(bytes_of(part.number, part.place, *value)?),
            Some((_, IdValue::Word(_))) => return None,
        }
    }
    Some(bytes)
}

/// The bytes of parts with a fixed value that stand in the header.
fn header_bytes(shape: &BinaryFrame) -> Option<Bytes> {
    let mut bytes = Vec::new();
    for (part, value) in &shape.constants {
        if let Place::Start(at) = part.place
            && at + part.number.width() <= shape.header
        {
            bytes.extend(bytes_of(part.number, part.place, *value)?);
        }
    }
    Some(bytes)
}

/// The only bytes that are this number.
fn bytes_of(number: Number, place: Place, value: i128) -> Option<Bytes> {
    if !matches!(number, Number::Int { .. }) {
        return None;
    }
    let mut bytes = vec![0; number.width()];
    write(number, model::Raw::Int(value), &mut bytes, 0);
    if read(number, &bytes, 0)?.int() != Some(value) {
        return None;
    }
    let at = |index: usize| match place {
        Place::Start(at) => Place::Start(at + index),
        Place::BodyEnd(at) => Place::BodyEnd(at + index),
    };
    Some(bytes.into_iter().enumerate().map(|(index, byte)| (at(index), byte)).collect())
}

/// Start bytes and others as far as the head reaches.
fn head_of(start: &[u8], others: &[(Place, u8)]) -> Option<Head> {
    let mut head = Head::default();
    for (at, byte) in start.iter().enumerate().take(HEAD) {
        head.add(at, *byte)?;
    }
    for (place, byte) in others {
        if let Place::Start(at) = *place
            && at < HEAD
        {
            head.add(at, *byte)?;
        }
    }
    Some(head)
}

fn skipping(protocol: &Protocol) -> Skipping {
    let starts = protocol.frames.iter().map(|frame| match &frame.shape {
        Shape::Binary(shape) => shape.start.as_slice(),
        Shape::Text(shape) => shape.start.as_slice(),
    });
    let common = starts.reduce(|common, start| {
        let same = common.iter().zip(start).take_while(|(one, other)| one == other).count();
        common.get(..same).unwrap_or_default()
    });
    match common.unwrap_or_default() {
        [] => Skipping::None,
        [first] => Skipping::One(*first),
        [first, second, ..] => Skipping::Two(*first, *second),
    }
}

/// Where the byte stands first; the length if nowhere. Eight bytes at a time.
pub(crate) fn find_byte(bytes: &[u8], wanted: u8) -> usize {
    const LOWEST: u64 = u64::from_ne_bytes([0x01; 8]);
    const HIGHEST: u64 = u64::from_ne_bytes([0x80; 8]);
    let (words, rest) = bytes.as_chunks::<8>();
    let pattern = LOWEST.wrapping_mul(wanted.into());
    for (index, word) in words.iter().enumerate() {
        let differs = u64::from_le_bytes(*word) ^ pattern;
        // The lowest bit that is set here stands in the first byte that is zero.
        let zero = differs.wrapping_sub(LOWEST) & !differs & HIGHEST;
        if zero != 0 {
            return 8 * index + zero.trailing_zeros() as usize / 8;
        }
    }
    8 * words.len() + rest.iter().position(|byte| *byte == wanted).unwrap_or(rest.len())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn a_byte_is_found_where_it_stands_first(bytes in prop::collection::vec(0..4_u8, 0..40), wanted in 0..5_u8) {
            let first = bytes.iter().position(|byte| *byte == wanted).unwrap_or(bytes.len());
            prop_assert_eq!(find_byte(&bytes, wanted), first);
        }

        #[test]
        fn two_bytes_are_found_where_they_can_stand(bytes in prop::collection::vec(0..3_u8, 0..40)) {
            let plan = Plan { candidates: Vec::new(), skipping: Skipping::Two(1, 2) };
            let can = |at: usize| bytes[at] == 1 && bytes.get(at + 1).is_none_or(|byte| *byte == 2);
            let first = (0..bytes.len()).find(|at| can(*at)).unwrap_or(bytes.len());
            prop_assert_eq!(plan.skippable(&bytes), first);
        }
    }
}
