//! Judges decoded values against the limits of a pack: alarms, stages, and a verdict with its reasons.
//!
//! [`Pack::parse`] reads and checks a pack file; a [`Judge`] takes batches and the passing of time and gives [`Event`]s;
//! [`Judge::verdict`] says go, no-go or cannot tell, with every required check. [`PackText`] edits the text of a pack file.
//!
//! Invariants: no I/O, no clock, no threads; time moves only by its arguments. It does not know how values were encoded.
//! Never healthier than known: a check without evidence is "no data", and "no data" is never go.

mod alarms;
mod bus;
mod cause;
mod check;
mod chemistry;
mod counters;
mod diagnosis;
pub mod estimates;
mod event;
mod figures;
mod finding;
mod judge;
mod latest;
mod limits;
mod link;
mod measured;
mod pack;
mod pack_sum;
pub mod pack_text;
pub mod prepare;
mod rate;
mod regime;
mod rested;
pub mod spec;
mod stage;
pub mod statistics;
mod verdict;
mod watch;
mod wiring;

pub use alarms::{Alarm, AlarmState, Severity};
pub use cause::Cause;
pub use check::Check;
pub use chemistry::{Chemistry, DefaultLimit};
pub use event::{AlarmChange, Event, EventKind, LinkChange};
pub use figures::{CellResistances, Figures, LineFigures};
pub use finding::{Confidence, Finding, FindingChange};
pub use judge::{Held, Judge, Setup};
pub use limits::{LimitName, LimitValues};
pub use measured::{Figure, Measured};
pub use pack::Pack;
pub use pack_text::PackText;
pub use prepare::{HandLine, HandResult, Prepared};
pub use rested::Rest;
pub use stage::Stage;
pub use verdict::{CheckResult, Outcome, Result, Verdict};
pub use wiring::{Leads, Wiring};
