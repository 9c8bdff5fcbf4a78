//! The report of one session.

use model::{Channel, Dimension, Quantity, Times};
use rules::estimates::Estimate;
use rules::estimates::resistance::Lag;
use rules::{Alarm, Finding, HandLine, HandResult, LimitName, Result, Severity};

use crate::account::{Account, List, TextLine};
use crate::html::Html;
use crate::page::Holds::{Numbers, Text, Words};
use crate::page::{cautions, heading, list, page, table};
use crate::sheet::{self, Since};
use crate::words::{amount, counted, fixed, headline, seconds, utc, with_uncertainty};
use crate::{compared, plots};

/// So many rows of a list stand in a report; the rest is in the recording.
const LISTED: usize = 100;

/// The report as one page of HTML that needs nothing else: no script, no picture, no font from anywhere. It is well-formed
/// XML as well.
///
/// `since`: an earlier session to tell what changed. `made_by`: the program that made it, with its version.
pub fn report(account: &Account, since: Option<Since<'_>>, made_by: &str) -> String {
    let practice = if account.practice { "PRACTICE: " } else { "" };
    let outcome = account.verdict.outcome.name();
    let title = format!("{practice}{}: {outcome}", account.pack.name());
    let running = format!("{practice}{}: {}", account.pack.name(), headline(account.verdict.outcome));
    page(&title, &running, |html| {
        sheet::write(account, since, made_by, html);
        incomplete(account, html);
        why(account, html);
        findings(account, html);
        if let Some(since) = since {
            compared::since(account.practice || since.old.practice, since, html);
        }
        untested(account, html);
        values_over_time(account, html);
        cells(account, html);
        temperatures(account, html);
        measured(account, html);
        checks(account, html);
        alarms(account, html);
        stages(account, html);
        by_hand(account, html);
        notes(account, html);
        link(account, html);
        limits(account, html);
        cautions(account, html);
        provenance(account, made_by, html);
    })
}

/// What is missing in the file, or is not as it was recorded.
pub(crate) fn missing(account: &Account) -> Vec<String> {
    let mut lines = account.file.damage.clone();
    if !account.complete && lines.is_empty() {
        lines.push("the recording has no end: it was cut off, or the program was killed".to_owned());
    }
    if account.times == Times::Assumed {
        lines.push("the times are assumed from the line rate: no check on time can pass".to_owned());
    }
    lines.extend(account.file.otherwise.iter().cloned());
    if account.link_lost {
        lines.push("the link was lost during the session".to_owned());
    }
    lines
}

fn incomplete(account: &Account, html: &mut Html) {
    let lines = missing(account);
    if !lines.is_empty() {
        heading(account.practice, "What is missing", html);
        list(&lines, html);
    }
}

fn why(account: &Account, html: &mut Html) {
    heading(account.practice, "Why", html);
    list(&account.verdict.because, html);
    if !account.verdict.notes.is_empty() {
        html.line("h3", "", "Notes that do not decide");
        list(&account.verdict.notes, html);
    }
}

fn findings(account: &Account, html: &mut Html) {
    heading(account.practice, "What was found, and where to look", html);
    let (gone, held): (Vec<&Finding>, Vec<&Finding>) = account.findings.iter().partition(|finding| finding.withdrawn);
    if held.is_empty() {
        html.line("p", "", "The data shows no cause that this program knows.");
    }
    for finding in held {
        write_finding(finding, html);
    }
    if !gone.is_empty() {
        html.line("h3", "", "Found for a while and withdrawn: the data did not go on showing it");
        for finding in gone {
            let text = format!("{} (since {}): {}", named(finding), seconds(finding.since), finding.text);
            html.element("div", &[("class", "finding gone")], |html| html.line("p", "", &text));
        }
    }
}

/// `open sense lead at cells 9 and 10`.
pub(crate) fn named(finding: &Finding) -> String {
    let place = finding.place();
    if place.is_empty() { finding.cause.to_string() } else { format!("{} at {place}", finding.cause) }
}

