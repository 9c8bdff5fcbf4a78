//! One limit held against values: delays, deadband, and the alarm that follows.

use std::time::Duration;

use model::{ByteRange, Channel, Dimension, SessionTime, format_nanos, format_nanos_exact};

use crate::alarms::{AlarmBook, Cause, Key, Severity};
use crate::check::Check;
use crate::event::Event;
use crate::limits::LimitValues;

/// A value to hold against a limit.
pub(crate) struct Observed<'a> {
    pub(crate) at: SessionTime,
    pub(crate) place: Option<Channel>,
    /// Tells columns apart that carry the same channel.
    pub(crate) part: usize,
    /// Billionths of the base unit.
    pub(crate) value: i64,
    pub(crate) limit: &'a LimitValues,
    pub(crate) bytes: Option<ByteRange>,
}

/// Values beyond one side of a limit, one after another.
#[derive(Clone, Copy, Debug)]
struct Run {
    since: SessionTime,
    seen: u32,
}

impl Run {
    fn longer(run: Option<Self>, at: SessionTime) -> Self {
        run.map_or(Self { since: at, seen: 1 }, |run| Self { seen: run.seen.saturating_add(1), ..run })
    }

    /// When the on-delay ends. A single value can't have stayed beyond for a while: with a delay it takes a second one,
    /// or a set mixed from two moments would raise an alarm on a slow line.
    fn due_at(self, on_delay: Duration) -> Option<SessionTime> {
        (on_delay.is_zero() || 1 < self.seen).then(|| self.since + on_delay)
    }
}

/// The state of one limit at one place.
#[derive(Clone, Debug, Default)]
struct Monitor {
    place: Option<Channel>,
    part: usize,
    value: i64,
    bytes: Option<ByteRange>,
    limit: LimitValues,
    warning: Option<Run>,
    critical: Option<Run>,
    /// Since when it has been inside by the deadband, while the alarm holds.
    inside_since: Option<SessionTime>,
    raised: Option<Severity>,
    /// A delay runs or an alarm is raised: a tick must look at it.
    busy: bool,
}

/// One check with a limit, at all its places.
#[derive(Clone, Debug)]
pub(crate) struct Watch {
    check: Check,
    lower: bool,
    dimension: Dimension,
    /// What the value is called in a message, such as "spread".
    what: &'static str,
    /// What the person calls each place, if anything.
    names: Vec<String>,
    monitors: Vec<Monitor>,
    /// The places that a tick must look at, in ascending order.
    busy: Vec<usize>,
}

impl Watch {
    pub(crate) fn new(check: Check, lower: bool, dimension: Dimension, what: &'static str) -> Self {
        Self { check, lower, dimension, what, names: Vec::new(), monitors: Vec::new(), busy: Vec::new() }
    }

    /// The same with the person's names of the places.
    pub(crate) fn named(self, names: &[String]) -> Self {
        Self { names: names.to_vec(), ..self }
    }

    pub(crate) fn check(&self) -> Check {
        self.check
    }

    fn beyond(&self, value: i64, limit: i64) -> bool {
        if self.lower { value < limit } else { limit < value }
    }

    /// Whether a value would change nothing: inside the limit, and no delay or alarm anywhere.
    pub(crate) fn is_quiet_at(&self, value: i64, limit: &LimitValues) -> bool {
        let beyond = |side: Option<i64>| side.is_some_and(|limit| self.beyond(value, limit));
        self.busy.is_empty() && !beyond(limit.warning) && !beyond(limit.critical)
    }

    /// The same for a limit of which no side is tighter than `floor`.
    pub(crate) fn is_quiet_above(&self, floor: i64, value: i64, limit: &LimitValues) -> bool {
        let beyond = |side: Option<i64>| side.is_some_and(|limit| self.beyond(value, limit.max(floor)));
        self.busy.is_empty() && !beyond(limit.warning) && !beyond(limit.critical)
    }

    /// Of values at neighbouring places, from `first` on, adds the places at which one can change something: elsewhere
    /// [`observe`](Self::observe) does nothing.
    pub(crate) fn add_those_that_matter(
        &self,
        first: usize,
        values: impl ExactSizeIterator<Item = i64>,
        limit: &LimitValues,
        places: &mut Vec<usize>,
    ) {
        let all = first..first + values.len();
        let sides = limit.warning.into_iter().chain(limit.critical);
        if self.lower {
            let edge = sides.max().unwrap_or(i64::MIN);
            places.extend(all.clone().zip(values).filter(|(_, value)| *value < edge).map(|(place, _)| place));
        } else {
            let edge = sides.min().unwrap_or(i64::MAX);
            places.extend(all.clone().zip(values).filter(|(_, value)| edge < *value).map(|(place, _)| place));
        }
        places.extend(self.busy.iter().filter(|busy| all.contains(busy)));
        places.sort_unstable();
        places.dedup();
    }

