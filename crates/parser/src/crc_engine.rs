//! CRCs of up to 32 bits over short frames: slicing by 16, or carry-less multiplication where the processor has it.
//!
//! Made for frames of a few to a few hundred bytes. A CRC is linear, so what the initial value adds depends on the
//! length only and is kept for each; the bytes themselves then count as if zeros stood in front of them, which fills the
//! first block and leaves no tail that would go byte by byte. Wider CRCs go by the crate `crc`, against which all of
//! this is tested.

#[cfg(target_arch = "x86_64")]
mod fold;

use crate::checksum::{Checksum, CrcParameters};

/// Bytes of a block.
const BLOCK: usize = 16;

/// The longest input for which the share of the initial value is kept.
const LONGEST: usize = 512;

/// The tables of one CRC.
///
/// The register is held reflected where bytes go in with their lowest bit first; else its highest bit is the highest of
/// the 32.
pub(crate) struct CrcEngine {
    parameters: CrcParameters,
    /// What a byte becomes when so many bytes follow it.
    tables: Box<[[u32; 256]; BLOCK]>,
    /// What the initial value becomes behind so many bytes.
    zeros: Vec<u32>,
    #[cfg(target_arch = "x86_64")]
    fold: Option<fold::Fold>,
}

/// A loop that wants check values: it is compiled anew for each kind of processor, with the checks inside.
pub(crate) trait CheckLoop {
    /// Runs with a function that gives the check value of the bytes in front; more bytes may follow them.
    fn run(self, check: impl Fn(&Ready, &[u8]) -> u64);
}

/// A checksum made ready for bytes of one length.
#[derive(Clone, Debug)]
pub(crate) struct Ready {
    checksum: Checksum,
    /// Bytes that count as if they followed.
    extra: Vec<u8>,
    length: usize,
    /// The constants, where they are those of the engine that runs the loop.
    #[cfg(target_arch = "x86_64")]
    folded: Option<fold::Folded>,
}

impl Ready {
    /// For so many bytes that are followed by `extra`, in loops that `main` runs.
    pub(crate) fn new(checksum: Checksum, length: usize, extra: Vec<u8>, main: &Checksum) -> Self {
        #[cfg(target_arch = "x86_64")]
        let folded = match checksum == *main {
            true => checksum.narrow().and_then(|engine| fold::Folded::new(engine, length, &extra)),
            false => None,
        };
        #[cfg(not(target_arch = "x86_64"))]
        let _ = main;
        Self {
            checksum,
            extra,
            length,
            #[cfg(target_arch = "x86_64")]
            folded,
        }
    }

    /// The check value without any instruction that not every processor has.
    fn portable(&self, bytes: &[u8]) -> u64 {
        let bytes = bytes.get(..self.length).unwrap_or(bytes);
        match self.checksum.narrow() {
            Some(engine) => engine.compute_portable(bytes, &self.extra),
            None => self.checksum.compute_with_extra(bytes, &self.extra),
        }
    }

    /// The check value by another engine than the one that runs the loop.
    #[cfg(target_arch = "x86_64")]
    #[cold]
    fn apart(&self, bytes: &[u8]) -> u64 {
        self.checksum.compute_with_extra(bytes.get(..self.length).unwrap_or(bytes), &self.extra)
    }
}

impl CrcEngine {
    /// `None` for CRCs of more than 32 bits. The values must fit in the width.
    pub(crate) fn new(parameters: CrcParameters) -> Option<Self> {
        if 32 < parameters.width {
            return None;
        }
        let mut engine = Self {
            parameters,
            tables: tables(parameters),
            zeros: Vec::with_capacity(LONGEST + 1),
            #[cfg(target_arch = "x86_64")]
            fold: fold::Fold::new(parameters, LONGEST),
        };
        let mut register = engine.entry(parameters.init);
        for _ in 0..=LONGEST {
            engine.zeros.push(register);
            register = engine.step(register, 0);
        }
        Some(engine)
    }

