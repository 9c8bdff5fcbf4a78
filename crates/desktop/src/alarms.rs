//! The alarm list: what waits to be acknowledged on top, critical before warning, then the newest.

use egui::{Frame, Margin, RichText, ScrollArea, Ui};
use model::Command;
use session::rules::{Alarm, AlarmState};
use session::snapshot::needs_acknowledging;

use crate::colours::{Colours, Meaning};
use crate::pieces;
use crate::wording::{self, Look};

/// Draws the alarms; reports what the person asked for and changes nothing else.
pub fn ui(ui: &mut Ui, look: Look<'_>, out: &mut Vec<Command>) {
    let colours = Colours::of(ui.visuals());
    let snapshot = look.snapshot;
    let waiting = snapshot.unacknowledged().count();
    let can_act = can_act(look);
    ui.horizontal_wrapped(|ui| {
        pieces::title(ui, "Alarms");
        if waiting == 0 {
            ui.label(RichText::new("none waits").size(13.0).color(colours.faint));
        } else {
            ui.label(
                RichText::new(format!("{waiting} not acknowledged"))
                    .size(13.0)
                    .color(colours.of_meaning(Meaning::Action)),
            );
            if ui.add_enabled(can_act, egui::Button::new("Acknowledge all (A)")).clicked() {
                acknowledge_all(look, out);
            }
        }
    });
    if snapshot.alarms.is_empty() {
        let text = if snapshot.age.is_some() { "no alarm so far" } else { "nothing was judged yet" };
        ui.label(RichText::new(text).color(colours.faint));
        return;
    }
    let mut alarms: Vec<&Alarm> = snapshot.alarms.iter().collect();
    let newest = alarms.iter().map(|alarm| (alarm.raised_at, alarm.number)).max();
    let rank = |alarm: &Alarm| (needs_acknowledging(alarm), alarm.severity, alarm.raised_at, alarm.number);
    alarms.sort_by_key(|alarm| std::cmp::Reverse(rank(alarm)));
    ScrollArea::vertical().id_salt("alarms").auto_shrink([false, true]).show(ui, |ui| {
        for alarm in alarms {
            let newest = newest == Some((alarm.raised_at, alarm.number));
            row(ui, look, alarm, newest, can_act, out);
        }
    });
}

/// Whether the session takes commands.
pub fn can_act(look: Look<'_>) -> bool {
    let replay = look.snapshot.facts.as_ref().is_some_and(|facts| facts.replay);
    !replay && !look.finished && look.snapshot.phase == session::snapshot::Phase::Running
}

/// Acknowledges what is on the screen, and nothing that came after it.
pub fn acknowledge_all(look: Look<'_>, out: &mut Vec<Command>) {
    out.extend(look.snapshot.unacknowledged().map(|alarm| Command::Acknowledge { alarm: alarm.number }));
}

fn row(ui: &mut Ui, look: Look<'_>, alarm: &Alarm, newest: bool, can_act: bool, out: &mut Vec<Command>) {
    let colours = Colours::of(ui.visuals());
    let said = wording::severity(alarm.severity);
    let waits = needs_acknowledging(alarm);
    let meaning = if alarm.state == AlarmState::Normal { Meaning::Unknown } else { said.meaning };
    let fill = if alarm.active { colours.tint(meaning) } else { colours.sheet };
    Frame::new().fill(fill).inner_margin(Margin::symmetric(8, 4)).show(ui, |ui| {
        ui.set_width(ui.available_width());
        ui.horizontal_wrapped(|ui| {
            let (rect, _) = ui.allocate_exact_size(egui::vec2(18.0, 18.0), egui::Sense::hover());
            // Filled while its condition holds, hollow when that is gone.
            let sign = if alarm.active { said.sign } else { "o" };
            let colour = colours.of_meaning(meaning);
            pieces::paint_sign(ui.painter(), rect.center(), 7.0, sign, colour, colours.sheet);
            let mut head = format!("{} {}", alarm.check, said.text);
            if alarm.first_out {
                head.push_str(", came first");
            }
            if newest && look.snapshot.alarms.len() > 1 {
                head.push_str(", newest");
            }
            ui.label(RichText::new(head).strong().color(colour));
            if waits {
                let button = ui.add_enabled(can_act, egui::Button::new("Acknowledge").small());
                pieces_button(&button, format!("Acknowledge alarm {}: {}", alarm.number, alarm.check));
                if button.clicked() {
                    out.push(Command::Acknowledge { alarm: alarm.number });
                }
            }
        });
        ui.add(egui::Label::new(RichText::new(&alarm.text).size(14.0)).wrap());
        let state = wording::alarm_state(alarm.state);
        let at = format!("{} s", model::format_nanos(i64::try_from(alarm.raised_at.nanos).unwrap_or(i64::MAX), 1));
        ui.label(RichText::new(format!("alarm {} at {at}, {state}", alarm.number)).size(12.5).color(colours.faint));
    });
}

fn pieces_button(response: &egui::Response, text: String) {
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, response.enabled(), &text));
}
