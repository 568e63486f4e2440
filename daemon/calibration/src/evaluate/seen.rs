//! One measurement as one sensor saw it.

use crate::estimate::{Complex, DwellEstimate};
use crate::sequence::Measurement;
use plan_schema::chain::Transfer;
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::Seconds;
use std::f64::consts::TAU;

/// One repeat that was estimated, for one sensor.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seen<'a> {
    pub(super) measurement: &'a Measurement,
    pub(super) estimate: &'a DwellEstimate,
    /// Complex sensitivity, V/(m/s²).
    pub(super) response: Complex<f64>,
    /// Type A standard uncertainties, relative and in rad, and their degrees of freedom.
    pub(super) u_magnitude: f64,
    pub(super) u_phase: f64,
    pub(super) dof: f64,
    pub(super) dof_phase: f64,
    pub(super) valid: bool,
    /// True if it has figures at all: of a channel that shows nothing whatever, no relative uncertainty is finite.
    pub(super) certain: bool,
    /// Samples per second.
    rate: f64,
}

impl<'a> Seen<'a> {
    /// What a measurement says of the sensor on a column; `None` where it says nothing. `standard` is the complex
    /// sensitivity of the reference.
    pub(super) fn of(
        measurement: &'a Measurement,
        column: usize,
        job: &ResolvedJob,
        standard: Complex<f64>,
    ) -> Option<Self> {
        let reference = job.reference.column;
        let estimate = measurement.estimate.as_ref().ok()?;
        let ratio = estimate.ratios.iter().find(|r| r.channel == column)?;
        let response = ratio.ratio * standard;
        let response = match between_chains(measurement, column, job) {
            None => response,
            Some(chains) => response * chains,
        };
        let certain = ratio.u_rel_a.is_finite() && ratio.u_phase_a.is_finite();
        Some(Self {
            measurement,
            estimate,
            response,
            u_magnitude: ratio.u_rel_a.si(),
            u_phase: ratio.u_phase_a.si(),
            dof: ratio.dof,
            dof_phase: ratio.dof_phase,
            valid: measurement.usable(column, reference) && certain,
            certain,
            rate: job.rig.acquisition.rate.si(),
        })
    }

    /// What a change of the amplitude within the dwell does to the ratio, at most: an amplitude that moves at a relative
    /// rate r is seen late by the difference of the group delays, so the ratio is off by r times that difference. A
    /// response of low order has a group delay of at most about its phase over ω.
    pub(super) fn trend_effect(&self) -> f64 {
        let omega = TAU * self.estimate.frequency.si();
        let rate = self.estimate.trend.map_or(0.0, |trend| trend.change.abs()) / self.duration().si();
        rate * self.response.arg().abs() / omega
    }

    /// How long the dwell was.
    pub(super) fn duration(&self) -> Seconds {
        Seconds::new(self.measurement.length as f64 / self.rate)
    }
}

/// Chain of the reference over that of what is on a column, at the frequency of the point; `None` where neither states
/// anything. The reference stands with its arrow along the motion.
fn between_chains(measurement: &Measurement, column: usize, job: &ResolvedJob) -> Option<Complex<f64>> {
    let frequency = job.points.get(measurement.point)?.frequency;
    let mut sensors = job.sensors.iter().chain(&job.check_standards);
    let second = job.second_reference.as_ref().filter(|r| r.column == column).map(|r| &r.chain);
    let own = sensors.find(|s| s.column == column).map(|s| &s.chain).or(second)?;
    match (job.reference.chain.at(frequency), own.at(frequency)) {
        (None, None) => None,
        (reference, own) => {
            let complex = |at: Option<Transfer>| {
                at.map_or(Complex::new(1.0, 0.0), |t| Complex::from_polar(t.magnitude, t.phase.si()))
            };
            Some(complex(reference) / complex(own))
        }
    }
}
