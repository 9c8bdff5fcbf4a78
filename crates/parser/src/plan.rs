//! The compiled plan: which frames can be taken at a glance, and how.
//!
//! Most protocols send messages of a fixed form. For each of them the plan holds what tells it (start, ids, size, fixed
//! values) as a mask over the first bytes, where its checksum stands, and how its columns are read. Where such a frame
//! lies, whole and sound, it is taken; every other place is left to the general search (`look`), which decides what it
//! is. The plan must never take what the general search would not: a message is in it only where a look at the bytes
//! shows that every frame and message listed before it is ruled out.

use crate::ahead::Run;
use crate::block::{Reading, high_first};
use crate::checksum::Checksum;
use crate::crc_engine::{CheckLoop, CrcEngine, Ready};
use crate::gather::BLOCK;
use crate::numbers::{read, write};
use crate::protocol::{
    BinaryFrame, BinaryPart, FieldSource, Frame, IdValue, Message, Number, Place, Protocol, Shape, Times,
};
use crate::side_by_side::{Covered, SideBySide};

/// Bytes of the mask.
const HEAD: usize = 8;

/// Messages whose bodies can have more lengths than so many are left to the general search.
const MOST_FORMS: usize = 1024;

/// What the general search need not be asked about.
#[derive(Debug)]
pub(crate) struct Plan {
    /// In the order in which they are tried.
    pub(crate) candidates: Vec<Candidate>,
    /// The first bytes of each: close together, as all are looked at for each frame.
    heads: Vec<Head>,
    /// That of the first one that has any.
    checksum: Option<Checksum>,
    skipping: Skipping,
    /// Whether there is a candidate whose frames can be checked side by side.
    pub(crate) looks_ahead: bool,
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
    /// The same of the bytes behind those of the head; nothing is known of them where the mask is zero.
    second: Head,
    /// Whether it needs no look at another candidate before it, and no question.
    alone: bool,
    /// Fixed bytes that neither holds.
    fixed: Vec<(Spot, u8)>,
    check: Option<Check>,
    /// How many of its frames are checked at once, where that can be: only if it is alone.
    side_by_side: Option<SideBySide>,
    /// Where things stand, for each length that the body can have, the shortest first.
    forms: Vec<Form>,
    /// Where zeros at the end are left out: the size that is sent.
    cut: Option<Cut>,
    /// The messages that ask for it.
    pub(crate) answers: Vec<usize>,
    /// Whether it asks for another one.
    pub(crate) is_question: bool,
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

/// Where things stand in a frame of one length.
#[derive(Clone, Debug)]
struct Form {
    length: usize,
    body: usize,
    /// Where what the checksum covers begins.
    covered: usize,
    ready: Option<Ready>,
    /// Where the last eight bytes up to the end of the checksum begin, and how it stands in them.
    received: usize,
    shift: u32,
    big: bool,
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
    /// The size in the head: how far to shift it down, how many of its bits count then, and whether its high byte comes
    /// first.
    down: u32,
    bits: u32,
    big: bool,
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
        let (candidates, heads) = (Vec::new(), Vec::new());
        Self { candidates, heads, checksum: None, skipping: Skipping::None, looks_ahead: false }
    }

    pub(crate) fn new(protocol: &Protocol) -> Self {
        let mut plan = Self { skipping: skipping(protocol), ..Self::nothing() };
        if protocol.wrapping.is_some() {
            return Self::nothing();
        }
        for (index, frame) in protocol.frames.iter().enumerate() {
            let Shape::Binary(shape) = &frame.shape else { continue };
            for (nth, message_index) in frame.messages.iter().enumerate() {
                let candidate = protocol.messages.get(*message_index).and_then(|message| {
                    let mut candidate = candidate(frame, shape, message, plan.checksum.as_ref())?;
                    (candidate.frame, candidate.message) = (index, *message_index);
                    candidate.needs = plan.needs(protocol, &candidate, nth)?;
                    candidate.alone = candidate.answers.is_empty()
                        && !message.is_question
                        && plan.candidates.iter().all(|before| before.head.excludes(candidate.head));
                    candidate.side_by_side = candidate.side_by_side();
                    Some(candidate)
                });
                let check = candidate.as_ref().and_then(|candidate| candidate.check.as_ref());
                plan.checksum = plan.checksum.take().or(check.map(|check| check.checksum.clone()));
                plan.candidates.extend(candidate);
            }
        }
        plan.looks_ahead = plan.candidates.iter().any(|candidate| candidate.side_by_side.is_some());
        plan.heads = plan.candidates.iter().map(|candidate| candidate.head).collect();
        plan
    }

    /// Runs a loop in code that is compiled for the checksums of the plan.
    pub(crate) fn run(&self, fast: bool, rounds: impl CheckLoop) {
        match &self.checksum {
            Some(checksum) => checksum.run(fast, rounds),
            None => CrcEngine::run_plain(rounds),
        }
    }

