//! Streams and frames of open standards, made by other programs, decoded by protocol files to the last value.
//!
//! Where each value comes from is said beside the test; the data lie in `tests/reference` of the workspace, whose
//! README names their sources and licences.

#![allow(clippy::unwrap_used, reason = "the helpers of a test fail as it does")]

mod support;

use std::sync::Arc;

use model::{Batch, ByteRange, Item, Quantity, Raw, Reason, SessionTime};
use parser::{Decoder, Protocol};
use serde_json::Value;
use support::{protocol, shipped};

macro_rules! reference {
    ($path:literal) => {
        concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/reference/", $path)
    };
}

fn decode(protocol: &Arc<Protocol>, bytes: &[u8]) -> Batch {
    let mut decoder = Decoder::new(Arc::clone(protocol));
    decoder.push(SessionTime::ZERO, bytes);
    decoder.finish(SessionTime::ZERO);
    decoder.take().unwrap_or_default()
}

fn json(text: &str) -> Value {
    serde_json::from_str(text).unwrap()
}

fn hex(text: &str) -> Vec<u8> {
    text.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
}

/// Kind and row of each item; panics at a rejection.
fn rows(batch: &Batch) -> Vec<(usize, usize)> {
    assert_eq!(batch.rejected, []);
    let row = |item: &Item| match *item {
        Item::Row { kind, row } => (usize::from(kind), row as usize),
        Item::Rejected(_) => panic!("rejected"),
    };
    batch.order.iter().map(row).collect()
}

fn reasons(batch: &Batch) -> Vec<Reason> {
    batch.rejected.iter().map(|rejected| rejected.reason.clone()).collect()
}

/// What a row says of a part: one entry a repeat, `None` where it has no value.
struct Row<'b> {
    protocol: &'b Protocol,
    batch: &'b Batch,
    kind: usize,
    row: usize,
}

impl Row<'_> {
    fn name(&self) -> &str {
        &self.protocol.layout().kinds[self.kind].name
    }

    fn columns(&self, part: &str) -> impl Iterator<Item = usize> {
        let columns = &self.protocol.layout().kinds[self.kind].columns;
        let found: Vec<usize> = (0..columns.len()).filter(|index| columns[*index].part == part).collect();
        assert!(!found.is_empty(), "no part {part:?} in {:?}", self.name());
        found.into_iter()
    }

    fn raws(&self, part: &str) -> Vec<Option<i64>> {
        let raw = |column: usize| self.batch.kinds[self.kind].columns[column].raw(self.row).and_then(Raw::int);
        self.columns(part).map(|column| raw(column).map(|raw| raw.try_into().unwrap())).collect()
    }

    fn nanos(&self, part: &str) -> Vec<Option<i64>> {
        let layout = &self.protocol.layout().kinds[self.kind].columns;
        let rows = &self.batch.kinds[self.kind].columns;
        self.columns(part).map(|column| rows[column].nanos(self.row, &layout[column].scale)).collect()
    }

    fn bytes(&self) -> ByteRange {
        self.batch.kinds[self.kind].bytes[self.row]
    }
}

fn each<'b>(protocol: &'b Protocol, batch: &'b Batch) -> Vec<Row<'b>> {
    rows(batch).into_iter().map(|(kind, row)| Row { protocol, batch, kind, row }).collect()
}

fn integers(value: &Value) -> Vec<i64> {
    value.as_array().unwrap().iter().map(|number| number.as_i64().unwrap()).collect()
}

fn some(numbers: &[i64]) -> Vec<Option<i64>> {
    numbers.iter().copied().map(Some).collect()
}

// MAVLink: messages of common.xml as carried in PyPI pymavlink 2.4.50; the bytes were decoded back by pymavlink and by
// a second, independent decoder.

/// 600 BATTERY_STATUS, 600 SYS_STATUS, 60 HEARTBEAT: `mavlink_12s_10hz_60s`.
#[test]
fn a_minute_of_mavlink() {
    let protocol = shipped("mavlink");
    let bytes = include_bytes!(reference!("streams/mavlink_12s_10hz_60s.bin"));
    let truth = json(include_str!(reference!("streams/mavlink_12s_10hz_60s.json")));
    let truth = truth["frames_list"].as_array().unwrap();
    assert_eq!((truth.len(), bytes.len()), (1260, 61260));

    let batch = decode(&protocol, bytes);
    let rows = each(&protocol, &batch);
    assert_eq!(rows.len(), 1260);
    let mut seen = [0; 3];
    for (row, wanted) in rows.iter().zip(truth) {
        let number = |key: &str| wanted[key].as_i64().unwrap();
        let start = wanted["offset"].as_u64().unwrap();
        let end = start + wanted["length"].as_u64().unwrap();
        assert_eq!(row.bytes(), ByteRange { start, end });
        match wanted["kind"].as_str().unwrap() {
            "HEARTBEAT" => {
                seen[0] += 1;
                assert_eq!(row.name(), "heartbeat");
            }
            "SYS_STATUS" => {
                seen[1] += 1;
                assert_eq!(row.name(), "system");
                assert_eq!(row.nanos("pack"), [Some(number("voltage_battery_mV") * 1_000_000)]);
                assert_eq!(row.nanos("current"), [Some(number("current_cA") * 10_000_000)]);
                assert_eq!(row.nanos("charge"), [Some(number("battery_remaining") * 1_000_000_000)]);
            }
            "BATTERY_STATUS" => {
                seen[2] += 1;
                assert_eq!(row.name(), "battery");
                let cells = integers(&wanted["cells_mV"]);
                assert_eq!(row.raws("cell"), some(&cells[..10]));
                assert_eq!(row.raws("cell_ext"), [Some(cells[10]), Some(cells[11]), None, None]);
                let nanos: i64 = row.nanos("cell").into_iter().chain(row.nanos("cell_ext")).flatten().sum();
                assert_eq!(nanos, number("sum_mV") * 1_000_000);
                assert_eq!(row.nanos("current"), [Some(number("current_cA") * 10_000_000)]);
                assert_eq!(row.nanos("temperature"), [Some(number("temperature_cdegC") * 10_000_000)]);
            }
            other => panic!("{other}"),
        }
    }
    assert_eq!(seen, [60, 600, 600]);
}

