//! Opens a serial port, once, and says what is worth knowing about it.

use std::io::{ErrorKind as IoKind, Read, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use model::{DataBits, FlowControl, LineSettings, ModemLine, Parity, StopBits};
use serialport::{ErrorKind, SerialPort};

use crate::open_error::{OpenError, OpenErrorKind, busy_hint, lookup, not_found_hint};
use crate::ports::{self, PortInfo, UsbIdentity};
use crate::sending::WayOut;
use crate::serial::identity::{Match, Search};
use crate::serial::line_errors::{self, LineErrorCounts};
use crate::serial::reading::{Finder, Found, Line};

/// How long a read waits for the first byte. It is also how soon the thread hears the stop.
const READ_TIMEOUT: Duration = Duration::from_millis(40);
/// How long a write waits for room at a stretch.
const WRITE_TIMEOUT: Duration = Duration::from_millis(2);

/// How far the rate that the port really runs at may be from the one asked for, in percent. Sender and receiver share
/// an error of about 5 % within one byte (common practice, no source).
const RATE_TOLERANCE_PERCENT: u64 = 3;

/// The warning to show before a port is opened with these settings: opening it may restart the board behind it.
///
/// On Linux and macOS the system raises DTR (and RTS) for a moment at every opening, whatever the settings say, and
/// many boards take that as a reset; lowering DTR at the end does the same to others. `None` where the system opens a
/// port without touching the lines that are to be left or low (Windows).
pub fn opening_may_reset(settings: &LineSettings) -> Option<&'static str> {
    let raised = settings.dtr == ModemLine::High || settings.rts == ModemLine::High;
    if cfg!(windows) && !raised {
        return None;
    }
    Some(match settings.dtr {
        ModemLine::Leave => {
            "opening the port raises the DTR line, and closing it may lower it: a board that takes DTR as a reset \
             restarts now"
        }
        ModemLine::Low => {
            "opening the port raises the DTR line for a moment before it is pulled low: a board that takes DTR as a \
             reset restarts now"
        }
        ModemLine::High => {
            "opening the port raises the DTR line and keeps it high: a board that takes DTR as a reset restarts now"
        }
    })
}

/// An open port.
pub(crate) struct Opened {
    pub(crate) found: Found,
    /// What to look for when it is gone.
    pub(crate) finder: SamePort,
    /// What the person should know about it.
    pub(crate) remarks: Vec<String>,
}

/// Opens a port for a session.
pub(crate) fn open(path: &Path, settings: &LineSettings) -> Result<Opened, OpenError> {
    let sharing = if is_pseudo_terminal(path) {
        // Whoever made it often keeps this end open too, so that it outlives its readers.
        None
    } else {
        ports::holder(path).filter(|holder| holder.pid != std::process::id())
    };
    let (line, mut remarks) = open_line(path, settings)?;
    if let Some(holder) = sharing {
        remarks.push(format!(
            "{:?} (process {}) has the port open as well, without a lock: bytes that it reads are missing here",
            holder.program, holder.pid
        ));
    }
    let info = ports::find(path, &ports::list().unwrap_or_default());
    if let Some(latency) = info.as_ref().and_then(|info| info.latency_timer_ms).filter(|latency| 1 < *latency) {
        remarks.push(format!("the adapter holds bytes back for up to {latency} ms: arrival times jitter by that much"));
    }
    let device = match info {
        Some(PortInfo { path, usb: Some(identity), .. }) => Device::Usb { path, identity, search: None },
        _ => Device::Path(path.to_path_buf()),
    };
    let found = Found { line, source: source_name(path, settings) };
    Ok(Opened { found, finder: SamePort { device, settings: *settings }, remarks })
}

fn is_pseudo_terminal(path: &Path) -> bool {
    path.canonicalize().is_ok_and(|device| device.starts_with("/dev/pts"))
}

/// Finds the device that was open before.
pub(crate) struct SamePort {
    device: Device,
    settings: LineSettings,
}

enum Device {
    /// Known by what it is.
    Usb { path: PathBuf, identity: UsbIdentity, search: Option<Search> },
    /// Known by its name only: a pseudo-terminal, a built-in port, a system that tells nothing.
    Path(PathBuf),
}

impl Finder for SamePort {
    fn lost(&mut self) {
        if let Device::Usb { path, identity, search } = &mut self.device {
            *search = Some(Search::new(path, identity, &ports::list().unwrap_or_default()));
        }
    }

