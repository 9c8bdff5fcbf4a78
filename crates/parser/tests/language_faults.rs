//! What is said about protocol files with faults, for what goes beyond fixed frames: stuffing, open lengths, bits,
//! sums, curves, questions. As in `faults.rs`: every fault with its place, the text there and what to write instead.

mod support;

use support::written;

#[track_caller]
fn check(text: &str, expected: &str) {
    same(&written(text), expected);
}

/// Several files, each made from one of the cases; what is said of each stands below it.
#[track_caller]
fn check_all<S: AsRef<str>>(cases: &[S], text: impl Fn(&str) -> String, expected: &str) {
    let said = |case: &S| {
        let said = written(&text(case.as_ref()));
        let said: Vec<String> = said.lines().map(|line| format!("\n  {line}")).collect();
        format!("{}{}", case.as_ref().replace('\n', " | "), said.concat())
    };
    same(&cases.iter().map(said).collect::<Vec<_>>().join("\n"), expected);
}

#[track_caller]
fn same(said: &str, expected: &str) {
    assert_eq!(said, expected.trim_start_matches('\n'));
}

/// A frame with an id and a size, and messages behind it from line 9.
const FRAME: &str = r#"protocol = "x"
[[frame]]
name = "f"
start = "AA"
parts = [
  { name = "kind", type = "u8", role = "id" }, { name = "size", type = "u8", role = "size", counts = ["body"] },
  { name = "body", role = "body" }, { name = "sum", type = "u8", role = "check", sum = "xor" },
]
"#;

/// A message with these keys, in line 13, and these parts, from line 15.
fn message(keys: &str, parts: &str) -> String {
    let head = "[[message]]\nname = \"m\"\nframes = [\"f\"]\nevery = \"1 s\"\n";
    format!("{FRAME}{head}{keys}\nparts = [\n{parts},\n]\n")
}

/// A message with these parts, from line 15, behind a word, a float and a list of words.
fn parts(parts: &str) -> String {
    message("id = { kind = 1 }", parts)
}

/// A message with a temperature whose curve has these keys, in line 15.
fn curve(keys: &str) -> String {
    parts(&format!(
        r#"{{ name = "t", type = "u16 le", unit = "degC", channel = "temperature", curve = {{ {keys} }} }}"#
    ))
}

/// The message of a question and one of an answer with these keys, from line 16.
fn asked(keys: &str, more: &str) -> String {
    let question = "[[message]]\nname = \"q\"\nframes = [\"f\"]\nid = { kind = 1 }\nparts = [{ name = \"register\", type = \"u16 be\", equals = 7 }, { name = \"count\", type = \"u8\" }]\n";
    let answer = "[[message]]\nname = \"a\"\nframes = [\"f\"]\nid = { kind = 2 }\nevery = \"1 s\"\n";
    let part = "parts = [{ name = \"v\", type = \"u8\", unit = \"V\", channel = \"pack voltage\" }]\n";
    format!("{FRAME}{question}{answer}{keys}\n{part}{more}")
}

/// A line of text with these keys of a message, in line 8, and parts, in line 9.
fn text(keys: &str, parts: &str) -> String {
    format!(
        "protocol = \"x\"\n[[frame]]\nname = \"f\"\ntext = {{ separator = \",\", label_mark = \"=\" }}\nparts = [{{ name = \"body\", role = \"body\" }}, {{ name = \"c\", type = \"hex\", role = \"check\", sum = \"xor\", mark = \"*\" }}]\n[[message]]\nname = \"m\"\nframes = [\"f\"]\nevery = \"1 s\"\n{keys}\nparts = [{parts}]\n"
    )
}

const VOLTS: &str = r#"{ name = "v", type = "u8", unit = "V", channel = "pack voltage" }"#;

#[test]
fn the_line() {
    let line = |keys: &str| parts(VOLTS).replace("[[frame]]", &format!("[line]\n{keys}\n[[frame]]"));
    check(
        &line("stuffing = \"slipp\""),
        r#"
3:12 <"slipp"> stuffing can't be "slipp"
    => did you mean "slip"?"#,
    );
    check(
        &line("stuffing = \"hex\"\nhex_start = \"F\""),
        r#"
4:13 <"F"> this can't stand in front of hexadecimal digits
    => write for example hex_start = ":""#,
    );
    check(
        &line("stuffing = \"hex\"\nhex_start = \"::\""),
        r#"
4:13 <"::"> this can't stand in front of hexadecimal digits
    => write for example hex_start = ":""#,
    );
    check(
        &line("stuffing = \"slip\"\nhex_start = \":\""),
        r#"
4:13 <":"> "hex_start" goes with lines of hexadecimal
    => add stuffing = "hex", or drop the key"#,
    );
    check(
        &line("hex_start = \"~\""),
        r#"
3:13 <"~"> "hex_start" goes with lines of hexadecimal
    => add stuffing = "hex", or drop the key"#,
    );
    check(
        &line("idle = \"0.5 ms\""),
        r#"
3:8 <"0.5 ms"> an idle gap is at least 1 ms
    => adapters deliver bytes in blocks: shorter silences say nothing"#,
    );
    check(
        &line("idle = \"5 ms\"\nstuffing = \"cobs\""),
        r#"
3:8 <"5 ms"> warning: "idle" has no use with a stuffing
    => the stuffing says where a packet ends: drop the key"#,
    );
    check(&line("stuffing = \"cobs\""), "");
}

#[test]
fn a_draft() {
    let with = |draft: &str| parts(VOLTS).replacen("[[frame]]", &format!("draft = {draft}\n[[frame]]"), 1);
    check(
        &with("true"),
        r#"
2:9 <true> warning: a draft that nobody has confirmed: with it the answer is never go
    => hold its values against a display or a meter, then take this line out"#,
    );
    check(&with("false"), "");
    check(
        &with("\"yes\""),
        r#"
2:9 <"yes"> "draft" is a text, expected true or false
    => write for example draft = true"#,
    );
    for (draft, is_one) in [("true", true), ("false", false)] {
        let (protocol, _) = parser::Protocol::parse(&with(draft));
        assert_eq!(protocol.map(|protocol| protocol.is_draft()), Some(is_one));
    }
    assert_eq!(parser::Protocol::parse(&parts(VOLTS)).0.map(|protocol| protocol.is_draft()), Some(false));
}

