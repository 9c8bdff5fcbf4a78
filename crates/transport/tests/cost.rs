//! What a quiet telemetry line costs: latency and processor time, alone in its process so that the figures are its own.
#![cfg(target_os = "linux")]

use std::io::Write;
use std::path::PathBuf;
use std::time::Duration;

use model::{InputKind, LineSettings, SessionTime};
use serialport::{SerialPort, TTYPort};
use tokio_util::sync::CancellationToken;
use transport::{SerialSource, SessionClock, Source};

/// Processor time of the threads that transport made, nanoseconds (the first number of `schedstat`; proc(5) and the
/// kernel's Documentation/scheduler/sched-stats.rst).
fn spent_nanos() -> u64 {
    let mut sum = 0;
    for task in std::fs::read_dir("/proc/self/task").into_iter().flatten().filter_map(Result::ok) {
        let name = std::fs::read_to_string(task.path().join("comm")).unwrap_or_default();
        if ["serial port", "transport"].contains(&name.trim()) {
            let text = std::fs::read_to_string(task.path().join("schedstat")).unwrap_or_default();
            sum += text.split(' ').next().and_then(|nanos| nanos.parse::<u64>().ok()).unwrap_or(0);
        }
    }
    sum
}

#[test]
fn twenty_frames_a_second_arrive_soon_and_cost_little() {
    const FRAMES: usize = 60;
    const FRAME: [u8; 86] = [0x5A; 86];

    let (mut far, near) = TTYPort::pair().unwrap();
    let source = Source::Serial(SerialSource {
        path: PathBuf::from(near.name().unwrap()),
        settings: LineSettings::new(115_200),
    });
    let clock = SessionClock::start();
    let (to, mut from) = tokio::sync::mpsc::channel(64);
    let running = transport::start(source, clock, to, CancellationToken::new()).unwrap();
    assert!(matches!(from.blocking_recv().unwrap().kind, InputKind::Opened { .. }));

    let receiving = std::thread::Builder::new()
        .name("receiver".to_owned())
        .spawn(move || {
            // Stamp and arrival of each frame's last byte.
            let mut arrived: Vec<(SessionTime, SessionTime)> = Vec::new();
            let mut bytes = 0;
            while arrived.len() < FRAMES {
                let Some(input) = from.blocking_recv() else { break };
                let now = clock.now();
                let InputKind::Bytes(read) = input.kind else { panic!("{input:?}") };
                bytes += read.len();
                while arrived.len() < bytes / FRAME.len() {
                    arrived.push((input.at, now));
                }
            }
            arrived
        })
        .unwrap();

    let (began, before) = (clock.now(), spent_nanos());
    let mut sent = Vec::new();
    for _ in 0..FRAMES {
        std::thread::sleep(Duration::from_millis(50));
        sent.push(clock.now());
        far.write_all(&FRAME).unwrap();
    }
    let arrived = receiving.join().unwrap();
    let (length, spent) = (clock.now().since(began), spent_nanos() - before);
    running.stop().unwrap();

    assert_eq!(arrived.len(), FRAMES);
    let mut to_queue: Vec<Duration> = sent.iter().zip(&arrived).map(|(sent, (_, now))| now.since(*sent)).collect();
    let mut to_stamp: Vec<Duration> = sent.iter().zip(&arrived).map(|(sent, (at, _))| at.since(*sent)).collect();
    to_queue.sort();
    to_stamp.sort();
    let (p50, p95) = (to_queue[FRAMES / 2], to_queue[FRAMES * 95 / 100]);
    let percent = spent as f64 / length.as_nanos() as f64 * 100.0;
    println!("write to stamp p50 {:?}; write to receiver p50 {p50:?}, p95 {p95:?}", to_stamp[FRAMES / 2]);
    println!("{percent:.3} % of a core at 20 frames a second");
    assert!(0 < spent, "the processor time is not read");
    assert!(p50 < Duration::from_millis(5), "{p50:?}");
    assert!(percent < 1.0, "{percent} %");
}
