//! Results go to standard output, prose to standard error. A closed pipe ends quietly.

use std::io::{ErrorKind, IsTerminal, Write};

use crate::faults;

/// Results on standard output.
#[derive(Debug)]
pub(crate) struct Results {
    out: std::io::Stdout,
    state: State,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum State {
    Open,
    /// The reader has gone: it has what it wanted.
    Closed,
    /// Lines are missing, and that was said.
    Failed,
}

impl Results {
    pub(crate) fn new() -> Self {
        Self { out: std::io::stdout(), state: State::Open }
    }

    /// Writes a line at once. After the reader has gone, or a line could not be written, nothing is written any more.
    pub(crate) fn line(&mut self, line: &str) {
        if self.state != State::Open {
            return;
        }
        let mut out = self.out.lock();
        let written = out.write_all(line.as_bytes()).and_then(|()| out.write_all(b"\n")).and_then(|()| out.flush());
        self.state = match written {
            Ok(()) => State::Open,
            Err(error) if error.kind() == ErrorKind::BrokenPipe => State::Closed,
            Err(error) => {
                Prose::new().say(&format!("error: results are missing from here on: {error}"));
                State::Failed
            }
        };
    }

    /// Whether the reader has gone.
    pub(crate) fn closed(&self) -> bool {
        self.state == State::Closed
    }
}

/// Prose on standard error.
#[derive(Debug)]
pub(crate) struct Prose {
    terminal: bool,
}

impl Prose {
    pub(crate) fn new() -> Self {
        Self { terminal: std::io::stderr().is_terminal() }
    }

    /// Whether a person reads it as it comes.
    pub(crate) fn is_terminal(&self) -> bool {
        self.terminal
    }

    pub(crate) fn say(&mut self, text: &str) {
        // Nobody reads it: that must not end a session.
        drop(writeln!(std::io::stderr(), "{text}"));
    }

    pub(crate) fn hint(&mut self, text: &str) {
        self.say(&format!("hint: {text}"));
    }

    pub(crate) fn error(&mut self, error: &anyhow::Error) {
        if let Some(faulty) = error.downcast_ref::<faults::FaultyFile>() {
            self.say(&faulty.render(self.terminal));
            return;
        }
        self.say(&format!("error: {}", with_causes(error)));
        if let Some(hint) = hint_of(error) {
            self.hint(&hint);
        }
    }
}

/// The error and its causes; what one has told already is not told again.
fn with_causes(error: &anyhow::Error) -> String {
    let mut told = error.to_string();
    for cause in error.chain().skip(1).map(ToString::to_string) {
        if !told.contains(&cause) {
            told = format!("{told}: {cause}");
        }
    }
    told
}

/// What to do about an error, where one of its causes knows.
fn hint_of(error: &anyhow::Error) -> Option<String> {
    error.chain().find_map(|cause| {
        if let Some(live) = cause.downcast_ref::<session::LiveError>() {
            return live.hint().map(str::to_owned);
        }
        if cause.is::<session::Unusable>() {
            return Some(
                "give others with --protocol FILE and --pack FILE; `packwake check` shows the faults".to_owned(),
            );
        }
        if let Some(open) = cause.downcast_ref::<transport::OpenError>() {
            return open.hint().map(str::to_owned);
        }
        if let Some(open) = cause.downcast_ref::<recording::OpenError>() {
            return open.hint().map(str::to_owned);
        }
        if let Some(write) = cause.downcast_ref::<recording::WriteError>() {
            return write.hint().map(str::to_owned);
        }
        cause.downcast_ref::<Hinted>().map(|hinted| hinted.hint.clone())
    })
}

/// A message of the command line itself, with what to do.
#[derive(Debug)]
pub(crate) struct Hinted {
    message: String,
    hint: String,
}

impl Hinted {
    pub(crate) fn error(message: impl Into<String>, hint: impl Into<String>) -> anyhow::Error {
        anyhow::Error::new(Self { message: message.into(), hint: hint.into() })
    }
}

impl std::fmt::Display for Hinted {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for Hinted {}
