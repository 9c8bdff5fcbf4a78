//! The checksums of many frames of one form at once: is each frame sound?
//!
//! A CRC is linear: what each bit of a frame adds to the check value, computed and received, is known beforehand, and a
//! frame is sound where all of it cancels out. Thirty-two frames are turned from rows into columns of bytes, and each
//! column goes through the maps of its place: as multiplications of 8 by 8 bits where the processor has them (GFNI), by
//! half bytes with the shuffle of AVX2 elsewhere. Nothing waits for the byte before it, and no frame for another.
//!
//! Without AVX2 there is none of this; frames are then checked one by one.

use crate::checksum::Checksum;

/// Frames that are checked in one go.
pub(crate) const GROUP: usize = 32;

/// Bytes of each frame that are taken at once.
const WINDOW: usize = 16;

/// Longer frames are checked one by one: their maps would not stay in the nearest cache.
const LONGEST: usize = 300;

/// Check values of more bytes are worked out one by one.
const WIDEST: usize = 4;

/// Where the check value of a frame stands, and what it covers.
pub(crate) struct Covered<'c> {
    pub(crate) checksum: &'c Checksum,
    /// Bytes that count as if they followed.
    pub(crate) extra: &'c [u8],
    pub(crate) first: usize,
    pub(crate) end: usize,
    pub(crate) at: usize,
    pub(crate) width: usize,
    pub(crate) big: bool,
}

/// What is known of frames of one form.
#[derive(Debug)]
pub(crate) struct SideBySide {
    maps: Maps,
}

/// What the bytes of a frame add to the bytes of the check value.
#[derive(Debug)]
enum Maps {
    #[cfg(target_arch = "x86_64")]
    One(wide::Maps<1>),
    #[cfg(target_arch = "x86_64")]
    Two(wide::Maps<2>),
    #[cfg(target_arch = "x86_64")]
    Four(wide::Maps<4>),
}

/// What each bit of each byte of a frame adds to the check value.
type Shares = Vec<[u32; 8]>;

impl SideBySide {
    /// For frames of so many bytes; `None` where the check is not linear, the frame too short or too long, or the
    /// processor can't.
    pub(crate) fn new(length: usize, covered: &Covered<'_>) -> Option<Self> {
        let (shares, constant) = shares(length, covered)?;
        let maps = Maps::new(&shares, constant, covered.width)?;
        Some(Self { maps })
    }

    /// Which of up to [`GROUP`] frames are sound, from the lowest bit on. None is where one does not lie in `bytes`.
    pub(crate) fn sound(&self, bytes: &[u8], starts: &[u32]) -> u32 {
        if let Some(starts) = starts.first_chunk() {
            return self.maps.sound(bytes, starts);
        }
        let mut group = [starts.first().copied().unwrap_or(0); GROUP];
        for (to, start) in group.iter_mut().zip(starts) {
            *to = *start;
        }
        self.maps.sound(bytes, &group) & !(u32::MAX << starts.len())
    }
}

impl Maps {
    #[cfg(target_arch = "x86_64")]
    fn new(shares: &Shares, constant: u32, width: usize) -> Option<Self> {
        match width {
            1 => wide::Maps::new(shares, constant, wide::has_gfni()).map(Self::One),
            2 => wide::Maps::new(shares, constant, wide::has_gfni()).map(Self::Two),
            3 | 4 => wide::Maps::new(shares, constant, wide::has_gfni()).map(Self::Four),
            _ => None,
        }
    }

    #[cfg(not(target_arch = "x86_64"))]
    fn new(_: &Shares, _: u32, _: usize) -> Option<Self> {
        None
    }

    /// Every frame lies in `bytes`.
    #[cfg(target_arch = "x86_64")]
    fn sound(&self, bytes: &[u8], starts: &[u32; GROUP]) -> u32 {
        match self {
            Self::One(maps) => maps.sound(bytes, starts),
            Self::Two(maps) => maps.sound(bytes, starts),
            Self::Four(maps) => maps.sound(bytes, starts),
        }
    }

    #[cfg(not(target_arch = "x86_64"))]
    fn sound(&self, _: &[u8], _: &[u32; GROUP]) -> u32 {
        match *self {}
    }
}

