//! Inputs as bytes, in the layout of `payload.md`.

use std::time::Duration;

use model::{
    Amount, Command, Dimension, HandItem, HandOutcome, HandReading, Input, InputKind, LineErrorKind, SessionTime, Unit,
};
use serde_json::{Value, json};

use crate::damage::DamageReason;
use crate::fields::Fields;
use crate::limits;

/// The layout that this version writes.
pub(crate) const VERSION: u8 = 1;

/// Bytes before the body of an input.
const HEAD: usize = 8 + 8 + 1 + 4;

mod kind {
    pub(super) const OPENED: u8 = 0;
    pub(super) const BYTES: u8 = 1;
    pub(super) const DATAGRAM: u8 = 2;
    pub(super) const SENT: u8 = 3;
    pub(super) const LOST: u8 = 4;
    pub(super) const LINE_ERROR: u8 = 5;
    pub(super) const CLOCK_STEP: u8 = 6;
    pub(super) const COMMAND: u8 = 7;
    pub(super) const END: u8 = 8;
}

/// What is too large to be recorded, and its length in bytes.
pub(crate) struct TooLarge {
    pub(crate) what: &'static str,
    pub(crate) bytes: usize,
}

/// An input ready to be appended to a message.
pub(crate) struct Encoded {
    head: [u8; HEAD],
    body: Vec<u8>,
}

impl Encoded {
    pub(crate) fn len(&self) -> usize {
        HEAD + self.body.len()
    }

    pub(crate) fn append_to(&self, message: &mut Vec<u8>) {
        message.extend_from_slice(&self.head);
        message.extend_from_slice(&self.body);
    }
}

/// `None` for an input that is never recorded.
pub(crate) fn encode(input: &Input) -> Result<Option<Encoded>, TooLarge> {
    let (kind, body) = match &input.kind {
        InputKind::Opened { source } => (kind::OPENED, text(source)?),
        InputKind::Bytes(bytes) => (kind::BYTES, bytes.clone()),
        InputKind::Datagram(bytes) => (kind::DATAGRAM, bytes.clone()),
        InputKind::Sent(bytes) => (kind::SENT, bytes.clone()),
        InputKind::Lost { why } => (kind::LOST, text(why)?),
        InputKind::LineError { kind, count } => {
            let kind = match kind {
                LineErrorKind::Parity => 0,
                LineErrorKind::Framing => 1,
                LineErrorKind::Overrun => 2,
                LineErrorKind::Break => 3,
            };
            let mut body = vec![kind];
            body.extend_from_slice(&count.to_le_bytes());
            (kind::LINE_ERROR, body)
        }
        InputKind::ClockStep { by_nanos } => (kind::CLOCK_STEP, by_nanos.to_le_bytes().to_vec()),
        InputKind::Command(command) => (kind::COMMAND, encode_command(command)?),
        InputKind::Quiet => return Ok(None),
        InputKind::End => (kind::END, Vec::new()),
    };
    if limits::INPUT < body.len() {
        return Err(TooLarge { what: "input", bytes: body.len() });
    }
    let len = u32::try_from(body.len()).map_err(|_| TooLarge { what: "input", bytes: body.len() })?;

    let mut head = [0; HEAD];
    head[..8].copy_from_slice(&input.number.to_le_bytes());
    head[8..16].copy_from_slice(&input.at.nanos.to_le_bytes());
    head[16] = kind;
    head[17..].copy_from_slice(&len.to_le_bytes());
    Ok(Some(Encoded { head, body }))
}

/// Takes the next input off a message, in place of what is in `input`, whose memory is used again.
///
/// After an error that is not about the message's own layout, `fields` stands at the following input.
pub(crate) fn decode(fields: &mut Fields<'_>, input: &mut Input) -> Result<(), DamageReason> {
    let Some((number, at, kind, body)) = split(fields) else {
        fields.0 = &[];
        return Err(DamageReason::WrongContent("the length of an input"));
    };
    if let (kind::BYTES, InputKind::Bytes(bytes)) = (kind, &mut input.kind)
        && body.len() <= limits::INPUT
    {
        bytes.clear();
        bytes.extend_from_slice(body);
    } else {
        input.kind = decode_kind(kind, body)?;
    }
    input.number = number;
    input.at = SessionTime::from_nanos(at);
    Ok(())
}

