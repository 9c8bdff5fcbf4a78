//! Files and streams that mean harm: an error with a place, or a bound on time and memory.
//!
//! The bounds on time are far above what is needed, so that a slow machine passes; what they must catch grows with the
//! square of a size, or worse.

#![allow(clippy::unwrap_used, reason = "the helpers of a test fail as it does")]

mod support;

use std::fmt::Write;
use std::sync::Arc;
use std::time::{Duration, Instant};

use model::{Level, SessionTime};
use parser::{Decoder, Encoder, Protocol, check_examples};
use support::{most_kept, protocol, shipped};

const LONGEST: Duration = Duration::from_secs(20);

#[expect(clippy::disallowed_methods, reason = "how long it takes is what these tests are about")]
fn now() -> Instant {
    Instant::now()
}

/// Reads a file in bounded time; whatever it says has a place.
#[track_caller]
fn read(text: &str) -> (Option<Arc<Protocol>>, String) {
    let begun = now();
    let (protocol, faults) = Protocol::parse(text);
    let protocol = protocol.map(Arc::new);
    if let Some(protocol) = &protocol {
        check_examples(protocol, text);
        let mut bytes = Vec::new();
        for kind in 0..protocol.layout().kinds.len() {
            Encoder::new(Arc::clone(protocol)).frame(kind, &mut |_| Some(1_000_000_000), &mut bytes);
        }
        let mut decoder = Decoder::new(Arc::clone(protocol));
        decoder.push(SessionTime::ZERO, &bytes);
        decoder.finish(SessionTime::ZERO);
    }
    assert!(begun.elapsed() < LONGEST, "{:?} for {} bytes", begun.elapsed(), text.len());
    let errors = faults.iter().filter(|fault| fault.level == Level::Error);
    let said: Vec<String> = errors.map(|fault| format!("{}:{} {}", fault.line, fault.column, fault.message)).collect();
    assert_eq!(protocol.is_none(), !said.is_empty());
    (protocol, said.join("\n"))
}

/// A frame with a size, and one message with these parts, from line 12.
fn message(parts: &str) -> String {
    format!(
        r#"protocol = "x"
[[frame]]
name = "f"
start = "AA"
longest = 65536
parts = [{{ name = "size", type = "u16 le", role = "size", counts = ["body"] }}, {{ name = "body", role = "body" }}, {{ name = "sum", type = "u8", role = "check", sum = "xor" }}]
[[message]]
name = "m"
frames = ["f"]
every = "1 s"
parts = [
{parts}
]
"#
    )
}

fn cells(count: usize, part: impl Fn(usize) -> String) -> String {
    (0..count).map(part).collect::<Vec<_>>().join(",\n")
}

#[test]
fn more_values_than_any_pack_has() {
    let wide = |index: usize| {
        format!(
            "{{ name = \"p{index}\", type = \"u8\", times = \"rest\", places = 512, unit = \"V\", channel = \"cell voltage\" }}"
        )
    };
    let (_, said) = read(&message(&cells(1024, wide)));
    assert!(said.contains("already carried by part"), "{said}");
    // One part that fills all places, in very many messages.
    let one = wide(0);
    let mut text = message(&one)
        .replace("name = \"size\"", "name = \"kind\", type = \"u16 le\", role = \"id\" }, { name = \"size\"");
    for index in 1..256 {
        write!(text, "[[message]]\nname = \"m{index}\"\nframes = [\"f\"]\nid = {{ kind = {index} }}\nevery = \"1 s\"\nparts = [{one}]\n").unwrap();
    }
    let (_, said) = read(&text);
    assert!(said.contains("more than 8192 values in all messages"), "{said}");
}

#[test]
fn curves_of_many_points() {
    let points: Vec<String> = (0..512).map(|point| format!("[{point}, {point}]")).collect();
    let points = points.join(",");
    let part = |index: usize| {
        format!(
            "{{ name = \"p{index}\", type = \"u16 le\", times = 200, from = {}, unit = \"degC\", channel = \"temperature\", curve = {{ points = [{points}] }} }}",
            1 + index * 200
        )
    };
    let (_, said) = read(&message(&cells(2, part)));
    assert_eq!(said, "");
    let mut text = message(&part(0))
        .replace("name = \"size\"", "name = \"kind\", type = \"u16 le\", role = \"id\" }, { name = \"size\"");
    for index in 1..80 {
        write!(text, "[[message]]\nname = \"m{index}\"\nframes = [\"f\"]\nid = {{ kind = {index} }}\nevery = \"1 s\"\nparts = [{}]\n", part(0)).unwrap();
    }
    let (_, said) = read(&text);
    assert!(said.ends_with("more than 262144 points in the curves of all values"), "{said}");
    // Figures at the ends of what a decimal can be.
    for curve in [
        "points = [[-1e60, -9], [1e60, 9]]",
        "points = [[0, -9223372036], [1, 9223372036]]",
        "points = [[0, 0], [1e-60, 1]]",
        "steinhart_hart = [1e60, -1e60, 1e60]",
        "steinhart_hart = [1e-60, 1e-60, 1e-60]",
        "steinhart_hart = [1e-3, 0, 0]",
        "beta = 100, r0 = \"9 kohm\", ohms = 1e9",
        "beta = 20000, r0 = \"1 uohm\", divider = { fixed = \"9000000 kohm\", full = 1e19 }",
    ] {
        for kind in ["u8", "i64 le", "f64 le", "digits 18"] {
            read(&message(&format!(
                "{{ name = \"p\", type = \"{kind}\", times = 9, unit = \"degC\", channel = \"temperature\", curve = {{ {curve} }} }}"
            )));
        }
    }
}

