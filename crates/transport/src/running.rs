//! Starts a source and holds it while it runs.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use model::{Input, InputKind, LineSettings};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use crate::clock::{ClockReading, SessionClock, clock_step};
use crate::delivery::{BlockingOutlet, Flow, LastWords, Outlet};
use crate::network::{self, Tcp, Udp};
use crate::open_error::{OpenError, OpenErrorKind};
use crate::ports::PortInfo;
use crate::sending::{SendError, Sending};
use crate::{serial, standard_input};

/// Where bytes come from.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Source {
    /// A serial port or a pseudo-terminal.
    Serial(SerialSource),
    /// A TCP connection that this program makes.
    Tcp {
        /// Host and port, `192.0.2.7:5000`.
        address: String,
    },
    /// A UDP port that this program listens on. Whoever sends there is heard.
    Udp {
        /// Own address and port, `0.0.0.0:14550`; port 0 lets the system choose.
        bind: String,
    },
    /// Standard input, to its end.
    StandardInput,
}

impl Source {
    /// Whether nothing can be sent there, whatever is allowed: a UDP port and standard input.
    pub fn only_listens(&self) -> bool {
        match self {
            Self::Serial(_) | Self::Tcp { .. } => false,
            Self::Udp { .. } | Self::StandardInput => true,
        }
    }
}

/// A serial port and how its line is set.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SerialSource {
    /// The device; links are followed.
    pub path: PathBuf,
    /// How to set it. The settings are applied at the opening and never changed.
    pub settings: LineSettings,
}

/// Why a lost source is not open again.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Waiting {
    /// It is not there, or can't be opened.
    NotThere {
        /// What the last try gave.
        why: String,
    },
    /// Several devices can be the lost one: the person unplugs the wrong ones or answers with [`Running::choose`].
    Which {
        /// Those that can be it.
        candidates: Vec<PortInfo>,
    },
}

impl std::fmt::Display for Waiting {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NotThere { why } => write!(f, "waiting for it to come back: {why}"),
            Self::Which { candidates } => {
                write!(f, "several devices can be the lost one; choose it, or unplug the others:")?;
                for (number, port) in candidates.iter().enumerate() {
                    let separator = if number == 0 { " " } else { ", " };
                    write!(f, "{separator}{:?}", port.path)?;
                    if let Some(usb) = &port.usb {
                        write!(f, " ({usb})")?;
                    }
                }
                Ok(())
            }
        }
    }
}

/// Opens a source and starts reading it.
///
/// The opening is done before this returns, so that a refusal is told at once; a connection may take 3 s for each
/// address of the host. The first input is Opened. Reading goes on, over losses, until `stop` is cancelled, the
/// receiver is dropped (noticed within a second), or standard input ends. Each second the wall clock is compared with the session clock.
///
/// # Errors
/// If the source can't be opened: what, why and a hint what to do.
pub fn start(
    source: Source,
    clock: SessionClock,
    to: mpsc::Sender<Input>,
    stop: CancellationToken,
) -> Result<Running, OpenError> {
    let outlet = Outlet { clock, to, stop: stop.child_token() };
    let sending = if source.only_listens() { Sending::only_listens() } else { Sending::default() };
    let mut running = Running {
        threads: Vec::new(),
        stop: outlet.stop.clone(),
        shared: Arc::new(Shared { sending, ..Shared::default() }),
        source: String::new(),
        local_address: None,
        remarks: Vec::new(),
    };
    match source {
        Source::Serial(SerialSource { path, settings }) => {
            let serial::Opened { found, finder, remarks } = serial::open(&path, &settings)?;
            running.source = found.source.clone();
            running.remarks = remarks;
            running.spawn_blocking("serial port", outlet.clone(), move |outlet, shared| {
                serial::run(found, finder, outlet, shared);
            })?;
            running.spawn_network(Work::OnlyClock, outlet)?;
        }
        Source::StandardInput => {
            running.source = standard_input::SOURCE.to_owned();
            running.spawn_blocking("standard input", outlet.clone(), |outlet, shared| {
                standard_input::run(standard_input::standard_input(), outlet, shared);
            })?;
            running.spawn_network(Work::OnlyClock, outlet)?;
        }
        Source::Tcp { address } => {
            let tcp = network::connect(&address)?;
            running.source = tcp.source.clone();
            running.spawn_network(Work::Tcp(tcp), outlet)?;
        }
        Source::Udp { bind } => {
            let udp = network::bind(&bind)?;
            running.source = udp.source.clone();
            running.local_address = Some(udp.local);
            running.spawn_network(Work::Udp(udp), outlet)?;
        }
    }
    Ok(running)
}

