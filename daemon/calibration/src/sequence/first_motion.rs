//! The first motion of a run: the smallest that reference and sensors resolve, and what it tells before anything large moves.
//!
//! Owns: which motion that is ([`Opening`]), and what is judged from its waveforms: sign and gain from drive to reference
//! against the rig file, rough sensitivity and polarity of each sensor against the register. Depends on its arguments
//! alone, so that a recomputed run judges the same.
//!
//! The sign of the reference needs the phase of the drive, which nobody samples: a source that starts a tone at phase zero
//! tells it as well as the moment of its start is known. Where that is worse than a sixth of a cycle, no sign is judged.

use super::finding::{Finding, FindingKind};
use super::quiet::QuietRecord;
use super::setup::Setup;
use crate::estimate::Running;
use crate::interlock::{Trip, TripReason};
use nalgebra::Complex;
use plan_schema::registers::Polarity;
use plan_schema::resolve::{MountedSensor, ResolvedJob};
use plan_schema::units::{Accel, Hertz, Peak, SampleCount, SampleIndex, Seconds, Volts, engineering};
use std::f64::consts::{PI, TAU};
use std::sync::Arc;

/// How certain the moment of the tone's start has to be for a sign to be judged, in cycles.
const SIGN_WITHIN_CYCLES: f64 = 1.0 / 6.0;

/// Signal over the standard deviation of its fit, for the reference and for sensors.
const RESOLVED: (f64, f64) = (100.0, 20.0);

/// Largest first motion: a share of rated stroke, of the acceleration limit and of the drive limit.
const LARGEST_SHARE: f64 = 0.05;

/// Smallest first motion as a share of rated stroke: below it nothing would be seen by anybody who watches.
const SMALLEST_SHARE: f64 = 0.002;

/// Measured over foreseen gain beyond which, either way, the rig is not the one of its file: the knob of the amplifier, a
/// payload that is not mounted, another reference.
const GAIN_WITHIN: f64 = 1.8;

/// Share of the foreseen response below which nothing came.
const NOTHING_BELOW: f64 = 0.1;

/// Harmonics fitted beside the motion.
const HARMONICS: u32 = 3;

/// Cycles recorded, and the shortest time.
const CYCLES: f64 = 2.0;
const SHORTEST: Seconds = Seconds::new(0.5);

/// The motion with which a run opens.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Opening {
    /// Its frequency.
    pub frequency: Hertz,
    /// How long it is recorded.
    pub length: Seconds,
}

impl Opening {
    /// The opening motion of a job: slow enough to tell a sign, within the frequencies of the plan.
    #[must_use]
    pub fn of(job: &ResolvedJob) -> Self {
        let frequencies = || job.points.iter().map(|p| p.frequency.si());
        let lowest = frequencies().fold(f64::INFINITY, f64::min);
        let highest = frequencies().fold(0.0, f64::max);
        let source = job.rig.roles.source.split('.').next().unwrap_or_default();
        let latency = job.rig.instruments.iter().find(|i| i.name == source).map_or(0.05, |i| i.latency.si());
        let slow_enough = SIGN_WITHIN_CYCLES / latency.max(1e-4);
        let frequency = slow_enough.clamp(lowest.min(highest), highest.max(lowest));
        let length = Seconds::new((CYCLES / frequency).max(SHORTEST.si()));
        Self { frequency: Hertz::new(frequency), length }
    }

    /// The smallest motion that everybody resolves, given what the channels show at rest.
    #[must_use]
    pub fn target(&self, setup: &Setup, rest: &QuietRecord) -> Accel<Peak> {
        let job = &setup.job;
        let samples = (self.length.si() * job.rig.acquisition.rate.si()).max(2.0);
        // Standard deviation of a fitted amplitude in white noise, σ √(2/N) (IEEE 1057).
        let deviation = |column: usize| {
            let noise =
                rest.columns.get(column).and_then(|r| r.as_ref().ok()).map_or(0.0, |r| r.noise_rms.si());
            noise * (2.0 / samples).sqrt()
        };
        let reference = setup.sensitivity_near(self.frequency).si();
        let mut wanted = RESOLVED.0 * deviation(job.reference.column) / reference;
        for sensor in &job.sensors {
            let sensitivity = sensor.nominal_at(self.frequency).si().abs();
            wanted = wanted.max(RESOLVED.1 * deviation(sensor.column) / sensitivity);
        }
        let shaker = &job.rig.shaker;
        let of_stroke = |share: f64| (shaker.rated_stroke * share).acceleration_at(self.frequency).si();
        let per_volt = setup.plant.acceleration_per_volt(self.frequency).norm();
        let largest = of_stroke(LARGEST_SHARE)
            .min(shaker.acceleration_limit.si() * LARGEST_SHARE)
            .min(shaker.drive_limit.si() * LARGEST_SHARE * per_volt);
        Accel::new(wanted.max(of_stroke(SMALLEST_SHARE)).min(largest))
    }
}

