//! The figures on the line: how often each message came, and what was damaged when.

use std::time::Duration;

use egui::{Align2, FontId, Rect, RichText, ScrollArea, Sense, Ui, pos2, vec2};
use model::{SessionTime, format_nanos};
use session::line_bytes::{KindStatistics, LineStatistics, Moment};

use crate::colours::{Colours, Meaning};
use crate::pieces;
use crate::wording::Said;

/// The height of the figures.
const HEIGHT: f32 = 84.0;
/// The width of the plot, where there is room.
const PLOT: f32 = 340.0;

/// Draws the figures; `low`: only the most important ones. Returns the time of the moment that was clicked.
pub(crate) fn ui(ui: &mut Ui, figures: &LineStatistics, complete: bool, low: bool) -> Option<SessionTime> {
    if low {
        counts(ui, figures, complete);
        return None;
    }
    let whole = ui.available_width();
    let mut clicked = None;
    ui.horizontal_top(|ui| {
        let plot = PLOT.min(whole * 0.36);
        let list = egui::Layout::top_down(egui::Align::LEFT);
        ui.allocate_ui_with_layout(vec2(whole - plot - 16.0, HEIGHT), list, |ui| {
            ui.set_min_height(HEIGHT);
            ui.spacing_mut().item_spacing.y = 2.0;
            counts(ui, figures, complete);
            ScrollArea::vertical().id_salt("message kinds").auto_shrink([false, true]).show(ui, |ui| {
                for kind in &figures.kinds {
                    pieces::said(ui, &rate(kind), 13.0);
                }
            });
        });
        clicked = plot_ui(ui, figures, plot);
    });
    clicked
}

fn counts(ui: &mut Ui, figures: &LineStatistics, complete: bool) {
    let colours = Colours::of(ui.visuals());
    ui.horizontal_wrapped(|ui| {
        let mut part = |text: String, meaning: Option<Meaning>| {
            let colour = meaning.map_or(colours.ink, |meaning| colours.of_meaning(meaning));
            ui.label(RichText::new(text).size(15.0).color(colour));
        };
        let bad = |count: u64, meaning| (0 < count).then_some(meaning);
        part(format!("{} frames accepted", figures.accepted), None);
        let checks = match figures.check_failed {
            0 => String::new(),
            failed => format!(", {failed} of them by their checksum"),
        };
        part(format!("{} rejected{checks}", figures.refused), bad(figures.refused, Meaning::Danger));
        part(format!("{} passed over or unverified", figures.passed_over), bad(figures.passed_over, Meaning::Abnormal));
        let share = figures.no_frame_bytes;
        part(format!("{share} of {} bytes in no frame", figures.bytes), bad(share, Meaning::Abnormal));
        if 0 < figures.line_errors {
            part(format!("{} errors of the line itself", figures.line_errors), Some(Meaning::Abnormal));
        }
        if 0 < figures.lost {
            part(format!("lost {} times", figures.lost), Some(Meaning::Abnormal));
        }
        if !complete {
            part("so far: the rest is being read".to_owned(), None);
        }
    });
}

/// A message comes clearly rarer than it should from this on, in hundredths of its period. Common practice, no source.
const RARE: u32 = 125;

/// How often a message came, against what is expected.
fn rate(kind: &KindStatistics) -> Said {
    let mut text = format!("{}: {} frames", kind.name, kind.count);
    let mean = kind.mean();
    if let (Some(mean), Some((least, most))) = (mean, kind.intervals) {
        text.push_str(&format!(", every {} ({} to {})", span(mean), span(least), span(most)));
    }
    match kind.every {
        Some(every) => text.push_str(&format!(", expected every {}", span(every))),
        None => text.push_str(", no period is expected"),
    }
    if let Some(jumps) = kind.jumps.filter(|jumps| 0 < *jumps) {
        text.push_str(&format!(", its counter jumped {jumps} times"));
    }
    let rare = kind.every.is_some_and(|every| match mean {
        Some(mean) => every.saturating_mul(RARE) < mean.saturating_mul(100),
        None => kind.count == 0,
    });
    let jumped = kind.jumps.is_some_and(|jumps| 0 < jumps);
    let (meaning, sign) = if rare || jumped { (Meaning::Abnormal, "!") } else { (Meaning::Unknown, "=") };
    Said { meaning, sign, text }
}

