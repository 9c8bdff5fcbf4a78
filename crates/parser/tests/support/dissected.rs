//! A dissection held against the decoder's own words.

use std::sync::Arc;

use model::{ByteRange, Item, Raw, Reason, Rejected, SessionTime};
use parser::dissect::{Dissection, Dissector, Role, Sent, Span, What, dissect};
use parser::{Decoder, Protocol, Way};

/// What a frame says of each column: nothing, that it is absent, or a number.
type Numbers = Vec<Option<Option<Raw>>>;

/// What the decoder says of the bytes, by its slow way: frames with their numbers, and what it rejects.
struct Decoded {
    rows: Vec<(usize, ByteRange, Numbers)>,
    rejected: Vec<Rejected>,
    kept: u64,
}

fn decoded(protocol: &Arc<Protocol>, bytes: &[u8], over: bool) -> Decoded {
    let mut decoder = Decoder::by_way(Arc::clone(protocol), Way::General);
    decoder.push(SessionTime::ZERO, bytes);
    if over {
        decoder.finish(SessionTime::ZERO);
    }
    let batch = decoder.take().unwrap_or_default();
    let mut rows = Vec::new();
    for item in &batch.order {
        let Item::Row { kind, row } = *item else { continue };
        let (kind, row) = (usize::from(kind), row as usize);
        let list = &batch.kinds[kind];
        let number = |column: &model::Column| column.is_carried(row).then(|| column.raw(row));
        rows.push((kind, list.bytes[row], list.columns.iter().map(number).collect()));
    }
    Decoded { rows, rejected: batch.rejected, kept: decoder.buffered() as u64 }
}

/// The numbers of a frame by its parts, in the order of the columns.
fn numbers(dissection: &Dissection, span: &Span, columns: usize) -> Numbers {
    let mut numbers = vec![None; columns];
    for part in dissection.parts(span) {
        let Some(meant) = &part.meant else { continue };
        let raw = match (&part.sent, part.words.ends_with(": absent")) {
            (_, true) => None,
            (Sent::Number(raw), false) => Some(*raw),
            (other, false) => panic!("{}: {other:?}, {}", part.name, part.words),
        };
        numbers[meant.column] = Some(raw);
    }
    numbers
}

