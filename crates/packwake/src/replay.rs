//! `replay`: a session again.

use anyhow::Result;
use session::{Engine, json_line, text_line, verdict_lines};

use crate::Status;
use crate::args::Replay;
use crate::files;
use crate::output::{Prose, Results};

pub(crate) fn run(task: &Replay, prose: &mut Prose) -> Result<Status> {
    let files::Session { header, mut inputs, size_bytes } = files::open(&task.from, prose)?;
    let practice = header.practice;
    let mut engine = Engine::new(header)?;
    let mut results = Results::new();
    let json = task.print.json;
    let progress = progress(size_bytes);
    let mut count = 0_u64;
    let end = session::replay(
        &mut engine,
        std::iter::from_fn(|| {
            count += 1;
            if count.is_multiple_of(4096) {
                progress.set_position(inputs.position_bytes());
            }
            inputs.next()
        }),
        &mut |event, _| {
            let line = if json { Some(json_line(event, practice)) } else { text_line(event, practice) };
            if let Some(line) = line {
                results.line(&line);
            }
        },
        &mut |_| {},
    );
    progress.finish_and_clear();
    let judge = engine.judge();
    let verdict = judge.verdict();
    if !json {
        for line in verdict_lines(&verdict, practice) {
            results.line(&line);
        }
    }
    let damage = inputs.damage();
    for text in &damage {
        prose.say(&format!("the recording is incomplete: {text}"));
    }
    Ok(Status::of_session(verdict.outcome, judge.link_was_lost(), !damage.is_empty() || !end.complete))
}

/// A progress bar on standard error, drawn only on a terminal, and only where it takes longer than a moment.
pub(crate) fn progress(bytes: u64) -> indicatif::ProgressBar {
    if bytes < 20_000_000 {
        return indicatif::ProgressBar::hidden();
    }
    indicatif::ProgressBar::new(bytes)
}
