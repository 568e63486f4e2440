//! What a point will need, computed before it starts, and why it can't be run where it can't.

use super::amplitude::window;
use super::plant::{Need, Plant};
use crate::interlock::Ceiling;
use plan_schema::resolve::{ResolvedJob, ResolvedPoint};
use plan_schema::units::{Accel, Displacement, Hertz, Peak, Seconds, Velocity, engineering};

/// What one point will need.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecast {
    /// Peak displacement of the fundamental.
    pub displacement: Displacement<Peak>,
    /// Peak velocity.
    pub velocity: Velocity<Peak>,
    /// Drive, current, force.
    pub need: Need,
    /// What the loop stays under.
    pub ceiling: Ceiling,
    /// Time for settling and measuring, foreseen.
    pub time: Seconds,
    /// Why the point can't be run; empty where it can.
    pub obstacles: Vec<Obstacle>,
    /// The largest acceleration that can be run at this frequency; `None` where nothing stands in the way.
    pub largest: Option<Accel<Peak>>,
}

/// A limit that a point would pass.
#[derive(Debug, Clone, PartialEq)]
pub struct Obstacle {
    /// Which limit, with numbers.
    pub message: String,
    /// Largest acceleration at this frequency that keeps the limit.
    pub largest: Accel<Peak>,
}

/// Overshoot of the stroke that is allowed on the way to a target: 10 % of it, 3 % above 95 % of the rated stroke.
#[must_use]
pub fn overshoot_allowed(target: Displacement<Peak>, rated: Displacement<Peak>) -> f64 {
    if target.si() > 0.95 * rated.si() { 0.03 } else { 0.10 }
}

/// Foresees one point.
#[must_use]
pub fn foresee(job: &ResolvedJob, plant: &Plant, point: &ResolvedPoint) -> Forecast {
    let need = plant.need(point.frequency, point.target);
    let obstacles = obstacles(job, plant, point.frequency, point.target);
    Forecast {
        displacement: point.target.displacement_at(point.frequency),
        velocity: point.target.velocity_at(point.frequency),
        ceiling: ceiling(job, &need, point.frequency, point.target),
        need,
        time: foreseen_time(job, plant, point),
        largest: largest(job, plant, point.frequency, &obstacles),
        obstacles,
    }
}

/// What the loop stays under at a target.
fn ceiling(job: &ResolvedJob, need: &Need, frequency: Hertz, target: Accel<Peak>) -> Ceiling {
    let shaker = &job.rig.shaker;
    let displacement = target.displacement_at(frequency);
    let overshoot = 1.0 + overshoot_allowed(displacement, shaker.rated_stroke);
    Ceiling {
        stroke: displacement * overshoot + Displacement::new(shaker.static_allowance.si()),
        velocity: target.velocity_at(frequency) * overshoot,
        acceleration: target * overshoot,
        force: need.force * overshoot,
        // The plant of the rig file may be off; the loop is closed on the reference, so half as much again suffices.
        drive: (need.drive * 1.5).min(shaker.drive_limit),
    }
}

/// Every limit that a target would pass.
fn obstacles(job: &ResolvedJob, plant: &Plant, frequency: Hertz, target: Accel<Peak>) -> Vec<Obstacle> {
    let shaker = &job.rig.shaker;
    let amplifier = &job.rig.amplifier;
    let need = plant.need(frequency, target);
    let displacement = target.displacement_at(frequency);
    let limits = [
        ("displacement", "m", displacement.si(), shaker.rated_stroke.si()),
        ("velocity", "m/s", target.velocity_at(frequency).si(), shaker.velocity_limit.si()),
        ("acceleration", "m/s²", target.si(), shaker.acceleration_limit.si()),
        ("force", "N", need.force.si(), shaker.force_limit.si()),
        ("drive", "V", need.drive.si(), shaker.drive_limit.si()),
        ("coil voltage", "V", need.coil_voltage.si(), amplifier.voltage_limit.si()),
        ("coil current", "A", need.current.si(), amplifier.current_limit.si()),
    ];
    // Rounding must not refuse what was named as the largest.
    let passed = limits.into_iter().filter(|(_, _, value, allowed)| *value > *allowed * (1.0 + 1e-9));
    let mut obstacles: Vec<Obstacle> = passed
        .map(|(what, unit, value, allowed)| Obstacle {
            message: format!(
                "{what} of {} pk is more than {} pk",
                engineering(value, unit),
                engineering(allowed, unit)
            ),
            largest: target * (allowed / value),
        })
        .collect();
    let stroke = ceiling(job, &need, frequency, target).stroke;
    if stroke.si() > shaker.trip().si() * (1.0 + 1e-9) {
        let allowed = shaker.trip() - Displacement::new(shaker.static_allowance.si());
        let overshoot = 1.0 + overshoot_allowed(displacement, shaker.rated_stroke);
        obstacles.push(Obstacle {
            message: format!(
                "with overshoot and the static allowance the stroke may reach {}, the trip is at {}",
                engineering(stroke.si(), "m"),
                engineering(shaker.trip().si(), "m")
            ),
            largest: (allowed / overshoot).acceleration_at(frequency),
        });
    }
    obstacles
}

/// The largest acceleration that meets no obstacle. A smaller target may meet another obstacle, since it is allowed
/// another overshoot; so it is looked at again.
fn largest(job: &ResolvedJob, plant: &Plant, frequency: Hertz, first: &[Obstacle]) -> Option<Accel<Peak>> {
    let smallest = |found: &[Obstacle]| found.iter().map(|o| o.largest).reduce(Accel::min);
    let mut target = smallest(first)?;
    for _ in 0..4 {
        match smallest(&obstacles(job, plant, frequency, target)) {
            Some(smaller) => target = smaller,
            None => break,
        }
    }
    Some(target)
}

/// An approach, one correction and the way back to zero; three windows to look; and the dwells.
fn foreseen_time(job: &ResolvedJob, plant: &Plant, point: &ResolvedPoint) -> Seconds {
    let source = job.rig.roles.source.split('.').next().unwrap_or_default();
    let latency = job.rig.instruments.iter().find(|i| i.name == source).map_or(Seconds::ZERO, |i| i.latency);
    let moved =
        plant.transition(point.frequency) + latency + plant.settling_time() + job.rig.acquisition.block;
    let measured = f64::from(point.dwell_cycles) * f64::from(point.repeats) / point.frequency.si();
    moved * 3.0 + window(point.frequency) * 3.0 + Seconds::new(measured)
}