/// A shipped file in which the parts without a channel are shown too, as states, so that they can be looked at.
fn with_every_part(text: &str) -> Arc<Protocol> {
    let (frames, messages) = text.split_once("[[message]]").unwrap();
    let mut place = 50;
    let lines = messages.lines().map(|line| {
        let part = line.trim_start().starts_with("{ name") && !line.contains("channel") && !line.contains("equals");
        let Some(head) = line.strip_suffix(" },").filter(|_| part) else { return line.to_owned() };
        place += 10;
        format!("{head}, channel = \"status\", from = {place}, states = [{{ value = 0, text = \"zero\" }}] }},")
    });
    let messages: Vec<String> = lines.collect();
    protocol(&format!("{frames}[[message]]{}\n", messages.join("\n")))
}

/// A key of the truth, the part that shows it, and the numbers that mean "absent".
type Shown = (&'static str, &'static str, &'static [i64]);

/// The 14 frames of `mavlink_known_frames`, each value of each: alone, and one behind the other.
#[test]
fn known_frames_of_mavlink() {
    let protocol = with_every_part(support::text_of("mavlink"));
    let truth = json(include_str!(reference!("streams/mavlink_known_frames.json")));
    let truth = truth.as_array().unwrap();
    let lines = include_str!(reference!("streams/mavlink_known_frames.hex")).lines();
    let frames: Vec<Vec<u8>> = lines.filter(|line| !line.starts_with('#')).map(hex).collect();
    assert_eq!((truth.len(), frames.len()), (14, 14));

    let mut checked = 0;
    let mut check = |row: &Row<'_>, wanted: &Value| {
        let (kind, names): (&str, &[Shown]) = match wanted["message"].as_str().unwrap() {
            "HEARTBEAT" => (
                "heartbeat",
                &[
                    ("custom_mode", "custom_mode", &[]),
                    ("type", "type", &[]),
                    ("autopilot", "autopilot", &[]),
                    ("base_mode", "base_mode", &[]),
                    ("system_status", "system_status", &[]),
                    ("mavlink_version", "version", &[]),
                ],
            ),
            "SYS_STATUS" => (
                "system",
                &[
                    ("onboard_control_sensors_present", "sensors_present", &[]),
                    ("onboard_control_sensors_enabled", "sensors_enabled", &[]),
                    ("onboard_control_sensors_health", "sensors_healthy", &[]),
                    ("load", "load", &[]),
                    ("voltage_battery", "pack", &[65535]),
                    ("current_battery", "current", &[-1]),
                    ("battery_remaining", "charge", &[-1]),
                    ("drop_rate_comm", "drop_rate", &[]),
                    ("errors_comm", "errors_comm", &[]),
                ],
            ),
            "BATTERY_STATUS" => (
                "battery",
                &[
                    ("battery_function", "function", &[]),
                    ("type", "type", &[]),
                    ("temperature", "temperature", &[32767]),
                    ("voltages", "cell", &[65535]),
                    ("current_battery", "current", &[-1]),
                    ("current_consumed", "consumed", &[]),
                    ("energy_consumed", "energy", &[]),
                    ("battery_remaining", "charge", &[-1]),
                    ("time_remaining", "time_remaining", &[]),
                    ("charge_state", "charge_state", &[]),
                    ("voltages_ext", "cell_ext", &[0]),
                    ("mode", "mode", &[]),
                    ("fault_bitmask", "faults", &[]),
                ],
            ),
            other => panic!("{other}"),
        };
        assert_eq!(row.name(), kind);
        let values = wanted["values"].as_object().unwrap();
        for (key, part, absent) in names {
            let Some(value) = values.get(*key) else {
                // Version 1 has no extensions.
                assert_eq!(wanted["version"], 1, "{key}");
                continue;
            };
            let numbers = if value.is_array() { integers(value) } else { vec![value.as_i64().unwrap()] };
            let numbers: Vec<_> =
                numbers.into_iter().map(|number| (!absent.contains(&number)).then_some(number)).collect();
            assert_eq!(row.raws(part), numbers, "{key} of frame {}", wanted["seq"]);
            checked += numbers.len();
        }
        if kind == "system" {
            let errors: Vec<i64> =
                (1..5).map(|index| values[&format!("errors_count{index}")].as_i64().unwrap()).collect();
            assert_eq!(row.raws("errors"), some(&errors));
            checked += 4;
        }
        if kind == "battery" {
            assert_eq!(values["id"], 0);
        }
    };
    for (frame, wanted) in frames.iter().zip(truth) {
        let batch = decode(&protocol, frame);
        let rows = each(&protocol, &batch);
        assert_eq!(rows.len(), 1, "frame {}", wanted["seq"]);
        assert_eq!(rows[0].bytes(), ByteRange { start: 0, end: wanted["length"].as_u64().unwrap() });
        check(&rows[0], wanted);
    }
    let batch = decode(&protocol, &frames.concat());
    let rows = each(&protocol, &batch);
    assert_eq!(rows.len(), 14);
    for (row, wanted) in rows.iter().zip(truth) {
        check(row, wanted);
    }
    assert!(400 < checked, "{checked} values");
}

