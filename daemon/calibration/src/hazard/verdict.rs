//! What all of it means for a point: whether it may be run, and what amplitude could be.
//!
//! Owns: the rule that a coast beyond the stop, or a reserve that is not positive, refuses a point; what a declared
//! limiter or a waiver make of that; and the largest amplitude that is not refused.

use super::coast::{Coast, Stop, allowance, coast};
use super::motion::Machine;
use super::pace::Pace;
use super::reach::{Halt, Reach};
use super::reaction::{Fault, answer};
use super::reserve::{Reserve, Scene, Struck};
use crate::control::{Obstacle, Plant, ceiling};
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::{Accel, Hertz, Peak, engineering};
use std::rc::Rc;

/// What may happen at a point if it is stopped, and if a single fault strikes.
#[derive(Debug, Clone, PartialEq)]
pub struct Hazards {
    /// How far each stop of a healthy run lets the armature go.
    pub coasts: Vec<Coast>,
    /// What is left of time against each single fault.
    pub reserves: Vec<Reserve>,
    /// Why the point must not be run, each with the largest acceleration at this frequency that meets none of them; zero
    /// where none does.
    pub obstacles: Vec<Obstacle>,
    /// What would be an obstacle, were it not for a limiter or a waiver.
    pub warnings: Vec<String>,
}

/// The hazards of a target at a frequency, on a job's rig with its payload.
#[must_use]
pub fn hazards(job: &ResolvedJob, plant: &Plant, frequency: Hertz, target: Accel<Peak>) -> Hazards {
    Place::new(job, plant, frequency).hazards(target)
}

/// What is said of a coast that reaches the stop.
fn beyond(job: &ResolvedJob, coast: &Coast) -> Option<String> {
    let stop = job.rig.shaker.stop;
    // Not a comparison with `>`: what is no number must not pass.
    if coast.displacement <= stop {
        return None;
    }
    let when = coast.touches.map_or(String::new(), |touches| {
        format!(" and touched after {} at the soonest", engineering(touches.si(), "s"))
    });
    Some(format!(
        "after {} the armature may go to {}, the stop is at {}{when}",
        coast.stop.words(),
        engineering(coast.displacement.si(), "m"),
        engineering(stop.si(), "m")
    ))
}

/// What is said of a fault that the rig does not answer in time.
fn too_late(reserve: &Reserve) -> Option<String> {
    if reserve.keeps_off() {
        return None;
    }
    let longest = engineering(reserve.longest.map_or(0.0, |l| l.si()), "s");
    let takes = match reserve.reaction {
        Some(reaction) => format!("this rig takes {}", engineering(reaction.si(), "s")),
        None => "nothing on this rig notices or stops that".to_owned(),
    };
    Some(format!("{}, a stop has to act within {longest}; {takes}", reserve.fault.words()))
}

/// A rig at a frequency: what does not depend on the amplitude.
pub(crate) struct Place<'a> {
    job: &'a ResolvedJob,
    plant: &'a Plant,
    frequency: Hertz,
    machine: Machine,
    scenes: Vec<Scene>,
}

/// How often an interval of amplitudes is halved: to 0.4 % of the target.
const HALVINGS: i32 = 8;

impl<'a> Place<'a> {
    /// A rig at a frequency.
    #[must_use]
    pub(crate) fn new(job: &'a ResolvedJob, plant: &'a Plant, frequency: Hertz) -> Self {
        let machine = Machine::of(job);
        let shaker = &job.rig.shaker;
        let limit = (shaker.stop - allowance(&job.rig)).si();
        let tone = Rc::new(Pace::of_tone(&machine, frequency));
        let held = Rc::new(Pace::held(&machine, frequency, 0.25));
        let mut reaches: Vec<(Halt, Rc<Reach>)> = Vec::new();
        let scenes = Fault::ALL
            .into_iter()
            .map(|fault| {
                let answer = answer(&job.rig, &machine, plant, frequency, fault);
                let reach = answer.halt.map(|halt| {
                    let known = reaches.iter().find(|(h, _)| *h == halt).map(|(_, reach)| Rc::clone(reach));
                    known.unwrap_or_else(|| {
                        let reach = Rc::new(Reach::new(&machine, halt));
                        reaches.push((halt, Rc::clone(&reach)));
                        reach
                    })
                });
                let pace = match fault {
                    Fault::SourceHolds | Fault::SourceStep => &held,
                    Fault::GainJump | Fault::SourceDeaf | Fault::ReferenceSilent => &tone,
                };
                Scene::new(pace, fault, answer, reach, limit)
            })
            .collect();
        Self { job, plant, frequency, machine, scenes }
    }