#[test]
fn chains() {
    // Bits of bits of bits; each takes one off.
    let bits = |index: usize| match index {
        0 => "{ name = \"p0\", type = \"u64 le\", bits = [0, 61] }".to_owned(),
        _ => format!("{{ name = \"p{index}\", of = \"p{}\", bits = [0, {}] }}", index - 1, 61 - index.min(61)),
    };
    let (protocol, said) = read(&message(&cells(1024, bits)));
    assert_eq!(said, "");
    assert!(protocol.is_some());
    // A sum of sums grows by a power each time, until it is no number any more.
    let sums = |index: usize| match index {
        0 => "{ name = \"p0\", type = \"u64 le\" }".to_owned(),
        _ => {
            let from = index.saturating_sub(64);
            let names: Vec<String> = (from..index).map(|part| format!("\"p{part}\"")).collect();
            format!("{{ name = \"p{index}\", sum_of = [{}] }}", names.join(","))
        }
    };
    let last = "{ name = \"last\", sum_of = [\"p999\"], unit = \"V\", channel = \"pack voltage\" }";
    let (protocol, said) = read(&message(&format!("{},\n{last}", cells(1000, sums))));
    assert_eq!(said, "");
    let mut decoder = Decoder::new(protocol.unwrap());
    decoder.push(SessionTime::ZERO, &[0xAA, 8, 0, 255, 255, 255, 255, 255, 255, 255, 255, 8]);
    let batch = decoder.take().unwrap();
    assert_eq!((batch.rejected.len(), batch.kinds[0].columns[0].raw(0)), (0, None));
    // Each counts the next.
    let counts = |index: usize| match index {
        0 => "{ name = \"p0\", type = \"u8\" }".to_owned(),
        _ => format!("{{ name = \"p{index}\", type = \"u8\", times = \"p{}\", places = 512 }}", index - 1),
    };
    let (_, said) = read(&message(&cells(1000, counts)));
    assert!(said.contains("part \"p1\" is no single whole number"), "{said}");
    // One counts all of them.
    let all = |index: usize| match index {
        0 => "{ name = \"p0\", type = \"u16 le\" }".to_owned(),
        _ => format!("{{ name = \"p{index}\", type = \"digits 18\", times = \"p0\", places = 512 }}"),
    };
    let (protocol, _) = read(&message(&cells(1024, all)).replace("longest = 65536", "longest = 1024"));
    let text = message(&cells(1024, all))
        .replace("{ name = \"size\", type = \"u16 le\", role = \"size\", counts = [\"body\"] }, ", "");
    for text in [text.clone(), text.replace("longest = 65536", "longest = 300")] {
        let (measured, said) = read(&text);
        let mut decoder = Decoder::new(measured.unwrap_or_else(|| panic!("{said}")));
        for byte in [0xAA, 0xFF, 0x01].into_iter().chain([0x30; 5000]) {
            decoder.push(SessionTime::ZERO, &[byte]);
            assert!(decoder.buffered() <= most_kept(decoder.protocol()));
        }
    }
    assert!(protocol.is_some());
}

#[test]
fn messages_that_are_held_against_each_other() {
    // As many fixed values as fit into a file, in as many messages and frames as it may have.
    let mut text = "protocol = \"x\"\n".to_owned();
    for index in 0..64 {
        write!(
            text,
            "[[frame]]\nname = \"f{index}\"\nstart = \"AA\"\nparts = [{{ name = \"body\", role = \"body\" }}, {{ name = \"sum\", type = \"u8\", role = \"check\", sum = \"xor\" }}]\n"
        )
        .unwrap();
    }
    let frames: Vec<String> = (0..64).map(|index| format!("\"f{index}\"")).collect();
    let parts = cells(70, |index| format!("{{ name = \"p{index}\", type = \"u8\", equals = 1 }}"));
    for index in 0..220 {
        write!(
            text,
            "[[message]]\nname = \"m{index}\"\nframes = [{}]\nevery = \"1 s\"\nparts = [{parts}, {{ name = \"q\", type = \"u8\", equals = {index} }}]\n",
            frames.join(",")
        )
        .unwrap();
    }
    assert!(text.len() < 1 << 20);
    read(&text);
}

