//! A CRC by carry-less multiplication (x86-64 with PCLMULQDQ).
//!
//! Each 8 bytes of the message are multiplied by `x^distance mod P`, all products are added, and the sum is reduced once:
//! nothing waits for the block before it. After V. Gopal and others, "Fast CRC Computation for Generic Polynomials Using
//! PCLMULQDQ Instruction" (Intel, 2009), whose folding and Barrett reduction are used here in the reflected form.
//!
//! In the reflected form the product of two words comes out divided by x: the constants make up for it.

use std::arch::x86_64::{
    __m128i, _mm_add_epi64, _mm_and_si128, _mm_clmulepi64_si128, _mm_extract_epi64, _mm_loadu_si128, _mm_or_si128,
    _mm_set_epi64x, _mm_set1_epi8, _mm_setzero_si128, _mm_shuffle_epi8, _mm_srli_epi16, _mm_unpackhi_epi64,
    _mm_xor_si128,
};

use super::{BLOCK, CheckLoop, CrcEngine};
use crate::checksum::CrcParameters;

/// The constants of one CRC.
pub(super) struct Fold {
    /// For each block, the last one of a message last, what its first and its second 8 bytes are multiplied by.
    keys: Vec<[u8; BLOCK]>,
    /// `x^63 mod P`, reflected.
    down: u64,
    /// The quotient of `x^(64 + width)` by P without its highest power, reflected.
    quotient: u64,
    /// P without its highest power, reflected.
    poly: u64,
    width: u8,
    refin: bool,
}

impl Fold {
    /// For messages of up to so many bytes; `None` where the processor has no such instruction.
    pub(super) fn new(parameters: CrcParameters, longest: usize) -> Option<Self> {
        let there = is_x86_feature_detected!("pclmulqdq")
            && is_x86_feature_detected!("ssse3")
            && is_x86_feature_detected!("sse4.1");
        if !there {
            return None;
        }
        let CrcParameters { width, poly, refin, .. } = parameters;
        let whole = 1_u64 << width | poly;
        // One power of x higher.
        let raise = |value: u64| {
            let value = value << 1;
            if value >> width & 1 == 1 { value ^ whole } else { value }
        };
        let raise_64 = |value: u64| (0..64).fold(value, |value, _| raise(value));
        // 1/x: P is 1 plus a multiple of x.
        let mut power = whole >> 1;
        let down = raise_64(power).reverse_bits();
        let mut keys = Vec::new();
        for _ in 0..longest.div_ceil(BLOCK) {
            let second = power;
            let first = raise_64(second);
            power = raise_64(first);
            let pair = u128::from(second.reverse_bits()) << 64 | u128::from(first.reverse_bits());
            keys.push(pair.to_le_bytes());
        }
        keys.reverse();
        let (mut rest, mut quotient) = (1_u64, 0_u128);
        for _ in 0..64 + width {
            rest <<= 1;
            quotient <<= 1;
            if rest >> width & 1 == 1 {
                rest ^= whole;
                quotient |= 1;
            }
        }
        let [quotient, _] = halves(quotient);
        let (quotient, poly) = (quotient.reverse_bits(), poly.reverse_bits());
        Some(Self { keys, down, quotient, poly, width, refin })
    }

    /// The register behind a message no longer than was said, with no initial value: what is longer is left out.
    pub(super) fn register(&self, bytes: &[u8]) -> u32 {
        // SAFETY: a `Fold` is only made where the processor has these instructions.
        #[expect(unsafe_code, reason = "the processor was asked for these instructions when this was made")]
        unsafe {
            self.multiply(bytes)
        }
    }

    /// Runs a loop in code that is compiled for these instructions; this is the fold of `engine`.
    pub(super) fn within(&self, engine: &CrcEngine, rounds: impl CheckLoop) {
        // SAFETY: a `Fold` is only made where the processor has these instructions.
        #[expect(unsafe_code, reason = "the processor was asked for these instructions when this was made")]
        unsafe {
            match self.refin {
                true => run::<true>(self, engine, rounds),
                false => run::<false>(self, engine, rounds),
            }
        }
    }

    #[target_feature(enable = "pclmulqdq,ssse3,sse4.1")]
    fn multiply(&self, bytes: &[u8]) -> u32 {
        let (head, blocks) = bytes.split_at(bytes.len() % BLOCK);
        let (blocks, _) = blocks.as_chunks::<BLOCK>();
        let mut sum = _mm_setzero_si128();
        for (block, keys) in blocks.iter().rev().zip(self.keys.iter().rev()) {
            sum = _mm_xor_si128(sum, products(load(block), load(keys), self.refin));
        }
        if let Some(keys) = self.keys.iter().nth_back(blocks.len()).filter(|_| !head.is_empty()) {
            let first = match bytes.first_chunk::<BLOCK>() {
                Some(chunk) => load(chunk),
                None => vector(head.iter().rev().fold(0, |sum, byte| sum << 8 | u128::from(*byte))),
            };
            // The head moves to the end of a block of zeros.
            let moved = match MOVED.get(head.len()..).and_then(|order| order.first_chunk()) {
                Some(order) => _mm_shuffle_epi8(first, load(order)),
                None => first,
            };
            sum = _mm_xor_si128(sum, products(moved, load(keys), self.refin));
        }
        let constants = [word(self.down), word(self.quotient), word(self.poly)];
        reduce(sum, constants, 63 - self.width, self.refin)
    }
}

/// What is known of bytes of one length.
#[derive(Clone, Copy, Debug)]
pub(super) struct Folded {
    /// Moves the head to the end of its block.
    order: [u8; BLOCK],
    head: usize,
    /// Which key is that of the head; those of the whole blocks follow.
    first: usize,
    /// What the initial value adds.
    zeros: u32,
    /// That and the final XOR, where nothing else is done at the end.
    last: Option<u64>,
}

