//! The recording as a table, all of it or the part that is shown, and as a report; written on threads of their own.

use std::num::NonZero;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use egui::Ui;
use model::{Batch, SessionTime};
use session::RowReader;
use session::accounts::{Going, account_of};

use crate::dialogs::Field;
use crate::writing::{Named, NotWritten, Target, Writing, Written};

const TABLE: Named = Named { what: "the table", hint: "a new file, such as acorn.csv", field: Field::Csv };
const REPORT: Named = Named { what: "the report", hint: "a new file, such as acorn.html", field: Field::Page };

/// What a table is made of.
struct Wanted {
    recording: PathBuf,
    /// The text of the protocol that it is read by, if it is not its own.
    protocol: Option<String>,
    /// In nanoseconds; `None` for all of it.
    range: Option<Range<u64>>,
}

/// What the person asked for, and how far the writing is.
#[derive(Debug, Default)]
pub(super) struct Export {
    open: Option<Kind>,
    /// Only what is shown.
    part: bool,
    table: Writing,
    report: Writing,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Kind {
    Table,
    Report,
}

/// What is written of.
#[derive(Clone, Copy, Debug)]
pub(super) struct Of<'a> {
    pub(super) recording: &'a Path,
    /// The text of the protocol that it is read by, if it is not its own.
    pub(super) protocol: Option<&'a str>,
    /// It is judged by another pack than its own as well, perhaps.
    pub(super) by_other_texts: bool,
    /// The program, for the report.
    pub(super) made_by: &'a str,
}

impl Export {
    /// The buttons that open the rest.
    pub(super) fn buttons(&mut self, ui: &mut Ui) {
        for (kind, text) in [(Kind::Table, "Table as CSV…"), (Kind::Report, "Report…")] {
            if ui.selectable_label(self.open == Some(kind), text).clicked() {
                self.open = (self.open != Some(kind)).then_some(kind);
            }
        }
    }

    /// The line with the file to write, once it was asked for. `shown`: in nanoseconds, `None` if all of it is.
    pub(super) fn ui(&mut self, ui: &mut Ui, of: Of<'_>, shown: Option<Range<u64>>) {
        match self.open {
            None => {}
            Some(Kind::Table) => self.table_ui(ui, of, shown),
            Some(Kind::Report) => self.report_ui(ui, of),
        }
    }

    fn table_ui(&mut self, ui: &mut Ui, of: Of<'_>, shown: Option<Range<u64>>) {
        let part = &mut self.part;
        let wanted = self.table.ui(ui, &TABLE, |ui| {
            ui.selectable_value(part, false, "all of it");
            let button = ui.add_enabled(shown.is_some(), egui::Button::selectable(*part, "what is shown"));
            if button.clicked() {
                *part = true;
            }
        });
        let Some((to, over)) = wanted else { return };
        let range = shown.filter(|_| self.part);
        let from = Wanted { recording: of.recording.to_owned(), protocol: of.protocol.map(str::to_owned), range };
        self.table.start(to, over, ui.ctx(), move |to, over| write_table(&from, to, over));
    }

    fn report_ui(&mut self, ui: &mut Ui, of: Of<'_>) {
        let wanted = self.report.ui(ui, &REPORT, |ui| {
            ui.label(if of.by_other_texts {
                "A page to read and to print, by the recording's own protocol and pack,"
            } else {
                "A page to read and to print"
            });
        });
        let Some((to, over)) = wanted else { return };
        let (recording, made_by) = (of.recording.to_owned(), of.made_by.to_owned());
        self.report.start(to, over, ui.ctx(), move |to, over| write_report(&recording, &made_by, to, over));
    }
}

/// Writes what `packwake export` writes of the same recording and times, byte for byte.
fn write_table(from: &Wanted, to: &Path, over: bool) -> Result<Written, NotWritten> {
    let range =
        from.range.as_ref().map(|range| SessionTime::from_nanos(range.start)..SessionTime::from_nanos(range.end));
    let target = Target::new(to, over, &[&from.recording])?;
    let recording = session::opening::recording(&from.recording).map_err(|failure| failure.text)?;
    let mut header = recording.header().clone();
    if let Some(text) = &from.protocol {
        header.protocol_text.clone_from(text);
    }
    let protocol = session::opening::protocol_of(&header).map_err(|failure| failure.text)?;
    let mut inputs = recording.inputs_ahead();
    let mut reader = RowReader::new(Arc::clone(&protocol));
    let next = |batch: &mut Batch| reader.next_batch(&mut inputs, batch);
    let threads = std::thread::available_parallelism().unwrap_or(NonZero::<usize>::MIN);
    let rows = target.write(|file| {
        report::export(protocol.layout(), next, range, threads, file).map_err(|error| error.to_string().into())
    })?;
    let damage = inputs.damage().first().map(|damage| format!("the recording is incomplete: {damage}"));
    let cut = (!reader.is_complete()).then(|| "the recording has no end".to_owned());
    let text = format!("{rows} rows in {}", to.display());
    Ok(match damage.or(cut) {
        None => Written { text, whole: true },
        Some(damage) => Written { text: format!("{text}, but {damage}"), whole: false },
    })
}

/// Writes what `packwake report` writes of the same recording, byte for byte.
fn write_report(recording: &Path, made_by: &str, to: &Path, over: bool) -> Result<Written, NotWritten> {
    let target = Target::new(to, over, &[recording])?;
    let account = account_of(recording, &Going::default()).map_err(|failure| failure.text)?;
    let account = account.ok_or_else(|| "it was stopped".to_owned())?;
    target.write_page(&report::report(&account, None, made_by))?;
    let text = format!("{}: report in {}", account.verdict.outcome.name(), to.display());
    Ok(match account.file.damage.first() {
        None => Written { text, whole: true },
        Some(damage) => Written { text: format!("{text}, but {damage}"), whole: false },
    })
}
