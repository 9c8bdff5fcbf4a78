//! The passing of time: ticks, and the long silences in which none of them changes anything.

use std::time::Duration;

use model::{SessionTime, TICK, Times, format_nanos};

use super::Judge;
use super::plan::Word;
use crate::alarms::{Cause, Key, Severity};
use crate::bus::BusState;
use crate::check::Check;
use crate::latest::too_old_from;
use crate::link::{CRITICAL_PERCENT, Period, WARNING_PERCENT};
use crate::watch::Watch;

/// The verdict is looked at this often.
const LOOK: Duration = Duration::from_secs(1);

impl Judge {
    /// Lets time pass: runs every tick up to and including `to`, each at its own time.
    ///
    /// Ticks that can't change anything are passed over, so that a silence of any length takes no time.
    pub fn advance(&mut self, to: SessionTime) {
        while let Some(tick) = self.next_tick.filter(|tick| *tick <= to) {
            self.now = tick;
            self.tick();
            self.next_tick = after(tick);
            if is_look(tick) {
                // Everything is said now that could be said: nothing more happens before the next deadline.
                let next = self.deadline().unwrap_or(to).min(to);
                self.next_tick = self.next_tick.map(|tick| tick.max(not_before(next)));
            }
        }
        self.now = self.now.max(to);
    }

    fn tick(&mut self) {
        let at = self.now;
        for watch in self.watches.each() {
            watch.tick(at, &mut self.book, &mut self.events);
        }
        self.book.tick(at, &mut self.events);
        let change = self.stage.tick(at);
        self.say_stage(change);
        if self.setup.times == Times::Measured {
            self.look_for_current();
            self.look_for_bus();
            self.look_at_periods();
        }
        if is_look(at) {
            self.look_at_damage();
            self.diagnose();
            self.look_again();
        }
    }

    /// Without a current nobody can tell rest from load.
    fn look_for_current(&mut self) {
        let Some((then, _)) = self.current else { return };
        let age = self.now.since(then);
        if self.plan.current < age {
            let change = self.stage.no_current(age);
            self.say_stage(change);
        }
    }

    /// Without a bus voltage nobody can tell a dead load's side from a live one.
    fn look_for_bus(&mut self) {
        let Some((then, _)) = self.bus else { return };
        let age = self.now.since(then);
        if self.plan.bus < age {
            let change = self.stage.no_bus(age);
            self.say_stage(change);
        }
    }

    fn look_at_periods(&mut self) {
        let (at, book, events) = (self.now, &mut self.book, &mut self.events);
        self.link.periods(at, |kind, name, period| {
            let key = Key::new(Check::MessagePeriods, None).part(kind);
            match period {
                Period::Missing(age) => {
                    let text = format!("message {name:?} has not come for {} ms", age.as_millis());
                    let cause = Cause { key, severity: Severity::Warning, text, bytes: None };
                    book.raise(at, cause, events);
                }
                Period::Steady => book.clear(at, key, events),
            }
        });
    }

    fn look_at_damage(&mut self) {
        let Some(share) = self.link.recent_damage() else { return };
        let percent = format_nanos(i64::try_from(share).unwrap_or(i64::MAX).saturating_mul(10_000_000), 1);
        let key = Key::new(Check::Link, None);
        let severity = if CRITICAL_PERCENT * 100 < share {
            Severity::Critical
        } else if WARNING_PERCENT * 100 < share {
            Severity::Warning
        } else {
            // Half the limit is the deadband.
            if share < WARNING_PERCENT * 50 {
                self.book.clear(self.now, key, &mut self.events);
            }
            return;
        };
        let text = format!("{percent} % of the frames of the last seconds are damaged");
        self.raise(key, severity, text, None);
    }

    /// The earliest time after now at which something can happen by time alone: the end of a delay, a value that becomes
    /// too old. Early is harmless, late is not: whatever compares a time with another must be here.
    fn deadline(&self) -> Option<SessionTime> {
        let watches = self.watches.all().into_iter().flat_map(Watch::deadlines);
        let values = self.cells.deadlines().chain(self.temperatures.deadlines());
        let words = self.plan.words.iter().filter_map(Word::deadline);
        let current = self.current.filter(|_| !self.stage.current_is_unknown());
        let bus = self.bus.filter(|_| self.stage.bus_state() != BusState::Unknown);
        let single = [
            self.book.deadline(),
            self.findings.is_unsteady().then_some(self.now + LOOK),
            bus.map(|(at, _)| too_old_from(at, self.plan.bus)),
            current.map(|(at, _)| too_old_from(at, self.plan.current)),
            self.link.first_frame_at.map(|first| first + self.pack.observe()),
        ];
        watches
            .chain(values)
            .chain(words)
            .chain(self.stage.deadlines())
            .chain(self.link.deadlines())
            .chain(single.into_iter().flatten())
            .filter(|at| self.now < *at)
            .min()
    }
}

fn is_look(tick: SessionTime) -> bool {
    tick.nanos.is_multiple_of(LOOK.as_nanos() as u64)
}

/// The first tick strictly after a time; `None` beyond the end of session time.
fn after(at: SessionTime) -> Option<SessionTime> {
    let step = TICK.as_nanos() as u64;
    (at.nanos / step).checked_add(1)?.checked_mul(step).map(SessionTime::from_nanos)
}

/// The first tick at a time or after it; near the end of session time the last one before it.
fn not_before(at: SessionTime) -> SessionTime {
    let step = TICK.as_nanos() as u64;
    SessionTime::from_nanos(at.nanos.div_ceil(step).checked_mul(step).unwrap_or(at.nanos / step * step))
}
