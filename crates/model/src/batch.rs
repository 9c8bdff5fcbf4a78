//! Decoded rows in columns, with the order in which they came.

use std::fmt;
use std::ops::Range;

use crate::curve::Conversion;
use crate::float_scale::FloatScale;
use crate::time::SessionTime;

/// Rows of several message kinds, what was rejected, and the order of all of it.
///
/// Live batches have a row or a few, bulk ones hundreds: the same code reads both.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Batch {
    /// Indexed as `Layout::kinds`.
    pub kinds: Vec<Rows>,
    /// Everything in this batch in the order in which it became known.
    pub order: Vec<Item>,
    /// Byte ranges that gave no row.
    pub rejected: Vec<Rejected>,
}

/// One entry of a batch's order.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Item {
    /// A row of a message kind.
    Row {
        /// Index into `Batch::kinds`.
        kind: u16,
        /// Index into its rows.
        row: u32,
    },
    /// Index into `Batch::rejected`.
    Rejected(u32),
}

/// The rows of one message kind.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Rows {
    /// The time of each row's last byte.
    pub at: Vec<SessionTime>,
    /// When each row became known: later than `at` only where a false start held it back.
    pub known_at: Vec<SessionTime>,
    /// Where in the stream each row's frame lies.
    pub bytes: Vec<ByteRange>,
    /// Indexed as `KindLayout::columns`.
    pub columns: Vec<Column>,
}

impl Batch {
    /// Removes all rows and rejections and keeps the memory.
    pub fn clear(&mut self) {
        self.kinds.iter_mut().for_each(Rows::clear);
        self.order.clear();
        self.rejected.clear();
    }
}

impl Rows {
    /// Removes all rows and keeps the memory.
    pub fn clear(&mut self) {
        self.at.clear();
        self.known_at.clear();
        self.bytes.clear();
        self.columns.iter_mut().for_each(Column::clear);
    }
}

/// A range of the byte stream, counted from its first byte; `end` is not part of it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ByteRange {
    /// The first byte.
    pub start: u64,
    /// One past the last byte.
    pub end: u64,
}

impl ByteRange {
    /// The number of bytes.
    pub fn len(self) -> u64 {
        self.end.saturating_sub(self.start)
    }

    /// Whether there is no byte in it.
    pub fn is_empty(self) -> bool {
        self.len() == 0
    }
}

impl fmt::Display for ByteRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}..{}", self.start, self.end)
    }
}

/// Bytes that gave no row, and why.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Rejected {
    /// When it became known.
    pub known_at: SessionTime,
    /// Where. After a failed check only the first byte is given up; the search goes on one byte later.
    pub bytes: ByteRange,
    /// Why.
    pub reason: Reason,
}

/// Why bytes gave no row.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Reason {
    /// No frame starts there.
    Skipped,
    /// The checksum did not match.
    CheckFailed {
        /// Computed over the bytes.
        computed: u64,
        /// As received.
        received: u64,
    },
    /// No message kind has this length.
    SizeNotAllowed {
        /// The length that the frame claims.
        size: u64,
    },
    /// The frame is sound by its checksum and passed over as a whole: no message kind has its id.
    UnknownMessage,
    /// No message kind has this id, and nothing says that it is a frame at all.
    UnknownId,
    /// A part that must have a fixed value has another.
    WrongConstant {
        /// Its name.
        part: String,
    },
    /// A count or a start index in the frame reaches beyond what the file allows.
    BadCount {
        /// The part's name.
        part: String,
    },
    /// The byte stuffing, or the hexadecimal of the line, is broken.
    BadStuffing,
    /// A sound answer to a question that was not seen: what it holds is not known.
    Unpaired,
    /// It has the shape of a frame, but its checksum needs to know the message kind, and nobody knows its id.
    Unverified,
    /// A text field is not what the file says.
    BadText {
        /// The part's name.
        part: String,
    },
    /// The stream ended inside a frame.
    Cut,
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Skipped => write!(f, "no frame starts here"),
            Self::CheckFailed { computed, received } => {
                write!(f, "checksum computed {computed:x}, received {received:x}")
            }
            Self::SizeNotAllowed { size } => write!(f, "no message kind is {size} bytes long"),
            Self::UnknownMessage => write!(f, "a sound frame, but no message kind has its id"),
            Self::UnknownId => write!(f, "no message kind has this id"),
            Self::WrongConstant { part } => write!(f, "part {part:?} does not have its fixed value"),
            Self::BadCount { part } => write!(f, "part {part:?} reaches beyond what the file allows"),
            Self::BadStuffing => write!(f, "the byte stuffing is broken"),
            Self::Unpaired => write!(f, "a sound answer, but its question was not seen"),
            Self::Unverified => write!(f, "no message kind has its id, so that its checksum can't be checked"),
            Self::BadText { part } => write!(f, "text of part {part:?} is not as described"),
            Self::Cut => write!(f, "the stream ends inside a frame"),
        }
    }
}

