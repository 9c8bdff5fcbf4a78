//! Which checksum fits, and how likely it is that one fits by chance.

use std::collections::BTreeSet;

use parser::{Checksum, SimpleChecksum};

use crate::number::whole;

/// A checksum that a protocol file can name.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Method {
    /// Its name: of the CRC catalogue, or of the list of other checksums.
    pub name: &'static str,
    /// Whether it is a CRC.
    pub crc: bool,
}

impl Method {
    /// The key and value in a protocol file.
    pub(crate) fn toml(&self) -> String {
        format!("{} = \"{}\"", if self.crc { "crc" } else { "sum" }, self.name)
    }
}

/// A checksum at a place.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Place {
    /// Which one.
    pub method: Method,
    /// The first byte that it covers, from the beginning of the frame.
    pub first: usize,
    /// How many bytes stand behind it.
    pub behind: usize,
    /// Highest byte first. Without meaning for one byte.
    pub big: bool,
}

/// A checksum that fits.
#[derive(Clone, Debug)]
pub struct Fit {
    /// What and where.
    pub place: Place,
    /// Its bytes.
    pub bytes: usize,
    /// Different frames that it fits.
    pub right: usize,
    /// Different frames that were looked at.
    pub asked: usize,
    /// The chance of fitting so well by luck is one in two to the power of this, with all that was tried counted in.
    pub luck_bits: f64,
    /// Others that fit exactly as well: these bytes can't tell them apart.
    pub equal: Vec<Place>,
    /// Bytes that go through it besides those sent, by kind, where it has such.
    pub extra: Vec<(u8, Option<u8>)>,
    /// Covered bytes that differ from frame to frame.
    pub varying: usize,
}

impl Fit {
    /// So unlikely by luck that it is taken as known.
    pub fn is_sure(&self) -> bool {
        let simple = !self.place.method.crc;
        SURE_BITS <= self.luck_bits && self.right * 4 >= self.asked * 3 && (!simple || 4 <= self.varying)
    }
}

/// One in a million million.
pub(crate) const SURE_BITS: f64 = 40.0;
/// One in a million: worth a guess.
pub(crate) const LIKELY_BITS: f64 = 20.0;
/// Of so few different frames a checksum that fits all is told even where it could be luck.
const WEAK_FRAMES: usize = 16;
/// Frames that a checksum is tried on at first.
const QUICK: usize = 8;
/// Frames that what is left is tried on.
const FULL: usize = 240;
/// Bytes at the beginning that a checksum may pass over.
pub(crate) const MOST_FIRST: usize = 8;
/// Bytes that may stand behind it, if they are always the same.
const MOST_BEHIND: usize = 3;

/// Every checksum that the language knows, with what computes it.
pub(crate) struct Methods {
    all: Vec<(Method, Checksum)>,
}

impl Methods {
    pub(crate) fn new() -> Self {
        let crcs =
            Checksum::crc_names().filter_map(|name| Some((Method { name, crc: true }, Checksum::crc_named(name)?)));
        let simple = SimpleChecksum::ALL
            .into_iter()
            .map(|kind| (Method { name: kind.name(), crc: false }, Checksum::simple(kind)));
        Self { all: simple.chain(crcs).collect() }
    }

    pub(crate) fn len(&self) -> usize {
        self.all.len()
    }

    pub(crate) fn iter(&self) -> impl Iterator<Item = &(Method, Checksum)> {
        self.all.iter()
    }

    pub(crate) fn get(&self, method: &Method) -> Option<&Checksum> {
        self.all.iter().find(|(known, _)| known == method).map(|(_, checksum)| checksum)
    }
}

/// Whether the checksum at this place fits the frame.
pub(crate) fn fits(checksum: &Checksum, place: &Place, frame: &[u8], extra: &[u8]) -> bool {
    let width = usize::from(checksum.bits().div_ceil(8));
    let Some(end) = frame.len().checked_sub(place.behind + width) else { return false };
    let (Some(covered), Some(check)) = (frame.get(place.first..end), frame.get(end..end + width)) else { return false };
    !covered.is_empty() && checksum.compute_with_extra(covered, extra) == whole(check, place.big)
}

/// How many bytes at the end of all frames are always the same.
fn constant_tail(frames: &[&[u8]]) -> usize {
    let mut tail = MOST_BEHIND;
    let Some((first, rest)) = frames.split_first() else { return 0 };
    for frame in rest {
        let same = first.iter().rev().zip(frame.iter().rev()).take_while(|(one, two)| one == two).count();
        tail = tail.min(same);
    }
    tail
}

