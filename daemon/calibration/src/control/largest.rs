//! The largest amplitude that a point may have, where the plan asks for it.
//!
//! Owns: what physics and hazards leave of what the files allow, and which of them it is that binds. Must not: know how
//! a series is written.
//!
//! What is chosen has three significant digits and was itself asked every question, so that it is admitted as it
//! stands.

use super::foresee::obstacles;
use super::parallel::each;
use super::plant::Plant;
use crate::hazard::Place;
use plan_schema::read::{Diagnostics, Report};
use plan_schema::resolve::{JobFiles, ResolvedJob, ResolvedPoint, Settled, rounded_down};
use plan_schema::units::{Accel, Hertz, Peak, engineering};

/// Puts the files of a job together, the largest amplitudes found where the plan asks for them. Where nothing can be
/// had at a frequency, the point keeps what the files allow, and its forecast says what stands in the way.
///
/// # Errors
/// Everything that is wrong within the files and between them.
pub fn resolve(files: &JobFiles) -> Result<(ResolvedJob, Diagnostics), Report> {
    let (job, noted) = ResolvedJob::resolve(files)?;
    if job.points.iter().all(|p| p.wanted.is_none()) {
        return Ok((job, noted));
    }
    let plant = Plant::of(&job);
    let settled = each(&job.points, |point| match point.wanted {
        None => point.settled(),
        Some(_) => largest(&job, &plant, point),
    });
    // Asked again, since a reference also has a lowest amplitude.
    ResolvedJob::resolve_settled(files, &settled)
}

/// How often what one limit leaves is shown to the others.
const ROUNDS: usize = 16;

/// What a point comes to.
fn largest(job: &ResolvedJob, plant: &Plant, point: &ResolvedPoint) -> Settled {
    let frequency = point.frequency;
    let place = Place::new(job, plant, frequency);
    let mut found = point.settled();
    for _ in 0..ROUNDS {
        let Some((lower, why)) = lowered(job, plant, &place, frequency, found.target) else {
            return found;
        };
        if lower <= Accel::ZERO {
            break;
        }
        found = Settled { target: lower, limited: Some(why), ..found }
    }
    point.settled()
}

/// What is left of a target, and what stands in the way of more; `None` where nothing does.
fn lowered(
    job: &ResolvedJob,
    plant: &Plant,
    place: &Place<'_>,
    frequency: Hertz,
    target: Accel<Peak>,
) -> Option<(Accel<Peak>, String)> {
    let tightest = obstacles(job, plant, frequency, target)
        .into_iter()
        .min_by(|a, b| a.largest.si().total_cmp(&b.largest.si()));
    let at = |refused: Accel<Peak>, why: &str| format!("at {} pk {why}", engineering(refused.si(), "m/s²"));
    if let Some(obstacle) = tightest {
        // Rounding of a suspension that hardens must not hold this up.
        return Some((
            rounded_down(obstacle.largest.min(target * (1.0 - 1e-6))),
            at(target, &obstacle.message),
        ));
    }
    let search = place.search(target);
    let refused = search.refused?;
    let why = place.refusal(refused).unwrap_or_default();
    Some((rounded_down(search.admitted), at(refused, &why)))
}
