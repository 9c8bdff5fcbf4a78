//! A file that takes its name only when it is complete.

use std::fs;
use std::io::{self, ErrorKind, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

/// Written beside its place; what is not kept is gone.
#[derive(Debug)]
pub struct NewFile {
    file: NamedTempFile,
    target: PathBuf,
}

impl NewFile {
    /// A file that will stand at `target`.
    ///
    /// # Errors
    /// The folder is not there, or nothing may be written to it: see [`hint`].
    pub fn at(target: &Path) -> io::Result<Self> {
        let folder = target.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let mut builder = tempfile::Builder::new();
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            // As any new file: the system takes away what this person's mask forbids.
            builder.permissions(fs::Permissions::from_mode(0o666));
        }
        Ok(Self { file: builder.tempfile_in(folder)?, target: target.to_owned() })
    }

    /// Brings it to the medium and gives it its name; a file that has it already is replaced only if `over`.
    ///
    /// # Errors
    /// [`ErrorKind::AlreadyExists`] for such a file, else what the system says.
    pub fn keep(self, over: bool) -> io::Result<()> {
        self.file.as_file().sync_all()?;
        let kept = if over { self.file.persist(&self.target) } else { self.file.persist_noclobber(&self.target) };
        kept.map(|_| ()).map_err(|error| error.error)
    }
}

impl Write for NewFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

/// What a person can do where a file can't be written.
pub fn hint(error: &io::Error) -> Option<&'static str> {
    match error.kind() {
        ErrorKind::NotFound => Some("make the folder first"),
        ErrorKind::IsADirectory => Some("give a file in that folder"),
        ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => Some("choose a folder that you may write to"),
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => Some("the disk is full: make room or choose another"),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_has_its_name_when_it_is_complete_or_never() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("table.csv");
        let mut given_up = NewFile::at(&target).unwrap();
        given_up.write_all(b"half").unwrap();
        assert!(!target.exists());
        drop(given_up);
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0, "nothing is left of it");
        let mut file = NewFile::at(&target).unwrap();
        file.write_all(b"one").unwrap();
        file.keep(false).unwrap();
        let mut file = NewFile::at(&target).unwrap();
        file.write_all(b"two").unwrap();
        assert_eq!(file.keep(false).unwrap_err().kind(), ErrorKind::AlreadyExists);
        assert_eq!(fs::read(&target).unwrap(), b"one");
        let mut file = NewFile::at(&target).unwrap();
        file.write_all(b"two").unwrap();
        file.keep(true).unwrap();
        assert_eq!(fs::read(&target).unwrap(), b"two");
        let nowhere = NewFile::at(&folder.path().join("no/table.csv")).unwrap_err();
        assert_eq!(hint(&nowhere), Some("make the folder first"));
    }
}
