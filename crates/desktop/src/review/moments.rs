//! What happened, as a list to jump through.

use egui::{Label, RichText, ScrollArea, Sense, Ui};
use model::SessionTime;
use session::rules::{Outcome, Severity};
use session::snapshot::{Moment, MomentKind};

use super::meaning;
use crate::colours::{Colours, Meaning};
use crate::pieces;
use crate::wording::Said;

/// The height of a line of the list.
const LINE: f32 = 20.0;

/// Which moments are listed.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
enum Kinds {
    /// Alarms and findings.
    #[default]
    Wrong,
    /// All.
    All,
}

#[derive(Debug, Default)]
pub(super) struct Moments {
    kinds: Kinds,
    /// The line that the list was last scrolled to.
    scrolled: Option<usize>,
}

impl Kinds {
    fn has(self, kind: MomentKind) -> bool {
        match kind {
            MomentKind::Alarm { .. } | MomentKind::Finding { .. } => true,
            MomentKind::Verdict(outcome) => self == Self::All || outcome == Outcome::NoGo,
            MomentKind::Stage(_) | MomentKind::Returned { .. } | MomentKind::Withdrawn { .. } | MomentKind::Note => {
                self == Self::All
            }
        }
    }
}

impl Moments {
    /// The next moment of those that are listed.
    pub(super) fn next(&self, moments: &[Moment], here: u64, back: bool) -> Option<u64> {
        let mut times = moments.iter().filter(|moment| self.kinds.has(moment.kind)).map(|moment| moment.at.nanos);
        if back { times.rfind(|at| *at < here) } else { times.find(|at| here < *at) }
    }

    /// Draws the list; returns where to go.
    pub(super) fn ui(
        &mut self,
        ui: &mut Ui,
        moments: &[Moment],
        more: bool,
        cursor: u64,
        judged: Option<u16>,
    ) -> Option<u64> {
        let mut go = None;
        ui.horizontal_wrapped(|ui| {
            pieces::title(ui, "What happened");
            for (kinds, text) in [(Kinds::Wrong, "alarms and findings"), (Kinds::All, "all")] {
                if ui.selectable_label(self.kinds == kinds, text).clicked() {
                    self.kinds = kinds;
                    self.scrolled = None;
                }
            }
            for (text, back) in [("Earlier (,)", true), ("Later (.)", false)] {
                if ui.button(text).clicked() {
                    go = self.next(moments, cursor, back);
                }
            }
        });
        let listed: Vec<&Moment> = moments.iter().filter(|moment| self.kinds.has(moment.kind)).collect();
        if listed.is_empty() {
            let text = match (judged, moments.is_empty()) {
                (Some(thousandths), true) if thousandths < 1000 => "the recording is being judged",
                _ if more => "none is listed, but more happened than is kept: `packwake replay` tells all of it",
                (_, true) => "nothing yet",
                (_, false) => "no alarm was raised and nothing was found",
            };
            ui.label(text);
            return go;
        }
        // The last one that has happened at the cursor.
        let current = listed.iter().rposition(|moment| moment.at.nanos <= cursor);
        let mut scroll = ScrollArea::vertical().id_salt("moments").auto_shrink([false, false]);
        if current != self.scrolled {
            self.scrolled = current;
            #[expect(clippy::cast_precision_loss, reason = "a place on a screen")]
            let top = current.unwrap_or(0) as f32 * (LINE + ui.spacing().item_spacing.y);
            scroll = scroll.vertical_scroll_offset((top - ui.available_height() / 2.0).max(0.0));
        }
        scroll.show_rows(ui, LINE, listed.len() + usize::from(more), |ui, rows| {
            for index in rows {
                match listed.get(index) {
                    Some(moment) => {
                        if line(ui, index, moment, current == Some(index)) {
                            go = Some(moment.at.nanos);
                        }
                    }
                    None => {
                        ui.label("more happened than is listed: `packwake replay` tells all of it");
                    }
                }
            }
        });
        go
    }
}

