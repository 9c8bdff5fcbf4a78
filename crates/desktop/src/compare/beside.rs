//! Recordings of the same pack that lie beside this one, newest first.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::SystemTime;

use egui::Ui;
use session::accounts::Aside;
use session::rules::Pack;
use session::snapshot::Failure;

use crate::pieces;

/// So many files of a folder are looked into, the newest ones.
const LOOKED_INTO: usize = 60;
/// And so many are offered.
const OFFERED: usize = 6;

/// A recording of the same pack.
#[derive(Clone, PartialEq, Eq, Debug)]
struct Earlier {
    path: PathBuf,
    name: String,
    began: Option<i64>,
}

/// What was found beside which recording.
#[derive(Debug, Default)]
pub(super) struct Beside {
    of: Option<PathBuf>,
    looking: Option<Aside<Vec<Earlier>>>,
}

impl Beside {
    /// Buttons for those that were found. Returns the one that the person chose.
    pub(super) fn ui(&mut self, ui: &mut Ui, new: &Path, chosen: &Path) -> Option<PathBuf> {
        if self.of.as_deref() != Some(new) {
            self.of = Some(new.to_owned());
            let (ctx, of) = (ui.ctx().clone(), new.to_owned());
            let wake = Arc::new(move || ctx.request_repaint());
            // Without a thread nothing is offered: a path can be typed.
            self.looking = Aside::start("recordings beside", wake, move |_| Ok::<_, Failure>(look(&of))).ok();
        }
        let found = self.looking.as_ref()?.result()?.ok()?;
        if found.is_empty() {
            return None;
        }
        let mut wanted = None;
        ui.horizontal_wrapped(|ui| {
            ui.set_min_height(pieces::ROW);
            ui.label("Of the same pack, beside it:");
            for earlier in found.iter() {
                let began = earlier.began.map_or(String::new(), |nanos| format!("  {}", report::utc(nanos)));
                if ui.selectable_label(earlier.path == chosen, format!("{}{began}", earlier.name)).clicked() {
                    wanted = Some(earlier.path.clone());
                }
            }
        });
        wanted
    }
}

/// The name of the pack of a recording, and when it began.
fn head_of(path: &Path) -> Option<(String, Option<i64>)> {
    let recording = session::opening::recording(path).ok()?;
    let header = recording.header();
    let pack = Pack::parse(&header.pack_text).0?;
    Some((pack.name().to_owned(), header.started_utc_nanos))
}

fn look(new: &Path) -> Vec<Earlier> {
    let (Some((pack, began)), Some(folder)) = (head_of(new), new.parent()) else { return Vec::new() };
    let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    let dated = |path: PathBuf| {
        let written = path.metadata().and_then(|file| file.modified()).unwrap_or(SystemTime::UNIX_EPOCH);
        (written, path)
    };
    let mut files: Vec<(SystemTime, PathBuf)> = entries
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.extension().is_some_and(|end| end == "mcap") && path.file_name() != new.file_name())
        .map(dated)
        .collect();
    files.sort_by(|(a, first), (b, second)| b.cmp(a).then_with(|| first.cmp(second)));
    let heads = files.into_iter().take(LOOKED_INTO).filter_map(|(_, path)| {
        let (name, began) = head_of(&path)?;
        let file = path.file_name()?.to_string_lossy().into_owned();
        (name == pack).then_some(Earlier { path, name: file, began })
    });
    // What is known to be later is not an earlier one.
    let mut found: Vec<Earlier> =
        heads.filter(|other| began.zip(other.began).is_none_or(|(this, other)| other < this)).collect();
    found.sort_by(|a, b| b.began.cmp(&a.began).then_with(|| a.name.cmp(&b.name)));
    found.truncate(OFFERED);
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_recordings_of_the_same_pack_are_offered() {
        let folder = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../recordings"));
        let found = look(&folder.join("acorn-weak-cell.mcap"));
        let names: Vec<&str> = found.iter().map(|earlier| earlier.name.as_str()).collect();
        assert_eq!(names, ["acorn-first-switch-on.mcap", "acorn-next-season.mcap", "acorn-open-sense-lead.mcap"]);
        assert_eq!(look(&folder.join("none.mcap")), []);
    }
}
