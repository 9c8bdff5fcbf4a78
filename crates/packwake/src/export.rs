//! `export`: a session as CSV.

use std::io::{BufWriter, ErrorKind, Write};
use std::path::Path;

use anyhow::Result;
use report::CsvWriter;
use session::Engine;

use crate::Status;
use crate::args::Export;
use crate::files;
use crate::output::{Hinted, Prose};
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
    // The file that a link points to is replaced, not the link.
    let target = std::fs::canonicalize(&task.csv).unwrap_or_else(|_| task.csv.clone());
    let failed = |error: std::io::Error| unwritable(&task.csv, &error);
    let (rows, status) = if target.exists() && !target.is_file() {
        // A device or a pipe is written to; a folder is refused here.
        let out = std::fs::OpenOptions::new().write(true).open(&target).map_err(failed)?;
        let (_, rows, status) = write(session, BufWriter::new(out), prose)?;
        (rows, status)
    } else {
        let folder = target.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let file = new_file_in(folder).map_err(failed)?;
        let (out, rows, status) = write(session, BufWriter::new(file), prose)?;
        let file = out.into_inner().map_err(std::io::IntoInnerError::into_error).map_err(failed)?;
        file.as_file().sync_all().map_err(failed)?;
        file.persist(&target).map_err(|error| failed(error.error))?;
        (rows, status)
    };
    prose.say(&format!("{rows} rows in {}", task.csv.display()));
    Ok(status)
}

/// A file that takes its name when it is complete.
fn new_file_in(folder: &Path) -> std::io::Result<tempfile::NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        // As any new file: the system takes away what this person's mask forbids.
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    builder.tempfile_in(folder)
}

fn unwritable(path: &Path, error: &std::io::Error) -> anyhow::Error {
    let hint = match error.kind() {
        ErrorKind::NotFound => "make the folder first",
        ErrorKind::IsADirectory => "give a file in that folder",
        ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => "choose a folder that you may write to",
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => "the disk is full: make room or choose another",
        _ => "check the disk",
    };
    Hinted::error(format!("can't write {}: {error}", path.display()), hint)
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
    error.chain().any(|cause| match cause.downcast_ref::<csv::Error>().map(csv::Error::kind) {
        Some(csv::ErrorKind::Io(error)) => error.kind() == ErrorKind::BrokenPipe,
        _ => false,
    })
}
