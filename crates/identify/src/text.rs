//! Lines of text: their start, their columns, what checks them.

use std::collections::BTreeSet;
use std::time::Duration;

use model::SessionTime;
use parser::Checksum;

use crate::Sureness;
use crate::capture::Capture;
use crate::checks::{self, Method, Methods};
use crate::number::median;

/// Lines of text that are telemetry.
#[derive(Clone, Debug)]
pub struct TextLayout {
    /// The character that each line starts with, if there is one.
    pub start: Option<char>,
    /// What stands between columns.
    pub separator: char,
    /// What checks a line.
    pub check: Option<TextCheck>,
    /// Whether the first column tells the kinds apart.
    pub words: bool,
    /// The kinds of lines.
    pub kinds: Vec<TextKind>,
    /// Lines that were looked at.
    pub lines: usize,
}

/// The checksum of a line, in hexadecimal behind a mark.
#[derive(Clone, PartialEq, Debug)]
pub struct TextCheck {
    /// Which one.
    pub method: Method,
    /// The mark.
    pub mark: char,
    /// It covers the start, too.
    pub covers_start: bool,
    /// It covers the mark, too.
    pub covers_mark: bool,
    /// Different lines that it fits, and all different lines.
    pub right: (usize, usize),
    /// The chance of luck, as for frames of bytes.
    pub luck_bits: f64,
    /// How many others fit as well.
    pub equal: Vec<&'static str>,
}

/// A kind of line.
#[derive(Clone, PartialEq, Debug)]
pub struct TextKind {
    /// Its first column.
    pub word: Option<String>,
    /// Lines of it.
    pub lines: usize,
    /// How often it comes, where times are known.
    pub every: Option<Duration>,
    /// Its columns.
    pub fields: Vec<TextField>,
}

/// Columns that belong together.
#[derive(Clone, PartialEq, Debug)]
pub struct TextField {
    /// The first column, from 1.
    pub column: usize,
    /// How many.
    pub times: usize,
    /// What they seem to be.
    pub what: TextWhat,
    /// Digits behind the point.
    pub decimals: usize,
    /// What stands there for "no value".
    pub absent: Option<String>,
    /// How sure that is.
    pub sureness: Sureness,
    /// What speaks for it.
    pub note: String,
}

/// What columns seem to be.
#[derive(Clone, PartialEq, Debug)]
pub enum TextWhat {
    /// Cell voltages in this unit.
    Cells {
        /// `V` or `mV`.
        unit: &'static str,
        /// The column that says the first place, and what is added to it.
        from: Option<(usize, i64)>,
        /// The most places.
        places: usize,
        /// Not every line has as many.
        rest: bool,
    },
    /// The pack voltage in this unit.
    Pack {
        /// `V` or `mV`.
        unit: &'static str,
    },
    /// Temperatures in degrees.
    Temperatures,
    /// It counts the lines of its kind; so many bits, if it was seen to start again.
    Counter {
        /// The bits.
        bits: Option<u8>,
    },
    /// A number that is not known.
    Unknown,
    /// A number in hexadecimal.
    Hex,
}

struct Line<'b> {
    /// All of it without the end of the line.
    whole: &'b str,
    at: SessionTime,
}

/// Whether these bytes are text at all.
pub(crate) fn is_text(bytes: &[u8]) -> bool {
    let printable = bytes.iter().filter(|byte| matches!(byte, b' '..=b'~' | b'\r' | b'\n' | b'\t')).count();
    let ends = bytes.iter().filter(|byte| **byte == b'\n').count();
    bytes.len() * 96 <= printable * 100 && 3 <= ends
}

