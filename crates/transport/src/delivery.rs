//! Sending inputs over the bounded queue, and waiting, both until told to stop.

use std::pin::pin;
use std::time::Duration;

use model::{Input, InputKind};
use tokio::runtime::{Builder, Runtime};
use tokio::sync::mpsc;
use tokio::sync::mpsc::error::TrySendError;
use tokio_util::sync::CancellationToken;

use crate::clock::SessionClock;

/// How long an input that was read already may still wait for room in the queue after the stop.
const GRACE: Duration = Duration::from_millis(40);

/// Whether to go on.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Flow {
    On,
    /// Told to stop, or nobody listens any more.
    Over,
}

/// The way out of a source: its clock, the queue and the stop.
#[derive(Clone)]
pub(crate) struct Outlet {
    pub(crate) clock: SessionClock,
    pub(crate) to: mpsc::Sender<Input>,
    pub(crate) stop: CancellationToken,
}

impl Outlet {
    /// Sends one input and waits for room as long as it takes; once told to stop, for [`GRACE`] at most.
    pub(crate) async fn deliver(&self, input: Input) -> Flow {
        let mut sending = pin!(self.to.send(input));
        let sent = match self.stop.run_until_cancelled(&mut sending).await {
            Some(sent) => sent.is_ok(),
            None => {
                // What was read before the stop belongs to the session, if there is room for it.
                let late = tokio::time::timeout(GRACE, sending).await;
                return if matches!(late, Ok(Ok(()))) { Flow::On } else { Flow::Over };
            }
        };
        if sent { Flow::On } else { Flow::Over }
    }

    /// Sends something that happened just now.
    pub(crate) async fn deliver_now(&self, kind: InputKind) -> Flow {
        self.deliver(Input::new(self.clock.now(), kind)).await
    }

    /// Waits; shorter if told to stop.
    pub(crate) async fn wait(&self, length: Duration) -> Flow {
        match self.stop.run_until_cancelled(tokio::time::sleep(length)).await {
            Some(()) => Flow::On,
            None => Flow::Over,
        }
    }
}

/// The same for a thread that reads with blocking calls.
pub(crate) struct BlockingOutlet {
    outlet: Outlet,
    /// Only for waiting: it runs no tasks.
    waiting: Runtime,
}

impl BlockingOutlet {
    /// # Errors
    /// If the system gives no more resources.
    pub(crate) fn new(outlet: Outlet) -> std::io::Result<Self> {
        Ok(Self { outlet, waiting: Builder::new_current_thread().enable_time().build()? })
    }

    pub(crate) fn clock(&self) -> &SessionClock {
        &self.outlet.clock
    }

    pub(crate) fn stop(&self) -> &CancellationToken {
        &self.outlet.stop
    }

    pub(crate) fn deliver(&self, input: Input) -> Flow {
        match self.outlet.to.try_send(input) {
            Ok(()) => Flow::On,
            Err(TrySendError::Closed(_)) => Flow::Over,
            Err(TrySendError::Full(input)) => self.waiting.block_on(self.outlet.deliver(input)),
        }
    }

    pub(crate) fn deliver_now(&self, kind: InputKind) -> Flow {
        self.deliver(Input::new(self.outlet.clock.now(), kind))
    }

    pub(crate) fn wait(&self, length: Duration) -> Flow {
        self.waiting.block_on(self.outlet.wait(length))
    }
}

/// Says Lost if the thread that holds it dies: a dead reader must not look like a quiet line.
pub(crate) struct LastWords(pub(crate) Outlet);

impl Drop for LastWords {
    fn drop(&mut self) {
        if std::thread::panicking() {
            let lost = InputKind::Lost { why: "the reading thread failed: a fault of this program".to_owned() };
            // No waiting while unwinding; `Running::join` tells as well.
            drop(self.0.to.try_send(Input::new(self.0.clock.now(), lost)));
        }
        // With its reader gone, the rest of the source has nothing left to do.
        self.0.stop.cancel();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_dying_thread_says_lost() {
        let (to, mut from) = mpsc::channel(4);
        let outlet = Outlet { clock: SessionClock::start(), to, stop: CancellationToken::new() };
        let stop = outlet.stop.clone();
        let thread = std::thread::Builder::new()
            .name("dies on purpose".to_owned())
            .spawn(move || {
                let _words = LastWords(outlet);
                panic!("on purpose");
            })
            .unwrap();
        assert!(thread.join().is_err());
        assert!(matches!(from.try_recv().unwrap().kind, InputKind::Lost { .. }));
        assert!(stop.is_cancelled());
    }

    #[test]
    fn what_was_read_before_the_stop_is_sent_if_there_is_room_and_else_given_up_in_time() {
        let (to, mut from) = mpsc::channel(1);
        let outlet = Outlet { clock: SessionClock::start(), to, stop: CancellationToken::new() };
        let clock = outlet.clock;
        outlet.stop.cancel();
        let outlet = BlockingOutlet::new(outlet).unwrap();
        assert_eq!(outlet.deliver_now(InputKind::Bytes(vec![1])), Flow::On);
        let before = clock.now();
        assert_eq!(outlet.deliver_now(InputKind::Bytes(vec![2])), Flow::Over);
        let took = clock.now().since(before);
        assert!(GRACE <= took && took < Duration::from_millis(200), "{took:?}");
        assert_eq!(from.try_recv().unwrap().kind, InputKind::Bytes(vec![1]));
        assert_eq!(outlet.wait(Duration::from_secs(10)), Flow::Over);
    }
}
