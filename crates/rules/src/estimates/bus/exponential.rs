//! Exponentials through samples.

use std::time::Duration;

use model::SessionTime;

use super::samples::Sample;
use super::{LEAST_READINGS, NoFit, RiseFit};
use crate::estimates::least_squares::LeastSquares;
use crate::estimates::{Basis, Estimate, rounding_deviation, seconds_between};
use crate::statistics::Line;

/// Time constants that are tried first, from a third of the shortest interval to ten times the whole.
const TRIED: u32 = 48;
const LONGEST: f64 = 10.0;
/// The best of them is narrowed down in so many steps, each to 62 %.
const NARROWED: u32 = 48;
/// A curve that explains less is none.
const LEAST_EXPLAINED: f64 = 0.9;
/// A fall is fitted above so many steps of the reading.
const LEAST_STEPS: f64 = 5.0;

/// Fits a rise towards a value. The samples begin above the base.
pub(super) fn rise(samples: &[Sample], base: Option<Sample>, step: f64) -> Result<RiseFit, NoFit> {
    let have = samples.len();
    let origin = samples.first().ok_or(NoFit::NotYet)?.0;
    if have < LEAST_READINGS {
        return Err(NoFit::TooFew { have });
    }
    let points: Vec<(f64, f64)> = samples.iter().map(|(at, volts)| (seconds_between(origin, *at), *volts)).collect();
    let span = points.last().map_or(0.0, |(seconds, _)| *seconds);
    let shortest = span / (have - 1) as f64;
    if shortest <= 0.0 {
        return Err(NoFit::NoExponential);
    }
    let tau = best_tau(&points, shortest / 3.0, span * LONGEST).ok_or(NoFit::NoExponential)?;
    let within = points.iter().filter(|(seconds, _)| *seconds <= 3.0 * tau).count();
    if within < LEAST_READINGS {
        return Err(NoFit::TooFew { have: within });
    }
    let line = line(&points, tau).ok_or(NoFit::NoExponential)?;
    let explained = line.explained.unwrap_or(0.0);
    // A straight line, or one that curves upwards, heads for nowhere.
    if explained < LEAST_EXPLAINED || 0.0 <= line.slope || span * LONGEST * 0.9 < tau {
        return Err(NoFit::NoExponential);
    }
    let mut tangent = LeastSquares::<3>::default();
    for (seconds, volts) in &points {
        let decay = (-seconds / tau).exp();
        tangent.push([1.0, decay, line.slope * decay * seconds / (tau * tau)], volts - line.at(decay), 1.0);
    }
    let solution = tangent.solve().ok_or(NoFit::NoExponential)?;
    let deviation = solution.residual_deviation.max(rounding_deviation(step));
    let to = samples.last().map_or(origin, |(at, _)| *at);
    let basis = Basis { from: base.map_or(origin, |(at, _)| at), to, count: have as u64 };
    let fit = RiseFit {
        tau: Estimate { value: tau, uncertainty: deviation * solution.unit_error(2), basis },
        last: Estimate { value: line.intercept, uncertainty: deviation * solution.unit_error(0), basis },
        begin: begin(&line, tau, origin, base),
        residual: solution.residual_deviation,
        explained,
    };
    let numbers = [fit.tau.value, fit.tau.uncertainty, fit.last.value, fit.last.uncertainty, fit.residual];
    if numbers.iter().all(|number| number.is_finite()) { Ok(fit) } else { Err(NoFit::NoExponential) }
}

/// The volts against `exp(-t / tau)`: a straight line if tau is right.
fn line(points: &[(f64, f64)], tau: f64) -> Option<Line> {
    Line::through(points.iter().map(|(seconds, volts)| ((-seconds / tau).exp(), *volts)))
}

/// The time constant with the smallest residuals.
fn best_tau(points: &[(f64, f64)], least: f64, most: f64) -> Option<f64> {
    const GOLDEN: f64 = 0.618_033_988_749_894_9;
    let residual = |ln_tau: f64| line(points, ln_tau.exp()).map_or(f64::INFINITY, |line| line.residual_deviation);
    let (low, high) = (least.ln(), most.ln());
    let width = (high - low) / f64::from(TRIED);
    let tried = (0..=TRIED).map(|index| low + width * f64::from(index));
    let best = tried.map(|ln_tau| (residual(ln_tau), ln_tau)).min_by(|one, other| one.0.total_cmp(&other.0))?;
    if !best.0.is_finite() {
        return None;
    }
    let (mut low, mut high) = ((best.1 - width).max(low), (best.1 + width).min(high));
    for _ in 0..NARROWED {
        let (left, right) = (high - GOLDEN * (high - low), low + GOLDEN * (high - low));
        if residual(left) <= residual(right) {
            high = right;
        } else {
            low = left;
        }
    }
    Some(((low + high) / 2.0).exp())
}

/// Where the curve leaves the base, between the last reading there and the first above it.
fn begin(line: &Line, tau: f64, origin: SessionTime, base: Option<Sample>) -> SessionTime {
    let Some((base_at, base_volts)) = base else { return origin };
    // Positive before the first sample.
    let early = tau * ((base_volts - line.intercept) / line.slope).ln();
    let longest = origin.since(base_at);
    let early = Duration::try_from_secs_f64(early).map_or(Duration::ZERO, |early| early.min(longest));
    SessionTime::from_nanos(origin.nanos.saturating_sub(SessionTime::from_duration(early).nanos))
}

/// The time constant of a fall towards zero.
pub(super) fn fall(samples: &[Sample], step: f64) -> Result<Estimate, NoFit> {
    let (origin, _) = *samples.first().ok_or(NoFit::NotYet)?;
    let least = (LEAST_STEPS * step).max(0.5);
    let mut fit = LeastSquares::<2>::default();
    let (mut to, mut spread) = (origin, crate::statistics::Running::default());
    for (at, volts) in samples.iter().filter(|(_, volts)| least < *volts) {
        // The logarithm of a low voltage is less well known.
        fit.push([1.0, seconds_between(origin, *at)], volts.ln(), volts * volts);
        spread.push(*volts);
        to = *at;
    }
    let have = fit.rows() as usize;
    if have < LEAST_READINGS {
        return Err(NoFit::TooFew { have });
    }
    let solution = fit.solve().ok_or(NoFit::NoExponential)?;
    let rate = -solution.coefficients[1];
    let deviation = solution.residual_deviation.max(rounding_deviation(step));
    let (value, uncertainty) = (1.0 / rate, deviation * solution.unit_error(1) / (rate * rate));
    let unexplained = solution.residual_deviation.powi(2) / spread.variance().unwrap_or(0.0);
    if rate <= 0.0 || !value.is_finite() || !uncertainty.is_finite() || 1.0 - LEAST_EXPLAINED < unexplained {
        return Err(NoFit::NoExponential);
    }
    Ok(Estimate { value, uncertainty, basis: Basis { from: origin, to, count: have as u64 } })
}
