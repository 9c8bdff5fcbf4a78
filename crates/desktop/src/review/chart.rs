//! Values over any part of the session, one plot above the other on one time axis, with the cursors drawn in.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::sync::Arc;

use egui::{Align2, FontId, Id, PointerButton, Rect, Sense, Stroke, TextStyle, Ui, Vec2b, pos2, vec2};
use egui_plot::{FilledArea, Line, LineStyle, Plot, PlotPoint, PlotPoints, PlotResponse, PlotTransform, VLine};
use model::{Channel, Quantity, SessionTime};
use session::history::Piece;
use session::review::Loaded;
use session::rules::Stage;
use session::snapshot::{Moment, MomentKind};
use session::tracks::{Bar, Tracks};

use super::{View, meaning, moments};
use crate::colours::{Colours, Meaning};
use crate::pieces;

/// More columns than this can't be told apart.
const COLUMNS: u32 = 700;
/// The row of stages, the row of marks, the words of the time axis, the room for values beside the plots.
const STAGES: f32 = 18.0;
const MARKS: f32 = 14.0;
const TIMES: f32 = 18.0;
const VALUES: f32 = 58.0;
/// Marks closer together than this are one.
const MARK_APART: f32 = 7.0;
/// The height of one plot, at least, and of all.
const PLOT: f32 = 60.0;
pub(super) const LEAST: f32 = 4.0 * (PLOT + 4.0) + STAGES + MARKS + TIMES + 8.0;

/// What is drawn.
#[derive(Clone, Copy)]
pub(super) struct Given<'g> {
    pub(super) loaded: &'g Loaded,
    pub(super) moments: &'g [Moment],
    /// What part, in nanoseconds.
    pub(super) shown: &'g Range<u64>,
    pub(super) view: &'g View,
    pub(super) full: u64,
}

/// What the person asked for.
#[derive(Clone, PartialEq, Debug)]
pub(super) enum Wish {
    Cursor(u64),
    Second(u64),
    Show(Range<u64>),
    Zoom { factor: f64, around: u64 },
}

/// The plots, made again only when something changed.
#[derive(Debug, Default)]
pub(super) struct Charts {
    made: Option<(Key, Vec<Chart>)>,
}

#[derive(Clone, PartialEq, Debug)]
struct Key {
    shown: Range<u64>,
    tracks: (usize, u64),
    alone: BTreeSet<Channel>,
}

#[derive(Debug)]
struct Chart {
    name: &'static str,
    unit: &'static str,
    decimals: u32,
    /// No less than this fills the height, so that noise does not look like a fault.
    least: f64,
    bands: Vec<Band>,
}

#[derive(Debug)]
struct Band {
    name: String,
    way: Way,
    bars: Vec<Bar>,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Way {
    Filled,
    Faint,
    /// A line for one channel; its number among those.
    Alone(usize),
}

impl Charts {
    /// Draws the plots into this height.
    pub(super) fn ui(&mut self, ui: &mut Ui, given: &Given<'_>, height: f32) -> Option<Wish> {
        ui.spacing_mut().item_spacing.y = 4.0;
        if let Some(font) = ui.style_mut().text_styles.get_mut(&TextStyle::Body) {
            font.size = 12.0;
        }
        let times = SessionTime::from_nanos(given.shown.start)..SessionTime::from_nanos(given.shown.end);
        let Some(tracks) = given.loaded.tracks_for(&times) else {
            ui.label("nothing is read yet");
            return None;
        };
        self.make(tracks, given);
        let charts = self.made.as_ref().map_or(&[][..], |(_, charts)| charts);
        let (stages, _) = ui.allocate_exact_size(vec2(ui.available_width(), STAGES), Sense::hover());
        let (marks, scrub) = ui.allocate_exact_size(vec2(ui.available_width(), MARKS), Sense::click_and_drag());
        pieces::name(&scrub, "Drag here to move the cursor");
        let scrub = scrub.on_hover_text("drag here to move the cursor");
        #[expect(clippy::cast_precision_loss, reason = "four plots")]
        let count = charts.len() as f32;
        let room = height - STAGES - MARKS - TIMES - 4.0 * (count + 2.0);
        let axis = Axis { given, height: (room / count.max(1.0)).max(PLOT) };
        let (mut across, mut wish) = (None, None);
        for (index, chart) in charts.iter().enumerate() {
            let (transform, asked) = axis.plot(ui, chart, index + 1 == charts.len());
            across = Some(transform);
            wish = asked.or(wish);
        }
        if let Some(across) = across {
            axis.stage_row(ui, stages, &across);
            if let Some(at) = scrub.interact_pointer_pos().filter(|_| scrub.dragged() || scrub.clicked()) {
                wish = Some(Wish::Cursor(axis.nanos(&across, at.x)));
            }
            wish = axis.mark_row(ui, marks, &across).or(wish);
        }
        wish
    }