/// Frames 19 and 20 of `mavlink_known_frames`: the total in the fields for cells. common.xml: above 65.534 V the rest
/// stands in the second field.
#[test]
fn the_total_of_a_pack_without_cells() {
    let protocol = shipped("mavlink-total");
    let truth = json(include_str!(reference!("streams/mavlink_known_frames.json")));
    for wanted in truth.as_array().unwrap().iter().filter(|frame| frame["message"] == "BATTERY_STATUS") {
        let batch = decode(&protocol, &hex(wanted["hex"].as_str().unwrap()));
        match wanted["seq"].as_u64().unwrap() {
            19 => assert_eq!(each(&protocol, &batch)[0].nanos("pack"), [Some(67_200_000_000)]),
            20 => assert_eq!(each(&protocol, &batch)[0].nanos("pack"), [Some(50_400_000_000)]),
            // Cells, which must not be taken for a total.
            _ => assert_eq!(reasons(&batch), [Reason::UnknownMessage]),
        }
    }
}

/// A message that the file does not describe is never a row and never damage, wherever it stands; nor is one byte of it
/// changed into a row. ATTITUDE (30) by pymavlink 2.4.50, as in the examples of mavlink.toml.
#[test]
fn unknown_mavlink_is_unverified() {
    let protocol = shipped("mavlink");
    let unknown = hex("FD 10 00 00 07 01 01 1E 00 00 E8 03 00 00 CD CC CC 3D CD CC 4C 3E 9A 99 99 3E 00 00");
    let known = include_bytes!(reference!("streams/mavlink_12s_10hz_60s.bin"));
    let mut stream = Vec::new();
    for frame in (0..10).cycle().take(20) {
        stream.extend_from_slice(&unknown);
        // A second of the stream, without its heartbeat.
        stream.extend_from_slice(&known[frame * 100 + 21..frame * 100 + 121]);
    }
    stream.extend_from_slice(&unknown);
    let batch = decode(&protocol, &stream);
    assert_eq!(reasons(&batch), vec![Reason::Unverified; 21]);
    assert!(batch.rejected.iter().all(|rejected| rejected.bytes.len() == unknown.len() as u64));
    assert_eq!(batch.kinds.iter().map(|rows| rows.at.len()).sum::<usize>(), 40);
}

/// A false start whose length happens to end where another frame begins must not swallow the good frames between.
#[test]
fn a_false_start_swallows_no_good_frame() {
    let protocol = shipped("mavlink");
    let known = include_bytes!(reference!("streams/mavlink_12s_10hz_60s.bin"));
    let good = &known[21..321];
    let whole = decode(&protocol, good).kinds;
    for length in 0..=255_u8 {
        for start in [&[0xFD, length, 0, 0, 9, 1, 1, 30, 0, 0][..], &[0xFE, length, 9, 1, 1, 30]] {
            let stream = [start, good, good].concat();
            let batch = decode(&protocol, &stream);
            let found: usize = batch.kinds.iter().map(|rows| rows.at.len()).sum();
            assert_eq!(found, 2 * whole.iter().map(|rows| rows.at.len()).sum::<usize>(), "length {length}");
        }
    }
}

// Modbus: the bytes were decoded back with a public Modbus library and with struct and crccheck. Frame layout and
// exception codes: MODBUS Application Protocol Specification V1.1b3 (2012); ASCII framing and LRC: MODBUS over serial
// line V1.02 (2006).

const ANSWERS: &[u8] = include_bytes!(reference!("streams/modbus_rtu_fc03_16cells.bin"));

fn modbus_truth() -> Vec<Value> {
    let truth = json(include_str!(reference!("streams/modbus_fc03_16cells.json")));
    let rows = truth["rows"].as_array().unwrap().clone();
    assert_eq!(rows.len(), 600);
    rows
}

