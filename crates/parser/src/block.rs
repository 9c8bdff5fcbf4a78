//! Many bodies of one message, column by column.
//!
//! A message whose parts stand at the same places in each frame needs no walk through its parts: for each column it is
//! known beforehand where its bytes stand. Neighbouring 16-bit units are taken out of all frames together (`gather`) and
//! put together to wider numbers; what does not stand in such a window is read frame by frame. A message that does not
//! fit is left to `body`, whose results these are.

use model::{Column, Values};

use crate::gather::{BLOCK, HighFirst, LANES, Starts, UNITS, Units, WINDOW, gather};
use crate::protocol::{Field, FieldSource, Message, Number, Times};

/// How the columns of a message are read.
#[derive(Debug)]
pub(crate) struct Reading {
    windows: Vec<Window>,
    singles: Vec<(Spot, ColumnPlan)>,
}

/// Eight units, and the columns that stand in them.
#[derive(Debug)]
struct Window {
    at: usize,
    high_first: HighFirst,
    /// Each with its first unit, and whether its byte is the second of it.
    columns: Vec<(usize, bool, ColumnPlan)>,
}

/// One number in a body.
#[derive(Clone, Copy, Debug)]
struct Spot {
    at: usize,
    width: usize,
    big: bool,
}

/// What becomes of a number.
#[derive(Clone, Debug)]
struct ColumnPlan {
    column: usize,
    spot: Spot,
    number: Number,
    bits: Option<(u8, u8)>,
    absent: Vec<i128>,
}

/// Space to work in, kept from block to block.
#[derive(Debug)]
pub(crate) struct Scratch {
    units: Box<Units>,
    words: Box<[u64; BLOCK]>,
}

impl Scratch {
    pub(crate) fn new() -> Self {
        Self { units: Box::new([[0; BLOCK]; UNITS]), words: Box::new([0; BLOCK]) }
    }
}

impl Reading {
    /// For bodies that are as long as can be, `before` bytes behind the places that are given later, with nothing to read
    /// behind `end`. `None` where the places or the values of the columns depend on the frame.
    pub(crate) fn new(message: &Message, before: usize, end: usize) -> Option<Self> {
        let mut plans = column_plans(message, before)?;
        plans.sort_by_key(|plan| plan.spot.at);
        let mut filled: Vec<usize> = plans.iter().map(|plan| plan.column).collect();
        filled.sort_unstable();
        if !filled.into_iter().eq(0..message.column_count) {
            return None;
        }
        let mut reading = Self { windows: Vec::new(), singles: Vec::new() };
        for plan in plans {
            let fits = |window: &Window| window.place(plan.spot).is_some();
            if !reading.windows.last().is_some_and(fits) {
                match Window::around(plan.spot, end) {
                    Some(window) => reading.windows.push(window),
                    None => {
                        reading.singles.push((plan.spot, plan));
                        continue;
                    }
                }
            }
            if let Some(window) = reading.windows.last_mut() {
                window.add(plan);
            }
        }
        Some(reading)
    }

    /// Appends a row for each of the first `rows` starts to every column. There are at most [`BLOCK`], filled up to a
    /// multiple of [`LANES`].
    pub(crate) fn append(
        &self,
        bytes: &[u8],
        (starts, rows): (&[u32], usize),
        fast: bool,
        columns: &mut [Column],
        scratch: &mut Scratch,
    ) {
        debug_assert!(rows <= starts.len() && starts.len() <= BLOCK && starts.len().is_multiple_of(LANES));
        let Scratch { units, words } = scratch;
        let starts = Starts::new(starts);
        for window in &self.windows {
            gather(bytes, starts, window.at, &window.high_first, fast, units);
            for (unit, second, plan) in &window.columns {
                if let Some(column) = columns.get_mut(plan.column) {
                    let lists = units.get(*unit..).unwrap_or_default();
                    plan.append_units(lists, *second, rows, column, words);
                }
            }
        }
        for (spot, plan) in &self.singles {
            for (word, start) in words.iter_mut().zip(starts.list()).take(rows) {
                *word = spot.read(bytes, *start);
            }
            if let Some(column) = columns.get_mut(plan.column) {
                plan.append_words(words.get(..rows).unwrap_or_default(), column);
            }
        }
    }
}

