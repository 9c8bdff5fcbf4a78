//! What a decoder says, in a form that does not depend on how its batches were cut.

#![allow(dead_code, reason = "each test file uses a part of it")]

pub(crate) mod dissected;

use std::sync::Arc;

use model::{Batch, Fault, Item, Level, SessionTime};
use parser::{Decoder, Protocol, Way, check_examples};

/// The protocols that come with the program: name and text.
pub(crate) const SHIPPED: [(&str, &str); 10] = [
    ("acorn-binary", include_str!("../../../../protocols/acorn-binary.toml")),
    ("acorn-split", include_str!("../../../../protocols/acorn-split.toml")),
    ("acorn-text", include_str!("../../../../protocols/acorn-text.toml")),
    ("dronecan-values", include_str!("../../../../protocols/dronecan-values.toml")),
    ("mavlink", include_str!("../../../../protocols/mavlink.toml")),
    ("mavlink-total", include_str!("../../../../protocols/mavlink-total.toml")),
    ("modbus-ascii", include_str!("../../../../protocols/modbus-ascii.toml")),
    ("modbus-rtu", include_str!("../../../../protocols/modbus-rtu.toml")),
    ("nmea-style", include_str!("../../../../protocols/nmea-style.toml")),
    ("smart-battery", include_str!("../../../../protocols/smart-battery.toml")),
];

/// The text of a protocol that comes with the program.
pub(crate) fn text_of(name: &str) -> &'static str {
    SHIPPED.iter().find(|(known, _)| *known == name).map(|(_, text)| *text).expect("a shipped protocol")
}

pub(crate) fn shipped(name: &str) -> Arc<Protocol> {
    protocol(text_of(name))
}

pub(crate) fn protocol(text: &str) -> Arc<Protocol> {
    let (protocol, faults) = Protocol::parse(text);
    Arc::new(protocol.unwrap_or_else(|| panic!("{faults:#?}\n{text}")))
}

/// What a decoder may keep: two of the longest frames as they go on the line.
pub(crate) fn most_kept(protocol: &Protocol) -> usize {
    2 * protocol.longest_frame() + 3
}

/// Writes down a batch, one line a row or rejection, in order. Also checks that it is sound in itself.
pub(crate) fn write_batch(batch: &Batch, lines: &mut Vec<String>) {
    let mut rows = vec![0_u32; batch.kinds.len()];
    let mut rejections = 0;
    for item in &batch.order {
        lines.push(match *item {
            Item::Row { kind, row } => {
                let kind = usize::from(kind);
                assert_eq!(row, rows[kind], "rows come in their order");
                rows[kind] += 1;
                let (list, row) = (&batch.kinds[kind], row as usize);
                assert!(list.at[row] <= list.known_at[row]);
                let raws: Vec<_> = list.columns.iter().map(|column| column.raw(row)).collect();
                let (bytes, at, known) = (list.bytes[row], list.at[row], list.known_at[row]);
                format!("{bytes} kind {kind} at {at} known {known}: {raws:?}")
            }
            Item::Rejected(index) => {
                assert_eq!(index, rejections, "rejections come in their order");
                rejections += 1;
                let rejected = &batch.rejected[index as usize];
                assert!(!rejected.bytes.is_empty());
                format!("{} known {}: {:?}", rejected.bytes, rejected.known_at, rejected.reason)
            }
        });
    }
    for (list, rows) in batch.kinds.iter().zip(rows) {
        assert_eq!(list.at.len(), rows as usize);
        assert!(list.columns.iter().all(|column| column.len() == rows as usize));
    }
    assert_eq!(batch.rejected.len(), rejections as usize);
}

