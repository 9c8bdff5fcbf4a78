//! Takes eight neighbouring 16-bit units out of many frames at once: one list a unit.
//!
//! With AVX2 sixteen frames are turned from rows into columns in registers, with the SSE2 that every x86-64 has eight;
//! elsewhere it goes unit by unit. All give the same.

/// Frames that are taken apart at once.
pub(crate) const BLOCK: usize = 256;

/// Units of a window.
pub(crate) const UNITS: usize = 8;

/// Bytes of a window.
pub(crate) const WINDOW: usize = 2 * UNITS;

/// Frames in one go; lists of starts are filled up to a multiple of it.
pub(crate) const LANES: usize = 16;

/// For each unit, one number a frame.
pub(crate) type Units = [[u16; BLOCK]; UNITS];

/// Which units stand there with their high byte first.
pub(crate) type HighFirst = [bool; UNITS];

/// Where the frames of a block begin: at most [`BLOCK`] of them.
#[derive(Clone, Copy)]
pub(crate) struct Starts<'s> {
    list: &'s [u32],
    last: usize,
}

impl<'s> Starts<'s> {
    /// Those behind the [`BLOCK`]th are left out.
    pub(crate) fn new(list: &'s [u32]) -> Self {
        let list = list.get(..BLOCK).unwrap_or(list);
        let last = list.iter().fold(0, |last, start| last.max(*start));
        Self { list, last: usize::try_from(last).unwrap_or(usize::MAX) }
    }

    pub(crate) fn list(self) -> &'s [u32] {
        self.list
    }
}

/// Whether this processor has what the fast way needs.
pub(crate) fn has_fast() -> bool {
    #[cfg(target_arch = "x86_64")]
    return is_x86_feature_detected!("avx2");
    #[cfg(not(target_arch = "x86_64"))]
    return false;
}

/// Reads the window at `at` of each frame. A frame whose window does not lie in `bytes` gives zeros.
pub(crate) fn gather(bytes: &[u8], starts: Starts<'_>, at: usize, high_first: &HighFirst, fast: bool, out: &mut Units) {
    #[cfg(target_arch = "x86_64")]
    {
        let inside = starts.last.saturating_add(at + WINDOW) <= bytes.len();
        if fast && has_fast() && inside && starts.list.len().is_multiple_of(LANES) {
            // SAFETY: the processor has AVX2; every window lies in `bytes`, since that of the last start does; the starts
            // are a multiple of the lanes and no more than a block.
            #[expect(unsafe_code, reason = "the processor was asked for AVX2, and all places are in range")]
            unsafe {
                avx2::gather(bytes, starts.list, at, high_first, out);
            }
            return;
        }
    }
    #[cfg(not(target_arch = "x86_64"))]
    let _ = fast;
    #[cfg(target_arch = "x86_64")]
    if starts.list.len().is_multiple_of(LANES) {
        // SAFETY: SSE2 is part of x86-64.
        #[expect(unsafe_code, reason = "every processor of this kind has SSE2")]
        unsafe {
            sse2::gather(bytes, starts.list, at, high_first, out);
        }
        return;
    }
    portable(bytes, starts.list, at, high_first, out);
}

/// The window of one frame.
fn window(bytes: &[u8], start: u32, at: usize) -> &[u8; WINDOW] {
    let start = usize::try_from(start).unwrap_or(usize::MAX);
    bytes.get(start.saturating_add(at)..).and_then(|rest| rest.first_chunk()).unwrap_or(&[0; WINDOW])
}

fn portable(bytes: &[u8], starts: &[u32], at: usize, high_first: &HighFirst, out: &mut Units) {
    for (index, start) in starts.iter().enumerate() {
        let (units, _) = window(bytes, *start, at).as_chunks::<2>();
        for ((unit, high_first), list) in units.iter().zip(high_first).zip(out.iter_mut()) {
            if let Some(place) = list.get_mut(index) {
                *place = if *high_first { u16::from_be_bytes(*unit) } else { u16::from_le_bytes(*unit) };
            }
        }
    }
}

/// What every x86-64 has: eight frames in registers.
#[cfg(target_arch = "x86_64")]
mod sse2 {
    use std::arch::x86_64::{
        __m128i, _mm_loadu_si128, _mm_or_si128, _mm_slli_epi16, _mm_srli_epi16, _mm_storeu_si128, _mm_unpackhi_epi16,
        _mm_unpackhi_epi32, _mm_unpackhi_epi64, _mm_unpacklo_epi16, _mm_unpacklo_epi32, _mm_unpacklo_epi64,
    };

    use super::{HighFirst, UNITS, Units, WINDOW, window};