impl Folded {
    /// `None` where the bytes are too many, or the processor has no such instruction.
    pub(super) fn new(engine: &CrcEngine, length: usize, extra: &[u8]) -> Option<Self> {
        let head = length % BLOCK;
        let order = *MOVED.get(head..)?.first_chunk()?;
        let first = engine.fold.as_ref()?.keys.len().checked_sub(length / BLOCK + 1)?;
        let zeros = *engine.zeros.get(length)?;
        let CrcParameters { refin, refout, xorout, .. } = engine.parameters;
        let last = (refin && refout && extra.is_empty()).then_some(u64::from(zeros) ^ xorout);
        Some(Self { order, head, first, zeros, last })
    }
}

#[target_feature(enable = "pclmulqdq,ssse3,sse4.1")]
fn run<const REFIN: bool>(fold: &Fold, engine: &CrcEngine, rounds: impl CheckLoop) {
    let constants = [word(fold.down), word(fold.quotient), word(fold.poly)];
    let (keys, shift) = (fold.keys.as_slice(), 63 - fold.width);
    rounds.run(|ready, bytes| {
        let (Some(folded), Some(start)) = (&ready.folded, bytes.first_chunk()) else { return ready.apart(bytes) };
        let Some((first, keys)) = keys.get(folded.first..).and_then(<[_]>::split_first) else {
            return ready.apart(bytes);
        };
        let mut sum = products(_mm_shuffle_epi8(load(start), load(&folded.order)), load(first), REFIN);
        let (blocks, _) = bytes.get(folded.head..).unwrap_or_default().as_chunks::<BLOCK>();
        for (block, key) in blocks.iter().zip(keys) {
            sum = _mm_xor_si128(sum, products(load(block), load(key), REFIN));
        }
        let register = reduce(sum, constants, shift, REFIN);
        match folded.last {
            Some(last) => u64::from(register) ^ last,
            None => engine.finish(register ^ folded.zeros, &ready.extra),
        }
    });
}

/// Both halves of a block times theirs of a key.
#[inline]
#[target_feature(enable = "pclmulqdq,ssse3,sse4.1")]
fn products(mut block: __m128i, key: __m128i, refin: bool) -> __m128i {
    if !refin {
        block = reverse_bits(block);
    }
    _mm_xor_si128(_mm_clmulepi64_si128::<0x00>(block, key), _mm_clmulepi64_si128::<0x11>(block, key))
}

/// The register of a sum of products.
#[inline]
#[target_feature(enable = "pclmulqdq,ssse3,sse4.1")]
fn reduce(sum: __m128i, [down, quotient, poly]: [__m128i; 3], shift: u8, refin: bool) -> u32 {
    // The powers from 64 on, in the low half, become lower ones.
    let rest = _mm_unpackhi_epi64(_mm_xor_si128(sum, _mm_clmulepi64_si128::<0>(sum, down)), _mm_setzero_si128());
    let product = _mm_clmulepi64_si128::<0>(rest, quotient);
    let whole = _mm_xor_si128(rest, _mm_add_epi64(product, product));
    let register = _mm_extract_epi64::<1>(_mm_clmulepi64_si128::<0>(whole, poly)).cast_unsigned() >> shift;
    // The highest bit of a product is never set, so that no more bits than the width are left.
    let [a, b, c, d, ..] = register.to_le_bytes();
    let register = u32::from_le_bytes([a, b, c, d]);
    // As the engine holds it: see there.
    if refin { register } else { register.reverse_bits() }
}

/// Orders of bytes for a shuffle: from place n on, the first n bytes move to the end behind zeros.
const MOVED: [u8; 2 * BLOCK] = {
    let mut order = [0x80; 2 * BLOCK];
    let mut index = 0;
    while index < BLOCK {
        order[BLOCK + index] = index as u8;
        index += 1;
    }
    order
};

#[inline]
#[target_feature(enable = "sse2")]
fn load(bytes: &[u8; BLOCK]) -> __m128i {
    // SAFETY: 16 bytes are there; the load needs no alignment.
    #[expect(unsafe_code, reason = "a load of as many bytes as the reference has")]
    unsafe {
        _mm_loadu_si128(bytes.as_ptr().cast())
    }
}

/// The lowest bit of each byte becomes its highest.
#[inline]
#[target_feature(enable = "ssse3")]
fn reverse_bits(bytes: __m128i) -> __m128i {
    let low = _mm_set1_epi8(0x0F);
    // 0, 8, 4, C, 2, ...: the four bits of the index turned round, in the low and in the high half.
    let turned = vector(0x0F07_0B03_0D05_0901_0E06_0A02_0C04_0800);
    let raised = vector(0xF070_B030_D050_9010_E060_A020_C040_8000);
    let high_half = _mm_and_si128(_mm_srli_epi16::<4>(bytes), low);
    _mm_or_si128(_mm_shuffle_epi8(raised, _mm_and_si128(bytes, low)), _mm_shuffle_epi8(turned, high_half))
}

#[inline]
#[target_feature(enable = "sse2")]
fn vector(value: u128) -> __m128i {
    let [low, high] = halves(value);
    _mm_set_epi64x(high.cast_signed(), low.cast_signed())
}

#[inline]
#[target_feature(enable = "sse2")]
fn word(value: u64) -> __m128i {
    _mm_set_epi64x(0, value.cast_signed())
}

/// The low and the high 64 bits.
fn halves(value: u128) -> [u64; 2] {
    [value & u128::from(u64::MAX), value >> 64].map(|half| u64::try_from(half).unwrap_or(0))
}
