//! From what was seen to the verdict: for each check the evidence that it holds, or what is missing.

use std::time::Duration;

use model::{Dimension, Means, Quantity, Times, format_nanos};

use super::plan::Word;
use super::{ENOUGH, Judge, hand};
use crate::alarms::Severity;
use crate::bus::BusState;
use crate::check::Check;
use crate::finding::{Confidence, Finding};
use crate::limits::LimitName;
use crate::link::{LONG_GAP, Link, WARNING_PERCENT};
use crate::pack_sum::Origin;
use crate::rate::RateWindow;
use crate::stage::Stage;
use crate::verdict::{CheckResult, Outcome, Result, Verdict, differ};
use crate::watch::{Watch, amount};

/// What makes a verdict another one.
pub(super) struct Answer {
    outcome: Outcome,
    covers: Vec<Stage>,
    checks: Vec<CheckResult>,
}

impl Answer {
    /// Whether the verdict would be another one than this.
    pub(super) fn differs_from(&self, last: &Verdict) -> bool {
        differ((self.outcome, &self.covers, &self.checks), (last.outcome, &last.covers, &last.checks))
    }
}

impl Judge {
    /// The verdict as of now.
    pub fn verdict(&self) -> Verdict {
        self.verdict_of(self.answer())
    }

    /// Enough of the verdict to tell whether it is another one than before.
    pub(super) fn answer(&self) -> Answer {
        let required = Check::ALL.iter().map(|(_, check)| *check).filter(|check| self.is_required(*check));
        let checks: Vec<CheckResult> = required.map(|check| self.check(check)).collect();
        let any = |result: Result| checks.iter().any(|check| check.result == result);
        let covers = self.covers();
        let too_short = self.observed() < self.pack.observe();
        let outcome = if any(Result::Failed) {
            Outcome::NoGo
        } else if any(Result::NoData) || too_short || covers.is_empty() {
            Outcome::CannotTell
        } else {
            Outcome::Go
        };
        Answer { outcome, covers, checks }
    }

    /// How long the line has been watched.
    fn observed(&self) -> Duration {
        self.link.first_frame_at.map_or(Duration::ZERO, |first| self.now.since(first))
    }

    /// The answer with everything that it rests on.
    pub(super) fn verdict_of(&self, answer: Answer) -> Verdict {
        let Answer { outcome, covers, checks } = answer;
        let observed = self.observed();
        let too_short = observed < self.pack.observe();
        let mut because = Vec::new();
        let with = |result: Result| checks.iter().filter(move |check| check.result == result);
        match outcome {
            Outcome::NoGo => {
                // What came first is nearest to the cause.
                let first = |check: &CheckResult| self.book.failed(check.check).map(|alarm| alarm.worst_at).min();
                let mut failed: Vec<&CheckResult> = with(Result::Failed).collect();
                failed.sort_by_key(|check| first(check));
                because.extend(failed.into_iter().map(|check| format!("{}: {}", check.check, check.why)));
            }
            Outcome::CannotTell => {
                if self.link.good == 0 {
                    because.push(self.no_frame());
                } else if too_short {
                    because.push(format!(
                        "watched for {} s, a verdict needs {} s",
                        observed.as_secs(),
                        self.pack.observe().as_secs()
                    ));
                }
                because.extend(with(Result::NoData).map(|check| format!("{}: {}", check.check, check.why)));
                if because.is_empty() {
                    because.push(
                        "no stage was seen: without a current or a bus voltage nobody can tell one from another"
                            .to_owned(),
                    );
                }
            }
            Outcome::Go => because.push("every required check passed".to_owned()),
        }
        let mut notes: Vec<String> = self
            .book
            .alarms()
            .iter()
            .filter(|alarm| alarm.worst == Severity::Warning)
            .map(|alarm| format!("warning: {}", alarm.worst_text))
            .collect();
        notes.extend(with(Result::Waived).map(|check| format!("waived: {}: {}", check.check, check.why)));
        if let Some(first) = self.book.alarms().iter().find(|alarm| alarm.first_out)
            && first.worst == Severity::Critical
        {
            notes.insert(0, format!("came first, at {:.3} s: {}", first.first_at, first.worst_text));
        }
        let findings = self.findings.findings().iter().filter(|finding| !finding.withdrawn).cloned().collect();
        let untested = self.untested(&covers);
        let measured = self.measured();
        Verdict { at: self.now, outcome, untested, covers, checks, because, findings, measured, notes }
    }

