//! The compiled plan of text lines: lines of known columns are read in one pass, without lists in between.
//!
//! As with frames of bytes (`plan`): a line that is whole, sound and as described is taken; every other place is left to
//! the general search, which decides what it is.

use model::Rows;

use crate::plan::find_byte;
use crate::protocol::{Field, FieldSource, IdValue, Message, Number, Protocol, Shape, TextFrame, Times};
use crate::text_lines::{check_value, line_end_of, read};

/// What is known of the lines of a protocol that has only these.
#[derive(Debug)]
pub(crate) struct LinePlan {
    shape: TextFrame,
    longest: usize,
    start: u8,
    separator: u8,
    mark: u8,
    /// In the order in which they are tried; `None` where the general search must look.
    messages: Vec<Line>,
}

#[derive(Debug)]
struct Line {
    message: usize,
    /// What the first column says.
    word: Vec<u8>,
    /// What stands in the columns behind it; `None` where a line must be looked at by the general search.
    slots: Option<Vec<Slot>>,
}

/// One column of a line.
#[derive(Debug)]
enum Slot {
    /// Nobody reads it.
    Skip,
    Value {
        column: usize,
        decimals: usize,
        plain: bool,
        field: Box<Field>,
    },
}

/// A line that was taken.
pub(crate) struct TakenLine {
    pub(crate) message: usize,
    pub(crate) length: usize,
}

impl LinePlan {
    /// `None` unless all lines are of one form whose marks are single characters.
    pub(crate) fn new(protocol: &Protocol) -> Option<Self> {
        let ([frame], None) = (protocol.frames.as_slice(), protocol.wrapping) else { return None };
        let Shape::Text(shape) = &frame.shape else { return None };
        let [start] = *shape.start.as_slice() else { return None };
        let [separator] = *shape.separator.as_slice() else { return None };
        let [mark] = *shape.check.as_ref()?.mark.as_slice() else { return None };
        let [id] = shape.ids.as_slice() else { return None };
        let word = |message: &Message| match message.ids.iter().find(|(name, _)| *name == id.name)? {
            (_, IdValue::Word(word)) => Some(word.clone().into_bytes()),
            (_, IdValue::Number(_)) => None,
        };
        if id.column != 0 {
            return None;
        }
        let line = |index: &usize| {
            let message = protocol.messages.get(*index)?;
            Some(Line { message: *index, word: word(message)?, slots: slots(message) })
        };
        let messages = frame.messages.iter().map(line).collect::<Option<_>>()?;
        Some(Self { shape: shape.clone(), longest: frame.longest, start, separator, mark, messages })
    }

    /// At how many bytes from the first on no line begins.
    pub(crate) fn skippable(&self, bytes: &[u8]) -> usize {
        find_byte(bytes, self.start)
    }

    /// The line at the first byte, if the plan can tell; its values are then in `values`, one a column.
    pub(crate) fn take(&self, bytes: &[u8], values: &mut Vec<Option<i64>>) -> Option<TakenLine> {
        let (first, rest) = bytes.get(..self.longest).unwrap_or(bytes).split_first()?;
        if *first != self.start {
            return None;
        }
        let end = line_end_of(rest, self.start)?;
        let line = rest.get(..end)?;
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        // Nearly always the digits of the checksum are few, so that the mark stands near the end.
        let at = line.iter().rposition(|byte| *byte == self.mark)?;
        let content = line.get(..at)?;
        if check_value(&self.shape, bytes, content)? != hex_of(line.get(at + 1..)?)? {
            return None;
        }
        let known = |line: &&Line| match content.strip_prefix(line.word.as_slice()) {
            Some(rest) => rest.first().is_none_or(|next| *next == self.separator),
            None => false,
        };
        let line = self.messages.iter().find(known)?;
        values.clear();
        let behind = content.get(line.word.len()..)?;
        self.read_slots(line.slots.as_ref()?, behind, values)?;
        Some(TakenLine { message: line.message, length: end + 2 })
    }

    /// Reads the columns of a line, each with the separator in front.
    fn read_slots(&self, slots: &[Slot], mut rest: &[u8], values: &mut Vec<Option<i64>>) -> Option<()> {
        values.resize(slots.len(), None);
        for slot in slots {
            let (_, text) = rest.split_first()?;
            rest = match slot {
                Slot::Skip => text.get(find_byte(text, self.separator)..)?,
                Slot::Value { column, decimals, plain, field } => {
                    let (value, rest) = match self.plain_number(text, *decimals).filter(|_| *plain) {
                        Some((number, rest)) => (Some(number), rest),
                        None => {
                            let (text, rest) = text.split_at_checked(find_byte(text, self.separator))?;
                            let value = match read(field, text)? {
                                Some(raw) => Some(raw.int().and_then(|raw| i64::try_from(raw).ok())?),
                                None => None,
                            };
                            (value, rest)
                        }
                    };
                    *values.get_mut(*column)? = value;
                    rest
                }
            };
        }
        Some(())
    }

