//! A TOML file that a person wrote, read so that every fault has its place.
//!
//! The protocol file and the pack file both stand on it: the parser and the rules do not know each other, and share this.
//! A table is read against a list of its keys ([`TableSpec`]), which is also what says "did you mean".
//! Numbers keep their digits: `0.1` never becomes a binary fraction.
//! [`EditText`] changes one value of such a text and leaves every other byte as it is.
//!
//! Invariants: no I/O; reading never stops at the first fault; a fault never panics.
//!
//! ```
//! use textfile::{Key, Kind, TableSpec, read};
//!
//! static SPEC: TableSpec = TableSpec { doc: "a lamp", keys: &[Key::required("colour", Kind::Text, "what colour it has")] };
//! let (colour, faults) = read("colur = 'red'", &SPEC, |table| table.text("colour").map(|text| text.value.to_owned()));
//! assert_eq!(colour, None);
//! assert_eq!(faults[0].hint.as_deref(), Some("did you mean \"colour\"?"));
//! ```

mod depth;
mod edit;
mod table;
mod value;

pub use edit::{EditText, NewValue, NotEdited, Path, Written};
pub use table::{Key, Kind, Table, TableSpec, closest_unit, read};
pub use value::{At, Value};
