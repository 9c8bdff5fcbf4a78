//! What leaves the program: a session as CSV, and as a written report.
//!
//! [`report`] makes a page of an [`Account`], which is one session as plain data; [`compare`] holds two of them against each
//! other.
//!
//! Invariants: no I/O of its own, it writes to what it is given; numbers have a point and never a separator, whatever
//! the language of the machine; [`export`] on several threads writes what [`CsvWriter`] writes, byte for byte; a page
//! runs nothing and fetches nothing, and no text of a recording becomes markup.

mod account;
mod compare;
mod compared;
mod csv_rows;
mod html;
mod lines;
mod page;
mod parallel;
mod plots;
mod sheet;
mod text;
mod words;
mod written;

pub use account::{
    Account, AlarmLine, Conditions, FileFacts, List, Plot, PlotBar, PlotLine, Span, StageLine, TextLine,
};
pub use compare::{About, BEYOND, Comparison, Line, NoComparison, Numbers, Told, compare};
pub use compared::{comparison_lines, comparison_page};
pub use csv_rows::{CsvError, CsvWriter};
pub use parallel::export;
pub use sheet::Since;
pub use words::utc;
pub use written::report;
