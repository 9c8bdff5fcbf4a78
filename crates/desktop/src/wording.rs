//! What the screen says in words: one place, so that the same thing has the same name everywhere.

use std::time::Duration;

use model::Channel;
use model::{SessionTime, format_nanos};
use session::Snapshot;
use session::history::{Piece, Span};
use session::rules::{AlarmState, Cause, Check, Finding, HandResult, Outcome, Severity, Stage};
use session::snapshot::{Earlier, Link, Phase, Recording, Standing};

use crate::colours::Meaning;
use crate::sound::{self, By};

/// Data older than this is old, whatever it says.
pub const OLD_AFTER: Duration = Duration::from_secs(1);
/// Above this a pack can kill, in billionths of a volt: 60 V of the project's cautions.
pub(crate) const DANGEROUS: i64 = 60_000_000_000;

/// A short text, and what it means.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Said {
    /// The colour's meaning.
    pub meaning: Meaning,
    /// A shape that says the same without colour.
    pub sign: &'static str,
    /// In words.
    pub text: String,
}

fn said(meaning: Meaning, sign: &'static str, text: impl Into<String>) -> Said {
    Said { meaning, sign, text: text.into() }
}

/// A snapshot as it is looked at: how long ago it was made, and whether its maker still lives.
#[derive(Clone, Copy, Debug)]
pub struct Look<'s> {
    /// The session.
    pub snapshot: &'s Snapshot,
    /// How long ago it was handed over.
    pub since: Duration,
    /// The thread of the session is over.
    pub finished: bool,
}

impl Look<'_> {
    /// The age of the newest data now; `None` before the first frame.
    pub fn age(&self) -> Option<Duration> {
        let age = self.snapshot.age?;
        // After the end nothing is expected any more: the age is that of the end.
        Some(if self.snapshot.phase == Phase::Ended { age } else { age.saturating_add(self.since) })
    }

    /// Whether the data is too old to say anything about now.
    pub fn is_old(&self) -> bool {
        self.age().is_some_and(|age| OLD_AFTER < age)
    }

    /// The session's thread died by a fault of this program.
    pub fn died(&self) -> bool {
        self.finished && matches!(self.snapshot.phase, Phase::Opening | Phase::Running)
    }

    /// Session time now.
    pub fn now(&self) -> SessionTime {
        let at = self.snapshot.at;
        if self.snapshot.phase == Phase::Running { at + self.since } else { at }
    }
}

/// Which bits of a word: "bit 3", "bits 4 to 7". Lowest, and how many.
pub(crate) fn bits((low, count): (u8, u8)) -> String {
    match count {
        1 => format!("bit {low}"),
        _ => format!("bits {low} to {}", low.saturating_add(count.saturating_sub(1))),
    }
}

/// The answer, and its first reason in words.
pub fn verdict(look: Look<'_>) -> (Said, String) {
    let snapshot = look.snapshot;
    if look.died() {
        let why = "the session stopped by a fault of this program: nothing is watched";
        return (said(Meaning::Danger, "x", "NOT WATCHING"), why.to_owned());
    }
    match &snapshot.phase {
        Phase::Failed(failure) => {
            return (said(Meaning::Danger, "x", "NOT WATCHING"), failure.text.clone());
        }
        Phase::Opening => {
            let why = match snapshot.judged {
                Some(thousandths) => format!("the recording is being judged: {} %", thousandths / 10),
                None => "the source is being opened".to_owned(),
            };
            return (said(Meaning::Unknown, "?", "CANNOT TELL"), why);
        }
        Phase::Running | Phase::Ended => {}
    }
    let Some(verdict) = &snapshot.verdict else {
        return (said(Meaning::Unknown, "?", "CANNOT TELL"), "nothing was judged yet".to_owned());
    };
    let because = verdict.because.first().cloned().unwrap_or_default();
    match verdict.outcome {
        Outcome::NoGo => (said(Meaning::Danger, "x", "NO-GO"), because),
        // The newest snapshot is itself old: what it says of go does not hold any more.
        Outcome::Go if look.is_old() => {
            let why = format!("no new data for {}", age_text(look.age().unwrap_or_default()));
            (said(Meaning::Abnormal, "?", "CANNOT TELL"), why)
        }
        // What was seen can't be looked at again: the evidence has a hole (exit status 4 of the command line).
        Outcome::Go if incomplete(snapshot) => {
            let why = "the recording is incomplete; but for that, every required check passed";
            (said(Meaning::Abnormal, "?", "CANNOT TELL"), why.to_owned())
        }
        Outcome::Go => (said(Meaning::Safe, "+", "GO"), because),
        Outcome::CannotTell => (said(Meaning::Abnormal, "?", "CANNOT TELL"), because),
    }
}

