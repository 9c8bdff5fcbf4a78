//! The screen at the start: where the bytes come from.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};

use egui::{CentralPanel, ComboBox, Frame, Grid, Margin, RichText, ScrollArea, TextEdit, Ui};
use model::Fault;
use session::opening::{Port, serial_ports};
use session::snapshot::Failure;

use crate::colours::{Colours, Meaning};
use crate::dialogs::{Dialogs, Field};
use crate::pieces;
use crate::sound::Sound;
use crate::wording::Said;

/// A kind of source.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Kind {
    /// The practice pack.
    #[default]
    Practice,
    /// A serial port.
    Serial,
    /// A TCP connection.
    Tcp,
    /// A UDP port.
    Udp,
    /// A recording.
    Recording,
}

impl Kind {
    const ALL: [(Self, &'static str); 5] = [
        (Self::Practice, "Practice pack"),
        (Self::Serial, "Serial port"),
        (Self::Tcp, "TCP"),
        (Self::Udp, "UDP"),
        (Self::Recording, "Recording"),
    ];
}

/// A fault of the practice pack that can be chosen.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct PracticeFault {
    /// Its word; "none" is a sound pack.
    pub name: String,
    /// What it is, in one line.
    pub about: String,
}

/// What is on the screen: what the person typed.
#[derive(Clone, Debug, Default)]
pub struct Start {
    /// The kind of source.
    pub kind: Kind,
    /// The word of the practice fault.
    pub fault: String,
    /// The serial device.
    pub port: String,
    /// Host and port.
    pub tcp: String,
    /// Own address and port.
    pub udp: String,
    /// The recording to show.
    pub recording: String,
    /// Show it at the pace at which it was recorded.
    pub as_it_was: bool,
    /// The protocol file.
    pub protocol: String,
    /// The pack file.
    pub pack: String,
    /// Where to record; empty is nowhere.
    pub record: String,
    /// The line rate; empty is the protocol file's.
    pub baud: String,
    /// The questions of the protocol file may be sent.
    pub may_ask: bool,
    /// Why the last start failed.
    pub failure: Option<Failure>,
    /// Which file the person wants to mend.
    pub(crate) mend: Option<Mend>,
    /// The system's file dialog.
    pub dialogs: Dialogs,
    ports: Ports,
}

/// A file with faults.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Mend {
    /// What the line carries.
    Protocol,
    /// What the pack may do.
    Pack,
}

/// What the person asked for.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Wish {
    /// The practice pack with this fault.
    Practice {
        /// The word of the fault; "none" is a sound pack.
        fault: String,
        /// Where to record, if at all.
        record: Option<PathBuf>,
    },
    /// A source with its files.
    Live {
        /// Where the bytes come from.
        from: session::opening::From,
        /// The protocol file.
        protocol: PathBuf,
        /// The pack file.
        pack: PathBuf,
        /// Where to record, if at all.
        record: Option<PathBuf>,
        /// Bits a second of a serial port, instead of the protocol file's.
        baud: Option<u32>,
        /// The questions of the protocol file may be sent.
        may_ask: bool,
    },
    /// A recording.
    Replay(session::worker::Replay),
}

/// The ports, or why they can't be listed.
type Found = Result<Vec<Port>, String>;

/// The serial ports, listed on a thread of their own: that may take a moment.
#[derive(Clone, Debug, Default)]
struct Ports {
    found: Arc<Mutex<Option<Found>>>,
    asked: bool,
}

impl Ports {
    fn look(&mut self, ctx: &egui::Context) {
        self.asked = true;
        let (found, ctx) = (Arc::clone(&self.found), ctx.clone());
        let spawned = std::thread::Builder::new().name("serial ports".to_owned()).spawn(move || {
            let ports = serial_ports();
            *found.lock().unwrap_or_else(PoisonError::into_inner) = Some(ports);
            ctx.request_repaint();
        });
        if let Err(error) = spawned {
            *self.found.lock().unwrap_or_else(PoisonError::into_inner) = Some(Err(error.to_string()));
        }
    }

