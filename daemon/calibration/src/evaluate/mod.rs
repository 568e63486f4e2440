//! From the measurements of a run to sensitivities, uncertainties and decisions.
//!
//! Owns: [`evaluate`], which depends on its arguments alone, so that a live run and a recomputed one agree to the bit.
//! Must not: know records, files, or the date of today.

mod budgets;
mod channels;
mod conventions;
mod drift;
mod foreseen;
mod hum;
mod point;
mod provisional;
mod scope;
mod seen;
mod substitution;
mod verdict;
mod witness;

pub use budgets::{Circumstances, magnitude_budget, phase_budget};
pub use conventions::Conventions;
pub use drift::moved;
pub use foreseen::{Foreseen, foreseen};
pub use point::{PointResult, RepeatResult, Status, Value};
pub use provisional::{Provisional, provisional};
pub use scope::Accredited;
pub use verdict::sensor_decision;
pub use witness::{WitnessPoint, WitnessResult, hold, witnesses};

use crate::sequence::{
    Cable, Finding, FirstMotion, Measurement, PointEnd, QuietRecord, QuietTime, RatioTone, Setup,
};
use crate::uncertainty::{Decision, UncertaintyError};
use drift::Drift;
use plan_schema::resolve::MountedSensor;
use plan_schema::units::{SampleCount, Seconds, VoltsDc};

/// What a run left behind.
#[derive(Debug, Clone, Default)]
pub struct RunFacts {
    /// Quiet parts.
    pub quiet: Vec<QuietRecord>,
    /// The first motion, without its samples.
    pub first_motion: Option<FirstMotion>,
    /// Ends of points and repeats, in order of time.
    pub ends: Vec<PointEnd>,
    /// One voltage in several channels, the source's or the reference's, a frequency each, in order of time.
    pub channels: Vec<RatioTone>,
    /// What persons confirmed: the cables, who, and when in UTC as the record states it.
    pub confirmed: Vec<(Cable, String, String)>,
}

impl RunFacts {
    /// What sent the sensor on this column out of the run at the first motion.
    #[must_use]
    pub fn excludes(&self, column: usize) -> Option<&Finding> {
        self.first_motion.as_ref()?.verdict.findings.iter().find(|f| f.column == Some(column))
    }

    /// The quiet part before the first motion; the last one where a run goes on with another.
    #[must_use]
    pub fn rest(&self) -> Option<&QuietRecord> {
        self.quiet.iter().rev().find(|q| q.when == QuietTime::Before)
    }
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
    /// Voltage at rest of built-in electronics on their line.
    pub bias: Option<VoltsDc>,
    /// Supply as measured, where a channel reads it.
    pub excitation: Option<VoltsDc>,
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
    let drift = setup.job.sensors.get(sensor).and_then(|s| Drift::of(setup, facts, s.column));
    let values = (0..setup.job.points.len())
        .map(|n| point::evaluate_point(setup, facts, circumstances, sensor, n, drift.as_ref()))
        .collect::<Result<Vec<_>, _>>()?;
    let points = verdict::judge(setup, sensor, values)?;
    let mounted = setup.job.sensors.get(sensor);
    let at =
        |when: QuietTime, column: Option<usize>| facts.quiet.iter().find(|q| q.when == when)?.mean(column?);
    let column = mounted.map(|s| s.column);
    let shows_bias = |s: &&MountedSensor| {
        let coupled = setup.job.columns.get(s.column).is_some_and(|c| c.ac_corner.is_none());
        coupled && s.sensor.bias.is_some()
    };
    let on_its_line = mounted.filter(shows_bias).map(|s| s.column);
    Ok(SensorResult {
        serial: mounted.map(|s| s.sensor.serial.clone()).unwrap_or_default(),
        decision: sensor_decision(&points),
        zero_before: at(QuietTime::Before, column),
        zero_after: at(QuietTime::After, column),
        bias: at(QuietTime::Before, on_its_line),
        excitation: at(QuietTime::Before, mounted.and_then(|s| s.supply_column)),
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

/// Time spent in dwells that count: those of which at least one sensor takes its result.
#[must_use]
pub fn measured_time(setup: &Setup, facts: &RunFacts) -> Seconds {
    let job = &setup.job;
    let counts = |m: &Measurement| {
        let taken = |s: &MountedSensor| s.takes(m.point) && facts.excludes(s.column).is_none();
        !m.closing && job.sensors.iter().any(|s| taken(s) && m.usable(s.column, job.reference.column))
    };
    let samples = facts.ends.iter().map(|end| match end {
        PointEnd::Measured(m) if counts(m) => m.length,
        PointEnd::Measured(_) | PointEnd::Unreached { .. } => 0,
    });
    SampleCount(samples.sum::<usize>() as u64).duration(job.rig.acquisition.rate)
}

#[cfg(test)]
mod tests;
