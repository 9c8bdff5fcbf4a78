//! The protocol files that come with the program: no fault, no warning, every example decodes to its values.
//!
//! The bytes of the examples come from `tests/reference/make_examples.py` and `make_standard_examples.py`, which share
//! nothing with the program.

mod support;

use std::sync::Arc;

use model::{Meaning, Quantity, Raw, SessionTime};
use parser::{Decoder, Encoder, Protocol, check_examples};
use support::{SHIPPED, shipped};

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

/// What the encoder writes for each kind, the decoder reads: the simulator can speak every shipped protocol.
#[test]
fn every_kind_goes_there_and_back() {
    let mut columns = 0;
    for (name, _) in SHIPPED {
        let protocol = shipped(name);
        let encoder = Encoder::new(Arc::clone(&protocol));
        let frame = |kind: usize| {
            let mut bytes = Vec::new();
            encoder.frame(
                kind,
                &mut |column| {
                    let as_sent =
                        column.channel.quantity == Quantity::FrameCounter || column.meaning != Meaning::Number;
                    if as_sent { Some(3) } else { column.scale.nanos(3) }
                },
                &mut bytes,
            );
            bytes
        };
        for (kind, layout) in protocol.layout().kinds.iter().enumerate() {
            // Alone, or behind each other kind, since it may be an answer.
            let others = (0..protocol.layout().kinds.len()).map(|other| (frame(other), 1));
            let found = [(Vec::new(), 0)].into_iter().chain(others).find_map(|(before, rows)| {
                let mut decoder = Decoder::new(Arc::clone(&protocol));
                decoder.push(SessionTime::ZERO, &[before, frame(kind)].concat());
                decoder.finish(SessionTime::ZERO);
                let batch = decoder.take()?;
                (batch.rejected.is_empty() && !batch.kinds[kind].at.is_empty() && batch.order.len() > rows)
                    .then_some(batch)
            });
            let batch = found.unwrap_or_else(|| panic!("{} of {name}", layout.name));
            let list = &batch.kinds[kind];
            for (column, values) in layout.columns.iter().zip(&list.columns) {
                let row = (0..list.at.len()).find(|row| values.is_carried(*row));
                let raw = row.and_then(|row| values.raw(row));
                let three = matches!(raw, Some(Raw::Int(3))) || raw == Some(Raw::Float(3.0));
                // A total and its parts, and bits of a flag, are cut to what they can hold.
                assert!(
                    three || column.meaning != Meaning::Number,
                    "{} of {}, {name}: {raw:?}",
                    column.channel,
                    layout.name
                );
                columns += 1;
            }
        }
    }
    assert!(200 < columns, "{columns}");
}
