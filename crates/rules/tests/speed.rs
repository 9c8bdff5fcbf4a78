//! How fast rows are judged. The figures are printed (`--nocapture`); the bound is far above them, and for release only.

mod support;

use std::hint::black_box;
use std::time::Instant;

use model::{Quantity, Raw, SessionTime};
use rules::{Judge, Outcome};
use support::{Row, batch, cell, kind, layout, pack, sensor, setup, status, whole};

const PACK: &str = r#"
pack = "test"
chemistry = "NMC"
cells = 24
capacity = "40 Ah"
resistance = "1 mohm"
temperatures = ["1", "2", "3", "4", "5", "6"]
"#;

/// An hour at 20 frames a second of 24 cells, and 10 a second of six temperatures, current and voltages.
#[test]
#[expect(clippy::disallowed_methods, reason = "it measures time")]
fn an_hour_of_rows() {
    let hours = if cfg!(debug_assertions) { 20 } else { 1 };
    let mut cells = vec![whole("count", Quantity::FrameCounter, "", "1", 8)];
    cells.extend((1..=24).map(cell));
    let mut others = vec![
        whole("pack", Quantity::PackVoltage, "V", "0.01", 16),
        whole("bus", Quantity::BusVoltage, "V", "0.01", 16),
        whole("current", Quantity::Current, "mA", "1", 32),
        status(1),
    ];
    others.extend((1..=6).map(sensor));
    let kinds = vec![kind("cells", 50, cells), kind("others", 100, others)];
    let rows = 72_000 / hours;
    let mut batches = Vec::new();
    let mut count = 0;
    for first in (0..rows).step_by(200) {
        let mut list = Vec::new();
        for frame in first..first + 200 {
            let at = SessionTime::from_millis(frame * 50);
            let number = |value: u64| Some(Raw::Int(value.into()));
            let mut numbers = vec![number(frame % 256)];
            numbers.extend((0..24).map(|place| number(3_900 + (frame * 7 + place * 3) % 4)));
            list.push(Row { kind: 0, at, numbers });
            count += 1;
            if frame % 2 == 0 {
                let load = frame / 400 % 2;
                let mut numbers =
                    vec![number(9_400), number(load * 9_300), number(load * 20_000 + frame % 9), number(0)];
                numbers.extend((0..6).map(|place| number(250 + (frame / 64 + place) % 3)));
                list.push(Row { kind: 1, at, numbers });
                count += 1;
            }
        }
        batches.push(batch(2, &list));
    }
    let mut judge = Judge::new(pack(PACK), setup(layout(kinds)));
    judge.opened("a test");
    let begin = Instant::now();
    let mut events = 0;
    for batch in &batches {
        judge.batch(black_box(batch));
        events += judge.take_events().len();
    }
    let took = begin.elapsed();
    let nanos_a_row = took.as_nanos() / count;
    println!("{count} rows in {took:?}: {nanos_a_row} ns a row; {events} events");
    assert_ne!(judge.verdict().outcome, Outcome::NoGo, "{:?}", judge.verdict().because);
    if !cfg!(debug_assertions) {
        assert!(nanos_a_row < 5_000, "half a second for the hour is 4600 ns a row; took {nanos_a_row}");
    }
}
