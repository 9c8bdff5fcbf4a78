//! The loop that owns a serial port.

use std::io::ErrorKind;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::Ordering;

use model::{Input, InputKind};

use crate::backoff::Backoff;
use crate::delivery::{BlockingOutlet, Flow};
use crate::running::{Shared, Waiting};
use crate::sending::{OpenWay, WayOut};
use crate::serial::line_errors::LineErrorCounts;

/// An open line: what the loop needs of it.
pub(crate) trait Line: Send {
    /// Reads what there is; waits a few tens of milliseconds for the first byte, then gives `TimedOut`.
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize>;

    /// The counters of errors on the line; `None` if they can't be read.
    fn error_counts(&mut self) -> Option<LineErrorCounts>;

    /// A second handle to send by, beside the reading; `None` if the system gives none.
    fn way_out(&self) -> Option<Box<dyn WayOut>>;
}

/// A line and what to call it.
pub(crate) struct Found {
    pub(crate) line: Box<dyn Line>,
    pub(crate) source: String,
}

/// Finds a lost line again.
pub(crate) trait Finder: Send {
    /// The line was lost just now.
    fn lost(&mut self);

    /// Looks for it. `chosen` is what the person answered to [`Waiting::Which`].
    fn look(&mut self, chosen: Option<&Path>) -> Result<Found, Waiting>;
}

/// Longer than what the system gives in one read (4095 bytes on Linux).
const BUFFER_BYTES: usize = 4096;

/// Reads until told to stop; finds the line again when it is gone.
pub(crate) fn run(first: Found, mut finder: impl Finder, outlet: &BlockingOutlet, shared: &Arc<Shared>) {
    let mut backoff = Backoff::new();
    let mut found = first;
    loop {
        let Found { mut line, source } = found;
        // Before Opened is told: whoever hears of it may send at once.
        let way = OpenWay::open(shared, line.way_out());
        if outlet.deliver_now(InputKind::Opened { source }) == Flow::Over {
            return;
        }
        let Some(why) = read_until_gone(&mut *line, outlet, shared, &mut backoff) else { return };
        // Both closed before it is looked for: the lock would keep ourselves out.
        drop(way);
        drop(line);
        if outlet.deliver_now(InputKind::Lost { why: why.clone() }) == Flow::Over {
            return;
        }
        shared.set_waiting(Some(Waiting::NotThere { why }));
        finder.lost();
        found = loop {
            if outlet.wait(backoff.pause()) == Flow::Over {
                return;
            }
            shared.turns.fetch_add(1, Ordering::Relaxed);
            match finder.look(shared.chosen().as_deref()) {
                Ok(found) => break found,
                Err(waiting) => shared.set_waiting(Some(waiting)),
            }
        };
        shared.set_waiting(None);
    }
}

/// Why the line is gone; `None` if it is time to stop.
fn read_until_gone(
    line: &mut dyn Line,
    outlet: &BlockingOutlet,
    shared: &Shared,
    backoff: &mut Backoff,
) -> Option<String> {
    let mut buffer = [0; BUFFER_BYTES];
    let mut counts = line.error_counts();
    while !outlet.stop().is_cancelled() {
        shared.turns.fetch_add(1, Ordering::Relaxed);
        match line.read(&mut buffer) {
            Ok(0) => return Some("unplugged, or closed at the other end".to_owned()),
            Ok(read) => {
                let at = outlet.clock().now();
                let bytes = buffer.get(..read).unwrap_or(&buffer).to_vec();
                if outlet.deliver(Input::new(at, InputKind::Bytes(bytes))) == Flow::Over {
                    return None;
                }
                backoff.reset();
            }
            Err(error) => match error.kind() {
                // Only quiet. After the first send a read may also find nothing where there seemed to be something.
                ErrorKind::TimedOut | ErrorKind::WouldBlock => {}
                ErrorKind::Interrupted => continue,
                ErrorKind::BrokenPipe => return Some("unplugged, or closed at the other end".to_owned()),
                _ => return Some(error.to_string()),
            },
        }
        let now = line.error_counts();
        if let (Some(now), Some(before)) = (now, counts) {
            for (kind, count) in now.since(&before) {
                if outlet.deliver_now(InputKind::LineError { kind, count }) == Flow::Over {
                    return None;
                }
            }
        }
        counts = now.or(counts);
    }
    None
}

