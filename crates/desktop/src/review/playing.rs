//! The session runs again: the cursor moves on by the clock of the screen.

use egui::{ComboBox, Ui};

/// A picture this often while it plays.
const EVERY: std::time::Duration = std::time::Duration::from_millis(50);
/// All of it goes by in so many seconds.
const ALL_IN: f64 = 10.0;

/// How fast time goes by.
#[derive(Clone, Copy, PartialEq, Debug)]
enum Pace {
    /// So many times as fast as it was.
    Times(u32),
    /// All of it in ten seconds.
    All,
}

impl Pace {
    const ALL: [Self; 7] =
        [Self::Times(1), Self::Times(2), Self::Times(5), Self::Times(10), Self::Times(30), Self::Times(100), Self::All];

    fn name(self) -> String {
        match self {
            Self::Times(1) => "as it was".to_owned(),
            Self::Times(times) => format!("{times} times as fast"),
            Self::All => "all in 10 s".to_owned(),
        }
    }
}

#[derive(Clone, Debug)]
pub(super) struct Playing {
    pace: Pace,
    /// The screen's clock at the last picture, in seconds, while it plays.
    last: Option<f64>,
    runs: bool,
}

impl Default for Playing {
    fn default() -> Self {
        Self { pace: Pace::Times(1), last: None, runs: false }
    }
}

impl Playing {
    pub(super) fn stop(&mut self) {
        (self.runs, self.last) = (false, None);
    }

    /// Starts or stops; from the beginning where the cursor is at the end.
    pub(super) fn turn(&mut self, cursor: &mut Option<u64>, full: u64) {
        if self.runs {
            return self.stop();
        }
        if cursor.is_none_or(|cursor| full <= cursor) {
            *cursor = Some(0);
        }
        (self.runs, self.last) = (true, None);
    }

    /// Where the cursor is now, if it plays.
    pub(super) fn moved(&mut self, ui: &Ui, cursor: u64, full: u64) -> Option<u64> {
        if !self.runs {
            return None;
        }
        let now = ui.input(|input| input.time);
        let passed = self.last.replace(now).map_or(0.0, |last| (now - last).max(0.0));
        #[expect(clippy::cast_precision_loss, reason = "a place on a screen")]
        let times = match self.pace {
            Pace::Times(times) => f64::from(times),
            Pace::All => full as f64 / 1e9 / ALL_IN,
        };
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "positive; a cast saturates")]
        let step = (passed * times * 1e9) as u64;
        let moved = cursor.saturating_add(step).min(full);
        if moved == full {
            self.stop();
        } else {
            ui.ctx().request_repaint_after(EVERY);
        }
        Some(moved)
    }

    pub(super) fn ui(&mut self, ui: &mut Ui, cursor: &mut Option<u64>, full: u64) {
        if ui.button(if self.runs { "Stop (Space)" } else { "Play (Space)" }).clicked() {
            self.turn(cursor, full);
        }
        let box_ = ComboBox::from_id_salt("pace").selected_text(self.pace.name()).width(130.0);
        let shown = box_.show_ui(ui, |ui| {
            for pace in Pace::ALL {
                ui.selectable_value(&mut self.pace, pace, pace.name());
            }
        });
        crate::pieces::name(&shown.response, format!("How fast: {}", self.pace.name()));
    }
}
