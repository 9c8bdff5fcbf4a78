//! The protocol and pack files that come with the program are sound, and those that belong together fit.

use std::collections::BTreeSet;
use std::sync::Arc;

use model::{Channel, Quantity};
use packwake_tests::{root, text};
use parser::{Protocol, check_examples};
use rules::Pack;

/// The names of the files of a folder, from the root of the repository.
fn files(folder: &str) -> Vec<String> {
    let entries = std::fs::read_dir(root().join(folder)).expect("a folder of the repository");
    let mut names: Vec<String> =
        entries.map(|entry| entry.expect("an entry").file_name().into_string().expect("a plain name")).collect();
    names.retain(|name| name.ends_with(".toml"));
    names.sort();
    names.iter().map(|name| format!("{folder}/{name}")).collect()
}

#[test]
fn every_protocol_is_sound_and_its_examples_hold() {
    let files = files("protocols");
    assert!(3 <= files.len());
    for path in files {
        let text = text(&path);
        let (protocol, faults) = Protocol::parse(&text);
        assert_eq!(faults, [], "{path}");
        let protocol = Arc::new(protocol.unwrap());
        assert_eq!(check_examples(&protocol, &text), [], "{path}");
        assert!(!protocol.summary().is_empty() && protocol.line().is_some(), "{path}");
        let stem = path.trim_start_matches("protocols/").trim_end_matches(".toml");
        assert_eq!(protocol.name(), stem, "{path}");
    }
}

/// Each message has an example, and each file examples that must be rejected.
#[test]
fn every_message_has_an_example() {
    for path in files("protocols") {
        let text = text(&path);
        let (protocol, _) = Protocol::parse(&text);
        for kind in &protocol.unwrap().layout().kinds {
            let example = format!("\nmessage = {:?}\n", kind.name);
            assert!(text.contains(&example), "{path} has no example of message {:?}", kind.name);
        }
        assert!(3 <= text.matches("\nrejected = ").count(), "{path}");
        // Where the line can say "absent", an example shows it.
        assert!(!text.contains("absent = ") || text.contains("\"absent\""), "{path}");
    }
}

/// An example that is wrong is noticed, in each of the files: so the test above can fail.
#[test]
fn a_wrong_example_is_noticed() {
    for (path, right, wrong) in [
        ("protocols/acorn-binary.toml", "cell = [3842,", "cell = [3843,"),
        ("protocols/acorn-binary.toml", "lead_test = 1,", "lead_test = 2,"),
        ("protocols/acorn-split.toml", "current = 12.75,", "current = -12.75,"),
        ("protocols/acorn-split.toml", "rejected = \"check\"", "rejected = \"size\""),
        ("protocols/acorn-text.toml", "temperature = [24.5, \"absent\",", "temperature = [24.5, 0.0,"),
        ("protocols/acorn-text.toml", "message = \"pack\"", "message = \"cells\""),
    ] {
        let (before, after) = text(path).split_once(right).map(|(a, b)| (a.to_owned(), b.to_owned())).unwrap();
        let changed = format!("{before}{wrong}{after}");
        let (protocol, mut faults) = Protocol::parse(&changed);
        faults.extend(protocol.iter().flat_map(|protocol| check_examples(&Arc::new(protocol.clone()), &changed)));
        assert!(!faults.is_empty(), "{path}: {wrong}");
    }
}

#[test]
fn every_pack_is_sound() {
    let files = files("packs");
    assert!(3 <= files.len());
    for path in files {
        let (pack, faults) = Pack::parse(&text(&path));
        assert_eq!(faults, [], "{path}");
        assert!(pack.is_some(), "{path}");
    }
}

/// The line carries every cell and sensor of the pack, once, and no other.
#[test]
fn protocols_and_packs_fit() {
    for (protocol, pack) in [
        ("protocols/acorn-binary.toml", "packs/acorn-24s-nmc.toml"),
        ("protocols/acorn-text.toml", "packs/sapling-14s-nmc.toml"),
        ("protocols/acorn-split.toml", "packs/field-16s-lfp.toml"),
    ] {
        let protocol = packwake_tests::protocol(protocol);
        let pack = Pack::parse(&text(pack)).0.unwrap();
        let channels: Vec<Channel> =
            protocol.layout().kinds.iter().flat_map(|kind| &kind.columns).map(|column| column.channel).collect();
        let unique: BTreeSet<Channel> = channels.iter().copied().collect();
        assert_eq!(unique.len(), channels.len(), "{}", pack.name());
        let places = |quantity: Quantity| -> Vec<u16> {
            unique.iter().filter(|channel| channel.quantity == quantity).map(|channel| channel.place).collect()
        };
        assert_eq!(places(Quantity::CellVoltage), (1..=pack.cells()).collect::<Vec<_>>(), "{}", pack.name());
        let sensors = u16::try_from(pack.temperatures().len()).unwrap();
        assert_eq!(places(Quantity::Temperature), (1..=sensors).collect::<Vec<_>>(), "{}", pack.name());
        for whole in [Quantity::PackVoltage, Quantity::Current] {
            assert!(unique.contains(&Channel::whole(whole)), "{}: {}", pack.name(), whole.name());
        }
    }
}