fn write_finding(finding: &Finding, html: &mut Html) {
    let class = if finding.severity == Severity::Critical { "finding" } else { "finding look" };
    html.element("div", &[("class", class)], |html| {
        html.line("h3", "", &format!("{}, {}, {}", named(finding), finding.confidence.name(), finding.severity.name()));
        html.line("p", "", &finding.text);
        html.element("p", &[], |html| {
            html.line("b", "", "Look at, with the switch open: ");
            html.text(finding.look_at());
        });
        let lines = finding.supports.iter().map(|text| format!("for: {text}"));
        let lines: Vec<String> = lines.chain(finding.against.iter().map(|text| format!("against: {text}"))).collect();
        if !lines.is_empty() {
            list(&lines, html);
        }
        let span = format!(
            "Since {}; it rests on {} to {}.",
            seconds(finding.since),
            seconds(finding.from),
            seconds(finding.to)
        );
        html.line("p", "soft", &span);
    });
}

fn untested(account: &Account, html: &mut Html) {
    heading(account.practice, "Not tested", html);
    if account.verdict.untested.is_empty() {
        html.line("p", "", "Nothing is listed. What was not tried stays unknown all the same.");
    } else {
        list(&account.verdict.untested, html);
    }
    let waivers = account.pack.waivers();
    if !waivers.is_empty() {
        html.line("h3", "", "Waived by the pack file");
        let lines: Vec<String> = waivers.iter().map(|(check, reason)| format!("{check}: {reason}")).collect();
        list(&lines, html);
    }
}

fn checks(account: &Account, html: &mut Html) {
    heading(account.practice, "Every required check", html);
    let row = |check: &rules::CheckResult| {
        let class = match check.result {
            Result::Passed => "ok",
            Result::Failed => "bad",
            Result::NoData | Result::Waived => "none",
        };
        let place = check.place.map_or(String::new(), |place| named_place(account, place));
        (class, vec![check.result.name().to_owned(), check.check.to_string(), place, check.why.clone()])
    };
    let rows: Vec<_> = account.verdict.checks.iter().map(row).collect();
    table(&[("result", Words), ("check", Words), ("place", Text), ("why", Text)], &rows, html);
}

/// `temperature 2 (cells 5-8)`, where the pack file names the place.
fn named_place(account: &Account, place: Channel) -> String {
    let name = (place.quantity == Quantity::Temperature)
        .then(|| account.pack.temperatures().get(usize::from(place.place).checked_sub(1)?))
        .flatten();
    match name.filter(|name| !name.is_empty()) {
        Some(name) => format!("{place} ({name})"),
        None => place.to_string(),
    }
}

fn values_over_time(account: &Account, html: &mut Html) {
    heading(account.practice, "Values over time", html);
    if account.plots.is_empty() {
        html.line("p", "", "No value came that could be drawn.");
        return;
    }
    let text = "The first plot stands on the first page. Each stroke goes from the lowest to the highest value of its piece of time: nothing is drawn away. Bands are \
                stages. A line with ! is a critical alarm, with ? a warning, at its first time, with its number; of several \
                close together one is marked. Dotted and dashed across: warning and critical limits at rest, where they lie \
                inside the plot.";
    html.line("p", "soft", text);
    if 0 < account.stages.more {
        html.line("p", "soft", &format!("{} more changes of stage are not drawn.", account.stages.more));
    }
    let rest = account.plots.get(1..).unwrap_or_default();
    rest.iter().for_each(|plot| plots::write(account, plot, plots::HEIGHT, html));
}

/// The rest that the tables show: before a load if there was one, of these the one with the most readings.
pub(crate) fn rest_shown(account: &Account) -> Option<&rules::Rest> {
    account.figures.rests.iter().max_by_key(|rest| (!rest.after_load, rest.median.basis.count))
}

/// Alarms and findings at a place, in short.
fn marks(account: &Account, place: Channel) -> String {
    let mut words: Vec<String> = Vec::new();
    let held = account.verdict.findings.iter().filter(|finding| finding.places.contains(&place));
    words.extend(held.map(|finding| finding.cause.to_string()));
    let of_place = |alarm: &&Alarm| alarm.place == Some(place);
    let alarms = account.alarms.iter().map(|line| &line.alarm).filter(of_place);
    words.extend(alarms.map(|alarm| format!("{} {} ({})", alarm.check, alarm.worst.name(), alarm.number)));
    words.join(", ")
}