/// One line; returns whether it was clicked.
fn line(ui: &mut Ui, index: usize, moment: &Moment, current: bool) -> bool {
    let colours = Colours::of(ui.visuals());
    let (meaning, sign) = meaning(moment.kind);
    let text = words(moment);
    let response = ui
        .push_id(index, |ui| {
            ui.horizontal(|ui| {
                ui.set_height(LINE);
                let (rect, _) = ui.allocate_exact_size(egui::vec2(14.0, LINE), Sense::hover());
                pieces::paint_sign(ui.painter(), rect.center(), 5.0, sign, colours.of_meaning(meaning), colours.sheet);
                let label = RichText::new(&text).size(13.0);
                let label =
                    if current { label.strong().background_color(colours.tint(Meaning::Action)) } else { label };
                ui.add(Label::new(label).truncate().sense(Sense::click()))
            })
        })
        .inner
        .inner;
    let label = format!("Go to {text}");
    response.widget_info(|| egui::WidgetInfo::selected(egui::Role::Button, true, current, &label));
    response.clicked()
}

fn words(moment: &Moment) -> String {
    let at = model::format_nanos(i64::try_from(moment.at.nanos).unwrap_or(i64::MAX), 2);
    let what = match moment.kind {
        MomentKind::Stage(stage) => return format!("{at} s  stage {}: {}", stage.name(), moment.text),
        MomentKind::Alarm { severity, .. } => severity.name(),
        MomentKind::Returned { .. } => "gone",
        MomentKind::Finding { .. } => "found",
        MomentKind::Withdrawn { .. } => "no longer",
        MomentKind::Verdict(outcome) => outcome.name(),
        MomentKind::Note => "note",
    };
    format!("{at} s  {what}: {}", moment.text)
}

/// The answer, the stage and the alarms as they stood then.
pub(super) fn standing_at(moments: &[Moment], cursor: u64) -> Vec<Said> {
    let before = || moments.iter().take_while(|moment| moment.at.nanos <= cursor);
    let mut said = Vec::new();
    let outcome = before().filter_map(|moment| match moment.kind {
        MomentKind::Verdict(outcome) => Some(outcome),
        _ => None,
    });
    let (meaning, sign, text) = match outcome.last() {
        Some(Outcome::Go) => (Meaning::Safe, "+", "go"),
        Some(Outcome::NoGo) => (Meaning::Danger, "x", "no-go"),
        Some(Outcome::CannotTell) | None => (Meaning::Abnormal, "?", "cannot tell"),
    };
    said.push(Said { meaning, sign, text: format!("answer then: {text}") });
    let stage = before().filter_map(|moment| match moment.kind {
        MomentKind::Stage(stage) => Some(stage),
        _ => None,
    });
    if let Some(stage) = stage.last() {
        said.push(Said { meaning: Meaning::Unknown, sign: ">", text: format!("stage {}", stage.name()) });
    }
    let mut active: Vec<(u32, Severity)> = Vec::new();
    for moment in before() {
        match moment.kind {
            MomentKind::Alarm { number, severity } => {
                active.retain(|(known, _)| *known != number);
                active.push((number, severity));
            }
            MomentKind::Returned { number } => active.retain(|(known, _)| *known != number),
            MomentKind::Stage(_)
            | MomentKind::Finding { .. }
            | MomentKind::Withdrawn { .. }
            | MomentKind::Verdict(_)
            | MomentKind::Note => {}
        }
    }
    let worst = active.iter().map(|(_, severity)| *severity).max();
    let (meaning, sign) = match worst {
        Some(Severity::Critical) => (Meaning::Danger, "x"),
        Some(Severity::Warning) => (Meaning::Abnormal, "!"),
        None => (Meaning::Unknown, "o"),
    };
    let text = match active.len() {
        0 => "no alarm".to_owned(),
        1 => "1 alarm".to_owned(),
        count => format!("{count} alarms"),
    };
    said.push(Said { meaning, sign, text });
    said
}

/// The stages with their times.
pub(super) fn stages(moments: &[Moment]) -> Vec<(SessionTime, session::rules::Stage)> {
    let stage = |moment: &Moment| match moment.kind {
        MomentKind::Stage(stage) => Some((moment.at, stage)),
        _ => None,
    };
    moments.iter().filter_map(stage).collect()
}
