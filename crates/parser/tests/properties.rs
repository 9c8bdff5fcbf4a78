//! What must hold for every protocol and every stream: generated protocols, values, streams and cuts.

mod support;

use std::sync::Arc;

use model::{Conversion, Item, Raw, SessionTime};
use parser::{Decoder, Encoder, Protocol};
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::{Index, select, subsequence};
use support::dissected::check;
use support::{decode, decode_whole, most_kept, protocol};

/// A part of a generated message.
#[derive(Clone, Debug)]
struct Part {
    channel: &'static str,
    keys: &'static str,
    /// A type of bytes, such as `u16 le`.
    bytes: String,
    decimals: u8,
    times: usize,
    scale: &'static str,
    absent: bool,
}

const SCALES: [&str; 6] = ["1", "0.1", "0.001", "2", "-0.5", "10"];

/// Channels that stand in one message without getting into each other's way, and what else they need.
const CHANNELS: [(&str, &str, bool); 8] = [
    ("cell voltage", "unit = \"V\"", true),
    ("temperature", "unit = \"K\", offset = -1.5", true),
    ("pack voltage", "unit = \"mV\"", false),
    ("current", "unit = \"A\", positive = \"charge\"", false),
    ("state of charge", "unit = \"%\", offset = 50", false),
    ("device time", "unit = \"ms\"", false),
    ("frame counter", "", false),
    ("status", "flags = [{ bit = 0, text = \"on\" }]", true),
];

fn part(channel: (&'static str, &'static str, bool)) -> impl Strategy<Value = Part> {
    let (channel, keys, places) = channel;
    let plain = keys.is_empty() || channel == "status";
    let integer = (select(vec!["u", "i"]), 1..=8_usize).prop_map(|(sign, bytes)| format!("{sign}{}", bytes * 8));
    let types = if plain {
        integer.boxed()
    } else {
        prop_oneof![4 => integer, 1 => select(vec!["f32".to_owned(), "f64".to_owned()])].boxed()
    };
    let order = select(vec!["le", "be"]);
    // A clock or a counter does not run backwards.
    let scale = if plain || channel == "device time" { Just("1").boxed() } else { select(SCALES.to_vec()).boxed() };
    let times = if places { 1..6_usize } else { 1..2 };
    (types, order, 0..5_u8, times, scale, any::<bool>()).prop_map(
        move |(kind, order, decimals, times, scale, absent)| Part {
            channel,
            keys,
            bytes: format!("{kind} {order}"),
            decimals: if plain { 0 } else { decimals },
            times,
            scale,
            absent,
        },
    )
}

fn parts() -> impl Strategy<Value = Vec<Part>> {
    subsequence(CHANNELS.to_vec(), 1..=5)
        .prop_shuffle()
        .prop_flat_map(|channels| channels.into_iter().map(part).collect::<Vec<_>>())
}

/// A generated protocol: its text, and the first byte of each frame.
#[derive(Clone, Debug)]
struct Generated {
    text: String,
    first: u8,
}

const CHECKS: [(&str, u8); 12] = [
    ("crc = \"CRC-32/ISO-HDLC\"", 4),
    ("sum = \"xor\"", 1),
    ("sum = \"sum 8\"", 1),
    ("sum = \"twos complement 16\"", 2),
    ("sum = \"fletcher 16\"", 2),
    ("sum = \"adler 32\"", 4),
    ("crc = \"CRC-8/SMBUS\"", 1),
    ("crc = \"CRC-16/MODBUS\"", 2),
    ("crc = \"CRC-16/XMODEM\"", 2),
    ("crc = \"CRC-24/OPENPGP\"", 3),
    ("crc = { width = 12, poly = 0x80F, refin = false, refout = true }", 2),
    ("crc = \"CRC-64/XZ\"", 8),
];

