//! How large things may be, so that neither a source nor a damaged file decides how much memory is used.

/// The longest record that is read, and the most that a chunk may unpack to, in bytes.
pub(crate) const RECORD: usize = 32 << 20;

/// The longest body of one input, in bytes.
pub(crate) const INPUT: usize = 16 << 20;

/// The longest text in an input or a header value, in bytes.
pub(crate) const TEXT: usize = 64 << 10;

/// The longest protocol or pack text, in bytes.
pub(crate) const FILE_TEXT: usize = 1 << 20;

/// A chunk is ended when its messages have more bytes than this before packing.
pub(crate) const CHUNK: u64 = 256 << 10;

/// A container message is ended before it has more bytes than this (a longer input has a message of its own).
pub(crate) const MESSAGE: usize = 64 << 10;

/// A container message is ended before it spans more session time than this.
pub(crate) const MESSAGE_SPAN: std::time::Duration = std::time::Duration::from_millis(50);

/// The most damaged places that are listed; further ones are added to the last.
pub(crate) const DAMAGE: usize = 1000;
