//! Plots as SVG inside a page: every value lies inside what is drawn.

use std::fmt::Write;

use model::{Channel, Quantity, SessionTime};
use rules::{LimitName, Severity};

use crate::account::{Account, Plot, PlotBar, PlotLine, Span};
use crate::html::Html;
use crate::words::{fixed, seconds};

const WIDTH: f64 = 800.0;
/// The usual height.
pub(crate) const HEIGHT: f64 = 240.0;
const LEFT: f64 = 58.0;
const RIGHT: f64 = 12.0;
const TOP: f64 = 34.0;
const BOTTOM: f64 = 30.0;
/// So many lines have a look of their own; with more, only those that stand out have.
const OWN_LOOK: usize = 8;
/// Of many lines so many stand out at most.
const STAND_OUT: usize = 4;
/// Of lines nearer than this, in units of the picture, one is drawn, and of numbers.
const LINES_APART: f64 = 1.5;
const NUMBERS_APART: f64 = 22.0;

/// How times and values become places.
#[derive(Clone, Copy, Debug)]
struct Frame {
    end: f64,
    low: f64,
    high: f64,
    /// Of the whole picture.
    height: f64,
}

impl Frame {
    fn x(self, at: SessionTime) -> f64 {
        LEFT + (WIDTH - LEFT - RIGHT) * (at.nanos as f64 / self.end).min(1.0)
    }

    fn y(self, nanos: f64) -> f64 {
        TOP + (self.height - TOP - BOTTOM) * (self.high - nanos) / (self.high - self.low)
    }
}

/// Writes a plot with its title, its description, its legend and what it stands for.
pub(crate) fn write(account: &Account, plot: &Plot, height: f64, html: &mut Html) {
    let spans = plot.lines.iter().flat_map(|line| line.bars.iter().map(|bar| bar.span));
    let Some(span) = spans.reduce(Span::with) else { return };
    let unit = plot.unit_nanos as f64;
    let (low, high) = (span.lowest as f64, span.highest as f64);
    // Noise of a reading's step must not fill the picture.
    let least = unit * if plot.unit == "mV" { 10.0 } else { 2.0 };
    let margin = ((high - low) * 0.06).max((least - (high - low)) / 2.0);
    let frame = Frame { end: account.end.nanos.max(1) as f64, low: low - margin, high: high + margin, height };
    let looks = looks(account, plot);
    let words = |nanos: f64| {
        let text = fixed(nanos / unit, 3);
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    };
    let (lowest, highest) = (words(low), words(high));
    let practice = if account.practice { "PRACTICE. " } else { "" };
    let about = format!(
        "{practice}{} from 0 s to {}: lowest {lowest} {unit}, highest {highest} {unit}.",
        plot.title,
        seconds(account.end),
        unit = plot.unit
    );
    html.element("figure", &[], |html| {
        let size = format!("0 0 {WIDTH} {height}");
        html.element("svg", &[("xmlns", "http://www.w3.org/2000/svg"), ("viewBox", &size), ("role", "img")], |html| {
            html.line("title", "", &plot.title);
            html.line("desc", "", &about);
            stages(account, frame, html);
            axes(plot, frame, html);
            limits(account, plot, frame, html);
            // Those that stand out are drawn last, above the others.
            for own in [false, true] {
                for (line, look) in plot.lines.iter().zip(&looks).filter(|(_, look)| look.is_some() == own) {
                    let class = look.map_or("line plain".to_owned(), class_of);
                    html.empty("path", &[("class", &class), ("d", &path(&line.bars, frame))]);
                }
            }
            alarms(account, frame, html);
        });
        legend(plot, &looks, html);
        html.line("figcaption", "soft", &about);
    });
}

