//! Questions of the protocol file, asked of a device behind a real pseudo-terminal: with permission only, one at a time,
//! at their periods, recorded and replayed to the same lines.
#![cfg(unix)]

use std::fs::File;
use std::io::{ErrorKind, Read, Write};
use std::os::fd::AsFd;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use model::{Batch, Command, HandReading, Input, InputKind, Item, LineSettings, SessionHeader, SessionTime, Times};
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use nix::sys::termios;
use packwake_tests::Dice;
use parser::Protocol;
use recording::Recording;
use rules::{Outcome, Verdict};
use session::{Engine, Live, Note, SessionEvent, json_line};
use transport::{SerialSource, Source};

/// Sixteen cells and the pack's values in holding registers: questions and answers of function 3 as in the MODBUS
/// Application Protocol Specification V1.1b3, section 6.3, framed as in MODBUS over Serial Line V1.02.
const PROTOCOL: &str = r#"
protocol = "seed hopper, asked"

[line]
baud = 115200

[[frame]]
name = "plain"
longest = 256
parts = [
  { name = "server", type = "u8", role = "id" },
  { name = "function", type = "u8", role = "id" },
  { name = "body", role = "body" },
  { name = "check", type = "u16 le", role = "check", crc = "CRC-16/MODBUS" },
]

[[frame]]
name = "sized"
longest = 256
parts = [
  { name = "server", type = "u8", role = "id" },
  { name = "function", type = "u8", role = "id" },
  { name = "size", type = "u8", role = "size", counts = ["body"] },
  { name = "body", role = "body" },
  { name = "check", type = "u16 le", role = "check", crc = "CRC-16/MODBUS" },
]

[[message]]
name = "ask_cells"
frames = ["plain"]
id = { server = 1, function = 3 }
parts = [{ name = "register", type = "u16 be", equals = 0 }, { name = "count", type = "u16 be", equals = 16 }]

[[message]]
name = "cells"
frames = ["sized"]
id = { server = 1, function = 3 }
answers = "ask_cells"
every = "100 ms"
parts = [{ name = "cell", type = "u16 be", times = 16, unit = "mV", channel = "cell voltage" }]

[[message]]
name = "ask_pack"
frames = ["plain"]
id = { server = 1, function = 3 }
parts = [{ name = "register", type = "u16 be", equals = 100 }, { name = "count", type = "u16 be", equals = 4 }]

[[message]]
name = "pack"
frames = ["sized"]
id = { server = 1, function = 3 }
answers = "ask_pack"
every = "150 ms"
parts = [
  { name = "pack", type = "u16 be", unit = "mV", scale = 10, channel = "pack voltage" },
  { name = "current", type = "i16 be", unit = "mA", scale = 10, channel = "current", positive = "discharge" },
  { name = "temperature", type = "i16 be", times = 2, unit = "degC", scale = 0.1, channel = "temperature" },
]

[[ask]]
message = "ask_cells"
every = "100 ms"
wait = "60 ms"

[[ask]]
message = "ask_pack"
every = "150 ms"
wait = "60 ms"
"#;

const PACK: &str = r#"
pack = "Seed hopper 16S"
chemistry = "NMC"
cells = 16
capacity = "10 Ah"
temperatures = ["cells 1-8", "cells 9-16"]
observe = "3 s"

[waivers]
"temperature rate" = "a test of seconds is too short for it"
"pack sum" = "the device reports the computed sum"
status = "this device has no status register"
"#;

const ASK_CELLS: [u8; 6] = [1, 3, 0, 0, 0, 16];
const ASK_PACK: [u8; 6] = [1, 3, 0, 100, 0, 4];

/// CRC-16/MODBUS: reflected, polynomial 0x8005, from 0xFFFF.
fn crc(bytes: &[u8]) -> [u8; 2] {
    let crc = bytes.iter().fold(0xFFFF_u16, |crc, byte| {
        (0..8).fold(crc ^ u16::from(*byte), |crc, _| if crc & 1 == 1 { crc >> 1 ^ 0xA001 } else { crc >> 1 })
    });
    crc.to_le_bytes()
}

fn framed(bytes: &[u8]) -> Vec<u8> {
    [bytes, &crc(bytes)].concat()
}