/// The layout of the lines, if they are telemetry.
pub(crate) fn find(capture: &Capture, methods: &Methods) -> Option<TextLayout> {
    const MOST: usize = 192 * 1024;
    let bytes = capture.bytes();
    let bytes = bytes.get(..MOST).unwrap_or(bytes);
    let mut lines: Vec<Line<'_>> = Vec::new();
    let mut at = 0;
    for (index, line) in bytes.split_inclusive(|byte| *byte == b'\n').enumerate() {
        at += line.len();
        let ended = line.last() == Some(&b'\n');
        if let Ok(text) = std::str::from_utf8(line)
            && ended
            && 0 < index
            && 4 < text.trim().len()
        {
            let whole = text.trim_end_matches(['\r', '\n']);
            lines.push(Line { whole, at: capture.time_of(at - 1) });
        }
    }
    if lines.len() < 8 {
        return None;
    }
    let start = common(lines.iter().filter_map(|line| line.whole.chars().next()), lines.len() * 8 / 10)
        .filter(|start| start.is_ascii_punctuation());
    let check = check(methods, &lines, start);
    let contents: Vec<(&str, SessionTime)> =
        lines.iter().filter_map(|line| Some((content(line.whole, start, check.as_ref(), methods)?, line.at))).collect();
    let separator = separator(&contents)?;
    let columns: Vec<(Vec<&str>, SessionTime)> =
        contents.iter().map(|(content, at)| (content.split(separator).collect(), *at)).collect();
    let wordy = columns.iter().filter(|(columns, _)| columns.first().is_some_and(|word| is_word(word))).count();
    let words = columns.len() * 8 <= wordy * 10;
    let mut names: Vec<Option<String>> = Vec::new();
    for (columns, _) in &columns {
        let name = columns.first().filter(|_| words).map(|word| (*word).to_owned());
        if !names.contains(&name) {
            names.push(name);
        }
    }
    names.sort();
    let mut kinds = Vec::new();
    for name in names.into_iter().take(64) {
        let same = |columns: &[&str]| name.is_none() || columns.first().copied() == name.as_deref();
        let rows: Vec<&(Vec<&str>, SessionTime)> = columns.iter().filter(|(columns, _)| same(columns)).collect();
        if 3 <= rows.len() && name.as_ref().is_none_or(|name| is_word(name)) {
            let times: Vec<SessionTime> = rows.iter().map(|(_, at)| *at).collect();
            let every = if capture.is_timed() { crate::binary::period(&times) } else { None };
            let rows: Vec<&[&str]> = rows.iter().map(|(columns, _)| columns.as_slice()).collect();
            let fields = fields(&rows, usize::from(words));
            if !fields.is_empty() {
                kinds.push(TextKind { word: name, lines: rows.len(), every, fields });
            }
        }
    }
    pack_sum(&mut kinds, &columns, words);
    let told: usize = kinds.iter().map(|kind| kind.lines).sum();
    let numbers: usize = kinds.iter().flat_map(|kind| &kind.fields).map(|field| field.times).sum();
    let checked = check.as_ref().is_some_and(|check| checks::SURE_BITS <= check.luck_bits);
    let regular = 20 <= told && lines.len() * 8 <= told * 10 && 3 * kinds.len() <= numbers;
    if kinds.is_empty() || !(checked || regular) {
        return None;
    }
    Some(TextLayout { start, separator, check, words, kinds, lines: lines.len() })
}

/// What occurs at least so often.
fn common(chars: impl Iterator<Item = char>, least: usize) -> Option<char> {
    let mut counts: Vec<(char, usize)> = Vec::new();
    for one in chars {
        match counts.iter_mut().find(|(known, _)| *known == one) {
            Some((_, count)) => *count += 1,
            None => counts.push((one, 1)),
        }
    }
    counts.into_iter().find(|(_, count)| least.max(1) <= *count).map(|(one, _)| one)
}

fn is_word(text: &str) -> bool {
    text.len() <= 16
        && text.chars().next().is_some_and(|first| first.is_ascii_alphabetic())
        && text.chars().all(|one| one.is_ascii_alphanumeric() || one == '_' || one == '-')
}

