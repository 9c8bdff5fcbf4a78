//! The rows of a session without its judgement: for a table, or for all that is drawn of a recording.

use std::sync::Arc;

use model::{Batch, Input, InputKind, SessionTime};
use parser::{Decoder, Protocol};

/// Takes inputs and gives the rows that the [`Engine`](crate::Engine) would show, many at once.
///
/// Rows, their order, `at`, byte ranges and columns, and rejections with their reasons, are those of the engine; the
/// batches are larger. Bytes wait until some 64 KiB can be searched together, so that one frame a read is as fast as a
/// file in one piece. The price: a row says that it was known at the time of its last byte even where a false start in
/// front of it held it back, and a rejection at the time of its own last byte. Where the protocol looks at silences or
/// at questions and answers nothing waits, and these are the engine's, too.
///
/// At the end it wants an `End` like the engine: without it, what still waits is not given.
#[derive(Debug)]
pub struct RowReader {
    decoder: Decoder,
    now: SessionTime,
    ended: bool,
    complete: bool,
}

/// Rows and rejections that [`RowReader::next_batch`] gives at once: enough for threads not to wait for each other.
const MANY: usize = 2048;

impl RowReader {
    /// A reader at the start of a session.
    pub fn new(protocol: Arc<Protocol>) -> Self {
        Self::starting_at(protocol, 0)
    }

    /// A reader whose first byte stands at this place of the session's stream: the rows' byte ranges are counted from
    /// the stream's start.
    pub fn starting_at(protocol: Arc<Protocol>, stream_offset: u64) -> Self {
        let decoder = Decoder::starting_at(protocol, stream_offset);
        Self { decoder, now: SessionTime::ZERO, ended: false, complete: false }
    }

    /// The protocol that it decodes by.
    pub fn protocol(&self) -> &Arc<Protocol> {
        self.decoder.protocol()
    }

    /// Takes an input as [`Engine::stamp`](crate::Engine::stamp) and [`Engine::process`](crate::Engine::process) do: its
    /// time never goes back, and after the end nothing is taken any more.
    pub fn process(&mut self, input: &Input) {
        if self.ended {
            return;
        }
        self.now = self.now.max(input.at);
        match &input.kind {
            InputKind::Bytes(bytes) => self.decoder.push_unhurried(self.now, bytes),
            InputKind::Datagram(bytes) => {
                self.decoder.push_unhurried(self.now, bytes);
                self.decoder.finish(self.now);
            }
            InputKind::Sent(bytes) => self.decoder.sent(self.now, bytes),
            InputKind::Lost { .. } => self.decoder.finish(self.now),
            InputKind::End => {
                self.decoder.finish(self.now);
                self.ended = true;
            }
            InputKind::Opened { .. }
            | InputKind::LineError { .. }
            | InputKind::ClockStep { .. }
            | InputKind::Command(_)
            | InputKind::Quiet => {}
        }
    }

    /// Takes inputs until some thousand rows wait and puts these in place of what is in the batch; false at the end of all.
    /// Where the inputs have no end, it is made up, and the session is not [complete](Self::is_complete).
    pub fn next_batch(&mut self, inputs: &mut impl Iterator<Item = Input>, batch: &mut Batch) -> bool {
        while !self.ended && self.waiting() < MANY {
            match inputs.next() {
                Some(input) => {
                    self.process(&input);
                    self.complete |= self.ended;
                }
                None => self.process(&Input::new(self.now, InputKind::End)),
            }
        }
        self.take_into(batch)
    }

    /// Whether the end was among the inputs of [`next_batch`](Self::next_batch).
    pub fn is_complete(&self) -> bool {
        self.complete
    }

    /// Whether the session is over.
    pub fn ended(&self) -> bool {
        self.ended
    }

    /// The time of the last input.
    pub fn now(&self) -> SessionTime {
        self.now
    }

    /// How many rows and rejections can be taken.
    pub fn waiting(&self) -> usize {
        self.decoder.waiting()
    }

    /// Puts the rows and rejections since the last call in place of what is in the batch; false if there are none.
    ///
    /// Who gives back the batch before has its memory used again.
    pub fn take_into(&mut self, batch: &mut Batch) -> bool {
        self.decoder.take_into(batch)
    }
}
