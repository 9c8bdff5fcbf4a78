//! Two sessions of one pack: what drifted, as far as that can be told.
//!
//! Like is compared with like only: the same stage, the same lag after steps of like size, sensors under like loads. Where
//! two numbers are not alike, or one is missing, that is said instead.

use model::{Channel, Dimension, HandOutcome, Quantity};
use rules::estimates::Estimate;
use rules::estimates::distributions::fisher_exact;
use rules::estimates::open_circuit::Told as Charge;
use rules::{Cause, Confidence, Figure, HandLine, HandResult, LimitName, Measured, Rest, Severity};

use crate::account::Account;
use crate::words::{amount, counted, decimals_for, fixed, seconds, utc};
use crate::written::lag_words;

/// A difference beyond so many of its standard uncertainties is a change. A comparison has some fifty numbers: with four
/// (6 in 100,000 by chance, of a normal distribution) fewer than one in a hundred comparisons of a pack that did not change
/// says that something did; 12 of 2000 simulated ones (`tests/tests/compare.rs`).
pub const BEYOND: f64 = 4.0;
/// The same for counts, which have no deviations.
const CHANCE: f64 = 3e-5;
/// Cells at rest are compared where the median cell stands within this, in volts: further away the same difference of
/// charge is another voltage. Our own choice.
const SAME_CHARGE: f64 = 0.030;
/// The same where the curve of the chemistry is flat.
const SAME_CHARGE_FLAT: f64 = 0.010;
/// Where the median cell stands further away than this, in volts, the curve can be half as steep again there: so well is
/// the same difference of charge known as a voltage. Common practice, no source.
const SLOPE_KEPT: f64 = 0.010;
const SLOPE_DEVIATION: f64 = 0.5;
/// The same on a flat curve, which has steps.
const SLOPE_KEPT_FLAT: f64 = 0.002;
const SLOPE_DEVIATION_FLAT: f64 = 1.0;
/// And its steps are so high, in volts, where the cells stand on both sides of one. Common practice, no source.
const STEP_DEVIATION_FLAT: f64 = 0.5e-3;
/// Resistors, capacitors and leads are the same on another day within this share: they are as warm as their surroundings.
/// Common practice, no source.
const PART_DEVIATION: f64 = 0.01;
/// The cells of a pack are not equally warm nor equally charged: their resistances against each other are known no better
/// than this share. Our own choice.
const RATIO_DEVIATION: f64 = 0.005;
/// Steps of the load are alike within this factor. Our own choice.
const STEPS_ALIKE: f64 = 2.0;
/// A pack that is colder or warmer by more than this, in kelvin, has another resistance. Common practice, no source.
const TEMPERATURES_ALIKE: f64 = 3.0;
/// Loads heat alike within this share. Our own choice.
const HEAT_ALIKE: f64 = 0.2;
/// How well one reading tells by how much a sensor rose, in kelvin. Our own choice.
const RISE_DEVIATION: f64 = 0.25;

/// Changes from here on are large; what is smaller is told, and stands behind them. Common practice, no source: a third of
/// the 1.3 times the median at which a cell is worth a look, a tenth of a part's value, a drift that an hour of watching
/// would show, degrees and shares that are half of a usual warning limit.
const LARGE_RATIO: f64 = 0.1;
const LARGE_SHARE: f64 = 0.1;
const LARGE_CHARGE_PERCENT: f64 = 1.0;
const LARGE_DRIFT_MILLIVOLTS_AN_HOUR: f64 = 30.0;
const LARGE_RISE: f64 = 4.0;
const LARGE_DAMAGE_PERCENT: f64 = 0.5;

/// What a line is about, the most important first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum About {
    /// The answer.
    Verdict,
    /// A cause that was found.
    Finding,
    /// A required check.
    Check,
    /// Resistances, of cells, leads or anything else.
    Resistance,
    /// A cell at rest: its distance from the median, or its charge.
    Rest,
    /// How a cell drifts at rest.
    Drift,
    /// A temperature.
    Temperature,
    /// The line to the BMS.
    Link,
    /// Anything else that was measured.
    Measured,
    /// A check before power, or a reading by hand.
    Hand,
    /// A limit, or what the files say of pack and line.
    Limit,
}

impl About {
    /// The word in output.
    pub fn name(self) -> &'static str {
        match self {
            Self::Verdict => "verdict",
            Self::Finding => "finding",
            Self::Check => "check",
            Self::Resistance => "resistance",
            Self::Rest => "at rest",
            Self::Drift => "drift",
            Self::Temperature => "temperature",
            Self::Link => "line",
            Self::Measured => "measured",
            Self::Hand => "by hand",
            Self::Limit => "limits and files",
        }
    }
}

