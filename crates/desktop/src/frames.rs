//! The screen of the line: which bytes came, what they are, and why some are no frame.

use egui::Ui;

use crate::shell::Files;
use crate::wording::Look;

/// What the person chose to see.
#[derive(Debug, Default)]
pub struct Frames {}

impl Frames {
    /// Draws the screen. `look`: the session that runs or is shown; `None` before one.
    pub fn ui(&mut self, ui: &mut Ui, look: Option<Look<'_>>, files: &Files) {
        let _ = (look, files);
        ui.label("to be written");
    }
}
