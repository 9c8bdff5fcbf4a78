//! Changing single values of a TOML text while every other byte stays as it is.
//!
//! The tree of `toml_edit` tells where each value stands; the text itself is then cut and joined there. Written back from
//! the tree it would lose its line ends where they are those of Windows, and how its author spaced it.

use std::collections::BTreeMap;
use std::ops::Range;

use toml_edit::{Document, InlineTable, Item, Table, TableLike, Value};

use crate::depth::too_deep;
use crate::table::{Kind, LONGEST_TEXT, TableSpec};

/// Where a value stands in a file: the names of its tables and its key.
pub type Path = Vec<String>;

/// A value as it is written.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Written {
    /// The content of a text; any other value as its bytes in the file.
    pub value: String,
    /// The bytes of its key.
    pub key: Range<usize>,
    /// Its bytes in the file, with the quotes of a text.
    pub span: Range<usize>,
}

/// What to write.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum NewValue<'v> {
    /// A text; its quotes are added.
    Text(&'v str),
    /// A value as TOML writes it, such as `24` or `["a", "b"]`. What is no value is written as a text, for the reader to
    /// find fault with.
    Toml(&'v str),
}

/// Why a value was not changed.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum NotEdited {
    /// The text is no TOML.
    #[error("the text is not valid TOML, so nothing in it can be changed by itself")]
    NotToml,
    /// The file writes this part in a way that can't be changed by itself.
    #[error("{0:?} is written here in a way that can't be changed by itself: change it in the text")]
    InTheWay(String),
}

/// How a table is written.
#[derive(Clone, PartialEq, Eq, Debug)]
enum Shape {
    /// With a header of its own: `[a.b]`; the root has none.
    Header(Range<usize>),
    /// Only by the headers of its tables.
    Implied,
    /// By keys with dots, on lines of their own or in braces.
    Dotted,
    /// In braces.
    Braces(Range<usize>),
}

/// A table or a value, in the order of the text.
#[derive(Clone, Debug)]
struct Node {
    path: Path,
    key: Range<usize>,
    /// Of a value, or of a table in braces; the key's for the others.
    span: Range<usize>,
    /// `None` for a value.
    shape: Option<Shape>,
    /// It stands inside the braces of this path.
    braces: Option<Path>,
}

/// A TOML text whose values can be changed one by one.
#[derive(Clone, Debug)]
pub struct EditText {
    text: String,
    spec: &'static TableSpec,
    nodes: Vec<Node>,
    values: BTreeMap<Path, Written>,
}

impl EditText {
    /// Takes a text apart. `spec`: in which order new keys come.
    ///
    /// # Errors
    /// It is no TOML, longer than 1 MiB or nested too deep; [`read`](crate::read) says what is wrong with it.
    pub fn new(text: String, spec: &'static TableSpec) -> Result<Self, NotEdited> {
        if LONGEST_TEXT < text.len() || too_deep(&text).is_some() {
            return Err(NotEdited::NotToml);
        }
        let document = Document::parse(text.as_str()).map_err(|_| NotEdited::NotToml)?;
        let mut nodes = Vec::new();
        let root = Vec::new();
        nodes.push(Node { path: root.clone(), key: 0..0, span: 0..0, shape: Some(Shape::Header(0..0)), braces: None });
        walk(document.as_table(), &root, None, &mut nodes);
        let values = nodes
            .iter()
            .filter(|node| node.shape.is_none())
            .filter_map(|node| {
                let raw = text.get(node.span.clone())?;
                let value = text_in(raw).unwrap_or_else(|| raw.to_owned());
                Some((node.path.clone(), Written { value, key: node.key.clone(), span: node.span.clone() }))
            })
            .collect();
        drop(document);
        Ok(Self { text, spec, nodes, values })
    }

    /// The whole text.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// A value as it is written; `None` where the file does not give it.
    pub fn value(&self, path: &[&str]) -> Option<&Written> {
        let path: Path = path.iter().map(|name| (*name).to_owned()).collect();
        self.values.get(&path)
    }

    /// Every value with its path.
    pub fn values(&self) -> impl Iterator<Item = (&Path, &Written)> {
        self.values.iter()
    }

    /// Where a table begins: its header, or its braces; `None` where the file has none by itself.
    pub fn table(&self, path: &[&str]) -> Option<Range<usize>> {
        let node = self.nodes.iter().find(|node| node.path == path && node.shape.is_some())?;
        match &node.shape {
            Some(Shape::Header(span) | Shape::Braces(span)) => Some(span.clone()),
            _ => None,
        }
    }