/// What each bit adds, and what a frame of zeros gives.
fn shares(length: usize, covered: &Covered<'_>) -> Option<(Shares, u32)> {
    let Covered { checksum, extra, first, end, at, width, big } = *covered;
    let fits = first <= end && end <= length && at + width <= length && (1..=WIDEST).contains(&width);
    if !fits || !checksum.is_linear() || !(WINDOW..=LONGEST).contains(&length) {
        return None;
    }
    let value = |bytes: &[u8]| {
        let value = checksum.compute_with_extra(bytes, extra);
        let fits = width == WIDEST || value >> (8 * width) == 0;
        u32::try_from(value).ok().filter(|_| fits)
    };
    let mut shares = vec![[0; 8]; length];
    let mut bytes = vec![0; end - first];
    let constant = value(&bytes)?;
    for place in first..end {
        for bit in 0..8 {
            *bytes.get_mut(place - first)? = 1 << bit;
            *shares.get_mut(place)?.get_mut(bit)? ^= value(&bytes)? ^ constant;
        }
        *bytes.get_mut(place - first)? = 0;
    }
    // What was received.
    for (place, share) in shares.iter_mut().skip(at).take(width).enumerate() {
        let byte = if big { width - 1 - place } else { place };
        for (bit, share) in share.iter_mut().enumerate() {
            *share ^= 1 << (8 * byte + bit);
        }
    }
    Some((shares, constant))
}

#[cfg(target_arch = "x86_64")]
mod wide {
    use std::arch::x86_64::{
        __m128i, __m256i, _mm_loadu_si128, _mm256_and_si256, _mm256_castsi128_si256, _mm256_cmpeq_epi8,
        _mm256_gf2p8affine_epi64_epi8, _mm256_inserti128_si256, _mm256_loadu_si256, _mm256_movemask_epi8,
        _mm256_or_si256, _mm256_set1_epi8, _mm256_setzero_si256, _mm256_shuffle_epi8, _mm256_srli_epi16,
        _mm256_unpackhi_epi8, _mm256_unpacklo_epi8, _mm256_xor_si256,
    };

    use super::{GROUP, Shares, WINDOW};
    use crate::gather::avx2::turn as turn_units;

    /// One map, as often as a register holds it.
    type Map = [u8; 32];

    /// The maps to `N` bytes of a check value.
    #[derive(Debug)]
    pub(super) struct Maps<const N: usize> {
        /// Bytes that a start needs behind it.
        length: usize,
        constant: [u8; N],
        by: By<N>,
    }

    /// For each window where it begins, and for each of its bytes the maps to each byte of the check value.
    #[derive(Debug)]
    enum By<const N: usize> {
        /// 8 by 8 bits.
        Affine(Vec<(usize, [[Map; N]; WINDOW])>),
        /// What the low and the high half of a byte become.
        Halves(Vec<(usize, [[[Map; 2]; N]; WINDOW])>),
    }

    pub(super) fn has_gfni() -> bool {
        is_x86_feature_detected!("gfni")
    }

    impl<const N: usize> Maps<N> {
        /// `None` where the processor has no AVX2. `gfni`: it has that, too, and it is to be used.
        pub(super) fn new(shares: &Shares, constant: u32, gfni: bool) -> Option<Self> {
            if !is_x86_feature_detected!("avx2") {
                return None;
            }
            let by = match gfni && has_gfni() {
                true => By::Affine(windows(shares, affine)?),
                false => By::Halves(windows(shares, halves)?),
            };
            let constant = *constant.to_le_bytes().first_chunk()?;
            Some(Self { length: shares.len(), constant, by })
        }

        /// Which frames are sound, from the lowest bit on. None is where one does not lie in `bytes`.
        pub(super) fn sound(&self, bytes: &[u8], starts: &[u32; GROUP]) -> u32 {
            let last = starts.iter().fold(0, |last, start| last.max(*start));
            if bytes.len() < (last as usize).saturating_add(self.length) {
                return 0;
            }
            // SAFETY: maps are only made where the processor has AVX2, affine ones where it has GFNI, too; each frame lies
            // in `bytes`, since the last one does, and each window in its frame, since `windows` made it so.
            #[expect(unsafe_code, reason = "the processor was asked, and all places are in range")]
            unsafe {
                match &self.by {
                    By::Affine(windows) => by_affine(windows, &self.constant, bytes, starts),
                    By::Halves(windows) => by_halves(windows, &self.constant, bytes, starts),
                }
            }
        }
    }

