//! All pieces in every state on one page, to be looked at: `cargo run -p packwake-desktop --example gallery`.

use std::time::Duration;

use egui::{Frame, Margin, RichText, Ui};
use model::SessionTime;
use session::Snapshot;
use session::history::Piece;
use session::rules::{AlarmState, Confidence, LimitValues, Severity};
use session::snapshot::{Limits, Link, Phase, Reading, Recording, Standing};

use crate::colours::{Colours, Meaning};
use crate::sound::{By, Status};
use crate::wording::{self, Look, Said};
use crate::{cells, findings, pieces, top_line, values};

/// Draws the page.
pub fn ui(ui: &mut Ui) {
    let colours = Colours::of(ui.visuals());
    ui.horizontal_top(|ui| {
        for (meaning, sign, text) in VERDICTS {
            top_line::answer(ui, &Said { meaning, sign, text: text.to_owned() }, 34.0);
        }
    });
    ui.add_space(6.0);
    ui.columns(3, |columns| {
        if let [first, second, third] = columns {
            signs(first);
            links(second);
            alarms(third);
        }
    });
    ui.add_space(6.0);
    let snapshot = made_up();
    let look = Look { snapshot: &snapshot, since: Duration::ZERO, finished: false };
    ui.columns(2, |columns| {
        if let [left, right] = columns {
            cells::ui(left, look, &mut cells::Scale::Usual, 250.0);
            Frame::new()
                .fill(colours.sheet)
                .inner_margin(Margin::same(12))
                .show(right, |ui| values::ui(ui, look, false));
        }
    });
}

/// What the top line can say.
const VERDICTS: [(Meaning, &str, &str); 4] = [
    (Meaning::Safe, "+", "GO"),
    (Meaning::Abnormal, "?", "CANNOT TELL"),
    (Meaning::Danger, "x", "NO-GO"),
    (Meaning::Danger, "x", "NOT WATCHING"),
];

fn signs(ui: &mut Ui) {
    pieces::title(ui, "Meanings and signs");
    for (meaning, sign, text) in [
        (Meaning::Danger, "x", "danger: act now"),
        (Meaning::Abnormal, "!", "abnormal: look at it"),
        (Meaning::Abnormal, "?", "cannot tell"),
        (Meaning::Safe, "+", "safe: there is evidence"),
        (Meaning::Action, ">", "do this now"),
        (Meaning::Unknown, "?", "nothing is known"),
        (Meaning::Unknown, "=", "a fact"),
        (Meaning::Unknown, "o", "off"),
    ] {
        pieces::said(ui, &Said { meaning, sign, text: text.to_owned() }, 15.0);
    }
    for standing in [Standing::Unknown, Standing::Inside, Standing::Warning, Standing::Critical] {
        pieces::said(ui, &wording::standing(standing), 15.0);
    }
}

fn links(ui: &mut Ui) {
    pieces::title(ui, "Link, recording, sound");
    let age = |age_ms: Option<u64>, link: Link| Snapshot {
        phase: Phase::Running,
        age: age_ms.map(Duration::from_millis),
        link,
        ..Snapshot::default()
    };
    for snapshot in [
        age(None, Link::NotOpen),
        age(None, Link::NothingYet),
        age(Some(80), Link::Frames),
        age(Some(4200), Link::Frames),
        age(Some(900), Link::Lost("the device was unplugged".to_owned())),
        Snapshot { phase: Phase::Ended, ..age(Some(50), Link::Frames) },
    ] {
        let look = Look { snapshot: &snapshot, since: Duration::ZERO, finished: false };
        pieces::said(ui, &wording::link(look), 15.0);
    }
    for recording in [
        Recording::Off,
        Recording::On("first.mcap".to_owned()),
        Recording::Incomplete("the disk is full".to_owned()),
        Recording::Finished,
    ] {
        pieces::said(ui, &wording::recording(&recording), 15.0);
    }
    let by = |by: By| Status { by, ..Status::default() };
    let program = || By::Program("player".to_owned());
    for status in [
        by(program()),
        Status { tried: true, ..by(program()) },
        by(By::Bell),
        by(By::Nothing),
        Status { silenced: true, ..by(program()) },
    ] {
        pieces::said(ui, &wording::sound(&status), 15.0);
    }
}