    /// What was checked by hand counts where the pack file requires it, and wherever it failed; the load's side of the
    /// switch where the line tells its voltage; the protocol where it calls itself a draft.
    fn is_required(&self, check: Check) -> bool {
        match check {
            Check::BeforePower => !self.pack.required_by_hand().is_empty() || self.book.failed(check).next().is_some(),
            Check::Bus => self.plan.carries(Quantity::BusVoltage),
            Check::ConfirmedProtocol => self.setup.draft,
            _ => true,
        }
    }

    fn no_frame(&self) -> String {
        let bytes = self.link.bytes;
        if bytes == 0 {
            return "no byte came: is the BMS awake, and are its lines the right way round?".to_owned();
        }
        let seen = match &self.link.first_reason {
            Some(reason) => format!("frame starts were seen, the first was refused: {reason}"),
            None => "no frame start was seen: look at baud rate and protocol".to_owned(),
        };
        let errors = match self.link.early_line_errors {
            0 => String::new(),
            // A stop bit or a parity bit that is not where it should be (common practice, no source).
            count => {
                format!("; the line itself reported {count} errors: most often the baud rate or the parity is another")
            }
        };
        format!("{bytes} bytes, no valid frame; {seen}{errors}")
    }

    /// The stages in which enough sets of cells were seen.
    fn covers(&self) -> Vec<Stage> {
        let seen = |stage: &Stage| *stage != Stage::Unknown && ENOUGH <= self.cell_sets.in_stage(*stage);
        Stage::ALL.into_iter().filter(seen).collect()
    }

    /// The stages of a power-up that can be told on this line and were not seen, and what these data can't show.
    fn untested(&self, covers: &[Stage]) -> Vec<String> {
        let bus = self.plan.carries(Quantity::BusVoltage);
        let stages: &[Stage] = match (bus, self.plan.carries(Quantity::Current)) {
            (true, true) => &[Stage::BmsOnly, Stage::BusRise, Stage::Idle, Stage::Load],
            (true, false) => &[Stage::BmsOnly, Stage::BusRise, Stage::Idle],
            (false, true) => &[Stage::Rest, Stage::Load],
            (false, false) => &[],
        };
        let missing = stages.iter().filter(|stage| !covers.contains(stage));
        let mut untested: Vec<String> = missing.map(|stage| stage.name().to_owned()).collect();
        if !bus {
            untested.push("bus rise and pre-charge (the line carries no bus voltage)".to_owned());
        }
        if self.cell_sets.telling < ENOUGH {
            let amperes = format_nanos(self.telling_load(), 0);
            untested.push(format!("weak cells and connectors (they need a load of {amperes} A or more)"));
        }
        if !self.diagnosis.sign_is_proven() {
            untested.push("the sign of the current (it takes three steps of the load)".to_owned());
        }
        if !self.pack.temperatures().is_empty() {
            untested.push("where each temperature sensor sits (warming each by hand proves it)".to_owned());
        }
        if self.pack.chemistry().is_flat() {
            untested.push("charge differences between cells (the voltage curve is flat)".to_owned());
        }
        untested.extend(self.prepared.untested(&self.pack));
        untested
    }