/// How the device behaves.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Manner {
    Answers,
    /// Repeats each question on the line first, as a two-wire adapter that hears itself does.
    Echoes,
    NeverAnswers,
}

/// A device behind a pseudo-terminal, on a thread of its own. Unplugged when it is stopped.
struct Device {
    path: PathBuf,
    stop: Arc<AtomicBool>,
    thread: JoinHandle<Vec<u8>>,
}

impl Device {
    fn start(manner: Manner) -> Self {
        let pair = nix::pty::openpty(None, None).expect("the system has a pseudo-terminal left");
        let mut settings = termios::tcgetattr(&pair.slave).expect("it has settings");
        termios::cfmakeraw(&mut settings);
        termios::tcsetattr(&pair.slave, termios::SetArg::TCSANOW, &settings).expect("it takes settings");
        let path = nix::unistd::ttyname(&pair.slave).expect("it has a name");
        let (master, stop) = (File::from(pair.master), Arc::new(AtomicBool::new(false)));
        let told = Arc::clone(&stop);
        let work = move || serve(master, manner, &told);
        let thread = std::thread::Builder::new().name("device".to_owned()).spawn(work).expect("a thread");
        Self { path, stop, thread }
    }

    /// Unplugs it; every byte that it has heard.
    fn stop(self) -> Vec<u8> {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.join().expect("the device works")
    }
}

fn serve(mut line: File, manner: Manner, stop: &AtomicBool) -> Vec<u8> {
    let (mut heard, mut settled, mut turn) = (Vec::new(), 0, 0);
    let mut buffer = [0; 256];
    while !stop.load(Ordering::Relaxed) {
        let mut fds = [PollFd::new(line.as_fd(), PollFlags::POLLIN)];
        poll(&mut fds, PollTimeout::from(10_u8)).expect("a pseudo-terminal can be polled");
        let readable = fds.iter().filter_map(PollFd::revents).any(|events| events.contains(PollFlags::POLLIN));
        if !readable {
            // While nobody has it open, a poll returns at once.
            std::thread::sleep(Duration::from_millis(1));
            continue;
        }
        match line.read(&mut buffer) {
            Ok(read) => heard.extend_from_slice(&buffer[..read]),
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            // Closed at the other end just now.
            Err(_) => continue,
        }
        while let Some(question) = heard.get(settled..settled + 8) {
            settled += 8;
            if manner == Manner::NeverAnswers {
                continue;
            }
            assert_eq!(crc(&question[..6]), question[6..], "a whole question");
            let values: Vec<u16> = match &question[..6] {
                question if question == ASK_CELLS => {
                    // Each reads a little different each time, as a live converter does.
                    turn += 1;
                    (0..16).map(|cell| 3840 + (cell + turn) % 4).collect()
                }
                // 61.46 V, no current, 24.5 and 25.0 degC.
                question if question == ASK_PACK => vec![6146, 0, 245, 250],
                other => panic!("not asked by the file: {other:02X?}"),
            };
            let mut answer = vec![1, 3, 2 * u8::try_from(values.len()).expect("a short answer")];
            answer.extend(values.iter().flat_map(|value| value.to_be_bytes()));
            let answer = framed(&answer);
            if manner == Manner::Echoes {
                line.write_all(question).expect("it is open");
            }
            std::thread::sleep(Duration::from_millis(3));
            // In two pieces, as adapters deliver.
            let (first, second) = answer.split_at(answer.len() / 2);
            if line.write_all(first).is_ok() {
                std::thread::sleep(Duration::from_millis(2));
                drop(line.write_all(second));
            }
        }
    }
    heard
}

fn header() -> SessionHeader {
    SessionHeader {
        protocol_text: PROTOCOL.to_owned(),
        pack_text: PACK.to_owned(),
        source: "a device behind a pseudo-terminal".to_owned(),
        practice: false,
        times: Times::Measured,
        started_utc_nanos: None,
        tool_version: "a test".to_owned(),
        host: String::new(),
    }
}

struct Watched {
    lines: Vec<String>,
    remarks: Vec<String>,
    verdict: Verdict,
    header: SessionHeader,
    inputs: Vec<Input>,
}