#[test]
fn frames() {
    check(
        &text("", "").replace("[[frame]]", "[line]\nstuffing = \"slip\"\n[[frame]]"),
        r#"
6:8 <{ separator = ",", label_mark = "=" }> a frame of text has no stuffing
    => a line of text ends with its line"#,
    );
    check(
        &text("", "").replace("name = \"f\"\ntext", "name = \"f\"\nend = \"0A\"\ntext"),
        r#"
4:7 <"0A"> a frame of text has no end bytes
    => a line of text ends with its line"#,
    );
    check(
        &parts(VOLTS).replace("start = \"AA\"", "start = \"AA\"\nend = \"0102030405060708090A0B0C0D0E0F1011\""),
        r#"
5:7 <"0102030405060708090A0B0C0D0E0F1011"> more than 16 end bytes
    => write the others as parts with "equals""#,
    );
    check(
        &parts(VOLTS).replace("type = \"u8\", role = \"check\"", "type = \"digits 3\", role = \"check\""),
        r#"
7:60 <"digits 3"> a checksum has no decimal digits
    => write for example "u16 le", or "hex 4" for hexadecimal characters"#,
    );
    check(
        &parts(VOLTS).replace("type = \"u8\", role = \"check\"", "type = \"hex 4\", role = \"check\""),
        r#"
7:60 <"hex 4"> this checksum has 8 bits, the part has 16
    => write type = "hex 2""#,
    );
    check(&parts(VOLTS).replace("type = \"u8\", role = \"check\"", "type = \"hex 2\", role = \"check\""), "");
    check(
        &parts(VOLTS).replace("type = \"u8\", role = \"id\"", "type = \"f32 le\", role = \"id\""),
        r#"
6:27 <"f32 le"> this role needs a whole number
    => write for example "u16 le", or leave the role out
13:8 <kind> the frame has no id part called "kind"
    => give a part of the frame role = "id""#,
    );
    check(
        &parts(VOLTS).replace("type = \"u8\", role = \"id\"", "type = \"bcd 4\", role = \"id\""),
        r#"
6:27 <"bcd 4"> unknown type "bcd 4"
    => types are u8 to u64 and i8 to i64 in whole bytes, f16, f32, f64 and "bcd 4" with le or be, "digits 5" and "hex 4" for characters; in text lines number, hex, text
13:8 <kind> the frame has no id part called "kind"
    => give a part of the frame role = "id""#,
    );
    check(
        &parts(VOLTS).replace("type = \"u8\", role = \"id\"", "type = \"bcd 3 be\", role = \"id\""),
        r#"
6:27 <"bcd 3 be"> unknown type "bcd 3 be"
    => types are u8 to u64 and i8 to i64 in whole bytes, f16, f32, f64 and "bcd 4" with le or be, "digits 5" and "hex 4" for characters; in text lines number, hex, text
13:8 <kind> the frame has no id part called "kind"
    => give a part of the frame role = "id""#,
    );
    check(
        &parts(VOLTS).replace("type = \"u8\", role = \"id\"", "type = \"digits 19\", role = \"id\""),
        r#"
6:27 <"digits 19"> unknown type "digits 19"
    => types are u8 to u64 and i8 to i64 in whole bytes, f16, f32, f64 and "bcd 4" with le or be, "digits 5" and "hex 4" for characters; in text lines number, hex, text
13:8 <kind> the frame has no id part called "kind"
    => give a part of the frame role = "id""#,
    );
}

