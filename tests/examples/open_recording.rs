//! Opens a recording as the window does and says how long it took to the first values, to all of them, and to what a plot
//! draws of the whole and of a second.
//!
//! `cargo run --release -p packwake-tests --example open_recording -- day.mcap`

#![allow(clippy::print_stdout, clippy::disallowed_methods, reason = "it measures")]

use std::error::Error;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use model::{Channel, SessionTime};
use session::review::{Loaded, Review};

/// As many as a plot of this screen has.
const COLUMNS: u32 = 700;

fn main() -> Result<(), Box<dyn Error>> {
    let path = std::env::args_os().nth(1).map(PathBuf::from).ok_or("give the recording")?;
    let began = now();
    let mut review = Review::open(path, None, Arc::new(|| {}))?;
    let first = wait(&review, |loaded| loaded.tracks.is_some());
    println!("first values after {:.3} s, up to {} s", began.elapsed().as_secs_f64(), first.end);
    let loaded = wait(&review, |loaded| loaded.done);
    println!("all of {} s after {:.3} s", loaded.end, began.elapsed().as_secs_f64());
    if let Some(failure) = &loaded.failure {
        return Err(failure.text.clone().into());
    }
    let Some(tracks) = &loaded.tracks else { return Err("no values".into()) };
    let channels = tracks.channels();
    println!("{} rows, {} channels, each row kept: {}", tracks.rows(), channels.len(), tracks.is_exact());
    let whole = SessionTime::ZERO..tracks.last_at() + Duration::from_nanos(1);
    let middle = SessionTime::from_nanos(tracks.last_at().nanos / 2);
    draw("the whole", &loaded, &channels, whole.clone());
    for seconds in [36_000, 3_600, 60, 1] {
        let range = middle..middle + Duration::from_secs(seconds);
        draw(&format!("{seconds} s"), &loaded, &channels, range);
    }
    let began = now();
    review.ask(middle..middle + Duration::from_secs(1));
    if !tracks.is_exact() {
        let loaded = wait(&review, |loaded| loaded.part.is_some());
        println!("each row of a second, read again: {:.1} ms", began.elapsed().as_secs_f64() * 1e3);
        draw("1 s", &loaded, &channels, middle..middle + Duration::from_secs(1));
    }
    if let Ok(status) = std::fs::read_to_string("/proc/self/status") {
        let peak = status.lines().find(|line| line.starts_with("VmHWM"));
        println!("peak memory {}", peak.unwrap_or("not known"));
    }
    Ok(())
}

fn wait(review: &Review, until: impl Fn(&Loaded) -> bool) -> Arc<Loaded> {
    loop {
        let loaded = review.latest();
        if until(&loaded) || loaded.done && loaded.failure.is_some() {
            return loaded;
        }
        std::thread::sleep(Duration::from_millis(1));
    }
}

fn draw(what: &str, loaded: &Loaded, channels: &[Channel], range: std::ops::Range<SessionTime>) {
    let Some(tracks) = loaded.tracks_for(&range) else { return };
    // The best of nine: what else runs on the machine is not what is asked.
    let times = (0..9).map(|_| {
        let began = now();
        let bars: usize = tracks.bars(channels, range.clone(), COLUMNS).iter().map(Vec::len).sum();
        (began.elapsed(), bars)
    });
    let (best, bars) = times.min().unwrap_or_default();
    println!("{what}: {bars} bars in {:.2} ms", best.as_secs_f64() * 1e3);
}

#[expect(clippy::disallowed_methods, reason = "it measures")]
fn now() -> Instant {
    Instant::now()
}
