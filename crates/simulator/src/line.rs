//! Frames on a serial line in virtual time, with the damage that a line does.

use std::time::Duration;

use model::{ColumnLayout, Layout, LineSettings, SessionTime};

use crate::bms::Bms;
use crate::fault::{Fault, FaultKind};
use crate::noise::Noise;
use crate::power_up::PowerUp;
use crate::scene::Scene;

/// Turns values into the bytes of one frame: what a protocol file's encoder does.
pub trait FrameMaker {
    /// The message kinds and their columns.
    fn layout(&self) -> &Layout;

    /// How the line is set.
    fn line(&self) -> LineSettings;

    /// Appends one frame of the message kind at `kind` in the layout.
    ///
    /// `value` is asked for each column and answers in billionths of the base unit, or with a plain number for words of
    /// bits, states and counters; `None` where there is no such value.
    fn frame(&self, kind: usize, value: &mut dyn FnMut(&ColumnLayout) -> Option<i64>, out: &mut Vec<u8>);
}

impl<M: FrameMaker + ?Sized> FrameMaker for &M {
    fn layout(&self) -> &Layout {
        (**self).layout()
    }

    fn line(&self) -> LineSettings {
        (**self).line()
    }

    fn frame(&self, kind: usize, value: &mut dyn FnMut(&ColumnLayout) -> Option<i64>, out: &mut Vec<u8>) {
        (**self).frame(kind, value, out);
    }
}

impl<M: FrameMaker + ?Sized> FrameMaker for Box<M> {
    fn layout(&self) -> &Layout {
        (**self).layout()
    }

    fn line(&self) -> LineSettings {
        (**self).line()
    }

    fn frame(&self, kind: usize, value: &mut dyn FnMut(&ColumnLayout) -> Option<i64>, out: &mut Vec<u8>) {
        (**self).frame(kind, value, out);
    }
}

/// The most bytes that arrive as one piece.
pub const PIECE_BYTES: usize = 32;

/// A frame as it comes out of the line.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Telegram {
    /// When its first bit is sent.
    pub at: SessionTime,
    /// The message kind, as the layout counts.
    pub kind: usize,
    /// The bytes with their damage; empty where a fault keeps the BMS silent.
    pub bytes: Vec<u8>,
}

/// All frames of a scene in the order in which they are sent, without end unless the port is unplugged or an end is set.
///
/// Each message kind is due at the multiples of its period (100 ms if the layout does not say), those due together in the
/// layout's order. A frame waits while the line is busy and carries what is measured when it starts; a kind that has
/// fallen a whole period behind leaves out what it missed.
#[derive(Clone, Debug)]
pub struct Telegrams<M> {
    maker: M,
    line: LineSettings,
    power_up: PowerUp,
    bms: Bms,
    faults: Vec<Fault>,
    noise: Noise,
    kinds: Vec<Kind>,
    free_at: SessionTime,
    end: Option<SessionTime>,
    unplugged_at: Option<SessionTime>,
    sent: u64,
}

#[derive(Clone, Debug)]
struct Kind {
    due: SessionTime,
    every: Duration,
    /// When the last frame began: of those due together, the one that waits longest goes first.
    sent_at: SessionTime,
    /// The last frame as it was made, for a BMS that repeats it.
    last: Vec<u8>,
}

/// Channels of chance, apart from those of the pack and the BMS.
const FLIP_CHANCE: u64 = 0x10_0000;
const LOSS_CHANCE: u64 = 0x10_0001;
const BIT_CHANCE: u64 = 0x10_0002;

/// No period is shorter.
const SHORTEST_PERIOD: Duration = Duration::from_millis(1);
const USUAL_PERIOD: Duration = Duration::from_millis(100);

impl<M: FrameMaker> Telegrams<M> {
    /// The beginning of a scene.
    pub fn new(scene: &Scene, faults: &[Fault], maker: M) -> Self {
        let kinds = maker.layout().kinds.iter().map(|kind| Kind {
            due: SessionTime::ZERO,
            every: kind.every.unwrap_or(USUAL_PERIOD).max(SHORTEST_PERIOD),
            sent_at: SessionTime::ZERO,
            last: Vec::new(),
        });
        let unplugs = faults.iter().filter(|fault| fault.kind == FaultKind::Unplug);
        Self {
            kinds: kinds.collect(),
            line: maker.line(),
            maker,
            power_up: PowerUp::new(scene, faults),
            bms: Bms::new(scene, faults),
            faults: faults.to_vec(),
            noise: Noise::new(scene.seed),
            free_at: SessionTime::ZERO,
            end: None,
            unplugged_at: unplugs.map(|fault| fault.at).min(),
            sent: 0,
        }
    }

