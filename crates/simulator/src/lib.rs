//! A practice pack: cells, bus, BMS and line with their faults, encoded by any [`FrameMaker`], in virtual or real time.
//!
//! Invariants: the same scene, faults and frame maker give the same bytes at the same times; nothing but `pty` reads a
//! clock or opens anything. It is no oracle: it encodes from the description that the parser reads, so it shares its
//! mistakes.
//!
//! What is absent: regeneration, cell ageing, resistance that depends on temperature or charge, charge that
//! balancing takes, answers to requests (it only sends).
//!
//! ```
//! use simulator::{Fault, FaultKind, PowerUp, Scene, SessionTime};
//!
//! let low = Fault { place: 7, ..Fault::new(FaultKind::LowCell) };
//! let mut power_up = PowerUp::new(&Scene::practice(1), &[low]);
//! power_up.advance_to(SessionTime::from_millis(2_000));
//! assert!(power_up.pack().cell_volts(7) < power_up.pack().cell_volts(8));
//! ```

mod bms;
mod bus;
mod fault;
mod line;
mod maker;
mod noise;
mod pack;
mod power_up;
#[cfg(unix)]
mod pty;
mod readings;
mod scene;
mod severity;
#[cfg(test)]
mod signatures;
#[cfg(test)]
mod testing;

pub use bms::{Bms, BmsSettings, Counting, LeadTest, PackVoltageFrom};
pub use bus::{Bus, BusSettings, Electronics, Switch};
pub use fault::{Fault, FaultKind, UnknownFault};
pub use line::{ByteStream, FrameMaker, PIECE_BYTES, Piece, Telegram, Telegrams, byte_stream};
pub use maker::ByProtocol;
pub use model::SessionTime;
pub use pack::{Curve, Pack, PackSettings};
pub use power_up::{PowerUp, STEP};
#[cfg(unix)]
pub use pty::{End, PtyLine, Running, Sent};
pub use scene::{Act, Scene, Step};
