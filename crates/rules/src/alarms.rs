//! Alarms and their life cycle.
//!
//! States and transitions follow the life cycle of IEC 62682 / ISA-18.2 (state names from memory, see the tests): an
//! alarm is unacknowledged, acknowledged, returned and unacknowledged, latched (unacknowledged or acknowledged), shelved
//! or normal again. Critical alarms latch: for the rest of the session they never go back to normal, so there is no
//! reset. Nor is there "suppressed by design" or "out of service": a waiver takes a check out of the verdict, and its
//! alarms are raised all the same.

use std::collections::BTreeMap;
use std::time::Duration;

use model::{ByteRange, Channel, SessionTime};

use crate::check::Check;
use crate::event::{AlarmChange, Event, EventKind};

/// How bad an alarm is.
#[derive(Clone, Copy, PartialEq, Eq, Debug, PartialOrd, Ord)]
pub enum Severity {
    /// Worth a look.
    Warning,
    /// Its check fails.
    Critical,
}

impl Severity {
    /// The word in an event line.
    pub fn name(self) -> &'static str {
        match self {
            Self::Warning => "warning",
            Self::Critical => "critical",
        }
    }
}

/// Where an alarm is in its life.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum AlarmState {
    /// Its condition holds, nobody has seen it.
    Unacknowledged,
    /// Its condition holds, the person has seen it.
    Acknowledged,
    /// Its condition is gone, nobody has seen it.
    ReturnedUnacknowledged,
    /// Critical, its condition is gone, nobody has seen it.
    LatchedUnacknowledged,
    /// Critical, its condition is gone, the person has seen it.
    LatchedAcknowledged,
    /// Put aside for a time.
    Shelved,
    /// Its condition is gone, the person has seen it.
    Normal,
}

impl AlarmState {
    /// The words in an event line.
    pub fn name(self) -> &'static str {
        match self {
            Self::Unacknowledged => "unacknowledged",
            Self::Acknowledged => "acknowledged",
            Self::ReturnedUnacknowledged => "returned, unacknowledged",
            Self::LatchedUnacknowledged => "latched, unacknowledged",
            Self::LatchedAcknowledged => "latched, acknowledged",
            Self::Shelved => "shelved",
            Self::Normal => "normal",
        }
    }
}

/// One alarm: one check at one place.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Alarm {
    /// Its number in this session, from 1. It keeps it when its condition comes back.
    pub number: u32,
    /// The check.
    pub check: Check,
    /// Where; `None` for the whole pack or the line.
    pub place: Option<Channel>,
    /// How bad it is now, or was when its condition went.
    pub severity: Severity,
    /// The worst that it ever was.
    pub worst: Severity,
    /// Where it is in its life.
    pub state: AlarmState,
    /// When its condition last began to raise it.
    pub raised_at: SessionTime,
    /// What was measured and what the limit is, in words.
    pub text: String,
    /// What it said when it was at its worst first.
    pub worst_text: String,
    /// When that was.
    pub worst_at: SessionTime,
    /// When it was raised for the first time.
    pub first_at: SessionTime,
    /// Which bytes of the stream it came from, where one frame raised it.
    pub bytes: Option<ByteRange>,
    /// Whether it was the first alarm of the session.
    pub first_out: bool,
    /// Whether its condition holds now.
    pub active: bool,
    shelved_until: Option<SessionTime>,
    /// It was raised by mistake, and is new when it is raised again.
    withdrawn: bool,
}

impl Alarm {
    /// When a shelved one comes back; `None` if it is not shelved.
    pub fn shelved_until(&self) -> Option<SessionTime> {
        self.shelved_until
    }

    /// Whether the person can put it aside: one that was ever critical can't be.
    pub fn can_be_shelved(&self) -> bool {
        self.worst != Severity::Critical
    }
}

/// What tells one alarm from another.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(crate) struct Key {
    pub(crate) check: Check,
    pub(crate) place: Option<Channel>,
    /// Tells causes apart that share check and place, so that one never clears what the other raised: the bits of a
    /// status word, the message kinds of a line, two columns with the same channel.
    pub(crate) part: usize,
}

impl Key {
    pub(crate) fn new(check: Check, place: Option<Channel>) -> Self {
        Self { check, place, part: 0 }
    }

    pub(crate) fn part(self, part: usize) -> Self {
        Self { part, ..self }
    }
}