    /// The same with an end: no frame starts later.
    #[must_use]
    pub fn until(mut self, end: SessionTime) -> Self {
        self.end = Some(end);
        self
    }

    /// How the line is set.
    pub fn line(&self) -> LineSettings {
        self.line
    }

    /// When the port disappears, if it does.
    pub fn unplugged_at(&self) -> Option<SessionTime> {
        self.unplugged_at
    }

    fn fault(&self, kind: FaultKind, at: SessionTime) -> Option<&Fault> {
        self.faults.iter().find(|fault| fault.kind == kind && fault.active(at))
    }

    /// The frame as the BMS sends it.
    fn make(&mut self, index: usize, at: SessionTime) -> Vec<u8> {
        if self.fault(FaultKind::FrozenFrame, at).is_some()
            && let Some(kind) = self.kinds.get(index)
            && !kind.last.is_empty()
        {
            return kind.last.clone();
        }
        while self.bms.next_scan() <= at {
            self.power_up.advance_to(self.bms.next_scan());
            self.bms.scan(&self.power_up);
        }
        self.bms.begin_frame(index, at);
        let mut bytes = Vec::new();
        let bms = &self.bms;
        self.maker.frame(index, &mut |column| bms.value(column), &mut bytes);
        if let Some(kind) = self.kinds.get_mut(index) {
            kind.last.clone_from(&bytes);
        }
        bytes
    }

    /// The share of bytes in which a fault flips a bit now.
    fn flips(&self, fault: &Fault) -> f64 {
        let follows = match fault.kind {
            FaultKind::FlippedBits => 1.0,
            FaultKind::InterferenceWithBus => self.power_up.bus().volts() / self.power_up.pack().volts().max(1.0),
            FaultKind::InterferenceWithCurrent => {
                self.power_up.pack().amperes().abs() / self.power_up.pack().ampere_hours().max(1e-9)
            }
            _ => 0.0,
        };
        fault.damage_share() * follows.clamp(0.0, 1.0)
    }

    /// Flips bits and loses bytes.
    fn damage(&self, at: SessionTime, bytes: &mut Vec<u8>) {
        // Each byte of the session has an index of its own, whatever happened before.
        let index = |place: usize| self.sent.wrapping_mul(1 << 20).wrapping_add(place as u64);
        let flipped: f64 = self.faults.iter().filter(|fault| fault.active(at)).map(|fault| self.flips(fault)).sum();
        if 0.0 < flipped {
            for (place, byte) in bytes.iter_mut().enumerate() {
                if self.noise.share(FLIP_CHANCE, index(place)) < flipped {
                    *byte ^= 1 << (self.noise.bits(BIT_CHANCE, index(place)) % 8);
                }
            }
        }
        if let Some(fault) = self.fault(FaultKind::LostBytes, at) {
            let mut place = 0;
            bytes.retain(|_| {
                place += 1;
                fault.damage_share() <= self.noise.share(LOSS_CHANCE, index(place - 1))
            });
        }
    }
}

impl<M: FrameMaker> Iterator for Telegrams<M> {
    type Item = Telegram;

    fn next(&mut self) -> Option<Telegram> {
        let (index, kind) = self.kinds.iter_mut().enumerate().min_by_key(|(_, kind)| (kind.due, kind.sent_at))?;
        let at = kind.due.max(self.free_at);
        if self.end.is_some_and(|end| end < at) || self.unplugged_at.is_some_and(|gone| gone <= at) {
            return None;
        }
        kind.sent_at = at;
        let missed = at.since(kind.due).as_nanos() / kind.every.as_nanos();
        kind.due = kind.due + kind.every.saturating_mul(u32::try_from(missed).unwrap_or(u32::MAX)) + kind.every;

        if self.fault(FaultKind::SilentLine, at).is_some() {
            return Some(Telegram { at, kind: index, bytes: Vec::new() });
        }
        let mut bytes = self.make(index, at);
        self.free_at = at + self.line.time_of(bytes.len() as u64);
        self.damage(at, &mut bytes);
        self.sent = self.sent.wrapping_add(1);
        Some(Telegram { at, kind: index, bytes })
    }
}

