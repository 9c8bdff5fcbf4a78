//! How a diagnosis does on a session whose truth is known.

use rules::{Confidence, Finding};

use crate::grid::{Case, Known};
use crate::judge;

/// What became of one session.
#[derive(Clone, PartialEq, Debug)]
pub struct Score {
    /// Each truth, and the finding that names its cause at its place, if one does.
    pub truths: Vec<(Known, Option<Finding>)>,
    /// Findings at the end of the session that name a cause or a place that is not true.
    pub wrong: Vec<Finding>,
}

impl Score {
    /// Judges the session of a case.
    pub fn of(case: &Case) -> Self {
        let (_, verdict) = judge(&case.header(), case.inputs());
        let truths: Vec<Known> = case.truths();
        let wrong = verdict.findings.iter().filter(|finding| !truths.iter().any(|known| names(finding, known)));
        Self {
            wrong: wrong.cloned().collect(),
            truths: truths
                .into_iter()
                .map(|known| {
                    let finding = verdict.findings.iter().find(|finding| names(finding, &known)).cloned();
                    (known, finding)
                })
                .collect(),
        }
    }

    /// Wrong findings that are more than possible.
    pub fn claims_wrongly(&self) -> bool {
        self.wrong.iter().any(|finding| Confidence::Possible < finding.confidence)
    }
}

/// Whether a finding names the cause (one that leaves open which of two is right names both), and a place of it where it has one. A finding without a place names no wrong one.
fn names(finding: &Finding, known: &Known) -> bool {
    let here = known.places.is_empty() || finding.places.is_empty();
    let either = match finding.cause {
        rules::Cause::WeakCellOrLink => matches!(known.cause, "weak cell" | "link resistance"),
        rules::Cause::OffsetOrCirculation => matches!(known.cause, "current offset" | "circulation"),
        _ => false,
    };
    (either || finding.cause.name() == known.cause)
        && (here || finding.places.iter().any(|place| known.places.contains(place)))
}
