//! The alarm list: what waits to be acknowledged on top, critical before warning, then the newest.

use std::time::Duration;

use egui::{Frame, Margin, RichText, ScrollArea, Ui};
use model::Command;
use session::rules::{Alarm, AlarmState};
use session::snapshot::needs_acknowledging;

use crate::colours::{Colours, Meaning};
use crate::pieces;
use crate::wording::{self, Look};

/// Draws the alarms with their title; reports what the person asked for and changes nothing else.
pub fn ui(ui: &mut Ui, look: Look<'_>, out: &mut Vec<Command>) {
    draw(ui, look, Some("Alarms"), out);
}

/// The same below a title that is there already.
pub(crate) fn list(ui: &mut Ui, look: Look<'_>, out: &mut Vec<Command>) {
    draw(ui, look, None, out);
}

fn draw(ui: &mut Ui, look: Look<'_>, title: Option<&str>, out: &mut Vec<Command>) {
    let colours = Colours::of(ui.visuals());
    let snapshot = look.snapshot;
    let waiting = snapshot.unacknowledged().count();
    let can_act = can_act(look);
    ui.horizontal_wrapped(|ui| {
        if let Some(title) = title {
            pieces::title(ui, title);
        }
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
    let (aside, mut alarms): (Vec<&Alarm>, Vec<&Alarm>) =
        snapshot.alarms.iter().partition(|alarm| alarm.state == AlarmState::Shelved);
    let newest = snapshot.alarms.iter().map(|alarm| (alarm.raised_at, alarm.number)).max();
    let rank = |alarm: &Alarm| (needs_acknowledging(alarm), alarm.severity, alarm.raised_at, alarm.number);
    alarms.sort_by_key(|alarm| std::cmp::Reverse(rank(alarm)));
    ScrollArea::vertical().id_salt("alarms").auto_shrink([false, true]).show(ui, |ui| {
        for alarm in alarms {
            let newest = newest == Some((alarm.raised_at, alarm.number));
            row(ui, look, alarm, newest, can_act, out);
        }
        if !aside.is_empty() {
            ui.add_space(4.0);
            pieces::title(ui, &format!("Put aside: {}", aside.len()));
            for alarm in aside {
                row(ui, look, alarm, newest == Some((alarm.raised_at, alarm.number)), can_act, out);
            }
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
            if alarm.can_be_shelved() && !matches!(alarm.state, AlarmState::Shelved | AlarmState::Normal) {
                put_aside(ui, alarm, can_act, out);
            }
        });
        ui.add(egui::Label::new(RichText::new(&alarm.text).size(14.0)).wrap());
        let state = wording::alarm_state(alarm.state);
        let at = format!("{} s", model::format_nanos(i64::try_from(alarm.raised_at.nanos).unwrap_or(i64::MAX), 1));
        let mut about = format!("alarm {} at {at}, {state}", alarm.number);
        if let Some(until) = alarm.shelved_until() {
            about.push_str(&format!(", comes back in {}", wording::left(until.since(look.now()))));
        } else if !alarm.can_be_shelved() {
            about.push_str("; critical: it can't be put aside");
        }
        ui.add(egui::Label::new(RichText::new(about).size(12.5).color(colours.faint)).wrap());
    });
}

/// For how long an alarm can be put aside.
const ASIDE: [(&str, Duration); 3] =
    [("10 min", Duration::from_secs(600)), ("30 min", Duration::from_secs(1800)), ("1 h", Duration::from_secs(3600))];

fn put_aside(ui: &mut Ui, alarm: &Alarm, can_act: bool, out: &mut Vec<Command>) {
    let menu = |ui: &mut Ui| {
        for (name, length) in ASIDE {
            let button = ui.button(format!("for {name}"));
            pieces_button(&button, format!("Put alarm {} aside for {name}: {}", alarm.number, alarm.check));
            if button.clicked() {
                out.push(Command::Shelve { alarm: alarm.number, length });
                ui.close();
            }
        }
        ui.label(RichText::new("its check has no data meanwhile: not go").size(12.5));
    };
    ui.add_enabled_ui(can_act, |ui| {
        ui.spacing_mut().button_padding = egui::vec2(4.0, 0.0);
        let opened = ui.menu_button(RichText::new("Put aside…").size(13.0), menu).response;
        pieces_button(&opened, format!("Put aside alarm {}: {}", alarm.number, alarm.check));
    });
}

fn pieces_button(response: &egui::Response, text: String) {
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, response.enabled(), &text));
}
