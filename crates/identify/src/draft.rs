//! The draft: a protocol file whose comments say what is sure, what is a guess, and what to check.

use std::time::Duration;

use model::{LineSettings, Parity};
use parser::Wrapping;

use crate::Sureness;
use crate::binary::{Frame, Kind, Layout, body};
use crate::capture::Capture;
use crate::fields::{Field, What};
use crate::framing::Length;
use crate::text::{TextField, TextKind, TextLayout, TextWhat};

/// The rate of the line, where it is known.
fn line_table(line: Option<&LineSettings>, wrapping: Option<Wrapping>) -> String {
    let mut text = String::from("\n[line]\n");
    match line {
        Some(line) => {
            text.push_str(&format!("baud = {}\n", line.baud));
            match line.parity {
                Parity::None => {}
                Parity::Odd => text.push_str("parity = \"odd\"\n"),
                Parity::Even => text.push_str("parity = \"even\"\n"),
            }
        }
        None => {
            text.push_str("# baud = 115200  # not seen in the bytes: write the rate that they were captured with\n")
        }
    }
    match wrapping {
        Some(Wrapping::Slip) => text.push_str("stuffing = \"slip\"\n"),
        Some(Wrapping::Hdlc) => text.push_str("stuffing = \"hdlc\"\n"),
        Some(Wrapping::Cobs) => text.push_str("stuffing = \"cobs\"\n"),
        Some(Wrapping::Hex { start }) => {
            text.push_str(&format!("stuffing = \"hex\"\nhex_start = \"{}\"\n", char::from(start)))
        }
        None => {}
    }
    text
}

fn hex(bytes: &[u8]) -> String {
    let bytes: Vec<String> = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
    bytes.join(" ")
}

fn every(every: Option<Duration>) -> String {
    every.map_or(String::new(), |every| format!("every = \"{} ms\"\n", every.as_millis()))
}

/// A part of the frame.
struct Part {
    name: String,
    width: usize,
    from: usize,
    text: String,
}

/// The text of a draft for frames of bytes, without its head.
pub(crate) fn of_bytes(layout: &Layout, frames: &[Frame], capture: &Capture, line: Option<&LineSettings>) -> String {
    let mut text = line_table(line, layout.wrapping);
    let check_bytes = layout.check.as_ref().map_or(0, |fit| fit.bytes);
    let trailer = check_bytes + layout.end.len();
    text.push_str("\n[[frame]]\nname = \"frame\"\n");
    if !layout.start.is_empty() {
        let seen = frames.len();
        text.push_str(&format!("start = \"{}\"  # the same in all {seen} frames looked at\n", hex(&layout.start)));
    }
    let sized = matches!(layout.length, Length::Size { .. });
    if !layout.end.is_empty() && !sized {
        text.push_str(&format!("end = \"{}\"  # the same in all of them\n", hex(&layout.end)));
    }
    let longest = frames.iter().map(|frame| frame.bytes.len()).max().unwrap_or(64);
    let longest = match layout.length {
        Length::Size { bytes: 1, plus, .. } => longest.max(255 + plus),
        _ => longest.max(16),
    };
    text.push_str(&format!("longest = {longest}\n"));
    let mut parts = header_parts(layout);
    let counted = counted(layout, &parts, trailer);
    if let Length::Size { at, .. } = layout.length
        && let Some(part) = parts.iter_mut().find(|part| part.from == at)
        && let Some(counted) = &counted
    {
        let names: Vec<String> = counted.iter().map(|name| format!("\"{name}\"")).collect();
        part.text.push_str(&format!(", role = \"size\", counts = [{}]", names.join(", ")));
    }
    text.push_str("parts = [\n");
    for part in &parts {
        let comment = comment_of_header(layout, part, counted.is_some());
        text.push_str(&format!("  {{ name = \"{}\", {} }},{comment}\n", part.name, part.text));
    }
    text.push_str("  { name = \"body\", role = \"body\" },\n");
    if let Some(fit) = &layout.check {
        let order = if fit.place.big { "be" } else { "le" };
        let kind = if fit.bytes == 1 { "u8".to_owned() } else { format!("u{} {order}", fit.bytes * 8) };
        let first = if fit.place.first == 0 && !layout.start.is_empty() {
            "start".to_owned()
        } else {
            parts
                .iter()
                .find(|part| fit.place.first < part.from + part.width)
                .map_or("body".to_owned(), |part| part.name.clone())
        };
        let sure = if fit.is_sure() && fit.unique() { "sure" } else { "a guess" };
        text.push_str(&format!(
            "  # {sure}: right in {} of {} different frames{}\n",
            fit.right,
            fit.asked,
            if fit.unique() { "" } else { "; others fit as well, see what was found" }
        ));
        text.push_str(&format!(
            "  {{ name = \"check\", type = \"{kind}\", role = \"check\", {}, first = \"{first}\", last = \"body\" }},\n",
            fit.place.method.toml()
        ));
    }
    if sized {
        for (index, byte) in layout.end.iter().enumerate() {
            text.push_str(&format!("  {{ name = \"end_{index}\", type = \"u8\", equals = 0x{byte:02X} }},\n"));
        }
    }
    text.push_str("]\n");
    let id_names: Vec<String> =
        parts.iter().filter(|part| layout.ids.contains(&part.from)).map(|part| part.name.clone()).collect();
    let mut names: Vec<String> = Vec::new();
    for kind in &layout.kinds {
        let name = kind_name(kind, &names);
        message(&mut text, layout, kind, &name, &id_names);
        names.push(name);
    }
    if let Some(example) = example(layout, frames, capture, &names, trailer) {
        text.push_str(&example);
    }
    text
}

