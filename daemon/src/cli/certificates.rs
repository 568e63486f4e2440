//! `calwright certificate`: drafts from a run directory.

use super::{Context, Exit, say};
use crate::certificate::issue;
use crate::files::{Disk, Files};
use crate::record::RunRecord;
use std::path::Path;

/// `calwright certificate`: from a run directory.
pub(super) fn run(context: &Context, directory: &Path, out: &Path) -> Exit {
    let verified = match crate::recompute::recompute(directory, &Disk) {
        Ok(verified) => verified,
        Err(discrepancy) => {
            say::error(&format!(
                "error: {}: {discrepancy}; no certificate is made of it",
                directory.display()
            ));
            return Exit::Records;
        }
    };
    let Some(result) = verified.result else {
        say::error(&format!("error: run {} was cut off and has no result", verified.run));
        return Exit::Cancelled;
    };
    let record: Result<RunRecord, String> = Disk
        .read(&directory.join("run.json"))
        .map_err(|e| e.to_string())
        .and_then(|bytes| serde_json::from_slice(&bytes).map_err(|e| e.to_string()));
    let job = record.and_then(|r| r.job().map_err(|e| e.to_string()));
    let job = match job {
        Ok(job) => job,
        Err(error) => {
            say::error(&format!("error: {}: {error}", directory.join("run.json").display()));
            return Exit::Records;
        }
    };
    if let Err(error) = Disk.create_dir(out) {
        say::error(&format!("error: {} can't be made: {error}", out.display()));
        return Exit::Environment;
    }
    match issue::write(&context.settings, &issue::requests(&context.settings, &job, &result), out) {
        Ok(rendered) => {
            rendered.iter().for_each(|r| say::out(&r.path.display().to_string()));
            Exit::Done
        }
        Err(error) => {
            say::error(&format!("error: {error}"));
            Exit::Environment
        }
    }
}
