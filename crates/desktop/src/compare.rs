//! What drifted against an earlier session of the same pack.
//!
//! What changed stands first, by much before by little; then what can't be told, with why; what is the same is counted and
//! folded away. Both recordings are judged again on a thread of their own.

mod beside;
mod strips;

use std::path::{Path, PathBuf};
use std::sync::Arc;

use egui::{CentralPanel, CollapsingHeader, Context, Frame, Grid, Label, Margin, RichText, ScrollArea, TextEdit, Ui};
use report::{Account, Comparison, Line, Told};
use session::accounts::{Aside, account_of};
use session::rules::Outcome;
use session::snapshot::{Failure, Phase, Recording};

use crate::colours::{Colours, Meaning};
use crate::dialogs::{Dialogs, Field};
use crate::pieces;
use crate::shell::Files;
use crate::wording::{Look, Said};
use crate::writing::{Named, NotWritten, Target, Writing, Written};

use beside::Beside;

const PAGE: Named = Named { what: "the page", hint: "a new file, such as drift.html", field: Field::Page };

/// Two sessions held against each other.
#[derive(Debug)]
struct Compared {
    old: Account,
    new: Account,
    comparison: Comparison,
}

/// What the person chose, and what came of it.
#[derive(Debug, Default)]
pub struct Compare {
    /// The earlier recording, as typed.
    old: String,
    dialogs: Dialogs,
    beside: Beside,
    /// The two files, and the work on them; why there is no thread, if there is none.
    work: Option<(PathBuf, PathBuf, Result<Aside<Compared>, String>)>,
    page_open: bool,
    page: Writing,
    /// The program with its version, for the page.
    made_by: String,
}

impl Compare {
    /// For this program, with its version.
    pub fn new(made_by: &str) -> Self {
        Self { made_by: made_by.to_owned(), ..Self::default() }
    }

    /// Fills in the earlier recording and begins, as a person would.
    pub fn choose(&mut self, old: &Path, new: &Path, ctx: &Context) {
        self.old = old.display().to_string();
        self.start(old.to_owned(), new.to_owned(), ctx);
    }

    /// Types this into the field and does not begin.
    pub fn shows_as(&mut self, old: &str) {
        old.clone_into(&mut self.old);
    }

    /// Draws the screen. `look`: the session that runs or is shown; `None` before one.
    pub fn ui(&mut self, ui: &mut Ui, look: Option<Look<'_>>, files: &Files) {
        let colours = Colours::of(ui.visuals());
        let frame = Frame::new().fill(colours.ground).inner_margin(Margin::symmetric(16, 10));
        CentralPanel::default().frame(frame).show(ui, |ui| match ready(look, files) {
            Err(why) => nothing(ui, why),
            Ok(new) => {
                let new = new.to_owned();
                self.chooser(ui, &new);
                self.compared(ui, &new);
            }
        });
    }

    /// Which earlier recording.
    fn chooser(&mut self, ui: &mut Ui, new: &Path) {
        if let Some((Field::Earlier, path)) = self.dialogs.chosen() {
            self.old = path.display().to_string();
        }
        let mut go = false;
        ui.horizontal_wrapped(|ui| {
            ui.set_min_height(pieces::ROW);
            let label = ui.label(RichText::new("What drifted since").size(17.0).strong());
            let field = TextEdit::singleline(&mut self.old).hint_text("an earlier recording of this pack");
            let field = ui.add(field.desired_width(320.0)).labelled_by(label.id);
            go |= field.lost_focus() && ui.input(|input| input.key_pressed(egui::Key::Enter));
            if ui.add_enabled(!self.dialogs.is_open(), egui::Button::new("Choose…")).clicked() {
                self.dialogs.ask(Field::Earlier, ui.ctx());
            }
            let can = !self.old.trim().is_empty();
            go |= ui.add_enabled(can, egui::Button::new("Compare them")).clicked();
        });
        if let Some(said) = self.dialogs.said {
            ui.label(RichText::new(said).size(13.0));
        }
        if let Some(path) = self.beside.ui(ui, new, Path::new(self.old.trim())) {
            self.old = path.display().to_string();
            go = true;
        }
        if go && !self.old.trim().is_empty() {
            self.start(PathBuf::from(self.old.trim()), new.to_owned(), ui.ctx());
        }
        ui.separator();
    }