/// Whether something changed.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Told {
    /// The difference is beyond what chance explains, or a word is another one.
    Changed,
    /// It is not.
    Same,
    /// It can't be told, and why.
    CannotTell(String),
}

impl Told {
    /// The words in output.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Changed => "changed",
            Self::Same => "same within what can be told",
            Self::CannotTell(_) => "can't be told",
        }
    }
}

/// A number of both sessions and their difference, in one unit.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Numbers {
    /// The first session's.
    pub old: Option<f64>,
    /// The second one's.
    pub new: Option<f64>,
    /// The standard uncertainty of the difference; `None` where it is not known.
    pub uncertainty: Option<f64>,
}

impl Numbers {
    /// New less old; `None` unless both are there.
    pub fn difference(&self) -> Option<f64> {
        Some(self.new? - self.old?)
    }
}

/// One thing in both sessions.
#[derive(Clone, PartialEq, Debug)]
pub struct Line {
    /// What it is about.
    pub about: About,
    /// Where, if at a place.
    pub place: Option<Channel>,
    /// What, in words.
    pub what: String,
    /// The unit of its numbers; empty where it has none.
    pub unit: &'static str,
    /// Its numbers, if it has any.
    pub numbers: Option<Numbers>,
    /// The first session, in words.
    pub old: String,
    /// The second, in words.
    pub new: String,
    /// Whether it changed.
    pub told: Told,
    /// It changed by so much that it matters by itself, whatever chance says of it.
    pub large: bool,
    /// What a person should know beside it; may be empty.
    pub beside: String,
}

impl Line {
    /// New less old in words, with its uncertainty; empty where there is no difference of numbers.
    pub fn difference(&self) -> String {
        let Some(difference) = self.numbers.and_then(|numbers| numbers.difference()) else { return String::new() };
        let decimals = self.decimals();
        let sign = if difference < 0.0 { "" } else { "+" };
        let text = format!("{sign}{}", fixed(difference, decimals));
        match self.numbers.and_then(|numbers| numbers.uncertainty) {
            Some(uncertainty) => format!("{text} +/- {uncertainty:.decimals$} {}", self.unit),
            None => format!("{text} {}", self.unit),
        }
    }

    fn decimals(&self) -> usize {
        let uncertainty = self.numbers.and_then(|numbers| numbers.uncertainty);
        uncertainty.filter(|uncertainty| 0.0 < *uncertainty).map_or(3, decimals_for)
    }

    /// How many of its uncertainties the difference is.
    fn reach(&self) -> f64 {
        let numbers = self.numbers.and_then(|numbers| Some(numbers.difference()?.abs() / numbers.uncertainty?));
        numbers.filter(|reach| reach.is_finite()).unwrap_or(0.0)
    }
}

/// Two sessions compared.
#[derive(Clone, PartialEq, Debug)]
pub struct Comparison {
    /// What stands before all lines: what is not alike in the two as a whole.
    pub notes: Vec<String>,
    /// What changed first, by much before by little, then what can't be told, then what is the same; of each the most important
    /// first.
    pub lines: Vec<Line>,
}

impl Comparison {
    /// How many lines changed, can't be told, and are the same.
    pub fn counts(&self) -> (usize, usize, usize) {
        let count = |rank| self.lines.iter().filter(|line| self::rank(&line.told) == rank).count();
        (count(0), count(1), count(2))
    }
}

/// Why two sessions are no comparison.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum NoComparison {
    /// They have not as many cells.
    #[error("one pack has {0} cells in series, the other {1}: that is no comparison")]
    Cells(u16, u16),
    /// They are of another chemistry.
    #[error("one pack is {0}, the other {1}: that is no comparison")]
    Chemistry(&'static str, &'static str),
}

/// Compares two sessions of one pack. What the BMS reads wrong in the same way both times does not show.
///
/// # Errors
/// They can't be of one pack.
pub fn compare(old: &Account, new: &Account) -> Result<Comparison, NoComparison> {
    let (first, second) = (&old.pack, &new.pack);
    if first.cells() != second.cells() {
        return Err(NoComparison::Cells(first.cells(), second.cells()));
    }
    if first.chemistry() != second.chemistry() {
        return Err(NoComparison::Chemistry(first.chemistry().name(), second.chemistry().name()));
    }
    let mut both = Both { old, new, lines: Vec::new() };
    both.verdict();
    both.findings();
    both.checks();
    both.resistances();
    both.rests();
    both.drifts();
    both.temperatures();
    both.link();
    both.measured();
    both.by_hand();
    both.limits();
    let mut lines = both.lines;
    // Half of what is worth a look at rest.
    let at_rest = old.pack.limit(LimitName::DeviationRest).warning.map_or(f64::INFINITY, |nanos| nanos as f64 * 0.5e-6);
    for line in lines.iter_mut().filter(|line| line.told == Told::Changed) {
        line.large = is_large(line, at_rest);
    }
    lines.sort_by(|one, other| {
        let key = |line: &Line| (rank(&line.told), !line.large, line.about);
        key(one).cmp(&key(other)).then(other.reach().total_cmp(&one.reach()))
    });
    Ok(Comparison { notes: notes(old, new), lines })
}

