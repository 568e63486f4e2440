//! A job and the files it names, from the disk.

use calibration::control::resolve;
use plan_schema::Checked;
use plan_schema::faults::Faults;
use plan_schema::job::Job;
use plan_schema::plan::Plan;
use plan_schema::read::{Diagnostic, Diagnostics, Document, Report, Written};
use plan_schema::registers::SensorRegister;
use plan_schema::resolve::{JobFiles, ResolvedJob};
use plan_schema::rig::Rig;
use plan_schema::scope::Scope;
use std::collections::BTreeMap;
use std::fmt;
use std::io::Read;
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
    },
    /// Written input that can't be used.
    Input(Report),
}

impl fmt::Display for LoadError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::File { path, detail } => write!(f, "error: {}: {detail}", path.display()),
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
    /// The job's file.
    pub written: Document<Job>,
    /// The plan's file.
    pub plan: Document<Plan>,
    /// The rig's file.
    pub rig: Document<Rig>,
    /// The register of sensors.
    pub sensors: Document<SensorRegister>,
}

/// Loads a job with all its files.
///
/// # Errors
/// Every file that can't be read and everything that is wrong in those that can.
pub fn job(path: &Path) -> Result<Loaded, LoadError> {
    job_on_rig(path, None)
}

/// Loads a job with all its files, on another rig than it names where one is given.
///
/// # Errors
/// As [`job`].
pub fn job_on_rig(path: &Path, rig: Option<&Path>) -> Result<Loaded, LoadError> {
    let job: Document<Job> = document(path)?;
    let folder = path.parent().unwrap_or(Path::new(""));
    assembled(job, |key, name| {
        let path = match rig {
            Some(other) if key == "rig" => other.to_owned(),
            _ => folder.join(name),
        };
        let shown = path.display().to_string();
        text(&path).map(|text| (shown.clone(), text)).map_err(|error| Missing {
            message: match error {
                LoadError::File { detail, .. } => format!("{shown}: {detail}"),
                LoadError::Input(_) => error.to_string(),
            },
            remedy: "write the path of a file that is there, relative to the folder of this file",
        })
    })
}

/// The texts of a job's file and of those that it names, by these names, its rig apart: what is handed in to a daemon.
///
/// # Errors
/// A job that can't be read, and every file that it names and that can't be had.
pub fn texts_of(path: &Path) -> Result<(String, BTreeMap<String, String>), LoadError> {
    let shown = path.display().to_string();
    let job: Document<Job> = Document::read(&shown, &text(path)?).map_err(LoadError::Input)?;
    let folder = path.parent().unwrap_or(Path::new(""));
    let mut files = BTreeMap::new();
    for name in [&job.value.plan, &job.value.sensors, &job.value.references] {
        files.insert(name.clone(), text(&folder.join(name))?);
    }
    Ok((text(path)?, files))
}

/// A job that was handed in as texts, with those of the files that it names, for a rig whose file is at hand.
#[derive(Debug, Clone, Copy)]
pub struct Texts<'a> {
    /// What the job is called in messages.
    pub name: &'a str,
    /// Its text.
    pub job: &'a str,
    /// Texts of the files that it names, by these names.
    pub files: &'a BTreeMap<String, String>,
    /// The rig's file: what it is called in messages, and its text. It counts, whatever rig the job names.
    pub rig: (&'a str, &'a str),
}

/// Loads a job from texts; no file is opened. Messages name the files as the job names them.
///
/// # Errors
/// Everything that is wrong or was not handed in.
pub fn job_of_texts(texts: &Texts<'_>) -> Result<Loaded, LoadError> {
    let job: Document<Job> = Document::read(texts.name, texts.job).map_err(LoadError::Input)?;
    assembled(job, |key, name| match (key, texts.files.get(name)) {
        ("rig", _) => Ok((texts.rig.0.to_owned(), texts.rig.1.to_owned())),
        (_, Some(text)) => Ok((name.to_owned(), text.clone())),
        (_, None) => Err(Missing {
            message: format!("{name}: this file was not handed in with the job"),
            remedy: "hand it in under the name by which the job names it",
        }),
    })
}

/// A file that can't be had.
struct Missing {
    message: String,
    remedy: &'static str,
}

/// Puts a job together from the files that it names, as `fetch` gives them by key and name: what each is called, and its text.
fn assembled(
    job: Document<Job>,
    mut fetch: impl FnMut(&str, &str) -> Result<(String, String), Missing>,
) -> Result<Loaded, LoadError> {
    let mut named = Named { job: &job, fetch: &mut fetch, problems: Vec::new() };
    let plan = named.file("plan", &job.value.plan);
    let rig = named.file("rig", &job.value.rig);
    let sensors = named.file("sensors", &job.value.sensors);
    let references = named.file("references", &job.value.references);
    let mut problems = named.problems;
    match (plan, rig, sensors, references) {
        (Some(plan), Some(rig), Some(sensors), Some(references)) => {
            let files = JobFiles { job, plan, rig, sensors, references };
            let (job, warnings) = resolve(&files).map_err(LoadError::Input)?;
            Ok(Loaded {
                job,
                warnings,
                written: files.job,
                plan: files.plan,
                rig: files.rig,
                sensors: files.sensors,
            })
        }
        (plan, rig, sensors, references) => {
            // What one file says wrong does not hide what the others say wrong by themselves.
            problems.extend(Job::check(&job));
            problems.extend(plan.iter().flat_map(Plan::check));
            problems.extend(rig.iter().flat_map(Rig::check));
            problems.extend(sensors.iter().flat_map(Checked::check));
            problems.extend(references.iter().flat_map(Checked::check));
            Err(LoadError::Input(Report(in_order(&job, problems))))
        }
    }
}