    fn look(&mut self, chosen: Option<&Path>) -> Result<Found, crate::running::Waiting> {
        use crate::running::Waiting;
        let not_there = |why: String| Waiting::NotThere { why };
        let path = match &mut self.device {
            Device::Path(path) => path.clone(),
            Device::Usb { path, identity, search } => {
                let ports = ports::list().map_err(|error| not_there(error.to_string()))?;
                let search = search.get_or_insert_with(|| Search::new(path, identity, &[]));
                let port = match search.look(&ports) {
                    Match::None => return Err(not_there(format!("{identity} is not plugged in"))),
                    Match::One(port) => port,
                    Match::Several(candidates) => {
                        match candidates.iter().find(|port| Some(port.path.as_path()) == chosen) {
                            Some(port) => port.clone(),
                            None => return Err(Waiting::Which { candidates }),
                        }
                    }
                };
                // It may be in another socket now; the next loss starts from there.
                if let Some(usb) = &port.usb {
                    *identity = usb.clone();
                }
                *path = port.path.clone();
                port.path
            }
        };
        let (line, _remarks) = open_line(&path, &self.settings).map_err(|error| not_there(error.to_string()))?;
        Ok(Found { line, source: source_name(&path, &self.settings) })
    }
}

fn source_name(path: &Path, settings: &LineSettings) -> String {
    format!("{}, {settings}", path.display())
}

#[cfg(unix)]
pub(super) type Port = serialport::TTYPort;
#[cfg(windows)]
pub(super) type Port = serialport::COMPort;

struct OpenPort(Port);

impl Line for OpenPort {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        self.0.read(buffer)
    }

    fn error_counts(&mut self) -> Option<LineErrorCounts> {
        #[cfg(unix)]
        return line_errors::read(&self.0);
        #[cfg(not(unix))]
        None
    }

    fn way_out(&self) -> Option<Box<dyn WayOut>> {
        let mut port = self.0.try_clone().ok()?;
        port.set_timeout(WRITE_TIMEOUT).ok()?;
        #[cfg(unix)]
        let descriptor = std::os::fd::AsRawFd::as_raw_fd(&self.0);
        Some(Box::new(SecondHandle {
            port,
            #[cfg(unix)]
            descriptor,
            #[cfg(unix)]
            waits: true,
        }))
    }
}

/// The handle that is sent by. Dropping it lifts the port's lock: it must go when the reading handle goes, and not
/// before. (serialport 4.10.1 lifts it whichever handle is closed.)
struct SecondHandle {
    port: Box<dyn SerialPort>,
    /// Of the reading handle, which lives as long.
    #[cfg(unix)]
    descriptor: std::os::fd::RawFd,
    /// Whether a write still waits for room, as long as it takes: so until the first one.
    #[cfg(unix)]
    waits: bool,
}

impl WayOut for SecondHandle {
    fn holds_bytes(&mut self) -> bool {
        self.port.bytes_to_write().is_ok_and(|bytes| 0 < bytes)
    }

    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        #[cfg(unix)]
        if self.waits {
            // Room for one byte is no room for all: without this a write could wait without end. Both handles share
            // the flag, so that a session which only listens never gets it.
            use nix_of_raw_descriptors::fcntl::{FcntlArg, OFlag, fcntl};
            fcntl(self.descriptor, FcntlArg::F_SETFL(OFlag::O_NONBLOCK))?;
            self.waits = false;
        }
        self.port.write(bytes)
    }
}

fn open_line(path: &Path, settings: &LineSettings) -> Result<(Box<dyn Line>, Vec<String>), OpenError> {
    let (port, remarks) = open_port(path, settings)?;
    Ok((Box::new(OpenPort(port)), remarks))
}