    fn make(&mut self, tracks: &Arc<Tracks>, given: &Given<'_>) {
        let key = Key {
            shown: given.shown.clone(),
            tracks: (Arc::as_ptr(tracks) as usize, tracks.rows()),
            alone: given.view.alone.clone(),
        };
        if self.made.as_ref().is_none_or(|(made, _)| *made != key) {
            self.made = Some((key, charts(tracks, given)));
        }
    }
}

fn charts(tracks: &Tracks, given: &Given<'_>) -> Vec<Chart> {
    let channels = tracks.channels();
    let range = SessionTime::from_nanos(given.shown.start)..SessionTime::from_nanos(given.shown.end);
    let of = |quantity: Quantity| -> Vec<Channel> {
        channels.iter().copied().filter(|channel| channel.quantity == quantity).collect()
    };
    // What is drawn by itself, in one go.
    let single: Vec<Channel> = channels
        .iter()
        .copied()
        .filter(|channel| match channel.quantity {
            Quantity::PackVoltage | Quantity::BusVoltage | Quantity::Current => true,
            _ => given.view.alone.contains(channel),
        })
        .collect();
    let mut bars: BTreeMap<Channel, Vec<Bar>> =
        single.iter().copied().zip(tracks.bars(&single, range.clone(), COLUMNS)).collect();
    let mut with_envelope = |quantity: Quantity| {
        let envelope = tracks.envelope(&of(quantity), range.clone(), COLUMNS);
        let mut bands = vec![Band { name: String::new(), way: Way::Filled, bars: envelope }];
        for channel in of(quantity) {
            if let Some(bars) = bars.remove(&channel) {
                bands.push(Band { name: channel.to_string(), way: Way::Alone(bands.len() - 1), bars });
            }
        }
        bands
    };
    let (cells, warmth) = (with_envelope(Quantity::CellVoltage), with_envelope(Quantity::Temperature));
    let mut one = |quantity: Quantity, name: &str, way: Way| {
        let found = of(quantity).first().and_then(|channel| bars.remove(channel)).filter(|bars| !bars.is_empty());
        found.map(|bars| Band { name: name.to_owned(), way, bars })
    };
    let pack = one(Quantity::PackVoltage, "pack", Way::Faint);
    let volts = pack.into_iter().chain(one(Quantity::BusVoltage, "bus", Way::Filled)).collect();
    let current = one(Quantity::Current, "", Way::Filled).into_iter().collect();
    let chart = |name, unit, decimals, least, bands| Chart { name, unit, decimals, least, bands };
    vec![
        chart("cells", "V", 3, 0.02, cells),
        chart("pack and bus", "V", 1, 2.0, volts),
        chart("current", "A", 1, 2.0, current),
        chart("temperatures", "°C", 1, 2.0, warmth),
    ]
}

struct Axis<'g> {
    given: &'g Given<'g>,
    height: f32,
}

