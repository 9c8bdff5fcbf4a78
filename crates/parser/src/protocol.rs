//! The checked protocol: private, complete, never checked again.

use std::time::Duration;

use model::{Layout, LineSettings, Unit};

use crate::checksum::Checksum;
use crate::unwrap::Wrapping;

/// A protocol file that has been checked. Made only by [`Protocol::parse`](crate::Protocol::parse).
#[derive(Clone, Debug)]
pub struct Protocol {
    pub(crate) name: String,
    pub(crate) summary: String,
    pub(crate) draft: bool,
    pub(crate) line: Option<LineSettings>,
    pub(crate) settle: Duration,
    pub(crate) wrapping: Option<Wrapping>,
    pub(crate) idle: Option<Duration>,
    pub(crate) frames: Vec<Frame>,
    pub(crate) messages: Vec<Message>,
    pub(crate) layout: Layout,
    pub(crate) asks: Vec<Ask>,
    pub(crate) examples: Vec<Example>,
}

impl Protocol {
    /// The protocol's name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// What it is, in one line; may be empty.
    pub fn summary(&self) -> &str {
        &self.summary
    }

    /// Whether it calls itself a draft: nobody has held its values against a display or a meter.
    pub fn is_draft(&self) -> bool {
        self.draft
    }

    /// How the serial line is set; `None` where the file does not say.
    pub fn line(&self) -> Option<LineSettings> {
        self.line
    }

    /// How long after opening damaged bytes are no fault.
    pub fn settle(&self) -> Duration {
        self.settle
    }

    /// What the line carries: one entry a message kind.
    pub fn layout(&self) -> &Layout {
        &self.layout
    }

    /// What is asked of the device, where the person allows that anything is sent. In file order.
    pub fn asks(&self) -> impl Iterator<Item = AskTimes> {
        self.asks.iter().map(|ask| ask.times)
    }

    /// Whether a message kind answers another: what it holds then hangs on the question before it.
    pub fn is_answer(&self, kind: usize) -> bool {
        self.messages.get(kind).is_some_and(|message| !message.answers.is_empty())
    }

    /// The bytes of the longest frame.
    pub fn longest_frame(&self) -> usize {
        self.frames.iter().map(|frame| frame.longest).max().unwrap_or(0)
    }

    /// The bytes of the shortest question; at least 6, so that a disturbed byte or two is no question.
    pub(crate) fn shortest_question(&self) -> usize {
        let length = |message: &Message| {
            let around = message.frames.iter().filter_map(|frame| match &self.frames.get(*frame)?.shape {
                Shape::Binary(shape) => Some(shape.header + shape.trailer),
                Shape::Text(shape) => Some(shape.start.len()),
            });
            around.min().unwrap_or(0) + message.least
        };
        self.messages.iter().filter(|message| message.is_question).map(length).min().unwrap_or(0).max(6)
    }

    /// The number of examples in the file.
    pub fn example_count(&self) -> usize {
        self.examples.len()
    }
}

/// One way in which frames lie in the bytes.
#[derive(Clone, Debug)]
pub(crate) struct Frame {
    pub(crate) name: String,
    pub(crate) longest: usize,
    pub(crate) shape: Shape,
    /// Indices of the messages that it carries, in file order.
    pub(crate) messages: Vec<usize>,
    /// Whether the file lists a checksum, even one that can't be read. Only for what is said of the file.
    pub(crate) lists_check: bool,
    /// Whether the line wraps packets.
    pub(crate) packets: bool,
}

#[derive(Clone, Debug)]
pub(crate) enum Shape {
    Binary(BinaryFrame),
    Text(TextFrame),
}

/// Start bytes, a header, a body whose length the message or a size field gives, a trailer.
#[derive(Clone, Debug)]
pub(crate) struct BinaryFrame {
    pub(crate) start: Vec<u8>,
    /// Bytes from the frame's first byte to the body.
    pub(crate) header: usize,
    /// Bytes behind the body.
    pub(crate) trailer: usize,
    pub(crate) ids: Vec<BinaryPart>,
    pub(crate) size: Option<SizePart>,
    /// The bytes that each frame ends with; counted in `trailer`.
    pub(crate) end: Vec<u8>,
    pub(crate) constants: Vec<(BinaryPart, i128)>,
    pub(crate) check: Option<BinaryCheck>,
    /// Parts that decide nothing. Only for who looks at the bytes.
    pub(crate) others: Vec<BinaryPart>,
}

/// A place in a frame whose body length is not known yet.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Place {
    /// Bytes from the frame's first byte.
    Start(usize),
    /// Bytes from the body's end.
    BodyEnd(usize),
}

impl Place {
    pub(crate) fn resolve(self, header: usize, body: usize) -> usize {
        match self {
            Self::Start(bytes) => bytes,
            Self::BodyEnd(bytes) => header + body + bytes,
        }
    }
}

