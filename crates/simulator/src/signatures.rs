//! Each fault shows what it is known by, in the values as they are sent, and more of it at a higher severity. What must
//! come out is worked out by hand beside the check.

use model::{Quantity, SessionTime};

use crate::bus::Electronics;
use crate::fault::{Fault, FaultKind};
use crate::scene::Scene;
use crate::testing::{Row, cells_of, run};

/// A scene without noise, offsets and differences between cells: what is left is the fault.
fn quiet() -> Scene {
    let mut scene = Scene::practice(1);
    scene.pack.charge_spread = 0.0;
    scene.pack.ohm_spread = 0.0;
    scene.pack.connector_ohm = 0.0;
    scene.pack.bus_lead_ohm = 0.0;
    scene.pack.own_amperes = 0.0;
    scene.bus.electronics = Electronics::NONE;
    let bms = &mut scene.bms;
    (bms.cell_noise, bms.pack_noise, bms.current_noise, bms.temperature_noise) = (0.0, 0.0, 0.0, 0.0);
    (bms.cell_step, bms.pack_step, bms.current_step, bms.temperature_step) = (1_000, 1_000, 1_000, 1_000);
    bms.pack_voltage = crate::bms::PackVoltageFrom::Channel { gain_error: 0.0 };
    (bms.bus_gain_error, bms.current_offset) = (0.0, 0.0);
    scene
}

fn fault(kind: FaultKind, severity: f64) -> Fault {
    Fault { at: SessionTime::ZERO, place: 7, severity, ..Fault::new(kind) }
}

fn rows(kind: FaultKind, severity: f64, seconds: u64) -> Vec<Row> {
    run(&quiet(), &[fault(kind, severity)], seconds)
}

fn at(rows: &[Row], seconds: f64) -> &Row {
    rows.iter().find(|row| seconds - 1e-6 <= row.seconds).expect("the run is long enough")
}

fn cell(row: &Row, place: u16) -> f64 {
    row.at_place(Quantity::CellVoltage, place).expect("a cell")
}

fn bus_share(row: &Row) -> f64 {
    row.volts(Quantity::BusVoltage) / row.volts(Quantity::PackVoltage)
}

#[test]
fn a_high_cell_stands_off_upwards_and_grows_with_the_severity() {
    // 6 % of charge from 64 % on: the table goes from 3.7968 V at 60 % to 3.8797 V at 70 %: 6 x 8.29 mV = 49.7 mV.
    for (severity, expected) in [(0.2, 0.00995), (1.0, 0.0497)] {
        for seconds in [5.0, 19.0] {
            let rows = rows(FaultKind::HighCell, severity, 20);
            let apart = cell(at(&rows, seconds), 7) - cell(at(&rows, seconds), 8);
            assert!((apart - expected).abs() < 0.3e-3, "{severity} {seconds}: {apart}");
        }
    }
}

#[test]
fn a_link_acts_at_once_and_has_no_tail() {
    // 0.5: as much as the cell's 1.5 mohm once more; 38 A more make 57 mV, at 0.1 s and at 5.9 s; after the load nothing.
    let rows = rows(FaultKind::LinkResistance, 0.5, 23);
    let apart = |seconds| cell(at(&rows, seconds), 8) - cell(at(&rows, seconds), 7);
    for seconds in [14.1, 19.9] {
        assert!((apart(seconds) - apart(13.9) - 0.057).abs() < 0.1e-3, "{}", apart(seconds));
    }
    assert!((apart(20.2) - apart(13.9)).abs() < 0.1e-3, "{}", apart(20.2));
    assert!((cell(at(&rows, 19.0), 6) - cell(at(&rows, 19.0), 8)).abs() < 1e-6);
}

#[test]
fn a_cell_that_discharges_itself_drifts() {
    // 0.3 of the capacity an hour on 0.829 V for all of it: 248.7 mV/h, in 60 s 4.1 mV.
    let rows = rows(FaultKind::SelfDischarge, 1.0, 61);
    let apart = |seconds| cell(at(&rows, seconds), 8) - cell(at(&rows, seconds), 7);
    assert!((apart(60.0) - apart(0.0) - 0.2487 / 60.0).abs() < 0.05e-3, "{}", apart(60.0));
    assert!((apart(30.0) - 0.2487 / 120.0).abs() < 0.05e-3, "{}", apart(30.0));
}

