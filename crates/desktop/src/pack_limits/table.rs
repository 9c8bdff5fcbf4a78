//! The limits as a table: both sides, deadband and delays, what was measured, and where each value comes from.

use egui::{Color32, Frame, Label, Margin, Response, RichText, Sense, TextEdit, Ui, vec2};
use model::{Fault, Level};
use session::rules::pack_text::{Field, Part};
use session::rules::{Held, LimitName, LimitValues, PackText};

use super::draft::Draft;
use super::words;
use crate::colours::{Colours, Meaning};
use crate::pieces;
use crate::wording::Said;

/// In less width deadband and delays stand in the row that is open.
const ALL_COLUMNS: f32 = 860.0;

/// The widths of the columns.
#[derive(Clone, Copy)]
struct Columns {
    name: f32,
    side: f32,
    delay: f32,
    measured: f32,
    all: bool,
}

impl Columns {
    fn of(width: f32, with_measured: bool) -> Self {
        let all = ALL_COLUMNS <= width;
        // Wide enough for a rate with its unit, and for a delay.
        let (side, delay) = (if width < 520.0 { 90.0 } else { 112.0 }, 58.0);
        let parts = if all { side * 3.0 + delay * 2.0 } else { side * 2.0 };
        let rest = width - parts - 8.0 * if all { 7.0 } else { 4.0 };
        let measured = if with_measured { (rest * 0.42).clamp(120.0, 200.0) } else { 0.0 };
        Self { name: (rest - measured).clamp(120.0, 440.0), side, delay, measured, all }
    }

    fn width(self, part: Part) -> f32 {
        match part {
            Part::OnDelay | Part::OffDelay => self.delay,
            Part::Warning | Part::Critical | Part::Deadband => self.side,
        }
    }

    fn parts(self) -> &'static [Part] {
        if self.all { &Part::ALL } else { &[Part::Warning, Part::Critical] }
    }
}

/// Which row is open, and what could not be done.
#[derive(Clone, Debug, Default)]
pub(super) struct Table {
    open: Option<LimitName>,
    /// A field whose last edit was refused, and why.
    refused: Option<(Field, String)>,
}

impl Table {
    /// Draws the table. `measured`: of the session that runs or is shown.
    pub(super) fn ui(&mut self, ui: &mut Ui, draft: &mut Draft, measured: Option<&Held>) {
        let columns = Columns::of(ui.available_width(), measured.is_some());
        header(ui, columns, measured.is_some());
        let mut check = None;
        for name in LimitName::all() {
            // A rule between checks: the limits of one belong together.
            if check.replace(name.check()) != Some(name.check()) {
                rule(ui);
            }
            self.row(ui, draft, name, measured, columns);
        }
        rule(ui);
    }

    fn row(&mut self, ui: &mut Ui, draft: &mut Draft, name: LimitName, measured: Option<&Held>, columns: Columns) {
        let colours = Colours::of(ui.visuals());
        let text = std::sync::Arc::clone(draft.now());
        let open = self.open == Some(name);
        let fill = if open { colours.sheet } else { Color32::TRANSPARENT };
        Frame::new().fill(fill).inner_margin(Margin::symmetric(0, 2)).show(ui, |ui| {
            ui.set_width(ui.available_width());
            ui.spacing_mut().item_spacing = vec2(8.0, 2.0);
            ui.horizontal_top(|ui| {
                let title = title(ui, &text, name, columns.name, open);
                if title.clicked() {
                    self.open = (!open).then_some(name);
                }
                for part in columns.parts() {
                    self.cell(ui, draft, name, *part, columns.width(*part));
                }
                if let Some(measured) = measured {
                    measured_ui(ui, &text, name, measured, columns.measured);
                }
            });
            if open {
                self.opened(ui, draft, name, columns);
            }
            below(ui, draft, name, self.refused.as_ref());
        });
    }

