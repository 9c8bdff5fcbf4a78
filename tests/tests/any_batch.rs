//! Rows say the same one at a time and in blocks of any size: the judge by itself, and a replay.

use std::sync::Arc;

use model::{Batch, Input, InputKind, SessionHeader, SessionTime};
use packwake_tests::grid::Case;
use packwake_tests::sessions::{Drawn, faulty, healthy};
use packwake_tests::{Dice, header, simulated};
use parser::{Decoder, Protocol};
use rules::{Event, Judge, Pack, Setup};
use session::{Engine, SessionEvent, json_line};
use simulator::{Fault, Scene};

fn json(event: &SessionEvent) -> String {
    json_line(event, true)
}

/// Every input for itself.
fn one_by_one(header: &SessionHeader, inputs: &[Input]) -> Vec<String> {
    let mut engine = Engine::new(header.clone()).expect("the texts are sound");
    let mut lines: Vec<String> = engine.take_events().iter().map(json).collect();
    for input in inputs {
        let input = engine.stamp(input.clone());
        engine.process(&input);
        lines.extend(engine.take_events().iter().map(json));
    }
    lines
}

fn replayed(header: &SessionHeader, inputs: &[Input]) -> Vec<String> {
    let mut engine = Engine::new(header.clone()).expect("the texts are sound");
    let mut lines = Vec::new();
    session::replay(&mut engine, inputs.iter().cloned(), &mut |event, _| lines.push(json(event)), &mut |_| {});
    lines
}

/// What a judge says of bytes whose rows come to it in blocks as long as `length` says, and its last verdict.
fn in_blocks(header: &SessionHeader, inputs: &[Input], mut length: impl FnMut() -> usize) -> Vec<String> {
    let protocol = Arc::new(Protocol::parse(&header.protocol_text).0.expect("the protocol is sound"));
    let pack = Pack::parse(&header.pack_text).0.expect("the pack is sound");
    let setup =
        Setup { layout: protocol.layout().clone(), settle: protocol.settle(), times: header.times, draft: false };
    let (mut decoder, mut judge) = (Decoder::new(protocol), Judge::new(pack, setup));
    judge.opened("a line");
    let mut last = SessionTime::ZERO;
    for input in inputs {
        if let InputKind::Bytes(bytes) = &input.kind {
            decoder.push_for_later(input.at, bytes);
        }
        last = input.at;
    }
    decoder.finish(last);
    let mut events: Vec<Event> = Vec::new();
    let Batch { kinds, order, rejected } = decoder.take().unwrap_or_default();
    let mut block = Batch { kinds, order: Vec::new(), rejected };
    let mut rest = order.as_slice();
    while !rest.is_empty() {
        let (now, later) = rest.split_at(length().clamp(1, rest.len()));
        block.order = now.to_vec();
        judge.batch(&block);
        events.extend(judge.take_events());
        rest = later;
    }
    judge.advance(last);
    judge.end();
    events.extend(judge.take_events());
    events.into_iter().map(|event| json(&SessionEvent::Rules(event))).collect()
}

#[track_caller]
fn check(about: &str, header: &SessionHeader, inputs: &[Input]) {
    let (one, all) = (one_by_one(header, inputs), replayed(header, inputs));
    assert!(2 < one.len(), "{about}");
    for (one, other) in one.iter().zip(&all) {
        assert_eq!(one, other, "{about}");
    }
    assert_eq!(one.len(), all.len(), "{about}: as many lines");
    let rows = in_blocks(header, inputs, || 1);
    let mut dice = Dice::new(inputs.len() as u64);
    for blocks in [in_blocks(header, inputs, || usize::MAX), in_blocks(header, inputs, || (dice.bits() % 300) as usize)]
    {
        for (row, block) in rows.iter().zip(&blocks) {
            assert_eq!(row, block, "{about}");
        }
        assert_eq!(rows.len(), blocks.len(), "{about}: as many lines");
    }
}

#[test]
fn drawn_sessions() {
    let check = |about: &str, drawn: &Drawn| {
        check(&format!("{about} {}", drawn.seed), &header(drawn.pair.protocol, drawn.pair.pack), &drawn.inputs());
    };
    for seed in 7_000..7_040 {
        check("sound", &healthy(seed));
        check("faulty", &faulty(seed));
    }
}

#[test]
fn every_fault() {
    for (kind, seed) in Fault::all().zip(0..) {
        let case = Case::sound(9_000 + seed).with(&[kind], 0.7);
        check(kind.name(), &case.header(), &case.inputs());
        let (protocol, pack) = ("protocols/acorn-binary.toml", "packs/acorn-24s-nmc.toml");
        let inputs = simulated(protocol, &Scene::practice(seed), &[Fault::new(kind)], SessionTime::from_millis(40_000));
        check(kind.name(), &header(protocol, pack), &inputs);
    }
}
