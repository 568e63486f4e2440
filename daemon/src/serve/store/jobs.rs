//! Jobs of the queue in the database.

use super::{Said, Store, StoreError, parsed, word};
use crate::record::UtcTime;
use crate::record::words::Outcome;
use crate::serve::words::Submission;
use serde::{Deserialize, Serialize};
use sqlx::sqlite::SqliteRow;
use sqlx::{AssertSqlSafe, Row, SqliteConnection};

/// Where a job is, as it is stored. That a person has to do something first is found anew each time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StoredStage {
    /// It waits.
    Waiting,
    /// A person holds it back.
    Held,
    /// It runs, or was cut off while it ran.
    Running,
    /// It is over.
    Ended,
    /// It was taken out.
    Cancelled,
}

impl StoredStage {
    const fn word(self) -> &'static str {
        match self {
            Self::Waiting => "waiting",
            Self::Held => "held",
            Self::Running => "running",
            Self::Ended => "ended",
            Self::Cancelled => "cancelled",
        }
    }
}

/// A job as it is stored.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredJob {
    /// Number.
    pub job: i64,
    /// Name.
    pub name: String,
    /// Where it is.
    pub stage: StoredStage,
    /// Why it is held or was cancelled.
    pub why: Option<String>,
    /// Its order among those that wait; not their count.
    pub place: Option<i64>,
    /// Who handed it in.
    pub submitted_by: String,
    /// When.
    pub submitted: UtcTime,
    /// Serials of its sensors.
    pub serials: Vec<String>,
    /// SHA-256 of what it has mounted.
    pub mounted: String,
    /// How many points it has.
    pub points: u32,
    /// Foreseen time on the rig, in seconds.
    pub rig_s: f64,
    /// The run that it is to continue.
    pub continues: Option<String>,
    /// Its runs, oldest first.
    pub runs: Vec<String>,
    /// How the last of them ended.
    pub outcome: Option<Outcome>,
}

/// A job that is handed in.
#[derive(Debug, Clone, Copy)]
pub struct NewJob<'a> {
    /// As it came.
    pub submission: &'a Submission,
    /// Who hands it in.
    pub by: &'a str,
    /// Serials of its sensors.
    pub serials: &'a [String],
    /// SHA-256 of what it has mounted.
    pub mounted: &'a str,
    /// How many points it has.
    pub points: u32,
    /// Foreseen time on the rig, in seconds.
    pub rig_s: f64,
    /// The client's key, and SHA-256 of what came with it.
    pub key: Option<(&'a str, &'a str)>,
}

/// What became of a job that was handed in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Submitted {
    /// It is in the queue under this number.
    New(i64),
    /// The same came with the same key before.
    Before(i64),
    /// Something else came with the same key before.
    KeyUsed,
}

const COLUMNS: &str = "SELECT job, name, stage, why, place, submitted_by, submitted, serials, mounted, points, rig_s, continues,
    (SELECT json_group_array(run) FROM (SELECT run FROM runs WHERE runs.job = jobs.job ORDER BY number)) AS runs,
    (SELECT outcome FROM runs WHERE runs.job = jobs.job ORDER BY number DESC LIMIT 1) AS outcome FROM jobs";

impl StoredJob {
    fn of(row: &SqliteRow) -> Result<Self, StoreError> {
        let text = |name: &str| row.try_get::<String, _>(name);
        let list = |name: &str| -> Result<Vec<String>, StoreError> {
            serde_json::from_str(&text(name)?).map_err(|e| StoreError::Content(format!("{name}: {e}")))
        };
        let outcome: Option<String> = row.try_get("outcome")?;
        Ok(Self {
            job: row.try_get("job")?,
            name: text("name")?,
            stage: word("stage", &text("stage")?)?,
            why: row.try_get("why")?,
            place: row.try_get("place")?,
            submitted_by: text("submitted_by")?,
            submitted: parsed("time", &text("submitted")?)?,
            serials: list("serials")?,
            mounted: text("mounted")?,
            points: row.try_get("points")?,
            rig_s: row.try_get("rig_s")?,
            continues: row.try_get("continues")?,
            runs: list("runs")?,
            outcome: outcome.map(|o| word("outcome", &o)).transpose()?,
        })
    }
}

