//! What a line carries, as the rules need to know it: never how it is encoded.

use std::time::Duration;

use crate::channel::Channel;
use crate::curve::Conversion;

/// The columns of every message kind of a protocol.
#[derive(Clone, PartialEq, Debug)]
pub struct Layout {
    /// The protocol's name.
    pub protocol: String,
    /// In the order of the protocol file; a batch has its rows in the same order.
    pub kinds: Vec<KindLayout>,
}

/// One message kind.
#[derive(Clone, PartialEq, Debug)]
pub struct KindLayout {
    /// The message's name.
    pub name: String,
    /// How often it is expected; `None` if the file does not say.
    pub every: Option<Duration>,
    /// Whether each of its frames carries a checksum.
    pub verified: bool,
    /// Its columns, in the order of the batch.
    pub columns: Vec<ColumnLayout>,
}

/// One column of a message kind.
#[derive(Clone, PartialEq, Debug)]
pub struct ColumnLayout {
    /// The part's name in the protocol file.
    pub part: String,
    /// Which of the part's repeats, from 0.
    pub repeat: u16,
    /// What it measures, and where.
    pub channel: Channel,
    /// From numbers as sent to billionths of the base unit.
    pub scale: Conversion,
    /// The width of the number as sent, in bits: a counter starts again after that.
    pub bits: u8,
    /// What the values mean, where they are no plain numbers.
    pub meaning: Meaning,
    /// Over how long the BMS reads this part's places one after another, where it does.
    pub scan: Option<Duration>,
}

/// What a number means.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub enum Meaning {
    /// A measured number.
    #[default]
    Number,
    /// Each bit is a flag.
    Flags(Vec<Flag>),
    /// The number is one of a list of states; others mean `otherwise`.
    States {
        /// The known values.
        known: Vec<State>,
        /// What any other value means.
        otherwise: Means,
    },
}

/// One bit of a status word.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Flag {
    /// Counted from the least significant bit, from 0.
    pub bit: u8,
    /// What the bit says when it is set, in words.
    pub text: String,
    /// What it means when it is set.
    pub set: Means,
    /// What it means when it is clear.
    pub clear: Means,
    /// Whether the bit is a channel of its own.
    pub channel: Option<Channel>,
}

/// One value of an enumeration.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct State {
    /// The value as sent.
    pub value: i64,
    /// What it says, in words.
    pub text: String,
    /// What it means for the pack.
    pub means: Means,
}

/// What a bit or a state means for the pack.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Means {
    /// As it should be.
    Normal,
    /// Worth a look.
    Warning,
    /// A fault.
    Fault,
    /// It says nothing (a test not run, a value not known).
    Unknown,
}
