//! CRC algorithms by name.
//!
//! Names and parameters are those of the public catalogue of parametrised CRC algorithms (G. Cook), as carried by the
//! crate `crc-catalog`. One of its 113 entries is missing here: CRC-82/DARC, wider than the 64 bits that a check field
//! can have. Names are compared without regard to case.

use crate::checksum::CrcParameters;

/// The parameters of the algorithm called `name`: a catalogue name, or another name that means one algorithm only.
///
/// A name that different sources give to different algorithms is `None`; [`ambiguous`] says more.
pub(crate) fn by_name(name: &str) -> Option<CrcParameters> {
    let name = ALIASES.iter().find(|(alias, _)| alias.eq_ignore_ascii_case(name)).map_or(name, |(_, proper)| proper);
    CATALOGUE.iter().find(|(known, _)| known.eq_ignore_ascii_case(name)).map(|(_, parameters)| *parameters)
}

/// The catalogue names, narrow algorithms first; without the aliases that [`by_name`] also takes.
pub(crate) fn names() -> impl Iterator<Item = &'static str> {
    CATALOGUE.iter().map(|(name, _)| *name)
}

/// What to choose from, for a name that is in use for several algorithms; `None` for all other names.
pub(crate) fn ambiguous(name: &str) -> Option<&'static str> {
    AMBIGUOUS.iter().find(|(known, _)| known.eq_ignore_ascii_case(name)).map(|(_, candidates)| *candidates)
}

/// Other names in use: alias, catalogue name. The catalogue's own aliases (from memory of its pages), less those in
/// [`AMBIGUOUS`].
const ALIASES: &[(&str, &str)] = &[
    ("CRC-4/ITU", "CRC-4/G-704"),
    ("CRC-5/EPC", "CRC-5/EPC-C1G2"),
    ("CRC-5/ITU", "CRC-5/G-704"),
    ("CRC-6/ITU", "CRC-6/G-704"),
    ("CRC-7", "CRC-7/MMC"),
    ("CRC-8/ITU", "CRC-8/I-432-1"),
    ("CRC-8/MAXIM", "CRC-8/MAXIM-DOW"),
    ("DOW-CRC", "CRC-8/MAXIM-DOW"),
    ("CRC-8/AES", "CRC-8/TECH-3250"),
    ("CRC-8/EBU", "CRC-8/TECH-3250"),
    ("CRC-10", "CRC-10/ATM"),
    ("CRC-10/I-610", "CRC-10/ATM"),
    ("CRC-11", "CRC-11/FLEXRAY"),
    ("CRC-12/3GPP", "CRC-12/UMTS"),
    ("CRC-15", "CRC-15/CAN"),
    ("ARC", "CRC-16/ARC"),
    ("CRC-16/LHA", "CRC-16/ARC"),
    ("CRC-16/EPC", "CRC-16/GENIBUS"),
    ("CRC-16/EPC-C1G2", "CRC-16/GENIBUS"),
    ("CRC-16/I-CODE", "CRC-16/GENIBUS"),
    ("CRC-16/DARC", "CRC-16/GENIBUS"),
    ("CRC-16/AUTOSAR", "CRC-16/IBM-3740"),
    ("CRC-16/CCITT-FALSE", "CRC-16/IBM-3740"),
    ("CRC-16/ISO-HDLC", "CRC-16/IBM-SDLC"),
    ("CRC-16/ISO-IEC-14443-3-B", "CRC-16/IBM-SDLC"),
    ("CRC-16/X-25", "CRC-16/IBM-SDLC"),
    ("CRC-B", "CRC-16/IBM-SDLC"),
    ("X-25", "CRC-16/IBM-SDLC"),
    ("CRC-A", "CRC-16/ISO-IEC-14443-3-A"),
    ("CRC-16/BLUETOOTH", "CRC-16/KERMIT"),
    ("CRC-16/CCITT-TRUE", "CRC-16/KERMIT"),
    ("CRC-16/V-41-LSB", "CRC-16/KERMIT"),
    ("KERMIT", "CRC-16/KERMIT"),
    ("CRC-16/MAXIM", "CRC-16/MAXIM-DOW"),
    ("MODBUS", "CRC-16/MODBUS"),
    ("CRC-16/IEC-61158-2", "CRC-16/PROFIBUS"),
    ("CRC-16/AUG-CCITT", "CRC-16/SPI-FUJITSU"),
    ("CRC-16/BUYPASS", "CRC-16/UMTS"),
    ("CRC-16/VERIFONE", "CRC-16/UMTS"),
    ("CRC-16/ACORN", "CRC-16/XMODEM"),
    ("CRC-16/LTE", "CRC-16/XMODEM"),
    ("CRC-16/V-41-MSB", "CRC-16/XMODEM"),
    ("XMODEM", "CRC-16/XMODEM"),
    ("ZMODEM", "CRC-16/XMODEM"),
    ("CRC-24", "CRC-24/OPENPGP"),
    ("CRC-32Q", "CRC-32/AIXM"),
    ("CRC-32D", "CRC-32/BASE91-D"),
    ("CRC-32/AAL5", "CRC-32/BZIP2"),
    ("CRC-32/DECT-B", "CRC-32/BZIP2"),
    ("B-CRC-32", "CRC-32/BZIP2"),
    ("CKSUM", "CRC-32/CKSUM"),
    ("CRC-32/POSIX", "CRC-32/CKSUM"),
    ("CRC-32C", "CRC-32/ISCSI"),
    ("CRC-32/BASE91-C", "CRC-32/ISCSI"),
    ("CRC-32/CASTAGNOLI", "CRC-32/ISCSI"),
    ("CRC-32/INTERLAKEN", "CRC-32/ISCSI"),
    ("CRC-32", "CRC-32/ISO-HDLC"),
    ("CRC-32/ADCCP", "CRC-32/ISO-HDLC"),
    ("CRC-32/V-42", "CRC-32/ISO-HDLC"),
    ("CRC-32/XZ", "CRC-32/ISO-HDLC"),
    ("PKZIP", "CRC-32/ISO-HDLC"),
    ("JAMCRC", "CRC-32/JAMCRC"),
    ("XFER", "CRC-32/XFER"),
    ("CRC-64/GO-ECMA", "CRC-64/XZ"),
];

