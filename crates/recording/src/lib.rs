//! The session file: every input of a session, as it came, in a file that survives being cut off or damaged.
//!
//! It holds inputs only. What was decoded or judged is not in it: that can be computed again.
//! It does not number inputs, keep time or decide when to flush, and it never writes to a file that exists. It runs a
//! thread only where chunks are to be unpacked ahead of their reader.
//!
//! # The file
//! The container is [MCAP](https://mcap.dev/spec), so that other readers can open it. In order:
//!
//! * header record, profile `packwake-session`;
//! * attachments `protocol.toml` and `pack.toml`, and metadata `session` (source, practice, times, UTC anchor, version of
//!   the tool, host, and a CRC-32 of these);
//! * a chunk with a message on the topic `session` that holds all of the same once more, so that no single damaged place
//!   makes a recording unusable;
//! * chunks with messages on the topic `inputs`, zstd, each with a CRC-32: one a flush, or one a 256 KiB;
//! * the container's summary, if the recording was finished. A missing one is normal.
//!
//! # A message of inputs
#![doc = include_str!("payload.md")]
//!
//! # Example
//! ```
//! use model::{Input, InputKind, SessionHeader, SessionTime, Times};
//! use recording::{Recording, Writer};
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! # let folder = tempfile::tempdir()?;
//! # let path = folder.path().join("first-power-up.mcap");
//! let header = SessionHeader {
//!     protocol_text: "name = \"seed line\"".into(),
//!     pack_text: "cells_in_series = 12".into(),
//!     source: "serial port, 115200 8N1".into(),
//!     practice: false,
//!     times: Times::Measured,
//!     started_utc_nanos: None,
//!     tool_version: "0.1.0".into(),
//!     host: "field laptop".into(),
//! };
//! let mut writer = Writer::create(&path, &header)?;
//! writer.append(&Input { number: 0, at: SessionTime::ZERO, kind: InputKind::Bytes(vec![0xAA, 0x03]) })?;
//! writer.append(&Input { number: 1, at: SessionTime::from_millis(20), kind: InputKind::End })?;
//! writer.finish()?;
//!
//! let recording = Recording::open(&path)?;
//! let mut inputs = recording.inputs();
//! assert_eq!(inputs.by_ref().count(), 2);
//! assert!(inputs.complete() && inputs.damage().is_empty());
//! # Ok(())
//! # }
//! ```

mod ahead;
mod damage;
mod fields;
mod header;
mod limits;
mod payload;
mod read;
mod walk;
mod write;

pub use damage::{Damage, DamageReason};
pub use read::{Inputs, OpenError, Recording, is_recording};
pub use write::{FileSink, Sink, WriteError, Writer};