/// A number as sent.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Raw {
    /// An integer of any width.
    Int(i128),
    /// A float; always finite.
    Float(f64),
}

impl Raw {
    /// The integer, if it is one.
    pub fn int(self) -> Option<i128> {
        match self {
            Self::Int(value) => Some(value),
            Self::Float(_) => None,
        }
    }
}

/// Numbers as sent, at their native width.
#[derive(Clone, PartialEq, Debug)]
#[allow(missing_docs, reason = "each is named as the width it holds")]
pub enum Values {
    I8(Vec<i8>),
    U8(Vec<u8>),
    I16(Vec<i16>),
    U16(Vec<u16>),
    I32(Vec<i32>),
    U32(Vec<u32>),
    I64(Vec<i64>),
    U64(Vec<u64>),
    F64(Vec<f64>),
}

macro_rules! each {
    ($self:expr, $list:ident => $body:expr) => {
        match $self {
            Values::I8($list) => $body,
            Values::U8($list) => $body,
            Values::I16($list) => $body,
            Values::U16($list) => $body,
            Values::I32($list) => $body,
            Values::U32($list) => $body,
            Values::I64($list) => $body,
            Values::U64($list) => $body,
            Values::F64($list) => $body,
        }
    };
}

impl Values {
    /// An empty list for integers of this width; the next wider machine width holds odd ones.
    pub fn for_integers(bits: u8, signed: bool) -> Self {
        match (bits, signed) {
            (0..=8, true) => Self::I8(Vec::new()),
            (0..=8, false) => Self::U8(Vec::new()),
            (9..=16, true) => Self::I16(Vec::new()),
            (9..=16, false) => Self::U16(Vec::new()),
            (17..=32, true) => Self::I32(Vec::new()),
            (17..=32, false) => Self::U32(Vec::new()),
            (_, true) => Self::I64(Vec::new()),
            (_, false) => Self::U64(Vec::new()),
        }
    }

    fn len(&self) -> usize {
        each!(self, list => list.len())
    }
}

/// The values of one column: numbers as sent and which of them are there.
#[derive(Clone, PartialEq, Debug)]
pub struct Column {
    values: Values,
    /// One bit a row, least significant first.
    valid: Vec<u64>,
    /// The same, for rows whose frame does not reach this column at all; empty while there is none.
    left_out: Vec<u64>,
}

impl Column {
    /// An empty column of this width.
    pub fn new(values: Values) -> Self {
        Self { values, valid: Vec::new(), left_out: Vec::new() }
    }

    /// The number of rows.
    pub fn len(&self) -> usize {
        self.values.len()
    }

    /// Whether there is no row.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The numbers as sent; those not valid hold zero.
    pub fn values(&self) -> &Values {
        &self.values
    }

    /// Appends a number as sent. One that does not fit the column's width, or is not finite, becomes absent.
    #[expect(clippy::cast_precision_loss, reason = "a float column holds what was sent as a float")]
    pub fn push(&mut self, raw: Option<Raw>) {
        let row = self.len();
        let fits;
        macro_rules! put {
            ($list:expr) => {{
                let value = match raw {
                    Some(Raw::Int(value)) => value.try_into().ok(),
                    _ => None,
                };
                fits = value.is_some();
                $list.push(value.unwrap_or_default());
            }};
        }
        match &mut self.values {
            Values::I8(list) => put!(list),
            Values::U8(list) => put!(list),
            Values::I16(list) => put!(list),
            Values::U16(list) => put!(list),
            Values::I32(list) => put!(list),
            Values::U32(list) => put!(list),
            Values::I64(list) => put!(list),
            Values::U64(list) => put!(list),
            Values::F64(list) => {
                let value = match raw {
                    Some(Raw::Float(value)) if value.is_finite() => Some(value),
                    Some(Raw::Int(value)) => Some(value as f64),
                    _ => None,
                };
                fits = value.is_some();
                list.push(value.unwrap_or_default());
            }
        }
        if row.is_multiple_of(64) {
            self.valid.push(0);
        }
        if fits && let Some(word) = self.valid.last_mut() {
            *word |= 1 << (row % 64);
        }
    }

