//! Decoded rows as CSV: one row a frame, `time_s` first, then a column for each channel with its unit in its name.

use std::io::Write;

use model::{Batch, Channel, ColumnLayout, Dimension, Item, Layout, Quantity, Raw, format_nanos_exact};

/// Why a CSV could not be written.
#[derive(Debug, thiserror::Error)]
#[error("the CSV can't be written")]
pub struct CsvError(#[from] csv::Error);

/// Writes decoded batches as CSV.
///
/// A frame that carries no value of a channel leaves its cell empty; so does an absent value.
/// Measured numbers are exact decimals in base units; counters, flags and states are the numbers as sent.
#[derive(Debug)]
pub struct CsvWriter<W: Write> {
    out: csv::Writer<W>,
    layout: Layout,
    /// For each message kind, where each of its columns goes.
    places: Vec<Vec<usize>>,
    row: Vec<String>,
    rows: u64,
}

impl<W: Write> CsvWriter<W> {
    /// Writes the header line.
    ///
    /// # Errors
    /// The output can't be written.
    pub fn new(layout: &Layout, out: W) -> Result<Self, CsvError> {
        let mut channels: Vec<Channel> =
            layout.kinds.iter().flat_map(|kind| &kind.columns).map(|column| column.channel).collect();
        // In the order of the protocol file, each channel once: two messages can carry the same one.
        let mut seen = std::collections::BTreeSet::new();
        channels.retain(|channel| seen.insert(*channel));
        let place = |column: &ColumnLayout| 1 + channels.iter().position(|c| *c == column.channel).unwrap_or(0);
        let places = layout.kinds.iter().map(|kind| kind.columns.iter().map(place).collect()).collect();
        let mut header = vec!["time_s".to_owned()];
        header.extend(channels.iter().map(|channel| channel.column_name()));
        let mut out = csv::Writer::from_writer(out);
        out.write_record(&header)?;
        let row = vec![String::new(); header.len()];
        Ok(Self { out, layout: layout.clone(), places, row, rows: 0 })
    }

    /// Writes a row for each decoded frame, in the order in which they came.
    ///
    /// # Errors
    /// The output can't be written.
    pub fn batch(&mut self, batch: &Batch) -> Result<(), CsvError> {
        for item in &batch.order {
            let Item::Row { kind, row } = *item else { continue };
            let (kind, index) = (usize::from(kind), row as usize);
            let (Some(rows), Some(layout), Some(places)) =
                (batch.kinds.get(kind), self.layout.kinds.get(kind), self.places.get(kind))
            else {
                continue;
            };
            let Some(at) = rows.at.get(index) else { continue };
            for cell in &mut self.row {
                cell.clear();
            }
            if let Some(first) = self.row.first_mut() {
                *first = at.to_string();
            }
            for ((column, layout), place) in rows.columns.iter().zip(&layout.columns).zip(places) {
                if let (Some(text), Some(cell)) = (written(column, layout, index), self.row.get_mut(*place)) {
                    *cell = text;
                }
            }
            self.out.write_record(&self.row)?;
            self.rows += 1;
        }
        Ok(())
    }

    /// How many rows were written.
    pub fn rows(&self) -> u64 {
        self.rows
    }

    /// Flushes and gives the output back.
    ///
    /// # Errors
    /// The output can't be written.
    pub fn finish(self) -> Result<W, CsvError> {
        self.out.into_inner().map_err(|error| CsvError(csv::Error::from(error.into_error())))
    }
}

fn written(column: &model::Column, layout: &ColumnLayout, row: usize) -> Option<String> {
    let quantity = layout.channel.quantity;
    if quantity.dimension() == Dimension::Number || quantity == Quantity::FrameCounter {
        return Some(match column.raw(row)? {
            Raw::Int(raw) => raw.to_string(),
            Raw::Float(raw) => raw.to_string(),
        });
    }
    let nanos = column.nanos(row, &layout.scale)?;
    Some(format_nanos_exact(nanos, decimals(layout.scale.resolution())))
}

/// The decimals that a step needs: 3 for a millivolt, 1 for a tenth of a degree.
fn decimals(step: i64) -> u32 {
    (0..9).find(|decimals| step % 10_i64.pow(9 - decimals) == 0).unwrap_or(9)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimals_follow_the_step() {
        for (step, expected) in [(1_000_000, 3), (10_000_000, 2), (100_000_000, 1), (1_000_000_000, 0), (1, 9)] {
            assert_eq!(decimals(step), expected, "{step}");
        }
    }
}