    /// The text with this value changed, or added at its place. Nothing else changes.
    ///
    /// # Errors
    /// The file writes that part in a way that can't be changed by itself.
    pub fn set(&self, path: &[&str], value: NewValue<'_>) -> Result<Self, NotEdited> {
        let old = self.value(path).and_then(|written| self.text.get(written.span.clone()));
        self.set_raw(path, &raw(value, old))
    }

    /// The text without this value. A table that holds nothing else goes with it where adding the value would bring the
    /// same text back.
    ///
    /// # Errors
    /// The file writes that part in a way that can't be changed by itself.
    pub fn remove(&self, path: &[&str]) -> Result<Self, NotEdited> {
        let Some(written) = self.value(path) else { return Ok(self.clone()) };
        let raw = self.text.get(written.span.clone()).unwrap_or_default().to_owned();
        let owned: Path = path.iter().map(|name| (*name).to_owned()).collect();
        let mut last = Err(in_the_way(path));
        for text in self.without_table(&owned).into_iter().chain(self.without(&owned)) {
            let Ok(edited) = Self::new(text, self.spec) else { continue };
            if !self.differs_only_at(&edited, &owned) || edited.value(path).is_some() {
                continue;
            }
            if edited.set_raw(path, &raw).is_ok_and(|back| back.text == self.text) {
                return Ok(edited);
            }
            // What is tried last takes nothing with it but the value.
            last = Ok(edited);
        }
        last
    }

    fn set_raw(&self, path: &[&str], raw: &str) -> Result<Self, NotEdited> {
        let owned: Path = path.iter().map(|name| (*name).to_owned()).collect();
        let text = match self.values.get(&owned) {
            Some(written) => self.replaced(&written.span, raw),
            None => self.with_new(&owned, raw).ok_or_else(|| in_the_way(path))?,
        };
        let edited = Self::new(text, self.spec).map_err(|_| in_the_way(path))?;
        let there = edited.value(path).and_then(|written| edited.text.get(written.span.clone())) == Some(raw);
        if there && self.differs_only_at(&edited, &owned) { Ok(edited) } else { Err(in_the_way(path)) }
    }

    /// Whether every other value is as it was: an edit that moves one is a fault of ours, and is not done.
    fn differs_only_at(&self, other: &Self, path: &Path) -> bool {
        let rest = |text: &Self| -> Vec<(Path, String)> {
            let others = text.values.iter().filter(|(of, _)| *of != path);
            others.map(|(of, written)| (of.clone(), written.value.clone())).collect()
        };
        rest(self) == rest(other)
    }

    fn replaced(&self, span: &Range<usize>, with: &str) -> String {
        let before = self.text.get(..span.start).unwrap_or_default();
        let after = self.text.get(span.end..).unwrap_or_default();
        format!("{before}{with}{after}")
    }

    fn node(&self, path: &[String]) -> Option<&Node> {
        self.nodes.iter().find(|node| node.path == path)
    }

    /// What stands directly in a table.
    fn children(&self, path: &[String]) -> impl Iterator<Item = &Node> {
        self.nodes.iter().filter(move |node| node.path.len() == path.len() + 1 && node.path.starts_with(path))
    }

    /// The text with a value that it did not have.
    fn with_new(&self, path: &[String], raw: &str) -> Option<String> {
        let (key, parent) = path.split_last()?;
        let own = (0..=parent.len()).rev().find_map(|depth| {
            let of = path.get(..depth)?;
            let shape = self.node(of)?.shape.clone()?;
            Some((of, shape))
        });
        let (of, shape) = own?;
        // What is still to be written from there on: the key itself, or tables and the key.
        let rest = path.get(of.len()..)?;
        let nested = |rest: &[String]| -> Option<(String, String)> {
            let (first, deeper) = rest.split_first()?;
            let value =
                deeper.iter().rev().fold(raw.to_owned(), |value, key| format!("{{ {} = {value} }}", quoted(key)));
            Some((first.clone(), value))
        };
        match shape {
            Shape::Braces(braces) => {
                let (first, value) = nested(rest)?;
                Some(self.in_braces(of, &braces, &format!("{} = {value}", quoted(&first))))
            }
            Shape::Dotted => {
                let dotted: Vec<String> = rest.iter().map(|key| quoted(key)).collect();
                self.dotted(of, &dotted.join("."), raw)
            }
            Shape::Header(_) if rest.len() == 1 => self.on_a_line(of, key, raw),
            Shape::Header(_) if !of.is_empty() && self.children(of).any(is_braces_on_a_line) => {
                let (first, value) = nested(rest)?;
                self.on_a_line(of, &first, &value)
            }
            Shape::Header(_) | Shape::Implied => Some(self.with_header(parent, key, raw)),
        }
    }

