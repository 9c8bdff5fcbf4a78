//! A live session and its replay say the same, however the bytes are split; in real time over a pseudo-terminal, and in
//! virtual time over all faults.

use std::path::{Path, PathBuf};
use std::sync::LazyLock;
use std::time::Duration;

use model::{
    Amount, Batch, Command, Dimension, HandItem, HandOutcome, HandReading, Input, InputKind, Item, SessionHeader,
    SessionTime,
};
use packwake_tests::{header, protocol, simulated};
use proptest::prelude::*;
use recording::Recording;
use report::CsvWriter;
use session::{Engine, Live, SessionEvent, json_line};
use simulator::{Act, ByProtocol, ByteStream, Fault, FaultKind, PtyLine, Scene, Step, Telegrams};
use transport::{SerialSource, Source};

/// What a session said, without the recorder: that is no part of the promise.
fn line(event: &SessionEvent, header: &SessionHeader) -> Option<String> {
    (!matches!(event, SessionEvent::Recorder { .. })).then(|| json_line(event, header.practice))
}

/// Lines, CSV and decoded frames of inputs.
fn replayed(header: &SessionHeader, inputs: impl Iterator<Item = Input>) -> (Vec<String>, Vec<u8>, usize) {
    let mut engine = Engine::new(header.clone()).expect("the texts are sound");
    let mut csv = CsvWriter::new(engine.protocol().layout(), Vec::new()).expect("memory can be written");
    let (mut lines, mut frames) = (Vec::new(), 0);
    let mut show = |batch: &Batch| {
        frames += batch.order.iter().filter(|item| matches!(item, Item::Row { .. })).count();
        csv.batch(batch).expect("memory can be written");
    };
    let end = session::replay(&mut engine, inputs, &mut |event, _| lines.extend(line(event, header)), &mut show);
    assert!(end.complete);
    (lines, csv.finish().expect("memory can be written"), frames)
}

/// The lines are long: where they differ, only the first that does is shown.
#[track_caller]
fn same(got: &[String], expected: &[String], about: &str) {
    for (got, expected) in got.iter().zip(expected) {
        assert_eq!(got, expected, "{about}");
    }
    assert_eq!(got.len(), expected.len(), "{about}: as many lines");
}

/// Splits the bytes of each input at places that `dice` chooses, with the time kept.
fn split(inputs: &[Input], dice: &mut impl FnMut(usize) -> usize) -> Vec<Input> {
    let mut out = Vec::new();
    for input in inputs {
        let InputKind::Bytes(bytes) = &input.kind else {
            out.push(input.clone());
            continue;
        };
        let mut rest = bytes.as_slice();
        while !rest.is_empty() {
            let (piece, more) = rest.split_at(1 + dice(rest.len()));
            out.push(Input::new(input.at, InputKind::Bytes(piece.to_vec())));
            rest = more;
        }
    }
    out
}

/// Joins neighbours of the same time where `dice` says so.
fn merge(inputs: Vec<Input>, dice: &mut impl FnMut(usize) -> usize) -> Vec<Input> {
    let mut out: Vec<Input> = Vec::new();
    for input in inputs {
        match (out.last_mut(), &input.kind) {
            (Some(Input { at, kind: InputKind::Bytes(last), .. }), InputKind::Bytes(bytes))
                if *at == input.at && dice(2) == 0 =>
            {
                last.extend_from_slice(bytes);
            }
            _ => out.push(input),
        }
    }
    out
}

/// Puts quiet moments between inputs, as a live session has them; they are never recorded.
fn quieted(inputs: &[Input], dice: &mut impl FnMut(usize) -> usize) -> Vec<Input> {
    let mut out: Vec<Input> = Vec::new();
    for input in inputs {
        let before = out.last().map_or(0, |last| last.at.nanos);
        let room = usize::try_from(input.at.nanos.saturating_sub(before)).expect("64 bits");
        for _ in 0..dice(3) {
            let from = out.last().map_or(0, |last| last.at.nanos);
            let step = dice(1 + room / 3) as u64;
            out.push(Input::new(SessionTime::from_nanos((from + step).min(input.at.nanos)), InputKind::Quiet));
        }
        out.push(input.clone());
    }
    out
}