fn incomplete(snapshot: &Snapshot) -> bool {
    matches!(snapshot.recording, Recording::Incomplete(_))
}

/// An age with one decimal, or in whole seconds when it is long.
pub fn age_text(age: Duration) -> String {
    match age.as_millis() {
        millis @ 0..1000 => format!("{}.{} s", millis / 1000, millis / 100 % 10),
        _ if age < Duration::from_secs(10) => format!("{}.{} s", age.as_secs(), age.subsec_millis() / 100),
        _ => format!("{} s", age.as_secs()),
    }
}

/// The link with the age of its newest data.
pub fn link(look: Look<'_>) -> Said {
    let over = look.snapshot.phase == Phase::Ended;
    match (&look.snapshot.link, look.age()) {
        (Link::Lost(why), age) => {
            let age = age.map_or(String::new(), |age| format!(", data {} old", age_text(age)));
            said(Meaning::Danger, "x", format!("link lost: {why}{age}"))
        }
        (Link::NotOpen, _) => said(Meaning::Unknown, "?", "not open"),
        (_, None) => said(Meaning::Unknown, "?", "no data yet"),
        (_, Some(age)) if over => said(Meaning::Unknown, "=", format!("ended, data was {} old", age_text(age))),
        (_, Some(age)) if OLD_AFTER < age => {
            said(Meaning::Abnormal, "!", format!("OLD: no data for {}", age_text(age)))
        }
        (_, Some(age)) => said(Meaning::Safe, "+", format!("data {} old", age_text(age))),
    }
}

/// What becomes of the bytes.
pub fn recording(recording: &Recording) -> Said {
    match recording {
        Recording::Off => said(Meaning::Unknown, "o", "not recording"),
        Recording::On(_) => said(Meaning::Safe, "+", "recording"),
        Recording::Incomplete(why) => said(Meaning::Danger, "x", format!("recording incomplete: {why}")),
        Recording::Finished => said(Meaning::Unknown, "=", "recording closed, whole"),
    }
}

/// Whether an alarm can be heard, and by what.
pub fn sound(status: &sound::Status) -> Said {
    if status.silenced {
        return said(Meaning::Abnormal, "!", "SILENCED until the next alarm");
    }
    let failed = status.failed.as_ref().map_or(String::new(), |why| format!(" ({why})"));
    match &status.by {
        By::Program(name) if status.tried => said(Meaning::Unknown, "=", format!("sound by {name}")),
        By::Program(name) => said(Meaning::Unknown, "?", format!("sound by {name}, not tried yet{failed}")),
        By::Bell => said(Meaning::Unknown, "?", format!("sound by the terminal's bell only{failed}")),
        By::Nothing => said(Meaning::Abnormal, "!", format!("NO SOUND: keep an eye on the screen{failed}")),
    }
}

/// A new session began on the open line, and how the one before ended.
pub fn earlier(earlier: &Earlier) -> Said {
    let outcome = earlier.outcome.map_or("without a verdict", Outcome::name);
    let recording = match (&earlier.recording, &earlier.incomplete) {
        (Some(path), None) => format!(", recorded in {path}"),
        (Some(path), Some(why)) => format!(", recorded in {path} incompletely ({why})"),
        (None, _) => String::new(),
    };
    let text = format!(
        "A new session began, judged by other limits. The one before ended after {}: {outcome}{recording}",
        elapsed(earlier.length)
    );
    let bad = earlier.incomplete.is_some();
    said(if bad { Meaning::Abnormal } else { Meaning::Action }, if bad { "!" } else { "=" }, text)
}

