//! Checksums against values that others published or worked out with other software.
//!
//! Beside each value: its source, and whether that was read, recomputed with independent software ("run"), or is from
//! memory.

use parser::{Checksum, CrcParameters, SimpleChecksum};
use serde_json::Value;

/// The catalogue of parametrised CRC algorithms (G. Cook), check values for "123456789", as carried by crate
/// crc-catalog 2.5.0 (MIT or Apache-2.0). Read there; run with a bitwise register written apart from this code.
///
/// Name, width, poly, init, refin, refout, xorout, check.
type Row = (&'static str, u8, u64, u64, bool, bool, u64, u64);

#[rustfmt::skip]
const CATALOGUE: &[Row] = &[
    ("CRC-3/GSM", 3, 0x3, 0x0, false, false, 0x7, 0x4),
    ("CRC-3/ROHC", 3, 0x3, 0x7, true, true, 0x0, 0x6),
    ("CRC-4/G-704", 4, 0x3, 0x0, true, true, 0x0, 0x7),
    ("CRC-4/INTERLAKEN", 4, 0x3, 0xf, false, false, 0xf, 0xb),
    ("CRC-5/EPC-C1G2", 5, 0x9, 0x9, false, false, 0x0, 0x0),
    ("CRC-5/G-704", 5, 0x15, 0x0, true, true, 0x0, 0x7),
    ("CRC-5/USB", 5, 0x5, 0x1f, true, true, 0x1f, 0x19),
    ("CRC-6/CDMA2000-A", 6, 0x27, 0x3f, false, false, 0x0, 0xd),
    ("CRC-6/CDMA2000-B", 6, 0x7, 0x3f, false, false, 0x0, 0x3b),
    ("CRC-6/DARC", 6, 0x19, 0x0, true, true, 0x0, 0x26),
    ("CRC-6/G-704", 6, 0x3, 0x0, true, true, 0x0, 0x6),
    ("CRC-6/GSM", 6, 0x2f, 0x0, false, false, 0x3f, 0x13),
    ("CRC-7/MMC", 7, 0x9, 0x0, false, false, 0x0, 0x75),
    ("CRC-7/ROHC", 7, 0x4f, 0x7f, true, true, 0x0, 0x53),
    ("CRC-7/UMTS", 7, 0x45, 0x0, false, false, 0x0, 0x61),
    ("CRC-8/AUTOSAR", 8, 0x2f, 0xff, false, false, 0xff, 0xdf),
    ("CRC-8/BLUETOOTH", 8, 0xa7, 0x0, true, true, 0x0, 0x26),
    ("CRC-8/CDMA2000", 8, 0x9b, 0xff, false, false, 0x0, 0xda),
    ("CRC-8/DARC", 8, 0x39, 0x0, true, true, 0x0, 0x15),
    ("CRC-8/DVB-S2", 8, 0xd5, 0x0, false, false, 0x0, 0xbc),
    ("CRC-8/GSM-A", 8, 0x1d, 0x0, false, false, 0x0, 0x37),
    ("CRC-8/GSM-B", 8, 0x49, 0x0, false, false, 0xff, 0x94),
    ("CRC-8/HITAG", 8, 0x1d, 0xff, false, false, 0x0, 0xb4),
    ("CRC-8/I-432-1", 8, 0x7, 0x0, false, false, 0x55, 0xa1),
    ("CRC-8/I-CODE", 8, 0x1d, 0xfd, false, false, 0x0, 0x7e),
    ("CRC-8/LTE", 8, 0x9b, 0x0, false, false, 0x0, 0xea),
    ("CRC-8/MAXIM-DOW", 8, 0x31, 0x0, true, true, 0x0, 0xa1),
    ("CRC-8/MIFARE-MAD", 8, 0x1d, 0xc7, false, false, 0x0, 0x99),
    ("CRC-8/NRSC-5", 8, 0x31, 0xff, false, false, 0x0, 0xf7),
    ("CRC-8/OPENSAFETY", 8, 0x2f, 0x0, false, false, 0x0, 0x3e),
    ("CRC-8/ROHC", 8, 0x7, 0xff, true, true, 0x0, 0xd0),
    ("CRC-8/SAE-J1850", 8, 0x1d, 0xff, false, false, 0xff, 0x4b),
    ("CRC-8/SMBUS", 8, 0x7, 0x0, false, false, 0x0, 0xf4),
    ("CRC-8/TECH-3250", 8, 0x1d, 0xff, true, true, 0x0, 0x97),
    ("CRC-8/WCDMA", 8, 0x9b, 0x0, true, true, 0x0, 0x25),
    ("CRC-10/ATM", 10, 0x233, 0x0, false, false, 0x0, 0x199),
    ("CRC-10/CDMA2000", 10, 0x3d9, 0x3ff, false, false, 0x0, 0x233),
    ("CRC-10/GSM", 10, 0x175, 0x0, false, false, 0x3ff, 0x12a),
    ("CRC-11/FLEXRAY", 11, 0x385, 0x1a, false, false, 0x0, 0x5a3),
    ("CRC-11/UMTS", 11, 0x307, 0x0, false, false, 0x0, 0x61),
    ("CRC-12/CDMA2000", 12, 0xf13, 0xfff, false, false, 0x0, 0xd4d),
    ("CRC-12/DECT", 12, 0x80f, 0x0, false, false, 0x0, 0xf5b),
    ("CRC-12/GSM", 12, 0xd31, 0x0, false, false, 0xfff, 0xb34),
    ("CRC-12/UMTS", 12, 0x80f, 0x0, false, true, 0x0, 0xdaf),
    ("CRC-13/BBC", 13, 0x1cf5, 0x0, false, false, 0x0, 0x4fa),
    ("CRC-14/DARC", 14, 0x805, 0x0, true, true, 0x0, 0x82d),
    ("CRC-14/GSM", 14, 0x202d, 0x0, false, false, 0x3fff, 0x30ae),
    ("CRC-15/CAN", 15, 0x4599, 0x0, false, false, 0x0, 0x59e),
    ("CRC-15/MPT1327", 15, 0x6815, 0x0, false, false, 0x1, 0x2566),
    ("CRC-16/ARC", 16, 0x8005, 0x0, true, true, 0x0, 0xbb3d),
    ("CRC-16/CDMA2000", 16, 0xc867, 0xffff, false, false, 0x0, 0x4c06),
    ("CRC-16/CMS", 16, 0x8005, 0xffff, false, false, 0x0, 0xaee7),
    ("CRC-16/DDS-110", 16, 0x8005, 0x800d, false, false, 0x0, 0x9ecf),
    ("CRC-16/DECT-R", 16, 0x589, 0x0, false, false, 0x1, 0x7e),
    ("CRC-16/DECT-X", 16, 0x589, 0x0, false, false, 0x0, 0x7f),
    ("CRC-16/DNP", 16, 0x3d65, 0x0, true, true, 0xffff, 0xea82),
    ("CRC-16/EN-13757", 16, 0x3d65, 0x0, false, false, 0xffff, 0xc2b7),
    ("CRC-16/GENIBUS", 16, 0x1021, 0xffff, false, false, 0xffff, 0xd64e),
    ("CRC-16/GSM", 16, 0x1021, 0x0, false, false, 0xffff, 0xce3c),
    ("CRC-16/IBM-3740", 16, 0x1021, 0xffff, false, false, 0x0, 0x29b1),
    ("CRC-16/IBM-SDLC", 16, 0x1021, 0xffff, true, true, 0xffff, 0x906e),
    ("CRC-16/ISO-IEC-14443-3-A", 16, 0x1021, 0xc6c6, true, true, 0x0, 0xbf05),
    ("CRC-16/KERMIT", 16, 0x1021, 0x0, true, true, 0x0, 0x2189),
    ("CRC-16/LJ1200", 16, 0x6f63, 0x0, false, false, 0x0, 0xbdf4),
    ("CRC-16/M17", 16, 0x5935, 0xffff, false, false, 0x0, 0x772b),
    ("CRC-16/MAXIM-DOW", 16, 0x8005, 0x0, true, true, 0xffff, 0x44c2),
    ("CRC-16/MCRF4XX", 16, 0x1021, 0xffff, true, true, 0x0, 0x6f91),
    ("CRC-16/MODBUS", 16, 0x8005, 0xffff, true, true, 0x0, 0x4b37),
    ("CRC-16/NRSC-5", 16, 0x80b, 0xffff, true, true, 0x0, 0xa066),
    ("CRC-16/OPENSAFETY-A", 16, 0x5935, 0x0, false, false, 0x0, 0x5d38),
    ("CRC-16/OPENSAFETY-B", 16, 0x755b, 0x0, false, false, 0x0, 0x20fe),
    ("CRC-16/PROFIBUS", 16, 0x1dcf, 0xffff, false, false, 0xffff, 0xa819),
    ("CRC-16/RIELLO", 16, 0x1021, 0xb2aa, true, true, 0x0, 0x63d0),
    ("CRC-16/SPI-FUJITSU", 16, 0x1021, 0x1d0f, false, false, 0x0, 0xe5cc),
    ("CRC-16/T10-DIF", 16, 0x8bb7, 0x0, false, false, 0x0, 0xd0db),
    ("CRC-16/TELEDISK", 16, 0xa097, 0x0, false, false, 0x0, 0xfb3),
    ("CRC-16/TMS37157", 16, 0x1021, 0x89ec, true, true, 0x0, 0x26b1),
    ("CRC-16/UMTS", 16, 0x8005, 0x0, false, false, 0x0, 0xfee8),
    ("CRC-16/USB", 16, 0x8005, 0xffff, true, true, 0xffff, 0xb4c8),
    ("CRC-16/XMODEM", 16, 0x1021, 0x0, false, false, 0x0, 0x31c3),
    ("CRC-17/CAN-FD", 17, 0x1685b, 0x0, false, false, 0x0, 0x4f03),
    ("CRC-21/CAN-FD", 21, 0x102899, 0x0, false, false, 0x0, 0xed841),
    ("CRC-24/BLE", 24, 0x65b, 0x555555, true, true, 0x0, 0xc25a56),
    ("CRC-24/FLEXRAY-A", 24, 0x5d6dcb, 0xfedcba, false, false, 0x0, 0x7979bd),
    ("CRC-24/FLEXRAY-B", 24, 0x5d6dcb, 0xabcdef, false, false, 0x0, 0x1f23b8),
    ("CRC-24/INTERLAKEN", 24, 0x328b63, 0xffffff, false, false, 0xffffff, 0xb4f3e6),
    ("CRC-24/LTE-A", 24, 0x864cfb, 0x0, false, false, 0x0, 0xcde703),
    ("CRC-24/LTE-B", 24, 0x800063, 0x0, false, false, 0x0, 0x23ef52),
    ("CRC-24/OPENPGP", 24, 0x864cfb, 0xb704ce, false, false, 0x0, 0x21cf02),
    ("CRC-24/OS-9", 24, 0x800063, 0xffffff, false, false, 0xffffff, 0x200fa5),
    ("CRC-30/CDMA", 30, 0x2030b9c7, 0x3fffffff, false, false, 0x3fffffff, 0x4c34abf),
    ("CRC-31/PHILIPS", 31, 0x4c11db7, 0x7fffffff, false, false, 0x7fffffff, 0xce9e46c),
    ("CRC-32/AIXM", 32, 0x814141ab, 0x0, false, false, 0x0, 0x3010bf7f),
    ("CRC-32/AUTOSAR", 32, 0xf4acfb13, 0xffffffff, true, true, 0xffffffff, 0x1697d06a),
    ("CRC-32/BASE91-D", 32, 0xa833982b, 0xffffffff, true, true, 0xffffffff, 0x87315576),
    ("CRC-32/BZIP2", 32, 0x4c11db7, 0xffffffff, false, false, 0xffffffff, 0xfc891918),
    ("CRC-32/CD-ROM-EDC", 32, 0x8001801b, 0x0, true, true, 0x0, 0x6ec2edc4),
    ("CRC-32/CKSUM", 32, 0x4c11db7, 0x0, false, false, 0xffffffff, 0x765e7680),
    ("CRC-32/ISCSI", 32, 0x1edc6f41, 0xffffffff, true, true, 0xffffffff, 0xe3069283),
    ("CRC-32/ISO-HDLC", 32, 0x4c11db7, 0xffffffff, true, true, 0xffffffff, 0xcbf43926),
    ("CRC-32/JAMCRC", 32, 0x4c11db7, 0xffffffff, true, true, 0x0, 0x340bc6d9),
    ("CRC-32/MEF", 32, 0x741b8cd7, 0xffffffff, true, true, 0x0, 0xd2c22f51),
    ("CRC-32/MPEG-2", 32, 0x4c11db7, 0xffffffff, false, false, 0x0, 0x376e6e7),
    ("CRC-32/XFER", 32, 0xaf, 0x0, false, false, 0x0, 0xbd0be338),
    ("CRC-40/GSM", 40, 0x4820009, 0x0, false, false, 0xffffffffff, 0xd4164fc646),
    ("CRC-64/ECMA-182", 64, 0x42f0e1eba9ea3693, 0x0, false, false, 0x0, 0x6c40df5f0b497347),
    ("CRC-64/GO-ISO", 64, 0x1b, 0xffffffffffffffff, true, true, 0xffffffffffffffff, 0xb90956c775a41001),
    ("CRC-64/MS", 64, 0x259c84cba6426349, 0xffffffffffffffff, true, true, 0x0, 0x75d4b74f024eceea),
    ("CRC-64/NVME", 64, 0xad93d23594c93659, 0xffffffffffffffff, true, true, 0xffffffffffffffff, 0xae8b14860a799888),
    ("CRC-64/REDIS", 64, 0xad93d23594c935a9, 0x0, true, true, 0x0, 0xe9c6d914c4b8d9ca),
    ("CRC-64/WE", 64, 0x42f0e1eba9ea3693, 0xffffffffffffffff, false, false, 0xffffffffffffffff, 0x62ec59e3f1a4f00a),
    ("CRC-64/XZ", 64, 0x42f0e1eba9ea3693, 0xffffffffffffffff, true, true, 0xffffffffffffffff, 0x995dc9bbdf1939fa),
];

#[test]
fn every_catalogue_entry_gives_its_check_value() {
    assert_eq!(CATALOGUE.len(), 112);
    for &(name, width, poly, init, refin, refout, xorout, check) in CATALOGUE {
        let named = Checksum::crc_named(name).expect(name);
        let custom = Checksum::crc_custom(CrcParameters { width, poly, init, refin, refout, xorout }).expect(name);
        assert_eq!(named.compute(b"123456789"), check, "{name}");
        assert_eq!(custom.compute(b"123456789"), check, "{name} by its parameters");
        assert_eq!(named.compute_with_extra(b"1234", b"56789"), check, "{name} in two parts");
        assert_eq!(named.bits(), width, "{name}");
        assert_eq!(named, custom, "{name}");
    }
    assert!(Checksum::crc_names().eq(CATALOGUE.iter().map(|row| row.0)));
}

/// The 113th entry of the catalogue has a check value of 82 bits and is left out.
#[test]
fn crc_82_is_refused_rather_than_cut_short() {
    assert!(Checksum::crc_named("CRC-82/DARC").is_none());
}

/// 42 entries with more vectors: `../reference/crc_check_values.json`. Run with two other CRC libraries.
#[test]
fn more_vectors_of_the_usual_algorithms() {
    let rows: Value = serde_json::from_str(include_str!("../reference/crc_check_values.json")).unwrap();
    let rows = rows.as_array().unwrap();
    assert_eq!(rows.len(), 42);
    for row in rows {
        let constant = row["name"].as_str().unwrap();
        let name = Checksum::crc_names().find(|name| name.replace(['-', '/'], "_") == constant).expect(constant);
        let named = Checksum::crc_named(name).unwrap();
        let number = |key: &str| row[key].as_u64().unwrap();
        let custom = Checksum::crc_custom(CrcParameters {
            width: u8::try_from(number("width")).unwrap(),
            poly: number("poly"),
            init: number("init"),
            refin: row["refin"].as_bool().unwrap(),
            refout: row["refout"].as_bool().unwrap(),
            xorout: number("xorout"),
        })
        .unwrap();
        assert_eq!(named, custom, "{name}");
        let vectors = &row["vectors"];
        for (bytes, expected) in [
            (&b"123456789"[..], &row["check"]),
            (&[], &vectors["empty"]),
            (&[0x00], &vectors["00"]),
            (&[0xFF], &vectors["FF"]),
            (&[0xA5, 0x5A], &vectors["A55A"]),
        ] {
            assert_eq!(named.compute(bytes), expected.as_u64().unwrap(), "{name} of {bytes:02X?}");
            assert_eq!(custom.compute(bytes), expected.as_u64().unwrap(), "{name} of {bytes:02X?} by parameters");
        }

        // The residue: the register after the message and its own check value as sent, before the final XOR.
        let check = named.compute(b"123456789").to_be_bytes();
        let mut sent = check[8 - usize::from(named.bits()) / 8..].to_vec();
        if row["refout"] == true {
            sent.reverse();
        }
        let residue = named.compute_with_extra(b"123456789", &sent) ^ number("xorout");
        assert_eq!(residue, number("residue"), "residue of {name}");
    }
}

/// An ambiguous name finds nothing. Each candidate gives another value: catalogue, read.
#[test]
fn the_bare_name_ccitt_is_refused() {
    for name in ["CCITT", "CRC-16/CCITT", "CRC-CCITT", "crc-16/ccitt", "CRC-16", "CRC-8"] {
        assert!(Checksum::crc_named(name).is_none(), "{name}");
    }
    for (name, check) in [
        ("CRC-16/IBM-3740", 0x29B1),
        ("CRC-16/CCITT-FALSE", 0x29B1),
        ("CRC-16/XMODEM", 0x31C3),
        ("CRC-16/KERMIT", 0x2189),
        ("CRC-16/MCRF4XX", 0x6F91),
        ("CRC-16/IBM-SDLC", 0x906E),
        ("CRC-16/X-25", 0x906E),
        ("CRC-16/SPI-FUJITSU", 0xE5CC),
        ("CRC-32", 0xCBF4_3926),
    ] {
        assert_eq!(Checksum::crc_named(name).map(|crc| crc.compute(b"123456789")), Some(check), "{name}");
    }
}

/// Values that are not CRCs.
#[test]
fn sums() {
    use SimpleChecksum::*;
    for (kind, bytes, expected, source) in [
        (Fletcher16, &b"abcde"[..], 0xC8F0, "algorithm RFC 1146 and RFC 905 annex B, run; common example, from memory"),
        (Fletcher16, b"abcdef", 0x2057, "the same"),
        (Fletcher16, b"abcdefgh", 0x0627, "the same"),
        (Fletcher16, b"123456789", 0x1EDE, "the same"),
        (Fletcher16, &[0xFF, 0xFF], 0x0000, "FF counts as 00 modulo 255: RFC 1146, from memory; run"),
        (Fletcher16, &[0x00, 0x00], 0x0000, "the same"),
        (Fletcher16Mod256, b"abcde", 0xC3EF, "modulo 256, run; no source"),
        (Fletcher16Mod256, b"123456789", 0x15DD, "the same"),
        (Fletcher32, b"abcde", 0xF04F_C729, "common example, from memory; run"),
        (Fletcher32, b"abcdef", 0x5650_2D2A, "the same"),
        (Fletcher32, b"abcdefgh", 0xEBE1_9591, "the same"),
        (Adler32, b"Wikipedia", 0x11E6_0398, "algorithm RFC 1950, run with zlib"),
        (Adler32, b"123456789", 0x091E_01DE, "the same"),
        (Adler32, b"", 1, "RFC 1950: the sums start at 1 and 0; from memory"),
        (Sum8, b"123456789", 0xDD, "arithmetic, run"),
        (Sum16, b"123456789", 0x01DD, "the same"),
        (Xor8, b"123456789", 0x31, "the same"),
        (TwosComplement8, b"123456789", 0x23, "the same"),
        (TwosComplement16, b"123456789", 0xFE23, "10000 - 01DD, worked out by hand"),
        (OnesComplement8, b"123456789", 0x22, "arithmetic, run"),
        (TwosComplement8, &[0x11, 0x03, 0x00, 0x6B, 0x00, 0x03], 0x7E, LRC),
        (TwosComplement8, &[0x11, 0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64], 0x55, LRC),
        (TwosComplement8, &[0xF7, 0x03, 0x13, 0x89, 0x00, 0x0A], 0x60, LRC),
        (Internet16, &[0x00, 0x01, 0xF2, 0x03, 0xF4, 0xF5, 0xF6, 0xF7], 0x220D, "RFC 1071 section 3, from memory; run"),
    ] {
        let check = Checksum::simple(kind);
        assert_eq!(check.compute(bytes), expected, "{kind:?} of {bytes:02X?}: {source}");
        for at in 0..=bytes.len() {
            let (head, tail) = bytes.split_at(at);
            assert_eq!(check.compute_with_extra(head, tail), expected, "{kind:?} of {bytes:02X?} in two at {at}");
        }
    }
}

/// Long enough for every modulus to count. Adler-32: run with zlib; the others: run in exact integers, reduced once at the
/// end, so that nothing is shared with the code.
#[test]
fn sums_of_many_bytes() {
    use SimpleChecksum::*;
    let ramp: Vec<u8> = (0..5000_u32).map(|at| ((at * 7 + 3) & 0xFF) as u8).collect();
    for (kind, expected) in [
        (Adler32, 0x3C1D_B7A4),
        (Fletcher32, 0x1F2C_A13B),
        (Fletcher16, 0xFEDC),
        (Fletcher16Mod256, 0x381C),
        (Internet16, 0xC45E),
        (Sum16, 0xB71C),
        (TwosComplement16, 0x48E4),
        (Sum8, 0x1C),
    ] {
        assert_eq!(Checksum::simple(kind).compute(&ramp), expected, "{kind:?}");
    }
    assert_eq!(Checksum::simple(Adler32).compute(&[0xFF; 1000]), 0xE6E9_E446);
}

const LRC: &str = "Modbus over serial line V1.02, 6.2.1: two's complement of the sum; read in a transcription, run";

/// All bytes of a record and its check add up to zero. Intel Hexadecimal Object File Format (1988), from memory; public
/// example records; run.
#[test]
fn records_that_add_up_to_zero() {
    let check = Checksum::simple(SimpleChecksum::TwosComplement8);
    for record in ["10010000214601360121470136007EFE09D2190140", "0300300002337A1E", "00000001FF"] {
        let bytes = hex(record);
        let (last, rest) = bytes.split_last().unwrap();
        assert_eq!(check.compute(rest), u64::from(*last), "{record}");
        assert_eq!(Checksum::simple(SimpleChecksum::Sum8).compute(&bytes), 0, "{record}");
    }
}

/// XOR of what stands between `$` and `*`, as two hex digits. NMEA 0183, from memory; widely published sentences; run.
#[test]
fn sentences_with_an_xor() {
    let check = Checksum::simple(SimpleChecksum::Xor8);
    for sentence in [
        "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
        "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
    ] {
        let (body, sent) = sentence.trim_start_matches('$').split_once('*').unwrap();
        assert_eq!(format!("{:02X}", check.compute(body.as_bytes())), sent, "{sentence}");
    }
}

/// Frames whose last two bytes are a CRC, low byte first.
#[test]
fn frames_that_end_in_a_crc() {
    const MODBUS: &str =
        "Modbus application protocol V1.1b3, 6.3: the data read in a transcription; address and CRC run";
    const PPP: &str = "FCS-16 of RFC 1662 appendix C, read in copies; the frame run";
    for (name, frame, source) in [
        ("CRC-16/MODBUS", "11 03 00 6B 00 03 76 87", MODBUS),
        ("CRC-16/MODBUS", "11 03 06 02 2B 00 00 00 64 C8 BA", MODBUS),
        ("CRC-16/MODBUS", "01 03 00 6B 00 03 74 17", MODBUS),
        ("CRC-16/MODBUS", "01 03 06 02 2B 00 00 00 64 05 7A", MODBUS),
        ("CRC-16/MODBUS", "01 83 02 C0 F1", MODBUS),
        ("CRC-16/MODBUS", "02 07 41 12", "Modbus over serial line V1.02, 6.2.2, page 41; read in a transcription, run"),
        ("CRC-16/IBM-SDLC", "FF 03 C0 21 01 01 00 04 D1 B5", PPP),
    ] {
        let crc = Checksum::crc_named(name).unwrap();
        let bytes = hex(frame);
        let (body, sent) = bytes.split_at(bytes.len() - 2);
        assert_eq!(crc.compute(body), u64::from(sent[0]) | u64::from(sent[1]) << 8, "{frame}: {source}");
    }
}

/// RFC 1662 appendix C: a good frame with its FCS leaves F0B8, or DEBB20E3 for 32 bits. Read in copies, run.
#[test]
fn a_good_frame_leaves_the_published_residue() {
    let fcs16 = Checksum::crc_named("CRC-16/IBM-SDLC").unwrap();
    assert_eq!(fcs16.compute(&hex("FF 03 C0 21 01 01 00 04 D1 B5")) ^ 0xFFFF, 0xF0B8);
    let fcs32 = Checksum::crc_named("CRC-32/ISO-HDLC").unwrap();
    let body = hex("FF 03 C0 21 01 01 00 04");
    let sent = u32::try_from(fcs32.compute(&body)).unwrap().to_le_bytes();
    assert_eq!(fcs32.compute_with_extra(&body, &sent) ^ 0xFFFF_FFFF, 0xDEBB_20E3);
}

/// MAVLink frames: CRC over all but the first byte and a seed byte per message kind that is not sent. The seeds follow
/// from the public message definitions (common.xml): read and run; the frames were built with a public library of that
/// protocol and checked by a second decoder.
#[test]
fn frames_with_a_seed_byte_per_message_kind() {
    let crc = Checksum::crc_named("CRC-16/MCRF4XX").unwrap();
    for (seed, frame) in [
        (50, "fe 09 11 01 01 00 00 00 00 00 0d 00 00 03 03 ad 10"),
        (50, "fd 09 00 00 12 01 01 00 00 00 00 00 00 00 0d 00 00 03 03 b3 ce"),
        (154, "fd 01 00 00 0c 01 01 93 00 00 00 2c 1d"),
        (
            154,
            "fd 24 00 00 0b 01 01 93 00 00 ff ff ff ff ff ff ff ff ff 7f d9 0e da 0e db 0e dc 0e dd 0e de 0e
             ff ff ff ff ff ff ff ff ff ff 00 02 03 ff 51 31",
        ),
        (
            124,
            "fe 1f 0e 01 01 01 00 00 00 02 00 00 00 02 00 00 00 02 4d 01 62 b2 d2 04 0c 00 03 00 00 00 00 00
             00 00 00 00 3d 8f b8",
        ),
    ] {
        let bytes = hex(frame);
        let (body, sent) = bytes.split_at(bytes.len() - 2);
        let expected = u64::from(sent[0]) | u64::from(sent[1]) << 8;
        assert_eq!(crc.compute_with_extra(&body[1..], &[seed]), expected, "{frame}");
        assert_ne!(crc.compute(&body[1..]), expected, "{frame}: the seed must matter");
    }
}

/// 600 records of 16 cells, framed by another program: `../reference/streams/bin16s_sync.bin` with its `.json`.
#[test]
fn every_record_of_the_binary_stream_has_a_good_crc() {
    let stream = include_bytes!("../reference/streams/bin16s_sync.bin");
    let truth: Value = serde_json::from_str(include_str!("../reference/streams/bin16s.json")).unwrap();
    let crc = Checksum::crc_named("CRC-16/MODBUS").unwrap();
    let rows = truth["rows"].as_array().unwrap();
    assert_eq!(rows.len(), 600);
    let mut end = 0;
    for row in rows {
        let [offset, len] = [0, 1].map(|at| usize::try_from(row["sync"][at].as_u64().unwrap()).unwrap());
        let frame = &stream[offset..offset + len];
        let (head, body) = frame.split_at(2);
        let (covered, sent) = body.split_at(body.len() - 2);
        assert_eq!(head, [0xA5, 0x5A]);
        assert_eq!(covered[1..], hex(row["record_hex"].as_str().unwrap()));
        assert_eq!(crc.compute(covered), u64::from(sent[0]) | u64::from(sent[1]) << 8, "record at {offset}");
        assert_eq!(offset, end);
        end = offset + len;
    }
    assert_eq!(end, stream.len());
}

/// The published remark that an all-zero frame passes a CRC whose initial and final values are zero. Catalogue, run.
#[test]
fn zeros_pass_a_crc_without_an_initial_value() {
    for name in ["CRC-16/KERMIT", "CRC-16/XMODEM", "CRC-16/ARC", "CRC-8/SMBUS"] {
        let crc = Checksum::crc_named(name).unwrap();
        assert!(crc.accepts_all_zero(), "{name}");
        assert_eq!(crc.compute(&[0; 44]), 0, "{name}");
    }
    for name in ["CRC-16/MODBUS", "CRC-16/IBM-3740", "CRC-32/ISO-HDLC", "CRC-16/MAXIM-DOW"] {
        assert!(!Checksum::crc_named(name).unwrap().accepts_all_zero(), "{name}");
    }
}

/// Bytes of hex digits; blanks between them are skipped, anything else fails the test.
fn hex(text: &str) -> Vec<u8> {
    let digits: Vec<u8> = text.chars().filter_map(|c| c.to_digit(16)).map(|digit| digit as u8).collect();
    assert_eq!(digits.len(), text.chars().filter(|c| !c.is_whitespace()).count(), "{text}");
    assert_eq!(digits.len() % 2, 0, "{text}");
    digits.chunks(2).map(|pair| pair[0] << 4 | pair[1]).collect()
}
