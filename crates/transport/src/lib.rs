//! Turns real sources into [`model::Input`]s, each stamped once, at the read, and sent over one bounded queue.
//!
//! A source is a serial port, a TCP connection, a UDP port or standard input ([`start`]); a raw byte file is read with
//! *assumed* times ([`raw_inputs`]). A lost source is looked for again, a serial device by its identity and never by a
//! guess.
//!
//! Where the rate of a line is not known, [`RateSearch`] listens to a port at one after another.
//!
//! What is sent: Opened, Bytes, Datagram, Lost, LineError, ClockStep, and End where standard input ends.
//! Stopping a source sends no End: whoever stops it knows when the session is over.
//!
//! When the queue is full the reading waits and nothing is dropped here; meanwhile the system holds what arrives, as
//! far as it has room (a serial port's and a UDP socket's buffer can overflow, a TCP connection slows the sender down).
//!
//! Invariants: nothing is written to a source but the bytes given to [`Running::send`], which whoever calls it must be
//! allowed to send and tells the session as Sent; this crate never calls it, repeats nothing and keeps nothing back to
//! send later. Quiet is never Lost; no frame is looked for; no logging.
//!
//! ```
//! use transport::{SessionClock, Source};
//!
//! # fn main() -> Result<(), transport::OpenError> {
//! let (to, mut inputs) = tokio::sync::mpsc::channel(1024);
//! let source = Source::Udp { bind: "127.0.0.1:0".to_owned() };
//! let running = transport::start(source, SessionClock::start(), to, Default::default())?;
//! let first = inputs.blocking_recv();
//! assert!(matches!(first, Some(model::Input { kind: model::InputKind::Opened { .. }, .. })));
//! assert!(running.stop().is_ok());
//! # Ok(())
//! # }
//! ```

mod backoff;
mod clock;
mod delivery;
mod network;
mod open_error;
mod ports;
mod raw_file;
mod running;
mod sending;
mod serial;
mod standard_input;

pub use clock::{CLOCK_STEP_THRESHOLD, ClockReading, SessionClock, clock_step};
pub use open_error::{Membership, OpenError, OpenErrorKind, busy_hint, not_found_hint, permission_hint};
pub use ports::{Holder, PortInfo, PortsError, UsbIdentity, ports};
pub use raw_file::{RawFile, raw_inputs};
pub use running::{Panicked, Running, SerialSource, Source, Waiting, start};
pub use sending::SendError;
pub use serial::{Heard, Match, RateSearch, Search, opening_may_reset};