    /// A number of starts that is no multiple of [`UNITS`] leaves the last ones out.
    #[target_feature(enable = "sse2")]
    pub(super) fn gather(bytes: &[u8], starts: &[u32], at: usize, high_first: &HighFirst, out: &mut Units) {
        for (group, starts) in starts.as_chunks::<UNITS>().0.iter().enumerate() {
            let columns = turn(starts.map(|start| load(window(bytes, start, at))));
            for ((list, column), high_first) in out.iter_mut().zip(columns).zip(high_first) {
                if let Some(place) = list.as_chunks_mut::<UNITS>().0.get_mut(group) {
                    store(place, if *high_first { swapped(column) } else { column });
                }
            }
        }
    }

    #[inline]
    fn load(bytes: &[u8; WINDOW]) -> __m128i {
        // SAFETY: 16 bytes are there; the load needs no alignment.
        #[expect(unsafe_code, reason = "a load of as many bytes as the reference has")]
        unsafe {
            _mm_loadu_si128(bytes.as_ptr().cast())
        }
    }

    #[inline]
    fn store(units: &mut [u16; UNITS], value: __m128i) {
        // SAFETY: 16 bytes are there; the store needs no alignment.
        #[expect(unsafe_code, reason = "a store of as many bytes as the reference has")]
        unsafe {
            _mm_storeu_si128(units.as_mut_ptr().cast(), value);
        }
    }

    /// The bytes of each unit the other way round.
    #[inline]
    #[target_feature(enable = "sse2")]
    fn swapped(units: __m128i) -> __m128i {
        _mm_or_si128(_mm_slli_epi16::<8>(units), _mm_srli_epi16::<8>(units))
    }

    /// Rows of units become columns.
    #[inline]
    #[target_feature(enable = "sse2")]
    fn turn([a, b, c, d, e, f, g, h]: [__m128i; UNITS]) -> [__m128i; UNITS] {
        let pairs = |low: __m128i, high: __m128i| (_mm_unpacklo_epi16(low, high), _mm_unpackhi_epi16(low, high));
        let ((ab_low, ab_high), (cd_low, cd_high)) = (pairs(a, b), pairs(c, d));
        let ((ef_low, ef_high), (gh_low, gh_high)) = (pairs(e, f), pairs(g, h));
        let fours = |low: __m128i, high: __m128i| (_mm_unpacklo_epi32(low, high), _mm_unpackhi_epi32(low, high));
        let ((first_01, first_23), (last_01, last_23)) = (fours(ab_low, cd_low), fours(ef_low, gh_low));
        let ((first_45, first_67), (last_45, last_67)) = (fours(ab_high, cd_high), fours(ef_high, gh_high));
        let whole = |low: __m128i, high: __m128i| [_mm_unpacklo_epi64(low, high), _mm_unpackhi_epi64(low, high)];
        let [zero, one] = whole(first_01, last_01);
        let [two, three] = whole(first_23, last_23);
        let [four, five] = whole(first_45, last_45);
        let [six, seven] = whole(first_67, last_67);
        [zero, one, two, three, four, five, six, seven]
    }
}

#[cfg(target_arch = "x86_64")]
#[expect(unsafe_code, reason = "loads from and stores to places that the caller has checked")]
pub(crate) mod avx2 {
    use std::arch::x86_64::{
        __m128i, __m256i, _mm_loadu_si128, _mm256_castsi128_si256, _mm256_inserti128_si256, _mm256_setr_epi8,
        _mm256_shuffle_epi8, _mm256_storeu_si256, _mm256_unpackhi_epi16, _mm256_unpackhi_epi32, _mm256_unpackhi_epi64,
        _mm256_unpacklo_epi16, _mm256_unpacklo_epi32, _mm256_unpacklo_epi64,
    };

    use super::{BLOCK, HighFirst, LANES, UNITS, Units, WINDOW};

    /// # Safety
    /// The processor has AVX2. Each start plus `at` plus a window is at most the length of `bytes`. The number of starts
    /// is a multiple of [`LANES`] and at most [`BLOCK`].
    #[target_feature(enable = "avx2")]
    pub(super) unsafe fn gather(bytes: &[u8], starts: &[u32], at: usize, high_first: &HighFirst, out: &mut Units) {
        debug_assert!(starts.len() <= BLOCK && starts.len().is_multiple_of(LANES));
        let order = order(high_first);
        let (groups, _) = starts.as_chunks::<LANES>();
        for (group, starts) in groups.iter().enumerate() {
            // SAFETY: the caller says that the window of each start lies in `bytes`.
            let load = |start: u32| unsafe { window(bytes, start, at) };
            let mut rows = [order; UNITS];
            for (row, frame) in rows.iter_mut().zip(0..) {
                let (low, high) = (load(starts[frame]), load(starts[frame + UNITS]));
                let both = _mm256_inserti128_si256::<1>(_mm256_castsi128_si256(low), high);
                *row = _mm256_shuffle_epi8(both, order);
            }
            for (list, column) in out.iter_mut().zip(turn(rows)) {
                let place = list.as_mut_ptr().wrapping_add(group * LANES);
                // SAFETY: at most `BLOCK` starts are in as many groups of `LANES`, so that all lanes lie in the list.
                unsafe { _mm256_storeu_si256(place.cast(), column) };
            }
        }
    }

