//! Approving a draft: numbers, certificates, hashes, signature.
//!
//! Owns the order: the records are verified, the numbers entered in the ledger, then the certificates written, then
//! `release.json`, then its signature. A release without a signature is none: what stopped in between can be thrown away.

use super::key::{KeyError, PrivateKey};
use super::ledger::{self, Ledger, NewLine};
use super::manifest::{self, RELEASE};
use super::record::{Exclusion, ReleaseRecord, ReleaseSchema, ReleasedCertificate};
use super::{as_found, exclusion};
use crate::certificate::data::{CertificateRequest, SIMULATED};
use crate::certificate::{RenderError, issue};
use crate::files::{Disk, Files};
use crate::recompute::{Discrepancy, recompute};
use crate::record::directory::pretty;
use crate::record::journal::Journal;
use crate::record::words::{Outcome, State};
use crate::record::{ResultRecord, RunRecord, UtcTime};
use crate::serve::archive::{self, Part};
use crate::settings::Settings;
use plan_schema::resolve::ResolvedJob;
use std::fmt;
use std::path::{Path, PathBuf};

/// What an approver asks for.
#[derive(Debug)]
pub struct Asked<'a> {
    /// The run directory.
    pub run: &'a Path,
    /// Who approves.
    pub name: &'a str,
    /// When.
    pub at: UtcTime,
    /// File of the private key.
    pub key: &'a Path,
    /// A number for each sensor, in the order of the job; none for the next ones by the settings' pattern.
    pub numbers: &'a [String],
    /// Points to take out.
    pub exclusions: &'a [Exclusion],
    /// Directory of the run of the same sensors as found, where there is one.
    pub as_found: Option<&'a Path>,
    /// Why certificates of an earlier release of this run are replaced; none for the first release.
    pub amendment: Option<&'a str>,
}

/// Why nothing was released.
#[derive(Debug)]
pub enum ApproveError {
    /// What was asked for can't be done; in words.
    Asked(String),
    /// This run was cut off and has no result.
    CutOff(String),
    /// The records are not as they were written.
    Records(Discrepancy),
    /// The key can't be used.
    Key(KeyError),
    /// A certificate can't be made.
    Render(RenderError),
    /// The disk.
    Disk(PathBuf, std::io::Error),
}

impl fmt::Display for ApproveError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Asked(what) => f.write_str(what),
            Self::CutOff(run) => write!(f, "run {run} was cut off and has no result"),
            Self::Records(discrepancy) => write!(f, "{discrepancy}; no certificate is made of it"),
            Self::Key(error) => error.fmt(f),
            Self::Render(error) => error.fmt(f),
            Self::Disk(path, error) => write!(f, "{}: {error}", path.display()),
        }
    }
}

impl std::error::Error for ApproveError {}

/// A run that was verified, as an approver sees it.
#[derive(Debug)]
pub struct Verified {
    /// What was known before.
    pub job: ResolvedJob,
    /// The result, a draft.
    pub result: ResultRecord,
    /// SHA-256 of the last line of the journal.
    pub journal_head: String,
}

/// Derives a run again and reads what an approval needs.
///
/// # Errors
/// If the records are not as they were written, or the run has no result.
pub fn verified(run: &Path) -> Result<Verified, ApproveError> {
    let derived = recompute(run, &Disk).map_err(ApproveError::Records)?;
    let result = derived.result.ok_or(ApproveError::CutOff(derived.run))?;
    let read = |name: &str| {
        let path = run.join(name);
        Disk.read(&path).map_err(|error| ApproveError::Disk(path, error))
    };
    let wrong = |file: &str, what: String| ApproveError::Records(Discrepancy { file: file.to_owned(), what });
    let record: RunRecord =
        serde_json::from_slice(&read("run.json")?).map_err(|e| wrong("run.json", e.to_string()))?;
    let job = record.job().map_err(|e| wrong("run.json", e.to_string()))?;
    let journal = Journal::read(&read("journal.jsonl")?).map_err(|what| wrong("journal.jsonl", what))?;
    Ok(Verified { job, result, journal_head: journal.head })
}

