//! What the pack file says of the wiring and the cells is held against what is measured.
#![allow(clippy::unwrap_used, reason = "the figures of a test are its own")]

mod support;

use rules::{Confidence, Finding};
use support::Bench;

/// 62.5 ohm and 8 mF: 0.5 s. 10 kohm and 8 mF: 80 s (common practice's worked example).
const BUS: &str = "[wiring]\npre_charge = \"62.5 ohm\"\nbus_capacitance = \"8 mF\"\nbleed = \"10 kohm\"\n";
/// Four cells of 4 V.
const PACK_VOLTS: f64 = 16.0;

/// The bus by seconds for so long, a reading each 100 ms.
fn feed_bus(bench: &mut Bench, seconds: f64, volts: impl Fn(f64) -> f64) {
    let begin = bench.now;
    for step in 0..(seconds * 10.0) as u64 {
        bench.bus = Some((volts(step as f64 / 10.0) * 100.0).round() as i64);
        bench.run(begin + (step + 1) * 100);
    }
}

/// Dead for a second, then a rise, and the switch closes after so long.
fn rise(tau: f64, closes: f64) -> impl Fn(f64) -> f64 {
    move |second| {
        let since = second - 1.0;
        match since {
            _ if since < 0.0 => 0.0,
            _ if closes <= since => PACK_VOLTS,
            _ => PACK_VOLTS * (1.0 - (-since / tau).exp()),
        }
    }
}

fn findings(bench: &Bench) -> Vec<Finding> {
    bench.verdict().findings
}

fn only(bench: &Bench, cause: &str) -> Finding {
    let found = findings(bench);
    let one: Vec<&Finding> = found.iter().filter(|finding| finding.cause.name() == cause).collect();
    assert_eq!(one.len(), 1, "{cause}: {found:?}");
    one[0].clone()
}

fn has(list: &[String], words: &str) -> bool {
    list.iter().any(|text| text.contains(words))
}

#[test]
fn a_rise_as_it_should_be_is_no_finding() {
    for facts in ["", BUS] {
        for tau in [0.3, 0.5, 1.2] {
            let mut bench = Bench::packed(facts);
            feed_bus(&mut bench, 20.0, rise(tau, 5.0 * tau));
            assert_eq!(findings(&bench), [], "{tau} s with {facts:?}");
        }
    }
}

/// The switch closes after the rise is whole, and the resistor is not the one of the file: only the facts tell.
#[test]
fn a_rise_several_times_slower_is_told_even_if_the_switch_waited() {
    let slow = rise(2.5, 20.0);
    let mut bench = Bench::packed(BUS);
    feed_bus(&mut bench, 30.0, &slow);
    let finding = only(&bench, "slow pre-charge");
    assert_eq!((finding.confidence, finding.severity), (Confidence::Likely, rules::Severity::Warning));
    assert!(finding.text.starts_with("the bus rose with a time constant of 2.5"), "{}", finding.text);
    assert!(finding.text.ends_with("5.0 times what it should be"), "{}", finding.text);
    assert_eq!(finding.supports, ["62.5 ohm and 8 mF make a time constant of 0.50 s"]);
    let mut without = Bench::packed("");
    feed_bus(&mut without, 30.0, &slow);
    assert_eq!(findings(&without), []);
}

#[test]
fn a_switch_that_closes_too_early_is_told_apart_from_a_resistor_that_is_too_large() {
    let mut resistor = Bench::packed(BUS);
    feed_bus(&mut resistor, 20.0, rise(2.5, 3.0));
    let finding = only(&resistor, "slow pre-charge");
    assert_eq!(finding.severity, rules::Severity::Critical);
    assert!(has(&finding.supports, "time constant of 2."), "{finding:?}");
    assert!(has(&finding.supports, "62.5 ohm and 8 mF make a time constant of 0.50 s"), "{finding:?}");
    let mut timer = Bench::packed(BUS);
    feed_bus(&mut timer, 20.0, rise(0.6, 1.0));
    let finding = only(&timer, "slow pre-charge");
    assert!(has(&finding.against, "the switch waits too short"), "{finding:?}");
}

