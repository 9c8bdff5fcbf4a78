//! Where frames may begin and what may say how long they are: places that follow from each other.

use std::collections::BTreeMap;
use std::ops::Range;

use crate::number::whole;

/// What says how long a frame is. Places count from the first byte of the frame.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Length {
    /// All are as long.
    Fixed(usize),
    /// A part says it: the frame is `plus` bytes longer than its value.
    Size {
        /// Where it stands.
        at: usize,
        /// Its bytes.
        bytes: usize,
        /// Highest byte first.
        big: bool,
        /// What is added.
        plus: usize,
    },
    /// A byte tells the kinds apart, and each has a length of its own.
    ByKind {
        /// Where it stands.
        at: usize,
        /// By its value.
        lengths: Vec<(u8, usize)>,
    },
    /// The packet around it: the line wraps packets.
    Packet,
}

impl Length {
    /// Where it is told, and how.
    fn told_at(&self) -> (u8, usize) {
        match self {
            Self::Fixed(_) => (0, 0),
            Self::Size { at, .. } => (1, *at),
            Self::ByKind { at, .. } => (2, *at),
            Self::Packet => (3, 0),
        }
    }

    fn of(&self, frame: &[u8]) -> Option<usize> {
        let length = match self {
            Self::Fixed(length) => *length,
            Self::Size { at, bytes, big, plus } => {
                usize::try_from(whole(frame.get(*at..at + bytes)?, *big)).ok()?.checked_add(*plus)?
            }
            Self::ByKind { at, lengths } => {
                let value = frame.get(*at)?;
                lengths.iter().find(|(known, _)| known == value)?.1
            }
            Self::Packet => return None,
        };
        (LEAST..=MOST).contains(&length).then_some(length)
    }
}

/// Frames found by a rule.
#[derive(Clone, Debug)]
pub(crate) struct Framing {
    pub(crate) length: Length,
    pub(crate) spans: Vec<Range<usize>>,
    /// Of all bytes, those in frames at whose end the next one begins.
    pub(crate) share: f64,
}

const LEAST: usize = 4;
const MOST: usize = 1200;
/// Patterns that are looked at closely.
const PATTERNS: usize = 128;
/// Places of a pattern that are looked at for a rule.
const PLACES: usize = 160;
/// Of these, so many in a row.
const RUN: usize = 16;
/// Rules whose frames hold less of the bytes are dropped.
const LEAST_SHARE: f64 = 0.5;
/// Framings that are handed on.
const KEPT: usize = 96;

/// All framings that explain at least half of the bytes, the best first.
pub(crate) fn framings(bytes: &[u8]) -> Vec<Framing> {
    let mut found: Vec<Framing> = Vec::new();
    for (pattern, places) in patterns(bytes) {
        let mut begins = vec![false; bytes.len() + 1];
        for place in &places {
            if let Some(flag) = begins.get_mut(*place) {
                *flag = true;
            }
        }
        let seen = Seen { bytes, pattern: &pattern, places: &places, begins: &begins };
        let lengths = seen.fixed().into_iter().chain(seen.sizes()).chain(seen.by_kind());
        for length in lengths.collect::<Vec<_>>() {
            let spans = seen.walk(&length);
            if !matches!(length, Length::Fixed(_)) && !several_lengths(&spans) {
                continue;
            }
            let covered: usize = spans.iter().map(ExactSizeIterator::len).sum();
            let share = covered as f64 / bytes.len().max(1) as f64;
            if LEAST_SHARE <= share && 4 <= spans.len() {
                found.push(Framing { length, spans, share });
            }
        }
    }
    // Of the same share the one with more frames: two frames together recur as one does.
    let percent = |framing: &Framing| (framing.share * 100.0) as usize;
    found.sort_by_key(|framing| std::cmp::Reverse((percent(framing), framing.spans.len())));
    // The same frames by a shorter pattern are the same answer.
    let mut kept: Vec<Framing> = Vec::new();
    for framing in found {
        let same = |known: &Framing| {
            known.spans.first() == framing.spans.first()
                && known.spans.len() == framing.spans.len()
                && known.spans.last() == framing.spans.last()
                && known.length.told_at() == framing.length.told_at()
        };
        if kept.len() < KEPT && !kept.iter().any(same) {
            kept.push(framing);
        }
    }
    kept
}

/// Whether at least two lengths are frequent.
fn several_lengths(spans: &[Range<usize>]) -> bool {
    let mut counts: BTreeMap<usize, usize> = BTreeMap::new();
    for span in spans {
        *counts.entry(span.len()).or_default() += 1;
    }
    2 <= counts.values().filter(|count| spans.len() <= **count * 100).count()
}

