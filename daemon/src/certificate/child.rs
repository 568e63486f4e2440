//! The child process that renders: `calwright render`.
//!
//! Owns the order of its life: read the job, limit itself, render, put files in place, reply. Must not print
//! anything but the reply, which is the last line of its output.

use std::collections::BTreeSet;
use std::io::{Read, Write};

use super::data::{CertificateRequest, RequestProblem};
use super::job::{Failure, Job, Rendered, Reply};

/// The child's whole life. Returns the exit status: 0 when all certificates are written, else 5.
///
/// Limits this process for good: not for a process that has anything else to do.
pub fn main(mut input: impl Read, mut output: impl Write) -> u8 {
    let mut text = String::new();
    let reply =
        match input.read_to_string(&mut text).map_err(|error| error.to_string()).and_then(|_| begin(&text)) {
            Ok(job) => carry_out(&job),
            Err(detail) => Reply::Failed { serial: String::new(), failure: Failure::Job(detail) },
        };
    let done = matches!(reply, Reply::Done(_));
    let said = serde_json::to_string(&reply).map_err(std::io::Error::other).and_then(|line| {
        writeln!(output, "{line}")?;
        output.flush()
    });
    // Without a reply the parent reports that the child ended in silence.
    if done && said.is_ok() { 0 } else { 5 }
}

/// Reads the job, which comes from the program itself, and limits the process before any template is seen.
fn begin(text: &str) -> Result<Job, String> {
    let job: Job = serde_json::from_str(text).map_err(|error| error.to_string())?;
    limit(&job).map_err(|error| format!("limits on time and memory could not be set: {error}"))?;
    Ok(job)
}

fn limit(job: &Job) -> rustix::io::Result<()> {
    use rustix::process::{Resource, Rlimit, setrlimit};
    let to = |most: u64| Rlimit { current: Some(most), maximum: Some(most) };
    setrlimit(Resource::Core, to(0))?;
    // A second between the two, so that the signal says what the process died of.
    setrlimit(
        Resource::Cpu,
        Rlimit { current: Some(job.processor_s), maximum: Some(job.processor_s.saturating_add(1)) },
    )?;
    setrlimit(Resource::As, to(job.memory_bytes))
}

/// Renders one certificate after the other, up to the first failure.
fn carry_out(job: &Job) -> Reply {
    let mut names = BTreeSet::new();
    let mut done = Vec::new();
    for request in &job.certificates {
        let name = request.file_name();
        let written = if names.insert(name.clone()) {
            write_certificate(job, request, &name)
        } else {
            Err(Failure::Request(RequestProblem::SameFile(name)))
        };
        match written {
            Ok(rendered) => done.push(rendered),
            Err(failure) => {
                return Reply::Failed { serial: request.item.serial.clone(), failure };
            }
        }
    }
    Reply::Done(done)
}

#[cfg(feature = "certificates")]
fn write_certificate(job: &Job, request: &CertificateRequest, name: &str) -> Result<Rendered, Failure> {
    let typeset = super::typeset::typeset(request)?;
    let path = job.out_dir.join(name);
    put_in_place(&job.out_dir, name, &typeset.pdf)
        .map_err(|error| Failure::Write { path: path.clone(), detail: error.to_string() })?;
    Ok(Rendered { path, warnings: typeset.warnings })
}

#[cfg(not(feature = "certificates"))]
fn write_certificate(_: &Job, _: &CertificateRequest, _: &str) -> Result<Rendered, Failure> {
    Err(Failure::Program(super::render::NOT_BUILT.to_owned()))
}

/// Writes a file so that its name always stands for the whole of it: other name, flush, rename, flush the folder.
#[cfg(feature = "certificates")]
fn put_in_place(folder: &std::path::Path, name: &str, bytes: &[u8]) -> std::io::Result<()> {
    let unfinished = folder.join(format!(".{name}.unfinished"));
    let mut file = std::fs::File::create(&unfinished)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    std::fs::rename(&unfinished, folder.join(name))?;
    std::fs::File::open(folder)?.sync_all()
}