#[test]
fn swapped_leads_read_double_nothing_double_or_start_again_from_above() {
    let good = run(&quiet(), &[], 2);
    let value = cell(at(&good, 1.0), 8);
    for (severity, middle) in [(0.5, 0.0), (1.0, -value)] {
        let rows = rows(FaultKind::SwappedSenseLeads, severity, 2);
        let cells = cells_of(at(&rows, 1.0));
        for (index, expected) in [(5, value), (6, 2.0 * value), (7, middle), (8, 2.0 * value), (9, value)] {
            assert!((cells[index] - expected).abs() < 1e-4, "{severity} {index}: {}", cells[index]);
        }
        // What is turned round keeps the sum; what ends at 0 does not.
        let sum: f64 = cells.iter().sum();
        let excess = if severity < 1.0 { value } else { 0.0 };
        assert!((sum - 24.0 * value - excess).abs() < 1e-3, "{sum}");
    }
}

#[test]
fn sixteen_bits_without_a_sign_start_again_from_above() {
    use model::{Channel, ColumnLayout, Conversion, Scale, Unit};
    let millivolts = Conversion::Linear(Scale::of_unit(Unit::parse("mV").unwrap()));
    let column =
        ColumnLayout { scale: millivolts, bits: 16, ..crate::testing::column(Channel::at(Quantity::CellVoltage, 8)) };
    let mut scene = quiet();
    scene.bms.cell_step = 1_000_000;
    let mut bms = crate::Bms::new(&scene, &[fault(FaultKind::SwappedSenseLeads, 1.0)]);
    bms.scan(&crate::PowerUp::new(&scene, &[]));
    // 64 % of charge: 3.7968 + 0.4 x 0.0829 = 3.830 V; 65 536 - 3 830 = 61 706 mV.
    assert_eq!(bms.value(&column), Some(61_706_000_000));
}

#[test]
fn balancing_pulls_a_cell_down_and_its_neighbours_up_on_and_off() {
    // 100 mA through 0.2 ohm each: -40 mV and +20 mV (the worked example of common practice).
    let rows = rows(FaultKind::BalancingActive, 0.5, 5);
    let change = |seconds: f64, place| cell(at(&rows, seconds), place) - cell(at(&rows, seconds), 12);
    for (seconds, on) in [(0.5, 1.0), (1.3, 1.0), (1.5, 0.0), (2.2, 0.0), (2.4, 1.0), (3.8, 0.0)] {
        for (place, volts) in [(5, 0.0), (6, 0.020), (7, -0.040), (8, 0.020), (9, 0.0)] {
            assert!(
                (change(seconds, place) - on * volts).abs() < 2e-5,
                "{seconds} {place}: {}",
                change(seconds, place)
            );
        }
    }
    assert_eq!(rows[20].raw(Quantity::Balancing, 0), Some(1));
    assert_eq!(run(&quiet(), &[], 1)[5].raw(Quantity::Balancing, 0), Some(0));
}

#[test]
fn cells_read_in_turn_spread_only_while_the_current_changes() {
    let mut widest = Vec::new();
    for severity in [0.0, 0.5, 1.0] {
        let rows = rows(FaultKind::CellsReadInTurn, severity, 20);
        let spread = |row: &Row| {
            let cells = cells_of(row);
            cells.iter().copied().fold(f64::MIN, f64::max) - cells.iter().copied().fold(f64::MAX, f64::min)
        };
        // Two tenths of a second after the step at 14 s the first cells are still those of before: 38 A x 1.1 mohm and a
        // little of the slow part.
        let wide = rows.iter().filter(|row| (14.0..14.5).contains(&row.seconds)).map(spread).fold(0.0, f64::max);
        widest.push(wide);
        assert!(spread(at(&rows, 13.0)) < 0.2e-3 && spread(at(&rows, 16.0)) < 2e-3, "{}", spread(at(&rows, 16.0)));
        // The first cell is read so many scans of 50 ms earlier: the first frame that sees all of the step.
        let settled = rows.iter().filter(|row| 14.05 < row.seconds && spread(row) < 3e-3).map(|row| row.seconds);
        let after = settled.fold(f64::MAX, f64::min) - 14.0;
        assert!(after <= 0.1 + 0.25 * severity + 0.11, "{severity}: {after}");
    }
    assert!(widest[0] < 1e-6 && (0.040..0.046).contains(&widest[2]), "{widest:?}");
    assert!(widest[1] <= widest[2] + 2e-3 && 0.03 < widest[1], "{widest:?}");
}