/// Bytes that arrive together.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Piece {
    /// When the last of them is there.
    pub at: SessionTime,
    /// Between one byte and [`PIECE_BYTES`]; none where the BMS is silent, so that time goes on.
    pub bytes: Vec<u8>,
}

/// The frames of a scene cut into pieces, each stamped with the arrival of its last byte.
#[derive(Clone, Debug)]
pub struct ByteStream<M> {
    telegrams: Telegrams<M>,
    current: Telegram,
    taken: usize,
}

impl<M: FrameMaker> ByteStream<M> {
    /// The pieces of these frames.
    pub fn new(telegrams: Telegrams<M>) -> Self {
        Self { telegrams, current: Telegram { at: SessionTime::ZERO, kind: 0, bytes: Vec::new() }, taken: 0 }
    }

    /// When the port disappears, if it does. No piece arrives then or later.
    pub fn unplugged_at(&self) -> Option<SessionTime> {
        self.telegrams.unplugged_at()
    }
}

impl<M: FrameMaker> Iterator for ByteStream<M> {
    type Item = Piece;

    fn next(&mut self) -> Option<Piece> {
        if self.current.bytes.len() <= self.taken {
            self.current = self.telegrams.next()?;
            self.taken = 0;
        }
        let end = (self.taken + PIECE_BYTES).min(self.current.bytes.len());
        let bytes = self.current.bytes.get(self.taken..end).unwrap_or(&[]).to_vec();
        self.taken = end;
        let at = self.current.at + self.telegrams.line().time_of(end as u64);
        let late = self.telegrams.end.is_some_and(|end| end < at) || self.unplugged_at().is_some_and(|gone| gone <= at);
        (!late).then_some(Piece { at, bytes })
    }
}

