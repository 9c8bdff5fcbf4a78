//! The cells in series order, then and now: where each stood against the median, and its resistance against the others'.

use egui::{Align2, FontId, Painter, Pos2, Rect, Sense, Stroke, Ui, pos2, vec2};
use model::Quantity;
use report::{About, Comparison, Line, Told};

use crate::colours::{Colours, Meaning};
use crate::pieces;

/// Of one strip.
const HEIGHT: f32 = 118.0;
/// For the numbers of the scale.
const LEFT: f32 = 54.0;
const TOP: f32 = 20.0;
const BOTTOM: f32 = 18.0;

/// One cell then and now.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Pair {
    cell: u16,
    old: Option<f64>,
    new: Option<f64>,
    /// Of the difference.
    uncertainty: Option<f64>,
    changed: bool,
    large: bool,
}

/// Draws the strips for which there are numbers.
pub(super) fn ui(ui: &mut Ui, comparison: &Comparison, cells: u16) {
    for about in [About::Rest, About::Resistance] {
        let lines: Vec<&Line> = comparison.lines.iter().filter(|line| line.about == about).collect();
        let unit = lines.iter().find(|line| is_cell(line)).map_or("", |line| line.unit);
        let pairs: Vec<Pair> = lines.iter().filter(|line| line.unit == unit).filter_map(|line| pair(line)).collect();
        if 1 < pairs.len() {
            let title = match about {
                About::Rest => format!("Each cell at rest from the median, {unit}"),
                _ => format!("Each cell's resistance against the median cell's, {unit}"),
            };
            strip(ui, &title, &pairs, cells);
        }
    }
}

fn is_cell(line: &Line) -> bool {
    line.place.is_some_and(|place| place.quantity == Quantity::CellVoltage && place.place != 0)
}

fn pair(line: &Line) -> Option<Pair> {
    let cell = line.place.filter(|_| is_cell(line))?.place;
    let numbers = line.numbers?;
    let changed = line.told == Told::Changed;
    let pair =
        Pair { cell, old: numbers.old, new: numbers.new, uncertainty: numbers.uncertainty, changed, large: line.large };
    (pair.old.is_some() || pair.new.is_some()).then_some(pair)
}

/// The lowest and highest of all, with room around them.
fn span(pairs: &[Pair]) -> (f64, f64) {
    let reach = |pair: &Pair, sign: f64| Some(pair.new? + sign * pair.uncertainty?);
    let values = pairs.iter().flat_map(|pair| [pair.old, pair.new, reach(pair, 1.0), reach(pair, -1.0)]).flatten();
    let (low, high) = values.fold((f64::MAX, f64::MIN), |(low, high), value| (low.min(value), high.max(value)));
    let room = ((high - low) * 0.12).max(1e-9);
    (low - room, high + room)
}

