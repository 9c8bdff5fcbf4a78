//! From unknown bytes of a line to a draft of its protocol file.
//!
//! [`identify`] looks for frames, for what checks them and for what their bytes may mean, says how sure each finding is
//! and what it rests on, writes a draft in the language of protocol files, and tries it on all the bytes with the decoder
//! that will read it later. What was not found is said, too.
//!
//! Invariants: no I/O, no clock; the same bytes give the same answer; nothing is claimed of bytes that chance alone
//! could have made so. What it knows of a pack is in `fields.rs`: ranges of voltages and temperatures, no limits.
//!
//! What is absent: more than one shape of frame on a line, questions and answers, checksums that cover a part in the
//! middle, bits of flags.
//!
//! ```
//! use identify::{Capture, Outcome, identify};
//!
//! // 16 cells in 7A, counter, cells, sum of all bytes behind the start: made by hand.
//! let mut bytes = Vec::new();
//! for count in 0..200_u16 {
//!     let mut frame = vec![0x7A, count as u8];
//!     for cell in 0..16 {
//!         frame.extend((3800 + (count * 7 + cell * 31) % 23).to_be_bytes());
//!     }
//!     frame.push(frame[1..].iter().fold(0, |sum: u8, byte| sum.wrapping_add(*byte)));
//!     bytes.extend(frame);
//! }
//! let report = identify(&Capture::untimed(&bytes), None);
//! assert_eq!(report.outcome, Outcome::Drafted);
//! let check = report.bytes.unwrap().check.unwrap();
//! assert!(check.is_sure() && check.place.method.name == "sum 8");
//! ```

use std::fmt;
use std::sync::Arc;

mod binary;
mod capture;
mod checks;
mod draft;
mod fields;
mod framing;
mod kinds;
mod noise;
mod number;
mod rate;
mod report;
mod text;
mod trial;

pub use binary::{Kind, Layout};
pub use capture::Capture;
pub use checks::{Fit, Method, Place};
pub use fields::{Field, What};
pub use framing::Length;
pub use number::Form;
pub use rate::{Heard, best};
pub use report::{Finding, Outcome, Report};
pub use text::{TextCheck, TextField, TextKind, TextLayout, TextWhat};
pub use trial::Trial;

use model::{Level, LineSettings};
use parser::Protocol;

/// How sure a finding is.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Sureness {
    /// Chance alone is ruled out.
    Sure,
    /// It speaks for itself, but something else could look the same.
    Likely,
    /// One of several things that it could be.
    Guess,
}

impl fmt::Display for Sureness {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Sure => "sure",
            Self::Likely => "likely",
            Self::Guess => "a guess",
        })
    }
}

/// Looks at the bytes. `line` is how the line was set that they came by, if it is known.
pub fn identify(capture: &Capture, line: Option<&LineSettings>) -> Report {
    if let Some(nothing) = noise::hopeless(capture) {
        return nothing;
    }
    let methods = checks::Methods::new();
    if text::is_text(capture.bytes())
        && let Some(layout) = text::find(capture, &methods)
    {
        let body = draft::of_text(&layout, line);
        let (draft, trial) = finish(&body, capture, None);
        return Report::of_text(capture, layout, draft, trial);
    }
    let Some((layout, frames)) = binary::find(capture, &methods) else { return noise::nothing_found(capture) };
    let body = draft::of_bytes(&layout, &frames, capture, line);
    let (draft, trial) = finish(&body, capture, layout.wrapping);
    Report::of_bytes(capture, layout, draft, trial)
}

/// The whole text of a draft and what came of trying it; nothing if it has a fault.
fn finish(body: &str, capture: &Capture, wrapping: Option<parser::Wrapping>) -> (Option<String>, Option<Trial>) {
    let name = "protocol = \"unconfirmed\"\nsummary = \"made from bytes alone\"\ndraft = true\n";
    let with = |body: &str, trial: Option<&Trial>| {
        let mut text = report::head(trial);
        text.push_str(name);
        text.push_str(body);
        text
    };
    let mut body = body.to_owned();
    let Some(trial) = trial::attempt(&with(&body, None), capture, wrapping) else { return (None, None) };
    // An example that does not hold would be a fault of the draft.
    let text = with(&body, Some(&trial));
    let holds = || -> Option<bool> {
        let (protocol, faults) = Protocol::parse(&text);
        let sound = !faults.iter().any(|fault| fault.level == Level::Error);
        Some(sound && parser::check_examples(&Arc::new(protocol?), &text).is_empty())
    };
    if holds() != Some(true)
        && let Some((before, _)) = body.split_once("\n# A frame as it came.")
    {
        body = before.to_owned();
    }
    (Some(with(&body, Some(&trial))), Some(trial))
}