/// All pieces of a scene up to a time, at once: no clock, no thread.
pub fn byte_stream<M: FrameMaker>(
    scene: &Scene,
    faults: &[Fault],
    maker: M,
    until: SessionTime,
) -> Vec<(SessionTime, Vec<u8>)> {
    let pieces = ByteStream::new(Telegrams::new(scene, faults, maker).until(until));
    pieces.filter(|piece| !piece.bytes.is_empty()).map(|piece| (piece.at, piece.bytes)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::{Act, Step};
    use crate::testing::ByHand;

    fn stream(seed: u64, faults: &[Fault], seconds: u64) -> Vec<(SessionTime, Vec<u8>)> {
        byte_stream(&Scene::practice(seed), faults, ByHand::new(), SessionTime::from_millis(seconds * 1000))
    }

    fn bytes(pieces: &[(SessionTime, Vec<u8>)]) -> Vec<u8> {
        pieces.iter().flat_map(|(_, bytes)| bytes.clone()).collect()
    }

    fn fault(kind: FaultKind, seconds: u64, severity: f64) -> Fault {
        Fault { at: SessionTime::from_millis(seconds * 1000), severity, ..Fault::new(kind) }
    }

    /// Whole frames with a right sum, and how many were sent wrong.
    fn intact(telegrams: &[Telegram]) -> (usize, usize) {
        let right = |telegram: &&Telegram| {
            telegram.bytes.len() == 64 && telegram.bytes.iter().fold(0, |sum, byte| sum ^ byte) == 0
        };
        let good = telegrams.iter().filter(right).count();
        (good, telegrams.len() - good)
    }

    fn telegrams(faults: &[Fault], seconds: u64) -> Vec<Telegram> {
        let end = SessionTime::from_millis(seconds * 1000);
        Telegrams::new(&Scene::practice(1), faults, ByHand::new()).until(end).collect()
    }

    #[test]
    fn pieces_come_at_the_line_rate() {
        // 115200 8N1: 10 bits, 86.806 us a byte (arithmetic); two frames of 64 bytes due together.
        let pieces = stream(1, &[], 1);
        let micros: Vec<f64> = pieces[..5].iter().map(|(at, _)| at.nanos as f64 / 1e3).collect();
        for (got, bytes) in micros.iter().zip([32.0, 64.0, 96.0, 128.0]) {
            assert!((got - bytes * 86.806).abs() < 0.1, "{got} {bytes}");
        }
        assert!((micros[4] - 100_000.0 - 32.0 * 86.806).abs() < 0.1, "{}", micros[4]);
        assert!(pieces.iter().all(|(_, bytes)| bytes.len() == 32));
        assert!(pieces.windows(2).all(|pair| pair[0].0 < pair[1].0));
    }

    #[test]
    fn a_line_that_is_too_slow_is_always_busy_and_never_late_for_long() {
        // 9600 8N1 carries 960 bytes a second; 1280 are due. 64 bytes take 66.667 ms.
        let maker = ByHand { line: LineSettings::new(9_600), ..ByHand::new() };
        let end = SessionTime::from_millis(60_000);
        let pieces = byte_stream(&Scene::practice(1), &[], &maker, end);
        let total = bytes(&pieces).len();
        assert!((57_500..=57_600).contains(&total), "{total}");
        let telegrams: Vec<Telegram> = Telegrams::new(&Scene::practice(1), &[], &maker).until(end).collect();
        let first = telegrams.iter().filter(|telegram| telegram.kind == 0).count();
        assert!(
            (449..=452).contains(&first) && telegrams.len().abs_diff(2 * first) <= 1,
            "{first} {}",
            telegrams.len()
        );
        for pair in telegrams.windows(2) {
            assert_eq!(pair[1].at.since(pair[0].at), maker.line.time_of(64));
        }
    }

    #[test]
    fn the_same_seed_gives_the_same_bytes() {
        assert_eq!(stream(1, &[], 10), stream(1, &[], 10));
        assert_ne!(bytes(&stream(1, &[], 10)), bytes(&stream(2, &[], 10)));
        let damage = [fault(FaultKind::FlippedBits, 1, 1.0), fault(FaultKind::LostBytes, 2, 1.0)];
        assert_eq!(stream(3, &damage, 10), stream(3, &damage, 10));
        assert_ne!(stream(3, &damage, 10), stream(4, &damage, 10));
    }

    #[test]
    fn a_fault_changes_nothing_before_it() {
        // Everything that a fault may need comes after it: pre-charge, load, opening.
        let acts = [
            (17_000, Act::PreCharge),
            (19_000, Act::Close),
            (20_000, Act::Load(30.0)),
            (23_000, Act::Load(0.0)),
            (24_000, Act::Open),
        ];
        let steps = acts.map(|(millis, act)| Step { at: SessionTime::from_millis(millis), act }).to_vec();
        let scene = Scene { steps, ..Scene::practice(1) };
        let stream = |faults: &[Fault]| byte_stream(&scene, faults, ByHand::new(), SessionTime::from_millis(30_000));
        let good = stream(&[]);
        for kind in Fault::all() {
            let bad = stream(&[fault(kind, 16, 1.0)]);
            let early = |pieces: &[(SessionTime, Vec<u8>)]| -> Vec<(SessionTime, Vec<u8>)> {
                pieces.iter().filter(|(at, _)| at.nanos < 16_000_000_000).cloned().collect()
            };
            assert_eq!(early(&good), early(&bad), "{kind}");
            // The hand-written line has two sensors; every fault shows in its bytes.
            assert_ne!(good, bad, "{kind}");
        }
    }

    #[test]
    fn silence_is_quiet_and_an_unplugged_port_is_over() {
        let silent = stream(1, &[fault(FaultKind::SilentLine, 2, 1.0)], 10);
        assert!(silent.iter().all(|(at, _)| at.nanos < 2_020_000_000));
        let counted = telegrams(&[fault(FaultKind::SilentLine, 2, 1.0)], 10);
        assert_eq!(counted.len(), 202);
        assert!(counted.iter().all(|telegram| telegram.bytes.is_empty() == (2_000_000_000 <= telegram.at.nanos)));

        let unplug = fault(FaultKind::Unplug, 2, 1.0);
        let gone = telegrams(&[unplug], 10);
        assert_eq!(gone.len(), 40);
        // 2 ms after a frame has started nothing of it has arrived whole.
        let early = Fault { at: SessionTime::from_millis(1_902), ..unplug };
        let mut stream = ByteStream::new(Telegrams::new(&Scene::practice(1), &[early], ByHand::new()));
        assert_eq!(stream.unplugged_at(), Some(SessionTime::from_millis(1_902)));
        assert_eq!(stream.by_ref().count(), 76);
        assert_eq!(stream.next(), None);
    }

    #[test]
    fn a_frozen_bms_repeats_each_kind() {
        let all = telegrams(&[fault(FaultKind::FrozenFrame, 13, 1.0)], 20);
        for kind in [0, 1] {
            let of_kind = || all.iter().filter(|telegram| telegram.kind == kind);
            let frozen: Vec<&Vec<u8>> = of_kind()
                .filter(|telegram| 13_000_000_000 <= telegram.at.nanos)
                .map(|telegram| &telegram.bytes)
                .collect();
            let last = of_kind().rfind(|telegram| telegram.at.nanos < 13_000_000_000).map(|telegram| &telegram.bytes);
            assert_eq!(frozen.len(), if kind == 0 { 71 } else { 70 });
            assert!(frozen.iter().all(|bytes| Some(*bytes) == last));
        }
    }

    #[test]
    fn a_line_damages_as_much_as_asked() {
        // One byte in 100: a frame of 64 survives with 0.99^64 = 52.6 %.
        for kind in [FaultKind::FlippedBits, FaultKind::LostBytes] {
            let (good, bad) = intact(&telegrams(&[fault(kind, 0, 1.0)], 60));
            assert!((good as f64 / (good + bad) as f64 - 0.526).abs() < 0.05, "{kind}: {good} {bad}");
            let (_, bad) = intact(&telegrams(&[fault(kind, 0, 0.0)], 60));
            assert_eq!(bad, 0);
        }
    }

    #[test]
    fn interference_follows_the_bus_or_the_current() {
        let damaged = |kind, from: u64, to: u64| {
            let all = telegrams(&[fault(kind, 0, 1.0)], 60);
            let within = |telegram: &&Telegram| (from..to).contains(&(telegram.at.nanos / 1_000_000));
            let (good, bad) = intact(&all.iter().filter(within).cloned().collect::<Vec<_>>());
            bad as f64 / (good + bad) as f64
        };
        // The bus is down until 6 s and up from 8 s; one byte in 100, frames of 64: 1 - 0.99^64 = 47.4 %.
        let bus = |from, to| damaged(FaultKind::InterferenceWithBus, from, to);
        assert!(bus(0, 6_000) <= 0.0 && (bus(9_000, 60_000) - 0.474).abs() < 0.05, "{}", bus(9_000, 60_000));
        // Nothing at rest; 40 A of 44 A make 1 - 0.9909^64 = 44 %; 2 A 3 %.
        let current = |from, to| damaged(FaultKind::InterferenceWithCurrent, from, to);
        assert!(current(0, 6_000) <= 0.0 && current(24_200, 30_000) <= 0.01);
        assert!((current(14_100, 20_000) - 0.44).abs() < 0.12, "{}", current(14_100, 20_000));
        assert!(current(9_000, 14_000) < 0.12, "{}", current(9_000, 14_000));
    }

    #[test]
    fn counters_of_a_kind_go_up_by_one() {
        let counts: Vec<u16> = telegrams(&[], 5)
            .iter()
            .filter(|telegram| telegram.kind == 1)
            .map(|telegram| u16::from_be_bytes([telegram.bytes[3], telegram.bytes[4]]))
            .collect();
        assert_eq!(counts, (0..50).collect::<Vec<u16>>());
    }

    #[test]
    fn a_line_without_messages_is_over_at_once() {
        struct Nothing(Layout);
        impl FrameMaker for Nothing {
            fn layout(&self) -> &Layout {
                &self.0
            }
            fn line(&self) -> LineSettings {
                LineSettings::new(0)
            }
            fn frame(&self, _: usize, _: &mut dyn FnMut(&ColumnLayout) -> Option<i64>, _: &mut Vec<u8>) {}
        }
        let nothing = Nothing(Layout { protocol: String::new(), kinds: Vec::new() });
        assert_eq!(byte_stream(&Scene::practice(1), &[], nothing, SessionTime::from_millis(1000)), []);
    }
}
