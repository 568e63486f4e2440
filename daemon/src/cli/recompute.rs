//! `calwright recompute`: of one run directory, of every one in a folder, or of a run in one file.

use super::{Context, Exit, say};
use crate::files::Disk;
use crate::recompute::{Discrepancy, Recomputed, recompute};
use crate::release::manifest;
use crate::serve::archive::{ArchiveError, Part, unpack};
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// Folders within folders that are looked through for runs.
const DEPTH: usize = 4;

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
    let is_run = |path: &Path| path.join("run.json").is_file() || path.join("journal.jsonl").is_file();
    let mut found = Vec::new();
    if directory.is_dir() && !is_run(directory) {
        runs_below(directory, DEPTH, &is_run, &mut found);
    }
    if !directory.is_dir() {
        say::error(&format!(
            "error: {} is no run directory; name the folder that holds run.json, or one that holds such folders",
            directory.display()
        ));
        return Exit::Input;
    }
    if found.is_empty() {
        return one(context, directory);
    }
    let mut broken = 0_usize;
    let mut told = Vec::new();
    for run in &found {
        let done = whole(run);
        broken += usize::from(done.is_err());
        if context.json {
            let mut value = as_json(&done);
            value["path"] = json!(run.display().to_string());
            told.push(value);
        } else {
            match &done {
                Ok(done) => say::out(&format!("{}: {}", run.display(), in_words(done))),
                Err(discrepancy) => say::error(&format!("error: {}: {discrepancy}", run.display())),
            }
        }
    }
    if context.json {
        say::out(&Value::from(told).to_string());
    } else {
        say::out(&format!("{} of {} runs are as they were written.", found.len() - broken, found.len()));
    }
    if broken == 0 { Exit::Done } else { Exit::Records }
}

/// Run directories below a folder, in the order of their names; nothing within a run is looked at.
fn runs_below(folder: &Path, depth: usize, is_run: &impl Fn(&Path) -> bool, found: &mut Vec<PathBuf>) {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    // A link would lead out of the folder, or round in a circle.
    let real = entries.filter(|e| e.file_type().is_ok_and(|kind| kind.is_dir()));
    let mut folders: Vec<PathBuf> = real.map(|e| e.path()).collect();
    folders.sort();
    for folder in folders {
        if is_run(&folder) {
            found.push(folder);
        } else if depth > 1 {
            runs_below(&folder, depth - 1, is_run, found);
        }
    }
}

fn one(context: &Context, directory: &Path) -> Exit {
    let done = whole(directory);
    if context.json {
        say::out(&as_json(&done).to_string());
    }
    match done {
        Err(discrepancy) => {
            say::error(&format!("error: {}: {discrepancy}", directory.display()));
            Exit::Records
        }
        Ok(done) => {
            if !context.json {
                say::out(&in_words(&done));
                if let Some(torn) = done.torn {
                    let bytes = torn.len();
                    say::out(&format!(
                        "The last line of the journal is torn and was set aside ({bytes} bytes)."
                    ));
                }
            }
            Exit::Done
        }
    }
}

/// Derives a run again, and holds every file whose hash a release knows against it.
fn whole(run: &Path) -> Result<Recomputed, Discrepancy> {
    let done = recompute(run, &Disk)?;
    let wrong = |file: String, what: String| Discrepancy { file, what };
    let found = manifest::against_releases(run)
        .map_err(|error| wrong("its releases".to_owned(), format!("can't be read: {error}")))?;
    match found.into_iter().next() {
        Some((file, how)) => Err(wrong(file, format!("{how} since the run was released"))),
        None => Ok(done),
    }
}

fn as_json(done: &Result<Recomputed, Discrepancy>) -> Value {
    match done {
        Err(discrepancy) => json!({ "verified": false, "file": discrepancy.file, "what": discrepancy.what }),
        Ok(done) => json!({
            "verified": true,
            "run": done.run,
            "entries": done.entries,
            "dwells": done.dwells,
            "identical": done.identical,
            "not_stated": done.not_stated,
            "torn_line": done.torn,
            "finished": done.result.is_some(),
        }),
    }
}

fn in_words(done: &Recomputed) -> String {
    let agreement = match (&done.result, done.identical) {
        (None, _) => "the run was cut off, so there is no result to compare with",
        (Some(_), true) => "result.json follows from the waveforms to the bit",
        (Some(_), false) => "result.json follows from the waveforms within 1e-11",
    };
    let mut text = format!(
        "Run {}: {} journal entries, chain intact; {} dwells fitted again; {agreement}.",
        done.run, done.entries, done.dwells
    );
    if !done.not_stated.is_empty() {
        let keys = done.not_stated.join(", ");
        let _ = write!(
            text,
            " It was made before results stated {keys}: of these there is nothing to compare with, and the rest was derived as \
             it was done then."
        );
    }
    text
}
