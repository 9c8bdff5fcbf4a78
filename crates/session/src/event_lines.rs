//! Events as lines: one JSON object each, or a line for people.

use model::{SessionTime, Times};
use rules::{Alarm, EventKind, Finding, Measured, Verdict};
use serde_json::{Map, Value, json};

use crate::engine::SessionEvent;

/// The version of the JSON lines. It goes up when a name changes or goes.
const VERSION: u32 = 1;

/// The event as one JSON object on one line, without the line end.
///
/// `practice` is the session's: it stands in every verdict, so that none can be taken for a real one.
pub fn json_line(event: &SessionEvent, practice: bool) -> String {
    match event {
        SessionEvent::Began(header) => {
            let times = match header.times {
                Times::Measured => "measured",
                Times::Assumed => "assumed",
            };
            let mut fields = Map::new();
            fields.insert("version".to_owned(), VERSION.into());
            fields.insert("source".to_owned(), header.source.clone().into());
            fields.insert("practice".to_owned(), header.practice.into());
            fields.insert("times".to_owned(), times.into());
            fields.insert("started_utc_ns".to_owned(), header.started_utc_nanos.into());
            fields.insert("made_by".to_owned(), header.tool_version.clone().into());
            fields.insert("host".to_owned(), header.host.clone().into());
            line("session", SessionTime::ZERO, fields)
        }
        SessionEvent::Recorder { at, change, text } => {
            let mut fields = Map::new();
            fields.insert("change".to_owned(), change.name().into());
            fields.insert("text".to_owned(), text.clone().into());
            line("recorder", *at, fields)
        }
        SessionEvent::Rules(event) => {
            let (name, fields) = match &event.kind {
                EventKind::Stage { stage, why } => ("stage", object(json!({ "stage": stage.name(), "why": why }))),
                EventKind::Alarm { alarm, change } => ("alarm", alarm_fields(alarm, change.name())),
                EventKind::Finding { finding, change } => ("finding", finding_fields(finding, Some(change.name()))),
                EventKind::Link { change, text } => ("link", object(json!({ "change": change.name(), "text": text }))),
                EventKind::Note { text } => ("note", object(json!({ "text": text }))),
                EventKind::Verdict(verdict) => ("verdict", verdict_fields(verdict, practice)),
            };
            line(name, event.at, fields)
        }
    }
}

fn object(value: Value) -> Map<String, Value> {
    match value {
        Value::Object(map) => map,
        _ => Map::new(),
    }
}

/// The time is printed from the integer, not from a float.
fn line(event: &str, at: SessionTime, fields: Map<String, Value>) -> String {
    let fields = Value::Object(fields).to_string();
    let rest = fields.trim_start_matches('{');
    let comma = if rest == "}" { "" } else { "," };
    format!("{{\"event\":\"{event}\",\"at_s\":{at}{comma}{rest}")
}

fn alarm_fields(alarm: &Alarm, change: &str) -> Map<String, Value> {
    let mut fields = object(json!({
        "alarm": alarm.number,
        "change": change,
        "severity": alarm.severity.name(),
        "state": alarm.state.name(),
        "check": alarm.check.name(),
        "place": alarm.place.map(|place| place.to_string()),
        "text": alarm.text,
        "first": alarm.first_out,
    }));
    if let Some(bytes) = alarm.bytes {
        fields.insert("bytes".to_owned(), json!([bytes.start, bytes.end]));
    }
    fields
}

fn finding_fields(finding: &Finding, change: Option<&str>) -> Map<String, Value> {
    let places: Vec<String> = finding.places.iter().map(ToString::to_string).collect();
    let mut fields = object(json!({
        "finding": finding.number,
        "cause": finding.cause.name(),
        "places": places,
        "confidence": finding.confidence.name(),
        "severity": finding.severity.name(),
        "text": finding.text,
        "since_s": seconds(finding.since),
        "from_s": seconds(finding.from),
        "to_s": seconds(finding.to),
        "for": finding.supports,
        "against": finding.against,
        "look_at": finding.look_at(),
    }));
    if let Some(change) = change {
        fields.insert("change".to_owned(), change.into());
    }
    fields
}

fn measured_fields(measured: &Measured) -> Map<String, Value> {
    let figure = match &measured.result {
        Ok(figure) => figure,
        Err(why) => return object(json!({ "name": measured.name, "none": why })),
    };
    let mut fields = object(json!({
        "name": measured.name,
        "value": number(figure.value),
        "unit": figure.unit,
        "from_s": seconds(figure.from),
        "to_s": seconds(figure.to),
        "text": figure.text,
    }));
    if let Some(uncertainty) = figure.uncertainty {
        fields.insert("uncertainty".to_owned(), number(uncertainty));
    }
    if let Some(place) = figure.place {
        fields.insert("place".to_owned(), place.to_string().into());
    }
    fields
}

/// Billionths as the nearest number.
fn number(nanos: i64) -> Value {
    (nanos as f64 / 1e9).into()
}

/// To the millisecond, from the integer.
fn seconds(at: SessionTime) -> Value {
    ((at.nanos / 1_000_000) as f64 / 1000.0).into()
}

