//! The OpenAPI description, from the same code as the routes.
//!
//! Owns what holds for every operation: which problems it may answer, and how a caller says who it is. Records that have a
//! JSON Schema already bring it along.

use super::{BASE, described};
use crate::http::problem::{MEDIA_TYPE, Problem};
use crate::record::{ResultRecord, schema_of};
use serde_json::{Map, Value, json};
use utoipa::PartialSchema;
use utoipa_axum::router::OpenApiRouter;

/// Statuses that any operation may answer, and when.
const ALWAYS: [(&str, &str); 5] = [
    ("400", "The request can't be understood"),
    ("403", "This person may not, or not from here"),
    ("429", "Too many at once"),
    ("500", "A mistake in the program"),
    ("503", "Disk or database can't be used, or it took too long"),
];

/// The description as a document.
#[must_use]
pub fn document() -> Value {
    let (_, api) = OpenApiRouter::new().nest(BASE, described()).split_for_parts();
    let mut document = serde_json::to_value(&api).unwrap_or_default();
    document["openapi"] = json!("3.1.0");
    document["info"] = json!({
        "title": "Calwright",
        "version": "1",
        "summary": "Jobs, runs and records of a rig that calibrates accelerometers",
        "description": "Amplitudes are peak values where a name says so; names of numbers end in their unit. Every change needs an \
            identity, but for `stop`. Problems are answered as RFC 9457 writes them.",
        "license": { "name": "MIT or Apache-2.0", "identifier": "MIT OR Apache-2.0" },
    });
    document["security"] = json!([{ "token": [] }, { "session": [] }]);
    document["tags"] = json!([
        { "name": "rig", "description": "State, leave to move, trips, the stop" },
        { "name": "jobs", "description": "The queue" },
        { "name": "runs", "description": "Runs, results, files, release" },
        { "name": "records", "description": "History, registers and audit" },
        { "name": "daemon", "description": "What is in force, and its end before an upgrade" },
        { "name": "news", "description": "What happens" },
    ]);
    components(&mut document);
    if let Some(paths) = document["paths"].as_object_mut() {
        for (path, item) in paths.iter_mut() {
            for (method, operation) in item.as_object_mut().into_iter().flatten() {
                problems(path, method, operation);
            }
        }
    }
    document
}

fn components(document: &mut Value) {
    let problem = serde_json::to_value(Problem::schema()).unwrap_or_default();
    let components = &mut document["components"];
    components["schemas"]["Problem"] = problem;
    let (result, parts) = as_components(schema_of::<ResultRecord>().to_value());
    components["schemas"]["ResultRecord"] = result;
    for (name, schema) in parts {
        components["schemas"][name] = schema;
    }
    components["securitySchemes"] = json!({
        "token": { "type": "http", "scheme": "bearer", "description": "From `calwright token add`" },
        "session": {
            "type": "apiKey", "in": "cookie", "name": "calwright_session",
            "description": "From the login of the page; changes carry X-Csrf-Token and Origin beside it",
        },
    });
}

/// A JSON Schema with its parts, as a description has them: side by side below `components`.
fn as_components(mut schema: Value) -> (Value, Map<String, Value>) {
    let parts = match schema.as_object_mut() {
        Some(object) => {
            object.shift_remove("$schema");
            object.shift_remove("$defs")
        }
        None => None,
    };
    let mut parts = match parts {
        Some(Value::Object(parts)) => parts,
        _ => Map::new(),
    };
    point_at_components(&mut schema);
    parts.values_mut().for_each(point_at_components);
    (schema, parts)
}

fn point_at_components(schema: &mut Value) {
    match schema {
        Value::Object(object) => {
            if let Some(Value::String(target)) = object.get_mut("$ref") {
                *target = target.replace("#/$defs/", "#/components/schemas/");
            }
            object.values_mut().for_each(point_at_components);
        }
        Value::Array(items) => items.iter_mut().for_each(point_at_components),
        _ => {}
    }
}

/// Adds the problems that an operation may answer.
fn problems(path: &str, method: &str, operation: &mut Value) {
    let mut may = ALWAYS.to_vec();
    if !path.ends_with("/stop") {
        may.push(("401", "Nobody said who asks"));
    }
    if path.contains('{') {
        may.push(("404", "There is no such thing"));
    }
    if method == "post" {
        may.push(("409", "Not in this state"));
        may.push(("422", "What was written can't be used"));
    } else {
        may.push(("409", "Not in this state: there is no result yet"));
    }
    if operation.get("requestBody").is_some() {
        may.push(("413", "The body is too large"));
        may.push(("415", "The body has to be JSON"));
    }
    may.sort_unstable();
    for (status, when) in may {
        operation["responses"][status] = json!({
            "description": when,
            "content": { MEDIA_TYPE: { "schema": { "$ref": "#/components/schemas/Problem" } } },
        });
    }
    if method == "get" && !path.ends_with("/news") {
        operation["responses"]["304"] = json!({ "description": "As it was under this ETag" });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_description_is_looked_at_when_it_changes() {
        insta::assert_json_snapshot!(document());
    }

    #[test]
    fn every_reference_points_at_something() {
        fn walk(all: &Value, part: &Value, seen: &mut usize) {
            match part {
                Value::Object(object) => {
                    if let Some(Value::String(target)) = object.get("$ref") {
                        let place = target.strip_prefix('#').unwrap();
                        assert!(all.pointer(place).is_some(), "{target} is nowhere");
                        *seen += 1;
                    }
                    object.values().for_each(|v| walk(all, v, seen));
                }
                Value::Array(items) => items.iter().for_each(|v| walk(all, v, seen)),
                _ => {}
            }
        }
        let document = document();
        let mut seen = 0;
        walk(&document, &document, &mut seen);
        assert!(seen > 100, "only {seen} references");
    }
}
