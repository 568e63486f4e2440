//! The quiet part: zero drive; offset, noise and hum of every column.

use super::finding::{Finding, FindingKind};
use super::input::QuietTime;
use crate::estimate::{AtRest, EstimateError, Quiet, quiet};
use plan_schema::registers::SensorKind;
use plan_schema::resolve::{MountedSensor, ResolvedJob};
use plan_schema::units::{Hertz, SampleIndex, SamplesPerSecond, Seconds, VoltsDc, engineering};
use std::sync::Arc;

/// What was seen at rest.
#[derive(Debug, Clone, PartialEq)]
pub struct QuietRecord {
    /// Before or after the motion.
    pub when: QuietTime,
    /// First sample.
    pub first_sample: SampleIndex,
    /// Samples, a vector a column, in volts; empty once they are stored.
    pub samples: Arc<Vec<Vec<f32>>>,
    /// Offset, noise and hum of each column.
    pub columns: Vec<Result<AtRest, EstimateError>>,
    /// Frequency of the mains as measured, where a channel shows it.
    pub mains: Option<Hertz>,
}

/// How long the quiet part listens: a hundred cycles of the mains at 50 Hz, so that hum averages out of the offset.
pub(super) const LISTEN: Seconds = Seconds::new(2.0);

/// A line whose voltage is this share of the way from its bias to its compliance voltage is open.
const OPEN_FROM: f64 = 0.5;

/// Offset beyond which a channel shows something that its sensor does not: where the register states no tolerance, only a
/// saturated output counts, that is this share of the range.
const SATURATED_FROM: f64 = 0.98;

impl QuietRecord {
    /// Looks at samples taken at rest. Depends on its arguments alone.
    #[must_use]
    pub fn of(
        when: QuietTime,
        first_sample: SampleIndex,
        samples: Arc<Vec<Vec<f32>>>,
        rate: SamplesPerSecond,
        mains: Hertz,
    ) -> Self {
        let channels: Vec<&[f32]> = samples.iter().map(Vec::as_slice).collect();
        match quiet(&channels, rate, mains) {
            Ok(Quiet { channels, mains }) => {
                let columns = channels.into_iter().map(Ok).collect();
                Self { when, first_sample, samples, columns, mains }
            }
            Err(error) => {
                let columns = vec![Err(error); samples.len()];
                Self { when, first_sample, samples, columns, mains: None }
            }
        }
    }

    /// Mean of a column, where it could be looked at.
    #[must_use]
    pub fn mean(&self, column: usize) -> Option<VoltsDc> {
        self.columns.get(column)?.as_ref().ok().map(|rest| rest.mean)
    }

    /// Peak in V of a line of the mains on a column, where it could be looked at.
    #[must_use]
    pub fn hum(&self, column: usize, line: u32) -> Option<f64> {
        let rest = self.columns.get(column)?.as_ref().ok()?;
        rest.hum.iter().find(|(l, _)| *l == line).map(|(_, peak)| peak.si())
    }

    /// What a sensor shows at rest that does not agree with the register: the voltage of built-in electronics on their
    /// line, the offset, the supply.
    #[must_use]
    pub fn against_register(&self, job: &ResolvedJob, sensor: &MountedSensor) -> Option<Finding> {
        self.line(job, sensor).or_else(|| self.offset(job, sensor)).or_else(|| self.supply(sensor))
    }

    fn line(&self, job: &ResolvedJob, sensor: &MountedSensor) -> Option<Finding> {
        let facts = &sensor.sensor;
        let (bias, seen) = (facts.bias?.si(), self.mean(sensor.column)?.si());
        // Behind AC coupling there is no bias to be seen.
        if facts.kind != SensorKind::Iepe || job.columns.get(sensor.column)?.ac_corner.is_some() {
            return None;
        }
        let open = bias + OPEN_FROM * (facts.compliance.si() - bias);
        let low = facts.bias_low.map_or(0.5 * bias, |v| v.si());
        let high = facts.bias_high.map_or(1.5 * bias, |v| v.si()).min(open);
        let column = Some(sensor.column);
        let (serial, shown) = (&facts.serial, engineering(seen, "V"));
        if seen >= open {
            let message = format!(
                "the line of sensor '{serial}' is at {shown}, near the voltage that feeds it: it is open. Check connector \
                 and cable."
            );
            Some(Finding::beyond(FindingKind::SensorOpen, column, seen, open, "v", message))
        } else if seen < low || seen > high {
            let what =
                if seen < low { "it is shorted, or has no supply" } else { "its electronics may be damaged" };
            let limit = if seen < low { low } else { high };
            let message = format!(
                "the bias of sensor '{serial}' is {shown} where {} to {} is healthy: {what}",
                engineering(low, "V"),
                engineering(high, "V")
            );
            let kind = if seen < low { FindingKind::SensorOpen } else { FindingKind::RegisterMismatch };
            Some(Finding::beyond(kind, column, seen, limit, "v", message))
        } else {
            None
        }
    }

    fn offset(&self, job: &ResolvedJob, sensor: &MountedSensor) -> Option<Finding> {
        let channel = job.columns.get(sensor.column)?;
        let seen = self.mean(sensor.column)?.si();
        let (expected, _) = sensor.sensor.seen_by(channel);
        let off = (seen - expected.si()).abs();
        let saturated = SATURATED_FROM * channel.range.si();
        let (value, limit) = match sensor.sensor.zero_tolerance {
            Some(tolerance) if channel.ac_corner.is_none() => (off, tolerance.si() * channel.gain_at_rest()),
            _ => (seen.abs(), saturated),
        };
        let message = format!(
            "sensor '{}' shows {} at rest where {} is expected: another sensor, its supply, or a tilt",
            sensor.sensor.serial,
            engineering(seen, "V"),
            engineering(expected.si(), "V")
        );
        (value > limit).then(|| {
            Finding::beyond(FindingKind::RegisterMismatch, Some(sensor.column), value, limit, "v", message)
        })
    }

    fn supply(&self, sensor: &MountedSensor) -> Option<Finding> {
        let (nominal, seen) = (sensor.sensor.supply?.si(), self.mean(sensor.supply_column?)?.si());
        let off = (seen / nominal - 1.0).abs() * 100.0;
        let limit = sensor.sensor.supply_tolerance.percent();
        let message = format!(
            "the supply of sensor '{}' is {} where {} is due: {off:.1} % off, {limit:.1} % is allowed",
            sensor.sensor.serial,
            engineering(seen, "V"),
            engineering(nominal, "V")
        );
        (off > limit).then(|| {
            Finding::beyond(
                FindingKind::RegisterMismatch,
                Some(sensor.column),
                off,
                limit,
                "percent",
                message,
            )
        })
    }
}
