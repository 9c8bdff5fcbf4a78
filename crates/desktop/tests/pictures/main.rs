//! The screens as pictures, drawn from the shipped recordings.
//!
//! Those of the README are compared with the files under `docs/pictures`, with some tolerance; this command makes them
//! anew: `UPDATE_PICTURES=1 cargo test -p packwake-desktop --features pictures --test pictures`.
//! Every other look of every screen lands in a folder whose path is printed with `-- --nocapture`.
//! Wants a graphics driver: Debian's mesa-vulkan-drivers.

#[path = "../common/mod.rs"]
mod common;

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use common::{Shown, recorded, running};
use desktop::compare::Compare;
use desktop::pack_limits::PackScreen;
use desktop::prepare::{self, Book, Prepare};
use desktop::review::Review;
use desktop::sound::{Players, Sound};
use desktop::start::{PracticeFault, Start};
use desktop::wording::Look;
use desktop::{Files, colours, gallery};
use egui::{CentralPanel, Frame, Margin, Theme, Ui};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use model::{Amount, HandItem, HandOutcome, HandReading, SessionTime};
use session::Snapshot;
use session::rules::{HandLine, Pack};

/// What is drawn.
#[derive(Clone, Copy, Debug)]
enum Scene {
    Start,
    Prepare,
    Sound,
    OpenSenseLead,
    WeakCell,
    Gaps,
    Lfp,
    Ended,
    Pack,
    PackFaults,
    PackText,
    PackFacts,
    Review,
    Compare,
    Gallery,
    Frames,
    FramesDamaged,
    FramesMended,
    FramesText,
}

const SCENES: [(&str, Scene); 19] = [
    ("start", Scene::Start),
    ("prepare", Scene::Prepare),
    ("sound", Scene::Sound),
    ("open-sense-lead", Scene::OpenSenseLead),
    ("weak-cell", Scene::WeakCell),
    ("damaged-line", Scene::Gaps),
    ("sensor-open", Scene::Lfp),
    ("ended", Scene::Ended),
    ("pack", Scene::Pack),
    ("pack-faults", Scene::PackFaults),
    ("pack-text", Scene::PackText),
    ("pack-facts", Scene::PackFacts),
    ("review", Scene::Review),
    ("compare", Scene::Compare),
    ("gallery", Scene::Gallery),
    ("frames", Scene::Frames),
    ("frames-damaged", Scene::FramesDamaged),
    ("frames-mended", Scene::FramesMended),
    ("frames-text", Scene::FramesText),
];

/// How it is drawn.
#[derive(Clone, Copy, Debug)]
struct As {
    theme: Theme,
    size: [f32; 2],
    scale: f32,
}

fn picture(scene: Scene, way: As) -> Harness<'static, ()> {
    let mut draw = drawing(scene);
    let mut harness = Harness::builder()
        .with_size([way.size[0] / way.scale, way.size[1] / way.scale])
        .with_pixels_per_point(way.scale)
        .with_theme(way.theme)
        .build_ui(move |ui| {
            colours::dress(ui.ctx());
            // The whole window, without the harness's margin.
            let whole = ui.ctx().content_rect();
            let mut ui = ui.new_child(egui::UiBuilder::new().max_rect(whole));
            ui.set_clip_rect(whole);
            draw(&mut ui);
        });
    // The recordings of Review and Compare are read on threads of their own.
    for _ in 0..40 {
        harness.run_steps(4);
        if !matches!(scene, Scene::Review | Scene::Compare) {
            break;
        }
        std::thread::sleep(Duration::from_millis(25));
    }
    match scene {
        Scene::Pack => {
            type_into(&mut harness, "Cell high, warning side", "4.10 V");
            type_into(&mut harness, "Temperature high, warning side", "20 degC");
            type_into(&mut harness, "Temperature high, critical side", "21 degC");
            for _ in 0..500 {
                harness.run_steps(1);
                if harness.query_all_by_label_contains("alarms: ").next().is_some() {
                    break;
                }
                std::thread::sleep(Duration::from_millis(10));
            }
            harness.run_steps(2);
        }
        Scene::PackFaults => {
            type_into(&mut harness, "Cell low at rest, warning side", "3.5");
            type_into(&mut harness, "Cell high, critical side", "4.35 V");
            type_into(&mut harness, "Spread at rest, critical side", "15 mV");
        }
        Scene::PackFacts => {
            type_into(&mut harness, "capacity", "40 Ah");
            type_into(&mut harness, "waiver of pack sum", "its BMS reports no pack voltage; metered by hand");
        }
        _ => {}
    }
    harness
}

