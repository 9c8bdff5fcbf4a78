//! Byte stuffing: from the bytes of a line to the bytes of one packet, and back.
//!
//! SLIP after RFC 1055, HDLC-like octet stuffing after RFC 1662 section 4.2 (the receiver's side with an empty map of
//! control characters), COBS after Cheshire and Baker (IEEE/ACM Transactions on Networking 7(2), 1999, by the crate
//! `cobs`), and bytes written as hexadecimal text between a start character and the end of the line (as Modbus ASCII).

use std::ops::Range;

const SLIP_END: u8 = 0xC0;
const SLIP_ESC: u8 = 0xDB;
const SLIP_ESC_END: u8 = 0xDC;
const SLIP_ESC_ESC: u8 = 0xDD;
const HDLC_FLAG: u8 = 0x7E;
const HDLC_ESC: u8 = 0x7D;
const HDLC_XOR: u8 = 0x20;
const COBS_END: u8 = 0x00;

/// How packets are wrapped on the line.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Wrapping {
    /// SLIP (RFC 1055).
    Slip,
    /// Stuffing as in HDLC (RFC 1662).
    Hdlc,
    /// Consistent overhead byte stuffing.
    Cobs,
    /// Hexadecimal digits behind this character, to the end of the line.
    Hex {
        /// The character in front of each line.
        start: u8,
    },
}

impl Wrapping {
    /// Whether a packet ends with this byte: a line of hexadecimal with CR or LF, whichever comes first.
    pub fn ends(self, byte: u8) -> bool {
        match self {
            Self::Slip => byte == SLIP_END,
            Self::Hdlc => byte == HDLC_FLAG,
            Self::Cobs => byte == COBS_END,
            Self::Hex { .. } => byte == b'\r' || byte == b'\n',
        }
    }

    /// The most bytes that a packet of so many takes on the line.
    pub(crate) fn longest(self, packet: usize) -> usize {
        match self {
            Self::Slip | Self::Hdlc => 2 * packet + 2,
            Self::Cobs => packet + packet / 254 + 2,
            Self::Hex { .. } => 2 * packet + 3,
        }
    }

    /// The packet in `line`, which ends with the end byte. `None` if it is broken; empty where nothing stands between
    /// two end bytes, which is no packet.
    pub fn unwrap(self, line: &[u8], packet: &mut Vec<u8>) -> Option<()> {
        packet.clear();
        let line = line.split_last().filter(|(last, _)| self.ends(**last)).map_or(line, |(_, rest)| rest);
        match self {
            Self::Slip => unescape(line, packet, SLIP_ESC, |byte| match byte {
                SLIP_ESC_END => Some(SLIP_END),
                SLIP_ESC_ESC => Some(SLIP_ESC),
                _ => None,
            }),
            Self::Hdlc => unescape(line, packet, HDLC_ESC, |byte| Some(byte ^ HDLC_XOR)),
            Self::Cobs => {
                if line.is_empty() {
                    return Some(());
                }
                packet.resize(line.len(), 0);
                let report = cobs::decode(line, packet).ok()?;
                packet.truncate(report.frame_size());
                Some(())
            }
            Self::Hex { start } => {
                if line.is_empty() {
                    return Some(());
                }
                // What stands in front of the start is noise from before it.
                let from = line.iter().rposition(|byte| *byte == start)?;
                let digits = line.get(from + 1..)?;
                if digits.is_empty() || digits.len() % 2 != 0 {
                    return None;
                }
                for pair in digits.chunks(2) {
                    let value =
                        pair.iter().try_fold(0, |sum, digit| Some(sum * 16 + char::from(*digit).to_digit(16)?))?;
                    packet.push(u8::try_from(value).ok()?);
                }
                Some(())
            }
        }
    }

    /// Whether these bytes are packets that hold nothing, one behind the other.
    pub(crate) fn is_filling(self, bytes: &[u8]) -> bool {
        let mut packet = Vec::new();
        let mut lines = bytes.split_inclusive(|byte| self.ends(*byte));
        lines.all(|line| self.unwrap(line, &mut packet).is_some() && packet.is_empty())
    }