    /// One value, to be typed over. Empty, it is the default, which stands in it faintly.
    fn cell(&mut self, ui: &mut Ui, draft: &mut Draft, name: LimitName, part: Part, width: f32) {
        let field = Field::limit(name, part);
        let default = words::default(draft.now(), name, part).unwrap_or_else(|| "none".to_owned());
        let label = format!("{}, {}", words::name(name), words::part(part));
        let response = edit(ui, draft, &field, &label, &default, width, &mut self.refused);
        if response.has_focus() && self.open != Some(name) {
            self.open = Some(name);
        }
    }

    /// What there is to say and to do about the limit that the person looks at.
    fn opened(&mut self, ui: &mut Ui, draft: &mut Draft, name: LimitName, columns: Columns) {
        let colours = Colours::of(ui.visuals());
        let indented = Margin { left: 12, right: 8, top: 2, bottom: 6 };
        Frame::new().inner_margin(indented).show(ui, |ui| {
            let about = format!("{} It holds {}.", words::about(name), words::stage(name));
            ui.add(Label::new(RichText::new(about).size(14.0)).wrap());
            let source = format!("From: {}.", words::source(draft.now(), name));
            ui.add(Label::new(RichText::new(source).size(13.0).color(colours.faint)).wrap());
            if !columns.all {
                ui.horizontal_wrapped(|ui| {
                    ui.spacing_mut().interact_size.y = 24.0;
                    for part in [Part::Deadband, Part::OnDelay, Part::OffDelay] {
                        ui.label(RichText::new(words::part(part)).size(13.0).color(colours.faint));
                        self.cell(ui, draft, name, part, columns.width(part));
                    }
                });
            }
            let given = Part::ALL.into_iter().filter(|part| draft.now().value(&Field::limit(name, *part)).is_some());
            let given: Vec<Part> = given.collect();
            if given.is_empty() {
                return;
            }
            ui.horizontal_wrapped(|ui| {
                ui.label(RichText::new("Back to the default:").size(13.0).color(colours.faint));
                for part in given {
                    let default = words::default(draft.now(), name, part).unwrap_or_else(|| "none".to_owned());
                    if ui.button(format!("{}, {default}", words::part(part))).clicked() {
                        let field = Field::limit(name, part);
                        draft.end_step();
                        self.refused = draft.set(&field, "").err().map(|why| (field, why));
                        draft.end_step();
                    }
                }
            });
        });
    }
}

/// A value of the file to be typed over.
pub(super) fn edit(
    ui: &mut Ui,
    draft: &mut Draft,
    field: &Field,
    label: &str,
    default: &str,
    width: f32,
    refused: &mut Option<(Field, String)>,
) -> Response {
    let colours = Colours::of(ui.visuals());
    let mut text = draft.now().value(field).unwrap_or_default().to_owned();
    let worst = draft.now().faults_of(field).map(|fault| fault.level).min();
    let changed = draft.is_field_changed(field);
    let ground = match worst {
        Some(Level::Error) => colours.tint(Meaning::Danger),
        Some(Level::Warning) => colours.tint(Meaning::Abnormal),
        None if changed => colours.tint(Meaning::Action),
        None => colours.sheet,
    };
    let edit = TextEdit::singleline(&mut text)
        .id_salt(field)
        .hint_text(RichText::new(default).color(colours.faint))
        .background_color(ground)
        .desired_width(width)
        .margin(Margin::symmetric(4, 3))
        .font(egui::FontId::proportional(14.0))
        .char_limit(400);
    let response = ui.add(edit);
    let given = if text.is_empty() { format!("default {default}") } else { text.clone() };
    response.widget_info(|| {
        let mut info = egui::WidgetInfo::text_edit(ui.is_enabled(), "", &given, default);
        info.label = Some(label.to_owned());
        info
    });
    if response.changed() {
        *refused = draft.set(field, &text).err().map(|why| (*field, why));
    }
    if response.gained_focus() {
        // By the tab key it may lie out of sight.
        response.scroll_to_me(None);
    }
    if response.lost_focus() {
        draft.end_step();
    }
    response
}

