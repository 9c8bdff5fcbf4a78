//! What crosses the edges between the crates: quantities, channels, session time, columns, batches and inputs.
//!
//! Invariants: no I/O, no clock, no threads, no file format.
//! None of these types derives a serialization: each file format has row types of its own at its own edge.
//!
//! ```
//! use model::{Amount, Dimension, Scale, Unit};
//!
//! // 4200 mV as sent equals a limit of "4.20 V", exactly.
//! let sent = Scale::of_unit(Unit::parse("mV").unwrap()).nanos(4200);
//! let limit = Amount::parse("4.20 V").unwrap();
//! assert_eq!(limit.dimension, Dimension::Voltage);
//! assert_eq!(sent, Some(limit.nanos));
//! ```

mod batch;
mod channel;
mod curve;
mod fault;
mod float_scale;
mod hand;

mod input;
mod layout;
mod line;
mod quantity;
mod scale;
mod time;

pub use batch::{Batch, ByteRange, Column, Item, Raw, Reason, Rejected, Rows, Values};
pub use channel::{Channel, Quantity};
pub use curve::{Conversion, Curve, Sensing, Thermistor};
pub use fault::{Fault, Level, closest};
pub use float_scale::FloatScale;
pub use hand::{HandGroup, HandItem, HandOutcome, HandReading};
pub use input::{Command, Input, InputKind, LineErrorKind, SessionHeader, Times};
pub use layout::{ColumnLayout, Flag, KindLayout, Layout, Meaning, Means, State};
pub use line::{DataBits, FlowControl, LineSettings, ModemLine, Parity, StopBits};
pub use quantity::{Amount, AmountError, Decimal, Dimension, Unit, format_nanos, format_nanos_exact};
pub use scale::Scale;
pub use time::{SessionTime, TICK};
