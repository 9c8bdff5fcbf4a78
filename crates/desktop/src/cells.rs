//! The cells in series order, as deviations from the pack median, with their limits drawn in.

use egui::{Align2, Color32, FontId, Pos2, Rect, Sense, Stroke, Ui, pos2, vec2};
use model::{Channel, Quantity, format_nanos};
use session::Snapshot;
use session::rules::Finding;
use session::snapshot::{Reading, Standing};

use crate::colours::{Colours, Meaning};
use crate::pieces;
use crate::wording::{self, Look};

/// How far the chart reaches from the median, in millivolts. Changed by the person only.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Scale {
    /// 60 mV either way.
    Fine,
    /// 100 mV either way: 10 mV are at least 12 pixels in a window of 1280 x 800.
    #[default]
    Usual,
    /// 600 mV either way.
    Wide,
}

impl Scale {
    const ALL: [(Self, i64, &'static str); 3] =
        [(Self::Fine, 60, "±60 mV"), (Self::Usual, 100, "±100 mV"), (Self::Wide, 600, "±600 mV")];

    /// Millivolts from the median to the edge.
    pub fn millivolts(self) -> i64 {
        Self::ALL.iter().find(|(scale, ..)| *scale == self).map_or(100, |(_, millivolts, _)| *millivolts)
    }
}

/// What stands under each cell, by how wide its place is.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Rows {
    /// Every fifth number.
    Number,
    /// The number and the deviation.
    Deviation,
    /// The number, the value, lowest and highest.
    All,
}

impl Rows {
    fn fitting(width: f32) -> Self {
        match width {
            _ if width < 20.0 => Self::Number,
            _ if width < 30.0 => Self::Deviation,
            _ => Self::All,
        }
    }

    fn names(self) -> &'static [&'static str] {
        match self {
            Self::Number => &["cell"],
            Self::Deviation => &["cell", "off, mV"],
            Self::All => &["cell", "mV", "lowest", "highest"],
        }
    }

    fn room(self) -> f32 {
        match self {
            Self::Number => 21.0,
            Self::Deviation => 36.0,
            Self::All => 66.0,
        }
    }
}

const ROOM_LEFT: f32 = 62.0;

/// Draws the chart into what room there is.
pub fn ui(ui: &mut Ui, look: Look<'_>, scale: &mut Scale, height: f32) {
    let colours = Colours::of(ui.visuals());
    let snapshot = look.snapshot;
    // Before anything is drawn: a row that needs more would widen what comes below it.
    let room = ui.available_width();
    ui.horizontal_wrapped(|ui| {
        ui.set_min_height(pieces::ROW);
        let median = snapshot.median.map_or("not known".to_owned(), |nanos| format!("{} V", format_nanos(nanos, 3)));
        pieces::title(ui, &format!("Cells from the pack median {median}"));
        ui.add_space(12.0);
        for (choice, _, text) in Scale::ALL {
            let button = ui.selectable_label(*scale == choice, text);
            pieces::name(&button, format!("scale {text}"));
            if button.clicked() {
                *scale = choice;
            }
        }
    });
    let size = vec2(room, height);
    let (rect, _) = ui.allocate_exact_size(size, Sense::hover());
    let count = snapshot.cells.len();
    #[expect(clippy::cast_precision_loss, reason = "a pack has at most 512 cells")]
    let width = (rect.width() - ROOM_LEFT - 4.0) / count.max(1) as f32;
    let rows = Rows::fitting(width);
    let chart = Rect::from_min_max(rect.min + vec2(ROOM_LEFT, 4.0), rect.max - vec2(4.0, rows.room()));
    if !ui.is_rect_visible(rect) || chart.height() < 20.0 {
        return;
    }
    let painter = ui.painter_at(rect);
    painter.rect_filled(chart, 0.0, colours.sheet);
    #[expect(clippy::cast_precision_loss, reason = "places on a screen")]
    let y = |nanos: i64| {
        let share = nanos as f32 / (scale.millivolts() * 1_000_000) as f32;
        chart.center().y - share.clamp(-1.5, 1.5) * chart.height() / 2.0
    };
    let limits = Limits { painter: &painter, chart, snapshot, colours: &colours, y: &y };
    limits.paint_areas();
    let step = scale.millivolts() / 4;
    for line in -4..=4_i64 {
        let at = y(line * step * 1_000_000);
        let stroke =
            Stroke::new(if line == 0 { 1.5 } else { 1.0 }, if line == 0 { colours.faint } else { colours.rule });
        painter.line_segment([pos2(chart.left(), at), pos2(chart.right(), at)], stroke);
        if line % 2 == 0 {
            let text = format!("{:+} mV", line * step);
            let text = if line == 0 { "median".to_owned() } else { text };
            let font = FontId::proportional(12.0);
            painter.text(pos2(chart.left() - 6.0, at), Align2::RIGHT_CENTER, text, font, colours.faint);
        }
    }
    limits.paint_lines();
    for (row, text) in rows.names().iter().enumerate() {
        let at = pos2(chart.left() - 6.0, below(chart, row));
        painter.text(at, Align2::RIGHT_CENTER, text, FontId::proportional(11.0), colours.faint);
    }
    if count == 0 {
        painter.text(
            chart.center(),
            Align2::CENTER_CENTER,
            "no cells known yet",
            FontId::proportional(16.0),
            colours.faint,
        );
        return;
    }
    for (index, cell) in snapshot.cells.iter().enumerate() {
        #[expect(clippy::cast_precision_loss, reason = "a pack has at most 512 cells")]
        let x = chart.left() + width * (index as f32 + 0.5);
        let area = Rect::from_center_size(pos2(x, rect.center().y), vec2(width, rect.height()));
        let number = index + 1;
        let response = ui.interact(area, ui.scope_id().with(("cell", number)), Sense::hover());
        let words = words(look, number, cell);
        pieces::name(&response, &words);
        let _shown = response.on_hover_text(&words);
        paint_cell(&painter, chart, x, width, rows, number, cell, look, &colours, &y);
    }
    mark_findings(ui, &painter, chart, look, count);
}

