//! Looks up in one file of a job what another names, and takes down where they disagree.

use super::{JobFiles, ResolvedPoint, list};
use crate::chain::Chain;
use crate::job::{Mounted, MountedRole};
use crate::read::{Diagnostic, nearest};
use crate::registers::{Reference, ReferenceCalibration, ReferencePoint, Sensor};
use crate::rig::ReferenceMount;
use crate::units::{Accel, Hertz, Peak, Sensitivity, engineering};
use std::collections::{BTreeMap, BTreeSet};

/// A reference where it was found: its calibration in force and the number of its channel in the rig.
#[derive(Debug, Clone)]
pub(super) struct FoundReference {
    pub(super) reference: Reference,
    pub(super) calibration: ReferenceCalibration,
    pub(super) channel: usize,
    /// Volts for one SI unit of its output.
    pub(super) volts: f64,
    pub(super) chain: Chain,
}

/// A sensor where it was found, with the numbers of its channels in the rig.
#[derive(Debug, Clone)]
pub(super) struct FoundSensor {
    /// Number of its entry in the job.
    pub(super) entry: usize,
    pub(super) sensor: Sensor,
    pub(super) mounted: Mounted,
    pub(super) channel: usize,
    /// Volts for one SI unit of its output.
    pub(super) volts: f64,
    pub(super) chain: Chain,
    /// The channel that reads its supply.
    pub(super) supply: Option<usize>,
    /// Point by point why it alone is left out.
    pub(super) skips: Vec<Option<String>>,
}

impl FoundReference {
    /// Its sensitivity in volts on a line of its certificate.
    pub(super) fn in_volts(&self, point: &ReferencePoint) -> Sensitivity {
        point.sensitivity.in_volts(self.volts)
    }
}

impl FoundSensor {
    /// True if a frequency lies within the sensor's band.
    pub(super) fn is_within_band(&self, frequency: Hertz) -> bool {
        self.sensor.is_within_band(frequency)
    }

    /// True for what is to be calibrated.
    pub(super) fn is_under_test(&self) -> bool {
        self.mounted.role == MountedRole::Sensor
    }
}

/// What was found so far while the files are put together.
pub(super) struct Found<'a> {
    pub(super) files: &'a JobFiles,
    /// The points of the plan.
    pub(super) points: Vec<ResolvedPoint>,
    pub(super) noted: Vec<Diagnostic>,
    /// False where the figures of the rig or of the sensors are wrong by themselves: nothing is concluded from them.
    pub(super) sound: bool,
}

/// Channels that are taken already, and by what.
type Taken<'a> = BTreeMap<&'a str, String>;

impl<'a> Found<'a> {
    pub(super) fn reference(&mut self) -> Option<FoundReference> {
        self.mount("reference", &self.files.rig.value.reference)
    }

    /// The second reference, if the rig has one: another than the first, on a channel of its own.
    pub(super) fn second_reference(&mut self) -> Option<FoundReference> {
        let rig = &self.files.rig;
        let second = rig.value.second_reference.as_ref()?;
        let first = &rig.value.reference;
        let displacement = rig.value.displacement.as_ref().map(|d| d.channel.as_str());
        if second.serial == first.serial {
            self.noted.push(rig.error(
                "second_reference.serial",
                format!("'{}' is the first reference already", second.serial),
                "name another one; it is there to be compared with the first",
            ));
        }
        for (channel, by) in
            [(Some(first.channel.as_str()), "the reference"), (displacement, "the displacement transducer")]
        {
            if channel == Some(second.channel.as_str()) {
                self.noted.push(rig.error(
                    "second_reference.channel",
                    format!("channel '{}' is taken by {by}", second.channel),
                    "connect the second reference to a channel of its own",
                ));
            }
        }
        self.mount("second_reference", second)
    }

    /// Looks up a reference that the rig file names under `key`.
    fn mount(&mut self, key: &str, mount: &ReferenceMount) -> Option<FoundReference> {
        let rig = &self.files.rig;
        let channel = rig.value.channels.iter().position(|c| c.name == mount.channel);
        if channel.is_none() && !any_twice(rig.value.channels.iter().map(|c| c.name.as_str())) {
            let names = list(rig.value.channels.iter().map(|c| c.name.as_str()));
            self.noted.push(rig.error(
                &format!("{key}.channel"),
                format!("the rig has no channel '{}'", mount.channel),
                format!("its channels are {names}"),
            ));
        }
        let register = &self.files.references;
        let Some(reference) = register.value.references.iter().find(|r| r.serial == mount.serial) else {
            let known: Vec<&str> = register.value.references.iter().map(|r| r.serial.as_str()).collect();
            if !any_twice(known.iter().copied()) {
                self.noted.push(rig.error(
                    &format!("{key}.serial"),
                    format!("the register {} has no reference '{}'", register.source.name, mount.serial),
                    meant(&mount.serial, &known),
                ));
            }
            return None;
        };
        let Some(calibration) = reference.current().filter(|c| !c.points.is_empty()) else {
            self.noted.push(rig.error(
                &format!("{key}.serial"),
                format!("reference '{}' has no calibration with points", mount.serial),
                format!("enter its last certificate in the register {}", register.source.name),
            ));
            return None;
        };
        let (channel, rig) = (channel?, &self.files.rig.value);
        let (volts, chain) = self.reference_chain(key, reference, calibration, rig.channels.get(channel)?)?;
        Some(FoundReference {
            reference: reference.clone(),
            calibration: calibration.clone(),
            channel,
            volts,
            chain,
        })
    }

