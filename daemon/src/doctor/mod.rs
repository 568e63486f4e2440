//! What a machine needs to run a rig, looked at before it is needed.
//!
//! Owns: one finding for each thing that was looked at, with its remedy. Must not: open an instrument or change anything: a
//! connection that is made and dropped is more than some instruments bear.

mod doors;
mod machine;
mod rig;

use crate::settings::Settings;
use plan_schema::rig::Rig;
use serde::Serialize;

/// How something was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// As it should be.
    Ok,
    /// Works, but a person should know.
    Remark,
    /// Something will not work.
    Wrong,
}

/// One thing that was looked at.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// What was looked at.
    pub what: String,
    /// How it was found.
    pub state: State,
    /// What was seen.
    pub seen: String,
    /// What to do about it.
    pub remedy: Option<String>,
}

impl Finding {
    fn ok(what: impl Into<String>, seen: impl Into<String>) -> Self {
        Self { what: what.into(), state: State::Ok, seen: seen.into(), remedy: None }
    }

    fn remark(what: impl Into<String>, seen: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { what: what.into(), state: State::Remark, seen: seen.into(), remedy: Some(remedy.into()) }
    }

    fn wrong(what: impl Into<String>, seen: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { what: what.into(), state: State::Wrong, seen: seen.into(), remedy: Some(remedy.into()) }
    }
}

/// Looks at everything that can be looked at without touching an instrument.
#[must_use]
pub fn examine(settings: &Settings, rigs: &[Rig]) -> Vec<Finding> {
    let mut found = machine::examine(settings);
    found.extend(doors::examine(settings));
    for one in rigs {
        found.extend(rig::examine(settings, one));
    }
    found
}