/// Numbers below a limit, from a seed (xorshift).
fn dice(seed: u64) -> impl FnMut(usize) -> usize {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    move |below| {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        usize::try_from(state >> 33).expect("31 bits") % below.max(1)
    }
}

/// A protocol, its pack, and what is wrong.
type Line = (&'static str, &'static str, FaultKind);

const LINES: [Line; 4] = [
    ("protocols/acorn-binary.toml", "packs/acorn-24s-nmc.toml", FaultKind::OpenSenseLead),
    ("protocols/acorn-text.toml", "packs/sapling-14s-nmc.toml", FaultKind::OpenSenseLead),
    ("protocols/acorn-split.toml", "packs/field-16s-lfp.toml", FaultKind::FlippedBits),
    ("protocols/acorn-binary.toml", "packs/acorn-24s-nmc.toml", FaultKind::Unplug),
];
const LENGTH: Duration = Duration::from_secs(8);

/// The practice scene in eight seconds: at rest, pre-charge, idle, a load step, nothing drawn.
fn short_scene() -> Scene {
    let steps = [
        (1_500, Act::PreCharge),
        (3_200, Act::Close),
        (3_500, Act::Load(2.0)),
        (5_000, Act::Load(40.0)),
        (6_500, Act::Load(0.0)),
    ];
    let steps = steps.map(|(millis, act)| Step { at: SessionTime::from_millis(millis), act });
    Scene { steps: steps.to_vec(), ..Scene::practice(5) }
}

struct Watched {
    lines: Vec<String>,
    recorder: Vec<String>,
    file: PathBuf,
}

/// What was checked before power: a slip that is corrected, a warning, an entry taken back, an old one with a remark.
fn by_hand() -> Vec<Command> {
    let ohms = |item, ohms: i64| {
        let value = Amount { dimension: Dimension::Resistance, nanos: ohms * 1_000_000_000 };
        HandReading::measured(item, value, "insulation tester")
    };
    let found = |item, outcome| HandReading::found(item, outcome, "");
    let remark = "the third from the left".to_owned();
    let readings = [
        ohms(HandItem::InsulationPlus, 1_000),
        ohms(HandItem::InsulationPlus, 5_000_000),
        ohms(HandItem::InsulationMinus, 400_000),
        found(HandItem::Fuse, HandOutcome::Passed),
        found(HandItem::Fuse, HandOutcome::NotDone),
        HandReading { remark, age_seconds: 4_000, ..found(HandItem::Connectors, HandOutcome::Passed) },
    ];
    let mark = Command::Mark { text: "before the switch".to_owned() };
    std::iter::once(mark).chain(readings.map(Command::Reading)).collect()
}

/// Watches a simulated line over a pseudo-terminal, in real time, and records it.
fn watch(folder: &Path, index: usize, (protocol_file, pack, kind): Line) -> Watched {
    let protocol = protocol(protocol_file);
    let settings = protocol.line().expect("it says how its line is set");
    let fault = Fault { at: SessionTime::from_millis(2_000), ..Fault::new(kind) };
    let scene = short_scene().fitted_to(protocol.layout());
    let telegrams = Telegrams::new(&scene, &[fault], ByProtocol::new(protocol));
    let pty = PtyLine::open().expect("the system has a pseudo-terminal left");
    let line_end = pty.start(ByteStream::new(telegrams)).expect("the line starts");
    let file = folder.join(format!("{index}.mcap"));
    let live = Live {
        source: Source::Serial(SerialSource { path: line_end.path().to_owned(), settings }),
        header: header(protocol_file, pack),
        record: Some(file.clone()),
        length: Some(LENGTH),
        before: by_hand(),
        may_ask: false,
    };
    let practice = live.header.clone();
    let (mut lines, mut recorder) = (Vec::new(), Vec::new());
    let mut say = |event: &SessionEvent, _: &Engine| match line(event, &practice) {
        Some(line) => lines.push(line),
        None => recorder.push(json_line(event, practice.practice)),
    };
    let stop = tokio_util::sync::CancellationToken::new();
    let end = session::live(live, &stop, &mut say, &mut |_| {}).expect("it is watched");
    assert_eq!(end.recording_incomplete, None);
    Watched { lines, recorder, file }
}

