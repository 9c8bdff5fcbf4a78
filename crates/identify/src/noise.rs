//! Bytes in which nothing is found: what they look like, and what to try.

use crate::Report;
use crate::Sureness;
use crate::capture::Capture;
use crate::report::Finding;

/// Fewer bytes are not looked at.
const LEAST: usize = 48;

/// What no search can help: too few bytes, or the same all the time.
pub(crate) fn hopeless(capture: &Capture) -> Option<Report> {
    let bytes = capture.bytes();
    if bytes.len() < LEAST {
        let text = format!("{} bytes are too few to see a frame come again", bytes.len());
        let hint = "capture some seconds; if nothing comes, look at wiring, ground and the BMS's sleep";
        return Some(Report::nothing(capture, Finding::new(Sureness::Sure, text, ""), hint));
    }
    let first = bytes.first()?;
    if bytes.iter().all(|byte| byte == first) {
        let text = format!("all {} bytes are {first:02X}", bytes.len());
        let evidence = match first {
            0x00 => "a line that is held low, or a break, reads as zeros",
            0xFF => "a line that floats, or is read at far too high a rate, reads as FF",
            _ => "the same byte again and again says nothing",
        };
        let hint = "check the wiring (receive to transmit, common ground, inverted level) and try another rate";
        return Some(Report::nothing(capture, Finding::new(Sureness::Sure, text, evidence), hint));
    }
    None
}

/// What bytes without frames look like.
pub(crate) fn nothing_found(capture: &Capture) -> Report {
    let bytes = capture.bytes();
    let mut counts = [0_usize; 256];
    for byte in bytes {
        if let Some(count) = counts.get_mut(usize::from(*byte)) {
            *count += 1;
        }
    }
    let total = bytes.len() as f64;
    let bits: f64 = counts
        .iter()
        .filter(|count| 0 < **count)
        .map(|count| {
            let share = *count as f64 / total;
            -share * share.log2()
        })
        .sum();
    if crate::text::is_text(bytes) {
        let text = "this is text, but no lines with numbers in the same columns were found".to_owned();
        let hint = "if the BMS prints words at its start, capture longer; if it must be asked, capture its answers";
        return Report::nothing(capture, Finding::new(Sureness::Likely, text, ""), hint);
    }
    if 0 < capture.wrong_stop_bits() {
        let text = "the rate of the line is wrong, or its level is inverted".to_owned();
        let evidence = format!("{} bytes came without a right stop bit", capture.wrong_stop_bits());
        let hint = "try other rates: 9600, 19200, 38400, 57600, 115200, 230400";
        return Report::nothing(capture, Finding::new(Sureness::Likely, text, &evidence), hint);
    }
    // Bits that are read several times each come in long runs.
    let runs: usize = bytes.iter().filter(|byte| (**byte ^ (**byte >> 1)).count_ones() <= 2).count();
    let shared = runs as f64 / total;
    let (sureness, text, evidence) = if 0.55 < shared {
        (
            Sureness::Guess,
            "the line may be slower than the rate it was read at",
            format!(
                "in {:.0} % of the bytes neighbouring bits are alike, as if each were read several times",
                shared * 100.0
            ),
        )
    } else if 7.9 * (total / 2048.0).min(1.0) < bits && 2048 <= bytes.len() {
        (
            Sureness::Likely,
            "this looks like noise, like a wrong rate, or like bytes that are compressed or encrypted",
            format!("{bits:.2} of 8 bits of information in each byte"),
        )
    } else {
        (
            Sureness::Guess,
            "bytes recur, but no shape of frame explains more than half of them",
            format!("{bits:.2} of 8 bits of information in each byte"),
        )
    };
    let hint = "capture longer (a minute), try other rates (9600, 19200, 38400, 57600, 115200), or ask the BMS if it only answers";
    Report::nothing(capture, Finding::new(sureness, text.to_owned(), &evidence), hint)
}