#[test]
fn a_stuck_sensor_says_the_same_whatever_happens() {
    for row in rows(FaultKind::SensorStuck, 1.0, 20) {
        // Two sensors beside it are at the air's 21 degC.
        assert_eq!(row.raw(Quantity::Temperature, 6), Some(25_000_000_000));
        assert!((row.at_place(Quantity::Temperature, 5).unwrap() - 21.0).abs() < 0.1);
    }
}

#[test]
fn heating_has_its_rate_with_nothing_drawn() {
    for severity in [0.1, 1.0] {
        let heated = Fault { place: 3, ..fault(FaultKind::HeatingAtRest, severity) };
        let scene = Scene { steps: Vec::new(), ..quiet() };
        let rows = run(&scene, &[heated], 61);
        let rise = |place| rows[600].at_place(Quantity::Temperature, place).unwrap() - 21.0;
        // 3 degC/min; one minute of a time constant of an hour takes 0.8 % off.
        assert!((rise(3) / (3.0 * severity) - 0.992).abs() < 0.002, "{}", rise(3));
        assert!(rise(2).abs() < 1e-3 && rise(4).abs() < 1e-3);
    }
}

#[test]
fn connectors_show_where_they_are() {
    for severity in [0.25, 1.0] {
        // 40 A (2 A) through 5 or 20 mohm.
        let drop = |amperes: f64| amperes * 0.020 * severity;
        let gap = |row: &Row| cells_of(row).iter().sum::<f64>() - row.volts(Quantity::PackVoltage);
        let bus_gap = |row: &Row| row.volts(Quantity::PackVoltage) - row.volts(Quantity::BusVoltage);
        let pack_lead = rows(FaultKind::PackLeadResistance, severity, 20);
        let bus_lead = rows(FaultKind::BusLeadResistance, severity, 20);
        for (seconds, amperes) in [(13.0, 2.0), (19.0, 40.0)] {
            let (pack, bus) = (at(&pack_lead, seconds), at(&bus_lead, seconds));
            let bleeds = 0.01 * 0.020;
            assert!((gap(pack) - drop(amperes)).abs() < 2.0 * bleeds, "{}", gap(pack));
            assert!(bus_gap(pack).abs() < 2.0 * bleeds, "{}", bus_gap(pack));
            assert!(gap(bus).abs() < 1e-4, "{}", gap(bus));
            assert!((bus_gap(bus) - drop(amperes)).abs() < 2.0 * bleeds, "{}", bus_gap(bus));
        }
    }
}

#[test]
fn the_current_is_turned_round_or_off_by_a_share() {
    let reversed = rows(FaultKind::ReversedCurrent, 1.0, 20);
    let offset = rows(FaultKind::CurrentOffset, 0.5, 20);
    let amperes = |rows: &[Row], seconds| at(rows, seconds).volts(Quantity::Current);
    assert!((amperes(&reversed, 19.0) + 40.0).abs() < 0.02, "{}", amperes(&reversed, 19.0));
    // 0.05 of 44 A.
    assert!((amperes(&offset, 5.0) - 2.2).abs() < 1e-3 && (amperes(&offset, 19.0) - 42.2).abs() < 0.02);
    let cells = [&reversed, &offset].map(|rows| cells_of(at(rows, 19.0)));
    assert_eq!(cells[0], cells[1]);
}

#[test]
fn a_pack_in_parallel_takes_current_at_rest_and_gives_its_part_of_the_load() {
    for severity in [0.1, 1.0] {
        let rows = rows(FaultKind::Circulation, severity, 20);
        let amperes = |seconds| at(&rows, seconds).volts(Quantity::Current);
        // 1 V over 60 mohm, less what comes up slowly: 24 x 0.4 mohm add 16 % with 8 s.
        assert!((amperes(0.1) / (severity / 0.06) - 1.0).abs() < 0.01, "{}", amperes(0.1));
        // Of a step of 38 A the other pack, of 60 - 26.4 mohm, gives 26.4 / 60.
        let step = amperes(14.1) - amperes(13.9);
        assert!((step - 38.0 * (60.0 - 26.4) / 60.0).abs() < 0.2, "{step}");
        assert!(at(&rows, 5.0).volts(Quantity::BusVoltage) < 1e-6);
    }
}