    /// A number in the plainest form, up to the separator or the end, as a whole number of `10^-decimals`.
    #[inline]
    fn plain_number<'b>(&self, text: &'b [u8], decimals: usize) -> Option<(i64, &'b [u8])> {
        let (negative, digits) = match text.split_first() {
            Some((b'-', digits)) => (true, digits),
            _ => (false, text),
        };
        let (mut sum, whole) = leading_digits(digits, 0);
        let mut length = whole;
        let mut fraction = 0;
        if digits.get(length) == Some(&b'.') {
            (sum, fraction) = leading_digits(digits.get(length + 1..)?, sum);
            length += 1 + fraction;
            if fraction == 0 {
                return None;
            }
        }
        let after = digits.get(length..)?;
        let ends = after.first().is_none_or(|byte| *byte == self.separator);
        // Sixteen digits and two more are less than 64 bits hold.
        if !ends || whole == 0 || 16 < length {
            return None;
        }
        let tens = *[1_i64, 10, 100].get(decimals.checked_sub(fraction)?)?;
        let size = sum * tens;
        Some((if negative { -size } else { size }, after))
    }
}

/// The digits in front, behind those of `sum`, and how many they are; of too many the sum is meaningless.
#[inline(always)]
fn leading_digits(text: &[u8], mut sum: i64) -> (i64, usize) {
    let mut count = 0;
    for byte in text {
        let digit = byte.wrapping_sub(b'0');
        if 9 < digit {
            break;
        }
        sum = sum.wrapping_mul(10).wrapping_add(digit.into());
        count += 1;
    }
    (sum, count)
}

/// Puts the values of a line behind the rows of its message.
pub(crate) fn append(rows: &mut Rows, values: &[Option<i64>]) {
    for (column, value) in rows.columns.iter_mut().zip(values) {
        column.push_small(*value);
    }
}

/// What stands in each column of a line behind the first; `None` where that depends on the line.
fn slots(message: &Message) -> Option<Vec<Slot>> {
    if !message.answers.is_empty() || message.is_question {
        return None;
    }
    let mut slots = Vec::new();
    let mut filled = Vec::new();
    for field in &message.fields {
        let (FieldSource::Column(from), Times::Fixed(times)) = (&field.source, field.times) else { return None };
        let decimals = match field.number {
            Number::Digits { decimals } => Some(usize::from(decimals)),
            Number::HexDigits => None,
            _ => return None,
        };
        if field.counted || field.equals.is_some() || field.from.is_some() || field.places < times {
            return None;
        }
        // A text that means "absent" and looks like a number must be looked at.
        let ends_in_digit = |text: &String| text.as_bytes().last().is_some_and(u8::is_ascii_digit);
        let plain = decimals.is_some() && field.suffix.is_empty() && !field.absent_texts.iter().any(ends_in_digit);
        for repeat in 0..times {
            let at = (from + repeat).checked_sub(1)?;
            while slots.len() <= at {
                slots.push(Slot::Skip);
            }
            let slot = slots.get_mut(at).filter(|slot| matches!(slot, Slot::Skip))?;
            if let Some(first) = field.first_column {
                filled.push(first + repeat);
                let (decimals, field) = (decimals.unwrap_or(0), Box::new(field.clone()));
                *slot = Slot::Value { column: first + repeat, decimals, plain, field };
            }
        }
    }
    filled.sort_unstable();
    filled.into_iter().eq(0..message.column_count).then_some(slots)
}

/// The checksum in upper or lower case hexadecimal.
fn hex_of(digits: &[u8]) -> Option<(usize, u64)> {
    Some((digits.len(), crate::text_lines::hex(digits)?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn plan() -> LinePlan {
        let text = include_str!("../../../protocols/acorn-text.toml");
        let (protocol, faults) = Protocol::parse(text);
        assert_eq!(faults, []);
        LinePlan::new(&protocol.expect("a sound file")).expect("its lines are of one form")
    }

    /// What the general search makes of a text.
    fn generally(text: &[u8], decimals: u8) -> Option<i64> {
        let number = model::Decimal::parse(std::str::from_utf8(text).ok()?)?;
        number.times_exact(10_i64.pow(decimals.into()))
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(5000) })]

        /// A plain number is what the general search makes of it; what is none is left to that.
        #[test]
        fn plain_numbers_are_those_of_the_general_search(
            text in "-?[0-9.]{0,9}|-?[0-9]{1,3}[.][0-9]{1,3}|[0-9x+eE./:-]{0,12}|[0-9]{1,20}([.][0-9]{1,6})?",
            behind in "(,[0-9a-z.,]{0,9})?",
            decimals in 0..4_u8,
        ) {
            let line = format!("{text}{behind}");
            if let Some((number, rest)) = plan().plain_number(line.as_bytes(), decimals.into()) {
                prop_assert_eq!(rest, behind.as_bytes());
                prop_assert_eq!(Some(number), generally(text.as_bytes(), decimals));
            }
        }
    }

    #[test]
    fn usual_numbers_are_plain() {
        let plan = plan();
        for (text, number) in [
            ("3.842", 3842),
            ("0.000", 0),
            ("-3.2", -3200),
            ("17.0", 17_000),
            ("175.25", 175_250),
            ("12.50", 12_500),
            ("123456.7", 123_456_700),
        ] {
            for behind in ["", ",1", ",4.25,3,12345678"] {
                let line = format!("{text}{behind}");
                assert_eq!(plan.plain_number(line.as_bytes(), 3), Some((number, behind.as_bytes())), "{line}");
            }
        }
    }
}