/// `at_rest`: a large change of a cell at rest, in millivolts.
fn is_large(line: &Line, at_rest: f64) -> bool {
    let Some(Numbers { old: Some(old), new: Some(new), .. }) = line.numbers else {
        // Words: of files and limits a note tells.
        return line.about != About::Limit;
    };
    let (difference, share) = ((new - old).abs(), (new - old).abs() / old.abs().max(new.abs()));
    match (line.about, line.unit) {
        (About::Resistance, "x") => LARGE_RATIO <= difference,
        (About::Rest, "mV") => at_rest <= difference,
        (About::Rest, _) => LARGE_CHARGE_PERCENT <= difference,
        (About::Drift, _) => LARGE_DRIFT_MILLIVOLTS_AN_HOUR <= difference,
        (About::Temperature, _) => LARGE_RISE <= difference,
        (About::Link, _) => LARGE_DAMAGE_PERCENT <= difference,
        _ => LARGE_SHARE <= share,
    }
}

fn rank(told: &Told) -> u8 {
    match told {
        Told::Changed => 0,
        Told::CannotTell(_) => 1,
        Told::Same => 2,
    }
}

/// What is not alike in the two as a whole.
fn notes(old: &Account, new: &Account) -> Vec<String> {
    let mut notes = Vec::new();
    match (old.started_utc_nanos, new.started_utc_nanos) {
        (Some(first), Some(second)) if second < first => notes.push(format!(
            "the first file is the newer one: it began at {}, the second at {}; differences are second less first all the same",
            utc(first),
            utc(second)
        )),
        (Some(_), Some(_)) => {}
        _ => notes.push("when they began is not recorded in both: that the first is the older one is taken on trust".to_owned()),
    }
    match (old.practice, new.practice) {
        (true, true) => notes.push("PRACTICE: no real pack was compared".to_owned()),
        (false, false) => {}
        (practice, _) => {
            let which = if practice { "first" } else { "second" };
            notes.push(format!("the {which} file is PRACTICE and the other is not: they are not of one pack"));
        }
    }
    let limits = || LimitName::all().filter(|name| old.pack.limit(*name) != new.pack.limit(*name)).count();
    if 0 < limits() {
        let text = "the two were judged by other limits: verdict, alarms and checks can differ for that alone";
        notes.push(text.to_owned());
    }
    if old.protocol_text != new.protocol_text {
        notes.push("the two were read by other protocol files: any value can differ for that alone".to_owned());
    }
    if old.pack.name() != new.pack.name() {
        let (first, second) = (old.pack.name(), new.pack.name());
        notes.push(format!("the packs have other names, {first:?} and {second:?}: is it the same pack?"));
    }
    for (which, account) in [("first", old), ("second", new)] {
        for text in account.file.damage.iter().chain(&account.file.otherwise) {
            notes.push(format!("the {which} file: {text}"));
        }
        if !account.complete && account.file.damage.is_empty() {
            notes.push(format!("the {which} file has no end: it was cut off, or the program was killed"));
        }
    }
    notes
}

/// The two sessions and what was found.
struct Both<'a> {
    old: &'a Account,
    new: &'a Account,
    lines: Vec<Line>,
}

/// A number of one session with its standard uncertainty.
type Known = (f64, f64);

fn known(estimate: &Estimate) -> Known {
    (estimate.value, estimate.uncertainty)
}

impl<'a> Both<'a> {
    fn add(&mut self, about: About, place: Option<Channel>, what: impl Into<String>) -> &mut Line {
        let (what, told) = (what.into(), Told::Same);
        let (old, new, beside) = (String::new(), String::new(), String::new());
        self.lines.push_mut(Line { about, place, what, unit: "", numbers: None, old, new, told, large: false, beside })
    }

    /// Words that are the same or not.
    fn words(&mut self, about: About, place: Option<Channel>, what: impl Into<String>, words: (String, String)) {
        let line = self.add(about, place, what);
        line.told = if words.0 == words.1 { Told::Same } else { Told::Changed };
        (line.old, line.new) = words;
    }

    fn cannot_tell(&mut self, about: About, what: impl Into<String>, why: impl Into<String>) {
        self.add(about, None, what).told = Told::CannotTell(why.into());
    }

