//! A recording judged once more, by other limits beside its own: what they would have raised.
//!
//! It runs on a thread of its own and keeps nothing but alarms, verdict, and what was held against each limit. The newest
//! question is the one that is answered: it waits a moment for the next one, and breaks off what runs.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use model::{Input, InputKind, SessionHeader, SessionTime};
use rules::{Alarm, Finding, Held, Verdict};

use crate::engine::Engine;
use crate::snapshot::Failure;
use crate::worker::with_causes;

/// Who types goes on typing: so long nothing new must come before it begins.
const WAIT: Duration = Duration::from_millis(300);
/// Inputs from one look for a newer question to the next.
const LOOK_EVERY: u64 = 64;

/// What is asked.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Question {
    /// The recording. It may be the one that is being made: what is there is judged.
    pub recording: PathBuf,
    /// The text of the pack file to judge by.
    pub pack_text: String,
    /// How long it is, as far as that is known: for the share that is done.
    pub length: SessionTime,
}

/// What limits came to over a recording.
#[derive(Clone, PartialEq, Debug)]
pub struct Judged {
    /// The verdict at its end.
    pub verdict: Verdict,
    /// Every alarm, in the order in which they were first raised.
    pub alarms: Vec<Alarm>,
    /// What was held against each limit.
    pub held: Held,
}

/// What differs for one alarm: one check at one place.
#[derive(Clone, PartialEq, Debug)]
pub enum Change {
    /// Only the other limits raise it.
    New(Alarm),
    /// Only its own limits raise it.
    Gone(Alarm),
    /// Both raise it, but not at the same time, or not as badly.
    Changed {
        /// By its own limits.
        before: Alarm,
        /// By the other ones.
        after: Alarm,
    },
}

/// A recording by its own limits and by others.
#[derive(Clone, PartialEq, Debug)]
pub struct Comparison {
    /// By its own.
    pub before: Judged,
    /// By the other ones.
    pub after: Judged,
    /// The alarms that differ, by the time at which each was first raised.
    pub changes: Vec<Change>,
    /// Up to which time it was judged.
    pub until: SessionTime,
    /// Something is missing in the file, or it is still being made.
    pub incomplete: bool,
}

impl Comparison {
    /// Findings that hold at the end by only one of both: those that are new, and those that are gone.
    pub fn findings(&self) -> (Vec<&Finding>, Vec<&Finding>) {
        (only(&self.after, &self.before), only(&self.before, &self.after))
    }
}

/// The alarms that differ, by the time at which each was first raised.
fn changes(before: &[Alarm], after: &[Alarm]) -> Vec<Change> {
    let (before, after) = (keyed(before), keyed(after));
    let mut changes = Vec::new();
    for (key, alarm) in &after {
        match before.iter().find(|(other, _)| other == key) {
            None => changes.push(Change::New((*alarm).clone())),
            Some((_, old)) if old.worst != alarm.worst || old.first_at != alarm.first_at => {
                changes.push(Change::Changed { before: (*old).clone(), after: (*alarm).clone() });
            }
            Some(_) => {}
        }
    }
    let gone = before.iter().filter(|(key, _)| !after.iter().any(|(other, _)| other == key));
    changes.extend(gone.map(|(_, alarm)| Change::Gone((*alarm).clone())));
    changes.sort_by_key(|change| match change {
        Change::New(alarm) | Change::Gone(alarm) | Change::Changed { after: alarm, .. } => {
            (alarm.first_at, alarm.number)
        }
    });
    changes
}

/// What holds at the end of one and not at the end of the other.
fn only<'j>(of: &'j Judged, other: &Judged) -> Vec<&'j Finding> {
    let holds = |judged: &Judged, finding: &Finding| {
        let mut others = judged.verdict.findings.iter().filter(|other| !other.withdrawn);
        others.any(|other| other.cause == finding.cause && other.places == finding.places)
    };
    let findings = of.verdict.findings.iter().filter(|finding| !finding.withdrawn);
    findings.filter(|finding| !holds(other, finding)).collect()
}

/// What tells one alarm from another: several about one place count by their order.
type Key = (rules::Check, Option<model::Channel>, usize);

fn keyed(alarms: &[Alarm]) -> Vec<(Key, &Alarm)> {
    let mut keyed: Vec<(Key, &Alarm)> = Vec::new();
    for alarm in alarms {
        let same = keyed.iter().filter(|((check, place, _), _)| *check == alarm.check && *place == alarm.place).count();
        keyed.push(((alarm.check, alarm.place, same), alarm));
    }
    keyed
}

