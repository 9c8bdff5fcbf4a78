//! `simulate`: a practice pack on a line of its own.

use anyhow::Result;
use model::SessionTime;
use parser::Protocol;
use simulator::{End, Fault};

use crate::Status;
use crate::args::Simulate;
use crate::files::read_protocol;
use crate::output::{Hinted, Prose, Results};
use crate::practice;

pub(crate) fn run(task: &Simulate, prose: &mut Prose) -> Result<Status> {
    if !(0.0..=1.0).contains(&task.severity) {
        return Err(Hinted::error(format!("severity {} is out of range", task.severity), "it goes from 0 to 1"));
    }
    let faults: Vec<Fault> = match task.fault.as_deref().map(practice::fault).transpose()?.flatten() {
        Some(kind) => {
            let mut fault = Fault::new(kind);
            if let Some(at) = task.at {
                fault.at = SessionTime::from_duration(at);
            }
            fault.place = task.place;
            fault.severity = task.severity;
            vec![fault]
        }
        None => Vec::new(),
    };
    let protocol = match &task.protocol {
        Some(path) => read_protocol(path, prose)?.0,
        None => {
            Protocol::parse(practice::PROTOCOL).0.ok_or_else(|| anyhow::anyhow!("the practice protocol is broken"))?
        }
    };
    let running = practice::play(protocol, &faults, task.seed, task.length.map(SessionTime::from_duration))?;
    Results::new().line(&running.path().display().to_string());
    prose.say("practice: no real pack. It begins to send when the line is opened; end it with an interrupt.");
    let sent = running.wait();
    prose.say(&format!("{} bytes sent, {} lost because nobody read them", sent.bytes, sent.lost));
    match sent.end {
        End::Failed(error) => Err(anyhow::Error::new(error).context("the line failed")),
        _ => Ok(Status::Go),
    }
}
