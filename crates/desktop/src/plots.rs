//! Values over time, one above the other on one time axis, with stages, alarms and gaps drawn in.

use egui::{Id, RichText, Ui, Vec2b};
use egui_plot::{FilledArea, Line, LineStyle, Plot, PlotPoint, PlotPoints, Span as TimeSpan, VLine};
use session::Snapshot;
use session::history::{Piece, Series, Span};
use session::rules::{Severity, Stage};

use crate::colours::{Colours, Meaning};
use crate::pieces;
use crate::wording::Look;

/// A pause between values longer than this is drawn as a gap.
const GAP_SECONDS: f64 = 1.0;
/// More columns than this can't be told apart.
const COLUMNS: usize = 700;
/// More alarm marks than this can't be told apart.
const MARKS: usize = 24;

/// Draws the plots into what room there is.
pub fn ui(ui: &mut Ui, look: Look<'_>, span: &mut Span) {
    let snapshot = look.snapshot;
    ui.horizontal(|ui| {
        pieces::title(ui, "Over time");
        for (choice, text) in [(Span::Minute, "last minute"), (Span::Whole, "whole session")] {
            if ui.selectable_label(*span == choice, text).clicked() {
                *span = choice;
            }
        }
        ui.label(RichText::new("lowest and highest of each moment; nothing is averaged").size(12.0).weak());
    });
    let height = ((ui.available_height() - 8.0) / 3.0).max(46.0);
    let history = &snapshot.history;
    let (from, to) = range(snapshot, look, *span);
    let cells = envelope(&history.cells, *span);
    let temperatures = envelope(&history.temperatures, *span);
    let alarmed: Vec<(String, Columns)> = snapshot
        .cells
        .iter()
        .zip(&history.cells)
        .enumerate()
        .filter(|(_, (cell, _))| {
            matches!(cell.standing, session::snapshot::Standing::Warning | session::snapshot::Standing::Critical)
        })
        .take(4)
        .map(|(index, (_, series))| (format!("cell {}", index + 1), columns(series, *span)))
        .collect();
    let current = columns(&history.current, *span);
    let axis = Axis { snapshot, from, to, height };
    axis.plot(ui, "cells, V", &cells, &alarmed, false);
    axis.plot(ui, "current, A", &current, &[], false);
    axis.plot(ui, "temperatures, °C", &temperatures, &[], true);
}

/// What part of the session is shown, in seconds.
fn range(snapshot: &Snapshot, look: Look<'_>, span: Span) -> (f64, f64) {
    // While a session runs its plots move on, with data or without.
    let now = seconds(look.now().nanos.max(snapshot.at.nanos));
    match span {
        Span::Minute => ((now - 60.0).max(0.0), now.max(60.0)),
        Span::Whole => (0.0, now.max(10.0)),
    }
}

#[expect(clippy::cast_precision_loss, reason = "places on a screen")]
fn seconds(nanos: u64) -> f64 {
    nanos as f64 / 1e9
}

#[expect(clippy::cast_precision_loss, reason = "places on a screen")]
fn units(nanos: i64) -> f64 {
    nanos as f64 / 1e9
}

/// Bands over time: begin in seconds, lowest and highest.
type Columns = Vec<(f64, Piece)>;

/// The pieces that have values, joined so that there are no more than can be told apart.
fn columns(series: &Series, span: Span) -> Columns {
    reduce(series.pieces(span).filter_map(|(from, piece)| Some((seconds(from), piece?))).collect())
}

/// Lowest and highest of several series: none of them is outside.
fn envelope(all: &[Series], span: Span) -> Columns {
    let mut joined: std::collections::BTreeMap<u64, Piece> = std::collections::BTreeMap::new();
    for (from, piece) in all.iter().flat_map(|series| series.pieces(span)) {
        let Some(piece) = piece else { continue };
        joined.entry(from).and_modify(|known| *known = join(*known, piece)).or_insert(piece);
    }
    reduce(joined.into_iter().map(|(from, piece)| (seconds(from), piece)).collect())
}

fn join(one: Piece, other: Piece) -> Piece {
    Piece { lowest: one.lowest.min(other.lowest), highest: one.highest.max(other.highest) }
}

fn reduce(all: Columns) -> Columns {
    let group = all.len().div_ceil(COLUMNS).max(1);
    let joined = all.chunks(group).flat_map(|chunk| {
        // A gap inside a group stays one.
        let runs = chunk.chunk_by(|(one, _), (next, _)| next - one <= GAP_SECONDS.max(4.0 * step(chunk)));
        runs.filter_map(|run| {
            let from = run.first()?.0;
            Some((from, run.iter().map(|(_, piece)| *piece).reduce(join)?))
        })
    });
    joined.collect()
}

