//! A line and a pack made by hand: rows in, event lines out. No parser.
#![allow(clippy::unwrap_used, reason = "the figures of a test are its own")]
#![allow(dead_code, reason = "each test uses a part of it")]

use std::time::Duration;

use model::{
    Batch, ByteRange, Channel, Column, ColumnLayout, Decimal, Flag, Item, KindLayout, Layout, Meaning, Means, Quantity,
    Raw, Reason, Rejected, Rows, Scale, SessionTime, State, Times, Unit, Values,
};
use rules::{EventKind, Judge, Outcome, Pack, Setup, Verdict};

/// Four cells of 40 Ah and two sensors; the limits are the chemistry's.
pub(crate) const PACK: &str = r#"
pack = "test"
chemistry = "NMC"
cells = 4
capacity = "40 Ah"
resistance = "1 mohm"
temperatures = ["front", "back"]
"#;

pub(crate) fn pack(text: &str) -> Pack {
    let (pack, faults) = Pack::parse(text);
    pack.unwrap_or_else(|| panic!("{faults:?}"))
}

pub(crate) fn column(part: &str, channel: Channel, unit: &str, factor: &str, bits: u8) -> ColumnLayout {
    let (unit, factor) = (Unit::parse(unit).unwrap_or(Unit::NUMBER), Decimal::parse(factor).expect("a decimal"));
    let scale = Scale::new(unit, factor, Decimal::ZERO).expect("a scale");
    let scale = model::Conversion::Linear(scale);
    ColumnLayout { part: part.to_owned(), repeat: 0, channel, scale, bits, meaning: Meaning::Number, scan: None }
}

pub(crate) fn whole(part: &str, quantity: Quantity, unit: &str, factor: &str, bits: u8) -> ColumnLayout {
    column(part, Channel::whole(quantity), unit, factor, bits)
}

pub(crate) fn cell(place: u16) -> ColumnLayout {
    column("cell", Channel::at(Quantity::CellVoltage, place), "mV", "1", 16)
}

pub(crate) fn sensor(place: u16) -> ColumnLayout {
    column("temperature", Channel::at(Quantity::Temperature, place), "degC", "0.1", 16)
}

pub(crate) fn flag(bit: u8, text: &str, set: Means, clear: Means) -> Flag {
    Flag { bit, text: text.to_owned(), set, clear, channel: None }
}

/// A word with flags: bit 0 a fault, bit 1 a warning, bit 2 balancing, bit 3 says nothing while it is set.
pub(crate) fn status(place: u16) -> ColumnLayout {
    let mut balancing = flag(2, "balancing", Means::Normal, Means::Normal);
    balancing.channel = Some(Channel::whole(Quantity::Balancing));
    let flags = vec![
        flag(0, "cell fault", Means::Fault, Means::Normal),
        flag(1, "charge low", Means::Warning, Means::Normal),
        balancing,
        flag(3, "starting", Means::Unknown, Means::Normal),
    ];
    let column = column("status", Channel::at(Quantity::Status, place), "", "1", 16);
    ColumnLayout { meaning: Meaning::Flags(flags), ..column }
}

pub(crate) fn lead_test() -> ColumnLayout {
    let state = |value, text: &str, means| State { value, text: text.to_owned(), means };
    let known = vec![
        state(0, "not run", Means::Unknown),
        state(1, "passed", Means::Normal),
        state(2, "failed", Means::Fault),
        state(3, "failed twice", Means::Fault),
    ];
    let column = whole("lead_test", Quantity::SenseLeadTest, "", "1", 8);
    ColumnLayout { meaning: Meaning::States { known, otherwise: Means::Unknown }, ..column }
}

pub(crate) fn kind(name: &str, every_ms: u64, columns: Vec<ColumnLayout>) -> KindLayout {
    KindLayout { name: name.to_owned(), every: Some(Duration::from_millis(every_ms)), verified: true, columns }
}

pub(crate) fn cells_kind() -> KindLayout {
    let mut columns =
        vec![whole("count", Quantity::FrameCounter, "", "1", 8), whole("uptime", Quantity::DeviceTime, "ms", "1", 32)];
    columns.extend((1..=4).map(cell));
    kind("cells", 50, columns)
}

pub(crate) fn pack_kind() -> KindLayout {
    let columns = vec![
        whole("pack", Quantity::PackVoltage, "V", "0.01", 16),
        whole("bus", Quantity::BusVoltage, "V", "0.01", 16),
        whole("current", Quantity::Current, "mA", "1", 32),
        sensor(1),
        sensor(2),
        status(1),
        lead_test(),
    ];
    kind("pack", 100, columns)
}