    /// Numbers that are `factor` times the base unit in `unit`; `more`: an uncertainty of the difference besides.
    fn numbers(
        &mut self,
        (about, place): (About, Option<Channel>),
        what: impl Into<String>,
        (unit, factor): (&'static str, f64),
        (old, new): (Known, Known),
        more: f64,
    ) -> &mut Line {
        let uncertainty = (old.1 * factor).hypot(new.1 * factor).hypot(more * factor);
        let line = self.add(about, place, what);
        let numbers = Numbers { old: Some(old.0 * factor), new: Some(new.0 * factor), uncertainty: Some(uncertainty) };
        (line.unit, line.numbers) = (unit, Some(numbers));
        let decimals = line.decimals();
        let words = |(value, uncertainty): Known| {
            format!("{} +/- {:.decimals$} {unit}", fixed(value * factor, decimals), uncertainty * factor)
        };
        (line.old, line.new) = (words(old), words(new));
        // A difference of nothing is none, whatever is known of it.
        let difference = numbers.difference().unwrap_or(0.0).abs();
        line.told = if difference <= BEYOND * uncertainty { Told::Same } else { Told::Changed };
        line
    }

    fn verdict(&mut self) {
        let words = |account: &Account| account.verdict.outcome.name().to_owned();
        self.words(About::Verdict, None, "verdict", (words(self.old), words(self.new)));
        let covers = |account: &Account| {
            let covers: Vec<&str> = account.verdict.covers.iter().map(|stage| stage.name()).collect();
            if covers.is_empty() { "nothing".to_owned() } else { covers.join(", ") }
        };
        let both = (covers(self.old), covers(self.new));
        let line = self.add(About::Verdict, None, "stages that it covers");
        if both.0 != both.1 {
            line.told = Told::CannotTell("which stages are seen goes with what was done".to_owned());
        }
        (line.old, line.new) = both;
    }

    fn findings(&mut self) {
        let (old, new) = (&self.old.verdict.findings, &self.new.verdict.findings);
        // As findings are told apart: by the cause and the first place.
        let key = |finding: &rules::Finding| (finding.cause, finding.places.first().copied());
        let mut keys: Vec<(Cause, Option<Channel>)> = old.iter().chain(new).map(key).collect();
        keys.sort_unstable();
        keys.dedup();
        for (cause, place) in keys {
            let one = |all: &'a [rules::Finding]| all.iter().find(|finding| key(finding) == (cause, place));
            let (old, new) = (one(old), one(new));
            let words = |finding: Option<&rules::Finding>| match finding {
                Some(finding) => format!("{}, {}", finding.confidence.name(), finding.severity.name()),
                None => "not found".to_owned(),
            };
            let at = old.or(new).map_or(String::new(), rules::Finding::place);
            let what = if at.is_empty() { cause.to_string() } else { format!("{cause} at {at}") };
            let line = self.add(About::Finding, place, what);
            (line.old, line.new) = (words(old), words(new));
            let is_sure = |finding: &rules::Finding| {
                finding.severity == Severity::Critical || finding.confidence == Confidence::Proven
            };
            line.told = if line.old == line.new {
                Told::Same
            } else if old.is_some_and(is_sure) || new.is_some_and(is_sure) {
                Told::Changed
            } else {
                Told::CannotTell("at its limit a warning comes and goes by chance".to_owned())
            };
            line.beside = match (old, new) {
                (_, Some(finding)) => format!("{}; look at: {}", finding.text, finding.look_at()),
                (Some(_), None) => "it came for a reason: was it mended, or was it not tried this time?".to_owned(),
                (None, None) => String::new(),
            };
        }
    }

    fn checks(&mut self) {
        let result = |account: &Account, check: rules::Check| {
            let found = account.verdict.checks.iter().find(|result| result.check == check);
            found.map_or("not required".to_owned(), |found| found.result.name().to_owned())
        };
        for (name, check) in rules::Check::ALL {
            let words = (result(self.old, check), result(self.new, check));
            if words == ("not required".to_owned(), "not required".to_owned()) {
                continue;
            }
            let line = self.add(About::Check, None, format!("check: {name}"));
            let failed = rules::Result::Failed.name();
            line.told = match (words.0 == words.1, words.0 == failed || words.1 == failed) {
                (true, _) => Told::Same,
                (false, true) => Told::Changed,
                (false, false) => Told::CannotTell("only one of the sessions has an answer".to_owned()),
            };
            (line.old, line.new) = words;
        }
    }

    fn resistances(&mut self) {
        const WHAT: &str = "cell resistances";
        let (old, new) = match (&self.old.figures.resistances, &self.new.figures.resistances) {
            (Ok(old), Ok(new)) => (old, new),
            (Err(why), _) => {
                return self.cannot_tell(About::Resistance, WHAT, format!("the first session has none: {why}"));
            }
            (_, Err(why)) => {
                return self.cannot_tell(About::Resistance, WHAT, format!("the second session has none: {why}"));
            }
        };
        if old.lag != new.lag {
            let why = format!("one was read {}, the other {}", lag_words(old.lag), lag_words(new.lag));
            return self.cannot_tell(About::Resistance, WHAT, why);
        }
        let (small, large) = (old.newest.change.abs(), new.newest.change.abs());
        if STEPS_ALIKE * small.min(large) < small.max(large) {
            let why = format!("the steps of the load are not alike: {small:.1} A and {large:.1} A");
            return self.cannot_tell(About::Resistance, WHAT, why);
        }
        let warmer = self.warmer();
        let steps = (counted(old.steps, "step", "steps"), counted(new.steps, "step", "steps"));
        let about = format!("{}, {small:.1} A and {large:.1} A, {} and {}", lag_words(old.lag), steps.0, steps.1);
        // Of one session the errors of all cells go together where they come from the current: no smaller than one cell's.
        let median_error = |known: &rules::CellResistances| {
            let mut errors: Vec<f64> = known.cells.iter().flatten().map(|cell| cell.held.uncertainty).collect();
            errors.sort_by(f64::total_cmp);
            errors.get(errors.len() / 2).copied()
        };
        if let (Some(old_error), Some(new_error)) = (median_error(old), median_error(new)) {
            let both = ((old.median, old_error), (new.median, new_error));
            let line = self.numbers((About::Resistance, None), "median cell resistance", ("mohm", 1e3), both, 0.0);
            line.beside = about;
            if !warmer.is_empty() {
                line.beside += &format!("; {warmer}");
            }
        }
        for (index, (old, new)) in old.cells.iter().zip(&new.cells).enumerate() {
            let place = cell(index);
            let ratios = |cell: &'a Option<rules::estimates::resistance::CellResistance>| {
                cell.as_ref().and_then(|cell| Some((cell.ratio.as_ref()?, cell.held)))
            };
            let what = format!("{place}: resistance against the median cell");
            let (Some((first, first_held)), Some((second, second_held))) = (ratios(old), ratios(new)) else {
                self.add(About::Resistance, Some(place), what).told =
                    Told::CannotTell("one of the sessions has no value".to_owned());
                continue;
            };
            let both = (known(first), known(second));
            let more = RATIO_DEVIATION * first.value.hypot(second.value);
            let line = self.numbers((About::Resistance, Some(place)), what, ("x", 1.0), both, more);
            line.beside = format!("{:.2} mohm and {:.2} mohm", first_held.value * 1e3, second_held.value * 1e3);
            if !warmer.is_empty() {
                line.beside += &format!("; {warmer}");
            }
        }
    }