pub(crate) fn worst_at(account: &Account, place: Channel) -> &'static str {
    let alarms = account.alarms.iter().filter(|line| line.alarm.place == Some(place));
    match alarms.map(|line| line.alarm.worst).max() {
        Some(Severity::Critical) => "bad",
        Some(Severity::Warning) => "look",
        None if account.verdict.findings.iter().any(|finding| finding.places.contains(&place)) => "look",
        None => "",
    }
}

fn estimate(estimate: Option<&Estimate>, factor: f64) -> String {
    estimate.map_or("not known".to_owned(), |estimate| {
        let (value, uncertainty) = with_uncertainty(estimate.value * factor, estimate.uncertainty * factor);
        format!("{value} \u{b1} {uncertainty}")
    })
}

/// `2 s after the step`.
pub(crate) fn lag_words(lag: Lag) -> String {
    lag.seconds().map_or("in the first set after the step".to_owned(), |seconds| format!("{seconds} s after the step"))
}

fn cells(account: &Account, html: &mut Html) {
    heading(account.practice, "Cells", html);
    let (rest, figures) = (rest_shown(account), &account.figures);
    let mut text = match rest {
        Some(rest) => {
            let before = if rest.after_load { "after a load" } else { "before any load" };
            let (value, uncertainty) = with_uncertainty(rest.median.value, rest.median.uncertainty);
            format!(
                "At rest ({}, {before}, {}) the median cell stands at {value} \u{b1} {uncertainty} V. ",
                rest.stage,
                counted(rest.median.basis.count, "reading", "readings")
            )
        }
        None => "No rest was seen that tells how the cells stand: no current, settled, ten readings that differ. "
            .to_owned(),
    };
    match &figures.resistances {
        Ok(known) => {
            text += &format!(
                "Resistances {}, from {} of the load, the newest of {} A; the median cell has {} mohm. Compare them only with \
                 such steps at such temperatures.",
                lag_words(known.lag),
                counted(known.steps, "step", "steps"),
                fixed(known.newest.change, 1),
                fixed(known.median * 1e3, 3)
            );
        }
        Err(why) => text += &format!("No resistances: {why}."),
    }
    html.line("p", "", &text);
    let heads = [
        ("cell", Words),
        ("lowest V", Numbers),
        ("highest V", Numbers),
        ("at rest V", Numbers),
        ("from median mV", Numbers),
        ("mohm", Numbers),
        ("x median", Numbers),
        ("drift mV/h", Numbers),
        ("alarms (numbers), findings", Text),
    ];
    let row = |place: u16| {
        let (channel, index) = (Channel::at(Quantity::CellVoltage, place), usize::from(place) - 1);
        let extreme = account.extreme(channel);
        let volts = |nanos: Option<i64>| nanos.map_or("none".to_owned(), |nanos| bare(Dimension::Voltage, nanos));
        let apart = rest.and_then(|rest| Some((rest, rest.apart.get(index)?.as_ref()?)));
        let at_rest = apart.map_or("not known".to_owned(), |(rest, apart)| fixed(rest.median.value + apart.value, 4));
        let resistance = figures.resistances.as_ref().ok().and_then(|known| known.cells.get(index)?.as_ref());
        let ratio = resistance.and_then(|resistance| resistance.ratio.as_ref());
        let cells = vec![
            place.to_string(),
            volts(extreme.map(|span| span.lowest)),
            volts(extreme.map(|span| span.highest)),
            at_rest,
            estimate(apart.map(|(_, apart)| apart), 1e3),
            estimate(resistance.map(|resistance| &resistance.held), 1e3),
            estimate(ratio, 1.0),
            estimate(figures.drifts.get(index).and_then(Option::as_ref), 1e3),
            marks(account, channel),
        ];
        (worst_at(account, channel), cells)
    };
    let rows: Vec<_> = (1..=account.pack.cells()).map(row).collect();
    table(&heads, &rows, html);
    let text = "\u{b1} is one standard uncertainty, of scatter and rounding; an error that the BMS makes at a cell each time is \
                not in it.";
    html.line("p", "soft", text);
}