fn type_into(harness: &mut Harness<'static, ()>, label: &str, text: &str) {
    let field = |harness: &mut Harness<'static, ()>, act: &dyn Fn(egui_kittest::Node<'_>)| {
        act(harness.get_by_role_and_label(egui::accesskit::Role::TextInput, label));
    };
    field(harness, &|field| field.focus());
    harness.run_steps(2);
    harness.key_press_modifiers(egui::Modifiers::COMMAND, egui::Key::A);
    harness.run_steps(1);
    field(harness, &|field| field.type_text(text));
    harness.run_steps(3);
}

fn drawing(scene: Scene) -> Box<dyn FnMut(&mut Ui)> {
    let session = |snapshot: Snapshot| {
        let mut shown = Shown::new(snapshot, Duration::from_millis(40));
        Box::new(move |ui: &mut Ui| shown.ui(ui))
    };
    match scene {
        Scene::Start => start(),
        Scene::Prepare => prepare(),
        Scene::Sound => session(running("acorn-first-switch-on.mcap", 26_000)),
        Scene::OpenSenseLead => session(running("acorn-open-sense-lead.mcap", 20_000)),
        Scene::WeakCell => session(running("acorn-weak-cell.mcap", 20_000)),
        Scene::Gaps => session(running("field-damaged-data-line.mcap", 30_000)),
        Scene::Lfp => session(running("sapling-sensor-open.mcap", 20_000)),
        Scene::Ended => session(recorded("acorn-weak-cell.mcap", None)),
        Scene::Pack => pack(Some(recorded("acorn-first-switch-on.mcap", None)), &acorn()),
        Scene::PackFaults => pack(None, &acorn()),
        Scene::PackFacts => {
            let waivers = "\n[waivers]\n\"pack sum\" = \"its BMS reports no pack voltage of its own\"\n";
            pack(None, &format!("{}{waivers}", acorn()))
        }
        Scene::PackText => pack(None, &acorn().replace("cells = 24", "cells = 24\nsummary = \"one\nchemistry = =")),
        Scene::Frames => frames("acorn-open-sense-lead.mcap", 29_600, false),
        Scene::FramesDamaged => frames("field-damaged-data-line.mcap", 19_900, false),
        Scene::FramesMended => frames("acorn-weak-cell.mcap", 0, true),
        Scene::FramesText => frames("sapling-sensor-open.mcap", 20_000, false),
        Scene::Review => review(),
        Scene::Compare => compare(),
        Scene::Gallery => Box::new(|ui: &mut Ui| {
            let frame = Frame::new().fill(colours::Colours::of(ui.visuals()).ground).inner_margin(16);
            CentralPanel::default().frame(frame).show(ui, gallery::ui);
        }),
    }
}

fn acorn() -> String {
    packwake_tests::text("packs/acorn-24s-nmc.toml")
}

/// The screen of the pack: over a recording, or before a session on this text.
fn pack(snapshot: Option<Snapshot>, text: &str) -> Box<dyn FnMut(&mut Ui)> {
    let mut screen = PackScreen::default();
    let text = text.to_owned();
    let recording = snapshot.as_ref().map(|_| packwake_tests::root().join("recordings/acorn-first-switch-on.mcap"));
    let files = Files { recording, ..Files::default() };
    Box::new(move |ui: &mut Ui| {
        let look = snapshot.as_ref().map(|snapshot| Look { snapshot, since: Duration::ZERO, finished: true });
        let practice = look.is_none().then_some(text.as_str());
        let _none = screen.ui(ui, look, &files, practice);
    })
}