fn hex(text: &str) -> Option<u64> {
    let digits = !text.is_empty() && text.chars().all(|one| one.is_ascii_hexdigit());
    if digits { u64::from_str_radix(text, 16).ok() } else { None }
}

/// A checksum in hexadecimal behind a mark.
fn check(methods: &Methods, lines: &[Line<'_>], start: Option<char>) -> Option<TextCheck> {
    let mut seen = BTreeSet::new();
    let lines: Vec<&str> = lines.iter().map(|line| line.whole).filter(|line| seen.insert(*line)).take(240).collect();
    let mut best: Option<TextCheck> = None;
    for digits in [2, 4, 8] {
        let mark = |line: &str| -> Option<char> {
            let cut = line.len().checked_sub(digits)?;
            hex(line.get(cut..)?)?;
            line.get(..cut)?.chars().next_back().filter(char::is_ascii_punctuation)
        };
        let Some(mark) = common(lines.iter().filter_map(|line| mark(line)), lines.len() * 7 / 10) else { continue };
        let fitting = methods.iter().filter(|(_, checksum)| usize::from(checksum.bits().div_ceil(4)) == digits);
        let mut found: Vec<(usize, TextCheck, &Checksum)> = Vec::new();
        for (method, checksum) in fitting {
            for (covers_start, covers_mark) in [(false, false), (true, false), (false, true), (true, true)] {
                if covers_start && start.is_none() {
                    continue;
                }
                let check = TextCheck {
                    method: method.clone(),
                    mark,
                    covers_start,
                    covers_mark,
                    right: (0, lines.len()),
                    luck_bits: 0.0,
                    equal: Vec::new(),
                };
                let right = lines.iter().filter(|line| checked(line, start, &check, checksum, digits)).count();
                if lines.len() * 6 < right * 10 {
                    found.push((right, check, checksum));
                }
            }
        }
        let Some(most) = found.iter().map(|(right, ..)| *right).max() else { continue };
        found.retain(|(right, ..)| *right == most);
        let names: Vec<&'static str> = found.iter().skip(1).map(|(_, check, _)| check.method.name).collect();
        let Some((right, mut check, checksum)) = found.into_iter().next() else { continue };
        let sound: Vec<&[u8]> = lines
            .iter()
            .filter(|line| checked(line, start, &check, checksum, digits))
            .map(|line| line.as_bytes())
            .collect();
        let missed = (lines.len() - right) as f64;
        check.right = (right, lines.len());
        check.luck_bits = f64::from(checksum.bits()) * checks::independent(&sound, digits + 1) as f64
            - (4.0 * methods.len() as f64).log2()
            - missed * (lines.len() as f64).log2();
        check.equal = names;
        if checks::LIKELY_BITS <= check.luck_bits && best.as_ref().is_none_or(|best| best.luck_bits < check.luck_bits) {
            best = Some(check);
        }
    }
    best
}

fn checked(line: &str, start: Option<char>, check: &TextCheck, checksum: &Checksum, digits: usize) -> bool {
    let covered = || -> Option<(&str, u64)> {
        let at = line.rfind(check.mark)?;
        let sent = line.get(at + check.mark.len_utf8()..).filter(|sent| sent.len() == digits)?;
        let from = match start {
            Some(start) if !check.covers_start => line.strip_prefix(start).map(|rest| line.len() - rest.len())?,
            _ => 0,
        };
        let to = if check.covers_mark { at + check.mark.len_utf8() } else { at };
        Some((line.get(from..to)?, hex(sent)?))
    };
    covered().is_some_and(|(covered, sent)| checksum.compute(covered.as_bytes()) == sent)
}

/// What stands between the start and the mark; `None` for a line that is damaged.
fn content<'b>(line: &'b str, start: Option<char>, check: Option<&TextCheck>, methods: &Methods) -> Option<&'b str> {
    let body = match start {
        Some(start) => line.strip_prefix(start)?,
        None => line,
    };
    let Some(check) = check else { return Some(body) };
    let checksum = methods.get(&check.method)?;
    let digits = usize::from(checksum.bits().div_ceil(4));
    if !checked(line, start, check, checksum, digits) {
        return None;
    }
    body.get(..body.rfind(check.mark)?)
}

