//! The text is that of a plain way through the crate `csv`, for every width, scale and kind of value, on any number of
//! threads.

use std::collections::BTreeSet;
use std::io::{self, Write};
use std::num::NonZero;
use std::ops::Range;

use model::{
    Batch, ByteRange, Channel, Column, ColumnLayout, Conversion, Curve, Decimal, Dimension, Item, KindLayout, Layout,
    Meaning, Quantity, Raw, Reason, Rejected, Rows, Scale, Sensing, SessionTime, Thermistor, Unit, Values,
    format_nanos_exact,
};
use report::{CsvWriter, export};

/// Cell by cell through strings, with the crate `csv` as the writer.
fn plainly(layout: &Layout, batches: &[Batch], range: Option<&Range<SessionTime>>) -> String {
    let mut channels: Vec<Channel> =
        layout.kinds.iter().flat_map(|kind| &kind.columns).map(|column| column.channel).collect();
    let mut seen = BTreeSet::new();
    channels.retain(|channel| seen.insert(*channel));
    let mut out = csv::Writer::from_writer(Vec::new());
    let names = channels.iter().map(|channel| channel.column_name());
    out.write_record(std::iter::once("time_s".to_owned()).chain(names)).expect("memory");
    for batch in batches {
        for item in &batch.order {
            let Item::Row { kind, row } = *item else { continue };
            let (kind, row) = (usize::from(kind), row as usize);
            let rows = &batch.kinds[kind];
            if range.is_some_and(|range| !range.contains(&rows.at[row])) {
                continue;
            }
            let mut cells = vec![String::new(); 1 + channels.len()];
            cells[0] = rows.at[row].to_string();
            for (column, layout) in rows.columns.iter().zip(&layout.kinds[kind].columns) {
                let place = channels.iter().position(|channel| *channel == layout.channel).expect("it is one of them");
                if let Some(text) = cell(column, layout, row) {
                    cells[1 + place] = text;
                }
            }
            out.write_record(&cells).expect("memory");
        }
    }
    String::from_utf8(out.into_inner().expect("memory")).expect("text")
}

fn cell(column: &Column, layout: &ColumnLayout, row: usize) -> Option<String> {
    let quantity = layout.channel.quantity;
    if quantity.dimension() == Dimension::Number || quantity == Quantity::FrameCounter {
        return Some(match column.raw(row)? {
            Raw::Int(raw) => raw.to_string(),
            Raw::Float(raw) => raw.to_string(),
        });
    }
    let nanos = column.nanos(row, &layout.scale)?;
    let step = layout.scale.resolution();
    let decimals = (0..9).find(|decimals| step % 10_i64.pow(9 - decimals) == 0).unwrap_or(9);
    Some(format_nanos_exact(nanos, decimals))
}

/// Chance (splitmix64, constants from memory).
struct Dice(u64);

impl Dice {
    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let state = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let state = (state ^ (state >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        state ^ (state >> 31)
    }

    fn below(&mut self, limit: usize) -> usize {
        usize::try_from(self.bits() >> 33).expect("31 bits") % limit.max(1)
    }

    fn one_of<'l, T>(&mut self, list: &'l [T]) -> &'l T {
        &list[self.below(list.len())]
    }
}

