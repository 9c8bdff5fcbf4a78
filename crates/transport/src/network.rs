//! TCP and UDP.

use std::io::ErrorKind;
use std::net::{SocketAddr, TcpStream as StdTcpStream, ToSocketAddrs, UdpSocket as StdUdpSocket};
use std::sync::atomic::Ordering;
use std::time::Duration;

use model::{Input, InputKind};
use socket2::{SockRef, TcpKeepalive};
use tokio::net::{TcpStream, UdpSocket};

use crate::backoff::Backoff;
use crate::delivery::{Flow, Outlet};
use crate::open_error::{OpenError, OpenErrorKind};
use crate::running::{Shared, Waiting};
use crate::sending::{OpenWay, WayOut};

/// How long one address may take to answer.
const CONNECT_TIMEOUT: Duration = Duration::from_secs(3);

/// A connection on which something that was sent is not confirmed for so long is dead.
#[cfg(target_os = "linux")]
const UNCONFIRMED_LIMIT: Duration = Duration::from_secs(11);

const STREAM_BUFFER_BYTES: usize = 16 * 1024;
/// The longest datagram there is.
const DATAGRAM_BUFFER_BYTES: usize = 65_535;
/// Room for datagrams while the queue is full; the system may give less.
const DATAGRAM_ROOM_BYTES: usize = 1024 * 1024;

pub(crate) struct Tcp {
    stream: StdTcpStream,
    pub(crate) peer: SocketAddr,
    pub(crate) source: String,
}

/// Connects to `host:port`; each address of the host is tried for 3 s.
pub(crate) fn connect(address: &str) -> Result<Tcp, OpenError> {
    let what = format!("TCP connection to {address:?}");
    let mut last = None;
    for peer in resolve(address, &what)? {
        match StdTcpStream::connect_timeout(&peer, CONNECT_TIMEOUT).and_then(|stream| {
            prepare(&SockRef::from(&stream))?;
            stream.set_nonblocking(true)?;
            Ok(stream)
        }) {
            Ok(stream) => return Ok(Tcp { stream, peer, source: format!("TCP {address}") }),
            Err(error) => last = Some(error),
        }
    }
    let Some(error) = last else {
        return Err(OpenError::new(OpenErrorKind::BadAddress, what, "the name has no address").hinting(ADDRESS_HINT));
    };
    let (kind, hint) = match error.kind() {
        ErrorKind::ConnectionRefused => (
            OpenErrorKind::Refused,
            "the machine answers, but nothing listens there: check the port number and that the bridge is running",
        ),
        ErrorKind::TimedOut | ErrorKind::HostUnreachable | ErrorKind::NetworkUnreachable => {
            (OpenErrorKind::TimedOut, "nothing answers: check the address, the power and the network of the other end")
        }
        _ => (OpenErrorKind::Failed, "check the address and the network"),
    };
    Err(OpenError::new(kind, what, error.to_string()).hinting(hint).caused_by(error))
}

pub(crate) struct Udp {
    socket: StdUdpSocket,
    pub(crate) local: SocketAddr,
    pub(crate) source: String,
}

/// Listens on `address:port`.
pub(crate) fn bind(bind: &str) -> Result<Udp, OpenError> {
    let what = format!("UDP port {bind:?}");
    let mut last = None;
    for local in resolve(bind, &what)? {
        match bind_to(local) {
            Ok(socket) => {
                // The system chose the port if 0 was asked for.
                let local = socket.local_addr().unwrap_or(local);
                return Ok(Udp { socket, local, source: format!("UDP {local}") });
            }
            Err(error) => last = Some(error),
        }
    }
    let Some(error) = last else {
        return Err(OpenError::new(OpenErrorKind::BadAddress, what, "the name has no address").hinting(ADDRESS_HINT));
    };
    let (kind, hint) = match error.kind() {
        ErrorKind::AddrInUse => {
            (OpenErrorKind::AddressInUse, "another program listens there already: close it, or choose another port")
        }
        ErrorKind::AddrNotAvailable => (
            OpenErrorKind::BadAddress,
            "this machine has no such address: give one of its own, or 0.0.0.0 to listen on all of them",
        ),
        ErrorKind::PermissionDenied => {
            (OpenErrorKind::PermissionDenied, "ports below 1024 are the administrator's: choose a higher one")
        }
        _ => (OpenErrorKind::Failed, "check the address and the network"),
    };
    Err(OpenError::new(kind, what, error.to_string()).hinting(hint).caused_by(error))
}

