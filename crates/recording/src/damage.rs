//! What was lost of a file, and why.

use std::fmt;
use std::ops::Range;

/// A place between two readable inputs where the file is not as it was written.
///
/// Several bad places with no readable input between them are one damage.
#[derive(Clone, PartialEq, Eq, Debug)]
#[non_exhaustive]
pub struct Damage {
    /// The bytes of the file that could not be used; empty where inputs are missing though no byte is bad.
    pub bytes: Range<u64>,
    /// Why, for the first bad place.
    pub reason: DamageReason,
    /// How many inputs are missing here, by the numbers around it; `None` if neither an input after it nor the end of
    /// the session before it says so.
    pub inputs_lost: Option<u64>,
}

impl fmt::Display for Damage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}, bytes {}..{}, ", self.reason, self.bytes.start, self.bytes.end)?;
        match self.inputs_lost {
            None => write!(f, "unknown how much is lost"),
            Some(0) => write!(f, "no input lost"),
            Some(1) => write!(f, "1 input lost"),
            Some(lost) => write!(f, "{lost} inputs lost"),
        }
    }
}

/// Why a part of a file could not be used.
#[derive(Clone, PartialEq, Eq, Debug)]
#[non_exhaustive]
pub enum DamageReason {
    /// The system could not read it; what the system said.
    Unreadable(String),
    /// The file does not begin as a recording does.
    WrongStart,
    /// The file ends inside a record: normal after a power cut.
    Cut,
    /// What stands there is no record of a recording.
    NotARecord,
    /// A record claims a length that can't be.
    WrongLength,
    /// The checksum of a record does not match.
    WrongChecksum,
    /// A chunk can't be unpacked.
    NotUnpackable,
    /// The checksum matches, but the content is not as described; which part.
    WrongContent(&'static str),
    /// An input of a kind that this version does not know.
    UnknownKind(u8),
    /// A message in a layout that this version does not know.
    UnknownVersion(u8),
    /// Numbers of inputs are missing.
    NumbersMissing,
    /// A number comes again or goes back.
    NumbersGoBack,
    /// Bytes follow after the end of the recording.
    AfterEnd,
    /// So many places look like records and are none that the search was given up.
    SearchGivenUp,
}

impl fmt::Display for DamageReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unreadable(why) => write!(f, "the system can't read it ({why})"),
            Self::WrongStart => write!(f, "the file does not begin as a recording does"),
            Self::Cut => write!(f, "the file is cut off inside a record"),
            Self::NotARecord => write!(f, "no record of a recording"),
            Self::WrongLength => write!(f, "a record has a length that can't be"),
            Self::WrongChecksum => write!(f, "the checksum of a record does not match"),
            Self::NotUnpackable => write!(f, "a chunk can't be unpacked"),
            Self::WrongContent(part) => write!(f, "{part} is not as described"),
            Self::UnknownKind(kind) => write!(f, "input of unknown kind {kind}"),
            Self::UnknownVersion(version) => write!(f, "message in unknown layout {version}"),
            Self::NumbersMissing => write!(f, "inputs are missing"),
            Self::NumbersGoBack => write!(f, "the numbers of inputs go back"),
            Self::AfterEnd => write!(f, "bytes after the end of the recording"),
            Self::SearchGivenUp => write!(f, "too damaged to search for further records"),
        }
    }
}