/// Watches a device and records it; at each tick the test may do something.
fn watch(name: &str, path: &Path, may_ask: bool, length: Duration, tick: &mut dyn FnMut(SessionTime)) -> Watched {
    let file = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("polling-{name}.mcap"));
    // There is none at the first run.
    drop(std::fs::remove_file(&file));
    let leads = Command::Reading(HandReading::sense_pins(true, "meter"));
    let live = Live {
        source: Source::Serial(SerialSource { path: path.to_owned(), settings: LineSettings::new(115_200) }),
        header: header(),
        record: Some(file.clone()),
        length: Some(length),
        before: vec![leads],
        may_ask,
    };
    let (mut lines, mut remarks) = (Vec::new(), Vec::new());
    let mut say = |event: &SessionEvent, _: &Engine| lines.extend(line(event));
    let mut look = |note: Note<'_>| match note {
        Note::Tick(engine) => tick(engine.judge().now()),
        Note::Remark(text) => remarks.push(text.to_owned()),
    };
    let stop = tokio_util::sync::CancellationToken::new();
    let end = session::live(live, &stop, &mut say, &mut look).expect("it is watched");
    assert_eq!(end.recording_incomplete, None);
    let recording = Recording::open(&file).expect("the recording opens");
    let mut recorded = recording.inputs();
    let inputs: Vec<Input> = recorded.by_ref().collect();
    assert!(recorded.complete() && recorded.damage().is_empty(), "{:?}", recorded.damage());
    let header = recording.header().clone();
    Watched { lines, remarks, verdict: end.engine.judge().verdict(), header, inputs }
}

fn line(event: &SessionEvent) -> Option<String> {
    (!matches!(event, SessionEvent::Recorder { .. })).then(|| json_line(event, false))
}

#[derive(Default)]
struct Replayed {
    lines: Vec<String>,
    rows: Vec<usize>,
    rejected: usize,
}

fn replayed(header: &SessionHeader, inputs: impl IntoIterator<Item = Input>) -> Replayed {
    let mut engine = Engine::new(header.clone()).expect("the texts are sound");
    let mut got = Replayed { rows: vec![0; engine.protocol().layout().kinds.len()], ..Replayed::default() };
    let mut show = |batch: &Batch| {
        for item in &batch.order {
            match item {
                Item::Row { kind, .. } => got.rows[usize::from(*kind)] += 1,
                Item::Rejected(_) => got.rejected += 1,
            }
        }
    };
    let mut lines = Vec::new();
    session::replay(&mut engine, inputs.into_iter(), &mut |event, _| lines.extend(line(event)), &mut show);
    got.lines = lines;
    got
}

/// Checks that the recording, whole and split anywhere, says what the live session said.
#[track_caller]
fn check_replays(watched: &Watched) -> Replayed {
    let whole = replayed(&watched.header, watched.inputs.clone());
    assert_eq!(whole.lines, watched.lines);
    for seed in 1..=20 {
        let mut dice = Dice::new(seed);
        let mut pieces = Vec::new();
        for input in &watched.inputs {
            let InputKind::Bytes(bytes) = &input.kind else {
                pieces.push(input.clone());
                continue;
            };
            let mut rest = bytes.as_slice();
            while !rest.is_empty() {
                let (piece, more) = rest.split_at(rest.len().min(1 + dice.between(0.0, rest.len() as f64) as usize));
                pieces.push(Input::new(input.at, InputKind::Bytes(piece.to_vec())));
                rest = more;
            }
        }
        let split = replayed(&watched.header, pieces);
        assert_eq!(split.lines, watched.lines, "seed {seed}");
        assert_eq!((split.rows, split.rejected), (whole.rows.clone(), whole.rejected), "seed {seed}");
    }
    whole
}

/// When each question was sent, as recorded.
fn sent(watched: &Watched, question: [u8; 6]) -> Vec<SessionTime> {
    let question = InputKind::Sent(framed(&question));
    watched.inputs.iter().filter(|input| input.kind == question).map(|input| input.at).collect()
}

fn all_sent(watched: &Watched) -> Vec<u8> {
    let bytes = watched.inputs.iter().filter_map(|input| match &input.kind {
        InputKind::Sent(bytes) => Some(bytes.as_slice()),
        _ => None,
    });
    bytes.collect::<Vec<_>>().concat()
}

