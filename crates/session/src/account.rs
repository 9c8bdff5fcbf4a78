//! One session as plain data, for a report or a comparison: a replay that keeps what is told of it.
//!
//! Memory does not grow with the session: values are kept as [`Tracks`], lists have an end.

use std::sync::Arc;

use model::{
    Batch, ByteRange, Channel, Column, ColumnLayout, Conversion, Decimal, Input, Item, KindLayout, Layout, Meaning,
    Quantity, Rows, Scale, SessionHeader, SessionTime, Unit, Values,
};
use report::{Account, AlarmLine, Conditions, FileFacts, List, Plot, PlotBar, PlotLine, Span, StageLine, TextLine};
use rules::{AlarmChange, EventKind, Pack};

use crate::engine::{Engine, SessionEvent, Unusable};
use crate::replay::replay;
use crate::tracks::{Bar, Tracks};

/// Columns of a plot: a page is no wider.
const COLUMNS: u32 = 360;
/// All lines of a plot have no more bars than this together.
const MOST_BARS: u32 = 18_000;
/// What no sensor reads that has a temperature, in billionths of a degree: as the findings about sensors have it.
const POSSIBLE: std::ops::RangeInclusive<i64> = -39_900_000_000..=120_000_000_000;
/// Nothing is known of the current in a longer pause between readings, in seconds.
const PAUSE: f64 = 1.0;

/// Judges a session again and tells what came of it. What is known of its file stands in `file`; what is missing or
/// damaged in it is known when all inputs are read, and is for the caller to add.
///
/// # Errors
/// The protocol or the pack text can't be used.
pub fn account(
    header: SessionHeader,
    file: FileFacts,
    inputs: impl Iterator<Item = Input>,
) -> Result<Account, Unusable> {
    let mut engine = Engine::new(header)?;
    let mut told = Told::default();
    let mut values = Gathered::new(engine.protocol().layout(), engine.judge().pack());
    let end = replay(&mut engine, inputs, &mut |event, _| told.take(event), &mut |batch| values.take(batch));
    let (header, judge, protocol) = (engine.header(), engine.judge(), engine.protocol());
    let pack = Arc::new(judge.pack().clone());
    let times = |number: u32| usize::try_from(number).ok().and_then(|number| told.alarms.get(number.checked_sub(1)?));
    let alarm = |alarm: &rules::Alarm| {
        let (raised, returned_at) = times(alarm.number).copied().unwrap_or((1, None));
        AlarmLine { alarm: alarm.clone(), raised, returned_at }
    };
    Ok(Account {
        file,
        source: header.source.clone(),
        practice: header.practice,
        times: header.times,
        started_utc_nanos: header.started_utc_nanos,
        recorded_by: header.tool_version.clone(),
        host: header.host.clone(),
        protocol: (protocol.name().to_owned(), protocol.summary().to_owned()),
        protocol_text: header.protocol_text.as_str().into(),
        end: end.last_at,
        complete: end.complete,
        link_lost: judge.link_was_lost(),
        verdict: judge.verdict(),
        alarms: judge.alarms().iter().map(alarm).collect(),
        findings: judge.findings().to_vec(),
        hand: judge.preparation(),
        figures: judge.figures(),
        held: judge.held(),
        extremes: values.extremes(end.last_at),
        plots: values.plots(end.last_at),
        conditions: values.conditions(&pack),
        stages: told.stages,
        notes: told.notes,
        link: told.link,
        pack,
    })
}

/// What the rules said.
#[derive(Debug, Default)]
struct Told {
    stages: List<StageLine>,
    /// Of each alarm: how often it was raised, and when its condition last went.
    alarms: Vec<(u32, Option<SessionTime>)>,
    notes: List<TextLine>,
    link: List<TextLine>,
}

