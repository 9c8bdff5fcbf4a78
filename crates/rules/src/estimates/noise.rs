//! How much readings scatter from one to the next.

use model::SessionTime;

use super::Estimate;

/// Why there is no estimate of noise.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum NoNoise {
    /// There is no such channel.
    NoChannel,
    /// Fewer differences than needed.
    TooFew {
        /// Differences there are.
        have: usize,
    },
}

/// The noise of each of some channels, from the differences between neighbouring readings.
#[derive(Clone, Debug)]
pub struct Noise {
    step: f64,
}

impl Noise {
    /// For so many channels, whose readings have a step of `step_nanos` billionths.
    pub fn new(_channels: usize, step_nanos: i64) -> Self {
        Self { step: step_nanos as f64 }
    }

    /// A reading of every channel, in billionths; `None` where it is absent. A set that repeats the last is no update
    /// and is left out.
    pub fn set(&mut self, _at: SessionTime, _values: &[Option<i64>]) {}

    /// The standard deviation of one reading of a channel (from 0), in base units; never below step / sqrt(12).
    pub fn of(&self, _channel: usize) -> Result<Estimate, NoNoise> {
        Err(NoNoise::TooFew { have: self.step as usize })
    }

    /// The median over the channels that have one, in base units; `None` if none has.
    pub fn typical(&self) -> Option<f64> {
        None
    }
}
