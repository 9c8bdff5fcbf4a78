//! What a decoder says, in a form that does not depend on how its batches were cut.

#![allow(dead_code, reason = "each test file uses a part of it")]

pub(crate) mod dissected;

use std::cell::RefCell;
use std::sync::Arc;

use model::{Batch, ByteRange, Fault, Item, Level, Rejected, SessionTime};
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
        assert_eq!(
            (list.at.len(), list.known_at.len(), list.bytes.len()),
            (rows as usize, rows as usize, rows as usize)
        );
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
    let later = [Push::Later; 4];
    let turns = [&later[..], &[Push::Now, Push::Unhurried], &later, &[Push::Unhurried; 3]].concat();
    check_mixed(protocol, &pieces, &turns, &[false, false, true, false, false]);
    check_mixed(protocol, &pieces, &turns[6..], &[false]);
    lines
}

/// How a piece is pushed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Push {
    Now,
    Later,
    Unhurried,
}

/// Checks that pieces which are pushed in turns of these kinds, with batches taken in between, give what
/// [`Decoder::push`] gives. Once a piece was pushed without hurry, what becomes known has the time of its last byte.
pub(crate) fn check_mixed(protocol: &Arc<Protocol>, pieces: &[(SessionTime, &[u8])], turns: &[Push], taken: &[bool]) {
    let waits = waits(protocol);
    let mut plain = Decoder::new(Arc::clone(protocol));
    let mut mixed = Decoder::new(Arc::clone(protocol));
    let (mut wanted, mut got) = (Vec::new(), Vec::new());
    // How many rows and rejections came before the first push without hurry.
    let mut hurried = None;
    let (mut ends, mut received, mut last) = (Vec::new(), 0, SessionTime::ZERO);
    for (index, (at, bytes)) in pieces.iter().enumerate() {
        let push = turns[index % turns.len()];
        if push == Push::Unhurried && !bytes.is_empty() && waits && hurried.is_none() {
            assert_eq!(mixed.waiting() + got.len(), wanted.len());
            hurried = Some(wanted.len());
        }
        plain.push(*at, bytes);
        match push {
            Push::Now => mixed.push(*at, bytes),
            Push::Later => mixed.push_for_later(*at, bytes),
            Push::Unhurried => mixed.push_unhurried(*at, bytes),
        }
        if !bytes.is_empty() {
            last = last.max(*at);
            received += bytes.len() as u64;
            ends.push((received, last));
        }
        assert_eq!(mixed.received(), received);
        assert!(mixed.buffered() <= most_kept(protocol) + (1 << 16), "{} bytes are kept", mixed.buffered());
        said(&mut plain, &mut wanted);
        if push == Push::Now && !bytes.is_empty() {
            assert_eq!(mixed.waiting() + got.len(), wanted.len(), "nothing waits any more");
        }
        if taken[index % taken.len()] {
            said(&mut mixed, &mut got);
        }
    }
    for (decoder, list) in [(&mut plain, &mut wanted), (&mut mixed, &mut got)] {
        decoder.finish(last);
        assert_eq!(decoder.buffered(), 0);
        said(decoder, list);
    }
    for said in wanted.iter_mut().skip(hurried.unwrap_or(usize::MAX)) {
        let byte = ends.partition_point(|(end, _)| *end < said.bytes.end);
        said.known_at = ends[byte].1;
    }
    assert_eq!(got.len(), wanted.len());
    for (got, wanted) in got.iter().zip(&wanted) {
        assert_eq!(got, wanted);
    }
}

/// Whether anything waits that is pushed without hurry: not where time matters.
fn waits(protocol: &Arc<Protocol>) -> bool {
    thread_local!(static LAST: RefCell<Option<(Arc<Protocol>, bool)>> = const { RefCell::new(None) });
    LAST.with_borrow_mut(|last| match last {
        Some((known, waits)) if Arc::ptr_eq(known, protocol) => *waits,
        _ => last.insert((Arc::clone(protocol), seen_to_wait(protocol))).1,
    })
}

fn seen_to_wait(protocol: &Arc<Protocol>) -> bool {
    // So many that something is said of them.
    let noise = vec![b'U'; 4200 + most_kept(protocol)];
    let (mut one, mut other) = (Decoder::new(Arc::clone(protocol)), Decoder::new(Arc::clone(protocol)));
    one.push(SessionTime::ZERO, &noise);
    other.push_unhurried(SessionTime::ZERO, &noise);
    assert!(0 < one.waiting());
    assert!([0, one.waiting()].contains(&other.waiting()));
    other.waiting() == 0
}

/// A row or a rejection.
#[derive(PartialEq, Eq, Debug)]
struct Said {
    bytes: ByteRange,
    known_at: SessionTime,
    /// All else.
    text: String,
}

fn said(decoder: &mut Decoder, list: &mut Vec<Said>) {
    let Some(batch) = decoder.take() else { return };
    // Checks that the batch is sound in itself.
    write_batch(&batch, &mut Vec::new());
    list.extend(batch.order.iter().map(|item| match *item {
        Item::Row { kind, row } => {
            let (rows, row) = (&batch.kinds[usize::from(kind)], row as usize);
            let raws: Vec<_> = rows.columns.iter().map(|column| column.raw(row)).collect();
            let text = format!("kind {kind} at {}: {raws:?}", rows.at[row]);
            Said { bytes: rows.bytes[row], known_at: rows.known_at[row], text }
        }
        Item::Rejected(index) => {
            let Rejected { bytes, known_at, reason } = &batch.rejected[index as usize];
            Said { bytes: *bytes, known_at: *known_at, text: format!("{reason:?}") }
        }
    }));
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