    /// Holds a value against its limit. `index` is the place among this check's places.
    pub(crate) fn observe(&mut self, index: usize, seen: &Observed<'_>, book: &mut AlarmBook, events: &mut Vec<Event>) {
        let critical = seen.limit.critical.is_some_and(|limit| self.beyond(seen.value, limit));
        let warning = critical || seen.limit.warning.is_some_and(|limit| self.beyond(seen.value, limit));
        if !warning && self.monitors.get(index).is_none_or(|monitor| !monitor.busy) {
            return;
        }
        if self.monitors.len() <= index {
            self.monitors.resize(index + 1, Monitor::default());
        }
        let (lower, at) = (self.lower, seen.at);
        let Some(monitor) = self.monitors.get_mut(index) else { return };
        monitor.place = seen.place;
        monitor.part = seen.part;
        monitor.value = seen.value;
        monitor.limit = *seen.limit;
        monitor.bytes = seen.bytes;
        monitor.warning = warning.then(|| Run::longer(monitor.warning, at));
        monitor.critical = critical.then(|| Run::longer(monitor.critical, at));
        let edge = seen.limit.warning.or(seen.limit.critical);
        let inside = edge.is_none_or(|edge| {
            let deadband = seen.limit.deadband;
            if lower {
                edge.saturating_add(deadband) <= seen.value
            } else {
                seen.value <= edge.saturating_sub(deadband)
            }
        });
        monitor.inside_since = inside.then(|| monitor.inside_since.unwrap_or(at));
        self.settle(index, at, book, events);
    }

    /// The limit does not hold at this place any more: what was measured last says nothing now, so a delay that is
    /// running ends, and an alarm that was raised returns.
    pub(crate) fn leave(&mut self, index: usize, at: SessionTime, book: &mut AlarmBook, events: &mut Vec<Event>) {
        let Some(monitor) = self.monitors.get_mut(index).filter(|monitor| monitor.busy).map(std::mem::take) else {
            return;
        };
        self.busy.retain(|busy| *busy != index);
        if monitor.raised.is_some() {
            book.clear(at, Key::new(self.check, monitor.place).part(monitor.part), events);
        }
    }

    /// Values do not compare for a while: delays that are running begin again after it, and alarms stay as they are.
    pub(crate) fn pause(&mut self) {
        let monitors = &mut self.monitors;
        self.busy.retain(|index| {
            let Some(monitor) = monitors.get_mut(*index) else { return false };
            (monitor.warning, monitor.critical, monitor.inside_since) = (None, None, None);
            monitor.busy = monitor.raised.is_some();
            monitor.busy
        });
    }

    /// Time has passed: delays may have ended.
    pub(crate) fn tick(&mut self, at: SessionTime, book: &mut AlarmBook, events: &mut Vec<Event>) {
        let mut position = 0;
        while let Some(index) = self.busy.get(position).copied() {
            self.settle(index, at, book, events);
            // One that is not busy any more has left the list.
            position += usize::from(self.busy.get(position) == Some(&index));
        }
    }

    /// A place that is beyond its critical side while the delay runs: nothing is raised yet, and nothing is well.
    pub(crate) fn pending(&self) -> Option<String> {
        self.busy.iter().filter_map(|index| self.monitors.get(*index).zip(Some(*index))).find_map(|(monitor, index)| {
            let waits = monitor.critical.is_some() && monitor.raised != Some(Severity::Critical);
            waits.then(|| self.words(monitor, index, Severity::Critical))
        })
    }

    /// When time alone changes something: the ends of delays.
    pub(crate) fn deadlines(&self) -> impl Iterator<Item = SessionTime> {
        self.busy.iter().filter_map(|index| self.monitors.get(*index)).flat_map(|monitor| {
            let due = |run: Option<Run>| run.and_then(|run| run.due_at(monitor.limit.on_delay));
            let gone = monitor.inside_since.map(|since| since + monitor.limit.off_delay);
            [due(monitor.critical), due(monitor.warning), gone].into_iter().flatten()
        })
    }

