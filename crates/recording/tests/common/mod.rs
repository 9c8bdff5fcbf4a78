//! A session of the seed-dropping hexacopter's first power-up, and sinks in memory.
#![allow(dead_code, reason = "each test file uses its own part")]

use std::io::{self, Write};
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use model::{Command, HandReading, Input, InputKind, LineErrorKind, SessionHeader, SessionTime, Times};
use recording::{Damage, Inputs, Recording, Sink, WriteError, Writer};

pub(crate) fn header() -> SessionHeader {
    SessionHeader {
        protocol_text: "name = \"seed line\"\n# 12 cells, 20 frames a second, µ and ≥ survive\n".repeat(3),
        pack_text: "name = \"hexacopter main pack\"\ncells_in_series = 12\n".into(),
        source: "serial port, 115200 8N1".into(),
        practice: false,
        times: Times::Measured,
        started_utc_nanos: Some(1_795_600_000_000_000_000),
        tool_version: "0.1.0".into(),
        host: "field laptop".into(),
    }
}

/// Inputs of every kind, 20 a second, numbered from 0.
pub(crate) fn session(len: u64) -> Vec<Input> {
    let mut noise = Noise(1);
    (0..len)
        .map(|number| {
            let kind = match number {
                0 => InputKind::Opened { source: "serial port".into() },
                _ if number + 1 == len => InputKind::End,
                _ => match number % 16 {
                    1 => InputKind::LineError { kind: LineErrorKind::Framing, count: 3 },
                    2 => InputKind::Command(Command::Mark { text: "throttle up".into() }),
                    3 => InputKind::Datagram(noise.bytes(20)),
                    4 => InputKind::Sent(vec![0x55, 0xAA, 0x01]),
                    5 => InputKind::ClockStep { by_nanos: -1_500_000_000 },
                    6 => InputKind::Lost { why: "unplugged".into() },
                    7 => InputKind::Command(Command::Reading(HandReading::pack_voltage(50_100_000_000, "bench meter"))),
                    8 => InputKind::Command(Command::Shelve { alarm: 4, length: Duration::from_secs(600) }),
                    _ => InputKind::Bytes(noise.bytes(40)),
                },
            };
            Input { number, at: SessionTime::from_millis(number * 50), kind }
        })
        .collect()
}

/// Numbers without a pattern, the same each time (xorshift).
pub(crate) struct Noise(pub(crate) u64);

impl Noise {
    pub(crate) fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    pub(crate) fn bytes(&mut self, len: usize) -> Vec<u8> {
        std::iter::repeat_with(|| self.next().to_le_bytes()).flatten().take(len).collect()
    }
}

/// A disk in memory that can be looked at while it is written, and that can fail.
#[derive(Clone, Default)]
pub(crate) struct Disk(Arc<Mutex<State>>);

#[derive(Default)]
struct State {
    bytes: Vec<u8>,
    room: Option<usize>,
    syncs_left: Option<usize>,
    calls_after_failure: usize,
    failed: bool,
}

impl Disk {
    pub(crate) fn with_room(room: usize) -> Self {
        Self(Arc::new(Mutex::new(State { room: Some(room), ..State::default() })))
    }

    pub(crate) fn with_syncs(syncs: usize) -> Self {
        Self(Arc::new(Mutex::new(State { syncs_left: Some(syncs), ..State::default() })))
    }

    pub(crate) fn bytes(&self) -> Vec<u8> {
        self.0.lock().expect("no panic").bytes.clone()
    }

    pub(crate) fn calls_after_failure(&self) -> usize {
        self.0.lock().expect("no panic").calls_after_failure
    }
}

