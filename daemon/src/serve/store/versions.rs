//! Every rig file and template that was in force.

use super::{Said, Store, StoreError};

/// A text that is to be in force.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Version {
    /// rig or template.
    pub kind: &'static str,
    /// Its file.
    pub file: String,
    /// SHA-256 of its text.
    pub sha256: String,
    /// Its text; empty where there is none any more.
    pub text: String,
}

impl Store {
    /// Text of the last version of a kind; `None` where there never was one.
    ///
    /// # Errors
    /// Of the database.
    pub async fn last_version(&self, kind: &str) -> Result<Option<String>, StoreError> {
        let found = sqlx::query_scalar("SELECT text FROM versions WHERE kind = ? ORDER BY id DESC LIMIT 1");
        Ok(found.bind(kind).fetch_optional(self.pool()?).await?)
    }

    /// Enters versions that are in force from now on, and why, all or none.
    ///
    /// # Errors
    /// Of the database; nothing was entered.
    pub async fn put_in_force(
        &self,
        versions: &[Version],
        reason: &str,
        said: &Said<'_>,
    ) -> Result<(), StoreError> {
        let mut change = self.pool()?.begin_with("BEGIN IMMEDIATE").await?;
        for version in versions {
            sqlx::query(
                "INSERT INTO versions (kind, file, sha256, text, at, who, reason) VALUES (?, ?, ?, ?, ?, ?, ?)",
            )
            .bind(version.kind)
            .bind(&version.file)
            .bind(&version.sha256)
            .bind(&version.text)
            .bind(said.at.to_string())
            .bind(said.who.map(|p| p.name.clone()))
            .bind(reason)
            .execute(&mut *change)
            .await?;
        }
        said.enter(&mut change).await?;
        Ok(change.commit().await?)
    }
}