/// Releases a run; returns the folder of the release.
///
/// # Errors
/// See [`ApproveError`].
pub fn approve(settings: &Settings, asked: &Asked<'_>) -> Result<PathBuf, ApproveError> {
    let Verified { job, mut result, journal_head } = verified(asked.run)?;
    may_approve(settings, asked, &job, &result)?;
    let key = PrivateKey::read(asked.key).map_err(ApproveError::Key)?;
    let earlier = earlier_releases(asked.run)?;
    exclusion::apply(&mut result, asked.exclusions, asked.name).map_err(ApproveError::Asked)?;
    result.state = if asked.amendment.is_some() { State::Amended } else { State::Released };
    let replaced = replaced(asked, earlier.last())?;
    let run_files = manifest::of(asked.run).map_err(|e| ApproveError::Disk(asked.run.to_owned(), e))?;
    let state = settings.state_dir();
    Disk.create_dir(&state).map_err(|error| ApproveError::Disk(state.clone(), error))?;
    let ledger_file = state.join(ledger::FILE);
    let mut ledger = Ledger::read(&ledger_file, &Disk).map_err(ApproveError::Asked)?;

    let mut requests = issue::requests(settings, &job, &result);
    let as_found = asked.as_found.map(|run| as_found::put_beside(&mut requests, run)).transpose()?;
    let mut certificates = Vec::new();
    let numbers = numbers(settings, asked, requests.len(), result.simulated, &ledger)?;
    for (request, number) in requests.iter_mut().zip(numbers) {
        let serial = request.item.serial.clone();
        let replaces = replaced.iter().find(|c| c.serial == serial).map(|c| c.number.clone());
        fill(request, asked, &number, replaces.as_ref());
        certificates.push(ReleasedCertificate { serial, number, replaces });
    }
    // What can't be rendered fails here, before a number is used up.
    let part = Part::new(&state).map_err(|error| ApproveError::Asked(error.to_string()))?;
    issue::write(settings, &requests, part.path()).map_err(ApproveError::Render)?;
    for ReleasedCertificate { serial, number, .. } in &certificates {
        let (run, journal_head) = (result.run.as_str(), journal_head.as_str());
        let line = NewLine { at: asked.at, number, serial, run, journal_head };
        ledger.add(&ledger_file, &Disk, &key, line).map_err(ApproveError::Asked)?;
    }

    let folder = asked.run.join(format!("{RELEASE}{}", earlier.len() + 1));
    let disk = |error| ApproveError::Disk(folder.clone(), error);
    Disk.create_dir(&folder).map_err(disk)?;
    Disk.write(&folder.join("result.json"), pretty(&result).map_err(disk)?.as_bytes()).map_err(disk)?;
    archive::copy(part.path(), &folder).map_err(|error| ApproveError::Asked(error.to_string()))?;
    let record = ReleaseRecord {
        schema: ReleaseSchema::V1,
        run: result.run.clone(),
        simulated: result.simulated,
        approved_by: asked.name.to_owned(),
        approved_utc: asked.at,
        certificates,
        amendment: asked.amendment.map(str::to_owned),
        as_found,
        exclusions: asked.exclusions.to_vec(),
        key: key.public().fingerprint(),
        run_files,
        files: manifest::of(&folder).map_err(disk)?,
    };
    let text = pretty(&record).map_err(disk)?;
    let bytes = text.as_bytes();
    Disk.write(&folder.join("release.json"), bytes).map_err(disk)?;
    Disk.write(&folder.join("release.sig"), format!("{}\n", key.sign(bytes)).as_bytes()).map_err(disk)?;
    Ok(folder)
}

