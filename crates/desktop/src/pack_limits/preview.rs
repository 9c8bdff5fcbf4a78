//! What the edited limits would have raised on a recording.

use std::path::PathBuf;
use std::sync::Arc;

use egui::{Label, RichText, ScrollArea, Ui};
use model::{SessionTime, format_nanos};
use session::again::{Again, Change, Comparison, Question, Standing};
use session::rules::{Alarm, Outcome, Severity, Verdict};

use crate::colours::{Colours, Meaning};
use crate::pieces;
use crate::wording::{self, Said};

/// Changes that are listed.
const LISTED: usize = 200;
/// The share of the window that the list takes where it stands above the limits: these stay in sight.
const SHARE: f32 = 0.18;

/// Asks for the newest text, and shows the newest answer.
#[derive(Debug, Default)]
pub(super) struct Preview {
    again: Again,
    asked: Option<Question>,
    /// The last answer: it stays in sight, marked as old, while the next one is worked out.
    answer: Option<Arc<Comparison>>,
}

/// What there is to judge again.
pub(super) struct Over {
    /// The recording; `None` if there is none.
    pub(super) recording: Option<PathBuf>,
    /// How long it is.
    pub(super) length: SessionTime,
    /// It is still being made.
    pub(super) growing: bool,
}

impl Preview {
    /// Asks anew where the text is another one. `text`: what is to be judged by; `None` where it has errors or is what
    /// the session is judged by anyway.
    pub(super) fn look(&mut self, over: &Over, text: Option<&str>, ctx: &egui::Context) {
        let (Some(recording), Some(text)) = (&over.recording, text) else {
            if self.asked.take().is_some() {
                self.again.forget();
                self.answer = None;
            }
            return;
        };
        let same = self.asked.as_ref().is_some_and(|asked| asked.recording == *recording && asked.pack_text == text);
        if !same {
            self.ask(recording.clone(), text, over.length, ctx);
        }
        if let Standing::Done(answer) = self.again.standing() {
            self.answer = Some(answer);
        }
    }

    fn ask(&mut self, recording: PathBuf, text: &str, length: SessionTime, ctx: &egui::Context) {
        let question = Question { recording, pack_text: text.to_owned(), length };
        self.asked = Some(question.clone());
        let ctx = ctx.clone();
        self.again.ask(question, Arc::new(move || ctx.request_repaint()));
    }

    /// Draws it. `why`: what to say where nothing is asked. `high`: it has a column of its own, and may fill it.
    pub(super) fn ui(&mut self, ui: &mut Ui, over: &Over, why: &str, high: bool) {
        pieces::title(ui, "What these limits would have raised");
        let Some(asked) = self.asked.clone() else {
            let colours = Colours::of(ui.visuals());
            ui.add(Label::new(RichText::new(why).size(14.5).color(colours.faint)).wrap());
            return;
        };
        let standing = self.again.standing();
        match &standing {
            Standing::Running(done) => {
                let share = f32::from(*done) / 1000.0;
                let bar = egui::ProgressBar::new(share).desired_height(6.0).corner_radius(0.0);
                let bar = ui.add(bar);
                pieces::name(&bar, format!("judging the recording again, {} % done", done / 10));
            }
            Standing::Failed(failure) => {
                let hint = failure.hint.as_ref().map_or(String::new(), |hint| format!("; {hint}"));
                let text = format!("the recording can't be judged again: {}{hint}", failure.text);
                pieces::said(ui, &Said { meaning: Meaning::Abnormal, sign: "!", text }, 14.5);
            }
            Standing::Done(_) | Standing::Idle => {}
        }
        let Some(answer) = self.answer.clone() else { return };
        ui.add_enabled_ui(matches!(standing, Standing::Done(_)), |ui| {
            headline(ui, &answer);
            if over.growing {
                ui.horizontal_wrapped(|ui| {
                    let text = format!("over the recording up to {}", wording::elapsed(answer.until));
                    ui.label(RichText::new(text).size(13.0).weak());
                    if ui.button("Look again").clicked() {
                        self.ask(asked.recording.clone(), &asked.pack_text, over.length, ui.ctx());
                    }
                });
            } else if answer.incomplete {
                ui.label(RichText::new("the recording is incomplete: more may have been missed").size(13.0).weak());
            }
            let area = ScrollArea::vertical().id_salt("changes").auto_shrink([false, true]);
            let low = (ui.ctx().content_rect().height() * SHARE).max(44.0);
            let area = if high { area } else { area.max_height(low) };
            area.show(ui, |ui| changes(ui, &answer));
        });
    }
}

