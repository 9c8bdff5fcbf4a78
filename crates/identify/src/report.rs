//! What is told: findings with their evidence, in words.

use parser::Wrapping;

use crate::Sureness;
use crate::binary::Layout;
use crate::capture::Capture;
use crate::checks::{Fit, SURE_BITS};
use crate::fields::What;
use crate::framing::Length;
use crate::text::TextLayout;
use crate::trial::Trial;

/// Whether a draft was made that stands.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Outcome {
    /// A draft was made, and most of the bytes are sound frames by it.
    Drafted,
    /// Nothing was found that holds.
    CannotTell,
}

/// One finding.
#[derive(Clone, PartialEq, Debug)]
pub struct Finding {
    /// How sure it is.
    pub sureness: Sureness,
    /// What was found.
    pub text: String,
    /// What it rests on; may be empty.
    pub evidence: String,
}

impl Finding {
    pub(crate) fn new(sureness: Sureness, text: impl Into<String>, evidence: &str) -> Self {
        Self { sureness, text: text.into(), evidence: evidence.to_owned() }
    }
}

/// All that was found.
#[derive(Clone, Debug)]
pub struct Report {
    /// Whether there is a draft that stands.
    pub outcome: Outcome,
    /// In the order in which they are told.
    pub findings: Vec<Finding>,
    /// What to do next.
    pub hint: String,
    /// The text of the protocol file. It can be there without standing: few bytes may be sound by it.
    pub draft: Option<String>,
    /// What came of trying it.
    pub trial: Option<Trial>,
    /// Frames of bytes, where these were found.
    pub bytes: Option<Layout>,
    /// Lines of text, where these were found.
    pub text: Option<TextLayout>,
}

/// A draft stands if this share of the bytes is in sound frames.
const STANDS: f64 = 0.8;

impl Report {
    pub(crate) fn nothing(capture: &Capture, finding: Finding, hint: &str) -> Self {
        let mut findings = cut(capture);
        findings.push(finding);
        Self {
            outcome: Outcome::CannotTell,
            findings,
            hint: hint.to_owned(),
            draft: None,
            trial: None,
            bytes: None,
            text: None,
        }
    }

    pub(crate) fn of_bytes(capture: &Capture, layout: Layout, draft: Option<String>, trial: Option<Trial>) -> Self {
        let mut findings = cut(capture);
        shape(&mut findings, &layout);
        match &layout.check {
            Some(fit) => check(&mut findings, fit),
            None if layout.weak_check.is_some() => {
                if let Some(fit) = &layout.weak_check {
                    let mut names: Vec<&str> = std::iter::once(fit.place.method.name)
                        .chain(fit.equal.iter().map(|place| place.method.name))
                        .collect();
                    names.dedup();
                    findings.push(Finding::new(
                        Sureness::Guess,
                        format!("the checksum can't be told: {} fits, and may do so by luck", names.join(" or ")),
                        &format!(
                            "the bytes hold only {} different frames; a capture in which more changes would tell",
                            fit.asked
                        ),
                    ));
                }
            }
            None => findings.push(Finding::new(
                Sureness::Likely,
                "no checksum was found",
                "no CRC of the catalogue and no sum fits, over all bytes from one of the first nine to the end; what can't be checked is not taken as good",
            )),
        }
        kinds(&mut findings, &layout);
        let base = Self {
            outcome: Outcome::CannotTell,
            findings,
            hint: String::new(),
            draft,
            trial,
            bytes: Some(layout),
            text: None,
        };
        base.tried()
    }

    pub(crate) fn of_text(capture: &Capture, layout: TextLayout, draft: Option<String>, trial: Option<Trial>) -> Self {
        let mut findings = cut(capture);
        let start = layout.start.map_or("no start".to_owned(), |start| format!("start {start:?}"));
        findings.push(Finding::new(
            Sureness::Sure,
            format!("lines of text: {start}, columns parted by {:?}", layout.separator),
            &format!("{} lines looked at", layout.lines),
        ));
        match &layout.check {
            Some(check) => {
                let sure = SURE_BITS <= check.luck_bits && check.equal.is_empty();
                findings.push(Finding::new(
                    if sure { Sureness::Sure } else { Sureness::Guess },
                    format!("checksum {} in hexadecimal behind {:?}", check.method.name, check.mark),
                    &format!("right in {} of {} different lines", check.right.0, check.right.1),
                ));
            }
            None => findings.push(Finding::new(Sureness::Likely, "the lines have no checksum that was found", "")),
        }
        for kind in &layout.kinds {
            let word = kind.word.clone().unwrap_or_else(|| "all".to_owned());
            findings.push(Finding::new(
                Sureness::Sure,
                format!("lines {word}: {}{}", kind.lines, period(kind.every)),
                "",
            ));
            for field in &kind.fields {
                if field.sureness <= Sureness::Likely {
                    let what = format!("lines {word}, column {}: {}", field.column, text_words(&field.what));
                    findings.push(Finding::new(field.sureness, what, &field.note));
                }
            }
        }
        let base = Self {
            outcome: Outcome::CannotTell,
            findings,
            hint: String::new(),
            draft,
            trial,
            bytes: None,
            text: Some(layout),
        };
        base.tried()
    }