fn alarms(ui: &mut Ui) {
    let colours = Colours::of(ui.visuals());
    pieces::title(ui, "Alarms");
    for severity in [Severity::Warning, Severity::Critical] {
        pieces::said(ui, &wording::severity(severity), 15.0);
    }
    for state in [
        AlarmState::Unacknowledged,
        AlarmState::Acknowledged,
        AlarmState::ReturnedUnacknowledged,
        AlarmState::LatchedUnacknowledged,
        AlarmState::LatchedAcknowledged,
        AlarmState::Shelved,
        AlarmState::Normal,
    ] {
        ui.label(RichText::new(wording::alarm_state(state)).size(14.0).color(colours.faint));
    }
    ui.horizontal(|ui| {
        for sure in [Confidence::Possible, Confidence::Likely, Confidence::Proven] {
            findings::confidence(ui, sure);
        }
    });
    ui.horizontal(|ui| {
        let _pressed = ui.button("A button");
        let _pressed = ui.add_enabled(false, egui::Button::new("not now"));
        let _pressed = ui.selectable_label(true, "chosen");
        let _pressed = ui.selectable_label(false, "not chosen");
    });
}

/// Every state of a value: as cells, temperatures and the values of the pack.
fn made_up() -> Snapshot {
    const MILLI: i64 = 1_000_000;
    let now = SessionTime::from_millis(20_000);
    let at = |millivolts: i64, standing: Standing| {
        let mut reading = Reading::default();
        reading.latest = Some((3_850 + millivolts) * MILLI);
        reading.at = Some(now);
        reading.patience = Duration::from_secs(1);
        reading.standing = standing;
        reading.so_far = Some(Piece { lowest: (3_846 + millivolts) * MILLI, highest: (3_853 + millivolts) * MILLI });
        reading
    };
    let mut unseen = at(4, Standing::Inside);
    unseen.unseen = Some(Piece { lowest: 3_800 * MILLI, highest: 3_890 * MILLI });
    let mut old = at(-6, Standing::Unknown);
    old.at = Some(SessionTime::from_millis(15_000));
    let mut absent = Reading::default();
    absent.at = Some(now);
    let cells = vec![
        at(0, Standing::Inside),
        at(10, Standing::Inside),
        at(-10, Standing::Inside),
        unseen,
        at(17, Standing::Warning),
        at(-42, Standing::Critical),
        at(150, Standing::Critical),
        at(-900, Standing::Critical),
        old,
        absent,
        Reading::default(),
    ];
    let degrees = |degrees: i64, standing| {
        let mut reading = at(0, standing);
        reading.latest = Some(degrees * 1_000_000_000);
        reading.so_far = Some(Piece { lowest: 21_000_000_000, highest: degrees * 1_000_000_000 });
        reading
    };
    let limit = |critical: i64, warning: i64| LimitValues {
        critical: Some(critical),
        warning: Some(warning),
        ..LimitValues::default()
    };
    let none = LimitValues::default();
    Snapshot {
        phase: Phase::Running,
        at: now,
        age: Some(Duration::from_millis(80)),
        cells,
        median: Some(3_850 * MILLI),
        temperatures: vec![
            degrees(23, Standing::Inside),
            degrees(47, Standing::Warning),
            degrees(66, Standing::Critical),
            absent,
            Reading::default(),
        ],
        pack: degrees(92, Standing::Inside),
        bus: old,
        meter: Some(92_400_000_000),
        limits: Some(Limits {
            deviation: limit(30 * MILLI, 10 * MILLI),
            cell_high: none,
            cell_low: none,
            temperature_high: none,
            temperature_low: none,
        }),
        ..Snapshot::default()
    }
}