    fn start(&mut self, old: PathBuf, new: PathBuf, ctx: &Context) {
        let ctx = ctx.clone();
        let wake = Arc::new(move || ctx.request_repaint());
        let paths = (old.clone(), new.clone());
        let work = Aside::start("comparison", wake, move |going| {
            let same =
                std::fs::canonicalize(&old).ok().filter(|old| std::fs::canonicalize(&new).ok().as_ref() == Some(old));
            if same.is_some() {
                return Err(failed("that is this recording itself", "choose one of an earlier day"));
            }
            let read = |path: &Path| match account_of(path, going) {
                Ok(Some(account)) => Ok(account),
                Ok(None) => Err(failed("it was stopped", "")),
                Err(failure) => Err(Failure { text: format!("{}: {}", name_of(path), failure.text), ..failure }),
            };
            let (old, new) = (read(&old)?, read(&new)?);
            let comparison = report::compare(&old, &new)
                .map_err(|error| failed(&error.to_string(), "choose an earlier recording of the same pack"))?;
            Ok(Compared { old, new, comparison })
        });
        let work = work.map_err(|error| format!("the system gave no thread: {error}"));
        self.work = Some((paths.0, paths.1, work));
        self.page = Writing::default();
    }

    fn compared(&mut self, ui: &mut Ui, new: &Path) {
        let Some((_, of, work)) = &self.work else {
            let text = "Choose an earlier recording of the same pack. Both are judged again, and what differs by more than \
                        chance explains is told here: cells, resistances, drift, temperatures, the line, limits.";
            ui.add(Label::new(RichText::new(text).size(16.0)).wrap());
            return;
        };
        if of != new {
            ui.label("Another recording is shown now: compare again.");
            return;
        }
        let danger = |ui: &mut Ui, text: String| {
            pieces::said(ui, &Said { meaning: Meaning::Danger, sign: "x", text }, 16.0);
        };
        let work = match work {
            Ok(work) => work,
            Err(why) => return danger(ui, why.clone()),
        };
        match work.result() {
            None => {
                ui.label(format!("Both recordings are being judged again: {} %", work.percent()));
                // How far it is changes without anybody being woken.
                ui.ctx().request_repaint_after(std::time::Duration::from_millis(200));
            }
            Some(Err(failure)) => {
                danger(ui, format!("They can't be compared: {}", failure.text));
                if let Some(hint) = failure.hint.filter(|hint| !hint.is_empty()) {
                    ui.add(Label::new(format!("hint: {hint}")).wrap());
                }
            }
            Some(Ok(compared)) => self.result(ui, &compared),
        }
    }

    fn result(&mut self, ui: &mut Ui, compared: &Arc<Compared>) {
        let scroll = ScrollArea::vertical().id_salt("comparison").auto_shrink(false);
        scroll.show(ui, |ui| {
            sessions(ui, compared);
            for note in &compared.comparison.notes {
                pieces::said(ui, &Said { meaning: Meaning::Abnormal, sign: "!", text: note.clone() }, 14.0);
            }
            ui.add_space(4.0);
            summary(ui, &compared.comparison);
            ui.add_space(4.0);
            strips::ui(ui, &compared.comparison, compared.new.pack.cells());
            changed(ui, &compared.comparison);
            unknown(ui, &compared.comparison);
            same(ui, &compared.comparison);
            ui.add_space(6.0);
            self.page_ui(ui, compared);
        });
    }

