use std::path::{Path, PathBuf};
use std::time::Duration;

use model::{Command, SessionTime};
use parser::dissect::{Span, What};
use parser::{Decoder, Encoder};
use proptest::prelude::*;
use recording::Recording;

use super::*;
use crate::{Engine, replay};

fn shipped(path: &str) -> PathBuf {
    Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../..")).join(path)
}

fn protocol(name: &str) -> Arc<Protocol> {
    let text = std::fs::read_to_string(shipped(&format!("protocols/{name}.toml"))).expect("a shipped file");
    Arc::new(Protocol::parse(&text).0.expect("it is sound"))
}

fn answer(reader: &LineReader, done: impl Fn(&Answer) -> bool) -> Arc<Answer> {
    for _ in 0..2_000 {
        if let Some(answer) = reader.answer().filter(|answer| done(answer)) {
            return answer;
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    panic!("no answer within ten seconds: {:?}", reader.answer());
}

fn complete(answer: &Answer) -> bool {
    answer.failed.is_some() || matches!(answer.statistics, Some((_, true)))
}

#[test]
fn figures_on_a_recording_are_those_of_its_session() {
    let reader = LineReader::start(Arc::new(|| {})).expect("a thread");
    for (number, name) in (1..).zip(["field-damaged-data-line", "acorn-weak-cell", "sapling-sensor-open"]) {
        let path = shipped(&format!("recordings/{name}.mcap"));
        let source = Source::File(path.clone());
        reader.ask(Ask { number, source, place: Place::Byte(0), text: None });
        let answer = answer(&reader, |answer| answer.number == number && complete(answer));
        let (figures, _) = answer.statistics.as_ref().expect("figures");
        // On another way: the engine fed by hand.
        let recording = Recording::open(&path).expect("it opens");
        let mut engine = Engine::new(recording.header().clone()).expect("its texts are sound");
        let (mut rows, mut bytes) = (0, 0);
        let inputs = recording.inputs().inspect(|input| bytes += bytes_of(&input.kind).len() as u64);
        replay(&mut engine, inputs, &mut |_, _| {}, &mut |batch| {
            rows += batch.order.iter().filter(|item| matches!(item, model::Item::Row { .. })).count() as u64;
        });
        assert_eq!((figures.accepted, figures.bytes), (rows, bytes), "{name}");
        assert_eq!(figures.accepted, engine.judge().frame_counts().0, "{name}");
        assert_eq!(figures.kinds.iter().map(|kind| kind.count).sum::<u64>(), rows, "{name}");
        assert_eq!(figures.moments.iter().map(|moment| u64::from(moment.accepted)).sum::<u64>(), rows, "{name}");
        assert_eq!(0 < figures.check_failed, name == "field-damaged-data-line", "{name}: {figures:?}");
        let window = answer.window.as_ref().expect("bytes");
        assert_eq!(window.dissection.spans().first().map(|span| span.bytes.start), Some(0));
        assert!(matches!(window.happenings.first().expect("it was opened").what, Happened::Opened(_)));
    }
}

#[test]
fn a_time_and_a_byte_lead_to_the_same_place() {
    let reader = LineReader::start(Arc::new(|| {})).expect("a thread");
    let source = Source::File(shipped("recordings/acorn-weak-cell.mcap"));
    let at = SessionTime::from_millis(20_000);
    reader.ask(Ask { number: 1, source: source.clone(), place: Place::Time(at), text: None });
    let by_time = answer(&reader, |answer| answer.number == 1);
    let spans = by_time.window.as_ref().expect("bytes").dissection.spans();
    let first = spans.iter().find(|span| by_time.asked < span.bytes.end).expect("a frame there");
    assert!(at <= first.at && first.at < at + Duration::from_millis(200), "{first:?}");
    reader.ask(Ask { number: 2, source, place: Place::Byte(by_time.asked), text: None });
    let by_byte = answer(&reader, |answer| answer.number == 2);
    assert_eq!(by_byte.window.as_ref().expect("bytes").dissection.spans(), spans);
}

#[test]
fn a_text_with_errors_leaves_the_last_good_cut_and_says_so() {
    let reader = LineReader::start(Arc::new(|| {})).expect("a thread");
    let source = Source::File(shipped("recordings/acorn-weak-cell.mcap"));
    let mut number = 0;
    let mut ask = |text: Option<&str>| {
        number += 1;
        let text = text.map(Arc::from);
        reader.ask(Ask { number, source: source.clone(), place: Place::Byte(0), text });
        answer(&reader, |answer| answer.number == number && complete(answer))
    };
    let own = ask(None);
    assert_eq!((own.by, own.faults.len()), (By::Asked, 0));
    let text = own.own_text.clone().expect("a text");
    let broken = ask(Some(&text.replacen("u16 be", "u17 be", 1)));
    assert_eq!(broken.by, By::LastGood);
    assert!(broken.faults.first().is_some_and(|fault| fault.message.contains("u17 be")), "{:?}", broken.faults);
    assert_eq!(
        broken.window.as_ref().expect("bytes").dissection.spans(),
        own.window.as_ref().expect("bytes").dissection.spans()
    );
    // Another id: those frames are then of no kind, and that shows at once.
    let other = ask(Some(&text.replacen("id = { kind = 1 }", "id = { kind = 9 }", 1)));
    assert_eq!(other.by, By::Asked);
    let passed = |answer: &Answer| answer.statistics.as_ref().expect("figures").0.passed_over;
    assert!(passed(&own) == 0 && 100 < passed(&other), "{}", passed(&other));
}

#[test]
fn what_cannot_be_read_says_why() {
    let reader = LineReader::start(Arc::new(|| {})).expect("a thread");
    let source = Source::File(PathBuf::from("nowhere/at-all.mcap"));
    reader.ask(Ask { number: 1, source, place: Place::Byte(0), text: None });
    let failed = answer(&reader, |answer| answer.number == 1).failed.clone();
    assert_eq!(failed, Some(("no file \"nowhere/at-all.mcap\"".to_owned(), Some("check the name".to_owned()))));
}

#[test]
fn intervals_and_counters_follow_what_came() {
    let protocol = protocol("acorn-binary");
    let encoder = Encoder::new(Arc::clone(&protocol));
    let mut figures = LineStatistics::new(protocol.layout());
    let mut decoder = Decoder::new(Arc::clone(&protocol));
    // Every 50 ms, then 200 ms late and with a count left out.
    let mut push = |figures: &mut LineStatistics, at_ms, count| {
        let at = SessionTime::from_millis(at_ms);
        let mut bytes = Vec::new();
        let mut value = |column: &model::ColumnLayout| {
            Some(if column.channel.quantity == model::Quantity::FrameCounter { count } else { 3_900_000_000 })
        };
        encoder.frame(0, &mut value, &mut bytes);
        figures.input(&Input::new(at, InputKind::Bytes(bytes.clone())));
        decoder.push(at, &bytes);
        figures.batch(&decoder.take().expect("a row"));
    };
    for (at_ms, count) in [(0, 254), (50, 255), (100, 0), (300, 2), (350, 3)] {
        push(&mut figures, at_ms, count);
    }
    let cells = figures.kinds.first().expect("the cells");
    assert_eq!((cells.count, cells.jumps), (5, Some(1)));
    assert_eq!(cells.mean(), Some(Duration::from_nanos(87_500_000)));
    assert_eq!(cells.intervals, Some((Duration::from_millis(50), Duration::from_millis(200))));
    assert_eq!(figures.moments.len(), 1);
    // The line was lost for a minute: that is no time from one frame to the next.
    let lost = InputKind::Lost { why: "unplugged".to_owned() };
    figures.input(&Input::new(SessionTime::from_millis(350), lost));
    for (at_ms, count) in [(60_000, 99), (60_050, 100)] {
        push(&mut figures, at_ms, count);
    }
    let cells = figures.kinds.first().expect("the cells");
    assert_eq!((cells.count, cells.jumps), (7, Some(1)));
    // 50, 50, 200, 50 and 50 ms.
    assert_eq!(cells.mean(), Some(Duration::from_millis(80)));
    assert_eq!(cells.intervals, Some((Duration::from_millis(50), Duration::from_millis(200))));
}

#[test]
fn moments_are_joined_when_they_become_many_and_none_is_lost() {
    let protocol = protocol("acorn-binary");
    let mut figures = LineStatistics::new(protocol.layout());
    let mut batch = Batch::default();
    for second in 0..3_000_u64 {
        batch.clear();
        let bytes = ByteRange { start: second, end: second + 1 };
        let reason = model::Reason::CheckFailed { computed: 0, received: 1 };
        batch.rejected.push(model::Rejected { known_at: SessionTime::from_millis(second * 1_000), bytes, reason });
        batch.order.push(model::Item::Rejected(0));
        figures.batch(&batch);
    }
    assert_eq!((figures.moment_length(), figures.check_failed), (Duration::from_secs(8), 3_000));
    assert_eq!(figures.moments.len(), 375);
    assert!(figures.moments.iter().all(|moment| moment.check_failed == 8), "{:?}", figures.moments);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(40) })]

    /// The newest bytes show what the whole session shows there, however they came.
    #[test]
    fn the_tail_is_cut_as_the_whole(
        name in prop::sample::select(vec!["acorn-binary", "acorn-text", "modbus-rtu", "modbus-ascii", "dronecan-values"]),
        reads in prop::collection::vec(1..2_500_usize, 1..6),
        flips in prop::collection::vec((any::<prop::sample::Index>(), 0..8_u32), 0..20),
        count in 10..2_500_usize,
    ) {
        let protocol = protocol(name);
        let encoder = Encoder::new(Arc::clone(&protocol));
        let kinds = protocol.layout().kinds.len();
        let mut bytes = Vec::new();
        for index in 0..count {
            encoder.frame(index % kinds, &mut |_| Some(i64::try_from(index).unwrap_or(0) * 1_000_000), &mut bytes);
        }
        for (at, bit) in flips {
            let at = at.index(bytes.len());
            bytes[at] ^= 1 << bit;
        }
        let (mut tail, mut decoder) = (Tail::default(), Decoder::new(Arc::clone(&protocol)));
        let (mut rest, mut whole) = (bytes.as_slice(), Vec::new());
        for (index, length) in (0..).zip(reads.iter().cycle()) {
            if rest.is_empty() {
                break;
            }
            let (read, behind) = rest.split_at(rest.len().min(*length));
            rest = behind;
            let input = Input::new(SessionTime::from_millis(index), InputKind::Bytes(read.to_vec()));
            tail.input(&input);
            decoder.push(input.at, read);
            while let Some(batch) = decoder.take() {
                tail.batch(&batch, &protocol);
                whole.push(batch);
            }
        }
        let stretch = tail.stretch();
        let end = stretch.from + stretch.bytes.len() as u64;
        prop_assert_eq!(end, bytes.len() as u64);
        prop_assert!(stretch.bytes.len() as u64 <= STRETCH);
        let window = stretch.dissect(&protocol);
        let frames = |span: &Span| match span.what {
            What::Frame { kind } => Some((kind, span.bytes, span.at)),
            _ => None,
        };
        let shown: Vec<_> = window.dissection.spans().iter().filter_map(frames).collect();
        let mut expected = Vec::new();
        for batch in &whole {
            for item in &batch.order {
                let model::Item::Row { kind, row } = *item else { continue };
                let (kind, row) = (usize::from(kind), row as usize);
                let rows = &batch.kinds[kind];
                if stretch.from <= rows.bytes[row].start {
                    expected.push((kind, rows.bytes[row], rows.at[row]));
                }
            }
        }
        prop_assert_eq!(shown, expected);
    }
}

