//! The newest value of each place, and complete sets of them.

use std::time::Duration;

use model::SessionTime;

/// A set whose parts are further apart than this is no set, unless its messages come more slowly.
const MOST_APART: Duration = Duration::from_secs(1);

/// The values of one quantity at all places of a pack.
#[derive(Clone, Debug)]
pub(crate) struct Places {
    slots: Vec<Slot>,
    updated: usize,
    most_apart: Duration,
    /// Sets that were given up because a part came twice first.
    pub(crate) incomplete: u64,
    /// The step between two neighbouring numbers as sent.
    pub(crate) step: i64,
}

#[derive(Clone, Copy, Debug, Default)]
struct Slot {
    value: Option<i64>,
    at: Option<SessionTime>,
    updated: bool,
    /// A value older than this says nothing about now.
    patience: Duration,
}

/// What an update did.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Update {
    /// The set is not complete yet.
    Part,
    /// Every place was updated once since the last set.
    Set {
        /// Each has a value.
        present: bool,
        /// They are of about the same moment.
        together: bool,
    },
    /// The pack has no such place.
    Outside,
}

impl Places {
    /// One place for each patience: how old its value may be and still say something about now.
    pub(crate) fn new(patience: impl IntoIterator<Item = Duration>) -> Self {
        let slots: Vec<Slot> = patience.into_iter().map(|patience| Slot { patience, ..Slot::default() }).collect();
        let most_apart = slots.iter().map(|slot| slot.patience).fold(MOST_APART, Duration::max);
        Self { slots, updated: 0, most_apart, incomplete: 0, step: 1 }
    }

    /// Takes the value of a place (from 0); `None` where the line says "absent".
    pub(crate) fn update(&mut self, at: SessionTime, index: usize, value: Option<i64>) -> Update {
        let Some(slot) = self.slots.get_mut(index) else { return Update::Outside };
        let twice = slot.updated;
        (slot.value, slot.at, slot.updated) = (value, Some(at), true);
        if twice {
            self.incomplete += 1;
            self.new_set();
            if let Some(slot) = self.slots.get_mut(index) {
                slot.updated = true;
            }
        }
        self.updated += 1;
        if self.updated < self.slots.len() {
            return Update::Part;
        }
        self.updated = 0;
        let (mut present, mut together) = (true, true);
        for slot in &mut self.slots {
            slot.updated = false;
            present &= slot.value.is_some();
            together &= slot.at.is_some_and(|then| at.since(then) <= self.most_apart);
        }
        Update::Set { present, together }
    }

    /// The newest values with their places (from 0), absent ones left out.
    pub(crate) fn values(&self) -> impl Iterator<Item = (usize, i64)> {
        self.slots.iter().enumerate().filter_map(|(index, slot)| Some((index, slot.value?)))
    }

    /// Places (from 1) that never had a value, or whose newest is absent or too old.
    pub(crate) fn missing(&self, now: SessionTime) -> Vec<usize> {
        let missing = |slot: &Slot| slot.value.is_none() || slot.at.is_none_or(|at| slot.patience < now.since(at));
        self.slots.iter().enumerate().filter(|(_, slot)| missing(slot)).map(|(index, _)| index + 1).collect()
    }

    /// When each value becomes too old.
    pub(crate) fn deadlines(&self) -> impl Iterator<Item = SessionTime> {
        self.slots.iter().filter_map(|slot| Some(too_old_from(slot.at?, slot.patience)))
    }

    /// Forgets which parts of a set have come: after a gap they belong to different moments.
    pub(crate) fn new_set(&mut self) {
        self.updated = 0;
        for slot in &mut self.slots {
            slot.updated = false;
        }
    }
}

/// The first moment at which something of `at` is older than `patience`.
pub(crate) fn too_old_from(at: SessionTime, patience: Duration) -> SessionTime {
    at + patience.saturating_add(Duration::from_nanos(1))
}

#[cfg(test)]
mod tests {
    use super::*;

    const WHOLE: Update = Update::Set { present: true, together: true };

    fn places(count: usize) -> Places {
        Places::new(vec![Duration::from_secs(1); count])
    }

    #[test]
    fn a_set_is_complete_when_each_came_once() {
        let mut places = places(3);
        let at = SessionTime::from_millis;
        assert_eq!(places.update(at(0), 0, Some(1)), Update::Part);
        assert_eq!(places.update(at(10), 2, Some(3)), Update::Part);
        assert_eq!(places.update(at(20), 1, Some(2)), WHOLE);
        assert_eq!(places.update(at(30), 0, Some(1)), Update::Part);
        assert_eq!(places.update(at(40), 0, Some(1)), Update::Part, "twice first: the set starts again");
        assert_eq!(places.incomplete, 1);
        assert_eq!(places.update(at(50), 1, None), Update::Part);
        assert_eq!(places.update(at(60), 2, Some(3)), Update::Set { present: false, together: true });
        assert_eq!(places.update(at(60), 3, Some(3)), Update::Outside);
    }

    #[test]
    fn parts_too_far_apart_are_no_set() {
        let mut fast = places(2);
        fast.update(SessionTime::ZERO, 0, Some(1));
        assert_eq!(fast.update(SessionTime::from_millis(1000), 1, Some(1)), WHOLE);
        fast.update(SessionTime::ZERO, 0, Some(1));
        let apart = Update::Set { present: true, together: false };
        assert_eq!(fast.update(SessionTime::from_millis(1001), 1, Some(1)), apart);
        let mut slow = Places::new([Duration::from_secs(6), Duration::from_secs(1)]);
        slow.update(SessionTime::ZERO, 0, Some(1));
        assert_eq!(slow.update(SessionTime::from_millis(6000), 1, Some(1)), WHOLE, "its messages come slowly");
    }

    #[test]
    fn missing_places_count_from_one_and_each_has_its_own_patience() {
        let mut places = Places::new([1, 1, 3].map(Duration::from_secs));
        places.update(SessionTime::ZERO, 1, Some(5));
        places.update(SessionTime::ZERO, 2, Some(5));
        assert_eq!(places.missing(SessionTime::from_millis(1000)), [1]);
        assert_eq!(places.missing(SessionTime::from_millis(1001)), [1, 2]);
        assert_eq!(places.missing(SessionTime::from_millis(3001)), [1, 2, 3]);
        let deadlines: Vec<u64> = places.deadlines().map(|at| at.nanos).collect();
        assert_eq!(deadlines, [1_000_000_001, 3_000_000_001]);
        assert_eq!(too_old_from(SessionTime::ZERO, Duration::MAX).nanos, u64::MAX);
    }
}
