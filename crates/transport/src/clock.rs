//! The session clock, and its comparison with the host's wall clock.
#![expect(clippy::disallowed_methods, reason = "this is the one module of the crate that reads a clock")]

use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use model::SessionTime;

/// A change of the wall clock against the session clock from one look to the next that counts as a step.
///
/// A clock that is merely corrected runs fast or slow by far less in a second (at most 500 ppm by the usual means;
/// common practice, no source).
pub const CLOCK_STEP_THRESHOLD: Duration = Duration::from_millis(500);

/// The one clock of a session: the host's monotonic clock, from the moment the session began.
///
/// On Linux it stands still while the machine sleeps; that shows as a step of the wall clock.
#[derive(Clone, Copy, Debug)]
pub struct SessionClock {
    began: Instant,
}

impl SessionClock {
    /// Begins a session now.
    pub fn start() -> Self {
        Self { began: Instant::now() }
    }

    /// The time since the session began.
    pub fn now(&self) -> SessionTime {
        SessionTime::from_duration(self.began.elapsed())
    }

    /// Reads both clocks as nearly at once as the host allows.
    pub fn reading(&self) -> ClockReading {
        let mut reading = self.read_once();
        // If this thread was put aside between the two looks, the pair would show a step that never was.
        for _ in 0..3 {
            if reading.1 < Duration::from_millis(1) {
                break;
            }
            reading = self.read_once();
        }
        reading.0
    }

    fn read_once(&self) -> (ClockReading, Duration) {
        let before = self.now();
        let wall_nanos = wall_nanos(SystemTime::now());
        let after = self.now();
        (ClockReading { session: after, wall_nanos }, after.since(before))
    }
}

/// Both clocks at one moment.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ClockReading {
    /// The session clock.
    pub session: SessionTime,
    /// The host's wall clock, nanoseconds since 1970 UTC; saturates about the years 1677 and 2262.
    pub wall_nanos: i64,
}

impl ClockReading {
    /// The wall time of session time zero, nanoseconds since 1970 UTC, as this reading has it; saturates.
    pub fn session_began_utc_nanos(&self) -> i64 {
        self.wall_nanos.saturating_sub(i64::try_from(self.session.nanos).unwrap_or(i64::MAX))
    }
}

/// By how many nanoseconds the wall clock jumped against the session clock between two readings, forward positive.
///
/// `None` if the difference is at most [`CLOCK_STEP_THRESHOLD`].
/// Only the two readings count: a slow drift never adds up to a step.
///
/// ```
/// use model::SessionTime;
/// use transport::{ClockReading, clock_step};
///
/// let before = ClockReading { session: SessionTime::from_millis(1_000), wall_nanos: 50_000_000_000 };
/// let asleep = ClockReading { session: SessionTime::from_millis(2_000), wall_nanos: 81_000_000_000 };
/// assert_eq!(clock_step(before, asleep), Some(30_000_000_000));
/// ```
pub fn clock_step(previous: ClockReading, now: ClockReading) -> Option<i64> {
    let wall = i128::from(now.wall_nanos) - i128::from(previous.wall_nanos);
    let session = i128::from(now.session.nanos) - i128::from(previous.session.nanos);
    let step = wall - session;
    if step.unsigned_abs() <= CLOCK_STEP_THRESHOLD.as_nanos() {
        return None;
    }
    Some(i64::try_from(step).unwrap_or(if step < 0 { i64::MIN } else { i64::MAX }))
}

fn wall_nanos(time: SystemTime) -> i64 {
    match time.duration_since(UNIX_EPOCH) {
        Ok(since) => i64::try_from(since.as_nanos()).unwrap_or(i64::MAX),
        Err(before) => i64::try_from(before.duration().as_nanos()).map_or(i64::MIN, |nanos| -nanos),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(session_ms: u64, wall_ms: i64) -> ClockReading {
        ClockReading { session: SessionTime::from_millis(session_ms), wall_nanos: wall_ms * 1_000_000 }
    }

    #[test]
    fn a_step_is_more_than_half_a_second_either_way() {
        let cases = [
            ((0, 0), (1_000, 1_000), None),
            ((0, 0), (1_000, 1_500), None),
            ((0, 0), (1_000, 1_501), Some(501)),
            ((0, 0), (1_000, 500), None),
            ((0, 0), (1_000, 499), Some(-501)),
            // A laptop that slept for an hour: the session clock stood still.
            ((5_000, 100_000), (6_000, 3_701_000), Some(3_600_000)),
            // The clock was set back by a day.
            ((5_000, 100_000_000), (6_000, 13_601_000), Some(-86_400_000)),
            // The other way round: this process was held for 10 s, both clocks went on.
            ((5_000, 100_000), (15_000, 110_000), None),
        ];
        for (before, now, expected_ms) in cases {
            let got = clock_step(reading(before.0, before.1), reading(now.0, now.1));
            assert_eq!(got, expected_ms.map(|ms: i64| ms * 1_000_000), "{before:?} {now:?}");
        }
    }

    #[test]
    fn extremes_saturate() {
        let least = ClockReading { session: SessionTime::from_nanos(u64::MAX), wall_nanos: i64::MIN };
        let most = ClockReading { session: SessionTime::ZERO, wall_nanos: i64::MAX };
        assert_eq!(clock_step(least, most), Some(i64::MAX));
        assert_eq!(clock_step(most, least), Some(i64::MIN));
        assert_eq!(least.session_began_utc_nanos(), i64::MIN);
    }

    #[test]
    fn wall_time_before_1970_is_negative() {
        assert_eq!(wall_nanos(UNIX_EPOCH + Duration::from_secs(2)), 2_000_000_000);
        assert_eq!(wall_nanos(UNIX_EPOCH - Duration::from_secs(2)), -2_000_000_000);
    }

    #[test]
    fn the_clock_goes_on_and_both_readings_agree_on_the_beginning() {
        let clock = SessionClock::start();
        let first = clock.reading();
        std::thread::sleep(Duration::from_millis(5));
        let second = clock.reading();
        assert!(Duration::from_millis(5) <= second.session.since(first.session));
        let drift = second.session_began_utc_nanos() - first.session_began_utc_nanos();
        assert!(drift.abs() < 50_000_000, "{drift} ns");
        assert_eq!(clock_step(first, second), None);
    }
}