    fn check(&self, check: Check) -> CheckResult {
        if let Some(alarm) = self.book.failed(check).min_by_key(|alarm| alarm.worst_at) {
            let more = self.book.failed(check).count() - 1;
            let why = if more == 0 {
                format!("{} (at {:.3} s)", alarm.worst_text, alarm.worst_at)
            } else {
                format!("{} (at {:.3} s), and {more} more", alarm.worst_text, alarm.worst_at)
            };
            return CheckResult { check, result: Result::Failed, place: alarm.place, why };
        }
        // What a critical finding throws doubt on has not passed, and no waiver covers that.
        if let Some(finding) = self.doubt(check) {
            let why = format!("{} {}: {}", finding.confidence.name(), finding.cause, finding.text);
            return CheckResult { check, result: Result::NoData, place: finding.places.first().copied(), why };
        }
        let (result, why) = match (self.pack.waivers().get(&check), self.evidence(check)) {
            (Some(reason), _) => (Result::Waived, reason.clone()),
            (None, Ok(_)) if self.book.is_shelved(check) => {
                (Result::NoData, "an alarm of this check is shelved".to_owned())
            }
            (None, Ok(why)) => match self.pending(check) {
                // It has not lasted long enough for an alarm, but nobody can say that all is well.
                Some(pending) => (Result::NoData, format!("just now {pending}")),
                None => (Result::Passed, why),
            },
            (None, Err(why)) => (Result::NoData, why),
        };
        CheckResult { check, result, place: None, why }
    }

    fn doubt(&self, check: Check) -> Option<&Finding> {
        self.findings.findings().iter().find(|finding| {
            let serious = finding.severity == Severity::Critical && Confidence::Possible < finding.confidence;
            serious && !finding.withdrawn && finding.cause.check() == check
        })
    }

    fn pending(&self, check: Check) -> Option<String> {
        self.watches.all().into_iter().filter(|watch| watch.check() == check).find_map(Watch::pending)
    }

    /// The evidence that a check holds, or what is missing.
    fn evidence(&self, check: Check) -> std::result::Result<String, String> {
        let layout = &self.setup.layout;
        match check {
            Check::Link => self.link_evidence(),
            Check::Checksum => {
                if layout.kinds.is_empty() {
                    Err("the line has no message".to_owned())
                } else if layout.kinds.iter().all(|kind| kind.verified) {
                    Ok("every message carries a checksum".to_owned())
                } else {
                    Err("the line has messages without a checksum: damage can't be seen".to_owned())
                }
            }
            Check::MessagePeriods => self.period_evidence(),
            Check::MeasuredTimes => match self.setup.times {
                Times::Measured => Ok("times were measured".to_owned()),
                Times::Assumed => Err("times are assumed from the line rate".to_owned()),
            },
            Check::LiveValues => self.live_evidence(),
            Check::AllCells => self.cells_evidence(),
            Check::AllTemperatures => self.temperatures_evidence(),
            Check::PossibleValues => {
                self.cells_evidence()?;
                Ok(format!("{} sets of {} cells", self.cell_sets.whole(), self.pack.cells()))
            }
            Check::CellHigh | Check::CellLow => {
                self.cells_evidence()?;
                self.has_limits(check, self.cell_sets.load)?;
                Ok(format!("{} sets of {} cells", self.cell_sets.whole(), self.pack.cells()))
            }
            Check::Spread | Check::Deviation => self.comparison_evidence(check),
            Check::TemperatureHigh | Check::TemperatureLow | Check::TemperatureSpread => {
                self.temperatures_evidence()?;
                self.has_limits(check, self.temperature_sets.load)?;
                Ok(format!("{} sets of temperatures", self.temperature_sets.whole()))
            }
            Check::TemperatureRate => self.temperature_rate_evidence(),
            Check::PackSum => self.pack_sum_evidence(),
            Check::CurrentAtRest => {
                self.has_limits(check, 0)?;
                if !self.plan.carries(Quantity::Current) {
                    return Err("the line carries no current".to_owned());
                }
                if self.current_at_rest < ENOUGH {
                    return Err(format!(
                        "not seen at rest (up to {} A, with the load's side of the switch off)",
                        format_nanos(self.pack.rest_current_nanos(), 2)
                    ));
                }
                Ok(format!("{} readings at rest", self.current_at_rest))
            }
            // It is required only where there is none.
            Check::ConfirmedProtocol => {
                Err("the protocol file is a draft: hold its values against a display or a meter, \
                                             then take \"draft\" out of it"
                    .to_owned())
            }
            Check::Bus => self.bus_evidence(),
            Check::Status => self.status_evidence(),
            Check::SenseLeads => self.sense_lead_evidence(),
            Check::BeforePower => {
                let count = self.prepared.required(&self.pack)?;
                Ok(format!("{count} of {count} that the pack file requires were done"))
            }
        }
    }

