//! One dwell: what was recorded, and what the samples tell.
//!
//! Owns: [`Measurement`], and the model that is fitted to a dwell, which depends on job, point and the quiet part alone,
//! so that recomputing a run fits the same.

use super::finding::Finding;
use super::quality::{Standing, findings};
use super::setup::gate;
use crate::control::SEGMENTS;
use crate::estimate::{DwellEstimate, DwellOptions, EstimateError, FrequencySearch, dwell, gated};
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::{Accel, Celsius, Fraction, Hertz, Peak, SampleCount, SampleIndex, Seconds, Volts};
use std::sync::Arc;

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
        /// True if this was the closing look at the first point.
        closing: bool,
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
    /// True if this is the closing look at the point that was measured first.
    pub closing: bool,
    /// First sample of the dwell.
    pub first_sample: SampleIndex,
    /// Samples of each column.
    pub length: usize,
    /// Samples, a vector a column, in volts; empty once they are stored and their estimate is all that counts.
    pub samples: Arc<Vec<Vec<f32>>>,
    /// Frequency as the source applied it.
    pub applied_frequency: Hertz,
    /// Frequency at which the fit starts: as applied, times the ratio of the clocks known by then.
    pub start_frequency: Hertz,
    /// Drive as the source applied it.
    pub drive: Volts<Peak>,
    /// Time from the start of the point to the dwell.
    pub settle: Seconds,
    /// How far the amplitude was off its target when the dwell began, as a share of it.
    pub settled_error: f64,
    /// Temperature when the dwell began.
    pub temperature: Option<Celsius>,
    /// What the samples tell, or why they tell nothing.
    pub estimate: Result<DwellEstimate, EstimateError>,
    /// What makes it unusable; empty for a good point.
    pub findings: Vec<Finding>,
}

/// How far source and acquisition may disagree about a frequency.
const CLOCKS_WITHIN: Fraction = Fraction::new(1e-3);

/// The model that is fitted to a dwell.
pub(super) fn model(standing: &Standing<'_>, applied: Hertz) -> DwellOptions {
    let job = standing.job;
    DwellOptions {
        harmonics: job.plan.harmonics.max(1),
        drift: true,
        frequency: FrequencySearch::Measure { within: CLOCKS_WITHIN },
        nominal: Some(applied),
        base: Some(base_length(standing, applied)),
        segments: SEGMENTS as usize,
        mains: standing.rest.and_then(|r| r.mains),
        decays: decays(standing, applied),
    }
}

/// Shortest length of a point's dwell, in samples: the plan's cycles.
pub(super) fn base_length(standing: &Standing<'_>, applied: Hertz) -> SampleCount {
    let cycles = standing.wanted().map_or(1, |p| p.dwell_cycles);
    let length = Seconds::new(f64::from(cycles) / applied.si());
    SampleCount::at_least(length, standing.job.rig.acquisition.rate)
}

/// One time constant a column, where a sensor's high-pass may still be dying away within the dwell. One that is much
/// longer than the shortest dwell looks like a straight line, which is fitted anyway, and one that is far shorter than a
/// cycle is over before the dwell.
fn decays(standing: &Standing<'_>, applied: Hertz) -> Vec<Option<Seconds>> {
    let shortest = base_length(standing, applied).duration(standing.job.rig.acquisition.rate).si();
    let mut decays = vec![None; standing.job.columns.len()];
    for sensor in &standing.job.sensors {
        if let (Some(decay), Some(slot)) = (sensor.sensor.decay(), decays.get_mut(sensor.column))
            && decay.si() > 0.5 / applied.si()
            && decay.si() < 2.0 * shortest
        {
            *slot = Some(decay);
        }
    }
    decays
}

/// Fits a dwell that is complete, and says what is to be said against it.
pub fn measure(
    standing: &Standing<'_>,
    applied: Hertz,
    start: Hertz,
    samples: &[Vec<f32>],
) -> (Result<DwellEstimate, EstimateError>, Vec<Finding>) {
    let columns: Vec<&[f32]> = samples.iter().map(Vec::as_slice).collect();
    let estimate = fitted(standing, applied, start, &columns);
    let found = findings(standing, &columns, &estimate);
    (estimate, found)
}

/// Fits a dwell; of a gated acquisition block by block.
pub(super) fn fitted(
    standing: &Standing<'_>,
    applied: Hertz,
    start: Hertz,
    columns: &[&[f32]],
) -> Result<DwellEstimate, EstimateError> {
    fit(standing.job, start, columns, &model(standing, applied))
}

/// Fits a model to samples of a motion; of a gated acquisition block by block.
pub(super) fn fit(
    job: &ResolvedJob,
    start: Hertz,
    columns: &[&[f32]],
    model: &DwellOptions,
) -> Result<DwellEstimate, EstimateError> {
    let (rate, reference) = (job.rig.acquisition.rate, job.reference.column);
    let Some(gate) = gate(job) else {
        return dwell(columns, rate, reference, start, model);
    };
    let length = columns.first().map_or(0, |c| c.len());
    let gate = usize::try_from(gate.0).unwrap_or(usize::MAX).max(1);
    let parts: Vec<Vec<&[f32]>> = (0..length)
        .step_by(gate)
        .map(|from| {
            columns
                .iter()
                .map(|c| c.get(from..length.min(from.saturating_add(gate))).unwrap_or(&[]))
                .collect()
        })
        .collect();
    gated(&parts, rate, reference, start, model)
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