fn scales() -> Vec<Conversion> {
    let linear = |unit: &str, factor: &str, offset: &str| {
        let decimal = |text| Decimal::parse(text).expect("a decimal");
        let unit = Unit::parse(unit).expect("a unit");
        Conversion::Linear(Scale::new(unit, decimal(factor), decimal(offset)).expect("a scale"))
    };
    let curves = [
        Curve::Thermistor {
            law: Thermistor::Beta { beta: 3950.0, r0: 10_000.0, t0: 298.15 },
            sensing: Sensing::Divider { fixed_ohms: 10_000.0, full: 4095.0, sensor_at_ground: true },
        },
        Curve::table(vec![(-100.0, -40_000_000_000), (0.0, 0), (70.0, 12_345_678_901)]).expect("rising"),
    ];
    let mut all: Vec<Conversion> = [
        ("mV", "1", "0"),
        ("V", "0.01", "0"),
        ("V", "1", "0"),
        ("uV", "150", "0"),
        ("uV", "7.8125e-2", "0"),
        ("kV", "1", "0"),
        ("degC", "0.1", "0"),
        ("degC", "1", "-40"),
        ("K", "0.1", "0"),
        ("A", "-0.01", "-30"),
        ("A", "3.0517578125e-5", "0"),
        ("ms", "1", "0"),
        ("V", "1e-10", "0"),
        ("V", "1.1e-9", "-0.000000001"),
    ]
    .into_iter()
    .map(|(unit, factor, offset)| linear(unit, factor, offset))
    .collect();
    all.extend(curves.map(|curve| Conversion::Curve(Box::new(curve))));
    all
}

const CHANNELS: [Quantity; 11] = [
    Quantity::CellVoltage,
    Quantity::CellVoltage,
    Quantity::CellVoltage,
    Quantity::PackVoltage,
    Quantity::Current,
    Quantity::Temperature,
    Quantity::StateOfCharge,
    Quantity::Status,
    Quantity::Balancing,
    Quantity::FrameCounter,
    Quantity::DeviceTime,
];

fn layout(dice: &mut Dice) -> (Layout, Vec<Vec<Values>>) {
    let (scales, mut values) = (scales(), Vec::new());
    let kinds = 1 + dice.below(3);
    let mut kind = |index: usize, dice: &mut Dice| {
        let mut own = Vec::new();
        let mut columns = Vec::new();
        while columns.len() < index % 2 + dice.below(8) {
            // Neighbours are often alike.
            let quantity = *dice.one_of(&CHANNELS);
            let (scale, width) = (dice.one_of(&scales).clone(), dice.one_of(&widths()).clone());
            for _ in 0..1 + dice.below(2) * dice.below(12) {
                let place = if quantity.has_places() { u16::try_from(1 + dice.below(20)).expect("few") } else { 0 };
                columns.push(ColumnLayout {
                    part: "part".to_owned(),
                    repeat: 0,
                    channel: Channel { quantity, place },
                    scale: scale.clone(),
                    bits: 16,
                    meaning: Meaning::Number,
                    scan: None,
                });
                own.push(width.clone());
            }
        }
        values.push(own);
        KindLayout { name: format!("kind {index}"), every: None, verified: true, columns }
    };
    let kinds = (0..kinds).map(|index| kind(index, dice)).collect();
    (Layout { protocol: "any".to_owned(), kinds }, values)
}

fn widths() -> Vec<Values> {
    let mut all: Vec<Values> =
        [8, 16, 16, 32, 64].into_iter().flat_map(|bits| [true, false].map(|s| Values::for_integers(bits, s))).collect();
    all.push(Values::F64(Vec::new()));
    all
}

fn number(dice: &mut Dice, values: &Values) -> Raw {
    let bits = dice.bits();
    if let Values::F64(_) = values {
        let of_bits = f64::from_bits(bits);
        return Raw::Float(*dice.one_of(&[3.836, -0.0, 25.0, 1e-7, 1e300, of_bits, -1e18, 92.4]));
    }
    let whole = i128::from(bits.cast_signed() >> dice.below(64));
    let range = match values {
        Values::I8(_) => (i8::MIN.into(), i8::MAX.into()),
        Values::U8(_) => (0, u8::MAX.into()),
        Values::I16(_) => (i16::MIN.into(), i16::MAX.into()),
        Values::U16(_) => (0, u16::MAX.into()),
        Values::I32(_) => (i32::MIN.into(), i32::MAX.into()),
        Values::U32(_) => (0, u32::MAX.into()),
        Values::U64(_) => (0, u64::MAX.into()),
        _ => (i64::MIN.into(), i64::MAX.into()),
    };
    let whole = if matches!(values, Values::U64(_)) { i128::from(bits >> dice.below(64)) } else { whole };
    Raw::Int(*dice.one_of(&[whole.clamp(range.0, range.1), range.0, range.1, 0.clamp(range.0, range.1), range.1 / 16]))
}

