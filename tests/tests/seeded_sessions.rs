//! Sessions by seed, counted: no sound pack is refused, no fault that can be seen is let through.
//!
//! `PACKWAKE_SESSIONS=3000` judges so many of each kind instead of the usual number; the table is printed in any case.

use std::collections::BTreeMap;

use packwake_tests::sessions::{Drawn, faulty, healthy};
use packwake_tests::truth::{self, Truth};
use packwake_tests::{header_of, judge, text};
use rules::{Outcome, Result, Verdict};

fn how_many(usual: u64) -> u64 {
    match std::env::var("PACKWAKE_SESSIONS") {
        Ok(number) => number.parse().expect("PACKWAKE_SESSIONS is a number"),
        Err(_) => usual,
    }
}

fn verdict(drawn: &Drawn) -> Verdict {
    judge(&header_of(text(drawn.pair.protocol), drawn.pair.pack_text(&drawn.scene)), drawn.inputs()).1
}

/// Which checks did not pass, and why.
fn reasons(verdict: &Verdict) -> Vec<String> {
    let open = |result: Result| matches!(result, Result::Failed | Result::NoData);
    verdict
        .checks
        .iter()
        .filter(|check| open(check.result))
        .map(|check| format!("{} {}: {}", check.check, check.result.name(), check.why))
        .collect()
}

/// Without its numbers, so that like ones are counted together.
fn without_numbers(reason: &str) -> String {
    let mut out = String::new();
    for c in reason.chars() {
        if !c.is_ascii_digit() {
            out.push(c);
        } else if !out.ends_with('#') {
            out.push('#');
        }
    }
    out
}

/// The start of a list that may be long.
fn shown(list: &[String]) -> String {
    let more = list.len().saturating_sub(12);
    let mut text = list.iter().take(12).cloned().collect::<Vec<_>>().join("\n");
    if 0 < more {
        text.push_str(&format!("\nand {more} more"));
    }
    text
}

#[test]
fn no_sound_pack_is_refused() {
    let (mut go, mut wrong) = (0, Vec::new());
    let mut cannot_tell: BTreeMap<String, u64> = BTreeMap::new();
    let sessions = how_many(300);
    for seed in 0..sessions {
        let drawn = healthy(seed);
        assert_eq!(truth::of(&drawn), Truth::Healthy, "seed {seed} is not sound: {:?}", truth::cells(&drawn));
        let verdict = verdict(&drawn);
        let reasons = reasons(&verdict);
        match verdict.outcome {
            Outcome::Go => go += 1,
            Outcome::CannotTell => {
                let all: Vec<String> = reasons.iter().map(|reason| without_numbers(reason)).collect();
                *cannot_tell.entry(all.join("; ")).or_default() += 1;
            }
            Outcome::NoGo => wrong.push(format!("seed {seed}, {}: {reasons:?}", drawn.pair.name)),
        }
    }
    let told = cannot_tell.values().sum::<u64>();
    println!("{sessions} sound sessions: {go} go, {told} cannot tell, {} no-go (false)", wrong.len());
    for (reason, count) in &cannot_tell {
        println!("  {count:>5} cannot tell: {reason}");
    }
    assert!(wrong.is_empty(), "{} false no-go:\n{}", wrong.len(), shown(&wrong));
    // Most sound sessions must come through, or the tool is of no use. About one in ten has a computed sum, and one in
    // ten a counter that its protocol file does not describe.
    assert!(sessions * 7 / 10 <= go, "only {go} of {sessions} are go");
}

#[test]
fn no_visible_fault_is_let_through() {
    let mut table: BTreeMap<(&str, Truth), [u64; 3]> = BTreeMap::new();
    let mut wrong = Vec::new();
    let sessions = how_many(600);
    for seed in 0..sessions {
        let drawn = faulty(seed);
        let fault = drawn.fault.expect("it has a fault");
        let truth = truth::of(&drawn);
        let verdict = verdict(&drawn);
        let outcome = verdict.outcome;
        let column = match outcome {
            Outcome::Go => 0,
            Outcome::CannotTell => 1,
            Outcome::NoGo => 2,
        };
        table.entry((fault.kind.name(), truth)).or_default()[column] += 1;
        let false_go = truth == Truth::Bad && outcome == Outcome::Go;
        let false_no_go = truth == Truth::Healthy && outcome == Outcome::NoGo;
        if false_go || false_no_go {
            let (reasons, cells) = (reasons(&verdict), truth::cells(&drawn));
            wrong.push(format!(
                "seed {seed}, {}: {}: {fault:?}, {cells:?}, {reasons:?}",
                drawn.pair.name,
                outcome.name()
            ));
        }
    }
    println!("{:<30}{:<10}{:>8}{:>13}{:>8}", "fault", "is", "go", "cannot tell", "no-go");
    for ((kind, truth), [go, cannot_tell, no_go]) in &table {
        println!("{kind:<30}{:<10}{go:>8}{cannot_tell:>13}{no_go:>8}", format!("{truth:?}"));
    }
    let bad = |column: usize| {
        table.iter().filter(|((_, truth), _)| *truth == Truth::Bad).map(|(_, counts)| counts[column]).sum::<u64>()
    };
    println!("{sessions} sessions; bad ones: {} go (false), {} cannot tell, {} no-go", bad(0), bad(1), bad(2));
    assert!(wrong.is_empty(), "{} wrong:\n{}", wrong.len(), shown(&wrong));
    // The generator must bring enough of them: two thirds of those whose kind a check can find, and these are the half.
    let found_by_a_check = |kind: &str| table.contains_key(&(kind, Truth::Bad));
    let findable = table.iter().filter(|((kind, _), _)| found_by_a_check(kind));
    let findable: u64 = findable.map(|(_, counts)| counts.iter().sum::<u64>()).sum();
    let bad = bad(0) + bad(1) + bad(2);
    assert!(sessions / 2 <= findable && findable * 2 / 3 <= bad, "{bad} of {findable}");
}
