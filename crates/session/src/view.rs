//! Collects what a snapshot shows from the events, batches and the engine of a session.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use model::{Batch, Channel, Input, InputKind, Item, KindLayout, Quantity, SessionTime};
use parser::Protocol;
use rules::statistics::median;
use rules::{Alarm, AlarmChange, Event, EventKind, FindingChange, LimitName, LinkChange, Outcome, Pack, Severity};

use crate::engine::{Engine, SessionEvent};
use crate::event_lines::text_line;
use crate::history::{History, Piece};
use crate::keeper::RecorderChange;
use crate::line_bytes::{LineShown, LineStatistics, Tail};
use crate::snapshot::{
    Earlier, EventLine, Facts, Limits, LineFacts, Link, Moment, MomentKind, Phase, Reading, Recording, Snapshot,
    Standing,
};

/// Events that are kept.
const EVENTS: usize = 200;
/// Moments that are kept: the first ones, since the cause lies there.
const MOMENTS: usize = 20_000;
/// Stages that are kept.
const STAGES: usize = 256;
/// A value is old after this, or after three times its period.
const PATIENCE: Duration = Duration::from_secs(1);

/// What has been seen of a session so far.
#[derive(Debug, Default)]
pub(crate) struct View {
    shown: Snapshot,
    protocol: Option<Arc<Protocol>>,
    practice: bool,
    replay: bool,
    may_ask: bool,
    tail: Tail,
    line_statistics: LineStatistics,
    line_changed: bool,
    events: VecDeque<EventLine>,
    next_event: u64,
    events_changed: bool,
    /// The last answer that is among the moments.
    outcome: Option<Outcome>,
    /// By which other texts than its own a recording is shown.
    otherwise: Option<&'static str>,
    /// Alarms since the last snapshot.
    newer_alarms: Vec<u32>,
    /// Where it is recorded, even when that is over.
    recorded_to: Option<String>,
}

impl View {
    /// Before the session began. `replay`: it is a session that was.
    pub(crate) fn new(replay: bool) -> Self {
        Self { replay, ..Self::default() }
    }

    /// The session after this one on the same source: nothing of this one is shown any more but how it ended.
    pub(crate) fn next(&mut self) {
        let shown = &self.shown;
        let earlier = Earlier {
            outcome: shown.verdict.as_ref().map(|verdict| verdict.outcome),
            length: shown.at,
            recording: self.recorded_to.take(),
            incomplete: match &shown.recording {
                Recording::Incomplete(why) => Some(why.clone()),
                Recording::Off | Recording::On(_) | Recording::Finished => None,
            },
        };
        let shown = Snapshot {
            number: shown.number,
            session: shown.session + 1,
            earlier: Some(Arc::new(earlier)),
            ..Snapshot::default()
        };
        // A number that comes again would be taken for the same line.
        *self = Self { shown, next_event: self.next_event, may_ask: self.may_ask, ..Self::new(self.replay) };
    }

    /// The person allowed that the questions of the protocol are sent.
    pub(crate) fn may_ask(&mut self) {
        self.may_ask = true;
    }

    /// Takes an input, before it is decoded.
    pub(crate) fn input(&mut self, input: &Input) {
        if input.kind != InputKind::Quiet {
            self.tail.input(input);
            self.line_statistics.input(input);
            self.line_changed = true;
        }
    }

    /// What is shown now.
    pub(crate) fn shown(&self) -> &Snapshot {
        &self.shown
    }

