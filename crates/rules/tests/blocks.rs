//! Rows that come at once say what they say one by one, wherever the block ends: values that stand, wander, stay away, jump
//! and come near each limit.

mod support;

use std::collections::BTreeSet;

use model::{Quantity, Raw, SessionTime};
use rules::{Check, Event, EventKind, Held, Judge, Verdict};
use support::{Row, batch, cell, kind, layout, pack, sensor, setup, status, whole};

const CELLS: u16 = 7;
const SENSORS: u16 = 3;
const ROWS: u64 = 700;

const PACK: &str = r#"
pack = "a pack of seven"
chemistry = "NMC"
cells = 7
capacity = "40 Ah"
resistance = "1 mohm"
temperatures = ["front", "middle", "back"]
rest_after = "2 s"

[limits.cell_high]
warning = "4.150 V"
critical = "4.200 V"
deadband = "5 mV"
off_delay = "300 ms"

[limits.deviation_rest]
warning = "30 mV"
critical = "60 mV"
on_delay = "200 ms"
off_delay = "400 ms"
"#;

/// xorshift
struct Dice(u64);

impl Dice {
    fn below(&mut self, sides: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 20) % sides
    }

    fn one_in(&mut self, sides: u64) -> bool {
        self.below(sides) == 0
    }

    /// One of these, or next to it.
    fn near(&mut self, places: &[i64]) -> i64 {
        let place = self.below(places.len() as u64) as usize;
        places[place] + self.below(3) as i64 - 1
    }
}

/// What goes on for a while.
#[derive(Clone, Copy, PartialEq)]
enum Mood {
    /// Noise of some millivolts.
    Usual,
    /// Nothing moves.
    Still,
    /// All but this cell move on and on.
    Held(usize),
    /// This cell comes near a limit now and then.
    Near(usize),
    /// This cell, or this sensor, is absent or impossible now and then.
    Broken(usize),
    /// A sensor comes near a limit now and then.
    Warm(usize),
    /// A current flows, and goes again.
    Load,
}

