//! `schema`: what protocol and pack files may hold, for editors and as a reference for people.
//!
//! Both come from the lists of keys that the readers themselves use, so that they can't drift.

use anyhow::Result;
use model::Unit;
use serde_json::{Map, Value, json};
use textfile::{Key, Kind, TableSpec};

use crate::Status;
use crate::args::{FileKind, Schema};
use crate::output::Results;

pub(crate) fn run(task: &Schema) -> Result<Status> {
    let (title, spec) = match task.kind {
        FileKind::Protocol => ("packwake protocol file", &parser::spec::PROTOCOL),
        FileKind::Pack => ("packwake pack file", &rules::spec::PACK),
    };
    let mut results = Results::new();
    if task.reference {
        results.line(reference(spec).trim_end());
    } else {
        results.line(&serde_json::to_string_pretty(&json_schema(title, spec))?);
    }
    Ok(Status::Go)
}

/// A JSON Schema in the words of draft 7, which editors of TOML understand.
fn json_schema(title: &str, spec: &TableSpec) -> Value {
    let mut root = object(spec);
    let mut schema = Map::new();
    schema.insert("$schema".to_owned(), "http://json-schema.org/draft-07/schema#".into());
    schema.insert("title".to_owned(), title.into());
    if let Value::Object(fields) = &mut root {
        schema.append(fields);
    }
    Value::Object(schema)
}

fn object(spec: &TableSpec) -> Value {
    if spec.keys.is_empty() {
        return json!({ "type": "object", "description": spec.doc });
    }
    let properties: Map<String, Value> = spec.keys.iter().map(|key| (key.name.to_owned(), property(key))).collect();
    let required: Vec<&str> = spec.keys.iter().filter(|key| key.required).map(|key| key.name).collect();
    json!({
        "type": "object",
        "description": spec.doc,
        "properties": properties,
        "required": required,
        "additionalProperties": false,
    })
}

fn property(key: &Key) -> Value {
    let mut value = match &key.kind {
        Kind::Text => json!({ "type": "string" }),
        Kind::Integer => json!({ "type": "integer" }),
        Kind::Integers => {
            json!({ "anyOf": [{ "type": "integer" }, { "type": "array", "items": { "type": "integer" } }] })
        }
        Kind::Decimal => json!({ "type": "number" }),
        Kind::Flag => json!({ "type": "boolean" }),
        Kind::Amount(dimension) => {
            let units: Vec<&str> = Unit::symbols()
                .filter(|symbol| Unit::parse(symbol).is_some_and(|unit| unit.dimension == *dimension))
                .collect();
            let pattern = format!("^\\s*[-+]?[0-9.]+([eE][-+]?[0-9]+)?\\s*({})\\s*$", units.join("|"));
            let example = dimension.example().trim_matches('"');
            json!({ "type": "string", "pattern": pattern, "examples": [example] })
        }
        Kind::Hex => json!({ "type": "string", "pattern": "^[0-9A-Fa-fx\\s,]*$", "examples": ["AA 55"] }),
        Kind::Choice(words) => json!({ "type": "string", "enum": words }),
        Kind::Texts => json!({ "type": "array", "items": { "type": "string" } }),
        Kind::Table(spec) => object(spec),
        Kind::Tables(spec) => json!({ "type": "array", "items": object(spec) }),
        Kind::Any => json!({}),
    };
    if let Value::Object(fields) = &mut value {
        fields.insert("description".to_owned(), key.doc.into());
    }
    value
}

/// Every table with its keys, as Markdown.
fn reference(root: &'static TableSpec) -> String {
    let mut text = String::new();
    let mut seen: Vec<*const TableSpec> = Vec::new();
    let mut waiting: Vec<(String, &'static TableSpec)> = vec![("The file".to_owned(), root)];
    while !waiting.is_empty() {
        let (name, spec) = waiting.remove(0);
        if spec.keys.is_empty() || seen.contains(&std::ptr::from_ref(spec)) {
            continue;
        }
        seen.push(spec);
        text.push_str(&format!("### {name}\n\n| key | value | needed | what it says |\n| --- | --- | --- | --- |\n"));
        for key in spec.keys {
            let needed = if key.required { "yes" } else { "" };
            text.push_str(&format!("| `{}` | {} | {needed} | {} |\n", key.name, value_words(&key.kind), key.doc));
            match &key.kind {
                Kind::Table(inner) => waiting.push((format!("`{}` of {}", key.name, spec.doc), inner)),
                Kind::Tables(inner) => waiting.push((format!("`{}` of {}", key.name, spec.doc), inner)),
                _ => {}
            }
        }
        text.push('\n');
    }
    text
}

fn value_words(kind: &Kind) -> String {
    match kind {
        Kind::Text => "text".to_owned(),
        Kind::Integer => "whole number".to_owned(),
        Kind::Integers => "whole number, or a list".to_owned(),
        Kind::Decimal => "number".to_owned(),
        Kind::Flag => "true or false".to_owned(),
        Kind::Amount(dimension) => format!("{}, such as `{}`", dimension.name(), dimension.example()),
        Kind::Hex => "bytes, such as `\"AA 55\"`".to_owned(),
        Kind::Choice(words) => words.iter().map(|word| format!("`\"{word}\"`")).collect::<Vec<_>>().join(", "),
        Kind::Texts => "list of texts".to_owned(),
        Kind::Table(inner) if inner.keys.is_empty() => "table of names".to_owned(),
        Kind::Table(_) => "table".to_owned(),
        Kind::Tables(_) => "list of tables".to_owned(),
        Kind::Any => "see there".to_owned(),
    }
}
