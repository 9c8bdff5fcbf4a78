//! What sound sessions measure, against what the simulator was built with.

use packwake_tests::grid::Case;
use packwake_tests::judge;
use packwake_tests::pairs::ACORN;
use rules::{Figure, Verdict};

fn figure<'v>(verdict: &'v Verdict, name: &str) -> &'v Figure {
    let one = verdict.measured.iter().find(|measured| measured.name == name).expect(name);
    one.result.as_ref().unwrap_or_else(|why| panic!("{name}: {why}"))
}

fn value(verdict: &Verdict, name: &str) -> f64 {
    figure(verdict, name).value as f64 / 1e9
}

#[test]
fn sound_sessions_measure_what_is_there() {
    for seed in 0..20 {
        let case = Case { pair: ACORN, faults: Vec::new(), millivolts: 1, rate: 20, noise: 0.3e-3, seed };
        let scene = case.scene();
        let (lines, verdict) = judge(&case.header(), case.inputs());
        let near = |name: &str, truth: f64, share: f64, besides: f64| {
            let found = value(&verdict, name);
            assert!((found - truth).abs() <= share * truth.abs() + besides, "seed {seed}: {name} {found}, not {truth}");
        };
        // The electronics draw up to a hundredth of what the resistor carries.
        near("bus time constant", scene.bus.farad * scene.bus.pre_charge_ohm, 0.06, 0.0);
        // By a resistor that the pack file has up to a tenth wrong.
        near("bus capacitance", scene.bus.farad, 0.18, 0.0);
        // A channel that reads 0.3 % wrong shows as much of the cells' 36 mohm.
        near("pack lead resistance", scene.pack.connector_ohm, 0.05, 0.15e-3);
        near("bus lead resistance", scene.pack.bus_lead_ohm, 0.05, 0.25e-3);
        // The slow part of the cells' resistance comes up with 3 to 30 s.
        let median = value(&verdict, "median cell resistance");
        let ohm = scene.pack.ohm;
        assert!((0.95 * ohm..=1.05 * (ohm + scene.pack.slow_ohm)).contains(&median), "seed {seed}: {median}");
        assert!(median <= value(&verdict, "highest cell resistance"));
        assert!(value(&verdict, "damaged frames").abs() < 1e-9);
        let last = lines.last().expect("there are lines");
        for name in ["bus time constant", "bus capacitance", "pre-charge energy", "damaged frames"] {
            assert!(last.contains(&format!("\"name\":\"{name}\"")), "{last}");
        }
    }
}