/// The numbers of the sensors' certificates: as asked for, or the next ones.
fn numbers(
    settings: &Settings,
    asked: &Asked<'_>,
    count: usize,
    simulated: bool,
    ledger: &Ledger,
) -> Result<Vec<String>, ApproveError> {
    let prefix = if simulated { SIMULATED } else { "" };
    let mut numbers: Vec<String> = Vec::new();
    for n in 0..count {
        let number = match asked.numbers.get(n) {
            Some(number) => format!("{prefix}{number}"),
            None => ledger.next_number(&format!("{prefix}{}", settings.release.number), asked.at, &numbers),
        };
        if ledger.has(&number) || numbers.contains(&number) {
            return Err(ApproveError::Asked(format!(
                "the number {number} was given before; take another one"
            )));
        }
        numbers.push(number);
    }
    Ok(numbers)
}

fn may_approve(
    settings: &Settings,
    asked: &Asked<'_>,
    job: &ResolvedJob,
    result: &ResultRecord,
) -> Result<(), ApproveError> {
    let no = |what: String| Err(ApproveError::Asked(what));
    if asked.name.trim().is_empty() {
        return no("an approval needs a name; give one with --name".to_owned());
    }
    if result.outcome != Outcome::Done {
        return no(format!(
            "run {} ended as {}; only a run that is done can be released",
            result.run, result.outcome
        ));
    }
    let same = asked.name.trim().to_lowercase() == job.job.operator.trim().to_lowercase();
    if same && !settings.release.by_operator {
        return no(format!(
            "{} ran this job; another person has to approve it, unless the setting release.by_operator allows it",
            job.job.operator
        ));
    }
    if settings.laboratory.address.iter().all(|line| line.trim().is_empty()) {
        return no("a certificate bears the laboratory's address (ISO/IEC 17025, 7.8.2.1 b), and the settings have none; \
             write address = [\"street\", \"town\"] under [laboratory]"
            .to_owned());
    }
    let (numbers, sensors) = (asked.numbers.len(), job.sensors.len());
    if numbers != 0 && numbers != sensors {
        return no(format!("there are {numbers} numbers for {sensors} sensors; give one for each, or none"));
    }
    Ok(())
}

/// The releases that a run has, in their order. One that was broken off counts: its numbers are used up.
///
/// # Errors
/// Where a signed one can't be read.
pub fn earlier_releases(run: &Path) -> Result<Vec<Option<ReleaseRecord>>, ApproveError> {
    let mut releases = Vec::new();
    loop {
        let folder = run.join(format!("{RELEASE}{}", releases.len() + 1));
        if !folder.is_dir() {
            return Ok(releases);
        }
        if !folder.join("release.sig").is_file() {
            releases.push(None);
            continue;
        }
        let path = folder.join("release.json");
        let bytes = Disk.read(&path).map_err(|error| ApproveError::Disk(path.clone(), error))?;
        let record = serde_json::from_slice(&bytes)
            .map_err(|error| ApproveError::Asked(format!("{}: {error}", path.display())))?;
        releases.push(Some(record));
    }
}

/// The certificates that this release replaces: those of the last one, and only with a reason.
fn replaced(
    asked: &Asked<'_>,
    last: Option<&Option<ReleaseRecord>>,
) -> Result<Vec<ReleasedCertificate>, ApproveError> {
    match (last.and_then(Option::as_ref), asked.amendment) {
        (None, None) => Ok(Vec::new()),
        (Some(record), Some(_)) => Ok(record.certificates.clone()),
        (Some(_), None) => Err(ApproveError::Asked(
            "this run was released before; a new release replaces its certificates and needs a reason, --amend"
                .to_owned(),
        )),
        (None, Some(_)) => {
            Err(ApproveError::Asked("this run was not released yet, so there is nothing to amend".to_owned()))
        }
    }
}

fn fill(request: &mut CertificateRequest, asked: &Asked<'_>, number: &str, replaces: Option<&String>) {
    request.number = Some(number.to_owned());
    request.replaces = replaces.cloned();
    request.issued = Some(asked.at);
    request.authorised_by = Some(asked.name.to_owned());
    request.amendment = asked.amendment.map(str::to_owned);
}
