//! What faults of the sense leads and the sensors make of the readings.

use crate::fault::{Fault, FaultKind};
use crate::noise::Noise;
use crate::severity::SENSE_LEAD_OHM;

/// Channels of chance, apart from those of the pack, the BMS and the line.
const WANDER_CHANCE: u64 = 0x14;
const CONTACT_CHANCE: u64 = 0x15;
const KICK_CHANCE: u64 = 0x16;

/// How fast an input is drawn down when its lead opens, in seconds.
const PULL_SECONDS: f64 = 0.1;
/// A cell is balanced for so many seconds, then measured in peace for the rest of a turn. No multiple of a usual frame
/// period, so that a slow line sees both.
const BALANCING_SECONDS: f64 = 1.4;
const BALANCING_TURN_SECONDS: f64 = 2.3;

/// What a fault does at the inputs of the BMS, in volts, `since` seconds after it began.
pub(crate) fn spoil_inputs(fault: &Fault, since: f64, noise: Noise, cells: &mut [f64]) {
    let series = u16::try_from(cells.len()).unwrap_or(u16::MAX);
    match fault.kind {
        FaultKind::OpenSenseLeadEnd => spoil_end(fault, series, cells),
        FaultKind::BalancingActive => spoil_by_balancing(fault, since, series, cells),
        kind if kind.opens_a_sense_lead() => spoil_lead(fault, since, noise, series, cells),
        _ => {}
    }
}

/// What a fault makes of what was measured, in billionths of a volt.
pub(crate) fn spoil_measured(fault: &Fault, cells: &mut [i64]) {
    let series = u16::try_from(cells.len()).unwrap_or(u16::MAX);
    match fault.kind {
        FaultKind::SwappedSenseLeads => {
            let Some(middle) = fault.swapped_place(series).map(usize::from) else { return };
            let Some([below, middle, above]) = cells.get_mut(middle.saturating_sub(2)..=middle) else { return };
            *below = below.saturating_add(*middle);
            *above = above.saturating_add(*middle);
            *middle = if fault.share() <= 0.5 { 0 } else { -*middle };
        }
        FaultKind::WrongCellScale => {
            for cell in cells {
                *cell = (*cell as f64 * fault.scale_factor()).round() as i64;
            }
        }
        _ => {}
    }
}

/// What a temperature sensor reads that no longer measures: `None` where the fault is none of the sensors', `Some(None)`
/// where the reading is absent.
pub(crate) fn substitute(fault: &Fault) -> Option<Option<f64>> {
    match fault.kind {
        FaultKind::SensorOpen => Some((0.5 < fault.share()).then_some(-40.0)),
        FaultKind::SensorShort => Some(Some(125.0 + 2.0 * fault.share())),
        FaultKind::SensorStuck => Some(Some(25.0)),
        _ => None,
    }
}

fn spoil_end(fault: &Fault, series: u16, cells: &mut [f64]) {
    let index = usize::from(fault.end_place(series)).wrapping_sub(1);
    if let Some(cell) = cells.get_mut(index) {
        *cell = if fault.share() <= 0.5 { *cell - 0.6 } else { 0.0 };
    }
}

/// The current through a cell's two leads takes from its reading and adds to those of its neighbours.
fn spoil_by_balancing(fault: &Fault, since: f64, series: u16, cells: &mut [f64]) {
    if BALANCING_SECONDS <= since % BALANCING_TURN_SECONDS {
        return;
    }
    let volts = fault.balancing_amperes() * SENSE_LEAD_OHM;
    let index = usize::from(fault.cell_place(series)).wrapping_sub(1);
    for (index, change) in [(index.wrapping_sub(1), volts), (index, -2.0 * volts), (index.wrapping_add(1), volts)] {
        if let Some(cell) = cells.get_mut(index) {
            *cell += change;
        }
    }
}

/// What an open inner sense lead does.
fn spoil_lead(fault: &Fault, since: f64, noise: Noise, series: u16, cells: &mut [f64]) {
    let share = fault.share();
    let Some(below) = fault.lead_place(series).map(usize::from) else { return };
    let Some([lower, upper]) = cells.get_mut(below - 1..=below) else { return };
    let middle = f64::midpoint(*lower, *upper);
    match fault.kind {
        FaultKind::OpenSenseLead => {
            let drawn = (*lower - 0.03) * share * (1.0 - (-since / PULL_SECONDS).exp());
            *lower -= drawn;
            *upper += drawn;
        }
        FaultKind::OpenSenseLeadMidpoint => {
            let turn = std::f64::consts::TAU;
            let phase = |index| noise.share(WANDER_CHANCE, index);
            let wander =
                0.060 * (turn * (since / 11.3 + phase(0))).sin() + 0.025 * (turn * (since / 2.9 + phase(1))).sin();
            *lower = middle + wander * share;
            *upper = middle - wander * share;
        }
        FaultKind::OpenSenseLeadIntermittent => {
            let slot = (since / 0.25) as u64;
            if noise.share(CONTACT_CHANCE, slot) < 0.15 + 0.35 * share {
                let kick = 0.4 * share * noise.spread(KICK_CHANCE, slot);
                *lower = middle + kick;
                *upper = middle - kick;
            }
        }
        _ => {}
    }
}
