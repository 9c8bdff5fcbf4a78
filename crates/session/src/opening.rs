//! Makes a live session from what a person chose: paths and addresses; opens recordings.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use model::{Command, Fault, Level, LineSettings, SessionHeader, Times};
use parser::Protocol;
use rules::Pack;
use transport::{SerialSource, Source};

use crate::engine::Unusable;
use crate::live::Live;
use crate::snapshot::Failure;
use crate::worker::with_causes;

/// A text file is never larger than this.
const LARGEST_TEXT: u64 = 1024 * 1024;

/// Where the bytes come from.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum From {
    /// A serial port.
    Port(PathBuf),
    /// A connection to host and port.
    Tcp(String),
    /// Datagrams on an own address and port.
    Udp(String),
}

/// What a person chose.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Choice {
    /// Where the bytes come from.
    pub from: From,
    /// The protocol file.
    pub protocol: PathBuf,
    /// The pack file.
    pub pack: PathBuf,
    /// Where to record, if at all. The file must not exist.
    pub record: Option<PathBuf>,
    /// Bits a second of a serial port, instead of the protocol file's.
    pub baud: Option<u32>,
    /// The person allows that the questions of the protocol file are sent.
    pub may_ask: bool,
    /// Readings taken by hand.
    pub before: Vec<Command>,
    /// The version of the program, for the recording.
    pub tool_version: String,
    /// The name of the machine, for the recording.
    pub host: String,
}

/// Opens a recording, with what to tell a person where that fails.
///
/// # Errors
/// It can't be read, or is none.
pub fn recording(path: &Path) -> Result<recording::Recording, Failure> {
    let recording = recording::Recording::open(path).map_err(|error| Failure {
        text: with_causes(&error),
        hint: error.hint().map(str::to_owned),
        ..Failure::default()
    })?;
    if recording.header().protocol_text.is_empty() {
        let hint = "in a terminal `packwake identify FILE -o draft.toml` drafts its protocol, and `packwake replay FILE \
                    --protocol draft.toml --pack pack.toml` judges it";
        let text = "this recording has no protocol and no pack: it was made to find out what its line carries";
        return Err(Failure { text: text.to_owned(), hint: Some(hint.to_owned()), ..Failure::default() });
    }
    Ok(recording)
}

/// The protocol that a recording brings along.
///
/// # Errors
/// Its text has errors: it was made by another version of this program.
pub fn protocol_of(header: &SessionHeader) -> Result<Arc<Protocol>, Failure> {
    let (protocol, faults) = Protocol::parse(&header.protocol_text);
    protocol.map(Arc::new).ok_or_else(|| {
        let protocol = faults.into_iter().filter(|fault| fault.level == Level::Error).collect();
        let unusable = Unusable { protocol, pack: Vec::new() };
        Failure { text: unusable.to_string(), protocol: unusable.protocol, ..Failure::default() }
    })
}

/// Reads the files and makes a session of it.
///
/// # Errors
/// A file can't be read or has errors; all errors of both files are told at once.
pub fn prepare(choice: Choice) -> Result<Live, Failure> {
    let (protocol_text, protocol) = read(&choice.protocol, Protocol::parse);
    let (pack_text, pack) = read(&choice.pack, Pack::parse);
    let (protocol, _) = match (protocol, pack) {
        (Ok(protocol), Ok(pack)) => (protocol, pack),
        (protocol, pack) => {
            let (what, first) = match (&protocol, &pack) {
                (Err(fault), _) => ("protocol", fault.text.clone()),
                (_, Err(fault)) => ("pack", fault.text.clone()),
                (Ok(_), Ok(_)) => ("", String::new()),
            };
            return Err(Failure {
                text: format!("the {what} file can't be used: {first}"),
                hint: None,
                protocol: protocol.err().map(|fault| fault.faults).unwrap_or_default(),
                pack: pack.err().map(|fault| fault.faults).unwrap_or_default(),
            });
        }
    };
    let (source, name) = match choice.from {
        From::Port(path) => {
            let mut settings = protocol.line().unwrap_or(LineSettings::new(115_200));
            if let Some(baud) = choice.baud {
                settings.baud = baud;
            }
            let name = format!("{} at {settings}", path.display());
            (Source::Serial(SerialSource { path, settings }), name)
        }
        From::Tcp(address) => {
            let name = format!("tcp {address}");
            (Source::Tcp { address }, name)
        }
        From::Udp(bind) => {
            let name = format!("udp {bind}");
            (Source::Udp { bind }, name)
        }
    };
    let header = SessionHeader {
        protocol_text,
        pack_text,
        source: name,
        practice: false,
        times: Times::Measured,
        started_utc_nanos: None,
        tool_version: choice.tool_version,
        host: choice.host,
    };
    Ok(Live { source, header, record: choice.record, length: None, before: choice.before, may_ask: choice.may_ask })
}