/// The character that parts lines into most numbers.
fn separator(contents: &[(&str, SessionTime)]) -> Option<char> {
    let numbers = |separator: char| {
        let parts = contents.iter().flat_map(|(content, _)| content.split(separator));
        parts.filter(|part| number(part).is_some()).count()
    };
    let (count, best) = [',', ';', '\t', '|', ' ', ':'].into_iter().rev().map(|one| (numbers(one), one)).max()?;
    (contents.len() * 2 <= count).then_some(best)
}

/// A number and its digits behind the point.
fn number(text: &str) -> Option<(f64, usize)> {
    let digits = text.strip_prefix(['-', '+']).unwrap_or(text);
    let (whole, part) = digits.split_once('.').unwrap_or((digits, ""));
    let plain = |text: &str| text.chars().all(|one| one.is_ascii_digit());
    if whole.is_empty() || 15 < digits.len() || !plain(whole) || !plain(part) || 9 < part.len() {
        return None;
    }
    Some((text.parse().ok()?, part.len()))
}

/// A column of a kind of line.
struct Column {
    values: Vec<f64>,
    decimals: usize,
    hex: bool,
    absent: Option<String>,
}

impl Column {
    fn of(rows: &[&[&str]], index: usize) -> Option<Self> {
        let cells: Vec<&str> = rows.iter().filter_map(|row| row.get(index).copied()).collect();
        let mut column = Self { values: Vec::new(), decimals: 0, hex: false, absent: None };
        let mut odd: Vec<&str> = Vec::new();
        for cell in &cells {
            match number(cell) {
                Some((value, decimals)) => {
                    column.values.push(value);
                    column.decimals = column.decimals.max(decimals);
                }
                None => odd.push(cell),
            }
        }
        if odd.iter().all(|cell| odd.first() == Some(cell)) && odd.len() <= cells.len() {
            column.absent =
                odd.first().filter(|word| word.len() <= 4 && hex(word).is_none()).map(|word| (*word).to_owned());
            if odd.is_empty() || column.absent.is_some() {
                return (!cells.is_empty()).then_some(column);
            }
        }
        let hexadecimal = cells.iter().all(|cell| hex(cell).is_some() && cell.len() <= 16);
        hexadecimal.then_some(Self { hex: true, ..column })
    }

    fn middle(&self) -> f64 {
        median(&mut self.values.clone())
    }
}

fn fields(rows: &[&[&str]], from: usize) -> Vec<TextField> {
    let width = rows.iter().map(|row| row.len()).min().unwrap_or(0);
    let longest = rows.iter().map(|row| row.len()).max().unwrap_or(0);
    // Lines that were cut or glued would be of any width.
    if 40 < longest - width || 200 < longest {
        return Vec::new();
    }
    let columns: Vec<Option<Column>> = (from..longest).map(|index| Column::of(rows, index)).collect();
    let known = columns.iter().take(width.saturating_sub(from)).filter(|column| column.is_some()).count();
    if known == 0 || known * 2 < width.saturating_sub(from) {
        return Vec::new();
    }
    let mut fields = Vec::new();
    let mut at = 0;
    while let Some(column) = columns.get(at) {
        let Some(column) = column else {
            at += 1;
            continue;
        };
        let field = cells(&columns, at, from, width < longest)
            .or_else(|| temperatures(&columns, at, from))
            .unwrap_or_else(|| single(column, at + from));
        at += field.times;
        fields.push(field);
    }
    fields
}

