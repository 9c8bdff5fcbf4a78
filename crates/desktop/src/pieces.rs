//! Small pieces that every screen uses: a sign with its words, a value with its name.

use egui::{Align2, Color32, FontId, Painter, Pos2, Response, RichText, Sense, Shape, Stroke, Ui, WidgetInfo, vec2};

use crate::colours::Colours;
use crate::wording::Said;

/// Paints the shape of a sign, so that its meaning does not hang on colour.
pub(crate) fn paint_sign(painter: &Painter, at: Pos2, radius: f32, sign: &str, colour: Color32, ground: Color32) {
    let line = Stroke::new((radius / 4.0).max(1.5), colour);
    match sign {
        "+" => {
            painter.circle_filled(at, radius, colour);
        }
        "!" => {
            let points = [vec2(0.0, -1.1), vec2(1.1, 0.9), vec2(-1.1, 0.9)].map(|way| at + way * radius);
            painter.add(Shape::convex_polygon(points.to_vec(), colour, Stroke::NONE));
        }
        "x" => {
            painter.rect_filled(egui::Rect::from_center_size(at, vec2(2.0, 2.0) * radius), 0.0, colour);
            let cross = Stroke::new((radius / 3.0).max(1.5), ground);
            let half = radius * 0.55;
            painter.line_segment([at + vec2(-half, -half), at + vec2(half, half)], cross);
            painter.line_segment([at + vec2(-half, half), at + vec2(half, -half)], cross);
        }
        ">" => {
            let points = [vec2(-0.7, -1.0), vec2(1.0, 0.0), vec2(-0.7, 1.0)].map(|way| at + way * radius);
            painter.add(Shape::convex_polygon(points.to_vec(), colour, Stroke::NONE));
        }
        "=" => {
            let rect = egui::Rect::from_center_size(at, vec2(1.7, 1.7) * radius);
            painter.rect_stroke(rect, 0.0, line, egui::StrokeKind::Inside);
        }
        "?" => {
            painter.circle_stroke(at, radius, line);
            painter.text(at, Align2::CENTER_CENTER, "?", FontId::proportional(radius * 1.7), colour);
        }
        _ => {
            painter.circle_stroke(at, radius * 0.9, line);
        }
    }
}

/// A sign and its words on one line.
pub(crate) fn said(ui: &mut Ui, said: &Said, size: f32) -> Response {
    ui.horizontal_wrapped(|ui| said_inline(ui, said, size)).inner
}

/// The same inside a line that is there already, and wraps with it.
pub(crate) fn said_inline(ui: &mut Ui, said: &Said, size: f32) -> Response {
    let colours = Colours::of(ui.visuals());
    let colour = colours.of_meaning(said.meaning);
    let (rect, _) = ui.allocate_exact_size(vec2(size * 0.8, size * 1.1), Sense::hover());
    paint_sign(ui.painter(), rect.center(), size * 0.36, said.sign, colour, colours.ground);
    ui.label(RichText::new(&said.text).size(size).color(colour))
}

/// Gives a painted area the words that it stands for.
pub(crate) fn name(response: &Response, text: impl ToString) {
    let text = text.to_string();
    response.widget_info(|| WidgetInfo::labeled(egui::Role::Label, true, &text));
}

/// The title of an area: small capitals would shout; a plain word and a rule do.
pub(crate) fn title(ui: &mut Ui, text: &str) {
    let colours = Colours::of(ui.visuals());
    ui.label(RichText::new(text).size(13.0).color(colours.faint));
}