    /// Where in the line each byte of its packet stands: with its escape, or as two digits. A zero of COBS stands where
    /// the count that ends the run before it does. Empty for a line that is broken.
    pub(crate) fn places(self, line: &[u8]) -> Vec<Range<usize>> {
        let mut packet = Vec::new();
        if self.unwrap(line, &mut packet).is_none() {
            return Vec::new();
        }
        let end = line.split_last().filter(|(last, _)| self.ends(**last)).map_or(line.len(), |(_, rest)| rest.len());
        let mut places = Vec::with_capacity(packet.len());
        let mut at = match self {
            Self::Hex { start } => line.iter().rposition(|byte| *byte == start).map_or(end, |at| at + 1),
            Self::Slip | Self::Hdlc | Self::Cobs => 0,
        };
        while at < end {
            let byte = line.get(at).copied().unwrap_or(0);
            match self {
                Self::Slip | Self::Hdlc => {
                    let width =
                        if matches!((self, byte), (Self::Slip, SLIP_ESC) | (Self::Hdlc, HDLC_ESC)) { 2 } else { 1 };
                    places.push(at..at + width);
                    at += width;
                }
                Self::Hex { .. } => {
                    places.push(at..at + 2);
                    at += 2;
                }
                Self::Cobs => {
                    let next = at + usize::from(byte.max(1));
                    places.extend((at + 1..next.min(end)).map(|at| at..at + 1));
                    if byte != u8::MAX && next < end {
                        places.push(next..next + 1);
                    }
                    at = next;
                }
            }
        }
        // A run of COBS that goes on behind the end.
        if places.len() == packet.len() { places } else { Vec::new() }
    }

    /// Appends a packet as it goes on the line.
    pub(crate) fn wrap(self, packet: &[u8], out: &mut Vec<u8>) {
        match self {
            Self::Slip => {
                out.push(SLIP_END);
                for byte in packet {
                    match *byte {
                        SLIP_END => out.extend([SLIP_ESC, SLIP_ESC_END]),
                        SLIP_ESC => out.extend([SLIP_ESC, SLIP_ESC_ESC]),
                        other => out.push(other),
                    }
                }
                out.push(SLIP_END);
            }
            Self::Hdlc => {
                out.push(HDLC_FLAG);
                for byte in packet {
                    match *byte {
                        HDLC_FLAG | HDLC_ESC => out.extend([HDLC_ESC, *byte ^ HDLC_XOR]),
                        other => out.push(other),
                    }
                }
                out.push(HDLC_FLAG);
            }
            Self::Cobs => {
                out.extend(cobs::encode_vec(packet));
                out.push(COBS_END);
            }
            Self::Hex { start } => {
                out.push(start);
                for byte in packet {
                    out.extend(format!("{byte:02X}").into_bytes());
                }
                out.extend(b"\r\n");
            }
        }
    }
}

