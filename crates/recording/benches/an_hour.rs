//! An hour of a usual line: 20 inputs of 86 bytes a second, a flush each second. Size, and time to write and to read.
//!
//! `cargo bench -p packwake-recording`; figures are against the line's own hour.
#![expect(clippy::disallowed_methods, clippy::print_stdout, reason = "a measurement reads the clock and prints")]

use std::error::Error;
use std::fs::{self, File};
use std::io::{self, Write};
use std::time::Instant;

use model::{Input, InputKind, SessionHeader, SessionTime, Times};
use recording::{Recording, Sink, Writer};

const SECONDS: u64 = 3600;
const A_SECOND: u64 = 20;

/// A file that is never synced, to tell packing from waiting for the disk.
struct Unsynced(File);

impl Write for Unsynced {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

impl Sink for Unsynced {
    fn sync_data(&mut self) -> io::Result<()> {
        Ok(())
    }

    fn sync_all(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Start bytes, 12 cells near 3.9 V, a counter and noise where a checksum would be.
fn frame(number: u64, noise: &mut u64) -> Vec<u8> {
    let mut frame = vec![0xAA, 0x55, 86];
    for cell in 0..12_u64 {
        *noise ^= *noise << 13;
        *noise ^= *noise >> 7;
        *noise ^= *noise << 17;
        let millivolts = 3900 + cell % 3 + *noise % 6;
        frame.extend_from_slice(&millivolts.to_le_bytes()[..2]);
    }
    frame.extend_from_slice(&number.to_le_bytes());
    frame.resize(84, 0);
    frame.extend_from_slice(&noise.to_le_bytes()[..2]);
    frame
}

fn write<S: Sink>(mut writer: Writer<S>) -> Result<(), Box<dyn Error>> {
    let mut noise = 1;
    for number in 0..SECONDS * A_SECOND {
        // A read never comes on the nanosecond.
        let at = SessionTime::from_nanos(number * 50_000_000 + noise % 2_000_000);
        writer.append(&Input { number, at, kind: InputKind::Bytes(frame(number, &mut noise)) })?;
        if (number + 1) % A_SECOND == 0 {
            writer.flush()?;
        }
    }
    Ok(writer.finish()?)
}

fn main() -> Result<(), Box<dyn Error>> {
    let header = SessionHeader {
        protocol_text: "# protocol\n".repeat(300),
        pack_text: "# pack\n".repeat(100),
        source: "serial port, 115200 8N1".into(),
        practice: false,
        times: Times::Measured,
        started_utc_nanos: None,
        tool_version: "0.1.0".into(),
        host: "bench".into(),
    };
    let folder = tempfile::tempdir()?;
    let path = folder.path().join("unsynced.mcap");
    let begun = Instant::now();
    write(Writer::on(Unsynced(File::create(&path)?), &header)?)?;
    println!("write, no sync:   {:>8.1} ms", begun.elapsed().as_secs_f64() * 1e3);

    let path = folder.path().join("hour.mcap");
    let begun = Instant::now();
    write(Writer::create(&path, &header)?)?;
    println!("write, 3600 syncs:{:>8.1} ms", begun.elapsed().as_secs_f64() * 1e3);

    let raw = SECONDS * A_SECOND * 86;
    let size = fs::metadata(&path)?.len();
    println!("file:             {size} bytes for {raw} as received");

    let begun = Instant::now();
    let recording = Recording::open(&path)?;
    let mut inputs = recording.inputs();
    println!("first input:      {:>8.3} ms", {
        inputs.next();
        begun.elapsed().as_secs_f64() * 1e3
    });
    let count = 1 + inputs.by_ref().count();
    println!("read all {count}:   {:>8.1} ms", begun.elapsed().as_secs_f64() * 1e3);
    if !inputs.damage().is_empty() || count as u64 != SECONDS * A_SECOND {
        return Err("the recording did not come back".into());
    }

    let mut bytes = fs::read(&path)?;
    bytes.iter_mut().skip(6000).step_by(20_000).for_each(|byte| *byte ^= 4);
    let begun = Instant::now();
    let mut inputs = Recording::from_bytes(&path, bytes)?.inputs();
    let count = inputs.by_ref().count();
    println!(
        "read all {count} around {} damaged places: {:.1} ms",
        inputs.damage().len(),
        begun.elapsed().as_secs_f64() * 1e3
    );
    Ok(())
}
