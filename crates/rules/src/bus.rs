//! The load's side of the switch: dead, rising, live, falling.

use std::time::Duration;

use model::SessionTime;

/// Below this, and below a tenth of the pack, the load's side is dead. In billionths of a volt; common practice, no source.
pub(crate) const DEAD_BELOW: i64 = 5_000_000_000;
/// From this share of the pack on a rise is complete, once it is flat as well. Common practice, no source.
const COMPLETE_PERCENT: i64 = 95;
/// Below this share a live bus has been cut off: no sound connector drops so much.
const CUT_OFF_PERCENT: i64 = 85;
/// Where no current flows there is no drop at all: a live bus that has fallen behind the pack by this share was cut off.
const FALLEN_BEHIND_PERCENT: i64 = 3;
/// A bus that moves by less than this share of the pack in [`FLAT_FOR`] is flat.
const FLAT_PER_MILLE: i64 = 5;
const FLAT_FOR: Duration = Duration::from_millis(100);
/// A falling bus that comes up again by this share of the pack is being charged again.
const TURN_PERCENT: i64 = 2;

/// How the load's side of the switch stands.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(crate) enum BusState {
    /// The line does not tell, or not any more.
    #[default]
    Unknown,
    Dead,
    Rising,
    Live,
    Falling,
}

/// Follows the bus voltage from reading to reading.
#[derive(Clone, Debug, Default)]
pub(crate) struct Bus {
    state: BusState,
    /// Where and when it last moved.
    anchor: Option<(SessionTime, i64)>,
    /// The lowest since it falls.
    lowest: i64,
    /// The smallest gap to the pack since it is live.
    gap: i64,
}

impl Bus {
    pub(crate) fn state(&self) -> BusState {
        self.state
    }

    /// A reading in billionths of a volt, and the pack's voltage if it is known. Without the pack's voltage only a dead bus
    /// can be told. `quiet`: it is known that no current flows.
    pub(crate) fn reading(&mut self, at: SessionTime, nanos: i64, pack: Option<i64>, quiet: bool) {
        let pack = pack.filter(|pack| 0 < *pack);
        let flat = self.is_flat(at, nanos, pack.unwrap_or(nanos));
        let next = match pack {
            _ if nanos < DEAD_BELOW.min(pack.map_or(i64::MAX, |pack| pack / 10)) => BusState::Dead,
            None => BusState::Unknown,
            Some(pack) => self.between(nanos, pack, flat, quiet),
        };
        let changed = std::mem::replace(&mut self.state, next) != next;
        let gap = pack.map_or(0, |pack| pack.saturating_sub(nanos));
        self.lowest = if changed { nanos } else { self.lowest.min(nanos) };
        self.gap = if changed { gap } else { self.gap.min(gap) };
    }

    /// The state of a bus that is not dead.
    fn between(&self, nanos: i64, pack: i64, flat: bool, quiet: bool) -> BusState {
        let full = COMPLETE_PERCENT * (pack / 100) <= nanos;
        let behind = pack.saturating_sub(nanos).saturating_sub(self.gap);
        match self.state {
            BusState::Live if nanos < CUT_OFF_PERCENT * (pack / 100) => BusState::Falling,
            BusState::Live if quiet && FALLEN_BEHIND_PERCENT * (pack / 100) < behind => BusState::Falling,
            BusState::Live => BusState::Live,
            BusState::Unknown if full => BusState::Live,
            BusState::Falling if nanos.saturating_sub(self.lowest) < TURN_PERCENT * (pack / 100) => BusState::Falling,
            BusState::Falling if full => BusState::Live,
            BusState::Rising if full && flat => BusState::Live,
            // From the first reading on nobody knows which way it goes; one that falls shows it soon.
            BusState::Unknown | BusState::Dead | BusState::Rising | BusState::Falling => BusState::Rising,
        }
    }

    fn is_flat(&mut self, at: SessionTime, nanos: i64, pack: i64) -> bool {
        match self.anchor {
            Some((since, then)) if nanos.saturating_sub(then).saturating_abs() <= pack / 1000 * FLAT_PER_MILLE => {
                FLAT_FOR <= at.since(since)
            }
            _ => {
                self.anchor = Some((at, nanos));
                false
            }
        }
    }

    /// Readings have stopped.
    pub(crate) fn nothing(&mut self) {
        *self = Self::default();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bus voltages in volts of a pack of 100 V, `millis` apart. Returns a letter for each.
    fn run(millis: u64, volts: &[f64]) -> String {
        run_with(millis, volts, false)
    }

    fn run_with(millis: u64, volts: &[f64], quiet: bool) -> String {
        let mut bus = Bus::default();
        let each = (0..).zip(volts).map(|(step, volts)| {
            let nanos = (volts * 1e9).round() as i64;
            bus.reading(SessionTime::from_millis(step * millis), nanos, Some(100_000_000_000), quiet);
            match bus.state() {
                BusState::Unknown => '?',
                BusState::Dead => '_',
                BusState::Rising => '/',
                BusState::Live => '=',
                BusState::Falling => '\\',
            }
        });
        each.collect()
    }

    #[test]
    fn a_rise_is_complete_when_it_is_high_and_flat() {
        assert_eq!(run(50, &[0.0, 20.0, 60.0, 90.0, 95.0, 95.3, 95.4, 95.5]), "_/////==");
        assert_eq!(run(50, &[0.0, 60.0, 61.0, 61.0, 61.0, 61.0]), "_/////", "stuck");
        assert_eq!(run(500, &[0.0, 98.0, 98.1]), "_/=", "too fast to see");
    }

    #[test]
    fn a_switch_that_opens_shows_and_so_does_one_that_closes_again() {
        assert_eq!(run(500, &[99.0, 92.0, 84.0, 60.0, 30.0, 4.9]), "==\\\\\\_");
        assert_eq!(run_with(500, &[99.0, 99.2, 97.0, 96.1, 96.0], true), "===\\\\");
        assert_eq!(run(500, &[99.0, 84.0, 60.0, 61.5, 66.0, 96.0, 96.0]), "=\\\\\\//=");
    }

    #[test]
    fn without_the_pack_only_a_dead_bus_can_be_told() {
        let mut bus = Bus::default();
        bus.reading(SessionTime::ZERO, 30_000_000_000, None, false);
        assert_eq!(bus.state(), BusState::Unknown);
        bus.reading(SessionTime::ZERO, 1_000_000_000, None, false);
        assert_eq!(bus.state(), BusState::Dead);
        bus.reading(SessionTime::ZERO, i64::MIN, Some(i64::MAX), true);
        bus.reading(SessionTime::ZERO, i64::MAX, Some(i64::MIN), true);
    }

    #[test]
    fn a_small_pack_has_a_small_dead_bus() {
        let mut bus = Bus::default();
        bus.reading(SessionTime::ZERO, 3_700_000_000, Some(3_700_000_000), true);
        assert_eq!(bus.state(), BusState::Live);
        bus.reading(SessionTime::ZERO, 300_000_000, Some(3_700_000_000), true);
        assert_eq!(bus.state(), BusState::Dead);
    }
}
