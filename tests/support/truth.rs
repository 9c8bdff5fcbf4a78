//! Whether a session is healthy, by the simulator's own state: no reading, no frame and no rule is asked.
//!
//! Limits are written here once more from `domain.md`, so that a slip in the rules' defaults shows.

use std::time::Duration;

use model::SessionTime;
use simulator::{ByProtocol, Fault, FaultKind, PackVoltageFrom, PowerUp, Telegrams};

use crate::pairs::Pair;
use crate::sessions::Drawn;

/// What is true of a session.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Truth {
    /// Nothing is beyond a critical limit, by a margin.
    Healthy,
    /// Too near a limit, too short or too late to demand anything.
    Unclear,
    /// Beyond a critical limit by a margin and for long enough, or part of the evidence is gone: no `go` any more.
    Bad,
}

/// A state must last so long before it can be demanded that it is seen: the delay of the limits on cells (0.5 s), the
/// slowest scan (0.25 s), the slowest message (0.2 s).
const SEEN_AFTER: Duration = Duration::from_millis(1_200);
/// The same for the pack sum: its delay is 1 s.
const SUM_SEEN_AFTER: Duration = Duration::from_millis(2_000);
/// A state that never lasts so long, well inside the delays, must not count.
const TOO_SHORT: Duration = Duration::from_millis(250);
/// The same for the pack sum.
const SUM_TOO_SHORT: Duration = Duration::from_millis(750);
/// The truth is looked at this often.
const LOOK: Duration = Duration::from_millis(50);

/// Of the cells alone, whatever the BMS makes of them.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Cells {
    /// By how many volts a cell was beyond a critical limit, long enough to be seen; negative: inside.
    pub beyond: f64,
    /// The same for a time that is too short to count.
    pub briefly_beyond: f64,
    /// By which share the reported pack voltage was off the true sum, long enough to be seen.
    pub sum_gap: f64,
    /// The same for a time that is too short to count.
    pub brief_sum_gap: f64,
}

/// Follows the true cells through a session.
pub fn cells(drawn: &Drawn) -> Cells {
    let mut power_up = PowerUp::new(&drawn.scene, drawn.fault.as_slice());
    let mut volts_beyond = [SEEN_AFTER, TOO_SHORT].map(Lasting::new);
    let mut sum_gap = [SUM_SEEN_AFTER, SUM_TOO_SHORT].map(Lasting::new);
    let mut loaded = false;
    let mut at = SessionTime::ZERO;
    while at < drawn.length {
        power_up.advance_to(at);
        let pack = power_up.pack();
        let volts: Vec<f64> = (1..=pack.series()).map(|place| pack.cell_volts(place)).collect();
        loaded |= 0.03 * drawn.pair.ampere_hours < pack.amperes().abs();
        let cells = beyond(&drawn.pair, &volts, pack.amperes(), !loaded);
        let sum = gap(drawn, at, pack.volts(), volts.iter().sum());
        for (watch, value) in volts_beyond.iter_mut().zip([cells; 2]).chain(sum_gap.iter_mut().zip([sum; 2])) {
            watch.take(value);
        }
        at = at + LOOK;
    }
    let [beyond, briefly_beyond] = volts_beyond.map(|watch| watch.most);
    let [sum_gap, brief_sum_gap] = sum_gap.map(|watch| watch.most);
    Cells { beyond, briefly_beyond, sum_gap, brief_sum_gap }
}

/// By how many volts the worst cell is beyond its critical limit; negative inside.
fn beyond(pair: &Pair, volts: &[f64], amperes: f64, rested: bool) -> f64 {
    let mut sorted = volts.to_vec();
    sorted.sort_by(f64::total_cmp);
    let (lowest, highest) = (sorted[0], sorted[sorted.len() - 1]);
    let median = f64::midpoint(sorted[(sorted.len() - 1) / 2], sorted[sorted.len() / 2]);
    let lfp = pair.curve == simulator::Curve::Lfp;
    let (cell_low, cell_high) = if lfp { (2.5, 3.65) } else { (3.0, 4.25) };
    let spread = match (rested, lfp) {
        (true, false) => 0.050,
        (true, true) => 0.040,
        (false, false) => 0.150,
        (false, true) => 0.200,
    };
    let deviation = pair.critical_deviation + 0.5 * amperes.abs() * pair.ohm;
    [
        (highest - median).max(median - lowest) - deviation,
        highest - lowest - spread,
        cell_low - lowest,
        highest - cell_high,
    ]
    .into_iter()
    .fold(f64::MIN, f64::max)
}

/// By which share the reported pack voltage is off the sum of the true cells, without noise.
fn gap(drawn: &Drawn, at: SessionTime, pack_volts: f64, sum: f64) -> f64 {
    let offset: f64 = drawn
        .fault
        .iter()
        .filter(|fault| fault.kind == FaultKind::PackSumOffset && fault.at <= at)
        .map(|fault| 0.03 * fault.severity)
        .sum();
    let reported = match drawn.scene.bms.pack_voltage {
        PackVoltageFrom::Channel { gain_error } => pack_volts * (1.0 + gain_error + offset),
        PackVoltageFrom::CellSum => sum * (1.0 + offset),
    };
    (reported - sum).abs() / sum
}