    /// As [`push`](Self::push), for whole numbers that fit in 64 bits.
    #[inline]
    pub fn push_small(&mut self, raw: Option<i64>) {
        let row = self.len();
        let Values::I64(list) = &mut self.values else {
            return self.push(raw.map(|raw| Raw::Int(raw.into())));
        };
        list.push(raw.unwrap_or_default());
        let bit = u64::from(raw.is_some()) << (row % 64);
        match self.valid.get_mut(row / 64) {
            Some(word) => *word |= bit,
            None => self.valid.push(bit),
        }
    }

    /// Appends a row whose frame does not reach this column: an optional end that is not there, a place that another
    /// frame of the same kind carries. That is not "absent": it says nothing about the place.
    pub fn push_left_out(&mut self) {
        let row = self.len();
        self.push(None);
        self.left_out.resize(row / 64 + 1, 0);
        if let Some(word) = self.left_out.last_mut() {
            *word |= 1 << (row % 64);
        }
    }

    /// Whether the row's frame reaches this column at all.
    pub fn is_carried(&self, row: usize) -> bool {
        row < self.len() && self.left_out.get(row / 64).is_none_or(|word| word >> (row % 64) & 1 != 1)
    }

    /// Whether the row has a value.
    pub fn is_valid(&self, row: usize) -> bool {
        self.valid.get(row / 64).is_some_and(|word| word >> (row % 64) & 1 == 1)
    }

    /// Whether every row has a value.
    pub fn is_full(&self) -> bool {
        let rows = self.len();
        let full = |(index, word): (usize, &u64)| match rows - (64 * index).min(rows) {
            64.. => *word == u64::MAX,
            rest => word.trailing_ones() as usize >= rest,
        };
        self.valid.iter().enumerate().all(full)
    }

    /// The number as sent; `None` where it is absent.
    pub fn raw(&self, row: usize) -> Option<Raw> {
        if !self.is_valid(row) {
            return None;
        }
        Some(match &self.values {
            Values::I8(list) => Raw::Int((*list.get(row)?).into()),
            Values::U8(list) => Raw::Int((*list.get(row)?).into()),
            Values::I16(list) => Raw::Int((*list.get(row)?).into()),
            Values::U16(list) => Raw::Int((*list.get(row)?).into()),
            Values::I32(list) => Raw::Int((*list.get(row)?).into()),
            Values::U32(list) => Raw::Int((*list.get(row)?).into()),
            Values::I64(list) => Raw::Int((*list.get(row)?).into()),
            Values::U64(list) => Raw::Int((*list.get(row)?).into()),
            Values::F64(list) => Raw::Float(*list.get(row)?),
        })
    }

    /// Appends many rows at once: all that `append` puts behind the list. Each counts as a value, floats that are not finite
    /// excepted.
    ///
    /// `append` must only append numbers; rows that it takes away are gone with their marks.
    pub fn append_with(&mut self, append: impl FnOnce(&mut Values)) {
        let before = self.len();
        append(&mut self.values);
        let rows = self.len();
        self.left_out.truncate(rows.div_ceil(64));
        self.set_valid(before.min(rows), rows);
        if let Values::F64(list) = &mut self.values {
            for (row, value) in list.iter_mut().enumerate().skip(before).filter(|(_, value)| !value.is_finite()) {
                *value = 0.0;
                clear_bit(&mut self.valid, row);
            }
        }
    }

    /// Marks the last rows, from `from` on, as values.
    fn set_valid(&mut self, from: usize, rows: usize) {
        self.valid.truncate(rows.div_ceil(64));
        let known = self.valid.len();
        // Each word is written once: to change one that was just filled in with others stalls the processor.
        let in_front_of = |word: usize| match rows - (64 * word).min(rows) {
            64.. => u64::MAX,
            rest => !(u64::MAX << rest),
        };
        let first = from / 64;
        if let Some(word) = self.valid.get_mut(first) {
            *word = (*word | u64::MAX << (from % 64)) & in_front_of(first);
        }
        self.valid.extend((known..rows.div_ceil(64)).map(in_front_of));
    }

