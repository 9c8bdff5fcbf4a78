//! What is said about protocol files with faults: every fault with its place, the text there and what to write instead.

mod support;

use model::Level;
use support::{faults, written};

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

#[track_caller]
fn check(text: &str, expected: &str) {
    assert_eq!(written(text), expected.trim_start_matches('\n'), "\n--- of:\n{text}");
}

#[test]
fn the_file() {
    check(
        "",
        r#"
1:1 <> a protocol file needs the key "protocol"
    => protocol: the protocol's name
1:1 <> a protocol file needs the key "frame"
    => frame: how frames are found in the bytes
1:1 <> a protocol file needs the key "message"
    => message: what the frames say"#,
    );
    check(
        r#"protocl = "x""#,
        r#"
1:1 <protocl> unknown key "protocl"
    => did you mean "protocol"?
1:1 <protocl = "x"> a protocol file needs the key "protocol"
    => protocol: the protocol's name
1:1 <protocl = "x"> a protocol file needs the key "frame"
    => frame: how frames are found in the bytes
1:1 <protocl = "x"> a protocol file needs the key "message"
    => message: what the frames say"#,
    );
    check(
        "protocol = = 3",
        r#"
1:1 <protocol = = 3> a protocol file needs the key "frame"
    => frame: how frames are found in the bytes
1:1 <protocol = = 3> a protocol file needs the key "message"
    => message: what the frames say
1:12 <=> not valid TOML: extra `=`, expected nothing
1:14 <> not valid TOML: unexpected key or value, expected newline, `#`"#,
    );
    check(
        r#"protocol = "x"
protocol = "y""#,
        r#"
1:1 <protocol = "x"> a protocol file needs the key "frame"
    => frame: how frames are found in the bytes
1:1 <protocol = "x"> a protocol file needs the key "message"
    => message: what the frames say
2:1 <protocol> not valid TOML: duplicate key"#,
    );
    check(
        r#"protocol = 3
frame = 1
message = [1]
line = "115200""#,
        r#"
1:12 <3> "protocol" is an integer, expected a text in quotes
    => write for example protocol = "..."
2:9 <1> "frame" is an integer, expected a list of tables
    => write for example frame = [{ ... }]
3:12 <1> "message" is an integer, expected a table
    => write for example message = { ... }
4:8 <"115200"> "line" is a text, expected a table
    => write for example line = { ... }"#,
    );
    check(
        r#"protocol = "x"
frame = []
message = []"#,
        r#"
2:9 <[]> there must be at least one [[frame]]
    => add a table: [[frame]] and its keys below
3:11 <[]> there must be at least one [[message]]
    => add a table: [[message]] and its keys below"#,
    );
    check(
        &with("[more]\nthing = 1"),
        r#"
15:2 <more> unknown key "more"
    => a protocol file has: protocol, summary, draft, line, frame, message, ask, example"#,
    );
    check(
        &with("protocol"),
        r#"
15:9 <> not valid TOML: key with no value, expected `=`"#,
    );
}