/// The one is what the other says, and the spans follow each other without a hole.
pub(crate) fn check(protocol: &Arc<Protocol>, bytes: &[u8], over: bool) {
    let whole = ByteRange { start: 0, end: bytes.len() as u64 };
    let dissection = if over {
        let mut dissector = Dissector::new(Arc::clone(protocol), whole, 0);
        dissector.push(SessionTime::ZERO, bytes, &mut |_| {});
        dissector.finish(SessionTime::ZERO, &mut |_| {});
        dissector.dissection()
    } else {
        dissect(protocol, bytes, 0)
    };
    let decoded = decoded(protocol, bytes, over);
    let mut at = 0;
    let mut rows = decoded.rows.iter();
    let mut tried = Vec::new();
    let mut no_frame: Vec<ByteRange> = Vec::new();
    for span in dissection.spans() {
        assert_eq!(span.bytes.start, at, "no hole, nothing twice");
        assert!(!span.bytes.is_empty());
        at = span.bytes.end;
        let parts = dissection.parts(span);
        for part in &parts {
            let inside = span.bytes.start <= part.bytes.start && part.bytes.end <= span.bytes.end;
            assert!(inside || part.bytes.is_empty(), "{}: {} in {}", part.name, part.bytes, span.bytes);
        }
        // Of a line that is none two parts may claim the same column.
        let sound = matches!(span.what, What::Frame { .. });
        for pair in parts.windows(2).filter(|_| sound) {
            let apart = pair[0].bytes.end <= pair[1].bytes.start;
            assert!(apart || pair.iter().any(|part| part.bits.is_some() || part.bytes.is_empty()), "{pair:?}");
        }
        match &span.what {
            What::Frame { kind } => {
                let (expected, range, columns) = rows.next().expect("no more frames than rows");
                assert_eq!((kind, span.bytes), (expected, *range));
                let layout = &protocol.layout().kinds[*kind];
                assert_eq!(dissection.message(span), Some(layout.name.as_str()));
                if parts.iter().all(|part| !matches!(part.sent, Sent::Text(_))) {
                    assert_eq!(&numbers(&dissection, span, layout.columns.len()), columns, "{}", layout.name);
                }
                let values = parts.iter().filter(|part| part.role == Role::Value).count();
                assert_eq!(values, columns.iter().filter(|column| column.is_some()).count());
                for (part, meant) in parts.iter().filter_map(|part| Some((part, part.meant.as_ref()?))) {
                    let column = meant.column;
                    let nanos = columns[column].flatten().and_then(|raw| match raw {
                        Raw::Int(raw) => layout.columns[column].scale.nanos(raw),
                        Raw::Float(raw) => layout.columns[column].scale.nanos_of_float(raw),
                    });
                    assert_eq!(meant.nanos, nanos, "{}", part.words);
                }
                let checks = parts.iter().filter(|part| matches!(part.role, Role::Check { .. }));
                let right = checks.map(|part| part.role == Role::Check { right: true }).collect::<Vec<_>>();
                // A kind is verified if every frame that can carry it is.
                assert!(right.len() <= 1 && right.iter().all(|right| *right), "{right:?}");
                assert!(!layout.verified || right == [true], "{parts:?}");
            }
            What::Passed(reason) => tried.push((span.bytes, reason.clone())),
            What::NoFrame(here) => {
                tried.extend(here.iter().map(|tried| (tried.bytes, tried.reason.clone())));
                match no_frame.last_mut() {
                    Some(last) if last.end == span.bytes.start => last.end = span.bytes.end,
                    _ => no_frame.push(span.bytes),
                }
                if let Some(Rejected { reason: Reason::CheckFailed { computed, received }, bytes, .. }) = here.first()
                    && bytes.end <= span.bytes.end
                {
                    let wrong = parts.iter().find(|part| part.role == Role::Check { right: false });
                    let words = &wrong.unwrap_or_else(|| panic!("no checksum in {parts:?}")).words;
                    let says = |value: &u64| words.contains(&format!("{value:X}"));
                    assert!(says(computed) || says(received), "{words}: {computed:X}, {received:X}");
                }
            }
            What::Between => {}
            What::Unfinished => assert_eq!(span.bytes.len(), decoded.kept, "what the decoder keeps"),
        }
    }
    assert_eq!(rows.next(), None, "no fewer frames than rows");
    assert_eq!(at, bytes.len() as u64, "to the end");
    let mut expected: Vec<_> = decoded.rejected.iter().map(|one| (one.bytes, one.reason.clone())).collect();
    expected.retain(|(_, reason)| *reason != Reason::Skipped);
    let key = |one: &(ByteRange, Reason)| (one.0.start, one.0.end, one.1.to_string());
    expected.sort_by_key(key);
    tried.sort_by_key(key);
    assert_eq!(tried, expected);
    // Every byte that the decoder has skipped stands in no frame.
    for skipped in decoded.rejected.iter().filter(|one| one.reason == Reason::Skipped) {
        let covered = |at: u64| {
            dissection.spans().iter().any(|span| {
                let whole = matches!(span.what, What::Frame { .. } | What::Passed(_) | What::Unfinished);
                span.bytes.start <= at && at < span.bytes.end && !whole
            })
        };
        assert!((skipped.bytes.start..skipped.bytes.end).all(covered), "{}", skipped.bytes);
    }
    if over {
        let skipped: u64 =
            decoded.rejected.iter().filter(|one| one.reason == Reason::Skipped).map(|one| one.bytes.len()).sum();
        let shown: u64 = no_frame.iter().map(|range| range.len()).sum();
        assert!(shown <= skipped, "{shown} bytes without frame, {skipped} skipped");
    }
}