const CCITT: &str = "CRC-16/IBM-3740 (123456789 gives 29B1), CRC-16/XMODEM (31C3), CRC-16/KERMIT (2189), \
    CRC-16/MCRF4XX (6F91), CRC-16/IBM-SDLC (906E) or CRC-16/SPI-FUJITSU (E5CC)";
const BARE_8: &str =
    "CRC-8/SMBUS (123456789 gives F4), CRC-8/MAXIM-DOW (A1), CRC-8/SAE-J1850 (4B) or CRC-8/AUTOSAR (DF)";
const BARE_16: &str = "CRC-16/MODBUS (123456789 gives 4B37), CRC-16/ARC (BB3D), CRC-16/IBM-3740 (29B1) or \
    CRC-16/XMODEM (31C3)";
const BARE_64: &str = "CRC-64/ECMA-182 (123456789 gives 6C40DF5F0B497347), CRC-64/XZ (995DC9BBDF1939FA) or \
    CRC-64/GO-ISO (B90956C775A41001)";

/// Names that mean different algorithms to different people (common practice, no source), with the usual candidates.
const AMBIGUOUS: &[(&str, &str)] = &[
    ("CCITT", CCITT),
    ("CRC-CCITT", CCITT),
    ("CRC-16-CCITT", CCITT),
    ("CRC-16/CCITT", CCITT),
    ("CRC16-CCITT", CCITT),
    ("CRC8", BARE_8),
    ("CRC-8", BARE_8),
    ("CRC16", BARE_16),
    ("CRC-16", BARE_16),
    ("CRC-IBM", BARE_16),
    ("CRC-16-IBM", BARE_16),
    ("CRC64", BARE_64),
    ("CRC-64", BARE_64),
];

const fn w8(a: &crc::Algorithm<u8>) -> CrcParameters {
    let (poly, init, xorout) = (a.poly as u64, a.init as u64, a.xorout as u64);
    CrcParameters { width: a.width, poly, init, refin: a.refin, refout: a.refout, xorout }
}

const fn w16(a: &crc::Algorithm<u16>) -> CrcParameters {
    let (poly, init, xorout) = (a.poly as u64, a.init as u64, a.xorout as u64);
    CrcParameters { width: a.width, poly, init, refin: a.refin, refout: a.refout, xorout }
}