#[test]
fn scale_and_count_are_those_of_a_slip_in_the_file() {
    let good = run(&quiet(), &[], 2);
    let value = cell(at(&good, 1.0), 1);
    let whole = 24.0 * value;
    for (severity, factor) in [(0.2, 2.0), (1.0, 0.1)] {
        let rows = rows(FaultKind::WrongCellScale, severity, 2);
        let row = at(&rows, 1.0);
        assert!(cells_of(row).iter().all(|cell| (cell - value * factor).abs() < 1e-4));
        assert!((row.volts(Quantity::PackVoltage) - whole).abs() < 1e-3);
    }
    for (severity, count) in [(0.2, 1_u16), (1.0, 2)] {
        let rows = rows(FaultKind::TooManyCellsRead, severity, 2);
        let row = at(&rows, 1.0);
        let cells = cells_of(row);
        let filled = usize::from(24 - count);
        assert!(cells[filled..].iter().all(|cell| cell.abs() < 1e-9) && (cells[filled - 1] - value).abs() < 1e-4);
        let missing = f64::from(count) * value;
        assert!((row.volts(Quantity::PackVoltage) - (whole - missing)).abs() < 2e-3);
        let rows = self::rows(FaultKind::TooFewCellsRead, severity, 2);
        assert!((at(&rows, 1.0).volts(Quantity::PackVoltage) - (whole + missing)).abs() < 2e-3);
    }
}

#[test]
fn a_pre_charge_that_is_bridged_jumps_and_one_that_is_slow_lags() {
    // 0.1 s after 6 s: 62.5 ohm x 8 mF = 0.5 s sound; a tenth and less of it for a bridged one.
    let share = |kind, severity, seconds| bus_share(at(&rows(kind, severity, 10), seconds));
    let sound = bus_share(at(&run(&quiet(), &[], 7), 6.5));
    // The bleed takes 0.6 %, the cells' 26 mohm nothing to speak of.
    assert!((sound - 0.632).abs() < 0.006, "{sound}");
    assert!(0.99 < share(FaultKind::NoPreCharge, 1.0, 6.1));
    // 50 ms: two time constants, 0.865.
    assert!((share(FaultKind::NoPreCharge, 0.0, 6.1) - 0.865).abs() < 0.005);
    // 1 s and 5 s: what 2 s make of it.
    let slow = [0.0, 1.0].map(|severity| share(FaultKind::SlowPreCharge, severity, 8.0));
    assert!((slow[0] - (1.0 - (-2.0_f64).exp())).abs() < 0.01, "{slow:?}");
    assert!((slow[1] - (1.0 - (-0.4_f64).exp())).abs() < 0.01, "{slow:?}");
    assert!(0.99 < share(FaultKind::SlowPreCharge, 1.0, 8.2));
}

#[test]
fn a_pre_charge_that_is_held_down_stays_there_and_the_switch_waits() {
    for (severity, expected) in [(0.0, 0.9), (1.0, 0.3)] {
        let rows = rows(FaultKind::StuckPreCharge, severity, 60);
        for seconds in [12.0, 19.0, 50.0] {
            let share = bus_share(at(&rows, seconds));
            // The bleed lies beside it, its 10 kohm taken into account: less than 0.7 %.
            assert!((share - expected).abs() < 0.007, "{severity} {seconds}: {share}");
        }
        // No motor turns: what the resistor lets through, 92 V / 62.5 ohm at the most.
        assert!(rows.iter().all(|row| row.volts(Quantity::Current) < 1.5));
    }
}

#[test]
fn electronics_that_boot_too_early_pull_the_bus_back() {
    for (severity, factor) in [(0.0, 1.05), (1.0, 2.0)] {
        let rows = rows(FaultKind::StalledPreCharge, severity, 30);
        let shares: Vec<f64> = rows.iter().map(bus_share).collect();
        let highest = shares.iter().copied().fold(0.0, f64::max);
        assert!((0.53..0.57).contains(&highest), "{highest}");
        // Below half the voltage they are like R / factor against R: 1 / (1 + factor).
        let last = shares.last().copied().unwrap();
        assert!((last - 1.0 / (1.0 + factor)).abs() < 0.006, "{last}");
    }
}

