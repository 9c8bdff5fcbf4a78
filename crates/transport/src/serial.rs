//! Serial ports: opened once, read by a thread of their own, looked for again when they are gone.
//!
//! What the system had not handed over when a port went is gone with it: it throws its buffers away at a hang-up.

mod identity;
mod line_errors;
mod open;
mod rate_search;
mod reading;

pub use identity::{Match, Search};
pub use open::opening_may_reset;
pub use rate_search::{Heard, RateSearch};

pub(crate) use open::{Opened, open};
pub(crate) use reading::run;
