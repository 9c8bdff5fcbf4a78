//! Turns bytes into rows by a protocol that a text file describes.
//!
//! [`Protocol::parse`] reads and checks the text, with every fault in one run; a [`Decoder`] then takes bytes and
//! cannot fail; an [`Encoder`] makes the bytes of a frame from values; [`check_examples`] runs the examples of the
//! file.
//!
//! Invariants: no I/O, no clock, no logging; the same bytes with the same times give the same output however they are
//! split. It knows nothing of limits or packs.
//!
//! ```
//! use std::sync::Arc;
//! use model::SessionTime;
//! use parser::{Decoder, Protocol};
//!
//! let (protocol, faults) = Protocol::parse(r#"
//!     protocol = "two cells"
//!     [[frame]]
//!     name = "plain"
//!     start = "AA 55"
//!     parts = [
//!       { name = "body", role = "body" },
//!       { name = "check", type = "u8", role = "check", sum = "xor" },
//!     ]
//!     [[message]]
//!     name = "cells"
//!     frames = ["plain"]
//!     every = "100 ms"
//!     parts = [{ name = "cell", type = "u16 be", times = 2, unit = "mV", channel = "cell voltage" }]
//! "#);
//! assert_eq!(faults, []);
//! let protocol = Arc::new(protocol.unwrap());
//! let mut decoder = Decoder::new(Arc::clone(&protocol));
//! decoder.push(SessionTime::ZERO, &[0xAA, 0x55, 0x10, 0x68, 0x0F, 0xA0, 0xD7]);
//! let batch = decoder.take().unwrap();
//! let scale = &protocol.layout().kinds[0].columns[0].scale;
//! assert_eq!(batch.kinds[0].columns[0].nanos(0, scale), Some(4_200_000_000));
//! ```

mod ahead;
mod binary;
mod block;
mod body;
mod catalogue;
mod checksum;
mod crc_engine;
mod decoder;
pub mod dissect;
mod encode;
mod examples;
mod gather;
mod line_plan;
mod look;
mod numbers;
mod plan;
mod protocol;
mod read;
mod read_checksums;
mod read_curves;
mod read_examples;
mod read_frames;
mod read_meanings;
mod read_messages;
mod read_parts;
mod read_questions;
mod side_by_side;
pub mod spec;
mod summary;
mod text_lines;
mod unwrap;

pub use checksum::{Checksum, CrcParameters, SimpleChecksum};
pub use decoder::{Decoder, Way};
pub use encode::Encoder;
pub use examples::check_examples;
pub use protocol::{AskTimes, Protocol};
pub use summary::PartSummary;
pub use unwrap::Wrapping;