fn unescape(line: &[u8], packet: &mut Vec<u8>, escape: u8, meaning: impl Fn(u8) -> Option<u8>) -> Option<()> {
    let mut bytes = line.iter();
    while let Some(byte) = bytes.next() {
        packet.push(if *byte == escape { meaning(*bytes.next()?)? } else { *byte });
    }
    Some(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hex(text: &str) -> Vec<u8> {
        text.split_whitespace().map(|word| u8::from_str_radix(word, 16).expect("hex")).collect()
    }

    fn check(wrapping: Wrapping, packet: &str, line: &str) {
        let mut out = Vec::new();
        wrapping.wrap(&hex(packet), &mut out);
        assert_eq!(out, hex(line), "wrap {packet}");
        // A flag or END in front belongs to the packet before.
        let line = hex(line);
        let line = line.split_first().filter(|(first, _)| wrapping.ends(**first)).map_or(&line[..], |(_, rest)| rest);
        let mut back = Vec::new();
        assert_eq!(wrapping.unwrap(line, &mut back), Some(()));
        assert_eq!(back, hex(packet), "unwrap {packet}");
        assert!(out.len() <= wrapping.longest(hex(packet).len()));
        // Each byte stands where its own part of the line says it again.
        let places = wrapping.places(line);
        assert_eq!(places.len(), back.len());
        for (place, byte) in places.into_iter().zip(&back) {
            let alone = &line[place];
            match (wrapping, alone) {
                (Wrapping::Cobs, [there]) => assert!(there == byte || *byte == 0),
                (Wrapping::Slip | Wrapping::Hdlc, [there]) => assert_eq!(there, byte),
                (_, both) => {
                    let mut packet = Vec::new();
                    let start: &[u8] = if let Wrapping::Hex { .. } = wrapping { b":" } else { b"" };
                    let one = [start, both].concat();
                    assert_eq!(wrapping.unwrap(&one, &mut packet), Some(()));
                    assert_eq!(packet, [*byte]);
                }
            }
        }
    }

    #[test]
    fn slip_follows_rfc_1055() {
        check(Wrapping::Slip, "C0", "C0 DB DC C0");
        check(Wrapping::Slip, "DB", "C0 DB DD C0");
        check(Wrapping::Slip, "01 C0 02 DB 03", "C0 01 DB DC 02 DB DD 03 C0");
        check(Wrapping::Slip, "DC DD", "C0 DC DD C0");
        let mut packet = Vec::new();
        assert_eq!(Wrapping::Slip.unwrap(&hex("DB 01 C0"), &mut packet), None);
        assert_eq!(Wrapping::Slip.unwrap(&hex("01 DB C0"), &mut packet), None);
    }

    #[test]
    fn hdlc_follows_rfc_1662() {
        check(Wrapping::Hdlc, "7E", "7E 7D 5E 7E");
        check(Wrapping::Hdlc, "7D", "7E 7D 5D 7E");
        // The PPP frame with an empty map and, received, with the default map (computed with a reference library).
        check(Wrapping::Hdlc, "FF 03 C0 21 01 01 00 04 D1 B5", "7E FF 03 C0 21 01 01 00 04 D1 B5 7E");
        let mut packet = Vec::new();
        let line = hex("FF 7D 23 C0 21 7D 21 7D 21 7D 20 7D 24 D1 B5 7E");
        assert_eq!(Wrapping::Hdlc.unwrap(&line, &mut packet), Some(()));
        assert_eq!(packet, hex("FF 03 C0 21 01 01 00 04 D1 B5"));
    }

    #[test]
    fn cobs_follows_the_paper() {
        for (packet, line) in [
            ("00", "01 01 00"),
            ("00 00", "01 01 01 00"),
            ("00 11 00", "01 02 11 01 00"),
            ("11 22 00 33", "03 11 22 02 33 00"),
            ("11 22 33 44", "05 11 22 33 44 00"),
            ("11 00 00 00", "02 11 01 01 01 00"),
            ("45 00 00 2C 4C 79 00 00 40 06 4F 37", "02 45 01 04 2C 4C 79 01 05 40 06 4F 37 00"),
        ] {
            check(Wrapping::Cobs, packet, line);
        }
        let long: Vec<u8> = (1..=254).collect();
        let mut out = Vec::new();
        Wrapping::Cobs.wrap(&long, &mut out);
        assert!(out.len() <= Wrapping::Cobs.longest(254));
        let mut back = Vec::new();
        assert_eq!(Wrapping::Cobs.unwrap(&out, &mut back), Some(()));
        assert_eq!(back, long);
        assert_eq!(Wrapping::Cobs.unwrap(&hex("05 11 00"), &mut back), None, "the code points beyond the end");
    }

    #[test]
    fn hexadecimal_lines_are_those_of_modbus_ascii() {
        // Modbus over serial line V1.02: the published request with its LRC.
        let modbus = Wrapping::Hex { start: b':' };
        let mut out = Vec::new();
        modbus.wrap(&hex("11 03 00 6B 00 03 7E"), &mut out);
        assert_eq!(out, b":1103006B00037E\r\n");
        let mut back = Vec::new();
        let line = out.strip_suffix(b"\n").unwrap();
        assert_eq!(modbus.unwrap(line, &mut back), Some(()));
        assert_eq!(back, hex("11 03 00 6B 00 03 7E"));
        assert_eq!(modbus.unwrap(b":110\r", &mut back), None);
        assert_eq!(modbus.unwrap(b"1103\n", &mut back), None);
        assert_eq!(modbus.unwrap(b":11:0304\n", &mut back), Some(()), "cut short, then a whole one");
        assert_eq!(back, hex("03 04"));
    }
}
