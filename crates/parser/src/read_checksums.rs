//! `crc = ...` and `sum = ...`: which checksum a part is.

use std::ops::Range;

use textfile::{At, Table, Value};

use crate::catalogue;
use crate::checksum::{Checksum, CrcParameters, SimpleChecksum};
use crate::spec;

pub(crate) fn read_checksum(table: Table<'_>) -> Option<Checksum> {
    match (table.entry("crc"), table.text("sum")) {
        (Some(_), Some(_)) => {
            table.fault_hint(&table.span_of("sum"), "a checksum is either a crc or a sum", "drop one of the two keys");
            None
        }
        (None, Some(sum)) => {
            let names = SimpleChecksum::ALL.map(|kind| (kind.name(), kind));
            table.pick(&sum, "sum", &names).map(Checksum::simple)
        }
        (Some(At { value: Value::Text(name), span }), None) => named_crc(table, name, span),
        (Some(value), None) => {
            let crc = table.as_table("crc", value, &spec::CRC)?;
            let number = |key: &str| -> Option<u64> {
                match crc.entry(key)? {
                    At { value: Value::Integer(number), .. } => Some(number.cast_unsigned()),
                    At { value: Value::Text(text), span } => {
                        let digits = text.trim_start_matches("0x").replace('_', "");
                        let number = u64::from_str_radix(&digits, 16).ok();
                        if number.is_none() {
                            crc.fault_hint(span, "not a hexadecimal number", "write 0x1021, or \"0x42F0E1EBA9EA3693\"");
                        }
                        number
                    }
                    At { span, value } => {
                        let message = format!("{key:?} is {}, expected a whole number", value.kind());
                        crc.fault_hint(span, message, "write 0x1021, or \"0x42F0E1EBA9EA3693\"");
                        None
                    }
                }
            };
            let width = crc.integer("width", 3..=64)?;
            let refin = crc.flag("refin").unwrap_or(false);
            let parameters = CrcParameters {
                width: u8::try_from(width.value).ok()?,
                poly: number("poly")?,
                init: number("init").unwrap_or(0),
                refin,
                refout: crc.flag("refout").unwrap_or(refin),
                xorout: number("xorout").unwrap_or(0),
            };
            match Checksum::crc_custom(parameters) {
                Ok(checksum) => Some(checksum),
                Err(reason) => {
                    let usual = "write the parameters as the CRC catalogue does";
                    let (reason, hint) = reason.split_once("; ").unwrap_or((reason, usual));
                    crc.fault_hint(&crc.span(), format!("this CRC can't be used: {reason}"), hint);
                    None
                }
            }
        }
        (None, None) => {
            if !table.has("sum") {
                table.fault_hint(
                    &table.span(),
                    "a check needs \"crc\" or \"sum\"",
                    "write for example crc = \"CRC-16/MODBUS\" or sum = \"xor\"",
                );
            }
            None
        }
    }
}

fn named_crc(table: Table<'_>, name: &str, span: &Range<usize>) -> Option<Checksum> {
    if let Some(candidates) = catalogue::ambiguous(name) {
        table.fault_hint(span, format!("{name:?} names several CRCs"), candidates);
        return None;
    }
    let checksum = Checksum::crc_named(name);
    if checksum.is_none() {
        let hint = match model::closest(name, catalogue::names()) {
            Some(near) => format!("did you mean {near:?}?"),
            None => "use a name of the CRC catalogue, such as \"CRC-16/MODBUS\", or a table of parameters".to_owned(),
        };
        table.fault_hint(span, format!("the catalogue has no CRC called {name:?}"), hint);
    }
    checksum
}