/// The port itself, with what it did not take.
pub(super) fn open_port(path: &Path, settings: &LineSettings) -> Result<(Port, Vec<String>), OpenError> {
    let what = what(path);
    let refuse = |kind, why: &str| OpenError::new(kind, what.as_str(), why);
    if settings.baud == 0 {
        // On a real port a rate of zero means: hang up.
        return Err(refuse(OpenErrorKind::Unsupported, "a baud rate of 0 is none")
            .hinting("give the rate of the line, such as 115200"));
    }
    check_node(path, &what)?;
    let (Some(name), dtr, rts) = (path.to_str(), settings.dtr, settings.rts) else {
        return Err(refuse(OpenErrorKind::Failed, "its name is no text").hinting("make a link to it with a plain name"));
    };
    let mut port = serialport::new(name, settings.baud)
        .data_bits(match settings.data_bits {
            DataBits::Seven => serialport::DataBits::Seven,
            DataBits::Eight => serialport::DataBits::Eight,
        })
        .parity(parity_of(settings.parity))
        .stop_bits(match settings.stop_bits {
            StopBits::One => serialport::StopBits::One,
            StopBits::Two => serialport::StopBits::Two,
        })
        .flow_control(match settings.flow {
            FlowControl::None => serialport::FlowControl::None,
            FlowControl::Hardware => serialport::FlowControl::Hardware,
            FlowControl::Software => serialport::FlowControl::Software,
        })
        .timeout(READ_TIMEOUT)
        .open_native()
        .map_err(|error| explain(path, &what, settings, error))?;

    let mut remarks = Vec::new();
    // As soon as it is open: the board behind it sees a blip of microseconds.
    for (line, level) in [("DTR", dtr), ("RTS", rts)] {
        let high = match level {
            ModemLine::Leave => continue,
            ModemLine::Low => false,
            ModemLine::High => true,
        };
        let done = if line == "DTR" { port.write_data_terminal_ready(high) } else { port.write_request_to_send(high) };
        if let Err(error) = done {
            remarks.push(format!("the port has no {line} line to set: {error}"));
        }
    }
    if let Ok(real) = port.baud_rate()
        && !is_near(real, settings.baud)
    {
        let why = format!("it runs at {real} baud where {} is asked for", settings.baud);
        return Err(refuse(OpenErrorKind::Unsupported, &why).hinting(rate_hint(settings)));
    }
    if let (Ok(data_bits), Ok(parity), Ok(stop_bits)) = (port.data_bits(), port.parity(), port.stop_bits()) {
        let real = (u8::from(data_bits), parity.to_string(), u8::from(stop_bits));
        let asked = match settings.data_bits {
            DataBits::Seven => 7,
            DataBits::Eight => 8,
        };
        let asked_parity = format!("{:?}", settings.parity);
        let asked_stop = if settings.stop_bits == StopBits::Two { 2 } else { 1 };
        if real != (asked, asked_parity, asked_stop) {
            remarks.push(format!(
                "the port did not take {settings}: it has {} data bits, parity {}, {} stop bits (a pseudo-terminal has \
                 no such settings)",
                real.0,
                real.1.to_lowercase(),
                real.2
            ));
        }
    }
    Ok((port, remarks))
}

pub(super) fn what(path: &Path) -> String {
    format!("serial port {path:?}")
}

pub(super) fn parity_of(parity: Parity) -> serialport::Parity {
    match parity {
        Parity::None => serialport::Parity::None,
        Parity::Odd => serialport::Parity::Odd,
        Parity::Even => serialport::Parity::Even,
    }
}

/// Refuses what can't be a serial port, before anything is opened.
fn check_node(path: &Path, what: &str) -> Result<(), OpenError> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::FileTypeExt;

        match std::fs::metadata(path) {
            Err(error) if error.kind() == IoKind::NotFound => {
                let hint = not_found_hint(path, &ports::list().unwrap_or_default());
                return Err(OpenError::new(OpenErrorKind::NotFound, what, "no such port")
                    .hinting(hint)
                    .caused_by(error));
            }
            // Anything else is told by the opening itself.
            Err(_) => {}
            Ok(metadata) if metadata.file_type().is_char_device() => {}
            Ok(metadata) => {
                let hint = if metadata.is_file() {
                    "to look at a file of bytes, replay it instead"
                } else {
                    "give the device itself, such as \"/dev/ttyUSB0\""
                };
                return Err(OpenError::new(OpenErrorKind::WrongKind, what, "it is no device").hinting(hint));
            }
        }
    }
    #[cfg(not(unix))]
    let _ = (path, what);
    Ok(())
}