pub(crate) fn layout(kinds: Vec<KindLayout>) -> Layout {
    Layout { protocol: "test".to_owned(), kinds }
}

pub(crate) fn setup(layout: Layout) -> Setup {
    Setup { layout, settle: Duration::ZERO, times: Times::Measured, draft: false }
}

/// One row: its message kind, its time and its numbers as sent.
#[derive(Clone, Debug)]
pub(crate) struct Row {
    pub(crate) kind: usize,
    pub(crate) at: SessionTime,
    pub(crate) numbers: Vec<Option<Raw>>,
}

/// Rows as a batch in their order.
pub(crate) fn batch(kinds: usize, rows: &[Row]) -> Batch {
    let mut batch = Batch { kinds: vec![Rows::default(); kinds], ..Batch::default() };
    for row in rows {
        let Some(list) = batch.kinds.get_mut(row.kind) else { continue };
        while list.columns.len() < row.numbers.len() {
            let is_float = matches!(row.numbers.get(list.columns.len()), Some(Some(Raw::Float(_))));
            let values = if is_float { Values::F64(Vec::new()) } else { Values::I64(Vec::new()) };
            list.columns.push(Column::new(values));
        }
        for (column, number) in list.columns.iter_mut().zip(&row.numbers) {
            column.push(*number);
        }
        let index = u32::try_from(list.at.len()).expect("few rows");
        list.at.push(row.at);
        list.known_at.push(row.at);
        list.bytes.push(ByteRange { start: 0, end: 20 });
        batch.order.push(Item::Row { kind: u16::try_from(row.kind).expect("few kinds"), row: index });
    }
    batch
}

/// A run of bytes that are no frame, as a batch.
pub(crate) fn damage(kinds: usize, at: SessionTime, bytes: u64) -> Batch {
    let rejected = Rejected { known_at: at, bytes: ByteRange { start: 0, end: bytes }, reason: Reason::Skipped };
    Batch { kinds: vec![Rows::default(); kinds], order: vec![Item::Rejected(0)], rejected: vec![rejected] }
}

/// What the judge said, as lines.
pub(crate) fn lines(judge: &mut Judge) -> Vec<String> {
    judge
        .take_events()
        .into_iter()
        .map(|event| {
            let at = event.at;
            match event.kind {
                EventKind::Stage { stage, .. } => format!("{at} stage {stage}"),
                EventKind::Alarm { alarm, change } => {
                    format!("{at} {} {} {}: {}", change.name(), alarm.severity.name(), alarm.check, alarm.text)
                }
                EventKind::Finding { finding, change } => {
                    format!(
                        "{at} finding {} {} {} {}",
                        change.name(),
                        finding.confidence.name(),
                        finding.cause,
                        finding.place()
                    )
                }
                EventKind::Link { change, text } => format!("{at} link {}: {text}", change.name()),
                EventKind::Note { text } => format!("{at} note {text}"),
                EventKind::Verdict(verdict) => format!("{at} verdict {}", verdict.outcome.name()),
            }
        })
        .collect()
}

/// A BMS that sends the same values again and again until the test changes them.
pub(crate) struct Bench {
    pub(crate) judge: Judge,
    pub(crate) layout: Layout,
    pub(crate) now: u64,
    /// By channel, as sent; a missing channel is sent as absent.
    pub(crate) cells: Vec<Option<i64>>,
    /// By how much cell 4 moves to and fro, so that values live.
    pub(crate) flutter: i64,
    pub(crate) current: Option<i64>,
    pub(crate) pack: Option<i64>,
    pub(crate) bus: Option<i64>,
    pub(crate) sensors: Vec<Option<i64>>,
    pub(crate) status: Option<i64>,
    pub(crate) leads: Option<i64>,
    /// Frames that were counted, by message kind.
    pub(crate) counts: Vec<i64>,
    pub(crate) counting: bool,
    /// What the device's clock shows beyond the session's time, in ms.
    pub(crate) uptime: i64,
    /// Kinds that are not sent.
    pub(crate) silent: Vec<usize>,
    /// Without rejected bytes: kinds whose next frames are lost on the way.
    pub(crate) lost: Vec<usize>,
    /// Frames that were sent, by message kind.
    sent: Vec<u64>,
}

impl Bench {
    /// A sound pack at rest with this pack file and these message kinds; sends nothing yet.
    pub(crate) fn of(pack_text: &str, kinds: Vec<KindLayout>) -> Self {
        Self::with(pack_text, setup(layout(kinds)))
    }

