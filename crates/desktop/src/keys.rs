//! The keys of each screen, shown on `?`.

use egui::{Align2, Context, Grid, Key, RichText, Window};

use crate::shell::Showing;

/// What works everywhere.
const EVERYWHERE: &[(&str, &str)] = &[
    ("P S R V K L", "Prepare, Switch-on or Source, Review, Compare, Pack, Frames"),
    ("T", "light or dark"),
    ("?", "these keys"),
];

const SESSION: &[(&str, &str)] = &[
    ("A", "acknowledge all alarms"),
    ("Q", "silence the sound"),
    ("M", "mark this moment"),
    ("N", "a new session; while one runs Y ends it, Esc goes on watching"),
];

fn of(showing: Showing) -> &'static [(&'static str, &'static str)] {
    match showing {
        Showing::SwitchOn => SESSION,
        Showing::Prepare => &[
            ("up, down", "the check before, the next check"),
            ("Y", "passed"),
            ("F", "failed"),
            ("U", "not done: take it back"),
            ("Enter", "type or enter the value"),
        ],
        Showing::Review => &[
            ("left, right", "one row back or on; with Shift a twentieth of what is shown"),
            (", .", "the alarm or finding before, the next one"),
            ("Home, End", "to the begin, to the end"),
            ("+ - 0", "less time, more time, all of it; the wheel does the same, dragging moves it"),
            ("B, Esc", "a second cursor here, without it; Shift and a click put it there"),
            ("Space", "play or stop"),
        ],
        Showing::Compare => &[("Enter", "compare with the recording that was typed")],
        Showing::Pack => {
            &[("Tab", "the next field"), ("Ctrl+S", "save to the pack file"), ("Ctrl+Z, Ctrl+Shift+Z", "undo, redo")]
        }
        Showing::Frames => &[
            ("up, down", "the frame before, the next frame"),
            ("left, right", "the part before, the next part"),
            ("O", "only what is no frame, or all"),
            ("G", "go to bytes or to a time"),
            ("H", "hold or follow what comes"),
            ("C", "copy the place"),
            ("E", "the text of the protocol"),
        ],
    }
}

/// Draws the keys over the screen while they are asked for.
pub(crate) fn ui(ctx: &Context, showing: Showing, open: &mut bool) {
    if !ctx.text_edit_focused() && ctx.input(|input| input.key_pressed(Key::Questionmark)) {
        *open = !*open;
    }
    if !*open {
        return;
    }
    if ctx.input(|input| input.key_pressed(Key::Escape)) {
        *open = false;
        return;
    }
    // Not over the line at the top: the answer is always there.
    let below = Align2::CENTER_BOTTOM;
    let window = Window::new("Keys").collapsible(false).resizable(false).anchor(below, [0.0, -80.0]);
    window.open(open).show(ctx, |ui| {
        Grid::new("keys").num_columns(2).spacing([18.0, 4.0]).show(ui, |ui| {
            for (key, what) in of(showing).iter().chain(EVERYWHERE) {
                ui.label(RichText::new(*key).monospace());
                ui.label(*what);
                ui.end_row();
            }
        });
    });
}
