//! Drift of the set-up: the point that was measured first, looked at once more at the end.

use super::RunFacts;
use super::seen::Seen;
use crate::estimate::Complex;
use crate::sequence::{Finding, FindingKind, Measurement, PointEnd, Setup};
use plan_schema::resolve::ResolvedJob;

/// How far a sensor's first point had moved by the end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Drift {
    /// Change of the magnitude, relative.
    pub(super) magnitude: f64,
    /// Change of the phase, rad.
    pub(super) phase: f64,
    /// Standard uncertainty of the change of the magnitude by noise alone.
    noise: f64,
}

impl Drift {
    /// Of a sensor's column: the largest of what each closing look shows; `None` where nothing closed the run, or the column
    /// can't be used there.
    pub(super) fn of(setup: &Setup, facts: &RunFacts, column: usize) -> Option<Self> {
        let measured = |closing: bool| {
            facts.ends.iter().filter_map(move |end| match end {
                PointEnd::Measured(m) if m.closing == closing => Some(m),
                PointEnd::Measured(_) | PointEnd::Unreached { .. } => None,
            })
        };
        // A look may be repeated: its first that can be used counts. A run that goes on with another closes twice.
        let mut looks: Vec<Option<Self>> = Vec::new();
        for last in measured(true) {
            let mut first = measured(false).filter(|m| m.point == last.point);
            let mut change = || first.find_map(|first| Self::between(setup, first, last, column));
            match looks.last_mut().filter(|_| last.repeat > 0) {
                Some(look) => *look = look.or_else(change),
                None => looks.push(change()),
            }
        }
        looks.into_iter().flatten().reduce(|a, b| if b.magnitude > a.magnitude { b } else { a })
    }

    /// From one measurement of a point to another.
    fn between(setup: &Setup, first: &Measurement, last: &Measurement, column: usize) -> Option<Self> {
        // The reference's sensitivity is the same at both times.
        let seen = |m| Seen::of(m, column, &setup.job, Complex::new(1.0, 0.0)).filter(|s| s.valid);
        let (first, last) = (seen(first)?, seen(last)?);
        let change = last.response / first.response;
        Some(Self {
            magnitude: (change.norm() - 1.0).abs(),
            phase: change.arg().abs(),
            noise: last.u_magnitude.hypot(first.u_magnitude),
        })
    }

    /// A finding if it moved more than the plan allows, beyond what noise does.
    pub(super) fn finding(&self, job: &ResolvedJob, column: Option<usize>) -> Option<Finding> {
        let allowed = (job.plan.drift_limit.si() + 3.0 * self.noise) * 100.0;
        let seen = self.magnitude * 100.0;
        let message = format!(
            "the point that was measured first had moved by {seen:.2} % at the end, {allowed:.2} % is allowed: mounting, \
             cable or temperature did not stay"
        );
        (seen > allowed)
            .then(|| Finding::beyond(FindingKind::SetupDrift, column, seen, allowed, "percent", message))
    }
}

/// A finding if a sensor of the job shows another sensitivity at the second look than at the first, beyond the plan's limit of
/// drift and what noise does.
#[must_use]
pub fn moved(setup: &Setup, first: &Measurement, last: &Measurement, sensor: usize) -> Option<Finding> {
    let column = setup.job.sensors.get(sensor)?.column;
    Drift::between(setup, first, last, column)?.finding(&setup.job, Some(column))
}
