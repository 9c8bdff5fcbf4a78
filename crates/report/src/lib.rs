//! What leaves the program: for now the session as CSV.
//!
//! Invariants: no I/O of its own, it writes to what it is given; numbers have a point and never a separator, whatever
//! the language of the machine; [`export`] on several threads writes what [`CsvWriter`] writes, byte for byte.

mod csv_rows;
mod lines;
mod parallel;
mod text;

pub use csv_rows::{CsvError, CsvWriter};
pub use parallel::export;
