//! What lies at one place of the stream, held against every frame of the file.

use model::Reason;

use crate::binary::{self, Context, Found};
use crate::body::Cell;
use crate::protocol::Shape;
use crate::text_lines;

/// What a place in the stream holds.
pub(crate) enum Look {
    /// As many bytes from the place on will tell, no fewer.
    Wait(usize),
    /// A frame whose values are known.
    Row { length: usize, message: usize, cells: Vec<Cell>, checked: bool },
    /// A frame that is passed over as a whole.
    Passed { length: usize, reason: Reason },
    /// No frame; with the reason where one seemed to begin.
    Nothing(Option<(usize, Reason)>),
}

impl Look {
    /// The length of a frame that its checksum proves.
    pub(crate) fn proven(&self) -> Option<usize> {
        match self {
            Self::Row { length, checked: true, .. } => Some(*length),
            Self::Passed { length, reason } if *reason != Reason::Unverified => Some(*length),
            _ => None,
        }
    }
}

/// Holds the bytes of one place against every frame. The first frame in file order that is not ruled out decides:
/// else the result would depend on how the bytes are split. `before` is the byte in front of them.
pub(crate) fn look(context: Context<'_>, bytes: &[u8], before: Option<u8>) -> Look {
    let line_begins = matches!(before, None | Some(b'\n'));
    let mut refused: Option<(usize, Reason)> = None;
    let mut refuse = |length: usize, reason: Reason| keep_telling(&mut refused, length, reason);
    let mut passed = None;
    for frame in &context.protocol.frames {
        let checked = frame.shape.has_check();
        if context.inside && !checked {
            continue;
        }
        let found = match &frame.shape {
            Shape::Binary(shape) => binary::find(context, frame, shape, bytes),
            Shape::Text(shape) => text_lines::find(context, frame, shape, bytes, line_begins),
        };
        match found {
            Found::NoStart => {}
            Found::NeedMore(_) if context.packet => {
                refuse(bytes.len(), Reason::SizeNotAllowed { size: bytes.len() as u64 });
            }
            // Where any byte can begin a frame, the end of the stream cuts one at every place: that says nothing.
            Found::NeedMore(_) if context.over && frame.shape.is_startless() => {}
            Found::NeedMore(_) if context.over => refuse(bytes.len(), Reason::Cut),
            Found::NeedMore(bytes) => return Look::Wait(bytes),
            Found::Refused { length, reason } => refuse(length, reason),
            // Another frame may know it.
            Found::Passed { length, reason } => passed = passed.or(Some((length, reason))),
            Found::Sound { length, message, cells } => return Look::Row { length, message, cells, checked },
        }
    }
    match passed {
        Some((length, reason)) => Look::Passed { length, reason },
        None => Look::Nothing(refused),
    }
}

/// Keeps the reason that says more, else the first: a failed checksum shows which frame it was, another length or fixed
/// value only that it was not this one.
pub(crate) fn keep_telling(kept: &mut Option<(usize, Reason)>, length: usize, reason: Reason) {
    let says_much = |reason: &Reason| {
        matches!(reason, Reason::CheckFailed { .. } | Reason::BadText { .. } | Reason::BadCount { .. })
    };
    match kept {
        Some((_, first)) if says_much(first) || !says_much(&reason) => {}
        _ => *kept = Some((length, reason)),
    }
}

/// What lies in bytes that seem to be one frame.
pub(crate) enum Holds {
    /// Another frame, which its checksum proves, begins inside.
    Frame,
    /// None does.
    None,
    /// As many bytes will tell, no fewer.
    NeedMore(usize),
}

/// Whether a frame that its checksum proves begins behind the first of so many bytes.
pub(crate) fn holds_another(context: Context<'_>, bytes: &[u8], length: usize) -> Holds {
    let context = Context { inside: true, ..context };
    for at in 1..length {
        let Some(rest) = bytes.get(at..) else { break };
        if !context.may_start(rest.first()) {
            continue;
        }
        match look(context, rest, bytes.get(at - 1).copied()) {
            Look::Wait(more) => return Holds::NeedMore(at + more),
            found if found.proven().is_some() => return Holds::Frame,
            _ => {}
        }
    }
    Holds::None
}