    /// Takes an event. Returns whether a screen should see it at once.
    pub(crate) fn event(&mut self, event: &SessionEvent, engine: &Engine) -> bool {
        if let SessionEvent::Rules(event) = event
            && let Some(moment) = moment(event, self.outcome)
        {
            if let MomentKind::Verdict(outcome) = moment.kind {
                self.outcome = Some(outcome);
            }
            // What decides is always kept.
            let decides = match moment.kind {
                MomentKind::Verdict(_) => true,
                MomentKind::Alarm { severity, .. } | MomentKind::Finding { severity, .. } => {
                    severity == Severity::Critical && self.shown.moments.len() < 2 * MOMENTS
                }
                _ => false,
            };
            if decides || !self.shown.more_moments && self.shown.moments.len() < MOMENTS {
                Arc::make_mut(&mut self.shown.moments).push(moment);
            } else if !self.shown.more_moments {
                self.shown.more_moments = true;
                self.shown.all_moments_until = moment.at;
            }
        }
        let at_once = match event {
            SessionEvent::Began(_) => {
                self.begin(engine);
                true
            }
            SessionEvent::Recorder { change, text, .. } => {
                if *change == RecorderChange::Started {
                    self.recorded_to = Some(text.clone());
                }
                self.shown.recording = match change {
                    RecorderChange::Started => Recording::On(text.clone()),
                    RecorderChange::Incomplete => Recording::Incomplete(text.clone()),
                    RecorderChange::Finished => Recording::Finished,
                };
                true
            }
            SessionEvent::Rules(event) => match &event.kind {
                EventKind::Stage { stage, .. } => {
                    let stages = Arc::make_mut(&mut self.shown.stages);
                    if STAGES <= stages.len() {
                        stages.remove(0);
                    }
                    stages.push((event.at, *stage));
                    false
                }
                EventKind::Alarm { alarm, change } => {
                    if matches!(change, AlarmChange::Raised | AlarmChange::Worse)
                        && !self.newer_alarms.contains(&alarm.number)
                    {
                        self.newer_alarms.push(alarm.number);
                    }
                    true
                }
                EventKind::Link { change, text } => {
                    match change {
                        LinkChange::Opened => {
                            self.shown.link = Link::NothingYet;
                            self.shown.remark = None;
                        }
                        LinkChange::FirstFrame => self.shown.link = Link::Frames,
                        LinkChange::Lost => self.shown.link = Link::Lost(text.clone()),
                        LinkChange::ClockStep | LinkChange::LineErrors | LinkChange::Sent => {}
                    }
                    true
                }
                EventKind::Finding { .. } | EventKind::Note { .. } | EventKind::Verdict(_) => true,
            },
        };
        self.keep_line(event, engine);
        at_once
    }

    fn begin(&mut self, engine: &Engine) {
        let header = engine.header();
        let pack = engine.judge().pack();
        self.practice = header.practice;
        self.protocol = Some(Arc::clone(engine.protocol()));
        let protocol = engine.protocol();
        self.line_statistics = LineStatistics::new(protocol.layout());
        let shown = &mut self.shown;
        shown.phase = Phase::Running;
        shown.facts = Some(Arc::new(Facts {
            source: header.source.clone(),
            practice: header.practice,
            replay: self.replay,
            otherwise: self.otherwise,
            pack: pack.name().to_owned(),
            judged_by: Arc::new(pack.clone()),
            chemistry: pack.chemistry().name(),
            sensors: pack.temperatures().to_vec(),
            line: LineFacts {
                protocol: protocol.name().to_owned(),
                summary: protocol.summary().to_owned(),
                text: header.protocol_text.as_str().into(),
                settings: protocol.line(),
                questions: protocol.asks().count(),
                may_ask: self.may_ask,
            },
        }));
        shown.cells = vec![Reading::default(); usize::from(pack.cells())];
        shown.temperatures = vec![Reading::default(); pack.temperatures().len()];
        let history = Arc::make_mut(&mut shown.history);
        history.cells.resize_with(usize::from(pack.cells()), Default::default);
        history.temperatures.resize_with(pack.temperatures().len(), Default::default);
        for kind in &engine.protocol().layout().kinds {
            for column in &kind.columns {
                if let Some((reading, _)) = slot(shown, column.channel) {
                    reading.patience = reading.patience.max(patience(kind));
                }
            }
        }
    }

