//! Which question is due: one at a time, each at its own period, and the next only after the answer or the wait.

use std::sync::Arc;
use std::time::Duration;

use model::{Batch, Item, LineSettings, SessionTime};
use parser::{AskTimes, Decoder, Encoder, Protocol};

/// A question of the protocol file, as it is sent.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Question {
    /// The bytes.
    pub bytes: Vec<u8>,
    /// How often, and how long the answer may take.
    pub times: AskTimes,
    /// The message kind that the bytes themselves are, where they are read back from the line (an echo, or another
    /// master's): a row of it is no answer.
    kind: Option<u16>,
}

/// The questions of a protocol file, in its order. Empty where the file lists none.
pub fn questions(protocol: &Arc<Protocol>) -> Vec<Question> {
    let encoder = Encoder::new(Arc::clone(protocol));
    let question = |(index, times)| {
        let mut bytes = Vec::new();
        encoder.ask(index, &mut bytes);
        let mut decoder = Decoder::new(Arc::clone(protocol));
        decoder.push(SessionTime::ZERO, &bytes);
        decoder.finish(SessionTime::ZERO);
        let kind = decoder.take().and_then(|batch| rows(&batch).next());
        Question { bytes, times, kind }
    };
    protocol.asks().enumerate().map(question).filter(|question| !question.bytes.is_empty()).collect()
}

/// Whether any of these rows can be the answer to a question.
pub(crate) fn can_be_answer(questions: &[Question], batch: &Batch) -> bool {
    rows(batch).any(|kind| questions.iter().all(|question| question.kind != Some(kind)))
}

fn rows(batch: &Batch) -> impl Iterator<Item = u16> {
    batch.order.iter().filter_map(|item| match item {
        Item::Row { kind, .. } => Some(*kind),
        Item::Rejected(_) => None,
    })
}

/// How long a line rests between an answer and the next question: three and a half characters of eleven bits, and no
/// less than 1.75 ms (the silence between frames of Modbus over a serial line, V1.02 section 2.5.1.1, from memory;
/// other protocols ask for less or nothing).
pub(crate) fn rest_of(line: Option<&LineSettings>) -> Duration {
    let bits = Duration::from_secs(77) / 2;
    line.map_or(LEAST_REST, |line| (bits / line.baud.max(1)).max(LEAST_REST))
}

const LEAST_REST: Duration = Duration::from_micros(1_750);

/// When to ask what.
///
/// It is told what happens, with its time, and says what is due; it sends nothing and reads no clock. The same calls give
/// the same answers.
///
/// Each question keeps its own period, counted from the opening: one that is late is asked as soon as it can be and is
/// due again at its next whole period; periods that went by meanwhile are left out. Of several that are due, the one
/// that has been due longest comes first, so that none starves, even when no answer ever comes. An answer that takes
/// longer than its wait can't be told from the answer to the next question: the file's wait is the device's promise.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) struct Asking {
    questions: Vec<Due>,
    rest: Duration,
    state: State,
}

#[derive(Clone, PartialEq, Eq, Debug)]
struct Due {
    times: AskTimes,
    at: SessionTime,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum State {
    /// The source is not open.
    Closed,
    /// Nothing is asked before this time.
    Free { from: SessionTime },
    /// An answer may come until this time.
    Waiting { until: SessionTime },
}

impl Asking {
    /// Nothing is due before [`opened`](Self::opened). `rest`: between an answer and the next question.
    pub(crate) fn new(times: impl Iterator<Item = AskTimes>, rest: Duration) -> Self {
        let questions = times.map(|times| Due { times, at: SessionTime::ZERO }).collect();
        Self { questions, rest, state: State::Closed }
    }

    /// The source is open: every question is due now.
    pub(crate) fn opened(&mut self, at: SessionTime) {
        self.state = State::Free { from: at };
        for question in &mut self.questions {
            question.at = at;
        }
    }

    /// The source is gone: nothing is due until it is open again.
    pub(crate) fn lost(&mut self) {
        self.state = State::Closed;
    }

    /// The question to ask now, if one is due.
    pub(crate) fn due(&self, now: SessionTime) -> Option<usize> {
        self.next().filter(|(at, _)| *at <= now).map(|(_, index)| index)
    }

    /// When the next question is due if nothing happens until then; `None` while the source is not open.
    pub(crate) fn next_at(&self) -> Option<SessionTime> {
        self.next().map(|(at, _)| at)
    }