    /// The windows of a frame and their maps. Bytes that the window before has, too, add nothing the second time.
    fn windows<M: Copy, const N: usize>(
        shares: &Shares,
        map: impl Fn(&[u32; 8], usize) -> M,
    ) -> Option<Vec<(usize, [[M; N]; WINDOW])>> {
        let last = shares.len().checked_sub(WINDOW)?;
        let mut windows = Vec::new();
        let mut done = 0;
        while done < shares.len() {
            let at = done.min(last);
            let maps = std::array::from_fn(|index| {
                let share = shares.get(at + index).filter(|_| done <= at + index).unwrap_or(&[0; 8]);
                std::array::from_fn(|byte| map(share, 8 * byte))
            });
            windows.push((at, maps));
            done = at + WINDOW;
        }
        Some(windows)
    }

    /// Eight rows of eight bits, that of the highest bit first, as the instruction wants it.
    fn affine(share: &[u32; 8], from: usize) -> Map {
        let row = |bit: usize| {
            share.iter().rev().fold(0_u8, |row, share| row << 1 | u8::from(share >> (from + bit) & 1 == 1))
        };
        std::array::from_fn(|index| row(7 - index % 8))
    }

    fn halves(share: &[u32; 8], from: usize) -> [Map; 2] {
        let (low, high) = share.split_at(4);
        [low, high].map(|bits| {
            std::array::from_fn(|value| {
                let set = bits.iter().enumerate().filter(|(bit, _)| value >> bit & 1 == 1);
                let [byte, ..] = (set.fold(0, |sum, (_, share)| sum ^ share) >> from).to_le_bytes();
                byte
            })
        })
    }

    /// # Safety
    /// The processor has AVX2 and GFNI. Each start plus the place of each window plus a window is at most the length of
    /// `bytes`.
    #[target_feature(enable = "avx2,gfni")]
    #[expect(unsafe_code, reason = "loads from places that the caller has checked")]
    unsafe fn by_affine<const N: usize>(
        windows: &[(usize, [[Map; N]; WINDOW])],
        constant: &[u8; N],
        bytes: &[u8],
        starts: &[u32; GROUP],
    ) -> u32 {
        let mut sums = constant.map(|byte| _mm256_set1_epi8(byte.cast_signed()));
        for (at, maps) in windows {
            // SAFETY: as the caller says.
            let columns = turn(unsafe { rows(bytes, starts, *at) });
            for (column, maps) in columns.into_iter().zip(maps) {
                for (sum, map) in sums.iter_mut().zip(maps) {
                    *sum = _mm256_xor_si256(*sum, _mm256_gf2p8affine_epi64_epi8::<0>(column, load(map)));
                }
            }
        }
        zeros(sums)
    }

    /// # Safety
    /// The processor has AVX2. Each start plus the place of each window plus a window is at most the length of `bytes`.
    #[target_feature(enable = "avx2")]
    #[expect(unsafe_code, reason = "loads from places that the caller has checked")]
    unsafe fn by_halves<const N: usize>(
        windows: &[(usize, [[[Map; 2]; N]; WINDOW])],
        constant: &[u8; N],
        bytes: &[u8],
        starts: &[u32; GROUP],
    ) -> u32 {
        let half = _mm256_set1_epi8(0x0F);
        let mut sums = constant.map(|byte| _mm256_set1_epi8(byte.cast_signed()));
        for (at, maps) in windows {
            // SAFETY: as the caller says.
            let columns = turn(unsafe { rows(bytes, starts, *at) });
            for (column, maps) in columns.into_iter().zip(maps) {
                let (low, high) = (_mm256_and_si256(column, half), _mm256_srli_epi16::<4>(column));
                let high = _mm256_and_si256(high, half);
                for (sum, [low_map, high_map]) in sums.iter_mut().zip(maps) {
                    let low = _mm256_shuffle_epi8(load(low_map), low);
                    let high = _mm256_shuffle_epi8(load(high_map), high);
                    *sum = _mm256_xor_si256(*sum, _mm256_xor_si256(low, high));
                }
            }
        }
        zeros(sums)
    }

