//! Records at the desk: runs, results, files, release.

use super::{House, needs_role};
use crate::record::{ResultRecord, UtcTime};
use crate::release::approve::{ApproveError, Asked, approve};
use crate::release::manifest::RELEASE;
use crate::serve::desk::{Refusal, RunFile};
use crate::serve::store::Said;
use crate::serve::words::{Happening, Person, Role, RunSummary};
use crate::serve::{directory, names};
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;

impl House {
    pub(super) async fn summary(&self, run: &str) -> Result<RunSummary, Refusal> {
        let begun = match self.kept.runs.get(run) {
            Ok(summary) => return Ok(summary.as_ref().clone()),
            Err(begun) => begun,
        };
        let summary = self.store.one_run(run).await?.ok_or_else(|| no_run(run))?;
        // One that goes on changes without a word.
        if summary.state != "running" {
            self.kept.runs.put(begun, run, summary.clone());
        }
        Ok(summary)
    }

    /// The folder of a run, which is there.
    fn folder(&self, run: &str) -> Result<PathBuf, Refusal> {
        let path = self.runs.join(run);
        if names::is_plain(run) && path.is_dir() { Ok(path) } else { Err(no_run(run)) }
    }

    pub(super) async fn result_of(&self, run: &str) -> Result<Arc<ResultRecord>, Refusal> {
        let begun = match self.kept.results.get(run) {
            Ok(result) => return Ok(result),
            Err(begun) => begun,
        };
        let folder = self.folder(run)?;
        // The last release counts, else the draft.
        let released = (1u32..).map(|n| folder.join(format!("{RELEASE}{n}"))).take_while(|p| p.is_dir());
        let last = released.last().map(|release| release.join("result.json")).filter(|p| p.is_file());
        let path = last.unwrap_or_else(|| folder.join("result.json"));
        let bytes = match tokio::fs::read(&path).await {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                return Err(Refusal::State(format!("run {run} goes on, or was cut off: it has no result")));
            }
            Err(error) => return Err(Refusal::Environment(format!("{}: {error}", path.display()))),
        };
        let result = serde_json::from_slice(&bytes)
            .map_err(|error| Refusal::Environment(format!("{}: {error}", path.display())))?;
        Ok(self.kept.results.put(begun, run, result))
    }

    pub(super) async fn file_of(&self, run: &str, name: &str) -> Result<RunFile, Refusal> {
        let folder = self.folder(run)?;
        let none = || Refusal::NotThere(format!("run {run} has no file '{name}'"));
        let parts: Vec<Component<'_>> = Path::new(name).components().collect();
        let plain = |part: &Component<'_>| match part {
            Component::Normal(part) => part.to_str().is_some_and(names::is_plain),
            _ => false,
        };
        if parts.is_empty() || parts.len() > 2 || !parts.iter().all(plain) {
            return Err(none());
        }
        let path = folder.join(name);
        // A link that leads out of the folder is no file of the run.
        let inside = match (path.canonicalize(), folder.canonicalize()) {
            (Ok(path), Ok(folder)) => path.starts_with(folder),
            _ => false,
        };
        if !inside || !path.is_file() {
            return Err(none());
        }
        Ok(RunFile { media_type: media_type(&path), path })
    }

    pub(super) async fn release(&self, who: &Person, run: &str) -> Result<RunSummary, Refusal> {
        needs_role(who, Role::Approver)?;
        let summary = self.summary(run).await?;
        if summary.state == "running" {
            return Err(Refusal::State(format!("run {run} goes on")));
        }
        let folder = self.folder(run)?;
        let Some(key) = self.settings.release.key.clone() else {
            let text =
                "there is no key to sign with; make one with keygen and name it by the setting release.key";
            return Err(Refusal::State(text.to_owned()));
        };
        let asked = Asked {
            run: &folder,
            name: &who.name,
            at: if summary.simulated { self.day() } else { UtcTime::now() },
            key: &key,
            numbers: &[],
            exclusions: &[],
            amendment: None,
            as_found: None,
        };
        let at = UtcTime::now();
        self.store.audit(&Said { at, who: Some(who), what: "approve", detail: run }).await?;
        let done = tokio::task::block_in_place(|| approve(&self.settings, &asked));
        let done = done.map_err(|error| match error {
            ApproveError::Asked(_) | ApproveError::Records(_) | ApproveError::CutOff(_) => {
                Refusal::State(error.to_string())
            }
            ApproveError::Key(_) | ApproveError::Render(_) | ApproveError::Disk(..) => {
                Refusal::Environment(error.to_string())
            }
        });
        if let Err(refusal) = &done {
            let detail = format!("{run}: refused: {refusal}");
            self.store.audit(&Said { at, who: Some(who), what: "approve", detail: &detail }).await?;
        }
        let release = done?;
        let detail = format!("{run}: released as {}", release.display());
        let said = Said { at, who: Some(who), what: "approve", detail: &detail };
        self.store.released(run, directory::state(&folder), &said).await?;
        self.records_changed();
        let summary = self.summary(run).await?;
        self.news.tell(Happening::Ended(summary.clone()));
        Ok(summary)
    }
}

fn no_run(run: &str) -> Refusal {
    Refusal::NotThere(format!("there is no run '{run}'"))
}

fn media_type(path: &Path) -> &'static str {
    match path.extension().and_then(|e| e.to_str()) {
        Some("json") => "application/json",
        Some("jsonl") => "application/jsonl",
        Some("pdf") => "application/pdf",
        Some("xml") => "application/xml",
        Some("csv") => "text/csv",
        Some("parquet") => "application/vnd.apache.parquet",
        _ => "application/octet-stream",
    }
}