#[derive(Clone, Debug)]
struct Shape {
    start: Vec<u8>,
    check: (&'static str, u8),
    id: &'static str,
    size: Option<&'static str>,
    order: &'static str,
    end: bool,
}

fn shape(checks: usize) -> impl Strategy<Value = Shape> {
    (
        vec(any::<u8>(), 1..4),
        select(CHECKS[..checks].to_vec()),
        select(vec!["u8", "i8", "u16 le", "i24 be", "u64 be"]),
        prop::option::of(select(vec!["u16 le", "i32 be"])),
        select(vec!["le", "be"]),
        any::<bool>(),
    )
        .prop_map(|(start, check, id, size, order, end)| Shape { start, check, id, size, order, end })
}

fn binary_text(shape: &Shape, messages: &[Vec<Part>]) -> String {
    let Shape { start, check: (check, bytes), id, size, order, end } = shape;
    let mut text = "protocol = \"generated\"\n[[frame]]\nname = \"f\"\nstart = \"".to_owned();
    for byte in start {
        text.push_str(&format!("{byte:02X}"));
    }
    text.push_str("\"\nlongest = 4096\nparts = [\n");
    if let Some(size) = size {
        text.push_str(&format!(
            "{{ name = \"size\", type = {size:?}, role = \"size\", counts = [\"start\", \"body\"] }},\n"
        ));
    }
    text.push_str(&format!(
        "{{ name = \"kind\", type = {id:?}, role = \"id\" }}, {{ name = \"body\", role = \"body\" }},\n"
    ));
    let wide = if *bytes == 1 { "u8".to_owned() } else { format!("u{} {order}", bytes * 8) };
    text.push_str(&format!("{{ name = \"check\", type = {wide:?}, role = \"check\", {check}, first = \"start\" }},\n"));
    if *end {
        text.push_str("{ name = \"end\", type = \"u8\", equals = 0x7E },\n");
    }
    text.push_str("]\n");
    for (number, parts) in messages.iter().enumerate() {
        let head = "[[message]]\nframes = [\"f\"]\nevery = \"1 s\"\n";
        text.push_str(&format!("{head}name = \"m{number}\"\nid = {{ kind = {number} }}\nparts = [\n"));
        for (index, part) in parts.iter().enumerate() {
            text.push_str(&format!("{{ name = \"p{index}\", type = {:?}, channel = {:?}", part.bytes, part.channel));
            text.push_str(&format!(", times = {}", part.times));
            write_keys(&mut text, part);
            if part.absent {
                text.push_str(", absent = [7, 0]");
            }
            text.push_str(" },\n");
        }
        text.push_str("]\n");
    }
    text
}

fn write_keys(text: &mut String, part: &Part) {
    if part.scale != "1" {
        text.push_str(&format!(", scale = {}", part.scale));
    }
    if !part.keys.is_empty() {
        text.push_str(&format!(", {}", part.keys));
    }
}

/// Lines of text: half of the parts in columns, the others with labels.
fn line_text(start: char, separator: char, check: (&str, u8), messages: &[Vec<Part>]) -> String {
    let mut text = format!(
        "protocol = \"generated\"\n[[frame]]\nname = \"f\"\nlongest = 4096\n\
         text = {{ start = \"{start}\", separator = \"{separator}\", label_mark = \"=\" }}\nparts = [\n\
         {{ name = \"kind\", type = \"text\", role = \"id\", column = 1 }}, {{ name = \"body\", role = \"body\" }},\n\
         {{ name = \"check\", type = \"hex\", role = \"check\", {}, mark = \"*\" }}]\n",
        check.0
    );
    for (number, parts) in messages.iter().enumerate() {
        let head = "[[message]]\nframes = [\"f\"]\nevery = \"1 s\"\n";
        text.push_str(&format!("{head}name = \"m{number}\"\nid = {{ kind = \"M{number}\" }}\nparts = [\n"));
        let mut column = 2;
        for (index, part) in parts.iter().enumerate() {
            let kind = if part.channel == "status" { "hex" } else { "number" };
            text.push_str(&format!("{{ name = \"p{index}\", type = {kind:?}, channel = {:?}", part.channel));
            text.push_str(&format!(", times = {}", part.times));
            if kind == "number" {
                text.push_str(&format!(", decimals = {}", part.decimals));
            }
            if index % 2 == 0 {
                text.push_str(&format!(", column = {column}"));
                column += part.times;
            } else {
                text.push_str(&format!(", label = \"{}#\", suffix = \"u\"", part.channel.replace(' ', "")));
            }
            write_keys(&mut text, part);
            if part.absent {
                text.push_str(", absent = [\"-\", \"none\"]");
            }
            text.push_str(" },\n");
        }
        text.push_str("]\n");
    }
    text
}

/// A protocol with one of the first `checks` of [`CHECKS`].
fn generated(checks: usize) -> impl Strategy<Value = Generated> {
    let messages = || vec(parts(), 1..4);
    let binary = (shape(checks), messages())
        .prop_map(|(shape, messages)| Generated { text: binary_text(&shape, &messages), first: shape.start[0] });
    let lines = (select(vec!['$', '!', '>']), select(vec![',', ';']), select(CHECKS[..checks].to_vec()), messages())
        .prop_map(|(start, separator, check, messages)| Generated {
            text: line_text(start, separator, check, &messages),
            first: u8::try_from(start).unwrap_or(0),
        });
    prop_oneof![2 => binary, 1 => lines]
}

/// A frame to send: which kind, and a seed for its values.
type Sent = (Index, Vec<i32>);

fn sent() -> impl Strategy<Value = Sent> {
    (any::<Index>(), vec(any::<i32>(), 1..8))
}

/// Appends a frame; the values cycle through those given.
fn send(protocol: &Arc<Protocol>, (kind, values): &Sent, bytes: &mut Vec<u8>) -> usize {
    let kind = kind.index(protocol.layout().kinds.len());
    let mut values = values.iter().cycle();
    Encoder::new(Arc::clone(protocol)).frame(
        kind,
        &mut |_| values.next().filter(|value| **value % 7 != 0).map(|value| i64::from(*value) * 500_000),
        bytes,
    );
    kind
}

/// The kinds and byte ranges of the rows in a stream, in order.
fn rows(protocol: &Arc<Protocol>, bytes: &[u8]) -> Vec<(usize, u64, u64)> {
    let mut decoder = Decoder::new(Arc::clone(protocol));
    decoder.push(SessionTime::ZERO, bytes);
    decoder.finish(SessionTime::ZERO);
    rows_of(&mut decoder)
}

fn rows_of(decoder: &mut Decoder) -> Vec<(usize, u64, u64)> {
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

/// A piece of a stream.
#[derive(Clone, Debug)]
enum Piece {
    Good(Sent),
    /// A frame of which a byte is changed.
    Changed(Sent, Index, u8),
    /// A frame that breaks off.
    Short(Sent, Index),
    Noise(Vec<u8>),
    /// The first byte of a frame, again and again.
    Starts(usize),
}

fn piece() -> impl Strategy<Value = Piece> {
    prop_oneof![
        4 => sent().prop_map(Piece::Good),
        // A change of 0x20 only makes a hexadecimal digit a small letter.
        1 => (sent(), any::<Index>(), (1..=255_u8).prop_filter("case", |by| *by != 0x20)).prop_map(|(sent, at, by)| Piece::Changed(sent, at, by)),
        1 => (sent(), any::<Index>()).prop_map(|(sent, to)| Piece::Short(sent, to)),
        2 => vec(any::<u8>(), 0..40).prop_map(Piece::Noise),
        1 => (1..20_usize).prop_map(Piece::Starts),
    ]
}

/// The bytes of a stream, and kind and range of the good frames in it.
fn stream(protocol: &Arc<Protocol>, first: u8, pieces: &[Piece]) -> (Vec<u8>, Vec<(usize, u64, u64)>) {
    let (mut bytes, mut good) = (Vec::new(), Vec::new());
    for piece in pieces {
        let from = bytes.len();
        match piece {
            Piece::Good(sent) => {
                let kind = send(protocol, sent, &mut bytes);
                good.push((kind, from as u64, bytes.len() as u64));
            }
            Piece::Changed(sent, at, by) => {
                send(protocol, sent, &mut bytes);
                // Not the end of a line, which may be written in two ways.
                let at = from + at.index(bytes.len() - from - 2);
                bytes[at] ^= by;
            }
            Piece::Short(sent, to) => {
                send(protocol, sent, &mut bytes);
                // What is missing is so much that noise does not complete it.
                bytes.truncate(from + to.index((bytes.len() - from).saturating_sub(6) + 1));
            }
            Piece::Noise(noise) => bytes.extend_from_slice(noise),
            Piece::Starts(times) => bytes.extend(std::iter::repeat_n(first, *times)),
        }
    }
    (bytes, good)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(1000) })]

    /// Numbers as sent come back as they were sent.
    #[test]
    fn what_is_encoded_is_decoded(
        generated in generated(CHECKS.len()),
        numbers in vec(vec(prop::option::weighted(0.9, any::<i64>()), 1..20), 1..6),
    ) {
        let protocol = protocol(&generated.text);
        let encoder = Encoder::new(Arc::clone(&protocol));
        for (kind, layout) in protocol.layout().kinds.iter().enumerate() {
            for numbers in &numbers {
                let mut numbers = numbers.iter().cycle();
                let mut wanted = Vec::new();
                let mut bytes = Vec::new();
                encoder.frame(kind, &mut |column| {
                    let number = numbers.next().copied().flatten()?;
                    let as_sent = column.channel.quantity.name() == "frame counter" || column.channel.quantity.name() == "status";
                    // Small enough for every unit; still too large for narrow parts.
                    let number = if as_sent { number } else { number % 1_000_000_000 };
                    let nanos = if as_sent { Some(number) } else { column.scale.nanos(number.into()) };
                    wanted.push((column.clone(), nanos));
                    nanos
                }, &mut bytes);
                let mut decoder = Decoder::new(Arc::clone(&protocol));
                decoder.push(SessionTime::ZERO, &bytes);
                prop_assert_eq!(decoder.buffered(), 0);
                let batch = decoder.take().expect("a row");
                prop_assert_eq!(&batch.rejected, &[]);
                prop_assert_eq!(&batch.order, &[Item::Row { kind: u16::try_from(kind).unwrap(), row: 0 }]);
                for (column, nanos) in wanted {
                    let index = layout.columns.iter().position(|other| *other == column).unwrap();
                    let got = batch.kinds[kind].columns[index].raw(0);
                    let text = format!("{} of\n{}", column.channel, generated.text);
                    check_number(&generated.text, kind, &column, nanos, got, &text)?;
                }
            }
        }
    }

    /// However a stream is cut, and whenever batches are taken, the same comes of it.
    #[test]
    fn cuts_make_no_difference(
        generated in generated(CHECKS.len()),
        pieces in vec(piece(), 0..12),
        reads in vec((1..60_usize, 0..3_u64), 1..12),
        cuts in vec(1..9_usize, 1..12),
        taken in vec(any::<bool>(), 1..6),
    ) {
        let protocol = protocol(&generated.text);
        let (bytes, _) = stream(&protocol, generated.first, &pieces);
        let mut stamped = Vec::new();
        let (mut rest, mut at) = (bytes.as_slice(), SessionTime::ZERO);
        for (length, later) in reads.iter().cycle() {
            if rest.is_empty() {
                break;
            }
            let (read, more) = rest.split_at(rest.len().min(*length));
            rest = more;
            at = SessionTime::from_nanos(at.nanos + later);
            stamped.push((at, read));
        }
        let whole_reads = decode(&protocol, stamped.iter().copied(), || false);
        let mut lengths = cuts.iter().cycle();
        let finer = stamped.iter().flat_map(|(at, read)| {
            let mut rest = *read;
            let mut pieces = Vec::new();
            while !rest.is_empty() {
                let (piece, more) = rest.split_at(rest.len().min(*lengths.next().unwrap()));
                rest = more;
                pieces.push((*at, piece));
            }
            pieces
        });
        let mut turns = taken.iter().cycle();
        let in_pieces = decode(&protocol, finer, || *turns.next().unwrap());
        prop_assert_eq!(whole_reads, in_pieces);
    }

    /// Bytes that can't begin a frame cost no frame, whatever the checksum.
    #[test]
    fn noise_without_start_bytes_costs_nothing(
        generated in generated(CHECKS.len()),
        frames in vec((sent(), vec(any::<u8>(), 0..30)), 1..12),
    ) {
        let protocol = protocol(&generated.text);
        let (mut bytes, mut good) = (Vec::new(), Vec::new());
        for (sent, noise) in &frames {
            let from = bytes.len();
            let kind = send(&protocol, sent, &mut bytes);
            good.push((kind, from as u64, bytes.len() as u64));
            bytes.extend(noise.iter().filter(|byte| **byte != generated.first));
        }
        prop_assert_eq!(rows(&protocol, &bytes), good, "{}", generated.text);
    }

    /// With false starts, changed and cut frames between them every good frame is found, and nothing else. With a checksum of
    /// 32 bits, since a shorter one lets a false frame through now and then.
    #[test]
    fn every_good_frame_is_found(generated in generated(1), pieces in vec(piece(), 0..16)) {
        let protocol = protocol(&generated.text);
        let (mut bytes, good) = stream(&protocol, generated.first, &pieces);
        // A frame at the end may be held back by a false start in front of it; then the end of the stream decides.
        prop_assert_eq!(rows(&protocol, &bytes), good.clone(), "{}", generated.text);
        // Or more bytes do.
        bytes.extend(std::iter::repeat_n(0x00, 4200));
        let mut decoder = Decoder::new(Arc::clone(&protocol));
        decoder.push(SessionTime::ZERO, &bytes);
        prop_assert_eq!(rows_of(&mut decoder), good, "{}", generated.text);
    }

    /// Of a stream that breaks off anywhere, every complete frame is there at once.
    #[test]
    fn a_cut_stream_gives_what_is_complete(
        generated in generated(CHECKS.len()),
        frames in vec(sent(), 1..8),
        cut in any::<Index>(),
    ) {
        let protocol = protocol(&generated.text);
        let pieces: Vec<Piece> = frames.into_iter().map(Piece::Good).collect();
        let (bytes, good) = stream(&protocol, generated.first, &pieces);
        let cut = cut.index(bytes.len() + 1);
        let mut decoder = Decoder::new(Arc::clone(&protocol));
        decoder.push(SessionTime::ZERO, &bytes[..cut]);
        let complete: Vec<_> = good.into_iter().filter(|(_, _, end)| *end <= cut as u64).collect();
        let kept = cut as u64 - complete.last().map_or(0, |(_, _, end)| *end);
        prop_assert_eq!(rows_of(&mut decoder), complete, "{}", generated.text);
        prop_assert_eq!(decoder.buffered() as u64, kept);
    }

    /// Every byte is either in a row or in a rejection, once the stream has ended.
    #[test]
    fn no_byte_goes_unmentioned(generated in generated(CHECKS.len()), pieces in vec(piece(), 0..12)) {
        let protocol = protocol(&generated.text);
        let (bytes, _) = stream(&protocol, generated.first, &pieces);
        let mut mentioned = vec![false; bytes.len()];
        for line in decode_whole(&protocol, &bytes) {
            let (range, _) = line.split_once(' ').unwrap();
            let (start, end) = range.split_once("..").unwrap();
            mentioned[start.parse().unwrap()..end.parse().unwrap()].fill(true);
        }
        prop_assert!(mentioned.iter().all(|mentioned| *mentioned), "{}", generated.text);
    }

    /// Who looks at the bytes sees what the decoder saw.
    #[test]
    fn a_dissection_says_what_the_decoder_says(
        generated in generated(CHECKS.len()),
        pieces in vec(piece(), 0..12),
        over in any::<bool>(),
    ) {
        let protocol = protocol(&generated.text);
        let (bytes, _) = stream(&protocol, generated.first, &pieces);
        check(&protocol, &bytes, over);
    }
}

