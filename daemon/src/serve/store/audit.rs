//! The audit: who did what, in the same transaction as what was done.

use super::{Store, StoreError, parsed, word};
use crate::record::UtcTime;
use crate::serve::words::{AuditEntry, Person, Way};
use sqlx::{Row, SqliteConnection};

/// What somebody did, for the audit.
#[derive(Debug, Clone, Copy)]
pub struct Said<'a> {
    /// When.
    pub at: UtcTime,
    /// Who; `None` for the daemon itself, and for a stop that nobody put a name to.
    pub who: Option<&'a Person>,
    /// What, a word.
    pub what: &'static str,
    /// To what, and with which words.
    pub detail: &'a str,
}

impl Said<'_> {
    /// Enters it within a transaction.
    pub(super) async fn enter(&self, change: &mut SqliteConnection) -> Result<(), sqlx::Error> {
        self.enter_by(self.who.map(|p| p.way), change).await
    }

    async fn enter_by(&self, way: Option<Way>, change: &mut SqliteConnection) -> Result<(), sqlx::Error> {
        let way = way.map(|way| match way {
            Way::Socket => "socket",
            Way::Port => "port",
        });
        sqlx::query("INSERT INTO audit (at, who, way, what, detail) VALUES (?, ?, ?, ?, ?)")
            .bind(self.at.to_string())
            .bind(self.who.map(|p| p.name.clone()))
            .bind(way)
            .bind(self.what)
            .bind(self.detail)
            .execute(change)
            .await?;
        Ok(())
    }
}

impl Store {
    /// Enters something into the audit that changes nothing else here.
    ///
    /// # Errors
    /// Of the database.
    pub async fn audit(&self, said: &Said<'_>) -> Result<(), StoreError> {
        let mut connection = self.pool()?.acquire().await?;
        Ok(said.enter(&mut connection).await?)
    }

    /// The same for somebody who may have no name, and came in by this way.
    ///
    /// # Errors
    /// Of the database.
    pub async fn audit_by(&self, said: &Said<'_>, way: Way) -> Result<(), StoreError> {
        let mut connection = self.pool()?.acquire().await?;
        Ok(said.enter_by(Some(way), &mut connection).await?)
    }

    /// The audit, newest first, before an entry where one is named.
    ///
    /// # Errors
    /// Of the database.
    pub async fn audited(&self, before: Option<i64>, limit: u32) -> Result<Vec<AuditEntry>, StoreError> {
        let rows = sqlx::query(
            "SELECT id, at, who, way, what, detail FROM audit WHERE id < ? ORDER BY id DESC LIMIT ?",
        )
        .bind(before.unwrap_or(i64::MAX))
        .bind(limit)
        .fetch_all(self.pool()?)
        .await?;
        rows.iter()
            .map(|row| {
                let at: String = row.try_get("at")?;
                let way: Option<String> = row.try_get("way")?;
                Ok(AuditEntry {
                    id: row.try_get("id")?,
                    at: parsed("time", &at)?,
                    who: row.try_get("who")?,
                    way: way.map(|w| word("way", &w)).transpose()?,
                    what: row.try_get("what")?,
                    detail: row.try_get("detail")?,
                })
            })
            .collect()
    }
}
