//! Sum, pack, bus, current and temperatures: each with its lowest and highest so far.

use egui::{Grid, RichText, Stroke, Ui};
use model::{Channel, Quantity, format_nanos};
use session::rules::Finding;
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
        let standing = if sum.is_some() { Standing::Inside } else { Standing::Unknown };
        Row { signed: false, ..Row::new("Sum of cells", text, standing) }.ui(ui);
        let whole = Channel::whole;
        reading(ui, look, "Reported pack", whole(Quantity::PackVoltage), &snapshot.pack, "V", 2);
        if let Some(meter) = snapshot.meter {
            let text = format!("{} V", format_nanos(meter, 2));
            Row { signed: false, ..Row::new("By meter", text, Standing::Inside) }.ui(ui);
        }
        reading(ui, look, "Bus", whole(Quantity::BusVoltage), &snapshot.bus, "V", 1);
        reading(ui, look, "Current", whole(Quantity::Current), &snapshot.current, "A", 2);
    });
    ui.add_space(4.0);
    pieces::title(ui, "Temperatures");
    Grid::new("temperatures").num_columns(3).spacing([10.0, between]).show(ui, |ui| {
        for (number, sensor) in (1..=u16::MAX).zip(&snapshot.temperatures) {
            let facts = snapshot.facts.as_ref();
            let place = facts.and_then(|facts| facts.sensors.get(usize::from(number) - 1));
            let name = place.map_or_else(|| format!("sensor {number}"), |place| format!("{number} {place}"));
            reading(ui, look, &name, Channel::at(Quantity::Temperature, number), sensor, "°C", 1);
        }
    });
}

fn reading(ui: &mut Ui, look: Look<'_>, name: &str, place: Channel, reading: &Reading, unit: &str, decimals: u32) {
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
    let found = (wording::finding_at(look, place), wording::found_at(look, place));
    Row { so_far, found, ..Row::new(name, value, standing) }.ui(ui);
}

/// One value.
struct Row<'a> {
    name: &'a str,
    value: String,
    so_far: String,
    standing: Standing,
    /// The standing is that of limits, and is said.
    signed: bool,
    /// The worst finding at this place, and its words.
    found: (Option<&'a Finding>, String),
}

impl<'a> Row<'a> {
    fn new(name: &'a str, value: String, standing: Standing) -> Self {
        Self { name, value, so_far: String::new(), standing, signed: true, found: (None, String::new()) }
    }

    fn ui(&self, ui: &mut Ui) {
        let colours = Colours::of(ui.visuals());
        let said = wording::standing(self.standing);
        let colour = if self.standing == Standing::Inside { colours.ink } else { colours.of_meaning(said.meaning) };
        let named = ui.scope(|ui| {
            ui.set_min_width(NAME);
            ui.label(RichText::new(self.name).size(14.0));
        });
        if let Some(finding) = self.found.0 {
            // The same stroke as at the edge of the finding.
            let colour = colours.of_meaning(wording::severity(finding.severity).meaning);
            let rect = named.response.rect;
            ui.painter().vline(rect.right() + 4.0, rect.y_range(), Stroke::new(5.0, colour));
        }
        ui.horizontal(|ui| {
            ui.set_min_width(VALUE);
            ui.spacing_mut().item_spacing.x = 5.0;
            let (rect, _) = ui.allocate_exact_size(egui::vec2(12.0, 16.0), egui::Sense::hover());
            if self.signed && self.standing != Standing::Inside {
                pieces::paint_sign(ui.painter(), rect.center(), 5.5, said.sign, colour, colours.sheet);
            }
            let label = ui.label(RichText::new(&self.value).monospace().size(15.0).color(colour));
            let limits = self.signed && !matches!(self.standing, Standing::Inside | Standing::Unknown);
            let limits = if limits { format!(", {}", said.text) } else { String::new() };
            pieces::name(&label, format!("{}: {}{limits}{}", self.name, self.value, self.found.1));
        });
        ui.label(RichText::new(&self.so_far).monospace().size(12.0).color(colours.faint));
        ui.end_row();
    }
}