    fn in_braces(&self, path: &[String], braces: &Range<usize>, entry: &str) -> String {
        let last =
            self.nodes.iter().filter(|node| node.shape.is_none() || matches!(node.shape, Some(Shape::Braces(_))));
        let inside = last.filter(|node| node.braces.as_deref() == Some(path)).map(|node| node.span.end);
        match inside.max() {
            Some(end) => self.replaced(&(end..end), &format!(", {entry}")),
            None => self.replaced(braces, &format!("{{ {entry} }}")),
        }
    }

    /// A line beside others that begin with the same keys and dots.
    fn dotted(&self, path: &[String], key: &str, raw: &str) -> Option<String> {
        let sibling = self.nodes.iter().filter(|node| node.path.len() == path.len() + 1 && node.path.starts_with(path));
        let sibling = sibling.filter(|node| node.braces.is_none()).max_by_key(|node| node.span.end)?;
        let prefix = self.text.get(self.line_start(sibling.key.start)..sibling.key.start)?;
        let inside = self.nodes.iter().filter(|node| node.path.starts_with(path) && node.braces.is_none());
        let at = self.line_end(inside.map(|node| node.span.end).max()?);
        Some(self.replaced(&(at..at), &format!("{}{prefix}{key} = {raw}", self.newline())))
    }

    /// A line of its own in a table with a header, at its place in the order of the keys.
    fn on_a_line(&self, path: &[String], key: &str, raw: &str) -> Option<String> {
        let order = |name: &str| position(self.spec, path, name).unwrap_or(usize::MAX);
        let own = order(key);
        let lines = self.children(path).filter_map(|child| self.lines_of(child));
        let earlier = self.children(path).filter(|child| child.path.last().is_some_and(|name| order(name) <= own));
        let after = earlier.filter_map(|child| self.lines_of(child)).max_by_key(|(_, _, end)| *end);
        let entry = format!("{} = {raw}", quoted(key));
        if let Some((start, indent_end, end)) = after {
            let indent = self.text.get(start..indent_end)?;
            return Some(self.replaced(&(end..end), &format!("{}{indent}{entry}", self.newline())));
        }
        if let Some(Shape::Header(header)) = self.node(path)?.shape.clone().filter(|_| !path.is_empty()) {
            let at = self.line_end(header.end);
            return Some(self.replaced(&(at..at), &format!("{}{entry}", self.newline())));
        }
        // The root: before its first line, or else at the very top.
        let at = lines.map(|(start, _, _)| start).min().unwrap_or(0);
        Some(self.replaced(&(at..at), &format!("{entry}{}", self.newline())))
    }

    /// Where the first line of a child begins, where its indent ends, and where its last line ends; `None` for one with a
    /// header of its own.
    fn lines_of(&self, child: &Node) -> Option<(usize, usize, usize)> {
        if matches!(child.shape, Some(Shape::Header(_) | Shape::Implied)) || child.braces.is_some() {
            return None;
        }
        let inside = self.nodes.iter().filter(|node| node.path.starts_with(&child.path));
        let end = inside.map(|node| node.span.end).max().unwrap_or(child.span.end);
        let start = self.line_start(child.key.start);
        let line = self.text.get(start..)?;
        let indent = line.len() - line.trim_start_matches([' ', '\t']).len();
        Some((start, start + indent, self.line_end(end)))
    }

    /// A header of its own at its place among its kin, or at the end of the file.
    fn with_header(&self, table: &[String], key: &str, raw: &str) -> String {
        let newline = self.newline();
        let whole =
            self.text.strip_suffix('\n').map_or(self.text.as_str(), |text| text.strip_suffix('\r').unwrap_or(text));
        let at = self.place_of_header(table).map_or(whole.len(), |end| self.line_end(end));
        let name: Vec<String> = table.iter().map(|name| quoted(name)).collect();
        let gap = if at == 0 { String::new() } else { newline.repeat(2) };
        let entry = format!("{gap}[{}]{newline}{} = {raw}", name.join("."), quoted(key));
        self.replaced(&(at..at), &entry)
    }