    /// That the pack was warmer or colder the second time; empty where it was not, by much.
    fn warmer(&self) -> String {
        let (Some(old), Some(new)) = (self.old.conditions.first_celsius, self.new.conditions.first_celsius) else {
            return "the pack's temperature is not known both times, and a colder cell has more resistance (common practice)"
                .to_owned();
        };
        if (new - old).abs() <= TEMPERATURES_ALIKE {
            return String::new();
        }
        format!(
            "the pack began at {old:.1} degC and {new:.1} degC: a colder cell has more resistance (common practice)"
        )
    }

    /// The cells at rest, in the same stage, before a load where that can be.
    fn rests(&mut self) {
        const WHAT: &str = "cells at rest";
        let alike = |one: &Rest, other: &Rest| one.stage == other.stage && one.after_load == other.after_load;
        let rests = &self.old.figures.rests;
        let pairs =
            rests.iter().filter_map(|old| Some((old, self.new.figures.rests.iter().find(|new| alike(old, new))?)));
        let best = pairs.max_by_key(|(old, new)| (!old.after_load, old.median.basis.count.min(new.median.basis.count)));
        let Some((old, new)) = best else {
            let why = match (self.old.figures.rests.is_empty(), self.new.figures.rests.is_empty()) {
                (false, false) => "they rested in no stage alike",
                (true, _) => "no rest was seen in the first session",
                (_, true) => "no rest was seen in the second session",
            };
            return self.cannot_tell(About::Rest, WHAT, why);
        };
        let when = if old.after_load { "after a load" } else { "before any load" };
        let about = format!(
            "{}, {when}; the median cell at {:.4} V and {:.4} V",
            old.stage, old.median.value, new.median.value
        );
        let flat = self.old.pack.chemistry().is_flat();
        let reach = if flat { SAME_CHARGE_FLAT } else { SAME_CHARGE };
        let same_charge = (new.median.value - old.median.value).abs() <= reach;
        if !same_charge && !self.charge_tells(old, new) {
            let why = format!(
                "not the same charge: the median cell stood at {:.3} V and {:.3} V, and the curve of this chemistry does not tell",
                old.median.value, new.median.value
            );
            return self.cannot_tell(About::Rest, WHAT, why);
        }
        let (kept, slope, step) = if flat {
            (SLOPE_KEPT_FLAT, SLOPE_DEVIATION_FLAT, STEP_DEVIATION_FLAT)
        } else {
            (SLOPE_KEPT, SLOPE_DEVIATION, 0.0)
        };
        let away = ((new.median.value - old.median.value).abs() / kept).min(1.0);
        for (index, both) in old.apart.iter().zip(&new.apart).enumerate() {
            let place = cell(index);
            let (Some(first), Some(second)) = both else {
                let line = self.add(About::Rest, Some(place), format!("{place} at rest"));
                line.told = Told::CannotTell("one of the sessions has no value".to_owned());
                continue;
            };
            let line = if same_charge {
                let more = away * (slope * first.value.abs().min(second.value.abs())).hypot(step);
                let what = format!("{place} from the median at rest");
                self.numbers((About::Rest, Some(place)), what, ("mV", 1e3), (known(first), known(second)), more)
            } else {
                let charges = (self.charge(old, first), self.charge(new, second));
                let what = format!("{place}: charge against the median cell");
                match charges {
                    (Some(first), Some(second)) => {
                        self.numbers((About::Rest, Some(place)), what, ("% of charge", 100.0), (first, second), 0.0)
                    }
                    _ => {
                        let line = self.add(About::Rest, Some(place), what);
                        line.told = Told::CannotTell("the curve of this chemistry does not tell".to_owned());
                        line
                    }
                }
            };
            line.beside.clone_from(&about);
        }
    }

