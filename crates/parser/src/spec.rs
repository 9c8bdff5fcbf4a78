//! The tables and keys of a protocol file. The reader, the "did you mean" and the reference all stand on these lists.

use model::Dimension;
use textfile::{Key, Kind, TableSpec};

/// The whole file.
pub static PROTOCOL: TableSpec = TableSpec {
    doc: "a protocol file",
    keys: &[
        Key::required("protocol", Kind::Text, "the protocol's name"),
        Key::optional("summary", Kind::Text, "what it is, in one line"),
        Key::optional(
            "draft",
            Kind::Flag,
            "true while nobody has held its values against a display or a meter: never go",
        ),
        Key::optional("line", Kind::Table(&LINE), "how the serial line is set"),
        Key::required("frame", Kind::Tables(&FRAME), "how frames are found in the bytes"),
        Key::required("message", Kind::Tables(&MESSAGE), "what the frames say"),
        Key::optional("ask", Kind::Tables(&ASK), "questions to send, where the person allows that anything is sent"),
        Key::optional("example", Kind::Tables(&EXAMPLE), "bytes and the values that they must decode to"),
    ],
};

/// `[line]`
pub static LINE: TableSpec = TableSpec {
    doc: "[line]",
    keys: &[
        Key::optional("baud", Kind::Integer, "bits a second"),
        Key::optional("data_bits", Kind::Integer, "7 or 8; 8 if left out"),
        Key::optional("parity", Kind::Choice(&["none", "odd", "even"]), "none if left out"),
        Key::optional("stop_bits", Kind::Integer, "1 or 2; 1 if left out"),
        Key::optional("flow", Kind::Choice(&["none", "hardware", "software"]), "none if left out"),
        Key::optional("dtr", Kind::Choice(&["leave", "low", "high"]), "what to do with DTR on opening"),
        Key::optional("rts", Kind::Choice(&["leave", "low", "high"]), "what to do with RTS on opening"),
        Key::optional("settle", Kind::Amount(Dimension::Time), "how long after opening damaged bytes are no fault"),
        Key::optional(
            "stuffing",
            Kind::Choice(&["slip", "hdlc", "cobs", "hex"]),
            "how packets are wrapped on the line; hex is hexadecimal text to the end of a line",
        ),
        Key::optional("hex_start", Kind::Text, "the character in front of each line of hexadecimal; \":\" if left out"),
        Key::optional(
            "idle",
            Kind::Amount(Dimension::Time),
            "a silence of this length hints at the end of a frame: what waits behind a false start is looked at",
        ),
    ],
};

/// `[[frame]]`
pub static FRAME: TableSpec = TableSpec {
    doc: "a frame",
    keys: &[
        Key::required("name", Kind::Text, "what messages call it"),
        Key::optional("start", Kind::Hex, "the bytes that each frame starts with"),
        Key::optional("end", Kind::Hex, "the bytes that each frame ends with, behind its last part"),
        Key::optional("text", Kind::Table(&TEXT), "the frame is a line of text"),
        Key::optional("longest", Kind::Integer, "bytes of the longest frame; 1024 if left out"),
        Key::required("parts", Kind::Tables(&FRAME_PART), "its parts in the order of the bytes"),
    ],
};

/// `text = { ... }` of a frame
pub static TEXT: TableSpec = TableSpec {
    doc: "text of a frame",
    keys: &[
        Key::optional("start", Kind::Text, "what each line starts with"),
        Key::required("separator", Kind::Text, "what stands between two columns"),
        Key::optional("label_mark", Kind::Text, "what stands between a label and its value"),
    ],
};

/// One entry of a frame's `parts`
pub static FRAME_PART: TableSpec = TableSpec {
    doc: "a part of a frame",
    keys: &[
        Key::required("name", Kind::Text, "what other keys call it"),
        Key::optional("type", Kind::Text, "how it is encoded, such as \"u16 le\""),
        Key::optional(
            "role",
            Kind::Choice(&["id", "size", "body", "check", "other"]),
            "what it is for; other if left out",
        ),
        Key::optional("counts", Kind::Texts, "which parts the size counts"),
        Key::optional("equals", Kind::Integer, "the value that it must have"),
        Key::optional("crc", Kind::Any, "a CRC by its catalogue name, or a table of its parameters"),
        Key::optional("sum", Kind::Text, "a checksum that is no CRC"),
        Key::optional("first", Kind::Text, "the first part that the checksum covers; \"start\" for the start bytes"),
        Key::optional("last", Kind::Text, "the last part that the checksum covers"),
        Key::optional("column", Kind::Integer, "the column of a text line, from 1"),
        Key::optional("mark", Kind::Text, "the text in front of the checksum of a text line"),
    ],
};

