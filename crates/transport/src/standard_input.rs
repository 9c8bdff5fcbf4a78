//! Standard input: a pipe or a file, read to its end.

use std::io::ErrorKind;
use std::sync::atomic::Ordering;
use std::time::Duration;

use model::{Input, InputKind};

use crate::delivery::{BlockingOutlet, Flow};
use crate::running::Shared;

pub(crate) const SOURCE: &str = "standard input";

/// How soon the thread hears the stop.
const WAIT: Duration = Duration::from_millis(40);
const BUFFER_BYTES: usize = 64 * 1024;

/// Something that is read to its end.
pub(crate) trait Stream {
    /// Waits until a read would not block; false if nothing has come by then.
    fn wait(&mut self, length: Duration) -> std::io::Result<bool>;

    /// Reads what there is; 0 is the end.
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize>;
}

/// Reads to the end, then says End. A stream that fails is Lost first; there is no way to open it again.
pub(crate) fn run(mut stream: impl Stream, outlet: &BlockingOutlet, shared: &Shared) {
    if outlet.deliver_now(InputKind::Opened { source: SOURCE.to_owned() }) == Flow::Over {
        return;
    }
    let mut buffer = vec![0; BUFFER_BYTES];
    while !outlet.stop().is_cancelled() {
        shared.turns.fetch_add(1, Ordering::Relaxed);
        let read = match stream.wait(WAIT) {
            Ok(false) => continue,
            Ok(true) => stream.read(&mut buffer),
            Err(error) => Err(error),
        };
        match read {
            Ok(0) => {
                outlet.deliver_now(InputKind::End);
                return;
            }
            Ok(read) => {
                let at = outlet.clock().now();
                let bytes = buffer.get(..read).unwrap_or(&buffer).to_vec();
                if outlet.deliver(Input::new(at, InputKind::Bytes(bytes))) == Flow::Over {
                    return;
                }
            }
            Err(error) if matches!(error.kind(), ErrorKind::Interrupted | ErrorKind::WouldBlock) => {}
            Err(error) => {
                if outlet.deliver_now(InputKind::Lost { why: error.to_string() }) == Flow::On {
                    outlet.deliver_now(InputKind::End);
                }
                return;
            }
        }
    }
}

#[cfg(unix)]
mod system {
    use std::os::fd::AsFd;
    use std::time::Duration;

    use nix::poll::{PollFd, PollFlags, PollTimeout, poll};

    use super::Stream;

    /// A descriptor, read without a buffer in between, so that what was polled is what is read.
    pub(crate) struct Descriptor<F>(pub(crate) F);

    impl<F: AsFd> Stream for Descriptor<F> {
        fn wait(&mut self, length: Duration) -> std::io::Result<bool> {
            let mut descriptors = [PollFd::new(self.0.as_fd(), PollFlags::POLLIN)];
            let timeout = PollTimeout::try_from(length).unwrap_or(PollTimeout::ZERO);
            // A hang-up or an error counts as ready: the read tells it.
            Ok(poll(&mut descriptors, timeout)? != 0)
        }

        fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
            Ok(nix::unistd::read(&self.0, buffer)?)
        }
    }

    pub(crate) fn standard_input() -> impl Stream + Send {
        Descriptor(std::io::stdin())
    }
}

#[cfg(not(unix))]
mod system {
    use std::io::Read;
    use std::time::Duration;

    use super::Stream;

    /// Without a way to wait: the stop is heard only after the next bytes.
    struct Blocking(std::io::Stdin);

    impl Stream for Blocking {
        fn wait(&mut self, _length: Duration) -> std::io::Result<bool> {
            Ok(true)
        }

        fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
            self.0.lock().read(buffer)
        }
    }

    pub(crate) fn standard_input() -> impl Stream + Send {
        Blocking(std::io::stdin())
    }
}

pub(crate) use system::standard_input;

#[cfg(test)]
#[cfg(unix)]
mod tests {
    use std::io::Write;

    use tokio::sync::mpsc;
    use tokio_util::sync::CancellationToken;

    use super::*;
    use crate::clock::SessionClock;
    use crate::delivery::Outlet;

    fn run_on(
        stream: impl Stream + Send + 'static,
        room: usize,
    ) -> (mpsc::Receiver<Input>, CancellationToken, std::thread::JoinHandle<()>) {
        let (to, from) = mpsc::channel(room);
        let stop = CancellationToken::new();
        let outlet = Outlet { clock: SessionClock::start(), to, stop: stop.clone() };
        let thread = std::thread::Builder::new()
            .name("reads a pipe".to_owned())
            .spawn(move || run(stream, &BlockingOutlet::new(outlet).unwrap(), &Shared::default()))
            .unwrap();
        (from, stop, thread)
    }

    #[test]
    fn a_pipe_is_read_to_its_end() {
        let (reader, mut writer) = std::io::pipe().unwrap();
        let (mut from, _stop, thread) = run_on(system::Descriptor(reader), 1);
        assert!(matches!(from.blocking_recv().unwrap().kind, InputKind::Opened { .. }));
        writer.write_all(b"first").unwrap();
        assert_eq!(from.blocking_recv().unwrap().kind, InputKind::Bytes(b"first".to_vec()));
        // What was written right before the end is not lost.
        writer.write_all(b"last").unwrap();
        drop(writer);
        assert_eq!(from.blocking_recv().unwrap().kind, InputKind::Bytes(b"last".to_vec()));
        assert_eq!(from.blocking_recv().unwrap().kind, InputKind::End);
        assert_eq!(from.blocking_recv(), None);
        thread.join().unwrap();
    }

    #[test]
    fn a_quiet_pipe_stops_in_time_and_without_an_end() {
        let (reader, _writer) = std::io::pipe().unwrap();
        let clock = SessionClock::start();
        let (mut from, stop, thread) = run_on(system::Descriptor(reader), 10);
        assert!(matches!(from.blocking_recv().unwrap().kind, InputKind::Opened { .. }));
        let before = clock.now();
        stop.cancel();
        thread.join().unwrap();
        let took = clock.now().since(before);
        assert!(took < Duration::from_millis(200), "{took:?}");
        assert_eq!(from.blocking_recv(), None);
    }

    #[test]
    fn a_failing_stream_is_lost_and_ends() {
        // A folder can be polled and not read.
        let (mut from, _stop, thread) = run_on(system::Descriptor(std::fs::File::open("/").unwrap()), 10);
        thread.join().unwrap();
        assert!(matches!(from.blocking_recv().unwrap().kind, InputKind::Opened { .. }));
        assert!(matches!(from.blocking_recv().unwrap().kind, InputKind::Lost { .. }));
        assert_eq!(from.blocking_recv().unwrap().kind, InputKind::End);
    }
}
