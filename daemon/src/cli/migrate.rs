//! `calwright migrate`: a file of an older format rewritten in place, the old one kept beside it.

use super::{Context, Exit, check, say};
use crate::files::{Disk, Files, free_name};
use crate::load::{self, LoadError};
use plan_schema::migrate::{Migrated, migrate};
use plan_schema::plan::FORMAT;
use serde_json::{Value, json};
use std::io;
use std::path::{Path, PathBuf};

/// Rewrites each file; what one says wrong does not keep the others from being rewritten.
pub(super) fn run(context: &Context, files: &[PathBuf]) -> Exit {
    let mut exit = Exit::Done;
    let mut results = Vec::new();
    for file in files {
        match one(file) {
            Ok((migrated, backup)) => {
                results.push(result(file, &migrated, backup.as_deref()));
                if !context.json {
                    say::out(&in_words(file, &migrated, backup.as_deref()));
                }
                if !migrated.remaining.0.is_empty() {
                    say::error(&migrated.remaining.render(say::colour()));
                    exit = Exit::Input;
                }
            }
            Err(Failed::Input(error)) => exit = check::refuse(&error),
            Err(Failed::Disk(error)) => {
                say::error(&format!("error: {}: the file can't be rewritten: {error}", file.display()));
                return Exit::Environment;
            }
        }
    }
    if context.json {
        say::out(&Value::from(results).to_string());
    }
    exit
}

enum Failed {
    Input(LoadError),
    Disk(io::Error),
}

/// Rewrites one file: first the old one is kept, durably, then the new one takes its place in one step.
fn one(file: &Path) -> Result<(Migrated, Option<PathBuf>), Failed> {
    let text = load::text(file).map_err(Failed::Input)?;
    let migrated = migrate(&file.display().to_string(), &text)
        .map_err(|report| Failed::Input(LoadError::Input(report)))?;
    if migrated.changes.is_empty() {
        return Ok((migrated, None));
    }
    // A link stays a link: what it leads to is rewritten.
    let target = std::fs::canonicalize(file).map_err(Failed::Disk)?;
    let permissions = std::fs::metadata(&target).map_err(Failed::Disk)?.permissions();
    let backup = name_for_old(&target, migrated.from);
    Disk.write(&backup, text.as_bytes()).map_err(Failed::Disk)?;
    Disk.write(&target, migrated.text.as_bytes()).map_err(Failed::Disk)?;
    for path in [&backup, &target] {
        std::fs::set_permissions(path, permissions.clone()).map_err(Failed::Disk)?;
    }
    Ok((migrated, Some(backup)))
}

/// A name for the old file that nothing has yet: `plan.toml.format-0`, then `plan.toml.format-0.2` and so on.
fn name_for_old(file: &Path, format: u32) -> PathBuf {
    free_name(|more| {
        let mut name = file.file_name().unwrap_or_default().to_owned();
        name.push(format!(".format-{format}{more}"));
        file.with_file_name(name)
    })
}

fn in_words(file: &Path, migrated: &Migrated, backup: Option<&Path>) -> String {
    let name = file.display();
    let Some(backup) = backup else {
        return format!("{name}: {} of format {FORMAT} already; nothing to do", migrated.kind);
    };
    let changes: Vec<String> = migrated.changes.iter().map(|change| format!("  {change}")).collect();
    format!(
        "{name}: {} rewritten from format {} to {FORMAT}; the old file is {}\n{}",
        migrated.kind,
        migrated.from,
        backup.display(),
        changes.join("\n")
    )
}

fn result(file: &Path, migrated: &Migrated, backup: Option<&Path>) -> Value {
    json!({
        "file": file.display().to_string(),
        "kind": migrated.kind,
        "format_before": migrated.from,
        "format_after": FORMAT,
        "backup": backup.map(|b| b.display().to_string()),
        "changes": migrated.changes,
        "usable": migrated.remaining.0.is_empty(),
    })
}
