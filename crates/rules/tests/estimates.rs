//! Estimators over synthetic packs whose truth is known: what they find, and what bad input does to them.

use std::time::{Duration, Instant};

use model::SessionTime;
use rules::estimates::bus::{Bus, BusSettings};
use rules::estimates::leads::DropRegression;
use rules::estimates::line_quality::LineQuality;
use rules::estimates::pairs::Neighbours;
use rules::estimates::residuals::Residuals;
use rules::estimates::resistance::{Lag, NoResistance, Resistances};
use rules::estimates::steps::{StepFault, StepSettings};
use rules::estimates::trend::{Trend, Window};

const OHMS: f64 = 1.5e-3;
/// The part that comes with a time constant of 2 s.
const SLOW_OHMS: f64 = 0.6e-3;
const SLOW: f64 = 2.0;

struct Random(u64);

impl Random {
    fn even(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.even()).sum::<f64>() - 6.0
    }
}

fn settings(cell_step: i64, scan_ms: u64) -> StepSettings {
    StepSettings {
        one_hour_current: 40_000_000_000,
        resistance: 1_500_000,
        cell_step,
        current_step: 10_000_000,
        scan: Duration::from_millis(scan_ms),
    }
}

/// A moment: seconds, amperes, and the cells in volts.
#[derive(Clone)]
struct Moment {
    seconds: f64,
    amperes: f64,
    volts: Vec<Option<f64>>,
}

/// `cells` cells, 20 sets a second, through these currents, each for 12 s. `fast` and `slow` are factors of a cell's two
/// resistances.
fn pack(cells: usize, currents: &[f64], fast: impl Fn(usize) -> f64, slow: impl Fn(usize) -> f64) -> Vec<Moment> {
    let (mut moments, mut relaxed) = (Vec::new(), 0.0);
    let interval = 0.05;
    for (index, amperes) in currents.iter().flat_map(|current| [*current; 240]).enumerate() {
        relaxed += (amperes - relaxed) * (1.0 - f64::exp(-interval / SLOW));
        let volts = |cell| Some(3.8 - amperes * OHMS * fast(cell) - relaxed * SLOW_OHMS * slow(cell));
        moments.push(Moment { seconds: index as f64 * interval, amperes, volts: (0..cells).map(volts).collect() });
    }
    moments
}

fn run(moments: &[Moment], settings: StepSettings, noise: f64) -> Resistances {
    run_seeded(moments, settings, noise, 42)
}

