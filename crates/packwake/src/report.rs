//! `report`: a session as a page to read, to print and to keep.

use std::path::Path;

use ::report::{Account, Comparison, Since};
use anyhow::Result;
use session::accounts::file_facts;

use crate::Status;
use crate::args::{Recorded, Report};
use crate::files;
use crate::output::{Hinted, Prose};
use crate::page_file::PageFile;
use crate::replay::progress;

pub(crate) fn run(task: &Report, prose: &mut Prose) -> Result<Status> {
    let mut sources: Vec<&Path> = vec![&task.from.file];
    sources.extend(task.since.as_deref());
    let to = PageFile::new(&task.to, &sources)?;
    let old = task.since.as_deref().map(|path| recorded(path, prose)).transpose()?;
    let account = account(&task.from, prose)?;
    let comparison = old.as_ref().map(|old| compared(old, &account)).transpose()?;
    let since = old.as_ref().zip(comparison.as_ref()).map(|(old, comparison)| Since { old, comparison });
    let page = ::report::report(&account, since, &files::tool_version());
    if let Some(path) = to.write(&page)? {
        let changed = comparison.map_or(String::new(), |comparison| format!(", {} changed", comparison.counts().0));
        prose.say(&format!("{}{changed}: report in {}", account.verdict.outcome.name(), path.display()));
    }
    let both: Vec<&Account> = std::iter::once(&account).chain(&old).collect();
    Ok(status(&both))
}

/// A recording judged by its own texts.
pub(crate) fn recorded(path: &Path, prose: &mut Prose) -> Result<Account> {
    account(&Recorded { file: path.to_owned(), protocol: None, pack: None, baud: None }, prose)
}

/// Both held against each other.
pub(crate) fn compared(old: &Account, new: &Account) -> Result<Comparison> {
    ::report::compare(old, new).map_err(|error| {
        let text = error.to_string();
        Hinted::error(text, "give two recordings of the same pack; `packwake check FILE` says what each is of")
    })
}

/// Written or compared is enough, unless something is missing in what it rests on.
pub(crate) fn status(accounts: &[&Account]) -> Status {
    if accounts.iter().any(|account| account.is_incomplete()) { Status::LinkLostOrIncomplete } else { Status::Go }
}

/// Judges a session again and says what is missing in its file.
pub(crate) fn account(from: &Recorded, prose: &mut Prose) -> Result<Account> {
    let files::Session { header, mut inputs, size_bytes } = files::open(from, prose)?;
    let recorded = matches!(inputs, files::Inputs::Recording(_));
    let given = [("protocol", &from.protocol), ("pack", &from.pack)];
    let given = given.into_iter().filter_map(|(what, path)| Some((what, path.as_ref()?)));
    let otherwise = |(what, path): (&str, &std::path::PathBuf)| {
        format!("judged by another {what} file than the recording's own: {}", file_name(path))
    };
    let mut file = file_facts(&from.file, size_bytes);
    if recorded {
        file.otherwise = given.map(otherwise).collect();
    }
    let progress = progress(size_bytes);
    let mut count = 0_u64;
    let next = std::iter::from_fn(|| {
        count += 1;
        if count.is_multiple_of(4096) {
            progress.set_position(inputs.position_bytes());
        }
        inputs.next()
    });
    let account = session::account(header, file, next);
    progress.finish_and_clear();
    let mut account = account?;
    account.file.damage = inputs.damage();
    for text in &account.file.damage {
        prose.say(&format!("{}: the recording is incomplete: {text}", account.file.name));
    }
    Ok(account)
}

fn file_name(path: &Path) -> String {
    path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned())
}