/// Different frames, at most so many, from the whole stream.
pub(crate) fn different<'f>(frames: &[&'f [u8]], most: usize) -> Vec<&'f [u8]> {
    let mut seen: BTreeSet<&[u8]> = BTreeSet::new();
    let all: Vec<&[u8]> = spread(frames, 4 * most).into_iter().filter(|frame| seen.insert(frame)).collect();
    spread(&all, most)
}

/// At most so many, from the whole list. Kinds that alternate are all among them: the places are not quite even.
fn spread<'f>(frames: &[&'f [u8]], most: usize) -> Vec<&'f [u8]> {
    let step = frames.len().div_ceil(most).max(1);
    let chunks = frames.chunks(step).enumerate();
    chunks.filter_map(|(index, chunk)| chunk.get(index * 7 / 3 % chunk.len())).copied().collect()
}

/// The checksum that fits these frames best. `tried_before`: how many other framings are tried, too. `groups` are
/// by length. `None` if none fits more than by luck.
pub(crate) fn find(methods: &Methods, frames: &[&[u8]], tried_before: usize) -> Option<Fit> {
    let frames = different(frames, FULL);
    if frames.len() < 3 {
        return None;
    }
    let quick = spread(&frames, QUICK);
    // A frame that was cut or glued is not like the others: the tail of most is asked.
    let tail = constant_tail(&quick);
    let mut tried = 0_usize;
    let mut hits: Vec<(usize, Place, usize)> = Vec::new();
    for (method, checksum) in methods.iter() {
        let width = usize::from(checksum.bits().div_ceil(8));
        for behind in 0..=tail {
            for first in 0..=MOST_FIRST {
                let orders: &[bool] = if width == 1 { &[false] } else { &[false, true] };
                tried += orders.len();
                let mut right = [0_usize; 2];
                let mut wrong = 0;
                for frame in &quick {
                    let value = value_at(checksum, width, first, behind, frame);
                    let mut any = false;
                    for (big, count) in orders.iter().zip(&mut right) {
                        if value.is_some_and(|(computed, check)| computed == whole(check, *big)) {
                            *count += 1;
                            any = true;
                        }
                    }
                    wrong += usize::from(!any);
                    if 4 <= wrong && right == [0; 2] {
                        break;
                    }
                }
                for (big, quick_right) in orders.iter().zip(right) {
                    if quick_right * 5 < quick.len() * 2 || quick_right < 2 {
                        continue;
                    }
                    let place = Place { method: method.clone(), first, behind, big: *big };
                    let right = frames.iter().filter(|frame| fits(checksum, &place, frame, &[])).count();
                    if frames.len() < right * 2 && check_varies(&frames, behind, width, checksum.bits()) {
                        hits.push((right, place, width));
                    }
                }
            }
        }
    }
    best(methods, &frames, hits, tried * tried_before.max(1))
}

fn value_at<'f>(
    checksum: &Checksum,
    width: usize,
    first: usize,
    behind: usize,
    frame: &'f [u8],
) -> Option<(u64, &'f [u8])> {
    let end = frame.len().checked_sub(behind + width)?;
    let covered = frame.get(first..end).filter(|covered| !covered.is_empty())?;
    Some((checksum.compute(covered), frame.get(end..end + width)?))
}

/// A checksum that never changes says nothing.
fn check_varies(frames: &[&[u8]], behind: usize, width: usize, bits: u8) -> bool {
    let values: BTreeSet<&[u8]> = frames
        .iter()
        .filter_map(|frame| {
            let end = frame.len().checked_sub(behind + width)?;
            frame.get(end..end + width)
        })
        .collect();
    3 <= values.len() && (frames.len() / 16).min(1 << (bits - 1).min(4)) <= values.len()
}

/// The one that fits most frames, with all that fit as many.
fn best(methods: &Methods, frames: &[&[u8]], mut hits: Vec<(usize, Place, usize)>, tried: usize) -> Option<Fit> {
    hits.sort_by_key(|(right, place, width)| {
        (std::cmp::Reverse(*right), place.behind, std::cmp::Reverse(*width), rank_of(&place.method), place.first)
    });
    let most = hits.first()?.0;
    // From a little further back it fits frames, too, that were damaged in front of it: no reason to call that right.
    let (_, model, _) = hits.first()?.clone();
    let near = |hit: &(usize, Place, usize)| hit.1.method == model.method && most <= hit.0 + (frames.len() / 64).max(1);
    hits.retain(|hit| hit.0 == most || near(hit));
    let (right, place, bytes) = hits.first()?.clone();
    let checksum = methods.get(&place.method)?;
    let sound: Vec<&[u8]> = frames.iter().copied().filter(|frame| fits(checksum, &place, frame, &[])).collect();
    let independent = independent(&sound, place.behind);
    let luck_bits = f64::from(checksum.bits()) * independent as f64
        - (tried.max(1) as f64).log2()
        - log2_choose(frames.len(), frames.len() - right);
    // A weak one is told, and not used.
    if luck_bits < LIKELY_BITS && (frames.len() > right || WEAK_FRAMES < frames.len()) {
        return None;
    }
    let equal = hits.into_iter().skip(1).map(|(_, place, _)| place).collect();
    let varying = varying(&sound, place.first, place.behind + bytes);
    Some(Fit { place, bytes, right, asked: frames.len(), luck_bits, equal, extra: Vec::new(), varying })
}