/// Decodes pieces and writes down what comes of them; `take` says after which pieces batches are taken.
///
/// Checks that the decoder keeps no more than it says, that each of its ways says the same, and that rows which are made
/// later are the same.
pub(crate) fn decode<'b>(
    protocol: &Arc<Protocol>,
    pieces: impl IntoIterator<Item = (SessionTime, &'b [u8])>,
    take: impl FnMut() -> bool,
) -> Vec<String> {
    let pieces: Vec<_> = pieces.into_iter().collect();
    let lines = decode_by(protocol, Way::Fastest, &pieces, take);
    for way in [Way::Portable, Way::General] {
        assert_eq!(decode_by(protocol, way, &pieces, || false), lines, "{way:?}");
    }
    for every in [3, usize::MAX] {
        assert_eq!(decode_later(protocol, &pieces, every), lines, "taken after each {every} pieces");
    }
    lines
}

fn decode_later(protocol: &Arc<Protocol>, pieces: &[(SessionTime, &[u8])], every: usize) -> Vec<String> {
    let mut decoder = Decoder::new(Arc::clone(protocol));
    let (mut lines, mut batch) = (Vec::new(), Batch::default());
    for (index, (at, bytes)) in pieces.iter().enumerate() {
        // Some are made at once in between.
        if index % 11 == 5 {
            decoder.push(*at, bytes);
        } else {
            decoder.push_for_later(*at, bytes);
        }
        if index % every == every - 1 && decoder.take_into(&mut batch) {
            write_batch(&batch, &mut lines);
        }
    }
    decoder.finish(pieces.last().map_or(SessionTime::ZERO, |(at, _)| *at));
    if decoder.take_into(&mut batch) {
        write_batch(&batch, &mut lines);
    }
    lines
}

fn decode_by(
    protocol: &Arc<Protocol>,
    way: Way,
    pieces: &[(SessionTime, &[u8])],
    mut take: impl FnMut() -> bool,
) -> Vec<String> {
    let mut decoder = Decoder::by_way(Arc::clone(protocol), way);
    let mut lines = Vec::new();
    let mut received = 0;
    let mut last = SessionTime::ZERO;
    for (at, bytes) in pieces {
        decoder.push(*at, bytes);
        received += bytes.len() as u64;
        last = *at;
        assert_eq!(decoder.received(), received);
        assert!(decoder.buffered() <= most_kept(protocol), "{} bytes are kept", decoder.buffered());
        if take()
            && let Some(batch) = decoder.take()
        {
            write_batch(&batch, &mut lines);
        }
    }
    decoder.finish(last);
    assert_eq!(decoder.buffered(), 0);
    if let Some(batch) = decoder.take() {
        write_batch(&batch, &mut lines);
    }
    assert_eq!(decoder.take(), None);
    lines
}

/// Decodes all of it at once.
pub(crate) fn decode_whole(protocol: &Arc<Protocol>, bytes: &[u8]) -> Vec<String> {
    decode(protocol, [(SessionTime::ZERO, bytes)], || false)
}

/// All that is said of a protocol file, with its examples.
pub(crate) fn faults(text: &str) -> Vec<Fault> {
    let (protocol, mut faults) = Protocol::parse(text);
    let errors = faults.iter().any(|fault| fault.level == Level::Error);
    assert_eq!(protocol.is_some(), !errors, "a protocol is there exactly where there is no error: {faults:?}");
    faults.extend(protocol.into_iter().flat_map(|protocol| check_examples(&Arc::new(protocol), text)));
    faults
}

/// One line a fault: its place, the text there in `< >`, what is wrong, and behind `=>` what to write.
pub(crate) fn written(text: &str) -> String {
    let mut lines = Vec::new();
    for fault in faults(text) {
        for said in [Some(&fault.message), fault.hint.as_ref()].into_iter().flatten() {
            assert!(!said.is_empty() && !said.ends_with(['.', '!']), "{said}");
            assert!(!said.starts_with(|first: char| first.is_uppercase()) || said.starts_with("CRC"), "{said}");
        }
        assert!(text.get(fault.span.clone()).is_some(), "{fault:?}");
        let level = if fault.level == Level::Warning { "warning: " } else { "" };
        let hint = fault.hint.map_or(String::new(), |hint| format!("\n    => {hint}"));
        lines.push(format!("{}:{} <{}> {level}{}{hint}", fault.line, fault.column, fault.found, fault.message));
    }
    lines.join("\n")
}