/// The stage in words.
pub fn stage(stage: Option<Stage>) -> &'static str {
    match stage {
        None | Some(Stage::Unknown) => "stage not known",
        Some(Stage::BmsOnly) => "BMS only, bus dead",
        Some(Stage::BusRise) => "bus rising",
        Some(Stage::Idle) => "idle, bus live",
        Some(Stage::Rest) => "at rest",
        Some(Stage::Load) => "under load",
        Some(Stage::SwitchOpened) => "switch opened, bus still charged",
        Some(Stage::Recovery) => "recovering after load",
    }
}

/// Minutes and seconds.
pub fn elapsed(at: SessionTime) -> String {
    let seconds = at.nanos / 1_000_000_000;
    format!("{:02}:{:02}", seconds / 60, seconds % 60)
}

/// The colour of a standing, a shape for it, and its word.
pub fn standing(standing: Standing) -> Said {
    match standing {
        Standing::Unknown => said(Meaning::Unknown, "?", "no data"),
        Standing::Inside => said(Meaning::Safe, "+", "inside its limits"),
        Standing::Warning => said(Meaning::Abnormal, "!", "warning"),
        Standing::Critical => said(Meaning::Danger, "x", "critical"),
    }
}

/// Where an alarm is in its life, for the list.
pub fn alarm_state(state: AlarmState) -> &'static str {
    match state {
        AlarmState::Unacknowledged => "holds, not acknowledged",
        AlarmState::Acknowledged => "holds, acknowledged",
        AlarmState::ReturnedUnacknowledged => "cleared, not acknowledged",
        AlarmState::LatchedUnacknowledged => "cleared but latched, not acknowledged",
        AlarmState::LatchedAcknowledged => "cleared but latched, acknowledged",
        AlarmState::Shelved => "put aside",
        AlarmState::Normal => "over",
    }
}

/// The colour, shape and word of a check before power.
pub fn hand_result(result: HandResult) -> Said {
    let (meaning, sign) = match result {
        HandResult::NotDone => (Meaning::Unknown, "o"),
        HandResult::Passed => (Meaning::Safe, "+"),
        HandResult::Warning => (Meaning::Abnormal, "!"),
        HandResult::Failed => (Meaning::Danger, "x"),
    };
    said(meaning, sign, result.name())
}

/// How long ago something was, roughly.
pub fn ago(age: Duration) -> String {
    match age.as_secs() {
        0..60 => "just now".to_owned(),
        seconds @ 60..7200 => format!("{} min ago", seconds / 60),
        seconds @ 7200..172_800 => format!("{} h ago", seconds / 3600),
        seconds => format!("{} days ago", seconds / 86_400),
    }
}

/// How long something still lasts.
pub fn left(time: Duration) -> String {
    let seconds = time.as_secs();
    if seconds < 60 { format!("{seconds} s") } else { format!("{} min {:02} s", seconds / 60, seconds % 60) }
}

/// The colour and shape of a severity.
pub fn severity(severity: Severity) -> Said {
    match severity {
        Severity::Warning => said(Meaning::Abnormal, "!", "warning"),
        Severity::Critical => said(Meaning::Danger, "x", "critical"),
    }
}