/// What a number must come back as: by the words of the file, not by the encoder.
fn check_number(
    text: &str,
    kind: usize,
    column: &model::ColumnLayout,
    nanos: Option<i64>,
    got: Option<Raw>,
    what: &str,
) -> Result<(), TestCaseError> {
    let message = text.split("[[message]]").nth(kind + 1).expect("a message");
    let line = message.lines().find(|line| line.contains(&format!("name = \"{}\"", column.part))).expect("a part");
    let marked = line.contains("absent");
    let word = line.split("type = \"").nth(1).and_then(|rest| rest.split('"').next()).expect("a type");
    let Some(nanos) = nanos else {
        // Without a marker an integer has no way to say it.
        let none = marked || word.starts_with('f') || word == "number" || word == "hex";
        prop_assert_eq!(got, if none { None } else { Some(Raw::Int(0)) }, "absent {}", what);
        return Ok(());
    };
    let as_sent = matches!(column.channel.quantity.name(), "frame counter" | "status");
    let raw = if as_sent { i128::from(nanos) } else { raw_by_hand(&column.scale, nanos) };
    if word.starts_with('f') {
        let Some(Raw::Float(got)) = got else {
            prop_assert!(marked && got.is_none(), "{:?} {}", got, what);
            return Ok(());
        };
        #[expect(clippy::cast_precision_loss, reason = "the numbers have fewer than 53 bits")]
        let difference = (got - raw as f64).abs();
        prop_assert!(difference <= got.abs() * if word.starts_with("f32") { 1e-7 } else { 1e-12 }, "{} {}", got, what);
        return Ok(());
    }
    let (low, high) = match word {
        "number" => (i64::MIN.into(), i64::MAX.into()),
        "hex" => (0, u64::MAX.into()),
        _ => {
            let bits: u32 = word[1..].split(' ').next().and_then(|bits| bits.parse().ok()).expect("a width");
            let half = 1_i128 << (bits - 1);
            if word.starts_with('u') { (0, 2 * half - 1) } else { (-half, half - 1) }
        }
    };
    let counts = matches!(column.channel.quantity.name(), "frame counter" | "device time");
    let wanted = if counts { raw.rem_euclid(1_i128 << column.bits) } else { raw }.clamp(low, high);
    let absent = marked && word != "number" && word != "hex" && (wanted == 7 || wanted == 0);
    prop_assert_eq!(got, if absent { None } else { Some(Raw::Int(wanted)) }, "{}", what);
    Ok(())
}