    fn page_ui(&mut self, ui: &mut Ui, compared: &Arc<Compared>) {
        if ui.selectable_label(self.page_open, "Page…").clicked() {
            self.page_open = !self.page_open;
        }
        if !self.page_open {
            return;
        }
        let wanted = self.page.ui(ui, &PAGE, |ui| {
            ui.label("The comparison as a page to read and to print");
        });
        let (Some((to, over)), Some((old, new, _))) = (wanted, &self.work) else { return };
        let (sources, made_by, compared) = ([old.clone(), new.clone()], self.made_by.clone(), Arc::clone(compared));
        self.page.start(to, over, ui.ctx(), move |to, over| write_page(&compared, &sources, &made_by, to, over));
    }
}

/// Writes what `packwake compare` writes of the same recordings, byte for byte.
fn write_page(
    compared: &Compared,
    sources: &[PathBuf; 2],
    made_by: &str,
    to: &Path,
    over: bool,
) -> Result<Written, NotWritten> {
    let Compared { old, new, comparison } = compared;
    let [first, second] = sources;
    Target::new(to, over, &[first, second])?.write_page(&report::comparison_page(old, new, comparison, made_by))?;
    let (changed, ..) = comparison.counts();
    Ok(Written { text: format!("{changed} changed: comparison in {}", to.display()), whole: true })
}

fn failed(text: &str, hint: &str) -> Failure {
    Failure { text: text.to_owned(), hint: Some(hint.to_owned()), ..Failure::default() }
}

fn name_of(path: &Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned())
}

/// Why there is nothing to compare.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Not {
    Begun,
    Recorded,
    Over,
}

/// The recording that is compared, if there is a whole one.
fn ready<'a>(look: Option<Look<'_>>, files: &'a Files) -> Result<&'a Path, Not> {
    let Some(look) = look else { return Err(Not::Begun) };
    let path = files.recording.as_deref().ok_or(Not::Recorded)?;
    let over = look.snapshot.recording == Recording::Finished || look.snapshot.phase == Phase::Ended || look.finished;
    if files.is_recording || over { Ok(path) } else { Err(Not::Over) }
}

fn nothing(ui: &mut Ui, why: Not) {
    let (title, text) = match why {
        Not::Begun => (
            "Nothing to compare yet",
            "Choose a recording on Source (S), or drop one on this window: here it is held against an earlier one of the \
             same pack.",
        ),
        Not::Recorded => (
            "Nothing to compare",
            "This session is not recorded, so that it can't be held against an earlier one. For the next one, name a file \
             under \"Record to\" on Source.",
        ),
        Not::Over => (
            "Not yet",
            "This session goes on. When it has ended, it can be compared here with an earlier one of the same pack.",
        ),
    };
    ui.label(RichText::new(title).size(26.0));
    ui.add_space(8.0);
    ui.add(Label::new(RichText::new(text).size(16.0)).wrap());
}

/// Both sessions, a line each.
fn sessions(ui: &mut Ui, compared: &Compared) {
    for (which, account) in [("then", &compared.old), ("now", &compared.new)] {
        ui.horizontal_wrapped(|ui| {
            ui.label(RichText::new(which).size(14.0).strong());
            let (meaning, sign) = match account.verdict.outcome {
                Outcome::Go => (Meaning::Safe, "+"),
                Outcome::NoGo => (Meaning::Danger, "x"),
                Outcome::CannotTell => (Meaning::Abnormal, "?"),
            };
            let text = account.verdict.outcome.name().to_uppercase();
            pieces::said_inline(ui, &Said { meaning, sign, text }, 15.0);
            let began = account.started_utc_nanos.map_or("at a time that was not recorded".to_owned(), report::utc);
            let practice = if account.practice { ", practice: no real pack" } else { "" };
            ui.label(format!("{}, {began}, {:.0} s{practice}", account.file.name, account.end));
        });
        for damage in account.file.damage.iter().take(2) {
            pieces::said(ui, &Said { meaning: Meaning::Abnormal, sign: "!", text: damage.clone() }, 13.0);
        }
    }
}

