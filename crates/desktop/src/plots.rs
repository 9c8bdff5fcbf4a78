//! Values over time, one above the other on one time axis, with stages, alarms and gaps drawn in.

use egui::{Align2, Color32, FontId, Id, Rect, RichText, Sense, Stroke, TextStyle, Ui, Vec2b, pos2, vec2};
use egui_plot::{FilledArea, Line, LineStyle, Plot, PlotPoint, PlotPoints, PlotTransform, Span as TimeSpan, VLine};
use session::Snapshot;
use session::history::{Piece, Series, Span};
use session::rules::{Alarm, Finding, Severity, Stage};

use crate::colours::{Colours, Meaning};
use crate::pieces;
use crate::wording::{self, Look};

/// A pause between values longer than this is drawn as a gap.
const GAP_SECONDS: f64 = 1.0;
/// More columns than this can't be told apart.
const COLUMNS: usize = 700;
/// More alarm marks than this can't be told apart.
const MARKS: usize = 24;

/// The height of the row of stages.
const STAGES: f32 = 18.0;
/// The height of the words of the time axis.
const TIMES: f32 = 18.0;
/// Room for the values beside the plots.
const VALUES: f32 = 58.0;

/// From this width on there is room for a word on how values are joined.
const NOTE: f32 = 620.0;

/// The height of one plot, at least.
const PLOT: f32 = 30.0;
/// The height of all of it, at least, with the title of the cells above.
pub(crate) const LEAST: f32 = 4.0 * (PLOT + 4.0) + STAGES + TIMES + 72.0;

/// Draws the plots into what room there is.
pub fn ui(ui: &mut Ui, look: Look<'_>, span: &mut Span) {
    let snapshot = look.snapshot;
    let room = ui.available_width();
    ui.horizontal(|ui| {
        ui.set_min_height(pieces::ROW);
        pieces::title(ui, "Over time");
        for (choice, text) in [(Span::Minute, "last minute"), (Span::Whole, "whole session")] {
            if ui.selectable_label(*span == choice, text).clicked() {
                *span = choice;
            }
        }
        if NOTE < room {
            ui.label(RichText::new("lowest and highest of each moment; nothing is averaged").size(12.0).weak());
        }
    });
    ui.spacing_mut().item_spacing.y = 4.0;
    // The words of the axes.
    if let Some(font) = ui.style_mut().text_styles.get_mut(&TextStyle::Body) {
        font.size = 12.0;
    }
    let (row, _) = ui.allocate_exact_size(vec2(ui.available_width(), STAGES), Sense::hover());
    let charts = charts(snapshot, *span);
    #[expect(clippy::cast_precision_loss, reason = "four plots")]
    let count = charts.len() as f32;
    let height = ((ui.available_height() - TIMES - 4.0 * count) / count).max(PLOT);
    let (from, to) = range(snapshot, look, *span);
    let axis = Axis { snapshot, from, to, height };
    let mut across = None;
    for (index, chart) in charts.iter().enumerate() {
        across = Some(axis.plot(ui, look, chart, index + 1 == charts.len()));
    }
    if let Some(across) = across {
        axis.stage_row(ui, row, &across);
        axis.finding_marks(ui, look, row, &across);
    }
}

/// One plot: what is drawn in it, and how its values are said.
struct Chart {
    name: &'static str,
    unit: &'static str,
    decimals: u32,
    /// No less than this fills the height, so that noise does not look like a fault.
    least: f64,
    bands: Vec<Band>,
}

