//! The serial ports of this machine, and who has them.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serialport::{SerialPortInfo, SerialPortType};

/// A serial port of this machine.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct PortInfo {
    /// The device to open.
    pub path: PathBuf,
    /// What it is, in words: maker and product where the device says them.
    pub description: String,
    /// What tells this device from others; only for USB.
    pub usb: Option<UsbIdentity>,
    /// The program that has it open, where the system shows it. `None` is no proof that it is free: programs of other
    /// people are hidden.
    pub held_by: Option<Holder>,
    /// The adapter holds bytes back up to this long, in milliseconds, where the system tells: the jitter of the stamps.
    pub latency_timer_ms: Option<u32>,
}

/// What tells one USB device from another.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct UsbIdentity {
    /// The maker's number.
    pub vid: u16,
    /// The product's number.
    pub pid: u16,
    /// The serial number. Some makers give none, or the same to all their devices.
    pub serial_number: Option<String>,
    /// The socket it is plugged into: bus and chain of hub ports, as `1-4.2`.
    pub location: Option<String>,
    /// Which of the device's interfaces: an adapter with two ports has two.
    pub interface: Option<u8>,
}

impl std::fmt::Display for UsbIdentity {
    /// `USB 0403:6001, serial number "A50285BI", at 1-4.2`
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "USB {:04x}:{:04x}", self.vid, self.pid)?;
        if let Some(serial_number) = &self.serial_number {
            write!(f, ", serial number {serial_number:?}")?;
        }
        if let Some(location) = &self.location {
            write!(f, ", at {location}")?;
        }
        Ok(())
    }
}

/// A program that has a port open.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Holder {
    /// Its process number.
    pub pid: u32,
    /// Its name, as the system has it (Linux cuts it to 15 letters).
    pub program: String,
}

