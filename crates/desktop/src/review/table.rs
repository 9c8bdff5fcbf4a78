//! The values at the cursor, beside those at the second one.

use std::path::Path;
use std::sync::Arc;

use egui::{Grid, RichText, Sense, Ui};
use model::{ByteRange, Channel, Dimension, Layout, Meaning as Number, Quantity, SessionTime, format_nanos};
use session::review::Loaded;
use session::rules::statistics::median;
use session::tracks::{Known, Tracks};

use super::{Asked, View};
use crate::colours::{Colours, Meaning};
use crate::pieces;
use crate::wording::{self, Look};

/// A change of the current below this tells no resistance, in billionths of an ampere. Common practice, no source.
const CURRENT_CHANGE: i64 = 2_000_000_000;
/// A value that came so long before the cursor is said to be old.
const OLD: u64 = 1_000_000_000;

/// The tracks that tell most of a time: row by row where that part was read again.
pub(super) fn tracks_at(loaded: &Loaded, at: SessionTime) -> Option<&Arc<Tracks>> {
    let part = loaded.part.as_ref().filter(|part| part.range.contains(&at));
    part.map(|part| &part.tracks).or(loaded.tracks.as_ref())
}

fn known(loaded: &Loaded, channel: Channel, at: u64) -> Option<Known> {
    let at = SessionTime::from_nanos(at);
    // What is told seldom may have come before the part that was read again.
    let whole = || loaded.tracks.as_ref()?.at(channel, at);
    tracks_at(loaded, at)?.at(channel, at).or_else(whole)
}

/// How old a value may be before it is old: as on the other screens.
fn patience(layout: &Layout, channel: Channel) -> u64 {
    let kinds = layout.kinds.iter().filter(|kind| kind.columns.iter().any(|column| column.channel == channel));
    let period = kinds.filter_map(|kind| kind.every).max().unwrap_or_default();
    OLD.max(SessionTime::from_duration(period).nanos.saturating_mul(3))
}

/// Whether the value is of that time: no more than its patience before it.
fn is_fresh(layout: &Layout, channel: Channel, known: &Known, at: u64) -> bool {
    at.saturating_sub(known.to.nanos) <= patience(layout, channel)
}

/// Draws the table. A click on a name draws that channel by itself; a click on a value picks it.
pub(super) fn ui(ui: &mut Ui, look: Look<'_>, loaded: &Loaded, view: &mut View, cursor: u64) {
    let (Some(layout), Some(tracks)) = (&loaded.layout, &loaded.tracks) else { return };
    let mut channels = tracks.channels();
    channels.sort_by_key(|channel| (place_in_table(channel.quantity), *channel));
    // Rows as close as lines of text: a pack of 24 cells is seen at once.
    ui.spacing_mut().interact_size.y = 15.0;
    ui.spacing_mut().button_padding.y = 0.0;
    let compared = view.second.map(|second| Compared::new(loaded, cursor, second));
    match &compared {
        Some(compared) => compared.ui(ui),
        None => {
            let text =
                "B puts a second cursor here; Shift and a click put it there: the difference stands beside each value";
            ui.add(egui::Label::new(RichText::new(text).size(12.0).weak()).wrap());
        }
    }
    let mut cells: Vec<i64> = channels
        .iter()
        .filter(|channel| channel.quantity == Quantity::CellVoltage)
        .filter_map(|channel| exact(loaded, *channel, cursor))
        .collect();
    let middle = median(&mut cells);
    // Words are longer than numbers: they have a table of their own, so that its columns push none.
    let (numbers, words): (Vec<Channel>, Vec<Channel>) =
        channels.into_iter().partition(|channel| place_in_table(channel.quantity) < 5);
    for (name, channels) in [("values at the cursor", numbers), ("states at the cursor", words)] {
        Grid::new(name).num_columns(4).spacing([10.0, 1.0]).show(ui, |ui| {
            for channel in channels {
                let row = Row { look, layout, loaded, channel, middle };
                row.ui(ui, view, cursor, compared.as_ref());
                ui.end_row();
            }
        });
    }
}

/// What is asked for first stands first.
fn place_in_table(quantity: Quantity) -> u8 {
    match quantity {
        Quantity::PackVoltage => 0,
        Quantity::BusVoltage => 1,
        Quantity::Current => 2,
        Quantity::CellVoltage => 3,
        Quantity::Temperature => 4,
        Quantity::StateOfCharge | Quantity::Status | Quantity::SenseLeadTest | Quantity::Balancing => 5,
        Quantity::FrameCounter | Quantity::DeviceTime => 6,
    }
}

/// The second cursor.
struct Compared {
    second: u64,
    nanos: i128,
    current: Option<i64>,
}

