//! Frames of bytes: where they begin, how long they are, what checks them, and which kinds there are.

use std::ops::Range;
use std::time::Duration;

use model::SessionTime;
use parser::Wrapping;

use crate::capture::Capture;
use crate::checks::{self, Fit, Methods};
use crate::fields::{self, Field};
use crate::framing::{self, Length};
use crate::kinds;

/// Bytes that the structure is looked for in.
const WINDOW: usize = 160 * 1024;
/// Packets that must be whole before a line is taken as wrapped.
const LEAST_PACKETS: usize = 12;
/// Kinds of messages that a draft lists.
pub(crate) const MOST_KINDS: usize = 40;

/// How the bytes of a line are to be read.
#[derive(Clone, Debug)]
pub struct Layout {
    /// How packets are wrapped, if they are.
    pub wrapping: Option<Wrapping>,
    /// Whether escapes were seen, and all of them were right.
    pub escapes: usize,
    /// The bytes that each frame starts with.
    pub start: Vec<u8>,
    /// The bytes that each frame ends with, behind the checksum.
    pub end: Vec<u8>,
    /// What says how long a frame is.
    pub length: Length,
    /// What checks a frame, if anything was found.
    pub check: Option<Fit>,
    /// A checksum that fits all frames, but these are too few or too much alike to rule out luck.
    pub weak_check: Option<Fit>,
    /// Places of the bytes that tell the kinds apart.
    pub ids: Vec<usize>,
    /// Where the body begins.
    pub header: usize,
    /// Of the bytes looked at, those in frames of this shape.
    pub share: f64,
    /// A byte in front of the body that counts the frames.
    pub counter: Option<usize>,
    /// The kinds of messages.
    pub kinds: Vec<Kind>,
}

/// A kind of message.
#[derive(Clone, Debug)]
pub struct Kind {
    /// The values of the bytes at [`Layout::ids`].
    pub id: Vec<u8>,
    /// Frames of it that were looked at.
    pub frames: usize,
    /// Shortest and longest body.
    pub body: (usize, usize),
    /// How often it comes, where times are known.
    pub every: Option<Duration>,
    /// The sender seems to leave zeros at the end of the body out.
    pub cut_zeros: bool,
    /// The byte that goes through the checksum and is not sent.
    pub extra: Option<u8>,
    /// The parts of the body.
    pub fields: Vec<Field>,
}

/// A frame as it came, unwrapped.
#[derive(Clone, Debug)]
pub(crate) struct Frame {
    pub(crate) bytes: Vec<u8>,
    pub(crate) span: Range<usize>,
    pub(crate) at: SessionTime,
}

struct Candidate {
    wrapping: Option<Wrapping>,
    escapes: usize,
    length: Length,
    frames: Vec<(Range<usize>, Vec<u8>)>,
    share: f64,
    fit: Option<Fit>,
    /// Of the frames, those that begin with a read.
    on_reads: usize,
}

impl Candidate {
    /// Of all bytes, those in frames that the checksum fits, in hundredths.
    fn good(&self) -> i64 {
        (self.permille() + 5) / 10
    }

    /// The same in thousandths.
    fn permille(&self) -> i64 {
        let right = self.fit.as_ref().map_or(1.0, |fit| fit.right as f64 / fit.asked.max(1) as f64);
        (self.share * right * 1000.0).round() as i64
    }

    fn sure(&self) -> bool {
        self.fit.as_ref().is_some_and(Fit::is_sure)
    }

    fn behind(&self) -> usize {
        self.fit.as_ref().map_or(0, |fit| fit.place.behind)
    }

    /// Whether the wrapping itself was seen at work, or would have to be absent by luck.
    fn wrapped_for_sure(&self) -> bool {
        let check_bytes = self.fit.as_ref().map_or(0, |fit| fit.bytes) * self.frames.len();
        self.wrapping.is_some_and(|wrapping| {
            matches!(wrapping, Wrapping::Cobs | Wrapping::Hex { .. }) || 0 < self.escapes || 768 <= check_bytes
        })
    }
}

/// The layout of the line and its frames, if there is one.
pub(crate) fn find(capture: &Capture, methods: &Methods) -> Option<(Layout, Vec<Frame>)> {
    let all = capture.bytes();
    let window = all.get(..WINDOW).unwrap_or(all);
    if let Some(found) = find_in(capture, methods, window, 0) {
        return Some(found);
    }
    // The beginning can be what came before the line was up.
    let from = all.len() / 2;
    let window = all.get(from..all.len().min(from + WINDOW))?;
    if WINDOW < all.len() { find_in(capture, methods, window, from) } else { None }
}