    /// Everything that the job mounts, sensors under test and check standards, in its order.
    pub(super) fn sensors(&mut self) -> Vec<FoundSensor> {
        let job = &self.files.job;
        let rig = &self.files.rig.value;
        let register = &self.files.sensors;
        let mut taken = Taken::new();
        taken.insert(&rig.reference.channel, "the reference".to_owned());
        if let Some(second) = &rig.second_reference {
            taken.insert(&second.channel, "the second reference".to_owned());
        }
        if let Some(displacement) = &rig.displacement {
            taken.insert(&displacement.channel, "the displacement transducer".to_owned());
        }
        if let Some(monitor) = &rig.drive_monitor {
            taken.insert(&monitor.channel, "the drive monitor".to_owned());
        }
        let known: Vec<&str> = register.value.sensors.iter().map(|s| s.serial.as_str()).collect();
        let mut sensors = Vec::new();
        for (n, mounted) in job.value.mounted.iter().enumerate() {
            let path = |key: &str| format!("mounted[{n}].{key}");
            let by = format!("sensor '{}'", mounted.sensor);
            let own = "connect this sensor to a channel of its own";
            let channel = self.claim(&mut taken, &path("channel"), &mounted.channel, by, own);
            let sensor = register.value.sensors.iter().find(|s| s.serial == mounted.sensor);
            if sensor.is_none() && !any_twice(known.iter().copied()) {
                let references = &self.files.references;
                let mut others = references.value.references.iter();
                let remedy = match others.any(|reference| reference.serial == mounted.sensor) {
                    true => format!(
                        "it is a reference in {}: the rig's file says where it is connected",
                        references.source.name
                    ),
                    false => meant(&mounted.sensor, &known),
                };
                self.noted.push(job.error(
                    &path("sensor"),
                    format!("the register {} has no sensor '{}'", register.source.name, mounted.sensor),
                    remedy,
                ));
            }
            let supply = self.supply(&mut taken, n, mounted, sensor);
            let Some(sensor) = sensor else { continue };
            if mounted.role == MountedRole::CheckStandard && sensor.expected.is_empty() {
                self.noted.push(job.error(
                    &path("sensor"),
                    format!("nothing says what sensor '{}' has to show as a check standard", sensor.serial),
                    format!(
                        "add a table [[sensor.expected]] for each frequency to its entry in {}, or write role = \
                         \"sensor\"",
                        register.source.name
                    ),
                ));
            }
            let Some((channel, facts)) = channel.and_then(|c| Some((c, rig.channels.get(c)?))) else {
                continue;
            };
            if let Some((volts, chain)) = self.sensor_chain(n, mounted, sensor, facts) {
                sensors.push(FoundSensor {
                    entry: n,
                    sensor: sensor.clone(),
                    mounted: mounted.clone(),
                    channel,
                    volts,
                    chain,
                    supply,
                    skips: vec![None; self.points.len()],
                });
            }
        }
        sensors
    }

    /// Number of the channel `name`, now taken by `by`; notes where the rig has no such channel, or another took it.
    fn claim(
        &mut self,
        taken: &mut Taken<'a>,
        path: &str,
        name: &'a str,
        by: String,
        remedy: &str,
    ) -> Option<usize> {
        let (job, rig) = (&self.files.job, &self.files.rig.value);
        let channel = rig.channels.iter().position(|c| c.name == name);
        if channel.is_none() {
            if any_twice(rig.channels.iter().map(|c| c.name.as_str())) {
                return None;
            }
            self.noted.push(job.error(
                path,
                format!("rig '{}' has no channel '{name}'", rig.name),
                format!("its channels are {}", list(rig.channels.iter().map(|c| c.name.as_str()))),
            ));
        } else if let Some(other) = taken.insert(name, by) {
            self.noted.push(job.error(path, format!("channel '{name}' is taken by {other}"), remedy));
        }
        channel
    }

