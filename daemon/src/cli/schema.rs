//! `calwright schema` and `calwright drivers`: what may be written, what is written, and by what it is driven.

use super::{Context, Exit, say};
use crate::record::check::CheckRecord;
use crate::record::journal::Entry;
use crate::record::problems::ProblemsRecord;
use crate::record::{ResultRecord, RunRecord, TruthRecord, schema_of};
use crate::settings::Settings;
use crate::validate::Report;
use crate::wiring;
use serde_json::{Value, json};

/// The kinds of files that have a schema.
pub const KINDS: [&str; 16] = [
    "plan",
    "job",
    "rig",
    "sensors",
    "references",
    "faults",
    "scope",
    "settings",
    "run",
    "journal",
    "result",
    "truth",
    "check",
    "problems",
    "validation",
    "protocol",
];

/// The JSON Schema of a kind of file; `None` for a kind that there is not.
#[must_use]
pub fn schema_of_kind(kind: &str) -> Option<Value> {
    if let Some(written) = plan_schema::schema(kind) {
        return Some(written);
    }
    if kind == "protocol" {
        return Some(titled(drivers::protocol::schema(), kind));
    }
    let schema = match kind {
        "settings" => schemars::schema_for!(Settings),
        "run" => schema_of::<RunRecord>(),
        "journal" => schema_of::<Entry>(),
        "result" => schema_of::<ResultRecord>(),
        "truth" => schema_of::<TruthRecord>(),
        "check" => schema_of::<CheckRecord>(),
        "problems" => schema_of::<ProblemsRecord>(),
        "validation" => schema_of::<Report>(),
        _ => return None,
    };
    Some(titled(schema.to_value(), kind))
}

fn titled(mut schema: Value, kind: &str) -> Value {
    if let Some(object) = schema.as_object_mut() {
        object.insert("title".to_owned(), json!(format!("calwright {kind}")));
        object.insert("$id".to_owned(), json!(format!("urn:calwright:schema:{kind}:1")));
    }
    schema
}

pub(super) fn print(kind: &str) -> Exit {
    match schema_of_kind(kind).map(|s| serde_json::to_string_pretty(&s)) {
        Some(Ok(text)) => {
            say::out(&text);
            Exit::Done
        }
        Some(Err(error)) => {
            say::error(&format!("error: {error}"));
            Exit::Environment
        }
        None => {
            say::error(&format!("error: there is no schema '{kind}'; there are {}", KINDS.join(", ")));
            Exit::Input
        }
    }
}

pub(super) fn drivers(context: &Context) -> Exit {
    let registry = wiring::built_in();
    if context.json {
        let list: Vec<Value> =
            registry.iter().map(|f| json!({ "kind": f.kind(), "describe": f.describe() })).collect();
        say::out(&Value::from(list).to_string());
        return Exit::Done;
    }
    for factory in registry.iter() {
        say::out(&format!("{:20} {}", factory.kind(), factory.describe()));
    }
    Exit::Done
}
