//! The values of a whole session for a plot of any part of it, in bounded memory and with nothing drawn away.
//!
//! The rows of each message kind are gathered in blocks that follow each other; a block holds the lowest and the highest
//! value of each column. While there are few rows a block is one row, and its value is exact. When the blocks become too
//! many, neighbours are joined. Above the blocks stand levels of 4 to one, so that a plot touches about as many entries
//! as it has columns, however long the session is.

use std::ops::Range;

use model::{Batch, ByteRange, Channel, Column, Conversion, Layout, Quantity, SessionTime};

use crate::history::Piece;

/// Blocks of a message kind, at most. In a session of 20 rows a second each row has its own for 54 minutes.
const BLOCKS: usize = 1 << 16;
/// Entries of a level that one of the next stands for.
const BRANCHING: usize = 4;
/// A pause between rows longer than this, or than three periods of the message, is a gap.
const GAP: u64 = 1_000_000_000;

/// The values of a session, or of a part of it.
#[derive(Clone, Debug)]
pub struct Tracks {
    groups: Vec<Group>,
    rows: u64,
    last_at: SessionTime,
}

/// What a plot draws at one place.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Bar {
    /// The time of its first row.
    pub from: SessionTime,
    /// The time of its last row.
    pub to: SessionTime,
    /// The lowest and the highest value of the rows in it.
    pub piece: Piece,
    /// Nothing came for a while before it: no line leads to it from the bar before.
    pub after_gap: bool,
}

/// What is known of a channel at a time.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Known {
    /// When its newest row came; with several rows in one block, the first of them.
    pub at: SessionTime,
    /// The last of them: with one row the same.
    pub to: SessionTime,
    /// Its value; lowest and highest where a block stands for several rows.
    pub piece: Piece,
    /// How many rows the block stands for: with 1 the value is exact.
    pub rows: u32,
    /// Where in the stream the block's frames lie.
    pub bytes: ByteRange,
}

/// The rows of one message kind.
#[derive(Clone, Debug)]
struct Group {
    blocks: Vec<Block>,
    /// Rows that a block is filled with.
    rows_each: u32,
    /// A longer pause ends a block, and is a gap.
    gap: u64,
    columns: Vec<Track>,
    /// Columns of one quantity as one: plots of all cells draw from it.
    unions: Vec<Union>,
    /// Memory for a push.
    ends: Vec<usize>,
}

#[derive(Clone, Copy, PartialEq, Debug)]
struct Block {
    from: u64,
    to: u64,
    bytes: ByteRange,
    rows: u32,
}

/// One column.
#[derive(Clone, Debug)]
struct Track {
    channel: Channel,
    scale: Conversion,
    levels: Levels,
}

/// Level 0 has an entry for each block, each further level one for every four of the level below. What is not complete yet
/// has no entry there.
#[derive(Clone, PartialEq, Debug)]
struct Levels(Vec<Vec<Slot>>);

/// The lowest and the highest of several columns.
#[derive(Clone, Debug)]
struct Union {
    /// Which ones, in their order.
    of: Vec<usize>,
    levels: Levels,
}

/// A piece, or that there is none: lowest above highest.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
struct Slot {
    lowest: i64,
    highest: i64,
}

impl Slot {
    const EMPTY: Self = Self { lowest: i64::MAX, highest: i64::MIN };

    fn join(self, other: Self) -> Self {
        Self { lowest: self.lowest.min(other.lowest), highest: self.highest.max(other.highest) }
    }

    fn piece(self) -> Option<Piece> {
        (self.lowest <= self.highest).then_some(Piece { lowest: self.lowest, highest: self.highest })
    }
}

impl From<Option<(i64, i64)>> for Slot {
    fn from(extent: Option<(i64, i64)>) -> Self {
        extent.map_or(Self::EMPTY, |(lowest, highest)| Self { lowest, highest })
    }
}

