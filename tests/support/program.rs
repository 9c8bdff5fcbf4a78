//! The built program, run from the outside.
#![expect(clippy::disallowed_methods, reason = "a test of real time reads the clock")]

use std::ffi::OsStr;
use std::io::{BufRead, BufReader, Read, Write};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use serde_json::Value;

/// A run that takes longer hangs.
const PATIENCE: Duration = Duration::from_secs(60);

/// The path of the built program.
#[derive(Clone, Copy, Debug)]
pub struct Program(&'static str);

/// A run that is over.
#[derive(Clone, Debug)]
pub struct Ended {
    /// Its exit status; `None` if a signal ended it.
    pub status: Option<i32>,
    /// What it wrote to standard output.
    pub stdout: String,
    /// What it wrote to standard error.
    pub stderr: String,
}

/// A run that goes on. Dropped, it is killed.
#[derive(Debug)]
pub struct Started {
    child: Child,
    lines: Arc<Lines>,
    readers: Option<(JoinHandle<()>, JoinHandle<String>)>,
}

/// Lines of standard output with the moments at which they came.
#[derive(Debug, Default)]
struct Lines {
    state: Mutex<(Vec<(Instant, String)>, bool)>,
    changed: Condvar,
}

impl Program {
    /// `path` is `env!("CARGO_BIN_EXE_packwake")`, which only the tests of that package have.
    pub const fn new(path: &'static str) -> Self {
        Self(path)
    }

    /// Starts it with nothing on its standard input until [`Started::input`] is written to or dropped.
    pub fn start<S: AsRef<OsStr>>(&self, arguments: impl IntoIterator<Item = S>) -> Started {
        let mut child = Command::new(self.0)
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        let stdout = child.stdout.take().expect("it is piped");
        let mut stderr = child.stderr.take().expect("it is piped");
        let lines = Arc::<Lines>::default();
        let to = Arc::clone(&lines);
        let thread = |name: &str| std::thread::Builder::new().name(name.to_owned());
        let out = thread("stdout").spawn(move || to.fill(BufReader::new(stdout))).expect("a thread");
        let err = thread("stderr")
            .spawn(move || {
                let mut text = Vec::new();
                stderr.read_to_end(&mut text).expect("standard error can be read");
                String::from_utf8(text).expect("standard error is text")
            })
            .expect("a thread");
        Started { child, lines, readers: Some((out, err)) }
    }

    /// Runs it to its end with nothing on its standard input.
    pub fn run<S: AsRef<OsStr>>(&self, arguments: impl IntoIterator<Item = S>) -> Ended {
        self.start(arguments).wait()
    }

    /// Runs it to its end with these bytes on its standard input.
    pub fn run_with_input<S: AsRef<OsStr>>(&self, arguments: impl IntoIterator<Item = S>, input: &[u8]) -> Ended {
        let mut started = self.start(arguments);
        // A program that does not want it all closes the pipe.
        drop(started.input().write_all(input));
        started.wait()
    }

    /// Runs it with a reader that has what it wanted after so many lines and goes.
    pub fn run_closing_output<S: AsRef<OsStr>>(&self, arguments: impl IntoIterator<Item = S>, lines: usize) -> Ended {
        let mut child = Command::new(self.0)
            .args(arguments)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        let mut stdout = BufReader::new(child.stdout.take().expect("it is piped"));
        let mut read = String::new();
        for _ in 0..lines {
            stdout.read_line(&mut read).expect("standard output is text");
        }
        drop(stdout);
        let output = child.wait_with_output().expect("it ends");
        let stderr = String::from_utf8(output.stderr).expect("standard error is text");
        Ended { status: output.status.code(), stdout: read, stderr }
    }
}

impl Lines {
    fn fill(&self, mut from: impl BufRead) {
        loop {
            let mut line = String::new();
            let read = from.read_line(&mut line).expect("standard output is text");
            let at = Instant::now();
            let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
            if read == 0 {
                state.1 = true;
            } else {
                state.0.push((at, line));
            }
            self.changed.notify_all();
            if read == 0 {
                return;
            }
        }
    }
}

impl Started {
    /// The process's number.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Its standard input; to be taken once.
    pub fn input(&mut self) -> ChildStdin {
        self.child.stdin.take().expect("it was not taken before")
    }

    /// Waits for the `number`th line (from 0) that `wanted` accepts, and the moment at which it came.
    pub fn line(&self, number: usize, wanted: impl Fn(&str) -> bool) -> (Instant, String) {
        let begun = Instant::now();
        let mut state = self.lines.state.lock().unwrap_or_else(PoisonError::into_inner);
        loop {
            if let Some((at, line)) = state.0.iter().filter(|(_, line)| wanted(line)).nth(number) {
                return (*at, line.trim_end().to_owned());
            }
            let last = state.0.last().map_or("", |(_, line)| line);
            assert!(!state.1, "it ended without that line; the last one was {last}");
            assert!(begun.elapsed() < PATIENCE, "that line did not come; the last one was {last}");
            let waited = self.lines.changed.wait_timeout(state, Duration::from_secs(1));
            state = waited.unwrap_or_else(PoisonError::into_inner).0;
        }
    }

    /// Kills it at once, as no program can prevent.
    pub fn kill(mut self) -> Ended {
        self.child.kill().expect("it can be killed");
        self.wait()
    }

    /// Closes its standard input and waits for its end.
    pub fn wait(mut self) -> Ended {
        drop(self.child.stdin.take());
        let begun = Instant::now();
        let status = loop {
            if let Some(status) = self.child.try_wait().expect("it is our child") {
                break status.code();
            }
            assert!(begun.elapsed() < PATIENCE, "the program hangs");
            std::thread::sleep(Duration::from_millis(5));
        };
        let (out, err) = self.readers.take().expect("they are taken once");
        out.join().expect("standard output is text");
        let stderr = err.join().expect("standard error is text");
        let state = self.lines.state.lock().unwrap_or_else(PoisonError::into_inner);
        let stdout = state.0.iter().map(|(_, line)| line.as_str()).collect();
        drop(state);
        Ended { status, stdout, stderr }
    }
}

impl Drop for Started {
    fn drop(&mut self) {
        // Over already: then there is nothing to kill.
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

impl Ended {
    /// The lines of standard output, each of which must be a JSON object.
    pub fn json(&self) -> Vec<Value> {
        self.stdout
            .lines()
            .map(|line| {
                let value: Value = serde_json::from_str(line).unwrap_or_else(|error| panic!("{error}: {line}"));
                assert!(value.is_object(), "{line}");
                value
            })
            .collect()
    }

    /// The last line of standard output.
    pub fn last_line(&self) -> &str {
        self.stdout.lines().last().unwrap_or_else(|| panic!("it wrote no line; on standard error: {}", self.stderr))
    }

    /// The last line, which must be a verdict in JSON.
    pub fn verdict(&self) -> Value {
        let value: Value = serde_json::from_str(self.last_line()).expect("the last line is JSON");
        assert_eq!(value["event"], "verdict", "{value}");
        value
    }
}
