//! Scores the diagnosis over a seeded grid (fault x severity x resolution x frame rate x noise, and sound sessions) and
//! writes the table of the docs.
//!
//! ```text
//! cargo run --release -p packwake-tests --example diagnosis_table -- [--seeds N] [--sound N] [--only FAULT] [--out FILE]
//! ```
#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a command's output")]

use std::collections::BTreeMap;
use std::process::ExitCode;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

use packwake_tests::grid::{Axes, Case};
use packwake_tests::scoring::Score;
use simulator::{Fault, FaultKind};

struct Wanted {
    seeds: u64,
    sound: u64,
    only: Option<String>,
    out: Option<String>,
}

fn wanted() -> Result<Wanted, String> {
    let mut wanted = Wanted { seeds: 1, sound: 1000, only: None, out: None };
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        let value = arguments.next().ok_or_else(|| format!("{argument} needs a value"))?;
        let number = || value.parse().map_err(|_| format!("{argument}: {value:?} is no number"));
        match argument.as_str() {
            "--seeds" => wanted.seeds = number()?,
            "--sound" => wanted.sound = number()?,
            "--only" => wanted.only = Some(value),
            "--out" => wanted.out = Some(value),
            _ => return Err(format!("unknown argument {argument:?}")),
        }
    }
    Ok(wanted)
}

fn main() -> ExitCode {
    match wanted().and_then(|wanted| run(&wanted)) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(why) => {
            eprintln!("error: {why}");
            ExitCode::from(2)
        }
    }
}

/// What became of all sessions with one fault.
#[derive(Default)]
struct Row {
    sessions: usize,
    /// Beyond the warning limit, and carried by the line.
    asked: usize,
    found: usize,
    possible: usize,
    /// A wrong cause, in those and in slighter ones.
    wrong: usize,
    slight_wrong: usize,
    /// Slighter ones that were found all the same.
    slight: usize,
    slight_found: usize,
    /// What was claimed wrongly, how often.
    claimed: BTreeMap<String, usize>,
}

fn run(wanted: &Wanted) -> Result<bool, String> {
    let kinds: Vec<FaultKind> = Fault::all()
        .filter(|kind| wanted.only.as_ref().is_none_or(|only| only.split(',').any(|name| name == kind.name())))
        .collect();
    let axes = Axes::usual(wanted.seeds);
    let sets: Vec<[FaultKind; 1]> = kinds.iter().map(|kind| [*kind]).collect();
    let sets: Vec<&[FaultKind]> = sets.iter().map(<[FaultKind; 1]>::as_slice).collect();
    let faulty: Vec<Case> = axes.cases(&sets).collect();
    let sound: Vec<Case> = (0..wanted.sound).map(Case::sound).collect();
    eprintln!("{} sessions with a fault, {} sound ones", faulty.len(), sound.len());
    let mut rows: BTreeMap<&str, Row> = BTreeMap::new();
    for (case, score) in faulty.iter().zip(score_all(&faulty)) {
        let Some(kind) = case.faults.first().map(|fault| fault.kind) else { continue };
        take(rows.entry(kind.name()).or_default(), case, &score);
    }
    let mut alarmed = Row::default();
    for (case, score) in sound.iter().zip(score_all(&sound)) {
        take(&mut alarmed, case, &score);
        if !score.wrong.is_empty() {
            alarmed.possible += 1;
            println!("sound seed {}: {}", case.seed, claims(&score));
        }
    }
    let table = table(&rows, &alarmed, kinds.iter().map(|kind| kind.name()));
    print!("{table}");
    if let Some(out) = &wanted.out {
        let text = std::fs::read_to_string(out).map_err(|error| format!("{out}: {error}"))?;
        let mark = "<!-- table -->\n";
        let head = text.split(mark).next().unwrap_or("");
        std::fs::write(out, format!("{head}{mark}\n{table}")).map_err(|error| format!("{out}: {error}"))?;
    }
    let good = |row: &Row| 95 * row.asked <= 100 * row.found && 100 * row.wrong <= row.asked.max(100);
    Ok(rows.values().all(good) && alarmed.possible * 1000 <= alarmed.sessions.max(1000))
}

fn take(row: &mut Row, case: &Case, score: &Score) {
    row.sessions += 1;
    for (known, finding) in &score.truths {
        let found = finding.as_ref().is_some_and(|finding| rules::Confidence::Possible < finding.confidence);
        if known.beyond_warning && known.carried {
            row.asked += 1;
            row.found += usize::from(found);
            row.possible += usize::from(!found && finding.is_some());
            if !found && std::env::var_os("MISSED").is_some() {
                println!("missed: {} {:.2} {case:?}", known.cause, known.severity);
            }
        } else {
            row.slight += 1;
            row.slight_found += usize::from(found);
        }
    }
    if score.claims_wrongly() {
        let matters = score.truths.iter().any(|(known, _)| known.beyond_warning && known.carried);
        row.wrong += usize::from(matters);
        row.slight_wrong += usize::from(!matters);
        for finding in &score.wrong {
            let what = format!("{} {}", finding.confidence.name(), finding.cause);
            *row.claimed.entry(what).or_default() += 1;
        }
        if std::env::var_os("WRONG").is_some() {
            println!("wrong: {} in {case:?}", claims(score));
        }
    }
}

fn claims(score: &Score) -> String {
    let each = score.wrong.iter().map(|finding| {
        format!("{} {} {}: {}", finding.confidence.name(), finding.cause, finding.place(), finding.text)
    });
    each.collect::<Vec<_>>().join("; ")
}

/// The score of each case, in their order, on all cores.
fn score_all(cases: &[Case]) -> Vec<Score> {
    let next = AtomicUsize::new(0);
    let scores = Mutex::new(vec![None; cases.len()]);
    let threads = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                while let Some((index, case)) =
                    Some(next.fetch_add(1, Ordering::Relaxed)).and_then(|index| Some((index, cases.get(index)?)))
                {
                    let score = Score::of(case);
                    if let Some(slot) = scores.lock().unwrap_or_else(PoisonError::into_inner).get_mut(index) {
                        *slot = Some(score);
                    }
                }
            });
        }
    });
    scores.into_inner().unwrap_or_else(PoisonError::into_inner).into_iter().flatten().collect()
}

fn table<'n>(rows: &BTreeMap<&str, Row>, sound: &Row, order: impl Iterator<Item = &'n str>) -> String {
    let percent = |part: usize, whole: usize| match whole {
        0 => "-".to_owned(),
        _ => format!("{:.1} %", 100.0 * part as f64 / whole as f64),
    };
    let mut text = String::new();
    let mut line = |line: String| {
        text.push_str(&line);
        text.push('\n');
    };
    line("| fault | sessions | beyond the warning limit | found | only possible | wrong cause | slighter ones found | wrong cause in slighter ones | claimed wrongly |".to_owned());
    line("| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | --- |".to_owned());
    for name in order {
        let Some(row) = rows.get(name) else { continue };
        let claimed: Vec<String> = row.claimed.iter().map(|(what, count)| format!("{what} ({count})")).collect();
        line(format!(
            "| {name} | {} | {} | {} | {} | {} | {} | {} | {} |",
            row.sessions,
            row.asked,
            percent(row.found, row.asked),
            percent(row.possible, row.asked),
            percent(row.wrong, row.asked),
            percent(row.slight_found, row.slight),
            percent(row.slight_wrong, row.slight),
            claimed.join(", ")
        ));
    }
    line(String::new());
    line(format!("Sound sessions: {}, with any finding: {}.", sound.sessions, sound.possible));
    text
}