impl Tracks {
    /// Nothing yet, for lines of this layout.
    pub fn new(layout: &Layout) -> Self {
        let group = |kind: &model::KindLayout| {
            let columns = kind.columns.iter().map(|column| Track {
                channel: column.channel,
                scale: column.scale.clone(),
                levels: Levels::default(),
            });
            let columns: Vec<Track> = columns.collect();
            let period = kind.every.map_or(0, |every| SessionTime::from_duration(every).nanos);
            Group {
                blocks: Vec::new(),
                rows_each: 1,
                gap: GAP.max(period.saturating_mul(3)),
                unions: unions(&columns),
                columns,
                ends: Vec::new(),
            }
        };
        Self { groups: layout.kinds.iter().map(group).collect(), rows: 0, last_at: SessionTime::ZERO }
    }

    /// Takes the rows of a batch of the same layout.
    pub fn push(&mut self, batch: &Batch) {
        for (group, rows) in self.groups.iter_mut().zip(&batch.kinds) {
            group.push(rows);
            self.rows = self.rows.saturating_add(rows.at.len() as u64);
            if let Some(last) = rows.at.last() {
                self.last_at = self.last_at.max(*last);
            }
        }
    }

    /// How many rows it stands for.
    pub fn rows(&self) -> u64 {
        self.rows
    }

    /// The time of the last row.
    pub fn last_at(&self) -> SessionTime {
        self.last_at
    }

    /// Whether every block is one row: nothing is joined.
    pub fn is_exact(&self) -> bool {
        self.groups.iter().all(|group| group.rows_each == 1)
    }

    /// The channels that it has, in the order of the protocol file, each once.
    pub fn channels(&self) -> Vec<Channel> {
        let mut channels = Vec::new();
        for track in self.groups.iter().flat_map(|group| &group.columns) {
            if !channels.contains(&track.channel) {
                channels.push(track.channel);
            }
        }
        channels
    }

    /// What a plot of this range draws, for each of these channels: at most about `columns` bars in the order of time.
    ///
    /// Every value of the range is inside a bar between whose times it lies. A bar is no longer than a column, unless a
    /// single block is; a pause that is shorter than a column can lie inside one. The block in front of the range and the
    /// one behind it are there, too: lines reach the edges. Where a channel is told by several message kinds, their bars
    /// stand beside each other.
    pub fn bars(&self, channels: &[Channel], range: Range<SessionTime>, columns: u32) -> Vec<Vec<Bar>> {
        let mut all = vec![Vec::new(); channels.len()];
        let mut tellers = vec![0_u32; channels.len()];
        for group in &self.groups {
            let mut visits = None;
            for track in &group.columns {
                let Some(place) = channels.iter().position(|channel| *channel == track.channel) else { continue };
                let visits = visits.get_or_insert_with(|| group.visits(&range, columns));
                if let (Some(bars), Some(tellers)) = (all.get_mut(place), tellers.get_mut(place)) {
                    put_bars(visits, visits.iter().map(|visit| track.levels.slot(visit)), bars);
                    *tellers += 1;
                }
            }
        }
        for (bars, _) in all.iter_mut().zip(tellers).filter(|(_, tellers)| 1 < *tellers) {
            bars.sort_by_key(|bar| (bar.from, bar.to));
        }
        all
    }

    /// The same for several channels as one: the lowest and the highest of all of them, in one bar a column.
    pub fn envelope(&self, channels: &[Channel], range: Range<SessionTime>, columns: u32) -> Vec<Bar> {
        let (mut bars, mut groups) = (Vec::new(), 0);
        for group in &self.groups {
            let wanted = group.columns.iter().enumerate().filter(|(_, track)| channels.contains(&track.channel));
            let wanted: Vec<usize> = wanted.map(|(index, _)| index).collect();
            if wanted.is_empty() {
                continue;
            }
            let visits = group.visits(&range, columns);
            groups += 1;
            if let Some(union) = group.unions.iter().find(|union| union.of == wanted) {
                put_bars(&visits, visits.iter().map(|visit| union.levels.slot(visit)), &mut bars);
                continue;
            }
            let mut slots = vec![Slot::EMPTY; visits.len()];
            for track in wanted.iter().filter_map(|index| group.columns.get(*index)) {
                for (slot, visit) in slots.iter_mut().zip(&visits) {
                    *slot = slot.join(track.levels.slot(visit));
                }
            }
            put_bars(&visits, slots.into_iter(), &mut bars);
        }
        if 1 < groups { in_columns(bars, &range, columns) } else { bars }
    }