fn cells(columns: &[Option<Column>], at: usize, from: usize, rest: bool) -> Option<TextField> {
    let unit = |column: &Column| {
        let middle = column.middle();
        match column.decimals {
            _ if column.hex || column.values.is_empty() => None,
            2.. if (2.0..=4.4).contains(&middle) => Some("V"),
            0 if (2000.0..=4400.0).contains(&middle) => Some("mV"),
            _ => None,
        }
    };
    let first = columns.get(at)?.as_ref()?;
    let (sort, middle) = (unit(first)?, first.middle());
    let alike = columns.iter().skip(at).map_while(Option::as_ref).take_while(|column| {
        let near = (column.middle() / middle - 1.0).abs() < 0.12;
        (unit(column) == Some(sort) && near) || (column.values.is_empty() && column.absent.is_some())
    });
    let alike: Vec<&Column> = alike.collect();
    let mut values: Vec<i64> =
        alike.iter().flat_map(|column| &column.values).map(|value| (value * 1e6) as i64).collect();
    values.sort_unstable();
    values.dedup();
    if alike.len() < 3 || values.len() < 3 {
        return None;
    }
    let count = alike.len();
    // The column in front may say the first place.
    let index = at.checked_sub(1).and_then(|before| columns.get(before)?.as_ref()).and_then(|column| {
        let mut values: Vec<i64> = column.values.iter().map(|value| *value as i64).collect();
        values.sort_unstable();
        values.dedup();
        let low = *values.first()?;
        let high = *values.last()?;
        let steps = values.iter().all(|value| (value - low) % i64::try_from(count).unwrap_or(1) == 0);
        let counts = column.decimals == 0 && (0..=1).contains(&low) && 2 <= values.len() && high < 500 && steps;
        counts.then_some((1 - low, usize::try_from(high - low).ok()?))
    });
    let note = format!("{count} columns about {middle:.3} {sort}, {} different values", values.len());
    let note = match index {
        Some(_) => format!("{note}; the column in front goes up in steps of {count}: it says the first place"),
        None => note,
    };
    let what = TextWhat::Cells {
        unit: sort,
        from: index.map(|(plus, _)| (at + from, plus)),
        places: count + index.map_or(0, |(_, above)| above),
        rest,
    };
    let decimals = alike.iter().map(|column| column.decimals).max().unwrap_or(0);
    let absent = alike.iter().find_map(|column| column.absent.clone());
    let sureness = if 6 <= values.len() { Sureness::Likely } else { Sureness::Guess };
    Some(TextField { column: at + from + 1, times: count, what, decimals, absent, sureness, note })
}

fn temperatures(columns: &[Option<Column>], at: usize, from: usize) -> Option<TextField> {
    let alike: Vec<&Column> = columns
        .iter()
        .skip(at)
        .map_while(Option::as_ref)
        .take_while(|column| {
            let slow = column.values.windows(2).filter(|pair| match pair {
                [one, two] => (one - two).abs() < 1.5,
                _ => false,
            });
            // A sensor that fails in between gives other values for a time.
            let mut usual: Vec<f64> =
                column.values.iter().copied().filter(|value| (4.0..=55.0).contains(value)).collect();
            usual.sort_by(f64::total_cmp);
            column.decimals == 1
                && column.values.len() <= usual.len() * 4
                && column.values.len() * 95 <= (slow.count() + 1) * 100
        })
        .collect();
    let moves = alike.iter().any(|column| column.values.iter().any(|value| Some(value) != column.values.first()));
    if alike.len() < 2 || !moves {
        return None;
    }
    let note = format!("{} columns about {:.1}, one decimal, slow", alike.len(), alike.first()?.middle());
    let sureness = if 3 <= alike.len() { Sureness::Likely } else { Sureness::Guess };
    let absent = alike.iter().find_map(|column| column.absent.clone());
    Some(TextField {
        column: at + from + 1,
        times: alike.len(),
        what: TextWhat::Temperatures,
        decimals: 1,
        absent,
        sureness,
        note,
    })
}