    /// # Safety
    /// `start` plus `at` plus a window is at most the length of `bytes`.
    #[inline]
    #[target_feature(enable = "avx2")]
    unsafe fn window(bytes: &[u8], start: u32, at: usize) -> __m128i {
        debug_assert!(start as usize + at + WINDOW <= bytes.len());
        // SAFETY: the caller says that the window lies in `bytes`; the load needs no alignment.
        unsafe { _mm_loadu_si128(bytes.as_ptr().add(start as usize + at).cast()) }
    }

    /// From which byte each byte comes, the same in both halves.
    #[inline]
    #[target_feature(enable = "avx2")]
    fn order(high_first: &HighFirst) -> __m256i {
        let mut order = [0_i8; WINDOW];
        for ((unit, high_first), first) in order.as_chunks_mut::<2>().0.iter_mut().zip(high_first).zip((0..).step_by(2))
        {
            *unit = if *high_first { [first + 1, first] } else { [first, first + 1] };
        }
        let [a, b, c, d, e, f, g, h, i, j, k, l, m, n, o, p] = order;
        _mm256_setr_epi8(a, b, c, d, e, f, g, h, i, j, k, l, m, n, o, p, a, b, c, d, e, f, g, h, i, j, k, l, m, n, o, p)
    }

    /// Rows of units become columns, in each half for itself.
    #[inline]
    #[target_feature(enable = "avx2")]
    pub(crate) fn turn([a, b, c, d, e, f, g, h]: [__m256i; UNITS]) -> [__m256i; UNITS] {
        let pairs = |low: __m256i, high: __m256i| (_mm256_unpacklo_epi16(low, high), _mm256_unpackhi_epi16(low, high));
        let ((ab_low, ab_high), (cd_low, cd_high)) = (pairs(a, b), pairs(c, d));
        let ((ef_low, ef_high), (gh_low, gh_high)) = (pairs(e, f), pairs(g, h));
        let fours = |low: __m256i, high: __m256i| (_mm256_unpacklo_epi32(low, high), _mm256_unpackhi_epi32(low, high));
        let ((first_01, first_23), (last_01, last_23)) = (fours(ab_low, cd_low), fours(ef_low, gh_low));
        let ((first_45, first_67), (last_45, last_67)) = (fours(ab_high, cd_high), fours(ef_high, gh_high));
        let whole = |low: __m256i, high: __m256i| [_mm256_unpacklo_epi64(low, high), _mm256_unpackhi_epi64(low, high)];
        let [zero, one] = whole(first_01, last_01);
        let [two, three] = whole(first_23, last_23);
        let [four, five] = whole(first_45, last_45);
        let [six, seven] = whole(first_67, last_67);
        [zero, one, two, three, four, five, six, seven]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(500) })]

        /// All ways give what stands there, wherever the frames lie, also where windows reach over the end.
        #[test]
        fn all_ways_read_what_is_there(
            bytes in prop::collection::vec(any::<u8>(), 0..4000),
            starts in prop::collection::vec(0..4000_u32, 0..=BLOCK),
            at in 0..60_usize,
            high_first in any::<HighFirst>(),
            inside in any::<bool>(),
        ) {
            let mut starts = starts;
            if inside {
                let most = u32::try_from(bytes.len().saturating_sub(at + WINDOW)).expect("few");
                starts.iter_mut().for_each(|start| *start %= most + 1);
                starts.truncate(starts.len() / LANES * LANES);
            }
            let (mut fast, mut slow) = (Box::new([[7; BLOCK]; UNITS]), Box::new([[7; BLOCK]; UNITS]));
            gather(&bytes, Starts::new(&starts), at, &high_first, true, &mut fast);
            gather(&bytes, Starts::new(&starts), at, &high_first, false, &mut slow);
            let mut plain = Box::new([[7; BLOCK]; UNITS]);
            portable(&bytes, &starts, at, &high_first, &mut plain);
            for (index, start) in starts.iter().enumerate() {
                let window = bytes.get(*start as usize + at..*start as usize + at + WINDOW).unwrap_or(&[0; WINDOW]);
                for unit in 0..UNITS {
                    let pair = [window[2 * unit], window[2 * unit + 1]];
                    let wanted = if high_first[unit] { u16::from_be_bytes(pair) } else { u16::from_le_bytes(pair) };
                    let read = [&fast, &slow, &plain].map(|units| units[unit][index]);
                    prop_assert_eq!(read, [wanted; 3]);
                }
            }
        }
    }
}
