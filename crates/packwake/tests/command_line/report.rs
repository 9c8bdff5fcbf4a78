//! `report` and `compare`: pages, lines, files, exit status; the numbers are those of `replay` and `export`.

use std::collections::BTreeMap;

use packwake_tests::page::Page;
use serde_json::Value;

use crate::{PROGRAM, check_refused, described_by, file, folder, refused, shipped};

const FIRST: &str = "recordings/acorn-first-switch-on.mcap";
const WEAK: &str = "recordings/acorn-weak-cell.mcap";

const RECORDINGS: [&str; 5] = [
    FIRST,
    WEAK,
    "recordings/acorn-open-sense-lead.mcap",
    "recordings/field-damaged-data-line.mcap",
    "recordings/sapling-sensor-open.mcap",
];

/// The lowest and the highest number of each column of a CSV.
fn extremes(csv: &str) -> BTreeMap<String, (f64, f64)> {
    let mut lines = csv.lines();
    let heads: Vec<&str> = lines.next().expect("a head").split(',').collect();
    let mut extremes = BTreeMap::new();
    for line in lines {
        for (head, cell) in heads.iter().zip(line.split(',')) {
            if let Ok(number) = cell.parse::<f64>() {
                let (low, high) = extremes.entry((*head).to_owned()).or_insert((number, number));
                (*low, *high) = (low.min(number), high.max(number));
            }
        }
    }
    extremes
}

#[test]
fn the_numbers_are_those_of_export_and_replay() {
    for path in RECORDINGS.map(shipped) {
        let report = PROGRAM.run(["report", &path, "-o", "-"]);
        assert_eq!((report.status, report.stderr.as_str()), (Some(0), ""), "{path}");
        let page = Page::read(&report.stdout);

        let csv = PROGRAM.run(["export", &path, "--csv", "-"]);
        let extremes = extremes(&csv.stdout);
        let mut compared = 0;
        for (heading, quantity, unit, number) in
            [("Cells", "cell", "v", "cell"), ("Temperatures", "temperature", "c", "sensor")]
        {
            let table = page.table_of(heading);
            let heads = if unit == "v" { ["lowest V", "highest V"] } else { ["lowest degC", "highest degC"] };
            let (places, lowest, highest) = (table.column(number), table.column(heads[0]), table.column(heads[1]));
            for ((place, lowest), highest) in places.iter().zip(lowest).zip(highest) {
                let column = format!("{quantity}_{:02}_{unit}", place.parse::<u16>().expect("a number"));
                let (low, high) = extremes[&column];
                let parse = |cell: &str| cell.parse::<f64>().expect("a number");
                assert!((parse(lowest) - low).abs() < 1e-12, "{path} {column}: {lowest} {low}");
                assert!((parse(highest) - high).abs() < 1e-12, "{path} {column}: {highest} {high}");
                compared += 1;
            }
        }
        assert!(16 < compared, "{path}: {compared}");

        let verdict = PROGRAM.run(["replay", &path, "--json"]).verdict();
        let texts = |value: &Value, keys: &[&str]| -> Vec<String> {
            let items = value.as_array().expect("a list").iter();
            let text = |item: &Value, key: &str| item[key].as_str().map(str::to_owned);
            items
                .flat_map(|item| {
                    let own = item.as_str().map(str::to_owned);
                    own.into_iter().chain(keys.iter().filter_map(|key| text(item, key))).collect::<Vec<_>>()
                })
                .collect()
        };
        let mut wanted = texts(&verdict["because"], &[]);
        wanted.extend(texts(&verdict["untested"], &[]));
        wanted.extend(texts(&verdict["notes"], &[]));
        wanted.extend(texts(&verdict["checks"], &["check", "result", "why"]));
        wanted.extend(texts(&verdict["findings"], &["cause", "text", "look_at"]));
        wanted.extend(texts(&verdict["measured"], &["name", "text", "none"]));
        for finding in verdict["findings"].as_array().expect("a list") {
            wanted.extend(texts(&finding["for"], &[]));
            wanted.extend(texts(&finding["against"], &[]));
        }
        assert!(60 < wanted.len(), "{path}: {}", wanted.len());
        for text in wanted {
            assert!(page.text.contains(&text), "{path}: {text:?} is not in the report");
        }
        let sound = page.table_of("Line to the BMS").rows[0][1].clone();
        let rows = csv.stdout.lines().count() - 1;
        assert_eq!(sound, rows.to_string(), "{path}: a sound frame is a row");
    }
}