    /// The channel that reads a sensor's supply: it has to be able to.
    fn supply(
        &mut self,
        taken: &mut Taken<'a>,
        n: usize,
        mounted: &'a Mounted,
        sensor: Option<&Sensor>,
    ) -> Option<usize> {
        let name = mounted.supply_channel.as_ref()?;
        let path = format!("mounted[{n}].supply_channel");
        let by = format!("the supply of sensor '{}'", mounted.sensor);
        let own = "have this supply read by a channel of its own";
        let number = self.claim(taken, &path, name, by, own)?;
        let (job, sensor) = (&self.files.job, sensor?);
        let channel = self.files.rig.value.channels.get(number)?;
        let Some(supply) = sensor.supply else {
            self.noted.push(job.error(
                &path,
                format!("nothing says what the supply of sensor '{}' should be", sensor.serial),
                format!(
                    "add supply = \"12 V\" or what it is to its entry in {}, or remove the channel",
                    self.files.sensors.source.name
                ),
            ));
            return None;
        };
        let highest = supply.si() * (1.0 + sensor.supply_tolerance.si());
        if channel.ac_corner.is_some() {
            self.noted.push(job.error(
                &path,
                format!("channel '{name}' is coupled for AC and can't show a supply"),
                "name a channel with DC coupling",
            ));
        } else if channel.conditioner.is_some() || channel.conditioner_gain.is_some() {
            self.noted.push(job.error(
                &path,
                format!("channel '{name}' has a conditioner and can't show a supply as it is"),
                "name a channel without",
            ));
        } else if highest > channel.range.si() {
            self.noted.push(job.error(
                &path,
                format!(
                    "the supply may reach {}, more than channel '{name}' takes",
                    engineering(highest, "V")
                ),
                format!("the range of the channel is {}", engineering(channel.range.si(), "V pk")),
            ));
        }
        Some(number)
    }

    /// What the acquisition and the reference can take of the points.
    pub(super) fn points(&mut self, reference: Option<&FoundReference>) {
        let rate = self.files.rig.value.acquisition.rate;
        let highest = Hertz::new(rate.si() * HIGHEST_FREQUENCY);
        for point in self.points.clone() {
            if point.frequency > highest && rate.si() > 0.0 {
                self.noted.push(self.files.plan.error(
                    &point.origin.path("frequency"),
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
            if point.frequency > Hertz::ZERO {
                if let Some(reference) = reference {
                    self.reference_band(&point, reference);
                }
                self.hum(&point);
            }
        }
    }

    /// Never extrapolated: a point has to lie within the reference's calibration and range.
    fn reference_band(&mut self, point: &ResolvedPoint, found: &FoundReference) {
        let plan = &self.files.plan;
        let FoundReference { reference, calibration, .. } = found;
        let (Some(first), Some(last)) = (calibration.points.first(), calibration.points.last()) else {
            return;
        };
        if point.frequency < first.frequency || point.frequency > last.frequency {
            self.noted.push(plan.error(
                &point.origin.path("frequency"),
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
        self.amplitude_band(point, found);
        if self.sound {
            self.reference_range(point, found);
        }
    }

    /// Nor in amplitude: a calibration holds where it was done.
    fn amplitude_band(&mut self, point: &ResolvedPoint, found: &FoundReference) {
        let target = point.target;
        let calibration = &found.calibration;
        let below = calibration.amplitude_min.filter(|lowest| target < *lowest);
        let above = calibration.amplitude_max.filter(|highest| target > *highest);
        let Some((limit, which)) = below.map(|l| (l, "lowest")).or_else(|| above.map(|l| (l, "highest")))
        else {
            return;
        };
        let metres = |a: Accel<Peak>| engineering(a.si(), "m/s² pk");
        self.noted.push(self.files.plan.error(
            &point.origin.path("amplitude"),
            format!(
                "{} lies outside the calibration of reference '{}'",
                metres(target),
                found.reference.serial
            ),
            format!("the {which} amplitude at which it is calibrated is {}", metres(limit)),
        ));
    }
}

/// Whether a name is in a list twice: then another that is missing was probably meant by one of the two, which is said already.
fn any_twice<'a>(names: impl Iterator<Item = &'a str>) -> bool {
    let mut seen = BTreeSet::new();
    let mut names = names;
    names.any(|name| !seen.insert(name))
}

/// Highest frequency of a point or tone as a share of the sample rate: below Nyquist with room for an anti-alias filter.
pub(super) const HIGHEST_FREQUENCY: f64 = 0.4;

/// The serial number that was meant, where one is near; else all that a register has.
fn meant(written: &str, known: &[&str]) -> String {
    let all = list(known.iter().copied());
    match nearest(written, known) {
        Some(serial) => format!("did you mean '{serial}'? It has {all}"),
        None => format!("it has {all}"),
    }
}
