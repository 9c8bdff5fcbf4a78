//! Receives inputs with a limit on the time.

use std::time::Duration;

use model::{Input, InputKind};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use transport::{OpenError, Running, SessionClock, Source};

/// Nothing here takes this long unless it is broken.
pub(crate) const LONG: Duration = Duration::from_secs(5);

pub(crate) struct Inbox {
    runtime: tokio::runtime::Runtime,
    from: mpsc::Receiver<Input>,
}

impl Inbox {
    /// The next input; `None` if none comes within this time.
    pub(crate) fn within(&mut self, limit: Duration) -> Option<Input> {
        let next = self.runtime.block_on(async { tokio::time::timeout(limit, self.from.recv()).await });
        next.unwrap_or_default()
    }

    #[track_caller]
    pub(crate) fn next(&mut self) -> InputKind {
        self.within(LONG).expect("an input").kind
    }

    /// Whether the source has let go of the queue and nothing is left in it.
    pub(crate) fn is_over(&mut self) -> bool {
        self.from.is_closed() || (self.from.is_empty() && self.from.sender_strong_count() == 0)
    }

    #[track_caller]
    pub(crate) fn opened(&mut self) -> String {
        match self.next() {
            InputKind::Opened { source } => source,
            other => panic!("not opened: {other:?}"),
        }
    }

    #[track_caller]
    pub(crate) fn lost(&mut self) -> String {
        match self.next() {
            InputKind::Lost { why } => why,
            other => panic!("not lost: {other:?}"),
        }
    }

    /// Joins bytes until there are `length`; checks that the stamps do not go back and that nothing else comes.
    #[track_caller]
    pub(crate) fn bytes(&mut self, length: usize) -> Vec<u8> {
        let mut all = Vec::new();
        let mut last = model::SessionTime::ZERO;
        while all.len() < length {
            let input = self.within(LONG).expect("more bytes");
            assert!(last <= input.at, "{last} then {}", input.at);
            last = input.at;
            match input.kind {
                InputKind::Bytes(bytes) => {
                    assert!(!bytes.is_empty());
                    all.extend(bytes);
                }
                other => panic!("{} bytes, then {other:?}", all.len()),
            }
        }
        all
    }
}

pub(crate) fn start(source: Source, room: usize) -> Result<(Running, Inbox), OpenError> {
    let (to, from) = mpsc::channel(room);
    let running = transport::start(source, SessionClock::start(), to, CancellationToken::new())?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
    Ok((running, Inbox { runtime, from }))
}

/// Bytes in which each place is different from its neighbours far around.
pub(crate) fn pattern(length: usize) -> Vec<u8> {
    (0..length as u32).flat_map(|number| number.to_be_bytes()).take(length).collect()
}

/// Stops and says how long that took.
#[track_caller]
pub(crate) fn stop(running: Running) -> Duration {
    let clock = SessionClock::start();
    running.stop().unwrap();
    clock.reading().session.since(model::SessionTime::ZERO)
}
