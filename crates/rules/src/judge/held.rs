//! The lowest and highest value that was held against each limit: how far a limit is from what was measured.

use crate::limits::{KINDS, LimitName};

/// For each limit the lowest and highest value that it was held against, in billionths of the base unit.
///
/// A limit for rest has seen only values at rest, one for load only those under load. What was never held against a limit
/// has none.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Held([Option<(i64, i64)>; KINDS.len()]);

impl Held {
    /// Lowest and highest; `None` where nothing was held against it.
    pub fn of(&self, name: LimitName) -> Option<(i64, i64)> {
        self.0.get(name as usize).copied().flatten()
    }

    pub(crate) fn see(&mut self, name: LimitName, value: i64) {
        if let Some(range) = self.0.get_mut(name as usize) {
            *range = Some(range.map_or((value, value), |(lowest, highest)| (lowest.min(value), highest.max(value))));
        }
    }

    /// Values from the one to the other.
    pub(crate) fn see_all(&mut self, name: LimitName, from: i64, to: i64) {
        if let Some(range) = self.0.get_mut(name as usize) {
            *range = Some(range.map_or((from, to), |(lowest, highest)| (lowest.min(from), highest.max(to))));
        }
    }
}
