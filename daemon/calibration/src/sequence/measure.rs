//! From the samples of a dwell to a measurement and what is to be said of its quality.
//!
//! Suspicious is judged by quality only (clipping, distortion, noise, a cable), never by how a sensitivity compares
//! with its tolerance. Depends on its arguments alone: recomputing a run calls the same function.

use crate::estimate::{DwellEstimate, DwellOptions, EstimateError, dwell};
use plan_schema::resolve::{ResolvedJob, ResolvedPoint};
use plan_schema::units::{Accel, Celsius, Hertz, Peak, SampleIndex, Seconds, Volts, engineering};
use std::sync::Arc;

/// What may be found about a point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum FindingKind {
    /// The amplitude did not settle in time.
    NotSettled,
    /// Samples at the end of the range.
    Clipped,
    /// The instrument reported an overload.
    Overload,
    /// The noise is too large.
    Noise,
    /// The distortion is too large.
    Distortion,
    /// Mains hum.
    Hum,
    /// The model leaves too much over.
    Residual,
    /// A sensor does not answer.
    SensorOpen,
    /// A sensor answers with the wrong sign.
    Polarity,
    /// A sensor is not what the register says.
    RegisterMismatch,
    /// Repeats disagree.
    RepeatDisagrees,
    /// The set-up drifted.
    SetupDrift,
    /// Ambient conditions were out of limits.
    AmbientOut,
}

impl FindingKind {
    /// The word in records.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::NotSettled => "not_settled",
            Self::Clipped => "clipped",
            Self::Overload => "overload",
            Self::Noise => "noise",
            Self::Distortion => "distortion",
            Self::Hum => "hum",
            Self::Residual => "residual",
            Self::SensorOpen => "sensor_open",
            Self::Polarity => "polarity",
            Self::RegisterMismatch => "register_mismatch",
            Self::RepeatDisagrees => "repeat_disagrees",
            Self::SetupDrift => "setup_drift",
            Self::AmbientOut => "ambient_out",
        }
    }
}

/// Something that makes a point unusable.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What.
    pub kind: FindingKind,
    /// For people, with numbers.
    pub message: String,
    /// What was seen.
    pub value: Option<f64>,
    /// What would have been allowed.
    pub limit: Option<f64>,
    /// Unit of both, by the suffixes of the record.
    pub unit: Option<&'static str>,
    /// The column it concerns; `None` or the reference's: every sensor.
    pub column: Option<usize>,
}

/// How a point ended.
#[derive(Debug, Clone, PartialEq)]
pub enum PointEnd {
    /// It was measured.
    Measured(Measurement),
    /// It was not: the amplitude did not settle, or an instrument refused.
    Unreached {
        /// Number of the point from 0.
        point: usize,
        /// Number of the repeat from 0.
        repeat: u32,
        /// Time spent on it.
        settle: Seconds,
        /// Why.
        finding: Finding,
    },
}

/// One dwell.
#[derive(Debug, Clone, PartialEq)]
pub struct Measurement {
    /// Number of the point from 0.
    pub point: usize,
    /// Number of the repeat from 0.
    pub repeat: u32,
    /// First sample of the dwell.
    pub first_sample: SampleIndex,
    /// Samples of each column.
    pub length: usize,
    /// Samples, a vector a column, in volts; empty once they are stored and their estimate is all that counts.
    pub samples: Arc<Vec<Vec<f32>>>,
    /// Frequency as the source applied it.
    pub applied_frequency: Hertz,
    /// Drive as the source applied it.
    pub drive: Volts<Peak>,
    /// Time from the start of the point to the dwell.
    pub settle: Seconds,
    /// Temperature when the dwell began.
    pub temperature: Option<Celsius>,
    /// What the samples tell, or why they tell nothing.
    pub estimate: Result<DwellEstimate, EstimateError>,
    /// What makes it unusable; empty for a good point.
    pub findings: Vec<Finding>,
}

/// Share of full scale from which a sample counts as clipped.
const CLIPPED_FROM: f64 = 0.999;

/// Share of the nominal response below which a sensor counts as not connected.
const OPEN_BELOW: f64 = 0.05;

/// Twice the type A standard uncertainty of the magnitude beyond which a point is too noisy to be used: a share.
const NOISE_HIGHEST: f64 = 0.02;

