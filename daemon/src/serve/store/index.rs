//! Runs as the index holds them, each put there whole from its run directory.

use super::used::put_used;
use super::{Store, StoreError};
use crate::record::UtcTime;
use crate::serve::words::UsedItem;
use sqlx::SqliteConnection;

/// A run, as its directory says.
#[derive(Debug, Clone, PartialEq)]
pub struct IndexedRun {
    /// Its name.
    pub run: String,
    /// The job that its name speaks of.
    pub job: Option<i64>,
    /// Name of the job.
    pub name: String,
    /// draft, released or amended.
    pub state: String,
    /// True for the simulated rig.
    pub simulated: bool,
    /// When it began.
    pub started: UtcTime,
    /// When it ended.
    pub ended: Option<UtcTime>,
    /// How.
    pub outcome: String,
    /// Reason of a trip.
    pub trip: Option<String>,
    /// Why somebody has to look.
    pub hold: Option<String>,
    /// Serial of the reference, and the version of its calibration.
    pub reference: (String, String),
    /// The instrument that read the ambient conditions.
    pub ambient_sensor: Option<String>,
    /// Lowest and highest temperature.
    pub temperature_degc: Option<(f64, f64)>,
    /// Its sensors, in the order of the job.
    pub sensors: Vec<IndexedSensor>,
    /// What the registers said.
    pub registers: Vec<RegisterEntry>,
    /// What it was measured with.
    pub used: Vec<UsedItem>,
}

/// A sensor of a run.
#[derive(Debug, Clone, PartialEq)]
pub struct IndexedSensor {
    /// Serial.
    pub serial: String,
    /// Its decision.
    pub decision: Option<String>,
    /// Its channel.
    pub channel: Option<String>,
    /// Serial of the conditioner on that channel.
    pub conditioner: Option<String>,
    /// The fixture under it.
    pub fixture: Option<String>,
    /// Its points.
    pub points: Vec<IndexedPoint>,
}

/// A point of a sensor.
#[derive(Debug, Clone, PartialEq)]
pub struct IndexedPoint {
    /// Frequency.
    pub frequency_hz: f64,
    /// What became of it.
    pub status: String,
    /// Sensitivity in SI.
    pub sensitivity: Option<f64>,
    /// Its unit.
    pub sensitivity_unit: String,
    /// Expanded uncertainty.
    pub u_rel_percent: Option<f64>,
}

/// What a register said of a sensor or a reference.
#[derive(Debug, Clone, PartialEq)]
pub struct RegisterEntry {
    /// sensor or reference.
    pub kind: &'static str,
    /// Serial.
    pub serial: String,
    /// Version of its calibration, for references.
    pub version: Option<String>,
    /// SHA-256 of the entry.
    pub sha256: String,
    /// The entry, JSON.
    pub entry: String,
}

impl Store {
    /// Puts a run into the index, in place of what was known of it; its job is over with it.
    ///
    /// # Errors
    /// Of the database; the index is then as it was.
    pub async fn index(&self, run: &IndexedRun) -> Result<(), StoreError> {
        let mut change = self.pool()?.begin_with("BEGIN IMMEDIATE").await?;
        put(&mut change, run).await?;
        Ok(change.commit().await?)
    }

    /// Puts many runs into the index, all or none.
    ///
    /// # Errors
    /// Of the database; the index is then as it was.
    pub async fn index_all(&self, runs: &[IndexedRun]) -> Result<(), StoreError> {
        let mut change = self.pool()?.begin_with("BEGIN IMMEDIATE").await?;
        for run in runs {
            put(&mut change, run).await?;
        }
        Ok(change.commit().await?)
    }

    /// Names of all runs in the index.
    ///
    /// # Errors
    /// Of the database.
    pub async fn indexed(&self) -> Result<Vec<String>, StoreError> {
        Ok(sqlx::query_scalar("SELECT run FROM runs ORDER BY number").fetch_all(self.pool()?).await?)
    }

    /// Forgets a run whose directory is gone, or that never had one.
    ///
    /// # Errors
    /// Of the database.
    pub async fn forget(&self, run: &str) -> Result<(), StoreError> {
        sqlx::query("DELETE FROM runs WHERE run = ?").bind(run).execute(self.pool()?).await?;
        Ok(())
    }
}

