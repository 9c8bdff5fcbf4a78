//! How much readings scatter from one to the next.

use std::time::Duration;

use model::SessionTime;

use super::{Basis, Estimate, NANO, rounding_deviation};
use crate::statistics::QUARTILE_OF_NORMAL;

/// So many of the newest differences are looked at.
const KEPT: usize = 64;
/// Fewer differences than this are no estimate.
const LEAST: usize = 8;
/// Over a longer time the difference is no noise.
const LONGEST_STEP: Duration = Duration::from_secs(2);
/// A difference beyond so many deviations is a step of the load or a lone wrong reading, not noise.
const CUT: f64 = 4.0;

/// Why there is no estimate of noise.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum NoNoise {
    /// There is no such channel.
    NoChannel,
    /// Fewer differences than needed.
    TooFew {
        /// Differences there are.
        have: usize,
    },
}

/// The noise of each of some channels, from the differences between neighbouring readings.
///
/// Differences are free of slow changes; those that a step of the load or a lone wrong reading makes are cut off. What
/// changes really from reading to reading counts as noise.
#[derive(Clone, Debug)]
pub struct Noise {
    step: f64,
    channels: usize,
    last: Option<SessionTime>,
    last_values: Vec<Option<i64>>,
    /// A ring of rows: when each ended, and the differences of all channels.
    times: Vec<SessionTime>,
    differences: Vec<Option<i64>>,
    next_row: usize,
}

impl Noise {
    /// For so many channels, whose readings have a step of `step_nanos` billionths.
    pub fn new(channels: usize, step_nanos: i64) -> Self {
        Self {
            step: step_nanos as f64 * NANO,
            channels,
            last: None,
            last_values: vec![None; channels],
            times: Vec::with_capacity(KEPT),
            differences: vec![None; channels * KEPT],
            next_row: 0,
        }
    }

    /// A reading of every channel, in billionths; `None` where it is absent.
    ///
    /// A set of several channels that repeats the last in all of them is no update and is left out: frames often come
    /// more often than the BMS measures.
    pub fn set(&mut self, at: SessionTime, values: &[Option<i64>]) {
        if 1 < self.channels && self.last_values == values {
            return;
        }
        let near = self.last.is_some_and(|last| last <= at && at.since(last) <= LONGEST_STEP);
        if near {
            self.push_row(at, values);
        }
        self.last = Some(at);
        match values.get(..self.channels) {
            Some(values) => self.last_values.copy_from_slice(values),
            None => {
                for (channel, last) in self.last_values.iter_mut().enumerate() {
                    *last = values.get(channel).copied().flatten();
                }
            }
        }
    }

    fn push_row(&mut self, at: SessionTime, values: &[Option<i64>]) {
        if self.times.len() < KEPT {
            self.times.push(at);
        } else if let Some(time) = self.times.get_mut(self.next_row) {
            *time = at;
        }
        let row = self.differences.chunks_exact_mut(self.channels.max(1)).nth(self.next_row);
        let row = row.unwrap_or_default();
        for ((difference, before), now) in row.iter_mut().zip(&self.last_values).zip(values) {
            *difference = before.zip(*now).map(|(before, now)| now.saturating_sub(before));
        }
        row.iter_mut().skip(values.len()).for_each(|difference| *difference = None);
        self.next_row = (self.next_row + 1) % KEPT;
    }

    /// The standard deviation of one reading of a channel (from 0), in base units; never below step / sqrt(12).
    pub fn of(&self, channel: usize) -> Result<Estimate, NoNoise> {
        if self.channels <= channel {
            return Err(NoNoise::NoChannel);
        }
        let mut sizes = [0_u64; KEPT];
        let mut have = 0;
        let column = self.differences.chunks_exact(self.channels).filter_map(|row| *row.get(channel)?);
        for (size, difference) in sizes.iter_mut().zip(column) {
            *size = difference.unsigned_abs();
            have += 1;
        }
        let sizes = sizes.get_mut(..have).unwrap_or_default();
        if have < LEAST {
            return Err(NoNoise::TooFew { have });
        }
        let value = self.deviation(&Sizes::of(sizes));
        let basis = self.basis(have as u64).ok_or(NoNoise::TooFew { have })?;
        Ok(Estimate { value, uncertainty: value / (2.0 * have as f64).sqrt(), basis })
    }

    fn deviation(&self, sizes: &Sizes) -> f64 {
        let robust = (sizes.middle() as f64 * NANO / QUARTILE_OF_NORMAL).max(self.step);
        let (mut squares, mut count) = (0.0, 0.0_f64);
        for (size, times) in sizes.in_order() {
            let size = *size as f64 * NANO;
            if CUT * robust < size {
                break;
            }
            let square = size * size;
            for _ in 0..*times {
                squares += square;
                count += 1.0;
            }
        }
        // A difference has the variance of two readings.
        (squares / (2.0 * count.max(1.0))).sqrt().max(rounding_deviation(self.step))
    }

    fn basis(&self, count: u64) -> Option<Basis> {
        let oldest = if self.times.len() < KEPT { 0 } else { self.next_row };
        Some(Basis { from: *self.times.get(oldest)?, to: self.last?, count })
    }

    /// The deviation to reckon with for a channel (from 0): its noise or, where that is not known, what rounding alone
    /// makes.
    pub fn or_rounding(&self, channel: usize) -> f64 {
        self.of(channel).map_or(rounding_deviation(self.step), |noise| noise.value)
    }
}

/// The sizes of differences in order, each that there is with how often.
struct Sizes {
    each: [(u64, usize); KEPT],
    differ: usize,
}

