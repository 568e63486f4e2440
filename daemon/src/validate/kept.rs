//! The last validation of this station, and what differs from it now.
//!
//! Owns `validation.json` in the state folder. What counts is the program file itself, the certificate template and the rig
//! files, each by its hash: a new version, a rebuilt program, an edited template are not what was validated.

use super::Report;
use crate::files::{Disk, Files};
use crate::hash::sha256_of;
use crate::settings::Settings;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// Name of the file in the state folder.
pub const FILE: &str = "validation.json";

/// What is validated, by hashes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Subject {
    /// SHA-256 of the program file.
    pub program_sha256: String,
    /// SHA-256 of the certificate template; null for the built-in one, which is part of the program.
    pub template_sha256: Option<String>,
    /// SHA-256 of each rig file by its absolute path.
    pub rigs: BTreeMap<String, String>,
}

impl Subject {
    /// What is here now.
    ///
    /// # Errors
    /// In words, where something can't be read.
    pub fn of(settings: &Settings, rigs: &[PathBuf]) -> Result<Self, String> {
        let program_sha256 = program_sha256().ok_or("the program file can't be read, so it has no hash")?;
        let hash = |path: &Path| hash_of(path).map_err(|e| format!("{}: {e}", path.display()));
        let template_sha256 = settings.certificate.template.as_deref().map(hash).transpose()?;
        let rigs =
            rigs.iter().map(|path| Ok((absolute(path), hash(path)?))).collect::<Result<_, String>>()?;
        Ok(Self { program_sha256: program_sha256.to_owned(), template_sha256, rigs })
    }
}

/// SHA-256 of the program file that runs; none where the system does not let it be read. Found once.
#[must_use]
pub fn program_sha256() -> Option<&'static str> {
    static HASH: OnceLock<Option<String>> = OnceLock::new();
    HASH.get_or_init(|| hash_of(&std::env::current_exe().ok()?).ok()).as_deref()
}

/// SHA-256 of a file, which may be large.
fn hash_of(path: &Path) -> io::Result<String> {
    sha256_of(std::fs::File::open(path)?)
}

fn absolute(path: &Path) -> String {
    path.canonicalize().unwrap_or_else(|_| path.to_owned()).display().to_string()
}

/// Remembers a validation.
///
/// # Errors
/// Of the disk.
pub fn keep(state: &Path, report: &Report) -> io::Result<()> {
    Disk.create_dir(state)?;
    let text = crate::record::directory::pretty(report)?;
    Disk.write(&state.join(FILE), text.as_bytes())
}

/// The last validation of a state folder; none where there was none.
///
/// # Errors
/// In words, where the file is there and can't be read.
pub fn last(state: &Path) -> Result<Option<Report>, String> {
    let path = state.join(FILE);
    match Disk.read(&path) {
        Ok(bytes) => serde_json::from_slice(&bytes).map(Some).map_err(|e| format!("{}: {e}", path.display())),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(format!("{}: {error}", path.display())),
    }
}

/// Whether the program that runs passed its validation on this station.
#[must_use]
pub fn is_validated(state: &Path) -> bool {
    let passed = last(state).ok().flatten().filter(|report| report.passed);
    passed.is_some_and(|report| Some(report.subject.program_sha256.as_str()) == program_sha256())
}

/// What is not as it was when this station was last validated, in sentences for a person; empty where everything is. `rigs` are
/// the rig files in use.
#[must_use]
pub fn differs_from_validated(settings: &Settings, rigs: &[PathBuf]) -> Vec<String> {
    let report = match last(&settings.state_dir()) {
        Ok(Some(report)) => report,
        Ok(None) => {
            return vec!["this program was never validated here; run `calwright validate`".to_owned()];
        }
        Err(what) => return vec![format!("the last validation can't be read: {what}")],
    };
    match Subject::of(settings, rigs) {
        Ok(now) => differences(&report, &now),
        Err(what) => vec![what],
    }
}

fn differences(report: &Report, now: &Subject) -> Vec<String> {
    let (was, day) = (&report.subject, report.at_utc.civil().date());
    let mut differs = Vec::new();
    if !report.passed {
        differs.push(format!("the validation of {day} did not pass"));
    }
    if was.program_sha256 != now.program_sha256 {
        differs.push(format!("the program is not the one that was validated on {day}"));
    }
    if was.template_sha256 != now.template_sha256 {
        differs.push(format!("the certificate template is not as it was when it was validated on {day}"));
    }
    for (rig, hash) in &now.rigs {
        match was.rigs.get(rig) {
            Some(before) if before == hash => {}
            Some(_) => differs.push(format!("{rig} is not as it was when it was validated on {day}")),
            None => differs.push(format!("{rig} was not part of the validation of {day}")),
        }
    }
    differs
}

#[cfg(test)]
mod tests {
    use super::super::{Asked, validate};
    use super::*;

    fn report(state: &Path, rigs: &[PathBuf]) -> (Settings, Report) {
        let settings = Settings { state_dir: Some(state.to_owned()), ..Settings::default() };
        let asked = Asked {
            by: "A. Person".into(),
            at: "2000-01-01T00:00:00Z".parse().unwrap(),
            rigs: rigs.to_vec(),
        };
        let report = validate(&settings, &asked).unwrap();
        (settings, report)
    }

    #[test]
    fn this_program_passes_and_what_changes_is_noticed() {
        let folder = tempfile::tempdir().unwrap();
        let (rig, other) = (folder.path().join("rig.toml"), folder.path().join("other.toml"));
        std::fs::write(&rig, "a").unwrap();
        std::fs::write(&other, "b").unwrap();
        let (settings, report) = report(folder.path(), std::slice::from_ref(&rig));
        let failed: Vec<_> = report.groups.iter().flat_map(|g| &g.checks).filter(|c| !c.passed).collect();
        assert!(report.passed && failed.is_empty(), "{failed:#?}");
        assert!(!is_validated(folder.path()));
        assert_eq!(differs_from_validated(&settings, &[]).len(), 1);

        keep(folder.path(), &report).unwrap();
        assert!(is_validated(folder.path()));
        let differs = |settings: &Settings| differs_from_validated(settings, std::slice::from_ref(&rig));
        assert_eq!(differs(&settings), Vec::<String>::new());
        assert_eq!(differs_from_validated(&settings, std::slice::from_ref(&other)).len(), 1);
        std::fs::write(&rig, "c").unwrap();
        let mut with_template = settings.clone();
        with_template.certificate.template = Some(other.clone());
        assert_eq!(differs(&with_template).len(), 2, "{:?}", differs(&with_template));

        let mut rebuilt = report.clone();
        rebuilt.subject.program_sha256 = "another".into();
        rebuilt.passed = false;
        keep(folder.path(), &rebuilt).unwrap();
        assert!(!is_validated(folder.path()) && differs_from_validated(&settings, &[]).len() == 2);
        let text = report.text();
        assert!(
            text.contains("passed")
                && text.contains("A. Person")
                && text.contains(&report.subject.program_sha256)
        );
    }
}
