//! Checksums over the bytes of a frame.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::{Arc, Mutex, PoisonError};

use crc::{Crc, Table};

use crate::catalogue;
use crate::crc_engine::{CheckLoop, CrcEngine};

/// How a check value is worked out from bytes.
///
/// The value is a number; in which order its bytes stand in the frame, or that it is sent as hex text, is not known
/// here. A clone is cheap: the lookup tables of a CRC (16 or 32 KiB) are shared.
#[derive(Clone)]
pub struct Checksum {
    method: Method,
}

/// The parameters of a CRC in the convention of the public catalogue of parametrised CRC algorithms (G. Cook).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct CrcParameters {
    /// Bits of the check value, 1 to 64.
    pub width: u8,
    /// The generator polynomial without its highest bit, written with the highest power first ("normal" form).
    pub poly: u64,
    /// The register before the first byte, not reflected.
    pub init: u64,
    /// Whether each byte goes in with its lowest bit first.
    pub refin: bool,
    /// Whether the register is reflected before `xorout`.
    pub refout: bool,
    /// What the register is XORed with at the end.
    pub xorout: u64,
}

/// The checksums that are no CRC.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum SimpleChecksum {
    /// All bytes XORed.
    Xor8,
    /// The sum of the bytes, modulo 256.
    Sum8,
    /// The sum of the bytes, modulo 65536.
    Sum16,
    /// What makes the sum of the bytes and itself 0 modulo 256. The check of Modbus ASCII and of Intel HEX records.
    TwosComplement8,
    /// What makes the sum of the bytes and itself 0 modulo 65536.
    TwosComplement16,
    /// All bits of [`SimpleChecksum::Sum8`] inverted.
    OnesComplement8,
    /// Two sums modulo 255, the second in the high byte. FF and 00 count alike.
    Fletcher16,
    /// As [`SimpleChecksum::Fletcher16`] modulo 256. Sources that call it Fletcher are loose with the name.
    Fletcher16Mod256,
    /// Two sums of 16-bit words modulo 65535, the second in the high half. Words have their low byte first; an odd last
    /// byte is completed with a zero byte.
    Fletcher32,
    /// Two sums modulo 65521 that start at 1 and 0, the second in the high half (RFC 1950).
    Adler32,
    /// The ones' complement of the ones' complement sum of 16-bit words, high byte first (RFC 1071). An odd last byte
    /// is completed with a zero byte.
    Internet16,
}

impl Checksum {
    /// A CRC by its catalogue name, as in "CRC-16/MODBUS" or "CRC-32/ISO-HDLC", or by an alias that means one algorithm
    /// only.
    ///
    /// Upper and lower case are alike. `None` for unknown names, for ambiguous ones such as "CRC-16/CCITT", and for
    /// CRC-82/DARC, which does not fit in 64 bits.
    ///
    /// ```
    /// use parser::Checksum;
    ///
    /// let check = Checksum::crc_named("CRC-16/MODBUS").unwrap();
    /// assert_eq!(check.bits(), 16);
    /// assert_eq!(check.compute(&[0x11, 0x03, 0x00, 0x6B, 0x00, 0x03]), 0x8776);
    /// ```
    pub fn crc_named(name: &str) -> Option<Self> {
        let parameters = catalogue::by_name(name)?;
        Some(Self { method: Method::Crc(parameters, Engine::new(parameters, usize::MAX)?) })
    }

