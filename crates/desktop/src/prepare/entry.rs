//! The entry of one item: what to do, its limit, and what was found.

use egui::{Button, Key, Label, RichText, TextEdit, Ui};
use model::{HandItem, HandOutcome, HandReading};
use session::rules::{HandLine, HandResult, prepare};

use super::Shown;
use crate::colours::{Colours, Meaning};
use crate::pieces;
use crate::wording::{self, Said};

/// What the person types.
#[derive(Clone, Debug, Default)]
pub(super) struct Typed {
    value: String,
    /// Stays from one item to the next.
    instrument: String,
    remark: String,
    /// Put the cursor into the value.
    focus: bool,
}

impl Typed {
    /// For the next item.
    pub(super) fn clear(&mut self) {
        self.value.clear();
        self.remark.clear();
        self.focus = false;
    }

    /// Who types one value after another need not reach for the mouse between them.
    pub(super) fn type_on(&mut self, item: HandItem) {
        self.focus = !item.dimensions().is_empty();
    }

    /// Draws the entry. Returns what was entered.
    pub(super) fn ui(&mut self, ui: &mut Ui, shown: &Shown<'_>, line: &HandLine) -> Option<HandReading> {
        let colours = Colours::of(ui.visuals());
        let item = line.item;
        ui.add(Label::new(RichText::new(item.to_do()).size(15.5)).wrap());
        let against = format!("Against: {}.", item.protects_from());
        ui.add(Label::new(RichText::new(against).size(14.0).color(colours.faint)).wrap());
        if let Some(limit) = &line.limit {
            ui.add(Label::new(RichText::new(format!("Limit: {limit}")).size(15.0).strong()).wrap());
        }
        ui.add_space(4.0);
        let enter = ui.add_enabled_ui(shown.closed.is_none(), |ui| self.fields(ui, item)).inner;
        let made = self.made(item);
        self.meaning(ui, shown, made.as_ref());
        ui.add_space(2.0);
        let entered = ui.add_enabled_ui(shown.closed.is_none(), |ui| self.buttons(ui, shown, line, &made, enter)).inner;
        if line.entry.is_some() {
            let text = format!("Now: {}", super::standing(shown, line));
            pieces::said(ui, &Said { text, ..wording::hand_result(line.judged.result) }, 14.5);
        }
        entered
    }

    /// Returns whether the person pressed Enter in one of them.
    fn fields(&mut self, ui: &mut Ui, item: HandItem) -> bool {
        let mut enter = false;
        let nothing_chosen = ui.memory(|memory| memory.focused().is_none());
        let mut focus = std::mem::take(&mut self.focus)
            || (nothing_chosen && ui.is_enabled() && ui.input(|input| input.key_pressed(Key::Enter)));
        // A label is as high as the field that it names.
        ui.spacing_mut().interact_size.y = 26.0;
        let mut field = |ui: &mut Ui, name: &str, text: &mut String, hint: &str, width: f32| {
            let label = ui.label(name);
            let edit = TextEdit::singleline(text).hint_text(hint).desired_width(width).char_limit(200);
            let response = ui.add(edit).labelled_by(label.id);
            if std::mem::take(&mut focus) {
                response.request_focus();
                return;
            }
            enter |= response.lost_focus() && ui.input(|input| input.key_pressed(Key::Enter));
        };
        ui.horizontal_wrapped(|ui| {
            if !item.dimensions().is_empty() {
                field(ui, "Value", &mut self.value, item.example(), 120.0);
                field(ui, "read with", &mut self.instrument, "instrument", 150.0);
            }
            field(ui, "Remark", &mut self.remark, "", 200.0);
        });
        enter
    }

    /// What is typed as a reading; `None` without a value, or why it is none.
    fn made(&self, item: HandItem) -> Option<Result<HandReading, String>> {
        let text = self.value.trim();
        (!text.is_empty()).then(|| {
            let value = item.parse_value(text)?;
            Ok(HandReading { value: Some(value), ..self.found(item, HandOutcome::Passed) })
        })
    }

    fn found(&self, item: HandItem, outcome: HandOutcome) -> HandReading {
        let remark = self.remark.trim().to_owned();
        HandReading { remark, ..HandReading::found(item, outcome, self.instrument.trim()) }
    }

    /// What the typed value would mean, before it is entered: a slip of the finger can end a session.
    fn meaning(&self, ui: &mut Ui, shown: &Shown<'_>, made: Option<&Result<HandReading, String>>) {
        let said = match (made, shown.pack) {
            (Some(Err(why)), _) => Said { meaning: Meaning::Abnormal, sign: "?", text: why.clone() },
            (Some(Ok(reading)), Some(pack)) => {
                let judged = prepare::judge(reading, pack);
                let holds = if shown.session && judged.result == HandResult::Failed {
                    ". Once bytes have come, that holds for the session"
                } else {
                    ""
                };
                let text = format!("This means {}: {}{holds}", judged.result.name(), judged.why);
                Said { text, ..wording::hand_result(judged.result) }
            }
            _ => return,
        };
        pieces::said(ui, &said, 15.5);
    }

    fn buttons(
        &self,
        ui: &mut Ui,
        shown: &Shown<'_>,
        line: &HandLine,
        made: &Option<Result<HandReading, String>>,
        enter: bool,
    ) -> Option<HandReading> {
        let item = line.item;
        let typing = ui.ctx().text_edit_focused();
        let open = shown.closed.is_none();
        let key = |key| open && !typing && ui.input(|input| input.key_pressed(key) && input.modifiers.is_none());
        let (yes, no, back) = (key(Key::Y), key(Key::F), key(Key::U));
        let mut entered = None;
        ui.horizontal_wrapped(|ui| {
            let value = made.as_ref().and_then(|made| made.as_ref().ok());
            if !item.dimensions().is_empty() {
                let clicked = ui.add_enabled(value.is_some(), Button::new("Enter the value (Enter)")).clicked();
                if clicked || enter {
                    entered = value.cloned();
                }
            }
            let needs_value = shown.pack.map_or(item.needs_value(), |pack| prepare::needs_value(item, pack));
            if !needs_value {
                // A value that stands there must not be passed over.
                let button = ui.add_enabled(made.is_none(), Button::new("Passed (Y)"));
                if (button.clicked() || (yes && made.is_none())) && entered.is_none() {
                    entered = Some(self.found(item, HandOutcome::Passed));
                }
            }
            if (ui.button("Failed (F)").clicked() || no) && entered.is_none() {
                let value = value.and_then(|reading| reading.value);
                entered = Some(HandReading { value, ..self.found(item, HandOutcome::Failed) });
            }
            let has = line.entry.as_ref().is_some_and(|(_, reading)| reading.outcome != HandOutcome::NotDone);
            if has && (ui.button("Not done: take it back (U)").clicked() || back) && entered.is_none() {
                entered = Some(self.found(item, HandOutcome::NotDone));
            }
        });
        entered
    }
}