/// `modbus_rtu_fc03_16cells`: answers without their questions. With a file that takes them on trust each is a row; with one that
/// pairs them none is.
#[test]
fn modbus_answers_alone() {
    let trusting = protocol(include_str!(reference!("protocols/modbus-answers.toml")));
    let batch = decode(&trusting, ANSWERS);
    let rows = each(&trusting, &batch);
    let truth = modbus_truth();
    assert_eq!(rows.len(), 600);
    for (row, wanted) in rows.iter().zip(&truth) {
        let cells = integers(&wanted["cells_mV"]);
        assert_eq!(row.raws("cell"), some(&cells));
        assert_eq!(row.nanos("cell"), some(&cells.iter().map(|cell| cell * 1_000_000).collect::<Vec<_>>()));
        let start = wanted["offset"].as_u64().unwrap();
        assert_eq!(row.bytes(), ByteRange { start, end: start + wanted["length"].as_u64().unwrap() });
    }
    let paired = decode(&shipped("modbus-rtu"), ANSWERS);
    assert_eq!(reasons(&paired), vec![Reason::Unpaired; 600]);
    assert_eq!(paired.order.len(), 600);
}

/// `modbus_rtu_request_response`: questions and answers on one line, told apart and paired.
#[test]
fn modbus_questions_and_answers() {
    let protocol = shipped("modbus-rtu");
    let stream = include_bytes!(reference!("streams/modbus_rtu_request_response.bin"));
    let batch = decode(&protocol, stream);
    let rows = each(&protocol, &batch);
    assert_eq!(rows.len(), 1200);
    for (pair, wanted) in rows.chunks(2).zip(modbus_truth()) {
        let [question, answer] = pair else { panic!() };
        let at = |key: &str| wanted[key].as_u64().unwrap();
        assert_eq!((question.name(), answer.name()), ("ask_cells", "cells"));
        assert_eq!(question.bytes().start, at("pair_offset_request"));
        assert_eq!(answer.bytes().start, at("pair_offset_response"));
        assert_eq!(answer.bytes().len(), at("length"));
        assert_eq!(answer.raws("cell"), some(&integers(&wanted["cells_mV"])));
    }
}

/// The same answers as lines of hexadecimal (made here by pymodbus; places and lengths of the lines are those of the
/// JSON).
#[test]
fn modbus_ascii_answers() {
    let lines = include_bytes!(reference!("streams/modbus_ascii_fc03_16cells.txt"));
    assert_eq!(reasons(&decode(&shipped("modbus-ascii"), lines)), vec![Reason::Unpaired; 600]);
    let text = support::text_of("modbus-ascii").replace("answers = \"ask_cells\"\n", "");
    let text = text.replace("[\"ask_cells\", \"ask_pack\"]", "\"ask_pack\"");
    let trusting = protocol(text.split("[[example]]").next().unwrap());
    let batch = decode(&trusting, lines);
    let rows = each(&trusting, &batch);
    assert_eq!(rows.len(), 600);
    for (row, wanted) in rows.iter().zip(modbus_truth()) {
        assert_eq!(row.raws("cell"), some(&integers(&wanted["cells_mV"])));
        let start = wanted["ascii_offset"].as_u64().unwrap();
        // The row ends with CR; LF behind it is filling.
        assert_eq!(row.bytes(), ByteRange { start, end: start + wanted["ascii_length"].as_u64().unwrap() - 1 });
    }
}

/// `modbus_worked_examples`: the example of V1.1b3 section 6.3 (03 00 6B 00 03, answered 03 06 02 2B 00 00 00 64: registers 555, 0,
/// 100) with the addresses 17 and 1, in both framings, and exception 02 (section 7).
#[test]
fn modbus_worked_examples() {
    let examples = json(include_str!(reference!("streams/modbus_worked_examples.json")));
    let frames: Vec<(String, Vec<u8>)> = examples
        .as_array()
        .unwrap()
        .iter()
        .map(|example| (example["name"].as_str().unwrap().to_owned(), hex(example["hex"].as_str().unwrap())))
        .collect();
    assert_eq!(frames.len(), 7);
    let mut seen = 0;
    for (file, server) in [("modbus-rtu", 1), ("modbus-rtu", 17), ("modbus-ascii", 17)] {
        let text = support::text_of(file).split("[[example]]").next().unwrap();
        let protocol = protocol(&text.replace("server = 1,", &format!("server = {server},")));
        let ascii = file == "modbus-ascii";
        let of = |what: &str| {
            let named = |name: &str| {
                let mut words = name.split([' ', ',', ':']);
                name.contains(what)
                    && words.any(|word| word == server.to_string())
                    && name.starts_with("ASCII") == ascii
            };
            frames.iter().find(|(name, _)| named(name)).map(|(_, bytes)| bytes.clone())
        };
        let question = of("request").unwrap();
        let batch = decode(&protocol, &[question.clone(), of("response").unwrap()].concat());
        let rows = each(&protocol, &batch);
        assert_eq!(rows.iter().map(Row::name).collect::<Vec<_>>(), ["ask_pack", "pack"]);
        assert_eq!(
            (rows[1].raws("pack"), rows[1].raws("current"), rows[1].raws("charge")),
            (vec![Some(555)], vec![Some(0)], vec![Some(100)])
        );
        seen += 2;
        if let Some(refusal) = of("exception") {
            let batch = decode(&protocol, &[question, refusal.clone(), refusal].concat());
            // The refusal closes the question: a second one answers nothing.
            assert_eq!(reasons(&batch), [Reason::Unpaired]);
            assert_eq!(batch.order.len(), 3);
            seen += 1;
        }
    }
    assert_eq!(seen, 7);
}

