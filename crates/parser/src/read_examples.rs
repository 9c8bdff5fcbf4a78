//! `[[example]]`: bytes and the values that they must decode to.

use model::{Decimal, Dimension, Unit};
use textfile::{At, Table, Value};

use crate::protocol::{Example, Expected, ExpectedNumber, ExpectedValue, Field, Protocol, RejectedBecause, Times};
use crate::read::suggest;
use crate::spec;

/// Bytes of one example, with what comes in front of it.
const LONGEST_EXAMPLE: usize = 65_536;

/// `unread`: the messages of which a part could not be read, so that its values can't be looked at.
pub(crate) fn read_example(table: Table<'_>, protocol: &Protocol, unread: &[bool]) -> Option<Example> {
    let bytes = match (table.hex("bytes"), table.text("text")) {
        (Some(bytes), None) => bytes.value,
        (None, Some(text)) => text.value.as_bytes().to_vec(),
        (Some(_), Some(_)) => {
            let hint = "drop one of the two keys";
            table.fault_hint(&table.span_of("text"), "an example has bytes or text, not both", hint);
            return None;
        }
        (None, None) => {
            if !table.has("bytes") && !table.has("text") {
                let hint = "write for example bytes = \"AA 55 01 02\"";
                table.fault_hint(&table.span(), "an example needs \"bytes\" or \"text\"", hint);
            }
            return None;
        }
    };
    let before = if table.has("bytes") { table.hex("after") } else { text_bytes(table, "after") };
    let after = before.map(|before| (before.span, before.value));
    if LONGEST_EXAMPLE < bytes.len() + after.as_ref().map_or(0, |(_, before)| before.len()) {
        let message = format!("an example is at most {LONGEST_EXAMPLE} bytes long");
        table.fault_hint(&table.span(), message, "one frame is enough");
        return None;
    }
    let reasons = [
        ("check", RejectedBecause::Check),
        ("size", RejectedBecause::Size),
        ("message", RejectedBecause::Message),
        ("constant", RejectedBecause::Constant),
        ("text", RejectedBecause::Text),
        ("count", RejectedBecause::Count),
        ("stuffing", RejectedBecause::Stuffing),
        ("unpaired", RejectedBecause::Unpaired),
        ("unverified", RejectedBecause::Unverified),
        ("skipped", RejectedBecause::Skipped),
    ];
    let rejected = table.choice("rejected", &reasons);
    let expected = match (table.text("message"), rejected) {
        (Some(message), None) => {
            let names = protocol.messages.iter().map(|message| message.name.as_str());
            let Some(index) = protocol.messages.iter().position(|known| known.name == message.value) else {
                table.fault_hint(
                    &message.span,
                    format!("no message is called {:?}", message.value),
                    suggest("message", message.value, names),
                );
                return None;
            };
            let sound = !unread.get(index).copied().unwrap_or(false);
            let values = if sound { read_values(table, protocol, index) } else { Vec::new() };
            Expected::Values { message: index, values }
        }
        (None, Some(reason)) => {
            if table.has("values") {
                table.fault_hint(&table.span_of("values"), "a rejected example has no values", "drop the key");
            }
            Expected::Rejected(reason.value)
        }
        (Some(message), Some(_)) => {
            let hint = "drop one of the two keys";
            table.fault_hint(&message.span, "an example decodes to a message or is rejected, not both", hint);
            return None;
        }
        (None, None) => {
            if !table.has("message") && !table.has("rejected") {
                let hint = "name the message that it decodes to, or say why it is rejected";
                table.fault_hint(&table.span(), "an example needs \"message\" or \"rejected\"", hint);
            }
            return None;
        }
    };
    Some(Example { span: table.span(), after, bytes, expected })
}

fn text_bytes(table: Table<'_>, key: &str) -> Option<At<Vec<u8>>> {
    table.text(key).map(|text| At { value: text.value.as_bytes().to_vec(), span: text.span })
}

fn read_values(table: Table<'_>, protocol: &Protocol, message: usize) -> Vec<ExpectedValue> {
    let mut values = Vec::new();
    let Some(message) = protocol.messages.get(message) else { return values };
    let Some(free) = table.table("values", &spec::FREE) else { return values };
    for (key, value) in free.entries() {
        if table.is_full() {
            break;
        }
        let Some(index) = message.fields.iter().position(|field| field.name == key.value) else {
            let names = message.fields.iter().map(|field| field.name.as_str());
            table.fault_hint(
                &key.span,
                format!("message {:?} has no part called {:?}", message.name, key.value),
                suggest("part", &key.value, names),
            );
            continue;
        };
        let Some(field) = message.fields.get(index) else { continue };
        if field.first_column.is_none() {
            table.fault_hint(
                &key.span,
                format!("part {:?} has no channel, so no value can be checked", key.value),
                "add a channel to the part, or drop the value",
            );
            continue;
        }
        let value_span = &value.span;
        let items = match &value.value {
            Value::List(list) => list.as_slice(),
            _ => std::slice::from_ref(value),
        };
        let fixed = field.from.is_none() && matches!(field.times, Times::Fixed(_)) && !field.optional;
        if field.places < items.len() || (fixed && items.len() != field.places) {
            let values = if field.places == 1 { "1 value".to_owned() } else { format!("{} values", field.places) };
            table.fault_hint(
                &value.span,
                format!("part {:?} has {values}, here are {}", key.value, items.len()),
                "write one for each repeat; \"absent\" counts",
            );
            continue;
        }
        // What is not listed must not be carried by the frame.
        for repeat in items.len()..field.places {
            let value = ExpectedNumber::LeftOut;
            values.push(ExpectedValue { span: value_span.clone(), field: index, repeat, value });
        }
        for (repeat, item) in items.iter().enumerate() {
            if let Some(number) = expected_number(table, item, field) {
                values.push(ExpectedValue { span: item.span.clone(), field: index, repeat, value: number });
            }
        }
    }
    values
}

fn expected_number(table: Table<'_>, item: &At<Value>, field: &Field) -> Option<ExpectedNumber> {
    if item.value == Value::Text("absent".to_owned()) {
        return Some(ExpectedNumber::Absent);
    }
    if item.value == Value::Text("left out".to_owned()) {
        return Some(ExpectedNumber::LeftOut);
    }
    if field.unit.dimension == Dimension::Number {
        if let Value::Integer(raw) = item.value {
            return Some(ExpectedNumber::Raw(raw.into()));
        }
        let hint = "write for example 1 or 0x10";
        table.fault_hint(&item.span, "expected a whole number as sent, or \"absent\"", hint);
        return None;
    }
    let number = item.value.decimal();
    let nanos = number.and_then(|number| in_unit(number, field.unit));
    let unit = field.unit.symbol;
    match (number, nanos) {
        (None, _) => table.fault_hint(
            &item.span,
            format!("expected a number in {unit}, or \"absent\""),
            "the unit is that of the part and is not written here",
        ),
        (Some(_), None) => table.fault_hint(
            &item.span,
            "this number is too large, or finer than a billionth",
            format!("the number is in {unit}"),
        ),
        (Some(_), Some(_)) => {}
    }
    nanos.map(ExpectedNumber::Nanos)
}

fn in_unit(number: Decimal, unit: Unit) -> Option<i64> {
    number.times_exact(unit.nanos)?.checked_add(unit.offset_nanos)
}
