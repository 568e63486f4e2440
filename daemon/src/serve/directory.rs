//! A run as its directory says: what the index is made of.
//!
//! Must not write anything. The chain is verified; whether the waveforms give the same figures again is for `recompute`.

mod used;

use super::names;
use super::store::{IndexedPoint, IndexedRun, IndexedSensor, RegisterEntry};
use crate::files::{Disk, Files};
use crate::hash::sha256;
use crate::record::journal::{FinishedEntry, Journal, What};
use crate::record::words::Outcome;
use crate::record::{ResultRecord, RunRecord, UtcTime};
use plan_schema::record::to_json;
use plan_schema::resolve::ResolvedJob;
use serde::Deserialize;
use std::path::Path;

/// Reads a run directory. A run without an end was cut off.
///
/// # Errors
/// What can't be read or does not fit together, with the file's name.
pub fn indexed(directory: &Path) -> Result<IndexedRun, String> {
    let read = |name: &str| {
        Disk.read(&directory.join(name)).map_err(|e| format!("{}: {e}", directory.join(name).display()))
    };
    let journal = Journal::read(&read("journal.jsonl")?).map_err(|e| format!("journal.jsonl: {e}"))?;
    let bytes = read("run.json")?;
    let record: RunRecord = serde_json::from_slice(&bytes).map_err(|e| format!("run.json: {e}"))?;
    match journal.entries.first().map(|e| &e.what) {
        Some(What::Started(start)) if start.run_sha256 == sha256(&bytes) => {}
        _ => return Err("run.json: its hash is not the one in the journal".to_owned()),
    }
    let job = record.job().map_err(|e| format!("run.json: {e}"))?;
    let end = journal.entries.iter().find_map(|e| match &e.what {
        What::Finished(end) => Some(end.as_ref()),
        _ => None,
    });
    let result = end.map(|end| result_of(directory, end)).transpose()?;
    // A trip is in the journal before the end is, and may be all that there is of it.
    let trip = journal.entries.iter().find_map(|e| match &e.what {
        What::Trip(trip) => Some(trip.trip.reason.word().to_owned()),
        _ => None,
    });
    let (name, number) = names::job_of(&record.run);
    let temperature = result.as_ref().and_then(|r| r.ambient.as_ref());
    Ok(IndexedRun {
        run: record.run.clone(),
        job: number,
        name: name.to_owned(),
        state: state(directory).to_owned(),
        simulated: record.simulated,
        started: end.map_or(record.started, |e| e.started),
        ended: end.map(|e| e.ended),
        outcome: end.map_or(Outcome::Interrupted, |e| e.outcome).word().to_owned(),
        trip: end.and_then(|e| e.trip.as_ref()).map(|t| t.reason.word().to_owned()).or(trip),
        hold: result.as_ref().and_then(|r| r.hold.clone()),
        reference: (job.reference.reference.serial.clone(), job.reference.calibration.certificate.clone()),
        ambient_sensor: temperature.and_then(|a| a.sensor.clone()),
        temperature_degc: temperature.and_then(|a| Some((a.temperature_degc_min?, a.temperature_degc_max?))),
        sensors: sensors(&job, result.as_ref()),
        registers: registers(&job),
        used: used::items(&job),
    })
}

/// Folders of runs in the order in which the runs began, as far as that can be read, and those of one moment in the order of
/// their jobs: whoever puts runs into the index does it in this order.
#[must_use]
pub fn by_beginning(runs: &Path, mut folders: Vec<String>) -> Vec<String> {
    folders.sort_by_cached_key(|folder| {
        (began(&runs.join(folder)), names::job_of(folder).1, folder.len(), folder.clone())
    });
    folders
}

/// When a run began, by its record alone.
fn began(directory: &Path) -> Option<UtcTime> {
    #[derive(Deserialize)]
    struct Began {
        started: UtcTime,
    }
    let bytes = Disk.read(&directory.join("run.json")).ok()?;
    serde_json::from_slice(&bytes).ok().map(|began: Began| began.started)
}

