//! What a point will need, computed before it starts, and why it can't be run where it can't.

use super::approach::window;
use super::decay::decay_wait;
use super::noise::lengthened;
use super::parallel::each;
use super::plant::{Need, Plant};
use crate::hazard::{Hazards, Place};
use crate::interlock::Ceiling;
use crate::interlock::observer::bound_at;
use plan_schema::resolve::{ResolvedJob, ResolvedPoint};
use plan_schema::units::{
    Accel, AccelDc, Displacement, Hertz, Peak, Quantity, STANDARD_GRAVITY, Seconds, Torque, Velocity,
    engineering,
};

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
    /// Time of the whole point, foreseen: the overhead, the wait for a decay, and the dwells.
    pub time: Seconds,
    /// How many times the plan's cycles it is likely to be measured for, until noise counts for little.
    pub lengthened: u64,
    /// Of it the ways off the point before and up to this one, and settling.
    pub overhead: Seconds,
    /// Of it what is waited for the decay of AC-coupled sensors and channels, beyond settling.
    pub decay_wait: Seconds,
    /// Why the point can't be run; empty where it can.
    pub obstacles: Vec<Obstacle>,
    /// The largest acceleration that can be run at this frequency; `None` where nothing stands in the way.
    pub largest: Option<Accel<Peak>>,
    /// What happens if the point is stopped, and what is left of time if a fault strikes. What refuses the point is among
    /// the obstacles.
    pub hazards: Hazards,
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

/// Foresees all points of a job, each place and amplitude once.
#[must_use]
pub fn foresee_all(job: &ResolvedJob, plant: &Plant) -> Vec<Forecast> {
    let alike = |a: &ResolvedPoint, b: &ResolvedPoint| a.frequency == b.frequency && a.target == b.target;
    let mut different: Vec<&ResolvedPoint> = Vec::new();
    for point in &job.points {
        if !different.iter().any(|known| alike(known, point)) {
            different.push(point);
        }
    }
    let foreseen = each(&different, |point| foresee(job, plant, point));
    let known = |point: &ResolvedPoint| {
        different.iter().zip(&foreseen).find(|(known, _)| alike(known, point)).map(|(_, f)| f.clone())
    };
    // Only the time is a matter of more than place and amplitude.
    let taking = |point| known(point).map(|f| f.taking(&foreseen_time(job, plant, point)));
    job.points.iter().filter_map(taking).collect()
}

/// Foresees one point.
#[must_use]
pub fn foresee(job: &ResolvedJob, plant: &Plant, point: &ResolvedPoint) -> Forecast {
    let (frequency, target) = (point.frequency, point.target);
    let need = plant.need(frequency, target);
    let place = Place::new(job, plant, frequency);
    let hazards = place.hazards(target);
    let mut obstacles = obstacles(job, plant, frequency, target);
    obstacles.extend(hazards.obstacles.iter().cloned());
    Forecast {
        displacement: target.displacement_at(frequency),
        velocity: target.velocity_at(frequency),
        ceiling: ceiling(job, &need, frequency, target),
        need,
        time: Seconds::ZERO,
        lengthened: 1,
        overhead: Seconds::ZERO,
        decay_wait: Seconds::ZERO,
        largest: largest(job, plant, &place, frequency, &obstacles),
        obstacles,
        hazards,
    }
    .taking(&foreseen_time(job, plant, point))
}

impl Forecast {
    fn taking(self, times: &ForeseenTime) -> Self {
        Self {
            time: times.overhead + times.decay_wait + times.measured,
            lengthened: times.lengthened,
            overhead: times.overhead,
            decay_wait: times.decay_wait,
            ..self
        }
    }
}

