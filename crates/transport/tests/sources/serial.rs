//! Serial ports, by pseudo-terminals. A pseudo-terminal has no rate, no parity and no modem lines: what depends on
//! those is not tested here.

use std::io::{ErrorKind, Write};
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::time::Duration;

use model::{InputKind, LineSettings, ModemLine, Parity};
use serialport::{SerialPort, TTYPort};
use transport::{OpenErrorKind, RateSearch, SerialSource, Source, Waiting};

use crate::common::{Inbox, pattern, start, stop};

/// The far end of a line, and the path of the near end.
fn line() -> (TTYPort, PathBuf) {
    let (far, near) = TTYPort::pair().unwrap();
    let path = PathBuf::from(near.name().unwrap());
    (far, path)
}

fn serial(path: &Path) -> Source {
    Source::Serial(SerialSource { path: path.to_path_buf(), settings: LineSettings::new(115_200) })
}

/// Writes all, as long as it takes the other side to read it.
fn send(far: &mut TTYPort, mut bytes: &[u8]) {
    while !bytes.is_empty() {
        match far.write(bytes) {
            Ok(written) => bytes = &bytes[written..],
            Err(error) if error.kind() == ErrorKind::TimedOut => {}
            Err(error) => panic!("{error}"),
        }
    }
}

fn send_in_background(mut far: TTYPort, bytes: Vec<u8>) -> std::thread::JoinHandle<TTYPort> {
    let work = move || {
        send(&mut far, &bytes);
        far
    };
    std::thread::Builder::new().name("far end".to_owned()).spawn(work).unwrap()
}

#[test]
fn bytes_arrive_in_order_and_complete() {
    let (far, path) = line();
    let (running, mut inbox) = start(serial(&path), 64).unwrap();
    assert_eq!(inbox.opened(), format!("{}, 115200 8N1", path.display()));
    assert_eq!(running.source(), format!("{}, 115200 8N1", path.display()));
    let sent = pattern(200_000);
    let far = send_in_background(far, sent.clone());
    assert!(inbox.bytes(sent.len()) == sent, "the bytes differ");
    // Held until the stop: a closed far end would be Lost.
    let _far = far.join().unwrap();
    assert!(stop(running) < Duration::from_millis(200));
    assert!(inbox.within(Duration::ZERO).is_none() && inbox.is_over());
}

#[test]
fn a_slow_receiver_loses_nothing() {
    let (far, path) = line();
    let (running, mut inbox) = start(serial(&path), 1).unwrap();
    inbox.opened();
    let sent = pattern(64_000);
    let far = send_in_background(far, sent.clone());
    let mut received = Vec::new();
    while received.len() < sent.len() {
        // Much slower than the line: the queue is full all the time.
        std::thread::sleep(Duration::from_millis(5));
        received.extend(inbox.bytes(1));
    }
    assert!(received == sent, "the bytes differ");
    far.join().unwrap();
    stop(running);
}

#[test]
fn quiet_is_not_lost() {
    let (mut far, path) = line();
    let (running, mut inbox) = start(serial(&path), 64).unwrap();
    inbox.opened();
    let before = running.turns();
    assert_eq!(inbox.within(Duration::from_secs(1)), None);
    let turns = running.turns() - before;
    assert!((10..=40).contains(&turns), "{turns} turns in a quiet second");
    assert_eq!(running.waiting(), None);
    send(&mut far, b"still here");
    assert_eq!(inbox.bytes(10), b"still here");
    stop(running);
}