    /// Where all sums are zero.
    #[inline]
    #[target_feature(enable = "avx2")]
    fn zeros<const N: usize>(sums: [__m256i; N]) -> u32 {
        let any = sums.into_iter().fold(_mm256_setzero_si256(), |any, sum| _mm256_or_si256(any, sum));
        _mm256_movemask_epi8(_mm256_cmpeq_epi8(any, _mm256_setzero_si256())).cast_unsigned()
    }

    #[inline]
    #[target_feature(enable = "avx2")]
    fn load(map: &Map) -> __m256i {
        // SAFETY: 32 bytes are there; the load needs no alignment.
        #[expect(unsafe_code, reason = "a load of as many bytes as the reference has")]
        unsafe {
            _mm256_loadu_si256(map.as_ptr().cast())
        }
    }

    /// The windows of frame n and of frame n + 16.
    ///
    /// # Safety
    /// Each start plus `at` plus a window is at most the length of `bytes`.
    #[inline]
    #[target_feature(enable = "avx2")]
    #[expect(unsafe_code, reason = "loads from places that the caller has checked")]
    unsafe fn rows(bytes: &[u8], starts: &[u32; GROUP], at: usize) -> [__m256i; WINDOW] {
        let load = |start: u32| -> __m128i {
            debug_assert!(start as usize + at + WINDOW <= bytes.len());
            // SAFETY: the caller says that the window lies in `bytes`; the load needs no alignment.
            unsafe { _mm_loadu_si128(bytes.as_ptr().add(start as usize + at).cast()) }
        };
        let mut rows = [_mm256_setzero_si256(); WINDOW];
        for (row, frame) in rows.iter_mut().zip(0..) {
            let low = _mm256_castsi128_si256(load(starts[frame]));
            *row = _mm256_inserti128_si256::<1>(low, load(starts[frame + WINDOW]));
        }
        rows
    }

    /// Rows of bytes become columns, in each half for itself.
    #[inline]
    #[target_feature(enable = "avx2")]
    fn turn(rows: [__m256i; WINDOW]) -> [__m256i; WINDOW] {
        let [a, b, c, d, e, f, g, h, i, j, k, l, m, n, o, p] = rows;
        let low = |one, two| _mm256_unpacklo_epi8(one, two);
        let high = |one, two| _mm256_unpackhi_epi8(one, two);
        let first = [low(a, b), low(c, d), low(e, f), low(g, h), low(i, j), low(k, l), low(m, n), low(o, p)];
        let last = [high(a, b), high(c, d), high(e, f), high(g, h), high(i, j), high(k, l), high(m, n), high(o, p)];
        // Two rows each are joined byte by byte: their pairs go on as units of two bytes.
        let [a, b, c, d, e, f, g, h] = turn_units(first);
        let [i, j, k, l, m, n, o, p] = turn_units(last);
        [a, b, c, d, e, f, g, h, i, j, k, l, m, n, o, p]
    }
}

#[cfg(all(test, target_arch = "x86_64"))]
mod tests {
    use super::*;
    use proptest::prelude::*;

    use crate::checksum::SimpleChecksum;

    fn checksums() -> Vec<Checksum> {
        let crcs = Checksum::crc_names().filter_map(Checksum::crc_named).filter(|checksum| checksum.bits() <= 32);
        crcs.chain([Checksum::simple(SimpleChecksum::Xor8)]).collect()
    }