/// Reads a connection until told to stop; connects again when it is gone.
pub(crate) async fn run_tcp(first: Tcp, outlet: &Outlet, shared: &Shared) {
    let Tcp { stream, peer, source } = first;
    let mut backoff = Backoff::new();
    let mut stream = TcpStream::from_std(stream);
    loop {
        let why = match stream {
            Ok(stream) => {
                // Before Opened is told: whoever hears of it may send at once.
                let _way = OpenWay::open(shared, way_out(&stream));
                if outlet.deliver_now(InputKind::Opened { source: source.clone() }).await == Flow::Over {
                    return;
                }
                match read_stream(&stream, outlet, shared, &mut backoff).await {
                    Some(why) => why,
                    None => return,
                }
            }
            Err(error) => error.to_string(),
        };
        if outlet.deliver_now(InputKind::Lost { why: why.clone() }).await == Flow::Over {
            return;
        }
        shared.set_waiting(Some(Waiting::NotThere { why }));
        stream = loop {
            if outlet.wait(backoff.pause()).await == Flow::Over {
                return;
            }
            shared.turns.fetch_add(1, Ordering::Relaxed);
            let connecting = tokio::time::timeout(CONNECT_TIMEOUT, TcpStream::connect(peer));
            let why = match outlet.stop.run_until_cancelled(connecting).await {
                None => return,
                Some(Ok(Ok(stream))) => match prepare(&SockRef::from(&stream)) {
                    Ok(()) => break Ok(stream),
                    Err(error) => error.to_string(),
                },
                Some(Ok(Err(error))) => error.to_string(),
                Some(Err(_)) => format!("no answer within {} s", CONNECT_TIMEOUT.as_secs()),
            };
            shared.set_waiting(Some(Waiting::NotThere { why }));
        };
        shared.set_waiting(None);
    }
}

/// A second handle of the connection; it does not wait, as the first one does not.
struct SecondHandle(socket2::Socket);

fn way_out(stream: &TcpStream) -> Option<Box<dyn WayOut>> {
    let socket = SockRef::from(stream).try_clone().ok()?;
    Some(Box::new(SecondHandle(socket)))
}

impl WayOut for SecondHandle {
    /// Not told: a dead peer is found by the time limit of the connection instead.
    fn holds_bytes(&mut self) -> bool {
        false
    }

    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.send(bytes)
    }
}

/// Why the connection is gone; `None` if it is time to stop.
async fn read_stream(stream: &TcpStream, outlet: &Outlet, shared: &Shared, backoff: &mut Backoff) -> Option<String> {
    let mut buffer = vec![0; STREAM_BUFFER_BYTES];
    loop {
        shared.turns.fetch_add(1, Ordering::Relaxed);
        if let Err(error) = outlet.stop.run_until_cancelled(stream.readable()).await? {
            return Some(error.to_string());
        }
        match stream.try_read(&mut buffer) {
            Ok(0) => return Some("closed by the other end".to_owned()),
            Ok(read) => {
                let at = outlet.clock.now();
                let bytes = buffer.get(..read).unwrap_or(&buffer).to_vec();
                if outlet.deliver(Input::new(at, InputKind::Bytes(bytes))).await == Flow::Over {
                    return None;
                }
                backoff.reset();
            }
            Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::Interrupted) => {}
            Err(error) => return Some(error.to_string()),
        }
    }
}

/// Reads datagrams until told to stop; binds again when the socket fails.
pub(crate) async fn run_udp(first: Udp, outlet: &Outlet, shared: &Shared) {
    let Udp { socket, local, source } = first;
    let mut backoff = Backoff::new();
    let mut socket = UdpSocket::from_std(socket);
    loop {
        let why = match socket {
            Ok(socket) => {
                if outlet.deliver_now(InputKind::Opened { source: source.clone() }).await == Flow::Over {
                    return;
                }
                match read_datagrams(&socket, outlet, shared, &mut backoff).await {
                    Some(why) => why,
                    None => return,
                }
            }
            Err(error) => error.to_string(),
        };
        if outlet.deliver_now(InputKind::Lost { why: why.clone() }).await == Flow::Over {
            return;
        }
        shared.set_waiting(Some(Waiting::NotThere { why }));
        socket = loop {
            if outlet.wait(backoff.pause()).await == Flow::Over {
                return;
            }
            shared.turns.fetch_add(1, Ordering::Relaxed);
            match bind_to(local).and_then(UdpSocket::from_std) {
                Ok(socket) => break Ok(socket),
                Err(error) => shared.set_waiting(Some(Waiting::NotThere { why: error.to_string() })),
            }
        };
        shared.set_waiting(None);
    }
}