    /// Makes every row from `from` on absent that holds one of these numbers.
    #[expect(clippy::cast_precision_loss, clippy::float_cmp, reason = "a marker is the exact number as sent")]
    pub fn mark_absent(&mut self, from: usize, markers: &[i128]) {
        for marker in markers {
            macro_rules! mark {
                ($list:expr, $marker:expr) => {{
                    let Some(marker) = $marker else { continue };
                    // Nearly always there is none: a pass without branches finds that out.
                    let rows = $list.get_mut(from..).unwrap_or_default();
                    if rows.iter().fold(false, |any, value| any | (*value == marker)) {
                        for (row, value) in (from..).zip(rows).filter(|(_, value)| **value == marker) {
                            *value = Default::default();
                            clear_bit(&mut self.valid, row);
                        }
                    }
                }};
            }
            match &mut self.values {
                Values::I8(list) => mark!(list, i8::try_from(*marker).ok()),
                Values::U8(list) => mark!(list, u8::try_from(*marker).ok()),
                Values::I16(list) => mark!(list, i16::try_from(*marker).ok()),
                Values::U16(list) => mark!(list, u16::try_from(*marker).ok()),
                Values::I32(list) => mark!(list, i32::try_from(*marker).ok()),
                Values::U32(list) => mark!(list, u32::try_from(*marker).ok()),
                Values::I64(list) => mark!(list, i64::try_from(*marker).ok()),
                Values::U64(list) => mark!(list, u64::try_from(*marker).ok()),
                Values::F64(list) => mark!(list, Some(*marker as f64)),
            }
        }
    }

    /// Writes the value of each row in base units, correctly rounded, as far as `out` reaches. Rows without a value get
    /// zero: look at [`is_valid`](Self::is_valid).
    ///
    /// Numbers sent as floats are worked out in floats.
    pub fn to_f64(&self, scale: &FloatScale, out: &mut [f64]) {
        let reached = self.len().min(out.len());
        let out = out.get_mut(..reached).unwrap_or_default();
        match &self.values {
            Values::I8(list) => scale.convert(list, out),
            Values::U8(list) => scale.convert(list, out),
            Values::I16(list) => scale.convert(list, out),
            Values::U16(list) => scale.convert(list, out),
            Values::I32(list) => scale.convert(list, out),
            Values::U32(list) => scale.convert(list, out),
            Values::I64(list) => out.iter_mut().zip(list).for_each(|(to, raw)| *to = scale.exact((*raw).into())),
            Values::U64(list) => out.iter_mut().zip(list).for_each(|(to, raw)| *to = scale.exact((*raw).into())),
            Values::F64(list) => out.iter_mut().zip(list).for_each(|(to, raw)| *to = scale.float(*raw)),
        }
        if self.all_valid(0..reached) {
            return;
        }
        for (word, rows) in self.valid.iter().zip(out.chunks_mut(64)) {
            if *word != u64::MAX {
                rows.iter_mut().enumerate().filter(|(row, _)| word >> row & 1 == 0).for_each(|(_, value)| *value = 0.0);
            }
        }
    }

    /// The value in billionths of the base unit; `None` where it is absent or does not fit.
    pub fn nanos(&self, row: usize, scale: &Conversion) -> Option<i64> {
        if let Some(raw) = self.integer(row) {
            return scale.nanos_of_integer(raw);
        }
        match self.raw(row)? {
            Raw::Int(raw) => scale.nanos(raw),
            Raw::Float(raw) => scale.nanos_of_float(raw),
        }
    }

    /// The lowest and the highest value of these rows in billionths of the base unit; `None` where none of them has one
    /// that fits.
    pub fn extent(&self, rows: Range<usize>, scale: &Conversion) -> Option<(i64, i64)> {
        if let (Conversion::Linear(scale), true) = (scale, self.all_valid(rows.clone()))
            && let Some((lowest, highest)) = self.integer_extent(rows.clone())
            && let (Some(one), Some(other)) = (scale.nanos(lowest), scale.nanos(highest))
        {
            // A linear scale goes up or down all the way; where both ends fit, so does what lies between.
            return Some((one.min(other), one.max(other)));
        }
        let values = rows.filter_map(|row| self.nanos(row, scale));
        values.fold(None, |known, nanos| match known {
            Some((lowest, highest)) => Some((nanos.min(lowest), nanos.max(highest))),
            None => Some((nanos, nanos)),
        })
    }