#[derive(Clone, Debug)]
pub(crate) struct BinaryPart {
    pub(crate) name: String,
    pub(crate) place: Place,
    pub(crate) number: Number,
}

/// `value of the part = body length + plus`
#[derive(Clone, Debug)]
pub(crate) struct SizePart {
    pub(crate) part: BinaryPart,
    pub(crate) plus: usize,
}

#[derive(Clone, Debug)]
pub(crate) struct BinaryCheck {
    pub(crate) part: BinaryPart,
    pub(crate) checksum: Checksum,
    pub(crate) first: Place,
    /// One past the last byte.
    pub(crate) end: Place,
}

/// A line of text that ends with LF; a CR in front of it is passed over.
#[derive(Clone, Debug)]
pub(crate) struct TextFrame {
    pub(crate) start: Vec<u8>,
    pub(crate) separator: Vec<u8>,
    pub(crate) label_mark: Vec<u8>,
    /// The text in front of the checksum, the checksum, and what it covers.
    pub(crate) check: Option<TextCheck>,
    pub(crate) ids: Vec<TextPart>,
}

#[derive(Clone, Debug)]
pub(crate) struct TextPart {
    pub(crate) name: String,
    /// From 0.
    pub(crate) column: usize,
}

#[derive(Clone, Debug)]
pub(crate) struct TextCheck {
    pub(crate) name: String,
    pub(crate) checksum: Checksum,
    pub(crate) mark: Vec<u8>,
    pub(crate) covers_start: bool,
    pub(crate) covers_mark: bool,
}

/// How a number is encoded.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Number {
    /// Whole bytes.
    Int { bytes: u8, signed: bool, big: bool },
    /// IEEE 754, 2, 4 or 8 bytes.
    Float { bytes: u8, big: bool },
    /// Decimal digits, two in a byte.
    Bcd { bytes: u8, big: bool },
    /// Decimal digits as characters, with a sign in front where negative.
    Characters { bytes: u8 },
    /// Hexadecimal digits as characters.
    HexCharacters { bytes: u8 },
    /// A decimal number in text, as a whole number of `10^-decimals`.
    Digits { decimals: u8 },
    /// A whole number in hexadecimal text.
    HexDigits,
    /// A word (ids of text lines only).
    Word,
}

impl Number {
    pub(crate) fn width(self) -> usize {
        match self {
            Self::Int { bytes, .. }
            | Self::Float { bytes, .. }
            | Self::Bcd { bytes, .. }
            | Self::Characters { bytes }
            | Self::HexCharacters { bytes } => bytes.into(),
            Self::Digits { .. } | Self::HexDigits | Self::Word => 0,
        }
    }

    pub(crate) fn is_text(self) -> bool {
        matches!(self, Self::Digits { .. } | Self::HexDigits | Self::Word)
    }

    /// The smallest and largest whole number that it can hold.
    pub(crate) fn range(self) -> (i128, i128) {
        match self {
            Self::Int { bytes, signed: false, .. } => (0, (1 << (8 * u32::from(bytes))) - 1),
            Self::Int { bytes, signed: true, .. } => {
                let half = 1 << (8 * u32::from(bytes) - 1);
                (-half, half - 1)
            }
            Self::HexDigits => (0, u64::MAX.into()),
            Self::Bcd { bytes, .. } => (0, 10_i128.pow(2 * u32::from(bytes)) - 1),
            Self::Characters { bytes } => {
                (-(10_i128.pow(u32::from(bytes).saturating_sub(1)) - 1), 10_i128.pow(bytes.into()) - 1)
            }
            Self::HexCharacters { bytes } => (0, (1 << (4 * u32::from(bytes))) - 1),
            Self::Float { .. } | Self::Digits { .. } | Self::Word => (i64::MIN.into(), i64::MAX.into()),
        }
    }
}

/// The value of an id part.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) enum IdValue {
    Number(i128),
    Word(String),
}

/// One message kind.
#[derive(Clone, Debug)]
pub(crate) struct Message {
    pub(crate) name: String,
    pub(crate) frames: Vec<usize>,
    /// By the name of the frame's id part.
    pub(crate) ids: Vec<(String, IdValue)>,
    /// The fewest and most bytes of the body; 0 for text.
    pub(crate) least: usize,
    pub(crate) most: usize,
    /// Whether the length is the same each time, or follows from what the body itself says.
    pub(crate) measurable: bool,
    /// Zero bytes at the end are left out by the sender.
    pub(crate) cut_zeros: bool,
    /// Bytes behind the last part are passed over.
    pub(crate) longer: bool,
    /// What goes through the checksum behind the covered bytes.
    pub(crate) extra: Vec<u8>,
    /// The messages that ask for this one; none where it comes unasked.
    pub(crate) answers: Vec<usize>,
    /// Whether another message answers it.
    pub(crate) is_question: bool,
    pub(crate) fields: Vec<Field>,
    pub(crate) column_count: usize,
}

