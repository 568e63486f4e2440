//! Where the program's log goes: to standard error, which a service manager keeps, or to files of bounded size in a folder.
//!
//! Owns settings and the one subscriber of a process. What the instruments' hosts say comes in here too, since their standard error
//! is read and logged by this program.

mod bounded;
mod waiting;

use crate::files::{self, Disk, Files};
use bounded::BoundedLog;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::io;
use std::path::{Path, PathBuf};
use tracing_subscriber::EnvFilter;
pub use waiting::Log;

/// Sizes of one file that make sense, in MiB.
pub(crate) const FILE_MIB: std::ops::RangeInclusive<u32> = 1..=1024;

/// Numbers of older files that make sense: with none, every line would be lost in its turn.
pub(crate) const FILES: std::ops::RangeInclusive<u32> = 1..=1000;

/// The file that a daemon has for itself as long as it logs there.
const LOCK: &str = "calwright.log.lock";

/// Files that the daemon's log is written to. At most `(files_kept + 1) × file_mib_max` MiB are taken.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct LogFiles {
    /// Their folder, one daemon's alone; null for standard error, which a service manager takes into its journal.
    pub folder: Option<PathBuf>,
    /// Largest size of one file.
    #[schemars(range(min = 1, max = 1024))]
    pub file_mib_max: u32,
    /// How many older files are kept beside the one that is written to.
    #[schemars(range(min = 1, max = 1000))]
    pub files_kept: u32,
}

impl Default for LogFiles {
    fn default() -> Self {
        Self { folder: None, file_mib_max: 10, files_kept: 9 }
    }
}

impl LogFiles {
    /// Most that all of them take, in bytes.
    #[must_use]
    pub fn bytes_max(&self) -> u64 {
        (u64::from(self.file_mib_max) << 20).saturating_mul(u64::from(self.files_kept) + 1)
    }
}

/// Why nothing can be logged where the settings say.
#[derive(Debug)]
#[non_exhaustive]
pub enum LogError {
    /// These are no levels.
    Levels(String),
    /// Another daemon writes to these files.
    Taken(PathBuf),
    /// The folder can't be written to.
    Folder(PathBuf, io::Error),
}

impl std::fmt::Display for LogError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Levels(message) => write!(f, "{message}"),
            Self::Taken(folder) => write!(
                f,
                "another daemon writes its log to {}; name a folder for each with log_files.folder",
                folder.display()
            ),
            Self::Folder(folder, error) => write!(
                f,
                "no log can be written to {}: {error}; give this user the folder, name another one with log_files.folder, or leave \
                 that out for standard error",
                folder.display()
            ),
        }
    }
}

/// From now on the program logs to standard error.
///
/// # Errors
/// Levels that are none.
pub fn to_standard_error(levels: &str) -> Result<(), LogError> {
    let filter = filter(levels)?;
    tracing_subscriber::fmt().with_env_filter(filter).with_writer(io::stderr).with_target(false).init();
    Ok(())
}

/// From now on the program logs to the files that the settings name, or else to standard error. What is logged is written when the
/// value is dropped.
///
/// # Errors
/// Levels that are none, a folder that can't be written to or belongs to another daemon.
pub fn to_files(levels: &str, settings: &LogFiles) -> Result<Option<Log>, LogError> {
    let Some(folder) = &settings.folder else {
        return to_standard_error(levels).map(|()| None);
    };
    let filter = filter(levels)?;
    let lock = own(folder)?;
    let files = BoundedLog::open(Disk, folder.clone(), settings)
        .map_err(|error| LogError::Folder(folder.clone(), error))?;
    let (log, lines) = Log::begin(lock, files);
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_ansi(false)
        .with_writer(move || lines.clone())
        .with_target(false)
        .init();
    Ok(Some(log))
}

/// Makes the folder where it is not there, and takes it for this process alone.
fn own(folder: &Path) -> Result<std::fs::File, LogError> {
    let failed = |error: io::Error| match error.kind() {
        io::ErrorKind::WouldBlock => LogError::Taken(folder.to_owned()),
        _ => LogError::Folder(folder.to_owned(), error),
    };
    Disk.create_dir(folder).map_err(failed)?;
    files::own(&folder.join(LOCK)).map_err(failed)
}

fn filter(levels: &str) -> Result<EnvFilter, LogError> {
    EnvFilter::try_new(levels).map_err(|e| {
        let message =
            format!("the setting log = \"{levels}\" can't be used: {e}; write a level such as \"info\"");
        LogError::Levels(message)
    })
}
