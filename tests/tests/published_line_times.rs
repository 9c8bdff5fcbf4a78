//! Times on a serial line against worked-out values.
//!
//! An asynchronous byte is a start bit, its data, an optional parity bit and its stop bits (common practice, no source).
//! The decimal values were run with other software and are rounded to the digits shown.

use model::{DataBits, LineSettings, Parity, StopBits};

const fn line(baud: u32) -> LineSettings {
    LineSettings::new(baud)
}

const fn even(baud: u32) -> LineSettings {
    LineSettings { parity: Parity::Even, ..line(baud) }
}

const fn two_stops(baud: u32) -> LineSettings {
    LineSettings { stop_bits: StopBits::Two, ..line(baud) }
}

/// `found` agrees with `published` to all of its `decimals`; times are cut to whole nanoseconds.
#[track_caller]
fn check(found: f64, published: f64, decimals: i32) {
    let half_step = 0.5 * 10f64.powi(-decimals);
    assert!((found - published).abs() <= half_step * 1.000_001, "{found} is not {published} to {decimals} decimals");
}

#[test]
fn bits_per_byte() {
    let seven = |settings: LineSettings| LineSettings { data_bits: DataBits::Seven, ..settings };
    let odd = LineSettings { parity: Parity::Odd, ..line(9600) };
    for (settings, name, bits) in [
        (line(9600), "9600 8N1", 10),
        (even(9600), "9600 8E1", 11),
        (odd, "9600 8O1", 11),
        (two_stops(9600), "9600 8N2", 11),
        (seven(even(9600)), "9600 7E1", 10),
        (seven(line(9600)), "9600 7N1", 9),
        (LineSettings { parity: Parity::Even, ..two_stops(9600) }, "9600 8E2", 12),
    ] {
        assert_eq!(settings.bits_per_byte(), bits, "{name}");
        assert_eq!(settings.to_string(), name);
    }
}

#[test]
fn time_of_a_byte() {
    for (settings, micros) in [
        (line(9600), 1041.667),
        (line(57_600), 173.611),
        (line(115_200), 86.806),
        (line(230_400), 43.403),
        (line(460_800), 21.701),
        (line(921_600), 10.851),
        (even(115_200), 95.486),
        (two_stops(115_200), 95.486),
    ] {
        // Many bytes, so that the cut to a nanosecond does not show.
        check(settings.time_of(1000).as_secs_f64() * 1e3, micros, 3);
        let one = settings.time_of(1).as_nanos() as f64 / 1e3;
        assert!(micros - 0.0015 < one && one < micros + 0.0005, "{settings}: {one} us");
    }
    assert_eq!(line(115_200).time_of(11_520).as_nanos(), 1_000_000_000);
}

#[test]
fn frames_a_second_at_115200_8n1() {
    for (bytes, frames) in
        [(44, 261.82), (57, 202.11), (66, 174.55), (43, 267.91), (37, 311.35), (48, 240.00), (8, 1440.00)]
    {
        check(1.0 / line(115_200).time_of(bytes).as_secs_f64(), frames, 2);
    }
    check(line(115_200).time_of(57).as_secs_f64() * 1e3, 4.9479, 4);
}

/// Ten frames of 57 and of 43 bytes and one of 21 each second.
#[test]
fn load_of_a_line() {
    let bytes = 10 * (57 + 43) + 21;
    check(line(115_200).time_of(bytes).as_secs_f64() * 100.0, 8.86, 2);
    check(line(57_600).time_of(bytes).as_secs_f64() * 100.0, 17.73, 2);
}

/// Modbus over serial line V1.02, 2.5.1.1, page 13 (read in a transcription): characters of 11 bits, silence of 3.5
/// characters between frames and at most 1.5 within one.
#[test]
fn modbus_exchange_at_9600_8e1() {
    let millis = |bytes| even(9600).time_of(bytes).as_secs_f64() * 1e3;
    check(millis(8), 9.167, 3);
    check(millis(37), 42.396, 3);
    check(millis(7) / 2.0, 4.0104, 4);
    check(millis(3) / 2.0, 1.7188, 4);
    check(even(19_200).time_of(7).as_secs_f64() * 1e3 / 2.0, 2.0052, 4);
    check(even(19_200).time_of(3).as_secs_f64() * 1e3 / 2.0, 0.8594, 4);
}

#[test]
fn no_bit_rate_and_endless_bytes_do_no_harm() {
    assert!(line(0).time_of(100).is_zero());
    assert!(line(115_200).time_of(0).is_zero());
    assert_eq!(line(1).time_of(u64::MAX).as_nanos(), u128::from(u64::MAX));
}
