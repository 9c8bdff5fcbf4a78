//! Alarms and their life cycle.
//!
//! States and transitions follow the life cycle of IEC 62682 / ISA-18.2 (state names from memory, see the tests): an
//! alarm is unacknowledged, acknowledged, returned and unacknowledged, latched (unacknowledged or acknowledged), shelved
//! or normal again. Critical alarms latch: for the rest of the session they never go back to normal.

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
}

/// What raises an alarm or makes it worse.
pub(crate) struct Cause {
    pub(crate) check: Check,
    pub(crate) place: Option<Channel>,
    pub(crate) severity: Severity,
    pub(crate) text: String,
    pub(crate) bytes: Option<ByteRange>,
}

/// All alarms of a session. There are never more than checks times places.
#[derive(Clone, Debug, Default)]
pub(crate) struct AlarmBook {
    alarms: Vec<Alarm>,
    by_key: BTreeMap<(Check, Option<Channel>), usize>,
}

impl AlarmBook {
    pub(crate) fn alarms(&self) -> &[Alarm] {
        &self.alarms
    }

    /// The first critical alarm of a check, whenever it was.
    pub(crate) fn failed(&self, check: Check) -> impl Iterator<Item = &Alarm> {
        self.alarms.iter().filter(move |alarm| alarm.check == check && alarm.worst == Severity::Critical)
    }

    /// The condition of an alarm holds, at least as badly as `cause` says.
    pub(crate) fn raise(&mut self, at: SessionTime, cause: Cause, events: &mut Vec<Event>) {
        let key = (cause.check, cause.place);
        let Some(index) = self.by_key.get(&key).copied() else {
            let number = u32::try_from(self.alarms.len() + 1).unwrap_or(u32::MAX);
            self.by_key.insert(key, self.alarms.len());
            let alarm = Alarm {
                number,
                check: cause.check,
                place: cause.place,
                severity: cause.severity,
                worst: cause.severity,
                state: AlarmState::Unacknowledged,
                raised_at: at,
                worst_text: cause.text.clone(),
                worst_at: at,
                first_at: at,
                text: cause.text,
                bytes: cause.bytes,
                first_out: self.alarms.is_empty(),
                active: true,
                shelved_until: None,
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

    /// Whether the condition of an alarm holds.
    pub(crate) fn is_active(&self, check: Check, place: Option<Channel>) -> bool {
        self.by_key.get(&(check, place)).and_then(|index| self.alarms.get(*index)).is_some_and(|alarm| alarm.active)
    }

    /// The condition of an alarm is gone.
    pub(crate) fn clear(&mut self, at: SessionTime, check: Check, place: Option<Channel>, events: &mut Vec<Event>) {
        let Some(alarm) = self.by_key.get(&(check, place)).and_then(|index| self.alarms.get_mut(*index)) else {
            return;
        };
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
        if alarm.worst == Severity::Critical || alarm.state == AlarmState::Shelved {
            return;
        }
        alarm.state = AlarmState::Shelved;
        alarm.shelved_until = Some(at + length);
        events.push(event(at, alarm, AlarmChange::Shelved));
    }

    pub(crate) fn tick(&mut self, at: SessionTime, events: &mut Vec<Event>) {
        for alarm in &mut self.alarms {
            if alarm.shelved_until.is_some_and(|until| until <= at) {
                alarm.shelved_until = None;
                alarm.state = if alarm.active { AlarmState::Unacknowledged } else { AlarmState::Normal };
                events.push(event(at, alarm, AlarmChange::Unshelved));
            }
        }
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

    struct Bench {
        book: AlarmBook,
        events: Vec<Event>,
        now: SessionTime,
    }

    impl Bench {
        fn new() -> Self {
            Self { book: AlarmBook::default(), events: Vec::new(), now: SessionTime::ZERO }
        }

        fn step(&mut self) -> SessionTime {
            self.now = self.now + Duration::from_secs(1);
            self.now
        }

        fn raise(&mut self, severity: Severity) -> AlarmState {
            let at = self.step();
            let cause = Cause { check: Check::Spread, place: None, severity, text: String::new(), bytes: None };
            self.book.raise(at, cause, &mut self.events);
            self.state()
        }

        fn clear(&mut self) -> AlarmState {
            let at = self.step();
            self.book.clear(at, Check::Spread, None, &mut self.events);
            self.state()
        }

        fn acknowledge(&mut self) -> AlarmState {
            let at = self.step();
            self.book.acknowledge(at, 1, &mut self.events);
            self.state()
        }

        fn state(&self) -> AlarmState {
            self.book.alarms()[0].state
        }
    }

    // ISA-18.2-2016 / IEC 62682, alarm state transitions A to F, from memory.
    #[test]
    fn a_warning_goes_through_the_published_states() {
        use AlarmState::{Acknowledged, Normal, ReturnedUnacknowledged, Unacknowledged};
        let mut bench = Bench::new();
        assert_eq!(bench.raise(Severity::Warning), Unacknowledged); // A to B
        assert_eq!(bench.acknowledge(), Acknowledged); // B to C
        assert_eq!(bench.clear(), Normal); // C to A
        assert_eq!(bench.raise(Severity::Warning), Unacknowledged);
        assert_eq!(bench.clear(), ReturnedUnacknowledged); // B to D
        assert_eq!(bench.raise(Severity::Warning), Unacknowledged); // D to B
        assert_eq!(bench.clear(), ReturnedUnacknowledged);
        assert_eq!(bench.acknowledge(), Normal); // D to A
        assert_eq!(bench.book.alarms().len(), 1, "one check at one place is one alarm");
    }

    #[test]
    fn a_critical_alarm_latches() {
        use AlarmState::{Acknowledged, LatchedAcknowledged, LatchedUnacknowledged, Unacknowledged};
        let mut bench = Bench::new();
        bench.raise(Severity::Warning);
        assert_eq!(bench.acknowledge(), Acknowledged);
        assert_eq!(bench.raise(Severity::Critical), Unacknowledged, "worse is not acknowledged");
        assert_eq!(bench.clear(), LatchedUnacknowledged); // B to E
        assert_eq!(bench.acknowledge(), LatchedAcknowledged); // E to F
        bench.raise(Severity::Critical);
        bench.acknowledge();
        assert_eq!(bench.clear(), LatchedAcknowledged); // C to F
        assert_eq!(bench.book.failed(Check::Spread).count(), 1);
    }

    #[test]
    fn a_warning_can_be_shelved_and_a_critical_one_can_not() {
        let mut bench = Bench::new();
        bench.raise(Severity::Warning);
        let at = bench.step();
        bench.book.shelve(at, 1, Duration::from_secs(10), &mut bench.events);
        assert_eq!(bench.state(), AlarmState::Shelved);
        bench.book.tick(at + Duration::from_secs(9), &mut bench.events);
        assert_eq!(bench.state(), AlarmState::Shelved);
        bench.book.tick(at + Duration::from_secs(10), &mut bench.events);
        assert_eq!(bench.state(), AlarmState::Unacknowledged);
        bench.raise(Severity::Critical);
        let at = bench.step();
        bench.book.shelve(at, 1, Duration::from_secs(10), &mut bench.events);
        assert_eq!(bench.state(), AlarmState::Unacknowledged);
    }
}