/// Fits a dwell.
pub fn measure(
    job: &ResolvedJob,
    point: &ResolvedPoint,
    applied_frequency: Hertz,
    samples: &[Vec<f32>],
) -> (Result<DwellEstimate, EstimateError>, Vec<Finding>) {
    let columns: Vec<&[f32]> = samples.iter().map(Vec::as_slice).collect();
    let options = DwellOptions { harmonics: job.plan.harmonics.max(1), ..DwellOptions::default() };
    let rate = job.rig.acquisition.rate;
    let estimate = dwell(&columns, rate, job.reference.column, applied_frequency, &options);
    let mut findings = clipped(job, &columns);
    match &estimate {
        Ok(estimate) => judge(job, point, estimate, &mut findings),
        Err(error) => findings.push(Finding {
            kind: FindingKind::Residual,
            message: error.to_string(),
            value: None,
            limit: None,
            unit: None,
            column: None,
        }),
    }
    (estimate, findings)
}

fn clipped(job: &ResolvedJob, columns: &[&[f32]]) -> Vec<Finding> {
    let mut findings = Vec::new();
    for (column, (samples, channel)) in columns.iter().zip(&job.columns).enumerate() {
        let limit = channel.range.si() * CLIPPED_FROM;
        let largest = samples.iter().fold(0.0f64, |m, s| m.max(f64::from(s.abs())));
        if largest >= limit {
            findings.push(Finding {
                kind: FindingKind::Clipped,
                message: format!("channel '{}' reached the end of its range", channel.name),
                value: Some(largest),
                limit: Some(limit),
                unit: Some("v"),
                column: Some(column),
            });
        }
    }
    findings
}

fn judge(job: &ResolvedJob, point: &ResolvedPoint, estimate: &DwellEstimate, findings: &mut Vec<Finding>) {
    let reference = job.reference.column;
    if let Some(thd) = estimate.channels.get(reference).and_then(|c| c.thd)
        && thd > point.distortion_limit.si()
    {
        findings.push(Finding {
            kind: FindingKind::Distortion,
            message: format!(
                "distortion of acceleration is {:.1} %, {:.1} % is allowed",
                thd * 100.0,
                point.distortion_limit.percent()
            ),
            value: Some(thd * 100.0),
            limit: Some(point.distortion_limit.percent()),
            unit: Some("percent"),
            column: Some(reference),
        });
    }
    for sensor in &job.sensors {
        let Some(channel) = estimate.channels.get(sensor.column) else {
            continue;
        };
        let ratio = estimate.ratios.iter().find(|r| r.channel == sensor.column);
        let scatter = ratio.map_or(f64::INFINITY, |r| 2.0 * r.u_rel_a.si());
        let serial = &sensor.sensor.serial;
        let expected = sensor.sensor.nominal_sensitivity.si() * point.target.si();
        let seen = channel.amplitude.norm();
        let mut note = |kind, message, value, limit, unit| {
            findings.push(Finding {
                kind,
                message,
                value: Some(value),
                limit: Some(limit),
                unit: Some(unit),
                column: Some(sensor.column),
            });
        };
        if seen < OPEN_BELOW * expected {
            let message = format!(
                "sensor '{serial}' puts out {} where {} is expected: a cable, its supply or its conditioner",
                engineering(seen, "V pk"),
                engineering(expected, "V pk")
            );
            note(FindingKind::SensorOpen, message, seen, OPEN_BELOW * expected, "v");
        } else if scatter > NOISE_HIGHEST {
            let message = format!(
                "sensor '{serial}' scatters by {:.2} % within the dwell, {:.2} % is allowed: more cycles, a larger \
                 amplitude, or less noise",
                scatter * 100.0,
                NOISE_HIGHEST * 100.0
            );
            note(FindingKind::Noise, message, scatter * 100.0, NOISE_HIGHEST * 100.0, "percent");
        }
    }
}

impl Measurement {
    /// True if this column may be used: nothing was found about it or about the reference.
    #[must_use]
    pub fn usable(&self, column: usize, reference: usize) -> bool {
        self.estimate.is_ok() && self.findings.iter().all(|f| !f.concerns(column, reference))
    }

    /// Peak acceleration that the reference shows, for a sensitivity of it in V/(m/s²).
    #[must_use]
    pub fn acceleration(&self, reference: usize, sensitivity: f64) -> Option<Accel<Peak>> {
        let channel = self.estimate.as_ref().ok()?.channels.get(reference)?;
        Some(Accel::new(channel.amplitude.norm() / sensitivity))
    }
}

impl Finding {
    /// True if it speaks about this column or about all of them.
    #[must_use]
    pub fn concerns(&self, column: usize, reference: usize) -> bool {
        self.column.is_none_or(|c| c == column || c == reference)
    }
}