impl Axis<'_> {
    fn plot(&self, ui: &mut Ui, chart: &Chart, last: bool) -> (PlotTransform, Option<Wish>) {
        let colours = Colours::of(ui.visuals());
        let (from, to) = (seconds(self.given.shown.start), seconds(self.given.shown.end));
        let seen = seen(chart, self.given.shown);
        let response = self.empty(chart, seen, last, &colours).show(ui, |plot| {
            plot.set_plot_bounds_x(from..=to);
            for band in &chart.bands {
                draw(plot, band, &colours);
            }
            self.cursors(plot, &colours);
        });
        let text = |nanos: i64| model::format_nanos(nanos, chart.decimals);
        let words = match seen {
            Some(seen) => format!("{}  {} … {} {}", chart.name, text(seen.lowest), text(seen.highest), chart.unit),
            None => format!("{}  no data", chart.name),
        };
        let frame = *response.transform.frame();
        let font = FontId::proportional(12.0);
        let galley = ui.painter().layout_no_wrap(words.clone(), font, colours.ink);
        let place = Align2::LEFT_TOP.anchor_size(frame.left_top() + vec2(5.0, 2.0), galley.size());
        ui.painter().rect_filled(place.expand2(vec2(3.0, 0.0)), 2.0, colours.sheet.gamma_multiply(0.8));
        ui.painter().galley(place.min, galley, colours.ink);
        names(ui, chart, frame, &colours);
        pieces::name(&response.response, format!("Plot of {words}"));
        let wish = self.asked(ui, &response);
        (response.transform, wish)
    }

    fn empty(&self, chart: &Chart, seen: Option<Piece>, last: bool, colours: &Colours) -> Plot<'static> {
        let (from, to) = (seconds(self.given.shown.start), seconds(self.given.shown.end));
        let plot = Plot::new(("review", chart.name))
            .height(if last { self.height + TIMES } else { self.height })
            .link_cursor(Id::unique("packwake review axis"), Vec2b::new(true, false))
            .sense(Sense::click_and_drag())
            .allow_drag(false)
            .allow_zoom(false)
            .allow_scroll(false)
            .allow_boxed_zoom(false)
            .allow_double_click_reset(false)
            .show_axes([last, true])
            .y_axis_min_width(VALUES)
            .set_margin_fraction(vec2(0.0, 0.1))
            .include_x(from)
            .include_x(to)
            .grid_color(colours.rule)
            .grid_spacing(egui::Rangef::new(16.0, 120.0))
            .x_axis_formatter(|mark, _| time_words(mark.value, mark.step_size));
        match seen {
            Some(seen) => {
                let (lowest, highest) = (units(seen.lowest), units(seen.highest));
                let middle = lowest / 2.0 + highest / 2.0;
                let half = (highest - lowest).max(chart.least) / 2.0;
                plot.include_y(middle - half).include_y(middle + half)
            }
            None => plot.y_axis_formatter(|_, _| String::new()),
        }
    }

    fn cursors(&self, plot: &mut egui_plot::PlotUi<'_>, colours: &Colours) {
        let view = self.given.view;
        if let Some(second) = view.second {
            let line = VLine::new("compared with", seconds(second)).color(colours.ink).width(1.2);
            plot.vline(line.style(LineStyle::dashed_dense()).allow_hover(false));
        }
        let cursor = view.cursor.unwrap_or(self.given.full);
        plot.vline(VLine::new("cursor", seconds(cursor)).color(colours.ink).width(1.6).allow_hover(false));
    }

    /// A click puts the cursor, with Shift the second one; dragging moves the time, the wheel makes it longer or shorter.
    fn asked(&self, ui: &Ui, plot: &PlotResponse<()>) -> Option<Wish> {
        let response = &plot.response;
        let shown = self.given.shown;
        let length = shown.end - shown.start;
        let nanos = |x: f32| self.nanos(&plot.transform, x);
        if let Some(at) = response.interact_pointer_pos().filter(|_| response.clicked()) {
            let shift = ui.input(|input| input.modifiers.shift);
            return Some(if shift { Wish::Second(nanos(at.x)) } else { Wish::Cursor(nanos(at.x)) });
        }
        if response.dragged_by(PointerButton::Primary) {
            let share = f64::from(-response.drag_delta().x) / f64::from(plot.transform.frame().width().max(1.0));
            return Some(Wish::Show(moved(shown, share)));
        }
        if !response.hovered() {
            return None;
        }
        let (scroll, zoom, shift) =
            ui.input(|input| (input.smooth_scroll_delta(), input.zoom_delta(), input.modifiers.shift));
        let around = response.hover_pos().map_or(shown.start + length / 2, |at| nanos(at.x));
        if (zoom - 1.0).abs() > 1e-3 {
            return Some(Wish::Zoom { factor: 1.0 / f64::from(zoom), around });
        }
        if scroll.x.abs() > 0.1 || (shift && scroll.y.abs() > 0.1) {
            let along = if scroll.x.abs() > 0.1 { scroll.x } else { scroll.y };
            return Some(Wish::Show(moved(shown, f64::from(-along) / 800.0)));
        }
        (scroll.y.abs() > 0.1).then(|| Wish::Zoom { factor: f64::from(-scroll.y / 300.0).exp(), around })
    }

    /// The time at a place on the screen, inside the session.
    fn nanos(&self, across: &PlotTransform, x: f32) -> u64 {
        let at = across.value_from_position(pos2(x, 0.0)).x;
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "kept inside the session")]
        let nanos = (at.max(0.0) * 1e9) as u64;
        nanos.min(self.given.full)
    }

    fn x(&self, across: &PlotTransform, nanos: u64) -> f32 {
        let frame = across.frame();
        let x = across.position_from_point(&PlotPoint::new(seconds(nanos), 0.0)).x;
        x.clamp(frame.left(), frame.right())
    }

    /// Each stage as a word at its begin.
    fn stage_row(&self, ui: &Ui, row: Rect, across: &PlotTransform) {
        let colours = Colours::of(ui.visuals());
        let stages = moments::stages(self.given.moments);
        for (index, (from, stage)) in stages.iter().enumerate() {
            let to = stages.get(index + 1).map_or(self.given.full, |(next, _)| next.nanos);
            if to <= self.given.shown.start || self.given.shown.end <= from.nanos {
                continue;
            }
            let place = Rect::from_x_y_ranges(self.x(across, from.nanos)..=self.x(across, to), row.y_range());
            if place.width() < 1.0 {
                continue;
            }
            let fill = match stage {
                Stage::Load => colours.tint(Meaning::Action),
                _ if index % 2 == 1 => colours.rule.gamma_multiply(0.35),
                _ => colours.sheet,
            };
            let painter = ui.painter().with_clip_rect(place);
            painter.rect_filled(place, 0.0, fill);
            painter.vline(place.left(), row.y_range(), Stroke::new(1.5, colours.faint));
            let font = FontId::proportional(12.0);
            painter.text(place.left_center() + vec2(5.0, 0.0), Align2::LEFT_CENTER, stage.name(), font, colours.ink);
            let response = ui.interact(place, ui.scope_id().with(("review stage", index)), Sense::hover());
            let words = format!("Stage from {:.1} s to {:.1} s: {stage}", seconds(from.nanos), seconds(to));
            pieces::name(&response, &words);
            let _shown = response.on_hover_text(words);
        }
    }

    /// Alarms, findings and notes at their times; a click goes there.
    fn mark_row(&self, ui: &Ui, row: Rect, across: &PlotTransform) -> Option<Wish> {
        let colours = Colours::of(ui.visuals());
        // Marks that would stand on each other are one: the worst of them is drawn, all are told.
        let mut clusters: Vec<(f32, Vec<&Moment>)> = Vec::new();
        for moment in self.given.moments {
            let drawn = matches!(moment.kind, MomentKind::Alarm { .. } | MomentKind::Finding { .. } | MomentKind::Note);
            if !drawn || !self.given.shown.contains(&moment.at.nanos) {
                continue;
            }
            let x = self.x(across, moment.at.nanos);
            match clusters.last_mut().filter(|(from, _)| x < *from + MARK_APART) {
                Some((_, moments)) => moments.push(moment),
                None => clusters.push((x, vec![moment])),
            }
        }
        let mut wish = None;
        for (index, (x, moments)) in clusters.iter().enumerate() {
            let rank = |moment: &&&Moment| match meaning(moment.kind).0 {
                Meaning::Danger => 2,
                Meaning::Abnormal => 1,
                _ => 0,
            };
            // Of equals the first.
            let Some(worst) = moments.iter().rev().max_by_key(rank) else { continue };
            let (meaning, sign) = meaning(worst.kind);
            let at = pos2(*x, row.center().y);
            pieces::paint_sign(ui.painter(), at, 4.5, sign, colours.of_meaning(meaning), colours.sheet);
            let area = Rect::from_center_size(at, vec2(12.0, MARKS));
            let response = ui.interact(area, ui.scope_id().with(("mark", index)), Sense::click());
            let words: Vec<&str> = moments.iter().take(8).map(|moment| moment.text.as_str()).collect();
            let more = moments.len().saturating_sub(8);
            let more = if more == 0 { String::new() } else { format!("\nand {more} more") };
            pieces::name(&response, format!("Mark at {:.1} s: {}", seconds(worst.at.nanos), worst.text));
            if response.on_hover_text(words.join("\n") + &more).clicked() {
                wish = Some(Wish::Cursor(worst.at.nanos));
            }
        }
        wish
    }
}

