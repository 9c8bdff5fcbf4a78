//! packwake: watches battery management data during a first power-up and says go, no-go or cannot tell.
//!
//! This is the command line; everything that judges lives in the library crates.

mod args;
mod by_hand;
mod check;
mod compare;
mod export;
mod faults;
mod files;
mod frames;
mod identify;
mod output;
mod page_file;
mod ports;
mod practice;
#[cfg(test)]
mod practice_window;
mod replay;
mod report;
mod schema;
mod simulate;
mod status_line;
mod watch;

use std::process::ExitCode;

use clap::Parser;

use crate::args::{Arguments, Task};
use crate::output::Prose;

/// Exit statuses. Where several hold, the first of 2, 1, 4, 3, 0 counts.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Status {
    Go,
    NoGo,
    Unusable,
    CannotTell,
    LinkLostOrIncomplete,
}

impl Status {
    fn code(self) -> ExitCode {
        ExitCode::from(match self {
            Self::Go => 0,
            Self::NoGo => 1,
            Self::Unusable => 2,
            Self::CannotTell => 3,
            Self::LinkLostOrIncomplete => 4,
        })
    }

    /// The status of a session that was judged.
    pub(crate) fn of_session(outcome: rules::Outcome, link_lost: bool, recording_incomplete: bool) -> Self {
        match outcome {
            rules::Outcome::NoGo => Self::NoGo,
            _ if link_lost || recording_incomplete => Self::LinkLostOrIncomplete,
            rules::Outcome::CannotTell => Self::CannotTell,
            rules::Outcome::Go => Self::Go,
        }
    }
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let mut prose = Prose::new();
    let result = match arguments.task {
        None => practice::desktop(),
        Some(Task::Open(task)) => practice::open(&task.file),
        Some(Task::Watch(task)) => watch::run(*task, &mut prose),
        Some(Task::Replay(task)) => replay::run(&task, &mut prose),
        Some(Task::Export(task)) => export::run(&task, &mut prose),
        Some(Task::Report(task)) => report::run(&task, &mut prose),
        Some(Task::Compare(task)) => compare::run(&task, &mut prose),
        Some(Task::Frames(task)) => frames::run(&task, &mut prose),
        Some(Task::Identify(task)) => identify::run(&task, &mut prose),
        Some(Task::Check(task)) => check::run(&task, &mut prose),
        Some(Task::Simulate(task)) => simulate::run(&task, &mut prose),
        Some(Task::Ports) => ports::run(&mut prose),
        Some(Task::Schema(task)) => schema::run(&task),
    };
    match result {
        Ok(status) => status.code(),
        Err(error) => {
            prose.error(&error);
            Status::Unusable.code()
        }
    }
}
