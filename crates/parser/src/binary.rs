//! Frames of bytes: where one lies.

use model::{Raw, Reason};

use crate::body::{Cell, Walked, measure, values};
use crate::look::{Holds, holds_another, keep_telling};
use crate::numbers::read;
use crate::protocol::{BinaryFrame, BinaryPart, Frame, IdValue, Message, Protocol};

/// What a place in the stream holds, as far as one frame is concerned.
///
/// It depends only on what came before and the bytes from that place on: with more of them it never changes from
/// anything but `NeedMore`.
pub(crate) enum Found {
    /// Such a frame does not begin here.
    NoStart,
    /// It may begin here; as many bytes from here on will tell, no fewer.
    NeedMore(usize),
    /// It seemed to begin here.
    Refused { length: usize, reason: Reason },
    /// It lies here, but its values are not known: it is passed over as a whole.
    Passed { length: usize, reason: Reason },
    /// It lies here.
    Sound { length: usize, message: usize, cells: Vec<Cell> },
}

/// What the search knows besides the bytes.
#[derive(Clone, Copy)]
pub(crate) struct Context<'p> {
    pub(crate) protocol: &'p Protocol,
    /// The bytes are one unwrapped packet: a frame fills it.
    pub(crate) packet: bool,
    /// Nothing follows the bytes.
    pub(crate) over: bool,
    /// The message that asked last, if its answer has not come.
    pub(crate) asked: Option<usize>,
    /// Which first bytes can begin a frame.
    pub(crate) can_start: &'p [bool; 256],
    /// The bytes are those of what may be a frame itself: only what a checksum proves counts.
    pub(crate) inside: bool,
}

impl Context<'_> {
    /// Whether a frame can begin with this byte; no byte begins none.
    pub(crate) fn may_start(&self, first: Option<&u8>) -> bool {
        first.is_some_and(|first| self.can_start.get(usize::from(*first)).copied().unwrap_or(true))
    }

    /// Whether the message answers a question that was not seen.
    pub(crate) fn is_unpaired(&self, message: &Message) -> bool {
        !message.answers.is_empty() && !self.asked.is_some_and(|asked| message.answers.contains(&asked))
    }
}

pub(crate) fn find(context: Context<'_>, frame: &Frame, shape: &BinaryFrame, bytes: &[u8]) -> Found {
    let seen = bytes.len().min(shape.start.len());
    if bytes.get(..seen) != shape.start.get(..seen) {
        return Found::NoStart;
    }
    let Some(header) = bytes.get(..shape.header) else {
        // The next of the start bytes may already rule it out.
        return Found::NeedMore(if seen < shape.start.len() { seen + 1 } else { shape.header });
    };
    // Without start bytes every place is tried: what does not fit there is then no sign of damage.
    let refused = |length: usize, reason: Reason| {
        if shape.start.is_empty() && !context.packet { Found::NoStart } else { Found::Refused { length, reason } }
    };
    for (part, value) in &shape.constants {
        let at = part.place.resolve(shape.header, 0);
        if at + part.number.width() <= shape.header && int(part, header, at) != Some(*value) {
            return refused(shape.header, Reason::WrongConstant { part: part.name.clone() });
        }
    }
    let around = shape.header + shape.trailer;
    let most = frame.longest.saturating_sub(around);
    let mut claimed = match &shape.size {
        Some(size) => {
            let value = int(&size.part, header, size.part.place.resolve(shape.header, 0)).unwrap_or(0);
            let body = value.checked_sub(size.plus as i128).and_then(|body| usize::try_from(body).ok());
            match body.filter(|body| *body <= most) {
                Some(body) => Some(body),
                None => {
                    return refused(
                        shape.header,
                        Reason::SizeNotAllowed { size: u64::try_from(value).unwrap_or(u64::MAX) },
                    );
                }
            }
        }
        None => None,
    };
    if context.packet {
        let body = bytes.len().checked_sub(around).filter(|body| *body <= most);
        if body.is_none() || claimed.is_some_and(|claimed| Some(claimed) != body) {
            return refused(bytes.len(), Reason::SizeNotAllowed { size: bytes.len() as u64 });
        }
        claimed = body;
    }
    choose(context, frame, shape, bytes, claimed).unwrap_or_else(|reason| match reason {
        Found::Refused { length, reason } => refused(length, reason),
        other => other,
    })
}