#[cfg(test)]
mod tests {
    use std::collections::VecDeque;
    use std::path::PathBuf;
    use std::sync::Mutex;

    use model::LineErrorKind;
    use tokio::sync::mpsc;
    use tokio_util::sync::CancellationToken;

    use super::*;
    use crate::clock::SessionClock;
    use crate::delivery::Outlet;
    use crate::ports::PortInfo;

    /// What a made-up line does at each read; at the end it stops the session.
    enum Step {
        Gives(&'static [u8]),
        Fails(ErrorKind),
        Ends,
        Counts(LineErrorCounts),
    }

    struct Script {
        steps: VecDeque<Step>,
        counts: Option<LineErrorCounts>,
        stop: CancellationToken,
    }

    impl Line for Script {
        fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
            match self.steps.pop_front() {
                Some(Step::Gives(bytes)) => {
                    buffer[..bytes.len()].copy_from_slice(bytes);
                    Ok(bytes.len())
                }
                Some(Step::Fails(kind)) => Err(kind.into()),
                Some(Step::Ends) => Ok(0),
                Some(Step::Counts(counts)) => {
                    self.counts = Some(counts);
                    Err(ErrorKind::TimedOut.into())
                }
                None => {
                    self.stop.cancel();
                    Err(ErrorKind::TimedOut.into())
                }
            }
        }

        fn error_counts(&mut self) -> Option<LineErrorCounts> {
            self.counts
        }

        fn way_out(&self) -> Option<Box<dyn WayOut>> {
            None
        }
    }

    type Answer = Result<Vec<Step>, Waiting>;

    struct Scripted {
        answers: VecDeque<Answer>,
        stop: CancellationToken,
        chosen: Arc<Mutex<Vec<Option<PathBuf>>>>,
        shared: Arc<Shared>,
    }

    impl Finder for Scripted {
        fn lost(&mut self) {}

        fn look(&mut self, chosen: Option<&Path>) -> Result<Found, Waiting> {
            self.chosen.lock().unwrap().push(chosen.map(Path::to_path_buf));
            let steps = self.answers.pop_front().unwrap_or_else(|| Ok(vec![]))?;
            // Whoever looks at the port now sees the question; answer it here.
            self.shared.set_chosen(None);
            Ok(found(steps, &self.stop, "again"))
        }
    }

    fn found(steps: Vec<Step>, stop: &CancellationToken, source: &str) -> Found {
        let line = Script { steps: steps.into(), counts: Some(LineErrorCounts::default()), stop: stop.clone() };
        Found { line: Box::new(line), source: source.to_owned() }
    }

    /// Runs the loop over scripts; gives what was sent and how often the loop went round.
    fn told(first: Vec<Step>, answers: Vec<Answer>) -> (Vec<String>, u64) {
        let (to, mut from) = mpsc::channel(100);
        let stop = CancellationToken::new();
        let shared = Arc::new(Shared::default());
        let outlet = Outlet { clock: SessionClock::start(), to, stop: stop.clone() };
        let outlet = BlockingOutlet::new(outlet).unwrap();
        let finder = Scripted {
            answers: answers.into(),
            stop: stop.clone(),
            chosen: Arc::default(),
            shared: Arc::clone(&shared),
        };
        run(found(first, &stop, "first"), finder, &outlet, &shared);
        drop(outlet);
        let mut lines = Vec::new();
        while let Some(input) = from.blocking_recv() {
            lines.push(match input.kind {
                InputKind::Bytes(bytes) => format!("bytes {}", String::from_utf8(bytes).unwrap()),
                InputKind::Opened { source } => format!("opened {source}"),
                InputKind::Lost { why } => format!("lost {why}"),
                InputKind::LineError { kind: LineErrorKind::Framing, count } => format!("framing {count}"),
                kind => format!("{kind:?}"),
            });
        }
        (lines, shared.turns.load(Ordering::Relaxed))
    }

