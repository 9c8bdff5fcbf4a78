//! Chance that is the same forever: every number is a function of a seed, a channel and an index, never of what was asked before.

/// The step of splitmix64 (Steele, Lea and Flood, OOPSLA 2014; constants from memory).
const STEP: u64 = 0x9E37_79B9_7F4A_7C15;

/// A source of chance.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Noise {
    seed: u64,
}

impl Noise {
    pub(crate) fn new(seed: u64) -> Self {
        Self { seed }
    }

    /// 64 bits for one index of one channel.
    pub(crate) fn bits(self, channel: u64, index: u64) -> u64 {
        let channel_seed = mix(self.seed.wrapping_add(STEP)).wrapping_add(mix(channel.wrapping_add(STEP)));
        mix(mix(channel_seed).wrapping_add(index.wrapping_add(1).wrapping_mul(STEP)))
    }

    /// Even in 0..1.
    pub(crate) fn share(self, channel: u64, index: u64) -> f64 {
        (self.bits(channel, index) >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Even in -1..1.
    pub(crate) fn spread(self, channel: u64, index: u64) -> f64 {
        self.share(channel, index) * 2.0 - 1.0
    }

    /// Nearly normal with mean 0 and deviation 1, never beyond 6: the sum of twelve even ones.
    ///
    /// No logarithm and no cosine, so that it is the same on every platform.
    pub(crate) fn bell(self, channel: u64, index: u64) -> f64 {
        let start = self.bits(channel, index);
        let halves = |n: u64| {
            let word = mix(start.wrapping_add(n.wrapping_mul(STEP)));
            (word & 0xFFFF_FFFF) as f64 + (word >> 32) as f64
        };
        (1..=6).map(halves).sum::<f64>() / 4_294_967_296.0 - 6.0
    }
}

/// The output function of splitmix64.
fn mix(state: u64) -> u64 {
    let state = (state ^ (state >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let state = (state ^ (state >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    state ^ (state >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_mixer_is_splitmix64() {
        // Published outputs of splitmix64 for the seed 1234567 (widely used test vector, from memory).
        let mut state = 1_234_567_u64;
        for expected in [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423] {
            state = state.wrapping_add(STEP);
            assert_eq!(mix(state), expected);
        }
    }

    #[test]
    fn the_bell_has_its_mean_and_deviation() {
        let noise = Noise::new(7);
        let values: Vec<f64> = (0..20_000).map(|index| noise.bell(3, index)).collect();
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        let variance = values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / values.len() as f64;
        assert!(mean.abs() < 0.03, "{mean}");
        assert!((variance.sqrt() - 1.0).abs() < 0.02, "{variance}");
        assert!(values.iter().all(|value| value.abs() <= 6.0));
    }

    #[test]
    fn channels_and_neighbours_are_not_alike() {
        let noise = Noise::new(7);
        let pairs: [(u64, u64); 2] = [(0, 1), (1, 0)];
        for (channel, shift) in pairs {
            let product: f64 =
                (0..20_000).map(|index| noise.spread(0, index) * noise.spread(channel, index + shift)).sum();
            assert!((product / 20_000.0).abs() < 0.01, "{product}");
        }
    }
}