/// MODBUS over serial line V1.02, 6.2.2, page 41: the CRC of 02 07 is 1241, sent as 41 12.
#[test]
fn the_crc_example_of_the_serial_line_guide() {
    let protocol = protocol(
        r#"
protocol = "guide"
[[frame]]
name = "f"
parts = [{ name = "body", role = "body" }, { name = "crc", type = "u16 le", role = "check", crc = "CRC-16/MODBUS" }]
[[message]]
name = "m"
frames = ["f"]
every = "1 s"
parts = [{ name = "server", type = "u8", equals = 2 }, { name = "function", type = "u8", channel = "frame counter" }]
"#,
    );
    let batch = decode(&protocol, &hex("02 07 41 12"));
    assert_eq!(each(&protocol, &batch)[0].raws("function"), [Some(7)]);
}

// The 600 records of `bin16s.json` in four framings, decoded back with PyPI cobs, sliplib, construct, crccheck and
// crcmod; the HDLC one made here by crccheck and a few lines of our own (`make_standard_examples.py`), places and
// lengths as in the JSON.

fn records(text: &str, bytes: &[u8], key: &str, skipped: u64) {
    let protocol = protocol(text);
    let truth = json(include_str!(reference!("streams/bin16s.json")));
    let truth = truth["rows"].as_array().unwrap();
    let batch = decode(&protocol, bytes);
    let rows = each(&protocol, &batch);
    assert_eq!((rows.len(), truth.len()), (600, 600), "{key}");
    for (row, wanted) in rows.iter().zip(truth) {
        let record: Vec<u8> = {
            let text = wanted["record_hex"].as_str().unwrap();
            (0..text.len()).step_by(2).map(|at| u8::from_str_radix(&text[at..at + 2], 16).unwrap()).collect()
        };
        let time = u32::from_le_bytes(record[2..6].try_into().unwrap());
        assert_eq!(row.raws("time"), [Some(time.into())], "{key}");
        assert_eq!(row.raws("cell"), some(&integers(&wanted["cells_mV"])), "{key}");
        for (part, name) in [("current", "current_cA"), ("temperature", "temp_ddegC"), ("pack", "pack_cV")] {
            assert_eq!(row.raws(part), [wanted[name].as_i64()], "{key}");
        }
        let (start, length) = (wanted[key][0].as_u64().unwrap(), wanted[key][1].as_u64().unwrap());
        // The end byte in front of a packet belongs to nothing.
        assert_eq!(row.bytes(), ByteRange { start: start + skipped, end: start + length }, "{key}");
    }
}

#[test]
fn records_in_four_framings() {
    let sync = include_bytes!(reference!("streams/bin16s_sync.bin"));
    records(include_str!(reference!("protocols/bin16s-sync.toml")), sync, "sync", 0);
    let cobs = include_bytes!(reference!("streams/bin16s_cobs.bin"));
    records(include_str!(reference!("protocols/bin16s-cobs.toml")), cobs, "cobs", 0);
    let slip = include_bytes!(reference!("streams/bin16s_slip.bin"));
    records(include_str!(reference!("protocols/bin16s-slip.toml")), slip, "slip", 1);
    let hdlc = include_bytes!(reference!("streams/bin16s_hdlc.bin"));
    records(include_str!(reference!("protocols/bin16s-hdlc.toml")), hdlc, "hdlc", 1);
}

/// One damaged byte costs one record, whichever byte it is and in whichever framing; two where it joins them or splits
/// one.
#[test]
fn one_damaged_byte_in_four_framings() {
    for (text, bytes, length) in [
        (
            include_str!(reference!("protocols/bin16s-cobs.toml")),
            &include_bytes!(reference!("streams/bin16s_cobs.bin"))[..],
            48,
        ),
        (
            include_str!(reference!("protocols/bin16s-slip.toml")),
            include_bytes!(reference!("streams/bin16s_slip.bin")),
            48,
        ),
        (
            include_str!(reference!("protocols/bin16s-hdlc.toml")),
            include_bytes!(reference!("streams/bin16s_hdlc.bin")),
            48,
        ),
    ] {
        let protocol = protocol(text);
        let part = &bytes[..10 * length];
        let whole = decode(&protocol, part).kinds[0].bytes.clone();
        for at in 2 * length..3 * length {
            let mut damaged = part.to_vec();
            damaged[at] ^= 0x01;
            let found = decode(&protocol, &damaged);
            assert!(found.kinds[0].bytes.iter().all(|range| whole.contains(range)), "byte {at} of {}", protocol.name());
            assert!(whole.len() <= found.kinds[0].bytes.len() + 2, "byte {at} of {}", protocol.name());
        }
    }
}

