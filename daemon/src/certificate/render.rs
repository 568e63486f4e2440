//! The daemon's side: starts the child that renders, feeds it, watches it, and reads its reply.
//!
//! Owns the life of that process. Must not look into a template, and must not wait longer than the limit.

use std::ffi::OsString;
use std::fmt;
use std::io::{Read, Write};
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc;
use std::thread;
use std::time::Duration;

use super::data::CertificateRequest;
use super::job::{Failure, Job, Limits, Rendered, Reply};

/// Said by a build without the feature `certificates`.
pub(super) const NOT_BUILT: &str = "this calwright was built without certificates as PDF. \
     Build it with the feature `certificates`, or take the CSV";
/// A reply is small; what comes beyond is not kept.
const OUTPUT_BYTES_MAX: u64 = 1 << 20;

/// The program that renders: it must call [`super::child::main`] on its standard input and output.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Program {
    /// Path of the program.
    pub path: PathBuf,
    /// Arguments.
    pub arguments: Vec<OsString>,
}

impl Program {
    /// This program itself, as `calwright render`.
    ///
    /// # Errors
    /// If the operating system does not tell where it lies.
    pub fn this() -> Result<Self, RenderError> {
        let path = std::env::current_exe().map_err(|source| RenderError::Start {
            path: PathBuf::from("calwright"),
            detail: source.to_string(),
        })?;
        Ok(Self { path, arguments: vec!["render".into()] })
    }
}

/// Why there is no certificate.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum RenderError {
    /// The feature `certificates` is not in this build.
    NotBuilt,
    /// The child could not be started.
    Start {
        /// Path of the program.
        path: PathBuf,
        /// Why.
        detail: String,
    },
    /// The child took too long and was killed.
    TimedOut(Duration),
    /// The child needed more memory than allowed.
    OutOfMemory {
        /// What was allowed.
        allowed_bytes: u64,
    },
    /// The child ended without a reply.
    Died {
        /// How it ended, and what it said last.
        detail: String,
    },
    /// The child could not do it.
    Failed {
        /// Serial number of the sensor concerned; empty if it concerns all.
        serial: String,
        /// Why.
        failure: Failure,
    },
}

impl fmt::Display for RenderError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotBuilt => f.write_str(NOT_BUILT),
            Self::Start { path, detail } => {
                write!(f, "{} could not be started to render certificates: {detail}", path.display())
            }
            Self::TimedOut(limit) => write!(
                f,
                "rendering took longer than {} s and was stopped. The template may have a loop without end, or \
                 the limit is too short. Try the built-in template",
                limit.as_secs_f64()
            ),
            Self::OutOfMemory { allowed_bytes } => write!(
                f,
                "rendering needed more than {} MiB and was stopped. The template may grow without end, or its \
                 images are too large. Try the built-in template",
                allowed_bytes >> 20
            ),
            Self::Died { detail } => write!(
                f,
                "the process that renders certificates ended without a reply ({detail}). Try the built-in \
                 template; if that fails too, please report it"
            ),
            Self::Failed { serial, failure } if serial.is_empty() => failure.fmt(f),
            Self::Failed { serial, failure } => write!(f, "certificate of sensor {serial}: {failure}"),
        }
    }
}

impl std::error::Error for RenderError {}

/// Renders certificates into a folder that exists, one PDF a request, by starting this program once more.
///
/// # Errors
/// See [`RenderError`]. Certificates before the one that failed are in place.
pub fn render(
    requests: &[CertificateRequest],
    out_dir: &Path,
    limits: &Limits,
) -> Result<Vec<Rendered>, RenderError> {
    render_with(&Program::this()?, requests, out_dir, limits)
}

/// The same with another program: for tests, and for programs that embed this library.
///
/// # Errors
/// See [`render`].
pub fn render_with(
    program: &Program,
    requests: &[CertificateRequest],
    out_dir: &Path,
    limits: &Limits,
) -> Result<Vec<Rendered>, RenderError> {
    if cfg!(not(feature = "certificates")) {
        return Err(RenderError::NotBuilt);
    }
    let job = Job {
        out_dir: out_dir.to_owned(),
        memory_bytes: limits.memory_bytes,
        processor_s: limits.time.as_secs() + 1,
        certificates: requests.to_vec(),
    };
    let text = serde_json::to_string(&job).map_err(|error| RenderError::Failed {
        serial: String::new(),
        failure: Failure::Job(error.to_string()),
    })?;
    let (status, said, complained) = run(program, text, limits.time)?;
    match last_line(&said).and_then(|line| serde_json::from_str(line).ok()) {
        Some(Reply::Done(rendered)) if status.success() => Ok(rendered),
        Some(Reply::Failed { serial, failure }) => Err(RenderError::Failed { serial, failure }),
        Some(Reply::Done(_)) | None => Err(death(status, &complained, limits)),
    }
}

/// Starts the program, feeds it, and returns how it ended and what it wrote. It never outlives this call.
fn run(
    program: &Program,
    input: String,
    limit: Duration,
) -> Result<(ExitStatus, String, String), RenderError> {
    let failed =
        |error: std::io::Error| RenderError::Start { path: program.path.clone(), detail: error.to_string() };
    #[expect(clippy::disallowed_methods, reason = "the one place that starts the rendering process")]
    let mut command = Command::new(&program.path);
    command.args(&program.arguments).env_clear();
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().map_err(failed)?;
    let (Some(mut stdin), Some(stdout), Some(stderr)) =
        (child.stdin.take(), child.stdout.take(), child.stderr.take())
    else {
        end(&mut child);
        return Err(failed(std::io::Error::other("its standard streams are missing")));
    };
    // A child that dies early closes its input: what counts then is how it ended, not that writing failed.
    let feeder = thread::spawn(move || drop(stdin.write_all(input.as_bytes())));
    let (heard, hears) = mpsc::channel();
    let listener = thread::spawn(move || drop(heard.send(keep(stdout))));
    let complaints = thread::spawn(move || keep(stderr));
    let said = hears.recv_timeout(limit);
    if said.is_err() {
        end(&mut child);
    }
    let status = child.wait().map_err(failed)?;
    let (_, _) = (feeder.join(), listener.join());
    let complained = complaints.join().unwrap_or_default();
    said.map(|said| (status, said, complained)).map_err(|_| RenderError::TimedOut(limit))
}

/// Kills and buries. A process that ended by itself meanwhile is as good.
fn end(child: &mut Child) {
    drop(child.kill());
    drop(child.wait());
}

/// Reads a stream to its end, and keeps so much of it as a reply can have.
fn keep(mut stream: impl Read) -> String {
    let mut bytes = Vec::new();
    // A stream that breaks off is judged by what came: without a whole reply the child counts as dead.
    drop(stream.by_ref().take(OUTPUT_BYTES_MAX).read_to_end(&mut bytes));
    drop(std::io::copy(&mut stream, &mut std::io::sink()));
    String::from_utf8_lossy(&bytes).into_owned()
}

fn last_line(text: &str) -> Option<&str> {
    text.lines().rev().find(|line| !line.trim().is_empty())
}

/// A child without a reply: what it died of, as far as it can be told.
fn death(status: ExitStatus, complained: &str, limits: &Limits) -> RenderError {
    if complained.contains("memory allocation of") {
        return RenderError::OutOfMemory { allowed_bytes: limits.memory_bytes };
    }
    if status.signal() == Some(rustix::process::Signal::XCPU.as_raw()) {
        return RenderError::TimedOut(limits.time);
    }
    let last = last_line(complained).unwrap_or("it said nothing");
    RenderError::Died { detail: format!("{status}: {last}") }
}