    /// This question was sent.
    pub(crate) fn asked(&mut self, index: usize, at: SessionTime) {
        let Some(question) = self.questions.get_mut(index) else { return };
        question.at = whole_period_after(question.at, question.times.every, at);
        self.state = State::Waiting { until: at + question.times.wait };
    }

    /// This question could not be sent: it is due again at its next period.
    pub(crate) fn failed(&mut self, index: usize, at: SessionTime) {
        let Some(question) = self.questions.get_mut(index) else { return };
        question.at = whole_period_after(question.at, question.times.every, at);
    }

    /// An answer came; whether to the question that was asked is for the decoder to say.
    pub(crate) fn answered(&mut self, at: SessionTime) {
        if let State::Waiting { .. } = self.state {
            self.state = State::Free { from: at + self.rest };
        }
    }

    fn next(&self) -> Option<(SessionTime, usize)> {
        let from = match self.state {
            State::Closed => return None,
            State::Free { from } | State::Waiting { until: from } => from,
        };
        let (index, first) = self.questions.iter().enumerate().min_by_key(|(index, question)| (question.at, *index))?;
        Some((first.at.max(from), index))
    }
}

/// The first time after `at` that lies a whole number of periods after `due`.
fn whole_period_after(due: SessionTime, every: Duration, at: SessionTime) -> SessionTime {
    let every = SessionTime::from_duration(every).nanos.max(1);
    let periods = at.nanos.saturating_sub(due.nanos) / every + 1;
    SessionTime::from_nanos(due.nanos.saturating_add(periods.saturating_mul(every)))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn ms(millis: u64) -> SessionTime {
        SessionTime::from_millis(millis)
    }

    fn asking(times: &[(u64, u64)], rest: u64) -> Asking {
        let times = times
            .iter()
            .map(|(every, wait)| AskTimes { every: Duration::from_millis(*every), wait: Duration::from_millis(*wait) });
        Asking::new(times, Duration::from_millis(rest))
    }

    /// Asks what is due until the end; `answer` says after how long each question is answered, if at all.
    fn run(
        asking: &mut Asking,
        from: SessionTime,
        end: SessionTime,
        mut answer: impl FnMut(usize) -> Option<Duration>,
    ) -> Vec<(SessionTime, usize)> {
        let mut asked = Vec::new();
        asking.opened(from);
        let mut now = from;
        while let Some(at) = asking.next_at().filter(|at| *at < end) {
            assert!(now <= at, "it does not go back");
            assert!(now == at || asking.due(SessionTime::from_nanos(at.nanos - 1)).is_none());
            now = at;
            let index = asking.due(now).expect("what is next is due at its time");
            asking.asked(index, now);
            asked.push((now, index));
            let until = asking.next_at().unwrap();
            if let Some(after) = answer(index).filter(|after| now + *after < until) {
                now = now + after;
                asking.answered(now);
            }
        }
        asked
    }

    #[test]
    fn nothing_is_due_while_the_source_is_not_open() {
        let mut asking = asking(&[(100, 50)], 0);
        assert_eq!((asking.due(ms(10_000)), asking.next_at()), (None, None));
        asking.opened(ms(20));
        assert_eq!((asking.due(ms(20)), asking.next_at()), (Some(0), Some(ms(20))));
        asking.asked(0, ms(20));
        asking.lost();
        // An answer that was under way opens nothing.
        asking.answered(ms(30));
        assert_eq!((asking.due(ms(10_000)), asking.next_at()), (None, None));
        asking.opened(ms(5_000));
        assert_eq!(asking.due(ms(5_000)), Some(0));
        assert_eq!(self::asking(&[], 0).next_at(), None);
    }

    #[test]
    fn one_question_keeps_its_period_whatever_its_answers_take() {
        let mut asking = asking(&[(100, 50)], 2);
        let mut answers = [Some(3), Some(49), None, Some(1)].into_iter().cycle();
        let asked = run(&mut asking, ms(7), ms(1_007), |_| answers.next().flatten().map(Duration::from_millis));
        let expected: Vec<_> = (0..10).map(|number| (ms(7 + 100 * number), 0)).collect();
        assert_eq!(asked, expected);
    }

    #[test]
    fn a_late_question_leaves_periods_out_and_comes_back_to_its_own() {
        let mut asking = asking(&[(100, 50)], 0);
        asking.opened(ms(0));
        asking.asked(0, ms(0));
        // The host slept.
        assert_eq!(asking.due(ms(730)), Some(0));
        asking.asked(0, ms(730));
        asking.answered(ms(735));
        assert_eq!(asking.next_at(), Some(ms(800)));
    }

    #[test]
    fn the_next_waits_for_the_answer_and_a_rest_or_for_the_wait() {
        let mut asking = asking(&[(100, 50), (100, 50)], 4);
        asking.opened(ms(0));
        assert_eq!(asking.due(ms(0)), Some(0));
        asking.asked(0, ms(0));
        assert_eq!((asking.due(ms(49)), asking.due(ms(50))), (None, Some(1)));
        asking.answered(ms(10));
        assert_eq!((asking.due(ms(13)), asking.due(ms(14))), (None, Some(1)));
        asking.asked(1, ms(14));
        // Rows that come while nothing is asked do not put the next question off.
        asking.answered(ms(20));
        asking.answered(ms(98));
        assert_eq!(asking.next_at(), Some(ms(100)));
    }

    #[test]
    fn without_answers_questions_take_turns() {
        let mut asking = asking(&[(100, 500), (100, 500), (2_000, 500)], 2);
        let asked = run(&mut asking, ms(0), ms(6_000), |_| None);
        let turns: Vec<usize> = asked.iter().map(|(_, index)| *index).collect();
        assert_eq!(turns, [0, 1, 2, 0, 1, 0, 2, 1, 0, 1, 2, 0]);
        assert!(asked.iter().zip(0..).all(|((at, _), number)| *at == ms(500 * number)));
    }

    #[test]
    fn what_could_not_be_sent_is_due_again_at_its_period() {
        let mut asking = asking(&[(100, 50), (150, 50)], 0);
        asking.opened(ms(0));
        asking.failed(0, ms(0));
        assert_eq!(asking.due(ms(0)), Some(1), "nothing is waited for");
        asking.failed(1, ms(0));
        assert_eq!(asking.next_at(), Some(ms(100)));
    }

    #[test]
    fn the_rest_follows_from_the_line() {
        assert_eq!(rest_of(None), LEAST_REST);
        assert_eq!(rest_of(Some(&LineSettings::new(115_200))), LEAST_REST);
        // 38.5 bits at 9600 baud: 4.010 ms.
        assert_eq!(rest_of(Some(&LineSettings::new(9_600))).as_micros(), 4_010);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        /// Whatever is asked how often, and however it is answered: one at a time, none oftener than its period, none
        /// starved, and as often as the line has room for.
        #[test]
        fn periods_are_kept_and_nobody_starves(
            times in proptest::collection::vec((10_u64..500, 1_u64..300), 1..6),
            rest in 0_u64..10,
            answers in proptest::collection::vec(proptest::option::of(0_u64..400), 1..20),
        ) {
            let mut asking = asking(&times, rest);
            let mut next = answers.iter().cycle();
            let end = ms(20_000);
            let asked = run(&mut asking, ms(0), end, |_| next.next().copied().flatten().map(Duration::from_millis));
            let again = {
                let mut asking = self::asking(&times, rest);
                let mut next = answers.iter().cycle();
                run(&mut asking, ms(0), end, |_| next.next().copied().flatten().map(Duration::from_millis))
            };
            prop_assert_eq!(&asked, &again);
            // A turn takes at most its wait and a rest. Once a question is due, the turn that goes on then ends, and each
            // other can come first once.
            let turns = || times.iter().map(|(_, wait)| wait + rest);
            let round: u64 = turns().sum::<u64>() + turns().max().unwrap_or(0);
            for (index, (every, _)) in times.iter().enumerate() {
                let own: Vec<u64> =
                    asked.iter().filter(|(_, other)| *other == index).map(|(at, _)| at.nanos / 1_000_000).collect();
                // Never twice in one period of its grid.
                prop_assert!(own.windows(2).all(|pair| pair[0] / every < pair[1] / every));
                let gaps = own.windows(2).map(|pair| pair[1] - pair[0]).chain(own.last().map(|last| 20_000 - last));
                prop_assert!(gaps.max().is_some_and(|gap| gap <= every + round), "question {index}: {own:?}");
            }
        }
    }
}
