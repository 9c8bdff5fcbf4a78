//! What must hold for every protocol with open lengths, bits, sums, start indices, curves, seeds and stuffing:
//! generated protocols, values, streams, reads and silences.

#![allow(clippy::unwrap_used, reason = "the helpers of a test fail as it does")]

mod support;

use std::sync::Arc;

use model::{Item, Raw, SessionTime};
use parser::{Decoder, Encoder, Protocol};
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::{Index, select};
use support::dissected::check;
use support::{decode, protocol};

/// How packets lie on the line.
#[derive(Clone, Copy, PartialEq, Debug)]
enum Shape {
    Sized,
    Ended,
    /// The body says its own length.
    Measured,
    Startless,
    Slip,
    Hdlc,
    Cobs,
    Hex,
}

const SHAPES: [Shape; 8] =
    [Shape::Sized, Shape::Ended, Shape::Measured, Shape::Startless, Shape::Slip, Shape::Hdlc, Shape::Cobs, Shape::Hex];

/// Some parts of a message that belong together.
#[derive(Clone, Debug)]
enum Group {
    /// So many of a type.
    Fixed { kind: &'static str, times: usize, absent: bool },
    /// A word, and where its bits are cut into parts.
    Word { bytes: u32, big: bool, cuts: Vec<u32>, signed: bool },
    /// Parts that add up.
    Sum { kind: &'static str, parts: usize },
    /// As many as a part of this type says.
    Counted { count: &'static str, kind: &'static str, places: usize },
    /// From a place on that a part says.
    Start { index: &'static str, step: usize, plus: i64, times: Option<usize>, kind: &'static str, places: usize },
    /// A thermistor or a table.
    Curve { keys: &'static str },
}

/// What closes a message.
#[derive(Clone, Debug)]
enum End {
    None,
    Rest { kind: &'static str, places: usize },
    Optional { kinds: Vec<&'static str> },
    CutZeros,
}

const KINDS: [&str; 20] = [
    "u8", "i8", "u16 le", "i16 be", "u24 be", "i24 le", "u32 le", "u40 be", "i48 le", "u64 be", "i64 le", "f16 le",
    "f16 be", "f32 be", "f64 le", "bcd 2", "bcd 6 be", "bcd 4 le", "digits 5", "hex 6",
];

const CURVES: [&str; 4] = [
    "beta = 3950, r0 = \"10 kohm\", divider = { fixed = \"10 kohm\", full = 65535 }",
    "steinhart_hart = [1.129148e-3, 2.34125e-4, 8.76741e-8]",
    "points = [[0, -40], [1000, 0.5], [40000, 25], [65535, 120]]",
    "points = [[100, 90], [65000, -30]]",
];

fn group() -> impl Strategy<Value = Group> {
    let kind = || select(KINDS.to_vec());
    prop_oneof![
        2 => (kind(), 1..4_usize, any::<bool>()).prop_map(|(kind, times, absent)| Group::Fixed { kind, times, absent }),
        2 => (1..=8_u32, any::<bool>(), vec(1..63_u32, 0..4), any::<bool>())
            .prop_map(|(bytes, big, cuts, signed)| Group::Word { bytes, big, cuts, signed }),
        1 => (select(vec!["u8", "u16 be", "u24 le"]), 1..4_usize).prop_map(|(kind, parts)| Group::Sum { kind, parts }),
        2 => (select(vec!["u8", "u16 le", "bcd 2", "hex 2", "bits"]), kind(), 1..12_usize)
            .prop_map(|(count, kind, places)| Group::Counted { count, kind, places }),
        1 => select(CURVES.to_vec()).prop_map(|keys| Group::Curve { keys }),
    ]
}

fn start() -> impl Strategy<Value = Group> {
    let index = select(vec!["u8", "i16 be", "bcd 4 be"]);
    let times = prop_oneof![Just(None), (1..5_usize).prop_map(Some)];
    (index, 1..4_i64, -3..4_i64, times, select(KINDS.to_vec()), 1..6_usize).prop_map(
        |(index, step, lowest, times, kind, blocks)| {
            let step = if times.is_some() { step } else { 1 };
            // The index of the first place, which not every type can have below zero.
            let lowest = if index == "i16 be" { lowest } else { lowest.abs() };
            let whole = usize::try_from(step).unwrap();
            let times = times.map(|times| times * whole);
            let places = times.unwrap_or(1) * blocks;
            Group::Start { index, step: whole, plus: 1 - step * lowest, times, kind, places }
        },
    )
}

fn end() -> impl Strategy<Value = End> {
    let kind = || select(KINDS.to_vec());
    prop_oneof![
        2 => Just(End::None),
        2 => (kind(), 1..12_usize).prop_map(|(kind, places)| End::Rest { kind, places }),
        1 => vec(kind(), 1..3).prop_map(|kinds| End::Optional { kinds }),
        1 => Just(End::CutZeros),
    ]
}

#[derive(Clone, Debug)]
struct Message {
    groups: Vec<Group>,
    start: Option<Group>,
    end: End,
    extra: Option<u8>,
}

fn message() -> impl Strategy<Value = Message> {
    (vec(group(), 1..4), prop::option::weighted(0.3, start()), end(), prop::option::weighted(0.3, any::<u8>()))
        .prop_map(|(groups, start, end, extra)| Message { groups, start, end, extra })
}

#[derive(Clone, Debug)]
struct Generated {
    text: String,
    shape: Shape,
}

const CHANNEL: &str = "unit = \"mV\", channel = \"cell voltage\"";

/// The parts of a group. Places of cells begin behind those of the groups before; behind 200 those of the start index.
fn write_group(group: &Group, prefix: &str, from: &mut usize, temperatures: &mut usize, out: &mut Vec<String>) {
    match group {
        Group::Fixed { kind, times, absent } => {
            let absent = if *absent && !kind.starts_with('f') { ", absent = [7, 9]" } else { "" };
            out.push(format!(
                "{{ name = \"{prefix}v\", type = {kind:?}, times = {times}, from = {from}, {CHANNEL}{absent} }}"
            ));
            *from += times;
        }
        Group::Word { bytes, big, cuts, signed } => {
            let order = if *bytes == 1 {
                ""
            } else if *big {
                " be"
            } else {
                " le"
            };
            let sign = if *signed { "i" } else { "u" };
            out.push(format!("{{ name = \"{prefix}w\", type = \"{sign}{}{order}\" }}", bytes * 8));
            let width = bytes * 8;
            let mut edges: Vec<u32> = cuts.iter().map(|cut| cut % width).chain([0, width]).collect();
            edges.sort_unstable();
            edges.dedup();
            for (index, edge) in edges.windows(2).enumerate() {
                // At most 62 bits at once.
                let high = (edge[1] - 1).min(edge[0] + 61);
                let kind = if *signed { "type = \"i64 le\", " } else { "" };
                out.push(format!(
                    "{{ name = \"{prefix}b{index}\", of = \"{prefix}w\", bits = [{}, {high}], {kind}from = {from}, {CHANNEL} }}",
                    edge[0]
                ));
                *from += 1;
            }
        }
        Group::Sum { kind, parts } => {
            let highest = if kind.starts_with("u8") {
                255
            } else if kind.starts_with("u16") {
                65535
            } else {
                0xFF_FFFF
            };
            let names: Vec<String> = (0..*parts).map(|part| format!("{prefix}s{part}")).collect();
            for name in &names {
                out.push(format!("{{ name = \"{name}\", type = {kind:?}, absent = {highest} }}"));
            }
            out.push(format!("{{ name = \"{prefix}sum\", sum_of = {names:?}, from = {from}, {CHANNEL} }}"));
            *from += 1;
        }
        Group::Counted { count, kind, places } => {
            if *count == "bits" {
                out.push(format!("{{ name = \"{prefix}cw\", type = \"u8\" }}"));
                out.push(format!("{{ name = \"{prefix}n\", of = \"{prefix}cw\", bits = [2, 6] }}"));
            } else {
                out.push(format!("{{ name = \"{prefix}n\", type = {count:?} }}"));
            }
            out.push(format!(
                "{{ name = \"{prefix}c\", type = {kind:?}, times = \"{prefix}n\", places = {places}, from = {from}, {CHANNEL} }}"
            ));
            *from += places;
        }
        Group::Start { index, step, plus, times, kind, places } => {
            out.push(format!("{{ name = \"first\", type = {index:?} }}"));
            let times = match times {
                Some(times) => format!("times = {times}"),
                None => {
                    out.push("{ name = \"many\", type = \"u8\" }".to_owned());
                    "times = \"many\"".to_owned()
                }
            };
            // Places of a start index count from 1, so the other cells come behind them.
            out.push(format!(
                "{{ name = \"spread\", type = {kind:?}, {times}, places = {places}, from = \"first\", from_step = {step}, from_plus = {plus}, {CHANNEL} }}"
            ));
        }
        Group::Curve { keys } => {
            *temperatures += 1;
            out.push(format!(
                "{{ name = \"{prefix}t\", type = \"u16 be\", from = {temperatures}, unit = \"degC\", channel = \"temperature\", curve = {{ {keys} }} }}"
            ));
        }
    }
}

fn text(shape: Shape, messages: &[Message], crc: (&str, u8), idle: bool) -> String {
    let line = match shape {
        Shape::Slip => "stuffing = \"slip\"",
        Shape::Hdlc => "stuffing = \"hdlc\"",
        Shape::Cobs => "stuffing = \"cobs\"",
        Shape::Hex => "stuffing = \"hex\"",
        _ if idle => "idle = \"2 ms\"",
        _ => "",
    };
    let (start, size, end) = match shape {
        Shape::Sized => {
            ("start = \"A5 5A\"", "{ name = \"size\", type = \"u16 le\", role = \"size\", counts = [\"body\"] }, ", "")
        }
        Shape::Startless => ("", "{ name = \"size\", type = \"u16 le\", role = \"size\", counts = [\"body\"] }, ", ""),
        Shape::Ended => ("start = \"A5 5A\"", "", "end = \"0D 99 0A 98\""),
        Shape::Measured => ("start = \"A5 5A\"", "", ""),
        _ => ("", "", ""),
    };
    let mut text = format!(
        "protocol = \"generated\"\n[line]\n{line}\n[[frame]]\nname = \"f\"\nlongest = 600\n{start}\n{end}\nparts = [\n\
         {{ name = \"kind\", type = \"u8\", role = \"id\" }}, {size}{{ name = \"body\", role = \"body\" }},\n\
         {{ name = \"check\", type = \"u{} le\", role = \"check\", crc = \"{}\", first = \"kind\", last = \"body\" }},\n]\n",
        crc.1 * 8,
        crc.0
    );
    for (number, message) in messages.iter().enumerate() {
        let open = shape == Shape::Measured;
        let end = if open { &End::None } else { &message.end };
        let mut out = Vec::new();
        let (mut from, mut temperatures) = (201, 0);
        if let Some(start) = &message.start {
            write_group(start, "", &mut from, &mut temperatures, &mut out);
        }
        for (index, group) in message.groups.iter().enumerate() {
            write_group(group, &format!("g{index}"), &mut from, &mut temperatures, &mut out);
        }
        let mut keys = String::new();
        match end {
            End::None => {}
            End::Rest { kind, places } => out.push(format!(
                "{{ name = \"rest\", type = {kind:?}, times = \"rest\", places = {places}, from = {from}, {CHANNEL} }}"
            )),
            End::Optional { kinds } => {
                for (index, kind) in kinds.iter().enumerate() {
                    out.push(format!(
                        "{{ name = \"o{index}\", type = {kind:?}, optional = true, from = {}, {CHANNEL} }}",
                        from + index
                    ));
                }
            }
            End::CutZeros => keys.push_str("cut_zeros = true\n"),
        }
        if let Some(extra) = message.extra {
            keys.push_str(&format!("extra = \"{extra:02X}\"\n"));
        }
        text.push_str(&format!(
            "[[message]]\nname = \"m{number}\"\nframes = [\"f\"]\nid = {{ kind = {number} }}\nevery = \"1 s\"\n{keys}parts = [\n{}\n]\n",
            out.join(",\n")
        ));
    }
    text
}

const CRC_32: (&str, u8) = ("CRC-32/ISO-HDLC", 4);

fn generated(idle: bool) -> impl Strategy<Value = Generated> {
    (select(SHAPES.to_vec()), vec(message(), 1..4)).prop_map(move |(shape, messages)| {
        // Without anything to cut them at, frames without start bytes hold whatever comes.
        Generated { text: text(shape, &messages, CRC_32, idle), shape }
    })
}

/// Numbers as sent, by a seed: those that the part's type can say and that are not marked absent.
fn numbers(line: &str, seed: i64) -> Option<i64> {
    if seed % 7 == 0 {
        return None;
    }
    let word = line.split("type = \"").nth(1).and_then(|rest| rest.split('"').next()).unwrap_or("u64");
    let magnitude = seed.unsigned_abs().cast_signed() & i64::MAX;
    let within = |low: i64, high: i64| low + magnitude % (high - low + 1);
    let bits = |bits: u32, signed: bool| {
        // Not so large that millivolts overflow billionths of a volt.
        let bits = bits.min(42);
        if signed { within(-(1 << (bits - 1)), (1 << (bits - 1)) - 1) } else { within(0, (1 << bits) - 1) }
    };
    let value = if let Some((_, range)) = line.split_once("bits = [") {
        let (low, rest) = range.split_once(", ").unwrap();
        let high = rest.split(']').next().unwrap();
        let count = high.parse::<u32>().unwrap() - low.parse::<u32>().unwrap() + 1;
        bits(count, word.starts_with('i'))
    } else if line.contains("sum_of") {
        let parts = i64::try_from(line.split("sum_of").nth(1).unwrap().matches("s").count().min(3)).unwrap().min(1);
        within(0, 254 * parts)
    } else {
        let mut words = word.split(' ');
        match (words.next().unwrap(), words.next()) {
            ("bcd", Some(digits)) => within(0, 10_i64.pow(digits.parse().unwrap()) - 1),
            ("digits", Some(digits)) => {
                let digits: u32 = digits.parse().unwrap();
                within(-(10_i64.pow(digits - 1) - 1), 10_i64.pow(digits) - 1)
            }
            ("hex", Some(digits)) => bits(digits.parse::<u32>().unwrap() * 4, false),
            ("f16", _) => within(-2048, 2048),
            ("f32", _) => within(-(1 << 24), 1 << 24),
            ("f64", _) => within(-(1 << 30), 1 << 30),
            (kind, _) => bits(kind[1..].parse().unwrap(), kind.starts_with('i')),
        }
    };
    (!line.contains("absent") || (value != 7 && value != 9)).then_some(value)
}

/// A frame, or the frames of all places, to send: which kind, and seeds for its values.
type Sent = (Index, Vec<i64>);

fn sent() -> impl Strategy<Value = Sent> {
    (any::<Index>(), vec(any::<i64>(), 3..20))
}

/// The line of a part in the text of a message.
fn line_of<'t>(text: &'t str, kind: usize, part: &str) -> &'t str {
    let message = text.split("[[message]]").nth(kind + 1).unwrap();
    message.lines().find(|line| line.contains(&format!("name = \"{part}\""))).unwrap()
}

/// Appends it, and returns the kind with what each column must come back as: `None` in doubt.
fn send(
    generated: &Generated,
    protocol: &Arc<Protocol>,
    sent: &Sent,
    bytes: &mut Vec<u8>,
) -> (usize, Vec<Option<i64>>) {
    let kind = sent.0.index(protocol.layout().kinds.len());
    let mut seeds = sent.1.iter().cycle();
    let mut wanted = Vec::new();
    let mut ended = None;
    Encoder::new(Arc::clone(protocol)).frame(
        kind,
        &mut |column| {
            let line = line_of(&generated.text, kind, &column.part);
            // Open lists end at the first that has no value.
            let open = ["times = \"", "from = \"first\""].iter().any(|key| line.contains(key));
            let raw = match numbers(line, *seeds.next().unwrap()) {
                _ if open && ended.as_ref() == Some(&column.part) => None,
                raw => raw,
            };
            if open && raw.is_none() {
                ended = Some(column.part.clone());
            }
            let nanos = raw.and_then(|raw| column.scale.nanos(raw.into()));
            wanted.push(nanos);
            nanos
        },
        bytes,
    );
    (kind, wanted)
}

/// The rows of a stream: kind, first and last byte.
fn rows(protocol: &Arc<Protocol>, reads: &[(SessionTime, &[u8])], finish: bool) -> Vec<(usize, u64, u64)> {
    let mut decoder = Decoder::new(Arc::clone(protocol));
    for (at, bytes) in reads {
        decoder.push(*at, bytes);
    }
    if finish {
        decoder.finish(SessionTime::from_nanos(u64::MAX));
    }
    let Some(batch) = decoder.take() else { return Vec::new() };
    let row = |item: &Item| match *item {
        Item::Row { kind, row } => {
            let range = batch.kinds[usize::from(kind)].bytes[row as usize];
            Some((usize::from(kind), range.start, range.end))
        }
        Item::Rejected(_) => None,
    };
    batch.order.iter().filter_map(row).collect()
}

#[derive(Clone, Debug)]
enum Piece {
    Good(Sent),
    Changed(Sent, Index, u8),
    Short(Sent, Index),
    Noise(Vec<u8>),
    /// A beginning that claims so many bytes, of a kind that is known or not.
    Start(u8, u8),
}

fn piece(damage: bool) -> BoxedStrategy<Piece> {
    let good = sent().prop_map(Piece::Good);
    if !damage {
        return good.boxed();
    }
    prop_oneof![
        5 => good,
        1 => (sent(), any::<Index>(), 1..=255_u8).prop_map(|(sent, at, by)| Piece::Changed(sent, at, by)),
        1 => (sent(), any::<Index>()).prop_map(|(sent, to)| Piece::Short(sent, to)),
        1 => vec(any::<u8>(), 0..40).prop_map(Piece::Noise),
        2 => (0..4_u8, any::<u8>()).prop_map(|(kind, size)| Piece::Start(kind, size)),
    ]
    .boxed()
}

/// The bytes of a stream, and what each good piece of it must give: kind, first and last byte of its frames.
fn stream(generated: &Generated, protocol: &Arc<Protocol>, pieces: &[Piece]) -> (Vec<u8>, Vec<(usize, u64, u64)>) {
    let (mut bytes, mut good) = (Vec::new(), Vec::new());
    for piece in pieces {
        let from = bytes.len();
        let mut alone = Vec::new();
        let mut found = Vec::new();
        if let Piece::Good(sent) | Piece::Changed(sent, ..) | Piece::Short(sent, _) = piece {
            let (kind, _) = send(generated, protocol, sent, &mut alone);
            found = rows(protocol, &[(SessionTime::ZERO, &alone)], true);
            assert!(!found.is_empty() && found.iter().all(|(found, ..)| *found == kind), "{}", generated.text);
        }
        // What happens to the last of its frames.
        let last = found.last().map_or(0, |(_, start, _)| usize::try_from(*start).unwrap());
        match piece {
            Piece::Good(_) => {}
            Piece::Changed(_, at, by) => {
                // Not the end of a line, nor the case of a digit, which may be written in several ways.
                let hex = generated.shape == Shape::Hex;
                let end = usize::try_from(found.last().unwrap().2).unwrap() - usize::from(hex);
                alone[last + at.index(end - last)] ^= if hex && *by == 0x20 { 1 } else { *by };
                found.pop();
            }
            Piece::Short(_, to) => {
                alone.truncate(last + to.index((alone.len() - last).saturating_sub(6) + 1));
                found.pop();
            }
            Piece::Noise(noise) => alone.extend_from_slice(noise),
            Piece::Start(kind, size) => match generated.shape {
                Shape::Sized => alone.extend([0xA5, 0x5A, *kind, *size, size & 1]),
                Shape::Startless => alone.extend([*kind, *size, size & 1]),
                Shape::Ended | Shape::Measured => alone.extend([0xA5, 0x5A, *kind]),
                _ => alone.extend([*kind, *size]),
            },
        }
        bytes.extend(alone);
        good.extend(found.iter().map(|(kind, start, end)| (*kind, start + from as u64, end + from as u64)));
        if matches!(piece, Piece::Good(_)) {
            continue;
        }
        // What is damaged runs into the next packet, unless an end stands between them.
        match generated.shape {
            Shape::Cobs => bytes.push(0),
            Shape::Hex => bytes.push(b'\n'),
            Shape::Slip => bytes.push(0xC0),
            Shape::Hdlc => bytes.push(0x7E),
            _ => {}
        }
    }
    (bytes, good)
}

/// Cuts a stream into reads of these lengths, so many milliseconds after each other.
fn reads<'b>(bytes: &'b [u8], lengths: &[(usize, u64)]) -> Vec<(SessionTime, &'b [u8])> {
    let mut reads = Vec::new();
    let (mut rest, mut at) = (bytes, 0);
    for (length, later) in lengths.iter().cycle() {
        if rest.is_empty() {
            break;
        }
        let (read, more) = rest.split_at(rest.len().min(*length));
        rest = more;
        at += later * 1_000_000;
        reads.push((SessionTime::from_nanos(at), read));
    }
    reads
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(1000) })]

    /// Values come back as they were sent, in as many frames as they need.
    #[test]
    fn what_is_encoded_is_decoded(generated in generated(false), frames in vec(sent(), 1..5)) {
        let protocol = protocol(&generated.text);
        for sent in &frames {
            let mut bytes = Vec::new();
            let (kind, wanted) = send(&generated, &protocol, sent, &mut bytes);
            let mut decoder = Decoder::new(Arc::clone(&protocol));
            decoder.push(SessionTime::ZERO, &bytes);
            decoder.finish(SessionTime::ZERO);
            let batch = decoder.take().expect("rows");
            prop_assert_eq!(&batch.rejected, &[], "{}", &generated.text);
            let list = &batch.kinds[kind];
            prop_assert_eq!(list.at.len(), batch.order.len());
            let layout = &protocol.layout().kinds[kind].columns;
            for ((column, rows), nanos) in layout.iter().zip(&list.columns).zip(wanted) {
                let what = format!("{} of {}\n{}", column.channel, column.part, generated.text);
                let carried: Vec<usize> = (0..list.at.len()).filter(|row| rows.is_carried(*row)).collect();
                let got = carried.iter().filter_map(|row| rows.nanos(*row, &column.scale)).next_back();
                match nanos {
                    Some(_) if column.part.ends_with('t') && column.part.starts_with('g') => {
                        // Neighbouring numbers of a curve can have the same value.
                        prop_assert_eq!(got, nanos, "{}", what);
                    }
                    Some(_) => prop_assert_eq!(got, nanos, "{}", what),
                    // Without a value: a marker, zero where there is none, or not sent at all.
                    None => {
                        let line = line_of(&generated.text, kind, &column.part);
                        let marked = line.contains("absent") || line.contains("type = \"f");
                        let zero = !marked && !carried.is_empty();
                        let given = carried.last().and_then(|row| rows.raw(*row));
                        let is_zero = matches!(given, Some(Raw::Int(0))) || given.is_none();
                        prop_assert!(if zero { is_zero } else { got.is_none() }, "{:?} {}", given, what);
                    }
                }
            }
        }
    }

    /// However a stream is cut within its reads, the same comes of it: with silences that hint at ends of frames, too.
    #[test]
    fn cuts_make_no_difference(
        generated in generated(true),
        pieces in vec(piece(true), 0..10),
        lengths in vec((1..60_usize, 0..5_u64), 1..12),
        cuts in vec(1..9_usize, 1..12),
        taken in vec(any::<bool>(), 1..6),
    ) {
        let protocol = protocol(&generated.text);
        let (bytes, _) = stream(&generated, &protocol, &pieces);
        let reads = reads(&bytes, &lengths);
        let whole = decode(&protocol, reads.iter().copied(), || false);
        let mut sizes = cuts.iter().cycle();
        let mut finer = Vec::new();
        for (at, read) in &reads {
            let mut rest = *read;
            while !rest.is_empty() {
                let (piece, more) = rest.split_at(rest.len().min(*sizes.next().unwrap()));
                rest = more;
                finer.push((*at, piece));
            }
        }
        let mut turns = taken.iter().cycle();
        let in_pieces = decode(&protocol, finer, || *turns.next().unwrap());
        prop_assert_eq!(whole, in_pieces, "{}", generated.text);
    }

    /// Every good frame is found, and nothing else, whatever stands between them, wherever the line falls silent.
    #[test]
    fn every_good_frame_is_found(
        idle in any::<bool>(),
        generated in (generated(true), generated(false)),
        pieces in vec(piece(true), 0..12),
        lengths in vec((1..80_usize, 0..5_u64), 1..12),
    ) {
        let generated = if idle { generated.0 } else { generated.1 };
        let protocol = protocol(&generated.text);
        let (bytes, good) = stream(&generated, &protocol, &pieces);
        prop_assert_eq!(rows(&protocol, &reads(&bytes, &lengths), true), good, "{}", generated.text);
    }

    /// Where nothing is damaged every frame is known with its last byte, and a hint changes nothing.
    #[test]
    fn an_undamaged_line_has_no_delay(
        generated in generated(true),
        pieces in vec(piece(false), 1..8),
        lengths in vec((1..80_usize, 0..5_u64), 1..12),
        cut in any::<Index>(),
    ) {
        let protocol = protocol(&generated.text);
        let (bytes, good) = stream(&generated, &protocol, &pieces);
        let cut = cut.index(bytes.len() + 1);
        let complete: Vec<_> = good.into_iter().filter(|(_, _, end)| *end <= cut as u64).collect();
        prop_assert_eq!(rows(&protocol, &reads(&bytes[..cut], &lengths), false), complete, "{}", generated.text);
    }

    /// Every byte is in a row or in a rejection once the stream has ended, but for ends that stand alone between
    /// packets.
    #[test]
    fn no_byte_goes_unmentioned(generated in generated(false), pieces in vec(piece(true), 0..12)) {
        let protocol = protocol(&generated.text);
        let (bytes, _) = stream(&generated, &protocol, &pieces);
        let mut mentioned = vec![false; bytes.len()];
        for line in decode(&protocol, [(SessionTime::ZERO, &bytes[..])], || false) {
            let (range, _) = line.split_once(' ').unwrap();
            let (start, end) = range.split_once("..").unwrap();
            mentioned[start.parse().unwrap()..end.parse().unwrap()].fill(true);
        }
        let ends: &[u8] = match generated.shape {
            Shape::Slip => &[0xC0],
            Shape::Hdlc => &[0x7E],
            // The second is the packet that holds nothing.
            Shape::Cobs => &[0, 1],
            Shape::Hex => b"\r\n",
            _ => &[],
        };
        for (at, byte) in bytes.iter().enumerate() {
            prop_assert!(mentioned[at] || ends.contains(byte), "byte {} of\n{}", at, generated.text);
        }
    }

    /// Who looks at the bytes sees what the decoder saw.
    #[test]
    fn a_dissection_says_what_the_decoder_says(
        generated in generated(false),
        pieces in vec(piece(true), 0..12),
        over in any::<bool>(),
    ) {
        let protocol = protocol(&generated.text);
        let (bytes, _) = stream(&generated, &protocol, &pieces);
        check(&protocol, &bytes, over);
    }
}