// Byte stuffing: published vectors through the whole decoder.

/// A packet of bytes, each shown as millivolts.
fn packets(stuffing: &str) -> Arc<Protocol> {
    protocol(&format!(
        r#"
protocol = "packets"
[line]
stuffing = {stuffing:?}
[[frame]]
name = "f"
parts = [{{ name = "body", role = "body" }}]
[[message]]
name = "m"
frames = ["f"]
every = "1 s"
parts = [{{ name = "byte", type = "u8", times = "rest", places = 300, unit = "mV", channel = "cell voltage" }}]
"#
    ))
}

/// What the packets in a stream hold.
fn unwrapped(stuffing: &str, line: &[u8]) -> Vec<Vec<u8>> {
    let protocol = packets(stuffing);
    let batch = decode(&protocol, line);
    let carried = |row: &Row<'_>| row.raws("byte").into_iter().flatten().map(|byte| byte.try_into().unwrap()).collect();
    each(&protocol, &batch).iter().map(carried).collect()
}

/// RFC 1055 (1988): codes and rules; sliplib gave the same.
#[test]
fn slip_vectors() {
    for (packet, line) in [
        ("C0", "DB DC C0"),
        ("DB", "DB DD C0"),
        ("01 C0 02 DB 03", "C0 01 DB DC 02 DB DD 03 C0"),
        ("DC DD", "DC DD C0"),
    ] {
        assert_eq!(unwrapped("slip", &hex(line)), [hex(packet)]);
    }
    // Empty packets between two end bytes are ignored.
    assert_eq!(unwrapped("slip", &hex("C0 C0 C0 01 C0 C0 02 C0")), [[1], [2]]);
    assert_eq!(reasons(&decode(&packets("slip"), &hex("01 DB 02 C0")))[0], Reason::BadStuffing);
}

/// RFC 1662 (1994) 4.2: 7D and the byte XOR 20; a receiver takes more escapes than are needed. Also the whole PPP frame
/// FF 03 C0 21 01 01 00 04 with its FCS-16, computed by crccheck, in both maps of control characters.
#[test]
fn hdlc_vectors() {
    for (packet, line) in
        [("7E", "7E 7D 5E 7E"), ("7D", "7E 7D 5D 7E"), ("11 13", "7E 7D 31 7D 33 7E"), ("11 13", "7E 11 13 7E")]
    {
        assert_eq!(unwrapped("hdlc", &hex(line)), [hex(packet)]);
    }
    // One flag between two frames is enough; an escape in front of a flag gives a frame up.
    assert_eq!(unwrapped("hdlc", &hex("7E 01 7E 02 7E")), [[1], [2]]);
    assert_eq!(reasons(&decode(&packets("hdlc"), &hex("7E 01 7D 7E")))[0], Reason::BadStuffing);

    let ppp = protocol(
        r#"
protocol = "ppp"
[line]
stuffing = "hdlc"
[[frame]]
name = "f"
parts = [
  { name = "address", type = "u8", equals = 0xFF },
  { name = "control", type = "u8", equals = 0x03 },
  { name = "protocol", type = "u16 be", role = "id" },
  { name = "body", role = "body" },
  { name = "fcs", type = "u16 le", role = "check", crc = "CRC-16/IBM-SDLC" },
]
[[message]]
name = "link_control"
frames = ["f"]
id = { protocol = 0xC021 }
every = "1 s"
parts = [
  { name = "code", type = "u8", equals = 1 },
  { name = "identifier", type = "u8", channel = "frame counter" },
  { name = "length", type = "u16 be", equals = 4 },
]
"#,
    );
    for line in ["7E FF 7D 23 C0 21 7D 21 7D 21 7D 20 7D 24 D1 B5 7E", "7E FF 03 C0 21 01 01 00 04 D1 B5 7E"] {
        let batch = decode(&ppp, &hex(line));
        assert_eq!(each(&ppp, &batch)[0].raws("identifier"), [Some(1)]);
    }
}

/// Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2), 1999; PyPI cobs 1.2.2 and the crate cobs gave the
/// same.
#[test]
fn cobs_vectors() {
    let range = |from: u8, to: u8| (from..=to).collect::<Vec<u8>>();
    let cases: Vec<(Vec<u8>, Vec<u8>)> = vec![
        (hex("00"), hex("01 01")),
        (hex("00 00"), hex("01 01 01")),
        (hex("00 11 00"), hex("01 02 11 01")),
        (hex("11 22 00 33"), hex("03 11 22 02 33")),
        (hex("11 22 33 44"), hex("05 11 22 33 44")),
        (hex("11 00 00 00"), hex("02 11 01 01 01")),
        (hex("45 00 00 2C 4C 79 00 00 40 06 4F 37"), hex("02 45 01 04 2C 4C 79 01 05 40 06 4F 37")),
        (range(1, 0xFE), [vec![0xFF], range(1, 0xFE)].concat()),
        (range(1, 0xFF), [vec![0xFF], range(1, 0xFE), vec![0x02, 0xFF]].concat()),
        (range(0, 0xFE), [vec![0x01, 0xFF], range(1, 0xFE)].concat()),
        ([range(2, 0xFF), vec![0]].concat(), [vec![0xFF], range(2, 0xFF), vec![1, 1]].concat()),
        ([range(3, 0xFF), vec![0, 1]].concat(), [vec![0xFE], range(3, 0xFF), vec![2, 1]].concat()),
    ];
    let mut line = vec![0x01, 0x00]; // An empty packet.
    let mut packets = Vec::new();
    for (packet, encoded) in cases {
        line.extend(encoded);
        line.push(0);
        packets.push(packet);
    }
    assert_eq!(unwrapped("cobs", &line), packets);
}

