//! What runs were measured with: put there with each run, asked for by a recall.

use super::runs::{summaries, summary};
use super::{IndexedRun, Store, StoreError, word};
use crate::serve::words::{RunFilter, RunSummary, UsedItem};
use sqlx::sqlite::SqliteRow;
use sqlx::{Row, SqliteConnection};
use std::collections::BTreeMap;

/// Puts what a run was measured with into the index, in place of what was known of it.
pub(super) async fn put_used(
    change: &mut SqliteConnection,
    number: i64,
    run: &IndexedRun,
) -> Result<(), StoreError> {
    sqlx::query("DELETE FROM used WHERE number = ?").bind(number).execute(&mut *change).await?;
    let day = run.started.day().to_string();
    for item in &run.used {
        sqlx::query("INSERT INTO used (number, role, serial, version, day) VALUES (?, ?, ?, ?, ?)")
            .bind(number)
            .bind(item.role.word())
            .bind(&item.serial)
            .bind(&item.version)
            .bind(&day)
            .execute(&mut *change)
            .await?;
    }
    Ok(())
}

impl Store {
    /// Runs that were measured with something, newest first, each with what of it matches.
    ///
    /// # Errors
    /// Of the database.
    pub(super) async fn runs_that_used(
        &self,
        serial: &str,
        filter: &RunFilter,
    ) -> Result<Vec<RunSummary>, StoreError> {
        let (before, limit) = self.page(filter).await?;
        let role = filter.role.map(|role| role.word());
        // The inner list is read along one index, in its order and up to its limit, however many runs used the thing.
        let text = summaries!(
            "WHERE number IN (SELECT DISTINCT number FROM used WHERE serial = ?4 AND number < ?1
                 AND (?5 IS NULL OR role = ?5) AND (?6 IS NULL OR version = ?6)
                 AND (?7 IS NULL OR day >= ?7) AND (?8 IS NULL OR day <= ?8)
                 AND (?2 IS NULL OR (SELECT state FROM runs AS r WHERE r.number = used.number) = ?2)
                 AND (?9 IS NULL OR EXISTS
                     (SELECT 1 FROM run_sensors AS s WHERE s.serial = ?9 AND s.number = used.number))
                 ORDER BY number DESC LIMIT ?3)
             ORDER BY number DESC"
        );
        let query = sqlx::query(text).bind(before).bind(&filter.state).bind(limit).bind(serial).bind(role);
        let query = query.bind(&filter.calibration).bind(&filter.since).bind(&filter.until);
        let rows = query.bind(&filter.serial).fetch_all(self.pool()?).await?;
        let mut runs = rows.iter().map(summary).collect::<Result<Vec<_>, _>>()?;
        self.add_matching(&mut runs, serial, filter).await?;
        Ok(runs)
    }

    /// Adds to each run what of it matches: one query for all of them.
    async fn add_matching(
        &self,
        runs: &mut [RunSummary],
        serial: &str,
        filter: &RunFilter,
    ) -> Result<(), StoreError> {
        let names: Vec<&str> = runs.iter().map(|run| run.run.as_str()).collect();
        let names = serde_json::to_string(&names).map_err(|e| StoreError::Content(e.to_string()))?;
        let query = sqlx::query(
            "SELECT runs.run, used.role, used.serial, used.version
             FROM json_each(?1) AS wanted CROSS JOIN runs ON runs.run = wanted.value
             CROSS JOIN used ON used.serial = ?2 AND used.number = runs.number
             WHERE (?3 IS NULL OR used.role = ?3) AND (?4 IS NULL OR used.version = ?4)
             ORDER BY used.role, used.version",
        );
        let query = query.bind(names).bind(serial).bind(filter.role.map(|role| role.word()));
        let rows = query.bind(&filter.calibration).fetch_all(self.pool()?).await?;
        let mut matching: BTreeMap<String, Vec<UsedItem>> = BTreeMap::new();
        for row in &rows {
            matching.entry(row.try_get("run")?).or_default().push(item(row)?);
        }
        for run in runs {
            run.used = matching.remove(&run.run).unwrap_or_default();
        }
        Ok(())
    }

    /// True where runs that an older program put into the index do not say yet what they were measured with.
    ///
    /// # Errors
    /// Of the database.
    pub async fn needs_reindex(&self) -> Result<bool, StoreError> {
        let found: i64 = sqlx::query_scalar("SELECT count(*) FROM house WHERE key = 'reindex'")
            .fetch_one(self.pool()?)
            .await?;
        Ok(found > 0)
    }

    /// The index was made again from every run directory that can be read.
    ///
    /// # Errors
    /// Of the database.
    pub async fn reindexed(&self) -> Result<(), StoreError> {
        sqlx::query("DELETE FROM house WHERE key = 'reindex'").execute(self.pool()?).await?;
        Ok(())
    }
}

fn item(row: &SqliteRow) -> Result<UsedItem, StoreError> {
    let role: String = row.try_get("role")?;
    Ok(UsedItem {
        role: word("role", &role)?,
        serial: row.try_get("serial")?,
        version: row.try_get("version")?,
    })
}
