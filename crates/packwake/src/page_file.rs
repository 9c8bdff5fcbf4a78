//! A page that is written: to a file of its own, to a device, or to standard output.

use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

use anyhow::Result;
use session::new_file::{self, NewFile};

use crate::args;
use crate::output::Hinted;

/// Where a page goes, with all that can be refused refused.
pub(crate) struct PageFile {
    /// `None` is standard output.
    target: Option<PathBuf>,
    replace: bool,
}

impl PageFile {
    /// Refuses before anything is read: `sources` are never written over, another file only where that was asked for.
    pub(crate) fn new(task: &args::PageFile, sources: &[&Path]) -> Result<Self> {
        if task.out == Path::new("-") {
            return Ok(Self { target: None, replace: false });
        }
        // The file that a link points to is replaced, not the link.
        let target = std::fs::canonicalize(&task.out).unwrap_or_else(|_| task.out.clone());
        if target.is_file() {
            if sources.iter().any(|source| std::fs::canonicalize(source).is_ok_and(|source| source == target)) {
                let text = format!("can't write {}: that is the recording itself", task.out.display());
                return Err(Hinted::error(text, "choose another name"));
            }
            if !task.replace {
                return Err(exists(&target));
            }
        }
        if target.is_dir() {
            return Err(unwritable(&target, &ErrorKind::IsADirectory.into()));
        }
        Ok(Self { target: Some(target), replace: task.replace })
    }

    /// Writes the page. Returns the path to say to the person; `None` for standard output.
    pub(crate) fn write(self, page: &str) -> Result<Option<PathBuf>> {
        let Some(target) = self.target else {
            let mut out = std::io::stdout().lock();
            return match out.write_all(page.as_bytes()).and_then(|()| out.flush()) {
                Ok(()) => Ok(None),
                // The reader has what it wanted.
                Err(error) if error.kind() == ErrorKind::BrokenPipe => Ok(None),
                Err(error) => Err(unwritable(Path::new("standard output"), &error)),
            };
        };
        let failed = |error: std::io::Error| match error.kind() {
            ErrorKind::AlreadyExists => exists(&target),
            _ => unwritable(&target, &error),
        };
        if target.exists() && !target.is_file() {
            // A device or a pipe is written to.
            let mut out = std::fs::OpenOptions::new().write(true).open(&target).map_err(failed)?;
            out.write_all(page.as_bytes()).map_err(failed)?;
        } else {
            let mut file = NewFile::at(&target).map_err(failed)?;
            file.write_all(page.as_bytes()).map_err(failed)?;
            file.keep(self.replace).map_err(failed)?;
        }
        Ok(Some(target))
    }
}

fn exists(target: &Path) -> anyhow::Error {
    let text = format!("can't write {}: it is there already", target.display());
    Hinted::error(text, "choose another name, or write over it with --replace")
}

pub(crate) fn unwritable(path: &Path, error: &std::io::Error) -> anyhow::Error {
    let hint = new_file::hint(error).unwrap_or("check the disk");
    Hinted::error(format!("can't write {}: {error}", path.display()), hint)
}