    /// Whether the critical limits of a check are there: those for rest and, once a load was seen, those for load.
    fn has_limits(&self, check: Check, under_load: u64) -> std::result::Result<(), String> {
        let missing = LimitName::all()
            .filter(|name| name.check() == check && (0 < under_load || !name.is_for_load()))
            .find(|name| self.pack.limit_ref(*name).critical.is_none());
        match missing {
            Some(name) => Err(format!("the pack file has no critical limit {:?}", name.key())),
            None => Ok(()),
        }
    }

    /// Differences between cells.
    fn comparison_evidence(&self, check: Check) -> std::result::Result<String, String> {
        self.cells_evidence()?;
        self.has_limits(check, self.cell_sets.load)?;
        let noise = self.noise_of_differences();
        let too_tight = LimitName::all()
            .filter(|name| name.check() == check)
            .filter_map(|name| self.pack.limit_ref(name).critical)
            .find(|critical| *critical < noise);
        if let Some(critical) = too_tight {
            return Err(format!(
                "three steps of a reading and the accuracy of the BMS are {}, the critical limit is {}",
                amount(check, Dimension::Voltage, noise),
                amount(check, Dimension::Voltage, critical)
            ));
        }
        if self.cell_sets.rest < ENOUGH {
            let balancing = if self.balanced_at.is_some() { " without balancing" } else { "" };
            return Err(format!("not seen at rest{balancing}"));
        }
        Ok(format!("{} sets at rest, {} under load", self.cell_sets.rest, self.cell_sets.load))
    }

    fn temperature_rate_evidence(&self) -> std::result::Result<String, String> {
        self.temperatures_evidence()?;
        self.has_limits(Check::TemperatureRate, self.temperature_sets.load)?;
        if self.setup.times == Times::Assumed {
            return Err("times are assumed from the line rate".to_owned());
        }
        if self.rates_known.iter().all(|known| *known) {
            return Ok("the step of the readings over the time watched is fine enough".to_owned());
        }
        let step = self.temperatures.step;
        let least = RateWindow::least_uncertainty(step);
        let limit = self.pack.limit_ref(LimitName::TemperatureRateRest).critical.unwrap_or(0);
        if limit / 2 < least {
            return Err(format!(
                "readings in steps of {} can't tell a rate of {} within a minute: a higher limit or a waiver must say so",
                amount(Check::TemperatureHigh, Dimension::Temperature, step),
                amount(Check::TemperatureRate, Dimension::TemperatureRate, limit)
            ));
        }
        Err("watched too short for the step of the readings".to_owned())
    }

    fn link_evidence(&self) -> std::result::Result<String, String> {
        if self.link.good == 0 {
            return Err(self.no_frame());
        }
        if let Some(at) = self.link.lost_at {
            return Err(format!("the link was lost at {at:.3} s"));
        }
        if let Some(at) = self.link.clock_step_at {
            return Err(format!("the host slept or its clock was set at {at:.3} s"));
        }
        if self.link.good < ENOUGH {
            return Err(format!("only {} frames", self.link.good));
        }
        if WARNING_PERCENT * 100 < self.link.damage() {
            return Err(format!(
                "{} frames are damaged and {} are missing by their counters, {} are sound",
                self.link.damaged,
                self.link.lost_frames(),
                self.link.good
            ));
        }
        let line_errors = self.link.line_errors;
        if self.link.has_too_many_line_errors() {
            return Err(format!(
                "the line itself reported {line_errors} errors beside {} sound frames",
                self.link.good
            ));
        }
        let unknown = match self.link.unknown_messages {
            0 => String::new(),
            count => format!(", {count} of unknown kinds passed over"),
        };
        let untrusted = match self.link.untrusted {
            0 => String::new(),
            count => format!(", {count} unverified or without their question"),
        };
        let line_errors = match line_errors {
            0 => String::new(),
            count => format!(", {count} errors of the line itself"),
        };
        let Link { good, damaged, .. } = &self.link;
        Ok(format!("{good} sound frames, {damaged} damaged{line_errors}{unknown}{untrusted}"))
    }

