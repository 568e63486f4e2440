//! Drift of the set-up: the point that was measured first, looked at once more at the end.

use super::RunFacts;
use super::seen::Seen;
use crate::estimate::Complex;
use crate::sequence::{Finding, FindingKind, PointEnd, Setup};
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
    /// Of a sensor's column; `None` where nothing closed the run, or the column can't be used there.
    pub(super) fn of(setup: &Setup, facts: &RunFacts, column: usize) -> Option<Self> {
        let seen = |closing: bool, number: Option<usize>| {
            facts.ends.iter().find_map(|end| match end {
                PointEnd::Measured(m) if m.closing == closing && number.is_none_or(|n| n == m.point) => {
                    // The reference's sensitivity is the same at both times.
                    Seen::of(m, column, &setup.job, Complex::new(1.0, 0.0)).filter(|s| s.valid)
                }
                PointEnd::Measured(_) | PointEnd::Unreached { .. } => None,
            })
        };
        let last = seen(true, None)?;
        let first = seen(false, Some(last.measurement.point))?;
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
