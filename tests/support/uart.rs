//! A UART that reads a line at its own rate, whatever the sender's is.
//!
//! As the trade has it (common practice, no source): idle is high, a byte is a low start bit, its bits from the lowest on,
//! perhaps a parity bit, and a high stop bit; the receiver waits for a falling edge and looks at the middle of each bit by
//! its own clock.

use std::sync::Arc;

use model::{LineSettings, Parity, SessionTime};
use simulator::{ByProtocol, Scene, byte_stream};

use crate::protocol;

/// Bits of the sender's rate between two telegrams.
const PAUSE: u64 = 40;

/// What a sender sends of a power-up while the values change, by this shipped protocol, telegram by telegram.
pub fn telegrams(name: &str) -> Vec<Vec<u8>> {
    let protocol = protocol(&format!("protocols/{name}.toml"));
    let scene = Scene::practice(11).fitted_to(protocol.layout());
    let stream = byte_stream(&scene, &[], ByProtocol::new(Arc::clone(&protocol)), SessionTime::from_millis(30_000));
    // From the bus's rise on, as much as is listened to at one rate.
    let wanted = stream.into_iter().filter(|(at, _)| SessionTime::from_millis(5_000) <= *at).map(|(_, bytes)| bytes);
    let mut bytes = 0;
    wanted
        .take_while(|piece| {
            bytes += piece.len();
            bytes < 4_000
        })
        .collect()
}

/// What a receiver reads.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Read {
    /// The bytes; one without a right stop bit or with a wrong parity bit is handed over as it was read, as Linux does where
    /// nobody asked for its checks (INPCK; from memory).
    pub bytes: Vec<u8>,
    /// How many of these there were.
    pub misread: u64,
}

/// What a receiver with these settings reads of telegrams that a sender with those sends, a pause between them.
///
/// Times are counted in units in which a bit of either is a whole number.
pub fn read(telegrams: &[&[u8]], sent: &LineSettings, received: &LineSettings) -> Read {
    let line = Line::new(telegrams, sent, u64::from(received.baud));
    let bit = u64::from(sent.baud);
    let mut read = Read::default();
    let mut now = 0;
    while let Some(start) = line.falls_from(now) {
        let at = |place: u64| line.level(start + place * bit + bit / 2);
        if at(0) {
            // Too short for a start bit.
            now = start + bit / 2;
            continue;
        }
        let byte = (1..=8).fold(0_u8, |byte, place| byte | (u8::from(at(place)) << (place - 1)));
        let (right, stop) = match received.parity {
            Parity::None => (true, 9),
            Parity::Even => (at(9) == (byte.count_ones() % 2 == 1), 10),
            Parity::Odd => (at(9) == (byte.count_ones() % 2 == 0), 10),
        };
        read.bytes.push(byte);
        read.misread += u64::from(!right || !at(stop));
        now = start + stop * bit + bit / 2;
    }
    read
}

/// The level of a line over time: where it changes, high before the first change.
struct Line {
    changes: Vec<u64>,
}

impl Line {
    fn new(telegrams: &[&[u8]], sent: &LineSettings, bit: u64) -> Self {
        let (mut changes, mut high, mut now) = (Vec::new(), true, 0);
        let mut put = |level: bool, bits: u64, now: &mut u64| {
            if level != high {
                changes.push(*now);
                high = level;
            }
            *now += bits * bit;
        };
        for telegram in telegrams {
            put(true, PAUSE, &mut now);
            for byte in *telegram {
                put(false, 1, &mut now);
                (0..8).for_each(|place| put(byte >> place & 1 == 1, 1, &mut now));
                let odd = byte.count_ones() % 2 == 1;
                match sent.parity {
                    Parity::None => {}
                    Parity::Even => put(odd, 1, &mut now),
                    Parity::Odd => put(!odd, 1, &mut now),
                }
                put(true, 1, &mut now);
            }
        }
        put(true, 1, &mut now);
        Self { changes }
    }

    fn level(&self, at: u64) -> bool {
        self.changes.partition_point(|change| *change <= at).is_multiple_of(2)
    }

    /// The next moment from this one on at which it becomes low; a line that is low already must become high first.
    fn falls_from(&self, now: u64) -> Option<u64> {
        let next = self.changes.partition_point(|change| *change < now);
        let next = next + next % 2;
        self.changes.get(next).copied()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(baud: u32, parity: Parity) -> LineSettings {
        LineSettings { parity, ..LineSettings::new(baud) }
    }

    #[test]
    fn the_same_settings_read_what_was_sent() {
        let all: Vec<u8> = (0..=255).collect();
        for parity in [Parity::None, Parity::Even, Parity::Odd] {
            // Within half a bit at the end of a byte, as receivers are.
            for baud in [115_200, 117_000, 112_000] {
                let read = read(&[&all, b"again"], &line(115_200, parity), &line(baud, parity));
                assert_eq!((read.bytes, read.misread), ([&all[..], b"again"].concat(), 0), "{parity:?} {baud}");
            }
        }
    }

    #[test]
    fn other_settings_read_something_else() {
        let sent = line(9_600, Parity::None);
        // By hand: 0F is low, four high, four low and high; at twice the rate each of these is two bits, so that the receiver
        // sees low, then 0 1 1 1 1 1 1 1 and high, which is FE, then low, 0 0 0 0 0 0 0 1 and high, which is 80.
        let twice = line(19_200, Parity::None);
        assert_eq!(read(&[&[0x0F]], &sent, &twice), Read { bytes: vec![0xFE, 0x80], misread: 0 });
        // U has a low bit where its first stop bit would be: low, then 0 1 1 0 0 1 1 0 and low.
        let first = read(&[&[0x55]], &sent, &twice);
        assert!(first.bytes.first() == Some(&0x66) && 0 < first.misread, "{first:?}");
        let half = read(&[&[0x55; 50]], &sent, &line(4_800, Parity::None));
        assert!(half.bytes.len() < 40, "{half:?}");
        // The stop bit stands where parity is looked for: odd bytes are misread by even parity's rule and even ones right.
        let parity = read(&[&[0x01, 0x03]], &sent, &line(9_600, Parity::Even));
        assert_eq!(parity.misread, 1, "{parity:?}");
    }
}
