//! The command line.

use std::path::PathBuf;
use std::time::Duration;

use clap::{Args, Parser, Subcommand};
use model::{Amount, ByteRange, Dimension, HandReading};

const CAUTION: &str = "packwake advises and protects nothing: it is no fuse, no contactor, no BMS and no judgement. \
    Local codes and qualified practice come first. More than 60 V DC can kill; less still burns, and a DC arc does not \
    go out by itself. Props off, insulated tools, one hand, never alone, an isolated adapter, a plan for a lithium fire. \
    After opening the switch the bus stays charged: meter it before touching.";

const STATUSES: &str = "Exit status: 0 go, 1 no-go, 2 usage or unusable file, 3 cannot tell, 4 link lost or recording \
    incomplete.";

const REPORTED: &str = "The page needs nothing else: no script, no picture, no font from anywhere. Its first line is the \
    verdict. Exit status: 0 written, whatever the verdict, 2 usage or unusable file, 4 written, and the recording is \
    incomplete.";

const COMPARED: &str = "Like is compared with like only: the same stage, steps of the load of like size. Each line has the \
    old and the new value, their difference with its standard uncertainty, and whether it is beyond four of them. Exit \
    status: 0 compared, whatever changed, 2 usage, unusable file or no comparison (other cells), 4 compared, and a \
    recording is incomplete.";

const IDENTIFY: &str = "What was found is said on standard error, each with how sure it is and what it rests on; the draft goes to \
    standard output. It is tried on all the bytes before, and that figure is told. A draft is confirmed by nobody: hold \
    every value against a display, a data sheet or a meter, then take `draft = true` away; until then the answer is \
    never go.\n\n\
    Exit status: 0 a draft was made and most bytes are sound frames by it, 2 usage or unusable file, 3 cannot tell, 4 the \
    recording is incomplete.";