    /// The extents of runs of rows that follow each other, in their order: the first run begins at row `from`, each ends
    /// in front of the row that `ends` names. Each is that of [`extent`](Self::extent); many at once are cheaper.
    pub fn extents(&self, from: usize, ends: &[usize], scale: &Conversion, mut put: impl FnMut(Option<(i64, i64)>)) {
        let mut start = from;
        let mut run = |end: usize| std::mem::replace(&mut start, end)..end;
        let full = self.all_valid(from..ends.last().copied().unwrap_or(from));
        macro_rules! runs {
            ($list:expr, $scale:expr) => {
                for rows in ends.iter().map(|end| run(*end)) {
                    let known = match $list.get(rows.clone()) {
                        // While there are few rows, most runs are one.
                        Some([value]) => $scale.nanos_of_integer(i64::from(*value)).map(|nanos| (nanos, nanos)),
                        Some([first, rest @ ..]) => {
                            let lowest = rest.iter().fold(*first, |lowest, value| lowest.min(*value));
                            let highest = rest.iter().fold(*first, |highest, value| highest.max(*value));
                            let nanos = |raw| $scale.nanos_of_integer(i64::from(raw));
                            nanos(lowest).zip(nanos(highest)).map(|(one, other)| (one.min(other), one.max(other)))
                        }
                        _ => None,
                    };
                    // Where an end does not fit, what lies between may.
                    put(known.or_else(|| self.extent(rows, scale)));
                }
            };
        }
        match (&self.values, scale) {
            (Values::I8(list), Conversion::Linear(linear)) if full => runs!(list, linear),
            (Values::U8(list), Conversion::Linear(linear)) if full => runs!(list, linear),
            (Values::I16(list), Conversion::Linear(linear)) if full => runs!(list, linear),
            (Values::U16(list), Conversion::Linear(linear)) if full => runs!(list, linear),
            (Values::I32(list), Conversion::Linear(linear)) if full => runs!(list, linear),
            (Values::U32(list), Conversion::Linear(linear)) if full => runs!(list, linear),
            (Values::I64(list), Conversion::Linear(linear)) if full => runs!(list, linear),
            _ => ends.iter().for_each(|end| put(self.extent(run(*end), scale))),
        }
    }

    fn all_valid(&self, rows: Range<usize>) -> bool {
        // Whole words at once: nearly always each row has a value.
        let (first, last) = (rows.start / 64, rows.end / 64);
        let (head, tail) = (u64::MAX << (rows.start % 64), !(u64::MAX << (rows.end % 64)));
        let has = |word: usize, mask: u64| mask == 0 || self.valid.get(word).is_some_and(|word| word & mask == mask);
        if rows.is_empty() {
            true
        } else if first == last {
            has(first, head & tail)
        } else {
            let whole = self.valid.get(first + 1..last);
            has(first, head) && has(last, tail) && whole.is_some_and(|words| words.iter().all(|word| *word == u64::MAX))
        }
    }

    /// Over numbers as sent; `None` for floats and where there is no row.
    fn integer_extent(&self, rows: Range<usize>) -> Option<(i128, i128)> {
        macro_rules! extent {
            ($list:expr) => {{
                let list = $list.get(rows)?;
                let first = *list.first()?;
                let (lowest, highest) = list
                    .iter()
                    .fold((first, first), |(lowest, highest), value| (lowest.min(*value), highest.max(*value)));
                Some((lowest.into(), highest.into()))
            }};
        }
        match &self.values {
            Values::I8(list) => extent!(list),
            Values::U8(list) => extent!(list),
            Values::I16(list) => extent!(list),
            Values::U16(list) => extent!(list),
            Values::I32(list) => extent!(list),
            Values::U32(list) => extent!(list),
            Values::I64(list) => extent!(list),
            Values::U64(list) => extent!(list),
            Values::F64(_) => None,
        }
    }

