//! How fast values change: drift of cells at rest, heating, time to a limit.

use std::time::Duration;

use model::SessionTime;

use super::Estimate;

/// What to look back on.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Window {
    /// Everything since the last [`Trend::restart`].
    Everything,
    /// About so much of the newest.
    Newest(Duration),
}

/// Why there is no trend.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum NoTrend {
    /// There is no such channel.
    NoChannel,
    /// Too few readings, or over too short a time.
    TooShort {
        /// How long there were readings.
        have: Duration,
    },
}

/// Straight lines through the newest values of some channels.
#[derive(Clone, Debug)]
pub struct Trend {}

impl Trend {
    /// For so many channels whose readings have this step, in billionths.
    pub fn new(_channels: usize, _step: i64, _window: Window) -> Self {
        Self {}
    }

    /// Forgets everything: call when what came before is of another kind, such as a load before a rest.
    pub fn restart(&mut self) {}

    /// A value of every channel, in billionths; `None` where it is absent.
    pub fn set(&mut self, _at: SessionTime, _values: &[Option<i64>]) {}

    /// The change of a channel (from 0) in base units per hour.
    pub fn per_hour(&self, _channel: usize) -> Result<Estimate, NoTrend> {
        Err(NoTrend::NoChannel)
    }

    /// The value of a channel now, on the line, in base units.
    pub fn now(&self, _channel: usize) -> Result<Estimate, NoTrend> {
        Err(NoTrend::NoChannel)
    }

    /// The seconds until a rising channel gets to `limit` (base units) on the line.
    pub fn time_to(&self, _channel: usize, _limit: f64) -> Result<TimeTo, NoTrend> {
        Err(NoTrend::NoChannel)
    }
}

/// When a limit will be reached.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum TimeTo {
    /// It is reached.
    Reached,
    /// In so many seconds.
    In(Estimate),
    /// It does not rise by more than twice the uncertainty: no time can be told.
    NotRising,
}
