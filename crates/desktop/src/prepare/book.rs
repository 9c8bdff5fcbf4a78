//! What was entered before a session, and what is left of it after one.

use std::collections::BTreeMap;
use std::time::Duration;

use model::{Command, HandItem, HandOutcome, HandReading, SessionTime};
use session::rules::{HandLine, HandResult, Pack, Prepared};

/// A time of the window's own clock, in seconds: only differences mean something.
pub type WindowTime = f64;

/// An entry that a session before this one has used up: shown with its age, and never handed on.
#[derive(Clone, PartialEq, Debug)]
pub struct Earlier {
    /// What it meant then, in words.
    pub was: String,
    taken: WindowTime,
}

impl Earlier {
    /// How long ago it was taken.
    pub fn age(&self, now: WindowTime) -> Duration {
        between(self.taken, now)
    }
}

/// The entries for one pack.
#[derive(Clone, Debug, Default)]
struct Kept {
    fresh: BTreeMap<HandItem, (HandReading, WindowTime)>,
    earlier: BTreeMap<HandItem, Earlier>,
}

/// What was entered before a session, for each pack.
///
/// A session takes what is fresh. After it nothing is: the pack was under power since, so each item is to be looked at
/// again; what it was stands beside it with its age.
#[derive(Clone, Debug, Default)]
pub struct Book {
    of_pack: BTreeMap<String, Kept>,
}

impl Book {
    /// Takes an entry; "not done" takes one back.
    pub fn enter(&mut self, pack: &str, reading: HandReading, now: WindowTime) {
        let fresh = &mut self.of_pack.entry(pack.to_owned()).or_default().fresh;
        if reading.outcome == HandOutcome::NotDone {
            fresh.remove(&reading.item);
        } else {
            fresh.insert(reading.item, (reading, now));
        }
    }

    /// How every item stands, were a session to begin now.
    pub fn lines(&self, key: &str, pack: &Pack, now: WindowTime) -> Vec<HandLine> {
        let mut prepared = Prepared::default();
        for reading in self.readings(key, now) {
            prepared.enter(SessionTime::ZERO, reading);
        }
        prepared.lines(pack, |_| false)
    }

    /// What a session begins with: each entry says how old it is.
    pub fn before(&self, key: &str, now: WindowTime) -> Vec<Command> {
        self.readings(key, now).map(Command::Reading).collect()
    }

    fn readings(&self, key: &str, now: WindowTime) -> impl Iterator<Item = HandReading> {
        let fresh = self.of_pack.get(key).into_iter().flat_map(|kept| kept.fresh.values());
        fresh.map(move |(reading, taken)| {
            let age_seconds = u32::try_from(between(*taken, now).as_secs()).unwrap_or(u32::MAX);
            HandReading { age_seconds, ..reading.clone() }
        })
    }

    /// What an item was before the last session, while nothing new was entered.
    pub fn earlier(&self, key: &str, item: HandItem) -> Option<&Earlier> {
        let kept = self.of_pack.get(key)?;
        kept.earlier.get(&item).filter(|_| !kept.fresh.contains_key(&item))
    }

    /// A session with this pack is over, at this session time: what it knew is earlier now.
    pub fn used(&mut self, key: &str, lines: &[HandLine], at: SessionTime, now: WindowTime) {
        let kept = self.of_pack.entry(key.to_owned()).or_default();
        kept.fresh.clear();
        for line in lines {
            let Some((entered, reading)) = &line.entry else { continue };
            if line.judged.result == HandResult::NotDone {
                continue;
            }
            let age = at.since(*entered).as_secs_f64() + f64::from(reading.age_seconds);
            kept.earlier.insert(line.item, Earlier { was: line.judged.why.clone(), taken: now - age });
        }
    }
}

fn between(then: WindowTime, now: WindowTime) -> Duration {
    Duration::try_from_secs_f64(now - then).unwrap_or_default()
}
