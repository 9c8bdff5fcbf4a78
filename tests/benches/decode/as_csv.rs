//! From bytes to the text of a table: ours, and what one would write with the usual crates.

use std::hint::black_box;
use std::io::{self, Write};
use std::num::NonZero;
use std::sync::Arc;

use model::{Batch, Layout, SessionTime, format_nanos_exact};
use parser::{Decoder, Protocol};
use report::CsvWriter;

use crate::hand;
use crate::table::Table;
use crate::workload::{PROTOCOL, sound};
use crate::{PIECE, best, timed};

/// Bytes of the stream: the slower contenders take their time.
const BYTES: usize = 16 << 20;

/// Who writes, and in what words that is said.
const WRITERS: [(&str, Make); 4] =
    [("csv + ryu", with_ryu), ("csv + strings", with_strings), ("ours", ours), ("ours, 2 threads", ours_on_two)];

/// Decodes a stream and writes its table.
type Make = fn(&Task, &[u8], &mut dyn Write);

/// What is made once.
struct Task {
    protocol: Arc<Protocol>,
}

impl Task {
    fn new() -> Self {
        let (protocol, faults) = Protocol::parse(PROTOCOL);
        assert_eq!(faults, []);
        Self { protocol: Arc::new(protocol.expect("no fault")) }
    }

    fn layout(&self) -> &Layout {
        self.protocol.layout()
    }
}

/// When each piece of the stream was read.
fn pieces(stream: &[u8]) -> impl Iterator<Item = (SessionTime, &[u8])> {
    (1..).zip(stream.chunks(PIECE)).map(|(number, piece)| (SessionTime::from_millis(50 * number), piece))
}

/// The decoder by hand, each float by `ryu`, the crate `csv` as the writer.
fn with_ryu(task: &Task, stream: &[u8], out: &mut dyn Write) {
    let mut csv = csv::Writer::from_writer(out);
    write_header(task, &mut csv);
    let mut table = Table::new();
    let mut text = ryu::Buffer::new();
    let (mut from, mut end) = (0, 0);
    for (at, piece) in pieces(stream) {
        end += piece.len();
        table.rows = 0;
        from += hand::decode(&stream[from..end], &mut table);
        let seconds = at.nanos as f64 / 1e9;
        for row in 0..table.rows {
            csv.write_field(text.format(seconds)).unwrap();
            for column in table.sent() {
                csv.write_field(text.format(column[row])).unwrap();
            }
            csv.write_record(None::<&[u8]>).unwrap();
        }
    }
    csv.flush().unwrap();
}

/// Our decoder, each number exactly as a string, the crate `csv` as the writer.
fn with_strings(task: &Task, stream: &[u8], out: &mut dyn Write) {
    let mut csv = csv::Writer::from_writer(out);
    write_header(task, &mut csv);
    let (mut decoder, mut batch) = (Decoder::new(Arc::clone(&task.protocol)), Batch::default());
    for (at, piece) in pieces(stream) {
        decoder.push(at, piece);
        decoder.take_into(&mut batch);
        let (Some(rows), layout) = (batch.kinds.first(), &task.layout().kinds[0]) else { continue };
        for (row, at) in rows.at.iter().enumerate() {
            csv.write_field(at.to_string()).unwrap();
            for (index, (column, layout)) in rows.columns.iter().zip(&layout.columns).enumerate() {
                let text = match index {
                    33.. => column.raw(row).unwrap().int().unwrap().to_string(),
                    32 => format_nanos_exact(column.nanos(row, &layout.scale).unwrap(), 2),
                    25..=30 => format_nanos_exact(column.nanos(row, &layout.scale).unwrap(), 1),
                    _ => format_nanos_exact(column.nanos(row, &layout.scale).unwrap(), 3),
                };
                csv.write_field(text).unwrap();
            }
            csv.write_record(None::<&[u8]>).unwrap();
        }
    }
    csv.flush().unwrap();
}

