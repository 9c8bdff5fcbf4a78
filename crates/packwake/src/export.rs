//! `export`: a session as CSV.

use std::io::{ErrorKind, Write};
use std::num::NonZero;
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Result;
use model::{Batch, Level, SessionTime};
use parser::Protocol;
use report::CsvError;
use session::new_file::NewFile;
use session::{RowReader, Unusable};

use crate::Status;
use crate::args::Export;
use crate::files;
use crate::output::{Hinted, Prose};
use crate::page_file::unwritable;
use crate::replay::progress;

pub(crate) fn run(task: &Export, prose: &mut Prose) -> Result<Status> {
    let range = range(task)?;
    // The file that a link points to is replaced, not the link.
    let target = std::fs::canonicalize(&task.csv).unwrap_or_else(|_| task.csv.clone());
    let from = std::fs::canonicalize(&task.from.file);
    if task.csv != Path::new("-") && from.is_ok_and(|from| from == target && from.is_file()) {
        let text = format!("can't write {}: that is the recording itself", task.csv.display());
        return Err(Hinted::error(text, "choose another name"));
    }
    let session = files::open(&task.from, prose)?;
    if task.csv == Path::new("-") {
        return match write(session, range, std::io::stdout().lock(), prose) {
            Ok((_, _, status)) => Ok(status),
            // The reader has what it wanted.
            Err(error) if is_closed_pipe(&error) => Ok(Status::Go),
            Err(error) => Err(error),
        };
    }
    let failed = |error: std::io::Error| unwritable(&task.csv, &error);
    let (rows, status) = if target.exists() && !target.is_file() {
        // A device or a pipe is written to; a folder is refused here.
        let out = std::fs::OpenOptions::new().write(true).open(&target).map_err(failed)?;
        let (_, rows, status) = write(session, range, out, prose)?;
        (rows, status)
    } else {
        let file = NewFile::at(&target).map_err(failed)?;
        let (file, rows, status) = write(session, range, file, prose)?;
        file.keep(true).map_err(failed)?;
        (rows, status)
    };
    prose.say(&format!("{rows} rows in {}", task.csv.display()));
    Ok(status)
}

/// Decodes the same inputs as a replay and writes every row, on all cores.
fn write<W: Write>(
    session: files::Session,
    range: Option<Range<SessionTime>>,
    mut out: W,
    prose: &mut Prose,
) -> Result<(W, u64, Status)> {
    let files::Session { header, mut inputs, size_bytes } = session;
    let (protocol, faults) = Protocol::parse(&header.protocol_text);
    let Some(protocol) = protocol else {
        let protocol = faults.into_iter().filter(|fault| fault.level == Level::Error).collect();
        return Err(Unusable { protocol, pack: Vec::new() }.into());
    };
    let protocol = Arc::new(protocol);
    let mut reader = RowReader::new(Arc::clone(&protocol));
    let progress = progress(size_bytes);
    let next = |batch: &mut Batch| {
        let more = reader.next_batch(&mut inputs, batch);
        progress.set_position(inputs.position_bytes());
        more
    };
    let threads = std::thread::available_parallelism().unwrap_or(NonZero::<usize>::MIN);
    let written = report::export(protocol.layout(), next, range, threads, &mut out);
    progress.finish_and_clear();
    let rows = written?;
    let damage = inputs.damage();
    for text in &damage {
        prose.say(&format!("the recording is incomplete: {text}"));
    }
    let status = if damage.is_empty() && reader.is_complete() { Status::Go } else { Status::LinkLostOrIncomplete };
    Ok((out, rows, status))
}

/// The times that were asked for: `from` itself is one of them, `to` is not.
fn range(task: &Export) -> Result<Option<Range<SessionTime>>> {
    if task.start.is_none() && task.end.is_none() {
        return Ok(None);
    }
    let start = SessionTime::from_duration(task.start.unwrap_or(Duration::ZERO));
    let end = SessionTime::from_duration(task.end.unwrap_or(Duration::MAX));
    if end <= start {
        return Err(Hinted::error("the times to write end before they begin", "--from must be less than --to"));
    }
    Ok(Some(start..end))
}

fn is_closed_pipe(error: &anyhow::Error) -> bool {
    error.downcast_ref::<CsvError>().is_some_and(|error| error.kind() == ErrorKind::BrokenPipe)
}