/// One part of a message.
#[derive(Clone, Debug)]
pub(crate) struct Field {
    pub(crate) name: String,
    pub(crate) source: FieldSource,
    pub(crate) number: Number,
    pub(crate) times: Times,
    /// How many columns it can fill, where it has a channel.
    pub(crate) places: usize,
    /// Which of them the first repeat fills, where that is in the frame.
    pub(crate) from: Option<FromPart>,
    /// Whether another part counts on its value.
    pub(crate) counted: bool,
    /// The body may end in front of it.
    pub(crate) optional: bool,
    /// The lowest bit and the number of bits, where it is a part of a word.
    pub(crate) bits: Option<(u8, u8)>,
    pub(crate) absent: Vec<i128>,
    pub(crate) absent_texts: Vec<String>,
    pub(crate) equals: Option<i128>,
    pub(crate) suffix: Vec<u8>,
    /// The column of its first repeat; `None` where the part is passed over.
    pub(crate) first_column: Option<usize>,
    /// The unit of its scaled value.
    pub(crate) unit: Unit,
}

#[derive(Clone, Debug)]
pub(crate) enum FieldSource {
    /// Bytes of the body, behind the part before.
    Body,
    /// The word of an earlier part.
    Of(usize),
    /// The sum of earlier parts.
    SumOf(Vec<usize>),
    /// The first column of a text line, from 0.
    Column(usize),
    /// Labels of a text line, one a repeat.
    Labels(Vec<Vec<u8>>),
}

/// How often a part stands there.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Times {
    Fixed(usize),
    /// As an earlier part says.
    Part(usize),
    /// To the end of the body.
    Rest,
}

/// `first column = (value of the part) × step + plus - first place`
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct FromPart {
    pub(crate) part: usize,
    pub(crate) step: i64,
    pub(crate) plus: i64,
    /// The place of the first column.
    pub(crate) first_place: i64,
}

/// A question for the device.
#[derive(Clone, Debug)]
pub(crate) struct Ask {
    pub(crate) message: usize,
    /// By field: the number as sent.
    pub(crate) values: Vec<(usize, i128)>,
    pub(crate) times: AskTimes,
}

/// How often a question is asked, and how long its answer may take.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct AskTimes {
    /// From question to question.
    pub every: Duration,
    /// How long the answer may take.
    pub wait: Duration,
}

impl Field {
    /// The smallest and largest whole number that it can hold.
    pub(crate) fn range(&self) -> (i128, i128) {
        let signed = matches!(self.number, Number::Int { signed: true, .. });
        match self.bits {
            Some((_, count)) if signed => (-(1_i128 << (count.max(1) - 1)), (1_i128 << (count.max(1) - 1)) - 1),
            Some((_, count)) => (0, (1_i128 << count) - 1),
            None => self.number.range(),
        }
    }

    /// The bits that hold every number as sent.
    pub(crate) fn storage_bits(&self) -> u8 {
        let (low, high) = self.range();
        let magnitude = high.max(-(low + 1)).max(0);
        let bits = 128 - magnitude.leading_zeros() + u32::from(low < 0);
        u8::try_from(bits.clamp(1, 64)).unwrap_or(64)
    }

    /// The bits that a number as sent has.
    pub(crate) fn width_bits(&self) -> u8 {
        match self.bits {
            Some((_, count)) => count,
            None => u8::try_from(self.number.width() * 8).unwrap_or(64).min(64),
        }
    }
}

/// Bytes and what must become of them.
#[derive(Clone, Debug)]
pub(crate) struct Example {
    pub(crate) span: std::ops::Range<usize>,
    /// What comes in front of it, and where that stands in the file.
    pub(crate) after: Option<(std::ops::Range<usize>, Vec<u8>)>,
    pub(crate) bytes: Vec<u8>,
    pub(crate) expected: Expected,
}

#[derive(Clone, Debug)]
pub(crate) enum Expected {
    Values { message: usize, values: Vec<ExpectedValue> },
    Rejected(RejectedBecause),
}

/// One value of an example.
#[derive(Clone, Debug)]
pub(crate) struct ExpectedValue {
    pub(crate) span: std::ops::Range<usize>,
    pub(crate) field: usize,
    pub(crate) repeat: usize,
    pub(crate) value: ExpectedNumber,
}

#[derive(Clone, PartialEq, Debug)]
pub(crate) enum ExpectedNumber {
    /// Billionths of the base unit.
    Nanos(i64),
    /// The number as sent.
    Raw(i128),
    /// No value.
    Absent,
    /// The frame does not reach it.
    LeftOut,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum RejectedBecause {
    Check,
    Size,
    Message,
    Constant,
    Text,
    Count,
    Stuffing,
    Unpaired,
    Unverified,
    Skipped,
}