/// What to do now, by stage and by what is wrong.
pub fn next_action(look: Look<'_>) -> Said {
    let snapshot = look.snapshot;
    let act = |text: &str| said(Meaning::Action, ">", text);
    if look.died() || matches!(snapshot.phase, Phase::Failed(_)) {
        return act("Nothing is watched: keep the switch open, then start a new session");
    }
    let practice = snapshot.facts.as_ref().is_some_and(|facts| facts.practice);
    let prefix = if practice { "Practice: " } else { "" };
    let text = match (&snapshot.phase, snapshot.verdict.as_deref()) {
        (Phase::Opening, _) if snapshot.judged.is_some() => {
            "Look at the values meanwhile: the answer comes when all of it is judged".to_owned()
        }
        (Phase::Opening, _) | (_, None) => "Keep the switch open until there is data".to_owned(),
        (Phase::Ended, Some(_)) => after_the_end(look),
        (_, Some(verdict)) => match verdict.outcome {
            Outcome::NoGo => stop(look),
            _ if matches!(snapshot.link, Link::Lost(_)) || look.is_old() => {
                format!("Nobody is watching the pack: {}; then look at the data line", lower(&open_it(look)))
            }
            _ if critical_finding(look).is_some() => stop(look),
            _ if snapshot.stage == Some(Stage::SwitchOpened) => open_it(look),
            Outcome::CannotTell if snapshot.age.is_none() => {
                "No data yet: keep the switch open; check power of the BMS, plug, and line rate".to_owned()
            }
            Outcome::CannotTell => {
                let why = verdict.because.first().map_or("", String::as_str);
                format!("Wait, and change nothing: {why}")
            }
            Outcome::Go if incomplete(snapshot) => {
                format!("{}; make room for the recording, then start a new session", open_it(look))
            }
            Outcome::Go => match snapshot.stage {
                Some(Stage::BmsOnly) => "Go for the next step: pre-charge, hand on the switch".to_owned(),
                Some(Stage::BusRise) => "Wait until the bus is full and flat before you close".to_owned(),
                Some(Stage::Idle | Stage::Rest) => {
                    "Go for the next step: a small load, props off, hand on the switch".to_owned()
                }
                Some(Stage::Load) => "Hold the load a few seconds, then throttle to zero".to_owned(),
                Some(Stage::Recovery) => "Leave throttle at zero until the pack is at rest".to_owned(),
                Some(Stage::Unknown | Stage::SwitchOpened) | None => "Wait for a reading of current or bus".to_owned(),
            },
        },
    };
    act(&format!("{prefix}{text}"))
}

/// How to stop, by whether current flows and whether the switch is open already.
fn open_it(look: Look<'_>) -> String {
    match look.snapshot.stage {
        Some(Stage::Load) => "Throttle to zero, then open the switch".to_owned(),
        Some(Stage::BmsOnly) => "Keep the switch open".to_owned(),
        Some(Stage::BusRise) => "Break off the pre-charge: open the switch".to_owned(),
        Some(Stage::SwitchOpened) => charged_bus(look),
        _ => "Open the switch".to_owned(),
    }
}

/// The switch is open and the bus still charged: how long to wait before metering it.
fn charged_bus(look: Look<'_>) -> String {
    let Some(bus) = look.snapshot.bus.latest else {
        return "Switch opened: the bus is not known, take it as live".to_owned();
    };
    let bus = format_nanos(bus, 0);
    match bus_fall(look.snapshot) {
        Some(Fall::None) => format!("Bus still at {bus} V: it does not fall: take it as live"),
        Some(Fall::Dead(seconds)) => {
            format!("Bus still at {bus} V: wait about {}, then meter before touching", about(seconds))
        }
        None => format!("Bus still at {bus} V: wait until it is dead, then meter before touching"),
    }
}

/// What the bus does after the switch was opened.
#[derive(Clone, Copy, PartialEq, Debug)]
enum Fall {
    /// It stays where it is.
    None,
    /// It is below [`DEAD`] in so many seconds, if it goes on as it does.
    Dead(f64),
}

/// A bus below this is dead, in volts. Common practice, no source.
const DEAD: f64 = 5.0;
/// Readings this many seconds apart say how fast the bus falls; no longer ago than the second number.
const APART: std::ops::RangeInclusive<f64> = 2.0..=6.0;
/// A bus that has lost less than this share in that time does not fall.
const FALLEN: f64 = 0.005;

