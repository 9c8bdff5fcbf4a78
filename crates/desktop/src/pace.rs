//! How often the window is drawn: at once when something came after a pause, and at most ten times a second.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use egui::Context;

/// From the begin of one picture to the begin of the next, as far as snapshots call for it: without a graphics processor
/// a picture costs half of it.
const DRAW_EVERY: Duration = Duration::from_millis(100);
/// No delay at all would draw twice.
const SOON: Duration = Duration::from_millis(1);

/// Wakes the window for new snapshots; from any thread.
#[derive(Clone, Debug)]
pub(crate) struct Pace {
    ctx: Context,
    drawn: Arc<Mutex<Option<Instant>>>,
}

impl Pace {
    pub(crate) fn new(ctx: Context) -> Self {
        Self { ctx, drawn: Arc::default() }
    }

    /// There is something new to draw.
    pub(crate) fn wake(&self) {
        let drawn = *self.drawn.lock().unwrap_or_else(PoisonError::into_inner);
        let wait = drawn.map_or(Duration::ZERO, |drawn| DRAW_EVERY.saturating_sub(drawn.elapsed()));
        self.ctx.request_repaint_after(wait.max(SOON));
    }

    /// A picture is begun.
    pub(crate) fn drawing(&self) {
        *self.drawn.lock().unwrap_or_else(PoisonError::into_inner) = Some(now());
    }
}

#[expect(clippy::disallowed_methods, reason = "how often the window is drawn is no session time")]
fn now() -> Instant {
    Instant::now()
}
