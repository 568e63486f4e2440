//! The report of a validation: what was checked against what, on which program and machine, by whom.

use super::{Asked, Subject};
use crate::record::UtcTime;
use crate::record::run::{ESTIMATOR, target};
use crate::settings::Settings;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt::Write as _;

/// Name and version of the format.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum ReportSchema {
    /// The first version.
    #[serde(rename = "calwright.validation/1")]
    V1,
}

/// A validation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Report {
    /// Name and version of the format.
    pub schema: ReportSchema,
    /// When it was run.
    pub at_utc: UtcTime,
    /// Who ran it.
    pub by: String,
    /// Name of the machine.
    pub machine: String,
    /// What the program was built for.
    pub target: String,
    /// Version of the program.
    pub version: String,
    /// Number of the estimator.
    pub estimator: u32,
    /// What was validated, by its hashes.
    pub subject: Subject,
    /// The settings in force.
    pub settings: serde_json::Value,
    /// Whether every check passed.
    pub passed: bool,
    /// The checks.
    pub groups: Vec<Group>,
}

/// Checks of one kind.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Group {
    /// What they are about.
    pub name: String,
    /// What they rest on, and what they don't show.
    pub about: String,
    /// The checks.
    pub checks: Vec<Check>,
}

/// One check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Check {
    /// What was looked at.
    pub what: String,
    /// What should have come out.
    pub expected: String,
    /// What came out.
    pub found: String,
    /// Where the expectation comes from.
    pub source: String,
    /// Whether it agrees.
    pub passed: bool,
}

impl Report {
    pub(super) fn new(asked: &Asked, subject: Subject, settings: &Settings, groups: Vec<Group>) -> Self {
        Self {
            schema: ReportSchema::V1,
            at_utc: asked.at,
            by: asked.by.clone(),
            machine: rustix::system::uname().nodename().to_string_lossy().into_owned(),
            target: target(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            estimator: ESTIMATOR,
            subject,
            settings: serde_json::to_value(settings).unwrap_or_default(),
            // A validation that checked nothing has shown nothing.
            passed: groups.iter().all(|g| !g.checks.is_empty() && g.checks.iter().all(|c| c.passed)),
            groups,
        }
    }

    /// Name of its files, without ending: the day and the time of it.
    #[must_use]
    pub fn file_name(&self) -> String {
        let t = self.at_utc.civil();
        format!("validation-{}-{:02}{:02}{:02}", t.date(), t.hour(), t.minute(), t.second())
    }

    /// The report as people read it.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = String::new();
        let subject = &self.subject;
        let template = subject.template_sha256.as_deref().unwrap_or("the built-in one");
        // Writing to a String can't fail.
        let _ = writeln!(text, "Validation of calwright {}: {}\n", self.version, verdict(self.passed));
        let facts = [
            ("run at", self.at_utc.to_string()),
            ("run by", self.by.clone()),
            ("machine", format!("{}, {}", self.machine, self.target)),
            ("program, SHA-256", subject.program_sha256.clone()),
            ("estimator", self.estimator.to_string()),
            ("template, SHA-256", template.to_owned()),
        ];
        let rigs = subject.rigs.iter().map(|(rig, hash)| ("rig file, SHA-256", format!("{hash} {rig}")));
        for (label, value) in facts.into_iter().chain(rigs) {
            let _ = writeln!(text, "{label:<20}{value}");
        }
        for group in &self.groups {
            let failed = group.checks.iter().filter(|c| !c.passed).count();
            let count = group.checks.len();
            let _ = writeln!(
                text,
                "\n{}: {} of {count} checks agree\n{}",
                group.name,
                count - failed,
                group.about
            );
            for c in &group.checks {
                let mark = if c.passed { "  " } else { "! " };
                let _ =
                    writeln!(text, "{mark}{}: {} (expected {}; {})", c.what, c.found, c.expected, c.source);
            }
        }
        let settings = serde_json::to_string_pretty(&self.settings).unwrap_or_default();
        let _ = writeln!(text, "\nSettings in force:\n{settings}");
        text
    }
}

/// Whether a validation shows what it should, in words.
fn verdict(passed: bool) -> &'static str {
    if passed { "passed" } else { "NOT PASSED" }
}