/// A batch with rows of the kinds in any order, rejections between them, and columns that are full, or have gaps, or end
/// early.
fn batch(dice: &mut Dice, values: &[Vec<Values>], at: &mut u64) -> Batch {
    let empty = |own: &Vec<Values>| Rows { columns: own.iter().cloned().map(Column::new).collect(), ..Rows::default() };
    let mut batch = Batch { kinds: values.iter().map(empty).collect(), ..Batch::default() };
    let gaps = dice.below(3) * 20;
    for _ in 0..dice.below(300) {
        if dice.below(10) == 0 {
            batch.order.push(Item::Rejected(u32::try_from(batch.rejected.len()).expect("few")));
            batch.rejected.push(Rejected {
                known_at: SessionTime::ZERO,
                bytes: ByteRange { start: 0, end: 1 },
                reason: Reason::Skipped,
            });
            continue;
        }
        let kind = dice.below(values.len());
        let rows = &mut batch.kinds[kind];
        *at += *dice.one_of(&[0, 1, 50_000_000, 1_000, 123_456_789, 60_000_000_000]);
        let row = u32::try_from(rows.at.len()).expect("few");
        batch.order.push(Item::Row { kind: u16::try_from(kind).expect("few"), row });
        rows.at.push(SessionTime::from_nanos(*at));
        rows.known_at.push(SessionTime::from_nanos(*at));
        rows.bytes.push(ByteRange { start: 0, end: 1 });
        for (index, (column, values)) in rows.columns.iter_mut().zip(&values[kind]).enumerate() {
            match dice.below(100) {
                chance if chance < gaps && index % 3 == 0 => column.push(None),
                chance if chance < gaps && index % 3 == 1 => column.push_left_out(),
                _ => column.push(Some(number(dice, values))),
            }
        }
    }
    batch
}

/// Gives the batches one by one.
fn giving<'b>(batches: &'b [Batch]) -> impl FnMut(&mut Batch) -> bool + Send + 'b {
    let mut rest = batches.iter();
    move |into| rest.next().map(|batch| into.clone_from(batch)).is_some()
}

fn threads(count: usize) -> NonZero<usize> {
    NonZero::new(count).expect("one or more")
}

#[test]
fn text_of_every_kind_of_value_is_the_same() {
    let mut bytes = 0;
    for seed in 0..400 {
        let mut dice = Dice(seed);
        let (layout, values) = layout(&mut dice);
        let mut at = *dice.one_of(&[0, 999_999_999, 12_345_678_901, u64::MAX / 2]);
        let batches: Vec<Batch> = (0..dice.below(6)).map(|_| batch(&mut dice, &values, &mut at)).collect();
        let expected = plainly(&layout, &batches, None);
        let mut csv = CsvWriter::new(&layout, Vec::new()).expect("memory");
        for batch in &batches {
            csv.batch(batch).expect("memory");
        }
        assert_eq!(csv.rows() + 1, expected.lines().count() as u64, "seed {seed}");
        assert_eq!(String::from_utf8(csv.finish().expect("memory")).expect("text"), expected, "seed {seed}");

        // A range that begins and ends at rows.
        let times: Vec<SessionTime> =
            batches.iter().flat_map(|batch| &batch.kinds).flat_map(|k| k.at.clone()).collect();
        let mut edge = || times.get(dice.below(times.len())).copied().unwrap_or_default();
        let (one, other) = (edge(), edge());
        let range = one.min(other)..one.max(other);
        let within = plainly(&layout, &batches, Some(&range));
        for count in [1, 2, 3, 5] {
            for (range, expected) in [(None, &expected), (Some(range.clone()), &within)] {
                let mut out = Vec::new();
                let rows = export(&layout, giving(&batches), range, threads(count), &mut out).expect("memory");
                assert_eq!(String::from_utf8(out).expect("text"), *expected, "seed {seed}, {count} threads");
                assert_eq!(rows + 1, expected.lines().count() as u64);
            }
        }
        bytes += expected.len();
    }
    assert!(5_000_000 < bytes, "{bytes} bytes were compared");
}