fn find_in(capture: &Capture, methods: &Methods, bytes: &[u8], from: usize) -> Option<(Layout, Vec<Frame>)> {
    let mut candidates: Vec<Candidate> = Vec::new();
    let text = crate::text::is_text(bytes);
    let wrappings = [Wrapping::Hex { start: b':' }, Wrapping::Cobs, Wrapping::Slip, Wrapping::Hdlc];
    for wrapping in wrappings.into_iter().take(if text { 1 } else { 4 }) {
        candidates.extend(wrapped(bytes, wrapping));
    }
    // A line of prose that comes again and again is no frame.
    let framings = if text { Vec::new() } else { framing::framings(bytes) };
    for framing in framings {
        let frames = framing.spans.iter().filter_map(|span| Some((span.clone(), bytes.get(span.clone())?.to_vec())));
        candidates.push(Candidate {
            wrapping: None,
            escapes: 0,
            length: framing.length,
            frames: frames.collect(),
            share: framing.share,
            fit: None,
            on_reads: 0,
        });
    }
    let count = candidates.len();
    let reads = read_starts(capture, from, bytes.len());
    for candidate in &mut candidates {
        let frames: Vec<&[u8]> = candidate.frames.iter().map(|(_, frame)| frame.as_slice()).collect();
        candidate.fit = checks::find(methods, &frames, count);
        candidate.on_reads = candidate.frames.iter().filter(|(span, _)| reads.contains(&span.start)).count();
    }
    if !candidates.iter().any(Candidate::sure) {
        // A byte that is not sent may go through it.
        for candidate in candidates.iter_mut().take(8) {
            let frames: Vec<&[u8]> = candidate.frames.iter().map(|(_, frame)| frame.as_slice()).collect();
            let skip = size_places(&candidate.length);
            for at in kinds::ids(&frames, 1, 2, &skip) {
                if candidate.fit.as_ref().is_none_or(|fit| !fit.is_sure()) {
                    candidate.fit = checks::find_seeded(methods, &frames, at, count).or(candidate.fit.take());
                }
            }
        }
    }
    let best = without_end(choose(candidates)?, bytes, &reads);
    Some(lay_out(capture, methods, best, from))
}

/// Where reads begin in the window: with the pause in front of a frame, if it was not cut elsewhere.
fn read_starts(capture: &Capture, from: usize, len: usize) -> std::collections::BTreeSet<usize> {
    let mut starts = std::collections::BTreeSet::new();
    if !capture.is_timed() {
        return starts;
    }
    let mut at = 0;
    for (_, bytes) in capture.reads() {
        if from <= at && at < from + len {
            starts.insert(at - from);
        }
        at += bytes.len();
    }
    starts
}

/// Bytes that always stand behind the checksum can as well be the first ones of the next frame's start: they are,
/// unless reads begin behind them.
fn without_end(mut best: Candidate, bytes: &[u8], reads: &std::collections::BTreeSet<usize>) -> Candidate {
    let behind = best.behind();
    let told_behind = match &mut best.length {
        Length::Fixed(_) => true,
        Length::Size { at, .. } | Length::ByKind { at, .. } => {
            *at += behind;
            true
        }
        Length::Packet => false,
    };
    if behind == 0 || !told_behind {
        return best;
    }
    let end: Vec<u8> =
        best.frames.first().map_or(Vec::new(), |(_, frame)| frame.iter().rev().take(behind).rev().copied().collect());
    let moved: Vec<(Range<usize>, Vec<u8>)> = best
        .frames
        .iter()
        .filter_map(|(span, _)| {
            let span = span.start.checked_sub(behind)?..span.end - behind;
            Some((span.clone(), bytes.get(span)?.to_vec()))
        })
        .filter(|(_, frame)| frame.starts_with(&end))
        .collect();
    let on_reads = moved.iter().filter(|(span, _)| reads.contains(&span.start)).count();
    // Half of the reads may begin anywhere.
    if moved.len() * 10 < best.frames.len() * 9 || on_reads * 2 < best.on_reads {
        if let Length::Size { at, .. } | Length::ByKind { at, .. } = &mut best.length {
            *at -= behind;
        }
        return best;
    }
    if let Some(fit) = &mut best.fit {
        for place in std::iter::once(&mut fit.place).chain(&mut fit.equal) {
            place.first += behind;
            place.behind = place.behind.saturating_sub(behind);
        }
    }
    best.frames = moved;
    best.on_reads = on_reads;
    best
}