#[test]
fn what_happened_stays_with_its_place() {
    let protocol = protocol("modbus-rtu");
    let mut tail = Tail::default();
    let at = SessionTime::from_millis;
    let question = crate::questions(&protocol).first().map(|question| question.bytes.clone()).unwrap_or_default();
    for (time, kind) in [
        (0, InputKind::Opened { source: "a line".to_owned() }),
        (1, InputKind::Bytes(vec![0; 10])),
        (2, InputKind::Sent(question.clone())),
        (3, InputKind::Command(Command::Mark { text: String::new() })),
        (4, InputKind::LineError { kind: LineErrorKind::Framing, count: 2 }),
        (5, InputKind::Lost { why: "unplugged".to_owned() }),
    ] {
        tail.input(&Input::new(at(time), kind));
    }
    let window = tail.stretch().dissect(&protocol);
    let expected = [
        Happening { at: at(0), stream: 0, what: Happened::Opened("a line".into()) },
        Happening { at: at(2), stream: 10, what: Happened::Sent(question.into()) },
        Happening { at: at(4), stream: 10, what: Happened::Errors(LineErrorKind::Framing, 2) },
        Happening { at: at(5), stream: 10, what: Happened::Lost("unplugged".into()) },
    ];
    assert_eq!(window.happenings, expected);
}
