//! What is measured beside the sensors to see whether the rig still measures right: check standards, a second reference.
//!
//! Owns: [`Witness`], and what each is expected to show. Must not: judge; the calibration core does.

use super::MountedSensor;
use super::found::{Found, FoundReference};
use crate::registers::ReferencePoint;
use crate::rig::Channel;
use crate::units::{Fraction, Hertz, Radians, Sensitivity, engineering};

/// Something that is no sensor under test, but whose sensitivity is known and looked at.
#[derive(Debug, Clone, PartialEq)]
pub struct Witness {
    /// Its serial number, in the register of sensors or of references.
    pub serial: String,
    /// What it is.
    pub role: WitnessRole,
    /// Its column.
    pub column: usize,
    /// Its nominal sensitivity as its channel sees it; of a reference that of the middle of its calibration.
    pub nominal: Sensitivity,
    /// What it is expected to show, ascending in frequency.
    pub expected: Vec<Expected>,
}

/// What a witness is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum WitnessRole {
    /// A sensor that the laboratory keeps and knows.
    CheckStandard,
    /// A second calibrated reference in the rig.
    SecondReference,
}

/// What a witness is expected to show at one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expected {
    /// Frequency.
    pub frequency: Hertz,
    /// Magnitude of the sensitivity as its channel sees it.
    pub sensitivity: Sensitivity,
    /// Phase of the output against the acceleration, lag negative; of a check standard it is not known.
    pub phase: Option<Radians>,
    /// Largest deviation from that magnitude. Of a second reference `√(U₁² + U₂²)`, the expanded uncertainties of both
    /// certificates.
    pub limit: Fraction,
}

impl Witness {
    /// Expected sensitivity and limit at a frequency, straight over the logarithm of frequency between the entries; `None`
    /// outside them.
    #[must_use]
    pub fn expected_at(&self, frequency: Hertz) -> Option<(Sensitivity, Fraction)> {
        let (lower, upper, share) = between(&self.expected, |e| e.frequency, frequency)?;
        let straight = |from: f64, to: f64| from + (to - from) * share;
        Some((
            Sensitivity::new(straight(lower.sensitivity.si(), upper.sensitivity.si())),
            Fraction::new(straight(lower.limit.si(), upper.limit.si())),
        ))
    }

    /// The witness that a mounted check standard is, on `channel`.
    pub(super) fn of_check_standard(mounted: &MountedSensor, channel: &Channel) -> Self {
        let sensor = &mounted.sensor;
        let (_, share) = sensor.seen_by(channel);
        Self {
            serial: sensor.serial.clone(),
            role: WitnessRole::CheckStandard,
            column: mounted.column,
            nominal: mounted.nominal * share,
            expected: sensor
                .expected
                .iter()
                .map(|e| Expected {
                    frequency: e.frequency,
                    sensitivity: e.sensitivity.in_volts(mounted.volts) * share,
                    phase: None,
                    limit: e.limit,
                })
                .collect(),
        }
    }

    /// The witness that a second reference is beside the first.
    pub(super) fn of_reference(second: &FoundReference, first: &FoundReference, column: usize) -> Self {
        let points = &second.calibration.points;
        Self {
            serial: second.reference.serial.clone(),
            role: WitnessRole::SecondReference,
            column,
            nominal: points.get(points.len() / 2).map_or(Sensitivity::ZERO, |p| second.in_volts(p)),
            expected: expected_of(second, first),
        }
    }
}

impl Found<'_> {
    /// The second reference has to take every point; where the two can't be compared is said.
    pub(super) fn second_reach(
        &mut self,
        points: &[super::ResolvedPoint],
        second: &FoundReference,
        first: &FoundReference,
    ) {
        for point in points {
            self.reference_range(point, second);
        }
        let expected = expected_of(second, first);
        let alone = uncovered(points, &expected);
        if !alone.is_empty() {
            let rig = &self.files.rig;
            self.noted.push(rig.warning(
                "second_reference.serial",
                format!("the two references can't be compared at {alone}: not both are calibrated there"),
                "have the second reference calibrated over the band of the plan",
            ));
        }
    }

    /// Says where a check standard is not expected to show anything.
    pub(super) fn check_standards(
        &mut self,
        points: &[super::ResolvedPoint],
        sensors: &[super::found::FoundSensor],
    ) {
        for found in sensors.iter().filter(|s| !s.is_under_test() && !s.sensor.expected.is_empty()) {
            let frequencies: Vec<Hertz> = found.sensor.expected.iter().map(|e| e.frequency).collect();
            let alone = uncovered_by(points, |f| between(&frequencies, |f| *f, f).is_some());
            if !alone.is_empty() {
                let job = &self.files.job;
                self.noted.push(job.warning(
                    &format!("mounted[{}].sensor", found.entry),
                    format!("check standard '{}' is compared with nothing at {alone}", found.sensor.serial),
                    format!(
                        "add what it is expected to show there to its entry in {}",
                        self.files.sensors.source.name
                    ),
                ));
            }
        }
    }
}

/// What the second reference is expected to show at each frequency of its certificate that lies within the first's.
fn expected_of(second: &FoundReference, first: &FoundReference) -> Vec<Expected> {
    let uncertainty = |frequency: Hertz| {
        let points: &[ReferencePoint] = &first.calibration.points;
        let (lower, upper, share) = between(points, |p| p.frequency, frequency)?;
        Some(lower.u.si() + (upper.u.si() - lower.u.si()) * share)
    };
    let points = second.calibration.points.iter();
    points
        .filter_map(|p| {
            Some(Expected {
                frequency: p.frequency,
                sensitivity: second.in_volts(p),
                phase: p.phase,
                limit: Fraction::new(p.u.si().hypot(uncertainty(p.frequency)?)),
            })
        })
        .collect()
}

/// Frequencies of the plan at which nothing is expected, in a row.
fn uncovered(points: &[super::ResolvedPoint], expected: &[Expected]) -> String {
    uncovered_by(points, |f| between(expected, |e| e.frequency, f).is_some())
}

fn uncovered_by(points: &[super::ResolvedPoint], covered: impl Fn(Hertz) -> bool) -> String {
    let alone = points.iter().map(|p| p.frequency).filter(|f| !covered(*f));
    alone.map(|f| engineering(f.si(), "Hz")).collect::<Vec<_>>().join(", ")
}

/// The entries about a frequency and where it lies between them over the logarithm of frequency, from 0 to 1; `None`
/// outside. Entries ascend in frequency.
fn between<T>(entries: &[T], of: impl Fn(&T) -> Hertz, frequency: Hertz) -> Option<(&T, &T, f64)> {
    let after = entries.partition_point(|e| of(e) < frequency);
    let upper = entries.get(after)?;
    if of(upper) == frequency {
        return Some((upper, upper, 0.0));
    }
    let lower = entries.get(after.checked_sub(1)?)?;
    let ln = |f: Hertz| f.si().ln();
    let share = (ln(frequency) - ln(of(lower))) / (ln(of(upper)) - ln(of(lower)));
    Some((lower, upper, share))
}
