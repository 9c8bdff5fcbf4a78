//! Cells and their sense leads.

use std::ops::Range;

use model::SessionTime;

use super::{CellSet, Claim, Facts, Known, Tally, base, cell, milliohms, millivolts, plus_minus, rough_time};
use crate::cause::Cause;
use crate::estimates::open_circuit::{Told, balancing_time};
use crate::estimates::pairs::{Misread, Neighbours, Opposite, Pair, misread};
use crate::estimates::residuals::Residuals;
use crate::estimates::resistance::{Lag, Resistances};
use crate::estimates::steps::StepFault;
use crate::estimates::trend::{NoTrend, Trend, Window};
use crate::estimates::{Estimate, rounding_deviation};
use crate::figures::CellResistances;
use crate::finding::Confidence;
use crate::measured::{Figure, Measured};
use crate::rested::{Grain, Rest, Rested, rounding_left};

/// A finding about how cells stand apart rests on so many sets.
const ENOUGH: u64 = 10;
/// Sets of misread cells that are no chance: one damaged frame in 256 can pass an 8-bit checksum.
const MISREAD: u64 = 3;
/// A cell stands apart steadily if it wanders by no more than this share of that.
const STEADY_SHARE: f64 = 0.35;
/// The resistance of a cell over the median's: worth a look, and critical. Common practice, no source.
const WEAK: (f64, f64) = (1.3, 1.5);
/// So many deviations are no chance.
const SIGMAS: f64 = 3.0;
/// And so many where one cause is told from another.
const CLEARLY: f64 = 5.0;
/// A score beyond this is an outlier (Iglewicz and Hoaglin, 1993).
const OUTLIER: f64 = 3.5;
/// A cell that drifts against the others by less can't be told within minutes, in volts an hour. Common practice.
const DRIFT: f64 = 0.060;
/// It takes so long to see a drift.
const DRIFT_SECONDS: f64 = 60.0;
/// An end cell whose lead is open reads low by at least this, in volts: about 0.6 V. Common practice, no source.
const END_LEAD: f64 = 0.4;
/// Splits of a set along the cells at a jump of the current, before they are called read one after another.
const SPLITS: u64 = 3;
/// Neighbours whose lead pulls stand apart by more than this, in volts. Common practice, no source.
const STANDS_APART: f64 = 0.03;
/// And by more than this only if it pulls hard.
const FAR_APART: f64 = 0.3;
/// More cells than this that stand still are not held by one lead.
const HELD: usize = 3;
/// And cells must have moved by ten steps, each at least this, in billionths of a volt.
const SPLIT_STEP: i64 = 1_000_000;
/// A reading this far from the last one with no current to explain it has jumped, in billionths of a volt. Common practice.
const JUMP: i64 = 50_000_000;

/// Sets that are split along the cells.
#[derive(Clone, Copy, Debug)]
struct Splits {
    tally: Tally,
    /// Where the first one was split, and whether others were elsewhere: cells that are held are always the same.
    first: usize,
    vary: bool,
}

/// What the cells have shown.
#[derive(Clone, Debug)]
pub(super) struct CellEvidence {
    cells: usize,
    residuals: Residuals,
    quiet: Neighbours,
    drift: Trend,
    drifting: bool,
    rested: Rested,
    grain: Grain,
    resistances: Resistances,
    swapped: Vec<Option<Tally>>,
    /// By the cell that reads nothing: its partner above, or below.
    pulled: Vec<[Option<Tally>; 2]>,
    /// An end cell alone reads low: the first, the last.
    ends: [Option<Tally>; 2],
    /// Neighbours (by the lower one) that jumped against each other without a current.
    jumps: Vec<Option<Tally>>,
    /// End cells that jumped down alone.
    end_jumps: [Option<Tally>; 2],
    splits: Option<Splits>,
    /// Sets in which all cells read a multiple of what they can have.
    scaled: Option<Tally>,
    /// Sets in which the last cells read nothing: how many of them.
    empty: Option<(usize, Tally)>,
    sets: u64,
    last: Vec<Option<i64>>,
    last_range: (i64, i64),
    masked: Vec<Option<i64>>,
    last_quiet: bool,
    median: f64,
    /// The median cell of the newest set at rest, in volts.
    rest_median: Option<f64>,
    span: Option<(SessionTime, SessionTime)>,
}

impl CellEvidence {
    pub(super) fn new(facts: &Facts) -> Self {
        let cells = facts.cells;
        Self {
            cells,
            residuals: Residuals::default(),
            quiet: Neighbours::new(cells, facts.cell_step),
            drift: Trend::new(cells, facts.cell_step, Window::Everything),
            drifting: false,
            rested: Rested::default(),
            grain: Grain::default(),
            resistances: Resistances::new(cells, facts.step_settings()),
            swapped: vec![None; cells],
            pulled: vec![[None; 2]; cells],
            ends: [None; 2],
            jumps: vec![None; cells],
            end_jumps: [None; 2],
            splits: None,
            scaled: None,
            empty: None,
            sets: 0,
            last: Vec::new(),
            last_range: (0, 0),
            masked: Vec::new(),
            last_quiet: false,
            median: 0.0,
            rest_median: None,
            span: None,
        }
    }

