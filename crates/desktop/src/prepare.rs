//! The screen before power: what have I not checked yet, and what does this reading mean?

mod book;
mod cautions;
mod entry;
mod pack_file;

use std::time::Duration;

use egui::{Align2, FontId, Frame, Key, Margin, Panel, Rect, Response, RichText, ScrollArea, Sense, Ui, vec2};
use model::{HandItem, HandReading};
use session::rules::{HandLine, HandResult, Pack};

use crate::colours::{Colours, Meaning};
use crate::pieces;
use crate::wording::{self, Said};

pub use book::{Book, Earlier, WindowTime};
pub use pack_file::{PackFile, Read};

/// Wider than this the cautions stand beside the list, narrower above it.
const BESIDE: f32 = 860.0;

/// What the screen shows.
pub struct Shown<'s> {
    /// Every item as it stands.
    pub lines: &'s [HandLine],
    /// The pack whose limits hold; `None` if it is not known.
    pub pack: Option<&'s Pack>,
    /// How long ago each entry was taken.
    pub age: &'s dyn Fn(&HandLine) -> Option<Duration>,
    /// What an item was before the last session, with its age.
    pub earlier: &'s dyn Fn(HandItem) -> Option<(String, Duration)>,
    /// Why nothing can be entered; `None` if it can.
    pub closed: Option<&'static str>,
    /// A session runs: what fails once bytes came holds for it.
    pub session: bool,
}

/// What the person chose and typed.
#[derive(Clone, Debug, Default)]
pub struct Prepare {
    chosen: Option<HandItem>,
    typed: entry::Typed,
    /// Bring the chosen item into view.
    scroll: bool,
}

impl Prepare {
    /// Draws the screen. Returns what was entered.
    pub fn ui(&mut self, ui: &mut Ui, shown: &Shown<'_>) -> Option<HandReading> {
        self.keys(ui, shown);
        let beside = BESIDE <= ui.available_width();
        if beside {
            beside_the_list(ui, shown.pack);
        }
        headline(ui, shown.lines);
        if !beside {
            // The list scrolls the cautions away; what matters most stays.
            pieces::said(ui, &cautions::headline(shown.pack), 15.0);
        }
        let entered = self.scrolled(ui, shown, !beside);
        if let Some(reading) = &entered {
            let typed = reading.value.is_some();
            self.go_on(shown.lines, reading.item);
            if let Some(next) = self.chosen.filter(|_| typed) {
                self.typed.type_on(next);
            }
        }
        entered
    }

    /// The screen comes into view: with it the item at which the person was.
    pub fn opened(&mut self) {
        self.scroll = self.chosen.is_some();
    }

    fn scrolled(&mut self, ui: &mut Ui, shown: &Shown<'_>, with_cautions: bool) -> Option<HandReading> {
        let area = ScrollArea::vertical().id_salt("checks before power").auto_shrink([false, false]);
        area.show(ui, |ui| {
            if with_cautions {
                cautions::ui(ui, shown.pack);
            }
            self.list(ui, shown)
        })
        .inner
    }

    /// Up and down choose, without a mouse.
    fn keys(&mut self, ui: &Ui, shown: &Shown<'_>) {
        let items: Vec<HandItem> = shown.lines.iter().map(|line| line.item).collect();
        if self.chosen.is_none() {
            self.chosen = first_open(shown.lines, 0).or(items.first().copied());
        }
        if ui.ctx().text_edit_focused() {
            return;
        }
        let pressed = |key| ui.input(|input| input.key_pressed(key) && input.modifiers.is_none());
        let at = items.iter().position(|item| Some(*item) == self.chosen).unwrap_or(0);
        let to = match (pressed(Key::ArrowDown), pressed(Key::ArrowUp)) {
            (true, false) => at + 1,
            (false, true) => at.saturating_sub(1),
            _ => return,
        };
        if let Some(item) = items.get(to) {
            self.choose(*item);
        }
    }

    fn choose(&mut self, item: HandItem) {
        if self.chosen != Some(item) {
            self.chosen = Some(item);
            self.typed.clear();
            self.scroll = true;
        }
    }

    /// After an entry the next item that is not done is open.
    fn go_on(&mut self, lines: &[HandLine], done: HandItem) {
        self.typed.clear();
        let from = lines.iter().position(|line| line.item == done).map_or(0, |at| at + 1);
        let next = first_open(lines, from).or_else(|| first_open(lines, 0).filter(|item| *item != done));
        if let Some(next) = next {
            self.choose(next);
        }
    }

    fn list(&mut self, ui: &mut Ui, shown: &Shown<'_>) -> Option<HandReading> {
        let colours = Colours::of(ui.visuals());
        let mut entered = None;
        let mut group = None;
        ui.spacing_mut().item_spacing.y = 1.0;
        if let Some(why) = shown.closed {
            pieces::said(ui, &Said { meaning: Meaning::Unknown, sign: "=", text: why.to_owned() }, 15.0);
        }
        for line in shown.lines {
            if group.replace(line.item.group()) != Some(line.item.group()) {
                ui.add_space(8.0);
                pieces::title(ui, line.item.group().title());
            }
            let open = self.chosen == Some(line.item);
            let row = row(ui, shown, line, open);
            if row.clicked() {
                self.choose(line.item);
            }
            if open {
                if std::mem::take(&mut self.scroll) {
                    row.scroll_to_me(Some(egui::Align::Center));
                }
                Frame::new().fill(colours.sheet).inner_margin(Margin { left: 36, right: 12, top: 4, bottom: 12 }).show(
                    ui,
                    |ui| {
                        ui.set_width(ui.available_width());
                        ui.spacing_mut().item_spacing.y = 5.0;
                        entered = self.typed.ui(ui, shown, line);
                    },
                );
            }
        }
        entered
    }
}