/// All lines are watched at the same time, once.
static WATCHED: LazyLock<Vec<Watched>> = LazyLock::new(|| {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("live_and_replay");
    // There is none at the first run.
    drop(std::fs::remove_dir_all(&folder));
    std::fs::create_dir_all(&folder).expect("the target folder can be written");
    let folder = folder.as_path();
    std::thread::scope(|scope| {
        let threads: Vec<_> = LINES
            .into_iter()
            .enumerate()
            .map(|(index, line)| scope.spawn(move || watch(folder, index, line)))
            .collect();
        threads.into_iter().map(|thread| thread.join().expect("it is watched")).collect()
    })
});

/// The recorded inputs, which must be whole.
fn recorded(watched: &Watched) -> (SessionHeader, Vec<Input>) {
    let recording = Recording::open(&watched.file).expect("the recording opens");
    let mut inputs = recording.inputs();
    let all: Vec<Input> = inputs.by_ref().collect();
    assert!(inputs.complete() && inputs.damage().is_empty(), "{:?}", inputs.damage());
    (recording.header().clone(), all)
}

#[test]
fn a_recording_of_a_live_session_replays_to_the_same_lines() {
    for (watched, (protocol, _, kind)) in WATCHED.iter().zip(LINES) {
        let (header, inputs) = recorded(watched);
        assert_eq!(
            inputs.last().map(|input| (input.at, &input.kind)),
            Some((SessionTime::from_duration(LENGTH), &InputKind::End))
        );
        assert!(inputs.iter().zip(0..).all(|(input, number)| input.number == number));
        let (lines, _, frames) = replayed(&header, inputs.into_iter());
        same(&lines, &watched.lines, &format!("{protocol} {kind}"));
        // What was compared is a session with something in it.
        let has = |text: &str| lines.iter().any(|line| line.contains(text));
        assert!(has("before the switch") && has("first frame") && 50 < frames, "{protocol}: {frames} frames");
        for said in [
            "\"change\":\"withdrawn\"",
            "before power: insulation, minus to frame with insulation tester: look into it: 400 kohm, below 1 Mohm",
            "before power: right fuse: taken back, not done",
            "before power: connectors locked: passed, taken 66 min before; the third from the left",
            "21 of 24 checks before power not done: props off, helper, fire plan and 18 more",
        ] {
            assert!(has(said), "{protocol}: {said}");
        }
        match kind {
            FaultKind::Unplug => assert!(has("\"lost\"")),
            FaultKind::FlippedBits => {}
            _ => assert!(has("\"event\":\"alarm\"") && has("cell 7"), "{protocol}"),
        }
        assert!(lines.last().is_some_and(|line| line.starts_with("{\"event\":\"verdict\",\"at_s\":8.000,")));
        let changes: Vec<bool> =
            watched.recorder.iter().zip(["started", "finished"]).map(|(line, change)| line.contains(change)).collect();
        assert_eq!((changes, watched.recorder.len()), (vec![true, true], 2), "{:?}", watched.recorder);
    }
}

#[test]
fn bytes_split_anywhere_and_merged_again_give_the_same_lines_and_the_same_csv() {
    for (watched, (protocol, _, kind)) in WATCHED.iter().zip(LINES) {
        let (header, inputs) = recorded(watched);
        let (_, csv, _) = replayed(&header, inputs.clone().into_iter());
        for seed in 1..=40 {
            let mut dice = dice(seed);
            let split = split(&inputs, &mut dice);
            assert!(inputs.len() < split.len());
            let merged = merge(split.clone(), &mut dice);
            assert!(merged.len() < split.len());
            for (how, inputs) in [("split", split), ("merged", merged)] {
                let (lines, again, _) = replayed(&header, inputs.into_iter());
                same(&lines, &watched.lines, &format!("{protocol} {kind} {how}, seed {seed}"));
                assert!(again == csv, "{protocol} {kind} {how}, seed {seed}: the CSV differs");
            }
        }
    }
}

