//! `identify`: unknown bytes, and a draft of their protocol file.

use std::io::Read;
use std::path::Path;

use ::identify::{Capture, Outcome, Report};
use anyhow::Result;
use model::{InputKind, LineErrorKind, SessionTime, Times};
use serde_json::json;
use session::new_file::{self, NewFile};

use crate::Status;
use crate::args::Identify;
use crate::files;
use crate::output::{Hinted, Prose, Results};

pub(crate) fn run(task: &Identify, prose: &mut Prose) -> Result<Status> {
    if let Some(out) = &task.out
        && out.exists()
    {
        return Err(Hinted::error(
            format!("{} is there already", out.display()),
            "a draft takes the place of no file: choose another name",
        ));
    }
    let capture = capture(&task.file, task.baud, prose)?;
    let report = ::identify::identify(&capture, task.baud);
    let mut results = Results::new();
    if task.print.json {
        for line in json_lines(&report) {
            results.line(&line);
        }
    } else {
        for finding in &report.findings {
            prose.say(&format!("{:<8} {}", format!("{}:", finding.sureness), finding.text));
            if !finding.evidence.is_empty() {
                prose.say(&format!("         {}", finding.evidence));
            }
        }
    }
    if let Some(draft) = &report.draft {
        match &task.out {
            Some(out) => {
                write(out, draft)?;
                prose.say(&format!("the draft is in {}", out.display()));
            }
            None if task.print.json => {}
            None => results.line(draft.trim_end()),
        }
    } else {
        prose.say("cannot tell: no draft was made");
    }
    prose.hint(&report.hint);
    Ok(match report.outcome {
        Outcome::Drafted => Status::Go,
        Outcome::CannotTell => Status::CannotTell,
    })
}

/// The bytes of a recording with their times, or those of a raw file.
fn capture(path: &Path, baud: Option<u32>, prose: &mut Prose) -> Result<Capture> {
    if files::is_recording(path)? {
        let opened = recording::Recording::open(path)?;
        let mut capture = match opened.header().times {
            Times::Measured => Capture::timed(),
            Times::Assumed => Capture::default(),
        };
        for input in opened.inputs_ahead() {
            match &input.kind {
                // It is full: what follows is not looked at.
                InputKind::Bytes(bytes) | InputKind::Datagram(bytes) if !capture.push(input.at, bytes) => break,
                InputKind::LineError { kind: LineErrorKind::Framing | LineErrorKind::Break, count } => {
                    capture.framing_errors(u64::from(*count));
                }
                _ => {}
            }
        }
        return Ok(capture);
    }
    let mut bytes = Vec::new();
    // One byte more, so that it is known whether any was left out.
    std::fs::File::open(path)
        .and_then(|file| file.take(Capture::MOST as u64 + 1).read_to_end(&mut bytes))
        .map_err(|error| files::unreadable(path, &error))?;
    prose.say("raw bytes have no times: nothing is said of periods and clocks");
    if baud.is_none() {
        prose.hint("give --baud, so that the draft says the rate of the line");
    }
    let mut capture = Capture::default();
    capture.push(SessionTime::ZERO, &bytes);
    Ok(capture)
}

fn write(path: &Path, draft: &str) -> Result<()> {
    let failed = |error: std::io::Error| {
        let hint = new_file::hint(&error).unwrap_or("check the disk");
        Hinted::error(format!("can't write {}: {error}", path.display()), hint)
    };
    let mut file = NewFile::at(path).map_err(failed)?;
    std::io::Write::write_all(&mut file, draft.as_bytes()).map_err(failed)?;
    file.keep(false).map_err(failed)
}

/// An object for each finding, and the last one with the draft.
fn json_lines(report: &Report) -> Vec<String> {
    let findings = report.findings.iter().map(|finding| {
        let sureness = finding.sureness.to_string();
        json!({ "event": "finding", "sureness": sureness, "text": finding.text, "evidence": finding.evidence })
            .to_string()
    });
    let outcome = match report.outcome {
        Outcome::Drafted => "drafted",
        Outcome::CannotTell => "cannot tell",
    };
    let share = report.trial.as_ref().map(|trial| (trial.share() * 10_000.0).round() / 10_000.0);
    let verified = report.trial.as_ref().map(|trial| trial.verified);
    let last = json!({
        "event": "identified",
        "outcome": outcome,
        "sound_share": share,
        "checked": verified,
        "draft": report.draft,
        "hint": report.hint,
    });
    findings.chain([last.to_string()]).collect()
}
