//! Every protocol that is shipped, with the bytes of a simulated power-up: what is found of each, and what is not.
//!
//! The simulator shares the parser's mistakes; `reference_streams.rs` has streams that were encoded elsewhere.

use std::sync::Arc;

use identify::{Capture, Layout, Length, Report, TextWhat, What, identify};
use model::SessionTime;
use parser::Protocol;
use simulator::{ByProtocol, Scene, byte_stream};

fn look(name: &str) -> Report {
    let path = format!("{}/../../protocols/{name}.toml", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).expect("a shipped file");
    let protocol = Arc::new(Protocol::parse(&text).0.expect("a sound file"));
    let scene = Scene::practice(7).fitted_to(protocol.layout());
    let mut capture = Capture::timed();
    for (at, bytes) in byte_stream(&scene, &[], ByProtocol::new(protocol), SessionTime::from_millis(60_000)) {
        capture.push(at, &bytes);
    }
    identify(&capture, None)
}

/// What was found, a line each.
fn told(report: &Report) -> String {
    let mut text = String::new();
    if let Some(layout) = &report.bytes {
        frames(&mut text, layout);
    }
    if let Some(layout) = &report.text {
        let check = layout.check.as_ref().map_or("none", |check| check.method.name);
        text.push_str(&format!("text {:?} {:?} check {check}\n", layout.start, layout.separator));
        for kind in &layout.kinds {
            text.push_str(kind.word.as_deref().unwrap_or("line"));
            for field in &kind.fields {
                let what = match &field.what {
                    TextWhat::Cells { from: Some(_), places, .. } => format!("cells by index up to {places}"),
                    TextWhat::Cells { .. } => format!("{} cells", field.times),
                    TextWhat::Pack { .. } => "pack".to_owned(),
                    TextWhat::Temperatures => format!("{} temperatures", field.times),
                    TextWhat::Counter { .. } => "counter".to_owned(),
                    TextWhat::Unknown | TextWhat::Hex => continue,
                };
                text.push_str(&format!(", {}: {what}", field.column));
            }
            text.push('\n');
        }
    }
    let share = report.trial.as_ref().map_or(0.0, |trial| trial.share() * 100.0);
    text.push_str(&format!("{:?} {share:.0} %", report.outcome));
    text
}

fn frames(text: &mut String, layout: &Layout) {
    let wrapping = layout.wrapping.map_or(String::new(), |wrapping| format!("{wrapping:?} "));
    let length = match &layout.length {
        Length::Fixed(length) => format!("length {length}"),
        Length::Size { at, plus, .. } => format!("size at {at} plus {plus}"),
        Length::ByKind { at, lengths } => {
            let mut lengths: Vec<usize> = lengths.iter().map(|(_, length)| *length).collect();
            lengths.dedup();
            format!("kind at {at} with {lengths:?}")
        }
        Length::Packet => "packets".to_owned(),
    };
    text.push_str(&format!("{wrapping}start {:02X?} {length} ids {:?}\n", layout.start, layout.ids));
    if let Some(fit) = &layout.check {
        let sure = if fit.is_sure() && fit.unique() { "sure" } else { "not sure" };
        let order = if fit.bytes == 1 { "" } else if fit.place.big { " be" } else { " le" };
        text.push_str(&format!("{sure}: {}{order} from {}\n", fit.place.method.name, fit.place.first));
    }
    for kind in &layout.kinds {
        let mut line = format!("{:02X?}", kind.id);
        for field in &kind.fields {
            let what = match &field.what {
                What::Cells { from, .. } if field.times == 1 => format!("cell {from}"),
                What::Cells { from, .. } => format!("cells {from}..{}", from + field.times - 1),
                What::Pack { volts } => format!("pack {volts}"),
                What::Bus { .. } => "bus".to_owned(),
                What::Temperatures { scale, unit, .. } => format!("{} temperatures {scale} {unit}", field.times),
                What::Current { discharge } => format!("current {}", if *discharge { "out" } else { "in" }),
                What::Clock { seconds } => format!("clock {seconds}"),
                What::Counter => "counter".to_owned(),
                _ => continue,
            };
            let doubt = if field.sureness == identify::Sureness::Guess { "?" } else { "" };
            line.push_str(&format!(", {} {}: {what}{doubt}", layout.header + field.at, field.form.name()));
        }
        if 1 < line.len() {
            text.push_str(&line);
            text.push('\n');
        }
    }
}

#[track_caller]
fn check(name: &str, expected: &str) {
    let expected: Vec<&str> = expected.trim().lines().map(str::trim).collect();
    assert_eq!(told(&look(name)).lines().collect::<Vec<_>>(), expected, "{name}");
}

#[test]
fn print_all() {
    for name in ["acorn-binary", "acorn-split", "acorn-text", "dronecan-values", "mavlink-total", "mavlink", "modbus-ascii", "modbus-rtu", "nmea-style", "smart-battery"] {
        println!("=== {name}\n{}", told(&look(name)));
    }
}