    #[test]
    fn quiet_and_interruptions_are_not_lost() {
        let quiet = [ErrorKind::TimedOut, ErrorKind::Interrupted, ErrorKind::WouldBlock];
        let mut steps: Vec<Step> = quiet.into_iter().map(Step::Fails).collect();
        steps.push(Step::Gives(b"ab"));
        let (lines, _) = told(steps, vec![]);
        assert_eq!(lines, ["opened first", "bytes ab"]);
    }

    #[test]
    fn an_end_and_any_other_error_are_lost_and_it_is_looked_for_again() {
        let first = vec![Step::Gives(b"ab"), Step::Ends];
        let answers: Vec<Answer> = vec![
            Err(Waiting::NotThere { why: "gone".to_owned() }),
            Ok(vec![Step::Gives(b"cd"), Step::Fails(ErrorKind::BrokenPipe)]),
            Ok(vec![Step::Gives(b"ef"), Step::Fails(ErrorKind::PermissionDenied)]),
        ];
        let (lines, _) = told(first, answers);
        assert_eq!(
            lines,
            [
                "opened first",
                "bytes ab",
                "lost unplugged, or closed at the other end",
                "opened again",
                "bytes cd",
                "lost unplugged, or closed at the other end",
                "opened again",
                "bytes ef",
                "lost permission denied",
                "opened again",
            ]
        );
    }

    #[test]
    fn line_errors_are_told_as_they_come() {
        let counts = |framing| Step::Counts(LineErrorCounts { framing, ..Default::default() });
        let (lines, turns) = told(vec![counts(2), counts(2), Step::Gives(b"x"), counts(5)], vec![]);
        assert_eq!(lines, ["opened first", "framing 2", "bytes x", "framing 3"]);
        assert_eq!(turns, 5);
    }

    #[test]
    fn two_that_match_are_a_question_and_the_answer_is_used() {
        let (to, mut from) = mpsc::channel(100);
        let stop = CancellationToken::new();
        let shared = Arc::new(Shared::default());
        let outlet = BlockingOutlet::new(Outlet { clock: SessionClock::start(), to, stop: stop.clone() }).unwrap();
        let candidate = |path: &str| PortInfo {
            path: PathBuf::from(path),
            description: String::new(),
            usb: None,
            held_by: None,
            latency_timer_ms: None,
        };
        let question = || Err(Waiting::Which { candidates: vec![candidate("/dev/a"), candidate("/dev/b")] });
        let chosen = Arc::new(Mutex::new(Vec::new()));
        let finder = Scripted {
            answers: vec![question(), Ok(vec![])].into(),
            stop: stop.clone(),
            chosen: Arc::clone(&chosen),
            shared: Arc::clone(&shared),
        };
        let first = found(vec![Step::Ends], &stop, "first");
        let asked = Arc::clone(&shared);
        let person = std::thread::Builder::new()
            .name("person".to_owned())
            .spawn(move || {
                for _ in 0..200 {
                    if let Some(Waiting::Which { candidates }) = asked.waiting() {
                        asked.set_chosen(Some(candidates[1].path.clone()));
                        return true;
                    }
                    std::thread::sleep(std::time::Duration::from_millis(5));
                }
                false
            })
            .unwrap();
        run(first, finder, &outlet, &shared);
        assert!(person.join().unwrap(), "no question was seen");
        drop(outlet);
        assert_eq!(*chosen.lock().unwrap(), [None, Some(PathBuf::from("/dev/b"))]);
        assert_eq!(shared.waiting(), None);
        let kinds: Vec<InputKind> = std::iter::from_fn(|| from.blocking_recv()).map(|input| input.kind).collect();
        assert!(
            matches!(kinds.as_slice(), [InputKind::Opened { .. }, InputKind::Lost { .. }, InputKind::Opened { .. }]),
            "{kinds:?}"
        );
    }
}