async fn put(change: &mut SqliteConnection, run: &IndexedRun) -> Result<(), StoreError> {
    let points =
        run.sensors.iter().map(|s| s.points.iter().filter(|p| p.sensitivity.is_some()).count()).max();
    let (serial, calibration) = &run.reference;
    let number: i64 = sqlx::query_scalar(
        "INSERT INTO runs (run, job, name, state, simulated, started, ended, outcome, trip, hold, reference_serial,
             reference_calibration, ambient_sensor, temperature_degc_min, temperature_degc_max, points)
         VALUES (?1, (SELECT job FROM jobs WHERE job = ?2), ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16)
         ON CONFLICT (run) DO UPDATE SET state = ?4, simulated = ?5, started = ?6, ended = ?7, outcome = ?8, trip = ?9,
             hold = ?10, reference_serial = ?11, reference_calibration = ?12, ambient_sensor = ?13,
             temperature_degc_min = ?14, temperature_degc_max = ?15, points = ?16
         RETURNING number",
    )
    .bind(&run.run)
    .bind(run.job)
    .bind(&run.name)
    .bind(&run.state)
    .bind(run.simulated)
    .bind(run.started.to_string())
    .bind(run.ended.map(|t| t.to_string()))
    .bind(&run.outcome)
    .bind(&run.trip)
    .bind(&run.hold)
    .bind(serial)
    .bind(calibration)
    .bind(&run.ambient_sensor)
    .bind(run.temperature_degc.map(|t| t.0))
    .bind(run.temperature_degc.map(|t| t.1))
    .bind(i64::try_from(points.unwrap_or(0)).unwrap_or(i64::MAX))
    .fetch_one(&mut *change)
    .await?;
    sqlx::query("UPDATE jobs SET stage = 'ended', continues = NULL WHERE stage = 'running' AND job = (SELECT job FROM runs WHERE number = ?)")
        .bind(number)
        .execute(&mut *change)
        .await?;
    sqlx::query("DELETE FROM run_sensors WHERE number = ?").bind(number).execute(&mut *change).await?;
    sqlx::query("DELETE FROM points WHERE number = ?").bind(number).execute(&mut *change).await?;
    for (place, sensor) in (0i64..).zip(&run.sensors) {
        put_sensor(change, number, place, sensor).await?;
    }
    put_used(change, number, run).await?;
    for entry in &run.registers {
        sqlx::query(
            "INSERT INTO registers (kind, serial, sha256, version, entry, run, since) VALUES (?, ?, ?, ?, ?, ?, ?)
             ON CONFLICT DO UPDATE SET run = excluded.run, since = excluded.since
             WHERE rtrim(excluded.since, 'Z') < rtrim(registers.since, 'Z')",
        )
        .bind(entry.kind)
        .bind(&entry.serial)
        .bind(&entry.sha256)
        .bind(&entry.version)
        .bind(&entry.entry)
        .bind(&run.run)
        .bind(run.started.to_string())
        .execute(&mut *change)
        .await?;
    }
    Ok(())
}

async fn put_sensor(
    change: &mut SqliteConnection,
    number: i64,
    place: i64,
    sensor: &IndexedSensor,
) -> Result<(), StoreError> {
    sqlx::query(
        "INSERT INTO run_sensors (number, place, serial, decision, channel, conditioner, fixture) VALUES (?, ?, ?, ?, ?, ?, ?)",
    )
    .bind(number)
    .bind(place)
    .bind(&sensor.serial)
    .bind(&sensor.decision)
    .bind(&sensor.channel)
    .bind(&sensor.conditioner)
    .bind(&sensor.fixture)
    .execute(&mut *change)
    .await?;
    for (n, point) in (0i64..).zip(&sensor.points) {
        sqlx::query(
            "INSERT INTO points (serial, number, point, frequency_hz, status, sensitivity, sensitivity_unit, u_rel_percent)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        )
        .bind(&sensor.serial)
        .bind(number)
        .bind(n)
        .bind(point.frequency_hz)
        .bind(&point.status)
        .bind(point.sensitivity)
        .bind(&point.sensitivity_unit)
        .bind(point.u_rel_percent)
        .execute(&mut *change)
        .await?;
    }
    Ok(())
}