/// Reads a pack file alone. It may take a moment: not to be called while drawing.
///
/// # Errors
/// It can't be read or has errors; the first, in words.
pub fn read_pack(path: &Path) -> Result<Pack, String> {
    read(path, Pack::parse).1.map_err(|unreadable| unreadable.text)
}

/// Reads the text of a protocol or pack file. It may take a moment: not to be called while drawing.
///
/// # Errors
/// It can't be read, in words.
pub fn read_text(path: &Path) -> Result<String, String> {
    let (text, result) = read(path, |_| (Some(()), Vec::new()));
    result.map(|()| text).map_err(|unreadable| unreadable.text)
}

/// How many faults keep the text of a protocol file from being used. It may take a moment: not to be called while
/// drawing.
pub fn protocol_errors(text: &str) -> usize {
    let (protocol, faults) = Protocol::parse(text);
    match protocol {
        Some(_) => 0,
        None => faults.iter().filter(|fault| fault.level == Level::Error).count().max(1),
    }
}

struct Unreadable {
    text: String,
    faults: Vec<Fault>,
}

/// The text, and what it says or what is wrong with it.
fn read<T>(path: &Path, parse: fn(&str) -> (Option<T>, Vec<Fault>)) -> (String, Result<T, Unreadable>) {
    let mut bytes = Vec::new();
    // One byte more than there may be: what has no end is refused too.
    let read = std::fs::File::open(path).and_then(|file| file.take(LARGEST_TEXT + 1).read_to_end(&mut bytes));
    let refuse = |text: String| Err(Unreadable { text: format!("{text} ({})", path.display()), faults: Vec::new() });
    if let Err(error) = read {
        return (String::new(), refuse(error.to_string()));
    }
    if LARGEST_TEXT < bytes.len() as u64 {
        return (String::new(), refuse("it is larger than a protocol or pack file can be".to_owned()));
    }
    let Ok(text) = String::from_utf8(bytes) else {
        return (String::new(), refuse("it is not text".to_owned()));
    };
    let (checked, faults) = parse(&text);
    match checked {
        Some(checked) => (text, Ok(checked)),
        None => {
            let errors: Vec<Fault> = faults.into_iter().filter(|fault| fault.level == Level::Error).collect();
            let first = errors.first().map_or_else(String::new, ToString::to_string);
            (text, Err(Unreadable { text: first, faults: errors }))
        }
    }
}

/// A serial port that can be chosen.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Port {
    /// The device to open.
    pub path: PathBuf,
    /// What it is, and who has it open, in words.
    pub about: String,
}

/// The serial ports of this machine. It may take a moment: not to be called while drawing.
///
/// # Errors
/// The system does not list them; in words.
pub fn serial_ports() -> Result<Vec<Port>, String> {
    let ports = transport::ports().map_err(|error| with_causes(&error))?;
    let port = |port: transport::PortInfo| Port {
        about: match &port.held_by {
            Some(holder) => format!("{}, open in {}", port.description, holder.program),
            None => port.description.clone(),
        },
        path: port.path,
    };
    Ok(ports.into_iter().map(port).collect())
}
