//! Which of several settings a line runs at, by what was heard at each.
//!
//! A wrong rate gives bytes that no sender sent: they make no frames, or by much luck frames without a checksum. Where the
//! port counts stop bits and parity bits that are wrong, that is evidence as well.

use model::LineSettings;

use crate::{Capture, Outcome, Report, Sureness, identify};

/// More misread bytes than this share, and it is not this setting.
const MISREAD: f64 = 0.02;

/// What was heard at one setting, and what it looks like.
#[derive(Clone, Debug)]
pub struct Heard {
    /// The setting.
    pub settings: LineSettings,
    /// How many bytes came.
    pub bytes: usize,
    /// Of them, without a right stop bit or with a wrong parity bit; `None` if nobody counted.
    pub misread: Option<u64>,
    /// What they look like.
    pub report: Report,
}

impl Heard {
    /// Looks at what was heard.
    pub fn new(settings: LineSettings, bytes: &[u8], misread: Option<u64>) -> Self {
        let report = identify(&Capture::untimed(bytes), Some(&settings));
        Self { settings, bytes: bytes.len(), misread, report }
    }

    /// How sure it is that the line runs so; `None` if nothing speaks for it.
    pub fn sureness(&self) -> Option<Sureness> {
        let wrong = self.misread.map_or(0.0, |misread| misread as f64 / self.bytes.max(1) as f64);
        if MISREAD < wrong {
            return None;
        }
        // Which checksum it is may be open, and whether the language can say it: that one fits is what tells.
        let check = self.report.bytes.as_ref().and_then(|layout| layout.check.as_ref());
        let text = self.report.text.as_ref().is_some_and(|layout| layout.check.is_some());
        if text || check.is_some_and(crate::Fit::is_sure) {
            return Some(Sureness::Sure);
        }
        (self.report.outcome == Outcome::Drafted).then_some(Sureness::Likely)
    }

    fn share(&self) -> f64 {
        self.report.trial.as_ref().map_or(0.0, crate::Trial::share)
    }
}

/// The setting that the line runs at, and how sure that is; `None` if nothing speaks for any of them.
///
/// Of several that are equally sure it is a guess, the one that explains the most bytes.
pub fn best(heard: &[Heard]) -> Option<(&Heard, Sureness)> {
    let graded = || heard.iter().filter_map(|heard| Some((heard, heard.sureness()?)));
    let best = graded().map(|(_, sureness)| sureness).min()?;
    let mut alike = graded().filter(|(_, sureness)| *sureness == best);
    let (first, _) = alike.clone().max_by(|(a, _), (b, _)| a.share().total_cmp(&b.share()))?;
    let alone = alike.nth(1).is_none();
    Some((first, if alone { best } else { Sureness::Guess }))
}
