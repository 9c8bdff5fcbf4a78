//! The current where nothing can flow.

use model::SessionTime;

use super::{Claim, Facts, base};
use crate::cause::Cause;
use crate::finding::Confidence;
use crate::statistics::Running;

/// Fewer readings than this say nothing.
const ENOUGH: u64 = 10;
/// The first readings, against which the newest are held.
const FIRST: u64 = 20;
/// A current that falls by this share of itself is no constant offset.
const FALLS_BY: f64 = 0.05;
/// So many deviations are no chance.
const SIGMAS: f64 = 4.0;
/// No sensor is off by more than this share of the one-hour current. Common practice: 0.5 to 1 % of its range.
const MOST_OFFSET: f64 = 0.12;

#[derive(Clone, Debug)]
pub(super) struct CurrentEvidence {
    all: Running,
    first: Running,
    /// The newest whole block, and the one that fills.
    newest: Running,
    filling: Running,
    span: Option<(SessionTime, SessionTime)>,
    step: f64,
}

impl CurrentEvidence {
    pub(super) fn new(facts: &Facts) -> Self {
        Self {
            all: Running::default(),
            first: Running::default(),
            newest: Running::default(),
            filling: Running::default(),
            span: None,
            step: base(facts.current_step),
        }
    }

    pub(super) fn current(&mut self, at: SessionTime, nanos: i64, off: bool) {
        if !off {
            return;
        }
        let amperes = base(nanos);
        self.span = Some((self.span.map_or(at, |(from, _)| from), at));
        self.all.push(amperes);
        if self.first.count() < FIRST {
            self.first.push(amperes);
            return;
        }
        self.filling.push(amperes);
        if FIRST <= self.filling.count() {
            self.newest = std::mem::take(&mut self.filling);
        }
    }

    pub(super) fn look(&self, facts: &Facts, claims: &mut Vec<Claim>) {
        let (Some(span), Some(mean), Some(deviation)) = (self.span, self.all.mean(), self.all.deviation()) else {
            return;
        };
        let limit = base(facts.current_at_rest);
        if self.all.count() < ENOUGH || limit <= 0.0 || mean.abs() <= limit {
            return;
        }
        let uncertainty = (deviation / (self.all.count() as f64).sqrt()).hypot(self.step / 12.0_f64.sqrt());
        let text = format!("{mean:.2} +/- {uncertainty:.2} A with nothing switched on, limit {limit:.2} A");
        let sensor = MOST_OFFSET * base(facts.one_hour_current);
        let falls = self.falls();
        let circulates = falls == Some(true) || sensor < mean.abs();
        let cause = if circulates { Cause::Circulation } else { Cause::CurrentOffset };
        let mut claim = Claim::new(cause, Confidence::Likely, span, text);
        claim = match (circulates, falls) {
            (true, Some(true)) => claim.supported("it falls as it would between packs whose voltages approach"),
            (true, _) => claim.supported("it is more than a sensor is off by"),
            (false, Some(false)) => claim.supported("it stays the same"),
            (false, _) => claim.opposed("watched too short to see whether it falls, as between packs in parallel"),
        };
        claims.push(claim);
    }

    /// Whether it falls towards zero; `None` where that can't be told yet.
    fn falls(&self) -> Option<bool> {
        let (first, newest) = (self.first.mean()?, self.newest.mean()?);
        let count = FIRST as f64;
        let noise = self.first.deviation()?.hypot(self.newest.deviation()?) / count.sqrt();
        let noise = noise.hypot(self.step / (12.0 * count).sqrt());
        let fallen = (first.abs() - newest.abs()) * first.signum() * newest.signum();
        let least = FALLS_BY * first.abs();
        if least.max(SIGMAS * noise) < fallen {
            Some(true)
        } else if SIGMAS * noise < least {
            Some(false)
        } else {
            None
        }
    }
}
