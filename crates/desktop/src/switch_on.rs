//! The screen for the moment of the switch: is every cell, every temperature, the sum, the current and the link sound?

use egui::{Frame, Margin, Panel, ScrollArea, Ui};
use model::Command;
use session::history::Span;

use crate::colours::Colours;
use crate::wording::Look;
use crate::{alarms, cells, checks, pieces, plots, values};

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
        let width = (ui.available_width() * 0.29).clamp(330.0, 440.0);
        let sheet = Frame::new().fill(colours.sheet).inner_margin(Margin::same(10));
        Panel::right("values and alarms").exact_size(width).resizable(false).frame(sheet).show(ui, |ui| {
            let values_height = ui.available_height() * 0.45;
            ScrollArea::vertical().id_salt("values").max_height(values_height).auto_shrink([false, true]).show(
                ui,
                |ui| {
                    values::ui(ui, look);
                },
            );
            ui.separator();
            // An alarm comes before the list of checks; without one the checks have the room.
            let alarmed = !look.snapshot.alarms.is_empty();
            if alarmed {
                let height = ui.available_height() * 0.6;
                ui.scope(|ui| {
                    ui.set_max_height(height);
                    alarms::ui(ui, look, out);
                });
                ui.separator();
            }
            ScrollArea::vertical().id_salt("checks").auto_shrink([false, true]).show(ui, |ui| checks::ui(ui, look));
            if !alarmed {
                ui.separator();
                alarms::ui(ui, look, out);
                ui.separator();
            }
            events(ui, look);
        });
        let room = ui.available_height();
        cells::ui(ui, look, &mut self.scale, (room * 0.56).max(200.0));
        plots::ui(ui, look, &mut self.span);
    }
}

/// The newest events, newest first, in what room is left.
fn events(ui: &mut Ui, look: Look<'_>) {
    let colours = Colours::of(ui.visuals());
    if ui.available_height() < 40.0 {
        return;
    }
    pieces::title(ui, "Events");
    ScrollArea::vertical().id_salt("events").auto_shrink([false, false]).show(ui, |ui| {
        for line in look.snapshot.events.iter().rev().take(40) {
            let at = model::format_nanos(i64::try_from(line.at.nanos).unwrap_or(i64::MAX), 1);
            let text = format!("{at} s  {}: {}", line.word, line.text);
            ui.add(egui::Label::new(egui::RichText::new(text).size(12.5).color(colours.faint)).wrap());
        }
    });
}