    /// The catalogue names that [`Checksum::crc_named`] knows, without their aliases; narrow algorithms first.
    pub fn crc_names() -> impl Iterator<Item = &'static str> {
        catalogue::names()
    }

    /// A CRC by its parameters.
    ///
    /// # Errors
    /// What is wrong with the parameters: a lower-case fragment. An even polynomial is refused, because it is nearly
    /// always one that was written down reversed. So is a new set of parameters of more than 32 bits after 4096 different
    /// ones in one process, since each takes a little memory for good.
    pub fn crc_custom(parameters: CrcParameters) -> Result<Self, &'static str> {
        let CrcParameters { width, poly, init, xorout, .. } = parameters;
        if !(1..=64).contains(&width) {
            return Err("the width of a CRC is 1 to 64 bits");
        }
        let largest = u64::MAX >> (64 - width);
        if largest < poly {
            return Err("the polynomial has more bits than the CRC; write it without its highest bit");
        }
        if poly & 1 == 0 {
            return Err("the polynomial is even; write it in normal form, not reversed, and without its highest bit");
        }
        if largest < init {
            return Err("the initial value has more bits than the CRC");
        }
        if largest < xorout {
            return Err("the final XOR value has more bits than the CRC");
        }
        match Engine::new(parameters, MOST_CRCS) {
            Some(engine) => Ok(Self { method: Method::Crc(parameters, engine) }),
            None => Err("too many different CRCs were in use since the program started"),
        }
    }

    /// A checksum that is no CRC.
    pub fn simple(kind: SimpleChecksum) -> Self {
        Self { method: Method::Simple(kind) }
    }

    /// Bits of the check value, 1 to 64.
    pub fn bits(&self) -> u8 {
        match &self.method {
            Method::Crc(parameters, _) => parameters.width,
            Method::Simple(kind) => kind.bits(),
        }
    }

    /// The check value of `bytes`, which may be empty.
    pub fn compute(&self, bytes: &[u8]) -> u64 {
        self.compute_with_extra(bytes, &[])
    }

    /// The check value of `bytes` followed by `extra`: bytes that both ends know and that are not sent.
    pub fn compute_with_extra(&self, bytes: &[u8], extra: &[u8]) -> u64 {
        match &self.method {
            Method::Crc(_, engine) => engine.compute(bytes, extra),
            // One list at a time goes many bytes at once.
            Method::Simple(SimpleChecksum::Xor8) => u64::from(xor(bytes) ^ xor(extra)),
            Method::Simple(kind) => kind.compute(bytes.iter().chain(extra).copied()),
        }
    }

    /// Runs a loop with check values of this and of other checksums; if not `fast`, without any instruction that not every
    /// processor has.
    pub(crate) fn run(&self, fast: bool, rounds: impl CheckLoop) {
        match self.narrow() {
            Some(engine) => engine.run(fast, rounds),
            None => CrcEngine::run_plain(rounds),
        }
    }

    /// The tables, if it is a CRC of at most 32 bits.
    #[inline]
    pub(crate) fn narrow(&self) -> Option<&CrcEngine> {
        match &self.method {
            Method::Crc(_, Engine::Narrow(engine)) => Some(engine),
            Method::Crc(_, Engine::Wide(_)) | Method::Simple(_) => None,
        }
    }

    /// Whether what a bit adds to the check value does not depend on the other bits.
    pub(crate) fn is_linear(&self) -> bool {
        matches!(self.method, Method::Crc(..) | Method::Simple(SimpleChecksum::Xor8))
    }

    /// Whether a frame of zeros with a check value of zero passes, however long it is.
    ///
    /// A dead line that reads as zeros then looks like good frames. False does not rule out that zeros of one certain
    /// length pass: a CRC with an initial and a final value may come round to zero.
    pub fn accepts_all_zero(&self) -> bool {
        match &self.method {
            // With no initial value the register stays zero. With one it never becomes zero, since the polynomial is
            // odd, so only the final XOR could bring it there.
            Method::Crc(parameters, _) => parameters.init == 0 && parameters.xorout == 0,
            Method::Simple(kind) => match kind {
                SimpleChecksum::Xor8
                | SimpleChecksum::Sum8
                | SimpleChecksum::Sum16
                | SimpleChecksum::TwosComplement8
                | SimpleChecksum::TwosComplement16
                | SimpleChecksum::Fletcher16
                | SimpleChecksum::Fletcher16Mod256
                | SimpleChecksum::Fletcher32 => true,
                SimpleChecksum::OnesComplement8 | SimpleChecksum::Adler32 | SimpleChecksum::Internet16 => false,
            },
        }
    }
}

impl PartialEq for Checksum {
    /// Equal when they give the same value for all bytes by the same method; names play no part.
    fn eq(&self, other: &Self) -> bool {
        match (&self.method, &other.method) {
            (Method::Crc(one, _), Method::Crc(two, _)) => one == two,
            (Method::Simple(one), Method::Simple(two)) => one == two,
            (Method::Crc(..), Method::Simple(_)) | (Method::Simple(_), Method::Crc(..)) => false,
        }
    }
}

impl Eq for Checksum {}

impl fmt::Debug for Checksum {
    /// Parameters only, without the tables.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.method {
            Method::Crc(parameters, _) => f.debug_tuple("Checksum").field(parameters).finish(),
            Method::Simple(kind) => f.debug_tuple("Checksum").field(kind).finish(),
        }
    }
}

