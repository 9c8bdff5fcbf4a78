//! Decoded rows in columns, with the order in which they came.

use std::fmt;

use crate::curve::Conversion;
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

    /// The value in billionths of the base unit; `None` where it is absent or does not fit.
    pub fn nanos(&self, row: usize, scale: &Conversion) -> Option<i64> {
        match self.raw(row)? {
            Raw::Int(raw) => scale.nanos(raw),
            Raw::Float(raw) => scale.nanos_of_float(raw),
        }
    }

    /// Removes all rows and keeps the memory.
    pub fn clear(&mut self) {
        each!(&mut self.values, list => list.clear());
        self.valid.clear();
        self.left_out.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
    fn the_mask_goes_past_a_word() {
        let mut column = Column::new(Values::for_integers(8, true));
        for row in 0..200_i128 {
            column.push((row % 3 == 0).then_some(Raw::Int(row % 100)));
        }
        for row in 0..200 {
            assert_eq!(column.is_valid(row), row % 3 == 0);
        }
        column.clear();
        assert!(column.is_empty() && !column.is_valid(0));
    }
}