fn size_places(length: &Length) -> Vec<usize> {
    match length {
        Length::Size { at, bytes, .. } => (*at..at + bytes).collect(),
        Length::Fixed(_) | Length::ByKind { .. } | Length::Packet => Vec::new(),
    }
}

fn wrapped(bytes: &[u8], wrapping: Wrapping) -> Option<Candidate> {
    let mut frames = Vec::new();
    let (mut right, mut wrong, mut escapes, mut covered) = (0, 0, 0, 0);
    let mut at = 0;
    let mut packet = Vec::new();
    for (index, line) in bytes.split_inclusive(|byte| wrapping.ends(*byte)).enumerate() {
        let span = at..at + line.len();
        at = span.end;
        let ended = line.last().is_some_and(|last| wrapping.ends(*last));
        if !ended || index == 0 {
            continue;
        }
        match wrapping.unwrap(line, &mut packet) {
            Some(()) if packet.is_empty() => covered += line.len(),
            Some(()) if 3 <= packet.len() && packet.len() <= 1100 => {
                right += 1;
                covered += line.len();
                escapes += match wrapping {
                    Wrapping::Slip | Wrapping::Hdlc => line.len() - 1 - packet.len(),
                    Wrapping::Cobs | Wrapping::Hex { .. } => 0,
                };
                frames.push((span, packet.clone()));
            }
            _ => wrong += 1,
        }
    }
    if right < LEAST_PACKETS || right < 4 * wrong {
        return None;
    }
    let share = covered as f64 / bytes.len() as f64;
    Some(Candidate { wrapping: Some(wrapping), escapes, length: Length::Packet, frames, share, fit: None, on_reads: 0 })
}

/// The candidate that explains most: with a checksum that is no luck before all others.
fn choose(candidates: Vec<Candidate>) -> Option<Candidate> {
    if candidates.iter().any(Candidate::sure) {
        let sure = || candidates.iter().filter(|candidate| candidate.sure());
        let good = sure().map(Candidate::good).max()?;
        // A little less is the same: the first and the last frame, and what was damaged where.
        let near = |candidate: &&Candidate| candidate.sure() && good - 2 <= candidate.good();
        // Two frames glued together recur as well, and the checksum of the second one fits.
        let most = candidates.iter().filter(near).map(|candidate| candidate.frames.len()).max()?;
        // A byte of the start that is the end of a packet by chance cuts some frames in the middle.
        let plain_good = sure().filter(|candidate| candidate.wrapping.is_none()).map(Candidate::permille).max();
        let key = |candidate: &Candidate| {
            let whole = 0 < candidate.escapes || plain_good.is_none_or(|good| good <= candidate.permille() + 2);
            let wrapped =
                candidate.wrapping.is_some() && candidate.wrapped_for_sure() && whole && candidate.behind() == 0;
            let unsure = candidate.wrapping.is_some() && !wrapped;
            let on_reads = candidate.on_reads * 4 / candidate.frames.len().max(1);
            let luck = candidate.fit.as_ref().map_or(0, |fit| fit.luck_bits as i64);
            // A kind byte further behind is one of the values.
            let plain = match candidate.length {
                Length::Fixed(_) | Length::Packet => 100,
                Length::Size { at, .. } => 99_usize.saturating_sub(at),
                Length::ByKind { at, .. } => 50_usize.saturating_sub(at),
            };
            let many = most * 3 <= candidate.frames.len() * 4;
            let behind = std::cmp::Reverse(candidate.behind());
            (wrapped, !unsure, many, on_reads, behind, plain, candidate.good(), luck)
        };
        let best = candidates.iter().enumerate().filter(|(_, one)| near(one)).max_by_key(|(_, one)| key(one))?.0;
        return candidates.into_iter().nth(best);
    }
    // Without one the frames must follow each other nearly without a gap, and say more than chance could.
    let shaped = |candidate: &Candidate| match candidate.wrapping {
        Some(Wrapping::Hdlc) => false,
        // Noise has such ends, too, and packets of all lengths between them.
        Some(_) => 0.8 <= in_few_lengths(candidate),
        None => different_enough(candidate) && 10 <= candidate.frames.len() && 0.7 <= candidate.share,
    };
    let key = |candidate: &Candidate| {
        let likely = candidate.fit.as_ref().map_or(0, |fit| (fit.luck_bits.max(0.0) / 4.0) as i64);
        let on_reads = candidate.on_reads * 4 / candidate.frames.len().max(1);
        let wrapped = candidate.wrapping.is_some() && candidate.wrapped_for_sure();
        let fixed = !matches!(candidate.length, Length::ByKind { .. });
        let share = (candidate.share * 25.0) as i64;
        (wrapped, likely, share, fixed, on_reads, constant_prefix(candidate), candidate.frames.len())
    };
    candidates.into_iter().filter(shaped).max_by_key(key)
}