/// From a tenth to 93 % within 0.4 s is fast for 2 s, and as it should be for 0.05 s.
#[test]
fn fast_is_what_is_fast_for_these_parts() {
    let jump = |second: f64| if second < 1.05 { 0.0 } else { PACK_VOLTS };
    let fast = |resistor: &str| {
        let facts = BUS.replace("62.5 ohm", resistor);
        let mut bench = Bench::packed(&facts);
        feed_bus(&mut bench, 20.0, jump);
        findings(&bench)
    };
    let [finding] = &fast("250 ohm")[..] else { panic!("2 s are told") };
    assert_eq!(finding.cause.name(), "no pre-charge");
    assert!(has(&finding.supports, "it should take about 5.11 s: 250 ohm and 8 mF"), "{finding:?}");
    assert!(has(&finding.against, "a capacitor that is not connected"), "{finding:?}");
    assert_eq!(fast("6.25 ohm"), [], "0.05 s can't be seen at ten readings a second");
}

/// Three of its time constants after the opening, and a bus that has not fallen.
#[test]
fn a_bus_that_stays_up_is_told_by_the_known_bleed() {
    // 1 kohm and 8 mF: 8 s.
    let facts = BUS.replace("10 kohm", "1 kohm");
    let stays = |second: f64| match second {
        _ if second < 1.0 => 0.0,
        _ if second < 10.0 => rise(0.5, 3.0)(second),
        // It falls behind by 4 %, and no further.
        _ => 0.96 * PACK_VOLTS,
    };
    let mut bench = Bench::packed(&facts);
    feed_bus(&mut bench, 30.0, stays);
    assert_eq!(findings(&bench), [], "too early");
    feed_bus(&mut bench, 20.0, |_| 0.96 * PACK_VOLTS);
    let finding = only(&bench, "welded contact");
    assert_eq!(finding.confidence, Confidence::Possible);
    assert!(has(&finding.supports, "time constant of 8 s") && has(&finding.against, "a bleed that is not connected"));
    let mut without = Bench::packed("");
    feed_bus(&mut without, 30.0, stays);
    feed_bus(&mut without, 20.0, |_| 0.96 * PACK_VOLTS);
    assert_eq!(findings(&without), []);
}

/// Loads from nothing up to so many amperes, each for three seconds, over cells of 1 mohm and leads of so many milliohms.
fn feed_loads(bench: &mut Bench, most: f64, milliohms: f64) {
    for step in 0..=5 {
        let amperes = most * f64::from(step) / 5.0;
        let cell = (4000.0 - amperes).round();
        bench.cells = vec![Some(cell as i64); 4];
        bench.current = Some((amperes * 1e3) as i64);
        bench.pack = Some(((cell * 4.0 - amperes * milliohms) / 10.0).round() as i64);
        bench.bus = bench.pack;
        bench.run(bench.now + 3000);
    }
}

fn leads(length: &str) -> String {
    format!("[wiring.pack_leads]\nlength = {length:?}\ncopper = \"16 mm2\"\ncontacts = 2\ncontact = \"0.05 mohm\"\n")
}

/// 1 m of 16 mm2 is 1/58/16 = 1.08 mohm (IEC 60028), with two contacts of 0.05 mohm 1.18 mohm.
#[test]
fn leads_are_held_against_what_was_built() {
    let mut bench = Bench::packed(&leads("1 m"));
    feed_loads(&mut bench, 50.0, 3.0);
    let finding = only(&bench, "connector resistance");
    assert_eq!(finding.confidence, Confidence::Likely);
    assert!(
        has(&finding.supports, "1.18 mohm is what copper and contacts of the pack file make: it has 2."),
        "{finding:?}"
    );
    let mut thin = Bench::packed(&leads("3 m"));
    feed_loads(&mut thin, 50.0, 3.0);
    let finding = only(&thin, "connector resistance");
    assert_eq!(finding.confidence, Confidence::Possible, "built so");
    assert!(has(&finding.against, "3.33 mohm is what copper and contacts"), "{finding:?}");
}

