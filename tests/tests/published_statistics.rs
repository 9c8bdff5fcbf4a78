//! Statistics against certified values of the NIST Statistical Reference Datasets (public domain) and worked examples.

use rules::statistics::{Centre, Line, Running, median};
use serde_json::Value;

/// How many leading decimal digits agree: the log relative error that the reference datasets are judged by.
fn digits(found: f64, certified: f64) -> f64 {
    let error = ((found - certified) / certified).abs();
    if error == 0.0 { 15.0 } else { -error.log10() }
}

/// `first`, then `low` and `high` in turn, 1001 values: the rule that the NumAcc2 to NumAcc4 data follow.
fn alternating(first: f64, low: f64, high: f64) -> Vec<f64> {
    std::iter::once(first).chain((0..1000).map(|at| if at % 2 == 0 { low } else { high })).collect()
}

/// StRD NumAcc1 to NumAcc4, univariate summary statistics: certified mean and standard deviation. The rules of the data
/// and the values were read and run with exact fractions.
///
/// Nine digits are reached wherever the data can be stored with that precision. In NumAcc4 they cannot: near 10000000
/// one step of a double is 1.9e-9, which leaves 8 digits of a deviation of 0.1 to any method (the rounded data have a
/// deviation of 0.10000000055879). In NumAcc3 the same limit is 9.4 digits.
#[test]
fn mean_and_deviation_of_the_numacc_sets() {
    for (name, values, mean, deviation, mean_digits, deviation_digits) in [
        ("NumAcc1", vec![10_000_001.0, 10_000_003.0, 10_000_002.0], 10_000_002.0, 1.0, 15.0, 15.0),
        ("NumAcc2", alternating(1.2, 1.1, 1.3), 1.2, 0.1, 14.0, 14.0),
        ("NumAcc3", alternating(1_000_000.2, 1_000_000.1, 1_000_000.3), 1_000_000.2, 0.1, 14.0, 9.0),
        ("NumAcc4", alternating(10_000_000.2, 10_000_000.1, 10_000_000.3), 10_000_000.2, 0.1, 14.0, 8.0),
    ] {
        let running: Running = values.iter().copied().collect();
        assert_eq!(running.count(), values.len() as u64);
        let found = (digits(running.mean().unwrap(), mean), digits(running.deviation().unwrap(), deviation));
        println!("{name}: {:.2} digits of the mean, {:.2} of the deviation", found.0, found.1);
        assert!(mean_digits <= found.0, "{name}: mean {:?}, {:.2} digits", running.mean(), found.0);
        assert!(deviation_digits <= found.1, "{name}: deviation {:?}, {:.2} digits", running.deviation(), found.1);
    }
}

/// StRD Norris, linear regression: data and certified values from the published file, `../reference/statistics/Norris.dat`
/// (read; run in exact arithmetic).
#[test]
fn line_through_the_norris_data() {
    let points = norris();
    assert_eq!(points.len(), 36);
    let line = Line::through(points.into_iter());
    check_line(
        line,
        [
            -0.262323073774029,
            1.00211681802045,
            0.232818234301152,
            0.429796848199937e-3,
            0.884796396144373,
            0.999993745883712,
        ],
    );
    let at_500 = line.map(|line| line.at(500.0)).unwrap();
    assert!((at_500 - (-0.262323073774029 + 1.00211681802045 * 500.0)).abs() < 1e-9, "{at_500}");
}

/// The copy of the Norris data that was used to run the certified values in exact arithmetic is the published file.
#[test]
fn the_norris_data_are_the_ones_that_were_run() {
    let copy: Value = serde_json::from_str(include_str!("../reference/statistics/nist_norris.json")).unwrap();
    assert_eq!(norris(), columns(&copy));
}

/// A straight line through the StRD Pontius data (certified for a parabola only), with `x` in the millions and residuals
/// that are not noise. The expected values were run in exact rational arithmetic; they are not certified.
#[test]
fn line_through_the_pontius_data() {
    let data: Value = serde_json::from_str(include_str!("../reference/statistics/nist_pontius.json")).unwrap();
    let points = columns(&data);
    assert_eq!(points.len(), 40);
    check_line(
        Line::through(points.into_iter()),
        [
            6.149684210526316e-03,
            7.221025814536341e-07,
            7.132051674656124e-04,
            3.969147804044248e-10,
            2.171272596056751e-03,
            9.999885191152188e-01,
        ],
    );
}

/// The MAD and its scale to a standard deviation, 1 / 0.6744897501960817 = 1.482602218505602. Rousseeuw and Croux (1993),
/// reference from memory; run.
#[test]
fn median_absolute_deviation() {
    let centre = Centre::of(&[1, 1, 2, 2, 4, 6, 9], &mut Vec::new()).unwrap();
    assert_eq!(centre, Centre { median: 2, mad: 1 });
    assert!((centre.deviation() - 1.482602218505602).abs() < 1e-14);
}

/// Twelve cells in millivolts, one 42 mV below the median. Modified z-score after Iglewicz and Hoaglin (1993), cut at 3.5;
/// reference from memory; run.
#[test]
fn modified_z_of_a_low_cell() {
    let cells = [3836, 3840, 3844, 3838, 3797, 3836, 3840, 3844, 3838, 3842, 3836, 3840];
    let centre = Centre::of(&cells, &mut Vec::new()).unwrap();
    assert_eq!(median(&mut cells.clone()), Some(3839));
    assert_eq!(centre, Centre { median: 3839, mad: 3 });
    let scores: Vec<f64> = cells.iter().map(|cell| centre.modified_z(*cell, 1).unwrap()).collect();
    assert!((scores[4] + 9.443).abs() < 0.0005, "{}", scores[4]);
    assert_eq!(scores.iter().filter(|score| 3.5 < score.abs()).count(), 1);
    // The same in nanovolts, as the rules hold it.
    let nanos = cells.map(|cell| cell * 1_000_000);
    let fine = Centre::of(&nanos, &mut Vec::new()).unwrap();
    assert_eq!(fine, Centre { median: 3_839_000_000, mad: 3_000_000 });
    assert!((fine.modified_z(nanos[4], 1_000_000).unwrap() - scores[4]).abs() < 1e-12);
}

/// At least twelve digits of intercept, slope, their standard errors, residual standard deviation and R squared.
#[track_caller]
fn check_line(line: Option<Line>, expected: [f64; 6]) {
    let line = line.expect("a line");
    let found = [
        line.intercept,
        line.slope,
        line.intercept_error,
        line.slope_error,
        line.residual_deviation,
        line.explained.expect("y differs"),
    ];
    let names = ["intercept", "slope", "error of intercept", "error of slope", "residual deviation", "R squared"];
    for ((name, found), expected) in names.into_iter().zip(found).zip(expected) {
        let digits = digits(found, expected);
        assert!(12.0 <= digits, "{name}: {found}, expected {expected}, {digits:.2} digits");
    }
}

/// The data lines of the published file, which has `y` first, as `(x, y)`.
fn norris() -> Vec<(f64, f64)> {
    let lines = include_str!("../reference/statistics/Norris.dat").lines().skip(60);
    lines
        .filter_map(|line| {
            let mut columns = line.split_whitespace().map_while(|text| text.parse().ok());
            let y = columns.next()?;
            Some((columns.next()?, y))
        })
        .collect()
}

fn columns(data: &Value) -> Vec<(f64, f64)> {
    let column = |key: &str| data[key].as_array().into_iter().flatten().filter_map(Value::as_f64).collect::<Vec<f64>>();
    column("x").into_iter().zip(column("y")).collect()
}
