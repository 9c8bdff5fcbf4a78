//! Opens a window with all pieces in every state. `cargo run -p packwake-desktop --example gallery`

use desktop::{colours, gallery};
use egui::{CentralPanel, Frame, Ui};

struct Page;

impl eframe::App for Page {
    fn ui(&mut self, ui: &mut Ui, _frame: &mut eframe::Frame) {
        let frame = Frame::new().fill(colours::Colours::of(ui.visuals()).ground).inner_margin(16);
        CentralPanel::default().frame(frame).show(ui, |ui| egui::ScrollArea::vertical().show(ui, gallery::ui));
    }
}

fn main() -> eframe::Result {
    let viewport = egui::ViewportBuilder::default().with_inner_size([1280.0, 800.0]);
    let make: eframe::AppCreator<'_> = Box::new(|context| {
        colours::dress(&context.egui_ctx);
        Ok(Box::new(Page))
    });
    eframe::run_native("gallery", eframe::NativeOptions { viewport, ..Default::default() }, make)
}