/// What it comes to, in large words.
fn summary(ui: &mut Ui, comparison: &Comparison) {
    let (changed, unknown, same) = comparison.counts();
    let large = comparison.lines.iter().filter(|line| line.large).count();
    let said = match (changed, large) {
        (0, _) if same == 0 => Said { meaning: Meaning::Abnormal, sign: "?", text: "Nothing can be told".to_owned() },
        (0, _) => Said { meaning: Meaning::Safe, sign: "=", text: "Nothing changed, as far as can be told".to_owned() },
        (count, 0) => {
            Said { meaning: Meaning::Action, sign: ">", text: format!("{count} changed, none of them by much") }
        }
        (count, large) => {
            Said { meaning: Meaning::Abnormal, sign: "!", text: format!("{count} changed, {large} of them by much") }
        }
    };
    ui.horizontal_wrapped(|ui| {
        pieces::said_whole(ui, &said, 20.0);
        ui.label(format!("{unknown} can't be told, {same} the same within what can be told"));
    });
}

/// What changed, a block each.
fn changed(ui: &mut Ui, comparison: &Comparison) {
    let lines: Vec<&Line> = comparison.lines.iter().filter(|line| line.told == Told::Changed).collect();
    if lines.is_empty() {
        return;
    }
    pieces::title(ui, "Changed: new less old, beyond four of its standard uncertainties");
    let colours = Colours::of(ui.visuals());
    for line in lines {
        let margin = Margin { left: 10, right: 8, top: 3, bottom: 3 };
        Frame::new().fill(colours.sheet).inner_margin(margin).show(ui, |ui| {
            ui.set_width(ui.available_width());
            ui.spacing_mut().item_spacing.y = 2.0;
            ui.horizontal_wrapped(|ui| {
                if line.large {
                    let (meaning, text) = (Meaning::Abnormal, line.what.clone());
                    pieces::said_inline(ui, &Said { meaning, sign: "!", text }, 16.0);
                    ui.label(RichText::new("by much").size(13.0).color(colours.of_meaning(meaning)));
                } else {
                    ui.label(RichText::new(&line.what).size(16.0));
                }
                let difference = line.difference();
                if !difference.is_empty() {
                    ui.label(RichText::new(difference).size(16.0).monospace());
                }
            });
            ui.horizontal_wrapped(|ui| {
                ui.label(RichText::new(format!("then {}, now {}", line.old, line.new)).size(14.0));
                if !line.beside.is_empty() {
                    ui.label(RichText::new(&line.beside).size(13.0).color(colours.faint));
                }
            });
        });
    }
    ui.add_space(6.0);
}

/// What can't be told, and why.
fn unknown(ui: &mut Ui, comparison: &Comparison) {
    let lines = || comparison.lines.iter().filter(|line| matches!(line.told, Told::CannotTell(_)));
    if lines().next().is_none() {
        return;
    }
    pieces::title(ui, "Can't be told");
    for line in lines() {
        let Told::CannotTell(why) = &line.told else { continue };
        let both = if line.old.is_empty() { String::new() } else { format!(" (then {}, now {})", line.old, line.new) };
        let text = format!("{}: {why}{both}", line.what);
        pieces::said(ui, &Said { meaning: Meaning::Unknown, sign: "?", text }, 14.0);
    }
    ui.add_space(6.0);
}

/// What is the same, to be opened.
fn same(ui: &mut Ui, comparison: &Comparison) {
    let lines: Vec<&Line> = comparison.lines.iter().filter(|line| line.told == Told::Same).collect();
    if lines.is_empty() {
        return;
    }
    let title = format!("{} the same within what can be told", lines.len());
    CollapsingHeader::new(title).id_salt("the same").show(ui, |ui| {
        Grid::new("same lines").num_columns(3).striped(true).spacing([18.0, 3.0]).show(ui, |ui| {
            for line in lines {
                ui.label(RichText::new(&line.what).size(13.0));
                let both = if line.old == line.new { line.new.clone() } else { format!("{}, {}", line.old, line.new) };
                ui.label(RichText::new(both).size(13.0));
                ui.label(RichText::new(line.difference()).size(13.0).monospace());
                ui.end_row();
            }
        });
    });
}