fn headline(ui: &mut Ui, answer: &Comparison) {
    let (before, after) = (&answer.before.verdict, &answer.after.verdict);
    ui.horizontal_wrapped(|ui| {
        pieces::said_whole(ui, &outcome(before.outcome), 18.0);
        let word = if before.outcome == after.outcome { "stays" } else { "becomes" };
        ui.label(RichText::new(word).size(14.0).weak());
        pieces::said_whole(ui, &outcome(after.outcome), 18.0);
    });
    if let Some(because) = because(before, after) {
        ui.add(Label::new(RichText::new(because).size(14.0)).wrap());
    }
}

fn outcome(outcome: Outcome) -> Said {
    let (meaning, sign) = match outcome {
        Outcome::Go => (Meaning::Safe, "+"),
        Outcome::CannotTell => (Meaning::Abnormal, "?"),
        Outcome::NoGo => (Meaning::Danger, "x"),
    };
    Said { meaning, sign, text: outcome.name().to_uppercase() }
}

fn because(before: &Verdict, after: &Verdict) -> Option<String> {
    if before.outcome == after.outcome && before.because == after.because {
        return Some("The verdict and its reasons stay the same.".to_owned());
    }
    after.because.first().map(|because| format!("because {because}"))
}

fn changes(ui: &mut Ui, answer: &Comparison) {
    let changes = &answer.changes;
    let (new_causes, gone_causes) = answer.findings();
    if changes.is_empty() && new_causes.is_empty() && gone_causes.is_empty() {
        ui.label(RichText::new("No alarm is new, gone or changed.").size(14.5));
        return;
    }
    let count = |kind: fn(&Change) -> bool| changes.iter().filter(|change| kind(change)).count();
    let text = format!(
        "alarms: {} new, {} gone, {} changed",
        count(|change| matches!(change, Change::New(_))),
        count(|change| matches!(change, Change::Gone(_))),
        count(|change| matches!(change, Change::Changed { .. }))
    );
    ui.label(RichText::new(text).size(14.5).strong());
    for change in changes.iter().take(LISTED) {
        match change {
            Change::New(alarm) => alarm_ui(ui, "new", alarm, None),
            Change::Gone(alarm) => alarm_ui(ui, "gone", alarm, None),
            Change::Changed { before, after } => alarm_ui(ui, "changed", after, Some(before)),
        }
    }
    if LISTED < changes.len() {
        ui.label(format!("and {} more", changes.len() - LISTED));
    }
    for (word, findings) in [("new finding", &new_causes), ("finding gone", &gone_causes)] {
        for finding in findings {
            let text = format!("{word}: {}, {}", wording::finding(finding), finding.confidence.name());
            let severity = wording::severity(finding.severity);
            let said = if word == "finding gone" {
                Said { meaning: Meaning::Unknown, sign: "o", text }
            } else {
                Said { text, ..severity }
            };
            pieces::said(ui, &said, 14.0);
        }
    }
}

/// One alarm: what became of it, when, and what it says.
fn alarm_ui(ui: &mut Ui, word: &str, alarm: &Alarm, before: Option<&Alarm>) {
    let at = |time: SessionTime| format_nanos(i64::try_from(time.nanos).unwrap_or(i64::MAX), 1);
    let said = wording::severity(alarm.worst);
    let mut text = format!("{word} at {} s: {}: {}", at(alarm.first_at), alarm.check, alarm.worst_text);
    if let Some(before) = before {
        let severity = |severity: Severity| severity.name();
        if before.worst != alarm.worst {
            text.push_str(&format!("; was {}", severity(before.worst)));
        }
        if before.first_at != alarm.first_at {
            text.push_str(&format!("; was raised at {} s", at(before.first_at)));
        }
    }
    let gone = word == "gone";
    let said = if gone { Said { meaning: Meaning::Unknown, sign: "o", text } } else { Said { text, ..said } };
    pieces::said(ui, &said, 14.0);
}