/// Watches battery management data during a first power-up and says go, no-go or cannot tell.
#[derive(Debug, Parser)]
#[command(version, about, max_term_width = 100, after_help = CAUTION, after_long_help = format!("{STATUSES}\n\n{CAUTION}"))]
pub(crate) struct Arguments {
    /// Without one, the desktop opens on the practice pack.
    #[command(subcommand)]
    pub(crate) task: Option<Task>,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Task {
    /// Watch a pack live: values, alarms, and a verdict with its reasons.
    #[command(after_help = STATUSES, after_long_help = format!("{}\n\n{STATUSES}", crate::by_hand::list()))]
    Watch(Box<Watch>),
    /// Open a recording in a window, to look at it again: its values over time, what happened, and when.
    Open(Open),
    /// Judge a recording, or a raw byte file, again.
    #[command(after_help = STATUSES)]
    Replay(Replay),
    /// Write what was received as CSV, one row a frame.
    Export(Export),
    /// Write a report of a session: a page to read and to print, whose first sheet is to be signed and kept with the pack.
    #[command(after_help = REPORTED)]
    Report(Report),
    /// Compare two recordings of the same pack: what drifted, as far as that can be told.
    #[command(after_help = COMPARED)]
    Compare(Compare),
    /// Show the bytes of a recording, or of a raw byte file: each frame part by part, and why the rest is none.
    Frames(Frames),
    /// Look for the protocol of unknown bytes: frames, checksum, likely values, and a draft of a protocol file.
    #[command(after_help = IDENTIFY, after_long_help = IDENTIFY)]
    Identify(Identify),
    /// Check protocol files, pack files and recordings, and run the examples of protocol files.
    Check(Check),
    /// Play a practice pack on a line of its own and print the path of that line.
    #[command(after_help = faults())]
    Simulate(Simulate),
    /// List the serial ports.
    Ports,
    /// Print what protocol or pack files may hold: a JSON Schema for editors, or a reference for people.
    Schema(Schema),
}

/// A recording to look at.
#[derive(Args, Debug)]
pub(crate) struct Open {
    /// The recording.
    #[arg(value_name = "FILE")]
    pub(crate) file: PathBuf,
}

/// Where a session comes from, and what it is judged by.
#[derive(Args, Debug)]
pub(crate) struct Watch {
    /// Serial port, such as /dev/ttyUSB0. A path that `ports` does not list is fine.
    #[arg(long, value_name = "PATH", group = "from")]
    pub(crate) port: Option<PathBuf>,
    /// Connect to HOST:PORT.
    #[arg(long, value_name = "HOST:PORT", group = "from")]
    pub(crate) tcp: Option<String>,
    /// Receive datagrams on HOST:PORT.
    #[arg(long, value_name = "HOST:PORT", group = "from")]
    pub(crate) udp: Option<String>,
    /// `-` reads standard input.
    #[arg(value_name = "-", group = "from", value_parser = ["-"])]
    pub(crate) standard_input: Option<String>,
    /// Watch the practice pack, sound or with a fault (see `simulate --help` for their names). Needs no files.
    #[arg(long, value_name = "FAULT", num_args = 0..=1, default_missing_value = "none", group = "from",
          conflicts_with_all = ["protocol", "pack", "baud", "may_ask"])]
    pub(crate) practice: Option<String>,
    /// Protocol file: what the line carries.
    #[arg(long, value_name = "FILE")]
    pub(crate) protocol: Option<PathBuf>,
    /// Pack file: what the pack may do.
    #[arg(long, value_name = "FILE")]
    pub(crate) pack: Option<PathBuf>,
    /// Bits a second, instead of the protocol file's.
    #[arg(long, value_name = "RATE")]
    pub(crate) baud: Option<u32>,
    /// Send the questions of the protocol file to the device, as often as it says; what is sent is shown first and
    /// recorded. Without this packwake only listens and sends nothing.
    #[arg(long)]
    pub(crate) may_ask: bool,
    /// Record every byte with its time. The file must not exist.
    #[arg(long, value_name = "FILE")]
    pub(crate) record: Option<PathBuf>,
    /// End after this time, such as 60s, 2min or 500ms.
    #[arg(long = "for", value_name = "TIME", value_parser = time)]
    pub(crate) length: Option<Duration>,
    /// Pack voltage read with a meter before the start, such as 92.41V.
    #[arg(long, value_name = "VOLTS", value_parser = volts, allow_hyphen_values = true)]
    pub(crate) meter: Option<i64>,
    /// Whether every sense pin, metered in ascending order and wiggled, was right.
    #[arg(long, value_name = "RESULT", value_parser = ["right", "wrong"])]
    pub(crate) sense_leads: Option<String>,
    /// A check before power and what was found, such as insulation-plus=2.1Mohm or props-off=passed; once for each. All of
    /// them are listed below.
    #[arg(long, value_name = "ITEM=FOUND", value_parser = crate::by_hand::parse)]
    pub(crate) hand: Vec<HandReading>,
    /// The instrument of these readings.
    #[arg(long, value_name = "NAME", default_value = "meter")]
    pub(crate) instrument: String,
    #[command(flatten)]
    pub(crate) print: Print,
}

/// How events are printed.
#[derive(Args, Debug)]
pub(crate) struct Print {
    /// Print one JSON object a line instead of text.
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Args, Debug)]
pub(crate) struct Replay {
    #[command(flatten)]
    pub(crate) from: Recorded,
    #[command(flatten)]
    pub(crate) print: Print,
}

/// A recording, or a raw byte file with what a recording would carry.
#[derive(Args, Debug)]
pub(crate) struct Recorded {
    /// A recording, or a file of raw bytes.
    #[arg(value_name = "FILE")]
    pub(crate) file: PathBuf,
    /// Protocol file; needed for raw bytes. With a recording it is used instead of the recorded one.
    #[arg(long, value_name = "FILE")]
    pub(crate) protocol: Option<PathBuf>,
    /// Pack file; needed for raw bytes. With a recording it is used instead of the recorded one.
    #[arg(long, value_name = "FILE")]
    pub(crate) pack: Option<PathBuf>,
    /// Line rate that the times of raw bytes are worked out from, instead of the protocol file's.
    #[arg(long, value_name = "RATE")]
    pub(crate) baud: Option<u32>,
}

#[derive(Args, Debug)]
pub(crate) struct Export {
    #[command(flatten)]
    pub(crate) from: Recorded,
    /// The CSV to write; `-` is standard output. An existing file is replaced when the new one is complete.
    #[arg(long, value_name = "OUT")]
    pub(crate) csv: PathBuf,
    /// Only rows from this time of the session on, such as 10s or 2min.
    #[arg(long = "from", value_name = "TIME", value_parser = moment)]
    pub(crate) start: Option<Duration>,
    /// Only rows before this time of the session.
    #[arg(long = "to", value_name = "TIME", value_parser = moment)]
    pub(crate) end: Option<Duration>,
}

