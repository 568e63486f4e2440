//! The files of one job put together and checked against each other.
//!
//! Owns: [`ResolvedJob`], what the rest of the house works from. Checks here need the files only; whether a point is
//! feasible on the shaker's physics is foreseen by the calibration core.

mod chains;
mod channel_ratio;
mod due;
mod eccentric;
mod found;
mod hum;
mod largest;
mod once;
mod payload;
mod reach;
mod substitution;
mod witness;

pub use due::overdue;
pub use largest::rounded_down;
pub use witness::{Expected, Witness, WitnessRole};

use crate::chain::Chain;
use crate::checks;
use crate::job::{Job, Mounted};
use crate::plan::{FORMAT, Format, Origin, Plan, Planned};
use crate::read::{Diagnostic, Diagnostics, Document, Report};
use crate::registers::{
    Reference, ReferenceCalibration, ReferencePoint, ReferenceRegister, Sensor, SensorRegister,
};
use crate::rig::{Channel, Rig};
use crate::scope::Scope;
use crate::units::{Accel, Fraction, Hertz, Kilograms, Metres, Peak, Seconds, Sensitivity};
use found::{Found, FoundReference, FoundSensor};
use once::said_once;
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
    /// The column of the drive monitor, where the rig has one.
    pub drive_column: Option<usize>,
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
    /// How much of its ranges each point uses.
    pub uses: Vec<RangeUse>,
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
    /// How much of its ranges each point uses, whether it takes it or not.
    pub uses: Vec<RangeUse>,
}

/// How much of its ranges a transducer uses at a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RangeUse {
    /// Of its own range, with gravity where it shows that.
    pub of_range: Fraction,
    /// Of the range of its channel, with offset, overshoot and the harmonics that the plan allows.
    pub of_channel: Fraction,
}

impl RangeUse {
    /// The larger of the two.
    #[must_use]
    pub fn most(&self) -> Fraction {
        self.of_range.max(self.of_channel)
    }
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

    /// The largest deviation that is allowed at a point: the sensor's own, else the plan's.
    #[must_use]
    pub fn tolerance_at(&self, point: &ResolvedPoint) -> Option<Fraction> {
        self.sensor.tolerance_at(point.frequency).or(point.tolerance)
    }
}

/// A point with all defaults filled in.
#[derive(Debug, Clone, PartialEq)]
pub struct ResolvedPoint {
    /// Where it comes from.
    pub origin: Origin,
    /// Frequency.
    pub frequency: Hertz,
    /// Target of the acceleration.
    pub target: Accel<Peak>,
    /// Where the largest amplitude is asked for: that up to which it may go.
    pub wanted: Option<Accel<Peak>>,
    /// Where the largest amplitude is less than what it may go up to: which limit it is that binds.
    pub limited: Option<String>,
    /// Cycles measured.
    pub dwell_cycles: u32,
    /// The cycles that the plan states, if it does.
    pub stated_cycles: Option<u32>,
    /// Measurements with the same mounting.
    pub repeats: u32,
    /// Tolerance on the deviation; `None` where nothing is judged. A sensor's own goes before it.
    pub tolerance: Option<Fraction>,
    /// Largest distortion of acceleration.
    pub distortion_limit: Fraction,
}

/// What a point comes to: kept with a run, so that its points are the same whatever reads it.
#[derive(Debug, Clone, PartialEq)]
pub struct Settled {
    /// Frequency.
    pub frequency: Hertz,
    /// Target of the acceleration.
    pub target: Accel<Peak>,
    /// Why it is less than what was asked for, if it is.
    pub limited: Option<String>,
}

impl ResolvedPoint {
    /// What this point came to.
    #[must_use]
    pub fn settled(&self) -> Settled {
        Settled { frequency: self.frequency, target: self.target, limited: self.limited.clone() }
    }
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

