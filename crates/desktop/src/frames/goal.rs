//! Where to go: bytes as they were copied, or a time.

use egui::{Id, Key, RichText, TextEdit, Ui};
use model::{Amount, Dimension, SessionTime};
use session::line_bytes::Place;

use crate::colours::{Colours, Meaning};

/// What was typed.
#[derive(Clone, Debug, Default)]
pub(crate) struct Goal {
    text: String,
    fault: Option<&'static str>,
    focus: bool,
}

impl Goal {
    /// The next picture has the cursor in the field.
    pub(crate) fn focus(&mut self) {
        self.focus = true;
    }

    /// Draws the field. Returns where to go.
    pub(crate) fn ui(&mut self, ui: &mut Ui) -> Option<Place> {
        let colours = Colours::of(ui.visuals());
        let label = ui.label("Go to (G)");
        let id = Id::unique("where to go in the line");
        let edit =
            TextEdit::singleline(&mut self.text).id(id).hint_text("bytes 1234..1312, or 12.5 s").desired_width(190.0);
        let field = ui.add(edit).labelled_by(label.id);
        if std::mem::take(&mut self.focus) {
            field.request_focus();
        }
        let enter = field.lost_focus() && ui.input(|input| input.key_pressed(Key::Enter));
        let go = ui.button("Go").clicked() || enter;
        if let Some(fault) = self.fault {
            ui.label(RichText::new(fault).size(14.0).color(colours.of_meaning(Meaning::Abnormal)));
        }
        if !go {
            return None;
        }
        let place = place(&self.text);
        self.fault = place.is_none().then_some("write bytes such as 1234..1312, or a time such as 12.5 s");
        place
    }
}

/// "demo.mcap bytes 1234..1312", "1234", "12.5 s", "2 min".
fn place(text: &str) -> Option<Place> {
    let text = text.trim();
    if let Ok(amount) = Amount::parse(text) {
        return (amount.dimension == Dimension::Time && 0 <= amount.nanos)
            .then(|| Place::Time(SessionTime { nanos: amount.nanos.unsigned_abs() }));
    }
    let bytes = text.rsplit("bytes").next()?.trim();
    let first = bytes.split("..").next()?.trim();
    first.parse().ok().map(Place::Byte)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_copied_place_and_a_time_lead_somewhere() {
        for text in ["demo.mcap bytes 1234..1312", "bytes 1234..1312", "1234..1312", " 1234 ", "1234.."] {
            assert_eq!(place(text), Some(Place::Byte(1234)), "{text}");
        }
        assert_eq!(place("12.5 s"), Some(Place::Time(SessionTime::from_millis(12_500))));
        assert_eq!(place("2min"), Some(Place::Time(SessionTime::from_millis(120_000))));
        for text in ["", "here", "-3 s", "3 V", "..12"] {
            assert_eq!(place(text), None, "{text}");
        }
    }
}