    fn settle(&mut self, index: usize, at: SessionTime, book: &mut AlarmBook, events: &mut Vec<Event>) {
        let Some(monitor) = self.monitors.get(index) else { return };
        let over =
            |run: Option<Run>| run.and_then(|run| run.due_at(monitor.limit.on_delay)).is_some_and(|due| due <= at);
        let due = if over(monitor.critical) {
            Some(Severity::Critical)
        } else if over(monitor.warning) {
            Some(Severity::Warning)
        } else {
            None
        };
        let key = Key::new(self.check, monitor.place).part(monitor.part);
        let mut raised = monitor.raised;
        if let Some(severity) = due
            && raised.is_none_or(|raised| raised < severity)
        {
            let text = self.words(monitor, index, severity);
            raised = Some(severity);
            book.raise(at, Cause { key, severity, text, bytes: monitor.bytes }, events);
        }
        let gone = monitor.inside_since.is_some_and(|since| since + monitor.limit.off_delay <= at);
        if raised.is_some() && gone {
            raised = None;
            book.clear(at, key, events);
        }
        let busy = raised.is_some() || monitor.warning.is_some();
        let as_before = busy == monitor.busy;
        if let Some(monitor) = self.monitors.get_mut(index) {
            (monitor.raised, monitor.busy) = (raised, busy);
        }
        // The list holds those that are busy.
        if as_before {
            return;
        }
        match (self.busy.binary_search(&index), busy) {
            (Err(slot), true) => self.busy.insert(slot, index),
            (Ok(slot), false) => {
                self.busy.remove(slot);
            }
            _ => {}
        }
    }

    /// `cell 7 at 3.412 V, warning limit 3.500 V`.
    fn words(&self, monitor: &Monitor, index: usize, severity: Severity) -> String {
        let limit = match severity {
            Severity::Critical => monitor.limit.critical,
            Severity::Warning => monitor.limit.warning,
        };
        let limit = limit.unwrap_or_default();
        let name = self.names.get(index).map_or(String::new(), |name| format!("({name}) "));
        let place = monitor.place.map_or(String::new(), |place| format!("{place} {name}"));
        let mut value = amount(self.check, self.dimension, monitor.value);
        let mut edge = amount(self.check, self.dimension, limit);
        // A value beyond a limit never reads as if it were at it.
        if value == edge {
            value = exact(self.dimension, monitor.value);
            edge = exact(self.dimension, limit);
        }
        format!("{place}{} {value}, {} limit {edge}", self.what, severity.name())
    }
}

/// An amount with all its digits.
fn exact(dimension: Dimension, nanos: i64) -> String {
    format!("{} {}", format_nanos_exact(nanos, 3), dimension.base_unit())
}