/// Which look each line has; `None`: one of many.
fn looks(account: &Account, plot: &Plot) -> Vec<Option<usize>> {
    if plot.lines.len() <= OWN_LOOK {
        return (0..plot.lines.len()).map(Some).collect();
    }
    let findings = account.verdict.findings.iter().flat_map(|finding| finding.places.iter().copied());
    let critical = account.alarms.iter().filter(|line| line.alarm.worst == Severity::Critical);
    let alarms = critical.filter_map(|line| line.alarm.place);
    let mut wanted: Vec<Channel> = Vec::new();
    for channel in findings.chain(alarms) {
        if !wanted.contains(&channel) && wanted.len() < STAND_OUT && plot.lines.iter().any(|l| l.channel == channel) {
            wanted.push(channel);
        }
    }
    if wanted.is_empty() {
        // The furthest one.
        let reach = |line: &&PlotLine| {
            let span = line.bars.iter().map(|bar| bar.span).reduce(Span::with);
            span.map_or(0, |span| span.highest.saturating_abs().max(span.lowest.saturating_abs()))
        };
        wanted.extend(plot.lines.iter().max_by_key(reach).map(|line| line.channel));
    }
    plot.lines.iter().map(|line| wanted.iter().position(|channel| *channel == line.channel)).collect()
}

fn class_of(look: usize) -> String {
    format!("line k{} d{}", look % OWN_LOOK + 1, look % 4 + 1)
}

fn legend(plot: &Plot, looks: &[Option<usize>], html: &mut Html) {
    html.element("ul", &[("class", "legend")], |html| {
        let mut listed: Vec<(&PlotLine, usize)> =
            plot.lines.iter().zip(looks).filter_map(|(line, look)| Some((line, (*look)?))).collect();
        listed.sort_by_key(|(_, look)| *look);
        let others = plot.lines.len() - listed.len();
        for (line, look) in listed {
            html.element("li", &[], |html| {
                let class = format!("key k{} d{}", look % OWN_LOOK + 1, look % 4 + 1);
                html.element("span", &[("class", &class)], |_| {});
                html.text(&line.channel.to_string());
            });
        }
        if 0 < others {
            html.line("li", "soft", &format!("{others} others, thin"));
        }
    });
}

fn stages(account: &Account, frame: Frame, html: &mut Html) {
    let (top, height) = (number(TOP), number(frame.height - TOP - BOTTOM));
    let ends = account.stages.first.iter().skip(1).map(|line| line.at).chain([account.end]);
    for (index, (line, end)) in account.stages.first.iter().zip(ends).enumerate() {
        let (from, to) = (frame.x(line.at), frame.x(end));
        if to <= from {
            continue;
        }
        if index % 2 == 0 {
            let place =
                [("x", number(from)), ("y", top.clone()), ("width", number(to - from)), ("height", height.clone())];
            let mut attributes = vec![("class", "stage")];
            attributes.extend(place.iter().map(|(name, value)| (*name, value.as_str())));
            html.empty("rect", &attributes);
        }
        let name = line.stage.name();
        if name.len() as f64 * 6.2 < to - from {
            text(html, "tick", (from + 3.0, TOP - 4.0), "start", name);
        }
    }
}