    /// Sound frames, some of them damaged then, and where they lie.
    fn stream(length: usize, covered: &Covered<'_>, bytes: &[u8], damage: &[(usize, u8)]) -> (Vec<u8>, Vec<u32>) {
        let (mut stream, mut starts) = (bytes.to_vec(), Vec::new());
        let mut at = bytes.len() % 7;
        while at + length <= stream.len() && starts.len() < GROUP {
            let frame = &mut stream[at..at + length];
            let value = covered.checksum.compute_with_extra(&frame[covered.first..covered.end], covered.extra);
            let value = value.to_le_bytes();
            for place in 0..covered.width {
                let byte = if covered.big { covered.width - 1 - place } else { place };
                frame[covered.at + place] = value[byte];
            }
            starts.push(u32::try_from(at).expect("few bytes"));
            at += length + at % 3;
        }
        let all = stream.len().max(1);
        for (place, change) in damage {
            if let Some(byte) = stream.get_mut(place % all) {
                *byte ^= change;
            }
        }
        (stream, starts)
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(600) })]

        /// Both ways find the very frames sound that are so one by one, for every checksum and form.
        #[test]
        fn frames_are_sound_side_by_side_as_one_by_one(
            which in any::<prop::sample::Index>(),
            length in WINDOW..120_usize,
            places in any::<[prop::sample::Index; 2]>(),
            wider in 0..2_usize,
            big in any::<bool>(),
            in_front in any::<bool>(),
            extra in prop::collection::vec(any::<u8>(), 0..3),
            bytes in prop::collection::vec(any::<u8>(), 0..5000),
            damage in prop::collection::vec((any::<usize>(), any::<u8>()), 0..12),
        ) {
            let all = checksums();
            let checksum = which.get(&all);
            let width = (usize::from(checksum.bits()).div_ceil(8) + wider).min(WIDEST);
            let body = length - width;
            let (one, two) = (places[0].index(body + 1), places[1].index(body + 1));
            let (mut first, mut end) = (one.min(two), one.max(two));
            let mut at = body;
            if in_front {
                (first, end, at) = (first + width, end + width, 0);
            }
            let covered = Covered { checksum, extra: &extra, first, end, at, width, big };
            let (shares, constant) = shares(length, &covered).expect("it is linear");
            let (stream, starts) = stream(length, &covered, &bytes, &damage);
            let mut wanted = 0_u32;
            for (index, start) in starts.iter().enumerate() {
                let frame = &stream[*start as usize..][..length];
                let field = &frame[at..at + width];
                let add = |sum: u64, byte: &u8| sum << 8 | u64::from(*byte);
                let received = if big { field.iter().fold(0, add) } else { field.iter().rev().fold(0, add) };
                if received == checksum.compute_with_extra(&frame[first..end], &extra) {
                    wanted |= 1 << index;
                }
            }
            let whole = SideBySide::new(length, &covered).map(|frames| frames.sound(&stream, &starts));
            if let Some(found) = whole {
                prop_assert_eq!(found, wanted);
                for gfni in [false, true] {
                    let mut group = [starts.first().copied().unwrap_or(0); GROUP];
                    group[..starts.len()].copy_from_slice(&starts);
                    let found = match width {
                        1 => wide::Maps::<1>::new(&shares, constant, gfni).map(|maps| maps.sound(&stream, &group)),
                        2 => wide::Maps::<2>::new(&shares, constant, gfni).map(|maps| maps.sound(&stream, &group)),
                        _ => wide::Maps::<4>::new(&shares, constant, gfni).map(|maps| maps.sound(&stream, &group)),
                    };
                    let counted = !(u32::MAX.checked_shl(u32::try_from(starts.len()).expect("few")).unwrap_or(0));
                    prop_assert_eq!(found.map(|found| found & counted), Some(wanted));
                }
            }
        }
    }

    #[test]
    fn what_reaches_over_the_end_is_not_sound() {
        let checksum = Checksum::simple(SimpleChecksum::Xor8);
        let covered = Covered { checksum: &checksum, extra: &[], first: 0, end: 19, at: 19, width: 1, big: false };
        let Some(frames) = SideBySide::new(20, &covered) else { return };
        assert_eq!(frames.sound(&[0; 40], &[0, 20]), 0b11);
        assert_eq!(frames.sound(&[0; 40], &[0, 20, 21]), 0);
        assert_eq!(frames.sound(&[0; 40], &[u32::MAX]), 0);
        assert_eq!(frames.sound(&[0; 40], &[]), 0);
    }
}