    fn keep_line(&mut self, event: &SessionEvent, engine: &Engine) {
        let (at, word) = match event {
            SessionEvent::Began(_) => (SessionTime::ZERO, "session"),
            SessionEvent::Recorder { at, .. } => (*at, "recorder"),
            SessionEvent::Rules(event) => {
                let word = match event.kind {
                    EventKind::Stage { .. } => "stage",
                    EventKind::Alarm { .. } => "alarm",
                    EventKind::Finding { .. } => "finding",
                    EventKind::Link { .. } => "link",
                    EventKind::Note { .. } => "note",
                    EventKind::Verdict(_) => "verdict",
                };
                (event.at, word)
            }
        };
        let Some(line) = text_line(event, engine.header().practice) else { return };
        // The line begins with its time and its word; both stand beside the text here.
        let text = line.split_once(" s  ").map_or(line.as_str(), |(_, rest)| rest.get(9..).unwrap_or(rest)).trim();
        self.next_event += 1;
        if EVENTS <= self.events.len() {
            self.events.pop_front();
        }
        self.events.push_back(EventLine { number: self.next_event, at, word, text: text.to_owned() });
        self.events_changed = true;
    }

    /// Takes decoded values.
    pub(crate) fn batch(&mut self, batch: &Batch) {
        let Some(protocol) = &self.protocol else { return };
        self.tail.batch(batch, protocol);
        self.line_statistics.batch(batch);
        let layout = protocol.layout();
        for item in &batch.order {
            let Item::Row { kind, row } = item else { continue };
            let (kind, row) = (usize::from(*kind), *row as usize);
            let (Some(columns), Some(rows)) = (layout.kinds.get(kind), batch.kinds.get(kind)) else { continue };
            let Some(at) = rows.at.get(row) else { continue };
            for (column, values) in columns.columns.iter().zip(&rows.columns) {
                if !values.is_carried(row) {
                    continue;
                }
                let Some((reading, of)) = slot(&mut self.shown, column.channel) else { continue };
                let nanos = values.nanos(row, &column.scale);
                reading.at = Some(*at);
                reading.latest = nanos;
                let Some(nanos) = nanos else { continue };
                let piece = Piece { lowest: nanos, highest: nanos };
                reading.so_far = Some(reading.so_far.map_or(piece, |so_far| so_far.with(piece)));
                reading.newer = Some(reading.newer.map_or(piece, |newer| newer.with(piece)));
                if let Some(series) = of(Arc::make_mut(&mut self.shown.history), column.channel.place) {
                    series.push(*at, nanos);
                }
            }
        }
    }

    /// Nobody draws while time runs faster than it did: what came and went is in the history, not unseen.
    pub(crate) fn pass_over(&mut self) {
        let shown = &mut self.shown;
        let every = shown.cells.iter_mut().chain(&mut shown.temperatures);
        for reading in every.chain([&mut shown.pack, &mut shown.bus, &mut shown.current]) {
            reading.newer = None;
            reading.unseen = None;
        }
    }

    /// What is shown while a recording is judged as fast as possible: how far that is, and no answer before its end.
    pub(crate) fn judging(&mut self, thousandths: u16) -> Snapshot {
        self.shown.number += 1;
        self.shown.judged = Some(thousandths);
        Snapshot { phase: Phase::Opening, history: Arc::default(), moments: Arc::default(), ..self.shown.clone() }
    }

    /// The recording is shown by other texts than its own: which, in words.
    pub(crate) fn otherwise(&mut self, which: &'static str) {
        self.otherwise = Some(which);
    }

    /// The recording that is shown is not whole, and why.
    pub(crate) fn incomplete(&mut self, why: &str) {
        self.shown.recording = Recording::Incomplete(why.to_owned());
        self.remark(why);
    }

    /// A remark about the source.
    pub(crate) fn remark(&mut self, text: &str) {
        self.shown.remark = Some(text.to_owned());
    }

    /// The session is over.
    pub(crate) fn ended(&mut self) {
        self.shown.phase = Phase::Ended;
    }

