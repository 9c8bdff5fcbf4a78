//! The main path: pack voltage against the sum of the cells, bus voltage against the pack voltage.

use std::time::Duration;

use model::{Channel, Quantity, SessionTime};

use super::{CellSet, Claim, Facts, base, milliohms, millivolts};
use crate::cause::Cause;
use crate::estimates::leads::{Drop, DropRegression, LEAST_LEVELS, NoDrop};
use crate::finding::Confidence;
use crate::measured::{Figure, Measured};
use crate::pack_sum::share;
use crate::statistics::Running;
use crate::wiring::Leads;

/// Voltages further apart in time than this are not compared.
const MOST_AGE: Duration = Duration::from_millis(500);
/// The limit has its uncertainty: this share of it is worth a finding.
const NEARLY: f64 = 0.8;
/// Fewer comparisons than this say nothing.
const ENOUGH: u64 = 10;
/// Leads that have less than so many times what copper and contacts make are as they should be: contacts age, and copper in
/// the sun has a quarter more. Common practice, no source.
const AS_BUILT: f64 = 1.5;
/// Leads that have more than so many times what they should, and so many ohms more, are worth a look whatever the current.
/// Common practice, no source.
const FAR_MORE: f64 = 2.0;
const MORE_OHMS: f64 = 0.5e-3;
/// Cold cells have two to three times the resistance of the pack file. Common practice, no source.
const GAIN_SPARE: f64 = 2.0;
/// At this temperature leads are worked out, in degC.
const LEADS_AT: f64 = 20.0;
/// How far two sound readings of the pack voltage may differ, as a share of it: a gap that is no further from a whole
/// number of cells is one of so many cells. Common practice, no source.
const CALIBRATION: f64 = 0.005;

#[derive(Clone, Debug)]
pub(super) struct PathEvidence {
    sum: Option<(SessionTime, i64)>,
    pack: Option<(SessionTime, i64)>,
    current: Option<i64>,
    /// Up to this no load is on, in billionths of an ampere.
    rest_current: i64,
    largest: f64,
    /// The bus was read with the switch closed.
    bus_was_closed: bool,
    pack_drop: DropRegression,
    bus_drop: DropRegression,
    /// The reported pack voltage less the sum of the cells at rest, in volts.
    gap: Running,
    gap_span: Option<(SessionTime, SessionTime)>,
}

impl PathEvidence {
    pub(super) fn new(facts: &Facts) -> Self {
        Self {
            sum: None,
            pack: None,
            current: None,
            rest_current: facts.rest_current,
            largest: 0.0,
            bus_was_closed: false,
            pack_drop: DropRegression::new(facts.one_hour_current, facts.pack_step),
            bus_drop: DropRegression::new(facts.one_hour_current, facts.bus_step),
            gap: Running::default(),
            gap_span: None,
        }
    }

    pub(super) fn set(&mut self, set: CellSet<'_>) {
        self.sum = Some((set.at, set.sum));
    }

    pub(super) fn current(&mut self, nanos: i64) {
        self.current = Some(nanos);
    }

    pub(super) fn pack_voltage(&mut self, at: SessionTime, nanos: i64, rest: bool) {
        self.pack = Some((at, nanos));
        let Some((_, sum)) = self.sum.filter(|(then, _)| at.since(*then) <= MOST_AGE) else { return };
        if rest {
            self.gap.push(base(nanos.saturating_sub(sum)));
            self.gap_span = Some((self.gap_span.map_or(at, |(from, _)| from), at));
        }
        if let Some(current) = self.current {
            self.largest = self.largest.max(base(current).abs());
            self.pack_drop.push(at, current, sum.saturating_sub(nanos));
        }
    }

    /// With the switch closed. Without a load it does not count: a bus that is nearly up, or that has just been parted from
    /// the pack and falls slowly, is as live by its voltage as one that is joined, and what it lacks is no drop along leads.
    pub(super) fn bus(&mut self, at: SessionTime, nanos: i64) {
        self.bus_was_closed = true;
        let (Some(current), Some((then, pack))) = (self.current, self.pack.or(self.sum)) else { return };
        if current.saturating_abs() <= self.rest_current {
            return;
        }
        if at.since(then) <= MOST_AGE {
            self.largest = self.largest.max(base(current).abs());
            self.bus_drop.push(at, current, pack.saturating_sub(nanos));
        }
    }

    pub(super) fn look(&self, facts: &Facts, median: f64, claims: &mut Vec<Claim>) {
        let Some((_, sum)) = self.sum else { return };
        self.look_at_gap(facts, base(sum), median, claims);
        let between = "between the cells and where the pack voltage is measured";
        self.look_at_drop(&self.pack_drop, Quantity::PackVoltage, between, facts, base(sum), claims);
        let between = "between the pack and the bus";
        self.look_at_drop(&self.bus_drop, Quantity::BusVoltage, between, facts, base(sum), claims);
    }

    /// The resistance of the leads on both sides of where the pack voltage is measured.
    pub(super) fn measured(&self, facts: &Facts, measured: &mut Vec<Measured>) {
        for (name, drop, place) in [
            ("pack lead resistance", &self.pack_drop, Quantity::PackVoltage),
            ("bus lead resistance", &self.bus_drop, Quantity::BusVoltage),
        ] {
            let is_read = if place == Quantity::PackVoltage { self.pack.is_some() } else { self.bus_was_closed };
            let result = match drop.estimate() {
                _ if !is_read && place == Quantity::PackVoltage => Err("no pack voltage was read".to_owned()),
                _ if !is_read => Err("no bus voltage was read with the switch closed".to_owned()),
                Ok(drop) => Ok(lead_figure(&drop, expected_ohms(facts, place), place)),
                Err(NoDrop::TooFewLevels { have }) => {
                    Err(format!("too few levels of the current: {have}, {LEAST_LEVELS} needed"))
                }
                Err(NoDrop::NoLine) => Err("the readings leave no line".to_owned()),
            };
            measured.push(Measured::new(name, result));
        }
    }

