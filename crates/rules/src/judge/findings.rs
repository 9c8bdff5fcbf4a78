//! What goes to the diagnosis, and what comes back.

use model::{Quantity, SessionTime};

use super::ahead::RunRow;
use super::{FROZEN_CELLS, Judge};
use crate::alarms::{Key, Severity};
use crate::check::Check;
use crate::diagnosis::{CellSet, Facts, Known, plus_minus};
use crate::estimates::{Basis, Estimate};
use crate::figures::{Figures, LineFigures};
use crate::finding::Confidence;
use crate::limits::LimitName;
use crate::link::WARNING_PERCENT;
use crate::measured::{Figure, Measured};

/// The part of an alarm that a finding raised.
const DIAGNOSED: usize = usize::MAX;
/// What a cell can have where the pack file has no limits, in billionths of a volt. Common practice, no source.
const ANY_CELL: (i64, i64) = (2_000_000_000, 4_500_000_000);
/// The name of what the line has damaged.
const DAMAGED: &str = "damaged frames";
/// Fewer frames than this say nothing about the line.
const ENOUGH_FRAMES: u64 = 100;

impl Judge {
    /// Once a second: what the evidence says now. A critical finding that is proven fails its check.
    pub(super) fn diagnose(&mut self) {
        if self.diagnosis.waits_for_facts() && 0 < self.cell_sets.whole() {
            self.diagnosis.begin(self.facts());
        }
        let known = self.known();
        let claims = self.diagnosis.look(&known);
        for claim in &claims {
            if claim.confidence == Confidence::Proven && claim.severity == Severity::Critical {
                let key = Key::new(claim.cause.check(), claim.places.first().copied()).part(DIAGNOSED);
                let text = format!("{}: {}", claim.cause, claim.text);
                let cause = crate::alarms::Cause { key, severity: Severity::Critical, text, bytes: None };
                self.book.raise(self.now, cause, &mut self.events);
            }
        }
        self.findings.update(self.now, claims, &mut self.events);
    }

    /// What the session has measured so far, and why the rest is missing. Some of it is fitted here: ask a few times a second
    /// at most.
    pub fn measured(&self) -> Vec<Measured> {
        let mut measured = self.diagnosis.measured();
        measured.push(Measured::new(DAMAGED, self.damaged_frames()));
        measured
    }

    /// The numbers of each cell, each sensor and the line so far. Some of it is fitted here: ask at the end of a session, or
    /// a few times a second at most.
    pub fn figures(&self) -> Figures {
        let link = &self.link;
        let lost_by_counter = link.lost_frames();
        let line = LineFigures {
            bytes: link.bytes,
            sound: link.good,
            damaged: link.damaged.max(lost_by_counter),
            lost_by_counter,
            unknown: link.unknown_messages,
            untrusted: link.untrusted,
            line_errors: link.line_errors,
            longest_silence: link.longest_gap(self.now),
            first_frame_at: link.first_frame_at,
            lost_at: link.lost_at,
            clock_step_at: link.clock_step_at,
            restart_at: link.restart.map(|(at, _)| at),
            messages: link.kinds.iter().map(|kind| (kind.name.clone(), kind.frames)).collect(),
        };
        Figures {
            cell_grain: self.diagnosis.grain(),
            rests: self.diagnosis.rests(),
            resistances: self.diagnosis.resistances(),
            drifts: self.diagnosis.drifts(),
            rises: self.diagnosis.rises(),
            line,
        }
    }

    fn damaged_frames(&self) -> std::result::Result<Figure, String> {
        let link = &self.link;
        let from = link.first_frame_at.ok_or_else(|| "no sound frame came".to_owned())?;
        let frames = link.good.saturating_add(link.damaged.max(link.lost_frames()));
        let share = link.damage() as f64 * 1e-4;
        // Of a share of so many frames by chance, one deviation.
        let count = frames.max(1) as f64;
        let uncertainty = (share * (1.0 - share) / count).sqrt();
        // None of so many is no certainty: one in as many is still as likely as not.
        let (uncertainty, text) = if share > 0.0 {
            (uncertainty, format!("{} % of {frames} frames", plus_minus(share * 100.0, uncertainty * 100.0)))
        } else {
            (1.0 / count, format!("none of {frames}"))
        };
        let basis = Basis { from, to: self.now, count: frames };
        Ok(Figure::of(&Estimate { value: share, uncertainty, basis }, 100.0, "%", text))
    }