    /// The check value of `bytes` followed by `extra`.
    pub(crate) fn compute(&self, bytes: &[u8], extra: &[u8]) -> u64 {
        #[cfg(target_arch = "x86_64")]
        if let (Some(fold), Some(zeros), BLOCK..) = (&self.fold, self.zeros.get(bytes.len()), bytes.len()) {
            return self.finish(fold.register(bytes) ^ zeros, extra);
        }
        self.compute_portable(bytes, extra)
    }

    /// Runs a loop with check values, of this and of other checksums.
    pub(crate) fn run(&self, fast: bool, rounds: impl CheckLoop) {
        #[cfg(target_arch = "x86_64")]
        if let Some(fold) = self.fold.as_ref().filter(|_| fast) {
            return fold.within(self, rounds);
        }
        #[cfg(not(target_arch = "x86_64"))]
        let _ = fast;
        Self::run_plain(rounds);
    }

    /// The same without any instruction that not every processor has.
    pub(crate) fn run_plain(rounds: impl CheckLoop) {
        rounds.run(|ready, bytes| ready.portable(bytes));
    }

    /// The same without any instruction that not every processor has.
    pub(crate) fn compute_portable(&self, bytes: &[u8], extra: &[u8]) -> u64 {
        let register = match self.zeros.get(bytes.len()) {
            Some(zeros) if BLOCK <= bytes.len() => self.short(bytes) ^ zeros,
            _ => self.blocks(self.entry(self.parameters.init), bytes),
        };
        self.finish(register, extra)
    }

    /// The register behind bytes that zeros stand in front of.
    fn short(&self, bytes: &[u8]) -> u32 {
        let (head, whole) = bytes.split_at(bytes.len() % BLOCK);
        let mut first = [0; BLOCK];
        if let Some(place) = first.get_mut(BLOCK - head.len()..) {
            place.copy_from_slice(head);
        }
        self.blocks(self.block(0, &first), whole)
    }

    fn blocks(&self, mut register: u32, bytes: &[u8]) -> u32 {
        let (blocks, tail) = bytes.as_chunks::<BLOCK>();
        for block in blocks {
            register = self.block(register, block);
        }
        tail.iter().fold(register, |register, byte| self.step(register, *byte))
    }

    #[inline(always)]
    fn block(&self, register: u32, block: &[u8; BLOCK]) -> u32 {
        let first = if self.parameters.refin { register } else { register.swap_bytes() };
        let block = (u128::from_le_bytes(*block) ^ u128::from(first)).to_le_bytes();
        let mut register = 0;
        for (byte, table) in block.iter().zip(self.tables.iter().rev()) {
            register ^= table[usize::from(*byte)];
        }
        register
    }

    #[inline]
    fn step(&self, register: u32, byte: u8) -> u32 {
        let [lowest, .., highest] = register.to_le_bytes();
        let [first, ..] = self.tables.as_ref();
        if self.parameters.refin {
            register >> 8 ^ first[usize::from(lowest ^ byte)]
        } else {
            register << 8 ^ first[usize::from(highest ^ byte)]
        }
    }

    #[inline]
    fn finish(&self, register: u32, extra: &[u8]) -> u64 {
        let CrcParameters { width, refin, refout, xorout, .. } = self.parameters;
        let register = extra.iter().fold(register, |register, byte| self.step(register, *byte));
        let aligned = if refin == refout { register } else { register.reverse_bits() };
        u64::from(if refout { aligned } else { aligned >> (32 - width) }) ^ xorout
    }

    /// A register of the parameters as it is held here.
    fn entry(&self, register: u64) -> u32 {
        entry(self.parameters, register)
    }
}

fn entry(parameters: CrcParameters, register: u64) -> u32 {
    let register = u32::try_from(register).unwrap_or(0) << (32 - parameters.width);
    if parameters.refin { register.reverse_bits() } else { register }
}

