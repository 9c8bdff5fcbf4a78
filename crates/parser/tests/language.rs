//! Each capability of the protocol file on bytes that were worked out by hand: what a frame's parts say.

mod support;

use std::sync::Arc;

use model::{Item, SessionTime};
use parser::{Decoder, Encoder, Protocol};
use support::protocol;

/// Packets whose end the stuffing shows, and one message with these keys and parts. SLIP leaves bytes below C0 as they
/// are.
fn packet(keys: &str, parts: &str) -> String {
    format!(
        r#"
protocol = "packet"
[line]
stuffing = "slip"
[[frame]]
name = "f"
parts = [{{ name = "body", role = "body" }}]
[[message]]
name = "m"
frames = ["f"]
every = "1 s"
{keys}
parts = [{parts}]
"#
    )
}

fn bytes(text: &str) -> Vec<u8> {
    text.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).expect("a hexadecimal byte")).collect()
}

/// One line a row or rejection. A value is in its unit, `-` absent, `.` left out.
fn written(protocol: &Arc<Protocol>, stream: &[u8]) -> String {
    let mut decoder = Decoder::new(Arc::clone(protocol));
    decoder.push(SessionTime::ZERO, stream);
    decoder.finish(SessionTime::ZERO);
    let batch = decoder.take().unwrap_or_default();
    let lines = batch.order.iter().map(|item| match *item {
        Item::Rejected(index) => batch.rejected[index as usize].reason.to_string(),
        Item::Row { kind, row } => {
            let (kind, row) = (usize::from(kind), row as usize);
            let layout = &protocol.layout().kinds[kind];
            let columns = layout.columns.iter().zip(&batch.kinds[kind].columns);
            let values = columns.map(|(layout, column)| match column.nanos(row, &layout.scale) {
                _ if !column.is_carried(row) => ".".to_owned(),
                None => "-".to_owned(),
                Some(nanos) => model::format_nanos_exact(nanos, 0),
            });
            format!("{} {}", layout.name, values.collect::<Vec<_>>().join(" "))
        }
    });
    lines.filter(|line| line != "no frame starts here").collect::<Vec<_>>().join("\n")
}

/// The packet goes between two end bytes.
#[track_caller]
fn check(keys: &str, parts: &str, cases: &[(&str, &str)]) {
    let protocol = protocol(&packet(keys, parts));
    for (body, expected) in cases {
        let stream = [&[0xC0][..], &bytes(body), &[0xC0]].concat();
        assert_eq!(written(&protocol, &stream), *expected, "{body}");
    }
}