fn beside_the_list(ui: &mut Ui, pack: Option<&Pack>) {
    let width = (ui.available_width() * 0.3).clamp(280.0, 400.0);
    let frame = Frame::new().fill(Colours::of(ui.visuals()).ground).inner_margin(Margin { left: 12, ..Margin::ZERO });
    let side = Panel::right("cautions").exact_size(width).resizable(false).show_separator_line(false);
    side.frame(frame).show(ui, |ui| {
        ScrollArea::vertical().id_salt("cautions").show(ui, |ui| cautions::ui(ui, pack));
    });
}

/// The screen while there is no pack to hold anything against.
pub fn without_pack(ui: &mut Ui, why: &str) {
    ui.label(RichText::new("Before power").size(22.0));
    pieces::said(ui, &Said { meaning: Meaning::Unknown, sign: "?", text: why.to_owned() }, 16.0);
    ui.add_space(10.0);
    cautions::ui(ui, None);
}

fn first_open(lines: &[HandLine], from: usize) -> Option<HandItem> {
    let open = |line: &&HandLine| line.judged.result == HandResult::NotDone;
    lines.iter().skip(from).find(open).map(|line| line.item)
}

/// The question, and how far it is answered.
fn headline(ui: &mut Ui, lines: &[HandLine]) {
    let colours = Colours::of(ui.visuals());
    let count = |result| lines.iter().filter(|line| line.judged.result == result).count();
    let (open, failed) = (count(HandResult::NotDone), count(HandResult::Failed));
    let text = match (open, failed) {
        _ if lines.is_empty() => "nothing is known yet".to_owned(),
        (0, 0) => "Every check before power is done".to_owned(),
        (0, _) => format!("{failed} of {} checks failed: do not switch on", lines.len()),
        (open, 0) => format!("{open} of {} checks are still open", lines.len()),
        (open, _) => format!("{failed} failed: do not switch on; {open} of {} checks are still open", lines.len()),
    };
    ui.horizontal_wrapped(|ui| {
        ui.label(RichText::new("Before power").size(22.0));
        let colour = if failed == 0 { colours.faint } else { colours.of_meaning(Meaning::Danger) };
        ui.label(RichText::new(text).size(16.0).color(colour));
    });
    let required = lines.iter().filter(|line| line.required && line.judged.result == HandResult::NotDone).count();
    if 0 < required {
        let text = format!("{required} of them the pack file requires: without them the answer is never go");
        pieces::said(ui, &Said { meaning: Meaning::Abnormal, sign: "?", text }, 14.0);
    }
}

/// One item on one line: its sign, its name, and how it stands.
fn row(ui: &mut Ui, shown: &Shown<'_>, line: &HandLine, open: bool) -> Response {
    let colours = Colours::of(ui.visuals());
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), 28.0), Sense::click());
    let said = wording::hand_result(line.judged.result);
    let standing = standing(shown, line);
    let painter = ui.painter().with_clip_rect(rect.intersect(ui.clip_rect()));
    if open || response.hovered() {
        painter.rect_filled(rect, 0.0, if open { colours.sheet } else { colours.wash(Meaning::Unknown) });
    }
    if response.has_focus() {
        let stroke = egui::Stroke::new(2.0, colours.of_meaning(Meaning::Action));
        painter.rect_stroke(rect, 0.0, stroke, egui::StrokeKind::Inside);
    }
    let colour = colours.of_meaning(said.meaning);
    let middle = rect.left_center();
    pieces::paint_sign(&painter, middle + vec2(16.0, 0.0), 6.5, said.sign, colour, colours.ground);
    let name = capital(line.item.name());
    let size = 15.5;
    painter.text(middle + vec2(36.0, 0.0), Align2::LEFT_CENTER, &name, FontId::proportional(size), colours.ink);
    let from = rect.left() + 36.0 + (rect.width() * 0.34).clamp(210.0, 280.0);
    let rest = Rect::from_min_max(egui::pos2(from, rect.top()), rect.max);
    let quiet = line.judged.result == HandResult::NotDone;
    let text_colour = if quiet { colours.faint } else { colour };
    let galley = {
        let text = egui::text::LayoutJob::simple_singleline(standing.clone(), FontId::proportional(14.5), text_colour);
        let wrap = egui::text::TextWrapping::truncate_at_width((rest.width() - 8.0).max(40.0));
        painter.layout_job(egui::text::LayoutJob { wrap, ..text })
    };
    painter.galley(egui::pos2(from, rect.center().y - galley.size().y / 2.0), galley, text_colour);
    let words = format!("{name}: {standing}");
    response.widget_info(|| egui::WidgetInfo::selected(egui::Role::Button, true, open, &words));
    response
}

/// How an item stands, in a line.
fn standing(shown: &Shown<'_>, line: &HandLine) -> String {
    let result = line.judged.result;
    let mut text = match result {
        HandResult::NotDone => match (shown.earlier)(line.item) {
            Some((was, age)) => format!("do it again; before the last session ({}): {was}", wording::ago(age)),
            None => match &line.limit {
                Some(limit) if line.entry.is_none() => format!("not done; {limit}"),
                _ => line.judged.why.clone(),
            },
        },
        _ if line.judged.why == result.name() => result.name().to_owned(),
        _ => format!("{}: {}", result.name(), line.judged.why),
    };
    if line.required && result == HandResult::NotDone {
        text.push_str(", required");
    }
    if let Some(age) = (shown.age)(line).filter(|_| result != HandResult::NotDone) {
        text.push_str(&format!(", taken {}", wording::ago(age)));
    }
    if line.latched && result != HandResult::Failed {
        text.push_str("; it failed before, and that holds for this session");
    }
    text
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