/// "50 ms", "1.25 s".
fn span(length: Duration) -> String {
    let nanos = i64::try_from(length.as_nanos()).unwrap_or(i64::MAX);
    if length < Duration::from_secs(1) {
        format!(
            "{} ms",
            format_nanos(nanos.saturating_mul(1000), if length < Duration::from_millis(10) { 1 } else { 0 })
        )
    } else {
        format!("{} s", format_nanos(nanos, 2))
    }
}

/// What was damaged in each moment: a bar up from the line, checksums in full colour.
fn plot_ui(ui: &mut Ui, figures: &LineStatistics, width: f32) -> Option<SessionTime> {
    let colours = Colours::of(ui.visuals());
    let (rect, response) = ui.allocate_exact_size(vec2(width, HEIGHT), Sense::click());
    let painter = ui.painter().with_clip_rect(rect.intersect(ui.clip_rect()));
    painter.rect_filled(rect, 0.0, colours.sheet);
    let plot = Rect::from_min_max(rect.min + vec2(8.0, 20.0), rect.max - vec2(8.0, 16.0));
    let damaged = |moment: &Moment| moment.check_failed.saturating_add(moment.refused);
    let most = figures.moments.iter().map(damaged).max().unwrap_or(0);
    let length = figures.moment_length();
    let count = figures.moments.len().max(1);
    let step = plot.width() / number(count);
    let base = plot.bottom();
    painter.line_segment([plot.left_bottom(), plot.right_bottom()], egui::Stroke::new(1.0, colours.rule));
    let mut x = plot.left();
    for moment in &figures.moments {
        let height = |count: u32| plot.height() * small(count) / small(most.max(1));
        let (all, failed) = (height(damaged(moment)), height(moment.check_failed));
        let bar = |from: f32, to: f32| Rect::from_min_max(pos2(x, base - to), pos2(x + step.max(1.5), base - from));
        if 0.0 < all {
            painter.rect_filled(bar(failed, all), 0.0, colours.of_meaning(Meaning::Abnormal));
            painter.rect_filled(bar(0.0, failed), 0.0, colours.of_meaning(Meaning::Danger));
        }
        x += step;
    }
    let font = FontId::proportional(12.0);
    let each = span(length);
    let title = match most {
        0 => format!("nothing rejected in any {each}"),
        most => format!("rejected in each {each}, at most {most}"),
    };
    painter.text(rect.left_top() + vec2(8.0, 3.0), Align2::LEFT_TOP, &title, font.clone(), colours.faint);
    painter.text(rect.left_bottom() + vec2(8.0, -2.0), Align2::LEFT_BOTTOM, "0 s", font.clone(), colours.faint);
    let end = length.saturating_mul(u32::try_from(count).unwrap_or(u32::MAX));
    painter.text(rect.right_bottom() + vec2(-8.0, -2.0), Align2::RIGHT_BOTTOM, span(end), font, colours.faint);
    let words = format!("Rejected over time: {title}. Click to go to a moment");
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, &words));
    let at = response.clicked().then(|| response.interact_pointer_pos()).flatten()?;
    let share = ((at.x - plot.left()) / plot.width().max(1.0)).clamp(0.0, 1.0);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a share of a few hundred moments")]
    let index = (share * number(count)) as u32;
    Some(SessionTime::from_duration(length.saturating_mul(index)))
}

#[expect(clippy::cast_precision_loss, reason = "places on a screen")]
fn number(count: usize) -> f32 {
    count as f32
}

#[expect(clippy::cast_precision_loss, reason = "places on a screen")]
fn small(count: u32) -> f32 {
    count as f32
}
