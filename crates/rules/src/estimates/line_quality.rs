//! How sound the line is, and whether damage comes with the bus voltage or the current.

use std::time::Duration;

use model::SessionTime;

use super::distributions::fisher_exact;

/// Fewer frames than this on a side compare nothing. Common practice, no source.
const LEAST_FRAMES: u64 = 300;
/// Chance alone in fewer cases than this is no chance. Common practice, no source.
const SIGNIFICANT: f64 = 0.01;
/// The rate is over so many whole seconds.
const SECONDS: usize = 10;

/// Whether damage comes with a condition (bus on, load on).
///
/// The test takes every piece of damage for itself: damage that comes in bursts, after a reconnection or while the host
/// was too slow, must be left out or counted once.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Comparison {
    /// Sound and damaged frames with the condition.
    pub with: (u64, u64),
    /// Sound and damaged frames without it.
    pub without: (u64, u64),
    /// How likely at least so much damage with the condition is by chance (Fisher's exact test, one-sided).
    pub p_value: f64,
}

impl Comparison {
    /// More damage with the condition than chance explains: p below 0.01. Common practice, no source.
    pub fn is_significant(&self) -> bool {
        self.p_value < SIGNIFICANT
    }
}

/// Why nothing can be compared: fewer than 300 frames on a side.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct TooFewFrames {
    /// Frames with the condition.
    pub with: u64,
    /// Frames without it.
    pub without: u64,
}

/// Sound and damaged frames.
type Counts = (u64, u64);

/// Counts frames, damage and gaps.
#[derive(Clone, Debug, Default)]
pub struct LineQuality {
    all: Counts,
    /// Without and with the bus on, the load on.
    bus: [Counts; 2],
    load: [Counts; 2],
    /// Sound frames in each of the last whole seconds, and in which second each was counted.
    seconds: [(u64, u32); SECONDS + 1],
    first: Option<SessionTime>,
    last: Option<SessionTime>,
    longest_gap: Option<(SessionTime, Duration)>,
}

impl LineQuality {
    /// A sound frame, or a piece of damage; whether the bus was on and a load was on, `None` where that is not known.
    pub fn frame(&mut self, at: SessionTime, sound: bool, bus_on: Option<bool>, load_on: Option<bool>) {
        count(&mut self.all, sound);
        for (counts, on) in [(&mut self.bus, bus_on), (&mut self.load, load_on)] {
            if let Some(counts) = on.and_then(|on| counts.get_mut(usize::from(on))) {
                count(counts, sound);
            }
        }
        if sound {
            self.count_second(at);
            self.measure_gap(at);
        }
    }

    fn count_second(&mut self, at: SessionTime) {
        let second = whole_seconds(at);
        if let Some(slot) = self.seconds.get_mut((second % (SECONDS as u64 + 1)) as usize) {
            if slot.0 != second {
                *slot = (second, 0);
            }
            slot.1 = slot.1.saturating_add(1);
        }
    }

    fn measure_gap(&mut self, at: SessionTime) {
        self.first.get_or_insert(at);
        let last = self.last.replace(at).unwrap_or(at);
        let gap = at.since(last);
        if self.longest_gap.map_or(Duration::ZERO, |(_, longest)| longest) < gap {
            self.longest_gap = Some((last, gap));
        }
    }

    /// Damaged of all, 0 to 1; `None` of no frames.
    pub fn error_ratio(&self) -> Option<f64> {
        let all = self.all.0.saturating_add(self.all.1);
        (0 < all).then(|| self.all.1 as f64 / all as f64)
    }

    /// Sound frames and damage.
    pub fn counts(&self) -> (u64, u64) {
        self.all
    }

    /// Sound frames a second over the last ten whole seconds; `None` until there was a whole second since the first.
    pub fn rate(&self, now: SessionTime) -> Option<f64> {
        let (first, now) = (whole_seconds(self.first?), whole_seconds(now));
        // The second of the first frame is not whole.
        let from = now.saturating_sub(SECONDS as u64).max(first + 1);
        let whole = now.checked_sub(from).filter(|whole| 0 < *whole)?;
        let inside = self.seconds.iter().filter(|(second, _)| (from..now).contains(second));
        let frames: u64 = inside.map(|(_, frames)| u64::from(*frames)).sum();
        Some(frames as f64 / whole as f64)
    }

    /// The longest time between two sound frames, and when it began.
    pub fn longest_gap(&self) -> Option<(SessionTime, Duration)> {
        self.longest_gap
    }

    /// Whether damage comes with the bus voltage.
    pub fn follows_bus(&self) -> Result<Comparison, TooFewFrames> {
        compare(self.bus)
    }

    /// Whether damage comes with the load.
    pub fn follows_load(&self) -> Result<Comparison, TooFewFrames> {
        compare(self.load)
    }
}

fn count(counts: &mut Counts, sound: bool) {
    let place = if sound { &mut counts.0 } else { &mut counts.1 };
    *place = place.saturating_add(1);
}

fn compare([without, with]: [Counts; 2]) -> Result<Comparison, TooFewFrames> {
    let all = |counts: Counts| counts.0.saturating_add(counts.1);
    if all(with).min(all(without)) < LEAST_FRAMES {
        return Err(TooFewFrames { with: all(with), without: all(without) });
    }
    let p_value = fisher_exact((with.1, with.0), (without.1, without.0));
    Ok(Comparison { with, without, p_value })
}

fn whole_seconds(at: SessionTime) -> u64 {
    at.nanos / 1_000_000_000
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A minute of 20 frames a second, the second half with the bus on; every `off`th and `on`th of them damaged.
    fn run(off: u64, on: u64) -> LineQuality {
        let mut quality = LineQuality::default();
        for frame in 0..1200 {
            let bus = 600 <= frame;
            let damaged = frame % if bus { on } else { off } == 0;
            quality.frame(SessionTime::from_millis(frame * 50), !damaged, Some(bus), None);
        }
        quality
    }

    #[test]
    fn damage_that_comes_with_the_bus_is_found() {
        let found = run(600, 30).follows_bus().unwrap();
        assert_eq!((found.with, found.without), ((580, 20), (599, 1)));
        assert!(found.is_significant(), "{found:?}");
        assert!(!run(30, 30).follows_bus().unwrap().is_significant());
        assert!(!run(30, 600).follows_bus().unwrap().is_significant(), "less is not more");
        assert_eq!(run(30, 30).follows_load(), Err(TooFewFrames { with: 0, without: 0 }));
    }

    #[test]
    fn rate_and_gaps() {
        let mut quality = run(600, 100);
        assert_eq!(LineQuality::default().rate(SessionTime::ZERO), None);
        assert_eq!(LineQuality::default().error_ratio(), None);
        let rate = quality.rate(SessionTime::from_millis(60_000)).unwrap();
        assert!((19.5..=20.0).contains(&rate), "{rate}");
        quality.frame(SessionTime::from_millis(65_500), true, None, None);
        assert_eq!(quality.longest_gap().unwrap().1, Duration::from_millis(5_550));
        assert_eq!(quality.counts().0 + quality.counts().1, 1201);
        let later = quality.rate(SessionTime::from_millis(100_000)).unwrap();
        assert!(later.abs() < 1e-12, "{later}");
        quality.frame(SessionTime::from_millis(10), true, None, None);
        assert_eq!(quality.longest_gap().unwrap().1, Duration::from_millis(5_550), "the clock went back");
    }
}
