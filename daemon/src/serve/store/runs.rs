//! Runs in the index: what lists, history and the queue ask of them.

use super::{Said, Store, StoreError, parsed, word};
use crate::record::UtcTime;
use crate::serve::words::{HistoryPoint, RunFilter, RunSummary, SensorSummary};
use sqlx::Row;
use sqlx::sqlite::SqliteRow;

/// A run that is about to begin.
#[derive(Debug, Clone, Copy)]
pub struct BegunRun<'a> {
    /// Its name.
    pub run: &'a str,
    /// Its job.
    pub job: i64,
    /// Name of the job.
    pub name: &'a str,
    /// True for the simulated rig.
    pub simulated: bool,
    /// When.
    pub started: UtcTime,
    /// Serials of its sensors.
    pub serials: &'a [String],
}

/// Longest list of runs.
const MOST: u32 = 500;

/// Length of a list where nobody says.
const USUAL: u32 = 50;

pub(super) fn summary(row: &SqliteRow) -> Result<RunSummary, StoreError> {
    let text = |name: &str| row.try_get::<String, _>(name);
    let maybe = |name: &str| row.try_get::<Option<String>, _>(name);
    let sensors: Vec<(String, Option<String>)> = serde_json::from_str(&text("sensors")?)
        .map_err(|e| StoreError::Content(format!("sensors of a run: {e}")))?;
    let sensors = sensors.into_iter().map(|(serial, decision)| {
        let decision = decision.map(|d| word("decision", &d)).transpose()?;
        Ok::<_, StoreError>(SensorSummary { serial, decision })
    });
    Ok(RunSummary {
        run: text("run")?,
        name: text("name")?,
        state: text("state")?,
        simulated: row.try_get("simulated")?,
        started: parsed("time", &text("started")?)?,
        ended: maybe("ended")?.map(|t| parsed("time", &t)).transpose()?,
        outcome: maybe("outcome")?.map(|o| word("outcome", &o)).transpose()?,
        trip: maybe("trip")?,
        sensors: sensors.collect::<Result<_, _>>()?,
        points: row.try_get("points")?,
        used: Vec::new(),
        certificates: Vec::new(),
    })
}

/// What a summary is read from; the sensors as a list of serial and decision.
macro_rules! summaries {
    ($rest:literal) => {
        concat!(
            "SELECT run, name, state, simulated, started, ended, outcome, trip, points,
             (SELECT json_group_array(json_array(serial, decision)) FROM
              (SELECT serial, decision FROM run_sensors WHERE run_sensors.number = runs.number ORDER BY place)) AS sensors
             FROM runs ",
            $rest
        )
    };
}
pub(super) use summaries;

impl Store {
    /// A job's run is about to begin: the intent, before anything moves. False where the job is no longer in the queue.
    ///
    /// # Errors
    /// Of the database; then nothing may begin.
    pub async fn begin_run(&self, begun: &BegunRun<'_>) -> Result<bool, StoreError> {
        let mut change = self.pool()?.begin_with("BEGIN IMMEDIATE").await?;
        let taken = sqlx::query(
            "UPDATE jobs SET stage = 'running', why = NULL, place = NULL WHERE job = ? AND stage = 'waiting'",
        )
        .bind(begun.job)
        .execute(&mut *change)
        .await?;
        if taken.rows_affected() == 0 {
            return Ok(false);
        }
        let number = sqlx::query(
            "INSERT INTO runs (run, job, name, state, simulated, started, points) VALUES (?, ?, ?, 'running', ?, ?, 0)",
        )
        .bind(begun.run)
        .bind(begun.job)
        .bind(begun.name)
        .bind(begun.simulated)
        .bind(begun.started.to_string())
        .execute(&mut *change)
        .await?
        .last_insert_rowid();
        for (place, serial) in (0i64..).zip(begun.serials) {
            sqlx::query("INSERT INTO run_sensors (number, place, serial) VALUES (?, ?, ?)")
                .bind(number)
                .bind(place)
                .bind(serial)
                .execute(&mut *change)
                .await?;
        }
        change.commit().await?;
        Ok(true)
    }

    /// A run did not begin after all: its job waits again, held or not.
    ///
    /// # Errors
    /// Of the database.
    pub async fn not_begun(&self, run: &str, job: i64, held: Option<&str>) -> Result<(), StoreError> {
        let mut change = self.pool()?.begin_with("BEGIN IMMEDIATE").await?;
        sqlx::query("DELETE FROM runs WHERE run = ?").bind(run).execute(&mut *change).await?;
        sqlx::query(
            "UPDATE jobs SET stage = ?, why = ?, place = (SELECT coalesce(min(place), 1) - 1 FROM jobs) WHERE job = ?",
        )
        .bind(if held.is_some() { "held" } else { "waiting" })
        .bind(held)
        .bind(job)
        .execute(&mut *change)
        .await?;
        Ok(change.commit().await?)
    }

