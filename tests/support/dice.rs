//! Chance that is the same for the same seed.

/// The generator splitmix64 (Steele, Lea and Flood, OOPSLA 2014; constants from memory).
#[derive(Clone, Debug)]
pub struct Dice(u64);

impl Dice {
    /// A generator of its own for each seed.
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let state = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let state = (state ^ (state >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        state ^ (state >> 31)
    }

    /// Even in 0..1.
    pub fn share(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Even between two values.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.share()
    }

    /// Whether something of this probability happens.
    pub fn happens(&mut self, probability: f64) -> bool {
        self.share() < probability
    }

    /// One of a list.
    pub fn one_of<T: Copy>(&mut self, list: &[T]) -> T {
        list[(self.bits() % list.len() as u64) as usize]
    }
}
