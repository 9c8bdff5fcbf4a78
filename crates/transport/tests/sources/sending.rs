//! What is sent arrives, at once and whole; where it can't, that is told in time and the reading goes on.

use std::io::{ErrorKind, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::time::Duration;

use model::{LineSettings, SessionTime};
use serialport::{SerialPort, TTYPort};
use transport::{SendError, SerialSource, SessionClock, Source};

use crate::common::{LONG, pattern, start, stop};

const QUESTION: &[u8] = b"how are you";

fn line() -> (TTYPort, PathBuf) {
    let (mut far, near) = TTYPort::pair().unwrap();
    far.set_timeout(LONG).unwrap();
    let path = PathBuf::from(near.name().unwrap());
    (far, path)
}

fn serial(path: &Path) -> Source {
    Source::Serial(SerialSource { path: path.to_path_buf(), settings: LineSettings::new(115_200) })
}

fn received(far: &mut impl Read, length: usize) -> Vec<u8> {
    let mut bytes = vec![0; length];
    far.read_exact(&mut bytes).unwrap();
    bytes
}

fn since(clock: SessionClock) -> Duration {
    clock.now().since(SessionTime::ZERO)
}

/// Sends questions and lets the far end answer each; the median time from the send to the question's arrival.
fn conversation(send: impl Fn(&[u8]) -> Result<(), SendError>, far: &mut (impl Read + Write)) -> Duration {
    let mut times = Vec::new();
    for _ in 0..101 {
        let clock = SessionClock::start();
        send(QUESTION).unwrap();
        assert_eq!(received(far, QUESTION.len()), QUESTION);
        times.push(since(clock));
        far.write_all(b"well").unwrap();
        // So that the reading waits again when the next question comes.
        std::thread::sleep(Duration::from_millis(3));
    }
    times.sort();
    times[times.len() / 2]
}

#[test]
fn a_serial_line_carries_questions_at_once_while_it_is_read() {
    let (mut far, path) = line();
    let (running, mut inbox) = start(serial(&path), 1024).unwrap();
    inbox.opened();
    let median = conversation(|bytes| running.send(bytes), &mut far);
    println!("serial: {median:?} from the send to the arrival");
    assert!(median < Duration::from_millis(5), "{median:?}");
    assert_eq!(inbox.bytes(4 * 101), b"well".repeat(101));
    assert!(stop(running) < Duration::from_millis(200));
}

#[test]
fn a_connection_carries_questions_at_once_while_it_is_read() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let (running, mut inbox) = start(Source::Tcp { address }, 1024).unwrap();
    inbox.opened();
    let (mut far, _) = listener.accept().unwrap();
    far.set_read_timeout(Some(LONG)).unwrap();
    let median = conversation(|bytes| running.send(bytes), &mut far);
    println!("TCP: {median:?} from the send to the arrival");
    assert!(median < Duration::from_millis(5), "{median:?}");
    assert_eq!(inbox.bytes(4 * 101), b"well".repeat(101));
    stop(running);
}

#[test]
fn what_only_listens_refuses() {
    let udp = Source::Udp { bind: "127.0.0.1:0".to_owned() };
    assert!(udp.only_listens() && Source::StandardInput.only_listens() && !serial(Path::new("x")).only_listens());
    let (running, mut inbox) = start(udp, 8).unwrap();
    inbox.opened();
    let error = running.send(QUESTION).unwrap_err();
    assert!(matches!(error, SendError::OnlyListens));
    assert_eq!(error.to_string(), "a UDP port and standard input are only listened to: nothing can be sent there");
    stop(running);
}

