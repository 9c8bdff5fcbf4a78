//! The whole program from the outside: exit status, standard output, standard error, files.

mod files;
mod frames;
mod help;
mod identify;
mod live;
mod refusals;
mod report;
mod sources;

use std::path::{Path, PathBuf};

use packwake_tests::program::{Ended, Program};

const PROGRAM: Program = Program::new(env!("CARGO_BIN_EXE_packwake"));

/// A path in the repository as an argument.
fn shipped(path: &str) -> String {
    packwake_tests::root().join(path).display().to_string()
}

/// The arguments that name a shipped protocol and pack.
fn described_by(protocol: &str, pack: &str) -> [String; 4] {
    ["--protocol".to_owned(), shipped(protocol), "--pack".to_owned(), shipped(pack)]
}

/// An empty folder for this test, in the target folder.
fn folder(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("command_line").join(name);
    // There is none at the first run.
    drop(std::fs::remove_dir_all(&folder));
    std::fs::create_dir_all(&folder).expect("the target folder can be written");
    folder
}

fn file(folder: &Path, name: &str, content: &[u8]) -> String {
    let path = folder.join(name);
    std::fs::write(&path, content).expect("the target folder can be written");
    path.display().to_string()
}

/// Runs it and checks that it refuses: status 2, nothing on standard output, this message and this hint.
#[track_caller]
fn refused(arguments: &[&str], message: &str, hint: &str) {
    let ended = PROGRAM.run(arguments);
    check_refused(&ended, message, hint);
}

#[track_caller]
fn check_refused(ended: &Ended, message: &str, hint: &str) {
    assert_eq!(ended.status, Some(2), "{}", ended.stderr);
    assert_eq!(ended.stdout, "");
    assert!(ended.stderr.contains(message), "{message:?} is not in: {}", ended.stderr);
    assert!(ended.stderr.contains(hint), "{hint:?} is not in: {}", ended.stderr);
    assert!(!ended.stderr.contains("panicked"), "{}", ended.stderr);
}