#[test]
fn retries_are_a_sawtooth() {
    let rows = rows(FaultKind::PreChargeRetries, 1.0, 20);
    let shares: Vec<f64> = rows.iter().map(bus_share).collect();
    // A try lasts 0.6 s and comes back each 1.8 s: within 14 s nearly eight.
    let rises = shares.windows(2).filter(|pair| pair[0] < 0.4 && 0.4 <= pair[1]).count();
    assert!((7..=8).contains(&rises), "{rises}");
    let falls = shares.windows(2).filter(|pair| 0.2 <= pair[0] && pair[1] < 0.2).count();
    assert!((6..=8).contains(&falls), "{falls}");
    assert!(shares.iter().all(|share| *share < 0.6));
}

#[test]
fn a_live_bus_has_its_share_before_the_switch_and_after_it() {
    for (severity, expected) in [(0.0, 0.1), (1.0, 0.99)] {
        let rows = rows(FaultKind::BusLiveEarly, severity, 75);
        for seconds in [0.5, 5.5] {
            let share = bus_share(at(&rows, seconds));
            assert!((share - expected).abs() < 0.002, "{severity} {seconds}: {share}");
        }
        let share = bus_share(at(&rows, 74.0));
        // From all of it towards its share, with 8 mF x 10 kohm beside what bridges it.
        assert!(expected < share, "{share}");
    }
}

#[test]
fn a_welded_contact_keeps_the_bus_up_after_the_opening() {
    let good = run(&quiet(), &[], 150);
    // 80 s: half of it is left after 55.5 s.
    let share = bus_share(at(&good, 70.0 + 55.5));
    assert!((share - 0.5).abs() < 0.005, "{share}");
    for (severity, expected) in [(0.5, 0.79), (1.0, 1.0)] {
        let rows = rows(FaultKind::WeldedContact, severity, 150);
        assert!((0.99..1.001).contains(&bus_share(at(&rows, 69.0))));
        // At 0.5: three quarters are left, with 80 s x 0.25: 0.75 + 0.25 exp(-55.5 / 20) = 0.766.
        let share = bus_share(at(&rows, 70.0 + 55.5));
        assert!((share - expected).abs() < 0.03, "{severity}: {share}");
    }
}

#[test]
fn a_higher_severity_shows_no_less() {
    /// How far a session is from the sound one, cell by cell and value by value.
    fn apart(kind: FaultKind, severity: f64, good: &[Row]) -> f64 {
        let bad = run(&quiet(), &[fault(kind, severity)], 100);
        let values = |row: &Row| -> Vec<f64> {
            let whole = [Quantity::PackVoltage, Quantity::BusVoltage, Quantity::Current];
            let sensors = (1..=6).map(|place| row.at_place(Quantity::Temperature, place).unwrap_or(0.0));
            whole.into_iter().map(|quantity| row.volts(quantity)).chain(cells_of(row)).chain(sensors).collect()
        };
        let row_apart = |(good, bad): (&Row, &Row)| -> f64 {
            values(good).iter().zip(values(bad)).map(|(good, bad)| (good - bad).abs()).sum()
        };
        good.iter().zip(&bad).map(row_apart).sum()
    }
    let good = run(&quiet(), &[], 100);
    for kind in [
        FaultKind::LowCell,
        FaultKind::HighCell,
        FaultKind::WeakCell,
        FaultKind::LinkResistance,
        FaultKind::SelfDischarge,
        FaultKind::OpenSenseLead,
        FaultKind::OpenSenseLeadMidpoint,
        FaultKind::OpenSenseLeadIntermittent,
        FaultKind::BalancingActive,
        FaultKind::CellsReadInTurn,
        FaultKind::HeatingAtRest,
        FaultKind::PackSumOffset,
        FaultKind::PackLeadResistance,
        FaultKind::BusLeadResistance,
        FaultKind::CurrentOffset,
        FaultKind::Circulation,
        FaultKind::TooManyCellsRead,
        FaultKind::TooFewCellsRead,
        FaultKind::NoPreCharge,
        FaultKind::SlowPreCharge,
        FaultKind::StuckPreCharge,
        FaultKind::BusLiveEarly,
        FaultKind::WeldedContact,
    ] {
        let seen = [0.1, 0.4, 0.7, 1.0].map(|severity| apart(kind, severity, &good));
        assert!(0.0 < seen[0], "{kind}: {seen:?}");
        assert!(seen.is_sorted() && seen[0] < seen[3], "{kind}: {seen:?}");
    }
}