    /// A share of a voltage as the pack-sum limit has it.
    fn limit(facts: &Facts, volts: f64) -> f64 {
        base(facts.pack_sum) / 100.0 * volts
    }

    fn look_at_gap(&self, facts: &Facts, sum: f64, median: f64, claims: &mut Vec<Claim>) {
        let (Some(span), Some(gap)) = (self.gap_span, self.gap.mean()) else { return };
        let limit = Self::limit(facts, sum);
        if self.gap.count() < ENOUGH || limit <= 0.0 || gap.abs() <= limit {
            return;
        }
        let percent = share((gap * 1e9) as i64, (sum * 1e9) as i64).map_or(0.0, base);
        let text = format!("the pack voltage is {gap:+.2} V off the sum of the cells at rest ({percent:.1} %)");
        let cells = if 0.0 < median { gap / median } else { 0.0 };
        let whole = cells.round();
        if 1.0 <= whole.abs() && (cells - whole).abs() < CALIBRATION * facts.cells as f64 {
            let claim = Claim::new(Cause::WrongCellCount, Confidence::Likely, span, text).critical_if(true);
            claims.push(claim.supported(format!("that is {cells:.2} cells of {median:.3} V: {whole:+} cells")));
            return;
        }
        claims.push(Claim::new(Cause::PackSumOffset, Confidence::Likely, span, text));
    }

    fn look_at_drop(
        &self,
        drop: &DropRegression,
        place: Quantity,
        between: &str,
        facts: &Facts,
        sum: f64,
        claims: &mut Vec<Claim>,
    ) {
        let Ok(Drop { resistance, offset, levels, .. }) = drop.estimate() else { return };
        let ohms = resistance.estimate.value;
        let (at_most, limit) = (ohms * self.largest, Self::limit(facts, sum));
        let expected = expected_ohms(facts, place);
        // A channel that reads some percent wrong shows that part of the cells' own sag as a drop: what it is off at no
        // current tells the percents.
        let by_gain =
            GAIN_SPARE * (offset.estimate.value / sum.max(1.0)).abs() * facts.cells as f64 * base(facts.resistance);
        let low = resistance.low - by_gain;
        let far_more = expected.is_some_and(|expected| (FAR_MORE * expected).max(expected + MORE_OHMS) < low);
        if resistance.low <= 0.0 || (at_most <= limit * NEARLY && !far_more) {
            return;
        }
        let text = format!(
            "{} (95 %: {} to {}) {between}: {at_most:.2} V at {:.0} A",
            milliohms(ohms),
            milliohms(resistance.low),
            milliohms(resistance.high),
            self.largest
        );
        let basis = resistance.estimate.basis;
        let mut claim = Claim::new(Cause::ConnectorResistance, Confidence::Likely, (basis.from, basis.to), text);
        claim = claim.critical_if(2.0 * limit < at_most);
        claim.places = vec![Channel::whole(place)];
        claim = claim.supported(format!(
            "{} levels of the current from {:.1} A to {:.1} A; {} at no current",
            basis.count,
            levels.0,
            levels.1,
            millivolts(offset.estimate.value)
        ));
        if let Some(expected) = expected {
            let told = format!("{} is what copper and contacts of the pack file make", milliohms(expected));
            if low <= AS_BUILT * expected {
                // As thin as it was built: too much for the current, and no fault of a contact.
                claim.confidence = Confidence::Possible;
                claim = claim.opposed(told);
            } else {
                claim = claim.supported(format!("{told}: it has {:.1} times that", ohms / expected));
            }
        }
        claims.push(claim.opposed("a filter that lags looks like it where the current changes fast"));
    }
}

fn lead_figure(drop: &Drop, expected: Option<f64>, place: Quantity) -> Figure {
    let ohms = &drop.resistance;
    let mut text = format!(
        "{} (95 %: {} to {}), {} levels of the current",
        milliohms(ohms.estimate.value),
        milliohms(ohms.low),
        milliohms(ohms.high),
        ohms.estimate.basis.count
    );
    if let Some(expected) = expected {
        text += &format!("; copper and contacts of the pack file make {}", milliohms(expected));
    }
    if ohms.holds(0.0) {
        text += match place {
            Quantity::PackVoltage => {
                "; not told from nothing, and a pack voltage that is a sum of the cells shows none"
            }
            _ => "; not told from nothing",
        };
    }
    Figure::of(&ohms.estimate, 1.0, "ohm", text).at(Channel::whole(place))
}

/// What the leads of a place should have, in ohms, where the pack file tells. The bus is held against the pack voltage, or
/// against the cells where the line carries none; then both leads are in the way.
fn expected_ohms(facts: &Facts, place: Quantity) -> Option<f64> {
    let ohms = |leads: Option<Leads>| leads?.expected_ohms(LEADS_AT);
    let (pack, bus) = (facts.wiring.pack_leads, facts.wiring.bus_leads);
    match place {
        Quantity::BusVoltage if !facts.has_pack_voltage => Some(ohms(pack)? + ohms(bus)?),
        Quantity::BusVoltage => ohms(bus),
        _ => ohms(pack),
    }
}
