//! What the registers said, as the index keeps it: each version of an entry once, with the run that used it first.

use super::{Store, StoreError, parsed, word};
use crate::serve::words::{RegisteredCalibration, RegisteredReference, RegisteredSensor};
use serde_json::Value;
use sqlx::Row;
use sqlx::sqlite::SqliteRow;

/// A text of an entry; empty where it has none.
fn text(entry: &Value, key: &str) -> String {
    entry[key].as_str().unwrap_or_default().to_owned()
}

fn entry(row: &SqliteRow) -> Result<Value, StoreError> {
    let text: String = row.try_get("entry")?;
    serde_json::from_str(&text).map_err(|e| StoreError::Content(format!("an entry of a register: {e}")))
}

impl Store {
    /// References by serial, each with its calibrations, the latest last.
    ///
    /// # Errors
    /// Of the database.
    pub async fn registered_references(&self) -> Result<Vec<RegisteredReference>, StoreError> {
        let rows = sqlx::query(
            "SELECT serial, sha256, version, entry, run, since,
             (SELECT count(*) FROM runs WHERE reference_serial = serial AND reference_calibration = version) AS runs
             FROM registers WHERE kind = 'reference' ORDER BY serial, since, sha256",
        )
        .fetch_all(self.pool()?)
        .await?;
        let mut references: Vec<RegisteredReference> = Vec::new();
        for row in &rows {
            let (serial, entry): (String, Value) = (row.try_get("serial")?, entry(row)?);
            let since: String = row.try_get("since")?;
            let stated = &entry["calibration"][0];
            let calibration = RegisteredCalibration {
                certificate: row.try_get::<Option<String>, _>("version")?.unwrap_or_default(),
                laboratory: text(stated, "laboratory"),
                date: text(stated, "date"),
                due: text(stated, "due"),
                sha256: row.try_get("sha256")?,
                run: row.try_get("run")?,
                since: parsed("time", &since)?,
                runs: row.try_get("runs")?,
            };
            let (make, model) = (text(&entry, "make"), text(&entry, "model"));
            match references.last_mut().filter(|last| last.serial == serial) {
                Some(known) => {
                    (known.make, known.model) = (make, model);
                    known.calibrations.push(calibration);
                }
                None => {
                    let calibrations = vec![calibration];
                    references.push(RegisteredReference { serial, make, model, calibrations });
                }
            }
        }
        for reference in &mut references {
            reference.calibrations.sort_by(|a, b| a.date.cmp(&b.date));
        }
        Ok(references)
    }

    /// Sensors by serial, as the register said last.
    ///
    /// # Errors
    /// Of the database.
    pub async fn registered_sensors(&self) -> Result<Vec<RegisteredSensor>, StoreError> {
        let rows = sqlx::query(
            "SELECT serial, entry, count(*) AS versions, max(since),
             (SELECT count(*) FROM run_sensors WHERE run_sensors.serial = registers.serial) AS runs,
             (SELECT number FROM run_sensors JOIN runs USING (number) WHERE run_sensors.serial = registers.serial
              ORDER BY rtrim(started, 'Z') DESC, number DESC LIMIT 1) AS last
             FROM registers WHERE kind = 'sensor' GROUP BY serial ORDER BY serial",
        )
        .fetch_all(self.pool()?)
        .await?;
        let mut sensors = Vec::with_capacity(rows.len());
        for row in &rows {
            let (serial, entry): (String, Value) = (row.try_get("serial")?, entry(row)?);
            let last: Option<i64> = row.try_get("last")?;
            let last = match last {
                Some(number) => self.last_of(&serial, number).await?,
                None => None,
            };
            let (last_run, last_started, last_decision) = match &last {
                Some(row) => {
                    let (started, decision): (String, Option<String>) =
                        (row.try_get("started")?, row.try_get("decision")?);
                    let decision = decision.map(|d| word("decision", &d)).transpose()?;
                    (Some(row.try_get("run")?), Some(parsed("time", &started)?), decision)
                }
                None => (None, None, None),
            };
            sensors.push(RegisteredSensor {
                make: text(&entry, "make"),
                model: text(&entry, "model"),
                kind: text(&entry, "kind"),
                nominal_sensitivity: text(&entry, "nominal_sensitivity"),
                versions: row.try_get("versions")?,
                runs: row.try_get("runs")?,
                serial,
                last_run,
                last_started,
                last_decision,
            });
        }
        Ok(sensors)
    }

    async fn last_of(&self, serial: &str, number: i64) -> Result<Option<SqliteRow>, StoreError> {
        let found = sqlx::query(
            "SELECT run, started, decision FROM run_sensors JOIN runs USING (number) WHERE serial = ? AND number = ?",
        );
        Ok(found.bind(serial).bind(number).fetch_optional(self.pool()?).await?)
    }
}