#[test]
fn questions_in_heaps() {
    let mut text = message("{ name = \"p0\", type = \"u8\", equals = 0 }");
    let all: Vec<String> = (0..255).map(|index| format!("\"m{index}\"")).collect();
    for index in 0..255 {
        write!(
            text,
            "[[message]]\nname = \"m{index}\"\nframes = [\"f\"]\nevery = \"1 s\"\nanswers = [{}]\nparts = [{{ name = \"p\", type = \"u8\" }}]\n",
            all[..64].join(",")
        )
        .unwrap();
    }
    let (_, said) = read(&text);
    assert!(said.contains("is an answer itself"), "{said}");
    assert!(said.ends_with("there are more faults than are listed here"), "{said}");
}

/// Pushes a stream byte by byte, a silence in front of each, and checks time and memory; returns the time for a byte.
fn push_slowly(protocol: &Arc<Protocol>, stream: &[u8]) -> Duration {
    let begun = now();
    let mut decoder = Decoder::new(Arc::clone(protocol));
    for (index, byte) in stream.iter().enumerate() {
        decoder.push(SessionTime::from_nanos(index as u64 * 10_000_000), &[*byte]);
        assert!(decoder.buffered() <= most_kept(protocol), "{} bytes", decoder.buffered());
        if decoder.waiting() > 1000 {
            decoder.take();
        }
    }
    decoder.finish(SessionTime::from_nanos(u64::MAX));
    let taken = begun.elapsed();
    assert!(taken < LONGEST, "{taken:?} for {}", protocol.name());
    taken / u32::try_from(stream.len()).unwrap()
}

/// Streams that keep a decoder waiting, byte by byte with a silence before each: what a byte costs is bounded by the
/// longest frame, never by what came before.
#[test]
fn streams_that_keep_waiting() {
    let frame = |line: &str, keys: &str, size: &str, part: &str| {
        protocol(&format!(
            r#"
protocol = "slow"
[line]
{line}
[[frame]]
name = "f"
longest = 65536
{keys}
parts = [{{ name = "kind", type = "u8", role = "id" }}, {size} {{ name = "body", role = "body" }}, {{ name = "crc", type = "u16 le", role = "check", crc = "CRC-16/MODBUS" }}]
[[message]]
name = "m"
frames = ["f"]
id = {{ kind = 1 }}
extra = "07"
every = "1 s"
parts = [{part}]
"#
        ))
    };
    let size = "{ name = \"size\", type = \"u16 be\", role = \"size\", counts = [\"body\"] },";
    let rest = "{ name = \"p\", type = \"u8\", times = \"rest\", places = 512 }, ";
    let counted =
        "{ name = \"n\", type = \"u16 be\" }, { name = \"p\", type = \"u64 be\", times = \"n\", places = 512 }";
    let idle = "idle = \"1 ms\"";
    let around = [vec![0xAA, 2, 0x1F, 0x40], [0xAA, 1, 0x04, 0x00].repeat(2250)].concat();
    let streams: [(&str, Arc<Protocol>, Vec<u8>); 10] = [
        ("a size, no start", frame(idle, "", size, rest), [1, 1, 0].repeat(3000)),
        ("a size, no start, ids not known", frame(idle, "", size, rest), [2, 1, 0].repeat(3000)),
        ("zeros", frame(idle, "", size, rest), vec![0; 9000]),
        ("end bytes that never come", frame(idle, "start = \"01\"\nend = \"0D0A\"", "", rest), vec![1; 9000]),
        ("counts", frame(idle, "start = \"01\"", "", counted), vec![1; 9000]),
        ("a packet without end", frame("stuffing = \"slip\"", "", "", rest), vec![1; 9000]),
        ("escapes without end", frame("stuffing = \"hdlc\"", "", "", rest), vec![0x7D; 9000]),
        ("MAVLink of kinds not known", shipped("mavlink"), [0xFD, 0xFF, 0, 0, 0xFD, 1, 1, 0xFE, 0, 0].repeat(900)),
        ("frames of kinds not known around known ones", frame(idle, "start = \"AA\"", size, rest), around),
        ("Modbus answers that never end", shipped("modbus-rtu"), [1, 3, 0xFA].repeat(3000)),
    ];
    for (what, protocol, stream) in streams {
        let cost = push_slowly(&protocol, &stream);
        println!("{what}: {cost:?} for a byte");
    }
}