    /// The median cell of the newest set, in volts.
    pub(super) fn median_volts(&self) -> f64 {
        self.median
    }

    pub(super) fn current(&mut self, at: SessionTime, nanos: i64) {
        self.resistances.current(at, nanos);
    }

    pub(super) fn set(&mut self, set: CellSet<'_>, facts: &Facts) {
        let at = set.at;
        self.sets += 1;
        self.span = Some((self.span.map_or(at, |(from, _)| from), at));
        self.residuals.set_about(set.cells, Some(set.median));
        let median = set.median;
        self.median = base(median);
        let misread = self.look_for_misread(set, median, facts);
        if misread == (0..set.cells.len()) {
            self.remember(set);
            return;
        }
        if misread.is_empty() {
            self.weigh(set, facts);
            self.remember(set);
            return;
        }
        // The others are cells all the same.
        let mut cells = std::mem::take(&mut self.masked);
        cells.clear();
        cells.extend(set.cells.iter().enumerate().map(|(index, cell)| cell.filter(|_| !misread.contains(&index))));
        self.residuals.set(&cells);
        self.weigh(CellSet { cells: &cells, ..set }, facts);
        self.masked = cells;
        self.remember(set);
    }

    fn weigh(&mut self, set: CellSet<'_>, facts: &Facts) {
        let at = set.at;
        self.grain.set(set.cells, facts.cell_step);
        self.resistances.set(at, set.cells);
        if set.quiet && set.steady {
            self.quiet.set(at, self.residuals.apart());
            self.look_for_jumps(set);
        }
        if set.rest && set.steady {
            self.rest_median = Some(self.median);
            if !std::mem::replace(&mut self.drifting, true) {
                self.drift.restart();
            }
            self.drift.set(at, self.residuals.apart());
            let kind = (set.stage, set.after_load);
            self.rested.set(at, kind, set.median, self.residuals.apart());
        } else if !set.quiet {
            self.drifting = false;
        }
        if facts.cells_together && !set.quiet {
            self.look_for_a_split(set, facts);
        }
    }

    fn remember(&mut self, set: CellSet<'_>) {
        self.last.clear();
        self.last.extend_from_slice(set.cells);
        self.last_range = (set.lowest, set.highest);
        self.last_quiet = set.quiet && set.steady;
    }

    /// Readings that no cell can have. Returns the cells whose readings are of no use for anything else.
    fn look_for_misread(&mut self, set: CellSet<'_>, median: i64, facts: &Facts) -> Range<usize> {
        let (at, count) = (set.at, set.cells.len());
        let (low, high) = facts.possible_cell;
        // A step of the scale outside what the cells can have: all of them are off together.
        if median < low / 2 || high / 2 * 3 < median {
            Tally::count(&mut self.scaled, at);
            return 0..count;
        }
        let nothing = |cell: &Option<i64>| cell.is_some_and(|cell| cell < low / 4);
        // No cell is far enough from the others for what follows but an end.
        if low / 4 <= set.lowest && median / 2 <= set.lowest && set.highest / 2 <= median {
            return self.look_at_the_ends(set, median);
        }
        let empty = set.cells.iter().rev().take_while(|cell| nothing(cell)).count();
        if 0 < empty && empty < set.cells.len() && self.is_empty_from_the_start(empty) {
            match &mut self.empty {
                Some((_, tally)) => tally.again(at),
                None => self.empty = Some((empty, Tally::new(at))),
            }
            return count - empty..count;
        }
        match misread(set.cells, median) {
            Some(Misread::Swapped { middle }) => {
                if let Some(tally) = self.swapped.get_mut(middle) {
                    Tally::count(tally, at);
                }
                return middle.saturating_sub(1)..(middle + 2).min(count);
            }
            Some(Misread::Pulled { low, high }) => {
                let side = usize::from(high < low);
                if let Some(tally) = self.pulled.get_mut(low).and_then(|sides| sides.get_mut(side)) {
                    Tally::count(tally, at);
                }
                return low.min(high)..low.max(high) + 1;
            }
            None => {}
        }
        self.look_at_the_ends(set, median)
    }

    /// Inputs that are not used read nothing from the first set on; a lead that opens later is another matter.
    fn is_empty_from_the_start(&self, empty: usize) -> bool {
        match self.empty {
            Some((first, tally)) => first == empty && tally.count + 1 == self.sets,
            None => self.sets == 1,
        }
    }

