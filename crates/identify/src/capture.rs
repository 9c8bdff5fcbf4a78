//! The bytes that are looked at, with their times where these are known.

use model::SessionTime;

/// Bytes of a line, in the order in which they came.
#[derive(Clone, Debug, Default)]
pub struct Capture {
    bytes: Vec<u8>,
    /// One past the last byte of each read, and its time.
    reads: Vec<(usize, SessionTime)>,
    timed: bool,
    framing_errors: u64,
    more: bool,
}

impl Capture {
    /// At most so many bytes are taken; what comes behind them is left out, and that is said.
    pub const MOST: usize = 4 * 1024 * 1024;

    /// A capture whose reads have times that were measured.
    pub fn timed() -> Self {
        Self { timed: true, ..Self::default() }
    }

    /// Bytes without times: nothing is said of periods and clocks.
    pub fn untimed(bytes: &[u8]) -> Self {
        let mut capture = Self::default();
        capture.push(SessionTime::ZERO, bytes);
        capture
    }

    /// Takes bytes that were read at `at`. `false` if it is full: nothing more is taken then.
    pub fn push(&mut self, at: SessionTime, bytes: &[u8]) -> bool {
        let room = Self::MOST - self.bytes.len();
        let taken = bytes.get(..room).unwrap_or(bytes);
        self.more |= taken.len() < bytes.len();
        if !taken.is_empty() {
            self.bytes.extend_from_slice(taken);
            self.reads.push((self.bytes.len(), at));
        }
        !self.more
    }

    /// Counts bytes that came without a right stop bit: what a wrong line rate gives.
    pub fn framing_errors(&mut self, count: u64) {
        self.framing_errors += count;
    }

    /// The bytes.
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// Whether bytes were left out.
    pub fn is_cut(&self) -> bool {
        self.more
    }

    pub(crate) fn is_timed(&self) -> bool {
        self.timed
    }

    pub(crate) fn wrong_stop_bits(&self) -> u64 {
        self.framing_errors
    }

    /// Each read with its time.
    pub(crate) fn reads(&self) -> impl Iterator<Item = (SessionTime, &[u8])> {
        let starts = std::iter::once(0).chain(self.reads.iter().map(|(end, _)| *end));
        starts.zip(&self.reads).filter_map(|(start, (end, at))| Some((*at, self.bytes.get(start..*end)?)))
    }

    /// The time of the read that brought the byte at `place`.
    pub(crate) fn time_of(&self, place: usize) -> SessionTime {
        let index = self.reads.partition_point(|(end, _)| *end <= place);
        self.reads.get(index).map_or(SessionTime::ZERO, |(_, at)| *at)
    }
}