    /// The newest value of a channel at a time; `None` if it had none yet.
    pub fn at(&self, channel: Channel, time: SessionTime) -> Option<Known> {
        let of_group = |group: &Group| {
            let behind = group.blocks.partition_point(|block| block.from <= time.nanos);
            let tracks = group.columns.iter().filter(move |track| track.channel == channel);
            tracks.filter_map(move |track| group.last_value(track, behind)).max_by_key(|known| known.at)
        };
        self.groups.iter().filter_map(of_group).max_by_key(|known| known.at)
    }

    /// The time of the first row of a message kind with this channel strictly after (or, going back, before) a time.
    pub fn next_row(&self, channel: Channel, time: SessionTime, back: bool) -> Option<SessionTime> {
        let carries = |group: &&Group| group.columns.iter().any(|track| track.channel == channel);
        let rows = self.groups.iter().filter(carries).filter_map(|group| {
            let index = if back {
                group.blocks.partition_point(|block| block.from < time.nanos).checked_sub(1)?
            } else {
                group.blocks.partition_point(|block| block.from <= time.nanos)
            };
            group.blocks.get(index).map(|block| SessionTime::from_nanos(block.from))
        });
        if back { rows.max() } else { rows.min() }
    }
}

impl Group {
    fn push(&mut self, rows: &model::Rows) {
        // Blocks are cut first and then filled column by column: while a block is a row or a few, that is most of the work.
        let mut ends = std::mem::take(&mut self.ends);
        let (mut row, mut from, mut first) = (0, 0, self.blocks.len());
        while row < rows.at.len() {
            let goes_on = self.goes_on(rows, row);
            if !goes_on && BLOCKS <= self.blocks.len() {
                self.fill(rows, from, &ends, first);
                self.halve();
                ends.clear();
                from = row;
            }
            if ends.is_empty() {
                first = self.blocks.len().saturating_sub(goes_on.into());
            }
            row = self.take_rows(rows, row, goes_on);
            ends.push(row);
        }
        self.fill(rows, from, &ends, first);
        ends.clear();
        self.ends = ends;
    }

    /// Whether a row belongs to the last block.
    fn goes_on(&self, rows: &model::Rows, row: usize) -> bool {
        let at = rows.at.get(row).map_or(0, |at| at.nanos);
        let room = |last: &Block| last.rows < self.rows_each && at.saturating_sub(last.to) <= self.gap;
        self.blocks.last().is_some_and(room)
    }

    /// Puts rows from `row` on into the last block or a new one; returns where the next ones begin.
    fn take_rows(&mut self, rows: &model::Rows, row: usize, goes_on: bool) -> usize {
        let at = |row: usize| rows.at.get(row).map_or(0, |at| at.nanos);
        let bytes = |row: usize| rows.bytes.get(row).copied().unwrap_or(ByteRange { start: 0, end: 0 });
        if !goes_on {
            self.blocks.push(Block { from: at(row), to: at(row), bytes: bytes(row), rows: 0 });
        }
        let (gap, room) = (self.gap, self.rows_each);
        let Some(last) = self.blocks.last_mut() else { return rows.at.len() };
        let mut next = row;
        while next < rows.at.len() && last.rows < room && (next == row || at(next).saturating_sub(last.to) <= gap) {
            last.to = last.to.max(at(next));
            last.bytes.end = last.bytes.end.max(bytes(next).end);
            last.rows += 1;
            next += 1;
        }
        next
    }

    /// Puts the values of rows into their blocks: block `first` has those from row `from` to the first of `ends`, the next
    /// those to the next end, and so on.
    fn fill(&mut self, rows: &model::Rows, from: usize, ends: &[usize], first: usize) {
        for (track, column) in self.columns.iter_mut().zip(&rows.columns) {
            track.join(first, column, from, ends);
        }
        for Union { of, levels } in &mut self.unions {
            let of = of.iter().filter_map(|index| self.columns.get(*index)).map(|track| &track.levels);
            levels.unite(of, first, self.blocks.len());
        }
    }