fn tables(parameters: CrcParameters) -> Box<[[u32; 256]; BLOCK]> {
    let poly = entry(parameters, parameters.poly);
    let mut tables = Box::new([[0_u32; 256]; BLOCK]);
    let mut first = [0_u32; 256];
    for (byte, entry) in (0_u32..).zip(&mut first) {
        *entry = if parameters.refin { byte } else { byte << 24 };
        for _ in 0..8 {
            *entry = match parameters.refin {
                true => *entry >> 1 ^ if *entry & 1 == 1 { poly } else { 0 },
                false => *entry << 1 ^ if *entry >> 31 == 1 { poly } else { 0 },
            };
        }
    }
    let mut before = first;
    for (index, table) in tables.iter_mut().enumerate() {
        if 0 < index {
            for entry in &mut before {
                let [lowest, .., highest] = entry.to_le_bytes();
                *entry = match parameters.refin {
                    true => *entry >> 8 ^ first[usize::from(lowest)],
                    false => *entry << 8 ^ first[usize::from(highest)],
                };
            }
        }
        *table = before;
    }
    tables
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn parameters() -> impl Strategy<Value = CrcParameters> {
        (1..=32_u8, any::<[u64; 3]>(), any::<bool>(), any::<bool>()).prop_map(|(width, values, refin, refout)| {
            let [poly, init, xorout] = values.map(|value| value & (u64::MAX >> (64 - width)));
            CrcParameters { width, poly: poly | 1, init, refin, refout, xorout }
        })
    }

    /// By the crate `crc`, which shares nothing with the tables here.
    fn by_crate(p: CrcParameters, bytes: &[u8]) -> u64 {
        let narrow = |value| u32::try_from(value).expect("32 bits");
        let algorithm = Box::leak(Box::new(crc::Algorithm {
            width: p.width,
            poly: narrow(p.poly),
            init: narrow(p.init),
            refin: p.refin,
            refout: p.refout,
            xorout: narrow(p.xorout),
            check: 0,
            residue: 0,
        }));
        crc::Crc::<u32, crc::NoTable>::new(algorithm).checksum(bytes).into()
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(2000) })]

        /// Any algorithm, any length, whole or with bytes that follow: as the crate `crc` has it.
        #[test]
        fn both_ways_agree_with_the_crate(
            parameters in parameters(),
            bytes in prop_oneof![prop::collection::vec(any::<u8>(), 0..100), prop::collection::vec(any::<u8>(), 0..1200)],
            cut in any::<prop::sample::Index>(),
        ) {
            let engine = CrcEngine::new(parameters).expect("at most 32 bits");
            let wanted = by_crate(parameters, &bytes);
            prop_assert_eq!(engine.compute_portable(&bytes, &[]), wanted);
            prop_assert_eq!(engine.compute(&bytes, &[]), wanted);
            let (bytes, extra) = bytes.split_at(cut.index(bytes.len() + 1));
            prop_assert_eq!(engine.compute_portable(bytes, extra), wanted);
            prop_assert_eq!(engine.compute(bytes, extra), wanted);
        }
    }

    #[test]
    fn every_catalogue_entry_at_every_length() {
        let bytes: Vec<u8> =
            (0..=u8::MAX).cycle().map(|byte| byte.wrapping_mul(0x9D) ^ 0x5A).take(LONGEST + 40).collect();
        for parameters in crate::catalogue::names().filter_map(crate::catalogue::by_name) {
            let Some(engine) = CrcEngine::new(parameters) else {
                assert!(32 < parameters.width);
                continue;
            };
            for length in (0..80).chain(LONGEST - 20..bytes.len()) {
                let wanted = by_crate(parameters, &bytes[..length]);
                assert_eq!(engine.compute(&bytes[..length], &[]), wanted, "{parameters:?}, {length} bytes");
                assert_eq!(engine.compute_portable(&bytes[..length], &[]), wanted, "{parameters:?}, {length} bytes");
            }
        }
    }
}
