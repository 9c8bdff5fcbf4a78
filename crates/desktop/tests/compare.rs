//! The comparison and the report, by their accessible names, on the shipped recordings.

mod common;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use common::{recorded, running};
use desktop::compare::Compare;
use desktop::review::Review;
use desktop::wording::Look;
use desktop::{Files, colours};
use egui::Key;
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use session::Snapshot;
use session::accounts::{Going, account_of};

const FIRST: &str = "acorn-first-switch-on.mcap";
const WEAK: &str = "acorn-weak-cell.mcap";
const BY: &str = "a test";

struct Shown {
    snapshot: Option<Arc<Snapshot>>,
    files: Files,
    compare: Compare,
}

fn path(name: &str) -> PathBuf {
    packwake_tests::root().join("recordings").join(name)
}

fn show(size: [f32; 2], snapshot: Option<Snapshot>, files: Files) -> Harness<'static, Shown> {
    let shown = Shown { snapshot: snapshot.map(Arc::new), files, compare: Compare::new(BY) };
    let mut harness = Harness::builder().with_size(size).build_ui_state(
        |ui, shown: &mut Shown| {
            colours::dress(ui.ctx());
            let snapshot = shown.snapshot.clone();
            let look = snapshot.as_ref().map(|snapshot| Look { snapshot, since: Duration::ZERO, finished: false });
            shown.compare.ui(ui, look, &shown.files);
        },
        shown,
    );
    harness.run_steps(3);
    harness
}

fn of(name: &str) -> Files {
    Files { recording: Some(path(name)), is_recording: true, ..Files::default() }
}

fn has<S>(harness: &Harness<'_, S>, part: &str) -> bool {
    harness.query_all_by_label_contains(part).next().is_some()
}

fn wants<S>(harness: &Harness<'_, S>, part: &str) {
    let all = || {
        let nodes = harness.query_all_by(|_| true);
        nodes.filter_map(|node| node.accesskit_node().label()).collect::<Vec<_>>().join(" | ")
    };
    assert!(has(harness, part), "no {part:?} on the screen: {}", all());
}

