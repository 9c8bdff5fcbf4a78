//! A page of ours, read by a strict XML reader that is not ours.

use std::collections::BTreeSet;

use quick_xml::Reader;
use quick_xml::events::{BytesStart, Event};

/// What may stand in a page; anything else would be new, or would come from a text.
const ELEMENTS: [&str; 36] = [
    "html",
    "head",
    "meta",
    "title",
    "style",
    "body",
    "header",
    "div",
    "h1",
    "h2",
    "h3",
    "p",
    "b",
    "span",
    "ul",
    "li",
    "table",
    "thead",
    "tbody",
    "tr",
    "th",
    "td",
    "figure",
    "figcaption",
    "svg",
    "desc",
    "path",
    "rect",
    "text",
    "code",
    "footer",
    "section",
    "main",
    "g",
    "line",
    "br",
];
const ATTRIBUTES: [&str; 22] = [
    "lang",
    "charset",
    "http-equiv",
    "content",
    "name",
    "class",
    "xmlns",
    "viewBox",
    "role",
    "d",
    "x",
    "y",
    "width",
    "height",
    "text-anchor",
    "id",
    "x1",
    "x2",
    "y1",
    "y2",
    "title",
    "scope",
];

/// What a reader of the page gets.
#[derive(Clone, Debug, Default)]
pub struct Page {
    /// All text of the body, a space between its pieces.
    pub text: String,
    /// Each table with the heading before it.
    pub tables: Vec<Table>,
    /// The classes of all elements.
    pub classes: BTreeSet<String>,
}

/// A table.
#[derive(Clone, Debug, Default)]
pub struct Table {
    /// The heading before it.
    pub heading: String,
    /// The heads of its columns.
    pub heads: Vec<String>,
    /// Its rows.
    pub rows: Vec<Vec<String>>,
}

impl Page {
    /// Reads a page. It must be well-formed, of known elements and attributes only, and fetch nothing.
    #[track_caller]
    pub fn read(html: &str) -> Self {
        let mut page = Self::default();
        let mut reader = Reader::from_str(html);
        reader.config_mut().check_end_names = true;
        let (mut open, mut piece): (Vec<String>, String) = (Vec::new(), String::new());
        loop {
            let event = reader.read_event().unwrap_or_else(|error| {
                let at = usize::try_from(reader.error_position()).expect("a place");
                panic!(
                    "not well-formed at {at}: {error}: {:?}",
                    html.get(at.saturating_sub(40)..(at + 40).min(html.len()))
                )
            });
            match event {
                Event::Start(start) => {
                    let name = page.begin(&start);
                    if matches!(name.as_str(), "tr" | "td" | "th" | "h2") {
                        piece.clear();
                    }
                    match name.as_str() {
                        "table" => page.tables.push(Table { heading: page.heading(), ..Table::default() }),
                        "tr" => page.table().rows.push(Vec::new()),
                        _ => {}
                    }
                    open.push(name);
                }
                Event::Empty(start) => _ = page.begin(&start),
                Event::Text(text) => {
                    let text = text.decode().expect("it is UTF-8").into_owned();
                    page.take(&text, &open, &mut piece);
                }
                Event::GeneralRef(name) => {
                    let text = match name.resolve_char_ref().expect("a sound reference") {
                        Some(letter) => letter.to_string(),
                        None => match &*name.decode().expect("it is UTF-8") {
                            "lt" => "<".to_owned(),
                            "gt" => ">".to_owned(),
                            "amp" => "&".to_owned(),
                            "quot" => "\"".to_owned(),
                            other => panic!("unknown reference {other:?}"),
                        },
                    };
                    page.take(&text, &open, &mut piece);
                }
                Event::End(_) => {
                    let name = open.pop().expect("the reader checks it");
                    if open.iter().any(|name| name == "body") {
                        page.text.push(' ');
                    }
                    match name.as_str() {
                        "h2" => page.tables_heading(std::mem::take(&mut piece)),
                        "th" => page.table().heads.push(std::mem::take(&mut piece)),
                        "td" => {
                            let cell = std::mem::take(&mut piece);
                            page.table().rows.last_mut().expect("a row").push(cell);
                        }
                        "tr" => page.table().rows.retain(|row| !row.is_empty()),
                        _ => {}
                    }
                }
                Event::DocType(text) => assert_eq!(&*text.decode().expect("it is UTF-8"), "html"),
                Event::Eof => break,
                other => panic!("{other:?} is not in a page of ours"),
            }
        }
        assert_eq!(open, [""; 0], "elements are left open");
        page.tables.retain(|table| !table.heads.is_empty());
        page
    }

    fn take(&mut self, text: &str, open: &[String], piece: &mut String) {
        if open.iter().any(|name| name == "body") {
            self.text.push_str(text);
            piece.push_str(text);
        } else if open.last().is_some_and(|name| name == "style") {
            let style = text.to_lowercase();
            for bad in ["url(", "@import", "expression", "http"] {
                assert!(!style.contains(bad), "{bad} in the style sheet");
            }
        }
    }

    fn begin(&mut self, start: &BytesStart<'_>) -> String {
        let name = String::from_utf8(start.name().as_ref().to_vec()).expect("it is UTF-8");
        assert!(ELEMENTS.contains(&name.as_str()), "element {name:?}");
        for attribute in start.attributes() {
            let attribute = attribute.expect("a sound attribute");
            let key = String::from_utf8(attribute.key.as_ref().to_vec()).expect("it is UTF-8");
            assert!(ATTRIBUTES.contains(&key.as_str()), "attribute {key:?} of {name:?}");
            let value = String::from_utf8(attribute.value.to_vec()).expect("it is UTF-8");
            // The name of a language, which nobody fetches.
            if value != "http://www.w3.org/2000/svg" {
                assert!(!value.contains("//") && !value.to_lowercase().contains("javascript"), "{key}={value:?}");
            }
            if key == "class" {
                self.classes.extend(value.split(' ').map(str::to_owned));
            }
        }
        name
    }

    fn table(&mut self) -> &mut Table {
        self.tables.last_mut().expect("rows stand in a table")
    }

    /// A heading is kept as a table without heads until the next one comes.
    fn tables_heading(&mut self, heading: String) {
        let heading = heading.trim_end_matches("practice").trim().to_owned();
        self.tables.push(Table { heading, ..Table::default() });
    }

    fn heading(&self) -> String {
        self.tables.last().map_or(String::new(), |table| table.heading.clone())
    }

    /// The first table under a heading.
    #[track_caller]
    pub fn table_of(&self, heading: &str) -> &Table {
        let found = self.tables.iter().find(|table| table.heading == heading);
        found.unwrap_or_else(|| {
            let headings: BTreeSet<&str> = self.tables.iter().map(|table| table.heading.as_str()).collect();
            panic!("no table under {heading:?}; there are {headings:?}")
        })
    }
}

impl Table {
    /// The column with this head, a cell of each row.
    #[track_caller]
    pub fn column(&self, head: &str) -> Vec<&str> {
        let index = self.heads.iter().position(|known| known == head);
        let index = index.unwrap_or_else(|| panic!("no column {head:?}: {:?}", self.heads));
        self.rows.iter().map(|row| row[index].as_str()).collect()
    }
}
