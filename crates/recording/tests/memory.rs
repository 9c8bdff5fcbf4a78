//! Reading takes memory by the chunk, not by the file. Alone in its process, since it looks at the peak.
#![cfg(target_os = "linux")]

mod common;

use common::{Noise, header};
use model::{Input, InputKind, SessionTime};
use recording::{Recording, Writer};

fn peak_kib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").expect("the system's own account");
    let line = status.lines().find(|line| line.starts_with("VmHWM:")).expect("a peak");
    line.split_whitespace().nth(1).and_then(|kib| kib.parse().ok()).expect("a number")
}

#[test]
fn a_large_file_is_read_and_written_in_little_memory() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("large.mcap");
    let mut noise = Noise(3);
    let mut writer = Writer::create(&path, &header()).unwrap();
    let before = peak_kib();
    for number in 0..2000 {
        let kind = InputKind::Bytes(noise.bytes(40_000));
        writer.append(&Input { number, at: SessionTime::from_millis(number), kind }).unwrap();
    }
    writer.finish().unwrap();
    let recording = Recording::open(&path).unwrap();
    assert!(75_000_000 < recording.len_bytes());
    assert_eq!(recording.inputs().count(), 2000);
    assert_eq!(recording.inputs_ahead().count(), 2000);

    // A damaged byte in each chunk: the search takes no more.
    let mut bytes = std::fs::read(&path).unwrap();
    let after = peak_kib() - 75_000_000 / 1024;
    bytes.iter_mut().skip(5000).step_by(200_000).for_each(|byte| *byte ^= 0x10);
    std::fs::write(&path, bytes).unwrap();
    let mut inputs = Recording::open(&path).unwrap().inputs();
    assert_eq!(inputs.by_ref().count(), 0);
    assert_eq!(inputs.damage().len(), 1);

    assert!(after < before + 16 * 1024, "{before} KiB before, {after} KiB after");
}