/// One plan a column; `None` where one depends on more than its own bytes.
fn column_plans(message: &Message, before: usize) -> Option<Vec<ColumnPlan>> {
    let mut plans = Vec::new();
    // Where each part stands, for parts of its bits.
    let mut spots: Vec<Option<Spot>> = Vec::new();
    let mut at = before;
    for field in &message.fields {
        let (spot, times) = match (&field.source, field.times) {
            (FieldSource::Body, Times::Fixed(times)) => {
                let spot = Spot { at, width: field.number.width(), big: high_first(field.number)? };
                at += spot.width * times;
                (spot, times)
            }
            (FieldSource::Of(part), _) => {
                let whole = message.fields.get(*part)?;
                let plain =
                    matches!(whole.source, FieldSource::Body) && whole.bits.is_none() && whole.absent.is_empty();
                ((*spots.get(*part)?).filter(|_| plain && same_width(whole, field))?, 1)
            }
            _ => return None,
        };
        spots.push(Some(spot));
        if field.from.is_some() || field.bits.is_some_and(|(low, count)| 8 * spot.width < usize::from(low + count)) {
            return None;
        }
        let Some(first) = field.first_column else { continue };
        for repeat in 0..times {
            let spot = Spot { at: spot.at + repeat * spot.width, ..spot };
            let (number, bits, absent) = (field.number, field.bits, field.absent.clone());
            plans.push(ColumnPlan { column: first + repeat, spot, number, bits, absent });
        }
    }
    Some(plans)
}

fn same_width(whole: &Field, bits: &Field) -> bool {
    matches!(whole.number, Number::Int { .. }) && matches!(bits.number, Number::Int { .. }) && bits.bits.is_some()
}

/// Whether the high byte comes first; `None` for encodings that not all bytes are.
pub(crate) fn high_first(number: Number) -> Option<bool> {
    match number {
        Number::Int { big, .. } | Number::Float { big, .. } => Some(big),
        Number::Bcd { .. }
        | Number::Characters { .. }
        | Number::HexCharacters { .. }
        | Number::Digits { .. }
        | Number::HexDigits
        | Number::Word => None,
    }
}

impl Window {
    /// A window that begins with this number, or as near before it as the end allows.
    fn around(spot: Spot, end: usize) -> Option<Self> {
        if !matches!(spot.width, 1 | 2 | 4 | 8) {
            return None;
        }
        let late = (spot.at + WINDOW).saturating_sub(end);
        // Wider numbers begin with a unit; a byte may be the second of one.
        let at = spot.at.checked_sub(if spot.width == 1 { late } else { late.next_multiple_of(2) })?;
        Some(Self { at, high_first: [false; UNITS], columns: Vec::new() })
    }

    /// In which unit a number begins, and whether with its second byte; `None` where it does not stand here.
    fn place(&self, spot: Spot) -> Option<(usize, bool)> {
        let inside = spot.at.checked_sub(self.at)?;
        let whole = match spot.width {
            1 => true,
            2 | 4 | 8 => inside.is_multiple_of(2),
            _ => false,
        };
        let units = inside / 2..(inside + spot.width).div_ceil(2);
        // A unit that another number has with its high byte first must not be read as two bytes.
        let free = spot.width != 1 || self.high_first.get(inside / 2) == Some(&false);
        (whole && free && inside + spot.width <= WINDOW).then_some((units.start, inside % 2 == 1))
    }

    fn add(&mut self, plan: ColumnPlan) {
        let Some((unit, second)) = self.place(plan.spot) else { return };
        if plan.spot.big && 1 < plan.spot.width {
            for flag in self.high_first.iter_mut().skip(unit).take(plan.spot.width / 2) {
                *flag = true;
            }
        }
        self.columns.push((unit, second, plan));
    }
}

impl Spot {
    fn read(self, bytes: &[u8], start: u32) -> u64 {
        let from = usize::try_from(start).unwrap_or(usize::MAX).saturating_add(self.at);
        let place = bytes.get(from..from.saturating_add(self.width)).unwrap_or_default();
        let add = |sum: u64, byte: &u8| sum << 8 | u64::from(*byte);
        if self.big { place.iter().fold(0, add) } else { place.iter().rev().fold(0, add) }
    }
}