    /// The whole number of a row as sent; `None` where it is absent, was sent as a float or does not fit in 64 bits with
    /// a sign.
    #[inline]
    pub fn integer(&self, row: usize) -> Option<i64> {
        if !self.is_valid(row) {
            return None;
        }
        match &self.values {
            Values::I8(list) => Some((*list.get(row)?).into()),
            Values::U8(list) => Some((*list.get(row)?).into()),
            Values::I16(list) => Some((*list.get(row)?).into()),
            Values::U16(list) => Some((*list.get(row)?).into()),
            Values::I32(list) => Some((*list.get(row)?).into()),
            Values::U32(list) => Some((*list.get(row)?).into()),
            Values::I64(list) => list.get(row).copied(),
            Values::U64(list) => i64::try_from(*list.get(row)?).ok(),
            Values::F64(_) => None,
        }
    }

    /// How far the whole numbers of these rows are from `base`, into as many places of `out`. False, and `out` is of no use,
    /// where a row is left out or absent, was sent as a float, or is further from there than 16 bits reach.
    #[expect(
        clippy::cast_possible_truncation,
        reason = "what does not fit is found by another pass over the high bits"
    )]
    pub fn copy_near(&self, rows: Range<usize>, base: i64, out: &mut [i16]) -> bool {
        if rows.len() != out.len() || !self.all_valid(rows.clone()) || !self.all_carried(rows.clone()) {
            return false;
        }
        // Without a branch for each number, so that many are copied at once.
        macro_rules! narrow {
            ($list:expr) => {{
                let (Some(list), Ok(base)) = ($list.get(rows), i32::try_from(base)) else { return false };
                let mut high = 0;
                for (out, value) in out.iter_mut().zip(list) {
                    let near = i32::from(*value).wrapping_sub(base);
                    high |= near.wrapping_add(1 << 15) >> 16;
                    *out = near as i16;
                }
                high == 0
            }};
        }
        macro_rules! wide {
            ($list:expr) => {{
                let Some(list) = $list.get(rows) else { return false };
                out.iter_mut().zip(list).all(|(out, value)| {
                    let near = i128::from(*value) - i128::from(base);
                    *out = near as i16;
                    i128::from(*out) == near
                })
            }};
        }
        match &self.values {
            Values::I8(list) => narrow!(list),
            Values::U8(list) => narrow!(list),
            Values::I16(list) => narrow!(list),
            Values::U16(list) => narrow!(list),
            Values::I32(list) => wide!(list),
            Values::U32(list) => wide!(list),
            Values::I64(list) => wide!(list),
            Values::U64(list) => wide!(list),
            Values::F64(_) => false,
        }
    }

    fn all_carried(&self, rows: Range<usize>) -> bool {
        rows.end <= self.len() && (self.left_out.is_empty() || rows.clone().all(|row| self.is_carried(row)))
    }

    /// Removes all rows and keeps the memory.
    pub fn clear(&mut self) {
        each!(&mut self.values, list => list.clear());
        self.valid.clear();
        self.left_out.clear();
    }
}

