//! Errors that the line itself reports.

use model::LineErrorKind;

/// How often the line has failed since some moment; each wraps.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(crate) struct LineErrorCounts {
    pub(crate) parity: u32,
    pub(crate) framing: u32,
    pub(crate) overrun: u32,
    pub(crate) breaks: u32,
}

impl LineErrorCounts {
    /// What has come since an earlier look, kinds that did not change left out.
    pub(crate) fn since(&self, earlier: &Self) -> impl Iterator<Item = (LineErrorKind, u32)> {
        [
            (LineErrorKind::Parity, self.parity.wrapping_sub(earlier.parity)),
            (LineErrorKind::Framing, self.framing.wrapping_sub(earlier.framing)),
            (LineErrorKind::Overrun, self.overrun.wrapping_sub(earlier.overrun)),
            (LineErrorKind::Break, self.breaks.wrapping_sub(earlier.breaks)),
        ]
        .into_iter()
        .filter(|(_, count)| *count != 0)
    }
}

/// Reads the counters of a port: what its driver has counted since it was loaded. `None` where there are none: a
/// pseudo-terminal, a driver without them, another system than Linux.
#[cfg(unix)]
pub(crate) fn read(port: &impl std::os::fd::AsRawFd) -> Option<LineErrorCounts> {
    #[cfg(target_os = "linux")]
    return linux::read(port.as_raw_fd());
    #[cfg(not(target_os = "linux"))]
    {
        let _ = port;
        None
    }
}

#[cfg(target_os = "linux")]
mod linux {
    use std::ffi::c_int;
    use std::os::fd::RawFd;

    use nix::libc::TIOCGICOUNT;

    use super::LineErrorCounts;

    /// `struct serial_icounter_struct` of `linux/serial.h`.
    #[repr(C)]
    #[derive(Default)]
    struct Counters {
        /// CTS, DSR, RI and DCD.
        changes_of_modem_lines: [c_int; 4],
        received: c_int,
        sent: c_int,
        frame: c_int,
        overrun: c_int,
        parity: c_int,
        brk: c_int,
        buffer_overrun: c_int,
        reserved: [c_int; 9],
    }

    const _: () = assert!(size_of::<Counters>() == 80, "as linux/serial.h has it");

    nix::ioctl_read_bad!(counters, TIOCGICOUNT, Counters);

    pub(super) fn read(port: RawFd) -> Option<LineErrorCounts> {
        let mut is = Counters::default();
        // SAFETY: the system writes one such structure, which is there; a descriptor that is no port is an error.
        #[expect(unsafe_code, reason = "no safe call reads these counters")]
        unsafe {
            counters(port, &raw mut is).ok()?;
        }
        Some(LineErrorCounts {
            parity: is.parity.cast_unsigned(),
            framing: is.frame.cast_unsigned(),
            // In the port's own store and in the driver's.
            overrun: is.overrun.wrapping_add(is.buffer_overrun).cast_unsigned(),
            breaks: is.brk.cast_unsigned(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[cfg(unix)]
    #[test]
    fn a_file_and_a_pseudo_terminal_have_none() {
        assert_eq!(read(&tempfile::tempfile().expect("a file")), None);
        assert_eq!(read(&serialport::TTYPort::pair().expect("a pair").0), None);
    }

    #[test]
    fn only_what_changed_is_told_and_counters_may_wrap() {
        let before = LineErrorCounts { parity: 3, framing: u32::MAX, overrun: 7, breaks: 0 };
        let now = LineErrorCounts { parity: 3, framing: 1, overrun: 8, breaks: 0 };
        let told: Vec<_> = now.since(&before).collect();
        assert_eq!(told, [(LineErrorKind::Framing, 2), (LineErrorKind::Overrun, 1)]);
        assert_eq!(now.since(&now).count(), 0);
    }
}