/// The range moved on by a share of its length.
fn moved(shown: &Range<u64>, share: f64) -> Range<u64> {
    let length = shown.end - shown.start;
    #[expect(clippy::cast_precision_loss, reason = "places on a screen")]
    let by = (length as f64 * share).round();
    #[expect(clippy::cast_possible_truncation, reason = "no longer than a session")]
    let start = if by < 0.0 { shown.start.saturating_sub(-by as u64) } else { shown.start.saturating_add(by as u64) };
    start..start.saturating_add(length)
}

/// Lowest and highest of what is shown.
fn seen(chart: &Chart, shown: &Range<u64>) -> Option<Piece> {
    let inside = |bar: &&Bar| bar.from.nanos < shown.end && shown.start <= bar.to.nanos;
    let pieces = chart.bands.iter().flat_map(|band| &band.bars).filter(inside).map(|bar| bar.piece);
    pieces.reduce(|one, other| Piece { lowest: one.lowest.min(other.lowest), highest: one.highest.max(other.highest) })
}

fn draw(plot: &mut egui_plot::PlotUi<'_>, band: &Band, colours: &Colours) {
    let colour = match band.way {
        Way::Filled => colours.ink,
        Way::Faint => colours.faint,
        Way::Alone(index) => of_line(index, colours),
    };
    for run in band.bars.chunk_by(|_, next| !next.after_gap) {
        if let Way::Alone(index) = band.way {
            let mut points = Vec::with_capacity(run.len() * 2);
            for (index, bar) in run.iter().enumerate() {
                // One line that goes up and down inside each bar, from where the last one ended.
                let Piece { lowest, highest } = bar.piece;
                let (first, second) = if index % 2 == 0 { (lowest, highest) } else { (highest, lowest) };
                points.push(PlotPoint::new(seconds(bar.from.nanos), units(first)));
                if first != second || bar.from != bar.to {
                    points.push(PlotPoint::new(seconds(bar.to.nanos), units(second)));
                }
            }
            let line = Line::new(&band.name, PlotPoints::Owned(points)).color(colour).width(1.6);
            plot.line(line.style(style_of_line(index)).allow_hover(false));
            continue;
        }
        let times: Vec<f64> = run.iter().flat_map(|bar| [seconds(bar.from.nanos), seconds(bar.to.nanos)]).collect();
        let lowest: Vec<f64> = run.iter().flat_map(|bar| [units(bar.piece.lowest); 2]).collect();
        let highest: Vec<f64> = run.iter().flat_map(|bar| [units(bar.piece.highest); 2]).collect();
        let area = FilledArea::new(&band.name, &times, &lowest, &highest).fill_color(colour.gamma_multiply(0.25));
        plot.add(area.stroke(Stroke::new(1.2, colour)).allow_hover(false));
    }
}