    /// What is compared with the reference, by column, with its chain: sensors under test, check standards, second reference.
    pub fn chains(&self) -> impl Iterator<Item = (usize, &Chain)> {
        let second = self.second_reference.iter().map(|r| (r.column, &r.chain));
        self.mounted().map(|s| (s.column, &s.chain)).chain(second)
    }

    /// Sensors under test, then check standards.
    fn mounted(&self) -> impl Iterator<Item = &MountedSensor> {
        self.sensors.iter().chain(&self.check_standards)
    }

    /// Checks each file by itself and puts them together. The diagnostics of a usable job are warnings. Where the plan asks
    /// for the largest amplitude, the target is what these files allow by themselves.
    ///
    /// # Errors
    /// Everything that is wrong within the files and between them, at once, each with its place.
    pub fn resolve(files: &JobFiles) -> Result<(Self, Diagnostics), Report> {
        Self::put_together(files, None)
    }

    /// As [`Self::resolve`], with what the points of the plan came to, in their order.
    ///
    /// # Errors
    /// As there.
    pub fn resolve_settled(files: &JobFiles, settled: &[Settled]) -> Result<(Self, Diagnostics), Report> {
        Self::put_together(files, Some(settled))
    }

    fn put_together(files: &JobFiles, settled: Option<&[Settled]>) -> Result<(Self, Diagnostics), Report> {
        let mut noted = [checks::job(&files.job), checks::plan(&files.plan)].concat();
        let [rig, sensors] = [checks::rig(&files.rig), checks::sensors(&files.sensors)];
        // What a wrong figure makes of ranges, payloads and chains is a consequence of it, and not worth a word.
        let sound = rig.iter().chain(&sensors).all(|d| d.warning);
        noted.extend(rig.into_iter().chain(sensors));
        noted.extend(checks::references(&files.references));
        let plan = &files.plan.value;
        let points = plan.planned().iter().map(|p| resolve_point(plan, p)).collect();
        let mut found = Found { files, points, noted, sound };
        let reference = found.reference();
        let second = found.second_reference();
        let mut sensors = found.sensors();
        match settled {
            Some(settled) => found.settle(settled),
            None if sound => {
                let references: Vec<_> = reference.iter().chain(&second).collect();
                found.largest(&references, &sensors);
            }
            None => {}
        }
        found.points(reference.as_ref());
        let points = found.points.clone();
        if sound {
            found.reach(&mut sensors);
            found.payload(&sensors, &points);
            found.chains(&points, &sensors);
            for (key, reference) in [("reference", &reference), ("second_reference", &second)] {
                if let Some(reference) = reference {
                    found.chain_of_reference(key, &points, reference);
                }
            }
            found.method([reference.as_ref(), second.as_ref()], &sensors, &points);
            found.check_standards(&points, &sensors);
            if let (Some(first), Some(second)) = (&reference, &second) {
                found.second_reach(&points, second, first);
            }
        }
        let uses = Uses::of(&found, [reference.as_ref(), second.as_ref()], &sensors);
        let noted = in_order(files, found.noted);
        match reference {
            Some(first) if noted.is_usable() => {
                let parts = Parts { first, second, sensors, points, uses };
                Ok((assemble(files, parts), noted))
            }
            _ => Err(Report(noted)),
        }
    }
}

/// By file in the order of [`JobFiles`], and by place within each. What several points of a series have wrong with one
/// remedy is said once.
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
    Diagnostics(if files.plan.value.series.is_empty() { noted } else { said_once(&files.plan.source, noted) })
}

/// What was found for a job whose files agree.
struct Parts {
    first: FoundReference,
    second: Option<FoundReference>,
    sensors: Vec<FoundSensor>,
    points: Vec<ResolvedPoint>,
    uses: Uses,
}

/// How much of their ranges the transducers use, point by point.
struct Uses {
    references: [Vec<RangeUse>; 2],
    /// In the order in which the sensors were found.
    sensors: Vec<Vec<RangeUse>>,
}

