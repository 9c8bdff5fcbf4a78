//! The protocol files that come with the program: no fault, no warning, every example decodes to its values.
//!
//! The bytes of the examples come from `tests/reference/make_examples.py` and `make_standard_examples.py`, which share nothing
//! with the program.

mod support;

use std::sync::Arc;

use parser::{Protocol, check_examples};
use support::SHIPPED;

#[test]
fn every_file_is_listed() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../../protocols");
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.ends_with(".toml"))
        .collect();
    names.sort();
    let mut listed: Vec<String> = SHIPPED.iter().map(|(name, _)| format!("{name}.toml")).collect();
    listed.sort();
    assert_eq!(listed, names);
    assert!(8 <= names.len());
}

#[test]
fn every_file_is_sound_and_its_examples_hold() {
    for (name, text) in SHIPPED {
        let (protocol, faults) = Protocol::parse(text);
        assert_eq!(faults, [], "{name}");
        let protocol = Arc::new(protocol.unwrap());
        assert_eq!(protocol.name(), name);
        assert_eq!(check_examples(&protocol, text), [], "{name}");
        // Every kind is shown at least once, and something is rejected.
        for kind in &protocol.layout().kinds {
            assert!(text.contains(&format!("message = {:?}", kind.name)), "{name}: no example of {:?}", kind.name);
        }
        assert!(text.matches("rejected = ").count() >= 3, "{name}");
    }
}
