//! A page being written: every element is closed, every text escaped.
//!
//! What comes from a recording is hostile: text goes in only through [`Html::text`] and attribute values, and both escape.
//! The result is well-formed XML as well, so that a strict reader can check it.

use std::fmt::Write;

#[derive(Debug, Default)]
pub(crate) struct Html {
    out: String,
}

impl Html {
    /// An element with what `inside` writes.
    pub(crate) fn element(
        &mut self,
        tag: &'static str,
        attributes: &[(&'static str, &str)],
        inside: impl FnOnce(&mut Self),
    ) {
        self.begin(tag, attributes);
        self.out.push('>');
        inside(self);
        self.out.push_str("</");
        self.out.push_str(tag);
        self.out.push('>');
        if !matches!(tag, "b" | "span" | "td" | "th" | "text" | "code" | "title" | "tspan") {
            self.out.push('\n');
        }
    }

    /// An element with nothing inside.
    pub(crate) fn empty(&mut self, tag: &'static str, attributes: &[(&'static str, &str)]) {
        self.begin(tag, attributes);
        self.out.push_str("/>");
    }

    /// An element with a text.
    pub(crate) fn line(&mut self, tag: &'static str, class: &str, text: &str) {
        let class = [("class", class)];
        let attributes = if class[0].1.is_empty() { &class[..0] } else { &class[..] };
        self.element(tag, attributes, |html| html.text(text));
    }

    fn begin(&mut self, tag: &'static str, attributes: &[(&'static str, &str)]) {
        self.out.push('<');
        self.out.push_str(tag);
        for (name, value) in attributes {
            self.out.push(' ');
            self.out.push_str(name);
            self.out.push_str("=\"");
            escape(value, &mut self.out);
            self.out.push('"');
        }
    }

    /// Text of any origin.
    pub(crate) fn text(&mut self, text: &str) {
        escape(text, &mut self.out);
    }

    /// What this crate wrote itself and has no text of another origin in it.
    pub(crate) fn own(&mut self, markup: &str) {
        self.out.push_str(markup);
    }

    pub(crate) fn finish(self) -> String {
        self.out
    }
}

/// Puts text where a reader can't take it for anything else. What would turn the order of letters round, or what no page
/// may hold, becomes a mark of its own.
fn escape(text: &str, out: &mut String) {
    for letter in text.chars() {
        match letter {
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '&' => out.push_str("&amp;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\n' | '\t' => out.push(letter),
            letter if letter.is_control() || is_unseen(letter) => out.push('\u{FFFD}'),
            letter => out.push(letter),
        }
    }
}

/// Marks of direction and joiners that change what a person reads, and what XML does not allow.
fn is_unseen(letter: char) -> bool {
    matches!(letter, '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2060}'..='\u{206F}' | '\u{FEFF}' | '\u{FFFE}' | '\u{FFFF}')
}

/// Text as a string of a style sheet: all but plain letters and digits by number.
pub(crate) fn style_string(text: &str) -> String {
    let mut out = String::from("\"");
    for letter in text.chars().take(80) {
        match letter {
            'a'..='z' | 'A'..='Z' | '0'..='9' | ' ' | ',' | '.' | ':' => out.push(letter),
            letter if letter.is_control() || is_unseen(letter) => out.push('?'),
            // Writing to a text can't fail.
            letter => _ = write!(out, "\\{:x} ", u32::from(letter)),
        }
    }
    out.push('"');
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_text_becomes_markup() {
        let mut html = Html::default();
        html.element("p", &[("title", "a\"b<c>'&")], |html| html.text("</p><script>x</script>&amp;\u{202E}\u{0}"));
        let expected = "<p title=\"a&quot;b&lt;c&gt;&#39;&amp;\">&lt;/p&gt;&lt;script&gt;x&lt;/script&gt;&amp;amp;\
                        \u{FFFD}\u{FFFD}</p>\n";
        assert_eq!(html.finish(), expected);
    }

    #[test]
    fn no_text_leaves_a_string_of_the_style_sheet() {
        let text = style_string("a\" } </style> \\ \n");
        assert_eq!(text, "\"a\\22  \\7d  \\3c \\2f style\\3e  \\5c  ?\"");
    }
}
