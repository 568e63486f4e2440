//! The files of one job put together and checked against each other.
//!
//! Owns: [`ResolvedJob`], what the rest of the house works from. Checks here need the files only; whether a point is
//! feasible on the shaker's physics is foreseen by the calibration core.

mod chains;
mod due;
mod found;
mod hum;
mod payload;
mod reach;
mod witness;

pub use due::overdue;
pub use witness::{Expected, Witness, WitnessRole};

use crate::chain::Chain;
use crate::checks;
use crate::job::{Job, Mounted};
use crate::plan::{FORMAT, Format, Plan, Point};
use crate::read::{Diagnostic, Diagnostics, Document, Report};
use crate::registers::{
    Reference, ReferenceCalibration, ReferencePoint, ReferenceRegister, Sensor, SensorRegister,
};
use crate::rig::{Channel, Rig};
use crate::scope::Scope;
use crate::units::{Accel, Fraction, Hertz, Kilograms, Metres, Peak, Seconds, Sensitivity};
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
    /// The second reference and its calibration in force, where the rig has one.
    pub second_reference: Option<MountedReference>,
    /// The column of the displacement transducer, where the rig has one.
    pub displacement_column: Option<usize>,
    /// The sensors under test, in the order of the job.
    pub sensors: Vec<MountedSensor>,
    /// The check standards, in the order of the job. They take every point.
    pub check_standards: Vec<MountedSensor>,
    /// What is looked at beside the sensors under test: the check standards, then the second reference.
    pub witnesses: Vec<Witness>,
    /// The points, in the order of the plan.
    pub points: Vec<ResolvedPoint>,
    /// What the laboratory is accredited for, where it states that. No file of the job does; who loads the job adds it.
    pub scope: Option<Scope>,
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
    /// Volts for one SI unit of what its certificate states: 1 of a voltage, else what its conditioner, shunt or excitation
    /// makes of it.
    pub volts: f64,
    /// What comes after it.
    pub chain: Chain,
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
    /// Its nominal sensitivity in volts.
    pub nominal: Sensitivity,
    /// Volts for one SI unit of its output: 1 of a voltage, else what its conditioner, shunt or excitation makes of it.
    pub volts: f64,
    /// Fixture and arrow before it, and what comes after it.
    pub chain: Chain,
    /// The column of its supply voltage, where a channel reads it.
    pub supply_column: Option<usize>,
    /// One for each point of the plan: why this sensor alone does not take it, as a sentence; its channel may overload
    /// there. `None` where it does.
    pub skips: Vec<Option<String>>,
}

impl MountedReference {
    /// The certificate's sensitivity on one of its lines, in volts.
    #[must_use]
    pub fn in_volts(&self, point: &ReferencePoint) -> Sensitivity {
        point.sensitivity.in_volts(self.volts)
    }
}

impl MountedSensor {
    /// Nominal volts on its channel for one m/s² of the reference at a frequency, its share of a line apart.
    #[must_use]
    pub fn nominal_at(&self, frequency: Hertz) -> Sensitivity {
        self.chain.at(frequency).map_or(self.nominal, |at| self.nominal * at.magnitude)
    }

    /// True if this sensor takes a point (counted from 0).
    #[must_use]
    pub fn takes(&self, point: usize) -> bool {
        self.skips.get(point).is_none_or(Option::is_none)
    }

    /// True if a frequency lies within the sensor's band.
    #[must_use]
    pub fn is_within_band(&self, frequency: Hertz) -> bool {
        let above = self.sensor.frequency_min.is_none_or(|lowest| frequency >= lowest);
        above && self.sensor.frequency_max.is_none_or(|highest| frequency <= highest)
    }
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
    /// Everything that moves beside the armature: sensors, check standards, their adapters and fixtures.
    #[must_use]
    pub fn payload(&self) -> Kilograms {
        let own = self.mounted().fold(Kilograms::ZERO, |sum, s| sum + s.sensor.mass + s.mounted.adapter_mass);
        own + payload::fixtures(&self.rig, self.job.mounted.iter())
    }

    /// How far the armature of an upright rig sags under this payload; zero where it lies level or was centred.
    #[must_use]
    pub fn sag(&self) -> Metres {
        payload::sag(&self.rig, self.payload())
    }

    /// Time for which the sensors and check standards still have to soak before the first point.
    #[must_use]
    pub fn soak_left(&self) -> Seconds {
        self.mounted().fold(Seconds::ZERO, |left, s| left.max(s.sensor.soak_time - self.job.soaked))
    }

    /// The register of the sensors and check standards that are mounted: what a record keeps of the whole one.
    #[must_use]
    pub fn sensor_extract(&self) -> SensorRegister {
        SensorRegister { format: Format(FORMAT), sensors: self.mounted().map(|s| s.sensor.clone()).collect() }
    }

