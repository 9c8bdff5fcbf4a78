//! The only way out: bytes that the owner of a source asks to send, while the source is open.

use std::io::ErrorKind;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use model::SessionTime;

use crate::clock::SessionClock;
use crate::running::Shared;

/// How long a send may hold up its caller when the line takes no more bytes.
pub(crate) const SEND_LIMIT: Duration = Duration::from_millis(20);
const PAUSE: Duration = Duration::from_millis(1);

/// Why bytes were not sent, or not all of them.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SendError {
    /// The kind of source can only be listened to.
    #[error("a UDP port and standard input are only listened to: nothing can be sent there")]
    OnlyListens,
    /// It is lost, not open yet, or stopped.
    #[error("the source is not open now: nothing was sent")]
    NotOpen,
    /// The line takes no bytes: its flow control holds them back, or the other end does not read.
    #[error("the line takes no more bytes: {sent} of {of} were sent")]
    Jammed {
        /// How many bytes were taken nevertheless.
        sent: usize,
        /// How many there were to send.
        of: usize,
    },
    /// The system refused. A source that is gone is also told as Lost, by its reading.
    #[error("sending failed after {sent} bytes: {why}")]
    Failed {
        /// How many bytes were taken before.
        sent: usize,
        /// What the system says.
        #[source]
        why: std::io::Error,
    },
}

impl SendError {
    /// How many of the bytes were sent nevertheless, from the first one on.
    pub fn sent(&self) -> usize {
        match self {
            Self::OnlyListens | Self::NotOpen => 0,
            Self::Jammed { sent, .. } | Self::Failed { sent, .. } => *sent,
        }
    }
}

/// What bytes go out by. Nothing here waits longer than a few milliseconds.
pub(crate) trait WayOut: Send {
    /// Whether bytes that were written before have not left this machine yet, as far as the system tells.
    fn holds_bytes(&mut self) -> bool;

    /// Writes what there is room for; `WouldBlock` or `TimedOut` if there is none.
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize>;
}

/// Whether anything can be sent now.
#[derive(Default)]
pub(crate) struct Sending(Mutex<State>);

#[derive(Default)]
enum State {
    OnlyListens,
    #[default]
    Closed,
    Open(Box<dyn WayOut>),
}

impl std::fmt::Debug for Sending {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // Not locked: a send may hold it.
        f.write_str("Sending")
    }
}

impl Sending {
    pub(crate) fn only_listens() -> Self {
        Self(Mutex::new(State::OnlyListens))
    }

    /// Sends all of the bytes, at once or not at all as far as the line allows.
    pub(crate) fn send(&self, bytes: &[u8]) -> Result<(), SendError> {
        match &mut *self.lock() {
            State::OnlyListens => Err(SendError::OnlyListens),
            State::Closed => Err(SendError::NotOpen),
            State::Open(way) => send_by(&mut **way, bytes),
        }
    }

    fn set(&self, state: State) {
        *self.lock() = state;
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, State> {
        // The state is whole at every moment.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// While it lives, bytes can be sent by this way; it goes with the opening that it belongs to.
pub(crate) struct OpenWay<'s>(&'s Shared);

impl<'s> OpenWay<'s> {
    pub(crate) fn open(shared: &'s Shared, way: Option<Box<dyn WayOut>>) -> Self {
        shared.sending.set(way.map_or(State::Closed, State::Open));
        Self(shared)
    }
}

impl Drop for OpenWay<'_> {
    fn drop(&mut self) {
        self.0.sending.set(State::Closed);
    }
}

fn send_by(way: &mut dyn WayOut, bytes: &[u8]) -> Result<(), SendError> {
    let jammed = |sent| SendError::Jammed { sent, of: bytes.len() };
    // Questions that pile up behind a line that is held back would all go out at once when it is let go.
    if way.holds_bytes() {
        return Err(jammed(0));
    }
    let clock = SessionClock::start();
    let mut sent = 0;
    while let Some(rest) = bytes.get(sent..).filter(|rest| !rest.is_empty()) {
        match way.write(rest) {
            Ok(0) => return Err(SendError::Failed { sent, why: ErrorKind::WriteZero.into() }),
            Ok(written) => sent += written,
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => {
                if SEND_LIMIT <= clock.now().since(SessionTime::ZERO) {
                    return Err(jammed(sent));
                }
                std::thread::sleep(PAUSE);
            }
            Err(why) => return Err(SendError::Failed { sent, why }),
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::collections::VecDeque;
    use std::sync::Arc;

    use super::*;

    /// What each write gives; after them there is no room.
    struct Script {
        writes: VecDeque<std::io::Result<usize>>,
        holds: bool,
        out: Arc<Mutex<Vec<u8>>>,
    }

    impl WayOut for Script {
        fn holds_bytes(&mut self) -> bool {
            self.holds
        }

        fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
            let written = self.writes.pop_front().unwrap_or(Err(ErrorKind::WouldBlock.into()))?;
            self.out.lock().unwrap().extend_from_slice(&bytes[..written]);
            Ok(written)
        }
    }

    fn check(writes: Vec<std::io::Result<usize>>, holds: bool, expected: &str, out: &[u8]) {
        let taken = Arc::<Mutex<Vec<u8>>>::default();
        let shared = Shared::default();
        let way = OpenWay::open(&shared, Some(Box::new(Script { writes: writes.into(), holds, out: taken.clone() })));
        let clock = SessionClock::start();
        let result = shared.sending.send(b"question");
        let took = clock.now().since(SessionTime::ZERO);
        assert!(took < SEND_LIMIT + Duration::from_millis(80), "{took:?}");
        let said = result.as_ref().map_or_else(ToString::to_string, |()| "sent".to_owned());
        assert_eq!(said, expected);
        assert_eq!(taken.lock().unwrap().as_slice(), out);
        assert_eq!(result.map_or_else(|error| error.sent(), |()| 8), out.len());
        drop(way);
        assert!(matches!(shared.sending.send(b"late"), Err(SendError::NotOpen)));
    }

    #[test]
    fn what_went_out_is_told_whatever_happens() {
        let not_now = || Err(ErrorKind::WouldBlock.into());
        check(vec![Ok(8)], false, "sent", b"question");
        check(vec![Ok(3), not_now(), Err(ErrorKind::Interrupted.into()), Ok(5)], false, "sent", b"question");
        check(vec![], false, "the line takes no more bytes: 0 of 8 were sent", b"");
        check(vec![Ok(3)], false, "the line takes no more bytes: 3 of 8 were sent", b"que");
        check(vec![Ok(8)], true, "the line takes no more bytes: 0 of 8 were sent", b"");
        check(vec![Ok(2), Ok(0)], false, "sending failed after 2 bytes: write zero", b"qu");
        let gone = Err(ErrorKind::BrokenPipe.into());
        check(vec![gone], false, "sending failed after 0 bytes: broken pipe", b"");
    }

    #[test]
    fn without_a_way_out_nothing_is_sent() {
        assert!(matches!(Sending::only_listens().send(b"x"), Err(SendError::OnlyListens)));
        assert!(matches!(Sending::default().send(b"x"), Err(SendError::NotOpen)));
        let shared = Shared::default();
        let _way = OpenWay::open(&shared, None);
        assert!(matches!(shared.sending.send(b"x"), Err(SendError::NotOpen)));
    }
}
