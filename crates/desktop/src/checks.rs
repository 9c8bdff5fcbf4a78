//! The required checks: how many passed, and each that did not, with why; below them what was measured.

use egui::{Label, RichText, Ui};
use session::rules::{CheckResult, Measured, Result};

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
    // What failed first, then what is not known, then what the pack file waives: all names before the first reason, so that
    // none is out of sight for the words of another.
    let all = || {
        let results = [Result::Failed, Result::NoData, Result::Waived];
        results.into_iter().flat_map(|result| verdict.checks.iter().filter(move |check| check.result == result))
    };
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing.y = 2.0;
        all().for_each(|check| name(ui, check));
    });
    for check in all() {
        let text = format!("{}: {}", check.check, check.why);
        ui.add(Label::new(RichText::new(text).size(13.0).weak()).wrap());
    }
    for untested in &verdict.untested {
        ui.add(Label::new(RichText::new(format!("untested: {untested}")).size(13.0).weak()).wrap());
    }
    measured(ui, look.snapshot.measured());
}

/// What was measured, then what could not be, with why.
fn measured(ui: &mut Ui, all: &[Measured]) {
    if all.is_empty() {
        return;
    }
    ui.add_space(6.0);
    pieces::title(ui, "Measured");
    let (found, missing): (Vec<_>, Vec<_>) = all.iter().partition(|measured| measured.result.is_ok());
    for measured in found {
        ui.add(Label::new(RichText::new(measured.line()).size(13.0)).wrap());
    }
    for measured in missing {
        ui.add(Label::new(RichText::new(measured.line()).size(13.0).weak()).wrap());
    }
}

fn name(ui: &mut Ui, check: &CheckResult) {
    let (meaning, sign) = match check.result {
        Result::Failed => (Meaning::Danger, "x"),
        Result::NoData => (Meaning::Abnormal, "?"),
        Result::Waived => (Meaning::Unknown, "="),
        Result::Passed => (Meaning::Safe, "+"),
    };
    let text = format!("{}: {}", check.check, check.result.name());
    pieces::said_whole(ui, &Said { meaning, sign, text }, 14.0);
}
