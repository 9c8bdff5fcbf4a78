//! A practice line that any program can open as a port: a pseudo-terminal that is written in real time.

use std::fs::File;
use std::io::{ErrorKind, Read, Write};
use std::os::fd::{AsFd, OwnedFd};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use std::{io, thread};

use model::SessionTime;
use nix::errno::Errno;
use nix::fcntl::{FcntlArg, FdFlag, OFlag, fcntl};
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use nix::sys::termios;

use crate::line::{ByteStream, FrameMaker, Piece};

/// A pseudo-terminal that nothing has been written to yet.
#[derive(Debug)]
pub struct PtyLine {
    master: File,
    path: PathBuf,
}

/// How a line ended.
#[derive(Debug)]
pub enum End {
    /// It was told to stop.
    Stopped,
    /// The port was unplugged, as its fault says.
    Unplugged,
    /// The system refused.
    Failed(io::Error),
}

/// What was sent.
#[derive(Debug)]
pub struct Sent {
    /// Bytes that the other side got, or still can read.
    pub bytes: u64,
    /// Bytes that nobody took: the port was not open, or its reader too slow.
    pub lost: u64,
    /// How it ended.
    pub end: End,
}

/// A line that is being written by a thread of its own. Dropped, it stops.
#[derive(Debug)]
pub struct Running {
    path: PathBuf,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<Sent>>,
}

/// How often a line looks whether somebody has opened its port.
const LOOK: Duration = Duration::from_millis(50);
/// How far behind a reader may be: bytes that a full port can't take by then are lost.
const PATIENCE: Duration = Duration::from_millis(200);
/// The longest wait at a stretch while a port is full.
const FULL_WAIT_MS: u8 = 20;
/// How often what was written to a quiet port is thrown away.
const QUIET_LOOK: Duration = Duration::from_millis(200);

impl PtyLine {
    /// Makes a pseudo-terminal that passes every byte as it is.
    ///
    /// # Errors
    /// What the system says: no pseudo-terminals left, not allowed.
    pub fn open() -> io::Result<Self> {
        let pair = nix::pty::openpty(None, None)?;
        let path = raw(&pair.slave)?;
        fcntl(&pair.master, FcntlArg::F_SETFD(FdFlag::FD_CLOEXEC))?;
        let flags = OFlag::from_bits_retain(fcntl(&pair.master, FcntlArg::F_GETFL)?);
        fcntl(&pair.master, FcntlArg::F_SETFL(flags | OFlag::O_NONBLOCK))?;
        // The port itself is closed here, so that its user can open it for himself alone and is seen to do so.
        drop(pair.slave);
        Ok(Self { master: File::from(pair.master), path })
    }

    /// What to open as the port.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Waits on a thread until the port is opened, then sends the stream at its own times, counted from there.
    ///
    /// After the end of the stream the port stays open and quiet; at its unplugging it disappears. While nobody has the
    /// port open, time goes on and the bytes are lost, as on a wire. What is written to the port is thrown away.
    ///
    /// # Errors
    /// No thread can be started.
    pub fn start<M: FrameMaker + Send + 'static>(self, stream: ByteStream<M>) -> io::Result<Running> {
        let stop = Arc::new(AtomicBool::new(false));
        let mut writer = Writer { master: self.master, stop: Arc::clone(&stop), bytes: 0, lost: 0 };
        let thread = thread::Builder::new().name("practice line".into()).spawn(move || {
            let end = writer.run(stream).unwrap_or_else(End::Failed);
            Sent { bytes: writer.bytes, lost: writer.lost, end }
        })?;
        Ok(Running { path: self.path, stop, thread: Some(thread) })
    }
}

impl Running {
    /// What to open as the port.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Whether the line has ended by itself.
    pub fn is_over(&self) -> bool {
        self.thread.as_ref().is_none_or(JoinHandle::is_finished)
    }

    /// Closes the line, within a tenth of a second or so.
    pub fn stop(mut self) -> Sent {
        self.finish(true)
    }

    /// Waits until the line ends by itself: unplugged, or failed.
    pub fn wait(mut self) -> Sent {
        self.finish(false)
    }

    fn finish(&mut self, stop: bool) -> Sent {
        self.stop.fetch_or(stop, Ordering::Relaxed);
        let ended = self.thread.take().map(|thread| {
            if stop {
                thread.thread().unpark();
            }
            thread.join()
        });
        match ended {
            Some(Ok(sent)) => sent,
            _ => Sent { bytes: 0, lost: 0, end: End::Failed(io::Error::other("the thread of the line broke down")) },
        }
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        if self.thread.is_some() {
            self.finish(true);
        }
    }
}