    /// The hazards of a target here.
    #[must_use]
    pub(crate) fn hazards(&self, target: Accel<Peak>) -> Hazards {
        let sine = self.struck(target);
        let coasts = self.coasts(&sine);
        let reserves: Vec<Reserve> = self.scenes.iter().map(|scene| scene.reserve(&sine)).collect();
        let mut messages: Vec<String> = coasts.iter().filter_map(|coast| beyond(self.job, coast)).collect();
        messages.extend(reserves.iter().filter_map(too_late));
        let mut found = Hazards { coasts, reserves, obstacles: Vec::new(), warnings: Vec::new() };
        let rig = &self.job.rig;
        match (&rig.limiter, &rig.waiver) {
            (Some(limiter), _) => {
                let kind = limiter.kind.word();
                let told = |m| format!("{m}; the {kind} limiter '{}' has to prevent that", limiter.name);
                found.warnings = messages.into_iter().map(told).collect();
            }
            (None, Some(waiver)) => {
                let told = |m| format!("{m}; waived by {}: {}", waiver.name, waiver.reason);
                found.warnings = messages.into_iter().map(told).collect();
            }
            (None, None) if messages.is_empty() => {}
            (None, None) => {
                let largest = self.within(target);
                found.obstacles = messages.into_iter().map(|message| Obstacle { message, largest }).collect();
            }
        }
        found
    }

    /// A target in its steady state, with what was foreseen of it.
    fn struck(&self, target: Accel<Peak>) -> Struck {
        let need = self.plant.need(self.frequency, target);
        let ceiling = ceiling(self.job, &need, self.frequency, target);
        Struck {
            steady: self.machine.steady(self.frequency, target),
            ceiling: (ceiling.drive / need.drive).max(1.0),
            foreseen: (ceiling.acceleration.si(), ceiling.stroke.si()),
        }
    }

    fn coasts(&self, sine: &Struck) -> Vec<Coast> {
        let stops = Stop::of(&self.job.rig).into_iter();
        stops
            .map(|stop| coast(&self.machine, &self.job.rig, self.plant, self.frequency, &sine.steady, stop))
            .collect()
    }

    /// The largest acceleration up to a target that meets no obstacle; zero where none is found.
    #[must_use]
    pub(crate) fn within(&self, target: Accel<Peak>) -> Accel<Peak> {
        self.search(target).admitted
    }

    /// What is said of the first hazard that refuses a target; `None` where none does.
    #[must_use]
    pub(crate) fn refusal(&self, target: Accel<Peak>) -> Option<String> {
        let sine = self.struck(target);
        let coasted = self.coasts(&sine).iter().find_map(|coast| beyond(self.job, coast));
        coasted.or_else(|| {
            let scene = self.scenes.iter().find(|scene| !scene.keeps_off(&sine))?;
            too_late(&scene.reserve(&sine))
        })
    }

    /// Looks for the largest acceleration up to a target that meets no obstacle, by halving.
    ///
    /// A smaller amplitude is not always safer, since a fault may be seen later: so every candidate is asked all
    /// questions. Coasts go in proportion, or fall faster where a live amplifier brakes at its limit.
    #[must_use]
    pub(crate) fn search(&self, target: Accel<Peak>) -> Search {
        if self.job.rig.limiter.is_some() || self.job.rig.waiver.is_some() {
            return Search { admitted: target, refused: None };
        }
        let still = allowance(&self.job.rig);
        let room = (self.job.rig.shaker.stop - still).si();
        let coasts = self.coasts(&self.struck(target));
        let coasted = coasts.iter().fold(0.0f64, |most, c| most.max((c.displacement - still).si()));
        let passes = |target: Accel<Peak>| {
            let sine = self.struck(target);
            self.scenes.iter().all(|scene| scene.keeps_off(&sine))
        };
        // Rounding must not refuse what is named here.
        let mut high = target * (room / coasted * (1.0 - 1e-9)).clamp(0.0, 1.0);
        if passes(high) {
            return Search { admitted: high, refused: (high < target).then_some(target) };
        }
        // Mostly it is all or nothing.
        let least = high * 0.5f64.powi(HALVINGS);
        if !passes(least) {
            return Search { admitted: Accel::ZERO, refused: Some(least) };
        }
        let mut low = Accel::ZERO;
        for _ in 0..HALVINGS {
            let middle = (low + high) * 0.5;
            if passes(middle) {
                low = middle;
            } else {
                high = middle;
            }
        }
        Search { admitted: low, refused: Some(high) }
    }
}

/// What a search for the largest acceleration came to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Search {
    /// The largest one that meets no obstacle; zero where none was found.
    pub(crate) admitted: Accel<Peak>,
    /// The smallest one seen that does, where the search was not admitted whole.
    pub(crate) refused: Option<Accel<Peak>>,
}
