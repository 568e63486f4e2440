//! What of a result falls under the laboratory's accreditation.

use super::Circumstances;
use plan_schema::resolve::{MountedSensor, ResolvedJob, ResolvedPoint};
use plan_schema::scope::ScopeBand;

/// Whether a point falls under the accreditation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Accredited {
    /// Whether its magnitude does.
    pub magnitude: bool,
    /// Whether its phase does.
    pub phase: bool,
}

/// The band of the scope that holds a sensor at a point. Its best capability bounds what is stated on any day: a laboratory
/// whose accreditation has lapsed has not become better by that.
pub(super) fn band<'a>(
    job: &'a ResolvedJob,
    mounted: &MountedSensor,
    point: &ResolvedPoint,
) -> Option<&'a ScopeBand> {
    job.scope.as_ref()?.band(mounted.sensor.kind, point.frequency, point.target)
}

/// Whether the result falls under the accreditation; `None` where there is no scope.
pub(super) fn accredited(
    job: &ResolvedJob,
    mounted: &MountedSensor,
    point: &ResolvedPoint,
    circumstances: &Circumstances,
) -> Option<Accredited> {
    job.scope.as_ref()?;
    let band = band(job, mounted, point).filter(|_| circumstances.scope_in_force);
    Some(Accredited { magnitude: band.is_some(), phase: band.is_some_and(|b| b.u_phase.is_some()) })
}