    fn period_evidence(&self) -> std::result::Result<String, String> {
        if self.setup.times == Times::Assumed {
            return Err("times are assumed from the line rate".to_owned());
        }
        for kind in self.link.kinds.iter().filter(|kind| kind.periodic) {
            if kind.frames == 0 {
                return Err(format!("message {:?} never came", kind.name));
            }
            if kind.missing {
                return Err(format!("message {:?} does not come any more", kind.name));
            }
        }
        if let Some((gap, from)) = self.link.longest_gap(self.now).filter(|(gap, _)| LONG_GAP < *gap) {
            return Err(format!("a gap of {} ms from {from:.3} s", gap.as_millis()));
        }
        let lost = self.link.lost_frames();
        Ok(format!("every message came in time; by their counters {lost} frames were lost"))
    }

    fn live_evidence(&self) -> std::result::Result<String, String> {
        if self.cell_sets.distinct < ENOUGH {
            return Err(format!("only {} different sets of cells", self.cell_sets.distinct));
        }
        if let Some((at, kind)) = self.link.restart {
            let name = self.link.kinds.get(kind).map_or("", |kind| kind.name.as_str());
            return Err(format!(
                "the counter or clock of message {name:?} jumped at {at:.3} s: the BMS restarted, or its clock was set"
            ));
        }
        let pulses = self.link.kinds.iter().filter(|kind| kind.frozen().is_some()).count();
        Ok(format!("{} different sets of cells, {pulses} counters or clocks move", self.cell_sets.distinct))
    }

    fn cells_evidence(&self) -> std::result::Result<String, String> {
        if let Some(place) = self.extra_cells {
            return Err(format!("the line carries cell {place}, the pack has {}", self.pack.cells()));
        }
        let missing = self.cells.missing(self.now);
        if !missing.is_empty() {
            return Err(format!("no value now of {}", places("cell", &missing)));
        }
        self.cell_sets.whole_enough(self.cells.incomplete, "cells")?;
        if self.cell_sets.whole() < ENOUGH {
            return Err("too few complete sets of cells".to_owned());
        }
        Ok(format!("all {} cells", self.pack.cells()))
    }

    fn temperatures_evidence(&self) -> std::result::Result<String, String> {
        if self.pack.temperatures().is_empty() {
            return Err("the pack file names no temperature sensor".to_owned());
        }
        if let Some(place) = self.extra_temperatures {
            let named = self.pack.temperatures().len();
            return Err(format!("the line carries temperature {place}, the pack file names {named}"));
        }
        let missing = self.temperatures.missing(self.now);
        if !missing.is_empty() {
            return Err(format!("no value now of {}", places("temperature", &missing)));
        }
        self.temperature_sets.whole_enough(self.temperatures.incomplete, "temperatures")?;
        if self.temperature_sets.whole() < ENOUGH {
            return Err("too few complete sets of temperatures".to_owned());
        }
        Ok(format!("all {} temperatures", self.pack.temperatures().len()))
    }

