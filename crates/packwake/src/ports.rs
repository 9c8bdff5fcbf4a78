//! `ports`: the serial ports of this machine.

use anyhow::Result;

use crate::Status;
use crate::output::{Prose, Results};

pub(crate) fn run(prose: &mut Prose) -> Result<Status> {
    let ports = transport::ports()?;
    let mut results = Results::new();
    for port in &ports {
        let mut line = format!("{}  {}", port.path.display(), port.description);
        if let Some(usb) = &port.usb {
            line.push_str(&format!("  usb {:04x}:{:04x}", usb.vid, usb.pid));
            if let Some(serial) = &usb.serial_number {
                line.push_str(&format!("  serial number {serial}"));
            }
        }
        if let Some(holder) = &port.held_by {
            line.push_str(&format!("  held by {} ({})", holder.program, holder.pid));
        }
        if let Some(latency) = port.latency_timer_ms {
            line.push_str(&format!("  latency timer {latency} ms"));
        }
        results.line(&line);
    }
    if ports.is_empty() {
        prose.say("no serial port is listed; a path can still be typed with --port");
    }
    Ok(Status::Go)
}
