//! Deviations and decisions: what each refers to, and what they add up to for a sensor.

use super::conventions::Conventions;
use super::point::{PointResult, Quantity, Status, Value, confirmed, stream};
use crate::sequence::Setup;
use crate::uncertainty::{Decision, UncertaintyError, decide_known, deviation_from_nominal, difference};
use plan_schema::plan::DeviationFrom;
use plan_schema::units::Hertz;

/// Fills in deviations and decisions.
pub(super) fn judge(
    setup: &Setup,
    sensor: usize,
    mut points: Vec<PointResult>,
) -> Result<Vec<PointResult>, UncertaintyError> {
    let job = &setup.job;
    let plan = &job.plan;
    let Some(mounted) = job.sensors.get(sensor) else {
        return Ok(points);
    };
    let nominal = mounted.nominal.si();
    let base = reference_value(plan.reference_frequency, &points);
    for (n, (result, point)) in points.iter_mut().zip(&job.points).enumerate() {
        let Some(value) = &mut result.value else { continue };
        let found = match plan.decision.deviation_from {
            DeviationFrom::Nominal => {
                let deviation = value.sensitivity.si() / nominal.abs() - 1.0;
                Some((deviation, deviation_from_nominal(&value.magnitude, deviation)))
            }
            DeviationFrom::ReferenceFrequency => match &base {
                Some((at, base)) if *at != n => {
                    let deviation = value.sensitivity / base.sensitivity - 1.0;
                    let ratio = difference(&value.magnitude, &base.magnitude)?;
                    let ratio = confirmed(setup, ratio, stream(sensor, n, Quantity::Deviation))?;
                    let found = deviation_from_nominal(&ratio, deviation);
                    value.ratio = Some(ratio);
                    Some((deviation, found))
                }
                _ => None,
            },
        };
        let Some((deviation, uncertainty)) = found else {
            continue;
        };
        value.deviation = Some(deviation);
        value.u_deviation = Some(uncertainty.expanded);
        if result.status == Status::Accepted {
            let tolerance = mounted.tolerance_at(point).map(|t| t.si());
            let rule = plan.decision.at(point.frequency).into();
            let judged = value.ratio.as_ref().unwrap_or(&value.magnitude);
            let by_it = setup.conventions >= Conventions::ByDistribution;
            let known = judged.known(1.0 + deviation).filter(|_| by_it);
            let stated = decide_known(deviation, tolerance, &uncertainty, known.as_ref(), rule);
            result.decision = stated.decision;
            result.guard_band = stated.guard_band;
            result.conformity = stated.conformity;
        }
    }
    // The reference frequency refers to itself and gets no statement; it must not keep a sensor from passing.
    if plan.decision.deviation_from == DeviationFrom::ReferenceFrequency
        && let Some(result) = base.and_then(|(at, _)| points.get_mut(at))
    {
        result.is_base = true;
    }
    Ok(points)
}

/// The first accepted point at the reference frequency, by its number: a plan may have several, of other amplitudes.
fn reference_value(at: Option<Hertz>, points: &[PointResult]) -> Option<(usize, Value)> {
    let at = at?;
    let accepted = |p: &PointResult| p.frequency == at && p.status == Status::Accepted;
    let number = points.iter().position(accepted)?;
    Some((number, points.get(number)?.value.clone()?))
}

/// The decision on a sensor: pass only if every point is accepted and passes.
///
/// Points that this sensor does not take don't count, nor does the one that the deviations of others refer to. A failed point fails the sensor; a point that was rejected, not reached or not judged leaves it undecided.
#[must_use]
pub fn sensor_decision(points: &[PointResult]) -> Decision {
    let counts = |p: &&PointResult| p.status != Status::Skipped && !p.is_base;
    let points: Vec<&PointResult> = points.iter().filter(counts).collect();
    let has = |decision: Decision| points.iter().any(|p| p.decision == decision);
    if has(Decision::Fail) {
        Decision::Fail
    } else if has(Decision::ConditionalFail) {
        Decision::ConditionalFail
    } else if points.is_empty() || has(Decision::None) || points.iter().any(|p| p.status != Status::Accepted)
    {
        Decision::None
    } else if has(Decision::ConditionalPass) {
        Decision::ConditionalPass
    } else {
        Decision::Pass
    }
}
