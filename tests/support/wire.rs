//! A pseudo-terminal whose bytes a test writes itself, at moments that it knows.

use std::fs::File;
use std::io::Write;
use std::os::fd::AsFd;
use std::path::{Path, PathBuf};
use std::time::Duration;

use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use nix::sys::termios;

/// The far end of a line that a program can open as a port.
#[derive(Debug)]
pub struct Wire {
    master: File,
    path: PathBuf,
}

impl Wire {
    /// A line that passes every byte as it is.
    pub fn new() -> Self {
        let pair = nix::pty::openpty(None, None).expect("the system has a pseudo-terminal left");
        let mut settings = termios::tcgetattr(&pair.slave).expect("a pseudo-terminal has settings");
        termios::cfmakeraw(&mut settings);
        termios::tcsetattr(&pair.slave, termios::SetArg::TCSANOW, &settings).expect("it takes settings");
        let path = nix::unistd::ttyname(&pair.slave).expect("it has a name");
        Self { master: File::from(pair.master), path }
    }

    /// What to open as the port.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Waits until somebody has opened the port.
    pub fn wait_until_open(&self) {
        for _ in 0..2_000 {
            let mut fds = [PollFd::new(self.master.as_fd(), PollFlags::empty())];
            poll(&mut fds, PollTimeout::ZERO).expect("a pseudo-terminal can be polled");
            let gone = fds.iter().filter_map(PollFd::revents).any(|events| events.contains(PollFlags::POLLHUP));
            if !gone {
                return;
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        panic!("nobody opened {}", self.path.display());
    }

    /// The rate that the port is set to now; 0 if it can't be told.
    pub fn rate(&self) -> u32 {
        rustix::termios::tcgetattr(&self.master).map_or(0, |settings| settings.output_speed())
    }

    /// Sends bytes; whether there was anybody to take them.
    pub fn send(&mut self, bytes: &[u8]) -> bool {
        self.master.write_all(bytes).is_ok()
    }
}

impl Default for Wire {
    fn default() -> Self {
        Self::new()
    }
}