/// A value as sent without its unit.
pub(crate) fn bare(dimension: Dimension, nanos: i64) -> String {
    let text = amount(dimension, nanos);
    text.strip_suffix(dimension.base_unit()).map_or(text.clone(), |text| text.trim_end().to_owned())
}

fn temperatures(account: &Account, html: &mut Html) {
    let names = account.pack.temperatures();
    if names.is_empty() {
        return;
    }
    heading(account.practice, "Temperatures", html);
    let heads = [
        ("sensor", Words),
        ("place", Text),
        ("first degC", Numbers),
        ("lowest degC", Numbers),
        ("highest degC", Numbers),
        ("at rest degC/min", Numbers),
        ("alarms (numbers), findings", Text),
    ];
    let row = |(index, name): (usize, &String)| {
        let channel = Channel::at(Quantity::Temperature, u16::try_from(index + 1).unwrap_or(u16::MAX));
        let degrees = |nanos: Option<i64>| nanos.map_or("none".to_owned(), |nanos| bare(Dimension::Temperature, nanos));
        let extreme = account.extreme(channel);
        let cells = vec![
            channel.place.to_string(),
            name.clone(),
            degrees(account.conditions.first_temperatures.get(index).copied().flatten()),
            degrees(extreme.map(|span| span.lowest)),
            degrees(extreme.map(|span| span.highest)),
            estimate(account.figures.rises.get(index).and_then(Option::as_ref), 1.0),
            marks(account, channel),
        ];
        (worst_at(account, channel), cells)
    };
    let rows: Vec<_> = names.iter().enumerate().map(row).collect();
    table(&heads, &rows, html);
}

fn measured(account: &Account, html: &mut Html) {
    heading(account.practice, "Measured", html);
    if account.verdict.measured.is_empty() {
        html.line("p", "", "Nothing could be measured.");
        return;
    }
    let row = |measured: &rules::Measured| match &measured.result {
        Ok(figure) => {
            let span = format!("{} to {}", seconds(figure.from), seconds(figure.to));
            ("", vec![measured.name.to_owned(), figure.text.clone(), span])
        }
        Err(why) => ("", vec![measured.name.to_owned(), format!("none: {why}"), String::new()]),
    };
    let rows: Vec<_> = account.verdict.measured.iter().map(row).collect();
    table(&[("what", Words), ("result", Text), ("from the data of", Words)], &rows, html);
}

fn alarms(account: &Account, html: &mut Html) {
    heading(account.practice, "Alarms", html);
    if account.alarms.is_empty() {
        html.line("p", "", "None.");
        return;
    }
    let row = |line: &crate::account::AlarmLine| {
        let alarm = &line.alarm;
        let class = if alarm.worst == Severity::Critical { "bad" } else { "look" };
        let first = if alarm.first_out { ", came first" } else { "" };
        let returned = match (alarm.active, line.returned_at) {
            (false, Some(at)) => seconds(at),
            (false, None) => "not known".to_owned(),
            (true, _) => "held to the end".to_owned(),
        };
        let cells = vec![
            format!("{}{first}", alarm.number),
            alarm.worst.name().to_owned(),
            format!("{}: {}", alarm.check, alarm.worst_text),
            seconds(alarm.first_at),
            seconds(alarm.worst_at),
            returned,
            line.raised.to_string(),
            alarm.state.name().to_owned(),
        ];
        (class, cells)
    };
    // Of too many for a page the critical ones are shown.
    let mut shown: Vec<&crate::account::AlarmLine> = account.alarms.iter().collect();
    if LISTED < shown.len() {
        shown.sort_by_key(|line| std::cmp::Reverse(line.alarm.worst));
        html.line("p", "", &format!("{} alarms; {LISTED} of them, the critical ones first:", shown.len()));
    }
    let rows: Vec<_> = shown.into_iter().take(LISTED).map(row).collect();
    let heads = [
        ("number", Words),
        ("worst", Words),
        ("what", Text),
        ("first", Numbers),
        ("worst at", Numbers),
        ("went", Numbers),
        ("times", Numbers),
        ("at the end", Words),
    ];
    table(&heads, &rows, html);
}