/// A bracket over the numbers of the cells that a finding names; with a tooth in the middle of several: between the two
/// cells of a pair stands the lead that they share.
fn mark_findings(ui: &Ui, painter: &egui::Painter, chart: Rect, look: Look<'_>, count: usize) {
    #[expect(clippy::cast_precision_loss, reason = "a pack has at most 512 cells")]
    let width = chart.width() / count as f32;
    let colours = Colours::of(ui.visuals());
    for finding in wording::findings(look) {
        let colour = colours.of_meaning(wording::severity(finding.severity).meaning);
        for (first, last) in runs(finding, count) {
            let left = chart.left() + width * (f32::from(first) - 0.5);
            let right = chart.left() + width * (f32::from(last) - 0.5);
            let (reach, low) = (width * 0.3, chart.bottom() + 4.0);
            let stroke = Stroke::new(2.5, colour);
            let corners = [
                pos2(left - reach, low - 7.0),
                pos2(left - reach, low),
                pos2(right + reach, low),
                pos2(right + reach, low - 7.0),
            ];
            painter.line(corners.to_vec(), stroke);
            if first < last {
                let middle = f32::midpoint(left, right);
                painter.line_segment([pos2(middle, low), pos2(middle, low - 12.0)], stroke);
            }
            let area = Rect::from_min_max(corners[0] - vec2(0.0, 5.0), corners[2] + vec2(0.0, 1.0));
            let id = ui.scope_id().with(("finding", finding.number, first));
            pieces::name(&ui.interact(area, id, Sense::hover()), format!("Mark: {}", wording::finding(finding)));
        }
    }
}

/// The cells that a finding names, as first and last of each run of neighbours.
fn runs(finding: &Finding, count: usize) -> Vec<(u16, u16)> {
    let cells = finding.places.iter().filter(|place| place.quantity == Quantity::CellVoltage).map(|place| place.place);
    let mut cells: Vec<_> = cells.filter(|cell| (1..=count).contains(&usize::from(*cell))).collect();
    cells.sort_unstable();
    let runs = cells.chunk_by(|one, next| next - one <= 1);
    runs.filter_map(|run| Some((*run.first()?, *run.last()?))).collect()
}

fn below(chart: Rect, row: usize) -> f32 {
    #[expect(clippy::cast_precision_loss, reason = "four rows")]
    let row = row as f32;
    chart.bottom() + 12.0 + row * 15.0
}

