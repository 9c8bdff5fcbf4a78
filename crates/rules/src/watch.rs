//! One limit held against values: delays, deadband, and the alarm that follows.

use std::collections::BTreeSet;

use model::{ByteRange, Channel, Dimension, SessionTime, format_nanos};

use crate::alarms::{AlarmBook, Cause, Severity};
use crate::check::Check;
use crate::event::Event;
use crate::limits::LimitValues;

/// A value to hold against a limit.
pub(crate) struct Observed {
    pub(crate) at: SessionTime,
    pub(crate) place: Option<Channel>,
    /// Billionths of the base unit.
    pub(crate) value: i64,
    pub(crate) limit: LimitValues,
    pub(crate) bytes: Option<ByteRange>,
}

/// The state of one limit at one place.
#[derive(Clone, Debug, Default)]
struct Monitor {
    place: Option<Channel>,
    value: i64,
    bytes: Option<ByteRange>,
    limit: LimitValues,
    /// Since when it has been beyond the warning side, and the critical side.
    warning_since: Option<SessionTime>,
    critical_since: Option<SessionTime>,
    /// Since when it has been inside by the deadband, while the alarm holds.
    inside_since: Option<SessionTime>,
    raised: Option<Severity>,
}

/// One check with a limit, at all its places.
#[derive(Clone, Debug)]
pub(crate) struct Watch {
    check: Check,
    lower: bool,
    dimension: Dimension,
    /// What the value is called in a message, such as "spread".
    what: &'static str,
    monitors: Vec<Monitor>,
    /// The places with a delay running or an alarm raised: the only ones that a tick must look at.
    busy: BTreeSet<usize>,
}

impl Watch {
    pub(crate) fn new(check: Check, lower: bool, dimension: Dimension, what: &'static str) -> Self {
        Self { check, lower, dimension, what, monitors: Vec::new(), busy: BTreeSet::new() }
    }

    fn beyond(&self, value: i64, limit: i64) -> bool {
        if self.lower { value < limit } else { limit < value }
    }

    /// Holds a value against its limit. `index` is the place among this check's places.
    pub(crate) fn observe(&mut self, index: usize, seen: Observed, book: &mut AlarmBook, events: &mut Vec<Event>) {
        let critical = seen.limit.critical.is_some_and(|limit| self.beyond(seen.value, limit));
        let warning = critical || seen.limit.warning.is_some_and(|limit| self.beyond(seen.value, limit));
        if !warning && !self.busy.contains(&index) {
            return;
        }
        if self.monitors.len() <= index {
            self.monitors.resize(index + 1, Monitor::default());
        }
        let (lower, at) = (self.lower, seen.at);
        let Some(monitor) = self.monitors.get_mut(index) else { return };
        monitor.place = seen.place;
        monitor.value = seen.value;
        monitor.limit = seen.limit;
        monitor.bytes = seen.bytes;
        monitor.warning_since = warning.then(|| monitor.warning_since.unwrap_or(at));
        monitor.critical_since = critical.then(|| monitor.critical_since.unwrap_or(at));
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

    /// Time has passed: delays may have ended.
    pub(crate) fn tick(&mut self, at: SessionTime, book: &mut AlarmBook, events: &mut Vec<Event>) {
        if self.busy.is_empty() {
            return;
        }
        for index in self.busy.clone() {
            self.settle(index, at, book, events);
        }
    }

    fn settle(&mut self, index: usize, at: SessionTime, book: &mut AlarmBook, events: &mut Vec<Event>) {
        let (check, what, dimension) = (self.check, self.what, self.dimension);
        let Some(monitor) = self.monitors.get_mut(index) else { return };
        let over = |since: Option<SessionTime>| since.is_some_and(|since| monitor.limit.on_delay <= at.since(since));
        let due = if over(monitor.critical_since) {
            Some(Severity::Critical)
        } else if over(monitor.warning_since) {
            Some(Severity::Warning)
        } else {
            None
        };
        if let Some(severity) = due
            && monitor.raised.is_none_or(|raised| raised < severity)
        {
            let limit = match severity {
                Severity::Critical => monitor.limit.critical,
                Severity::Warning => monitor.limit.warning,
            };
            let place = monitor.place.map_or(String::new(), |place| format!("{place} "));
            let text = format!(
                "{place}{what} {}, {} limit {}",
                amount(check, dimension, monitor.value),
                severity.name(),
                limit.map_or(String::new(), |limit| amount(check, dimension, limit)),
            );
            monitor.raised = Some(severity);
            let bytes = monitor.bytes;
            book.raise(at, Cause { check, place: monitor.place, severity, text, bytes }, events);
        }
        let gone = monitor.inside_since.is_some_and(|since| monitor.limit.off_delay <= at.since(since));
        if monitor.raised.is_some() && gone {
            monitor.raised = None;
            book.clear(at, check, monitor.place, events);
        }
        if monitor.raised.is_some() || monitor.warning_since.is_some() {
            self.busy.insert(index);
        } else {
            self.busy.remove(&index);
        }
    }
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
    use std::time::Duration;

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

    /// Feeds values at times (ms) with ticks between and returns "time change severity".
    fn run(lower: bool, limit: LimitValues, values: &[(u64, i64)], until: u64) -> Vec<String> {
        let mut watch = Watch::new(Check::Spread, lower, Dimension::Voltage, "spread");
        let (mut book, mut events) = (AlarmBook::default(), Vec::new());
        let mut values = values.iter().peekable();
        for tick in (0..=until).step_by(50) {
            let now = SessionTime::from_millis(tick);
            watch.tick(now, &mut book, &mut events);
            while let Some((_, value)) = values.next_if(|(at, _)| *at <= tick) {
                let seen = Observed { at: now, place: None, value: *value, limit, bytes: None };
                watch.observe(0, seen, &mut book, &mut events);
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
