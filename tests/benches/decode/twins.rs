//! Shipped protocols, each against a decoder with parser combinators written by hand for it.
//!
//! A twin knows its frames and nothing else. It gives numbers as sent, and [`ABSENT`] for what is not there, in one list a
//! column; ours gives a batch, which holds the same.

use std::sync::Arc;

use crc::{CRC_16_MCRF4XX, CRC_16_MODBUS, Crc, Table};
use model::{Batch, Item, Raw, SessionTime};
use nom::branch::alt;
use nom::bytes::complete::{tag, take, take_while_m_n, take_while1};
use nom::character::complete::{char, digit1};
use nom::combinator::{map_opt, opt, recognize, verify};
use nom::multi::fill;
use nom::number::complete::{be_i16, be_i32, be_u16, i8, le_i16, le_u16, le_u32, u8};
use nom::sequence::preceded;
use nom::{IResult, Parser};
use parser::{Decoder, Encoder, Protocol, Way};

/// What stands for a value that is not there.
const ABSENT: i64 = i64::MIN;

static MODBUS: Crc<u16, Table<16>> = Crc::<u16, Table<16>>::new(&CRC_16_MODBUS);

static MCRF4XX: Crc<u16, Table<16>> = Crc::<u16, Table<16>>::new(&CRC_16_MCRF4XX);

/// A protocol, its stream, and who decodes it by hand.
pub(crate) struct Pair {
    pub(crate) name: &'static str,
    protocol: Arc<Protocol>,
    pub(crate) stream: Vec<u8>,
    twin: fn(&[u8], &mut Rows) -> usize,
}

/// For each kind of message, its columns and the number of its rows; the kinds in the order in which the rows came.
#[derive(Default)]
pub(crate) struct Rows {
    kinds: Vec<Kind>,
    order: Vec<u8>,
    asked: Option<u8>,
}

#[derive(Default)]
struct Kind {
    columns: Vec<Vec<i64>>,
}

impl Rows {
    fn push(&mut self, kind: u8, values: impl IntoIterator<Item = i64>) {
        let columns = &mut self.kinds[usize::from(kind)].columns;
        for (column, value) in columns.iter_mut().zip(values) {
            column.push(value);
        }
        self.order.push(kind);
    }

    fn clear(&mut self) {
        self.order.clear();
        self.kinds.iter_mut().flat_map(|kind| &mut kind.columns).for_each(Vec::clear);
    }
}

impl Pair {
    pub(crate) fn all(bytes: usize) -> [Self; 4] {
        let pair = |name, text: &str, twin| {
            let protocol = Arc::new(Protocol::parse(text).0.expect("a shipped protocol has no fault"));
            let stream = stream(&protocol, bytes);
            Self { name, protocol, stream, twin }
        };
        [
            pair(
                "acorn-binary",
                include_str!("../../../protocols/acorn-binary.toml"),
                acorn_binary as fn(&[u8], &mut Rows) -> usize,
            ),
            pair("acorn-text", include_str!("../../../protocols/acorn-text.toml"), acorn_text),
            pair("mavlink", include_str!("../../../protocols/mavlink.toml"), mavlink),
            pair("modbus-rtu", include_str!("../../../protocols/modbus-rtu.toml"), modbus_rtu),
        ]
    }

    pub(crate) fn decoder(&self) -> Decoder {
        Decoder::by_way(Arc::clone(&self.protocol), Way::Fastest)
    }

    pub(crate) fn rows(&self) -> Rows {
        let kinds = self.protocol.layout().kinds.iter();
        let kinds = kinds.map(|kind| Kind { columns: vec![Vec::new(); kind.columns.len()] }).collect();
        Rows { kinds, ..Rows::default() }
    }

    /// Decodes by the protocol file, to the stream's end.
    pub(crate) fn ours(&self, decoder: &mut Decoder, stream: &[u8], mut done: impl FnMut(&Batch)) {
        let mut batch = Batch::default();
        for piece in stream.chunks(super::PIECE) {
            decoder.push(SessionTime::ZERO, piece);
            if decoder.take_into(&mut batch) {
                done(&batch);
            }
        }
        decoder.finish(SessionTime::ZERO);
        if decoder.take_into(&mut batch) {
            done(&batch);
        }
    }

    /// Decodes by hand.
    pub(crate) fn by_hand(&self, rows: &mut Rows, stream: &[u8], mut done: impl FnMut(&Rows)) {
        let mut at = 0;
        loop {
            rows.clear();
            let settled = (self.twin)(&stream[at..stream.len().min(at + super::PIECE)], rows);
            if settled == 0 {
                return;
            }
            done(rows);
            at += settled;
        }
    }

