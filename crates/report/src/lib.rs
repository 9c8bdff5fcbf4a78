//! What leaves the program: for now the session as CSV.
//!
//! Invariants: no I/O of its own, it writes to what it is given; numbers have a point and never a separator, whatever
//! the language of the machine.

mod csv_rows;

pub use csv_rows::{CsvError, CsvWriter};