/// Sets the port so that no byte is translated, echoed or kept back, and names it.
fn raw(slave: &OwnedFd) -> nix::Result<PathBuf> {
    let mut settings = termios::tcgetattr(slave)?;
    termios::cfmakeraw(&mut settings);
    termios::tcsetattr(slave, termios::SetArg::TCSANOW, &settings)?;
    nix::unistd::ttyname(slave)
}

struct Writer {
    master: File,
    stop: Arc<AtomicBool>,
    bytes: u64,
    lost: u64,
}

impl Writer {
    fn run<M: FrameMaker>(&mut self, stream: ByteStream<M>) -> io::Result<End> {
        while !self.stopped() && !self.opened()? {
            thread::park_timeout(LOOK);
        }
        let start = now();
        let unplugged_at = stream.unplugged_at();
        for piece in stream {
            if !self.sleep_until(start, piece.at) {
                return Ok(End::Stopped);
            }
            self.send(start, &piece)?;
        }
        let Some(unplugged_at) = unplugged_at else {
            while !self.stopped() {
                thread::park_timeout(QUIET_LOOK);
                self.opened()?;
            }
            return Ok(End::Stopped);
        };
        Ok(if self.sleep_until(start, unplugged_at) { End::Unplugged } else { End::Stopped })
    }

    fn stopped(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }

    /// Whether anybody has the port open. What was written to it is thrown away, so that its writer is never held up.
    fn opened(&mut self) -> io::Result<bool> {
        let mut fds = [PollFd::new(self.master.as_fd(), PollFlags::POLLIN)];
        match poll(&mut fds, PollTimeout::ZERO) {
            Ok(_) | Err(Errno::EINTR) => {}
            Err(error) => return Err(error.into()),
        }
        let events = fds.iter().filter_map(PollFd::revents).fold(PollFlags::empty(), PollFlags::union);
        if events.contains(PollFlags::POLLIN) {
            let mut thrown_away = [0; 256];
            for _ in 0..64 {
                if !matches!(self.master.read(&mut thrown_away), Ok(1..)) {
                    break;
                }
            }
        }
        Ok(!events.contains(PollFlags::POLLHUP))
    }

    /// Sleeps until a time of the session that began at `start`; false if it was told to stop.
    fn sleep_until(&self, start: Instant, at: SessionTime) -> bool {
        loop {
            if self.stopped() {
                return false;
            }
            let left = at.since(since(start));
            if left.is_zero() {
                return true;
            }
            thread::park_timeout(left);
        }
    }

    fn send(&mut self, start: Instant, piece: &Piece) -> io::Result<()> {
        let mut rest = piece.bytes.as_slice();
        if !self.opened()? {
            self.lost += rest.len() as u64;
            return Ok(());
        }
        let patient_until = piece.at + PATIENCE;
        while !rest.is_empty() {
            match self.master.write(rest) {
                Ok(written) => {
                    self.bytes += written as u64;
                    rest = rest.get(written..).unwrap_or(&[]);
                }
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) if error.kind() == ErrorKind::WouldBlock => {
                    if self.stopped() || patient_until <= since(start) {
                        break;
                    }
                    let mut fds = [PollFd::new(self.master.as_fd(), PollFlags::POLLOUT)];
                    match poll(&mut fds, PollTimeout::from(FULL_WAIT_MS)) {
                        Ok(_) | Err(Errno::EINTR) => {}
                        Err(error) => return Err(error.into()),
                    }
                }
                // Closed between the look and the write.
                Err(error) if error.raw_os_error() == Some(Errno::EIO as i32) => break,
                Err(error) => return Err(error),
            }
        }
        self.lost += rest.len() as u64;
        Ok(())
    }
}

/// The time of the session that began at `start`.
fn since(start: Instant) -> SessionTime {
    SessionTime::from_duration(now().saturating_duration_since(start))
}

#[expect(clippy::disallowed_methods, reason = "a simulated line paces itself in real time")]
fn now() -> Instant {
    Instant::now()
}

#[cfg(test)]
mod tests {
    use std::fs::OpenOptions;

    use model::{ColumnLayout, Layout, LineSettings};

    use super::*;
    use crate::fault::{Fault, FaultKind};
    use crate::line::{Telegrams, byte_stream};
    use crate::scene::Scene;
    use crate::testing::ByHand;

    fn port(path: &Path) -> File {
        OpenOptions::new().read(true).write(true).open(path).expect("the port")
    }

    fn stream(faults: &[Fault], end: SessionTime) -> ByteStream<ByHand> {
        ByteStream::new(Telegrams::new(&Scene::practice(1), faults, ByHand::new()).until(end))
    }

    /// Every byte there is, on a fast line.
    struct AllBytes(Layout);

    impl FrameMaker for AllBytes {
        fn layout(&self) -> &Layout {
            &self.0
        }

        fn line(&self) -> LineSettings {
            LineSettings::new(921_600)
        }