/// The parts in front of the body.
fn header_parts(layout: &Layout) -> Vec<Part> {
    let mut parts = Vec::new();
    let mut at = layout.start.len();
    while at < layout.header {
        let (width, big) = match layout.length {
            Length::Size { at: size, bytes, big, .. } if size == at => (bytes, big),
            _ => (1, false),
        };
        let kind = crate::Form::Unsigned { bytes: width, big }.name();
        let place = layout.ids.iter().position(|id| *id == at);
        let (name, role) = match (place, &layout.length) {
            (Some(0), _) => ("kind".to_owned(), ", role = \"id\""),
            (Some(index), _) => (format!("kind_{}", index + 1), ", role = \"id\""),
            (None, Length::Size { at: size, .. }) if *size == at => ("size".to_owned(), ""),
            (None, _) if layout.counter == Some(at) => ("sequence".to_owned(), ""),
            (None, _) => (format!("head_{at}"), ""),
        };
        parts.push(Part { name, width, from: at, text: format!("type = \"{kind}\"{role}") });
        at += width;
    }
    parts
}

fn comment_of_header(layout: &Layout, part: &Part, counted: bool) -> String {
    if layout.ids.contains(&part.from) {
        return "  # likely: what the other bytes hold depends on it".to_owned();
    }
    if layout.counter == Some(part.from) {
        return "  # counts the frames of all kinds together".to_owned();
    }
    match &layout.length {
        Length::Size { at, .. } if *at == part.from && counted => {
            "  # sure: the next frame begins where it says".to_owned()
        }
        Length::Size { at, .. } if *at == part.from => {
            "  # a size, but what it counts can't be said in this file".to_owned()
        }
        _ => "  # not known".to_owned(),
    }
}

/// The parts that the size counts besides the body.
fn counted(layout: &Layout, parts: &[Part], trailer: usize) -> Option<Vec<String>> {
    let Length::Size { at, plus, .. } = layout.length else { return None };
    let around = layout.header + trailer;
    let mut missing = around.checked_sub(plus)?;
    let mut names = vec!["body".to_owned()];
    let check = layout.check.as_ref().map(|fit| ("check".to_owned(), fit.bytes));
    let ends = (0..layout.end.len()).map(|index| (format!("end_{index}"), 1));
    let behind = parts.iter().filter(|part| at < part.from).map(|part| (part.name.clone(), part.width));
    let own = parts.iter().filter(|part| part.from == at).map(|part| (part.name.clone(), part.width));
    let before = parts.iter().filter(|part| part.from < at).map(|part| (part.name.clone(), part.width));
    let start = (!layout.start.is_empty()).then(|| ("start".to_owned(), layout.start.len()));
    // What stands behind the size is counted first, as most protocols do.
    let items: Vec<(String, usize)> = behind.chain(check).chain(ends).chain(own).chain(start).chain(before).collect();
    let chosen = subset(&items, missing)?;
    for index in chosen {
        let (name, width) = items.get(index)?;
        missing -= width;
        names.push(name.clone());
    }
    (missing == 0).then_some(names)
}