/// Goes through the messages of the frame that have the ids; the first that is not ruled out decides.
fn choose(
    context: Context<'_>,
    frame: &Frame,
    shape: &BinaryFrame,
    bytes: &[u8],
    claimed: Option<usize>,
) -> Result<Found, Found> {
    let around = shape.header + shape.trailer;
    let header = bytes.get(..shape.header).unwrap_or(&[]);
    let mut known_id = false;
    let mut seeded = false;
    // A message of another length says less about what is wrong than one whose checksum fails.
    let mut unfit = None;
    let mut refusal = None;
    let mut passed = None;
    // Messages of one length and seed have one checksum: it is worked out once.
    let mut checked: Option<(usize, &[u8], Result<(), Reason>)> = None;
    for index in &frame.messages {
        let Some(message) = context.protocol.messages.get(*index) else { continue };
        seeded |= !message.extra.is_empty();
        if !ids_match(shape, message, header) {
            continue;
        }
        known_id = true;
        let body = match body_length(shape, message, bytes, claimed, frame.longest) {
            Walked::Length(body) => body,
            Walked::NeedMore(bytes) => return Ok(Found::NeedMore(bytes)),
            Walked::Bad(reason) => {
                unfit.get_or_insert((shape.header, reason));
                continue;
            }
        };
        let length = around + body;
        let Some(whole) = bytes.get(..length) else { return Ok(Found::NeedMore(length)) };
        let sound = match &checked {
            Some((size, extra, result)) if *size == body && *extra == message.extra => result.clone(),
            _ => check(shape, whole, body, &message.extra),
        };
        checked = Some((body, &message.extra, sound.clone()));
        if let Err(reason) = sound {
            keep_telling(&mut refusal, length, reason);
            continue;
        }
        let inside = whole.get(shape.header..shape.header + body).unwrap_or(&[]);
        match values(message, inside) {
            Ok(_) if context.is_unpaired(message) => {
                passed.get_or_insert((length, Reason::Unpaired));
            }
            Ok(cells) => return Ok(Found::Sound { length, message: *index, cells }),
            // A sound frame with another fixed value is of a kind that the file does not list.
            Err(Reason::WrongConstant { .. }) if shape.check.is_some() => {
                passed.get_or_insert((length, Reason::UnknownMessage));
            }
            Err(reason) => keep_telling(&mut refusal, length, reason),
        }
    }
    if let Some((length, reason)) = passed {
        return Ok(Found::Passed { length, reason });
    }
    if let Some((length, reason)) = refusal.or(unfit) {
        return Err(Found::Refused { length, reason });
    }
    match claimed {
        // An id that no message has: such a frame is passed over as a whole, if its checksum says that it is one.
        Some(body) if !known_id && shape.check.is_some() => unknown(context, shape, bytes, body, seeded),
        _ => Err(Found::Refused { length: shape.header, reason: Reason::UnknownId }),
    }
}

fn unknown(context: Context<'_>, shape: &BinaryFrame, bytes: &[u8], body: usize, seeded: bool) -> Result<Found, Found> {
    let refused = Err(Found::Refused { length: shape.header, reason: Reason::UnknownId });
    let length = shape.header + body + shape.trailer;
    if !seeded {
        let Some(whole) = bytes.get(..length) else { return Ok(Found::NeedMore(length)) };
        return match check(shape, whole, body, &[]) {
            Ok(()) => Ok(Found::Passed { length, reason: Reason::UnknownMessage }),
            Err(reason) => Err(Found::Refused { length, reason }),
        };
    }
    // The checksum needs what only the message knows. It was a frame if another one can begin where it would end, and
    // no proven one begins inside it: a false start must not swallow a good frame. Where any byte can begin a frame,
    // nothing says that this was one.
    if context.inside || (shape.start.is_empty() && !context.packet) {
        return refused;
    }
    if bytes.len() < length {
        return Ok(Found::NeedMore(length));
    }
    let passed = Ok(Found::Passed { length, reason: Reason::Unverified });
    if context.packet {
        return passed;
    }
    match bytes.get(length) {
        None if !context.over => return Ok(Found::NeedMore(length + 1)),
        next if next.is_some() && !context.may_start(next) => return refused,
        _ => {}
    }
    match holds_another(context, bytes, length) {
        Holds::NeedMore(bytes) => Ok(Found::NeedMore(bytes)),
        Holds::Frame => refused,
        Holds::None => passed,
    }
}

