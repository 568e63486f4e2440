//! The reference as it truly is. Pure.
//!
//! Owns: its response as its certificate states it (linear over the logarithm of frequency), off by one draw within the
//! certificate's uncertainty, which a laboratory can't know.
//!
//! A table is no filter. But the armature moves at the frequency of the source, so the sensitivity at that frequency counts
//! for all, and the phase there for that frequency ([`Tuned`]): whatever is steady or much slower or faster is seen as by a
//! flat reference.

use crate::channel::Source;
use crate::error::SimError;
use crate::output::{Line, When};
use crate::sensor::{STATED_AT, rms_per_sample};
use crate::spread::Unknowns;
use crate::tuned::Tuned;
use plan_schema::registers::ReferencePoint;
use plan_schema::resolve::MountedReference;
use plan_schema::units::SamplesPerSecond;

/// The reference transducer.
#[derive(Clone)]
pub(crate) struct ReferenceTruth {
    table: Vec<Row>,
    temperature_coefficient: f64,
    zero_output: f64,
    /// Share of the transverse acceleration.
    cross_axis: f64,
    /// White noise in V rms per sample, and the corner of 1/f noise in Hz.
    noise: (f64, f64),
    sensitivity: f64,
    /// Turns the phase of the acceleration.
    tuned: Tuned,
    rate: f64,
    /// Motion as it is seen over the stretch that is being simulated, then the output in V.
    pub(crate) signal: Vec<f64>,
}

/// One frequency of the true response.
#[derive(Clone)]
struct Row {
    log_frequency: f64,
    sensitivity: f64,
    phase: f64,
}

impl ReferenceTruth {
    /// The reference of the certificate, off by what the seed draws: the error in units of the standard uncertainty is
    /// the same at all frequencies, and so is the drift since the calibration. `rate` is the true one.
    ///
    /// # Errors
    /// A certificate without points, or with a frequency or uncertainty that can't be.
    pub(crate) fn draw(
        mounted: &MountedReference,
        unknowns: &Unknowns,
        rate: SamplesPerSecond,
    ) -> Result<Self, SimError> {
        let serial = &mounted.reference.serial;
        let key = |name: &str| format!("{name} of reference '{serial}'");
        let coverage = mounted.calibration.coverage_factor.0;
        SimError::positive(coverage, "the coverage factor", &key("coverage_factor"))?;
        let error = unknowns.reference(mounted);
        let (magnitude_error, phase_error) = (error.magnitude / coverage, error.phase / coverage);
        let row = |point: &ReferencePoint| -> Result<Row, SimError> {
            let u = SimError::not_negative(point.u.si(), "an uncertainty", &key("u"))?;
            let u_phase = point.u_phase.map_or(0.0, |u| u.si());
            SimError::not_negative(u_phase, "an uncertainty of phase in rad", &key("u_phase"))?;
            Ok(Row {
                log_frequency: SimError::positive(
                    point.frequency.si(),
                    "a frequency in Hz",
                    &key("frequency"),
                )?
                .ln(),
                sensitivity: mounted.in_volts(point).si() * (1.0 + magnitude_error * u) * (1.0 + error.drift),
                phase: point.phase.map_or(0.0, |p| p.si()) + phase_error * u_phase,
            })
        };
        let table = mounted.calibration.points.iter().map(row).collect::<Result<Vec<_>, _>>()?;
        let Some(middle) = table.get(table.len() / 2) else {
            return Err(SimError::new(
                format!("reference '{serial}' has no calibration"),
                "enter its last certificate",
            ));
        };
        let density = mounted.reference.noise_density.si();
        SimError::not_negative(density, "the noise density", &key("noise_density"))?;
        let corner = mounted.reference.noise_corner.map_or(0.0, |f| f.si());
        SimError::not_negative(corner, "the corner of 1/f noise in Hz", &key("noise_corner"))?;
        let sensitivity = middle.sensitivity;
        Ok(Self {
            temperature_coefficient: mounted.reference.temperature_coefficient.si(),
            zero_output: mounted.reference.zero_output.si(),
            cross_axis: unknowns
                .cross_axis(&format!("reference {serial}"), mounted.reference.transverse_sensitivity.si()),
            noise: (rms_per_sample(density * sensitivity, rate), corner),
            sensitivity,
            tuned: Tuned::default(),
            rate: rate.si(),
            signal: Vec::new(),
            table,
        })
    }

    /// Takes up the frequency of the drive in Hz; 0 leaves it as it is.
    pub(crate) fn retune(&mut self, frequency: f64) {
        if frequency <= 0.0 {
            return;
        }
        let (sensitivity, phase) = self.at(frequency);
        self.sensitivity = sensitivity;
        self.tuned.retune(frequency, phase, self.rate);
    }

    /// True sensitivity in V/(m/s²) and phase in rad at a frequency in Hz; outside the certificate its nearest point.
    pub(crate) fn at(&self, frequency: f64) -> (f64, f64) {
        let wanted = frequency.ln();
        let after = self.table.partition_point(|row| row.log_frequency < wanted);
        let upper = self.table.get(after).or(self.table.last());
        let lower = after.checked_sub(1).and_then(|n| self.table.get(n)).or(upper);
        let (Some(lower), Some(upper)) = (lower, upper) else {
            return (self.sensitivity, 0.0);
        };
        let span = upper.log_frequency - lower.log_frequency;
        let share = if span > 0.0 { (wanted - lower.log_frequency) / span } else { 0.0 };
        let between = |a: f64, b: f64| a + (b - a) * share;
        (between(lower.sensitivity, upper.sensitivity), between(lower.phase, upper.phase))
    }

    /// Motion as the reference sees it at the next sample, in m/s².
    #[inline]
    pub(crate) fn output(&mut self, acceleration: f64) -> f64 {
        self.tuned.pass(acceleration)
    }

    /// What the reference's channel gets beside the signal.
    pub(crate) fn source(&self) -> Source {
        Source {
            noise: self.noise,
            line: Line { rest: self.zero_output, ..Line::default() },
            ..Source::default()
        }
    }

    /// Makes volts of the motion over a stretch; `transverse` is the acceleration across the axis in m/s².
    pub(crate) fn finish(&mut self, samples: usize, when: &When, transverse: &[f64]) {
        let Some(signal) = self.signal.get_mut(..samples) else {
            return;
        };
        let (start, rise) = when.temperature;
        let (sensitivity, coefficient) = (self.sensitivity, self.temperature_coefficient);
        let zero = self.zero_output;
        #[expect(clippy::cast_precision_loss, reason = "exact below 2^53 samples")]
        let mut n = when.sample as f64;
        for (value, across) in signal.iter_mut().zip(transverse) {
            let factor = 1.0 + coefficient * (start - STATED_AT + rise * n);
            *value = (*value + self.cross_axis * across) * (sensitivity * factor) + zero;
            n += 1.0;
        }
    }
}
