//! Before the window closes: what would be lost is said first.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use egui::{Align2, Context, Key, ViewportCommand, Window};

/// The question whether to close the window.
#[derive(Debug, Default)]
pub(crate) struct Closing {
    asks: bool,
    sure: bool,
    /// The system ends the program: nobody is there to be asked.
    interrupted: Arc<AtomicBool>,
}

impl Closing {
    /// To be set where the program is to end without a question.
    pub(crate) fn interrupted(&self) -> Arc<AtomicBool> {
        Arc::clone(&self.interrupted)
    }

    /// Keeps the window open where it was told to close and something would be lost, and asks. Each of `losses` is a
    /// sentence.
    pub(crate) fn ui(&mut self, ctx: &Context, losses: &[&str]) {
        self.asks &= !losses.is_empty();
        if ctx.input(|input| input.viewport().close_requested()) {
            if losses.is_empty() || self.sure || self.interrupted.load(Ordering::Relaxed) {
                return;
            }
            ctx.send_viewport_cmd(ViewportCommand::CancelClose);
            self.asks = true;
        }
        if !self.asks {
            return;
        }
        let (mut close, mut stay) = (false, false);
        // Beside all else and not over it: answer and alarms stay as they are, and keys go on working.
        let window = Window::new("Close the window?").collapsible(false).resizable(false);
        window.anchor(Align2::CENTER_BOTTOM, [0.0, -80.0]).show(ctx, |ui| {
            for loss in losses {
                ui.label(*loss);
            }
            ui.horizontal(|ui| {
                stay = ui.button("Leave it open (Esc)").clicked();
                close = ui.button("Close it").clicked();
            });
        });
        if stay || ctx.input_mut(|input| input.consume_key(egui::Modifiers::NONE, Key::Escape)) {
            self.asks = false;
        }
        if close {
            self.sure = true;
            ctx.send_viewport_cmd(ViewportCommand::Close);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Whether the window stays open when it is told to close.
    fn stays(closing: &mut Closing, losses: &[&str]) -> bool {
        let mut input = egui::RawInput::default();
        input.viewports.entry(input.viewport_id).or_default().events.push(egui::ViewportEvent::Close);
        let ctx = Context::default();
        let mut output = ctx.run_ui(input, |ui| closing.ui(ui.ctx(), losses));
        output.textures_delta.clear();
        let commands = output.viewport_output.values().flat_map(|viewport| &viewport.commands);
        commands.into_iter().any(|command| *command == ViewportCommand::CancelClose)
    }

    #[test]
    fn it_asks_where_something_would_be_lost_and_a_person_can_answer() {
        let mut closing = Closing::default();
        assert!(!stays(&mut closing, &[]));
        assert!(stays(&mut closing, &["a loss"]) && closing.asks);
        assert!(!stays(&mut closing, &[]) && !closing.asks, "what is no loss any more is not asked about");
        closing.interrupted().store(true, Ordering::Relaxed);
        assert!(!stays(&mut closing, &["a loss"]));
    }
}