/// Of several that fit, the one that is met most often (common practice, no source).
fn rank_of(method: &Method) -> usize {
    const USUAL: [&str; 12] = [
        "xor",
        "sum 8",
        "sum 16",
        "twos complement",
        "fletcher 16",
        "CRC-8/SMBUS",
        "CRC-16/MODBUS",
        "CRC-16/IBM-3740",
        "CRC-16/XMODEM",
        "CRC-16/KERMIT",
        "CRC-16/IBM-SDLC",
        "CRC-32/ISO-HDLC",
    ];
    USUAL.iter().position(|name| *name == method.name).unwrap_or(USUAL.len())
}

/// How many covered bytes differ between frames of the same length.
fn varying(frames: &[&[u8]], first: usize, behind: usize) -> usize {
    let mut most = 0;
    for (index, model) in frames.iter().enumerate() {
        if frames.iter().take(index).any(|earlier| earlier.len() == model.len()) {
            continue;
        }
        let alike: Vec<&&[u8]> = frames.iter().filter(|frame| frame.len() == model.len()).collect();
        let end = model.len().saturating_sub(behind);
        let count = (first..end).filter(|at| alike.iter().any(|frame| frame.get(*at) != model.get(*at))).count();
        most = most.max(count);
    }
    most
}

/// How many frames are independent: what a checksum must do to one follows from what it does to the others where
/// they are XORs of each other. Frames of each length count for themselves.
pub(crate) fn independent(frames: &[&[u8]], behind: usize) -> usize {
    const ENOUGH: usize = 48;
    let mut count = 0;
    let mut lengths: Vec<usize> = frames.iter().map(|frame| frame.len()).collect();
    lengths.sort_unstable();
    lengths.dedup();
    for length in lengths {
        let alike: Vec<&[u8]> = frames.iter().copied().filter(|frame| frame.len() == length).take(2 * ENOUGH).collect();
        let Some((base, rest)) = alike.split_first() else { continue };
        count += 1;
        // Rows in echelon form, each with the place of its leading bit.
        let mut rows: Vec<(usize, Vec<u8>)> = Vec::new();
        for frame in rest {
            let end = length.saturating_sub(behind);
            let mut row: Vec<u8> = base.iter().zip(*frame).take(end).map(|(one, two)| one ^ two).collect();
            while let Some(lead) = leading(&row) {
                let Some((_, known)) = rows.iter().find(|(place, _)| *place == lead) else {
                    rows.push((lead, row));
                    break;
                };
                row.iter_mut().zip(known).for_each(|(one, two)| *one ^= two);
            }
            if ENOUGH <= rows.len() {
                break;
            }
        }
        count += rows.len();
        if ENOUGH <= count {
            break;
        }
    }
    count
}

fn leading(row: &[u8]) -> Option<usize> {
    let byte = row.iter().position(|byte| *byte != 0)?;
    Some(byte * 8 + usize::try_from(row.get(byte)?.leading_zeros()).ok()?)
}

/// The binary logarithm of how many ways there are to choose `few` of `all`.
fn log2_choose(all: usize, few: usize) -> f64 {
    (0..few.min(all - few.min(all))).map(|index| ((all - index) as f64 / (index + 1) as f64).log2()).sum()
}

