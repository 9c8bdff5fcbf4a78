//! What a session has measured, whether or not something is wrong.

use model::{Channel, SessionTime};

use crate::estimates::Estimate;

/// One thing that a session can measure: the result, or why there is none.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Measured {
    /// What, such as `bus time constant`.
    pub name: &'static str,
    /// The result; or in words what is missing.
    pub result: std::result::Result<Figure, String>,
}

/// A result with what it rests on.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Figure {
    /// Where, if at one place.
    pub place: Option<Channel>,
    /// The value, in billionths of the unit.
    pub value: i64,
    /// Its standard uncertainty, in billionths of the unit; `None` where it is not known.
    pub uncertainty: Option<i64>,
    /// The unit as output has it.
    pub unit: &'static str,
    /// The first reading that it rests on.
    pub from: SessionTime,
    /// The last.
    pub to: SessionTime,
    /// The value, its uncertainty, the data and what was expected, in words.
    pub text: String,
}

impl Measured {
    pub(crate) fn new(name: &'static str, result: std::result::Result<Figure, String>) -> Self {
        Self { name, result }
    }

    pub(crate) fn none(name: &'static str, why: impl Into<String>) -> Self {
        Self { name, result: Err(why.into()) }
    }

    /// `bus time constant: 0.50 +/- 0.01 s, 38 readings`, or `bus time constant: none, the rise was not seen`.
    pub fn line(&self) -> String {
        match &self.result {
            Ok(figure) => format!("{}: {}", self.name, figure.text),
            Err(why) => format!("{}: none, {why}", self.name),
        }
    }
}

impl Figure {
    /// An estimate, `factor` times its base unit being one of `unit`.
    pub(crate) fn of(estimate: &Estimate, factor: f64, unit: &'static str, text: String) -> Self {
        Self {
            place: None,
            value: nanos(estimate.value * factor),
            uncertainty: Some(nanos(estimate.uncertainty * factor)),
            unit,
            from: estimate.basis.from,
            to: estimate.basis.to,
            text,
        }
    }

    pub(crate) fn at(mut self, place: Channel) -> Self {
        self.place = Some(place);
        self
    }

    pub(crate) fn of_unknown_uncertainty(mut self) -> Self {
        self.uncertainty = None;
        self
    }
}

/// In billionths; what does not fit is the largest number.
fn nanos(value: f64) -> i64 {
    (value * 1e9).round() as i64
}