/// None comes twice in one of its periods, which count from the opening, and most come within this time of the period's
/// beginning.
#[track_caller]
fn check_period(watched: &Watched, question: [u8; 6], every: Duration, most_late: Duration) -> usize {
    let opened = watched.inputs.iter().find(|input| matches!(input.kind, InputKind::Opened { .. }));
    let opened = opened.expect("it was opened").at;
    let times: Vec<u128> = sent(watched, question).iter().map(|at| at.since(opened).as_nanos()).collect();
    let every = every.as_nanos();
    for pair in times.windows(2) {
        assert!(pair[0] / every < pair[1] / every, "twice in one period: {pair:?}");
    }
    let mut late: Vec<u128> = times.iter().map(|at| at % every).collect();
    late.sort();
    let median = late[late.len() / 2];
    assert!(median < most_late.as_nanos(), "{median} ns");
    times.len()
}

fn count(lines: &[String], text: &str) -> usize {
    lines.iter().filter(|line| line.contains(text)).count()
}

#[test]
fn the_device_speaks_the_published_checksum() {
    // The check value of CRC-16/MODBUS in the Catalogue of Parametrised CRC Algorithms: 0x4B37 of "123456789".
    assert_eq!(crc(b"123456789"), [0x37, 0x4B]);
    let (protocol, _) = Protocol::parse(PROTOCOL);
    let questions = session::questions(&Arc::new(protocol.expect("it is sound")));
    let bytes: Vec<Vec<u8>> = questions.into_iter().map(|question| question.bytes).collect();
    assert_eq!(bytes, [framed(&ASK_CELLS), framed(&ASK_PACK)]);
}