        fn frame(&self, _: usize, _: &mut dyn FnMut(&ColumnLayout) -> Option<i64>, out: &mut Vec<u8>) {
            out.extend(0..=255);
        }
    }

    #[test]
    fn a_reader_gets_the_bytes_of_the_virtual_line_at_its_times() {
        let end = SessionTime::from_millis(1_000);
        let expected: Vec<u8> = byte_stream(&Scene::practice(1), &[], ByHand::new(), end)
            .into_iter()
            .flat_map(|(_, bytes)| bytes)
            .collect();
        let line = PtyLine::open().unwrap().start(stream(&[], end)).unwrap();
        // Nothing runs before the port is open.
        thread::sleep(Duration::from_millis(60));
        let began = now();
        let mut reader = port(line.path());
        let mut got = vec![0; expected.len()];
        reader.read_exact(&mut got).unwrap();
        let took = now().saturating_duration_since(began);
        assert_eq!(got, expected);
        // The last frames are due at 0.9 s; later is a busy machine's.
        assert!(Duration::from_millis(900) <= took, "{took:?}");
        let sent = line.stop();
        assert!(matches!(sent.end, End::Stopped), "{sent:?}");
        assert_eq!((sent.bytes, sent.lost), (expected.len() as u64, 0));
    }

    #[test]
    fn no_byte_is_translated_either_way() {
        let maker = AllBytes(crate::testing::layout(1, 0));
        let telegrams = Telegrams::new(&Scene::practice(1), &[], maker).until(SessionTime::from_millis(100));
        let line = PtyLine::open().unwrap().start(ByteStream::new(telegrams)).unwrap();
        let mut reader = port(line.path());
        // What the user writes goes nowhere and comes back from nowhere.
        reader.write_all(b"anybody there?\r\n\x03\x04").unwrap();
        let mut got = [0; 256];
        reader.read_exact(&mut got).unwrap();
        assert!(got.iter().copied().eq(0..=255));
    }

    #[test]
    fn an_unplugged_port_is_gone() {
        let unplug = Fault { at: SessionTime::from_millis(250), ..Fault::new(FaultKind::Unplug) };
        let line = PtyLine::open().unwrap().start(stream(&[unplug], SessionTime::from_millis(60_000))).unwrap();
        let path = line.path().to_owned();
        let mut reader = port(&path);
        let mut got = 0;
        let mut buffer = [0; 256];
        // Frames of 0, 100 and 200 ms, then the end: as an error or as nothing to read.
        while let Ok(count @ 1..) = reader.read(&mut buffer) {
            got += count;
        }
        assert_eq!(got, 3 * 128);
        let sent = line.wait();
        assert!(matches!(sent.end, End::Unplugged), "{sent:?}");
        drop(reader);
        assert!(OpenOptions::new().read(true).open(&path).is_err());
    }

    #[test]
    fn a_port_that_nobody_opens_can_be_stopped() {
        let line = PtyLine::open().unwrap().start(stream(&[], SessionTime::from_millis(60_000))).unwrap();
        assert!(!line.is_over());
        let sent = line.stop();
        assert!(matches!(sent, Sent { bytes: 0, lost: 0, end: End::Stopped }), "{sent:?}");
    }

    #[test]
    fn time_goes_on_while_the_port_is_closed() {
        let line = PtyLine::open().unwrap().start(stream(&[], SessionTime::from_millis(600))).unwrap();
        let mut reader = port(line.path());
        let mut first = [0; 128];
        reader.read_exact(&mut first).unwrap();
        drop(reader);
        thread::sleep(Duration::from_millis(900));
        let sent = line.stop();
        assert_eq!(sent.bytes + sent.lost, 6 * 128, "{sent:?}");
        assert!(3 * 128 <= sent.lost, "{sent:?}");
    }
    #[test]
    fn a_reader_that_does_not_read_holds_nothing_up() {
        let mut layout = crate::testing::layout(1, 0);
        layout.kinds[0].every = Some(Duration::from_millis(4));
        let unplug = Fault { at: SessionTime::from_millis(1_000), ..Fault::new(FaultKind::Unplug) };
        let stream = || ByteStream::new(Telegrams::new(&Scene::practice(1), &[unplug], AllBytes(layout.clone())));
        let all: usize = stream().map(|piece| piece.bytes.len()).sum();
        let line = PtyLine::open().unwrap().start(stream()).unwrap();
        let began = now();
        let _idle = port(line.path());
        let sent = line.wait();
        let took = since(began);
        // 64 000 bytes are more than any port holds that a program would wait for.
        assert!(0 < sent.lost, "{sent:?}");
        assert_eq!(sent.bytes + sent.lost, all as u64);
        assert!(SessionTime::from_millis(990) < took && took < SessionTime::from_millis(2_500), "{took}");
    }
}