/// The first items, in their order, whose widths add up to this.
fn subset(items: &[(String, usize)], sum: usize) -> Option<Vec<usize>> {
    // By sum: the items that give it.
    let mut ways: Vec<Option<Vec<usize>>> = vec![None; sum + 1];
    *ways.first_mut()? = Some(Vec::new());
    for (index, (_, width)) in items.iter().enumerate() {
        for total in (*width..=sum).rev() {
            if ways.get(total)?.is_none()
                && let Some(Some(before)) = ways.get(total - width)
            {
                let mut with = before.clone();
                with.push(index);
                *ways.get_mut(total)? = Some(with);
            }
        }
    }
    ways.pop()?
}

fn kind_name(kind: &Kind, taken: &[String]) -> String {
    let has = |test: fn(&What) -> bool| kind.fields.iter().any(|field| test(&field.what));
    let base = if has(|what| matches!(what, What::Cells { .. })) {
        "cells".to_owned()
    } else if has(|what| matches!(what, What::Pack { .. } | What::Current { .. })) {
        "pack".to_owned()
    } else if kind.id.is_empty() {
        format!("length_{}", kind.body.0)
    } else {
        let id: Vec<String> = kind.id.iter().map(|byte| format!("{byte:02x}")).collect();
        format!("kind_{}", id.join("_"))
    };
    free_name(&base, taken)
}

fn free_name(base: &str, taken: &[String]) -> String {
    let mut name = base.to_owned();
    let mut number = 1;
    while taken.contains(&name) {
        number += 1;
        name = format!("{base}_{number}");
    }
    name
}

fn message(text: &mut String, layout: &Layout, kind: &Kind, name: &str, id_names: &[String]) {
    text.push_str(&format!("\n# {} frames of this kind were looked at.\n", kind.frames));
    text.push_str(&format!("[[message]]\nname = \"{name}\"\nframes = [\"frame\"]\n"));
    if !kind.id.is_empty() {
        let ids: Vec<String> =
            id_names.iter().zip(&kind.id).map(|(name, value)| format!("{name} = 0x{value:02X}")).collect();
        text.push_str(&format!("id = {{ {} }}\n", ids.join(", ")));
    }
    if layout.check.as_ref().is_some_and(|fit| !fit.extra.is_empty()) {
        match kind.extra {
            Some(extra) => {
                text.push_str(&format!("extra = \"{extra:02X}\"  # goes through the checksum and is not sent\n"))
            }
            None => text.push_str("# extra = \"00\"  # not found: too few frames that differ\n"),
        }
    }
    text.push_str(&every(kind.every));
    if kind.cut_zeros {
        text.push_str("cut_zeros = true  # likely: no body ends in a zero\n");
    }
    text.push_str("parts = [\n");
    let mut names: Vec<String> = Vec::new();
    for field in &kind.fields {
        let name = free_name(&field_name(field), &names);
        text.push_str(&part(field, &name));
        names.push(name);
    }
    text.push_str("]\n");
}

fn field_name(field: &Field) -> String {
    let at = field.at;
    match field.what {
        What::Cells { .. } => "cell".to_owned(),
        What::Pack { .. } => "pack".to_owned(),
        What::Bus { .. } => "bus".to_owned(),
        What::Temperatures { .. } => "temperature".to_owned(),
        What::Current { .. } => "current".to_owned(),
        What::Clock { .. } => "uptime".to_owned(),
        What::Counter => "count".to_owned(),
        What::Constant => format!("constant_{at}"),
        What::Few | What::Unknown => format!("unknown_{at}"),
        What::Rest => "more".to_owned(),
    }
}

/// What one unit is, as a unit and a scale of the file.
fn volts(volts: &str) -> (&'static str, String) {
    match volts {
        "0.001" => ("mV", String::new()),
        "1" => ("V", String::new()),
        other => ("V", format!(", scale = {other}")),
    }
}