// Thermistors.

/// The temperatures, in degrees Celsius, of numbers sent as u24 by a part with this curve.
fn temperatures(curve: &str, numbers: &[u32]) -> Vec<Option<f64>> {
    let protocol = protocol(&format!(
        r#"
protocol = "sensor"
[[frame]]
name = "f"
start = "AA"
parts = [{{ name = "body", role = "body" }}, {{ name = "sum", type = "u8", role = "check", sum = "xor" }}]
[[message]]
name = "m"
frames = ["f"]
every = "1 s"
parts = [{{ name = "sensor", type = "u24 be", unit = "degC", channel = "temperature", curve = {{ {curve} }} }}]
"#
    ));
    let mut bytes = Vec::new();
    for number in numbers {
        let [_, high, middle, low] = number.to_be_bytes();
        bytes.extend([0xAA, high, middle, low, high ^ middle ^ low]);
    }
    let batch = decode(&protocol, &bytes);
    #[expect(clippy::cast_precision_loss, reason = "temperatures")]
    each(&protocol, &batch).iter().map(|row| row.nanos("sensor")[0].map(|nanos| nanos as f64 / 1e9)).collect()
}

#[track_caller]
fn near(curve: &str, cases: &[(u32, f64)], tolerance: f64) {
    let numbers: Vec<u32> = cases.iter().map(|(number, _)| *number).collect();
    for ((number, wanted), got) in cases.iter().zip(temperatures(curve, &numbers)) {
        let got = got.unwrap_or_else(|| panic!("{number} has no value"));
        assert!((got - wanted).abs() <= tolerance, "{number}: {got}, wanted {wanted}");
    }
}

/// Steinhart and Hart, Deep-Sea Research 15 (1968) 497; coefficients of a common 10 k NTC, very widely published;
/// values computed apart. Then a published calculator example (origin from memory), and the printed table of an
/// instrument manual, whose other points a fit at 0, 25 and 50 degC gives within 0.002 degC.
#[test]
fn steinhart_hart() {
    near(
        "steinhart_hart = [1.129148e-3, 2.34125e-4, 8.76741e-8]",
        &[(32650, 0.0002), (19900, 10.003), (10000, 24.9997), (4370, 44.9823), (1000, 87.1681)],
        0.0001,
    );
    near("steinhart_hart = [2.1085081731e-3, 7.979204727e-5, 6.535076315e-7]", &[(7000, 32.8003)], 0.0001);
    near(
        "steinhart_hart = [1.1041591e-3, 2.3891795e-4, 6.93163e-8]",
        &[(32128, 0.0), (19549, 10.0), (12262, 20.0), (9814, 25.0), (7908, 30.0), (3542, 50.0)],
        0.0025,
    );
}

/// R = R0 exp(B (1/T - 1/T0)), R0 10 k at 298.15 K: the closed form, computed apart. Numbers here are tenths of an ohm,
/// rounded.
#[test]
fn beta() {
    let tenths = |ohms: f64| {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a resistance below 16 Mohm")]
        let tenths = (ohms * 10.0).round() as u32;
        tenths
    };
    for (beta, points) in [
        (
            "3950",
            &[
                (-20.0, 105_384.69),
                (-10.0, 58_245.71),
                (0.0, 33_620.60),
                (10.0, 20_174.58),
                (40.0, 5301.47),
                (45.0, 4348.14),
                (60.0, 2486.16),
                (80.0, 1270.32),
                (100.0, 697.52),
            ][..],
        ),
        ("3435", &[(0.0, 28_704.29), (45.0, 4846.87), (60.0, 2980.85)]),
        ("3380", &[(0.0, 28_223.73), (45.0, 4903.40), (60.0, 3039.19)]),
    ] {
        let cases: Vec<(u32, f64)> = points.iter().map(|(celsius, ohms)| (tenths(*ohms), *celsius)).collect();
        near(&format!("beta = {beta}, r0 = \"10 kohm\", ohms = 0.1"), &cases, 0.005);
    }
    near("beta = 3950, r0 = \"10 kohm\"", &[(20000, 10.1765), (5000, 41.4602), (1000, 87.7197)], 0.0001);
    // The same at another reference temperature.
    near("beta = 3950, r0 = \"33620.6 ohm\", t0 = \"0 degC\"", &[(10000, 25.0)], 0.001);
}