/// What was recorded of it.
#[derive(Debug, Clone, PartialEq)]
pub struct FirstMotion {
    /// Frequency as the source applied it.
    pub frequency: Hertz,
    /// Drive as the source applied it.
    pub drive: Volts<Peak>,
    /// The tone began at the earliest at the one and at the latest at the other, rising from zero; `None` where the source
    /// does not say at which phase it begins.
    pub began: Option<(SampleIndex, SampleIndex)>,
    /// First sample.
    pub first_sample: SampleIndex,
    /// Samples, a vector a column, in volts; empty once they are stored.
    pub samples: Arc<Vec<Vec<f32>>>,
    /// What they tell.
    pub verdict: Verdict,
}

/// What the first motion tells.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Verdict {
    /// Amplitude that the reference shows.
    pub acceleration: Option<Accel<Peak>>,
    /// Why nothing may move any further.
    pub trip: Option<Trip>,
    /// Why the run ends in good order.
    pub failure: Option<String>,
    /// What was found against sensors; each of them takes no part in the run any more.
    pub findings: Vec<Finding>,
}

impl Verdict {
    /// For each sensor of the job, whether it is out of the run.
    #[must_use]
    pub fn excluded(&self, job: &ResolvedJob) -> Vec<bool> {
        job.sensors.iter().map(|s| self.findings.iter().any(|f| f.column == Some(s.column))).collect()
    }
}

impl FirstMotion {
    /// Judges what was recorded.
    #[must_use]
    pub fn of(
        setup: &Setup,
        rest: Option<&QuietRecord>,
        (frequency, drive): (Hertz, Volts<Peak>),
        began: Option<(SampleIndex, SampleIndex)>,
        first_sample: SampleIndex,
        samples: Arc<Vec<Vec<f32>>>,
    ) -> Self {
        let mut motion = Self { frequency, drive, began, first_sample, samples, verdict: Verdict::default() };
        motion.verdict = match motion.amplitudes(setup) {
            Some(amplitudes) => motion.judge(setup, rest, &amplitudes),
            None => Verdict {
                failure: Some(
                    "the first motion can't be estimated: too few samples, or one is no number".into(),
                ),
                ..Verdict::default()
            },
        };
        motion
    }

    /// Complex amplitude of each column, V peak, phase at the first sample. Each by itself: a reference that shows nothing
    /// is no reason not to look.
    fn amplitudes(&self, setup: &Setup) -> Option<Vec<Complex<f64>>> {
        let rate = setup.job.rig.acquisition.rate;
        let of = |column: &Vec<f32>| {
            let mut fit = Running::new(self.frequency, rate, HARMONICS).ok()?;
            fit.push(column);
            fit.estimate().map(|found| found.amplitude)
        };
        self.samples.iter().map(of).collect()
    }

    fn judge(&self, setup: &Setup, rest: Option<&QuietRecord>, seen: &[Complex<f64>]) -> Verdict {
        let job = &setup.job;
        let of_reference = seen.get(job.reference.column).copied().unwrap_or_default();
        // Complex, so that a reference that is calibrated the other way round is no surprise.
        let moved = of_reference / setup.response_near(self.frequency);
        let acceleration = moved.norm();
        let foreseen = setup.plant.acceleration_per_volt(self.frequency) * self.drive.si();
        let gain = acceleration / foreseen.norm();
        let mut verdict = Verdict { acceleration: Some(Accel::new(acceleration)), ..Verdict::default() };
        if gain < NOTHING_BELOW {
            verdict.trip = Some(self.nothing_came(job, seen, foreseen.norm(), acceleration));
        } else if self.sign(setup, moved, foreseen) == Some(false) {
            verdict.trip = Some(reversed());
        } else if !(1.0 / GAIN_WITHIN..=GAIN_WITHIN).contains(&gain) {
            verdict.failure = Some(format!(
                "the first motion was {} where the rig file foresees {}: {gain:.2} times. Check the amplifier's gain, the \
                 payload and the reference.",
                engineering(acceleration, "m/s² pk"),
                engineering(foreseen.norm(), "m/s² pk")
            ));
        } else {
            let of = |sensor| {
                rest.and_then(|r| r.against_register(job, sensor))
                    .or_else(|| self.against_register(setup, sensor, seen, moved))
            };
            verdict.findings = job.sensors.iter().filter_map(of).collect();
            if !job.sensors.is_empty() && verdict.findings.len() == job.sensors.len() {
                verdict.failure =
                    Some("no sensor is as the register says: nothing is left to measure".into());
            }
        }
        verdict
    }

