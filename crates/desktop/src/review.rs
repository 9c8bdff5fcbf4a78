//! The screen for afterwards: what happened, when, and what the values did.

use egui::Ui;

use crate::shell::Files;
use crate::wording::Look;

/// What the person chose to see.
#[derive(Debug, Default)]
pub struct Review {}

impl Review {
    /// Draws the screen. `look`: the session that runs or is shown; `None` before one.
    pub fn ui(&mut self, ui: &mut Ui, look: Option<Look<'_>>, files: &Files) {
        let _ = (look, files);
        ui.label("to be written");
    }
}