    /// Behind the last of its kin that comes before it in the order of the keys; else in front of all of them.
    fn place_of_header(&self, table: &[String]) -> Option<usize> {
        let (first, second) = (table.first()?, table.get(1)?);
        let order = |name: &str| position(self.spec, std::slice::from_ref(first), name).unwrap_or(usize::MAX);
        let kin = || self.nodes.iter().filter(|node| node.path.len() > 1 && node.path.first() == Some(first));
        let earlier = kin().filter(|node| node.path.get(1).is_some_and(|name| order(name) <= order(second)));
        let explicit = self.nodes.iter().filter(|node| node.path == [first.as_str()]).filter_map(header_of);
        if let Some(end) = earlier.map(end_of).chain(explicit.map(|header| header.end)).max() {
            return Some(end);
        }
        let next = kin().filter_map(header_of).map(|header| header.start).min()?;
        self.nodes.iter().map(end_of).filter(|end| *end <= next && 0 < *end).max()
    }

    /// The texts without a value, the best first.
    fn without(&self, path: &[String]) -> Option<String> {
        let node = self.node(path)?;
        match &node.braces {
            Some(braces) => self.out_of_braces(node, braces),
            None => {
                let line = self.line_start(node.key.start)..self.line_end(node.span.end);
                Some(self.replaced(&self.with_newline(line), ""))
            }
        }
    }

    /// The text without a value and the table that holds nothing else.
    fn without_table(&self, path: &[String]) -> Option<String> {
        let (_, parent) = path.split_last()?;
        let alone = !parent.is_empty() && self.nodes.iter().filter(|node| node.path.starts_with(parent)).count() == 2;
        let table = self.node(parent).filter(|_| alone)?;
        let value = self.node(path)?;
        match table.shape.as_ref()? {
            Shape::Header(header) => {
                let block = self.with_newline(self.line_start(header.start)..self.line_end(value.span.end));
                let gap = self.text.get(..block.start).is_some_and(|before| before.ends_with(['\n', '\r']));
                let block = if gap { self.with_newline(block) } else { block };
                Some(self.replaced(&block, ""))
            }
            Shape::Braces(_) => self.without(parent),
            Shape::Dotted | Shape::Implied => None,
        }
    }

    fn out_of_braces(&self, node: &Node, braces: &[String]) -> Option<String> {
        let Some(Shape::Braces(whole)) = self.node(braces)?.shape.clone() else { return None };
        let inside = self.nodes.iter().filter(|node| node.braces.as_deref() == Some(braces));
        let mut ends: Vec<usize> =
            inside.filter(|node| !matches!(node.shape, Some(Shape::Dotted))).map(|node| node.span.end).collect();
        ends.sort_unstable();
        let before = ends.iter().copied().filter(|end| *end < node.span.start).max();
        let after = ends.iter().copied().find(|end| node.span.end < *end);
        match (before, after) {
            (Some(before), _) => Some(self.replaced(&(before..node.span.end), "")),
            (None, Some(_)) => {
                let rest = self.text.get(node.span.end..)?;
                let next = rest.len() - rest.trim_start_matches([' ', '\t', ',']).len();
                let first = self.text.get(whole.start + 1..)?;
                let from = whole.start + 1 + (first.len() - first.trim_start().len());
                Some(self.replaced(&(from..node.span.end + next), ""))
            }
            (None, None) => Some(self.replaced(&whole, "{}")),
        }
    }

    fn line_start(&self, at: usize) -> usize {
        self.text.get(..at).and_then(|before| before.rfind('\n')).map_or(0, |newline| newline + 1)
    }

    /// Where the line ends, before its newline.
    fn line_end(&self, at: usize) -> usize {
        let Some(rest) = self.text.get(at..) else { return self.text.len() };
        let line = rest.split('\n').next().unwrap_or_default();
        at + line.strip_suffix('\r').unwrap_or(line).len()
    }

    /// A line with the newline in front of it, or behind it where it is the first.
    fn with_newline(&self, line: Range<usize>) -> Range<usize> {
        let before = self.text.get(..line.start).unwrap_or_default();
        if let Some(rest) = before.strip_suffix('\n') {
            return rest.strip_suffix('\r').unwrap_or(rest).len()..line.end;
        }
        let after = self.text.get(line.end..).unwrap_or_default();
        let newline = if after.starts_with("\r\n") { 2 } else { usize::from(after.starts_with('\n')) };
        line.start..line.end + newline
    }