#[test]
fn types() {
    let cells = |kind: &str| format!(r#"{{ name = "v", type = "{kind}", unit = "V", channel = "cell voltage" }}"#);
    for (kind, body, value) in [
        ("u8", "FF", "255"),
        ("i8", "FF", "-1"),
        ("u16 le", "01 02", "513"),
        ("u16 be", "01 02", "258"),
        ("u24 le", "01 02 03", "197121"),
        ("i24 be", "FF FF FE", "-2"),
        ("u40 be", "00 00 00 01 00", "256"),
        ("i56 le", "FF FF FF FF FF FF FF", "-1"),
        ("f16 le", "00 3C", "1"),
        ("f16 be", "42 48", "3.140625"),
        ("f32 be", "3F 80 00 00", "1"),
        ("f64 le", "00 00 00 00 00 00 F8 3F", "1.5"),
        ("bcd 2", "42", "42"),
        ("bcd 4 be", "38 40", "3840"),
        ("bcd 4 le", "40 38", "3840"),
        ("digits 4", "33 38 34 30", "3840"),
        ("digits 4", "20 2D 31 32", "-12"),
        ("hex 4", "30 46 30 30", "3840"),
        ("hex 2", "66 46", "255"),
    ] {
        check("", &cells(kind), &[(body, &format!("m {value}"))]);
    }
    // Not a number: absent. No such digits: no frame.
    check("", &cells("f16 le"), &[("00 7E", "m -"), ("00 7C", "m -")]);
    let bad = "text of part \"v\" is not as described";
    check("", &cells("bcd 2"), &[("4A", bad), ("A4", bad)]);
    check("", &cells("digits 2"), &[("31 2E", bad), ("20 20", bad), ("2D 2D", bad)]);
    check("", &cells("hex 2"), &[("30 47", bad)]);
}

#[test]
fn bits_of_a_word() {
    check(
        "",
        r#"{ name = "word", type = "u16 be" },
        { name = "volts", of = "word", bits = [4, 15], unit = "mV", channel = "cell voltage" },
        { name = "state", of = "word", bits = [0, 3], channel = "status", states = [{ value = 1, text = "on" }] },
        { name = "signed", of = "word", type = "i8", bits = [4, 7], unit = "degC", channel = "temperature" }"#,
        &[("12 34", "m 0.291 4 3"), ("FF F1", "m 4.095 1 -1")],
    );
    // Bits of bits, and bits of a repeated word.
    check(
        "",
        r#"{ name = "word", type = "u16 le", bits = [4, 15] },
        { name = "low", of = "word", bits = [0, 3], unit = "V", channel = "pack voltage" },
        { name = "cell", type = "u16 be", times = 2, bits = [0, 11], unit = "mV", channel = "cell voltage" }"#,
        &[("21 43 F1 23 81 24", "m 2 0.291 0.292")],
    );
    // A word that is absent has no bits.
    check(
        "",
        r#"{ name = "word", type = "u8", absent = 0xFF },
        { name = "volts", of = "word", bits = [0, 3], unit = "V", channel = "pack voltage" }"#,
        &[("FF", "m -"), ("EF", "m 15")],
    );
}

/// The encoder puts bits where they are read from: in a word of a word, in each repeat.
#[test]
fn bits_are_put_back() {
    let protocol = protocol(&packet(
        "",
        r#"{ name = "word", type = "u16 le", bits = [4, 15] },
        { name = "middle", of = "word", bits = [4, 11] },
        { name = "high", of = "middle", bits = [4, 7], unit = "V", channel = "pack voltage" },
        { name = "low", of = "middle", bits = [0, 3], unit = "V", channel = "bus voltage" },
        { name = "cell", type = "u16 be", times = 2, bits = [2, 13], unit = "mV", channel = "cell voltage" }"#,
    ));
    let mut sent = Vec::new();
    let mut values = [9_000_000_000, 5_000_000_000, 291_000_000, 4_095_000_000].into_iter();
    Encoder::new(Arc::clone(&protocol)).frame(0, &mut |_| values.next(), &mut sent);
    // 9 in bits 12 to 15, 5 in bits 8 to 11; 123 and FFF shifted by two.
    assert_eq!(sent, bytes("C0 00 95 04 8C 3F FC C0"));
    assert_eq!(written(&protocol, &sent), "m 9 5 0.291 4.095");
}

#[test]
fn a_total_over_several_parts() {
    check(
        "",
        r#"{ name = "a", type = "u16 be", absent = 0xFFFF }, { name = "b", type = "u16 be", absent = 0xFFFF },
        { name = "total", sum_of = ["a", "b"], unit = "mV", channel = "pack voltage" }"#,
        &[("FF FE 06 82", "m 67.2"), ("10 68 FF FF", "m 4.2"), ("FF FF FF FF", "m -"), ("FF FF 00 00", "m 0")],
    );
}

#[test]
fn repeats_that_a_part_counts() {
    check(
        "",
        r#"{ name = "count", type = "u8" },
        { name = "cell", type = "u8", times = "count", places = 3, unit = "V", channel = "cell voltage" },
        { name = "pack", type = "u8", unit = "V", channel = "pack voltage" }"#,
        &[
            ("02 04 03 07", "m 4 3 . 7"),
            ("00 07", "m . . . 7"),
            ("03 01 02 03 07", "m 1 2 3 7"),
            ("04 01 02 03 07", "part \"cell\" reaches beyond what the file allows"),
            ("02 04 03", "no message kind is 3 bytes long"),
            ("02 04 03 07 08", "no message kind is 5 bytes long"),
        ],
    );
}

#[test]
fn repeats_to_the_end() {
    check(
        "",
        r#"{ name = "pack", type = "u8", unit = "V", channel = "pack voltage" },
        { name = "cell", type = "u16 be", times = "rest", places = 3, unit = "V", channel = "cell voltage" }"#,
        &[
            ("07", "m 7 . . ."),
            ("07 00 01 00 02", "m 7 1 2 ."),
            ("07 00 01 00", "part \"cell\" reaches beyond what the file allows"),
            ("07 00 01 00 02 00 03 00 04", "no message kind is 9 bytes long"),
        ],
    );
}

#[test]
fn an_optional_end() {
    check(
        "",
        r#"{ name = "pack", type = "u8", unit = "V", channel = "pack voltage" },
        { name = "flags", type = "u8", optional = true, channel = "status", flags = [{ bit = 0, text = "on" }] },
        { name = "count", type = "u8", optional = true },
        { name = "cell", type = "u8", times = "count", places = 2, optional = true, unit = "V", channel = "cell voltage" },
        { name = "low", of = "flags", bits = [0, 3], channel = "status", from = 2, states = [{ value = 0, text = "off" }] }"#,
        &[
            ("07", "m 7 . . . ."),
            ("07 12", "m 7 18 . . 2"),
            ("07 12 01 05", "m 7 18 5 . 2"),
            ("07 12 00", "m 7 18 . . 2"),
            // The count says two, one is there: not an end that the file allows.
            ("07 12 02 05", "no message kind is 4 bytes long"),
            ("", ""),
        ],
    );
    // What is derived from parts in front of the missing end is there.
    check(
        "",
        r#"{ name = "word", type = "u8" }, { name = "more", type = "u8", optional = true },
        { name = "low", of = "word", bits = [0, 3], unit = "V", channel = "pack voltage" }"#,
        &[("21", "m 1"), ("21 00", "m 1")],
    );
}

#[test]
fn zeros_that_the_sender_cuts() {
    check(
        "cut_zeros = true",
        r#"{ name = "pack", type = "u16 le", unit = "V", channel = "pack voltage" },
        { name = "cell", type = "u16 le", times = 2, unit = "V", channel = "cell voltage", absent = 0xFFFF }"#,
        &[
            ("00", "m 0 0 0"),
            ("01", "m 1 0 0"),
            ("01 01 05", "m 257 5 0"),
            ("01 00 05 00 06 00", "m 1 5 6"),
            ("01 00 05 00 06 00 00", "no message kind is 7 bytes long"),
        ],
    );
    check(
        "longer = true",
        r#"{ name = "pack", type = "u16 le", unit = "V", channel = "pack voltage" }"#,
        &[("01 00", "m 1"), ("01 00 99 99", "m 1"), ("01", "no message kind is 1 bytes long")],
    );
}

#[test]
fn cells_spread_over_messages_with_a_start_index() {
    check(
        "",
        r#"{ name = "block", type = "u8" },
        { name = "cell", type = "u8", times = 2, places = 6, from = "block", from_step = 2, from_plus = 1, unit = "V", channel = "cell voltage" }"#,
        &[
            ("00 04 05", "m 4 5 . . . ."),
            ("01 04 05", "m . . 4 5 . ."),
            ("02 04 05", "m . . . . 4 5"),
            ("03 04 05", "part \"cell\" reaches beyond what the file allows"),
        ],
    );
    // A signed index can point in front of the first place.
    check(
        "",
        r#"{ name = "first", type = "i8" },
        { name = "cell", type = "u8", times = "rest", places = 4, from = "first", unit = "V", channel = "cell voltage" }"#,
        &[
            ("01 05", "m 5 . . ."),
            ("04 05", "m . . . 5"),
            ("00 05", "part \"cell\" reaches beyond what the file allows"),
            ("FF 05 06", "part \"cell\" reaches beyond what the file allows"),
            ("04 05 06", "part \"cell\" reaches beyond what the file allows"),
        ],
    );
}

/// Bodies whose length only they themselves say, and bodies that end bytes close.
#[test]
fn frames_without_a_size() {
    let counted = protocol(
        r#"
protocol = "counted"
[[frame]]
name = "f"
start = "AA"
longest = 8
parts = [{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "sum 8" }]
[[message]]
name = "m"
frames = ["f"]
every = "1 s"
parts = [
  { name = "count", type = "u8" },
  { name = "cell", type = "u8", times = "count", places = 9, unit = "V", channel = "cell voltage" },
]
"#,
    );
    assert_eq!(written(&counted, &bytes("AA 02 04 05 0B AA 00 00")), "m 4 5 . . . . . . .\nm . . . . . . . . .");
    assert_eq!(
        written(&counted, &bytes("AA 06 01 01 01 01 01 01 0C AA 01 04 05")),
        "no message kind is 9 bytes long\nm 4 . . . . . . . ."
    );
    assert_eq!(written(&counted, &bytes("AA FF")), "part \"cell\" reaches beyond what the file allows");

    let ended = protocol(
        r#"
protocol = "ended"
[[frame]]
name = "f"
start = "AA"
end = "0D 0A"
longest = 12
parts = [{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "sum 8" }]
[[message]]
name = "m"
frames = ["f"]
every = "1 s"
parts = [{ name = "cell", type = "u8", times = "rest", places = 9, unit = "V", channel = "cell voltage" }]
"#,
    );
    assert_eq!(written(&ended, &bytes("AA 04 05 09 0D 0A")), "m 4 5 . . . . . . .");
    assert_eq!(written(&ended, &bytes("AA 00 0D 0A")), "m . . . . . . . . .");
    // The first end bytes count, even inside what should have been the body.
    assert_eq!(written(&ended, &bytes("AA 01 0D 0A 02 1A 0D 0A")), "checksum computed 0, received 1");
    assert_eq!(written(&ended, &bytes("AA 01 02 03 04 05 06 07 08 09 0A 0B")), "no message kind is 12 bytes long");
}

/// Two devices on one line: their number is an id, their cells have places of their own.
#[test]
fn several_devices_on_one_line() {
    let text = |device: u8, from: u8| {
        format!(
            "[[message]]\nname = \"device_{device}\"\nframes = [\"f\"]\nid = {{ device = {device}, kind = 7 }}\nevery = \"1 s\"\n\
             parts = [{{ name = \"cell\", type = \"u8\", times = 2, from = {from}, unit = \"V\", channel = \"cell voltage\" }}]\n"
        )
    };
    let two = protocol(&format!(
        r#"
protocol = "two"
[[frame]]
name = "f"
start = "AA"
parts = [
  {{ name = "device", type = "u8", role = "id" }}, {{ name = "kind", type = "u16 be", role = "id" }},
  {{ name = "body", role = "body" }}, {{ name = "sum", type = "u8", role = "check", sum = "sum 8" }},
]
{}{}"#,
        text(1, 1),
        text(2, 3)
    ));
    let places: Vec<_> =
        two.layout().kinds.iter().flat_map(|kind| kind.columns.iter().map(|column| column.channel.place)).collect();
    assert_eq!(places, [1, 2, 3, 4]);
    assert_eq!(written(&two, &bytes("AA 02 00 07 04 05 12 AA 01 00 07 06 07 15")), "device_2 4 5\ndevice_1 6 7");
}

/// A checksum in hexadecimal characters, an id in decimal ones, as many devices with a simple display send them.
#[test]
fn characters_in_frames_of_bytes() {
    let chars = protocol(
        r#"
protocol = "characters"
[[frame]]
name = "f"
start = "7E"
end = "0D"
parts = [
  { name = "kind", type = "digits 2", role = "id" },
  { name = "size", type = "hex 2", role = "size", counts = ["body"] },
  { name = "body", role = "body" },
  { name = "sum", type = "hex 4", role = "check", sum = "twos complement 16" },
]
[[message]]
name = "m"
frames = ["f"]
id = { kind = 42 }
every = "1 s"
parts = [{ name = "cell", type = "hex 4", times = "rest", places = 3, unit = "mV", channel = "cell voltage" }]
"#,
    );
    // "42" "04" "0F00": 34 32 30 34 30 46 30 30 add up to 1A0, so the check is FE60.
    assert_eq!(written(&chars, b"~42040F00FE60\r"), "m 3.84 . .");
    assert_eq!(written(&chars, b"~42040F00FE61\r"), "checksum computed fe60, received fe61");
    // The encoder writes the same.
    let mut sent = Vec::new();
    let mut once = Some(3_840_000_000);
    Encoder::new(chars).frame(0, &mut |_| once.take(), &mut sent);
    assert_eq!(sent, b"~42040F00FE60\r");
}

/// A byte that both ends know and that is not sent goes through the checksum, one for each kind.
#[test]
fn an_extra_byte_through_the_checksum() {
    let seeded = protocol(
        r#"
protocol = "seeded"
[[frame]]
name = "f"
start = "AA"
parts = [
  { name = "size", type = "u8", role = "size", counts = ["body"] },
  { name = "body", role = "body" },
  { name = "sum", type = "u8", role = "check", sum = "sum 8" },
]
[[message]]
name = "a"
frames = ["f"]
extra = "10"
every = "1 s"
parts = [{ name = "v", type = "u8", unit = "V", channel = "pack voltage" }]
[[message]]
name = "b"
frames = ["f"]
extra = "20 01"
every = "1 s"
parts = [{ name = "v", type = "u8", unit = "V", channel = "pack voltage" }]
"#,
    );
    assert_eq!(written(&seeded, &bytes("AA 01 05 16")), "a 5");
    assert_eq!(written(&seeded, &bytes("AA 01 05 27")), "b 5");
    assert_eq!(written(&seeded, &bytes("AA 01 05 06")), "checksum computed 16, received 6");
}

const SENTENCES: &str = r#"
protocol = "sentences"
[[frame]]
name = "f"
text = { start = "$", separator = ",", label_mark = "=" }
parts = [{ name = "kind", type = "text", role = "id", column = 1 }, { name = "body", role = "body" }]
[[message]]
name = "first"
frames = ["f"]
id = { kind = "C" }
every = "1 s"
parts = [
  { name = "number", type = "number", column = 2, equals = 1 },
  { name = "cell", type = "number", column = 3, times = "rest", places = 3, unit = "V", channel = "cell voltage" },
]
[[message]]
name = "other"
frames = ["f"]
id = { kind = "C" }
every = "1 s"
parts = [
  { name = "number", type = "number", column = 2 },
  { name = "count", type = "number", column = 3 },
  { name = "cell", type = "number", column = 4, times = "count", places = 6, from = "number", unit = "V", channel = "cell voltage" },
]
[[message]]
name = "named"
frames = ["f"]
id = { kind = "N" }
every = "1 s"
parts = [
  { name = "cell", type = "number", label = "C#", times = "rest", places = 3, suffix = "mV", decimals = 0, unit = "mV", channel = "cell voltage" },
  { name = "state", type = "hex", label = "S", optional = true, channel = "status", flags = [{ bit = 0, text = "on" }] },
]
"#;

#[test]
fn sentences_of_one_name() {
    let protocol = protocol(SENTENCES);
    for (line, expected) in [
        ("$C,1,3.8,,3.9", "first 3.8 - 3.9"),
        ("$C,1", "first . . ."),
        // Too many for the first, but the second takes them.
        ("$C,1,1,2,3,4", "other 2 . . . . ."),
        ("$C,5,2,3.8,3.9", "other . . . . 3.8 3.9"),
        ("$C,6,2,3.8,3.9", "part \"cell\" reaches beyond what the file allows"),
        ("$C,5,2,3.8", "text of part \"cell\" is not as described"),
        ("$C,x,2,3.8", "text of part \"number\" is not as described"),
        ("$N,C2=3800mV,S=1", "named . 3.8 . 1"),
        ("$N,C1=3700mV", "named 3.7 . . ."),
        ("$N,C1=3700", "text of part \"cell\" is not as described"),
        ("$X", "a sound frame, but no message kind has its id"),
    ] {
        assert_eq!(written(&protocol, format!("{line}\r\n").as_bytes()), expected, "{line}");
    }
}

/// A question in text, and its answer, which does not say what it holds.
#[test]
fn questions_and_answers_in_text() {
    let protocol = protocol(
        r#"
protocol = "asked"
[[frame]]
name = "f"
text = { separator = "," }
parts = [{ name = "kind", type = "text", role = "id", column = 1 }, { name = "body", role = "body" }]
[[message]]
name = "volts"
frames = ["f"]
id = { kind = "V?" }
parts = [{ name = "channel", type = "number", column = 2 }]
[[message]]
name = "answer"
frames = ["f"]
answers = "volts"
every = "1 s"
parts = [{ name = "v", type = "number", column = 1, unit = "V", channel = "pack voltage" }]
[[ask]]
message = "volts"
values = { channel = 3 }
every = "1 s"
"#,
    );
    assert_eq!(written(&protocol, b"V?,3\r\n50.4\r\n"), "volts \nanswer 50.4");
    assert_eq!(written(&protocol, b"50.4\r\n"), "a sound answer, but its question was not seen");
    let mut sent = Vec::new();
    Encoder::new(protocol).ask(0, &mut sent);
    assert_eq!(sent, b"V?,3\r\n");
}

/// What is asked: fixed values, given ones, bits in their words; the rest is zero.
#[test]
fn the_bytes_of_a_question() {
    let protocol = protocol(
        r#"
protocol = "asks"
[[frame]]
name = "f"
start = "AA"
parts = [
  { name = "kind", type = "u8", role = "id" },
  { name = "body", role = "body" },
  { name = "sum", type = "u8", role = "check", sum = "sum 8" },
]
[[message]]
name = "q"
frames = ["f"]
id = { kind = 3 }
parts = [
  { name = "register", type = "u16 be", equals = 0x6B },
  { name = "word", type = "u16 be" },
  { name = "high", of = "word", bits = [12, 15] },
  { name = "low", of = "word", bits = [0, 3], equals = 5 },
  { name = "zero", type = "u8", times = 2 },
]
[[message]]
name = "a"
frames = ["f"]
id = { kind = 4 }
answers = ["q"]
every = "1 s"
parts = [{ name = "v", type = "u8", unit = "V", channel = "pack voltage" }]
[[ask]]
message = "q"
values = { high = 9 }
every = "100 ms"
wait = "50 ms"
"#,
    );
    let mut sent = Vec::new();
    Encoder::new(Arc::clone(&protocol)).ask(0, &mut sent);
    assert_eq!(sent, bytes("AA 03 00 6B 90 05 00 00 03"));
    Encoder::new(Arc::clone(&protocol)).ask(1, &mut sent);
    assert_eq!(sent.len(), 9, "an unknown question sends nothing");
    let asks: Vec<_> = protocol.asks().collect();
    assert_eq!((asks.len(), asks[0].every.as_millis(), asks[0].wait.as_millis()), (1, 100, 50));
    // What this program sent opens the way for the answer, as a question on the line does.
    let mut decoder = Decoder::new(Arc::clone(&protocol));
    decoder.sent(SessionTime::ZERO, &sent);
    decoder.push(SessionTime::ZERO, &bytes("AA 04 05 09"));
    assert_eq!(decoder.take().unwrap().order, [Item::Row { kind: 1, row: 0 }]);
}

/// Cells read one after another over a stated time: the layout carries it to the rules.
#[test]
fn a_scan() {
    let protocol = protocol(&packet(
        "",
        r#"{ name = "cell", type = "u8", times = 2, scan = "12 ms", unit = "V", channel = "cell voltage" }"#,
    ));
    let scans: Vec<_> = protocol.layout().kinds[0].columns.iter().map(|column| column.scan).collect();
    assert_eq!(scans, [Some(std::time::Duration::from_millis(12)); 2]);
}