    /// Joins neighbours with no gap between them. Where gaps leave too many, longer pauses are bridged.
    fn halve(&mut self) {
        loop {
            self.rows_each = self.rows_each.saturating_mul(2);
            let mut kept: Vec<(Block, Range<usize>)> = Vec::new();
            for (index, block) in self.blocks.iter().enumerate() {
                match kept.last_mut() {
                    Some((last, from))
                        if last.rows.saturating_add(block.rows) <= self.rows_each
                            && block.from.saturating_sub(last.to) <= self.gap =>
                    {
                        last.to = last.to.max(block.to);
                        last.bytes.end = last.bytes.end.max(block.bytes.end);
                        last.rows = last.rows.saturating_add(block.rows);
                        from.end = index + 1;
                    }
                    _ => kept.push((*block, index..index + 1)),
                }
            }
            let columns = self.columns.iter_mut().map(|track| &mut track.levels);
            for levels in columns.chain(self.unions.iter_mut().map(|union| &mut union.levels)) {
                levels.join_blocks(&kept);
            }
            self.blocks.clear();
            self.blocks.extend(kept.into_iter().map(|(block, _)| block));
            if self.blocks.len() <= BLOCKS * 3 / 4 {
                return;
            }
            self.gap = self.gap.saturating_mul(2);
        }
    }
}

/// An entry that a plot draws from, the same for every column of a group.
#[derive(Clone, Copy, Debug)]
struct Visit {
    level: usize,
    index: usize,
    from: u64,
    to: u64,
    /// It begins a new bar.
    new: bool,
    after_gap: bool,
}

impl Group {
    /// The entries of a range, as few as keep each bar inside its column.
    fn visits(&self, range: &Range<SessionTime>, columns: u32) -> Vec<Visit> {
        let (start, end) = (range.start.nanos, range.end.nanos.max(range.start.nanos.saturating_add(1)));
        let width = ((end - start) / u64::from(columns.max(1))).max(1);
        let column = |nanos: u64| nanos.saturating_sub(start) / width;
        let first = self.blocks.partition_point(|block| block.to < start).saturating_sub(1);
        let behind = (self.blocks.partition_point(|block| block.from < end) + 1).min(self.blocks.len());
        let complete = self.columns.first().map_or(&[][..], |track| &track.levels.0);
        let mut visits: Vec<Visit> = Vec::new();
        let mut last: Option<(u64, u64)> = None;
        let mut at = first;
        while at < behind {
            let (mut level, mut count) = (0, 1);
            // As high as it goes without leaving the column.
            loop {
                let wider = count * BRANCHING;
                let there = at % wider == 0
                    && at + wider <= behind
                    && complete.get(level + 1).is_some_and(|entries| at / wider < entries.len());
                let fits = || {
                    let ends = self.blocks.get(at).zip(self.blocks.get(at + wider - 1));
                    ends.is_some_and(|(one, other)| start <= one.from && column(one.from) == column(other.to))
                };
                if !there || !fits() {
                    break;
                }
                (level, count) = (level + 1, wider);
            }
            let Some((one, other)) = self.blocks.get(at).zip(self.blocks.get(at + count - 1)) else { break };
            let after_gap = last.is_some_and(|(_, to)| self.gap < one.from.saturating_sub(to));
            let outside = one.from < start || end <= one.from;
            let new =
                last.is_none_or(|(from, _)| from < start || column(from) != column(one.from)) || after_gap || outside;
            visits.push(Visit { level, index: at / count, from: one.from, to: other.to, new, after_gap });
            last = Some((one.from, other.to));
            at += count;
        }
        visits
    }