fn verdict_fields(verdict: &Verdict, practice: bool) -> Map<String, Value> {
    let checks: Vec<Value> = verdict
        .checks
        .iter()
        .map(|check| {
            let mut fields = object(json!({ "check": check.check.name(), "result": check.result.name() }));
            if let Some(place) = check.place {
                fields.insert("place".to_owned(), place.to_string().into());
            }
            fields.insert("why".to_owned(), check.why.clone().into());
            Value::Object(fields)
        })
        .collect();
    let covers: Vec<&str> = verdict.covers.iter().map(|stage| stage.name()).collect();
    let mut fields = object(json!({
        "outcome": verdict.outcome.name(),
        "covers": covers,
        "untested": verdict.untested,
        "checks": checks,
        "because": verdict.because,
        "findings": verdict.findings.iter().map(|finding| finding_fields(finding, None)).collect::<Vec<_>>(),
        "measured": verdict.measured.iter().map(measured_fields).collect::<Vec<_>>(),
        "notes": verdict.notes,
    }));
    if practice {
        fields.insert("practice".to_owned(), true.into());
    }
    fields
}

/// The event as one line for people, without the line end; `None` for what is said elsewhere.
pub fn text_line(event: &SessionEvent, practice: bool) -> Option<String> {
    let (at, word, text) = match event {
        SessionEvent::Began(header) => {
            let mark = if practice { " (practice: no real pack)" } else { "" };
            (SessionTime::ZERO, "session", format!("{}{mark}", header.source))
        }
        SessionEvent::Recorder { at, change, text } => (*at, "recorder", format!("{} {text}", change.name())),
        SessionEvent::Rules(event) => match &event.kind {
            EventKind::Stage { stage, why } => (event.at, "stage", format!("{stage}: {why}")),
            EventKind::Alarm { alarm, change } => {
                let first = if alarm.first_out { ", came first" } else { "" };
                let word = match change {
                    rules::AlarmChange::Raised | rules::AlarmChange::Worse => "ALARM",
                    _ => "alarm",
                };
                let text = format!(
                    "{} {}: {}: {} (alarm {}{first})",
                    alarm.severity.name(),
                    change.name(),
                    alarm.check,
                    alarm.text,
                    alarm.number
                );
                (event.at, word, text)
            }
            EventKind::Finding { finding, change } => {
                (event.at, "FINDING", format!("{} {}", change.name(), finding_line(finding)))
            }
            EventKind::Link { change, text } => (event.at, "link", format!("{}: {text}", change.name())),
            EventKind::Note { text } => (event.at, "note", text.clone()),
            EventKind::Verdict(verdict) => {
                let mark = if practice { " (practice)" } else { "" };
                let because = verdict.because.first().map_or("", String::as_str);
                (event.at, "verdict", format!("{}{mark}: {because}", verdict.outcome.name()))
            }
        },
    };
    let at = format!("{}.{:03}", at.nanos / 1_000_000_000, at.nanos / 1_000_000 % 1000);
    Some(format!("{at:>9} s  {word:<9}{text}"))
}

/// `proven: open sense lead at cells 9 and 10: ...`
fn finding_line(finding: &Finding) -> String {
    let place = finding.place();
    let at = if place.is_empty() { "" } else { " at " };
    format!("{}: {}{at}{place}: {}", finding.confidence.name(), finding.cause, finding.text)
}

/// The whole verdict for people, a line each.
pub fn verdict_lines(verdict: &Verdict, practice: bool) -> Vec<String> {
    let mark = if practice { "  (PRACTICE: no real pack was judged)" } else { "" };
    let headline = match verdict.outcome {
        rules::Outcome::Go => "GO for the next step, and no further",
        rules::Outcome::NoGo => "NO-GO",
        rules::Outcome::CannotTell => "CANNOT TELL",
    };
    let mut lines = vec![String::new(), format!("{headline}{mark}")];
    lines.extend(verdict.because.iter().map(|because| format!("  because   {because}")));
    for finding in &verdict.findings {
        lines.push(format!("  found     {}", finding_line(finding)));
        lines.extend(finding.supports.iter().map(|text| format!("            for: {text}")));
        lines.extend(finding.against.iter().map(|text| format!("            against: {text}")));
        lines.push(format!("            look at: {}", finding.look_at()));
    }
    let covers: Vec<&str> = verdict.covers.iter().map(|stage| stage.name()).collect();
    let covers = if covers.is_empty() { "nothing".to_owned() } else { covers.join(", ") };
    lines.push(format!("  covers    {covers}"));
    lines.extend(verdict.untested.iter().map(|untested| format!("  untested  {untested}")));
    lines.push(String::new());
    for check in &verdict.checks {
        lines.push(format!("  {:<8}  {:<18}  {}", check.result.name(), check.check.name(), check.why));
    }
    if !verdict.measured.is_empty() {
        lines.push(String::new());
        lines.extend(verdict.measured.iter().map(|measured| format!("  measured  {}", measured.line())));
    }
    if !verdict.notes.is_empty() {
        lines.push(String::new());
        lines.extend(verdict.notes.iter().map(|note| format!("  note      {note}")));
    }
    lines
}