impl Told {
    fn take(&mut self, event: &SessionEvent) {
        let SessionEvent::Rules(event) = event else { return };
        let at = event.at;
        match &event.kind {
            EventKind::Stage { stage, why } => self.stages.push(StageLine { at, stage: *stage, why: why.clone() }),
            EventKind::Alarm { alarm, change } => self.take_alarm(alarm.number, *change, at),
            EventKind::Note { text } => self.notes.push(TextLine { at, text: text.clone() }),
            EventKind::Link { change, text } => {
                let text =
                    if text.is_empty() { change.name().to_owned() } else { format!("{}: {text}", change.name()) };
                self.link.push(TextLine { at, text });
            }
            // As they are at the end, they come from the judge.
            EventKind::Finding { .. } | EventKind::Verdict(_) => {}
        }
    }

    fn take_alarm(&mut self, number: u32, change: AlarmChange, at: SessionTime) {
        let Some(index) = usize::try_from(number).ok().and_then(|number| number.checked_sub(1)) else { return };
        if self.alarms.len() <= index {
            self.alarms.resize(index + 1, (0, None));
        }
        let Some((raised, returned)) = self.alarms.get_mut(index) else { return };
        match change {
            AlarmChange::Raised => {
                *raised = raised.saturating_add(1);
                *returned = None;
            }
            AlarmChange::Worse => *returned = None,
            AlarmChange::Returned | AlarmChange::Withdrawn => *returned = Some(at),
            AlarmChange::Acknowledged | AlarmChange::Shelved | AlarmChange::Unshelved => {}
        }
    }
}

/// The values of all rows, in bounded memory.
#[derive(Debug)]
struct Gathered {
    layout: Layout,
    tracks: Tracks,
    apart: Option<Apart>,
    current: Option<(SessionTime, f64)>,
    ampere_squared_seconds: f64,
    ampere_seconds: f64,
    first_temperatures: Vec<Option<i64>>,
}

impl Gathered {
    fn new(layout: &Layout, pack: &Pack) -> Self {
        Self {
            tracks: Tracks::new(layout),
            apart: Apart::new(layout, pack.cells()),
            layout: layout.clone(),
            current: None,
            ampere_squared_seconds: 0.0,
            ampere_seconds: 0.0,
            first_temperatures: vec![None; pack.temperatures().len()],
        }
    }

    fn take(&mut self, batch: &Batch) {
        self.tracks.push(batch);
        if let Some(apart) = &mut self.apart {
            apart.take(&self.layout, batch);
        }
        for (kind, rows) in self.layout.kinds.iter().zip(&batch.kinds) {
            for (about, column) in kind.columns.iter().zip(&rows.columns) {
                match about.channel.quantity {
                    Quantity::Current => {
                        for (row, at) in rows.at.iter().enumerate() {
                            let Some(nanos) = column.nanos(row, &about.scale) else { continue };
                            let amperes = nanos as f64 * 1e-9;
                            if let Some((before, was)) = self.current {
                                let seconds = at.since(before).as_secs_f64();
                                let seconds = if seconds <= PAUSE { seconds } else { 0.0 };
                                self.ampere_squared_seconds += was * was * seconds;
                                self.ampere_seconds += was * seconds;
                            }
                            self.current = Some((*at, amperes));
                        }
                    }
                    Quantity::Temperature => {
                        let slot = usize::from(about.channel.place).checked_sub(1);
                        let slot = slot.and_then(|slot| self.first_temperatures.get_mut(slot));
                        if let Some(first @ None) = slot {
                            *first = (0..rows.at.len()).find_map(|row| column.nanos(row, &about.scale));
                        }
                    }
                    _ => {}
                }
            }
        }
    }

    fn conditions(&self, pack: &Pack) -> Conditions {
        debug_assert_eq!(self.first_temperatures.len(), pack.temperatures().len());
        let possible = || self.first_temperatures.iter().flatten().filter(|nanos| POSSIBLE.contains(nanos));
        let (count, sum) = possible().fold((0.0, 0.0), |(count, sum), nanos| (count + 1.0, sum + *nanos as f64 * 1e-9));
        Conditions {
            first_celsius: (0.0 < count).then(|| sum / count),
            first_temperatures: self.first_temperatures.clone(),
            ampere_squared_seconds: self.ampere_squared_seconds,
            ampere_hours: self.ampere_seconds / 3600.0,
        }
    }