    /// The newest value of a column in the blocks before `behind`.
    fn last_value(&self, track: &Track, behind: usize) -> Option<Known> {
        let entries = track.levels.0.first()?.get(..behind)?;
        let index = entries.iter().rposition(|slot| slot.piece().is_some())?;
        let (block, piece) = (self.blocks.get(index)?, entries.get(index)?.piece()?);
        let (at, to) = (SessionTime::from_nanos(block.from), SessionTime::from_nanos(block.to));
        Some(Known { at, to, piece, rows: block.rows, bytes: block.bytes })
    }
}

impl Track {
    /// Takes values of blocks that follow each other, from block `first` on: the last one, or one behind it.
    fn join(&mut self, first: usize, column: &Column, from: usize, ends: &[usize]) {
        let Some(entries) = self.levels.0.first_mut() else { return };
        if entries.len() < first {
            entries.resize(first, Slot::EMPTY);
        }
        let mut known = if first < entries.len() { entries.pop() } else { None };
        entries.reserve(ends.len());
        column.extents(from, ends, &self.scale, |extent| {
            let slot = Slot::from(extent);
            entries.push(known.take().map_or(slot, |known| known.join(slot)));
        });
        // Without a run it stays as it was.
        entries.extend(known);
        self.levels.raise();
    }
}

impl Default for Levels {
    fn default() -> Self {
        Self(vec![Vec::new()])
    }
}

impl Levels {
    /// Takes the entries of these together, from block `first` on, which may have changed, to the last one.
    fn unite<'l>(&mut self, all: impl Iterator<Item = &'l Self>, first: usize, blocks: usize) {
        let Some(entries) = self.0.first_mut() else { return };
        entries.truncate(first);
        entries.resize(blocks, Slot::EMPTY);
        let united = entries.get_mut(first..).unwrap_or_default();
        for levels in all {
            let its = levels.0.first().and_then(|entries| entries.get(first..)).unwrap_or_default();
            for (slot, other) in united.iter_mut().zip(its) {
                *slot = slot.join(*other);
            }
        }
        self.raise();
    }

    /// Makes one entry of each of these ranges, which are all there are, in their order. Memory stays where it is.
    fn join_blocks(&mut self, kept: &[(Block, Range<usize>)]) {
        let Some((entries, above)) = self.0.split_first_mut() else { return };
        for (place, (_, from)) in kept.iter().enumerate() {
            let joined = entries.get(from.clone()).unwrap_or_default().iter().copied().fold(Slot::EMPTY, Slot::join);
            if let Some(entry) = entries.get_mut(place) {
                *entry = joined;
            }
        }
        entries.truncate(kept.len());
        above.iter_mut().for_each(Vec::clear);
        self.raise();
    }

    /// Adds the entries that have become complete. The last block never is: rows may still come to it.
    fn raise(&mut self) {
        let mut level = 0;
        let mut complete = self.0.first().map_or(0, |entries| entries.len().saturating_sub(1));
        while BRANCHING <= complete {
            if self.0.len() == level + 1 {
                self.0.push(Vec::new());
            }
            let Some((below, above)) = self.0.get_mut(level..).and_then(<[_]>::split_first_mut) else { return };
            let Some(above) = above.first_mut() else { return };
            let chunks = below.get(..complete).unwrap_or_default().chunks_exact(BRANCHING).skip(above.len());
            above.extend(chunks.map(|chunk| chunk.iter().copied().fold(Slot::EMPTY, Slot::join)));
            complete = above.len();
            level += 1;
        }
    }

    fn slot(&self, visit: &Visit) -> Slot {
        let entries = self.0.get(visit.level);
        entries.and_then(|entries| entries.get(visit.index)).copied().unwrap_or(Slot::EMPTY)
    }
}

/// The columns of each quantity that has several.
fn unions(columns: &[Track]) -> Vec<Union> {
    let mut all: Vec<(Quantity, Vec<usize>)> = Vec::new();
    for (index, track) in columns.iter().enumerate() {
        match all.iter_mut().find(|(quantity, _)| *quantity == track.channel.quantity) {
            Some((_, of)) => of.push(index),
            None => all.push((track.channel.quantity, vec![index])),
        }
    }
    let several = all.into_iter().filter(|(_, of)| 1 < of.len());
    several.map(|(_, of)| Union { of, levels: Levels::default() }).collect()
}