    fn charge(&self, rest: &Rest, apart: &Estimate) -> Option<Known> {
        let median = rest.median.value;
        match self.old.pack.chemistry().curve()?.difference(median + apart.value, median, apart.uncertainty) {
            Charge::Share { value, uncertainty } => Some((value, uncertainty)),
            Charge::Flat { .. } | Charge::Outside => None,
        }
    }

    /// Whether voltages at rest tell the charge in both.
    fn charge_tells(&self, old: &Rest, new: &Rest) -> bool {
        let none = |rest: &Rest| Estimate { value: 0.0, ..rest.median };
        self.charge(old, &none(old)).is_some() && self.charge(new, &none(new)).is_some()
    }

    /// What is left of a load looks like a drift: only rests before any load are compared.
    fn drifts(&mut self) {
        let before_load = |account: &Account, estimate: &Estimate| {
            let rests = account.figures.rests.iter().filter(|rest| rest.after_load);
            rests.map(|rest| rest.median.basis.from).min().is_none_or(|first| estimate.basis.to < first)
        };
        let all = |account: &'a Account| account.figures.drifts.iter();
        let pairs: Vec<_> = all(self.old).zip(all(self.new)).enumerate().collect();
        let mut told = 0;
        for (index, both) in pairs {
            let (Some(first), Some(second)) = both else { continue };
            if !before_load(self.old, first) || !before_load(self.new, second) {
                continue;
            }
            told += 1;
            let place = cell(index);
            let what = format!("{place}: drift against the median at rest");
            // Rounding that comes up over a rest looks like a drift: of two readings, on a line through evenly spread ones.
            let rounding = |account: &Account, estimate: &Estimate| {
                let step = account.figures.cell_grain.unwrap_or(0) as f64 * 1e-9;
                let hours = estimate.basis.length().as_secs_f64() / 3600.0;
                if 0.0 < hours { 2.0_f64.sqrt() * step / hours } else { 0.0 }
            };
            let more = rounding(self.old, first).hypot(rounding(self.new, second));
            self.numbers((About::Drift, Some(place)), what, ("mV/h", 1e3), (known(first), known(second)), more);
        }
        if told == 0 {
            let why = "no rest long enough before any load in both; after one, cells still settle";
            self.cannot_tell(About::Drift, "drift of the cells at rest", why);
        }
    }

