//! Looks up in one file of a job what another names, and takes down where they disagree.

use super::{JobFiles, ResolvedPoint, list, resolve_point};
use crate::job::Mounted;
use crate::read::Diagnostic;
use crate::registers::{Reference, ReferenceCalibration, Sensor};
use crate::units::{Accel, Hertz, Peak, STANDARD_GRAVITY, Sensitivity, VoltsDc, engineering};
use std::collections::BTreeMap;

/// The reference where it was found: its calibration in force and the number of its channel in the rig.
pub(super) struct FoundReference {
    pub(super) reference: Reference,
    pub(super) calibration: ReferenceCalibration,
    pub(super) channel: usize,
}

/// A sensor where it was found, with the number of its channel in the rig.
pub(super) struct FoundSensor {
    pub(super) sensor: Sensor,
    pub(super) mounted: Mounted,
    pub(super) channel: usize,
}

/// What was found so far while the files are put together.
pub(super) struct Found<'a> {
    pub(super) files: &'a JobFiles,
    pub(super) noted: Vec<Diagnostic>,
}

impl Found<'_> {
    pub(super) fn reference(&mut self) -> Option<FoundReference> {
        let rig = &self.files.rig;
        let mount = &rig.value.reference;
        let channel = rig.value.channels.iter().position(|c| c.name == mount.channel);
        if channel.is_none() {
            let names = list(rig.value.channels.iter().map(|c| c.name.as_str()));
            self.noted.push(rig.error(
                "reference.channel",
                format!("the rig has no channel '{}'", mount.channel),
                format!("its channels are {names}"),
            ));
        }
        let register = &self.files.references;
        let Some(reference) = register.value.references.iter().find(|r| r.serial == mount.serial) else {
            let known = list(register.value.references.iter().map(|r| r.serial.as_str()));
            self.noted.push(rig.error(
                "reference.serial",
                format!("the register {} has no reference '{}'", register.source.name, mount.serial),
                format!("it has {known}"),
            ));
            return None;
        };
        let Some(calibration) = reference.current().filter(|c| !c.points.is_empty()) else {
            self.noted.push(rig.error(
                "reference.serial",
                format!("reference '{}' has no calibration with points", mount.serial),
                format!("enter its last certificate in the register {}", register.source.name),
            ));
            return None;
        };
        Some(FoundReference {
            reference: reference.clone(),
            calibration: calibration.clone(),
            channel: channel?,
        })
    }

    pub(super) fn sensors(&mut self) -> Vec<FoundSensor> {
        let job = &self.files.job;
        let rig = &self.files.rig.value;
        let register = &self.files.sensors;
        let mut taken: BTreeMap<&str, String> = BTreeMap::new();
        let mut sensors = Vec::new();
        taken.insert(&rig.reference.channel, "the reference".to_owned());
        if let Some(displacement) = &rig.displacement {
            taken.insert(&displacement.channel, "the displacement transducer".to_owned());
        }
        for (n, mounted) in job.value.mounted.iter().enumerate() {
            let path = |key: &str| format!("mounted[{n}].{key}");
            let channel = rig.channels.iter().position(|c| c.name == mounted.channel);
            if channel.is_none() {
                self.noted.push(job.error(
                    &path("channel"),
                    format!("rig '{}' has no channel '{}'", rig.name, mounted.channel),
                    format!("its channels are {}", list(rig.channels.iter().map(|c| c.name.as_str()))),
                ));
            } else if let Some(other) = taken.insert(&mounted.channel, format!("sensor '{}'", mounted.sensor))
            {
                self.noted.push(job.error(
                    &path("channel"),
                    format!("channel '{}' is taken by {other}", mounted.channel),
                    "connect this sensor to a channel of its own",
                ));
            }
            let sensor = register.value.sensors.iter().find(|s| s.serial == mounted.sensor);
            if sensor.is_none() {
                self.noted.push(job.error(
                    &path("sensor"),
                    format!("the register {} has no sensor '{}'", register.source.name, mounted.sensor),
                    format!("it has {}", list(register.value.sensors.iter().map(|s| s.serial.as_str()))),
                ));
            }
            if let (Some(sensor), Some(channel)) = (sensor, channel) {
                sensors.push(FoundSensor { sensor: sensor.clone(), mounted: mounted.clone(), channel });
            }
        }
        sensors
    }

    pub(super) fn points(&mut self, reference: Option<&FoundReference>) -> Vec<ResolvedPoint> {
        let plan = &self.files.plan;
        let rate = self.files.rig.value.acquisition.rate;
        let highest = Hertz::new(rate.si() * HIGHEST_FREQUENCY);
        let mut points = Vec::new();
        for (n, point) in plan.value.points.iter().enumerate() {
            let resolved = resolve_point(&plan.value, point);
            if point.frequency > highest {
                self.noted.push(plan.error(
                    &format!("point[{n}].frequency"),
                    format!(
                        "the acquisition samples too slowly for {}",
                        engineering(point.frequency.si(), "Hz")
                    ),
                    format!(
                        "at {} it reaches {}",
                        engineering(rate.si(), "S/s"),
                        engineering(highest.si(), "Hz")
                    ),
                ));
            }
            if let Some(reference) = reference
                && point.frequency > Hertz::ZERO
            {
                self.reference_band(n, &resolved, reference);
            }
            points.push(resolved);
        }
        points
    }

    /// Never extrapolated: a point has to lie within the reference's calibration and range.
    fn reference_band(&mut self, n: usize, point: &ResolvedPoint, found: &FoundReference) {
        let plan = &self.files.plan;
        let FoundReference { reference, calibration, channel } = found;
        let (Some(first), Some(last)) = (calibration.points.first(), calibration.points.last()) else {
            return;
        };
        if point.frequency < first.frequency || point.frequency > last.frequency {
            self.noted.push(plan.error(
                &format!("point[{n}].frequency"),
                format!(
                    "{} lies outside the calibration of reference '{}'",
                    engineering(point.frequency.si(), "Hz"),
                    reference.serial
                ),
                format!(
                    "it is calibrated from {} to {}",
                    engineering(first.frequency.si(), "Hz"),
                    engineering(last.frequency.si(), "Hz")
                ),
            ));
        }
        let sensitivity =
            calibration.points.iter().fold(Sensitivity::ZERO, |most, p| most.max(p.sensitivity));
        let transducer = Transducer {
            name: format!("reference '{}'", reference.serial),
            range: reference.range,
            sensitivity,
            zero_output: reference.zero_output,
            channel: *channel,
        };
        self.range(n, point.target, &transducer);
    }

    /// Sensors and their channels have to take the largest amplitude.
    pub(super) fn ranges(&mut self, sensors: &[FoundSensor]) {
        for (n, point) in self.files.plan.value.points.iter().enumerate() {
            let target = point.amplitude.acceleration_at(point.frequency);
            for FoundSensor { sensor, channel, .. } in sensors {
                let Some(input) = self.files.rig.value.channels.get(*channel) else {
                    continue;
                };
                let (zero_output, share) = sensor.seen_by(input);
                let transducer = Transducer {
                    name: format!("sensor '{}'", sensor.serial),
                    range: sensor.range,
                    sensitivity: sensor.nominal_sensitivity * share,
                    zero_output,
                    channel: *channel,
                };
                self.range(n, target, &transducer);
            }
        }
    }

    /// The range of a transducer and of its channel against one target, with offset and overshoot.
    fn range(&mut self, n: usize, target: Accel<Peak>, transducer: &Transducer) {
        let plan = &self.files.plan;
        let path = format!("point[{n}].amplitude");
        if target > transducer.range {
            self.noted.push(plan.error(
                &path,
                format!("{} is beyond the range of {}", acceleration(target), transducer.name),
                format!("its range is {}", acceleration(transducer.range)),
            ));
            return;
        }
        let Some(channel) = self.files.rig.value.channels.get(transducer.channel) else {
            return;
        };
        let swing = OVERSHOOT * target.si() * transducer.sensitivity.si().abs();
        let output = transducer.zero_output.si().abs() + swing;
        if output > channel.range.si() {
            self.noted.push(plan.error(
                &path,
                format!(
                    "{} would put out {} with its offset and 10 % overshoot, more than channel '{}' takes",
                    transducer.name,
                    engineering(output, "V pk"),
                    channel.name
                ),
                format!("the range of the channel is {}", engineering(channel.range.si(), "V pk")),
            ));
        }
    }
}

/// A reference or sensor as far as ranges are concerned.
struct Transducer {
    /// "sensor '4711'"
    name: String,
    range: Accel<Peak>,
    sensitivity: Sensitivity,
    zero_output: VoltsDc,
    /// Number of its channel in the rig.
    channel: usize,
}

/// Highest frequency of a point as a share of the sample rate: below Nyquist with room for an anti-alias filter.
const HIGHEST_FREQUENCY: f64 = 0.4;

/// Largest amplitude on the way to a target, as a multiple of it.
const OVERSHOOT: f64 = 1.1;

/// In m/s² and in g, since data sheets have either.
fn acceleration(value: Accel<Peak>) -> String {
    let g = value.si() / STANDARD_GRAVITY;
    format!("{} pk ({})", engineering(value.si(), "m/s²"), engineering(g, "g pk"))
}