    fn found(&self) -> Option<Found> {
        self.found.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

impl Start {
    /// Before anything was typed.
    pub fn new() -> Self {
        Self { fault: "none".to_owned(), ..Self::default() }
    }

    /// What was typed and is remembered: each with its name. Not where to record, since that file must be new, and not
    /// the permission to ask, which is given for one session.
    fn remembered(&mut self) -> [(&'static str, &mut String); 8] {
        [
            ("fault", &mut self.fault),
            ("port", &mut self.port),
            ("line rate", &mut self.baud),
            ("tcp", &mut self.tcp),
            ("udp", &mut self.udp),
            ("recording", &mut self.recording),
            ("protocol", &mut self.protocol),
            ("pack", &mut self.pack),
        ]
    }

    /// Hands over what is to be remembered for the next time.
    pub fn remember(&mut self, mut put: impl FnMut(&str, String)) {
        let kind = Kind::ALL.iter().find(|(kind, _)| *kind == self.kind).map_or("", |(_, name)| *name);
        put("kind", kind.to_owned());
        for (name, text) in self.remembered() {
            put(name, text.clone());
        }
    }

    /// Takes what was remembered; what can't be used is left as it is.
    pub fn recall(&mut self, get: impl Fn(&str) -> Option<String>) {
        let kind = get("kind").and_then(|name| Kind::ALL.iter().find(|(_, known)| *known == name).copied());
        if let Some((kind, _)) = kind {
            self.kind = kind;
        }
        for (name, text) in self.remembered() {
            if let Some(known) = get(name) {
                *text = known;
            }
        }
    }

    /// Draws the screen. Returns what the person asked for.
    pub fn show(&mut self, ui: &mut Ui, faults: &[PracticeFault], sound: &Sound) -> Option<Wish> {
        let frame = Frame::new().fill(Colours::of(ui.visuals()).ground).inner_margin(Margin::symmetric(28, 16));
        let scrolled = |ui: &mut Ui| ScrollArea::vertical().show(ui, |ui| self.ui(ui, faults, sound)).inner;
        CentralPanel::default().frame(frame).show(ui, scrolled).inner
    }

    fn ui(&mut self, ui: &mut Ui, faults: &[PracticeFault], sound: &Sound) -> Option<Wish> {
        self.take_chosen();
        // What to watch on the left, what to know before on the right; below each other where it is narrow.
        const ASIDE: f32 = 340.0;
        const GAP: f32 = 28.0;
        let whole = ui.available_width();
        ui.add_space((ui.ctx().content_rect().height() * 0.07 - 20.0).max(0.0));
        if whole < 980.0 {
            let wish = self.source(ui, faults);
            ui.add_space(18.0);
            aside(ui, sound);
            return wish;
        }
        let left = (whole - ASIDE - GAP).min(820.0);
        let column = egui::Layout::top_down(egui::Align::LEFT);
        ui.horizontal_top(|ui| {
            ui.spacing_mut().item_spacing.x = GAP;
            let wish = ui.allocate_ui_with_layout(egui::vec2(left, 0.0), column, |ui| {
                ui.spacing_mut().item_spacing.x = 8.0;
                self.source(ui, faults)
            });
            ui.allocate_ui_with_layout(egui::vec2(ASIDE, 0.0), column, |ui| {
                ui.spacing_mut().item_spacing.x = 8.0;
                aside(ui, sound);
            });
            wish.inner
        })
        .inner
    }

    fn source(&mut self, ui: &mut Ui, faults: &[PracticeFault]) -> Option<Wish> {
        let colours = Colours::of(ui.visuals());
        ui.add_space(6.0);
        ui.label(RichText::new("packwake").size(15.0).color(colours.faint));
        ui.label(RichText::new("What do you want to watch?").size(30.0));
        ui.add_space(8.0);
        ui.horizontal_wrapped(|ui| {
            ui.spacing_mut().item_spacing.x = 6.0;
            for (kind, text) in Kind::ALL {
                let label = RichText::new(text).size(17.0);
                if ui.selectable_label(self.kind == kind, label).clicked() {
                    self.kind = kind;
                }
            }
        });
        ui.add_space(2.0);
        let wish = Frame::new()
            .fill(colours.sheet)
            .stroke(egui::Stroke::new(1.0, colours.rule))
            .inner_margin(Margin::same(18))
            .show(ui, |ui| {
                ui.set_width(ui.available_width());
                self.fields(ui, faults);
                ui.add_space(12.0);
                self.begin(ui)
            });
        if let Some(failure) = &self.failure {
            ui.add_space(8.0);
            let text = format!("Could not start: {}", failure.text);
            pieces::said(ui, &Said { meaning: Meaning::Danger, sign: "x", text }, 16.0);
            if let Some(hint) = &failure.hint {
                ui.label(RichText::new(format!("hint: {hint}")).size(15.0));
            }
            if self.can_mend() && ui.button("Mend it (L)").clicked() {
                self.mend = Some(Mend::Protocol);
            }
        }
        wish.inner
    }

    fn fields(&mut self, ui: &mut Ui, faults: &[PracticeFault]) {
        let colours = Colours::of(ui.visuals());
        match self.kind {
            Kind::Practice => self.practice(ui, faults),
            Kind::Serial => self.serial(ui),
            Kind::Tcp => line(ui, "Connect to", &mut self.tcp, "host:port"),
            Kind::Udp => line(ui, "Listen on", &mut self.udp, "0.0.0.0:14550"),
            Kind::Recording => {
                let hint = "path, or drop the file on this window";
                path(ui, "Recording", &mut self.recording, hint, Field::Recording, &mut self.dialogs);
                ui.checkbox(&mut self.as_it_was, "play it as the switch-on was, at its own pace");
            }
        }
        if !matches!(self.kind, Kind::Practice | Kind::Recording) {
            ui.add_space(6.0);
            let hint = "what the line carries, such as protocols/acorn-binary.toml";
            path(ui, "Protocol file", &mut self.protocol, hint, Field::Protocol, &mut self.dialogs);
            faults_ui(ui, "protocol", self.failure.as_ref().map_or(&[], |failure| &failure.protocol));
            if self.protocol.trim().is_empty() {
                let text = format!("Nobody knows the protocol? In a terminal: {}", self.identify());
                ui.add(egui::Label::new(RichText::new(text).size(13.0).color(colours.faint)).wrap());
            }
            let hint = "what the pack may do, such as packs/acorn-24s-nmc.toml";
            path(ui, "Pack file", &mut self.pack, hint, Field::Pack, &mut self.dialogs);
            let faults = self.failure.as_ref().map_or(&[][..], |failure| &failure.pack);
            faults_ui(ui, "pack", faults);
            if !faults.is_empty() && ui.button("Mend it (K)").clicked() {
                self.mend = Some(Mend::Pack);
            }
        }
        if !matches!(self.kind, Kind::Practice | Kind::Recording) {
            let text = "may ask: send the questions that the protocol file lists (without this it only listens)";
            ui.checkbox(&mut self.may_ask, text);
        }
        if self.kind != Kind::Recording {
            let hint = "a new file; empty records nothing";
            path(ui, "Record to", &mut self.record, hint, Field::Record, &mut self.dialogs);
        }
        if let Some(said) = self.dialogs.said {
            ui.label(RichText::new(said).size(14.0).color(colours.faint));
        }
    }

    /// The command that drafts a protocol file of the line that is chosen.
    fn identify(&self) -> String {
        let (option, typed, example) = match self.kind {
            Kind::Tcp => ("--tcp", &self.tcp, "HOST:PORT"),
            Kind::Udp => ("--udp", &self.udp, "HOST:PORT"),
            Kind::Practice | Kind::Serial | Kind::Recording => ("--port", &self.port, "PORT"),
        };
        let from = if typed.trim().is_empty() { example } else { typed.trim() };
        format!("packwake identify {option} {from} -o draft.toml")
    }

    /// The button, or what is missing for it.
    fn begin(&self, ui: &mut Ui) -> Option<Wish> {
        let colours = Colours::of(ui.visuals());
        let made = self.wish();
        ui.horizontal(|ui| {
            let look_again = self.kind == Kind::Recording && !self.as_it_was;
            let text = if look_again { "Look at it (Enter)" } else { "Start watching (Enter)" };
            let clicked = pieces::main_button(ui, text, made.is_ok()).clicked();
            let enter = ui.input(|input| input.key_pressed(egui::Key::Enter)) && !ui.ctx().text_edit_focused();
            match made {
                Ok(made) => (clicked || enter).then_some(made),
                Err(missing) => {
                    ui.label(RichText::new(missing).color(colours.faint));
                    None
                }
            }
        })
        .inner
    }

    /// A path that was chosen in a dialog stands where it would have been typed.
    fn take_chosen(&mut self) {
        let Some((field, path)) = self.dialogs.chosen() else { return };
        let text = match field {
            Field::Recording => &mut self.recording,
            Field::Protocol => &mut self.protocol,
            Field::Pack => &mut self.pack,
            Field::Record => &mut self.record,
            // Asked for on other screens, which take it there.
            Field::SavePack | Field::SaveProtocol | Field::Csv | Field::Page | Field::Earlier => return,
        };
        *text = path.display().to_string();
    }

    fn practice(&mut self, ui: &mut Ui, faults: &[PracticeFault]) {
        ui.label("Nothing needs to be attached: a made-up pack of 24 cells is switched on before your eyes.");
        ui.horizontal(|ui| {
            let label = ui.label("Fault of the practice pack");
            ComboBox::from_id_salt("practice fault")
                .selected_text(&self.fault)
                .width(280.0)
                .show_ui(ui, |ui| {
                    for fault in faults {
                        let text = format!("{}: {}", fault.name, fault.about);
                        ui.selectable_value(&mut self.fault, fault.name.clone(), text);
                    }
                })
                .response
                .labelled_by(label.id);
        });
        if let Some(fault) = faults.iter().find(|fault| fault.name == self.fault) {
            ui.label(RichText::new(&fault.about).weak());
        }
    }

    fn serial(&mut self, ui: &mut Ui) {
        if !self.ports.asked {
            self.ports.look(ui.ctx());
        }
        ui.horizontal(|ui| {
            ui.label(RichText::new("Serial ports of this machine").strong());
            if ui.button("Look again").clicked() {
                self.ports.look(ui.ctx());
            }
        });
        match self.ports.found() {
            None => {
                ui.label("looking …");
            }
            Some(Err(why)) => {
                ui.label(format!("they can't be listed: {why}; a typed path still works"));
            }
            Some(Ok(ports)) if ports.is_empty() => {
                ui.label("none is listed; a typed path still works");
            }
            Some(Ok(ports)) => {
                Grid::new("ports").num_columns(1).show(ui, |ui| {
                    for port in ports {
                        let path = port.path.display().to_string();
                        let text = format!("{path}  {}", port.about);
                        if ui.selectable_label(self.port == path, text).clicked() {
                            self.port = path;
                        }
                        ui.end_row();
                    }
                });
            }
        }
        line(ui, "Port", &mut self.port, "/dev/ttyUSB0");
        line(ui, "Line rate", &mut self.baud, "bits a second; empty is that of the protocol file");
        ui.label(RichText::new("Opening a port can reset a board that hangs on it: open it before the switch.").weak());
    }

    /// The pack file that is chosen, whatever else is missing.
    pub fn pack_file(&self) -> Option<PathBuf> {
        let has_one = matches!(self.kind, Kind::Serial | Kind::Tcp | Kind::Udp);
        (has_one && !self.pack.trim().is_empty()).then(|| PathBuf::from(self.pack.trim()))
    }

    /// Whether it is the protocol text that keeps the session from beginning.
    pub(crate) fn can_mend(&self) -> bool {
        self.failure.as_ref().is_some_and(|failure| !failure.protocol.is_empty()) && self.kind != Kind::Practice
    }

    /// What would be started, or what is missing.
    pub fn wish(&self) -> Result<Wish, &'static str> {
        let record = (!self.record.trim().is_empty()).then(|| PathBuf::from(self.record.trim()));
        let filled = |text: &str, missing| {
            let text = text.trim();
            if text.is_empty() { Err(missing) } else { Ok(text.to_owned()) }
        };
        let from = match self.kind {
            Kind::Practice => return Ok(Wish::Practice { fault: self.fault.clone(), record }),
            Kind::Recording => {
                let path = filled(&self.recording, "type the path of a recording, or drop it here")?.into();
                let as_it_was = self.as_it_was;
                return Ok(Wish::Replay(session::worker::Replay { path, as_it_was, ..Default::default() }));
            }
            Kind::Serial => session::opening::From::Port(filled(&self.port, "choose a port or type its path")?.into()),
            Kind::Tcp => session::opening::From::Tcp(filled(&self.tcp, "type host and port")?),
            Kind::Udp => session::opening::From::Udp(filled(&self.udp, "type an address and a port to listen on")?),
        };
        let protocol = filled(&self.protocol, "a protocol file is needed: what the line carries")?.into();
        let pack = filled(&self.pack, "a pack file is needed: what the pack may do")?.into();
        let baud = match self.baud.trim() {
            text if text.is_empty() || self.kind != Kind::Serial => None,
            text => {
                Some(text.parse().ok().filter(|baud| 0 < *baud).ok_or("the line rate is a number, such as 115200")?)
            }
        };
        Ok(Wish::Live { from, protocol, pack, record, baud, may_ask: self.may_ask })
    }
}

/// A line to type on.
fn line(ui: &mut Ui, name: &str, text: &mut String, hint: &str) {
    ui.horizontal(|ui| typed(ui, name, text, hint));
}

/// A path to type, or to choose in the system's dialog.
fn path(ui: &mut Ui, name: &str, text: &mut String, hint: &str, field: Field, dialogs: &mut Dialogs) {
    ui.horizontal(|ui| {
        typed(ui, name, text, hint);
        let button = ui.add_enabled(!dialogs.is_open(), egui::Button::new("Choose…"));
        button.widget_info(|| {
            egui::WidgetInfo::labeled(egui::Role::Button, button.enabled(), format!("Choose: {}", name.to_lowercase()))
        });
        if button.clicked() {
            dialogs.ask(field, ui.ctx());
        }
    });
}

fn typed(ui: &mut Ui, name: &str, text: &mut String, hint: &str) {
    let left = egui::Layout::left_to_right(egui::Align::Center);
    let named = |ui: &mut Ui| {
        ui.set_min_width(110.0);
        ui.label(name)
    };
    let label = ui.allocate_ui_with_layout(egui::vec2(110.0, 22.0), left, named).inner;
    let width = (ui.available_width() - 110.0).clamp(160.0, 560.0);
    ui.add(TextEdit::singleline(text).hint_text(hint).desired_width(width)).labelled_by(label.id);
}

/// The faults of a file, each with its place.
fn faults_ui(ui: &mut Ui, what: &str, faults: &[Fault]) {
    for fault in faults.iter().take(8) {
        let hint = fault.hint.as_ref().map_or(String::new(), |hint| format!("; {hint}"));
        let text = format!("{what} file, line {}, column {}: {}{hint}", fault.line, fault.column, fault.message);
        pieces::said(ui, &Said { meaning: Meaning::Danger, sign: "x", text }, 14.0);
    }
    if 8 < faults.len() {
        ui.label(format!("and {} more", faults.len() - 8));
    }
}

/// What to know before, beside the choice.
fn aside(ui: &mut Ui, sound: &Sound) {
    let colours = Colours::of(ui.visuals());
    ui.add_space(6.0);
    pieces::title(ui, "Can you hear an alarm?");
    ui.horizontal_wrapped(|ui| pieces::sound(ui, sound));
    ui.add_space(14.0);
    pieces::title(ui, "Before the switch");
    for caution in CAUTIONS {
        ui.add(egui::Label::new(RichText::new(*caution).size(14.5)).wrap());
        ui.add_space(3.0);
    }
    ui.add_space(6.0);
    let text = "This program advises and protects nothing: it is no fuse, no contactor, no BMS and no judgement. Local \
        codes and qualified practice come first.";
    ui.add(egui::Label::new(RichText::new(text).size(14.0).color(colours.faint)).wrap());
}

const CAUTIONS: &[&str] = &[
    "More than 60 V DC can kill; less still burns, and a DC arc does not go out by itself.",
    "Props off. Insulated tools, one hand, never alone.",
    "An isolated adapter, or the laptop on its battery. A plan for a lithium fire.",
    "After opening the switch the bus stays charged: meter it before touching.",
];
