//! The JSON Schemas of everything people write, by kind of file.

use crate::faults::Faults;
use crate::job::Job;
use crate::plan::Plan;
use crate::read::{Written, root_schema};
use crate::registers::{ReferenceRegister, SensorRegister};
use crate::rig::Rig;
use crate::scope::Scope;
use serde_json::Value;

/// The kinds of files that people write and [`schema`] knows.
pub const WRITTEN_KINDS: [&str; 7] = ["plan", "job", "rig", "sensors", "references", "faults", "scope"];

/// JSON Schema (draft 2020-12) of a kind of file; `None` for a kind that is not in [`WRITTEN_KINDS`].
#[must_use]
pub fn schema(kind: &str) -> Option<Value> {
    let body = match kind {
        "plan" => Plan::schema(),
        "job" => Job::schema(),
        "rig" => Rig::schema(),
        "sensors" => SensorRegister::schema(),
        "references" => ReferenceRegister::schema(),
        "faults" => Faults::schema(),
        "scope" => Scope::schema(),
        _ => return None,
    };
    Some(root_schema(kind, body))
}

#[cfg(test)]
mod tests;