    fn look_at_the_ends(&mut self, set: CellSet<'_>, median: i64) -> Range<usize> {
        let count = set.cells.len();
        if count < 3 {
            return 0..0;
        }
        let apart =
            |index: usize| set.cells.get(index).copied().flatten().map(|cell| base(cell.saturating_sub(median)));
        let mut found = 0..0;
        for (end, index, beside) in [(0, 0, 1), (1, count - 1, count - 2)] {
            let (Some(here), Some(there)) = (apart(index), apart(beside)) else { continue };
            if here < -END_LEAD && there.abs() < END_LEAD / 4.0 {
                if self.jumped(set, index) < -JUMP
                    && let Some(tally) = self.end_jumps.get_mut(end)
                {
                    Tally::count(tally, set.at);
                }
                if let Some(tally) = self.ends.get_mut(end) {
                    Tally::count(tally, set.at);
                }
                found = index..index + 1;
            }
        }
        found
    }

    /// By how much a cell has moved since the last set.
    fn jumped(&self, set: CellSet<'_>, index: usize) -> i64 {
        let now = set.cells.get(index).copied().flatten();
        let then = self.last.get(index).copied().flatten();
        now.zip(then).map_or(0, |(now, then)| now.saturating_sub(then))
    }

    /// No cell has moved by more than this since the last set.
    fn furthest_jump(&self, set: CellSet<'_>) -> i64 {
        let (lowest, highest) = self.last_range;
        set.highest.saturating_sub(lowest).max(highest.saturating_sub(set.lowest))
    }

    /// Neighbours that jump against each other while no current flows.
    fn look_for_jumps(&mut self, set: CellSet<'_>) {
        if !self.last_quiet || self.furthest_jump(set) <= JUMP {
            return;
        }
        for index in 1..set.cells.len() {
            let (below, above) = (self.jumped(set, index - 1), self.jumped(set, index));
            let against = below.signum() * above.signum() < 0;
            let alike = (below + above).saturating_abs() < below.saturating_abs().min(above.saturating_abs()) / 2;
            if against
                && alike
                && JUMP < below.saturating_abs()
                && let Some(tally) = self.jumps.get_mut(index - 1)
            {
                Tally::count(tally, set.at);
            }
        }
    }

    /// A set of which the cells up to one place are from before a jump of the current, the others from after it.
    fn look_for_a_split(&mut self, set: CellSet<'_>, facts: &Facts) {
        let least = facts.cell_step.max(SPLIT_STEP).saturating_mul(10);
        if self.furthest_jump(set) < least {
            return;
        }
        let (mut edges, mut moved, mut ups, mut edge) = (0, 0, 0, 0);
        let mut before = None;
        for index in 0..set.cells.len() {
            let jump = self.jumped(set, index);
            let here = least <= jump.saturating_abs();
            if before.is_some_and(|before| before != here) {
                (edges, edge) = (edges + 1, index);
            }
            moved += usize::from(here);
            ups += usize::from(here && 0 < jump);
            before = Some(here);
        }
        let one_way = ups == 0 || ups == moved;
        if edges == 1 && one_way && 2 <= moved && moved + 2 <= set.cells.len() {
            match &mut self.splits {
                Some(splits) => {
                    splits.tally.again(set.at);
                    splits.vary |= splits.first != edge;
                }
                None => self.splits = Some(Splits { tally: Tally::new(set.at), first: edge, vary: false }),
            }
        }
    }

    /// Works out at once what a look asks cell by cell.
    pub(super) fn refresh(&mut self) {
        self.quiet.refresh();
        self.drift.refresh();
    }

    pub(super) fn look(&self, facts: &Facts, known: &Known, claims: &mut Vec<Claim>) {
        let Some(span) = self.span else { return };
        self.look_at_scale(facts, claims);
        self.look_at_count(known, span, claims);
        self.look_at_leads(known, span, claims);
        for index in 0..self.cells {
            self.look_at_offset(index, facts, claims);
            self.look_at_balancing(index, facts, claims);
            self.look_at_drift(index, facts, claims);
            self.look_at_resistance(index, claims);
        }
        doubt_common_drift(claims);
        if let Some(splits) = self.splits.filter(|splits| splits.vary && SPLITS <= splits.tally.count) {
            let splits = splits.tally;
            let text = format!(
                "{} sets are split along the cells at a jump of the current: some cells from before it, some from after",
                splits.count
            );
            let claim = Claim::new(Cause::CellsReadInTurn, Confidence::Likely, (splits.from, splits.to), text);
            claims.push(claim.supported("the spread is only false: it comes and goes with the current's changes"));
        }
        self.look_at_sign(span, claims);
    }