#[derive(Args, Debug)]
pub(crate) struct Report {
    #[command(flatten)]
    pub(crate) from: Recorded,
    #[command(flatten)]
    pub(crate) to: PageFile,
    /// An earlier recording of the same pack: the page says what changed since.
    #[arg(long, value_name = "OLD")]
    pub(crate) since: Option<PathBuf>,
}

#[derive(Args, Debug)]
pub(crate) struct Compare {
    /// The older recording.
    #[arg(value_name = "OLD")]
    pub(crate) old: PathBuf,
    /// The newer one.
    #[arg(value_name = "NEW")]
    pub(crate) new: PathBuf,
    /// The page to write, such as drift.html; `-` is standard output. A file that is there stays as it is. Without this the
    /// comparison is printed.
    #[arg(short = 'o', long = "out", value_name = "OUT", conflicts_with = "json")]
    pub(crate) out: Option<PathBuf>,
    /// Write over OUT if it is there, when the new page is complete.
    #[arg(long, requires = "out")]
    pub(crate) replace: bool,
    #[command(flatten)]
    pub(crate) print: Print,
}

/// Where a page goes.
#[derive(Args, Debug)]
pub(crate) struct PageFile {
    /// The page to write, such as first.html; `-` is standard output. A file that is there stays as it is.
    #[arg(short = 'o', long = "out", value_name = "OUT")]
    pub(crate) out: PathBuf,
    /// Write over OUT if it is there, when the new page is complete.
    #[arg(long)]
    pub(crate) replace: bool,
}

#[derive(Args, Debug)]
pub(crate) struct Frames {
    /// A recording, or a file of raw bytes.
    #[arg(value_name = "FILE")]
    pub(crate) file: PathBuf,
    /// Which bytes of the stream, such as 1234..1312, counted from 0; the end is not shown. Without this and --from, the
    /// first 65536.
    #[arg(long, value_name = "A..B", value_parser = bytes, conflicts_with_all = ["from", "length"])]
    pub(crate) bytes: Option<ByteRange>,
    /// From which time of the session on, such as 10s.
    #[arg(long, value_name = "TIME", value_parser = time_of_session)]
    pub(crate) from: Option<Duration>,
    /// For how long from there, such as 2s.
    #[arg(long = "for", value_name = "TIME", value_parser = time, default_value = "1s", requires = "from")]
    pub(crate) length: Duration,
    /// One line a frame, without its parts.
    #[arg(long)]
    pub(crate) brief: bool,
    /// Protocol file; needed for raw bytes. With a recording it is used instead of the recorded one.
    #[arg(long, value_name = "FILE")]
    pub(crate) protocol: Option<PathBuf>,
    /// Line rate that the times of raw bytes are worked out from, instead of the protocol file's.
    #[arg(long, value_name = "RATE")]
    pub(crate) baud: Option<u32>,
}

#[derive(Args, Debug)]
#[command(group = clap::ArgGroup::new("bytes").required(true))]
pub(crate) struct Identify {
    /// A file of raw bytes, or a recording, of which the bytes and their times are taken and not its protocol. Of a long
    /// one the first 4 MiB are looked at.
    #[arg(value_name = "FILE", group = "bytes")]
    pub(crate) file: Option<PathBuf>,
    /// Listen to this serial port. Without --baud its rate is looked for: usual ones in turn, on the port opened once.
    #[arg(long, value_name = "PATH", group = "bytes")]
    pub(crate) port: Option<PathBuf>,
    /// Connect to HOST:PORT and listen.
    #[arg(long, value_name = "HOST:PORT", group = "bytes")]
    pub(crate) tcp: Option<String>,
    /// Listen for datagrams on HOST:PORT.
    #[arg(long, value_name = "HOST:PORT", group = "bytes")]
    pub(crate) udp: Option<String>,
    /// How long to listen, such as 30s or 2min. A minute in which a load is switched on and off tells most.
    #[arg(long = "for", value_name = "TIME", value_parser = time, default_value = "30s", conflicts_with = "file")]
    pub(crate) length: Duration,
    /// Record what is heard, every byte with its time. The file must not exist.
    #[arg(long, value_name = "FILE", conflicts_with = "file")]
    pub(crate) record: Option<PathBuf>,
    /// Write the draft to this file, which must not exist.
    #[arg(short, long, value_name = "OUT")]
    pub(crate) out: Option<PathBuf>,
    /// The rate of the line: to listen at, and for the draft to say.
    #[arg(long, value_name = "RATE")]
    pub(crate) baud: Option<u32>,
    #[command(flatten)]
    pub(crate) print: Print,
}