/// Judges a recording by its own limits and by others, in one pass over its inputs.
///
/// `go_on` gets the share that is done, in thousandths, now and then; when it says no, there is no answer.
///
/// # Errors
/// The recording or one of the texts can't be used.
pub fn judge_again(question: &Question, go_on: &mut dyn FnMut(u16) -> bool) -> Result<Option<Comparison>, Failure> {
    let recording = open(&question.recording)?;
    let header = recording.header();
    let mut before = engine(header.clone())?;
    let mut after = engine(SessionHeader { pack_text: question.pack_text.clone(), ..header.clone() })?;
    let mut inputs = recording.inputs_ahead();
    let (mut until, mut count) = (SessionTime::ZERO, 0_u64);
    for input in inputs.by_ref() {
        if count.is_multiple_of(LOOK_EVERY) && !go_on(share(until, question.length)) {
            return Ok(None);
        }
        count += 1;
        let input = before.stamp(input);
        until = input.at;
        for engine in [&mut before, &mut after] {
            engine.process(&input);
            // Nobody listens to what it says on the way.
            drop(engine.take_events());
        }
    }
    let incomplete = !inputs.complete() || !inputs.damage().is_empty();
    let end = Input::new(until, InputKind::End);
    for engine in [&mut before, &mut after] {
        // After the recording's own end nothing is taken.
        engine.process(&end);
    }
    let (before, after) = (judged(&before), judged(&after));
    let changes = changes(&before.alarms, &after.alarms);
    Ok(Some(Comparison { before, after, changes, until, incomplete }))
}

fn open(path: &Path) -> Result<recording::Recording, Failure> {
    recording::Recording::open(path).map_err(|error| Failure {
        text: with_causes(&error),
        hint: error.hint().map(str::to_owned),
        ..Failure::default()
    })
}

fn engine(header: SessionHeader) -> Result<Engine, Failure> {
    Engine::new(header).map_err(|unusable| Failure {
        text: unusable.to_string(),
        protocol: unusable.protocol,
        pack: unusable.pack,
        ..Failure::default()
    })
}

fn judged(engine: &Engine) -> Judged {
    let judge = engine.judge();
    Judged { verdict: judge.verdict(), alarms: judge.alarms().to_vec(), held: judge.held() }
}

fn share(at: SessionTime, length: SessionTime) -> u16 {
    let thousandths = at.nanos.saturating_mul(1000).checked_div(length.nanos).unwrap_or(0);
    u16::try_from(thousandths.min(1000)).unwrap_or(1000)
}

/// How far the newest question is.
#[derive(Clone, PartialEq, Debug, Default)]
pub enum Standing {
    /// Nothing was asked.
    #[default]
    Idle,
    /// It waits or runs: so many thousandths are done.
    Running(u16),
    /// The answer.
    Done(Arc<Comparison>),
    /// It can't be answered.
    Failed(Failure),
}

#[derive(Debug, Default)]
struct State {
    /// Counted from 1; a newer one breaks off what runs.
    number: u64,
    waiting: Option<Question>,
    standing: Standing,
    over: bool,
    /// A thread answers.
    runs: bool,
}

#[derive(Debug, Default)]
struct Shared {
    state: Mutex<State>,
    called: Condvar,
}

impl Shared {
    fn state(&self) -> MutexGuard<'_, State> {
        // Each field is whole whoever panicked.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Answers questions on a thread of its own, the newest one first and only. Dropping it breaks off what runs.
#[derive(Debug, Default)]
pub struct Again {
    shared: Arc<Shared>,
}

impl Again {
    /// Asks. `wake` is called when there is something new to look at. Never waits.
    pub fn ask(&mut self, question: Question, wake: Arc<dyn Fn() + Send + Sync>) {
        self.ask_by(judge_again, question, wake);
    }