/// 4 mohm at 14 A are 56 mV of 16 V: below the limit of 0.5 %, and more than three times what was built.
#[test]
fn a_bad_contact_shows_before_the_load_is_large() {
    let mut bench = Bench::packed(&leads("1 m"));
    feed_loads(&mut bench, 14.0, 4.0);
    let finding = only(&bench, "connector resistance");
    assert_eq!((finding.confidence, finding.severity), (Confidence::Likely, rules::Severity::Warning));
    for facts in [String::new(), leads("3 m")] {
        let mut bench = Bench::packed(&facts);
        feed_loads(&mut bench, 14.0, 4.0);
        let found = findings(&bench);
        assert!(found.iter().all(|finding| finding.cause.name() != "connector resistance"), "{facts}: {found:?}");
    }
}

/// A pack voltage that reads 2 % low shows 2 % of the cells' sag of 4 mohm as a drop, 0.08 mohm; and a pack of many cells
/// much more: what it is off at no current says so, and no contact is blamed.
#[test]
fn a_channel_that_reads_wrong_is_no_bad_contact() {
    let pack = format!("{}{}", support::PACK.replace("1 mohm", "40 mohm"), leads("1 m"));
    let run = |gain: f64, milliohms: f64| {
        let mut bench = Bench::of(&pack, vec![support::cells_kind(), support::pack_kind()]);
        for step in 0..=5 {
            let amperes = 2.0 * f64::from(step);
            let cell = (4000.0 - amperes * 40.0).round();
            bench.cells = vec![Some(cell as i64); 4];
            bench.current = Some((amperes * 1e3) as i64);
            bench.pack = Some(((cell * 4.0 - amperes * milliohms) * gain / 10.0).round() as i64);
            bench.run(bench.now + 3000);
        }
        findings(&bench).iter().any(|finding| finding.cause.name() == "connector resistance")
    };
    assert!(!run(0.98, 0.0), "2 % of 160 mohm are 3.2 mohm");
    assert!(run(1.0, 7.0));
}

/// A cell that stands so many millivolts off the others at rest, in a pack of 40 Ah.
fn offset(pack: &str, millivolts: i64, off: i64) -> Finding {
    let mut bench = Bench::of(pack, vec![support::cells_kind(), support::pack_kind()]);
    bench.cells = vec![Some(millivolts); 4];
    bench.cells[1] = Some(millivolts + off);
    bench.pack = Some((millivolts * 4 + off) / 10);
    bench.run(15_000);
    only(&bench, if off < 0 { "low cell" } else { "high cell" })
}

/// Between 3.75087 V (54 %) and 3.79835 V (59 %) of the published curve (Chen2020): 47.5 mV are 5 %, and 5 % of 40 Ah are
/// 2 Ah, 20 h at 100 mA.
#[test]
fn a_distance_at_rest_is_told_as_charge_and_as_time_of_balancing() {
    let balanced = format!("{}balancing_current = \"100 mA\"\n", support::PACK);
    for (off, more, cell) in [(-47, "less", 3798), (48, "more", 3751)] {
        let finding = offset(&balanced, cell, off);
        let (_, told) = finding.text.split_once("; about ").unwrap();
        assert!(told.starts_with("4.9") || told.starts_with("5.0") || told.starts_with("5.1"), "{told}");
        assert!(told.ends_with(&format!("% {more} charge, 20 h of balancing")), "{told}");
        assert!(has(&finding.supports, "Chen et al., J. Electrochem. Soc. 167 (2020) 080534"), "{finding:?}");
        let without = offset(support::PACK, cell, off);
        assert!(without.text.ends_with(&format!("% {more} charge")), "{}", without.text);
    }
}

#[test]
fn where_the_curve_is_flat_the_voltage_does_not_tell_the_charge() {
    let lfp = support::PACK.replace("NMC", "LFP");
    let finding = offset(&lfp, 3280, -15);
    assert!(!finding.text.contains("charge"), "{}", finding.text);
    assert!(has(&finding.against, "its voltage does not tell the charge"), "{finding:?}");
    let other = format!(
        "{}[limits.deviation_rest]\nwarning = \"10 mV\"\ncritical = \"30 mV\"\n",
        support::PACK.replace("NMC", "other")
    );
    let finding = offset(&other, 3798, -47);
    assert!(!finding.text.contains("charge") && !has(&finding.against, "charge"), "{finding:?}");
}