/// `crc = { ... }`
pub static CRC: TableSpec = TableSpec {
    doc: "a CRC",
    keys: &[
        Key::required("width", Kind::Integer, "bits, 3 to 64"),
        Key::required("poly", Kind::Any, "the polynomial, without its highest bit"),
        Key::optional("init", Kind::Any, "the register before the first byte; 0 if left out"),
        Key::optional("refin", Kind::Flag, "whether bytes go in lowest bit first; false if left out"),
        Key::optional("refout", Kind::Flag, "whether the register comes out mirrored; as refin if left out"),
        Key::optional("xorout", Kind::Any, "what the result is combined with; 0 if left out"),
    ],
};

/// `[[message]]`
pub static MESSAGE: TableSpec = TableSpec {
    doc: "a message",
    keys: &[
        Key::required("name", Kind::Text, "what examples call it"),
        Key::required("frames", Kind::Texts, "the frames that carry it"),
        Key::optional("id", Kind::Table(&FREE), "the values of the frame's id parts"),
        Key::optional("every", Kind::Amount(Dimension::Time), "how often it is expected"),
        Key::optional("extra", Kind::Hex, "bytes that go through the checksum behind the covered parts"),
        Key::optional(
            "answers",
            Kind::Any,
            "the message that asks for this one, or a list of them; where none came before, it is passed over",
        ),
        Key::optional("cut_zeros", Kind::Flag, "the sender leaves out zero bytes at the end of the body"),
        Key::optional("longer", Kind::Flag, "bytes behind the last part are passed over"),
        Key::required("parts", Kind::Tables(&MESSAGE_PART), "the parts of its body in the order of the bytes"),
    ],
};

/// One entry of a message's `parts`
pub static MESSAGE_PART: TableSpec = TableSpec {
    doc: "a part of a message",
    keys: &[
        Key::required("name", Kind::Text, "what examples call it"),
        Key::optional(
            "type",
            Kind::Text,
            "how it is encoded, such as \"u16 be\"; needed unless it is of a word or a sum",
        ),
        Key::optional(
            "times",
            Kind::Any,
            "how often it stands there in a row: a number, the name of an earlier part, or \"rest\"; 1 if left out",
        ),
        Key::optional("places", Kind::Integer, "how many places it can fill, where times or from is not a number"),
        Key::optional("of", Kind::Text, "the earlier part whose bits it is; it takes no bytes of its own"),
        Key::optional("bits", Kind::Integers, "one bit, or the lowest and the highest, counted from 0"),
        Key::optional("sum_of", Kind::Texts, "earlier parts whose sum it is; it takes no bytes of its own"),
        Key::optional("optional", Kind::Flag, "the body may end in front of it"),
        Key::optional("channel", Kind::Text, "what it measures; without it the part is passed over"),
        Key::optional("from", Kind::Any, "the place of the first repeat, or the part that says it; 1 if left out"),
        Key::optional("from_step", Kind::Integer, "what that part is multiplied with; 1 if left out"),
        Key::optional("from_plus", Kind::Integer, "what is then added; 0 if left out"),
        Key::optional("unit", Kind::Text, "the unit of the scaled number"),
        Key::optional("scale", Kind::Decimal, "what the number is multiplied with; 1 if left out"),
        Key::optional("offset", Kind::Decimal, "what is then added, in the same unit; 0 if left out"),
        Key::optional("curve", Kind::Table(&CURVE), "a thermistor or a table, instead of scale and offset"),
        Key::optional(
            "scan",
            Kind::Amount(Dimension::Time),
            "over how long the BMS reads its places one after another",
        ),
        Key::optional("absent", Kind::Any, "the number or text, or a list of them, that means no value"),
        Key::optional("equals", Kind::Integer, "the value that it must have"),
        Key::optional(
            "positive",
            Kind::Choice(&["discharge", "charge"]),
            "which way a positive current flows; needed for a current",
        ),
        Key::optional("flags", Kind::Tables(&FLAG), "what the bits mean"),
        Key::optional("states", Kind::Tables(&STATE), "what the values mean"),
        Key::optional("otherwise", Kind::Choice(MEANS), "what a value not in states means; warning if left out"),
        Key::optional("column", Kind::Integer, "the column of a text line, from 1"),
        Key::optional("label", Kind::Text, "the label in front of the value of a text line; # stands for the place"),
        Key::optional("suffix", Kind::Text, "what stands behind the number in a text line"),
        Key::optional(
            "decimals",
            Kind::Integer,
            "decimals of a text number, 0 to 9; if left out 3 with a unit, 0 without",
        ),
        Key::optional("wraps_bits", Kind::Integer, "for a counter in text: it starts again after so many bits"),
    ],
};