fn json<T: Serialize>(value: &T) -> Result<String, StoreError> {
    serde_json::to_string(value).map_err(|e| StoreError::Content(e.to_string()))
}

impl Store {
    /// What became of what this person handed in with this key; none where nothing came with it.
    ///
    /// # Errors
    /// Of the database.
    pub async fn submitted(&self, by: &str, key: &str, hash: &str) -> Result<Option<Submitted>, StoreError> {
        let mut connection = self.pool()?.acquire().await?;
        Ok(before(&mut connection, by, key, hash).await?)
    }

    /// Puts a job at the end of the queue, once for each key.
    ///
    /// # Errors
    /// Of the database.
    pub async fn submit(&self, new: &NewJob<'_>, said: &Said<'_>) -> Result<Submitted, StoreError> {
        let mut change = self.pool()?.begin_with("BEGIN IMMEDIATE").await?;
        if let Some((key, hash)) = new.key
            && let Some(before) = before(&mut change, new.by, key, hash).await?
        {
            return Ok(before);
        }
        let job = sqlx::query(
            "INSERT INTO jobs (name, stage, place, submitted_by, submitted, submission, serials, mounted, points, rig_s)
             VALUES (?, 'waiting', (SELECT coalesce(max(place), 0) + 1 FROM jobs), ?, ?, ?, ?, ?, ?, ?)",
        )
        .bind(&new.submission.name)
        .bind(new.by)
        .bind(said.at.to_string())
        .bind(json(new.submission)?)
        .bind(json(&new.serials)?)
        .bind(new.mounted)
        .bind(new.points)
        .bind(new.rig_s)
        .execute(&mut *change)
        .await?
        .last_insert_rowid();
        if let Some((key, hash)) = new.key {
            sqlx::query("INSERT INTO keys (key, who, sha256, job) VALUES (?, ?, ?, ?)")
                .bind(key)
                .bind(new.by)
                .bind(hash)
                .bind(job)
                .execute(&mut *change)
                .await?;
        }
        let detail = format!("job {job}: {}", said.detail);
        Said { detail: &detail, ..*said }.enter(&mut change).await?;
        change.commit().await?;
        Ok(Submitted::New(job))
    }

    /// What runs and what waits, in order.
    ///
    /// # Errors
    /// Of the database.
    pub async fn open_jobs(&self) -> Result<Vec<StoredJob>, StoreError> {
        let rows = sqlx::query(AssertSqlSafe(format!(
            "{COLUMNS} WHERE stage IN ('running', 'waiting', 'held') ORDER BY stage <> 'running', place, job"
        )))
        .fetch_all(self.pool()?)
        .await?;
        rows.iter().map(StoredJob::of).collect()
    }

    /// What ended lately, the latest first.
    ///
    /// # Errors
    /// Of the database.
    pub async fn ended_jobs(&self, limit: u32) -> Result<Vec<StoredJob>, StoreError> {
        let rows = sqlx::query(AssertSqlSafe(format!(
            "{COLUMNS} WHERE stage IN ('ended', 'cancelled') ORDER BY job DESC LIMIT ?"
        )))
        .bind(limit)
        .fetch_all(self.pool()?)
        .await?;
        rows.iter().map(StoredJob::of).collect()
    }

    /// One job.
    ///
    /// # Errors
    /// Of the database.
    pub async fn stored_job(&self, job: i64) -> Result<Option<StoredJob>, StoreError> {
        let row = sqlx::query(AssertSqlSafe(format!("{COLUMNS} WHERE job = ?")))
            .bind(job)
            .fetch_optional(self.pool()?)
            .await?;
        row.as_ref().map(StoredJob::of).transpose()
    }

    /// A job as it was handed in.
    ///
    /// # Errors
    /// Of the database.
    pub async fn submission(&self, job: i64) -> Result<Option<Submission>, StoreError> {
        let text: Option<String> = sqlx::query_scalar("SELECT submission FROM jobs WHERE job = ?")
            .bind(job)
            .fetch_optional(self.pool()?)
            .await?;
        text.map(|t| serde_json::from_str(&t).map_err(|e| StoreError::Content(format!("job {job}: {e}"))))
            .transpose()
    }

