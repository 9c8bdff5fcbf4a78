//! Streams whose bytes were worked out by hand, and what the decoder says of them, line by line.

mod support;

use std::sync::Arc;

use model::{Item, Raw, SessionTime};
use parser::Decoder;
use support::{decode, protocol};

/// Reads of one nanosecond after the other, divided by `/`; then the end. `rows` and rejections as `support` writes
/// them.
#[track_caller]
fn check(text: &str, stream: &str, expected: &[&str]) {
    let reads: Vec<Vec<u8>> = stream.split('/').map(bytes).collect();
    let stamped = (0..).map(SessionTime::from_nanos).zip(reads.iter().map(Vec::as_slice));
    assert_eq!(decode(&protocol(text), stamped, || true), expected);
}

/// Hexadecimal bytes, and text in quotes.
fn bytes(text: &str) -> Vec<u8> {
    let mut bytes = Vec::new();
    for (index, piece) in text.split('\'').enumerate() {
        if index % 2 == 1 {
            bytes.extend(piece.replace("\\r", "\r").replace("\\n", "\n").into_bytes());
        } else {
            bytes
                .extend(piece.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).expect("a hexadecimal byte")));
        }
    }
    bytes
}

/// One byte of value behind AA, then the XOR of both.
const ONE: &str = r#"
protocol = "one"
[[frame]]
name = "f"
start = "AA"
parts = [{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor", first = "start" }]
[[message]]
name = "m"
frames = ["f"]
every = "1 s"
parts = [{ name = "volts", type = "u8", unit = "V", channel = "pack voltage" }]
"#;

#[test]
fn a_row_has_the_time_of_its_last_byte() {
    check(
        ONE,
        "AA 01 AB AA / 02 / A8 AA 03 A9 / AA 04 / / AE",
        &[
            "0..3 kind 0 at 0.000 known 0.000: [Some(Int(1))]",
            "3..6 kind 0 at 0.000000002 known 0.000000002: [Some(Int(2))]",
            "6..9 kind 0 at 0.000000002 known 0.000000002: [Some(Int(3))]",
            "9..12 kind 0 at 0.000000005 known 0.000000005: [Some(Int(4))]",
        ],
    );
}

#[test]
fn a_frame_behind_a_false_start_has_its_own_time_and_is_known_later() {
    let text = r#"
protocol = "held back"
[[frame]]
name = "f"
start = "AA"
parts = [
  { name = "size", type = "u8", role = "size", counts = ["body"] },
  { name = "body", role = "body" },
  { name = "sum", type = "u8", role = "check", sum = "sum 8" },
]
[[message]]
name = "short"
frames = ["f"]
every = "1 s"
parts = [{ name = "volts", type = "u8", unit = "V", channel = "pack voltage" }]
[[message]]
name = "long"
frames = ["f"]
every = "1 s"
parts = [{ name = "volts", type = "u8", times = 4, unit = "V", channel = "cell voltage" }]
"#;
    // The first byte begins a long frame that swallows the short one, until its sum is there and wrong.
    check(
        text,
        "AA 04 / AA 01 07 08 / 00",
        &[
            "0..7 known 0.000000002: CheckFailed { computed: 190, received: 0 }",
            "0..2 known 0.000000002: Skipped",
            "2..6 kind 0 at 0.000000001 known 0.000000002: [Some(Int(7))]",
            "6..7 known 0.000000002: Skipped",
        ],
    );
    // Where the stream ends first, the end decides.
    check(
        text,
        "AA 04 / AA 01 07 08",
        &[
            "0..6 known 0.000000001: Cut",
            "0..2 known 0.000000001: Skipped",
            "2..6 kind 0 at 0.000000001 known 0.000000001: [Some(Int(7))]",
        ],
    );
}

#[test]
fn damage_costs_what_it_touches() {
    check(
        ONE,
        "00 01 AA 01 AA AA 02 A8 AA",
        &[
            "2..5 known 0.000: CheckFailed { computed: 171, received: 170 }",
            "4..7 known 0.000: CheckFailed { computed: 0, received: 2 }",
            "0..5 known 0.000: Skipped",
            "5..8 kind 0 at 0.000 known 0.000: [Some(Int(2))]",
            "8..9 known 0.000: Cut",
            "8..9 known 0.000: Skipped",
        ],
    );
}

#[test]
fn a_long_run_of_other_bytes_is_reported_in_parts() {
    let stream = "00 ".repeat(10_000);
    check(
        ONE,
        &format!("{stream} AA 01 AB"),
        &[
            "0..4096 known 0.000: Skipped",
            "4096..8192 known 0.000: Skipped",
            "8192..10000 known 0.000: Skipped",
            "10000..10003 kind 0 at 0.000 known 0.000: [Some(Int(1))]",
        ],
    );
}

/// Two headers with the same start: a sound frame of the first whose id is not known may be one of the second.
#[test]
fn an_unknown_id_may_be_known_in_another_frame() {
    let text = r#"
protocol = "two headers"
[[frame]]
name = "narrow"
start = "AA"
parts = [
  { name = "size", type = "u8", role = "size", counts = ["body"] },
  { name = "kind", type = "u8", role = "id" },
  { name = "body", role = "body" },
  { name = "sum", type = "u8", role = "check", sum = "sum 8" },
]
[[frame]]
name = "wide"
start = "AA"
parts = [
  { name = "size", type = "u8", role = "size", counts = ["kind", "body", "more"] },
  { name = "more", type = "u8" },
  { name = "kind", type = "u8", role = "id" },
  { name = "body", role = "body" },
  { name = "sum", type = "u8", role = "check", sum = "sum 8" },
]
[[message]]
name = "a"
frames = ["narrow"]
id = { kind = 1 }
every = "1 s"
parts = [{ name = "volts", type = "u8", unit = "V", channel = "pack voltage" }, { name = "rest", type = "u8", times = 2 }]
[[message]]
name = "b"
frames = ["wide"]
id = { kind = 2 }
every = "1 s"
parts = [{ name = "volts", type = "u8", unit = "V", channel = "pack voltage" }]
"#;
    check(
        text,
        // Size 3, kind 1; then size 3, more 9, kind 2, in which "narrow" sees kind 9 with a body of three and asks for
        // one byte more; then kind 9 in both.
        "AA 03 01 05 00 00 09 / AA 03 09 02 06 14 / 28 / AA 03 09 09 06 00 1B",
        &[
            "0..7 kind 0 at 0.000 known 0.000: [Some(Int(5))]",
            "7..13 kind 1 at 0.000000001 known 0.000000002: [Some(Int(6))]",
            "13..14 known 0.000000003: Skipped",
            "14..21 known 0.000000003: UnknownMessage",
        ],
    );
}

const LINES: &str = r#"
protocol = "lines"
[[frame]]
name = "f"
text = { start = "$", separator = "," }
longest = 24
parts = [
  { name = "kind", type = "text", role = "id", column = 1 },
  { name = "body", role = "body" },
  { name = "digits", type = "hex", role = "check", sum = "sum 8", mark = "*" },
]
[[message]]
name = "m"
frames = ["f"]
id = { kind = "V" }
every = "1 s"
parts = [{ name = "volts", type = "number", decimals = 1, column = 2, unit = "V", channel = "pack voltage" }]
"#;

#[test]
fn lines_of_text() {
    // V 56, comma 2C, digits from 30, full stop 2E: "V,3.7" is 56 + 2C + 33 + 2E + 37 = 11A.
    check(
        LINES,
        "'$V,3.7*1A\\r\\n$V,' / '3.7*1a\\n' / 'junk$V,3.7*1A\\r\\n'",
        &[
            "0..11 kind 0 at 0.000 known 0.000: [Some(Int(37))]",
            "11..21 kind 0 at 0.000000001 known 0.000000001: [Some(Int(37))]",
            "21..25 known 0.000000002: Skipped",
            "25..36 kind 0 at 0.000000002 known 0.000000002: [Some(Int(37))]",
        ],
    );
    // The real line begins where another start stands, and that is known before the line ends.
    check(
        LINES,
        "'$V,3' / '$' / 'V,3.7*1A\\n'",
        &[
            "0..4 known 0.000000001: Cut",
            "0..4 known 0.000000002: Skipped",
            "4..14 kind 0 at 0.000000002 known 0.000000002: [Some(Int(37))]",
        ],
    );
    for (line, reason) in [
        ("$V,3.7*1B\\n", "CheckFailed { computed: 26, received: 27 }"),
        ("$V,3.7*1\\n", "BadText { part: \"digits\" }"),
        ("$V,3.7*01A\\n", "BadText { part: \"digits\" }"),
        ("$V,3.7*1A \\n", "BadText { part: \"digits\" }"),
        ("$V,3.7\\n", "BadText { part: \"digits\" }"),
        ("$V,3.75*4F\\n", "BadText { part: \"volts\" }"),
        ("$V*56\\n", "BadText { part: \"volts\" }"),
    ] {
        let length = line.len() - 1;
        let refused = format!("0..{length} known 0.000: {reason}");
        check(LINES, &format!("'{line}'"), &[&refused, &format!("0..{length} known 0.000: Skipped")]);
    }
    // 24 bytes without an end are no line.
    check(
        LINES,
        "'$V,3.7 and no end in si' / 'ght'",
        &["0..24 known 0.000000001: SizeNotAllowed { size: 24 }", "0..26 known 0.000000001: Skipped"],
    );
}

/// Reads with their time in milliseconds: `0: AA 01 / 7: AB`. Rows as the kind's name and its numbers; rejections that
/// are no skipped bytes as their reason.
#[track_caller]
fn check_times(text: &str, stream: &str, expected: &[&str]) {
    let protocol = protocol(text);
    let mut decoder = Decoder::new(Arc::clone(&protocol));
    let mut lines = Vec::new();
    let mut last = SessionTime::ZERO;
    let mut said = |decoder: &mut Decoder| {
        let Some(batch) = decoder.take() else { return };
        for item in &batch.order {
            match *item {
                Item::Row { kind, row } => {
                    let list = &batch.kinds[usize::from(kind)];
                    let raw = |column: &model::Column| column.raw(row as usize).and_then(Raw::int).unwrap_or(-1);
                    let numbers: Vec<String> = list.columns.iter().map(|column| raw(column).to_string()).collect();
                    let name = &protocol.layout().kinds[usize::from(kind)].name;
                    let known = list.known_at[row as usize].nanos / 1_000_000;
                    lines.push(format!("{name} {} at {known}", numbers.join(" ")));
                }
                Item::Rejected(index) => {
                    let rejected = &batch.rejected[index as usize];
                    lines.push(format!("{}: {}", rejected.bytes, rejected.reason));
                }
            }
        }
    };
    for read in stream.split('/') {
        let (at, read) = read.split_once(':').expect("a time");
        last = SessionTime::from_nanos(at.trim().parse::<u64>().expect("milliseconds") * 1_000_000);
        decoder.push(last, &bytes(read));
        said(&mut decoder);
    }
    decoder.finish(last);
    said(&mut decoder);
    assert_eq!(lines, expected);
}

/// Frames without start bytes, found by their size and CRC: what is none waits for up to 259 bytes. CRC1 and CRC2 in a
/// stream are the CRCs of 01 02 04 05 and 01 02 06 07.
#[track_caller]
fn check_startless(line: &str, stream: &str, expected: &[&str]) {
    let text = format!(
        r#"
protocol = "startless"
{line}
[[frame]]
name = "f"
parts = [
  {{ name = "kind", type = "u8", role = "id" }}, {{ name = "size", type = "u8", role = "size", counts = ["body"] }},
  {{ name = "body", role = "body" }}, {{ name = "crc", type = "u16 le", role = "check", crc = "CRC-16/MODBUS" }},
]
[[message]]
name = "m"
frames = ["f"]
id = {{ kind = 1 }}
every = "1 s"
longer = true
parts = [{{ name = "cell", type = "u8", times = 2, unit = "V", channel = "cell voltage" }}]
"#
    );
    let crc = |bytes: [u8; 4]| {
        let crc = bytes.iter().fold(0xFFFF_u16, |crc, byte| {
            (0..8).fold(crc ^ u16::from(*byte), |crc, _| if crc & 1 == 0 { crc >> 1 } else { crc >> 1 ^ 0xA001 })
        });
        format!("{:02X} {:02X}", crc & 0xFF, crc >> 8)
    };
    let stream = stream.replace("CRC1", &crc([1, 2, 4, 5])).replace("CRC2", &crc([1, 2, 6, 7]));
    check_times(&text, &stream, expected);
}

const HINT: &str = "line = { idle = \"5 ms\" }";

#[test]
fn behind_a_silence_a_false_start_is_given_up() {
    // 01 F0 begins a frame of 244 bytes, in front of two good ones with a stray byte between them.
    let stream = "0: 01 F0 01 02 04 05 CRC1 99 01 02 06 07 CRC2 / 20: 01 02 04 05 CRC1 / 40: 00";
    check_startless(
        HINT,
        stream,
        &[
            "0..2: no frame starts here",
            "m 4 5 at 20",
            "8..9: no frame starts here",
            "m 6 7 at 20",
            "m 4 5 at 20",
            "21..22: no frame starts here",
        ],
    );
    // Without the hint the same frames are known at the end.
    check_startless(
        "",
        stream,
        &[
            "0..2: no frame starts here",
            "m 4 5 at 40",
            "8..9: no frame starts here",
            "m 6 7 at 40",
            "m 4 5 at 40",
            "21..22: no frame starts here",
        ],
    );
    // Behind bytes of a shorter silence nothing is looked for.
    check_startless(
        HINT,
        "0: 01 F0 01 02 04 05 CRC1 / 4: 00 / 8: 00 / 9: 00",
        &["0..2: no frame starts here", "m 4 5 at 9", "8..11: no frame starts here"],
    );
}

#[test]
fn a_silence_inside_a_frame_changes_nothing() {
    for line in ["", HINT] {
        check_startless(
            line,
            "0: 01 02 / 20: 04 / 40: 05 CRC1 01 / 60: 02 06 07 CRC2",
            &["m 4 5 at 40", "m 6 7 at 60"],
        );
        // A good frame inside a longer one, but the silence does not follow it at once: 01 06 ... is the frame.
        check_startless(
            line,
            "0: 01 06 01 02 04 05 CRC1 / 20: 00 / 40: 00",
            if line.is_empty() { &INSIDE_LATE } else { &INSIDE_SOON },
        );
    }
}

/// What seemed to be a frame of six bytes around a good one fails its CRC, or is given up at the silence behind the
/// good one.
const INSIDE_LATE: [&str; 3] = ["0..2: no frame starts here", "m 4 5 at 40", "8..10: no frame starts here"];
const INSIDE_SOON: [&str; 3] = ["0..2: no frame starts here", "m 4 5 at 20", "8..10: no frame starts here"];

/// The questions and answers of `modbus-rtu.toml`; frames by the PyPI package pymodbus, as in its examples.
#[test]
fn an_answer_needs_its_own_question_in_front() {
    let text = support::text_of("modbus-rtu");
    let question = "01 03 00 6B 00 03 74 17";
    let answer = "01 03 06 02 2B 00 00 00 64 05 7A";
    let unknown_question = "01 03 01 00 00 02 C5 F7";
    let pair = ["ask_pack  at 0", "pack 555 0 100 at 0"];
    check_times(text, &format!("0: {question} {answer}"), &pair);
    // A disturbed byte at the turn of the line, and 1.999 s, make no difference.
    check_times(
        text,
        &format!("0: {question} / 1999: FF {answer}"),
        &[pair[0], "8..9: no frame starts here", "pack 555 0 100 at 1999"],
    );
    let unpaired = |range: &str| format!("{range}: a sound answer, but its question was not seen");
    // Too late.
    check_times(text, &format!("0: {question} / 2001: {answer}"), &[pair[0], &unpaired("8..19")]);
    // A second answer.
    check_times(text, &format!("0: {question} {answer} {answer}"), &[pair[0], pair[1], &unpaired("19..30")]);
    // The first question got no answer; the answer is that of a question that the file does not describe.
    check_times(
        text,
        &format!("0: {question} {unknown_question} {answer}"),
        &[pair[0], "8..16: a sound frame, but no message kind has its id", &unpaired("16..27")],
    );
    // The same where that question is damaged.
    check_times(
        text,
        &format!("0: {question} {} {answer}", unknown_question.replace("C5", "C6")),
        &[pair[0], "8..16: no frame starts here", &unpaired("16..27")],
    );
}

/// Packets between end bytes.
const PACKETS: &str = r#"
protocol = "packets"
[line]
stuffing = "slip"
[[frame]]
name = "f"
longest = 8
parts = [{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "sum 8" }]
[[message]]
name = "m"
frames = ["f"]
every = "1 s"
parts = [{ name = "volts", type = "u8", unit = "V", channel = "pack voltage" }]
"#;

#[test]
fn packets() {
    // Whole packets; empty ones are filling.
    check(
        PACKETS,
        "C0 C0 01 01 C0 / 02 / 02 C0 C0",
        &[
            "2..5 kind 0 at 0.000 known 0.000: [Some(Int(1))]",
            "5..8 kind 0 at 0.000000002 known 0.000000002: [Some(Int(2))]",
        ],
    );
    // Broken, too short, too long for the message, of another sum, cut by the end.
    check(
        PACKETS,
        "DB 01 C0 01 C0 01 02 03 C0 01 02 C0 01",
        &[
            "0..3 known 0.000: BadStuffing",
            "3..5 known 0.000: SizeNotAllowed { size: 1 }",
            "5..9 known 0.000: SizeNotAllowed { size: 3 }",
            "9..12 known 0.000: CheckFailed { computed: 1, received: 2 }",
            "12..13 known 0.000: Cut",
            "0..13 known 0.000: Skipped",
        ],
    );
    // Longer on the line than any packet can be (8 bytes, all stuffed, and two ends): nothing counts before the next
    // end, not even what looks like a packet behind that many bytes.
    let long = "00 ".repeat(18);
    for stream in [format!("{long} 07 07 C0 01 01 C0"), format!("{long} 07 / 07 C0 01 01 C0")] {
        let last = if stream.contains('/') { "0.000000001" } else { "0.000" };
        check(
            PACKETS,
            &stream,
            &[
                "0..18 known 0.000: SizeNotAllowed { size: 18 }",
                &format!("0..21 known {last}: Skipped"),
                &format!("21..24 kind 0 at {last} known {last}: [Some(Int(1))]"),
            ],
        );
    }
    // The end of the stream ends such a packet, too.
    let mut decoder = Decoder::new(protocol(PACKETS));
    decoder.push(SessionTime::ZERO, &bytes(&long));
    decoder.finish(SessionTime::ZERO);
    decoder.take();
    decoder.push(SessionTime::ZERO, &bytes("01 01 C0"));
    assert_eq!(decoder.take().expect("a row").order, [Item::Row { kind: 0, row: 0 }]);
}
