//! One session as plain data: what a report and a comparison are made of.

use std::sync::Arc;

use model::{Channel, SessionTime, Times};
use rules::{Alarm, Figures, Finding, HandLine, Held, Pack, Stage, Verdict};

/// All that is told of a session that is over.
#[derive(Clone, Debug)]
pub struct Account {
    /// The file that it was read from.
    pub file: FileFacts,
    /// Where the bytes came from, as a person would name it.
    pub source: String,
    /// No real pack was judged.
    pub practice: bool,
    /// Where the times come from.
    pub times: Times,
    /// Wall time of session time zero, nanoseconds since 1970 UTC; `None` if not known.
    pub started_utc_nanos: Option<i64>,
    /// The program that made the recording, with its version.
    pub recorded_by: String,
    /// The machine that made the recording; may be empty.
    pub host: String,
    /// The name of the protocol, and what it is in one line, which may be empty.
    pub protocol: (String, String),
    /// The text of the protocol file.
    pub protocol_text: Arc<str>,
    /// The pack that it was judged by.
    pub pack: Arc<Pack>,
    /// The time of the last input.
    pub end: SessionTime,
    /// The recording has its end.
    pub complete: bool,
    /// The link was lost at some time.
    pub link_lost: bool,
    /// The answer at the end.
    pub verdict: Verdict,
    /// When each stage began and what showed it, oldest first.
    pub stages: List<StageLine>,
    /// Every alarm, in the order in which they were first raised.
    pub alarms: Vec<AlarmLine>,
    /// Every finding, those that were withdrawn as well.
    pub findings: Vec<Finding>,
    /// Every check before power as it stood at the end, in the order in which they are done.
    pub hand: Vec<HandLine>,
    /// What the person marked or entered.
    pub notes: List<TextLine>,
    /// What became of the link: opened, lost, the clock jumped.
    pub link: List<TextLine>,
    /// The numbers of each cell, each sensor and the line.
    pub figures: Figures,
    /// What was held against each limit.
    pub held: Held,
    /// The lowest and the highest value of each channel with a plain value.
    pub extremes: Vec<(Channel, Span)>,
    /// Warmest and coldest sensor in the first seconds, the heat of the current: what a comparison must know.
    pub conditions: Conditions,
    /// The values over time.
    pub plots: Vec<Plot>,
}

/// The file of a session.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct FileFacts {
    /// Its name without the folder.
    pub name: String,
    /// Its length.
    pub bytes: u64,
    /// Its SHA-256 in hexadecimal; `None` if it could not be read again.
    pub sha256: Option<String>,
    /// What is missing or damaged in it, in words.
    pub damage: Vec<String>,
    /// Other texts than its own were used to judge it: which, in words.
    pub otherwise: Vec<String>,
}

/// A list that does not grow without end.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct List<T> {
    /// The first ones, oldest first.
    pub first: Vec<T>,
    /// How many more there were.
    pub more: u64,
}

impl<T> Default for List<T> {
    fn default() -> Self {
        Self { first: Vec::new(), more: 0 }
    }
}

impl<T> List<T> {
    /// So many are kept.
    pub const MOST: usize = 500;

    /// Takes one more.
    pub fn push(&mut self, item: T) {
        if self.first.len() < Self::MOST {
            self.first.push(item);
        } else {
            self.more += 1;
        }
    }
}

/// A stage that began.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct StageLine {
    /// When.
    pub at: SessionTime,
    /// Which.
    pub stage: Stage,
    /// What shows it.
    pub why: String,
}

/// An alarm with its times.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct AlarmLine {
    /// The alarm as it is at the end.
    pub alarm: Alarm,
    /// How often it was raised.
    pub raised: u32,
    /// When its condition last went; `None` if it never did.
    pub returned_at: Option<SessionTime>,
}

/// Something that was said at a time.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct TextLine {
    /// When.
    pub at: SessionTime,
    /// In words.
    pub text: String,
}

/// The lowest and the highest of something, in billionths of the base unit.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Span {
    /// The lowest.
    pub lowest: i64,
    /// The highest.
    pub highest: i64,
}

impl Span {
    /// One value.
    pub fn of(nanos: i64) -> Self {
        Self { lowest: nanos, highest: nanos }
    }

    /// Both together.
    #[must_use]
    pub fn with(self, other: Self) -> Self {
        Self { lowest: self.lowest.min(other.lowest), highest: self.highest.max(other.highest) }
    }
}

/// What two sessions must have alike for some of their numbers to be compared.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Conditions {
    /// The mean of all sensors at their first whole reading, in degrees Celsius, sensors that read no possible temperature
    /// left out; `None` of none.
    pub first_celsius: Option<f64>,
    /// Each sensor's first value in billionths of a degree, number 1 first.
    pub first_temperatures: Vec<Option<i64>>,
    /// The sum of the current's square over time, in ampere squared seconds: what heats the cells.
    pub ampere_squared_seconds: f64,
    /// What was drawn, less what was given back, in ampere-hours.
    pub ampere_hours: f64,
}

/// Values over time on one scale.
#[derive(Clone, PartialEq, Debug)]
pub struct Plot {
    /// What it shows.
    pub title: String,
    /// The unit of its scale.
    pub unit: &'static str,
    /// Billionths of the base unit in one of that unit: 1 000 000 for mV.
    pub unit_nanos: i64,
    /// One for each channel, in their order.
    pub lines: Vec<PlotLine>,
}

/// One channel over time.
#[derive(Clone, PartialEq, Debug)]
pub struct PlotLine {
    /// The channel.
    pub channel: Channel,
    /// In the order of time.
    pub bars: Vec<PlotBar>,
}

/// The rows of one column of a plot: no value between its times lies outside it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct PlotBar {
    /// The time of its first row.
    pub from: SessionTime,
    /// The time of its last row.
    pub to: SessionTime,
    /// Of its rows, in billionths of the base unit.
    pub span: Span,
    /// Nothing came for a while before it: no line leads to it.
    pub after_gap: bool,
}

impl Account {
    /// Something is missing in the recording.
    pub fn is_incomplete(&self) -> bool {
        !self.complete || !self.file.damage.is_empty()
    }

    /// The lowest and highest of a channel; `None` if it never had a value.
    pub fn extreme(&self, channel: Channel) -> Option<Span> {
        self.extremes.iter().find(|(known, _)| *known == channel).map(|(_, span)| *span)
    }
}
