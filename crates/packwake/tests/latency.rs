//! From the last byte written to a pseudo-terminal to the alarm: inside the program, and as a line on standard output.
#![cfg(unix)]
#![expect(clippy::disallowed_methods, reason = "a measurement reads the clock")]

use std::sync::mpsc::sync_channel;
use std::time::{Duration, Instant};

use model::{ColumnLayout, KindLayout, Quantity, SessionHeader, Times};
use packwake_tests::program::Program;
use packwake_tests::wire::Wire;
use packwake_tests::{protocol, root, text};
use session::{Engine, Live, SessionEvent};
use simulator::{ByProtocol, FrameMaker};
use transport::{SerialSource, Source};

const PROGRAM: Program = Program::new(env!("CARGO_BIN_EXE_packwake"));
const PROTOCOL: &str = "protocols/acorn-binary.toml";
const PACK: &str = "packs/acorn-24s-nmc.toml";
const FRAMES: usize = 240;
/// Odd against the tick of 50 ms, so that frames meet every phase of it.
const BETWEEN: Duration = Duration::from_millis(17);
/// Loose: a debug build on a busy machine. The aim is 1 ms in a release build.
const MEDIAN: Duration = Duration::from_millis(5);

/// A frame in which the BMS reports a fault, in every second one: an alarm without a delay, raised and returned.
fn frame(maker: &ByProtocol, number: usize) -> Vec<u8> {
    let mut bytes = Vec::new();
    let of_status = |kind: &KindLayout| kind.columns.iter().any(|column| column.channel.quantity == Quantity::Status);
    let kind = maker.layout().kinds.iter().position(of_status).expect("a message carries the status");
    let over_voltage = i64::from(number.is_multiple_of(2));
    let mut value = |column: &ColumnLayout| match column.channel.quantity {
        Quantity::Status => Some(over_voltage),
        _ => Some(0),
    };
    maker.frame(kind, &mut value, &mut bytes);
    bytes
}

/// Whether this is that alarm, raised or returned.
fn is_the_alarm(line: &str) -> bool {
    line.starts_with("{\"event\":\"alarm\"") && line.contains("\"check\":\"status\"")
}

/// Sends the frames one by one; the moments just before each one's write.
fn send(wire: &mut Wire) -> Vec<Instant> {
    let maker = ByProtocol::new(protocol(PROTOCOL));
    let mut moments = Vec::new();
    for number in 0..FRAMES {
        let bytes = frame(&maker, number);
        let (first, last) = bytes.split_at(bytes.len() - 1);
        assert!(wire.send(first));
        std::thread::sleep(BETWEEN);
        moments.push(Instant::now());
        assert!(wire.send(last));
    }
    // The last one's alarm is still on its way.
    std::thread::sleep(Duration::from_millis(300));
    moments
}

#[expect(clippy::print_stdout, reason = "a measurement prints")]
fn judge(where_to: &str, sent: &[Instant], said: &[Instant]) {
    assert_eq!(said.len(), sent.len(), "each frame raises or returns the alarm, and nothing else does");
    let mut delays: Vec<Duration> = said.iter().zip(sent).map(|(said, sent)| *said - *sent).collect();
    delays.sort();
    let (median, slow, worst) = (delays[FRAMES / 2], delays[FRAMES * 99 / 100], delays[FRAMES - 1]);
    println!("last byte to {where_to}: median {median:?}, p99 {slow:?}, worst {worst:?} of {FRAMES}");
    assert!(median < MEDIAN, "{where_to}: median {median:?}");
}

fn in_the_program() {
    let mut wire = Wire::new();
    let settings = protocol(PROTOCOL).line().expect("it says how its line is set");
    let header = SessionHeader {
        protocol_text: text(PROTOCOL),
        pack_text: text(PACK),
        source: "a test".to_owned(),
        practice: true,
        times: Times::Measured,
        started_utc_nanos: None,
        tool_version: String::new(),
        host: String::new(),
    };
    let live = Live {
        source: Source::Serial(SerialSource { path: wire.path().to_owned(), settings }),
        header,
        record: None,
        length: None,
        before: Vec::new(),
        may_ask: false,
    };
    let stop = tokio_util::sync::CancellationToken::new();
    let (to, said) = sync_channel(FRAMES * 2);
    std::thread::scope(|scope| {
        let stop_of_session = stop.clone();
        let session = scope.spawn(move || {
            let mut say = |event: &SessionEvent, _: &Engine| {
                if is_the_alarm(&session::json_line(event, true)) {
                    to.send(Instant::now()).expect("there is room");
                }
            };
            session::live(live, &stop_of_session, &mut say, &mut |_| {}).expect("it is watched");
        });
        wire.wait_until_open();
        let sent = send(&mut wire);
        stop.cancel();
        session.join().expect("it ends");
        judge("the alarm in the program", &sent, &said.iter().collect::<Vec<_>>());
    });
}

fn on_standard_output(record: bool) {
    let mut wire = Wire::new();
    let port = wire.path().display().to_string();
    let [protocol, pack] = [PROTOCOL, PACK].map(|path| root().join(path).display().to_string());
    let folder = tempfile::tempdir().expect("the system has a folder for that");
    let file = folder.path().join("recording.mcap").display().to_string();
    let mut arguments = vec!["watch", "--json", "--port", &port, "--protocol", &protocol, "--pack", &pack];
    if record {
        arguments.extend(["--record", &file]);
    }
    let running = PROGRAM.start(arguments);
    running.line(0, |line| line.contains("opened"));
    let sent = send(&mut wire);
    let said: Vec<Instant> = (0..FRAMES).map(|number| running.line(number, is_the_alarm).0).collect();
    let ended = running.kill();
    assert_eq!(ended.stdout.lines().filter(|line| is_the_alarm(line)).count(), FRAMES);
    judge(if record { "the alarm's line, while it records" } else { "the alarm's line" }, &sent, &said);
}

/// One after the other, so that they do not disturb each other.
#[test]
fn an_alarm_is_there_within_milliseconds_of_its_last_byte() {
    in_the_program();
    on_standard_output(false);
    on_standard_output(true);
}