/// A rise of 1.5 degC a minute from 25 degC: after two minutes at 28 degC, the limit of 60 degC is (60 - 28) / 1.5 = 21.3
/// minutes away; one of 1 degC an hour is no finding, and one above the limit has reached it.
#[test]
fn a_place_that_warms_says_when_it_gets_to_its_limit() {
    let run = |from: f64, per_minute: f64| {
        let mut bench = Bench::new();
        for second in 0..120 {
            let now = from + per_minute * f64::from(second) / 60.0;
            bench.sensors[1] = Some((now * 10.0).round() as i64);
            bench.run(bench.now + 1000);
        }
        bench
    };
    let text = only(&run(25.0, 1.5), "heating at rest").text;
    let (_, time) = text.split_once("; it reaches 60 degC in about ").unwrap();
    let (minutes, rest) = time.split_once(" +/- ").unwrap();
    let minutes: f64 = minutes.parse().unwrap();
    assert!((minutes - 21.3).abs() < 0.4, "{text}");
    assert!(rest.ends_with(" min at this rate"), "{text}");
    let text = only(&run(60.0, 1.5), "heating at rest").text;
    assert!(text.ends_with("; 60 degC is reached"), "{text}");
    assert_eq!(findings(&run(25.0, 1.0 / 60.0)), []);
}

/// The measured line with this name.
fn measured(bench: &Bench, name: &str) -> String {
    let all = bench.verdict().measured;
    let one = all.iter().find(|measured| measured.name == name);
    one.unwrap_or_else(|| panic!("{name}: {all:?}")).line()
}

/// The value and its uncertainty, in the base unit of the result.
fn value(bench: &Bench, name: &str) -> (f64, Option<f64>) {
    let all = bench.verdict().measured;
    let one = all.iter().find(|measured| measured.name == name).unwrap();
    let figure = one.result.as_ref().unwrap_or_else(|why| panic!("{name}: {why}"));
    let base = |nanos: i64| nanos as f64 / 1e9;
    assert!(figure.from < figure.to, "{figure:?}");
    (base(figure.value), figure.uncertainty.map(base))
}

/// 62.5 ohm and 8 mF at 16 V: 0.5 s and C V^2 / 2 = 1.024 J. From 16 V it is below 60 V at once.
#[test]
fn a_sound_rise_and_fall_are_told_as_numbers() {
    let mut bench = Bench::packed(BUS);
    feed_bus(&mut bench, 20.0, rise(0.5, 5.0));
    let (tau, uncertainty) = value(&bench, "bus time constant");
    assert!((tau - 0.5).abs() < 3.0 * uncertainty.unwrap() && (tau - 0.5).abs() < 0.01, "{tau}");
    let (farads, uncertainty) = value(&bench, "bus capacitance");
    assert!((farads - 8e-3).abs() < 3.0 * uncertainty.unwrap() && (farads - 8e-3).abs() < 0.2e-3, "{farads}");
    let (joules, uncertainty) = value(&bench, "pre-charge energy");
    assert!((joules - 1.024).abs() < 0.01 && uncertainty.is_none(), "{joules}");
    assert!(measured(&bench, "bus capacitance").ends_with(" mF if the resistor has 62.5 ohm; 8 mF in the pack file"));
    assert_eq!(measured(&bench, "bus discharge"), "bus discharge: none, the switch was not seen to open");
    feed_bus(&mut bench, 30.0, |second| PACK_VOLTS * (-second / 80.0).exp());
    let (tau, _) = value(&bench, "bus discharge");
    assert!((tau - 80.0).abs() < 1.0, "{tau}");
    let line = measured(&bench, "bus discharge");
    assert!(line.contains("(80 s by 10 kohm and the capacitance of the pack file)"), "{line}");
    assert!(line.ends_with("; measure before you touch"), "{line}");
    assert!(!line.contains("safe"), "{line}");
    let (tau, _) = value(&bench, "bus time constant");
    assert!((tau - 0.5).abs() < 0.01, "it is kept: {tau}");
}