fn seconds(seconds: &str) -> (&'static str, String) {
    match seconds {
        "0.001" => ("ms", String::new()),
        "1" => ("s", String::new()),
        other => ("s", format!(", scale = {other}")),
    }
}

fn part(field: &Field, name: &str) -> String {
    let mut line = format!("{{ name = \"{name}\", type = \"{}\"", field.form.name());
    if matches!(field.what, What::Rest) {
        line.push_str(&format!(", times = \"rest\", places = {}", field.times.clamp(1, 512)));
    } else if 1 < field.times {
        line.push_str(&format!(", times = {}", field.times));
    }
    let mut channel = String::new();
    match &field.what {
        What::Cells { from, volts: unit, absent } => {
            let (unit, scale) = volts(unit);
            channel.push_str(&format!(", unit = \"{unit}\"{scale}, channel = \"cell voltage\""));
            if *from != 1 {
                channel.push_str(&format!(", from = {from}"));
            }
            if let Some(absent) = absent {
                channel.push_str(&format!(", absent = 0x{absent:X}"));
            }
        }
        What::Pack { volts: unit } => {
            let (unit, scale) = volts(unit);
            channel.push_str(&format!(", unit = \"{unit}\"{scale}, channel = \"pack voltage\""));
        }
        What::Bus { volts: unit } => {
            let (unit, scale) = volts(unit);
            channel.push_str(&format!(", unit = \"{unit}\"{scale}, channel = \"bus voltage\""));
        }
        What::Temperatures { scale, unit, offset, absent } => {
            channel.push_str(&format!(", unit = \"{unit}\""));
            if *scale != "1" {
                channel.push_str(&format!(", scale = {scale}"));
            }
            if *offset != 0 {
                channel.push_str(&format!(", offset = {offset}"));
            }
            channel.push_str(", channel = \"temperature\"");
            if let Some(absent) = absent {
                channel.push_str(&format!(", absent = {absent}"));
            }
        }
        What::Current { discharge } => {
            let positive = if *discharge { "discharge" } else { "charge" };
            channel.push_str(&format!(", unit = \"A\", channel = \"current\", positive = \"{positive}\""));
        }
        What::Clock { seconds: unit } => {
            let (unit, scale) = seconds(unit);
            channel.push_str(&format!(", unit = \"{unit}\"{scale}, channel = \"device time\""));
        }
        What::Counter => channel.push_str(", channel = \"frame counter\""),
        What::Constant | What::Few | What::Unknown | What::Rest => {}
    }
    let known = !matches!(field.what, What::Constant | What::Few | What::Unknown | What::Rest);
    let mut text = match (known, &field.what) {
        (true, _) => format!("  # {}: {}\n", field.sureness, field.note),
        (false, What::Unknown) => format!("  # {}\n", field.note),
        (false, _) => format!("  # not known: {}\n", field.note),
    };
    if matches!(field.what, What::Cells { .. }) {
        text.push_str("  # check: are these all cells, in their order, and what is sent for one that is not there (absent = ...)?\n");
    }
    if field.has_channel() {
        line.push_str(&channel);
    } else if matches!(field.what, What::Current { .. }) {
        text.push_str("  # Its scale can't be seen: hold it against a clamp meter, then write with your own scale\n");
        text.push_str(&format!("  # {line}, scale = ...{channel} }},\n"));
    } else if !channel.is_empty() {
        text.push_str(&format!("  # If that is so, write {line}{channel} }},\n"));
    }
    text.push_str(&format!("  {line} }},\n"));
    text
}