#[test]
fn a_closed_line_is_lost_once_without_spinning_and_opens_again_by_its_path() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench-line");
    let (mut far, near) = line();
    symlink(&near, &path).unwrap();
    let (running, mut inbox) = start(serial(&path), 64).unwrap();
    inbox.opened();
    send(&mut far, b"before");
    assert_eq!(inbox.bytes(6), b"before");

    // The link goes first: the system gives the number of a closed pseudo-terminal away again at once.
    std::fs::remove_file(&path).unwrap();
    drop(far);
    assert_eq!(inbox.lost(), "unplugged, or closed at the other end");
    let before = running.turns();
    assert_eq!(inbox.within(Duration::from_millis(1_000)), None, "lost is told once");
    let turns = running.turns() - before;
    assert!((1..=4).contains(&turns), "{turns} turns in a second without a line");
    assert!(matches!(running.waiting(), Some(Waiting::NotThere { why }) if why.contains("no such port")));

    let (mut far, near) = line();
    symlink(&near, &path).unwrap();
    assert_eq!(inbox.opened(), format!("{}, 115200 8N1", path.display()));
    assert_eq!(running.waiting(), None);
    send(&mut far, b"after");
    assert_eq!(inbox.bytes(5), b"after");
    assert!(stop(running) < Duration::from_millis(200));
}

#[test]
fn a_port_that_is_open_already_is_busy_and_its_holder_is_named() {
    let (_far, path) = line();
    let (running, mut inbox) = start(serial(&path), 64).unwrap();
    inbox.opened();
    let Err(error) = start(serial(&path), 64) else { panic!("opened twice") };
    assert_eq!(error.kind(), OpenErrorKind::Busy);
    assert_eq!(error.to_string(), format!("can't open serial port {path:?}: another program has it"));
    let hint = error.hint().unwrap();
    if cfg!(target_os = "linux") {
        assert!(hint.starts_with("this program itself has it open"), "{hint}");
    }
    // The first session did not notice.
    assert_eq!(inbox.within(Duration::from_millis(100)), None);
    stop(running);
    // And it lets go of the port.
    let (running, _inbox) = start(serial(&path), 64).unwrap();
    stop(running);
}

/// Another process that holds the port and its lock, as another program would.
#[cfg(target_os = "linux")]
#[test]
fn another_program_that_has_the_port_is_named() {
    let (_far, path) = line();
    let held = std::fs::File::options().read(true).write(true).open(&path).unwrap();
    held.lock().unwrap();
    let mut other = std::process::Command::new("sleep").arg("30").stdin(held).spawn().unwrap();
    let outcome = start(serial(&path), 64);
    other.kill().unwrap();
    other.wait().unwrap();
    let Err(error) = outcome else { panic!("opened") };
    assert_eq!(error.kind(), OpenErrorKind::Busy);
    let expected = format!("\"sleep\" (process {}) has it open: close that program and try again", other.id());
    assert_eq!(error.hint(), Some(expected.as_str()));
    // It is free now.
    let (running, _inbox) = start(serial(&path), 64).unwrap();
    stop(running);
}

#[test]
fn a_port_that_is_not_there_says_what_is() {
    let Err(error) = start(serial(Path::new("/dev/ttySEED0")), 64) else { panic!("opened") };
    assert_eq!(error.kind(), OpenErrorKind::NotFound);
    assert_eq!(error.to_string(), "can't open serial port \"/dev/ttySEED0\": no such port");
    let hint = error.hint().unwrap();
    let ports = transport::ports().unwrap();
    match ports.first() {
        Some(port) => assert!(hint.contains(port.path.to_str().unwrap()), "{hint}"),
        None => assert!(hint.starts_with("no serial port is there"), "{hint}"),
    }
}

#[test]
fn settings_that_the_port_did_not_take_are_told() {
    let (_far, path) = line();
    let mut settings = LineSettings::new(250_000);
    settings.parity = Parity::Even;
    settings.dtr = ModemLine::Low;
    settings.rts = ModemLine::High;
    let (running, mut inbox) = start(Source::Serial(SerialSource { path, settings }), 64).unwrap();
    assert!(inbox.opened().ends_with("250000 8E1"));
    let remarks = running.remarks();
    assert!(remarks.iter().any(|remark| remark.contains("no DTR line")), "{remarks:?}");
    assert!(remarks.iter().any(|remark| remark.contains("no RTS line")), "{remarks:?}");
    assert!(remarks.iter().any(|remark| remark.contains("did not take 250000 8E1")), "{remarks:?}");
    stop(running);
}