    /// The register of the references that are mounted, each with its calibration in force: what a record keeps of the whole
    /// one.
    #[must_use]
    pub fn reference_extract(&self) -> ReferenceRegister {
        let mounted = std::iter::once(&self.reference).chain(&self.second_reference);
        let references =
            mounted.map(|m| Reference { calibrations: vec![m.calibration.clone()], ..m.reference.clone() });
        ReferenceRegister { format: Format(FORMAT), references: references.collect() }
    }

    /// Sensors under test, then check standards.
    fn mounted(&self) -> impl Iterator<Item = &MountedSensor> {
        self.sensors.iter().chain(&self.check_standards)
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
        let second = found.second_reference();
        let mut sensors = found.sensors();
        let points = found.points(reference.as_ref());
        found.reach(&mut sensors);
        found.payload(&sensors, &points);
        found.chains(&points, &sensors);
        for (key, reference) in [("reference", &reference), ("second_reference", &second)] {
            if let Some(reference) = reference {
                found.chain_of_reference(key, &points, reference);
            }
        }
        found.check_standards(&points, &sensors);
        if let (Some(first), Some(second)) = (&reference, &second) {
            found.second_reach(&points, second, first);
        }
        let noted = in_order(files, found.noted);
        match reference {
            Some(first) if noted.is_usable() => {
                let parts = Parts { first, second, sensors, points };
                Ok((assemble(files, parts), noted))
            }
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

/// What was found for a job whose files agree.
struct Parts {
    first: FoundReference,
    second: Option<FoundReference>,
    sensors: Vec<FoundSensor>,
    points: Vec<ResolvedPoint>,
}

/// Numbers the channels in use and builds the job from what was found.
fn assemble(files: &JobFiles, parts: Parts) -> ResolvedJob {
    let Parts { first, second, sensors, points } = parts;
    let of_sensors = sensors.iter().flat_map(|s| std::iter::once(s.channel).chain(s.supply));
    let rig = files.rig.value.clone();
    let displacement =
        rig.displacement.as_ref().and_then(|d| rig.channels.iter().position(|c| c.name == d.channel));
    let references = std::iter::once(first.channel).chain(second.as_ref().map(|s| s.channel));
    let used: BTreeSet<usize> = of_sensors.chain(references).chain(displacement).collect();
    let column = |channel: usize| used.range(..channel).count();
    let (under_test, check_standards): (Vec<_>, Vec<_>) =
        sensors.into_iter().partition(FoundSensor::is_under_test);
    let mounted = |s: FoundSensor| MountedSensor {
        column: column(s.channel),
        supply_column: s.supply.map(column),
        skips: s.skips,
        nominal: s.sensor.nominal_sensitivity.in_volts(s.volts),
        volts: s.volts,
        chain: s.chain,
        sensor: s.sensor,
        mounted: s.mounted,
    };
    let standard = |s: &FoundSensor| {
        let channel = rig.channels.get(s.channel)?;
        Some(Witness::of_check_standard(&mounted(s.clone()), channel))
    };
    let mut witnesses: Vec<Witness> = check_standards.iter().filter_map(standard).collect();
    witnesses.extend(second.as_ref().map(|s| Witness::of_reference(s, &first, column(s.channel))));
    let reference = |found: FoundReference| MountedReference {
        column: column(found.channel),
        reference: found.reference,
        calibration: found.calibration,
        volts: found.volts,
        chain: found.chain,
    };
    ResolvedJob {
        columns: rig
            .channels
            .iter()
            .enumerate()
            .filter(|(n, _)| used.contains(n))
            .map(|(_, c)| c.clone())
            .collect(),
        reference: reference(first),
        second_reference: second.map(reference),
        displacement_column: displacement.map(column),
        sensors: under_test.into_iter().map(mounted).collect(),
        check_standards: check_standards.into_iter().map(mounted).collect(),
        witnesses,
        job: files.job.value.clone(),
        plan: files.plan.value.clone(),
        points,
        rig,
        scope: None,
    }
}

fn resolve_point(plan: &Plan, point: &Point) -> ResolvedPoint {
    ResolvedPoint {
        frequency: point.frequency,
        target: point.amplitude.acceleration_at(point.frequency),
        dwell_cycles: dwell_cycles(point, point.frequency),
        repeats: point.repeats,
        tolerance: point
            .tolerance
            .or(plan.decision.band(point.frequency).and_then(|band| band.tolerance))
            .or(plan.tolerance),
        distortion_limit: point.distortion_limit.unwrap_or(plan.distortion_limit),
    }
}

/// Cycles that the point would be measured for if its frequency were this.
fn dwell_cycles(point: &Point, frequency: Hertz) -> u32 {
    // Counted so that rounding can't take a cycle away; 1 s above 10 Hz.
    let default = match frequency.si() {
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
    point.dwell_cycles.unwrap_or(default)
}

/// Names in a row for a message: 'a', 'b'.
pub(crate) fn list<'a>(names: impl Iterator<Item = &'a str>) -> String {
    let names: Vec<String> = names.map(|n| format!("'{n}'")).collect();
    if names.is_empty() { "none".to_owned() } else { names.join(", ") }
}

#[cfg(test)]
mod tests;
