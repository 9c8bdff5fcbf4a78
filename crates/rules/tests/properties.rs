//! Random sessions: however rows are cut into batches and time into steps, the events are the same; nothing panics; and
//! no verdict is better than its checks.

mod support;

use std::collections::BTreeSet;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use model::{
    Amount, Command, HandItem, HandOutcome, HandReading, LineErrorKind, Quantity, Raw, SessionTime, TICK, Times,
};
use proptest::prelude::*;
use rules::{AlarmChange, Check, Event, Judge, Outcome, Result, Setup, Severity};
use support::{PACK, Row, batch, cells_kind, damage, kind, layout, pack, pack_kind, sensor, setup, status, whole};

/// Something that happens, so long after what happened before.
#[derive(Clone, Debug)]
enum Happening {
    Rows(Vec<(u64, Row)>),
    Damage(u64),
    Quiet,
    Opened,
    Lost,
    ClockStep(i64),
    LineErrors(u32),
    Command(Command),
}

/// Message kinds: cells with counter and clock, the pack, the same channels again, one without a period, a word alone.
fn judge(assumed: bool) -> Judge {
    let mut kinds = vec![
        cells_kind(),
        pack_kind(),
        kind("again", 200, vec![support::cell(2), sensor(2), status(1)]),
        kind("slow", 1, vec![whole("count", Quantity::FrameCounter, "", "1", 16), status(2)]),
        kind("word", 40, vec![status(3)]),
    ];
    kinds[3].every = None;
    // The current comes seldom, so that it becomes too old by itself.
    let current = kinds[1].columns.remove(2);
    kinds.push(kind("current", 700, vec![current]));
    let text = PACK.replace("capacity", "observe = \"1 s\"\nrest_after = \"30 s\"\ncapacity");
    let delays = "[limits.spread_rest]\non_delay = \"7 s\"\n[limits.deviation_rest]\non_delay = \"3700 ms\"\noff_delay = \"13 s\"\n";
    let times = if assumed { Times::Assumed } else { Times::Measured };
    Judge::new(pack(&format!("{text}{delays}")), Setup { times, ..setup(layout(kinds)) })
}

const KINDS: usize = 6;

/// Number as sent: mostly sound, sometimes near a limit, seldom absurd.
fn number(sound: i64, near: std::ops::Range<i64>) -> BoxedStrategy<Option<i64>> {
    prop_oneof![
        40 => Just(Some(sound)),
        2 => near.prop_map(Some),
        1 => any::<i64>().prop_map(Some),
        1 => prop_oneof![Just(None), Just(Some(i64::MIN)), Just(Some(i64::MAX))],
    ]
    .boxed()
}

fn numbers(columns: Vec<BoxedStrategy<Option<i64>>>) -> impl Strategy<Value = Vec<Option<Raw>>> {
    columns.prop_map(|numbers| numbers.into_iter().map(|number| number.map(|n| Raw::Int(n.into()))).collect())
}

fn row() -> impl Strategy<Value = (u64, Row)> {
    let cell = || number(4000, 2900..4300);
    let sensor = || number(250, -450..1250);
    let cells = vec![number(0, 0..256), number(0, 0..100_000), cell(), cell(), cell(), cell()];
    let current = prop_oneof![8 => Just(Some(50)), 1 => Just(Some(1_150)), 1 => (-40_000..90_000_i64).prop_map(Some)];
    let pack =
        vec![number(1605, 1500..1700), number(0, 0..1700), sensor(), sensor(), number(0, 0..16), number(1, 0..5)];
    let again = vec![cell(), sensor(), number(0, 0..16)];
    let slow = vec![number(0, 0..60_000), number(0, 0..16)];
    let of =
        |kind: usize, columns| numbers(columns).prop_map(move |numbers| Row { kind, at: SessionTime::ZERO, numbers });
    let (word, current) = (vec![number(0, 0..16)], vec![current.boxed()]);
    let row = prop_oneof![
        8 => of(0, cells),
        4 => of(1, pack),
        2 => of(2, again),
        2 => of(3, slow),
        1 => of(4, word),
        2 => of(5, current)
    ];
    (0..60_u64, row)
}

/// Any item, any outcome, any value of its dimension.
fn by_hand() -> impl Strategy<Value = HandReading> {
    let outcome = prop_oneof![Just(HandOutcome::Passed), Just(HandOutcome::Failed), Just(HandOutcome::NotDone)];
    let nanos = prop_oneof![Just(0), Just(2_000_000_000_000_000), any::<i64>()];
    (0..HandItem::COUNT, outcome, nanos, 0..100_u32).prop_map(|(index, outcome, nanos, age_seconds)| {
        let item = HandItem::all().nth(index).expect("it is one of them");
        let value = item.dimensions().first().map(|dimension| Amount { dimension: *dimension, nanos });
        HandReading { value, age_seconds, ..HandReading::found(item, outcome, "a meter") }
    })
}

