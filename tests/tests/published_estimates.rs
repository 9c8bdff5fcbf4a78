//! Estimators against published tables, certified values, and runs of an independent library.

use std::path::PathBuf;

use model::SessionTime;
use rules::estimates::bus::{Bus, BusSettings};
use rules::estimates::copper::{RESISTIVITY, TEMPERATURE_COEFFICIENT, gauge_area, resistance};
use rules::estimates::distributions::{f_upper, fisher_exact, student_limit, student_two_sided};
use rules::estimates::least_squares::LeastSquares;
use rules::estimates::open_circuit::{Curve, Told};
use serde_json::Value;

fn reference(name: &str) -> String {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("reference").join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn close(found: f64, expected: f64, relative: f64, what: &str) {
    let off = (found / expected - 1.0).abs();
    assert!(off <= relative, "{what}: {found:e} instead of {expected:e}, off by {off:e}");
}

/// Two-sided limits of Student's t. Published tables have 12.706, 4.303, 2.571, 2.228, 2.042 (from memory); all digits here
/// are from scipy 1.17.1, `stats.t.isf(p / 2, df)` (run).
#[test]
fn limits_of_students_t() {
    for (outside, freedom, expected) in [
        (0.05, 1.0, 12.706204736174705),
        (0.05, 2.0, 4.302652729749464),
        (0.05, 3.0, 3.1824463052837086),
        (0.05, 5.0, 2.5705818356363155),
        (0.05, 10.0, 2.2281388519862753),
        (0.05, 30.0, 2.042272456301238),
        (0.05, 62.0, 1.998971517033379),
        (0.01, 4.0, 4.604094871349993),
        (0.001, 7.0, 5.407882520861726),
        (0.05, 1000.0, 1.9623390808264085),
    ] {
        close(student_limit(outside, freedom).unwrap(), expected, 1e-11, "t");
        close(student_two_sided(expected, freedom).unwrap(), outside, 1e-11, "p");
    }
}

/// Tails of Fisher's F. Published tables have F 0.05 of 1 and 1: 161.4, 1 and 10: 4.96, 5 and 10: 3.33 (from memory); all
/// digits here are from scipy 1.17.1, `stats.f.sf` (run).
#[test]
fn tails_of_fishers_f() {
    for (f, above, below, expected) in [
        (161.4476387975881, 1.0, 1.0, 0.050000000000000065),
        (4.964602743730711, 1.0, 10.0, 0.050000000000000044),
        (3.325834530413011, 5.0, 10.0, 0.05000000000000002),
        (0.5, 3.0, 7.0, 0.6940363875688137),
        (1.0, 20.0, 20.0, 0.5),
        (2.5, 100.0, 200.0, 2.0349208155588454e-08),
        (50.0, 2.0, 33.0, 1.0278457205440223e-10),
    ] {
        close(f_upper(f, above, below).unwrap(), expected, 1e-10, "F");
    }
}

/// Fisher's exact test, one-sided: the tea of four cups is 17/70 (Fisher 1935, from memory); the rest is from scipy 1.17.1,
/// `stats.fisher_exact(..., alternative="greater")` (run).
#[test]
fn fishers_exact_test() {
    for (first, second, expected) in [
        ((3, 1), (1, 3), 17.0 / 70.0),
        ((8, 2), (1, 5), 0.024475524475524483),
        ((20, 580), (1, 599), 9.068410496936063e-06),
        ((5, 295), (1, 299), 0.10819920790524079),
        ((12, 19988), (3, 19997), 0.017561464485980904),
        ((150, 999850), (90, 999910), 6.487834839831814e-05),
        ((600, 5000000), (500, 5000000), 0.001410544585775911),
        ((1, 599), (20, 580), 0.9999996009348947),
        ((40, 260), (0, 300), 2.259066042022581e-13),
        ((1000, 999000), (0, 1000000), 7.269173792509091e-302),
    ] {
        close(fisher_exact(first, second), expected, 1e-7, &format!("{first:?} {second:?}"));
    }
}

fn numbers(data: &Value, name: &str) -> Vec<f64> {
    data[name].as_array().into_iter().flatten().filter_map(Value::as_f64).collect()
}

/// At least nine digits of every coefficient and of its standard error, and of the residual deviation.
fn check_fit<const N: usize>(
    data: &Value,
    columns: impl Fn(f64) -> [f64; N],
    expected: [f64; N],
    errors: [f64; N],
    residual_deviation: f64,
) {
    let mut fit = LeastSquares::<N>::default();
    for (x, y) in numbers(data, "x").into_iter().zip(numbers(data, "y")) {
        fit.push(columns(x), y, 1.0);
    }
    let solution = fit.solve().expect("a solution");
    for place in 0..N {
        close(solution.coefficients[place], expected[place], 1e-9, "coefficient");
        close(solution.error(place), errors[place], 1e-9, "standard error");
    }
    close(solution.residual_deviation, residual_deviation, 1e-9, "residual deviation");
}

/// StRD Norris: a straight line through 36 points (certified values read from the published file).
#[test]
fn the_norris_data() {
    let data: Value = serde_json::from_str(&reference("statistics/nist_norris.json")).unwrap();
    check_fit(
        &data,
        |x| [1.0, x],
        [-0.262323073774029, 1.00211681802045],
        [0.232818234301152, 0.429796848199937e-3],
        0.884796396144373,
    );
}

/// StRD Pontius: a parabola through 40 points, `x` up to 3 million (certified values as carried in public test suites).
#[test]
fn the_pontius_data() {
    let data: Value = serde_json::from_str(&reference("statistics/nist_pontius.json")).unwrap();
    check_fit(
        &data,
        |x| [1.0, x, x * x],
        [0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14],
        [0.107938612033077e-3, 0.157817399981659e-9, 0.486652849992036e-16],
        0.205177424076185e-3,
    );
}

/// Copper: 1/58 ohm mm2/m at 20 degC and 0.00393 /K (IEC 60028, read in a secondary source; run).
#[test]
fn copper() {
    close(RESISTIVITY, 0.0172414, 1e-5, "resistivity");
    close(resistance(1.0, 1.0, 20.0).unwrap(), 1.0 / 58.0, 1e-12, "one metre of one square millimetre");
    close(resistance(1.0, 1.0, 60.0).unwrap() / resistance(1.0, 1.0, 20.0).unwrap(), 1.1572, 1e-9, "60 degC");
    close(TEMPERATURE_COEFFICIENT, 0.00393, 1e-12, "coefficient");
    for nonsense in [(0.0, 1.0, 20.0), (1.0, 0.0, 20.0), (1.0, 1.0, -300.0), (f64::NAN, 1.0, 1.0), (1.0, 1.0, f64::NAN)]
    {
        assert_eq!(resistance(nonsense.0, nonsense.1, nonsense.2), None);
    }
}

/// American wire gauge: mm2 and ohm/km at 20 degC of solid wire (ratio of ASTM B258-02 read in a secondary source, values
/// run from it with the resistivity above).
#[test]
fn wire_gauges() {
    for (gauge, area, ohms_per_km) in [
        (2, 33.631, 0.5127),
        (4, 21.151, 0.8152),
        (6, 13.302, 1.2961),
        (8, 8.3656, 2.0609),
        (10, 5.2612, 3.2770),
        (12, 3.3088, 5.2107),
        (14, 2.0809, 8.2853),
        (16, 1.3087, 13.174),
        (18, 0.8230, 20.948),
        (20, 0.5176, 33.308),
        (22, 0.3255, 52.962),
        (24, 0.2047, 84.213),
        (26, 0.1288, 133.90),
        (28, 0.0810, 212.92),
    ] {
        let found = gauge_area(gauge).unwrap();
        close(found, area, 7e-4, &format!("area of gauge {gauge}"));
        // Half a unit of the last digit there is.
        close(resistance(1000.0, found, 20.0).unwrap(), ohms_per_km, 1e-4, &format!("gauge {gauge}"));
    }
    let thickest = gauge_area(-3).unwrap();
    close((thickest * 4.0 / std::f64::consts::PI).sqrt(), 11.684, 1e-9, "diameter of 4/0");
    assert_eq!((gauge_area(-4), gauge_area(41)), (None, None));
}

/// `1 - exp(-t / tau)` at 0.5, 1, 2, 3, 4, 5 and 7 time constants, and where it is 50, 90 and 95 % (closed form, run): with
/// enough of them within three time constants the fit finds the time constant.
#[test]
fn the_exponential_of_a_pre_charge() {
    let mut bus = Bus::new(BusSettings { step: 1_000, ..BusSettings::default() });
    bus.pack(100_000_000_000);
    bus.push(SessionTime::ZERO, 0);
    for (millionths, share) in [
        (500_000, 0.393469),
        (1_000_000, 0.632121),
        (2_000_000, 0.864665),
        (3_000_000, 0.950213),
        (4_000_000, 0.981684),
        (5_000_000, 0.993262),
        (7_000_000, 0.999088),
    ] {
        bus.push(SessionTime::from_nanos(millionths * 1000), (share * 1e11_f64).round() as i64);
    }
    let rise = bus.rise().unwrap();
    // Within three time constants there are four readings: one too few.
    assert!(rise.fit.is_err(), "{rise:?}");
    let mut bus = Bus::new(BusSettings { step: 1_000, ..BusSettings::default() });
    bus.push(SessionTime::ZERO, 0);
    for (millionths, share) in [
        (500_000, 0.393469),
        (693_147, 0.5),
        (1_000_000, 0.632121),
        (2_000_000, 0.864665),
        (2_302_585, 0.9),
        (2_995_732, 0.95),
    ] {
        bus.push(SessionTime::from_nanos(millionths * 1000), (share * 1e11_f64).round() as i64);
    }
    let fit = bus.rise().unwrap().fit.unwrap();
    close(fit.tau.value, 1.0, 1e-5, "time constant");
    close(fit.last.value, 100.0, 1e-5, "final value");
    assert!(fit.begin.nanos < 20_000, "{:?}", fit.begin);
}

/// The curves in the program are those that were worked out from the published parameter sets (`../reference/physics`,
/// PyBaMM 26.10.1.1, BSD-3-Clause).
#[test]
fn open_circuit_curves_are_the_published_ones() {
    for (curve, file) in [
        (Curve::Nmc, "ocv_chen2020"),
        (Curve::Lfp, "ocv_prada2013"),
        (Curve::Lco, "ocv_ai2020"),
        (Curve::Nca, "ocv_nca_kim2011"),
    ] {
        let text = reference(&format!("physics/{file}.csv"));
        let mut rows = 0;
        for line in text.lines().skip(1) {
            let (percent, volts) = line.split_once(',').expect("two columns");
            let found = curve.voltage(percent.parse::<f64>().unwrap() / 100.0).unwrap();
            close(found, volts.parse().unwrap(), 1e-12, file);
            rows += 1;
        }
        assert_eq!(rows, 101);
    }
}

/// Five points of charge: 42.2 mV at rest for the NMC cell, 1.06 mV for the LFP cell (model data of section 11, rest
/// voltages of `../reference/physics/truth.json`): the first is told, on the plateau of the second voltage does not tell.
#[test]
fn five_points_of_charge() {
    let truth: Value = serde_json::from_str(&reference("physics/truth.json")).unwrap();
    let rest = |set: &str, kind: &str| truth[set][kind]["V_rest0_end"].as_f64().unwrap();
    let (full, less) = (rest("Chen2020", "good"), rest("Chen2020", "soc-5"));
    assert!((full - less - 0.0422).abs() < 1e-4);
    for uncertainty in [0.0003, 0.001, 0.005] {
        let Told::Share { value, uncertainty: told } = Curve::Nmc.difference(full, less, uncertainty) else {
            panic!("the curve is steep enough")
        };
        assert!((value - 0.05).abs() < 0.001 && (value - 0.05).abs() < 2.0 * told, "{value} {told}");
        let Told::Flat { least, most } =
            Curve::Lfp.difference(rest("Prada2013", "good"), rest("Prada2013", "soc-5"), uncertainty)
        else {
            panic!("the plateau is flat")
        };
        assert!(least < 0.0 && 0.05 < most, "no difference and five points both fit: {least} to {most}");
        let Told::Share { value, .. } = Curve::Nmc.charge(full, uncertainty) else { panic!("told") };
        assert!((value - 0.6).abs() < 1e-3, "{value}");
    }
}