fn stages(account: &Account, html: &mut Html) {
    heading(account.practice, "Stages", html);
    let rows: Vec<_> = (account.stages.first.iter().take(LISTED))
        .map(|line| ("", vec![seconds(line.at), line.stage.name().to_owned(), line.why.clone()]))
        .collect();
    if rows.is_empty() {
        html.line("p", "", "No stage was seen: without a current or a bus voltage nobody can tell one from another.");
        return;
    }
    table(&[("from", Numbers), ("stage", Words), ("what shows it", Text)], &rows, html);
    more(&account.stages, html);
}

/// How many of a list are not shown.
fn more<T>(list: &List<T>, html: &mut Html) {
    let count = list.more + list.first.len().saturating_sub(LISTED) as u64;
    if 0 < count {
        html.line("p", "", &format!("and {count} more, which are in the recording"));
    }
}

fn by_hand(account: &Account, html: &mut Html) {
    heading(account.practice, "Checks before power and readings by hand", html);
    let told = |line: &&HandLine| line.entry.is_some() || line.required || line.latched;
    let row = |line: &HandLine| {
        let class = match line.judged.result {
            HandResult::Passed => "ok",
            HandResult::Failed => "bad",
            HandResult::Warning => "look",
            HandResult::NotDone => "none",
        };
        let class = if line.latched { "bad" } else { class };
        let mut why = line.judged.why.clone();
        if line.latched {
            why += "; an earlier failure holds for the session";
        }
        let (value, instrument, when) = match &line.entry {
            Some((at, reading)) => {
                let value = reading.value.map_or(reading.outcome.name().to_owned(), rules::prepare::amount);
                let age = match reading.age_seconds {
                    0 => String::new(),
                    age => format!(", taken {age} s before"),
                };
                if !reading.remark.is_empty() {
                    why += &format!("; {}", reading.remark);
                }
                (value, reading.instrument.clone(), format!("{}{age}", seconds(*at)))
            }
            None => (String::new(), String::new(), String::new()),
        };
        let limit = line.limit.clone().unwrap_or_default();
        let name = if line.required { format!("{} (required)", line.item.name()) } else { line.item.name().to_owned() };
        (class, vec![line.judged.result.name().to_owned(), name, value, limit, instrument, when, why])
    };
    let rows: Vec<_> = account.hand.iter().filter(told).map(row).collect();
    if !rows.is_empty() {
        let heads = [
            ("result", Words),
            ("what", Words),
            ("found", Numbers),
            ("limit", Text),
            ("instrument", Text),
            ("entered", Words),
            ("why, remark", Text),
        ];
        table(&heads, &rows, html);
    }
    let not_done: Vec<&str> = (account.hand.iter())
        .filter(|line| line.judged.result == HandResult::NotDone && !told(line))
        .map(|line| line.item.name())
        .collect();
    if !not_done.is_empty() {
        html.element("p", &[], |html| {
            html.line("b", "", &format!("Not done ({} of {}): ", not_done.len(), account.hand.len()));
            html.text(&format!("{}.", not_done.join(", ")));
        });
    }
}

fn notes(account: &Account, html: &mut Html) {
    if account.notes.first.is_empty() {
        return;
    }
    heading(account.practice, "Notes of the person", html);
    said(&account.notes, html);
}

fn said(lines: &List<TextLine>, html: &mut Html) {
    let shown = lines.first.iter().take(LISTED);
    let rows: Vec<_> = shown.map(|line| ("", vec![seconds(line.at), line.text.clone()])).collect();
    table(&[("at", Numbers), ("what", Text)], &rows, html);
    more(lines, html);
}