#[test]
fn a_lost_line_refuses_until_it_is_open_again() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench-line");
    let (mut far, near) = line();
    symlink(&near, &path).unwrap();
    let (running, mut inbox) = start(serial(&path), 64).unwrap();
    inbox.opened();
    running.send(QUESTION).unwrap();
    assert_eq!(received(&mut far, QUESTION.len()), QUESTION);
    std::fs::remove_file(&path).unwrap();
    drop(far);
    // Before the reading has noticed, the system refuses; afterwards there is no way out.
    if let Err(error) = running.send(QUESTION) {
        assert!(matches!(error, SendError::Failed { sent: 0, .. } | SendError::NotOpen), "{error}");
    }
    inbox.lost();
    let error = running.send(QUESTION).unwrap_err();
    assert!(matches!(error, SendError::NotOpen) && error.sent() == 0, "{error}");

    let (mut far, near) = line();
    symlink(&near, &path).unwrap();
    inbox.opened();
    running.send(b"again").unwrap();
    assert_eq!(received(&mut far, 5), b"again");
    stop(running);
    // Nothing else was ever written; with both handles closed the line has hung up.
    assert_ne!(far.read(&mut [0; 16]).map_err(|error| error.kind()), Err(ErrorKind::TimedOut));
}

#[test]
fn a_lost_connection_refuses_until_it_is_open_again() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let (running, mut inbox) = start(Source::Tcp { address }, 64).unwrap();
    inbox.opened();
    drop(listener.accept().unwrap());
    inbox.lost();
    assert!(matches!(running.send(QUESTION), Err(SendError::NotOpen)));
    inbox.opened();
    let (mut far, _) = listener.accept().unwrap();
    running.send(QUESTION).unwrap();
    assert_eq!(received(&mut far, QUESTION.len()), QUESTION);
    stop(running);
    let mut rest = Vec::new();
    far.read_to_end(&mut rest).unwrap();
    assert_eq!(rest, b"", "nothing else was written");
}

/// Sends until the far end, which does not read, has no room left. What was told as sent is what then arrives.
fn jam(send: impl Fn(&[u8]) -> Result<(), SendError>) -> Vec<u8> {
    let pieces = pattern(1 << 24);
    let mut sent = 0;
    for piece in pieces.chunks(1000) {
        let clock = SessionClock::start();
        let result = send(piece);
        let took = since(clock);
        assert!(took < Duration::from_millis(150), "{took:?}");
        let Err(error) = result else {
            sent += piece.len();
            continue;
        };
        assert!(matches!(error, SendError::Jammed { of: 1000, .. }), "{error}");
        sent += error.sent();
        return pieces[..sent].to_vec();
    }
    panic!("it takes bytes without end");
}

#[test]
fn a_far_end_that_does_not_read_holds_up_nobody() {
    let (mut far, path) = line();
    let (running, mut inbox) = start(serial(&path), 64).unwrap();
    inbox.opened();
    let sent = jam(|bytes| running.send(bytes));
    // The reading goes on.
    far.write_all(b"still here").unwrap();
    assert_eq!(inbox.bytes(10), b"still here");
    assert!(received(&mut far, sent.len()) == sent, "other bytes arrived than were told as sent");
    running.send(QUESTION).unwrap();
    assert_eq!(received(&mut far, QUESTION.len()), QUESTION);
    // A quiet line does not make the reading spin, now that its reads do not wait by themselves.
    let before = running.turns();
    assert_eq!(inbox.within(Duration::from_millis(500)), None);
    let turns = running.turns() - before;
    assert!((5..=25).contains(&turns), "{turns} turns in half a quiet second");
    assert!(stop(running) < Duration::from_millis(200));
}

#[test]
fn a_peer_that_does_not_read_holds_up_nobody() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let (running, mut inbox) = start(Source::Tcp { address }, 64).unwrap();
    inbox.opened();
    let (mut far, _): (TcpStream, _) = listener.accept().unwrap();
    let sent = jam(|bytes| running.send(bytes));
    far.write_all(b"still here").unwrap();
    assert_eq!(inbox.bytes(10), b"still here");
    assert!(received(&mut far, sent.len()) == sent, "other bytes arrived than were told as sent");
    stop(running);
}