/// The same bytes again and again are a pattern, and no frames that tell something.
fn different_enough(candidate: &Candidate) -> bool {
    let checked = candidate.fit.as_ref().is_some_and(|fit| checks::LIKELY_BITS <= fit.luck_bits);
    let frames: std::collections::BTreeSet<&[u8]> =
        candidate.frames.iter().map(|(_, frame)| frame.as_slice()).take(2000).collect();
    checked || 8 <= frames.len()
}

/// Of all frames, the share of those that have one of the four most frequent lengths.
fn in_few_lengths(candidate: &Candidate) -> f64 {
    let mut lengths: Vec<usize> = candidate.frames.iter().map(|(_, frame)| frame.len()).collect();
    lengths.sort_unstable();
    let mut counts: Vec<usize> = lengths.chunk_by(|one, two| one == two).map(<[usize]>::len).collect();
    counts.sort_unstable();
    counts.iter().rev().take(4).sum::<usize>() as f64 / lengths.len().max(1) as f64
}

fn constant_prefix(candidate: &Candidate) -> usize {
    let frames: Vec<&[u8]> = candidate.frames.iter().map(|(_, frame)| frame.as_slice()).collect();
    prefix(&frames).min(4)
}

/// How many bytes at the beginning are the same in nearly all frames.
fn prefix(frames: &[&[u8]]) -> usize {
    let Some(model) = frames.get(frames.len() / 2) else { return 0 };
    let shortest = frames.iter().map(|frame| frame.len()).min().unwrap_or(0);
    (0..shortest).take_while(|at| frames.iter().all(|frame| frame.get(*at) == model.get(*at))).count()
}

