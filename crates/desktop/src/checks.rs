//! The required checks: how many passed, and each that did not, with why.

use egui::{Label, RichText, Ui};
use session::rules::{CheckResult, Result};

use crate::colours::Meaning;
use crate::pieces;
use crate::wording::{Look, Said};

/// Draws the list.
pub fn ui(ui: &mut Ui, look: Look<'_>) {
    let Some(verdict) = &look.snapshot.verdict else {
        pieces::title(ui, "Checks: none judged yet");
        return;
    };
    let count = |result: Result| verdict.checks.iter().filter(|check| check.result == result).count();
    let mut parts = vec![format!("{} of {} passed", count(Result::Passed), verdict.checks.len())];
    for result in [Result::Failed, Result::NoData, Result::Waived] {
        if 0 < count(result) {
            parts.push(format!("{} {}", count(result), result.name()));
        }
    }
    pieces::title(ui, &format!("Checks: {}", parts.join(", ")));
    // What failed first, then what is not known, then what the pack file waives.
    for result in [Result::Failed, Result::NoData, Result::Waived] {
        for check in verdict.checks.iter().filter(|check| check.result == result) {
            row(ui, check);
        }
    }
    for untested in &verdict.untested {
        ui.add(Label::new(RichText::new(format!("untested: {untested}")).size(13.0).weak()).wrap());
    }
}

fn row(ui: &mut Ui, check: &CheckResult) {
    let (meaning, sign) = match check.result {
        Result::Failed => (Meaning::Danger, "x"),
        Result::NoData => (Meaning::Abnormal, "?"),
        Result::Waived => (Meaning::Unknown, "="),
        Result::Passed => (Meaning::Safe, "+"),
    };
    let text = format!("{}: {}", check.check, check.result.name());
    pieces::said(ui, &Said { meaning, sign, text }, 14.0);
    ui.add(Label::new(RichText::new(&check.why).size(13.0).weak()).wrap());
}