#[test]
fn a_page_that_is_there_stays_unless_asked() {
    let folder = folder("report");
    let recording = shipped(FIRST);
    let out = folder.join("first.html").display().to_string();
    let ended = PROGRAM.run(["report", &recording, "-o", &out]);
    assert_eq!((ended.status, ended.stdout.as_str()), (Some(0), ""), "{}", ended.stderr);
    assert!(ended.stderr.starts_with("go: report in ") && ended.stderr.lines().count() == 1, "{}", ended.stderr);
    let page = std::fs::read_to_string(&out).expect("it is there");
    assert!(page.starts_with("<!doctype html>") && page.len() < 300_000);
    // The hash is that of the file: sha256sum of the shipped recording.
    assert!(Page::read(&page).text.contains(include_str!("first-switch-on.sha256").trim()), "another hash");

    std::fs::write(&out, "mine").expect("it can be written");
    check_refused(&PROGRAM.run(["report", &recording, "-o", &out]), "it is there already", "--replace");
    check_refused(&PROGRAM.run(["compare", &recording, &recording, "-o", &out]), "it is there already", "--replace");
    assert_eq!(std::fs::read_to_string(&out).expect("it is there"), "mine");
    assert_eq!(PROGRAM.run(["report", &recording, "-o", &out, "--replace"]).status, Some(0));
    assert_eq!(std::fs::read_to_string(&out).expect("it is there"), page, "the same page each time");
    assert_eq!(PROGRAM.run(["compare", &recording, &recording, "-o", &out, "--replace"]).status, Some(0));
    assert!(Page::read(&std::fs::read_to_string(&out).expect("it is there")).text.contains("0 changes"));
    assert_eq!(std::fs::read_dir(&folder).expect("it can be listed").count(), 1, "nothing else is left behind");

    // The recording itself is never written over, whatever its name is.
    let copy = file(&folder, "copy.mcap", &std::fs::read(&recording).expect("it is there"));
    let length = std::fs::metadata(&copy).expect("it is there").len();
    refused(&["report", &copy, "-o", &copy, "--replace"], "that is the recording itself", "choose another name");
    let compare = ["compare", &recording, &copy, "-o", &copy, "--replace"];
    refused(&compare, "that is the recording itself", "choose another name");
    assert_eq!(std::fs::metadata(&copy).expect("it is there").len(), length);
    refused(&["report", &copy, "-o", &folder.display().to_string()], "can't write", "give a file in that folder");
    refused(&["report", &copy, "-o", "no/folder/x.html"], "can't write", "make the folder first");
    refused(&["report", "nowhere.mcap", "-o", "-"], "nowhere.mcap", "check the name");
    #[cfg(target_os = "linux")]
    check_refused(&PROGRAM.run(["report", &copy, "-o", "/dev/full"]), "No space left", "");
}

#[test]
fn what_is_cut_off_is_reported_with_status_4() {
    let folder = folder("cut report");
    let whole = std::fs::read(shipped(WEAK)).expect("it is there");
    let cut = file(&folder, "cut.mcap", &whole[..whole.len() / 2]);
    let report = PROGRAM.run(["report", &cut, "-o", "-"]);
    assert_eq!(report.status, Some(4), "{}", report.stderr);
    assert!(report.stderr.contains("the recording is incomplete"), "{}", report.stderr);
    let page = Page::read(&report.stdout);
    assert!(page.text.contains("not whole") && page.text.contains("the recording has no end"), "{:.600}", page.text);
    let compared = PROGRAM.run(["compare", &cut, &shipped(WEAK)]);
    assert_eq!(compared.status, Some(4), "{}", compared.stderr);
    assert!(compared.stdout.contains("the first file: "), "{}", compared.stdout);
}

#[test]
fn raw_bytes_are_reported_with_what_they_were_judged_by() {
    let folder = folder("raw report");
    let raw = file(&folder, "raw.bin", &crate::files::text_line_bytes(5));
    let named = described_by("protocols/acorn-text.toml", "packs/sapling-14s-nmc.toml");
    let report = PROGRAM.run(["report", &raw, "-o", "-"].into_iter().chain(named.iter().map(String::as_str)));
    assert_eq!(report.status, Some(0), "{}", report.stderr);
    let page = Page::read(&report.stdout);
    assert!(page.text.contains("CANNOT TELL") && page.text.contains("the times are assumed"), "{:.600}", page.text);
    // Other texts than the recording's own are named.
    let pack = shipped("packs/acorn-24s-nmc.toml");
    let report = PROGRAM.run(["report", &shipped(FIRST), "--pack", &pack, "-o", "-"]);
    let page = Page::read(&report.stdout);
    assert!(page.text.contains("another pack file than the recording's own: acorn-24s-nmc.toml"), "{:.600}", page.text);
}

