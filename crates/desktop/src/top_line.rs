//! The line that is always there: the answer with its reason, the stage, the link, the recording, the time.

use egui::{Frame, Margin, RichText, Ui};
use model::SessionTime;

use crate::colours::{Colours, Meaning};
use crate::pieces;
use crate::wording::{self, Look, Said};

/// That a new session began is said so long; the screen of the pack goes on saying it.
const SAID_FOR: SessionTime = SessionTime::from_millis(30_000);

/// Draws the line. The answer is at least a twentieth of the window high.
pub(crate) fn ui(ui: &mut Ui, look: Look<'_>) {
    let colours = Colours::of(ui.visuals());
    let height = ui.ctx().content_rect().height();
    let (verdict, because) = wording::verdict(look);
    // Large where there is room: it is read from two metres.
    let narrow = ui.available_width() < 800.0;
    let (large, usual) = if narrow { (16.0, 14.0) } else { (20.0, 16.0) };
    let facts = look.snapshot.facts.as_deref();
    let practice = facts.is_some_and(|facts| facts.practice);
    ui.horizontal(|ui| {
        // Capitals are about 0.7 of the size of a font.
        answer(ui, &verdict, (height / 20.0 / 0.7).clamp(30.0, 160.0));
        ui.vertical(|ui| {
            ui.add_space(4.0);
            ui.add(egui::Label::new(RichText::new(&because).size(large)).wrap());
            ui.horizontal_wrapped(|ui| {
                let elapsed = wording::elapsed(look.now());
                let label = ui.label(RichText::new(&elapsed).monospace().size(usual));
                pieces::name(&label, format!("elapsed {elapsed}"));
                ui.separator();
                if practice {
                    let text = "PRACTICE: no real pack".to_owned();
                    pieces::said_inline(ui, &Said { meaning: Meaning::Action, sign: "=", text }, usual);
                    ui.separator();
                }
                if facts.is_some_and(|facts| facts.replay) {
                    let text = "RECORDING: shown again".to_owned();
                    pieces::said_inline(ui, &Said { meaning: Meaning::Action, sign: "=", text }, usual);
                    ui.separator();
                }
                if let Some(text) = facts.and_then(|facts| facts.otherwise) {
                    let text = text.to_owned();
                    pieces::said_inline(ui, &Said { meaning: Meaning::Abnormal, sign: "!", text }, usual);
                    ui.separator();
                }
                ui.label(RichText::new(wording::stage(look.snapshot.stage)).size(usual));
                ui.separator();
                pieces::said_inline(ui, &wording::link(look), usual);
                let incomplete = matches!(look.snapshot.recording, session::snapshot::Recording::Incomplete(_));
                if incomplete || !facts.is_some_and(|facts| facts.replay) {
                    ui.separator();
                    pieces::said_inline(ui, &wording::recording(&look.snapshot.recording), usual);
                }
            });
        });
    });
    if let Some(earlier) = look.snapshot.earlier.as_deref().filter(|_| look.now() < SAID_FOR) {
        pieces::said(ui, &wording::earlier(earlier), 14.0);
    }
    if let Some(remark) = &look.snapshot.remark {
        let text = remark.clone();
        pieces::said(ui, &Said { meaning: Meaning::Abnormal, sign: "!", text }, 14.0);
    }
    Frame::new().fill(colours.tint(Meaning::Action)).inner_margin(Margin::symmetric(10, 5)).show(ui, |ui| {
        ui.set_width(ui.available_width());
        pieces::said(ui, &wording::next_action(look), if narrow { 15.0 } else { 18.0 });
    });
}

/// The answer on its own ground, with a sign that says the same.
pub(crate) fn answer(ui: &mut Ui, verdict: &Said, size: f32) {
    let colours = Colours::of(ui.visuals());
    let fill = colours.of_meaning(verdict.meaning);
    let on = colours.on_strong();
    Frame::new().fill(fill).inner_margin(Margin { left: 14, right: 18, top: 2, bottom: 2 }).show(ui, |ui| {
        ui.horizontal(|ui| {
            let (rect, _) = ui.allocate_exact_size(egui::vec2(size * 0.6, size), egui::Sense::hover());
            pieces::paint_sign(ui.painter(), rect.center(), size * 0.26, verdict.sign, on, fill);
            pieces::heavy(ui, &verdict.text, size, on);
        });
    });
}