/// The limits of the moment, and where they are drawn.
struct Limits<'a> {
    painter: &'a egui::Painter,
    chart: Rect,
    snapshot: &'a Snapshot,
    colours: &'a Colours,
    y: &'a dyn Fn(i64) -> f32,
}

impl Limits<'_> {
    /// The sheet reaches to the critical limits; what lies between them and the warnings is washed.
    fn paint_areas(&self) {
        let Some(limits) = &self.snapshot.limits else { return };
        for side in [1, -1] {
            let edge = if side > 0 { self.chart.top() } else { self.chart.bottom() };
            let at = |limit: Option<i64>| limit.map(|nanos| (self.y)(nanos.saturating_mul(side)));
            let critical = at(limits.deviation.critical);
            if let Some(critical) = critical {
                self.area(edge, critical, self.colours.ground);
            }
            if let Some(warning) = at(limits.deviation.warning) {
                self.area(critical.unwrap_or(edge), warning, self.colours.wash(Meaning::Abnormal));
            }
        }
    }

    fn area(&self, from: f32, to: f32, fill: Color32) {
        let (top, bottom) = (from.min(to).max(self.chart.top()), from.max(to).min(self.chart.bottom()));
        if top < bottom {
            self.painter.rect_filled(Rect::from_x_y_ranges(self.chart.x_range(), top..=bottom), 0.0, fill);
        }
    }

    fn paint_lines(&self) {
        let Some(limits) = &self.snapshot.limits else { return };
        for side in [1, -1] {
            let at = |limit: Option<i64>| limit.map(|nanos| (self.y)(nanos.saturating_mul(side)));
            let word = |word| if side > 0 { word } else { "" };
            if let Some(critical) = at(limits.deviation.critical) {
                self.line(critical, Meaning::Danger, word("critical deviation"));
            }
            if let Some(warning) = at(limits.deviation.warning) {
                self.line(warning, Meaning::Abnormal, word("warning"));
            }
        }
        // The absolute limits move against the median.
        let Some(median) = self.snapshot.median else { return };
        for (limit, text) in [(limits.cell_high.critical, "cell high"), (limits.cell_low.critical, "cell low")] {
            if let Some(limit) = limit {
                self.line((self.y)(limit.saturating_sub(median)), Meaning::Danger, text);
            }
        }
    }

    fn line(&self, at: f32, meaning: Meaning, text: &str) {
        if !self.chart.y_range().contains(at) {
            return;
        }
        let colour = self.colours.of_meaning(meaning);
        let ends = [pos2(self.chart.left(), at), pos2(self.chart.right(), at)];
        if meaning == Meaning::Danger {
            self.painter.line_segment(ends, Stroke::new(1.5, colour));
        } else {
            self.painter.extend(egui::Shape::dashed_line(&ends, Stroke::new(1.5, colour), 6.0, 5.0));
        }
        let place = pos2(self.chart.right() - 4.0, at - 2.0);
        self.painter.text(place, Align2::RIGHT_BOTTOM, text, FontId::proportional(11.0), colour);
    }
}

fn deviation(snapshot: &Snapshot, cell: &Reading) -> Option<i64> {
    Some(cell.latest?.saturating_sub(snapshot.median?))
}

/// What the findings say about a cell, to be added to its words.
fn found(look: Look<'_>, number: usize) -> String {
    let place = Channel::at(Quantity::CellVoltage, u16::try_from(number).unwrap_or(0));
    wording::found_at(look, place)
}

fn millivolts(nanos: i64) -> String {
    format_nanos(nanos.saturating_mul(1000), 0)
}

fn signed_millivolts(nanos: i64) -> String {
    let sign = if nanos < 0 { "" } else { "+" };
    format!("{sign}{}", millivolts(nanos))
}