fn run_seeded(moments: &[Moment], settings: StepSettings, noise: f64, seed: u64) -> Resistances {
    let cells = moments.first().map_or(0, |moment| moment.volts.len());
    let mut resistances = Resistances::new(cells, settings);
    let mut random = Random(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
    let mut set = Vec::new();
    for moment in moments {
        let at = SessionTime::from_nanos((moment.seconds * 1e9).round() as u64);
        resistances.current(at, (moment.amperes * 1e9) as i64);
        set.clear();
        let step = settings.cell_step as f64;
        set.extend(moment.volts.iter().map(|volts| {
            let nanos = (volts.as_ref()? + noise * random.normal()) * 1e9;
            Some(((nanos / step).round() * step) as i64)
        }));
        resistances.set(at, &set);
    }
    resistances
}

const LOADS: [f64; 7] = [0.0, 60.0, 0.0, 60.0, 0.0, -30.0, 0.0];

fn equal(_: usize) -> f64 {
    1.0
}

/// What a cell shows at a lag after a step from a settled level.
fn truth(lag: f64) -> f64 {
    // The slow part moves at the beginning of each interval of the synthetic pack.
    OHMS + SLOW_OHMS * (1.0 - f64::exp(-(lag) / SLOW))
}

#[test]
fn without_noise_the_truth_is_found_at_every_lag() {
    let found = run(&pack(24, &LOADS, equal, equal), settings(1, 0), 0.0);
    assert_eq!((found.steps(), found.reversed_steps()), (6, 0), "on, off, regeneration");
    assert_eq!(StepFault::ALL.map(|fault| found.refused(fault)), [0; 7]);
    for lag in [Lag::Instant, Lag::TenthSecond, Lag::Second, Lag::TwoSeconds, Lag::FiveSeconds, Lag::TenSeconds] {
        let cell = found.cell(7, lag).unwrap();
        let expected = truth(lag.seconds().unwrap_or(0.05));
        let off = cell.held.value / expected - 1.0;
        assert!(off.abs() < 0.01, "{lag:?}: {} instead of {expected}", cell.held.value);
        assert!((cell.ratio.unwrap().value - 1.0).abs() < 1e-6, "{cell:?}");
        assert_eq!((cell.held.basis.count, cell.telling_steps), (6, 6));
    }
}

#[test]
fn a_weak_cell_and_a_link_are_told_apart_through_noise_and_coarse_readings() {
    for (step, noise) in [(1_000_000, 0.4e-3), (5_000_000, 1.5e-3)] {
        let weak = |cell: usize| if cell == 9 { 1.5 } else { 1.0 };
        let link = |cell: usize| if cell == 16 { 1.5 } else { weak(cell) };
        let found = run(&pack(24, &[0.0, 80.0, 0.0, 80.0, 0.0, 80.0, 0.0], link, weak), settings(step, 0), noise);
        for cell in 0..24 {
            let at_two = found.cell(cell, Lag::TwoSeconds).unwrap();
            let ratio = at_two.ratio.unwrap();
            let expected = match cell {
                9 => 1.5,
                16 => (1.5 * OHMS + truth(2.0) - OHMS) / truth(2.0),
                _ => 1.0,
            };
            assert!((ratio.value - expected).abs() < 4.0 * ratio.uncertainty, "cell {cell}: {ratio:?}, {expected}");
            assert!(ratio.uncertainty < 0.05, "{ratio:?}");
            let far = 3.5 < at_two.score.unwrap() && 3.0 < ratio.sigmas_from(1.0).unwrap();
            assert_eq!(far, cell == 9 || cell == 16, "cell {cell}: {at_two:?}");
            let parts = found.parts(cell).unwrap();
            assert_eq!(parts.late, Lag::TenSeconds);
            let relaxes = 3.0 < parts.relaxation.sigmas_from(0.0).unwrap();
            // At 5 mV a tail of 24 mV may drown in the rounding; a link never has one.
            assert!(cell == 9 || !relaxes, "cell {cell}: {parts:?}");
            assert!(cell != 9 || relaxes || step == 5_000_000, "{parts:?}");
        }
    }
}

/// Healthy cells at 1 to 20 sets a second, 1 and 5 mV: by the rule for a weak cell (ratio 1.3, more than 3 sigma, three
/// telling steps) none is called one, and a cell of 1.6 times the resistance always is.
#[test]
fn healthy_cells_are_not_called_weak_and_weak_ones_are() {
    let currents = [0.0, 80.0, 0.0, 80.0, 0.0];
    let healthy = pack(24, &currents, |cell| 1.0 + 0.02 * f64::from(cell as u32 % 3), equal);
    let weak = pack(24, &currents, |cell| if cell == 5 { 1.6 } else { 1.0 }, |cell| if cell == 5 { 1.6 } else { 1.0 });
    let called = |found: &Resistances| -> Vec<usize> {
        let is_weak = |cell: &usize| {
            let Ok(told) = found.cell(*cell, Lag::TwoSeconds) else { return false };
            let far = told.ratio.and_then(|ratio| Some(1.3 <= ratio.value && 3.0 < ratio.sigmas_from(1.0)?));
            far == Some(true) && 3 <= told.telling_steps && told.score.is_some_and(|score| 3.5 < score)
        };
        (0..24).filter(is_weak).collect()
    };
    for (step, noise) in [(1_000_000, 0.5e-3), (5_000_000, 1.5e-3)] {
        for every in [1, 4, 20] {
            let sparse = |moments: &[Moment]| moments.iter().step_by(every).cloned().collect::<Vec<_>>();
            let (healthy, weak) = (sparse(&healthy), sparse(&weak));
            for seed in 1..=25 {
                let found = run_seeded(&healthy, settings(step, 0), noise, seed);
                assert_eq!((found.steps(), called(&found)), (4, vec![]), "step {step}, every {every}, seed {seed}");
                let found = run_seeded(&weak, settings(step, 0), noise, seed);
                assert_eq!(called(&found), [5], "step {step}, every {every}, seed {seed}");
            }
        }
    }
}

#[test]
fn the_uncertainty_is_that_of_repeated_runs() {
    let moments = pack(24, &[0.0, 60.0, 0.0], equal, equal);
    let found = run(&moments, settings(1_000, 0), 0.5e-3);
    for lag in [Lag::Instant, Lag::Second, Lag::FiveSeconds] {
        let (mut squares, mut told) = (0.0, 0.0);
        for cell in 0..24 {
            let cell = found.cell(cell, lag).unwrap();
            squares += (cell.ratio.unwrap().value - 1.0).powi(2) / 24.0;
            told += cell.ratio.unwrap().uncertainty / 24.0;
        }
        let ratio = told / squares.sqrt();
        assert!((0.6..1.7).contains(&ratio), "{lag:?}: told {told}, found {}", squares.sqrt());
    }
}

#[test]
fn cells_read_one_after_another_are_blanked() {
    let found = run(&pack(4, &LOADS, equal, equal), settings(1, 100), 0.0);
    assert!((found.newest_step().unwrap().instant_lag.unwrap() - 0.2).abs() < 1e-6, "two scans of 0.1 s");
    assert_eq!(found.cell(0, Lag::TenthSecond).err(), Some(NoResistance::NoStep));
    assert!((found.cell(0, Lag::Instant).unwrap().held.value / truth(0.2) - 1.0).abs() < 0.01);
}

/// The BMS measures its cells four times a second and repeats them in every frame: until then they are from before the step.
#[test]
fn repeated_sets_are_not_taken_for_new_ones() {
    let mut moments = pack(6, &LOADS, equal, equal);
    let fresh = moments.clone();
    for (index, moment) in moments.iter_mut().enumerate() {
        // Measured at 3, 8, 13, ...: the steps at 240, 480, ... fall in between.
        let measured = index.checked_sub(3).map_or(0, |after| after / 5 * 5 + 3);
        moment.volts = fresh[measured].volts.clone();
    }
    let found = run(&moments, settings(1_000, 0), 0.0);
    assert_eq!(found.steps(), 6);
    for lag in [Lag::Instant, Lag::Second, Lag::TwoSeconds, Lag::FiveSeconds] {
        let told = found.cell(2, lag).unwrap().held.value;
        let late = lag.seconds().unwrap_or(found.newest_step().unwrap().instant_lag.unwrap());
        let off = told / truth(late) - 1.0;
        assert!(off.abs() < 0.05, "{lag:?} off by {off}");
    }
}

/// The current comes in a message of its own: later, less often, or filtered so that the cells move first.
#[test]
fn a_current_of_another_moment_makes_no_wrong_number() {
    let cells = pack(6, &LOADS, equal, equal);
    for (late, every) in [(0, 2), (1, 1), (2, 2), (4, 1), (5, 4), (9, 1)] {
        let mut resistances = Resistances::new(6, settings(1_000, 0));
        for (index, moment) in cells.iter().enumerate() {
            let at = SessionTime::from_nanos((moment.seconds * 1e9).round() as u64);
            if index % every == 0 {
                let amperes = cells[index.saturating_sub(late)].amperes;
                resistances.current(at + Duration::from_millis(7), (amperes * 1e9) as i64);
            }
            let set: Vec<_> = moment.volts.iter().map(|volts| volts.map(|volts| (volts * 1e9) as i64)).collect();
            resistances.set(at + Duration::from_millis(20), &set);
        }
        assert_eq!(resistances.steps(), 6, "{late} late, every {every}");
        for lag in [Lag::Instant, Lag::Second, Lag::TwoSeconds, Lag::FiveSeconds] {
            let told = resistances.cell(2, lag).unwrap().held.value;
            let seconds = lag.seconds().unwrap_or(resistances.newest_step().unwrap().instant_lag.unwrap());
            let off = told / truth(seconds) - 1.0;
            assert!(off.abs() < 0.03, "{late} late, every {every}, {lag:?}: off by {off}");
        }
    }
}

#[test]
fn a_reversed_current_is_counted() {
    let mut moments = pack(6, &[0.0, 60.0, 0.0, 60.0], equal, equal);
    moments.iter_mut().for_each(|moment| moment.amperes = -moment.amperes);
    let found = run(&moments, settings(1_000_000, 0), 0.2e-3);
    assert_eq!((found.steps(), found.reversed_steps()), (3, 3));
    assert_eq!(found.cell(0, Lag::Second).unwrap().ratio, None, "no ratio to something negative");
}

/// One reading of one cell is wrong, or absent, at every moment in turn; neither that cell nor another is told a wrong
/// resistance.
#[test]
fn a_lone_wrong_reading_never_makes_a_wrong_number() {
    let moments = pack(5, &[0.0, 60.0, 0.0], equal, equal);
    for wrong in [Some(0.0), Some(3.6), Some(6.5), None] {
        for place in 0..moments.len() {
            let mut moments = moments.clone();
            moments[place].volts[3] = wrong;
            let found = run(&moments, settings(1_000, 0), 0.0);
            for (cell, lag) in
                [(3, Lag::Instant), (3, Lag::Second), (3, Lag::FiveSeconds), (3, Lag::TenSeconds), (1, Lag::Second)]
            {
                let Ok(told) = found.cell(cell, lag) else { continue };
                let expected = truth(lag.seconds().unwrap_or(0.05));
                let off = told.held.value / expected - 1.0;
                assert!(off.abs() < 0.02, "{wrong:?} at {place}: cell {cell} {lag:?} off by {off}");
            }
        }
    }
}

#[test]
fn gaps_and_steps_of_the_clock_never_make_a_wrong_number() {
    let whole = pack(3, &LOADS, equal, equal);
    for (from, length) in [(200, 30), (200, 60), (235, 10), (238, 40), (245, 60), (300, 100), (420, 200), (470, 15)] {
        let mut gap = whole.clone();
        gap.drain(from..from + length);
        let mut early = whole.clone();
        early.iter_mut().skip(from).for_each(|moment| moment.seconds -= 5.0);
        let mut late = whole.clone();
        late.iter_mut().skip(from).for_each(|moment| moment.seconds += 500.0);
        for (what, moments) in [("gap", gap), ("back", early), ("forward", late)] {
            let found = run(&moments, settings(1_000, 0), 0.0);
            assert!(2 <= found.steps(), "{what} at {from}: {}", found.steps());
            for lag in Lag::ALL {
                let Ok(told) = found.cell(1, lag) else { continue };
                let expected = truth(lag.seconds().unwrap_or(0.05));
                let off = told.held.value / expected - 1.0;
                let allowed = if lag == Lag::Instant { 0.1 } else { 0.02 };
                assert!(off.abs() < allowed, "{what} at {from} for {length}: {lag:?} off by {off}");
            }
        }
    }
}

#[test]
fn one_cell_two_cells_two_hundred_none_and_a_single_set() {
    for cells in [1, 2, 200] {
        let found = run(&pack(cells, &LOADS, equal, equal), settings(1_000_000, 0), 0.3e-3);
        let last = found.cell(cells - 1, Lag::Second).unwrap();
        assert!((last.held.value / truth(1.0) - 1.0).abs() < 0.02);
        assert_eq!(last.score.is_some(), 3 <= cells);
        assert_eq!(found.cell(cells, Lag::Second).err(), Some(NoResistance::NoCell));
    }
    let none = run(&pack(0, &LOADS, equal, equal), settings(1_000_000, 0), 0.0);
    assert_eq!(none.cell(0, Lag::Second).err(), Some(NoResistance::NoCell));
    assert!(none.median(Lag::Second).is_err());
    let single = run(&pack(4, &[10.0], equal, equal)[..1], settings(1_000_000, 0), 0.0);
    assert_eq!((single.steps(), single.parts(0).err()), (0, Some(NoResistance::NoStep)));
}

#[test]
fn extremes_give_no_nan() {
    let mut resistances = Resistances::new(2, settings(i64::MAX, 0));
    for index in 0..4000_u64 {
        let at = SessionTime::from_millis(index * 50);
        let sign = if index / 100 % 2 == 0 { 1 } else { -1 };
        resistances.current(at, sign * (i64::MAX / 3));
        resistances.set(at, &[Some(i64::MAX / 2 * sign), Some(i64::MIN)]);
        for lag in Lag::ALL {
            if let Ok(cell) = resistances.cell(0, lag) {
                assert!(cell.held.value.is_finite() && cell.held.uncertainty.is_finite(), "{cell:?}");
            }
        }
    }
}

/// All estimators on an hour of 24 cells at 20 sets a second, with the currents of a flight; the bound is for release.
#[test]
#[expect(clippy::disallowed_methods, reason = "it measures time")]
fn an_hour_of_sets() {
    let sets: u64 = if cfg!(debug_assertions) { 4_000 } else { 72_000 };
    let mut resistances = Resistances::new(24, settings(1_000_000, 50));
    let mut residuals = Residuals::default();
    let mut drift = Trend::new(24, 1_000_000, Window::Everything);
    let mut heating = Trend::new(6, 100_000_000, Window::Newest(Duration::from_secs(300)));
    let mut neighbours = Neighbours::new(24, 1_000_000);
    let mut leads = DropRegression::new(40_000_000_000, 10_000_000);
    let mut bus = Bus::new(BusSettings::default());
    let mut line = LineQuality::default();
    let mut random = Random(1);
    let rows: Vec<(i64, Vec<Option<i64>>)> = (0..2_000)
        .map(|index| {
            let amperes = if index / 250 % 2 == 0 { 0.3 } else { 40.0 } + 0.05 * random.normal();
            let cell = |_| Some(((3.8 - amperes * OHMS + 0.5e-3 * random.normal()) * 1e3).round() as i64 * 1_000_000);
            ((amperes * 1e9) as i64, (0..24).map(cell).collect())
        })
        .collect();
    let begin = Instant::now();
    for set in 0..sets {
        let at = SessionTime::from_millis(set * 50);
        let (amperes, cells) = &rows[set as usize % rows.len()];
        resistances.current(at, *amperes);
        resistances.set(at, cells);
        residuals.set(cells);
        drift.set(at, residuals.apart());
        neighbours.set(at, residuals.apart());
        heating.set(at, cells.get(..6).unwrap_or_default());
        leads.push(at, *amperes, *amperes / 500);
        bus.pack(91_000_000_000);
        bus.push(at, 90_900_000_000);
        line.frame(at, set % 1000 != 0, Some(true), Some(1_000_000_000 < *amperes));
    }
    let nanos = begin.elapsed().as_nanos() / u128::from(sets);
    println!("{nanos} ns a set of 24 cells, all estimators; {} steps", resistances.steps());
    assert_eq!(resistances.steps(), sets / 250 - 1);
    if !cfg!(debug_assertions) {
        assert!(nanos < 4_000, "{nanos} ns");
    }
}