    /// The frames that lie at `at`, if the plan can tell; they are put into the block of their candidate, as long as there
    /// is room. `asked` is the message that asked last, if its answer may still come.
    #[inline(always)]
    pub(crate) fn take(
        &self,
        buffer: &[u8],
        at: usize,
        asked: impl Fn() -> Option<usize>,
        blocks: &mut [Block],
        check: &impl Fn(&Ready, &[u8]) -> u64,
    ) -> Option<Taken> {
        let bytes = buffer.get(at..)?;
        let head = u64::from_le_bytes(*bytes.first_chunk::<HEAD>()?);
        for (index, known) in self.heads.iter().enumerate() {
            if !known.fits(head) {
                continue;
            }
            let (candidate, block) = (self.candidates.get(index)?, blocks.get_mut(index)?);
            if bytes.len() < candidate.needs {
                return None;
            }
            if !candidate.answers.is_empty() && !asked().is_some_and(|asked| candidate.answers.contains(&asked)) {
                return None;
            }
            let taken = match &candidate.cut {
                None if candidate.alone => candidate.take_run(buffer, at, block, check),
                None => candidate.take_one(bytes, at, block, check),
                Some(cut) => candidate.take_cut(cut, (buffer, at, head), block, check),
            };
            if let Some((frames, length)) = taken {
                return Some(Taken { candidate: index, frames, length });
            }
        }
        None
    }

    /// Puts down where frames of one candidate that can be checked side by side seem to lie from `at` on, one behind the
    /// other and with nothing between them at which another frame may begin. Gives the candidate and where that ends.
    pub(crate) fn look_ahead(
        &self,
        stream: &[u8],
        mut at: usize,
        most: usize,
        starts: &mut Vec<u32>,
        runs: &mut Vec<Run>,
    ) -> Option<(usize, usize)> {
        let head = |at: usize| stream.get(at..)?.first_chunk::<HEAD>().copied().map(u64::from_le_bytes);
        let known = |at: usize| head(at).and_then(|head| self.heads.iter().position(|known| known.fits(head)));
        let index = known(at)?;
        let candidate = self.candidates.get(index)?;
        let length = u32::try_from(candidate.length(candidate.body)).ok()?;
        let mut gap = at;
        loop {
            let first = starts.len();
            let frames = candidate.frames_ahead(stream, at, most - first);
            if frames == 0 {
                break;
            }
            let start = u32::try_from(at).ok()?;
            // The stream has fewer bytes than a place can have.
            starts.extend((0..frames).map(|frame| start.wrapping_add(frame.wrapping_mul(length))));
            runs.push(Run { first, end: starts.len(), gap });
            at += frames as usize * length as usize;
            gap = at;
            if known(at).is_none() {
                at += self.skippable(stream.get(at..).unwrap_or_default());
            }
        }
        Some((index, gap))
    }

