//! `run.json`: everything that was known before the first motion, as the files said it.
//!
//! Plan, job, rig and extracts of the registers are kept in the format in which people write them, and are read back
//! by the same reader; so a run can be derived again without the files it came from.

use super::result::Software;
use super::time::UtcTime;
use plan_schema::plan::{FORMAT, Origin};
use plan_schema::read::{Document, Report, Written};
use plan_schema::record::{from_json, to_json};
use plan_schema::resolve::{JobFiles, ResolvedJob, ResolvedPoint, Settled};
use plan_schema::units::{Accel, Hertz};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// Number of the estimator; it changes when the same samples give other figures.
pub const ESTIMATOR: u32 = 2;

/// The schema of this file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum RunSchema {
    /// The first version.
    #[serde(rename = "calwright.run/1")]
    V1,
}

/// What was known before the first motion.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RunRecord {
    /// Name and version of this format.
    pub schema: RunSchema,
    /// Name of the run.
    pub run: String,
    /// True for a dry run.
    pub simulated: bool,
    /// Seed of the simulator, for dry runs.
    pub seed: Option<u64>,
    /// When it was begun.
    pub started: UtcTime,
    /// The program.
    pub software: Software,
    /// What the program was built for.
    pub target: String,
    /// Version of the written formats below.
    pub format: u32,
    /// Number of the estimator.
    pub estimator: u32,
    /// The plan, as written.
    pub plan: Value,
    /// The job, as written.
    pub job: Value,
    /// The rig, as written.
    pub rig: Value,
    /// The sensors and check standards that are mounted, as registered.
    pub sensors: Value,
    /// The references in the rig with the calibrations in force, as registered.
    pub references: Value,
    /// What the plan came to: its points, in the order of results.
    pub points: Vec<RunPoint>,
    /// The scope of the laboratory's accreditation, as written; null where it states none.
    #[serde(default)]
    pub scope: Option<Value>,
}

/// What a point of the plan came to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RunPoint {
    /// Where it is written.
    pub origin: PointOrigin,
    /// Frequency.
    pub frequency_hz: f64,
    /// Target of the acceleration.
    pub target_mps2_peak: f64,
    /// Where the largest amplitude was asked for: that up to which it might go.
    pub wanted_mps2_peak: Option<f64>,
    /// Where it came to less: what stood in the way of more.
    pub limited_by: Option<String>,
    /// Cycles measured, at least.
    pub dwell_cycles: u32,
    /// Measurements with the same mounting.
    pub repeats: u32,
}

/// Where in the plan a point is written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PointOrigin {
    /// In which kind of table.
    pub table: PointTable,
    /// Number of the table among its kind, from 1.
    pub number: usize,
    /// Number of the point in the series, from 1; null where it is listed.
    pub step: Option<usize>,
}

/// The tables that make points.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum PointTable {
    /// A point that is listed.
    Point,
    /// A series.
    Series,
}

impl PointOrigin {
    /// The twin of where a point comes from.
    #[must_use]
    pub fn of(origin: Origin) -> Self {
        match origin {
            Origin::Listed(n) => Self { table: PointTable::Point, number: n + 1, step: None },
            Origin::Series { series, step, .. } => {
                Self { table: PointTable::Series, number: series + 1, step: Some(step + 1) }
            }
        }
    }
}

impl RunPoint {
    fn of(point: &ResolvedPoint) -> Self {
        Self {
            origin: PointOrigin::of(point.origin),
            frequency_hz: point.frequency.si(),
            target_mps2_peak: point.target.si(),
            wanted_mps2_peak: point.wanted.map(|a| a.si()),
            limited_by: point.limited.clone(),
            dwell_cycles: point.dwell_cycles,
            repeats: point.repeats,
        }
    }

    fn settled(&self) -> Settled {
        Settled {
            frequency: Hertz::new(self.frequency_hz),
            target: Accel::new(self.target_mps2_peak),
            limited: self.limited_by.clone(),
        }
    }
}

impl RunRecord {
    /// The record of a job that is about to run.
    #[must_use]
    pub fn of(job: &ResolvedJob, run: &str, seed: Option<u64>, started: UtcTime, software: Software) -> Self {
        Self {
            schema: RunSchema::V1,
            run: run.to_owned(),
            simulated: seed.is_some(),
            seed,
            started,
            software,
            target: target(),
            format: FORMAT,
            estimator: ESTIMATOR,
            plan: to_json(&job.plan),
            job: to_json(&job.job),
            rig: to_json(&job.rig),
            sensors: to_json(&job.sensor_extract()),
            references: to_json(&job.reference_extract()),
            points: job.points.iter().map(RunPoint::of).collect(),
            scope: job.scope.as_ref().map(to_json),
        }
    }

    /// The job again, through the same reader as the files, its points as they were: whatever a later program would make of
    /// the plan.
    ///
    /// # Errors
    /// What is wrong with the record.
    pub fn job(&self) -> Result<ResolvedJob, Report> {
        let files = JobFiles {
            plan: document("run.json: plan", &self.plan)?,
            job: document("run.json: job", &self.job)?,
            rig: document("run.json: rig", &self.rig)?,
            sensors: document("run.json: sensors", &self.sensors)?,
            references: document("run.json: references", &self.references)?,
        };
        let settled: Vec<Settled> = self.points.iter().map(RunPoint::settled).collect();
        let (mut job, _) = ResolvedJob::resolve_settled(&files, &settled)?;
        let scope = self.scope.as_ref().map(|scope| from_json("run.json: scope", scope));
        job.scope = scope.transpose()?;
        Ok(job)
    }
}

fn document<T: Written>(name: &str, value: &Value) -> Result<Document<T>, Report> {
    // A value that has no TOML form reads as an empty file, whose missing keys are then named.
    Document::read(name, &toml::to_string(value).unwrap_or_default())
}

/// What this program was built for.
#[must_use]
pub fn target() -> String {
    format!("{}-{}", std::env::consts::ARCH, std::env::consts::OS)
}
