//! What frame counters and device clocks say: frames that were lost, values that are frozen, a device that restarted.

use std::time::Duration;

use model::{Conversion, SessionTime};

/// A counter or a clock that stands still over so many frames is frozen.
const FROZEN_FRAMES: u32 = 5;
/// A clock must stand still for so long as well: many count whole seconds.
const FROZEN_CLOCK: Duration = Duration::from_secs(1);
/// A narrower counter starts again so often that going back and losing frames look the same.
const WIDE_BITS: u8 = 16;
/// A clock may run away from the session's by this much between two frames, and by as long again as they are apart.
const CLOCK_SLACK: Duration = Duration::from_secs(2);

/// The frame counter of one message kind.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Counter {
    last: Option<i128>,
    still: u32,
    /// The number of steps and their sum.
    steps: u64,
    sum: u64,
    /// The largest number that divides every step.
    common: u64,
}

impl Counter {
    /// Takes the next count. Returns whether it went back.
    pub(crate) fn push(&mut self, raw: i128, bits: u8) -> bool {
        let Some(last) = self.last.replace(raw) else { return false };
        let (step, modulus) = step(last, raw, bits);
        if step == 0 {
            self.still = self.still.saturating_add(1);
            return false;
        }
        self.still = 0;
        if WIDE_BITS <= bits && modulus / 2 < step {
            return true;
        }
        let step = u64::try_from(step).unwrap_or(u64::MAX);
        self.steps = self.steps.saturating_add(1);
        self.sum = self.sum.saturating_add(step);
        self.common = greatest_common_divisor(self.common, step);
        false
    }

    pub(crate) fn is_frozen(&self) -> bool {
        FROZEN_FRAMES <= self.still
    }

    /// Frames that are missing. `on_time`: frames come as often as they should, so that steps that are all a multiple of
    /// the same number mean that the counter counts messages of other kinds too, and not that frames are missing.
    pub(crate) fn lost(&self, on_time: bool) -> u64 {
        let step = if on_time { self.common.max(1) } else { 1 };
        (self.sum / step).saturating_sub(self.steps)
    }

    /// What comes next continues nothing: the line was closed in between.
    pub(crate) fn forget(&mut self) {
        (self.last, self.still) = (None, 0);
    }
}

/// One counter for all message kinds together, as far as the counts can be that.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct SharedCounter {
    last: Option<i128>,
    bits: Option<u8>,
    /// Two frames had the same count, or a count went back: each kind has a counter of its own.
    refuted: bool,
    lost: u64,
}

impl SharedCounter {
    pub(crate) fn push(&mut self, raw: i128, bits: u8) {
        if *self.bits.get_or_insert(bits) != bits {
            self.refuted = true;
        }
        let Some(last) = self.last.replace(raw) else { return };
        let (step, modulus) = step(last, raw, bits);
        if step == 0 || modulus / 2 < step {
            self.refuted = true;
        }
        self.lost = self.lost.saturating_add(u64::try_from(step).unwrap_or(u64::MAX).saturating_sub(1));
    }

    /// Frames that are missing if this is one counter; `None` if it is not.
    pub(crate) fn lost(&self) -> Option<u64> {
        (!self.refuted).then_some(self.lost)
    }

    pub(crate) fn forget(&mut self) {
        self.last = None;
    }
}

/// The device's own clock in one message kind.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Clock {
    last: Option<i128>,
    last_at: SessionTime,
    /// When it last moved.
    moved_at: SessionTime,
    still: u32,
    frozen: bool,
    /// The last step that was not zero, and by how much time it moves the clock, in billionths; `None` where it has none.
    usual: Option<(i128, Option<u128>)>,
}

impl Clock {
    /// Takes the next reading. Returns whether the clock jumped against the session's.
    pub(crate) fn push(&mut self, at: SessionTime, raw: i128, bits: u8, scale: &Conversion) -> bool {
        let since = at.since(std::mem::replace(&mut self.last_at, at));
        let Some(last) = self.last.replace(raw) else {
            self.moved_at = at;
            return false;
        };
        let (step, _) = step(last, raw, bits);
        if step == 0 {
            self.still = self.still.saturating_add(1);
            let tick = Duration::from_nanos(scale.resolution().unsigned_abs());
            let patience = FROZEN_CLOCK.max(tick.saturating_mul(3));
            self.frozen = FROZEN_FRAMES <= self.still && patience < at.since(self.moved_at);
            return false;
        }
        (self.still, self.frozen, self.moved_at) = (0, false, at);
        let moved = match self.usual {
            Some((usual, moved)) if usual == step => moved,
            _ => {
                let nanos = |raw| scale.nanos(raw).map(i128::from);
                nanos(step).zip(nanos(0)).map(|(moved, zero)| (moved - zero).unsigned_abs())
            }
        };
        self.usual = Some((step, moved));
        let Some(moved) = moved else { return true };
        if moved <= CLOCK_SLACK.as_nanos() {
            return false;
        }
        let allowed = since.saturating_mul(2).saturating_add(CLOCK_SLACK).as_nanos();
        allowed < moved
    }

