//! What a point will need, computed before it starts, and why it can't be run where it can't.

use super::amplitude::window;
use super::plant::{Need, Plant};
use super::transition::transition;
use crate::interlock::Ceiling;
use plan_schema::resolve::{ResolvedJob, ResolvedPoint};
use plan_schema::units::{Accel, Displacement, Newtons, Peak, Seconds, Velocity, Volts, engineering};

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
    if target.si() > 0.95 * rated.si() {
        0.03
    } else {
        0.10
    }
}

/// Foresees one point.
#[must_use]
pub fn foresee(job: &ResolvedJob, plant: &Plant, point: &ResolvedPoint) -> Forecast {
    let shaker = &job.rig.shaker;
    let frequency = point.frequency;
    let displacement = point.target.displacement_at(frequency);
    let velocity = point.target.velocity_at(frequency);
    let need = plant.need(frequency, point.target);
    let overshoot = 1.0 + overshoot_allowed(displacement, shaker.rated_stroke);
    let ceiling = Ceiling {
        stroke: displacement * overshoot + Displacement::new(shaker.static_allowance.si()),
        velocity: velocity * overshoot,
        acceleration: point.target * overshoot,
        force: need.force * overshoot,
        // The plant of the rig file may be off; the loop is closed on the reference, so half as much again suffices.
        drive: (need.drive * 1.5).min(shaker.drive_limit),
    };
    let mut obstacles = Vec::new();
    let mut limit = |what: &str, unit: &str, value: f64, allowed: f64| {
        if value > allowed * (1.0 + 1e-9) {
            obstacles.push(Obstacle {
                message: format!(
                    "{what} {} pk is more than {} pk",
                    engineering(value, unit),
                    engineering(allowed, unit)
                ),
                largest: point.target * (allowed / value),
            });
        }
    };
    limit(
        "displacement of",
        "m",
        displacement.si(),
        shaker.rated_stroke.si(),
    );
    limit("velocity of", "m/s", velocity.si(), shaker.velocity_limit.si());
    limit(
        "acceleration of",
        "m/s²",
        point.target.si(),
        shaker.acceleration_limit.si(),
    );
    limit("force of", "N", need.force.si(), shaker.force_limit.si());
    limit("drive of", "V", need.drive.si(), shaker.drive_limit.si());
    limit(
        "coil voltage of",
        "V",
        need.coil_voltage.si(),
        job.rig.amplifier.voltage_limit.si(),
    );
    limit(
        "coil current of",
        "A",
        need.current.si(),
        job.rig.amplifier.current_limit.si(),
    );
    let allowed = shaker.trip() - Displacement::new(shaker.static_allowance.si());
    if ceiling.stroke > shaker.trip() {
        obstacles.push(Obstacle {
            message: format!(
                "with overshoot and the static allowance the stroke may reach {}, the trip is at {}",
                engineering(ceiling.stroke.si(), "m"),
                engineering(shaker.trip().si(), "m")
            ),
            largest: (allowed / overshoot).acceleration_at(frequency),
        });
    }
    Forecast {
        displacement,
        velocity,
        need,
        ceiling,
        time: foreseen_time(job, plant, point),
        obstacles,
    }
}

/// An approach, one correction and the way back to zero; three windows to look; and the dwells.
fn foreseen_time(job: &ResolvedJob, plant: &Plant, point: &ResolvedPoint) -> Seconds {
    let source = job.rig.roles.source.split('.').next().unwrap_or_default();
    let latency = job
        .rig
        .instruments
        .iter()
        .find(|i| i.name == source)
        .map_or(Seconds::ZERO, |i| i.latency);
    let moved = transition(point.frequency) + latency + plant.settling_time() + job.rig.acquisition.block;
    let measured = f64::from(point.dwell_cycles) * f64::from(point.repeats) / point.frequency.si();
    moved * 3.0 + window(point.frequency) * 3.0 + Seconds::new(measured)
}

impl Forecast {
    /// The largest acceleration that all obstacles leave; `None` where nothing stands in the way.
    #[must_use]
    pub fn largest(&self) -> Option<Accel<Peak>> {
        self.obstacles.iter().map(|o| o.largest).reduce(Accel::min)
    }

    /// Peak force in newtons, peak drive in volts: what a table shows beside the motion.
    #[must_use]
    pub fn effort(&self) -> (Newtons<Peak>, Volts<Peak>) {
        (self.need.force, self.need.drive)
    }
}
