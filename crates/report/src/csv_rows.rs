//! Decoded rows as CSV: one row a frame, `time_s` first, then a column for each channel with its unit in its name.

use std::io::{self, Write};
use std::ops::Range;

use model::{Batch, Layout, SessionTime};

use crate::lines::Lines;
use crate::text::Text;

/// So many bytes are handed to the output at once.
const PIECE: usize = 1 << 18;

/// Why a CSV could not be written.
#[derive(Debug, thiserror::Error)]
#[error("the CSV can't be written")]
pub struct CsvError(#[from] io::Error);

impl CsvError {
    /// What kind of fault the output had.
    pub fn kind(&self) -> io::ErrorKind {
        self.0.kind()
    }
}

/// Writes decoded batches as CSV.
///
/// A frame that carries no value of a channel leaves its cell empty; so does an absent value.
/// Measured numbers are exact decimals in base units; counters, flags and states are the numbers as sent.
#[derive(Debug)]
pub struct CsvWriter<W: Write> {
    out: W,
    lines: Lines,
    text: Text,
    rows: u64,
}

impl<W: Write> CsvWriter<W> {
    /// Begins with the header line.
    ///
    /// # Errors
    /// The output can't be written.
    pub fn new(layout: &Layout, out: W) -> Result<Self, CsvError> {
        let lines = Lines::new(layout);
        let mut text = Text::default();
        header(&lines, &mut text)?;
        Ok(Self { out, lines, text, rows: 0 })
    }

    /// Writes a row for each decoded frame, in the order in which they came. Some wait until there are more.
    ///
    /// # Errors
    /// The output can't be written.
    pub fn batch(&mut self, batch: &Batch) -> Result<(), CsvError> {
        self.batch_within(batch, None)
    }

    /// The same for the rows whose time lies in a range.
    pub fn batch_within(&mut self, batch: &Batch, range: Option<&Range<SessionTime>>) -> Result<(), CsvError> {
        self.rows += self.lines.append(batch, range, &mut self.text);
        if PIECE <= self.text.written().len() {
            self.hand_over()?;
        }
        Ok(())
    }

    fn hand_over(&mut self) -> Result<(), CsvError> {
        let written = self.out.write_all(self.text.written());
        self.text.clear();
        Ok(written?)
    }

    /// How many rows were written.
    pub fn rows(&self) -> u64 {
        self.rows
    }

    /// Flushes and gives the output back.
    ///
    /// # Errors
    /// The output can't be written.
    pub fn finish(mut self) -> Result<W, CsvError> {
        self.hand_over()?;
        self.out.flush()?;
        Ok(self.out)
    }
}

/// Writes the names of the columns; they are text and quoted where they must be.
pub(crate) fn header(lines: &Lines, text: &mut Text) -> io::Result<()> {
    let mut out = csv::Writer::from_writer(Vec::new());
    out.write_record(lines.header()).map_err(io::Error::from)?;
    let bytes = out.into_inner().map_err(csv::IntoInnerError::into_error)?;
    bytes.iter().for_each(|byte| text.byte(*byte));
    Ok(())
}