    fn look_at_scale(&self, facts: &Facts, claims: &mut Vec<Claim>) {
        let Some(scaled) = self.scaled.filter(|scaled| ENOUGH <= scaled.count) else { return };
        let (low, high) = (base(facts.possible_cell.0), base(facts.possible_cell.1));
        let fits = |factor: &f64| (low..=high).contains(&(self.median / factor));
        let factors: Vec<String> = [0.001, 0.01, 0.1, 0.5, 2.0, 10.0, 100.0, 1000.0]
            .iter()
            .filter(|factor| fits(factor))
            .map(|factor| format!("{factor}"))
            .collect();
        let text = format!("the median cell reads {:.3} V; a sound one has {low:.2} V to {high:.2} V", self.median);
        let mut claim =
            Claim::new(Cause::WrongScale, Confidence::Likely, (scaled.from, scaled.to), text).critical_if(true);
        claim.confidence = if factors.is_empty() { Confidence::Possible } else { Confidence::Likely };
        if !factors.is_empty() {
            claim =
                claim.supported(format!("it fits if the scale is {} times what it should be", factors.join(" or ")));
        }
        claims.push(claim);
    }

    fn look_at_count(&self, known: &Known, span: (SessionTime, SessionTime), claims: &mut Vec<Claim>) {
        if let Some(place) = known.extra_cells {
            let text = format!("the line carries cell {place}, the pack file has {}", self.cells);
            let claim = Claim::new(Cause::WrongCellCount, Confidence::Likely, span, text).critical_if(true);
            claims.push(claim.supported("it reads like a real cell"));
        }
        let Some((empty, tally)) = self.empty.filter(|(_, tally)| ENOUGH <= tally.count) else { return };
        let text = format!("the last {empty} of {} cells have read nothing since the first set", self.cells);
        let claim =
            Claim::new(Cause::WrongCellCount, Confidence::Likely, (tally.from, tally.to), text).critical_if(true);
        let claim = claim.at_cells(self.cells - empty..self.cells);
        claims
            .push(claim.supported("inputs that are not used read 0").opposed("open leads at the end read so as well"));
    }

    fn look_at_leads(&self, known: &Known, span: (SessionTime, SessionTime), claims: &mut Vec<Claim>) {
        let sure = if known.leads_failed { Confidence::Proven } else { Confidence::Likely };
        let says = |claim: Claim| {
            if known.leads_failed { claim.supported("the sense-lead test failed as well") } else { claim }
        };
        for (index, tally) in self.swapped.iter().enumerate() {
            let Some(tally) = tally.filter(|tally| MISREAD <= tally.count) else { continue };
            let text = format!("cell {} reads nothing between two that read about double", index + 1);
            let span = (tally.from, tally.to);
            let claim = Claim::new(Cause::SwappedSenseLeads, sure, span, text).critical_if(true);
            claims.push(says(claim.at_cells(index.saturating_sub(1)..=(index + 1).min(self.cells - 1))));
        }
        let before = claims.len();
        self.look_for_pulled(sure, claims);
        self.look_for_opposite(sure, claims);
        self.look_for_open_ends(sure, claims);
        // Cells that are read in turn lag as well.
        if self.splits.is_none_or(|splits| !splits.vary) {
            look_for_held(known, sure, span, claims);
        }
        let open = claims.split_off(before);
        let found = !open.is_empty() || claims.iter().any(|claim| claim.cause == Cause::SwappedSenseLeads);
        claims.extend(open.into_iter().map(says));
        if known.leads_failed && !found {
            let text = "the sense-lead test failed; which lead, the values do not tell".to_owned();
            let claim = Claim::new(Cause::OpenSenseLead, Confidence::Likely, span, text).critical_if(true);
            claims.push(claim.supported("an open lead can hold its last readings: only a test of its own sees it"));
        }
    }

    fn look_for_pulled(&self, sure: Confidence, claims: &mut Vec<Claim>) {
        for (index, sides) in self.pulled.iter().enumerate() {
            for (side, tally) in sides.iter().enumerate() {
                let Some(tally) = tally.filter(|tally| MISREAD <= tally.count) else { continue };
                let below = if side == 0 { index } else { index.saturating_sub(1) };
                let text = format!(
                    "cell {} reads far too low and its neighbour far too high, in {} sets: the lead between cells {} and {} \
                     is open",
                    index + 1,
                    tally.count,
                    below + 1,
                    below + 2
                );
                let claim = Claim::new(Cause::OpenSenseLead, sure, (tally.from, tally.to), text).critical_if(true);
                claims.push(claim.at_cells([below, below + 1]));
            }
        }
    }