fn split<'a>(fields: &mut Fields<'a>) -> Option<(u64, u64, u8, &'a [u8])> {
    Some((fields.u64()?, fields.u64()?, fields.u8()?, fields.bytes()?))
}

fn decode_kind(kind: u8, body: &[u8]) -> Result<InputKind, DamageReason> {
    if limits::INPUT < body.len() {
        return Err(DamageReason::WrongContent("the length of an input"));
    }
    let text = || read_text(body).ok_or(DamageReason::WrongContent("the text of an input"));
    Ok(match kind {
        kind::OPENED => InputKind::Opened { source: text()? },
        kind::BYTES => InputKind::Bytes(body.to_vec()),
        kind::DATAGRAM => InputKind::Datagram(body.to_vec()),
        kind::SENT => InputKind::Sent(body.to_vec()),
        kind::LOST => InputKind::Lost { why: text()? },
        kind::LINE_ERROR => decode_line_error(body).ok_or(DamageReason::WrongContent("a line error"))?,
        kind::CLOCK_STEP => {
            let by_nanos = body.try_into().map(i64::from_le_bytes);
            InputKind::ClockStep { by_nanos: by_nanos.map_err(|_| DamageReason::WrongContent("a clock step"))? }
        }
        kind::COMMAND => InputKind::Command(decode_command(body).ok_or(DamageReason::WrongContent("a command"))?),
        kind::END if body.is_empty() => InputKind::End,
        kind::END => return Err(DamageReason::WrongContent("the end of the session")),
        unknown => return Err(DamageReason::UnknownKind(unknown)),
    })
}

fn decode_line_error(body: &[u8]) -> Option<InputKind> {
    let mut fields = Fields(body);
    let kind = match fields.u8()? {
        0 => LineErrorKind::Parity,
        1 => LineErrorKind::Framing,
        2 => LineErrorKind::Overrun,
        3 => LineErrorKind::Break,
        _ => return None,
    };
    let count = fields.u32()?;
    fields.is_empty().then_some(InputKind::LineError { kind, count })
}

fn encode_command(command: &Command) -> Result<Vec<u8>, TooLarge> {
    let value = match command {
        Command::Acknowledge { alarm } => json!({ "do": "acknowledge", "alarm": alarm }),
        Command::Shelve { alarm, length } => json!({
            "do": "shelve", "alarm": alarm, "seconds": length.as_secs(), "nanos": length.subsec_nanos(),
        }),
        Command::Mark { text: mark } => {
            text(mark)?;
            json!({ "do": "mark", "text": mark })
        }
        Command::Reading(reading) => {
            text(&reading.instrument)?;
            text(&reading.remark)?;
            encode_short_reading(reading).unwrap_or_else(|| encode_reading(reading))
        }
    };
    Ok(value.to_string().into_bytes())
}

/// The two readings that the first version knew keep its form where they say no more than it could.
fn encode_short_reading(reading: &HandReading) -> Option<Value> {
    let HandReading { item, outcome, value, instrument, remark, age_seconds } = reading;
    if !remark.is_empty() || *age_seconds != 0 {
        return None;
    }
    match (item, outcome, value) {
        (HandItem::PackVoltage, HandOutcome::Passed, Some(Amount { dimension: Dimension::Voltage, nanos })) => {
            Some(json!({ "do": "reading", "of": "pack voltage", "nanovolts": nanos, "instrument": instrument }))
        }
        (HandItem::SensePins, HandOutcome::Passed | HandOutcome::Failed, None) => {
            let passed = *outcome == HandOutcome::Passed;
            Some(json!({ "do": "reading", "of": "sense leads", "passed": passed, "instrument": instrument }))
        }
        _ => None,
    }
}

