//! A whole table, with the lines of several batches made at the same time.

use std::io::{self, Write};
use std::num::NonZero;
use std::ops::Range;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::{Builder, Scope};

use model::{Batch, Layout, SessionTime};

use crate::csv_rows::{CsvError, CsvWriter, header};
use crate::lines::Lines;
use crate::text::Text;

/// So many batches wait for each thread that makes lines, and as many texts for the output: who is ahead waits.
const WAITING: usize = 2;

/// Writes a CSV of all batches: what [`CsvWriter`] writes of them one by one, byte for byte, on several threads.
///
/// `next` puts rows in place of what is in the batch and is false when there are none left; some thousand at once are a
/// good number. With a `range` only rows whose time lies in it are written. One thread calls `next`, `threads` less one
/// make lines, and the caller's writes them to `out` in their order; with one thread the caller does it all. The memory
/// held is that of a few batches and their texts for each thread, however long the table is.
///
/// How many rows were written.
///
/// # Errors
/// The output can't be written, or there are no threads to be had. Then `next` is not called any more.
pub fn export(
    layout: &Layout,
    mut next: impl FnMut(&mut Batch) -> bool + Send,
    range: Option<Range<SessionTime>>,
    threads: NonZero<usize>,
    mut out: impl Write,
) -> Result<u64, CsvError> {
    let range = range.as_ref();
    let makers = threads.get() - 1;
    if makers == 0 {
        let mut csv = CsvWriter::new(layout, out)?;
        let mut batch = Batch::default();
        while next(&mut batch) {
            csv.batch_within(&batch, range)?;
        }
        let rows = csv.rows();
        csv.finish()?;
        return Ok(rows);
    }
    std::thread::scope(|scope| {
        let (give_back, used) = sync_channel(makers * WAITING);
        let (mut jobs, mut lines) = (Vec::new(), Vec::new());
        for _ in 0..makers {
            let maker = Maker { lines: Lines::new(layout), range, used: give_back.clone() };
            let (job, texts, spare) = maker.start(scope)?;
            jobs.push(job);
            lines.push((texts, spare));
        }
        drop(give_back);
        Builder::new().name("rows".to_owned()).spawn_scoped(scope, move || deal(&mut next, &jobs, &used))?;

        let mut text = Text::default();
        header(&Lines::new(layout), &mut text)?;
        out.write_all(text.written())?;
        let mut rows = 0;
        // The batches are dealt in turn, and so are their lines: the first that has nothing more ends the table.
        for (texts, spare) in lines.iter().cycle() {
            let Ok((text, count)) = texts.recv() else { break };
            out.write_all(text.written())?;
            rows += count;
            // Full only where the maker has enough of them.
            drop(spare.try_send(text));
        }
        out.flush()?;
        Ok(rows)
    })
}

/// Deals batches in turn to the makers, until there are none left or nobody takes them any more.
fn deal(next: &mut impl FnMut(&mut Batch) -> bool, jobs: &[SyncSender<Batch>], used: &Receiver<Batch>) {
    for job in jobs.iter().cycle() {
        let mut batch = used.try_recv().unwrap_or_default();
        if !next(&mut batch) || job.send(batch).is_err() {
            return;
        }
    }
}

/// Makes lines of the batches that are dealt to it.
struct Maker<'r> {
    lines: Lines,
    range: Option<&'r Range<SessionTime>>,
    used: SyncSender<Batch>,
}

/// Where batches go in, where their lines and how many come out, and where memory of lines is given back.
type Ends = (SyncSender<Batch>, Receiver<(Text, u64)>, SyncSender<Text>);

impl<'r> Maker<'r> {
    fn start<'s>(mut self, scope: &'s Scope<'s, '_>) -> io::Result<Ends>
    where
        'r: 's,
    {
        let (job, jobs) = sync_channel::<Batch>(WAITING);
        let (made, texts) = sync_channel(WAITING);
        let (spare, spares) = sync_channel(WAITING);
        let work = move || {
            for batch in jobs {
                let mut text: Text = spares.try_recv().unwrap_or_default();
                text.clear();
                let rows = self.lines.append(&batch, self.range, &mut text);
                // Full only where the reader has enough of them.
                drop(self.used.try_send(batch));
                if made.send((text, rows)).is_err() {
                    return;
                }
            }
        };
        Builder::new().name("lines".to_owned()).spawn_scoped(scope, work)?;
        Ok((job, texts, spare))
    }
}