    fn channels(&self, wanted: impl Fn(Quantity) -> bool) -> Vec<Channel> {
        let mut channels = self.tracks.channels();
        channels.retain(|channel| wanted(channel.quantity));
        channels.sort_unstable();
        channels
    }

    fn extremes(&self, end: SessionTime) -> Vec<(Channel, Span)> {
        let plain = |quantity| {
            use Quantity::{BusVoltage, CellVoltage, Current, PackVoltage, StateOfCharge, Temperature};
            matches!(quantity, CellVoltage | Temperature | PackVoltage | BusVoltage | Current | StateOfCharge)
        };
        let channels = self.channels(plain);
        let all = self.tracks.bars(&channels, whole(end), 1);
        let span = |bars: Vec<Bar>| bars.iter().map(span).reduce(Span::with);
        channels.into_iter().zip(all).filter_map(|(channel, bars)| Some((channel, span(bars)?))).collect()
    }

    fn plots(&self, end: SessionTime) -> Vec<Plot> {
        let mut plots = Vec::new();
        let mut add = |title: &str, (unit, unit_nanos), tracks: &Tracks, channels: Vec<Channel>| {
            let lines = lines(tracks, channels, end);
            if !lines.is_empty() {
                plots.push(Plot { title: title.to_owned(), unit, unit_nanos, lines });
            }
        };
        if let Some(Apart { tracks, .. }) = &self.apart {
            add("Each cell from the pack median", ("mV", 1_000_000), tracks, tracks.channels());
        }
        let is = |one: Quantity| move |quantity| quantity == one;
        let volts = |quantity| matches!(quantity, Quantity::PackVoltage | Quantity::BusVoltage);
        add("Pack and bus voltage", ("V", 1_000_000_000), &self.tracks, self.channels(volts));
        add("Current, discharge positive", ("A", 1_000_000_000), &self.tracks, self.channels(is(Quantity::Current)));
        add("Temperatures", ("degC", 1_000_000_000), &self.tracks, self.channels(is(Quantity::Temperature)));
        plots
    }
}

/// All of a session.
fn whole(end: SessionTime) -> std::ops::Range<SessionTime> {
    SessionTime::ZERO..SessionTime::from_nanos(end.nanos.saturating_add(1))
}

fn span(bar: &Bar) -> Span {
    Span { lowest: bar.piece.lowest, highest: bar.piece.highest }
}

fn lines(tracks: &Tracks, channels: Vec<Channel>, end: SessionTime) -> Vec<PlotLine> {
    let each = MOST_BARS / u32::try_from(channels.len().max(1)).unwrap_or(u32::MAX);
    let all = tracks.bars(&channels, whole(end), each.clamp(16, COLUMNS));
    let bar = |bar: Bar| PlotBar { from: bar.from, to: bar.to, span: span(&bar), after_gap: bar.after_gap };
    let line = |(channel, bars): (Channel, Vec<Bar>)| PlotLine { channel, bars: bars.into_iter().map(bar).collect() };
    channels.into_iter().zip(all).map(line).filter(|line| !line.bars.is_empty()).collect()
}

/// How far each cell stands from the median of its set: a set is whole when each cell came once since the last one.
#[derive(Debug)]
struct Apart {
    tracks: Tracks,
    values: Vec<Option<i64>>,
    came: Vec<bool>,
    missing: usize,
    scratch: Vec<i64>,
    batch: Batch,
    /// Per message kind: its columns with cells of the pack, and which.
    cells: Vec<Vec<(usize, usize)>>,
}

