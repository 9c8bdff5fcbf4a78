//! Makes the recordings of the folder `recordings` again: `make_recordings FOLDER`. A file that is there stays as it is.
//!
//! `make_recordings FOLDER FAULT...` makes one of the practice power-up with each of these faults (`all` for every one),
//! with an expectation beside it that is to be filled in by hand.

#![expect(clippy::print_stderr, reason = "a command line of its own")]

use std::fs::OpenOptions;
use std::io::Write;
use std::path::Path;
use std::process::ExitCode;

use packwake_tests::shipped::{Recipe, of_fault, recipes};
use recording::{WriteError, Writer};
use simulator::{Fault, FaultKind, UnknownFault};

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let Some((folder, faults)) = arguments.split_first() else {
        eprintln!("usage: make_recordings FOLDER [FAULT...]");
        return ExitCode::from(2);
    };
    let (recipes, new) = match asked(faults) {
        Ok(kinds) if kinds.is_empty() => (recipes(), false),
        Ok(kinds) => (kinds.into_iter().map(of_fault).collect(), true),
        Err(error) => {
            eprintln!("{error}");
            return ExitCode::from(2);
        }
    };
    for recipe in recipes {
        let path = Path::new(&folder).join(format!("{}.mcap", recipe.name));
        match write(&recipe, &path) {
            Ok(()) => eprintln!("{}: made", path.display()),
            Err(WriteError::Exists { .. }) => eprintln!("{}: is there, left as it is", path.display()),
            Err(error) => {
                eprintln!("{}: {error}", path.display());
                return ExitCode::FAILURE;
            }
        }
        if new && let Err(error) = write_template(&recipe, Path::new(&folder)) {
            eprintln!("{}: no expectation written: {error}", recipe.name);
        }
    }
    ExitCode::SUCCESS
}

fn asked(words: &[String]) -> Result<Vec<FaultKind>, UnknownFault> {
    if words.len() == 1 && words.iter().any(|word| word == "all") {
        return Ok(Fault::all().collect());
    }
    words.iter().map(|word| word.parse()).collect()
}

/// One that is there was written by a person: it stays as it is, and that is an error here.
fn write_template(recipe: &Recipe, folder: &Path) -> std::io::Result<()> {
    let path = folder.join(format!("{}.expected.toml", recipe.name));
    OpenOptions::new().write(true).create_new(true).open(path)?.write_all(recipe.expectation_template().as_bytes())
}

/// Flushes once a second of session time, as a live session does.
fn write(recipe: &Recipe, path: &Path) -> Result<(), WriteError> {
    let mut writer = Writer::create(path, &recipe.header())?;
    let mut second = 0;
    for input in recipe.inputs() {
        if second < input.at.nanos / 1_000_000_000 {
            second = input.at.nanos / 1_000_000_000;
            writer.flush()?;
        }
        writer.append(&input)?;
    }
    writer.finish()
}