    /// Runs, newest first; one that was imported counts from when it came.
    ///
    /// # Errors
    /// Of the database.
    pub async fn list_runs(&self, filter: &RunFilter) -> Result<Vec<RunSummary>, StoreError> {
        if let Some(used) = &filter.used {
            return self.runs_that_used(used, filter).await;
        }
        let (before, limit) = self.page(filter).await?;
        let rows = match &filter.serial {
            None => {
                let text = summaries!(
                    "WHERE number < ?1 AND (?2 IS NULL OR state = ?2) AND (?4 IS NULL OR substr(started, 1, 10) >= ?4)
                     AND (?5 IS NULL OR substr(started, 1, 10) <= ?5) ORDER BY number DESC LIMIT ?3"
                );
                let query = sqlx::query(text).bind(before).bind(&filter.state).bind(limit);
                query.bind(&filter.since).bind(&filter.until).fetch_all(self.pool()?).await?
            }
            Some(serial) => {
                let text = summaries!(
                    "WHERE number IN (SELECT number FROM run_sensors WHERE serial = ?4 AND number < ?1)
                     AND (?2 IS NULL OR state = ?2) AND (?5 IS NULL OR substr(started, 1, 10) >= ?5)
                     AND (?6 IS NULL OR substr(started, 1, 10) <= ?6) ORDER BY number DESC LIMIT ?3"
                );
                let query = sqlx::query(text).bind(before).bind(&filter.state).bind(limit).bind(serial);
                query.bind(&filter.since).bind(&filter.until).fetch_all(self.pool()?).await?
            }
        };
        rows.iter().map(summary).collect()
    }

    /// One run.
    ///
    /// # Errors
    /// Of the database.
    pub async fn one_run(&self, run: &str) -> Result<Option<RunSummary>, StoreError> {
        let row = sqlx::query(summaries!("WHERE run = ?")).bind(run).fetch_optional(self.pool()?).await?;
        row.as_ref().map(summary).transpose()
    }

    /// The job of a run, where it came from this queue.
    ///
    /// # Errors
    /// Of the database.
    pub async fn job_of_run(&self, run: &str) -> Result<Option<i64>, StoreError> {
        let job: Option<Option<i64>> = sqlx::query_scalar("SELECT job FROM runs WHERE run = ?")
            .bind(run)
            .fetch_optional(self.pool()?)
            .await?;
        Ok(job.flatten())
    }

    /// Names of the runs that the index holds for running: at a start, those that were cut off.
    ///
    /// # Errors
    /// Of the database.
    pub async fn running_runs(&self) -> Result<Vec<String>, StoreError> {
        let found = sqlx::query_scalar("SELECT run FROM runs WHERE state = 'running' ORDER BY number");
        Ok(found.fetch_all(self.pool()?).await?)
    }

    /// What one sensor showed, oldest first: by when the runs began, whenever they came into the index. Without the Z, times of
    /// one second are in order too, with a fraction and without.
    ///
    /// # Errors
    /// Of the database.
    pub async fn points_of(&self, serial: &str) -> Result<Vec<HistoryPoint>, StoreError> {
        let rows = sqlx::query(
            "SELECT run, started, frequency_hz, sensitivity, sensitivity_unit, u_rel_percent, reference_calibration, simulated
             FROM points JOIN runs USING (number)
             WHERE serial = ? AND status = 'accepted' AND sensitivity IS NOT NULL AND outcome = 'done'
             ORDER BY rtrim(started, 'Z'), number, point",
        )
        .bind(serial)
        .fetch_all(self.pool()?)
        .await?;
        rows.iter()
            .map(|row| {
                let started: String = row.try_get("started")?;
                let reference: Option<String> = row.try_get("reference_calibration")?;
                Ok(HistoryPoint {
                    run: row.try_get("run")?,
                    started: parsed("time", &started)?,
                    frequency_hz: row.try_get("frequency_hz")?,
                    sensitivity: row.try_get("sensitivity")?,
                    sensitivity_unit: row.try_get("sensitivity_unit")?,
                    u_rel_percent: row.try_get("u_rel_percent")?,
                    reference: reference.unwrap_or_default(),
                    simulated: row.try_get("simulated")?,
                })
            })
            .collect()
    }

    /// A run was cut off, and nothing of its records can be read: its job is over all the same.
    ///
    /// # Errors
    /// Of the database.
    pub async fn unreadable(&self, run: &str) -> Result<(), StoreError> {
        let mut change = self.pool()?.begin_with("BEGIN IMMEDIATE").await?;
        sqlx::query("UPDATE runs SET state = 'draft', outcome = 'interrupted' WHERE run = ?")
            .bind(run)
            .execute(&mut *change)
            .await?;
        sqlx::query("UPDATE jobs SET stage = 'ended' WHERE stage = 'running' AND job = (SELECT job FROM runs WHERE run = ?)")
            .bind(run)
            .execute(&mut *change)
            .await?;
        Ok(change.commit().await?)
    }

    /// The state of a run after a release.
    ///
    /// # Errors
    /// Of the database.
    pub async fn released(&self, run: &str, state: &str, said: &Said<'_>) -> Result<(), StoreError> {
        let mut change = self.pool()?.begin_with("BEGIN IMMEDIATE").await?;
        sqlx::query("UPDATE runs SET state = ? WHERE run = ?")
            .bind(state)
            .bind(run)
            .execute(&mut *change)
            .await?;
        said.enter(&mut change).await?;
        Ok(change.commit().await?)
    }

    /// Below which number a list begins, and how long it is.
    pub(super) async fn page(&self, filter: &RunFilter) -> Result<(i64, u32), StoreError> {
        let before = match &filter.after {
            Some(run) => self.number_of(run).await?.unwrap_or(0),
            None => i64::MAX,
        };
        Ok((before, filter.limit.unwrap_or(USUAL).min(MOST)))
    }

    async fn number_of(&self, run: &str) -> Result<Option<i64>, StoreError> {
        let found = sqlx::query_scalar("SELECT number FROM runs WHERE run = ?").bind(run);
        Ok(found.fetch_optional(self.pool()?).await?)
    }
}