impl Sizes {
    /// Of no more than [`KEPT`]; puts them in order where many differ. Readings have a step, so that few do.
    fn of(sizes: &mut [u64]) -> Self {
        const FEW: usize = 8;
        let (mut each, mut differ) = ([(0, 0); KEPT], 0);
        for size in sizes.iter() {
            let place = each.iter().take(differ).position(|(known, _)| known == size).unwrap_or(differ);
            let Some((known, count)) = each.get_mut(place).filter(|_| place < FEW) else {
                return Self::of_many(sizes);
            };
            *known = *size;
            *count += 1;
            differ = differ.max(place + 1);
        }
        each.get_mut(..differ).unwrap_or_default().sort_unstable();
        Self { each, differ }
    }

    fn of_many(sizes: &mut [u64]) -> Self {
        sizes.sort_unstable();
        let (mut each, mut differ) = ([(0, 0); KEPT], 0);
        for (same, place) in sizes.chunk_by(|one, other| one == other).zip(&mut each) {
            *place = (same.first().copied().unwrap_or(0), same.len());
            differ += 1;
        }
        Self { each, differ }
    }

    fn in_order(&self) -> &[(u64, usize)] {
        self.each.get(..self.differ).unwrap_or_default()
    }

    /// The one in the middle, the upper of two; zero of none.
    fn middle(&self) -> u64 {
        let all: usize = self.in_order().iter().map(|(_, count)| count).sum();
        let mut left = all / 2;
        for (size, count) in self.in_order() {
            if left < *count {
                return *size;
            }
            left -= count;
        }
        0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimates::testing::Random;

    fn noise_of(values: impl IntoIterator<Item = Option<i64>>, step: i64) -> Result<f64, NoNoise> {
        let mut noise = Noise::new(1, step);
        for (index, value) in (0..).zip(values) {
            noise.set(SessionTime::from_millis(index * 100), &[value]);
        }
        noise.of(0).map(|noise| noise.value)
    }

    #[test]
    fn white_noise_is_found_under_a_ramp_steps_and_outliers() {
        let mut random = Random::new(7);
        let mut sum = 0.0;
        for _ in 0..200 {
            let values: Vec<_> = (0..64)
                .map(|index| {
                    let step = if 30 < index { -80_000_000 } else { 0 };
                    let wrong = if index == 50 { 900_000_000 } else { 0 };
                    Some(4_000_000_000 - index * 50_000 + step + wrong + (random.normal() * 1e6) as i64)
                })
                .collect();
            sum += noise_of(values, 1000).unwrap();
        }
        assert!((sum / 200.0 - 1e-3).abs() < 0.05e-3, "{}", sum / 200.0);
    }

    #[test]
    fn readings_that_stand_still_have_the_noise_of_rounding() {
        let found = noise_of(vec![Some(4_000_000_000); 64], 5_000_000).unwrap();
        assert!((found - 5e-3 / 12.0_f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn sizes_that_are_counted_are_as_sorted_ones() {
        let mut random = Random::new(11);
        for round in 0..2_000 {
            let reach = [0.5, 3.0, 6.0, 9.0, 1e12][round % 5];
            let sizes: Vec<u64> = (0..round % (KEPT + 1)).map(|_| (random.normal().abs() * reach) as u64).collect();
            let counted = Sizes::of(&mut sizes.clone());
            let mut sorted = sizes;
            sorted.sort_unstable();
            assert_eq!(counted.middle(), sorted.get(sorted.len() / 2).copied().unwrap_or(0));
            let each = counted.in_order().iter().flat_map(|(size, count)| vec![*size; *count]);
            assert_eq!(each.collect::<Vec<_>>(), sorted);
        }
    }

    #[test]
    fn too_little_is_no_noise() {
        assert_eq!(noise_of([], 1), Err(NoNoise::TooFew { have: 0 }));
        assert_eq!(noise_of(vec![Some(1); 8], 1), Err(NoNoise::TooFew { have: 7 }));
        assert_eq!(noise_of([Some(1), None].repeat(40), 1), Err(NoNoise::TooFew { have: 0 }));
        assert_eq!(Noise::new(2, 1).of(2), Err(NoNoise::NoChannel));
        let mut sparse = Noise::new(1, 1);
        for second in 0..100 {
            sparse.set(SessionTime::from_millis(second * 60_000), &[Some(4)]);
        }
        assert_eq!(sparse.of(0), Err(NoNoise::TooFew { have: 0 }));
    }

    #[test]
    fn repeated_sets_are_no_updates() {
        let mut random = Random::new(3);
        let (mut once, mut often) = (Noise::new(2, 1), Noise::new(2, 1));
        for index in 0..100 {
            let set = [Some((random.normal() * 1e6) as i64), Some((random.normal() * 1e6) as i64)];
            once.set(SessionTime::from_millis(index * 500), &set);
            for repeat in 0..5 {
                often.set(SessionTime::from_millis(index * 500 + repeat * 100), &set);
            }
        }
        assert_eq!(once.of(1).unwrap().value.to_bits(), often.of(1).unwrap().value.to_bits());
    }

    #[test]
    fn extremes_do_not_overflow() {
        let mut noise = Noise::new(1, i64::MAX);
        for index in 0..100 {
            let value = if index % 2 == 0 { i64::MAX } else { i64::MIN };
            noise.set(SessionTime::from_millis(index), &[Some(value)]);
            noise.set(SessionTime::from_millis(index), &[]);
        }
        assert!(noise.or_rounding(0).is_finite());
    }
}
