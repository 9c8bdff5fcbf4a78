//! Reads protocol files, pack files, recordings and raw bytes, and says what is wrong with them.

use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};

use anyhow::Result;
use model::{Fault, Input, Level, LineSettings, SessionHeader, Times};
use parser::Protocol;
use rules::Pack;

use crate::args::Recorded;
use crate::faults::{self, FaultyFile};
use crate::output::{Hinted, Prose};

/// A text file is never larger than this.
const LARGEST_TEXT: u64 = 1024 * 1024;

/// A file that can't be read: what the system says, and what to do.
pub(crate) fn unreadable(path: &Path, error: &std::io::Error) -> anyhow::Error {
    let hint = match error.kind() {
        ErrorKind::NotFound => "check the name",
        ErrorKind::IsADirectory => "give a file in that folder",
        ErrorKind::PermissionDenied => "ask its owner for the right to read it",
        _ => "check the disk",
    };
    Hinted::error(format!("can't read {}: {error}", path.display()), hint)
}

/// Reads a text file.
pub(crate) fn read_text(path: &Path) -> Result<String> {
    let mut bytes = Vec::new();
    // One byte more than there may be: what has no end is refused too.
    std::fs::File::open(path)
        .and_then(|file| file.take(LARGEST_TEXT + 1).read_to_end(&mut bytes))
        .map_err(|error| unreadable(path, &error))?;
    if LARGEST_TEXT < bytes.len() as u64 {
        return Err(Hinted::error(
            format!("{} is larger than a protocol or pack file can be", path.display()),
            "is it a recording? Then give it to replay or check",
        ));
    }
    String::from_utf8(bytes).map_err(|_| {
        Hinted::error(format!("{} is not text", path.display()), "protocol and pack files are TOML in UTF-8")
    })
}

/// A protocol file that has been checked, with its text.
pub(crate) fn read_protocol(path: &Path, prose: &mut Prose) -> Result<(Protocol, String)> {
    let text = read_text(path)?;
    let (protocol, faults) = Protocol::parse(&text);
    let protocol = sound(path, &text, protocol, faults, prose)?;
    Ok((protocol, text))
}

/// A pack file that has been checked, with its text.
pub(crate) fn read_pack(path: &Path, prose: &mut Prose) -> Result<(Pack, String)> {
    let text = read_text(path)?;
    let (pack, faults) = Pack::parse(&text);
    let pack = sound(path, &text, pack, faults, prose)?;
    Ok((pack, text))
}

/// Says the warnings; errors become the error.
fn sound<T>(path: &Path, text: &str, checked: Option<T>, faults: Vec<Fault>, prose: &mut Prose) -> Result<T> {
    match checked {
        Some(checked) => {
            for fault in &faults {
                prose.say(&faults::render(path, text, fault, prose.is_terminal()));
            }
            Ok(checked)
        }
        None => Err(anyhow::Error::new(FaultyFile::new(path, text, faults))),
    }
}

/// The name of this program with its version, as recordings carry it.
pub(crate) fn tool_version() -> String {
    format!("packwake {}", env!("CARGO_PKG_VERSION"))
}

/// The name of this machine; empty where the system does not say.
pub(crate) fn host_name() -> String {
    std::fs::read_to_string("/etc/hostname").map(|name| name.trim().to_owned()).unwrap_or_default()
}

/// The inputs of a session that was, and its header.
pub(crate) struct Session {
    pub(crate) header: SessionHeader,
    pub(crate) inputs: Inputs,
    pub(crate) size_bytes: u64,
}

/// Where the inputs come from.
pub(crate) enum Inputs {
    Recording(Box<recording::Inputs>),
    Raw { file: Box<transport::RawFile>, read_bytes: u64 },
}

impl Inputs {
    /// What is missing or damaged, in words. Known when all inputs are read.
    pub(crate) fn damage(&self) -> Vec<String> {
        match self {
            Self::Recording(inputs) => session::accounts::damage(inputs),
            Self::Raw { .. } => Vec::new(),
        }
    }

    /// How far it has been read.
    pub(crate) fn position_bytes(&self) -> u64 {
        match self {
            Self::Recording(inputs) => inputs.position_bytes(),
            Self::Raw { read_bytes, .. } => *read_bytes,
        }
    }
}

impl Iterator for Inputs {
    type Item = Input;

    fn next(&mut self) -> Option<Input> {
        match self {
            Self::Recording(inputs) => inputs.next(),
            Self::Raw { file, read_bytes } => {
                let input = file.next();
                if let Some(Input { kind: model::InputKind::Bytes(bytes), .. }) = &input {
                    *read_bytes += bytes.len() as u64;
                }
                input
            }
        }
    }
}