    fn temperatures(&mut self) {
        let (old, new) = (&self.old.conditions, &self.new.conditions);
        if let (Some(first), Some(second)) = (old.first_celsius, new.first_celsius) {
            let line = self.add(About::Temperature, None, "pack at the beginning, mean of the sensors");
            line.unit = "degC";
            line.numbers = Some(Numbers { old: Some(first), new: Some(second), uncertainty: None });
            (line.old, line.new) = (format!("{first:.1} degC"), format!("{second:.1} degC"));
            line.told = Told::CannotTell("it is as warm as its surroundings were".to_owned());
        }
        let heat = (old.ampere_squared_seconds, new.ampere_squared_seconds);
        let length = (self.old.end.nanos as f64 * 1e-9, self.new.end.nanos as f64 * 1e-9);
        let unlike = |(one, other): (f64, f64)| HEAT_ALIKE * one.max(other) < (one - other).abs();
        if unlike(heat) || unlike(length) {
            let why = format!(
                "the loads are not alike: {:.0} A2s in {:.0} s and {:.0} A2s in {:.0} s",
                heat.0, length.0, heat.1, length.1
            );
            return self.cannot_tell(About::Temperature, "by how much the sensors rose", why);
        }
        let sensors = self.old.pack.temperatures().len().min(self.new.pack.temperatures().len());
        for index in 0..sensors {
            let place = Channel::at(Quantity::Temperature, u16::try_from(index + 1).unwrap_or(u16::MAX));
            let rise = |account: &Account| {
                let first = account.conditions.first_temperatures.get(index).copied().flatten()?;
                let span = account.extreme(place)?;
                // A sensor that came off at some time has no rise.
                let possible = |nanos: i64| (-39_900_000_000..=120_000_000_000).contains(&nanos);
                (possible(span.lowest) && possible(span.highest))
                    .then_some((span.highest.saturating_sub(first) as f64 * 1e-9, RISE_DEVIATION))
            };
            let what = format!("{place}: highest above its first value");
            match (rise(self.old), rise(self.new)) {
                (Some(first), Some(second)) => {
                    self.numbers((About::Temperature, Some(place)), what, ("K", 1.0), (first, second), 0.0);
                }
                _ => {
                    let line = self.add(About::Temperature, Some(place), what);
                    line.told = Told::CannotTell("one of the sessions has no sound readings of it".to_owned());
                }
            }
        }
    }

    fn link(&mut self) {
        let (old, new) = (&self.old.figures.line, &self.new.figures.line);
        let share = |line: &rules::LineFigures| {
            let all = (line.sound + line.damaged).max(1) as f64;
            let damaged = line.damaged as f64;
            // None of so many is no certainty.
            (damaged / all, damaged.max(1.0).sqrt() / all)
        };
        let words = |line: &rules::LineFigures| {
            let all = line.sound + line.damaged;
            format!("{} of {}", line.damaged, counted(all, "frame", "frames"))
        };
        if old.sound == 0 || new.sound == 0 {
            self.cannot_tell(About::Link, "damaged frames", "one of the sessions has no sound frame");
        } else {
            let both = ((old.damaged, old.sound), (new.damaged, new.sound));
            let chance = fisher_exact(both.0, both.1).min(fisher_exact(both.1, both.0));
            let (first, second) = (words(old), words(new));
            let line = self.numbers((About::Link, None), "damaged frames", ("%", 100.0), (share(old), share(new)), 0.0);
            (line.old, line.new) = (first, second);
            line.told = if chance < CHANCE { Told::Changed } else { Told::Same };
        }
        let silence = |line: &rules::LineFigures| match line.longest_silence {
            Some((gap, at)) => format!("{:.3} s, from {}", gap.as_secs_f64(), seconds(at)),
            None => "none longer than allowed".to_owned(),
        };
        let line = self.add(About::Link, None, "longest silence");
        (line.old, line.new) = (silence(old), silence(new));
        line.told = match (old.longest_silence.is_some(), new.longest_silence.is_some()) {
            (false, false) => Told::Same,
            (true, true) if line.old == line.new => Told::Same,
            (true, true) => Told::CannotTell("how long a silence lasts is chance".to_owned()),
            _ => Told::Changed,
        };
    }