/// What the loop stays under at a target.
#[must_use]
pub(crate) fn ceiling(job: &ResolvedJob, need: &Need, frequency: Hertz, target: Accel<Peak>) -> Ceiling {
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
pub(super) fn obstacles(
    job: &ResolvedJob,
    plant: &Plant,
    frequency: Hertz,
    target: Accel<Peak>,
) -> Vec<Obstacle> {
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
    obstacles.extend(beside_the_axis(job, target));
    obstacles.extend(blurred(job, frequency, target));
    obstacles.extend(too_short_a_gate(job, frequency));
    obstacles
}

/// Moment of the payload at a target, gravity with it; `None` where the place of anything on the table is not known.
#[must_use]
pub fn eccentric_moment(job: &ResolvedJob, target: Accel<Peak>) -> Option<Quantity<Torque>> {
    job.eccentric_moment(AccelDc::new(target.si() + STANDARD_GRAVITY))
}

/// Why a payload beside the axis is more than the shaker bears, where its maker states how much that is.
fn beside_the_axis(job: &ResolvedJob, target: Accel<Peak>) -> Option<Obstacle> {
    let allowed = job.rig.shaker.eccentric_moment_limit?.si();
    let moment = eccentric_moment(job, target)?.si();
    let largest = (allowed / moment * (target.si() + STANDARD_GRAVITY) - STANDARD_GRAVITY).max(0.0);
    (moment > allowed * (1.0 + 1e-9)).then(|| Obstacle {
        message: format!(
            "eccentric moment of {} pk, gravity with it, is more than {}",
            engineering(moment, "N·m"),
            engineering(allowed, "N·m")
        ),
        largest: Accel::new(largest),
    })
}

/// Cycles and time that a block of a gated acquisition has to hold: as much as the first motion, and more than a window.
const GATE: (f64, f64) = (2.0, 0.5);

/// Why nothing can be told at a frequency: a block of a gated acquisition is looked at by itself, and too short for it.
fn too_short_a_gate(job: &ResolvedJob, frequency: Hertz) -> Option<Obstacle> {
    let acquisition = &job.rig.acquisition;
    let needed = (GATE.0 / frequency.si()).max(GATE.1);
    let short = acquisition.is_gated() && acquisition.block.si() < needed * (1.0 - 1e-9);
    short.then(|| Obstacle {
        message: format!(
            "a block of the gated acquisition lasts {}, and at this frequency one has to hold {}: write a longer block",
            engineering(acquisition.block.si(), "s"),
            engineering(needed, "s")
        ),
        largest: Accel::ZERO,
    })
}

/// Why the observer does not see well enough what the stroke is, where no channel shows it: the bound on its error takes more
/// than its share of the way from the ceiling to the stop, or leads beyond the trip.
fn blurred(job: &ResolvedJob, frequency: Hertz, target: Accel<Peak>) -> Option<Obstacle> {
    let rig = &job.rig;
    if rig.displacement.is_some() {
        return None;
    }
    let (shaker, share) = (&rig.shaker, rig.timing.observer_share.si());
    let displacement = target.displacement_at(frequency).si();
    let overshoot = 1.0 + overshoot_allowed(Displacement::new(displacement), shaker.rated_stroke);
    let rest = shaker.static_allowance.si();
    let bound = bound_at(job, frequency, target).si();
    let fixed = bound_at(job, frequency, Accel::ZERO).si();
    let slope = (bound - fixed) / displacement;
    // What it may take of the reserve, and what keeps it from tripping a motion that is in order.
    let by_share = (share * (shaker.stop.si() - rest) - fixed) / (slope + share * overshoot);
    let by_trip = (shaker.trip().si() - rest - fixed) / (1.0 + slope);
    let largest = by_share.min(by_trip).max(0.0);
    (displacement > largest * (1.0 + 1e-9)).then(|| Obstacle {
        message: format!(
            "without a displacement channel the stroke is known within {} only, of {} from the ceiling to the stop",
            engineering(bound, "m"),
            engineering(shaker.stop.si() - rest - overshoot * displacement, "m")
        ),
        largest: Displacement::new(largest).acceleration_at(frequency),
    })
}

/// The largest acceleration that meets no obstacle. A smaller target may meet another obstacle, since it is allowed
/// another overshoot; so it is looked at again.
fn largest(
    job: &ResolvedJob,
    plant: &Plant,
    place: &Place<'_>,
    frequency: Hertz,
    first: &[Obstacle],
) -> Option<Accel<Peak>> {
    let smallest = |found: &[Obstacle]| found.iter().map(|o| o.largest).reduce(Accel::min);
    let mut target = smallest(first)?;
    // Where the suspension hardens, drive and current do not go in proportion; so a few times more.
    for _ in 0..12 {
        target = place.within(target);
        match smallest(&obstacles(job, plant, frequency, target)) {
            Some(smaller) => target = smaller,
            None => break,
        }
    }
    Some(target)
}

/// Chance that a point needs a correction: what is foreseen before a run is a mean.
const CORRECTION_CHANCE: f64 = 0.3;

/// The parts of a point's time.
#[derive(Debug, Clone, Copy, PartialEq)]
struct ForeseenTime {
    lengthened: u64,
    overhead: Seconds,
    decay_wait: Seconds,
    measured: Seconds,
}

/// The way off to zero and the way up, the source's latency twice, settling and a window; with some chance a correction: a
/// small change, the latency, settling and another window. A block ends after what it is waited for, half a block on the
/// average. Then the rest of a decay, and the dwells.
fn foreseen_time(job: &ResolvedJob, plant: &Plant, point: &ResolvedPoint) -> ForeseenTime {
    let source = job.rig.roles.source.split('.').next().unwrap_or_default();
    let latency = job.rig.instruments.iter().find(|i| i.name == source).map_or(Seconds::ZERO, |i| i.latency);
    let looked = plant.settling_time() + window(point.frequency) + job.rig.acquisition.block * 0.5;
    let target = plant.need(point.frequency, point.target).drive;
    let small = plant.transition_between(point.frequency, target, target);
    let correction = small + latency + looked;
    let lengthened = lengthened(job, point);
    let cycles = f64::from(point.dwell_cycles) * lengthened as f64;
    let dwell = cycles * f64::from(point.repeats) / point.frequency.si();
    ForeseenTime {
        lengthened,
        overhead: plant.transition(point.frequency) * 2.0
            + latency * 2.0
            + looked
            + correction * CORRECTION_CHANCE,
        decay_wait: (slowest_decay(job, point.frequency) - looked).max(Seconds::ZERO),
        measured: Seconds::new(dwell),
    }
}

/// The longest wait for a decay among the sensors and the channels in use, from when the tone is in effect.
fn slowest_decay(job: &ResolvedJob, frequency: Hertz) -> Seconds {
    let sensors = job.sensors.iter().filter_map(|s| s.sensor.corner());
    let channels = job.columns.iter().filter_map(|c| c.ac_corner);
    sensors.chain(channels).map(|corner| decay_wait(frequency, corner)).fold(Seconds::ZERO, Seconds::max)
}

#[cfg(test)]
mod tests;
