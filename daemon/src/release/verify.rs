//! Verifying a release: signature, hashes of certificates and run, the chain, the result derived again, the ledger.
//!
//! Owns what counts as proof. Everything is looked at, and everything that is wrong is told. The public key has to come
//! from elsewhere than the release: a forger signs with a key of his own.

use super::key::PublicKey;
use super::ledger::{self, Ledger};
use super::manifest::{self, RELEASE};
use super::record::ReleaseRecord;
use crate::files::{Disk, Files};
use crate::recompute::recompute;
use std::path::{Path, PathBuf};

/// What was verified.
#[derive(Debug)]
pub struct Proof {
    /// Folder of the release.
    pub folder: PathBuf,
    /// What it says.
    pub record: ReleaseRecord,
}

/// The release that a path belongs to: its folder, a file in it, or a run directory (then its last release).
///
/// # Errors
/// In words, where there is none.
pub fn find(path: &Path) -> Result<PathBuf, String> {
    let none = || {
        format!("{} belongs to no release: name a release's folder, a file in it, or its run", path.display())
    };
    let folder = if path.is_dir() { path } else { path.parent().ok_or_else(none)? };
    if folder.join("release.json").is_file() {
        return Ok(folder.to_owned());
    }
    let numbered = |n: usize| folder.join(format!("{RELEASE}{n}"));
    let last = (1..).take_while(|n| numbered(*n).is_dir()).last();
    last.map(numbered).filter(|_| path.is_dir()).ok_or_else(none)
}

/// Verifies a release with the run that it lies in, and with the ledger of a state folder where one is given.
///
/// # Errors
/// Everything that is wrong.
pub fn verify(folder: &Path, key: &PublicKey, state: Option<&Path>) -> Result<Proof, Vec<String>> {
    let mut wrong = Vec::new();
    let record = signed_record(folder, key).map_err(|what| vec![what])?;
    let mut compare = |of: &Path, was| match manifest::of(of) {
        Ok(is) => wrong.extend(
            manifest::differences(was, &is)
                .into_iter()
                .filter(|(path, _)| path != "release.json" && path != "release.sig")
                .map(|(path, how)| format!("{}: {how}", of.join(path).display())),
        ),
        Err(error) => wrong.push(format!("{}: {error}", of.display())),
    };
    compare(folder, &record.files);
    let run = folder.canonicalize().ok().and_then(|f| f.parent().map(Path::to_owned));
    match &run {
        Some(run) => {
            compare(run, &record.run_files);
            if let Err(discrepancy) = recompute(run, &Disk) {
                wrong.push(format!("{}: {discrepancy}", run.display()));
            }
        }
        None => wrong.push(format!("{}: the run that it lies in can't be found", folder.display())),
    }
    if let Some(state) = state {
        wrong.extend(in_ledger(&record, &state.join(ledger::FILE), key));
    }
    if wrong.is_empty() { Ok(Proof { folder: folder.to_owned(), record }) } else { Err(wrong) }
}

fn signed_record(folder: &Path, key: &PublicKey) -> Result<ReleaseRecord, String> {
    let read = |name: &str| {
        let path = folder.join(name);
        Disk.read(&path).map_err(|error| format!("{}: {error}", path.display()))
    };
    let (bytes, signature) = (read("release.json")?, read("release.sig")?);
    let signature = std::str::from_utf8(&signature).unwrap_or_default();
    // Exactly what was written: another spelling of the same signature is a change too.
    let plain =
        signature.strip_suffix('\n').is_some_and(|s| !s.contains(char::is_uppercase) && s.trim() == s);
    if !plain || !key.verifies(&bytes, signature) {
        return Err(format!(
            "{}: the signature is not that of this key; the release was changed, or signed with another key",
            folder.join("release.json").display()
        ));
    }
    serde_json::from_slice(&bytes).map_err(|e| format!("{}: {e}", folder.join("release.json").display()))
}

fn in_ledger(record: &ReleaseRecord, file: &Path, key: &PublicKey) -> Vec<String> {
    let ledger = match Ledger::read(file, &Disk) {
        Ok(ledger) => ledger,
        Err(what) => return vec![what],
    };
    let place = file.display();
    let unsigned = ledger.unsigned(key).into_iter();
    let mut wrong: Vec<String> =
        unsigned.map(|n| format!("{place}, line {n}: not signed with this key")).collect();
    for certificate in &record.certificates {
        let fits = |line: &&ledger::Line| {
            line.number == certificate.number && line.serial == certificate.serial && line.run == record.run
        };
        if !ledger.lines.iter().any(|line| fits(&line)) {
            wrong.push(format!("{place}: certificate {} is not in it", certificate.number));
        }
    }
    wrong
}

/// Verifies a folder of runs against the ledger: every certificate that was given a number has its run, and every release
/// is right.
///
/// # Errors
/// Everything that is wrong.
pub fn verify_archive(runs: &Path, key: &PublicKey, state: &Path) -> Result<Vec<Proof>, Vec<String>> {
    let ledger = Ledger::read(&state.join(ledger::FILE), &Disk).map_err(|what| vec![what])?;
    let (mut proofs, mut wrong) = (Vec::new(), Vec::new());
    let entries = std::fs::read_dir(runs).map_err(|e| vec![format!("{}: {e}", runs.display())])?;
    let mut folders: Vec<PathBuf> = entries.filter_map(|e| e.ok().map(|e| e.path())).collect();
    folders.sort();
    for run in folders.iter().filter(|path| path.is_dir()) {
        for n in (1..).take_while(|n| run.join(format!("{RELEASE}{n}")).is_dir()) {
            match verify(&run.join(format!("{RELEASE}{n}")), key, Some(state)) {
                Ok(proof) => proofs.push(proof),
                Err(problems) => wrong.extend(problems),
            }
        }
    }
    for line in &ledger.lines {
        let found = proofs.iter().any(|p| p.record.certificates.iter().any(|c| c.number == line.number));
        if !found {
            let (number, run) = (&line.number, &line.run);
            wrong.push(format!(
                "certificate {number} of run {run} is in the ledger, but no sound release of it is here"
            ));
        }
    }
    if wrong.is_empty() { Ok(proofs) } else { Err(wrong) }
}