#[test]
fn a_plain_line_needs_no_remark() {
    let (_far, path) = line();
    let (running, _inbox) = start(serial(&path), 64).unwrap();
    assert!(running.remarks().is_empty(), "{:?}", running.remarks());
    stop(running);
}

#[test]
fn it_stops_in_time_even_when_the_queue_is_full() {
    let (mut far, path) = line();
    let (running, inbox) = start(serial(&path), 1).unwrap();
    send(&mut far, b"one that finds no room");
    std::thread::sleep(Duration::from_millis(50));
    let took = stop(running);
    assert!(took < Duration::from_millis(200), "{took:?}");
    drop(inbox);
}

#[test]
fn it_stops_in_time_while_it_looks_for_the_port() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench-line");
    let (far, near) = line();
    symlink(&near, &path).unwrap();
    let (running, mut inbox) = start(serial(&path), 64).unwrap();
    inbox.opened();
    std::fs::remove_file(&path).unwrap();
    drop(far);
    inbox.lost();
    let took = stop(running);
    assert!(took < Duration::from_millis(200), "{took:?}");
}

#[test]
fn it_ends_when_nobody_listens_any_more() {
    let (_far, path) = line();
    let (running, mut inbox) = start(serial(&path), 64).unwrap();
    inbox.opened();
    drop::<Inbox>(inbox);
    let mut waited = 0;
    while !running.is_finished() && waited < 3_000 {
        std::thread::sleep(Duration::from_millis(20));
        waited += 20;
    }
    assert!(running.is_finished());
    running.join().unwrap();
}

#[test]
fn cancelling_the_token_from_outside_ends_it_without_an_end() {
    let (_far, path) = line();
    let (to, mut from) = tokio::sync::mpsc::channel(64);
    let token = tokio_util::sync::CancellationToken::new();
    let running = transport::start(serial(&path), transport::SessionClock::start(), to, token.clone()).unwrap();
    token.cancel();
    running.join().unwrap();
    let mut kinds = Vec::new();
    while let Some(input) = from.blocking_recv() {
        kinds.push(input.kind);
    }
    assert!(matches!(kinds.as_slice(), [InputKind::Opened { .. }]), "{kinds:?}");
}

#[test]
fn a_port_is_heard_at_one_rate_after_another() {
    let (far, path) = line();
    let mut search = RateSearch::open(&path, &LineSettings::new(115_200)).unwrap();
    let far = send_in_background(far, pattern(3_000));
    let heard = search.hear(&LineSettings::new(115_200), &mut |bytes, _| bytes.len() == 3_000).unwrap().unwrap();
    assert!(heard.bytes == pattern(3_000), "the bytes differ");
    // A pseudo-terminal counts no errors.
    assert_eq!(heard.misread, None);
    let mut far = far.join().unwrap();
    // What came before is not what this rate gives.
    send(&mut far, b"of the rate before");
    std::thread::sleep(Duration::from_millis(20));
    let quiet = search.hear(&LineSettings::new(9_600), &mut |_, passed| Duration::from_millis(200) <= passed);
    assert_eq!(quiet.unwrap().unwrap().bytes, b"");
    // A pseudo-terminal has no parity.
    let parity = LineSettings { parity: Parity::Even, ..LineSettings::new(9_600) };
    assert_eq!(search.hear(&parity, &mut |_, _| true).unwrap(), None);
    // Nobody else has the port meanwhile, and a far end that goes is told.
    assert!(RateSearch::open(&path, &LineSettings::new(9_600)).is_err());
    drop(far);
    let gone = search.hear(&LineSettings::new(9_600), &mut |_, passed| Duration::from_secs(5) <= passed);
    assert!(gone.is_err(), "{gone:?}");
}
