//! `identify`: unknown bytes, of a file or heard now, and a draft of their protocol file.

use std::io::Read;
use std::path::Path;
use std::time::Duration;

use ::identify::{Capture, Heard, Outcome, Report, Sureness};
use anyhow::Result;
use model::{Input, InputKind, LineErrorKind, LineSettings, Parity, SessionTime, Times};
use recording::WriteError;
use serde_json::json;
use session::new_file::{self, NewFile};
use session::{Listen, Sound, listen};
use transport::{RateSearch, SerialSource, Source};

use crate::Status;
use crate::args::Identify;
use crate::files;
use crate::output::{Hinted, Prose, Results};
use crate::watch::header;

pub(crate) fn run(task: &Identify, prose: &mut Prose) -> Result<Status> {
    if let Some(out) = &task.out
        && out.exists()
    {
        return Err(Hinted::error(
            format!("{} is there already", out.display()),
            "a draft takes the place of no file: choose another name",
        ));
    }
    if let Some(path) = &task.record
        && path.exists()
    {
        // Before the rate is looked for.
        return Err(WriteError::Exists { path: path.clone() }.into());
    }
    let given = task.baud.map(LineSettings::new);
    let (capture, line, incomplete) = match &task.file {
        Some(path) => (capture(path, task.baud, prose)?, given, None),
        None => {
            let Some(heard) = hear(task, given, prose)? else {
                if task.print.json {
                    let nothing = json!({ "event": "identified", "outcome": "cannot tell" });
                    Results::new().line(&nothing.to_string());
                }
                return Ok(Status::CannotTell);
            };
            heard
        }
    };
    let report = ::identify::identify(&capture, line.as_ref());
    let mut results = Results::new();
    if task.print.json {
        for line in json_lines(&report, line.as_ref()) {
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
    if let Some(why) = incomplete {
        prose.say(&format!("the recording is incomplete: {why}"));
        return Ok(Status::LinkLostOrIncomplete);
    }
    Ok(match report.outcome {
        Outcome::Drafted => Status::Go,
        Outcome::CannotTell => Status::CannotTell,
    })
}

/// What is heard on the line now, how the line is set, and why the recording of it is incomplete, if it is. `None`: its rate
/// could not be found, and that was said.
type Now = (Capture, Option<LineSettings>, Option<String>);

fn hear(task: &Identify, given: Option<LineSettings>, prose: &mut Prose) -> Result<Option<Now>> {
    let (source, line, name) = if let Some(path) = &task.port {
        if let Some(warning) = transport::opening_may_reset(&LineSettings::new(115_200)) {
            prose.say(&format!("caution: {warning}"));
        }
        let settings = match given {
            Some(settings) => settings,
            None => match find_rate(path, prose)? {
                Some(settings) => settings,
                None => return Ok(None),
            },
        };
        let name = format!("{} at {settings}", path.display());
        (Source::Serial(SerialSource { path: path.clone(), settings }), Some(settings), name)
    } else if let Some(address) = &task.tcp {
        (Source::Tcp { address: address.clone() }, given, format!("tcp {address}"))
    } else {
        let bind = task.udp.clone().unwrap_or_default();
        let name = format!("udp {bind}");
        (Source::Udp { bind }, given, name)
    };
    let header = header(String::new(), String::new(), name, false);
    let options = Listen { source, header, record: task.record.clone(), length: task.length };
    prose.say(&format!("listening for {} s; nothing is sent", task.length.as_secs_f64()));
    let mut capture = Capture::timed();
    let (mut bytes, mut next) = (0_usize, 10_u64);
    let incomplete = listen(options, &tokio_util::sync::CancellationToken::new(), &mut |sound| match sound {
        Sound::Input(input) => {
            if let InputKind::Bytes(read) | InputKind::Datagram(read) = &input.kind {
                bytes += read.len();
            }
            take(&mut capture, input);
        }
        Sound::Remark(text) => prose.say(&format!("note: {text}")),
        Sound::Tick(now) => {
            let second = now.nanos / 1_000_000_000;
            if next <= second {
                next = second + 10;
                prose.say(&format!("{second} s: {bytes} bytes"));
            }
        }
    })?;
    if let Some(path) = &task.record {
        prose.say(&format!("{bytes} bytes recorded in {}", path.display()));
    }
    Ok(Some((capture, line, incomplete)))
}

/// Rates that boards are set to, the commonest first. Common practice, no source.
const RATES: [u32; 13] =
    [115_200, 9_600, 19_200, 57_600, 38_400, 230_400, 460_800, 921_600, 4_800, 2_400, 250_000, 500_000, 1_000_000];
/// So many bytes are enough to tell what they are.
const ENOUGH: usize = 4_000;
/// And few of them are enough where they have come for so long.
const FEW: usize = 400;
const LONG: Duration = Duration::from_millis(2_500);
/// Longer than this is not waited for more.
const LONGEST: Duration = Duration::from_secs(8);

/// Listens at one rate after another until one is sure. `None`: none could be found, and that was said.
fn find_rate(path: &Path, prose: &mut Prose) -> Result<Option<LineSettings>> {
    let first = LineSettings::new(RATES[0]);
    let mut search = RateSearch::open(path, &first)?;
    search.remarks().to_vec().iter().for_each(|remark| prose.say(&format!("note: {remark}")));
    prose.say("looking for the rate of the line; nothing is sent");
    let mut enough = |bytes: &[u8], passed: Duration| {
        ENOUGH <= bytes.len() || (LONG <= passed && FEW <= bytes.len()) || LONGEST <= passed
    };
    let mut heard: Vec<Heard> = Vec::new();
    let mut refused = Vec::new();
    'all: for parity in [Parity::None, Parity::Even, Parity::Odd] {
        for baud in RATES {
            let settings = LineSettings { parity, ..LineSettings::new(baud) };
            let Some(found) = search.hear(&settings, &mut enough)? else {
                refused.push(settings.to_string());
                continue;
            };
            if found.bytes.is_empty() && heard.is_empty() {
                let text = format!("cannot tell: nothing came in {} s", LONGEST.as_secs());
                prose.say(&text);
                prose.hint(
                    "a BMS may sleep or speak only when it is asked (see its data sheet); is its TX at the adapter's RX, and \
                     do both share a ground?",
                );
                return Ok(None);
            }
            let told = Heard::new(settings, &found.bytes, found.misread);
            prose.say(&format!("  {}", words(&told)));
            let sure = told.sureness() == Some(Sureness::Sure);
            heard.push(told);
            if sure {
                break 'all;
            }
        }
        // With a parity bit nothing else would be heard of what is right already, or of too little.
        if heard.iter().any(|heard| heard.sureness().is_some()) || heard.iter().all(|heard| heard.bytes < FEW) {
            break;
        }
    }
    if !refused.is_empty() {
        prose.say(&format!("note: the port can't be set to {}", refused.join(", ")));
    }
    let Some((best, sureness)) = ::identify::best(&heard) else {
        if heard.iter().all(|heard| heard.bytes < FEW) {
            let text = format!(
                "cannot tell: the line sends so little that {} s at each rate do not show it",
                LONGEST.as_secs()
            );
            prose.say(&text);
            prose.hint("give its rate with --baud, and listen for some minutes with --for; or bring it to send more");
            return Ok(None);
        }
        prose.say("cannot tell: at no rate do the bytes make frames");
        prose.hint(
            "if its data sheet names a rate, give it with --baud; the level may be inverted (RS-232 against TTL), the line \
             may carry something else, or only answers to questions",
        );
        return Ok(None);
    };
    prose.say(&format!("{:<8} the line runs at {}", format!("{sureness}:"), best.settings));
    Ok(Some(best.settings))
}

/// `115200 8N1: 1452 bytes, 731 of them misread, no frames`.
fn words(heard: &Heard) -> String {
    let misread = match heard.misread {
        Some(misread) if 0 < misread => format!(", {misread} of them misread"),
        _ => String::new(),
    };
    let frames = match (&heard.report.trial, heard.sureness()) {
        (Some(trial), Some(_)) => format!("{:.0} % of them in frames", trial.share() * 100.0),
        _ => "no frames".to_owned(),
    };
    format!("{}: {} bytes{misread}, {frames}", heard.settings, heard.bytes)
}

/// Adds an input to the capture. `false` if it is full.
fn take(capture: &mut Capture, input: &Input) -> bool {
    match &input.kind {
        InputKind::Bytes(bytes) | InputKind::Datagram(bytes) => return capture.push(input.at, bytes),
        InputKind::LineError { kind: LineErrorKind::Framing | LineErrorKind::Break, count } => {
            capture.framing_errors(u64::from(*count));
        }
        _ => {}
    }
    true
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
            // It is full: what follows is not looked at.
            if !take(&mut capture, &input) {
                break;
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
fn json_lines(report: &Report, line: Option<&LineSettings>) -> Vec<String> {
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
        "line": line.map(ToString::to_string),
        "draft": report.draft,
        "hint": report.hint,
    });
    findings.chain([last.to_string()]).collect()
}
