//! Makes the recordings of the folder `recordings` again: `make_recordings FOLDER`. A file that is there stays as it is.

#![expect(clippy::print_stderr, reason = "a command line of its own")]

use std::path::Path;
use std::process::ExitCode;

use packwake_tests::shipped::{Recipe, recipes};
use recording::{WriteError, Writer};

fn main() -> ExitCode {
    let Some(folder) = std::env::args_os().nth(1) else {
        eprintln!("usage: make_recordings FOLDER");
        return ExitCode::from(2);
    };
    for recipe in recipes() {
        let path = Path::new(&folder).join(format!("{}.mcap", recipe.name));
        match write(&recipe, &path) {
            Ok(()) => eprintln!("{}: made", path.display()),
            Err(WriteError::Exists { .. }) => eprintln!("{}: is there, left as it is", path.display()),
            Err(error) => {
                eprintln!("{}: {error}", path.display());
                return ExitCode::FAILURE;
            }
        }
    }
    ExitCode::SUCCESS
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