#[test]
fn a_comparison_is_text_lines_or_a_page() {
    let (old, new) = (shipped(FIRST), shipped(WEAK));
    let text = PROGRAM.run(["compare", &old, &new]);
    assert_eq!((text.status, text.stderr.as_str()), (Some(0), ""));
    let changed: Vec<&str> = text.stdout.lines().filter(|line| line.starts_with("  CHANGED")).collect();
    assert!(changed[0].contains("verdict") && changed[0].contains("go -> no-go"), "{changed:?}");
    assert!(changed.iter().any(|line| line.contains("weak cell at cell 17")), "{changed:?}");

    let json = PROGRAM.run(["compare", &old, &new, "--json"]);
    assert_eq!((json.status, json.stderr.as_str()), (Some(0), ""));
    let lines = json.json();
    assert_eq!((&lines[0]["event"], &lines[0]["new"]["outcome"]), (&"comparison".into(), &"no-go".into()));
    let differences: Vec<&Value> = lines.iter().filter(|line| line["event"] == "difference").collect();
    let counted = |told: &str| differences.iter().filter(|line| line["told"] == told).count() as u64;
    let last = lines.last().expect("the counts");
    assert_eq!(last["event"], "compared");
    for (name, told) in [("changed", "changed"), ("cannot_tell", "cannot tell"), ("same", "same")] {
        assert_eq!(last[name].as_u64(), Some(counted(told)), "{name}");
        assert!(0 < counted(told), "{name}");
    }
    let weak = differences.iter().find(|line| line["about"] == "resistance" && line["place"] == "cell 17");
    let weak = weak.expect("a line about the weak cell");
    let number = |key: &str| weak[key].as_f64().expect("a number");
    assert!((number("new") - number("old") - number("difference")).abs() < 1e-9, "{weak}");
    // 2.58 times by the recipe of the recording (see its expectation), of a cell that had about 1 before.
    assert!((number("new") - 2.58).abs() < 0.1 && number("uncertainty") < 0.1, "{weak}");
    for line in differences.iter().filter(|line| line["told"] == "cannot tell") {
        assert!(line["why"].as_str().is_some_and(|why| !why.is_empty()), "{line}");
    }

    let page = PROGRAM.run(["compare", &old, &new, "-o", "-"]);
    let page = Page::read(&page.stdout);
    assert_eq!(page.table_of("Changed").rows.len() as u64, counted("changed"));
    assert_eq!(page.table_of("The same within what can be told").rows.len() as u64, counted("same"));
    assert!(page.text.contains("PRACTICE"), "{:.300}", page.text);

    let other = shipped("recordings/sapling-sensor-open.mcap");
    refused(&["compare", &old, &other], "24 cells in series, the other 14", "two recordings of the same pack");
}

#[test]
fn a_report_says_what_changed_since() {
    let (old, new) = (shipped(FIRST), shipped(WEAK));
    let compared = PROGRAM.run(["compare", &old, &new, "--json"]);
    let lines: Vec<Value> =
        compared.stdout.lines().map(|line| serde_json::from_str(line).expect("an object a line")).collect();
    let counts = lines.last().expect("a line");
    let ended = PROGRAM.run(["report", &new, "--since", &old, "-o", "-"]);
    assert_eq!((ended.status, ended.stderr.as_str()), (Some(0), ""));
    let page = Page::read(&ended.stdout);
    let summary =
        format!("{} changed, {} can't be told, {} the same", counts["changed"], counts["cannot_tell"], counts["same"]);
    assert!(page.text.contains(&summary), "{summary}: {:.3000}", page.text);
    let changed: Vec<&Value> = lines.iter().filter(|line| line["told"] == "changed").collect();
    assert!(!changed.is_empty());
    for line in changed {
        let what = line["what"].as_str().expect("words");
        assert!(page.text.contains(what), "{what}");
    }
    refused(
        &["report", &new, "--since", &shipped("recordings/sapling-sensor-open.mcap"), "-o", "-"],
        "that is no comparison",
        "give two recordings of the same pack",
    );
    refused(&["report", &new, "--since", "none.mcap", "-o", "-"], "none.mcap", "check the name");
}

/// The window makes its pages of `account_of`: they are those of the commands, byte for byte.
#[test]
fn pages_are_those_of_the_window() {
    let account = |path: &str| {
        let account = session::accounts::account_of(path.as_ref(), &session::accounts::Going::default());
        account.expect("it can be read").expect("nobody stops it")
    };
    let made_by = concat!("packwake ", env!("CARGO_PKG_VERSION"));
    for path in RECORDINGS.map(shipped) {
        let page = PROGRAM.run(["report", &path, "-o", "-"]).stdout;
        assert!(page == report::report(&account(&path), None, made_by), "{path}");
    }
    let (old, new) = (shipped(FIRST), shipped(WEAK));
    let page = PROGRAM.run(["compare", &old, &new, "-o", "-"]).stdout;
    let (old, new) = (account(&old), account(&new));
    let comparison = report::compare(&old, &new).expect("of one pack");
    assert!(page == report::comparison_page(&old, &new, &comparison, made_by));
}