#[test]
fn the_csv_has_a_row_for_each_frame_and_is_the_same_again() {
    for (watched, (protocol, _, _)) in WATCHED.iter().zip(LINES) {
        let (header, inputs) = recorded(watched);
        let (_, csv, frames) = replayed(&header, inputs.clone().into_iter());
        let (_, again, _) = replayed(&header, inputs.into_iter());
        assert!(csv == again, "{protocol}");
        let csv = String::from_utf8(csv).expect("CSV is text");
        assert_eq!(csv.lines().count(), 1 + frames, "{protocol}");
        let width = csv.lines().next().map(|header| header.split(',').count());
        assert!(csv.lines().all(|row| Some(row.split(',').count()) == width), "{protocol}");
        let times: Vec<f64> = csv.lines().skip(1).filter_map(|row| row.split(',').next()?.parse().ok()).collect();
        assert!(times.len() == frames && times.is_sorted(), "{protocol}");
    }
}

fn all_faults() -> impl Strategy<Value = Vec<Fault>> {
    let kinds: Vec<FaultKind> = Fault::all().collect();
    let fault = (proptest::sample::select(kinds), 0_u64..12_000, 0_u16..26, 0.0..=1.0_f64).prop_map(
        |(kind, at_millis, place, severity)| Fault { kind, at: SessionTime::from_millis(at_millis), place, severity },
    );
    proptest::collection::vec(fault, 0..3)
}

fn scene(seed: u64) -> Scene {
    if seed.is_multiple_of(2) { Scene::practice(seed) } else { Scene { seed, ..short_scene() } }
}

/// Checks that splitting, merging and quiet moments change nothing. Gives the lines.
fn check(line: usize, faults: &[Fault], seed: u64, length: SessionTime) -> Vec<String> {
    let (protocol, pack, _) = LINES[line];
    let header = header(protocol, pack);
    let inputs = simulated(protocol, &scene(seed), faults, length);
    let expected = replayed(&header, inputs.clone().into_iter());
    let mut dice = dice(seed);
    let split = split(&inputs, &mut dice);
    let merged = merge(split.clone(), &mut dice);
    let quieted = quieted(&split, &mut dice);
    for (how, inputs) in [("split", split), ("merged", merged), ("quiet between", quieted)] {
        let got = replayed(&header, inputs.into_iter());
        same(&got.0, &expected.0, &format!("{how}: {protocol} {faults:?}, seed {seed}"));
        assert!(got.1 == expected.1, "{how}: the CSV differs: {protocol} {faults:?}, seed {seed}");
    }
    expected.0
}

#[test]
fn each_fault_alone_gives_the_same_lines_however_it_is_split() {
    let mut with_alarms = 0;
    for (line, kind) in (0..3).flat_map(|line| Fault::all().map(move |kind| (line, kind))) {
        let lines = check(line, &[Fault::new(kind)], 2 + line as u64, SessionTime::from_millis(20_000));
        with_alarms += usize::from(lines.iter().any(|line| line.starts_with("{\"event\":\"alarm\"")));
    }
    // What was compared is worth it: most faults raise alarms.
    assert!(3 * 10 < with_alarms, "{with_alarms}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_faults_give_the_same_lines_however_they_are_split(
        line in 0_usize..3,
        faults in all_faults(),
        seed in 1_u64..1_000_000,
        millis in 500_u64..16_000,
    ) {
        check(line, &faults, seed, SessionTime::from_millis(millis));
    }

    /// What is written to a file and read again is what was written, whatever its splits.
    #[test]
    fn a_recording_of_any_session_replays_to_the_same_lines(
        line in 0_usize..3,
        faults in all_faults(),
        seed in 1_u64..1_000_000,
    ) {
        let (protocol, pack, _) = LINES[line];
        let header = header(protocol, pack);
        let inputs = simulated(protocol, &scene(seed), &faults, SessionTime::from_millis(6_000));
        let (expected, _, _) = replayed(&header, inputs.clone().into_iter());
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("session.mcap");
        let mut writer = recording::Writer::create(&path, &header).unwrap();
        let mut dice = dice(seed);
        for (input, number) in split(&inputs, &mut dice).into_iter().zip(0..) {
            writer.append(&Input { number, ..input }).unwrap();
            if dice(50) == 0 {
                writer.flush().unwrap();
            }
        }
        writer.finish().unwrap();
        let recording = Recording::open(&path).unwrap();
        prop_assert_eq!(recording.header(), &header);
        let (lines, _, _) = replayed(recording.header(), recording.inputs());
        same(&lines, &expected, protocol);
    }
}