fn lay_out(capture: &Capture, methods: &Methods, mut best: Candidate, from: usize) -> (Layout, Vec<Frame>) {
    seed_the_still(methods, &mut best);
    let (fit, weak) = match best.fit {
        Some(fit) if fit.luck_bits < checks::LIKELY_BITS => (None, Some(fit)),
        fit => (fit, None),
    };
    let seed = |frame: &[u8], fit: &Fit, ids: Option<usize>| -> Option<Option<u8>> {
        if fit.extra.is_empty() {
            return Some(None);
        }
        let value = *frame.get(ids?)?;
        let (_, seed) = fit.extra.iter().find(|(kind, _)| *kind == value)?;
        seed.map(Some)
    };
    let seeded_at = fit.as_ref().filter(|fit| !fit.extra.is_empty()).and_then(|_| {
        let frames: Vec<&[u8]> = best.frames.iter().map(|(_, frame)| frame.as_slice()).collect();
        kinds::ids(&frames, 1, 2, &size_places(&best.length)).first().copied()
    });
    let is_good = |frame: &[u8]| match &fit {
        None => true,
        Some(fit) => methods.get(&fit.place.method).is_some_and(|checksum| match seed(frame, fit, seeded_at) {
            None => false,
            Some(None) => checks::fits(checksum, &fit.place, frame, &[]),
            Some(Some(seed)) => checks::fits(checksum, &fit.place, frame, &[seed]),
        }),
    };
    let wrapped = best.wrapping.is_some();
    let frames: Vec<Frame> = best
        .frames
        .into_iter()
        .filter(|(_, bytes)| is_good(bytes))
        .map(|(span, bytes)| {
            let span = from + span.start..from + span.end;
            let at = capture.time_of(span.end - 1);
            Frame { bytes, span, at }
        })
        .collect();
    let views: Vec<&[u8]> = frames.iter().map(|frame| frame.bytes.as_slice()).collect();
    let same = prefix(&views);
    let first = fit.as_ref().map_or(0, |fit| fit.place.first);
    let start_len = match &fit {
        _ if wrapped => 0,
        // The checksum begins behind the start, as a rule; where it covers all, two bytes mark a frame well.
        Some(_) if 0 < first && first <= same => first,
        Some(_) => same.min(2),
        None => same.min(4),
    };
    let behind = fit.as_ref().map_or(0, |fit| fit.place.behind);
    let trailer = behind + fit.as_ref().map_or(0, |fit| fit.bytes);
    let skip = size_places(&best.length);
    let mut ids = match (&best.length, seeded_at) {
        (_, Some(at)) => vec![at],
        (Length::ByKind { at, .. }, None) => {
            let mut ids = kinds::ids(&views, start_len, trailer, &skip);
            if !ids.contains(at) {
                ids.push(*at);
            }
            ids
        }
        (_, None) => kinds::ids(&views, start_len, trailer, &skip),
    };
    ids.sort_unstable();
    let start_len =
        start_len.min(ids.first().copied().unwrap_or(usize::MAX)).min(skip.first().copied().unwrap_or(usize::MAX));
    let model = views.get(views.len() / 2).copied().unwrap_or(&[]);
    let start = model.get(..start_len).unwrap_or(&[]).to_vec();
    let end = model.get(model.len().saturating_sub(behind)..).unwrap_or(&[]).to_vec();
    let shortest = views.iter().map(|frame| frame.len()).min().unwrap_or(0);
    let header = [start_len, first, ids.last().map_or(0, |at| at + 1), skip.last().map_or(0, |at| at + 1)];
    // What the size does not count stands in front of the body.
    let uncounted = match best.length {
        Length::Size { plus, .. } => plus.saturating_sub(trailer),
        Length::Fixed(_) | Length::ByKind { .. } | Length::Packet => 0,
    };
    let header = header.into_iter().max().unwrap_or(0).max(uncounted).min(shortest.saturating_sub(trailer));
    let counter = (start_len..header).filter(|at| !ids.contains(at) && !skip.contains(at)).find(|at| {
        let values: Vec<u8> = views.iter().filter_map(|frame| frame.get(*at).copied()).collect();
        let steps = values.windows(2).filter(|pair| matches!(pair, [one, two] if one.wrapping_add(1) == *two)).count();
        8 < values.len() && values.len() * 8 < steps * 10
    });
    let mut layout = Layout {
        wrapping: best.wrapping,
        escapes: best.escapes,
        start,
        end,
        length: best.length,
        check: fit,
        weak_check: weak,
        ids,
        header,
        share: best.share,
        counter,
        kinds: Vec::new(),
    };
    if let Length::ByKind { at, lengths } = &mut layout.length {
        // What was taken for a kind on the way.
        lengths.retain(|(value, length)| {
            frames.iter().any(|frame| frame.bytes.get(*at) == Some(value) && frame.bytes.len() == *length)
        });
    }
    let groups = group(&layout, &frames);
    layout.kinds = groups.iter().map(|(id, rows)| kind(&layout, capture, &frames, id, rows)).collect();
    fields::name(&mut layout, &frames, &groups, trailer, capture.is_timed());
    (layout, frames)
}

/// A kind whose frames never change has a byte, too, that makes its checksum right. Once in 256 that is luck.
fn seed_the_still(methods: &Methods, best: &mut Candidate) {
    let Some(fit) = best.fit.as_mut().filter(|fit| fit.extra.iter().any(|(_, seed)| seed.is_none())) else { return };
    let frames: Vec<&[u8]> = best.frames.iter().map(|(_, frame)| frame.as_slice()).collect();
    let Some(at) = kinds::ids(&frames, 1, 2, &size_places(&best.length)).first().copied() else { return };
    let Some(checksum) = methods.get(&fit.place.method) else { return };
    for (kind, seed) in fit.extra.iter_mut().filter(|(_, seed)| seed.is_none()) {
        let of_kind: Vec<&[u8]> = frames.iter().copied().filter(|frame| frame.get(at) == Some(kind)).collect();
        let again = |frame: &&&[u8]| of_kind.iter().filter(|other| **other == **frame).count();
        let Some(usual) = of_kind.iter().max_by_key(again).filter(|usual| 3 <= again(usual)) else { continue };
        *seed = (0..=255).find(|seed| checks::fits(checksum, &fit.place, usual, &[*seed]));
    }
}

/// The frames of each kind, by the values of its ids; the most frequent kinds if there are too many.
pub(crate) type Groups = Vec<(Vec<u8>, Vec<usize>)>;