/// First what is wrong with the job, then file by file, by place within each.
fn in_order(job: &Document<Job>, mut problems: Vec<Diagnostic>) -> Diagnostics {
    let names = [&job.value.plan, &job.value.rig, &job.value.sensors, &job.value.references];
    problems.sort_by_key(|d| {
        let file = names.iter().position(|name| Path::new(&d.source.name).ends_with(name));
        let first = d.source == job.source;
        (!first, file, d.span.as_ref().map_or(0, |s| s.start))
    });
    Diagnostics(problems)
}

/// The files that a job names, while they are read.
struct Named<'a, F> {
    job: &'a Document<Job>,
    fetch: &'a mut F,
    problems: Vec<Diagnostic>,
}

impl<F: FnMut(&str, &str) -> Result<(String, String), Missing>> Named<'_, F> {
    /// The file that the job names under `key`; notes what is wrong with it.
    fn file<T: Written>(&mut self, key: &str, name: &str) -> Option<Document<T>> {
        let (shown, text) = match (self.fetch)(key, name) {
            Ok(found) => found,
            Err(Missing { message, remedy }) => {
                self.problems.push(self.job.error(key, message, remedy));
                return None;
            }
        };
        match Document::read(&shown, &text) {
            Ok(document) => return Some(document),
            Err(Report(Diagnostics(mut found))) => {
                // A file of another kind is a mistake of whoever names it.
                if let [only] = found.as_mut_slice()
                    && only.message.ends_with("is wanted here")
                {
                    let named = format!("it is what {} names as {key}", self.job.source.name);
                    only.remedy = Some(only.remedy.take().map_or(named.clone(), |r| format!("{r}; {named}")));
                }
                self.problems.extend(found);
            }
        }
        None
    }
}

/// Loads a rig by itself, with the remarks that do not keep it from being used.
///
/// # Errors
/// As [`job`].
pub fn rig(path: &Path) -> Result<(Document<Rig>, Diagnostics), LoadError> {
    let rig: Document<Rig> = document(path)?;
    let remarks = plan_schema::check_rig(&rig).map_err(LoadError::Input)?;
    Ok((rig, remarks))
}

/// Loads the scope of an accreditation.
///
/// # Errors
/// As [`job`].
pub fn scope(path: &Path) -> Result<Scope, LoadError> {
    let scope: Document<Scope> = document(path)?;
    plan_schema::check_scope(&scope).map_err(LoadError::Input)?;
    Ok(scope.value)
}

/// Loads faults for a dry run of `job`.
///
/// # Errors
/// As [`job`].
pub fn faults(path: &Path, job: &ResolvedJob) -> Result<Faults, LoadError> {
    faults_of_text(&path.display().to_string(), &text(path)?, job)
}

/// Reads the text of a faults file, for a run of `job` on its simulated rig.
///
/// # Errors
/// What is wrong with it.
pub fn faults_of_text(name: &str, text: &str, job: &ResolvedJob) -> Result<Faults, LoadError> {
    let faults: Document<Faults> = Document::read(name, text).map_err(LoadError::Input)?;
    plan_schema::check_faults(&faults, job).map_err(LoadError::Input)?;
    Ok(faults.value)
}

fn document<T: Written>(path: &Path) -> Result<Document<T>, LoadError> {
    Document::read(&path.display().to_string(), &text(path)?).map_err(LoadError::Input)
}

/// No file that a person writes is larger, in bytes.
const LARGEST: u64 = 16 << 20;

/// The text of a file.
///
/// # Errors
/// A file that is not there, can't be read, is larger than anything a person writes, or is no UTF-8.
pub(crate) fn text(path: &Path) -> Result<String, LoadError> {
    let failed = |detail: String| LoadError::File { path: path.to_owned(), detail };
    let mut bytes = Vec::new();
    std::fs::File::open(path)
        .and_then(|file| file.take(LARGEST + 1).read_to_end(&mut bytes))
        .map_err(|e| failed(format!("the file can't be read: {e}")))?;
    if bytes.len() as u64 > LARGEST {
        return Err(failed(format!("the file is larger than {} MiB; name another one", LARGEST >> 20)));
    }
    let wrong = match bytes.as_slice() {
        [0xff, 0xfe, ..] | [0xfe, 0xff, ..] => Some("UTF-16"),
        _ => None,
    };
    String::from_utf8(bytes).map_err(|e| {
        let bad = e.utf8_error().valid_up_to();
        let line = e.as_bytes().iter().take(bad).filter(|b| **b == b'\n').count() + 1;
        match wrong {
            Some(encoding) => failed(format!("the file is {encoding}; save it as UTF-8")),
            None => failed(format!("the file is not UTF-8 (line {line}, byte {bad}); save it as UTF-8")),
        }
    })
}

#[cfg(test)]
mod tests;