fn link(account: &Account, html: &mut Html) {
    heading(account.practice, "Line to the BMS", html);
    let line = &account.figures.line;
    let silence = match line.longest_silence {
        Some((gap, from)) => format!("{:.3} s, from {}", gap.as_secs_f64(), seconds(from)),
        None => "none longer than allowed".to_owned(),
    };
    let messages: Vec<String> = line.messages.iter().map(|(name, frames)| format!("{name}: {frames}")).collect();
    let at = |at: Option<model::SessionTime>| at.map_or("no".to_owned(), |at| format!("at {}", seconds(at)));
    let rows = [
        ("sound frames", line.sound.to_string()),
        ("damaged frames", format!("{}, of these missed by the counters {}", line.damaged, line.lost_by_counter)),
        ("bytes", line.bytes.to_string()),
        ("frames of each message", messages.join("; ")),
        ("frames that the protocol file does not know", line.unknown.to_string()),
        ("frames that can't be checked or paired", line.untrusted.to_string()),
        ("errors that the line reported", line.line_errors.to_string()),
        ("longest silence", silence),
        ("first sound frame", at(line.first_frame_at)),
        ("source lost", at(line.lost_at)),
        ("host's clock jumped", at(line.clock_step_at)),
        ("device started again", at(line.restart_at)),
    ];
    let rows: Vec<_> = rows.into_iter().map(|(what, value)| ("", vec![what.to_owned(), value])).collect();
    table(&[("what", Words), ("value", Text)], &rows, html);
    if !account.link.first.is_empty() {
        said(&account.link, html);
    }
}

fn limits(account: &Account, html: &mut Html) {
    heading(account.practice, "Limits in force", html);
    let pack = &account.pack;
    let row = |name: LimitName| {
        let (limit, dimension) = (pack.limit(name), name.dimension());
        let side = |value: Option<i64>| value.map_or("none".to_owned(), |value| amount(dimension, value));
        let held = match account.held.of(name) {
            Some((lowest, highest)) => format!("{} to {}", rounded(dimension, lowest), rounded(dimension, highest)),
            None => "nothing".to_owned(),
        };
        let cells = vec![
            name.key().replace('_', " "),
            side(limit.warning),
            side(limit.critical),
            held,
            pack.limit_source(name).to_owned(),
        ];
        ("", cells)
    };
    let rows: Vec<_> = LimitName::all().map(row).collect();
    let heads =
        [("limit", Words), ("warning", Numbers), ("critical", Numbers), ("held against it", Numbers), ("source", Text)];
    table(&heads, &rows, html);
}

/// A value that was worked out: to four decimals.
fn rounded(dimension: Dimension, nanos: i64) -> String {
    amount(dimension, nanos.saturating_add(nanos.signum() * 50_000) / 100_000 * 100_000)
}

fn provenance(account: &Account, made_by: &str, html: &mut Html) {
    heading(account.practice, "Where this comes from", html);
    let (file, pack) = (&account.file, &account.pack);
    let (protocol, summary) = &account.protocol;
    let summary = if summary.is_empty() { String::new() } else { format!(": {summary}") };
    let hash = file.sha256.clone().unwrap_or_else(|| "not known: the file could not be read again".to_owned());
    let amp_hours = model::format_nanos_exact(pack.capacity_nanos(), 0);
    let host = if account.host.is_empty() { String::new() } else { format!(", on {}", account.host) };
    let times = match account.times {
        Times::Measured => "stamped when the bytes were read",
        Times::Assumed => "assumed from the line rate",
    };
    let rows = [
        ("file", format!("{}, {} bytes", file.name, file.bytes)),
        ("SHA-256 of the file", hash),
        ("session began", account.started_utc_nanos.map_or("not recorded".to_owned(), utc)),
        ("length", format!("{} s", account.end)),
        ("source", account.source.clone()),
        ("times", times.to_owned()),
        ("recorded by", format!("{}{host}", account.recorded_by)),
        (
            "pack",
            format!(
                "{}, {} cells in series, {} in parallel, {}, {amp_hours} Ah",
                pack.name(),
                pack.cells(),
                pack.parallel(),
                pack.chemistry().name()
            ),
        ),
        ("protocol", format!("{protocol}{summary}")),
        ("frames, bytes", format!("{} sound, {} bytes", account.figures.line.sound, account.figures.line.bytes)),
        ("this report by", made_by.to_owned()),
    ];
    let rows: Vec<_> = rows.into_iter().map(|(what, value)| ("", vec![what.to_owned(), value])).collect();
    table(&[("what", Words), ("value", Text)], &rows, html);
    let text = "The recording is the evidence: it holds every byte with its time, and the texts that it was judged by. This \
                report is worked out from it and can be worked out again.";
    html.line("p", "soft", text);
}