fn group(layout: &Layout, frames: &[Frame]) -> Groups {
    let mut groups: Groups = Vec::new();
    let by_length = layout.ids.is_empty() && matches!(layout.length, Length::Size { .. } | Length::Packet);
    for (index, frame) in frames.iter().enumerate() {
        let id: Vec<u8> = layout.ids.iter().filter_map(|at| frame.bytes.get(*at).copied()).collect();
        let same = |(known, rows): &&mut (Vec<u8>, Vec<usize>)| {
            let first = rows.first().and_then(|row| frames.get(*row)).map_or(0, |frame| frame.bytes.len());
            *known == id && (!by_length || first == frame.bytes.len())
        };
        match groups.iter_mut().find(same) {
            Some((_, rows)) => rows.push(index),
            None => groups.push((id, vec![index])),
        }
    }
    if by_length && 8 < groups.len() {
        let mut rows: Vec<usize> = groups.into_iter().flat_map(|(_, rows)| rows).collect();
        rows.sort_unstable();
        return vec![(Vec::new(), rows)];
    }
    if MOST_KINDS < groups.len() {
        groups.sort_by_key(|(_, rows)| std::cmp::Reverse(rows.len()));
        groups.truncate(MOST_KINDS);
    }
    let length = |rows: &[usize]| rows.first().and_then(|row| frames.get(*row)).map_or(0, |frame| frame.bytes.len());
    groups.sort_by(|(one, a), (two, b)| one.cmp(two).then(length(a).cmp(&length(b))));
    groups
}

fn kind(layout: &Layout, capture: &Capture, frames: &[Frame], id: &[u8], rows: &[usize]) -> Kind {
    let trailer = layout.end.len() + layout.check.as_ref().map_or(0, |fit| fit.bytes);
    let bodies: Vec<&[u8]> = rows
        .iter()
        .filter_map(|row| frames.get(*row))
        .filter_map(|frame| body(layout, trailer, &frame.bytes))
        .collect();
    let shortest = bodies.iter().map(|body| body.len()).min().unwrap_or(0);
    let longest = bodies.iter().map(|body| body.len()).max().unwrap_or(0);
    let ends_in_zero = bodies.iter().any(|body| 1 < body.len() && body.last() == Some(&0));
    let mut lengths: Vec<usize> = bodies.iter().map(|body| body.len()).collect();
    lengths.sort_unstable();
    lengths.dedup();
    let seeded = layout.check.as_ref().is_some_and(|fit| !fit.extra.is_empty());
    let cut_zeros = matches!(layout.length, Length::Size { .. } | Length::Packet)
        && !ends_in_zero
        && (2 <= lengths.len() || seeded);
    let extra = layout
        .check
        .as_ref()
        .and_then(|fit| fit.extra.iter().find(|(value, _)| id.first() == Some(value)))
        .and_then(|(_, seed)| *seed);
    let times: Vec<SessionTime> = rows.iter().filter_map(|row| frames.get(*row)).map(|frame| frame.at).collect();
    let every = if capture.is_timed() { period(&times) } else { None };
    Kind { id: id.to_vec(), frames: rows.len(), body: (shortest, longest), every, cut_zeros, extra, fields: Vec::new() }
}

/// The bytes between what stands around the body.
pub(crate) fn body<'f>(layout: &Layout, trailer: usize, frame: &'f [u8]) -> Option<&'f [u8]> {
    frame.get(layout.header..frame.len().checked_sub(trailer)?)
}

/// How often something comes: the mean between its quarters, so that a pause or a lost frame does little; rounded where
/// a round time is as good.
pub(crate) fn period(times: &[SessionTime]) -> Option<Duration> {
    if times.len() < 5 {
        return None;
    }
    let mut steps: Vec<u64> = times
        .windows(2)
        .filter_map(|pair| match pair {
            [one, two] => Some(two.nanos.saturating_sub(one.nanos)),
            _ => None,
        })
        .collect();
    steps.sort_unstable();
    let middle = steps.get(steps.len() / 4..steps.len() - steps.len() / 4)?;
    let mean = middle.iter().sum::<u64>() / middle.len().max(1) as u64;
    let millis = mean as f64 / 1e6;
    let round = [1000.0, 500.0, 100.0, 50.0, 20.0, 10.0, 5.0, 1.0];
    let near = round
        .iter()
        .map(|step| (millis / step).round() * step)
        .find(|near| 0.0 < *near && (near - millis).abs() < 0.03 * millis);
    let millis = near.unwrap_or_else(|| millis.round());
    (0.5 <= millis).then(|| Duration::from_millis(millis as u64))
}