/// What raises an alarm or makes it worse.
pub(crate) struct Cause {
    pub(crate) key: Key,
    pub(crate) severity: Severity,
    pub(crate) text: String,
    pub(crate) bytes: Option<ByteRange>,
}

/// All alarms of a session. There are never more than checks times places times parts, which the layout limits.
#[derive(Clone, Debug, Default)]
pub(crate) struct AlarmBook {
    alarms: Vec<Alarm>,
    by_key: BTreeMap<Key, usize>,
    /// When the first of the shelved ones comes back.
    next_unshelved: Option<SessionTime>,
}

impl AlarmBook {
    pub(crate) fn alarms(&self) -> &[Alarm] {
        &self.alarms
    }

    /// The first critical alarm of a check, whenever it was.
    pub(crate) fn failed(&self, check: Check) -> impl Iterator<Item = &Alarm> {
        self.alarms.iter().filter(move |alarm| alarm.check == check && alarm.worst == Severity::Critical)
    }

    /// The alarm with this key, if it was ever raised.
    pub(crate) fn find(&self, key: Key) -> Option<&Alarm> {
        self.by_key.get(&key).and_then(|index| self.alarms.get(*index))
    }

    /// The condition of an alarm holds, at least as badly as `cause` says.
    pub(crate) fn raise(&mut self, at: SessionTime, cause: Cause, events: &mut Vec<Event>) {
        let first_out = !self.alarms.iter().any(|alarm| alarm.first_out);
        let Some(index) = self.by_key.get(&cause.key).copied() else {
            let number = u32::try_from(self.alarms.len() + 1).unwrap_or(u32::MAX);
            self.by_key.insert(cause.key, self.alarms.len());
            let alarm = Alarm {
                number,
                check: cause.key.check,
                place: cause.key.place,
                severity: cause.severity,
                worst: cause.severity,
                state: AlarmState::Unacknowledged,
                raised_at: at,
                worst_text: cause.text.clone(),
                worst_at: at,
                first_at: at,
                text: cause.text,
                bytes: cause.bytes,
                first_out,
                active: true,
                shelved_until: None,
                withdrawn: false,
            };
            events.push(event(at, &alarm, AlarmChange::Raised));
            self.alarms.push(alarm);
            return;
        };
        let Some(alarm) = self.alarms.get_mut(index) else { return };
        let worse = alarm.active && cause.severity > alarm.severity;
        if alarm.active && !worse {
            return;
        }
        if std::mem::take(&mut alarm.withdrawn) {
            alarm.first_at = at;
            alarm.first_out = first_out;
        }
        if cause.severity > alarm.worst {
            alarm.worst = cause.severity;
            alarm.worst_text.clone_from(&cause.text);
            alarm.worst_at = at;
        }
        alarm.severity = cause.severity;
        alarm.text = cause.text;
        alarm.bytes = cause.bytes;
        alarm.active = true;
        alarm.raised_at = at;
        // Shelving ends where a warning turns critical: a critical alarm can't be put aside.
        if alarm.state != AlarmState::Shelved || cause.severity == Severity::Critical {
            alarm.state = AlarmState::Unacknowledged;
            alarm.shelved_until = None;
        }
        events.push(event(at, alarm, if worse { AlarmChange::Worse } else { AlarmChange::Raised }));
    }

    /// The condition of an alarm is gone.
    pub(crate) fn clear(&mut self, at: SessionTime, key: Key, events: &mut Vec<Event>) {
        let Some(alarm) = self.by_key.get(&key).and_then(|index| self.alarms.get_mut(*index)) else { return };
        if !alarm.active {
            return;
        }
        alarm.active = false;
        let latch = alarm.worst == Severity::Critical;
        alarm.state = match alarm.state {
            AlarmState::Unacknowledged if latch => AlarmState::LatchedUnacknowledged,
            AlarmState::Unacknowledged => AlarmState::ReturnedUnacknowledged,
            AlarmState::Acknowledged if latch => AlarmState::LatchedAcknowledged,
            AlarmState::Acknowledged => AlarmState::Normal,
            other => other,
        };
        events.push(event(at, alarm, AlarmChange::Returned));
    }