    fn look_for_opposite(&self, sure: Confidence, claims: &mut Vec<Claim>) {
        let pairs = (0..self.cells.saturating_sub(1)).filter_map(|index| self.quiet.pair(index));
        for pair in pairs.filter(|pair| ENOUGH <= pair.basis.count) {
            let jumps = self.jumps.get(pair.cell).copied().flatten();
            // One jump is enough where they stand apart since.
            let stand =
                STANDS_APART < pair.offsets.0.abs().min(pair.offsets.1.abs()) && pair.offsets.0 * pair.offsets.1 < 0.0;
            let jumps = jumps.filter(|jumps| stand || MISREAD <= jumps.count);
            let moves = pair.correlation.is_some_and(|correlation| correlation < 0.0);
            // No two sound neighbours are so far apart, whether their sum is kept or an input is at its end.
            let far =
                pair.offsets.0 * pair.offsets.1 < 0.0 && FAR_APART < pair.offsets.0.abs().min(pair.offsets.1.abs());
            let confidence = match pair.opposite() {
                Opposite::Clear => sure,
                _ if jumps.is_some() || far => sure,
                // Below 50 mV other things look alike.
                Opposite::Possible if moves => Confidence::Possible,
                Opposite::Possible | Opposite::No => continue,
            };
            let text = format!(
                "cells {} and {} move against each other by up to {}, and their sum stays within {}",
                pair.cell + 1,
                pair.cell + 2,
                millivolts(pair.amplitude),
                millivolts(pair.sum_wander)
            );
            let span = (pair.basis.from, pair.basis.to);
            let mut claim = Claim::new(Cause::OpenSenseLead, confidence, span, text).critical_if(true);
            claim = claim.at_cells([pair.cell, pair.cell + 1]);
            if let Some(correlation) = pair.correlation {
                claim = claim.supported(format!("correlation of their distances from the median {correlation:.2}"));
            }
            if let Some(jumps) = jumps {
                claim = claim.supported(format!("{} jumps against each other with no current", jumps.count));
            }
            claims.push(claim);
        }
    }

    fn look_for_open_ends(&self, sure: Confidence, claims: &mut Vec<Claim>) {
        for (end, tally) in self.ends.iter().enumerate() {
            let Some(tally) = tally.filter(|tally| ENOUGH <= tally.count) else { continue };
            let index = if end == 0 { 0 } else { self.cells - 1 };
            let jumped = self.end_jumps.get(end).copied().flatten();
            let text = format!("cell {}, at the end, reads far too low, and its neighbour does not", index + 1);
            let mut claim = Claim::new(Cause::OpenSenseLead, sure, (tally.from, tally.to), text).critical_if(true);
            claim = claim.at_cells([index]);
            claims.push(match jumped {
                Some(_) => claim.supported("it jumped there from one set to the next"),
                None => claim.opposed("a cell that is really so low reads the same"),
            });
        }
    }

    /// The neighbour pair that tells how a cell stands, and which of the two it is.
    fn pair_of(&self, index: usize) -> Option<(Pair, bool)> {
        let last = index + 1 == self.cells;
        let pair = self.quiet.pair(if last { index.checked_sub(1)? } else { index })?;
        (ENOUGH <= pair.basis.count).then_some((pair, last))
    }

    fn look_at_offset(&self, index: usize, facts: &Facts, claims: &mut Vec<Claim>) {
        let Some((pair, second)) = self.pair_of(index) else { return };
        let (offset, wander) = if second { (pair.offsets.1, pair.wanders.1) } else { (pair.offsets.0, pair.wanders.0) };
        // Rounding alone moves a cell by half a step, and the median by another half.
        let limit = base(facts.deviation.0).max(7e-3 + base(facts.cell_step));
        if offset.abs() <= limit || STEADY_SHARE * offset.abs() < wander {
            return;
        }
        let cause = if offset < 0.0 { Cause::LowCell } else { Cause::HighCell };
        let word = if offset < 0.0 { "below" } else { "above" };
        let uncertainty = wander / (pair.basis.count as f64).sqrt();
        let text = format!(
            "cell {} stands {} +/- {} {word} the median at rest, limit {}",
            index + 1,
            millivolts(offset.abs()),
            millivolts(uncertainty),
            millivolts(base(facts.deviation.0))
        );
        let span = (pair.basis.from, pair.basis.to);
        let claim = Claim::new(cause, Confidence::Likely, span, text);
        let claim = claim.critical_if(base(facts.deviation.1) < offset.abs()).at_cells([index]);
        let claim = claim
            .supported(format!("the same in {} sets", pair.basis.count))
            .opposed("a relaxation that is not finished looks like it for a while");
        claims.push(self.with_charge(claim, offset, uncertainty, facts));
    }

