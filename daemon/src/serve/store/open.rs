//! Opening the database: how it is to be kept, and its migrations.

use super::{Store, StoreError, identity};
use crate::files::free_name;
use sqlx::migrate::{MigrateError, Migrator};
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqlitePoolOptions, SqliteSynchronous};
use sqlx::{AssertSqlSafe, SqlitePool};
use std::fmt;
use std::path::{Path, PathBuf};
use std::time::Duration;

static MIGRATIONS: Migrator = sqlx::migrate!("migrations/sqlite");

/// How long a statement waits for another process that has the database.
const PATIENCE: Duration = Duration::from_secs(2);

/// Why the database can't be opened.
#[derive(Debug)]
pub enum OpenError {
    /// It can't be used.
    Database(PathBuf, sqlx::Error),
    /// It was written by a newer program.
    Newer {
        /// Its version.
        found: i64,
        /// The newest that this program knows.
        known: i64,
    },
    /// A migration failed; the copy that was made before it is named.
    Migration(MigrateError, Option<PathBuf>),
}

impl fmt::Display for OpenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Database(path, error) => {
                write!(f, "the database {} can't be used: {error}", path.display())
            }
            Self::Newer { found, known } => write!(
                f,
                "the database is of version {found}, this program knows up to {known}; use the newer program, or restore a \
                 backup of before"
            ),
            Self::Migration(error, Some(copy)) => {
                write!(
                    f,
                    "the database can't be brought forward: {error}; as it was it lies at {}",
                    copy.display()
                )
            }
            Self::Migration(error, None) => write!(f, "the database can't be made: {error}"),
        }
    }
}

impl std::error::Error for OpenError {}

impl Store {
    /// Opens the database at a path, makes it where there is none, and brings it forward to this program.
    ///
    /// # Errors
    /// See [`OpenError`].
    pub async fn open(path: &Path) -> Result<Self, OpenError> {
        let options = SqliteConnectOptions::new()
            .filename(path)
            .create_if_missing(true)
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(SqliteSynchronous::Full)
            .foreign_keys(true)
            .busy_timeout(PATIENCE);
        let pool = SqlitePoolOptions::new()
            .max_connections(4)
            .acquire_timeout(PATIENCE * 2)
            .connect_with(options)
            .await
            .map_err(|e| OpenError::Database(path.to_owned(), e))?;
        let file =
            identity(path).ok_or_else(|| OpenError::Database(path.to_owned(), sqlx::Error::PoolClosed))?;
        let store = Self { pool, path: path.to_owned(), file };
        store.bring_forward().await?;
        Ok(store)
    }

    async fn bring_forward(&self) -> Result<(), OpenError> {
        let known = MIGRATIONS.iter().map(|m| m.version).max().unwrap_or(0);
        let found = version(&self.pool).await.map_err(|e| OpenError::Database(self.path.clone(), e))?;
        if found > known {
            return Err(OpenError::Newer { found, known });
        }
        let copy = match found {
            0 => None,
            v if v < known => {
                let copy = self.free_copy(known);
                self.copy_to(&copy).await.map_err(|e| match e {
                    StoreError::Database(error) => OpenError::Database(copy.clone(), error),
                    other => OpenError::Database(copy.clone(), sqlx::Error::Protocol(other.to_string())),
                })?;
                Some(copy)
            }
            _ => return Ok(()),
        };
        MIGRATIONS.run(&self.pool).await.map_err(|e| OpenError::Migration(e, copy))
    }

    /// Where the copy of before goes: a migration that failed once has left one already, and none is overwritten.
    fn free_copy(&self, known: i64) -> PathBuf {
        free_name(|more| self.path.with_extension(format!("before-{known}{more}.sqlite")))
    }

    /// Writes a whole copy of the database, as of one moment, while it is in use; nothing may lie there.
    ///
    /// # Errors
    /// Of the database or the disk.
    pub async fn copy_to(&self, path: &Path) -> Result<(), StoreError> {
        let text = path.to_str().ok_or_else(|| StoreError::Content(path.display().to_string()))?;
        let statement = format!("VACUUM INTO '{}'", text.replace('\'', "''"));
        // The path is a literal: a statement of this kind takes no parameters everywhere.
        sqlx::query(AssertSqlSafe(statement)).execute(&self.pool).await?;
        Ok(())
    }

    /// Lets go of it; what was answered is on the disk.
    pub async fn close(&self) {
        self.pool.close().await;
    }
}

/// Version of a database, 0 for a new one.
async fn version(pool: &SqlitePool) -> Result<i64, sqlx::Error> {
    let table = "SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name = '_sqlx_migrations'";
    let known: i64 = sqlx::query_scalar(table).fetch_one(pool).await?;
    if known == 0 {
        return Ok(0);
    }
    sqlx::query_scalar("SELECT coalesce(max(version), 0) FROM _sqlx_migrations").fetch_one(pool).await
}