    /// Asserts that both find the same; the number of frames.
    pub(crate) fn assert_same(&self) -> usize {
        let (mut ours, mut by_hand) = (Vec::new(), Vec::new());
        self.ours(&mut self.decoder(), &self.stream, |batch| {
            for item in &batch.order {
                let Item::Row { kind, row } = *item else { panic!("{}: {:?}", self.name, batch.rejected.first()) };
                let value = |raw: Option<Raw>| {
                    raw.and_then(Raw::int).map_or(ABSENT, |raw| i64::try_from(raw).expect("few bits"))
                };
                let columns = batch.kinds[usize::from(kind)].columns.iter();
                ours.push((kind, columns.map(|column| value(column.raw(row as usize))).collect::<Vec<_>>()));
            }
        });
        self.by_hand(&mut self.rows(), &self.stream, |rows| {
            let mut next = vec![0; rows.kinds.len()];
            for kind in &rows.order {
                let index = usize::from(*kind);
                let row = next[index];
                next[index] += 1;
                let columns = rows.kinds[index].columns.iter();
                by_hand.push((u16::from(*kind), columns.map(|column| column[row]).collect::<Vec<_>>()));
            }
        });
        assert_eq!(ours.len(), by_hand.len(), "{}", self.name);
        for (ours, by_hand) in ours.iter().zip(&by_hand) {
            assert_eq!(ours, by_hand, "{}", self.name);
        }
        ours.len()
    }
}

/// Frames of all kinds in turn; of an exception, which ends a question as an answer does, there is none. The values come from our encoder, which the twins do not share.
fn stream(protocol: &Arc<Protocol>, bytes: usize) -> Vec<u8> {
    let encoder = Encoder::new(Arc::clone(protocol));
    let kinds = protocol.layout().kinds.iter().filter(|kind| kind.name != "refusal").count();
    let mut out = Vec::new();
    let mut number: i64 = 0;
    for kind in (0..kinds).cycle() {
        if bytes <= out.len() {
            break;
        }
        let mut value = |column: &model::ColumnLayout| {
            number += 1;
            if number % 97 == 0 {
                return None;
            }
            Some(match column.channel.quantity.name() {
                "cell voltage" => 3_800_000_000 + number % 100 * 1_000_000,
                "temperature" => 23_000_000_000 + number % 50 * 100_000_000,
                "current" => 8_000_000_000 - number % 5_000 * 10_000_000,
                "device time" | "frame counter" => number,
                "status" | "sense lead test" => number % 3,
                _ => 52_000_000_000 + number % 70 * 10_000_000,
            })
        };
        encoder.frame(kind, &mut value, &mut out);
    }
    out
}

fn unless(value: impl Into<i64>, absent: i64) -> i64 {
    let value = value.into();
    if value == absent { ABSENT } else { value }
}

fn acorn_binary(bytes: &[u8], rows: &mut Rows) -> usize {
    let mut at = 0;
    while let Some(rest) = bytes.get(at..) {
        match acorn_frame(rest, rows) {
            Ok((_, length)) => at += length,
            // A frame that is not all there: the next piece begins with it.
            Err(_) if rest.len() < 64 => break,
            Err(_) => at += 1,
        }
    }
    at
}

fn acorn_frame<'b>(input: &'b [u8], rows: &mut Rows) -> IResult<&'b [u8], usize> {
    let (covered, _) = tag(&[0xAA, 0x55][..]).parse(input)?;
    let (rest, (kind, size)) = (u8, u8).parse(covered)?;
    let (rest, body) = take(size).parse(rest)?;
    let sound = MODBUS.checksum(&covered[..2 + usize::from(size)]);
    let (rest, _) = verify(le_u16, |check| *check == sound).parse(rest)?;
    match (kind, size) {
        (1, 53) => {
            let (body, (count, uptime)) = (u8, le_u32).parse(body)?;
            let mut cells = [0_u16; 24];
            fill(be_u16, &mut cells).parse(body)?;
            let head = [i64::from(count), i64::from(uptime)];
            rows.push(0, head.into_iter().chain(cells.into_iter().map(|cell| unless(cell, 0xFFFF))));
        }
        (2, 24) => {
            let (body, (pack, bus, current)) = (be_u16, be_u16, be_i32).parse(body)?;
            let mut temperatures = [0_i16; 6];
            let (body, ()) = fill(be_i16, &mut temperatures).parse(body)?;
            let (_, (charge, flags, test)) = (u8, be_u16, u8).parse(body)?;
            let head = [i64::from(pack), i64::from(bus), i64::from(current)];
            let tail = [unless(charge, 0xFF), i64::from(flags), i64::from(test)];
            rows.push(
                1,
                head.into_iter().chain(temperatures.into_iter().map(|place| unless(place, 0x7FFF))).chain(tail),
            );
        }
        _ => {}
    }
    Ok((rest, input.len() - rest.len()))
}

