//! Snapshots of the shipped recordings, taken as the screen takes them, and screens to show them on.
#![allow(dead_code, reason = "each test uses a part of it")]

use std::sync::Arc;
use std::time::Duration;

use desktop::wording::Look;
use desktop::{Screen, colours};
use egui_kittest::Harness;
use model::{Command, SessionTime};
use session::snapshot::{Facts, Phase};
use session::worker::{Job, Opened, Replay};
use session::{Snapshot, Worker};

/// What is looked at, and what the person did.
pub(crate) struct Shown {
    pub(crate) snapshot: Arc<Snapshot>,
    pub(crate) since: Duration,
    pub(crate) finished: bool,
    pub(crate) screen: Screen,
    pub(crate) out: Vec<Command>,
}

impl Shown {
    pub(crate) fn new(snapshot: Snapshot, since: Duration) -> Self {
        let snapshot = Arc::new(snapshot);
        Self { snapshot, since, finished: false, screen: Screen::default(), out: Vec::new() }
    }

    pub(crate) fn ui(&mut self, ui: &mut egui::Ui) {
        let look = Look { snapshot: &self.snapshot, since: self.since, finished: self.finished };
        self.screen.ui(ui, look, &mut self.out);
    }
}

pub(crate) fn show_in(size: [f32; 2], snapshot: Snapshot, since: Duration) -> Harness<'static, Shown> {
    let mut harness = Harness::builder().with_size(size).build_ui_state(
        |ui, shown: &mut Shown| {
            colours::dress(ui.ctx());
            shown.ui(ui);
        },
        Shown::new(snapshot, since),
    );
    harness.run_steps(3);
    harness
}

/// The snapshot of a shipped recording at this moment, from a worker.
pub(crate) fn recorded(name: &str, until: Option<SessionTime>) -> Snapshot {
    let path = packwake_tests::root().join("recordings").join(name);
    let open = Box::new(move || {
        Ok(Opened { job: Job::Replay(Replay { path, as_it_was: false, until, ..Replay::default() }), keep: None })
    });
    let worker = Worker::start(None, open, Arc::new(|| {})).expect("a thread");
    while !worker.is_finished() {
        std::thread::sleep(Duration::from_millis(5));
    }
    let (snapshot, _) = worker.latest();
    assert_eq!(snapshot.phase, Phase::Ended);
    (*snapshot).clone()
}

/// The same as a session that runs: what the screen shows live.
pub(crate) fn running(name: &str, until_ms: u64) -> Snapshot {
    let mut snapshot = recorded(name, Some(SessionTime::from_millis(until_ms)));
    snapshot.phase = Phase::Running;
    let facts = snapshot.facts.as_deref().expect("it began").clone();
    snapshot.facts = Some(Arc::new(Facts { replay: false, ..facts }));
    snapshot
}