    /// Brings a job from one stage to another; false where it is no longer in the first.
    ///
    /// # Errors
    /// Of the database.
    pub async fn change_stage(
        &self,
        job: i64,
        from: &[StoredStage],
        (to, why): (StoredStage, Option<&str>),
        said: Option<&Said<'_>>,
    ) -> Result<bool, StoreError> {
        let mut change = self.pool()?.begin_with("BEGIN IMMEDIATE").await?;
        let now: Option<String> = sqlx::query_scalar("SELECT stage FROM jobs WHERE job = ?")
            .bind(job)
            .fetch_optional(&mut *change)
            .await?;
        if !now.is_some_and(|now| from.iter().any(|f| f.word() == now)) {
            return Ok(false);
        }
        set_stage(&mut change, job, to, why).await?;
        if let Some(said) = said {
            said.enter(&mut change).await?;
        }
        change.commit().await?;
        Ok(true)
    }

    /// Puts a job that ended at the end of the queue again, to go on with a run; false where it is not over.
    ///
    /// # Errors
    /// Of the database.
    pub async fn continue_job(&self, job: i64, run: &str, said: &Said<'_>) -> Result<bool, StoreError> {
        let mut change = self.pool()?.begin_with("BEGIN IMMEDIATE").await?;
        let changed = sqlx::query(
            "UPDATE jobs SET stage = 'waiting', why = NULL, continues = ?,
             place = (SELECT coalesce(max(place), 0) + 1 FROM jobs) WHERE job = ? AND stage IN ('ended', 'cancelled')",
        )
        .bind(run)
        .bind(job)
        .execute(&mut *change)
        .await?;
        if changed.rows_affected() == 0 {
            return Ok(false);
        }
        said.enter(&mut change).await?;
        change.commit().await?;
        Ok(true)
    }

    /// Puts a job that waits at a place among those that wait, from 1; false where it does not wait.
    ///
    /// # Errors
    /// Of the database.
    pub async fn move_job(&self, job: i64, place: u32, said: &Said<'_>) -> Result<bool, StoreError> {
        let mut change = self.pool()?.begin_with("BEGIN IMMEDIATE").await?;
        let mut waiting: Vec<i64> =
            sqlx::query_scalar("SELECT job FROM jobs WHERE stage IN ('waiting', 'held') ORDER BY place, job")
                .fetch_all(&mut *change)
                .await?;
        if !waiting.contains(&job) {
            return Ok(false);
        }
        waiting.retain(|j| *j != job);
        let at = usize::try_from(place.saturating_sub(1)).unwrap_or(usize::MAX).min(waiting.len());
        waiting.insert(at, job);
        for (place, job) in waiting.iter().enumerate() {
            let place = i64::try_from(place).unwrap_or(i64::MAX).saturating_add(1);
            sqlx::query("UPDATE jobs SET place = ? WHERE job = ?")
                .bind(place)
                .bind(job)
                .execute(&mut *change)
                .await?;
        }
        said.enter(&mut change).await?;
        change.commit().await?;
        Ok(true)
    }
}

/// What came with a key before.
async fn before(
    connection: &mut SqliteConnection,
    by: &str,
    key: &str,
    hash: &str,
) -> Result<Option<Submitted>, sqlx::Error> {
    let found: Option<(String, i64)> =
        sqlx::query_as("SELECT sha256, job FROM keys WHERE who = ? AND key = ?")
            .bind(by)
            .bind(key)
            .fetch_optional(connection)
            .await?;
    Ok(found.map(|(known, job)| if known == hash { Submitted::Before(job) } else { Submitted::KeyUsed }))
}

/// What waits keeps its place; what does not has none.
async fn set_stage(
    change: &mut SqliteConnection,
    job: i64,
    stage: StoredStage,
    why: Option<&str>,
) -> Result<(), sqlx::Error> {
    let waits = matches!(stage, StoredStage::Waiting | StoredStage::Held);
    sqlx::query(
        "UPDATE jobs SET stage = ?, why = ?,
         place = CASE WHEN ? THEN coalesce(place, (SELECT coalesce(max(place), 0) + 1 FROM jobs)) END WHERE job = ?",
    )
    .bind(stage.word())
    .bind(why)
    .bind(waits)
    .bind(job)
    .execute(change)
    .await?;
    Ok(())
}
