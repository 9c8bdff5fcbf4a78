//! The rise and the fall of the load's side.

use model::SessionTime;

use super::{Claim, Facts};
use crate::cause::Cause;
use crate::estimates::bus::{Bus, BusSettings, Fall, NoFit, Rise, Shape, Speed};
use crate::finding::Confidence;

/// A time constant below this is none that a resistor is chosen for, in seconds. Common practice, no source: 0.2 s to 1 s.
const FAST: f64 = 0.06;

#[derive(Clone, Debug)]
pub(super) struct BusEvidence {
    bus: Bus,
}

impl BusEvidence {
    pub(super) fn new(facts: &Facts) -> Self {
        let settings = BusSettings { step: facts.bus_step, resistor: None, capacitance: None, bleed: None };
        Self { bus: Bus::new(settings) }
    }

    pub(super) fn reading(&mut self, at: SessionTime, nanos: i64, pack: Option<i64>) {
        if let Some(pack) = pack {
            self.bus.pack(pack);
        }
        self.bus.push(at, nanos);
    }

    pub(super) fn opened(&mut self, at: SessionTime) {
        self.bus.opened(at);
    }

    pub(super) fn look(&self, claims: &mut Vec<Claim>) {
        if let Some(rise) = self.bus.rise() {
            claims.extend(of_rise(&rise));
        }
        if let Fall::Welded = self.bus.fall()
            && let Some(rise) = self.bus.rise()
        {
            let text = format!("{:.1} V on the bus in three times the time that it needs to fall", rise.newest);
            let span = (rise.basis.from, rise.basis.to);
            claims.push(Claim::new(Cause::WeldedContact, Confidence::Likely, span, text).critical_if(true));
        }
    }
}

fn of_rise(rise: &Rise) -> Option<Claim> {
    let percent = rise.share.unwrap_or(0.0) * 100.0;
    let (cause, confidence, text) = match (&rise.shape, rise.speed) {
        (Shape::LiveFromStart, _) => (
            Cause::BusLiveEarly,
            Confidence::Likely,
            format!("the bus had {:.1} V before anything was closed ({percent:.0} % of the pack)", rise.newest),
        ),
        (Shape::Stuck, _) => (
            Cause::StuckPreCharge,
            Confidence::Likely,
            format!("the bus stays at {:.1} V, {percent:.0} % of the pack", rise.newest),
        ),
        (Shape::Stalled { watts }, _) => (
            Cause::StalledPreCharge,
            Confidence::Likely,
            match watts {
                Some(watts) => format!("the bus stops at {:.1} V: something takes {watts:.0} W", rise.newest),
                None => format!("the bus rose towards the pack voltage, then stopped at {:.1} V", rise.newest),
            },
        ),
        (Shape::Sawtooth { retries }, _) => {
            (Cause::PreChargeRetries, Confidence::Likely, format!("the bus rose and fell back {retries} times"))
        }
        (Shape::Complete, Speed::Slow) => {
            (Cause::SlowPreCharge, Confidence::Likely, "the bus rises more slowly than it should".to_owned())
        }
        (Shape::Complete, _) => return too_fast(rise),
        _ => return None,
    };
    Some(Claim::new(cause, confidence, (rise.basis.from, rise.basis.to), text).critical_if(true))
}

fn too_fast(rise: &Rise) -> Option<Claim> {
    let text = match &rise.fit {
        Ok(fit) if fit.tau.value + 2.0 * fit.tau.uncertainty < FAST => {
            format!("the bus rose with a time constant of {:.0} ms", fit.tau.value * 1e3)
        }
        Err(NoFit::TooFew { .. }) if rise.basis.length().as_secs_f64() < 2.0 * FAST => {
            "the bus rose from one reading to the next".to_owned()
        }
        _ => return None,
    };
    Some(Claim::new(Cause::NoPreCharge, Confidence::Likely, (rise.basis.from, rise.basis.to), text).critical_if(true))
}