/// The shortest distance between neighbours.
fn step(columns: &[(f64, Piece)]) -> f64 {
    let steps = columns.windows(2).map(|pair| match pair {
        [one, next] => next.0 - one.0,
        _ => f64::INFINITY,
    });
    let shortest = steps.fold(f64::INFINITY, f64::min);
    if shortest.is_finite() { shortest } else { 0.0 }
}

/// The columns between gaps.
fn runs(columns: &Columns) -> impl Iterator<Item = &[(f64, Piece)]> {
    let apart = GAP_SECONDS.max(3.0 * step(columns));
    columns.chunk_by(move |(one, _), (next, _)| next - one <= apart)
}

/// Times, lower and upper edge of a band. No value lies outside it.
fn edges(run: &[(f64, Piece)]) -> [Vec<f64>; 3] {
    let xs = run.iter().map(|(at, _)| *at).collect();
    let lowest = run.iter().map(|(_, piece)| units(piece.lowest)).collect();
    [xs, lowest, run.iter().map(|(_, piece)| units(piece.highest)).collect()]
}

/// One line that goes up and down inside each band, broken at gaps.
fn strokes(columns: &Columns) -> Vec<Vec<PlotPoint>> {
    let line = |run: &[(f64, Piece)]| {
        let both = run.iter().enumerate().flat_map(|(index, (at, piece))| {
            // From where the last one ended.
            let (first, second) =
                if index % 2 == 0 { (piece.lowest, piece.highest) } else { (piece.highest, piece.lowest) };
            let second = (first != second).then(|| PlotPoint::new(*at, units(second)));
            std::iter::once(PlotPoint::new(*at, units(first))).chain(second)
        });
        both.collect()
    };
    runs(columns).map(line).collect()
}

struct Axis<'s> {
    snapshot: &'s Snapshot,
    from: f64,
    to: f64,
    height: f32,
}