#[test]
fn words_and_bits() {
    check(
        &parts(r#"{ name = "b", of = "w", bits = [0, 3] }"#),
        r#"
15:20 <"w"> no earlier part of this message is called "w"
    => there is no part yet"#,
    );
    let word = r#"{ name = "word", type = "u8" }, { name = "real", type = "f16 le" }, { name = "dec", type = "bcd 2" }, { name = "list", type = "u8", times = 2 }"#;
    let behind = |part: &str| parts(&format!("{word},\n{part}"));
    let shown = r#"unit = "V", channel = "pack voltage""#;
    check_all(
        &[
            r#"{ name = "b", of = "word" }"#,
            r#"{ name = "b", of = "wrod", bits = [0, 3] }"#,
            r#"{ name = "b", of = "real", bits = [0, 3] }"#,
            r#"{ name = "b", of = "list", bits = [0, 3] }"#,
            r#"{ name = "b", of = "dec", bits = [0, 3] }"#,
            r#"{ name = "b", of = "b", bits = [0, 3] }"#,
            r#"{ name = "b", of = "word", bits = [4, 8] }"#,
            r#"{ name = "b", of = "word", bits = [4, 3] }"#,
            r#"{ name = "b", of = "word", bits = [-1, 3] }"#,
            r#"{ name = "b", of = "word", bits = 3 }"#,
            r#"{ name = "b", of = "word", bits = 8 }"#,
            r#"{ name = "b", of = "word", bits = [1, 2, 3] }"#,
            r#"{ name = "b", of = "word", bits = [] }"#,
            r#"{ name = "b", of = "word", bits = "3" }"#,
            r#"{ name = "b", of = 3, bits = [0, 3] }"#,
            r#"{ name = "b", of = "word", sum_of = ["word"], bits = [0, 3] }"#,
            r#"{ name = "b", type = "u64 le", bits = [0, 63] }"#,
            r#"{ name = "b", type = "f32 le", bits = [0, 3] }"#,
            r#"{ name = "b", of = "word", bits = [0, 3], times = 2 }"#,
            r#"{ name = "b", of = "word", bits = [0, 3], equals = 16 }"#,
            r#"{ name = "s", sum_of = [] }"#,
            r#"{ name = "s", sum_of = ["word", "none"] }"#,
            r#"{ name = "s", sum_of = ["word", "word"] }"#,
            r#"{ name = "s", sum_of = ["word", "real"] }"#,
            r#"{ name = "s", sum_of = ["word", "dec"], bits = [0, 3] }"#,
            r#"{ name = "s", sum_of = "word" }"#,
        ],
        |part| behind(&part.replace(" }", &format!(", {shown} }}"))),
        r#"
{ name = "b", of = "word" }
  16:20 <"word"> a part of a word needs its bits
      => write for example bits = [4, 7]
{ name = "b", of = "wrod", bits = [0, 3] }
  16:20 <"wrod"> no earlier part of this message is called "wrod"
      => did you mean "word"?
{ name = "b", of = "real", bits = [0, 3] }
  16:20 <"real"> part "real" is no single whole number
      => name a part with a type such as "u16 le"
{ name = "b", of = "list", bits = [0, 3] }
  16:20 <"list"> part "list" is no single whole number
      => name a part that stands there once
{ name = "b", of = "dec", bits = [0, 3] }
  16:20 <"dec"> part "dec" has no bits
      => name a part with a type such as "u16 le"
{ name = "b", of = "b", bits = [0, 3] }
  16:20 <"b"> no earlier part of this message is called "b"
      => parts: word, real, dec, list
{ name = "b", of = "word", bits = [4, 8] }
  16:35 <[4, 8]> these are no bits of the word
      => write one bit, or the lowest and the highest, counted from 0, up to 7
{ name = "b", of = "word", bits = [4, 3] }
  16:35 <[4, 3]> these are no bits of the word
      => write one bit, or the lowest and the highest, counted from 0, up to 7
{ name = "b", of = "word", bits = [-1, 3] }
  16:35 <[-1, 3]> these are no bits of the word
      => write one bit, or the lowest and the highest, counted from 0, up to 7
{ name = "b", of = "word", bits = 3 }
{ name = "b", of = "word", bits = 8 }
  16:35 <8> these are no bits of the word
      => write one bit, or the lowest and the highest, counted from 0, up to 7
{ name = "b", of = "word", bits = [1, 2, 3] }
  16:35 <[1, 2, 3]> these are no bits of the word
      => write one bit, or the lowest and the highest, counted from 0, up to 7
{ name = "b", of = "word", bits = [] }
  16:35 <[]> these are no bits of the word
      => write one bit, or the lowest and the highest, counted from 0, up to 7
{ name = "b", of = "word", bits = "3" }
  16:35 <"3"> "bits" is a text, expected a whole number or a list of them
      => write for example bits = [0, 65535]
  16:35 <"3"> these are no bits of the word
      => write one bit, or the lowest and the highest, counted from 0, up to 7
{ name = "b", of = 3, bits = [0, 3] }
  16:20 <3> "of" is an integer, expected a text in quotes
      => write for example of = "..."
{ name = "b", of = "word", sum_of = ["word"], bits = [0, 3] }
  16:20 <"word"> a part is bits of a word or a sum, not both
      => drop one of the two keys
{ name = "b", type = "u64 le", bits = [0, 63] }
  16:39 <[0, 63]> these are no bits of the word
      => write one bit, or the lowest and the highest, counted from 0, up to 63
{ name = "b", type = "f32 le", bits = [0, 3] }
  16:39 <[0, 3]> only a whole number has bits
      => write for example type = "u16 le"
{ name = "b", of = "word", bits = [0, 3], times = 2 }
  16:51 <2> bits of a word and sums stand there once
      => make a part of its own for each
{ name = "b", of = "word", bits = [0, 3], equals = 16 }
  16:52 <16> 16 does not fit
      => allowed is 0 to 15
{ name = "s", sum_of = [] }
  16:24 <[]> a sum has 1 to 64 parts
      => name the parts that are added
{ name = "s", sum_of = ["word", "none"] }
  16:33 <"none"> no earlier part of this message is called "none"
      => parts: word, real, dec, list
{ name = "s", sum_of = ["word", "word"] }
  16:33 <"word"> "word" is added twice
      => list each part once
{ name = "s", sum_of = ["word", "real"] }
  16:33 <"real"> part "real" is no single whole number
      => name a part with a type such as "u16 le"
{ name = "s", sum_of = ["word", "dec"], bits = [0, 3] }
  16:48 <[0, 3]> a sum has no bits
      => drop the key
{ name = "s", sum_of = "word" }
  16:24 <"word"> "sum_of" is a text, expected a list of texts
      => write for example sum_of = ["...", "..."]"#,
    );
    let many: Vec<String> = (0..65).map(|index| format!("{{ name = \"p{index}\", type = \"u8\" }}")).collect();
    let names: Vec<String> = (0..65).map(|index| format!("\"p{index}\"")).collect();
    let sum = format!("{{ name = \"s\", sum_of = [{}], {shown} }}", names.join(", "));
    check(
        &parts(&format!("{},\n{sum}", many.join(", "))),
        r#"
16:24 <["p0", "p1", "p2", "p3", "p4", "p5", "p6", "p7", "p8", "p9", "p10", "p11", "p12"> a sum has 1 to 64 parts
    => name the parts that are added"#,
    );
    // Bits of a sum.
    check(
        &behind(&format!(
            "{{ name = \"s\", sum_of = [\"word\"] }},\n{{ name = \"b\", of = \"s\", bits = [0, 1], {shown} }}"
        )),
        r#"
17:20 <"s"> part "s" has no bits
    => name a part with a type such as "u16 le""#,
    );
}

#[test]
fn repeats() {
    let cell =
        |keys: &str| format!(r#"{{ name = "cell", type = "u8", unit = "V", channel = "cell voltage", {keys} }}"#);
    let behind = |keys: &str| {
        let word = r#"{ name = "n", type = "u8" }, { name = "real", type = "f32 le" }, { name = "list", type = "u8", times = 2 }"#;
        parts(&format!("{word},\n{}", cell(keys)))
    };
    check_all(
        &[
            r#"times = "n""#,
            r#"times = "m", places = 2"#,
            // A count that counts itself.
            r#"times = "cell", places = 2"#,
            r#"times = "real", places = 2"#,
            r#"times = "list", places = 2"#,
            r#"times = "rest", places = 513"#,
            r#"times = "rest", places = 0"#,
            r#"times = 2.5"#,
            r#"times = 2, places = 2"#,
            r#"times = 513"#,
            r#"times = -1"#,
            r#"from = "m", places = 2"#,
            r#"from = "n""#,
            r#"from = "cell", places = 2"#,
            r#"from = 512, times = 2"#,
            r#"from = 1, from_step = 2, from_plus = 1"#,
            r#"from = "n", from_step = 0, places = 2"#,
            r#"from = "n", from_plus = 600, places = 2"#,
        ],
        behind,
        r#"
times = "n"
  16:1 <{ name = "cell", type = "u8", unit = "V", channel = "cell voltage", times = "n" > how many places can this part fill
      => write for example places = 24
times = "m", places = 2
  16:77 <"m"> no earlier part of this message is called "m"
      => did you mean "n"?
times = "cell", places = 2
  16:77 <"cell"> no earlier part of this message is called "cell"
      => did you mean "real"?
times = "real", places = 2
  16:77 <"real"> part "real" is no single whole number
      => name a part with a type such as "u16 le"
times = "list", places = 2
  16:77 <"list"> part "list" is no single whole number
      => name a part that stands there once
times = "rest", places = 513
  16:94 <513> "places" is out of range
      => allowed is 1 to 512
times = "rest", places = 0
  16:94 <0> "places" is out of range
      => allowed is 1 to 512
times = 2.5
  16:77 <2.5> "times" is a decimal number, expected a whole number
      => write for example times = 1
times = 2, places = 2
  16:89 <2> "places" has no use with fixed places
      => drop the key
times = 513
  16:77 <513> places go to 512
      => look at "from" and "times"
times = -1
  16:77 <-1> "times" is out of range
      => allowed is 1 to 1024
from = "m", places = 2
  16:76 <"m"> no earlier part of this message is called "m"
      => did you mean "n"?
from = "n"
  16:1 <{ name = "cell", type = "u8", unit = "V", channel = "cell voltage", from = "n" }> how many places can this part fill
      => write for example places = 24
from = "cell", places = 2
  16:76 <"cell"> no earlier part of this message is called "cell"
      => did you mean "real"?
from = 512, times = 2
  16:89 <2> places go to 512
      => look at "from" and "times"
from = 1, from_step = 2, from_plus = 1
  16:91 <2> "from_step" goes with a start index in the frame
      => write from = "name of the part", or drop the key
  16:106 <1> "from_plus" goes with a start index in the frame
      => write from = "name of the part", or drop the key
from = "n", from_step = 0, places = 2
  16:93 <0> "from_step" is out of range
      => allowed is 1 to 512
from = "n", from_plus = 600, places = 2
  16:93 <600> "from_plus" is out of range
      => allowed is -512 to 512"#,
    );
    // Only the last can fill the rest, only the last can be left out.
    check(
        &parts(&format!("{},\n{VOLTS}", cell(r#"times = "rest", places = 2"#))),
        r#"
14:9 <[> part "cell" fills the rest, and is not the last
    => only the last part of the body can fill it"#,
    );
    check(
        &parts(&format!("{},\n{VOLTS}", cell("optional = true"))),
        r#"
14:9 <[> part "v" stands behind an optional one
    => mark all parts behind the first optional one"#,
    );
    check(
        &parts(&cell("optional = \"yes\"")),
        r#"
15:80 <"yes"> "optional" is a text, expected true or false
    => write for example optional = true"#,
    );
    let keys = "cut_zeros = true\nid = { kind = 1 }";
    check(
        &message(keys, &cell(r#"times = "rest", places = 2"#)),
        r#"
15:9 <[> part "cell" fills the rest, of which zeros are cut
    => say how often it stands there with a number or an earlier part"#,
    );
    check(
        &message(keys, &cell("times = 300")),
        r#"
15:9 <[> a size of 300 does not fit in part "size"
    => look at the type of that part, and at "times" here"#,
    );
}

#[test]
fn open_lengths() {
    let sizeless =
        |text: String| text.replace(r#", { name = "size", type = "u8", role = "size", counts = ["body"] }"#, "");
    let rest = r#"{ name = "cell", type = "u8", times = "rest", places = 2, unit = "V", channel = "cell voltage" }"#;
    check(
        &sizeless(parts(rest)),
        r#"
14:9 <[> nothing says how long the body of this message is in frame "f"
    => give the frame a part with role = "size", end bytes, or the line a stuffing"#,
    );
    check(
        &sizeless(parts(&VOLTS.replace(" }", ", optional = true }"))),
        r#"
14:9 <[> nothing says how long the body of this message is in frame "f"
    => give the frame a part with role = "size", end bytes, or the line a stuffing"#,
    );
    check(
        &sizeless(message("id = { kind = 1 }\nlonger = true", VOLTS)),
        r#"
15:9 <[> nothing says how long the body of this message is in frame "f"
    => give the frame a part with role = "size", end bytes, or the line a stuffing"#,
    );
    check(
        &sizeless(message("id = { kind = 1 }\ncut_zeros = true", VOLTS)),
        r#"
15:9 <[> nothing says how long the body of this message is in frame "f"
    => give the frame a part with role = "size", end bytes, or the line a stuffing"#,
    );
    // With end bytes the length is known.
    check(&sizeless(parts(rest)).replace("start = \"AA\"", "start = \"AA\"\nend = \"0D\""), "");
}

#[test]
fn the_checksum_of_a_message() {
    let long = "00".repeat(65);
    check(
        &message(&format!("id = {{ kind = 1 }}\nextra = \"{long}\""), VOLTS),
        r#"
14:9 <"0000000000000000000000000000000000000000000000000000000000000000000000000000000> at most 64 bytes go through the checksum besides those sent
    => it is one byte nearly always"#,
    );
    check(
        &message("id = { kind = 1 }\nextra = \"3\"", VOLTS),
        r#"
14:9 <"3"> "3" has an odd number of hexadecimal digits
    => write for example "AA 55""#,
    );
    let unchecked = r#", { name = "sum", type = "u8", role = "check", sum = "xor" }"#;
    check(
        &message("id = { kind = 1 }\nextra = \"3A\"", VOLTS).replace(unchecked, ""),
        r#"
10:8 <"m"> warning: message "m" comes in frames without a checksum
    => damage can't be seen: the pack file must waive "checksum" before a verdict can be go
14:9 <"3A"> frame "f" has no checksum for "extra" to go through
    => give the frame a part with role = "check", or drop the key"#,
    );
}

#[test]
fn curves() {
    check(
        &curve(""),
        r#"
15:80 <{  }> this says no curve
    => write beta and r0, or steinhart_hart = [a, b, c], or points = [[number, value], ...]"#,
    );
    check_all(
        &[
            "points = [[0, 0], [1, 1]], beta = 3950",
            "points = 3",
            "points = []",
            "points = [[0, 0]]",
            "points = [[0, 0], [0, 1]]",
            "points = [[1, 0], [0, 1]]",
            "points = [[0, 0], [1]]",
            "points = [[0, 0], [1, \"2\"]]",
            "points = [[0, 0], [1, 1e30]]",
            "points = [[0, 0], [1, 0.0000000001]]",
            "beta = 3950",
            "beta = 3950, r0 = \"0 ohm\"",
            "beta = 3950, r0 = \"10 kΩ\"",
            "beta = 3950, r0 = 10000",
            "beta = 0, r0 = \"10 kohm\"",
            "beta = -3950, r0 = \"10 kohm\"",
            "beta = 1e60, r0 = \"10 kohm\"",
            "beta = \"3950\", r0 = \"10 kohm\"",
            "beta = 3950, r0 = \"10 kohm\", t0 = \"-300 degC\"",
            "beta = 3950, r0 = \"10 kohm\", t0 = 25",
            "beta = 3950, r0 = \"10 kohm\", ohms = 0",
            "beta = 3950, r0 = \"10 kohm\", ohms = -1",
            "beta = 3950, r0 = \"10 kohm\", ohms = 1, divider = { fixed = \"10 kohm\", full = 4095 }",
            "beta = 3950, r0 = \"10 kohm\", divider = { fixed = \"10 kohm\" }",
            "beta = 3950, r0 = \"10 kohm\", divider = { full = 4095 }",
            "beta = 3950, r0 = \"10 kohm\", divider = { fixed = \"10 kohm\", full = -4095 }",
            "beta = 3950, r0 = \"10 kohm\", divider = { fixed = \"10 kohm\", full = 0 }",
            "beta = 3950, r0 = \"10 kohm\", divider = { fixed = \"10 kohm\", full = 4095, sensor = \"top\" }",
            "beta = 3950, r0 = \"10 kohm\", divider = 3",
            "steinhart_hart = [1e-3, 2e-4]",
            "steinhart_hart = 3",
            "steinhart_hart = [1e-3, \"2\", 3e-4, 1e-7]",
            "steinhart_hart = [-1e-3, -2e-4, 0]",
            "steinhart_hart = [1e60, 1e60, 1e60]",
        ],
        curve,
        r#"
points = [[0, 0], [1, 1]], beta = 3950
  15:116 <3950> a curve is a table of points or a thermistor, not both
      => drop one of the two keys
points = 3
  15:91 <3> points are a list of pairs
      => write points = [[0, -40], [512, 25], [1023, 120]]: number as sent, value in the unit
points = []
  15:91 <[]> these points make no curve
      => write two points or more, the numbers as sent rising
points = [[0, 0]]
  15:91 <[[0, 0]]> these points make no curve
      => write two points or more, the numbers as sent rising
points = [[0, 0], [0, 1]]
  15:91 <[[0, 0], [0, 1]]> these points make no curve
      => write two points or more, the numbers as sent rising
points = [[1, 0], [0, 1]]
  15:91 <[[1, 0], [0, 1]]> these points make no curve
      => write two points or more, the numbers as sent rising
points = [[0, 0], [1]]
  15:100 <[1]> a point is a number as sent and a value
      => write points = [[0, -40], [512, 25], [1023, 120]]: number as sent, value in the unit
points = [[0, 0], [1, "2"]]
  15:100 <[1, "2"]> a point is a number as sent and a value
      => write points = [[0, -40], [512, 25], [1023, 120]]: number as sent, value in the unit
points = [[0, 0], [1, 1e30]]
  15:100 <[1, 1e30]> a point is a number as sent and a value
      => write points = [[0, -40], [512, 25], [1023, 120]]: number as sent, value in the unit
points = [[0, 0], [1, 0.0000000001]]
  15:100 <[1, 0.0000000001]> a point is a number as sent and a value
      => write points = [[0, -40], [512, 25], [1023, 120]]: number as sent, value in the unit
beta = 3950
  15:80 <{ beta = 3950 }> beta needs the resistance at 25 degC
      => write for example r0 = "10 kohm"
beta = 3950, r0 = "0 ohm"
  15:100 <"0 ohm"> a resistance is more than zero
      => write for example "10 kohm"
beta = 3950, r0 = "10 kΩ"
  15:100 <"10 kΩ"> not a resistance: unknown unit "kΩ"
      => write for example "1.5 mohm"
beta = 3950, r0 = 10000
  15:100 <10000> "r0" is an integer, expected a text with its unit
      => write for example r0 = "1.5 mohm"
beta = 0, r0 = "10 kohm"
  15:89 <0> beta is 100 to 20000 kelvin
      => look at its sign and unit
beta = -3950, r0 = "10 kohm"
  15:89 <-3950> beta is 100 to 20000 kelvin
      => look at its sign and unit
beta = 1e60, r0 = "10 kohm"
  15:89 <1e60> beta is 100 to 20000 kelvin
      => look at its sign and unit
beta = "3950", r0 = "10 kohm"
  15:89 <"3950"> "beta" is a text, expected a number
      => write for example beta = 0.1
beta = 3950, r0 = "10 kohm", t0 = "-300 degC"
  15:116 <"-300 degC"> the reference is -100 to 300 degC
      => it is nearly always 25 degC
beta = 3950, r0 = "10 kohm", t0 = 25
  15:116 <25> "t0" is an integer, expected a text with its unit
      => write for example t0 = "60 degC"
beta = 3950, r0 = "10 kohm", ohms = 0
  15:118 <0> ohms for one are more than zero
      => look at its sign and unit
beta = 3950, r0 = "10 kohm", ohms = -1
  15:118 <-1> ohms for one are more than zero
      => look at its sign and unit
beta = 3950, r0 = "10 kohm", ohms = 1, divider = { fixed = "10 kohm", full = 4095 }
  15:131 <{ fixed = "10 kohm", full = 4095 }> the number is ohms or the voltage of a divider, not both
      => drop one of the two keys
beta = 3950, r0 = "10 kohm", divider = { fixed = "10 kohm" }
  15:121 <{ fixed = "10 kohm" }> a divider needs the key "full"
      => full: the number at the full reference voltage
beta = 3950, r0 = "10 kohm", divider = { full = 4095 }
  15:121 <{ full = 4095 }> a divider needs the key "fixed"
      => fixed: the other resistor
beta = 3950, r0 = "10 kohm", divider = { fixed = "10 kohm", full = -4095 }
  15:149 <-4095> the number at the full voltage is more than zero
      => look at its sign and unit
beta = 3950, r0 = "10 kohm", divider = { fixed = "10 kohm", full = 0 }
  15:149 <0> the number at the full voltage is more than zero
      => look at its sign and unit
beta = 3950, r0 = "10 kohm", divider = { fixed = "10 kohm", full = 4095, sensor = "top" }
  15:164 <"top"> sensor can't be "top"
      => sensor is one of: ground, supply
beta = 3950, r0 = "10 kohm", divider = 3
  15:121 <3> "divider" is an integer, expected a table
      => write for example divider = { ... }
steinhart_hart = [1e-3, 2e-4]
  15:99 <[1e-3, 2e-4]> the equation has three coefficients
      => write steinhart_hart = [a, b, c]
steinhart_hart = 3
  15:99 <3> the equation has three coefficients
      => write steinhart_hart = [a, b, c]
steinhart_hart = [1e-3, "2", 3e-4, 1e-7]
  15:99 <[1e-3, "2", 3e-4, 1e-7]> the equation has three coefficients
      => write steinhart_hart = [a, b, c]
steinhart_hart = [-1e-3, -2e-4, 0]
  15:80 <{ steinhart_hart = [-1e-3, -2e-4, 0] }> this thermistor has no temperature in the middle of its range
      => look at the signs and units of its figures
steinhart_hart = [1e60, 1e60, 1e60]
  15:80 <{ steinhart_hart = [1e60, 1e60, 1e60] }> this thermistor has no temperature in the middle of its range
      => look at the signs and units of its figures"#,
    );
    let points: Vec<String> = (0..513).map(|index| format!("[{index}, 1]")).collect();
    check(
        &curve(&format!("points = [{}]", points.join(", "))),
        r#"
15:91 <[[0, 1], [1, 1], [2, 1], [3, 1], [4, 1], [5, 1], [6, 1], [7, 1], [8, 1], [9, 1],> a table has at most 512 points
    => leave some out"#,
    );
    let part = |kind: &str, more: &str| {
        parts(&format!(
            r#"{{ name = "t", type = "u16 le", channel = "{kind}", curve = {{ points = [[0, 0], [9, 1]] }}, {more} }}"#
        ))
    };
    check(
        &part("temperature", "unit = \"degC\", scale = 2, offset = 1"),
        r#"
15:119 <2> a curve has no "scale"
    => write both into the curve: its numbers are those as sent
15:131 <1> a curve has no "offset"
    => write both into the curve: its numbers are those as sent"#,
    );
    check(
        &part("temperature", ""),
        r#"
15:42 <"temperature"> a temperature needs a unit
    => write for example unit = "degC""#,
    );
    check(
        &part("current", "unit = \"A\""),
        r#"
15:42 <"current"> a current must say which way is positive
    => write positive = "discharge" or positive = "charge""#,
    );
    check(
        &part("pack voltage", "unit = \"V\", positive = \"charge\""),
        r#"
15:120 <"charge"> only a current has a direction
    => drop the key"#,
    );
    check(
        &part("frame counter", ""),
        r#"
15:67 <{ points = [[0, 0], [9, 1]] }> a frame counter has no curve
    => drop the key"#,
    );
    check(
        &part("device time", "unit = \"s\""),
        r#"
15:65 <{ points = [[0, 0], [9, 1]] }> a device time has no curve
    => drop the key"#,
    );
    let thermistor = r#"curve = { beta = 3950, r0 = "10 kohm" }"#;
    check(
        &parts(&format!(r#"{{ name = "t", type = "u16 le", unit = "V", channel = "cell voltage", {thermistor} }}"#)),
        r#"
15:78 <{ beta = 3950, r0 = "10 kohm" }> a thermistor gives a temperature in degrees Celsius
    => write unit = "degC""#,
    );
    check(
        &parts(&format!(r#"{{ name = "t", type = "u16 le", unit = "K", channel = "temperature", {thermistor} }}"#)),
        r#"
15:77 <{ beta = 3950, r0 = "10 kohm" }> a thermistor gives a temperature in degrees Celsius
    => write unit = "degC""#,
    );
    check(
        &parts(&format!(r#"{{ name = "t", type = "u16 le", {thermistor}, scan = "5 ms" }}, {VOLTS}"#)),
        r#"
15:40 <{ beta = 3950, r0 = "10 kohm" }> warning: "curve" has no use without a channel
    => add a channel, or drop the key
15:80 <"5 ms"> warning: "scan" has no use without a channel
    => add a channel, or drop the key"#,
    );
}

#[test]
fn questions_and_answers() {
    check(&asked("answers = \"q\"", ""), "");
    check(&asked("answers = [\"q\"]", ""), "");
    check(
        &asked("answers = []", ""),
        r#"
19:11 <[]> an answer has 1 to 64 questions
    => name the message that asks for this one"#,
    );
    check(
        &asked("answers = 3", ""),
        r#"
19:11 <3> "answers" is an integer, expected a text in quotes
    => name the message that asks for this one"#,
    );
    check(
        &asked("answers = [\"q\", 3]", ""),
        r#"
19:17 <3> "answers" is an integer, expected a text in quotes
    => name the message that asks for this one"#,
    );
    check(
        &asked("answers = \"question\"", ""),
        r#"
19:11 <"question"> no other message is called "question"
    => messages: q, a"#,
    );
    check(
        &asked("answers = \"a\"", ""),
        r#"
19:11 <"a"> a message can't answer itself
    => name the question"#,
    );
    let third = "[[message]]\nname = \"b\"\nframes = [\"f\"]\nid = { kind = 3 }\nevery = \"1 s\"\nanswers = \"a\"\nparts = [{ name = \"v\", type = \"u8\", unit = \"V\", channel = \"pack voltage\" }]\n";
    // Answers in a circle, and an answer to an answer.
    check(
        &asked("answers = \"b\"", third),
        r#"
19:11 <"b"> message "b" is an answer itself
    => name the question
26:11 <"a"> message "a" is an answer itself
    => name the question"#,
    );
    check(
        &asked("answers = \"q\"", third),
        r#"
26:11 <"a"> message "a" is an answer itself
    => name the question"#,
    );
    let many = format!("answers = [{}]", vec!["\"q\""; 65].join(", "));
    check(
        &asked(&many, ""),
        r#"
19:11 <["q", "q", "q", "q", "q", "q", "q", "q", "q", "q", "q", "q", "q", "q", "q", "q",> an answer has 1 to 64 questions
    => name the message that asks for this one"#,
    );
}

#[test]
fn asks() {
    check(
        &asked("answers = \"q\"", "[[ask]]\n"),
        r#"
21:1 <[[ask]]> a question needs the key "message"
    => message: the message to send
21:1 <[[ask]]> a question needs the key "every"
    => every: how often it is asked"#,
    );
    check_all(
        &[
            "message = \"qq\"\nevery = \"1 s\"",
            "message = \"a\"\nevery = \"1 s\"",
            "message = \"q\"\nevery = \"1 ms\"",
            "message = \"q\"\nevery = \"1 s\"\nwait = \"3 s\"",
            "message = \"q\"\nevery = \"1 s\"\nvalues = { count = 2 }",
            "message = \"q\"\nevery = \"1 s\"\nvalues = { counts = 2 }",
            "message = \"q\"\nevery = \"1 s\"\nvalues = { count = 256 }",
            "message = \"q\"\nevery = \"1 s\"\nvalues = { count = \"2\" }",
            "message = \"q\"\nevery = \"1 s\"\nvalues = { register = 8 }",
            "message = \"q\"\nevery = \"1 s\"\nvalues = { register = 7 }",
            "message = \"q\"\nevery = \"1 s\"\nvalue = { count = 2 }",
        ],
        |keys| asked("answers = \"q\"", &format!("[[ask]]\n{keys}\n")),
        r#"
message = "qq" | every = "1 s"
  22:11 <"qq"> no message is called "qq"
      => did you mean "q"?
message = "a" | every = "1 s"
  22:11 <"a"> message "a" is an answer
      => name the question
message = "q" | every = "1 ms"
  23:9 <"1 ms"> a question is asked at most every 10 ms
      => a line that is asked so often has no room for the answers
message = "q" | every = "1 s" | wait = "3 s"
  24:8 <"3 s"> an answer may take at most 2 s
      => later than that an answer is not known to be one
message = "q" | every = "1 s" | values = { count = 2 }
message = "q" | every = "1 s" | values = { counts = 2 }
  24:12 <counts> message "q" has no part called "counts"
      => did you mean "count"?
message = "q" | every = "1 s" | values = { count = 256 }
  24:20 <256> expected a whole number that fits
      => allowed is 0 to 255
message = "q" | every = "1 s" | values = { count = "2" }
  24:20 <"2"> expected a whole number that fits
      => allowed is 0 to 255
message = "q" | every = "1 s" | values = { register = 8 }
  24:23 <8> part "register" has a fixed value, and this is another
      => drop the value here
message = "q" | every = "1 s" | values = { register = 7 }
message = "q" | every = "1 s" | value = { count = 2 }
  24:1 <value> unknown key "value"
      => did you mean "values"?"#,
    );
    let list =
        asked("answers = \"q\"", "[[ask]]\nmessage = \"q\"\nevery = \"1 s\"\nvalues = { count = 2, total = 3 }\n");
    let list = list.replace(
        "{ name = \"count\", type = \"u8\" }",
        "{ name = \"one\", type = \"u8\" }, { name = \"count\", type = \"u8\", times = 2 }, { name = \"total\", sum_of = [\"one\"] }",
    );
    check(
        &list,
        r#"
24:12 <count> part "count" is no single number that could be sent
    => give values to parts that stand there once
24:23 <total> part "total" is no single number that could be sent
    => give values to parts that stand there once"#,
    );
    let many = "[[ask]]\nmessage = \"q\"\nevery = \"1 s\"\n".repeat(65);
    check(
        &asked("answers = \"q\"", &many),
        r#"
21:1 <[[ask]]> there are 65 [[ask]], at most 64 are allowed
    => describe only what is of use"#,
    );
}

#[test]
fn messages_that_look_alike() {
    let two = |first: (&str, &str), second: (&str, &str)| {
        let one = |name: &str, (keys, part): (&str, &str)| {
            let parts = format!("{part}, {VOLTS}").replace("\"v\"", "\"w\"");
            format!("[[message]]\nname = \"{name}\"\nframes = [\"f\"]\nevery = \"1 s\"\n{keys}\nparts = [{parts}]\n")
        };
        format!("{FRAME}{}{}", one("a", first), one("b", second))
    };
    let same = "id = { kind = 1 }";
    let fixed = |value: u8| format!("{{ name = \"p\", type = \"u8\", equals = {value} }}");
    let free = "{ name = \"p\", type = \"u8\" }";
    let wide = "{ name = \"p\", type = \"u16 le\" }";
    check(
        &two((same, free), (same, free)),
        r#"
16:8 <"b"> messages "a" and "b" can't be told apart in frame "f"
    => give them different values of an id part"#,
    );
    check(&two((same, free), ("id = { kind = 2 }", free)), "");
    check(&two((same, free), (same, wide)), "");
    check(&two((same, &fixed(1)), (same, &fixed(2))), "");
    check(
        &two((same, &fixed(1)), (same, &fixed(1))),
        r#"
16:8 <"b"> messages "a" and "b" can't be told apart in frame "f"
    => give them different fixed values or questions"#,
    );
    check(&two((same, &fixed(1)), (same, free)), "");
    check(
        &two((same, free), (same, &fixed(1))),
        r#"
16:8 <"b"> message "b" is never reached: "a" takes its frames
    => list the message with the fixed value or the question first"#,
    );
    check(&two((same, free), (&format!("{same}\nextra = \"01\""), free)), "");
    // Fixed bits of a word.
    let bits = |value: u8| {
        format!("{{ name = \"p\", type = \"u8\" }}, {{ name = \"q\", of = \"p\", bits = [4, 7], equals = {value} }}")
    };
    check(&two((same, &bits(1)), (same, &bits(2))), "");
    check(
        &two((same, &bits(1)), (same, &bits(1))),
        r#"
16:8 <"b"> messages "a" and "b" can't be told apart in frame "f"
    => give them different fixed values or questions"#,
    );
    // One takes what the other would, if it stands first.
    check(
        &two(
            (&format!("{same}\nlonger = true"), free),
            (same, &format!("{}, {wide}", fixed(1)).replace("\"p\", type = \"u16", "\"q\", type = \"u16")),
        ),
        r#"
17:8 <"b"> message "b" is never reached: "a" takes its frames
    => list the message with the fixed value or the question first"#,
    );
}

#[test]
fn lines_of_text() {
    let volts = r#"{ name = "v", type = "number", column = 1, unit = "V", channel = "pack voltage" }"#;
    check(
        &text("cut_zeros = true\nlonger = true\nextra = \"01\"", volts),
        r#"
10:13 <true> "cut_zeros" is for frames of bytes
    => drop the key
11:10 <true> "longer" is for frames of bytes
    => drop the key
12:9 <"01"> "extra" is for frames of bytes
    => drop the key"#,
    );
    let cell = |keys: &str| {
        let count =
            r#"{ name = "n", type = "number", column = 1, unit = "V" }, { name = "m", type = "number", column = 2 }"#;
        text(
            "",
            &format!(
                "{count},\n{{ name = \"c\", type = \"number\", unit = \"V\", channel = \"cell voltage\", {keys} }}"
            ),
        )
    };
    check_all(
        &[
            r#"column = 3, times = "n", places = 2"#,
            r#"column = 3, times = "m", places = 2"#,
            r#"column = 3, of = "m", bits = [0, 1]"#,
            r#"column = 3, sum_of = ["m"]"#,
            r#"column = 3, bits = [0, 1]"#,
            r#"label = "C", from = "m", places = 2"#,
            r#"label = "C", times = "rest", places = 2"#,
            r#"label = "C#", times = "rest", places = 2"#,
            r#"column = 3, from = "m", places = 2"#,
            r#"column = 3, equals = 3"#,
            r#"column = 3, times = "rest""#,
        ],
        cell,
        r#"
column = 3, times = "n", places = 2
  12:90 <"n"> part "n" is no single whole number
      => give that part decimals = 0
column = 3, times = "m", places = 2
column = 3, of = "m", bits = [0, 1]
  12:87 <"m"> "of" is for frames of bytes
      => drop the key
column = 3, sum_of = ["m"]
  12:91 <["m"]> "sum_of" is for frames of bytes
      => drop the key
column = 3, bits = [0, 1]
  12:89 <[0, 1]> only a whole number has bits
      => write for example type = "u16 le"
label = "C", from = "m", places = 2
  12:90 <"m"> labels say their places themselves
      => write the number of the first place
label = "C", times = "rest", places = 2
  12:78 <"C"> repeats need labels that differ
      => write # where the number stands
label = "C#", times = "rest", places = 2
column = 3, from = "m", places = 2
column = 3, equals = 3
  12:91 <3> a fixed value has no decimals
      => write decimals = 0
column = 3, times = "rest"
  12:1 <{ name = "c", type = "number", unit = "V", channel = "cell voltage", column = 3,> how many places can this part fill
      => write for example places = 24"#,
    );
}

#[test]
fn examples() {
    let with = |keys: &str| parts(VOLTS) + "[[example]]\n" + keys + "\n";
    check(&with("bytes = \"AA 01 01 05 05\"\nafter = \"AA 01 01 06 06\"\nmessage = \"m\"\nvalues = { v = 5 }"), "");
    check(
        &with("bytes = \"AA 01 01 05 05\"\nafter = \"AA 01 01 06 07\"\nmessage = \"m\""),
        r#"
19:9 <"AA 01 01 06 07"> what comes before the example is no frame: bytes 0..5: checksum computed 6, received 7"#,
    );
    check(
        &with("bytes = \"AA 01 01 05 05\"\nafter = \"AA 01 01\"\nmessage = \"m\""),
        r#"
19:9 <"AA 01 01"> what comes before the example is no frame: the last of them is not complete"#,
    );
    check(
        &with("bytes = \"AA 01 01 05 05\"\nafter = \"A\"\nmessage = \"m\""),
        r#"
19:9 <"A"> "A" has an odd number of hexadecimal digits
    => write for example "AA 55""#,
    );
    check(
        &with("bytes = \"AA 01 01 05 05\"\nmessage = \"m\"\nvalues = { v = \"left out\" }"),
        r#"
20:16 <"left out"> pack voltage is carried by this frame"#,
    );
    let rest = r#"{ name = "c", type = "u8", times = "rest", places = 3, unit = "V", channel = "cell voltage" }"#;
    let open = |values: &str| {
        parts(rest) + "[[example]]\nbytes = \"AA 01 02 05 06 00\"\nmessage = \"m\"\nvalues = { c = " + values + " }\n"
    };
    check(&open("[5, 6]"), "");
    check(&open("[5, 6, \"left out\"]"), "");
    check(
        &open("[5]"),
        r#"
20:16 <[5]> cell 2 is carried by this frame"#,
    );
    check(
        &open("[5, 6, \"absent\"]"),
        r#"
20:23 <"absent"> cell 3 is not carried by this frame"#,
    );
    check(
        &open("[5, 6, 7]"),
        r#"
20:23 <7> cell 3 is not carried by this frame"#,
    );
    check(
        &open("[5, 6, 7, 8]"),
        r#"
20:16 <[5, 6, 7, 8]> part "c" has 3 values, here are 4
    => write one for each repeat; "absent" counts"#,
    );
}
