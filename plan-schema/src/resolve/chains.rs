//! How each transducer meets its channel: what makes volts of its output, its conditioner, the fixture under it.
//!
//! Owns: the chains of references and sensors, and what is wrong with them for the points of the plan.

use super::found::{Found, FoundReference, FoundSensor};
use super::{ResolvedPoint, list};
use crate::chain::{Chain, Part};
use crate::job::{Arrow, Mounted};
use crate::read::Diagnostic;
use crate::registers::{CalibratedAs, ConditionerGain, OutputKind, Reference, ReferenceCalibration, Sensor};
use crate::rig::{Channel, FixturePoint};
use crate::units::{Hertz, engineering};

/// How far above the corner of an AC coupling a response counts as flat: 1/(2 · 100²) is 0.005 % of magnitude.
const ABOVE_CORNER: f64 = 100.0;

/// Volts for one SI unit of a transducer's output, and what comes after.
pub(super) type Meets = (f64, Chain);

impl Found<'_> {
    /// How a reference meets its channel; `key` is where the rig file names it.
    pub(super) fn reference_chain(
        &mut self,
        key: &str,
        reference: &Reference,
        calibration: &ReferenceCalibration,
        channel: &Channel,
    ) -> Option<Meets> {
        let path = format!("{key}.channel");
        if reference.calibrated_as == CalibratedAs::Chain {
            self.same_conditioner(&path, reference, calibration, channel);
            return Some((1.0, Chain::of(channel, true)));
        }
        let kind = calibration.points.first().map_or(OutputKind::Voltage, |p| p.sensitivity.kind());
        let Some(volts) = kind.volts(reference.supply, channel.conditioner_gain) else {
            let (message, remedy) =
                no_volts(&format!("reference '{}'", reference.serial), kind, channel, "supply = \"10 V\"");
            self.noted.push(self.files.rig.error(&path, message, remedy));
            return None;
        };
        Some((volts, Chain::of(channel, false)))
    }

    /// A chain holds for the conditioner and the gain that it was calibrated with, and for no other.
    fn same_conditioner(
        &mut self,
        path: &str,
        reference: &Reference,
        calibration: &ReferenceCalibration,
        channel: &Channel,
    ) {
        let rig = &self.files.rig;
        let named = |serial: &Option<String>| serial.as_ref().map_or("none".to_owned(), |s| format!("'{s}'"));
        let gain = |gain: Option<ConditionerGain>| gain.map_or("none".to_owned(), ConditionerGain::in_words);
        let (with, on) = (&calibration.conditioner, &channel.conditioner);
        let chain = format!("reference '{}' was calibrated as a chain", reference.serial);
        if with.is_some() && with != on {
            self.noted.push(rig.error(
                path,
                format!(
                    "{chain} with conditioner {}, but channel '{}' has {}",
                    named(with),
                    channel.name,
                    named(on)
                ),
                "connect it through that conditioner and write its serial number at the channel, or have the chain \
                 calibrated again",
            ));
        } else if with.is_none() && on.is_some() {
            self.noted.push(rig.warning(
                path,
                format!("{chain}, but its certificate names no conditioner; the channel has {}", named(on)),
                "write conditioner and conditioner_gain of the certificate into the register of references",
            ));
        }
        let (with, on) = (calibration.conditioner_gain, channel.conditioner_gain);
        if with.is_some() && with != on {
            self.noted.push(rig.error(
                path,
                format!("{chain} at a gain of {}, but channel '{}' has {}", gain(with), channel.name, gain(on)),
                "set the conditioner to that gain and write it at the channel, or have the chain calibrated again",
            ));
        }
    }

    /// How a sensor meets its channel, fixture and arrow included.
    pub(super) fn sensor_chain(
        &mut self,
        n: usize,
        mounted: &Mounted,
        sensor: &Sensor,
        channel: &Channel,
    ) -> Option<Meets> {
        let fixture = self.fixture(n, mounted);
        let kind = sensor.nominal_sensitivity.kind();
        let Some(volts) = kind.volts(sensor.supply, channel.conditioner_gain) else {
            let name = format!("sensor '{}'", sensor.serial);
            let (message, remedy) = no_volts(&name, kind, channel, "supply = \"10 V\"");
            if self.sound {
                self.noted.push(self.files.job.error(&format!("mounted[{n}].channel"), message, remedy));
            }
            return None;
        };
        let against = mounted.arrow == Arrow::AgainstMotion;
        Some((volts, Chain::of(channel, false).mounted(fixture?, against)))
    }

    /// What is measured of the place that a sensor stands at; `None` where it names one that is not there.
    fn fixture(&mut self, n: usize, mounted: &Mounted) -> Option<Vec<FixturePoint>> {
        let Some(name) = &mounted.fixture else { return Some(Vec::new()) };
        let (job, rig) = (&self.files.job, &self.files.rig.value);
        let Some(fixture) = rig.fixtures.iter().find(|f| &f.name == name) else {
            self.noted.push(job.error(
                &format!("mounted[{n}].fixture"),
                format!("rig '{}' has no fixture '{name}'", rig.name),
                format!("its fixtures are {}", list(rig.fixtures.iter().map(|f| f.name.as_str()))),
            ));
            return None;
        };
        let mut positions: Vec<&str> = fixture.points.iter().map(|p| p.position.as_str()).collect();
        positions.dedup();
        let Some(position) = &mounted.position else {
            self.noted.push(job.error(
                &format!("mounted[{n}].fixture"),
                format!("nothing says where on fixture '{name}' sensor '{}' stands", mounted.sensor),
                format!("add position = … with one of {}", list(positions.into_iter())),
            ));
            return None;
        };
        let points: Vec<FixturePoint> = fixture.at(position).cloned().collect();
        if points.is_empty() {
            self.noted.push(job.error(
                &format!("mounted[{n}].position"),
                format!("the motion of fixture '{name}' is not measured at '{position}'"),
                format!("it is at {}", list(positions.into_iter())),
            ));
            return None;
        }
        Some(points)
    }

    /// Nothing of a chain is extrapolated, and no coupling is passed over.
    pub(super) fn chains(&mut self, points: &[ResolvedPoint], sensors: &[FoundSensor]) {
        for found in sensors {
            let taken = |n: usize| found.skips.get(n).is_none_or(Option::is_none);
            let frequencies: Vec<Hertz> =
                points.iter().enumerate().filter(|(n, _)| taken(*n)).map(|(_, p)| p.frequency).collect();
            let Some(channel) = self.files.rig.value.channels.get(found.channel) else { continue };
            let name = format!("sensor '{}'", found.sensor.serial);
            let path = format!("mounted[{}].channel", found.entry);
            let job = &self.files.job;
            let place = |message: String, remedy: String| job.error(&path, message, remedy);
            let beyond = unknown(&name, &found.chain, &frequencies, place);
            let coupled =
                found.sensor.corner().is_none().then(|| uncorrected(&name, channel, &frequencies, place));
            self.noted.extend(beyond.into_iter().chain(coupled.flatten()));
        }
    }

    /// The same of a reference that the rig file names under `key`.
    pub(super) fn chain_of_reference(&mut self, key: &str, points: &[ResolvedPoint], found: &FoundReference) {
        let frequencies: Vec<Hertz> = points.iter().map(|p| p.frequency).collect();
        let rig = &self.files.rig;
        let Some(channel) = rig.value.channels.get(found.channel) else { return };
        let name = format!("reference '{}'", found.reference.serial);
        let path = format!("{key}.channel");
        let place = |message: String, remedy: String| rig.error(&path, message, remedy);
        let beyond = unknown(&name, &found.chain, &frequencies, place);
        let coupled = uncorrected(&name, channel, &frequencies, place);
        self.noted.extend(beyond.into_iter().chain(coupled));
    }
}