    pub(crate) fn is_frozen(&self) -> bool {
        self.frozen
    }

    pub(crate) fn forget(&mut self) {
        *self = Self::default();
    }
}

/// From one number to the next, and after how many it starts again.
fn step(last: i128, raw: i128, bits: u8) -> (i128, i128) {
    let modulus = 1_i128 << u32::from(bits.clamp(1, 64));
    // The modulus is a power of two: the remainder is the low bits, whatever the sign.
    (raw.wrapping_sub(last) & (modulus - 1), modulus)
}

fn greatest_common_divisor(mut a: u64, mut b: u64) -> u64 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

#[cfg(test)]
mod tests {
    use super::*;

    fn counter(counts: impl IntoIterator<Item = i128>, bits: u8) -> (Counter, usize) {
        let mut counter = Counter::default();
        let back = counts.into_iter().filter(|count| counter.push(*count, bits)).count();
        (counter, back)
    }

    #[test]
    fn steps_beyond_one_are_lost_frames() {
        assert_eq!(counter([1, 2, 3, 6, 7], 8).0.lost(true), 2);
        assert_eq!(counter([254, 255, 0, 1], 8).0.lost(true), 0, "it starts again");
        assert_eq!(counter([1, 2, 3, 3, 3, 4], 8).0.lost(true), 0);
        assert_eq!(
            counter([i128::MIN, i128::MAX, 0], 64).0.lost(true),
            counter([0, u64::MAX.into(), 0], 64).0.lost(true)
        );
    }

    #[test]
    fn equal_steps_on_time_are_a_counter_of_other_messages_too() {
        let three = || (0..20).map(|index| index * 3);
        assert_eq!(counter(three(), 8).0.lost(true), 0);
        assert_eq!(counter(three(), 8).0.lost(false), 38, "late, so they are missing");
        assert_eq!(counter(three().filter(|count| *count != 30), 8).0.lost(true), 1);
    }

    #[test]
    fn a_wide_counter_that_goes_back_is_no_loss() {
        let (wide, back) = counter([60_000, 60_001, 0, 1], 32);
        assert_eq!((wide.lost(true), back), (0, 1));
        let (narrow, back) = counter([200, 201, 0, 1], 8);
        assert_eq!((narrow.lost(true), back), (54, 0), "it may as well be a loss");
    }

    #[test]
    fn five_equal_counts_after_the_first_are_frozen() {
        assert!(!counter([7, 7, 7, 7, 7], 8).0.is_frozen());
        assert!(counter([7, 7, 7, 7, 7, 7], 8).0.is_frozen());
        assert!(!counter([7, 7, 7, 7, 7, 7, 8], 8).0.is_frozen());
    }

    #[test]
    fn one_counter_for_all_kinds_is_known_by_its_steps() {
        let shared = |counts: &[i128]| {
            let mut shared = SharedCounter::default();
            counts.iter().for_each(|count| shared.push(*count, 8));
            shared.lost()
        };
        assert_eq!(shared(&[1, 2, 3, 4, 5]), Some(0));
        assert_eq!(shared(&[1, 2, 4, 5]), Some(1));
        assert_eq!(shared(&[1, 1, 2, 2]), None, "each kind counts for itself");
        assert_eq!(shared(&[1, 200, 2, 201]), None);
        let mut widths = SharedCounter::default();
        widths.push(1, 8);
        widths.push(2, 16);
        assert_eq!(widths.lost(), None);
    }

    #[test]
    fn a_clock_in_whole_seconds_is_not_frozen_and_a_jump_is_seen() {
        let seconds = Conversion::Linear(model::Scale::of_unit(model::Unit::parse("s").unwrap()));
        let mut clock = Clock::default();
        for frame in 0..200_u64 {
            let second = i128::from(frame / 20);
            assert!(!clock.push(SessionTime::from_millis(frame * 50), 65_530 + second, 16, &seconds));
            assert!(!clock.is_frozen(), "{frame}");
        }
        assert!(clock.push(SessionTime::from_millis(10_050), 0, 16, &seconds), "it restarted");
        let mut stuck = Clock::default();
        for frame in 0..=60_u64 {
            stuck.push(SessionTime::from_millis(frame * 50), 9, 16, &seconds);
        }
        assert!(!stuck.is_frozen(), "three of its own steps are allowed");
        stuck.push(SessionTime::from_millis(3050), 9, 16, &seconds);
        assert!(stuck.is_frozen());
    }
}