    /// The session could not begin.
    pub(crate) fn failed(&mut self, phase: Phase) {
        self.shown.phase = phase;
    }

    /// The moment as a snapshot. `seen`: somebody took the one before.
    pub(crate) fn snapshot(&mut self, engine: &Engine, seen: bool) -> Snapshot {
        let judge = engine.judge();
        let now = judge.now();
        let shown = &mut self.shown;
        shown.number += 1;
        shown.at = now;
        shown.verdict = Some(Arc::new(judge.verdict()));
        shown.stage = Some(judge.stage());
        shown.age = judge.data_age();
        shown.frames = judge.frame_counts();
        shown.limits = Some(limits(judge.pack(), judge.cells_rest(), shown.current.latest));
        if shown.alarms.as_slice() != judge.alarms() {
            shown.alarms = Arc::new(judge.alarms().to_vec());
        }
        if std::mem::take(&mut self.line_changed) {
            let statistics = self.line_statistics.clone();
            shown.line = Arc::new(LineShown { stretch: self.tail.stretch(), statistics });
        }
        shown.meter = judge.meter();
        shown.held = judge.held();
        if std::mem::take(&mut self.events_changed) {
            // Every entry by hand is an event, and so is what it raises.
            shown.preparation = Arc::new(judge.preparation());
            shown.events = Arc::new(self.events.iter().cloned().collect());
        }
        let alarms = Arc::clone(&shown.alarms);
        stand(&mut shown.cells, Quantity::CellVoltage, now, &alarms);
        stand(&mut shown.temperatures, Quantity::Temperature, now, &alarms);
        for (reading, quantity) in [
            (&mut shown.pack, Quantity::PackVoltage),
            (&mut shown.bus, Quantity::BusVoltage),
            (&mut shown.current, Quantity::Current),
        ] {
            stand(std::slice::from_mut(reading), quantity, now, &alarms);
        }
        let fresh = |reading: &&Reading| !reading.is_old(now);
        let mut values: Vec<i64> = shown.cells.iter().filter(fresh).filter_map(|cell| cell.latest).collect();
        let whole = !values.is_empty() && values.len() == shown.cells.len();
        shown.sum = whole.then(|| values.iter().fold(0_i64, |sum, nanos| sum.saturating_add(*nanos)));
        shown.median = median(&mut values);
        // What nobody took is shown again with the next one.
        let every = shown.cells.iter_mut().chain(&mut shown.temperatures);
        for reading in every.chain([&mut shown.pack, &mut shown.bus, &mut shown.current]) {
            let newer = reading.newer.take();
            reading.unseen = match reading.unseen.filter(|_| !seen) {
                Some(unseen) => Some(newer.map_or(unseen, |newer| unseen.with(newer))),
                None => newer,
            };
        }
        if seen {
            shown.unseen_alarms.clear();
        }
        for number in self.newer_alarms.drain(..) {
            if !shown.unseen_alarms.contains(&number) {
                shown.unseen_alarms.push(number);
            }
        }
        shown.clone()
    }
}

