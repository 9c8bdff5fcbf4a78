//! Which bytes of a frame tell the kinds of messages apart.

use std::collections::BTreeMap;
use std::ops::Range;

/// Bytes at the beginning of a frame that may decide how long it is.
const PLACES: usize = 12;
/// Where all frames are as long, an id stands among the first bytes.
const NEAR: usize = 4;
/// An id decides at least this share of the other bytes.
const MOST_COLUMNS: f64 = 0.5;
/// Values that an id may have.
const MOST_VALUES: usize = 40;
/// Frames that are looked at.
const FRAMES: usize = 1024;
/// Other bytes that are looked at.
const COLUMNS: usize = 64;

/// The place of the id among the first bytes, besides those that are skipped, and that of a second one beside it.
///
/// An id decides how long the frame is, or what most of its bytes hold; or it goes round in a circle, and the bytes differ
/// from station to station. A state or a high byte of a number changes some bytes only.
pub(crate) fn ids(frames: &[&[u8]], from: usize, behind: usize, skip: &[usize]) -> Vec<usize> {
    let frames: Vec<&[u8]> = frames.iter().copied().take(FRAMES).collect();
    let Some(first) = best(&frames, from, behind, skip) else { return Vec::new() };
    // A second one inside a kind: a number of a block, for one.
    let mut by_value: BTreeMap<u8, Vec<&[u8]>> = BTreeMap::new();
    for frame in &frames {
        if let Some(value) = frame.get(first) {
            by_value.entry(*value).or_default().push(frame);
        }
    }
    let mut skip = skip.to_vec();
    skip.push(first);
    let large: Vec<&Vec<&[u8]>> = by_value.values().filter(|frames| 24 <= frames.len()).collect();
    let inside = large.iter().filter(|frames| best(frames, first + 1, behind, &skip) == Some(first + 1)).count();
    let second = (0 < inside && large.len() <= 2 * inside).then_some(first + 1);
    std::iter::once(first).chain(second).collect()
}

fn best(frames: &[&[u8]], from: usize, behind: usize, skip: &[usize]) -> Option<usize> {
    let shortest = frames.iter().map(|frame| frame.len()).min()?;
    if frames.len() < 12 {
        return None;
    }
    let lengths_differ = frames.iter().any(|frame| frame.len() != shortest);
    let end = shortest.saturating_sub(behind);
    let places = || (from..end.min(from + PLACES)).filter(|at| !skip.contains(at));
    let candidates: Vec<Candidate> = places().filter_map(|at| Candidate::of(frames, at)).collect();
    if lengths_differ {
        let decides = candidates.iter().find(|candidate| candidate.decides_length(frames));
        if let Some(candidate) = decides {
            return Some(candidate.at);
        }
    }
    let columns = from..end.min(from + COLUMNS);
    let near = places().take(NEAR).max()?;
    let candidates: Vec<&Candidate> = candidates.iter().filter(|candidate| candidate.at <= near).collect();
    let scores: Vec<f64> =
        candidates.iter().map(|candidate| candidate.decides(frames, columns.clone(), skip)).collect();
    let most = scores.iter().copied().fold(0.0, f64::max);
    let found = candidates.iter().zip(&scores).find(|(_, score)| MOST_COLUMNS <= **score && most * 0.7 <= **score);
    found.map(|(candidate, _)| candidate.at).or_else(|| {
        candidates.iter().find(|candidate| candidate.goes_round(frames, columns.clone(), skip)).map(|found| found.at)
    })
}

/// A byte with a few values, to and fro.
struct Candidate {
    at: usize,
    values: Vec<u16>,
    kinds: usize,
    bits: f64,
}

impl Candidate {
    fn of(frames: &[&[u8]], at: usize) -> Option<Self> {
        let values = column(frames, at);
        let (bits, kinds) = entropy(&values);
        let changes = values.windows(2).filter(|pair| pair.first() != pair.last()).count();
        let fits = (2..=MOST_VALUES).contains(&kinds)
            && kinds * 4 <= frames.len()
            && 6 <= changes
            && frames.len() <= changes * 25
            && 0.15 <= bits;
        fits.then_some(Self { at, values, kinds, bits })
    }