/// An amount as a person reads it: small voltages in millivolts, the rest in base units.
pub(crate) fn amount(check: Check, dimension: Dimension, nanos: i64) -> String {
    match (check, dimension) {
        (Check::Spread | Check::Deviation, Dimension::Voltage) => {
            format!("{} mV", format_nanos(nanos.saturating_mul(1000), 0))
        }
        (Check::PackSum, Dimension::Voltage) => format!("{} V", format_nanos(nanos, 2)),
        (_, Dimension::Voltage) => format!("{} V", format_nanos(nanos, 3)),
        (_, Dimension::Current) => format!("{} A", format_nanos(nanos, 2)),
        (_, Dimension::Temperature) => format!("{} degC", format_nanos(nanos, 1)),
        (_, Dimension::TemperatureRate) => format!("{} degC/min", format_nanos(nanos, 1)),
        (_, Dimension::Share) => format!("{} %", format_nanos(nanos, 2)),
        (_, other) => format!("{} {}", format_nanos(nanos, 3), other.base_unit()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::event::{AlarmChange, EventKind};

    fn limit() -> LimitValues {
        LimitValues {
            warning: Some(100),
            critical: Some(200),
            deadband: 10,
            on_delay: Duration::from_millis(500),
            off_delay: Duration::from_millis(1000),
        }
    }

    /// Feeds values from times (ms) on, each at every tick until the next one, and returns "time change severity".
    fn run(lower: bool, limit: LimitValues, values: &[(u64, i64)], until: u64) -> Vec<String> {
        feed(true, lower, limit, values, until)
    }

    fn feed(repeat: bool, lower: bool, limit: LimitValues, values: &[(u64, i64)], until: u64) -> Vec<String> {
        let mut last = None;
        let mut watch = Watch::new(Check::Spread, lower, Dimension::Voltage, "spread");
        let (mut book, mut events) = (AlarmBook::default(), Vec::new());
        let mut values = values.iter().peekable();
        for tick in (0..=until).step_by(50) {
            let now = SessionTime::from_millis(tick);
            watch.tick(now, &mut book, &mut events);
            let mut new = false;
            while let Some((_, value)) = values.next_if(|(at, _)| *at <= tick) {
                (last, new) = (Some(*value), true);
            }
            if let Some(value) = last.filter(|_| new || repeat) {
                let seen = Observed { at: now, place: None, part: 0, value, limit: &limit, bytes: None };
                watch.observe(0, &seen, &mut book, &mut events);
            }
        }
        events
            .iter()
            .map(|event| match &event.kind {
                EventKind::Alarm { alarm, change } => {
                    format!("{} {} {}", event.at, change.name(), alarm.severity.name())
                }
                other => format!("{other:?}"),
            })
            .collect()
    }

    // On-delay, off-delay and deadband as defined in OPC UA Part 9, annex B.1.5.
    #[test]
    fn delays_and_deadband() {
        assert_eq!(run(false, limit(), &[(0, 100)], 2000), [""; 0], "exactly at the limit is allowed");
        assert_eq!(run(false, limit(), &[(0, 101), (450, 100)], 2000), [""; 0], "shorter than the on-delay");
        assert_eq!(run(false, limit(), &[(0, 101)], 2000), ["0.500 raised warning"]);
        assert_eq!(
            run(false, limit(), &[(0, 150), (600, 201)], 2000),
            ["0.500 raised warning", "1.100 worse critical"]
        );
        assert_eq!(
            run(false, limit(), &[(0, 101), (600, 95)], 4000),
            ["0.500 raised warning"],
            "inside, but not by the deadband"
        );
        assert_eq!(
            run(false, limit(), &[(0, 101), (600, 90)], 4000),
            ["0.500 raised warning", "1.600 returned warning"]
        );
    }

    #[test]
    fn a_lower_limit_is_the_mirror() {
        let limit = LimitValues { warning: Some(100), critical: Some(50), on_delay: Duration::ZERO, ..limit() };
        assert_eq!(run(true, limit, &[(0, 100)], 1000), [""; 0]);
        assert_eq!(run(true, limit, &[(0, 99), (500, 49)], 1000), ["0.000 raised warning", "0.500 worse critical"]);
        assert_eq!(run(true, limit, &[(0, 99), (500, 110)], 2000), ["0.000 raised warning", "1.500 returned warning"]);
    }

    #[test]
    fn one_value_alone_has_not_stayed_beyond() {
        let once = |limit, values: &[(u64, i64)]| feed(false, false, limit, values, 3000);
        assert_eq!(once(limit(), &[(0, 201)]), [""; 0]);
        assert_eq!(once(limit(), &[(0, 201), (1000, 201)]), ["1.000 raised critical"], "the second one confirms it");
        assert_eq!(once(limit(), &[(0, 201), (100, 201)]), ["0.500 raised critical"], "the tick raises it");
        assert_eq!(once(limit(), &[(0, 201), (1000, 50), (2000, 201)]), [""; 0]);
        let at_once = LimitValues { on_delay: Duration::ZERO, ..limit() };
        assert_eq!(once(at_once, &[(0, 201)]), ["0.000 raised critical"]);
    }

    #[test]
    fn the_deadlines_are_the_ends_of_its_delays() {
        let mut watch = Watch::new(Check::Spread, false, Dimension::Voltage, "spread");
        let (mut book, mut events) = (AlarmBook::default(), Vec::new());
        let mut deadlines = |at, value| {
            let at = SessionTime::from_millis(at);
            let limit = limit();
            let seen = Observed { at, place: None, part: 0, value, limit: &limit, bytes: None };
            watch.tick(at, &mut book, &mut events);
            watch.observe(0, &seen, &mut book, &mut events);
            watch.deadlines().map(|at| at.nanos / 1_000_000).collect::<Vec<_>>()
        };
        assert_eq!(deadlines(0, 100), [0; 0]);
        assert_eq!(deadlines(100, 101), [0; 0], "one value alone ends no delay");
        assert_eq!(deadlines(200, 101), [600]);
        assert_eq!(deadlines(300, 201), [600]);
        assert_eq!(deadlines(400, 201), [800, 600]);
        assert_eq!(deadlines(900, 90), [1900], "raised, and inside since then");
        assert_eq!(deadlines(1900, 90), [0; 0]);
    }

    #[test]
    fn beyond_the_critical_side_is_pending_until_it_is_raised() {
        let mut watch = Watch::new(Check::Spread, false, Dimension::Voltage, "spread");
        let (mut book, mut events) = (AlarmBook::default(), Vec::new());
        let mut pending = |at, value| {
            let at = SessionTime::from_millis(at);
            let limit = limit();
            let seen = Observed { at, place: None, part: 0, value, limit: &limit, bytes: None };
            watch.observe(0, &seen, &mut book, &mut events);
            watch.pending().is_some()
        };
        assert!(!pending(0, 200));
        assert!(pending(100, 201));
        assert!(pending(300, 201));
        assert!(!pending(600, 201), "raised");
    }

    #[test]
    fn no_limit_no_alarm() {
        assert_eq!(run(false, LimitValues::default(), &[(0, i64::MAX)], 1000), [""; 0]);
    }

    #[test]
    fn a_change_comes_back_as_the_same_alarm() {
        let seen = run(false, limit(), &[(0, 101), (1000, 0), (3000, 101)], 5000);
        assert_eq!(seen, ["0.500 raised warning", "2.000 returned warning", "3.500 raised warning"]);
        assert_eq!(AlarmChange::Raised.name(), "raised");
    }
}
