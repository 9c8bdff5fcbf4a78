//! What the tests share: a layout, a frame maker written by hand, and one that only notes the values.

use std::cell::RefCell;

use model::{
    Channel, ColumnLayout, Conversion, Dimension, KindLayout, Layout, LineSettings, Meaning, Quantity, Scale, Unit,
};

use crate::fault::Fault;
use crate::line::{FrameMaker, Telegrams};
use crate::scene::Scene;

/// A column whose numbers as sent are billionths.
pub(crate) fn column(channel: Channel) -> ColumnLayout {
    let symbol = match channel.quantity.dimension() {
        Dimension::Voltage => "uV",
        Dimension::Current => "uA",
        Dimension::Temperature => "degC",
        Dimension::Time => "us",
        _ => "%",
    };
    ColumnLayout {
        part: channel.quantity.name().to_owned(),
        repeat: channel.place.saturating_sub(1),
        channel,
        scale: Conversion::Linear(Scale::of_unit(Unit::parse(symbol).expect("a unit"))),
        scan: None,
        bits: 32,
        meaning: Meaning::Number,
    }
}

/// One message kind each 100 ms with everything in it.
pub(crate) fn layout(cells: u16, sensors: u16) -> Layout {
    let mut channels: Vec<Channel> = (1..=cells).map(|place| Channel::at(Quantity::CellVoltage, place)).collect();
    channels.extend((1..=sensors).map(|place| Channel::at(Quantity::Temperature, place)));
    channels.extend(
        [
            Quantity::PackVoltage,
            Quantity::BusVoltage,
            Quantity::Current,
            Quantity::StateOfCharge,
            Quantity::SenseLeadTest,
            Quantity::Balancing,
            Quantity::FrameCounter,
            Quantity::DeviceTime,
        ]
        .map(Channel::whole),
    );
    let columns = channels.into_iter().map(column).collect();
    let every = Some(std::time::Duration::from_millis(100));
    Layout { protocol: "noted".into(), kinds: vec![KindLayout { name: "all".into(), every, verified: false, columns }] }
}

/// Notes what it is given and sends one byte.
struct Notes {
    layout: Layout,
    rows: RefCell<Vec<Vec<Option<i64>>>>,
}

impl FrameMaker for Notes {
    fn layout(&self) -> &Layout {
        &self.layout
    }

    fn line(&self) -> LineSettings {
        LineSettings::new(115_200)
    }

    fn frame(&self, kind: usize, value: &mut dyn FnMut(&ColumnLayout) -> Option<i64>, out: &mut Vec<u8>) {
        let values = self.layout.kinds[kind].columns.iter().map(value).collect();
        self.rows.borrow_mut().push(values);
        out.push(0);
    }
}

/// What a frame carried.
pub(crate) struct Row {
    pub(crate) seconds: f64,
    values: Vec<(Channel, Option<i64>)>,
}

impl Row {
    pub(crate) fn raw(&self, quantity: Quantity, place: u16) -> Option<i64> {
        let channel = Channel { quantity, place };
        self.values.iter().find(|(known, _)| *known == channel).and_then(|(_, value)| *value)
    }

    pub(crate) fn at_place(&self, quantity: Quantity, place: u16) -> Option<f64> {
        self.raw(quantity, place).map(|nanos| nanos as f64 / 1e9)
    }

    pub(crate) fn volts(&self, quantity: Quantity) -> f64 {
        self.at_place(quantity, 0).expect("a value")
    }
}

/// All cells in volts.
pub(crate) fn cells_of(row: &Row) -> Vec<f64> {
    (1..=24).filter_map(|place| row.at_place(Quantity::CellVoltage, place)).collect()
}

/// The values of each frame of so many seconds of a scene with 24 cells and 6 sensors.
pub(crate) fn run(scene: &Scene, faults: &[Fault], seconds: u64) -> Vec<Row> {
    let notes = Notes { layout: layout(24, 6), rows: RefCell::default() };
    let until = model::SessionTime::from_millis(seconds * 1000);
    let times: Vec<_> = Telegrams::new(scene, faults, &notes).until(until).map(|telegram| telegram.at).collect();
    let channels: Vec<Channel> = notes.layout.kinds[0].columns.iter().map(|column| column.channel).collect();
    let rows = notes.rows.into_inner();
    assert_eq!(times.len(), rows.len());
    times
        .into_iter()
        .zip(rows)
        .map(|(at, values)| Row {
            seconds: at.nanos as f64 / 1e9,
            values: channels.iter().copied().zip(values).collect(),
        })
        .collect()
}

/// `AA 55`, kind, each value as 16 bits (FFFF for absent), and the sum of what is before.
#[derive(Clone)]
pub(crate) struct ByHand {
    pub(crate) layout: Layout,
    pub(crate) line: LineSettings,
}

impl ByHand {
    /// Two kinds of 64 bytes every 100 ms: 24 cells with 6 more values, and a counter with 29 cells.
    pub(crate) fn new() -> Self {
        let millivolts = Scale::of_unit(Unit::parse("mV").expect("a unit"));
        let cells = |count| (1..=count).map(|place| Channel::at(Quantity::CellVoltage, place));
        let sized = |channels: Vec<Channel>| -> Vec<ColumnLayout> {
            channels
                .into_iter()
                .map(|channel| ColumnLayout { scale: Conversion::Linear(millivolts), bits: 16, ..column(channel) })
                .collect()
        };
        let rest = [Quantity::Current, Quantity::PackVoltage, Quantity::BusVoltage, Quantity::DeviceTime];
        let mut first: Vec<Channel> = cells(24).collect();
        first.extend((1..=2).map(|place| Channel::at(Quantity::Temperature, place)));
        first.extend(rest.map(Channel::whole));
        let mut second = vec![Channel::whole(Quantity::FrameCounter)];
        second.extend(cells(29));
        let kind = |name: &str, every, channels| KindLayout {
            name: name.into(),
            every,
            verified: true,
            columns: sized(channels),
        };
        let every = Some(std::time::Duration::from_millis(100));
        let kinds = vec![kind("first", every, first), kind("second", None, second)];
        Self { layout: Layout { protocol: "by hand".into(), kinds }, line: LineSettings::new(115_200) }
    }
}

impl FrameMaker for ByHand {
    fn layout(&self) -> &Layout {
        &self.layout
    }

    fn line(&self) -> LineSettings {
        self.line
    }

    fn frame(&self, kind: usize, value: &mut dyn FnMut(&ColumnLayout) -> Option<i64>, out: &mut Vec<u8>) {
        out.extend([0xAA, 0x55, kind as u8]);
        for column in &self.layout.kinds[kind].columns {
            let counter = column.channel.quantity == Quantity::FrameCounter;
            let sent = match value(column) {
                None => 0xFFFF,
                Some(number) if counter => number as u16,
                Some(nanos) => column.scale.raw(nanos, (i64::MIN.into(), i64::MAX.into())).unwrap_or(0) as u16,
            };
            out.extend(sent.to_be_bytes());
        }
        out.push(out.iter().fold(0, |sum, byte| sum ^ byte));
    }
}
