//! What the playing desk says: a rig, a queue, a run that is told again as if it went on. All of it invented.

use super::desk::PlayDesk;
use anyhow::{Context, Result};
use calwright::record::words::{Outcome, PointStatus};
use calwright::record::{ResultRecord, UtcTime};
use calwright::serve::words::{
    Due, Happening, HistoryPoint, LatchState, Moment, PointNews, QueueEntry, RegisteredCalibration,
    RegisteredReference, RegisteredSensor, Registers, RigState, RunSummary, SensorNews, SensorSummary, Stage,
};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// A rig at rest without leave.
pub(super) fn rig() -> RigState {
    RigState {
        rig: "portable".to_owned(),
        simulated: true,
        latch: LatchState::Clear,
        trip: None,
        message: None,
        leave_by: None,
        leave_until: None,
        leave_missing: Some("nobody has given leave to move yet".to_owned()),
        queue_held: None,
        checklist: vec![
            "The emergency stop was pressed once and let go".to_owned(),
            "Sensors and cables are tight".to_owned(),
            "Nobody stands at the armature".to_owned(),
        ],
        warnings: vec!["this program was not validated on this station".to_owned()],
        running: None,
        asks: None,
        draining: false,
    }
}

/// A queue with something of each kind.
pub(super) fn jobs() -> Result<Vec<QueueEntry>> {
    let mut jobs = vec![
        entry(1, "portable-night", "A. Operator", Stage::Running),
        entry(2, "series", "A. Operator", Stage::Waiting),
        entry(3, "low-frequency", "B. Operator", Stage::Held),
        entry(4, "workshop", "B. Operator", Stage::NeedsPerson),
        entry(5, "common-practice", "A. Operator", Stage::Waiting),
    ];
    for (place, job) in std::iter::zip(1.., jobs.iter_mut().skip(1)) {
        job.place = Some(place);
    }
    jobs[0].runs = vec!["dry-portable-night-1".to_owned()];
    jobs[2].waits_for = Some("held by B. Operator: adapter is being cleaned".to_owned());
    jobs[3].waits_for = Some("mount BW-40117 on channel sensor-a, BW-40118 on channel sensor-b".to_owned());
    Ok(jobs)
}

/// A job.
pub(super) fn entry(job: i64, name: &str, who: &str, stage: Stage) -> QueueEntry {
    QueueEntry {
        job,
        name: name.to_owned(),
        stage,
        waits_for: None,
        place: None,
        submitted_by: who.to_owned(),
        submitted: UtcTime::now(),
        serials: vec!["BW-51210".to_owned(), "OM-7064".to_owned()],
        points: 10,
        rig_s: 135.7,
        runs: Vec::new(),
        outcome: None,
    }
}

/// The result of a file.
pub(super) fn result(path: &Path) -> Result<ResultRecord> {
    let text = std::fs::read_to_string(path).with_context(|| format!("{} can't be read", path.display()))?;
    Ok(serde_json::from_str(&text)?)
}

/// The run of a directory as lists show it.
pub(super) fn summary(folder: &Path) -> Result<RunSummary> {
    let result = result(&folder.join("result.json"))?;
    let sensor = |s: &calwright::record::result::SensorRecord| SensorSummary {
        serial: s.serial.clone(),
        decision: Some(s.decision),
    };
    Ok(RunSummary {
        name: result.run.trim_start_matches("dry-").trim_end_matches("-1").to_owned(),
        run: result.run.clone(),
        state: result.state.to_string(),
        simulated: result.simulated,
        started: result.started,
        ended: result.ended,
        outcome: Some(result.outcome),
        trip: result.trip.as_ref().map(|t| t.reason.to_string()),
        points: u32::try_from(result.sensors.first().map_or(0, |s| s.points.len()))?,
        sensors: result.sensors.iter().map(sensor).collect(),
        used: Vec::new(),
        certificates: Vec::new(),
    })
}

/// What the runs of these directories say about a sensor.
pub(super) fn history(runs: &[(RunSummary, PathBuf)], serial: &str) -> Result<Vec<HistoryPoint>> {
    let mut points = Vec::new();
    for (_, folder) in runs {
        let result = result(&folder.join("result.json"))?;
        for point in result.sensor(serial).into_iter().flat_map(|s| &s.points) {
            points.extend(point.sensitivity.map(|sensitivity| HistoryPoint {
                run: result.run.clone(),
                started: result.started,
                frequency_hz: point.frequency_hz,
                sensitivity,
                sensitivity_unit: point.sensitivity_unit.to_string(),
                u_rel_percent: point.u_rel_percent,
                reference: result.reference.calibration.clone(),
                simulated: result.simulated,
            }));
        }
    }
    Ok(points)
}