#[derive(Args, Debug)]
pub(crate) struct Check {
    /// Protocol files, pack files or recordings.
    #[arg(value_name = "FILE", required = true)]
    pub(crate) files: Vec<PathBuf>,
}

#[derive(Args, Debug)]
pub(crate) struct Schema {
    /// Which kind of file.
    #[arg(value_name = "KIND")]
    pub(crate) kind: FileKind,
    /// Print the tables and keys as Markdown instead.
    #[arg(long)]
    pub(crate) reference: bool,
}

/// A kind of file that people write.
#[derive(Clone, Copy, PartialEq, Eq, Debug, clap::ValueEnum)]
pub(crate) enum FileKind {
    Protocol,
    Pack,
}

#[derive(Args, Debug)]
pub(crate) struct Simulate {
    /// What is wrong with the pack or its line: one of the faults below.
    #[arg(value_name = "FAULT")]
    pub(crate) fault: Option<String>,
    /// When the fault begins; each has a usual time.
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub(crate) at: Option<Duration>,
    /// Where: the number of the cell or sensor.
    #[arg(long, value_name = "NUMBER", default_value_t = 0, hide_default_value = true)]
    pub(crate) place: u16,
    /// How bad, from 0 to 1.
    #[arg(long, value_name = "SHARE", default_value_t = 1.0)]
    pub(crate) severity: f64,
    /// The seed of everything left to chance.
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    pub(crate) seed: u64,
    /// Protocol file that the bytes follow; the practice pack's if left out.
    #[arg(long, value_name = "FILE")]
    pub(crate) protocol: Option<PathBuf>,
    /// Stop after this time.
    #[arg(long = "for", value_name = "TIME", value_parser = time)]
    pub(crate) length: Option<Duration>,
}

fn faults() -> String {
    let width = simulator::Fault::all().map(|kind| kind.name().len()).max().unwrap_or(0);
    let faults = simulator::Fault::all().map(|kind| format!("\n  {:<width$} {}", kind.name(), kind.about()));
    format!("Faults:{}", faults.collect::<String>())
}

fn time(text: &str) -> Result<Duration, String> {
    moment(text)
        .and_then(|length| if length.is_zero() { Err("write a time such as 60s".to_owned()) } else { Ok(length) })
}

/// A time since the beginning, which may be zero.
fn moment(text: &str) -> Result<Duration, String> {
    let amount = Amount::parse(text).map_err(|error| format!("{error}; write for example 60s"))?;
    amount.duration().ok_or_else(|| "write a time such as 60s".to_owned())
}

/// As [`time`], but the begin of the session is one, too.
fn time_of_session(text: &str) -> Result<Duration, String> {
    let amount = Amount::parse(text).map_err(|error| format!("{error}; write for example 10s"))?;
    amount.duration().ok_or_else(|| "write a time such as 10s".to_owned())
}

fn bytes(text: &str) -> Result<ByteRange, String> {
    let range = text.split_once("..").and_then(|(start, end)| {
        let range = ByteRange { start: start.trim().parse().ok()?, end: end.trim().parse().ok()? };
        (range.start < range.end).then_some(range)
    });
    range.ok_or_else(|| "write a range such as 1234..1312: the first byte, and one behind the last".to_owned())
}

fn volts(text: &str) -> Result<i64, String> {
    let amount = Amount::parse(text).map_err(|error| format!("{error}; write for example 92.41V"))?;
    (amount.dimension == Dimension::Voltage).then_some(amount.nanos).ok_or_else(|| "write volts, such as 92.41V".into())
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_sound() {
        super::Arguments::command().debug_assert();
    }
}
