//! The two sounds of the program, made here: no file is shipped and no library is needed.
//!
//! What kind of sound means what is after the acoustic codes of IEC 60073 (from memory): sweeping sounds and bursts are
//! danger, segments of constant pitch are caution. Pitches, lengths and loudness are our own choice.

use std::f64::consts::TAU;

/// Samples a second.
const RATE: u32 = 22_050;
/// Of the largest value that fits.
const LOUDNESS: f64 = 0.7;
/// A segment rises and falls over this long, so that it does not click.
const EDGE_SECONDS: f64 = 0.008;

/// A sound with a meaning.
#[derive(Clone, Copy, PartialEq, Eq, Debug, PartialOrd, Ord)]
pub enum Tone {
    /// Two segments of constant pitch, once: look at the screen.
    Warning,
    /// Three sweeps upwards, again and again: act now.
    Critical,
}

/// A stretch with a pitch that moves evenly; a pitch of zero is silence.
struct Segment {
    seconds: f64,
    from_hertz: f64,
    to_hertz: f64,
}

const fn segment(seconds: f64, from_hertz: f64, to_hertz: f64) -> Segment {
    Segment { seconds, from_hertz, to_hertz }
}

const PAUSE: Segment = segment(0.08, 0.0, 0.0);
const WARNING: [Segment; 3] = [segment(0.22, 660.0, 660.0), PAUSE, segment(0.22, 660.0, 660.0)];
const SWEEP: Segment = segment(0.26, 600.0, 1500.0);
const CRITICAL: [Segment; 5] = [SWEEP, PAUSE, SWEEP, PAUSE, SWEEP];

impl Tone {
    /// The sound as a WAV file: one channel, 16 bits.
    pub fn wav(self) -> Vec<u8> {
        let segments: &[Segment] = match self {
            Self::Warning => &WARNING,
            Self::Critical => &CRITICAL,
        };
        let samples: Vec<i16> = segments.iter().flat_map(samples).collect();
        file(&samples)
    }
}

fn samples(segment: &Segment) -> impl Iterator<Item = i16> + '_ {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a fraction of a second, above zero")]
    let count = (segment.seconds * f64::from(RATE)) as u32;
    (0..count).map(|index| {
        let at = f64::from(index) / f64::from(RATE);
        // The phase is the integral of a pitch that moves evenly.
        let slope = (segment.to_hertz - segment.from_hertz) / segment.seconds;
        let phase = TAU * (segment.from_hertz * at + slope * at * at / 2.0);
        let edge = (at.min(segment.seconds - at) / EDGE_SECONDS).clamp(0.0, 1.0);
        #[expect(clippy::cast_possible_truncation, reason = "within the range of 16 bits")]
        let sample = (phase.sin() * edge * LOUDNESS * f64::from(i16::MAX)) as i16;
        sample
    })
}

/// RIFF WAVE with one format and one data chunk (multimedia programming interface 1.0, 1991; from memory).
fn file(samples: &[i16]) -> Vec<u8> {
    let data = u32::try_from(samples.len() * 2).unwrap_or(u32::MAX);
    let mut file = Vec::with_capacity(44 + samples.len() * 2);
    file.extend_from_slice(b"RIFF");
    file.extend_from_slice(&(36 + data).to_le_bytes());
    file.extend_from_slice(b"WAVEfmt ");
    file.extend_from_slice(&16_u32.to_le_bytes());
    // Plain samples, one channel.
    file.extend_from_slice(&[1, 0, 1, 0]);
    file.extend_from_slice(&RATE.to_le_bytes());
    file.extend_from_slice(&(RATE * 2).to_le_bytes());
    // Two bytes a sample, 16 bits.
    file.extend_from_slice(&[2, 0, 16, 0]);
    file.extend_from_slice(b"data");
    file.extend_from_slice(&data.to_le_bytes());
    file.extend(samples.iter().flat_map(|sample| sample.to_le_bytes()));
    file
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(tone: Tone) -> Vec<f64> {
        let file = tone.wav();
        assert_eq!(&file[..4], b"RIFF");
        let number = |at: usize| u32::from_le_bytes(file[at..at + 4].try_into().expect("four bytes")) as usize;
        assert_eq!((number(4), number(24), number(40)), (file.len() - 8, 22_050, file.len() - 44));
        file[44..].chunks(2).map(|pair| f64::from(i16::from_le_bytes([pair[0], pair[1]]))).collect()
    }

    /// Crossings of zero upwards: how many waves there are.
    fn waves(samples: &[f64]) -> usize {
        samples.windows(2).filter(|pair| pair[0] < 0.0 && 0.0 <= pair[1]).count()
    }

    #[test]
    fn both_are_loud_short_and_do_not_click() {
        for tone in [Tone::Warning, Tone::Critical] {
            let samples = read(tone);
            let seconds = samples.len() as f64 / f64::from(RATE);
            assert!((0.4..1.2).contains(&seconds), "{tone:?}: {seconds}");
            let loudest = samples.iter().fold(0.0, |loudest: f64, sample| loudest.max(sample.abs()));
            assert!((20_000.0..24_000.0).contains(&loudest), "{tone:?}: {loudest}");
            // The steepest step is that of the highest pitch at full loudness: 2 sin(pi f / rate).
            let steepest = samples.windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0, f64::max);
            assert!(steepest < loudest * 0.45, "{tone:?}: {steepest}");
        }
    }

    #[test]
    fn caution_keeps_its_pitch_and_danger_sweeps() {
        let (caution, danger) = (read(Tone::Warning), read(Tone::Critical));
        let tenth = RATE as usize / 10;
        // 660 Hz are 66 waves in a tenth of a second; one can begin outside.
        for part in caution.chunks(tenth).take(2) {
            assert!((65..=66).contains(&waves(part)), "{} waves", waves(part));
        }
        let (early, late) = (waves(&danger[..tenth]), waves(&danger[tenth..2 * tenth]));
        assert!(early + 20 < late, "{early} waves, then {late}");
    }
}