struct Band {
    /// Shown at its end; empty where the plot has one band only.
    name: String,
    columns: Columns,
    way: Way,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Way {
    /// Filled from lowest to highest.
    Filled,
    /// The same, standing back.
    Faint,
    /// A line for what has an alarm.
    Alarmed,
}

fn charts(snapshot: &Snapshot, span: Span) -> [Chart; 4] {
    let history = &snapshot.history;
    let band = |name: &str, columns, way| Band { name: name.to_owned(), columns, way };
    let mut cells = vec![band("", envelope(&history.cells, span), Way::Filled)];
    let alarmed = snapshot.cells.iter().zip(&history.cells).enumerate().filter(|(_, (cell, _))| {
        matches!(cell.standing, session::snapshot::Standing::Warning | session::snapshot::Standing::Critical)
    });
    let alarmed = alarmed.take(4);
    cells.extend(
        alarmed.map(|(index, (_, series))| band(&format!("cell {}", index + 1), columns(series, span), Way::Alarmed)),
    );
    let mut volts = vec![band("bus", columns(&history.bus, span), Way::Filled)];
    let pack = columns(&history.pack, span);
    if !pack.is_empty() {
        volts.insert(0, band("pack", pack, Way::Faint));
    }
    [
        Chart { name: "cells", unit: "V", decimals: 3, least: 0.02, bands: cells },
        Chart { name: "pack and bus", unit: "V", decimals: 1, least: 2.0, bands: volts },
        Chart {
            name: "current",
            unit: "A",
            decimals: 1,
            least: 2.0,
            bands: vec![band("", columns(&history.current, span), Way::Filled)],
        },
        Chart {
            name: "temperatures",
            unit: "°C",
            decimals: 1,
            least: 2.0,
            bands: vec![band("", envelope(&history.temperatures, span), Way::Filled)],
        },
    ]
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
    // Series that began at other times can have pieces of other lengths.
    let length = all.iter().map(|series| series.piece_nanos(span)).max().unwrap_or(1);
    let number = |from: u64| from / length;
    let firsts = all.iter().filter_map(|series| series.pieces(span).next());
    let first = firsts.map(|(from, _)| number(from)).min().unwrap_or(0);
    let mut joined: Vec<Option<Piece>> = Vec::new();
    for (from, piece) in all.iter().flat_map(|series| series.pieces(span)) {
        let index = usize::try_from(number(from) - first).unwrap_or(usize::MAX);
        if joined.len() <= index {
            joined.resize(index.saturating_add(1), None);
        }
        if let (Some(slot), Some(piece)) = (joined.get_mut(index), piece) {
            *slot = Some(slot.map_or(piece, |known| join(known, piece)));
        }
    }
    let pieces =
        (first..).zip(joined).filter_map(|(number, piece)| Some((seconds(number.saturating_mul(length)), piece?)));
    reduce(pieces.collect())
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

/// The time axis that all plots share.
struct Axis<'s> {
    snapshot: &'s Snapshot,
    from: f64,
    to: f64,
    height: f32,
}

impl Axis<'_> {
    fn plot(&self, ui: &mut Ui, look: Look<'_>, chart: &Chart, last: bool) -> PlotTransform {
        let colours = Colours::of(ui.visuals());
        let seen = self.seen(chart);
        let response = self.empty(chart, seen, last, &colours).show(ui, |plot| {
            plot.set_plot_bounds_x(self.from..=self.to);
            self.stages(plot, &colours);
            self.alarms(plot, &colours);
            self.findings(plot, look, &colours);
            for band in &chart.bands {
                draw(plot, band, &colours);
            }
        });
        let rect = response.response.rect;
        let text = |nanos: i64| model::format_nanos(nanos, chart.decimals);
        let font = FontId::proportional(12.0);
        let Chart { name, unit, .. } = chart;
        let (corner, words) = match seen {
            Some(seen) => {
                let (lowest, highest) = (text(seen.lowest), text(seen.highest));
                (
                    format!("{name}  {lowest} … {highest} {unit}"),
                    format!("Plot of {name}: {lowest} to {highest} {unit}"),
                )
            }
            None => {
                ui.painter().text(rect.center(), Align2::CENTER_CENTER, "no data", font.clone(), colours.faint);
                ((*name).to_owned(), format!("Plot of {name}: no data"))
            }
        };
        let galley = ui.painter().layout_no_wrap(corner, font, colours.ink);
        let frame = response.transform.frame();
        // Where nothing is covered that just happened: on the right while the session is young.
        let young = seconds(self.snapshot.at.nanos) - self.from < 0.45 * (self.to - self.from);
        let (corner, align) = if young {
            (frame.right_top() + vec2(-5.0, 2.0), Align2::RIGHT_TOP)
        } else {
            (frame.left_top() + vec2(5.0, 2.0), Align2::LEFT_TOP)
        };
        let place = align.anchor_size(corner, galley.size());
        ui.painter().rect_filled(place.expand2(vec2(3.0, 0.0)), 2.0, colours.sheet.gamma_multiply(0.8));
        ui.painter().galley(place.min, galley, colours.ink);
        name_bands(ui, chart, &response.transform, &colours);
        pieces::name(&response.response, words);
        response.transform
    }

    /// Lowest and highest of what is shown.
    fn seen(&self, chart: &Chart) -> Option<Piece> {
        let shown = chart.bands.iter().flat_map(|band| &band.columns).filter(|(at, _)| self.from <= *at);
        shown.map(|(_, piece)| *piece).reduce(join)
    }

