//! How long to wait before a lost source is looked for again.

use std::time::Duration;

const SHORTEST: Duration = Duration::from_millis(200);
const LONGEST: Duration = Duration::from_secs(2);

/// Pauses of 200 ms, doubling up to 2 s.
#[derive(Debug)]
pub(crate) struct Backoff {
    next: Duration,
}

impl Backoff {
    pub(crate) fn new() -> Self {
        Self { next: SHORTEST }
    }

    /// The pause to make now.
    pub(crate) fn pause(&mut self) -> Duration {
        let pause = self.next;
        self.next = (pause * 2).min(LONGEST);
        pause
    }

    /// Begins with short pauses again: the source has delivered something. Being open alone is not enough, or a source
    /// that fails at its first read would be opened five times a second for ever.
    pub(crate) fn reset(&mut self) {
        self.next = SHORTEST;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_double_up_to_two_seconds() {
        let mut backoff = Backoff::new();
        let pauses: Vec<u128> = (0..6).map(|_| backoff.pause().as_millis()).collect();
        assert_eq!(pauses, [200, 400, 800, 1600, 2000, 2000]);
        backoff.reset();
        assert_eq!(backoff.pause().as_millis(), 200);
    }
}
