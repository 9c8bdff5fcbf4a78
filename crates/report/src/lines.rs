//! The lines of a table, made column by column of what a message kind carries.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::ops::Range;

use model::{
    Batch, Channel, Column, ColumnLayout, Conversion, Dimension, Item, Layout, Quantity, Rows, SessionTime, Values,
};

use crate::text::Text;

/// Numbers of 16 bits.
const SHORTS: usize = 1 << 16;

/// Makes lines of batches.
#[derive(Debug)]
pub(crate) struct Lines {
    header: Vec<String>,
    /// Each way of writing once: columns of the same unit and scale share what is worked out for it.
    forms: Vec<Form>,
    /// Indexed as the layout's kinds.
    kinds: Vec<Vec<Cell>>,
}

/// What stands in a column behind the time.
#[derive(Clone, Debug, Default)]
struct Cell {
    /// Column of the batch and form. Where a kind has several for one channel, the last with a value counts.
    from: Vec<(usize, usize)>,
}

impl Lines {
    pub(crate) fn new(layout: &Layout) -> Self {
        let mut channels: Vec<Channel> =
            layout.kinds.iter().flat_map(|kind| &kind.columns).map(|column| column.channel).collect();
        // In the order of the protocol file, each channel once: two messages can carry the same one.
        let mut places = BTreeMap::new();
        channels.retain(|channel| {
            let place = places.len();
            let new = !places.contains_key(channel);
            places.entry(*channel).or_insert(place);
            new
        });
        let mut forms: Vec<Form> = Vec::new();
        let mut form_of = |column: &ColumnLayout| {
            let writing = Writing::of(column);
            forms.iter().position(|form| form.writing == writing).unwrap_or_else(|| {
                forms.push(Form { writing, unsigned: Vec::new(), signed: Vec::new() });
                forms.len() - 1
            })
        };
        let mut cells_of = |columns: &[ColumnLayout]| {
            let mut cells = vec![Cell::default(); channels.len()];
            for (index, column) in columns.iter().enumerate() {
                let form = form_of(column);
                if let Some(cell) = places.get(&column.channel).and_then(|place| cells.get_mut(*place)) {
                    cell.from.insert(0, (index, form));
                }
            }
            cells
        };
        let kinds = layout.kinds.iter().map(|kind| cells_of(&kind.columns)).collect();
        let mut header = vec!["time_s".to_owned()];
        header.extend(channels.iter().map(|channel| channel.column_name()));
        Self { header, forms, kinds }
    }

    /// The names of the columns.
    pub(crate) fn header(&self) -> &[String] {
        &self.header
    }

    /// Writes a line for each row in the range, in the order in which they came; how many.
    pub(crate) fn append(&mut self, batch: &Batch, range: Option<&Range<SessionTime>>, text: &mut Text) -> u64 {
        let kinds: Vec<(&Rows, Vec<Part>)> =
            batch.kinds.iter().zip(&self.kinds).map(|(rows, cells)| (rows, parts(rows, cells))).collect();
        let mut lines = 0;
        for item in &batch.order {
            let Item::Row { kind, row } = *item else { continue };
            let Some((rows, parts)) = kinds.get(usize::from(kind)) else { continue };
            let row = row as usize;
            let Some(at) = rows.at.get(row).copied() else { continue };
            if range.is_some_and(|range| !range.contains(&at)) {
                continue;
            }
            text.size(at.nanos, 3);
            for part in parts {
                part.write(row, &mut self.forms, text);
            }
            text.byte(b'\n');
            lines += 1;
        }
        lines
    }
}

