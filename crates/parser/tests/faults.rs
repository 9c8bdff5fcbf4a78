//! What is said about protocol files with faults: every fault with its place, the text there and what to write instead.

use std::sync::Arc;

use model::{Fault, Level};
use parser::{Protocol, check_examples};

/// A frame and a message that have no fault.
const SOUND: &str = r#"protocol = "x"
[[frame]]
name = "f"
start = "AA"
parts = [{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor", first = "body" }]
[[message]]
name = "m"
frames = ["f"]
every = "1 s"
parts = [
  { name = "volts", type = "u8", unit = "V", channel = "pack voltage", absent = 0xFF },
  { name = "count", type = "u8", channel = "frame counter" },
  { name = "pad", type = "u8" },
]
"#;

/// The sound file and more behind it, from line 15.
fn with(more: &str) -> String {
    format!("{SOUND}{more}\n")
}

fn example(keys: &str) -> String {
    with(&format!("[[example]]\n{keys}"))
}

const MESSAGE: &str = r#"[[message]]
name = "m"
frames = ["f"]
every = "1 s"
parts = [{ name = "volts", type = "u8", unit = "V", channel = "pack voltage" }]
"#;

/// A frame with these keys, from line 3, and these parts.
fn frame(keys: &str, parts: &str) -> String {
    format!("protocol = \"x\"\n[[frame]]\n{keys}\nparts = [{parts}]\n{MESSAGE}")
}

/// A frame with one part more, in line 6.
fn frame_part(part: &str) -> String {
    let sum = "{ name = \"sum\", type = \"u8\", role = \"check\", sum = \"xor\" }";
    frame("name = \"f\"\nstart = \"AA\"", &format!("\n{part},\n{{ name = \"body\", role = \"body\" }}, {sum}"))
}

/// A checksum behind the body with these keys, in line 6.
fn check_part(keys: &str) -> String {
    let parts = format!("{{ name = \"body\", role = \"body\" }},\n{{ name = \"sum\", role = \"check\", {keys} }}");
    frame("name = \"f\"\nstart = \"AA\"", &parts)
}

const TEXT_MESSAGE: &str = r#"[[message]]
name = "m"
frames = ["f"]
every = "1 s"
parts = [{ name = "volts", type = "number", column = 2, unit = "V", channel = "pack voltage" }]
"#;

/// A frame of text with these keys, in line 4, and these parts, in line 5.
fn text_frame(keys: &str, parts: &str) -> String {
    format!("protocol = \"x\"\n[[frame]]\nname = \"f\"\ntext = {{ {keys} }}\nparts = [{parts}]\n{TEXT_MESSAGE}")
}

const FRAME: &str = r#"protocol = "x"
[[frame]]
name = "f"
start = "AA"
parts = [{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }]
"#;

/// A message with these keys, from line 7.
fn message(keys: &str) -> String {
    format!(
        "{FRAME}[[message]]\n{keys}\nparts = [{{ name = \"v\", type = \"u8\", unit = \"V\", channel = \"pack voltage\" }}]\n"
    )
}

/// A message with these parts, in line 11.
fn part(parts: &str) -> String {
    format!("{FRAME}[[message]]\nname = \"m\"\nframes = [\"f\"]\nevery = \"1 s\"\nparts = [\n{parts}]\n")
}

/// A message with these keys, from line 11, in a frame with an id and a size.
fn with_id(keys: &str) -> String {
    format!(
        r#"protocol = "x"
[[frame]]
name = "f"
start = "AA"
parts = [
  {{ name = "kind", type = "u8", role = "id" }},
  {{ name = "size", type = "u8", role = "size", counts = ["body"] }},
  {{ name = "body", role = "body" }}, {{ name = "sum", type = "u8", role = "check", sum = "xor" }},
]
[[message]]
{keys}
every = "1 s"
parts = [{{ name = "v", type = "u8", unit = "V", channel = "pack voltage" }}]
"#
    )
}

const TEXT_FRAME: &str = r#"protocol = "x"
[[frame]]
name = "f"
text = { start = "$", separator = "," }
parts = [
  { name = "kind", type = "text", role = "id", column = 1 },
  { name = "body", role = "body" },
  { name = "sum", type = "hex", role = "check", sum = "xor", mark = "*" },
]
"#;

/// A message of text with this id, in line 13.
fn with_text_id(id: &str) -> String {
    let part = "{ name = \"v\", type = \"number\", column = 2, unit = \"V\", channel = \"pack voltage\" }";
    format!("{TEXT_FRAME}[[message]]\nname = \"m\"\nframes = [\"f\"]\n{id}\nevery = \"1 s\"\nparts = [{part}]\n")
}

/// A message of text with these parts, in line 16.
fn text_part(parts: &str) -> String {
    let head = "[[message]]\nname = \"m\"\nframes = [\"f\"]\nid = { kind = \"M\" }\nevery = \"1 s\"\nparts = [\n";
    format!("{TEXT_FRAME}{head}{parts}]\n")
}

fn faults(text: &str) -> Vec<Fault> {
    let (protocol, mut faults) = Protocol::parse(text);
    let errors = faults.iter().any(|fault| fault.level == Level::Error);
    assert_eq!(protocol.is_some(), !errors, "a protocol is there exactly where there is no error: {faults:?}");
    faults.extend(protocol.into_iter().flat_map(|protocol| check_examples(&Arc::new(protocol), text)));
    faults
}

/// One line a fault: its place, the text there in `< >`, what is wrong, and behind `=>` what to write.
fn written(text: &str) -> String {
    let mut lines = Vec::new();
    for fault in faults(text) {
        for said in [Some(&fault.message), fault.hint.as_ref()].into_iter().flatten() {
            assert!(!said.is_empty() && !said.ends_with(['.', '!']), "{said}");
            assert!(!said.starts_with(|first: char| first.is_uppercase()) || said.starts_with("CRC"), "{said}");
        }
        assert!(text.get(fault.span.clone()).is_some(), "{fault:?}");
        let level = if fault.level == Level::Warning { "warning: " } else { "" };
        let hint = fault.hint.map_or(String::new(), |hint| format!("\n    => {hint}"));
        lines.push(format!("{}:{} <{}> {level}{}{hint}", fault.line, fault.column, fault.found, fault.message));
    }
    lines.join("\n")
}

#[track_caller]
fn check(text: &str, expected: &str) {
    assert_eq!(written(text), expected.trim_start_matches('\n'), "\n--- of:\n{text}");
}

#[test]
fn the_file() {
    check(
        "",
        r#"
MISSING"#,
    );
    check(
        r#"protocl = "x""#,
        r#"
MISSING"#,
    );
    check(
        "protocol = = 3",
        r#"
MISSING"#,
    );
    check(
        r#"protocol = "x"
protocol = "y""#,
        r#"
MISSING"#,
    );
    check(
        r#"protocol = 3
frame = 1
message = [1]
line = "115200""#,
        r#"
MISSING"#,
    );
    check(
        r#"protocol = "x"
frame = []
message = []"#,
        r#"
MISSING"#,
    );
    check(
        &with("[more]\nthing = 1"),
        r#"
MISSING"#,
    );
    check(
        &with("protocol"),
        r#"
MISSING"#,
    );
}

#[test]
fn the_line() {
    check(
        &with("[line]"),
        r#"
MISSING"#,
    );
    check(
        &with("[line]\nbaud = 49"),
        r#"
MISSING"#,
    );
    check(
        &with("[line]\nbaud = 99999999999999999999"),
        r#"
MISSING"#,
    );
    check(
        &with("[line]\nbaud = 9600.5"),
        r#"
MISSING"#,
    );
    check(
        &with("[line]\nbaud = 9600\ndata_bits = 9\nstop_bits = 0"),
        r#"
MISSING"#,
    );
    check(
        &with(
            r#"[line]
baud = 9600
parity = "evn"
flow = "xonxoff"
dtr = true"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &with("[line]\nbaud = 9600\nsettle = 5"),
        r#"
MISSING"#,
    );
    check(
        &with(
            r#"[line]
baud = 9600
settle = "5""#,
        ),
        r#"
MISSING"#,
    );
    check(
        &with(
            r#"[line]
baud = 9600
settle = "5 sec""#,
        ),
        r#"
MISSING"#,
    );
    check(
        &with(
            r#"[line]
baud = 9600
settle = "-1 s""#,
        ),
        r#"
MISSING"#,
    );
    check(
        &with(
            r#"[line]
baud = 9600
settle = "1 V""#,
        ),
        r#"
MISSING"#,
    );
    check(
        &with(
            r#"[line]
baud = 9600
settle = "soon""#,
        ),
        r#"
MISSING"#,
    );
    check(
        &with(
            r#"[line]
baud = 9600
settle = "1e-10 s""#,
        ),
        r#"
MISSING"#,
    );
}

#[test]
fn frames() {
    check(
        &frame(
            r#"name = "1st"
start = "AA""#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "A""#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AG""#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &frame(
            r#"name = "f"
start = 0xAA"#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA AA AA AA AA AA AA AA AA AA AA AA AA AA AA AA AA""#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA"
longest = 1"#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA BB"
longest = 2"#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA"
longest = 70000"#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA"
text = { separator = "," }"#,
            r#"{ name = "body", role = "body" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA""#,
            r#"{ name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA""#,
            r#"{ name = "body", role = "body" }, { name = "body2", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }, { name = "sum2", type = "u8", role = "check", sum = "xor", first = "body", last = "body" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &frame(r#"name = "f""#, r#"{ name = "body", role = "body" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame(
            r#"name = "f""#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &with(
            r#"[[frame]]
name = "f"
start = "AA"
parts = [{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }]"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &with(
            r#"[[frame]]
name = "g"
start = "AA"
parts = [{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }]"#,
        ),
        r#"
MISSING"#,
    );
}

#[test]
fn parts_of_frames() {
    check(
        &frame_part(r#"{ name = "body", type = "u8" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "start", type = "u8" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "a b", type = "u8" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ type = "u8" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u16" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u16 me" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u16 le be" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u17 le" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u08" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u+8" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "f16 le" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "number le" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "hex" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = 8 }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u8", role = "idd" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "f32 le", role = "id" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u8", equals = 256 }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "i8", equals = -129 }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "f32 le", equals = 1 }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u8", equals = "AA" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u8", counts = ["body"] }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u8", crc = "CRC-8/SMBUS", first = "body", last = "body" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u8", column = 1 }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u8", mark = "*" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA""#,
            r#"{ name = "body", role = "body", type = "u8", equals = 1 }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA""#,
            r#"{ name = "body", role = "body" }, { name = "kind", type = "u8", role = "id" }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
MISSING"#,
    );
}

#[test]
fn sizes() {
    check(
        &frame_part(r#"{ name = "size", type = "u8", role = "size" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "size", type = "u8", role = "size", counts = "body" }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "size", type = "u8", role = "size", counts = [] }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "size", type = "u8", role = "size", counts = ["size"] }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "size", type = "u8", role = "size", counts = ["body", "body"] }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "size", type = "u8", role = "size", counts = ["boddy", "start"] }"#),
        r#"
MISSING"#,
    );
    check(
        &frame_part(r#"{ name = "size", type = "u8", role = "size", counts = ["body", 3] }"#),
        r#"
MISSING"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA""#,
            r#"{ name = "body", role = "body" }, { name = "size", type = "u8", role = "size", counts = ["body"] }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
MISSING"#,
    );
}

#[test]
fn checksums() {
    check(
        &check_part(r#"type = "u8""#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u8", sum = "xr""#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u8", sum = "parity""#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u8", sum = "xor", crc = "CRC-8/SMBUS""#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u8", sum = 3"#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u8", crc = "CRC-16/MODBUS""#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "i16 le", crc = "CRC-16/MODBUS""#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "f32 le", crc = "CRC-32/ISO-HDLC""#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = "CRC-16/CCITT""#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = "CRC-16/MODBUSS""#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = "my own""#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = 16"#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = { poly = 0x1021 }"#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = { width = 16 }"#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = { width = 2, poly = 1 }"#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = { width = 16, poly = "0x10G1" }"#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = { width = 16, poly = true }"#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = { width = 16, poly = 0x1020 }"#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = { width = 16, poly = 0x11021 }"#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = { width = 16, poly = 0x1021, init = 0x10000 }"#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = { width = 16, poly = 0x1021, xorout = -1 }"#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = { width = 16, poly = 0x1021, reflect = true, refin = 1 }"#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u8", sum = "xor", first = "bdy""#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u8", sum = "xor", last = "start""#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u8", sum = "xor", last = "sum""#),
        r#"
MISSING"#,
    );
    check(
        &check_part(r#"type = "u8", sum = "xor", first = "sum""#),
        r#"
MISSING"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA""#,
            r#"{ name = "sum", type = "u8", role = "check", sum = "xor" }, { name = "body", role = "body" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA""#,
            r#"{ name = "sum", type = "u8", role = "check", sum = "xor", last = "body" }, { name = "body", role = "body" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA""#,
            r#"{ name = "a", type = "u8" }, { name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor", first = "body", last = "a" }"#,
        ),
        r#"
MISSING"#,
    );
}

#[test]
fn frames_of_text() {
    check(
        &text_frame(r#"start = "$""#, r#"{ name = "body", role = "body" }"#),
        r#"
MISSING"#,
    );
    check(
        &text_frame(r#"separator = """#, r#"{ name = "body", role = "body" }"#),
        r#"
MISSING"#,
    );
    check(
        &text_frame(r#"separator = "\n""#, r#"{ name = "body", role = "body" }"#),
        r#"
MISSING"#,
    );
    check(
        &text_frame(r#"separator = ",", start = "\r$""#, r#"{ name = "body", role = "body" }"#),
        r#"
MISSING"#,
    );
    check(
        &text_frame(r#"separator = ",", label_mark = "\n""#, r#"{ name = "body", role = "body" }"#),
        r#"
MISSING"#,
    );
    check(
        &text_frame(r#"separator = ",", sart = "$""#, r#"{ name = "body", role = "body" }"#),
        r#"
MISSING"#,
    );
    check(
        &text_frame(r#"separator = "$,", start = "$""#, r#"{ name = "body", role = "body" }"#),
        r#"
MISSING"#,
    );
    check(
        &text_frame(r#"separator = ",", start = "=", label_mark = "=""#, r#"{ name = "body", role = "body" }"#),
        r#"
MISSING"#,
    );
    check(
        &text_frame(r#"separator = ",", label_mark = ", ""#, r#"{ name = "body", role = "body" }"#),
        r#"
MISSING"#,
    );
    check(
        &text_frame(
            r#"separator = ",", start = "*""#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "hex", role = "check", sum = "xor", mark = "*" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &text_frame(
            r#"separator = ",""#,
            r#"{ name = "body", role = "body" }, { name = "kind", type = "text", role = "id" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &text_frame(
            r#"separator = ",""#,
            r#"{ name = "body", role = "body" }, { name = "kind", type = "text", role = "id", column = 0 }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &text_frame(
            r#"separator = ",""#,
            r#"{ name = "body", role = "body" }, { name = "kind", type = "u8", role = "id", column = 1 }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &text_frame(
            r#"separator = ",""#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "hex", role = "check", sum = "xor" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &text_frame(
            r#"separator = ",""#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "number", role = "check", sum = "xor", mark = "" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &text_frame(
            r#"separator = ",""#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "hex", role = "check", mark = "*" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &text_frame(
            r#"separator = ",""#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "hex", role = "check", sum = "xor", mark = "*", first = "begin", last = "end" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &text_frame(
            r#"separator = ",""#,
            r#"{ name = "body", role = "body" }, { name = "size", type = "number", role = "size", counts = ["body"] }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &text_frame(
            r#"separator = ",""#,
            r#"{ name = "body", role = "body" }, { name = "a", type = "number", column = 2, mark = "%", equals = 3 }"#,
        ),
        r#"
MISSING"#,
    );
}

#[test]
fn messages() {
    check(
        &message(
            r#"name = "m"
frames = ["g"]"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &message(
            r#"name = "m"
frames = ["f", "f"]"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &message(
            r#"name = "m"
frames = []"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &message(
            r#"name = "m"
frames = "f""#,
        ),
        r#"
MISSING"#,
    );
    check(
        &message(
            r#"name = "m n"
frames = ["f"]"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &message(
            r#"name = "m"
frames = ["f"]
every = "0 s""#,
        ),
        r#"
MISSING"#,
    );
    check(
        &message(
            r#"name = "m"
frames = ["f"]
every = "10 Hz""#,
        ),
        r#"
MISSING"#,
    );
    check(
        &message(
            r#"name = "m"
frames = ["f"]
evry = "1 s""#,
        ),
        r#"
MISSING"#,
    );
    check(
        &message(
            r#"name = "m"
frames = ["f"]
id = { kind = 1 }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &message(
            r#"name = "m"
frames = ["f"]
id = 1"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &with(
            r#"[[message]]
name = "m"
frames = ["f"]
every = "1 s"
parts = [{ name = "a", type = "u8", unit = "V", channel = "pack voltage" }]"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &with(
            r#"[[message]]
name = "n"
frames = ["f"]
every = "1 s"
parts = [{ name = "a", type = "u8" }]"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &with(
            r#"[[frame]]
name = "t"
text = { separator = "," }
parts = [{ name = "body", role = "body" }]
[[message]]
name = "n"
frames = ["t", "f"]
every = "1 s"
parts = [{ name = "a", type = "number", column = 1, unit = "V", channel = "pack voltage" }]"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &part(
            r#"{ name = "a", type = "u64 le", times = 1024 }, { name = "b", type = "u64 le", times = 1024 }, { name = "c", type = "u64 le", times = 1024 }, { name = "d", type = "u64 le", times = 1024 }, { name = "e", type = "u64 le", times = 1024 }, { name = "f", type = "u64 le", times = 1024 }, { name = "g", type = "u64 le", times = 1024 }, { name = "h", type = "u64 le", times = 1024, unit = "V" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u64 le", times = 200, unit = "V", channel = "cell voltage" }"#),
        r#"
MISSING"#,
    );
}

#[test]
fn ids() {
    check(
        &with_id(
            r#"name = "m"
frames = ["f"]
id = { kind = 256 }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &with_id(
            r#"name = "m"
frames = ["f"]
id = { kind = "1" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &with_id(
            r#"name = "m"
frames = ["f"]
id = { knd = 1 }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &with_id(
            r#"name = "m"
frames = ["f"]
id = { size = 1 }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &with_text_id("id = { kind = 1.5 }"),
        r#"
MISSING"#,
    );
    check(
        &with_text_id(r#"id = { knd = "A" }"#),
        r#"
MISSING"#,
    );
}

#[test]
fn parts_of_messages() {
    check(
        &part(r#"{ name = "a", type = "u8" }, { name = "a", type = "u8" }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", times = 0 }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a" }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ type = "u8" }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "number" }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", column = 2, decimals = 3, label = "x" }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", equals = 256 }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "f64 be", equals = 1 }"#),
        r#"
MISSING"#,
    );
    check(
        &part(
            r#"{ name = "a", type = "u8", unit = "V", channel = "cell voltage", times = 4 }, { name = "b", type = "u8", unit = "V", channel = "cell voltage", from = 4 }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &part(
            r#"{ name = "a", type = "u8", unit = "V", channel = "pack voltage" }, { name = "b", type = "u8", unit = "V", channel = "pack voltage" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", unit = "V", channel = "cell voltage", absent = 256 }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", unit = "V", channel = "cell voltage", absent = "FF" }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", unit = "V", channel = "cell voltage", absent = 0.5 }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", chanel = "cell voltage" }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cel voltage", unit = "V" }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "sunshine" }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", scale = 2, positive = "charge" }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", unit = "V", channel = "pack voltage", times = 2 }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", unit = "V", channel = "pack voltage", from = 2 }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", unit = "V", channel = "cell voltage", from = 512, times = 2 }"#),
        r#"
MISSING"#,
    );
}

#[test]
fn units_and_scales() {
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage" }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage", unit = "mA" }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage", unit = "mv" }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage", unit = "furlong" }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage", unit = 3 }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "frame counter", unit = "V" }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage", unit = "V", scale = 0 }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage", unit = "V", scale = "0.1" }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage", unit = "V", scale = 1e30 }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage", unit = "V", offset = 1e20 }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage", unit = "V", scale = inf }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "i16 le", channel = "current", unit = "A" }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "i16 le", channel = "current", unit = "A", positive = "in" }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage", unit = "V", positive = "charge" }"#),
        r#"
MISSING"#,
    );
}

#[test]
fn meanings() {
    check(
        &part(r#"{ name = "a", type = "u8", channel = "status" }"#),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "f32 le", channel = "status", states = [{ value = 0, text = "x" }] }"#),
        r#"
MISSING"#,
    );
    check(
        &part(
            r#"{ name = "a", type = "u8", channel = "status", states = [{ value = 0, text = "x" }], flags = [{ bit = 0, text = "x" }] }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "frame counter", states = [{ value = 0, text = "x" }] }"#),
        r#"
MISSING"#,
    );
    check(
        &part(
            r#"{ name = "a", type = "u8", channel = "cell voltage", unit = "V", flags = [{ bit = 0, text = "x" }] }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &part(
            r#"{ name = "a", type = "u8", channel = "status", flags = [{ bit = 8, text = "x" }, { bit = 1, text = "y", set = "bad" }, { bit = 1, text = "z", clear = 0 }, { text = "w" }, { bit = 2 }] }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &part(
            r#"{ name = "a", type = "u8", channel = "status", flags = [{ bit = 0, text = "x", channel = "balance" }, { bit = 1, text = "x", channel = "current" }] }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &part(
            r#"{ name = "a", type = "u8", channel = "status", states = [{ value = 256, text = "x" }, { value = 1, text = "y", means = "ok" }, { value = 1, text = "z" }], otherwise = "fatal" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "status", times = 65, states = [{ value = 0, text = "x" }] }"#),
        r#"
MISSING"#,
    );
}

#[test]
fn parts_of_text_lines() {
    check(
        &text_part(r#"{ name = "a", type = "u8", column = 2 }"#),
        r#"
MISSING"#,
    );
    check(
        &text_part(r#"{ name = "a", type = "text", column = 2 }"#),
        r#"
MISSING"#,
    );
    check(
        &text_part(r#"{ name = "a", type = "number", unit = "V", channel = "pack voltage" }"#),
        r#"
MISSING"#,
    );
    check(
        &text_part(r#"{ name = "a", type = "number", column = 1001, unit = "V", channel = "pack voltage" }"#),
        r#"
MISSING"#,
    );
    check(
        &text_part(r#"{ name = "a", type = "number", column = 2, label = "a", unit = "V", channel = "pack voltage" }"#),
        r#"
MISSING"#,
    );
    check(
        &text_part(r#"{ name = "a", type = "number", label = "a", unit = "V", channel = "cell voltage", times = 2 }"#),
        r#"
MISSING"#,
    );
    check(
        &text_part(
            r#"{ name = "a", type = "number", label = "aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa", unit = "V", channel = "pack voltage" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &text_part(
            r#"{ name = "a", type = "number", column = 2, decimals = 10, wraps_bits = 65, unit = "V", channel = "pack voltage" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &text_part(r#"{ name = "a", type = "number", column = 2, absent = 0, unit = "V", channel = "pack voltage" }"#),
        r#"
MISSING"#,
    );
    check(
        &text_part(r#"{ name = "a", type = "hex", column = 2, equals = -1, unit = "V", channel = "pack voltage" }"#),
        r#"
MISSING"#,
    );
}

#[test]
fn examples() {
    check(
        &example(r#"message = "m""#),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = "AA"
text = "x"
message = "m""#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = "AA 5"
message = "m""#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(r#"bytes = "AA""#),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = "AA"
message = "n""#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = "AA"
message = "m"
rejected = "check""#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = "AA"
rejected = "chek""#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = "AA"
rejected = "check"
values = { volts = 1 }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = "AA"
message = "m"
values = { vlts = 1 }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = "AA"
message = "m"
values = { pad = 1 }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = "AA"
message = "m"
values = { volts = [1, 2] }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = "AA"
message = "m"
values = { volts = "one", count = 1.5 }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = "AA"
message = "m"
values = [1]"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = "AA"
message = "m"
values = { volts = 1e-12 }"#,
        ),
        r#"
MISSING"#,
    );
}

#[test]
fn examples_that_do_not_hold() {
    check(
        &example(
            r#"bytes = "AA 01 02 00 03"
message = "m"
values = { volts = 1, count = 2 }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = "AA 01 02 00 03"
message = "m"
values = { volts = 2, count = 3 }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = "AA 01 02 00 03"
message = "m"
values = { volts = "absent" }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = "AA FF 02 00 FD"
message = "m"
values = { volts = 255 }"#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = "AA 01 02 00 04"
message = "m""#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = "AA 01 02 00 03 AA 01 02 00 03"
message = "m""#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = "00 AA 01 02 00 03"
message = "m""#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = ""
message = "m""#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = "AA 01 02 00 03"
rejected = "check""#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = "AA 01 02 00 04"
rejected = "size""#,
        ),
        r#"
MISSING"#,
    );
    check(
        &example(
            r#"bytes = ""
rejected = "size""#,
        ),
        r#"
MISSING"#,
    );
}

#[test]
fn several_faults_in_one_run() {
    check(
        r#"protocl = "field pack"
[line]
baud = 10
[[frame]]
name = "f"
start = "AA 5"
parts = [
  { name = "size", type = "u16", role = "size", counts = ["body"] },
  { name = "body", role = "body" },
  { name = "check", type = "u8", role = "check", crc = "CRC-16/CCITT" },
]
[[message]]
name = "cells"
frames = ["f"]
every = "100 mss"
parts = [
  { name = "cell", type = "u16 le", times = 14, unit = "mA", channel = "cell voltage" },
  { name = "current", type = "i16 le", unit = "A", channel = "current" },
]
"#,
        r#"
MISSING"#,
    );
}

/// What nobody writes by hand. Each ends with an error that has a place, in no time to speak of, on a small stack.
#[track_caller]
#[expect(clippy::disallowed_methods, reason = "the time that it takes is what is tested")]
fn check_hostile(text: String, expected: &str) {
    let shown: String = text.chars().take(60).collect();
    let read = move || {
        let begun = std::time::Instant::now();
        let faults = faults(&text);
        (faults, begun.elapsed())
    };
    let thread = std::thread::Builder::new().name("a small stack".to_owned()).stack_size(1 << 20).spawn(read).unwrap();
    let (faults, took) = thread.join().unwrap();
    assert!(took.as_secs() < 5, "{took:?} for {shown}");
    assert!(faults.len() <= 201, "{} faults of {shown}", faults.len());
    let errors = faults.iter().filter(|fault| fault.level == Level::Error);
    assert!(errors.clone().any(|fault| fault.to_string().contains(expected)), "of {shown}:\n{:#?}", faults.first());
    assert!(errors.clone().all(|fault| 1 <= fault.line && 1 <= fault.column && fault.found.chars().count() <= 80));
}

const MIB: usize = 1 << 20;

#[test]
fn a_megabyte_of_one_sign() {
    for (sign, expected) in [
        ("[", "brackets lie too deep in each other"),
        ("]", "not valid TOML"),
        ("{", "brackets lie too deep in each other"),
        ("}", "not valid TOML"),
        ("=", "not valid TOML"),
        ("\"", "not valid TOML"),
        ("'", "not valid TOML"),
        ("a.", "this key has too many parts"),
        ("a=", "not valid TOML"),
        ("a=[", "brackets lie too deep in each other"),
        ("a={", "brackets lie too deep in each other"),
        ("[[", "brackets lie too deep in each other"),
        ("0", "not valid TOML"),
        (",", "not valid TOML"),
        ("\\", "not valid TOML"),
        ("ß", "not valid TOML"),
        ("電池", "not valid TOML"),
        ("\u{feff}", "not valid TOML"),
        ("\0", "not valid TOML"),
        ("\r", "not valid TOML"),
        ("a=1\n", "2:1: not valid TOML: duplicate key"),
        ("protocol=1\n", "2:1: not valid TOML: duplicate key"),
        ("\n", "1:1: a protocol file needs the key \"protocol\""),
        (" ", "1:1: a protocol file needs the key \"protocol\""),
        ("#", "1:1: a protocol file needs the key \"protocol\""),
        ("[[a]]\n", "1:3: unknown key \"a\""),
        ("[[frame]]\n", "1:1: there are 104857 [[frame]], at most 64 are allowed"),
        ("[[message]]\n", "1:1: there are 87381 [[message]], at most 256 are allowed"),
        ("[[example]]\n", "1:1: there are 87381 [[example]], at most 512 are allowed"),
    ] {
        check_hostile(sign.repeat(MIB / sign.len()), expected);
    }
}

#[test]
fn nothing_and_too_much() {
    check_hostile(String::new(), "1:1: a protocol file needs the key \"protocol\"");
    check_hostile("\u{feff}".to_owned(), "1:1: a protocol file needs the key \"protocol\"");
    check_hostile(with(&"#".repeat(MIB)), "1:1: the file is longer than 1 MiB");
    check_hostile(format!("protocol = \"{}\"", "電".repeat(MIB / 4)), "1:1: a protocol file needs the key \"frame\"");
    check_hostile(format!("protocol = {}", "9".repeat(MIB / 2)), "a number that does not fit in 64 bits");
    check_hostile(format!("protocol = 1e{}", "9".repeat(MIB / 2)), "a number that is not a plain decimal");
    let keys = (0..80_000).map(|number| format!("k{number}=1\n"));
    check_hostile(keys.collect(), "there are more faults than are listed here");
}

#[test]
fn deep_nesting() {
    check_hostile(with(&format!("a={}", "[".repeat(MIB / 2))), "15:19: brackets lie too deep in each other");
    check_hostile(with(&format!("a={}", "{a=".repeat(MIB / 4))), "15:51: brackets lie too deep in each other");
    check_hostile(with(&format!("a={}1{}", "[".repeat(16), "]".repeat(16))), "15:1: unknown key \"a\"");
    // Deeper than the depth of brackets: a long key at each of many levels.
    for (dots, levels, expected) in [
        (16, 16, "15:2: unknown key \"a\""),
        (16, 17, "brackets lie too deep in each other"),
        (17, 1, "15:35: this key has too many parts"),
        (79, 79, "this key has too many parts"),
        (MIB / 4, 1, "this key has too many parts"),
    ] {
        let key = format!("{}a", "a.".repeat(dots));
        let more = format!("{{{key}=").repeat(levels.min(MIB / key.len()));
        let deep = format!("[{key}]\n{key}={more}1{}", "}".repeat(levels));
        check_hostile(with(&deep).chars().take(MIB).collect(), expected);
    }
    check_hostile(
        message("name = \"m\"\nframes = [[[[\"f\"]]]]"),
        "8:11: \"frames\" is a list, expected a text in quotes",
    );
    let many = format!("values = {{ volts = {}1{} }}", "[".repeat(12), "]".repeat(12));
    check_hostile(example(&format!("bytes = \"AA\"\nmessage = \"m\"\n{many}")), "17:20: expected a number in V");
}

#[test]
fn huge_counts() {
    let voltage = "unit = \"V\", channel = \"cell voltage\"";
    let state = "channel = \"status\", states = [{ value = 0, text = \"x\" }]";
    for (times, expected) in [
        ("1025", "\"times\" is out of range"),
        ("-1", "\"times\" is out of range"),
        ("9223372036854775807", "\"times\" is out of range"),
        ("9223372036854775808", "\"times\" is a number that does not fit in 64 bits"),
        ("1024", "places go to 512"),
        ("1024, from = 9223372036854775807", "\"from\" is out of range"),
    ] {
        check_hostile(part(&format!("{{ name = \"a\", type = \"u8\", times = {times}, {voltage} }}")), expected);
    }
    let repeated = |text: &str, times: usize| text.repeat(times);
    let status = format!("{{ name = \"a\", type = \"u8\", times = 64, {state} }},\n");
    check_hostile(part(&repeated(&status, 10_000)), "a message has at most 1024 parts");
    check_hostile(part(&repeated(&status, 1000)), "status 1 is already carried by part \"a\"");
    let words = repeated("{ value = 0, text = \"x\" },", 30_000);
    check_hostile(
        part(&format!("{{ name = \"a\", type = \"u8\", channel = \"status\", states = [{words}] }}")),
        "a part has at most 256 states",
    );
    let bits = repeated("{ bit = 0, text = \"x\" },", 30_000);
    check_hostile(
        part(&format!("{{ name = \"a\", type = \"u8\", channel = \"status\", flags = [{bits}] }}")),
        "a part has at most 256 flags",
    );
    check_hostile(
        part(&format!("{{ name = \"a\", type = \"u8\", {voltage}, absent = [{}] }}", repeated("1,", 300_000))),
        "a part has at most 64 values that mean \"absent\"",
    );
    check_hostile(
        text_part(&format!("{{ name = \"a\", type = \"number\", label = \"{}\", {voltage} }}", repeated("#", MIB / 2))),
        "a label is at most 64 bytes long",
    );
    check_hostile(part(&repeated("{ name = \"a\", type = \"u8\" },", 30_000)), "a message has at most 1024 parts");
    check_hostile(frame_part(&repeated("{ name = \"a\", type = \"u8\" },", 30_000)), "a frame has at most 64 parts");
    let ids: String = (0..9).map(|id| format!("{{ name = \"a{id}\", type = \"u8\", role = \"id\" }},")).collect();
    check_hostile(frame_part(&ids), "a frame has at most 8 ids");
    for counted in ["\"body\",", "\"nobody\","] {
        let list = repeated(counted, 90_000);
        check_hostile(
            frame_part(&format!("{{ name = \"size\", type = \"u8\", role = \"size\", counts = [{list}] }}")),
            "there are more faults than are listed here",
        );
    }
    for named in ["\"f\",", "\"nothing\","] {
        let list = repeated(named, 90_000);
        check_hostile(
            message(&format!("name = \"m\"\nframes = [{list}]")),
            "there are more faults than are listed here",
        );
    }
    let free: String = (0..60_000).map(|key| format!("k{key} = 1,")).collect();
    check_hostile(
        with_id(&format!("name = \"m\"\nframes = [\"f\"]\nid = {{ {free} }}")),
        "there are more faults than are",
    );
    check_hostile(
        example(&format!("bytes = \"AA\"\nmessage = \"m\"\nvalues = {{ {free} }}")),
        "there are more faults than are",
    );
    check_hostile(
        example(&format!("bytes = \"{}\"\nmessage = \"m\"", repeated("AA", 400_000))),
        "an example is at most 65536 bytes long",
    );
    let columns = format!("parts = [{{ name = \"a\", type = \"u8\", times = 512, {voltage} }}]");
    let messages: String =
        (0..20).map(|number| format!("[[message]]\nname = \"m{number}\"\nframes = [\"f\"]\n{columns}\n")).collect();
    check_hostile(with(&messages), "more than 8192 values in all messages");
}