/// The result that the last entry vouches for.
fn result_of(directory: &Path, end: &FinishedEntry) -> Result<ResultRecord, String> {
    let path = directory.join("result.json");
    let bytes = Disk.read(&path).map_err(|e| format!("{}: {e}", path.display()))?;
    if sha256(&bytes) != end.result_sha256 {
        return Err("result.json: its hash is not the one in the journal".to_owned());
    }
    serde_json::from_slice(&bytes).map_err(|e| format!("result.json: {e}"))
}

/// How far a run has come: each release adds a folder of its own.
#[must_use]
pub fn state(directory: &Path) -> &'static str {
    let released = |n: u32| directory.join(format!("release-{n}")).join("release.json").is_file();
    match (released(1), released(2)) {
        (_, true) => "amended",
        (true, false) => "released",
        (false, false) => "draft",
    }
}

fn sensors(job: &ResolvedJob, result: Option<&ResultRecord>) -> Vec<IndexedSensor> {
    let indexed = job.sensors.iter().map(|mounted| {
        let serial = &mounted.sensor.serial;
        let measured = result.and_then(|r| r.sensor(serial));
        let channel = job.rig.channels.iter().find(|c| c.name == mounted.mounted.channel);
        IndexedSensor {
            serial: serial.clone(),
            decision: measured.map(|m| m.decision.word().to_owned()),
            channel: Some(mounted.mounted.channel.clone()),
            conditioner: channel.and_then(|c| c.conditioner.clone()),
            fixture: mounted.mounted.fixture.clone(),
            points: measured
                .into_iter()
                .flat_map(|m| &m.points)
                .map(|point| IndexedPoint {
                    frequency_hz: point.frequency_hz,
                    status: point.status.word().to_owned(),
                    sensitivity: point.sensitivity,
                    sensitivity_unit: point.sensitivity_unit.word().to_owned(),
                    u_rel_percent: point.u_rel_percent,
                })
                .collect(),
        }
    });
    indexed.collect()
}

/// What the registers said of everything that was mounted.
fn registers(job: &ResolvedJob) -> Vec<RegisterEntry> {
    let entry = |kind, serial: &str, version: Option<String>, text: String| RegisterEntry {
        kind,
        serial: serial.to_owned(),
        version,
        sha256: sha256(text.as_bytes()),
        entry: text,
    };
    let sensors = job.sensor_extract().sensors;
    let sensors = sensors.iter().map(|s| entry("sensor", &s.serial, None, to_json(s).to_string()));
    let references = job.reference_extract().references;
    let references = references.iter().map(|r| {
        let version = r.calibrations.first().map(|c| c.certificate.clone());
        entry("reference", &r.serial, version, to_json(r).to_string())
    });
    sensors.chain(references).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_come_in_the_order_in_which_they_began() {
        let dir = tempfile::tempdir().unwrap();
        let made = [
            ("x-10", Some("2026-03-01T00:00:00.5Z")),
            ("x-2", Some("2026-03-01T00:00:00Z")),
            ("z-1", Some("2026-02-01T00:00:00Z")),
            ("same-10", Some("2000-01-01T00:00:00Z")),
            ("same-9.10", Some("2000-01-01T00:00:00Z")),
            ("same-9.2", Some("2000-01-01T00:00:00Z")),
            ("torn", None),
        ];
        for (folder, started) in made {
            std::fs::create_dir(dir.path().join(folder)).unwrap();
            if let Some(started) = started {
                let text = format!("{{\"run\":\"x\",\"started\":\"{started}\"}}");
                std::fs::write(dir.path().join(folder).join("run.json"), text).unwrap();
            }
        }
        let order = by_beginning(dir.path(), names::folders(dir.path()));
        assert_eq!(order, ["torn", "same-9.2", "same-9.10", "same-10", "z-1", "x-2", "x-10"]);
    }
}
