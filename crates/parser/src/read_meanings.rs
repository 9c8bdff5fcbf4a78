//! `flags` and `states`: what the values of a part mean.

use model::{Channel, Dimension, Flag, Meaning, Means, Quantity, State};
use textfile::{At, Table};

use crate::protocol::{Field, Number};
use crate::read_frames::check_range;
use crate::spec;

const MOST_STATES: usize = 256;

const MEANS: [(&str, Means); 4] =
    [("normal", Means::Normal), ("warning", Means::Warning), ("fault", Means::Fault), ("unknown", Means::Unknown)];

/// What the values of a part mean, where they are no plain numbers; `None` after a fault.
pub(crate) fn read_meaning(part: Table<'_>, field: &Field, quantity: Quantity) -> Option<Meaning> {
    let number = field.number;
    let flags = part.tables("flags", &spec::FLAG);
    let states = part.tables("states", &spec::STATE);
    if MOST_STATES < flags.len().max(states.len()) {
        let key = if flags.is_empty() { "states" } else { "flags" };
        let hint = "\"otherwise\" says what the others mean";
        part.fault_hint(&part.span_of(key), format!("a part has at most {MOST_STATES} {key}"), hint);
        return None;
    }
    let worded = matches!(quantity, Quantity::Status | Quantity::SenseLeadTest | Quantity::Balancing);
    if matches!(number, Number::Float { .. }) && quantity.dimension() == Dimension::Number {
        let hint = "write for example type = \"u16 le\"";
        part.fault_hint(&part.span_of("type"), format!("a {} is a whole number", quantity.name()), hint);
        return None;
    }
    match (flags.is_empty(), states.is_empty()) {
        (false, false) => {
            part.fault_hint(
                &part.span_of("states"),
                "a part has flags or states, not both",
                "drop one of the two keys",
            );
            None
        }
        (true, true) if !worded => Some(Meaning::Number),
        (true, true) => {
            part.fault_hint(
                &part.span_of("channel"),
                format!("a {} must say what its values mean", quantity.name()),
                "write states = [{ value = 0, text = \"off\" }, ...] or flags = [{ bit = 0, text = \"...\" }, ...]",
            );
            None
        }
        _ if !worded => {
            let key = if flags.is_empty() { "states" } else { "flags" };
            let hint = "status, sense lead test and balancing have them";
            part.fault_hint(&part.span_of(key), format!("a {} has no {key}", quantity.name()), hint);
            None
        }
        (false, true) => {
            let width = if number.is_text() { 64 } else { field.width_bits() };
            let most = i64::from(width) - 1;
            let mut list: Vec<Flag> = Vec::new();
            for flag in flags {
                let Some(bit) = flag.integer("bit", 0..=most) else { continue };
                let bit = At { value: u8::try_from(bit.value).ok()?, span: bit.span };
                if list.iter().any(|earlier| earlier.bit == bit.value) {
                    let hint = "bits count from 0, the least significant";
                    flag.fault_hint(&bit.span, format!("bit {} is listed twice", bit.value), hint);
                }
                let channel = flag.text("channel").and_then(|word| {
                    let bits = [
                        (Quantity::SenseLeadTest.name(), Quantity::SenseLeadTest),
                        (Quantity::Balancing.name(), Quantity::Balancing),
                    ];
                    flag.pick(&word, "the channel of a flag", &bits)
                });
                list.push(Flag {
                    bit: bit.value,
                    text: flag.text("text").map(|text| text.value.to_owned()).unwrap_or_default(),
                    set: flag.choice("set", &MEANS).map_or(Means::Warning, |at| at.value),
                    clear: flag.choice("clear", &MEANS).map_or(Means::Normal, |at| at.value),
                    channel: channel.map(Channel::whole),
                });
            }
            Some(Meaning::Flags(list))
        }
        (true, false) => {
            let mut known: Vec<State> = Vec::new();
            for state in states {
                let Some(value) = state.integer("value", i64::MIN..=i64::MAX) else { continue };
                check_range(state, "value", value.value, field.range());
                if known.iter().any(|earlier| earlier.value == value.value) {
                    let message = format!("the value {} is listed twice", value.value);
                    state.fault_hint(&value.span, message, "list each value once");
                }
                known.push(State {
                    value: value.value,
                    text: state.text("text").map(|text| text.value.to_owned()).unwrap_or_default(),
                    means: state.choice("means", &MEANS).map_or(Means::Normal, |at| at.value),
                });
            }
            let otherwise = part.choice("otherwise", &MEANS).map_or(Means::Warning, |at| at.value);
            Some(Meaning::States { known, otherwise })
        }
    }
}
