//! Streams whose bytes were worked out by hand, and what the decoder says of them, line by line.

mod support;

use model::SessionTime;
use support::{decode, protocol};

/// Reads of one nanosecond after the other, divided by `/`; then the end. `rows` and rejections as `support` writes them.
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
        // Size 3, kind 1; then size 3, more 9, kind 2, in which "narrow" sees kind 9 with a body of three and asks for one byte
        // more; then kind 9 in both.
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