#[expect(clippy::cast_possible_truncation, reason = "a column is as wide as its numbers")]
impl ColumnPlan {
    /// From lists of units, of which the first is that in which the number begins.
    fn append_units(
        &self,
        units: &[[u16; BLOCK]],
        second: bool,
        rows: usize,
        column: &mut Column,
        words: &mut [u64; BLOCK],
    ) {
        let list = |index: usize| units.get(index).and_then(|list| list.get(..rows)).unwrap_or_default();
        let words = words.get_mut(..rows).unwrap_or_default();
        match (self.spot.width, self.bits, column.values()) {
            (2, None, Values::U16(_)) => self.append(column, |values| {
                if let Values::U16(to) = values {
                    to.extend_from_slice(list(0));
                }
            }),
            (2, None, Values::I16(_)) => self.append(column, |values| {
                if let Values::I16(to) = values {
                    to.extend(list(0).iter().map(|unit| unit.cast_signed()));
                }
            }),
            (4, None, Values::U32(_) | Values::I32(_)) => {
                let (high, low) = if self.spot.big { (list(0), list(1)) } else { (list(1), list(0)) };
                let wide = high.iter().zip(low).map(|(high, low)| u32::from(*high) << 16 | u32::from(*low));
                self.append(column, |values| match values {
                    Values::U32(to) => to.extend(wide),
                    Values::I32(to) => to.extend(wide.map(u32::cast_signed)),
                    _ => {}
                });
            }
            (1, _, _) => {
                for (word, unit) in words.iter_mut().zip(list(0)) {
                    *word = u64::from(if second { unit >> 8 } else { unit & 0xFF });
                }
                self.append_words(words, column);
            }
            (width, _, _) => {
                words.fill(0);
                let count = width / 2;
                for index in 0..count {
                    let unit = if self.spot.big { index } else { count - 1 - index };
                    for (word, unit) in words.iter_mut().zip(list(unit)) {
                        *word = *word << 16 | u64::from(*unit);
                    }
                }
                self.append_words(words, column);
            }
        }
    }

    /// From words whose lowest bytes are the number.
    fn append_words(&self, words: &[u64], column: &mut Column) {
        let (mut low, mut count) = (0, 8 * self.spot.width as u32);
        if let Some((first, bits)) = self.bits {
            (low, count) = (u32::from(first), u32::from(bits));
        }
        let signed = matches!(self.number, Number::Int { signed: true, .. });
        let above = 64 - count.clamp(1, 64);
        let number = |word: &u64| {
            let top = word.checked_shr(low).unwrap_or(0) << above;
            if signed { (top.cast_signed() >> above).cast_unsigned() } else { top >> above }
        };
        self.append(column, |values| match values {
            Values::I8(to) => to.extend(words.iter().map(|word| number(word) as i8)),
            Values::U8(to) => to.extend(words.iter().map(|word| number(word) as u8)),
            Values::I16(to) => to.extend(words.iter().map(|word| number(word) as i16)),
            Values::U16(to) => to.extend(words.iter().map(|word| number(word) as u16)),
            Values::I32(to) => to.extend(words.iter().map(|word| number(word) as i32)),
            Values::U32(to) => to.extend(words.iter().map(|word| number(word) as u32)),
            Values::I64(to) => to.extend(words.iter().map(|word| number(word).cast_signed())),
            Values::U64(to) => to.extend(words.iter().map(number)),
            Values::F64(to) => match self.spot.width {
                2 => to.extend(words.iter().map(|word| half::f16::from_bits(*word as u16).to_f64())),
                4 => to.extend(words.iter().map(|word| f64::from(f32::from_bits(*word as u32)))),
                _ => to.extend(words.iter().map(|word| f64::from_bits(*word))),
            },
        });
    }

    fn append(&self, column: &mut Column, append: impl FnOnce(&mut Values)) {
        let from = column.len();
        column.append_with(append);
        column.mark_absent(from, &self.absent);
    }
}
