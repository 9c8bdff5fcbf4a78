//! A session: inputs in, events out, live or again from a recording.
//!
//! [`Engine`] is the one pipeline: bytes and time become frames, values, alarms and verdicts.
//! [`live`] feeds it from a source, [`replay`] from a list of inputs; both give the same events for the same inputs.
//! [`account`] is a replay that keeps what a report tells of a session.
//! [`listen`] takes the bytes of a line whose protocol is not known.
//! [`again`] judges a recording by other limits beside its own.
//! [`RowReader`] gives the same rows without judging them.
//!
//! Invariants: the engine reads no clock and does no I/O; inputs go to the recorder before they go to the engine; nothing
//! waits for the disk; nothing here knows that a screen exists; nothing is sent but the questions of the protocol file,
//! and those only where [`Live::may_ask`] says that the person allowed it. A replay sends nothing.

mod account;
pub mod accounts;
pub mod again;
mod asking;
mod engine;
mod event_lines;
pub mod history;
mod interrupt;
mod keeper;
pub mod line_bytes;
mod listen;
mod live;
pub mod new_file;
pub mod opening;
pub mod pack_file;
mod replay;
pub mod review;
mod rows;
pub mod snapshot;
pub mod tracks;
mod view;
pub mod worker;

pub use account::account;
pub use again::judge_again;
pub use asking::{Question, questions};
pub use engine::{Engine, SessionEvent, Unusable};
pub use event_lines::{json_line, text_line, verdict_lines};
pub use interrupt::on_interrupt;
pub use keeper::{Keeper, RecorderChange};
pub use listen::{Listen, Sound, listen};
pub use live::{Live, LiveEnd, LiveError, Note, Watcher, live, live_watched};
pub use parser::dissect;
pub use replay::{ReplayEnd, replay};
pub use rows::RowReader;
pub use rules;
pub use snapshot::Snapshot;
pub use worker::Worker;
