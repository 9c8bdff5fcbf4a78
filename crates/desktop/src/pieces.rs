//! Small pieces that every screen uses: a sign with its words, a value with its name.

use egui::{
    Align2, Button, Color32, FontId, Painter, Pos2, Response, RichText, Sense, Shape, Stroke, Ui, WidgetInfo, vec2,
};

use crate::colours::{Colours, Meaning};
use crate::sound::Sound;
use crate::wording::{self, Said};

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

/// The same in one piece: in a line that wraps, sign and words stay together.
pub(crate) fn said_whole(ui: &mut Ui, said: &Said, size: f32) -> Response {
    let colours = Colours::of(ui.visuals());
    let colour = colours.of_meaning(said.meaning);
    let galley = ui.painter().layout_no_wrap(said.text.clone(), FontId::proportional(size), colour);
    let sign = size * 1.3;
    let (rect, response) = ui.allocate_exact_size(galley.size() + vec2(sign, 0.0), Sense::hover());
    let at = rect.left_center() + vec2(size * 0.45, 0.0);
    paint_sign(ui.painter(), at, size * 0.36, said.sign, colour, colours.ground);
    ui.painter().galley(rect.left_top() + vec2(sign, 0.0), galley, colour);
    name(&response, &said.text);
    response
}

/// Words that carry across a room: the font has no heavy cut, so its strokes are widened.
pub(crate) fn heavy(ui: &mut Ui, text: &str, size: f32, colour: Color32) -> Response {
    let galley = ui.painter().layout_no_wrap(text.to_owned(), FontId::proportional(size), colour);
    let (rect, response) = ui.allocate_exact_size(galley.size(), Sense::hover());
    let wider = size * 0.022;
    for shift in [vec2(-wider, 0.0), vec2(wider, 0.0), vec2(0.0, -wider), vec2(0.0, wider)] {
        ui.painter().galley(rect.min + shift, galley.clone(), colour);
    }
    name(&response, text);
    response
}

/// The button for what the person came to do.
pub(crate) fn main_button(ui: &mut Ui, text: &str, enabled: bool) -> Response {
    let colours = Colours::of(ui.visuals());
    let label = RichText::new(text).size(18.0);
    let button = if enabled {
        Button::new(label.color(colours.on_strong())).fill(colours.of_meaning(Meaning::Action))
    } else {
        Button::new(label)
    };
    ui.add_enabled(enabled, button.min_size(vec2(220.0, 40.0)))
}

/// Gives a painted area the words that it stands for.
pub(crate) fn name(response: &Response, text: impl ToString) {
    let text = text.to_string();
    response.widget_info(|| WidgetInfo::labeled(egui::Role::Label, true, &text));
}

/// Gives a field to type in its name.
pub(crate) fn name_field(response: &Response, name: &str, text: &str) {
    response.widget_info(|| WidgetInfo { label: Some(name.to_owned()), ..WidgetInfo::text_edit(true, text, text, "") });
}

/// The height of a row with buttons, for words to stand level with them.
pub(crate) const ROW: f32 = 27.0;

/// The title of an area: small capitals would shout; a plain word and a rule do.
pub(crate) fn title(ui: &mut Ui, text: &str) {
    let colours = Colours::of(ui.visuals());
    ui.label(RichText::new(text).size(13.0).color(colours.faint));
}

/// Whether an alarm can be heard, and a button to find out.
pub(crate) fn sound(ui: &mut Ui, sound: &Sound) {
    let status = sound.status();
    said_inline(ui, &wording::sound(&status), 14.0);
    if ui.button("Test the sound").clicked() {
        sound.test();
    }
}
