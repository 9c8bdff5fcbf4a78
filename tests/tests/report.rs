//! The written report: what it says of the shipped recordings, and that nothing in it comes from a text but text.

use std::path::{Path, PathBuf};

use model::{Command, HandItem, HandReading, Input, InputKind, SessionHeader, SessionTime};
use packwake_tests::expectation::Expectation;
use packwake_tests::page::Page;
use packwake_tests::{account, header, root, simulated, text};
use recording::Recording;
use simulator::{Fault, FaultKind, Scene};

fn recordings() -> Vec<(String, PathBuf)> {
    let entries = std::fs::read_dir(root().join("recordings")).expect("the folder is there");
    let paths = entries.map(|entry| entry.expect("it can be listed").path());
    let recordings = paths.filter(|path| path.extension().is_some_and(|end| end == "mcap"));
    let named = |path: PathBuf| (path.file_stem().expect("a name").to_string_lossy().into_owned(), path);
    let recordings: Vec<_> = recordings.map(named).collect();
    assert!(4 < recordings.len(), "{recordings:?}");
    recordings
}

fn opened(path: &Path) -> (SessionHeader, Vec<Input>) {
    let recording = Recording::open(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    (recording.header().clone(), recording.inputs().collect())
}

#[test]
fn each_report_says_what_a_person_expects() {
    for (name, path) in recordings() {
        let expected = Expectation::parse(&text(&format!("recordings/{name}.expected.toml"))).expect("it is sound");
        let (header, inputs) = opened(&path);
        let told = account(&header, inputs);
        assert!(!told.is_incomplete(), "{name}");
        let html = report::report(&told, None, "a test");
        assert!(html.len() < 300_000, "{name}: {} bytes", html.len());
        let page = Page::read(&html);
        // The verdict with its first reason is the first thing.
        let answer = match expected.outcome.as_str() {
            "go" => "GO for the next step",
            "no-go" => "NO-GO",
            other => panic!("{other} is in no recording"),
        };
        let first = &told.verdict.because[0];
        let (at, reason) = (page.text.find(answer), page.text.find(first.as_str()));
        assert!(at.is_some_and(|at| at < 100) && reason.is_some_and(|at| at < 200), "{name}: {:.300}", page.text);
        assert!(page.text.contains("PRACTICE: no real pack was judged"), "{name}");
        let covers = format!("Covers: {}.", expected.covers.join(", "));
        assert!(page.text.replace("  ", " ").contains(&covers), "{name}: {covers}: {:.400}", page.text);

        let checks = page.table_of("Every required check");
        let failed: Vec<_> = checks.rows.iter().filter(|row| row[0] == "failed").collect();
        assert_eq!(failed.len(), expected.failed.len(), "{name}: {failed:?}");
        for wanted in &expected.failed {
            let right = |row: &&&Vec<String>| {
                let place = |place: &String| row[2] == *place || row[2].starts_with(&format!("{place} ("));
                row[1] == wanted.check && (wanted.places.is_empty() || wanted.places.iter().any(place))
            };
            assert!(failed.iter().any(|row| right(&row)), "{name}: {wanted:?} is not in {failed:?}");
        }
        for wanted in &expected.found {
            let cause = &wanted.check;
            let places = |cells: &str| -> Vec<u16> {
                cells.split(|letter: char| !letter.is_ascii_digit()).filter_map(|word| word.parse().ok()).collect()
            };
            let findings = told.verdict.findings.iter().filter(|finding| finding.cause.name() == cause);
            let found = findings.map(|finding| (finding.place(), finding.look_at())).next();
            let (place, look_at) = found.unwrap_or_else(|| panic!("{name}: {cause} was not found"));
            let title = if place.is_empty() { format!("{cause}, ") } else { format!("{cause} at {place}, ") };
            assert!(page.text.contains(&title) && page.text.contains(look_at), "{name}: {title}");
            for wanted in &wanted.places {
                let number = places(wanted)[0];
                assert!(places(&place).contains(&number), "{name}: {wanted} is not in {place}");
            }
        }
        for untested in &expected.untested {
            assert!(page.text.contains(untested.as_str()), "{name}: {untested}");
        }
        for words in ["Cautions", "protects nothing", "After opening, the bus stays charged", "SHA-256"] {
            assert!(page.text.contains(words), "{name}: {words}");
        }
        // Four plots, each with its scale; what is marked is in the legend.
        assert_eq!(html.matches("<svg ").count(), 4, "{name}");
        assert_eq!(page.table_of("Cells").rows.len(), usize::from(told.pack.cells()), "{name}");
    }
}

/// Texts of every origin that hold markup, quotes and marks of direction.
#[test]
fn no_text_becomes_anything_but_text() {
    const HOSTILE: &str =
        "</style></title><script src=//evil.example>alert(1)</script><img onerror=x> \"'& \u{202e}\u{0007}]]>--";
    const SEEN: &str = "</style></title><script src=//evil.example>alert(1)</script><img onerror=x> \"'& ";
    let mut header = header("protocols/acorn-binary.toml", "packs/acorn-24s-nmc.toml");
    let toml = "\"</style></title><script src=//evil.example>alert(1)</script><img onerror=x> \\\"'& \\u202e\"";
    header.pack_text = header.pack_text.replacen("\"Acorn 24S\"", toml, 1);
    header.pack_text = header.pack_text.replacen("\"cells 1-4\"", toml, 1);
    header.protocol_text = header.protocol_text.replacen("\"acorn-binary\"", toml, 1);
    header.source = HOSTILE.to_owned();
    header.host = HOSTILE.to_owned();
    header.tool_version = HOSTILE.to_owned();
    let mut inputs = simulated(
        "protocols/acorn-binary.toml",
        &Scene::practice(3),
        &[Fault::new(FaultKind::Unplug)],
        SessionTime::from_millis(20_000),
    );
    let command = |command| Input::new(SessionTime::from_millis(0), InputKind::Command(command));
    let reading = HandReading { remark: HOSTILE.to_owned(), ..HandReading::pack_voltage(91_900_000_000, HOSTILE) };
    inputs.insert(1, command(Command::Mark { text: HOSTILE.to_owned() }));
    inputs.insert(2, command(Command::Reading(reading)));
    for input in &mut inputs {
        if let InputKind::Lost { why } = &mut input.kind {
            HOSTILE.clone_into(why);
        }
        if let InputKind::Opened { source } = &mut input.kind {
            HOSTILE.clone_into(source);
        }
    }
    let mut told = account(&header, inputs);
    assert!(told.pack.name().contains("<script") && told.protocol.0.contains("<script"), "the texts were changed");
    assert!(told.hand.iter().any(|line| line.item == HandItem::PackVoltage && line.entry.is_some()));
    told.file.name = HOSTILE.to_owned();
    told.file.damage.push(HOSTILE.to_owned());
    told.file.otherwise.push(HOSTILE.to_owned());
    let html = report::report(&told, None, HOSTILE);
    let page = Page::read(&html);
    let places = page.text.matches(SEEN).count();
    assert!(12 < places, "it is in {places} places only");
    assert!(!html.contains(['\u{202e}', '\u{0007}']));
    // The name stands in the style sheet, too, for the top of printed pages.
    let style = html.split("<style>").nth(1).and_then(|rest| rest.split("</style>").next()).expect("a style sheet");
    assert!(style.contains("@page") && style.contains("\\3c \\2f style\\3e ") && !style.contains("evil.example>"));

    let comparison = report::compare(&told, &told).expect("of one pack");
    Page::read(&report::comparison_page(&told, &told, &comparison, HOSTILE));
}

#[test]
fn what_is_missing_is_said() {
    let header = header("protocols/acorn-binary.toml", "packs/acorn-24s-nmc.toml");
    // Nothing came at all.
    let told = account(&header, vec![Input::new(SessionTime::from_millis(5_000), InputKind::End)]);
    let page = Page::read(&report::report(&told, None, "a test"));
    assert!(page.text.contains("CANNOT TELL") && page.text.contains("no byte came"), "{:.300}", page.text);
    for words in ["No value came that could be drawn", "No rest was seen", "No resistances", "No stage was seen"] {
        assert!(page.text.contains(words), "{words}");
    }
    let cells = page.table_of("Cells");
    assert!(cells.column("lowest V").iter().all(|cell| *cell == "none"), "{cells:?}");
    assert!(cells.column("from median mV").iter().all(|cell| *cell == "not known"), "{cells:?}");
    // Cut off: no end.
    let length = SessionTime::from_millis(8_000);
    let mut inputs = simulated("protocols/acorn-binary.toml", &Scene::practice(3), &[], length);
    inputs.pop();
    let told = account(&header, inputs);
    assert!(told.is_incomplete());
    let page = Page::read(&report::report(&told, None, "a test"));
    assert!(page.text.contains("the recording has no end"), "{:.900}", page.text);
}

/// Every value lies inside what is drawn, in each column: the lowest and highest of a plot's bars are those of the rows.
#[test]
fn nothing_is_drawn_away() {
    let (header, inputs) = opened(&root().join("recordings/sapling-sensor-open.mcap"));
    let told = account(&header, inputs.clone());
    let protocol = parser::Protocol::parse(&header.protocol_text).0.expect("it is sound");
    let mut reader = session::RowReader::new(std::sync::Arc::new(protocol));
    let mut inputs = inputs.into_iter();
    let mut batch = model::Batch::default();
    let (mut rows, mut seen) = (0, std::collections::BTreeSet::new());
    while reader.next_batch(&mut inputs, &mut batch) {
        let layout = reader.protocol().layout();
        for (kind, values) in layout.kinds.iter().zip(&batch.kinds) {
            for (about, column) in kind.columns.iter().zip(&values.columns) {
                // The first plot has distances from the median: looked at below.
                let lines = told.plots.iter().skip(1).flat_map(|plot| &plot.lines);
                let Some(line) = lines.clone().find(|line| line.channel == about.channel) else { continue };
                for (row, at) in values.at.iter().enumerate() {
                    let Some(nanos) = column.nanos(row, &about.scale) else { continue };
                    let bars = line.bars.iter().filter(|bar| bar.from <= *at && *at <= bar.to);
                    let inside = |bar: &report::PlotBar| bar.span.lowest <= nanos && nanos <= bar.span.highest;
                    assert!(bars.clone().any(inside), "{} at {at}: {nanos}", about.channel);
                    rows += 1;
                    seen.insert(about.channel);
                }
            }
        }
    }
    assert!(500 < rows && 4 < seen.len(), "{rows} {seen:?}");
    // Every cell of every set: the distances of the first plot reach as far as those of the rows, worked out anew.
    let cells = &told.plots[0].lines;
    assert_eq!(cells.len(), usize::from(told.pack.cells()));
    let furthest = cells.iter().flat_map(|line| &line.bars).map(|bar| bar.span.highest.max(-bar.span.lowest)).max();
    let held =
        told.held.of(rules::LimitName::DeviationLoad).into_iter().chain(told.held.of(rules::LimitName::DeviationRest));
    let held = held.map(|(_, highest)| highest).max();
    assert!(held <= furthest, "the judge saw {held:?}, the plot has {furthest:?}");
}

/// The numbers rest on the bytes and their times, not on how they came.
#[test]
fn how_bytes_are_cut_has_no_meaning() {
    let (header, inputs) = opened(&root().join("recordings/acorn-weak-cell.mcap"));
    let whole = account(&header, inputs.clone());
    let cut = inputs.into_iter().flat_map(|input| match input.kind {
        InputKind::Bytes(bytes) => {
            let pieces = bytes.chunks(3).map(|piece| Input::new(input.at, InputKind::Bytes(piece.to_vec())));
            pieces.collect::<Vec<_>>()
        }
        _ => vec![input],
    });
    let cut = account(&header, cut);
    assert_eq!((&cut.figures, &cut.extremes, &cut.conditions), (&whole.figures, &whole.extremes, &whole.conditions));
    assert_eq!((&cut.verdict, &cut.plots, &cut.stages), (&whole.verdict, &whole.plots, &whole.stages));
    assert!(!whole.figures.rests.is_empty() && whole.figures.resistances.is_ok());
}

/// What stands between the marks of the first section.
fn sheet(html: &str) -> &str {
    let sheet = html.split("<section class=\"sheet\">").nth(1).and_then(|rest| rest.split("</section>").next());
    sheet.expect("a first page")
}

/// However much there is to say, the first page stays one: so many lines and so many letters fit on a sheet of A4 or letter
/// paper (printed and looked at with these very numbers).
#[test]
fn the_first_page_has_an_end() {
    let (header, inputs) = opened(&root().join("recordings/acorn-open-sense-lead.mcap"));
    let mut told = account(&header, inputs);
    let old = told.clone();
    let plain = report::report(&told, None, "a test");
    assert!(sheet(&plain).contains("Not compared with an earlier session"));
    for words in ["NO-GO", "open sense lead at cells 9 and 10", "Not tested", "By hand", "signature", "SHA-256"] {
        assert!(sheet(&plain).contains(words) || words == "signature", "{words}");
    }
    // Signed as practice: no pack was cleared by it.
    assert!(!sheet(&plain).contains("signature") && sheet(&plain).contains("practice"));
    told.practice = false;
    assert!(sheet(&report::report(&told, None, "a test")).contains("signature"));

    let long = "a long story of many words ".repeat(40);
    told.verdict.because = vec![long.clone(); 300];
    told.verdict.untested = vec![long.clone(); 300];
    told.file.damage = vec![long.clone(); 300];
    told.file.name = long.clone();
    told.verdict.findings = vec![told.verdict.findings[0].clone(); 40];
    for line in &mut told.hand {
        line.entry = Some((SessionTime::from_millis(1), HandReading::pack_voltage(91_900_000_000, &long)));
    }
    let mut pack = text("packs/acorn-24s-nmc.toml").replace("Acorn 24S", &long[..100]);
    for cells in [24, 48, 200] {
        pack = with_cells(&pack, cells);
        let (parsed, faults) = rules::Pack::parse(&pack);
        told.pack = std::sync::Arc::new(parsed.unwrap_or_else(|| panic!("{faults:?}")));
        let mut comparison = report::compare(&old, &old).expect("of one pack");
        for line in &mut comparison.lines {
            line.told = report::Told::Changed;
            line.what.clone_from(&long);
        }
        let since = report::Since { old: &old, comparison: &comparison };
        let html = report::report(&told, Some(since), &long);
        let sheet = sheet(&html);
        let count = |tag: &str| sheet.matches(tag).count();
        let letters = Page::read(&format!("<html><body>{sheet}</body></html>")).text.len();
        assert!(count("<li>") <= 24 && count("<tr>") <= 13 && letters < 4_000, "{} {letters}", count("<li>"));
        assert!(sheet.contains("more, behind this page"));
        assert!(html.matches(long.trim()).count() > 300, "it stands whole behind it");
    }
}

/// The same pack with so many cells.
fn with_cells(pack: &str, cells: u16) -> String {
    let lines =
        pack.lines().map(|line| if line.starts_with("cells") { format!("cells = {cells}") } else { line.to_owned() });
    lines.collect::<Vec<_>>().join("\n")
}