impl Axis<'_> {
    fn plot(&self, ui: &mut Ui, name: &str, columns: &Columns, more: &[(String, Columns)], last: bool) {
        let colours = Colours::of(ui.visuals());
        let shown: Vec<i64> = columns
            .iter()
            .filter(|(at, _)| self.from <= *at)
            .flat_map(|(_, piece)| [piece.lowest, piece.highest])
            .collect();
        let (lowest, highest) = (shown.iter().min().copied(), shown.iter().max().copied());
        let mut plot = Plot::new(name)
            .height(if last { self.height + 18.0 } else { self.height - 9.0 })
            .link_cursor(Id::unique("packwake time axis"), Vec2b::new(true, false))
            .allow_drag(false)
            .allow_zoom(false)
            .allow_scroll(false)
            .allow_boxed_zoom(false)
            .allow_double_click_reset(false)
            .show_axes([last, true])
            .y_axis_min_width(58.0)
            .set_margin_fraction(egui::vec2(0.0, 0.08))
            .include_x(self.from)
            .include_x(self.to)
            .grid_color(colours.rule)
            .grid_spacing(egui::Rangef::new(14.0, 120.0))
            .x_axis_formatter(|mark, _| format!("{} s", mark.value));
        // An empty plot has no scale to show.
        if let (Some(lowest), Some(highest)) = (lowest, highest) {
            let middle = units(lowest) / 2.0 + units(highest) / 2.0;
            let least = if name.starts_with("cells") { 0.02 } else { 2.0 };
            let half = (units(highest) - units(lowest)).max(least) / 2.0;
            plot = plot.include_y(middle - half).include_y(middle + half);
        } else {
            plot = plot.show_axes([last, false]);
        }
        let (from, to) = (self.from, self.to);
        let response = plot.show(ui, |plot| {
            plot.set_plot_bounds_x(from..=to);
            self.stages(plot, &colours);
            self.alarms(plot, &colours);
            for run in runs(columns) {
                let [xs, lowest, highest] = edges(run);
                let area = FilledArea::new(name, &xs, &lowest, &highest);
                let fill = colours.ink.gamma_multiply(0.25);
                plot.add(area.fill_color(fill).stroke(egui::Stroke::new(1.2, colours.ink)).allow_hover(false));
            }
            for (name, columns) in more {
                for points in strokes(columns) {
                    let colour = colours.of_meaning(Meaning::Danger);
                    plot.line(Line::new(name, PlotPoints::Owned(points)).color(colour).width(1.4));
                }
            }
        });
        let rect = response.response.rect;
        let font = egui::FontId::proportional(12.0);
        let at = rect.right_top() + egui::vec2(-6.0, 3.0);
        let decimals = if name.starts_with("cells") { 3 } else { 1 };
        let text = |nanos: i64| model::format_nanos(nanos, decimals);
        let corner = match (lowest, highest) {
            (Some(lowest), Some(highest)) => format!("{name}: {} … {}", text(lowest), text(highest)),
            _ => name.to_owned(),
        };
        ui.painter().text(at, egui::Align2::RIGHT_TOP, corner, font.clone(), colours.faint);
        let words = match (lowest, highest) {
            (Some(lowest), Some(highest)) => {
                format!("Plot of {name}: {} to {}", text(lowest), text(highest))
            }
            _ => {
                ui.painter().text(rect.center(), egui::Align2::CENTER_CENTER, "no data", font, colours.faint);
                format!("Plot of {name}: no data")
            }
        };
        pieces::name(&response.response, words);
    }

    /// Load is shaded; the rest of the time is not.
    fn stages(&self, plot: &mut egui_plot::PlotUi<'_>, colours: &Colours) {
        let stages = &self.snapshot.stages;
        for (index, (at, stage)) in stages.iter().enumerate() {
            // The stage of the moment reaches to now, not into what has not happened.
            let now = seconds(self.snapshot.at.nanos).min(self.to);
            let end = stages.get(index + 1).map_or(now, |(next, _)| seconds(next.nanos));
            let begin = seconds(at.nanos).max(self.from);
            if *stage == Stage::Load && begin < end {
                let fill = colours.tint(Meaning::Action);
                plot.span(TimeSpan::new("", begin..=end).fill(fill).border_width(0.0));
            }
        }
    }

    /// The newest alarms, each where it was raised: dashed for a warning, solid for a critical one.
    fn alarms(&self, plot: &mut egui_plot::PlotUi<'_>, colours: &Colours) {
        for alarm in self.snapshot.alarms.iter().rev().take(MARKS) {
            let (meaning, style) = match alarm.worst {
                Severity::Warning => (Meaning::Abnormal, LineStyle::dashed_loose()),
                Severity::Critical => (Meaning::Danger, LineStyle::Solid),
            };
            let line = VLine::new(format!("alarm {}", alarm.number), seconds(alarm.worst_at.nanos));
            plot.vline(line.color(colours.of_meaning(meaning)).style(style).width(1.2));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn piece(lowest: i64, highest: i64) -> Piece {
        Piece { lowest, highest }
    }

    #[test]
    fn a_gap_breaks_the_line_and_a_spike_stays() {
        let columns = vec![
            (0.0, piece(1, 1)),
            (0.1, piece(1, 9_000_000_000)),
            (0.2, piece(1, 1)),
            (5.0, piece(2, 2)),
            (5.1, piece(2, 2)),
        ];
        let runs = strokes(&columns);
        assert_eq!(runs.len(), 2, "five seconds without a value are a gap");
        let highest = runs.iter().flatten().map(|point| point.y).fold(0.0, f64::max);
        assert!((highest - 9.0).abs() < 1e-9);
        let bands: Vec<_> = super::runs(&columns).map(edges).collect();
        assert_eq!(bands.len(), 2);
        for ([xs, lowest, highest], points) in bands.iter().zip(&runs) {
            for point in points {
                let at = xs.iter().position(|x| (x - point.x).abs() < 1e-9).expect("the same times");
                assert!(lowest[at] <= point.y && point.y <= highest[at], "no value outside the band");
            }
        }
    }

    #[test]
    fn what_is_joined_for_the_screen_keeps_its_lowest_and_highest() {
        let all: Columns =
            (0..5000_u32).map(|n| (f64::from(n) * 0.1, piece(i64::from(n % 7), i64::from(n % 11)))).collect();
        let few = reduce(all.clone());
        assert!(few.len() <= COLUMNS, "{}", few.len());
        for chunk in [&all, &few] {
            assert_eq!(chunk.iter().map(|(_, piece)| piece.lowest).min(), Some(0));
            assert_eq!(chunk.iter().map(|(_, piece)| piece.highest).max(), Some(10));
        }
        assert_eq!(strokes(&few).len(), 1, "joining makes no gaps");
    }
}