impl SimpleChecksum {
    /// All of them, in the order in which they are listed to people.
    pub const ALL: [Self; 11] = [
        Self::Xor8,
        Self::Sum8,
        Self::Sum16,
        Self::TwosComplement8,
        Self::TwosComplement16,
        Self::OnesComplement8,
        Self::Fletcher16,
        Self::Fletcher16Mod256,
        Self::Fletcher32,
        Self::Adler32,
        Self::Internet16,
    ];

    /// The name in a protocol file.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Xor8 => "xor",
            Self::Sum8 => "sum 8",
            Self::Sum16 => "sum 16",
            Self::TwosComplement8 => "twos complement",
            Self::TwosComplement16 => "twos complement 16",
            Self::OnesComplement8 => "ones complement",
            Self::Fletcher16 => "fletcher 16",
            Self::Fletcher16Mod256 => "fletcher 16 mod 256",
            Self::Fletcher32 => "fletcher 32",
            Self::Adler32 => "adler 32",
            Self::Internet16 => "internet 16",
        }
    }

    /// The checksum with this [`name`](Self::name); upper and lower case are alike.
    pub fn by_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.name().eq_ignore_ascii_case(name))
    }

    /// The names of all of them.
    pub fn names() -> impl Iterator<Item = &'static str> {
        Self::ALL.into_iter().map(Self::name)
    }

    /// Bits of the check value.
    const fn bits(self) -> u8 {
        match self {
            Self::Xor8 | Self::Sum8 | Self::TwosComplement8 | Self::OnesComplement8 => 8,
            Self::Sum16 | Self::TwosComplement16 => 16,
            Self::Fletcher16 | Self::Fletcher16Mod256 | Self::Internet16 => 16,
            Self::Fletcher32 | Self::Adler32 => 32,
        }
    }

    fn compute(self, bytes: impl Iterator<Item = u8>) -> u64 {
        match self {
            Self::Xor8 => u64::from(bytes.fold(0, |xor, byte| xor ^ byte)),
            Self::Sum8 => sum(bytes) & 0xFF,
            Self::Sum16 => sum(bytes) & 0xFFFF,
            Self::TwosComplement8 => sum(bytes).wrapping_neg() & 0xFF,
            Self::TwosComplement16 => sum(bytes).wrapping_neg() & 0xFFFF,
            Self::OnesComplement8 => !sum(bytes) & 0xFF,
            Self::Fletcher16 => two_sums(bytes.map(u32::from), 0, 255, 8),
            Self::Fletcher16Mod256 => two_sums(bytes.map(u32::from), 0, 256, 8),
            Self::Fletcher32 => {
                two_sums(words(bytes).map(|[low, high]| u16::from_le_bytes([low, high]).into()), 0, 65535, 16)
            }
            Self::Adler32 => two_sums(bytes.map(u32::from), 1, 65521, 16),
            Self::Internet16 => {
                let mut folded = words(bytes).fold(0_u64, |sum, word| sum + u64::from(u16::from_be_bytes(word)));
                while 0xFFFF < folded {
                    folded = (folded & 0xFFFF) + (folded >> 16);
                }
                !folded & 0xFFFF
            }
        }
    }
}

fn xor(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |xor, byte| xor ^ byte)
}

fn sum(bytes: impl Iterator<Item = u8>) -> u64 {
    bytes.fold(0_u64, |sum, byte| sum + u64::from(byte))
}

/// The sum of the items and the sum of the sums; the second stands `shift` bits higher.
fn two_sums(items: impl Iterator<Item = u32>, start: u32, modulus: u32, shift: u32) -> u64 {
    let (first, second) = items.fold((start, 0), |(first, second), item| {
        let first = (first + item) % modulus;
        (first, (second + first) % modulus)
    });
    (u64::from(second) << shift) | u64::from(first)
}

/// Bytes in pairs, an odd last one with a zero after it.
fn words(mut bytes: impl Iterator<Item = u8>) -> impl Iterator<Item = [u8; 2]> {
    std::iter::from_fn(move || bytes.next().map(|first| [first, bytes.next().unwrap_or(0)]))
}

/// Different CRCs of more than 32 bits that [`Checksum::crc_custom`] makes in one process, catalogue ones in use included.
const MOST_CRCS: usize = 4096;

#[derive(Clone)]
enum Method {
    Crc(CrcParameters, Engine),
    Simple(SimpleChecksum),
}

/// A CRC with its tables.
#[derive(Clone)]
enum Engine {
    Narrow(Arc<CrcEngine>),
    /// More than 32 bits.
    Wide(Arc<Crc<u64, Table<16>>>),
}

