//! The database of the daemon: queue, index of runs, registers, audit.
//!
//! Owns every query; nothing outside of this folder knows that it is SQLite, so that another database can join. Must not decide
//! anything, and is never in the path to safety: what it loses can be derived again from run directories, the queue apart.
//!
//! Migrations go forward only, after a copy of the database was made; a database of a newer program is refused.

mod audit;
mod index;
mod jobs;
mod open;
mod registers;
mod runs;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod upgrade;
mod used;
mod versions;

pub use audit::Said;
pub use index::{IndexedPoint, IndexedRun, IndexedSensor, RegisterEntry};
pub use jobs::{NewJob, StoredJob, StoredStage, Submitted};
pub use open::OpenError;
pub use runs::BegunRun;
pub use versions::Version;

use sqlx::SqlitePool;
use std::fmt;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// The open database.
#[derive(Debug, Clone)]
pub struct Store {
    pool: SqlitePool,
    path: PathBuf,
    /// Which file it is: device and number.
    file: (u64, u64),
}

/// Why something could not be read or written; nothing was changed.
#[derive(Debug)]
pub enum StoreError {
    /// The database can't be used at the moment.
    Database(sqlx::Error),
    /// Its file is not in its place any more: what is written now would be found by nobody.
    Away(PathBuf),
    /// What it holds can't be understood.
    Content(String),
}

impl fmt::Display for StoreError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Database(error) => write!(f, "the database can't be used: {error}"),
            Self::Away(path) => write!(
                f,
                "the database is not at {} any more, so nothing is written: put the file back, or end the daemon and restore a \
                 backup ('calwright reindex' makes all but the queue again)",
                path.display()
            ),
            Self::Content(what) => write!(f, "the database holds what can't be understood: {what}"),
        }
    }
}

impl std::error::Error for StoreError {}

impl From<sqlx::Error> for StoreError {
    fn from(error: sqlx::Error) -> Self {
        Self::Database(error)
    }
}

/// Reads a text of the database back.
fn parsed<T: std::str::FromStr>(what: &str, text: &str) -> Result<T, StoreError>
where
    T::Err: fmt::Display,
{
    text.parse().map_err(|e: T::Err| StoreError::Content(format!("{what} '{text}': {e}")))
}

/// A word of a vocabulary, read back.
fn word<T: serde::de::DeserializeOwned>(what: &str, text: &str) -> Result<T, StoreError> {
    let value = serde_json::Value::String(text.to_owned());
    serde_json::from_value(value).map_err(|e| StoreError::Content(format!("{what} '{text}': {e}")))
}

/// Which file lies at a path: its device and its number.
fn identity(path: &Path) -> Option<(u64, u64)> {
    let found = std::fs::metadata(path).ok()?;
    Some((found.dev(), found.ino()))
}

impl Store {
    /// The connections, while the database is the file that was opened. One that was moved or deleted would take everything
    /// that is written, and nobody would find it again.
    fn pool(&self) -> Result<&SqlitePool, StoreError> {
        if identity(&self.path) == Some(self.file) {
            return Ok(&self.pool);
        }
        Err(StoreError::Away(self.path.clone()))
    }

    /// The reason why the queue is held, if it is.
    ///
    /// # Errors
    /// Of the database.
    pub async fn queue_held(&self) -> Result<Option<String>, StoreError> {
        let found = sqlx::query_scalar("SELECT value FROM house WHERE key = 'held'");
        Ok(found.fetch_optional(self.pool()?).await?)
    }

    /// Holds the queue for a reason, or lets it go on.
    ///
    /// # Errors
    /// Of the database.
    pub async fn hold_queue(&self, reason: Option<&str>, said: &Said<'_>) -> Result<(), StoreError> {
        let mut change = self.pool()?.begin().await?;
        match reason {
            Some(reason) => {
                sqlx::query("INSERT INTO house (key, value) VALUES ('held', ?1) ON CONFLICT (key) DO UPDATE SET value = ?1")
                    .bind(reason)
                    .execute(&mut *change)
                    .await?;
            }
            None => {
                sqlx::query("DELETE FROM house WHERE key = 'held'").execute(&mut *change).await?;
            }
        }
        said.enter(&mut change).await?;
        Ok(change.commit().await?)
    }
}