    pub(crate) fn with(pack_text: &str, setup: Setup) -> Self {
        let layout = setup.layout.clone();
        let mut judge = Judge::new(pack(pack_text), setup);
        judge.opened("a test");
        judge.take_events();
        Self {
            judge,
            now: 0,
            cells: vec![Some(4000); 4],
            flutter: 1,
            current: Some(50),
            pack: Some(1605),
            bus: Some(0),
            sensors: vec![Some(250), Some(252)],
            status: Some(0),
            leads: Some(1),
            counts: vec![0; layout.kinds.len()],
            counting: true,
            uptime: 0,
            silent: Vec::new(),
            lost: Vec::new(),
            sent: vec![0; layout.kinds.len()],
            layout,
        }
    }

    /// The usual line and pack.
    pub(crate) fn new() -> Self {
        Self::of(PACK, vec![cells_kind(), pack_kind()])
    }

    /// The usual line with lines added to the pack file.
    pub(crate) fn packed(more: &str) -> Self {
        Self::of(&format!("{PACK}{more}"), vec![cells_kind(), pack_kind()])
    }

    fn number(&self, kind: usize, channel: Channel) -> Option<i64> {
        let place = usize::from(channel.place).saturating_sub(1);
        match channel.quantity {
            Quantity::CellVoltage => {
                let value = self.cells.get(place).copied().flatten()?;
                let moves = place == 3 && self.sent[kind].is_multiple_of(2);
                Some(if moves { value + self.flutter } else { value })
            }
            Quantity::Temperature => self.sensors.get(place).copied().flatten(),
            Quantity::PackVoltage => self.pack,
            Quantity::BusVoltage => self.bus,
            Quantity::Current => self.current,
            Quantity::Status => self.status,
            Quantity::SenseLeadTest => self.leads,
            Quantity::FrameCounter => Some(self.counts[kind] & 0xFF),
            Quantity::DeviceTime => Some(i64::try_from(self.now).expect("a short session") + self.uptime),
            Quantity::StateOfCharge | Quantity::Balancing => Some(0),
        }
    }

    /// Sends one frame of a kind now.
    pub(crate) fn send(&mut self, kind: usize) {
        if self.counting {
            self.counts[kind] += 1;
        }
        if self.lost.contains(&kind) {
            return;
        }
        let channels: Vec<Channel> = self.layout.kinds[kind].columns.iter().map(|column| column.channel).collect();
        let numbers = channels.iter().map(|channel| self.number(kind, *channel).map(|n| Raw::Int(n.into()))).collect();
        let row = Row { kind, at: SessionTime::from_millis(self.now), numbers };
        self.judge.batch(&batch(self.layout.kinds.len(), &[row]));
        self.sent[kind] += 1;
    }

    /// Sends everything at its period from now up to this time (ms), which is reached but not sent at.
    pub(crate) fn run(&mut self, until: u64) -> &mut Self {
        while self.now < until {
            for kind in 0..self.layout.kinds.len() {
                let every = self.layout.kinds[kind].every.map_or(100, |every| every.as_millis());
                if u128::from(self.now).is_multiple_of(every) && !self.silent.contains(&kind) {
                    self.send(kind);
                }
            }
            self.now += 10;
        }
        self.judge.advance(SessionTime::from_millis(self.now));
        self
    }

    /// Sends nothing up to this time (ms).
    pub(crate) fn quiet(&mut self, until: u64) -> &mut Self {
        self.now = until;
        self.judge.advance(SessionTime::from_millis(until));
        self
    }

    /// The lines since the last call that contain a word, without those of the verdict unless it is asked for.
    pub(crate) fn lines(&mut self, word: &str) -> Vec<String> {
        let keep = |line: &String| line.contains(word) && (word.contains("verdict") || !line.contains(" verdict "));
        lines(&mut self.judge).into_iter().filter(keep).collect()
    }

    pub(crate) fn verdict(&self) -> Verdict {
        self.judge.verdict()
    }

    pub(crate) fn outcome(&self) -> Outcome {
        self.verdict().outcome
    }

    /// `no data: too few frames`, for a check by its name.
    pub(crate) fn result(&self, check: &str) -> String {
        let verdict = self.verdict();
        let result = verdict.checks.iter().find(|result| result.check.name() == check);
        result.map_or(String::new(), |result| format!("{}: {}", result.result.name(), result.why))
    }
}