/// `curve = { ... }`
pub static CURVE: TableSpec = TableSpec {
    doc: "a curve",
    keys: &[
        Key::optional("beta", Kind::Decimal, "a thermistor: B in kelvin"),
        Key::optional("r0", Kind::Amount(Dimension::Resistance), "with beta: its resistance at t0"),
        Key::optional("t0", Kind::Amount(Dimension::Temperature), "with beta: 25 degC if left out"),
        Key::optional("steinhart_hart", Kind::Any, "a thermistor: the coefficients [a, b, c] for ohms"),
        Key::optional("ohms", Kind::Decimal, "ohms for one of the number as sent; 1 if left out"),
        Key::optional("divider", Kind::Table(&DIVIDER), "the number is the voltage at a divider instead"),
        Key::optional("points", Kind::Any, "a table: [[number as sent, value], ...]; outside it there is no value"),
    ],
};

/// `divider = { ... }`
pub static DIVIDER: TableSpec = TableSpec {
    doc: "a divider",
    keys: &[
        Key::required("fixed", Kind::Amount(Dimension::Resistance), "the other resistor"),
        Key::required("full", Kind::Decimal, "the number at the full reference voltage"),
        Key::optional("sensor", Kind::Choice(&["ground", "supply"]), "where the sensor sits; ground if left out"),
    ],
};

/// `[[ask]]`
pub static ASK: TableSpec = TableSpec {
    doc: "a question",
    keys: &[
        Key::required("message", Kind::Text, "the message to send"),
        Key::optional("values", Kind::Table(&FREE), "by part: the whole number to send; others are fixed or zero"),
        Key::required("every", Kind::Amount(Dimension::Time), "how often it is asked"),
        Key::optional("wait", Kind::Amount(Dimension::Time), "how long its answer may take; 500 ms if left out"),
    ],
};

/// One entry of `flags`
pub static FLAG: TableSpec = TableSpec {
    doc: "a flag",
    keys: &[
        Key::required("bit", Kind::Integer, "counted from the least significant, from 0"),
        Key::required("text", Kind::Text, "what it says when it is set"),
        Key::optional("set", Kind::Choice(MEANS), "what it means when it is set; warning if left out"),
        Key::optional("clear", Kind::Choice(MEANS), "what it means when it is clear; normal if left out"),
        Key::optional("channel", Kind::Text, "\"sense lead test\" or \"balancing\", where the bit is that"),
    ],
};

/// One entry of `states`
pub static STATE: TableSpec = TableSpec {
    doc: "a state",
    keys: &[
        Key::required("value", Kind::Integer, "the number as sent"),
        Key::required("text", Kind::Text, "what it says"),
        Key::optional("means", Kind::Choice(MEANS), "what it means for the pack; normal if left out"),
    ],
};

/// `[[example]]`
pub static EXAMPLE: TableSpec = TableSpec {
    doc: "an example",
    keys: &[
        Key::optional("bytes", Kind::Hex, "the bytes of one frame"),
        Key::optional("text", Kind::Text, "the same for a line of text"),
        Key::optional(
            "after",
            Kind::Text,
            "what comes in front of it on the line, such as its question; also bytes or text",
        ),
        Key::optional("message", Kind::Text, "the message that it must decode to"),
        Key::optional("values", Kind::Table(&FREE), "by part: the value in the part's unit, or a list for repeats"),
        Key::optional(
            "rejected",
            Kind::Choice(&[
                "check",
                "size",
                "message",
                "constant",
                "text",
                "count",
                "stuffing",
                "unpaired",
                "unverified",
                "skipped",
            ]),
            "why it must be rejected instead",
        ),
    ],
};

/// A table whose keys are names of parts.
pub static FREE: TableSpec = TableSpec { doc: "a table of parts", keys: &[] };

/// The words for what a bit or a state means.
pub const MEANS: &[&str] = &["normal", "warning", "fault", "unknown"];
