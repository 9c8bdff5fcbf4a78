//! A port whose rate nobody knows.

use std::io::{ErrorKind as IoKind, Read};
use std::path::{Path, PathBuf};
use std::time::Duration;

use model::{LineErrorKind, LineSettings, SessionTime};
use serialport::SerialPort;

use crate::clock::SessionClock;
use crate::open_error::{OpenError, OpenErrorKind};
use crate::serial::line_errors::{self, LineErrorCounts};
use crate::serial::open::{Port, explain, is_near, open_port, parity_of, what};

/// A port that is listened to at one rate after another, opened once: each opening can reset the board behind it.
#[derive(Debug)]
pub struct RateSearch {
    port: Port,
    what: String,
    path: PathBuf,
    /// What the person should know about it.
    remarks: Vec<String>,
}

/// What was heard at one setting of a line.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Heard {
    /// The bytes.
    pub bytes: Vec<u8>,
    /// Of them, without a right stop bit or with a wrong parity bit; `None` where the system does not count these.
    pub misread: Option<u64>,
}

impl RateSearch {
    /// Opens the port at this setting. Other programs can't have it as long as this lives.
    ///
    /// # Errors
    /// It can't be opened: what, why and a hint what to do.
    pub fn open(path: &Path, settings: &LineSettings) -> Result<Self, OpenError> {
        let (port, remarks) = open_port(path, settings)?;
        Ok(Self { port, what: what(path), path: path.to_owned(), remarks })
    }

    /// What the person should know about the port.
    pub fn remarks(&self) -> &[String] {
        &self.remarks
    }

    /// Listens at this rate and parity until `enough` says so of the bytes and the time since it began, asked at each read
    /// and at least each 40 ms. Nothing is sent. `None`: the port can't be set so.
    ///
    /// # Errors
    /// The port is gone.
    pub fn hear(
        &mut self,
        settings: &LineSettings,
        enough: &mut dyn FnMut(&[u8], Duration) -> bool,
    ) -> Result<Option<Heard>, OpenError> {
        let set = self
            .port
            .set_baud_rate(settings.baud)
            .and_then(|()| self.port.set_parity(parity_of(settings.parity)))
            .and_then(|()| Ok((self.port.baud_rate()?, self.port.parity()?)));
        match set {
            Ok((rate, parity)) if is_near(rate, settings.baud) && parity == parity_of(settings.parity) => {}
            // One that can't tell its rate any more is gone.
            Err(error) if self.port.baud_rate().is_err() => {
                return Err(explain(&self.path, &self.what, settings, error));
            }
            Ok(_) | Err(_) => return Ok(None),
        }
        // What was read at another rate, or while it changed, is not what this one gives.
        if let Err(error) = self.port.clear(serialport::ClearBuffer::Input) {
            return Err(explain(&self.path, &self.what, settings, error));
        }
        let clock = SessionClock::start();
        let counts = self.counts();
        let mut heard = Heard::default();
        let mut buffer = [0; 4096];
        loop {
            let gone = |why: &str| OpenError::new(OpenErrorKind::Failed, self.what.as_str(), why);
            match self.port.read(&mut buffer) {
                Ok(0) => return Err(gone("unplugged, or closed at the other end").hinting("plug it in again")),
                Ok(read) => heard.bytes.extend(buffer.get(..read).unwrap_or(&buffer)),
                Err(error) => match error.kind() {
                    IoKind::TimedOut | IoKind::WouldBlock | IoKind::Interrupted => {}
                    _ => {
                        let why = error.to_string();
                        return Err(gone(&why).hinting("unplug the adapter and plug it in again").caused_by(error));
                    }
                },
            }
            if enough(&heard.bytes, clock.now().since(SessionTime::ZERO)) {
                break;
            }
        }
        heard.misread = self.counts().zip(counts).map(|(now, before)| {
            let wrong = |(kind, count)| match kind {
                LineErrorKind::Framing | LineErrorKind::Parity | LineErrorKind::Break => u64::from(count),
                LineErrorKind::Overrun => 0,
            };
            now.since(&before).map(wrong).sum()
        });
        Ok(Some(heard))
    }

    fn counts(&self) -> Option<LineErrorCounts> {
        #[cfg(unix)]
        return line_errors::read(&self.port);
        #[cfg(not(unix))]
        None
    }
}
