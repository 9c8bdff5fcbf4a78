//! A session again, from its inputs.

use model::{Batch, Input, InputKind, SessionTime};

use crate::engine::{Engine, SessionEvent};

/// How a replay ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReplayEnd {
    /// Whether the inputs had their end. Without it the last verdict is that of the last input's time.
    pub complete: bool,
    /// The time of the last input.
    pub last_at: SessionTime,
}

/// Feeds inputs that were recorded, as fast as possible.
///
/// `say` gets every event, `show` every decoded batch. Numbers and times are those of the recording. Rows are judged many at
/// once: an event may come when the engine is already some rows further.
pub fn replay(
    engine: &mut Engine,
    inputs: impl Iterator<Item = Input>,
    say: &mut dyn FnMut(&SessionEvent, &Engine),
    show: &mut dyn FnMut(&Batch),
) -> ReplayEnd {
    let mut last_at = SessionTime::ZERO;
    pass_on(engine, say);
    for input in inputs {
        let input = engine.stamp(input);
        last_at = input.at;
        if engine.lets_wait(&input) {
            continue;
        }
        engine.process_with(&input, show);
        pass_on(engine, say);
        if engine.ended() {
            return ReplayEnd { complete: true, last_at };
        }
    }
    let end = engine.stamp(Input::new(last_at, InputKind::End));
    engine.process_with(&end, show);
    pass_on(engine, say);
    ReplayEnd { complete: false, last_at }
}

fn pass_on(engine: &mut Engine, say: &mut dyn FnMut(&SessionEvent, &Engine)) {
    for event in engine.take_events() {
        say(&event, engine);
    }
}