/// The ports could not be listed.
#[derive(Debug, thiserror::Error)]
#[error("can't list the serial ports")]
pub struct PortsError(#[source] serialport::Error);

/// Lists the serial ports of this machine, in the order of their names.
///
/// A pseudo-terminal is never listed; neither is a socket of the main board with no chip behind it. Each device comes
/// once, by the name that does not wait for a carrier.
///
/// # Errors
/// If the system can't be asked. A machine without serial ports gives an empty list.
pub fn ports() -> Result<Vec<PortInfo>, PortsError> {
    let mut ports = list()?;
    let mut holders = holders::of_devices(ports.iter().map(|port| port.path.as_path()));
    for port in &mut ports {
        port.held_by = holders.remove(&port.path);
    }
    Ok(ports)
}

/// The same without who has them, which costs a walk over all processes.
pub(crate) fn list() -> Result<Vec<PortInfo>, PortsError> {
    // Without this folder serialport 4.10.1 panics.
    if cfg!(target_os = "linux") && !Path::new(TTY_CLASS).is_dir() {
        return Ok(Vec::new());
    }
    let mut ports: Vec<PortInfo> = serialport::available_ports()
        .map_err(PortsError)?
        .into_iter()
        .filter(|port| {
            !is_second_name(&port.port_name) && !is_phantom(tty_attribute(&port.port_name, "type").as_deref())
        })
        .map(described)
        .collect();
    ports.sort_by_key(|port| sort_key(&port.path));
    Ok(ports)
}

/// The program that has this device open, links followed; this program only if no other has it.
pub(crate) fn holder(path: &Path) -> Option<Holder> {
    let device = path.canonicalize().ok()?;
    holders::of_devices([device.as_path()]).remove(&device)
}

/// The port behind a path, links followed.
pub(crate) fn find(path: &Path, ports: &[PortInfo]) -> Option<PortInfo> {
    let device = path.canonicalize().unwrap_or_else(|_| path.to_path_buf());
    ports.iter().find(|port| port.path == path || port.path == device).cloned()
}

const TTY_CLASS: &str = "/sys/class/tty";

fn described(port: SerialPortInfo) -> PortInfo {
    let latency_timer_ms = tty_attribute(&port.port_name, "device/latency_timer").and_then(|text| text.parse().ok());
    let (description, usb) = match port.port_type {
        SerialPortType::UsbPort(usb) => {
            let words: Vec<&str> = [usb.manufacturer.as_deref(), usb.product.as_deref()]
                .into_iter()
                .flatten()
                .map(str::trim)
                .filter(|word| !word.is_empty())
                .collect();
            let description = if words.is_empty() { "USB serial port".to_owned() } else { words.join(", ") };
            let identity = UsbIdentity {
                vid: usb.vid,
                pid: usb.pid,
                serial_number: usb.serial_number.filter(|number| !number.trim().is_empty()),
                location: usb.location.map(|location| location.to_string()),
                interface: usb.interface,
            };
            (description, Some(identity))
        }
        SerialPortType::PciPort => ("port on a PCI card".to_owned(), None),
        SerialPortType::BluetoothPort => ("Bluetooth serial port".to_owned(), None),
        SerialPortType::Unknown => ("built-in serial port".to_owned(), None),
    };
    PortInfo { path: PathBuf::from(port.port_name), description, usb, held_by: None, latency_timer_ms }
}

/// macOS lists each device twice; the name in `tty.` waits for a carrier.
fn is_second_name(port_name: &str) -> bool {
    cfg!(target_os = "macos") && port_name.starts_with("/dev/tty.")
}

/// Linux lists sockets of the main board that have no chip: their port type is 0, "unknown"
/// (`PORT_UNKNOWN` in the kernel's `include/uapi/linux/serial.h`; from memory).
fn is_phantom(port_type: Option<&str>) -> bool {
    port_type == Some("0")
}

fn tty_attribute(port_name: &str, attribute: &str) -> Option<String> {
    let name = Path::new(port_name).file_name()?;
    let text = std::fs::read_to_string(Path::new(TTY_CLASS).join(name).join(attribute)).ok()?;
    Some(text.trim().to_owned())
}

/// `ttyUSB2` comes before `ttyUSB10`.
fn sort_key(path: &Path) -> (String, u64) {
    let text = path.to_string_lossy();
    let stem = text.trim_end_matches(|letter: char| letter.is_ascii_digit());
    let number = text.get(stem.len()..).and_then(|digits| digits.parse().ok()).unwrap_or(0);
    (stem.to_owned(), number)
}

#[cfg(target_os = "linux")]
mod holders {
    use super::{BTreeMap, Holder, Path, PathBuf};
    use std::os::unix::fs::MetadataExt;

    /// The program that has each of these devices open. Another program goes before this one.
    pub(super) fn of_devices<'a>(devices: impl IntoIterator<Item = &'a Path>) -> BTreeMap<PathBuf, Holder> {
        let devices: Vec<&Path> = devices.into_iter().collect();
        let mut found = BTreeMap::new();
        if devices.is_empty() {
            return found;
        }
        for pid in processes() {
            for device in open_files(pid).filter(|file| devices.contains(&file.as_path())) {
                note(&mut found, device, pid);
            }
        }
        // The files of other people's processes are hidden, their locks are not.
        let locks = std::fs::read_to_string("/proc/locks").unwrap_or_default();
        for device in devices {
            let Ok(metadata) = std::fs::metadata(device) else { continue };
            if let Some(pid) = lock_owner(&locks, metadata.dev(), metadata.ino()) {
                note(&mut found, device.to_path_buf(), pid);
            }
        }
        found
    }

    fn note(found: &mut BTreeMap<PathBuf, Holder>, device: PathBuf, pid: u32) {
        let ours = std::process::id();
        if found.get(&device).is_some_and(|known| known.pid != ours) || (pid == ours && found.contains_key(&device)) {
            return;
        }
        let name = std::fs::read_to_string(format!("/proc/{pid}/comm")).unwrap_or_default();
        found.insert(device, Holder { pid, program: name.trim().to_owned() });
    }

    fn processes() -> impl Iterator<Item = u32> {
        std::fs::read_dir("/proc")
            .into_iter()
            .flatten()
            .filter_map(|entry| entry.ok()?.file_name().to_str()?.parse().ok())
    }

    /// The links are only read, not followed: a file on a dead network disk must not hold us up.
    fn open_files(pid: u32) -> impl Iterator<Item = PathBuf> {
        std::fs::read_dir(format!("/proc/{pid}/fd"))
            .into_iter()
            .flatten()
            .filter_map(|entry| std::fs::read_link(entry.ok()?.path()).ok())
    }

    /// Who holds a lock on a file, from the text of `/proc/locks` (proc_locks(5)):
    /// `1: FLOCK  ADVISORY  WRITE 3827 00:06:1234 0 EOF`, device numbers in hex. A waiting process has `->` after its
    /// number; process 0 is one outside of this container.
    pub(super) fn lock_owner(locks: &str, dev: u64, ino: u64) -> Option<u32> {
        let file = format!("{:02x}:{:02x}:{ino}", nix::sys::stat::major(dev), nix::sys::stat::minor(dev));
        locks.lines().find_map(|line| {
            let words: Vec<&str> = line.split_whitespace().collect();
            match words.as_slice() {
                [_, kind, _, _, pid, place, ..] if *kind != "->" && *place == file => {
                    pid.parse().ok().filter(|pid| *pid != 0)
                }
                _ => None,
            }
        })
    }
}

