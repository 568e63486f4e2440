//! What one dwell alone says of a sensor, for people who look on: no repeats, no drift, no uncertainty, no decision.

use super::point::wrap;
use super::seen::Seen;
use crate::estimate::Complex;
use crate::sequence::{Measurement, Setup};
use plan_schema::units::Radians;

/// A sensor at a dwell, provisional.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Provisional {
    /// Sensitivity over the nominal one, less 1; `None` where the register states none.
    pub deviation: Option<f64>,
    /// Phase of the output against the acceleration, in (−π, π]; `None` where the reference's certificate states none.
    pub phase: Option<Radians>,
    /// Whether nothing was found against it.
    pub valid: bool,
}

/// What a dwell says of a sensor of the job; `None` where it says nothing.
#[must_use]
pub fn provisional(setup: &Setup, measurement: &Measurement, sensor: usize) -> Option<Provisional> {
    let (mounted, point) = (setup.job.sensors.get(sensor)?, setup.job.points.get(measurement.point)?);
    let standard = setup.table.at(point.frequency).ok()?;
    let phase = standard.phase.map_or(0.0, |p| p.si());
    let reference = Complex::from_polar(standard.sensitivity.si(), phase);
    let seen = Seen::of(measurement, mounted.column, &setup.job, reference)?;
    let nominal = mounted.nominal.si().abs();
    Some(Provisional {
        deviation: (nominal > 0.0).then(|| seen.response.norm() / nominal - 1.0),
        phase: standard.phase.is_some().then(|| Radians::new(wrap(seen.response.arg()))),
        valid: seen.valid,
    })
}