    /// Each value has one length.
    fn decides_length(&self, frames: &[&[u8]]) -> bool {
        let lengths: Vec<u16> = frames.iter().map(|frame| frame.len().min(255) as u16).collect();
        let joint: Vec<u16> = self.values.iter().zip(&lengths).map(|(one, two)| one << 8 | two).collect();
        entropy(&joint).0 - self.bits < 0.02 * entropy(&lengths).0 + 0.02
    }

    /// Of all other bytes, the share of those that depend on it.
    fn decides(&self, frames: &[&[u8]], columns: Range<usize>, skip: &[usize]) -> f64 {
        let others: Vec<usize> = columns.filter(|other| *other != self.at && !skip.contains(other)).collect();
        let depends = |other: &&usize| {
            let other = column(frames, **other);
            let (alone, other_kinds) = entropy(&other);
            let joint: Vec<u16> = self.values.iter().zip(&other).map(|(one, two)| one << 8 | two).collect();
            let (together, joint_kinds) = entropy(&joint);
            // Few frames make it look larger than it is: the correction of Miller and Madow (1955, from memory).
            let bias = (self.kinds + other_kinds) as f64 - joint_kinds as f64 - 1.0;
            let shared = alone + self.bits - together + bias / (2.0 * frames.len() as f64 * std::f64::consts::LN_2);
            1 < other_kinds && self.bits * 0.6 < shared
        };
        others.iter().filter(depends).count() as f64 / others.len().max(1) as f64
    }

    /// One value follows on the other in a circle, and bytes that vary differ more between its values than inside them.
    fn goes_round(&self, frames: &[&[u8]], columns: Range<usize>, skip: &[usize]) -> bool {
        let mut follow: BTreeMap<u16, BTreeMap<u16, usize>> = BTreeMap::new();
        for pair in self.values.windows(2) {
            if let [one, two] = pair {
                *follow.entry(*one).or_default().entry(*two).or_default() += 1;
            }
        }
        let usual: usize = follow.values().filter_map(|next| next.values().max()).sum();
        let still: usize = follow.iter().filter_map(|(value, next)| next.get(value)).sum();
        if usual * 10 < frames.len() * 9 || frames.len() < still * 10 || frames.len() < self.kinds * 6 {
            return false;
        }
        let (mut vary, mut differ) = (0, 0);
        for other in columns.filter(|other| *other != self.at && !skip.contains(other)) {
            let other: Vec<f64> = column(frames, other).into_iter().map(f64::from).collect();
            let mean = other.iter().sum::<f64>() / other.len() as f64;
            let total: f64 = other.iter().map(|value| (value - mean).powi(2)).sum();
            let mut sums: BTreeMap<u16, (f64, f64)> = BTreeMap::new();
            for (kind, value) in self.values.iter().zip(&other) {
                let sum = sums.entry(*kind).or_default();
                sum.0 += value;
                sum.1 += 1.0;
            }
            let between: f64 = sums.values().map(|(sum, count)| count * (sum / count - mean).powi(2)).sum();
            if 0.0 < total {
                vary += 1;
                differ += usize::from(total * 0.6 < between);
            }
        }
        0 < vary && vary * 3 <= differ * 10
    }
}

fn column(frames: &[&[u8]], at: usize) -> Vec<u16> {
    frames.iter().map(|frame| u16::from(frame.get(at).copied().unwrap_or(0))).collect()
}

/// Bits of information in a value, and how many values there are.
fn entropy(values: &[u16]) -> (f64, usize) {
    let mut sorted = values.to_vec();
    sorted.sort_unstable();
    let count = sorted.len() as f64;
    let runs = sorted.chunk_by(|one, two| one == two);
    let (mut bits, mut kinds) = (0.0, 0);
    for run in runs {
        let share = run.len() as f64 / count;
        bits -= share * share.log2();
        kinds += 1;
    }
    (bits, kinds)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_byte_that_decides_much_is_an_id_and_a_counter_is_none() {
        let frames: Vec<Vec<u8>> = (0..64_u8)
            .map(|index| {
                let kind = index % 2;
                vec![0xA5, kind + 1, index, kind * 7, 40 + kind * 3, 9 - kind, index.wrapping_mul(37)]
            })
            .collect();
        let frames: Vec<&[u8]> = frames.iter().map(Vec::as_slice).collect();
        assert_eq!(ids(&frames, 1, 1, &[]), [1]);
        let same: Vec<&[u8]> = frames.iter().copied().step_by(2).collect();
        assert_eq!(ids(&same, 1, 1, &[]), [0_usize; 0]);
    }
}
