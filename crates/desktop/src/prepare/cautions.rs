//! The cautions that belong to the moment before power.

use egui::{Frame, Label, Margin, RichText, Ui};
use model::format_nanos;
use session::rules::Pack;

use crate::colours::{Colours, Meaning};
use crate::pieces;
use crate::wording::{DANGEROUS, Said};

/// Whether touching this pack can kill: one of unknown voltage is taken for one that can.
fn kills(pack: Option<&Pack>) -> bool {
    pack.and_then(Pack::highest_voltage_nanos).is_none_or(|highest| DANGEROUS < highest)
}

/// What matters most, in one line.
pub(super) fn headline(pack: Option<&Pack>) -> Said {
    let volts = pack.and_then(Pack::highest_voltage_nanos).map_or("Unknown voltage".to_owned(), |highest| {
        format!("Up to {} V", format_nanos(highest, 1).trim_end_matches(".0"))
    });
    if kills(pack) {
        Said { meaning: Meaning::Danger, sign: "!", text: format!("{volts}: touching it can kill") }
    } else {
        Said { meaning: Meaning::Abnormal, sign: "!", text: format!("{volts}: it still burns") }
    }
}

/// Draws them; stronger above 60 V.
pub(super) fn ui(ui: &mut Ui, pack: Option<&Pack>) {
    let colours = Colours::of(ui.visuals());
    let (kills, head) = (kills(pack), headline(pack));
    let meaning = head.meaning;
    Frame::new().fill(colours.tint(meaning)).inner_margin(Margin::same(12)).show(ui, |ui| {
        ui.set_width(ui.available_width());
        pieces::said(ui, &head, 18.0);
        let mut lines = if kills {
            vec![
                "More than 60 V DC can kill. Treat both poles and the frame as live until you have metered them.",
                "Never alone. One hand, the other behind your back. Insulated tools and gloves for this voltage.",
            ]
        } else {
            vec!["Below 60 V a pack still gives kiloamperes into a slipped spanner: burns, molten metal, fire."]
        };
        lines.extend([
            "A DC arc does not go out by itself. Props off.",
            "With fire or smoke: disconnect from afar and withdraw.",
            "This program advises and protects nothing. Local codes and qualified practice come first.",
        ]);
        for line in lines {
            ui.add_space(3.0);
            ui.add(Label::new(RichText::new(line).size(14.5)).wrap());
        }
    });
}
