//! Which bytes of a frame tell the kinds of messages apart.

use std::collections::BTreeMap;

/// Bytes at the beginning of a frame that may be an id.
const PLACES: usize = 12;
/// Values that an id may have.
const MOST_VALUES: usize = 40;
/// Frames that are looked at.
const FRAMES: usize = 1024;
/// Other bytes that are looked at.
const COLUMNS: usize = 64;

/// The places of ids among the first bytes, besides those that are skipped: bytes with few values, on which much of the
/// rest of the frame depends, and that change to and fro.
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
    let second = by_value
        .values()
        .filter(|frames| 24 <= frames.len())
        .filter_map(|frames| best(frames, from, behind, &skip).filter(|place| *place <= first + 3))
        .min();
    let mut ids: Vec<usize> = std::iter::once(first).chain(second).collect();
    ids.sort_unstable();
    ids
}

fn best(frames: &[&[u8]], from: usize, behind: usize, skip: &[usize]) -> Option<usize> {
    let shortest = frames.iter().map(|frame| frame.len()).min()?;
    let count = frames.len() as f64;
    if frames.len() < 12 {
        return None;
    }
    let lengths_differ = frames.iter().any(|frame| frame.len() != shortest);
    let end = shortest.saturating_sub(behind);
    let column = |at: usize| -> Vec<u16> {
        frames.iter().map(|frame| u16::from(frame.get(at).copied().unwrap_or(0))).collect()
    };
    let mut found: Vec<(f64, usize)> = Vec::new();
    for at in (from..end.min(from + PLACES)).filter(|at| !skip.contains(at)) {
        let values = column(at);
        let (own, kinds) = entropy(&values);
        let changes = values.windows(2).filter(|pair| pair.first() != pair.last()).count();
        if !(2..=MOST_VALUES).contains(&kinds)
            || frames.len() < kinds * 4
            || changes < 6
            || changes * 25 < frames.len()
            || own < 0.15
        {
            continue;
        }
        let depends = |other: &[u16]| {
            let (alone, other_kinds) = entropy(other);
            let joint: Vec<u16> = values.iter().zip(other).map(|(one, two)| one << 8 | two).collect();
            let (together, joint_kinds) = entropy(&joint);
            // Few frames make it look larger than it is: the correction of Miller and Madow (1955, from memory).
            let bias = (kinds + other_kinds) as f64 - joint_kinds as f64 - 1.0;
            let shared = alone + own - together + bias / (2.0 * count * std::f64::consts::LN_2);
            other_kinds > 1 && own * 0.6 < shared
        };
        let others = (from..end.min(from + COLUMNS)).filter(|other| *other != at && !skip.contains(other));
        let mut score = others.filter(|other| depends(&column(*other))).count() as f64;
        if lengths_differ {
            let lengths: Vec<u16> = frames.iter().map(|frame| frame.len().min(255) as u16).collect();
            let (own_lengths, _) = entropy(&lengths);
            let joint: Vec<u16> = values.iter().zip(&lengths).map(|(one, two)| one << 8 | two).collect();
            // Each value has one length.
            if entropy(&joint).0 - own < 0.02 * own_lengths.max(0.1) + 0.02 {
                score += 3.0;
            }
        }
        if 2.0 <= score {
            found.push((score, at));
        }
    }
    let most = found.iter().map(|(score, _)| *score).fold(0.0, f64::max);
    found.iter().filter(|(score, _)| most * 0.6 <= *score).map(|(_, at)| *at).min()
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