#[test]
fn a_device_that_answers_is_watched_and_replays_to_the_same_lines() {
    let device = Device::start(Manner::Answers);
    let watched = watch("answers", &device.path, true, Duration::from_secs(6), &mut |_| {});
    let heard = device.stop();
    assert!(heard == all_sent(&watched), "what was recorded as sent is what the device heard");
    // A third of the questions for the pack waits for the answer of the cells, 5 ms and a rest.
    let cells = check_period(&watched, ASK_CELLS, Duration::from_millis(100), Duration::from_millis(20));
    let pack = check_period(&watched, ASK_PACK, Duration::from_millis(150), Duration::from_millis(20));
    assert_eq!(8 * (cells + pack), heard.len());
    // 60 and 40 on a machine that has time.
    assert!((50..=60).contains(&cells) && (33..=40).contains(&pack), "{cells}, {pack}");

    let replayed = check_replays(&watched);
    // Questions are no rows: they were not on the line. At most the last of each had no time for its answer.
    assert_eq!((replayed.rows[0], replayed.rows[2], replayed.rejected), (0, 0, 0));
    assert!(cells <= replayed.rows[1] + 1 && pack <= replayed.rows[3] + 1, "{:?}", replayed.rows);
    // Each question is said once, not twenty times a second.
    let said: Vec<&String> = watched.lines.iter().filter(|line| line.contains(r#""change":"sent""#)).collect();
    assert_eq!(said.len(), 2, "{said:?}");
    assert!(said[0].contains("asks 01 03 00 00 00 10 44 06 (8 bytes"), "{said:?}");
    let alarms: Vec<&String> = watched.lines.iter().filter(|line| line.contains(r#""event":"alarm""#)).collect();
    assert_eq!(alarms, [""; 0]);
    // All that the verdict needs came as answers.
    assert_eq!(watched.verdict.outcome, Outcome::Go, "{:?}", watched.verdict);
}

#[test]
fn an_echo_is_no_answer() {
    let device = Device::start(Manner::Echoes);
    let watched = watch("echoes", &device.path, true, Duration::from_secs(3), &mut |_| {});
    device.stop();
    let replayed = check_replays(&watched);
    let (cells, pack) = (sent(&watched, ASK_CELLS).len(), sent(&watched, ASK_PACK).len());
    assert!(20 <= cells && cells <= replayed.rows[1] + 1 && pack <= replayed.rows[3] + 1, "{:?}", replayed.rows);
    // Had the echo counted as the answer, the next question would have gone out into it, and it would be unpaired.
    assert_eq!(replayed.rejected, 0);
}

#[test]
fn without_permission_the_device_hears_nothing() {
    let device = Device::start(Manner::Answers);
    let watched = watch("not-allowed", &device.path, false, Duration::from_secs(2), &mut |_| {});
    assert_eq!(device.stop(), b"", "nothing may be sent");
    assert_eq!(all_sent(&watched), b"");
    check_replays(&watched);
    assert_eq!(watched.verdict.outcome, Outcome::CannotTell);
}

#[test]
fn a_device_that_never_answers_is_asked_at_its_periods_and_cannot_be_told() {
    let device = Device::start(Manner::NeverAnswers);
    let watched = watch("never", &device.path, true, Duration::from_secs(6), &mut |_| {});
    let heard = device.stop();
    assert!(heard == all_sent(&watched));
    // Each keeps the line for its wait of 60 ms, so that they often wait for each other.
    let cells = check_period(&watched, ASK_CELLS, Duration::from_millis(100), Duration::from_millis(90));
    let pack = check_period(&watched, ASK_PACK, Duration::from_millis(150), Duration::from_millis(90));
    assert!((45..=60).contains(&cells) && (30..=40).contains(&pack), "{cells}, {pack}");
    for pair in watched.inputs.windows(2) {
        if let [Input { at: first, kind: InputKind::Sent(_), .. }, Input { at, kind: InputKind::Sent(_), .. }] = pair {
            assert!(Duration::from_millis(60) <= at.since(*first), "the next waits: {pair:?}");
        }
    }
    check_replays(&watched);
    assert!(watched.lines.len() < 20, "no flood: {:?}", watched.lines);
    assert_eq!(watched.verdict.outcome, Outcome::CannotTell);
    assert!(
        watched.verdict.because.iter().any(|because| because.contains("no byte came: is the BMS awake")),
        "{:?}",
        watched.verdict
    );
    assert_eq!(watched.remarks, [""; 0]);
}

#[test]
fn an_unplugged_device_is_asked_again_when_it_is_back() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("polling-line");
    // There is none at the first run.
    drop(std::fs::remove_dir_all(&folder));
    std::fs::create_dir_all(&folder).expect("the target folder can be written");
    let path = folder.join("line");
    let first = Device::start(Manner::Answers);
    symlink(&first.path, &path).expect("a link can be made");
    let (mut first, mut second, mut heard) = (Some(first), None, Vec::new());
    let mut tick = |at: SessionTime| {
        if SessionTime::from_millis(1_500) <= at
            && let Some(device) = first.take()
        {
            // The link goes first: the system gives the number of a closed pseudo-terminal away again at once.
            std::fs::remove_file(&path).expect("it is ours");
            heard.extend(device.stop());
        }
        if SessionTime::from_millis(2_500) <= at && second.is_none() {
            let device = Device::start(Manner::Answers);
            symlink(&device.path, &path).expect("a link can be made");
            second = Some(device);
        }
    };
    let watched = watch("unplugged", &path, true, Duration::from_secs(5), &mut tick);
    heard.extend(second.expect("it came back").stop());
    // A question that was under way when it was unplugged was sent and not heard.
    let all = all_sent(&watched);
    assert!(heard.len() <= all.len() && all.len() <= heard.len() + 8, "{} heard of {}", heard.len(), all.len());

    let place = |wanted: fn(&InputKind) -> bool| watched.inputs.iter().position(|input| wanted(&input.kind));
    let lost = place(|kind| matches!(kind, InputKind::Lost { .. })).expect("it was lost");
    let opened = watched.inputs.iter().rposition(|input| matches!(input.kind, InputKind::Opened { .. }));
    let opened = opened.filter(|opened| lost < *opened).expect("it was opened again");
    let is_sent = |input: &Input| matches!(input.kind, InputKind::Sent(_));
    assert!(!watched.inputs[lost..opened].iter().any(is_sent), "nothing is sent while it is gone");
    assert!(5 < watched.inputs[opened..].iter().filter(|input| is_sent(input)).count(), "it is asked again");
    let replayed = check_replays(&watched);
    assert!(20 < replayed.rows[1], "{:?}", replayed.rows);
    // It may be noticed by a write that fails, or by the reading: said once at most.
    assert!(count(&watched.remarks, "could not be sent") <= 1, "{:?}", watched.remarks);
    assert!(1 <= count(&watched.remarks, "waiting for it to come back"), "{:?}", watched.remarks);
    assert_eq!(count(&watched.lines, r#""change":"sent""#), 2, "said once for the whole session");
}