/// In seconds while they can be counted, then in minutes.
fn about(seconds: f64) -> String {
    if seconds < 120.0 { format!("{seconds:.0} s") } else { format!("{:.0} min", (seconds / 60.0).ceil()) }
}

/// From the newest reading and the oldest of the last seconds, since the switch was opened: `t = tau ln(V / 5 V)`.
fn bus_fall(snapshot: &Snapshot) -> Option<Fall> {
    let (opened, _) = *snapshot.stages.last().filter(|(_, stage)| *stage == Stage::SwitchOpened)?;
    let since_opened = |(at, piece): (u64, Option<Piece>)| Some((at, piece?)).filter(|(at, _)| opened.nanos <= *at);
    let readings: Vec<_> = snapshot.history.bus.pieces(Span::Minute).filter_map(since_opened).collect();
    let (newest, last) = *readings.last()?;
    #[expect(clippy::cast_precision_loss, reason = "seconds and volts for a person")]
    let (seconds, volts) = (|nanos: u64| nanos as f64 / 1e9, |nanos: i64| nanos as f64 / 1e9);
    let before = readings.iter().find(|(at, _)| seconds(newest - at) <= *APART.end());
    let (at, first) = before.filter(|(at, _)| *APART.start() <= seconds(newest - at))?;
    let (first, last) = (volts(first.highest), volts(last.lowest));
    if last <= DEAD {
        return Some(Fall::Dead(0.0));
    }
    if first * (1.0 - FALLEN) < last {
        return Some(Fall::None);
    }
    let tau = seconds(newest - at) / (first / last).ln();
    Some(Fall::Dead(tau * (last / DEAD).ln()))
}

/// The findings, the worst and then the surest first.
pub fn findings(look: Look<'_>) -> Vec<&Finding> {
    let mut findings: Vec<_> = look.snapshot.verdict.iter().flat_map(|verdict| &verdict.findings).collect();
    findings.sort_by_key(|finding| std::cmp::Reverse((finding.severity, finding.confidence)));
    findings
}

/// The worst finding at a place.
pub fn finding_at(look: Look<'_>, place: Channel) -> Option<&Finding> {
    findings(look).into_iter().find(|finding| finding.places.contains(&place))
}

/// The same in words, to be added to those of the place; empty without a finding.
pub fn found_at(look: Look<'_>, place: Channel) -> String {
    finding_at(look, place)
        .map_or(String::new(), |finding| format!(", finding: {} {}", finding.confidence.name(), finding.cause))
}

/// Cause and place: `Open sense lead: cells 9 and 10`.
pub fn finding(finding: &Finding) -> String {
    let cause = upper(finding.cause.name());
    match finding.place() {
        place if place.is_empty() => cause,
        place => format!("{cause}: {place}"),
    }
}

fn critical_finding(look: Look<'_>) -> Option<&Finding> {
    findings(look).into_iter().find(|finding| finding.severity == Severity::Critical)
}

/// Where to look once the switch is open.
fn then_look(look: Look<'_>, finding: &Finding) -> String {
    let look_at = finding.look_at();
    match (finding.cause, finding.place()) {
        // Opening the switch does not help here.
        (Cause::WeldedContact | Cause::BusLiveEarly, _) => upper(look_at),
        (cause, place) if !place.is_empty() => format!("{}; then look at {place}: {cause}", open_it(look)),
        _ => format!("{}; then look at: {look_at}", open_it(look)),
    }
}