    /// What a distance from the median at rest (in volts) says of the charge.
    fn with_charge(&self, mut claim: Claim, offset: f64, uncertainty: f64, facts: &Facts) -> Claim {
        let (Some(curve), Some(median)) = (facts.curve, self.rest_median) else { return claim };
        // The BMS reads each cell so well: any error within that is as likely as another.
        let uncertainty = uncertainty.hypot(base(facts.accuracy) / 3.0_f64.sqrt());
        match curve.difference(median + offset, median, uncertainty) {
            Told::Share { value, uncertainty } => {
                let word = if value < 0.0 { "less" } else { "more" };
                claim.text +=
                    &format!("; about {} % {word} charge", plus_minus(value.abs() * 100.0, uncertainty * 100.0));
                if let Some(time) = facts
                    .balancing
                    .and_then(|current| balancing_time(value.abs(), base(facts.one_hour_current), base(current)))
                {
                    claim.text += &format!(", {} of balancing", rough_time(time));
                }
                claim.supported(format!("charge by the curve of {}: one like these cells, not theirs", curve.source()))
            }
            Told::Flat { .. } => {
                claim.opposed("its voltage does not tell the charge: the curve of this chemistry is flat there")
            }
            Told::Outside => {
                claim.opposed("its voltage is off the curve of this chemistry: it does not tell the charge")
            }
        }
    }

    fn look_at_balancing(&self, index: usize, facts: &Facts, claims: &mut Vec<Claim>) {
        let Some(triple) = self.quiet.balancing(index) else { return };
        if triple.fall < base(facts.deviation.0) {
            return;
        }
        let text = format!(
            "cell {} falls by {} at times while its neighbours rise by {}",
            index + 1,
            millivolts(triple.fall),
            millivolts(triple.rise)
        );
        let claim = Claim::new(Cause::BalancingActive, Confidence::Likely, (triple.basis.from, triple.basis.to), text);
        claims.push(claim.at_cells([index]).supported("twice as much as they: the current of both its leads"));
    }

    fn look_at_drift(&self, index: usize, facts: &Facts, claims: &mut Vec<Claim>) {
        let Ok(drift) = self.drift.per_hour(index) else { return };
        let long = DRIFT_SECONDS <= drift.basis.length().as_secs_f64();
        // Two more deviations than the usual: there are many cells, and temperatures settle.
        let sure = drift.sigmas_from(0.0).is_some_and(|sigmas| sigmas < -(SIGMAS + 2.0));
        // A slow change of the whole pack moves coarse readings a step at a time, and not all at once.
        let fallen = -drift.value * drift.basis.length().as_secs_f64() / 3600.0;
        if !long || !sure || -DRIFT < drift.value || fallen < 2.0 * base(facts.cell_step) {
            return;
        }
        let text = format!(
            "cell {} falls against the others by {:.0} +/- {:.0} mV an hour at rest",
            index + 1,
            -drift.value * 1e3,
            drift.uncertainty * 1e3
        );
        let span = (drift.basis.from, drift.basis.to);
        let claim =
            Claim::new(Cause::SelfDischarge, Confidence::Likely, span, text).critical_if(true).at_cells([index]);
        claims.push(claim.supported("no current flows").opposed("a relaxation that is not finished looks like it"));
    }

    fn look_at_resistance(&self, index: usize, claims: &mut Vec<Claim>) {
        // The longest lag that was seen on a telling step has the least noise and the whole effect.
        let best = [Lag::TwoSeconds, Lag::Second, Lag::Instant];
        let seen = best.iter().find_map(|lag| {
            let cell = self.resistances.cell(index, *lag).ok()?;
            (0 < cell.telling_steps).then_some((*lag, cell))
        });
        let Some((lag, cell)) = seen else { return };
        let Some(ratio) = cell.ratio.filter(|ratio| is_high(ratio, cell.score)) else { return };
        let Ok(median) = self.resistances.median(lag) else { return };
        let text = format!(
            "cell {} has {} at {}, {:.2} +/- {:.2} times the median of {}",
            index + 1,
            milliohms(cell.held.value),
            lag_words(lag),
            ratio.value,
            ratio.uncertainty,
            milliohms(median)
        );
        let confidence = match cell.telling_steps {
            1 => Confidence::Possible,
            2 => Confidence::Likely,
            _ => Confidence::Proven,
        };
        let span = (cell.held.basis.from, cell.held.basis.to);
        let mut claim = Claim::new(Cause::WeakCell, confidence, span, text).critical_if(WEAK.1 <= ratio.value);
        claim = claim.at_cells([index]).supported(format!("{} steps of the load", cell.telling_steps));
        claims.push(self.weak_or_link(index, claim));
    }