/// Bars of these visits, each with its values.
fn put_bars(visits: &[Visit], slots: impl Iterator<Item = Slot>, bars: &mut Vec<Bar>) {
    let mut open: Option<(Slot, u64, u64, bool)> = None;
    // A value that is absent breaks the line as a pause does.
    let mut broken = false;
    let mut close = |(slot, from, to, after_gap): (Slot, u64, u64, bool), broken: &mut bool| match slot.piece() {
        Some(piece) => {
            let (from, to) = (SessionTime::from_nanos(from), SessionTime::from_nanos(to));
            bars.push(Bar { from, to, piece, after_gap: after_gap || *broken });
            *broken = false;
        }
        None => *broken = true,
    };
    for (visit, slot) in visits.iter().zip(slots) {
        match &mut open {
            Some((known, _, to, _)) if !visit.new => {
                *known = known.join(slot);
                *to = visit.to;
            }
            _ => {
                if let Some(done) = open.replace((slot, visit.from, visit.to, visit.after_gap)) {
                    close(done, &mut broken);
                }
            }
        }
    }
    if let Some(done) = open {
        close(done, &mut broken);
    }
}

/// Bars of several message kinds, joined column by column. What stands in front of the range is in no column.
fn in_columns(mut bars: Vec<Bar>, range: &Range<SessionTime>, columns: u32) -> Vec<Bar> {
    let width = (range.end.nanos.saturating_sub(range.start.nanos) / u64::from(columns.max(1))).max(1);
    let column = |bar: &Bar| bar.from.nanos.saturating_sub(range.start.nanos) / width;
    bars.sort_by_key(|bar| bar.from);
    let mut joined: Vec<Bar> = Vec::new();
    for bar in bars {
        match joined.last_mut() {
            Some(last) if last.from == bar.from || (range.start <= last.from && column(last) == column(&bar)) => {
                last.to = last.to.max(bar.to);
                last.after_gap &= bar.after_gap;
                last.piece = last.piece.with(bar.piece);
            }
            _ => joined.push(bar),
        }
    }
    joined
}

#[cfg(test)]
mod tests {
    use super::*;
    use model::{ColumnLayout, KindLayout, Meaning, Raw, Rows, Scale, Unit, Values};
    use proptest::prelude::*;

    const CELLS: u16 = 3;

    fn layout() -> Layout {
        let scale = Conversion::Linear(Scale::of_unit(Unit::parse("mV").expect("a unit")));
        let column = |place| ColumnLayout {
            part: "cell".to_owned(),
            repeat: place,
            channel: Channel::at(Quantity::CellVoltage, place + 1),
            scale: scale.clone(),
            bits: 16,
            meaning: Meaning::Number,
            scan: None,
        };
        let kind = KindLayout {
            name: "cells".to_owned(),
            every: None,
            verified: true,
            columns: (0..CELLS).map(column).collect(),
        };
        Layout { protocol: "a test".to_owned(), kinds: vec![kind] }
    }

    type Row = (u64, [Option<i64>; CELLS as usize]);

    fn batch(rows: &[Row], first: u64) -> Batch {
        let mut made = Rows {
            columns: vec![model::Column::new(Values::for_integers(16, false)); CELLS.into()],
            ..Rows::default()
        };
        for (number, (millis, values)) in (first..).zip(rows) {
            made.at.push(SessionTime::from_millis(*millis));
            made.known_at.push(SessionTime::from_millis(*millis));
            made.bytes.push(ByteRange { start: number * 10, end: number * 10 + 10 });
            for (column, value) in made.columns.iter_mut().zip(values) {
                column.push(value.map(|value| Raw::Int(value.into())));
            }
        }
        Batch { kinds: vec![made], ..Batch::default() }
    }

    fn tracks(rows: &[Row], cuts: &[usize]) -> Tracks {
        let mut tracks = Tracks::new(&layout());
        let mut from = 0;
        for cut in cuts.iter().copied().chain([rows.len()]) {
            let to = cut.clamp(from, rows.len());
            tracks.push(&batch(&rows[from..to], from as u64));
            from = to;
        }
        tracks
    }