/// Lines of single channels are told apart by colour and by dashes.
fn of_line(index: usize, colours: &Colours) -> egui::Color32 {
    let meaning = [Meaning::Danger, Meaning::Action, Meaning::Abnormal, Meaning::Safe];
    colours.of_meaning(meaning.get(index % meaning.len()).copied().unwrap_or(Meaning::Action))
}

fn style_of_line(index: usize) -> LineStyle {
    match index % 3 {
        0 => LineStyle::Solid,
        1 => LineStyle::dashed_dense(),
        _ => LineStyle::dotted_dense(),
    }
}

/// The names of the single lines, at the right edge.
fn names(ui: &Ui, chart: &Chart, frame: Rect, colours: &Colours) {
    let painter = ui.painter().with_clip_rect(frame);
    let mut right = frame.right() - 6.0;
    for band in chart.bands.iter().filter(|band| !band.name.is_empty()) {
        let colour = match band.way {
            Way::Filled => colours.ink,
            Way::Faint => colours.faint,
            Way::Alone(index) => of_line(index, colours),
        };
        let at = pos2(right, frame.top() + 2.0);
        let place = painter.text(at, Align2::RIGHT_TOP, &band.name, FontId::proportional(12.0), colour);
        right = place.left() - 10.0;
    }
}

/// A time on the axis, as fine as its step.
fn time_words(seconds: f64, step: f64) -> String {
    if step < 1.0 {
        let decimals = if step < 0.01 {
            3
        } else if step < 0.1 {
            2
        } else {
            1
        };
        return format!("{seconds:.decimals$} s");
    }
    #[expect(clippy::cast_possible_truncation, reason = "whole seconds of a session")]
    let whole = seconds.round() as i64;
    match whole {
        ..600 => format!("{whole} s"),
        600..3_600 => format!("{}:{:02} min", whole / 60, whole % 60),
        _ if whole % 60 == 0 => format!("{}:{:02} h", whole / 3600, whole / 60 % 60),
        _ => format!("{}:{:02}:{:02} h", whole / 3600, whole / 60 % 60, whole % 60),
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