/// What of an event one may want to go to again. `outcome`: the answer so far.
fn moment(event: &Event, outcome: Option<Outcome>) -> Option<Moment> {
    let at = event.at;
    let made = |kind, text: &str| Moment { at, kind, text: text.to_owned(), places: Vec::new(), bytes: None };
    Some(match &event.kind {
        EventKind::Stage { stage, why } => made(MomentKind::Stage(*stage), why),
        EventKind::Alarm { alarm, change } => {
            let (number, severity) = (alarm.number, alarm.severity);
            let kind = match change {
                AlarmChange::Raised | AlarmChange::Worse => MomentKind::Alarm { number, severity },
                AlarmChange::Returned | AlarmChange::Withdrawn => MomentKind::Returned { number },
                AlarmChange::Acknowledged | AlarmChange::Shelved | AlarmChange::Unshelved => return None,
            };
            Moment { places: alarm.place.into_iter().collect(), bytes: alarm.bytes, ..made(kind, &alarm.text) }
        }
        EventKind::Finding { finding, change } => {
            let (number, severity) = (finding.number, finding.severity);
            let kind = match change {
                FindingChange::Found | FindingChange::Stronger | FindingChange::Renamed => {
                    MomentKind::Finding { number, severity }
                }
                FindingChange::Withdrawn => MomentKind::Withdrawn { number },
                FindingChange::Weaker => return None,
            };
            let place = finding.place();
            let what = if place.is_empty() { String::new() } else { format!(", {place}") };
            let text = format!("{} {}{what}: {}", finding.confidence.name(), finding.cause, finding.text);
            Moment { places: finding.places.clone(), ..made(kind, &text) }
        }
        EventKind::Verdict(verdict) => {
            if outcome == Some(verdict.outcome) {
                return None;
            }
            let because = verdict.because.first().map_or("", String::as_str);
            made(MomentKind::Verdict(verdict.outcome), because)
        }
        EventKind::Link { change: LinkChange::Sent, .. } => return None,
        EventKind::Link { text, .. } | EventKind::Note { text } => made(MomentKind::Note, text),
    })
}

fn patience(kind: &KindLayout) -> Duration {
    kind.every.map_or(PATIENCE, |every| PATIENCE.max(every.saturating_mul(3)))
}

type OfHistory = fn(&mut History, u16) -> Option<&mut crate::history::Series>;

/// Where a channel is shown; `None` for what is not, such as a cell that the pack does not have.
fn slot(shown: &mut Snapshot, channel: Channel) -> Option<(&mut Reading, OfHistory)> {
    let index = usize::from(channel.place).checked_sub(1);
    match channel.quantity {
        Quantity::CellVoltage => {
            Some((shown.cells.get_mut(index?)?, |history, place| history.cells.get_mut(usize::from(place) - 1)))
        }
        Quantity::Temperature => Some((shown.temperatures.get_mut(index?)?, |history, place| {
            history.temperatures.get_mut(usize::from(place) - 1)
        })),
        Quantity::PackVoltage => Some((&mut shown.pack, |history, _| Some(&mut history.pack))),
        Quantity::BusVoltage => Some((&mut shown.bus, |history, _| Some(&mut history.bus))),
        Quantity::Current => Some((&mut shown.current, |history, _| Some(&mut history.current))),
        Quantity::StateOfCharge
        | Quantity::Status
        | Quantity::SenseLeadTest
        | Quantity::Balancing
        | Quantity::FrameCounter
        | Quantity::DeviceTime => None,
    }
}

/// How each reading stands: by the alarms that hold, never by a comparison of its own.
fn stand(readings: &mut [Reading], quantity: Quantity, now: SessionTime, alarms: &[Alarm]) {
    for (number, reading) in (1_u16..).zip(readings) {
        let about = alarms.iter().filter(|alarm| {
            let place = alarm.place.filter(|place| place.quantity == quantity);
            alarm.active && place.is_some_and(|place| place.place == number || place.place == 0)
        });
        reading.standing = match about.map(|alarm| alarm.severity).max() {
            Some(Severity::Critical) => Standing::Critical,
            Some(Severity::Warning) => Standing::Warning,
            None if reading.latest.is_none() || reading.is_old(now) => Standing::Unknown,
            None => Standing::Inside,
        };
    }
}

/// The limits in force.
fn limits(pack: &Pack, rest: bool, current: Option<i64>) -> Limits {
    let load = !rest;
    let pick = |rest, other| pack.limit(if load { other } else { rest });
    Limits {
        deviation: if load { pack.deviation_load(current.unwrap_or(0)) } else { pack.limit(LimitName::DeviationRest) },
        cell_high: pack.limit(LimitName::CellHigh),
        cell_low: pick(LimitName::CellLowRest, LimitName::CellLowLoad),
        temperature_high: pack.limit(LimitName::TemperatureHigh),
        temperature_low: pack.limit(LimitName::TemperatureLow),
    }
}
