//! `check`: protocol files, pack files and recordings.

use std::path::Path;
use std::sync::Arc;

use anyhow::Result;
use model::{Amount, ColumnLayout, Dimension, Meaning, format_nanos_exact};
use parser::Protocol;
use rules::{LimitName, Pack};

use crate::Status;
use crate::args::Check;
use crate::faults::render;
use crate::files::{has_error, is_recording, read_text};
use crate::output::{Hinted, Prose, Results};

pub(crate) fn run(task: &Check, prose: &mut Prose) -> Result<Status> {
    let mut results = Results::new();
    let mut status = Status::Go;
    for path in &task.files {
        let sound = match check(path, &mut results, prose) {
            Ok(sound) => sound,
            Err(error) => {
                prose.error(&error);
                false
            }
        };
        if !sound {
            status = Status::Unusable;
        }
    }
    Ok(status)
}

/// Whether the file can be used.
fn check(path: &Path, results: &mut Results, prose: &mut Prose) -> Result<bool> {
    if is_recording(path)? {
        return check_recording(path, results);
    }
    let text = read_text(path)?;
    // Which of the two it is, its first keys say; a file with faults in them is still recognised by the others.
    let has = |key: &str| text.lines().any(|line| line.trim_start().starts_with(key));
    if has("[[message]]") || has("[[frame]]") || has("protocol") {
        Ok(check_protocol(path, &text, results, prose))
    } else if has("chemistry") || has("cells") || has("pack") {
        Ok(check_pack(path, &text, results, prose))
    } else {
        Err(Hinted::error(
            format!("{} is no protocol file, no pack file and no recording", path.display()),
            "a protocol file has protocol = \"...\", a pack file pack = \"...\"",
        ))
    }
}

fn check_protocol(path: &Path, text: &str, results: &mut Results, prose: &mut Prose) -> bool {
    let (protocol, mut faults) = Protocol::parse(text);
    let protocol = protocol.map(Arc::new);
    if let Some(protocol) = &protocol {
        faults.extend(parser::check_examples(protocol, text));
    }
    for fault in &faults {
        prose.say(&render(path, text, fault, prose.is_terminal()));
    }
    let Some(protocol) = protocol.filter(|_| !has_error(&faults)) else {
        results.line(&format!("{}: can't be used, {}", path.display(), counted(faults.len(), "fault", "faults")));
        return false;
    };
    results.line(&format!(
        "{}: protocol {:?}, {}, {}",
        path.display(),
        protocol.name(),
        counted(protocol.layout().kinds.len(), "message", "messages"),
        counted(protocol.example_count(), "example holds", "examples hold")
    ));
    for (index, kind) in protocol.layout().kinds.iter().enumerate() {
        let every = kind.every.map_or("no period".to_owned(), |every| format!("every {} ms", every.as_millis()));
        let checksum = if kind.verified { "checksum" } else { "NO checksum" };
        results.line(&format!("  message {:?}: {every}, {checksum}", kind.name));
        let parts = protocol.parts(index);
        let width =
            |text: fn(&parser::PartSummary) -> &str| parts.iter().map(|part| text(part).len()).max().unwrap_or(0);
        let (names, encodings) = (width(|part| &part.name), width(|part| &part.encoding));
        for part in &parts {
            let columns = kind.columns.get(part.columns.clone()).unwrap_or(&[]);
            let shown = shown(columns, part.is_float);
            results.line(&format!("    {:<names$}  {:<encodings$}  {shown}", part.name, part.encoding));
        }
    }
    let asks = protocol.asks().count();
    if asks > 0 {
        let asks = counted(asks, "question", "questions");
        results.line(&format!("  {asks}, sent only with --may-ask"));
    }
    true
}

fn counted(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}

/// What of a part would be shown.
fn shown(columns: &[ColumnLayout], is_float: bool) -> String {
    let (Some(first), Some(last)) = (columns.first(), columns.last()) else { return "passed over".to_owned() };
    let what = if first.channel == last.channel {
        first.channel.to_string()
    } else {
        format!("{} to {}", first.channel, last.channel)
    };
    let unit = first.channel.quantity.dimension().base_unit();
    match &first.meaning {
        Meaning::Number if unit.is_empty() => what,
        Meaning::Number if is_float => format!("{what} in {unit}"),
        Meaning::Number => {
            let about = if first.scale.is_exact() { "in steps of" } else { "by a curve, in steps of about" };
            format!("{what} {about} {} {unit}", format_nanos_exact(first.scale.resolution(), 0))
        }
        Meaning::Flags(flags) => format!("{what}, {} flags", flags.len()),
        Meaning::States { known, .. } => format!("{what}, {} states", known.len()),
    }
}

fn check_pack(path: &Path, text: &str, results: &mut Results, prose: &mut Prose) -> bool {
    let (pack, faults) = Pack::parse(text);
    for fault in &faults {
        prose.say(&render(path, text, fault, prose.is_terminal()));
    }
    let Some(pack) = pack else {
        results.line(&format!("{}: can't be used, {}", path.display(), counted(faults.len(), "fault", "faults")));
        return false;
    };
    results.line(&format!(
        "{}: pack {:?}, {} cells {}, {} sensors",
        path.display(),
        pack.name(),
        pack.cells(),
        pack.chemistry().name(),
        pack.temperatures().len()
    ));
    if let Some(highest) = pack.highest_voltage_nanos() {
        let volts = model::format_nanos(highest, 1);
        // 60 V DC: IEC 60950-1 (SELV), UN R100.
        if Amount::parse("60 V").is_ok_and(|limit| limit.nanos < highest) {
            results.line(&format!("  up to {volts} V: more than 60 V DC can kill"));
        } else {
            results.line(&format!("  up to {volts} V: under 60 V DC, and still enough for burns and arcs"));
        }
    }
    for name in LimitName::all() {
        let limit = pack.limit(name);
        let side = |value: Option<i64>| value.map_or("none".to_owned(), |value| written(name.dimension(), value));
        let source = pack.limit_source(name);
        let (warning, critical) = (side(limit.warning), side(limit.critical));
        results.line(&format!("  {:<24} {warning:>15} {critical:>15}   {source}", name.key()));
    }
    for (check, reason) in pack.waivers() {
        results.line(&format!("  waived: {check}: {reason}"));
    }
    true
}

fn written(dimension: Dimension, nanos: i64) -> String {
    format!("{} {}", format_nanos_exact(nanos, 0), dimension.base_unit())
}

fn check_recording(path: &Path, results: &mut Results) -> Result<bool> {
    let recording = recording::Recording::open(path)?;
    let mut inputs = recording.inputs_ahead();
    let mut count = 0_u64;
    let mut last = model::SessionTime::ZERO;
    for input in inputs.by_ref() {
        count += 1;
        last = input.at;
    }
    let header = recording.header();
    let practice = if header.practice { ", practice" } else { "" };
    results.line(&format!(
        "{}: recording of {}{practice}, {count} inputs in {last} s, made by {}",
        path.display(),
        header.source,
        header.tool_version
    ));
    for damage in inputs.damage() {
        results.line(&format!("  damaged: {damage}"));
    }
    if !inputs.complete() {
        results.line("  no end: it was cut off, or the program was killed");
    }
    if header.protocol_text.is_empty() {
        results.line("  no protocol and no pack: it was made to find out what its line carries");
        return Ok(true);
    }
    let usable = Protocol::parse(&header.protocol_text).0.is_some() && Pack::parse(&header.pack_text).0.is_some();
    if !usable {
        results.line("  its protocol or pack text can't be used: give replay others with --protocol and --pack");
    }
    Ok(usable)
}