    /// No motion, or a reference that does not see it: the sensors tell which.
    fn nothing_came(&self, job: &ResolvedJob, seen: &[Complex<f64>], foreseen: f64, found: f64) -> Trip {
        let moved = job.sensors.iter().any(|sensor| {
            let amplitude = seen.get(sensor.column).map_or(0.0, |a| a.norm());
            amplitude > 0.5 * sensor.nominal_at(self.frequency).si().abs() * foreseen
        });
        let (foreseen, found) = (engineering(foreseen, "m/s² pk"), engineering(found, "m/s² pk"));
        if moved {
            let message = format!(
                "the reference shows {found} of a first motion of {foreseen} that a sensor sees: its line is open or its \
                 conditioner off. Check it, then acknowledge."
            );
            return Trip {
                channel: job.columns.get(job.reference.column).map(|c| c.name.clone()),
                ..Trip::plain(TripReason::ReferenceOpen, message)
            };
        }
        let message = format!(
            "a first motion of {foreseen} was asked for and nothing moved ({found}). The source, the amplifier's gain, the \
             coil's connection or a transport lock may be the cause. Check them, then acknowledge."
        );
        Trip::plain(TripReason::SourceNotFollowing, message)
    }

    /// Whether drive and reference agree in sign; `None` where it can't be told.
    fn sign(&self, setup: &Setup, moved: Complex<f64>, foreseen: Complex<f64>) -> Option<bool> {
        let (earliest, latest) = self.began?;
        let rate = setup.job.rig.acquisition.rate.si();
        let cycles = |samples: SampleCount| samples.0 as f64 / rate * self.frequency.si();
        if latest < earliest || cycles(latest - earliest) > SIGN_WITHIN_CYCLES * 1.01 {
            return None;
        }
        let since = self.first_sample.0 as f64 - f64::midpoint(earliest.0 as f64, latest.0 as f64);
        // The drive is V sin ω(t − t₀): a quarter behind the cosine that amplitudes refer to.
        let turned = TAU * since / rate * self.frequency.si() - PI / 2.0;
        let expected = foreseen * Complex::from_polar(1.0, turned);
        Some((moved * expected.conj()).re > 0.0)
    }

    fn against_register(
        &self,
        setup: &Setup,
        sensor: &MountedSensor,
        seen: &[Complex<f64>],
        acceleration: Complex<f64>,
    ) -> Option<Finding> {
        let facts = &sensor.sensor;
        if !sensor.sensor.is_within_band(self.frequency) {
            return None;
        }
        let response = seen.get(sensor.column)? / acceleration;
        // Along its arrow, and as it would be without what comes after it.
        let response = match sensor.chain.at(self.frequency) {
            None => response,
            Some(chain) => response / Complex::from_polar(chain.magnitude, chain.phase.si()),
        };
        let share = setup.job.columns.get(sensor.column).map_or(1.0, |c| facts.seen_by(c).1);
        let expected = sensor.nominal.si().abs() * share;
        let off = (response.norm() / expected - 1.0).abs() * 100.0;
        let limit = facts.sensitivity_tolerance.percent();
        let column = Some(sensor.column);
        if response.norm() < NOTHING_BELOW * expected {
            let message = format!(
                "sensor '{}' does not answer to the first motion: a cable, its supply or its conditioner",
                facts.serial
            );
            let (seen, least) =
                (response.norm() * acceleration.norm(), NOTHING_BELOW * expected * acceleration.norm());
            return Some(Finding::beyond(FindingKind::SensorOpen, column, seen, least, "v", message));
        }
        if off > limit {
            let message = format!(
                "sensor '{}' answers to the first motion with {off:.0} % off its nominal sensitivity, {limit:.0} % is \
                 allowed: another sensor, range or conditioner than the register says",
                facts.serial
            );
            return Some(Finding::beyond(
                FindingKind::RegisterMismatch,
                column,
                off,
                limit,
                "percent",
                message,
            ));
        }
        let positive = response.re > 0.0;
        (positive != (facts.polarity == Polarity::Normal)).then(|| {
            let message = format!(
                "sensor '{}' answers with the other sign than the register says: its arrow, its wiring, or the register",
                facts.serial
            );
            Finding::plain(FindingKind::Polarity, column, message)
        })
    }
}

fn reversed() -> Trip {
    let message = "the reference answers to the first motion with the wrong sign: its wiring, its arrow, or the coil's \
                   connection is reversed. Check them, then acknowledge.";
    Trip::plain(TripReason::ReferenceReversed, message)
}