fn encode_reading(reading: &HandReading) -> Value {
    let mut value = json!({
        "do": "reading", "of": reading.item.key(), "outcome": reading.outcome.name(),
        "instrument": reading.instrument, "remark": reading.remark, "age_seconds": reading.age_seconds,
    });
    if let (Some(Amount { dimension, nanos }), Some(fields)) = (reading.value, value.as_object_mut()) {
        fields.insert("nanos".to_owned(), nanos.into());
        fields.insert("unit".to_owned(), dimension.base_unit().into());
    }
    value
}

fn decode_command(body: &[u8]) -> Option<Command> {
    let value: Value = serde_json::from_slice(body).ok()?;
    let whole = |key: &str| value.get(key).and_then(Value::as_u64);
    let alarm = || whole("alarm").and_then(|alarm| u32::try_from(alarm).ok());
    let text = |key: &str| value.get(key).and_then(Value::as_str).and_then(|text| read_text(text.as_bytes()));
    Some(match value.get("do")?.as_str()? {
        "acknowledge" => Command::Acknowledge { alarm: alarm()? },
        "shelve" => {
            let nanos = u32::try_from(whole("nanos")?).ok().filter(|nanos| *nanos < 1_000_000_000)?;
            Command::Shelve { alarm: alarm()?, length: Duration::new(whole("seconds")?, nanos) }
        }
        "mark" => Command::Mark { text: text("text")? },
        "reading" => {
            let instrument = text("instrument")?;
            Command::Reading(match value.get("of")?.as_str()? {
                "pack voltage" => HandReading::pack_voltage(value.get("nanovolts")?.as_i64()?, instrument),
                "sense leads" => HandReading::sense_pins(value.get("passed")?.as_bool()?, instrument),
                of => {
                    let item = HandItem::parse(of)?;
                    HandReading {
                        item,
                        outcome: HandOutcome::parse(value.get("outcome")?.as_str()?)?,
                        value: decode_amount(&value, item)?,
                        instrument,
                        remark: text("remark")?,
                        age_seconds: u32::try_from(whole("age_seconds")?).ok()?,
                    }
                }
            })
        }
        _ => return None,
    })
}

/// The value of a reading, if it has one. The outer `None`: it is none that the item can have.
fn decode_amount(reading: &Value, item: HandItem) -> Option<Option<Amount>> {
    let Some(nanos) = reading.get("nanos") else {
        return reading.get("unit").is_none().then_some(None);
    };
    let dimension = Unit::parse(reading.get("unit")?.as_str()?)?.dimension;
    let is_base = reading.get("unit")?.as_str()? == dimension.base_unit();
    (is_base && item.takes(dimension)).then_some(Some(Amount { dimension, nanos: nanos.as_i64()? }))
}

fn text(text: &str) -> Result<Vec<u8>, TooLarge> {
    if limits::TEXT < text.len() {
        return Err(TooLarge { what: "text of an input", bytes: text.len() });
    }
    Ok(text.as_bytes().to_vec())
}

