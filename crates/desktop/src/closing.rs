//! Before the window closes: what would be lost is said first.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use egui::{Align2, Context, Id, Key, Modal, RichText, ViewportCommand};

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
        if ctx.input(|input| input.viewport().close_requested()) {
            if losses.is_empty() || self.sure || self.interrupted.load(Ordering::Relaxed) {
                return;
            }
            ctx.send_viewport_cmd(ViewportCommand::CancelClose);
            self.asks = true;
        }
        self.asks &= !losses.is_empty();
        if !self.asks {
            return;
        }
        let id = Id::unique("closing");
        let area = Modal::default_area(id).anchor(Align2::CENTER_CENTER, [0.0, 0.0]);
        let (mut close, mut stay) = (false, false);
        Modal::new(id).area(area).show(ctx, |ui| {
            ui.label(RichText::new("Close the window?").size(18.0));
            for loss in losses {
                ui.label(*loss);
            }
            ui.add_space(8.0);
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