fn header(ui: &mut Ui, columns: Columns, measured: bool) {
    let colours = Colours::of(ui.visuals());
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 8.0;
        let mut head = |width: f32, text: &str| {
            let label = Label::new(RichText::new(text).size(13.0).color(colours.faint)).truncate();
            let left = egui::Layout::left_to_right(egui::Align::Center);
            ui.allocate_ui_with_layout(vec2(width, 18.0), left, |ui| {
                ui.set_min_width(width);
                ui.add(label)
            })
            .inner
        };
        head(columns.name, "Limit, stage and source");
        for part in columns.parts() {
            let words = words::part(*part);
            head(columns.width(*part), words).on_hover_text(words::part_about(*part));
        }
        if measured {
            head(columns.measured, "measured");
        }
    });
}

fn rule(ui: &mut Ui) {
    let colours = Colours::of(ui.visuals());
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), 1.0), Sense::hover());
    ui.painter().rect_filled(rect, 0.0, colours.rule);
}

/// The name of a limit, when it holds, and where it comes from; a click opens its row.
fn title(ui: &mut Ui, text: &PackText, name: LimitName, width: f32, open: bool) -> Response {
    let colours = Colours::of(ui.visuals());
    let (rect, response) = ui.allocate_exact_size(vec2(width, 38.0), Sense::click());
    let painter = ui.painter().with_clip_rect(rect.intersect(ui.clip_rect()));
    if response.hovered() || response.has_focus() {
        painter.rect_filled(rect, 0.0, colours.wash(Meaning::Action));
    }
    let one_line = |words: String, size: f32, colour: Color32| {
        let job = egui::text::LayoutJob::simple_singleline(words, egui::FontId::proportional(size), colour);
        let wrap = egui::text::TextWrapping::truncate_at_width((width - 10.0).max(40.0));
        painter.layout_job(egui::text::LayoutJob { wrap, ..job })
    };
    let from = format!("{}; {}", words::stage(name), words::source(text, name));
    let short = format!("{}; {}", words::stage_in_short(name), words::source_in_short(text, name));
    let heading = one_line(words::name(name).to_owned(), 15.5, colours.ink);
    let second = one_line(short, 12.5, colours.faint);
    painter.galley(rect.left_top() + vec2(8.0, 1.0), heading, colours.ink);
    painter.galley(rect.left_top() + vec2(8.0, 20.0), second, colours.faint);
    let words = format!("{}: {from}", words::name(name));
    response.widget_info(|| egui::WidgetInfo::selected(egui::Role::Button, true, open, &words));
    response.on_hover_text(from)
}

/// The lowest and highest that was held against a limit, and how far that is from the side that comes first.
fn measured_ui(ui: &mut Ui, text: &PackText, name: LimitName, measured: &Held, width: f32) {
    let colours = Colours::of(ui.visuals());
    let size = vec2(width, 38.0);
    let column = egui::Layout::top_down(egui::Align::LEFT);
    ui.allocate_ui_with_layout(size, column, |ui| {
        ui.spacing_mut().item_spacing.y = 1.0;
        let Some((lowest, highest)) = measured.of(name) else {
            ui.label(RichText::new("nothing yet").size(13.5).color(colours.faint));
            return;
        };
        let shown = |nanos: i64| words::measured(name.dimension(), nanos);
        let range = if lowest == highest { shown(lowest) } else { format!("{} to {}", shown(lowest), shown(highest)) };
        ui.add(Label::new(RichText::new(&range).size(13.5)).truncate());
        let limit = text.pack().map(|pack| pack.limit(name));
        let Some(said) = limit.and_then(|limit| distance(name, &limit, (lowest, highest))) else { return };
        let colour = if said.meaning == Meaning::Unknown { colours.faint } else { colours.of_meaning(said.meaning) };
        let label = ui.add(Label::new(RichText::new(&said.text).size(12.5).color(colour)).truncate());
        pieces::name(&label, format!("{}, measured {range}: {}", words::name(name), said.text));
    });
}

