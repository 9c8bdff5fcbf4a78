//! Faults of a file as text, with the lines that they are in.

use std::path::{Path, PathBuf};

use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};
use model::Fault;

/// A protocol or pack file with errors.
#[derive(Debug)]
pub(crate) struct FaultyFile {
    path: PathBuf,
    text: String,
    faults: Vec<Fault>,
}

impl FaultyFile {
    pub(crate) fn new(path: &Path, text: &str, faults: Vec<Fault>) -> Self {
        Self { path: path.to_owned(), text: text.to_owned(), faults }
    }

    pub(crate) fn render(&self, colour: bool) -> String {
        let lines: Vec<String> =
            self.faults.iter().map(|fault| render(&self.path, &self.text, fault, colour)).collect();
        lines.join("\n\n")
    }
}

impl std::fmt::Display for FaultyFile {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} has {} faults", self.path.display(), self.faults.len())
    }
}

impl std::error::Error for FaultyFile {}

/// One fault with its line, the place marked, and what to do.
pub(crate) fn render(path: &Path, text: &str, fault: &Fault, colour: bool) -> String {
    let path = path.display().to_string();
    let level = match fault.level {
        model::Level::Error => Level::ERROR,
        model::Level::Warning => Level::WARNING,
    };
    // A table's span goes over many lines: its first says where it is.
    let span = &fault.span;
    let first_line = text.get(span.clone()).and_then(|part| part.lines().next()).map_or(0, str::len);
    let span = span.start..span.start + first_line;
    let snippet = Snippet::source(text).path(path.as_str()).annotation(AnnotationKind::Primary.span(span));
    let mut group = level.primary_title(fault.message.as_str()).element(snippet);
    if let Some(hint) = &fault.hint {
        group = group.element(Level::HELP.with_name("hint").message(hint.as_str()));
    }
    let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
    renderer.render(&[group])
}