#[test]
fn the_line() {
    check(
        &with("[line]\nparity = \"even\"\nidle = \"5 ms\""),
        r#"
16:10 <"even"> "parity" without "baud" sets no line
    => write for example baud = 115200"#,
    );
    check(
        &with("[line]\nbaud = 49"),
        r#"
16:8 <49> "baud" is out of range
    => allowed is 50 to 20000000"#,
    );
    check(
        &with("[line]\nbaud = 99999999999999999999"),
        r#"
16:8 <99999999999999999999> "baud" is a number that does not fit in 64 bits, expected a whole number
    => write for example baud = 1"#,
    );
    check(
        &with("[line]\nbaud = 9600.5"),
        r#"
16:8 <9600.5> "baud" is a decimal number, expected a whole number
    => write for example baud = 1"#,
    );
    check(
        &with("[line]\nbaud = 9600\ndata_bits = 9\nstop_bits = 0"),
        r#"
17:13 <9> "data_bits" is out of range
    => allowed is 7 to 8
18:13 <0> "stop_bits" is out of range
    => allowed is 1 to 2"#,
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
17:10 <"evn"> parity can't be "evn"
    => did you mean "even"?
18:8 <"xonxoff"> flow can't be "xonxoff"
    => flow is one of: none, hardware, software
19:7 <true> "dtr" is true, expected a text in quotes
    => write for example dtr = "...""#,
    );
    check(
        &with("[line]\nbaud = 9600\nsettle = 5"),
        r#"
17:10 <5> "settle" is an integer, expected a text with its unit
    => write for example settle = "100 ms""#,
    );
    check(
        &with(
            r#"[line]
baud = 9600
settle = "5""#,
        ),
        r#"
17:10 <"5"> not a time: the unit is missing
    => write for example "100 ms""#,
    );
    check(
        &with(
            r#"[line]
baud = 9600
settle = "5 sec""#,
        ),
        r#"
17:10 <"5 sec"> not a time: unknown unit "sec"
    => write for example "100 ms""#,
    );
    check(
        &with(
            r#"[line]
baud = 9600
settle = "-1 s""#,
        ),
        r#"
17:10 <"-1 s"> "settle" can't be negative
    => write a time of zero or more"#,
    );
    check(
        &with(
            r#"[line]
baud = 9600
settle = "1 V""#,
        ),
        r#"
17:10 <"1 V"> this is a voltage, expected a time
    => write for example "100 ms""#,
    );
    check(
        &with(
            r#"[line]
baud = 9600
settle = "soon""#,
        ),
        r#"
17:10 <"soon"> not a time: no number at the start
    => write for example "100 ms""#,
    );
    check(
        &with(
            r#"[line]
baud = 9600
settle = "1e-10 s""#,
        ),
        r#"
17:10 <"1e-10 s"> not a time: too large, or finer than a billionth of the base unit
    => write for example "100 ms""#,
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
3:8 <"1st"> "1st" can't be a name
    => names have letters, digits, - and _, start with a letter and are at most 40 long
8:11 <"f"> no frame is called "f"
    => frames: 1st"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "A""#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
4:9 <"A"> "A" has an odd number of hexadecimal digits
    => write for example "AA 55""#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AG""#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
4:9 <"AG"> 'G' is no hexadecimal digit
    => write for example "AA 55""#,
    );
    check(
        &frame(
            r#"name = "f"
start = 0xAA"#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
4:9 <0xAA> "start" is an integer, expected a text in quotes
    => write for example start = "...""#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA AA AA AA AA AA AA AA AA AA AA AA AA AA AA AA AA""#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
4:9 <"AA AA AA AA AA AA AA AA AA AA AA AA AA AA AA AA AA"> more than 16 start bytes
    => write the others as parts with "equals""#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA"
longest = 1"#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
5:11 <1> "longest" is out of range
    => allowed is 2 to 65536"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA BB"
longest = 2"#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
5:11 <2> the parts around the body alone are 3 bytes long
    => write a greater number as "longest"
11:9 <[{ name = "volts", type = "u8", unit = "V", channel = "pack voltage" }]> the frame would be 4 bytes long, "f" allows 2
    => write longest = 4 into the frame"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA"
longest = 70000"#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
5:11 <70000> "longest" is out of range
    => allowed is 2 to 65536"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA"
text = { separator = "," }"#,
            r#"{ name = "body", role = "body" }"#,
        ),
        r#"
4:9 <"AA"> a frame of text has no start bytes
    => write the start into text = { start = "$", ... }
8:8 <"m"> warning: message "m" comes in frames without a checksum
    => damage can't be seen: the pack file must waive "checksum" before a verdict can be go
11:35 <"u8"> this type does not fit this kind of frame
    => types of text lines are number and hex"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA""#,
            r#"{ name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
5:9 <[{ name = "sum", type = "u8", role = "check", sum = "xor" }]> no part has the role body
    => add { name = "body", role = "body" } where the message lies"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA""#,
            r#"{ name = "body", role = "body" }, { name = "body2", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }, { name = "sum2", type = "u8", role = "check", sum = "xor", first = "body", last = "body" }"#,
        ),
        r#"
5:69 <"body"> a frame has only one part of this role
    => leave the role of the others out
5:176 <"check"> a frame has only one part of this role
    => leave the role of the others out"#,
    );
    check(
        &frame(r#"name = "f""#, r#"{ name = "body", role = "body" }"#),
        r#"
2:1 <[[frame]]> nothing shows where such a frame begins
    => give it start bytes, a checksum or a part with a fixed value
6:8 <"m"> warning: message "m" comes in frames without a checksum
    => damage can't be seen: the pack file must waive "checksum" before a verdict can be go"#,
    );
    check(
        &frame(
            r#"name = "f""#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
2:1 <[[frame]]> warning: a row of zero bytes passes this checksum
    => give the frame start bytes or a part with a fixed value"#,
    );
    check(
        &with(
            r#"[[frame]]
name = "f"
start = "AA"
parts = [{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }]"#,
        ),
        r#"
16:8 <"f"> a second frame is called "f"
    => give each frame a name of its own
16:8 <"f"> warning: no message comes in frame "f"
    => name it in the "frames" of a message, or leave it out"#,
    );
    check(
        &with(
            r#"[[frame]]
name = "g"
start = "AA"
parts = [{ name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" }]"#,
        ),
        r#"
16:8 <"g"> warning: no message comes in frame "g"
    => name it in the "frames" of a message, or leave it out"#,
    );
}

#[test]
fn parts_of_frames() {
    check(
        &frame_part(r#"{ name = "body", type = "u8" }"#),
        r#"
7:10 <"body"> the name "body" is taken
    => each part has a name of its own; "start" is the start bytes"#,
    );
    check(
        &frame_part(r#"{ name = "start", type = "u8" }"#),
        r#"
6:10 <"start"> the name "start" is taken
    => each part has a name of its own; "start" is the start bytes"#,
    );
    check(
        &frame_part(r#"{ name = "a b", type = "u8" }"#),
        r#"
6:10 <"a b"> "a b" can't be a name
    => names have letters, digits, - and _, start with a letter and are at most 40 long"#,
    );
    check(
        &frame_part(r#"{ type = "u8" }"#),
        r#"
6:1 <{ type = "u8" }> a part of a frame needs the key "name"
    => name: what other keys call it"#,
    );
    check(
        &frame_part(r#"{ name = "more" }"#),
        r#"
6:1 <{ name = "more" }> part "more" needs a type
    => write for example type = "u16 le""#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u16" }"#),
        r#"
6:25 <"u16"> "u16" needs a byte order
    => write "u16 le" (lowest byte first) or "u16 be""#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u16 me" }"#),
        r#"
6:25 <"u16 me"> unknown type "u16 me"
    => the byte order is le or be"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u16 le be" }"#),
        r#"
6:25 <"u16 le be"> unknown type "u16 le be"
    => the byte order is le or be"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u17 le" }"#),
        r#"
6:25 <"u17 le"> unknown type "u17 le"
    => types are u8 to u64 and i8 to i64 in whole bytes, f16, f32, f64 and "bcd 4" with le or be, "digits 5" and "hex 4" for characters; in text lines number, hex, text"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u08" }"#),
        r#"
6:25 <"u08"> unknown type "u08"
    => types are u8 to u64 and i8 to i64 in whole bytes, f16, f32, f64 and "bcd 4" with le or be, "digits 5" and "hex 4" for characters; in text lines number, hex, text"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u+8" }"#),
        r#"
6:25 <"u+8"> unknown type "u+8"
    => types are u8 to u64 and i8 to i64 in whole bytes, f16, f32, f64 and "bcd 4" with le or be, "digits 5" and "hex 4" for characters; in text lines number, hex, text"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "f24 le" }"#),
        r#"
6:25 <"f24 le"> unknown type "f24 le"
    => types are u8 to u64 and i8 to i64 in whole bytes, f16, f32, f64 and "bcd 4" with le or be, "digits 5" and "hex 4" for characters; in text lines number, hex, text"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "number le" }"#),
        r#"
6:25 <"number le"> unknown type "number le"
    => types are u8 to u64 and i8 to i64 in whole bytes, f16, f32, f64 and "bcd 4" with le or be, "digits 5" and "hex 4" for characters; in text lines number, hex, text"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "hex" }"#),
        r#"
6:25 <"hex"> this type does not fit this kind of frame
    => write for example "u16 le""#,
    );
    check(
        &frame_part(r#"{ name = "more", type = 8 }"#),
        r#"
6:25 <8> "type" is an integer, expected a text in quotes
    => write for example type = "...""#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u8", role = "idd" }"#),
        r#"
6:38 <"idd"> role can't be "idd"
    => did you mean "id"?"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "f32 le", role = "id" }"#),
        r#"
6:25 <"f32 le"> this role needs a whole number
    => write for example "u16 le", or leave the role out"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u8", equals = 256 }"#),
        r#"
6:40 <256> 256 does not fit
    => allowed is 0 to 255"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "i8", equals = -129 }"#),
        r#"
6:40 <-129> -129 does not fit
    => allowed is -128 to 127"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "f32 le", equals = 1 }"#),
        r#"
6:44 <1> a float can't have a fixed value
    => write a type of whole numbers, such as "u32 le", and the bits as its value"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u8", equals = "AA" }"#),
        r#"
6:40 <"AA"> "equals" is a text, expected a whole number
    => write for example equals = 1"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u8", counts = ["body"] }"#),
        r#"
6:40 <["body"]> "counts" is for a part with the role "size"
    => add role = "size""#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u8", crc = "CRC-8/SMBUS", first = "body", last = "body" }"#),
        r#"
6:37 <"CRC-8/SMBUS"> "crc" is for a part with the role "check"
    => add role = "check"
6:60 <"body"> "first" is for a part with the role "check"
    => add role = "check"
6:75 <"body"> "last" is for a part with the role "check"
    => add role = "check""#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u8", column = 1 }"#),
        r#"