fn happening() -> impl Strategy<Value = (u64, Happening)> {
    let command = prop_oneof![
        (0..12_u32).prop_map(|alarm| Command::Acknowledge { alarm }),
        (0..12_u32, 0..120_000_u64)
            .prop_map(|(alarm, ms)| Command::Shelve { alarm, length: Duration::from_millis(ms) }),
        prop_oneof![Just(16_010_000_000), any::<i64>()]
            .prop_map(|nanovolts| Command::Reading(HandReading::pack_voltage(nanovolts, "a meter"))),
        any::<bool>().prop_map(|passed| Command::Reading(HandReading::sense_pins(passed, "a meter"))),
        by_hand().prop_map(Command::Reading),
        Just(Command::Mark { text: "here".to_owned() }),
    ];
    let what = prop_oneof![
        30 => prop::collection::vec(row(), 1..40).prop_map(Happening::Rows),
        3 => (0..200_u64).prop_map(Happening::Damage),
        6 => Just(Happening::Quiet),
        1 => Just(Happening::Opened),
        1 => Just(Happening::Lost),
        1 => any::<i64>().prop_map(Happening::ClockStep),
        1 => any::<u32>().prop_map(Happening::LineErrors),
        8 => command.prop_map(Happening::Command),
    ];
    (prop_oneof![20 => 0..80_u64, 3 => 80..4_000_u64, 1 => 4_000..150_000_u64], what)
}

/// How a session is fed.
#[derive(Clone, Copy)]
struct Feeding {
    /// Rows in one batch, or one by one.
    together: bool,
    /// The longest step of time; the judge may take a silence as a whole or tick by tick.
    step: Duration,
    /// Whether times are assumed.
    assumed: bool,
}

fn advance(judge: &mut Judge, to: SessionTime, step: Duration) {
    while judge.now() < to {
        let next = judge.now() + step;
        judge.advance(next.min(to));
    }
}

/// Feeds a sound pack for sixteen seconds and then what happens.
fn run(happenings: &[(u64, Happening)], feeding: Feeding) -> (Vec<Event>, Judge) {
    let mut judge = judge(feeding.assumed);
    judge.opened("a test");
    let mut counts = [0_i128; KINDS];
    let mut now = 0_u64;
    let mut sound = Vec::new();
    for frame in 0..320_i64 {
        let wobble = frame % 2;
        sound.push((50, row_of(0, &[0, 0, 4000, 4000, 4000, 4000 + wobble])));
        sound.push((0, row_of(1, &[1605, 0, 250, 250, 0, 1])));
        sound.push((0, row_of(4, &[0])));
        if frame % 4 == 0 {
            sound.push((0, row_of(2, &[4000, 250, 0])));
            sound.push((0, row_of(3, &[0, 0])));
            sound.push((0, row_of(5, &[50])));
        }
    }
    let begin = (0, Happening::Rows(sound));
    for (after, happening) in std::iter::once(&begin).chain(happenings) {
        now += after;
        advance(&mut judge, SessionTime::from_millis(now), feeding.step);
        match happening {
            Happening::Rows(rows) => {
                let mut stamped = Vec::new();
                for (later, row) in rows {
                    now += later;
                    let mut row = Row { at: SessionTime::from_millis(now), ..row.clone() };
                    // Zero counts on, as a sound device does; what the test drew jumps.
                    counts[row.kind] += 1;
                    let (count, clock) = match row.kind {
                        0 => (Some(0), Some(1)),
                        3 => (Some(0), None),
                        _ => (None, None),
                    };
                    let mut live = |index: Option<usize>, value: i128| {
                        if let Some(number) = index.and_then(|index| row.numbers.get_mut(index))
                            && *number == Some(Raw::Int(0))
                        {
                            *number = Some(Raw::Int(value));
                        }
                    };
                    live(count, counts[row.kind] % 256);
                    live(clock, now.into());
                    stamped.push(row);
                }
                if feeding.together {
                    judge.batch(&batch(KINDS, &stamped));
                } else {
                    for row in stamped {
                        advance(&mut judge, row.at, feeding.step);
                        judge.batch(&batch(KINDS, &[row]));
                    }
                }
            }
            Happening::Damage(bytes) => judge.batch(&damage(KINDS, SessionTime::from_millis(now), *bytes)),
            Happening::Quiet => {}
            Happening::Opened => judge.opened("again"),
            Happening::Lost => judge.lost("unplugged"),
            Happening::ClockStep(by) => judge.clock_step(*by),
            Happening::LineErrors(count) => judge.line_errors(LineErrorKind::Framing, *count),
            Happening::Command(command) => judge.command(command),
        }
    }
    let mut events = judge.take_events();
    judge.end();
    events.extend(judge.take_events());
    (events, judge)
}