/// A session of one message that carries all: the numbers as sent. At `falling`, cells are sent as what is lacking to 5 V.
fn session(seed: u64, falling: bool) -> Vec<Row> {
    let mut dice = Dice(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
    let (mut now, mut count, mut mood, mut left) = (0, 0, Mood::Usual, 60);
    let (mut drift, mut cells, mut sensors) = (0_i64, [3_900_i64; CELLS as usize], [250_i64; SENSORS as usize]);
    let mut rows = Vec::new();
    for _ in 0..ROWS {
        if left == 0 {
            left = 1 + dice.below(120);
            let (cell, sensor) = (dice.below(CELLS.into()) as usize, dice.below(SENSORS.into()) as usize);
            mood = [
                Mood::Usual,
                Mood::Still,
                Mood::Held(cell),
                Mood::Near(cell),
                Mood::Broken(cell),
                Mood::Warm(sensor),
                Mood::Load,
            ][dice.below(7) as usize];
        }
        left -= 1;
        now += match dice.below(60) {
            0 => 1_300,
            1 => 330,
            2..20 => 0,
            _ => 50,
        };
        count += 1;
        let current = match mood {
            Mood::Load => 20_000 + dice.below(40) as i64,
            // A current that comes while no cell moves.
            Mood::Still if left < 100 => 30_000,
            _ => dice.below(60) as i64,
        };
        if let Mood::Held(_) = mood {
            drift += 1;
        }
        if mood != Mood::Still {
            for (index, cell) in cells.iter_mut().enumerate() {
                if mood != Mood::Held(index) {
                    let sag = if mood == Mood::Load { 20 } else { 0 };
                    *cell = 3_900 + drift - sag + dice.below(3) as i64;
                }
            }
            sensors.iter_mut().for_each(|sensor| *sensor = 250 + dice.below(2) as i64);
        }
        let mut sent: Vec<Option<i64>> = cells.iter().copied().map(Some).collect();
        let mut degrees: Vec<Option<i64>> = sensors.iter().copied().map(Some).collect();
        match mood {
            Mood::Near(cell) if !dice.one_in(3) => {
                sent[cell] = Some(dice.near(&[4_200, 4_150, 4_145, 3_931, 3_961, 3_000, 2_800]));
            }
            Mood::Broken(cell) if dice.one_in(4) => {
                sent[cell] = [None, Some(0), Some(-101), Some(40_000), Some(5_001)][dice.below(5) as usize];
                degrees[cell % SENSORS as usize] = [None, Some(-400), Some(1_201)][dice.below(3) as usize];
            }
            Mood::Warm(sensor) if !dice.one_in(3) => {
                degrees[sensor] = Some(dice.near(&[450, 500, 550, 600, 0, -100, -399]));
            }
            _ => {}
        }
        let sum: i64 = sent.iter().flatten().sum();
        let status = i64::from(dice.one_in(200));
        let mut numbers = vec![Some(count % 256), Some(now)];
        numbers.extend(sent.iter().map(|millivolts| millivolts.map(|mv| if falling { 5_000 - mv } else { mv })));
        numbers.extend(degrees);
        numbers.extend([Some(current), Some(sum / 10), Some(status)]);
        let numbers = numbers.into_iter().map(|number| number.map(|number| Raw::Int(number.into()))).collect();
        rows.push(Row { kind: 0, at: SessionTime::from_millis(now as u64), numbers });
    }
    rows
}

fn judge(falling: bool) -> Judge {
    let mut columns =
        vec![whole("count", Quantity::FrameCounter, "", "1", 8), whole("uptime", Quantity::DeviceTime, "ms", "1", 32)];
    columns.extend((1..=CELLS).map(|place| {
        let mut column = cell(place);
        if falling {
            let decimal = |text| model::Decimal::parse(text).expect("a decimal");
            let millivolts = model::Unit::parse("mV").expect("a unit");
            let scale = model::Scale::new(millivolts, decimal("-1"), decimal("5000")).expect("a scale");
            column.scale = model::Conversion::Linear(scale);
        }
        column
    }));
    columns.extend((1..=SENSORS).map(sensor));
    columns.extend([
        whole("current", Quantity::Current, "mA", "1", 32),
        whole("pack", Quantity::PackVoltage, "V", "0.01", 16),
        status(1),
    ]);
    let mut judge = Judge::new(pack(PACK), setup(layout(vec![kind("all", 50, columns)])));
    judge.opened("a test");
    judge
}

/// Everything that was said, what was held against each limit, and the verdict.
fn said(falling: bool, rows: &[Row], mut length: impl FnMut() -> usize) -> (Vec<Event>, Held, Verdict) {
    let mut judge = judge(falling);
    let mut rest = rows;
    while !rest.is_empty() {
        let (now, later) = rest.split_at(length().clamp(1, rest.len()));
        judge.batch(&batch(1, now));
        rest = later;
    }
    judge.end();
    (judge.take_events(), judge.held(), judge.verdict())
}

#[test]
fn blocks_of_any_length_say_the_same() {
    let mut seen = BTreeSet::new();
    for seed in 1..=120 {
        let falling = seed % 5 == 0;
        let rows = session(seed, falling);
        let one_by_one = said(falling, &rows, || 1);
        let mut dice = Dice(seed + 77);
        let lengths: [&mut dyn FnMut() -> usize; 4] =
            [&mut || usize::MAX, &mut || 64, &mut || dice.below(200) as usize, &mut || 13];
        for length in lengths {
            let at_once = said(falling, &rows, length);
            for (one, other) in one_by_one.0.iter().zip(&at_once.0) {
                assert_eq!(one, other, "{seed}");
            }
            assert_eq!(one_by_one, at_once, "{seed}");
        }
        let alarms = one_by_one.0.iter().filter_map(|event| match &event.kind {
            EventKind::Alarm { alarm, .. } => Some((alarm.check, alarm.place.is_some_and(|place| 0 < place.place))),
            _ => None,
        });
        seen.extend(alarms);
    }
    // The test is of something: of these at a cell or a sensor, and of these at none.
    let at_places = [
        Check::CellHigh,
        Check::CellLow,
        Check::Deviation,
        Check::TemperatureHigh,
        Check::TemperatureLow,
        Check::PossibleValues,
        Check::AllCells,
        Check::AllTemperatures,
        Check::LiveValues,
        Check::Status,
    ];
    let at_none = [Check::Spread, Check::LiveValues];
    for expected in at_places.map(|check| (check, true)).into_iter().chain(at_none.map(|check| (check, false))) {
        assert!(seen.contains(&expected), "{expected:?} of {seen:?}");
    }
}
