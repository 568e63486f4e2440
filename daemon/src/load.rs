//! A job and the files it names, from the disk.

use plan_schema::faults::Faults;
use plan_schema::job::Job;
use plan_schema::plan::Plan;
use plan_schema::read::{Diagnostics, Document, Report, Written};
use plan_schema::resolve::{JobFiles, ResolvedJob};
use plan_schema::rig::Rig;
use plan_schema::scope::Scope;
use std::fmt;
use std::path::{Path, PathBuf};

/// Why a job could not be loaded.
#[derive(Debug)]
pub enum LoadError {
    /// A file that can't be read.
    File {
        /// The file.
        path: PathBuf,
        /// Why not.
        detail: String,
        /// Who names it.
        named_by: Option<PathBuf>,
    },
    /// Written input that can't be used.
    Input(Report),
}

impl fmt::Display for LoadError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::File { path, detail, named_by: None } => write!(f, "error: {}: {detail}", path.display()),
            Self::File { path, detail, named_by: Some(by) } => write!(
                f,
                "error: {}: {detail}\n  = it is named in {}, relative to that file's folder",
                path.display(),
                by.display()
            ),
            Self::Input(report) => report.fmt(f),
        }
    }
}

impl std::error::Error for LoadError {}

/// A job that was loaded, with what is needed to point at places of its plan.
#[derive(Debug, Clone)]
pub struct Loaded {
    /// The job.
    pub job: ResolvedJob,
    /// Remarks that do not keep it from being run.
    pub warnings: Diagnostics,
    /// The plan's file.
    pub plan: Document<Plan>,
    /// The rig's file.
    pub rig: Document<Rig>,
}

/// Loads a job with all its files.
///
/// # Errors
/// Every file that can't be read and everything that is wrong in those that can.
pub fn job(path: &Path) -> Result<Loaded, LoadError> {
    let job: Document<Job> = document(path, None)?;
    let folder = path.parent().unwrap_or(Path::new(""));
    let at = |name: &str| folder.join(name);
    let mut problems = Vec::new();
    let plan = keep(document(&at(&job.value.plan), Some(path)), &mut problems)?;
    let rig = keep(document(&at(&job.value.rig), Some(path)), &mut problems)?;
    let sensors = keep(document(&at(&job.value.sensors), Some(path)), &mut problems)?;
    let references = keep(document(&at(&job.value.references), Some(path)), &mut problems)?;
    match (plan, rig, sensors, references) {
        (Some(plan), Some(rig), Some(sensors), Some(references)) => {
            let files = JobFiles { job, plan, rig, sensors, references };
            let (job, warnings) = ResolvedJob::resolve(&files).map_err(LoadError::Input)?;
            Ok(Loaded { job, warnings, plan: files.plan, rig: files.rig })
        }
        _ => Err(LoadError::Input(Report(Diagnostics(problems)))),
    }
}

/// Loads a rig by itself, with the remarks that do not keep it from being used.
///
/// # Errors
/// As [`job`].
pub fn rig(path: &Path) -> Result<(Document<Rig>, Diagnostics), LoadError> {
    let rig: Document<Rig> = document(path, None)?;
    let remarks = plan_schema::check_rig(&rig).map_err(LoadError::Input)?;
    Ok((rig, remarks))
}

/// Loads the scope of an accreditation.
///
/// # Errors
/// As [`job`].
pub fn scope(path: &Path) -> Result<Scope, LoadError> {
    let scope: Document<Scope> = document(path, None)?;
    plan_schema::check_scope(&scope).map_err(LoadError::Input)?;
    Ok(scope.value)
}

/// Loads faults for a dry run of `job`.
///
/// # Errors
/// As [`job`].
pub fn faults(path: &Path, job: &ResolvedJob) -> Result<Faults, LoadError> {
    let faults: Document<Faults> = document(path, None)?;
    plan_schema::check_faults(&faults, job).map_err(LoadError::Input)?;
    Ok(faults.value)
}

/// What is wrong in one file must not keep the others from being read.
fn keep<T>(
    read: Result<Document<T>, LoadError>,
    problems: &mut Vec<plan_schema::read::Diagnostic>,
) -> Result<Option<Document<T>>, LoadError> {
    match read {
        Ok(document) => Ok(Some(document)),
        Err(LoadError::Input(Report(Diagnostics(found)))) => {
            problems.extend(found);
            Ok(None)
        }
        Err(error @ LoadError::File { .. }) => Err(error),
    }
}

fn document<T: Written>(path: &Path, named_by: Option<&Path>) -> Result<Document<T>, LoadError> {
    let failed = |detail: String| LoadError::File {
        path: path.to_owned(),
        detail,
        named_by: named_by.map(Path::to_owned),
    };
    let bytes = std::fs::read(path).map_err(|e| failed(format!("the file can't be read: {e}")))?;
    let text = String::from_utf8(bytes).map_err(|e| {
        let at = e.utf8_error().valid_up_to();
        failed(format!("the file is not UTF-8 (byte {at}); save it as UTF-8"))
    })?;
    Document::read(&path.display().to_string(), &text).map_err(LoadError::Input)
}
