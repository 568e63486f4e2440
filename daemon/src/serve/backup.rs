//! A backup of everything that is kept: database, run directories, the ledger of releases. Made while the daemon goes on.
//!
//! The database is copied first, as of one moment: every run that it knows for ended has its whole folder by then. Latches and
//! leave are of the machine that they lie on, and are left out: on another one nobody has looked at the rig yet.

use super::archive::{self, ArchiveError};
use super::house::DATABASE;
use super::store::{OpenError, Store, StoreError};
use super::{directory, names};
use crate::files::{Disk, Files};
use crate::release::ledger;
use crate::settings::Settings;
use std::fmt;
use std::fs;
use std::path::{Path, PathBuf};

/// Why there is no backup, or nothing was restored.
#[derive(Debug)]
pub enum BackupError {
    /// The place is not empty.
    NotEmpty(PathBuf),
    /// There is no backup, or nothing to make one of.
    Nothing(PathBuf),
    /// The database.
    Open(OpenError),
    /// The database.
    Store(StoreError),
    /// The disk, or a run that is not whole.
    Archive(ArchiveError),
    /// The disk.
    Disk(PathBuf, std::io::Error),
}

impl fmt::Display for BackupError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotEmpty(path) => {
                write!(f, "{} is not empty; name a folder that is, or does not exist yet", path.display())
            }
            Self::Nothing(path) => write!(f, "{} holds no database of a daemon", path.display()),
            Self::Open(error) => error.fmt(f),
            Self::Store(error) => error.fmt(f),
            Self::Archive(error) => error.fmt(f),
            Self::Disk(path, error) => write!(f, "{}: {error}", path.display()),
        }
    }
}

impl std::error::Error for BackupError {}

/// What was copied.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Copied {
    /// Run directories.
    pub runs: usize,
    /// Run directories that can't be read as runs; they were copied all the same.
    pub unreadable: usize,
}

/// Makes a backup in a folder that is empty or not there yet.
///
/// # Errors
/// See [`BackupError`].
pub async fn backup(settings: &Settings, to: &Path) -> Result<Copied, BackupError> {
    let data = settings.data_dir();
    if !data.join(DATABASE).is_file() {
        return Err(BackupError::Nothing(data));
    }
    empty(to)?;
    let store = Store::open(&data.join(DATABASE)).await.map_err(BackupError::Open)?;
    let copied = store.copy_to(&to.join(DATABASE)).await;
    store.close().await;
    copied.map_err(BackupError::Store)?;
    let runs = copy_runs(&data.join("runs"), &to.join("runs"))?;
    copy_ledger(&settings.state_dir().join(ledger::FILE), &to.join(ledger::FILE))?;
    Ok(runs)
}

/// Restores a backup on a machine that has nothing yet.
///
/// # Errors
/// See [`BackupError`].
pub async fn restore(settings: &Settings, from: &Path) -> Result<Copied, BackupError> {
    let (data, ledger) = (settings.data_dir(), settings.state_dir().join(ledger::FILE));
    if !from.join(DATABASE).is_file() {
        return Err(BackupError::Nothing(from.to_owned()));
    }
    empty(&data)?;
    if ledger.exists() {
        return Err(BackupError::NotEmpty(ledger));
    }
    let runs = copy_runs(&from.join("runs"), &data.join("runs"))?;
    copy_ledger(&from.join(ledger::FILE), &ledger)?;
    // The database last: with it, the data folder is one.
    let bytes = fs::read(from.join(DATABASE)).map_err(|e| BackupError::Disk(from.join(DATABASE), e))?;
    Disk.write(&data.join(DATABASE), &bytes).map_err(|e| BackupError::Disk(data.join(DATABASE), e))?;
    let store = Store::open(&data.join(DATABASE)).await.map_err(BackupError::Open)?;
    store.close().await;
    Ok(runs)
}

/// Makes a folder, which must be empty where it is there.
fn empty(folder: &Path) -> Result<(), BackupError> {
    let occupied = fs::read_dir(folder).is_ok_and(|mut entries| entries.next().is_some());
    if occupied || folder.is_file() {
        return Err(BackupError::NotEmpty(folder.to_owned()));
    }
    Disk.create_dir(folder).map_err(|e| BackupError::Disk(folder.to_owned(), e))
}

fn copy_runs(from: &Path, to: &Path) -> Result<Copied, BackupError> {
    let mut copied = Copied { runs: 0, unreadable: 0 };
    Disk.create_dir(to).map_err(|e| BackupError::Disk(to.to_owned(), e))?;
    for run in names::folders(from) {
        archive::copy(&from.join(&run), &to.join(&run)).map_err(BackupError::Archive)?;
        copied.runs += 1;
        copied.unreadable += usize::from(directory::indexed(&to.join(&run)).is_err());
    }
    Ok(copied)
}

fn copy_ledger(from: &Path, to: &Path) -> Result<(), BackupError> {
    if !from.is_file() {
        return Ok(());
    }
    let bytes = fs::read(from).map_err(|e| BackupError::Disk(from.to_owned(), e))?;
    if let Some(folder) = to.parent() {
        Disk.create_dir(folder).map_err(|e| BackupError::Disk(folder.to_owned(), e))?;
    }
    Disk.write(to, &bytes).map_err(|e| BackupError::Disk(to.to_owned(), e))
}