6:40 <1> only lines of text have columns and marks
    => add text = { separator = "," } to the frame, or drop the key"#,
    );
    check(
        &frame_part(r#"{ name = "more", type = "u8", mark = "*" }"#),
        r#"
6:38 <"*"> only lines of text have columns and marks
    => add text = { separator = "," } to the frame, or drop the key"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA""#,
            r#"{ name = "body", role = "body", type = "u8", equals = 1 }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
5:49 <"u8"> the body has no type
    => the messages say what it holds
5:64 <1> the body can't have "equals"
    => write it into the part of a message"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA""#,
            r#"{ name = "body", role = "body" }, { name = "kind", type = "u8", role = "id" }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
5:81 <"id"> an id or size behind the body can't say where the body ends
    => put it in front of the body, or leave its role out"#,
    );
}

#[test]
fn sizes() {
    check(
        &frame_part(r#"{ name = "size", type = "u8", role = "size" }"#),
        r#"
6:1 <{ name = "size", type = "u8", role = "size" }> a size needs the key "counts"
    => list the parts that it counts, such as counts = ["body"]"#,
    );
    check(
        &frame_part(r#"{ name = "size", type = "u8", role = "size", counts = "body" }"#),
        r#"
6:55 <"body"> "counts" is a text, expected a list of texts
    => write for example counts = ["...", "..."]"#,
    );
    check(
        &frame_part(r#"{ name = "size", type = "u8", role = "size", counts = [] }"#),
        r#"
6:55 <[]> the size must count the body
    => where the length is fixed, leave the role out"#,
    );
    check(
        &frame_part(r#"{ name = "size", type = "u8", role = "size", counts = ["size"] }"#),
        r#"
6:55 <["size"]> the size must count the body
    => where the length is fixed, leave the role out"#,
    );
    check(
        &frame_part(r#"{ name = "size", type = "u8", role = "size", counts = ["body", "body"] }"#),
        r#"
6:64 <"body"> "body" is counted twice
    => list each part once"#,
    );
    check(
        &frame_part(r#"{ name = "size", type = "u8", role = "size", counts = ["boddy", "start"] }"#),
        r#"
6:55 <["boddy", "start"]> the size must count the body
    => where the length is fixed, leave the role out
6:56 <"boddy"> no part of this frame is called "boddy"
    => did you mean "body"?"#,
    );
    check(
        &frame_part(r#"{ name = "size", type = "u8", role = "size", counts = ["body", 3] }"#),
        r#"
6:64 <3> "counts" is an integer, expected a text in quotes
    => write for example counts = ["..."]"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA""#,
            r#"{ name = "body", role = "body" }, { name = "size", type = "u8", role = "size", counts = ["body"] }, { name = "sum", type = "u8", role = "check", sum = "xor" }"#,
        ),
        r#"
5:81 <"size"> an id or size behind the body can't say where the body ends
    => put it in front of the body, or leave its role out"#,
    );
}

#[test]
fn checksums() {
    check(
        &check_part(r#"type = "u8""#),
        r#"
6:1 <{ name = "sum", role = "check", type = "u8" }> a check needs "crc" or "sum"
    => write for example crc = "CRC-16/MODBUS" or sum = "xor""#,
    );
    check(
        &check_part(r#"type = "u8", sum = "xr""#),
        r#"
6:52 <"xr"> sum can't be "xr"
    => did you mean "xor"?"#,
    );
    check(
        &check_part(r#"type = "u8", sum = "parity""#),
        r#"
6:52 <"parity"> sum can't be "parity"
    => sum is one of: xor, sum 8, sum 16, twos complement, twos complement 16, ones complement, fletcher 16, fletcher 16 mod 256, fletcher 32, adler 32, internet 16"#,
    );
    check(
        &check_part(r#"type = "u8", sum = "xor", crc = "CRC-8/SMBUS""#),
        r#"
6:52 <"xor"> a checksum is either a crc or a sum
    => drop one of the two keys"#,
    );
    check(
        &check_part(r#"type = "u8", sum = 3"#),
        r#"
6:52 <3> "sum" is an integer, expected a text in quotes
    => write for example sum = "...""#,
    );
    check(
        &check_part(r#"type = "u8", crc = "CRC-16/MODBUS""#),
        r#"
6:40 <"u8"> this checksum has 16 bits, the part has 8
    => write type = "u16 le" or be"#,
    );
    check(
        &check_part(r#"type = "i16 le", crc = "CRC-16/MODBUS""#),
        r#"
6:40 <"i16 le"> a checksum has no sign
    => write u instead of i"#,
    );
    check(
        &check_part(r#"type = "f32 le", crc = "CRC-32/ISO-HDLC""#),
        r#"
6:40 <"f32 le"> this role needs a whole number
    => write for example "u16 le", or leave the role out"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = "CRC-16/CCITT""#),
        r#"
6:56 <"CRC-16/CCITT"> "CRC-16/CCITT" names several CRCs
    => CRC-16/IBM-3740 (123456789 gives 29B1), CRC-16/XMODEM (31C3), CRC-16/KERMIT (2189), CRC-16/MCRF4XX (6F91), CRC-16/IBM-SDLC (906E) or CRC-16/SPI-FUJITSU (E5CC)"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = "CRC-16/MODBUSS""#),
        r#"
6:56 <"CRC-16/MODBUSS"> the catalogue has no CRC called "CRC-16/MODBUSS"
    => did you mean "CRC-16/MODBUS"?"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = "my own""#),
        r#"
6:56 <"my own"> the catalogue has no CRC called "my own"
    => use a name of the CRC catalogue, such as "CRC-16/MODBUS", or a table of parameters"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = 16"#),
        r#"
6:56 <16> "crc" is an integer, expected a table
    => write for example crc = { ... }"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = { poly = 0x1021 }"#),
        r#"
6:56 <{ poly = 0x1021 }> a CRC needs the key "width"
    => width: bits, 3 to 64"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = { width = 16 }"#),
        r#"
6:56 <{ width = 16 }> a CRC needs the key "poly"
    => poly: the polynomial, without its highest bit"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = { width = 2, poly = 1 }"#),
        r#"
6:66 <2> "width" is out of range
    => allowed is 3 to 64"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = { width = 16, poly = "0x10G1" }"#),
        r#"
6:77 <"0x10G1"> not a hexadecimal number
    => write 0x1021, or "0x42F0E1EBA9EA3693""#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = { width = 16, poly = true }"#),
        r#"
6:77 <true> "poly" is true, expected a whole number
    => write 0x1021, or "0x42F0E1EBA9EA3693""#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = { width = 16, poly = 0x1020 }"#),
        r#"
6:56 <{ width = 16, poly = 0x1020 }> this CRC can't be used: the polynomial is even
    => write it in normal form, not reversed, and without its highest bit"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = { width = 16, poly = 0x11021 }"#),
        r#"
6:56 <{ width = 16, poly = 0x11021 }> this CRC can't be used: the polynomial has more bits than the CRC
    => write it without its highest bit"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = { width = 16, poly = 0x1021, init = 0x10000 }"#),
        r#"
6:56 <{ width = 16, poly = 0x1021, init = 0x10000 }> this CRC can't be used: the initial value has more bits than the CRC
    => write the parameters as the CRC catalogue does"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = { width = 16, poly = 0x1021, xorout = -1 }"#),
        r#"
6:56 <{ width = 16, poly = 0x1021, xorout = -1 }> this CRC can't be used: the final XOR value has more bits than the CRC
    => write the parameters as the CRC catalogue does"#,
    );
    check(
        &check_part(r#"type = "u16 le", crc = { width = 16, poly = 0x1021, reflect = true, refin = 1 }"#),
        r#"
6:85 <reflect> unknown key "reflect"
    => a CRC has: width, poly, init, refin, refout, xorout
6:109 <1> "refin" is an integer, expected true or false
    => write for example refin = true"#,
    );
    check(
        &check_part(r#"type = "u8", sum = "xor", first = "bdy""#),
        r#"
6:67 <"bdy"> no part of this frame is called "bdy"
    => did you mean "body"?"#,
    );
    check(
        &check_part(r#"type = "u8", sum = "xor", last = "start""#),
        r#"
6:66 <"start"> no part of this frame is called "start"
    => parts: body, sum"#,
    );
    check(
        &check_part(r#"type = "u8", sum = "xor", last = "sum""#),
        r#"
6:66 <"sum"> the checksum can't cover itself
    => say with "first" and "last" which parts it covers: all in front of it, or all behind it"#,
    );
    check(
        &check_part(r#"type = "u8", sum = "xor", first = "sum""#),
        r#"
6:67 <"sum"> the checksum can't cover itself
    => say with "first" and "last" which parts it covers: all in front of it, or all behind it"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA""#,
            r#"{ name = "sum", type = "u8", role = "check", sum = "xor" }, { name = "body", role = "body" }"#,
        ),
        r#"
5:10 <{ name = "sum", type = "u8", role = "check", sum = "xor" }> there is no part in front of the checksum
    => say with "first" and "last" which parts it covers"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA""#,
            r#"{ name = "sum", type = "u8", role = "check", sum = "xor", last = "body" }, { name = "body", role = "body" }"#,
        ),
        r#"
5:10 <{ name = "sum", type = "u8", role = "check", sum = "xor", last = "body" }> the checksum can't cover itself
    => say with "first" and "last" which parts it covers: all in front of it, or all behind it"#,
    );
    check(
        &frame(
            r#"name = "f"
start = "AA""#,
            r#"{ name = "a", type = "u8" }, { name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor", first = "body", last = "a" }"#,
        ),
        r#"
5:154 <"a"> the last part that it covers comes before the first
    => name them in the order of the bytes"#,
    );
}

#[test]
fn frames_of_text() {
    check(
        &text_frame(r#"start = "$""#, r#"{ name = "body", role = "body" }"#),
        r#"
4:8 <{ start = "$" }> text of a frame needs the key "separator"
    => separator: what stands between two columns"#,
    );
    check(
        &text_frame(r#"separator = """#, r#"{ name = "body", role = "body" }"#),
        r#"
4:22 <""> this can't separate columns
    => write for example separator = ",""#,
    );
    check(
        &text_frame(r#"separator = "\n""#, r#"{ name = "body", role = "body" }"#),
        r#"
4:22 <"\n"> this can't separate columns
    => write for example separator = ",""#,
    );
    check(
        &text_frame(r#"separator = ",", start = "\r$""#, r#"{ name = "body", role = "body" }"#),
        r#"
4:35 <"\r$"> "start" can't contain the end of a line
    => a line ends with LF; CR in front of it is passed over
7:8 <"m"> warning: message "m" comes in frames without a checksum
    => damage can't be seen: the pack file must waive "checksum" before a verdict can be go"#,
    );
    check(
        &text_frame(r#"separator = ",", label_mark = "\n""#, r#"{ name = "body", role = "body" }"#),
        r#"
4:40 <"\n"> "label_mark" can't contain the end of a line
    => a line ends with LF; CR in front of it is passed over
7:8 <"m"> warning: message "m" comes in frames without a checksum
    => damage can't be seen: the pack file must waive "checksum" before a verdict can be go"#,
    );
    check(
        &text_frame(r#"separator = ",", sart = "$""#, r#"{ name = "body", role = "body" }"#),
        r#"
4:27 <sart> unknown key "sart"
    => did you mean "start"?
7:8 <"m"> warning: message "m" comes in frames without a checksum
    => damage can't be seen: the pack file must waive "checksum" before a verdict can be go"#,
    );
    check(
        &text_frame(r#"separator = "$,", start = "$""#, r#"{ name = "body", role = "body" }"#),
        r#"
4:22 <"$,"> this "separator" would be taken for the start of the next line
    => leave the start out: a line then starts behind the end of the last one
7:8 <"m"> warning: message "m" comes in frames without a checksum
    => damage can't be seen: the pack file must waive "checksum" before a verdict can be go"#,
    );
    check(
        &text_frame(r#"separator = ",", start = "=", label_mark = "=""#, r#"{ name = "body", role = "body" }"#),
        r#"
4:53 <"="> this "label_mark" would be taken for the start of the next line
    => leave the start out: a line then starts behind the end of the last one
7:8 <"m"> warning: message "m" comes in frames without a checksum
    => damage can't be seen: the pack file must waive "checksum" before a verdict can be go"#,
    );
    check(
        &text_frame(r#"separator = ",", label_mark = ", ""#, r#"{ name = "body", role = "body" }"#),
        r#"
4:40 <", "> this "label_mark" would be taken for a separator
    => where label and value stand in columns of their own, give the value's part its column
7:8 <"m"> warning: message "m" comes in frames without a checksum
    => damage can't be seen: the pack file must waive "checksum" before a verdict can be go"#,
    );
    check(
        &text_frame(
            r#"separator = ",", start = "*""#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "hex", role = "check", sum = "xor", mark = "*" }"#,
        ),
        r#"
4:35 <"*"> the mark of the checksum would be taken for the start of the next line
    => leave the start out: a line then starts behind the end of the last one"#,
    );
    check(
        &text_frame(
            r#"separator = ",""#,
            r#"{ name = "body", role = "body" }, { name = "kind", type = "text", role = "id" }"#,
        ),
        r#"
5:44 <{ name = "kind", type = "text", role = "id" }> an id of a text line needs a column
    => columns count from 1
7:8 <"m"> warning: message "m" comes in frames without a checksum
    => damage can't be seen: the pack file must waive "checksum" before a verdict can be go"#,
    );
    check(
        &text_frame(
            r#"separator = ",""#,
            r#"{ name = "body", role = "body" }, { name = "kind", type = "text", role = "id", column = 0 }"#,
        ),
        r#"
5:98 <0> "column" is out of range
    => allowed is 1 to 1000
7:8 <"m"> warning: message "m" comes in frames without a checksum
    => damage can't be seen: the pack file must waive "checksum" before a verdict can be go"#,
    );
    check(
        &text_frame(
            r#"separator = ",""#,
            r#"{ name = "body", role = "body" }, { name = "kind", type = "u8", role = "id", column = 1 }"#,
        ),
        r#"
5:68 <"u8"> this type does not fit this kind of frame
    => types of text lines are text, number and hex
7:8 <"m"> warning: message "m" comes in frames without a checksum
    => damage can't be seen: the pack file must waive "checksum" before a verdict can be go"#,
    );
    check(
        &text_frame(
            r#"separator = ",""#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "hex", role = "check", sum = "xor" }"#,
        ),
        r#"
5:44 <{ name = "sum", type = "hex", role = "check", sum = "xor" }> the checksum of a text line needs a mark in front of it
    => write for example mark = "*""#,
    );
    check(
        &text_frame(
            r#"separator = ",""#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "number", role = "check", sum = "xor", mark = "" }"#,
        ),
        r#"
5:67 <"number"> the checksum of a text line is in hexadecimal
    => write type = "hex"
5:113 <""> this can't mark a checksum
    => write for example mark = "*""#,
    );
    check(
        &text_frame(
            r#"separator = ",""#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "hex", role = "check", mark = "*" }"#,
        ),
        r#"
5:44 <{ name = "sum", type = "hex", role = "check", mark = "*" }> a check needs "crc" or "sum"
    => write for example crc = "CRC-16/MODBUS" or sum = "xor""#,
    );
    check(
        &text_frame(
            r#"separator = ",""#,
            r#"{ name = "body", role = "body" }, { name = "sum", type = "hex", role = "check", sum = "xor", mark = "*", first = "begin", last = "end" }"#,
        ),
        r#"
5:123 <"begin"> no part of this frame is called "begin"
    => parts: body, sum
5:139 <"end"> no part of this frame is called "end"
    => parts: body, sum"#,
    );
    check(
        &text_frame(
            r#"separator = ",""#,
            r#"{ name = "body", role = "body" }, { name = "size", type = "number", role = "size", counts = ["body"] }"#,
        ),
        r#"
5:85 <"size"> a line of text has no size
    => leave the role out: the frame ends with the line
7:8 <"m"> warning: message "m" comes in frames without a checksum
    => damage can't be seen: the pack file must waive "checksum" before a verdict can be go"#,
    );
    check(
        &text_frame(
            r#"separator = ",""#,
            r#"{ name = "body", role = "body" }, { name = "a", type = "number", column = 2, mark = "%", equals = 3 }"#,
        ),
        r#"
5:84 <2> "column" is for a part with the role "id"
    => columns of values stand in the message's parts
5:94 <"%"> "mark" is for a part with the role "check"
    => columns of values stand in the message's parts
5:108 <3> a frame of text can't have "equals"
    => write it into the part of a message
7:8 <"m"> warning: message "m" comes in frames without a checksum
    => damage can't be seen: the pack file must waive "checksum" before a verdict can be go"#,
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
7:8 <"m"> warning: message "m" has no "every"
    => say how often it is expected, or a missing one is found late
8:11 <"g"> no frame is called "g"
    => did you mean "f"?"#,
    );
    check(
        &message(
            r#"name = "m"
frames = ["f", "f"]"#,
        ),
        r#"
7:8 <"m"> warning: message "m" has no "every"
    => say how often it is expected, or a missing one is found late
8:16 <"f"> this frame is named twice
    => name each frame once"#,
    );
    check(
        &message(
            r#"name = "m"
frames = []"#,
        ),
        r#"
7:8 <"m"> warning: message "m" has no "every"
    => say how often it is expected, or a missing one is found late
8:10 <[]> a message needs at least one frame
    => name the frame that carries it"#,
    );
    check(
        &message(
            r#"name = "m"
frames = "f""#,
        ),
        r#"
7:8 <"m"> warning: message "m" has no "every"
    => say how often it is expected, or a missing one is found late
8:10 <"f"> "frames" is a text, expected a list of texts
    => write for example frames = ["...", "..."]"#,
    );
    check(
        &message(
            r#"name = "m n"
frames = ["f"]"#,
        ),
        r#"
7:8 <"m n"> "m n" can't be a name
    => names have letters, digits, - and _, start with a letter and are at most 40 long
7:8 <"m n"> warning: message "m n" has no "every"
    => say how often it is expected, or a missing one is found late"#,
    );
    check(
        &message(
            r#"name = "m"
frames = ["f"]
every = "0 s""#,
        ),
        r#"
9:9 <"0 s"> "every" can't be zero
    => write for example every = "100 ms""#,
    );
    check(
        &message(
            r#"name = "m"
frames = ["f"]
every = "10 Hz""#,
        ),
        r#"
9:9 <"10 Hz"> not a time: unknown unit "Hz"
    => write for example "100 ms""#,
    );
    check(
        &message(
            r#"name = "m"
frames = ["f"]
evry = "1 s""#,
        ),
        r#"
7:8 <"m"> warning: message "m" has no "every"
    => say how often it is expected, or a missing one is found late
9:1 <evry> unknown key "evry"
    => did you mean "every"?"#,
    );
    check(
        &message(
            r#"name = "m"
frames = ["f"]
id = { kind = 1 }"#,
        ),
        r#"
7:8 <"m"> warning: message "m" has no "every"
    => say how often it is expected, or a missing one is found late
9:8 <kind> the frame has no id part called "kind"
    => give a part of the frame role = "id""#,
    );
    check(
        &message(
            r#"name = "m"
frames = ["f"]
id = 1"#,
        ),
        r#"
7:8 <"m"> warning: message "m" has no "every"
    => say how often it is expected, or a missing one is found late
9:6 <1> "id" is an integer, expected a table
    => write for example id = { ... }"#,
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
16:8 <"m"> a second message is called "m"
    => give each message a name of its own
16:8 <"m"> messages "m" and "m" can't be told apart in frame "f"
    => give them different values of an id part"#,
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
16:8 <"n"> messages "m" and "n" can't be told apart in frame "f"
    => give them different values of an id part
19:9 <[{ name = "a", type = "u8" }]> warning: no part of this message has a channel
    => add channel = "cell voltage" or another one, or the message only shows that the line is alive"#,
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
20:8 <"n"> messages "m" and "n" can't be told apart in frame "f"
    => give them different values of an id part
20:8 <"n"> warning: message "n" comes in frames without a checksum
    => damage can't be seen: the pack file must waive "checksum" before a verdict can be go
21:10 <["t", "f"]> one message can't be both bytes and text
    => write one message for each of them"#,
    );
    check(
        &part(
            r#"{ name = "a", type = "u64 le", times = 1024 }, { name = "b", type = "u64 le", times = 1024 }, { name = "c", type = "u64 le", times = 1024 }, { name = "d", type = "u64 le", times = 1024 }, { name = "e", type = "u64 le", times = 1024 }, { name = "f", type = "u64 le", times = 1024 }, { name = "g", type = "u64 le", times = 1024 }, { name = "h", type = "u64 le", times = 1024, unit = "V" }"#,
        ),
        r#"
10:9 <[> the body is longer than 65000 bytes
    => no message is so long: look at "times"
10:9 <[> warning: no part of this message has a channel
    => add channel = "cell voltage" or another one, or the message only shows that the line is alive"#,
    );
    check(
        &part(r#"{ name = "a", type = "u64 le", times = 200, unit = "V", channel = "cell voltage" }"#),
        r#"
10:9 <[> the frame would be 1602 bytes long, "f" allows 1024
    => write longest = 1602 into the frame"#,
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
13:15 <256> 256 does not fit
    => allowed is 0 to 255"#,
    );
    check(
        &with_id(
            r#"name = "m"
frames = ["f"]
id = { kind = "1" }"#,
        ),
        r#"
13:15 <"1"> the id is a whole number
    => write for example 1 or 0x10"#,
    );
    check(
        &with_id(
            r#"name = "m"
frames = ["f"]
id = { knd = 1 }"#,
        ),
        r#"
13:8 <knd> the frame has no id part called "knd"
    => did you mean "kind"?"#,
    );
    check(
        &with_id(
            r#"name = "m"
frames = ["f"]
id = { size = 1 }"#,
        ),
        r#"
13:8 <size> the frame has no id part called "size"
    => id parts: kind"#,
    );
    check(
        &with_text_id("id = { kind = 1.5 }"),
        r#"
13:15 <1.5> the id of a text line is a text
    => write it in quotes"#,
    );
    check(
        &with_text_id(r#"id = { knd = "A" }"#),
        r#"
13:8 <knd> the frame has no id part called "knd"
    => did you mean "kind"?"#,
    );
}

#[test]
fn parts_of_messages() {
    check(
        &part(r#"{ name = "a", type = "u8" }, { name = "a", type = "u8" }"#),
        r#"
10:9 <[> warning: no part of this message has a channel
    => add channel = "cell voltage" or another one, or the message only shows that the line is alive
11:39 <"a"> a second part is called "a"
    => give each part a name of its own"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", times = 0 }"#),
        r#"
11:36 <0> "times" is out of range
    => allowed is 1 to 1024"#,
    );
    check(
        &part(r#"{ name = "a" }"#),
        r#"
11:1 <{ name = "a" }> part "a" needs a type
    => write for example type = "u16 le""#,
    );
    check(
        &part(r#"{ type = "u8" }"#),
        r#"
11:1 <{ type = "u8" }> a part of a message needs the key "name"
    => name: what examples call it"#,
    );
    check(
        &part(r#"{ name = "a", type = "number" }"#),
        r#"
11:22 <"number"> this type does not fit this kind of frame
    => write for example "u16 le""#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", column = 2, decimals = 3, label = "x" }"#),
        r#"
10:9 <[> warning: no part of this message has a channel
    => add channel = "cell voltage" or another one, or the message only shows that the line is alive
11:37 <2> "column" is for lines of text
    => drop the key: the parts follow each other as listed
11:51 <3> "decimals" is for lines of text
    => drop the key: the parts follow each other as listed
11:62 <"x"> "label" is for lines of text
    => drop the key: the parts follow each other as listed"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", equals = 256 }"#),
        r#"
10:9 <[> warning: no part of this message has a channel
    => add channel = "cell voltage" or another one, or the message only shows that the line is alive
11:37 <256> 256 does not fit
    => allowed is 0 to 255"#,
    );
    check(
        &part(r#"{ name = "a", type = "f64 be", equals = 1 }"#),
        r#"
10:9 <[> warning: no part of this message has a channel
    => add channel = "cell voltage" or another one, or the message only shows that the line is alive
11:41 <1> a float can't have a fixed value
    => write a type of whole numbers, such as "u32 le", and the bits as its value"#,
    );
    check(
        &part(
            r#"{ name = "a", type = "u8", unit = "V", channel = "cell voltage", times = 4 }, { name = "b", type = "u8", unit = "V", channel = "cell voltage", from = 4 }"#,
        ),
        r#"
11:128 <"cell voltage"> cell 4 is already carried by part "a"
    => say with "from" where its places begin"#,
    );
    check(
        &part(
            r#"{ name = "a", type = "u8", unit = "V", channel = "pack voltage" }, { name = "b", type = "u8", unit = "V", channel = "pack voltage" }"#,
        ),
        r#"
11:117 <"pack voltage"> pack voltage is already carried by part "a"
    => a message carries it once: drop the channel of one of the parts"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", unit = "V", channel = "cell voltage", absent = 256 }"#),
        r#"
11:75 <256> 256 does not fit
    => allowed is 0 to 255"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", unit = "V", channel = "cell voltage", absent = "FF" }"#),
        r#"
11:75 <"FF"> absent is a text, expected the whole number as sent
    => write for example absent = 0xFFFF"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", unit = "V", channel = "cell voltage", absent = 0.5 }"#),
        r#"
11:75 <0.5> absent is a decimal number, expected the whole number as sent
    => write for example absent = 0xFFFF"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", chanel = "cell voltage" }"#),
        r#"
10:9 <[> warning: no part of this message has a channel
    => add channel = "cell voltage" or another one, or the message only shows that the line is alive
11:28 <chanel> unknown key "chanel"
    => did you mean "channel"?"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cel voltage", unit = "V" }"#),
        r#"
11:38 <"cel voltage"> channel can't be "cel voltage"
    => did you mean "cell voltage"?"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "sunshine" }"#),
        r#"
11:38 <"sunshine"> channel can't be "sunshine"
    => channel is one of: cell voltage, pack voltage, bus voltage, current, temperature, state of charge, status, sense lead test, balancing, frame counter, device time"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", scale = 2, positive = "charge" }"#),
        r#"
10:9 <[> warning: no part of this message has a channel
    => add channel = "cell voltage" or another one, or the message only shows that the line is alive
11:36 <2> warning: "scale" has no use without a channel
    => add a channel, or drop the key
11:50 <"charge"> warning: "positive" has no use without a channel
    => add a channel, or drop the key"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", unit = "V", channel = "pack voltage", times = 2 }"#),
        r#"
11:74 <2> a pack has only one pack voltage
    => cell voltage, temperature and status have places"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", unit = "V", channel = "pack voltage", from = 2 }"#),
        r#"
11:73 <2> a pack has only one pack voltage
    => cell voltage, temperature and status have places"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", unit = "V", channel = "cell voltage", from = 512, times = 2 }"#),
        r#"
11:86 <2> places go to 512
    => look at "from" and "times""#,
    );
}

#[test]
fn units_and_scales() {
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage" }"#),
        r#"
11:38 <"cell voltage"> a cell voltage needs a unit
    => write for example unit = "V""#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage", unit = "mA" }"#),
        r#"
11:61 <"mA"> cell voltage is a voltage, not a current
    => write for example "V""#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage", unit = "mv" }"#),
        r#"
11:61 <"mv"> unknown unit "mv"
    => did you mean "mV"?"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage", unit = "furlong" }"#),
        r#"
11:61 <"furlong"> unknown unit "furlong"
    => units of a voltage are V, mV, uV, kV"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage", unit = 3 }"#),
        r#"
11:61 <3> "unit" is an integer, expected a text in quotes
    => write for example unit = "...""#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "frame counter", unit = "V" }"#),
        r#"
11:62 <"V"> frame counter is a plain number, not a voltage
    => drop the unit"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage", unit = "V", scale = 0 }"#),
        r#"
11:74 <0> this scale can't be used
    => it must not be zero, and its values must fit between a billionth and nine billion of the base unit"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage", unit = "V", scale = "0.1" }"#),
        r#"
11:74 <"0.1"> "scale" is a text, expected a number
    => write for example scale = 0.1"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage", unit = "V", scale = 1e30 }"#),
        r#"
11:74 <1e30> this scale can't be used
    => it must not be zero, and its values must fit between a billionth and nine billion of the base unit"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage", unit = "V", offset = 1e20 }"#),
        r#"
11:75 <1e20> this scale can't be used
    => it must not be zero, and its values must fit between a billionth and nine billion of the base unit"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage", unit = "V", scale = inf }"#),
        r#"
11:74 <inf> "scale" is a number that is not a plain decimal, expected a number
    => write for example scale = 0.1"#,
    );
    check(
        &part(r#"{ name = "a", type = "i16 le", channel = "current", unit = "A" }"#),
        r#"
11:42 <"current"> a current must say which way is positive
    => write positive = "discharge" or positive = "charge""#,
    );
    check(
        &part(r#"{ name = "a", type = "i16 le", channel = "current", unit = "A", positive = "in" }"#),
        r#"
11:76 <"in"> positive can't be "in"
    => positive is one of: discharge, charge"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "cell voltage", unit = "V", positive = "charge" }"#),
        r#"
11:77 <"charge"> only a current has a direction
    => drop the key"#,
    );
}

#[test]
fn meanings() {
    check(
        &part(r#"{ name = "a", type = "u8", channel = "status" }"#),
        r#"
11:38 <"status"> a status must say what its values mean
    => write states = [{ value = 0, text = "off" }, ...] or flags = [{ bit = 0, text = "..." }, ...]"#,
    );
    check(
        &part(r#"{ name = "a", type = "f32 le", channel = "status", states = [{ value = 0, text = "x" }] }"#),
        r#"
11:22 <"f32 le"> a status is a whole number
    => write for example type = "u16 le""#,
    );
    check(
        &part(
            r#"{ name = "a", type = "u8", channel = "status", states = [{ value = 0, text = "x" }], flags = [{ bit = 0, text = "x" }] }"#,
        ),
        r#"
11:57 <[{ value = 0, text = "x" }]> a part has flags or states, not both
    => drop one of the two keys"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "frame counter", states = [{ value = 0, text = "x" }] }"#),
        r#"
11:64 <[{ value = 0, text = "x" }]> a frame counter has no states
    => status, sense lead test and balancing have them"#,
    );
    check(
        &part(
            r#"{ name = "a", type = "u8", channel = "cell voltage", unit = "V", flags = [{ bit = 0, text = "x" }] }"#,
        ),
        r#"
11:74 <[{ bit = 0, text = "x" }]> a cell voltage has no flags
    => status, sense lead test and balancing have them"#,
    );
    check(
        &part(
            r#"{ name = "a", type = "u8", channel = "status", flags = [{ bit = 8, text = "x" }, { bit = 1, text = "y", set = "bad" }, { bit = 1, text = "z", clear = 0 }, { text = "w" }, { bit = 2 }] }"#,
        ),
        r#"
11:65 <8> "bit" is out of range
    => allowed is 0 to 7
11:111 <"bad"> set can't be "bad"
    => set is one of: normal, warning, fault, unknown
11:128 <1> bit 1 is listed twice
    => bits count from 0, the least significant
11:151 <0> "clear" is an integer, expected a text in quotes
    => write for example clear = "..."
11:156 <{ text = "w" }> a flag needs the key "bit"
    => bit: counted from the least significant, from 0
11:172 <{ bit = 2 }> a flag needs the key "text"
    => text: what it says when it is set"#,
    );
    check(
        &part(
            r#"{ name = "a", type = "u8", channel = "status", flags = [{ bit = 0, text = "x", channel = "balance" }, { bit = 1, text = "x", channel = "current" }] }"#,
        ),
        r#"
11:90 <"balance"> the channel of a flag can't be "balance"
    => did you mean "balancing"?
11:136 <"current"> the channel of a flag can't be "current"
    => the channel of a flag is one of: sense lead test, balancing"#,
    );
    check(
        &part(
            r#"{ name = "a", type = "u8", channel = "status", states = [{ value = 256, text = "x" }, { value = 1, text = "y", means = "ok" }, { value = 1, text = "z" }], otherwise = "fatal" }"#,
        ),
        r#"
11:68 <256> 256 does not fit
    => allowed is 0 to 255
11:120 <"ok"> means can't be "ok"
    => means is one of: normal, warning, fault, unknown
11:138 <1> the value 1 is listed twice
    => list each value once
11:168 <"fatal"> otherwise can't be "fatal"
    => otherwise is one of: normal, warning, fault, unknown"#,
    );
    check(
        &part(r#"{ name = "a", type = "u8", channel = "status", times = 65, states = [{ value = 0, text = "x" }] }"#),
        r#"
11:56 <65> flags or states stand at most 64 times in a row
    => make several parts of it"#,
    );
}

#[test]
fn parts_of_text_lines() {
    check(
        &text_part(r#"{ name = "a", type = "u8", column = 2 }"#),
        r#"
16:22 <"u8"> this type does not fit this kind of frame
    => types of text lines are number and hex"#,
    );
    check(
        &text_part(r#"{ name = "a", type = "text", column = 2 }"#),
        r#"
16:22 <"text"> a value can't be a word
    => types of values are number and hex"#,
    );
    check(
        &text_part(r#"{ name = "a", type = "number", unit = "V", channel = "pack voltage" }"#),
        r#"
16:1 <{ name = "a", type = "number", unit = "V", channel = "pack voltage" }> a part of a text line needs a column or a label
    => write for example column = 2"#,
    );
    check(
        &text_part(r#"{ name = "a", type = "number", column = 1001, unit = "V", channel = "pack voltage" }"#),
        r#"
16:41 <1001> "column" is out of range
    => allowed is 1 to 1000"#,
    );
    check(
        &text_part(r#"{ name = "a", type = "number", column = 2, label = "a", unit = "V", channel = "pack voltage" }"#),
        r#"
16:52 <"a"> a part has a column or a label, not both
    => drop one of the two keys"#,
    );
    check(
        &text_part(r#"{ name = "a", type = "number", label = "a", unit = "V", channel = "cell voltage", times = 2 }"#),
        r#"
16:40 <"a"> the frame does not say what stands between label and value
    => write text = { label_mark = "=", ... } in the frame
16:40 <"a"> repeats need labels that differ
    => write # where the number stands"#,
    );
    check(
        &text_part(
            r#"{ name = "a", type = "number", label = "aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa", unit = "V", channel = "pack voltage" }"#,
        ),
        r#"
16:40 <"aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa"> a label is at most 64 bytes long
    => a value without a label has a column"#,
    );
    check(
        &text_part(
            r#"{ name = "a", type = "number", column = 2, decimals = 10, wraps_bits = 65, unit = "V", channel = "pack voltage" }"#,
        ),
        r#"
16:55 <10> "decimals" is out of range
    => allowed is 0 to 9
16:72 <65> "wraps_bits" is out of range
    => allowed is 1 to 63"#,
    );
    check(
        &text_part(r#"{ name = "a", type = "number", column = 2, absent = 0, unit = "V", channel = "pack voltage" }"#),
        r#"
16:53 <0> absent in a text line is a text
    => write "---""#,
    );
    check(
        &text_part(r#"{ name = "a", type = "hex", column = 2, equals = -1, unit = "V", channel = "pack voltage" }"#),
        r#"
16:50 <-1> -1 does not fit
    => allowed is 0 to 18446744073709551615"#,
    );
}

#[test]
fn examples() {
    check(
        &example(r#"message = "m""#),
        r#"
15:1 <[[example]]> an example needs "bytes" or "text"
    => write for example bytes = "AA 55 01 02""#,
    );
    check(
        &example(
            r#"bytes = "AA"
text = "x"
message = "m""#,
        ),
        r#"
17:8 <"x"> an example has bytes or text, not both
    => drop one of the two keys"#,
    );
    check(
        &example(
            r#"bytes = "AA 5"
message = "m""#,
        ),
        r#"
16:9 <"AA 5"> "5" has an odd number of hexadecimal digits
    => write for example "AA 55""#,
    );
    check(
        &example(r#"bytes = "AA""#),
        r#"
15:1 <[[example]]> an example needs "message" or "rejected"
    => name the message that it decodes to, or say why it is rejected"#,
    );
    check(
        &example(
            r#"bytes = "AA"
message = "n""#,
        ),
        r#"
17:11 <"n"> no message is called "n"
    => did you mean "m"?"#,
    );
    check(
        &example(
            r#"bytes = "AA"
message = "m"
rejected = "check""#,
        ),
        r#"
17:11 <"m"> an example decodes to a message or is rejected, not both
    => drop one of the two keys"#,
    );
    check(
        &example(
            r#"bytes = "AA"
rejected = "chek""#,
        ),
        r#"
17:12 <"chek"> rejected can't be "chek"
    => did you mean "check"?"#,
    );
    check(
        &example(
            r#"bytes = "AA"
rejected = "check"
values = { volts = 1 }"#,
        ),
        r#"
18:10 <{ volts = 1 }> a rejected example has no values
    => drop the key"#,
    );
    check(
        &example(
            r#"bytes = "AA"
message = "m"
values = { vlts = 1 }"#,
        ),
        r#"
18:12 <vlts> message "m" has no part called "vlts"
    => did you mean "volts"?"#,
    );
    check(
        &example(
            r#"bytes = "AA"
message = "m"
values = { pad = 1 }"#,
        ),
        r#"
18:12 <pad> part "pad" has no channel, so no value can be checked
    => add a channel to the part, or drop the value"#,
    );
    check(
        &example(
            r#"bytes = "AA"
message = "m"
values = { volts = [1, 2] }"#,
        ),
        r#"
18:20 <[1, 2]> part "volts" has 1 value, here are 2
    => write one for each repeat; "absent" counts"#,
    );
    check(
        &example(
            r#"bytes = "AA"
message = "m"
values = { volts = "one", count = 1.5 }"#,
        ),
        r#"
18:20 <"one"> expected a number in V, or "absent"
    => the unit is that of the part and is not written here
18:35 <1.5> expected a whole number as sent, or "absent"
    => write for example 1 or 0x10"#,
    );
    check(
        &example(
            r#"bytes = "AA"
message = "m"
values = [1]"#,
        ),
        r#"
18:10 <[1]> "values" is a list, expected a table
    => write for example values = { ... }"#,
    );
    check(
        &example(
            r#"bytes = "AA"
message = "m"
values = { volts = 1e-12 }"#,
        ),
        r#"
18:20 <1e-12> this number is too large, or finer than a billionth
    => the number is in V"#,
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
        "",
    );
    check(
        &example(
            r#"bytes = "AA 01 02 00 03"
message = "m"
values = { volts = 2, count = 3 }"#,
        ),
        r#"
18:20 <2> pack voltage decodes to 1 V
18:31 <3> frame counter decodes to 2"#,
    );
    check(
        &example(
            r#"bytes = "AA 01 02 00 03"
message = "m"
values = { volts = "absent" }"#,
        ),
        r#"
18:20 <"absent"> pack voltage decodes to 1 V"#,
    );
    check(
        &example(
            r#"bytes = "AA FF 02 00 FD"
message = "m"
values = { volts = 255 }"#,
        ),
        r#"
18:20 <255> pack voltage decodes to absent"#,
    );
    check(
        &example(
            r#"bytes = "AA 01 02 00 04"
message = "m""#,
        ),
        r#"
15:1 <[[example]]> the example is no frame of message "m": bytes 0..5: checksum computed 3, received 4"#,
    );
    check(
        &example(
            r#"bytes = "AA 01 02 00 03 AA 01 02 00 03"
message = "m""#,
        ),
        r#"
15:1 <[[example]]> the example is no frame of message "m": 2 frames instead of one"#,
    );
    check(
        &example(
            r#"bytes = "00 AA 01 02 00 03"
message = "m""#,
        ),
        r#"
15:1 <[[example]]> bytes 0..1 of the example are no frame: no frame starts here"#,
    );
    check(
        &example(
            r#"bytes = ""
message = "m""#,
        ),
        r#"
15:1 <[[example]]> the example is no frame of message "m": 0 frames instead of one"#,
    );
    check(
        &example(
            r#"bytes = "AA 01 02 00 03"
rejected = "check""#,
        ),
        r#"
15:1 <[[example]]> the example is accepted, but must be rejected"#,
    );
    check(
        &example(
            r#"bytes = "AA 01 02 00 04"
rejected = "size""#,
        ),
        r#"
15:1 <[[example]]> the example is rejected for another reason: checksum computed 3, received 4"#,
    );
    check(
        &example(
            r#"bytes = ""
rejected = "size""#,
        ),
        r#"
15:1 <[[example]]> the example has no bytes that could be rejected"#,
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
1:1 <protocl> unknown key "protocl"
    => did you mean "protocol"?
1:1 <protocl = "field pack"> a protocol file needs the key "protocol"
    => protocol: the protocol's name
3:8 <10> "baud" is out of range
    => allowed is 50 to 20000000
6:9 <"AA 5"> "5" has an odd number of hexadecimal digits
    => write for example "AA 55"
8:27 <"u16"> "u16" needs a byte order
    => write "u16 le" (lowest byte first) or "u16 be"
10:56 <"CRC-16/CCITT"> "CRC-16/CCITT" names several CRCs
    => CRC-16/IBM-3740 (123456789 gives 29B1), CRC-16/XMODEM (31C3), CRC-16/KERMIT (2189), CRC-16/MCRF4XX (6F91), CRC-16/IBM-SDLC (906E) or CRC-16/SPI-FUJITSU (E5CC)
15:9 <"100 mss"> not a time: unknown unit "mss"
    => did you mean "ms"?
17:56 <"mA"> cell voltage is a voltage, not a current
    => write for example "V"
18:62 <"current"> a current must say which way is positive
    => write positive = "discharge" or positive = "charge""#,
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
    let thread =
        std::thread::Builder::new().name("a small stack".to_owned()).stack_size(1 << 20).spawn(read).expect("a thread");
    let (faults, took) = thread.join().expect("no panic");
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
    check_hostile(example(&format!("bytes = \"AA\"\nmessage = \"m\"\n{many}")), "18:21: expected a number in V");
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