fn axes(plot: &Plot, frame: Frame, html: &mut Html) {
    let unit = plot.unit_nanos as f64;
    let step = step_of((frame.high - frame.low) / unit / 7.0);
    let decimals = decimals(&frame, unit);
    let mut value = (frame.low / unit / step).ceil() * step;
    let mut lines = String::new();
    while value * unit <= frame.high {
        let y = frame.y(value * unit);
        _ = write!(lines, "M{} {}H{}", number(LEFT), number(y), number(WIDTH - RIGHT));
        text(html, "tick", (LEFT - 5.0, y + 4.0), "end", &fixed(value, decimals));
        value += step;
    }
    html.empty("path", &[("class", "grid"), ("d", &lines)]);
    if frame.low < 0.0 && 0.0 < frame.high {
        let zero = format!("M{} {}H{}", number(LEFT), number(frame.y(0.0)), number(WIDTH - RIGHT));
        html.empty("path", &[("class", "zero"), ("d", &zero)]);
    }
    text(html, "tick", (LEFT - 5.0, TOP - 18.0), "end", plot.unit);
    let (unit, nanos) = time_unit(frame.end);
    let step = step_of(frame.end / nanos / 8.0);
    let decimals = if step < 1.0 { 1 } else { 0 };
    let mut time = 0.0;
    while time * nanos <= frame.end {
        let x = frame.x(SessionTime::from_nanos((time * nanos) as u64));
        // The unit stands at the end: nothing beside it.
        if x < WIDTH - RIGHT - 34.0 {
            text(html, "tick", (x, frame.height - BOTTOM + 15.0), "middle", &fixed(time, decimals));
        }
        time += step;
    }
    text(html, "tick", (WIDTH - RIGHT, frame.height - BOTTOM + 15.0), "end", unit);
    let (width, height) = (number(WIDTH - LEFT - RIGHT), number(frame.height - TOP - BOTTOM));
    let (x, y) = (number(LEFT), number(TOP));
    html.empty("rect", &[("class", "frame"), ("x", &x), ("y", &y), ("width", &width), ("height", &height)]);
}

/// In what a person counts such a time, and its nanoseconds.
fn time_unit(end: f64) -> (&'static str, f64) {
    match end * 1e-9 {
        ..300.0 => ("s", 1e9),
        300.0..18_000.0 => ("min", 60e9),
        _ => ("h", 3_600e9),
    }
}

/// Limits at rest that lie inside the plot.
fn limits(account: &Account, plot: &Plot, frame: Frame, html: &mut Html) {
    let Some(quantity) = plot.lines.first().map(|line| line.channel.quantity) else { return };
    let both: &[LimitName] = match quantity {
        Quantity::CellVoltage => &[LimitName::DeviationRest],
        Quantity::Temperature => &[LimitName::TemperatureHigh, LimitName::TemperatureLow],
        _ => &[],
    };
    for name in both {
        let limit = account.pack.limit(*name);
        for (class, side) in [("limit", limit.warning), ("limit worst", limit.critical)] {
            let Some(side) = side else { continue };
            // A distance has a limit on either side.
            let sides = if quantity == Quantity::CellVoltage { vec![side, -side] } else { vec![side] };
            for side in sides.into_iter().map(|side| side as f64).filter(|side| frame.low < *side && *side < frame.high)
            {
                let line = format!("M{} {}H{}", number(LEFT), number(frame.y(side)), number(WIDTH - RIGHT));
                html.empty("path", &[("class", class), ("d", &line)]);
            }
        }
    }
}

fn alarms(account: &Account, frame: Frame, html: &mut Html) {
    let (mut lines, mut numbers): (Vec<f64>, Vec<f64>) = (Vec::new(), Vec::new());
    let free = |taken: &mut Vec<f64>, x: f64, apart: f64| {
        let free = taken.iter().all(|other| apart <= (x - other).abs());
        if free {
            taken.push(x);
        }
        free
    };
    for severity in [Severity::Critical, Severity::Warning] {
        for line in account.alarms.iter().filter(|line| line.alarm.worst == severity) {
            let x = frame.x(line.alarm.first_at);
            if !free(&mut lines, x, LINES_APART) {
                continue;
            }
            let extra = if severity == Severity::Warning { " warning" } else { "" };
            let place = format!("M{} {}V{}", number(x), number(TOP), number(frame.height - BOTTOM));
            html.empty("path", &[("class", &format!("alarm{extra}")), ("d", &place)]);
            if free(&mut numbers, x, NUMBERS_APART) {
                let mark = if severity == Severity::Critical { "!" } else { "?" };
                let text_of = format!("{mark}{}", line.alarm.number);
                text(html, &format!("mark{extra}"), (x, TOP - 18.0), "middle", &text_of);
            }
        }
    }
}

fn text(html: &mut Html, class: &str, (x, y): (f64, f64), anchor: &'static str, words: &str) {
    let (x, y) = (number(x), number(y));
    html.element("text", &[("class", class), ("x", &x), ("y", &y), ("text-anchor", anchor)], |html| html.text(words));
}

