//! Serial ports: opened once, read by a thread of their own, looked for again when they are gone.
//!
//! What the system had not handed over when a port went is gone with it: it throws its buffers away at a hang-up.

mod identity;
mod line_errors;
mod open;
mod reading;

pub use identity::{Match, Search};
pub use open::{Heard, RateSearch, opening_may_reset};

pub(crate) use open::{Opened, open};
pub(crate) use reading::run;