    /// A weak cell has a tail, a link has none: the excess goes on growing after the step as the median cell's drop does,
    /// or it does not.
    fn weak_or_link(&self, index: usize, mut claim: Claim) -> Claim {
        let Ok(parts) = self.resistances.parts(index) else { return unclear(claim) };
        let medians = self.resistances.median(Lag::Instant).ok().zip(self.resistances.median(parts.late).ok());
        let Some((early, late)) = medians else { return unclear(claim) };
        let factor = parts.instant.value / early;
        let expected = factor * (late - early);
        let (tail, sigma) = (parts.relaxation.value, parts.relaxation.uncertainty);
        let tail_text = format!(
            "{} +/- {} come after the step until {}; a weak cell would have {}",
            milliohms(tail),
            milliohms(sigma),
            lag_words(parts.late),
            milliohms(expected)
        );
        // Which of the two is nearer, and whether the other one is out of reach.
        let middle = expected / 2.0;
        let told = CLEARLY * sigma < (tail - middle).abs();
        if tail < middle {
            claim.cause = Cause::LinkResistance;
            claim = claim.supported(format!("no tail: {tail_text}"));
        } else {
            claim = claim.supported(format!("a tail: {tail_text}"));
        }
        if told { claim } else { unclear(claim) }
    }

    /// Resistances, and how the cells drift against each other at rest.
    pub(super) fn measured(&self, measured: &mut Vec<Measured>) {
        const NAMES: [&str; 2] = ["median cell resistance", "highest cell resistance"];
        match self.resistance_figures() {
            Ok(figures) => measured.extend(NAMES.into_iter().zip(figures).map(|(name, f)| Measured::new(name, Ok(f)))),
            Err(why) => measured.extend(NAMES.map(|name| Measured::none(name, why.as_str()))),
        }
        measured.push(Measured::new("largest drift at rest", self.drift_figure()));
    }

    fn resistance_figures(&self) -> Result<[Figure; 2], String> {
        let (lag, median) = self.best_lag().ok_or_else(|| self.why_no_resistance())?;
        let cells = (0..self.cells).filter_map(|index| Some((index, self.resistances.cell(index, lag).ok()?)));
        let highest = cells.max_by(|(_, one), (_, other)| one.held.value.total_cmp(&other.held.value));
        let (index, cell_found) = highest.ok_or_else(|| self.why_no_resistance())?;
        let held = cell_found.held;
        let steps = held.basis.count;
        let count = if steps == 1 { "1 step".to_owned() } else { format!("{steps} steps") };
        let text = format!("{} at {}, {count} of the load", milliohms(median), lag_words(lag));
        let of_median = Figure::of(&Estimate { value: median, ..held }, 1.0, "ohm", text).of_unknown_uncertainty();
        let value = plus_minus(held.value * 1e3, held.uncertainty * 1e3);
        let mut text = format!("cell {} has {value} mohm", index + 1);
        if let Some(ratio) = cell_found.ratio {
            text += &format!(", {} times the median", plus_minus(ratio.value, ratio.uncertainty));
        }
        Ok([of_median, Figure::of(&held, 1.0, "ohm", text).at(cell(index))])
    }

    /// The longest lag that was seen has the least noise and the whole effect; with the median cell's resistance, in ohms.
    fn best_lag(&self) -> Option<(Lag, f64)> {
        let lags = [Lag::TwoSeconds, Lag::Second, Lag::Instant];
        lags.into_iter().find_map(|lag| Some((lag, self.resistances.median(lag).ok()?)))
    }

    /// Every cell at the lag that the measurements show. The uncertainties have what rounding makes where the BMS reads in
    /// coarser steps than it sends: the same on every step between the same levels.
    pub(super) fn all_resistances(&self, facts: &Facts) -> Result<CellResistances, String> {
        let told = self.best_lag().zip(self.resistances.newest_step());
        let ((lag, median), newest) = told.ok_or_else(|| self.why_no_resistance())?;
        let step = base(self.grain(facts));
        let with_rounding = |index: usize| {
            let mut cell = self.resistances.cell(index, lag).ok()?;
            let noise = self.resistances.noise().or_rounding(index);
            // Readings that change now and then are not moved over the steps within a plateau.
            let left = if noise < step / 2.0 { rounding_deviation(step) } else { rounding_left(step, noise * noise) };
            // Before the step and after it.
            let ohms = 2.0_f64.sqrt() * left / newest.change.abs();
            cell.held.uncertainty = cell.held.uncertainty.hypot(ohms);
            cell.drift_corrected.uncertainty = cell.drift_corrected.uncertainty.hypot(ohms);
            if let Some(ratio) = &mut cell.ratio {
                // The median cell is rounded as well.
                ratio.uncertainty = ratio.uncertainty.hypot(2.0_f64.sqrt() * ohms / median);
            }
            Some(cell)
        };
        let cells = (0..self.cells).map(with_rounding).collect();
        Ok(CellResistances { lag, steps: self.resistances.steps(), newest, median, cells })
    }

    /// The step in which the cells are really read, in billionths of a volt.
    pub(super) fn grain(&self, facts: &Facts) -> i64 {
        self.grain.or(facts.cell_step)
    }