/// Why the socket failed; `None` if it is time to stop.
async fn read_datagrams(socket: &UdpSocket, outlet: &Outlet, shared: &Shared, backoff: &mut Backoff) -> Option<String> {
    let mut buffer = vec![0; DATAGRAM_BUFFER_BYTES];
    loop {
        shared.turns.fetch_add(1, Ordering::Relaxed);
        match outlet.stop.run_until_cancelled(socket.recv_from(&mut buffer)).await? {
            Ok((read, _from)) => {
                let at = outlet.clock.now();
                let bytes = buffer.get(..read).unwrap_or(&buffer).to_vec();
                if outlet.deliver(Input::new(at, InputKind::Datagram(bytes))).await == Flow::Over {
                    return None;
                }
                backoff.reset();
            }
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            Err(error) => return Some(error.to_string()),
        }
    }
}

const ADDRESS_HINT: &str = "give host and port, such as \"192.0.2.7:5000\"";

fn resolve(address: &str, what: &str) -> Result<Vec<SocketAddr>, OpenError> {
    match address.to_socket_addrs() {
        Ok(addresses) => Ok(addresses.collect()),
        Err(error) => Err(OpenError::new(OpenErrorKind::BadAddress, what, error.to_string())
            .hinting(ADDRESS_HINT)
            .caused_by(error)),
    }
}

fn bind_to(local: SocketAddr) -> std::io::Result<StdUdpSocket> {
    let socket = StdUdpSocket::bind(local)?;
    // Only a wish: with less room a slow receiver loses sooner, nothing else changes.
    drop(SockRef::from(&socket).set_recv_buffer_size(DATAGRAM_ROOM_BYTES));
    socket.set_nonblocking(true)?;
    Ok(socket)
}

/// Makes a new connection ready.
///
/// A call to a port of this machine that nobody listens on can, by chance, reach its own end (a simultaneous open,
/// RFC 9293 section 3.5): that is no peer.
fn prepare(socket: &SockRef<'_>) -> std::io::Result<()> {
    let (local, peer) = (socket.local_addr()?.as_socket(), socket.peer_addr()?.as_socket());
    if local == peer {
        return Err(ErrorKind::ConnectionRefused.into());
    }
    // A question goes out at once, even if the one before has not been confirmed.
    socket.set_tcp_nodelay(true)?;
    keep_alive(socket)
}

/// A dead peer sends nothing, not even an end: the system asks after 5 s of silence and gives up after about 6 s more.
fn keep_alive(socket: &SockRef<'_>) -> std::io::Result<()> {
    let keepalive = TcpKeepalive::new().with_time(Duration::from_secs(5)).with_interval(Duration::from_secs(2));
    #[cfg(not(windows))]
    let keepalive = keepalive.with_retries(3);
    // It does not ask while something that was sent is not confirmed: then this limit holds.
    #[cfg(target_os = "linux")]
    socket.set_tcp_user_timeout(Some(UNCONFIRMED_LIMIT))?;
    socket.set_tcp_keepalive(&keepalive)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_connection_asks_a_silent_peer() {
        let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        let tcp = connect(&listener.local_addr().unwrap().to_string()).unwrap();
        let socket = SockRef::from(&tcp.stream);
        assert!(socket.keepalive().unwrap());
        assert_eq!(socket.tcp_keepalive_time().unwrap(), Duration::from_secs(5));
    }

    #[test]
    fn a_connection_to_itself_is_refused() {
        use socket2::{Domain, Socket, Type};

        // Bound to the port that it calls: it always reaches itself.
        let socket = Socket::new(Domain::IPV4, Type::STREAM, None).unwrap();
        socket.bind(&SocketAddr::from(([127, 0, 0, 1], 0)).into()).unwrap();
        let own = socket.local_addr().unwrap();
        socket.connect(&own).unwrap();
        assert_eq!(prepare(&SockRef::from(&socket)).unwrap_err().kind(), ErrorKind::ConnectionRefused);
    }

    #[test]
    fn refusals_say_what_to_do() {
        // A port that was free a moment ago.
        let free = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().to_string();
        let taken = StdUdpSocket::bind("127.0.0.1:0").unwrap();
        let taken = taken.local_addr().map(|address| (taken, address.to_string())).unwrap();
        let cases = [
            (connect(&free).err(), OpenErrorKind::Refused),
            (connect("127.0.0.1").err(), OpenErrorKind::BadAddress),
            (connect("").err(), OpenErrorKind::BadAddress),
            (connect("127.0.0.1:99999").err(), OpenErrorKind::BadAddress),
            (bind(&taken.1).err(), OpenErrorKind::AddressInUse),
            // An address for documentation (RFC 5737): no machine has it.
            (bind("192.0.2.7:0").err(), OpenErrorKind::BadAddress),
            (bind("nonsense").err(), OpenErrorKind::BadAddress),
        ];
        for (error, kind) in cases {
            let error = error.expect("it opened");
            assert_eq!(error.kind(), kind, "{error}");
            assert!(error.hint().is_some(), "{error}");
        }
    }
}