fn stop(look: Look<'_>) -> String {
    let verdict = look.snapshot.verdict.as_deref();
    let hot = look.snapshot.alarms.iter().any(|alarm| {
        alarm.active
            && alarm.severity == Severity::Critical
            && matches!(alarm.check, Check::TemperatureHigh | Check::TemperatureRate)
    });
    let finding = critical_finding(look);
    if hot || finding.is_some_and(|finding| finding.cause == Cause::HeatingAtRest) {
        return format!("{}, step back, watch for smoke; do not go near a pack that heats", open_it(look));
    }
    if let Some(finding) = finding {
        return then_look(look, finding);
    }
    let failed = verdict.and_then(|verdict| {
        verdict.checks.iter().find(|check| check.result == session::rules::Result::Failed).map(|check| check.check)
    });
    let then = match failed {
        Some(Check::SenseLeads | Check::Deviation | Check::Spread | Check::PossibleValues) => {
            "then meter the named place at the sense plug"
        }
        Some(Check::Link | Check::MessagePeriods | Check::LiveValues | Check::Checksum) => {
            "then look at the data line: plug, adapter, distance to power leads"
        }
        Some(Check::PackSum) => "then meter the pack at its terminals",
        Some(Check::BeforePower) => "then set right what failed before power",
        Some(Check::CurrentAtRest) => "then look for what draws current",
        _ => "then find the cause before another try",
    };
    format!("{}, {then}", open_it(look))
}

fn after_the_end(look: Look<'_>) -> String {
    let facts = look.snapshot.facts.as_ref();
    if facts.is_some_and(|facts| facts.replay) {
        return "This is a recording: nothing is watched now".to_owned();
    }
    match look.snapshot.bus.latest {
        Some(bus) if DANGEROUS < bus => format!(
            "The session is over. The bus was at {} V: open the switch, wait, and meter before touching",
            format_nanos(bus, 0)
        ),
        _ => "The session is over: nothing is watched now. Meter the bus before touching".to_owned(),
    }
}

fn upper(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn lower(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_lowercase().chain(letters).collect())
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use session::history::History;

    /// The switch was opened at 10 s; the bus is read every 100 ms from then to `until`.
    fn opened(until: u64, volts: impl Fn(f64) -> f64) -> Snapshot {
        let mut history = History::default();
        let mut snapshot = Snapshot::default();
        for tenth in 100..=until * 10 {
            #[expect(clippy::cast_possible_truncation, clippy::cast_precision_loss, reason = "volts of a test")]
            let nanos = (volts(tenth as f64 / 10.0 - 10.0) * 1e9) as i64;
            history.bus.push(SessionTime::from_millis(tenth * 100), nanos);
            snapshot.bus.latest = Some(nanos);
        }
        let stages = vec![(SessionTime::ZERO, Stage::Idle), (SessionTime::from_millis(10_000), Stage::SwitchOpened)];
        Snapshot { stage: Some(Stage::SwitchOpened), stages: Arc::new(stages), history: Arc::new(history), ..snapshot }
    }

    fn says(snapshot: &Snapshot) -> String {
        open_it(Look { snapshot, since: Duration::ZERO, finished: false })
    }

    #[test]
    fn the_wait_follows_the_discharge_of_a_capacitor() {
        // v = 92 V exp(-t / 20 s): 5 V after 20 s x ln(92 / 5) = 58.2 s.
        let fall = |seconds: f64| 92.0 * (-seconds / 20.0).exp();
        assert_eq!(says(&opened(15, fall)), "Bus still at 72 V: wait about 53 s, then meter before touching");
        assert_eq!(says(&opened(30, fall)), "Bus still at 34 V: wait about 38 s, then meter before touching");
        assert_eq!(says(&opened(11, fall)), "Bus still at 88 V: wait until it is dead, then meter before touching");
        assert_eq!(says(&opened(70, fall)), "Bus still at 5 V: wait about 0 s, then meter before touching");
    }

    #[test]
    fn a_bus_that_does_not_fall_is_live() {
        let stays = "Bus still at 91 V: it does not fall: take it as live";
        assert_eq!(says(&opened(20, |_| 91.0)), stays);
        assert_eq!(says(&opened(20, |seconds| 91.0 + 0.01 * seconds)), stays);
        // 0.1 V/s of 90 V is a time constant of 900 s: 5 V after 900 s x ln(90 / 5) = 2600 s.
        let slow = opened(20, |seconds| 91.0 - 0.1 * seconds);
        assert_eq!(says(&slow), "Bus still at 90 V: wait about 44 min, then meter before touching");
    }
}