    fn empty(&self, chart: &Chart, seen: Option<Piece>, last: bool, colours: &Colours) -> Plot<'static> {
        let plot = Plot::new(chart.name)
            .height(if last { self.height + TIMES } else { self.height })
            .link_cursor(Id::unique("packwake time axis"), Vec2b::new(true, false))
            .allow_drag(false)
            .allow_zoom(false)
            .allow_scroll(false)
            .allow_boxed_zoom(false)
            .allow_double_click_reset(false)
            .show_axes([last, true])
            .y_axis_min_width(VALUES)
            .set_margin_fraction(vec2(0.0, 0.1))
            .include_x(self.from)
            .include_x(self.to)
            .grid_color(colours.rule)
            .grid_spacing(egui::Rangef::new(16.0, 120.0))
            .x_axis_formatter(|mark, _| format!("{} s", mark.value));
        match seen {
            Some(seen) => {
                let (lowest, highest) = (units(seen.lowest), units(seen.highest));
                let middle = lowest / 2.0 + highest / 2.0;
                let half = (highest - lowest).max(chart.least) / 2.0;
                plot.include_y(middle - half).include_y(middle + half)
            }
            // An empty plot has no scale to show, but keeps its place on the time axis.
            None => plot.y_axis_formatter(|_, _| String::new()),
        }
    }

    /// Each stage with its begin and end, as far as it is shown.
    fn shown_stages(&self) -> impl Iterator<Item = (usize, f64, f64, Stage)> + '_ {
        let stages = &self.snapshot.stages;
        // The stage of the moment reaches to now, not into what has not happened.
        let now = seconds(self.snapshot.at.nanos).min(self.to);
        stages.iter().enumerate().filter_map(move |(index, (at, stage))| {
            let end = stages.get(index + 1).map_or(now, |(next, _)| seconds(next.nanos));
            let begin = seconds(at.nanos).max(self.from);
            (begin < end).then_some((index, begin, end, *stage))
        })
    }

    fn stages(&self, plot: &mut egui_plot::PlotUi<'_>, colours: &Colours) {
        for (index, begin, end, stage) in self.shown_stages() {
            if let Some(fill) = shade(index, stage, colours) {
                plot.span(TimeSpan::new("", begin..=end).fill(fill).border_width(0.0));
            }
        }
    }

    /// The row above the plots: each stage as a word at its begin, and the alarms.
    fn stage_row(&self, ui: &Ui, row: Rect, across: &PlotTransform) {
        let colours = Colours::of(ui.visuals());
        let frame = across.frame();
        let x = |at: f64| across.position_from_point(&PlotPoint::new(at, 0.0)).x.clamp(frame.left(), frame.right());
        let place = |begin: f64, end: f64| Rect::from_x_y_ranges(x(begin)..=x(end), row.y_range());
        for (index, begin, end, stage) in self.shown_stages() {
            let place = place(begin, end);
            let painter = ui.painter().with_clip_rect(place);
            painter.rect_filled(place, 0.0, shade(index, stage, &colours).unwrap_or(colours.sheet));
            painter.vline(place.left(), row.y_range(), Stroke::new(1.5, colours.faint));
            let font = FontId::proportional(12.0);
            painter.text(place.left_center() + vec2(5.0, 0.0), Align2::LEFT_CENTER, stage.name(), font, colours.ink);
            let response = ui.interact(place, ui.scope_id().with(("stage", index)), Sense::hover());
            pieces::name(&response, format!("Stage from {begin:.1} s to {end:.1} s: {stage}"));
        }
        for alarm in self.marked() {
            let said = wording::severity(alarm.worst);
            let at = pos2(x(seconds(alarm.worst_at.nanos)), row.bottom() - 5.0);
            pieces::paint_sign(ui.painter(), at, 4.0, said.sign, colours.of_meaning(said.meaning), colours.sheet);
        }
    }

    /// The findings whose data begins in the time that is shown.
    fn shown_findings<'f>(&self, look: Look<'f>) -> impl Iterator<Item = &'f Finding> {
        let (from, to) = (self.from, self.to);
        let begin = move |finding: &&Finding| (from..=to).contains(&seconds(finding.since.nanos));
        wording::findings(look).into_iter().filter(begin).take(MARKS)
    }

    /// A line through all plots where the data of a finding begins: dotted, for it is no reading.
    fn findings(&self, plot: &mut egui_plot::PlotUi<'_>, look: Look<'_>, colours: &Colours) {
        for finding in self.shown_findings(look) {
            let colour = colours.of_meaning(wording::severity(finding.severity).meaning);
            let line = VLine::new(format!("finding {}", finding.number), seconds(finding.since.nanos));
            plot.vline(line.color(colour).style(LineStyle::dotted_dense()).width(1.6));
        }
    }

    /// A flag on that line, above the plots.
    fn finding_marks(&self, ui: &Ui, look: Look<'_>, row: Rect, across: &PlotTransform) {
        let colours = Colours::of(ui.visuals());
        for finding in self.shown_findings(look) {
            let at = seconds(finding.since.nanos);
            let x = across.position_from_point(&PlotPoint::new(at, 0.0)).x;
            let colour = colours.of_meaning(wording::severity(finding.severity).meaning);
            let painter = ui.painter();
            painter.vline(x, row.y_range(), Stroke::new(2.0, colour));
            let flag = [vec2(0.0, 0.0), vec2(11.0, 4.5), vec2(0.0, 9.0)].map(|way| pos2(x, row.top()) + way);
            painter.add(egui::Shape::convex_polygon(flag.to_vec(), colour, Stroke::NONE));
            let area = Rect::from_x_y_ranges(x - 2.0..=x + 12.0, row.y_range());
            let response = ui.interact(area, ui.scope_id().with(("flag", finding.number)), Sense::hover());
            let words = format!("Mark on the time axis from {at:.1} s: {}", wording::finding(finding));
            pieces::name(&response, &words);
            let _shown = response.on_hover_text(words);
        }
    }

    /// The newest alarms that were raised in the time that is shown.
    fn marked(&self) -> impl Iterator<Item = &Alarm> {
        let newest = self.snapshot.alarms.iter().rev().take(MARKS);
        newest.filter(|alarm| self.from <= seconds(alarm.worst_at.nanos))
    }

    /// Each alarm where it was raised: dashed for a warning, solid for a critical one.
    fn alarms(&self, plot: &mut egui_plot::PlotUi<'_>, colours: &Colours) {
        for alarm in self.marked() {
            let (meaning, style) = match alarm.worst {
                Severity::Warning => (Meaning::Abnormal, LineStyle::dashed_loose()),
                Severity::Critical => (Meaning::Danger, LineStyle::Solid),
            };
            let line = VLine::new(format!("alarm {}", alarm.number), seconds(alarm.worst_at.nanos));
            plot.vline(line.color(colours.of_meaning(meaning)).style(style).width(1.2));
        }
    }
}