/// A source that is being read.
///
/// Dropping it tells the reading to stop and does not wait for that.
#[derive(Debug)]
pub struct Running {
    threads: Vec<JoinHandle<()>>,
    stop: CancellationToken,
    shared: Arc<Shared>,
    source: String,
    local_address: Option<SocketAddr>,
    remarks: Vec<String>,
}

/// A reading thread died by a fault of this program; Lost was sent if there was room.
#[derive(Debug, thiserror::Error)]
#[error("a reading thread failed")]
pub struct Panicked;

impl Running {
    /// What was opened, as a person would name it.
    pub fn source(&self) -> &str {
        &self.source
    }

    /// The address that a UDP source listens on.
    pub fn local_address(&self) -> Option<SocketAddr> {
        self.local_address
    }

    /// What the person should know about this source: settings it did not take, another program that reads it too,
    /// stamps that jitter. Empty if nothing.
    pub fn remarks(&self) -> &[String] {
        &self.remarks
    }

    /// Why it is not open again after a loss; `None` while it is open.
    pub fn waiting(&self) -> Option<Waiting> {
        self.shared.waiting()
    }

    /// Answers [`Waiting::Which`]. A path that is none of the candidates is ignored.
    pub fn choose(&self, path: &Path) {
        self.shared.set_chosen(Some(path.to_path_buf()));
    }

    /// Sends bytes to the source as it is open now: the only thing that is ever written to it.
    ///
    /// It goes out at once, beside the reading, and holds the caller up for 20 ms at most, which happens only where the
    /// line takes no bytes (on Windows a read that goes on can add its 40 ms). Nothing is kept to be sent later. The
    /// first moment at which it can succeed is when Opened comes out of the queue. No input is made of it: the caller
    /// knows best when it asked, and in which order its inputs lie.
    ///
    /// # Errors
    /// The source only listens, is not open now, takes no bytes, or fails; [`SendError::sent`] tells how many bytes went
    /// out nevertheless.
    pub fn send(&self, bytes: &[u8]) -> Result<(), SendError> {
        self.shared.sending.send(bytes)
    }

    /// How often the reading has gone round: idle, about 25 times a second; more would be a fault.
    pub fn turns(&self) -> u64 {
        self.shared.turns.load(Ordering::Relaxed)
    }

    /// Whether the reading is over.
    pub fn is_finished(&self) -> bool {
        self.threads.iter().all(JoinHandle::is_finished)
    }

    /// Tells the reading to stop and waits for it: less than 100 ms.
    ///
    /// Bytes that were read already are still sent if there is room in the queue within that time.
    ///
    /// # Errors
    /// If a thread died.
    pub fn stop(self) -> Result<(), Panicked> {
        self.stop.cancel();
        self.join()
    }

    /// Waits until the reading is over, without telling it to stop.
    ///
    /// # Errors
    /// If a thread died.
    pub fn join(mut self) -> Result<(), Panicked> {
        let mut outcome = Ok(());
        for thread in std::mem::take(&mut self.threads) {
            if thread.join().is_err() {
                outcome = Err(Panicked);
            }
        }
        outcome
    }

    fn spawn_blocking(
        &mut self,
        name: &str,
        outlet: Outlet,
        work: impl FnOnce(&BlockingOutlet, &Arc<Shared>) + Send + 'static,
    ) -> Result<(), OpenError> {
        let shared = Arc::clone(&self.shared);
        self.spawn(name, outlet, move |outlet| {
            let outlet = BlockingOutlet::new(outlet)?;
            work(&outlet, &shared);
            Ok(())
        })
    }

    fn spawn_network(&mut self, work: Work, outlet: Outlet) -> Result<(), OpenError> {
        let shared = Arc::clone(&self.shared);
        self.spawn("transport", outlet, move |outlet| {
            // Built here and not in `start`: a runtime must not be dropped inside another one.
            let runtime = tokio::runtime::Builder::new_current_thread().enable_io().enable_time().build()?;
            runtime.block_on(async {
                let clock = outlet.clock;
                let watching = watch_clock(outlet.clone(), CLOCK_PERIOD, move || clock.reading());
                match work {
                    Work::OnlyClock => watching.await,
                    Work::Tcp(tcp) => {
                        drop(tokio::spawn(watching));
                        network::run_tcp(tcp, &outlet, &shared).await;
                    }
                    Work::Udp(udp) => {
                        drop(tokio::spawn(watching));
                        network::run_udp(udp, &outlet, &shared).await;
                    }
                }
            });
            Ok(())
        })
    }