/// The one number as sent that gives these billionths.
fn raw_by_hand(scale: &Conversion, nanos: i64) -> i128 {
    let Conversion::Linear(scale) = scale else { panic!("no curve is generated") };
    let raw = scale.raw(nanos);
    assert_eq!(scale.nanos(raw), Some(nanos), "the number came from this scale");
    raw
}

/// A decoder keeps the frame that may begin where it stands and no more, whatever comes.
#[test]
fn little_is_kept() {
    for (_, text) in support::SHIPPED {
        let protocol = protocol(text);
        for pattern in
            [&b"\xAA"[..], b"\xAA\x55", b"\xAA\x55\x09\xFF", b"\xC3", b"\xC3\x01\x01", b"$", b"$CEL,", b"$,\n", b"\0"]
        {
            let stream = pattern.repeat(300_000 / pattern.len());
            let mut decoder = Decoder::new(Arc::clone(&protocol));
            for piece in stream.chunks(1000) {
                decoder.push(SessionTime::ZERO, piece);
                assert!(decoder.buffered() <= most_kept(&protocol), "{} bytes", decoder.buffered());
                assert!(decoder.waiting() <= 3 * piece.len() + 4096, "{} rows and rejections", decoder.waiting());
                decoder.take();
            }
        }
    }
}