/// The highest value that held for a time on end.
struct Lasting {
    window: std::collections::VecDeque<f64>,
    length: usize,
    most: f64,
}

impl Lasting {
    fn new(length: Duration) -> Self {
        let length = (length.as_nanos() / LOOK.as_nanos()) as usize + 1;
        Self { window: std::collections::VecDeque::new(), length, most: f64::MIN }
    }

    fn take(&mut self, value: f64) {
        self.window.push_back(value);
        if self.length < self.window.len() {
            self.window.pop_front();
        }
        if self.window.len() == self.length {
            self.most = self.most.max(self.window.iter().copied().fold(f64::MAX, f64::min));
        }
    }
}

/// The share of frames that the line damages over the session.
fn damaged_share(drawn: &Drawn) -> f64 {
    let telegrams = |faults: &[Fault]| {
        Telegrams::new(&drawn.scene, faults, ByProtocol::new(crate::protocol(drawn.pair.protocol))).until(drawn.length)
    };
    let (mut frames, mut damaged) = (0_u32, 0_u32);
    for (sent, arrived) in telegrams(&[]).zip(telegrams(drawn.fault.as_slice())) {
        frames += 1;
        damaged += u32::from(sent.bytes != arrived.bytes);
    }
    f64::from(damaged) / f64::from(frames.max(1))
}

/// What is true of the whole session.
pub fn of(drawn: &Drawn) -> Truth {
    let cells = cells(drawn);
    // What the BMS's resolution and noise, and its accuracy as the pack files state it, can hide or add.
    let margin = drawn.scene.bms.cell_step as f64 * 1e-9 + 4.0 * drawn.scene.bms.cell_noise;
    let graded = |lasting: f64, brief: f64, margin: f64| {
        if margin < lasting {
            Truth::Bad
        } else if -margin < brief {
            Truth::Unclear
        } else {
            Truth::Healthy
        }
    };
    let of_cells = graded(cells.beyond, cells.briefly_beyond, margin);
    let physical = of_cells.max(graded(cells.sum_gap - 0.01, cells.brief_sum_gap - 0.01, 0.001));
    let Some(fault) = drawn.fault else { return physical };
    // From when on the session's end a fault of the BMS or the line must have been seen.
    let active = drawn.length.since(fault.at);
    let seen_after = |length: Duration| if length <= active { Truth::Bad } else { Truth::Unclear };
    let own = match fault.kind {
        // All that they do is in the true cells and the pack voltage, or in no check.
        FaultKind::LowCell
        | FaultKind::HighCell
        | FaultKind::WeakCell
        | FaultKind::LinkResistance
        | FaultKind::SelfDischarge
        | FaultKind::PackSumOffset
        | FaultKind::PackLeadResistance
        | FaultKind::BusLeadResistance => Truth::Healthy,
        // Readings that no cell can have.
        FaultKind::SwappedSenseLeads | FaultKind::WrongCellScale | FaultKind::TooManyCellsRead => {
            seen_after(SEEN_AFTER)
        }
        // Not sound, but no limit need be broken by it: nothing is demanded of the verdict. The diagnosis has its own
        // table (`grid`).
        FaultKind::TooFewCellsRead
        | FaultKind::BalancingActive
        | FaultKind::CellsReadInTurn
        | FaultKind::SensorStuck
        | FaultKind::HeatingAtRest
        | FaultKind::ReversedCurrent
        | FaultKind::CurrentOffset
        | FaultKind::Circulation
        | FaultKind::NoPreCharge
        | FaultKind::SlowPreCharge
        | FaultKind::StuckPreCharge
        | FaultKind::StalledPreCharge
        | FaultKind::PreChargeRetries
        | FaultKind::BusLiveEarly
        | FaultKind::WeldedContact => Truth::Unclear,
        FaultKind::OpenSenseLead
        | FaultKind::OpenSenseLeadMidpoint
        | FaultKind::OpenSenseLeadHeld
        | FaultKind::OpenSenseLeadIntermittent
        | FaultKind::OpenSenseLeadEnd => {
            // The BMS's own test finds it so long after; its message is the slowest.
            let found = (fault.at + drawn.scene.bms.lead_test_after)
                .max(SessionTime::from_duration(drawn.scene.bms.lead_test_from));
            if found + Duration::from_millis(500) <= drawn.length { Truth::Bad } else { Truth::Unclear }
        }
        FaultKind::SensorOpen | FaultKind::SensorShort => seen_after(Duration::from_millis(600)),
        // Silence is told from quiet when a message has missed its time, or its values are a second old.
        FaultKind::SilentLine => seen_after(Duration::from_millis(1_500)),
        // A counter stands still over five frames.
        FaultKind::FrozenFrame => seen_after(Duration::from_millis(1_500)),
        // More than one frame in a hundred: nobody may call that link sound.
        FaultKind::FlippedBits
        | FaultKind::LostBytes
        | FaultKind::InterferenceWithBus
        | FaultKind::InterferenceWithCurrent => {
            let over = damaged_share(drawn) - 0.01;
            graded(over, over, 0.005)
        }
        FaultKind::Unplug => seen_after(Duration::from_millis(1)),
    };
    physical.max(own)
}