    fn newline(&self) -> &'static str {
        let first = self.text.find('\n').and_then(|at| self.text.get(..at));
        if first.is_some_and(|line| line.ends_with('\r')) { "\r\n" } else { "\n" }
    }
}

fn in_the_way(path: &[&str]) -> NotEdited {
    NotEdited::InTheWay(path.join("."))
}

fn header_of(node: &Node) -> Option<&Range<usize>> {
    match &node.shape {
        Some(Shape::Header(header)) => Some(header),
        _ => None,
    }
}

fn end_of(node: &Node) -> usize {
    header_of(node).unwrap_or(&node.span).end
}

fn is_braces_on_a_line(node: &Node) -> bool {
    matches!(node.shape, Some(Shape::Braces(_))) && node.braces.is_none()
}

fn walk(table: &dyn TableLike, path: &Path, braces: Option<&Path>, nodes: &mut Vec<Node>) {
    for (name, item) in table.iter() {
        let Some(key) = table.key(name).and_then(toml_edit::Key::span) else { continue };
        let path: Path = path.iter().cloned().chain([name.to_owned()]).collect();
        let node = |span: Range<usize>, shape: Option<Shape>| Node {
            path: path.clone(),
            key: key.clone(),
            span,
            shape,
            braces: braces.cloned(),
        };
        match item {
            Item::Table(inner) => {
                nodes.push(node(key.clone(), Some(shape_of(inner))));
                walk(inner, &path, braces, nodes);
            }
            Item::Value(Value::InlineTable(inner)) if inner.is_dotted() => {
                nodes.push(node(key.clone(), Some(Shape::Dotted)));
                walk(inner, &path, braces, nodes);
            }
            Item::Value(Value::InlineTable(inner)) => walk_braces(inner, &path, node, nodes),
            Item::Value(value) => {
                if let Some(span) = value.span() {
                    nodes.push(node(span, None));
                }
            }
            // No file of ours has a list of tables here; what it holds is left alone.
            Item::ArrayOfTables(_) | Item::None => {}
        }
    }
}

fn walk_braces(
    inner: &InlineTable,
    path: &Path,
    node: impl Fn(Range<usize>, Option<Shape>) -> Node,
    nodes: &mut Vec<Node>,
) {
    let Some(span) = inner.span() else { return };
    nodes.push(node(span.clone(), Some(Shape::Braces(span))));
    walk(inner, path, Some(path), nodes);
}

fn shape_of(table: &Table) -> Shape {
    match table.span() {
        _ if table.is_dotted() => Shape::Dotted,
        Some(span) if !table.is_implicit() => Shape::Header(span),
        _ => Shape::Implied,
    }
}

/// Where a key stands in the order of its table.
fn position(spec: &'static TableSpec, path: &[String], key: &str) -> Option<usize> {
    let spec = path.iter().try_fold(spec, |spec, name| {
        let key = spec.keys.iter().find(|key| key.name == name)?;
        match &key.kind {
            Kind::Table(inner) => Some(*inner),
            _ => None,
        }
    });
    spec?.keys.iter().position(|known| known.name == key)
}

/// The content of a text in quotes; `None` for any other value.
fn text_in(raw: &str) -> Option<String> {
    raw.parse::<Value>().ok()?.as_str().map(str::to_owned)
}

/// A key as TOML writes it.
fn quoted(key: &str) -> String {
    toml_edit::Key::new(key).display_repr().into_owned()
}

