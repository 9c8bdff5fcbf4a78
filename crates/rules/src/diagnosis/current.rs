//! The current where nothing can flow.

use model::SessionTime;

use super::{Claim, Facts, base};
use crate::cause::Cause;
use crate::estimates::least_squares::LeastSquares;
use crate::finding::Confidence;
use crate::statistics::Running;

/// Fewer readings than this say nothing.
const ENOUGH: u64 = 10;
/// A current that falls by this share of itself while it is watched is no constant offset.
const FALLS_BY: f64 = 0.03;
/// So many deviations are no chance.
const SIGMAS: f64 = 4.0;
/// No sensor is off by more than this share of the one-hour current. Common practice: 0.5 to 1 % of its range.
const MOST_OFFSET: f64 = 0.12;

#[derive(Clone, Debug)]
pub(super) struct CurrentEvidence {
    amperes: Running,
    /// Current against time: how it falls.
    line: LeastSquares<2>,
    span: Option<(SessionTime, SessionTime)>,
    step: f64,
}

impl CurrentEvidence {
    pub(super) fn new(facts: &Facts) -> Self {
        Self { amperes: Running::default(), line: LeastSquares::default(), span: None, step: base(facts.current_step) }
    }

    pub(super) fn current(&mut self, at: SessionTime, nanos: i64, off: bool) {
        if !off {
            return;
        }
        let from = self.span.map_or(at, |(from, _)| from);
        self.span = Some((from, at));
        self.amperes.push(base(nanos));
        self.line.push([1.0, at.since(from).as_secs_f64()], base(nanos), 1.0);
    }

    pub(super) fn look(&self, facts: &Facts, claims: &mut Vec<Claim>) {
        let (Some(span), Some(mean)) = (self.span, self.amperes.mean()) else { return };
        let Some(deviation) = self.amperes.deviation() else { return };
        let limit = base(facts.current_at_rest);
        if self.amperes.count() < ENOUGH || limit <= 0.0 || mean.abs() <= limit {
            return;
        }
        let uncertainty = (deviation / (self.amperes.count() as f64).sqrt()).hypot(self.step / 12.0_f64.sqrt());
        let text = format!("{mean:.2} +/- {uncertainty:.2} A with nothing switched on, limit {limit:.2} A");
        let falls = self.falls(mean, span.1.since(span.0).as_secs_f64());
        let too_large = MOST_OFFSET * base(facts.one_hour_current) < mean.abs();
        let circulates = falls == Some(true) || too_large;
        let cause = match (circulates, falls) {
            (true, _) => Cause::Circulation,
            (false, Some(_)) => Cause::CurrentOffset,
            (false, None) => Cause::OffsetOrCirculation,
        };
        let claim = Claim::new(cause, Confidence::Likely, span, text);
        claims.push(match (circulates, falls) {
            (true, Some(true)) => claim.supported("it falls as it does between packs whose voltages approach"),
            (true, _) => claim.supported("it is more than a sensor is off by"),
            (false, Some(false)) => claim.supported("it stays the same"),
            (false, _) => {
                claim.opposed("too coarse or too short to see whether it falls, as between packs in parallel")
            }
        });
    }

    /// Whether it falls towards zero; `None` where that can't be told.
    fn falls(&self, mean: f64, seconds: f64) -> Option<bool> {
        let fit = self.line.solve()?;
        let [_, slope] = fit.coefficients;
        let fallen = -slope * seconds * mean.signum();
        // Rounding hides a change of half a step at either end.
        let uncertainty = (fit.error(1) * seconds).hypot(self.step / 12.0_f64.sqrt());
        let least = FALLS_BY * mean.abs();
        if least.max(SIGMAS * uncertainty) < fallen {
            Some(true)
        } else if SIGMAS * uncertainty < least {
            Some(false)
        } else {
            None
        }
    }
}