/// 1, 2 or 5 times a power of ten, not below `least`.
fn step_of(least: f64) -> f64 {
    let power = 10.0_f64.powf(least.max(1e-9).log10().floor());
    [1.0, 2.0, 5.0, 10.0].into_iter().map(|factor| factor * power).find(|step| least <= *step).unwrap_or(power * 10.0)
}

fn decimals(frame: &Frame, unit: f64) -> usize {
    let step = step_of((frame.high - frame.low) / unit / 7.0);
    (0..6).find(|decimals| 0.999 <= step * 10.0_f64.powi(*decimals)).unwrap_or(6).try_into().unwrap_or(0)
}

/// To a tenth, and no longer than needed.
fn number(value: f64) -> String {
    let text = format!("{value:.1}");
    let short = text.strip_suffix(".0").unwrap_or(&text);
    if short == "-0" { "0".to_owned() } else { short.to_owned() }
}

/// A stroke through each bar from its lowest to its highest value, and a line from one to the next; nothing over a gap.
fn path(bars: &[PlotBar], frame: Frame) -> String {
    let mut d = String::new();
    let mut pen: Option<(String, f64)> = None;
    // A level stretch is one stroke, drawn when it ends.
    let mut level: Option<String> = None;
    for bar in bars {
        let (low, high) = (frame.y(bar.span.lowest as f64), frame.y(bar.span.highest as f64));
        let (from, to) = (number(frame.x(bar.from)), number(frame.x(bar.to)));
        let joined = pen.take().filter(|_| !bar.after_gap);
        let (first, last) = match &joined {
            Some((_, y)) if (high - y).abs() < (low - y).abs() => (high, low),
            _ => (low, high),
        };
        let (first_text, last_text) = (number(first), number(last));
        match &joined {
            Some((_, y)) if number(*y) == first_text && first_text == last_text => {
                level = Some(to.clone());
                pen = Some((to, last));
                continue;
            }
            Some(_) => {
                end_level(&mut d, &mut level);
                _ = write!(d, "L{from} {first_text}");
            }
            None => {
                end_level(&mut d, &mut level);
                // A single reading is a dot.
                _ = write!(d, "M{from} {first_text}h0");
            }
        }
        if first_text != last_text {
            _ = write!(d, "V{last_text}");
        }
        if to != from {
            _ = write!(d, "H{to}");
        }
        pen = Some((to, last));
    }
    end_level(&mut d, &mut level);
    d
}

fn end_level(d: &mut String, level: &mut Option<String>) {
    if let Some(x) = level.take() {
        _ = write!(d, "H{x}");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bar(from: u64, to: u64, lowest: i64, highest: i64, after_gap: bool) -> PlotBar {
        let at = SessionTime::from_nanos;
        PlotBar { from: at(from), to: at(to), span: Span { lowest, highest }, after_gap }
    }

    #[test]
    fn bars_are_strokes_and_gaps_are_gaps() {
        // One nanosecond is 7.3 wide, a value of 1 is 17.6 high, 0 lies at 210 and 10 at 34.
        let frame = Frame { end: 100.0, low: 0.0, high: 10.0, height: HEIGHT };
        let bars = [
            bar(0, 0, 0, 0, false),
            bar(10, 10, 0, 0, false),
            bar(20, 20, 0, 0, false),
            bar(30, 40, 5, 10, false),
            bar(90, 90, 10, 10, true),
        ];
        assert_eq!(path(&bars, frame), "M58 210h0H204L277 122V34H350M715 34h0");
    }

    #[test]
    fn steps_are_round() {
        for (least, step) in [(0.9, 1.0), (1.1, 2.0), (3.0, 5.0), (7.0, 10.0), (0.03, 0.05)] {
            assert!((step_of(least) - step).abs() < 1e-12, "{least}");
        }
    }
}
