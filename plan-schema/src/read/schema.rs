//! JSON Schema (draft 2020-12) of what people write, built from the same declarations as the readers.

use serde_json::{Map, Value, json};

/// Schema of a table: per key its description, schema and, where its absence means something, that default.
#[must_use]
pub fn object_schema(doc: &str, keys: &[(&str, &str, Value, Option<Value>)]) -> Value {
    let mut properties = Map::new();
    let mut required = Vec::new();
    for (key, key_doc, schema, default) in keys {
        properties.insert((*key).to_owned(), key_schema(&prose(key_doc), schema.clone(), default.as_ref()));
        if default.is_none() {
            required.push(json!(key));
        }
    }
    json!({
        "type": "object",
        "description": prose(doc),
        "properties": properties,
        "required": required,
        "additionalProperties": false,
    })
}

/// The schema of a value under its key: what the key means goes before what the type says of itself.
fn key_schema(key_doc: &str, mut schema: Value, default: Option<&Value>) -> Value {
    let Some(object) = schema.as_object_mut() else {
        return schema;
    };
    let is_text = object.get("type").is_some_and(|t| t == "string");
    let description = match object.get("description").and_then(Value::as_str) {
        // How a quantity is written is worth knowing at every key; what a table is called is not.
        Some(written) if is_text => format!("{key_doc} {written}"),
        _ => key_doc.to_owned(),
    };
    object.insert("description".to_owned(), json!(description));
    if let Some(default) = default.map(crate::record::without_nulls).filter(|d| !d.is_null()) {
        object.insert("default".to_owned(), default);
    }
    schema
}

/// Lines of a doc comment as one text.
#[must_use]
pub fn prose(doc: &str) -> String {
    doc.lines().map(str::trim).filter(|line| !line.is_empty()).collect::<Vec<_>>().join(" ")
}

/// A whole schema file: `$schema`, `$id` and title in front.
#[must_use]
pub fn root_schema(kind: &str, body: Value) -> Value {
    let mut root = json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": format!("urn:calwright:schema:{kind}:1"),
        "title": format!("calwright {kind}"),
    });
    if let (Some(root), Value::Object(body)) = (root.as_object_mut(), body) {
        root.extend(body);
    }
    root
}

/// True for the schema of a table with keys of ours.
pub(super) fn is_table(schema: &Value) -> bool {
    schema.get("properties").is_some()
}

/// How a missing key is written, as a remedy: `add frequency = "16 Hz"`.
pub(super) fn how_to_write(key: &str, schema: &Value) -> String {
    let items = schema.get("items");
    if is_table(schema) {
        return format!("add a table '{key}' with {}", required_keys(schema));
    }
    if let Some(items) = items.filter(|i| is_table(i)) {
        return format!("add a table [[{key}]] for each entry, with {}", required_keys(items));
    }
    if items.is_some() {
        return format!("add {key} = […]");
    }
    if let Some(value) = schema.get("const").or_else(|| schema.get("examples")?.get(0)) {
        return format!("add {key} = {value}");
    }
    if let Some(words) = schema.get("oneOf").and_then(Value::as_array) {
        let words: Vec<String> = words.iter().filter_map(|w| w.get("const")).map(Value::to_string).collect();
        return format!("add {key} = \"…\" with one of {}", words.join(", "));
    }
    match schema.get("type").and_then(Value::as_str) {
        Some("string") => format!("add {key} = \"…\""),
        Some("integer") => format!("add {key} = … with a whole number"),
        Some("boolean") => format!("add {key} = true"),
        _ => format!("add {key} = …"),
    }
}

fn required_keys(table: &Value) -> String {
    let required = table.get("required").and_then(Value::as_array);
    let keys: Vec<&str> = required.into_iter().flatten().filter_map(Value::as_str).collect();
    if keys.is_empty() { "its keys".to_owned() } else { keys.join(", ") }
}
