//! `calwright recompute`: of a run directory, or of a run in one file.

use super::{Context, Exit, say};
use crate::files::Disk;
use crate::recompute::recompute;
use crate::serve::archive::{ArchiveError, Part, unpack};
use serde_json::json;
use std::path::Path;

pub(super) fn run(context: &Context, path: &Path) -> Exit {
    if !path.is_file() {
        return in_folder(context, path);
    }
    // An archive: the same, of what is in it.
    let unpacked = Part::new(&std::env::temp_dir()).and_then(|part| {
        let run = unpack(path, part.path())?;
        Ok((part, run))
    });
    match unpacked {
        Ok((part, run)) => in_folder(context, &part.path().join(run)),
        Err(error @ ArchiveError::Content(_)) => {
            say::error(&format!("error: {error}"));
            Exit::Records
        }
        Err(error) => {
            say::error(&format!("error: {error}"));
            Exit::Environment
        }
    }
}

fn in_folder(context: &Context, directory: &Path) -> Exit {
    if !directory.is_dir() {
        say::error(&format!(
            "error: {} is no run directory; name the folder that holds run.json",
            directory.display()
        ));
        return Exit::Input;
    }
    let done = match recompute(directory, &Disk) {
        Ok(done) => done,
        Err(discrepancy) => {
            if context.json {
                say::out(
                    &json!({ "verified": false, "file": discrepancy.file, "what": discrepancy.what })
                        .to_string(),
                );
            }
            say::error(&format!("error: {}: {discrepancy}", directory.display()));
            return Exit::Records;
        }
    };
    if context.json {
        let record = json!({
            "verified": true,
            "run": done.run,
            "entries": done.entries,
            "dwells": done.dwells,
            "identical": done.identical,
            "torn_line": done.torn,
            "finished": done.result.is_some(),
        });
        say::out(&record.to_string());
        return Exit::Done;
    }
    let agreement = match (&done.result, done.identical) {
        (None, _) => "the run was cut off, so there is no result to compare with",
        (Some(_), true) => "result.json follows from the waveforms to the bit",
        (Some(_), false) => "result.json follows from the waveforms within 1e-11",
    };
    say::out(&format!(
        "Run {}: {} journal entries, chain intact; {} dwells fitted again; {agreement}.",
        done.run, done.entries, done.dwells
    ));
    if let Some(torn) = done.torn {
        say::out(&format!("The last line of the journal is torn and was set aside ({} bytes).", torn.len()));
    }
    Exit::Done
}