    fn facts(&self) -> Facts {
        let (pack, layout) = (&self.pack, &self.setup.layout);
        let limit = |name: LimitName| pack.limit(name);
        let sides = |name: LimitName| (limit(name).warning.unwrap_or(0), limit(name).critical.unwrap_or(i64::MAX));
        let either = |name: LimitName| limit(name).warning.or(limit(name).critical).unwrap_or(0);
        let carries_cells = |kind: &&model::KindLayout| {
            kind.columns.iter().any(|column| column.channel.quantity == Quantity::CellVoltage)
        };
        Facts {
            cells: pack.cells().into(),
            sensors: pack.temperatures().len(),
            cell_step: self.cells.step,
            current_step: self.steps.current,
            bus_step: self.steps.bus,
            pack_step: self.steps.pack,
            temperature_step: self.temperatures.step,
            one_hour_current: pack.capacity_nanos(),
            resistance: pack.resistance_nanos(),
            scan: self.plan.scan,
            deviation: sides(LimitName::DeviationRest),
            possible_cell: (
                limit(LimitName::CellLowLoad).critical.unwrap_or(ANY_CELL.0),
                limit(LimitName::CellHigh).critical.unwrap_or(ANY_CELL.1),
            ),
            pack_sum: either(LimitName::PackSum),
            current_at_rest: either(LimitName::CurrentRest),
            rest_current: pack.rest_current_nanos(),
            rate_at_rest: either(LimitName::TemperatureRateRest),
            temperature_high: limit(LimitName::TemperatureHigh).critical,
            cells_together: layout.kinds.iter().filter(carries_cells).count() == 1,
            accuracy: pack.accuracy_nanos(),
            curve: pack.chemistry().curve(),
            balancing: pack.balancing_current_nanos(),
            wiring: *pack.wiring(),
            has_pack_voltage: self.plan.carries(Quantity::PackVoltage),
        }
    }

    fn known(&self) -> Known {
        let link = &self.link;
        let periodic = || link.kinds.iter().filter(|kind| kind.periodic);
        // A single cell that is held is another matter.
        let all_frozen = |place: Option<model::Channel>| {
            place.is_none_or(|place| place == FROZEN_CELLS || !place.quantity.has_places())
        };
        let damage = link.damage();
        let enough = ENOUGH_FRAMES <= link.good.saturating_add(link.damaged);
        let frozen = self.book.failed(Check::LiveValues).filter_map(|alarm| alarm.place);
        let frozen = frozen.filter(|place| place.quantity == Quantity::CellVoltage);
        Known {
            frozen_cells: frozen.filter_map(|place| usize::from(place.place).checked_sub(1)).collect(),
            leads_failed: self.book.failed(Check::SenseLeads).next().is_some(),
            extra_cells: self.extra_cells,
            frozen: self.book.failed(Check::LiveValues).any(|alarm| all_frozen(alarm.place)),
            bus_was_dead: self.bus_was_dead,
            lost: link.lost_at.is_some(),
            silent: periodic().next().is_some() && periodic().all(|kind| kind.missing),
            damage: (enough && WARNING_PERCENT * 100 < damage).then_some(damage),
        }
    }

    pub(super) fn diagnose_set(&mut self, set: RunRow<'_>, median: i64, sum: i64) {
        if self.diagnosis.waits_for_facts() {
            return;
        }
        let steady = self.swing.unsteady == 0 && self.swing.blank_until <= self.now;
        let (quiet, rest) = (self.stage.is_quiet(), self.stage.cells_rest());
        let cells = &mut self.places_scratch;
        cells.clear();
        cells.extend(set.values.iter().map(|value| Some(*value)));
        let (at, lowest, highest, rest) = (self.now, set.lowest, set.highest, quiet && rest);
        let (stage, after_load) = (self.stage.stage(), self.load_was_on);
        let set = CellSet { at, cells, median, lowest, highest, sum, quiet, rest, steady, stage, after_load };
        self.diagnosis.set(set);
    }

    pub(super) fn diagnose_temperatures(&mut self) {
        if self.diagnosis.waits_for_facts() {
            return;
        }
        let (at, rest) = (self.now, self.stage.cells_rest());
        let sensors = &mut self.places_scratch;
        sensors.clear();
        sensors.resize(self.pack.temperatures().len(), None);
        for (index, nanos) in self.temperatures.values() {
            if let Some(sensor) = sensors.get_mut(index) {
                *sensor = Some(nanos);
            }
        }
        self.diagnosis.temperatures(at, sensors, rest);
    }

    pub(super) fn count_sound_frame(&mut self) {
        self.count_frame(self.now, true);
    }

    /// So many frames were damaged.
    pub(super) fn count_damage(&mut self, frames: u64) {
        // A piece of garbage of any length counts once for each frame that it could have been, but not for ever.
        for _ in 0..frames.min(1000) {
            self.count_frame(self.now, false);
        }
    }

    fn count_frame(&mut self, at: SessionTime, sound: bool) {
        let (bus_on, load_on) = (self.stage.bus_is_live(), self.stage.load_is_on());
        self.diagnosis.frame(at, sound, bus_on, load_on);
    }
}