    /// The entry that raised an alarm was a mistake, and nothing was judged yet: it fails its check no more. It stays in the
    /// list, and says so.
    pub(crate) fn withdraw(&mut self, at: SessionTime, key: Key, events: &mut Vec<Event>) {
        let Some(alarm) = self.by_key.get(&key).and_then(|index| self.alarms.get_mut(*index)) else { return };
        if alarm.withdrawn {
            return;
        }
        alarm.withdrawn = true;
        alarm.active = false;
        alarm.first_out = false;
        alarm.severity = Severity::Warning;
        alarm.worst = Severity::Warning;
        alarm.worst_text = format!("withdrawn, entered anew before any byte came: {}", alarm.text);
        alarm.state = AlarmState::Normal;
        alarm.shelved_until = None;
        events.push(event(at, alarm, AlarmChange::Withdrawn));
    }

    pub(crate) fn acknowledge(&mut self, at: SessionTime, number: u32, events: &mut Vec<Event>) {
        let Some(alarm) = self.alarms.iter_mut().find(|alarm| alarm.number == number) else { return };
        alarm.state = match alarm.state {
            AlarmState::Unacknowledged => AlarmState::Acknowledged,
            AlarmState::ReturnedUnacknowledged => AlarmState::Normal,
            AlarmState::LatchedUnacknowledged => AlarmState::LatchedAcknowledged,
            AlarmState::Acknowledged | AlarmState::LatchedAcknowledged | AlarmState::Shelved | AlarmState::Normal => {
                return;
            }
        };
        events.push(event(at, alarm, AlarmChange::Acknowledged));
    }

    /// Puts a warning aside. A critical alarm is refused: nothing happens.
    pub(crate) fn shelve(&mut self, at: SessionTime, number: u32, length: Duration, events: &mut Vec<Event>) {
        let Some(alarm) = self.alarms.iter_mut().find(|alarm| alarm.number == number) else { return };
        if !alarm.can_be_shelved() || alarm.state == AlarmState::Shelved {
            return;
        }
        let until = at + length;
        alarm.state = AlarmState::Shelved;
        alarm.shelved_until = Some(until);
        self.next_unshelved = Some(self.next_unshelved.map_or(until, |next| next.min(until)));
        events.push(event(at, alarm, AlarmChange::Shelved));
    }

    /// When a tick changes something by time alone.
    pub(crate) fn deadline(&self) -> Option<SessionTime> {
        self.next_unshelved
    }

    pub(crate) fn tick(&mut self, at: SessionTime, events: &mut Vec<Event>) {
        if self.next_unshelved.is_none_or(|next| at < next) {
            return;
        }
        for alarm in &mut self.alarms {
            if alarm.shelved_until.is_some_and(|until| until <= at) {
                alarm.shelved_until = None;
                alarm.state = if alarm.active { AlarmState::Unacknowledged } else { AlarmState::Normal };
                events.push(event(at, alarm, AlarmChange::Unshelved));
            }
        }
        self.next_unshelved = self.alarms.iter().filter_map(|alarm| alarm.shelved_until).min();
    }

    /// Whether an alarm of this check is put aside now.
    pub(crate) fn is_shelved(&self, check: Check) -> bool {
        self.alarms.iter().any(|alarm| alarm.check == check && alarm.state == AlarmState::Shelved)
    }
}

