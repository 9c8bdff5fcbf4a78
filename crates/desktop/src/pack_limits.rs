//! The screen of the pack: which limits hold, and what another one would have raised.

use egui::Ui;

use crate::shell::Files;
use crate::wording::Look;

/// What the person chose to see.
#[derive(Debug, Default)]
pub struct PackScreen {}

impl PackScreen {
    /// Draws the screen. `look`: the session that runs or is shown; `None` before one.
    pub fn ui(&mut self, ui: &mut Ui, look: Option<Look<'_>>, files: &Files) {
        let _ = (look, files);
        ui.label("to be written");
    }
}