#[test]
fn a_severity_is_beyond_the_warning_limit_where_the_numbers_are() {
    let mut scene = quiet();
    scene.bms.cell_step = 1_000_000;
    let from = |kind: FaultKind| Fault::new(kind).warns_from(&scene);
    // 10 mV of the 49.7 mV above: 0.2. Of 80 mV when balanced. 0.3 of 3 degC/min. 60 of 248.7 mV/h.
    assert!((from(FaultKind::HighCell) - 0.2).abs() < 0.02, "{}", from(FaultKind::HighCell));
    assert!((from(FaultKind::BalancingActive) - 0.125).abs() < 1e-9);
    assert!((from(FaultKind::HeatingAtRest) - 0.1).abs() < 1e-9);
    assert!((from(FaultKind::SelfDischarge) - 60.0 / 248.7).abs() < 0.001, "{}", from(FaultKind::SelfDischarge));
    // 24 x 3.83 V x 0.5 % = 0.46 V; 75 A x 20 mohm = 1.5 V.
    assert!((from(FaultKind::PackLeadResistance) - 0.306).abs() < 0.002, "{}", from(FaultKind::PackLeadResistance));
    // 0.22 A of 16.7 A.
    assert!((from(FaultKind::Circulation) - 0.0132).abs() < 1e-4, "{}", from(FaultKind::Circulation));
    assert_eq!(from(FaultKind::CellsReadInTurn).to_bits(), f64::INFINITY.to_bits());
    assert_eq!(from(FaultKind::SlowPreCharge).to_bits(), 0.0_f64.to_bits());
    let weak = Fault { severity: 0.0, ..Fault::new(FaultKind::WeakCell) };
    assert!(weak.is_beyond_warning(&scene));
    // At 5 mV 67 A are needed: 73 A are there. At 10 mV they are not, and a low cell needs 35 mV.
    scene.bms.cell_step = 5_000_000;
    assert!(weak.is_beyond_warning(&scene));
    scene.bms.cell_step = 10_000_000;
    assert!(!weak.is_beyond_warning(&scene));
    assert!((Fault::new(FaultKind::HighCell).warns_from(&scene) - 0.7).abs() < 0.02);
    // A flat curve hides a charge difference at any severity.
    scene.pack.curve = crate::pack::Curve::Lfp;
    scene.pack.charge = 0.55;
    assert!(!Fault::new(FaultKind::LowCell).is_beyond_warning(&scene));
}

#[test]
fn places_are_those_of_the_readings_that_change() {
    let names = |kind, place| -> Vec<String> {
        let channels = Fault { place, ..Fault::new(kind) }.channels(24, 6);
        channels.iter().map(ToString::to_string).collect()
    };
    assert_eq!(names(FaultKind::LowCell, 9), ["cell 9"]);
    assert_eq!(names(FaultKind::OpenSenseLead, 9), ["cell 9", "cell 10"]);
    assert_eq!(names(FaultKind::OpenSenseLeadEnd, 0), ["cell 24"]);
    assert_eq!(names(FaultKind::SwappedSenseLeads, 9), ["cell 9", "cell 10", "cell 11"]);
    assert_eq!(names(FaultKind::SwappedSenseLeads, 24), ["cell 22", "cell 23", "cell 24"]);
    assert_eq!(names(FaultKind::TooManyCellsRead, 0), ["cell 23", "cell 24"]);
    assert_eq!(names(FaultKind::SensorStuck, 0), ["temperature 2"]);
    assert_eq!(names(FaultKind::CurrentOffset, 0), [""; 0]);
    for kind in Fault::all() {
        assert!(!kind.cause().is_empty(), "{kind}");
        // A pack of one cell and no sensor has no such places, and nothing breaks.
        let _ = Fault::new(kind).channels(1, 0);
    }
}