    fn ask_by(&mut self, judge: JudgeBy, question: Question, wake: Arc<dyn Fn() + Send + Sync>) {
        let mut state = self.shared.state();
        // The first question; and the first after a fault ended the thread.
        if !std::mem::replace(&mut state.runs, true) {
            let shared = Arc::clone(&self.shared);
            let spawned =
                std::thread::Builder::new().name("judge again".to_owned()).spawn(move || run(&shared, judge, &*wake));
            if let Err(error) = spawned {
                state.runs = false;
                let text = format!("the system gave no thread: {error}");
                state.standing = Standing::Failed(Failure { text, ..Failure::default() });
                return;
            }
        }
        state.number += 1;
        state.waiting = Some(question);
        state.standing = Standing::Running(0);
        self.shared.called.notify_all();
    }

    /// Breaks off what runs, and forgets the answer.
    pub fn forget(&mut self) {
        let mut state = self.shared.state();
        state.number += 1;
        state.waiting = None;
        state.standing = Standing::Idle;
    }

    /// How far the newest question is.
    pub fn standing(&self) -> Standing {
        self.shared.state().standing.clone()
    }
}

impl Drop for Again {
    fn drop(&mut self) {
        let mut state = self.shared.state();
        state.number += 1;
        state.over = true;
        self.shared.called.notify_all();
    }
}

/// What answers a question: [`judge_again`].
type JudgeBy = fn(&Question, &mut dyn FnMut(u16) -> bool) -> Result<Option<Comparison>, Failure>;

/// However the thread ends, nobody waits for it.
struct Ends<'s> {
    shared: &'s Shared,
    wake: &'s (dyn Fn() + Send + Sync),
}

impl Drop for Ends<'_> {
    fn drop(&mut self) {
        let mut state = self.shared.state();
        state.runs = false;
        if !state.over {
            state.waiting = None;
            let text = "stopped by a fault of this program".to_owned();
            state.standing = Standing::Failed(Failure { text, ..Failure::default() });
            drop(state);
            (self.wake)();
        }
    }
}

fn run(shared: &Shared, judge: JudgeBy, wake: &(dyn Fn() + Send + Sync)) {
    let _ends = Ends { shared, wake };
    while let Some((number, question)) = next(shared) {
        let mut told = 0;
        let mut go_on = |done: u16| {
            let mut state = shared.state();
            let newest = state.number == number && !state.over;
            if newest && told + 20 <= done {
                told = done;
                state.standing = Standing::Running(done);
                drop(state);
                wake();
            }
            newest
        };
        let standing = match judge(&question, &mut go_on) {
            Ok(Some(comparison)) => Standing::Done(Arc::new(comparison)),
            Ok(None) => continue,
            Err(failure) => Standing::Failed(failure),
        };
        let mut state = shared.state();
        if state.number == number {
            state.standing = standing;
            drop(state);
            wake();
        }
    }
}

/// The newest question, once nothing newer has come for a while; `None`: it is over.
fn next(shared: &Shared) -> Option<(u64, Question)> {
    let mut state = shared.state();
    loop {
        let idle = |state: &mut State| state.waiting.is_none() && !state.over;
        state = shared.called.wait_while(state, idle).unwrap_or_else(PoisonError::into_inner);
        let number = state.number;
        let same = |state: &mut State| state.number == number && !state.over;
        let (waited, _) = shared.called.wait_timeout_while(state, WAIT, same).unwrap_or_else(PoisonError::into_inner);
        state = waited;
        if state.over {
            return None;
        }
        if state.number == number
            && let Some(question) = state.waiting.take()
        {
            return Some((number, question));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wait(again: &Again, done: fn(&Standing) -> bool) -> Standing {
        for _ in 0..2_000 {
            let standing = again.standing();
            if done(&standing) {
                return standing;
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        panic!("no answer within ten seconds: {:?}", again.standing());
    }

    #[test]
    fn a_fault_of_the_program_is_said_and_the_next_question_is_answered() {
        let question = || Question { recording: "none".into(), pack_text: String::new(), length: SessionTime::ZERO };
        let mut again = Again::default();
        again.ask_by(|_, _| panic!("on purpose, in a test"), question(), Arc::new(|| {}));
        let failed = |standing: &Standing| matches!(standing, Standing::Failed(_));
        let Standing::Failed(failure) = wait(&again, failed) else { panic!("it failed") };
        assert_eq!(failure.text, "stopped by a fault of this program");
        again.ask(question(), Arc::new(|| {}));
        assert_eq!(again.standing(), Standing::Running(0));
        let Standing::Failed(failure) = wait(&again, failed) else { panic!("there is no such file") };
        assert_eq!(failure.text, "no file \"none\"");
    }
}