/// A recording at the frame around a byte; its protocol beside it with a fault in it.
fn frames(name: &'static str, byte: u64, mended: bool) -> Box<dyn FnMut(&mut Ui)> {
    let snapshot = Arc::new(recorded(name, None));
    let files = desktop::Files {
        recording: Some(packwake_tests::root().join("recordings").join(name)),
        ..desktop::Files::default()
    };
    let mut screen = desktop::frames::Frames::default();
    screen.go_to(model::ByteRange { start: byte, end: byte });
    let mut count = 0;
    Box::new(move |ui: &mut Ui| {
        let look = desktop::wording::Look { snapshot: &snapshot, since: Duration::ZERO, finished: false };
        desktop::top(ui, look);
        if mended && count == 0 {
            screen.open_protocol();
        }
        count += 1;
        let _want = screen.ui(ui, Some(look), &files);
        // The bytes are read on a thread of their own.
        std::thread::sleep(Duration::from_millis(120));
    })
}

/// The weak cell of its recording between two cursors, in front of the load step and in it.
fn review() -> Box<dyn FnMut(&mut Ui)> {
    let name = "acorn-weak-cell.mcap";
    let snapshot = recorded(name, None);
    let files = Files { recording: Some(packwake_tests::root().join("recordings").join(name)), ..Files::default() };
    let mut review = Review::default();
    review.compare(SessionTime::from_millis(15_900), SessionTime::from_millis(16_300));
    Box::new(move |ui: &mut Ui| {
        let look = Look { snapshot: &snapshot, since: Duration::ZERO, finished: true };
        desktop::top(ui, look);
        review.ui(ui, Some(look), &files);
    })
}

fn compare() -> Box<dyn FnMut(&mut Ui)> {
    let folder = packwake_tests::root().join("recordings");
    let (old, new) = (folder.join("acorn-first-switch-on.mcap"), folder.join("acorn-next-season.mcap"));
    let snapshot = recorded("acorn-next-season.mcap", None);
    let files = Files { recording: Some(new.clone()), is_recording: true, ..Files::default() };
    let (mut compare, mut begun) = (Compare::new("packwake"), false);
    Box::new(move |ui: &mut Ui| {
        if !std::mem::replace(&mut begun, true) {
            // A path as a person would type it, the same on every machine.
            compare.choose(&old, &new, ui.ctx());
            compare.shows_as("acorn-first-switch-on.mcap");
        }
        let look = Look { snapshot: &snapshot, since: Duration::ZERO, finished: true };
        desktop::top(ui, look);
        compare.ui(ui, Some(look), &files);
    })
}

fn start() -> Box<dyn FnMut(&mut Ui)> {
    let mut start = Start::new();
    start.fault = "open-sense-lead".to_owned();
    let about = "the sense lead between two cells is open".to_owned();
    let faults = [PracticeFault { name: "open-sense-lead".to_owned(), about }];
    let sound = Sound::start(Players::none(), Arc::new(|| {}));
    Box::new(move |ui: &mut Ui| {
        start.show(ui, &faults, &sound);
    })
}

/// The first checks are done, one reading is bad, the rest is open.
fn prepare() -> Box<dyn FnMut(&mut Ui)> {
    const KEY: &str = "a pack";
    let pack = Pack::parse(&packwake_tests::text("packs/acorn-24s-nmc.toml")).0.expect("a shipped pack is sound");
    let mut book = Book::default();
    let amount = |text: &str| Amount::parse(text).expect("an amount");
    for item in HandItem::all() {
        let reading = match item {
            HandItem::PackVoltage => HandReading::measured(item, amount("92.4 V"), "bench meter"),
            HandItem::InsulationPlus => HandReading::measured(item, amount("2.1 Mohm"), "insulation meter"),
            HandItem::InsulationMinus => {
                book.enter(KEY, HandReading::measured(item, amount("30 kohm"), "insulation meter"), 0.0);
                break;
            }
            _ => HandReading::found(item, HandOutcome::Passed, ""),
        };
        book.enter(KEY, reading, 0.0);
    }
    let mut screen = Prepare::default();
    Box::new(move |ui: &mut Ui| {
        let lines = book.lines(KEY, &pack, 240.0);
        let shown = prepare::Shown {
            lines: &lines,
            pack: Some(&pack),
            age: &|line: &HandLine| line.entry.as_ref().map(|_| Duration::from_secs(240)),
            earlier: &|_| None,
            closed: None,
            session: false,
        };
        let frame = Frame::new().fill(colours::Colours::of(ui.visuals()).ground);
        CentralPanel::default().frame(frame.inner_margin(Margin::symmetric(28, 16))).show(ui, |ui| {
            let _entered = screen.ui(ui, &shown);
        });
    })
}