/// One real frame with what the draft itself makes of it.
fn example(layout: &Layout, frames: &[Frame], capture: &Capture, names: &[String], trailer: usize) -> Option<String> {
    let named = |kind: &Kind| kind.fields.iter().filter(|field| field.has_channel()).count();
    let (index, kind) =
        layout.kinds.iter().enumerate().max_by_key(|(index, kind)| (named(kind), std::cmp::Reverse(*index)))?;
    let is_it = |frame: &&Frame| {
        let id: Vec<u8> = layout.ids.iter().filter_map(|at| frame.bytes.get(*at).copied()).collect();
        let length = body(layout, trailer, &frame.bytes).map_or(0, <[u8]>::len);
        id == kind.id && (kind.body.0..=kind.body.1).contains(&length)
    };
    let matching: Vec<&Frame> = frames.iter().filter(is_it).collect();
    let frame = matching.get(matching.len() / 2)?;
    let line = capture.bytes().get(frame.span.clone())?;
    let mut body = body(layout, trailer, &frame.bytes)?.to_vec();
    if kind.cut_zeros {
        body.resize(kind.body.1.max(body.len()), 0);
    }
    let mut values = Vec::new();
    for field in kind.fields.iter().filter(|field| field.has_channel() && !field.form.is_float()) {
        let numbers = (0..field.times).map(|index| value(field, &body, field.at + index * field.form.width()));
        let numbers: Vec<String> = numbers.collect::<Option<_>>()?;
        let name = field_name(field);
        match numbers.as_slice() {
            [one] => values.push(format!("  {name} = {one},")),
            _ => values.push(format!("  {name} = [{}],", numbers.join(", "))),
        }
    }
    let rows: Vec<String> = line.chunks(32).map(hex).collect();
    let mut text = String::from(
        "\n# A frame as it came. Its values are those that this draft itself gives: they come from no other source and\n# prove nothing. Hold them against a display or a meter.\n[[example]]\n",
    );
    text.push_str(&format!("bytes = \"\"\"\n{}\"\"\"\n", rows.join("\n")));
    text.push_str(&format!("message = \"{}\"\n", names.get(index)?));
    if !values.is_empty() {
        text.push_str(&format!("values = {{\n{}\n}}\n", values.join("\n")));
    }
    Some(text)
}

/// The value of a part in its unit, as an example has it.
fn value(field: &Field, body: &[u8], at: usize) -> Option<String> {
    let raw = field.form.read(body, at)?;
    let (scale, offset, absent) = match &field.what {
        What::Cells { volts, absent, .. } => (*volts, 0, absent.map(|absent| absent as f64)),
        What::Pack { volts } | What::Bus { volts } => (*volts, 0, None),
        What::Temperatures { scale, offset, absent, .. } => (*scale, *offset, absent.map(|absent| absent as f64)),
        What::Clock { seconds } => (*seconds, 0, None),
        _ => ("1", 0, None),
    };
    if absent.is_some_and(|absent| (absent - raw).abs() < 0.5) {
        return Some("\"absent\"".to_owned());
    }
    // In thousandths of a volt or a second the number stands as it was sent.
    let milli = scale == "0.001" && !matches!(field.what, What::Temperatures { .. });
    let (scale, decimals) = if milli {
        (1.0, 0)
    } else {
        (scale.parse::<f64>().ok()?, scale.split_once('.').map_or(0, |(_, part)| part.len()))
    };
    Some(format!("{:.decimals$}", raw * scale + f64::from(offset)))
}

/// The text of a draft for lines of text, without its head.
pub(crate) fn of_text(layout: &TextLayout, line: Option<&LineSettings>) -> String {
    let mut text = line_table(line, None);
    text.push_str("\n[[frame]]\nname = \"line\"\n");
    let start = layout.start.map_or(String::new(), |start| format!("start = {}, ", quoted(start)));
    text.push_str(&format!("text = {{ {start}separator = {} }}\nparts = [\n", quoted(layout.separator)));
    if layout.words {
        text.push_str("  { name = \"kind\", type = \"text\", role = \"id\", column = 1 },\n");
    }
    text.push_str("  { name = \"body\", role = \"body\" },\n");
    if let Some(check) = &layout.check {
        let (right, asked) = check.right;
        let sure =
            if crate::checks::SURE_BITS <= check.luck_bits && check.equal.is_empty() { "sure" } else { "a guess" };
        text.push_str(&format!("  # {sure}: right in {right} of {asked} different lines\n"));
        let first = if check.covers_start { ", first = \"start\"" } else { "" };
        let last = if check.covers_mark { ", last = \"mark\"" } else { "" };
        text.push_str(&format!(
            "  {{ name = \"check\", type = \"hex\", role = \"check\", {}, mark = {}{first}{last} }},\n",
            check.method.toml(),
            quoted(check.mark)
        ));
    }
    text.push_str("]\n");
    let mut names: Vec<String> = Vec::new();
    for kind in &layout.kinds {
        let base = kind.word.as_ref().map_or("line".to_owned(), |word| word.to_lowercase().replace('-', "_"));
        let name = free_name(&base, &names);
        text_message(&mut text, kind, &name);
        names.push(name);
    }
    text
}