#[test]
fn every_short_number_is_the_same_in_every_scale() {
    for scale in scales() {
        for (values, quantity) in
            [(16, Quantity::Temperature), (8, Quantity::Current), (16, Quantity::Status), (8, Quantity::FrameCounter)]
                .into_iter()
                .flat_map(|(bits, quantity)| [true, false].map(|s| (Values::for_integers(bits, s), quantity)))
        {
            let column = ColumnLayout {
                part: "part".to_owned(),
                repeat: 0,
                channel: Channel { quantity, place: 1 },
                scale: scale.clone(),
                bits: 16,
                meaning: Meaning::Number,
                scan: None,
            };
            let kind = KindLayout { name: "all".to_owned(), every: None, verified: true, columns: vec![column] };
            let layout = Layout { protocol: "any".to_owned(), kinds: vec![kind] };
            let mut column = Column::new(values);
            let all = match column.values() {
                Values::I8(_) | Values::U8(_) => -200..=300,
                _ => i32::from(i16::MIN) - 10..=i32::from(u16::MAX),
            };
            for raw in all {
                column.push(Some(Raw::Int(raw.into())));
            }
            let rows = column.len();
            // Numbers that do not fit became absent; the last pass over the same numbers has none of those.
            let mut short = Column::new(column.values().clone());
            short.clear();
            (0..rows).filter_map(|row| column.raw(row)).for_each(|raw| short.push(Some(raw)));
            assert!(short.len() == 256 || short.len() == 65_536);
            let batches = [column, short].map(|column| {
                let count = column.len();
                let rows = Rows { at: vec![SessionTime::ZERO; count], columns: vec![column], ..Rows::default() };
                let order = (0..u32::try_from(count).expect("few")).map(|row| Item::Row { kind: 0, row }).collect();
                Batch { kinds: vec![rows], order, rejected: Vec::new() }
            });
            let mut out = Vec::new();
            export(&layout, giving(&batches), None, threads(1), &mut out).expect("memory");
            // Not assert_eq: it would print megabytes.
            let (got, expected) = (String::from_utf8(out).expect("text"), plainly(&layout, &batches, None));
            for (got, expected) in got.lines().zip(expected.lines()) {
                assert_eq!(got, expected, "{scale:?} {quantity:?}");
            }
            assert_eq!(got.len(), expected.len());
        }
    }
}

/// Takes some bytes and then no more.
struct Closing(usize);

impl Write for Closing {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0 = self.0.checked_sub(bytes.len()).ok_or(io::ErrorKind::BrokenPipe)?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[test]
fn an_output_that_closes_ends_it_on_any_number_of_threads() {
    let mut dice = Dice(7);
    let (layout, values) = layout(&mut dice);
    let mut at = 0;
    let some: Vec<Batch> = (0..4).map(|_| batch(&mut dice, &values, &mut at)).collect();
    for count in [1, 2, 4] {
        for room in [0, 100, 100_000] {
            let mut given = 0;
            let next = |batch: &mut Batch| {
                batch.clone_from(&some[given % some.len()]);
                given += 1;
                // Without an end, unless nobody stops it.
                given < 1_000_000
            };
            let error = export(&layout, next, None, threads(count), Closing(room)).expect_err("it is closed");
            assert_eq!(error.kind(), io::ErrorKind::BrokenPipe);
            assert!(given < 100_000, "{given} batches with {count} threads");
        }
    }
}
