//! Values of several steps combined into one.

use model::SessionTime;

use crate::estimates::{Basis, Estimate};

/// A mean weighted by how well each value is known.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub(super) struct Combined {
    weight: f64,
    mean: f64,
    /// Weighted squares of the distances from the mean.
    squares: f64,
    steps: u64,
    from: SessionTime,
    to: SessionTime,
}

impl Combined {
    /// A value with its standard uncertainty, from a step.
    pub(super) fn push(&mut self, at: SessionTime, value: f64, uncertainty: f64) {
        let weight = 1.0 / (uncertainty * uncertainty);
        if !(value.is_finite() && weight.is_finite() && 0.0 < weight) {
            return;
        }
        if self.steps == 0 {
            self.from = at;
        }
        self.to = at;
        self.steps += 1;
        self.weight += weight;
        let off = value - self.mean;
        self.mean += off * weight / self.weight;
        self.squares += weight * off * (value - self.mean);
    }

    /// The combined value; `None` without a step. Where the steps differ by more than their uncertainties, so much larger
    /// is that of the result.
    pub(super) fn estimate(&self) -> Option<Estimate> {
        if self.steps == 0 {
            return None;
        }
        let freedom = (self.steps - 1).max(1) as f64;
        let scatter = (self.squares / freedom).sqrt().max(1.0);
        let basis = Basis { from: self.from, to: self.to, count: self.steps };
        let uncertainty = scatter / self.weight.sqrt();
        (self.mean.is_finite() && uncertainty.is_finite()).then_some(Estimate { value: self.mean, uncertainty, basis })
    }
}
