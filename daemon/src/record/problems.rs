//! What `check --json` prints of input that can't be used: every mistake with its place and what to write instead.

use plan_schema::read::{Diagnostic, Diagnostics};
use schemars::JsonSchema;
use serde::Serialize;

/// What `check --json` prints where the input can't be used.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ProblemsRecord {
    /// Name and version of this format.
    pub schema: ProblemsSchema,
    /// Everything that is wrong, in the order of the text on standard error.
    pub problems: Vec<Problem>,
}

/// The schema of this file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
pub enum ProblemsSchema {
    /// The first version.
    #[serde(rename = "calwright.problems/1")]
    V1,
}

/// One thing that is wrong.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Problem {
    /// The file it is about; a setting of the environment or of the command line by its name.
    pub file: String,
    /// Line in the file, from 1; null where it is about the file as a whole.
    pub line: Option<usize>,
    /// Column in the line, from 1, in characters.
    pub column: Option<usize>,
    /// Whether it keeps the input from being used.
    pub severity: Severity,
    /// What is wrong.
    pub message: String,
    /// What to write instead.
    pub remedy: Option<String>,
}

/// Whether a problem keeps the input from being used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// It does.
    Error,
    /// It does not.
    Warning,
}

impl ProblemsRecord {
    /// What was found in files.
    #[must_use]
    pub fn of(found: &Diagnostics) -> Self {
        Self { schema: ProblemsSchema::V1, problems: found.0.iter().map(Problem::of).collect() }
    }

    /// A file that could not be read at all.
    #[must_use]
    pub fn of_file(file: &str, message: &str) -> Self {
        let (file, message) = (file.to_owned(), message.to_owned());
        let problem =
            Problem { file, line: None, column: None, severity: Severity::Error, message, remedy: None };
        Self { schema: ProblemsSchema::V1, problems: vec![problem] }
    }
}

impl Problem {
    fn of(found: &Diagnostic) -> Self {
        let place = found.span.is_some().then(|| found.line_column());
        Self {
            file: found.source.name.clone(),
            line: place.map(|(line, _)| line),
            column: place.map(|(_, column)| column),
            severity: if found.warning { Severity::Warning } else { Severity::Error },
            message: found.message.clone(),
            remedy: found.remedy.clone(),
        }
    }
}