/// Whether a file is a recording. A folder is an error: it is no raw bytes either.
pub(crate) fn is_recording(path: &Path) -> Result<bool> {
    let recorded = recording::is_recording(path).map_err(|error| unreadable(path, &error))?;
    if path.is_dir() {
        return Err(unreadable(path, &ErrorKind::IsADirectory.into()));
    }
    Ok(recorded)
}

/// Opens a recording, or a raw byte file with a protocol and a pack.
pub(crate) fn open(from: &Recorded, prose: &mut Prose) -> Result<Session> {
    if is_recording(&from.file)? {
        let opened = recording::Recording::open(&from.file)?;
        let mut header = opened.header().clone();
        if let Some(path) = &from.protocol {
            header.protocol_text = read_protocol(path, prose)?.1;
        }
        if let Some(path) = &from.pack {
            header.pack_text = read_pack(path, prose)?.1;
        }
        if header.protocol_text.is_empty() || header.pack_text.is_empty() {
            return Err(without_texts(&from.file));
        }
        let size_bytes = opened.len_bytes();
        return Ok(Session { header, inputs: Inputs::Recording(Box::new(opened.inputs_ahead())), size_bytes });
    }
    let missing = |name: &str| {
        Hinted::error(
            format!("{} is no recording; raw bytes need --{name}", from.file.display()),
            "a recording carries its protocol and pack; raw bytes do not, and their times are only assumed",
        )
    };
    let (protocol, protocol_text) = read_protocol(from.protocol.as_deref().ok_or_else(|| missing("protocol"))?, prose)?;
    let (_, pack_text) = read_pack(from.pack.as_deref().ok_or_else(|| missing("pack"))?, prose)?;
    let line = line_settings(&protocol, from.baud, from.protocol.as_deref())?;
    let file = transport::raw_inputs(&from.file, &line)?;
    let size_bytes = std::fs::metadata(&from.file).map_or(0, |file| file.len());
    let name = from.file.file_name().map_or_else(PathBuf::new, PathBuf::from);
    let header = SessionHeader {
        protocol_text,
        pack_text,
        source: format!("raw bytes {}", name.display()),
        practice: false,
        times: Times::Assumed,
        started_utc_nanos: None,
        tool_version: tool_version(),
        host: host_name(),
    };
    Ok(Session { header, inputs: Inputs::Raw { file: Box::new(file), read_bytes: 0 }, size_bytes })
}

/// A recording that `identify` made of a line that nobody knew.
fn without_texts(path: &Path) -> anyhow::Error {
    Hinted::error(
        format!("{} has no protocol and no pack: it was made to find out what its line carries", path.display()),
        "give --protocol FILE (`packwake identify` drafts one) and, to judge it, --pack FILE",
    )
}

/// The bytes of a session that was, without a pack.
pub(crate) struct Line {
    pub(crate) protocol_text: String,
    pub(crate) times: Times,
    pub(crate) inputs: Inputs,
}

/// Opens a recording, or a raw byte file with a protocol, for its bytes alone.
pub(crate) fn open_line(path: &Path, protocol: Option<&Path>, baud: Option<u32>, prose: &mut Prose) -> Result<Line> {
    if is_recording(path)? {
        let opened = recording::Recording::open(path)?;
        let protocol_text = match protocol {
            Some(path) => read_protocol(path, prose)?.1,
            None if opened.header().protocol_text.is_empty() => return Err(without_texts(path)),
            None => opened.header().protocol_text.clone(),
        };
        let inputs = Inputs::Recording(Box::new(opened.inputs_ahead()));
        return Ok(Line { protocol_text, times: opened.header().times, inputs });
    }
    let named = protocol.ok_or_else(|| {
        let text = format!("{} is no recording; raw bytes need --protocol", path.display());
        Hinted::error(text, "a recording carries its protocol; raw bytes do not, and their times are only assumed")
    })?;
    let (protocol, protocol_text) = read_protocol(named, prose)?;
    let file = transport::raw_inputs(path, &line_settings(&protocol, baud, Some(named))?)?;
    let inputs = Inputs::Raw { file: Box::new(file), read_bytes: 0 };
    Ok(Line { protocol_text, times: Times::Assumed, inputs })
}

/// The protocol's line settings, with another rate where one was given.
pub(crate) fn line_settings(protocol: &Protocol, baud: Option<u32>, path: Option<&Path>) -> Result<LineSettings> {
    match (protocol.line(), baud) {
        (Some(line), Some(baud)) => Ok(LineSettings { baud, ..line }),
        (Some(line), None) => Ok(line),
        (None, Some(baud)) => Ok(LineSettings::new(baud)),
        (None, None) => {
            let path = path.map_or("the protocol file".to_owned(), |path| path.display().to_string());
            Err(Hinted::error(format!("{path} says no line rate"), "add [line] with baud = ..., or give --baud"))
        }
    }
}

/// Whether any of the faults makes the file unusable.
pub(crate) fn has_error(faults: &[Fault]) -> bool {
    faults.iter().any(|fault| fault.level == Level::Error)
}