fn strip(ui: &mut Ui, title: &str, pairs: &[Pair], cells: u16) {
    let colours = Colours::of(ui.visuals());
    let width = ui.available_width();
    let (rect, response) = ui.allocate_exact_size(vec2(width, HEIGHT), Sense::hover());
    pieces::name(&response, words(title, pairs));
    let painter = ui.painter_at(rect);
    painter.rect_filled(rect, 0.0, colours.sheet);
    let small = FontId::proportional(12.0);
    painter.text(rect.left_top() + vec2(8.0, 3.0), Align2::LEFT_TOP, title, FontId::proportional(13.0), colours.faint);
    key(&painter, rect.right_top() + vec2(-8.0, 3.0), &colours);
    let inner = Rect::from_min_max(rect.min + vec2(LEFT, TOP), rect.max - vec2(10.0, BOTTOM));
    let (low, high) = span(pairs);
    #[expect(clippy::cast_possible_truncation, reason = "places on a screen")]
    let y = |value: f64| inner.bottom() - inner.height() * ((value - low) / (high - low)) as f32;
    let step = inner.width() / f32::from(cells.max(1));
    let x = |cell: u16| inner.left() + step * (f32::from(cell) - 0.5);
    for value in ticks(low, high) {
        painter.hline(inner.x_range(), y(value), Stroke::new(1.0, colours.rule));
        let text = format!("{value:.decimals$}", decimals = decimals(high - low));
        painter.text(pos2(inner.left() - 6.0, y(value)), Align2::RIGHT_CENTER, text, small.clone(), colours.faint);
    }
    // As many numbers as have room.
    let every = (20.0 / step.max(1.0)).ceil().max(1.0);
    for pair in pairs {
        let at = x(pair.cell);
        let colour = match (pair.changed, pair.large) {
            (true, true) => colours.of_meaning(Meaning::Abnormal),
            (true, false) => colours.ink,
            (false, _) => colours.faint,
        };
        if let (Some(old), Some(new)) = (pair.old, pair.new) {
            let width = if pair.changed { 2.5 } else { 1.0 };
            painter.line_segment([pos2(at, y(old)), pos2(at, y(new))], Stroke::new(width, colour));
        }
        if let Some(old) = pair.old {
            painter.circle_filled(pos2(at, y(old)), 3.5, colours.sheet);
            painter.circle_stroke(pos2(at, y(old)), 3.5, Stroke::new(1.5, colours.faint));
        }
        if let Some(new) = pair.new {
            if let Some(uncertainty) = pair.uncertainty {
                painter.vline(at, y(new + uncertainty)..=y(new - uncertainty), Stroke::new(1.0, colour));
            }
            painter.circle_filled(pos2(at, y(new)), if pair.changed { 4.5 } else { 3.0 }, colour);
        }
        let marked = pair.changed && pair.large;
        if marked || (f32::from(pair.cell) - 1.0) % every < 0.5 {
            let text = if marked { format!("! {}", pair.cell) } else { pair.cell.to_string() };
            let colour = if marked { colour } else { colours.faint };
            painter.text(pos2(at, inner.bottom() + 2.0), Align2::CENTER_TOP, text, small.clone(), colour);
        }
    }
    ui.add_space(6.0);
}

/// What the marks stand for.
fn key(painter: &Painter, right: Pos2, colours: &Colours) {
    let mut at = right;
    for (text, filled) in [("now, large where it changed", true), ("then", false)] {
        let drawn = painter.text(at, Align2::RIGHT_TOP, text, FontId::proportional(12.0), colours.faint);
        let mark = pos2(drawn.left() - 8.0, drawn.center().y);
        if filled {
            painter.circle_filled(mark, 3.5, colours.ink);
        } else {
            painter.circle_stroke(mark, 3.5, Stroke::new(1.5, colours.faint));
        }
        at = pos2(mark.x - 12.0, right.y);
    }
}

/// For those who don't see the picture.
fn words(title: &str, pairs: &[Pair]) -> String {
    let changed = pairs.iter().filter(|pair| pair.changed).map(|pair| pair.cell.to_string());
    let changed: Vec<String> = changed.collect();
    if changed.is_empty() {
        format!("{title}: no cell changed")
    } else {
        format!("{title}: changed at cells {}", changed.join(", "))
    }
}

/// Two to five round values between these.
fn ticks(low: f64, high: f64) -> Vec<f64> {
    let least = (high - low) / 4.0;
    let power = 10.0_f64.powf(least.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|factor| factor * power).find(|step| least <= *step);
    let step = step.unwrap_or(power * 10.0);
    let first = (low / step).ceil();
    (0..6).map(|index| (first + f64::from(index)) * step).take_while(|value| *value <= high).collect()
}

fn decimals(span: f64) -> usize {
    match span {
        ..0.2 => 3,
        0.2..2.0 => 2,
        2.0..20.0 => 1,
        _ => 0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scales_are_round_and_hold_all() {
        assert_eq!(ticks(-1.1, 2.3), [-1.0, 0.0, 1.0, 2.0]);
        assert!(ticks(0.93, 2.7).iter().all(|value| (0.93..=2.7).contains(value)));
        let pair = |old, new| Pair { cell: 1, old, new, uncertainty: None, changed: false, large: false };
        let (low, high) = span(&[pair(Some(1.0), Some(3.0)), pair(None, Some(-2.0))]);
        assert!(low < -2.0 && 3.0 < high);
        // All alike: there is room all the same.
        let (low, high) = span(&[pair(Some(1.0), Some(1.0))]);
        assert!(low < high && !ticks(low, high).is_empty());
    }
}
