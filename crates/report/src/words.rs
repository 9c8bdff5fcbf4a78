//! Numbers and times as a person reads them.

use model::{Dimension, SessionTime, format_nanos_exact};
use rules::Outcome;

/// `12.350 s`, to the millisecond and never later than it was.
pub(crate) fn seconds(at: SessionTime) -> String {
    format!("{at:.3} s")
}

/// `1 h 2 min 3 s`, `42.0 s`.
pub(crate) fn length(end: SessionTime) -> String {
    let tenths = end.nanos / 100_000_000;
    let (minutes, rest) = (tenths / 600, tenths % 600);
    match minutes {
        0..2 => format!("{}.{} s", tenths / 10, tenths % 10),
        2..60 => format!("{minutes} min {} s", rest / 10),
        _ => format!("{} h {} min {} s", minutes / 60, minutes % 60, rest / 10),
    }
}

/// `2026-11-26 06:01:49 UTC`: days by the civil calendar that goes on for ever in both directions.
pub fn utc(nanos: i64) -> String {
    let seconds = nanos.div_euclid(1_000_000_000);
    let (days, of_day) = (seconds.div_euclid(86_400), seconds.rem_euclid(86_400));
    // Years begin in March, so that a leap day is a year's last.
    let days = days + 719_468;
    let (era, of_era) = (days.div_euclid(146_097), days.rem_euclid(146_097));
    let year = (of_era - of_era / 1_460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year + year / 4 - year / 100);
    let month = (5 * of_year + 2) / 153;
    let day = of_year - (153 * month + 2) / 5 + 1;
    let month = if month < 10 { month + 3 } else { month - 9 };
    let year = year + era * 400 + i64::from(month <= 2);
    format!("{year:04}-{month:02}-{day:02} {:02}:{:02}:{:02} UTC", of_day / 3_600, of_day / 60 % 60, of_day % 60)
}

/// A value as sent, with so many decimals at least, and its unit.
pub(crate) fn amount(dimension: Dimension, nanos: i64) -> String {
    let decimals = match dimension {
        Dimension::Voltage => 3,
        Dimension::Temperature | Dimension::Current => 1,
        _ => 0,
    };
    format!("{} {}", format_nanos_exact(nanos, decimals), dimension.base_unit()).trim_end().to_owned()
}

/// A value and its uncertainty with the same decimals: of the uncertainty two digits.
pub(crate) fn with_uncertainty(value: f64, uncertainty: f64) -> (String, String) {
    let decimals = decimals_for(uncertainty);
    (fixed(value, decimals), format!("{uncertainty:.decimals$}"))
}

/// How many decimals show two digits of this.
pub(crate) fn decimals_for(uncertainty: f64) -> usize {
    let (mut decimals, mut step) = (0, uncertainty.abs());
    while step < 9.95 && decimals < 6 {
        (step, decimals) = (step * 10.0, decimals + 1);
    }
    decimals
}

/// So many decimals, and no minus before zero.
pub(crate) fn fixed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    let nothing = !text.contains(|letter: char| ('1'..='9').contains(&letter));
    if nothing { text.trim_start_matches('-').to_owned() } else { text }
}

/// The answer in capitals, as it stands above everything.
pub(crate) fn headline(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Go => "GO for the next step, and no further",
        Outcome::NoGo => "NO-GO",
        Outcome::CannotTell => "CANNOT TELL",
    }
}

/// `1 cell`, `24 cells`.
pub(crate) fn counted(count: u64, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_of_the_civil_calendar() {
        // Seconds of well-known moments (POSIX time, from memory): the epoch, the billennium, a leap day, the end of 32 bits.
        for (seconds, text) in [
            (0, "1970-01-01 00:00:00 UTC"),
            (1_000_000_000, "2001-09-09 01:46:40 UTC"),
            (1_709_164_800, "2024-02-29 00:00:00 UTC"),
            (2_147_483_647, "2038-01-19 03:14:07 UTC"),
            (-1, "1969-12-31 23:59:59 UTC"),
        ] {
            assert_eq!(utc(seconds * 1_000_000_000), text);
        }
    }

    #[test]
    fn two_digits_of_the_uncertainty() {
        assert_eq!(with_uncertainty(1.2345, 0.0321), ("1.234".to_owned(), "0.032".to_owned()));
        assert_eq!(with_uncertainty(-0.0004, 0.12), ("0.00".to_owned(), "0.12".to_owned()));
        assert_eq!(with_uncertainty(123.4, 15.0), ("123".to_owned(), "15".to_owned()));
        assert_eq!(length(SessionTime::from_millis(42_050)), "42.0 s");
        assert_eq!(length(SessionTime::from_millis(3_723_000)), "1 h 2 min 3 s");
    }
}