/// A divider with a pull-up of 10 k, 12 bits, the sensor at ground: the closed form, computed apart. An open sensor
/// reads full, a short zero: neither is a temperature.
#[test]
fn dividers() {
    let ground = "beta = 3950, r0 = \"10 kohm\", divider = { fixed = \"10 kohm\", full = 4095 }";
    // Counts are whole numbers here: half a count is 0.025 degC at most.
    near(ground, &[(3156, 0.0), (1241, 45.0), (815, 60.0)], 0.03);
    near(ground, &[(2047, 25.0), (2048, 25.0)], 0.013);
    assert_eq!(temperatures(ground, &[0, 4095, 5000]), [None; 3]);
    let supply = "beta = 3950, r0 = \"10 kohm\", divider = { fixed = \"10 kohm\", full = 4095, sensor = \"supply\" }";
    near(supply, &[(4095 - 3156, 0.0), (4095 - 1241, 45.0)], 0.03);
}

/// IEC 60751: PT100 resistances (coefficients from memory, computed apart). Straight lines between the points of a
/// table; outside them no value.
#[test]
fn tables() {
    let table = "points = [[921599, -20], [1000000, 0], [1097347, 25], [1193971, 50], [1385055, 100]]";
    let points = [(921_599, -20.0), (1_000_000, 0.0), (1_097_347, 25.0), (1_193_971, 50.0), (1_385_055, 100.0)];
    near(table, &points, 1e-9);
    near(table, &[((1_000_000 + 1_097_347) / 2, 12.5)], 0.001);
    assert_eq!(temperatures(table, &[921_598, 1_385_056, 0]), [None; 3]);
}

// Units of open battery data.

/// Smart Battery Data Specification 1.1 (1998), commands 08h to 0Ah: tenths of a kelvin, millivolts, milliamperes with
/// charging positive. The wrapping is our own; its CRC-8 here by hand, bit by bit.
#[test]
fn smart_battery_words() {
    let protocol = shipped("smart-battery");
    let frame = |command: u8, word: u16| {
        let data = [command, word.to_le_bytes()[0], word.to_le_bytes()[1]];
        let crc = data.iter().fold(0_u8, |crc, byte| {
            (0..8).fold(crc ^ byte, |crc, _| if crc & 0x80 == 0 { crc << 1 } else { crc << 1 ^ 0x07 })
        });
        [&[0xB5][..], &data, &[crc]].concat()
    };
    let nanos = |command: u8, word: u16| {
        let batch = decode(&protocol, &frame(command, word));
        each(&protocol, &batch)[0].nanos("value")[0].unwrap()
    };
    for (word, hundredths) in [(2731, -5), (2732, 5), (2981, 2495), (2982, 2505), (3131, 3995), (3331, 5995)] {
        assert_eq!(nanos(0x08, word), hundredths * 10_000_000, "{word}");
    }
    assert_eq!(nanos(0x09, 65535), 65_535_000_000);
    assert_eq!(nanos(0x0A, 32767), -32_767_000_000);
    assert_eq!(nanos(0x0A, 0x8001), 32_767_000_000);
}

/// Half-precision floats of DSDL 1092.BatteryInfo and 20012.BatteryCells (PyPI dronecan 1.0.27, MIT): what comes back
/// of each, by numpy float16. In the wrapping of `dronecan-values.toml`, its CRC by hand.
#[test]
fn dronecan_floats() {
    let protocol = shipped("dronecan-values");
    let halves = [
        (0x5CA9, 298.25),
        (0x524D, 50.40625),
        (0x535A, 58.8125),
        (0x5433, 67.1875),
        (0x439A, 3.800_781_25),
        (0x4433, 4.199_218_75),
    ];
    let mut packet = 20012_u16.to_le_bytes().to_vec();
    packet.extend(0_u16.to_le_bytes());
    packet.extend(halves.iter().flat_map(|(bits, _): &(u16, f64)| bits.to_le_bytes()));
    let crc = packet.iter().fold(0xFFFF_u16, |crc, byte| {
        let shift = |crc: u16, _| if crc & 0x8000 == 0 { crc << 1 } else { crc << 1 ^ 0x1021 };
        (0..8).fold(crc ^ u16::from(*byte) << 8, shift)
    });
    packet.extend(crc.to_le_bytes());
    assert!(!packet.contains(&0xC0) && !packet.contains(&0xDB));
    packet.push(0xC0);
    let batch = decode(&protocol, &packet);
    let rows = each(&protocol, &batch);
    assert_eq!(rows[0].name(), "cells");
    #[expect(clippy::cast_possible_truncation, reason = "volts in billionths")]
    let wanted: Vec<Option<i64>> = halves.iter().map(|(_, volts)| Some((volts * 1e9) as i64)).collect();
    assert_eq!(rows[0].nanos("cell")[..6], wanted);
    assert!(rows[0].nanos("cell")[6..].iter().all(Option::is_none));
    let quantity = protocol.layout().kinds[1].columns[0].channel.quantity;
    assert_eq!(quantity, Quantity::CellVoltage);
}