/// Why nothing makes volts of an output, and what to write.
fn no_volts(name: &str, kind: OutputKind, channel: &Channel, excitation: &str) -> (String, String) {
    let set = channel.conditioner_gain.map_or("none".to_owned(), ConditionerGain::in_words);
    let fits = kind.volts(Some(crate::units::VoltsDc::new(1.0)), channel.conditioner_gain).is_some();
    if fits {
        return (
            format!("{name} puts out {}, but nothing says what excites it", kind.in_words()),
            format!("add {excitation} to its entry in the register"),
        );
    }
    (
        format!(
            "{name} puts out {}; the conditioner's gain on channel '{}' is {set}",
            kind.in_words(),
            channel.name
        ),
        format!("write at the channel {}", kind.takes()),
    )
}

/// Frequencies in a row.
fn row(frequencies: impl Iterator<Item = Hertz>) -> String {
    frequencies.map(|f| engineering(f.si(), "Hz")).collect::<Vec<_>>().join(", ")
}

fn unknown(
    name: &str,
    chain: &Chain,
    frequencies: &[Hertz],
    place: impl Fn(String, String) -> Diagnostic,
) -> Vec<Diagnostic> {
    let look = |(part, lowest, highest): (Part, Hertz, Hertz)| {
        let out = row(frequencies.iter().copied().filter(|f| *f < lowest || *f > highest));
        let what = match part {
            Part::Fixture => "motion of the fixture under",
            _ => "response of the conditioner of",
        };
        (!out.is_empty()).then(|| {
            place(
                format!("the {what} {name} is not known at {out}"),
                format!(
                    "it is from {} to {}; measure it over the band of the plan",
                    engineering(lowest.si(), "Hz"),
                    engineering(highest.si(), "Hz")
                ),
            )
        })
    };
    chain.known_within().into_iter().filter_map(look).collect()
}

fn uncorrected(
    name: &str,
    channel: &Channel,
    frequencies: &[Hertz],
    place: impl Fn(String, String) -> Diagnostic,
) -> Option<Diagnostic> {
    let corner =
        channel.ac_corner.filter(|_| channel.ac_corner_u.is_none() && channel.response.is_empty())?;
    let near = row(frequencies.iter().copied().filter(|f| *f < corner * ABOVE_CORNER));
    (!near.is_empty()).then(|| {
        place(
            format!(
                "{name} reaches down to 0 Hz, but channel '{}' is coupled for AC with a corner of {}, too near {near}",
                channel.name,
                engineering(corner.si(), "Hz")
            ),
            "couple it for DC, or write ac_corner_u, how well the corner is known, to have it taken out".to_owned(),
        )
    })
}
