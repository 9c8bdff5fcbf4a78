//! The crates depend on each other only as the map says, and the pure ones on nothing that does I/O.

use std::collections::{BTreeMap, BTreeSet};
use std::process::Command;

use serde_json::Value;

/// Each crate and the crates of this workspace that it may use.
const ALLOWED: [(&str, &[&str]); 12] = [
    ("packwake-model", &[]),
    ("packwake-textfile", &["packwake-model"]),
    ("packwake-parser", &["packwake-model", "packwake-textfile"]),
    ("packwake-rules", &["packwake-model", "packwake-textfile"]),
    ("packwake-recording", &["packwake-model"]),
    ("packwake-transport", &["packwake-model", "packwake-recording"]),
    (
        "packwake-session",
        &[
            "packwake-model",
            "packwake-parser",
            "packwake-rules",
            "packwake-recording",
            "packwake-transport",
            // For the account that it makes of a session, and for nothing else.
            "packwake-report",
        ],
    ),
    ("packwake-simulator", &["packwake-model", "packwake-parser", "packwake-transport"]),
    ("packwake-identify", &["packwake-model", "packwake-parser"]),
    ("packwake-report", &["packwake-model", "packwake-rules"]),
    // Model for the types that snapshots and commands are made of.
    ("packwake-desktop", &["packwake-model", "packwake-session", "packwake-report"]),
    (
        "packwake",
        &[
            "packwake-model",
            "packwake-textfile",
            "packwake-parser",
            "packwake-rules",
            "packwake-recording",
            "packwake-transport",
            "packwake-session",
            "packwake-simulator",
            "packwake-identify",
            "packwake-report",
            "packwake-desktop",
        ],
    ),
];
/// Not part of the program: it may use everything, and only tests may use it.
const TESTS: &str = "packwake-tests";

const PURE: [&str; 6] = [
    "packwake-model",
    "packwake-textfile",
    "packwake-parser",
    "packwake-rules",
    "packwake-identify",
    "packwake-report",
];
/// What opens, waits, or writes.
const DOES_IO: [&str; 8] = ["mcap", "mio", "nix", "serialport", "socket2", "tempfile", "tokio", "tokio-util"];

/// For each package of the workspace, what it depends on (without what only its tests use).
fn dependencies() -> BTreeMap<String, BTreeSet<String>> {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--no-deps", "--offline"])
        .current_dir(packwake_tests::root())
        .output()
        .expect("cargo runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: Value = serde_json::from_slice(&output.stdout).expect("cargo writes JSON");
    let packages = metadata["packages"].as_array().expect("a list of packages");
    let name = |value: &Value| value["name"].as_str().expect("a name").to_owned();
    packages
        .iter()
        .map(|package| {
            let all = package["dependencies"].as_array().expect("a list of dependencies");
            (name(package), all.iter().filter(|dependency| dependency["kind"] != "dev").map(name).collect())
        })
        .collect()
}

#[test]
fn crates_depend_on_each_other_only_as_the_map_says() {
    let dependencies = dependencies();
    let allowed: BTreeMap<&str, &[&str]> = ALLOWED.into_iter().collect();
    let members: BTreeSet<&str> = dependencies.keys().map(String::as_str).collect();
    let known: BTreeSet<&str> = allowed.keys().copied().chain([TESTS]).collect();
    assert_eq!(members, known, "a crate came or went: give it its place in the map");
    for (package, used) in dependencies.iter().filter(|(package, _)| *package != TESTS) {
        for used in used.iter().filter(|used| members.contains(used.as_str())) {
            assert!(allowed[package.as_str()].contains(&used.as_str()), "{package} must not use {used}");
        }
    }
}

#[test]
fn pure_crates_use_nothing_that_does_io() {
    let dependencies = dependencies();
    for package in PURE {
        for used in &dependencies[package] {
            assert!(!DOES_IO.contains(&used.as_str()), "{package} must not use {used}");
        }
    }
    // The list would be empty words if nothing used these.
    let session = &dependencies["packwake-session"];
    assert!(session.contains("tokio"), "{session:?}");
}
