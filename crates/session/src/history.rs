//! What a plot needs of a session, however long it is: the lowest and highest value of each piece of time.
//!
//! Two bands for each series: one over the whole session in at most 2048 pieces, whose length doubles when they are
//! full, and one over the last minute in pieces of 50 ms. A value is never drawn away: it lies inside the band of its
//! piece. A piece without a value is a gap and stays one.

use std::collections::VecDeque;

use model::SessionTime;

/// Pieces over the whole session, at most.
const WHOLE: usize = 2048;
/// Pieces of the last minute.
const RECENT: usize = 1200;
/// The shortest piece, in nanoseconds.
const SHORTEST: u64 = 50_000_000;

/// The lowest and highest value in a piece of time, in billionths of the base unit.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Piece {
    /// The lowest.
    pub lowest: i64,
    /// The highest.
    pub highest: i64,
}

impl Piece {
    fn of(nanos: i64) -> Self {
        Self { lowest: nanos, highest: nanos }
    }

    pub(crate) fn with(self, other: Self) -> Self {
        Self { lowest: self.lowest.min(other.lowest), highest: self.highest.max(other.highest) }
    }
}

/// Two neighbours as one; a gap only where both are.
fn merged(first: Option<Piece>, second: Option<Piece>) -> Option<Piece> {
    match (first, second) {
        (Some(first), Some(second)) => Some(first.with(second)),
        (one, other) => one.or(other),
    }
}

/// How much of the session a plot shows.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Span {
    /// The last minute.
    #[default]
    Minute,
    /// All of it.
    Whole,
}

/// One value over time.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Series {
    whole: Vec<Option<Piece>>,
    whole_length: u64,
    recent: VecDeque<Option<Piece>>,
    /// The number of the first piece in `recent`, counted from session start.
    recent_first: u64,
}

impl Default for Series {
    fn default() -> Self {
        Self { whole: Vec::new(), whole_length: SHORTEST, recent: VecDeque::new(), recent_first: 0 }
    }
}

impl Series {
    /// Takes a value. A time before the last minute of the series counts only for the whole session.
    pub fn push(&mut self, at: SessionTime, nanos: i64) {
        let piece = Piece::of(nanos);
        while WHOLE as u64 <= at.nanos / self.whole_length {
            self.halve();
        }
        let index = usize::try_from(at.nanos / self.whole_length).unwrap_or(WHOLE).min(WHOLE - 1);
        if self.whole.len() <= index {
            self.whole.resize(index + 1, None);
        }
        if let Some(slot) = self.whole.get_mut(index) {
            *slot = merged(*slot, Some(piece));
        }
        self.push_recent(at.nanos / SHORTEST, piece);
    }

    fn push_recent(&mut self, number: u64, piece: Piece) {
        let end = self.recent_first.saturating_add(self.recent.len() as u64);
        if self.recent.is_empty() || end.saturating_add(RECENT as u64) <= number {
            self.recent.clear();
            self.recent_first = number;
        }
        let Some(offset) = number.checked_sub(self.recent_first) else { return };
        let offset = usize::try_from(offset).unwrap_or(usize::MAX);
        // No longer than twice the band: a longer gap has cleared it above.
        while self.recent.len() <= offset {
            self.recent.push_back(None);
        }
        if let Some(slot) = self.recent.get_mut(offset) {
            *slot = merged(*slot, Some(piece));
        }
        while RECENT < self.recent.len() {
            self.recent.pop_front();
            self.recent_first += 1;
        }
    }

    /// Makes each piece twice as long.
    fn halve(&mut self) {
        let pairs =
            self.whole.chunks(2).map(|pair| merged(pair.first().copied().flatten(), pair.get(1).copied().flatten()));
        self.whole = pairs.collect();
        self.whole_length = self.whole_length.saturating_mul(2);
    }

    /// The pieces of a span: the beginning of each in nanoseconds of session time, and its band, or `None` for a gap.
    pub fn pieces(&self, span: Span) -> impl Iterator<Item = (u64, Option<Piece>)> + '_ {
        let (length, first) = match span {
            Span::Whole => (self.whole_length, 0),
            Span::Minute => (SHORTEST, self.recent_first),
        };
        let pieces: Box<dyn Iterator<Item = &Option<Piece>>> = match span {
            Span::Whole => Box::new(self.whole.iter()),
            Span::Minute => Box::new(self.recent.iter()),
        };
        (first..).zip(pieces).map(move |(number, piece)| (number.saturating_mul(length), *piece))
    }

    /// How long a piece is, in nanoseconds.
    pub fn piece_nanos(&self, span: Span) -> u64 {
        match span {
            Span::Whole => self.whole_length,
            Span::Minute => SHORTEST,
        }
    }
}

/// The series of a session.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct History {
    /// Each cell, number 1 first.
    pub cells: Vec<Series>,
    /// Each temperature sensor, number 1 first.
    pub temperatures: Vec<Series>,
    /// The pack voltage as reported.
    pub pack: Series,
    /// The load's side of the switch.
    pub bus: Series,
    /// The pack current, discharge positive.
    pub current: Series,
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn piece_at(series: &Series, span: Span, at: u64) -> Option<Option<Piece>> {
        let length = series.piece_nanos(span);
        series.pieces(span).find(|(from, _)| *from <= at && at < from + length).map(|(_, piece)| piece)
    }

    proptest! {
        #[test]
        fn no_value_is_outside_its_band_and_no_gap_is_filled(
            steps in prop::collection::vec((0_u64..40_000, any::<i64>()), 1..400),
        ) {
            let mut series = Series::default();
            let mut all = Vec::new();
            let mut millis = 0;
            for (step, nanos) in steps {
                millis += step;
                let at = SessionTime::from_millis(millis);
                series.push(at, nanos);
                all.push((at.nanos, nanos));
            }
            prop_assert!(series.whole.len() <= WHOLE && series.recent.len() <= RECENT);
            let last = all.last().map_or(0, |(at, _)| *at);
            for span in [Span::Whole, Span::Minute] {
                for (at, nanos) in &all {
                    match piece_at(&series, span, *at) {
                        Some(piece) => {
                            let piece = piece.expect("a value is no gap");
                            prop_assert!(piece.lowest <= *nanos && *nanos <= piece.highest);
                        }
                        None => prop_assert!(span == Span::Minute && at + 59_000_000_000 < last),
                    }
                }
                // Every edge of a band is a value that came in that piece; a piece without a value is a gap.
                for (from, piece) in series.pieces(span) {
                    let inside = all.iter().filter(|(at, _)| from <= *at && *at < from + series.piece_nanos(span));
                    let values: Vec<i64> = inside.map(|(_, nanos)| *nanos).collect();
                    prop_assert_eq!(piece.map(|piece| piece.lowest), values.iter().min().copied());
                    prop_assert_eq!(piece.map(|piece| piece.highest), values.iter().max().copied());
                }
            }
        }
    }

    #[test]
    fn a_spike_is_still_there_after_an_hour() {
        let mut series = Series::default();
        for step in 0..36_000 {
            let nanos = if step == 12_345 { 9 } else { 3 };
            series.push(SessionTime::from_millis(step * 100), nanos);
        }
        assert_eq!(series.pieces(Span::Whole).filter_map(|(_, piece)| piece).map(|piece| piece.highest).max(), Some(9));
        assert_eq!(series.piece_nanos(Span::Whole), 3_200_000_000);
        assert_eq!(series.pieces(Span::Minute).count(), RECENT);
    }
}
