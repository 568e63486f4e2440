//! The files of one job put together and checked against each other.
//!
//! Owns: [`ResolvedJob`], what the rest of the house works from. Checks here need the files only; whether a point is
//! feasible on the shaker's physics is foreseen by the calibration core.

mod found;

use crate::checks;
use crate::job::{Job, Mounted};
use crate::plan::{Plan, Point};
use crate::read::{Diagnostic, Diagnostics, Document, Report};
use crate::registers::{Reference, ReferenceCalibration, ReferenceRegister, Sensor, SensorRegister};
use crate::rig::{Channel, Rig};
use crate::units::{Accel, Fraction, Hertz, Kilograms, Peak};
use found::{Found, FoundReference, FoundSensor};
use std::collections::BTreeSet;

/// The five files of a job.
#[derive(Debug, Clone)]
pub struct JobFiles {
    /// The job itself.
    pub job: Document<Job>,
    /// Its plan.
    pub plan: Document<Plan>,
    /// Its rig.
    pub rig: Document<Rig>,
    /// The register of sensors.
    pub sensors: Document<SensorRegister>,
    /// The register of references.
    pub references: Document<ReferenceRegister>,
}

/// A job whose files agree with each other.
#[derive(Debug, Clone, PartialEq)]
pub struct ResolvedJob {
    /// The job.
    pub job: Job,
    /// The plan.
    pub plan: Plan,
    /// The rig.
    pub rig: Rig,
    /// The channels in use, in the order of the rig file: the columns of every block.
    pub columns: Vec<Channel>,
    /// The reference and the calibration in force.
    pub reference: MountedReference,
    /// The sensors, in the order of the job.
    pub sensors: Vec<MountedSensor>,
    /// The points, in the order of the plan.
    pub points: Vec<ResolvedPoint>,
}

/// The reference in its place.
#[derive(Debug, Clone, PartialEq)]
pub struct MountedReference {
    /// What the register says.
    pub reference: Reference,
    /// The calibration in force.
    pub calibration: ReferenceCalibration,
    /// Its column.
    pub column: usize,
}

/// A sensor in its place.
#[derive(Debug, Clone, PartialEq)]
pub struct MountedSensor {
    /// What the register says.
    pub sensor: Sensor,
    /// How it is mounted.
    pub mounted: Mounted,
    /// Its column.
    pub column: usize,
}

/// A point with all defaults filled in.
#[derive(Debug, Clone, PartialEq)]
pub struct ResolvedPoint {
    /// Frequency.
    pub frequency: Hertz,
    /// Target of the acceleration.
    pub target: Accel<Peak>,
    /// Cycles measured.
    pub dwell_cycles: u32,
    /// Measurements with the same mounting.
    pub repeats: u32,
    /// Tolerance on the deviation; `None` where nothing is judged. A sensor's own goes before it.
    pub tolerance: Option<Fraction>,
    /// Largest distortion of acceleration.
    pub distortion_limit: Fraction,
}

impl ResolvedJob {
    /// Everything that moves beside the armature: sensors and their adapters.
    #[must_use]
    pub fn payload(&self) -> Kilograms {
        self.sensors.iter().fold(Kilograms::ZERO, |sum, s| sum + s.sensor.mass + s.mounted.adapter_mass)
    }

    /// Checks each file by itself and puts them together. The diagnostics of a usable job are warnings.
    ///
    /// # Errors
    /// Everything that is wrong within the files and between them, at once, each with its place.
    pub fn resolve(files: &JobFiles) -> Result<(Self, Diagnostics), Report> {
        let mut noted = checks::job(&files.job);
        noted.extend(checks::plan(&files.plan));
        noted.extend(checks::rig(&files.rig));
        noted.extend(checks::sensors(&files.sensors));
        noted.extend(checks::references(&files.references));
        let mut found = Found { files, noted };
        let reference = found.reference();
        let sensors = found.sensors();
        let points = found.points(reference.as_ref());
        found.ranges(&sensors);
        let noted = in_order(files, found.noted);
        match reference {
            Some(reference) if noted.is_usable() => Ok((assemble(files, reference, sensors, points), noted)),
            _ => Err(Report(noted)),
        }
    }
}

/// By file in the order of [`JobFiles`], and by place within each.
fn in_order(files: &JobFiles, mut noted: Vec<Diagnostic>) -> Diagnostics {
    let order = [
        &files.job.source,
        &files.plan.source,
        &files.rig.source,
        &files.sensors.source,
        &files.references.source,
    ];
    noted.sort_by_key(|d| {
        let file = order.iter().position(|source| **source == d.source);
        (file, d.span.as_ref().map_or(0, |s| s.start))
    });
    Diagnostics(noted)
}

/// Numbers the channels in use and builds the job from what was found.
fn assemble(
    files: &JobFiles,
    reference: FoundReference,
    sensors: Vec<FoundSensor>,
    points: Vec<ResolvedPoint>,
) -> ResolvedJob {
    let used: BTreeSet<usize> = sensors.iter().map(|s| s.channel).chain([reference.channel]).collect();
    let column = |channel: usize| used.range(..channel).count();
    let rig = files.rig.value.clone();
    ResolvedJob {
        columns: rig
            .channels
            .iter()
            .enumerate()
            .filter(|(n, _)| used.contains(n))
            .map(|(_, c)| c.clone())
            .collect(),
        reference: MountedReference {
            column: column(reference.channel),
            reference: reference.reference,
            calibration: reference.calibration,
        },
        sensors: sensors
            .into_iter()
            .map(|s| MountedSensor { column: column(s.channel), sensor: s.sensor, mounted: s.mounted })
            .collect(),
        job: files.job.value.clone(),
        plan: files.plan.value.clone(),
        points,
        rig,
    }
}

fn resolve_point(plan: &Plan, point: &Point) -> ResolvedPoint {
    let frequency = point.frequency.si();
    // Counted so that rounding can't take a cycle away; 1 s above 10 Hz.
    let default = match frequency {
        f if f < 1.0 => 5.0,
        f if f <= 10.0 => 10.0,
        f => f.ceil(),
    };
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the range of u32"
    )]
    let default = default.clamp(1.0, 1e9) as u32;
    ResolvedPoint {
        frequency: point.frequency,
        target: point.amplitude.acceleration_at(point.frequency),
        dwell_cycles: point.dwell_cycles.unwrap_or(default),
        repeats: point.repeats,
        tolerance: point.tolerance.or(plan.tolerance),
        distortion_limit: point.distortion_limit.unwrap_or(plan.distortion_limit),
    }
}

/// Names in a row for a message: 'a', 'b'.
pub(crate) fn list<'a>(names: impl Iterator<Item = &'a str>) -> String {
    let names: Vec<String> = names.map(|n| format!("'{n}'")).collect();
    if names.is_empty() { "none".to_owned() } else { names.join(", ") }
}

#[cfg(test)]
mod tests;