    /// What was measured at one place of the pack. What goes with its voltage or is told cell by cell is left out.
    fn measured(&mut self) {
        const ELSEWHERE: [&str; 6] = [
            "median cell resistance",
            "highest cell resistance",
            "largest drift at rest",
            "greatest temperature rate at rest",
            "damaged frames",
            "pre-charge energy",
        ];
        let of = |account: &'a Account, name: &str| {
            account.verdict.measured.iter().find(|measured| measured.name == name).map(|measured| &measured.result)
        };
        let all: &'a [Measured] = &self.old.verdict.measured;
        let all = if all.is_empty() { &self.new.verdict.measured } else { all };
        for name in all.iter().map(|measured| measured.name).filter(|name| !ELSEWHERE.contains(name)) {
            let about = if name.ends_with("resistance") { About::Resistance } else { About::Measured };
            let (old, new) = match (of(self.old, name), of(self.new, name)) {
                (Some(Ok(old)), Some(Ok(new))) => (old, new),
                (first, second) => {
                    let why = |which: &str, result: Option<&'a Result<Figure, String>>| match result {
                        Some(Ok(_)) => None,
                        Some(Err(why)) => Some(format!("the {which} session: {why}")),
                        None => Some(format!("the {which} session has none")),
                    };
                    let words = |result: Option<&'a Result<Figure, String>>| {
                        result
                            .and_then(|result| result.as_ref().ok())
                            .map_or("none".to_owned(), |figure| figure.text.clone())
                    };
                    let why = why("first", first).or_else(|| why("second", second)).unwrap_or_default();
                    let line = self.add(about, None, name);
                    line.told = Told::CannotTell(why);
                    (line.old, line.new) = (words(first), words(second));
                    continue;
                }
            };
            let number = |figure: &Figure| Some((figure.value as f64 * 1e-9, figure.uncertainty? as f64 * 1e-9));
            let texts = (old.text.clone(), new.text.clone());
            let (unit, factor) = scale(old.unit);
            if let (Some(first), Some(second)) = (number(old), number(new)) {
                let more = PART_DEVIATION * first.0.hypot(second.0);
                let line = self.numbers((about, old.place), name, (unit, factor), (first, second), more);
                line.beside = format!("{}; {}", texts.0, texts.1);
            } else {
                let line = self.add(about, old.place, name);
                (line.old, line.new) = texts;
                line.told = Told::CannotTell("its uncertainty is not known".to_owned());
            }
        }
    }

    fn by_hand(&mut self) {
        for old in &self.old.hand {
            let Some(new) = self.new.hand.iter().find(|new| new.item == old.item) else { continue };
            let done = |line: &HandLine| line.judged.result != HandResult::NotDone;
            if !done(old) && !done(new) {
                continue;
            }
            let words = |line: &HandLine| {
                let found = line.entry.as_ref().filter(|(_, reading)| reading.outcome != HandOutcome::NotDone);
                let value = found.and_then(|(_, reading)| reading.value).map(rules::prepare::amount);
                match value {
                    Some(value) => format!("{value}, {}", line.judged.result.name()),
                    None => line.judged.result.name().to_owned(),
                }
            };
            let both = (words(old), words(new));
            let line = self.add(About::Hand, None, old.item.name());
            line.told = match (done(old), done(new)) {
                (false, _) => Told::CannotTell("not done the first time".to_owned()),
                (_, false) => Told::CannotTell("not done the second time".to_owned()),
                _ if old.judged.result != new.judged.result => Told::Changed,
                _ if both.0 == both.1 => Told::Same,
                _ => Told::CannotTell("how well it was read is not known".to_owned()),
            };
            (line.old, line.new) = both;
        }
    }

    fn limits(&mut self) {
        let (old, new) = (&self.old.pack, &self.new.pack);
        let mut same = 0;
        for name in LimitName::all() {
            let (one, other) = (old.limit(name), new.limit(name));
            if one == other {
                same += 1;
                continue;
            }
            let words = |limit: &rules::LimitValues| {
                let side = |side: Option<i64>| side.map_or("none".to_owned(), |side| amount(name.dimension(), side));
                let delay = limit.on_delay.as_secs_f64();
                format!("{} / {}, after {delay} s", side(limit.warning), side(limit.critical))
            };
            let line = self.add(About::Limit, None, format!("limit: {}", name.key().replace('_', " ")));
            (line.old, line.new) = (words(&one), words(&other));
            line.told = Told::Changed;
        }
        if 0 < same {
            let words = counted(same, "limit", "limits");
            self.words(About::Limit, None, "limits that are the same", (words.clone(), words));
        }
        let facts = |pack: &rules::Pack| {
            let ampere_hours = amount(Dimension::Charge, pack.capacity_nanos());
            format!(
                "{}, {} in parallel, {ampere_hours}, {} sensors",
                pack.name(),
                pack.parallel(),
                pack.temperatures().len()
            )
        };
        let protocol = |account: &Account| account.protocol.0.clone();
        let files = [
            ("pack file", (facts(old), facts(new)), old.text() == new.text()),
            (
                "protocol file",
                (protocol(self.old), protocol(self.new)),
                self.old.protocol_text == self.new.protocol_text,
            ),
        ];
        for (what, (old, new), same) in files {
            let line = self.add(About::Limit, None, what);
            let text = if same { "the same text" } else { "another text" };
            (line.old, line.new) = (old, format!("{new}: {text}"));
            line.told = if same { Told::Same } else { Told::Changed };
        }
    }
}

/// The channel of a cell, counted from 0.
fn cell(index: usize) -> Channel {
    Channel::at(Quantity::CellVoltage, u16::try_from(index + 1).unwrap_or(u16::MAX))
}

/// A unit that makes numbers of the usual size, and how many of it one base unit is.
fn scale(unit: &'static str) -> (&'static str, f64) {
    match unit {
        "ohm" => ("mohm", 1e3),
        "F" => ("mF", 1e3),
        other => (other, 1.0),
    }
}