    fn rows() -> impl Strategy<Value = Vec<Row>> {
        let step = prop_oneof![30 => 1_u64..60, 1 => 1_000_u64..90_000];
        let value = prop::option::weighted(0.9, 0_i64..5_000);
        prop::collection::vec((step, [value.clone(), value.clone(), value]), 0..600).prop_map(|steps| {
            let mut at = 0;
            let rows = steps.into_iter().map(|(step, values)| {
                at += step;
                (at, values)
            });
            rows.collect()
        })
    }

    /// What any plot must keep: each value inside a bar of its time, each edge of a bar a value, no bar over a gap.
    fn holds(tracks: &Tracks, rows: &[Row], range: Range<u64>, columns: u32) -> Result<(), TestCaseError> {
        let channels: Vec<Channel> = (1..=CELLS).map(|place| Channel::at(Quantity::CellVoltage, place)).collect();
        let times = SessionTime::from_millis(range.start)..SessionTime::from_millis(range.end);
        let all = tracks.bars(&channels, times, columns);
        for (place, bars) in all.iter().enumerate() {
            let inside = |bar: &Bar| {
                let values = rows.iter().filter(|(at, _)| {
                    let at = SessionTime::from_millis(*at);
                    bar.from <= at && at <= bar.to
                });
                values.filter_map(|(_, values)| values[place]).map(|value| value * 1_000_000).collect::<Vec<i64>>()
            };
            for bar in bars {
                let values = inside(bar);
                prop_assert_eq!(values.iter().min(), Some(&bar.piece.lowest), "{:?}", bar);
                prop_assert_eq!(values.iter().max(), Some(&bar.piece.highest), "{:?}", bar);
            }
            for (at, values) in rows.iter().filter(|(at, _)| range.contains(at)) {
                let (at, Some(value)) = (SessionTime::from_millis(*at), values[place]) else { continue };
                let value = value * 1_000_000;
                let bar = bars.iter().find(|bar| bar.from <= at && at <= bar.to);
                prop_assert!(bar.is_some_and(|bar| bar.piece.lowest <= value && value <= bar.piece.highest));
            }
            for pair in bars.windows(2) {
                let [one, next] = pair else { continue };
                prop_assert!(one.to <= next.from);
                if 1_000 < (next.from.nanos - one.to.nanos) / 1_000_000 {
                    prop_assert!(next.after_gap, "{one:?} {next:?}");
                }
            }
            prop_assert!(bars.len() <= 3 + columns as usize + bars.iter().filter(|bar| bar.after_gap).count());
        }
        // All as one: what each of them has, and nothing else.
        let times = SessionTime::from_millis(range.start)..SessionTime::from_millis(range.end);
        for bar in tracks.envelope(&channels, times, columns) {
            let rows = rows.iter().filter(|(at, _)| {
                let at = SessionTime::from_millis(*at);
                bar.from <= at && at <= bar.to
            });
            let values: Vec<i64> =
                rows.flat_map(|(_, values)| values.iter().flatten()).map(|v| v * 1_000_000).collect();
            prop_assert_eq!(values.iter().min(), Some(&bar.piece.lowest));
            prop_assert_eq!(values.iter().max(), Some(&bar.piece.highest));
        }
        Ok(())
    }

    /// The cells as one are what they are one by one, on every level.
    fn is_united(tracks: &Tracks) -> bool {
        let group = &tracks.groups[0];
        let [Union { of, levels }] = group.unions.as_slice() else { return false };
        let mut anew = Levels::default();
        anew.unite(group.columns.iter().map(|track| &track.levels), 0, group.blocks.len());
        of.len() == group.columns.len() && *levels == anew
    }

