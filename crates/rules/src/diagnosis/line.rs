//! The data line.

use model::SessionTime;

use super::{Claim, Known};
use crate::cause::Cause;
use crate::estimates::line_quality::{Comparison, LineQuality};
use crate::finding::Confidence;

/// More than chance by far.
const PROVEN: f64 = 1e-6;

#[derive(Clone, Debug, Default)]
pub(super) struct LineEvidence {
    quality: LineQuality,
    span: Option<(SessionTime, SessionTime)>,
}

impl LineEvidence {
    pub(super) fn frame(&mut self, at: SessionTime, sound: bool, bus_on: Option<bool>, load_on: Option<bool>) {
        self.span = Some((self.span.map_or(at, |(from, _)| from), at));
        self.quality.frame(at, sound, bus_on, load_on);
    }

    pub(super) fn look(&self, known: &Known, claims: &mut Vec<Claim>) {
        let Some(span) = self.span else { return };
        let critical = |cause, text: String| Claim::new(cause, Confidence::Proven, span, text).critical_if(true);
        if known.lost {
            // It says nothing about the pack.
            claims.push(Claim::new(Cause::Unplugged, Confidence::Proven, span, "the source is gone".to_owned()));
        }
        if known.silent {
            // The periods of the messages withhold go already.
            let text = format!("no sound frame since {:.3} s, and the port is open", span.1);
            claims.push(Claim::new(Cause::SilentLine, Confidence::Likely, span, text));
        }
        if known.frozen {
            let mut claim = critical(Cause::FrozenBms, "values or counters stand still that should move".to_owned());
            claim.confidence = Confidence::Likely;
            claims.push(claim);
        }
        let follows =
            [(self.quality.follows_load().ok(), "a load is on"), (self.quality.follows_bus().ok(), "the bus is live")];
        // What explains it better counts.
        let best = follows
            .into_iter()
            .filter_map(|(comparison, when)| Some((comparison.filter(Comparison::is_significant)?, when)))
            .min_by(|(one, _), (other, _)| one.p_value.total_cmp(&other.p_value));
        if let Some((comparison, when)) = best {
            claims.push(interference(&comparison, when, span));
        }
        if let Some(damage) = known.damage {
            let text = format!("{:.1} % of the frames are damaged", damage as f64 / 100.0);
            claims.push(Claim::new(Cause::DamagedLine, Confidence::Likely, span, text));
        }
    }
}

fn interference(comparison: &Comparison, when: &str, span: (SessionTime, SessionTime)) -> Claim {
    let ratio = |(sound, damaged): (u64, u64)| 100.0 * damaged as f64 / (sound + damaged).max(1) as f64;
    let text = format!(
        "{:.1} % of the frames are damaged while {when}, {:.1} % otherwise",
        ratio(comparison.with),
        ratio(comparison.without)
    );
    let confidence = if comparison.p_value < PROVEN { Confidence::Proven } else { Confidence::Likely };
    let all = |(sound, damaged): (u64, u64)| sound + damaged;
    Claim::new(Cause::Interference, confidence, span, text).supported(format!(
        "so much by chance: p = {:.1e} (Fisher's exact test, {} and {} frames)",
        comparison.p_value,
        all(comparison.with),
        all(comparison.without)
    ))
}