pub(super) fn explain(path: &Path, what: &str, settings: &LineSettings, error: serialport::Error) -> OpenError {
    let (kind, why, hint) = match error.kind() {
        ErrorKind::NoDevice => {
            (OpenErrorKind::Busy, "another program has it".to_owned(), busy_hint(ports::holder(path).as_ref()))
        }
        ErrorKind::Io(IoKind::PermissionDenied) => {
            (OpenErrorKind::PermissionDenied, "permission denied".to_owned(), lookup::permission(path))
        }
        ErrorKind::Io(IoKind::NotFound) => (
            OpenErrorKind::NotFound,
            "no such port".to_owned(),
            not_found_hint(path, &ports::list().unwrap_or_default()),
        ),
        ErrorKind::InvalidInput => (OpenErrorKind::Unsupported, error.to_string(), rate_hint(settings)),
        // serialport 4.10.1 tells these only by their text.
        _ => match error.description.as_str() {
            "Not a typewriter" => (
                OpenErrorKind::WrongKind,
                "it is no serial port".to_owned(),
                not_found_hint(path, &ports::list().unwrap_or_default()),
            ),
            "Invalid argument" | "Settings did not apply correctly" => {
                (OpenErrorKind::Unsupported, format!("it does not take {settings}"), rate_hint(settings))
            }
            _ => (
                OpenErrorKind::Failed,
                error.to_string(),
                "there may be no hardware behind this name: unplug the adapter and plug it in again".to_owned(),
            ),
        },
    };
    OpenError::new(kind, what, why).hinting(hint).caused_by(error)
}

fn rate_hint(settings: &LineSettings) -> String {
    format!("the adapter can't make {settings}: set both ends to a common rate such as 115200, or use another adapter")
}

pub(super) fn is_near(real: u32, asked: u32) -> bool {
    u64::from(real.abs_diff(asked)) * 100 <= u64::from(asked) * RATE_TOLERANCE_PERCENT
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rate_may_be_off_by_three_percent() {
        assert!(is_near(115_200, 115_200));
        // 16 MHz divided by 16 and 8, asked for 115200: 125000 is 8.5 % off; by 139 (steps of one): 115108 is near.
        assert!(is_near(115_108, 115_200));
        assert!(!is_near(125_000, 115_200));
        assert!(is_near(97, 100) && is_near(103, 100));
        assert!(!is_near(96, 100) && !is_near(104, 100));
        assert!(!is_near(0, 115_200) && is_near(u32::MAX, u32::MAX));
    }

    #[cfg(unix)]
    #[test]
    fn the_warning_says_what_happens_to_the_line() {
        let mut settings = LineSettings::new(115_200);
        assert!(opening_may_reset(&settings).unwrap().contains("raises the DTR line"));
        settings.dtr = ModemLine::Low;
        assert!(opening_may_reset(&settings).unwrap().contains("for a moment"));
        settings.dtr = ModemLine::High;
        assert!(opening_may_reset(&settings).unwrap().contains("keeps it high"));
    }

    #[test]
    fn each_refusal_has_its_kind_and_a_hint() {
        let settings = LineSettings::new(115_200);
        let kind_of = |kind, text: &str| {
            let error = explain(Path::new("/dev/none"), "port", &settings, serialport::Error::new(kind, text));
            assert!(error.hint().is_some_and(|hint| !hint.is_empty()), "{error}");
            error.kind()
        };
        assert_eq!(kind_of(ErrorKind::NoDevice, "Device or resource busy"), OpenErrorKind::Busy);
        assert_eq!(kind_of(ErrorKind::Io(IoKind::PermissionDenied), ""), OpenErrorKind::PermissionDenied);
        assert_eq!(kind_of(ErrorKind::Io(IoKind::NotFound), ""), OpenErrorKind::NotFound);
        assert_eq!(kind_of(ErrorKind::InvalidInput, "Unsupported baud rate"), OpenErrorKind::Unsupported);
        assert_eq!(kind_of(ErrorKind::Unknown, "Invalid argument"), OpenErrorKind::Unsupported);
        assert_eq!(kind_of(ErrorKind::Unknown, "Settings did not apply correctly"), OpenErrorKind::Unsupported);
        assert_eq!(kind_of(ErrorKind::Unknown, "I/O error"), OpenErrorKind::Failed);
    }

    #[cfg(unix)]
    #[test]
    fn what_is_no_serial_port_is_told() {
        let settings = LineSettings::new(115_200);
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("log.bin");
        std::fs::write(&file, b"x").unwrap();
        for path in [Path::new("/dev/null"), folder.path(), &file] {
            let Err(error) = open_line(path, &settings) else { panic!("{path:?} opened") };
            assert_eq!(error.kind(), OpenErrorKind::WrongKind, "{error}");
        }
        let Err(error) = open_line(Path::new("/dev/null"), &LineSettings::new(0)) else { panic!("opened") };
        assert_eq!(error.kind(), OpenErrorKind::Unsupported);
    }
}