impl Apart {
    /// `None` where the line carries no cell.
    fn new(layout: &Layout, cells: u16) -> Option<Self> {
        let count = usize::from(cells);
        let of_kind = |kind: &KindLayout| {
            let columns = kind.columns.iter().enumerate();
            let cells = columns.filter(|(_, column)| column.channel.quantity == Quantity::CellVoltage);
            let slot = |(index, column): (usize, &ColumnLayout)| {
                let slot = usize::from(column.channel.place).checked_sub(1)?;
                (slot < count).then_some((index, slot))
            };
            cells.filter_map(slot).collect::<Vec<_>>()
        };
        let places: Vec<Vec<(usize, usize)>> = layout.kinds.iter().map(of_kind).collect();
        if places.iter().all(Vec::is_empty) {
            return None;
        }
        // Billionths of a volt as they are.
        let scale = Scale::new(Unit::NUMBER, Decimal::parse("1e-9")?, Decimal::ZERO)?;
        let column = |place| ColumnLayout {
            part: String::new(),
            repeat: 0,
            channel: Channel::at(Quantity::CellVoltage, place),
            scale: Conversion::Linear(scale),
            bits: 64,
            meaning: Meaning::Number,
            scan: None,
        };
        let carries = |(kind, cells): (&KindLayout, &Vec<(usize, usize)>)| kind.every.filter(|_| !cells.is_empty());
        let kind = KindLayout {
            name: String::new(),
            every: layout.kinds.iter().zip(&places).filter_map(carries).max(),
            verified: true,
            columns: (1..=cells).map(column).collect(),
        };
        let columns = vec![Column::new(Values::for_integers(64, true)); count];
        Some(Self {
            tracks: Tracks::new(&Layout { protocol: String::new(), kinds: vec![kind] }),
            values: vec![None; count],
            came: vec![false; count],
            missing: count,
            scratch: Vec::with_capacity(count),
            batch: Batch { kinds: vec![Rows { columns, ..Rows::default() }], ..Batch::default() },
            cells: places,
        })
    }

    fn take(&mut self, layout: &Layout, batch: &Batch) {
        for item in &batch.order {
            let Item::Row { kind, row } = *item else { continue };
            let (kind, row) = (usize::from(kind), row as usize);
            let Some(cells) = self.cells.get(kind).filter(|cells| !cells.is_empty()) else { continue };
            let (Some(about), Some(rows)) = (layout.kinds.get(kind), batch.kinds.get(kind)) else { continue };
            let mut anew = false;
            for (column, slot) in cells {
                let (Some(about), Some(column)) = (about.columns.get(*column), rows.columns.get(*column)) else {
                    continue;
                };
                if !column.is_carried(row) {
                    continue;
                }
                let (Some(value), Some(came)) = (self.values.get_mut(*slot), self.came.get_mut(*slot)) else {
                    continue;
                };
                if *came && !anew {
                    // A part that comes twice first: the set before stays incomplete.
                    anew = true;
                    self.missing = self.came.len();
                    self.came.fill(false);
                }
                let Some(came) = self.came.get_mut(*slot) else { continue };
                if !std::mem::replace(came, true) {
                    self.missing -= 1;
                }
                *value = column.nanos(row, &about.scale);
            }
            if self.missing == 0 {
                self.missing = self.came.len();
                self.came.fill(false);
                let at = rows.at.get(row).copied().unwrap_or_default();
                let bytes = rows.bytes.get(row).copied().unwrap_or(ByteRange { start: 0, end: 0 });
                self.put(at, bytes);
            }
        }
        self.tracks.push(&self.batch);
        self.batch.clear();
    }

    fn put(&mut self, at: SessionTime, bytes: ByteRange) {
        self.scratch.clear();
        self.scratch.extend(self.values.iter().flatten());
        let Some(median) = rules::statistics::median(&mut self.scratch) else { return };
        let Some(rows) = self.batch.kinds.first_mut() else { return };
        rows.at.push(at);
        rows.known_at.push(at);
        rows.bytes.push(bytes);
        for (column, value) in rows.columns.iter_mut().zip(&self.values) {
            column.push_small(value.map(|value| value.saturating_sub(median)));
        }
    }
}