#[cfg(not(target_os = "linux"))]
mod holders {
    use super::{BTreeMap, Holder, Path, PathBuf};

    /// Not known on this system.
    pub(super) fn of_devices<'a>(_devices: impl IntoIterator<Item = &'a Path>) -> BTreeMap<PathBuf, Holder> {
        BTreeMap::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_sort_by_their_number() {
        let mut names = ["/dev/ttyUSB10", "/dev/ttyS0", "/dev/ttyUSB2", "/dev/ttyACM0"].map(PathBuf::from);
        names.sort_by_key(|path| sort_key(path));
        assert_eq!(
            names.map(|path| path.display().to_string()),
            ["/dev/ttyACM0", "/dev/ttyS0", "/dev/ttyUSB2", "/dev/ttyUSB10"]
        );
    }

    #[test]
    fn a_socket_without_a_chip_is_no_port() {
        assert!(is_phantom(Some("0")));
        assert!(!is_phantom(Some("4")));
        assert!(!is_phantom(None));
    }

    #[test]
    fn an_identity_prints_as_people_look_it_up() {
        let mut identity = UsbIdentity {
            vid: 0x0403,
            pid: 0x6001,
            serial_number: Some("SEED-07".to_owned()),
            location: Some("1-4.2".to_owned()),
            interface: Some(0),
        };
        assert_eq!(identity.to_string(), "USB 0403:6001, serial number \"SEED-07\", at 1-4.2");
        identity.serial_number = None;
        assert_eq!(identity.to_string(), "USB 0403:6001, at 1-4.2");
    }

    #[test]
    fn this_machine_can_be_asked() {
        let ports = ports().unwrap();
        assert!(ports.iter().all(|port| !port.path.starts_with("/dev/pts")), "{ports:?}");
        assert!(ports.iter().all(|port| port.path.exists() && !port.description.is_empty()), "{ports:?}");
    }

    /// The line is the example of proc_locks(5) in form; device 00:06 and the inode are made up.
    #[cfg(target_os = "linux")]
    #[test]
    fn the_owner_of_a_lock_is_read_from_the_list_of_locks() {
        let locks = "1: POSIX  ADVISORY  READ  5433 08:01:7864448 128 128\n\
                     2: FLOCK  ADVISORY  WRITE 2001 00:06:1234 0 EOF\n\
                     2: -> FLOCK  ADVISORY  WRITE 2002 00:06:1234 0 EOF\n\
                     3: FLOCK  ADVISORY  WRITE 0 00:06:99 0 EOF\n";
        let dev = nix::sys::stat::makedev(0, 6);
        assert_eq!(holders::lock_owner(locks, dev, 1234), Some(2001));
        assert_eq!(holders::lock_owner(locks, dev, 99), None);
        assert_eq!(holders::lock_owner(locks, dev, 7864448), None);
        assert_eq!(holders::lock_owner("nonsense\n", dev, 1234), None);
    }
}