/// How far the extreme that matters is from the limit.
fn distance(name: LimitName, limit: &LimitValues, (lowest, highest): (i64, i64)) -> Option<Said> {
    let inside = |side: i64| if name.is_lower() { lowest.saturating_sub(side) } else { side.saturating_sub(highest) };
    let shown = |nanos: i64| words::measured(name.dimension(), nanos.saturating_abs());
    // Under a current the limit is wider than it is written: what lies beyond that may still be inside.
    let grows = name == LimitName::DeviationLoad;
    let sides = [(limit.critical, Meaning::Danger, "critical"), (limit.warning, Meaning::Abnormal, "warning")];
    for (side, meaning, word) in sides {
        let Some(inside) = side.map(inside).filter(|inside| *inside < 0) else { continue };
        let text = if grows {
            format!("{} over {word}, without the current's part", shown(inside))
        } else {
            format!("{} beyond {word}", shown(inside))
        };
        let (meaning, sign) = if grows { (Meaning::Unknown, "=") } else { (meaning, "!") };
        return Some(Said { meaning, sign, text });
    }
    let (side, word) = limit.warning.map(|side| (side, "warning")).or(limit.critical.map(|side| (side, "critical")))?;
    Some(Said { meaning: Meaning::Unknown, sign: "=", text: format!("{} inside {word}", shown(inside(side))) })
}

/// What is wrong with a limit, and what it was.
fn below(ui: &mut Ui, draft: &Draft, name: LimitName, refused: Option<&(Field, String)>) {
    for part in Part::ALL {
        let field = Field::limit(name, part);
        let default = words::default(draft.base(), name, part);
        notes(ui, draft, &field, words::part(part), default.as_deref(), refused);
    }
}

/// The faults of one field, and what it was before.
pub(super) fn notes(
    ui: &mut Ui,
    draft: &Draft,
    field: &Field,
    what: &str,
    default: Option<&str>,
    refused: Option<&(Field, String)>,
) {
    let colours = Colours::of(ui.visuals());
    let faults: Vec<&Fault> = draft.now().faults_of(field).collect();
    let changed = draft.is_field_changed(field);
    let refused = refused.filter(|(of, _)| of == field);
    if faults.is_empty() && !changed && refused.is_none() {
        return;
    }
    Frame::new().inner_margin(Margin { left: 12, ..Margin::ZERO }).show(ui, |ui| {
        for fault in faults {
            pieces::said(ui, &fault_said(fault, what), 14.0);
        }
        if let Some((_, why)) = refused {
            let text = format!("{what}: {why}");
            pieces::said(ui, &Said { meaning: Meaning::Danger, sign: "x", text }, 14.0);
        }
        if changed {
            let was = match (draft.base().value(field), default) {
                (Some(value), _) => value.to_owned(),
                (None, Some(default)) => format!("the default, {default}"),
                (None, None) => "not given".to_owned(),
            };
            let text = format!("changed: {what} was {was}");
            ui.add(Label::new(RichText::new(text).size(13.0).color(colours.of_meaning(Meaning::Action))).wrap());
        }
    });
}

/// A fault in words, with what to do.
pub(super) fn fault_said(fault: &Fault, what: &str) -> Said {
    let hint = fault.hint.as_ref().map_or(String::new(), |hint| format!("; {hint}"));
    let text = format!("{what}: {}{hint}", fault.message);
    match fault.level {
        Level::Error => Said { meaning: Meaning::Danger, sign: "x", text },
        Level::Warning => Said { meaning: Meaning::Abnormal, sign: "!", text },
    }
}