/// Registers that fit the sensors of these runs; what is due is invented.
pub(super) fn registers(runs: &[(RunSummary, PathBuf)]) -> Registers {
    let mut sensors: Vec<RegisteredSensor> = Vec::new();
    for (run, _) in runs {
        for sensor in &run.sensors {
            sensors.retain(|known| known.serial != sensor.serial);
            sensors.push(RegisteredSensor {
                serial: sensor.serial.clone(),
                make: "Brackwater".to_owned(),
                model: "Example".to_owned(),
                kind: "capacitive".to_owned(),
                nominal_sensitivity: "100 mV/g".to_owned(),
                versions: 1,
                runs: 1,
                last_run: Some(run.run.clone()),
                last_started: Some(run.started),
                last_decision: sensor.decision,
            });
        }
    }
    let calibration = RegisteredCalibration {
        certificate: "SM-1997-0412".to_owned(),
        laboratory: "Example Metrology (invented)".to_owned(),
        date: "1999-06-10".to_owned(),
        due: "2001-06-10".to_owned(),
        sha256: "0".repeat(64),
        run: runs.first().map_or_else(String::new, |(run, _)| run.run.clone()),
        since: runs.first().map_or_else(UtcTime::now, |(run, _)| run.started),
        runs: u32::try_from(runs.len()).unwrap_or(u32::MAX),
    };
    let reference = RegisteredReference {
        serial: "OM-1".to_owned(),
        make: "Brackwater".to_owned(),
        model: "Reference".to_owned(),
        calibrations: vec![calibration],
    };
    let due = |due: &str, what: &str, name: &str, overdue| Due {
        due: due.to_owned(),
        what: what.to_owned(),
        name: name.to_owned(),
        overdue,
    };
    Registers {
        day: "2000-01-01".to_owned(),
        due: vec![
            due("1999-12-01", "conditioner", "QX-1", true),
            due("2001-06-10", "reference", "OM-1", false),
        ],
        references: vec![reference],
        sensors,
    }
}

/// A finished run, to be told as if it went on.
#[derive(Debug, Clone)]
pub struct Played {
    result: ResultRecord,
}

/// Moments of a point.
const MOMENTS: u32 = 20;

impl Played {
    /// The run of a directory.
    ///
    /// # Errors
    /// Where there is none.
    pub fn of(folder: &Path) -> Result<Self> {
        Ok(Self { result: result(&folder.join("result.json"))? })
    }

    /// Tells it, downward in frequency, moment by moment, until it is over or the rig is stopped.
    pub(super) async fn play(self, desk: &PlayDesk, step_ms: u64) {
        let run = self.result.run.clone();
        desk.set_rig(|rig| {
            rig.running = Some(run.clone());
            rig.leave_by.get_or_insert_with(|| "A. Operator".to_owned());
            rig.leave_missing = None;
        });
        desk.tell(Happening::Began(run.clone()));
        let points = self.result.sensors.first().map_or(0, |s| s.points.len());
        for (n, at) in (0..points).rev().enumerate() {
            for moment in 0..MOMENTS {
                if desk.lock().rig.running.is_none() {
                    return;
                }
                desk.tell(Happening::Moment(self.moment(at, n, points, moment)));
                tokio::time::sleep(Duration::from_millis(step_ms)).await;
            }
            desk.tell(Happening::Point(self.point(at, n + 1)));
        }
        desk.ended(&run, Outcome::Done);
        desk.set_rig(|rig| rig.running = None);
        let ended = desk.lock().runs.iter().find(|(r, _)| r.run == run).map(|(r, _)| r.clone());
        if let Some(summary) = ended {
            desk.tell(Happening::Ended(summary));
        }
    }

    #[expect(clippy::cast_precision_loss, reason = "a handful of points")]
    fn moment(&self, at: usize, n: usize, points: usize, moment: u32) -> Moment {
        let point = self.result.sensors.first().and_then(|s| s.points.get(at));
        let share = f64::from((moment + 1).min(8)) / 8.0;
        let stroke = point.and_then(|p| p.displacement_m_peak);
        let done = n as f64 + f64::from(moment) / f64::from(MOMENTS);
        Moment {
            run: self.result.run.clone(),
            phase: if moment < 8 { "settle" } else { "dwell" }.to_owned(),
            waits_for: None,
            point: u32::try_from(at + 1).ok(),
            points: u32::try_from(points).unwrap_or(0),
            frequency_hz: point.map(|p| p.frequency_hz),
            target_mps2_peak: point.map(|p| p.target_mps2_peak),
            acceleration_mps2_peak: point.and_then(|p| p.acceleration_mps2_peak).map(|a| a * share),
            displacement_m_peak: stroke.map(|x| x * share),
            displacement_ceiling_m_peak: stroke.map(|x| x * 1.3 + 2e-4),
            drive_v_peak: Some(0.096 * share),
            drive_ceiling_v_peak: Some(0.15),
            elapsed_s: self.result.rig_s * done / points as f64,
            remaining_s: self.result.rig_s * (1.0 - done / points as f64),
            temperature_degc: Some(23.0),
            humidity_percent: Some(41.0),
        }
    }

    fn point(&self, at: usize, done: usize) -> PointNews {
        let of = |s: &calwright::record::result::SensorRecord| {
            let point = s.points.get(at);
            SensorNews {
                serial: s.serial.clone(),
                deviation_percent: point.and_then(|p| p.deviation_percent),
                phase_deg: point.and_then(|p| p.phase_deg),
                accepted: point.is_some_and(|p| p.status == PointStatus::Accepted),
                findings: point.into_iter().flat_map(|p| &p.findings).map(|f| f.kind.to_string()).collect(),
            }
        };
        let first = self.result.sensors.first().and_then(|s| s.points.get(at));
        PointNews {
            run: self.result.run.clone(),
            point: u32::try_from(at + 1).unwrap_or(0),
            done: u32::try_from(done).unwrap_or(0),
            frequency_hz: first.map_or(0.0, |p| p.frequency_hz),
            sensors: self.result.sensors.iter().map(of).collect(),
        }
    }
}
