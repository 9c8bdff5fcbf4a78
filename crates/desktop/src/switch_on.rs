//! The screen for the moment of the switch: is every cell, every temperature, the sum, the current and the link sound?

use egui::{Rect, ScrollArea, Ui, UiBuilder};
use model::Command;
use session::history::Span;

use crate::colours::Colours;
use crate::wording::Look;
use crate::{alarms, cells, checks, findings, pieces, plots, values, wording};

/// Below this height of the side the lists take turns: each would be too low to be read.
const LISTS_TAKE_TURNS: f32 = 420.0;

/// In less width the lists go below the cells.
const BESIDE: f32 = 780.0;

/// What the person chose to see.
#[derive(Clone, Debug, Default)]
pub(crate) struct SwitchOn {
    pub(crate) scale: cells::Scale,
    pub(crate) span: Span,
    /// The list that is shown where there is room for one; `None` until the person chose.
    list: Option<List>,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum List {
    Alarms,
    Checks,
    Events,
}

impl SwitchOn {
    /// Draws the screen; reports what the person asked for.
    pub(crate) fn ui(&mut self, ui: &mut Ui, look: Look<'_>, out: &mut Vec<Command>) {
        if ui.available_width() < BESIDE {
            self.below_each_other(ui, look, out);
            return;
        }
        findings::ui(ui, look);
        let colours = Colours::of(ui.visuals());
        let width = (ui.available_width() * 0.29).clamp(348.0, 440.0);
        // Two places that can't push each other: what is too wide for one is cut there.
        let whole = ui.available_rect_before_wrap();
        let (left, right) = whole.split_left_right_at_x(whole.right() - width);
        ui.painter().rect_filled(right, 0.0, colours.sheet);
        let place = |ui: &mut Ui, rect: Rect, id: &str| {
            let mut place = ui.new_child(UiBuilder::new().id_salt(id).max_rect(rect));
            place.shrink_clip_rect(rect);
            place
        };
        self.side(&mut place(ui, right.shrink(10.0), "values and alarms"), look, out);
        let ui = &mut place(ui, left.with_max_x(left.right() - 8.0), "charts");
        // The plots keep what they need to be read at all.
        let room = ui.available_height();
        let cells = (room * 0.55).min(room - plots::LEAST).max(120.0);
        cells::ui(ui, look, &mut self.scale, cells);
        plots::ui(ui, look, &mut self.span);
    }

    /// The column beside the charts.
    fn side(&mut self, ui: &mut Ui, look: Look<'_>, out: &mut Vec<Command>) {
        let low = ui.available_height() < LISTS_TAKE_TURNS;
        let values_height = ui.available_height() * 0.55;
        let values = ScrollArea::vertical().id_salt("values").max_height(values_height);
        values.auto_shrink([false, true]).show(ui, |ui| values::ui(ui, look, low));
        ui.separator();
        if low {
            self.one_list(ui, look, out);
        } else {
            all_lists(ui, look, out);
        }
    }

    /// In a narrow window, or a small one at 200 %: what matters most comes first, the rest by scrolling.
    fn below_each_other(&mut self, ui: &mut Ui, look: Look<'_>, out: &mut Vec<Command>) {
        ScrollArea::vertical().id_salt("narrow").auto_shrink(false).show(ui, |ui| {
            findings::all(ui, &wording::findings(look));
            cells::ui(ui, look, &mut self.scale, 150.0);
            ui.separator();
            let part = |ui: &mut Ui, height: f32, id: &str, draw: &mut dyn FnMut(&mut Ui)| {
                let size = egui::vec2(ui.available_width(), height);
                let layout = egui::Layout::top_down(egui::Align::LEFT);
                ui.push_id(id, |ui| ui.allocate_ui_with_layout(size, layout, |ui| draw(ui)));
            };
            part(ui, 190.0, "lists", &mut |ui| self.one_list(ui, look, out));
            ui.separator();
            values::ui(ui, look, true);
            ui.separator();
            part(ui, plots::LEAST, "plots", &mut |ui| plots::ui(ui, look, &mut self.span));
        });
    }

    fn one_list(&mut self, ui: &mut Ui, look: Look<'_>, out: &mut Vec<Command>) {
        let waiting = look.snapshot.unacknowledged().count();
        // Until the person chooses, what is wrong is shown.
        let usual = if look.snapshot.alarms.is_empty() { List::Checks } else { List::Alarms };
        let mut list = self.list.unwrap_or(usual);
        ui.horizontal(|ui| {
            let alarms = if waiting == 0 { "Alarms".to_owned() } else { format!("Alarms ({waiting} wait)") };
            for (choice, text) in [(List::Alarms, alarms.as_str()), (List::Checks, "Checks"), (List::Events, "Events")]
            {
                if ui.selectable_label(list == choice, text).clicked() {
                    list = choice;
                    self.list = Some(choice);
                }
            }
        });
        match list {
            List::Alarms => alarms::list(ui, look, out),
            List::Checks => {
                ScrollArea::vertical().id_salt("checks").auto_shrink(false).show(ui, |ui| checks::ui(ui, look));
            }
            List::Events => events(ui, look),
        }
    }
}

fn all_lists(ui: &mut Ui, look: Look<'_>, out: &mut Vec<Command>) {
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
