//! The one clock of a session.

use std::fmt;
use std::time::Duration;

/// The fixed step of session time at which delays and deadlines are looked at.
pub const TICK: Duration = Duration::from_millis(50);

/// Time since this session began, from the host's monotonic clock, in whole nanoseconds.
///
/// It is stamped once, when bytes are read, and never compared with a device's own time or with wall time.
/// The range is about 584 years; arithmetic saturates.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default)]
pub struct SessionTime {
    /// Nanoseconds since the session began.
    pub nanos: u64,
}

impl SessionTime {
    /// The beginning of the session.
    pub const ZERO: Self = Self { nanos: 0 };

    /// A time from nanoseconds.
    pub const fn from_nanos(nanos: u64) -> Self {
        Self { nanos }
    }

    /// A time from milliseconds; saturates.
    pub const fn from_millis(millis: u64) -> Self {
        Self { nanos: millis.saturating_mul(1_000_000) }
    }

    /// A time from a length since the beginning; saturates.
    pub fn from_duration(since_start: Duration) -> Self {
        Self { nanos: u64::try_from(since_start.as_nanos()).unwrap_or(u64::MAX) }
    }

    /// The length from `earlier` to this time; zero if `earlier` is later.
    pub fn since(self, earlier: Self) -> Duration {
        Duration::from_nanos(self.nanos.saturating_sub(earlier.nanos))
    }

    /// The first tick strictly after this time.
    pub fn next_tick(self) -> Self {
        let step = TICK.as_nanos() as u64;
        Self { nanos: (self.nanos / step).saturating_add(1).saturating_mul(step) }
    }
}

impl std::ops::Add<Duration> for SessionTime {
    type Output = Self;

    fn add(self, length: Duration) -> Self {
        Self { nanos: self.nanos.saturating_add(Self::from_duration(length).nanos) }
    }
}

/// Prints seconds from the integer nanoseconds, at least three decimals, no rounding: `12.350`, `12.3500001`.
/// With a precision, as in `{:.3}`, so many decimals, cut and not rounded: a time never reads later than it is.
impl fmt::Display for SessionTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (seconds, rest) = (self.nanos / 1_000_000_000, self.nanos % 1_000_000_000);
        let digits = format!("{rest:09}");
        let kept = f.precision().map_or(digits.trim_end_matches('0').len().max(3), |decimals| decimals.clamp(1, 9));
        write!(f, "{seconds}.{}", digits.get(..kept).unwrap_or(&digits))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn seconds_come_from_the_integer() {
        assert_eq!(SessionTime::from_nanos(0).to_string(), "0.000");
        assert_eq!(SessionTime::from_nanos(12_350_000_000).to_string(), "12.350");
        assert_eq!(SessionTime::from_nanos(12_350_000_100).to_string(), "12.3500001");
        assert_eq!(format!("{:.3}", SessionTime::from_nanos(12_350_999_999)), "12.350");
    }

    #[test]
    fn the_next_tick_is_strictly_later() {
        assert_eq!(SessionTime::ZERO.next_tick(), SessionTime::from_millis(50));
        assert_eq!(SessionTime::from_millis(50).next_tick(), SessionTime::from_millis(100));
        assert_eq!(SessionTime::from_nanos(49_999_999).next_tick(), SessionTime::from_millis(50));
    }
}
