//! The screen for the moment of the switch: is every cell, every temperature, the sum, the current and the link sound?

use egui::{Frame, Margin, Panel, ScrollArea, Ui};
use model::Command;
use session::history::Span;

use crate::colours::Colours;
use crate::wording::Look;
use crate::{alarms, cells, plots, values};

/// What the person chose to see.
#[derive(Clone, Debug, Default)]
pub(crate) struct SwitchOn {
    pub(crate) scale: cells::Scale,
    pub(crate) span: Span,
}

impl SwitchOn {
    /// Draws the screen; reports what the person asked for.
    pub(crate) fn ui(&mut self, ui: &mut Ui, look: Look<'_>, out: &mut Vec<Command>) {
        let colours = Colours::of(ui.visuals());
        let width = (ui.available_width() * 0.29).clamp(230.0, 420.0);
        let sheet = Frame::new().fill(colours.sheet).inner_margin(Margin::same(10));
        Panel::right("values and alarms").exact_size(width).resizable(false).frame(sheet).show(ui, |ui| {
            let values_height = ui.available_height() * 0.5;
            ScrollArea::vertical().id_salt("values").max_height(values_height).auto_shrink([false, true]).show(ui, |ui| {
                values::ui(ui, look);
            });
            ui.separator();
            alarms::ui(ui, look, out);
        });
        let room = ui.available_height();
        cells::ui(ui, look, &mut self.scale, (room * 0.56).max(200.0));
        plots::ui(ui, look, &mut self.span);
    }
}