/// A value as TOML writes it; a text in the quotes that stood there before, where it can stand in them.
fn raw(value: NewValue<'_>, old: Option<&str>) -> String {
    let text = match value {
        NewValue::Toml(raw) if raw.parse::<Value>().is_ok() => return raw.trim().to_owned(),
        NewValue::Toml(text) | NewValue::Text(text) => text,
    };
    let literal = old.is_some_and(|old| old.starts_with('\'') && !old.starts_with("'''"));
    if literal && !text.contains('\'') && !text.contains(char::is_control) {
        return format!("'{text}'");
    }
    let mut written = String::from('"');
    for letter in text.chars() {
        match letter {
            '"' | '\\' => written.extend(['\\', letter]),
            '\n' => written.push_str("\\n"),
            '\t' => written.push_str("\\t"),
            letter if letter.is_control() => written.push_str(&format!("\\u{:04X}", u32::from(letter))),
            letter => written.push(letter),
        }
    }
    written.push('"');
    written
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table::Key;

    static LIMIT: TableSpec = TableSpec {
        doc: "a limit",
        keys: &[Key::optional("warning", Kind::Any, ""), Key::optional("critical", Kind::Any, "")],
    };
    static LIMITS: TableSpec = TableSpec {
        doc: "[limits]",
        keys: &[Key::optional("high", Kind::Table(&LIMIT), ""), Key::optional("low", Kind::Table(&LIMIT), "")],
    };
    static SPEC: TableSpec = TableSpec {
        doc: "a pack",
        keys: &[
            Key::required("pack", Kind::Text, ""),
            Key::required("cells", Kind::Integer, ""),
            Key::optional("capacity", Kind::Text, ""),
            Key::optional("limits", Kind::Table(&LIMITS), ""),
        ],
    };

    fn edit(text: &str) -> EditText {
        EditText::new(text.to_owned(), &SPEC).expect("it is TOML")
    }

    /// Adds or changes a value, and takes it out or back again: the text in between, and the same text at the end.
    #[track_caller]
    fn check(before: &str, path: &[&str], value: &str, expected: &str) {
        let text = edit(before);
        let changed = text.set(path, NewValue::Text(value)).expect("it can be changed");
        assert_eq!(changed.text(), expected);
        assert_eq!(changed.value(path).map(|written| written.value.as_str()), Some(value));
        let back = match text.value(path) {
            Some(old) => changed.set(path, NewValue::Text(&old.value)),
            None => changed.remove(path),
        };
        assert_eq!(back.expect("it can be changed back").text(), before);
    }

    const HIGH: &[&str] = &["limits", "high", "warning"];

    #[test]
    fn a_value_changes_where_it_stands() {
        check(
            "# the big pack\npack = 'one' # its name\n[limits.high]\n  warning  =  \"4.1 V\"   # tight\n",
            HIGH,
            "4.2 V",
            "# the big pack\npack = 'one' # its name\n[limits.high]\n  warning  =  \"4.2 V\"   # tight\n",
        );
        check("pack = 'one' # its name", &["pack"], "two", "pack = 'two' # its name");
        check("limits = {high={warning='4.1 V'}}", HIGH, "4.2 V", "limits = {high={warning='4.2 V'}}");
    }

    #[test]
    fn a_new_value_stands_at_its_place() {
        check(
            "pack = 'a'\ncells = 3\n\n[x]\n",
            &["capacity"],
            "1 Ah",
            "pack = 'a'\ncells = 3\ncapacity = \"1 Ah\"\n\n[x]\n",
        );
        check("cells = 3 # three", &["pack"], "a", "pack = \"a\"\ncells = 3 # three");
        let low = "pack = 'a'\n\n[limits.low]\ncritical = '3 V' # deep\n# the end\n";
        check(
            low,
            &["limits", "low", "warning"],
            "3.5 V",
            "pack = 'a'\n\n[limits.low]\nwarning = \"3.5 V\"\ncritical = '3 V' # deep\n# the end\n",
        );
        check(
            low,
            HIGH,
            "4 V",
            "pack = 'a'\n\n[limits.high]\nwarning = \"4 V\"\n\n[limits.low]\ncritical = '3 V' # deep\n# the end\n",
        );
        check("pack = 'a'\n", HIGH, "4 V", "pack = 'a'\n\n[limits.high]\nwarning = \"4 V\"\n");
        check("pack = 'a'", HIGH, "4 V", "pack = 'a'\n\n[limits.high]\nwarning = \"4 V\"");
        check("", HIGH, "4 V", "[limits.high]\nwarning = \"4 V\"");
        check(
            "pack = 'a'\n[notes]\n",
            &["notes", "pack sum"],
            "no \"meter\"",
            "pack = 'a'\n[notes]\n\"pack sum\" = \"no \\\"meter\\\"\"\n",
        );
    }

    #[test]
    fn every_way_to_write_a_table_is_kept() {
        check(
            "limits = { high = { critical = '4 V' } }",
            HIGH,
            "3 V",
            "limits = { high = { critical = '4 V', warning = \"3 V\" } }",
        );
        check(
            "limits = { low = { critical = '4 V' } } # all",
            HIGH,
            "3 V",
            "limits = { low = { critical = '4 V' }, high = { warning = \"3 V\" } } # all",
        );
        check("[limits]\nhigh = {}\n", HIGH, "3 V", "[limits]\nhigh = { warning = \"3 V\" }\n");
        check(
            "[limits]\nlow = { critical = '3 V' }\n",
            HIGH,
            "4 V",
            "[limits]\nhigh = { warning = \"4 V\" }\nlow = { critical = '3 V' }\n",
        );
        check(
            "limits.low.critical = '3 V'\n[x]\n",
            HIGH,
            "4 V",
            "limits.low.critical = '3 V'\nlimits.high.warning = \"4 V\"\n[x]\n",
        );
        check(
            "[limits]\nhigh.critical = '5 V'\nlow.critical = '3 V'\n",
            HIGH,
            "4 V",
            "[limits]\nhigh.critical = '5 V'\nhigh.warning = \"4 V\"\nlow.critical = '3 V'\n",
        );
    }

    #[test]
    fn tables_stand_in_the_order_of_their_keys() {
        let both = edit("[limits.high]\nwarning = '4 V'\n\n[limits.low]\nwarning = '3 V'\n");
        for (key, left) in [("high", "[limits.low]\nwarning = '3 V'\n"), ("low", "[limits.high]\nwarning = '4 V'\n")] {
            let without = both.remove(&["limits", key, "warning"]).expect("it can go");
            // In front of the first table there is nothing to put it behind: its header stays.
            let kept = if key == "high" { "[limits.high]\n\n" } else { "" };
            assert_eq!(without.text(), format!("{kept}{left}"));
        }
    }

    #[test]
    fn the_line_ends_of_the_file_stay() {
        check(
            "pack = 'a'\r\n\r\n# why\r\n[limits.low]\r\ncritical = '3 V'\r\n",
            HIGH,
            "4 V",
            "pack = 'a'\r\n\r\n[limits.high]\r\nwarning = \"4 V\"\r\n\r\n# why\r\n[limits.low]\r\ncritical = '3 V'\r\n",
        );
    }

    #[test]
    fn what_is_taken_out_takes_nothing_with_it() {
        let text = edit("[limits.high]\nwarning = '4 V' # of the maker\ncritical = '5 V'\n");
        let without = text.remove(HIGH).expect("it can go");
        assert_eq!(without.text(), "[limits.high]\ncritical = '5 V'\n");
        // A header that its author wrote a comment about stays: it would not come back.
        let text = edit("# this cell runs hot\n[limits.high] # see there\nwarning = '4 V'\n\n[limits.low]\n");
        let without = text.remove(HIGH).expect("it can go");
        assert_eq!(without.text(), "# this cell runs hot\n[limits.high] # see there\n\n[limits.low]\n");
        let text = edit("a = { warning = '1', critical = '2', x = 3 }");
        for (key, left) in [
            ("warning", "a = { critical = '2', x = 3 }"),
            ("critical", "a = { warning = '1', x = 3 }"),
            ("x", "a = { warning = '1', critical = '2' }"),
        ] {
            assert_eq!(text.remove(&["a", key]).expect("it can go").text(), left);
        }
    }

    #[test]
    fn whole_numbers_and_lists_are_written_bare() {
        let text = edit("cells = 24 # in series\n");
        let set = |value| text.set(&["cells"], NewValue::Toml(value)).expect("it can be changed").text().to_owned();
        assert_eq!(set("14"), "cells = 14 # in series\n");
        assert_eq!(set("[1, 2]"), "cells = [1, 2] # in series\n");
        // What is no value is kept for the reader to find fault with.
        assert_eq!(set("14 of them"), "cells = \"14 of them\" # in series\n");
        assert_eq!(set("1 # 2"), "cells = \"1 # 2\" # in series\n");
    }

    #[test]
    fn what_is_no_toml_is_refused() {
        assert_eq!(EditText::new("pack = = 1".to_owned(), &SPEC).map(|_| ()), Err(NotEdited::NotToml));
        let deep = format!("a = {}1{}", "[".repeat(200), "]".repeat(200));
        assert_eq!(EditText::new(deep, &SPEC).map(|_| ()), Err(NotEdited::NotToml));
        let taken = edit("limits = 3").set(HIGH, NewValue::Text("4 V"));
        assert_eq!(taken.map(|_| ()), Err(NotEdited::InTheWay("limits.high.warning".to_owned())));
    }
}