fn acorn_text(bytes: &[u8], rows: &mut Rows) -> usize {
    let mut at = 0;
    while let Some(rest) = bytes.get(at..) {
        match acorn_line(rest, rows) {
            Ok((_, length)) => at += length,
            Err(_) if rest.len() < 200 => break,
            Err(_) => at += 1,
        }
    }
    at
}

fn acorn_line<'b>(input: &'b [u8], rows: &mut Rows) -> IResult<&'b [u8], usize> {
    let (covered, _) = char('$').parse(input)?;
    let (rest, content) = take_while1(|byte| byte != b'*' && byte != b'\n').parse(covered)?;
    let sound = content.iter().fold(0, |xor, byte| xor ^ byte);
    let (rest, _) = verify(preceded(char('*'), hex2), |check| *check == sound).parse(rest)?;
    let (rest, _) = (opt(char('\r')), char('\n')).parse(rest)?;
    if let Ok((content, _)) = tag::<_, _, nom::error::Error<_>>("CEL,").parse(content) {
        let mut cells = [0_i64; 14];
        let (content, count) = decimal(0).parse(content)?;
        fill(preceded(char(','), decimal(3)), &mut cells).parse(content)?;
        rows.push(0, std::iter::once(count).chain(cells));
    } else {
        let (content, _) = tag("PAK,").parse(content)?;
        let mut temperatures = [0_i64; 3];
        let (content, (pack, current)) = (decimal(2), preceded(char(','), decimal(2))).parse(content)?;
        let (content, ()) = fill(preceded(char(','), decimal(1)), &mut temperatures).parse(content)?;
        let (_, state) = preceded(char(','), hex).parse(content)?;
        rows.push(1, [pack, current].into_iter().chain(temperatures).chain([state]));
    }
    Ok((rest, input.len() - rest.len()))
}

fn hex(input: &[u8]) -> IResult<&[u8], i64> {
    let digits = take_while_m_n(0, 15, |byte: u8| byte.is_ascii_hexdigit());
    let number = |digits: &[u8]| i64::from_str_radix(std::str::from_utf8(digits).ok()?, 16).ok();
    digits.map(move |digits| number(digits).unwrap_or(ABSENT)).parse(input)
}

fn hex2(input: &[u8]) -> IResult<&[u8], u8> {
    let digits = take_while_m_n(2, 2, |byte: u8| byte.is_ascii_hexdigit());
    map_opt(digits, |digits: &[u8]| u8::from_str_radix(std::str::from_utf8(digits).ok()?, 16).ok()).parse(input)
}

/// A number with at most so many digits behind the point, as a whole number of the last; nothing or a dash is absent.
fn decimal<'b>(decimals: usize) -> impl Parser<&'b [u8], Output = i64, Error = nom::error::Error<&'b [u8]>> {
    let number = map_opt(
        (opt(char('-')), digit1, opt(preceded(char('.'), digit1))),
        move |(minus, whole, part): (Option<char>, &[u8], Option<&[u8]>)| {
            let part = part.unwrap_or_default();
            let zeros = decimals.checked_sub(part.len())?;
            let digits = whole.iter().chain(part).fold(0_i64, |sum, digit| sum * 10 + i64::from(digit - b'0'));
            let size = (0..zeros).fold(digits, |size, _| size * 10);
            Some(if minus.is_some() { -size } else { size })
        },
    );
    let none = recognize(opt(char('-'))).map(|_: &[u8]| ABSENT);
    alt((number, none))
}

fn modbus_rtu(bytes: &[u8], rows: &mut Rows) -> usize {
    let mut at = 0;
    while let Some(rest) = bytes.get(at..) {
        match modbus_frame(rest, rows) {
            Ok((_, length)) => at += length,
            Err(_) if rest.len() < 40 => break,
            Err(_) => at += 1,
        }
    }
    at
}