impl Write for Disk {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut state = self.0.lock().expect("no panic");
        if state.failed {
            state.calls_after_failure += 1;
        }
        let room = state.room.map_or(usize::MAX, |room| room - state.bytes.len());
        if room == 0 && !bytes.is_empty() {
            state.failed = true;
            return Err(io::ErrorKind::StorageFull.into());
        }
        let len = bytes.len().min(room);
        state.bytes.extend_from_slice(&bytes[..len]);
        Ok(len)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Sink for Disk {
    fn sync_data(&mut self) -> io::Result<()> {
        let mut state = self.0.lock().expect("no panic");
        if state.failed {
            state.calls_after_failure += 1;
        }
        match &mut state.syncs_left {
            Some(0) => {
                state.failed = true;
                Err(io::Error::other("the medium is gone"))
            }
            Some(left) => {
                *left -= 1;
                Ok(())
            }
            None => Ok(()),
        }
    }

    fn sync_all(&mut self) -> io::Result<()> {
        self.sync_data()
    }
}

/// A finished recording and, after each flush, how many bytes and inputs were safe.
pub(crate) struct Written {
    pub(crate) bytes: Vec<u8>,
    pub(crate) safe: Vec<(usize, usize)>,
}

/// Records with a flush after every `every` inputs.
pub(crate) fn write(inputs: &[Input], every: usize) -> Written {
    let disk = Disk::default();
    let mut writer = Writer::on(disk.clone(), &header()).expect("a recording");
    let mut safe = vec![(disk.bytes().len(), 0)];
    for part in inputs.chunks(every) {
        for input in part {
            writer.append(input).expect("room");
        }
        writer.flush().expect("room");
        let count = safe.last().map_or(0, |last| last.1) + part.len();
        safe.push((disk.bytes().len(), count));
    }
    writer.finish().expect("room");
    Written { bytes: disk.bytes(), safe }
}

#[derive(PartialEq, Debug)]
pub(crate) struct Got {
    pub(crate) inputs: Vec<Input>,
    /// With each input, and at the end: how far it was read, the chunk, and how many damaged places were known.
    places: Vec<(u64, u64, usize)>,
    pub(crate) damage: Vec<Damage>,
    pub(crate) complete: bool,
}

impl Got {
    pub(crate) fn lost(&self) -> Option<u64> {
        self.damage.iter().map(|damage| damage.inputs_lost).sum()
    }
}

/// All of it; unpacked ahead and into memory that is used again it is the same.
pub(crate) fn drain(recording: &Recording) -> Got {
    let got = drain_one(recording.inputs(), Inputs::next);
    let mut input = Input::new(SessionTime::from_millis(7), InputKind::Sent(vec![1, 2, 3]));
    let ahead = drain_one(recording.inputs_ahead(), |inputs| inputs.next_into(&mut input).then(|| input.clone()));
    assert_eq!(got, ahead);
    got
}

/// All of it in one way.
pub(crate) fn drain_one(mut inputs: Inputs, mut next: impl FnMut(&mut Inputs) -> Option<Input>) -> Got {
    let (mut list, mut places) = (Vec::new(), Vec::new());
    while let Some(input) = next(&mut inputs) {
        list.push(input);
        places.push((inputs.position_bytes(), inputs.chunk_at(), inputs.damage().len()));
    }
    assert!(next(&mut inputs).is_none());
    places.push((inputs.position_bytes(), inputs.chunk_at(), inputs.damage().len()));
    Got { inputs: list, places, damage: inputs.damage().to_vec(), complete: inputs.complete() }
}

pub(crate) fn read(bytes: &[u8]) -> Got {
    let recording = Recording::from_bytes(Path::new("in memory"), bytes.to_vec()).expect("a recording");
    assert_eq!(recording.header(), &header());
    drain(&recording)
}

/// Everything a session does, up to the first error.
pub(crate) fn record_to(disk: &Disk, inputs: &[Input], every: usize) -> (Option<Writer<Disk>>, Result<(), WriteError>) {
    let mut writer = match Writer::on(disk.clone(), &header()) {
        Ok(writer) => writer,
        Err(error) => return (None, Err(error)),
    };
    for part in inputs.chunks(every) {
        let result = part.iter().try_for_each(|input| writer.append(input)).and_then(|()| writer.flush());
        if result.is_err() {
            return (Some(writer), result);
        }
    }
    (None, writer.finish())
}
