//! The screen before power: what is open, what a reading means, and what becomes of it.

use std::net::TcpListener;
use std::sync::Arc;
use std::time::Duration;

use desktop::prepare::Book;
use desktop::start::{Kind, PracticeFault};
use desktop::{Desktop, Practice, Ready};
use egui::Key;
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use model::{Amount, Command, HandItem, HandOutcome, HandReading, SessionTime};
use session::rules::{HandResult, Outcome, Pack, Prepared};
use session::snapshot::{Failure, Phase};

const ACORN: &str = "packs/acorn-24s-nmc.toml";

fn pack(path: &str) -> Pack {
    Pack::parse(&packwake_tests::text(path)).0.expect("a shipped pack is sound")
}

fn ready() -> Ready {
    Ready {
        practice: Practice {
            faults: vec![PracticeFault { name: "none".to_owned(), about: "a sound pack".to_owned() }],
            start: Arc::new(|_, _| Err(Failure::default())),
            pack: Some(Arc::new(pack(ACORN))),
        },
        tool_version: "a test".to_owned(),
        host: String::new(),
        players: desktop::sound::Players::none(),
        first: None,
    }
}

type Window = Harness<'static, Option<Desktop>>;

fn window() -> Window {
    let mut harness = Harness::builder().with_size([1280.0, 800.0]).build_ui_state(
        |ui, desktop: &mut Option<Desktop>| {
            let desktop = desktop.get_or_insert_with(|| Desktop::new(ui.ctx(), ready()));
            desktop.look(ui.ctx());
            desktop.ui(ui);
        },
        None,
    );
    harness.run_steps(2);
    harness
}

fn press(harness: &mut Window, key: Key) {
    harness.key_press(key);
    harness.run_steps(4);
}

#[track_caller]
fn has_part(harness: &Window, part: &str) {
    if harness.query_all_by_label_contains(part).next().is_none() {
        let nodes = harness.query_all_by(|_| true);
        let words: Vec<String> = nodes.filter_map(|node| node.accesskit_node().label()).collect();
        panic!("no {part:?} on the screen: {}", words.join(" | "));
    }
}

/// Types a value into the open item and enters it.
fn enter_value(harness: &mut Window, text: &str) {
    let field = harness.get_by_label("Value");
    field.focus();
    harness.run_steps(1);
    harness.get_by_label("Value").type_text(text);
    harness.run_steps(2);
}