    /// The figure that decides.
    fn tried(mut self) -> Self {
        let Some(trial) = &self.trial else {
            self.draft = None;
            self.hint = "capture longer, and look at the bytes with `packwake frames`".to_owned();
            self.findings.push(Finding::new(
                Sureness::Sure,
                "a shape was found that can't be written as a protocol file",
                "",
            ));
            return self;
        };
        self.findings.push(Finding::new(
            Sureness::Sure,
            format!(
                "tried on all {} bytes: {} ({:.1} %) are in {} by the draft, {} are not",
                trial.bytes,
                trial.sound_bytes,
                trial.share() * 100.0,
                if trial.verified { "sound frames" } else { "frames without a checksum" },
                trial.unexplained()
            ),
            &format!("{} frames, {} with a wrong checksum", trial.frames.iter().sum::<u64>(), trial.check_failed),
        ));
        if STANDS <= trial.share() {
            self.outcome = Outcome::Drafted;
            self.hint =
                "hold every value against a display, a data sheet or a meter; `packwake check` reads the draft, \
                 `packwake frames FILE --protocol DRAFT` shows the parts of each frame"
                    .to_owned();
        } else {
            self.hint = "too few bytes are explained: capture longer, or with less disturbance; the draft is a beginning at most".to_owned();
        }
        self
    }
}

impl Fit {
    /// Whether no other method fits as well.
    pub fn unique(&self) -> bool {
        self.equal.iter().all(|place| place.method == self.place.method)
    }
}

fn cut(capture: &Capture) -> Vec<Finding> {
    if !capture.is_cut() {
        return Vec::new();
    }
    let text = format!("only the first {} bytes were looked at", capture.bytes().len());
    vec![Finding::new(Sureness::Sure, text, "")]
}

fn hex(bytes: &[u8]) -> String {
    let bytes: Vec<String> = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
    bytes.join(" ")
}

fn period(every: Option<std::time::Duration>) -> String {
    every.map_or(String::new(), |every| format!(", every {} ms", every.as_millis()))
}

fn shape(findings: &mut Vec<Finding>, layout: &Layout) {
    let sure = match &layout.check {
        Some(fit) if fit.is_sure() => Sureness::Sure,
        _ => Sureness::Likely,
    };
    let share = format!("{:.1} % of the bytes looked at are in such frames", layout.share * 100.0);
    if let Some(wrapping) = layout.wrapping {
        let name = match wrapping {
            Wrapping::Slip => "SLIP packets",
            Wrapping::Hdlc => "packets stuffed as in HDLC",
            Wrapping::Cobs => "COBS packets",
            Wrapping::Hex { .. } => "bytes as hexadecimal text, a packet a line",
        };
        let escapes = match wrapping {
            Wrapping::Slip | Wrapping::Hdlc => format!("; {} escaped bytes, all right", layout.escapes),
            Wrapping::Cobs | Wrapping::Hex { .. } => String::new(),
        };
        findings.push(Finding::new(sure, name, &format!("{share}{escapes}")));
    } else {
        let start =
            if layout.start.is_empty() { "no start bytes".to_owned() } else { format!("start {}", hex(&layout.start)) };
        let end = if layout.end.is_empty() { String::new() } else { format!(", end {}", hex(&layout.end)) };
        findings.push(Finding::new(sure, format!("frames of bytes: {start}{end}"), &share));
    }
    let length = match &layout.length {
        Length::Fixed(length) => format!("all frames are {length} bytes long"),
        Length::Size { at, bytes, big, plus } => {
            let order = if *bytes == 1 {
                ""
            } else if *big {
                ", high byte first"
            } else {
                ", low byte first"
            };
            let wide = if *bytes == 1 { String::new() } else { format!(" and {}", at + 1) };
            format!("byte {at}{wide} says the length{order}: a frame is {plus} bytes longer than it says")
        }
        Length::ByKind { at, lengths } => {
            let mut known: Vec<usize> = lengths.iter().map(|(_, length)| *length).collect();
            known.sort_unstable();
            known.dedup();
            let known: Vec<String> = known.iter().map(ToString::to_string).collect();
            format!("byte {at} decides how long a frame is: {} bytes", known.join(", "))
        }
        Length::Packet => return,
    };
    // A byte that tells lengths may tell them by chance of the few kinds that came.
    let sure = if matches!(layout.length, Length::ByKind { .. }) { Sureness::Likely } else { sure };
    findings.push(Finding::new(sure, length, "the next frame begins where this one ends"));
}