/// Patterns of one and two bytes that recur at few distances, with their places.
fn patterns(bytes: &[u8]) -> Vec<(Vec<u8>, Vec<usize>)> {
    let least = (bytes.len() / 2048).clamp(6, 64);
    let mut one = vec![0_usize; 1 << 8];
    let mut two = vec![0_usize; 1 << 16];
    let pair = |window: &[u8]| usize::try_from(whole(window, true)).unwrap_or(0);
    for byte in bytes {
        if let Some(count) = one.get_mut(usize::from(*byte)) {
            *count += 1;
        }
    }
    for window in bytes.windows(2) {
        if let Some(count) = two.get_mut(pair(window)) {
            *count += 1;
        }
    }
    let often = |counts: &[usize], most: usize| -> Vec<usize> {
        let mut often: Vec<usize> = (0..counts.len()).collect();
        often.retain(|index| counts.get(*index).is_some_and(|count| least <= *count));
        often.sort_by_key(|index| std::cmp::Reverse(counts.get(*index).copied().unwrap_or(0)));
        often.truncate(most);
        often
    };
    let pairs = often(&two, 400).into_iter().map(|index| (index as u16).to_be_bytes().to_vec());
    let singles = often(&one, 256).into_iter().map(|index| vec![index as u8]);
    let mut found: Vec<(f64, Vec<u8>, Vec<usize>)> = Vec::new();
    let mut by_pair: BTreeMap<u16, Vec<usize>> = BTreeMap::new();
    let mut by_one: BTreeMap<u8, Vec<usize>> = BTreeMap::new();
    let all: Vec<Vec<u8>> = pairs.chain(singles).collect();
    for pattern in &all {
        match pattern.as_slice() {
            [first, second] => drop(by_pair.insert(u16::from_be_bytes([*first, *second]), Vec::new())),
            [first] => drop(by_one.insert(*first, Vec::new())),
            _ => {}
        }
    }
    for (place, byte) in bytes.iter().enumerate() {
        if let Some(places) = by_one.get_mut(byte) {
            places.push(place);
        }
        if let Some(next) = bytes.get(place + 1)
            && let Some(places) = by_pair.get_mut(&u16::from_be_bytes([*byte, *next]))
        {
            places.push(place);
        }
    }
    let taken = by_pair.into_iter().map(|(pair, places)| (pair.to_be_bytes().to_vec(), places));
    for (pattern, places) in taken.chain(by_one.into_iter().map(|(byte, places)| (vec![byte], places))) {
        let gaps = gaps(&places);
        let total: usize = gaps.iter().map(|(_, count)| count).sum();
        // Few distances, and not short ones only: as bytes of values beside each other have.
        let few: usize = gaps.iter().take(16).map(|(_, count)| count).sum();
        let long: usize = gaps.iter().filter(|(gap, _)| LEAST <= *gap).map(|(_, count)| count).sum();
        let regular = few as f64 / total.max(1) as f64;
        if 0.4 < regular && total < 4 * long {
            let score = regular * long as f64 / total.max(1) as f64;
            found.push(((score * 4.0).round(), pattern, places));
        }
    }
    // What stands in every frame is there more often than what stands in those of one kind.
    let order = |found: &(f64, Vec<u8>, Vec<usize>)| std::cmp::Reverse((found.2.len(), found.1.len()));
    found.sort_by(|one, two| two.0.total_cmp(&one.0).then(order(one).cmp(&order(two))));
    found.truncate(PATTERNS);
    found.into_iter().map(|(_, pattern, places)| (pattern, places)).collect()
}

/// Distances between neighbours with how often each occurs, the most frequent first.
fn gaps(places: &[usize]) -> Vec<(usize, usize)> {
    let mut counts: BTreeMap<usize, usize> = BTreeMap::new();
    for pair in places.windows(2) {
        if let [one, two] = pair {
            *counts.entry(two - one).or_default() += 1;
        }
    }
    let mut gaps: Vec<(usize, usize)> = counts.into_iter().collect();
    gaps.sort_by_key(|(gap, count)| (std::cmp::Reverse(*count), *gap));
    gaps
}

/// A pattern, where it stands, and the bytes around it.
struct Seen<'b> {
    bytes: &'b [u8],
    pattern: &'b [u8],
    places: &'b [usize],
    begins: &'b [bool],
}

