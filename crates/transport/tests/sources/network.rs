//! Loopback TCP and UDP.

use std::io::Write;
use std::net::{TcpListener, UdpSocket};
use std::time::Duration;

use model::InputKind;
use transport::{OpenErrorKind, Source, Waiting};

use crate::common::{pattern, start, stop};

#[test]
fn a_tcp_stream_arrives_complete_and_connects_again() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let (running, mut inbox) = start(Source::Tcp { address: address.clone() }, 8).unwrap();
    let (mut peer, _) = listener.accept().unwrap();
    assert_eq!(inbox.opened(), format!("TCP {address}"));

    let sent = pattern(500_000);
    let copy = sent.clone();
    let peer = std::thread::Builder::new()
        .name("far end".to_owned())
        .spawn(move || {
            peer.write_all(&copy).unwrap();
            peer
        })
        .unwrap();
    assert!(inbox.bytes(sent.len()) == sent, "the bytes differ");
    // Quiet is not lost.
    assert_eq!(inbox.within(Duration::from_millis(300)), None);

    drop(peer.join().unwrap());
    assert_eq!(inbox.lost(), "closed by the other end");
    let (mut peer, _) = listener.accept().unwrap();
    assert_eq!(inbox.opened(), format!("TCP {address}"));
    peer.write_all(b"again").unwrap();
    assert_eq!(inbox.bytes(5), b"again");

    // Nobody listens now: it is looked for again and again, and lost is told once.
    drop(listener);
    drop(peer);
    inbox.lost();
    assert_eq!(inbox.within(Duration::from_millis(700)), None);
    assert!(matches!(running.waiting(), Some(Waiting::NotThere { why }) if why.contains("refused")));
    let listener = TcpListener::bind(&address).unwrap();
    inbox.opened();
    assert_eq!(running.waiting(), None);
    drop(listener);
    let took = stop(running);
    assert!(took < Duration::from_millis(200), "{took:?}");
}

#[test]
fn a_peer_that_closes_at_once_is_not_called_without_pause() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let (running, mut inbox) = start(Source::Tcp { address }, 64).unwrap();
    let hang_up = std::thread::Builder::new()
        .name("far end".to_owned())
        .spawn(move || {
            // Three calls, then the listener is gone.
            for _ in 0..3 {
                drop(listener.accept().unwrap());
            }
        })
        .unwrap();
    let mut at = Vec::new();
    for _ in 0..3 {
        let opened = inbox.within(Duration::from_secs(3)).unwrap();
        assert!(matches!(opened.kind, InputKind::Opened { .. }));
        at.push(opened.at);
        inbox.lost();
    }
    hang_up.join().unwrap();
    // Pauses of 200 and 400 ms: no byte came in between, so the second is longer.
    let pauses: Vec<u128> = at.windows(2).map(|pair| pair[1].since(pair[0]).as_millis()).collect();
    assert!(200 <= pauses[0] && 400 <= pauses[1], "{pauses:?}");
    stop(running);
}

#[test]
fn a_slow_receiver_of_tcp_loses_nothing() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let (running, mut inbox) = start(Source::Tcp { address: listener.local_addr().unwrap().to_string() }, 1).unwrap();
    let (mut peer, _) = listener.accept().unwrap();
    inbox.opened();
    let sent = pattern(1_000_000);
    let copy = sent.clone();
    let far =
        std::thread::Builder::new().name("far end".to_owned()).spawn(move || peer.write_all(&copy).unwrap()).unwrap();
    let mut received = Vec::new();
    while received.len() < sent.len() {
        std::thread::sleep(Duration::from_millis(1));
        received.extend(inbox.bytes(1));
    }
    assert!(received == sent, "the bytes differ");
    far.join().unwrap();
    assert_eq!(inbox.lost(), "closed by the other end");
    stop(running);
}

#[test]
fn datagrams_keep_their_edges() {
    let (running, mut inbox) = start(Source::Udp { bind: "127.0.0.1:0".to_owned() }, 64).unwrap();
    let local = running.local_address().unwrap();
    assert_ne!(local.port(), 0);
    assert_eq!(inbox.opened(), format!("UDP {local}"));
    let far = UdpSocket::bind("127.0.0.1:0").unwrap();
    // An empty datagram is one too; the last is the longest that IPv4 carries (65535 less 20 and 8; RFC 768, RFC 791).
    let sent = [b"one".to_vec(), vec![], b"two".to_vec(), pattern(65_507)];
    for datagram in &sent {
        far.send_to(datagram, local).unwrap();
    }
    for datagram in &sent {
        assert_eq!(inbox.next(), InputKind::Datagram(datagram.clone()));
    }
    assert_eq!(inbox.within(Duration::from_millis(200)), None);
    let took = stop(running);
    assert!(took < Duration::from_millis(200), "{took:?}");
}

#[test]
fn datagrams_wait_while_the_queue_is_full() {
    let (running, mut inbox) = start(Source::Udp { bind: "127.0.0.1:0".to_owned() }, 1).unwrap();
    let local = running.local_address().unwrap();
    let far = UdpSocket::bind("127.0.0.1:0").unwrap();
    // 100 of 100 bytes fit into any system's buffer.
    for number in 0..100u8 {
        far.send_to(&[number; 100], local).unwrap();
    }
    inbox.opened();
    for number in 0..100u8 {
        std::thread::sleep(Duration::from_millis(1));
        assert_eq!(inbox.next(), InputKind::Datagram(vec![number; 100]));
    }
    stop(running);
}

#[test]
fn refusals_come_at_once() {
    let free = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().to_string();
    let Err(error) = start(Source::Tcp { address: free.clone() }, 1) else { panic!("connected") };
    assert_eq!(error.kind(), OpenErrorKind::Refused);
    assert!(error.to_string().starts_with(&format!("can't open TCP connection to {free:?}: ")), "{error}");
    assert!(error.hint().unwrap().contains("nothing listens there"));

    let (running, _inbox) = start(Source::Udp { bind: "127.0.0.1:0".to_owned() }, 1).unwrap();
    let taken = running.local_address().unwrap().to_string();
    let Err(error) = start(Source::Udp { bind: taken }, 1) else { panic!("bound twice") };
    assert_eq!(error.kind(), OpenErrorKind::AddressInUse);
    stop(running);
}

/// A runtime must not be dropped inside another one: the session starts sources from asynchronous code.
#[test]
fn a_source_starts_inside_a_runtime() {
    let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
    runtime.block_on(async {
        let (running, _inbox_from) = {
            let (to, from) = tokio::sync::mpsc::channel(4);
            let source = Source::Udp { bind: "127.0.0.1:0".to_owned() };
            let stop = tokio_util::sync::CancellationToken::new();
            (transport::start(source, transport::SessionClock::start(), to, stop).unwrap(), from)
        };
        running.stop().unwrap();
    });
}