fn single(column: &Column, index: usize) -> TextField {
    let mut field = TextField {
        column: index + 1,
        times: 1,
        what: if column.hex { TextWhat::Hex } else { TextWhat::Unknown },
        decimals: column.decimals,
        absent: column.absent.clone(),
        sureness: Sureness::Guess,
        note: "not known".to_owned(),
    };
    let steps = column.values.windows(2).filter_map(|pair| match pair {
        [one, two] => Some((*one, *two)),
        _ => None,
    });
    let ones = steps.clone().filter(|(one, two)| (two - one - 1.0).abs() < 1e-9).count();
    let back = steps.clone().filter(|(one, two)| two < one).map(|(one, _)| one).fold(0.0, f64::max);
    let count = column.values.len();
    if column.decimals == 0 && !column.hex && 12 <= count && count * 80 < (ones + 1) * 100 {
        let bits = (1..=32_u8).find(|bits| (2_f64.powi(i32::from(*bits)) - 1.0 - back).abs() < 0.5);
        field.what = TextWhat::Counter { bits: bits.filter(|_| 0.0 < back) };
        field.sureness = if 0.0 < back { Sureness::Sure } else { Sureness::Likely };
        field.note = format!("rises by one in {ones} of {} steps", count - 1);
    } else if !column.values.is_empty() && !column.hex {
        let low = column.values.iter().copied().fold(f64::MAX, f64::min);
        let high = column.values.iter().copied().fold(f64::MIN, f64::max);
        field.note = format!("not known, from {low} to {high}");
    } else if column.hex {
        field.note = "hexadecimal: bits or a state".to_owned();
    }
    field
}

/// A column that is the sum of the cells.
fn pack_sum(kinds: &mut [TextKind], columns: &[(Vec<&str>, SessionTime)], words: bool) {
    let cells: Vec<(Option<String>, TextField)> = kinds
        .iter()
        .flat_map(|kind| kind.fields.iter().map(|field| (kind.word.clone(), field.clone())))
        .filter(|(_, field)| matches!(field.what, TextWhat::Cells { from: None, .. }))
        .collect();
    let [(cell_word, cell)] = cells.as_slice() else { return };
    let TextWhat::Cells { unit, .. } = cell.what else { return };
    let of = |word: &Option<String>, row: &[&str]| !words || row.first().copied() == word.as_deref();
    for kind in kinds {
        let word = kind.word.clone();
        for field in &mut kind.fields {
            if !matches!(field.what, TextWhat::Unknown) {
                continue;
            }
            let mut total: Option<f64> = None;
            let mut errors = Vec::new();
            for (row, _) in columns {
                if of(cell_word, row) {
                    let parts = row.get(cell.column - 1..).unwrap_or(&[]).iter().take(cell.times);
                    total = Some(parts.filter_map(|part| number(part)).map(|(value, _)| value).sum());
                }
                if of(&word, row)
                    && let Some(total) = total
                    && let Some((value, _)) = row.get(field.column - 1).and_then(|part| number(part))
                {
                    errors.push((value, total));
                }
            }
            for (pack_unit, factor) in [(unit, 1.0), ("V", 1000.0), ("mV", 0.001)] {
                if (pack_unit == unit) != ((factor - 1.0_f64).abs() < 0.5) {
                    continue;
                }
                let mut off: Vec<f64> =
                    errors.iter().map(|(value, total)| (value * factor / total - 1.0).abs()).collect();
                let error = median(&mut off);
                if 8 <= off.len() && error < 0.005 {
                    field.what = TextWhat::Pack { unit: pack_unit };
                    field.sureness = if error < 0.0015 { Sureness::Sure } else { Sureness::Likely };
                    field.note = format!(
                        "{:.2} % from the sum of the cells in the median of {} lines",
                        error * 100.0,
                        off.len()
                    );
                    break;
                }
            }
        }
    }
}
