//! The newest value of each place, and complete sets of them.

use std::time::Duration;

use model::SessionTime;

/// A set whose parts are further apart than this is no set, unless its messages come more slowly.
const MOST_APART: Duration = Duration::from_secs(1);

/// The values of one quantity at all places of a pack: a list for each thing that is known of a place.
#[derive(Clone, Debug)]
pub(crate) struct Places {
    /// Zero where there is none.
    values: Vec<i64>,
    present: Vec<bool>,
    at: Vec<Option<SessionTime>>,
    /// Where all came at once last: when. Then `at` is not kept.
    all_at: Option<SessionTime>,
    /// Each has a value. Where it is false, `present` says so.
    is_whole: bool,
    is_updated: Vec<bool>,
    /// A value older than this says nothing about now.
    patience: Vec<Duration>,
    updated: usize,
    most_apart: Duration,
    /// Sets that were given up because a part came twice first.
    pub(crate) incomplete: u64,
    /// The step between two neighbouring numbers as sent.
    pub(crate) step: i64,
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
        let patience: Vec<Duration> = patience.into_iter().collect();
        let most_apart = patience.iter().copied().fold(MOST_APART, Duration::max);
        Self {
            values: vec![0; patience.len()],
            present: vec![false; patience.len()],
            at: vec![None; patience.len()],
            all_at: None,
            is_whole: false,
            is_updated: vec![false; patience.len()],
            patience,
            updated: 0,
            most_apart,
            incomplete: 0,
            step: 1,
        }
    }

    /// Takes the value of a place (from 0); `None` where the line says "absent".
    pub(crate) fn update(&mut self, at: SessionTime, index: usize, value: Option<i64>) -> Update {
        self.tell_apart();
        self.is_whole &= value.is_some();
        let slots = (self.values.get_mut(index), self.present.get_mut(index), self.at.get_mut(index));
        let (Some(kept), Some(present), Some(then)) = slots else { return Update::Outside };
        (*kept, *present, *then) = (value.unwrap_or(0), value.is_some(), Some(at));
        if self.is_updated.get(index).copied().unwrap_or(false) {
            self.incomplete += 1;
            self.new_set();
        }
        if let Some(updated) = self.is_updated.get_mut(index) {
            *updated = true;
        }
        self.updated += 1;
        self.is_complete(at)
    }

    /// Takes the values of neighbouring places at once, from `first` (from 0) on: what as many calls of
    /// [`update`](Self::update) do. `None`, and nothing has changed, where one of them was updated since the last set.
    pub(crate) fn update_run(&mut self, at: SessionTime, first: usize, values: &[i64]) -> Option<Update> {
        if values.len() == self.values.len() && first == 0 && self.updated == 0 {
            self.values.copy_from_slice(values);
            if !std::mem::replace(&mut self.is_whole, true) {
                self.present.fill(true);
            }
            self.all_at = Some(at);
            return Some(Update::Set { present: true, together: true });
        }
        let places = first..first.checked_add(values.len())?;
        let is_updated = self.is_updated.get_mut(places.clone())?;
        if is_updated.contains(&true) {
            return None;
        }
        is_updated.fill(true);
        self.tell_apart();
        self.values.get_mut(places.clone())?.copy_from_slice(values);
        self.present.get_mut(places.clone())?.fill(true);
        self.at.get_mut(places)?.fill(Some(at));
        self.updated += values.len();
        Some(self.is_complete(at))
    }

    /// The newest value of every place; `None` where one is absent.
    pub(crate) fn whole(&self) -> Option<&[i64]> {
        (self.is_whole || !self.present.contains(&false)).then_some(&self.values)
    }

    /// From now on places have times of their own.
    fn tell_apart(&mut self) {
        if let Some(at) = self.all_at.take() {
            self.at.fill(Some(at));
        }
    }

    /// When each place came last.
    fn times(&self) -> impl Iterator<Item = Option<SessionTime>> {
        self.at.iter().map(|at| self.all_at.or(*at))
    }

    /// After an update.
    fn is_complete(&mut self, at: SessionTime) -> Update {
        if self.updated < self.values.len() {
            return Update::Part;
        }
        self.new_set();
        let near = |then: &Option<SessionTime>| then.is_some_and(|then| at.since(then) <= self.most_apart);
        Update::Set { present: !self.present.contains(&false), together: self.at.iter().all(near) }
    }

    /// The newest values with their places (from 0), absent ones left out.
    pub(crate) fn values(&self) -> impl Iterator<Item = (usize, i64)> {
        self.values
            .iter()
            .zip(&self.present)
            .enumerate()
            .filter_map(|(index, (value, present))| present.then_some((index, *value)))
    }

    /// The newest value of a place (from 0); `None` where it is absent.
    pub(crate) fn value(&self, index: usize) -> Option<i64> {
        self.values.get(index).copied().filter(|_| self.present.get(index) == Some(&true))
    }

    /// Places (from 1) that never had a value, or whose newest is absent or too old.
    pub(crate) fn missing(&self, now: SessionTime) -> Vec<usize> {
        // Nearly always all came at once, and not long ago.
        if let Some(at) = self.all_at.filter(|_| self.is_whole)
            && let age = now.since(at)
            && self.patience.iter().all(|patience| age <= *patience)
        {
            return Vec::new();
        }
        let old = self.times().zip(&self.patience).map(|(at, patience)| at.is_none_or(|at| *patience < now.since(at)));
        let missing = old.zip(&self.present).map(|(old, present)| old || !present);
        missing.enumerate().filter(|(_, missing)| *missing).map(|(index, _)| index + 1).collect()
    }

    /// When each value becomes too old.
    pub(crate) fn deadlines(&self) -> impl Iterator<Item = SessionTime> {
        self.times().zip(&self.patience).filter_map(|(at, patience)| Some(too_old_from(at?, *patience)))
    }

    /// Forgets which parts of a set have come: after a gap they belong to different moments.
    pub(crate) fn new_set(&mut self) {
        self.updated = 0;
        self.is_updated.fill(false);
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

    /// All that is known of the places, however it is kept.
    fn all_of(places: &Places) -> String {
        assert!(!places.is_whole || !places.present.contains(&false));
        let times: Vec<_> = places.times().collect();
        let Places { values, present, is_updated, updated, incomplete, .. } = places;
        let missing: Vec<_> = [0, 500, 1_000, 1_001, 500_000, 1_200_000]
            .map(|millis| places.missing(SessionTime::from_millis(millis)))
            .into_iter()
            .chain(times.iter().flatten().map(|at| places.missing(*at + Duration::from_secs(1))))
            .collect();
        let whole = places.whole();
        format!("{values:?} {present:?} {times:?} {is_updated:?} {updated} {incomplete} {whole:?} {missing:?}")
    }

    #[test]
    fn a_run_is_as_one_after_another() {
        let (mut one, mut many) = (places(5), places(5));
        let mut state = 0x5EED_0009_u64;
        let mut runs = 0;
        for step in 0..3_000 {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            let (first, length) = ((state % 5) as usize, (state >> 8) as usize % 5 + 1);
            let run: Vec<i64> = (0..length.min(5 - first)).map(|index| step * 10 + index as i64).collect();
            let at = SessionTime::from_millis(step as u64 * 400);
            let Some(update) = many.update_run(at, first, &run) else {
                many = one.clone();
                let updates = (first..)
                    .zip(&run)
                    .map(|(index, value)| (many.update(at, index, Some(*value)), one.update(at, index, Some(*value))));
                updates.for_each(|(update, other)| assert_eq!(update, other));
                continue;
            };
            runs += 1;
            let last = (first..).zip(&run).map(|(index, value)| one.update(at, index, Some(*value))).last();
            assert_eq!((Some(update), all_of(&many)), (last, all_of(&one)), "{first} {run:?}");
            if state & 0x700 == 0 {
                assert_eq!(one.update(at, 2, None), many.update(at, 2, None));
            }
        }
        assert!(300 < runs, "{runs}");
        assert_eq!(many.update_run(SessionTime::ZERO, 4, &[1, 2]), None, "there is no such place");
        assert_eq!(all_of(&many), all_of(&one), "and nothing has changed");
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
