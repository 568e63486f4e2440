//! Written input as records keep it: JSON with the keys of the files, and back.
//!
//! A run stores the plan, the rig, the job and its extracts of the registers with itself. They come back through
//! the same reader as the files, so that nothing is believed because it once was.

use crate::read::{Diagnostic, Document, Report, Source, Written};
use serde::Serialize;
use serde_json::Value;
use std::sync::Arc;

/// What somebody wrote, as JSON: keys as in the file, quantities as texts with their unit, keys left out that were
/// absent.
///
/// # Panics
/// If `T` has map keys that are no texts; the types of this package have none.
#[must_use]
pub fn to_json<T: Serialize>(written: &T) -> Value {
    #[expect(
        clippy::expect_used,
        reason = "tables with text keys, texts, numbers and lists always have a JSON form"
    )]
    let value = serde_json::to_value(written).expect("written input has a JSON form");
    without_nulls(&value)
}

/// Reads back what [`to_json`] gave. `name` stands in messages for the place where the value was kept.
///
/// # Errors
/// What is wrong with the value, shown as lines of the TOML that it means.
pub fn from_json<T: Written>(name: &str, value: &Value) -> Result<T, Report> {
    match toml::to_string(value) {
        Ok(text) => Document::read(name, &text).map(|document| document.value),
        Err(error) => Err(Report(
            Diagnostic {
                source: Arc::new(Source { name: name.to_owned(), text: value.to_string() }),
                span: None,
                message: format!("this is nothing that could be written in a file: {error}"),
                remedy: Some(
                    "it has to be an object without nulls, its whole numbers within ±9e18".to_owned(),
                ),
                warning: false,
            }
            .into(),
        )),
    }
}

/// The value without keys whose value is null: an absent key is how a file says it.
pub(crate) fn without_nulls(value: &Value) -> Value {
    match value {
        Value::Object(map) => {
            map.iter().filter(|(_, v)| !v.is_null()).map(|(k, v)| (k.clone(), without_nulls(v))).collect()
        }
        Value::Array(items) => items.iter().map(without_nulls).collect(),
        other => other.clone(),
    }
}

#[cfg(test)]
mod tests;