fn check(findings: &mut Vec<Finding>, fit: &Fit) {
    let order = match (fit.bytes, fit.place.big) {
        (1, _) => "",
        (_, true) => ", high byte first",
        (_, false) => ", low byte first",
    };
    let sureness = if fit.is_sure() && fit.unique() { Sureness::Sure } else { Sureness::Guess };
    let luck = if 300.0 < fit.luck_bits {
        "less than 1 in 10^90".to_owned()
    } else {
        format!("1 in 10^{:.0}", (fit.luck_bits * std::f64::consts::LOG10_2).floor())
    };
    findings.push(Finding::new(
        sureness,
        format!("checksum {}{order}, over all from byte {} to itself", fit.place.method.name, fit.place.first),
        &format!(
            "right in {} of {} different frames; chance of luck, with all that was tried: {luck}",
            fit.right, fit.asked
        ),
    ));
    if !fit.equal.is_empty() {
        let mut names: Vec<String> =
            fit.equal.iter().map(|place| format!("{} from byte {}", place.method.name, place.first)).collect();
        names.dedup();
        names.truncate(6);
        findings.push(Finding::new(
            Sureness::Sure,
            format!("the bytes can't tell it from: {}", names.join("; ")),
            "they fit these frames as well; a capture in which more changes would tell",
        ));
    }
    if !fit.extra.is_empty() {
        let known = fit.extra.iter().filter(|(_, seed)| seed.is_some()).count();
        findings.push(Finding::new(
            Sureness::Sure,
            "a byte that is not sent goes through the checksum, another one for each kind",
            &format!(
                "found for {known} of {} kinds; a kind with fewer than two different frames can't be checked",
                fit.extra.len()
            ),
        ));
    }
}

fn kinds(findings: &mut Vec<Finding>, layout: &Layout) {
    if !layout.ids.is_empty() {
        let places: Vec<String> = layout.ids.iter().map(ToString::to_string).collect();
        findings.push(Finding::new(
            Sureness::Likely,
            format!("{} kinds of messages, told apart by byte {}", layout.kinds.len(), places.join(" and ")),
            "what the other bytes hold depends on it, and it changes to and fro",
        ));
    }
    for kind in &layout.kinds {
        let name = match kind.id.as_slice() {
            [] => format!("body of {} bytes", kind.body.0),
            id => format!("kind {}", hex(id)),
        };
        findings.push(Finding::new(
            Sureness::Sure,
            format!("{name}: {} frames{}", kind.frames, period(kind.every)),
            "",
        ));
        for field in &kind.fields {
            let what = match &field.what {
                What::Constant | What::Few | What::Unknown | What::Rest => continue,
                What::Cells { from, .. } if 1 < field.times => format!("cells {from} to {}", from + field.times - 1),
                What::Cells { from, .. } => format!("cell {from}"),
                What::Pack { .. } => "pack voltage".to_owned(),
                What::Bus { .. } => "bus voltage".to_owned(),
                What::Temperatures { .. } => format!("{} temperatures", field.times),
                What::Current { discharge } => {
                    format!("current, positive when {}", if *discharge { "discharging" } else { "charging" })
                }
                What::Clock { .. } => "the device's clock".to_owned(),
                What::Counter => "a counter of frames".to_owned(),
            };
            let text = format!("{name}, byte {} of the body, {}: {what}", field.at, field.form.name());
            findings.push(Finding::new(field.sureness, text, &field.note));
        }
    }
}

fn text_words(what: &crate::text::TextWhat) -> String {
    use crate::text::TextWhat;
    match what {
        TextWhat::Cells { unit, places, .. } => format!("up to {places} cells in {unit}"),
        TextWhat::Pack { unit } => format!("pack voltage in {unit}"),
        TextWhat::Temperatures => "temperatures".to_owned(),
        TextWhat::Counter { .. } => "a counter".to_owned(),
        TextWhat::Unknown | TextWhat::Hex => "not known".to_owned(),
    }
}

/// The comment at the top of a draft.
pub(crate) fn head(trial: Option<&Trial>) -> String {
    let mut text = String::from(
        "# A DRAFT, made from bytes alone. Nobody has confirmed it, and it may be wrong in every part that is not called sure.\n\
         # A pack that is judged by a wrong draft can look sound while it is not: hold each value against a display, a data\n\
         # sheet or a meter, then take `draft = true` and this comment away. Until then the answer is never go.\n",
    );
    if let Some(trial) = trial {
        text.push_str(&format!(
            "# Tried on {} bytes: {:.1} % are in {}.\n",
            trial.bytes,
            trial.share() * 100.0,
            if trial.verified {
                "frames whose checksum is right"
            } else {
                "frames; there is no checksum that would show damage"
            }
        ));
    }
    text
}
