//! What is wrong and where, as far as the data tells: the worst and surest first, with what speaks for and against it.

use egui::{CollapsingHeader, Frame, Label, Margin, Painter, Rect, RichText, ScrollArea, Sense, Stroke, Ui, vec2};
use session::rules::{Confidence, Finding};

use crate::colours::{Colours, Meaning};
use crate::pieces;
use crate::wording::{self, Look};

/// From this width on two findings stand side by side.
const SIDE_BY_SIDE: f32 = 900.0;
/// Of the height that there is, findings take this much at the most; the rest by scrolling.
const SHARE: f32 = 0.32;

/// Draws the findings over the whole width; nothing at all where there are none.
pub(crate) fn ui(ui: &mut Ui, look: Look<'_>) {
    let findings = wording::findings(look);
    if findings.is_empty() {
        return;
    }
    let height = (ui.available_height() * SHARE).max(80.0);
    let area = ScrollArea::vertical().id_salt("findings").max_height(height).auto_shrink([false, true]);
    area.show(ui, |ui| all(ui, &findings));
    ui.add_space(4.0);
}

/// The same where everything scrolls already.
pub(crate) fn all(ui: &mut Ui, findings: &[&Finding]) {
    if findings.len() < 2 || ui.available_width() < SIDE_BY_SIDE {
        for finding in findings {
            one(ui, finding);
        }
        return;
    }
    ui.columns(2, |columns| {
        for (index, finding) in findings.iter().enumerate() {
            if let Some(column) = columns.get_mut(index % 2) {
                one(column, finding);
            }
        }
    });
}

fn one(ui: &mut Ui, finding: &Finding) {
    let colours = Colours::of(ui.visuals());
    let meaning = wording::severity(finding.severity).meaning;
    let margin = Margin { left: 12, right: 10, top: 4, bottom: 4 };
    let framed = Frame::new().fill(colours.sheet).inner_margin(margin).show(ui, |ui| {
        ui.set_width(ui.available_width());
        ui.spacing_mut().item_spacing.y = 3.0;
        heading(ui, finding);
        ui.add(Label::new(RichText::new(&finding.text).size(14.0)).wrap());
        let look_at = format!("With the switch open, look at: {}", finding.look_at());
        ui.add(Label::new(RichText::new(look_at).size(14.0).color(colours.of_meaning(Meaning::Action))).wrap());
        reasons(ui, finding);
    });
    let edge = framed.response.rect;
    let edge = Rect::from_min_max(edge.min, egui::pos2(edge.left() + 5.0, edge.bottom()));
    ui.painter().rect_filled(edge, 0.0, colours.of_meaning(meaning));
}

/// Cause and place in large words, then how bad and how sure.
fn heading(ui: &mut Ui, finding: &Finding) {
    let colours = Colours::of(ui.visuals());
    let said = wording::severity(finding.severity);
    ui.horizontal_wrapped(|ui| {
        pieces::said_inline(ui, &wording::Said { text: wording::finding(finding), ..said.clone() }, 20.0);
        ui.label(RichText::new(&said.text).size(14.0).color(colours.of_meaning(said.meaning)));
        confidence(ui, finding.confidence);
    });
}

/// How sure, as a shape and a word.
pub(crate) fn confidence(ui: &mut Ui, confidence: Confidence) {
    let colours = Colours::of(ui.visuals());
    let (rect, _) = ui.allocate_exact_size(vec2(24.0, 16.0), Sense::hover());
    paint_confidence(ui.painter(), rect, confidence, &colours);
    ui.label(RichText::new(confidence.name()).size(14.0));
}

/// Three steps, as many filled as the finding is sure.
fn paint_confidence(painter: &Painter, rect: Rect, confidence: Confidence, colours: &Colours) {
    let filled = match confidence {
        Confidence::Possible => 1,
        Confidence::Likely => 2,
        Confidence::Proven => 3,
    };
    for (step, left, height) in [(1, 0.0, 6.0), (2, 8.0, 10.0), (3, 16.0, 14.0)] {
        let low = rect.left_bottom() + vec2(left, -1.0);
        let bar = Rect::from_min_max(low - vec2(0.0, height), low + vec2(6.0, 0.0));
        if step <= filled {
            painter.rect_filled(bar, 0.0, colours.ink);
        } else {
            painter.rect_stroke(bar, 0.0, Stroke::new(1.0, colours.faint), egui::StrokeKind::Inside);
        }
    }
}

/// What speaks for and against it, to be opened.
fn reasons(ui: &mut Ui, finding: &Finding) {
    let (supports, against) = (finding.supports.len(), finding.against.len());
    if supports + against == 0 {
        return;
    }
    let colours = Colours::of(ui.visuals());
    let title = format!("finding {}: {supports} for it, {against} against it", finding.number);
    let title = RichText::new(title).size(12.5).color(colours.faint);
    CollapsingHeader::new(title).id_salt(("finding", finding.number)).show(ui, |ui| {
        for (word, reasons) in [("for", &finding.supports), ("against", &finding.against)] {
            for reason in reasons {
                ui.add(Label::new(RichText::new(format!("{word}: {reason}")).size(13.0)).wrap());
            }
        }
    });
}
