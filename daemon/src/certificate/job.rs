//! What goes between the daemon and the child that renders: one job in, one reply out, both JSON.
//!
//! Owns these two messages and the limits. Internal to one program: both ends are the same build.

use std::fmt;
use std::path::PathBuf;
use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::data::{CertificateRequest, RequestProblem};

/// What a child may use for one job.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// From start to reply; also the most processor time, rounded up to a second.
    pub time: Duration,
    /// Address space of the child, in bytes.
    pub memory_bytes: u64,
}

impl Default for Limits {
    /// A minute and 2 GiB: a hundred times what the built-in template takes in an unoptimised build.
    fn default() -> Self {
        Self { time: Duration::from_secs(60), memory_bytes: 2 << 30 }
    }
}

/// What the child is to do.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Job {
    /// Where the PDFs go; the folder exists.
    pub out_dir: PathBuf,
    /// The child's own limit of address space, in bytes.
    pub memory_bytes: u64,
    /// The child's own limit of processor time, in seconds: it ends even if nobody is left to kill it.
    pub processor_s: u64,
    /// The certificates.
    pub certificates: Vec<CertificateRequest>,
}

/// A certificate that was written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Rendered {
    /// The file.
    pub path: PathBuf,
    /// What a person should look at: letters that no font has, complaints of the template.
    pub warnings: Vec<String>,
}

/// What the child says at the end.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reply {
    /// All certificates are written.
    Done(Vec<Rendered>),
    /// At the first failure the child stops; certificates before it are written.
    Failed {
        /// Serial number of the sensor concerned; empty if it concerns all.
        serial: String,
        /// What went wrong.
        failure: Failure,
    },
}

/// What can go wrong in the child.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Failure {
    /// The job could not be read, or the limits not be set.
    Job(String),
    /// The request is incomplete or contradicts itself.
    Request(RequestProblem),
    /// A defect of the program.
    Program(String),
    /// The template could not be read.
    TemplateFile {
        /// Its path.
        path: PathBuf,
        /// Why.
        detail: String,
    },
    /// Another file that certificates need could not be read.
    OwnFile {
        /// What it is, with its setting.
        what: String,
        /// Its path.
        path: PathBuf,
        /// Why.
        detail: String,
    },
    /// The template has errors.
    Template(Vec<TemplateProblem>),
    /// The PDF could not be written.
    Write {
        /// Its path.
        path: PathBuf,
        /// Why.
        detail: String,
    },
}

/// One error or warning of a template.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TemplateProblem {
    /// File, line and column, each from 1; null where none is known.
    pub place: Option<(String, usize, usize)>,
    /// What.
    pub message: String,
    /// What may help.
    pub hints: Vec<String>,
}

impl fmt::Display for TemplateProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some((file, line, column)) = &self.place {
            write!(f, "{file}:{line}:{column}: ")?;
        }
        f.write_str(&self.message)?;
        self.hints.iter().try_for_each(|hint| write!(f, " ({hint})"))
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Job(detail) => write!(f, "the rendering process could not start its job: {detail}"),
            Self::Request(problem) => problem.fmt(f),
            Self::Program(detail) => f.write_str(detail),
            Self::TemplateFile { path, detail } => write!(
                f,
                "the certificate template {} could not be read: {detail}. Correct the path in the settings, or \
                 leave it out for the built-in template",
                path.display()
            ),
            Self::OwnFile { what, path, detail } => write!(
                f,
                "{what} {} could not be read: {detail}. Correct the path in the settings, or leave it out",
                path.display()
            ),
            Self::Template(problems) => {
                f.write_str("the certificate template has errors:")?;
                problems.iter().try_for_each(|problem| write!(f, "\n  {problem}"))
            }
            Self::Write { path, detail } => {
                write!(f, "{} could not be written: {detail}. Check the disk and the folder", path.display())
            }
        }
    }
}