impl Uses {
    fn of(found: &Found<'_>, references: [Option<&FoundReference>; 2], sensors: &[FoundSensor]) -> Self {
        let points = &found.points;
        let of_reference = |reference: Option<&FoundReference>| {
            reference.map_or(Vec::new(), |r| points.iter().map(|p| found.used_by_reference(p, r)).collect())
        };
        let of_sensor =
            |sensor: &FoundSensor| points.iter().filter_map(|p| found.used_by_sensor(p, sensor)).collect();
        Self { references: references.map(of_reference), sensors: sensors.iter().map(of_sensor).collect() }
    }
}

/// Numbers the channels in use and builds the job from what was found.
fn assemble(files: &JobFiles, parts: Parts) -> ResolvedJob {
    let Parts { first, second, sensors, points, uses } = parts;
    let [first_uses, second_uses] = uses.references;
    let of_sensors = sensors.iter().flat_map(|s| std::iter::once(s.channel).chain(s.supply));
    let rig = files.rig.value.clone();
    let number = |name: &String| rig.channels.iter().position(|c| &c.name == name);
    let displacement = rig.displacement.as_ref().and_then(|d| number(&d.channel));
    let drive = rig.drive_monitor.as_ref().and_then(|d| number(&d.channel));
    let references = std::iter::once(first.channel).chain(second.as_ref().map(|s| s.channel));
    let used: BTreeSet<usize> = of_sensors.chain(references).chain(displacement).chain(drive).collect();
    let column = |channel: usize| used.range(..channel).count();
    let (under_test, check_standards): (Vec<_>, Vec<_>) =
        sensors.into_iter().zip(uses.sensors).partition(|(s, _)| s.is_under_test());
    let mounted = |(s, uses): (FoundSensor, Vec<RangeUse>)| MountedSensor {
        uses,
        column: column(s.channel),
        supply_column: s.supply.map(column),
        skips: s.skips,
        nominal: s.sensor.nominal_sensitivity.in_volts(s.volts),
        volts: s.volts,
        chain: s.chain,
        sensor: s.sensor,
        mounted: s.mounted,
    };
    let standard = |s: &(FoundSensor, Vec<RangeUse>)| {
        let channel = rig.channels.get(s.0.channel)?;
        Some(Witness::of_check_standard(&mounted(s.clone()), channel))
    };
    let mut witnesses: Vec<Witness> = check_standards.iter().filter_map(standard).collect();
    witnesses.extend(second.as_ref().map(|s| Witness::of_reference(s, &first, column(s.channel))));
    let reference = |found: FoundReference, uses: Vec<RangeUse>| MountedReference {
        uses,
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
        reference: reference(first, first_uses),
        second_reference: second.map(|s| reference(s, second_uses)),
        displacement_column: displacement.map(column),
        drive_column: drive.map(column),
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

fn resolve_point(plan: &Plan, planned: &Planned) -> ResolvedPoint {
    let point = &planned.point;
    let target = point.amplitude.acceleration_at(point.frequency);
    ResolvedPoint {
        origin: planned.origin,
        frequency: point.frequency,
        target,
        wanted: planned.largest.then_some(target),
        limited: None,
        dwell_cycles: dwell_cycles(point.dwell_cycles, point.frequency),
        stated_cycles: point.dwell_cycles,
        repeats: point.repeats,
        tolerance: point
            .tolerance
            .or(plan.decision.band(point.frequency).and_then(|band| band.tolerance))
            .or(plan.tolerance),
        distortion_limit: point.distortion_limit.unwrap_or(plan.distortion_limit),
    }
}

/// Cycles that a point is measured for at a frequency, those that the plan states if it does.
fn dwell_cycles(written: Option<u32>, frequency: Hertz) -> u32 {
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
    written.unwrap_or(default)
}

/// Names in a row for a message: 'a', 'b'.
pub(crate) fn list<'a>(names: impl Iterator<Item = &'a str>) -> String {
    let names: Vec<String> = names.map(|n| format!("'{n}'")).collect();
    if names.is_empty() { "none".to_owned() } else { names.join(", ") }
}

#[cfg(test)]
mod tests;
