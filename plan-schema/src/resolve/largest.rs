//! Points of which the largest amplitude is asked for: the upper limit that the files set by themselves.
//!
//! Owns: what rated stroke, velocity, acceleration, the ranges of transducers and channels, and the band of the
//! reference's calibration leave of what was asked for. Must not: know force, drive and reserve; the calibration core
//! lowers the limit further and hands back what it [`Settled`] on.

use super::found::{Found, FoundReference, FoundSensor};
use super::{ResolvedPoint, Settled};
use crate::units::{Accel, Peak, engineering};

/// Rounded down to three significant digits, so that a person can say it and no limit is passed by it.
#[must_use]
pub fn rounded_down(value: Accel<Peak>) -> Accel<Peak> {
    let value = value.si();
    if value <= 0.0 || !value.is_normal() {
        return Accel::ZERO;
    }
    #[expect(clippy::cast_possible_truncation, reason = "a logarithm of a positive double is small")]
    let exponent = value.log10().floor() as i32 - 2;
    let power = 10f64.powi(exponent.abs());
    let (digits, back): (f64, &dyn Fn(f64) -> f64) = if exponent >= 0 {
        ((value / power).floor(), &move |digits: f64| digits * power)
    } else {
        ((value * power).floor(), &move |digits: f64| digits / power)
    };
    let rounded = back(digits);
    Accel::new(if rounded <= value { rounded } else { back(digits - 1.0) })
}

impl Found<'_> {
    /// Lowers what was asked for to what the files allow. What they leave nothing of is left as it is: the checks that
    /// follow say why.
    pub(super) fn largest(&mut self, references: &[&FoundReference], sensors: &[FoundSensor]) {
        let mut points = std::mem::take(&mut self.points);
        for point in points.iter_mut().filter(|p| p.wanted.is_some()) {
            let limits = self.limits(point, references, sensors);
            let tightest = limits.into_iter().min_by(|a, b| a.0.si().total_cmp(&b.0.si()));
            if let Some((limit, why)) = tightest.filter(|(limit, _)| *limit < point.target) {
                point.target = rounded_down(limit);
                point.limited = Some(why);
            }
        }
        self.points = points;
    }

    fn limits(
        &self,
        point: &ResolvedPoint,
        references: &[&FoundReference],
        sensors: &[FoundSensor],
    ) -> Vec<(Accel<Peak>, String)> {
        let shaker = &self.files.rig.value.shaker;
        let (stroke, velocity) = (shaker.rated_stroke, shaker.velocity_limit);
        let said = |what: &str, value: f64, unit: &str| format!("{what} of {}", engineering(value, unit));
        let mut limits = vec![
            (stroke.acceleration_at(point.frequency), said("rated stroke", stroke.si(), "m pk")),
            (velocity.acceleration_at(point.frequency), said("velocity limit", velocity.si(), "m/s pk")),
            (
                shaker.acceleration_limit,
                said("acceleration limit", shaker.acceleration_limit.si(), "m/s² pk"),
            ),
        ];
        for found in references {
            if let Some(highest) = found.calibration.amplitude_max {
                limits.push((highest, format!("the calibration of reference '{}'", found.reference.serial)));
            }
            limits.push(self.admitted_by_reference(point, found));
        }
        let used = sensors.iter().filter(|s| !s.is_under_test() || s.is_within_band(point.frequency));
        limits.extend(used.filter_map(|sensor| self.admitted_by_sensor(point, sensor)));
        limits.retain(|(limit, _)| *limit > Accel::ZERO);
        limits
    }

    /// Takes over what was settled on before: by the calibration core, or when the run was recorded.
    pub(super) fn settle(&mut self, settled: &[Settled]) {
        if settled.len() != self.points.len() {
            self.noted.push(self.files.plan.error(
                "point",
                format!("the plan makes {} points, but {} are settled", self.points.len(), settled.len()),
                "the two have to belong together: take them from one record",
            ));
            return;
        }
        for (point, settled) in self.points.iter_mut().zip(settled) {
            point.frequency = settled.frequency;
            point.target = settled.target;
            point.limited.clone_from(&settled.limited);
        }
    }
}
