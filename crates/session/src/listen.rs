//! A line whose protocol is not known: its bytes with their times, and nothing that judges them.

use std::path::PathBuf;
use std::time::Duration;

use model::{Input, InputKind, SessionHeader, SessionTime, TICK};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use transport::{SessionClock, Source, start};

use crate::keeper::Keeper;
use crate::live::LiveError;

/// Inputs that may wait. When they are more, the source waits.
const QUEUE: usize = 1024;

/// What is listened to, and for how long.
#[derive(Clone, Debug)]
pub struct Listen {
    /// Where the bytes come from.
    pub source: Source,
    /// What the recording says of itself; its protocol and pack texts are empty, its UTC anchor is filled in here.
    pub header: SessionHeader,
    /// Where to record, if at all. The file must not exist.
    pub record: Option<PathBuf>,
    /// Ends at exactly this time.
    pub length: Duration,
}

/// Something that was heard.
#[derive(Clone, Copy, Debug)]
pub enum Sound<'a> {
    /// An input, stamped, when it has gone to the recorder.
    Input(&'a Input),
    /// Prose about the source.
    Remark(&'a str),
    /// Time has passed.
    Tick(SessionTime),
}

/// Listens until the length is over, the source ends or `stop` is cancelled (an interrupt cancels it too). Nothing is sent.
/// Returns why the recording is incomplete, if it is.
///
/// # Errors
/// It could not begin.
pub fn listen(
    mut options: Listen,
    stop: &CancellationToken,
    hear: &mut dyn FnMut(Sound<'_>),
) -> Result<Option<String>, LiveError> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(LiveError::System)?;
    let clock = SessionClock::start();
    options.header.started_utc_nanos = Some(clock.reading().session_began_utc_nanos());
    let (to, mut inputs) = mpsc::channel(QUEUE);
    // A source that refuses leaves no empty recording behind; what it sends meanwhile waits in the queue.
    let running = start(options.source, clock, to, CancellationToken::new())?;
    let mut keeper = options.record.as_deref().map(|path| Keeper::start(path, &options.header)).transpose()?;
    running.remarks().iter().for_each(|remark| hear(Sound::Remark(remark)));
    let end = SessionTime::from_duration(options.length);
    let (mut now, mut number) = (SessionTime::ZERO, 0);
    let mut said = None;
    // Numbered and never earlier than the one before, as in a session that is judged.
    let mut take = |mut input: Input, hear: &mut dyn FnMut(Sound<'_>)| {
        now = now.max(input.at);
        (input.at, input.number) = (now, number);
        number += 1;
        if let Some(keeper) = &mut keeper {
            keeper.keep(&input);
            if let Some(why) = keeper.news() {
                hear(Sound::Remark(&format!("the recording is incomplete: {why}")));
            }
        }
        hear(Sound::Input(&input));
    };
    runtime.block_on(async {
        let mut ticks = tokio::time::interval(TICK);
        ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
        let mut interrupt = std::pin::pin!(tokio::signal::ctrl_c());
        let mut interruptible = true;
        let ended_at = loop {
            tokio::select! {
                biased;
                () = stop.cancelled() => break clock.now().min(end),
                result = &mut interrupt, if interruptible => {
                    interruptible = result.is_ok();
                    if interruptible {
                        stop.cancel();
                    }
                }
                input = inputs.recv() => match input {
                    Some(input) if end <= input.at => break end,
                    Some(input) if input.kind == InputKind::End => break input.at,
                    Some(input) => take(input, hear),
                    None => break clock.now().min(end),
                },
                _ = ticks.tick() => {
                    let now = clock.now();
                    if end <= now {
                        break end;
                    }
                    let waiting = running.waiting();
                    if waiting != said {
                        if let Some(waiting) = &waiting {
                            hear(Sound::Remark(&waiting.to_string()));
                        }
                        said = waiting;
                    }
                    hear(Sound::Tick(now));
                }
            }
        };
        take(Input::new(ended_at, InputKind::End), hear);
    });
    // A source thread that panicked has sent Lost where it could; it is over either way.
    drop(running.stop());
    Ok(keeper.and_then(Keeper::finish))
}