const fn w32(a: &crc::Algorithm<u32>) -> CrcParameters {
    let (poly, init, xorout) = (a.poly as u64, a.init as u64, a.xorout as u64);
    CrcParameters { width: a.width, poly, init, refin: a.refin, refout: a.refout, xorout }
}

const fn w64(a: &crc::Algorithm<u64>) -> CrcParameters {
    let (poly, init, xorout) = (a.poly, a.init, a.xorout);
    CrcParameters { width: a.width, poly, init, refin: a.refin, refout: a.refout, xorout }
}

static CATALOGUE: [(&str, CrcParameters); 112] = [
    ("CRC-3/GSM", w8(&crc::CRC_3_GSM)),
    ("CRC-3/ROHC", w8(&crc::CRC_3_ROHC)),
    ("CRC-4/G-704", w8(&crc::CRC_4_G_704)),
    ("CRC-4/INTERLAKEN", w8(&crc::CRC_4_INTERLAKEN)),
    ("CRC-5/EPC-C1G2", w8(&crc::CRC_5_EPC_C1G2)),
    ("CRC-5/G-704", w8(&crc::CRC_5_G_704)),
    ("CRC-5/USB", w8(&crc::CRC_5_USB)),
    ("CRC-6/CDMA2000-A", w8(&crc::CRC_6_CDMA2000_A)),
    ("CRC-6/CDMA2000-B", w8(&crc::CRC_6_CDMA2000_B)),
    ("CRC-6/DARC", w8(&crc::CRC_6_DARC)),
    ("CRC-6/G-704", w8(&crc::CRC_6_G_704)),
    ("CRC-6/GSM", w8(&crc::CRC_6_GSM)),
    ("CRC-7/MMC", w8(&crc::CRC_7_MMC)),
    ("CRC-7/ROHC", w8(&crc::CRC_7_ROHC)),
    ("CRC-7/UMTS", w8(&crc::CRC_7_UMTS)),
    ("CRC-8/AUTOSAR", w8(&crc::CRC_8_AUTOSAR)),
    ("CRC-8/BLUETOOTH", w8(&crc::CRC_8_BLUETOOTH)),
    ("CRC-8/CDMA2000", w8(&crc::CRC_8_CDMA2000)),
    ("CRC-8/DARC", w8(&crc::CRC_8_DARC)),
    ("CRC-8/DVB-S2", w8(&crc::CRC_8_DVB_S2)),
    ("CRC-8/GSM-A", w8(&crc::CRC_8_GSM_A)),
    ("CRC-8/GSM-B", w8(&crc::CRC_8_GSM_B)),
    ("CRC-8/HITAG", w8(&crc::CRC_8_HITAG)),
    ("CRC-8/I-432-1", w8(&crc::CRC_8_I_432_1)),
    ("CRC-8/I-CODE", w8(&crc::CRC_8_I_CODE)),
    ("CRC-8/LTE", w8(&crc::CRC_8_LTE)),
    ("CRC-8/MAXIM-DOW", w8(&crc::CRC_8_MAXIM_DOW)),
    ("CRC-8/MIFARE-MAD", w8(&crc::CRC_8_MIFARE_MAD)),
    ("CRC-8/NRSC-5", w8(&crc::CRC_8_NRSC_5)),
    ("CRC-8/OPENSAFETY", w8(&crc::CRC_8_OPENSAFETY)),
    ("CRC-8/ROHC", w8(&crc::CRC_8_ROHC)),
    ("CRC-8/SAE-J1850", w8(&crc::CRC_8_SAE_J1850)),
    ("CRC-8/SMBUS", w8(&crc::CRC_8_SMBUS)),
    ("CRC-8/TECH-3250", w8(&crc::CRC_8_TECH_3250)),
    ("CRC-8/WCDMA", w8(&crc::CRC_8_WCDMA)),
    ("CRC-10/ATM", w16(&crc::CRC_10_ATM)),
    ("CRC-10/CDMA2000", w16(&crc::CRC_10_CDMA2000)),
    ("CRC-10/GSM", w16(&crc::CRC_10_GSM)),
    ("CRC-11/FLEXRAY", w16(&crc::CRC_11_FLEXRAY)),
    ("CRC-11/UMTS", w16(&crc::CRC_11_UMTS)),
    ("CRC-12/CDMA2000", w16(&crc::CRC_12_CDMA2000)),
    ("CRC-12/DECT", w16(&crc::CRC_12_DECT)),
    ("CRC-12/GSM", w16(&crc::CRC_12_GSM)),
    ("CRC-12/UMTS", w16(&crc::CRC_12_UMTS)),
    ("CRC-13/BBC", w16(&crc::CRC_13_BBC)),
    ("CRC-14/DARC", w16(&crc::CRC_14_DARC)),
    ("CRC-14/GSM", w16(&crc::CRC_14_GSM)),
    ("CRC-15/CAN", w16(&crc::CRC_15_CAN)),
    ("CRC-15/MPT1327", w16(&crc::CRC_15_MPT1327)),
    ("CRC-16/ARC", w16(&crc::CRC_16_ARC)),
    ("CRC-16/CDMA2000", w16(&crc::CRC_16_CDMA2000)),
    ("CRC-16/CMS", w16(&crc::CRC_16_CMS)),
    ("CRC-16/DDS-110", w16(&crc::CRC_16_DDS_110)),
    ("CRC-16/DECT-R", w16(&crc::CRC_16_DECT_R)),
    ("CRC-16/DECT-X", w16(&crc::CRC_16_DECT_X)),
    ("CRC-16/DNP", w16(&crc::CRC_16_DNP)),
    ("CRC-16/EN-13757", w16(&crc::CRC_16_EN_13757)),
    ("CRC-16/GENIBUS", w16(&crc::CRC_16_GENIBUS)),
    ("CRC-16/GSM", w16(&crc::CRC_16_GSM)),
    ("CRC-16/IBM-3740", w16(&crc::CRC_16_IBM_3740)),
    ("CRC-16/IBM-SDLC", w16(&crc::CRC_16_IBM_SDLC)),
    ("CRC-16/ISO-IEC-14443-3-A", w16(&crc::CRC_16_ISO_IEC_14443_3_A)),
    ("CRC-16/KERMIT", w16(&crc::CRC_16_KERMIT)),
    ("CRC-16/LJ1200", w16(&crc::CRC_16_LJ1200)),
    ("CRC-16/M17", w16(&crc::CRC_16_M17)),
    ("CRC-16/MAXIM-DOW", w16(&crc::CRC_16_MAXIM_DOW)),
    ("CRC-16/MCRF4XX", w16(&crc::CRC_16_MCRF4XX)),
    ("CRC-16/MODBUS", w16(&crc::CRC_16_MODBUS)),
    ("CRC-16/NRSC-5", w16(&crc::CRC_16_NRSC_5)),
    ("CRC-16/OPENSAFETY-A", w16(&crc::CRC_16_OPENSAFETY_A)),
    ("CRC-16/OPENSAFETY-B", w16(&crc::CRC_16_OPENSAFETY_B)),
    ("CRC-16/PROFIBUS", w16(&crc::CRC_16_PROFIBUS)),
    ("CRC-16/RIELLO", w16(&crc::CRC_16_RIELLO)),
    ("CRC-16/SPI-FUJITSU", w16(&crc::CRC_16_SPI_FUJITSU)),
    ("CRC-16/T10-DIF", w16(&crc::CRC_16_T10_DIF)),
    ("CRC-16/TELEDISK", w16(&crc::CRC_16_TELEDISK)),
    ("CRC-16/TMS37157", w16(&crc::CRC_16_TMS37157)),
    ("CRC-16/UMTS", w16(&crc::CRC_16_UMTS)),
    ("CRC-16/USB", w16(&crc::CRC_16_USB)),
    ("CRC-16/XMODEM", w16(&crc::CRC_16_XMODEM)),
    ("CRC-17/CAN-FD", w32(&crc::CRC_17_CAN_FD)),
    ("CRC-21/CAN-FD", w32(&crc::CRC_21_CAN_FD)),
    ("CRC-24/BLE", w32(&crc::CRC_24_BLE)),
    ("CRC-24/FLEXRAY-A", w32(&crc::CRC_24_FLEXRAY_A)),
    ("CRC-24/FLEXRAY-B", w32(&crc::CRC_24_FLEXRAY_B)),
    ("CRC-24/INTERLAKEN", w32(&crc::CRC_24_INTERLAKEN)),
    ("CRC-24/LTE-A", w32(&crc::CRC_24_LTE_A)),
    ("CRC-24/LTE-B", w32(&crc::CRC_24_LTE_B)),
    ("CRC-24/OPENPGP", w32(&crc::CRC_24_OPENPGP)),
    ("CRC-24/OS-9", w32(&crc::CRC_24_OS_9)),
    ("CRC-30/CDMA", w32(&crc::CRC_30_CDMA)),
    ("CRC-31/PHILIPS", w32(&crc::CRC_31_PHILIPS)),
    ("CRC-32/AIXM", w32(&crc::CRC_32_AIXM)),
    ("CRC-32/AUTOSAR", w32(&crc::CRC_32_AUTOSAR)),
    ("CRC-32/BASE91-D", w32(&crc::CRC_32_BASE91_D)),
    ("CRC-32/BZIP2", w32(&crc::CRC_32_BZIP2)),
    ("CRC-32/CD-ROM-EDC", w32(&crc::CRC_32_CD_ROM_EDC)),
    ("CRC-32/CKSUM", w32(&crc::CRC_32_CKSUM)),
    ("CRC-32/ISCSI", w32(&crc::CRC_32_ISCSI)),
    ("CRC-32/ISO-HDLC", w32(&crc::CRC_32_ISO_HDLC)),
    ("CRC-32/JAMCRC", w32(&crc::CRC_32_JAMCRC)),
    ("CRC-32/MEF", w32(&crc::CRC_32_MEF)),
    ("CRC-32/MPEG-2", w32(&crc::CRC_32_MPEG_2)),
    ("CRC-32/XFER", w32(&crc::CRC_32_XFER)),
    ("CRC-40/GSM", w64(&crc::CRC_40_GSM)),
    ("CRC-64/ECMA-182", w64(&crc::CRC_64_ECMA_182)),
    ("CRC-64/GO-ISO", w64(&crc::CRC_64_GO_ISO)),
    ("CRC-64/MS", w64(&crc::CRC_64_MS)),
    ("CRC-64/NVME", w64(&crc::CRC_64_NVME)),
    ("CRC-64/REDIS", w64(&crc::CRC_64_REDIS)),
    ("CRC-64/WE", w64(&crc::CRC_64_WE)),
    ("CRC-64/XZ", w64(&crc::CRC_64_XZ)),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_name_is_found_once() {
        let mut seen: Vec<String> = names().map(str::to_lowercase).collect();
        seen.extend(ALIASES.iter().map(|(alias, _)| alias.to_lowercase()));
        seen.extend(AMBIGUOUS.iter().map(|(name, _)| name.to_lowercase()));
        let all = seen.len();
        seen.sort();
        seen.dedup();
        assert_eq!(seen.len(), all, "a name is listed twice");
        for name in names() {
            assert!(by_name(name).is_some(), "{name}");
        }
    }

    #[test]
    fn every_alias_leads_to_a_catalogue_entry() {
        for (alias, name) in ALIASES {
            assert!(names().any(|known| known == *name), "{name}");
            assert_eq!(by_name(alias), by_name(name), "{alias}");
            assert_eq!(by_name(&alias.to_lowercase()), by_name(name), "{alias}");
        }
    }

    #[test]
    fn an_ambiguous_name_finds_nothing_but_candidates_that_exist() {
        for (name, candidates) in AMBIGUOUS {
            assert_eq!(by_name(name), None, "{name}");
            assert_eq!(ambiguous(name), Some(*candidates));
            let listed: Vec<&str> = candidates.split([' ', ',']).filter(|word| word.starts_with("CRC-")).collect();
            assert!(listed.len() > 1, "{name}");
            for candidate in listed {
                assert!(by_name(candidate).is_some(), "{candidate}");
            }
        }
        assert_eq!(ambiguous("CRC-16/MODBUS"), None);
        assert_eq!(ambiguous("nonsense"), None);
    }

    #[test]
    fn wider_than_64_bits_is_left_out() {
        assert_eq!(by_name("CRC-82/DARC"), None);
        assert_eq!(names().count(), 112);
    }
}