    /// Which of these frames of a candidate are sound, from the lowest bit on.
    pub(crate) fn sound(&self, candidate: usize, stream: &[u8], starts: &[u32]) -> u32 {
        let frames = self.candidates.get(candidate).and_then(|candidate| candidate.side_by_side.as_ref());
        frames.map_or(0, |frames| frames.sound(stream, starts))
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
        let least = candidate.length(if candidate.cut.is_some() { 0 } else { candidate.body });
        let mut needs = least.max(if candidate.second.mask == 0 { 0 } else { 2 * HEAD });
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

    /// Bytes of a frame with a body of so many.
    pub(crate) fn length(&self, body: usize) -> usize {
        self.header + body + self.trailer
    }

    /// `None` where the checksum stands outside the frame, or ends where a glance does not see it.
    fn form(&self, body: usize, main: Option<&Checksum>) -> Option<Form> {
        let length = self.length(body);
        let (mut covered, mut covered_end, mut end, mut width, mut big) = (0, 0, HEAD, HEAD, false);
        if let Some(check) = &self.check {
            (covered, covered_end) = (check.first.resolve(body), check.end.resolve(body));
            (end, width, big) = (check.at.resolve(body) + check.width, check.width, check.big);
        }
        let inside = covered_end.max(end) <= length && (1..=HEAD).contains(&width);
        let received = end.checked_sub(HEAD).filter(|_| inside)?;
        let shift = 8 * u32::try_from(HEAD - width).ok()?;
        let covers = covered_end.checked_sub(covered)?;
        let ready = |check: &Check| {
            let (checksum, extra) = (check.checksum.clone(), check.extra.clone());
            Ready::new(checksum, covers, extra, main.unwrap_or(&check.checksum))
        };
        Some(Form { length, body, covered, ready: self.check.as_ref().map(ready), received, shift, big })
    }

    /// `None` where its frames must be checked one by one.
    fn side_by_side(&self) -> Option<SideBySide> {
        let check = self.check.as_ref().filter(|_| self.alone && self.cut.is_none())?;
        let covered = Covered {
            checksum: &check.checksum,
            extra: &check.extra,
            first: check.first.resolve(self.body),
            end: check.end.resolve(self.body),
            at: check.at.resolve(self.body),
            width: check.width,
            big: check.big,
        };
        SideBySide::new(self.length(self.body), &covered)
    }

    /// How many frames seem to follow each other from `at` on, if they can be checked side by side.
    #[inline]
    fn frames_ahead(&self, stream: &[u8], at: usize, most: usize) -> u32 {
        let (Some(_), Some(form), Ok(_)) = (&self.side_by_side, self.forms.first(), u32::try_from(stream.len())) else {
            return 0;
        };
        let Some(last) = stream.len().checked_sub(self.needs.max(form.length).max(HEAD)) else { return 0 };
        let most = most.min((last + 1).saturating_sub(at).div_ceil(form.length));
        let simple = self.second.mask == 0 && self.fixed.is_empty();
        let (mut next, mut frames) = (at, 0);
        for _ in 0..most {
            let Some(bytes) = stream.get(next..) else { break };
            let seems = match simple {
                true => bytes.first_chunk().is_some_and(|head| self.head.fits(u64::from_le_bytes(*head))),
                false => self.seems_at(form, bytes),
            };
            if !seems {
                break;
            }
            next += form.length;
            frames += 1;
        }
        frames
    }

    /// One frame at `at`, where these bytes begin, and how long it is. Its head is known to fit.
    #[inline(always)]
    fn take_one(
        &self,
        bytes: &[u8],
        at: usize,
        block: &mut Block,
        check: &impl Fn(&Ready, &[u8]) -> u64,
    ) -> Option<(usize, usize)> {
        let form = self.forms.first()?;
        let start = block.starts.get_mut(block.count)?;
        *start = u32::try_from(at).ok()?;
        if !self.rest_seems(form, bytes) || !form.is_sound(bytes, check) {
            return None;
        }
        block.count += 1;
        Some((1, form.length))
    }

    /// Frames that follow each other from `at` on, and the bytes that they take.
    #[inline(always)]
    #[expect(clippy::cast_possible_truncation, reason = "the buffer has fewer bytes: see the first lines")]
    fn take_run(
        &self,
        buffer: &[u8],
        at: usize,
        block: &mut Block,
        check: &impl Fn(&Ready, &[u8]) -> u64,
    ) -> Option<(usize, usize)> {
        u32::try_from(buffer.len()).ok()?;
        let form = self.forms.first()?;
        let last = buffer.len().checked_sub(self.needs.max(form.length).max(HEAD))?;
        let (mut next, mut frames) = (at, 0);
        for start in block.starts.get_mut(block.count..)? {
            if last < next || !self.lies_at(form, buffer.get(next..)?, check) {
                break;
            }
            *start = next as u32;
            next += form.length;
            frames += 1;
        }
        block.count += frames;
        (0 < frames).then_some((frames, next - at))
    }

    /// One frame whose zeros at the end can be left out; `head` are its first bytes.
    #[inline(always)]
    fn take_cut(
        &self,
        cut: &Cut,
        (buffer, at, head): (&[u8], usize, u64),
        block: &mut Block,
        check: &impl Fn(&Ready, &[u8]) -> u64,
    ) -> Option<(usize, usize)> {
        let size = if cut.big { (head << cut.down).swap_bytes() } else { head >> cut.down };
        let size = usize::try_from(size & (u64::MAX >> (64 - cut.bits))).ok()?;
        let body = size.checked_sub(cut.plus).filter(|body| cut.least <= *body && *body <= self.body)?;
        let form = self.forms.get(body - cut.least)?;
        let bytes = buffer.get(at..)?;
        *block.starts.get_mut(block.count)? = u32::try_from(at).ok()?;
        if bytes.len() < form.length.max(HEAD) || !self.lies_at(form, bytes, check) {
            return None;
        }
        // Completed with zeros.
        block.bodies.resize(BLOCK * self.body, 0);
        let place = block.bodies.get_mut(block.count * self.body..)?.get_mut(..self.body)?;
        let (sent, left_out) = place.split_at_mut_checked(body)?;
        sent.copy_from_slice(bytes.get(self.header..self.header + body)?);
        left_out.fill(0);
        block.count += 1;
        block.lengths.push(form.length);
        Some((1, form.length))
    }

    /// Whether such a frame lies in front of these bytes.
    #[inline(always)]
    fn lies_at(&self, form: &Form, bytes: &[u8], check: &impl Fn(&Ready, &[u8]) -> u64) -> bool {
        self.seems_at(form, bytes) && form.is_sound(bytes, check)
    }

    /// Whether such a frame lies there if its checksum is right.
    #[inline(always)]
    fn seems_at(&self, form: &Form, bytes: &[u8]) -> bool {
        let head = bytes.first_chunk().copied();
        head.is_some_and(|head| self.head.fits(u64::from_le_bytes(head))) && self.rest_seems(form, bytes)
    }

    /// The same, if the head fits.
    #[inline(always)]
    fn rest_seems(&self, form: &Form, bytes: &[u8]) -> bool {
        let Some(whole) = bytes.get(..form.length) else { return false };
        let second = || bytes.get(HEAD..).and_then(|rest| rest.first_chunk()).copied();
        if self.second.mask != 0 && !second().is_some_and(|second| self.second.fits(u64::from_le_bytes(second))) {
            return false;
        }
        let body_end = self.header + form.body;
        // What the sender left out is zero.
        let fixed = |(spot, byte): &(Spot, u8)| match spot.behind_body || spot.bytes < body_end {
            true => whole.get(spot.resolve(form.body)) == Some(byte),
            false => *byte == 0,
        };
        self.fixed.iter().all(fixed)
    }
}

impl Form {
    /// Whether the checksum is right.
    #[inline(always)]
    fn is_sound(&self, bytes: &[u8], check: &impl Fn(&Ready, &[u8]) -> u64) -> bool {
        let Some(ready) = &self.ready else { return true };
        let last = bytes.get(self.received..).and_then(|rest| rest.first_chunk()).copied();
        let (Some(covered), Some(last)) = (bytes.get(self.covered..), last) else { return false };
        let received = match self.big {
            true => u64::from_be_bytes(last) << self.shift >> self.shift,
            false => u64::from_le_bytes(last) >> self.shift,
        };
        received == check(ready, covered)
    }
}

impl Block {
    pub(crate) fn new() -> Self {
        Self { starts: [0; BLOCK], count: 0, lengths: Vec::new(), bodies: Vec::new() }
    }

