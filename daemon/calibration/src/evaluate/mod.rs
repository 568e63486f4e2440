//! From the measurements of a run to sensitivities, uncertainties and decisions.
//!
//! Owns: [`evaluate`], which depends on its arguments alone, so that a live run and a recomputed one agree to the bit.
//! Must not: know records, files, or the date of today.

mod budgets;
mod point;
mod verdict;

pub use budgets::{Circumstances, magnitude_budget};
pub use point::{PointResult, RepeatResult, Status, Value};
pub use verdict::sensor_decision;

use crate::sequence::{PointEnd, QuietRecord, QuietTime, Setup};
use crate::uncertainty::{Decision, UncertaintyError};
use plan_schema::units::{Seconds, VoltsDc};

/// What a run left behind.
#[derive(Debug, Clone, Default)]
pub struct RunFacts {
    /// Quiet parts.
    pub quiet: Vec<QuietRecord>,
    /// Ends of points and repeats, in order of time.
    pub ends: Vec<PointEnd>,
}

/// The results of one sensor.
#[derive(Debug, Clone, PartialEq)]
pub struct SensorResult {
    /// Serial number.
    pub serial: String,
    /// The decision on the sensor as a whole.
    pub decision: Decision,
    /// Output at rest before the first motion.
    pub zero_before: Option<VoltsDc>,
    /// Output at rest after the last.
    pub zero_after: Option<VoltsDc>,
    /// True if the output goes against the acceleration; `None` where no point tells.
    pub inverted: Option<bool>,
    /// One result a point of the plan, in its order.
    pub points: Vec<PointResult>,
}

/// Evaluates a run.
///
/// # Errors
/// Where a figure of the files can't enter a budget.
pub fn evaluate(
    setup: &Setup,
    facts: &RunFacts,
    circumstances: &Circumstances,
) -> Result<Vec<SensorResult>, UncertaintyError> {
    (0..setup.job.sensors.len()).map(|sensor| evaluate_sensor(setup, facts, circumstances, sensor)).collect()
}

fn evaluate_sensor(
    setup: &Setup,
    facts: &RunFacts,
    circumstances: &Circumstances,
    sensor: usize,
) -> Result<SensorResult, UncertaintyError> {
    let values = (0..setup.job.points.len())
        .map(|n| point::evaluate_point(setup, facts, circumstances, sensor, n))
        .collect::<Result<Vec<_>, _>>()?;
    let points = verdict::judge(setup, sensor, values)?;
    let column = setup.job.sensors.get(sensor).map(|s| s.column);
    let serial = setup.job.sensors.get(sensor).map(|s| s.sensor.serial.clone()).unwrap_or_default();
    let zero = |when: QuietTime| {
        let record = facts.quiet.iter().find(|q| q.when == when)?;
        record.columns.get(column?)?.as_ref().ok().map(|rest| rest.mean)
    };
    Ok(SensorResult {
        serial,
        decision: sensor_decision(&points),
        zero_before: zero(QuietTime::Before),
        zero_after: zero(QuietTime::After),
        inverted: inverted(&points),
        points,
    })
}

/// A sensor whose phase at its lowest accepted frequency lies nearer to 180° than to 0° is connected or mounted the
/// other way round.
fn inverted(points: &[PointResult]) -> Option<bool> {
    let measured = points.iter().filter_map(|p| Some((p.frequency, p.value.as_ref()?.phase?)));
    let lowest = measured.min_by(|a, b| a.0.si().total_cmp(&b.0.si()))?;
    Some(lowest.1.si().cos() < 0.0)
}

/// Time spent in dwells.
#[must_use]
pub fn measured_time(setup: &Setup, facts: &RunFacts) -> Seconds {
    let rate = setup.job.rig.acquisition.rate;
    let samples = facts.ends.iter().map(|end| match end {
        PointEnd::Measured(m) => m.length,
        PointEnd::Unreached { .. } => 0,
    });
    plan_schema::units::SampleCount(samples.sum::<usize>() as u64).duration(rate)
}