/// Waits for something that a thread does.
fn until<S>(harness: &mut Harness<'_, S>, part: &str) {
    for _ in 0..2_000 {
        harness.run_steps(2);
        if has(harness, part) {
            return;
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    wants(harness, part);
}

fn type_path<S>(harness: &mut Harness<'_, S>, label: &str, to: &Path) {
    harness.get_by_label(label).focus();
    harness.run_steps(2);
    harness.key_press_modifiers(egui::Modifiers::COMMAND, Key::A);
    harness.run_steps(2);
    harness.get_by_label(label).type_text(&to.display().to_string());
    harness.run_steps(2);
}

#[test]
fn what_changed_stands_first_and_the_page_is_that_of_the_command() {
    let mut harness = show([1280.0, 900.0], Some(recorded(WEAK, None)), of(WEAK));
    wants(&harness, "Choose an earlier recording of the same pack");
    // It lies beside this one, and is offered.
    until(&mut harness, FIRST);
    harness.get_by_label_contains(FIRST).click_accesskit();
    until(&mut harness, "changed, ");
    let (old, new) = (path(FIRST), path(WEAK));
    let account = |path: &Path| account_of(path, &Going::default()).expect("it can be read").expect("nobody stops it");
    let (old, new) = (account(&old), account(&new));
    let comparison = report::compare(&old, &new).expect("of one pack");
    let (changed, unknown, same) = comparison.counts();
    let large = comparison.lines.iter().filter(|line| line.large).count();
    wants(&harness, &format!("{changed} changed, {large} of them by much"));
    wants(&harness, &format!("{unknown} can't be told, {same} the same"));
    // By its expectation cell 17 has 2.58 times the resistance; here it was sound before.
    wants(&harness, "cell 17: resistance");
    wants(&harness, "resistance against the median cell's, x: changed at cells");
    let mut top = f32::NEG_INFINITY;
    for line in comparison.lines.iter().filter(|line| line.told == report::Told::Changed) {
        let here = harness.get_all_by_label(&line.what).map(|node| node.rect().top()).fold(f32::MIN, f32::max);
        assert!(top < here, "{} stands above the one before", line.what);
        top = here;
    }
    assert!(!has(&harness, "temperature 1 at rest"), "what is the same is folded");

    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().join("drift.html");
    harness.get_by_label("Page…").click_accesskit();
    harness.run_steps(2);
    type_path(&mut harness, "to", &out);
    harness.get_by_label("Write the page").click_accesskit();
    until(&mut harness, "comparison in ");
    let page = std::fs::read_to_string(&out).expect("it was written");
    assert!(page == report::comparison_page(&old, &new, &comparison, BY), "another page");
    // Once more: only when asked again.
    std::fs::write(&out, "theirs").expect("written");
    harness.get_by_label("Write the page").click_accesskit();
    until(&mut harness, "a file of this name is there already");
    assert_eq!(std::fs::read_to_string(&out).expect("it is there"), "theirs");
    harness.get_by_label("Write over it").click_accesskit();
    until(&mut harness, "comparison in ");
    assert!(std::fs::read_to_string(&out).expect("it is there") == page);
}

#[test]
fn what_can_not_be_compared_says_why_and_what_to_do() {
    let mut harness = show([1280.0, 800.0], Some(recorded(WEAK, None)), of(WEAK));
    let folder = tempfile::tempdir().expect("a folder");
    let text = folder.path().join("notes.mcap");
    std::fs::write(&text, "no recording").expect("written");
    for (old, why, hint) in [
        (path(WEAK), "that is this recording itself", "choose one of an earlier day"),
        (path("sapling-sensor-open.mcap"), "that is no comparison", "choose an earlier recording of the same pack"),
        (folder.path().join("none.mcap"), "none.mcap: ", "hint: "),
        (text, "notes.mcap: ", "hint: "),
    ] {
        type_path(&mut harness, "What drifted since", &old);
        harness.get_by_label("Compare them").click_accesskit();
        until(&mut harness, why);
        wants(&harness, "They can't be compared");
        wants(&harness, hint);
    }
    // Another recording on the screen: what was told is not of it.
    type_path(&mut harness, "What drifted since", &path(FIRST));
    harness.key_press(Key::Enter);
    until(&mut harness, " changed, ");
    harness.state_mut().files = of(FIRST);
    harness.run_steps(2);
    wants(&harness, "Another recording is shown now: compare again.");
}

#[test]
fn without_a_whole_recording_there_is_nothing_to_compare() {
    let before = show([1280.0, 800.0], None, Files::default());
    wants(&before, "Choose a recording on Source");
    let unrecorded = show([1280.0, 800.0], Some(running(WEAK, 10_000)), Files::default());
    wants(&unrecorded, "This session is not recorded");
    let files = Files { recording: Some(path(WEAK)), ..Files::default() };
    let going = show([1280.0, 800.0], Some(running(WEAK, 10_000)), files);
    wants(&going, "This session goes on");
}

#[test]
fn a_narrow_window_has_all_of_it_by_scrolling() {
    let mut harness = show([640.0, 480.0], Some(recorded(WEAK, None)), of(WEAK));
    let ctx = harness.ctx.clone();
    harness.state_mut().compare.choose(&path(FIRST), &path(WEAK), &ctx);
    until(&mut harness, " changed, ");
    wants(&harness, "cell 17: resistance");
    let right = harness.query_all_by_label_contains("cell 17").map(|node| node.rect().right()).fold(0.0, f32::max);
    assert!(right <= 640.0, "it goes to {right}");
}

/// The report from Review is the page of the command, byte for byte: both make it of the same account.
#[test]
fn the_report_of_review_is_that_of_the_command() {
    struct Shown(Arc<Snapshot>, Files, Review);
    let mut harness = Harness::builder().with_size([1280.0, 800.0]).build_ui_state(
        |ui, shown: &mut Shown| {
            colours::dress(ui.ctx());
            let look = Look { snapshot: &shown.0, since: Duration::ZERO, finished: true };
            shown.2.ui(ui, Some(look), &shown.1);
        },
        Shown(Arc::new(recorded(WEAK, None)), of(WEAK), Review::new(BY)),
    );
    until(&mut harness, "Report…");
    harness.get_by_label("Report…").click_accesskit();
    harness.run_steps(2);
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().join("weak.html");
    type_path(&mut harness, "to", &out);
    harness.get_by_label("Write the report").click_accesskit();
    until(&mut harness, "report in ");
    let account = account_of(&path(WEAK), &Going::default()).expect("it can be read").expect("nobody stops it");
    let page = std::fs::read_to_string(&out).expect("it was written");
    assert!(page == report::report(&account, None, BY), "another page");
}
