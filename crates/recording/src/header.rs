//! The head of a recording: attachments and metadata for every reader, and a copy in one message for a damaged file.

use std::collections::BTreeMap;

use model::{SessionHeader, Times};
use serde_json::{Map, Value};

use crate::limits;
use crate::payload::TooLarge;

/// The container's profile; it also tells a recording whose first bytes are damaged.
pub(crate) const PROFILE: &str = "packwake-session";
/// The version of the whole file, beside that of each message.
const FORMAT: &str = "1";

pub(crate) const PROTOCOL: &str = "protocol.toml";
pub(crate) const PACK: &str = "pack.toml";
pub(crate) const METADATA: &str = "session";

/// Fixed ids, so that messages can be read where the record that describes their channel is lost.
pub(crate) const INPUTS_CHANNEL: u16 = 1;
pub(crate) const INPUTS_TOPIC: &str = "inputs";
pub(crate) const COPY_CHANNEL: u16 = 2;
pub(crate) const COPY_TOPIC: &str = "session";

/// Why no header could be made from what was found.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) enum HeaderFault {
    /// The file is of a later format.
    Newer(String),
    /// A value is missing or not as described.
    Unreadable,
}

/// Refuses texts that a reader would refuse.
pub(crate) fn check_lengths(header: &SessionHeader) -> Result<(), TooLarge> {
    let SessionHeader { protocol_text, pack_text, source, tool_version, host, .. } = header;
    for (what, text, limit) in [
        ("protocol text", protocol_text, limits::FILE_TEXT),
        ("pack text", pack_text, limits::FILE_TEXT),
        ("source", source, limits::TEXT),
        ("version of the tool", tool_version, limits::TEXT),
        ("host", host, limits::TEXT),
    ] {
        if limit < text.len() {
            return Err(TooLarge { what, bytes: text.len() });
        }
    }
    Ok(())
}

/// Everything but the two texts. The metadata records of the container have no checksum, so it brings its own.
pub(crate) fn to_metadata(header: &SessionHeader) -> BTreeMap<String, String> {
    let mut values = values_of(header);
    values.insert("crc32".into(), checksum(&values));
    values
}

fn values_of(header: &SessionHeader) -> BTreeMap<String, String> {
    let times = match header.times {
        Times::Measured => "measured",
        Times::Assumed => "assumed",
    };
    let mut values = BTreeMap::from([
        ("format".into(), FORMAT.into()),
        ("source".into(), header.source.clone()),
        ("practice".into(), if header.practice { "yes" } else { "no" }.into()),
        ("times".into(), times.into()),
        ("tool_version".into(), header.tool_version.clone()),
        ("host".into(), header.host.clone()),
    ]);
    if let Some(nanos) = header.started_utc_nanos {
        values.insert("started_utc_nanos".into(), nanos.to_string());
    }
    values
}

/// Whether the metadata is as it was written.
pub(crate) fn is_sound(metadata: &BTreeMap<String, String>) -> bool {
    let mut values = metadata.clone();
    values.remove("crc32").is_some_and(|written| written == checksum(&values))
}

fn checksum(values: &BTreeMap<String, String>) -> String {
    let mut hasher = crc32fast::Hasher::new();
    for part in values.iter().flat_map(|(key, value)| [key, value]) {
        hasher.update(part.as_bytes());
        hasher.update(&[0]);
    }
    format!("{:08x}", hasher.finalize())
}

pub(crate) fn from_parts(
    metadata: &BTreeMap<String, String>,
    protocol_text: String,
    pack_text: String,
) -> Result<SessionHeader, HeaderFault> {
    let value = |key: &str| metadata.get(key).map(String::as_str).ok_or(HeaderFault::Unreadable);
    let format = value("format")?;
    if format != FORMAT {
        return Err(HeaderFault::Newer(format.to_owned()));
    }
    let header = SessionHeader {
        protocol_text,
        pack_text,
        source: value("source")?.to_owned(),
        practice: match value("practice")? {
            "yes" => true,
            "no" => false,
            _ => return Err(HeaderFault::Unreadable),
        },
        times: match value("times")? {
            "measured" => Times::Measured,
            "assumed" => Times::Assumed,
            _ => return Err(HeaderFault::Unreadable),
        },
        started_utc_nanos: match metadata.get("started_utc_nanos") {
            None => None,
            Some(nanos) => Some(nanos.parse().map_err(|_| HeaderFault::Unreadable)?),
        },
        tool_version: value("tool_version")?.to_owned(),
        host: value("host")?.to_owned(),
    };
    check_lengths(&header).map_err(|_| HeaderFault::Unreadable)?;
    Ok(header)
}

/// The whole header as one JSON object: the metadata and the two texts under the names of their attachments.
pub(crate) fn to_copy(header: &SessionHeader) -> Vec<u8> {
    let mut object: Map<String, Value> =
        values_of(header).into_iter().map(|(key, value)| (key, Value::String(value))).collect();
    object.insert(PROTOCOL.into(), Value::String(header.protocol_text.clone()));
    object.insert(PACK.into(), Value::String(header.pack_text.clone()));
    Value::Object(object).to_string().into_bytes()
}

pub(crate) fn from_copy(bytes: &[u8]) -> Result<SessionHeader, HeaderFault> {
    let Ok(Value::Object(object)) = serde_json::from_slice(bytes) else { return Err(HeaderFault::Unreadable) };
    let mut values = BTreeMap::new();
    for (key, value) in object {
        let Value::String(value) = value else { return Err(HeaderFault::Unreadable) };
        values.insert(key, value);
    }
    let protocol_text = values.remove(PROTOCOL).ok_or(HeaderFault::Unreadable)?;
    let pack_text = values.remove(PACK).ok_or(HeaderFault::Unreadable)?;
    from_parts(&values, protocol_text, pack_text)
}