fn modbus_frame<'b>(input: &'b [u8], rows: &mut Rows) -> IResult<&'b [u8], usize> {
    let checked = |rest: &'b [u8]| {
        let sound = MODBUS.checksum(&input[..input.len() - rest.len()]);
        verify(le_u16, move |check| *check == sound).parse(rest)
    };
    let question = || {
        let (rest, (_, register, count)) =
            (tag(&[1, 3][..]), be_u16::<_, nom::error::Error<_>>, be_u16).parse(input)?;
        let (rest, _) = checked(rest)?;
        Ok::<_, nom::Err<nom::error::Error<&[u8]>>>((rest, (register, count)))
    };
    if let Ok((rest, (register, count))) = question() {
        let kind = match (register, count) {
            (0, 16) => 0,
            _ => 2,
        };
        rows.push(kind, []);
        rows.asked = Some(kind);
        return Ok((rest, input.len() - rest.len()));
    }
    let (rest, (_, size)) = (tag(&[1, 3][..]), u8).parse(input)?;
    let (rest, body) = take(size).parse(rest)?;
    let (rest, _) = checked(rest)?;
    match (rows.asked.take(), size) {
        (Some(0), 32) => {
            let mut cells = [0_u16; 16];
            fill(be_u16, &mut cells).parse(body)?;
            rows.push(1, cells.map(i64::from));
        }
        (Some(2), 6) => {
            let (_, (pack, current, charge)) = (be_u16, be_i16, be_u16).parse(body)?;
            rows.push(3, [i64::from(pack), i64::from(current), i64::from(charge)]);
        }
        _ => {}
    }
    Ok((rest, input.len() - rest.len()))
}

fn mavlink(bytes: &[u8], rows: &mut Rows) -> usize {
    let mut at = 0;
    while let Some(rest) = bytes.get(at..) {
        match mavlink_frame(rest, rows) {
            Ok((_, length)) => at += length,
            Err(_) if rest.len() < 280 => break,
            Err(_) => at += 1,
        }
    }
    at
}

/// Version 2 without a signature.
fn mavlink_frame<'b>(input: &'b [u8], rows: &mut Rows) -> IResult<&'b [u8], usize> {
    let (covered, _) = tag(&[0xFD][..]).parse(input)?;
    let (rest, (size, _, _, _, kind, high)) =
        (u8, verify(u8, |flags| *flags == 0), u8, take(3_usize), le_u16, u8).parse(covered)?;
    let (rest, body) = take(size).parse(rest)?;
    let Some(extra) = (match kind {
        0 => Some(0x32),
        1 => Some(0x7C),
        147 => Some(0x9A),
        _ => None,
    })
    .filter(|_| high == 0) else {
        return nom::combinator::fail().parse(input);
    };
    let mut digest = MCRF4XX.digest();
    digest.update(&covered[..9 + usize::from(size)]);
    digest.update(&[extra]);
    let sound = digest.finalize();
    let (rest, _) = verify(le_u16, |check| *check == sound).parse(rest)?;
    let mut padded = [0; 255];
    padded[..body.len()].copy_from_slice(body);
    // The padded body is no part of the input: an error in it can't be handed on.
    let read = |rows: &mut Rows| mavlink_body(&padded, kind, rows).is_ok();
    if read(rows) { Ok((rest, input.len() - rest.len())) } else { nom::combinator::fail().parse(input) }
}

fn mavlink_body<'b>(body: &'b [u8], kind: u16, rows: &mut Rows) -> IResult<&'b [u8], ()> {
    match kind {
        0 => {
            let (_, status) = preceded(take(7_usize), u8).parse(body)?;
            rows.push(0, [i64::from(status)]);
        }
        1 => {
            let (body, (healthy, pack, current)) =
                (preceded(take(8_usize), le_u32), preceded(take(2_usize), le_u16), le_i16).parse(body)?;
            let (_, charge) = preceded(take(12_usize), i8).parse(body)?;
            rows.push(1, [i64::from(healthy), unless(pack, 0xFFFF), unless(current, -1), unless(charge, -1)]);
        }
        _ => {
            let (mut cells, mut more) = ([0_u16; 10], [0_u16; 4]);
            let (body, temperature) = preceded(take(8_usize), le_i16).parse(body)?;
            let (body, ()) = fill(le_u16, &mut cells).parse(body)?;
            let (body, (current, _)) = (le_i16, verify(u8, |id| *id == 0)).parse(body)?;
            let (body, charge) = preceded(take(2_usize), i8).parse(body)?;
            let (body, state) = preceded(take(4_usize), u8).parse(body)?;
            let (body, ()) = fill(le_u16, &mut more).parse(body)?;
            let (_, (mode, faults)) = (u8, le_u32).parse(body)?;
            let behind = [unless(current, -1), unless(charge, -1), i64::from(state)];
            let values = std::iter::once(unless(temperature, 0x7FFF))
                .chain(cells.map(|cell| unless(cell, 0xFFFF)))
                .chain(behind)
                .chain(more.map(|cell| unless(cell, 0)))
                .chain([i64::from(mode), i64::from(faults)]);
            rows.push(2, values);
        }
    }
    Ok((body, ()))
}