impl Compared {
    fn new(loaded: &Loaded, cursor: u64, second: u64) -> Self {
        let current = Channel::whole(Quantity::Current);
        let pair = exact(loaded, current, cursor).zip(exact(loaded, current, second));
        Self {
            second,
            nanos: i128::from(cursor) - i128::from(second),
            current: pair.map(|(here, there)| here.saturating_sub(there)),
        }
    }

    fn ui(&self, ui: &mut Ui) {
        let length = i64::try_from(self.nanos).unwrap_or(i64::MAX);
        let text = format!("from {} s: {} s", SessionTime::from_nanos(self.second), format_nanos(length, 3));
        pieces::name(&ui.label(RichText::new(&text).size(14.0)), format!("Compared {text}"));
        let words = match self.current {
            None => "no resistance: the current is not known at both, or is old".to_owned(),
            Some(change) if change.saturating_abs() < CURRENT_CHANGE => {
                format!("no resistance: the current differs by {} A only", format_nanos(change, 2))
            }
            Some(change) => format!(
                "resistance: the drop of voltage over {} A more; a true one only if both had settled",
                format_nanos(change, 2)
            ),
        };
        ui.add(egui::Label::new(RichText::new(words).size(12.0).weak()).wrap());
    }

    /// Milliohms: how much less voltage for each ampere more.
    fn resistance(&self, channel: Channel, difference: i64) -> Option<String> {
        let cell_or_pack =
            matches!(channel.quantity, Quantity::CellVoltage | Quantity::PackVoltage | Quantity::BusVoltage);
        let change = self.current.filter(|change| CURRENT_CHANGE <= change.saturating_abs() && cell_or_pack)?;
        // Nanovolts by nanoamperes, in thousandths of a milliohm.
        let micro = -i128::from(difference) * 1_000_000 / i128::from(change);
        let micro = i64::try_from(micro).ok()?;
        Some(format!("{} mohm", format_nanos(micro.saturating_mul(1_000_000), 2)))
    }
}

/// The value of one row, if it is not old.
fn exact(loaded: &Loaded, channel: Channel, at: u64) -> Option<i64> {
    let layout = loaded.layout.as_ref()?;
    let known = known(loaded, channel, at)?;
    (known.rows == 1 && is_fresh(layout, channel, &known, at)).then_some(known.piece.lowest)
}

struct Row<'r> {
    look: Look<'r>,
    layout: &'r Layout,
    loaded: &'r Loaded,
    channel: Channel,
    /// The median of the cells at the cursor.
    middle: Option<i64>,
}

impl Row<'_> {
    fn ui(&self, ui: &mut Ui, view: &mut View, cursor: u64, compared: Option<&Compared>) {
        let colours = Colours::of(ui.visuals());
        let channel = self.channel;
        let plotted = matches!(channel.quantity, Quantity::CellVoltage | Quantity::Temperature);
        let finding = wording::finding_at(self.look, channel);
        let name = RichText::new(channel.to_string()).size(13.0);
        let name = match finding {
            Some(finding) => name.color(colours.of_meaning(wording::severity(finding.severity).meaning)),
            None => name,
        };
        if plotted {
            let alone = view.alone.contains(&channel);
            let button = ui.selectable_label(alone, name);
            let words = format!("{channel} drawn by itself{}", wording::found_at(self.look, channel));
            button.widget_info(|| egui::WidgetInfo::selected(egui::Role::CheckBox, true, alone, &words));
            if button.clicked() {
                view.chosen = true;
                if !view.alone.remove(&channel) {
                    view.alone.insert(channel);
                }
            }
        } else {
            ui.label(name);
        }
        let known = known(self.loaded, channel, cursor);
        let (text, old) = self.words(known, cursor);
        let colour = if old { colours.faint } else { colours.ink };
        let value = RichText::new(&text).monospace().size(13.0).color(colour);
        let value =
            if view.picked == Some(channel) { value.background_color(colours.tint(Meaning::Action)) } else { value };
        let response = ui.add(egui::Label::new(value).sense(Sense::click()));
        let words = format!("{channel} at the cursor: {text}");
        response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, &words));
        if response.clicked() {
            view.picked = if view.picked == Some(channel) { None } else { Some(channel) };
        }
        let difference = compared.and_then(|compared| {
            let pair = exact(self.loaded, channel, cursor).zip(exact(self.loaded, channel, compared.second));
            pair.map(|(here, there)| (compared, here.saturating_sub(there)))
        });
        match (difference, self.middle) {
            (Some((compared, difference)), _) => {
                let (unit, decimals) = shown_in(channel);
                // Cells differ by millivolts.
                let text = match channel.quantity {
                    Quantity::CellVoltage => {
                        format!("{}{} mV", sign(difference), format_nanos(difference.saturating_mul(1000), 0))
                    }
                    _ => format!("{}{} {unit}", sign(difference), format_nanos(difference, decimals)),
                };
                pieces::name(
                    &ui.label(RichText::new(&text).monospace().size(13.0)),
                    format!("{channel} differs by {text}"),
                );
                if let Some(resistance) = compared.resistance(channel, difference) {
                    pieces::name(
                        &ui.label(RichText::new(&resistance).monospace().size(13.0)),
                        format!("{channel} resistance {resistance}"),
                    );
                }
            }
            (None, Some(middle)) if channel.quantity == Quantity::CellVoltage && compared.is_none() => {
                if let Some(nanos) = exact(self.loaded, channel, cursor) {
                    let apart = nanos.saturating_sub(middle);
                    let text = format!("{}{} mV", sign(apart), format_nanos(apart.saturating_mul(1000), 0));
                    ui.label(RichText::new(text).monospace().size(12.0).color(colours.faint));
                }
            }
            _ => {}
        }
    }

    /// The value in words, and whether it is old.
    fn words(&self, known: Option<Known>, cursor: u64) -> (String, bool) {
        let Some(known) = known else { return ("none yet".to_owned(), true) };
        let old = !is_fresh(self.layout, self.channel, &known, cursor);
        let value = if 1 < known.rows {
            let (unit, decimals) = shown_in(self.channel);
            let (lowest, highest) =
                (format_nanos(known.piece.lowest, decimals), format_nanos(known.piece.highest, decimals));
            let values = if lowest == highest { lowest } else { format!("{lowest} … {highest}") };
            format!("{values} {unit} ({} rows)", known.rows)
        } else {
            value_words(self.layout, self.channel, known.piece.lowest)
        };
        if old {
            let age = cursor.saturating_sub(known.to.nanos);
            let age = format_nanos(i64::try_from(age).unwrap_or(i64::MAX), 1);
            return (format!("{value}  {age} s old"), true);
        }
        (value, false)
    }
}