    pub(super) fn rests(&self, facts: &Facts) -> Vec<Rest> {
        self.rested.rests(self.grain.or(facts.cell_step))
    }

    pub(super) fn drifts(&self) -> Vec<Option<Estimate>> {
        (0..self.cells).map(|index| self.drift.per_hour(index).ok()).collect()
    }

    fn why_no_resistance(&self) -> String {
        let needed = self.resistances.least_change();
        let largest = self.resistances.largest_too_small();
        match StepFault::ALL
            .into_iter()
            .filter(|fault| 0 < self.resistances.refused(*fault))
            .max_by_key(|fault| self.resistances.refused(*fault))
        {
            Some(StepFault::TooSmall) | None => {
                let seen = largest.map_or(String::new(), |largest| format!("; the largest was {largest:.1} A"));
                format!("no step of the load of {needed:.1} A or more{seen}")
            }
            Some(fault) => format!("no step of the load that tells: {}", fault.words()),
        }
    }

    fn drift_figure(&self) -> Result<Figure, String> {
        let drifts = (0..self.cells).filter_map(|index| Some((index, self.drift.per_hour(index).ok()?)));
        let Some((index, drift)) = drifts.max_by(|(_, one), (_, other)| one.value.abs().total_cmp(&other.value.abs()))
        else {
            return Err(match self.drift.per_hour(0) {
                Err(NoTrend::TooShort { have }) => {
                    format!("too short at rest: {:.0} s of readings", have.as_secs_f64())
                }
                _ => "no cell was read at rest".to_owned(),
            });
        };
        let value = plus_minus(drift.value * 1e3, drift.uncertainty * 1e3);
        let seconds = drift.basis.length().as_secs_f64();
        let text = format!("cell {} against the median: {value} mV an hour, over {seconds:.0} s", index + 1);
        Ok(Figure::of(&drift, 1.0, "V/h", text).at(cell(index)))
    }

    /// The sum rises when more is drawn: the current has the wrong sign.
    fn look_at_sign(&self, span: (SessionTime, SessionTime), claims: &mut Vec<Claim>) {
        let (steps, reversed) = (self.resistances.steps(), self.resistances.reversed_steps());
        if reversed * 2 <= steps {
            return;
        }
        let confidence = if reversed == 1 { Confidence::Possible } else { Confidence::Likely };
        let text = format!("the cells rise when more is drawn, on {reversed} of {steps} steps of the load");
        let claim = Claim::new(Cause::ReversedCurrent, confidence, span, text).critical_if(true);
        claims.push(claim.opposed("regeneration alone does that, too"));
    }

    /// Whether steps of the load have shown the right sign of the current.
    pub(super) fn sign_is_proven(&self) -> bool {
        3 <= self.resistances.steps() && self.resistances.reversed_steps() == 0
    }
}

fn is_high(ratio: &Estimate, score: Option<f64>) -> bool {
    let sure = ratio.sigmas_from(1.0).is_none_or(|sigmas| SIGMAS < sigmas);
    WEAK.0 <= ratio.value && sure && score.is_none_or(|score| OUTLIER < score)
}

/// Several cells that drift at once: the whole pack moves, and coarse readings follow it one by one.
fn doubt_common_drift(claims: &mut [Claim]) {
    let drifts = |claim: &&mut Claim| claim.cause == Cause::SelfDischarge;
    if 1 < claims.iter_mut().filter(drifts).count() {
        for claim in claims.iter_mut().filter(drifts) {
            claim.confidence = Confidence::Possible;
            claim.against.push("other cells drift as well".to_owned());
        }
    }
}

/// Neighbours that stand still while the others move: the lead between them is open, and a filter holds the readings.
fn look_for_held(known: &Known, sure: Confidence, span: (SessionTime, SessionTime), claims: &mut Vec<Claim>) {
    if HELD < known.frozen_cells.len() {
        return;
    }
    for below in &known.frozen_cells {
        if known.frozen_cells.contains(&(below + 1)) {
            let text = format!("cells {} and {} have stood still while the others moved", below + 1, below + 2);
            let claim = Claim::new(Cause::OpenSenseLead, sure, span, text).critical_if(true);
            claims.push(claim.at_cells([*below, below + 1]).supported("filter capacitors can hold the last readings"));
        }
    }
}

fn unclear(mut claim: Claim) -> Claim {
    claim.confidence = claim.confidence.min(Confidence::Likely);
    claim.cause = Cause::WeakCellOrLink;
    claim.opposed("the readings are too coarse or too rare to tell the cell from the link beside it")
}

fn lag_words(lag: Lag) -> String {
    lag.seconds().map_or("the first set after the step".to_owned(), |seconds| format!("{seconds} s"))
}
