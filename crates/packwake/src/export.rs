//! `export`: a session as CSV.

use std::io::{BufWriter, Write};
use std::path::Path;

use anyhow::{Context, Result};
use report::CsvWriter;
use session::Engine;

use crate::Status;
use crate::args::Export;
use crate::files;
use crate::output::Prose;
use crate::replay::progress;

pub(crate) fn run(task: &Export, prose: &mut Prose) -> Result<Status> {
    let session = files::open(&task.from, prose)?;
    if task.csv == Path::new("-") {
        let out = BufWriter::new(std::io::stdout().lock());
        return match write(session, out, prose) {
            Ok((_, _, status)) => Ok(status),
            // The reader has what it wanted.
            Err(error) if is_closed_pipe(&error) => Ok(Status::Go),
            Err(error) => Err(error),
        };
    }
    let folder = task.csv.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let about = || format!("can't write {}", task.csv.display());
    let file = tempfile::NamedTempFile::new_in(folder).with_context(about)?;
    let (out, rows, status) = write(session, BufWriter::new(file), prose)?;
    let file = out.into_inner().map_err(std::io::IntoInnerError::into_error).with_context(about)?;
    file.as_file().sync_all().with_context(about)?;
    file.persist(&task.csv).map_err(|error| error.error).with_context(about)?;
    prose.say(&format!("{rows} rows in {}", task.csv.display()));
    Ok(status)
}

/// Runs the same pipeline as a replay and writes every decoded row.
fn write<W: Write>(session: files::Session, out: W, prose: &mut Prose) -> Result<(W, u64, Status)> {
    let files::Session { header, mut inputs, size_bytes } = session;
    let mut engine = Engine::new(header)?;
    let mut csv = CsvWriter::new(engine.protocol().layout(), out)?;
    let mut failed = None;
    let progress = progress(size_bytes);
    let end = session::replay(
        &mut engine,
        std::iter::from_fn(|| {
            progress.set_position(inputs.position_bytes());
            inputs.next()
        }),
        &mut |_, _| {},
        &mut |batch| {
            if failed.is_none() {
                failed = csv.batch(batch).err();
            }
        },
    );
    progress.finish_and_clear();
    if let Some(error) = failed {
        return Err(error.into());
    }
    let damage = inputs.damage();
    for text in &damage {
        prose.say(&format!("the recording is incomplete: {text}"));
    }
    let status = if damage.is_empty() && end.complete { Status::Go } else { Status::LinkLostOrIncomplete };
    let rows = csv.rows();
    Ok((csv.finish()?, rows, status))
}

fn is_closed_pipe(error: &anyhow::Error) -> bool {
    error.chain().any(|cause| {
        cause.downcast_ref::<std::io::Error>().is_some_and(|error| error.kind() == std::io::ErrorKind::BrokenPipe)
    })
}