    proptest! {
        #[test]
        fn nothing_is_drawn_away(
            rows in rows(),
            cuts in prop::collection::vec(0_usize..600, 0..9),
            (start, length) in (0_u64..20_000, 1_u64..90_000),
            columns in 1_u32..90,
        ) {
            let mut cuts = cuts;
            cuts.sort_unstable();
            let tracks = tracks(&rows, &cuts);
            prop_assert!(is_united(&tracks));
            holds(&tracks, &rows, start..start + length, columns)?;
            let whole = rows.last().map_or(1, |(at, _)| at + 1);
            holds(&tracks, &rows, 0..whole, columns)?;
            let (end, channel) = (start + length, Channel::at(Quantity::CellVoltage, 2));
            let before = rows.iter().rev().find(|(at, values)| *at <= end && values[1].is_some());
            let known = tracks.at(channel, SessionTime::from_millis(end));
            prop_assert_eq!(
                known.map(|known| (known.at, known.piece.lowest, known.rows)),
                before.map(|(at, values)| (SessionTime::from_millis(*at), values[1].unwrap_or(0) * 1_000_000, 1))
            );
            let next = rows.iter().find(|(at, _)| end < *at).map(|(at, _)| SessionTime::from_millis(*at));
            prop_assert_eq!(tracks.next_row(channel, SessionTime::from_millis(end), false), next);
            let back = rows.iter().rev().find(|(at, _)| *at < end).map(|(at, _)| SessionTime::from_millis(*at));
            prop_assert_eq!(tracks.next_row(channel, SessionTime::from_millis(end), true), back);
        }
    }

    #[test]
    fn a_long_session_stays_small_and_keeps_its_spike() {
        let count = BLOCKS as u64 * 5 + 123;
        let rows: Vec<Row> = (0..count)
            .map(|row| {
                let gap = row / 100_000 * 60_000;
                (row * 50 + gap, [Some(if row == 150_001 { 4_999 } else { 3_900 }), Some(3_901), None])
            })
            .collect();
        let tracks = tracks(&rows, &(1..400).map(|cut| cut * 997).collect::<Vec<_>>());
        assert!(tracks.groups[0].blocks.len() <= BLOCKS && BLOCKS / 3 <= tracks.groups[0].blocks.len());
        // How many rows come at once has no meaning.
        let one_by_one = self::tracks(&rows, &(1..rows.len()).collect::<Vec<_>>());
        for (one, other) in tracks.groups[0].columns.iter().zip(&one_by_one.groups[0].columns) {
            assert_eq!(one.levels, other.levels);
        }
        assert_eq!(tracks.groups[0].blocks, one_by_one.groups[0].blocks);
        assert!(is_united(&tracks) && is_united(&one_by_one));
        assert!(!tracks.is_exact() && tracks.rows() == count);
        let end = rows.last().map_or(0, |(at, _)| at + 1);
        let channels: Vec<Channel> = (1..=CELLS).map(|place| Channel::at(Quantity::CellVoltage, place)).collect();
        let bars = tracks.bars(&channels, SessionTime::ZERO..SessionTime::from_millis(end), 700);
        let spike = bars[0].iter().find(|bar| bar.piece.highest == 4_999_000_000).expect("it is there");
        let at = SessionTime::from_millis(150_001 * 50 + 60_000);
        assert!(spike.from <= at && at <= spike.to);
        assert_eq!(bars[0].iter().filter(|bar| bar.after_gap).count(), 3, "each pause is a gap");
        assert!(bars[0].len() <= 706 && bars[1].len() == bars[0].len() && bars[2].is_empty());
        let total: u64 = tracks.groups[0].blocks.iter().map(|block| u64::from(block.rows)).sum();
        assert_eq!(total, count);
    }

    #[test]
    fn pauses_alone_do_not_make_it_grow() {
        let rows: Vec<Row> = (0..BLOCKS as u64 * 3).map(|row| (row * 2_000, [Some(1), None, Some(2)])).collect();
        let tracks = tracks(&rows, &[5, 1_000, 70_000]);
        assert!(tracks.groups[0].blocks.len() <= BLOCKS);
        assert_eq!(tracks.groups[0].blocks.iter().map(|block| u64::from(block.rows)).sum::<u64>(), rows.len() as u64);
    }
}
