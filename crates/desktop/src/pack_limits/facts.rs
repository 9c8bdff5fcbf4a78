//! What else a pack file says: facts of the pack, and checks that it waives.

use std::collections::BTreeSet;

use egui::{ComboBox, Label, RichText, TextEdit, Ui, vec2};
use session::rules::Check;
use session::rules::pack_text::{Fact, Field, facts};

use super::draft::Draft;
use super::table::{edit, notes};
use crate::colours::Colours;
use crate::pieces;

/// What the person typed that stands in no file yet.
#[derive(Clone, Debug, Default)]
pub(super) struct Facts {
    refused: Option<(Field, String)>,
    /// Waivers that were there: they stay in sight while their reason is typed anew.
    waivers: BTreeSet<Check>,
    new_check: Option<Check>,
    new_reason: String,
}

impl Facts {
    /// Draws both lists.
    pub(super) fn ui(&mut self, ui: &mut Ui, draft: &mut Draft) {
        pieces::title(ui, "The pack");
        for fact in facts() {
            self.fact(ui, draft, &fact);
        }
        ui.add_space(12.0);
        self.waivers(ui, draft);
    }

    fn fact(&mut self, ui: &mut Ui, draft: &mut Draft, fact: &Fact) {
        let colours = Colours::of(ui.visuals());
        let name = name(&fact.field);
        ui.horizontal(|ui| {
            let width = name_width(ui);
            named(ui, &name, width);
            let left = ui.available_width();
            // A word or a number needs little; a list or a sentence what there is.
            let wide = draft.now().value(&fact.field).is_some_and(|value| 18 < value.chars().count());
            let field = if wide { left.min(520.0) } else { left.min(190.0) };
            let default = if fact.required { "needed" } else { "default" };
            edit(ui, draft, &fact.field, &name, default, field, &mut self.refused);
            let room = ui.available_width();
            if 120.0 < room {
                let about = Label::new(RichText::new(fact.doc).size(13.0).color(colours.faint));
                ui.add(about.truncate()).on_hover_text(fact.doc);
            }
        });
        notes(ui, draft, &fact.field, &name, None, self.refused.as_ref());
    }

    fn waivers(&mut self, ui: &mut Ui, draft: &mut Draft) {
        let colours = Colours::of(ui.visuals());
        pieces::title(ui, "Waived checks");
        let about = "A required check that this pack can't have, with the reason. It is printed with every verdict.";
        ui.add(Label::new(RichText::new(about).size(13.0).color(colours.faint)).wrap());
        self.waivers.extend(draft.now().waived());
        for check in self.waivers.clone() {
            let field = Field::waiver(check);
            let label = format!("waiver of {check}");
            ui.horizontal(|ui| {
                let width = name_width(ui);
                named(ui, check.name(), width);
                let field_width = (ui.available_width() - 100.0).clamp(160.0, 520.0);
                edit(ui, draft, &field, &label, "not waived", field_width, &mut self.refused);
                let given = draft.now().value(&field).is_some();
                if ui.add_enabled(given, egui::Button::new(format!("Take back: {check}"))).clicked() {
                    draft.end_step();
                    self.refused = draft.set(&field, "").err().map(|why| (field, why));
                    draft.end_step();
                }
            });
            notes(ui, draft, &field, &label, Some("not waived"), self.refused.as_ref());
        }
        self.add_waiver(ui, draft);
    }

    fn add_waiver(&mut self, ui: &mut Ui, draft: &mut Draft) {
        let free = |check: &Check| check.can_be_waived() && draft.now().value(&Field::waiver(*check)).is_none();
        let checks: Vec<Check> = Check::ALL.iter().map(|(_, check)| *check).filter(free).collect();
        self.new_check = self.new_check.filter(|check| checks.contains(check));
        let mut add = None;
        ui.horizontal_wrapped(|ui| {
            let label = ui.label("Waive");
            ComboBox::from_id_salt("check to waive")
                .selected_text(self.new_check.map_or("choose a check", Check::name))
                .show_ui(ui, |ui| {
                    for check in checks {
                        ui.selectable_value(&mut self.new_check, Some(check), check.name());
                    }
                })
                .response
                .labelled_by(label.id);
            let label = ui.label("because");
            let width = (ui.available_width() - 90.0).clamp(160.0, 400.0);
            let typed = TextEdit::singleline(&mut self.new_reason).desired_width(width).char_limit(400);
            ui.add(typed.hint_text("why it can't have it, and what was done instead")).labelled_by(label.id);
            let ready = self.new_check.filter(|_| !self.new_reason.trim().is_empty());
            if ui.add_enabled(ready.is_some(), egui::Button::new("Waive it")).clicked() {
                add = ready;
            }
        });
        if let Some(check) = add {
            let field = Field::waiver(check);
            draft.end_step();
            self.refused = draft.set(&field, self.new_reason.trim()).err().map(|why| (field, why));
            draft.end_step();
            if self.refused.is_none() {
                self.new_reason.clear();
                self.new_check = None;
            }
        }
    }
}

/// The key in words, with the tables that it stands in.
pub(super) fn name(field: &Field) -> String {
    let words: Vec<String> = field.path().iter().map(|key| key.replace('_', " ")).collect();
    words.join(": ")
}

fn name_width(ui: &Ui) -> f32 {
    (ui.available_width() * 0.24).clamp(120.0, 190.0)
}

fn named(ui: &mut Ui, name: &str, width: f32) {
    let left = egui::Layout::left_to_right(egui::Align::Center);
    ui.allocate_ui_with_layout(vec2(width, 24.0), left, |ui| {
        ui.set_min_width(width);
        ui.add_space(8.0);
        ui.add(Label::new(RichText::new(name).size(15.0)).truncate());
    });
}