fn read_text(bytes: &[u8]) -> Option<String> {
    if limits::TEXT < bytes.len() {
        return None;
    }
    std::str::from_utf8(bytes).ok().map(str::to_owned)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bytes_of(input: &Input) -> Vec<u8> {
        let mut message = Vec::new();
        encode(input).ok().flatten().expect("a recorded input").append_to(&mut message);
        message
    }

    /// Worked out by hand from the table in `payload.md`.
    #[test]
    fn the_layout_is_as_documented() {
        let at = SessionTime::from_nanos(0x0102);
        let input = Input { number: 7, at, kind: InputKind::Bytes(vec![0xAA, 0x55]) };
        assert_eq!(bytes_of(&input), [7, 0, 0, 0, 0, 0, 0, 0, 2, 1, 0, 0, 0, 0, 0, 0, 1, 2, 0, 0, 0, 0xAA, 0x55]);

        let kind = InputKind::LineError { kind: LineErrorKind::Overrun, count: 0x0304 };
        let body = bytes_of(&Input { number: 0, at, kind })[16..].to_vec();
        assert_eq!(body, [5, 5, 0, 0, 0, 2, 4, 3, 0, 0]);

        let kind = InputKind::ClockStep { by_nanos: -2 };
        let body = bytes_of(&Input { number: 0, at, kind })[16..].to_vec();
        assert_eq!(body, [6, 8, 0, 0, 0, 0xFE, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF]);
    }

    #[test]
    fn the_documented_commands_are_read() {
        let documented = include_str!("payload.md");
        let lines: Vec<&str> = documented.lines().filter(|line| line.starts_with("{\"do\"")).collect();
        assert_eq!(lines.len(), 8);
        for line in lines {
            let command = decode_command(line.as_bytes()).expect(line);
            let again = encode_command(&command).ok().expect(line);
            let value = |bytes: &[u8]| serde_json::from_slice::<Value>(bytes).expect(line);
            assert_eq!(value(&again), value(line.as_bytes()));
        }
    }

    #[test]
    fn what_is_not_as_described_is_refused() {
        for (kind, body) in [
            (kind::OPENED, &b"\xFF"[..]),
            (kind::LINE_ERROR, &[4, 0, 0, 0, 0]),
            (kind::LINE_ERROR, &[0, 0, 0, 0]),
            (kind::LINE_ERROR, &[0, 0, 0, 0, 0, 0]),
            (kind::CLOCK_STEP, &[0; 7]),
            (kind::CLOCK_STEP, &[0; 9]),
            (kind::COMMAND, b"{}"),
            (kind::COMMAND, br#"{"do":"shelve","alarm":1,"seconds":18446744073709551615,"nanos":1000000000}"#),
            (kind::COMMAND, br#"{"do":"acknowledge","alarm":4294967296}"#),
            (kind::COMMAND, br#"{"do":"reading","of":"pack voltage","nanovolts":1.5,"instrument":"x"}"#),
            (kind::COMMAND, br#"{"do":"reading","of":"volts","outcome":"passed","instrument":"","remark":"","age_seconds":0}"#),
            (kind::COMMAND, br#"{"do":"reading","of":"fuse","outcome":"fine","instrument":"","remark":"","age_seconds":0}"#),
            (kind::COMMAND, br#"{"do":"reading","of":"fuse","outcome":"passed","instrument":"","age_seconds":0}"#),
            (kind::COMMAND, br#"{"do":"reading","of":"fuse","outcome":"passed","instrument":"","remark":"","age_seconds":-1}"#),
            (kind::COMMAND, br#"{"do":"reading","of":"fuse","outcome":"passed","nanos":1,"unit":"V","instrument":"","remark":"","age_seconds":0}"#),
            (kind::COMMAND, br#"{"do":"reading","of":"bus-short","outcome":"passed","nanos":1,"instrument":"","remark":"","age_seconds":0}"#),
            (kind::COMMAND, br#"{"do":"reading","of":"bus-short","outcome":"passed","nanos":1,"unit":"kohm","instrument":"","remark":"","age_seconds":0}"#),
            (kind::COMMAND, br#"{"do":"reading","of":"bus-short","outcome":"passed","unit":"ohm","instrument":"","remark":"","age_seconds":0}"#),
            (kind::END, &[0]),
            (9, &[]),
            (kind::LOST, &[b'a'; limits::TEXT + 1]),
        ] {
            assert!(decode_kind(kind, body).is_err(), "kind {kind}");
        }
        let nested = "[".repeat(100_000);
        assert!(decode_kind(kind::COMMAND, nested.as_bytes()).is_err());
    }

    #[test]
    fn what_is_too_large_is_not_written() {
        let at = SessionTime::ZERO;
        let long = "x".repeat(limits::TEXT + 1);
        for kind in [
            InputKind::Bytes(vec![0; limits::INPUT + 1]),
            InputKind::Lost { why: long.clone() },
            InputKind::Command(Command::Mark { text: long }),
        ] {
            assert!(encode(&Input { number: 0, at, kind }).is_err());
        }
    }
}
