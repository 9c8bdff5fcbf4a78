//! Saving the text of a pack or protocol file: whole or not at all, and never over what somebody else wrote meanwhile.

use std::fs::{self, Permissions};
use std::io::{self, ErrorKind, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use crate::opening::read_text;

/// What may lie at the path before.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Over {
    /// Nothing.
    Nothing,
    /// The text that was read from it.
    Known(String),
    /// Anything: the person has been asked.
    Anything,
}

/// Why nothing was saved. The file is as it was.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum NotSaved {
    /// There is such a file.
    #[error("there is a file of this name already, {path:?}")]
    Exists {
        /// Its path.
        path: PathBuf,
    },
    /// The file was changed since it was read.
    #[error("the file was changed meanwhile by another program, {path:?}")]
    Changed {
        /// Its path.
        path: PathBuf,
    },
    /// The system refused.
    #[error("{why}, {path:?}")]
    Refused {
        /// What it said.
        why: String,
        /// The path.
        path: PathBuf,
    },
}

/// Saves a text. It may take a moment: not to be called while drawing.
///
/// The text is written to a new file beside the old one, brought to the medium, and put in its place in one step: a crash
/// leaves the old text or the new one. A link is followed, and the file keeps who may read and write it.
///
/// # Errors
/// What lies there is not what may lie there, or the system refuses.
pub fn save(path: &Path, text: &str, over: &Over) -> Result<(), NotSaved> {
    let refused = |why: String| NotSaved::Refused { why, path: path.to_owned() };
    // Where there is nothing yet, there is no link to follow.
    let target = fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
    let there = fs::symlink_metadata(&target).is_ok();
    match over {
        Over::Nothing if there => return Err(NotSaved::Exists { path: path.to_owned() }),
        Over::Known(known) if there => {
            let now = read_text(&target).map_err(refused)?;
            if now == text {
                return Ok(());
            }
            if now != *known {
                return Err(NotSaved::Changed { path: path.to_owned() });
            }
        }
        Over::Nothing | Over::Known(_) | Over::Anything => {}
    }
    let permissions = fs::metadata(&target).ok().map(|about| about.permissions());
    write(&target, text, permissions, *over == Over::Nothing).map_err(|error| match error.kind() {
        ErrorKind::AlreadyExists => NotSaved::Exists { path: path.to_owned() },
        ErrorKind::NotFound => refused("there is no such folder".to_owned()),
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => {
            refused("the disk is full: make room or choose another".to_owned())
        }
        _ => refused(error.to_string()),
    })
}

fn write(path: &Path, text: &str, permissions: Option<Permissions>, new: bool) -> io::Result<()> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    if permissions.as_ref().is_some_and(Permissions::readonly) {
        // Its folder would let it be replaced; who made it so did not want that.
        return Err(io::Error::new(ErrorKind::PermissionDenied, "the file may only be read"));
    }
    let mut file = tempfile::Builder::new().prefix(".saving-").suffix(".new").tempfile_in(folder)?;
    file.write_all(text.as_bytes())?;
    set_permissions(&file, permissions)?;
    file.as_file().sync_all()?;
    if new {
        file.persist_noclobber(path)?;
    } else {
        file.persist(path)?;
    }
    #[cfg(unix)]
    fs::File::open(folder)?.sync_all()?;
    Ok(())
}

fn set_permissions(file: &NamedTempFile, permissions: Option<Permissions>) -> io::Result<()> {
    #[cfg(unix)]
    let permissions = {
        use std::os::unix::fs::PermissionsExt;
        // A temporary file is its owner's alone; a new text file usually is not.
        Some(permissions.unwrap_or_else(|| Permissions::from_mode(0o644)))
    };
    permissions.map_or(Ok(()), |permissions| file.as_file().set_permissions(permissions))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_replaces_the_one_that_was_read_and_no_other() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("cart.toml");
        assert_eq!(save(&path, "one", &Over::Nothing), Ok(()));
        assert_eq!(save(&path, "two", &Over::Nothing), Err(NotSaved::Exists { path: path.clone() }));
        assert_eq!(save(&path, "two", &Over::Known("one".to_owned())), Ok(()));
        fs::write(&path, "by another hand").unwrap();
        assert_eq!(save(&path, "three", &Over::Known("two".to_owned())), Err(NotSaved::Changed { path: path.clone() }));
        assert_eq!(fs::read_to_string(&path).unwrap(), "by another hand");
        assert_eq!(save(&path, "by another hand", &Over::Known("two".to_owned())), Ok(()));
        assert_eq!(save(&path, "three", &Over::Anything), Ok(()));
        fs::remove_file(&path).unwrap();
        assert_eq!(save(&path, "four", &Over::Known("three".to_owned())), Ok(()), "what is gone is made again");
        assert_eq!(fs::read_to_string(&path).unwrap(), "four");
        let names: Vec<_> = fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
        assert_eq!(names, ["cart.toml"], "nothing else is left there");
        let nowhere = folder.path().join("no/cart.toml");
        let refused = save(&nowhere, "one", &Over::Nothing).unwrap_err();
        assert!(refused.to_string().starts_with("there is no such folder"), "{refused}");
    }

    #[cfg(unix)]
    #[test]
    fn a_link_is_followed_and_permissions_stay() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let (path, link) = (folder.path().join("cart.toml"), folder.path().join("link.toml"));
        fs::write(&path, "one").unwrap();
        fs::set_permissions(&path, Permissions::from_mode(0o640)).unwrap();
        std::os::unix::fs::symlink(&path, &link).unwrap();
        assert_eq!(save(&link, "two", &Over::Known("one".to_owned())), Ok(()));
        assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
        assert_eq!(fs::read_to_string(&path).unwrap(), "two");
        assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o640);
        fs::set_permissions(&path, Permissions::from_mode(0o440)).unwrap();
        let refused = save(&path, "three", &Over::Known("two".to_owned())).unwrap_err();
        assert!(matches!(refused, NotSaved::Refused { .. }), "{refused}");
        assert_eq!(fs::read_to_string(&path).unwrap(), "two");
    }
}
