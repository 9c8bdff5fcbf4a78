//! Which of the ports there are now is the device that was lost.

use std::path::{Path, PathBuf};

use crate::ports::{PortInfo, UsbIdentity};

/// What a search for one device found.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Match {
    /// It is not there (yet).
    None,
    /// Exactly one device can be it.
    One(PortInfo),
    /// Several can be it: a person must say which.
    Several(Vec<PortInfo>),
}

/// A search for a USB device that was lost.
///
/// The same device has the same maker, product, interface and serial number, wherever it is plugged in now; if it has
/// no serial number, the same socket; if the system tells no socket either, the same path.
/// A device that was there beside the lost one is not the lost one, even where a maker gave both the same serial
/// number, until it goes as well.
#[derive(Clone, Debug)]
pub struct Search {
    path: PathBuf,
    identity: UsbIdentity,
    /// Twins that were there at the loss, by path.
    strangers: Vec<PathBuf>,
}

impl Search {
    /// Begins a search for the device that had this identity at this path, among the ports right after the loss.
    pub fn new(path: &Path, identity: &UsbIdentity, at_the_loss: &[PortInfo]) -> Self {
        let mut search = Self { path: path.to_path_buf(), identity: identity.clone(), strangers: Vec::new() };
        search.strangers = at_the_loss
            .iter()
            // The node of the lost device may still be there for a moment.
            .filter(|port| search.can_be(port) && !search.in_the_same_place(port))
            .map(|port| port.path.clone())
            .collect();
        search
    }

    /// Looks at the ports there are now. Never guesses.
    pub fn look(&mut self, ports: &[PortInfo]) -> Match {
        self.strangers.retain(|stranger| ports.iter().any(|port| port.path == *stranger));
        let mut found: Vec<PortInfo> =
            ports.iter().filter(|port| self.can_be(port) && !self.strangers.contains(&port.path)).cloned().collect();
        match (found.len(), found.pop()) {
            (1, Some(port)) => Match::One(port),
            (_, Some(last)) => {
                found.push(last);
                Match::Several(found)
            }
            (_, None) => Match::None,
        }
    }

    fn can_be(&self, port: &PortInfo) -> bool {
        let (Some(usb), wanted) = (&port.usb, &self.identity) else { return false };
        if (usb.vid, usb.pid, usb.interface) != (wanted.vid, wanted.pid, wanted.interface) {
            return false;
        }
        if wanted.serial_number.is_some() {
            return usb.serial_number == wanted.serial_number;
        }
        usb.serial_number.is_none() && self.in_the_same_place(port)
    }

    fn in_the_same_place(&self, port: &PortInfo) -> bool {
        match (&self.identity.location, port.usb.as_ref().and_then(|usb| usb.location.as_ref())) {
            (Some(wanted), Some(location)) => wanted == location,
            _ => self.path == port.path,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `path serial-number location`, `-` for none; all of the same make.
    fn port(text: &str) -> PortInfo {
        let words: Vec<&str> = text.split(' ').collect();
        let word = |place: usize| Some(words[place]).filter(|word| *word != "-").map(str::to_owned);
        let usb =
            UsbIdentity { vid: 0x10c4, pid: 0xea60, serial_number: word(1), location: word(2), interface: Some(0) };
        PortInfo {
            path: PathBuf::from(words[0]),
            description: "bench adapter".to_owned(),
            usb: Some(usb),
            held_by: None,
            latency_timer_ms: None,
        }
    }

    fn ports(texts: &[&str]) -> Vec<PortInfo> {
        texts.iter().map(|text| port(text)).collect()
    }

    /// Loses the first device; then looks at each list in turn. Gives the paths that match.
    #[track_caller]
    fn check(lost: &str, at_the_loss: &[&str], looks: &[(&[&str], &[&str])]) {
        let lost = port(lost);
        let mut search = Search::new(&lost.path, lost.usb.as_ref().unwrap(), &ports(at_the_loss));
        for (number, (there, expected)) in looks.iter().enumerate() {
            let found = match search.look(&ports(there)) {
                Match::None => vec![],
                Match::One(port) => vec![port],
                Match::Several(ports) => {
                    assert!(1 < ports.len());
                    ports
                }
            };
            let found: Vec<_> = found.iter().map(|port| port.path.to_str().unwrap()).collect();
            assert_eq!(&found, expected, "look {number}");
        }
    }

    #[test]
    fn the_serial_number_finds_it_under_another_name_and_in_another_socket() {
        check(
            "U0 SEED-07 1-2",
            &[],
            &[(&[], &[]), (&["U0 SEED-08 1-2"], &[]), (&["U0 SEED-08 1-2", "U1 SEED-07 1-4.1"], &["U1"])],
        );
    }

    #[test]
    fn two_with_the_same_serial_number_are_a_question() {
        check("U0 0001 1-2", &[], &[(&["U0 0001 1-2", "U1 0001 1-3"], &["U0", "U1"]), (&["U1 0001 1-3"], &["U1"])]);
    }

    #[test]
    fn a_twin_that_was_there_at_the_loss_is_not_the_lost_one() {
        check(
            "U0 0001 1-2",
            &["U1 0001 1-3"],
            &[
                (&["U1 0001 1-3"], &[]),
                (&["U1 0001 1-3", "U2 0001 1-4"], &["U2"]),
                // The twin went too: from now on either can be either.
                (&[], &[]),
                (&["U0 0001 1-3", "U1 0001 1-2"], &["U0", "U1"]),
            ],
        );
    }

    #[test]
    fn its_own_node_may_still_be_there_at_the_loss() {
        check("U0 0001 1-2", &["U0 0001 1-2"], &[(&["U0 0001 1-2"], &["U0"])]);
    }

    #[test]
    fn without_a_serial_number_the_socket_counts() {
        check(
            "U0 - 1-2",
            &["U1 - 1-3"],
            &[
                (&["U1 - 1-3"], &[]),
                (&["U0 - 1-4", "U1 - 1-3"], &[]),
                (&["U5 - 1-2", "U1 - 1-3"], &["U5"]),
                (&["U5 SEED-07 1-2"], &[]),
            ],
        );
    }

    #[test]
    fn without_a_socket_either_the_path_counts() {
        check("U0 - -", &[], &[(&["U1 - -"], &[]), (&["U1 - -", "U0 - -"], &["U0"])]);
    }

    #[test]
    fn another_make_or_another_interface_or_no_usb_is_another_device() {
        let lost = port("U0 SEED-07 1-2");
        let mut search = Search::new(&lost.path, lost.usb.as_ref().unwrap(), &[]);
        let mut other = vec![lost.clone(), lost.clone(), lost.clone(), lost.clone()];
        other[0].usb.as_mut().unwrap().vid = 1;
        other[1].usb.as_mut().unwrap().pid = 1;
        other[2].usb.as_mut().unwrap().interface = Some(1);
        other[3].usb = None;
        assert_eq!(search.look(&other), Match::None);
        other.push(lost.clone());
        assert_eq!(search.look(&other), Match::One(lost));
    }
}
