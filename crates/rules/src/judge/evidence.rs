//! From what was seen to the verdict: for each check the evidence that it holds, or what is missing.

use std::time::Duration;

use model::{Dimension, Meaning, Means, Quantity, Times, format_nanos};

use super::words::is_set;
use super::{ENOUGH, FRESH, Judge};
use crate::alarms::Severity;
use crate::check::Check;
use crate::limits::LimitName;
use crate::link::{LONG_GAP, WARNING_PERCENT};
use crate::pack_sum::Origin;
use crate::stage::Stage;
use crate::verdict::{CheckResult, Outcome, Result, Verdict};
use crate::watch::amount;

impl Judge {
    /// The verdict as of now.
    pub fn verdict(&self) -> Verdict {
        let checks: Vec<CheckResult> = Check::ALL.iter().map(|(_, check)| self.check(*check)).collect();
        let observed = self.link.first_frame_at.map_or(Duration::ZERO, |first| self.now.since(first));
        let too_short = observed < self.pack.observe();
        let any = |result: Result| checks.iter().any(|check| check.result == result);
        let covers = self.covers();
        let outcome = if any(Result::Failed) {
            Outcome::NoGo
        } else if any(Result::NoData) || too_short || covers.is_empty() {
            Outcome::CannotTell
        } else {
            Outcome::Go
        };
        let mut because = Vec::new();
        let with = |result: Result| checks.iter().filter(move |check| check.result == result);
        match outcome {
            Outcome::NoGo => {
                because.extend(with(Result::Failed).map(|check| format!("{}: {}", check.check, check.why)))
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
                    because.push("no stage was seen: without a current nobody can tell rest from load".to_owned());
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
        if self.book.alarms().first().is_some_and(|first| first.worst == Severity::Critical)
            && let Some(first) = self.book.alarms().first()
        {
            notes.insert(0, format!("came first, at {:.3} s: {}", first.first_at, first.worst_text));
        }
        Verdict { at: self.now, outcome, untested: self.untested(&covers), covers, checks, because, notes }
    }

    pub(super) fn no_frame(&self) -> String {
        let bytes = self.link.bytes;
        if bytes == 0 {
            return "no byte came: is the BMS awake, and are its lines the right way round?".to_owned();
        }
        let seen = match &self.link.first_reason {
            Some(reason) => format!("frame starts were seen, the first was refused: {reason}"),
            None => "no frame start was seen: look at baud rate and protocol".to_owned(),
        };
        format!("{bytes} bytes, no valid frame; {seen}")
    }

    pub(super) fn covers(&self) -> Vec<Stage> {
        let mut covers = Vec::new();
        if ENOUGH <= self.cell_sets.rest {
            covers.push(Stage::Rest);
        }
        if ENOUGH <= self.cell_sets.load {
            covers.push(Stage::Load);
        }
        covers
    }

    pub(super) fn untested(&self, covers: &[Stage]) -> Vec<String> {
        let mut untested: Vec<String> = [Stage::Rest, Stage::Load]
            .iter()
            .filter(|stage| !covers.contains(stage))
            .map(|stage| stage.name().to_owned())
            .collect();
        if !covers.contains(&Stage::Load) {
            untested.push("weak cells, connectors and the sign of the current (they need a load)".to_owned());
        }
        if self.pack.chemistry().is_flat() {
            untested.push("charge differences between cells (the voltage curve is flat)".to_owned());
        }
        untested
    }

    pub(super) fn check(&self, check: Check) -> CheckResult {
        if let Some(alarm) = self.book.failed(check).next() {
            let more = self.book.failed(check).count() - 1;
            let why = if more == 0 {
                format!("{} (at {:.3} s)", alarm.worst_text, alarm.worst_at)
            } else {
                format!("{} (at {:.3} s), and {more} more", alarm.worst_text, alarm.worst_at)
            };
            return CheckResult { check, result: Result::Failed, place: alarm.place, why };
        }
        let (result, why) = match (self.pack.waivers().get(&check), self.evidence(check)) {
            (Some(reason), _) => (Result::Waived, reason.clone()),
            (None, Ok(_)) if self.book.is_shelved(check) => {
                (Result::NoData, "an alarm of this check is shelved".to_owned())
            }
            (None, Ok(why)) => (Result::Passed, why),
            (None, Err(why)) => (Result::NoData, why),
        };
        CheckResult { check, result, place: None, why }
    }

    /// The evidence that a check holds, or what is missing.
    pub(super) fn evidence(&self, check: Check) -> std::result::Result<String, String> {
        let layout = &self.setup.layout;
        match check {
            Check::Link => self.link_evidence(),
            Check::Checksum => {
                if layout.kinds.iter().all(|kind| kind.verified) {
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
            Check::PossibleValues | Check::CellHigh | Check::CellLow => {
                self.cells_evidence()?;
                let name = match check {
                    Check::CellHigh => Some(LimitName::CellHigh),
                    Check::CellLow => Some(LimitName::CellLowRest),
                    _ => None,
                };
                self.has_limit(name)?;
                Ok(format!("{} sets of {} cells", self.cell_sets.rest + self.cell_sets.load, self.pack.cells()))
            }
            Check::Spread | Check::Deviation => {
                self.cells_evidence()?;
                let name = if check == Check::Spread { LimitName::SpreadRest } else { LimitName::DeviationRest };
                self.has_limit(Some(name))?;
                if self.cell_sets.rest < ENOUGH {
                    return Err("not seen at rest".to_owned());
                }
                Ok(format!("{} sets at rest, {} under load", self.cell_sets.rest, self.cell_sets.load))
            }
            Check::TemperatureHigh | Check::TemperatureLow | Check::TemperatureSpread => {
                self.temperatures_evidence()?;
                let name = match check {
                    Check::TemperatureHigh => LimitName::TemperatureHigh,
                    Check::TemperatureLow => LimitName::TemperatureLow,
                    _ => LimitName::TemperatureSpreadRest,
                };
                self.has_limit(Some(name))?;
                Ok(format!("{} sets of temperatures", self.temperature_sets.rest + self.temperature_sets.load))
            }
            Check::TemperatureRate => {
                self.temperatures_evidence()?;
                self.has_limit(Some(LimitName::TemperatureRateRest))?;
                if self.setup.times == Times::Assumed {
                    return Err("times are assumed from the line rate".to_owned());
                }
                if !self.rate_conclusive {
                    return Err("watched too short for the step of the readings".to_owned());
                }
                Ok("the step of the readings over the time watched is fine enough".to_owned())
            }
            Check::PackSum => self.pack_sum_evidence(),
            Check::CurrentAtRest => {
                self.has_limit(Some(LimitName::CurrentRest))?;
                if !self.carries(Quantity::Current) {
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
            Check::Status => {
                if !self.carries(Quantity::Status) {
                    return Err("the line carries no status".to_owned());
                }
                self.fresh_word(Quantity::Status, "status")?;
                Ok("the BMS reports no fault".to_owned())
            }
            Check::SenseLeads => self.sense_lead_evidence(),
        }
    }

    pub(super) fn has_limit(&self, name: Option<LimitName>) -> std::result::Result<(), String> {
        match name {
            Some(name) if self.pack.limit(name).critical.is_none() => {
                Err(format!("the pack file has no critical limit {:?}", name.key()))
            }
            _ => Ok(()),
        }
    }

    pub(super) fn carries(&self, quantity: Quantity) -> bool {
        self.setup.layout.kinds.iter().flat_map(|kind| &kind.columns).any(|column| column.channel.quantity == quantity)
    }

    pub(super) fn link_evidence(&self) -> std::result::Result<String, String> {
        if self.link.good == 0 {
            return Err(self.no_frame());
        }
        if let Some(at) = self.link.lost_at {
            return Err(format!("the link was lost at {at:.3} s"));
        }
        if let Some(at) = self.link.clock_step_at {
            return Err(format!("the host slept or its clock was set at {at:.3} s"));
        }
        if self.link.line_errors > 0 {
            return Err(format!("the line reported {} errors", self.link.line_errors));
        }
        if self.link.good < ENOUGH {
            return Err(format!("only {} frames", self.link.good));
        }
        if self.link.damage().is_some_and(|share| WARNING_PERCENT * 100 < share) {
            return Err(format!(
                "{} frames are damaged and {} are missing by their counters, {} are sound",
                self.link.damaged,
                self.link.lost_frames(),
                self.link.good
            ));
        }
        let unknown = match self.link.unknown_messages {
            0 => String::new(),
            count => format!(", {count} of unknown kinds passed over"),
        };
        Ok(format!("{} sound frames, {} damaged{unknown}", self.link.good, self.link.damaged))
    }

    pub(super) fn period_evidence(&self) -> std::result::Result<String, String> {
        if self.setup.times == Times::Assumed {
            return Err("times are assumed from the line rate".to_owned());
        }
        for kind in &self.link.kinds {
            if kind.frames == 0 {
                return Err(format!("message {:?} never came", kind.name));
            }
            if kind.missing {
                return Err(format!("message {:?} does not come any more", kind.name));
            }
        }
        if let Some((gap, from)) = self.link.longest_gap.filter(|(gap, _)| LONG_GAP < *gap) {
            return Err(format!("a gap of {} ms from {from:.3} s", gap.as_millis()));
        }
        let lost = self.link.lost_frames();
        Ok(format!("every message came in time; by their counters {lost} frames were lost"))
    }

    pub(super) fn live_evidence(&self) -> std::result::Result<String, String> {
        if self.cell_sets.distinct < ENOUGH {
            return Err(format!("only {} different sets of cells", self.cell_sets.distinct));
        }
        let pulses = self.link.kinds.iter().filter(|kind| kind.has_pulse).count();
        Ok(format!("{} different sets of cells, {pulses} counters or clocks move", self.cell_sets.distinct))
    }

    pub(super) fn cells_evidence(&self) -> std::result::Result<String, String> {
        if let Some(place) = self.extra_cells {
            return Err(format!("the line carries cell {place}, the pack has {}", self.pack.cells()));
        }
        let missing = self.cells.missing(self.now, self.patience());
        if !missing.is_empty() {
            return Err(format!("no value now of {}", places("cell", &missing)));
        }
        self.cell_sets.whole_enough("cells")?;
        let sets = self.cell_sets.rest + self.cell_sets.load;
        if self.last_set_at.is_none() || (sets < ENOUGH && self.cell_sets.distinct < ENOUGH) {
            return Err("too few complete sets of cells".to_owned());
        }
        Ok(format!("all {} cells", self.pack.cells()))
    }

    pub(super) fn temperatures_evidence(&self) -> std::result::Result<String, String> {
        if self.pack.temperatures().is_empty() {
            return Err("the pack file names no temperature sensor".to_owned());
        }
        let missing = self.temperatures.missing(self.now, self.patience());
        if !missing.is_empty() {
            return Err(format!("no value now of {}", places("temperature", &missing)));
        }
        self.temperature_sets.whole_enough("temperatures")?;
        if self.temperature_sets.rest + self.temperature_sets.load < ENOUGH {
            return Err("too few complete sets of temperatures".to_owned());
        }
        Ok(format!("all {} temperatures", self.pack.temperatures().len()))
    }

    /// How old a value may be: a second, or longer where the line is slower.
    pub(super) fn patience(&self) -> Duration {
        if self.setup.times == Times::Assumed {
            return Duration::MAX;
        }
        self.link.kinds.iter().map(|kind| kind.patience).fold(FRESH, Duration::max)
    }

    pub(super) fn pack_sum_evidence(&self) -> std::result::Result<String, String> {
        self.has_limit(Some(LimitName::PackSum))?;
        if let Some(gap) = self.meter_gap {
            return Ok(format!("the meter agrees within {}", amount(Check::PackSum, Dimension::Share, gap)));
        }
        if !self.carries(Quantity::PackVoltage) {
            return Err("the line carries no pack voltage, and there is no reading by meter".to_owned());
        }
        match self.pack_sum.origin() {
            Origin::Unknown => Err("too few pack voltages".to_owned()),
            Origin::Computed => Err(
                "the reported pack voltage is the computed sum of the cells: it is no evidence, take a reading by meter"
                    .to_owned(),
            ),
            Origin::Measured => Ok(format!("{} comparisons", self.pack_sum_sets)),
        }
    }

    pub(super) fn fresh_word(&self, quantity: Quantity, what: &str) -> std::result::Result<i128, String> {
        let word = self.words.iter().rev().find(|word| {
            self.setup
                .layout
                .kinds
                .get(word.kind)
                .and_then(|kind| kind.columns.get(word.column))
                .is_some_and(|column| column.channel.quantity == quantity)
        });
        match word {
            Some(word) if self.now.since(word.at) <= self.patience() => Ok(word.raw),
            Some(_) => Err(format!("no {what} now")),
            None => Err(format!("no {what} yet")),
        }
    }

    pub(super) fn sense_lead_evidence(&self) -> std::result::Result<String, String> {
        if self.hand_leads == Some(true) {
            return Ok("metered pin by pin by hand".to_owned());
        }
        let mut seen = false;
        for word in &self.words {
            let column = self.setup.layout.kinds.get(word.kind).and_then(|kind| kind.columns.get(word.column));
            let Some(column) = column else { continue };
            let means = match &column.meaning {
                Meaning::Flags(flags) => flags
                    .iter()
                    .find(|flag| flag.channel.is_some_and(|channel| channel.quantity == Quantity::SenseLeadTest))
                    .map(|flag| if is_set(word.raw, flag) { flag.set } else { flag.clear }),
                Meaning::States { known, otherwise } if column.channel.quantity == Quantity::SenseLeadTest => Some(
                    known
                        .iter()
                        .find(|state| i128::from(state.value) == word.raw)
                        .map_or(*otherwise, |state| state.means),
                ),
                _ => None,
            };
            let Some(means) = means else { continue };
            seen = true;
            if means == Means::Normal && self.now.since(word.at) <= self.patience() {
                return Ok("the BMS's own test passed".to_owned());
            }
        }
        if seen {
            Err("the BMS's own test has not passed".to_owned())
        } else {
            Err("the BMS has no test of its own: meter the pins by hand (an open lead can be invisible)".to_owned())
        }
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
