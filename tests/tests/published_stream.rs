//! Streams and frames from outside, decoded by protocol files: see `../reference/README.md`.

use std::sync::Arc;

use model::{Batch, ByteRange, Item, Quantity, Raw, Reason, SessionTime};
use packwake_tests::protocol;
use parser::{Decoder, Protocol};
use serde_json::Value;

fn decode(protocol: &Arc<Protocol>, bytes: &[u8]) -> Batch {
    let mut decoder = Decoder::new(Arc::clone(protocol));
    decoder.push(SessionTime::ZERO, bytes);
    decoder.finish(SessionTime::ZERO);
    decoder.take().unwrap_or_default()
}

/// The numbers as sent in a row of the protocol's first message kind.
fn row(batch: &Batch, kind: usize, row: usize) -> Vec<i128> {
    let columns = batch.kinds[kind].columns.iter();
    columns.map(|column| column.raw(row).and_then(Raw::int).expect("a whole number")).collect()
}

/// 600 records of 16 cells: `streams/bin16s_sync.bin` and what it holds, `streams/bin16s.json`. Made by a separate script.
#[test]
fn a_stream_of_600_records() {
    let protocol = protocol("tests/reference/protocols/bin16s-sync.toml");
    let bytes = include_bytes!("../reference/streams/bin16s_sync.bin");
    let truth: Value = serde_json::from_str(include_str!("../reference/streams/bin16s.json")).unwrap();
    let truth = truth["rows"].as_array().unwrap();
    assert_eq!(truth.len(), 600);

    let batch = decode(&protocol, bytes);
    assert_eq!(batch.rejected, []);
    let in_order: Vec<Item> = (0..600).map(|row| Item::Row { kind: 0, row }).collect();
    assert_eq!(batch.order, in_order);

    let layout = &protocol.layout().kinds[0].columns;
    let place = |quantity: Quantity| layout.iter().position(|column| column.channel.quantity == quantity).unwrap();
    let nanos = |row: usize, column: usize| batch.kinds[0].columns[column].nanos(row, &layout[column].scale);
    for (index, wanted) in truth.iter().enumerate() {
        let number = |key: &str| wanted[key].as_i64().unwrap();
        let cells: Vec<i64> =
            wanted["cells_mV"].as_array().unwrap().iter().map(|cell| cell.as_i64().unwrap()).collect();
        assert_eq!(cells.len(), 16);

        // As sent. The time is in the record's own bytes; in the JSON it is in seconds.
        let record = wanted["record_hex"].as_str().unwrap();
        let time: Vec<u8> = (4..12).step_by(2).map(|at| u8::from_str_radix(&record[at..at + 2], 16).unwrap()).collect();
        let time_ms = u32::from_le_bytes(time.try_into().unwrap());
        let mut sent: Vec<i128> = vec![time_ms.into()];
        sent.extend(cells.iter().map(|cell| i128::from(*cell)));
        sent.extend(["current_cA", "temp_ddegC", "pack_cV"].map(|key| i128::from(number(key))));
        assert_eq!(row(&batch, 0, index), sent, "record {index}");

        // In units.
        let seconds = format!("{:.3}", wanted["t"].as_f64().unwrap());
        let time_nanos = seconds.replace('.', "").parse::<i64>().unwrap() * 1_000_000;
        assert_eq!(nanos(index, place(Quantity::DeviceTime)), Some(time_nanos), "record {index}");
        let first = place(Quantity::CellVoltage);
        for (cell, millivolts) in cells.iter().enumerate() {
            assert_eq!(nanos(index, first + cell), Some(millivolts * 1_000_000), "record {index}, cell {}", cell + 1);
        }
        for (quantity, key, step) in [
            (Quantity::Current, "current_cA", 10_000_000),
            (Quantity::Temperature, "temp_ddegC", 100_000_000),
            (Quantity::PackVoltage, "pack_cV", 10_000_000),
        ] {
            assert_eq!(nanos(index, place(quantity)), Some(number(key) * step), "record {index}, {key}");
        }

        let at = |index: usize| wanted["sync"][index].as_u64().unwrap();
        assert_eq!(batch.kinds[0].bytes[index], ByteRange { start: at(0), end: at(0) + at(1) }, "record {index}");
    }
}

