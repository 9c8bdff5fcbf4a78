//! The part that is chosen: what it is, what was sent, and what that means.

use egui::{Key, RichText, Ui};
use model::{ByteRange, format_nanos_exact};
use session::dissect::{Part, Role};

use crate::colours::{Colours, Meaning};
use crate::wording::bits;

/// What is chosen.
pub(crate) struct Chosen {
    /// The frame's bytes.
    pub(crate) frame: ByteRange,
    /// What it is, in words.
    pub(crate) what: String,
    /// The part, with its bytes.
    pub(crate) part: Option<(Part, Vec<u8>)>,
}

/// Draws it. `of`: the name of what the bytes are from.
pub(crate) fn ui(ui: &mut Ui, chosen: &Chosen, of: &str) {
    let colours = Colours::of(ui.visuals());
    let range = chosen.part.as_ref().map(|(part, _)| part.bytes).filter(|bytes| !bytes.is_empty());
    let place = format!("{of} bytes {}", range.unwrap_or(chosen.frame));
    let typing = ui.ctx().text_edit_focused();
    let mut copy = !typing && ui.input(|input| input.key_pressed(Key::C) && input.modifiers.is_none());
    ui.horizontal_wrapped(|ui| {
        let faint = |text: String| RichText::new(text).size(14.0).color(colours.faint);
        match &chosen.part {
            None => {
                ui.label(RichText::new(&chosen.what).size(17.0));
            }
            Some((part, bytes)) => {
                ui.label(RichText::new(&part.name).size(17.0));
                let wrong = part.role == (Role::Check { right: false });
                let colour = if wrong { colours.of_meaning(Meaning::Danger) } else { colours.ink };
                ui.label(RichText::new(&part.words).size(17.0).color(colour));
                ui.label(faint(format!("{} of {}", part.role.name(), chosen.what)));
                if !bytes.is_empty() {
                    ui.label(RichText::new(hex(bytes)).monospace());
                }
                let sent = part.sent.words();
                if !sent.is_empty() {
                    ui.label(faint(format!("as sent {sent}")));
                }
                if let Some(range) = part.bits {
                    ui.label(faint(bits(range)));
                }
                if let Some(step) = part.meant.as_ref().and_then(|meant| Some((meant.step?, meant.channel))) {
                    let unit = step.1.quantity.dimension().base_unit();
                    ui.label(faint(
                        format!("one step is {} {unit}", format_nanos_exact(step.0, 0)).trim_end().to_owned(),
                    ));
                }
            }
        }
        ui.label(faint(place.clone()));
        copy |= ui.button("Copy place (C)").clicked();
    });
    if copy {
        ui.ctx().copy_text(place);
    }
}

/// The first bytes in hexadecimal.
fn hex(bytes: &[u8]) -> String {
    const MOST: usize = 24;
    let mut text: Vec<String> = bytes.iter().take(MOST).map(|byte| format!("{byte:02X}")).collect();
    if MOST < bytes.len() {
        text.push("…".to_owned());
    }
    text.join(" ")
}