/// The cell in words, as it is read aloud.
fn words(look: Look<'_>, number: usize, cell: &Reading) -> String {
    let standing = wording::standing(cell.standing).text;
    let Some(latest) = cell.latest else {
        let never = if cell.at.is_none() { "never seen" } else { "the BMS says it has no value" };
        return format!("Cell {number}: {never}{}", found(look, number));
    };
    let value = format!("{} V", format_nanos(latest, 3));
    let so_far = cell.so_far.map_or(String::new(), |so_far| {
        format!(", so far {} to {} V", format_nanos(so_far.lowest, 3), format_nanos(so_far.highest, 3))
    });
    if cell.is_old(look.now()) || look.is_old() {
        return format!("Cell {number}: OLD, was {value}{so_far}{}", found(look, number));
    }
    let away = deviation(look.snapshot, cell)
        .map_or(String::new(), |nanos| format!(", {} mV from the median", signed_millivolts(nanos)));
    format!("Cell {number}: {value}{away}, {standing}{so_far}{}", found(look, number))
}

#[expect(clippy::too_many_arguments, reason = "one place in one chart")]
fn paint_cell(
    painter: &egui::Painter,
    chart: Rect,
    x: f32,
    width: f32,
    rows: Rows,
    number: usize,
    cell: &Reading,
    look: Look<'_>,
    colours: &Colours,
    y: &dyn Fn(i64) -> f32,
) {
    let old = cell.is_old(look.now()) || look.is_old();
    let standing = if old { Standing::Unknown } else { cell.standing };
    let said = wording::standing(standing);
    let colour = colours.of_meaning(said.meaning);
    let radius = (width * 0.26).clamp(2.5, 8.0);
    if let Some(nanos) = deviation(look.snapshot, cell) {
        let (at, zero) = (y(nanos), chart.center().y);
        let beyond = !chart.y_range().contains(at);
        let at = at.clamp(chart.top() + radius, chart.bottom() - radius);
        painter.line_segment([pos2(x, zero), pos2(x, at)], Stroke::new((width * 0.16).clamp(1.5, 5.0), colour));
        if let (Some(unseen), Some(median)) = (cell.unseen, look.snapshot.median) {
            // What came and went since the last picture.
            let reach = [unseen.lowest, unseen.highest].map(|nanos| y(nanos.saturating_sub(median)));
            let reach = reach.map(|at| pos2(x, at.clamp(chart.top(), chart.bottom())));
            painter.line_segment(reach, Stroke::new(1.0, colour));
        }
        pieces::paint_sign(painter, pos2(x, at), radius, said.sign, colour, colours.sheet);
        if beyond {
            let (place, align) = if nanos < 0 {
                (pos2(x, at - radius - 2.0), Align2::CENTER_BOTTOM)
            } else {
                (pos2(x, at + radius + 2.0), Align2::CENTER_TOP)
            };
            let text = signed_millivolts(nanos);
            let galley = painter.layout_no_wrap(text, FontId::monospace(12.0), colour);
            let at = align.anchor_size(place, galley.size());
            painter.rect_filled(at.expand(1.0), 2.0, colours.sheet);
            painter.galley(at.min, galley, colour);
        }
    } else {
        pieces::paint_sign(painter, pos2(x, chart.center().y), radius, "?", colour, colours.sheet);
    }
    let text = |at: Pos2, size: f32, text: String, colour| {
        painter.text(at, Align2::CENTER_CENTER, text, FontId::monospace(size), colour);
    };
    // With many cells the text would run together: it stays in the words of each place.
    if rows != Rows::Number || number.is_multiple_of(5) || number == 1 {
        text(pos2(x, below(chart, 0)), 12.0, number.to_string(), colours.ink);
    }
    let ink = if standing == Standing::Inside { colours.ink } else { colour };
    let shown = |text: String| if old { format!("({text})") } else { text };
    match rows {
        Rows::Number => {}
        Rows::Deviation => {
            let value = deviation(look.snapshot, cell).map_or("-".to_owned(), |nanos| shown(signed_millivolts(nanos)));
            text(pos2(x, below(chart, 1)), 11.0, value, ink);
        }
        Rows::All => {
            let value = cell.latest.map_or("-".to_owned(), |latest| shown(millivolts(latest)));
            text(pos2(x, below(chart, 1)), if old { 10.5 } else { (width / 2.6).min(13.0) }, value, ink);
            if let Some(so_far) = cell.so_far {
                text(pos2(x, below(chart, 2)), 11.0, millivolts(so_far.lowest), colours.faint);
                text(pos2(x, below(chart, 3)), 11.0, millivolts(so_far.highest), colours.faint);
            }
        }
    }
}
