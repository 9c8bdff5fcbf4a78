//! Sum, pack, bus, current and temperatures: each with its lowest and highest so far.

use egui::{Grid, RichText, Ui};
use model::format_nanos;
use session::snapshot::{Reading, Standing};

use crate::colours::Colours;
use crate::pieces;
use crate::wording::{self, Look};

/// The width of a name and of a value, so that pack and temperatures stand in the same columns.
const NAME: f32 = 100.0;
const VALUE: f32 = 100.0;

/// Draws the values. `compact`: the rows stand close together.
pub fn ui(ui: &mut Ui, look: Look<'_>, compact: bool) {
    let snapshot = look.snapshot;
    // A row is as high as a button unless it is told otherwise.
    let between = if compact { 0.0 } else { 3.0 };
    if compact {
        ui.spacing_mut().interact_size.y = 15.0;
    }
    pieces::title(ui, "Pack");
    Grid::new("pack values").num_columns(3).spacing([10.0, between]).show(ui, |ui| {
        let sum = snapshot.sum.filter(|_| !look.is_old());
        let text = sum.map_or("not known".to_owned(), |nanos| format!("{} V", format_nanos(nanos, 2)));
        row(ui, "Sum of cells", &text, "", if sum.is_some() { Standing::Inside } else { Standing::Unknown }, false);
        ui.end_row();
        reading(ui, look, "Reported pack", &snapshot.pack, "V", 2);
        ui.end_row();
        if let Some(meter) = snapshot.meter {
            row(ui, "By meter", &format!("{} V", format_nanos(meter, 2)), "", Standing::Inside, false);
            ui.end_row();
        }
        reading(ui, look, "Bus", &snapshot.bus, "V", 1);
        ui.end_row();
        reading(ui, look, "Current", &snapshot.current, "A", 2);
        ui.end_row();
    });
    ui.add_space(4.0);
    pieces::title(ui, "Temperatures");
    Grid::new("temperatures").num_columns(3).spacing([10.0, between]).show(ui, |ui| {
        for (index, sensor) in snapshot.temperatures.iter().enumerate() {
            let place = snapshot.facts.as_ref().and_then(|facts| facts.sensors.get(index));
            let name = place.map_or_else(|| format!("sensor {}", index + 1), |place| format!("{} {place}", index + 1));
            reading(ui, look, &name, sensor, "°C", 1);
            ui.end_row();
        }
    });
}

fn reading(ui: &mut Ui, look: Look<'_>, name: &str, reading: &Reading, unit: &str, decimals: u32) {
    let old = reading.is_old(look.now()) || (look.is_old() && reading.at.is_some());
    let value = match reading.latest {
        None if reading.at.is_some() => "absent".to_owned(),
        None => "never seen".to_owned(),
        Some(nanos) if old => format!("OLD {} {unit}", format_nanos(nanos, decimals)),
        Some(nanos) => format!("{} {unit}", format_nanos(nanos, decimals)),
    };
    let so_far = reading.so_far.map_or(String::new(), |so_far| {
        format!("{} … {}", format_nanos(so_far.lowest, decimals), format_nanos(so_far.highest, decimals))
    });
    let standing = if old { Standing::Unknown } else { reading.standing };
    row(ui, name, &value, &so_far, standing, true);
}

/// `signed`: the standing is that of limits, and is said.
fn row(ui: &mut Ui, name: &str, value: &str, so_far: &str, standing: Standing, signed: bool) {
    let colours = Colours::of(ui.visuals());
    let said = wording::standing(standing);
    let colour = if standing == Standing::Inside { colours.ink } else { colours.of_meaning(said.meaning) };
    ui.scope(|ui| {
        ui.set_min_width(NAME);
        ui.label(RichText::new(name).size(14.0));
    });
    ui.horizontal(|ui| {
        ui.set_min_width(VALUE);
        ui.spacing_mut().item_spacing.x = 5.0;
        let (rect, _) = ui.allocate_exact_size(egui::vec2(12.0, 16.0), egui::Sense::hover());
        if signed && standing != Standing::Inside {
            pieces::paint_sign(ui.painter(), rect.center(), 5.5, said.sign, colour, colours.sheet);
        }
        let label = ui.label(RichText::new(value).monospace().size(15.0).color(colour));
        let words = if signed && !matches!(standing, Standing::Inside | Standing::Unknown) {
            format!("{name}: {value}, {}", said.text)
        } else {
            format!("{name}: {value}")
        };
        pieces::name(&label, words);
    });
    ui.label(RichText::new(so_far).monospace().size(12.0).color(colours.faint));
}