fn quoted(one: char) -> String {
    match one {
        '"' => "\"\\\"\"".to_owned(),
        '\\' => "\"\\\\\"".to_owned(),
        '\t' => "\"\\t\"".to_owned(),
        other => format!("\"{other}\""),
    }
}

fn text_message(text: &mut String, kind: &TextKind, name: &str) {
    text.push_str(&format!("\n# {} lines of this kind were looked at.\n", kind.lines));
    text.push_str(&format!("[[message]]\nname = \"{name}\"\nframes = [\"line\"]\n"));
    if let Some(word) = &kind.word {
        text.push_str(&format!("id = {{ kind = \"{word}\" }}\n"));
    }
    text.push_str(&every(kind.every));
    text.push_str("parts = [\n");
    let mut names: Vec<String> = Vec::new();
    for field in &kind.fields {
        if let TextWhat::Cells { from: Some((column, _)), .. } = field.what {
            // The column in front is the start index: it was listed as a number of its own.
            names.retain(|name| *name != format!("unknown_{column}"));
        }
        let base = match field.what {
            TextWhat::Cells { .. } => "cell".to_owned(),
            TextWhat::Pack { .. } => "pack".to_owned(),
            TextWhat::Temperatures => "temperature".to_owned(),
            TextWhat::Counter { .. } => "count".to_owned(),
            TextWhat::Unknown | TextWhat::Hex => format!("unknown_{}", field.column),
        };
        let name = free_name(&base, &names);
        text.push_str(&text_part(field, &name));
        names.push(name);
    }
    text.push_str("]\n");
}

fn text_part(field: &TextField, name: &str) -> String {
    let kind = if field.what == TextWhat::Hex { "hex" } else { "number" };
    let mut line = format!("{{ name = \"{name}\", type = \"{kind}\"");
    if field.what != TextWhat::Hex {
        line.push_str(&format!(", decimals = {}", field.decimals));
    }
    line.push_str(&format!(", column = {}", field.column));
    match &field.what {
        TextWhat::Cells { from: Some(_), places, .. } => {
            line.push_str(&format!(", times = \"rest\", places = {places}"))
        }
        TextWhat::Cells { rest: true, places, .. } => line.push_str(&format!(", times = \"rest\", places = {places}")),
        _ if 1 < field.times => line.push_str(&format!(", times = {}", field.times)),
        _ => {}
    }
    if let Some(absent) = &field.absent {
        line.push_str(&format!(", absent = \"{absent}\""));
    }
    let mut channel = String::new();
    match &field.what {
        TextWhat::Cells { unit, from, .. } => {
            if let Some((column, plus)) = from {
                channel.push_str(&format!(", from = \"unknown_{column}\""));
                if *plus != 0 {
                    channel.push_str(&format!(", from_plus = {plus}"));
                }
            }
            channel.push_str(&format!(", unit = \"{unit}\", channel = \"cell voltage\""));
        }
        TextWhat::Pack { unit } => channel.push_str(&format!(", unit = \"{unit}\", channel = \"pack voltage\"")),
        TextWhat::Temperatures => channel.push_str(", unit = \"degC\", channel = \"temperature\""),
        TextWhat::Counter { bits } => {
            channel.push_str(", channel = \"frame counter\"");
            if let Some(bits) = bits {
                channel.push_str(&format!(", wraps_bits = {bits}"));
            }
        }
        TextWhat::Unknown | TextWhat::Hex => {}
    }
    let mut text = format!("  # {}: {}\n", field.sureness, field.note);
    if field.sureness <= Sureness::Likely {
        line.push_str(&channel);
    } else if !channel.is_empty() {
        text.push_str(&format!("  # If that is so, write {line}{channel} }},\n"));
    }
    text.push_str(&format!("  {line} }},\n"));
    text
}
