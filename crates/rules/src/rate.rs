//! How fast a temperature rises, from readings with a coarse step.

use std::collections::VecDeque;

use model::SessionTime;

/// One bucket holds the mean of a second.
const BUCKET_NANOS: u64 = 1_000_000_000;
/// Never more than a minute is looked at.
const MOST_BUCKETS: usize = 61;
/// The two ends of the window are means of this many buckets.
const END_BUCKETS: usize = 2;

/// A rate in billionths of a degree Celsius per minute, and how far the reading's step makes it uncertain.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Rate {
    pub(crate) nanos_per_minute: i64,
    pub(crate) uncertainty: i64,
}

/// Mean over the last seconds against mean over the first seconds of up to a minute.
#[derive(Clone, Debug, Default)]
pub(crate) struct RateWindow {
    /// Second, sum, count of those that are complete.
    buckets: VecDeque<(u64, i128, u64)>,
    /// The same of the one that readings go to.
    open: Option<(u64, i128, u64)>,
    last: Option<i64>,
    /// The smallest difference between two readings: many a BMS sends tenths of a degree and reads whole ones.
    smallest: Option<i64>,
}

impl RateWindow {
    /// Takes a reading. Returns whether a second was completed, which is when the rate can have changed.
    #[inline]
    pub(crate) fn push(&mut self, at: SessionTime, nanos: i64) -> bool {
        if let Some(last) = self.last.replace(nanos)
            && last != nanos
        {
            let change = nanos.saturating_sub(last).saturating_abs();
            self.smallest = Some(self.smallest.map_or(change, |smallest| smallest.min(change)));
        }
        let second = at.nanos / BUCKET_NANOS;
        match &mut self.open {
            Some((last, sum, count)) if *last == second => {
                *sum += i128::from(nanos);
                *count += 1;
                false
            }
            _ => {
                self.begin(second, nanos);
                true
            }
        }
    }

    /// Another second begins.
    fn begin(&mut self, second: u64, nanos: i64) {
        self.buckets.extend(self.open.replace((second, nanos.into(), 1)));
        while self.buckets.len() > MOST_BUCKETS
            || self.buckets.front().is_some_and(|(first, ..)| second - first > MOST_BUCKETS as u64)
        {
            self.buckets.pop_front();
        }
    }

    /// The rate over the completed seconds; `None` while there are too few to hold two ends.
    ///
    /// `step_nanos`: between two neighbouring numbers as sent. Where the readings move in larger ones, those count.
    pub(crate) fn rate(&self, step_nanos: i64) -> Option<Rate> {
        let complete = self.buckets.len();
        if complete < 2 * END_BUCKETS + 1 {
            return None;
        }
        let first = mean(self.buckets.iter().take(END_BUCKETS))?;
        let last = mean(self.buckets.iter().skip(complete - END_BUCKETS).take(END_BUCKETS))?;
        let seconds = last.1.checked_sub(first.1).filter(|twice| *twice > 0)?;
        // `seconds` is twice the distance of the middles, so that half seconds stay whole.
        let per_minute = |nanos: i128| i64::try_from(nanos * 120 / i128::from(seconds)).ok();
        let step_nanos = step_nanos.max(self.smallest.unwrap_or(0));
        Some(Rate { nanos_per_minute: per_minute(last.0 - first.0)?, uncertainty: per_minute(step_nanos.into())? })
    }

    /// The uncertainty of a full window: with readings of this step it never gets smaller.
    pub(crate) fn least_uncertainty(step_nanos: i64) -> i64 {
        let seconds = (MOST_BUCKETS - END_BUCKETS) as i64;
        step_nanos.saturating_mul(60) / seconds
    }

    /// Begins again: what came before was under other conditions.
    pub(crate) fn clear(&mut self) {
        self.buckets.clear();
        self.open = None;
    }
}

/// The mean value of buckets and the sum of their first and last second.
fn mean<'a>(buckets: impl Iterator<Item = &'a (u64, i128, u64)> + Clone) -> Option<(i128, u64)> {
    let (sum, count) = buckets.clone().fold((0_i128, 0_u64), |(s, c), (_, sum, count)| (s + sum, c + count));
    let first = buckets.clone().next()?.0;
    let last = buckets.last()?.0;
    Some((sum.checked_div(i128::from(count))?, first + last))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn feed(per_minute_milli: i64, seconds: u64) -> RateWindow {
        let mut window = RateWindow::default();
        for tick in 0..seconds * 10 {
            let nanos = 25_000_000_000 + per_minute_milli * 1_000_000 * i64::try_from(tick).unwrap() / 600;
            window.push(SessionTime::from_millis(tick * 100), nanos);
        }
        window
    }

    #[test]
    fn a_steady_rise_is_found() {
        for per_minute in [-3000, -300, 0, 300, 5000] {
            let rate = feed(per_minute, 40).rate(100_000_000).expect("enough seconds");
            let expected = per_minute * 1_000_000;
            assert!((rate.nanos_per_minute - expected).abs() <= expected.abs() / 100 + 1000, "{per_minute}: {rate:?}");
        }
    }

    #[test]
    fn too_short_is_no_rate_and_memory_is_bounded() {
        assert_eq!(feed(300, 4).rate(1), None);
        assert!(feed(300, 4000).buckets.len() <= MOST_BUCKETS + 1);
    }

    #[test]
    fn whole_degrees_sent_in_tenths_do_not_look_like_a_fast_rise() {
        let mut window = RateWindow::default();
        for second in 0..10 {
            let degrees = if second < 6 { 25 } else { 26 };
            window.push(SessionTime::from_millis(second * 1000), degrees * 1_000_000_000);
        }
        let rate = window.rate(100_000_000).expect("enough seconds");
        assert!(rate.nanos_per_minute <= rate.uncertainty, "{rate:?}");
    }

    #[test]
    fn extremes_do_not_overflow() {
        let mut window = RateWindow::default();
        for second in 0..200 {
            let nanos = if second % 2 == 0 { i64::MAX } else { i64::MIN };
            window.push(SessionTime::from_millis(second * 1000), nanos);
            window.rate(i64::MAX);
        }
    }

    #[test]
    fn the_uncertainty_shrinks_with_the_window() {
        let short = feed(0, 10).rate(100_000_000).expect("enough").uncertainty;
        let long = feed(0, 60).rate(100_000_000).expect("enough").uncertainty;
        assert!(long * 4 < short, "{short} {long}");
    }
}