/// A driver of another version draws text a little differently; a moved line or another colour is far more than that.
const TOLERANCE: u8 = 48;
/// Of a million pixels, so many may be off by more.
const OFF: usize = 4_000;

#[test]
fn the_pictures_of_the_readme_are_those_of_the_program() {
    let folder = packwake_tests::root().join("docs/pictures");
    let anew = std::env::var_os("UPDATE_PICTURES").is_some();
    for (name, scene, theme) in [
        ("start", Scene::Start, Theme::Light),
        ("prepare", Scene::Prepare, Theme::Light),
        ("sound", Scene::Sound, Theme::Light),
        ("sound-dark", Scene::Sound, Theme::Dark),
        ("open-sense-lead", Scene::OpenSenseLead, Theme::Light),
        ("open-sense-lead-dark", Scene::OpenSenseLead, Theme::Dark),
        ("pack", Scene::Pack, Theme::Light),
        ("frames", Scene::FramesDamaged, Theme::Light),
        ("review", Scene::Review, Theme::Light),
        ("compare", Scene::Compare, Theme::Light),
        ("gallery", Scene::Gallery, Theme::Light),
    ] {
        let path = folder.join(format!("{name}.png"));
        // Letters and digits make a large file: no more of them than show what the screen is.
        let size = match name {
            "pack" => [1140.0, 660.0],
            "frames" => [1180.0, 660.0],
            _ => [1280.0, 800.0],
        };
        let drawn = picture(scene, As { theme, size, scale: 1.0 }).render();
        let drawn = coarse(drawn.expect("a graphics driver"));
        if anew {
            write(&drawn, &path);
        }
        let bytes = std::fs::metadata(&path).expect("it is there").len();
        assert!(bytes < 150_000, "{name}: {bytes} bytes");
        let known = image::open(&path).expect("it is a picture").into_rgb8();
        assert_eq!(known.dimensions(), drawn.dimensions(), "{name}");
        let off = |(one, other): (&u8, &u8)| TOLERANCE < one.abs_diff(*other);
        let off = known.iter().zip(drawn.iter()).filter(|pair| off(*pair)).count() / 3;
        eprintln!("{name}: {bytes} bytes, {off} pixels off");
        assert!(off < OFF, "{name}: {off} pixels are off; look at it, and make it anew if it is right");
    }
}

/// Colours in steps of eight: text stays smooth, and the file a third smaller.
fn coarse(image: image::RgbaImage) -> image::RgbImage {
    let mut image = image::DynamicImage::ImageRgba8(image).into_rgb8();
    for value in image.iter_mut() {
        *value = (*value & !7) | (*value >> 5);
    }
    image
}

fn write(image: &image::RgbImage, path: &std::path::Path) {
    use image::codecs::png::{CompressionType, FilterType, PngEncoder};
    let file = std::fs::File::create(path).expect("it can be written");
    let encoder = PngEncoder::new_with_quality(file, CompressionType::Best, FilterType::Adaptive);
    image.write_with_encoder(encoder).expect("it is written");
}

#[test]
fn every_screen_can_be_drawn_in_every_look() {
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("looks");
    std::fs::create_dir_all(&folder).expect("a folder");
    eprintln!("pictures in {}", folder.display());
    let only = std::env::var("PICTURE").unwrap_or_default();
    for (theme_name, theme) in [("light", Theme::Light), ("dark", Theme::Dark)] {
        for (size_name, size, scale) in [
            ("1280x800", [1280.0, 800.0], 1.0),
            ("960x600", [960.0, 600.0], 1.0),
            ("200-percent", [2560.0, 1600.0], 2.0),
            ("small-200-percent", [1280.0, 800.0], 2.0),
        ] {
            for (name, scene) in SCENES {
                let name = format!("{name}-{theme_name}-{size_name}");
                if !name.contains(&only) {
                    continue;
                }
                let image = picture(scene, As { theme, size, scale }).render().expect("a graphics driver");
                let mut colours: Vec<_> = image.pixels().map(|pixel| pixel.0).collect();
                colours.sort_unstable();
                colours.dedup();
                assert!(50 < colours.len(), "{name} is nearly empty");
                image.save(folder.join(format!("{name}.png"))).expect("it is written");
            }
        }
    }
}