fn event(at: SessionTime, alarm: &Alarm, change: AlarmChange) -> Event {
    Event { at, kind: EventKind::Alarm { alarm: alarm.clone(), change } }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Runs steps on one alarm, a second apart, and returns the state after each.
    ///
    /// Steps: `w` the condition holds as a warning, `c` as critical, `-` it is gone, `a` the person acknowledges, `s` the
    /// person shelves for 2.5 s, `.` a second passes.
    fn run(steps: &str) -> Vec<AlarmState> {
        let key = Key::new(Check::Spread, None);
        let (mut book, mut events, mut at) = (AlarmBook::default(), Vec::new(), SessionTime::ZERO);
        let mut states = Vec::new();
        for step in steps.chars() {
            at = at + Duration::from_secs(1);
            book.tick(at, &mut events);
            let cause = |severity| Cause { key, severity, text: String::new(), bytes: None };
            match step {
                'w' => book.raise(at, cause(Severity::Warning), &mut events),
                'c' => book.raise(at, cause(Severity::Critical), &mut events),
                '-' => book.clear(at, key, &mut events),
                'a' => book.acknowledge(at, 1, &mut events),
                's' => book.shelve(at, 1, Duration::from_millis(2500), &mut events),
                _ => {}
            }
            states.push(book.alarms()[0].state);
        }
        assert_eq!(book.alarms().len(), 1, "one check at one place is one alarm");
        let latched = book.failed(Check::Spread).count() == 1;
        assert_eq!(latched, steps.contains('c'), "{steps}: once critical, failed for the session");
        states
    }

    #[track_caller]
    fn check(steps: &str, expected: &[AlarmState]) {
        let run = run(steps);
        assert_eq!(&run[run.len() - expected.len()..], expected, "{steps}");
    }

    // The life cycle of ISA-18.2-2016 / IEC 62682, states A normal, B unacknowledged, C acknowledged, D returned and
    // unacknowledged, E latched unacknowledged, F latched acknowledged, G shelved; all from memory.
    #[test]
    fn every_transition_of_the_published_life_cycle() {
        use AlarmState::{
            Acknowledged as C, LatchedAcknowledged as F, LatchedUnacknowledged as E, Normal as A,
            ReturnedUnacknowledged as D, Shelved as G, Unacknowledged as B,
        };
        check("w", &[B]); // A to B: the condition comes
        check("wa", &[B, C]); // B to C: acknowledged
        check("wa-", &[B, C, A]); // C to A: the condition goes
        check("wa-w", &[A, B]); // and comes again
        check("w-", &[B, D]); // B to D: the condition goes
        check("w-a", &[D, A]); // D to A: acknowledged
        check("w-w", &[D, B]); // D to B: it comes again
        check("c-", &[B, E]); // latched, B to E: the condition goes
        check("c-a", &[E, F]); // E to F: acknowledged
        check("ca-", &[C, F]); // C to F: the condition goes
        check("c-c", &[E, B]); // E and F to B: it comes again
        check("c-ac", &[F, B]);
        check("c-aa-a", &[F, F, F, F]); // F to A is a reset: there is none in a session
        check("ws", &[B, G]); // to G by the person, from any state that is no critical one
        check("was", &[C, G]);
        check("w-s", &[D, G]);
        check("wa-s", &[A, G]);
        check("ws...", &[G, G, G, B]); // G to B when the time is over and the condition holds
        check("ws-..", &[G, G, G, A]); // G to A when it does not
        check("ws-w.", &[G, G, G, B]);
        check("wsa", &[G, G]); // nothing else ends it
        check("wss...", &[G, G, G, B, B]);
    }

    #[test]
    fn what_a_person_can_not_put_aside() {
        use AlarmState::{Acknowledged, LatchedUnacknowledged, Shelved, Unacknowledged};
        check("cs", &[Unacknowledged, Unacknowledged]);
        check("c-s", &[LatchedUnacknowledged, LatchedUnacknowledged]);
        check("wsc", &[Shelved, Unacknowledged]); // worse ends the shelf
        check("wsc...", &[Unacknowledged; 4]);
        check("wac", &[Acknowledged, Unacknowledged]); // worse is not acknowledged
        check("c-w-", &[LatchedUnacknowledged, Unacknowledged, LatchedUnacknowledged]); // milder does not unlatch
    }

    #[test]
    fn parts_of_a_place_do_not_clear_each_other() {
        let (mut book, mut events) = (AlarmBook::default(), Vec::new());
        let key = |part| Key::new(Check::Status, None).part(part);
        for part in [1, 2] {
            let cause = Cause { key: key(part), severity: Severity::Warning, text: String::new(), bytes: None };
            book.raise(SessionTime::ZERO, cause, &mut events);
        }
        book.clear(SessionTime::ZERO, key(2), &mut events);
        assert_eq!(book.alarms().iter().map(|alarm| alarm.active).collect::<Vec<_>>(), [true, false]);
        assert_eq!(book.alarms().iter().map(|alarm| alarm.first_out).collect::<Vec<_>>(), [true, false]);
    }

    #[test]
    fn an_alarm_that_is_not_there_is_left_alone() {
        let (mut book, mut events) = (AlarmBook::default(), Vec::new());
        book.acknowledge(SessionTime::ZERO, 0, &mut events);
        book.shelve(SessionTime::ZERO, u32::MAX, Duration::MAX, &mut events);
        book.clear(SessionTime::ZERO, Key::new(Check::Link, None), &mut events);
        book.tick(SessionTime::from_nanos(u64::MAX), &mut events);
        assert!(events.is_empty());
    }
}