/// Load stands out; of the other stages every second one, so that each has an edge.
fn shade(index: usize, stage: Stage, colours: &Colours) -> Option<Color32> {
    match stage {
        Stage::Load => Some(colours.tint(Meaning::Action)),
        _ if index % 2 == 1 => Some(colours.rule.gamma_multiply(0.35)),
        _ => None,
    }
}

fn draw(plot: &mut egui_plot::PlotUi<'_>, band: &Band, colours: &Colours) {
    if band.way == Way::Alarmed {
        for points in strokes(&band.columns) {
            let colour = colours.of_meaning(Meaning::Danger);
            plot.line(Line::new(&band.name, PlotPoints::Owned(points)).color(colour).width(1.4));
        }
        return;
    }
    let colour = if band.way == Way::Faint { colours.faint } else { colours.ink };
    for run in runs(&band.columns) {
        let [xs, lowest, highest] = edges(run);
        let area = FilledArea::new(&band.name, &xs, &lowest, &highest).fill_color(colour.gamma_multiply(0.25));
        plot.add(area.stroke(Stroke::new(1.2, colour)).allow_hover(false));
    }
}

/// Each band's name at its newest value, one below the other where they meet.
fn name_bands(ui: &Ui, chart: &Chart, across: &PlotTransform, colours: &Colours) {
    const LINE: f32 = 13.0;
    let frame = *across.frame();
    let painter = ui.painter().with_clip_rect(frame);
    let end = |band: &Band| {
        let (at, piece) = band.columns.last().filter(|_| !band.name.is_empty())?;
        Some(across.position_from_point(&PlotPoint::new(*at, units(piece.highest))))
    };
    let mut named: Vec<_> = chart.bands.iter().filter_map(|band| Some((end(band)?, band))).collect();
    named.sort_by(|(one, _), (other, _)| one.y.total_cmp(&other.y));
    let mut free = frame.top() + LINE / 2.0;
    for (end, band) in named {
        let colour = match band.way {
            Way::Filled => colours.ink,
            Way::Faint => colours.faint,
            Way::Alarmed => colours.of_meaning(Meaning::Danger),
        };
        let y = end.y.min(frame.bottom() - LINE / 2.0).max(free);
        free = y + LINE;
        // After the value, where nothing has happened yet; before it where there is no room.
        let (x, align) = if end.x + 60.0 < frame.right() {
            (end.x + 5.0, Align2::LEFT_CENTER)
        } else {
            (end.x - 5.0, Align2::RIGHT_CENTER)
        };
        painter.text(pos2(x, y), align, &band.name, FontId::proportional(12.0), colour);
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