    fn spawn(
        &mut self,
        name: &str,
        outlet: Outlet,
        work: impl FnOnce(Outlet) -> std::io::Result<()> + Send + 'static,
    ) -> Result<(), OpenError> {
        let body = move || {
            let last_words = LastWords(outlet);
            if let Err(error) = work(last_words.0.clone()) {
                let lost = InputKind::Lost { why: error.to_string() };
                // If nobody listens any more there is nobody to tell.
                drop(last_words.0.to.blocking_send(Input::new(last_words.0.clock.now(), lost)));
            }
        };
        match std::thread::Builder::new().name(name.to_owned()).spawn(body) {
            Ok(thread) => {
                self.threads.push(thread);
                Ok(())
            }
            Err(error) => Err(OpenError::new(OpenErrorKind::Failed, self.source.as_str(), error.to_string())
                .hinting("the system gives no more threads: close other programs")
                .caused_by(error)),
        }
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        // After `join` the threads are over; cancelling again changes nothing.
        self.stop.cancel();
    }
}

enum Work {
    OnlyClock,
    Tcp(Tcp),
    Udp(Udp),
}

/// What the reading thread and its owner both see.
#[derive(Debug, Default)]
pub(crate) struct Shared {
    pub(crate) turns: AtomicU64,
    pub(crate) sending: Sending,
    state: Mutex<State>,
}

#[derive(Debug, Default)]
struct State {
    waiting: Option<Waiting>,
    chosen: Option<PathBuf>,
}

impl Shared {
    pub(crate) fn waiting(&self) -> Option<Waiting> {
        self.lock().waiting.clone()
    }

    pub(crate) fn set_waiting(&self, waiting: Option<Waiting>) {
        let mut state = self.lock();
        if waiting.is_none() {
            // The answer was for this loss, not for the next one.
            state.chosen = None;
        }
        state.waiting = waiting;
    }

    pub(crate) fn chosen(&self) -> Option<PathBuf> {
        self.lock().chosen.clone()
    }

    pub(crate) fn set_chosen(&self, chosen: Option<PathBuf>) {
        self.lock().chosen = chosen;
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, State> {
        // Both fields are whole at every moment.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// How often the wall clock is compared with the session clock.
const CLOCK_PERIOD: Duration = Duration::from_secs(1);

async fn watch_clock(outlet: Outlet, period: Duration, mut read: impl FnMut() -> ClockReading) {
    let mut previous = read();
    while outlet.wait(period).await == Flow::On {
        if outlet.to.is_closed() {
            // On a quiet line nothing else would notice that nobody listens any more.
            outlet.stop.cancel();
            return;
        }
        let now = read();
        if let Some(by_nanos) = clock_step(previous, now)
            && outlet.deliver(Input::new(now.session, InputKind::ClockStep { by_nanos })).await == Flow::Over
        {
            return;
        }
        previous = now;
    }
}

#[cfg(test)]
mod tests {
    use std::collections::VecDeque;

    use model::SessionTime;

    use super::*;

    #[test]
    fn a_jump_of_the_wall_clock_is_sent_once_with_its_moment() {
        let (to, mut from) = mpsc::channel(8);
        let outlet = Outlet { clock: SessionClock::start(), to, stop: CancellationToken::new() };
        let stop = outlet.stop.clone();
        // Seconds of the session clock and of the wall clock: asleep for 60 s after the second look, set back by 2 s
        // after the fourth.
        let mut looks: VecDeque<(u64, i64)> = [(0, 100), (1, 101), (2, 162), (3, 163), (4, 162), (5, 163)].into();
        let read = move || {
            let (session, wall) = looks.pop_front().unwrap_or_default();
            if looks.is_empty() {
                stop.cancel();
            }
            ClockReading { session: SessionTime::from_millis(session * 1_000), wall_nanos: wall * 1_000_000_000 }
        };
        let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
        runtime.block_on(watch_clock(outlet, Duration::from_millis(1), read));
        let sent: Vec<Input> = std::iter::from_fn(|| from.blocking_recv()).collect();
        let step = |at, by_nanos| Input::new(SessionTime::from_millis(at), InputKind::ClockStep { by_nanos });
        assert_eq!(sent, [step(2_000, 60_000_000_000), step(4_000, -2_000_000_000)]);
    }

    #[test]
    fn a_question_names_the_devices() {
        let port = |path: &str, location: &str| PortInfo {
            path: PathBuf::from(path),
            description: "bench adapter".to_owned(),
            usb: Some(crate::ports::UsbIdentity {
                vid: 0x10c4,
                pid: 0xea60,
                serial_number: Some("0001".to_owned()),
                location: Some(location.to_owned()),
                interface: Some(0),
            }),
            held_by: None,
            latency_timer_ms: None,
        };
        let question = Waiting::Which { candidates: vec![port("/dev/a", "1-2"), port("/dev/b", "1-3")] };
        assert_eq!(
            question.to_string(),
            "several devices can be the lost one; choose it, or unplug the others: \
             \"/dev/a\" (USB 10c4:ea60, serial number \"0001\", at 1-2), \
             \"/dev/b\" (USB 10c4:ea60, serial number \"0001\", at 1-3)"
        );
    }
}
