//! The desktop: one window that shows a session and takes what the person does.
//!
//! What it does: draws [`session::Snapshot`]s, lets the person choose a source, and hands over commands.
//! What it does not: read, judge or record. That runs on the session's thread, whether the window is drawn or not.
//!
//! Invariants: no frame waits for anything; a panel is a function over plain data that reports wishes and changes
//! nothing else; colours come from [`colours`] and words from [`wording`]; what is old looks old, because a slow heartbeat
//! repaints even when nothing comes.

pub mod alarms;
pub mod cells;
pub mod checks;
mod closing;
pub mod colours;
pub mod compare;
pub mod dialogs;
mod findings;
pub mod frames;
pub mod gallery;
mod keys;
mod pace;
pub mod pack_limits;
mod pieces;
pub mod plots;
pub mod prepare;
pub mod review;
pub mod sound;
pub mod start;
mod switch_on;
pub mod tone;
mod top_line;
pub mod values;
pub mod wording;
mod writing;

mod shell;

pub use shell::{Desktop, Files, NoWindow, Practice, Ready, Screen, Showing, StartPractice, run, top};