#[test]
fn what_was_not_measured_says_why() {
    let mut bench = Bench::packed("");
    assert_eq!(bench.verdict().measured.len(), 1, "before the first set only the line is known");
    assert_eq!(measured(&bench, "damaged frames"), "damaged frames: none, no sound frame came");
    bench.bus = None;
    bench.run(3_000);
    for (name, why) in [
        ("bus time constant", "no bus voltage was read"),
        ("bus capacitance", "no bus voltage was read"),
        ("pre-charge energy", "no bus voltage was read"),
        ("bus discharge", "the switch was not seen to open"),
        ("pack lead resistance", "too few levels of the current: 1, 5 needed"),
        ("bus lead resistance", "no bus voltage was read with the switch closed"),
        ("median cell resistance", "no step of the load of 10.0 A or more"),
        ("highest cell resistance", "no step of the load of 10.0 A or more"),
        ("largest drift at rest", "too short at rest: 1 s of readings"),
        ("greatest temperature rate at rest", "too short at rest: 1 s of readings"),
    ] {
        assert_eq!(measured(&bench, name), format!("{name}: none, {why}"));
    }
    let mut fast = Bench::packed(BUS);
    feed_bus(&mut fast, 20.0, |second| if second < 1.05 { 0.0 } else { PACK_VOLTS });
    let line = measured(&fast, "bus time constant");
    assert!(line.starts_with("bus time constant: none, too few readings in the rise: "), "{line}");
    assert!(line.ends_with(" in three time constants, 5 needed"), "{line}");
    let mut without = Bench::packed("");
    feed_bus(&mut without, 20.0, rise(0.5, 5.0));
    assert_eq!(
        measured(&without, "bus capacitance"),
        "bus capacitance: none, the pack file gives no pre-charge resistor"
    );
    assert_eq!(
        measured(&without, "pre-charge energy"),
        "pre-charge energy: none, neither the pack file nor the rise tells the capacitance"
    );
}

#[test]
fn leads_resistances_rates_and_damage_are_told_as_numbers() {
    let mut bench = Bench::packed(&leads("1 m"));
    feed_loads(&mut bench, 50.0, 3.0);
    let (ohms, uncertainty) = value(&bench, "pack lead resistance");
    assert!((ohms - 3e-3).abs() < 4.0 * uncertainty.unwrap() && (ohms - 3e-3).abs() < 0.4e-3, "{ohms}");
    assert!(
        measured(&bench, "pack lead resistance").ends_with("; copper and contacts of the pack file make 1.18 mohm")
    );
    let (cell, _) = value(&bench, "median cell resistance");
    assert!((cell - 1e-3).abs() < 0.1e-3, "{cell}");
    let line = measured(&bench, "median cell resistance");
    assert!(line.contains(" steps of the load"), "{line}");
    assert!(measured(&bench, "highest cell resistance").contains(" times the median"));
    // None of 540 is known to one in 540.
    let (share, uncertainty) = value(&bench, "damaged frames");
    assert!(
        share == 0.0 && uncertainty.is_some_and(|percent| (percent - 100.0 / 540.0).abs() < 1e-6),
        "{uncertainty:?}"
    );
    assert!(measured(&bench, "damaged frames").ends_with("none of 540"));
    let mut warm = Bench::new();
    for second in 0..60 {
        warm.sensors[0] = Some(250 + second / 10);
        warm.run(warm.now + 1000);
    }
    // A tenth of a degree in ten seconds.
    let (rate, _) = value(&warm, "greatest temperature rate at rest");
    assert!((rate - 0.6).abs() < 0.05, "{rate}");
    let (drift, uncertainty) = value(&warm, "largest drift at rest");
    assert!(drift.abs() < 3.0 * uncertainty.unwrap(), "{drift}");
}