/// A CRC with a byte of its own for each kind that is not sent. `kind_at` tells the kinds apart.
pub(crate) fn find_seeded(methods: &Methods, frames: &[&[u8]], kind_at: usize, tried_before: usize) -> Option<Fit> {
    let frames = different(frames, FULL);
    let mut kinds: Vec<(u8, Vec<&[u8]>)> = Vec::new();
    for frame in &frames {
        let value = *frame.get(kind_at)?;
        match kinds.iter_mut().find(|(known, _)| *known == value) {
            Some((_, list)) => list.push(frame),
            None => kinds.push((value, vec![frame])),
        }
    }
    if 48 < kinds.len() {
        return None;
    }
    kinds.sort_by_key(|(_, list)| std::cmp::Reverse(list.len()));
    let (_, most) = kinds.first().filter(|(_, list)| 4 <= list.len())?;
    let mut tried = 0;
    let mut hits: Vec<(usize, Place, usize)> = Vec::new();
    for (method, checksum) in methods.iter().filter(|(method, checksum)| method.crc && 16 <= checksum.bits()) {
        let width = usize::from(checksum.bits().div_ceil(8));
        for first in 0..=2 {
            for big in [false, true] {
                tried += 256;
                let place = Place { method: method.clone(), first, behind: 0, big };
                // Most frames of the most frequent kind agree on one byte.
                let asked =
                    most.iter().take(4).filter(|frame| seed_of(checksum, &place, frame, None).is_some()).count();
                if asked < 3 {
                    continue;
                }
                let seeds = seeds(checksum, &place, &kinds);
                let right: usize = seeds.iter().map(|(_, _, right)| right).sum();
                if frames.len() < right * 2 {
                    hits.push((right, place, width));
                }
            }
        }
    }
    let total: usize = hits.iter().map(|(right, ..)| *right).max()?;
    hits.retain(|(right, ..)| *right == total);
    hits.sort_by_key(|(_, place, _)| (rank_of(&place.method), place.first));
    let (right, place, bytes) = hits.first()?.clone();
    let checksum = methods.get(&place.method)?;
    let seeds = seeds(checksum, &place, &kinds);
    let mut sound: Vec<&[u8]> = Vec::new();
    for (kind, seed, _) in &seeds {
        let of_kind = kinds.iter().find(|(value, _)| value == kind).map_or(&[][..], |(_, list)| list.as_slice());
        if let Some(seed) = seed {
            sound.extend(of_kind.iter().filter(|frame| fits(checksum, &place, frame, &[*seed])));
        }
    }
    // Each kind's byte was chosen to fit.
    let chosen = 8.0 * seeds.len() as f64;
    let luck_bits = f64::from(checksum.bits()) * independent(&sound, 0) as f64
        - chosen
        - ((tried * tried_before.max(1)) as f64).log2()
        - log2_choose(frames.len(), frames.len() - right.min(frames.len()));
    if luck_bits < SURE_BITS {
        return None;
    }
    let equal = hits.into_iter().skip(1).map(|(_, place, _)| place).collect();
    let varying = varying(&sound, place.first, bytes);
    let extra = seeds.into_iter().map(|(kind, seed, _)| (kind, seed)).collect();
    Some(Fit { place, bytes, right, asked: frames.len(), luck_bits, equal, extra, varying })
}

/// For each kind the byte that most of its frames agree on, and how many do. `None` where fewer than two different
/// frames agree: any frame has such a byte once in 256.
fn seeds(checksum: &Checksum, place: &Place, kinds: &[(u8, Vec<&[u8]>)]) -> Vec<(u8, Option<u8>, usize)> {
    kinds
        .iter()
        .map(|(kind, frames)| {
            let mut votes: Vec<(u8, usize)> = Vec::new();
            for frame in frames {
                let known = votes.first().map(|(seed, _)| *seed);
                let Some(seed) = seed_of(checksum, place, frame, known) else { continue };
                match votes.iter_mut().find(|(value, _)| *value == seed) {
                    Some((_, count)) => *count += 1,
                    None => votes.push((seed, 1)),
                }
            }
            let best = votes.into_iter().max_by_key(|(_, count)| *count).filter(|(_, count)| 2 <= *count);
            (*kind, best.map(|(seed, _)| seed), best.map_or(0, |(_, count)| count))
        })
        .collect()
}

/// The byte behind the covered ones that makes the checksum right.
fn seed_of(checksum: &Checksum, place: &Place, frame: &[u8], likely: Option<u8>) -> Option<u8> {
    likely.into_iter().chain(0..=255).find(|seed| fits(checksum, place, frame, &[*seed]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_that_follow_from_others_are_no_evidence() {
        let frames: [&[u8]; 4] = [&[0, 0], &[1, 0], &[0, 2], &[1, 2]];
        // The fourth is the XOR of the other three.
        assert_eq!(independent(&frames, 0), 3);
        assert_eq!(independent(&frames[..1], 0), 1);
        assert_eq!(independent(&[&[1], &[1, 2]], 0), 2);
    }

    #[test]
    fn ways_to_choose() {
        // 10 over 3 is 120.
        assert!((log2_choose(10, 3) - 120_f64.log2()).abs() < 1e-9);
        assert!(log2_choose(10, 0).abs() < 1e-12);
    }
}