/// How long the body of this message is here.
fn body_length(shape: &BinaryFrame, message: &Message, bytes: &[u8], claimed: Option<usize>, longest: usize) -> Walked {
    let around = shape.header + shape.trailer;
    let most = longest.saturating_sub(around);
    let refused = |body: usize| Walked::Bad(Reason::SizeNotAllowed { size: (body + around) as u64 });
    let allowed = |body: usize| message.least <= body && (body <= message.most || message.longer);
    if let Some(claimed) = claimed {
        return if allowed(claimed) { Walked::Length(claimed) } else { refused(claimed) };
    }
    if message.measurable {
        return match measure(message, bytes.get(shape.header..).unwrap_or(&[]), most) {
            Walked::Bad(Reason::SizeNotAllowed { size }) => {
                refused(usize::try_from(size).unwrap_or(usize::MAX - around))
            }
            Walked::NeedMore(body) => Walked::NeedMore(shape.header + body),
            other => other,
        };
    }
    // Only the end bytes tell: the first place where they can stand.
    let Some(first) = (shape.header + message.least + shape.trailer).checked_sub(shape.end.len()) else {
        return refused(0);
    };
    if shape.end.is_empty() {
        return refused(0);
    }
    let behind = bytes.get(first..bytes.len().min(longest)).unwrap_or(&[]);
    match behind.windows(shape.end.len()).position(|window| window == shape.end) {
        Some(at) => {
            let body = first + at + shape.end.len() - around;
            if allowed(body) { Walked::Length(body) } else { refused(body) }
        }
        None if bytes.len() < longest => Walked::NeedMore(bytes.len() + 1),
        None => refused(most),
    }
}

/// Fixed values, end bytes and the checksum of a whole frame.
pub(crate) fn check(shape: &BinaryFrame, whole: &[u8], body: usize, extra: &[u8]) -> Result<(), Reason> {
    for (part, value) in &shape.constants {
        if int(part, whole, part.place.resolve(shape.header, body)) != Some(*value) {
            return Err(Reason::WrongConstant { part: part.name.clone() });
        }
    }
    if !whole.ends_with(&shape.end) {
        return Err(Reason::WrongConstant { part: "end".to_owned() });
    }
    if let Some(check) = &shape.check {
        let covered = check.first.resolve(shape.header, body)..check.end.resolve(shape.header, body);
        let computed = check.checksum.compute_with_extra(whole.get(covered).unwrap_or(&[]), extra);
        let received = int(&check.part, whole, check.part.place.resolve(shape.header, body));
        let received = received.and_then(|value| u64::try_from(value).ok());
        if received != Some(computed) {
            return Err(Reason::CheckFailed { computed, received: received.unwrap_or(0) });
        }
    }
    Ok(())
}

pub(crate) fn int(part: &BinaryPart, bytes: &[u8], at: usize) -> Option<i128> {
    read(part.number, bytes, at).and_then(Raw::int)
}

pub(crate) fn ids_match(shape: &BinaryFrame, message: &Message, header: &[u8]) -> bool {
    shape.ids.iter().all(|part| {
        let Some((_, wanted)) = message.ids.iter().find(|(name, _)| *name == part.name) else { return true };
        match wanted {
            IdValue::Number(wanted) => int(part, header, part.place.resolve(shape.header, 0)) == Some(*wanted),
            IdValue::Word(_) => false,
        }
    })
}