/// One damaged byte costs one record, whichever byte it is.
#[test]
fn one_damaged_byte_costs_one_record() {
    let protocol = protocol("tests/reference/protocols/bin16s-sync.toml");
    let bytes = &include_bytes!("../reference/streams/bin16s_sync.bin")[..5 * 49];
    let whole = decode(&protocol, bytes);
    for at in 98..147 {
        let mut damaged = bytes.to_vec();
        damaged[at] ^= 0x20;
        let batch = decode(&protocol, &damaged);
        let mut wanted = whole.kinds[0].bytes.clone();
        wanted.remove(2);
        assert_eq!(batch.kinds[0].bytes, wanted, "byte {at}");
        assert!(!batch.rejected.is_empty(), "byte {at}");
    }
}

/// Every change of one character is noticed.
fn check_line(protocol: &Arc<Protocol>, sentence: &str, kind: u16, values: &[i128]) {
    let line = format!("{sentence}\r\n");
    let batch = decode(protocol, line.as_bytes());
    assert_eq!(batch.order, [Item::Row { kind, row: 0 }], "{sentence}");
    assert_eq!(row(&batch, kind.into(), 0), values, "{sentence}");
    for at in 0..sentence.len() {
        let mut changed = line.clone().into_bytes();
        changed[at] ^= 0x01;
        let batch = decode(protocol, &changed);
        assert!(batch.order.iter().all(|item| matches!(item, Item::Rejected(_))), "character {at} of {sentence}");
        if 0 < at && at < sentence.len() - 3 {
            assert!(
                batch.rejected.iter().any(|rejected| matches!(rejected.reason, Reason::CheckFailed { .. })),
                "character {at} of {sentence}: {:?}",
                batch.rejected
            );
        }
    }
}

/// Two widely published sentences. NMEA 0183: XOR between `$` and `*`, from memory; the values of the check were run with
/// two other programs.
#[test]
fn sentences_with_an_xor() {
    let protocol = protocol("tests/reference/protocols/nmea-sentences.toml");
    check_line(&protocol, "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47", 0, &[8]);
    check_line(&protocol, "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A", 1, &[230_394]);
}

/// Every change of one bit is noticed, and every frame in which no bit is changed is found.
fn check_frame(protocol: &Arc<Protocol>, frame: &[u8], values: &[i128]) {
    let batch = decode(protocol, frame);
    assert_eq!(batch.rejected, []);
    assert_eq!(row(&batch, 0, 0), values);
    assert_eq!(batch.kinds[0].bytes, [ByteRange { start: 0, end: frame.len() as u64 }]);
    for bit in 0..frame.len() * 8 {
        let mut twice = [frame, frame].concat();
        twice[bit / 8] ^= 1 << (bit % 8);
        let rows = &decode(protocol, &twice).kinds[0];
        let second = ByteRange { start: frame.len() as u64, end: 2 * frame.len() as u64 };
        assert_eq!(rows.bytes, [second], "bit {bit}");
    }
}

/// Modbus application protocol V1.1b3 (2012), 6.3: registers 108 to 110 are 555, 0 and 100 (read in a transcription).
/// Address and CRC were added and run with another program.
#[test]
fn a_worked_response_without_start_bytes() {
    let protocol = protocol("tests/reference/protocols/modbus-response.toml");
    let response = [0x11, 0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64, 0xC8, 0xBA];
    check_frame(&protocol, &response, &[555, 0, 100]);
    // The same of server 1.
    let response = [0x01, 0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64, 0x05, 0x7A];
    check_frame(&protocol, &response, &[555, 0, 100]);
}

/// An exception (V1.1b3, section 7) is a sound frame of another shape: this protocol file has no message for it.
#[test]
fn an_exception_is_no_response() {
    let protocol = protocol("tests/reference/protocols/modbus-response.toml");
    let batch = decode(&protocol, &[0x01, 0x83, 0x02, 0xC0, 0xF1]);
    assert!(batch.kinds[0].bytes.is_empty());
}

/// RFC 1662 (1994): flags at both ends, FCS-16 over all between, low byte first; with a control character map of 0
/// nothing here is stuffed. The FCS was run with another program.
#[test]
fn a_frame_between_flags() {
    let protocol = protocol("tests/reference/protocols/ppp-request.toml");
    check_frame(&protocol, &[0x7E, 0xFF, 0x03, 0xC0, 0x21, 0x01, 0x01, 0x00, 0x04, 0xD1, 0xB5, 0x7E], &[1]);
}