fn write_header<W: Write>(task: &Task, csv: &mut csv::Writer<W>) {
    let names = task.layout().kinds[0].columns.iter().map(|column| column.channel.column_name());
    csv.write_record(std::iter::once("time_s".to_owned()).chain(names)).unwrap();
}

fn ours(task: &Task, stream: &[u8], out: &mut dyn Write) {
    let (mut decoder, mut batch) = (Decoder::new(Arc::clone(&task.protocol)), Batch::default());
    let mut csv = CsvWriter::new(task.layout(), out).unwrap();
    for (at, piece) in pieces(stream) {
        decoder.push(at, piece);
        decoder.take_into(&mut batch);
        csv.batch(&batch).unwrap();
    }
    csv.finish().unwrap();
}

fn ours_on_two(task: &Task, stream: &[u8], out: &mut dyn Write) {
    let mut decoder = Decoder::new(Arc::clone(&task.protocol));
    let mut pieces = pieces(stream);
    let next = |batch: &mut Batch| {
        for (at, piece) in pieces.by_ref() {
            decoder.push(at, piece);
            if decoder.take_into(batch) {
                return true;
            }
        }
        false
    };
    report::export(task.layout(), next, None, NonZero::new(2).unwrap(), out).unwrap();
}

/// Looks at each byte's place and keeps nothing.
struct Nowhere;

impl Write for Nowhere {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        Ok(black_box(bytes).len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Compares the texts and prints rates.
pub(crate) fn all() {
    let (stream, frames) = sound(BYTES);
    let task = Task::new();
    let bytes = assert_same(&task, &stream[..1 << 20]);
    println!("\n{:<16} {:>9} {:>9}", "to CSV", "MB/s", "of ryu");
    let best = best(&stream, |slice| WRITERS.map(|(_, make)| timed(|| make(&task, slice, &mut Nowhere))));
    for (time, (who, _)) in best.iter().zip(WRITERS) {
        let (time, of_ryu) = (time.as_secs_f64(), time.as_secs_f64() / best[0].as_secs_f64());
        println!("{who:<16} {:>9.0} {of_ryu:>9.3}", stream.len() as f64 / 1e6 / time);
    }
    println!("{frames} frames, {bytes} bytes of text for each MiB; {:.1} times as fast as csv with ryu", {
        best[0].as_secs_f64() / best[2].as_secs_f64()
    });
}

/// Writes the table of a stream once; how many rows.
pub(crate) fn once(who: &str, bytes: usize) -> usize {
    let (stream, frames) = sound(bytes);
    let (_, make) = WRITERS.iter().find(|(name, _)| *name == who).expect("a writer");
    decode_to_csv(*make, &Task::new(), &stream);
    frames
}

#[inline(never)]
fn decode_to_csv(make: Make, task: &Task, stream: &[u8]) {
    make(task, stream, &mut Nowhere);
}

/// The text is that of the strings, byte for byte. What `ryu` writes has no zeros at the end ("4.2" for "4.200") and
/// always a point ("0.0" for "0"): read as numbers, all cells are the same.
fn assert_same(task: &Task, stream: &[u8]) -> usize {
    let [by_ryu, by_strings, ours, on_two] = WRITERS.map(|(_, make)| {
        let mut out = Vec::new();
        make(task, stream, &mut out);
        String::from_utf8(out).expect("text")
    });
    assert!(ours == by_strings, "the same text as through strings");
    assert!(ours == on_two, "the same text on two threads");
    let (mut rows, mut of_ryu) = (ours.lines(), by_ryu.lines());
    assert_eq!(rows.next(), of_ryu.next());
    let number = |text: &str| text.parse::<f64>().expect("a number").to_bits();
    let mut count = 0;
    for (row, of_ryu) in rows.by_ref().zip(of_ryu.by_ref()) {
        assert!(row.split(',').map(number).eq(of_ryu.split(',').map(number)), "{row}, by ryu {of_ryu}");
        count += 1;
    }
    assert!(10_000 < count && rows.next().is_none() && of_ryu.next().is_none());
    ours.len()
}
