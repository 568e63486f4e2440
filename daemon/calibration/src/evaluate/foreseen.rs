//! The uncertainty that a run is likely to end with, from the same budgets.
//!
//! Owns: what can be foreseen of a point: certificates, registers, the rig file and the noise figures. Must not: guess what
//! only the run shows: distortion, hum, drift, repeats that disagree.

use super::budgets::{Circumstances, Observed, magnitude};
use crate::control::scatter;
use crate::sequence::Setup;
use crate::uncertainty::{
    Budget, Combined, Decision, DecisionRule, UncertaintyError, decide, deviation_between,
    deviation_from_nominal,
};
use plan_schema::plan::DeviationFrom;
use plan_schema::units::{Fraction, Hertz};

/// What is foreseen for one sensor at one point.
#[derive(Debug, Clone, PartialEq)]
pub struct Foreseen {
    /// Budget of the magnitude.
    pub budget: Budget,
    /// Uncertainty of the deviation that is judged, for a sensor that is what it should be; `None` where nothing is judged.
    pub deviation: Option<Combined>,
    /// What it is judged against, the sensor's own tolerance first.
    pub tolerance: Option<Fraction>,
    /// How the plan judges.
    pub rule: DecisionRule,
}

impl Foreseen {
    /// Expanded uncertainty and tolerance, as shares, where the first leaves nothing of the second, or nothing that could
    /// pass.
    #[must_use]
    pub fn too_tight(&self) -> Option<(f64, f64)> {
        let expanded = self.deviation?.expanded;
        let tolerance = self.tolerance?.si();
        (expanded >= tolerance || self.can_pass() == Some(false)).then_some((expanded, tolerance))
    }

    /// False where no deviation whatever could pass; `None` where nothing is judged.
    #[must_use]
    pub fn can_pass(&self) -> Option<bool> {
        let (deviation, tolerance) = self.deviation.zip(self.tolerance)?;
        Some(decide(0.0, Some(tolerance.si()), &deviation, self.rule).decision == Decision::Pass)
    }
}

/// What is foreseen for a sensor (by its number) at a point (by its number); `None` where the sensor does not take it.
///
/// # Errors
/// Where a figure of the files can't enter a budget.
pub fn foreseen(
    setup: &Setup,
    sensor: usize,
    number: usize,
    circumstances: &Circumstances,
) -> Result<Option<Foreseen>, UncertaintyError> {
    let job = &setup.job;
    let (Some(point), Some(mounted)) = (job.points.get(number), job.sensors.get(sensor)) else {
        return Ok(None);
    };
    if !mounted.takes(number) {
        return Ok(None);
    }
    let budget = budget(setup, sensor, number, circumstances)?;
    let deviation = match job.plan.decision.deviation_from {
        DeviationFrom::Nominal => Some(deviation_from_nominal(&budget, 0.0)),
        DeviationFrom::ReferenceFrequency => match base(setup, job.plan.reference_frequency) {
            Some(base) if base != number => {
                let at_reference = self::budget(setup, sensor, base, circumstances)?;
                Some(deviation_between(&budget, &at_reference, 0.0)?)
            }
            _ => None,
        },
    };
    let tolerance = mounted.tolerance_at(point);
    Ok(Some(Foreseen { budget, deviation, tolerance, rule: job.plan.decision.at(point.frequency).into() }))
}

/// The first point at the reference frequency.
fn base(setup: &Setup, frequency: Option<Hertz>) -> Option<usize> {
    let frequency = frequency?;
    setup.job.points.iter().position(|p| p.frequency == frequency)
}

fn budget(
    setup: &Setup,
    sensor: usize,
    number: usize,
    circumstances: &Circumstances,
) -> Result<Budget, UncertaintyError> {
    let job = &setup.job;
    let known = (job.points.get(number), setup.forecasts.get(number), job.sensors.get(sensor));
    let (Some(point), Some(forecast), Some(mounted)) = known else {
        return magnitude(setup, sensor, Hertz::ZERO, circumstances, None);
    };
    let noise = scatter(job, mounted, point, forecast.lengthened);
    let repeats = f64::from(point.repeats.max(1));
    let observed = Observed {
        type_a: noise.standard / repeats.sqrt(),
        dof: noise.dof * repeats,
        channels: super::channels::foreseen(setup, point.frequency),
        ..Observed::default()
    };
    let least = super::scope::band(job, mounted, point).map(|band| band.u.si());
    Ok(magnitude(setup, sensor, point.frequency, circumstances, Some(&observed))?.not_below(least))
}