impl Seen<'_> {
    fn begins(&self, place: usize) -> bool {
        self.begins.get(place).copied().unwrap_or(false)
    }

    /// Some places from the whole stream, in runs: kinds that alternate are all among them.
    fn some(&self) -> impl Iterator<Item = usize> + Clone + '_ {
        let step = self.places.len().div_ceil(PLACES).max(1);
        self.places.chunks(RUN * step).flat_map(|chunk| chunk.iter().take(RUN)).copied()
    }

    fn fixed(&self) -> Vec<Length> {
        let mut votes: Vec<(usize, usize)> = gaps(self.places)
            .into_iter()
            .take(24)
            .filter(|(gap, _)| LEAST <= *gap && *gap <= MOST)
            .map(|(gap, _)| (self.some().filter(|place| self.begins(place + gap)).count(), gap))
            .collect();
        votes.sort_by_key(|(count, gap)| (std::cmp::Reverse(*count), *gap));
        votes.into_iter().take(3).map(|(_, gap)| Length::Fixed(gap)).collect()
    }

    fn sizes(&self) -> Vec<Length> {
        let mut found: Vec<(usize, Length)> = Vec::new();
        let asked = self.some().count();
        let from = self.pattern.len();
        for at in from..from + 8 {
            for (width, big) in [(1, false), (2, false), (2, true)] {
                let values: Vec<(usize, usize)> = self
                    .some()
                    .filter_map(|place| {
                        let part = self.bytes.get(place + at..place + at + width)?;
                        Some((place, usize::try_from(whole(part, big)).ok()?))
                    })
                    .filter(|(_, value)| *value <= MOST)
                    .collect();
                if values.len() * 5 < asked * 2
                    || values.iter().all(|(_, value)| Some(*value) == values.first().map(|f| f.1))
                {
                    continue;
                }
                for plus in 0..=24 {
                    let right = values
                        .iter()
                        .filter(|(place, value)| LEAST <= value + plus && self.begins(place + value + plus));
                    let mut lengths: Vec<usize> = Vec::new();
                    let mut votes = 0;
                    for (_, value) in right {
                        votes += 1;
                        if !lengths.contains(value) {
                            lengths.push(*value);
                        }
                    }
                    if asked * 3 < votes * 10 && 2 <= lengths.len() {
                        found.push((votes, Length::Size { at, bytes: width, big, plus }));
                    }
                }
            }
        }
        // Nearly as many is as good: the earlier place then, and the narrower number.
        let most = found.iter().map(|(votes, _)| *votes).max().unwrap_or(0);
        found.retain(|(votes, _)| most * 9 <= votes * 10);
        found.into_iter().take(4).map(|(_, length)| length).collect()
    }

    fn by_kind(&self) -> Vec<Length> {
        let gaps: Vec<usize> = gaps(self.places)
            .into_iter()
            .map(|(gap, _)| gap)
            .filter(|gap| LEAST <= *gap && *gap <= MOST)
            .take(14)
            .collect();
        let mut found: Vec<(usize, Length)> = Vec::new();
        let from = self.pattern.len();
        for at in from..from + 6 {
            let mut by_value: BTreeMap<u8, Vec<usize>> = BTreeMap::new();
            // More of them: a kind can be rare.
            for place in self.places.iter().copied().take(16 * PLACES) {
                if let Some(value) = self.bytes.get(place + at) {
                    by_value.entry(*value).or_default().push(place);
                }
            }
            let mut votes = 0;
            let mut lengths = Vec::new();
            for (value, places) in &by_value {
                let best = gaps
                    .iter()
                    .map(|gap| (places.iter().filter(|place| self.begins(**place + gap)).count(), *gap))
                    .max_by_key(|(count, gap)| (*count, std::cmp::Reverse(*gap)));
                if let Some((count, gap)) = best
                    && 2 <= count
                    && places.len() * 6 <= count * 10
                {
                    votes += count;
                    lengths.push((*value, gap));
                }
            }
            let several = lengths.iter().any(|(_, gap)| Some(*gap) != lengths.first().map(|first| first.1));
            if several && lengths.len() <= 32 {
                found.push((votes, Length::ByKind { at, lengths }));
            }
        }
        // Nearly as many is as good: the earlier place then, where an id stands.
        let most = found.iter().map(|(votes, _)| *votes).max().unwrap_or(0);
        found.retain(|(votes, _)| most * 9 <= votes * 10);
        found.into_iter().take(3).map(|(_, length)| length).collect()
    }

    /// Frames at whose end the next one begins, or the stream ends.
    fn walk(&self, length: &Length) -> Vec<Range<usize>> {
        let mut spans = Vec::new();
        let mut from = 0;
        for place in self.places {
            if *place < from {
                continue;
            }
            let Some(length) = self.bytes.get(*place..).and_then(|frame| length.of(frame)) else { continue };
            let end = place + length;
            if self.begins(end) || end == self.bytes.len() {
                spans.push(*place..end);
                from = end;
            }
        }
        spans
    }
}