    fn pack_sum_evidence(&self) -> std::result::Result<String, String> {
        self.has_limits(Check::PackSum, 0)?;
        if let Some(gap) = self.meter_gap {
            return Ok(format!("the meter agrees within {}", amount(Check::PackSum, Dimension::Share, gap)));
        }
        let carried = self.plan.carries(Quantity::PackVoltage);
        if carried && self.pack_sum.origin() == Origin::Measured {
            return Ok(format!("{} comparisons at rest", self.pack_sum.comparisons()));
        }
        if self.meter.is_some_and(|meter| meter.until < self.now) {
            return Err("the reading by meter is too old to be compared: take it again".to_owned());
        }
        if self.meter.is_some() {
            return Err("the reading by meter is not compared yet: that takes a whole set of cells at rest".to_owned());
        }
        match (carried, self.pack_sum.origin()) {
            (false, _) => Err("the line carries no pack voltage, and there is no reading by meter".to_owned()),
            (true, Origin::Computed) => Err(
                "the reported pack voltage is the computed sum of the cells: it is no evidence, take a reading by meter"
                    .to_owned(),
            ),
            (true, _) => Err("too few pack voltages at rest".to_owned()),
        }
    }

    /// The load's side is dead, live or on its way down; while it rises nobody can say yet.
    fn bus_evidence(&self) -> std::result::Result<String, String> {
        let volts = self.bus.map_or_else(String::new, |(_, nanos)| format!("{} V", format_nanos(nanos, 1)));
        match self.stage.bus_state() {
            BusState::Unknown => Err("no bus voltage now".to_owned()),
            BusState::Dead => Ok(format!("dead: {volts}")),
            BusState::Rising => Err(format!("it rises: {volts}")),
            BusState::Live => Ok(format!("live and flat: {volts}")),
            BusState::Falling => Ok(format!("it falls: {volts}")),
        }
    }

    /// The BMS says something about the pack, all of it is new, and none of it is "unknown".
    fn status_evidence(&self) -> std::result::Result<String, String> {
        if !self.plan.carries(Quantity::Status) {
            return Err("the line carries no status".to_owned());
        }
        self.words_evidence(Quantity::Status, |word| word.status, "status")?;
        Ok("the BMS reports no fault".to_owned())
    }

    fn sense_lead_evidence(&self) -> std::result::Result<String, String> {
        if let Some(reading) = self.sense_pins_passed() {
            return Ok(format!("metered pin by pin by hand{}", hand::taken(reading)));
        }
        if !self.plan.words.iter().any(|word| word.leads) {
            let why = "the BMS has no test of its own: meter the pins by hand (an open lead can be invisible)";
            return Err(why.to_owned());
        }
        match self.words_evidence(Quantity::SenseLeadTest, |word| word.leads, "sense lead test") {
            Ok(()) => Ok("the BMS's own test passed".to_owned()),
            Err(why) => Err(format!("the BMS's own test has not passed ({why}): or meter the pins by hand")),
        }
    }

    /// Every word about a quantity is there, new, and says something.
    fn words_evidence(
        &self,
        quantity: Quantity,
        about: impl Fn(&Word) -> bool,
        what: &str,
    ) -> std::result::Result<(), String> {
        if !self.plan.words.iter().any(&about) {
            return Err(format!("the protocol file does not say what the {what} means"));
        }
        for word in self.plan.words.iter().filter(|word| about(word)) {
            let message = self.link.kinds.get(word.kind).map_or("", |kind| kind.name.as_str());
            if word.newest.is_none() {
                return Err(format!("no {what} of message {message:?} yet"));
            }
            let Some(raw) = word.fresh(self.now) else { return Err(format!("no {what} of message {message:?} now")) };
            let unknown = self.means(word, raw, quantity).into_iter().find(|(means, _)| *means == Means::Unknown);
            if let Some((_, text)) = unknown {
                return Err(format!("it says {text:?}"));
            }
        }
        Ok(())
    }
}

/// `cells 3, 4 and 9`, or the first few of many.
fn places(what: &str, list: &[usize]) -> String {
    match list {
        [one] => format!("{what} {one}"),
        _ => {
            let shown: Vec<String> = list.iter().take(6).map(ToString::to_string).collect();
            let more = list.len().saturating_sub(6);
            let tail = if more > 0 { format!(" and {more} more") } else { String::new() };
            format!("{what}s {}{tail}", shown.join(", "))
        }
    }
}
