//! What every page has: its head, its style, its cautions.

use crate::account::Account;
use crate::html::{Html, style_string};

const STYLE: &str = include_str!("style.css");

/// What stands where it matters: in the help, in the README, and in every report.
const CAUTIONS: [&str; 6] = [
    "packwake advises and protects nothing. It is no fuse, no contactor, no BMS and no judgement. Local codes and qualified \
     practice come first.",
    "More than 60 V DC can kill. Less still burns: a pack gives kiloamperes into a slipped spanner. A DC arc does not go out \
     by itself.",
    "Props off. Insulated tools, one hand, never alone. An isolated adapter. A plan for a lithium fire, and a way to \
     disconnect from afar.",
    "To stop: throttle to zero, wait for the current to fall, then open the switch. With fire or smoke: disconnect from afar \
     and withdraw.",
    "After opening, the bus stays charged. Meter it before touching.",
    "Go is go for the next step only. An open sense lead can be invisible: only the BMS's own test, or a meter on every pin, \
     clears it.",
];

/// A page as a whole. `running`: what stands at the top of every printed page.
pub(crate) fn page(title: &str, running: &str, body: impl FnOnce(&mut Html)) -> String {
    let mut html = Html::default();
    html.own("<!doctype html>\n");
    html.element("html", &[("lang", "en")], |html| {
        html.element("head", &[], |html| {
            html.empty("meta", &[("charset", "utf-8")]);
            // Nothing is fetched and nothing runs, whatever a text says.
            let policy = "default-src 'none'; style-src 'unsafe-inline'";
            html.empty("meta", &[("http-equiv", "Content-Security-Policy"), ("content", policy)]);
            html.empty("meta", &[("name", "viewport"), ("content", "width=device-width, initial-scale=1")]);
            html.line("title", "", title);
            html.element("style", &[], |html| {
                html.own(STYLE);
                html.own("@page { margin: 19mm 14mm 16mm; @top-left { font: 9pt sans-serif; content: ");
                html.own(&style_string(running));
                html.own(
                    "; } @bottom-right { font: 9pt sans-serif; content: \"page \" counter(page) \" of \" counter(pages); } }\n",
                );
            });
        });
        html.element("body", &[], body);
    });
    html.finish()
}

/// A heading; in practice it says so.
pub(crate) fn heading(practice: bool, text: &str, html: &mut Html) {
    html.element("h2", &[], |html| {
        html.text(text);
        if practice {
            html.text(" ");
            html.line("span", "practice", "practice");
        }
    });
}

pub(crate) fn cautions(account: &Account, html: &mut Html) {
    heading(account.practice, "Cautions, and what this is not", html);
    html.element("ul", &[], |html| CAUTIONS.iter().for_each(|caution| html.line("li", "", caution)));
}

pub(crate) fn list(lines: &[String], html: &mut Html) {
    html.element("ul", &[], |html| lines.iter().for_each(|line| html.line("li", "", line)));
}

/// What a column of a table holds.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Holds {
    /// Numbers, which are not broken and stand to the right.
    Numbers,
    /// A few words of our own, which are not broken.
    Words,
    /// Text of any length and origin.
    Text,
}

/// A table: its heads; rows with a class, which may be empty.
pub(crate) fn table(heads: &[(&str, Holds)], rows: &[(&'static str, Vec<String>)], html: &mut Html) {
    html.element("div", &[("class", "wide")], |html| {
        html.element("table", &[], |html| {
            html.element("thead", &[], |html| {
                html.element("tr", &[], |html| {
                    for (head, holds) in heads {
                        html.line("th", class_of(*holds), head);
                    }
                });
            });
            html.element("tbody", &[], |html| {
                for (class, cells) in rows {
                    let attributes = [("class", *class)];
                    let attributes = if class.is_empty() { &attributes[..0] } else { &attributes[..] };
                    html.element("tr", attributes, |html| {
                        for (index, (cell, (_, holds))) in cells.iter().zip(heads).enumerate() {
                            let attributes = [("class", class_of(*holds))];
                            let attributes =
                                if attributes[0].1.is_empty() { &attributes[..0] } else { &attributes[..] };
                            html.element("td", attributes, |html| {
                                if index == 0 && !class.is_empty() {
                                    html.line("b", "", cell);
                                } else {
                                    html.text(cell);
                                }
                            });
                        }
                    });
                }
            });
        });
    });
}

fn class_of(holds: Holds) -> &'static str {
    match holds {
        Holds::Numbers => "n",
        Holds::Words => "",
        Holds::Text => "t",
    }
}