fn clear_bit(words: &mut [u64], row: usize) {
    if let Some(word) = words.get_mut(row / 64) {
        *word &= !(1 << (row % 64));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::{Decimal, Unit};
    use crate::scale::Scale;

    #[test]
    fn absent_is_not_zero() {
        let mut column = Column::new(Values::for_integers(16, false));
        column.push(Some(Raw::Int(0)));
        column.push(None);
        column.push(Some(Raw::Int(70_000)));
        column.push(Some(Raw::Int(-1)));
        assert_eq!(column.raw(0), Some(Raw::Int(0)));
        for row in 1..=4 {
            assert_eq!(column.raw(row), None, "row {row}");
        }
    }

    #[test]
    fn left_out_is_not_absent() {
        let mut column = Column::new(Values::for_integers(8, false));
        column.push(None);
        for _ in 0..100 {
            column.push_left_out();
        }
        column.push(Some(Raw::Int(7)));
        assert!(column.is_carried(0) && !column.is_carried(1) && !column.is_carried(100) && column.is_carried(101));
        assert_eq!((column.raw(0), column.raw(50), column.raw(101)), (None, None, Some(Raw::Int(7))));
        assert!(!column.is_carried(102), "no such row");
    }

    #[test]
    fn there_is_no_nan() {
        let mut column = Column::new(Values::F64(Vec::new()));
        column.push(Some(Raw::Float(f64::NAN)));
        column.push(Some(Raw::Float(f64::INFINITY)));
        column.push(Some(Raw::Float(1.5)));
        assert_eq!((column.raw(0), column.raw(1), column.raw(2)), (None, None, Some(Raw::Float(1.5))));
    }

    #[test]
    fn many_rows_at_once_are_as_one_by_one() {
        let numbers = [3, 0, 7, 65_535, 7, 12, 40];
        let (mut one, mut many) =
            (Column::new(Values::for_integers(16, false)), Column::new(Values::for_integers(16, false)));
        for round in 0..40 {
            let from = many.len();
            let block: Vec<u16> = numbers.into_iter().cycle().skip(round).take(round % 9 * 5).collect();
            many.append_with(|values| {
                if let Values::U16(list) = values {
                    list.extend_from_slice(&block);
                }
            });
            many.mark_absent(from, &[7, -1, 1 << 80, 65_535]);
            for raw in block {
                one.push((raw != 7 && raw != 65_535).then_some(Raw::Int(raw.into())));
            }
            assert_eq!(one, many, "after {round} blocks");
            if round % 3 == 0 {
                one.push_left_out();
                many.push_left_out();
            }
        }
        let mut floats = Column::new(Values::F64(Vec::new()));
        floats.append_with(|values| {
            if let Values::F64(list) = values {
                list.extend([1.0, f64::NAN, f64::NEG_INFINITY, 4.0]);
            }
        });
        floats.mark_absent(0, &[4]);
        let raws: Vec<_> = (0..4).map(|row| floats.raw(row)).collect();
        assert_eq!(raws, [Some(Raw::Float(1.0)), None, None, None]);
        assert_eq!(floats.values(), &Values::F64(vec![1.0, 0.0, 0.0, 0.0]));
    }

    #[test]
    fn rows_without_a_value_are_zero_in_floats() {
        let mut column = Column::new(Values::for_integers(16, true));
        for row in 0..70_i128 {
            column.push((row % 5 != 0).then_some(Raw::Int(row)));
        }
        let kelvin =
            Scale::new(Unit::parse("degC").expect("a unit"), Decimal::parse("0.1").expect("a number"), Decimal::ZERO);
        let mut out = [f64::MAX; 71];
        column.to_f64(&FloatScale::new(&kelvin.expect("a scale")), &mut out);
        assert_eq!((out[1], out[5], out[69], out[70]), (0.1, 0.0, 6.9, f64::MAX));
    }

    #[test]
    fn an_extent_is_that_of_each_row() {
        let volt = Unit::parse("mV").expect("a unit");
        let falling = Scale::new(volt, Decimal::parse("-0.5").expect("a number"), Decimal::ZERO).expect("a scale");
        let mut column = Column::new(Values::for_integers(16, true));
        for row in 0..300_i128 {
            column.push((row % 97 != 13).then_some(Raw::Int(row * 7919 % 1000 - 500)));
        }
        let mut floats = Column::new(Values::F64(Vec::new()));
        for row in 0..300 {
            floats.push((row % 50 != 3).then(|| Raw::Float(f64::from(row * 37 % 101) / 8.0)));
        }
        for column in [column, floats] {
            for scale in [Conversion::Linear(Scale::of_unit(volt)), Conversion::Linear(falling)] {
                for (from, to) in [(0, 0), (0, 13), (13, 14), (14, 110), (0, 300), (130, 131), (63, 65), (290, 400)] {
                    let each: Vec<i64> = (from..to).filter_map(|row| column.nanos(row, &scale)).collect();
                    let expected = each.iter().min().copied().zip(each.iter().max().copied());
                    assert_eq!(column.extent(from..to, &scale), expected, "{from}..{to}");
                }
                for (from, ends) in [(0, vec![13, 14, 14, 63, 110]), (14, vec![15, 16, 60, 64, 110]), (7, vec![])] {
                    let mut known = Vec::new();
                    column.extents(from, &ends, &scale, |extent| known.push(extent));
                    let starts = [from].into_iter().chain(ends.iter().copied());
                    let expected = starts.zip(&ends).map(|(start, end)| column.extent(start..*end, &scale));
                    assert_eq!(known, expected.collect::<Vec<_>>(), "{from}, {ends:?}");
                }
            }
        }
    }

    #[test]
    fn a_whole_number_is_the_number_as_sent() {
        for values in [(8, true), (8, false), (16, true), (16, false), (32, true), (32, false), (64, true), (64, false)]
        {
            let mut column = Column::new(Values::for_integers(values.0, values.1));
            for raw in [0, 1, -1, 127, -128, 40_000, i32::MIN.into(), i64::MAX.into(), u64::MAX.into()] {
                column.push(Some(Raw::Int(raw)));
            }
            column.push(None);
            for row in 0..column.len() + 1 {
                let raw = column.raw(row).and_then(Raw::int);
                assert_eq!(column.integer(row), raw.and_then(|raw| i64::try_from(raw).ok()), "{values:?} {row}");
            }
        }
        let mut floats = Column::new(Values::F64(Vec::new()));
        floats.push(Some(Raw::Float(2.0)));
        assert_eq!(floats.integer(0), None);
    }

    #[test]
    fn near_numbers_are_the_numbers_as_sent_less_the_base() {
        for (bits, signed) in
            [(8, true), (8, false), (16, true), (16, false), (32, true), (32, false), (64, true), (64, false)]
        {
            for base in [0, -100, 4_000, 40_000, i64::from(i32::MAX), i64::MIN, i64::MAX] {
                let mut column = Column::new(Values::for_integers(bits, signed));
                let near = [base, base.wrapping_add(32_767), base.wrapping_sub(32_768), base ^ 5, 7, 0];
                let far = [base.wrapping_add(32_768), base.wrapping_sub(32_769), base ^ i64::MIN, i64::MAX];
                for raw in near.into_iter().chain(far) {
                    column.push(Some(Raw::Int(raw.into())));
                }
                column.push_left_out();
                for row in 0..column.len() + 2 {
                    let expected = column
                        .integer(row)
                        .filter(|_| column.is_carried(row))
                        .and_then(|raw| i16::try_from(i128::from(raw) - i128::from(base)).ok());
                    let mut out = [0];
                    let copied = column.copy_near(row..row + 1, base, &mut out).then_some(out[0]);
                    // A base beyond 32 bits is far from all that narrow columns hold.
                    assert_eq!(copied, expected, "{bits} {signed} {base} {row}");
                }
                let mut out = [0; 11];
                assert!(!column.copy_near(0..11, base, &mut out), "one is left out");
            }
        }
        let mut column = Column::new(Values::for_integers(16, false));
        (0..100).for_each(|raw| column.push(Some(Raw::Int(3_800 + raw))));
        let mut out = [0; 100];
        assert!(column.copy_near(0..100, 3_850, &mut out));
        assert_eq!((out[0], out[50], out[99]), (-50, 0, 49));
        assert!(!column.copy_near(1..101, 3_850, &mut out), "there is no such row");
        column.push(Some(Raw::Int(60_000)));
        assert!(!column.copy_near(1..101, 3_850, &mut out), "one is far off");
    }

    #[test]
    fn the_mask_goes_past_a_word() {
        let mut column = Column::new(Values::for_integers(8, true));
        for row in 0..200_i128 {
            column.push((row % 3 == 0).then_some(Raw::Int(row % 100)));
        }
        for row in 0..200 {
            assert_eq!(column.is_valid(row), row % 3 == 0);
        }
        for rows in [0, 1, 63, 64, 65, 128, 200] {
            for absent in (0..rows).map(Some).chain([None]) {
                let mut column = Column::new(Values::for_integers(8, true));
                (0..rows).for_each(|row| column.push((absent != Some(row)).then_some(Raw::Int(7))));
                assert_eq!(column.is_full(), absent.is_none(), "{rows} rows, {absent:?}");
            }
        }
        for values in [Values::for_integers(64, true), Values::for_integers(8, false)] {
            let (mut one, mut other) = (Column::new(values.clone()), Column::new(values));
            for row in -5..200_i64 {
                let raw = (row % 3 != 0).then_some(row);
                one.push(raw.map(|raw| Raw::Int(raw.into())));
                other.push_small(raw);
            }
            assert_eq!(one, other);
        }
        column.clear();
        assert!(column.is_empty() && !column.is_valid(0));
    }
}
