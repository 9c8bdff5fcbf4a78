//! How a serial line is set, and how long a byte takes on it.

use std::time::Duration;

/// Bits of data in a byte.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[allow(missing_docs, reason = "named as what they are")]
pub enum DataBits {
    Seven,
    Eight,
}

/// The parity bit.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[allow(missing_docs, reason = "named as what they are")]
pub enum Parity {
    None,
    Odd,
    Even,
}

/// Stop bits after a byte.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[allow(missing_docs, reason = "named as what they are")]
pub enum StopBits {
    One,
    Two,
}

/// Flow control.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[allow(missing_docs, reason = "named as what they are")]
pub enum FlowControl {
    None,
    Hardware,
    Software,
}

/// What to do with a modem line when the port is opened.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ModemLine {
    /// Leave it as the system sets it.
    Leave,
    /// Pull it low.
    Low,
    /// Drive it high.
    High,
}

/// The settings of a serial line.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct LineSettings {
    /// Bits a second.
    pub baud: u32,
    /// Bits of data in a byte.
    pub data_bits: DataBits,
    /// The parity bit.
    pub parity: Parity,
    /// Stop bits after a byte.
    pub stop_bits: StopBits,
    /// Flow control.
    pub flow: FlowControl,
    /// What to do with DTR on opening.
    pub dtr: ModemLine,
    /// What to do with RTS on opening.
    pub rts: ModemLine,
}

impl LineSettings {
    /// 8 data bits, no parity, one stop bit, no flow control, modem lines left alone.
    pub const fn new(baud: u32) -> Self {
        Self {
            baud,
            data_bits: DataBits::Eight,
            parity: Parity::None,
            stop_bits: StopBits::One,
            flow: FlowControl::None,
            dtr: ModemLine::Leave,
            rts: ModemLine::Leave,
        }
    }

    /// Bits that one byte takes on the line: start, data, parity and stop bits.
    pub const fn bits_per_byte(&self) -> u32 {
        let data = match self.data_bits {
            DataBits::Seven => 7,
            DataBits::Eight => 8,
        };
        let parity = match self.parity {
            Parity::None => 0,
            Parity::Odd | Parity::Even => 1,
        };
        let stop = match self.stop_bits {
            StopBits::One => 1,
            StopBits::Two => 2,
        };
        1 + data + parity + stop
    }

    /// How long `bytes` take back to back, rounded down to a nanosecond; zero if the baud rate is zero.
    pub fn time_of(&self, bytes: u64) -> Duration {
        if self.baud == 0 {
            return Duration::ZERO;
        }
        let nanos = u128::from(bytes) * u128::from(self.bits_per_byte()) * 1_000_000_000 / u128::from(self.baud);
        Duration::from_nanos(u64::try_from(nanos).unwrap_or(u64::MAX))
    }
}

impl std::fmt::Display for LineSettings {
    /// `115200 8N1`
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let data = match self.data_bits {
            DataBits::Seven => 7,
            DataBits::Eight => 8,
        };
        let parity = match self.parity {
            Parity::None => 'N',
            Parity::Odd => 'O',
            Parity::Even => 'E',
        };
        let stop = match self.stop_bits {
            StopBits::One => 1,
            StopBits::Two => 2,
        };
        write!(f, "{} {data}{parity}{stop}", self.baud)
    }
}