fn until(harness: &mut Window, what: &str, done: impl Fn(&Desktop) -> bool) {
    for _ in 0..1000 {
        harness.run_steps(1);
        if harness.state().as_ref().is_some_and(&done) {
            harness.run_steps(2);
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("not within ten seconds: {what}");
}

/// Chooses a line that is open and says nothing; it lives as long as what is returned.
fn choose_a_silent_line(harness: &mut Window, pack: &str) -> TcpListener {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = listener.local_addr().expect("it has one").to_string();
    let path = |name: &str| packwake_tests::root().join(name).display().to_string();
    harness.state_mut().as_mut().expect("it is there").fill(|start| {
        start.kind = Kind::Tcp;
        start.tcp = address;
        start.protocol = path("protocols/acorn-binary.toml");
        start.pack = path(pack);
    });
    harness.run_steps(1);
    listener
}

fn wait_for(harness: &mut Window, part: &str) {
    for _ in 0..500 {
        harness.run_steps(1);
        if harness.query_all_by_label_contains(part).next().is_some() {
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    has_part(harness, part);
}

#[test]
fn items_are_done_in_their_order_with_one_key_each() {
    let mut harness = window();
    press(&mut harness, Key::P);
    has_part(&harness, "24 of 24 checks are still open");
    harness.get_by_label("Props off: not done");
    has_part(&harness, "Take every propeller off.");
    press(&mut harness, Key::Y);
    harness.get_by_label("Props off: passed, taken just now");
    has_part(&harness, "Have somebody with you");
    press(&mut harness, Key::F);
    harness.get_by_label("Helper: failed, taken just now");
    has_part(&harness, "1 failed: do not switch on; 22 of 24 checks are still open");
    // A slip is taken back.
    press(&mut harness, Key::ArrowUp);
    press(&mut harness, Key::U);
    harness.get_by_label("Helper: not done");
    press(&mut harness, Key::S);
    harness.get_by_label("What do you want to watch?");
}

#[test]
fn what_a_reading_means_is_said_before_it_is_entered() {
    let mut harness = window();
    press(&mut harness, Key::P);
    let line = "Insulation, plus to frame: not done; at least 51 kohm: 102 V x 500 ohm/V; a dry new build has more than 1 Mohm";
    harness.get_by_label(line).click();
    harness.run_steps(4);
    has_part(&harness, "Limit: at least 51 kohm: 102 V x 500 ohm/V");
    enter_value(&mut harness, "30 V");
    has_part(&harness, "that is a voltage, insulation, plus to frame needs a resistance, such as 2.1 Mohm");
    for _ in 0..4 {
        press(&mut harness, Key::Backspace);
    }
    enter_value(&mut harness, "30 kohm");
    has_part(&harness, "This means failed: 30 kohm, below 51 kohm (102 V x 500 ohm/V)");
    // Letters in a field are no keys of the window.
    press(&mut harness, Key::S);
    has_part(&harness, "Before power");
    press(&mut harness, Key::Enter);
    harness
        .get_by_label("Insulation, plus to frame: failed: 30 kohm, below 51 kohm (102 V x 500 ohm/V), taken just now");
}

#[test]
fn values_are_typed_one_after_another() {
    let mut harness = window();
    press(&mut harness, Key::P);
    harness.get_by_label_contains("Insulation, plus to frame: not done").click();
    harness.run_steps(4);
    // Enter brings the cursor into the value, and takes it.
    for value in ["2 Mohm", "900 kohm", "0.2 V", "0.4 V"] {
        if value == "2 Mohm" {
            press(&mut harness, Key::Enter);
        }
        harness.get_by_label("Value").type_text(value);
        press(&mut harness, Key::Enter);
    }
    for line in [
        "Insulation, plus to frame: passed: 2 Mohm, at least 51 kohm needed, taken just now",
        "Insulation, minus to frame: look into it: 900 kohm, below 1 Mohm: a dry new build has more, find out why, taken \
         just now",
        "Open switch: passed: 0.2 V, at most 1 V across 10 kohm allowed, taken just now",
        "Bus discharged: passed: 0.4 V, at most 5 V allowed, taken just now",
    ] {
        harness.get_by_label(line);
    }
}

#[test]
fn cautions_are_stronger_above_60_volts() {
    let mut harness = window();
    press(&mut harness, Key::P);
    has_part(&harness, "Up to 102 V: touching it can kill");
    has_part(&harness, "Never alone.");
    press(&mut harness, Key::S);
    // 14 cells of at most 4.25 V are 59.5 V.
    let _line = choose_a_silent_line(&mut harness, "packs/sapling-14s-nmc.toml");
    press(&mut harness, Key::P);
    wait_for(&mut harness, "Up to 59.5 V: it still burns");
    has_part(&harness, "kiloamperes into a slipped spanner");
    assert!(harness.query_by_label_contains("can kill").is_none());
    has_part(&harness, "at least 29.75 kohm: 59.5 V x 500 ohm/V");
}

#[test]
fn entries_go_into_the_session_and_are_old_after_it() {
    let mut harness = window();
    let _line = choose_a_silent_line(&mut harness, ACORN);
    press(&mut harness, Key::P);
    wait_for(&mut harness, "Up to 102 V");
    press(&mut harness, Key::Y);
    harness.get_by_label("Props off: passed, taken just now");
    press(&mut harness, Key::S);
    press(&mut harness, Key::Enter);
    let entry = |desktop: &Desktop, item: HandItem| {
        desktop.shown().preparation.iter().find(|line| line.item == item).map(|line| line.judged.result)
    };
    until(&mut harness, "it runs", |desktop| desktop.shown().phase == Phase::Running);
    until(&mut harness, "the entry is in it", |desktop| entry(desktop, HandItem::PropsOff) == Some(HandResult::Passed));
    // During the session an entry is a command.
    press(&mut harness, Key::P);
    harness.get_by_label("Sense pins ascending: not done").scroll_to_me();
    harness.run_steps(4);
    harness.get_by_label("Sense pins ascending: not done").click();
    harness.run_steps(4);
    press(&mut harness, Key::F);
    until(&mut harness, "the failure decides", |desktop| {
        desktop.shown().verdict.as_ref().is_some_and(|verdict| verdict.outcome == Outcome::NoGo)
    });
    wait_for(&mut harness, "Sense pins ascending: failed, taken just now");
    // The answer to a question is no entry.
    press(&mut harness, Key::N);
    has_part(&harness, "End this session?");
    press(&mut harness, Key::Y);
    harness.get_by_label("What do you want to watch?");
    press(&mut harness, Key::P);
    wait_for(&mut harness, "Props off: do it again; before the last session (just now): passed");
    has_part(&harness, "Sense pins ascending: do it again; before the last session (just now): failed");
    has_part(&harness, "24 of 24 checks are still open");
}

#[test]
fn an_entry_says_how_old_it_is() {
    let pack = pack(ACORN);
    let mut book = Book::default();
    let volts = Amount::parse("92.4 V").expect("an amount");
    book.enter("one", HandReading::measured(HandItem::PackVoltage, volts, "a meter"), 100.0);
    book.enter("one", HandReading::found(HandItem::Fuse, HandOutcome::Passed, ""), 700.0);
    book.enter("one", HandReading::found(HandItem::Tools, HandOutcome::Passed, ""), 700.0);
    book.enter("one", HandReading::found(HandItem::Tools, HandOutcome::NotDone, ""), 701.0);
    let ages: Vec<(HandItem, u32)> = book
        .before("one", 820.5)
        .into_iter()
        .map(|command| match command {
            Command::Reading(reading) => (reading.item, reading.age_seconds),
            other => panic!("{other:?}"),
        })
        .collect();
    assert_eq!(ages, [(HandItem::Fuse, 120), (HandItem::PackVoltage, 720)]);
    assert_eq!(book.before("another", 820.5), []);
    let done = |book: &Book| {
        let lines = book.lines("one", &pack, 820.5);
        lines.iter().filter(|line| line.judged.result == HandResult::Passed).count()
    };
    assert_eq!(done(&book), 2);

    // A session of ten seconds later nothing counts any more, and the age goes on.
    let mut prepared = Prepared::default();
    for command in book.before("one", 820.5) {
        let Command::Reading(reading) = command else { continue };
        prepared.enter(SessionTime::ZERO, reading);
    }
    let lines = prepared.lines(&pack, |_| false);
    book.used("one", &lines, SessionTime::from_millis(10_000), 830.5);
    assert_eq!((done(&book), book.before("one", 830.5).len()), (0, 0));
    let earlier = book.earlier("one", HandItem::PackVoltage).expect("it is kept");
    assert_eq!(earlier.age(830.5).as_secs(), 730);
    assert_eq!(earlier.was, "92.4 V, to be held against the sum of the cells");
    book.enter("one", HandReading::found(HandItem::Fuse, HandOutcome::Passed, ""), 840.0);
    assert_eq!(book.earlier("one", HandItem::Fuse), None, "what is new replaces it");
}