fn sign(nanos: i64) -> &'static str {
    if nanos < 0 { "" } else { "+" }
}

/// Unit and decimals.
fn shown_in(channel: Channel) -> (&'static str, u32) {
    match channel.quantity.dimension() {
        Dimension::Voltage if channel.quantity == Quantity::CellVoltage => ("V", 3),
        Dimension::Voltage => ("V", 2),
        Dimension::Current => ("A", 2),
        Dimension::Temperature => ("°C", 1),
        Dimension::Number => ("", 0),
        other => (other.base_unit(), 2),
    }
}

/// A single value: a number with its unit, or what its bits or its state say.
fn value_words(layout: &Layout, channel: Channel, nanos: i64) -> String {
    let (unit, decimals) = shown_in(channel);
    let column = layout.kinds.iter().flat_map(|kind| &kind.columns).find(|column| column.channel == channel);
    let raw = nanos / 1_000_000_000;
    match column.map(|column| &column.meaning) {
        Some(Number::Flags(flags)) => {
            let set: Vec<&str> =
                flags.iter().filter(|flag| raw >> flag.bit & 1 == 1).map(|flag| flag.text.as_str()).collect();
            if set.is_empty() { format!("{raw}: no bit is set") } else { format!("{raw}: {}", set.join(", ")) }
        }
        Some(Number::States { known, .. }) => match known.iter().find(|state| state.value == raw) {
            Some(state) => format!("{raw}: {}", state.text),
            None => format!("{raw}: not in the protocol file"),
        },
        Some(Number::Number) | None => format!("{} {unit}", format_nanos(nanos, decimals)).trim_end().to_owned(),
    }
}

/// Where the picked value comes from: its frame in the stream, to be copied or looked at.
pub(super) fn place(ui: &mut Ui, loaded: &Loaded, channel: Channel, at: SessionTime, path: &Path) -> Option<Asked> {
    let known = tracks_at(loaded, at)?.at(channel, at)?;
    let ByteRange { start, end } = known.bytes;
    let file = path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let place = format!("{file} bytes {start}..{end}");
    let mut asked = None;
    ui.horizontal_wrapped(|ui| {
        let frames =
            if known.rows == 1 { "its frame".to_owned() } else { format!("its {} frames, the last", known.rows) };
        ui.label(RichText::new(format!("{channel}: {frames} came by {} s, {place}", known.to)).size(13.0));
        if ui.button("Copy the place").clicked() {
            ui.ctx().copy_text(place.clone());
        }
        if ui.button("Show its bytes").clicked() {
            asked = Some(Asked::Bytes(known.bytes));
        }
    });
    asked
}
