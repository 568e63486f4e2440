//! Keeping what was recorded: reindex, export, import, backup, restore.

use super::{Context, Exit, say};
use crate::files::{Disk, Files};
use crate::serve::archive::{self, ArchiveError};
use crate::serve::backup::{BackupError, Copied, backup, restore};
use crate::serve::house::DATABASE;
use crate::serve::reindex::reindex;
use crate::serve::store::Store;
use crate::serve::{directory, names};
use serde_json::json;
use std::future::Future;
use std::path::{Path, PathBuf};

/// Runs something that waits for a database.
pub(super) fn waited<T>(what: impl Future<Output = Result<T, Exit>>) -> Result<T, Exit> {
    match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => runtime.block_on(what),
        Err(error) => Err(failed(&error)),
    }
}

pub(super) fn failed(error: &impl std::fmt::Display) -> Exit {
    say::error(&format!("error: {error}"));
    Exit::Environment
}

/// The database of the data folder, which is there.
pub(super) async fn opened(context: &Context) -> Result<Store, Exit> {
    let data = context.settings.data_dir();
    Disk.create_dir(&data).map_err(|e| failed(&format!("{}: {e}", data.display())))?;
    Store::open(&data.join(DATABASE)).await.map_err(|e| failed(&e))
}

pub(super) fn index_again(context: &Context) -> Exit {
    let runs = context.settings.data_dir().join("runs");
    let done = waited(async {
        let store = opened(context).await?;
        let done = reindex(&store, &runs).await;
        store.close().await;
        done.map_err(|e| failed(&e))
    });
    let done = match done {
        Ok(done) => done,
        Err(exit) => return exit,
    };
    for (folder, why) in &done.unreadable {
        say::error(&format!("error: {}: {why}", runs.join(folder).display()));
    }
    for run in &done.gone {
        say::error(&format!("warning: run {run} was in the index, and its folder is gone"));
    }
    if context.json {
        say::out(&json!({ "runs": done.runs, "unreadable": done.unreadable, "gone": done.gone }).to_string());
    } else {
        say::out(&format!("{} runs are in the index.", done.runs));
    }
    if done.unreadable.is_empty() { Exit::Done } else { Exit::Records }
}

/// A run's folder, written as such or as its name.
fn folder_of(context: &Context, run: &str) -> PathBuf {
    let path = PathBuf::from(run);
    if path.is_dir() || !names::is_plain(run) {
        path
    } else {
        context.settings.data_dir().join("runs").join(run)
    }
}

pub(super) fn export(context: &Context, run: &str, out: Option<&Path>) -> Exit {
    let folder = folder_of(context, run);
    if !folder.is_dir() {
        say::error(&format!("error: there is no run '{run}': {} is no folder", folder.display()));
        return Exit::Input;
    }
    let name = folder.file_name().map_or(run.into(), |n| n.to_string_lossy());
    let out = out.map_or_else(|| PathBuf::from(format!("{name}.tar.zst")), Path::to_owned);
    match archive::export(&folder, &out) {
        Ok(()) => {
            say::out(&out.display().to_string());
            Exit::Done
        }
        Err(error) => refused(&error),
    }
}

fn refused(error: &ArchiveError) -> Exit {
    say::error(&format!("error: {error}"));
    match error {
        ArchiveError::Disk(..) => Exit::Environment,
        ArchiveError::Content(_) => Exit::Records,
        ArchiveError::There(_) => Exit::Input,
    }
}

pub(super) fn import(context: &Context, file: &Path) -> Exit {
    let runs = context.settings.data_dir().join("runs");
    if let Err(error) = Disk.create_dir(&runs) {
        return failed(&format!("{}: {error}", runs.display()));
    }
    let place = match archive::import(file, &runs) {
        Ok(place) => place,
        Err(error) => return refused(&error),
    };
    let indexed = waited(async {
        let store = opened(context).await?;
        let run = directory::indexed(&place).map_err(|e| failed(&e))?;
        let done = store.index(&run).await;
        store.close().await;
        done.map_err(|e| {
            failed(&format!("the run is there, but not in the index: {e}; see 'calwright reindex'"))
        })
    });
    match indexed {
        Ok(()) => {
            say::out(&place.display().to_string());
            Exit::Done
        }
        Err(exit) => exit,
    }
}

pub(super) fn back_up(context: &Context, to: &Path) -> Exit {
    copied(context, waited(async { backup(&context.settings, to).await.map_err(|e| not_copied(&e)) }))
}

pub(super) fn restored(context: &Context, from: &Path) -> Exit {
    copied(context, waited(async { restore(&context.settings, from).await.map_err(|e| not_copied(&e)) }))
}

fn copied(context: &Context, done: Result<Copied, Exit>) -> Exit {
    let done = match done {
        Ok(done) => done,
        Err(exit) => return exit,
    };
    if context.json {
        say::out(&json!({ "runs": done.runs, "unreadable": done.unreadable }).to_string());
    } else {
        say::out(&format!("The database and {} runs.", done.runs));
    }
    if done.unreadable > 0 {
        let text = "can't be read as runs; they were copied as they are. See 'calwright recompute' of each";
        say::error(&format!("warning: {} folders {text}", done.unreadable));
    }
    Exit::Done
}

fn not_copied(error: &BackupError) -> Exit {
    say::error(&format!("error: {error}"));
    match error {
        BackupError::NotEmpty(_) | BackupError::Nothing(_) => Exit::Input,
        BackupError::Archive(ArchiveError::Content(_)) => Exit::Records,
        BackupError::Open(_) | BackupError::Store(_) | BackupError::Archive(_) | BackupError::Disk(..) => {
            Exit::Environment
        }
    }
}