fn row_of(kind: usize, numbers: &[i64]) -> Row {
    let numbers = numbers.iter().map(|number| Some(Raw::Int((*number).into()))).collect();
    Row { kind, at: SessionTime::ZERO, numbers }
}

/// Verdicts of each kind that the sessions came to, so that the properties are not true of nothing.
static SEEN: [AtomicU32; 3] = [AtomicU32::new(0), AtomicU32::new(0), AtomicU32::new(0)];

#[test]
fn a_session_is_what_happened_and_not_how_it_was_fed() {
    let config = ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() };
    proptest!(config, |(happenings in prop::collection::vec(happening(), 0..40), assumed in prop::bool::weighted(0.2))| {
        let (events, judge) = run(&happenings, Feeding { together: true, step: Duration::MAX, assumed });
        // The definition: row by row, every tick on its own.
        let (by_tick, _) = run(&happenings, Feeding { together: false, step: TICK, assumed });
        prop_assert_eq!(&events, &by_tick);
        let (odd, _) = run(&happenings, Feeding { together: true, step: Duration::from_micros(333_333), assumed });
        prop_assert_eq!(&events, &odd);
        let mut failed = BTreeSet::new();
        for event in &events {
            let critical = !failed.is_empty();
            match &event.kind {
                rules::EventKind::Alarm { alarm, change: AlarmChange::Withdrawn } => {
                    failed.remove(&alarm.number);
                }
                rules::EventKind::Alarm { alarm, .. } if alarm.worst == Severity::Critical => {
                    failed.insert(alarm.number);
                }
                rules::EventKind::Verdict(verdict) => {
                    SEEN[verdict.outcome as usize].fetch_add(1, Ordering::Relaxed);
                    for (name, check) in Check::ALL {
                        // What was checked by hand is listed where it failed, and no file here is a draft.
                        let asked = !matches!(check, Check::BeforePower | Check::ConfirmedProtocol);
                        prop_assert!(!asked || verdict.checks.iter().any(|result| result.check == check), "{}", name);
                    }
                    let all = |results: &[Result]| verdict.checks.iter().all(|check| results.contains(&check.result));
                    match verdict.outcome {
                        Outcome::Go => {
                            prop_assert!(all(&[Result::Passed, Result::Waived]));
                            prop_assert!(!verdict.covers.is_empty() && !critical);
                        }
                        Outcome::CannotTell => prop_assert!(!critical && !verdict.because.is_empty()),
                        Outcome::NoGo => prop_assert!(critical && !verdict.because.is_empty()),
                    }
                }
                _ => {}
            }
        }
        prop_assert_eq!(!failed.is_empty(), judge.verdict().outcome == Outcome::NoGo, "no-go if and only if an alarm was critical");
        prop_assert!(events.iter().zip(events.iter().skip(1)).all(|(one, next)| one.at <= next.at));
    });
    for (outcome, seen) in [Outcome::Go, Outcome::CannotTell, Outcome::NoGo].into_iter().zip(&SEEN) {
        assert!(20 < seen.load(Ordering::Relaxed), "{} was hardly seen", outcome.name());
    }
}

#[test]
fn no_row_panics_at_any_time() {
    let config = ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() };
    let extreme = prop_oneof![Just(i64::MIN), Just(i64::MAX), Just(0), Just(-1), any::<i64>()];
    let row = (0..8_usize, any::<u64>(), prop::collection::vec(prop::option::of(extreme), 0..9));
    proptest!(config, |(rows in prop::collection::vec(row, 0..60), ordered in any::<bool>())| {
        let mut judge = judge(false);
        let mut rows: Vec<Row> = rows
            .into_iter()
            .map(|(kind, at, numbers)| Row {
                kind,
                at: SessionTime::from_nanos(at),
                numbers: numbers.into_iter().map(|number| number.map(|n| Raw::Int(n.into()))).collect(),
            })
            .collect();
        if ordered {
            rows.sort_by_key(|row| row.at);
        }
        for row in rows {
            judge.batch(&batch(8, &[row]));
        }
        judge.advance(SessionTime::from_nanos(u64::MAX));
        prop_assert_ne!(judge.verdict().outcome, Outcome::Go);
    });
}
