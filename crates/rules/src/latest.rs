//! The newest value of each place, and complete sets of them.

use std::time::Duration;

use model::SessionTime;

/// A set whose parts are further apart than this is no set.
const MOST_AGE: Duration = Duration::from_secs(1);

/// The values of one quantity at all places of a pack.
#[derive(Clone, Debug)]
pub(crate) struct Places {
    slots: Vec<Slot>,
    updated: usize,
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
}

/// What an update did.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Update {
    /// The set is not complete yet.
    Part,
    /// Every place was updated once since the last set; `whole`: each has a value, none is too old.
    Set { whole: bool },
    /// The pack has no such place.
    Outside,
}

impl Places {
    pub(crate) fn new(places: usize) -> Self {
        Self { slots: vec![Slot::default(); places], updated: 0, incomplete: 0, step: 1 }
    }

    /// Takes the value of a place (from 0); `None` where the line says "absent".
    pub(crate) fn update(&mut self, at: SessionTime, index: usize, value: Option<i64>) -> Update {
        let Some(slot) = self.slots.get(index) else { return Update::Outside };
        if slot.updated {
            self.incomplete += 1;
            self.updated = 0;
            for slot in &mut self.slots {
                slot.updated = false;
            }
        }
        if let Some(slot) = self.slots.get_mut(index) {
            *slot = Slot { value, at: Some(at), updated: true };
            self.updated += 1;
        }
        if self.updated < self.slots.len() {
            return Update::Part;
        }
        self.updated = 0;
        let mut whole = true;
        for slot in &mut self.slots {
            slot.updated = false;
            whole &= slot.value.is_some() && slot.at.is_some_and(|then| at.since(then) <= MOST_AGE);
        }
        Update::Set { whole }
    }

    /// The newest values with their places (from 0), absent ones left out.
    pub(crate) fn values(&self) -> impl Iterator<Item = (usize, i64)> {
        self.slots.iter().enumerate().filter_map(|(index, slot)| Some((index, slot.value?)))
    }

    /// Places (from 1) that never had a value, or whose newest is absent or older than `age`.
    pub(crate) fn missing(&self, now: SessionTime, age: Duration) -> Vec<usize> {
        let missing = |slot: &Slot| slot.value.is_none() || slot.at.is_none_or(|at| age < now.since(at));
        self.slots.iter().enumerate().filter(|(_, slot)| missing(slot)).map(|(index, _)| index + 1).collect()
    }

    /// Forgets which parts of a set have come: after a gap they belong to different moments.
    pub(crate) fn new_set(&mut self) {
        self.updated = 0;
        for slot in &mut self.slots {
            slot.updated = false;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_set_is_complete_when_each_came_once() {
        let mut places = Places::new(3);
        let at = SessionTime::from_millis;
        assert_eq!(places.update(at(0), 0, Some(1)), Update::Part);
        assert_eq!(places.update(at(10), 2, Some(3)), Update::Part);
        assert_eq!(places.update(at(20), 1, Some(2)), Update::Set { whole: true });
        assert_eq!(places.update(at(30), 0, Some(1)), Update::Part);
        assert_eq!(places.update(at(40), 0, Some(1)), Update::Part, "twice first: the set starts again");
        assert_eq!(places.incomplete, 1);
        assert_eq!(places.update(at(50), 1, None), Update::Part);
        assert_eq!(places.update(at(60), 2, Some(3)), Update::Set { whole: false });
        assert_eq!(places.update(at(60), 3, Some(3)), Update::Outside);
    }

    #[test]
    fn parts_too_far_apart_are_no_set() {
        let mut places = Places::new(2);
        places.update(SessionTime::ZERO, 0, Some(1));
        assert_eq!(places.update(SessionTime::from_millis(1001), 1, Some(1)), Update::Set { whole: false });
    }

    #[test]
    fn missing_places_count_from_one() {
        let mut places = Places::new(3);
        places.update(SessionTime::ZERO, 1, Some(5));
        assert_eq!(places.missing(SessionTime::ZERO, MOST_AGE), [1, 3]);
        assert_eq!(places.missing(SessionTime::from_millis(1001), MOST_AGE), [1, 2, 3]);
    }
}