/// Neighbouring columns of a batch that are written in the same way.
enum Part<'b> {
    /// So many cells that stay empty.
    Empty(usize),
    /// Whole columns of short numbers that all have a value, and their form.
    I8(Vec<&'b [i8]>, usize),
    U8(Vec<&'b [u8]>, usize),
    I16(Vec<&'b [i16]>, usize),
    U16(Vec<&'b [u16]>, usize),
    /// One cell: the first of these that has a text.
    Any(Vec<(&'b Column, usize)>),
}

fn parts<'b>(rows: &'b Rows, cells: &[Cell]) -> Vec<Part<'b>> {
    let mut parts: Vec<Part<'b>> = Vec::new();
    for cell in cells {
        let from = |(index, form): &(usize, usize)| Some((rows.columns.get(*index)?, *form));
        let columns: Vec<(&Column, usize)> = cell.from.iter().filter_map(from).collect();
        let whole = match columns.as_slice() {
            [(column, form)] if column.is_full() => Some((column.values(), *form)),
            _ => None,
        };
        match (whole, parts.last_mut()) {
            (Some((Values::I8(list), form)), Some(Part::I8(lists, same))) if form == *same => lists.push(list),
            (Some((Values::U8(list), form)), Some(Part::U8(lists, same))) if form == *same => lists.push(list),
            (Some((Values::I16(list), form)), Some(Part::I16(lists, same))) if form == *same => lists.push(list),
            (Some((Values::U16(list), form)), Some(Part::U16(lists, same))) if form == *same => lists.push(list),
            (Some((Values::I8(list), form)), _) => parts.push(Part::I8(vec![list], form)),
            (Some((Values::U8(list), form)), _) => parts.push(Part::U8(vec![list], form)),
            (Some((Values::I16(list), form)), _) => parts.push(Part::I16(vec![list], form)),
            (Some((Values::U16(list), form)), _) => parts.push(Part::U16(vec![list], form)),
            (None, Some(Part::Empty(count))) if columns.is_empty() => *count += 1,
            (None, _) if columns.is_empty() => parts.push(Part::Empty(1)),
            _ => parts.push(Part::Any(columns)),
        }
    }
    parts
}

impl Part<'_> {
    #[inline]
    fn write(&self, row: usize, forms: &mut [Form], text: &mut Text) {
        match self {
            Self::Empty(count) => (0..*count).for_each(|_| text.byte(b',')),
            Self::I8(lists, form) => short_cells(lists, row, forms.get_mut(*form), text),
            Self::U8(lists, form) => short_cells(lists, row, forms.get_mut(*form), text),
            Self::I16(lists, form) => short_cells(lists, row, forms.get_mut(*form), text),
            Self::U16(lists, form) => short_cells(lists, row, forms.get_mut(*form), text),
            Self::Any(columns) => {
                text.byte(b',');
                for (column, form) in columns {
                    if column.is_valid(row) && forms.get_mut(*form).is_some_and(|form| form.cell(column, row, text)) {
                        break;
                    }
                }
            }
        }
    }
}

#[inline]
fn short_cells<T: Short>(lists: &[&[T]], row: usize, form: Option<&mut Form>, text: &mut Text) {
    let Some(form) = form else { return };
    let (words, writing) = form.words::<T>();
    for list in lists {
        match list.get(row) {
            Some(value) => _ = short(*value, words, writing, text),
            None => text.byte(b','),
        }
    }
}

/// A short text in a word: its bytes from the lowest on, and `READY` and its length in the highest.
///
/// Zero is a text that was not worked out yet.
type Word = u64;

const READY: u64 = 0x80;
/// The text is longer than a word holds and is worked out each time.
const LONG: u64 = 0xFF;
const TOP: u32 = 56;

/// A number of at most 16 bits.
trait Short: Copy + Into<i64> {
    const SIGNED: bool;
    /// The same bits.
    fn index(self) -> u16;
}

impl Short for i8 {
    const SIGNED: bool = true;
    #[inline]
    fn index(self) -> u16 {
        i16::from(self).cast_unsigned()
    }
}

impl Short for u8 {
    const SIGNED: bool = false;
    #[inline]
    fn index(self) -> u16 {
        self.into()
    }
}

impl Short for i16 {
    const SIGNED: bool = true;
    #[inline]
    fn index(self) -> u16 {
        self.cast_unsigned()
    }
}

impl Short for u16 {
    const SIGNED: bool = false;
    #[inline]
    fn index(self) -> u16 {
        self
    }
}

/// Writes a comma and the text of a number; false if it has none.
#[inline]
fn short<T: Short>(value: T, words: &mut [Word], writing: &Writing, text: &mut Text) -> bool {
    let Some(slot) = words.get_mut(usize::from(value.index())) else { return false };
    if *slot >> TOP == 0 {
        *slot = writing.word(value.into());
    }
    let length = (*slot >> TOP) ^ READY;
    if length < 8 {
        // The length falls out at the top where the comma comes in.
        text.put((*slot << 8 | u64::from(b',')).to_le_bytes(), 1 + length as usize);
        return 0 < length;
    }
    text.byte(b',');
    writing.integer(value.into(), text)
}

/// How a column is written, and the texts of short numbers that were worked out already.
#[derive(Debug)]
struct Form {
    writing: Writing,
    /// Half a megabyte each, made when they are first wanted; the system gives memory only for what is touched.
    unsigned: Vec<Word>,
    signed: Vec<Word>,
}

impl Form {
    #[inline]
    fn words<T: Short>(&mut self) -> (&mut [Word], &Writing) {
        let words = if T::SIGNED { &mut self.signed } else { &mut self.unsigned };
        if words.is_empty() {
            *words = vec![0; SHORTS];
        }
        (words, &self.writing)
    }

    /// Writes the value of a row that has one; false if there is no text for it.
    fn cell(&mut self, column: &Column, row: usize, text: &mut Text) -> bool {
        match column.values() {
            Values::I8(list) => list.get(row).is_some_and(|value| self.writing.integer((*value).into(), text)),
            Values::U8(list) => list.get(row).is_some_and(|value| self.writing.integer((*value).into(), text)),
            Values::I16(list) => list.get(row).is_some_and(|value| self.writing.integer((*value).into(), text)),
            Values::U16(list) => list.get(row).is_some_and(|value| self.writing.integer((*value).into(), text)),
            Values::I32(list) => list.get(row).is_some_and(|value| self.writing.integer((*value).into(), text)),
            Values::U32(list) => list.get(row).is_some_and(|value| self.writing.integer((*value).into(), text)),
            Values::I64(list) => list.get(row).is_some_and(|value| self.writing.integer(*value, text)),
            Values::U64(list) => list.get(row).is_some_and(|value| self.writing.unsigned(*value, text)),
            Values::F64(list) => list.get(row).is_some_and(|value| self.writing.float(*value, text)),
        }
    }
}

/// How numbers as sent become text.
#[derive(Clone, PartialEq, Debug)]
enum Writing {
    /// As they were sent: counters, flags, states.
    AsSent,
    /// Exact decimals in base units, at least so many.
    Measured { scale: Conversion, decimals: u8 },
}

impl Writing {
    fn of(column: &ColumnLayout) -> Self {
        let quantity = column.channel.quantity;
        if quantity.dimension() == Dimension::Number || quantity == Quantity::FrameCounter {
            return Self::AsSent;
        }
        Self::Measured { scale: column.scale.clone(), decimals: decimals(column.scale.resolution()) }
    }

    /// Writes a number; false if it has no value.
    #[inline]
    fn integer(&self, raw: i64, text: &mut Text) -> bool {
        match self {
            Self::AsSent => text.integer(raw),
            Self::Measured { scale, decimals } => {
                let Some(nanos) = scale.nanos(raw.into()) else { return false };
                text.nanos(nanos, *decimals);
            }
        }
        true
    }

    fn unsigned(&self, raw: u64, text: &mut Text) -> bool {
        match self {
            Self::AsSent => text.whole(raw),
            Self::Measured { scale, decimals } => {
                let Some(nanos) = scale.nanos(raw.into()) else { return false };
                text.nanos(nanos, *decimals);
            }
        }
        true
    }

    fn float(&self, raw: f64, text: &mut Text) -> bool {
        match self {
            Self::AsSent => write!(text, "{raw}").is_ok(),
            Self::Measured { scale, decimals } => {
                let Some(nanos) = scale.nanos_of_float(raw) else { return false };
                text.nanos(nanos, *decimals);
                true
            }
        }
    }

    /// The text of a short number as a word.
    #[cold]
    fn word(&self, raw: i64) -> Word {
        let mut text = Text::default();
        self.integer(raw, &mut text);
        let written = text.written();
        if 7 < written.len() {
            return LONG << TOP;
        }
        let mut bytes = [0; 8];
        bytes.iter_mut().zip(written).for_each(|(to, from)| *to = *from);
        u64::from_le_bytes(bytes) | (READY | written.len() as u64) << TOP
    }
}

/// The decimals that a step needs: 3 for a millivolt, 1 for a tenth of a degree.
fn decimals(step: i64) -> u8 {
    let needed = |decimals: &u8| step % 10_i64.pow(9 - u32::from(*decimals)) == 0;
    (0..9).find(needed).unwrap_or(9)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimals_follow_the_step() {
        for (step, expected) in [(1_000_000, 3), (10_000_000, 2), (100_000_000, 1), (1_000_000_000, 0), (1, 9)] {
            assert_eq!(decimals(step), expected, "{step}");
        }
    }
}