impl Engine {
    /// `None` if it is wide and new and there are `most` wide ones already. The values must fit in the width.
    fn new(parameters: CrcParameters, most: usize) -> Option<Self> {
        Some(match CrcEngine::new(parameters) {
            Some(narrow) => Self::Narrow(Arc::new(narrow)),
            None => Self::Wide(Arc::new(Crc::<u64, Table<16>>::new(known().leaked(parameters, most)?))),
        })
    }

    fn compute(&self, bytes: &[u8], extra: &[u8]) -> u64 {
        match self {
            Self::Narrow(engine) => engine.compute(bytes, extra),
            Self::Wide(crc) => {
                let mut digest = crc.digest();
                digest.update(bytes);
                digest.update(extra);
                digest.finalize()
            }
        }
    }
}

/// The sets of parameters of wide CRCs in use since the process started.
///
/// A [`Crc`] wants parameters that live for good, so they are leaked, some 40 bytes for each *different* set: loading a
/// file again leaks nothing. The tables are not leaked.
struct Known {
    sets: BTreeMap<CrcParameters, &'static crc::Algorithm<u64>>,
}

static KNOWN: Mutex<Known> = Mutex::new(Known { sets: BTreeMap::new() });

fn known() -> std::sync::MutexGuard<'static, Known> {
    // Nothing is half done if a holder panicked: a set is inserted whole or not at all.
    KNOWN.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Known {
    fn leaked(&mut self, parameters: CrcParameters, most: usize) -> Option<&'static crc::Algorithm<u64>> {
        if let Some(leaked) = self.sets.get(&parameters) {
            return Some(leaked);
        }
        if most <= self.sets.len() {
            return None;
        }
        let CrcParameters { width, poly, init, refin, refout, xorout } = parameters;
        // The last two describe the algorithm; the calculation does not use them.
        let algorithm = crc::Algorithm { width, poly, init, refin, refout, xorout, check: 0, residue: 0 };
        let leaked = Box::leak(Box::new(algorithm));
        self.sets.insert(parameters, leaked);
        Some(leaked)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MODBUS: CrcParameters =
        CrcParameters { width: 16, poly: 0x8005, init: 0xFFFF, refin: true, refout: true, xorout: 0 };

    /// Bit by bit, straight from the definition of the parameters: shares nothing with the tables.
    fn bitwise(p: CrcParameters, bytes: &[u8]) -> u64 {
        let largest = u64::MAX >> (64 - p.width);
        let mut register = p.init;
        for byte in bytes {
            for bit in 0..8 {
                let bit = if p.refin { byte >> bit } else { byte >> (7 - bit) } & 1;
                let out = (register >> (p.width - 1)) & 1 ^ u64::from(bit);
                register = (register << 1) & largest;
                if out == 1 {
                    register ^= p.poly;
                }
            }
        }
        if p.refout {
            register = register.reverse_bits() >> (64 - p.width);
        }
        register ^ p.xorout
    }

    /// A small generator with a fixed start (xorshift), so that a failure can be repeated.
    fn noise(state: &mut u64) -> u64 {
        *state ^= *state << 13;
        *state ^= *state >> 7;
        *state ^= *state << 17;
        *state
    }

    #[test]
    fn any_parameters_agree_with_a_bitwise_register() {
        let mut state = 0x5EED_0001;
        for width in 1..=64 {
            for (refin, refout) in [(false, false), (false, true), (true, false), (true, true)] {
                let largest = u64::MAX >> (64 - width);
                let mut value = || noise(&mut state) & largest;
                let p = CrcParameters { width, poly: value() | 1, init: value(), refin, refout, xorout: value() };
                let crc = Checksum::crc_custom(p).unwrap();
                // Up to 70: through the blocks of 16 bytes and what is left over.
                for len in [0, 1, 2, 15, 16, 17, 31, 33, 70] {
                    let bytes: Vec<u8> = (0..len).map(|_| noise(&mut state) as u8).collect();
                    let (head, tail) = bytes.split_at(len / 3);
                    assert_eq!(crc.compute(&bytes), bitwise(p, &bytes), "{p:?}, {len} bytes");
                    assert_eq!(crc.compute_with_extra(head, tail), bitwise(p, &bytes), "{p:?}, {len} bytes in two");
                }
            }
        }
    }

    #[test]
    fn parameters_that_make_no_sense_are_refused() {
        let refused = |p: CrcParameters| Checksum::crc_custom(p).unwrap_err();
        assert!(refused(CrcParameters { width: 0, ..MODBUS }).contains("width"));
        assert!(refused(CrcParameters { width: 65, ..MODBUS }).contains("width"));
        assert!(refused(CrcParameters { poly: 0x1_8005, ..MODBUS }).contains("highest bit"));
        assert!(refused(CrcParameters { width: 32, poly: 0xEDB8_8320, ..MODBUS }).contains("even"));
        assert!(refused(CrcParameters { poly: 0, ..MODBUS }).contains("even"));
        assert!(refused(CrcParameters { init: 0x1_0000, ..MODBUS }).contains("initial"));
        assert!(refused(CrcParameters { xorout: 0x1_0000, ..MODBUS }).contains("final"));
    }

    #[test]
    fn the_same_parameters_are_leaked_once_and_new_ones_only_up_to_a_limit() {
        let mut known = Known { sets: BTreeMap::new() };
        let address =
            |leaked: Option<&'static crc::Algorithm<u64>>| leaked.map_or(std::ptr::null(), std::ptr::from_ref);
        let wide = CrcParameters { width: 64, ..MODBUS };
        let first = address(known.leaked(wide, 2));
        assert!(!first.is_null());
        assert_eq!(address(known.leaked(wide, 2)), first);
        assert!(known.leaked(CrcParameters { init: 0, ..wide }, 2).is_some());
        assert!(known.leaked(CrcParameters { init: 1, ..wide }, 2).is_none());
        assert_eq!(address(known.leaked(wide, 2)), first);
        assert_eq!(known.sets.len(), 2);
    }

    #[test]
    fn equal_means_the_same_calculation() {
        let named = Checksum::crc_named("crc-16/modbus").unwrap();
        assert_eq!(named, Checksum::crc_custom(MODBUS).unwrap());
        assert_ne!(named, Checksum::crc_named("CRC-16/ARC").unwrap());
        assert_ne!(named, Checksum::simple(SimpleChecksum::Sum16));
        assert_eq!(Checksum::simple(SimpleChecksum::Sum16), Checksum::simple(SimpleChecksum::Sum16));
        assert!(Checksum::crc_named("CCITT").is_none());
    }

    #[test]
    fn zeros_pass_exactly_where_that_is_said() {
        let simple = SimpleChecksum::ALL.into_iter().map(Checksum::simple);
        let crcs = Checksum::crc_names().filter_map(Checksum::crc_named);
        for check in simple.chain(crcs) {
            let always = (1..=32).all(|len| check.compute(&vec![0; len]) == 0);
            assert_eq!(check.accepts_all_zero(), always, "{check:?}");
        }
    }

    #[test]
    fn extra_bytes_count_as_if_they_followed() {
        for kind in SimpleChecksum::ALL {
            let check = Checksum::simple(kind);
            let bytes: Vec<u8> = (0..41).map(|byte| byte * 5 + 7).collect();
            for at in 0..bytes.len() {
                let (head, tail) = bytes.split_at(at);
                assert_eq!(check.compute_with_extra(head, tail), check.compute(&bytes), "{kind:?} at {at}");
            }
            assert!(check.compute(&bytes) >> check.bits() == 0, "{kind:?}");
        }
    }

    #[test]
    fn an_odd_last_byte_is_completed_with_zero() {
        for kind in [SimpleChecksum::Fletcher32, SimpleChecksum::Internet16] {
            let check = Checksum::simple(kind);
            assert_eq!(check.compute(&[1, 2, 3]), check.compute(&[1, 2, 3, 0]));
            assert_ne!(check.compute(&[1, 2, 3]), check.compute(&[1, 2, 0, 3]));
        }
    }

    #[test]
    fn long_input_does_not_overflow() {
        let long = vec![0xFF; 1 << 20];
        for kind in SimpleChecksum::ALL {
            let check = Checksum::simple(kind);
            assert!(check.compute(&long) >> check.bits() == 0, "{kind:?}");
        }
    }

    #[test]
    fn simple_names_lead_back() {
        for kind in SimpleChecksum::ALL {
            assert_eq!(SimpleChecksum::by_name(kind.name()), Some(kind));
            assert_eq!(SimpleChecksum::by_name(&kind.name().to_uppercase()), Some(kind));
            assert!(SimpleChecksum::names().any(|name| name == kind.name()));
        }
        assert_eq!(SimpleChecksum::by_name("lrc"), None);
    }
}