    /// Empties it and keeps the memory.
    pub(crate) fn clear(&mut self) {
        self.count = 0;
        self.lengths.clear();
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
fn candidate(frame: &Frame, shape: &BinaryFrame, message: &Message, main: Option<&Checksum>) -> Option<Candidate> {
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
        (Some(size), true) => Some(cut(&size.part, size.plus, message.least)?),
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
    let (mut head, mut second, mut fixed) = (Head::default(), Head::default(), Vec::new());
    // What can be left out may be another byte.
    let sure = header + if cut.is_some() { 0 } else { body };
    for (place, byte) in bytes {
        match place {
            Place::Start(at) if at < HEAD && at < sure => head.add(at, byte)?,
            Place::Start(at) if at < 2 * HEAD && at < sure && (2 * HEAD <= around + body || cut.is_some()) => {
                second.add(at - HEAD, byte)?;
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
    let is_question = message.is_question;
    let trailer = shape.trailer;
    let mut candidate = Candidate {
        message: 0,
        frame: 0,
        header,
        body,
        trailer,
        needs: 0,
        head,
        second,
        alone: false,
        fixed,
        check,
        side_by_side: None,
        forms: Vec::new(),
        cut,
        answers,
        is_question,
        reading,
    };
    // One that is too short for a glance ends the list at its beginning: the shorter ones are left to the general search.
    let least = candidate.cut.as_ref().map_or(body, |cut| cut.least);
    if MOST_FORMS < body - least {
        return None;
    }
    candidate.forms = (least..=body).rev().map_while(|body| candidate.form(body, main)).collect();
    candidate.forms.reverse();
    let missing = (body + 1 - least).checked_sub(candidate.forms.len())?;
    if let Some(cut) = &mut candidate.cut {
        cut.least += missing;
    }
    (!candidate.forms.is_empty()).then_some(candidate)
}

/// `None` where the size does not stand in the head.
fn cut(size: &BinaryPart, plus: usize, least: usize) -> Option<Cut> {
    let (Number::Int { bytes, signed: false, big }, Place::Start(at)) = (size.number, size.place) else { return None };
    let (at, width) = (u32::try_from(at).ok()?, u32::from(bytes));
    // With the high byte first it is shifted up to the end, and turned round from there.
    let down = 8 * if big { 8_u32.checked_sub(at + width)? } else { at };
    (0 < width && at + width <= 8).then_some(Cut { down, bits: 8 * width, big, plus, least })
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
            let plan = Plan { skipping: Skipping::Two(1, 2), ..Plan::nothing() };
            let can = |at: usize| bytes[at] == 1 && bytes.get(at + 1).is_none_or(|byte| *byte == 2);
            let first = (0..bytes.len()).find(|at| can(*at)).unwrap_or(bytes.len());
            prop_assert_eq!(plan.skippable(&bytes), first);
        }
    }
}
